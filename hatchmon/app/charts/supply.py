"""The graphs of a plan that was issued: nauplii at hand, and the chance that each feeding is covered."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from hatchmon.app.charts.batch import clock_axis
from hatchmon.app.charts.chart import Area, Chart, Layer, Line, Marks, Rule, Table, number_axis
from hatchmon.hatchery.wording import Voice

LONGEST_TABLE = 200  # by the hour for a week and a day
_PART = 1000.0  # of the axis of nauplii


def supply_charts(facts: Mapping[str, Any], now: datetime, voice: Voice) -> list[Chart]:
    """Both, where anybody is to be fed."""
    if not facts["feedings"] or not facts["hand"]:
        return []
    return [_hand(facts, now, voice), _chance(facts, now, voice)]


def _hand(facts: Mapping[str, Any], now: datetime, voice: Voice) -> Chart:
    at = [datetime.fromisoformat(each["at"]) for each in facts["hand"]]
    x = _hours(at[0], at)
    low, middle, high = ([each["usable"][n] / _PART for each in facts["hand"]] for n in range(3))
    words = [
        f"{voice.time(time, now)}: about {m:,.0f} thousand, {a:,.0f} to {b:,.0f}"
        for time, a, m, b in zip(at, low, middle, high, strict=True)
    ]
    layers: list[Layer] = [
        Area("at hand, 8 in 10 chance", "hatch", [*x, *x[::-1], x[0]], [*high, *low[::-1], high[0]]),
        Line("at hand, likely", "hatch", x, middle, words),
    ]
    if any(each["instar1"] for each in facts["feedings"]):
        first = [each["instar1"][1] / _PART for each in facts["hand"]]
        layers.append(Line("of them in their first stage", "said", x, first, dashed=True))
    for met, name in ((True, "a feeding takes"), (False, "a feeding that may fall short")):
        fed = [each for each in facts["feedings"] if each["met"] is met]
        if fed:
            layers.append(
                Marks(
                    name,
                    "seen" if met else "bad",
                    "circle" if met else "diamond",
                    _hours(at[0], _moments(fed)),
                    [each["nauplii"] / _PART for each in fed],
                    [_fed_words(each, now, voice) for each in fed],
                )
            )
    layers += _now(at[0], x[-1], now)
    failing = sum(not each["met"] for each in facts["feedings"])
    top = max(*high, *(each["nauplii"] / _PART for each in facts["feedings"]), 1.0) * 1.08
    return Chart(
        "hand",
        "Will there be nauplii when they are fed?",
        f"{len(facts['feedings'])} feedings in {facts['days']} days; "
        + (
            "for each there is likely to be enough."
            if not failing
            else f"{failing} of them may fall short."
        ),
        clock_axis(at[0], 0.0, max(x[-1], 1.0), voice.zone, "time of day"),
        number_axis("nauplii at hand, thousand", 0.0, top, most=5),
        tuple(layers),
        Table(
            ("when", "at hand, likely", "1 in 10 below", "9 in 10 below", "first stage, likely", "fed then"),
            tuple(_hand_rows(facts, at, now, voice)),
        ),
        height=320,
    )  # fmt: skip


def _hand_rows(
    facts: Mapping[str, Any], at: Sequence[datetime], now: datetime, voice: Voice
) -> list[tuple[str, int, int, int, int, int | None]]:
    step = math.ceil(len(at) / LONGEST_TABLE)
    rows = []
    for number in range(0, len(at), step):
        until = at[number + step] if number + step < len(at) else at[-1] + timedelta(hours=1)
        fed = sum(
            each["nauplii"]
            for each, time in zip(facts["feedings"], _moments(facts["feedings"]), strict=True)
            if at[number] <= time < until
        )
        low, middle, high = facts["hand"][number]["usable"]
        first = facts["hand"][number]["instar1"][1]
        rows.append((voice.time(at[number], now), middle, low, high, first, fed or None))
    return rows


def _chance(facts: Mapping[str, Any], now: datetime, voice: Voice) -> Chart:
    fed, times = facts["feedings"], _moments(facts["feedings"])
    start = datetime.fromisoformat(facts["hand"][0]["at"])
    x = _hours(start, times)
    layers: list[Layer] = [
        Rule(f"wanted: {facts['wanted']:.0%}", "plain", facts["wanted"], level=True),
        *_now(start, x[-1], now),
    ]
    for met, name in ((True, "as sure as wanted"), (False, "not sure enough")):
        chosen = [(hour, each) for hour, each in zip(x, fed, strict=True) if each["met"] is met]
        if chosen:
            layers.append(
                Marks(
                    name,
                    "hatch" if met else "bad",
                    "circle" if met else "diamond",
                    [hour for hour, _ in chosen],
                    [each["chance"] for _, each in chosen],
                    [_fed_words(each, now, voice) for _, each in chosen],
                )
            )
    worst = min(fed, key=lambda each: float(each["chance"]))
    return Chart(
        "chance",
        "How sure is each feeding?",
        f"The least sure is {voice.time(datetime.fromisoformat(worst['at']), now)} with "
        f"{worst['chance']:.0%}. Covered means in full, from yield, timing and temperature together.",
        clock_axis(start, 0.0, max(x[-1] * 1.05, 6.0), voice.zone, "time of day"),
        number_axis("chance to be covered", 0.0, 1.0, percent=True, most=5),
        tuple(layers),
        Table(
            ("when", "nauplii", "first stage", "covered", "from"),
            tuple(
                (
                    voice.time(time, now),
                    each["nauplii"],
                    each["instar1"] or None,
                    f"{each['chance']:.0%}" + ("" if each["met"] else ", not sure enough"),
                    "; ".join(_sources(facts, each, now, voice)) or None,
                )
                for each, time in zip(fed, times, strict=True)
            ),
        ),
        height=240,
    )


def _sources(facts: Mapping[str, Any], fed: Mapping[str, Any], now: datetime, voice: Voice) -> list[str]:
    starts = [facts["starts"][number] for number in fed["starts"]]
    begun = [f"{each['cone']} begun {voice.time(datetime.fromisoformat(each['at']), now)}" for each in starts]
    return [*begun, *fed["on_hand"]]


def _fed_words(fed: Mapping[str, Any], now: datetime, voice: Voice) -> str:
    when = voice.time(datetime.fromisoformat(fed["at"]), now)
    return f"{when}: {fed['nauplii']:,} nauplii, {fed['chance']:.0%} sure"


def _now(start: datetime, last_h: float, now: datetime) -> list[Layer]:
    hours = (now - start) / timedelta(hours=1)
    return [Rule("now", "plain", hours)] if 0.0 <= hours <= last_h else []


def _moments(facts: Sequence[Mapping[str, Any]]) -> list[datetime]:
    return [datetime.fromisoformat(each["at"]) for each in facts]


def _hours(start: datetime, times: Sequence[datetime]) -> list[float]:
    return [(time - start) / timedelta(hours=1) for time in times]

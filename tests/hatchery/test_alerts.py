"""Each fact is said once, in order, in whole sentences, and not at night unless it cannot wait."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from hatchmon.adapters.store import Store
from hatchmon.app.cli import app
from hatchmon.hatchery.alerts import (
    STAGES,
    URGENCY,
    Afflicted,
    AlertBook,
    Beginning,
    Fact,
    Kind,
    Quiet,
    Rules,
    Standing,
    back_words,
    batch_scope,
    begin_facts,
    dark_facts,
    doubt_facts,
    salt_facts,
    silent_facts,
    slow_lot_facts,
    stage_facts,
    water_facts,
)
from hatchmon.hatchery.counts import Falling
from hatchmon.hatchery.types import Alert, Forecast
from hatchmon.hatchery.wording import Voice
from hatchmon.science.yields import Interval
from tests.hatchery.test_wording import BERLIN, NEW_YORK, START, at, batch, forecast, unpredicted

RULES = Rules()
SCOPE = batch_scope(batch())


def fact(kind: Kind = "cold", scope: str = SCOPE, holds_s: float = 0.0) -> Fact:
    return Fact(kind, scope, "north", "title", "body", holds_s)


class Minutes:
    """A book and a clock that moves by the minute."""

    def __init__(self, book: AlertBook | None = None, hour: float = 0.0) -> None:
        self.book = book or AlertBook(RULES)
        self.now = at(hour)

    def tick(self, *facts: Fact, minutes: float = 1.0) -> list[str]:
        """The kinds told after ``minutes`` more."""
        self.now += timedelta(minutes=minutes)
        return [alert.kind for alert in self.book.update(self.now, minutes * 60.0, facts)]

    def told(self, times: int, *facts: Fact) -> list[str]:
        return [kind for _ in range(times) for kind in self.tick(*facts)]


def restarted(book: AlertBook, path: Path) -> AlertBook:
    """The book as a new process finds it, through the database."""
    with Store(path) as store, store.atomic():
        for key in book.changed:
            store.keep_standing(*key, book.standing[key])
    with Store(path, read_only=True) as store:
        return AlertBook(book.rules, store.standings())


# ---- once each ----


def test_a_fact_is_told_once() -> None:
    minutes = Minutes()
    assert minutes.tick(fact()) == ["cold"]
    assert minutes.told(600, fact()) == []
    assert minutes.book.stands("cold", SCOPE)
    assert not minutes.book.stands("warm", SCOPE)


def test_two_batches_are_two_facts() -> None:
    minutes = Minutes()
    assert minutes.tick(fact(scope="batch 1"), fact(scope="batch 2")) == ["cold", "cold"]


def test_the_alert_carries_the_fact() -> None:
    alert = AlertBook(RULES).update(at(3), 60.0, [Fact("silent", "batch 9", "south", "T", "B")])
    assert alert == [Alert("silent", "batch 9", "south", "soon", "T", "B", at(3))]


def test_the_keeper_may_set_the_urgency() -> None:
    book = AlertBook(Rules(urgency={"cold": "now"}))
    assert [alert.urgency for alert in book.update(at(0), 60.0, [fact(), fact("warm")])] == ["now", "soon"]


def test_only_what_cannot_wait_rings_at_night() -> None:
    assert [kind for kind, urgency in URGENCY.items() if urgency == "now"] == ["closing"]
    assert [kind for kind, urgency in URGENCY.items() if urgency == "can wait"] == [
        *("ready-soon", "slow-lot", "back", "series")
    ]
    assert set(STAGES) < set(URGENCY)


# ---- persistence ----


def test_a_fact_must_hold_before_it_is_told() -> None:
    minutes = Minutes()
    told = [minutes.tick(fact(holds_s=1200.0)) for _ in range(21)]
    # Seen first at minute 1: true for twenty minutes at minute 21.
    assert told == [[]] * 20 + [["cold"]]


def test_a_fact_seen_first_after_a_long_pause_has_not_held_all_the_while() -> None:
    minutes = Minutes()
    minutes.tick()
    assert minutes.tick(fact(holds_s=1200.0), minutes=90.0) == []
    assert minutes.tick(fact(holds_s=1200.0), minutes=19.9) == []
    assert minutes.tick(fact(holds_s=1200.0), minutes=0.1) == ["cold"]


def test_a_moment_without_it_begins_anew() -> None:
    minutes = Minutes()
    assert minutes.told(20, fact(holds_s=1200.0)) == []
    assert minutes.tick() == []
    assert minutes.told(20, fact(holds_s=1200.0)) == []
    assert minutes.tick(fact(holds_s=1200.0)) == ["cold"]


@settings(deadline=None)
@given(st.integers(-40, 40))
def test_the_wall_clock_does_not_count_for_persistence(days: int) -> None:
    minutes = Minutes()
    minutes.told(10, fact(holds_s=1200.0))
    minutes.now += timedelta(days=days)
    assert minutes.told(10, fact(holds_s=1200.0)) == []
    assert minutes.tick(fact(holds_s=1200.0)) == ["cold"]


# ---- recovery and repetition ----


def test_it_clears_after_five_minutes_without_it() -> None:
    minutes = Minutes()
    minutes.tick(fact())
    minutes.told(5)
    assert minutes.book.stands("cold", SCOPE)
    minutes.tick()
    assert not minutes.book.stands("cold", SCOPE)


def test_a_short_absence_does_not_clear_it() -> None:
    minutes = Minutes()
    minutes.tick(fact())
    for _ in range(50):
        minutes.told(4)
        minutes.tick(fact())
    assert minutes.book.stands("cold", SCOPE)


def test_one_late_look_at_the_absence_does_not_clear_it() -> None:
    minutes = Minutes()
    minutes.tick(fact())
    minutes.tick(minutes=90.0)
    assert minutes.book.stands("cold", SCOPE)


def test_recovery_does_not_shorten_the_two_hours() -> None:
    minutes = Minutes()
    assert minutes.tick(fact()) == ["cold"]
    first = minutes.now
    again: list[datetime] = []
    while minutes.now < first + timedelta(hours=5):
        minutes.told(10)
        for _ in range(10):
            if minutes.tick(fact()):
                again.append(minutes.now - first + START)
    assert [(when - START) >= timedelta(hours=2 * n) for n, when in enumerate(again, 1)] == [True, True]
    assert again[0] - START <= timedelta(hours=2, minutes=20)


def test_what_comes_back_within_two_hours_and_stays_is_told_at_their_end() -> None:
    minutes = Minutes()
    minutes.tick(fact())
    minutes.told(10)
    assert minutes.told(109, fact()) == []
    assert minutes.tick(fact()) == ["cold"]


def test_a_clock_set_back_does_not_silence_for_ever() -> None:
    minutes = Minutes()
    minutes.now += timedelta(days=30)
    assert minutes.tick(fact()) == ["cold"]
    minutes.told(6)
    minutes.now -= timedelta(days=30)
    assert minutes.tick(fact()) == ["cold"]


def test_a_clock_set_back_while_it_stands_tells_nothing_twice() -> None:
    minutes = Minutes()
    minutes.tick(fact())
    minutes.now -= timedelta(days=30)
    assert minutes.told(300, fact()) == []


def test_forgetting_a_batch_lets_go_of_its_conditions_only() -> None:
    minutes = Minutes()
    minutes.tick(fact("cold"), fact("ready"), fact("cold", "batch 8"))
    minutes.book.changed.clear()
    minutes.book.forget(SCOPE)
    assert minutes.book.changed == {("cold", SCOPE)}
    assert not minutes.book.stands("cold", SCOPE)
    assert minutes.book.stands("ready", SCOPE)
    assert minutes.book.stands("cold", "batch 8")


# ---- a restart ----


def test_nothing_is_told_twice_after_a_restart(tmp_path: Path) -> None:
    minutes = Minutes()
    assert minutes.tick(fact("cold"), fact("ready")) == ["cold", "ready"]
    assert minutes.book.changed == {("cold", SCOPE), ("ready", SCOPE)}
    after = Minutes(restarted(minutes.book, tmp_path / "a.db"))
    assert after.book.standing == {
        ("cold", SCOPE): Standing(minutes.now, minutes.now),
        ("ready", SCOPE): Standing(minutes.now, minutes.now),
    }
    after.now = minutes.now
    assert after.told(300, fact("cold"), fact("ready")) == []


def test_the_two_hours_survive_a_restart(tmp_path: Path) -> None:
    minutes = Minutes()
    minutes.tick(fact())
    told_at = minutes.now
    minutes.told(6)
    after = Minutes(restarted(minutes.book, tmp_path / "a.db"))
    assert after.book.standing[("cold", SCOPE)] == Standing(None, told_at)
    after.now = told_at + timedelta(minutes=118)
    assert after.tick(fact()) == []
    assert after.tick(fact()) == ["cold"]


def test_a_book_does_not_share_what_it_was_given() -> None:
    said: dict[tuple[str, str], Standing] = {}
    AlertBook(RULES, said).update(at(0), 60.0, [fact()])
    assert said == {}


# ---- the stages of a batch ----


def stage_at(hours: float, book: AlertBook, believed: Forecast, voice: Voice = BERLIN) -> list[Alert]:
    facts = stage_facts(batch(), believed, at(hours), book, RULES, voice)
    assert len(facts) <= 1
    return book.update(at(hours), 60.0, facts)


@pytest.mark.parametrize(
    ("hours", "kind"),
    [
        (21.499, None),
        (21.5, "ready-soon"),
        (21.999, "ready-soon"),
        (22.0, "ready"),
        (25.999, "ready"),
        (26.0, "closing"),
        (26.999, "closing"),
        (27.0, "past"),
        (100.0, "past"),
    ],
)
def test_the_stage_at_each_hour(hours: float, kind: str | None) -> None:
    told = stage_at(hours, AlertBook(RULES), forecast())
    assert [alert.kind for alert in told] == ([] if kind is None else [kind])


def test_the_keeper_sets_the_lead_times() -> None:
    rules = Rules(ready_soon_min=90.0, closing_min=10.0)
    book = AlertBook(rules)
    for hours, kind in ((20.5, "ready-soon"), (26.8, "ready"), (26.9, "closing")):
        facts = stage_facts(batch(), forecast(), at(hours), book, rules, BERLIN)
        assert [each.kind for each in facts] == [kind]


def test_a_whole_batch_is_told_in_order_once_each() -> None:
    book = AlertBook(RULES)
    told = [alert.kind for i in range(30 * 60) for alert in stage_at(i / 60, book, forecast())]
    assert told == list(STAGES)


def test_of_stages_missed_only_the_latest_is_told(tmp_path: Path) -> None:
    book = AlertBook(RULES)
    assert [alert.kind for alert in stage_at(21.6, book, forecast())] == ["ready-soon"]
    book = restarted(book, tmp_path / "a.db")  # off from before the window opened
    told = [alert.kind for i in range(26 * 60 + 5, 28 * 60) for alert in stage_at(i / 60, book, forecast())]
    assert told == ["closing", "past"]


def test_a_window_shorter_than_the_last_call_is_halved_for_it() -> None:
    book = AlertBook(RULES)
    told = [alert.kind for i in range(30 * 60) for alert in stage_at(i / 60, book, forecast(22.0, 22.5))]
    assert told == ["ready-soon", "ready", "closing", "past"]


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5)), min_size=1, max_size=100))
def test_a_forecast_moving_to_and_fro_tells_each_stage_once_and_forward(
    moves: list[tuple[float, float]],
) -> None:
    book = AlertBook(RULES)
    told: list[str] = []
    for i, (opens, closes) in enumerate(moves):
        believed = forecast(22.0 + opens, 27.0 + closes)
        told += [alert.kind for alert in stage_at(19.0 + i / 10, book, believed)]
    order = [STAGES.index(kind) for kind in told]
    assert order == sorted(set(order))
    # Wherever the forecast ends up, the last word is in the end that the window is over.
    told += [alert.kind for alert in stage_at(40.0, book, forecast())]
    assert told[-1] == "past"


@settings(deadline=None)
@given(st.lists(st.booleans(), min_size=60, max_size=60), st.sampled_from([21.5, 22.0, 26.0, 27.0]))
def test_flapping_about_a_threshold_tells_nothing_twice(before: list[bool], threshold_h: float) -> None:
    book = AlertBook(RULES)
    told: list[str] = []
    for i, held_back in enumerate(before):
        moved = 0.02 if held_back else -0.02
        hours = threshold_h + i / 3600 - 30 / 3600
        told += [alert.kind for alert in stage_at(hours, book, forecast(22.0 + moved, 27.0 + moved))]
    assert len(told) == len(set(told))
    assert [STAGES.index(kind) for kind in told] == sorted(STAGES.index(kind) for kind in told)


def test_a_forecast_nobody_can_trust_rings_no_stage() -> None:
    for hours in (21.6, 22.5, 26.5, 30.0):
        assert stage_at(hours, AlertBook(RULES), forecast(trust="none")) == []
        assert stage_at(hours, AlertBook(RULES), unpredicted("too cold")) == []
    assert [alert.kind for alert in stage_at(22.5, AlertBook(RULES), forecast(trust="degraded"))] == ["ready"]


ABOUT = "Lot spring tin, 2.5 g, begun yesterday 10:00."
AIR_OFF = "Air off for 5 to 10 minutes lets the shells rise and the nauplii sink; not longer."


@pytest.mark.parametrize(
    ("hours", "title", "body"),
    [
        (
            21.5,
            "north: ready about 08:00",
            f"Ready about 08:00, between 07:00 and 10:00. Harvest before 13:00. {ABOUT}",
        ),
        (
            22.0,
            "north: ready to harvest",
            f"The harvest window is open. Harvest before 13:00. {AIR_OFF} {ABOUT}",
        ),
        (
            26.0,
            "north: harvest before 13:00",
            "The harvest window closes about 13:00; after that the nauplii moult and burn their yolk. "
            + ABOUT,
        ),
        (
            27.0,
            "north: harvest window closed about 13:00",
            "Not harvested yet, and the nauplii are worth less every hour. Harvest at once; as a rule of "
            f"thumb they serve as food until tomorrow about 09:30. {ABOUT}",
        ),
    ],
)
def test_what_each_stage_says(hours: float, title: str, body: str) -> None:
    (alert,) = stage_at(hours, AlertBook(RULES), forecast())
    assert (alert.title, alert.body) == (title, body)
    assert (alert.cone, alert.scope) == ("north", "batch 7")


def test_the_stages_are_told_in_the_keepers_zone() -> None:
    (alert,) = stage_at(21.5, AlertBook(RULES), forecast(), NEW_YORK)
    assert alert.title == "north: ready about 03:00"
    assert alert.body == (
        "Ready about 03:00, between 02:00 and 05:00. Harvest before 08:00. "
        "Lot spring tin, 2.5 g, begun yesterday 05:00."
    )


@pytest.mark.parametrize(
    ("hours", "title", "body"),
    [
        (
            21.5,
            "north: ready about 08:00",
            "Ready about 08:00, between 07:00 and 10:00. It hatches unevenly: harvest a first time then, and "
            f"the rest before 11:00. {ABOUT}",
        ),
        (
            22.0,
            "north: ready to harvest",
            "The harvest window is open. It hatches unevenly: harvest a first time now, and the rest before "
            f"11:00. {AIR_OFF} {ABOUT}",
        ),
    ],
)
def test_an_uneven_hatch_is_harvested_twice(hours: float, title: str, body: str) -> None:
    (alert,) = stage_at(hours, AlertBook(RULES), forecast(opens_h=25.0, closes_h=22.0))
    assert (alert.title, alert.body) == (title, body)


# ---- water ----


def salts(book: AlertBook, g_l: float, litres: float | None = 2.0) -> list[Fact]:
    return salt_facts(replace(batch(), litres=litres), g_l, "", (15.0, 35.0), book, RULES)


@pytest.mark.parametrize(("g_l", "told"), [(14.9, 1), (15.0, 0), (25.0, 0), (35.0, 0), (35.1, 1)])
def test_salinity_outside_its_band(g_l: float, told: int) -> None:
    assert len(salts(AlertBook(RULES), g_l)) == told


def test_salinity_is_told_after_twenty_minutes_and_clears_with_a_gram_to_spare() -> None:
    minutes = Minutes()

    def salt(g_l: float, for_minutes: int) -> list[str]:
        return [kind for _ in range(for_minutes) for kind in minutes.tick(*salts(minutes.book, g_l))]

    assert salt(35.1, 20) == []
    assert salt(35.1, 1) == ["salt"]
    assert salt(34.1, 100) == []
    assert minutes.book.stands("salt", SCOPE)
    assert salt(34.0, 6) == []
    assert not minutes.book.stands("salt", SCOPE)


@pytest.mark.parametrize(
    ("g_l", "litres", "title", "body"),
    [
        (
            41.7, 2.0, "north: salinity 42 g/L",
            "For 20 minutes or more above 35 g/L. Published advice is 5 to 35 g/L; above 85 to 90 g/L "
            "nothing hatches. Add fresh water; how much: hatchmon salt --litres 2 --from 42g/L --salinity "
            "25g/L. Unplug the heater before you put a hand into the water.",
        ),
        (
            3.2, None, "north: salinity 3 g/L",
            "For 20 minutes or more below 15 g/L. Published advice is 5 to 35 g/L. See that the probe is "
            "clean and under water, then add salt; how much: hatchmon salt --litres LITRES --from 3g/L "
            "--salinity 25g/L. Unplug the heater before you put a hand into the water.",
        ),
    ],
)  # fmt: skip
def test_what_is_said_of_salinity(g_l: float, litres: float | None, title: str, body: str) -> None:
    (told,) = salts(AlertBook(RULES), g_l, litres)
    assert (told.kind, told.title, told.body, told.holds_s) == ("salt", title, body, 1200.0)


def test_the_command_told_with_salinity_works() -> None:
    for g_l in (41.7, 3.2):
        (told,) = salts(AlertBook(RULES), g_l)
        (words,) = re.findall(r"hatchmon (salt .*?)\. Unplug", told.body)
        ran = CliRunner().invoke(app, words.split())
        assert ran.exit_code == 0, ran.output


# ---- light ----


def dark(book: AlertBook, lux: float, hour: float) -> list[Fact]:
    return dark_facts(batch(), lux, at(hour), 1000.0, book, RULES)


@pytest.mark.parametrize(
    ("lux", "hour", "told"),
    [(999.0, 0.0, 1), (999.0, 5.9, 1), (999.0, 6.0, 0), (999.0, -0.1, 0), (1000.0, 1.0, 0), (0.0, 30.0, 0)],
)
def test_only_the_first_hours_need_light(lux: float, hour: float, told: int) -> None:
    assert len(dark(AlertBook(RULES), lux, hour)) == told


def test_a_flickering_lamp_is_told_once() -> None:
    minutes = Minutes()
    told = [
        kind
        for minute in range(180)
        for kind in minutes.tick(*dark(minutes.book, 900.0 if minute < 30 or minute % 20 else 1100.0, 1.0))
    ]
    assert told == ["dark"]
    assert minutes.book.stands("dark", SCOPE)
    for _ in range(6):
        minutes.tick(*dark(minutes.book, 1200.0, 2.0))
    assert not minutes.book.stands("dark", SCOPE)


def test_what_is_said_of_the_dark() -> None:
    (told,) = dark(AlertBook(RULES), 120.4, 1.0)
    assert (told.kind, told.scope, told.holds_s) == ("dark", SCOPE, 1200.0)
    assert told.title == "north: dark, 120 lux"
    assert told.body == (
        "For 20 minutes or more, in the first 6 hours, when cysts need light to start. Published advice is "
        "about 2000 lux at the surface. Switch a lamp on, hung where no salt water reaches it or its cable, "
        "or clear the way of the light."
    )


# ---- a lot over time ----

FALL = Falling("share", 3, START, Interval(0.28, 0.15, 0.39))


def test_a_lot_that_falls_off_is_told_once_for_good() -> None:
    minutes = Minutes()
    facts = slow_lot_facts({"tin 7": FALL})
    assert minutes.tick(*facts) == ["slow-lot"]
    assert minutes.told(300, *facts) == []
    assert minutes.told(300) == []  # a good batch
    assert minutes.told(300, *facts) == []
    assert minutes.tick(*facts, *slow_lot_facts({"bag 2": FALL})) == ["slow-lot"]


def test_what_is_said_of_a_lot_that_falls_off(tmp_path: Path) -> None:
    book = AlertBook(RULES)
    facts = slow_lot_facts({"tin 7": FALL})
    (told,) = book.update(at(0), 60.0, facts)
    assert (told.cone, told.scope, told.urgency) == (None, "lot tin 7", "can wait")
    assert told.title == "Lot tin 7 is falling off"
    assert told.body == (
        "Lot tin 7 is falling off: its last 3 counted batches gave 28 % (15 to 39) less hatch than those "
        "before. Keep it cold, dry and sealed, or plan with more grams."
    )
    assert restarted(book, tmp_path / "h.db").update(at(100), 60.0, facts) == []


# ---- what to begin next ----


def beginning(tell_h: float = 1.0) -> Beginning:
    feedings = (START + timedelta(hours=30), START + timedelta(hours=41))
    return Beginning(
        "bench", "river-23", START + timedelta(hours=2), 2.4, 2.0, 25.0, 50.9, feedings,
        START + timedelta(hours=tell_h),
    )  # fmt: skip


def test_what_is_said_of_a_start_to_come() -> None:
    minutes = Minutes()
    (told,) = begin_facts([beginning()], at(1.0), (), BERLIN)
    assert minutes.tick(told) == ["begin-next"]
    assert minutes.told(60, told) == []
    clock = [BERLIN.time(START + timedelta(hours=hours), at(1.0)) for hours in (2, 30, 41)]
    assert told.title == f"bench: begin 2.4 g at {clock[0]}"
    assert told.body == (
        "2.4 g of lot river-23 in 2 L of brine, 25 g/L: about 51 g of salt from fresh water. For the "
        "feedings of "
        f"{clock[1]} and {clock[2]}. The mixing sheet: hatchmon supply --sheet. Then note it: hatchmon begin "
        "bench --lot 'river-23' --grams 2.4 --litres 2"
    )
    assert URGENCY[told.kind] == "soon"


@pytest.mark.parametrize(
    ("hours", "running", "told"),
    [(0.99, (), 0), (1.0, (), 1), (2.5, (), 1), (3.99, (), 1), (4.0, (), 0), (1.5, ("bench",), 0)],
)
def test_a_start_is_told_until_it_is_made_or_long_past(
    hours: float, running: tuple[str, ...], told: int
) -> None:
    assert len(begin_facts([beginning()], at(hours), running, BERLIN)) == told


# ---- temperature ----


def waters(book: AlertBook, temp_c: float) -> list[str]:
    return [each.kind for each in water_facts(batch(), temp_c, (22.0, 30.0), book, RULES, BERLIN)]


@pytest.mark.parametrize(
    ("temp_c", "kinds"),
    [(21.9375, ["cold"]), (22.0, []), (26.0, []), (30.0, []), (30.0625, ["warm"])],
)
def test_water_outside_its_band(temp_c: float, kinds: list[str]) -> None:
    assert waters(AlertBook(RULES), temp_c) == kinds


def test_water_is_told_after_twenty_minutes_and_clears_with_half_a_degree_to_spare() -> None:
    minutes = Minutes()

    def water(temp_c: float, for_minutes: int) -> list[str]:
        told: list[str] = []
        for _ in range(for_minutes):
            facts = water_facts(batch(), temp_c, (22.0, 30.0), minutes.book, RULES, BERLIN)
            told += minutes.tick(*facts)
        return told

    assert water(21.9, 20) == []
    assert water(21.9, 1) == ["cold"]
    assert water(22.4375, 200) == []
    assert minutes.book.stands("cold", SCOPE)
    assert water(22.5, 6) == []
    assert not minutes.book.stands("cold", SCOPE)
    assert water(22.4375, 60) == []
    assert water(30.1, 21) == ["warm"]
    assert water(29.5625, 30) == []
    assert minutes.book.stands("warm", SCOPE)
    water(29.5, 6)
    assert not minutes.book.stands("warm", SCOPE)


@pytest.mark.parametrize(
    ("voice", "temp_c", "title", "body"),
    [
        (
            BERLIN, 21.25, "north: cold, 21.2 °C",
            "For 20 minutes or more. Below 22.0 °C the hatch is slow. Check the heater. "
            "Unplug the heater before you put a hand into the water.",
        ),
        (
            NEW_YORK, 21.25, "north: cold, 70.2 °F",
            "For 20 minutes or more. Below 71.6 °F the hatch is slow. Check the heater. "
            "Unplug the heater before you put a hand into the water.",
        ),
        (
            BERLIN, 31.5, "north: warm, 31.5 °C",
            "For 20 minutes or more. Above 30.0 °C the hatch suffers, and from 33.0 °C it may stop. Check "
            "the heater and the thermostat. Unplug the heater before you put a hand into the water.",
        ),
        (
            NEW_YORK, 31.5, "north: warm, 88.7 °F",
            "For 20 minutes or more. Above 86.0 °F the hatch suffers, and from 91.4 °F it may stop. Check "
            "the heater and the thermostat. Unplug the heater before you put a hand into the water.",
        ),
    ],
)  # fmt: skip
def test_what_is_said_of_the_water(voice: Voice, temp_c: float, title: str, body: str) -> None:
    (said,) = water_facts(batch(), temp_c, (22.0, 30.0), AlertBook(RULES), RULES, voice)
    assert (said.title, said.body, said.holds_s, said.scope) == (title, body, 1200.0, SCOPE)


# ---- silence, doubt, back ----


def test_a_probe_is_silent_after_ten_minutes() -> None:
    def silent(minutes: float) -> list[Fact]:
        return silent_facts(batch(), at(10), at(10 + minutes / 60), RULES, BERLIN)

    assert silent(9.99) == []
    (said,) = silent(25)
    assert said.title == "north: no temperature since 20:00"
    assert said.body == (
        "Silent for 25 min. The forecast goes on with the temperature expected, and grows less sure. Check "
        "the probe's power, cable and network, or take a reading by hand: hatchmon reading north VALUE"
    )
    assert len(silent(10)) == 1
    assert silent_facts(batch(), None, at(10), RULES, BERLIN) == []


def test_a_batch_that_cannot_be_timed_is_said_after_a_quarter_of_an_hour() -> None:
    reasons = ("7.0 h since the last reading: too long to time this hatch; look at it by eye", "and more")
    (said,) = doubt_facts(batch(), forecast(trust="none", reasons=reasons), BERLIN)
    assert (said.kind, said.title, said.holds_s) == ("doubt", "north: cannot be timed", 900.0)
    assert said.body == (
        "7.0 h since the last reading: too long to time this hatch; look at it by eye; and more. "
        "No ready alert will come for this batch unless that changes."
    )
    assert doubt_facts(batch(), forecast(trust="degraded", reasons=reasons), BERLIN) == []
    assert doubt_facts(batch(), unpredicted("no temperature", issued_h=0.99), BERLIN) == []
    assert len(doubt_facts(batch(), unpredicted("no temperature", issued_h=1.0), BERLIN)) == 1


def test_back_says_what_it_did_to_each_batch() -> None:
    afflicted = [
        Afflicted(batch(), forecast(22.0, 27.0), forecast(23.5, 28.5), 28.0, 22.44),
        Afflicted(batch(8), forecast(), forecast(), 26.0, 26.3),
        Afflicted(batch(9), None, forecast(), None, 25.0),
        Afflicted(batch(10), unpredicted("too cold"), forecast(), 19.0, 21.0),
        Afflicted(batch(11), forecast(), unpredicted("too cold"), 26.0, None),
    ]
    assert back_words(at(15), at(18.25), at(18.3), afflicted, BERLIN) == (
        "hatchmon is back after 3.2 h",
        "Off from 01:00 to 04:15.\n"
        "north: Water fell from 28.0 °C to 22.4 °C. Ready about 09:30, between 08:30 and 11:30. Harvest "
        "before 14:30. (Before: 08:00.)\n"
        "north: Water at 26.3 °C as before. Ready about 08:00, between 07:00 and 10:00. Harvest before "
        "13:00.\n"
        "north: Water at 25.0 °C. Ready about 08:00, between 07:00 and 10:00. Harvest before 13:00.\n"
        "north: Water rose from 19.0 °C to 21.0 °C. Ready about 08:00, between 07:00 and 10:00. Harvest "
        "before 13:00.\n"
        "north: No reading since: take one by hand, hatchmon reading north VALUE. Not predicted: too cold.\n"
        "Water that is as before, or that nobody has measured since, is taken to have been so all along. If "
        "its heater was off too, that hatch is later: look at it by eye.",
    )


@pytest.mark.parametrize(
    ("hours", "set_point_c", "then_c", "said"),
    [
        (0.9, 28.0, 28.1, 0),
        (1.0, 28.0, 28.1, 1),
        (1.0, 28.0, None, 1),
        (9.0, 28.0, 24.0, 0),  # the fall tells what there is to know
        (9.0, None, 28.1, 0),
    ],
)
def test_back_says_what_it_cannot_know_of_a_heater(
    hours: float, set_point_c: float | None, then_c: float | None, said: int
) -> None:
    heated = Afflicted(batch(set_point_c=set_point_c), None, forecast(), 28.0, then_c)
    _, body = back_words(at(2), at(2 + hours), at(2 + hours), [heated], BERLIN)
    assert body.count("If its heater was off too") == said


# ---- quiet hours ----

NIGHT = Quiet(time(22, 0), time(7, 0))
NOON = Quiet(time(12, 0), time(14, 30))


def ends(quiet: Quiet, now: str, voice: Voice = BERLIN) -> str | None:
    """When the quiet of the local wall time ``now`` ends, as local wall time with its offset."""
    moment = datetime.fromisoformat(now)
    end = quiet.ends(moment.astimezone(UTC), voice)
    if end is None:
        return None
    assert end.utcoffset() == timedelta(0)
    return end.astimezone(voice.zone).isoformat(timespec="minutes")


@pytest.mark.parametrize(
    ("quiet", "now", "end"),
    [
        (NIGHT, "2026-03-10T21:59:59+01:00", None),
        (NIGHT, "2026-03-10T22:00+01:00", "2026-03-11T07:00+01:00"),
        (NIGHT, "2026-03-10T23:59:59+01:00", "2026-03-11T07:00+01:00"),
        (NIGHT, "2026-03-11T00:00+01:00", "2026-03-11T07:00+01:00"),
        (NIGHT, "2026-03-11T06:59:59+01:00", "2026-03-11T07:00+01:00"),
        (NIGHT, "2026-03-11T07:00+01:00", None),
        (NIGHT, "2026-12-31T23:00+01:00", "2027-01-01T07:00+01:00"),
        (NOON, "2026-03-10T11:59+01:00", None),
        (NOON, "2026-03-10T12:00+01:00", "2026-03-10T14:30+01:00"),
        (NOON, "2026-03-10T14:30+01:00", None),
        (NOON, "2026-03-10T23:00+01:00", None),
        # The clock goes forward: the night is an hour shorter.
        (NIGHT, "2026-03-28T22:00+01:00", "2026-03-29T07:00+02:00"),
        (NIGHT, "2026-03-29T01:59+01:00", "2026-03-29T07:00+02:00"),
        (NIGHT, "2026-03-29T03:00+02:00", "2026-03-29T07:00+02:00"),
        # And back: an hour longer.
        (NIGHT, "2026-10-24T22:00+02:00", "2026-10-25T07:00+01:00"),
        (NIGHT, "2026-10-25T02:30+02:00", "2026-10-25T07:00+01:00"),
        (NIGHT, "2026-10-25T02:30+01:00", "2026-10-25T07:00+01:00"),
    ],
)
def test_quiet_hours_in_berlin(quiet: Quiet, now: str, end: str | None) -> None:
    assert ends(quiet, now) == end


@pytest.mark.parametrize(
    ("now", "end"),
    [
        ("2026-03-07T23:00-05:00", "2026-03-08T07:00-04:00"),
        ("2026-03-08T03:00-04:00", "2026-03-08T07:00-04:00"),
        ("2026-10-31T23:00-04:00", "2026-11-01T07:00-05:00"),
        ("2026-11-01T01:30-05:00", "2026-11-01T07:00-05:00"),
        ("2026-11-01T07:00-05:00", None),
    ],
)
def test_quiet_hours_in_new_york(now: str, end: str | None) -> None:
    assert ends(NIGHT, now, NEW_YORK) == end


def test_an_end_that_the_clock_skips_comes_as_long_after_the_gap() -> None:
    quiet = Quiet(time(22, 0), time(2, 30))
    assert ends(quiet, "2026-03-29T01:00+01:00") == "2026-03-29T03:30+02:00"
    assert ends(quiet, "2026-03-29T03:30+02:00") is None


def test_an_end_that_comes_twice_does_not_lie_in_the_past() -> None:
    quiet = Quiet(time(22, 0), time(2, 30))
    assert ends(quiet, "2026-10-25T02:10+02:00") == "2026-10-25T02:30+02:00"
    assert ends(quiet, "2026-10-25T02:10+01:00") == "2026-10-25T02:30+01:00"
    assert ends(quiet, "2026-10-25T02:40+01:00") is None


ZONES = st.sampled_from(
    ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "America/St_Johns", "UTC"]
)
SECOND = timedelta(seconds=1)
TIMES = st.times(timezones=st.none()).map(lambda clock: clock.replace(microsecond=0))


@settings(deadline=None)
@given(
    TIMES,
    TIMES,
    st.integers(0, 2 * 365 * 86400).map(lambda seconds: datetime(2026, 1, 1, tzinfo=UTC) + seconds * SECOND),
    ZONES,
)
def test_quiet_ends_within_a_day_and_an_hour_and_never_in_the_past(
    start: time, end: time, now: datetime, zone: str
) -> None:
    if start == end:
        return
    voice = Voice(ZoneInfo(zone))
    over = Quiet(start, end).ends(now, voice)
    clock = now.astimezone(voice.zone).time()
    inside = start <= clock < end if start < end else not end <= clock < start
    assert (over is not None) == inside
    if over is not None:
        assert now < over <= now + timedelta(hours=25)

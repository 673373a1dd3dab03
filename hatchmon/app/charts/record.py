"""The graphs of the record of forecasts."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

from hatchmon.app.charts.chart import Axis, Cell, Chart, Layer, Line, Marks, Rule, Table, around, number_axis
from hatchmon.app.charts.lot import days_axis
from hatchmon.app.past import Record
from hatchmon.hatchery.review import Kept
from hatchmon.hatchery.wording import Voice

PROMISED = 0.8
NEWEST = 150  # hatches drawn one by one
LONGEST_TABLE = 30
ROWS = 60  # of hatches one by one


def record_charts(record: Record, voice: Voice) -> list[Chart]:
    """Predicted against observed, the error over time, and how often the band held it."""
    if not record.kept:
        return []
    newest = replace(record, kept=record.kept[-NEWEST:])
    return [_against(newest, record), _error(newest, record, voice), _coverage(record)]


def _words(record: Record, kept: Kept) -> str:
    said, batch = kept.scored.said, record.batches[kept.scored.batch_id]
    return (
        f"batch {batch.batch_id} of {batch.lot} in {batch.cone}: said {said.p50:.1f} h "
        f"({said.p10:.1f} to {said.p90:.1f}), seen {kept.scored.seen.p50:.1f} h"
    )


def _against(record: Record, whole: Record) -> Chart:
    said = [kept.scored.said for kept in record.kept]
    seen = [kept.scored.seen for kept in record.kept]
    low, high = around([*(b.p10 for b in said), *(b.p90 for b in said), *(b.p50 for b in seen)])
    layers: list[Layer] = [Line("said and seen the same", "plain", [low, high], [low, high], dashed=True)]
    for within in (True, False):
        kept = [each for each in record.kept if each.within is within]
        if kept:
            bands = [each.scored.said for each in kept]
            layers.append(
                Marks(
                    "the band held it" if within else "it did not",
                    "hatch" if within else "bad",
                    "circle" if within else "diamond",
                    [band.p50 for band in bands],
                    [each.scored.seen.p50 for each in kept],
                    [_words(record, each) for each in kept],
                    [band.p10 for band in bands],
                    [band.p90 for band in bands],
                    across=True,
                )
            )
    errors = sorted(abs(kept.error_h) for kept in record.kept)
    them = "them" if len(errors) < NEWEST else f"the newest {NEWEST}"
    return Chart(
        "against",
        "How near did the first forecasts come?",
        f"Half of {them} were within {errors[(len(errors) - 1) // 2]:.1f} h, the worst {errors[-1]:.1f} h "
        "off. Seen: what the last forecast of a batch, which knew every look, says.",
        number_axis("90 % hatched, first said, h", low, high),
        number_axis("90 % hatched, seen, h", low, high, most=5),
        tuple(layers),
        Table(
            ("batch", "lot", "first said, h", "from", "to", "seen, h", "off by, h", "in the band"),
            tuple(_row(whole, kept) for kept in whole.kept),
            ROWS,
        ),
        height=320,
    )


def _row(record: Record, kept: Kept) -> tuple[Cell, ...]:
    said = kept.scored.said
    return (
        kept.scored.batch_id,
        record.batches[kept.scored.batch_id].lot,
        *(round(each, 1) for each in (said.p50, said.p10, said.p90, kept.scored.seen.p50, kept.error_h)),
        "yes" if kept.within else "no",
    )


def _error(record: Record, whole: Record, voice: Voice) -> Chart:
    times = [record.batches[kept.scored.batch_id].started for kept in record.kept]
    start = times[0]
    x = [(time - start) / timedelta(days=1) for time in times]
    y = [kept.error_h for kept in record.kept]
    # What the band left open, on either side of what was said.
    low = [kept.scored.said.p10 - kept.scored.said.p50 for kept in record.kept]
    high = [kept.scored.said.p90 - kept.scored.said.p50 for kept in record.kept]
    reach = max(*map(abs, y), *map(abs, low), *high, 1.0) * 1.08
    mean = sum(y) / len(y)
    return Chart(
        "error",
        "Do the forecasts get better?",
        f"On average a hatch came {abs(mean):.1f} h {'later' if mean > 0 else 'sooner'} than first said."
        + (
            f" Off by {_mean_off(y[: len(y) // 2]):.1f} h in the first half of them, "
            f"{_mean_off(y[len(y) // 2 :]):.1f} h in the second."
            if len(y) >= 4
            else ""
        ),
        days_axis(start, times[-1], voice.zone),
        number_axis("seen later than said, h", -reach, reach, most=5),
        (
            Rule("as said", "plain", 0.0, level=True),
            Marks(
                "what the 8 in 10 band left open",
                "said",
                "bar",
                x,
                [0.0] * len(x),
                [""] * len(x),
                low,
                high,
            ),
            Marks("seen", "hatch", "circle", x, y, [_words(record, kept) for kept in record.kept]),
        ),
        Table(
            ("begun", "batch", "off by, h", "band from, h", "to"),
            tuple(_error_row(whole, kept, voice) for kept in whole.kept),
            ROWS,
        ),
    )


def _error_row(record: Record, kept: Kept, voice: Voice) -> tuple[Cell, ...]:
    batch, said = record.batches[kept.scored.batch_id], kept.scored.said
    return (
        batch.started.astimezone(voice.zone).strftime("%Y-%m-%d"),
        batch.batch_id,
        *(round(each, 1) for each in (kept.error_h, said.p10 - said.p50, said.p90 - said.p50)),
    )


def _mean_off(errors: list[float]) -> float:
    return sum(map(abs, errors)) / len(errors)


def _coverage(record: Record) -> Chart:
    counts = [kept.count for kept in record.kept]
    shares = [kept.inside / kept.count for kept in record.kept]
    words = [
        f"after {kept.count}: {kept.inside} inside, {kept.inside / kept.count:.0%}" for kept in record.kept
    ]
    return Chart(
        "coverage",
        "Is the 8 in 10 band honest?",
        str(record.honesty),
        Axis("batches put to the test", 0.0, counts[-1] + 1.0, number_axis("", 0, counts[-1] + 1).ticks),
        number_axis("inside the band so far", 0.0, 1.0, percent=True, most=5),
        (
            Rule("promised: 80 %", "plain", PROMISED, level=True),
            Line("", "hatch", counts, shares, words),
            Marks("inside so far", "hatch", "circle", counts, shares, words)
            if len(counts) <= 30
            else Marks("inside so far", "hatch", "circle", counts[-1:], shares[-1:], words[-1:]),
        ),
        Table(
            ("batches", "inside", "share"),
            tuple(
                (kept.count, kept.inside, f"{kept.inside / kept.count:.0%}")
                for kept in record.kept[:: -max(1, math.ceil(len(record.kept) / LONGEST_TABLE))][::-1]
            ),
        ),
        height=220,
    )

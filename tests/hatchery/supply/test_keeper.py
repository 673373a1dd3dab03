"""When the keeper is there."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from hatchmon.hatchery.supply.keeper import Absence, presence

MONDAY = datetime(2026, 3, 2, tzinfo=UTC)
EVENINGS = [(time(18), time(22))]


def _spans(*away: Absence, hours: list[tuple[time, time]] = EVENINGS, days: int = 3) -> list[list[float]]:
    found = presence(hours, away, UTC, MONDAY, MONDAY + timedelta(days=days))
    return [[float(a), float(b)] for a, b in found.spans_h]


def test_the_same_hours_every_day() -> None:
    assert _spans() == [[18, 22], [42, 46], [66, 70]]


def test_hours_over_midnight_and_ones_that_touch() -> None:
    night = [(time(22), time(1)), (time(1), time(2))]
    assert _spans(hours=night, days=1) == [[0, 2], [22, 24]]


def test_an_absence_cuts_hours_out() -> None:
    gone = Absence(MONDAY + timedelta(hours=20), MONDAY + timedelta(hours=44))
    assert _spans(gone) == [[18, 20], [44, 46], [66, 70]]


def test_a_feeding_is_an_hour_too_but_not_while_away() -> None:
    at = [MONDAY + timedelta(hours=8), MONDAY + timedelta(hours=32)]
    gone = Absence(MONDAY + timedelta(hours=24), MONDAY + timedelta(hours=48))
    found = presence(EVENINGS, [gone], UTC, MONDAY, MONDAY + timedelta(days=2), at)
    assert found.spans_h.tolist() == [[8, 8], [18, 22]]


def test_the_next_and_the_last_moment() -> None:
    found = presence(EVENINGS, [], UTC, MONDAY, MONDAY + timedelta(days=2))
    asked = np.array([0.0, 18.0, 20.5, 22.0, 22.01, 46.5])
    assert found.next_h(asked).tolist() == [18, 18, 20.5, 22, 42, np.inf]
    assert [found.last_h(h) for h in (17.0, 18.0, 21.0, 30.0)] == [None, 18.0, 21.0, 22.0]


def test_quarters_of_an_hour() -> None:
    found = presence([(time(18, 10), time(19, 5))], [], UTC, MONDAY, MONDAY + timedelta(days=1))
    assert found.steps_h(0.0, 24.0).tolist() == [18.25, 18.5, 18.75, 19.0]


def test_hours_keep_the_local_clock_when_it_changes() -> None:
    lisbon = ZoneInfo("Europe/Lisbon")
    origin = datetime(2026, 3, 28, tzinfo=UTC)  # clocks go forward the next morning
    found = presence(EVENINGS, [], lisbon, origin, origin + timedelta(days=2))
    assert found.spans_h.tolist() == [[18, 22], [41, 45]]


@given(
    hours=st.lists(st.tuples(st.times(), st.times()), min_size=1, max_size=4),
    gone_h=st.floats(0.0, 60.0),
    long_h=st.floats(0.1, 60.0),
)
def test_spans_rise_and_lie_apart_and_none_is_in_an_absence(
    hours: list[tuple[time, time]], gone_h: float, long_h: float
) -> None:
    whole = [(a.replace(microsecond=0), b.replace(microsecond=0)) for a, b in hours]
    start = MONDAY + timedelta(hours=gone_h)
    gone = Absence(start, start + timedelta(hours=long_h))
    spans = presence(whole, [gone], UTC, MONDAY, MONDAY + timedelta(days=3)).spans_h
    assert np.all(spans[:, 0] <= spans[:, 1])
    assert np.all(spans[1:, 0] > spans[:-1, 1])
    assert np.all((spans[:, 1] <= gone_h + 1e-6) | (spans[:, 0] >= gone_h + long_h - 1e-6))

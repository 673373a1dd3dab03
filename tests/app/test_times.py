"""Times as keepers type them."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from hatchmon.app.times import TimeUnclear, read_time

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 3, 10, 6, 30, tzinfo=UTC)  # 07:30 in Berlin


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("now", "2026-03-10T06:30"),
        ("07:10", "2026-03-10T06:10"),
        ("7:10", "2026-03-10T06:10"),
        ("22:30", "2026-03-09T21:30"),  # tonight has not come yet
        ("yesterday 22:30", "2026-03-09T21:30"),
        ("yesterday 07:10", "2026-03-09T06:10"),
        ("Today  07:10", "2026-03-10T06:10"),
        ("2h ago", "2026-03-10T04:30"),
        ("1.5 hours ago", "2026-03-10T05:00"),
        ("90 min ago", "2026-03-10T05:00"),
        ("1h 30m ago", "2026-03-10T05:00"),
        ("2026-03-09T21:30", "2026-03-09T20:30"),
        ("2026-03-09 21:30", "2026-03-09T20:30"),
        ("2026-03-09T21:30Z", "2026-03-09T21:30"),
        ("2026-03-09T21:30-05:00", "2026-03-10T02:30"),
    ],
)
def test_a_time(text: str, utc: str) -> None:
    assert read_time(text, NOW, BERLIN) == datetime.fromisoformat(utc).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "soon",
        "25:00",
        "12:60",
        "ago",
        "h ago",
        "2026-13-01",
        "-2h ago",
        "22.30",
        "999999999999h ago",
        "9999-12-31T23:59-14:00",
        "0001-01-01T00:00",
    ],
)
def test_no_time(text: str) -> None:
    with pytest.raises(TimeUnclear, match="Write 22:30, 'yesterday 22:30', '2h ago'"):
        read_time(text, NOW, BERLIN)


def test_a_time_that_summer_time_skipped_is_refused() -> None:
    spring = datetime(2026, 3, 29, 10, 0, tzinfo=UTC)
    with pytest.raises(TimeUnclear, match="the clocks were put forward over it"):
        read_time("02:30", spring, BERLIN)
    assert read_time("03:30", spring, BERLIN) == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)


def test_of_a_time_that_comes_twice_in_autumn_the_first_is_meant() -> None:
    autumn = datetime(2026, 10, 25, 10, 0, tzinfo=UTC)
    assert read_time("02:30", autumn, BERLIN) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)

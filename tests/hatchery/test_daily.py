"""The message of the day, word for word."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from hatchmon.hatchery.alerts import Fact
from hatchmon.hatchery.daily import ConeDay, daily_words, wrong_of
from tests.hatchery.test_wording import BERLIN, at, batch, forecast, unpredicted

SOUTH = replace(batch(8), cone="south")
NORTH_DAY = ConeDay("north", batch(), forecast(), (26.04, at(20.0) - timedelta(minutes=2)))


def test_all_is_well() -> None:
    south = ConeDay("south", SOUTH, forecast(18.0, 21.0), (25.0, at(20.0) - timedelta(hours=3)))
    said = daily_words([NORTH_DAY, south, ConeDay("west", None, None, None)], [], at(20.0), BERLIN)
    assert said == (
        "All is well: 2 of 3 cones hatching",
        "Next: south to be harvested before 07:00.\n"
        "north: Ready about 08:00, between 07:00 and 10:00. Harvest before 13:00."
        " Water 26.0 °C, measured 2 min ago.\n"
        "south: Ready now. Harvest before 07:00. Water 25.0 °C, measured 3.0 h ago.\n"
        "Empty: west.",
    )


def test_nothing_runs() -> None:
    assert daily_words([ConeDay("west", None, None, None)], [], at(0.0), BERLIN) == (
        "All is well: nothing is hatching",
        "Empty: west.",
    )
    assert daily_words([], [], at(0.0), BERLIN) == ("All is well: nothing is hatching", "")


def test_what_is_wrong_comes_first() -> None:
    title, body = daily_words([NORTH_DAY], ["north: cold, 19.0 °C", "backup: disk full"], at(23.0), BERLIN)
    assert title == "Not all is well: north: cold, 19.0 °C (and 1 more)"
    assert body.splitlines()[:4] == [
        "Wrong: north: cold, 19.0 °C",
        "Wrong: backup: disk full",
        "1 of 1 cones hatching.",
        "Next: north to be harvested before 13:00.",
    ]


def test_next_is_what_comes_first_and_is_sure_enough_to_be_timed() -> None:
    def next_line(*cones: ConeDay, hours: float) -> str:
        body = daily_words(cones, [], at(hours), BERLIN)[1].splitlines()[0]
        return body if body.startswith("Next") else ""

    south = ConeDay("south", SOUTH, forecast(21.5, 24.0), None)
    assert next_line(NORTH_DAY, south, hours=20.0) == "Next: south ready about 07:30."
    assert next_line(NORTH_DAY, south, hours=25.0) == "Next: south to be harvested now."
    doubtful = replace(south, forecast=forecast(21.5, 24.0, trust="none", reasons=("gap",)))
    assert next_line(doubtful, hours=20.0) == ""
    assert next_line(NORTH_DAY, doubtful, hours=20.0) == "Next: north ready about 08:00."
    assert next_line(replace(south, forecast=unpredicted("too cold")), hours=20.0) == ""


def test_a_cone_without_readings_or_forecast_says_so() -> None:
    bare = ConeDay("south", SOUTH, None, None)
    assert daily_words([bare], [], at(0.1), BERLIN)[1] == "south: No forecast yet. No temperature yet."


def test_what_is_ready_is_nothing_wrong() -> None:
    kinds = ("ready-soon", "ready", "closing", "past", "cold", "silent", "slow-lot", "broker")
    facts = [Fact(kind, "batch 1", "north", kind, "body") for kind in kinds]  # type: ignore[arg-type]
    assert wrong_of(facts) == ["closing", "past", "cold", "silent", "broker"]

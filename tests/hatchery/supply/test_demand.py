"""Demand from broods: by hand, by published ration, and as properties."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hatchmon.hatchery.supply.demand import (
    EXAMPLE_RAMPS,
    Brood,
    FeedAt,
    Ramp,
    feedings,
    first_nauplii,
    foods_on,
    local_moment,
)
from hatchmon.science.yields import Samples, efficiency

LISBON = ZoneInfo("Europe/Lisbon")
TWICE = (FeedAt(time(7, 30), 0.4), FeedAt(time(18, 30), 0.6))
STEADY = {"small": Ramp(((0, 100.0),))}


def test_a_brood_by_hand() -> None:
    ramp = Ramp(((2, 20.0), (6, 60.0)), dry_from_day=10)
    brood = Brood("reeds", 100, date(2026, 3, 1), loss_per_day=0.1)
    needs = [round(brood.nauplii(date(2026, 3, 1 + age), ramp), 2) for age in range(11)]
    # 100 fry x 0.9^age x a straight line from 20 on day 2 to 60 on day 6, then 60; dry food from day 10.
    assert needs == [0, 0, 1620, 2187, 2624.4, 2952.45, 3188.65, 2869.78, 2582.80, 2324.52, 0]
    assert first_nauplii(brood, ramp) == date(2026, 3, 3)


def test_an_end_date_ends_it_whatever_the_ramp_says() -> None:
    brood = Brood("reeds", 100, date(2026, 3, 1), ends=date(2026, 3, 5))
    assert brood.nauplii(date(2026, 3, 4), STEADY["small"]) == 10_000
    assert brood.nauplii(date(2026, 3, 5), STEADY["small"]) == 0


def test_a_published_ration_times_larvae_over_efficiency_gives_the_grams() -> None:
    # 100 nauplii per post-larva and day: Felix et al., Indian J. Animal Research B-3956.
    brood = Brood("post-larvae", 2000, date(2026, 3, 1))
    per_day = brood.nauplii(date(2026, 3, 4), STEADY["small"])
    assert per_day == 200_000
    # 165,270 nauplii per gram: Eslava-Eljaiek et al. 2011, Intropica 6:101-108.
    counted = efficiency(Samples((165_270,), grams=1.0))
    assert counted is not None
    assert per_day / counted.value == pytest.approx(1.210, abs=0.001)


def test_first_foods_come_before_nauplii_and_dry_food_after() -> None:
    brood, ramp = Brood("moss", 50, date(2026, 3, 1), "tiny"), EXAMPLE_RAMPS["tiny"]
    assert foods_on(brood, ramp, date(2026, 3, 2)) == ["infusoria"]
    assert foods_on(brood, ramp, date(2026, 3, 6)) == ["infusoria", "vinegar eels"]
    assert foods_on(brood, ramp, first_nauplii(brood, ramp)) == ["vinegar eels", "nauplii"]
    assert foods_on(brood, ramp, date(2026, 4, 20)) == ["dry food"]
    assert foods_on(brood, ramp, date(2026, 2, 27)) == []


def test_feedings_keep_the_local_clock_when_it_changes() -> None:
    # Clocks go forward in Lisbon on 2026-03-29 and back on 2026-10-25.
    for first, hours in ((date(2026, 3, 28), 23), (date(2026, 10, 24), 25)):
        start = datetime.combine(first, time(0), tzinfo=LISBON).astimezone(UTC)
        brood = Brood("reeds", 100, first)
        found = feedings([brood], STEADY, TWICE, LISBON, start, start + timedelta(days=2))
        local = [each.time.astimezone(LISBON).time() for each in found]
        assert local == [time(7, 30), time(18, 30)] * 2
        assert found[2].time - found[0].time == timedelta(hours=hours)


def test_a_feeding_in_the_hour_that_comes_twice_or_never_is_given_once() -> None:
    at = (FeedAt(time(1, 30), 1.0),)
    for day in (date(2026, 3, 29), date(2026, 10, 25)):
        start = datetime.combine(day, time(0), tzinfo=LISBON).astimezone(UTC)
        found = feedings([Brood("a", 1, day)], STEADY, at, LISBON, start, start + timedelta(hours=20))
        assert len(found) == 1
    assert local_moment(date(2026, 3, 29), time(1, 30), LISBON).astimezone(LISBON).time() == time(2, 30)


def test_strict_and_lenient_mouths_are_told_apart() -> None:
    broods = [Brood("moss", 10, date(2026, 3, 1), "tiny"), Brood("reeds", 20, date(2026, 3, 1), "large")]
    start = datetime(2026, 3, 11, tzinfo=UTC)
    morning = feedings(broods, EXAMPLE_RAMPS, TWICE, UTC, start, start + timedelta(hours=12))[0]
    tiny, large = EXAMPLE_RAMPS["tiny"].at(10), EXAMPLE_RAMPS["large"].at(10)
    assert morning.instar1 == pytest.approx(10 * tiny * 0.4)
    assert morning.usable == pytest.approx(20 * large * 0.4)
    assert dict(morning.by_brood) == pytest.approx({"moss": 4 * tiny, "reeds": 8 * large})


@given(
    fry=st.integers(1, 5000),
    loss=st.floats(0.0, 0.3),
    days=st.integers(1, 12),
    first=st.dates(date(2025, 1, 1), date(2027, 12, 31)),
    shares=st.lists(st.floats(0.05, 1.0), min_size=1, max_size=4),
)
def test_a_days_feedings_add_up_to_the_days_need(
    fry: int, loss: float, days: int, first: date, shares: list[float]
) -> None:
    total = sum(shares)
    at = [FeedAt(time(6 + 4 * i), share / total) for i, share in enumerate(shares)]
    brood = Brood("a", fry, first, loss_per_day=loss)
    start = datetime.combine(first, time(0), tzinfo=LISBON).astimezone(UTC)
    end = datetime.combine(first + timedelta(days=days), time(0), tzinfo=LISBON).astimezone(UTC)
    found = feedings([brood], STEADY, at, LISBON, start, end)
    need = sum(brood.nauplii(first + timedelta(days=day), STEADY["small"]) for day in range(days))
    assert sum(each.nauplii for each in found) == pytest.approx(need)
    assert all(a.time < b.time for a, b in itertools.pairwise(found))

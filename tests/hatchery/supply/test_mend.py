"""Why a feeding fails, and what would mend it: what is named does mend it, and nothing smaller tried
before."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, time

import pytest

from hatchmon.adapters.solver import Highs
from hatchmon.hatchery.supply.demand import FeedAt, Ramp
from hatchmon.hatchery.supply.mend import Mend, mend
from hatchmon.hatchery.supply.plan import Question, make_plan
from hatchmon.hatchery.wording import Voice
from tests.hatchery.supply.invented import broods, cone, lot, question

VOICE = Voice(UTC)


def _mended(asked: Question) -> Mend | None:
    return mend(make_plan(asked, Highs(10.0)), lambda: Highs(5.0), VOICE)


def test_nothing_fails_nothing_is_said() -> None:
    asked = question([cone("a"), cone("b")], [lot()], broods(1), 4.0)
    late = replace(asked, feedings=tuple(f for f in asked.feedings if asked.hours(f.time) > 36.0))
    assert _mended(late) is None


def test_a_feeding_that_comes_too_soon_for_any_batch() -> None:
    asked = question([cone("a")], [lot()], broods(1), 0.6)
    found = _mended(asked)
    assert found is not None
    assert found.change is None
    assert "comes too soon" in found.why
    assert "a batch begun now is ready by" in found.why


@pytest.mark.parametrize(
    ("begin", "feed", "which", "change"),
    [
        (time(9), time(12), 1, "h more of your time at either end of your hours"),
        (time(10), time(12), 1, "water 1 °C warmer"),
        (time(20), time(18, 30), 1, "water 4 °C warmer"),
        (time(5), time(18, 30), 1, None),
    ],
)
def test_hours_that_leave_no_start_are_named_with_what_mends_it(
    begin: time, feed: time, which: int, change: str | None
) -> None:
    # At 26 C this lot is ready after 28 h with a chance of 90 %.
    hours = ((begin, begin.replace(minute=15)),)
    feed_at = (FeedAt(feed, 1.0),)
    asked = question([cone("a")], [lot(sd=0.02)], broods(1), 2.3, hours=hours, feed_at=feed_at)
    found = _mended(replace(asked, feedings=asked.feedings[which : which + 1]))
    assert found is not None
    assert "no start in your hours is ready and still good then" in found.why
    if change is None:
        assert found.change is None
    else:
        assert found.change is not None
        assert found.change.endswith(change)
        assert found.chance >= 0.89


def test_too_little_stock_is_named_and_more_mends_it() -> None:
    asked = question([cone("a"), cone("b")], [lot(stock_g=0.1)], broods(1, 2000), 3.0)
    late = replace(asked, feedings=tuple(f for f in asked.feedings if asked.hours(f.time) > 40.0))
    found = _mended(late)
    assert found is not None
    assert found.change == "more cysts in stock"
    assert found.chance >= 0.89
    assert "do not give enough" in found.why


def test_cones_too_small_and_another_mends_it() -> None:
    # One feeding needs more than the one cone can be counted on for, less than two.
    asked = question([cone("a", litres=0.5)], [lot()], broods(1, 11_000), 1.55)
    late = replace(asked, feedings=asked.feedings[-1:])
    found = _mended(late)
    assert found is not None
    assert found.change in (
        "another cone like a",
        "half as many grams again in a litre, beyond the density set",
    )
    assert "(the largest holds 2.5 g)" in found.why


@pytest.mark.parametrize("unit", ["C", "F"])
def test_the_first_stage_that_cannot_be_promised(unit: str) -> None:
    strict = {"small": Ramp(((0, 60.0),), instar1_only=True)}
    asked = question([cone("a"), cone("b")], [lot(sd=0.15)], broods(1), 3.0, ramps=strict)
    late = replace(asked, feedings=asked.feedings[-1:])
    plan = make_plan(late, Highs(10.0))
    found = mend(plan, lambda: Highs(5.0), Voice(UTC, unit))
    assert found is not None
    assert "nauplii of the first stage are wanted" in found.why
    assert found.change in ("a cold store for 24 h", "taking usable nauplii for those of the first stage")

"""When to fill a cone: the lead is the quantile of T90 seen from the start it leads to."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from hatchmon.hatchery.ahead import Ahead, Cycle, in_control
from hatchmon.hatchery.backplan import ROUND_TO, back_plan
from hatchmon.hatchery.types import Batch, Refused
from hatchmon.hatchery.watch import BatchWatch
from hatchmon.science.learning import LotBelief
from hatchmon.science.nauplii import Thresholds
from hatchmon.science.rates import schoolfield_1981
from tests.science.courses import certain

WANT = datetime(2026, 3, 4, 7, 10, tzinfo=UTC)
PRIOR = LotBelief.prior()


@pytest.mark.parametrize(("confidence", "lead_h"), [(0.5, 23.0), (0.8, 29.0)])
def test_an_unknown_lot_at_26_c(confidence: float, lead_h: float) -> None:
    """Regression, computed from the model's prior, no outside value; 3 %."""
    plan = back_plan(PRIOR, in_control(26.0), WANT, confidence)
    assert plan.lead_h == pytest.approx(lead_h, rel=0.03)
    assert plan.ready == pytest.approx(confidence, abs=0.02)
    assert plan.start.minute % 15 == plan.start.second == 0
    assert timedelta(0) <= WANT - timedelta(hours=plan.lead_h) - plan.start < ROUND_TO


@pytest.mark.parametrize("temp_c", [15.0, 22.0, 26.0, 31.0])
def test_a_certain_lot_needs_what_the_equation_says(temp_c: float) -> None:
    """Half of the five courses are later; in the middle one T90 is exact. To a minute."""
    exact = 20.4 * np.exp(0.15 * special.ndtri(0.9)) / float(schoolfield_1981(temp_c))
    assert back_plan(certain(), in_control(temp_c), WANT, 0.5).lead_h == pytest.approx(
        exact, rel=2e-3, abs=0.02
    )


def test_a_start_so_planned_is_forecast_to_be_ready_in_time() -> None:
    """The batch begun then, its first reading as expected, has its T90 quantile at the wanted time."""
    plan = back_plan(PRIOR, in_control(24.0), WANT, 0.9)
    watch = BatchWatch(Batch(1, "north", "lot A", plan.start, 4.0, set_point_c=24.0))
    watch.light_known = True
    watch.add(plan.start, 24.0)
    t90 = watch.forecast(plan.start, PRIOR).t90
    assert t90 is not None
    assert t90.p90 == pytest.approx(plan.lead_h, abs=0.03)
    assert watch.batch.time_at(t90.p90) <= WANT + timedelta(minutes=2)


@pytest.mark.parametrize("want_h", [0, 5, 9, 14, 20])
def test_a_rooms_day_is_followed_from_the_hour_of_the_start(want_h: int) -> None:
    """Water of 22 +- 3 C over the day, against the clock summed backwards from the wanted time."""
    hourly = tuple(22.0 + 3.0 * float(np.sin(2 * np.pi * (hour + 0.5 - 9.0) / 24.0)) for hour in range(24))
    cycle = Cycle(hourly, of_water=True)
    # What sets the water apart from its usual day is gone at once: it starts on its course.
    ahead = Ahead("follows the room's day", 22.0, 22.0, 50.0, 0.0, 0.0, cycle)
    want = WANT.replace(hour=want_h, minute=0)
    back_h = np.arange(0.0, 80.0, 1 / 60)
    rates = schoolfield_1981(cycle.at(want_h - back_h))
    done = np.concatenate(([0.0], np.cumsum((rates[1:] + rates[:-1]) / 120.0)))
    exact = float(np.interp(20.4 * np.exp(0.15 * special.ndtri(0.9)), done, back_h))
    assert back_plan(certain(), ahead, want, 0.5).lead_h == pytest.approx(exact, abs=0.1)


def test_the_hour_wanted_matters_where_the_water_follows_the_day_only() -> None:
    hourly = tuple(22.0 + 3.0 * float(np.sin(2 * np.pi * hour / 24.0)) for hour in range(24))
    swinging = Ahead("follows the room's day", 22.0, 22.0, 0.25, 0.9, 0.9, Cycle(hourly, of_water=False))
    morning, evening = (WANT.replace(hour=hour) for hour in (0, 12))
    leads = [back_plan(PRIOR, swinging, want, 0.5).lead_h for want in (morning, evening)]
    assert abs(leads[0] - leads[1]) > 0.3
    held = [back_plan(PRIOR, in_control(24.0), want, 0.5).lead_h for want in (morning, evening)]
    assert held[0] == held[1]


@given(st.floats(13.0, 33.0), st.floats(0.1, 0.85))
@settings(max_examples=15, deadline=None)
def test_surer_is_earlier_and_likelier_past(temp_c: float, confidence: float) -> None:
    one, surer = (back_plan(PRIOR, in_control(temp_c), WANT, c) for c in (confidence, confidence + 0.1))
    assert surer.lead_h > one.lead_h
    assert surer.closed >= one.closed
    assert 0.0 <= one.closed <= 1.0
    assert one.ready >= confidence - 1e-9


def test_the_risk_that_the_window_has_closed() -> None:
    """A well known, well synchronised lot: with the median the window has just opened, none has closed. The
    keeper's own thresholds count."""
    known, unknown = certain(0.12), PRIOR
    water = in_control(26.0)
    assert back_plan(known, water, WANT, 0.5).closed == 0.0
    assert back_plan(unknown, water, WANT, 0.8).closed > 0.5
    early = Thresholds(closes_energy=0.98)
    assert back_plan(known, water, WANT, 0.5, early).closed == 1.0


def test_a_record_of_misses_asks_for_more_time_only_above_the_median() -> None:
    water = in_control(26.0)
    usual, stretched = (
        [back_plan(PRIOR, water, WANT, c, widen=w).lead_h for c in (0.5, 0.8)] for w in (1.0, 1.5)
    )
    assert stretched[0] == pytest.approx(usual[0], abs=0.02)
    assert np.log(stretched[1] / stretched[0]) == pytest.approx(1.5 * np.log(usual[1] / usual[0]), rel=0.01)


@pytest.mark.parametrize("temp_c", [11.0, 35.0])
def test_water_that_cannot_be_timed_is_refused(temp_c: float) -> None:
    with pytest.raises(Refused, match=r"No start can be named: water expected at .* only between"):
        back_plan(PRIOR, in_control(temp_c), WANT, 0.5)


def test_a_hatch_beyond_the_horizon_is_refused() -> None:
    """Timed to begin with, but the water grows too cold for the hatch ever to be complete."""
    cooling = Ahead("on its way to the room", 20.0, 2.0, 0.05, 0.0, 0.0)
    with pytest.raises(Refused, match="longer than 400 h"):
        back_plan(PRIOR, cooling, WANT, 0.5)


@pytest.mark.parametrize("confidence", [0.0, 1.0, -0.1, float("nan")])
def test_a_confidence_is_a_chance(confidence: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        back_plan(PRIOR, in_control(26.0), WANT, confidence)

"""The clock, against SciPy's quadrature and against itself."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from scipy.integrate import quad

from hatchmon.science import parameters as par
from hatchmon.science.clock import progress
from hatchmon.science.hatching import ENERGY_NODES_EV
from hatchmon.science.normal import Floats, normal_quantile
from hatchmon.science.rates import energy_loss_rate, schoolfield_1981
from tests.science.courses import daily

Rate = Callable[[Floats], Floats]


def exact(course: Callable[[float], float], until_h: float, rate: Rate, breaks: ArrayLike = ()) -> float:
    """The integral of the rate along a course, span by span between ``breaks``, to about 1e-13."""
    edges = np.unique(np.concatenate(([0.0], np.asarray(breaks, dtype=np.float64), [until_h])))
    total = 0.0
    for start, end in pairwise(edges):
        part, _ = quad(
            lambda h: float(rate(np.asarray(course(h)))), start, end, epsabs=1e-13, epsrel=1e-12, limit=200
        )
        total += part
    return total


# ---- against quadrature ----


@pytest.mark.parametrize("rate", [schoolfield_1981, energy_loss_rate])
@pytest.mark.parametrize(("first_c", "last_c", "hours"), [(12, 32, 40), (30, 15, 3), (20, 38, 6), (8, 18, 1)])
def test_ramps(rate: Rate, first_c: float, last_c: float, hours: float) -> None:
    """Two readings only: the span is cut into ten minutes before Simpson's rule."""
    got = progress([0.0, hours], [first_c, last_c], rate)[-1]
    want = exact(lambda h: first_c + (last_c - first_c) * h / hours, hours, rate)
    assert got == pytest.approx(want, rel=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.floats(0.05, 2.0), st.floats(-5.0, 5.0)), min_size=1, max_size=8))
def test_any_piecewise_linear_log_of_up_to_five_degrees_an_hour(pieces: list[tuple[float, float]]) -> None:
    """Never across a stop. A litre of water in a room moves at 3 C/h; at 10 C/h across the peak of the
    curve the error is 3e-6."""
    hours, temps = [0.0], [22.0]
    for span, slope in pieces:
        hours.append(hours[-1] + span)
        temps.append(float(np.clip(temps[-1] + slope * span, 4.5, 39.5)))
    got = progress(hours, temps, schoolfield_1981)
    want = exact(lambda h: float(np.interp(h, hours, temps)), hours[-1], schoolfield_1981, hours)
    assert got[-1] == pytest.approx(want, rel=1e-6)


def test_sinusoid_logged_every_minute() -> None:
    """Against quadrature along the log's own straight lines, so that only the integration is tried."""
    hours = np.arange(0.0, 30.0 + 1e-9, 1 / 60)
    temps = daily(hours, 24.0, 5.0, 2.0)
    want = exact(lambda h: float(np.interp(h, hours, temps)), hours[-1], schoolfield_1981, hours)
    assert progress(hours, temps, schoolfield_1981)[-1] == pytest.approx(want, rel=1e-9)


@pytest.mark.parametrize(("every_s", "off"), [(60, 3e-7), (600, 3e-5), (3600, 1e-3)])
@pytest.mark.parametrize("start_h", [0.0, 7.0, 15.0])
def test_what_sampling_a_sinusoid_costs(every_s: int, off: float, start_h: float) -> None:
    """The error of joining samples by straight lines, apart from the integration: it falls with the
    square of the interval. At 10 minutes it is under .001 h of a day's progress."""
    hours = np.arange(0.0, 30.0 + 1e-9, every_s / 3600)
    got = progress(hours, daily(hours, 24.0, 5.0, start_h), schoolfield_1981)[-1]
    want = exact(lambda h: float(daily(h, 24.0, 5.0, start_h)), 30.0, schoolfield_1981)
    assert abs(got / want - 1.0) < off


def test_across_the_stops_the_error_is_that_of_one_step() -> None:
    """The rate jumps at 4 and at 40 C; a step of ten minutes across a jump may take it a part of the step
    early or late, no more."""
    got = progress([0.0, 40.0], [2.0, 42.0], schoolfield_1981)[-1]
    want = exact(lambda h: 2.0 + h, 40.0, schoolfield_1981, [2.0, 38.0])
    jumps = float(schoolfield_1981(4.0 + 1e-9) + schoolfield_1981(40.0 - 1e-9))
    assert abs(got - want) <= jumps / 6.0


# ---- the mean is not the log ----


@pytest.mark.parametrize("mean_c", [20.0, 22.0])
def test_the_mean_of_a_day_is_an_hour_and_a_half_wrong(mean_c: float) -> None:
    """+-5 C over the day, starts all round the clock: timing T50 and T90 by the mean temperature so far,
    instead of by the log, is late every time, by about 1.5 h. This is why the log itself is summed."""
    hours = np.arange(0.0, 72.0, 1 / 60)
    late = []
    for start_h in range(0, 24, 2):
        temps = daily(hours, mean_c, 5.0, start_h)
        by_log = progress(hours, temps, schoolfield_1981)
        mean_so_far = np.cumsum(temps) / np.arange(1, hours.size + 1)
        by_mean = schoolfield_1981(mean_so_far) * hours
        for share in (0.5, 0.9):
            needed = par.TAU25.value * np.exp(par.SIGMA.value * float(normal_quantile(share)))
            late.append(np.interp(needed, by_mean, hours) - np.interp(needed, by_log, hours))
    assert min(late) > 0.5
    assert 1.2 < np.mean(late) < 1.8


# ---- properties ----

SPANS = st.lists(st.floats(0.0, 20.0), min_size=1, max_size=12)
LIVING = st.floats(4.5, 39.5)


@st.composite
def logs(draw: st.DrawFn, temps: st.SearchStrategy[float] = LIVING) -> tuple[Floats, Floats]:
    """(hours, deg C): between the stops by default, where the rate is smooth."""
    hours = np.concatenate(([0.0], np.cumsum(draw(SPANS))))
    return hours, np.array(draw(st.lists(temps, min_size=hours.size, max_size=hours.size)))


@given(logs(st.floats(-20.0, 60.0)))
@settings(deadline=None)
def test_progress_begins_at_zero_and_never_falls(log: tuple[Floats, Floats]) -> None:
    q = progress(*log, schoolfield_1981)
    assert q[0] == 0.0
    assert np.all(np.diff(q) >= 0.0)


@given(st.floats(-200.0, 4.0) | st.floats(40.0, 200.0), SPANS)
@settings(deadline=None)
def test_no_progress_at_and_beyond_the_stops(temp_c: float, spans: list[float]) -> None:
    hours = np.concatenate(([0.0], np.cumsum(spans)))
    assert progress(hours, np.full(hours.size, temp_c), schoolfield_1981)[-1] == 0.0


@given(st.floats(4.1, 39.9), st.floats(0.0, 200.0))
@settings(deadline=None)
def test_steady_water_is_rate_times_hours(temp_c: float, hours: float) -> None:
    got = progress([0.0, hours], [temp_c, temp_c], schoolfield_1981)[-1]
    assert got == pytest.approx(float(schoolfield_1981(temp_c)) * hours, rel=1e-12)


@given(logs(), st.data())
@settings(deadline=None)
def test_the_parts_of_a_log_add_up(log: tuple[Floats, Floats], data: st.DataObject) -> None:
    hours, temps = log
    cut = data.draw(st.integers(0, hours.size - 1))
    whole = progress(hours, temps, schoolfield_1981)[-1]
    before = progress(hours[: cut + 1], temps[: cut + 1], schoolfield_1981)[-1]
    after = progress(hours[cut:], temps[cut:], schoolfield_1981)[-1]
    assert before + after == pytest.approx(whole, rel=1e-12, abs=1e-12)


@given(logs(), st.lists(st.floats(0.0, 1.0), max_size=6))
@settings(deadline=None)
def test_extra_points_on_the_same_lines_change_nothing(
    log: tuple[Floats, Floats], shares: list[float]
) -> None:
    """Up to 5 C/h, as water moves; steeper, a ten-minute step is itself the error."""
    hours, temps = log
    hours = hours + np.concatenate(([0.0], np.cumsum(np.abs(np.diff(temps)) / 5.0)))
    extra = np.array(shares) * hours[-1]
    more = np.sort(np.concatenate((hours, extra)))
    got = progress(more, np.interp(more, hours, temps), schoolfield_1981)[-1]
    assert got == pytest.approx(progress(hours, temps, schoolfield_1981)[-1], rel=2e-6, abs=1e-9)


@given(logs(st.floats(-273.0, 1e6)), st.floats(1e-3, 10.0))
@settings(deadline=None)
def test_finite_logs_give_finite_progress(log: tuple[Floats, Floats], longest_h: float) -> None:
    hours, temps = log
    q = progress(hours, temps, schoolfield_1981, max(longest_h, hours[-1] / 1000.0))
    assert np.all(np.isfinite(q))


def test_a_jump_between_equal_times_stays_a_jump() -> None:
    """Five hours at 20 C, then five at 30 C, told by two readings at the same moment."""
    q = progress([0.0, 5.0, 5.0, 10.0], [20.0, 20.0, 30.0, 30.0], schoolfield_1981)
    cool, warm = 5.0 * schoolfield_1981([20.0, 30.0])
    np.testing.assert_allclose(q, [0.0, cool, cool, cool + warm], rtol=1e-12)


def test_rows_are_summed_each_by_itself() -> None:
    hours = np.array([0.0, 0.1, 2.0, 5.0])
    temps = np.array([[20.0, 21.0, 24.0, 22.0], [28.0, 27.0, 30.0, 26.0]])
    both = progress(hours, temps, schoolfield_1981)
    for row, course in zip(both, temps, strict=True):
        np.testing.assert_array_equal(row, progress(hours, course, schoolfield_1981))
    stacked = np.broadcast_to(temps, (7, 2, 4))
    by_node = progress(hours, stacked, lambda c: schoolfield_1981(c, ENERGY_NODES_EV[:, None, None]))
    np.testing.assert_array_equal(by_node[3], both)
    assert by_node.shape == (7, 2, 4)


def test_a_log_of_one_reading_and_of_none() -> None:
    assert progress([3.0], [25.0], schoolfield_1981).tolist() == [0.0]
    assert progress([], [], schoolfield_1981).tolist() == []


# ---- bad input ----


@pytest.mark.parametrize("wrong", [float("nan"), float("inf"), float("-inf")])
@pytest.mark.parametrize("rate", [schoolfield_1981, energy_loss_rate])
def test_what_is_not_finite_is_refused(wrong: float, rate: Rate) -> None:
    with pytest.raises(ValueError, match="finite"):
        progress([0.0, 1.0], [25.0, wrong], rate)
    with pytest.raises(ValueError, match="finite"):
        progress([0.0, wrong], [25.0, 25.0], rate)


def test_falling_times_are_refused() -> None:
    with pytest.raises(ValueError, match="must not fall"):
        progress([0.0, 2.0, 1.0], [25.0, 25.0, 25.0], schoolfield_1981)


@pytest.mark.parametrize(
    ("hours", "temps"), [([0.0, 1.0], [25.0]), ([[0.0, 1.0]], [25.0, 25.0]), ([0.0], 25.0), (0.0, 25.0)]
)
def test_shapes_that_do_not_match_are_refused(hours: ArrayLike, temps: ArrayLike) -> None:
    with pytest.raises(ValueError, match="match the last axis"):
        progress(hours, temps, schoolfield_1981)


def test_water_below_absolute_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="absolute zero"):
        progress([0.0, 1.0], [25.0, -274.0], schoolfield_1981)

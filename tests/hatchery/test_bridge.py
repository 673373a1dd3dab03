"""The water while nobody measured it, against Newton's law of cooling integrated by SciPy."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from hatchmon.hatchery.ahead import LAG_PER_H
from hatchmon.hatchery.bridge import bridged, lag_in_gap, own_lag, through_gap
from hatchmon.hatchery.types import Batch
from hatchmon.hatchery.watch import BatchWatch, gap_variance
from hatchmon.science.learning import LotBelief
from hatchmon.science.normal import Floats
from hatchmon.science.rates import schoolfield_1981

NOTHING: tuple[Floats, Floats] = (np.zeros(0), np.zeros(0))


def cooling(hours: Floats, start_c: float, room_c: float, lag_per_h: float) -> Floats:
    """dT/dt = k (R - T), integrated."""
    solved = solve_ivp(
        lambda _, t: lag_per_h * (room_c - t), (0.0, float(hours[-1])), [start_c],
        t_eval=hours, rtol=1e-10, atol=1e-12,
    )  # fmt: skip
    return np.asarray(solved.y[0])


@pytest.mark.parametrize(
    ("start_c", "room_c", "lag_per_h", "gap_h"),
    [(28.0, 20.0, 0.25, 6.0), (28.0, 12.0, 0.6, 3.0), (18.0, 24.0, 0.1, 10.0), (26.0, 20.0, 2.0, 0.7)],
)
def test_both_ends_and_the_room_settle_the_course(
    start_c: float, room_c: float, lag_per_h: float, gap_h: float
) -> None:
    end_c = float(cooling(np.array([0.0, gap_h]), start_c, room_c, lag_per_h)[-1])
    lag = lag_in_gap(gap_h, start_c, end_c, room_c, None)
    assert lag == pytest.approx(lag_per_h, rel=1e-6)
    hours, temps = through_gap(gap_h, start_c, end_c, lag)
    assert np.max(np.diff(hours, prepend=0.0, append=gap_h)) <= 1 / 6 + 1e-9
    assert temps == pytest.approx(cooling(hours, start_c, room_c, lag_per_h), abs=1e-6)
    # And without the room the lag does, whatever the room.
    assert through_gap(gap_h, start_c, end_c, lag_per_h)[1] == pytest.approx(temps, abs=1e-6)


def test_the_mean_of_a_cooling_is_that_of_the_closed_form() -> None:
    """R + (T0 - R) (1 - exp(-k g)) / (k g), from integrating Newton's law by hand."""
    gap_h, start_c, room_c, lag = 5.0, 28.0, 19.0, 0.3
    end_c = room_c + (start_c - room_c) * np.exp(-lag * gap_h)
    hours, temps = through_gap(gap_h, start_c, end_c, lag)
    mean = np.trapezoid([start_c, *temps, end_c], [0.0, *hours, gap_h]) / gap_h
    assert mean == pytest.approx(
        room_c + (start_c - room_c) * -np.expm1(-lag * gap_h) / (lag * gap_h), abs=2e-3
    )


@given(
    gap_h=st.floats(0.51, 48.0),
    before_c=st.floats(-2.0, 45.0),
    after_c=st.floats(-2.0, 45.0),
    lag=st.one_of(st.just(0.0), st.floats(1e-9, 3.0)),
)
def test_a_course_never_leaves_its_ends(gap_h: float, before_c: float, after_c: float, lag: float) -> None:
    hours, temps = through_gap(gap_h, before_c, after_c, lag)
    assert np.all((hours > 0) & (hours < gap_h))
    low, high = sorted((before_c, after_c))
    assert np.all((temps >= low - 1e-9) & (temps <= high + 1e-9))
    assert np.all(np.diff(temps) * (after_c - before_c) >= -1e-12)


@pytest.mark.parametrize(
    ("before_c", "after_c", "room_c"),
    [
        (28.0, 24.0, None),  # nobody measured the room
        (28.0, 24.0, 25.0),  # the room was warmer than the water became: not that room
        (28.0, 24.0, 23.9),  # too near to the room to tell
        (28.0, 28.0, 20.0),  # the heater worked
        (25.0, 28.0, 20.0),  # and warmed the water
    ],
)
def test_where_the_room_does_not_explain_it_the_usual_lag_serves(
    before_c: float, after_c: float, room_c: float | None
) -> None:
    assert lag_in_gap(4.0, before_c, after_c, room_c, None) == LAG_PER_H
    assert lag_in_gap(4.0, before_c, after_c, room_c, 0.4) == 0.4


# ---- the cone's own lag ----


def noisy(hours: Floats, temps: Floats, seed: int = 1) -> Floats:
    """As a DS18B20 shows it: in steps of 1/16 deg C, with a little noise."""
    noise = np.random.default_rng(seed).normal(0.0, 0.03, hours.size)
    return np.asarray(np.round((temps + noise) * 16.0) / 16.0)


@pytest.mark.parametrize("lag_per_h", [0.15, 0.3, 0.8])
def test_the_lag_of_an_earlier_cooling_is_found(lag_per_h: float) -> None:
    hours = np.arange(0.0, 10.0, 1 / 60)
    temps = np.full(hours.size, 28.0)
    off = (hours >= 3.0) & (hours < 6.0)
    temps[off] = cooling(hours[off] - 3.0, 28.0, 20.0, lag_per_h)
    back = hours >= 6.0
    temps[back] = 28.0 + (temps[off][-1] - 28.0) * np.exp(-1.5 * (hours[back] - 6.0))
    found = own_lag(hours, noisy(hours, temps), cooling=True)
    assert found == pytest.approx(lag_per_h, rel=0.35)


def test_a_log_in_which_nothing_cooled_tells_no_lag() -> None:
    hours = np.arange(0.0, 10.0, 1 / 60)
    assert own_lag(hours, noisy(hours, np.full(hours.size, 26.0)), cooling=True) is None
    assert own_lag(hours, noisy(hours, 20.0 + 0.5 * hours), cooling=True) is None
    assert own_lag(hours[:3], np.array([20.0, 19.0, 18.5]), cooling=True) is None


# ---- a whole log ----


def test_a_log_without_gaps_stays_as_it_is() -> None:
    hours, temps = np.arange(0.0, 5.0, 0.25), np.linspace(20.0, 25.0, 20)
    filled = bridged(hours, temps, NOTHING, 0.5)
    assert filled[0] is hours
    assert filled[1] is temps
    assert np.array_equal(filled[2], np.arange(20))


def test_every_gap_is_filled_and_the_readings_stay() -> None:
    hours = np.array([0.0, 0.1, 2.0, 2.1, 9.0])
    temps = np.array([28.0, 28.0, 24.0, 24.1, 26.0])
    all_hours, all_temps, own = bridged(hours, temps, NOTHING, 0.5)
    assert np.array_equal(all_hours[own], hours)
    assert np.array_equal(all_temps[own], temps)
    assert np.all(np.diff(all_hours) > 0)
    assert np.max(np.diff(all_hours)) <= 1 / 6 + 1e-9


# ---- a batch over a power cut ----

START = datetime(2026, 3, 1, 18, tzinfo=UTC)


def run_through(
    cut: tuple[float, float] | None, air_c: float | None, heater_back_h: float = 12.0
) -> BatchWatch:
    """Water held at 28 in a room at 18; off from 8 h to ``heater_back_h`` (k .3), then warmed at 1/h; read
    every two minutes outside ``cut``."""
    watch = BatchWatch(Batch(1, "left", "tin", START, 4.0, 2.0, 28.0, 30.0))
    for minutes in range(0, 14 * 60, 2):
        hours = minutes / 60.0
        if cut is None or not cut[0] < hours < cut[1]:
            watch.add(START + timedelta(hours=hours), water_at(hours, heater_back_h))
            if air_c is not None:
                watch.add_air(START + timedelta(hours=hours), air_c)
    return watch


def water_at(hours: float, heater_back_h: float = 12.0) -> float:
    if hours < 8.0:
        return 28.0
    cold = 18.0 + 10.0 * float(np.exp(-0.3 * (min(hours, heater_back_h) - 8.0)))
    if hours < heater_back_h:
        return cold
    return 28.0 + (cold - 28.0) * float(np.exp(-(hours - heater_back_h)))


def progress_h(watch: BatchWatch) -> float:
    return watch.forecast(START + timedelta(hours=14), LotBelief.prior()).q25_h


def test_a_power_cut_costs_what_the_cooling_costs() -> None:
    """Truth: the rate integrated by SciPy along the course nobody saw."""
    truth = quad(
        lambda h: float(schoolfield_1981(np.array(water_at(h)))), 0.0, 13.97, points=[8, 12], limit=200
    )[0]
    held = progress_h(run_through(None, None))
    known = progress_h(run_through((8.0, 12.0), 18.0))
    assumed = progress_h(run_through((8.0, 12.0), None))
    assert held == pytest.approx(truth, abs=0.05)
    assert known == pytest.approx(truth, abs=0.05)
    assert assumed == pytest.approx(truth, abs=0.1)
    # A straight line between the same readings is further off.
    line = np.linspace(28.0, water_at(12.0), 241)
    course = np.array([water_at(h) for h in np.linspace(8.0, 12.0, 241)])
    off = np.trapezoid(schoolfield_1981(line) - schoolfield_1981(course), np.linspace(8.0, 12.0, 241))
    assert off > 3.0 * abs(known - truth)


def test_the_band_widens_by_the_rule_for_gaps() -> None:
    """sd of the integral of temperature: sqrt(.25 g^3/12 + .01 g (4 g/2)^2/3)."""
    assert float(np.sqrt(gap_variance(np.array([4.0]))[0])) == pytest.approx(
        np.sqrt(0.25 * 64 / 12 + 0.04 * 64 / 3)
    )
    now, belief = START + timedelta(hours=14), LotBelief.prior()
    whole = run_through(None, 18.0).forecast(now, belief)
    cut = run_through((8.0, 12.0), 18.0).forecast(now, belief)
    assert whole.t90 is not None
    assert cut.t90 is not None
    assert cut.trust == "degraded"
    assert cut.t90.p50 == pytest.approx(whole.t90.p50, abs=0.3)
    assert cut.t90.p90 - cut.t90.p10 > whole.t90.p90 - whole.t90.p10


def test_air_that_is_heard_later_counts_as_if_it_had_come_in_order() -> None:
    late = run_through((8.0, 12.0), None)
    first = progress_h(late)
    for tenth in range(14 * 6):
        if not 48 < tenth < 72:
            late.add_air(START + timedelta(minutes=10 * tenth), 18.0)
    assert progress_h(late) == pytest.approx(progress_h(run_through((8.0, 12.0), 18.0)), abs=1e-6)
    assert progress_h(late) != first


def test_a_heater_that_was_not_off_leaves_the_water_as_it_was() -> None:
    """The readings after the cut are the other end: unchanged water is held, not cooled."""
    watch = run_through((8.0, 12.0), 18.0, heater_back_h=8.0)
    assert progress_h(watch) == pytest.approx(14.0 * float(schoolfield_1981(np.array(28.0))), rel=0.01)

"""Which course the water is expected to take, and how well it is read from a log."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from hatchmon.hatchery.ahead import (
    LAG_PER_H,
    ROOM_SD_C,
    Ahead,
    Cycle,
    look_ahead,
    set_point_only,
    straight_line,
)
from hatchmon.science.normal import Floats

CONTROL = "heater in control"
TO_SET_POINT = "on its way to the set point"
TO_ROOM = "on its way to the room"
FITTED = "on its way, end fitted from the log"
ADRIFT = "on its way, end not known"
STAYS = "stays as it is"
DAILY = "follows the room's day"


def minutes(hours: float, every_min: float = 1.0) -> Floats:
    return np.arange(0.0, hours * 60.0 + 1e-9, every_min) / 60.0


def newton(times_h: Floats, start_c: float, target_c: float, lag_per_h: float) -> Floats:
    """Newton's law of cooling."""
    return np.asarray(target_c + (start_c - target_c) * np.exp(-lag_per_h * times_h), dtype=np.float64)


def probe(temps_c: Floats, seed: int, noise_c: float = 0.03) -> Floats:
    """What a probe with steps of 1/16 C makes of it."""
    noisy = temps_c + np.random.default_rng(seed).normal(0.0, noise_c, temps_c.size)
    return np.asarray(np.round(noisy * 16.0) / 16.0, dtype=np.float64)


def level(temp_c: float, hours: float = 4.0) -> tuple[Floats, Floats]:
    times = minutes(hours)
    return times, np.full(times.size, temp_c)


# ---- heater in control ----


def test_a_heater_in_control_keeps_the_level_it_holds() -> None:
    """The level seen, not the figure on the dial: a heater that holds 28.4 C at 28 goes on so."""
    times, temps = level(28.4)
    ahead = look_ahead(times, temps, 28.0, 21.0)
    assert ahead.rule == CONTROL
    far = np.array([0.0, 1.0, 24.0])
    assert ahead.mean_c(far) == pytest.approx([28.4] * 3)
    assert ahead.sd_c(far) == pytest.approx([0.35] * 3)


@pytest.mark.parametrize(
    ("off_c", "rule"), [(0.69, CONTROL), (0.71, STAYS), (-0.69, CONTROL), (-0.71, STAYS)]
)
def test_control_is_within_seven_tenths(off_c: float, rule: str) -> None:
    times, temps = level(26.0 + off_c)
    assert look_ahead(times, temps, 26.0, None).rule == rule


def test_control_looks_at_the_last_two_hours_only() -> None:
    times = minutes(6.0)
    held_since = {hours: np.where(times < 6.0 - hours, 24.0, 26.0) for hours in (1.9, 2.1)}
    assert look_ahead(times, held_since[2.1], 26.0, None).rule == CONTROL
    assert look_ahead(times, held_since[1.9], 26.0, None).rule != CONTROL


def test_one_reading_at_the_set_point_is_control() -> None:
    assert look_ahead(np.array([0.0]), np.array([26.2]), 26.0, None).rule == CONTROL


# ---- on its way to a known end ----


@pytest.mark.parametrize("lag_per_h", [0.15, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("seed", range(3))
def test_warming_towards_the_set_point(lag_per_h: float, seed: int) -> None:
    times = minutes(2.0)
    ahead = look_ahead(times, probe(newton(times, 16.0, 28.0, lag_per_h), seed), 28.0, 20.0)
    assert ahead.rule == TO_SET_POINT
    assert ahead.target_c == 28.0
    assert ahead.lag_per_h == pytest.approx(lag_per_h, rel=0.05)
    to_come = np.linspace(0.0, 24.0, 100)
    np.testing.assert_allclose(ahead.mean_c(to_come), newton(to_come + 2.0, 16.0, 28.0, lag_per_h), atol=0.4)


@pytest.mark.parametrize("seed", range(3))
def test_cooling_towards_the_room(seed: int) -> None:
    """No heater known, the room's temperature known."""
    times = minutes(2.0)
    ahead = look_ahead(times, probe(newton(times, 30.0, 20.0, 0.25), seed), None, 20.0)
    assert ahead.rule == TO_ROOM
    assert ahead.target_c == 20.0
    assert ahead.lag_per_h == pytest.approx(0.25, rel=0.05)


@pytest.mark.parametrize("every_min", [1.0, 5.0, 10.0, 20.0])
def test_sparse_readings_do_not_set_the_start_back(every_min: float) -> None:
    """The course begins at the last reading, also where the three it is averaged over span 40 minutes."""
    times = minutes(2.0, every_min)
    temps = newton(times, 15.0, 28.0, 0.25)
    assert look_ahead(times, temps, 28.0, None).start_c == pytest.approx(temps[-1], abs=0.15)


def test_readings_of_long_ago_do_not_set_the_start() -> None:
    """Two readings of the last hour after a day without any: the course begins at the last."""
    times, temps = np.array([0.0, 24.0, 24.5]), np.array([26.0, 23.0, 20.0])
    for set_point_c in (None, 15.0, 28.0):
        assert look_ahead(times, temps, set_point_c, None).start_c == pytest.approx(20.0)


def test_too_little_of_the_way_seen_takes_the_usual_lag() -> None:
    """Half an hour, 0.8 C from the set point: nothing to measure a lag by."""
    times = minutes(0.5)
    temps = 27.15 - 0.6 * (0.5 - times)
    ahead = look_ahead(times, temps, 28.0, None)
    assert ahead.rule == TO_SET_POINT
    assert ahead.lag_per_h == pytest.approx(0.6, abs=0.3)
    few = np.array([0.0, 0.15, 0.3])
    assert look_ahead(few, np.array([20.0, 20.3, 20.6]), 28.0, None).lag_per_h == LAG_PER_H


@pytest.mark.parametrize("failed_h", [1.0, 1.5, 2.0, 3.0])
def test_a_failing_heater_is_not_believed(failed_h: float) -> None:
    """The set point is 28 C but the water cools from 28 to a room of 18: never "on its way to 28", and the
    hours for which the heater still held it do not count for how fast it cools."""
    times = minutes(4.0 + failed_h)
    temps = probe(newton(np.maximum(times - 4.0, 0.0), 28.0, 18.0, 0.25), 4)
    later = np.array([3.0, 6.0, 12.0])

    with_room = look_ahead(times, temps, 28.0, 18.0)
    assert with_room.rule == TO_ROOM
    np.testing.assert_allclose(with_room.mean_c(later), newton(later + failed_h, 28.0, 18.0, 0.25), atol=0.4)
    assert with_room.lag_per_h == pytest.approx(0.25, rel=0.1)

    without = look_ahead(times, temps, 28.0, None)
    assert without.rule in (FITTED, ADRIFT)
    assert np.all(without.mean_c(later) < temps[-1] - 2.0)


def test_a_heater_that_cannot_switch_off_is_not_believed() -> None:
    """Rising, already above the set point."""
    times = minutes(3.0)
    ahead = look_ahead(times, 28.5 + 1.5 * times, 28.0, 20.0)
    assert ahead.rule in (FITTED, ADRIFT)
    assert float(ahead.mean_c(np.array([6.0]))[0]) > 36.0


def test_a_slow_drift_is_no_course() -> None:
    """Under half a degree an hour the water is taken to stay, whatever the set point."""
    times = minutes(4.0)
    assert look_ahead(times, 22.0 + 0.4 * times, 28.0, 20.0).rule == STAYS
    assert look_ahead(times, 22.0 + 0.6 * times, 28.0, 20.0).rule == TO_SET_POINT


# ---- on its way to an unknown end ----


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(
    ("start_c", "target_c", "lag_per_h", "hours"),
    [(15.0, 28.0, 0.25, 4.0), (15.0, 28.0, 0.5, 3.0), (10.0, 24.0, 0.25, 5.0), (32.0, 20.0, 0.35, 4.0)],
)
def test_the_end_of_a_course_is_read_from_a_noisy_log(
    start_c: float, target_c: float, lag_per_h: float, hours: float, seed: int
) -> None:
    times = minutes(hours)
    ahead = look_ahead(times, probe(newton(times, start_c, target_c, lag_per_h), seed), None, None)
    assert ahead.rule == FITTED
    assert ahead.lag_per_h == pytest.approx(lag_per_h, rel=0.15)
    assert ahead.target_c == pytest.approx(target_c, abs=0.7)
    assert ahead.sd_c(np.array([0.0, 6.0, 20.0])) == pytest.approx([0.5, 1.5, 1.5])


@pytest.mark.parametrize("noise_c", [0.03, 0.06])
@pytest.mark.parametrize("hours", [1.5, 2.0, 3.0, 4.0])
def test_the_doubt_about_a_fitted_end_is_honest(hours: float, noise_c: float) -> None:
    """A short or noisy log tells little of where the water will end: over 80 logs the true end lies within
    the 80 % band about as often as it should, or more."""
    times = minutes(hours)
    inside, doubts = [], []
    for seed in range(80):
        ahead = look_ahead(times, probe(newton(times, 15.0, 28.0, 0.3), seed, noise_c), None, None)
        if ahead.rule == FITTED:
            inside.append(abs(ahead.target_c - 28.0) < 1.2816 * ahead.sd_last_c)
            doubts.append(ahead.sd_last_c)
    assert len(inside) > 60
    assert np.mean(inside) > 0.7
    assert min(doubts) >= 1.5
    assert max(doubts) <= 5.0


@pytest.mark.parametrize(("slope_c_h", "way_c"), [(2.0, 6.0), (1.0, 4.0), (-1.0, -4.0), (-5.0, -6.0)])
def test_a_straight_climb_or_fall_goes_on_for_a_while(slope_c_h: float, way_c: float) -> None:
    """No end to be fitted: at the same pace first, at the usual lag, for 6 C at most, in great doubt."""
    times = minutes(1.5)
    ahead = look_ahead(times, 22.0 + slope_c_h * times, None, None)
    assert ahead.rule == ADRIFT
    assert ahead.start_c == pytest.approx(22.0 + slope_c_h * 1.5)
    assert ahead.target_c == pytest.approx(ahead.start_c + way_c)
    soon = np.array([0.0, 0.01])
    assert np.diff(ahead.mean_c(soon))[0] / 0.01 == pytest.approx(slope_c_h, rel=0.01)
    assert ahead.sd_c(np.array([0.0, 6.0])) == pytest.approx([0.5, 5.0])


@pytest.mark.parametrize("lag_per_h", [0.15, 0.25, 0.5, 1.0])
def test_an_unknown_end_is_guessed_better_than_standing_still(lag_per_h: float) -> None:
    """The first half hour of a course: an hour and six hours on, the guess is nearer than the last reading,
    and its 80 % band holds the truth."""
    times = minutes(0.5)
    for seed in range(10):
        for start_c, target_c in ((15.0, 28.0), (31.0, 20.0)):
            temps = probe(newton(times, start_c, target_c, lag_per_h), seed)
            ahead = look_ahead(times, temps, None, None)
            assert ahead.rule == ADRIFT
            on = np.array([1.0, 6.0])
            truth = newton(on + 0.5, start_c, target_c, lag_per_h)
            off = np.abs(ahead.mean_c(on) - truth)
            assert np.all(off < np.abs(temps[-1] - truth))
            assert np.all(off < 1.2816 * ahead.sd_c(on))


# ---- nothing known ----


# ---- the room's day ----

AIR = tuple(
    24.0 + 2.0 * float(np.sin(2 * np.pi * (h + 0.5 - 9.0) / 24.0)) + 0.5 * (h % 12 == 7) for h in range(24)
)
ROOM = Cycle(AIR, of_water=False)


def in_the_room(hours: Floats, lag_per_h: float, start_c: float, clock_h: float, today_c: float) -> Floats:
    """Newton's law with the air of ROOM, ``today_c`` warmer than usual, solved by SciPy."""

    def pace(t: float, water: Floats) -> Floats:
        return np.asarray(lag_per_h * (float(ROOM.at(np.array(clock_h + t))) + today_c - water))

    found = solve_ivp(pace, (0.0, float(hours[-1])), [start_c], t_eval=hours, max_step=0.25, rtol=1e-6)
    return np.asarray(found.y[0], dtype=np.float64)


@pytest.mark.parametrize("lag_per_h", [0.1, 0.33, 1.0])
def test_water_that_has_long_followed_the_air(lag_per_h: float) -> None:
    hours = np.arange(0.0, 192.5, 0.5)
    solved = in_the_room(hours, lag_per_h, 24.0, 0.0, 0.0)
    late = hours >= 168.0
    np.testing.assert_allclose(ROOM.in_water(lag_per_h).at(hours)[late], solved[late], atol=0.05)


@pytest.mark.parametrize("lag_per_h", [0.15, 0.33, 0.7])
@pytest.mark.parametrize(("start_c", "today_c"), [(20.0, 0.0), (24.0, 1.0), (28.0, -1.0)])
@pytest.mark.parametrize("clock_h", [3.0, 20.0])
def test_unheated_water_follows_the_rooms_day(
    lag_per_h: float, start_c: float, today_c: float, clock_h: float
) -> None:
    """Six hours of log and the usual day tell the next 30 hours, within what is said and better than standing
    still would."""
    hours = minutes(36.0, 5.0)
    water = in_the_room(hours, lag_per_h, start_c, clock_h, today_c)
    seen = hours <= 6.0 + 1e-9
    ahead = look_ahead(hours[seen], probe(water[seen], 1), None, None, ROOM, clock_h + 6.0)
    assert ahead.rule == DAILY
    rest = hours[~seen] - 6.0
    off = ahead.mean_c(rest) - water[~seen]
    assert np.sqrt(np.mean(off**2)) < 0.75 * np.sqrt(np.mean((water[seen][-1] - water[~seen]) ** 2))
    assert abs(np.mean(off)) < 1.2 * np.mean(ahead.sd_c(rest))


def test_the_air_of_the_moment_tells_of_today_before_the_water_does() -> None:
    times, temps = level(24.0, 0.5)
    usual, warm = (look_ahead(times, temps, None, air_c, ROOM, 9.0) for air_c in (None, 25.2))
    late = np.array([30.0])
    assert float(warm.mean_c(late)[0] - usual.mean_c(late)[0]) > 0.5
    assert usual.sd_c(late) == pytest.approx(ROOM_SD_C)
    assert warm.sd_c(late)[0] < 0.95 * ROOM_SD_C


def test_a_record_of_water_is_followed_without_delay() -> None:
    """Water that keeps .8 C above its usual day goes on so; what was poured in cold has caught up."""
    record = ROOM.in_water(0.3)
    hours = minutes(12.0)
    temps = record.at(20.0 + hours) + 0.8 - 4.0 * np.exp(-0.5 * hours)
    ahead = look_ahead(hours, probe(temps, 2), None, 99.0, record, 32.0)
    assert ahead.rule == DAILY
    to_come = np.arange(0.0, 48.0)
    np.testing.assert_allclose(ahead.mean_c(to_come), record.at(32.0 + to_come) + 0.8, atol=0.15)


@pytest.mark.parametrize("seed", range(4))
def test_the_doubt_about_the_rooms_day_is_honest(seed: int) -> None:
    """Days of any lag and level, and a change of weather: the doubt about the mean of the next day is its
    usual error, or little more."""
    rng = np.random.default_rng(seed)
    off = []
    for _ in range(40):
        lag, clock = float(0.25 * np.exp(0.5 * rng.standard_normal())), float(rng.uniform(0, 24))
        hours = minutes(30.0, 10.0)
        level_c = 0.9 * rng.standard_normal() + np.where(hours > 6.0, 0.5, 0.0) * rng.standard_normal()
        water = in_the_room(hours, lag, float(rng.uniform(18, 28)), clock, 0.0) + level_c
        seen = hours <= 6.0 + 1e-9
        ahead = look_ahead(hours[seen], probe(water[seen], seed), None, None, ROOM, clock + 6.0)
        rest = hours[~seen] - 6.0
        off.append(np.mean(ahead.mean_c(rest) - water[~seen]) / np.mean(ahead.sd_c(rest)))
    assert 0.5 < np.sqrt(np.mean(np.square(off))) < 1.3


@pytest.mark.parametrize(("start_c", "target_c"), [(22.0, 32.0), (26.0, 12.0)])
def test_water_that_goes_elsewhere_does_not_follow_the_room(start_c: float, target_c: float) -> None:
    """A heater nobody has told of, a cone put out in the cold."""
    times = minutes(3.0)
    ahead = look_ahead(times, probe(newton(times, start_c, target_c, 0.3), 3), None, None, ROOM, 12.0)
    assert ahead.rule in (FITTED, ADRIFT)
    assert (float(ahead.mean_c(np.array([6.0]))[0]) - 24.0) * (target_c - 24.0) > 0.0


def test_water_held_by_a_heater_nobody_has_told_of_does_not_follow_the_room() -> None:
    times, temps = level(28.0, 24.0)
    assert look_ahead(times, probe(temps, 4), None, None, ROOM, 3.0).rule == STAYS


def test_a_heated_cone_does_not_follow_the_room() -> None:
    times, temps = level(28.0)
    assert look_ahead(times, temps, 28.0, 24.0, ROOM, 3.0).rule == CONTROL
    assert look_ahead(times, temps, 30.0, 24.0, ROOM, 3.0).rule == STAYS


def test_still_water_stays_with_growing_doubt() -> None:
    times, temps = level(23.0)
    ahead = look_ahead(times, temps, None, None)
    assert ahead.rule == STAYS
    assert ahead.mean_c(np.array([0.0, 50.0])) == pytest.approx([23.0, 23.0])
    assert ahead.sd_c(np.array([0.0, 3.0, 6.0, 50.0])) == pytest.approx([0.3, 0.9, 1.5, 1.5])


def test_one_reading_stays() -> None:
    assert look_ahead(np.array([2.0]), np.array([19.0]), 26.0, 18.0).rule == STAYS


def test_a_set_point_without_a_reading() -> None:
    ahead = set_point_only(27.0)
    assert ahead.mean_c(np.array([0.0, 9.0])) == pytest.approx([27.0, 27.0])
    assert ahead.sd_c(np.array([0.0, 9.0])) == pytest.approx([0.9, 0.9])
    assert ahead.rule not in (CONTROL, TO_SET_POINT)


LOG = st.lists(st.tuples(st.floats(0.01, 2.0), st.floats(-2.0, 45.0)), min_size=1, max_size=40)
MAYBE_C = st.none() | st.floats(4.0, 40.0)


@given(LOG, MAYBE_C, MAYBE_C)
@settings(max_examples=150, deadline=None)
def test_any_log_gives_a_usable_course(
    log: list[tuple[float, float]], set_point_c: float | None, air_c: float | None
) -> None:
    times = np.cumsum([gap for gap, _ in log])
    temps = np.array([temp for _, temp in log])
    ahead: Ahead = look_ahead(times, temps, set_point_c, air_c)
    to_come = np.array([0.0, 0.5, 6.0, 100.0, 400.0])
    assert np.all(np.isfinite(ahead.mean_c(to_come)))
    assert np.all(ahead.sd_c(to_come) > 0.0)
    assert np.all(
        np.abs(ahead.mean_c(to_come)[-1:] - ahead.target_c) <= np.abs(ahead.start_c - ahead.target_c)
    )


# ---- the fitter ----


@given(
    st.floats(-10.0, 10.0).filter(lambda slope: abs(slope) > 1e-3),
    st.floats(-50.0, 50.0),
    st.lists(st.floats(-40.0, 40.0), min_size=2, max_size=20),
)
@settings(deadline=None)
def test_points_on_a_line_give_the_line(slope: float, crossing: float, at: list[float]) -> None:
    x = np.array([*at, min(at) - 5.0])
    got_slope, got_crossing = straight_line(x, slope * (x - crossing))
    assert got_slope == pytest.approx(slope, rel=1e-9)
    assert got_crossing == pytest.approx(crossing, abs=1e-7)


def test_a_scatter_against_numpy() -> None:
    rng = np.random.default_rng(1)
    x = rng.uniform(10.0, 30.0, 50)
    y = 0.002 * (x - 8.0) + rng.normal(0.0, 0.003, 50)
    slope, crossing = straight_line(x, y)
    want_slope, want_at_zero = np.polyfit(x, y, 1)
    assert slope == pytest.approx(want_slope, rel=1e-10)
    assert crossing == pytest.approx(-want_at_zero / want_slope, rel=1e-10)


def test_a_level_line_never_crosses() -> None:
    slope, crossing = straight_line(np.array([1.0, 2.0, 3.0]), np.array([4.0, 4.0, 4.0]))
    assert slope == 0.0
    assert np.isnan(crossing)


# ---- just back after a cut ----


def after_a_cut(minutes_since: float, water_c: float, before_c: float = 28.0) -> Ahead:
    before = np.arange(0.0, 6.0, 1 / 60)
    since = 9.0 + np.arange(0.0, minutes_since + 1e-9, 1.0) / 60
    hours = np.concatenate((before, since))
    temps = np.concatenate((np.full(before.size, before_c), np.full(since.size, water_c)))
    return look_ahead(hours, temps, 28.0, None)


def test_a_heater_that_was_in_control_is_expected_back() -> None:
    ahead = after_a_cut(3.0, 22.0)
    assert ahead.rule == "heater back, not seen yet"
    assert (ahead.start_c, ahead.target_c) == (22.0, 28.0)
    assert ahead.sd_last_c == 2.5


def test_a_quarter_of_an_hour_later_the_log_itself_tells() -> None:
    assert after_a_cut(16.0, 22.0).rule == "stays as it is"


def test_water_that_was_never_in_control_is_not_expected_to_be() -> None:
    assert after_a_cut(3.0, 22.0, before_c=24.0).rule == "stays as it is"

"""Every reading is judged by the rules of the model, at their limits and over whole nights."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hatchmon.hatchery.probes import Judge, Judged, is_sentinel
from hatchmon.hatchery.types import Quantity, Verdict
from hatchmon.hatchery.units import celsius, fahrenheit

T0 = datetime(2026, 3, 10, 20, 0, tzinfo=UTC)
UNSEEN = frozenset({Verdict.RETAINED, Verdict.UNDATED, Verdict.FUTURE, Verdict.LATE})


def after(seconds: float) -> datetime:
    return T0 + timedelta(seconds=seconds)


def water(unit: str = "C") -> Judge:
    return Judge(Quantity.TEMPERATURE, unit)


def feed(judge: Judge, values: Iterable[float], every_s: float = 10.0, from_s: float = 0.0) -> list[Judged]:
    """Readings on time, ``every_s`` apart, the first at ``from_s``."""
    return [
        judge.judge(value, after(from_s + i * every_s), after(from_s + i * every_s))
        for i, value in enumerate(values)
    ]


def verdicts(judged: Iterable[Judged]) -> list[str]:
    return [each.verdict.value for each in judged]


def final(times: Sequence[datetime], judged: Sequence[Judged]) -> list[Verdict]:
    """The verdicts as they stand after every revision."""
    standing = {time: each.verdict for time, each in zip(times, judged, strict=True)}
    for each in judged:
        for time, _, verdict in each.revised:
            standing[time] = verdict
    return [standing[time] for time in times]


def settled(judge: Judge, value: float = 25.0, every_s: float = 10.0) -> float:
    """Ten readings of ``value``; the seconds at which the next one is due."""
    assert set(verdicts(feed(judge, [value] * 10, every_s))) == {"good"}
    return 10 * every_s


# ---- error codes and limits ----


@pytest.mark.parametrize(
    ("raw", "unit", "verdict"),
    [
        (85.0, "C", "sentinel"),  # power-on value of the DS18B20, Maxim data sheet 19-7487
        (-127.0, "C", "sentinel"),  # a missing probe in common drivers (common practice, no source)
        (-100.0, "C", "sentinel"),
        (-99.9, "C", "range"),
        (84.9375, "C", "range"),
        (85.0625, "C", "range"),
        (185.0, "F", "sentinel"),
        (-196.6, "F", "sentinel"),
        (-148.0, "F", "sentinel"),
        (-147.9, "F", "range"),
        (85.0, "F", "good"),
        (-2.0, "C", "good"),
        (-2.0625, "C", "range"),
        (45.0, "C", "good"),
        (45.0625, "C", "range"),
        (28.4, "F", "good"),
        (28.3, "F", "range"),
        (113.0, "F", "good"),
        (113.1, "F", "range"),
    ],
)
def test_error_codes_and_limits(raw: float, unit: str, verdict: str) -> None:
    judge = water(unit)
    assert judge.judge(raw, T0, T0) == Judged(Verdict(verdict))
    assert (judge.last_good is not None) == (verdict == "good")


def test_only_thermometers_have_error_codes() -> None:
    assert Judge(Quantity.AIR_TEMPERATURE, "C").judge(85.0, T0, T0).verdict is Verdict.SENTINEL
    assert Judge(Quantity.SALINITY, "g/L").judge(85.0, T0, T0).verdict is Verdict.GOOD
    assert Judge(Quantity.LIGHT, "lux").judge(-127.0, T0, T0).verdict is Verdict.RANGE
    assert not is_sentinel(-127.0, "lux")


def test_error_codes_are_no_neighbours_and_do_not_hide_a_change() -> None:
    judge = water()
    at = settled(judge)
    assert verdicts(feed(judge, [85.0, -127.0, 25.0, 85.0, 25.0625], from_s=at)) == [
        "sentinel", "sentinel", "good", "sentinel", "good",
    ]  # fmt: skip


def test_light_may_change_as_fast_as_it_likes() -> None:
    judge = Judge(Quantity.LIGHT, "lux")
    assert set(verdicts(feed(judge, [0.0, 2000.0, 0.0, 2000.0] * 5))) == {"good"}
    # Ten hours of darkness are darkness.
    assert set(verdicts(feed(judge, [0.0] * 600, every_s=60.0, from_s=200.0))) == {"good"}


# ---- spikes ----


@pytest.mark.parametrize("spike", [25.5625, 26.5, 24.0, 31.0, 44.9, -1.9])
def test_a_spike_is_rejected_and_what_follows_is_not(spike: float) -> None:
    judge = water()
    at = settled(judge)
    judged = feed(judge, [spike, 25.0, 25.0625, 25.0, 25.0, 25.0], from_s=at)
    assert verdicts(judged) == ["jump", *["good"] * 5]
    assert not any(each.revised for each in judged)


def test_a_slow_spike_is_rejected_by_the_median_of_its_neighbours() -> None:
    # 1.5 C in five minutes is 18 C/h: slower than the limit, but nothing around it agrees.
    judge = water()
    at = settled(judge, every_s=300.0)
    assert verdicts(feed(judge, [26.5, 25.0, 25.0], 300.0, at)) == ["spike", "good", "good"]


@pytest.mark.parametrize(("value", "verdict"), [(26.0, "good"), (26.0625, "spike"), (23.9375, "spike")])
def test_a_degree_off_the_median_is_borne(value: float, verdict: str) -> None:
    judge = water()
    at = settled(judge, every_s=300.0)
    assert verdicts(feed(judge, [value], 300.0, at)) == [verdict]


@pytest.mark.parametrize(
    ("value", "verdict"), [(27.3, "good"), (27.4, "spike"), (22.7, "good"), (22.6, "spike")]
)
def test_noisy_neighbours_allow_more(value: float, verdict: str) -> None:
    # Of the last six and the value itself, median 25.0 and median distance 0.4: 4 x 1.4826 x 0.4 = 2.372.
    judge = water()
    at = 6 * 300.0
    assert set(verdicts(feed(judge, [24.6, 25.0, 25.4, 24.6, 25.4, 25.0], 300.0))) == {"good"}
    assert verdicts(feed(judge, [value], 300.0, at)) == [verdict]


def test_the_median_needs_seven_readings_within_the_hour() -> None:
    few = water()
    feed(few, [25.0] * 5, 300.0)
    assert verdicts(feed(few, [26.5], 300.0, 1500.0)) == ["good"]
    old = water()
    at = settled(old, every_s=601.0)
    assert verdicts(feed(old, [26.5], 601.0, at)) == ["good"]


@settings(deadline=None)
@given(st.lists(st.integers(-1, 1), min_size=20, max_size=300))
def test_noise_of_one_step_of_the_probe_is_never_rejected(steps: list[int]) -> None:
    assert set(verdicts(feed(water(), [25.0 + 0.0625 * step for step in steps]))) == {"good"}


# ---- jumps and steps ----


@pytest.mark.parametrize(
    ("change", "seconds", "verdict"),
    [
        (5.0, 600.0, "good"),  # exactly 30 C/h
        (5.0625, 600.0, "jump"),
        (-5.0625, 600.0, "jump"),
        (0.5, 10.0, "good"),  # 180 C/h, but too little to ask about
        (0.5625, 10.0, "jump"),
        (0.5625, 67.0, "jump"),
        (0.5625, 68.0, "good"),
        (20.0, 2401.0, "good"),
    ],
)
def test_thirty_degrees_an_hour_is_the_fastest(change: float, seconds: float, verdict: str) -> None:
    judge = water()
    judge.judge(20.0, T0, T0)
    assert judge.judge(20.0 + change, after(seconds), after(seconds)).verdict.value == verdict


def test_a_jump_is_a_step_once_three_more_agree() -> None:
    judge = water()
    at = settled(judge)
    judged = feed(judge, [21.0, 21.25, 21.5, 21.0625, 21.125], from_s=at)
    assert verdicts(judged) == ["jump", "jump", "jump", "good", "good"]
    assert [each.revised for each in judged] == [
        (), (), (),
        (
            (after(100), 21.0, Verdict.STEP),
            (after(110), 21.25, Verdict.GOOD),
            (after(120), 21.5, Verdict.GOOD),
        ),
        (),
    ]  # fmt: skip
    assert judge.last_good == (after(140), 21.125)


@pytest.mark.parametrize(("last", "confirmed"), [(21.5, True), (21.5625, False), (20.9375, False)])
def test_the_four_must_lie_within_half_a_degree(last: float, confirmed: bool) -> None:
    judge = water()
    at = settled(judge)
    judged = feed(judge, [21.0, 21.5, 21.25, last], from_s=at)
    assert bool(judged[-1].revised) == confirmed


def test_three_at_a_new_level_and_back_are_three_bad_readings() -> None:
    judge = water()
    at = settled(judge)
    judged = feed(judge, [29.0, 29.0, 29.0, 25.0, 25.0, 25.0, 25.0], from_s=at)
    assert verdicts(judged) == ["jump"] * 3 + ["good"] * 4
    assert not any(each.revised for each in judged)


def test_a_small_spike_that_returns_is_no_step() -> None:
    # 25.5625 and what follows lie within half a degree of each other, but they have come back.
    judge = water()
    at = settled(judge)
    judged = feed(judge, [25.5625, 25.125, 25.125, 25.125, 25.125], from_s=at)
    assert verdicts(judged) == ["jump", *["good"] * 4]
    assert not any(each.revised for each in judged)


def test_a_probe_settling_in_new_water_is_a_step_where_it_settles() -> None:
    judge = water()
    at = settled(judge)
    values = [23.0, 22.0, 21.5, 21.25, 21.125, 21.0625, 21.0, 21.0]
    judged = feed(judge, values, from_s=at)
    times = [after(at + 10 * i) for i in range(len(values))]
    found = [verdict.value for verdict in final(times, judged)]
    assert found == ["jump", "jump", "step", "good", "good", "good", "good", "good"]


@pytest.mark.parametrize("every_s", [10.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0])
@pytest.mark.parametrize("change", [-16.0, -4.0, 4.0, 7.0, 18.0])
def test_a_step_is_followed_however_often_the_probe_speaks(every_s: float, change: float) -> None:
    judge = water()
    feed(judge, [22.0] * 10, every_s)
    judged = feed(judge, [22.0 + change] * 6, every_s, 10 * every_s)
    times = [after((10 + i) * every_s) for i in range(6)]
    found = [verdict.value for verdict in final(times, judged)]
    doubted = judged[0].verdict is not Verdict.GOOD
    assert found == ["step" if doubted else "good", *["good"] * 5]
    assert judge.last_good == (times[-1], 22.0 + change)


def test_never_deaf_for_ever_after_a_step_without_agreement() -> None:
    # A probe shaken about: no four readings agree, but after 4 C / (30 C/h) = 8 minutes all is possible.
    judge = water()
    at = settled(judge)
    judged = feed(judge, [21.0, 21.75] * 40, from_s=at)
    assert not any(each.revised for each in judged)
    first_good = verdicts(judged).index("good")
    assert first_good * 10 <= 8 * 60 + 20
    assert verdicts(judged[first_good:]).count("good") >= len(judged[first_good:]) // 2
    assert judge.last_good is not None
    assert judge.last_good[0] >= after(at + 790)


def test_a_gap_lets_the_water_change() -> None:
    judge = water()
    settled(judge)
    assert verdicts(feed(judge, [20.0, 20.0], from_s=3 * 3600.0)) == ["good", "good"]


# ---- what water does ----


@pytest.mark.parametrize("every_s", [10.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0])
@pytest.mark.parametrize("rate_c_per_h", [-6.0, 2.0, 10.0])
def test_a_ramp_is_good_from_onset_to_end(every_s: float, rate_c_per_h: float) -> None:
    steps = int(3600 / every_s)
    ramp = [20.0 + rate_c_per_h * i * every_s / 3600 for i in range(steps + 1)]
    values = [20.0] * 10 + ramp + [ramp[-1]] * 10
    noisy = [round(value / 0.0625) * 0.0625 for value in values]
    assert set(verdicts(feed(water(), noisy, every_s))) == {"good"}


def test_a_sparse_log_is_not_judged_by_its_neighbours() -> None:
    values = [24.0 + 2.0 * 0.5 * i for i in range(12)] + [35.0 - 2.0 * 0.5 * i for i in range(20)]
    assert set(verdicts(feed(water(), values, 1800.0))) == {"good"}


def simulated_night(seed: int) -> tuple[list[float], set[int]]:
    """Twelve hours of a heated cone at 10 s: values as a 12-bit probe sends them, and where it lies.

    Heater with 0.5 C of hysteresis around 26 C (8 C/h), loss to a room at 18 C (0.25/h), noise of 0.04 C;
    a third of the water is changed at hour 5, which takes 4 C away between two readings, and the probe
    follows with a time constant of 8 s; two spikes.
    """
    chance = random.Random(seed)
    temp, probe, heating = 24.0, 24.0, True
    values: list[float] = []
    step_h = 10 / 3600
    for i in range(12 * 360):
        if i == 5 * 360:
            temp -= 4.0
        heating = temp < 25.75 or (heating and temp < 26.25)
        temp += ((8.0 if heating else 0.0) - 0.25 * (temp - 18.0)) * step_h
        probe += (temp - probe) * (1 - math.exp(-10 / 8))
        values.append(round((probe + chance.gauss(0, 0.04)) / 0.0625) * 0.0625)
    spikes = set(chance.sample([i for i in range(4320) if not 1750 < i < 1900], 2))
    for i in spikes:
        values[i] += chance.choice((-7.0, 3.0, 12.5))
    return values, spikes


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("unit", ["C", "F"])
def test_a_night_of_a_heated_cone(seed: int, unit: str) -> None:
    values, spikes = simulated_night(seed)
    sent = values if unit == "C" else [round(fahrenheit(value), 4) for value in values]
    judge = water(unit)
    times = [after(10 * i) for i in range(len(values))]
    found = final(times, feed(judge, sent))
    assert all(not found[i].usable for i in spikes)
    rejected = [i for i, verdict in enumerate(found) if not verdict.usable and i not in spikes]
    # While it follows the new water the probe itself is wrong: readings over 0.5 C off are not good ones.
    wrongly = [i for i in rejected if not 0 <= i - 1800 < 2]
    assert len(wrongly) / len(values) < 0.001
    assert [verdict for verdict in found if verdict is Verdict.STEP] == [Verdict.STEP]
    assert abs(found.index(Verdict.STEP) - 1800) <= 3


# ---- Fahrenheit ----


@settings(deadline=None)
@given(
    st.lists(st.integers(-40, 720), min_size=1, max_size=60),
    st.sampled_from([10.0, 300.0, 1800.0]),
)
def test_fahrenheit_is_judged_as_celsius_is(sixteenths: list[int], every_s: float) -> None:
    values = [n / 16 for n in sixteenths]
    in_c = feed(water("C"), values, every_s)
    # n/16 C is n x 0.1125 + 32 F, which four digits hold exactly.
    in_f = feed(water("F"), [round(n * 0.1125 + 32, 4) for n in sixteenths], every_s)
    assert in_c == in_f


def test_a_half_degree_step_is_the_same_in_either_unit() -> None:
    judge = water("F")
    assert set(verdicts(feed(judge, [77.0] * 10 + [77.9] * 5 + [77.0] * 5))) == {"good"}
    assert celsius(77.9) == 25.5


# ---- stuck ----


def test_a_value_that_stands_for_six_hours_is_suspect_until_it_changes() -> None:
    judge = water()
    judged = feed(judge, [25.0] * 73, every_s=300.0)
    assert verdicts(judged) == ["good"] * 72 + ["suspect"]
    assert verdicts(feed(judge, [25.0], from_s=21900.0)) == ["suspect"]
    assert verdicts(feed(judge, [25.0625, 25.0], 300.0, 22200.0)) == ["good", "good"]
    again = feed(judge, [25.0] * 73, 300.0, 22800.0)
    # The second 25.0 was at 22500 s.
    assert verdicts(again) == ["good"] * 71 + ["suspect"] * 2


def test_stuck_is_told_in_fahrenheit_too() -> None:
    assert verdicts(feed(water("F"), [77.3] * 73, every_s=300.0))[-2:] == ["good", "suspect"]


def test_error_codes_and_spikes_do_not_unstick_a_probe() -> None:
    values = [25.0] * 73
    values[30], values[50] = 85.0, 40.0
    found = verdicts(feed(water(), values, every_s=300.0))
    assert (found[30], found[50], found[71], found[72]) == ("sentinel", "jump", "good", "suspect")


def test_after_a_step_the_six_hours_begin_with_it() -> None:
    judge = water()
    feed(judge, [25.0] * 60, 300.0)
    judged = feed(judge, [30.0] * 75, 300.0, 18000.0)
    assert verdicts(judged)[4:] == ["good"] * 68 + ["suspect"] * 3


# ---- silence ----


def test_silent_after_three_usual_intervals() -> None:
    judge = water()
    assert judge.silent_since(T0) is None  # never heard at all
    feed(judge, [25.0] * 10, every_s=10.0)
    assert judge.usual_interval == timedelta(seconds=10)
    assert judge.silent_since(after(90 + 30)) is None
    assert judge.silent_since(after(90 + 30.001)) == after(90)
    feed(judge, [25.0], from_s=200.0)
    assert judge.silent_since(after(210)) is None


def test_five_minutes_are_usual_until_more_is_known() -> None:
    judge = water()
    feed(judge, [25.0] * 3, every_s=10.0)
    assert judge.usual_interval == timedelta(minutes=5)
    assert judge.silent_since(after(20 + 900)) is None
    assert judge.silent_since(after(20 + 900.001)) == after(20)
    feed(judge, [25.0], from_s=30.0)
    assert judge.usual_interval == timedelta(seconds=10)


def test_one_outage_does_not_change_what_is_usual() -> None:
    judge = water()
    feed(judge, [25.0] * 10, every_s=10.0)
    feed(judge, [25.0] * 3, every_s=10.0, from_s=7200.0)
    assert judge.usual_interval == timedelta(seconds=10)
    feed(judge, [25.0] * 20, every_s=60.0, from_s=7300.0)
    assert judge.usual_interval == timedelta(seconds=60)


def test_neither_error_codes_nor_stale_messages_break_the_silence() -> None:
    judge = water()
    feed(judge, [25.0] * 10, every_s=10.0)
    feed(judge, [85.0], from_s=100.0)
    assert judge.newest == after(100)
    judge.judge(25.0, after(50), after(3600), retained=True)
    judge.judge(25.0, after(3600), after(3600), dated=False)
    judge.judge(25.0, after(9000), after(3600))
    assert judge.newest == after(100)
    assert judge.silent_since(after(3600)) == after(90)


# ---- order and age ----


@pytest.mark.parametrize(("behind_s", "verdict"), [(1.0, "good"), (300.0, "good"), (300.001, "late")])
def test_late_is_more_than_five_minutes_out_of_order(behind_s: float, verdict: str) -> None:
    judge = water()
    feed(judge, [25.0] * 10, every_s=60.0, from_s=600.0)
    newest = judge.newest
    assert newest == after(1140)
    judged = judge.judge(25.0, newest - timedelta(seconds=behind_s), after(1150))
    assert judged.verdict.value == verdict
    assert judge.newest == newest
    assert judge.last_good == (newest, 25.0)
    assert judge.usual_interval == timedelta(seconds=60)


def test_an_old_reading_in_order_is_not_late() -> None:
    # A logger that was cut off delivers its morning in one go.
    judge = water()
    now = after(6 * 3600)
    found = [judge.judge(25.0 + 0.0625 * (i % 2), after(60 * i), now).verdict for i in range(300)]
    assert set(found) == {Verdict.GOOD}


def test_a_reading_a_little_late_is_judged_like_any_other() -> None:
    judge = water()
    feed(judge, [25.0] * 10, every_s=60.0)
    assert judge.judge(44.0, after(500), after(545)).verdict is Verdict.JUMP
    assert judge.judge(85.0, after(501), after(546)).verdict is Verdict.SENTINEL
    assert judge.judge(25.0625, after(502), after(547)).verdict is Verdict.GOOD
    assert judge.last_good == (after(540), 25.0)


def test_a_reading_a_little_late_does_not_disturb_a_step() -> None:
    judge = water()
    at = settled(judge)
    feed(judge, [21.0, 21.0], from_s=at)
    judge.judge(25.0, after(at - 5), after(at + 15))
    judged = feed(judge, [21.0, 21.0], from_s=at + 20)
    assert [verdict for _, _, verdict in judged[-1].revised] == [Verdict.STEP, Verdict.GOOD, Verdict.GOOD]


def test_a_reading_a_little_late_can_show_that_the_probe_lives() -> None:
    judge = water()
    feed(judge, [25.0] * 60, 300.0)
    assert judge.judge(25.0625, after(17600), after(17710)).verdict is Verdict.GOOD
    assert set(verdicts(feed(judge, [25.0] * 20, 300.0, 18000.0))) == {"good"}


@pytest.mark.parametrize(("ahead_s", "verdict"), [(0.0, "good"), (120.0, "good"), (120.001, "future")])
def test_two_minutes_of_clock_skew_are_borne(ahead_s: float, verdict: str) -> None:
    judge = water()
    assert judge.judge(25.0, after(ahead_s), T0).verdict.value == verdict
    assert (judge.newest is None) == (verdict == "future")


@pytest.mark.parametrize(
    ("age_s", "dated", "verdict"),
    [
        (0.0, True, "good"),
        (900.0, True, "good"),
        (900.001, True, "retained"),
        (0.0, False, "retained"),
        (-121.0, True, "future"),
    ],
)
def test_a_retained_message_is_fresh_only_by_its_own_time(age_s: float, dated: bool, verdict: str) -> None:
    judge = water()
    judged = judge.judge(25.0, after(-age_s), T0, retained=True, dated=dated)
    assert judged.verdict.value == verdict
    assert (judge.last_good is None) == (verdict != "good")


def test_a_message_that_waited_without_a_time_is_undated() -> None:
    judge = water()
    assert judge.judge(25.0, T0, T0, dated=False) == Judged(Verdict.UNDATED)
    assert judge.newest is None
    # Even an error code: nobody knows when it was true.
    assert judge.judge(85.0, T0, T0, dated=False) == Judged(Verdict.UNDATED)


# ---- taking up after a restart ----


class Notebook:
    """Keeps verdicts as the database does, and gives them back as it does."""

    def __init__(self) -> None:
        self.kept: dict[datetime, tuple[float, Verdict]] = {}

    def note(self, time: datetime, raw: float, judged: Judged) -> None:
        self.kept[time] = (raw, judged.verdict)
        for when, _, verdict in judged.revised:
            self.kept[when] = (self.kept[when][0], verdict)

    def restarted(self, unit: str) -> Judge:
        judge = Judge(Quantity.TEMPERATURE, unit)
        judge.remember(
            [(time, raw, verdict) for time, (raw, verdict) in sorted(self.kept.items())][-20:],
            self.same_since(),
        )
        return judge

    def same_since(self) -> datetime | None:
        since: datetime | None = None
        newest: float | None = None
        for time, (raw, verdict) in sorted(self.kept.items(), reverse=True):
            if not verdict.usable:
                continue
            newest = raw if newest is None else newest
            if raw != newest:
                break
            since = time
        return since


@st.composite
def streams(draw: st.DrawFn) -> list[tuple[float, float]]:
    """(seconds, raw C): levels held for a while, with noise, spikes and error codes, a few out of order."""
    every_s = draw(st.sampled_from([10.0, 60.0, 300.0, 600.0, 1800.0]))
    readings: list[tuple[float, float]] = []
    at = 0.0
    for _ in range(draw(st.integers(1, 5))):
        level = draw(st.sampled_from([20.0, 24.0, 25.0, 25.75, 26.5, 31.0]))
        for _ in range(draw(st.integers(1, 12))):
            at += every_s * draw(st.sampled_from([1, 1, 1, 1, 2, 40]))
            kind = draw(st.sampled_from("nnnnnnnsef"))
            if kind == "s":
                readings.append((at, level + draw(st.sampled_from([-6.0, 1.25, 9.0]))))
            elif kind == "e":
                readings.append((at, draw(st.sampled_from([85.0, -127.0, 44.0, 60.0]))))
            elif kind == "f":
                readings.append((at, level + 0.375))
            else:
                readings.append((at, level + 0.0625 * draw(st.integers(-1, 1))))
    return readings


@settings(deadline=None, max_examples=300)
@given(streams(), st.data(), st.sampled_from(["C", "F"]))
def test_a_restart_changes_no_verdict(
    stream: list[tuple[float, float]], data: st.DataObject, unit: str
) -> None:
    sent = [(after(at), raw if unit == "C" else round(fahrenheit(raw), 4)) for at, raw in stream]
    split = data.draw(st.integers(0, len(sent)))
    steady, book = water(unit), Notebook()
    for time, raw in sent[:split]:
        book.note(time, raw, steady.judge(raw, time, time))
    restarted = book.restarted(unit)
    assert restarted.newest == steady.newest
    assert restarted.last_good == steady.last_good
    for time, raw in sent[split:]:
        assert restarted.judge(raw, time, time) == steady.judge(raw, time, time)
    if len(sent) - split > 16 or split <= 20:
        assert restarted.usual_interval == steady.usual_interval
    end = after(stream[-1][0] + 8 * 3600)
    if sent[split:]:
        assert restarted.silent_since(end) == steady.silent_since(end)


def test_a_restart_in_the_middle_of_a_step_confirms_it() -> None:
    for split in range(1, 4):
        steady, book = water(), Notebook()
        at = settled(steady)
        for i in range(10):
            book.note(after(10 * i), 25.0, Judged(Verdict.GOOD))
        for i, judged in enumerate(feed(steady, [21.0] * split, from_s=at)):
            book.note(after(at + 10 * i), 21.0, judged)
        judged = feed(book.restarted("C"), [21.0] * (4 - split), from_s=at + 10 * split)[-1]
        assert [(when, verdict) for when, _, verdict in judged.revised] == [
            (after(at), Verdict.STEP),
            (after(at + 10), Verdict.GOOD),
            (after(at + 20), Verdict.GOOD),
        ]


def test_a_restart_does_not_begin_the_six_hours_anew() -> None:
    book = Notebook()
    judge = water()
    for i in range(72):
        book.note(after(300 * i), 25.0, judge.judge(25.0, after(300 * i), after(300 * i)))
    assert verdicts(feed(book.restarted("C"), [25.0], from_s=21600.0)) == ["suspect"]
    assert verdicts(feed(book.restarted("C"), [25.0625], from_s=21600.0)) == ["good"]


def test_nothing_remembered_is_a_fresh_start() -> None:
    judge = water()
    judge.remember([], None)
    assert judge.newest is None
    assert judge.judge(30.0, T0, T0).verdict is Verdict.GOOD


def test_what_was_not_measured_then_is_not_remembered() -> None:
    judge = water()
    judge.remember([(T0, 40.0, verdict) for verdict in sorted(UNSEEN)], None)
    assert judge.newest is None
    assert judge.last_good is None

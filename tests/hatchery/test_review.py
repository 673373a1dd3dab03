"""The numbers behind the graphs, against computations of their own."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from hatchmon.hatchery.honesty import Scored
from hatchmon.hatchery.review import (
    MOST_SAID,
    STRETCHES,
    Stretch,
    fan_of,
    log_of,
    record_of,
    seen_of,
    speed_of,
    stretch_s,
    told_over_time,
    trend_of,
    yielded,
)
from hatchmon.hatchery.types import Band, Batch, Count, Forecast, Look, Verdict
from hatchmon.hatchery.watch import BatchWatch
from hatchmon.science.hatching import reach_h
from hatchmon.science.learning import LotBelief
from hatchmon.science.normal import normal_quantile

START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
BATCH = Batch(7, "bench", "river-23", START, 3.0, 2.0, 26.0)


def forecast(t10: Band, t50: Band, t90: Band, issued: datetime = START) -> Forecast:
    return Forecast(
        issued, 0.0, 0.0, t10, t50, t90, t90, t90, Band(t90.p10 + 5, t90.p50 + 5, t90.p90 + 5), None, 0.0,
        "good", (), None, "set point",
    )  # fmt: skip


def stretch(
    from_h: float, until_h: float, mean: float = 26.0, verdict: Verdict = Verdict.GOOD, count: int = 10
) -> Stretch:
    return Stretch(from_h, until_h, count, mean - 0.5, mean, mean + 0.5, verdict)


# --- the log -----------------------------------------------------------------------------------


def test_a_log_is_broken_where_nothing_is_known_for_more_than_half_an_hour() -> None:
    log = log_of([stretch(0.1, 1.0), stretch(1.4, 2.0), stretch(3.0, 4.0)], until_h=5.0)
    assert log.gaps == ((2.0, 3.0), (4.0, 5.0))
    assert [[each.from_h for each in run] for run in log.runs] == [[0.1, 1.4], [3.0]]
    assert (log.used, log.refused) == (30, 0)


def test_a_silent_start_is_a_gap_and_no_reading_at_all_one_long_gap() -> None:
    assert log_of([stretch(2.0, 3.0)], until_h=3.0).gaps == ((0.0, 2.0),)
    assert log_of([], until_h=4.0).gaps == ((0.0, 4.0),)


def test_rejected_readings_fill_no_gap_and_stand_apart() -> None:
    bad = stretch(1.2, 1.8, 85.0, Verdict.SENTINEL, count=3)
    log = log_of([stretch(0.0, 1.0), bad, stretch(2.0, 3.0)], until_h=3.0)
    assert log.gaps == ((1.0, 2.0),)
    assert log.rejected == (bad,)
    assert (log.used, log.refused) == (20, 3)


def test_two_streams_side_by_side_are_one_log() -> None:
    log = log_of([stretch(0.0, 2.0), stretch(0.5, 0.6, verdict=Verdict.STEP), stretch(2.1, 3.0)], until_h=3.0)
    assert not log.gaps
    assert len(log.runs) == 1


@pytest.mark.parametrize("hours", [0.2, 3.0, 26.5, 60.0, 400.0])
def test_a_log_of_any_length_keeps_so_many_stretches(hours: float) -> None:
    seconds = stretch_s(hours)
    assert seconds >= 60
    assert hours * 3600 / seconds <= STRETCHES


# --- the hatch ---------------------------------------------------------------------------------


def test_the_fan_passes_through_what_the_forecast_says() -> None:
    said = forecast(Band(15.0, 17.0, 20.0), Band(18.0, 21.0, 25.0), Band(22.0, 26.0, 31.0))
    fan = fan_of(said, points=401)
    assert fan is not None
    for share, band in ((0.1, said.t10), (0.5, said.t50), (0.9, said.t90)):
        assert band is not None
        found = [fan.hours_to(share, chance) for chance in (0, 2, 4)]
        assert found == pytest.approx([band.p10, band.p50, band.p90], abs=0.02)


def test_the_fan_agrees_with_the_draws_it_stands_for() -> None:
    """The curves rest on nine stored numbers; for a lot nobody knows, whose band is widest and least normal,
    the draws behind them lie within 2.5 % of the hours."""
    watch = BatchWatch(replace(BATCH, salinity=30.0))
    for minute in range(0, 8 * 60, 5):
        watch.add(START + timedelta(minutes=minute), 26.0)
    now = START + timedelta(hours=8)
    belief = LotBelief.prior()
    fan = fan_of(watch.forecast(now, belief), points=97)
    assert fan is not None
    course = watch._course(now)
    assert course is not None
    draws, mu = watch._draws(course, belief)
    shares = np.array((0.05, 0.1, 0.3, 0.5, 0.7, 0.9, 0.95))
    when = reach_h(draws, mu[:, None] + normal_quantile(shares) * draws.sigma[:, None], course.paths)
    for place, share in enumerate(shares):
        want = np.quantile(when[..., place], (0.1, 0.25, 0.5, 0.75, 0.9))
        found = [fan.hours_to(float(share), chance) for chance in range(5)]
        assert found == pytest.approx(want.tolist(), rel=0.025), share


def test_the_curves_of_a_fan_rise_and_never_cross() -> None:
    wide = forecast(Band(10.0, 18.0, 19.0), Band(18.5, 19.0, 30.0), Band(19.0, 30.0, 31.0))
    fan = fan_of(wide)
    assert fan is not None
    assert np.all(np.diff(fan.hours, axis=0) >= 0)
    assert np.all(np.diff(fan.hours[2]) >= 0)


def test_no_fan_where_nothing_was_predicted() -> None:
    assert fan_of(replace(forecast(Band(1, 2, 3), Band(2, 3, 4), Band(3, 4, 5)), t90=None)) is None


def test_looks_and_counts_as_shares() -> None:
    looks = [Look(7, START + timedelta(hours=20), "most"), Look(7, START + timedelta(hours=24), "complete")]
    counts = [Count(7, START + timedelta(hours=22), 1.0, (80, 90), (), (20, 10)), Count(7, START, 1.0, (1,))]
    seen = seen_of(BATCH, looks, counts)
    assert [each.hours for each in seen] == [20.0, 22.0, 24.0]
    # "most": from the half to a probit of .84; "complete": from a probit of 1.645 up
    assert (seen[0].low, seen[0].high) == pytest.approx((0.5, stats.norm.cdf(0.84)), abs=1e-6)
    assert (seen[2].low, seen[2].high) == pytest.approx((stats.norm.cdf(1.645), 1.0), abs=1e-6)
    assert seen[1].counted
    assert seen[1].value == pytest.approx(170 / 200)
    assert seen[1].low < 0.85 < seen[1].high


def test_how_the_ready_time_moved_keeps_its_ends_and_extremes() -> None:
    rng = np.random.default_rng(3)
    bands = [Band(m - 2, m, m + 2) for m in 24 + rng.normal(0, 1, 2000)]
    said = [forecast(b, b, b, issued=START + timedelta(minutes=n)) for n, b in enumerate(bands)]
    told = told_over_time(BATCH, said)
    assert len(told) <= MOST_SAID
    kept = [each.opens.p50 for each in told if each.opens is not None]
    assert (kept[0], kept[-1]) == (bands[0].p50, bands[-1].p50)
    assert (min(kept), max(kept)) == (min(b.p50 for b in bands), max(b.p50 for b in bands))
    assert [each.issued_h for each in told] == sorted(each.issued_h for each in told)
    assert told_over_time(BATCH, said[:50])[10].issued_h == pytest.approx(10 / 60)


# --- a lot -------------------------------------------------------------------------------------


def test_the_last_count_near_the_end_speaks_for_its_batch() -> None:
    ended = START + timedelta(hours=26)
    batch = replace(BATCH, ended=ended, outcome="harvested")
    early = Count(7, START + timedelta(hours=12), 1.0, (5,), (), (200,))
    late = Count(7, START + timedelta(hours=25.5), 1.0, (150, 150), (), (50, 50))
    found = yielded([(batch, [early, late], 24.0), (replace(batch, batch_id=8), [early], 24.0)])
    assert [each.batch.batch_id for each in found] == [7]
    assert found[0].share is not None
    assert found[0].share.value == pytest.approx(0.75)
    # 3 g in 2 L and 2 samples of 1 ml hold 3 mg of cysts
    assert found[0].per_gram is not None
    assert found[0].per_gram.value == pytest.approx(300 / 0.003)


def test_the_course_over_time_is_that_of_scipy() -> None:
    rng = np.random.default_rng(8)
    days = np.sort(rng.uniform(0, 300, 12))
    values = 0.8 * np.exp(-0.002 * days + rng.normal(0, 0.05, 12))
    trend = trend_of(
        [(START + timedelta(days=float(d)), float(v)) for d, v in zip(days, values, strict=True)]
    )
    assert trend is not None
    fit = stats.linregress(days, np.log(values))
    reach = stats.t.isf(0.1, 10) * fit.stderr
    want = [math.expm1(30 * slope) for slope in (fit.slope, fit.slope - reach, fit.slope + reach)]
    assert trend.monthly.value == pytest.approx(want[0], rel=1e-9)
    assert (trend.monthly.low, trend.monthly.high) == pytest.approx(want[1:], rel=5e-3)
    first = math.exp(fit.intercept + fit.slope * days[0])
    assert trend.first[0] == START + timedelta(days=float(days[0]))
    assert trend.first[1] == pytest.approx(first)
    assert trend.telling


def test_no_course_over_time_from_few_or_from_one_day() -> None:
    few = [(START + timedelta(days=n), 0.8) for n in range(4)]
    assert trend_of(few) is None
    assert trend_of([(START, 0.8)] * 9) is None
    steady = trend_of([(START + timedelta(days=n), 0.8 + 0.01 * (-1) ** n) for n in range(8)])
    assert steady is not None
    assert not steady.telling


def test_speed_before_and_after() -> None:
    prior = LotBelief.prior()
    speed = speed_of(prior, prior)
    # the prior: Student's t with 5 degrees of freedom on ln tau25, about ln 20.4, sd .24
    t = stats.t(5, loc=math.log(20.4), scale=0.24 / math.sqrt(5 / 3))
    low, middle, high = np.exp(t.ppf((0.1, 0.5, 0.9)))
    assert (speed.before_h.low, speed.before_h.value, speed.before_h.high) == pytest.approx(
        (low, middle, high), rel=0.01
    )
    inside = (speed.tau25_h > 12) & (speed.tau25_h < 32)
    want = t.pdf(np.log(speed.tau25_h[inside])) / speed.tau25_h[inside]
    assert speed.before[inside] == pytest.approx(want, rel=0.03)
    assert float(np.trapezoid(speed.before, speed.tau25_h)) == pytest.approx(1.0, abs=0.01)
    assert speed.hatches == 0


# --- the record --------------------------------------------------------------------------------


def test_the_record_counts_as_it_goes() -> None:
    scored = [
        Scored(1, Band(20, 24, 28), Band(24, 25.5, 27)),
        Scored(2, Band(20, 24, 28), Band(28, 28.5, 29)),
        Scored(3, Band(20, 24, 28), Band(19, 20, 21)),
    ]
    kept = record_of(scored)
    assert [each.error_h for each in kept] == [1.5, 4.5, -4.0]
    assert [each.within for each in kept] == [True, False, True]
    assert [(each.inside, each.count) for each in kept] == [(1, 1), (1, 2), (2, 3)]

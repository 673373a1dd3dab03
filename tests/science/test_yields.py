"""Yields from counts: the formulas, intervals that hold what they say, and lots that fall off or do not."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from hatchmon.science import parameters as par
from hatchmon.science import yields
from hatchmon.science.normal import Floats
from hatchmon.science.yields import (
    Interval,
    Measure,
    Samples,
    cost_per_million,
    count_likelihood,
    efficiency,
    falling_off,
    hatching_share,
    output_mg_per_g,
    pooled_efficiency,
    pooled_share,
)

CYSTS_PER_G = 250_000.0


def samples(
    rng: np.random.Generator,
    share: float,
    k: int = 3,
    full: float = 150.0,
    mixing: float = par.COUNT_SCATTER.value,
    sorting: float = par.SHARE_SCATTER.value,
) -> Samples:
    """k samples of a batch in which ``share`` hatched; cysts of each vary by ``mixing`` beside chance, the
    share by an intraclass correlation of ``sorting``."""
    cysts = rng.poisson(full * np.exp(rng.normal(-(mixing**2) / 2, mixing, k)))
    size = 1.0 / sorting - 1.0
    hatched = rng.binomial(cysts, rng.beta(share * size, (1.0 - share) * size, k))
    return Samples(tuple(map(int, hatched)), (), tuple(map(int, cysts - hatched)), full * k / CYSTS_PER_G)


def holds(interval: Interval, truth: float) -> bool:
    return interval.low <= truth <= interval.high


# --- one batch ---------------------------------------------------------------------------------


def test_the_formulas() -> None:
    """3 samples of .25 ml from 1 L with 2 g: 264 nauplii in .75 ml are 352,000 in the litre,
    176,000 a gram."""
    counted = Samples((88, 95, 81), (2, 1, 0), (30, 33, 41), grams=2.0 * 0.75 / 1000.0)
    share, per_gram = hatching_share(counted), efficiency(counted)
    assert share is not None
    assert per_gram is not None
    assert share.value == pytest.approx(264 / 371)
    assert per_gram.value == pytest.approx(176_000)
    assert output_mg_per_g(per_gram, 2.42, 0.0).value == pytest.approx(425.92)
    cost = cost_per_million(per_gram, 88.0)
    assert cost is not None
    assert cost.value == pytest.approx(0.5)  # 88 for 176 million
    assert (cost.low, cost.high) == pytest.approx((88e3 / per_gram.high, 88e3 / per_gram.low))


def test_what_was_not_counted_is_not_told() -> None:
    assert hatching_share(Samples((10, 12))) is None
    assert hatching_share(Samples((10, 12), umbrella=(1, 2))) is None
    assert hatching_share(Samples((0, 0), (0, 0), (0, 0))) is None
    assert efficiency(Samples((10, 12), (), (3, 4))) is None
    assert pooled_efficiency([Samples((10, 12), (), (3, 4))]) is None


def test_an_empty_sample_among_others_does_no_harm() -> None:
    assert hatching_share(Samples((0, 30), (0, 0), (0, 10), None)) is not None


def test_none_and_all() -> None:
    none = Samples((0, 0, 0), (), (50, 60, 40), grams=0.0006)
    share, per_gram = hatching_share(none), efficiency(none)
    assert share is not None
    assert per_gram is not None
    assert (share.value, share.low) == (0.0, 0.0)
    assert 0.0 < share.high < 0.03
    assert per_gram.low == per_gram.value == 0.0
    assert 0.0 < per_gram.high < 10_000.0
    assert cost_per_million(per_gram, 100.0) is None
    output = output_mg_per_g(per_gram)
    assert output.low == output.value == 0.0 < output.high < math.inf
    every = hatching_share(Samples((50, 60, 40), (), (0, 0, 0)))
    assert every is not None
    assert (every.value, every.high) == (1.0, 1.0)
    assert 0.97 < every.low < 1.0


@pytest.mark.parametrize(("a", "b"), [(0.5, 0.5), (0.5, 200.5), (3.5, 1.5), (80.0, 30.0), (4e4, 7e4)])
def test_beta_quantiles_against_scipy(a: float, b: float) -> None:
    assert yields._beta_sides(a, b) == pytest.approx(stats.beta.ppf((0.1, 0.9), a, b), rel=2e-3)


@pytest.mark.parametrize("a", [0.5, 1.5, 12.0, 400.0, 1e6])
def test_gamma_quantiles_against_scipy(a: float) -> None:
    assert yields._gamma_sides(a) == pytest.approx(stats.gamma.ppf((0.1, 0.9), a), rel=2e-3)


def test_student_points_against_scipy() -> None:
    assert pytest.approx(stats.t.isf(0.0025, range(5, 11)), abs=1e-4) == yields._LIMIT
    for degrees in (3, 5, 8, 20, 200):
        assert yields.students_t90(degrees) == pytest.approx(stats.t.isf(0.1, degrees), rel=0.01)


def test_scatter_between_samples_widens() -> None:
    even = Samples((100, 101, 99), (), (50, 49, 51), 0.002)
    uneven = Samples((160, 101, 39), (), (20, 49, 81), 0.002)
    for measure in (hatching_share, efficiency):
        narrow, wide = measure(even), measure(uneven)
        assert narrow is not None
        assert wide is not None
        assert narrow.value == wide.value
        assert wide.high - wide.low > 2.0 * (narrow.high - narrow.low)


def test_more_samples_narrow() -> None:
    one, five = Samples((100,), (), (50,), 0.001), Samples((100,) * 5, (), (50,) * 5, 0.005)
    for measure in (hatching_share, efficiency):
        wide, narrow = measure(one), measure(five)
        assert wide is not None
        assert narrow is not None
        assert narrow.high - narrow.low < 0.6 * (wide.high - wide.low)


@pytest.mark.parametrize("k", [1, 3, 6])
def test_intervals_hold_four_in_five(k: int) -> None:
    """Over batches mixed better and worse than assumed; 800 draws, so 80 +- 6 at two standard errors each way
    and the scatter's own doubt."""
    rng = np.random.default_rng(20 + k)
    hits = [0, 0]
    for _ in range(800):
        share = rng.uniform(0.4, 0.9)
        mixing, sorting = rng.choice([0.05, 0.15, 0.25]), rng.choice([0.001, 0.005, 0.012])
        counted = samples(rng, share, k, rng.uniform(60, 400), mixing, sorting)
        for index, (interval, truth) in enumerate(
            ((hatching_share(counted), share), (efficiency(counted), share * CYSTS_PER_G))
        ):
            assert interval is not None
            hits[index] += holds(interval, truth)
    assert all(0.74 < hit / 800 < 0.90 for hit in hits), hits


NUMBERS = st.integers(0, 100_000)


@st.composite
def any_samples(draw: st.DrawFn) -> Samples:
    k = draw(st.integers(1, 8))
    column = st.tuples(*[NUMBERS] * k)
    return Samples(
        draw(column),
        draw(st.one_of(st.just(()), column)),
        draw(st.one_of(st.just(()), column)),
        draw(st.one_of(st.none(), st.floats(1e-6, 5000.0))),
    )


@given(any_samples())
@settings(deadline=None, max_examples=150)
def test_any_count_gives_ordered_finite_numbers(counted: Samples) -> None:
    share, per_gram = hatching_share(counted), efficiency(counted)
    if share is not None:
        assert 0.0 <= share.low <= share.value <= share.high <= 1.0
    if per_gram is not None:
        output = output_mg_per_g(per_gram)
        for interval in (per_gram, output):
            assert 0.0 <= interval.low <= interval.value <= interval.high < math.inf
    likelihood = count_likelihood(counted, (3.0, 1.0), np.linspace(0.0, 1.0, 11))
    assert np.all(np.isfinite(likelihood))
    assert likelihood.max() == pytest.approx(1.0)
    pooled = pooled_share([counted])
    assert 0.0 < pooled.level.low < pooled.level.value < pooled.level.high < 1.0
    assert min(pooled.beta) > 0.0


@given(st.permutations(range(4)))
@settings(deadline=None, max_examples=20)
def test_the_order_of_samples_does_not_matter(order: list[int]) -> None:
    counted = Samples((88, 95, 81, 70), (2, 1, 0, 4), (30, 33, 41, 28), 0.002)
    nauplii, umbrella, unhatched = (
        tuple(each[i] for i in order) for each in (counted.nauplii, counted.umbrella, counted.unhatched)
    )
    other = Samples(nauplii, umbrella, unhatched, counted.grams)
    assert hatching_share(other) == hatching_share(counted)
    assert efficiency(other) == efficiency(counted)


# --- one lot -----------------------------------------------------------------------------------


def test_without_counts_hatchability_is_the_prior() -> None:
    prior = pooled_share([])
    assert prior.level.value == pytest.approx(0.73, abs=0.02)  # median of Beta(2.8, 1.2)
    a, b = prior.beta
    assert a / (a + b) == pytest.approx(par.HATCHABILITY.value, abs=0.002)


def test_pooling_does_not_depend_on_order() -> None:
    rng = np.random.default_rng(3)
    batches = [samples(rng, share) for share in (0.5, 0.6, 0.8)]
    first, per_gram = pooled_share(batches).level, pooled_efficiency(batches)
    assert per_gram is not None
    for order in permutations(batches):
        assert pooled_share(order).level.value == pytest.approx(first.value)
        other = pooled_efficiency(order)
        assert other is not None
        assert other.value == pytest.approx(per_gram.value)


def numbers_of(rng: np.random.Generator, mean: float, grams: float) -> Samples:
    """Three samples with about ``mean`` nauplii each, mixed as assumed."""
    found = rng.poisson(mean * np.exp(par.COUNT_SCATTER.value * rng.normal(size=3)))
    return Samples(tuple(map(int, found)), grams=grams)


@pytest.mark.exhaustive
@pytest.mark.parametrize("batches", [1, 4])
def test_pooled_intervals_hold_four_in_five(batches: int) -> None:
    """The lot's level from the prior, batches spread as assumed; 250 lots, so 80 +- 5 at two
    standard errors."""
    rng = np.random.default_rng(batches)
    hits = [0, 0]
    lots = 250
    for _ in range(lots):
        level = float(np.clip(rng.beta(2.8, 1.2), 0.05, 0.97))
        between = rng.choice([value for value, _ in par.SHARE_BETWEEN], p=[p for _, p in par.SHARE_BETWEEN])
        size = 1.0 / between - 1.0
        counted = [samples(rng, rng.beta(level * size, (1.0 - level) * size)) for _ in range(batches)]
        hits[0] += holds(pooled_share(counted).level, level)
        per_gram = par.EFFICIENCY.value * math.exp(par.EFFICIENCY.sd * rng.normal())
        sd = rng.choice([v for v, _ in par.EFFICIENCY_BETWEEN], p=[p for _, p in par.EFFICIENCY_BETWEEN])
        grams = 300.0 / per_gram
        numbers = [numbers_of(rng, 100.0 * math.exp(sd * rng.normal()), grams) for _ in range(batches)]
        pooled = pooled_efficiency(numbers)
        assert pooled is not None
        hits[1] += holds(pooled, per_gram)
    assert all(0.73 < hit / lots < 0.92 for hit in hits), hits


def test_a_lot_is_known_better_with_more_batches() -> None:
    counted = Samples((100, 110, 95), (), (45, 50, 40), 0.002)
    shares = [pooled_share([counted] * n).level for n in (1, 3, 9)]
    widths = [share.high - share.low for share in shares]
    assert widths == sorted(widths, reverse=True)
    assert shares[-1].value == pytest.approx(305 / 440, abs=0.02)
    a, b = pooled_share([counted] * 9).beta
    assert a / (a + b) == pytest.approx(305 / 440, abs=0.02)
    sd = math.sqrt(a * b / ((a + b) ** 2 * (a + b + 1.0)))
    assert sd > (shares[-1].high - shares[-1].low) / 2.56  # any one batch is less sure than the level


# --- a count while hatching --------------------------------------------------------------------

GRID: Floats = np.linspace(0.02, 0.98, 49)


def peak(counted: Samples, hatchability: tuple[float, float]) -> float:
    return float(GRID[count_likelihood(counted, hatchability, GRID).argmax()])


def test_a_count_of_a_lot_with_known_hatchability_tells_the_share() -> None:
    """Half of 80 % hatchable: 40 of 100 are nauplii."""
    counted = Samples((40, 41, 39), (), (60, 59, 61))
    assert peak(counted, (800.0, 200.0)) == pytest.approx(0.5, abs=0.021)
    known = count_likelihood(counted, (800.0, 200.0), GRID)
    unknown = count_likelihood(counted, (2.8, 1.2), GRID)
    assert (known > 0.1).sum() < (unknown > 0.1).sum()


def test_umbrella_stages_tell_that_it_is_not_over() -> None:
    plain = Samples((70, 72, 71), (), (29, 28, 29))
    waiting = replace(plain, umbrella=(10, 9, 11), unhatched=(19, 19, 18))
    over = replace(plain, umbrella=(0, 0, 0))
    late = GRID > 0.93
    on_waiting, on_over = (count_likelihood(each, (2.8, 1.2), GRID) for each in (waiting, over))
    assert on_waiting[late].max() < 0.02
    assert on_over[late].max() == pytest.approx(1.0)


def test_a_count_without_cysts_or_umbrella_tells_nothing() -> None:
    assert np.all(count_likelihood(Samples((50,)), (2.8, 1.2), GRID) == 1.0)
    assert np.all(count_likelihood(Samples((0,), (0,)), (2.8, 1.2), GRID) == 1.0)
    only_umbrella = count_likelihood(Samples((5,), (60,)), (2.8, 1.2), GRID)
    assert only_umbrella.argmax() < 10
    assert only_umbrella[-1] < 0.05


def test_the_likelihood_is_the_binomial_where_hatchability_is_certain() -> None:
    counted = Samples((30,), (), (0,))
    sharp = count_likelihood(counted, (4e6, 1.0), GRID)
    phi = 1.0 + par.SHARE_SCATTER.value * 29.0
    # The grid of H ends at .995: a fine one is not worth its time.
    assert sharp == pytest.approx((GRID / GRID[-1]) ** (30.0 / phi), rel=0.02, abs=1e-6)


# --- a lot over time ---------------------------------------------------------------------------


def asked_after_each(batches: list[Samples], measure: Measure) -> bool:
    return any(falling_off(batches[:n], measure) is not None for n in range(1, len(batches) + 1))


def noise_of(kind: str, sd: float, rng: np.random.Generator) -> Floats:
    """How ten batches differ on the ln scale, with mean 0 and ``sd``."""
    if kind == "heavy":
        return np.asarray(sd * rng.standard_t(3, 10) / math.sqrt(3.0))
    if kind == "skewed":
        return np.asarray(sd * (1.0 - rng.exponential(size=10)))
    if kind == "mishaps":
        return np.asarray(sd * rng.normal(size=10) - 1.0 * (rng.random(10) < 0.03))
    return np.asarray(sd * rng.normal(size=10))


def found(
    seed: int, lots: int, sd: float, kind: str, measure: Measure = "share", fall: float = 0.0, after: int = 5
) -> float:
    """Share of simulated lots of ten batches that are named, the test being asked after each batch."""
    rng = np.random.default_rng(seed)
    named = 0
    for _ in range(lots):
        noise = noise_of(kind, sd, rng)
        level = 0.65 * np.exp(noise) * np.where(np.arange(10) >= after, 1.0 - fall, 1.0)
        named += asked_after_each([samples(rng, min(float(each), 0.98)) for each in level], measure)
    return named / lots


@pytest.mark.exhaustive
@pytest.mark.parametrize(
    ("sd", "kind", "measure"),
    [
        (0.05, "normal", "share"),
        (0.12, "normal", "share"),
        (0.20, "normal", "share"),
        (0.25, "normal", "share"),
        (0.15, "heavy", "share"),
        (0.15, "skewed", "share"),
        (0.12, "mishaps", "share"),
        (0.12, "normal", "efficiency"),
        (0.20, "normal", "efficiency"),
    ],
)
def test_steady_lots_are_seldom_named(sd: float, kind: str, measure: Measure) -> None:
    """Under 5 % of lots over ten batches; seeded, 500 lots each."""
    assert found(11, 500, sd, kind, measure) < 0.05


@pytest.mark.exhaustive
def test_steady_lots_over_the_usual_range_are_seldom_named() -> None:
    """All the above together: 1 to 2 %."""
    assert np.mean([found(5, 250, sd, "normal") for sd in (0.06, 0.10, 0.14, 0.20)]) < 0.025


@pytest.mark.exhaustive
@pytest.mark.parametrize(
    ("sd", "measure", "power"),
    [
        (0.08, "share", 0.94),
        (0.12, "share", 0.80),
        (0.18, "share", 0.54),
        (0.08, "efficiency", 0.70),
        (0.12, "efficiency", 0.60),
    ],
)
def test_power_for_a_drop_of_30_percent(sd: float, measure: Measure, power: float) -> None:
    """As the docstring of ``falling_off`` says, within 9 points (three standard errors of 250 lots)."""
    assert found(3, 250, sd, "normal", measure, fall=0.3) == pytest.approx(power, abs=0.09)


def steady(share: float, n: int) -> list[Samples]:
    hatched = round(150 * share)
    return [Samples((hatched,) * 3, (), (150 - hatched,) * 3, 450 / CYSTS_PER_G)] * n


def test_a_plain_fall_is_measured() -> None:
    fall = falling_off(steady(0.7, 5) + steady(0.42, 3), "share")
    assert fall is not None
    assert fall.batches == 3
    assert fall.drop.value == pytest.approx(0.4, abs=0.01)
    assert 0.2 < fall.drop.low < fall.drop.value < fall.drop.high < 0.6


def test_a_lot_that_gets_better_is_not_named() -> None:
    assert falling_off(steady(0.42, 5) + steady(0.7, 5), "share") is None


def test_one_failed_batch_is_no_fall() -> None:
    lot = steady(0.7, 5) + steady(0.0, 1)
    assert falling_off(lot, "share") is None
    assert falling_off(lot + steady(0.7, 1), "share") is None
    assert falling_off(lot + steady(0.0, 1), "share") is not None


def test_four_batches_are_too_few() -> None:
    assert falling_off(steady(0.9, 2) + steady(0.1, 2), "share") is None
    assert falling_off([], "share") is None
    assert falling_off([Samples((10,))] * 8, "efficiency") is None


def test_only_the_newest_ten_count() -> None:
    long_ago = steady(0.9, 3) + steady(0.4, 10)
    assert falling_off(long_ago, "share") is None
    assert falling_off(long_ago[:8], "share") is not None


def test_a_scanty_count_weighs_little() -> None:
    lot = steady(0.7, 5)
    scanty = Samples((2,), (), (3,), 5 / CYSTS_PER_G)
    assert falling_off([*lot, scanty, scanty], "share") is None
    assert falling_off(lot + steady(0.4, 2), "share") is not None

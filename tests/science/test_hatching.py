"""The spread of the hatch and the prior belief of a lot."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats
from scipy.integrate import quad
from scipy.optimize import brentq

from hatchmon.science import learning
from hatchmon.science import parameters as par
from hatchmon.science.hatching import (
    CENTRAL_NODE,
    ENERGY_NODES_EV,
    NODE_SHARES,
    OFFSETS,
    Draws,
    Paths,
    reach_h,
    salt_shift,
    share_hatched,
)
from hatchmon.science.learning import LotBelief
from hatchmon.science.normal import Floats, normal_quantile
from hatchmon.science.rates import schoolfield_1981, shape_sd
from tests.science.courses import MEDIAN_LN_H, certain_lot, daily, paths_of, steady

NOW = OFFSETS.size // 2  # the course as expected: no offset


def prior_draws(n: int = 1024, light_known: bool = False, extra_sd: float = 0.0) -> Draws:
    return LotBelief.prior().draws(None, extra_sd, light_known, n)


def hatch_hours(draws: Draws, paths: Paths, shares: list[float]) -> Floats:
    """(n, k) hours at which ``shares`` of each draw's brood have hatched, at 30 g/L."""
    mu = draws.mu(30.0)
    return reach_h(draws, mu[:, None] + normal_quantile(shares) * draws.sigma[:, None], paths)[:, NOW]


# ---- what is believed of an unknown lot ----

# deg C: T50, its 80 % band, T90, its 80 % band; h. Computed once, apart from this program, from the
# same prior. Bands were written down in whole hours.
PRIOR_TABLE = {
    15: (54.0, (38, 78), 67.0, (46, 99)),
    18: (40.0, (29, 56), 49.0, (35, 71)),
    20: (32.9, (24, 46), 40.7, (29, 58)),
    22: (27.1, None, 33.4, (24, 48)),
    25: (20.4, (15, 28), 25.2, (18, 35)),
    28: (15.9, (12, 22), 19.6, (14, 28)),
    30: (13.9, None, 17.2, (12, 25)),
    32: (13.1, None, 16.3, None),
    34: (14.0, None, 17.2, None),
}


@pytest.mark.parametrize("temp_c", PRIOR_TABLE)
def test_prior_hatch_times(temp_c: int) -> None:
    t50, t50_band, t90, t90_band = PRIOR_TABLE[temp_c]
    draws = prior_draws(light_known=True, extra_sd=float(shape_sd(temp_c)))
    hours = hatch_hours(draws, steady(temp_c), [0.5, 0.9])
    for column, median, band in ((0, t50, t50_band), (1, t90, t90_band)):
        low, middle, high = np.quantile(hours[:, column], (0.1, 0.5, 0.9))
        assert middle == pytest.approx(median, rel=0.03)
        if band is not None:
            assert low == pytest.approx(band[0], abs=0.03 * band[0] + 0.5)
            assert high == pytest.approx(band[1], abs=0.03 * band[1] + 0.5)


def test_an_unknown_lot_at_26_c() -> None:
    """90 % hatched: 23.0 h even odds, 29.0 h four times in five; computed with the first light unknown."""
    t90 = hatch_hours(prior_draws(), steady(26.0), [0.9])[:, 0]
    assert np.quantile(t90, (0.5, 0.8)) == pytest.approx([23.0, 29.0], rel=0.01)


def test_prior_margins() -> None:
    """Each unknown by itself is spread as its prior says, against SciPy."""
    draws = prior_draws(light_known=True)
    n = draws.a.size
    p = (np.arange(n) + 0.5) / n
    for values, law in (
        (draws.a, stats.t(5, loc=np.log(20.4), scale=0.186)),
        (np.log(draws.sigma), stats.norm(np.log(0.15), 0.45)),
    ):
        # A grid that ends at 4.5 scales (a) and 2.7 sd (sigma): its spread is right where bands are read.
        for part in (0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95):
            assert np.mean(values < law.ppf(part)) == pytest.approx(part, abs=0.01)
    assert np.log(draws.sigma).std() == pytest.approx(0.45, rel=0.01)
    assert draws.a.std() == pytest.approx(0.24, rel=0.08)
    for values, law in (
        (np.log(draws.moult_h), stats.norm(np.log(10.0), 0.25)),
        (np.log(draws.loss), stats.norm(0.0, 0.157)),
    ):
        np.testing.assert_allclose(np.sort(values), law.ppf(p), rtol=1e-5, atol=1e-6)
    # The scale .186 of the t distribution is a standard deviation of .24.
    assert stats.t(5, scale=0.186).std() == pytest.approx(0.24, abs=5e-4)


def test_prior_of_the_batch_effect_is_a_mixture() -> None:
    for light_known, more in ((True, 0.0), (False, 0.03)):
        u = prior_draws(4096, light_known).u
        sds = np.array(par.OMEGA_VALUES) + more
        for point in (-0.2, -0.1, -0.03, 0.0, 0.05, 0.15):
            share = float(np.dot(par.OMEGA_SHARES, stats.norm.cdf(point / sds)))
            assert np.mean(u < point) == pytest.approx(share, abs=0.01)


def test_prior_of_the_activation_energy() -> None:
    assert NODE_SHARES.sum() == pytest.approx(1.0)
    assert ENERGY_NODES_EV[CENTRAL_NODE] == par.ACTIVATION.value
    energies = ENERGY_NODES_EV[prior_draws().node]
    assert energies.mean() == pytest.approx(0.73, abs=0.001)
    # Seven nodes that end at 2.4 sd keep a little less than the whole spread.
    assert energies.std() == pytest.approx(0.085, rel=0.05)


def test_prior_unknowns_do_not_lean_on_each_other() -> None:
    draws = prior_draws()
    columns = np.array([getattr(draws, name) for name in Draws.__slots__], dtype=np.float64)
    off_diagonal = stats.spearmanr(columns.T).statistic - np.eye(len(columns))
    assert np.abs(off_diagonal).max() < 0.06


def test_prior_is_the_same_every_time() -> None:
    first = prior_draws(512)
    learning._points.cache_clear()
    learning._kernel_cached.cache_clear()
    again = prior_draws(512)
    for name in Draws.__slots__:
        np.testing.assert_array_equal(getattr(first, name), getattr(again, name))


def test_five_offsets_stand_for_a_normal_distribution() -> None:
    assert OFFSETS.mean() == pytest.approx(0.0, abs=1e-15)
    # Fifths of a normal have these means up to rounding; their spread is a little under 1.
    edges = special.ndtri(np.linspace(0.0, 1.0, 6))
    means = 5.0 * -np.diff(stats.norm.pdf(edges))
    np.testing.assert_allclose(OFFSETS, means, atol=0.06)


def test_first_light_unknown_widens_the_batch_effect() -> None:
    assert prior_draws().u.std() > prior_draws(light_known=True).u.std() + 0.02


def test_salt_slows_and_unknown_salt_is_taken_as_30() -> None:
    draws = certain_lot()
    assert draws.mu(None) == pytest.approx(draws.mu(30.0))
    assert draws.mu(30.0) == pytest.approx(MEDIAN_LN_H)
    assert draws.mu(40.0) == pytest.approx(MEDIAN_LN_H + 0.1)
    assert salt_shift(None) == (0.0, 0.0)
    assert salt_shift(35.0) == pytest.approx((0.05, 0.03))
    assert salt_shift(20.0) == pytest.approx((-0.10, 0.06))
    # The slope is known from 10 to 45 g/L: beyond, its ends count.
    assert salt_shift(70.0) == pytest.approx((0.15, 0.09))
    assert salt_shift(0.0) == salt_shift(10.0) == pytest.approx((-0.20, 0.12))


@pytest.mark.parametrize("extra_sd", [0.05, 0.3])
def test_doubt_of_curve_and_gaps_adds_to_the_batch_effect(extra_sd: float) -> None:
    """Independent of what differs from batch to batch anyway: the variances add."""
    u = prior_draws(4096, light_known=True, extra_sd=extra_sd).u
    sds = np.hypot(par.OMEGA_VALUES, extra_sd)
    for point in (-0.3, -0.1, -0.03, 0.0, 0.05, 0.2):
        share = float(np.dot(par.OMEGA_SHARES, stats.norm.cdf(point / sds)))
        assert np.mean(u < point) == pytest.approx(share, abs=0.01)


# ---- when the clock reaches a mark ----


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("temp_c", [13.0, 20.0, 25.0, 33.0])
def test_reach_in_steady_water_against_a_root_search(temp_c: float, share: float) -> None:
    """Steady water: progress is a straight line, so the path's grid costs nothing."""
    mark = 20.4 * np.exp(0.15 * special.ndtri(share))
    root = brentq(lambda h: float(schoolfield_1981(temp_c)) * h - mark, 0.0, 400.0, xtol=1e-12)
    found = hatch_hours(certain_lot(), steady(temp_c), [share])
    assert float(found[0, 0]) == pytest.approx(root, abs=1e-6)


@pytest.mark.parametrize(("every_h", "off_h"), [(1 / 600, 1e-6), (1 / 60, 1e-4), (1 / 6, 1e-3)])
def test_reach_in_swinging_water_against_a_root_search(every_h: float, off_h: float) -> None:
    """A +-4 C day. The path is straight between its points, so a coarse grid costs a little: under four
    seconds at the ten minutes of a real forecast."""
    hours = np.arange(0.0, 40.0, every_h)
    found = hatch_hours(certain_lot(), paths_of(hours, daily(hours, 24.0, 4.0, 5.0)), [0.1, 0.5, 0.9])

    def rate(h: float) -> float:
        return float(schoolfield_1981(daily(h, 24.0, 4.0, 5.0)))

    for column, share in enumerate((0.1, 0.5, 0.9)):
        mark = 20.4 * np.exp(0.15 * special.ndtri(share))
        root = brentq(lambda h, m=mark: quad(rate, 0.0, h, epsabs=1e-10, limit=200)[0] - m, 5.0, 39.0)
        assert float(found[0, column]) == pytest.approx(root, abs=off_h)


def test_reach_beyond_the_path_is_its_end() -> None:
    short = steady(25.0, hours=10.0)
    assert hatch_hours(certain_lot(), short, [0.5, 0.9]).tolist() == [[10.0, 10.0]]


def test_every_draw_reads_the_path_of_its_own_activation_energy() -> None:
    draws = prior_draws(256)
    hours = hatch_hours(draws, steady(18.0), [0.5])[:, 0]
    expected = np.exp(draws.mu(30.0))
    expected /= schoolfield_1981(18.0, ENERGY_NODES_EV)[draws.node]
    np.testing.assert_allclose(hours, np.minimum(expected, 400.0), rtol=1e-9)


# ---- the share hatched ----


@st.composite
def courses(draw: st.DrawFn) -> Paths:
    """Water anywhere from -10 to 60 C over two days."""
    temps = draw(st.lists(st.floats(-10.0, 60.0), min_size=2, max_size=12))
    hours = np.linspace(0.0, 48.0, 97)
    return paths_of(hours, np.interp(hours, np.linspace(0.0, 48.0, len(temps)), temps))


@given(courses())
@settings(max_examples=50, deadline=None)
def test_the_share_hatched_never_falls(paths: Paths) -> None:
    draws = prior_draws(128, extra_sd=0.05)
    mu = draws.mu(30.0)
    shares = [share_hatched(draws, mu, paths.q[:, NOW, at]) for at in range(0, paths.hours.size, 4)]
    assert np.all(np.isfinite(shares))
    assert shares[0] == pytest.approx(0.0, abs=1e-6)
    assert np.all(np.diff(shares) >= -1e-15)
    assert shares[-1] <= 1.0


def test_the_share_hatched_of_a_certain_lot() -> None:
    draws = certain_lot(sigma=0.2)
    for q in (15.0, 20.4, 26.0):
        share = share_hatched(draws, draws.a, np.full(ENERGY_NODES_EV.size, q))
        assert share == pytest.approx(special.ndtr(np.log(q / 20.4) / 0.2), abs=1e-12)
    assert share_hatched(draws, draws.a, np.zeros(ENERGY_NODES_EV.size)) == 0.0


def test_times_and_shares_agree() -> None:
    """At a draw's own T90 its share is .9: the two functions are each other's inverse."""
    draws = prior_draws(64)
    paths = steady(22.0)
    mu = draws.mu(30.0)
    t90 = reach_h(draws, mu[:, None] + normal_quantile([0.9]) * draws.sigma[:, None], paths)[:, NOW, 0]
    for index in range(0, 64, 9):
        one = Draws(**{name: getattr(draws, name)[index : index + 1] for name in Draws.__slots__})
        q = np.array([np.interp(t90[index], paths.hours, row) for row in paths.q[:, NOW]])
        assert share_hatched(one, mu[index : index + 1], q) == pytest.approx(0.9, abs=1e-9)


@given(st.floats(12.0, 30.0), st.floats(12.0, 30.0))
@settings(max_examples=40, deadline=None)
def test_warmer_is_never_later_between_12_and_30_c(one: float, other: float) -> None:
    """Draw by draw, the doubt about the curve's shape apart: it widens towards both ends."""
    draws = prior_draws(256)
    shares = [0.5, 0.9]
    cool = hatch_hours(draws, steady(min(one, other)), shares)
    warm = hatch_hours(draws, steady(max(one, other)), shares)
    assert np.all(warm <= cool + 1e-9)


@given(st.floats(12.0, 30.0), st.floats(0.0, 3.0), st.floats(0.0, 24.0))
@settings(max_examples=25, deadline=None)
def test_a_whole_day_made_warmer_is_never_later(mean_c: float, more_c: float, start_h: float) -> None:
    hours = np.arange(0.0, 200.0, 0.25)
    course = np.clip(daily(hours, mean_c, 3.0, start_h), 12.0, 30.0)
    cool = hatch_hours(certain_lot(), paths_of(hours, course), [0.5, 0.9])
    warm = hatch_hours(certain_lot(), paths_of(hours, np.minimum(course + more_c, 30.0)), [0.5, 0.9])
    assert np.all(warm <= cool + 1e-9)

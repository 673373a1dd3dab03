"""Lots and sites told apart: against a dense computation, and against simulated truth."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from hatchmon.science.effects import FEWEST, Effects, crossed_effects, grid
from hatchmon.science.normal import Floats


def invented(
    rng: np.random.Generator, n: int, lots: int, sites: int, sds: tuple[float, float, float], mean: float
) -> tuple[Floats, Any, Any, Floats, Floats]:
    """(values, lots, sites, true levels of the lots over the sites, true effects of the sites beside their
    mean); every lot and site occurs."""
    of_lot = np.concatenate((np.arange(lots), rng.integers(lots, size=n - lots)))
    of_site = rng.permutation(np.concatenate((np.arange(sites), rng.integers(sites, size=n - sites))))
    lot, site = rng.normal(0, sds[0], lots), rng.normal(0, sds[1], sites)
    values = mean + lot[of_lot] + site[of_site] + rng.normal(0, sds[2], n)
    return values, of_lot, of_site, mean + lot + site.mean(), site - site.mean()


def dense(values: Floats, of_lot: Any, of_site: Any, ratios: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of each lot level and site effect by the whole n x n covariance of the values, and
    their likelihood by contrasts that are free of the mean."""
    n = values.size
    z_lot, z_site = np.eye(of_lot.max() + 1)[of_lot], np.eye(of_site.max() + 1)[of_site]
    z = np.hstack((z_lot, z_site))
    one = np.ones(n)
    lots, sites = z_lot.shape[1], z_site.shape[1]
    ln_weights, means, seconds = [], [], []
    for a in ratios:
        for b in ratios:
            g = np.diag(np.concatenate((np.full(lots, a**2), np.full(sites, b**2))))
            v = np.eye(n) + z @ g @ z.T
            inverse = np.linalg.inv(v)
            precision = one @ inverse @ one
            mu = one @ inverse @ values / precision
            off = values - mu
            square = off @ inverse @ off
            # Contrasts free of the mean are multivariate t; their density is the likelihood of a and b.
            basis = np.linalg.svd(one[None, :])[2][1:]
            t = basis @ v @ basis.T
            ln_weights.append(-0.5 * np.linalg.slogdet(t)[1] - (n - 1) / 2 * np.log(square))
            s2 = square / (n - 3)  # mean of s^2 given the values
            effects = g @ z.T @ inverse @ off
            gain = g @ z.T @ inverse @ (np.eye(n) - np.outer(one, one @ inverse) / precision)
            cov_effects = g - gain @ z @ g
            cov_mean = 1.0 / precision
            cov_both = -(g @ z.T @ inverse @ one) / precision
            whole = np.block(
                [[np.full((1, 1), cov_mean), cov_both[None, :]], [cov_both[:, None], cov_effects]]
            )
            even = np.full(sites, 1.0 / sites)
            levels = np.hstack((np.ones((lots, 1)), np.eye(lots), np.tile(even, (lots, 1))))
            beside = np.hstack((np.zeros((sites, 1 + lots)), np.eye(sites) - even))
            asked = np.vstack((levels, beside))
            level = asked @ np.concatenate(([mu], effects))
            means.append(level)
            seconds.append(s2 * np.diag(asked @ whole @ asked.T) + level**2)
    weights = np.exp(np.array(ln_weights) - max(ln_weights))
    weights /= weights.sum()
    mean = weights @ np.array(means)
    return mean, weights @ np.array(seconds) - mean**2


def told(effects: Effects | None) -> tuple[Floats, Floats]:
    assert effects is not None
    both = [*effects.lots, *effects.sites]
    sds = [(each.high - each.low) / 2.0 / stats.norm.ppf(0.9) for each in both]
    return np.array([each.value for each in both]), np.array(sds)


@pytest.mark.parametrize("seed", range(4))
def test_it_is_what_the_whole_covariance_gives(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values, of_lot, of_site, *_ = invented(rng, 14 + 9 * seed, 4, 3, (0.1, 0.05, 0.08), 3.0)
    mean, sd = told(crossed_effects(values, of_lot, of_site))
    expected, variance = dense(values, of_lot, of_site, grid())
    assert mean == pytest.approx(expected, abs=1e-8)
    assert sd == pytest.approx(np.sqrt(variance), rel=1e-6)


def test_the_grid_is_fine_enough() -> None:
    """Against sixty parts of the half-Cauchy in place of twelve: a tenth of a standard deviation at most."""
    rng = np.random.default_rng(11)
    values, of_lot, of_site, *_ = invented(rng, 30, 4, 5, (0.1, 0.05, 0.08), 0.0)
    mean, sd = told(crossed_effects(values, of_lot, of_site))
    fine = stats.halfcauchy.ppf((np.arange(60) + 0.5) / 60)
    expected, variance = dense(values, of_lot, of_site, fine)
    assert np.max(np.abs(mean - expected) / np.sqrt(variance)) < 0.1
    assert sd == pytest.approx(np.sqrt(variance), rel=0.1)


@pytest.mark.parametrize(
    ("sds", "n", "lots", "sites"),
    [
        ((0.10, 0.05, 0.10), 400, 6, 12),
        ((0.10, 0.00, 0.10), 60, 6, 5),
        ((0.02, 0.20, 0.05), 40, 3, 8),
    ],
)
def test_the_intervals_hold_the_truth_as_often_as_they_say(
    sds: tuple[float, float, float], n: int, lots: int, sites: int
) -> None:
    rng = np.random.default_rng(n + 1)
    held: dict[str, list[bool]] = {"lots": [], "sites": []}
    for _ in range(60):
        values, of_lot, of_site, lot, site = invented(rng, n, lots, sites, sds, 0.02)
        effects = crossed_effects(values, of_lot, of_site)
        assert effects is not None
        for name, found, truth in (("lots", effects.lots, lot), ("sites", effects.sites, site)):
            held[name] += [a.low <= t <= a.high for a, t in zip(found, truth, strict=True)]
    # 80 % meant; with 180 to 720 dependent draws a few hundredths either way, and on the wide side where
    # there is no difference at all.
    for name, hits in held.items():
        assert 0.72 <= np.mean(hits) <= (1.0 if min(sds[:2]) == 0.0 else 0.9), name


def test_many_batches_speak_for_themselves_and_few_are_drawn_to_the_mean() -> None:
    rng = np.random.default_rng(5)
    of_lot = np.repeat([0, 1, 2, 3], [150, 150, 150, 1])
    of_site = np.tile([0, 1, 2], 151)[: of_lot.size]
    lot = np.array([-0.1, 0.0, 0.1, 0.4])
    values = lot[of_lot] + rng.normal(0, 0.1, of_lot.size)
    effects = crossed_effects(values, of_lot, of_site)
    assert effects is not None
    assert effects.lots[0].value == pytest.approx(-0.1, abs=0.03)
    assert effects.lots[2].value == pytest.approx(0.1, abs=0.03)
    raw = float(values[-1])
    assert 0.1 < effects.lots[3].value < raw - 0.02
    widths = [each.high - each.low for each in effects.lots]
    assert widths[3] > 3.0 * widths[0]
    assert all(abs(each.value) < 0.02 for each in effects.sites)


def test_a_lot_at_a_slow_site_is_not_blamed_for_it() -> None:
    """Lot 1 hatches at the slow site mostly: by plain means it would look as slow as the site."""
    rng = np.random.default_rng(8)
    of_lot = np.array([0] * 60 + [1] * 60 + [2] * 60)
    of_site = np.array(([0] * 27 + [1] * 27 + [2] * 6) + ([0] * 3 + [1] * 3 + [2] * 54) + [0, 1, 2] * 20)
    values = 0.3 * (of_site == 2) + rng.normal(0, 0.05, of_lot.size)
    assert values[of_lot == 1].mean() - values[of_lot == 0].mean() > 0.2
    effects = crossed_effects(values, of_lot, of_site)
    assert effects is not None
    assert abs(effects.lots[1].value - effects.lots[0].value) < 0.04
    assert effects.sites[2].value - effects.sites[0].value == pytest.approx(0.3, abs=0.04)


def test_too_little_to_tell_is_not_told() -> None:
    assert crossed_effects([0.1] * (FEWEST - 1), [0] * (FEWEST - 1), [0] * (FEWEST - 1)) is None
    assert crossed_effects([0.1] * 10, [0] * 10, [0] * 10) is None


def test_one_lot_at_one_site_gives_its_mean() -> None:
    values = [0.1, 0.2, 0.0, 0.15, 0.05, 0.1, 0.12, 0.08]
    effects = crossed_effects(values, [0] * 8, [0] * 8)
    assert effects is not None
    assert effects.lots[0].value == pytest.approx(np.mean(values), abs=0.01)
    assert effects.sites[0].value == effects.sites[0].low == pytest.approx(0.0)

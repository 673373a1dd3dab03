"""What is due to the lot and what to the site, when many sites hatch the same lots.

Model: y = mu + lot + site + rest, with lot ~ N(0, (a s)^2), site ~ N(0, (b s)^2), rest ~ N(0, s^2), all
independent. Prior: mu and ln s flat; a and b, the two differences measured in units of the rest, half-Cauchy
with scale ``EFFECT_SCALE`` (Gelman 2006, Bayesian Analysis 1:515-533, advises a half-Cauchy for the standard
deviation of groups; its scale in units of the rest is our choice). So few batches say little of a lot or a
site, which then stays near the mean of all, and many speak for themselves.

What is told is of these sites, not of others that might be: a lot's level is its mean over all of them, each
weighing the same, and a site's effect is how far it lies from their mean.

Given a and b, mu and all effects follow from Henderson's mixed model equations (Henderson 1975, Biometrics
31:423-447) and, s integrated out, are Student t with n - 1 degrees of freedom. a and b are integrated over a
grid of equal prior weight. Intervals hold 80 %, by mean and variance of the whole mixture taken as normal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hatchmon.science import parameters as par
from hatchmon.science.normal import Floats
from hatchmon.science.yields import Interval

FEWEST = 6  # values; below, the scatter between them is not known
_GRID = 12
_Z90 = 1.2815515655446004


@dataclass(frozen=True, slots=True)
class Effects:
    """``lots``: the level of each lot over all sites, in the unit of y; ``sites``: how far each site lies
    above or below their mean; both in the order of their numbers."""

    lots: tuple[Interval, ...]
    sites: tuple[Interval, ...]


def crossed_effects(values: ArrayLike, lots: ArrayLike, sites: ArrayLike) -> Effects | None:
    """Effects of lots and sites on ``values`` (n,), numbered from 0 without a gap in ``lots`` and ``sites``
    (n,). None with fewer than ``FEWEST`` values, or where all are the same."""
    y = np.asarray(values, dtype=np.float64)
    of_lot, of_site = np.asarray(lots, dtype=np.int64), np.asarray(sites, dtype=np.int64)
    if y.size < FEWEST or float(np.ptp(y)) < 1e-9:
        return None
    middle = float(y.mean())
    left, right = _equations(y - middle, of_lot, of_site)
    square = float(np.sum((y - middle) ** 2))
    number_lots, number_sites = int(of_lot.max()) + 1, int(of_site.max()) + 1
    ratios = grid()
    parts = [_given(left, right, square, y.size, number_lots, a, ratios) for a in ratios]
    ln_weight = np.concatenate([part[0] for part in parts])
    weight = np.exp(ln_weight - ln_weight.max())
    weight /= weight.sum()
    levels, spreads = (np.concatenate([part[i] for part in parts]) for i in (1, 2))
    mean = weight @ levels
    sd = np.sqrt(np.maximum(weight @ (spreads + levels**2) - mean**2, 0.0))

    def intervals(start: int, count: int, shift: float) -> tuple[Interval, ...]:
        return tuple(
            Interval(value + shift, value + shift - _Z90 * wide, value + shift + _Z90 * wide)
            for value, wide in zip(
                mean[start : start + count].tolist(), sd[start : start + count].tolist(), strict=True
            )
        )

    return Effects(intervals(0, number_lots, middle), intervals(number_lots, number_sites, 0.0))


def grid() -> Floats:
    """Ratios of equal prior weight: the middles of equal parts of the half-Cauchy."""
    return np.asarray(
        par.EFFECT_SCALE.value * np.tan(np.pi / 2.0 * (np.arange(_GRID) + 0.5) / _GRID), dtype=np.float64
    )


def _equations(y: Floats, lots: NDArray[np.int64], sites: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """X'X and X'y for the columns mean, lots, sites."""
    numbers = int(lots.max()) + 1, int(sites.max()) + 1
    crossed = np.zeros(numbers)
    np.add.at(crossed, (lots, sites), 1.0)
    by_lot, by_site = crossed.sum(axis=1), crossed.sum(axis=0)
    left = np.block(
        [
            [np.full((1, 1), float(y.size)), by_lot[None, :], by_site[None, :]],
            [by_lot[:, None], np.diag(by_lot), crossed],
            [by_site[:, None], crossed.T, np.diag(by_site)],
        ]
    )
    of_lots, of_sites = np.bincount(lots, y, numbers[0]), np.bincount(sites, y, numbers[1])
    return left, np.concatenate(([y.sum()], of_lots, of_sites))


def _given(
    left: Floats, right: Floats, square: float, n: int, lots: int, a: float, ratios: Floats
) -> tuple[Floats, Floats, Floats]:
    """For the lots' ratio ``a`` and each of the sites' ``ratios`` (k,): ln of the likelihood (k,), levels of
    the lots and effects of the sites (k, lots + sites), and their variances (the same)."""
    sites = left.shape[0] - 1 - lots
    wide = np.broadcast_to(left, (ratios.size, *left.shape)).copy()
    at = np.arange(left.shape[0])
    wide[:, at[1 : 1 + lots], at[1 : 1 + lots]] += a**-2
    wide[:, at[1 + lots :], at[1 + lots :]] += ratios[:, None] ** -2
    inverse = np.linalg.inv(wide)
    solved = inverse @ right
    # y'y less what the effects explain, penalty included; never below what rounding leaves.
    rest = np.maximum(square - solved @ right, 1e-12 * square)
    ln_det = np.linalg.slogdet(wide)[1] + 2.0 * (lots * np.log(a) + sites * np.log(ratios))
    ln_likelihood = -0.5 * ln_det - 0.5 * (n - 1) * np.log(rest)
    told = np.zeros((lots + sites, left.shape[0]))
    told[:lots, 0] = 1.0
    told[at[:-1], at[1:]] = 1.0
    told[:lots, 1 + lots :] += 1.0 / sites
    told[lots:, 1 + lots :] -= 1.0 / sites
    unit = np.sum((told @ inverse) * told, axis=2)
    return ln_likelihood, solved @ told.T, unit * (rest / (n - 3))[:, None]

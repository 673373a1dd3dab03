"""Yields from sample counts: hatching percentage, hatching efficiency, output, cost; a lot that falls off.

Definitions after Sorgeloos et al. 1978 and Van Stappen 1996 (FAO Fisheries Technical Paper 361), as told
in secondary texts: hatching percentage, nauplii out of all full cysts; hatching efficiency, nauplii from a
gram of cysts; output, efficiency times the dry weight of a nauplius.

Every interval holds 80 %. One batch: samples scatter more than chance alone, by a factor phi on the
variance. phi is the mean of an assumed one (``SHARE_SCATTER``, ``COUNT_SCATTER``; weight 3 degrees of
freedom) and Pearson's chi-square of the samples about their pooled mean (weight: samples less one), never
below 1; one sample alone so has the assumed scatter. Counts divided by phi then give a Beta posterior
for a share and a Gamma posterior for a number, both from Jeffreys' prior, which holds at none and at all.
phi is itself uncertain: for the interval it is widened by the ratio of Student's t to the normal, squared.

A lot: batches differ, shares as a Beta and numbers as a Gamma around the lot's own level (beta-binomial
and gamma-Poisson), over a grid of the level and of three sizes of that difference.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from hatchmon.science import parameters as par
from hatchmon.science.hatching import even_points
from hatchmon.science.normal import Floats, normal_quantile

Measure = Literal["share", "efficiency"]
_SIDES = np.array((0.1, 0.9))
_Z90 = 1.2815515655446004
_LN_GAMMA = np.vectorize(math.lgamma, otypes=[np.float64])


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with its 80 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Samples:
    """What k samples of one batch held: numbers of nauplii, embryos in the umbrella stage and unhatched full
    cysts, each (k,), the last two empty where nobody counted them; ``grams`` of cysts went into the water of
    all k samples together, None where that is not known."""

    nauplii: tuple[int, ...]
    umbrella: tuple[int, ...] = ()
    unhatched: tuple[int, ...] = ()
    grams: float | None = None


# --- one batch -------------------------------------------------------------------------------


def hatching_share(samples: Samples) -> Interval | None:
    """Nauplii out of all full cysts, 0 to 1; umbrella stages not counted are taken as none.

    None where unhatched cysts were not counted or the samples were empty.
    """
    counted = _shares(samples)
    if counted is None:
        return None
    x, n, phi = counted
    phi *= _widening(samples)
    low, high = _beta_sides(x / phi + 0.5, (n - x) / phi + 0.5)
    value = x / n
    return Interval(value, min(low, value), max(high, value))


def efficiency(samples: Samples) -> Interval | None:
    """Nauplii per gram of cysts; None where the grams in the samples are not known."""
    counted = _numbers(samples)
    if counted is None:
        return None
    number, grams, phi = counted
    phi *= _widening(samples)
    low, high = _gamma_sides(number / phi + 0.5)
    value = number / grams
    return Interval(value, min(low * phi / grams, value), high * phi / grams)


def output_mg_per_g(
    nauplii_per_g: Interval, dry_ug: float = par.DRY_WEIGHT.value, dry_sd: float = par.DRY_WEIGHT.sd
) -> Interval:
    """Dry weight of nauplii from a gram of cysts, mg; ``dry_ug`` each, with an sd of its ln."""
    value = nauplii_per_g.value * dry_ug / 1000.0
    if value <= 0.0:
        return Interval(0.0, 0.0, nauplii_per_g.high * dry_ug / 1000.0 * math.exp(_Z90 * dry_sd))
    below, above = (
        math.hypot(math.log(side / nauplii_per_g.value), _Z90 * dry_sd) if side > 0.0 else math.inf
        for side in (nauplii_per_g.low, nauplii_per_g.high)
    )
    return Interval(value, value * math.exp(-below), value * math.exp(above))


def cost_per_million(nauplii_per_g: Interval, price_per_kg: float) -> Interval | None:
    """Price of the cysts behind a million nauplii, in the currency of ``price_per_kg``; None without any."""
    if nauplii_per_g.low <= 0.0:
        return None
    of_one = price_per_kg * 1000.0  # price per gram x a million
    return Interval(of_one / nauplii_per_g.value, of_one / nauplii_per_g.high, of_one / nauplii_per_g.low)


def _shares(samples: Samples) -> tuple[float, float, float] | None:
    """(nauplii, full cysts, phi) over all samples."""
    if not samples.unhatched:
        return None
    x = np.array(samples.nauplii, dtype=np.float64)
    n = x + np.array(samples.unhatched)
    if samples.umbrella:
        n += np.array(samples.umbrella)
    x, n = x[n > 0], n[n > 0]
    if n.size == 0:
        return None
    share = float(x.sum() / n.sum())
    assumed = 1.0 + par.SHARE_SCATTER.value * max(float(n.mean()) - 1.0, 0.0)
    variance = n * share * (1.0 - share)
    return float(x.sum()), float(n.sum()), _phi(assumed, x, n * share, variance)


def _numbers(samples: Samples) -> tuple[float, float, float] | None:
    """(nauplii, grams of cysts in the samples, phi) over all samples."""
    if samples.grams is None:
        return None
    x = np.array(samples.nauplii, dtype=np.float64)
    mean = np.full(x.size, x.mean())
    assumed = 1.0 + par.COUNT_SCATTER.value**2 * float(x.mean())
    return float(x.sum()), samples.grams, _phi(assumed, x, mean, mean)


def _phi(assumed: float, x: Floats, expected: Floats, variance: Floats) -> float:
    """How many times its chance variance a count has; see the top of the module."""
    chi2 = float(np.sum((x - expected) ** 2 / variance)) if np.all(variance > 0.0) else 0.0
    degrees = x.size - 1 if np.all(variance > 0.0) else 0
    weight = par.SCATTER_WEIGHT.value
    return max(1.0, (weight * assumed + chi2) / (weight + degrees))


def _widening(samples: Samples) -> float:
    degrees = par.SCATTER_WEIGHT.value + len(samples.nauplii) - 1.0
    return (students_t90(degrees) / _Z90) ** 2


def students_t90(degrees: float) -> float:
    """90 % point of Student's t, from three degrees of freedom up within 1 % (Abramowitz & Stegun 26.7.5;
    from memory)."""
    z = _Z90
    first, second = (z**3 + z) / 4.0, (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    return z + first / degrees + second / degrees**2


def jeffreys_share(hits: int, n: int) -> Interval:
    """Share of ``n`` independent trials (at least one) that hit, with its interval from Jeffreys' prior."""
    low, high = _beta_sides(hits + 0.5, n - hits + 0.5)
    value = hits / n
    return Interval(value, min(low, value), max(high, value))


def _beta_sides(a: float, b: float) -> tuple[float, float]:
    """10 and 90 % quantiles of Beta(a, b), a and b at least one half."""
    # On the angle whose squared sine is the share the density is smooth and its width known.
    centre, width = math.asin(math.sqrt(a / (a + b))), 5.0 / math.sqrt(a + b)
    angle = np.linspace(max(centre - width, 1e-9), min(centre + width, math.pi / 2.0 - 1e-9), 2001)
    ln = (2.0 * a - 1.0) * np.log(np.sin(angle)) + (2.0 * b - 1.0) * np.log(np.cos(angle))
    low, high = np.sin(_quantiles(angle, np.exp(ln - ln.max()))) ** 2
    return float(low), float(high)


def _gamma_sides(a: float) -> tuple[float, float]:
    """10 and 90 % quantiles of Gamma(a) with scale 1, a at least one half."""
    centre = math.sqrt(a)
    root = np.linspace(max(centre - 5.0, 1e-9), centre + 5.0, 2001)  # its sd is about one half
    ln = (2.0 * a - 1.0) * np.log(root) - root**2
    low, high = _quantiles(root, np.exp(ln - ln.max())) ** 2
    return float(low), float(high)


def _quantiles(at: Floats, density: Floats, levels: Floats = _SIDES) -> Floats:
    """Quantiles of a density given on an evenly spaced grid."""
    cells = np.concatenate((np.zeros(1), np.cumsum((density[1:] + density[:-1]) / 2.0)))
    return np.asarray(np.interp(levels * cells[-1], cells, at), dtype=np.float64)


# --- one lot ---------------------------------------------------------------------------------

_SHARE_GRID: Floats = (np.arange(400, dtype=np.float64) + 0.5) / 400.0
_LN_EFFICIENCY_GRID: Floats = np.linspace(math.log(1e3), math.log(2e6), 761)


@dataclass(frozen=True, slots=True)
class LotShare:
    """What is believed of a lot's hatchability: ``level``, its hatched share of full cysts; ``beta``, the two
    numbers of the Beta distribution of any one batch of the lot, its difference from the others included."""

    level: Interval
    beta: tuple[float, float]


def pooled_share(batches: Iterable[Samples]) -> LotShare:
    """A lot's hatchability from samples of its batches, each taken at or near complete hatch.

    Without any it is the prior: an unknown lot. Order does not matter.
    """
    mean, cysts = par.HATCHABILITY.value, par.HATCHABILITY_CYSTS.value
    mu = _SHARE_GRID[:, None]
    between, prior = np.array(par.SHARE_BETWEEN).T
    size = 1.0 / between - 1.0
    a, b = mu * size, (1.0 - mu) * size
    ln = (cysts * mean - 1.0) * np.log(mu) + (cysts * (1.0 - mean) - 1.0) * np.log(1.0 - mu) + np.log(prior)
    for samples in batches:
        counted = _shares(samples)
        if counted is not None:
            x, n, phi = counted
            hit, missed = x / phi, (n - x) / phi
            ln = ln + _LN_GAMMA(a + hit) - _LN_GAMMA(a) + _LN_GAMMA(b + missed) - _LN_GAMMA(b)
            ln = ln + _LN_GAMMA(size) - _LN_GAMMA(size + n / phi)
    weights = np.exp(ln - ln.max())
    weights /= weights.sum()
    on_mu = weights.sum(axis=1)
    expected = float(np.sum(on_mu * _SHARE_GRID))
    within = float(np.sum(weights * mu * (1.0 - mu) * between))
    variance = float(np.sum(on_mu * (_SHARE_GRID - expected) ** 2)) + within
    like_cysts = expected * (1.0 - expected) / variance - 1.0
    return LotShare(
        _grid_interval(_SHARE_GRID, on_mu), (expected * like_cysts, (1.0 - expected) * like_cysts)
    )


def pooled_efficiency(batches: Iterable[Samples]) -> Interval | None:
    """A lot's nauplii per gram from samples of its batches, each taken at or near complete hatch; None where
    no batch has its grams in the samples known."""
    weights, found = _efficiency_weights(batches)
    if not found:
        return None
    band = _grid_interval(_LN_EFFICIENCY_GRID, weights.sum(axis=1))
    return Interval(math.exp(band.value), math.exp(band.low), math.exp(band.high))


def _efficiency_weights(batches: Iterable[Samples]) -> tuple[Floats, bool]:
    """(level, between) weights over the grids, the greatest 1, and whether any batch told something."""
    level = np.exp(_LN_EFFICIENCY_GRID)[:, None]
    between, prior = np.array(par.EFFICIENCY_BETWEEN).T
    shape = between**-2.0
    steps = (_LN_EFFICIENCY_GRID - math.log(par.EFFICIENCY.value)) / par.EFFICIENCY.sd
    ln = -0.5 * steps[:, None] ** 2 + np.log(prior)
    found = False
    for samples in batches:
        counted = _numbers(samples)
        if counted is not None:
            number, grams, phi = counted
            seen, expected = number / phi, level * grams / phi
            ln = ln + _LN_GAMMA(shape + seen) - _LN_GAMMA(shape) + shape * np.log(shape)
            ln = ln + seen * np.log(expected) - (shape + seen) * np.log(shape + expected)
            found = True
    return np.exp(ln - ln.max()), found


def efficiency_of_batches(batches: Iterable[Samples], count: int, n: int) -> Floats:
    """(count, n) equally likely nauplii per gram of ``count`` batches to come of one lot, from samples of its
    earlier ones (as for ``pooled_efficiency``; without any, an unknown lot). The i-th values of all batches
    have the same lot; they differ as batches of a lot do."""
    weights, _ = _efficiency_weights(batches)
    between = np.array(par.EFFICIENCY_BETWEEN)[:, 0]
    points = even_points(n, 2)
    on_level = weights.sum(axis=1)
    level = np.exp(_quantiles(_LN_EFFICIENCY_GRID, on_level, (np.arange(n) + 0.5) / n))
    row = np.clip(np.searchsorted(_LN_EFFICIENCY_GRID, np.log(level)), 0, on_level.size - 1)
    cumulative = np.cumsum(weights[row], axis=1)
    cell = np.sum(cumulative < points[:, :1] * cumulative[:, -1:], axis=1)
    sd = between[np.minimum(cell, between.size - 1)]
    normal = normal_quantile(points[:, 1])
    mixed = np.random.default_rng(count * n)  # seeded: the same every time
    steps = np.stack([normal] + [normal[mixed.permutation(n)] for _ in range(count - 1)])
    # Gamma with mean 1 and shape 1 / sd^2 (Wilson & Hilferty 1931).
    around = np.maximum(1.0 - sd**2 / 9.0 + steps * sd / 3.0, 0.0) ** 3
    return np.asarray(level * around, dtype=np.float64)


def _grid_interval(at: Floats, weights: Floats) -> Interval:
    low, value, high = _quantiles(at, weights, np.array((0.1, 0.5, 0.9)))
    return Interval(float(value), float(low), float(high))


def count_likelihood(samples: Samples, hatchability: tuple[float, float], hatched: Floats) -> Floats:
    """(m,) how likely the samples are for each share ``hatched`` (m,) of the eventual hatch; greatest is 1.

    Of all full cysts F H are nauplii, and of those still to hatch, (1 - F) H, a part g is in the umbrella
    stage. H ~ Beta(``hatchability``) and g, uniform between 0 and 1 (assumed), are integrated out. Without
    unhatched cysts only nauplii against umbrella stages tell; without either, nothing does (all 1).
    """
    x = float(sum(samples.nauplii))
    waiting = float(sum(samples.umbrella))
    counted = _shares(samples)
    phi = 1.0 if counted is None else counted[2]
    parts = (np.arange(24) + 0.5) / 24.0
    share = np.clip(np.asarray(hatched, dtype=np.float64), 1e-6, 1.0 - 1e-6)[:, None, None]
    part = parts[None, None, :]
    if counted is None:
        if not samples.umbrella or x + waiting == 0.0:
            return np.ones(share.shape[0])
        phi = 1.0 + par.SHARE_SCATTER.value * max((x + waiting) / len(samples.nauplii) - 1.0, 0.0)
        of_both = share / (share + (1.0 - share) * part)
        ln = x / phi * np.log(of_both) + waiting / phi * np.log1p(-of_both)
    else:
        a, b = hatchability
        h = _SHARE_GRID[None, ::4, None]
        ln = (a - 1.0) * np.log(h) + (b - 1.0) * np.log1p(-h) + x / phi * np.log(share * h)
        rest = counted[1] - x
        if samples.umbrella:
            rest -= waiting
            in_umbrella = h * (1.0 - share) * part
            ln = ln + waiting / phi * np.log(in_umbrella)
            ln = ln + rest / phi * np.log(1.0 - share * h - in_umbrella)
        else:
            ln = ln + rest / phi * np.log1p(-share * h)
    likelihood = np.exp(ln - ln.max()).sum(axis=(1, 2))
    return np.asarray(likelihood / likelihood.max(), dtype=np.float64)


# --- a lot over time -------------------------------------------------------------------------

WATCHED = 10  # newest batches
_BEFORE, _AFTER = 3, 2  # batches that each side of a fall needs at least
_SD0 = 0.15  # between batches, ln of either measure; assumed, weighs two degrees of freedom
_SD0_WEIGHT = 2
# Upper .25 % points of Student's t with 5 to 10 degrees of freedom, computed with SciPy; the .25 % was chosen
# by simulation, so that a steady lot is wrongly named in under 5 % over ten batches.
_LIMIT = (4.7733, 4.3168, 4.0293, 3.8325, 3.6897, 3.5814)


@dataclass(frozen=True, slots=True)
class Fall:
    """A lot gives less than it did: ``batches`` newest ones against those before, ``drop`` as a share of the
    former level (0 to 1)."""

    batches: int
    drop: Interval


def falling_off(batches: Sequence[Samples], measure: Measure) -> Fall | None:
    """Whether a lot's batches, oldest first, have fallen off by ``measure``; to be asked after each batch.

    Of the newest ten batches every cut that leaves three before and two after is tried: difference of the
    mean ln value over its standard error, with the variance shrunk to an assumed .15^2 (two degrees of
    freedom). The largest is held against the upper .25 % point of Student's t, so first after five batches.
    Two batches must agree: one that failed for another reason is no fall of the lot.

    Simulated, three samples of some 150 cysts a batch, asked after each: a steady lot is wrongly named in
    under 5 % over ten batches where batches differ (sd of ln) by .05 to .30, also with heavy or skewed
    tails, and where 3 % of batches fail for reasons of their own. A drop of 30 % after the fifth batch is
    found by the tenth in 94, 80 and 54 of 100 lots whose batches differ by .08, .12 and .18 where shares
    are counted; in 70, 60 and 45 where only nauplii per gram are. A slow decline by 30 % over ten batches
    is found in about a third or less. The drop told is that of the best cut: a little too large.
    """
    y, variance = _levels(batches, measure)
    y, variance = y[-WATCHED:], variance[-WATCHED:]
    if y.size < _BEFORE + _AFTER:
        return None
    weights = _SD0**2 / (_SD0**2 + variance)
    best: tuple[float, int, float, float] | None = None
    for cut in range(_BEFORE, y.size - _AFTER + 1):
        sides = ((y[:cut], weights[:cut]), (y[cut:], weights[cut:]))
        before, after = (float(np.average(v, weights=w)) for v, w in sides)
        squares = sum(
            float(np.sum(w * (v - m) ** 2)) for (v, w), m in zip(sides, (before, after), strict=True)
        )
        s2 = (_SD0_WEIGHT * _SD0**2 + squares) / (_SD0_WEIGHT + y.size - 2)
        error = math.sqrt(s2 * sum(1.0 / float(w.sum()) for _, w in sides))
        fall = before - after
        if best is None or fall / error > best[0]:
            best = (fall / error, y.size - cut, fall, error)
    assert best is not None
    t, newest, fall, error = best
    if t <= _LIMIT[y.size - 5]:
        return None
    reach = students_t90(y.size) * error
    return Fall(newest, Interval(*(1.0 - math.exp(-d) for d in (fall, fall - reach, fall + reach))))


def _levels(batches: Sequence[Samples], measure: Measure) -> tuple[Floats, Floats]:
    """(ln value, its variance from sampling) of each batch that has the measure, both (m,)."""
    counted = [_shares(each) if measure == "share" else _numbers(each) for each in batches]
    known = np.array([each for each in counted if each is not None]).reshape(-1, 3)
    x, of, phi = known.T
    if not x.size:
        return x, x
    # The variance is that of a batch like the others: else one in which nothing hatched would tell nothing.
    level = max(float(x.sum()), 0.5) / float(of.sum())
    expected = level * of
    chance = (1.0 - min(level, 0.999)) / expected if measure == "share" else 1.0 / expected
    return np.log((x + 0.5) / of), phi * chance

"""What is believed of a lot, and how a keeper's notes change it.

A belief is a grid over the lot's unknowns: a = ln tau25, the activation energy E, the spread sigma and
omega, by which one batch differs from the next. The shift u of a single batch is integrated out for
finished batches and kept for the running one, whose looks so move its own forecast.

Within one batch a and u act only through c = a + u, so the likelihood of its notes is computed on a
line of c for each (E, sigma), and the sum over u is one matrix product for each omega.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from hatchmon.science import parameters as par
from hatchmon.science.hatching import ENERGY_NODES_EV, NODE_SHARES, Draws, even_points
from hatchmon.science.normal import Floats, normal_cdf, normal_quantile, student5_density

GLANCE_SD = 0.35  # error of a keeper's eye, probit scale; assumed, no source
WRONG_NOTE = 0.01  # share of notes that belong to another cone or hour; assumed, no source
# However many its notes, one batch makes nothing less likely than this against the likeliest: it rules
# nothing out for good, and beliefs stay numbers.
LEAST_LIKELIHOOD = 1e-12
# A note's likelihood is read from a table of it, which is five times as quick as working it out each time: by
# so many probits either way, beyond which it no longer changes, so many of them a probit. Read off straight
# lines between them it is out by less than 2e-4.
_TABLE_REACH, _TABLE_FINE = 12, 128
A_POINTS = 49
A_REACH = 4.5  # the grid spans this many prior scales either way
C_BEYOND = 0.8
# With the spread within a cell, 11 steps to 2.7 keep the whole sd of ln sigma.
_SIGMA_STEPS = np.linspace(-2.7, 2.7, 11)
SIGMAS: Floats = par.SIGMA.value * np.exp(par.SIGMA.sd * _SIGMA_STEPS)
_PER_SIGMA: Floats = 1.0 / SIGMAS
_SIGMA_SHARES: Floats = np.exp(-0.5 * _SIGMA_STEPS**2) / np.exp(-0.5 * _SIGMA_STEPS**2).sum()
OMEGAS: Floats = np.array(par.OMEGA_VALUES)
_OMEGA_SHARES: Floats = np.array(par.OMEGA_SHARES)

LOT_TO_LOT_SD = 0.20  # of a, between the lots of one keeper; assumed, no source
KEEPER_SD = 0.13  # of mu_k, between keepers; assumed, no source
_T5_SCALE = 1.0 / np.sqrt(5.0 / 3.0)  # scale of a Student-t with 5 degrees of freedom and sd 1


SHARE_Z: Floats = np.linspace(-4.0, 4.0, 161)  # probits of the share hatched that counts are weighed at


@dataclass(frozen=True, slots=True)
class Counted:
    """What samples counted at one moment tell: ``ln_q`` (7,) as of Evidence, ``likely`` (161,) how likely
    the counts are for each share of SHARE_Z, at most 1."""

    ln_q: Floats
    likely: Floats


@dataclass(frozen=True, slots=True)
class Evidence:
    """The notes of one batch, tied to its hatch clock.

    ``ln_q``: (k, 7) ln of the progress at each note for each energy node, less the effect of salt;
    ``z_low``, ``z_high``: (k,) probit bounds of the share seen; ``chance``: (k,) of such a note being
    made by mistake; ``extra_sd``: doubt about ln Q of the whole batch, from gaps and the rate curve;
    ``light_known``: whether it surely had light in its first hours; ``counted``: its sample counts.
    """

    ln_q: Floats
    z_low: Floats
    z_high: Floats
    chance: Floats
    extra_sd: float = 0.0
    light_known: bool = False
    counted: tuple[Counted, ...] = ()

    @property
    def bounds(self) -> Floats:
        """(k, 2) the probit bounds side by side."""
        return np.stack((self.z_low, self.z_high), axis=-1)

    @property
    def empty(self) -> bool:
        """Whether there is nothing to learn from."""
        return self.z_low.size == 0 and not self.counted


@dataclass(frozen=True)
class LotBelief:
    """Belief about one lot: ``weights`` (a, E, sigma, omega) sum to 1 over the grid ``a``."""

    a: Floats
    weights: Floats
    hatches: int = 0
    _c: Floats = field(init=False, repr=False)
    _lots: dict[int, _LotLevel] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        half = (self.a[1] - self.a[0]) / 2.0
        beyond = int(np.ceil(C_BEYOND / half))
        c = self.a[0] + half * np.arange(-beyond, 2 * (self.a.size - 1) + beyond + 1)
        object.__setattr__(self, "_c", c)

    @classmethod
    def prior(
        cls, a_mean: float = float(np.log(par.TAU25.value)), a_scale: float = par.TAU25.sd
    ) -> LotBelief:
        """Before any hatch of the lot: Student-t (5) on a, the model's priors on the rest."""
        steps = np.linspace(-A_REACH, A_REACH, A_POINTS)
        on_a = student5_density(steps)
        weights = np.einsum("a,e,s,o->aeso", on_a / on_a.sum(), NODE_SHARES, _SIGMA_SHARES, _OMEGA_SHARES)
        return cls(a_mean + a_scale * steps, weights)

    def learn(self, evidence: Evidence) -> LotBelief:
        """The belief after the notes of one finished batch."""
        if evidence.empty:
            return self
        weights = self.weights * self._likelihood(evidence)
        return LotBelief(self.a, weights / weights.sum(), self.hatches + 1)

    def unlearn(self, evidence: Evidence) -> LotBelief:
        """The belief before the notes of a batch that it has learned from; what is as good as ruled out
        stays so."""
        if evidence.empty:
            return self
        weights = self.weights / self._likelihood(evidence)
        return LotBelief(self.a, weights / weights.sum(), self.hatches - 1)

    def _likelihood(self, evidence: Evidence) -> Floats:
        """(a, 7, 11, omega) of a batch's notes, its shift integrated out; never zero."""
        line = _line_likelihood(evidence, self._c)  # (c, 7, 11)
        sds = _shift_sds(evidence.extra_sd, evidence.light_known)
        return _over_shifts(self.a, self._c, sds, line)

    def learn_all(self, batches: Iterable[Evidence]) -> LotBelief:
        """The belief after several batches; their order does not matter."""
        belief = self
        for evidence in batches:
            belief = belief.learn(evidence)
        return belief

    @cached_property
    def a_mean_sd(self) -> tuple[float, float]:
        """Mean and sd of a."""
        on_a = self.weights.sum(axis=(1, 2, 3))
        mean = float(np.sum(on_a * self.a))
        return mean, float(np.sqrt(max(np.sum(on_a * (self.a - mean) ** 2), 0.0)))

    def draws(
        self, running: Evidence | None = None, extra_sd: float = 0.0, light_known: bool = False, n: int = 1024
    ) -> Draws:
        """``n`` equally likely sets of the unknowns of a batch of this lot.

        ``running``: the notes of that very batch so far; ``extra_sd``: doubt about its ln Q from gaps and
        the rate curve; a batch whose first hours may have been dark varies a little more.
        """
        if running is not None and running.empty:
            running = None
        sds = _shift_sds(extra_sd, light_known)
        weights = self.weights
        line = None
        if running is not None:
            line = _line_likelihood(running, self._c)
            weights = weights * _over_shifts(self.a, self._c, sds, line)
        points, normal = _points(n)
        if line is None:
            lot = self._lot(n)
            u = sds[lot.on_omega] * normal[:, 4]
        else:
            lot = self._lot_level(weights, points)
            shifts = np.exp(-0.5 * ((self._c - lot.a[:, None]) / sds[lot.on_omega][:, None]) ** 2)
            on_c, within_c = _pick(shifts * line[:, lot.node, lot.on_sigma].T, points[:, 4])
            u = self._c[on_c] + within_c * (self._c[1] - self._c[0]) - lot.a
        return _drawn(lot, u, normal)

    def batches(
        self, count: int, extra_sd: float = 0.0, light_known: bool = False, n: int = 1024
    ) -> list[Draws]:
        """``count`` batches to come of one lot, each as ``n`` equally likely sets of the unknowns: the i-th
        set of every batch has the same lot (a, E, sigma, moult, energy) and a shift u of its own."""
        lot, normal = self._lot(n), _points(n)[1]
        sd = _shift_sds(extra_sd, light_known)[lot.on_omega]
        drawn = [_drawn(lot, sd * normal[:, 4], normal)]
        mixed = np.random.default_rng(count * n)  # seeded: the same every time
        for _ in range(count - 1):
            drawn.append(_drawn(lot, sd * normal[mixed.permutation(n), 4], normal))
        return drawn

    def _lot(self, n: int) -> _LotLevel:
        """Of the belief as it is, kept: a batch without looks asks for it every minute."""
        if n not in self._lots:
            self._lots[n] = self._lot_level(self.weights, _points(n)[0])
        return self._lots[n]

    def _lot_level(self, weights: Floats, points: Floats) -> _LotLevel:
        # One unknown after the other, each given those before it; within a cell all is equally likely.
        on_a, within_a = _pick(weights.sum(axis=(1, 2, 3))[None], points[:, 0])
        node, _ = _pick(weights.sum(axis=(2, 3))[on_a], points[:, 1])
        on_sigma, within_sigma = _pick(weights.sum(axis=3)[on_a, node], points[:, 2])
        on_omega, _ = _pick(weights[on_a, node, on_sigma], points[:, 3])
        step = par.SIGMA.sd * (_SIGMA_STEPS[1] - _SIGMA_STEPS[0])
        return _LotLevel(
            a=self.a[on_a] + within_a * (self.a[1] - self.a[0]),
            node=node,
            on_sigma=on_sigma,
            sigma=SIGMAS[on_sigma] * np.exp(within_sigma * step),
            on_omega=on_omega,
        )


@dataclass(frozen=True, slots=True)
class _LotLevel:
    """What the batches of a lot share, all (n,)."""

    a: Floats
    node: NDArray[np.int64]
    on_sigma: NDArray[np.int64]
    sigma: Floats
    on_omega: NDArray[np.int64]


def _drawn(lot: _LotLevel, u: Floats, normal: Floats) -> Draws:
    return Draws(
        a=lot.a,
        u=u,
        node=lot.node,
        sigma=lot.sigma,
        moult_h=par.MOULT.value * np.exp(par.MOULT.sd * normal[:, 5]),
        loss=np.exp(par.ENERGY_LOSS.sd * normal[:, 6]),
    )


def keeper_prior(finished: Sequence[tuple[float, float]]) -> LotBelief:
    """The prior of a new lot, from (mean, sd) of a of the keeper's other lots.

    a ~ N(mu_k, .20^2) around the keeper's own mu_k ~ N(ln 20.4, .13^2); with no lot yet, the general prior.
    """
    precision = 1.0 / KEEPER_SD**2
    total = float(np.log(par.TAU25.value)) * precision
    for mean, sd in finished:
        weight = 1.0 / (LOT_TO_LOT_SD**2 + sd**2)
        precision += weight
        total += weight * mean
    sd = float(np.sqrt(LOT_TO_LOT_SD**2 + 1.0 / precision))
    return LotBelief.prior(total / precision, sd * float(_T5_SCALE))


def _line_likelihood(evidence: Evidence, c: Floats) -> Floats:
    """(c, 7, 11) likelihood of a batch's notes against the greatest, for each c = a + u, energy node and
    sigma."""
    total = np.zeros((c.size, ENERGY_NODES_EV.size, SIGMAS.size))
    for ln_q, low, high, chance in zip(
        evidence.ln_q, evidence.z_low, evidence.z_high, evidence.chance, strict=True
    ):
        z = (ln_q[None, :, None] - c[:, None, None]) * _PER_SIGMA
        total += _read_off(_note_table(float(low), float(high), WRONG_NOTE * float(chance)), z)
    for counted in evidence.counted:
        z = (counted.ln_q[None, :, None] - c[:, None, None]) / SIGMAS
        likely = np.interp(z, SHARE_Z, counted.likely)
        total += np.log((1.0 - WRONG_NOTE) * likely + WRONG_NOTE * float(counted.likely.mean()))
    return np.asarray(np.maximum(np.exp(total - total.max()), LEAST_LIKELIHOOD), dtype=np.float64)


@lru_cache(maxsize=24)
def _note_table(low: float, high: float, mistake: float) -> Floats:
    """ln of the likelihood of a note with these probit bounds, by the probit of the share that has hatched;
    ``mistake``: the chance of just this note being a wrong one."""
    z = np.linspace(-_TABLE_REACH, _TABLE_REACH, 2 * _TABLE_REACH * _TABLE_FINE + 1)
    below = normal_cdf((high - z) / GLANCE_SD) if np.isfinite(high) else np.ones_like(z)
    above = normal_cdf((low - z) / GLANCE_SD) if np.isfinite(low) else np.zeros_like(z)
    seen = (1.0 - WRONG_NOTE) * np.maximum(below - above, 0.0)
    return np.asarray(np.log(seen + mistake), dtype=np.float64)


def _read_off(table: Floats, z: Floats) -> Floats:
    """The table's values at ``z`` (any shape), which is used up."""
    z += _TABLE_REACH
    z *= _TABLE_FINE
    np.clip(z, 0.0, table.size - 1.001, out=z)
    cell = z.astype(np.int32)
    z -= cell
    return np.asarray(table[cell] + z * np.diff(table)[cell], dtype=np.float64)


def _shift_sds(extra_sd: float, light_known: bool) -> Floats:
    """(omega,) sd of what shifts one batch: more when its first hours may have been dark."""
    dark = 0.0 if light_known else par.OMEGA_DARK.value
    return np.asarray(np.hypot(OMEGAS + dark, extra_sd), dtype=np.float64)


def _over_shifts(a: Floats, c: Floats, sds: Floats, line: Floats) -> Floats:
    """(a, 7, 11, omega) likelihood of a batch's notes, its shift integrated out."""
    on_c = line.reshape(c.size, -1)
    over = np.stack([_kernel(a, c, float(sd)) @ on_c for sd in sds], axis=-1)
    return np.asarray(over.reshape(a.size, *line.shape[1:], sds.size), dtype=np.float64)


@lru_cache(maxsize=4)
def _points(n: int) -> tuple[Floats, Floats]:
    """(n, 7) even points, the first coordinate rising, and the same as steps of a standard normal."""
    points = np.column_stack(((np.arange(n) + 0.5) / n, even_points(n, 6)))
    return points, normal_quantile(points)


def _pick(weights: Floats, p: Floats) -> tuple[NDArray[np.int64], Floats]:
    """At probability ``p`` (n,) of the row's ``weights`` (n or 1, k): the cell, and where within it lies the
    mark, from -.5 to .5 of its width."""
    cumulative = np.cumsum(weights, axis=1)
    wanted = p * cumulative[:, -1]
    at = np.minimum(np.sum(cumulative < wanted[:, None], axis=1), weights.shape[1] - 1)
    rows = np.arange(p.size) if weights.shape[0] > 1 else np.zeros(p.size, dtype=np.int64)
    width = weights[rows, at]
    return at, 0.5 - (cumulative[rows, at] - wanted) / np.maximum(width, 1e-300)


@lru_cache(maxsize=16)  # 74 KB each
def _kernel_cached(a0: float, a_step: float, points: int, c0: float, c_points: int, sd: float) -> Floats:
    a = a0 + a_step * np.arange(points)
    c = c0 + a_step / 2.0 * np.arange(c_points)
    kernel = np.exp(-0.5 * ((c[None, :] - a[:, None]) / sd) ** 2)
    return np.asarray(kernel / kernel.sum(axis=1, keepdims=True), dtype=np.float64)


def _kernel(a: Floats, c: Floats, sd: float) -> Floats:
    """(a, c) chance of c given a when the batch shifts by N(0, sd)."""
    return _kernel_cached(float(a[0]), float(a[1] - a[0]), a.size, float(c[0]), c.size, round(sd, 4))

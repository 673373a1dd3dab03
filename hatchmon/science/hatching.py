"""When a population hatches: the spread around the hatch clock, and what is believed of a lot.

The share hatched once the clock shows Q is ``Phi((ln Q - mu) / sigma)`` with
``mu = a + u + b_s (S - 30)``: a for the lot, u for the batch. Beliefs are carried as equally likely
draws of the unknowns, spread evenly (not at random) so that a forecast is the same every time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hatchmon.science import parameters as par
from hatchmon.science.normal import Floats, normal_cdf

# Activation energies that share one progress path each: +-2.4 sd in steps of .8 sd.
_NODE_STEPS = np.linspace(-2.4, 2.4, 7)
ENERGY_NODES_EV: Floats = par.ACTIVATION.value + par.ACTIVATION.sd * _NODE_STEPS
NODE_SHARES: Floats = np.exp(-0.5 * _NODE_STEPS**2) / np.exp(-0.5 * _NODE_STEPS**2).sum()
CENTRAL_NODE = 3

# Five equally likely steps of a standard normal: what the temperature ahead may do.
OFFSETS: Floats = np.array([-1.35, -0.58, 0.0, 0.58, 1.35])


@dataclass(frozen=True, slots=True)
class Draws:
    """Equally likely sets of the unknowns of one batch; every array has shape (n,).

    ``a``, ``u``: ln h, u with all that shifts this batch alone; ``node``: index into ENERGY_NODES_EV;
    ``sigma``: ln h; ``moult_h``: hours at 25 C; ``loss``: factor on the energy burnt.
    """

    a: Floats
    u: Floats
    node: NDArray[np.int64]
    sigma: Floats
    moult_h: Floats
    loss: Floats

    def mu(self, salinity: float | None) -> Floats:
        """ln Q at which half of the batch has hatched, (n,); ``salinity`` in g/L (None: taken as 30)."""
        return self.a + self.u + salt_shift(salinity)[0]


def salt_shift(salinity: float | None) -> tuple[float, float]:
    """What ``salinity`` (g/L) adds to ln Q at half hatch, and its sd; nothing when unknown (None).

    Beyond the range the slope is known for, the range's end counts.
    """
    if salinity is None:
        return 0.0, 0.0
    excess = min(max(salinity, par.SALT_SLOPE.low), par.SALT_SLOPE.high) - par.SALT_REFERENCE.value
    return par.SALT_SLOPE.value * excess, par.SALT_SLOPE.sd * abs(excess)


def even_points(n: int, dimensions: int) -> Floats:
    """(n, dimensions) points that fill the unit cube evenly: the additive recurrence with powers of
    the generalised golden ratio (Roberts 2018, the R sequence), each column then set to exact ranks."""
    ratio = 2.0
    for _ in range(60):
        ratio = (1.0 + ratio) ** (1.0 / (dimensions + 1))
    steps = (1.0 / ratio) ** np.arange(1, dimensions + 1)
    raw = (0.5 + np.outer(np.arange(1, n + 1), steps)) % 1.0
    ranks = raw.argsort(axis=0).argsort(axis=0)
    return (ranks + 0.5) / n


@dataclass(frozen=True, slots=True)
class Paths:
    """Progress from the start of a batch through its log and on along what may come.

    ``hours``: (h,) from the start, rising; ``q``: (7 nodes, 5 offsets, h) hatch progress, hours at 25 C;
    ``moult``: (5, h) the same at the central node, for the moult; ``loss``: (5, h) share of energy
    burnt, as the exponent.
    """

    hours: Floats
    q: Floats
    moult: Floats
    loss: Floats

    def q_at(self, hours: Floats) -> Floats:
        """(7, k) progress of the nodes at ``hours`` (k,), with the temperature as expected."""
        before = np.minimum(np.maximum(np.searchsorted(self.hours, hours) - 1, 0), self.hours.size - 2)
        from_h = self.hours[before]
        way = (hours - from_h) / (self.hours[before + 1] - from_h)
        way = np.minimum(np.maximum(way, 0.0), 1.0)
        low = self.q[:, OFFSETS.size // 2, before]
        return np.asarray(low + way * (self.q[:, OFFSETS.size // 2, before + 1] - low), dtype=np.float64)


def reach_h(draws: Draws, ln_q: Floats, paths: Paths) -> Floats:
    """Hours at which the clock shows ``exp(ln_q)``: (n, k) -> (n, 5, k); the path's end if later."""
    wanted = np.exp(ln_q.T)
    # Node by node, and each in order: what is asked for in order is found in half the time.
    order = np.argsort(draws.node * (wanted.max(initial=0.0) + 1.0) + wanted, axis=None)
    rising = wanted.ravel()[order]
    out = np.empty((OFFSETS.size, rising.size))
    start = 0
    for node, count in enumerate(np.bincount(draws.node).tolist()):
        rows = slice(start, start := start + count * wanted.shape[0])
        for offset in range(OFFSETS.size):
            out[offset, order[rows]] = np.interp(rising[rows], paths.q[node, offset], paths.hours)
    return out.reshape(OFFSETS.size, *wanted.shape).transpose(2, 0, 1)


def moult_and_loss(draws: Draws, ln_q: Floats, paths: Paths) -> tuple[Floats, Floats]:
    """What the moult's clock and the exponent of energy burnt have come to when the hatch clock shows
    ``exp(ln_q)``, for draws (5, m) that follow one offset each: (5, m, k) -> twice (5, m, k)."""
    path = draws.node * OFFSETS.size + np.arange(OFFSETS.size)[:, None]
    order = np.argsort(path, axis=None)
    wanted = np.exp(ln_q).reshape(path.size, -1)[order]
    both = paths.moult + 1j * paths.loss  # read off at once
    of_path = paths.q.reshape(-1, paths.hours.size)
    out = np.empty(wanted.shape, dtype=np.complex128)
    start = 0
    for number, count in enumerate(np.bincount(path.ravel()).tolist()):
        rows = slice(start, start := start + count)
        out[rows] = np.interp(wanted[rows], of_path[number], both[number % OFFSETS.size])
    found = np.empty_like(out)
    found[order] = out
    found = found.reshape(ln_q.shape)
    return found.real, found.imag


def share_hatched(draws: Draws, mu: Floats, q_by_node: Floats) -> float:
    """Expected share of the eventual hatch when the nodes' clocks show ``q_by_node`` (7,)."""
    q = np.maximum(q_by_node[draws.node], 1e-9)
    return float(np.mean(normal_cdf((np.log(q) - mu) / draws.sigma)))

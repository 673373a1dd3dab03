"""When a population hatches: the spread around the hatch clock, and what is believed of a lot.

The share hatched once the clock shows Q is ``Phi((ln Q - mu) / sigma)`` with
``mu = a + u + b_s (S - 30)``: a for the lot, u for the batch. Beliefs are carried as equally likely
draws of the unknowns, spread evenly (not at random) so that a forecast is the same every time.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hatchmon.science import parameters as par
from hatchmon.science.normal import Floats, normal_cdf, normal_quantile, student5_quantile

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

    ``a``, ``u``: ln h; ``node``: index into ENERGY_NODES_EV; ``sigma``: ln h; ``salt_slope``: ln h per
    g/L; ``shape_z``, ``gap_z``: standard normal; ``moult_h``: hours at 25 C; ``loss``: factor on the
    energy burnt.
    """

    a: Floats
    u: Floats
    node: NDArray[np.int64]
    sigma: Floats
    salt_slope: Floats
    shape_z: Floats
    gap_z: Floats
    moult_h: Floats
    loss: Floats

    def mu(self, salinity: float | None, shape_sd: float, gap_sd: float) -> Floats:
        """ln Q at which half of the batch has hatched, (n,).

        ``salinity`` in g/L (None: taken as 30); ``shape_sd``, ``gap_sd``: extra doubt, sd of ln Q.
        """
        salt = 0.0 if salinity is None else salinity - par.SALT_REFERENCE.value
        doubt = self.shape_z * shape_sd + self.gap_z * gap_sd
        return self.a + self.u + self.salt_slope * salt + doubt


@lru_cache(maxsize=4)
def prior_draws(n: int = 1024, light_known: bool = False) -> Draws:
    """What is believed of a lot that nobody has hatched here yet."""
    p = _even_points(n, 10)
    omega_steps = np.cumsum(par.OMEGA_SHARES)[:-1]
    omega = np.array(par.OMEGA_VALUES)[np.searchsorted(omega_steps, p[:, 2])]
    if not light_known:
        omega = omega + par.OMEGA_DARK.value
    return Draws(
        a=np.log(par.TAU25.value) + par.TAU25.sd * student5_quantile(p[:, 0]),
        u=omega * normal_quantile(p[:, 1]),
        node=np.searchsorted(np.cumsum(NODE_SHARES)[:-1], p[:, 3]),
        sigma=par.SIGMA.value * np.exp(par.SIGMA.sd * normal_quantile(p[:, 4])),
        salt_slope=par.SALT_SLOPE.value + par.SALT_SLOPE.sd * normal_quantile(p[:, 5]),
        shape_z=normal_quantile(p[:, 6]),
        gap_z=normal_quantile(p[:, 7]),
        moult_h=par.MOULT.value * np.exp(par.MOULT.sd * normal_quantile(p[:, 8])),
        loss=np.exp(par.ENERGY_LOSS.sd * normal_quantile(p[:, 9])),
    )


def _even_points(n: int, dimensions: int) -> Floats:
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


def reach_h(draws: Draws, ln_q: Floats, paths: Paths) -> Floats:
    """Hours at which the clock shows ``exp(ln_q)``: (n, k) -> (n, 5, k); the path's end if later."""
    wanted = np.exp(ln_q)
    out = np.empty((ln_q.shape[0], OFFSETS.size, ln_q.shape[1]))
    for node in range(ENERGY_NODES_EV.size):
        rows = np.flatnonzero(draws.node == node)
        if rows.size:
            for offset in range(OFFSETS.size):
                out[rows, offset] = np.interp(wanted[rows], paths.q[node, offset], paths.hours)
    return out


def share_hatched(draws: Draws, mu: Floats, q_by_node: Floats) -> float:
    """Expected share of the eventual hatch when the nodes' clocks show ``q_by_node`` (7,)."""
    q = np.maximum(q_by_node[draws.node], 1e-9)
    return float(np.mean(normal_cdf((np.log(q) - mu) / draws.sigma)))

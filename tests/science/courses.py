"""Water, lots and clocks made up for the tests of the science and of the published values."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from hatchmon.science import parameters as par
from hatchmon.science.clock import progress
from hatchmon.science.hatching import CENTRAL_NODE, ENERGY_NODES_EV, OFFSETS, Draws, Paths
from hatchmon.science.learning import Evidence, LotBelief
from hatchmon.science.normal import Floats, normal_quantile
from hatchmon.science.rates import energy_loss_rate, schoolfield_1981

MEDIAN_LN_H = float(np.log(par.TAU25.value))


def certain_lot(sigma: float = par.SIGMA.value, ln_tau25_h: ArrayLike = MEDIAN_LN_H) -> Draws:
    """A lot of which everything is known, by default the median of the prior; ``ln_tau25_h``: (n,)."""
    a = np.atleast_1d(np.asarray(ln_tau25_h, dtype=np.float64))
    same = np.ones(a.size)
    return Draws(
        a=a,
        u=0.0 * same,
        node=np.full(a.size, CENTRAL_NODE),
        sigma=sigma * same,
        moult_h=par.MOULT.value * same,
        loss=same,
    )


@dataclass(frozen=True)
class CertainBelief(LotBelief):
    """A belief without doubt about the lot: its batches differ by what is asked of ``draws`` alone."""

    sigma: float = par.SIGMA.value

    def draws(
        self, running: Evidence | None = None, extra_sd: float = 0.0, light_known: bool = False, n: int = 400
    ) -> Draws:
        """``certain_lot`` shifted evenly by ``extra_sd``; one draw when there is no doubt at all."""
        lot = certain_lot(self.sigma, np.full(n if extra_sd else 1, MEDIAN_LN_H))
        parts = (np.arange(lot.a.size) + 0.5) / lot.a.size
        return replace(lot, u=extra_sd * normal_quantile(parts))


def certain(sigma: float = par.SIGMA.value) -> CertainBelief:
    """A belief without doubt, by default in the median lot of the prior."""
    prior = LotBelief.prior()
    return CertainBelief(prior.a, prior.weights, sigma=sigma)


def paths_of(hours: ArrayLike, temps_c: ArrayLike) -> Paths:
    """The clocks along one certain course: ``hours`` (h,) from the start, ``temps_c`` (h,)."""
    hours = np.asarray(hours, dtype=np.float64)
    temps = np.broadcast_to(np.asarray(temps_c, dtype=np.float64), hours.shape)
    q = progress(
        hours,
        np.broadcast_to(temps, (ENERGY_NODES_EV.size, hours.size)),
        lambda c: schoolfield_1981(c, ENERGY_NODES_EV[:, None]),
    )
    loss = progress(hours, temps, energy_loss_rate)
    five = (OFFSETS.size, hours.size)
    return Paths(
        hours,
        np.broadcast_to(q[:, None, :], (ENERGY_NODES_EV.size, *five)),
        np.broadcast_to(q[CENTRAL_NODE], five),
        np.broadcast_to(loss, five),
    )


def steady(temp_c: float, hours: float = 400.0) -> Paths:
    """Water that keeps one temperature."""
    return paths_of(np.linspace(0.0, hours, 401), temp_c)


def daily(hours: ArrayLike, mean_c: float, swing_c: float, start_h: float = 0.0) -> Floats:
    """Water that swings over the day, ``start_h`` after the mean on the way up."""
    return np.asarray(
        mean_c + swing_c * np.sin(2 * np.pi * (np.asarray(hours) + start_h) / 24.0), dtype=np.float64
    )

"""Water, lots and clocks made up for the tests of the science and of the published values."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from hatchmon.science import parameters as par
from hatchmon.science.clock import progress
from hatchmon.science.hatching import CENTRAL_NODE, ENERGY_NODES_EV, OFFSETS, Draws, Paths
from hatchmon.science.normal import Floats
from hatchmon.science.rates import energy_loss_rate, schoolfield_1981

MEDIAN_LN_H = float(np.log(par.TAU25.value))


def certain_lot(
    sigma: float = par.SIGMA.value,
    ln_tau25_h: ArrayLike = MEDIAN_LN_H,
    gap_z: ArrayLike = 0.0,
    shape_z: ArrayLike = 0.0,
) -> Draws:
    """A lot of which everything is known, by default the median of the prior; arguments broadcast."""
    a, gaps, shapes = (np.array(each) for each in np.broadcast_arrays(ln_tau25_h, gap_z, shape_z))
    a, gaps, shapes = (np.atleast_1d(each).astype(np.float64) for each in (a, gaps, shapes))
    same = np.ones(a.size)
    return Draws(
        a=a,
        u=0.0 * same,
        node=np.full(a.size, CENTRAL_NODE),
        sigma=sigma * same,
        salt_slope=par.SALT_SLOPE.value * same,
        shape_z=shapes,
        gap_z=gaps,
        moult_h=par.MOULT.value * same,
        loss=same,
    )


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

"""How fast an embryo develops at a temperature, relative to 25 C."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from hatchmon.science import parameters as par
from hatchmon.science.normal import Floats


def schoolfield_1981(temp_c: ArrayLike, activation_ev: ArrayLike = par.ACTIVATION.value) -> Floats:
    """Rate of hatching relative to that at 25 C.

    ``temp_c`` (deg C) and ``activation_ev`` (eV) broadcast. Zero at and below 4 C and from 40 C up.

    Raises ValueError for a temperature that is not finite or lies below absolute zero.

    Schoolfield, Sharpe & Magnuson 1981, J. Theor. Biol. 88:719-731, with its high-temperature half.
    """
    temp_c = np.asarray(temp_c, dtype=np.float64)
    if not np.all(np.isfinite(temp_c)) or np.any(temp_c <= -273.15):
        raise ValueError("temp_c must be finite and above absolute zero")
    kelvin = temp_c + 273.15
    rate = _unscaled(kelvin, activation_ev) / _unscaled(
        np.asarray(par.REFERENCE.value + 273.15), activation_ev
    )
    alive = (temp_c > par.STOP_COLD.value) & (temp_c < par.STOP_HOT.value)
    return np.where(alive, rate, 0.0)


def _unscaled(kelvin: Floats, activation_ev: ArrayLike) -> Floats:
    boltzmann = par.BOLTZMANN.value
    rise = np.exp(np.asarray(activation_ev) / boltzmann * (1.0 / 298.15 - 1.0 / kelvin))
    half_hot_k = par.HALF_HOT.value + 273.15
    fall = 1.0 + np.exp(par.DEACTIVATION.value / boltzmann * (1.0 / half_hot_k - 1.0 / kelvin))
    return np.asarray(rise / fall, dtype=np.float64)


def shape_sd(temp_c: ArrayLike) -> Floats:
    """Doubt about the rate curve itself: sd of ln Q at ``temp_c`` (deg C); see parameters.SHAPE_SD."""
    return np.interp(np.asarray(temp_c, dtype=np.float64), par.SHAPE_TEMP_C, par.SHAPE_SD)


def energy_loss_rate(temp_c: ArrayLike) -> Floats:
    """Relative rate at which an unfed nauplius burns its reserves, per hour (Q10 form).

    Vanhaecke, Lavens & Sorgeloos 1983; Q10 of respiration: Varo, Taylor & Amat 1998.
    """
    exponent = (np.asarray(temp_c, dtype=np.float64) - par.REFERENCE.value) / 10.0
    return np.asarray(par.ENERGY_LOSS.value * par.ENERGY_Q10.value**exponent, dtype=np.float64)

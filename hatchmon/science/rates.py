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
    alive = (temp_c > par.STOP_COLD.value) & (temp_c < par.STOP_HOT.value)
    left = np.where(alive, _FALL_AT_REFERENCE / _fall(kelvin), 0.0)
    rise = np.exp(np.asarray(activation_ev) / par.BOLTZMANN.value * (1.0 / _REFERENCE_K - 1.0 / kelvin))
    return np.asarray(rise * left, dtype=np.float64)


def _fall(kelvin: Floats) -> Floats:
    half_hot_k = par.HALF_HOT.value + 273.15
    heat = par.DEACTIVATION.value / par.BOLTZMANN.value * (1.0 / half_hot_k - 1.0 / kelvin)
    return np.asarray(1.0 + np.exp(heat), dtype=np.float64)


_REFERENCE_K = par.REFERENCE.value + 273.15
_FALL_AT_REFERENCE = float(_fall(np.array(_REFERENCE_K)))


def shape_sd(temp_c: ArrayLike) -> Floats:
    """Doubt about the rate curve itself: sd of ln Q at ``temp_c`` (deg C); see parameters.SHAPE_SD."""
    return np.interp(np.asarray(temp_c, dtype=np.float64), par.SHAPE_TEMP_C, par.SHAPE_SD)


def energy_loss_rate(temp_c: ArrayLike) -> Floats:
    """Relative rate at which an unfed nauplius burns its reserves, per hour (Q10 form).

    Vanhaecke, Lavens & Sorgeloos 1983; Q10 of respiration: Varo, Taylor & Amat 1998.
    """
    exponent = (np.asarray(temp_c, dtype=np.float64) - par.REFERENCE.value) / 10.0
    return np.asarray(par.ENERGY_LOSS.value * par.ENERGY_Q10.value**exponent, dtype=np.float64)

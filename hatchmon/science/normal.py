"""The normal and Student-t distributions and quantiles, vectorised with numpy alone."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Numerator and denominator of Hart (1968) algorithm 5666, highest power first, as given by
# West (2005), "Better approximations to cumulative normal functions", Wilmott Magazine.
# Written from memory; tests hold it against SciPy: 1e-15 within +-7, one part in 1e8 of the lower tail.
_NUMERATOR = (
    3.52624965998911e-02,
    0.700383064443688,
    6.37396220353165,
    33.912866078383,
    112.079291497871,
    221.213596169931,
    220.206867912376,
)
_DENOMINATOR = (
    8.83883476483184e-02,
    1.75566716318264,
    16.064177579207,
    86.7807322029461,
    296.564248779674,
    637.333633378831,
    793.826512519948,
    440.413735824752,
)


def normal_cdf(z: ArrayLike) -> Floats:
    """Share of a standard normal population below ``z`` (any shape); 0 and 1 beyond +-7 (1.3e-12 off)."""
    z = np.asarray(z, dtype=np.float64)
    x = np.minimum(np.abs(z), 7.0)
    tail = np.exp(-0.5 * x * x) * _polynomial(_NUMERATOR, x) / _polynomial(_DENOMINATOR, x)
    tail = np.where(np.abs(z) > 7.0, 0.0, tail)
    return np.where(z > 0, 1.0 - tail, tail)


def _polynomial(coefficients: Sequence[float], x: Floats) -> Floats:
    # As np.polyval, but in place: a quarter of the time for arrays that do not fit the nearest cache.
    total = np.full_like(x, coefficients[0])
    for coefficient in coefficients[1:]:
        total *= x
        total += coefficient
    return total


def quantiles(values: Floats, levels: Floats) -> Floats:
    """(..., k) what np.quantile gives for ``levels`` (k,), on the last axis of ``values``. All is sorted, for
    sorts use the processor's vectors, and the selection of several places does not."""
    rising = np.array(values, order="C")
    rising.sort(axis=-1)
    places = levels * (values.shape[-1] - 1)
    below = places.astype(np.intp)
    above = np.minimum(below + 1, values.shape[-1] - 1)
    low = rising[..., below]
    return np.asarray(low + (places - below) * (rising[..., above] - low), dtype=np.float64)


def normal_quantile(p: ArrayLike) -> Floats:
    """The inverse of ``normal_cdf``; meant for small arrays made once (it loops in Python)."""
    inverse = NormalDist().inv_cdf
    p = np.asarray(p, dtype=np.float64)
    return np.array([inverse(float(x)) for x in p.ravel()]).reshape(p.shape)


def student5_density(t: ArrayLike) -> Floats:
    """Density of Student-t with 5 degrees of freedom."""
    t = np.asarray(t, dtype=np.float64)
    return np.asarray(8.0 / (3.0 * np.pi * np.sqrt(5.0)) * (1.0 + t * t / 5.0) ** -3.0, dtype=np.float64)

"""The hatch clock: development summed over a temperature log.

Rate summation: Curry, Feldman & Smith 1978. The unit of progress is one hour at 25 C.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from hatchmon.science.normal import Floats

LONGEST_STEP_H = 1.0 / 6.0


def step(rate_start: Floats, rate_middle: Floats, rate_end: Floats, hours: ArrayLike) -> Floats:
    """Progress over one interval by Simpson's rule; all arguments broadcast."""
    return np.asarray(hours) * (rate_start + 4.0 * rate_middle + rate_end) / 6.0


def progress(
    times_h: ArrayLike,
    temps_c: ArrayLike,
    rate: Callable[[Floats], Floats],
    longest_step_h: float = LONGEST_STEP_H,
) -> Floats:
    """Progress since the first time of a log, at each time of it.

    ``times_h``: (n,) hours, not falling; ``temps_c``: (n,) or (m, n) deg C, linear in between;
    ``rate``: maps (..., k) temperatures to (..., k) rates; spans longer than ``longest_step_h`` are
    cut into equal pieces. Returns the shape of ``temps_c``.

    Raises ValueError when times fall or anything is not finite.
    """
    times = np.asarray(times_h, dtype=np.float64)
    temps = np.asarray(temps_c, dtype=np.float64)
    if times.ndim != 1 or temps.shape[-1] != times.size:
        raise ValueError("times_h must be one-dimensional and match the last axis of temps_c")
    if not (np.all(np.isfinite(times)) and np.all(np.isfinite(temps))):
        raise ValueError("times_h and temps_c must be finite")
    spans = np.diff(times)
    if np.any(spans < 0):
        raise ValueError("times_h must not fall")
    fine = _subdivided(times, spans, longest_step_h)
    temps_fine = temps if fine.size == times.size else _interpolated(fine, times, temps)
    at_ends = rate(temps_fine)
    at_middles = rate((temps_fine[..., 1:] + temps_fine[..., :-1]) / 2.0)
    steps = step(at_ends[..., :-1], at_middles, at_ends[..., 1:], np.diff(fine))
    total = np.zeros(temps_fine.shape)
    np.cumsum(steps, axis=-1, out=total[..., 1:])
    return total if fine.size == times.size else total[..., np.searchsorted(fine, times)]


def _subdivided(times: Floats, spans: Floats, longest_h: float) -> Floats:
    """``times`` with every span longer than ``longest_h`` cut into equal pieces."""
    pieces = np.maximum(1, np.ceil(spans / longest_h - 1e-9)).astype(np.int64)
    if np.all(pieces == 1):
        return times
    starts = np.repeat(times[:-1], pieces)
    firsts = np.cumsum(pieces) - pieces
    within = np.arange(pieces.sum()) - np.repeat(firsts, pieces)
    fine = starts + within * np.repeat(spans / pieces, pieces)
    return np.append(fine, times[-1])


def _interpolated(fine: Floats, times: Floats, temps: Floats) -> Floats:
    if temps.ndim == 1:
        return np.interp(fine, times, temps)
    rows = temps.reshape(-1, times.size)
    return np.stack([np.interp(fine, times, row) for row in rows]).reshape(*temps.shape[:-1], fine.size)

"""The hatch clock: development summed over a temperature log.

Rate summation: Curry, Feldman & Smith 1978. The unit of progress is one hour at 25 C.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

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

    ``times_h``: (n,) hours, not falling; ``temps_c``: (..., n) deg C, linear in between;
    ``rate``: maps (..., k) temperatures to (..., k) rates, or to several on axes before those; spans longer
    than ``longest_step_h`` are cut into equal pieces. Returns the shape of what ``rate`` gives, k being n.

    Raises ValueError when times fall or anything is not finite.
    """
    times = np.asarray(times_h, dtype=np.float64)
    temps = np.asarray(temps_c, dtype=np.float64)
    if times.ndim != 1 or temps.ndim == 0 or temps.shape[-1] != times.size:
        raise ValueError("times_h must be one-dimensional and match the last axis of temps_c")
    if not (np.all(np.isfinite(times)) and np.all(np.isfinite(temps))):
        raise ValueError("times_h and temps_c must be finite")
    spans = np.diff(times)
    if np.any(spans < 0):
        raise ValueError("times_h must not fall")
    pieces = np.maximum(1, np.ceil(spans / longest_step_h - 1e-9)).astype(np.int64)
    cut = bool(np.any(pieces > 1))
    fine, temps_fine = _subdivided(times, temps, pieces) if cut else (times, temps)
    middles = (temps_fine[..., 1:] + temps_fine[..., :-1]) / 2.0
    rates = rate(np.concatenate((temps_fine, middles), axis=-1))
    at_ends, at_middles = rates[..., : fine.size], rates[..., fine.size :]
    steps = step(at_ends[..., :-1], at_middles, at_ends[..., 1:], np.diff(fine))
    total = np.zeros(at_ends.shape)
    np.cumsum(steps, axis=-1, out=total[..., 1:])
    return total[..., np.concatenate(([0], np.cumsum(pieces)))] if cut else total


def _subdivided(times: Floats, temps: Floats, pieces: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """A log with span i cut into ``pieces[i]`` equal parts; a jump between equal times stays a jump."""
    span = np.repeat(np.arange(pieces.size), pieces)
    share = (np.arange(span.size) - (np.cumsum(pieces) - pieces)[span]) / pieces[span]
    fine = times[span] + share * np.diff(times)[span]
    temps_fine = temps[..., span] + share * np.diff(temps)[..., span]
    return np.append(fine, times[-1]), np.concatenate((temps_fine, temps[..., -1:]), axis=-1)

"""The water between two readings hours apart: the law of cooling from the one to the other.

Newton's law with nothing heating: ``T(t) = R + (T0 - R) exp(-k t)``. Both ends are measured, so one more fact
settles the course: the room R, or the lag k. A gap that the heater has spent working ends as it began, and
the course between equal ends is flat; one that lay in a power cut ends colder.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hatchmon.hatchery.ahead import LAG_LN_SD, LAG_PER_H, LAG_RANGE_PER_H
from hatchmon.science.normal import Floats

Places = NDArray[np.int64]

LONGEST_STEP_H = 1.0 / 6.0
_SLOT_H = 0.25
_STRETCH = 6  # slots that a lag can be fitted to, at least
_TOLD_C = 1.0  # by which the water moved in them, at least
_MOVING_C_PER_H = 0.1
_NOISE_C = 0.05  # of a slot's mean about the law; assumed
_LAGS: Floats = np.geomspace(*LAG_RANGE_PER_H, 40)
_BESIDE_ROOM_C = 0.3  # water so near to the room tells nothing of the lag


def through_gap(gap_h: float, before_c: float, after_c: float, lag_per_h: float) -> tuple[Floats, Floats]:
    """(hours after the first reading, deg C) inside the gap, both (n,), at most ten minutes apart.

    The course at the lag given that leads from ``before_c`` to ``after_c``; a lag of 0 is a straight line.
    """
    pieces = max(1, int(np.ceil(gap_h / LONGEST_STEP_H - 1e-9)))
    hours = np.linspace(0.0, gap_h, pieces + 1)[1:-1]
    done = hours / gap_h
    if lag_per_h > 1e-6:
        done = np.expm1(-lag_per_h * hours) / np.expm1(-lag_per_h * gap_h)
    return hours, before_c + (after_c - before_c) * done


def lag_in_gap(
    gap_h: float, before_c: float, after_c: float, room_c: float | None, own: float | None
) -> float:
    """The lag (per hour) at which the water crossed the gap.

    Where the room was measured and lies beyond both ends, the one that leads past both; else the cone's
    ``own``, fitted from its log; else what is usual.
    """
    if room_c is not None:
        first, last = before_c - room_c, after_c - room_c
        if first * last > 0 and abs(first) > abs(last) > _BESIDE_ROOM_C:
            return float(min(np.log(first / last) / gap_h, LAG_RANGE_PER_H[1]))
    return LAG_PER_H if own is None else own


def own_lag(times_h: Floats, temps_c: Floats, cooling: bool) -> float | None:
    """The lag fitted to the longest stretch of a log (n,) in which the water cooled (or warmed) and nothing
    stopped it, about what is usual; None where it never did. Readings far apart end a stretch."""
    slots = np.floor(times_h / _SLOT_H)
    _, first, counts = np.unique(slots, return_index=True, return_counts=True)
    times = np.add.reduceat(times_h, first) / counts
    temps = np.add.reduceat(temps_c, first) / counts
    rates = np.diff(temps) / np.diff(times)
    goes_on = (rates < -_MOVING_C_PER_H if cooling else rates > _MOVING_C_PER_H) & (
        np.diff(times) <= 2 * _SLOT_H
    )
    edges = np.flatnonzero(np.diff(np.concatenate(([0], goes_on.astype(np.int8), [0]))))
    if not edges.size:
        return None
    spans = edges[1::2] - edges[::2]
    longest = int(np.argmax(spans))
    # Without the slots at either end: in them something else may have begun or ended.
    stretch = slice(edges[2 * longest] + 1, edges[2 * longest + 1])
    if spans[longest] < _STRETCH or np.ptp(temps[stretch]) < _TOLD_C:
        return None
    fits = np.array([_misfit(times[stretch] - times[stretch][0], temps[stretch], lag) for lag in _LAGS])
    weights = -0.5 * fits / _NOISE_C**2 - 0.5 * (np.log(_LAGS / LAG_PER_H) / LAG_LN_SD) ** 2
    share = np.exp(weights - weights.max())
    return float(np.exp(np.sum(share * np.log(_LAGS)) / share.sum()))


def _misfit(times_h: Floats, temps_c: Floats, lag_per_h: float) -> float:
    """Sum of squares left by the best ``R + C exp(-k t)``, in deg C squared."""
    terms = np.stack((np.ones_like(times_h), np.exp(-lag_per_h * times_h)), axis=1)
    best, *_ = np.linalg.lstsq(terms, temps_c, rcond=None)
    return float(np.sum((temps_c - terms @ best) ** 2))


def bridged(
    hours: Floats, temps_c: Floats, room_at: tuple[Floats, Floats], wider_than_h: float
) -> tuple[Floats, Floats, Places]:
    """A log (n,) with its gaps filled in: hours and deg C (m,), and where in them the log's own are (n,).

    ``room_at``: (hours, deg C) of the room's air, where measured.
    """
    kept = np.arange(hours.size)
    gaps = np.flatnonzero(np.diff(hours) > wider_than_h)
    if not gaps.size:
        return hours, temps_c, kept
    new_hours: list[Floats] = []
    new_temps: list[Floats] = []
    for at in gaps:
        gap_h, before_c, after_c = (
            float(hours[at + 1] - hours[at]),
            float(temps_c[at]),
            float(temps_c[at + 1]),
        )
        own = own_lag(hours[: at + 1], temps_c[: at + 1], after_c < before_c)
        room_c = _room_around(room_at, float(hours[at]), float(hours[at + 1]))
        inside, water = through_gap(
            gap_h, before_c, after_c, lag_in_gap(gap_h, before_c, after_c, room_c, own)
        )
        new_hours.append(hours[at] + inside)
        new_temps.append(water)
        kept[at + 1 :] += inside.size
    where = np.repeat(gaps + 1, [each.size for each in new_hours])
    return (
        np.insert(hours, where, np.concatenate(new_hours)),
        np.insert(temps_c, where, np.concatenate(new_temps)),
        kept,
    )


def _room_around(room_at: tuple[Floats, Floats], start_h: float, end_h: float) -> float | None:
    """Mean of the air during a gap and within an hour of it; None where nobody measured it."""
    times, air_c = room_at
    near = (times >= start_h - 1.0) & (times <= end_h + 1.0)
    return float(air_c[near].mean()) if np.any(near) else None

"""When to fill a cone so that the hatch is complete by a wanted time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from hatchmon.hatchery.ahead import Ahead
from hatchmon.hatchery.types import Refused
from hatchmon.hatchery.watch import HORIZON_H, mean_shape_sd, not_predictable, paths_through
from hatchmon.science.hatching import Draws, Paths, reach_h
from hatchmon.science.learning import LotBelief
from hatchmon.science.nauplii import Thresholds, window
from hatchmon.science.normal import Floats, normal_quantile

ROUND_TO = timedelta(minutes=15)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_Z90 = float(normal_quantile(0.9))
_HALVINGS = 15  # of the horizon: under a minute


@dataclass(frozen=True, slots=True)
class BackPlan:
    """``lead_h``: hours from start to 90 % hatched that are enough with the confidence asked for; ``start``:
    that long before the wanted time, a quarter of an hour earlier at most. Seen from that start: ``ready``
    and ``closed``, the chances that 90 % have hatched, and that the harvest window has closed again, by the
    wanted time."""

    lead_h: float
    start: datetime
    ready: float
    closed: float


def back_plan(
    belief: LotBelief,
    ahead: Ahead,
    want: datetime,
    confidence: float,
    thresholds: Thresholds | None = None,
    light_known: bool = True,
    widen: float = 1.0,
) -> BackPlan:
    """When to start a batch of the lot that ``belief`` is about, so that 90 % of what will hatch has hatched
    by ``want`` with chance ``confidence`` (above 0, below 1).

    ``ahead``: the water from its filling on; a room's day is followed from the hour of the start. ``widen``:
    the power by which the record of past forecasts stretches bands. Raises Refused where the water would be
    too cold or warm, or the hatch would take longer than HORIZON_H.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError("confidence must lie between 0 and 1")

    def spare_h(lead_h: float) -> float:
        t90_h = _begun(belief, ahead, want, lead_h, light_known)[3]
        return lead_h - float(np.quantile(_stretched(t90_h, widen), confidence))

    low, high = 0.0, HORIZON_H
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        low, high = (low, middle) if spare_h(middle) >= 0.0 else (middle, high)
    if high == HORIZON_H:
        raise Refused(f"In this water the hatch would take longer than {HORIZON_H:.0f} h.")
    start = _rounded_down(want - timedelta(hours=high))
    lead_h = (want - start) / timedelta(hours=1)
    draws, mu, paths, t90_h = _begun(belief, ahead, want, lead_h, light_known)
    found = window(draws, mu, paths, thresholds)
    # The few draws behind the close are moved by what tells their opening from that of all.
    closes_h = found.closes_h + np.median(found.opens_h) - np.median(found.few_open_h)
    ready, closed = (float(np.mean(_stretched(each, widen) <= lead_h)) for each in (t90_h, closes_h))
    return BackPlan(high, start, ready, closed)


def _begun(
    belief: LotBelief, ahead: Ahead, want: datetime, lead_h: float, light_known: bool
) -> tuple[Draws, Floats, Paths, Floats]:
    """A batch started ``lead_h`` before ``want``: its draws, their ln Q at half hatch, what may come, and
    T90 (n, 5) in hours from the start."""
    start = want - timedelta(hours=lead_h)
    clock_h = start.hour + start.minute / 60.0 + start.second / 3600.0
    ahead = replace(ahead, clock_h=clock_h)
    hours, temps = np.zeros(1), ahead.mean_c(np.zeros(1))
    why = not_predictable(hours, temps, ahead, 0.0)
    if why is not None:
        raise Refused(f"No start can be named: {why}.")
    paths = paths_through(hours, np.zeros((8, 1)), ahead)
    draws = belief.draws(extra_sd=mean_shape_sd(hours, temps, ahead), light_known=light_known)
    mu = draws.mu(None)
    t90_h = reach_h(draws, (mu + _Z90 * draws.sigma)[:, None], paths)[..., 0]
    return draws, mu, paths, t90_h


def _stretched(hours: Floats, power: float) -> Floats:
    middle = float(np.median(hours))
    return np.asarray(middle * (hours / middle) ** power, dtype=np.float64)


def _rounded_down(time: datetime) -> datetime:
    return time - (time - _EPOCH) % ROUND_TO

"""When the keeper is there to begin or harvest."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo

import numpy as np

from hatchmon.hatchery.supply.demand import local_moment
from hatchmon.science.normal import Floats

STEP_H = 0.25


@dataclass(frozen=True, slots=True)
class Absence:
    """Nobody begins or harvests between the two moments. ``fed``: whether somebody else feeds meanwhile,
    from what has been harvested."""

    start: datetime
    end: datetime
    fed: bool = True


@dataclass(frozen=True, slots=True)
class Presence:
    """Spans in which the keeper is there: ``spans_h`` (n, 2) hours from an origin, rising and apart."""

    spans_h: Floats

    def next_h(self, hours: Floats) -> Floats:
        """The first moment at or after each of ``hours`` that the keeper is there; infinity after the
        last."""
        ends = np.append(self.spans_h[:, 1], np.inf)
        begins = np.append(self.spans_h[:, 0], np.inf)
        at = np.searchsorted(ends, hours, side="left")
        there = begins[np.minimum(at, begins.size - 1)]
        return np.asarray(np.maximum(there, hours), dtype=np.float64)

    def last_h(self, hour: float) -> float | None:
        """The last moment at or before ``hour`` that the keeper is there; None before the first."""
        at = int(np.searchsorted(self.spans_h[:, 0], hour, side="right")) - 1
        return None if at < 0 else min(float(self.spans_h[at, 1]), hour)

    def steps_h(self, from_h: float, to_h: float) -> Floats:
        """The quarters of an hour in [from_h, to_h] at which the keeper is there."""
        steps = np.arange(np.ceil(from_h / STEP_H - 1e-9), np.floor(to_h / STEP_H + 1e-9) + 1) * STEP_H
        return steps[np.abs(self.next_h(steps) - steps) < 1e-9]


def presence(
    hours: Sequence[tuple[time, time]],
    away: Iterable[Absence],
    zone: tzinfo,
    origin: datetime,
    end: datetime,
    also: Iterable[datetime] = (),
) -> Presence:
    """When the keeper is there from ``origin`` to ``end``: in ``hours`` of the local day (one that ends
    before it begins spans midnight), and at the moments ``also``, but in none of ``away``."""
    spans: list[tuple[float, float]] = []
    day = origin.astimezone(zone).date() - timedelta(days=1)
    while day <= end.astimezone(zone).date():
        for begins, ends in hours:
            until = day + timedelta(days=1) if ends <= begins else day
            spans.append(
                (_h(local_moment(day, begins, zone), origin), _h(local_moment(until, ends, zone), origin))
            )
        day += timedelta(days=1)
    spans += [(_h(moment, origin), _h(moment, origin)) for moment in also]
    for absence in away:
        gone, back = _h(absence.start, origin), _h(absence.end, origin)
        kept = []
        for begin, finish in spans:
            if finish < gone or begin > back:
                kept.append((begin, finish))
                continue
            if begin < gone:
                kept.append((begin, gone))
            if finish > back:
                kept.append((back, finish))
        spans = kept
    top = _h(end, origin)
    spans = sorted((max(b, 0.0), min(e, top)) for b, e in spans if e >= 0.0 and b <= top)
    merged: list[tuple[float, float]] = []
    for begin, finish in spans:
        if merged and begin <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(finish, merged[-1][1]))
        else:
            merged.append((begin, finish))
    return Presence(np.array(merged, dtype=np.float64).reshape(-1, 2))


def _h(moment: datetime, origin: datetime) -> float:
    return (moment - origin) / timedelta(hours=1)

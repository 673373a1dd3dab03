"""The night ahead of one cone as numbers: its share hatched over time, and when its window is open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import NormalDist

from hatchmon.hatchery.looks import look_bounds
from hatchmon.hatchery.types import Batch, Forecast, Look
from hatchmon.hatchery.wording import span

_NORMAL = NormalDist()
_Z90 = _NORMAL.inv_cdf(0.9)
STEPS = 96


@dataclass(frozen=True, slots=True)
class Outlook:
    """Moments and shares (0-1) of one batch within a stretch of time.

    ``share``: the middle forecast of the share hatched; ``window``: (moment, chance that it is open), a
    straight-sided block; ``looks``: (moment, share that was seen, as (from, to)).
    """

    share: tuple[tuple[datetime, float], ...]
    window: tuple[tuple[datetime, float], ...]
    looks: tuple[tuple[datetime, tuple[float, float], str], ...]


def outlook(
    batch: Batch, forecast: Forecast, looks: Sequence[Look], start: datetime, end: datetime
) -> Outlook:
    """What the forecast says of a batch between ``start`` and ``end``."""
    return Outlook(
        _share(batch, forecast, start, end),
        _window(batch, forecast),
        tuple((look.time, _seen(look), look.seen) for look in looks if start <= look.time <= end),
    )


def share_at(forecast: Forecast, hours: float) -> float | None:
    """Share of the eventual hatch ``hours`` after the start: normal in time on either side of T50."""
    if forecast.t10 is None or forecast.t50 is None or forecast.t90 is None:
        return None
    middle = forecast.t50.p50
    side_h = middle - forecast.t10.p50 if hours < middle else forecast.t90.p50 - middle
    if side_h <= 0.0:
        return float(hours >= middle)
    return _NORMAL.cdf(_Z90 * (hours - middle) / side_h)


def _share(
    batch: Batch, forecast: Forecast, start: datetime, end: datetime
) -> tuple[tuple[datetime, float], ...]:
    start = max(start, batch.started)
    step: timedelta = (end - start) / STEPS
    points = []
    for number in range(STEPS + 1):
        moment = start + number * step
        share = share_at(forecast, batch.hours_at(moment))
        if share is None or start >= end:
            return ()
        points.append((moment, share))
    return tuple(points)


def _window(batch: Batch, forecast: Forecast) -> tuple[tuple[datetime, float], ...]:
    if forecast.opens is None or forecast.closes is None or forecast.trust == "none":
        return ()
    first, last = span(forecast.opens, forecast.closes)
    corners = ((first.p10, 0.0), (first.p50, 1.0), (last.p50, 1.0), (max(last.p90, last.p50), 0.0))
    return tuple((batch.time_at(hours), chance) for hours, chance in corners)


def _seen(look: Look) -> tuple[float, float]:
    low, high, _ = look_bounds(look.seen)
    return _NORMAL.cdf(low), _NORMAL.cdf(high)

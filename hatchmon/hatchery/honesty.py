"""How often the forecasts were right, and bands wide enough to say so."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from hatchmon.hatchery.types import Band, Forecast

ENOUGH = 8  # batches before the record may widen a band
_Z80 = 1.2816


@dataclass(frozen=True, slots=True)
class Scored:
    """The T90 first forecast for a batch, and what the looks showed in the end; hours from its start."""

    batch_id: int
    said: Band
    seen: Band

    @property
    def inside(self) -> bool:
        """Whether what was seen lay in the 80 % band."""
        return self.said.p10 <= self.seen.p50 <= self.said.p90

    @property
    def miss(self) -> float:
        """How far off the forecast was, in its own standard deviations, on the log scale."""
        sd = (math.log(self.said.p90) - math.log(self.said.p10)) / (2 * _Z80)
        return (math.log(self.seen.p50) - math.log(self.said.p50)) / sd


@dataclass(frozen=True, slots=True)
class Honesty:
    """``inside`` of ``count`` batches lay in the 80 % band; bands are stretched by ``widen`` (>= 1)."""

    inside: int
    count: int
    widen: float

    def __str__(self) -> str:
        if not self.count:
            return "No forecast has been put to the test yet."
        text = f"{self.inside} of {self.count} hatches fell inside the 80 % band first forecast."
        return text if self.widen == 1.0 else f"{text} Bands are {self.widen - 1:.0%} wider for it."


def honesty(scored: Sequence[Scored]) -> Honesty:
    """The record so far: from ENOUGH batches on, bands widen to where 80 % would have fallen inside."""
    widen = 1.0
    if len(scored) >= ENOUGH:
        misses = sorted(abs(score.miss) for score in scored)
        # The 80 % quantile, rounded up: the smallest miss that 80 % do not exceed.
        widen = max(1.0, misses[math.ceil(0.8 * len(misses)) - 1] / _Z80)
    return Honesty(sum(score.inside for score in scored), len(scored), widen)


def score(batch_id: int, first: Forecast | None, last: Forecast | None, seen_complete: bool) -> Scored | None:
    """Score a finished batch by its first forecast against its last, which knew every look; None where
    either is missing or the keeper's looks do not reach the end of the hatch."""
    if not seen_complete or first is None or last is None or first.t90 is None or last.t90 is None:
        return None
    return scored(batch_id, first.t90, first.widened, last.t90)


def scored(batch_id: int, first: Band, widened: float, last: Band) -> Scored:
    """The score of T90 as said first, its band ``widened`` then, against T90 as said last."""
    return Scored(batch_id, _stretched(first, 1.0 / widened), last)


def widened(forecast: Forecast, widen: float) -> Forecast:
    """The forecast with every band stretched around its median, on the log scale."""
    if widen == 1.0 or forecast.opens is None or forecast.closes is None:
        return forecast

    def wide(band: Band | None) -> Band | None:
        return None if band is None else _stretched(band, widen)

    opens, closes = _stretched(forecast.opens, widen), _stretched(forecast.closes, widen)
    return replace(
        forecast,
        t10=wide(forecast.t10),
        t50=wide(forecast.t50),
        t90=wide(forecast.t90),
        opens=opens,
        best=wide(forecast.best),
        closes=closes,
        surely_h=(opens.p90, closes.p10) if opens.p90 < closes.p10 else None,
        widened=widen,
    )


def _stretched(band: Band, power: float) -> Band:
    return Band(
        band.p50 * (band.p10 / band.p50) ** power, band.p50, band.p50 * (band.p90 / band.p50) ** power
    )

"""What the engine shows of itself to other threads: a picture that never changes, replaced by the next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from hatchmon.app.record import Water
from hatchmon.hatchery.next_look import NextLook
from hatchmon.hatchery.types import Batch, Forecast, Look


@dataclass(frozen=True, slots=True)
class ConeNow:
    """One cone as it is now; ``stored``: its batches in the cold store; ``looks``: of the running batch."""

    name: str
    water: Water
    batch: Batch | None
    forecast: Forecast | None
    stored: Sequence[Batch] = ()
    next_look: NextLook | None = None
    looks: Sequence[Look] = ()


@dataclass(frozen=True, slots=True)
class Told:
    """An alert that stands and that the keeper has not answered."""

    alert_id: int
    kind: str
    cone: str | None
    urgency: str
    title: str
    body: str
    raised: datetime


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The hatchery at ``taken``; ``number`` rises with every new picture. ``committed``: when the last
    transaction went through; ``trouble``, ``broker`` and ``series`` say how the machine itself is."""

    number: int
    taken: datetime
    cones: Sequence[ConeNow]
    told: Sequence[Told]
    committed: datetime | None
    trouble: str | None
    broker: str
    connected: bool
    series: str | None


def in_turn(cones: Iterable[ConeNow]) -> list[ConeNow]:
    """The cone that needs the keeper next first, empty ones last."""
    return sorted(cones, key=_turn)


def _turn(cone: ConeNow) -> tuple[int, float, str]:
    if cone.batch is None:
        return (2, 0.0, cone.name)
    if cone.forecast is None or cone.forecast.opens is None:
        return (1, 0.0, cone.name)
    return (0, cone.batch.time_at(cone.forecast.opens.p50).timestamp(), cone.name)

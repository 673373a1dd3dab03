"""What the engine knows of one cone."""

from __future__ import annotations

from dataclasses import dataclass, field

from hatchmon.app.record import Water
from hatchmon.hatchery.alerts import Fact
from hatchmon.hatchery.next_look import NextLook
from hatchmon.hatchery.types import Batch, Forecast
from hatchmon.hatchery.watch import BatchWatch


@dataclass(slots=True)
class ConeState:
    """One cone now. ``water``: newest usable (value, time) by quantity; ``stored``:
    its batches in the cold store; ``facts``: what was true of its batch when that was last forecast;
    ``true_since``: by kind, since when (monotonic) its readings have told so without a break."""

    name: str
    water: Water = field(default_factory=dict)
    watch: BatchWatch | None = None
    forecast: Forecast | None = None
    issued: Forecast | None = None
    next_look: NextLook | None = None
    stored: list[Batch] = field(default_factory=list)
    facts: list[Fact] = field(default_factory=list)
    true_since: dict[str, float] = field(default_factory=dict)

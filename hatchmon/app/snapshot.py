"""What the engine shows of itself to other threads: a picture that never changes, replaced by the next."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from hatchmon.app.record import Water
from hatchmon.hatchery.next_look import NextLook
from hatchmon.hatchery.types import Batch, Forecast, Look

SHOWN_WITHIN_S = 1.0
LARGEST_SHARE = 0.05
"""Of the engine's time, that pictures may take."""


@dataclass(frozen=True, slots=True)
class ConeNow:
    """One cone as it is now; ``stored``: its batches in the cold store; ``looks``: of the running batch;
    ``silent_since``: when a running batch's probe was last heard, where it no longer is."""

    name: str
    water: Water
    batch: Batch | None
    forecast: Forecast | None
    stored: Sequence[Batch] = ()
    next_look: NextLook | None = None
    looks: Sequence[Look] = ()
    silent_since: datetime | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The hatchery at ``taken``; ``number`` rises with every new picture. ``committed``: when the last
    transaction went through; ``trouble``, ``broker`` and ``series`` say how the machine itself is."""

    number: int
    taken: datetime
    cones: Sequence[ConeNow]
    committed: datetime | None
    trouble: str | None
    broker: str
    connected: bool
    series: str | None


class Showcase:
    """Holds the newest picture; put there by the engine's thread, looked at from any."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self.latest: Snapshot | None = None
        self._number = 0
        self._monotonic = monotonic
        self._turned_mono = monotonic()
        self._may_change_mono = float("-inf")

    def turned(self) -> None:
        """The engine has done a turn."""
        self._turned_mono = self._monotonic()

    @property
    def idle_s(self) -> float:
        """Real seconds since the engine's last turn."""
        return self._monotonic() - self._turned_mono

    @property
    def number(self) -> int:
        """That of the newest picture."""
        return self._number

    def wait_beyond(self, number: int) -> None:
        """Return once there is a newer picture than that; or after a second, should nothing have changed."""
        deadline = self._monotonic() + SHOWN_WITHIN_S
        while (self.latest is None or self.latest.number <= number) and self._monotonic() < deadline:
            time.sleep(0.01)

    def may_change(self) -> bool:
        """Whether the next picture may be made: with very many cones that must not be all that is done."""
        return self._monotonic() >= self._may_change_mono

    def put(
        self,
        taken: datetime,
        *,
        cones: Iterable[ConeNow],
        committed: datetime | None,
        trouble: str | None,
        broker: str,
        connected: bool,
        series: str | None,
    ) -> None:
        """Replace the picture; ``cones`` may be made as they are taken."""
        begun = self._monotonic()
        self._number += 1
        self.latest = Snapshot(
            self._number, taken, in_turn(cones), committed, trouble, broker, connected, series
        )
        ended = self._monotonic()
        self._may_change_mono = ended + (ended - begun) * (1.0 / LARGEST_SHARE - 1.0)


def in_turn(cones: Iterable[ConeNow]) -> list[ConeNow]:
    """The cone that needs the keeper next first, empty ones last."""
    return sorted(cones, key=_turn)


def _turn(cone: ConeNow) -> tuple[int, float, str]:
    if cone.batch is None:
        return (2, 0.0, cone.name)
    if cone.forecast is None or cone.forecast.opens is None:
        return (1, 0.0, cone.name)
    return (0, cone.batch.time_at(cone.forecast.opens.p50).timestamp(), cone.name)

"""The time of day and the passing of time, as one thing to hand around."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """What the rest of hatchmon knows of time."""

    def now(self) -> datetime:
        """The wall clock, aware, UTC. It may jump."""
        ...

    def monotonic(self) -> float:
        """Seconds that never jump and never go back, of the same length as those of ``now``."""
        ...

    def real_seconds(self, shown_seconds: float) -> float:
        """How long a wait of ``shown_seconds`` takes for a person in the room."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def monotonic(self) -> float:
        return time.monotonic()

    def real_seconds(self, shown_seconds: float) -> float:
        return shown_seconds


class RehearsalClock:
    """A clock that runs ``speed`` times as fast: every process given the same three values agrees.

    At the real moment ``real_start`` it shows ``shown_start`` (both aware).
    """

    def __init__(self, real_start: datetime, shown_start: datetime, speed: float) -> None:
        self._shown_start = shown_start.astimezone(UTC)
        self._speed = speed
        # One anchor for both clocks, so that a step of the machine's clock cannot part them.
        self._mono_at_real_start = time.monotonic() - (datetime.now(UTC) - real_start).total_seconds()

    def now(self) -> datetime:
        return self._shown_start + timedelta(seconds=self.monotonic())

    def monotonic(self) -> float:
        return (time.monotonic() - self._mono_at_real_start) * self._speed

    def real_seconds(self, shown_seconds: float) -> float:
        return shown_seconds / self._speed

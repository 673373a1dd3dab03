"""An engine without threads around it, on a clock moved by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.mqtt import Incoming
from hatchmon.app.engine import Engine

START = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)


class Hand:
    """A clock moved by hand: ``run_s`` seconds after START."""

    def __init__(self) -> None:
        self.run_s = 0.0

    def now(self) -> datetime:
        return START + timedelta(seconds=self.run_s)

    def synchronised(self) -> bool | None:
        return None

    def boot(self) -> str | None:
        return None

    def monotonic(self) -> float:
        return 1e6 + self.run_s

    def real_seconds(self, shown_seconds: float) -> float:
        return shown_seconds


class Around:
    """Everybody around the engine, content with everything; ``published``: by topic, the newest."""

    def __init__(self) -> None:
        self.acknowledged = 0
        self.published: dict[str, bytes] = {}

    def acknowledge(self, message: Incoming) -> None:
        self.acknowledged += 1

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 0) -> bool:
        self.published[topic] = payload
        return True

    def wake_push(self) -> None: ...
    def wake_series(self) -> None: ...
    def rewind_series(self, cursors: dict[str, int], number: int) -> None: ...


class Probes:
    """Hands readings to ``engine`` as the link would: temperatures of QoS 1 on default topics."""

    def __init__(self, engine: Engine, clock: Clock) -> None:
        self.sent = 0
        self._engine = engine
        self._clock = clock

    def send(self, cone: str, temp_c: float) -> None:
        """One reading, now."""
        self.sent += 1
        now, mono = self._clock.now(), self._clock.monotonic()
        payload, mid = f"{temp_c:.3f}".encode(), 1 + self.sent % 65_535
        topic = f"hatchery/{cone}/temperature"
        self._engine.take(Incoming(topic, payload, 1, False, False, mid, 1, now, mono))

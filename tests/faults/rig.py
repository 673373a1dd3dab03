"""A daemon under a steady flow of readings, of which none may be missing or doubled in the end."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.servers import wait_until
from tests.system.daemon import Client, Daemon, Ground

CONES = ("a1", "a2", "b1")
EVERY_S = 0.02
ENDS_S = 10.0
"""TimeoutStopSec= of the unit; the machine may be busy with other faults."""


class Flow:
    """Probes that send distinct values at QoS 1 from ``start`` to ``stop``, through whatever happens."""

    def __init__(self, port: int, cones: Sequence[str] = CONES, every_s: float = EVERY_S) -> None:
        self.every_s = every_s
        self._cones = cones
        self.sent: list[tuple[str, float]] = []
        self.client = Client(port)
        self._one_at_a_time = threading.Lock()
        self._ended = threading.Event()
        self._going = threading.Event()
        self._going.set()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def _run(self) -> None:
        due = time.monotonic()
        while not self._ended.wait(max(0.0, due - time.monotonic())):
            self._going.wait()
            self._send()
            # What a pause or a busy machine held up is not made up for.
            due = max(due + self.every_s, time.monotonic() - 0.5)

    def _send(self) -> None:
        with self._one_at_a_time:
            number = len(self.sent)
            cone, value = self._cones[number % len(self._cones)], round(15.0 + number / 10_000.0, 4)
            self.client.publish(f"hatchery/{cone}/temperature", f"{value:.4f}")
            self.sent.append((cone, value))

    def burst(self, count: int) -> None:
        """Hand over ``count`` at once."""
        for _ in range(count):
            self._send()

    def wait_for_more(self, count: int) -> None:
        """Until ``count`` more have been handed over."""
        enough = len(self.sent) + count
        wait_until(lambda: len(self.sent) >= enough, 60.0, f"{count} more readings")

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Send nothing meanwhile, after the broker has taken all so far."""
        self._going.clear()
        time.sleep(2 * self.every_s)
        wait_until(self.client.all_taken, 60.0, "the broker to take all readings")
        try:
            yield
        finally:
            self._going.set()

    def stop(self) -> None:
        """Send no more, and wait until the broker has taken all."""
        self._ended.set()
        self._thread.join()
        wait_until(self.client.all_taken, 60.0, "the broker to take all readings")
        self.client.__exit__()


class Rig:
    """Ground, daemon and flow; the daemon looks for the broker at ``port``, which is at ``flow_port``. A
    reading comes every ``every_s`` from one of the ``cones`` by turns."""

    def __init__(
        self,
        folder: Path,
        port: int,
        push: Sequence[str] = (),
        *,
        flow_port: int | None = None,
        series: str = "",
        tables: str = "",
        cones: Sequence[str] = CONES,
        every_s: float = EVERY_S,
        environment: Mapping[str, Any] | None = None,
    ) -> None:
        self.ground = Ground(folder / "hatchmon", port, push=push, series=series, tables=tables, gather_s=1.0)
        self.daemon = Daemon(self.ground, **(environment or {}))
        self.daemon.may_take_s = ENDS_S
        self.flow = Flow(flow_port or port, cones, every_s)

    def start(self) -> None:
        """Start the daemon and the flow, and wait for the first readings."""
        self.daemon.start()
        # Until it has been there once, the broker keeps nothing for it.
        wait_until(self.daemon.connected, 30.0, "the broker to know it")
        self.flow.start()
        self.moving()

    def moving(self, timeout: float = 60.0) -> float:
        """Wait until a reading sent from now on is stored; seconds it took."""
        begun = time.monotonic()
        after = len(self.flow.sent)

        def stored() -> bool:
            if len(self.flow.sent) <= after:
                return False
            cone, value = self.flow.sent[after]
            return bool(
                self.ground.database.exists()
                and self.ground.rows(
                    "SELECT 1 FROM readings JOIN streams USING (stream_id) WHERE cone = ? AND raw = ?",
                    cone,
                    value,
                )
            )

        wait_until(stored, timeout, f"a new reading in the database; {self.daemon.status}")
        return time.monotonic() - begun

    def resume(self) -> float:
        """Start the daemon; seconds until a new reading is stored."""
        begun = time.monotonic()
        self.daemon.start()
        self.moving()
        return time.monotonic() - begun

    def manage(self, told: str, timeout: float = 60.0) -> float:
        """Do what systemd does: wait until the daemon ends by itself, here with ``told`` in its log, and
        start it again; seconds from now until a new reading is stored."""
        begun = time.monotonic()
        wait_until(lambda: not self.daemon.running, timeout, f"the daemon to end; {self.daemon.status}")
        assert self.daemon.process is not None
        assert self.daemon.process.wait() == 1, "Restart=on-failure"
        wait_until(lambda: told in self.daemon.log(), 5.0, f"{told!r} in the log")
        self.daemon.start()
        self.moving()
        return time.monotonic() - begun

    def settle(self) -> tuple[int, int]:
        """End the flow and wait until everything is stored: (sent, lost).

        AssertionError when something is stored twice.
        """
        self.flow.stop()
        sent = Counter(self.flow.sent)

        def missing() -> int:
            return sum((sent - self.stored()).values())

        before, deadline = -1, 0.0
        while left := missing():  # as long as it comes nearer
            if left != before:
                before, deadline = left, time.monotonic() + 60.0
            if time.monotonic() > deadline:
                break
            time.sleep(0.1)
        assert not self.stored() - sent, "stored twice, or never sent"
        return len(self.flow.sent), missing()

    def stored(self) -> Counter[tuple[str, float]]:
        """What the database holds of the flow."""
        return Counter(
            (cone, raw)
            for cone, raw in self.ground.rows(
                "SELECT cone, raw FROM readings JOIN streams USING (stream_id) WHERE topic LIKE 'hatchery/%'"
            )
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None:
            self.flow._ended.set()
        self.daemon.__exit__(kind, value, trace)

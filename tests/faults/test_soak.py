"""Days of ordinary work on a fast clock: memory and open files stay where they are."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

from tests.faults.tally import Tally
from tests.servers import Mosquitto, Receiver, VictoriaMetrics, wait_until
from tests.system.daemon import Client, Daemon, Fast, Ground, repeating

CONES = tuple(f"c{number}" for number in range(6))
SPEED = 720.0
EVERY_H = 1 / 30
GROWTH_MB = 2.0
FILL = 48_000


def resident_mb(pid: int) -> float:
    """Of one process, by proc(5)."""
    line = next(
        line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmRSS")
    )
    return int(line.split()[1]) / 1024


def open_files(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def test_days_of_work_leave_no_trace(
    tmp_path: Path,
    mosquitto: Mosquitto,
    victoria_metrics: VictoriaMetrics,
    receiver: Receiver,
    tally: Tally,
    long: bool,
) -> None:
    """Batches begun, looked at and harvested, letters, points: 72 hours of it in the long form."""
    now = datetime.now(UTC)
    fast = Fast(SPEED, now, now)
    ground = Ground(
        tmp_path / "hatchmon",
        mosquitto.port,
        push=[f"json://127.0.0.1:{receiver.port}/phone"],
        series=victoria_metrics.url,
        fast=fast,
    )
    # Warm is who has kept as many beliefs, one more after each harvest, as are ever kept at once.
    warm_h, hours = (96.0, 72.0) if long else (6.0, 6.0)
    sent = 0

    def probes() -> None:
        nonlocal sent
        for number, cone in enumerate(CONES):
            client.publish(f"hatchery/{cone}/temperature", f"{25.0 + number / 10 + sent % 13 / 100:.3f}")
        sent += len(CONES)

    def work(until_h: float, begun: datetime) -> None:
        """Each cone is filled again when it is empty, and emptied a day later."""
        filled: dict[str, datetime] = {}
        while (fast.now() - begun).total_seconds() / 3600 < until_h:
            for cone in CONES:
                age_h = (fast.now() - filled[cone]).total_seconds() / 3600 if cone in filled else None
                if age_h is None:
                    ground.done("begin", cone, "--lot", "tin 7", "--grams", "2")
                    filled[cone] = fast.now()
                elif age_h > 24:
                    ground.done("look", cone, "complete")
                    ground.done("harvest", cone)
                    del filled[cone]
            time.sleep(0.5)
        for cone in filled:
            ground.done("harvest", cone, "--discard")

    with Daemon(ground) as daemon, Client(mosquitto.port) as client:
        wait_until(daemon.connected, 15.0, "the broker")
        assert daemon.process is not None
        pid = daemon.process.pid
        # What SQLite keeps of its file in memory grows with the file, up to a limit that is reached first.
        while long and sent < FILL:
            probes()
            if sent % 600 == 0:
                wait_until(client.all_taken, 60.0, "the broker to take them")
        with repeating(probes, EVERY_H * 3600 / SPEED):
            work(warm_h, fast.now())
            before_mb, before = resident_mb(pid), open_files(pid)
            work(hours, fast.now())
            after_mb, after = resident_mb(pid), open_files(pid)
        wait_until(client.all_taken, 30.0, "the broker to take all readings")
        wait_until(lambda: ground.count("readings") >= sent, 60.0, "every reading in the database")
        stored = ground.count("readings")
    tally.note(
        f"none, {warm_h + hours:.0f} h of work: {after_mb - before_mb:+.1f} MB, {after - before:+d} files",
        sent=sent,
        lost=sent - stored,
        recovered_s=[0.0],
    )
    assert stored == sent
    assert after_mb - before_mb < GROWTH_MB
    assert abs(after - before) <= 3, "files are opened for a moment at any time"

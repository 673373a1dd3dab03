"""A hundred times as much as usual for a minute, and thousands of messages at once."""

from __future__ import annotations

import time
from pathlib import Path

from tests.faults.rig import Rig
from tests.faults.tally import Tally
from tests.servers import Mosquitto, wait_until

CONES = tuple(f"c{number}" for number in range(36))
USUAL_S = 10.0 / len(CONES)
"""Between readings: each probe speaks every 10 s."""
GROWTH_MB = 8.0


def peak_mb(pid: int) -> float:
    """The most memory that a process has had since ``forget_peak``, by proc(5)."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024


def forget_peak(pid: int) -> None:
    Path(f"/proc/{pid}/clear_refs").write_text("5")


def test_overload(tmp_path: Path, mosquitto: Mosquitto, tally: Tally, long: bool) -> None:
    minute_s, bursts, size = (60.0, 5, 10_000) if long else (8.0, 1, 5_000)
    recovered = []
    with Rig(tmp_path, mosquitto.port, cones=CONES, every_s=USUAL_S / 20) as rig:
        rig.start()
        rig.flow.wait_for_more(200)  # from every cone, so that what it keeps of each is there
        rig.flow.every_s = USUAL_S
        rig.moving()
        assert rig.daemon.process is not None
        pid = rig.daemon.process.pid
        forget_peak(pid)
        before_mb = peak_mb(pid)

        sent, begun = len(rig.flow.sent), time.monotonic()
        rig.flow.every_s = USUAL_S / 100
        wait_until(lambda: time.monotonic() - begun >= minute_s, minute_s + 10.0, "the minute")
        recovered.append(rig.moving())
        rate = (len(rig.flow.sent) - sent) / (time.monotonic() - begun)
        assert rate > 300.0, "the overload was none"
        rig.flow.every_s = USUAL_S
        for _ in range(bursts):
            rig.flow.burst(size)
            recovered.append(rig.moving(120.0))
        grown_mb = peak_mb(pid) - before_mb
        sent, lost = rig.settle()
        assert rig.daemon.running
    tally.note(
        f"{rate:.0f} readings a second for {minute_s:.0f} s, then {size:,} at once: {grown_mb:+.1f} MB",
        sent=sent, lost=lost, recovered_s=recovered,
    )  # fmt: skip
    assert lost == 0
    assert grown_mb < GROWTH_MB

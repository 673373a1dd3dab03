"""The line between the daemon and the broker is cut, or goes dead without a word."""

from __future__ import annotations

import time
from pathlib import Path

from tests.faults.proxy import Wire
from tests.faults.rig import Rig
from tests.faults.tally import Tally
from tests.servers import Mosquitto, wait_until


def test_the_line_is_cut(tmp_path: Path, mosquitto: Mosquitto, tally: Tally, long: bool) -> None:
    recovered = []
    with Wire(mosquitto.port) as wire, Rig(tmp_path, wire.port, flow_port=mosquitto.port) as rig:
        rig.start()
        for number in range(20 if long else 3):
            rig.flow.wait_for_more(25)
            wire.cut()
            time.sleep(number % 3)
            wire.mend()
            recovered.append(rig.moving())
        sent, lost = rig.settle()
    tally.note("network cut", sent=sent, lost=lost, recovered_s=recovered)
    assert lost == 0


def test_the_line_goes_dead(tmp_path: Path, mosquitto: Mosquitto, tally: Tally, long: bool) -> None:
    """Neither end is told: the keepalive finds out, at the latest after one and a half of its length."""
    recovered = []
    with Wire(mosquitto.port) as wire, Rig(tmp_path, wire.port, flow_port=mosquitto.port) as rig:
        rig.start()
        for _ in range(3 if long else 1):
            wire.kill_line()
            wait_until(lambda: not rig.daemon.connected(), 90.0, "the daemon to notice")
            wire.mend()
            recovered.append(rig.moving())
        sent, lost = rig.settle()
    tally.note("line dead, connection open", sent=sent, lost=lost, recovered_s=recovered)
    assert lost == 0

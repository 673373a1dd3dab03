"""Somebody else with our name at the broker, or on our database."""

from __future__ import annotations

import time
from collections import Counter
from pathlib import Path

from tests.faults.rig import Rig
from tests.faults.tally import Tally
from tests.servers import Mosquitto, wait_until
from tests.system.daemon import Daemon, Ground


def test_two_daemons_of_one_name_at_the_broker(
    tmp_path: Path, mosquitto: Mosquitto, tally: Tally, long: bool
) -> None:
    """The broker lets the newer one in and the older one go, by turns; between them they miss nothing."""
    recovered = []
    rival = Ground(tmp_path / "rival", mosquitto.port)
    with Rig(tmp_path, mosquitto.port) as rig:
        rig.start()
        other = Daemon(rival)
        for _ in range(5 if long else 1):
            other.start()
            wait_until(lambda: "its own client_id" in rig.daemon.status, 90.0, "a word on it")
            rig.flow.wait_for_more(300)
            code, _ = other.stop()
            assert code == 0
            begun = time.monotonic()
            rig.moving(120.0)
            recovered.append(time.monotonic() - begun)
        rig.flow.stop()

        def missing() -> int:
            elsewhere = Counter(
                rival.rows("SELECT cone, raw FROM readings JOIN streams USING (stream_id) WHERE topic <> ''")
            )
            return sum((Counter(rig.flow.sent) - rig.stored() - elsewhere).values())

        wait_until(lambda: missing() == 0, 60.0, "every reading with one of the two")
        other.manager.close()
    tally.note("two daemons of one name", sent=len(rig.flow.sent), lost=missing(), recovered_s=recovered)


def test_a_second_daemon_on_the_database_is_refused(rig: Rig, tally: Tally, long: bool) -> None:
    rig.start()
    times = 20 if long else 2
    for _ in range(times):
        said = rig.ground.refused("run")
        assert "another hatchmon" in said or "runs already" in said, said
    moving = rig.moving()
    sent, lost = rig.settle()
    fault = "second daemon on one database: refused"
    tally.note(fault, sent=sent, lost=lost, recovered_s=[moving], times=times)
    assert lost == 0

"""The disk fills up, or gives back something else than was written."""

from __future__ import annotations

import contextlib
import os
import random
import time
from datetime import UTC, datetime
from pathlib import Path

from hatchmon.app.backups import Backups
from hatchmon.app.settings import load_settings
from tests.faults.rig import Rig
from tests.faults.tally import Tally
from tests.servers import Mosquitto, wait_until
from tests.system.test_disk import small_disk
from tests.system.test_outages import full_disk


def test_a_small_disk_fills_up(tmp_path: Path, mosquitto: Mosquitto, tally: Tally, long: bool) -> None:
    recovered = []
    with Rig(tmp_path, mosquitto.port) as rig:
        folder = rig.ground.database.parent
        with small_disk(folder, 6) as mounted:
            rig.start()
            for _ in range(10 if long else 1):
                with contextlib.ExitStack() as until_there_is_room:
                    if mounted:
                        ballast = folder / "ballast"
                        until_there_is_room.callback(ballast.unlink)
                        with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
                            while True:
                                file.write(bytes(4096))
                    else:
                        until_there_is_room.enter_context(full_disk(rig.daemon))
                    wait_until(lambda: "database: " in rig.daemon.status, 60.0, "the daemon to notice")
                    rig.flow.wait_for_more(100)
                recovered.append(rig.moving())
            sent, lost = rig.settle()
            rig.daemon.stop()
    tally.note("disk full", sent=sent, lost=lost, recovered_s=recovered)
    assert lost == 0


def test_the_database_is_spoilt_while_the_daemon_is_off(rig: Rig, tally: Tally, long: bool) -> None:
    """What came since the newest backup is what may be missing, and the keeper is told so."""
    chance = random.Random(3)
    recovered = []
    rig.start()
    database = rig.ground.database
    lost_in_all = sent = 0
    for number in range(50 if long else 3):
        rig.moving()
        Backups(load_settings(rig.ground.config, {})).make(datetime.now(UTC))
        saved = rig.stored()
        rig.daemon.kill()
        size = database.stat().st_size
        if number % 2:
            os.truncate(database, chance.randrange(1, size))
        else:
            with database.open("r+b") as file:
                for _ in range(chance.randrange(1, 6)):
                    file.seek(chance.randrange(size))
                    file.write(chance.randbytes(chance.randrange(16, 4096)))
        begun = time.monotonic()
        rig.daemon.start()
        rig.moving()
        recovered.append(time.monotonic() - begun)
        found = rig.stored()
        lost_in_all += sum((saved - found).values())
        sent += sum(saved.values())
    rig.flow.stop()
    tally.note("database truncated or overwritten", sent=sent, lost=lost_in_all, recovered_s=recovered)
    assert lost_in_all == 0, "what a backup held"
    assert "Traceback" not in rig.daemon.log()

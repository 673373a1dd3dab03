"""The disk fills up or goes bad: nothing is lost, the keeper hears of it, and the watchdog knows better."""

from __future__ import annotations

import contextlib
import os
import random
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from hatchmon.app.backups import Backups
from hatchmon.app.settings import load_settings
from tests.servers import Mosquitto, Receiver, wait_until
from tests.system.daemon import Client, Daemon, Ground, repeating
from tests.system.test_outages import TOPIC, Probe, full_disk, stored

NOT_RECORDING = "Not recording: the disk takes nothing"


@pytest.fixture
def ground(tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver) -> Ground:
    return Ground(tmp_path / "hatchmon", mosquitto.port, push=[f"json://127.0.0.1:{receiver.port}/phone"])


@contextlib.contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[bool]:
    """A disk of its own for ``folder``; False where this user may not mount one."""
    folder.mkdir(parents=True, exist_ok=True)
    size = f"size={megabytes}m,mode=700"
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", size, "tmpfs", folder], check=False, capture_output=True
    )
    try:
        yield done.returncode == 0
    finally:
        if done.returncode == 0:
            subprocess.run(["umount", "--lazy", folder], check=True)


def test_a_full_disk_pauses_recording_and_the_phone_rings(
    ground: Ground, mosquitto: Mosquitto, receiver: Receiver
) -> None:
    with contextlib.ExitStack() as stack:
        mounted = stack.enter_context(small_disk(ground.database.parent, 4))
        daemon = stack.enter_context(Daemon(ground, watchdog_s=2.0))
        client = stack.enter_context(Client(mosquitto.port))
        wait_until(daemon.connected, 10.0, "the broker")
        probe = Probe(client)
        with repeating(probe.step, 0.05):
            wait_until(lambda: len(stored(ground)) > 10, 10.0, "the first readings")
            ballast = ground.database.parent / "ballast"
            with contextlib.nullcontext() if mounted else full_disk(daemon):
                if mounted:
                    with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
                        while True:
                            file.write(bytes(4096))
                wait_until(lambda: "database: " in daemon.status, 30.0, "the daemon to notice")
                noticed = time.monotonic()
                wait_until(
                    lambda: NOT_RECORDING in [post.body["title"] for post in receiver.posts],
                    60.0,
                    "the alert",
                )
                probe.wait_for_more(250)
                # Nothing a new process could mend: the watchdog is content.
                assert len(daemon.manager.times("WATCHDOG=1", noticed)) >= 10
                assert daemon.running
                if mounted:
                    ballast.unlink()
            wait_until(lambda: "database: " not in daemon.status, 20.0, "the daemon to write again")
        wait_until(lambda: len(stored(ground)) >= len(probe.sent), 30.0, "every reading in the database")
        assert sorted(stored(ground)) == probe.sent
        told = [post.body["title"] for post in receiver.posts]
        assert told.count(NOT_RECORDING) == 1
        assert ground.rows("SELECT count(*) FROM alerts WHERE title = ?", NOT_RECORDING) == [(1,)]
        assert ground.count("letters JOIN alerts USING (alert_id)", f"title = '{NOT_RECORDING}'") == 0


def test_the_watchdog_bites_when_the_database_alone_cannot_be_written(
    ground: Ground, mosquitto: Mosquitto
) -> None:
    """Somebody else's lock on it, say: the disk is well, so a new process may be."""
    with Daemon(ground, watchdog_s=1.0) as daemon, Client(mosquitto.port) as client:
        wait_until(daemon.connected, 10.0, "the broker")
        client.send(TOPIC, "25.5")
        wait_until(lambda: ground.count("readings") == 1, 10.0, "the reading")
        with contextlib.closing(sqlite3.connect(ground.database, isolation_level=None)) as db:
            db.execute("BEGIN IMMEDIATE")
            client.send(TOPIC, "25.6")
            client.send(TOPIC, "no number")  # which the spool does not take
            wait_until(lambda: "database: " in daemon.status, 30.0, "the daemon to notice")
            stumbled = time.monotonic()
            time.sleep(2.0)
            assert daemon.manager.times("WATCHDOG=1", stumbled + 0.2) == []
            db.execute("ROLLBACK")
        wait_until(lambda: daemon.manager.times("WATCHDOG=1", stumbled + 2.0), 20.0, "a sign of health")
        wait_until(lambda: ground.count("readings") == 2, 10.0, "the second reading")


def test_damage_is_mended_by_the_start(ground: Ground, mosquitto: Mosquitto, receiver: Receiver) -> None:
    with Daemon(ground) as daemon, Client(mosquitto.port) as client:
        wait_until(daemon.connected, 10.0, "the broker")
        client.send(TOPIC, "25.5")
        wait_until(lambda: ground.count("readings") == 1, 10.0, "the reading")
        Backups(load_settings(ground.config, {})).make(datetime.now(UTC))
        daemon.kill()
        for name in ("hatchmon.db", "hatchmon.db-wal"):
            with (ground.database.parent / name).open("r+b") as spoilt:
                spoilt.write(random.Random(1).randbytes(os.fstat(spoilt.fileno()).st_size))
        client.send(TOPIC, "25.6")
        daemon.start()
        wait_until(lambda: stored(ground) == [25.5, 25.6], 20.0, "the backup, and what the broker kept")
        receiver.wait_for(1, 20.0)
        assert receiver.posts[0].body["title"] == "The record was damaged; a backup stands in for it"
        assert list(ground.database.parent.glob("hatchmon.db.damaged-*"))

"""The disk fills up, or gives back something else than was written."""

from __future__ import annotations

import contextlib
import os
import random
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from hatchmon.adapters.store import spool
from hatchmon.app.backups import Backups
from hatchmon.app.settings import load_settings
from tests.faults.rig import Rig
from tests.faults.tally import Tally
from tests.servers import Mosquitto, Receiver, wait_until
from tests.system.test_disk import NOT_RECORDING, small_disk
from tests.system.test_kill import in_spool_alone
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


@contextlib.contextmanager
def own_disk(folder: Path, image: Path) -> Iterator[Disk | None]:
    """A file system of its own (ext4, on a file) for ``folder``; None where this user may not mount one."""
    folder.mkdir(parents=True, exist_ok=True)
    with image.open("wb") as file:
        file.truncate(32_000_000)
    disk = Disk(folder, image)
    made = subprocess.run(["mkfs.ext4", "-q", "-F", image], check=False, capture_output=True)
    if made.returncode != 0 or not disk.mount():
        yield None
        return
    try:
        folder.chmod(0o700)
        yield disk
    finally:
        subprocess.run(["umount", "--lazy", folder], check=True)


@dataclass(frozen=True)
class Disk:
    """An ext4 file system at ``folder``."""

    folder: Path
    image: Path

    def mount(self) -> bool:
        command = ["mount", "-o", "loop", str(self.image), str(self.folder)]
        return subprocess.run(command, check=False, capture_output=True).returncode == 0

    def wear_out(self) -> None:
        """What the kernel does when a card fails: from now on nothing can be written, open files included."""
        subprocess.run(["mount", "-o", "remount,abort", self.folder], check=True)

    def replace(self) -> None:
        """Mount it anew, mended: nobody may use it meanwhile."""
        subprocess.run(["umount", self.folder], check=True)
        # 1: it was not in order, and is now (e2fsck(8)).
        assert subprocess.run(["e2fsck", "-p", self.image], check=False, capture_output=True).returncode in (
            0,
            1,
        )
        assert self.mount()

    def set_read_only(self, read_only: bool) -> None:
        """Nobody may have a file open for writing there."""
        subprocess.run(["mount", "-o", "remount,ro" if read_only else "remount,rw", self.folder], check=True)


@contextlib.contextmanager
def full(folder: Path) -> Iterator[None]:
    """Not a byte left on the disk of ``folder``."""
    ballast = folder / "ballast"
    try:
        with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
            for size in (65536, 4096, 512, 1):
                with contextlib.suppress(OSError):
                    while file.write(bytes(size)):
                        pass
        yield
    finally:
        ballast.unlink()


@contextlib.contextmanager
def may_not_write(folder: Path) -> Iterator[None]:
    """For who may not mount, and is not root: the rights are taken away."""
    files = [folder, *folder.iterdir()]
    modes = [file.stat().st_mode for file in files]
    for file in files:
        file.chmod(0o500)
    try:
        yield
    finally:
        for file, mode in zip(files, modes, strict=True):
            file.chmod(mode)


def refusals(receiver: Receiver) -> int:
    """How often the phone was told that the disk takes nothing."""
    return sum(post.body["title"] == NOT_RECORDING for post in list(receiver.posts))


def test_the_disk_wears_out_and_is_replaced(
    tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver, tally: Tally, long: bool
) -> None:
    """The kernel makes a failing disk read-only under the running daemon."""
    recovered = []
    with Rig(tmp_path, mosquitto.port, [f"json://127.0.0.1:{receiver.port}/phone"]) as rig:
        folder = rig.ground.database.parent
        with own_disk(folder, tmp_path / "disk.img") as disk:
            if disk is None:
                pytest.skip("this user may not mount")
            rig.start()
            for number in range(5 if long else 1):
                disk.wear_out()
                wait_until(lambda: "database: " in rig.daemon.status, 60.0, "the daemon to notice")
                rig.flow.wait_for_more(100)
                wait_until(lambda: refusals(receiver) > number, 60.0, "the phone to be told")  # noqa: B023
                assert rig.daemon.running
                rig.daemon.stop()
                disk.replace()
                begun = time.monotonic()
                rig.daemon.start()
                rig.moving()
                recovered.append(time.monotonic() - begun)
            sent, lost = rig.settle()
            rig.daemon.stop()
    tally.note(
        "disk worn out: read-only while in use, then mended", sent=sent, lost=lost, recovered_s=recovered
    )
    assert lost == 0


@pytest.mark.parametrize("trouble", ["full", "read-only"])
def test_the_daemon_starts_on_a_disk_that_takes_nothing(
    tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver, tally: Tally, long: bool, trouble: str
) -> None:
    recovered = []
    with Rig(tmp_path, mosquitto.port, [f"json://127.0.0.1:{receiver.port}/phone"]) as rig:
        folder = rig.ground.database.parent
        with own_disk(folder, tmp_path / "disk.img") as disk:
            rig.start()
            for number in range(5 if long else 1):
                # Killed, it would leave a log with some room in it.
                rig.daemon.stop() if trouble == "full" or number % 2 else rig.daemon.kill()
                with contextlib.ExitStack() as until_it_takes:
                    if disk is None:
                        until_it_takes.enter_context(may_not_write(folder))
                    elif trouble == "full":
                        until_it_takes.enter_context(full(folder))
                    else:
                        disk.set_read_only(True)
                        until_it_takes.callback(disk.set_read_only, False)
                    rig.daemon.start()
                    wait_until(lambda: "waiting to start" in rig.daemon.status, 10.0, "word of it")
                    wait_until(lambda: refusals(receiver) > number, 60.0, "the phone to be told")  # noqa: B023
                recovered.append(rig.moving())
                assert rig.ground.count("alerts", f"title = '{NOT_RECORDING}'") == number + 1
            sent, lost = rig.settle()
            rig.daemon.stop()
    tally.note(f"daemon started on a {trouble} disk", sent=sent, lost=lost, recovered_s=recovered)
    assert lost == 0


def spoil(database: Path, chance: random.Random, how: int) -> None:
    """Cut off the file, or write nonsense somewhere into it and those that go with it."""
    if how % 3 == 0:
        os.truncate(database, chance.randrange(database.stat().st_size))
        return
    for path in (database.with_name(database.name + end) for end in ("", "-wal", "-spool")):
        if not path.exists():
            continue
        with path.open("r+b") as file:
            size = os.fstat(file.fileno()).st_size
            for _ in range(chance.randrange(4, 12) if size else 0):
                file.seek(chance.randrange(size))
                file.write(chance.randbytes(chance.randrange(1024, 8192)))


def test_the_database_is_spoilt_while_in_use(rig: Rig, tally: Tally, long: bool) -> None:
    """Somebody copies another file over it, say. The daemon's own memory hides it: it has to look."""
    chance = random.Random(5)
    recovered = []
    rig.start()
    database = rig.ground.database
    lost_in_all = sent = 0
    for number in range(15) if long else (1,):
        rig.moving()
        saved = rig.stored()
        Backups(load_settings(rig.ground.config, {})).make(datetime.now(UTC))
        with contextlib.closing(sqlite3.connect(database)) as db:
            db.execute("PRAGMA wal_checkpoint")  # else all that is cut off stands in the log as well
        spoil(database, chance, number)
        recovered.append(rig.manage("is damaged"))
        found = rig.stored()
        lost_in_all += sum((saved - found).values())
        sent += sum(saved.values())
        told = rig.ground.rows("SELECT title FROM alerts WHERE kind = 'storage'")
        assert told[-1:] == [("The record was damaged; a backup stands in for it",)]
    rig.flow.stop()
    tally.note(
        "database truncated or overwritten in use (of what a backup held)",
        sent=sent, lost=lost_in_all, recovered_s=recovered,
    )  # fmt: skip
    assert lost_in_all == 0, "what a backup held"


def test_the_database_is_deleted_while_in_use(rig: Rig, tally: Tally, long: bool) -> None:
    recovered = []
    rig.start()
    for _ in range(20 if long else 1):
        rig.moving()
        for file in rig.ground.database.parent.glob("hatchmon.db*"):
            file.unlink()
        recovered.append(rig.manage("was deleted while hatchmon used it"))
    sent, lost = rig.settle()
    tally.note("database deleted in use", sent=sent, lost=lost, recovered_s=recovered)
    assert lost == 0


def test_the_spool_is_spoilt_while_in_use(rig: Rig, tally: Tally, long: bool) -> None:
    """What lies in it alone the daemon still knows: it goes into the database with the next transaction."""
    chance = random.Random(7)
    recovered = []
    rig.start()
    database = rig.ground.database
    file = spool.path_of(database)
    for number in range(30 if long else 3):
        rig.moving()
        wait_until(lambda: in_spool_alone(database), 30.0, "readings in the spool alone")
        if number % 3 == 0:
            file.write_bytes(b"")
        elif number % 3 == 1:
            size = file.stat().st_size
            with file.open("r+b") as spoilt:
                for _ in range(20):
                    spoilt.seek(chance.randrange(size))
                    spoilt.write(chance.randbytes(200))
        else:
            file.unlink()
        code, _ = rig.daemon.stop()
        assert code == 0
        recovered.append(rig.resume())
    sent, lost = rig.settle()
    tally.note("spool emptied, overwritten or deleted in use", sent=sent, lost=lost, recovered_s=recovered)
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
        saved = rig.stored()
        Backups(load_settings(rig.ground.config, {})).make(datetime.now(UTC))
        rig.daemon.kill()
        spoil(database, chance, number)
        recovered.append(rig.resume())
        found = rig.stored()
        lost_in_all += sum((saved - found).values())
        sent += sum(saved.values())
    rig.flow.stop()
    tally.note(
        "database truncated or overwritten while off (of what a backup held)",
        sent=sent, lost=lost_in_all, recovered_s=recovered,
    )  # fmt: skip
    assert lost_in_all == 0, "what a backup held"
    assert "Traceback" not in rig.daemon.log()

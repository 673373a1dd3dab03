"""What recording writes to disk, as /proc tells it: hours of readings on a clock of our own, a real database.

``python -m tests.bench.disk FOLDER PROBES HOURS`` is the process that is measured. Its engine, its database
and its transactions are the daemon's; only time is made to pass. As on a machine that runs in real time, what
has been changed in memory-mapped files is written out once it is 30 s old (Linux: vm.dirty_expire_centisecs).
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from hatchmon.adapters.mqtt import LinkUp
from hatchmon.adapters.store import Store
from hatchmon.adapters.store.spool import path_of
from hatchmon.app.engine import Engine
from hatchmon.app.settings import load_settings
from tests.bench.lines import Aim, Line
from tests.engines import Around, Hand, Probes

EVERY_S = 10
WRITTEN_AFTER_S = 30
WRITTEN_EVERY_S = 5
TARGET_BYTES = 800.0
TARGET_MB_A_DAY = 25.0


@dataclass(frozen=True, slots=True)
class Written:
    """What ``probes`` at EVERY_S wrote in ``hours``, a batch running at each: in so many transactions
    and pieces of the spool, all in ``bytes_a_reading``; ``kept_mb``: the database."""

    probes: int
    hours: float
    readings: int
    transactions: int
    spooled: int
    bytes_a_reading: float
    mb_a_day: float
    kept_mb: float


class _Flusher:
    """Writes the index of the write-ahead log out when the kernel would."""

    def __init__(self, database: Path) -> None:
        self._spool = path_of(database)
        self._spooled_ns = 0
        self.spooled = 0
        self._log = database.with_name(database.name + "-wal")
        self._index = database.with_name(database.name + "-shm")
        self._changed_ns = 0
        self._since_s: float | None = None
        self.transactions = 0

    def look(self, run_s: float) -> None:
        if self._spool.exists() and (spooled_ns := self._spool.stat().st_mtime_ns) != self._spooled_ns:
            self._spooled_ns = spooled_ns
            self.spooled += 1
        changed_ns = self._log.stat().st_mtime_ns
        if changed_ns != self._changed_ns:
            self._changed_ns = changed_ns
            self.transactions += 1
            if self._since_s is None:
                self._since_s = run_s

    def flush(self, run_s: float) -> None:
        if self._since_s is not None and run_s - self._since_s >= WRITTEN_AFTER_S:
            handle = os.open(self._index, os.O_RDWR)
            os.fsync(handle)
            os.close(handle)
            self._since_s = None


def _written_bytes() -> int:
    lines = Path("/proc/self/io").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes:"))


def work(folder: Path, probes: int, hours: float) -> Written:
    """Record in this process, and tell what that wrote."""
    config, database = folder / "hatchmon.toml", folder / "hatchmon.db"
    config.write_text(f'time_zone = "UTC"\n[store]\npath = "{database}"\n')
    clock = Hand()
    with Store(database) as store:
        engine = Engine(load_settings(config), store, clock, Around())
        speaking = Probes(engine, clock)
        engine.take(LinkUp(1, False, "5"))
        engine.turn()

        def speak(number: int) -> None:
            temp_c = 26.0 + 0.2 * math.sin(clock.run_s / 900.0 + number) + 0.001 * (speaking.sent % 7)
            speaking.send(f"cone-{number}", temp_c)

        for number in range(probes):
            speak(number)
        engine.turn()
        for number in range(probes):
            ask = {"do": "begin", "cone": f"cone-{number}", "lot": "tin 7", "grams": 4.0}
            store.ask(ask, "keeper", clock.now())
        engine.carry_out_requests()
        flusher = _Flusher(database)
        flusher.look(0.0)
        flusher.transactions = flusher.spooled = speaking.sent = 0
        before = _written_bytes()
        for second in range(round(hours * 3600.0)):
            clock.run_s = float(second)
            for number in range(probes):
                if (second + number * EVERY_S // probes) % EVERY_S == 0:
                    speak(number)
            engine.turn()
            flusher.look(clock.run_s)
            if second % WRITTEN_EVERY_S == 0:
                flusher.flush(clock.run_s)
        engine.close()
        os.sync()
        written = _written_bytes() - before
    return Written(
        probes,
        hours,
        speaking.sent,
        flusher.transactions,
        flusher.spooled,
        written / speaking.sent,
        written / 1e6 * 24.0 / hours,
        database.stat().st_size / 1e6,
    )


def written(folder: Path, probes: int, hours: float) -> Written:
    """The same in a process of its own."""
    folder.mkdir()
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.disk", str(folder), str(probes), str(hours)],
        capture_output=True,
        text=True,
        check=True,
    )
    return Written(**json.loads(done.stdout))


def lines(folder: Path, brief: bool) -> Iterator[Line]:
    """Many probes and few."""
    for probes, hours in ((36, 0.02 if brief else 2.0), (3, 0.05 if brief else 6.0)):
        found = written(folder / str(probes), probes, hours)
        kept = 1e6 * found.kept_mb / found.readings
        name = f"written a reading, {probes} probes every {EVERY_S} s"
        yardstick = "of what the database keeps of it"
        yield Line(
            name, found.bytes_a_reading, "bytes", found.bytes_a_reading / kept, yardstick, Aim(TARGET_BYTES)
        )
        yield Line(
            f"written a day, {probes} probes",
            found.mb_a_day,
            "MB",
            found.bytes_a_reading / kept,
            yardstick,
            Aim(TARGET_MB_A_DAY) if probes == 3 else None,
        )


if __name__ == "__main__":
    print(json.dumps(asdict(work(Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])))))

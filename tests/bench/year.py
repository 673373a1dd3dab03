"""A year of a hatchery as the daemon would have left it: how large, and how long everything takes with it.

Six cones with three quantities each are written every 10 s, filed, and made means of minutes after a month,
by the same calls that the daemon makes; the rest as in ``pages``.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from hatchmon.adapters.store import NewReading, Store, to_us
from hatchmon.adapters.store.dbfile import copy_whole
from hatchmon.app.settings_model import Store as StoreSettings
from hatchmon.app.storage import STREAMS_AT_ONCE
from hatchmon.hatchery.types import Verdict
from tests.bench import pages, start
from tests.bench.lines import Aim, Line
from tests.bench.memory import PAGE_TARGET_MB, imports_mb
from tests.servers import Mosquitto, free_port, wait_until
from tests.system.daemon import Daemon, Ground

EVERY_S = 10


def readings(store: Store, now: datetime, days: int, raw_days: int, every_s: int) -> None:
    """``days`` of readings until ``now``, day by day, older ones thinned as time goes on; and those since."""
    store._db.execute("PRAGMA synchronous = OFF")  # what is measured comes later
    first = now - timedelta(days=days)
    known = pages.streams(store, first)

    def write(begun: datetime, seconds: int) -> None:
        begun_us = to_us(begun)
        with store.atomic():
            store.add_readings(
                [
                    NewReading(
                        stream.stream_id,
                        begun_us + second * 1_000_000 + stream.stream_id,
                        round(level * (1.0 + 1e-4 * (second // every_s % 97)), 3),
                        Verdict.GOOD,
                        "receipt",
                    )
                    for second in range(0, seconds, every_s)
                    for stream, level in known
                ]
            )
        store.file_readings(0)

    for day in range(days):
        begun = first + timedelta(days=day)
        write(begun, 86_400)
        until = begun + timedelta(days=1 - raw_days)
        while store.thin_some(until, store.next_seq(), STREAMS_AT_ONCE):
            pass
    # This has taken a while, and no cone is to be silent since.
    write(now, int((datetime.now(UTC) - now).total_seconds()))


def lines(folder: Path, brief: bool) -> Iterator[Line]:
    """Size, start, screens and commands."""
    days, raw_days, every_s = (2, 1, 60) if brief else (pages.DAYS, StoreSettings().raw_days, EVERY_S)
    port = free_port()
    with Mosquitto(folder / "mosquitto") as broker:
        ground = Ground(folder / "year", broker.port, web=f"enabled = true\nport = {port}")
        ground.database.parent.mkdir(parents=True)
        now = datetime.now(UTC)
        with Store(ground.database) as store:
            readings(store, now, days, raw_days, every_s)
            pages.notes(store, now, max(days, 30), 24 if brief else pages.BATCHES)
            kept = store.rows("SELECT count(*) AS n FROM readings")[0]["n"]
        size_mb = ground.database.stat().st_size / 1e6
        copy = folder / "copy.db"
        copy_whole(ground.database, copy)
        compact_mb = copy.stat().st_size / 1e6
        copy.unlink()
        yield Line(f"database after {days} days", size_mb, "MB", size_mb / compact_mb, "of a compact copy")
        yield Line("a reading kept", 1e6 * size_mb / kept, "bytes", size_mb / compact_mb, "of a compact copy")
        yield from _in_use(ground, broker, port, brief)


def _in_use(ground: Ground, broker: Mosquitto, port: int, brief: bool) -> Iterator[Line]:
    unit_s = statistics.median(start.imports_s() for _ in range(1 if brief else 5))
    with Daemon(ground) as daemon:
        yield Line("start to READY, database looked through", daemon.ready_s, "s", daemon.ready_s / unit_s,
                   start.YARDSTICK)  # fmt: skip
    with Daemon(ground) as daemon:  # the one before it has ended in order
        aim = Aim(start.TARGET, ratio=True)
        yield Line("start to READY", daemon.ready_s, "s", daemon.ready_s / unit_s, start.YARDSTICK, aim)
        wait_until(daemon.connected, 60.0, "the broker")
        pages.heard(broker.port, ground.database)
        told = pages.visited(daemon, ground.database, port, 2 if brief else pages.VISITS)
        for screen in told.screens:
            yield Line(
                f"screen {screen.path}", screen.ms, "ms", screen.ms / told.style_ms, "of the style sheet",
                Aim(pages.TARGET_MS),
            )  # fmt: skip
        for kind, ms in told.firsts.items():
            yield Line(f"first visit to {kind}", ms, "ms", ms / told.style_ms, "of the style sheet")
        bare_mb = sum(imports_mb(("paho.mqtt.client",)).values())
        most = Aim(PAGE_TARGET_MB)
        yield Line("daemon, every screen visited", told.resident_mb, "MB", told.resident_mb / bare_mb,
                   "of Python with paho", most)  # fmt: skip
        commands = _commands(ground, brief)
        took: list[list[float]] = []
        imports = []
        for _ in range(1 if brief else 3):
            imports.append(start.imports_s())
            took.append([_took_s(ground, words) for words in commands])
        unit_s = statistics.median(imports)
        for words, times in zip(commands, zip(*took, strict=True), strict=True):
            seconds = statistics.median(times)
            shown = " ".join(str(word) for word in words if not isinstance(word, Path))
            yield Line(f"hatchmon {shown}", seconds, "s", seconds / unit_s, start.YARDSTICK)


def _took_s(ground: Ground, words: tuple[str | Path, ...]) -> float:
    for word in words:
        if isinstance(word, Path):
            word.unlink(missing_ok=True)
    begun = time.perf_counter()
    ground.done(*words)
    return time.perf_counter() - begun


def _commands(ground: Ground, brief: bool) -> list[tuple[str | Path, ...]]:
    """Of each command that reads or notes, one use. What is written is taken back."""
    out = ground.folder / "out"
    found: list[tuple[str | Path, ...]] = [
        ("now",),
        ("lots",),
        ("look", "cone-1", "few"),
        ("look", "cone-1", "--undo"),
        ("report", "6", "--out", out),
    ]
    if brief:
        return found
    month = f"{datetime.now(UTC) - timedelta(days=60):%Y-%m}"
    return [
        *found,
        ("batches",),
        ("batches", "6"),
        ("brood",),
        ("stock",),
        ("reading", "cone-1", "26.1"),
        ("seen",),
        ("export", "batches", "--out", out),
        ("export", "readings", "--cone", "cone-1", "--out", out),
        ("report", "--month", month, "--out", out),
        ("backup", out),
    ]

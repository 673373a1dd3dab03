"""The engine on a database in trouble: damage found while running, and a log that a reader holds open."""

from __future__ import annotations

import contextlib
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NoReturn

import pytest

from hatchmon.adapters.store import NewReading, Store, to_us
from hatchmon.app import export
from hatchmon.app.settings import load_settings
from hatchmon.app.storage import HOURS_THINNED_A_MINUTE, Disk, tidy_up
from hatchmon.hatchery.storage import Room, storage_facts
from hatchmon.hatchery.types import Batch, Quantity, Verdict
from tests.system.test_clock_jumps import MINUTE, Bench


def test_damage_found_while_running_is_passed_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The next start sees to it; to go on would make it worse."""
    bench = Bench(tmp_path)

    def malformed(*_: object) -> NoReturn:
        with contextlib.closing(sqlite3.connect(tmp_path / "spoilt.db")) as db:
            db.execute("CREATE TABLE t (x)")
            (tmp_path / "spoilt.db").write_bytes(b"x" * 4096)
            db.execute("SELECT * FROM t").fetchall()
        raise AssertionError("SQLite saw nothing")

    monkeypatch.setattr(Store, "add_readings", malformed)
    with pytest.raises(sqlite3.DatabaseError, match=r"not a database|malformed"):
        bench.run(25 * MINUTE)


def test_a_log_held_open_is_told_and_emptied_when_let_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hatchmon.app.storage.LOG_TIDY_BYTES", 50_000)
    monkeypatch.setattr("hatchmon.hatchery.storage.LOG_MOST_BYTES", 100_000)
    bench = Bench(tmp_path)
    log = tmp_path / "hatchmon.db-wal"
    with contextlib.closing(sqlite3.connect(tmp_path / "hatchmon.db", isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM readings").fetchall()
        bench.run(timedelta(hours=18))
        assert log.stat().st_size > 100_000
        told = [row["title"] for row in bench.rows("SELECT title FROM alerts WHERE kind = 'storage'")]
        assert [title for title in told if "log has grown" in title] == [
            "The database's log has grown to 0 MB"
        ]
        reader.execute("COMMIT")
    bench.run(5 * MINUTE)
    assert log.stat().st_size < 50_000


class Old:
    """Twelve hours of readings, a dozen a minute, of a month ago."""

    def __init__(self, folder: Path, series: bool) -> None:
        config = folder / "hatchmon.toml"
        server = '[series]\nurl = "http://127.0.0.1:9"\ntoken = "t"\norg = "o"\nbucket = "b"\n'
        path = folder / "hatchmon.db"
        raw_days = "raw_days = 20\n"
        config.write_text(
            f'time_zone = "UTC"\n[store]\npath = "{path}"\n{raw_days}{server if series else ""}'
        )
        self.settings = load_settings(config, {})
        self.store = Store(path)
        self.now = datetime(2026, 3, 31, 12, 0, tzinfo=UTC)
        self.began = self.now - timedelta(days=30)
        stream = self.store.add_stream("left", Quantity.TEMPERATURE, "C", "shed/left", self.began).stream_id
        self.store.add_readings(
            [
                NewReading(stream, to_us(self.began) + n * 5_000_000, 26.0, Verdict.GOOD, "receipt")
                for n in range(HOURS * AN_HOUR)
            ]
        )
        self.store.file_readings(0)

    def thinned(self) -> int:
        """Hours of which means are left."""
        means = self.store.rows("SELECT count(*) FROM readings WHERE filed = 2")[0][0]
        assert means % 60 == 0
        return int(means) // 60

    def minute(self) -> int:
        """What a minute's housekeeping thins out, in hours."""
        before = self.thinned()
        tidy_up(self.settings, self.store, Disk(self.store.path), self.now)
        return self.thinned() - before


HOURS = 12
AN_HOUR = 720


def test_a_few_hours_are_thinned_out_each_minute(tmp_path: Path) -> None:
    old = Old(tmp_path, series=False)
    assert [old.minute() for _ in range(4)] == [HOURS_THINNED_A_MINUTE] * 3 + [0]
    assert HOURS == 3 * HOURS_THINNED_A_MINUTE


def test_only_what_has_been_forwarded_is_thinned_out(tmp_path: Path) -> None:
    old = Old(tmp_path, series=True)
    assert old.minute() == 0
    old.store.set_series_cursor("readings", 2 * AN_HOUR + 17)
    assert [old.minute(), old.minute()] == [2, 0]
    old.store.set_series_cursor("readings", HOURS * AN_HOUR)
    assert [old.minute() for _ in range(4)] == [4, 4, 2, 0]


def test_nothing_is_thinned_out_from_a_day_before_a_batch_that_runs(tmp_path: Path) -> None:
    old = Old(tmp_path, series=False)
    started = old.began + timedelta(days=1, hours=5)
    batch = old.store.add_batch(Batch(0, "left", "tin 7", started, 4.0), "keeper")
    assert [old.minute() for _ in range(3)] == [4, 1, 0]
    old.store.end_batch(batch.batch_id, old.now - timedelta(days=19), "harvested")
    assert old.minute() == 0
    old.store.end_batch(batch.batch_id, old.now - timedelta(days=21), "harvested")
    assert [old.minute() for _ in range(3)] == [4, 3, 0]


def test_thinning_waits_while_somebody_holds_a_long_log_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = Old(tmp_path, series=False)
    monkeypatch.setattr("hatchmon.app.storage.LOG_TIDY_BYTES", 10_000)
    with contextlib.closing(sqlite3.connect(old.store.path, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM readings").fetchall()
        old.store.set_meta("something", "new")
        assert old.minute() == 0
        reader.execute("COMMIT")
    assert old.minute() == 4


def test_an_export_that_nobody_takes_holds_nothing_open(tmp_path: Path) -> None:
    old = Old(tmp_path, series=False)
    with Store(old.store.path, read_only=True) as reader:
        found = export.rows(reader, "readings", None)
        first = next(found)
        assert (first["cone"], first["value"], first["time"]) == ("left", 26.0, old.began.isoformat())
        old.store.set_meta("something", "new")
        assert old.store.truncate_log()
        assert sum(1 for _ in found) == HOURS * AN_HOUR - 1


def test_words() -> None:
    assert storage_facts(Room(10_000_000_000, 80_000_000, 1_000_000), None) == []
    (nearly,) = storage_facts(Room(300_000_000, 80_000_000, 1_000_000), None)
    assert nearly.title == "Disk nearly full: 300 MB left"
    assert nearly.body.startswith("The record takes 80 MB, and each backup as much again.")
    (log, backup) = storage_facts(Room(10_000_000_000, 80_000_000, 65_000_000), "it has 3 MB free")
    assert log.title == "The database's log has grown to 65 MB"
    assert (backup.title, backup.body) == (
        "No backup of the record was made",
        "It has 3 MB free. Older backups are kept, and hatchmon tries again at the next hour set for it.",
    )

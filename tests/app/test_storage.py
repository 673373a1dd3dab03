"""The engine on a database in trouble: damage found while running, and a log that a reader holds open."""

from __future__ import annotations

import contextlib
import sqlite3
from datetime import timedelta
from pathlib import Path
from typing import NoReturn

import pytest

from hatchmon.adapters.store import Store
from hatchmon.hatchery.storage import Room, storage_facts
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
        bench.run(5 * MINUTE)


def test_a_log_held_open_is_told_and_emptied_when_let_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hatchmon.app.storage.LOG_TIDY_BYTES", 100_000)
    monkeypatch.setattr("hatchmon.hatchery.storage.LOG_MOST_BYTES", 200_000)
    bench = Bench(tmp_path)
    log = tmp_path / "hatchmon.db-wal"
    with contextlib.closing(sqlite3.connect(tmp_path / "hatchmon.db", isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM readings").fetchall()
        bench.run(timedelta(hours=12))
        assert log.stat().st_size > 200_000
        told = [row["title"] for row in bench.store.rows("SELECT title FROM alerts WHERE kind = 'storage'")]
        assert [title for title in told if "log has grown" in title] == [
            "The database's log has grown to 0 MB"
        ]
        reader.execute("COMMIT")
    bench.run(5 * MINUTE)
    assert log.stat().st_size < 100_000


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

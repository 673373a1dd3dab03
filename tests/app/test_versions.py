"""What ``hatchmon --version`` tells, whatever the machine is like."""

from __future__ import annotations

import os
import platform
import sqlite3
from pathlib import Path

import pytest

from hatchmon import __version__
from hatchmon.adapters.store import Store
from hatchmon.adapters.store.migrations import STEPS
from hatchmon.app.versions import versions

KNOWN = len(STEPS)


@pytest.fixture
def database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    config = tmp_path / "hatchmon.toml"
    config.write_text(f'[store]\npath = "{tmp_path}/hatchmon.db"\n')
    monkeypatch.setenv("HATCHMON_CONFIG", str(config))
    return tmp_path / "hatchmon.db"


def marked(database: Path, version: int) -> None:
    Store(database).close()
    db = sqlite3.connect(database)
    db.execute(f"PRAGMA user_version = {version}")
    db.close()


def test_a_database_in_use(database: Path) -> None:
    with Store(database):
        told = versions()
    assert told == [
        f"hatchmon {__version__}",
        f"Python {platform.python_version()}",
        f"writes databases of version {KNOWN}",
        f"{database} has version {KNOWN}",
    ]


def test_no_database_is_made(database: Path) -> None:
    assert versions()[3] == f"no database at {database} yet"
    assert not database.exists()


def test_a_newer_database(database: Path) -> None:
    marked(database, KNOWN + 1)
    assert versions()[3] == f"{database} has version {KNOWN + 1}, of a newer hatchmon: upgrade this one"


def test_an_older_database_is_left_as_it_is(database: Path) -> None:
    marked(database, KNOWN - 1)
    before = database.read_bytes()
    assert versions()[3] == f"{database} has version {KNOWN - 1}: 'hatchmon run' brings it up when it starts"
    assert database.read_bytes() == before


def test_what_is_no_database(database: Path) -> None:
    database.write_bytes(b"a shopping list, nothing more\n" * 40)
    assert versions()[3] == f"{database} is not a hatchmon database; name another file in store.path"


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_database_that_may_not_be_read(database: Path) -> None:
    Store(database).close()
    database.chmod(0o000)
    assert f"{database} cannot be opened" in versions()[3]


def test_settings_that_cannot_be_read(database: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HATCHMON_CONFIG", str(database.with_name("nothing.toml")))
    told = versions()[3]
    assert told.startswith("no database was looked at: ")
    assert "nothing.toml" in told
    assert len(versions()) == 4

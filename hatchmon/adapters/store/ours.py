"""Which files are ours: who may read them, who holds the lock, whether it is a hatchmon database at all."""

from __future__ import annotations

import fcntl
import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hatchmon.adapters.store.dbfile import is_damage, quoted, reading

HOW_TO_OPEN = (
    "The database belongs to the service: put 'sudo -u hatchmon' before the command. To let the members of a "
    "group in, see 'Who may' in the README"
)
_FOR_ALL_OF_A_GROUP = stat.S_ISGID | stat.S_IWGRP
FOREIGN_FILE = "{} is not a hatchmon database; name another file in store.path"


class StoreError(Exception):
    """The database cannot be used; the message says why and how to mend it."""


class Taken(StoreError):
    """Another hatchmon process holds the database."""


def open_own(path: Path) -> int:
    """Open or make a file of ours, which nobody else may read, whatever the umask.

    In a folder that is open to its group and hands it on (mode 2770) the group may read and write it. SQLite
    gives its side files the same rights.
    """
    folder = path.parent.stat()
    mode = 0o660 if folder.st_mode & _FOR_ALL_OF_A_GROUP == _FOR_ALL_OF_A_GROUP else 0o600
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, mode)
        if os.geteuid() == 0 and folder.st_uid != 0:  # made by sudo, for the service to use
            os.fchown(handle, folder.st_uid, folder.st_gid)
    except FileExistsError:
        handle = os.open(path, os.O_RDWR)
    if os.geteuid() in (0, os.fstat(handle).st_uid):
        os.fchmod(handle, mode)
    return handle


def refuse_foreign(path: Path) -> None:
    """Raises StoreError for somebody else's database, before anything in it is changed."""
    if not path.exists() or path.stat().st_size == 0:
        return
    db = sqlite3.connect(f"file:{quoted(path)}?mode=ro", uri=True)
    try:
        tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    finally:
        db.close()
    if tables and not {"meta", "streams", "readings", "standings"} <= tables:
        raise StoreError(FOREIGN_FILE.format(path))


def version_of(path: Path) -> int | None:
    """The schema's version of the database at ``path``, None where there is none.

    Changes nothing. Raises StoreError when it cannot be told.
    """
    try:
        if not path.exists():
            return None
        refuse_foreign(path)
        with reading(path) as db:
            return int(db.execute("PRAGMA user_version").fetchone()[0])
    except sqlite3.DatabaseError as error:
        raise StoreError(explained(path, error)) from error
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror}. {HOW_TO_OPEN}") from error


@contextmanager
def writers_lock(path: Path) -> Iterator[None]:
    """Hold the lock of the writer of the database at ``path``. Raises Taken when another process has it."""
    handle = take_lock(path)
    try:
        yield
    finally:
        os.close(handle)


def take_lock(path: Path) -> int:
    handle = open_own(path.with_name(path.name + ".lock"))
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(handle)
        raise Taken(f"{path} is in use by another hatchmon process; stop that one first") from error
    return handle


def identity(path: Path) -> tuple[int, int] | None:
    """What tells a file from one that took its place; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def explained(path: Path, error: sqlite3.DatabaseError) -> str:
    if is_damage(error) and path.with_name(path.name + ".lock").exists():
        return (
            f"{path} is damaged ({error}). 'hatchmon run' sets it aside when it starts, and puts the newest "
            "copy in its place"
        )
    if "not a database" in str(error):
        return FOREIGN_FILE.format(path)
    if "unable to open" in str(error) or "readonly" in str(error):
        return f"{path} cannot be opened ({error}). {HOW_TO_OPEN}"
    return f"{path}: {error}"

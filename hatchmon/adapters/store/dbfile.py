"""A database as a file: is it whole, and a copy of it.

Source: SQLite's documentation of PRAGMA quick_check, PRAGMA integrity_check and VACUUM INTO.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

SIDES = ("", "-wal", "-shm")
_SHORT_READ = 522  # SQLITE_IOERR_SHORT_READ


def quoted(path: Path) -> str:
    """``path`` for a ``file:`` address."""
    return str(path).replace("%", "%25").replace("?", "%3f").replace("#", "%23")


@contextlib.contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection that can only read."""
    db = sqlite3.connect(f"file:{quoted(path)}?mode=ro", uri=True, isolation_level=None)
    try:
        db.text_factory = lambda text: text.decode("utf-8", "replace")  # damage may make nonsense of it
        db.execute("PRAGMA busy_timeout = 5000")
        yield db
    finally:
        db.close()


def is_damage(error: BaseException) -> bool:
    """Whether SQLite says that the file is not what it was left as."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and (code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
                                 or code == _SHORT_READ)  # fmt: skip


def damage(path: Path, *, thorough: bool = False) -> str | None:
    """What is wrong with the database at ``path``, None when it is whole; ``thorough`` looks at indexes too.

    Raises sqlite3.Error when that cannot be found out.
    """
    try:
        with reading(path) as db:
            check = "integrity_check" if thorough else "quick_check"
            found = [str(line) for (line,) in db.execute(f"PRAGMA {check}(1)")]
            lost = db.execute("PRAGMA foreign_key_check").fetchone() if thorough else None
    except sqlite3.DatabaseError as error:
        if is_damage(error):
            return str(error)
        raise
    except UnicodeDecodeError:  # of an error's own words, which quote the file
        return "what should be text is none"
    if found != ["ok"]:
        return " ".join(found[0].split())[:200]
    return None if lost is None else f"a row of table {lost[0]} belongs to nothing"


def copy_whole(path: Path, target: Path) -> None:
    """A compact copy of the database, safe while another process writes it, on disk when this returns.

    Raises sqlite3.Error or OSError, and then leaves no ``target``.
    """
    try:
        with reading(path) as db:
            db.execute("VACUUM INTO ?", (str(target),))
        to_disk(target)
    except BaseException:
        target.unlink(missing_ok=True)
        raise


def to_disk(path: Path) -> None:
    """Have a file, or the names in a folder, on the disk when this returns."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

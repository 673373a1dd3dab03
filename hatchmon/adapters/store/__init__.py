"""The database file: SQLite, one writer, everything the hatchery knows.

Times are stored as whole microseconds since 1970 UTC.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn

from hatchmon.adapters.store import spool
from hatchmon.adapters.store.alerts import Alerts
from hatchmon.adapters.store.asked import AskedReadings
from hatchmon.adapters.store.dbfile import quoted
from hatchmon.adapters.store.feeds import BatchChange, Feeds, cursor_key
from hatchmon.adapters.store.forecasts import forecast_json
from hatchmon.adapters.store.migrations import STEPS
from hatchmon.adapters.store.ours import (
    HOW_TO_OPEN,
    StoreError,
    Taken,
    explained,
    identity,
    open_own,
    refuse_foreign,
    take_lock,
    version_of,
    writers_lock,
)
from hatchmon.adapters.store.readings import NewReading, Stream, as_rows
from hatchmon.adapters.store.redating import Marks, Redating
from hatchmon.adapters.store.requests import Request, Requests
from hatchmon.adapters.store.supply import Supply
from hatchmon.adapters.store.times import from_us, to_us
from hatchmon.hatchery.types import Forecast, Refused

__all__ = [
    "BatchChange",
    "Marks",
    "NewReading",
    "Request",
    "Store",
    "StoreError",
    "Stream",
    "Taken",
    "forecast_json",
    "from_us",
    "open_own",
    "to_us",
    "version_of",
    "writers_lock",
]

PAGE_BYTES = 1024
_SPOOL_LOST = "spool_lost"


class Store(AskedReadings, Feeds, Alerts, Supply, Requests, Redating):
    """The database, opened for writing by one process or for reading by any number.

    ``exclusive`` takes the writer's lock (raises Taken when another process has it), and brings in what an
    earlier run has left in the spool. Who only reads sees what is in the spool now.
    """

    def __init__(self, path: Path, *, read_only: bool = False, exclusive: bool = True) -> None:
        self.path = path
        self._lock: int | None = None
        self.brought_in: tuple[datetime, datetime] | None = None
        """From when to when what this start found in the spool had been noted."""
        self._spool: spool.Spool | None = None
        self._named: set[int] = set()
        """Streams whose names the spool holds."""
        self._names: dict[int, tuple[str, str, str, str]] = {}
        """Cone, quantity, unit and topic of streams, by number; they never change."""
        try:
            refuse_foreign(path)
            spooled = spool.find(path) if read_only else None
            if read_only:
                if not path.exists():
                    raise StoreError(f"there is no database at {path} yet; it is made by 'hatchmon run'")
                self._db = sqlite3.connect(f"file:{quoted(path)}?mode=ro", uri=True, isolation_level=None)
            else:
                path.parent.mkdir(0o700, parents=True, exist_ok=True)
                if exclusive:
                    self._lock = take_lock(path)
                    for end in ("", "-wal", "-shm"):
                        file = path.with_name(path.name + end)
                        if not end or file.exists():
                            os.close(open_own(file))
                elif not path.exists():
                    raise StoreError(f"there is no database at {path} yet; it is made by 'hatchmon run'")
                self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            self._db.execute("PRAGMA busy_timeout = 5000")
            self._db.execute("PRAGMA foreign_keys = ON")
            if not read_only:
                # Small pages (for a new file): a commit of a few readings writes whole pages.
                self._db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
                self._db.execute("PRAGMA journal_mode = WAL")
                self._db.execute("PRAGMA synchronous = FULL")
                self._db.execute("PRAGMA journal_size_limit = 16777216")
                if exclusive:
                    self._migrate()
            self._check_version()
            if spooled is not None:
                spool.show(self._db, spooled)
            elif exclusive:
                self._bring_in_spool()
            self._file = identity(path)
        except sqlite3.DatabaseError as error:
            self.close()
            raise StoreError(explained(path, error)) from error
        except OSError as error:
            self.close()
            raise StoreError(f"{path}: {error.strerror}. {HOW_TO_OPEN}") from error
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Give up the file and the writer's lock; harmless when called twice."""
        if self._spool is not None:
            self._spool.close()
        if hasattr(self, "_db"):
            self._db.close()
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def lost(self) -> bool:
        """Whether the file was deleted or replaced while we hold it open."""
        return identity(self.path) != self._file

    def put_back(self) -> NoReturn:
        """Put a whole copy of a lost file in its place. Raises StoreError saying so, always.

        What SQLite holds of a deleted file can still be read, until it is closed. A file that took its
        place is left as it is, and the copy gets a name of its own beside it.
        """
        found = identity(self.path)
        copy = self.path.with_name(f"{self.path.name}.found-{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
        try:
            self.backup(copy)
            if found is None:
                for side in ("-wal", "-shm"):  # of no use to the copy, which is whole
                    self.path.with_name(self.path.name + side).unlink(missing_ok=True)
                os.close(open_own(copy))
                copy = copy.rename(self.path)
        except (OSError, sqlite3.Error, Refused) as error:
            raise StoreError(f"{self.path} was deleted or replaced while in use, and {error}") from error
        happened = "deleted" if found is None else "replaced"
        raise StoreError(
            f"{self.path} was {happened} while hatchmon used it. All it held is in {copy}. Start "
            "hatchmon again; another time stop it before you move its database"
        )

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _migrate(self) -> None:
        version = self._version()
        for number, step in enumerate(STEPS[version:], start=version + 1):
            with self.atomic():
                for statement in _statements(step):
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA user_version = {number}")

    def _check_version(self) -> None:
        version = self._version()
        if version > len(STEPS):
            raise StoreError(
                f"{self.path} was written by a newer hatchmon (its version is {version}, this program "
                f"knows {len(STEPS)}); upgrade hatchmon"
            )
        if version < len(STEPS):
            raise StoreError(f"{self.path} is of an older version; start 'hatchmon run' once to bring it up")

    def _version(self) -> int:
        return int(self._db.execute("PRAGMA user_version").fetchone()[0])

    def _bring_in_spool(self) -> None:
        found = spool.find(self.path)
        with self.atomic():
            missing = found.missing(spool.folded(self._db))
            span = spool.fold(self._db, found)
            if span is not None and missing:
                self.set_meta(_SPOOL_LOST, json.dumps(span))
        if span is not None:
            self.brought_in = from_us(span[0]), from_us(span[1])
        spool.path_of(self.path).unlink(missing_ok=True)
        self._spool = spool.Spool(self.path, spool.folded(self._db), open_own)

    def spool_lost(self) -> tuple[datetime, datetime] | None:
        """From when to when the pieces of a spool were noted of which some could not be read, until
        ``forget_spool_lost``."""
        text = self.meta(_SPOOL_LOST)
        if not text:
            return None
        first, last = json.loads(text)
        return from_us(first), from_us(last)

    def forget_spool_lost(self) -> None:
        """The keeper has word of it."""
        self._db.execute("DELETE FROM meta WHERE key = ?", (_SPOOL_LOST,))

    def put_in_spool(
        self,
        readings: Sequence[NewReading],
        forecasts: Sequence[tuple[int, Forecast]],
        deliveries: Sequence[int],
        alive: datetime | None,
        cursors: Mapping[str, int],
        now: datetime,
    ) -> None:
        """Have readings (anew, where their verdict has changed), forecasts by batch, deliveries, a sign of
        life and cursors by feed on disk without a transaction. The next one has to hold them, too, and
        ``note_folded``. Raises OSError."""
        assert self._spool is not None
        new = {reading.stream_id for reading in readings} - self._named
        if not new <= self._names.keys():
            self._names = {
                stream.stream_id: (stream.cone, stream.quantity.value, stream.unit, stream.topic)
                for stream in self.streams()
            }
        names = {number: self._names[number] for number in sorted(new)}
        alive_us = None if alive is None else to_us(alive)
        issued = [(batch_id, to_us(each.issued), forecast_json(each)) for batch_id, each in forecasts]
        keys = {cursor_key(feed): up_to for feed, up_to in cursors.items()}
        self._spool.append(
            spool.Piece(to_us(now), as_rows(readings), issued, deliveries, names, alive_us, keys)
        )
        self._named |= new

    def note_folded(self) -> None:
        """This transaction holds all that was spooled so far."""
        assert self._spool is not None
        if self._spool.holds:
            spool.set_folded(self._db, self._spool.number)

    def clear_spool(self) -> None:
        """That transaction is on disk."""
        assert self._spool is not None
        self._spool.folded()
        self._named.clear()

    def add_missing(self, table: str, rows: Iterable[dict[str, Any]]) -> int:
        """Add the rows (by column) that the table lacks and takes; how many those were. ``table`` is a name
        of the program's."""
        added = 0
        columns = {row["name"] for row in self.rows(f"PRAGMA table_info({table})")}
        for row in rows:
            if not row.keys() <= columns:
                continue
            names, marks = ", ".join(row), ", ".join("?" * len(row))
            try:
                added += self._db.execute(
                    f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({marks})", tuple(row.values())
                ).rowcount
            except sqlite3.IntegrityError:  # its batch is not there, or it is not what the table holds
                continue
        return added

    def truncate_log(self) -> bool:
        """Empty the write-ahead log, without waiting for anybody who reads; False when somebody does."""
        self._db.execute("PRAGMA busy_timeout = 0")
        try:
            busy = self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        finally:
            self._db.execute("PRAGMA busy_timeout = 5000")
        return not busy

    def backup(self, target: Path) -> None:
        """A consistent copy, safe while the daemon runs. Raises Refused if ``target`` exists."""
        if target.exists():
            raise Refused(f"{target} exists already; name a new file.")
        try:
            os.close(open_own(target))
            copy = sqlite3.connect(target)
        except OSError as error:
            raise Refused(f"{target} cannot be written: {error.strerror}.") from error
        except sqlite3.OperationalError as error:
            raise Refused(f"{target} cannot be written: {error}.") from error
        spooled = spool.find(self.path)
        try:
            self._db.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
        finally:
            copy.close()
        spool.fold_copy(target, spooled)


def _statements(step: str) -> Iterator[str]:
    """The statements of a step one by one; a trigger has semicolons inside."""
    begun = ""
    for piece in step.split(";"):
        begun += f"{piece};"
        if sqlite3.complete_statement(begun):
            yield begun
            begun = ""

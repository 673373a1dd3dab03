"""The database file: SQLite, one writer, everything the hatchery knows.

Times are stored as whole microseconds since 1970 UTC.
"""

from __future__ import annotations

import fcntl
import json
import os
import sqlite3
import stat
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple, NoReturn

from hatchmon.adapters import spool
from hatchmon.adapters.dbfile import is_damage, quoted, reading
from hatchmon.adapters.migrations import STEPS
from hatchmon.hatchery.alerts import Standing
from hatchmon.hatchery.review import Stretch
from hatchmon.hatchery.supply.demand import Brood
from hatchmon.hatchery.supply.stock import Stock
from hatchmon.hatchery.types import (
    Alert,
    Band,
    Batch,
    Count,
    Forecast,
    Look,
    Quantity,
    Refused,
    Urgency,
    Verdict,
)
from hatchmon.hatchery.units import to_inner

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
REJECTED_KEPT = 10_000
REQUESTS_KEPT = 20_000  # a button that hangs presses itself 14,400 times a day at most
PLANS_KEPT = 100
LETTER_TRIES = 5  # at the least, before one is given up: a machine that was off has not tried
_NOTED = {  # what the machine's clock dates beside readings: the feed, the number, the time
    "forecasts": ("forecasts", "forecast_id", "issued_us"),
    "alerts": ("alerts", "alert_id", "raised_us"),
    "batch_changes": ("batches", "change_id", "time_us"),
}
PAGE_BYTES = 1024
_SPOOL_LOST = "spool_lost"
FILE_FROM = 4096
FILE_PER_STREAM = 16
_MINUTE_US = 60_000_000
_HOUR_US = 3_600_000_000
_HOW_TO_OPEN = (
    "The database belongs to the service: put 'sudo -u hatchmon' before the command. To let the members of a "
    "group in, see 'Who may' in the README"
)
_FOR_ALL_OF_A_GROUP = stat.S_ISGID | stat.S_IWGRP
_USABLE = "('good', 'step', 'suspect')"
FOREIGN_FILE = "{} is not a hatchmon database; name another file in store.path"


class StoreError(Exception):
    """The database cannot be used; the message says why and how to mend it."""


class Taken(StoreError):
    """Another hatchmon process holds the database."""


def to_us(moment: datetime) -> int:
    """Whole microseconds since 1970 UTC."""
    return (moment - _EPOCH) // _MICROSECOND


def from_us(us: int) -> datetime:
    """The aware UTC moment of ``us`` microseconds since 1970."""
    return _EPOCH + timedelta(microseconds=us)


@dataclass(frozen=True, slots=True)
class Stream:
    """One probe's readings of one quantity; an empty topic means taken by hand."""

    stream_id: int
    cone: str
    quantity: Quantity
    unit: str
    topic: str


class NewReading(NamedTuple):
    """A reading to be stored: ``dated_by`` whose clock, by which message (``delivery``)."""

    stream_id: int
    time_us: int
    raw: float
    verdict: Verdict
    dated_by: str
    delivery: int | None = None


@dataclass(frozen=True, slots=True)
class Request:
    """What a keeper asked for: ``body`` is the decoded JSON. For one that came over MQTT ``answer_to`` is the
    topic of the answer and ``ref`` what the sender calls it."""

    request_id: int
    made: datetime
    by: str
    body: dict[str, Any]
    answer_to: str | None = None
    ref: str | None = None


@dataclass(frozen=True, slots=True)
class Marks:
    """Where the record stood at one moment: the numbers that the next of each would get, or less, and the
    batches (``running``) that had not ended."""

    readings: int
    batches: int = 1
    looks: int = 1
    counts: int = 1
    forecasts: int = 1
    alerts: int = 1
    batch_changes: int = 1
    running: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class BatchChange:
    """A change to a batch: the ``batch`` as it is now, or None when it is no longer there; then ``dropped``
    tells (cone, lot, start), in the change that took it back."""

    change_id: int
    time_us: int
    batch: Batch | None
    dropped: tuple[str, str, datetime] | None


class Store:
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
        try:
            _refuse_foreign(path)
            spooled = spool.find(path) if read_only else None
            if read_only:
                if not path.exists():
                    raise StoreError(f"there is no database at {path} yet; it is made by 'hatchmon run'")
                self._db = sqlite3.connect(f"file:{quoted(path)}?mode=ro", uri=True, isolation_level=None)
            else:
                path.parent.mkdir(0o700, parents=True, exist_ok=True)
                if exclusive:
                    self._lock = _take_lock(path)
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
            self._file = _identity(path)
        except sqlite3.DatabaseError as error:
            self.close()
            raise StoreError(_explained(path, error)) from error
        except OSError as error:
            self.close()
            raise StoreError(f"{path}: {error.strerror}. {_HOW_TO_OPEN}") from error
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
        return _identity(self.path) != self._file

    def put_back(self) -> NoReturn:
        """Put a whole copy of a lost file in its place. Raises StoreError saying so, always.

        What SQLite holds of a deleted file can still be read, until it is closed. A file that took its
        place is left as it is, and the copy gets a name of its own beside it.
        """
        found = _identity(self.path)
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

    @contextmanager
    def atomic(self) -> Iterator[None]:
        """Everything inside is stored, or nothing. May be nested: the outermost commits."""
        if self._db.in_transaction:
            yield
            return
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:  # a full disk has ended it already
                self._db.execute("ROLLBACK")
            raise

    def rows(self, sql: str, *values: object) -> list[sqlite3.Row]:
        """All rows of a query, addressable by column name."""
        cursor = self._db.execute(sql, values)
        cursor.row_factory = sqlite3.Row
        return cursor.fetchall()

    def each(self, sql: str, values: dict[str, object]) -> Iterator[sqlite3.Row]:
        """The rows of a query one by one, for results too large to hold.

        However long the caller takes over them, the database is not kept open: they are set apart first.
        """
        self._db.execute("DROP TABLE IF EXISTS temp.found")
        self._db.execute(f"CREATE TEMP TABLE found AS {sql}", values)
        cursor = self._db.execute("SELECT * FROM temp.found ORDER BY rowid")
        cursor.row_factory = sqlite3.Row
        yield from cursor

    # --- schema ------------------------------------------------------------------------------

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

    # --- the spool ---------------------------------------------------------------------------

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
        names = {
            stream.stream_id: (stream.cone, stream.quantity.value, stream.unit, stream.topic)
            for number in sorted(new)
            for stream in self._streams_where("stream_id = ?", number)
        }
        alive_us = None if alive is None else to_us(alive)
        issued = [(batch_id, to_us(each.issued), forecast_json(each)) for batch_id, each in forecasts]
        keys = {_cursor_key(feed): up_to for feed, up_to in cursors.items()}
        self._spool.append(
            spool.Piece(to_us(now), _rows(readings), issued, deliveries, names, alive_us, keys)
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

    # --- small facts -------------------------------------------------------------------------

    def meta(self, key: str, default: str = "") -> str:
        """A remembered value, or ``default``."""
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return str(row[0]) if row else default

    def set_meta(self, key: str, value: str) -> None:
        """Remember a value."""
        self._db.execute(
            "INSERT INTO meta VALUES (?, ?) ON CONFLICT DO UPDATE SET value = excluded.value", (key, value)
        )

    def data_version(self) -> int:
        """A number that changes when another process has written."""
        return int(self._db.execute("PRAGMA data_version").fetchone()[0])

    # --- cones, streams, readings ------------------------------------------------------------

    def cones(self) -> list[str]:
        """All cones that ever had a reading, by name; others are known from a notebook only."""
        return [row["cone"] for row in self.rows("SELECT DISTINCT cone FROM streams ORDER BY cone")]

    def streams(self) -> list[Stream]:
        """All streams ever seen."""
        return self._streams_where("1")

    def _streams_of(self, cone: str, quantity: Quantity) -> list[Stream]:
        return self._streams_where("cone = ? AND quantity = ?", cone, quantity.value)

    def _streams_where(self, where: str, *values: object) -> list[Stream]:
        return [
            Stream(row["stream_id"], row["cone"], Quantity(row["quantity"]), row["unit"], row["topic"])
            for row in self.rows(f"SELECT * FROM streams WHERE {where} ORDER BY stream_id", *values)
        ]

    def add_stream(self, cone: str, quantity: Quantity, unit: str, topic: str, now: datetime) -> Stream:
        """The stream, made if it is new, and its cone with it."""
        self._db.execute("INSERT OR IGNORE INTO cones VALUES (?, ?)", (cone, to_us(now)))
        self._db.execute(
            "INSERT OR IGNORE INTO streams (cone, quantity, unit, topic) VALUES (?, ?, ?, ?)",
            (cone, quantity.value, unit, topic),
        )
        row = self.rows(
            "SELECT stream_id FROM streams WHERE cone = ? AND quantity = ? AND unit = ? AND topic = ?",
            cone, quantity.value, unit, topic,
        )[0]  # fmt: skip
        return Stream(row["stream_id"], cone, quantity, unit, topic)

    def add_readings(self, readings: Sequence[NewReading]) -> None:
        """Store readings; (stream, time) must be new."""
        self._db.executemany(
            """INSERT INTO readings (stream_id, time_us, raw, verdict, dated_by, delivery)
               VALUES (?, ?, ?, ?, ?, ?)""",
            _rows(readings),
        )

    def unfiled(self) -> int:
        """How many of the newest readings are not in the index yet."""
        return self.next_seq() - 1 - self._filed_up_to()

    def file_readings(self, keep_deliveries: int) -> None:
        """Take all readings into the index; all but the newest ``keep_deliveries`` forget their delivery.

        Should two of a stream bear the same time, which the caller sees to, the first one counts.
        """
        with self.atomic():
            newest = self.next_seq() - 1
            self._db.execute(
                """UPDATE OR IGNORE readings SET filed = 1, delivery = CASE WHEN seq > ? THEN delivery END
                   WHERE seq > ? AND filed = 0""",
                (newest - keep_deliveries, self._filed_up_to()),
            )
            self._db.execute("UPDATE filing SET up_to = ?", (newest,))

    def thin_an_hour(self, until: datetime, forwarded: int) -> bool:
        """Make means of a minute of the oldest hour of probes' readings that still is whole; False when there
        is none before ``until``, or when it has readings with a number above ``forwarded``.

        A minute's usable readings become one, at their mean time; its unfit ones one of each verdict.
        """
        start = int(self.meta("thinned_us", "-1"))
        if start < 0:
            oldest = self._db.execute("SELECT min(time_us) FROM readings WHERE filed > 0").fetchone()[0]
            if oldest is None:
                return False
            start = oldest - oldest % _HOUR_US
        if start + _HOUR_US > to_us(until):
            return False
        with self.atomic():
            for stream in self.streams():
                if not stream.topic:
                    continue
                minutes: dict[tuple[int, str], list[tuple[int, int, float, str]]] = {}
                for row in self._db.execute(
                    """SELECT seq, time_us, raw, verdict FROM readings WHERE filed > 0
                       AND stream_id = ? AND time_us >= ? AND time_us < ? ORDER BY time_us""",
                    (stream.stream_id, start, start + _HOUR_US),
                ):
                    if row[0] > forwarded:
                        return False
                    kind = "" if Verdict(row[3]).usable else row[3]
                    minutes.setdefault((row[1] // _MINUTE_US, kind), []).append(row)
                for rows in minutes.values():
                    if len(rows) > 1:
                        self._make_one(stream.stream_id, rows)
            self.set_meta("thinned_us", str(start + _HOUR_US))
        return True

    def _make_one(self, stream_id: int, rows: Sequence[tuple[int, int, float, str]]) -> None:
        # The newest reading of all must stay: its number is not to be given again.
        seq, _, _, verdict = max(rows)
        if any(row[3] == Verdict.GOOD.value for row in rows):
            verdict = Verdict.GOOD.value
        self._db.executemany(
            "DELETE FROM readings WHERE seq = ?", [(row[0],) for row in rows if row[0] != seq]
        )
        mean_us = sum(row[1] for row in rows) // len(rows)
        mean = sum(row[2] for row in rows) / len(rows)
        taken = "SELECT 1 FROM readings WHERE stream_id = ? AND time_us = ? AND filed > 0 AND seq <> ?"
        while self._db.execute(taken, (stream_id, mean_us, seq)).fetchone():  # by one of another verdict
            mean_us += 1
        self._db.execute(
            """UPDATE readings SET time_us = ?, raw = ?, verdict = ?, filed = 2, delivery = NULL
               WHERE seq = ?""",
            (mean_us, mean, verdict, seq),
        )

    def filing_due(self) -> bool:
        """Whether enough has come for the index to be brought up to date cheaply."""
        few = FILE_PER_STREAM * self._db.execute("SELECT count(*) FROM streams").fetchone()[0]
        return self.unfiled() >= max(FILE_FROM, int(few))

    def _filed_up_to(self) -> int:
        return int(self._db.execute("SELECT up_to FROM filing").fetchone()[0])

    def add_deliveries(self, deliveries: Sequence[int], keep: int) -> None:
        """Remember messages of which no reading tells; the newest ``keep`` of them."""
        for delivery in deliveries:
            cursor = self._db.execute("INSERT INTO deliveries (delivery) VALUES (?)", (delivery,))
            self._db.execute("DELETE FROM deliveries WHERE number <= ?", ((cursor.lastrowid or 0) - keep,))

    def deliveries(self, most: int) -> list[int]:
        """What the newest messages were, as far as they are remembered; of about ``most`` of them."""
        found: list[int] = []
        for table, key in (("readings", "seq"), ("deliveries", "number")):
            rows = self._db.execute(
                f"""SELECT delivery FROM (SELECT delivery FROM {table} ORDER BY {key} DESC LIMIT ?)
                    WHERE delivery IS NOT NULL""",
                (2 * most,),
            )
            found += [delivery for (delivery,) in rows]
        return found[::-1]

    def usual_day(self, cone: str, quantity: Quantity, start: datetime, end: datetime) -> list[sqlite3.Row]:
        """Mean by hour of the UTC day of a cone's usable readings in [start, end]: hour, unit, mean, count;
        only from streams that reach over three days."""
        found: list[sqlite3.Row] = []
        span = (to_us(start), to_us(end))
        for stream in self._probes_of(cone, quantity):
            among = "FROM by_stream WHERE stream_id = ? AND time_us BETWEEN ? AND ?"
            first, last = (
                self._db.execute(
                    f"SELECT time_us {among} ORDER BY time_us {order} LIMIT 1", (stream.stream_id, *span)
                ).fetchone()
                for order in ("ASC", "DESC")
            )
            if first is not None and last[0] - first[0] >= 3 * 86_400_000_000:
                found += self.rows(
                    f"""SELECT (time_us / 3600000000) % 24 AS hour, '{stream.unit}' AS unit,
                        avg(raw) AS mean, count(*) AS count {among} AND verdict IN {_USABLE}
                        GROUP BY hour ORDER BY hour""",
                    stream.stream_id, *span,
                )  # fmt: skip
        return found

    def _probes_of(self, cone: str, quantity: Quantity) -> list[Stream]:
        return [stream for stream in self._streams_of(cone, quantity) if stream.topic]

    def raw_at(self, stream_id: int, time_us: int) -> float | None:
        """The raw value stored for that very microsecond, if any."""
        row = self._db.execute(
            "SELECT raw FROM by_stream WHERE stream_id = ? AND time_us = ?", (stream_id, time_us)
        ).fetchone()
        return None if row is None else float(row[0])

    def revise(self, stream_id: int, time: datetime, verdict: Verdict) -> None:
        """Change the verdict on a stored reading."""
        self._db.execute(
            """UPDATE readings SET verdict = ?
               WHERE seq IN (SELECT seq FROM by_stream WHERE stream_id = ? AND time_us = ?)""",
            (verdict.value, stream_id, to_us(time)),
        )

    def recent(self, stream_id: int, count: int) -> list[tuple[datetime, float, Verdict]]:
        """The newest ``count`` readings of a stream whose time can be believed, as (time, raw, verdict),
        oldest first."""
        rows = self._db.execute(
            """SELECT time_us, raw, verdict FROM by_stream WHERE stream_id = ?
               AND verdict NOT IN ('future', 'retained', 'late', 'undated') ORDER BY time_us DESC LIMIT ?""",
            (stream_id, count),
        ).fetchall()
        return [(from_us(us), raw, Verdict(verdict)) for us, raw, verdict in reversed(rows)]

    def newest_us(self, stream_id: int) -> int:
        """The latest time stored for a stream, whatever its verdict; -1 without any."""
        row = self._db.execute(
            "SELECT time_us FROM by_stream WHERE stream_id = ? ORDER BY time_us DESC LIMIT 1", (stream_id,)
        ).fetchone()
        return -1 if row is None else int(row[0])

    def same_since(self, stream_id: int) -> datetime | None:
        """Since when the newest usable value of a stream has not changed by a single bit."""
        usable = f"FROM by_stream WHERE stream_id = ? AND verdict IN {_USABLE}"
        newest = self._db.execute(
            f"SELECT raw, time_us {usable} ORDER BY time_us DESC LIMIT 1", (stream_id,)
        ).fetchone()
        if newest is None:
            return None
        other = self._db.execute(
            f"SELECT time_us {usable} AND raw <> ? ORDER BY time_us DESC LIMIT 1", (stream_id, newest[0])
        ).fetchone()
        first = self._db.execute(
            f"SELECT time_us {usable} AND time_us > ? ORDER BY time_us LIMIT 1",
            (stream_id, -1 if other is None else other[0]),
        ).fetchone()
        return from_us(first[0])

    def usable_readings(
        self, cone: str, quantity: Quantity, start: datetime, end: datetime
    ) -> Iterator[tuple[datetime, float, Verdict]]:
        """(time, value in the unit used inside, verdict) of a cone's usable readings in [start, end],
        oldest first."""
        units = {stream.stream_id: stream.unit for stream in self._streams_of(cone, quantity)}
        found = [
            (us, units[stream_id], raw, verdict)
            for stream_id in units
            for us, raw, verdict in self._db.execute(
                f"""SELECT time_us, raw, verdict FROM by_stream WHERE stream_id = ?
                    AND time_us BETWEEN ? AND ? AND verdict IN {_USABLE} ORDER BY time_us""",
                (stream_id, to_us(start), to_us(end)),
            )
        ]
        if len(units) > 1:
            found.sort(key=lambda row: row[0])
        for us, unit, raw, verdict in found:
            yield from_us(us), to_inner(raw, unit), Verdict(verdict)

    def received_last_us(self) -> int:
        """When the reading stored last was received, if it was dated then; else 0."""
        row = self._db.execute("SELECT time_us, dated_by FROM readings ORDER BY seq DESC LIMIT 1").fetchone()
        return int(row[0]) if row is not None and row[1] == "receipt" else 0

    def stretches(
        self, cone: str, quantity: Quantity, start: datetime, end: datetime, seconds: int
    ) -> list[Stretch]:
        """A cone's readings in [start, end], usable or not, summed up by verdict over each stretch of so many
        seconds; hours count from ``start``."""
        start_us = to_us(start)
        found = []
        for stream in self._streams_of(cone, quantity):
            rows = self._db.execute(
                """SELECT min(time_us), max(time_us), count(*), min(raw), avg(raw), max(raw), verdict
                   FROM by_stream WHERE stream_id = ? AND time_us BETWEEN ? AND ?
                   GROUP BY (time_us - ?) / ?, verdict""",
                (stream.stream_id, start_us, to_us(end), start_us, seconds * 1_000_000),
            )
            for first_us, last_us, count, least, mean, most, verdict in rows:
                from_h, until_h = ((us - start_us) / 3.6e9 for us in (first_us, last_us))
                low, middle, high = (to_inner(raw, stream.unit) for raw in (least, mean, most))
                found.append(Stretch(from_h, until_h, count, low, middle, high, Verdict(verdict)))
        return found

    def mean_of_minutes(self, cone: str, quantity: Quantity, start: datetime, end: datetime) -> float | None:
        """The mean of a cone's usable readings in [start, end], every minute that has any counting alike, in
        the unit used inside; None without any."""
        start_us = to_us(start)
        total = minutes = 0.0
        for stream in self._streams_of(cone, quantity):
            count, mean = self._db.execute(
                f"""SELECT count(*), avg(mean) FROM (SELECT avg(raw) AS mean FROM by_stream
                    WHERE stream_id = ? AND time_us BETWEEN ? AND ? AND verdict IN {_USABLE}
                    GROUP BY (time_us - ?) / 60000000)""",
                (stream.stream_id, start_us, to_us(end), start_us),
            ).fetchone()
            if count:
                total += count * to_inner(mean, stream.unit)
                minutes += count
        return total / minutes if minutes else None

    def readings_after(self, seq: int, most: int) -> list[sqlite3.Row]:
        """Readings with a number above ``seq``, in order: seq, cone, quantity, unit, time_us, raw, verdict,
        and the lot in the cone at that time (or null)."""
        return self.rows(
            """SELECT r.seq, s.cone, s.quantity, s.unit, r.time_us, r.raw, r.verdict, (
                 SELECT b.lot FROM batches b WHERE b.cone = s.cone AND b.started_us <= r.time_us
                 AND (b.ended_us IS NULL OR r.time_us < b.ended_us) LIMIT 1) AS lot
               FROM readings r JOIN streams s USING (stream_id) WHERE r.seq > ? ORDER BY r.seq LIMIT ?""",
            seq, most,
        )  # fmt: skip

    def forecasts_after(self, forecast_id: int, most: int) -> list[tuple[int, Batch, Forecast]]:
        """(number, batch, forecast) of those with a number above ``forecast_id``, in order."""
        rows = self.rows(
            "SELECT * FROM forecasts WHERE forecast_id > ? ORDER BY forecast_id LIMIT ?", forecast_id, most
        )
        batches = self._batches_by_id(row["batch_id"] for row in rows)
        return [
            (row["forecast_id"], batches[row["batch_id"]], _forecast_from(row["issued_us"], row["body"]))
            for row in rows
        ]

    def alerts_after(self, alert_id: int, most: int) -> list[sqlite3.Row]:
        """Alerts with a number above ``alert_id``, in order: alert_id, kind, cone, urgency, title, raised_us,
        and the lot of the batch they are about (or null)."""
        return self.rows(
            """SELECT a.alert_id, a.kind, a.cone, a.urgency, a.title, a.raised_us, b.lot FROM alerts a
               LEFT JOIN batches b ON a.scope = 'batch ' || b.batch_id
               WHERE a.alert_id > ? ORDER BY a.alert_id LIMIT ?""",
            alert_id, most,
        )  # fmt: skip

    def batch_changes_after(self, change_id: int, most: int) -> list[BatchChange]:
        """Changes to batches, their looks or their counts with a number above ``change_id``, in order; those
        of one batch in one transaction are one."""
        rows = self.rows(
            """SELECT max(change_id) AS change_id, batch_id, time_us, cone, lot, started_us FROM batch_changes
               WHERE change_id > ? AND time_us IS NOT NULL
               GROUP BY batch_id, time_us ORDER BY 1 LIMIT ?""",
            change_id, most,
        )  # fmt: skip
        batches = self._batches_by_id(row["batch_id"] for row in rows)
        return [
            BatchChange(
                row["change_id"],
                row["time_us"],
                batches.get(row["batch_id"]),
                None if row["cone"] is None else (row["cone"], row["lot"], from_us(row["started_us"])),
            )
            for row in rows
        ]

    def _batches_by_id(self, numbers: Iterable[int]) -> dict[int, Batch]:
        return {
            number: found[0] for number in set(numbers) if (found := self.batches("batch_id = ?", number))
        }

    def date_changes(self, now: datetime) -> None:
        """Put a time on the changes to batches made in this transaction."""
        self._db.execute("UPDATE batch_changes SET time_us = ? WHERE time_us IS NULL", (to_us(now),))

    def add_series_refused(self, feed: str, seq: int, line: str, reason: str) -> None:
        """Set aside a line that the series store refuses for good; only the newest REJECTED_KEPT stay."""
        cursor = self._db.execute(
            "INSERT OR REPLACE INTO series_refused VALUES (?, ?, ?, ?)", (feed, seq, line, reason)
        )
        if (cursor.lastrowid or 0) % 256 == 0:
            self._db.execute(
                "DELETE FROM series_refused WHERE rowid <= ?", ((cursor.lastrowid or 0) - REJECTED_KEPT,)
            )

    def lines_refused(self) -> int:
        """How many lines that the series store refuses are set aside."""
        return int(self._db.execute("SELECT count(*) FROM series_refused").fetchone()[0])

    def series_cursor(self, feed: str) -> int:
        """The number up to which a feed has been forwarded to the series store."""
        return int(self.meta(_cursor_key(feed), "0"))

    def set_series_cursor(self, feed: str, up_to: int) -> None:
        """Remember how far a feed has been forwarded."""
        self.set_meta(_cursor_key(feed), str(up_to))

    def rejected_since(self, time: datetime) -> list[tuple[str, str]]:
        """(topic, reason) of the messages that could not be read since ``time``, oldest first."""
        rows = self.rows(
            "SELECT topic, reason FROM rejected WHERE time_us >= ? ORDER BY rejected_id", to_us(time)
        )
        return [(row["topic"], row["reason"]) for row in rows]

    def add_rejected(self, time: datetime, topic: str, payload: bytes, reason: str) -> None:
        """Keep a message that could not be read; only the newest REJECTED_KEPT stay."""
        cursor = self._db.execute(
            "INSERT INTO rejected (time_us, topic, payload, reason) VALUES (?, ?, ?, ?)",
            (to_us(time), topic, payload, reason),
        )
        if (cursor.lastrowid or 0) % 256 == 0:
            self._db.execute(
                "DELETE FROM rejected WHERE rejected_id <= ?", ((cursor.lastrowid or 0) - REJECTED_KEPT,)
            )

    # --- batches -----------------------------------------------------------------------------

    def batches(self, where: str = "1", *values: object) -> list[Batch]:
        """Batches in the order they were begun; ``where`` is a fixed SQL condition of the program."""
        rows = self.rows(f"SELECT * FROM batches WHERE {where} ORDER BY started_us, batch_id", *values)
        return [
            Batch(
                batch_id=row["batch_id"],
                cone=row["cone"],
                lot=row["lot"],
                started=from_us(row["started_us"]),
                grams=row["grams"],
                litres=row["litres"],
                set_point_c=row["set_point_c"],
                salinity=row["salinity"],
                ended=None if row["ended_us"] is None else from_us(row["ended_us"]),
                outcome=row["outcome"],
                cold_c=row["cold_c"],
                used_up=None if row["used_up_us"] is None else from_us(row["used_up_us"]),
            )
            for row in rows
        ]

    def add_batch(self, batch: Batch, dated_by: str) -> Batch:
        """Store a new batch (its ``batch_id`` is ignored) and its lot if new; returns it with its id. Nothing
        of it is in a cold store yet."""
        started = to_us(batch.started)
        self._db.execute("INSERT OR IGNORE INTO lots VALUES (?, ?)", (batch.lot, started))
        cursor = self._db.execute(
            """INSERT INTO batches (cone, lot, started_us, dated_by, grams, litres, set_point_c, salinity,
               ended_us, outcome) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
            (batch.cone, batch.lot, started, dated_by, batch.grams, batch.litres, batch.set_point_c,
             batch.salinity, None if batch.ended is None else to_us(batch.ended), batch.outcome),
        )  # fmt: skip
        return self.batches("batch_id = ?", cursor.lastrowid)[0]

    def add_noted(self, batch: Batch, looks: Sequence[Look], temp_c: float, doubt_c: float) -> Batch:
        """Store a finished batch from a notebook with its looks and its water (deg C); returns it with its
        id. Its cone may be one that never had a reading."""
        self._db.execute("INSERT OR IGNORE INTO cones VALUES (?, ?)", (batch.cone, to_us(batch.started)))
        batch = self.add_batch(batch, "keeper")
        self._db.execute("INSERT INTO notebook VALUES (?, ?, ?)", (batch.batch_id, temp_c, doubt_c))
        for look in looks:
            self.add_look(replace(look, batch_id=batch.batch_id), "keeper")
        return batch

    def noted_water(self, batch_id: int) -> tuple[float, float] | None:
        """(deg C, doubt) of a batch that comes from a notebook; None for one that was watched."""
        rows = self.rows("SELECT temp_c, doubt_c FROM notebook WHERE batch_id = ?", batch_id)
        return (rows[0]["temp_c"], rows[0]["doubt_c"]) if rows else None

    def end_batch(self, batch_id: int, ended: datetime, outcome: str, cold_c: float | None = None) -> None:
        """Close a running batch; ``cold_c``: the cold store that its harvest goes into, deg C."""
        self._db.execute(
            "UPDATE batches SET ended_us = ?, outcome = ?, cold_c = ? WHERE batch_id = ?",
            (to_us(ended), outcome, cold_c, batch_id),
        )

    def reopen_batch(self, batch_id: int) -> None:
        """The batch runs on: nothing of it was harvested, nothing is learned from it yet."""
        self._db.execute(
            """UPDATE batches SET ended_us = NULL, outcome = NULL, cold_c = NULL, used_up_us = NULL
               WHERE batch_id = ?""",
            (batch_id,),
        )
        self._db.execute("DELETE FROM evidence WHERE batch_id = ?", (batch_id,))

    def drop_batch(self, batch: Batch) -> None:
        """Take a batch of which nothing was noted out of the record; and its lot, if it was the only one."""
        self._db.execute("DELETE FROM forecasts WHERE batch_id = ?", (batch.batch_id,))
        self._db.execute("DELETE FROM batches WHERE batch_id = ?", (batch.batch_id,))
        self._db.execute(
            "DELETE FROM lots WHERE lot = ? AND lot NOT IN (SELECT lot FROM batches)", (batch.lot,)
        )

    def use_up(self, batch_id: int, time: datetime) -> None:
        """Nothing of the batch is left in the cold store."""
        self._db.execute("UPDATE batches SET used_up_us = ? WHERE batch_id = ?", (to_us(time), batch_id))

    def looks(self, batch_id: int) -> list[Look]:
        """What the keeper saw of a batch, oldest first."""
        rows = self.rows("SELECT * FROM looks WHERE batch_id = ? ORDER BY time_us", batch_id)
        return [Look(batch_id, from_us(row["time_us"]), row["seen"]) for row in rows]

    def add_look(self, look: Look, dated_by: str) -> None:
        """Store a look; ``dated_by`` tells whether the clock or the keeper gave its time."""
        self._db.execute(
            "INSERT INTO looks (batch_id, time_us, dated_by, seen) VALUES (?, ?, ?, ?)",
            (look.batch_id, to_us(look.time), dated_by, look.seen),
        )

    def drop_look(self, batch_id: int, time: datetime) -> None:
        """Take back the look noted for that moment."""
        self._db.execute("DELETE FROM looks WHERE batch_id = ? AND time_us = ?", (batch_id, to_us(time)))

    def counts(self, batch_id: int) -> list[Count]:
        """What the keeper counted of a batch, oldest first."""
        return self._counts("batch_id = ?", batch_id)

    def counts_by_batch(self) -> dict[int, list[Count]]:
        """What the keeper counted of every batch, oldest first."""
        found: dict[int, list[Count]] = {}
        for count in self._counts("1"):
            found.setdefault(count.batch_id, []).append(count)
        return found

    def _counts(self, where: str, *values: object) -> list[Count]:
        rows = self.rows(f"SELECT * FROM counts WHERE {where} ORDER BY time_us, count_id", *values)
        return [
            Count(
                batch_id=row["batch_id"],
                time=from_us(row["time_us"]),
                sample_ml=row["sample_ml"],
                nauplii=tuple(json.loads(row["nauplii"])),
                umbrella=tuple(json.loads(row["umbrella"])),
                unhatched=tuple(json.loads(row["unhatched"])),
                litres=row["litres"],
            )
            for row in rows
        ]

    def add_count(self, count: Count, dated_by: str) -> None:
        """Store a count; ``dated_by`` tells whether the clock or the keeper gave its time."""
        numbers = (json.dumps(each) for each in (count.nauplii, count.umbrella, count.unhatched))
        self._db.execute(
            """INSERT INTO counts
               (batch_id, time_us, dated_by, sample_ml, litres, nauplii, umbrella, unhatched)
               VALUES (?, ?, ?, ?, ?, ?, ?, ?)""",
            (count.batch_id, to_us(count.time), dated_by, count.sample_ml, count.litres, *numbers),
        )

    def drop_count(self, batch_id: int, time: datetime) -> None:
        """Take back the count noted for that moment."""
        self._db.execute("DELETE FROM counts WHERE batch_id = ? AND time_us = ?", (batch_id, to_us(time)))

    def evidence(self, batch_id: int) -> str | None:
        """The stored evidence of a finished batch (JSON), or None when it has not been worked out."""
        row = self._db.execute("SELECT body FROM evidence WHERE batch_id = ?", (batch_id,)).fetchone()
        return None if row is None else str(row[0])

    def evidence_by_lot(self) -> dict[str, dict[int, str]]:
        """By lot and batch, the stored evidence (JSON) of harvested batches that have any, oldest first."""
        found: dict[str, dict[int, str]] = {}
        for row in self.rows(
            """SELECT b.lot, b.batch_id, e.body FROM batches b JOIN evidence e USING (batch_id)
               WHERE b.outcome = 'harvested' AND e.body <> 'null' ORDER BY b.started_us, b.batch_id"""
        ):
            found.setdefault(row["lot"], {})[row["batch_id"]] = row["body"]
        return found

    def keep_evidence(self, batch_id: int, body: str) -> None:
        """Store what a finished batch teaches."""
        self._db.execute("INSERT OR REPLACE INTO evidence VALUES (?, ?)", (batch_id, body))

    # --- forecasts and alerts ----------------------------------------------------------------

    def add_forecast(self, batch_id: int, forecast: Forecast) -> None:
        """Store a forecast as issued."""
        self._db.execute(
            "INSERT INTO forecasts (batch_id, issued_us, body) VALUES (?, ?, ?)",
            (batch_id, to_us(forecast.issued), forecast_json(forecast)),
        )

    def first_forecast(self, batch_id: int) -> Forecast | None:
        """The forecast issued first for a batch."""
        return self._one_forecast(batch_id, "ASC")

    def last_forecast(self, batch_id: int) -> Forecast | None:
        """The forecast issued last for a batch."""
        return self._one_forecast(batch_id, "DESC")

    def forecasts_issued(self, batch_id: int) -> int:
        """How many forecasts were issued for a batch; it never falls."""
        row = self._db.execute("SELECT count(*) FROM forecasts WHERE batch_id = ?", (batch_id,)).fetchone()
        return int(row[0])

    def last_t90_by_batch(self, batch_ids: Sequence[int]) -> dict[int, float]:
        """Hours to 90 % hatched (the median) that were expected last of each batch, where any were."""
        found = {}
        for batch_id in batch_ids:
            last = self.last_forecast(batch_id)
            if last is not None and last.t90 is not None:
                found[batch_id] = last.t90.p50
        return found

    def t90_first_and_last(self) -> dict[int, tuple[Band, float, Band]]:
        """Hours to 90 % hatched of each harvested batch as forecast first, by how much that band was widened,
        and as forecast last; of those where both are known."""
        points = ", ".join(
            f"{one}.body ->> '$.t90.{name}'" for one in ("f", "l") for name in ("p10", "p50", "p90")
        )
        rows = self._db.execute(
            f"""SELECT e.batch_id, coalesce(f.body ->> '$.widened', 1.0), {points}
                FROM (SELECT batch_id, min(forecast_id) AS first, max(forecast_id) AS last FROM forecasts
                      GROUP BY batch_id) e
                JOIN batches b ON b.batch_id = e.batch_id AND b.outcome = 'harvested'
                JOIN forecasts f ON f.forecast_id = e.first JOIN forecasts l ON l.forecast_id = e.last
                WHERE f.body ->> '$.t90' IS NOT NULL AND l.body ->> '$.t90' IS NOT NULL"""
        )
        return {
            batch_id: (Band(*numbers[:3]), widened, Band(*numbers[3:]))
            for batch_id, widened, *numbers in rows
        }

    def _one_forecast(self, batch_id: int, order: str) -> Forecast | None:
        rows = self.rows(
            f"SELECT issued_us, body FROM forecasts WHERE batch_id = ? ORDER BY forecast_id {order} LIMIT 1",
            batch_id,
        )
        return _forecast_from(rows[0]["issued_us"], rows[0]["body"]) if rows else None

    def forecasts(self, batch_id: int) -> list[Forecast]:
        """Every forecast issued for a batch, in the order of issue."""
        rows = self.rows(
            "SELECT issued_us, body FROM forecasts WHERE batch_id = ? ORDER BY forecast_id", batch_id
        )
        return [_forecast_from(row["issued_us"], row["body"]) for row in rows]

    def standings(self) -> dict[tuple[str, str], Standing]:
        """What has been said, by (kind, scope)."""
        return {
            (row["kind"], row["scope"]): Standing(
                raised=None if row["raised_us"] is None else from_us(row["raised_us"]),
                last=None if row["last_us"] is None else from_us(row["last_us"]),
            )
            for row in self.rows("SELECT * FROM standings")
        }

    def keep_standing(self, kind: str, scope: str, standing: Standing) -> None:
        """Remember what has been said."""
        times = [None if moment is None else to_us(moment) for moment in (standing.raised, standing.last)]
        self._db.execute("INSERT OR REPLACE INTO standings VALUES (?, ?, ?, ?)", (kind, scope, *times))

    def add_alert(self, alert: Alert, addresses: int, not_before: datetime) -> None:
        """Store an alert and a letter to each address, not to be sent before ``not_before``."""
        cursor = self._db.execute(
            """INSERT INTO alerts (kind, scope, cone, urgency, title, body, raised_us)
               VALUES (?, ?, ?, ?, ?, ?, ?)""",
            (
                alert.kind,
                alert.scope,
                alert.cone,
                alert.urgency,
                alert.title,
                alert.body,
                to_us(alert.raised),
            ),
        )
        self._db.executemany(
            "INSERT INTO letters (alert_id, address, not_before_us, state) VALUES (?, ?, ?, 'due')",
            [(cursor.lastrowid, address, to_us(not_before)) for address in range(addresses)],
        )

    def unseen_alerts(self, since: datetime) -> list[sqlite3.Row]:
        """Alerts raised since then that the keeper has not answered, newest first; ``held``: whether they
        hold until something changes, ``stands``: whether they still do."""
        return self.rows(
            """SELECT a.kind, a.scope, a.cone, a.urgency, a.title, a.body, a.raised_us,
                 s.kind IS NOT NULL AS held, s.raised_us IS NOT NULL AS stands
               FROM alerts a LEFT JOIN standings s ON s.kind = a.kind AND s.scope = a.scope
               WHERE a.seen_us IS NULL AND a.raised_us >= ? AND a.kind <> 'daily'
               ORDER BY a.alert_id DESC LIMIT 200""",
            to_us(since),
        )

    def mark_seen(self, cone: str | None, by: str, now: datetime) -> list[str]:
        """Note that the alerts about ``cone`` (None: all there are) have been seen; the titles of those that
        had not been, oldest first."""
        where = "seen_us IS NULL AND (?1 IS NULL OR cone = ?1)"
        rows = self.rows(f"SELECT title FROM alerts WHERE {where} ORDER BY alert_id", cone)
        # Negative: addresses of those who are told only because nobody answers.
        self._db.execute(
            f"""UPDATE letters SET state = 'overtaken' WHERE state = 'due' AND address < 0
                AND alert_id IN (SELECT alert_id FROM alerts WHERE {where})""",
            (cone,),
        )
        self._db.execute(
            f"UPDATE alerts SET seen_us = ?2, seen_by = ?3 WHERE {where}", (cone, to_us(now), by)
        )
        return [row["title"] for row in rows]

    def mark_unseen(self, cone: str | None) -> list[str]:
        """Take back what ``mark_seen`` did last for ``cone`` (None: for any); the titles, oldest first."""
        where = """seen_us = (SELECT max(seen_us) FROM alerts WHERE ?1 IS NULL OR cone = ?1)
                   AND (?1 IS NULL OR cone = ?1)"""
        rows = self.rows(f"SELECT title FROM alerts WHERE {where} ORDER BY alert_id", cone)
        self._db.execute(f"UPDATE alerts SET seen_us = NULL, seen_by = NULL WHERE {where}", (cone,))
        return [row["title"] for row in rows]

    def overtake(self, kinds: Sequence[str], scope: str, now: datetime) -> None:
        """Withdraw letters still held back by quiet hours that have been overtaken by events."""
        marks = ",".join("?" * len(kinds))
        self._db.execute(
            f"""UPDATE letters SET state = 'overtaken' WHERE state = 'due' AND not_before_us > ?
                AND alert_id IN (SELECT alert_id FROM alerts WHERE scope = ? AND kind IN ({marks}))""",
            (to_us(now), scope, *kinds),
        )

    def due_letters(self, now: datetime) -> list[sqlite3.Row]:
        """Letters to be sent, oldest first: letter_id, address, title, body, attempts, key, in_doubt,
        raised_us, cone."""
        return self.rows(
            """SELECT letter_id, address, title, body, attempts, key, in_doubt, raised_us, cone
               FROM letters JOIN alerts USING (alert_id)
               WHERE state = 'due' AND not_before_us <= ? ORDER BY letter_id""",
            to_us(now),
        )

    def hold_letters(self, now: datetime, until: datetime) -> None:
        """Date unsent letters afresh, after the clock was set: what cannot wait ``now``, the rest ``until``
        then."""
        self._db.execute(
            """UPDATE letters SET not_before_us = CASE
               (SELECT urgency FROM alerts a WHERE a.alert_id = letters.alert_id)
               WHEN 'now' THEN ? ELSE ? END WHERE state = 'due'""",
            (to_us(now), to_us(until)),
        )

    def withdraw_letters_but(self, addresses: Collection[int]) -> None:
        """Withdraw letters to addresses that are no longer in the settings."""
        marks = ",".join("?" * len(addresses))
        self._db.execute(
            f"UPDATE letters SET state = 'overtaken' WHERE state = 'due' AND address NOT IN ({marks})",
            tuple(addresses),
        )

    def withdraw_letters_of(self, kind: str) -> None:
        """Withdraw unsent letters of a kind of alert: a newer one says more."""
        self._db.execute(
            """UPDATE letters SET state = 'overtaken'
               WHERE state = 'due' AND alert_id IN (SELECT alert_id FROM alerts WHERE kind = ?)""",
            (kind,),
        )

    def unanswered(
        self, urgencies: Sequence[Urgency], since: datetime, told_by: datetime
    ) -> list[sqlite3.Row]:
        """Alerts of these urgencies, raised after ``since``, that were to be told before ``told_by``, that
        nobody has seen and nobody else was told: alert_id, kind, scope, urgency."""
        marks = ",".join("?" * len(urgencies))
        return self.rows(
            f"""SELECT alert_id, kind, scope, urgency FROM alerts a
               WHERE seen_us IS NULL AND second_us IS NULL AND urgency IN ({marks}) AND raised_us > ?
               AND coalesce((SELECT max(not_before_us) FROM letters l WHERE l.alert_id = a.alert_id),
                            raised_us) <= ?
               AND NOT EXISTS (SELECT 1 FROM letters l
                               WHERE l.alert_id = a.alert_id AND l.state = 'overtaken')
               ORDER BY alert_id""",
            *urgencies, to_us(since), to_us(told_by),
        )  # fmt: skip

    def tell_second(
        self, alert_id: int, addresses: Sequence[int], not_before: datetime, now: datetime
    ) -> None:
        """A letter of an alert to each of further ``addresses``, once."""
        self._db.execute("UPDATE alerts SET second_us = ? WHERE alert_id = ?", (to_us(now), alert_id))
        self._db.executemany(
            "INSERT INTO letters (alert_id, address, not_before_us, state) VALUES (?, ?, ?, 'due')",
            [(alert_id, address, to_us(not_before)) for address in addresses],
        )

    def undelivered(self, tries: int, since: datetime) -> list[sqlite3.Row]:
        """Newest first: letters tried that often and still due, or given up although due after ``since``:
        address, state, last_error."""
        return self.rows(
            """SELECT address, state, last_error FROM letters
               WHERE (state = 'due' AND attempts >= ?) OR (state = 'given up' AND not_before_us >= ?)
               ORDER BY letter_id DESC""",
            tries, to_us(since),
        )  # fmt: skip

    def last_raised(self, kind: str) -> datetime | None:
        """When an alert of this kind was raised last."""
        (newest,) = self.rows("SELECT max(raised_us) FROM alerts WHERE kind = ?", kind)[0]
        return None if newest is None else from_us(newest)

    def letter_sent(self, letter_id: int) -> None:
        """The letter has been delivered."""
        self._db.execute(
            """UPDATE letters SET state = 'sent', attempts = attempts + 1, last_error = NULL
               WHERE letter_id = ?""",
            (letter_id,),
        )

    def letter_begun(self, letter_id: int) -> None:
        """The letter is on its way; until more is known, it may have arrived."""
        self._db.execute("UPDATE letters SET in_doubt = 1 WHERE letter_id = ?", (letter_id,))

    def letter_failed(self, letter_id: int, reason: str, doubt: bool, old: datetime) -> bool:
        """The letter has not been delivered this time, or perhaps (``doubt``); whether it is given up for
        good: due before ``old``, and tried several times."""
        rows = self._db.execute(
            """UPDATE letters SET attempts = attempts + 1, last_error = ?, in_doubt = ?, state = CASE
               WHEN not_before_us < ? AND attempts >= ? THEN 'given up' ELSE state END
               WHERE letter_id = ? AND state = 'due' RETURNING state""",
            (reason, doubt, to_us(old), LETTER_TRIES - 1, letter_id),
        ).fetchall()
        return rows == [("given up",)]

    # --- supply ------------------------------------------------------------------------------

    def broods(self) -> list[Brood]:
        """All broods, by name."""
        return [
            Brood(
                name=row["brood"],
                fry=row["fry"],
                swam=date.fromisoformat(row["swam"]),
                mouth=row["mouth"],
                ramp=row["ramp"],
                loss_per_day=row["loss_per_day"],
                ends=None if row["ends"] is None else date.fromisoformat(row["ends"]),
            )
            for row in self.rows("SELECT * FROM broods ORDER BY brood")
        ]

    def keep_brood(self, brood: Brood) -> None:
        """Note a brood, in place of one of the same name."""
        self._db.execute(
            "INSERT OR REPLACE INTO broods VALUES (?, ?, ?, ?, ?, ?, ?)",
            (brood.name, brood.fry, brood.swam.isoformat(), brood.mouth, brood.ramp, brood.loss_per_day,
             None if brood.ends is None else brood.ends.isoformat()),
        )  # fmt: skip

    def drop_brood(self, name: str) -> None:
        """Forget a brood."""
        self._db.execute("DELETE FROM broods WHERE brood = ?", (name,))

    def stock(self) -> list[Stock]:
        """What is left of each lot that was weighed, by lot."""
        return [
            Stock(
                lot=row["lot"],
                grams=max(row["left"], 0.0),
                opened=None if row["opened"] is None else date.fromisoformat(row["opened"]),
                price_per_kg=row["price_per_kg"],
            )
            for row in self.rows(
                """SELECT s.*, s.grams - coalesce((SELECT sum(b.grams) FROM batches b WHERE b.lot = s.lot
                   AND b.started_us > s.weighed_us), 0.0) AS left FROM stock s ORDER BY lot"""
            )
        ]

    def keep_stock(self, stock: Stock, now: datetime) -> None:
        """Note what is left of a lot at ``now``; the lot is made if it is new."""
        self._db.execute("INSERT OR IGNORE INTO lots VALUES (?, ?)", (stock.lot, to_us(now)))
        self._db.execute(
            "INSERT OR REPLACE INTO stock VALUES (?, ?, ?, ?, ?)",
            (stock.lot, stock.grams, to_us(now), None if stock.opened is None else stock.opened.isoformat(),
             stock.price_per_kg),
        )  # fmt: skip

    def drop_stock(self, lot: str) -> None:
        """Forget what is left of a lot."""
        self._db.execute("DELETE FROM stock WHERE lot = ?", (lot,))

    def add_plan(self, made: datetime, body: str) -> int:
        """Keep a plan as issued; only the newest PLANS_KEPT stay. Returns its number."""
        cursor = self._db.execute("INSERT INTO plans (made_us, body) VALUES (?, ?)", (to_us(made), body))
        number = cursor.lastrowid or 0
        self._db.execute("DELETE FROM plans WHERE plan_id <= ?", (number - PLANS_KEPT,))
        return number

    def last_plan(self) -> tuple[int, datetime, str] | None:
        """(number, when it was made, JSON) of the plan issued last."""
        rows = self.rows("SELECT * FROM plans ORDER BY plan_id DESC LIMIT 1")
        return (rows[0]["plan_id"], from_us(rows[0]["made_us"]), rows[0]["body"]) if rows else None

    # --- requests ----------------------------------------------------------------------------

    def ask(
        self,
        body: dict[str, Any],
        by: str,
        now: datetime,
        answer_to: str | None = None,
        ref: str | None = None,
    ) -> int:
        """Leave a request for the engine; returns its number. Only the newest REQUESTS_KEPT, and those not
        answered yet, stay."""
        with self.atomic():
            cursor = self._db.execute(
                "INSERT INTO requests (made_us, by, body, answer_to, ref) VALUES (?, ?, ?, ?, ?)",
                (to_us(now), by, json.dumps(body), answer_to, ref),
            )
            if (cursor.lastrowid or 0) % 256 == 0:
                self._db.execute(
                    "DELETE FROM requests WHERE request_id <= ? AND done_us IS NOT NULL",
                    ((cursor.lastrowid or 0) - REQUESTS_KEPT,),
                )
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def open_requests(self) -> list[Request]:
        """Requests not yet answered, oldest first."""
        return [_request(row) for row in self.rows(f"{_REQUESTS} WHERE done_us IS NULL ORDER BY request_id")]

    def request_like(
        self, answer_to: str, ref: str, since: datetime
    ) -> tuple[Request, tuple[bool, dict[str, Any]] | None] | None:
        """The newest request of that ``ref`` made after ``since``, with (ok, answer) once carried out."""
        rows = self.rows(
            f"{_REQUESTS} WHERE ref = ? AND answer_to = ? AND made_us > ? ORDER BY request_id DESC LIMIT 1",
            ref, answer_to, to_us(since),
        )  # fmt: skip
        return (_request(rows[0]), self.answer_to(rows[0]["request_id"])) if rows else None

    def answer(self, request_id: int, ok: bool, answer: dict[str, Any], now: datetime) -> None:
        """Close a request with its answer."""
        self._db.execute(
            "UPDATE requests SET done_us = ?, ok = ?, answer = ? WHERE request_id = ?",
            (to_us(now), int(ok), json.dumps(answer), request_id),
        )

    def request(self, request_id: int) -> sqlite3.Row | None:
        """A request as it stands: made_us, by, body (JSON), done_us, ok, answer (JSON)."""
        rows = self.rows("SELECT * FROM requests WHERE request_id = ?", request_id)
        return rows[0] if rows else None

    def answer_to(self, request_id: int) -> tuple[bool, dict[str, Any]] | None:
        """(ok, answer) once the request has been carried out, else None."""
        row = self.rows(
            "SELECT ok, answer FROM requests WHERE request_id = ? AND done_us IS NOT NULL", request_id
        )
        return (bool(row[0]["ok"]), json.loads(row[0]["answer"])) if row else None

    # --- a clock that was wrong --------------------------------------------------------------

    def shift_times(self, marks: Marks, since: datetime, until: datetime, by: timedelta) -> dict[str, int]:
        """Move what this machine's clock stamped wrongly: readings newer than ``marks`` and dated on receipt;
        starts, ends, looks and counts of batches in [since, until], and what was said then.

        The numbers tell what the time alone would not: a clock may start behind what was noted last.

        Returns, by feed of the series store, the number of the first point that moved.
        """
        shift = by // _MICROSECOND
        span = (to_us(since), to_us(until))
        found = {
            "readings": self._db.execute(
                "SELECT min(seq) FROM readings WHERE seq >= ? AND dated_by = 'receipt'", (marks.readings,)
            ).fetchone()[0]
        }
        for table, (feed, number, column) in _NOTED.items():
            found[feed] = self._db.execute(
                f"SELECT min({number}) FROM {table} WHERE {number} >= ? AND {column} BETWEEN ? AND ?",
                (getattr(marks, table), *span),
            ).fetchone()[0]
        self.file_readings(self.next_seq())
        # Through negative times, so that no reading meets another half way.
        self._db.execute(
            "UPDATE readings SET time_us = -(time_us + ?) WHERE seq >= ? AND dated_by = 'receipt'",
            (shift, marks.readings),
        )
        met = self._db.execute(
            """SELECT m.seq, m.stream_id, -m.time_us FROM readings m JOIN readings o
               ON o.stream_id = m.stream_id AND o.time_us = -m.time_us AND o.filed > 0
               WHERE m.time_us < 0"""
        ).fetchall()
        taken = "SELECT 1 FROM readings WHERE stream_id = ? AND time_us IN (?, ?) AND filed > 0"
        for seq, stream_id, time_us in met:
            while self._db.execute(taken, (stream_id, time_us, -time_us)).fetchone():
                time_us += 1
            self._db.execute("UPDATE readings SET time_us = ? WHERE seq = ?", (-time_us, seq))
        self._db.execute("UPDATE readings SET time_us = -time_us WHERE time_us < 0")
        self._db.execute(
            """UPDATE batches SET started_us = started_us + ?
               WHERE batch_id >= ? AND dated_by = 'receipt' AND started_us BETWEEN ? AND ?""",
            (shift, marks.batches, *span),
        )
        self._db.execute(
            f"""UPDATE batches SET ended_us = ended_us + ?
                WHERE (batch_id >= ? OR batch_id IN ({",".join(map(str, marks.running))}))
                AND ended_us BETWEEN ? AND ? AND batch_id NOT IN (SELECT batch_id FROM notebook)""",
            (shift, marks.batches, *span),
        )
        self._db.execute(
            "UPDATE batches SET used_up_us = used_up_us + ? WHERE used_up_us BETWEEN ? AND ?", (shift, *span)
        )
        self._db.execute(
            "UPDATE stock SET weighed_us = weighed_us + ? WHERE weighed_us BETWEEN ? AND ?", (shift, *span)
        )
        for noted, number, newest in (
            ("looks", "look_id", marks.looks),
            ("counts", "count_id", marks.counts),
        ):
            self._db.execute(
                f"""UPDATE {noted} SET time_us = time_us + ?
                    WHERE {number} >= ? AND dated_by = 'receipt' AND time_us BETWEEN ? AND ?""",
                (shift, newest, *span),
            )
        # Or they would wait until the wrong clock's time comes.
        self._db.execute(
            """UPDATE letters SET not_before_us = not_before_us + ? WHERE state = 'due' AND alert_id IN (
               SELECT alert_id FROM alerts WHERE alert_id >= ? AND raised_us BETWEEN ? AND ?)""",
            (shift, marks.alerts, *span),
        )
        for table, (_, number, column) in _NOTED.items():
            self._db.execute(
                f"""UPDATE {table} SET {column} = {column} + ?
                    WHERE {number} >= ? AND {column} BETWEEN ? AND ?""",
                (shift, getattr(marks, table), *span),
            )
        return {feed: int(first) for feed, first in found.items() if first is not None}

    def marks(self) -> Marks:
        """Where the record stands now."""
        numbers = {
            "batches": "batch_id", "looks": "look_id", "counts": "count_id", "forecasts": "forecast_id",
            "alerts": "alert_id", "batch_changes": "change_id",
        }  # fmt: skip
        nexts = {
            table: int(self._db.execute(f"SELECT coalesce(max({number}), 0) + 1 FROM {table}").fetchone()[0])
            for table, number in numbers.items()
        }
        running = self.rows("SELECT batch_id FROM batches WHERE ended_us IS NULL")
        return Marks(self.next_seq(), running=tuple(row["batch_id"] for row in running), **nexts)

    def undate(self, first_seq: int) -> None:
        """Nobody can tell when the readings from ``first_seq`` on that were dated on receipt were taken."""
        self._db.execute(
            "UPDATE readings SET verdict = 'undated' WHERE seq >= ? AND dated_by = 'receipt'", (first_seq,)
        )

    def future_readings(self, first_seq: int, now: datetime) -> list[sqlite3.Row]:
        """Readings from ``first_seq`` on that were taken for the future and lie before ``now``, by time:
        stream_id, quantity, unit, time_us, raw."""
        return self.rows(
            """SELECT r.stream_id, s.quantity, s.unit, r.time_us, r.raw FROM readings r JOIN streams s
               USING (stream_id) WHERE r.seq >= ? AND r.verdict = 'future' AND r.time_us <= ?
               ORDER BY r.time_us""",
            first_seq, to_us(now),
        )  # fmt: skip

    def next_seq(self) -> int:
        """The number the next reading will get, or less."""
        row = self._db.execute("SELECT seq FROM readings ORDER BY seq DESC LIMIT 1").fetchone()
        return 1 if row is None else int(row[0]) + 1

    def settle_after_restoring(self, now: datetime) -> None:
        """This is a copy of some time ago: what was to be sent or done then is not sent or done now."""
        self._db.execute("UPDATE letters SET state = 'overtaken' WHERE state = 'due'")
        said = json.dumps({"text": "The record was damaged before this was done; ask again."})
        self._db.execute("UPDATE requests SET done_us = ?, ok = 0, answer = ? WHERE done_us IS NULL",
                         (to_us(now), said))  # fmt: skip
        self.set_meta("alive_us", str(to_us(now)))
        self.date_changes(now)

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


def _rows(readings: Sequence[NewReading]) -> list[spool.Row]:
    return [(r.stream_id, r.time_us, r.raw, r.verdict.value, r.dated_by, r.delivery) for r in readings]


_REQUESTS = "SELECT request_id, made_us, by, body, answer_to, ref FROM requests"


def _request(row: sqlite3.Row) -> Request:
    return Request(
        row["request_id"],
        from_us(row["made_us"]),
        row["by"],
        json.loads(row["body"]),
        row["answer_to"],
        row["ref"],
    )


def _statements(step: str) -> Iterator[str]:
    """The statements of a step one by one; a trigger has semicolons inside."""
    begun = ""
    for piece in step.split(";"):
        begun += f"{piece};"
        if sqlite3.complete_statement(begun):
            yield begun
            begun = ""


def _explained(path: Path, error: sqlite3.DatabaseError) -> str:
    if is_damage(error) and path.with_name(path.name + ".lock").exists():
        return (
            f"{path} is damaged ({error}). 'hatchmon run' sets it aside when it starts, and puts the newest "
            "copy in its place"
        )
    if "not a database" in str(error):
        return FOREIGN_FILE.format(path)
    if "unable to open" in str(error) or "readonly" in str(error):
        return f"{path} cannot be opened ({error}). {_HOW_TO_OPEN}"
    return f"{path}: {error}"


def _cursor_key(feed: str) -> str:
    return "series_cursor" if feed == "readings" else f"series_cursor.{feed}"


def _identity(path: Path) -> tuple[int, int] | None:
    """What tells a file from one that took its place; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


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


def _refuse_foreign(path: Path) -> None:
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
        _refuse_foreign(path)
        with reading(path) as db:
            return int(db.execute("PRAGMA user_version").fetchone()[0])
    except sqlite3.DatabaseError as error:
        raise StoreError(_explained(path, error)) from error
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror}. {_HOW_TO_OPEN}") from error


@contextmanager
def writers_lock(path: Path) -> Iterator[None]:
    """Hold the lock of the writer of the database at ``path``. Raises Taken when another process has it."""
    handle = _take_lock(path)
    try:
        yield
    finally:
        os.close(handle)


def _take_lock(path: Path) -> int:
    handle = open_own(path.with_name(path.name + ".lock"))
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(handle)
        raise Taken(f"{path} is in use by another hatchmon process; stop that one first") from error
    return handle


def forecast_json(forecast: Forecast) -> str:
    """A Forecast as JSON with hours to a thousandth; ``issued`` is left out (it has its own column)."""
    return json.dumps(_rounded({k: v for k, v in asdict(forecast).items() if k != "issued"}))


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 3)
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value


def _forecast_from(issued_us: int, body: str) -> Forecast:
    data = json.loads(body)
    for name in ("t10", "t50", "t90", "opens", "best", "closes"):
        data[name] = Band(**data[name]) if data[name] else None
    data["surely_h"] = tuple(data["surely_h"]) if data["surely_h"] else None
    data["reasons"] = tuple(data["reasons"])
    return Forecast(issued=from_us(issued_us), **data)

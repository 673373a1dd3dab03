"""A file beside the database that takes readings and forecasts, piece by piece, until they are folded in.

A transaction writes several pages of several files, a piece of the spool mostly one of one. Pieces bear
numbers that never come again, and the database holds the number of the last one folded into it: whoever
reads both knows what is in the spool alone. Pieces that are folded in are written over.
"""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import struct
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from hatchmon.adapters.store.dbfile import to_disk

END = "-spool"
_MARK = b"\xf7sp\xf7"  # where a piece begins, or by chance elsewhere
_HEAD = struct.Struct("<4sIQI")  # mark, checksum of the rest, number, length of the body
_REST = struct.Struct("<QI")
_FOLDED = "SELECT coalesce(max(CAST(value AS INTEGER)), 0) FROM meta WHERE key = 'spool_folded'"

Row = tuple[int, int, float, str, str, int | None]
"""Of a reading: stream_id, time_us, raw, verdict, dated_by, delivery."""
ForecastRow = tuple[int, int, str]
"""batch_id, issued_us, body."""


@dataclass(frozen=True, slots=True)
class Piece:
    """What one append holds, noted at ``at_us``. A row of a stream and time that came before replaces that
    one. ``streams``: by number the cone, quantity, unit and topic of those not named since the last fold;
    ``alive_us``: a sign of life; ``cursors``: by key in the table meta, how far a feed has been forwarded."""

    at_us: int
    rows: Sequence[Row] = ()
    forecasts: Sequence[ForecastRow] = ()
    deliveries: Sequence[int] = ()
    streams: dict[int, tuple[str, str, str, str]] = field(default_factory=dict)
    alive_us: int | None = None
    cursors: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Found:
    """The whole pieces of a spool by number; those before ``folded`` are in the database already."""

    pieces: dict[int, bytes]

    def after(self, folded: int) -> list[Piece]:
        """The pieces that are not in the database yet, in order."""
        return [_piece(self.pieces[number]) for number in sorted(self.pieces) if number > folded]

    def missing(self, folded: int) -> int:
        """How many pieces after that and before the last whole one cannot be read."""
        numbers = [number for number in self.pieces if number > folded]
        return max(numbers, default=folded) - folded - len(numbers)


class Spool:
    """The spool's one writer. ``make`` opens or makes a file and returns its handle."""

    def __init__(self, database: Path, number: int, make: Callable[[Path], int]) -> None:
        self.number = number
        """Of the piece written last."""
        self._path = path_of(database)
        self._make = make
        self._handle: int | None = None
        self._at = 0
        self._folded = number

    @property
    def holds(self) -> bool:
        """Whether it may hold what the database does not."""
        return self.number > self._folded

    def append(self, piece: Piece) -> None:
        """Have a piece on the disk when this returns. Raises OSError, and then it may be or not; the next
        one takes its place."""
        if self._handle is None:
            self._handle = self._make(self._path)
            to_disk(self._path.parent)
        elif os.fstat(self._handle).st_nlink == 0:
            os.close(self._handle)
            self._handle = None
            raise FileNotFoundError(errno.ENOENT, "the spool was deleted", str(self._path))
        self.number += 1
        plain = {each.name: getattr(piece, each.name) for each in fields(piece)}  # asdict copies each row
        body = zlib.compress(json.dumps(plain, separators=(",", ":")).encode(), 1)
        rest = _REST.pack(self.number, len(body))
        whole = _HEAD.pack(_MARK, zlib.crc32(rest + body), self.number, len(body)) + body
        if os.pwrite(self._handle, whole, self._at) < len(whole):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(self._path))
        os.fdatasync(self._handle)
        self._at += len(whole)

    def folded(self) -> None:
        """All of it is in the database: it may be written over."""
        self._at, self._folded = 0, self.number

    def close(self) -> None:
        """Let the file go, or leave it if it is needed; harmless when called twice."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None
            if not self.holds:
                self._path.unlink(missing_ok=True)


def path_of(database: Path) -> Path:
    """Where the spool of a database lies."""
    return database.with_name(database.name + END)


def find(database: Path) -> Found:
    """The whole pieces of the spool of ``database``. To be asked before the database, if it is in use."""
    try:
        data = path_of(database).read_bytes()
    except FileNotFoundError:
        return Found({})
    pieces = {}
    at = data.find(_MARK)
    while at >= 0:
        after = at + len(_MARK)
        if at + _HEAD.size <= len(data):
            _, checksum, number, length = _HEAD.unpack_from(data, at)
            end = at + _HEAD.size + length
            if end <= len(data) and zlib.crc32(data[at + 8 : end]) == checksum:
                pieces[number], after = data[at + _HEAD.size : end], end
        at = data.find(_MARK, after)
    return Found(pieces)


def folded(db: sqlite3.Connection) -> int:
    """The number of the last piece that the database holds."""
    return int(db.execute(_FOLDED).fetchone()[0])


def set_folded(db: sqlite3.Connection, number: int) -> None:
    """The database holds all pieces up to that one; inside the transaction that makes it so."""
    db.execute("INSERT OR REPLACE INTO meta VALUES ('spool_folded', ?)", (str(number),))


def fold(db: sqlite3.Connection, found: Found) -> tuple[int, int] | None:
    """Bring into the database what it lacks of a spool, inside the caller's transaction.

    Returns when the first and the last of that was noted (us), or None where there was none.
    """
    before = folded(db)
    pieces = found.after(before)
    if not pieces:
        return None
    numbers: dict[int, int] = {}
    for piece in pieces:
        for stream_id, names in piece.streams.items():
            numbers[stream_id] = _stream(db, names, piece.at_us)
    known = {stream_id for (stream_id,) in db.execute("SELECT stream_id FROM streams")}
    rows = [(numbers.get(row[0], row[0]), *row[1:]) for row in _merged(pieces)]
    db.executemany(
        """INSERT INTO readings (stream_id, time_us, raw, verdict, dated_by, delivery)
           VALUES (?, ?, ?, ?, ?, ?)""",
        [row for row in rows if row[0] in known],
    )
    batches = {batch_id for (batch_id,) in db.execute("SELECT batch_id FROM batches")}
    db.executemany(
        "INSERT INTO forecasts (batch_id, issued_us, body) VALUES (?, ?, ?)",
        [row for piece in pieces for row in piece.forecasts if row[0] in batches],
    )
    db.executemany(
        "INSERT INTO deliveries (delivery) VALUES (?)",
        [(delivery,) for piece in pieces for delivery in piece.deliveries],
    )
    notes: dict[str, int] = {}
    for piece in pieces:
        if piece.alive_us is not None:
            notes["alive_us"] = piece.alive_us
        if not found.missing(before):  # else the rows are numbered otherwise: better to forward some again
            notes |= piece.cursors
    db.executemany(
        "INSERT OR REPLACE INTO meta VALUES (?, ?)", [(key, str(value)) for key, value in notes.items()]
    )
    set_folded(db, max(found.pieces))
    return min(piece.at_us for piece in pieces), max(piece.at_us for piece in pieces)


def fold_copy(copy: Path, found: Found) -> None:
    """Bring into a copy of the database, which nobody else has open, what it lacks of ``found``, which was
    found before the copy was made. Raises sqlite3.Error."""
    db = sqlite3.connect(copy, isolation_level=None)
    try:
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("BEGIN IMMEDIATE")
        fold(db, found)
        db.execute("COMMIT")
    finally:
        db.close()


def show(db: sqlite3.Connection, found: Found) -> None:
    """Have the tables of readings and forecasts, as this connection sees them, hold the spool's as well.

    With the numbers that they will get: they are folded in in this order, and all at once. Each query sees
    a row once, also when it was folded in meanwhile.
    """
    pieces = found.after(folded(db))
    if not pieces:
        return
    db.execute(
        """CREATE TEMP TABLE spooled (n INTEGER PRIMARY KEY, stream_id INTEGER, time_us INTEGER, raw REAL,
           verdict TEXT, dated_by TEXT, delivery INTEGER)"""
    )
    db.executemany(
        """INSERT INTO spooled (stream_id, time_us, raw, verdict, dated_by, delivery)
           VALUES (?, ?, ?, ?, ?, ?)""",
        _merged(pieces),
    )
    db.execute(
        """CREATE TEMP TABLE spooled_forecasts (n INTEGER PRIMARY KEY, batch_id INTEGER, issued_us INTEGER,
           body TEXT)"""
    )
    db.executemany(
        "INSERT INTO spooled_forecasts (batch_id, issued_us, body) VALUES (?, ?, ?)",
        [row for piece in pieces for row in piece.forecasts],
    )
    # Of other types than the tables' columns, and SQLite would read those from end to end for the newest row.
    number = "CAST((SELECT coalesce(max(seq), 0) FROM main.readings) + n AS INTEGER)"
    still = f"(SELECT ({_FOLDED.replace('FROM meta', 'FROM main.meta')}) < {max(found.pieces)})"
    every = "stream_id, time_us, raw, verdict"
    db.execute(
        f"""CREATE TEMP VIEW readings AS
            SELECT seq, {every}, dated_by, delivery, filed FROM main.readings
            UNION ALL SELECT {number}, {every}, dated_by, delivery, CAST(0 AS INTEGER)
            FROM temp.spooled WHERE {still}"""
    )
    db.execute(
        f"""CREATE TEMP VIEW by_stream AS
            SELECT seq, {every} FROM main.readings WHERE filed > 0
            UNION ALL SELECT seq, {every} FROM main.readings
            WHERE filed = 0 AND seq > (SELECT up_to FROM main.filing)
            UNION ALL SELECT {number}, {every} FROM temp.spooled WHERE {still}"""
    )
    newest = "SELECT coalesce(max(seq), 0) FROM main.sqlite_sequence WHERE name = 'forecasts'"
    number = f"CAST(({newest}) + n AS INTEGER)"
    db.execute(
        f"""CREATE TEMP VIEW forecasts AS
            SELECT forecast_id, batch_id, issued_us, body FROM main.forecasts UNION ALL
            SELECT {number}, batch_id, issued_us, body FROM temp.spooled_forecasts WHERE {still}"""
    )


def _merged(pieces: Sequence[Piece]) -> list[Row]:
    """The readings in the order they came, each as it was spooled last."""
    found: dict[tuple[int, int], Row] = {}
    for piece in pieces:
        for row in piece.rows:
            found[row[0], row[1]] = row
    return list(found.values())


def _piece(body: bytes) -> Piece:
    data: dict[str, Any] = json.loads(zlib.decompress(body))
    streams = {int(number): tuple(names) for number, names in data.pop("streams").items()}
    return Piece(streams=streams, **data)


def _stream(db: sqlite3.Connection, names: tuple[str, str, str, str], now_us: int) -> int:
    """The number of a stream, made with its cone where the database is older than it."""
    db.execute("INSERT OR IGNORE INTO cones VALUES (?, ?)", (names[0], now_us))
    db.execute("INSERT OR IGNORE INTO streams (cone, quantity, unit, topic) VALUES (?, ?, ?, ?)", names)
    where = "cone = ? AND quantity = ? AND unit = ? AND topic = ?"
    return int(db.execute(f"SELECT stream_id FROM streams WHERE {where}", names).fetchone()[0])

"""Streams, readings and what could not be read: taken in, filed, made means of minutes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from hatchmon.adapters.store import spool
from hatchmon.adapters.store.tables import Tables
from hatchmon.adapters.store.times import to_us
from hatchmon.hatchery.types import (
    Quantity,
    Verdict,
)

REJECTED_KEPT = 10_000
FILE_FROM = 4096
FILE_PER_STREAM = 16
_MINUTE_US = 60_000_000
_HOUR_US = 3_600_000_000


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


class Readings(Tables):
    """What the probes told."""

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
            as_rows(readings),
        )

    def next_seq(self) -> int:
        """The number the next reading will get, or less."""
        row = self._db.execute("SELECT seq FROM readings ORDER BY seq DESC LIMIT 1").fetchone()
        return 1 if row is None else int(row[0]) + 1

    def unfiled(self) -> int:
        """How many of the newest readings are not in the index yet."""
        return self.next_seq() - 1 - self._filed_up_to()

    def filing_due(self) -> bool:
        """Whether enough has come for the index to be brought up to date cheaply."""
        few = FILE_PER_STREAM * self._db.execute("SELECT count(*) FROM streams").fetchone()[0]
        return self.unfiled() >= max(FILE_FROM, int(few))

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

    def _filed_up_to(self) -> int:
        return int(self._db.execute("SELECT up_to FROM filing").fetchone()[0])

    def thin_some(self, until: datetime, forwarded: int, most: int) -> bool:
        """Make means of a minute of the oldest hour of probes' readings that still is whole, of ``most`` of
        its streams; False when there is none before ``until``, or when one of its readings has a number above
        ``forwarded``.

        A minute's usable readings become one, at their mean time; its unfit ones one of each verdict.
        """
        start = int(self.meta("thinned_us", "-1"))
        if start < 0:
            # By the index, for it is asked every minute until there is something to be thinned.
            (oldest,) = self._db.execute(
                """SELECT min((SELECT min(time_us) FROM readings r
                               WHERE r.filed > 0 AND r.stream_id = s.stream_id))
                   FROM streams s WHERE s.topic <> ''"""
            ).fetchone()
            if oldest is None:
                return False
            start = oldest - oldest % _HOUR_US
        if start + _HOUR_US > to_us(until):
            return False
        done = int(self.meta("thinned_stream", "0"))
        found = self._db.execute(
            "SELECT stream_id FROM streams WHERE topic <> '' AND stream_id > ? ORDER BY stream_id LIMIT ?",
            (done, most + 1),
        )
        probes = [stream_id for (stream_id,) in found]
        with self.atomic():
            if not all(self._thin(stream_id, start, forwarded) for stream_id in probes[:most]):
                return False
            over = len(probes) <= most
            self.set_meta("thinned_stream", "0" if over else str(probes[most - 1]))
            self.set_meta("thinned_us", str(start + _HOUR_US if over else start))
        return True

    def _thin(self, stream_id: int, start: int, forwarded: int) -> bool:
        """Thin the hour of a stream, unless one of its readings has yet to be forwarded. Harmless again."""
        minutes: dict[tuple[int, str], list[tuple[int, int, float, str]]] = {}
        for row in self._db.execute(
            """SELECT seq, time_us, raw, verdict FROM readings WHERE filed > 0
               AND stream_id = ? AND time_us >= ? AND time_us < ? ORDER BY time_us""",
            (stream_id, start, start + _HOUR_US),
        ):
            if row[0] > forwarded:
                return False
            kind = "" if Verdict(row[3]).usable else row[3]
            minutes.setdefault((row[1] // _MINUTE_US, kind), []).append(row)
        for rows in minutes.values():
            if len(rows) > 1:
                self._make_one(stream_id, rows)
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

    def revise(self, stream_id: int, time: datetime, verdict: Verdict) -> None:
        """Change the verdict on a stored reading."""
        self._db.execute(
            """UPDATE readings SET verdict = ?
               WHERE seq IN (SELECT seq FROM by_stream WHERE stream_id = ? AND time_us = ?)""",
            (verdict.value, stream_id, to_us(time)),
        )

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

    def rejected_since(self, time: datetime) -> list[tuple[str, str]]:
        """(topic, reason) of the messages that could not be read since ``time``, oldest first."""
        rows = self.rows(
            "SELECT topic, reason FROM rejected WHERE time_us >= ? ORDER BY rejected_id", to_us(time)
        )
        return [(row["topic"], row["reason"]) for row in rows]


def as_rows(readings: Sequence[NewReading]) -> list[spool.Row]:
    """Readings as the table and the spool take them."""
    return [(r.stream_id, r.time_us, r.raw, r.verdict.value, r.dated_by, r.delivery) for r in readings]

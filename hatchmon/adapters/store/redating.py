"""Times that turned out to be wrong: of a clock that was not set, of a copy put back."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from datetime import datetime, timedelta

from hatchmon.adapters.store.batches import Batches
from hatchmon.adapters.store.readings import Readings
from hatchmon.adapters.store.times import MICROSECOND, to_us

_NOTED = {  # what the machine's clock dates beside readings: the feed, the number, the time
    "forecasts": ("forecasts", "forecast_id", "issued_us"),
    "alerts": ("alerts", "alert_id", "raised_us"),
    "batch_changes": ("batches", "change_id", "time_us"),
}


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


class Redating(Readings, Batches):
    """What carries noted times along."""

    def shift_times(self, marks: Marks, since: datetime, until: datetime, by: timedelta) -> dict[str, int]:
        """Move what this machine's clock stamped wrongly: readings newer than ``marks`` and dated on receipt;
        starts, ends, looks and counts of batches in [since, until], and what was said then.

        The numbers tell what the time alone would not: a clock may start behind what was noted last.

        Returns, by feed of the series store, the number of the first point that moved.
        """
        shift = by // MICROSECOND
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

    def settle_after_restoring(self, now: datetime) -> None:
        """This is a copy of some time ago: what was to be sent or done then is not sent or done now."""
        self._db.execute("UPDATE letters SET state = 'overtaken' WHERE state = 'due'")
        said = json.dumps({"text": "The record was damaged before this was done; ask again."})
        self._db.execute("UPDATE requests SET done_us = ?, ok = 0, answer = ? WHERE done_us IS NULL",
                         (to_us(now), said))  # fmt: skip
        self.set_meta("alive_us", str(to_us(now)))
        self.date_changes(now)

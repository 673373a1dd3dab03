"""What the series store is to get, in the order it came."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from hatchmon.adapters.store.batches import Batches
from hatchmon.adapters.store.forecasts import Forecasts, forecast_from
from hatchmon.adapters.store.readings import REJECTED_KEPT
from hatchmon.adapters.store.times import from_us
from hatchmon.hatchery.types import (
    Batch,
    Forecast,
)


@dataclass(frozen=True, slots=True)
class BatchChange:
    """A change to a batch: the ``batch`` as it is now, or None when it is no longer there; then ``dropped``
    tells (cone, lot, start), in the change that took it back."""

    change_id: int
    time_us: int
    batch: Batch | None
    dropped: tuple[str, str, datetime] | None


class Feeds(Batches, Forecasts):
    """Everything above a number, and up to which it has been forwarded."""

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
            (row["forecast_id"], batches[row["batch_id"]], forecast_from(row["issued_us"], row["body"]))
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

    def series_cursor(self, feed: str) -> int:
        """The number up to which a feed has been forwarded to the series store."""
        return int(self.meta(cursor_key(feed), "0"))

    def set_series_cursor(self, feed: str, up_to: int) -> None:
        """Remember how far a feed has been forwarded."""
        self.set_meta(cursor_key(feed), str(up_to))

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


def cursor_key(feed: str) -> str:
    return "series_cursor" if feed == "readings" else f"series_cursor.{feed}"

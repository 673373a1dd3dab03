"""Batches, and what was seen, counted and learned of them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from hatchmon.adapters.store.tables import Tables
from hatchmon.adapters.store.times import from_us, to_us
from hatchmon.hatchery.types import (
    Batch,
    Count,
    Look,
)


class Batches(Tables):
    """What the keeper did and noted."""

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

    def date_changes(self, now: datetime) -> None:
        """Put a time on the changes to batches made in this transaction."""
        self._db.execute("UPDATE batch_changes SET time_us = ? WHERE time_us IS NULL", (to_us(now),))

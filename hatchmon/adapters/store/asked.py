"""What is asked of stored readings."""

from __future__ import annotations

import sqlite3
from collections.abc import Hashable, Iterator
from datetime import datetime

from hatchmon.adapters.store.readings import Readings, Stream
from hatchmon.adapters.store.times import from_us, to_us
from hatchmon.hatchery.review import Stretch
from hatchmon.hatchery.types import (
    Quantity,
    Verdict,
)
from hatchmon.hatchery.units import to_inner

_USABLE = "('good', 'step', 'suspect')"


class AskedReadings(Readings):
    """Readings of a stream or a cone, one by one and summed up."""

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

    def filed_between(self, cone: str, start: datetime, end: datetime) -> Hashable:
        """Changes when readings of a cone in [start, end] are filed or made means of minutes. Quick."""
        span = (to_us(start), to_us(end))
        return tuple(
            self._db.execute(
                """SELECT stream_id, count(*), max(seq) FROM main.readings
                   WHERE filed > 0 AND stream_id = ? AND time_us BETWEEN ? AND ?""",
                (stream.stream_id, *span),
            ).fetchone()
            for stream in self._streams_where("cone = ?", cone)
        )

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

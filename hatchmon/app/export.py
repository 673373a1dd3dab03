"""The record as CSV or JSON: one table after the keeper's choice."""

from __future__ import annotations

import csv
import json
import sqlite3
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import IO, Literal

from hatchmon.adapters.store import Store, from_us, to_us
from hatchmon.hatchery.wording import printable

Table = Literal[
    "readings", "batches", "looks", "counts", "forecasts", "alerts", "requests", "rejected", "refused"
]

_QUERIES: dict[str, str] = {
    "readings": """SELECT r.time_us, s.cone, s.quantity, r.raw AS value, s.unit, r.verdict, r.dated_by,
        CASE s.topic WHEN '' THEN 'by hand' ELSE s.topic END AS source
        FROM readings r JOIN streams s USING (stream_id) WHERE (:cone IS NULL OR s.cone = :cone)
        ORDER BY r.time_us, r.seq""",
    "batches": """SELECT batch_id, cone, lot, started_us, grams, litres, set_point_c, salinity,
        ended_us, outcome, cold_c, used_up_us, temp_c AS notebook_temp_c, doubt_c AS notebook_doubt_c
        FROM batches LEFT JOIN notebook USING (batch_id)
        WHERE (:cone IS NULL OR cone = :cone) ORDER BY started_us""",
    "looks": """SELECT l.time_us, b.cone, b.batch_id, b.lot, l.seen FROM looks l
        JOIN batches b USING (batch_id)
        WHERE (:cone IS NULL OR b.cone = :cone) ORDER BY l.time_us""",
    "counts": """SELECT c.time_us, b.cone, b.batch_id, b.lot, n.key + 1 AS sample, c.sample_ml,
        coalesce(c.litres, CASE WHEN b.ended_us IS NULL OR c.time_us <= b.ended_us
            THEN b.litres END) AS litres,
        n.value AS nauplii, json_extract(c.umbrella, '$[' || n.key || ']') AS umbrella,
        json_extract(c.unhatched, '$[' || n.key || ']') AS unhatched
        FROM counts c JOIN batches b USING (batch_id), json_each(c.nauplii) n
        WHERE (:cone IS NULL OR b.cone = :cone) ORDER BY c.time_us, c.count_id, n.key""",
    "forecasts": """SELECT f.issued_us, b.cone, b.batch_id, f.body FROM forecasts f JOIN batches b
        USING (batch_id) WHERE (:cone IS NULL OR b.cone = :cone) ORDER BY f.forecast_id""",
    "alerts": """SELECT raised_us, kind, cone, urgency, title, body, seen_us, seen_by FROM alerts
        WHERE (:cone IS NULL OR cone = :cone) ORDER BY alert_id""",
    "requests": """SELECT made_us, by, json_extract(body, '$.cone') AS cone, body AS request, done_us, ok,
        json_extract(answer, '$.text') AS answer FROM requests
        WHERE (:cone IS NULL OR json_extract(body, '$.cone') = :cone) ORDER BY request_id""",
    "rejected": """SELECT time_us, topic, payload, reason FROM rejected WHERE :cone IS NULL
        ORDER BY rejected_id""",
    "refused": """SELECT feed, line, reason FROM series_refused WHERE :cone IS NULL ORDER BY rowid""",
}
TABLES = tuple(_QUERIES)
_BANDS = ("t10", "t50", "t90", "opens", "best", "closes")


def rows(store: Store, table: str, cone: str | None) -> Iterator[dict[str, object]]:
    """The rows of ``table`` (one of TABLES), all with the same columns; times ISO 8601 UTC."""
    for row in store.each(_QUERIES[table], {"cone": cone}):
        yield dict(_columns(row))


def readings_between(store: Store, cone: str, start: datetime, end: datetime) -> Iterator[dict[str, object]]:
    """A cone's readings in [start, end] in order of time, with the columns that ``readings`` has of them."""
    found = [
        (row["time_us"], row["raw"], row["verdict"], stream)
        for stream in store.streams()
        if stream.cone == cone
        for row in store.rows(
            "SELECT time_us, raw, verdict FROM by_stream WHERE stream_id = ? AND time_us BETWEEN ? AND ?",
            stream.stream_id, to_us(start), to_us(end),
        )
    ]  # fmt: skip
    for time_us, raw, verdict, stream in sorted(found, key=lambda row: row[0]):
        yield {
            "time": from_us(time_us).isoformat(),
            "cone": cone,
            "quantity": stream.quantity.value,
            "value": raw,
            "unit": stream.unit,
            "verdict": verdict,
            "source": stream.topic or "by hand",
        }


def write_csv(found: Iterable[dict[str, object]], out: IO[str]) -> int:
    """Write rows as CSV with a header; the number of them."""
    writer: csv.DictWriter[str] | None = None
    count = 0
    for row in found:
        if writer is None:
            writer = csv.DictWriter(out, list(row), lineterminator="\n")
            writer.writeheader()
        writer.writerow(row)
        count += 1
    return count


def write_json(found: Iterable[dict[str, object]], out: IO[str]) -> int:
    """Write rows as one JSON array, a row a line; the number of them."""
    count = 0
    for row in found:
        out.write("[\n" if count == 0 else ",\n")
        out.write(json.dumps(row, ensure_ascii=False))
        count += 1
    out.write("\n]\n" if count else "[]\n")
    return count


def _columns(row: sqlite3.Row) -> Iterator[tuple[str, object]]:
    for name in row.keys():  # noqa: SIM118 - a Row iterates over its values
        value = row[name]
        if name.endswith("_us"):
            yield name.removesuffix("_us"), None if value is None else from_us(value).isoformat()
        elif name == "payload":
            yield name, printable(value.decode("utf-8", "backslashreplace"))
        elif name == "topic":
            yield name, printable(value)
        elif name == "body" and "issued_us" in row.keys():  # noqa: SIM118
            yield from _forecast_columns(json.loads(value))
        else:
            yield name, value


def _forecast_columns(body: dict[str, object]) -> Iterator[tuple[str, object]]:
    for name in _BANDS:
        band = body[name]
        for percent in ("p10", "p50", "p90"):
            yield f"{name}_{percent}_h", band[percent] if isinstance(band, dict) else None
    for name in ("q25_h", "hatched", "trust", "not_predicted"):
        yield name, body[name]

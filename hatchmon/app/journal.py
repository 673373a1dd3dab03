"""The journal: every alert and every request, with who, when, and what came of it."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from hatchmon.adapters.store import Store, from_us, to_us
from hatchmon.hatchery.batches import OLDEST_START

MOST = 100  # entries at once


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that happened. ``by``: who asked, or who has seen an alert and when; ``undo``: the request
    that takes it back, while it can be."""

    time: datetime
    kind: Literal["alert", "done", "refused", "open"]
    cone: str | None
    title: str
    body: str
    by: str | None
    seen: datetime | None
    undo: Mapping[str, Any] | None


def entries(store: Store, now: datetime, before: datetime | None = None, most: int = MOST) -> list[Entry]:
    """Up to ``most`` entries from ``before`` back, newest first."""
    limit = to_us(before) if before is not None else 2**62
    alerts = store.rows(
        """SELECT * FROM alerts WHERE raised_us < ? ORDER BY raised_us DESC, alert_id DESC LIMIT ?""",
        limit, most,
    )  # fmt: skip
    requests = store.rows(
        """SELECT * FROM requests WHERE made_us < ? ORDER BY made_us DESC, request_id DESC LIMIT ?""",
        limit, most,
    )  # fmt: skip
    found = [
        Entry(
            from_us(row["raised_us"]),
            "alert",
            row["cone"],
            row["title"],
            row["body"],
            row["seen_by"],
            None if row["seen_us"] is None else from_us(row["seen_us"]),
            None,
        )
        for row in alerts
    ]
    in_force = _InForce(store, now)
    found += [_asked(row, in_force) for row in requests]
    return sorted(found, key=lambda entry: entry.time, reverse=True)[:most]


def _asked(row: sqlite3.Row, in_force: _InForce) -> Entry:
    body = json.loads(row["body"])
    body = body if isinstance(body, dict) else {}
    made = from_us(row["made_us"])
    cone = body.get("cone")
    kind: Literal["done", "refused", "open"] = "open"
    text = f"Asked, not carried out yet: {body.get('do')}."
    if row["done_us"] is not None:
        kind = "done" if row["ok"] else "refused"
        text = str(json.loads(row["answer"])["text"])
    undo = undo_of(body, made) if kind == "done" else None
    if undo is not None and not in_force.holds(body, made):
        undo = None
    return Entry(made, kind, cone if isinstance(cone, str) else None, text, "", row["by"], None, undo)


def undo_of(body: Mapping[str, Any], made: datetime) -> dict[str, Any] | None:
    """The request that takes back one that was ``made`` then, or None where none does."""
    done = body.get("do")
    if body.get("undo") or body.get("used_up") or done not in ("begin", "look", "count", "harvest", "seen"):
        return None
    undo: dict[str, Any] = {"do": done, "undo": True}
    if body.get("cone") is not None:
        undo["cone"] = body["cone"]
    if done in ("look", "count"):
        undo["at"] = _time_of(body, made).isoformat()
    return undo


def _time_of(body: Mapping[str, Any], made: datetime) -> datetime:
    return datetime.fromisoformat(body["at"]) if body.get("at") else made


class _InForce:
    """What the record holds of the last days that can still be taken back."""

    def __init__(self, store: Store, now: datetime) -> None:
        recent = store.batches(
            "ended_us IS NULL OR ended_us >= ?", to_us(now - OLDEST_START - timedelta(days=1))
        )
        notes = {b.batch_id: (store.looks(b.batch_id), store.counts(b.batch_id)) for b in recent}
        self._held: set[tuple[str, str, datetime]] = set()
        newest = {batch.cone: batch for batch in recent}
        for batch in recent:
            looks, counts = notes[batch.batch_id]
            self._held |= {("look", batch.cone, look.time) for look in looks}
            self._held |= {("count", batch.cone, count.time) for count in counts}
            if newest[batch.cone] is not batch:
                continue
            if batch.ended is not None:
                self._held.add(("harvest", batch.cone, batch.ended))
            elif not looks and not counts:
                self._held.add(("begin", batch.cone, batch.started))

    def holds(self, body: Mapping[str, Any], made: datetime) -> bool:
        """Whether what this request did still stands as it left it."""
        return (body["do"], body.get("cone"), _time_of(body, made)) in self._held


def entries_json(found: Sequence[Entry]) -> list[dict[str, Any]]:
    """Entries as plain data, times ISO 8601 UTC."""
    return [
        {
            "time": entry.time.isoformat(timespec="microseconds"),
            "kind": entry.kind,
            "cone": entry.cone,
            "title": entry.title,
            "body": entry.body,
            "by": entry.by,
            "seen": None if entry.seen is None else entry.seen.isoformat(timespec="seconds"),
            "undo": entry.undo,
        }
        for entry in found
    ]

"""Requests to the engine, and its answers."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from hatchmon.adapters.store.tables import Tables
from hatchmon.adapters.store.times import from_us, to_us

REQUESTS_KEPT = 20_000  # a button that hangs presses itself 14,400 times a day at most
_REQUESTS = "SELECT request_id, made_us, by, body, answer_to, ref FROM requests"


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


class Requests(Tables):
    """What keepers asked for."""

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

    def request(self, request_id: int) -> sqlite3.Row | None:
        """A request as it stands: made_us, by, body (JSON), done_us, ok, answer (JSON)."""
        rows = self.rows("SELECT * FROM requests WHERE request_id = ?", request_id)
        return rows[0] if rows else None

    def answer(self, request_id: int, ok: bool, answer: dict[str, Any], now: datetime) -> None:
        """Close a request with its answer."""
        self._db.execute(
            "UPDATE requests SET done_us = ?, ok = ?, answer = ? WHERE request_id = ?",
            (to_us(now), int(ok), json.dumps(answer), request_id),
        )

    def answer_to(self, request_id: int) -> tuple[bool, dict[str, Any]] | None:
        """(ok, answer) once the request has been carried out, else None."""
        row = self.rows(
            "SELECT ok, answer FROM requests WHERE request_id = ? AND done_us IS NOT NULL", request_id
        )
        return (bool(row[0]["ok"]), json.loads(row[0]["answer"])) if row else None


def _request(row: sqlite3.Row) -> Request:
    return Request(
        row["request_id"],
        from_us(row["made_us"]),
        row["by"],
        json.loads(row["body"]),
        row["answer_to"],
        row["ref"],
    )

"""Alerts, what has been said of them, and the letters that carry them."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Sequence
from datetime import datetime

from hatchmon.adapters.store.tables import Tables
from hatchmon.adapters.store.times import from_us, to_us
from hatchmon.hatchery.alerts import Standing
from hatchmon.hatchery.types import (
    Alert,
    Urgency,
)

LETTER_TRIES = 5  # at the least, before one is given up: a machine that was off has not tried


class Alerts(Tables):
    """What the keeper was told, and whether it came through."""

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

    def last_raised(self, kind: str) -> datetime | None:
        """When an alert of this kind was raised last."""
        (newest,) = self.rows("SELECT max(raised_us) FROM alerts WHERE kind = ?", kind)[0]
        return None if newest is None else from_us(newest)

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

    def letter_begun(self, letter_id: int) -> None:
        """The letter is on its way; until more is known, it may have arrived."""
        self._db.execute("UPDATE letters SET in_doubt = 1 WHERE letter_id = ?", (letter_id,))

    def letter_sent(self, letter_id: int) -> None:
        """The letter has been delivered."""
        self._db.execute(
            """UPDATE letters SET state = 'sent', attempts = attempts + 1, last_error = NULL
               WHERE letter_id = ?""",
            (letter_id,),
        )

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

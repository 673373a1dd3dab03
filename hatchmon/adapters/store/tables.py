"""An open database: transactions, queries, small facts."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager


class Tables:
    """The connection that every part of the store works on."""

    _db: sqlite3.Connection

    @contextmanager
    def atomic(self) -> Iterator[None]:
        """Everything inside is stored, or nothing. May be nested: the outermost commits."""
        if self._db.in_transaction:
            yield
            return
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:  # a full disk has ended it already
                self._db.execute("ROLLBACK")
            raise

    def rows(self, sql: str, *values: object) -> list[sqlite3.Row]:
        """All rows of a query, addressable by column name."""
        cursor = self._db.execute(sql, values)
        cursor.row_factory = sqlite3.Row
        return cursor.fetchall()

    def each(self, sql: str, values: dict[str, object]) -> Iterator[sqlite3.Row]:
        """The rows of a query one by one, for results too large to hold.

        However long the caller takes over them, the database is not kept open: they are set apart first.
        """
        self._db.execute("DROP TABLE IF EXISTS temp.found")
        self._db.execute(f"CREATE TEMP TABLE found AS {sql}", values)
        cursor = self._db.execute("SELECT * FROM temp.found ORDER BY rowid")
        cursor.row_factory = sqlite3.Row
        yield from cursor

    def meta(self, key: str, default: str = "") -> str:
        """A remembered value, or ``default``."""
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return str(row[0]) if row else default

    def set_meta(self, key: str, value: str) -> None:
        """Remember a value."""
        self._db.execute(
            "INSERT INTO meta VALUES (?, ?) ON CONFLICT DO UPDATE SET value = excluded.value", (key, value)
        )

    def data_version(self) -> int:
        """A number that changes when another process has written."""
        return int(self._db.execute("PRAGMA data_version").fetchone()[0])

"""Whether the disk under a database in use still gives back what it was given."""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from pathlib import Path

from hatchmon.adapters.store.dbfile import damage

log = logging.getLogger(__name__)

LOOK_EVERY_S = 15.0
LOOK_SHARE = 1 / 500
"""Of the time may be spent on looking whether the database is whole."""


class Watchman:
    """Looks again and again whether the database in use is whole, as its writer cannot see: what that has in
    memory it does not read again. Each look runs in a thread of its own, on a connection of its own.
    """

    def __init__(self, database: Path) -> None:
        self._database = database
        self._largest = database.stat().st_size
        self._next_s = time.monotonic() + LOOK_EVERY_S
        self._looking: threading.Thread | None = None
        self.wrong: str | None = None
        """What the last look found; None while all is well."""

    def turn(self) -> None:
        """Begin a look when it is time for one. Call it every few seconds."""
        if (self._looking is not None and self._looking.is_alive()) or time.monotonic() < self._next_s:
            return
        self._looking = threading.Thread(target=self._look, name="watchman", daemon=True)
        self._looking.start()

    def _look(self) -> None:
        begun_s = time.monotonic()
        try:
            size = self._database.stat().st_size
            # It is never vacuumed, and SQLite takes a file cut off at its very start for an empty database.
            shrunk = size < self._largest
            self._largest = max(size, self._largest)
            self.wrong = "it has become shorter" if shrunk else damage(self._database)
        except (OSError, sqlite3.Error) as error:
            log.debug("the database could not be looked through: %s", error)
        ended_s = time.monotonic()
        self._next_s = ended_s + max(LOOK_EVERY_S, (ended_s - begun_s) / LOOK_SHARE)

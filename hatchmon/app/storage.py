"""The disk under the database: how much room there is, whether it takes anything at all, housekeeping."""

from __future__ import annotations

import errno
import os
import shutil
from datetime import datetime, timedelta
from pathlib import Path

from hatchmon.adapters.store import Store, to_us
from hatchmon.adapters.store.dbfile import SIDES
from hatchmon.app.intake import KEPT_DELIVERIES
from hatchmon.app.settings import Settings
from hatchmon.hatchery.storage import Room

LOG_TIDY_BYTES = 8_000_000
HOURS_THINNED_A_MINUTE = 4
STREAMS_AT_ONCE = 64  # of one of these hours, in a transaction; with more of them an hour takes several turns
# What a disk says that is full, worn out or switched to read-only; EFBIG is a limit on the size of files.
_TAKES_NOTHING = {errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO, errno.EFBIG}


class Disk:
    """The disk that holds ``database``."""

    def __init__(self, database: Path) -> None:
        self._database = database

    def room(self) -> Room | None:
        """Sizes now; None when the disk does not say."""
        try:
            base, log, _ = (self._database.with_name(self._database.name + end) for end in SIDES)
            log_bytes = log.stat().st_size if log.exists() else 0
            return Room(shutil.disk_usage(base.parent).free, base.stat().st_size, log_bytes)
        except OSError:
            return None

    def refusal(self) -> str | None:
        """Why the disk takes nothing now; None when it does, and the trouble is another."""
        error = self._try()
        return None if error is None else error.strerror or str(error)

    def why_not(self, failed: Exception) -> str | None:
        """What keeps the disk from taking what ``failed`` to be written; None when the trouble is another."""
        for error in (failed, self._try()):
            if isinstance(error, OSError) and error.errno in _TAKES_NOTHING:
                return os.strerror(error.errno)
        return None

    def _try(self) -> OSError | None:
        probe = self._database.with_name(self._database.name + ".probe")
        try:
            try:
                handle = os.open(probe, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600)
                try:
                    os.write(handle, bytes(65536))
                    os.fsync(handle)
                finally:
                    os.close(handle)
            finally:
                probe.unlink(missing_ok=True)
        except OSError as error:
            return error
        return None


def tidy_up(settings: Settings, store: Store, disk: Disk, now: datetime) -> None:
    """Empty the write-ahead log, thin out what is old and bring the index of readings up to date, where that
    is worth it. Raises sqlite3.Error."""
    room = disk.room()
    held_open = room is not None and room.log > LOG_TIDY_BYTES and not store.truncate_log()
    if not held_open:  # else whatever is changed makes the log longer, and this can wait
        _thin(settings, store, now)
    if store.filing_due():
        store.file_readings(KEPT_DELIVERIES)


def _thin(settings: Settings, store: Store, now: datetime) -> None:
    """Make means of the minutes of a few hours long past, apart from batches that run or ended since."""
    until = now - timedelta(days=settings.store.raw_days)
    recent = store.batches("ended_us IS NULL OR ended_us >= ?", to_us(until))
    until = min([until, *(batch.started - timedelta(days=1) for batch in recent)])
    forwarded = store.next_seq()
    if settings.series is not None:
        forwarded = store.series_cursor("readings")
    for _ in range(HOURS_THINNED_A_MINUTE):
        if not store.thin_some(until, forwarded, STREAMS_AT_ONCE):
            break

"""What the disk under the database says: how much room there is, and whether it takes anything at all."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from hatchmon.adapters.dbfile import SIDES
from hatchmon.hatchery.storage import Room


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
            return error.strerror or str(error)
        return None

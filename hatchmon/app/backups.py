"""Copies of the database: one a day, each tried out before it counts, the newest few kept."""

from __future__ import annotations

import contextlib
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

from hatchmon.adapters.store import Store, spool
from hatchmon.adapters.store.dbfile import SIDES, copy_whole, damage, to_disk
from hatchmon.app.settings import Settings

_STAMP = "%Y%m%dT%H%M%SZ"
ROOM_BYTES = 32 * 1024 * 1024
"""To be left free by a copy."""


class NotMade(Exception):
    """The copy could not be made; the message says why and how to mend it."""


class Backups:
    """The copies in one folder, named after the moment they were begun."""

    def __init__(self, settings: Settings) -> None:
        self.database = settings.store.path
        self.folder = settings.backup.folder or self.database.parent / "backups"
        self._keep = settings.backup.keep

    def made(self) -> list[Path]:
        """The copies there are, newest first."""
        name = self.database.stem
        return sorted((f for f in self.folder.glob(f"{name}-*.db") if _made(f, name)), reverse=True)

    def last(self) -> datetime | None:
        """When the newest of them was begun."""
        made = self.made()
        return _made(made[0], self.database.stem) if made else None

    def make(self, now: datetime) -> Path:
        """Copy, try the copy out, keep it and let the oldest go. Raises NotMade, and changes nothing then."""
        target = self.folder / f"{self.database.stem}-{now.astimezone(UTC):{_STAMP}}.db"
        partial = target.with_name(f".{target.name}.partial")
        try:
            self.folder.mkdir(0o700, parents=True, exist_ok=True)
            for left in self.folder.glob(".*.partial*"):  # of a run that a power cut ended
                left.unlink()
            needs = _bytes(self.database) + ROOM_BYTES
            free = shutil.disk_usage(self.folder).free
            if free < needs:
                raise NotMade(
                    f"{self.folder} has {free / 1e6:.0f} MB free, a copy needs {needs / 1e6:.0f} MB; make "
                    "room there, or set backup.folder to another disk"
                )
            os.close(os.open(partial, os.O_CREAT | os.O_WRONLY, 0o600))
            spooled = spool.find(self.database)
            copy_whole(self.database, partial)
            spool.fold_copy(partial, spooled)
            wrong = damage(partial, thorough=True)
            if wrong is not None:
                raise NotMade(f"the copy was not whole ({wrong}); is the disk failing?")
            with Store(partial, read_only=True) as copy, Store(self.database, read_only=True) as store:
                if copy.next_seq() > store.next_seq():
                    raise NotMade("the copy does not hold what the database holds; is the disk failing?")
            partial.rename(target)
            to_disk(self.folder)
            for old in self.made()[self._keep :]:
                old.unlink()
        except NotMade:
            raise
        except Exception as error:
            raise NotMade(
                f"{error}; hatchmon must be able to write to {self.folder} and to read {self.database}"
            ) from error
        finally:
            with contextlib.suppress(OSError):
                for end in SIDES:
                    partial.with_name(partial.name + end).unlink(missing_ok=True)
        return target


def _made(file: Path, name: str) -> datetime | None:
    """When the copy was begun, by its name; None when it is no copy of ours."""
    try:
        stamp = file.name.removeprefix(f"{name}-").removesuffix(".db")
        return datetime.strptime(stamp, _STAMP).replace(tzinfo=UTC)
    except ValueError:
        return None


def _bytes(database: Path) -> int:
    """Size of the database with its log."""
    files = (database.with_name(database.name + end) for end in SIDES[:2])
    return sum(file.stat().st_size for file in files if file.exists())

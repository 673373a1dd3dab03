"""A damaged database: noticed at the start and set aside, the newest whole copy put in its place.

What was noted since that copy (batches, looks, counts) is saved where it can be read; readings and
forecasts are not, for what looks like a number in a damaged page may be none. The series store is not asked.
"""

from __future__ import annotations

import contextlib
import errno
import json
import logging
import math
import os
import shutil
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from hatchmon.adapters.store import Store, StoreError, from_us, open_own, to_us, writers_lock
from hatchmon.adapters.store.dbfile import SIDES, damage, reading, to_disk
from hatchmon.app.backups import Backups
from hatchmon.app.beliefs import work_out_evidence
from hatchmon.app.settings import Settings
from hatchmon.hatchery.alerts import URGENCY
from hatchmon.hatchery.looks import read_look
from hatchmon.hatchery.storage import damaged_words, spool_words
from hatchmon.hatchery.types import Alert, Refused
from hatchmon.hatchery.wording import Voice

log = logging.getLogger(__name__)

_NOTES = ("cones", "lots", "batches", "notebook", "looks", "counts")  # parents first
_LONGEST_TEXT = 500
_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Damage:
    """A database set aside: what was ``wrong``, where it lies, which copy took its place (None: none was
    whole), and when the damaged one was written last."""

    wrong: str
    aside: Path
    copy: Path | None
    written: datetime


def suspect(database: Path) -> None:
    """Have the next start look at the database thoroughly."""
    with contextlib.suppress(OSError):  # on a disk that takes nothing it looks as it always does
        _mark(database).touch()


def left_whole(database: Path) -> None:
    """After an end in order: while the file stays as it is now, the next start need not look it through."""
    with contextlib.suppress(OSError):
        found = database.stat()
        _left(database).write_text(f"{found.st_size} {found.st_mtime_ns}\n")


def set_aside_if_damaged(settings: Settings, now: datetime) -> Damage | None:
    """Leave a whole database, or none, at the place where the daemon will open it.

    What a power cut broke off is gone on with. Raises Taken when another process uses the database, OSError
    when the disk takes nothing; the damaged database is still in its place then.
    """
    database = settings.store.path
    # Only where hatchmon has been before: else the file may be somebody else's, which the store refuses.
    if not database.with_name(database.name + ".lock").exists():
        return None
    with writers_lock(database):
        found = _begun(database)
        if found is None:
            if not database.exists():
                return None
            found = _look(database, Backups(settings), now)
        if found is None:
            _mark(database).unlink(missing_ok=True)
            return None
        # The database itself goes last: once it is aside, what has its name is new.
        for end in reversed(SIDES):
            file = database.with_name(database.name + end)
            if file.exists() and not found.aside.exists():
                file.rename(found.aside.with_name(found.aside.name + end))
        if found.copy is not None and _partial(database).exists():
            _partial(database).rename(database)
        to_disk(database.parent)
        log.error(
            "%s is damaged (%s) and now called %s; in its place: %s",
            database, found.wrong, found.aside, found.copy,
        )  # fmt: skip
        return found


def _look(database: Path, backups: Backups, now: datetime) -> Damage | None:
    """Look at the database; if it is damaged, get all ready that is needed to set it aside."""
    wrong = _wrong(database, backups)
    if wrong is None:
        return None
    found = [file for end in SIDES if (file := database.with_name(database.name + end)).exists()]
    written = min(now, max(datetime.fromtimestamp(file.stat().st_mtime, UTC) for file in found))
    aside = database.with_name(f"{database.name}.damaged-{now:%Y%m%dT%H%M%SZ}")
    damage = Damage(wrong, aside, _copy_beside(database, backups), written)
    note = {"wrong": wrong, "aside": str(aside), "copy": damage.copy and str(damage.copy)}
    _mark(database).write_text(json.dumps(note | {"written": written.isoformat()}))
    to_disk(_mark(database))
    to_disk(database.parent)
    return damage


def _begun(database: Path) -> Damage | None:
    """What an earlier start was setting right when it ended."""
    try:
        note = json.loads(_mark(database).read_text())
        return Damage(
            note["wrong"],
            Path(note["aside"]),
            None if note["copy"] is None else Path(note["copy"]),
            datetime.fromisoformat(note["written"]),
        )
    except (OSError, ValueError, TypeError, KeyError):
        return None


def make_good(settings: Settings, store: Store, found: Damage, now: datetime) -> None:
    """Save from the damaged database what was noted, and leave the keeper word of it, in one transaction."""
    scope = f"damaged {found.aside.name}"
    if not store.rows("SELECT 1 FROM alerts WHERE kind = 'storage' AND scope = ?", scope):
        _take_over(settings, store, found, scope, now)
    for batch in store.batches("outcome = 'harvested'"):
        if store.evidence(batch.batch_id) is None:
            work_out_evidence(store, batch)
    _mark(settings.store.path).unlink(missing_ok=True)


def tell_of_spool(settings: Settings, store: Store, now: datetime) -> None:
    """Leave the keeper word where part of what the spool held could not be read back."""
    span = store.spool_lost()
    if span is None:
        return
    words = spool_words(*span, now, Voice(settings.zone, settings.unit))
    with store.atomic():
        _leave_word(settings, store, f"spool {to_us(now)}", words, now)
        store.forget_spool_lost()


def _take_over(settings: Settings, store: Store, found: Damage, scope: str, now: datetime) -> None:
    with store.atomic():
        last_us = _last_us(found.copy)
        spooled = store.brought_in
        store.forget_spool_lost()  # the same word tells of it
        saved = _save_notes(found.aside, store, now)
        store.settle_after_restoring(now)
        voice = Voice(settings.zone, settings.unit)
        words = damaged_words(
            from_us(last_us) if last_us else None,
            found.written if spooled is None else min(found.written, spooled[0]), now, str(found.aside),
            found.copy is not None, saved, voice,
        )  # fmt: skip
        _leave_word(settings, store, scope, words, now)


def _leave_word(settings: Settings, store: Store, scope: str, words: tuple[str, str], now: datetime) -> None:
    title, body = words
    urgency = settings.alerts.urgency.get("storage", URGENCY["storage"])
    store.add_alert(Alert("storage", scope, None, urgency, title, body, now), len(settings.push.to), now)
    log.error("%s. %s", title, body)


def _last_us(copy: Path | None) -> int:
    """The last sign of life in a copy, whatever has come into the database since that took its place."""
    if copy is None:
        return 0
    try:
        with reading(copy) as db:
            newest = "SELECT time_us, dated_by FROM readings ORDER BY seq DESC LIMIT 1"
            signs = f"""SELECT CAST(value AS INTEGER) FROM meta WHERE key = 'alive_us'
                        UNION ALL SELECT time_us FROM ({newest}) WHERE dated_by = 'receipt'"""
            return max((us for (us,) in db.execute(signs)), default=0)
    except sqlite3.Error as error:
        log.warning("%s: %s", copy, error)
        return 0


def _mark(database: Path) -> Path:
    return database.with_name(database.name + ".suspect")


def _left(database: Path) -> Path:
    return database.with_name(database.name + ".left")


def _as_left(database: Path) -> bool:
    """Whether nothing was written since an end in order: a year's record takes minutes to look through, and
    the watchman does so soon after the start."""
    log = database.with_name(database.name + "-wal")
    found = database.stat()
    try:
        left = _left(database).read_text().split()
        return left == [str(found.st_size), str(found.st_mtime_ns)] and not (
            log.exists() and log.stat().st_size
        )
    except (OSError, ValueError):
        return False


def _wrong(database: Path, backups: Backups) -> str | None:
    if database.stat().st_size == 0:
        return "it is empty" if backups.made() or _mark(database).exists() else None
    if not _mark(database).exists() and _as_left(database):
        return None
    try:
        wrong = damage(database, thorough=_mark(database).exists())
        return "its log is damaged" if wrong is None and _falls_short(database, backups) else wrong
    except (sqlite3.Error, StoreError) as error:
        log.warning("%s cannot be checked: %s", database, error)
        return None  # the store will say what is the matter


def _falls_short(database: Path, backups: Backups) -> bool:
    """Whether the newest copy holds more than the database with its log: SQLite takes a log up to its first
    damaged page for the whole of it. After an end in order, which leaves no log, an older file may have been
    put there on purpose."""
    made = backups.made()
    log = database.with_name(database.name + "-wal")
    if not made or not log.exists() or log.stat().st_size == 0:
        return False
    with Store(made[0], read_only=True) as copy:
        holds = copy.next_seq()
    try:
        with Store(database, read_only=True) as store:
            return holds > store.next_seq()
    except StoreError:  # of an older version than its copy
        return True


def _partial(database: Path) -> Path:
    return database.with_name(database.name + ".partial")


def _copy_beside(database: Path, backups: Backups) -> Path | None:
    """Put the newest copy that is whole beside the database, on disk, to take its place: which it is."""
    partial = _partial(database)
    partial.unlink(missing_ok=True)
    for copy in backups.made():
        try:
            wrong = damage(copy, thorough=True)
        except sqlite3.Error as error:
            wrong = str(error)
        if wrong is not None:
            log.error("the copy %s is of no use: %s", copy, wrong)
            continue
        if shutil.disk_usage(partial.parent).free < copy.stat().st_size:
            raise OSError(errno.ENOSPC, f"{os.strerror(errno.ENOSPC)} for {copy}")
        os.close(open_own(partial))
        shutil.copyfile(copy, partial)
        to_disk(partial)
        return copy
    return None


def _save_notes(aside: Path, store: Store, now: datetime) -> dict[str, int]:
    """By table, how many rows were saved that the store did not have."""
    saved: dict[str, int] = {}
    try:
        with reading(aside) as old:
            for table in _NOTES:
                rows = [row for row in _readable(old, table) if _sane(row, now)]
                if table == "batches":
                    _end_batches(rows, store)
                saved[table] = store.add_missing(table, rows)
    except (sqlite3.Error, UnicodeDecodeError) as error:
        log.warning("no more can be read of %s: %s", aside, error)
    return saved


def _readable(old: sqlite3.Connection, table: str) -> Iterator[dict[str, Any]]:
    """The rows of a table up to where it is damaged."""
    try:
        cursor = old.execute(f"SELECT * FROM {table}")
        names = [column[0] for column in cursor.description]
        for row in cursor:
            yield dict(zip(names, row, strict=True))
    except (sqlite3.Error, UnicodeDecodeError) as error:
        log.warning("table %s of the damaged database: %s", table, error)


def _end_batches(rows: Iterable[dict[str, Any]], store: Store) -> None:
    """Batches that ended after the copy had been made."""
    running = {batch.batch_id: batch for batch in store.batches("ended_us IS NULL")}
    for row in rows:
        batch = running.get(row["batch_id"])
        if batch is None or row["ended_us"] is None or row["outcome"] not in ("harvested", "discarded"):
            continue
        if (row["cone"], row["lot"]) == (batch.cone, batch.lot):
            store.end_batch(batch.batch_id, from_us(row["ended_us"]), row["outcome"], row["cold_c"])


def _sane(row: dict[str, Any], now: datetime) -> bool:
    """Whether a row of a damaged database may be what was written."""
    latest_us = to_us(now + timedelta(days=1))
    for name, value in row.items():
        if isinstance(value, str):
            if not value.isprintable() or "\ufffd" in value or not 0 < len(value) <= _LONGEST_TEXT:
                return False
        elif isinstance(value, float):
            if not math.isfinite(value) or not -50.0 <= value <= 1e6:
                return False
        elif isinstance(value, int):
            if name.endswith("_us") and not to_us(_EARLIEST) <= value <= latest_us:
                return False
        elif value is not None:
            return False
    try:
        if "seen" in row:
            return read_look(row["seen"]) == str(row["seen"])
        if "nauplii" in row:
            return all(_numbers(row[name]) for name in ("nauplii", "umbrella", "unhatched"))
    except (Refused, ValueError):
        return False
    return True


def _numbers(text: str) -> bool:
    found = json.loads(text)
    return isinstance(found, list) and all(isinstance(n, int) and n >= 0 for n in found)

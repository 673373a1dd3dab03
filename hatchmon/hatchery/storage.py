"""What is wrong with the disk and the record on it: facts and words for the keeper."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from hatchmon.hatchery.alerts import Fact
from hatchmon.hatchery.wording import Voice

SPARE_BYTES = 256_000_000
LOG_MOST_BYTES = 64_000_000
_NOTED = {"batches": "batch", "looks": "look", "counts": "count"}


@dataclass(frozen=True, slots=True)
class Room:
    """Bytes free on the disk of the database, and those of the database and of its write-ahead log."""

    free: int
    database: int
    log: int


def storage_facts(room: Room | None, no_backup: str | None) -> list[Fact]:
    """The disk is nearly full, the log has grown, or there is no backup, for the reason given."""
    facts: list[Fact] = []
    # What a copy of the database needs beside it, and room for what comes until somebody looks.
    if room is not None and room.free < room.database + SPARE_BYTES:
        facts.append(
            _fact(
                "room",
                f"Disk nearly full: {_mb(room.free)} left",
                f"The record takes {_mb(room.database)}, and each backup as much again. When nothing is "
                "left hatchmon stops recording until there is room. Delete what is not needed, keep fewer "
                "backups (backup.keep), or thin readings out earlier (store.raw_days).",
            )
        )
    if room is not None and room.log > LOG_MOST_BYTES:
        facts.append(
            _fact(
                "log",
                f"The database's log has grown to {_mb(room.log)}",
                "Some program reads the database without end, so the log beside it cannot be emptied. "
                "Close what has it open: 'sudo fuser -v' with the path of the database shows who. Nothing is "
                "lost, but the disk fills up.",
            )
        )
    if no_backup is not None:
        facts.append(
            _fact(
                "backup",
                "No backup of the record was made",
                f"{no_backup[:1].upper()}{no_backup[1:]}. Older backups are kept, and hatchmon tries again "
                "at the next hour set for it.",
            )
        )
    return facts


def refused_words(reason: str, since: datetime, now: datetime, voice: Voice) -> tuple[str, str]:
    """The disk takes nothing, for that ``reason``: title and body of a message that cannot be stored."""
    return (
        "Not recording: the disk takes nothing",
        f"Since {voice.time(since, now)} ({reason}). Readings wait with the broker, as many as it keeps, and "
        "nothing can be begun or noted. No other message will come meanwhile: look at the cones. If the disk "
        "is full, make room on it; if it has become read-only, the card may be worn out: replace it. "
        "Recording goes on by itself.",
    )


def damaged_words(
    last: datetime | None,
    until: datetime,
    now: datetime,
    aside: str,
    copied: bool,
    saved: Mapping[str, int],
    voice: Voice,
) -> tuple[str, str]:
    """A damaged record was set ``aside``: what took its place, and what is missing from then to then."""
    noted = [
        f"{count} {_NOTED[table]}{'' if count == 1 else 'es' if table == 'batches' else 's'}"
        for table, count in saved.items()
        if table in _NOTED and count
    ]
    body = [f"The damaged file is kept: {aside}."]
    if copied:
        title = "The record was damaged; a backup stands in for it"
        since = "its beginning" if last is None else voice.time(last, now)
        body.append(f"Missing: readings and forecasts from {since} to {voice.time(until, now)}.")
        body.append(
            f"Saved of what was noted in that time: {', '.join(noted)}. Look whether that is all."
            if noted
            else "What was noted in that time could not be read: note it again (hatchmon begin, look, count, "
            "harvest, each with --at)."
        )
    else:
        title = "The record was damaged, and no backup was whole"
        body.append("hatchmon began with an empty one.")
        body.append(f"Missing: all that was recorded up to {voice.time(until, now)}.")
        body.append(
            f"Saved of what was noted: {', '.join(noted)}. Look whether that is all."
            if noted
            else "Begin the batches that run again, with their time: hatchmon begin CONE --at TIME."
        )
    body.append(
        "A worn-out SD card does this: keep a backup elsewhere (hatchmon backup) and replace the card."
    )
    return title, " ".join(body)


def spool_words(first: datetime, last: datetime, now: datetime, voice: Voice) -> tuple[str, str]:
    """Part of what was noted between two moments, and was not in the database yet, could not be read back."""
    return (
        "Some readings were lost in a power cut",
        f"Of what was recorded from {voice.time(first, now)} to {voice.time(last, now)} a part could not be "
        "read back; the rest was. A disk that has written what it said it had does not do this: look at the "
        "card and at its power supply, and keep a backup elsewhere (hatchmon backup).",
    )


def _fact(scope: str, title: str, body: str) -> Fact:
    return Fact("storage", scope, None, title, body)


def _mb(count: int) -> str:
    return f"{count / 1e6:.0f} MB"

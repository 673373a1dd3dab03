"""Times as a keeper types them."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, tzinfo

FORMS = "Write 22:30, 'yesterday 22:30', '2h ago', '90 min ago' or 2026-03-01T22:30"
_AGO = re.compile(r"(?:(\d+(?:\.\d+)?)\s*(?:h|hours?))?\s*(?:(\d+)\s*(?:m|min|minutes?))?\s+ago")
_CLOCK = re.compile(r"(?:(today|yesterday)\s+)?(\d{1,2}):(\d{2})")


class TimeUnclear(ValueError):
    """The text is not a time; the message says what would be."""


def read_time(text: str, now: datetime, zone: tzinfo) -> datetime:
    """The UTC moment that ``text`` means to a keeper in ``zone`` at ``now`` (aware).

    A bare ``22:30`` is the last time the clock showed that. Raises TimeUnclear.
    """
    try:
        return _read(text, now, zone)
    except OverflowError:
        raise TimeUnclear(f"'{text}' lies beyond the calendar. {FORMS}.") from None


def _read(text: str, now: datetime, zone: tzinfo) -> datetime:
    plain = " ".join(text.split())
    if plain.lower() == "now":
        return now
    ago = _AGO.fullmatch(plain.lower())
    if ago and (ago[1] or ago[2]):
        return now - timedelta(hours=float(ago[1] or 0), minutes=float(ago[2] or 0))
    clock = _CLOCK.fullmatch(plain.lower())
    if clock:
        return _clock_time(clock[1], int(clock[2]), int(clock[3]), now, zone, text)
    try:
        moment = datetime.fromisoformat(plain)
    except ValueError:
        raise TimeUnclear(f"'{text}' is not a time. {FORMS}.") from None
    if moment.tzinfo is None:
        moment = _local(moment, zone, text)
    return moment.astimezone(now.tzinfo)


def _clock_time(day: str | None, hour: int, minute: int, now: datetime, zone: tzinfo, text: str) -> datetime:
    if hour > 23 or minute > 59:
        raise TimeUnclear(f"'{text}': the clock has no {hour}:{minute:02d}. {FORMS}.")
    today = now.astimezone(zone)
    naive = today.replace(hour=hour, minute=minute, second=0, microsecond=0, tzinfo=None, fold=0)
    if day == "yesterday":
        naive -= timedelta(days=1)
    moment = _local(naive, zone, text)
    if day is None and moment > now:
        moment = _local(naive - timedelta(days=1), zone, text)
    return moment.astimezone(now.tzinfo)


def _local(naive: datetime, zone: tzinfo, text: str) -> datetime:
    """``naive`` in ``zone``; refuses a time that a change to summer time skipped."""
    moment = naive.replace(tzinfo=zone)
    back = moment.astimezone(UTC).astimezone(zone)
    if back.replace(tzinfo=None) != naive:
        raise TimeUnclear(f"'{text}' did not exist: the clocks were put forward over it.")
    return moment

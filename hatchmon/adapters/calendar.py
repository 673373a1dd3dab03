"""The calendar feed: events as iCalendar text (RFC 5545, with RFC 7986's name and refresh interval)."""

from __future__ import annotations

import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

PRODUCT = "-//hatchmon//hatchmon//EN"
FRESH_FOR = timedelta(minutes=15)
SHORTEST_SECRET = 32
_SECRET = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True)
class Reminder:
    """An alarm: so long ``before`` the start of the event, or before its end."""

    before: timedelta
    text: str
    of_end: bool = False


@dataclass(frozen=True, slots=True)
class Event:
    """One entry; times are aware. ``uid`` stays the same while the event moves, ``sequence`` rises when it
    does, ``changed`` says when."""

    uid: str
    starts: datetime
    ends: datetime
    summary: str
    description: str
    changed: datetime
    sequence: int
    sure: bool = True
    location: str | None = None
    url: str | None = None
    reminders: tuple[Reminder, ...] = ()


def new_calendar_secret() -> str:
    """What makes the feed's address hard to guess: 256 random bits."""
    return secrets.token_urlsafe(32)


def bad_secret(text: str) -> str | None:
    """Why ``text`` will not do in the feed's address; None when it will."""
    if len(text) < SHORTEST_SECRET or not _SECRET.fullmatch(text):
        return f"must have {SHORTEST_SECRET} letters, digits, - or _ or more; 'hatchmon calendar' makes one"
    return None


def calendar_text(name: str, events: Sequence[Event]) -> bytes:
    """The feed as UTF-8 iCalendar text; the same events always give the same bytes."""
    # Only those who subscribe pay for it, with 2 MB.
    from icalendar import Alarm, Calendar, Timezone, TimezoneStandard
    from icalendar import Event as Entry

    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("name", name)
    calendar.add("x-wr-calname", name)
    calendar.add("refresh-interval", FRESH_FOR, parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", "PT15M")
    for event in events:
        entry = Entry()
        entry.add("uid", event.uid)
        entry.add("dtstamp", _whole(event.changed))
        entry.add("last-modified", _whole(event.changed))
        entry.add("sequence", event.sequence)
        entry.add("dtstart", _whole(event.starts))
        entry.add("dtend", max(_whole(event.ends), _whole(event.starts) + timedelta(seconds=1)))
        entry.add("summary", event.summary)
        entry.add("description", event.description)
        entry.add("status", "CONFIRMED" if event.sure else "TENTATIVE")
        entry.add("transp", "TRANSPARENT")
        if event.location is not None:
            entry.add("location", event.location)
        if event.url is not None:
            entry.add("url", event.url)
        for reminder in event.reminders:
            alarm = Alarm()
            alarm.add("action", "DISPLAY")
            alarm.add("description", reminder.text)
            alarm.add("trigger", -reminder.before, parameters={"RELATED": "END"} if reminder.of_end else {})
            entry.add_component(alarm)
        calendar.add_component(entry)
    if not events:  # a calendar must hold something: here the name of the zone that all its times are in
        zone, standard = Timezone(), TimezoneStandard()
        zone.add("tzid", "UTC")
        standard.add("dtstart", datetime(1970, 1, 1))  # noqa: DTZ001 - RFC 5545: a local time without a zone
        standard.add("tzoffsetfrom", timedelta(0))
        standard.add("tzoffsetto", timedelta(0))
        zone.add_component(standard)
        calendar.add_component(zone)
    return bytes(calendar.to_ical())


def _whole(moment: datetime) -> datetime:
    """UTC to the second: iCalendar knows no fractions."""
    return moment.astimezone(UTC).replace(microsecond=0)

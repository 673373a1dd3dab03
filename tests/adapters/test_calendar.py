"""The calendar feed, parsed anew and held against RFC 5545 and RFC 7986."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone

import icalendar
import pytest

from hatchmon.adapters.calendar import (
    SHORTEST_SECRET,
    Event,
    Reminder,
    bad_secret,
    calendar_text,
    new_calendar_secret,
)

READY = datetime(2026, 3, 2, 6, 10, 5, 123456, tzinfo=timezone(timedelta(hours=1)))
EVENT = Event(
    uid="batch-7@home.hatchmon",
    starts=READY,
    ends=READY + timedelta(hours=4),
    summary="bench: harvest",
    description="Ready Mon 06:10, between 05:20; and 07:30.\nLøt river-23 \\ " + "é" * 90,
    changed=READY - timedelta(hours=9),
    sequence=12,
    location="bench",
    url="http://hatchery.local:8425/cone/bench",
    reminders=(
        Reminder(timedelta(minutes=30), "bench: ready soon"),
        Reminder(timedelta(minutes=60), "bench: harvest before 10:10", of_end=True),
    ),
)


def lines(text: bytes) -> list[str]:
    """Content lines, unfolded (RFC 5545 section 3.1)."""
    return text.decode().replace("\r\n ", "").split("\r\n")[:-1]


@pytest.mark.parametrize("events", [[EVENT], []])
def test_lines_end_and_fold_as_the_standard_says(events: list[Event]) -> None:
    text = calendar_text("Hatchery home", events)
    assert text.endswith(b"\r\n")
    assert b"\n" not in text.replace(b"\r\n", b"")
    # Section 3.1: no line longer than 75 octets without its break, and no break within a letter.
    for line in text.split(b"\r\n"):
        assert len(line) <= 75
        line.decode()
    assert all(re.fullmatch(r"[A-Z-]+(;[A-Z-]+=[^:;]+)*:.*", line) for line in lines(text))


def test_what_was_put_in_comes_out() -> None:
    calendar = icalendar.Calendar.from_ical(calendar_text("Hatchery home", [EVENT]))
    # Section 3.6: PRODID and VERSION once; 3.6.1: UID and DTSTAMP; with METHOD also for what is published.
    assert str(calendar["VERSION"]) == "2.0"
    assert str(calendar["PRODID"]).startswith("-//hatchmon//")
    assert str(calendar["METHOD"]) == "PUBLISH"
    assert str(calendar["NAME"]) == "Hatchery home"
    (event,) = calendar.walk("VEVENT")
    assert str(event["UID"]) == EVENT.uid
    assert event.decoded("DTSTART") == EVENT.starts.astimezone(UTC).replace(microsecond=0)
    assert event.decoded("DTEND") == EVENT.ends.astimezone(UTC).replace(microsecond=0)
    assert event.decoded("LAST-MODIFIED") == EVENT.changed.astimezone(UTC).replace(microsecond=0)
    assert event.decoded("DTSTAMP") == event.decoded("LAST-MODIFIED")
    assert event.decoded("SEQUENCE") == 12
    assert str(event["DESCRIPTION"]) == EVENT.description
    assert str(event["URL"]) == EVENT.url
    assert str(event["STATUS"]) == "CONFIRMED"
    assert not event.errors


def test_times_are_utc() -> None:
    for line in lines(calendar_text("home", [EVENT])):
        if line.startswith(("DTSTART", "DTEND", "DTSTAMP", "LAST-MODIFIED")):
            assert re.fullmatch(r"[A-Z-]+:20260[23]\d\dT\d{6}Z", line), line


def test_alarms_ring_before_the_window_opens_and_before_it_closes() -> None:
    calendar = icalendar.Calendar.from_ical(calendar_text("home", [EVENT]))
    soon, closing = calendar.walk("VALARM")
    # Section 3.6.6: ACTION, TRIGGER and, to display, DESCRIPTION.
    assert [str(alarm["ACTION"]) for alarm in (soon, closing)] == ["DISPLAY", "DISPLAY"]
    assert soon.decoded("TRIGGER") == timedelta(minutes=-30)
    assert "RELATED" not in soon["TRIGGER"].params
    assert closing.decoded("TRIGGER") == timedelta(minutes=-60)
    assert closing["TRIGGER"].params["RELATED"] == "END"
    assert str(closing["DESCRIPTION"]) == "bench: harvest before 10:10"


def test_an_empty_feed_is_a_whole_calendar() -> None:
    # Section 3.4 asks for one component at least.
    calendar = icalendar.Calendar.from_ical(calendar_text("home", []))
    assert [component.name for component in calendar.subcomponents] == ["VTIMEZONE"]
    (zone,) = calendar.subcomponents
    # Section 3.6.5: a zone has a name and one stretch of standard or summer time.
    assert str(zone["TZID"]) == "UTC"
    assert zone.subcomponents[0].decoded("TZOFFSETTO") == timedelta(0)


def test_the_same_events_give_the_same_bytes() -> None:
    assert calendar_text("home", [EVENT, EVENT]) == calendar_text("home", [EVENT, EVENT])


def test_secrets_are_long_and_fit_an_address() -> None:
    made = {new_calendar_secret() for _ in range(50)}
    assert len(made) == 50
    assert all(len(each) >= SHORTEST_SECRET and bad_secret(each) is None for each in made)
    assert bad_secret("x" * (SHORTEST_SECRET - 1))
    assert bad_secret("x" * 40 + "/")
    assert bad_secret("ä" * 40)

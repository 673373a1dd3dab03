"""What stands in the keeper's calendar: planned starts, the harvest window of every running batch, and what
was harvested."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import datetime, timedelta

from hatchmon.adapters.calendar import Event, Reminder
from hatchmon.adapters.store import Store, to_us
from hatchmon.app.plan_record import issued_of, planned_starts
from hatchmon.app.settings import Settings
from hatchmon.app.state import cone_path
from hatchmon.hatchery.types import Batch, Forecast
from hatchmon.hatchery.wording import Voice, span

BEGUN_IN = timedelta(minutes=15)
REMIND_OF_START = timedelta(minutes=10)
KEPT_FOR = timedelta(days=7)


def feed_path(secret: str) -> str:
    """Where the page serves the feed."""
    return f"/calendar/{secret}.ics"


def calendar_events(settings: Settings, store: Store, now: datetime) -> list[Event]:
    """The events: batches by number, then starts by time. What they say rests on the record alone; ``now``
    chooses which they are of."""
    return [*_events(settings, store, now), *_starts(settings, store, now)]


def _events(settings: Settings, store: Store, now: datetime) -> Iterator[Event]:
    voice = Voice(settings.zone, settings.unit)
    batches = store.batches("ended_us IS NULL OR ended_us > ?", to_us(now - KEPT_FOR))
    ours = (batch for batch in batches if settings.looks_after(batch.cone))
    for batch in sorted(ours, key=lambda each: each.batch_id):
        last = store.last_forecast(batch.batch_id)
        issued = store.forecasts_issued(batch.batch_id)
        if batch.ended is not None:
            if batch.outcome == "harvested":
                yield _harvested(settings, batch, batch.ended, issued + 1, voice)
        elif last is not None and last.opens is not None and last.closes is not None:
            yield _window(settings, batch, last, issued, voice)


def _starts(settings: Settings, store: Store, now: datetime) -> Iterator[Event]:
    issued = issued_of(store)
    if issued is None:
        return
    voice = Voice(settings.zone, settings.unit)
    places: Counter[str] = Counter()
    for start in sorted(planned_starts(store, now), key=lambda each: datetime.fromisoformat(each["at"])):
        cone, at = start["cone"], datetime.fromisoformat(start["at"])
        places[cone] += 1  # the next start of a cone stays its next when a new plan moves it
        feedings = [voice.weekday(datetime.fromisoformat(each)) for each in start["for"]]
        what = f"begin {start['grams']:g} g of {start['lot']}"
        yield Event(
            uid=f"start-{places[cone]}-{cone.encode().hex()}@{settings.own_name}.hatchmon",
            starts=at,
            ends=at + BEGUN_IN,
            summary=f"{cone}: {what}",
            description="\n".join(
                (
                    f"{start['litres']:g} L at {start['salinity']:g} g/L: {start['salt_g']:g} g of salt.",
                    f"For the feeding{'s' if len(feedings) > 1 else ''} of {', '.join(feedings)}.",
                    f"As of {voice.weekday(issued.made)}; this moves as the plan does.",
                )
            ),
            changed=issued.made,
            sequence=issued.number,
            location=cone,
            url=settings.web.link(cone_path(cone)),
            reminders=(Reminder(REMIND_OF_START, f"{cone}: {what}"),),
        )


def _window(settings: Settings, batch: Batch, last: Forecast, issued: int, voice: Voice) -> Event:
    assert last.opens is not None
    assert last.closes is not None
    opens, closes = span(last.opens, last.closes)
    sure = last.trust != "none"
    early, late = (voice.weekday(batch.time_at(hours)) for hours in (opens.p10, opens.p90))
    before = voice.weekday(batch.time_at(closes.p50))
    said = [
        f"Ready {voice.weekday(batch.time_at(opens.p50))}, between {early} and {late}. "
        f"Harvest before {before}.",
        f"Lot {batch.lot}, {batch.grams:g} g, begun {voice.weekday(batch.started)}.",
        f"As of {voice.weekday(last.issued)}; this moves as the forecast does.",
    ]
    if not sure:
        said.insert(0, "Too unsure to time: look by eye.")
    alerts = settings.alerts
    soon, closing = timedelta(minutes=alerts.ready_soon_min), timedelta(minutes=alerts.closing_min)
    return Event(
        uid=_uid(settings, batch),
        starts=batch.time_at(opens.p50),
        ends=batch.time_at(closes.p50),
        summary=f"{batch.cone}: {'harvest' if sure else 'perhaps ready'}",
        description="\n".join(said),
        changed=last.issued,
        sequence=issued,
        sure=sure,
        location=batch.cone,
        url=settings.web.link(cone_path(batch.cone)),
        reminders=(
            Reminder(soon, f"{batch.cone}: ready soon"),
            Reminder(closing, f"{batch.cone}: harvest before {before}", of_end=True),
        )
        if sure
        else (),
    )


def _harvested(settings: Settings, batch: Batch, ended: datetime, sequence: int, voice: Voice) -> Event:
    return Event(
        uid=_uid(settings, batch),
        starts=ended,
        ends=ended,
        summary=f"{batch.cone}: harvested",
        description=f"Lot {batch.lot}, {batch.grams:g} g, begun {voice.weekday(batch.started)}, "
        f"harvested after {batch.hours_at(ended):.1f} h.",
        changed=ended,
        sequence=sequence,
        location=batch.cone,
        url=settings.web.link(f"/batches/{batch.batch_id}"),
    )


def _uid(settings: Settings, batch: Batch) -> str:
    return f"batch-{batch.batch_id}@{settings.own_name}.hatchmon"

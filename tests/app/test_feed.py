"""What stands in the keeper's calendar."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from hatchmon.adapters.calendar import Event
from hatchmon.adapters.store import Store
from hatchmon.app.feed import calendar_events
from hatchmon.app.plan_record import PLAN_VERSION
from hatchmon.app.settings_model import Settings
from hatchmon.hatchery.types import Band, Batch
from tests.keeping import NOW, keep_record

SETTINGS = Settings.model_validate(
    {
        "site": "shed",
        "time_zone": "Europe/Berlin",
        "web": {"address": "http://localhost:8425"},
        "alerts": {"ready_soon_min": 20},
    }
)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    keep_record(tmp_path / "hatchmon.db", batches=0, every_s=600, forecasts=False)
    return Store(tmp_path / "hatchmon.db")


def event_of(store: Store, number: int) -> Event:
    found = [event for event in calendar_events(SETTINGS, store, NOW) if f"batch-{number}@" in event.uid]
    assert len(found) == 1
    return found[0]


def test_a_running_batch_has_its_window(store: Store) -> None:
    with store:
        batch, last = store.batches("batch_id = 1")[0], store.last_forecast(1)
        assert last is not None
        assert last.opens is not None
        assert last.closes is not None
        event = event_of(store, 1)
    assert event.uid == "batch-1@shed.hatchmon"
    assert (event.starts, event.ends) == (batch.time_at(last.opens.p50), batch.time_at(last.closes.p50))
    assert event.summary == "bench: harvest"
    assert re.match(r"Ready (Tue|Wed) \d\d:\d\d, between .* Harvest before (Tue|Wed) ", event.description)
    assert event.url == "http://localhost:8425/cone/bench"
    assert [each.before for each in event.reminders] == [timedelta(minutes=20), timedelta(minutes=60)]


def test_the_event_moves_with_the_forecast_under_the_same_name(store: Store) -> None:
    with store:
        before = event_of(store, 1)
        last = store.last_forecast(1)
        assert last is not None
        assert last.opens is not None
        later = Band(*(each + 1.5 for each in (last.opens.p10, last.opens.p50, last.opens.p90)))
        store.add_forecast(1, replace(last, issued=last.issued + timedelta(minutes=30), opens=later))
        after = event_of(store, 1)
    assert after.uid == before.uid
    # Stored hours are rounded to a thousandth.
    assert abs(after.starts - before.starts - timedelta(hours=1.5)) < timedelta(seconds=4)
    assert after.sequence > before.sequence
    assert after.changed - before.changed == timedelta(minutes=30)


def test_once_harvested_it_says_so_and_rings_no_more(store: Store) -> None:
    with store:
        before = event_of(store, 1)
        store.end_batch(1, NOW, "harvested")
        after = event_of(store, 1)
        store.end_batch(2, NOW, "discarded")
        store.end_batch(3, NOW - timedelta(days=8), "harvested")
        assert [event.uid for event in calendar_events(SETTINGS, store, NOW)] == [after.uid]
    assert after.uid == before.uid
    assert after.sequence > before.sequence
    assert after.starts == NOW
    assert after.summary == "bench: harvested"
    assert not after.reminders


def test_too_unsure_to_time_is_said_and_does_not_ring(store: Store) -> None:
    with store:
        last = store.last_forecast(1)
        assert last is not None
        store.add_forecast(1, replace(last, trust="none"))
        event = event_of(store, 1)
        assert not event.sure
        assert not event.reminders
        assert "look by eye" in event.description
        store.add_forecast(1, replace(last, opens=None, closes=None, not_predicted="too cold"))
        assert "batch-1@" not in " ".join(each.uid for each in calendar_events(SETTINGS, store, NOW))


def issue(store: Store, number: int, *starts: tuple[str, timedelta]) -> None:
    """A plan with these starts (cone, from NOW), made ``number`` hours after NOW."""
    facts = [
        {"cone": cone, "lot": "river-23", "at": (NOW + after).isoformat(), "grams": 2.5, "litres": 2.0,
         "salinity": 28.0, "salt_g": 57.2, "for": [(NOW + after + timedelta(hours=26)).isoformat()]}
        for cone, after in starts
    ]  # fmt: skip
    store.add_plan(NOW + timedelta(hours=number), json.dumps({"version": PLAN_VERSION, "starts": facts}))


def test_planned_starts_are_in_it_and_move_with_the_plan(store: Store) -> None:
    with store:
        past, soon, later = timedelta(hours=-2), timedelta(hours=5), timedelta(hours=30)
        issue(store, 0, ("bench", later), ("bench", soon), ("north", later), ("north", past))
        first = [event for event in calendar_events(SETTINGS, store, NOW) if "begin" in event.summary]
        issue(store, 1, ("bench", soon + timedelta(hours=1)), ("bench", later))
        second = [event for event in calendar_events(SETTINGS, store, NOW) if "begin" in event.summary]
    assert [(event.location, event.starts - NOW) for event in first] == [
        ("bench", soon), ("bench", later), ("north", later)
    ]  # fmt: skip
    assert len({event.uid for event in first}) == 3
    assert [event.uid for event in second] == [event.uid for event in first[:2]]
    assert second[0].sequence > first[0].sequence
    assert second[0].changed > first[0].changed
    assert first[0].summary == "bench: begin 2.5 g of river-23"
    assert first[0].description.startswith("2 L at 28 g/L: 57.2 g of salt.\nFor the feeding of ")
    assert first[0].reminders[0].before == timedelta(minutes=10)


def test_a_batch_that_nobody_has_forecast_yet_is_not_in_it(store: Store) -> None:
    with store:
        store.end_batch(1, NOW, "harvested")
        store.add_batch(Batch(0, "bench", "river-23", NOW, 1.0), "receipt")
        assert len(calendar_events(SETTINGS, store, NOW)) == 3

"""When a plan is made anew, and from when a start is told."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from hatchmon.adapters.store import Store
from hatchmon.app.plan_record import PLAN_VERSION
from hatchmon.app.plan_watch import PlanWatch, Running
from hatchmon.app.settings import load_settings
from hatchmon.hatchery.supply.demand import Brood
from hatchmon.hatchery.supply.stock import Stock
from hatchmon.hatchery.types import Band, Batch
from tests.hatchery.test_wording import forecast

NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)
SETTINGS = """
time_zone = "UTC"
[cones.north]
litres = 2
[supply]
hours = ["06:30-09:00", "17:00-22:30"]
notice_min = 90
"""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "h.db") as store, store.atomic():
        store.keep_brood(Brood("reeds", 100, date(2026, 3, 1)))
        store.keep_stock(Stock("river", 50.0), NOW)
        yield store


@pytest.fixture
def watch(store: Store, tmp_path: Path) -> PlanWatch:
    file = tmp_path / "hatchmon.toml"
    file.write_text(SETTINGS)
    return PlanWatch(load_settings(file, {}), store)


def issue(store: Store, *at: str) -> None:
    starts = [
        {"cone": "north", "lot": "river", "at": f"2026-03-10T{each}:00+00:00", "grams": 1.2, "litres": 2.0,
         "salinity": 25.0, "salt_g": 50.9, "for": ["2026-03-11T18:30:00+00:00"]}
        for each in at
    ]  # fmt: skip
    store.add_plan(NOW, json.dumps({"version": PLAN_VERSION, "starts": starts}))


def running(opens_h: float) -> Running:
    batch = Batch(3, "north", "river", NOW - timedelta(hours=10), 1.0)
    band = Band(opens_h - 1.0, opens_h, opens_h + 1.0)
    return {3: (batch, replace(forecast(), opens=band))}


def test_a_plan_is_due_at_first_and_after_every_change(watch: PlanWatch) -> None:
    assert watch.due(NOW, {})
    watch.wished(NOW, {})
    assert not watch.due(NOW + timedelta(minutes=1), {})
    watch.changed()
    assert watch.due(NOW + timedelta(minutes=2), {})


def test_a_plan_is_due_when_a_batch_runs_an_hour_early_or_late(watch: PlanWatch) -> None:
    watch.wished(NOW, running(20.0))
    assert not watch.due(NOW, running(20.9))
    assert watch.due(NOW, running(21.0))
    assert watch.due(NOW, running(18.9))


def test_a_plan_is_due_when_it_is_old_or_the_clock_was_set_back(watch: PlanWatch) -> None:
    watch.wished(NOW, {})
    assert not watch.due(NOW + timedelta(hours=5.9), {})
    assert watch.due(NOW + timedelta(hours=6), {})
    assert watch.due(NOW - timedelta(hours=1), {})


def test_a_plan_is_due_once_when_a_start_was_not_made(watch: PlanWatch, store: Store) -> None:
    issue(store, "14:00")
    watch.wished(NOW, {})
    assert not watch.due(NOW + timedelta(hours=2.9), {})
    assert watch.due(NOW + timedelta(hours=3), {})
    watch.wished(NOW + timedelta(hours=3), {})
    assert not watch.due(NOW + timedelta(hours=4), {})


def test_nothing_is_due_where_nobody_is_to_be_fed(watch: PlanWatch, store: Store) -> None:
    store.drop_brood("reeds")
    assert not watch.due(NOW, {})


def test_a_start_is_told_ahead_in_the_keepers_hours(watch: PlanWatch, store: Store) -> None:
    issue(store, "20:00", "18:00", "07:00")
    told = [each.tell for each in watch.beginnings()]
    # 90 minutes before; at 16:30 nobody is there, so at the end of the hours before, 09:00; and 22:30.
    assert told == [
        datetime(2026, 3, 10, 18, 30, tzinfo=UTC),
        datetime(2026, 3, 10, 9, 0, tzinfo=UTC),
        datetime(2026, 3, 9, 22, 30, tzinfo=UTC),
    ]


def test_a_newer_plan_takes_the_place_of_the_older(watch: PlanWatch, store: Store) -> None:
    issue(store, "20:00")
    assert len(watch.beginnings()) == 1
    issue(store)
    assert watch.beginnings() == []

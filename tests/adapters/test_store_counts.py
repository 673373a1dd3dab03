"""Counts in the database: what goes in comes out, beside the rest of the record."""

from __future__ import annotations

import csv
import io
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hatchmon.adapters.store import Marks, Store
from hatchmon.app.export import rows, write_csv
from hatchmon.hatchery.types import Batch, Count, Quantity

NOW = datetime(2026, 3, 10, 20, 0, tzinfo=UTC)
NEW = Batch(0, "north", "spring tin", NOW, 2.5, 2.0, 26.0, 30.0)


def after(hours: float) -> datetime:
    return NOW + timedelta(hours=hours)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "hatchmon.db") as store:
        for cone in ("north", "south"):
            store.add_stream(cone, Quantity.TEMPERATURE, "C", "a/b", NOW)
            store.add_batch(replace(NEW, cone=cone), "receipt")
        yield store


FULL = Count(1, after(25), 0.25, (88, 95, 81), (2, 1, 0), (30, 33, 41), 1.5)
BARE = Count(1, after(20), 1.0, (7,))


def test_what_goes_in_comes_out_oldest_first(store: Store) -> None:
    store.add_count(FULL, "receipt")
    store.add_count(BARE, "keeper")
    store.add_count(replace(BARE, batch_id=2), "keeper")
    assert store.counts(1) == [BARE, FULL]
    assert store.counts(2) == [replace(BARE, batch_id=2)]
    assert store.counts(3) == []


def test_taking_one_back_leaves_the_others(store: Store) -> None:
    for count in (FULL, BARE, replace(FULL, batch_id=2)):
        store.add_count(count, "receipt")
    store.drop_count(1, FULL.time)
    assert store.counts(1) == [BARE]
    assert store.counts(2) == [replace(FULL, batch_id=2)]
    store.drop_count(1, after(3))
    assert store.counts(1) == [BARE]


def test_a_count_needs_a_batch_and_a_known_clock(store: Store) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        store.add_count(replace(FULL, batch_id=99), "receipt")
    with pytest.raises(sqlite3.IntegrityError, match="CHECK"):
        store.add_count(FULL, "guess")


def test_nothing_is_kept_of_what_failed(store: Store) -> None:
    def twice() -> None:
        with store.atomic():
            store.add_count(FULL, "receipt")
            store.add_count(FULL, "guess")

    with pytest.raises(sqlite3.IntegrityError):
        twice()
    assert store.counts(1) == []


def test_counts_of_a_wrong_clock_move_with_it(store: Store) -> None:
    store.add_count(BARE, "receipt")
    store.add_count(FULL, "receipt")
    store.add_count(replace(FULL, time=after(26)), "keeper")
    store.shift_times(Marks(1), after(24), after(30), timedelta(days=-2))
    assert [count.time for count in store.counts(1)] == [after(25 - 48), after(20), after(26)]


@given(
    numbers=st.integers(1, 50).flatmap(
        lambda k: st.tuples(*[st.lists(st.integers(0, 100_000), min_size=k, max_size=k).map(tuple)] * 3)
    ),
    sample_ml=st.floats(0.001, 1000.0),
    litres=st.one_of(st.none(), st.floats(0.01, 5000.0)),
)
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_count_comes_back_whole(
    store: Store,
    numbers: tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]],
    sample_ml: float,
    litres: float | None,
) -> None:
    count = Count(1, after(9), sample_ml, *numbers, litres)
    store.add_count(count, "receipt")
    assert store.counts(1) == [count]
    store.drop_count(1, count.time)


def exported(store: Store, cone: str | None = None) -> list[dict[str, str]]:
    out = io.StringIO()
    count = write_csv(rows(store, "counts", cone), out)
    read = list(csv.DictReader(io.StringIO(out.getvalue())))
    assert len(read) == count
    return read


def test_export_has_a_row_for_each_sample(store: Store) -> None:
    assert exported(store) == []
    store.add_count(FULL, "receipt")
    store.add_count(replace(BARE, batch_id=2), "receipt")
    found = exported(store)
    assert [(row["cone"], row["sample"], row["nauplii"]) for row in found] == [
        ("south", "1", "7"), ("north", "1", "88"), ("north", "2", "95"), ("north", "3", "81"),
    ]  # fmt: skip
    assert found[1] == {
        "time": "2026-03-11T21:00:00+00:00",
        "cone": "north",
        "batch_id": "1",
        "lot": "spring tin",
        "sample": "1",
        "sample_ml": "0.25",
        "litres": "1.5",
        "nauplii": "88",
        "umbrella": "2",
        "unhatched": "30",
    }
    assert [row["unhatched"] for row in found] == ["", "30", "33", "41"]
    assert found[0]["litres"] == "2.0"  # the batch's own
    assert [row["cone"] for row in exported(store, "south")] == ["south"]


def test_export_does_not_guess_the_water_of_a_harvest(store: Store) -> None:
    store.end_batch(1, after(24), "harvested")
    for count in (BARE, replace(FULL, litres=None)):
        store.add_count(count, "receipt")
    assert [row["litres"] for row in exported(store)] == ["2.0", "", "", ""]

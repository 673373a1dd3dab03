"""Measured salt moves a forecast when the keeper gave no salinity."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from hatchmon.adapters.store import NewReading, Store, to_us
from hatchmon.app.beliefs import Beliefs
from hatchmon.app.record import salinity_of, watch_batch, water_of
from hatchmon.hatchery.types import Batch, Quantity, Verdict
from hatchmon.science.nauplii import Thresholds

START = datetime(2026, 2, 1, 20, 0, tzinfo=UTC)
NOW = START + timedelta(hours=8)


def t50(folder: Path, measured: dict[Quantity, float], salinity: float | None = None) -> float:
    """T50 of a batch at 26 C with these readings in its log."""
    with Store(folder / f"{len(list(folder.iterdir()))}.db") as store:
        store.add_stream("bench", Quantity.TEMPERATURE, "C", "t", START)
        with store.atomic():
            for quantity, value in {Quantity.TEMPERATURE: 26.0, **measured}.items():
                unit = {"conductivity": "mS/cm", "specific_gravity": "1", "salinity": "g/L"}.get(
                    quantity, "C"
                )
                stream = store.add_stream("bench", quantity, unit, quantity.value, START)
                store.add_readings([
                    NewReading(stream.stream_id, to_us(START) + us, value, Verdict.GOOD, "probe")
                    for us in range(0, 8 * 3_600_000_000, 600_000_000)
                ])  # fmt: skip
            batch = store.add_batch(Batch(0, "bench", "river-23", START, 2.0, salinity=salinity), "keeper")
        beliefs = Beliefs(store, Thresholds())
        forecast = beliefs.forecast(watch_batch(store, batch, NOW), water_of(store)["bench"], NOW)
        assert forecast.t50 is not None
        return forecast.t50.p50


def test_measured_salt_counts_like_salt_told(tmp_path: Path) -> None:
    unknown, told = t50(tmp_path, {}), t50(tmp_path, {}, salinity=20.0)
    assert told < unknown - 1.0  # less salt, sooner: .010 per g/L on ln T
    assert t50(tmp_path, {Quantity.SALINITY: 20.0}) == pytest.approx(told, abs=0.02)
    assert t50(tmp_path, {Quantity.CONDUCTIVITY: 31.5}) == pytest.approx(told, abs=0.1)
    assert t50(tmp_path, {Quantity.SPECIFIC_GRAVITY: 1.0148}) == pytest.approx(told, abs=0.1)


def test_what_the_keeper_told_rules(tmp_path: Path) -> None:
    assert t50(tmp_path, {Quantity.SALINITY: 20.0}, salinity=30.0) == pytest.approx(
        t50(tmp_path, {}, salinity=30.0)
    )


def test_a_probe_in_the_air_says_nothing() -> None:
    assert salinity_of({Quantity.CONDUCTIVITY: 0.0}) is None
    assert salinity_of({Quantity.SPECIFIC_GRAVITY: 0.99}) is None
    assert salinity_of({}) is None

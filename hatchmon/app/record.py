"""What the database says of each cone, as the objects that decisions are made on."""

from __future__ import annotations

from datetime import datetime, timedelta

from hatchmon.adapters.store import Store
from hatchmon.app.settings import Settings
from hatchmon.hatchery.ahead import Cycle
from hatchmon.hatchery.types import Batch, Quantity, Verdict
from hatchmon.hatchery.units import to_inner
from hatchmon.hatchery.watch import ANCHOR, BatchWatch
from hatchmon.science.nauplii import Thresholds

USUAL_DAYS = timedelta(days=7)

Water = dict[Quantity, tuple[float, datetime]]
"""The newest usable (value, time) of each quantity of a cone, in the unit used inside."""


def watch_batch(store: Store, batch: Batch, until: datetime) -> BatchWatch:
    """The batch with every usable temperature stored up to ``until`` (or its end)."""
    watch = BatchWatch(batch)
    watch.looks = store.looks(batch.batch_id)
    end = min(until, batch.ended or until)
    for time, temp_c, verdict in store.usable_readings(
        batch.cone, Quantity.TEMPERATURE, batch.started - ANCHOR, end
    ):
        watch.add(time, temp_c)
        watch.suspect_since = time if verdict is Verdict.SUSPECT else None
    return watch


def water_of(store: Store) -> dict[str, Water]:
    """The newest water values of every cone."""
    water: dict[str, Water] = {name: {} for name in store.cones()}
    for stream in store.streams():
        for time, raw, verdict in reversed(store.recent(stream.stream_id, 20)):
            if verdict.usable:
                note_water(water[stream.cone], stream.quantity, to_inner(raw, stream.unit), time)
                break
    return water


def note_water(water: Water, quantity: Quantity, value: float, time: datetime) -> None:
    """Keep the newest value of a quantity."""
    known = water.get(quantity)
    if known is None or time >= known[1]:
        water[quantity] = (value, time)


def thresholds_of(settings: Settings) -> Thresholds:
    """The keeper's own limits of the harvest window."""
    window = settings.window
    return Thresholds(window.opens_share, window.closes_instar2, window.closes_energy)


def usual_day(store: Store, batch: Batch, now: datetime) -> Cycle | None:
    """The room's day around an unheated cone, from three to seven days of its air, or else of its water;
    None for a heated cone or a shorter or patchy record."""
    if batch.set_point_c is not None:
        return None
    for quantity in (Quantity.AIR_TEMPERATURE, Quantity.TEMPERATURE):
        total, count = [0.0] * 24, [0] * 24
        for row in store.usual_day(batch.cone, quantity, now - USUAL_DAYS, now):
            total[row["hour"]] += to_inner(row["mean"], row["unit"]) * row["count"]
            count[row["hour"]] += row["count"]
        if all(count):
            hourly = tuple(total[hour] / count[hour] for hour in range(24))
            return Cycle(hourly, of_water=quantity is Quantity.TEMPERATURE)
    return None

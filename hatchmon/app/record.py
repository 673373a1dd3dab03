"""What the database says of each cone, as the objects that decisions are made on."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from hatchmon.adapters.store import Store
from hatchmon.app.settings import Settings
from hatchmon.hatchery.ahead import Cycle
from hatchmon.hatchery.coldstore import in_store
from hatchmon.hatchery.diagnosis import FIRST_HOURS, LIGHT_LITTLE
from hatchmon.hatchery.types import Batch, Quantity, Verdict
from hatchmon.hatchery.units import to_inner
from hatchmon.hatchery.watch import ANCHOR, BatchWatch
from hatchmon.science.nauplii import Thresholds
from hatchmon.science.water import (
    APPROXIMATE_TO,
    PSS78_FROM,
    PSS78_TO,
    conductivity_from_salinity,
    g_per_l,
    salinity_from_conductivity,
    salinity_from_specific_gravity,
    specific_gravity,
)

USUAL_DAYS = timedelta(days=7)

Water = dict[Quantity, tuple[float, datetime]]
"""The newest usable (value, time) of each quantity of a cone, in the unit used inside."""


def watch_batch(store: Store, batch: Batch, until: datetime) -> BatchWatch:
    """The batch with every usable temperature stored up to ``until`` (or its end)."""
    watch = BatchWatch(batch)
    watch.looks = store.looks(batch.batch_id)
    watch.counts = store.counts(batch.batch_id)
    watch.light_known = _lit(store, batch, until)
    if watch.salinity is None:
        watch.salinity = salinity_of(_means(store, batch, until))
    end = min(until, batch.ended or until)
    for time, air_c, _ in store.usable_readings(batch.cone, Quantity.AIR_TEMPERATURE, batch.started, end):
        watch.add_air(time, air_c)
    for time, temp_c, verdict in store.usable_readings(
        batch.cone, Quantity.TEMPERATURE, batch.started - ANCHOR, end
    ):
        watch.add(time, temp_c)
        watch.suspect_since = time if verdict is Verdict.SUSPECT else None
    return watch


def salinity_of(water: Mapping[Quantity, float]) -> float | None:
    """g/L from a salinity, conductivity or specific gravity, in this order; None without a usable one.

    A conductivity is taken as compensated to 25 C, a specific gravity as of 25 C water in a 25 C glass, as
    most instruments show them (common practice, no source).
    """
    try:
        if Quantity.SALINITY in water:
            return water[Quantity.SALINITY]
        if Quantity.CONDUCTIVITY in water:
            return g_per_l(salinity_from_conductivity(water[Quantity.CONDUCTIVITY], 25.0), 25.0)
        if Quantity.SPECIFIC_GRAVITY in water:
            sg = water[Quantity.SPECIFIC_GRAVITY]
            return g_per_l(salinity_from_specific_gravity(sg, 25.0, 25.0), 25.0)
    except ValueError:  # a probe in the air, or brine off the scale: as good as none
        return None
    return None


def salinity_or_limit(water: Mapping[Quantity, float]) -> tuple[float, str] | None:
    """(g/L, "") as ``salinity_of`` finds it; off its scale the end of that, with "over " or "under "."""
    found = salinity_of(water)
    if found is not None:
        return found, ""
    if Quantity.CONDUCTIVITY in water:
        value, ends = water[Quantity.CONDUCTIVITY], (PSS78_FROM, PSS78_TO)
        middle = conductivity_from_salinity(20.0, 25.0)
    elif Quantity.SPECIFIC_GRAVITY in water:
        value, ends = water[Quantity.SPECIFIC_GRAVITY], (0.0, APPROXIMATE_TO)
        middle = specific_gravity(20.0, 25.0, 25.0)
    else:
        return None
    return (g_per_l(ends[1], 25.0), "over ") if value > middle else (g_per_l(ends[0], 25.0), "under ")


SALT_QUANTITIES = (Quantity.SALINITY, Quantity.CONDUCTIVITY, Quantity.SPECIFIC_GRAVITY)


def _means(store: Store, batch: Batch, until: datetime) -> dict[Quantity, float]:
    """Mean of each quantity that tells of salt over the batch."""
    end = min(until, batch.ended or until)
    found = {
        quantity: [value for _, value, _ in store.usable_readings(batch.cone, quantity, batch.started, end)]
        for quantity in SALT_QUANTITIES
    }
    return {quantity: sum(values) / len(values) for quantity, values in found.items() if values}


def _lit(store: Store, batch: Batch, until: datetime) -> bool:
    """Whether a light probe shows that the first hours were light: dark or unknown, a batch varies more."""
    end = batch.time_at(FIRST_HOURS)
    readings = list(store.usable_readings(batch.cone, Quantity.LIGHT, batch.started, min(until, end)))
    if len(readings) < 3 or until < batch.time_at(1.0):
        return False
    told = (readings[-1][0] - readings[0][0]) / (min(until, end) - batch.started)
    return told > 0.8 and sum(lux for _, lux, _ in readings) / len(readings) >= LIGHT_LITTLE


def stored_of(store: Store, now: datetime) -> dict[str, list[Batch]]:
    """By cone, the batches whose nauplii are in a cold store at ``now``, oldest first."""
    stored: dict[str, list[Batch]] = {}
    for batch in in_store(store.batches("cold_c IS NOT NULL AND used_up_us IS NULL"), now):
        stored.setdefault(batch.cone, []).append(batch)
    return stored


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
    # Some energy is always left: at a share of 0 only the moult closes the window.
    closes_energy = 0.0 if window.smallest_mouths else window.closes_energy
    return Thresholds(window.opens_share, window.closes_instar2, closes_energy)


def usual_day(store: Store, batch: Batch, now: datetime) -> Cycle | None:
    """The room's day around an unheated cone, from three to seven days of its air, or else of its water;
    None for a heated cone or a shorter or patchy record."""
    return None if batch.set_point_c is not None else room_day(store, batch.cone, now)


def room_day(store: Store, cone: str, now: datetime) -> Cycle | None:
    """The same by the name of an unheated cone."""
    for quantity in (Quantity.AIR_TEMPERATURE, Quantity.TEMPERATURE):
        total, count = [0.0] * 24, [0] * 24
        for row in store.usual_day(cone, quantity, now - USUAL_DAYS, now):
            total[row["hour"]] += to_inner(row["mean"], row["unit"]) * row["count"]
            count[row["hour"]] += row["count"]
        if all(count):
            hourly = tuple(total[hour] / count[hour] for hour in range(24))
            return Cycle(hourly, of_water=quantity is Quantity.TEMPERATURE)
    return None

"""Harvested nauplii in a cold store: until when they serve, and what it costs them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from hatchmon.hatchery.types import Batch
from hatchmon.hatchery.wording import Voice
from hatchmon.science.nauplii import cold_store_energy, cold_store_limit_h
from hatchmon.science.parameters import COLD_DENSITY

SHOWN_AFTER = timedelta(hours=12)
CARE = (
    "Aerate it slightly, or they sink and suffocate; at most "
    f"{COLD_DENSITY.value:g} million nauplii a litre. Keep it apart from food."
)


def stored_since(batch: Batch) -> tuple[datetime, float]:
    """(since when, deg C) of a batch whose harvest went into a cold store."""
    assert batch.ended is not None
    assert batch.cold_c is not None
    return batch.ended, batch.cold_c


def use_before(batch: Batch) -> datetime:
    """When the nauplii should have been fed."""
    since, cold_c = stored_since(batch)
    return since + timedelta(hours=cold_store_limit_h(cold_c))


def energy_gone(batch: Batch, now: datetime) -> float:
    """Share of the energy at harvest that the cold store has cost until ``now``."""
    since, cold_c = stored_since(batch)
    return 1.0 - cold_store_energy(cold_c, max((now - since) / timedelta(hours=1), 0.0))


def in_store(batches: Iterable[Batch], now: datetime) -> list[Batch]:
    """Those whose nauplii are in a cold store at ``now``, oldest first; half a day past their limit nobody is
    reminded of them any more."""
    stored = [
        batch
        for batch in batches
        if batch.cold_c is not None and batch.used_up is None and now < use_before(batch) + SHOWN_AFTER
    ]
    return sorted(stored, key=stored_since)


def store_words(batch: Batch, now: datetime, voice: Voice) -> str:
    """``lot river 23 in the cold store at 4.0 °C since 07:20: use before ...``."""
    since, cold_c = stored_since(batch)
    limit = use_before(batch)
    gone = energy_gone(batch, now)
    cost = f"{'about' if gone >= 0.01 else 'less than'} {max(gone, 0.01) * 100:.0f} % of the energy gone"
    when = f"use before {voice.time(limit, now)}; {cost}"
    if now >= limit:
        when = f"to be used before {voice.time(limit, now)}; {cost}; look whether they live before feeding"
    return (
        f"lot {batch.lot} in the cold store at {voice.temp(cold_c)} since {voice.time(since, now)}: {when}. "
        f"Used up: hatchmon harvest {batch.cone} --used-up"
    )

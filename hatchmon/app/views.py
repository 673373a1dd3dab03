"""Cones and batches as plain data, for command line and page."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from hatchmon.adapters.store import Store
from hatchmon.app.beliefs import Beliefs
from hatchmon.app.record import stored_of, thresholds_of, watch_batch, water_of
from hatchmon.app.settings import Settings
from hatchmon.app.snapshot import ConeNow, in_turn
from hatchmon.app.state import cone_facts
from hatchmon.hatchery.types import Batch, Count, Forecast, Look
from hatchmon.hatchery.wording import Voice


def cones_now(settings: Settings, store: Store, now: datetime) -> list[ConeNow]:
    """Every cone, the one that needs the keeper next first, empty ones last."""
    running = {batch.cone: batch for batch in store.batches("ended_us IS NULL")}
    beliefs = Beliefs(store, thresholds_of(settings))
    stored = stored_of(store, now)
    cones: list[ConeNow] = []
    for name, water in water_of(store).items():
        if not settings.looks_after(name):
            continue
        batch = running.get(name)
        forecast = look = None
        if batch is not None:
            foreseen = beliefs.foresee(watch_batch(store, batch, now), water, now)
            forecast, look = foreseen.forecast, foreseen.next_look()
        cones.append(ConeNow(name, water, batch, forecast, stored.get(name, ()), look))
    return in_turn(cones)


def cones_json(cones: Iterable[ConeNow], now: datetime, voice: Voice) -> list[dict[str, Any]]:
    """The same as published on MQTT, one for each cone, and the next look that would help."""
    return [
        cone_facts(c.name, c.water, c.batch, c.forecast, c.stored, now, voice) | {"next_look": _look_facts(c)}
        for c in cones
    ]


def _look_facts(cone: ConeNow) -> dict[str, Any] | None:
    if cone.next_look is None or cone.batch is None:
        return None
    at = cone.batch.time_at(cone.next_look.hours).isoformat(timespec="seconds")
    return {"at": at, "h": round(cone.next_look.hours, 2), "narrower": round(cone.next_look.narrower, 2)}


@dataclass(frozen=True, slots=True)
class BatchRow:
    """One batch with what was forecast first and last, and what was seen and counted."""

    batch: Batch
    first: Forecast | None
    last: Forecast | None
    looks: Sequence[Look]
    counts: Sequence[Count]


def batch_rows(
    store: Store, cone: str | None, lot: str | None, below: int = 2**62, most: int = -1
) -> list[BatchRow]:
    """Batches, oldest first, of one cone or lot or of all; the newest ``most`` of those below a number."""
    batches = store.batches(
        """batch_id IN (SELECT batch_id FROM batches WHERE (?1 IS NULL OR cone = ?1)
           AND (?2 IS NULL OR lot = ?2) AND batch_id < ?3 ORDER BY batch_id DESC LIMIT ?4)""",
        cone, lot, below, most,
    )  # fmt: skip
    return [
        BatchRow(
            batch,
            store.first_forecast(batch.batch_id),
            store.last_forecast(batch.batch_id),
            store.looks(batch.batch_id),
            store.counts(batch.batch_id),
        )
        for batch in batches
    ]


def of_words(cone: str | None, lot: str | None) -> str:
    """`` of lot river-23 in bench``, as far as given."""
    return (f" of lot {lot}" if lot is not None else "") + (f" in {cone}" if cone is not None else "")


def batches_json(rows: Iterable[BatchRow]) -> list[dict[str, Any]]:
    """Batches as plain data."""

    def t90(forecast: Forecast | None) -> dict[str, float] | None:
        band = forecast.t90 if forecast is not None else None
        return None if band is None else {"p10": band.p10, "p50": band.p50, "p90": band.p90}

    return [
        {
            "batch": row.batch.batch_id,
            "cone": row.batch.cone,
            "lot": row.batch.lot,
            "grams": row.batch.grams,
            "litres": row.batch.litres,
            "set_point_c": row.batch.set_point_c,
            "salinity": row.batch.salinity,
            "started": row.batch.started.isoformat(timespec="seconds"),
            "ended": None if row.batch.ended is None else row.batch.ended.isoformat(timespec="seconds"),
            "outcome": row.batch.outcome,
            "cold_c": row.batch.cold_c,
            "used_up": None if row.batch.used_up is None else row.batch.used_up.isoformat(timespec="seconds"),
            "t90_first_h": t90(row.first),
            "t90_last_h": t90(row.last),
            "looks": [
                {"h": round(row.batch.hours_at(look.time), 2), "seen": look.seen} for look in row.looks
            ],
        }
        for row in rows
    ]


def record_of(settings: Settings, store: Store) -> str:
    """How the forecasts have done so far, in a sentence."""
    return str(Beliefs(store, thresholds_of(settings)).honesty)

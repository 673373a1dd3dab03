"""What is published of a cone: the retained state on MQTT, and the same for ``hatchmon now --json``."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import datetime
from typing import Any
from urllib.parse import quote

from hatchmon.app.record import Water
from hatchmon.app.settings import Settings
from hatchmon.hatchery.coldstore import energy_gone, in_store, stored_since, use_before
from hatchmon.hatchery.types import Band, Batch, Forecast
from hatchmon.hatchery.units import UNITS
from hatchmon.hatchery.wording import Voice

STATE_VERSION = 1


def state_topic(site: str, cone: str) -> str:
    """Where a cone's state is retained."""
    return f"hatchmon/{site}/{cone}/state"


def availability_topic(settings: Settings) -> str:
    """Where ``online`` or ``offline`` is retained."""
    return f"{settings.own_topics}/availability"


def cone_path(cone: str) -> str:
    """Where the page shows a cone."""
    return f"/cone/{quote(cone, safe='')}"


def cone_state(
    cone: str,
    water: Water,
    batch: Batch | None,
    forecast: Forecast | None,
    stored: Iterable[Batch],
    now: datetime,
    voice: Voice,
) -> bytes:
    """The state as UTF-8 JSON."""
    facts = cone_facts(cone, water, batch, forecast, stored, now, voice)
    return json.dumps(facts, ensure_ascii=False).encode()


def cone_facts(
    cone: str,
    water: Water,
    batch: Batch | None,
    forecast: Forecast | None,
    stored: Iterable[Batch],
    now: datetime,
    voice: Voice,
) -> dict[str, Any]:
    """A cone as plain data: times ISO 8601 UTC, hours from the start, shares 0-1; ``stored`` are its batches
    in the cold store."""
    facts: dict[str, Any] = {
        "version": STATE_VERSION,
        "cone": cone,
        "water": {
            quantity.value: {
                "value": round(value, 3),
                "unit": UNITS[quantity][0],
                "time": time.isoformat(timespec="seconds"),
            }
            for quantity, (value, time) in sorted(water.items())
        },
        "batch": None,
        "forecast": None,
        "cold_store": [_stored_facts(each, now) for each in in_store(stored, now)],
        "say": f"{cone} is empty. Begin a batch: hatchmon begin {cone} --lot LOT --grams G",
    }
    if batch is None:
        return facts
    facts["batch"] = {
        "lot": batch.lot,
        "grams": batch.grams,
        "litres": batch.litres,
        "started": batch.started.isoformat(timespec="seconds"),
        "set_point_c": batch.set_point_c,
        "salinity": batch.salinity,
    }
    if forecast is None:
        facts["say"] = "No forecast yet."
        return facts
    facts["forecast"] = forecast_facts(batch, forecast)
    facts["say"] = voice.ready(batch, forecast, now)
    return facts


def _stored_facts(batch: Batch, now: datetime) -> dict[str, Any]:
    since, cold_c = stored_since(batch)
    return {
        "batch": batch.batch_id,
        "lot": batch.lot,
        "temp_c": round(cold_c, 2),
        "since": since.isoformat(timespec="seconds"),
        "use_before": use_before(batch).isoformat(timespec="seconds"),
        "energy_gone": round(energy_gone(batch, now), 3),
    }


def forecast_facts(batch: Batch, forecast: Forecast) -> dict[str, Any]:
    """A forecast as plain data."""

    def moments(band: Band | None) -> dict[str, Any] | None:
        if band is None:
            return None
        return {
            name: {
                "h": round(hours, 2),
                "at": batch.time_at(hours).isoformat(timespec="seconds"),
            }
            for name, hours in (("p10", band.p10), ("p50", band.p50), ("p90", band.p90))
        }

    sure = forecast.surely_h
    return {
        "issued": forecast.issued.isoformat(timespec="seconds"),
        "q25_h": round(forecast.q25_h, 2),
        "hatched": round(forecast.hatched, 3),
        "t10": moments(forecast.t10),
        "t50": moments(forecast.t50),
        "t90": moments(forecast.t90),
        "window": {
            "opens": moments(forecast.opens),
            "best": moments(forecast.best),
            "closes": moments(forecast.closes),
            "surely": None
            if sure is None
            else [batch.time_at(h).isoformat(timespec="seconds") for h in sure],
            "usable_until": None
            if forecast.usable_h is None
            else batch.time_at(forecast.usable_h).isoformat(timespec="seconds"),
        },
        "from_temperature": round(forecast.from_temperature, 2),
        "temperature_rule": forecast.temperature_rule,
        "trust": forecast.trust,
        "reasons": list(forecast.reasons),
        "not_predicted": forecast.not_predicted,
    }

"""One batch in full: what happened, what was forecast, how it went and why."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import median
from typing import Any

import numpy as np

from hatchmon.adapters.store import Store, from_us
from hatchmon.app.beliefs import all_evidence, belief_from
from hatchmon.app.record import watch_batch
from hatchmon.app.settings import Settings
from hatchmon.hatchery.alerts import batch_scope
from hatchmon.hatchery.counts import near_complete, samples_of
from hatchmon.hatchery.diagnosis import FIRST_HOURS, Z90, Diagnosis, Measured, diagnose, seen_between
from hatchmon.hatchery.types import Band, Batch, Count, Forecast, Look, Quantity, Refused
from hatchmon.hatchery.watch import BatchWatch
from hatchmon.hatchery.wording import Voice
from hatchmon.science.learning import LotBelief
from hatchmon.science.normal import Floats
from hatchmon.science.yields import Interval, Samples, hatching_share, pooled_share

AT_THE_START = timedelta(hours=1)  # a forecast issued later has seen part of the batch
OTHERS = 5  # newest batches of the lot that tell its usual water
_Z80 = 1.2816


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to the batch: its beginning, a look, a count, an alert, its end."""

    time: datetime
    text: str


@dataclass(frozen=True, slots=True)
class Detail:
    """One batch; ``diagnosis`` is None while it runs, ``noted_c`` (deg C, doubt) set where it comes from a
    notebook, ``t10_h`` and ``t90_h`` what the looks leave: (not before, by), hours from the start."""

    batch: Batch
    events: tuple[Event, ...]
    readings: int
    water_c: tuple[float, float, float] | None
    noted_c: tuple[float, float] | None
    first: Forecast | None
    last: Forecast | None
    t10_h: tuple[float, float]
    t90_h: tuple[float, float]
    diagnosis: Diagnosis | None


def batch_detail(settings: Settings, store: Store, number: int, now: datetime, voice: Voice) -> Detail:
    """Everything about batch ``number``. Raises Refused when there is none."""
    found = store.batches("batch_id = ?", number)
    if not found:
        raise Refused(f"There is no batch {number}. All of them, with their numbers: hatchmon batches")
    batch = found[0]
    looks, counts = store.looks(number), store.counts(number)
    watch = watch_batch(store, batch, now)
    noted = store.noted_water(number)
    _, temps = _log(watch, noted)
    first, last = store.first_forecast(number), store.last_forecast(number)
    return Detail(
        batch=batch,
        events=events_of(store, batch, looks, counts),
        readings=0 if noted else watch.log()[0].size,
        water_c=(float(temps.min()), float(temps.mean()), float(temps.max())) if temps.size else None,
        noted_c=noted,
        first=first,
        last=last,
        t10_h=seen_between(batch, looks, -Z90),
        t90_h=seen_between(batch, looks, Z90),
        diagnosis=diagnosis_of(
            settings, store, watch, voice, belief_from(all_evidence(store, without=number), batch.lot)
        ),
    )


def diagnosis_of(
    settings: Settings, store: Store, watch: BatchWatch, voice: Voice, belief: LotBelief
) -> Diagnosis | None:
    """Why a batch went as it did; None while it runs. ``belief``: about its lot without this batch."""
    batch = watch.batch
    if batch.ended is None:
        return None
    noted = store.noted_water(batch.batch_id)
    forecasts = store.first_forecast(batch.batch_id), store.last_forecast(batch.batch_id)
    return diagnose(_measured(settings, store, watch, noted, forecasts, belief), voice)


def _log(watch: BatchWatch, noted: tuple[float, float] | None) -> tuple[Floats, Floats]:
    """(hours from the start, deg C): the log, or the notebook's word for it."""
    if noted is None:
        return watch.log()
    batch = watch.batch
    assert batch.ended is not None
    return np.array([0.0, batch.hours_at(batch.ended)]), np.full(2, noted[0])


def events_of(
    store: Store, batch: Batch, looks: Sequence[Look], counts: Sequence[Count]
) -> tuple[Event, ...]:
    """What happened to a batch, oldest first."""
    return tuple(sorted(_events(store, batch, looks, counts), key=lambda event: event.time))


def _events(store: Store, batch: Batch, looks: Sequence[Look], counts: Sequence[Count]) -> Iterator[Event]:
    litres = "" if batch.litres is None else f" in {batch.litres:g} L"
    yield Event(batch.started, f"begun: {batch.grams:g} g of lot {batch.lot}{litres}")
    for look in looks:
        yield Event(look.time, f"seen: {look.seen}")
    for count in counts:
        yield Event(count.time, f"counted: {', '.join(map(str, count.nauplii))} nauplii")
    for row in store.rows("SELECT raised_us, title FROM alerts WHERE scope = ?", batch_scope(batch)):
        yield Event(from_us(row["raised_us"]), f"alert: {row['title']}")
    if batch.ended is not None:
        yield Event(batch.ended, str(batch.outcome))


def _measured(
    settings: Settings,
    store: Store,
    watch: BatchWatch,
    noted: tuple[float, float] | None,
    forecasts: tuple[Forecast | None, Forecast | None],
    belief: LotBelief,
) -> Measured:
    batch, log = watch.batch, _log(watch, noted)
    assert batch.ended is not None
    of_lot = store.batches("lot = ?", batch.lot)
    others = [other for other in of_lot if other.batch_id != batch.batch_id]
    usual_c = _usual_c(store, [other for other in others if other.outcome == "harvested"][-OTHERS:])
    first, last = forecasts
    said = True
    if first is None or first.t90 is None or first.issued - batch.started > AT_THE_START:
        # What would have been said at the start, had anybody asked.
        aim_c = batch.set_point_c or (noted[0] if noted else usual_c)
        fresh = BatchWatch(replace(batch, set_point_c=aim_c, ended=None, outcome=None))
        first = None if aim_c is None else fresh.forecast(batch.started, belief)
        said = False
    share, usual_share = _shares(store, batch, others)
    return Measured(
        batch=batch,
        hours=log[0],
        temps_c=log[1],
        band_c=settings.band_c(batch.lot),
        lot=belief.draws(),
        first=first,
        said=said,
        last=last,
        looks=store.looks(batch.batch_id),
        usual_c=usual_c,
        noted_sd_c=None if noted is None else noted[1],
        light=_readings(store, batch, Quantity.LIGHT, batch.time_at(FIRST_HOURS)),
        salinity=_readings(store, batch, Quantity.SALINITY, batch.ended),
        lot_age_days=(batch.started - min(other.started for other in of_lot)) / timedelta(days=1),
        share=share,
        usual_share=usual_share,
    )


def _readings(store: Store, batch: Batch, quantity: Quantity, end: datetime) -> list[tuple[float, float]]:
    assert batch.ended is not None
    usable = store.usable_readings(batch.cone, quantity, batch.started, min(end, batch.ended))
    return [(batch.hours_at(time), value) for time, value, _ in usable]


def _usual_c(store: Store, others: Sequence[Batch]) -> float | None:
    """Mean water of a lot's other batches, the median of them; None without any log."""
    means = []
    for other in others:
        noted = store.noted_water(other.batch_id)
        assert other.ended is not None
        mean = (
            store.mean_of_minutes(other.cone, Quantity.TEMPERATURE, other.started, other.ended)
            if noted is None
            else noted[0]
        )
        if mean is not None:
            means.append(mean)
    return median(means) if means else None


def _shares(
    store: Store, batch: Batch, others: Sequence[Batch]
) -> tuple[float | None, tuple[float, float] | None]:
    """The batch's hatched share by count, and the 80 % interval that the lot's other counts let expect for
    it: the lot's level, the difference between batches and the error of this count."""
    own = _counted_share(store, batch)
    rest = [counted for counted in (_counted_share(store, other) for other in others) if counted]
    if own is None:
        return None, None
    share, _ = own
    if not rest:
        return share.value, None
    a, b = pooled_share(samples for _, samples in rest).beta
    mean, variance = a / (a + b), a * b / ((a + b) ** 2 * (a + b + 1.0))
    reach = math.hypot(_Z80 * math.sqrt(variance), (share.high - share.low) / 2.0)
    return share.value, (max(mean - reach, 0.0), min(mean + reach, 1.0))


def _counted_share(store: Store, batch: Batch) -> tuple[Interval, Samples] | None:
    last = store.last_forecast(batch.batch_id)
    t90_h = last.t90.p50 if last is not None and last.t90 is not None else None
    for count in reversed(store.counts(batch.batch_id)):
        samples = samples_of(batch, count)
        share = hatching_share(samples)
        if share is not None and near_complete(batch, count, t90_h):
            return share, samples
    return None


# --- telling ----------------------------------------------------------------------------------


def detail_json(detail: Detail) -> dict[str, Any]:
    """The batch as plain data: times ISO 8601 UTC, hours from the start."""
    batch, diagnosis = detail.batch, detail.diagnosis

    def forecast(of: Forecast | None) -> dict[str, Any] | None:
        if of is None:
            return None
        bands = {name: getattr(of, name) for name in ("t10", "t50", "t90", "opens", "closes")}
        return {
            "issued": of.issued.isoformat(timespec="seconds"),
            **{f"{name}_h": None if band is None else _band(band) for name, band in bands.items()},
            "trust": of.trust,
            "not_predicted": of.not_predicted,
        }

    def between(pair: tuple[float, float]) -> dict[str, float | None]:
        after, by = pair
        return {"not_before": round(after, 2), "by": round(by, 2) if math.isfinite(by) else None}

    return {
        "batch": batch.batch_id,
        "cone": batch.cone,
        "lot": batch.lot,
        "grams": batch.grams,
        "litres": batch.litres,
        "set_point_c": batch.set_point_c,
        "salinity": batch.salinity,
        "started": batch.started.isoformat(timespec="seconds"),
        "ended": None if batch.ended is None else batch.ended.isoformat(timespec="seconds"),
        "outcome": batch.outcome,
        "from_notebook": detail.noted_c is not None,
        "readings": detail.readings,
        "water_c": None
        if detail.water_c is None
        else dict(zip(("least", "mean", "most"), (round(each, 2) for each in detail.water_c), strict=True)),
        "events": [
            {
                "time": event.time.isoformat(timespec="seconds"),
                "h": round(batch.hours_at(event.time), 2),
                "text": event.text,
            }
            for event in detail.events
        ],
        "forecast": {"first": forecast(detail.first), "last": forecast(detail.last)},
        "seen": {"t10_h": between(detail.t10_h), "t90_h": between(detail.t90_h)},
        "diagnosis": None
        if diagnosis is None
        else {
            "text": diagnosis.text,
            "deviations": [each.kind for each in diagnosis.deviations],
            "findings": [
                {
                    "cause": finding.cause,
                    "effect_h": None if finding.effect_h is None else round(finding.effect_h, 2),
                    "strength": finding.strength,
                    "text": finding.text,
                }
                for finding in diagnosis.findings
            ],
        },
    }


def _band(band: Band) -> dict[str, float]:
    return {"p10": round(band.p10, 2), "p50": round(band.p50, 2), "p90": round(band.p90, 2)}

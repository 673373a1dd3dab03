"""What the record teaches about each lot of cysts."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from hatchmon.adapters.store import Store
from hatchmon.app.lessons import Lessons, evidence_from, level_of
from hatchmon.app.record import SALT_QUANTITIES, Water, salinity_of, usual_day, watch_batch
from hatchmon.hatchery.ahead import Cycle, Room
from hatchmon.hatchery.counts import Falling, lot_hatchability, lot_yield
from hatchmon.hatchery.honesty import Honesty, Scored, honesty, scored, widened
from hatchmon.hatchery.looks import reaches_the_end
from hatchmon.hatchery.noted import noted_evidence
from hatchmon.hatchery.types import Batch, Count, Forecast, Quantity
from hatchmon.hatchery.watch import UNKNOWN_HATCHABILITY, BatchWatch, Foreseen
from hatchmon.science.learning import Evidence, LotBelief, keeper_prior
from hatchmon.science.nauplii import Thresholds

AIR_FRESH = timedelta(hours=1)
IN_USE = timedelta(days=60)  # of a lot's last counted batch
USUAL_DAY_HOLDS = timedelta(hours=1)


def work_out_evidence(store: Store, batch: Batch) -> None:
    """Store what a harvested batch teaches about its lot; to be called after every change to it."""
    assert batch.ended is not None
    found = None
    if batch.outcome == "harvested":
        noted = store.noted_water(batch.batch_id)
        if noted is None:
            watch = watch_batch(store, batch, batch.ended)
            watch.hatchability = _hatchability(store, batch.lot, batch.batch_id)
            found = watch.evidence(batch.ended)
        else:
            found = noted_evidence(batch, store.looks(batch.batch_id), *noted)
    body = None
    if found is not None and not found.empty:
        body = {
            "ln_q": np.round(found.ln_q, 5).tolist(),
            "z": [[None if not np.isfinite(z) else z for z in pair] for pair in found.bounds.tolist()],
            "chance": found.chance.tolist(),
            "extra_sd": round(found.extra_sd, 5),
            "light_known": found.light_known,
            "counted": [
                {"ln_q": np.round(one.ln_q, 5).tolist(), "likely": np.round(one.likely, 6).tolist()}
                for one in found.counted
            ],
        }
    store.keep_evidence(batch.batch_id, json.dumps(body))


class Beliefs:
    """What is believed of each lot, worked out when asked for and kept until the record changes."""

    def __init__(self, store: Store, thresholds: Thresholds) -> None:
        self._store = store
        self._thresholds = thresholds
        self._lessons = Lessons()  # outlasts a change that taught nothing
        self._known: dict[str, LotBelief] = {}
        self._hatchable: dict[int, tuple[float, float]] = {}
        self._honesty: Honesty | None = None
        self._falling: dict[str, Falling] | None = None
        self._days: dict[str, tuple[datetime, Cycle | None]] = {}

    def forget(self) -> None:
        """The record has changed."""
        self._known.clear()
        self._hatchable.clear()
        self._honesty = self._falling = None
        self._days.clear()

    @property
    def honesty(self) -> Honesty:
        """How the forecasts have done so far."""
        if self._honesty is None:
            self._honesty = honesty(scored_batches(self._store))
        return self._honesty

    def falling(self, now: datetime) -> Mapping[str, Falling]:
        """The lots in use that give less than they did."""
        if self._falling is None:
            self._falling = falling_lots(self._store, now - IN_USE)
        return self._falling

    def forecast(self, watch: BatchWatch, water: Water, now: datetime) -> Forecast:
        """What is believed of a batch at ``now``, as wide as the record of past forecasts demands."""
        return self.foresee(watch, water, now).forecast

    def foresee(self, watch: BatchWatch, water: Water, now: datetime) -> Foreseen:
        """The same, ready to tell the look that would narrow the forecast most."""
        batch = watch.batch
        if watch.counts:
            if batch.batch_id not in self._hatchable:
                self._hatchable[batch.batch_id] = _hatchability(self._store, batch.lot, batch.batch_id)
            watch.hatchability = self._hatchable[batch.batch_id]
        if batch.salinity is None:
            newest = {q: water[q][0] for q in SALT_QUANTITIES if q in water and water[q][1] >= batch.started}
            watch.salinity = salinity_of(newest) if newest else watch.salinity
        air = water.get(Quantity.AIR_TEMPERATURE)
        air_c = air[0] if air is not None and now - air[1] <= AIR_FRESH else None
        room = Room(air_c, self._usual_day(batch, now))
        found = watch.foresee(now, self.of(batch.lot), self._thresholds, room)
        return replace(found, forecast=widened(found.forecast, self.honesty.widen))

    def _usual_day(self, batch: Batch, now: datetime) -> Cycle | None:
        """Read afresh once an hour: a week of readings is much to sum up."""
        known = self._days.get(batch.cone)
        if known is None or abs(now - known[0]) >= USUAL_DAY_HOLDS:
            known = self._days[batch.cone] = (now, usual_day(self._store, batch, now))
        return known[1]

    def of(self, lot: str) -> LotBelief:
        """The belief about ``lot``: its own hatches on top of what the keeper's other lots suggest."""
        if lot not in self._known:
            self._known[lot] = self._lessons.of(self._store, lot)[1]
        return self._known[lot]


def scored_batches(store: Store) -> list[Scored]:
    """Every harvested batch whose looks tell when it was complete."""
    t90 = store.t90_first_and_last()
    looks = store.rows("SELECT batch_id, seen FROM looks")
    ended = {row["batch_id"] for row in looks if reaches_the_end(row["seen"])}
    return [
        scored(batch.batch_id, *t90[batch.batch_id])
        for batch in store.batches("outcome = 'harvested'")
        if batch.batch_id in t90 and batch.batch_id in ended
    ]


def falling_lots(store: Store, since: datetime) -> dict[str, Falling]:
    """By name, every lot whose newest counted batches gave less than those before, the last begun ``since``
    then."""
    counted: dict[str, list[tuple[Batch, list[Count], float | None]]] = {}
    for batch in store.batches("batch_id IN (SELECT batch_id FROM counts)"):
        last = store.last_forecast(batch.batch_id)
        t90_h = None if last is None or last.t90 is None else last.t90.p50
        counted.setdefault(batch.lot, []).append((batch, store.counts(batch.batch_id), t90_h))
    in_use = {lot: batches for lot, batches in counted.items() if batches[-1][0].started >= since}
    falls = {lot: lot_yield(batches).falling for lot, batches in in_use.items()}
    return {lot: fall for lot, fall in falls.items() if fall is not None}


def _hatchability(store: Store, lot: str, without: int) -> tuple[float, float]:
    """Beta parameters of a lot's hatchable share, from the counts of its other batches."""
    others = store.batches("lot = ? AND outcome = 'harvested' AND batch_id <> ?", lot, without)
    counted = [(other, counts, None) for other in others if (counts := store.counts(other.batch_id))]
    return lot_hatchability(counted) or UNKNOWN_HATCHABILITY


def all_evidence(store: Store, without: int | None = None) -> dict[str, list[Evidence]]:
    """By lot, the evidence of its finished batches that have any; leaving out batch ``without``."""
    return {
        lot: found
        for lot, bodies in store.evidence_by_lot().items()
        if (found := [evidence_from(body) for number, body in bodies.items() if number != without])
    }


def lot_levels(evidence: Mapping[str, Sequence[Evidence]]) -> dict[str, tuple[float, float]]:
    """By lot, mean and sd of a from its own batches alone."""
    return {name: level_of(batches) for name, batches in evidence.items()}


def belief_from(evidence: Mapping[str, Sequence[Evidence]], lot: str) -> LotBelief:
    """The belief about ``lot`` from the evidence of finished batches by lot."""
    others = [level for name, level in lot_levels(evidence).items() if name != lot]
    return keeper_prior(others).learn_all(evidence.get(lot, ()))

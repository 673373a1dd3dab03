"""What the record says of batches, lots and forecasts, read for the review and kept while it stays true."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, TypeVar

from hatchmon.adapters.store import Store
from hatchmon.app.beliefs import scored_batches
from hatchmon.app.detail import Event, diagnosis_of, events_of
from hatchmon.app.lessons import Lessons
from hatchmon.app.record import watch_batch
from hatchmon.app.settings import Settings
from hatchmon.hatchery.counts import LotYield, lot_yield, per_gram_words, percent_words
from hatchmon.hatchery.diagnosis import Diagnosis
from hatchmon.hatchery.honesty import Honesty, honesty
from hatchmon.hatchery.review import (
    Fan,
    Kept,
    Log,
    Seen,
    Speed,
    Told,
    Yielded,
    fan_of,
    log_of,
    record_of,
    seen_of,
    speed_of,
    stretch_s,
    told_over_time,
    yielded,
)
from hatchmon.hatchery.supply.stock import Stock
from hatchmon.hatchery.types import Batch, Count, Forecast, Quantity, Refused
from hatchmon.hatchery.wording import Voice
from hatchmon.science.yields import Interval, cost_per_million

MOST_KEPT = 64
SETTLED = timedelta(hours=1)  # after its end no reading of a batch is judged anew
LARGEST = 2**63  # of SQLite's numbers
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class BatchPast:
    """All there is to show of one batch. ``logs``: by quantity, where anything was measured; ``first`` and
    ``last``: the forecasts issued first and last, ``fan`` the curves of the last; ``noted_c``: (deg C, doubt)
    where it comes from a notebook; ``until_h``: hours to its end, or to now."""

    batch: Batch
    until_h: float
    band_c: tuple[float, float]
    logs: dict[Quantity, Log]
    noted_c: tuple[float, float] | None
    first: Forecast | None
    last: Forecast | None
    fan: Fan | None
    first_fan: Fan | None
    told: Sequence[Told]
    seen: Sequence[Seen]
    events: Sequence[Event]
    diagnosis: Diagnosis | None


@dataclass(frozen=True, slots=True)
class LotPast:
    """One lot: its batches, oldest first, what their counts say together and one by one, and what a million
    nauplii cost where the price is known; ``grams`` used and, where it was weighed, ``left_g``."""

    lot: str
    batches: Sequence[Batch]
    grams: float
    yields: LotYield
    counted: Sequence[Yielded]
    cost: Interval | None
    left_g: float | None

    @property
    def harvested(self) -> int:
        """How many batches were harvested."""
        return sum(batch.outcome == "harvested" for batch in self.batches)


@dataclass(frozen=True, slots=True)
class Record:
    """The forecasts put to the test, by the time their batch began, and how they did together."""

    kept: Sequence[Kept]
    batches: dict[int, Batch]
    honesty: Honesty


class Past:
    """Reads the record through any store of it. Safe to use from any thread."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._voice = Voice(settings.zone, settings.unit)
        self._lessons = Lessons()
        self._lock = threading.Lock()
        self._known: OrderedDict[Hashable, Any] = OrderedDict()

    def batch(self, store: Store, number: int, now: datetime) -> BatchPast:
        """Everything about one batch. Raises Refused when there is none."""
        found = store.batches("batch_id = ?", number) if number < LARGEST else []
        if not found:
            raise Refused(f"There is no batch {number}.")
        batch = found[0]
        until = batch.ended or now
        looks, counts = store.looks(number), store.counts(number)
        forecasts = store.forecasts(number)
        first, last = (forecasts[0], forecasts[-1]) if forecasts else (None, None)
        return BatchPast(
            batch=batch,
            until_h=max(batch.hours_at(until), 0.1),
            band_c=self._settings.band_c(batch.lot),
            logs=self._logs(store, batch, now),
            noted_c=store.noted_water(number),
            first=first,
            last=last,
            fan=None if last is None else fan_of(last),
            first_fan=None if first is None else fan_of(first),
            told=told_over_time(batch, forecasts),
            seen=seen_of(batch, looks, counts),
            events=events_of(store, batch, looks, counts),
            diagnosis=None if batch.ended is None else self._diagnosis(store, batch),
        )

    def learn(self, store: Store) -> None:
        """Learn every lot that is not known yet, the newest last, so that what is asked for is there."""

        def work_out() -> None:
            for lot in self.lots(store)[::-1]:
                self._lessons.of(store, lot.lot)

        self.kept(store, "learned", work_out)

    def lots(self, store: Store) -> list[LotPast]:
        """Every lot, the one used last first."""
        return self.kept(store, "lots", lambda: self._lots(store))

    def lot(self, store: Store, name: str) -> tuple[LotPast, Speed]:
        """One lot and what is believed of its speed. Raises Refused when there is none."""
        for lot in self.lots(store):
            if lot.lot == name:
                return lot, speed_of(*self._lessons.of(store, name))
        raise Refused(f"There is no lot {name}.")

    def record(self, store: Store) -> Record:
        """How the forecasts did."""
        return self.kept(store, "record", lambda: _record(store))

    def kept(self, store: Store, name: str, work_out: Callable[[], _T]) -> _T:
        """What was worked out under ``name``, unless the record has changed since."""
        return self._keep((name,), _mark(store), work_out)

    def _logs(self, store: Store, batch: Batch, now: datetime) -> dict[Quantity, Log]:
        until = batch.ended or now
        seconds, until_h = stretch_s(batch.hours_at(until)), max(batch.hours_at(until), 0.0)

        def work_out() -> dict[Quantity, Log]:
            found = {
                each: store.stretches(batch.cone, each, batch.started, until, seconds) for each in Quantity
            }
            return {each: log_of(stretches, until_h) for each, stretches in found.items() if stretches}

        if now - until < SETTLED:
            return work_out()
        # Half a megabyte, so of one batch alone: its page and each of its graphs' files ask for it.
        mark = batch, store.filed_between(batch.cone, batch.started, until)
        return self._keep("logs", mark, work_out)

    def _diagnosis(self, store: Store, batch: Batch) -> Diagnosis | None:
        def work_out() -> Diagnosis | None:
            assert batch.ended is not None
            belief = self._lessons.of(store, batch.lot, batch.batch_id)[1]
            return diagnosis_of(
                self._settings, store, watch_batch(store, batch, batch.ended), self._voice, belief
            )

        return self._keep(("diagnosis", batch.batch_id), _mark(store), work_out)

    def _lots(self, store: Store) -> list[LotPast]:
        counts = store.counts_by_batch()
        t90 = store.last_t90_by_batch([*counts])
        by_lot: dict[str, list[Batch]] = {}
        for batch in store.batches():
            by_lot.setdefault(batch.lot, []).append(batch)
        stock = {each.lot: each for each in store.stock()}
        lots = [self._lot(batches, counts, t90, stock.get(lot)) for lot, batches in by_lot.items()]
        return sorted(lots, key=lambda lot: lot.batches[-1].started, reverse=True)

    def _lot(
        self,
        batches: Sequence[Batch],
        counts: dict[int, list[Count]],
        t90_h: dict[int, float],
        stock: Stock | None,
    ) -> LotPast:
        lot = batches[0].lot
        facts = [(batch, counts.get(batch.batch_id, []), t90_h.get(batch.batch_id)) for batch in batches]
        yields = lot_yield(facts)
        known = self._settings.lots.get(lot)
        price = None if known is None else known.price_per_kg
        if stock is not None and stock.price_per_kg is not None:
            price = stock.price_per_kg
        return LotPast(
            lot=lot,
            batches=batches,
            grams=sum(batch.grams for batch in batches),
            yields=yields,
            counted=yielded(facts),
            cost=None
            if price is None or yields.per_gram is None
            else cost_per_million(yields.per_gram, price),
            left_g=None if stock is None else stock.grams,
        )

    def _keep(self, key: Hashable, mark: Hashable, work_out: Callable[[], _T]) -> _T:
        """What was worked out for ``key``, unless the record has changed since."""
        with self._lock:
            known = self._known.get(key)
            if known is not None and known[0] == mark:
                self._known.move_to_end(key)
                found: _T = known[1]
                return found
        made = work_out()
        with self._lock:
            self._known[key] = (mark, made)
            if len(self._known) > MOST_KEPT:
                self._known.popitem(last=False)
        return made


def lot_words(lot: LotPast) -> str:
    """What was hatched of a lot and what it gives, in sentences."""
    of = "1 batch" if len(lot.batches) == 1 else f"{len(lot.batches)} batches"
    left = "" if lot.left_g is None else f", {lot.left_g:g} g left"
    said = [f"{of}, {lot.harvested} harvested, {lot.grams:g} g used{left}."]
    if lot.yields.share is not None:
        said.append(f"{percent_words(lot.yields.share)} of its full cysts hatch.")
    if lot.yields.per_gram is not None:
        said.append(f"A gram gives {per_gram_words(lot.yields.per_gram)} nauplii.")
    if lot.cost is not None:
        cost = f"{lot.cost.value:.2f} ({lot.cost.low:.2f} to {lot.cost.high:.2f})"
        said.append(f"A million nauplii cost {cost} in cysts.")
    return " ".join(said)


def _mark(store: Store) -> Hashable:
    """Changes with whatever a keeper adds to, or takes from, the record."""
    return tuple(
        store.rows(
            """SELECT (SELECT max(request_id) FROM requests),
               (SELECT count(*) FROM requests WHERE done_us IS NULL),
               (SELECT max(batch_id) FROM batches), (SELECT count(*) FROM batches WHERE ended_us IS NULL),
               (SELECT count(*) FROM looks), (SELECT count(*) FROM counts)"""
        )[0]
    )


def record_of_batches(record: Record, numbers: set[int]) -> Record:
    """The part of a record that is of these batches."""
    scored = [kept.scored for kept in record.kept if kept.scored.batch_id in numbers]
    return Record(record_of(scored), record.batches, honesty(scored))


def _record(store: Store) -> Record:
    scored = scored_batches(store)
    batches = {batch.batch_id: batch for batch in store.batches("outcome = 'harvested'")}
    return Record(record_of(scored), batches, honesty(scored))

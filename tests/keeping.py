"""An invented hatchery's record, as months of the daemon would leave it: readings, batches, looks, counts,
the forecasts made of them and what they taught. All figures are invented."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from statistics import NormalDist

from hatchmon.adapters.store import NewReading, Store, to_us
from hatchmon.app.beliefs import Beliefs, work_out_evidence
from hatchmon.app.plan_record import PLAN_VERSION
from hatchmon.app.record import watch_batch
from hatchmon.hatchery.alerts import batch_scope
from hatchmon.hatchery.supply.demand import Brood
from hatchmon.hatchery.supply.stock import Stock
from hatchmon.hatchery.types import Alert, Batch, Count, Look, Quantity, Verdict
from hatchmon.science.nauplii import Thresholds
from hatchmon.science.rates import schoolfield_1981

NOW = datetime(2026, 11, 24, 21, 40, tzinfo=UTC)
SIGMA = 0.14
_GLANCE = NormalDist()


@dataclass(frozen=True, slots=True)
class Tin:
    """A lot: median hatch at 25 C, the share of full cysts that hatches, how much less of it each month."""

    lot: str
    tau25_h: float
    share: float
    fading: float = 0.0


@dataclass(frozen=True, slots=True)
class Place:
    """A cone: what is hatched in it, its heater's set point or none, whether it has light and salt probes."""

    cone: str
    tin: Tin
    grams: float
    litres: float
    aim_c: float | None
    rich: bool = False


PLACES = (
    Place("bench", Tin("river-23", 19.2, 0.86), 3.0, 2.0, 26.0, rich=True),
    Place("north", Tin("salt-pan-7", 21.8, 0.74, fading=0.12), 2.0, 1.5, 26.5),
    Place("window", Tin("dune-11", 23.4, 0.62), 1.0, 1.0, None),
)


class Keeper:
    """Writes the record of one hatchery into a store."""

    def __init__(
        self, store: Store, now: datetime, seed: int, every_s: int, forecasts: bool, relearn_every: int
    ) -> None:
        self._store = store
        self._now = now
        self._random = Random(seed)
        self._every_s = every_s
        self._forecasts = forecasts
        self._beliefs = Beliefs(store, Thresholds())
        self._since = 0
        self._relearn_every = relearn_every

    def batch(self, place: Place, started: datetime, run: bool = False) -> None:
        """One batch from its beginning to its harvest, or to now."""
        store, random = self._store, self._random
        length_h = (self._now - started) / timedelta(hours=1) if run else 34.0
        hours, temps = self._water(place, started, length_h)
        salt = round(random.gauss(29.0, 1.5), 1)
        batch = store.add_batch(
            Batch(0, place.cone, place.tin.lot, started, place.grams, place.litres, place.aim_c,
                  None if place.rich else salt),
            "receipt",
        )  # fmt: skip
        middle = math.log(place.tin.tau25_h) + random.gauss(0.0, 0.07) + 0.01 * (salt - 30.0)
        done = [0.0]
        for before, after, temp in zip(hours, hours[1:], temps, strict=False):
            done.append(done[-1] + (after - before) * float(schoolfield_1981(temp)))

        def share(hour: float) -> float:
            at = min(max(int(hour / length_h * (len(done) - 1)), 1), len(done) - 1)
            return _GLANCE.cdf((math.log(done[at]) - middle) / SIGMA)

        ready_h = next((h for h in hours if share(h) >= 0.93), length_h)
        look_hours = [ready_h * part for part in (0.72, 0.88, 1.0) if random.random() < 0.85 or part == 1.0]
        looks = [
            Look(batch.batch_id, batch.time_at(h), _word(share(h), random))
            for h in look_hours
            if h < length_h
        ]
        self._read(place, batch, hours, temps, salt)
        end_h = length_h if run else min(ready_h + random.uniform(0.4, 3.0), length_h)
        seen = [look for look in looks if batch.hours_at(look.time) < end_h]
        self._tell(batch, seen, end_h)
        if run:
            return
        for look in seen:
            if look.seen == "complete" or batch.hours_at(look.time) == end_h:
                break
        ended = batch.time_at(end_h)
        discarded = random.random() < 0.03
        if random.random() < 0.6 and not discarded:
            self._count(place, batch, started, share(end_h))
        store.end_batch(batch.batch_id, ended, "discarded" if discarded else "harvested")
        work_out_evidence(store, store.batches("batch_id = ?", batch.batch_id)[0])
        self._since += 1
        if self._since >= self._relearn_every:
            self._since = 0
            self._beliefs.forget()

    def _water(self, place: Place, started: datetime, length_h: float) -> tuple[list[float], list[float]]:
        random = self._random
        step_h = self._every_s / 3600.0
        temp = 24.0 if place.aim_c is None else place.aim_c - 0.5
        hours, temps = [], []
        sag = random.random() < 0.15
        for number in range(int(length_h / step_h)):
            hour = number * step_h
            local = (started + timedelta(hours=hour)).hour + 1
            room = 20.5 + 2.5 * math.cos((local - 16) * math.pi / 12)
            aim = room + 4.5 if place.aim_c is None else place.aim_c
            if sag and 9 < hour < 14:
                aim = room + 1.5
            temp += (aim - temp) * (1 - math.exp(-step_h / (1.2 if place.aim_c else 3.0)))
            hours.append(hour)
            temps.append(temp + (0.18 * math.sin(hour * 5.1) if place.aim_c else 0.0))
        return hours, temps

    def _read(self, place: Place, batch: Batch, hours: list[float], temps: list[float], salt: float) -> None:
        store, random = self._store, self._random
        stream = store.add_stream(
            place.cone, Quantity.TEMPERATURE, "C", f"shed/{place.cone}/t", batch.started
        )
        silent = random.uniform(6, 16) if random.random() < 0.3 else None
        rows = []
        for hour, temp in zip(hours, temps, strict=True):
            if silent is not None and silent < hour < silent + 0.9:
                continue
            raw, verdict = round((temp + random.gauss(0, 0.04)) / 0.0625) * 0.0625, Verdict.GOOD
            if random.random() < 0.002:
                raw, verdict = 85.0, Verdict.SENTINEL
            elif random.random() < 0.001:
                raw, verdict = raw + 3.0, Verdict.SPIKE
            rows.append(NewReading(stream.stream_id, to_us(batch.time_at(hour)), raw, verdict, "receipt"))
        if place.rich:
            light = store.add_stream(place.cone, Quantity.LIGHT, "lux", "shed/bench/lux", batch.started)
            brine = store.add_stream(place.cone, Quantity.SALINITY, "g/L", "shed/bench/salt", batch.started)
            for hour in hours:
                time = to_us(batch.time_at(hour))
                lux = max(random.gauss(2100.0, 60.0), 0.0)
                salinity = round(salt + 0.03 * hour + random.gauss(0, 0.1), 1)
                rows.append(NewReading(light.stream_id, time, round(lux), Verdict.GOOD, "receipt"))
                rows.append(NewReading(brine.stream_id, time, salinity, Verdict.GOOD, "receipt"))
        store.add_readings(rows)

    def _tell(self, batch: Batch, looks: list[Look], end_h: float) -> None:
        """Notes the looks, and the forecasts as they would have been issued."""
        store = self._store
        watch = watch_batch(store, batch, batch.started)
        at = [0.2 + 1.5 * n for n in range(int(end_h / 1.5) + 1)] if self._forecasts else [0.2]
        at = sorted([h for h in at if h < end_h] + [batch.hours_at(look.time) + 0.02 for look in looks])
        noted = 0
        full = watch_batch(store, batch, self._now)
        for hour in [*at, end_h]:
            now = batch.time_at(hour)
            while noted < len(looks) and looks[noted].time <= now:
                store.add_look(looks[noted], "receipt")
                noted += 1
            watch = full if hour == end_h else watch_batch(store, batch, now)
            watch.looks = looks[:noted]
            store.add_forecast(batch.batch_id, self._beliefs.forecast(watch, {}, now))
        last = store.last_forecast(batch.batch_id)
        if last is not None and last.opens is not None and batch.time_at(last.opens.p50) < self._now:
            ready = batch.time_at(last.opens.p50)
            title = f"{batch.cone}: ready now"
            store.add_alert(
                Alert("ready", batch_scope(batch), batch.cone, "now", title, "Harvest.", ready), 0, ready
            )

    def _count(self, place: Place, batch: Batch, started: datetime, hatched: float) -> None:
        random = self._random
        months = (started - self._now + timedelta(days=330)) / timedelta(days=30)
        share = place.tin.share * (1 - place.tin.fading) ** max(months - 4, 0.0) * hatched
        cysts = 230.0 * place.grams / place.litres / 1.5
        nauplii, unhatched = [], []
        for _ in range(3):
            full = max(round(random.gauss(cysts, math.sqrt(cysts) * 1.3)), 20)
            nauplii.append(round(full * min(max(share + random.gauss(0, 0.03), 0.05), 0.98)))
            unhatched.append(full - nauplii[-1])
        ended = self._store.last_forecast(batch.batch_id)
        time = batch.time_at(33.0) if ended is None or ended.t90 is None else batch.time_at(ended.t90.p50)
        count = Count(batch.batch_id, time, 1.0, tuple(nauplii), (), tuple(unhatched))
        self._store.add_count(count, "receipt")


def keep_supply(store: Store, now: datetime, cones: Sequence[str], lot: str, starts: int = 6) -> None:
    """Broods, stock, and a plan with a start every twelve hours, as the planner issues them."""
    for name, fry, days in (("reeds", 900, 9), ("pool", 400, 16), ("nursery", 150, -4)):
        store.keep_brood(Brood(name, fry, now.date() - timedelta(days=days)))
    store.keep_stock(Stock(lot, 84.0, price_per_kg=110.0), now)

    def at(hours: float) -> str:
        return (now + timedelta(hours=hours)).isoformat(timespec="seconds")

    def moments(after_h: float, *late_h: float) -> dict[str, str]:
        return {name: at(after_h + h) for name, h in zip(("p10", "p50", "p90"), late_h, strict=True)}

    planned = [
        {
            "cone": cones[number % len(cones)], "lot": lot, "at": at(2.0 + 12.0 * number), "grams": 0.6,
            "litres": 2.0, "salinity": 25.0, "temp_c": 26.0, "salt_g": 50.9, "nauplii": 110_000,
            "wasted": 20_000, "cost": 0.07, "kept": False, "for": [at(26.0 + 12.0 * number)],
            "opens": moments(2.0 + 12.0 * number, 18.0, 21.0, 24.0),
            "closes": moments(2.0 + 12.0 * number, 27.0, 31.0, 36.0),
        }
        for number in range(starts)
    ]  # fmt: skip
    feedings = [
        {
            "at": at(2.0 + 12.0 * number), "nauplii": 90_000, "instar1": 0,
            "by_brood": {"reeds": 60_000, "pool": 30_000},
            "chance": 0.71 if number == 5 else 0.97 - 0.02 * (number % 4), "short": 0.01, "met": number != 5,
            "starts": [number - 2] if number >= 2 else [],
            "on_hand": [] if number >= 2 else [f"{cones[0]}, running"],
        }
        for number in range(starts + 2)
    ]  # fmt: skip
    hand = [
        {"at": at(float(hour)), "usable": [round(part * 1000) for part in (60 * up, 95 * up, 130 * up)],
         "instar1": [0, round(40_000 * up), round(60_000 * up)]}
        for hour in range(12 * (starts + 1))
        for up in [1.0 + 0.6 * math.sin(hour / 12.0 * 2.0 * math.pi)]
    ]  # fmt: skip
    facts = {
        "version": PLAN_VERSION, "made": at(0.0), "days": 7, "wanted": 0.9, "starts": planned,
        "feedings": feedings, "hand": hand, "grams": {lot: 0.6 * starts}, "cost": 0.07 * starts,
        "wasted": 20_000 * starts, "gap": 0.01, "proven": True, "failing": None, "running_out": [],
        "broods": [], "energy": {}, "notes": [],
    }  # fmt: skip
    store.add_plan(now - timedelta(minutes=12), json.dumps(facts))


def _word(share: float, random: Random) -> str:
    seen = _GLANCE.cdf(_GLANCE.inv_cdf(min(max(share, 0.001), 0.999)) + random.gauss(0, 0.2))
    for most, word in ((0.02, "none"), (0.2, "few"), (0.5, "some"), (0.8, "most"), (0.95, "nearly all")):
        if seen < most:
            return word
    return "complete"


def keep_record(
    path: Path,
    *,
    now: datetime = NOW,
    batches: int = 24,
    days: float = 330.0,
    seed: int = 5,
    every_s: int = 120,
    forecasts: bool = True,
    relearn_every: int = 1,
) -> None:
    """A database at ``path`` with so many finished batches over the ``days`` before ``now``, and one running
    in each cone. With ``forecasts`` they are issued through every batch, else at its start, looks and end;
    the beliefs behind them learn anew every so many batches."""
    with Store(path) as store:
        keeper = Keeper(store, now, seed, every_s, forecasts, relearn_every)
        each = timedelta(days=days) / max(math.ceil(batches / len(PLACES)), 1)
        with store.atomic():
            for place in PLACES:
                store.add_stream(
                    place.cone, Quantity.TEMPERATURE, "C", f"shed/{place.cone}/t", now - timedelta(days=days)
                )
            for number in range(batches):
                place = PLACES[number % len(PLACES)]
                started = now - timedelta(days=days + 2) + each * (number // len(PLACES))
                keeper.batch(place, started + timedelta(hours=2.5 * (number % len(PLACES))))
            for place, ago in zip(PLACES, (17.5, 9.0, 2.0), strict=True):
                keeper.batch(place, now - timedelta(hours=ago), run=True)
        store.file_readings(0)

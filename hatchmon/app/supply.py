"""What the record and the settings say for planning supply, as one question."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from hatchmon.adapters.store import Store
from hatchmon.app.beliefs import Beliefs
from hatchmon.app.plan_record import Issued, issued_of
from hatchmon.app.record import Water, room_day, thresholds_of, watch_batch, water_of
from hatchmon.app.settings import Settings
from hatchmon.hatchery.ahead import LAG_PER_H, ROOM_SD_C, STILL_SD_C, Ahead, in_control, set_point_only
from hatchmon.hatchery.coldstore import use_before
from hatchmon.hatchery.counts import near_complete, samples_of
from hatchmon.hatchery.supply.demand import Brood, Feeding, feedings
from hatchmon.hatchery.supply.keeper import STEP_H, Presence, presence
from hatchmon.hatchery.supply.plan import Question
from hatchmon.hatchery.supply.sources import (
    BATCHES,
    SETS,
    Courses,
    OnHand,
    Outcome,
    PlanCone,
    PlanLot,
    running_outcome,
)
from hatchmon.hatchery.supply.stock import Stock
from hatchmon.hatchery.types import Band, Batch, Forecast, Quantity, Refused, Start
from hatchmon.hatchery.units import both_scales
from hatchmon.science.normal import Floats, normal_quantile
from hatchmon.science.yields import Samples, efficiency, pooled_efficiency

BEYOND = timedelta(days=4)  # the keeper's hours after the last feeding
RECENT = timedelta(days=3)  # a harvest so old feeds nobody any more
CONFIRMED = timedelta(days=7)  # of a set point that the record has borne out
CONFIRMED_C = 0.7
FRESH = timedelta(hours=6)
HEATER_SEEN = timedelta(hours=1)
HEATED_UP = timedelta(hours=4)
HEATER_OFF_C = 2.0
UNKNOWN_H = 36.0  # a batch that cannot be timed is taken to fill its cone for so long
LEAST_PER_GRAM = 10_000.0  # a lot that gives less is dead; good ones give 200,000-300,000
_Z90 = float(normal_quantile(0.9))


@dataclass(frozen=True)
class Asked:
    """The question with what it rests on; ``notes``: what the keeper should know of it."""

    question: Question
    broods: tuple[Brood, ...]
    stock: tuple[Stock, ...]
    days: int
    earlier: Issued | None
    notes: tuple[str, ...]


def ask_record(settings: Settings, store: Store, now: datetime, days: int | None = None) -> Asked:
    """What there is to plan with at ``now``, for ``days`` (else those of the settings). Raises Refused."""
    supply = settings.supply
    days = supply.days if days is None else days
    origin = now - timedelta(seconds=now.timestamp() % (STEP_H * 3600.0))
    if origin < now:
        origin += timedelta(hours=STEP_H)
    end = origin + timedelta(days=days)
    zone, broods, stock = settings.zone, store.broods(), store.stock()
    if not broods:
        raise Refused("Nobody to feed: note a brood first: hatchmon brood NAME --fry 120 --swam 2026-03-01")
    if not settings.cones:
        raise Refused(
            "No cone to plan with. Give each its litres in the settings, and its set point if it has a "
            "heater: [cones.bench] litres = 2"
        )
    if not stock:
        raise Refused("No cysts to plan with. Note what is left of a lot: hatchmon stock LOT --grams 100")
    unknown = [brood for brood in broods if brood.ramp_name not in supply.all_ramps]
    if unknown:
        raise Refused(
            f"Brood {unknown[0].name} follows the ramp '{unknown[0].ramp_name}', which is no longer in the "
            "settings."
        )
    away = [each.absence(zone) for each in supply.away]
    fed = [
        each
        for each in feedings(broods, supply.all_ramps, supply.feed_at, zone, now, end)
        if not any(a.start <= each.time <= a.end and not a.fed for a in away)
    ]
    notes: list[str] = []
    beliefs = Beliefs(store, thresholds_of(settings))
    water = water_of(store)
    cones = _cones(settings, store, water, now, notes)
    lots = _lots(settings, store, stock, beliefs, notes)
    beyond = end + BEYOND
    begins = presence(supply.hours, away, zone, origin, beyond)
    harvests = presence(supply.hours, away, zone, origin, beyond, [each.time for each in fed])
    on_hand, free_h = _on_hand(settings, store, beliefs, water, lots, origin, now, harvests, notes)
    earlier = issued_of(store)
    question = Question(
        origin=origin,
        end_h=days * 24.0,
        feedings=tuple(fed),
        cones=tuple(cones),
        lots=tuple(lots),
        begins=begins,
        harvests=harvests,
        on_hand=tuple(_less_what_was_fed(settings, broods, on_hand, origin, now)),
        free_h=free_h,
        wanted=supply.wanted,
        handling_g=supply.handling_g,
        least_g=supply.least_g,
        cold_h=supply.cold_store_h,
        thresholds=thresholds_of(settings),
        widen=beliefs.honesty.widen,
        earlier=tuple(start for start in _starts(earlier) if start.time >= origin),
    )
    return Asked(question, tuple(broods), tuple(stock), days, earlier, tuple(notes))


def _starts(issued: Issued | None) -> Sequence[Start]:
    return () if issued is None else issued.starts


# --- cones and lots --------------------------------------------------------------------------


def _cones(
    settings: Settings, store: Store, water: dict[str, Water], now: datetime, notes: list[str]
) -> list[PlanCone]:
    found = []
    for name, cone in settings.cones.items():
        ahead = _water_ahead(store, name, cone.set_point_c, water.get(name, {}), now)
        if ahead is None:
            notes.append(
                f"{name} is left out: nothing is known of its water. Give it a set_point_c in "
                f"[cones.{name}], or let its probe or that of the room record three days."
            )
            continue
        if ahead.rule == "heater not in control" and cone.set_point_c is not None:
            at, wanted = both_scales(ahead.start_c), both_scales(cone.set_point_c)
            notes.append(
                f"{name} is planned with its water as it is, {at}: its heater does not hold {wanted}. See to "
                "the heater; unplug it before you put a hand into the water."
            )
        salinity = settings.supply.salinity if cone.salinity is None else cone.salinity
        found.append(
            PlanCone(name, cone.litres, cone.most_g_per_l, cone.cleaning_min / 60.0, ahead, salinity)
        )
    if not found:
        raise Refused("No cone to plan with: " + " ".join(notes))
    return found


def _water_ahead(
    store: Store, cone: str, set_point_c: float | None, water: Water, now: datetime
) -> Ahead | None:
    """The water of a cone filled some day soon: its set point, borne out by the record or not; the room's
    day; or the water as it is."""
    failed = _not_held(store, cone, set_point_c, water, now)
    if failed is not None:
        return Ahead("heater not in control", failed, failed, 0.0, *STILL_SD_C)
    if set_point_c is not None:
        heated = store.batches("cone = ? AND set_point_c = ? AND started_us > 0", cone, set_point_c)
        late = [batch for batch in heated if now - batch.started <= CONFIRMED]
        if late:
            start = late[-1].started + timedelta(hours=4)
            end = late[-1].ended or now
            said = [temp_c for _, temp_c, _ in store.usable_readings(cone, Quantity.TEMPERATURE, start, end)]
            if said and abs(float(np.median(said)) - set_point_c) <= CONFIRMED_C:
                return in_control(round(float(np.median(said)), 1))
        return set_point_only(set_point_c)
    cycle = room_day(store, cone, now)
    if cycle is not None:
        level = float(np.mean(cycle.hourly_c))
        return Ahead("follows the room's day", level, level, LAG_PER_H, ROOM_SD_C, ROOM_SD_C, cycle)
    known = water.get(Quantity.TEMPERATURE)
    if known is not None and now - known[1] <= FRESH:
        return Ahead("stays as it is", known[0], known[0], 0.0, *STILL_SD_C)
    return None


def _not_held(
    store: Store, cone: str, set_point_c: float | None, water: Water, now: datetime
) -> float | None:
    """The water, deg C, of a running batch whose heater does not hold its set point; None where it does, or
    where nothing shows that it does not: the probe of an empty cone may hang in the air."""
    known = water.get(Quantity.TEMPERATURE)
    if set_point_c is None or known is None or now - known[1] > HEATER_SEEN:
        return None
    running = store.batches("cone = ? AND ended_us IS NULL", cone)
    settled = bool(running) and now - running[0].started >= HEATED_UP
    return known[0] if settled and abs(known[0] - set_point_c) > HEATER_OFF_C else None


def _lots(
    settings: Settings, store: Store, stock: Sequence[Stock], beliefs: Beliefs, notes: list[str]
) -> list[PlanLot]:
    found = []
    for each in stock:
        known = settings.lots.get(each.lot)
        price = each.price_per_kg if each.price_per_kg is not None or known is None else known.price_per_kg
        batches = store.batches("lot = ?", each.lot)
        counted = tuple(s for batch in batches if (s := _counted(store, batch)) is not None)
        level = pooled_efficiency(counted)
        if level is not None and level.value < LEAST_PER_GRAM:
            notes.append(
                f"Lot {each.lot} is left out: as counted it gives about {level.value:,.0f} nauplii a gram, "
                "next to "
                "nothing. Count again, or take another lot."
            )
            continue
        found.append(PlanLot(each.lot, beliefs.of(each.lot), counted, each.grams, price))
    if not found:
        raise Refused("No lot to plan with: " + " ".join(note for note in notes if note.startswith("Lot")))
    return found


def _counted(store: Store, batch: Batch) -> Samples | None:
    """The last count of a batch near complete hatch from which nauplii per gram can be told."""
    last = store.last_forecast(batch.batch_id)
    t90_h = None if last is None or last.t90 is None else last.t90.p50
    found = [
        samples
        for count in store.counts(batch.batch_id)
        if near_complete(batch, count, t90_h) and (samples := samples_of(batch, count)).grams is not None
    ]
    return found[-1] if found else None


# --- what is there or on its way ----------------------------------------------------------------


def _on_hand(
    settings: Settings, store: Store, beliefs: Beliefs, water: dict[str, Water], lots: Sequence[PlanLot],
    origin: datetime, now: datetime, harvests: Presence, notes: list[str],
) -> tuple[list[tuple[OnHand, datetime]], dict[str, float]]:  # fmt: skip
    """Running and harvested batches, oldest first, with the moment from which they were fed; and when the
    cones of the running ones will be free."""
    courses = Courses(origin, thresholds_of(settings))
    known = {lot.name: lot for lot in lots}
    found: list[tuple[OnHand, datetime]] = []
    free_h: dict[str, float] = {}
    for batch in store.batches("outcome IS NOT 'discarded'"):
        if not settings.looks_after(batch.cone):
            continue
        if batch.ended is not None and (now - batch.ended > RECENT or batch.used_up is not None):
            continue
        lot = known.get(batch.lot) or PlanLot(batch.lot, beliefs.of(batch.lot))
        nauplii = _nauplii(store, batch, courses.per_gram(lot))
        if batch.running:
            watch = watch_batch(store, batch, now)
            forecast = beliefs.forecast(watch, water.get(batch.cone, {}), now)
        else:
            last = store.last_forecast(batch.batch_id)
            if last is None:
                continue
            forecast = last
        outcome = _outcome(batch, forecast, origin, nauplii)
        cone = settings.cones.get(batch.cone)
        cleaning_h = 0.5 if cone is None else cone.cleaning_min / 60.0
        if outcome is None:
            if batch.running:
                free_h[batch.cone] = max(UNKNOWN_H - batch.hours_at(now), 1.0) + cleaning_h
                notes.append(f"{batch.cone} cannot be timed and is not counted on: {forecast.not_predicted}.")
            continue
        if batch.running:
            harvest = harvests.next_h(np.maximum(outcome.opens_h, 0.0))
            late = float(np.quantile(harvest, settings.supply.wanted, method="higher"))
            free_h[batch.cone] = min(late, 1e6) + cleaning_h
            found.append((OnHand(f"{batch.cone}, running", batch.lot, outcome, batch.cone), now))
            continue
        assert batch.ended is not None
        harvested_h = (batch.ended - origin) / timedelta(hours=1)
        outcome = replace(outcome, opens_h=np.full_like(outcome.opens_h, harvested_h))
        cold = None if batch.cold_c is None else (use_before(batch) - origin) / timedelta(hours=1)
        until = cold if cold is not None else float(outcome.usable_h.max())
        if until > 0.0:
            what = "in the cold store" if batch.cold_c is not None else "harvested"
            found.append((OnHand(f"{batch.cone}, {what}", batch.lot, outcome, None, cold), batch.ended))
    return found, free_h


def _nauplii(store: Store, batch: Batch, per_gram: Floats) -> Floats:
    """(batches, sets) nauplii of a batch: as counted in it, else as its lot lets expect."""
    counted = _counted(store, batch)
    own = None if counted is None else efficiency(counted)
    if own is None or own.low <= 0.0:
        return per_gram * batch.grams
    even = normal_quantile((np.arange(per_gram.size) + 0.5) / per_gram.size)
    steps = np.random.default_rng(batch.batch_id).permutation(even).reshape(BATCHES, SETS)
    sd = float(np.log(own.high / own.low)) / (2.0 * _Z90)
    return np.asarray(batch.grams * own.value * np.exp(sd * steps), dtype=np.float64)


def _outcome(batch: Batch, forecast: Forecast, origin: datetime, nauplii: Floats) -> Outcome | None:
    """None where the batch cannot be timed."""
    opens, closes = forecast.opens, forecast.closes
    if opens is None or closes is None or forecast.trust == "none":
        return None
    shut = Band(*(max(a, b) for a, b in zip((opens.p10, opens.p50, opens.p90), _of(closes), strict=True)))
    usable_h = forecast.usable_h if forecast.usable_h is not None else shut.p50
    return running_outcome(opens, shut, usable_h, batch.started, origin, nauplii, batch.batch_id)


def _of(band: Band) -> tuple[float, float, float]:
    return band.p10, band.p50, band.p90


def _less_what_was_fed(
    settings: Settings,
    broods: Sequence[Brood],
    on_hand: Sequence[tuple[OnHand, datetime]],
    origin: datetime,
    now: datetime,
) -> list[OnHand]:
    """Every batch less what feedings since its harvest are taken to have used, the oldest first."""
    harvested = [since for source, since in on_hand if source.cone is None]
    past: list[Feeding] = []
    if harvested:
        supply = settings.supply
        past = feedings(broods, supply.all_ramps, supply.feed_at, settings.zone, min(harvested), now)
    used = [0.0] * len(on_hand)
    for feeding in past:
        wanted = feeding.nauplii
        at_h = (feeding.time - origin) / timedelta(hours=1)
        for number, (source, since) in enumerate(on_hand):
            if source.cone is None and since <= feeding.time and wanted > 0.0:
                until = (
                    float(np.median(source.outcome.usable_h))
                    if source.cold_until_h is None
                    else source.cold_until_h
                )
                there = float(np.median(source.outcome.nauplii)) - used[number]
                taken = min(max(there, 0.0), wanted) if at_h <= until else 0.0
                used[number] += taken
                wanted -= taken
    return [
        replace(
            source, outcome=replace(source.outcome, nauplii=np.maximum(source.outcome.nauplii - gone, 0.0))
        )
        for (source, _), gone in zip(on_hand, used, strict=True)
    ]

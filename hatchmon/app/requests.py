"""What a keeper can ask for, checked and written to the database: begin, look, count, harvest, reading,
seen, and batches of a notebook."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import (
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidationError,
    field_validator,
)

from hatchmon.adapters.store import NewReading, Request, Store, to_us
from hatchmon.app.beliefs import work_out_evidence
from hatchmon.hatchery.batches import (
    OLDEST_START,
    batch_at,
    batch_counted,
    batch_to_reopen,
    batch_to_repeat,
    batch_to_take_back,
    batch_to_use_up,
    check_begin,
    check_cold,
    check_cone,
    check_count,
    check_harvest,
    check_reading,
    count_to_drop,
    doubt_of,
    look_to_drop,
    same_look,
)
from hatchmon.hatchery.coldstore import CARE, stored_since, use_before
from hatchmon.hatchery.counts import count_words, samples_of
from hatchmon.hatchery.looks import WORDS, read_look
from hatchmon.hatchery.noted import LONGEST_H, Noted, check_noted
from hatchmon.hatchery.supply.demand import EXAMPLE_RAMPS, Brood
from hatchmon.hatchery.supply.stock import Stock, check_brood, check_stock
from hatchmon.hatchery.types import Batch, Count, Look, Quantity, Refused, Verdict
from hatchmon.hatchery.units import UNITS
from hatchmon.hatchery.wording import Voice
from hatchmon.science.yields import Interval, efficiency, hatching_share, output_mg_per_g

ConeName = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,32}$")]


Day = Annotated[str, Field(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$", description="a local day, 2026-03-01")]


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    cone: ConeName
    at: AwareDatetime | None = None

    @field_validator("at")
    @classmethod
    def _sensible(cls, at: datetime | None) -> datetime | None:
        # Beyond, another time zone may lie outside what a datetime can hold.
        if at is not None and not 1900 <= at.year <= 2199:
            raise ValueError("lies outside the years 1900 to 2199")
        return at


class Begin(_Asked):
    """Start a batch; ``grams`` of cysts, ``set_point_c`` in deg C, ``salinity`` in g/L. Without lot and grams
    it is begun as the cone's last one was. Or take back a start by mistake."""

    do: Literal["begin"] = "begin"
    lot: str | None = None
    grams: float | None = None
    litres: float | None = None
    set_point_c: float | None = None
    salinity: float | None = None
    undo: bool = False


class LookAt(_Asked):
    """Note what was seen, a word or a percentage; or take back the newest look, or that at ``at``."""

    do: Literal["look"] = "look"
    seen: str | None = None
    undo: bool = False


class CountOf(_Asked):
    """Note what samples of ``sample_ml`` each held, a number for each sample; or take back the newest count,
    or that at ``at``. ``litres``: the water they were drawn from, where it is not the batch's own."""

    do: Literal["count"] = "count"
    sample_ml: float | None = None
    nauplii: tuple[int, ...] = ()
    umbrella: tuple[int, ...] = ()
    unhatched: tuple[int, ...] = ()
    litres: float | None = None
    undo: bool = False


class Harvest(_Asked):
    """End a batch, its nauplii going into a cold store at ``cold_c`` (deg C) if given; or, without ending
    any, note that those from the cone that were in the cold store longest are used up; or take back the
    cone's last harvest, so that its batch runs on."""

    do: Literal["harvest"] = "harvest"
    discard: bool = False
    cold_c: float | None = None
    used_up: bool = False
    undo: bool = False


class TakeReading(_Asked):
    """A reading by hand, in ``unit`` (the quantity's first unit when left out)."""

    do: Literal["reading"] = "reading"
    value: float
    quantity: Quantity = Quantity.TEMPERATURE
    unit: str | None = None


class MarkSeen(BaseModel):
    """What was told about ``cone`` has been seen; about everything, the machine too, without a cone. Or take
    back the last time this was said."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    do: Literal["seen"] = "seen"
    cone: ConeName | None = None
    undo: bool = False


class BroodOf(BaseModel):
    """Note a brood of fry, or what has changed of one that is known; or forget it. ``loss_per_day``: share of
    those left, 0 to 1; ``ends``: the first day without nauplii; ``without``: what was noted and is not so."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    do: Literal["brood"] = "brood"
    brood: str
    fry: int | None = None
    swam: Day | None = None
    mouth: Literal["tiny", "small", "large"] | None = None
    ramp: str | None = None
    loss_per_day: float | None = None
    ends: Day | None = None
    without: tuple[Literal["ramp", "loss_per_day", "ends"], ...] = ()
    drop: bool = False


class StockOf(BaseModel):
    """Note what is left of a lot in grams, or what has changed of one that is known; or forget it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    do: Literal["stock"] = "stock"
    lot: str
    grams: float | None = None
    opened: Day | None = None
    price_per_kg: float | None = None
    without: tuple[Literal["opened", "price_per_kg"], ...] = ()
    drop: bool = False


class _Issued(BaseModel):
    """Of what is issued, what others rely on; the rest is kept as it is."""

    model_config = ConfigDict(extra="allow", frozen=True)


class PlannedMoments(_Issued):
    """10, 50 and 90 % quantiles of a moment."""

    p10: AwareDatetime
    p50: AwareDatetime
    p90: AwareDatetime


class PlannedStart(_Issued):
    """A start of a plan; ``for``: the feedings it is for."""

    cone: ConeName
    lot: str
    at: AwareDatetime
    grams: float
    litres: float
    salinity: float
    temp_c: float
    salt_g: float
    opens: PlannedMoments
    closes: PlannedMoments
    feedings: tuple[AwareDatetime, ...] = Field(alias="for")


class PlanBody(_Issued):
    """A plan as plain data."""

    version: Literal[1]
    starts: tuple[PlannedStart, ...]


class PlanOf(BaseModel):
    """Issue a plan of what to begin, as ``hatchmon supply`` makes it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    do: Literal["plan"] = "plan"
    plan: PlanBody


class Seen(BaseModel):
    """A look of a notebook: hours from the start, a word or a percentage."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    h: float
    seen: str


class Import(_Asked):
    """Take a finished batch, begun ``at``, from a notebook: water of ``temp_c`` give or take ``doubt_c``."""

    do: Literal["import"] = "import"
    at: AwareDatetime
    lot: str
    grams: float
    litres: float | None = None
    salinity: float | None = None
    temp_c: float
    doubt_c: float
    looks: tuple[Seen, ...]


Asked = Begin | LookAt | CountOf | Harvest | TakeReading | MarkSeen | Import | BroodOf | StockOf | PlanOf
_READ: TypeAdapter[Asked] = TypeAdapter(Annotated[Asked, Field(discriminator="do")])


class Done(NamedTuple):
    """What was done to which cone (None: not to one), in words and, where there is more to tell, as plain
    data; ``batch`` in it is the batch it was done to, where that need not be the running one."""

    cone: str | None
    text: str
    facts: dict[str, Any] = {}  # noqa: RUF012 - a NamedTuple's default, never changed


def carry_out(
    store: Store, request: Request, voice: Voice, ramps: Collection[str] = tuple(EXAMPLE_RAMPS)
) -> Done:
    """Do what was asked, inside the caller's transaction; ``ramps``: names that a brood may follow. Raises
    Refused."""
    asked = read_asked(request.body)
    if isinstance(asked, BroodOf):
        return _brood(store, asked, request.made, voice, ramps)
    if isinstance(asked, StockOf):
        return _stock(store, asked, request.made, voice)
    if isinstance(asked, PlanOf):
        return Done(
            None,
            "The plan is issued.",
            {"plan": store.add_plan(request.made, json.dumps(request.body["plan"]))},
        )
    if isinstance(asked, TakeReading):
        return Done(asked.cone, _take_reading(store, asked, request.made, voice))
    if isinstance(asked, Import):
        return Done(asked.cone, _import(store, asked, request.made, voice))
    if isinstance(asked, MarkSeen):
        return _mark_seen(store, asked, request)
    check_cone(asked.cone, store.cones())
    if isinstance(asked, Begin):
        return Done(asked.cone, _begin(store, asked, request.made, voice))
    if isinstance(asked, LookAt):
        return Done(asked.cone, _look(store, asked, request.made, voice))
    if isinstance(asked, CountOf):
        return _count(store, asked, request.made, voice)
    if asked.used_up and not asked.undo:
        return _use_up(store, asked, request.made, voice)
    return Done(asked.cone, _harvest(store, asked, request.made, voice))


def _brood(store: Store, asked: BroodOf, now: datetime, voice: Voice, ramps: Collection[str]) -> Done:
    known = next((each for each in store.broods() if each.name == asked.brood), None)
    if asked.drop:
        if known is None:
            raise Refused(f"There is no brood '{asked.brood}'. All of them: hatchmon brood")
        store.drop_brood(asked.brood)
        return Done(None, f"Brood {asked.brood} is forgotten.")
    if known is None and (asked.fry is None or asked.swam is None):
        raise Refused(
            f"Brood {asked.brood} is new: say how many fry and since when they swim freely: "
            f"hatchmon brood {asked.brood} --fry 120 --swam 2026-03-01"
        )
    today = now.astimezone(voice.zone).date()
    given = {name: getattr(asked, name) for name in ("fry", "mouth", "ramp", "loss_per_day")}
    given |= {"swam": _day(asked.swam), "ends": _day(asked.ends)}
    bare = Brood(asked.brood.strip(), 1, today)
    brood = replace(known or bare, **_changes(given, asked.without, bare))
    check_brood(brood, ramps, today)
    store.keep_brood(brood)
    age = brood.age_days(today)
    since = f"swim freely since {brood.swam}" if age >= 0 else f"are expected to swim freely on {brood.swam}"
    ends = "" if brood.ends is None else f", nauplii until {brood.ends}"
    lost = "" if not brood.loss_per_day else f", {brood.loss_per_day * 100:g} % lost a day"
    return Done(
        None,
        f"Brood {brood.name}: {brood.fry} fry {since}, ramp {brood.ramp_name}{lost}{ends}.",
        {"age_days": age},
    )


def _stock(store: Store, asked: StockOf, now: datetime, voice: Voice) -> Done:
    lot = asked.lot.strip()
    known = next((each for each in store.stock() if each.lot == lot), None)
    if asked.drop:
        if known is None:
            raise Refused(f"Nothing is noted of lot '{lot}'. All of them: hatchmon stock")
        store.drop_stock(lot)
        return Done(None, f"Lot {lot}: no longer counted.")
    if known is None and asked.grams is None:
        raise Refused(f"Lot {lot} is new in stock: say how much is left: hatchmon stock '{lot}' --grams 100")
    given: dict[str, Any] = {
        "grams": asked.grams,
        "opened": _day(asked.opened),
        "price_per_kg": asked.price_per_kg,
    }
    bare = Stock(lot, 0.0)
    stock = replace(known or bare, **_changes(given, asked.without, bare))
    check_stock(stock, now.astimezone(voice.zone).date())
    store.keep_stock(stock, now)
    opened = "" if stock.opened is None else f", opened {stock.opened}"
    price = "" if stock.price_per_kg is None else f", {stock.price_per_kg:g} a kilogram"
    return Done(None, f"Lot {lot}: {stock.grams:g} g in stock{opened}{price}.", {"lot": lot})


def _changes(given: dict[str, Any], without: Sequence[str], bare: object) -> dict[str, Any]:
    """What to put in place: what is ``given``; ``without`` these, what a ``bare`` one has. Raises Refused."""
    new = {name: value for name, value in given.items() if value is not None}
    if both := new.keys() & set(without):
        raise Refused(f"{', '.join(sorted(both))}: say what it is, or that there is none.")
    return new | {name: getattr(bare, name) for name in without}


def _day(text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        raise Refused(f"'{text}' is not a day of the calendar.") from None


def request_schema(ref: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """The JSON schema of a request, and those it refers to by ``ref`` (with ``{model}`` in it), by name."""
    schema = _READ.json_schema(ref_template=ref)
    return schema, schema.pop("$defs")


def read_asked(body: object) -> Asked:
    """The request that decoded JSON means. Raises Refused."""
    try:
        # As JSON, for there true is no number and a text none either.
        return _READ.validate_json(json.dumps(body), strict=True)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        if first["type"] == "json_invalid":
            raise Refused("The request holds characters that are no text.") from None
        if first["type"] == "string_pattern_mismatch" and "cone" in first["loc"]:
            raise Refused("A cone's name has 1 to 32 letters, digits, '-' or '_'.") from None
        where = ".".join(str(part) for part in first["loc"][1:]) or "the request"
        raise Refused(f"{where}: {first['msg']}.") from None


def _begin(store: Store, asked: Begin, now: datetime, voice: Voice) -> str:
    others = store.batches("cone = ?", asked.cone)
    if asked.undo:
        return _take_back_begin(store, asked, others, now, voice)
    if asked.lot is None and asked.grams is None:
        last = batch_to_repeat(asked.cone, others, now, voice)
        given = asked.model_dump(exclude_none=True)
        again = {name: getattr(last, name) for name in ("lot", "grams", "litres", "set_point_c", "salinity")}
        asked = asked.model_copy(update=again | given)
    if asked.lot is None or asked.grams is None:
        raise Refused("Give both lot and grams; or neither, and it is begun as the cone's last one was.")
    batch = Batch(
        batch_id=0,
        cone=asked.cone,
        lot=asked.lot.strip(),
        started=asked.at or now,
        grams=asked.grams,
        litres=asked.litres,
        set_point_c=asked.set_point_c,
        salinity=asked.salinity,
    )
    check_begin(batch, others, now, voice)
    new_lot = not store.batches("lot = ?", batch.lot)
    batch = store.add_batch(batch, "receipt" if asked.at is None else "keeper")
    first = " (its first batch here)" if new_lot else ""
    return (
        f"{asked.cone}: {asked.grams:g} g of lot {batch.lot}{first} begun {voice.time(batch.started, now)}."
    )


def _take_back_begin(
    store: Store, asked: Begin, batches: Sequence[Batch], now: datetime, voice: Voice
) -> str:
    if asked.model_dump(exclude={"do", "cone", "undo"}, exclude_none=True):
        raise Refused("A start is taken back without anything else: leave out the rest.")
    newest = batches[-1].batch_id if batches else 0
    batch = batch_to_take_back(asked.cone, batches, store.looks(newest), store.counts(newest), now, voice)
    store.drop_batch(batch)
    return (
        f"{asked.cone}: took back the start of {voice.time(batch.started, now)} "
        f"({batch.grams:g} g of lot {batch.lot})."
    )


def _look(store: Store, asked: LookAt, now: datetime, voice: Voice) -> str:
    time = asked.at or now
    batch = batch_at(asked.cone, time, store.batches("cone = ?", asked.cone), now, voice)
    doubted = ""
    if asked.undo:
        look = look_to_drop(batch, store.looks(batch.batch_id), asked.at, now, voice)
        store.drop_look(batch.batch_id, look.time)
        done = f"took back '{look.seen}'"
    elif asked.seen is None:
        raise Refused(f"Say what you saw: {', '.join(WORDS)}, or a percentage.")
    else:
        look = Look(batch.batch_id, time, read_look(asked.seen))
        noted = store.looks(batch.batch_id)
        same = same_look(look, noted)
        if same is not None:
            return f"{asked.cone}: '{same.seen}' at {voice.time(same.time, now)} is noted already."
        doubted = doubt_of(look, batch, noted, now, voice)
        store.add_look(look, "receipt" if asked.at is None else "keeper")
        done = f"noted '{look.seen}'"
    if batch.ended is not None:
        work_out_evidence(store, batch)
    when = voice.time(look.time, now)
    return f"{asked.cone}: {done} at {when}, {batch.hours_at(look.time):.1f} h after the start.{doubted}"


def _count(store: Store, asked: CountOf, now: datetime, voice: Voice) -> Done:
    if asked.undo:
        return _take_back_count(store, asked, now, voice)
    if asked.sample_ml is None or not asked.nauplii:
        raise Refused("Say how large a sample was and what was in it: --sample-ml 1 --nauplii 120,133,118")
    time = asked.at or now
    batches = store.batches("cone = ?", asked.cone)
    batch = batch_counted(asked.cone, time, any(asked.nauplii), batches, now, voice)
    count = Count(
        batch.batch_id, time, asked.sample_ml, asked.nauplii, asked.umbrella, asked.unhatched, asked.litres
    )
    check_count(count, batch, store.counts(batch.batch_id), now, voice)
    store.add_count(count, "receipt" if asked.at is None else "keeper")
    if batch.outcome == "harvested":
        work_out_evidence(store, batch)
    when = f"counted at {voice.time(time, now)}"
    if batch.ended is not None and time > batch.ended:
        when += f" for lot {batch.lot}, harvested {voice.time(batch.ended, now)}"
    else:
        when += f", {batch.hours_at(time):.1f} h after the start of lot {batch.lot}"
    samples = samples_of(batch, count)
    per_gram = efficiency(samples)
    return Done(
        asked.cone,
        f"{asked.cone}: {when}. {count_words(samples)}",
        {
            "batch": batch.batch_id,
            "lot": batch.lot,
            "hatched_share": interval_facts(hatching_share(samples), 4),
            "nauplii_per_gram": interval_facts(per_gram, 0),
            "output_mg_per_g": None if per_gram is None else interval_facts(output_mg_per_g(per_gram), 1),
        },
    )


def _take_back_count(store: Store, asked: CountOf, now: datetime, voice: Voice) -> Done:
    recent = store.batches(
        "cone = ? AND coalesce(ended_us, started_us) >= ?", asked.cone, to_us(now - OLDEST_START)
    )
    counts = [count for batch in recent for count in store.counts(batch.batch_id)]
    count = count_to_drop(asked.cone, sorted(counts, key=lambda each: each.time), asked.at, now, voice)
    store.drop_count(count.batch_id, count.time)
    for batch in recent:
        if batch.batch_id == count.batch_id and batch.outcome == "harvested":
            work_out_evidence(store, batch)
    held = ", ".join(map(str, count.nauplii))
    return Done(
        asked.cone,
        f"{asked.cone}: took back the count of {voice.time(count.time, now)} ({held} nauplii).",
        {"batch": count.batch_id},
    )


def interval_facts(interval: Interval | None, digits: int) -> dict[str, float] | None:
    """An 80 % interval as plain data: value, low, high."""
    if interval is None:
        return None
    return {name: round(getattr(interval, name), digits) for name in ("value", "low", "high")}


def _import(store: Store, asked: Import, now: datetime, voice: Voice) -> str:
    noted = noted_batch(asked)
    others = store.batches("cone = ?", asked.cone)
    check_noted(noted, others, asked.cone in store.cones(), now, voice)
    batch = store.add_noted(noted.batch, noted.looks, noted.temp_c, noted.doubt_c)
    work_out_evidence(store, batch)
    begun = voice.time(batch.started, now)
    return f"{asked.cone}: lot {batch.lot}, begun {begun}, taken from the notebook, {len(noted.looks)} looks."


def noted_batch(asked: Import) -> Noted:
    """The batch of a request to import, with its looks in order; it ended with the last. Raises Refused."""
    if not all(0.0 < seen.h <= LONGEST_H for seen in asked.looks):
        raise Refused(f"Looks lie within {LONGEST_H:g} h after the start.")
    started = asked.at.astimezone(UTC)
    looks = sorted(
        (Look(0, started + timedelta(hours=seen.h), read_look(seen.seen)) for seen in asked.looks),
        key=lambda look: look.time,
    )
    batch = Batch(
        batch_id=0,
        cone=asked.cone,
        lot=asked.lot.strip(),
        started=started,
        grams=asked.grams,
        litres=asked.litres,
        salinity=asked.salinity,
        ended=looks[-1].time if looks else started,
        outcome="harvested",
    )
    return Noted(batch, tuple(looks), asked.temp_c, asked.doubt_c)


def _take_back_harvest(store: Store, asked: Harvest, now: datetime, voice: Voice) -> str:
    if asked.discard or asked.used_up or asked.cold_c is not None or asked.at is not None:
        raise Refused("A harvest is taken back without anything else: leave out the rest.")
    batch = batch_to_reopen(asked.cone, store.batches("cone = ?", asked.cone), now, voice)
    if store.noted_water(batch.batch_id) is not None:
        raise Refused(f"The last batch of {asked.cone} comes from a notebook and was over when it was noted.")
    assert batch.ended is not None
    store.reopen_batch(batch.batch_id)
    done = "harvest" if batch.outcome == "harvested" else "discarding"
    return f"{asked.cone}: took back the {done} of {voice.time(batch.ended, now)}; lot {batch.lot} runs on."


def _harvest(store: Store, asked: Harvest, now: datetime, voice: Voice) -> str:
    if asked.undo:
        return _take_back_harvest(store, asked, now, voice)
    time = asked.at or now
    running = store.batches("cone = ? AND ended_us IS NULL", asked.cone)
    if not running:
        raise Refused(f"Nothing is running in {asked.cone}: there is nothing to harvest.")
    batch = running[0]
    if asked.cold_c is not None:
        if asked.discard:
            raise Refused("What is thrown away goes into no cold store: leave out --discard or --cold-c.")
        check_cold(asked.cold_c)
    check_harvest(batch, time, store.looks(batch.batch_id), now, voice)
    outcome: Literal["harvested", "discarded"] = "discarded" if asked.discard else "harvested"
    store.end_batch(batch.batch_id, time, outcome, asked.cold_c)
    batch = replace(batch, ended=time, outcome=outcome, cold_c=asked.cold_c)
    work_out_evidence(store, batch)
    when = voice.time(time, now)
    said = f"{asked.cone}: lot {batch.lot} {outcome} {when}, after {batch.hours_at(time):.1f} h."
    if asked.cold_c is None:
        return said
    limit = voice.time(use_before(batch), now)
    return f"{said} In the cold store at {voice.temp(asked.cold_c)}: use before {limit}. {CARE}"


def _use_up(store: Store, asked: Harvest, now: datetime, voice: Voice) -> Done:
    if asked.discard or asked.cold_c is not None:
        raise Refused("--used-up goes alone or with --at: it ends no batch.")
    time = asked.at or now
    stored = store.batches("cone = ? AND cold_c IS NOT NULL", asked.cone)
    batch = batch_to_use_up(asked.cone, time, stored, now, voice)
    store.use_up(batch.batch_id, time)
    since = voice.time(stored_since(batch)[0], now)
    return Done(
        asked.cone,
        f"{asked.cone}: lot {batch.lot}, in the cold store since {since}, used up {voice.time(time, now)}.",
        {"batch": batch.batch_id, "lot": batch.lot},
    )


def _mark_seen(store: Store, asked: MarkSeen, request: Request) -> Done:
    if asked.cone is not None:
        check_cone(asked.cone, store.cones())
    if asked.undo:
        return _take_back_seen(store, asked)
    titles = store.mark_seen(asked.cone, request.by, request.made)
    of = "" if asked.cone is None else f"{asked.cone}: "
    if not titles:
        return Done(None, f"{of}nothing was waiting to be seen.")
    earlier = f" (and {len(titles) - 1} before it)" if len(titles) > 1 else ""
    return Done(None, f"{of}seen: {titles[-1].removeprefix(of)}{earlier}.")


def _take_back_seen(store: Store, asked: MarkSeen) -> Done:
    titles = store.mark_unseen(asked.cone)
    of = "" if asked.cone is None else f"{asked.cone}: "
    if not titles:
        raise Refused(f"{of}nothing was ever said to have been seen.")
    return Done(None, f"{of}waiting to be seen again: {titles[-1].removeprefix(of)}.")


def _take_reading(store: Store, asked: TakeReading, now: datetime, voice: Voice) -> str:
    time = asked.at or now
    unit = asked.unit or UNITS[asked.quantity][0]
    check_reading(asked.value, asked.quantity, unit, time, now, voice)
    new_cone = asked.cone not in store.cones()
    stream = store.add_stream(asked.cone, asked.quantity, unit, "", now)
    noted = store.raw_at(stream.stream_id, to_us(time))
    if noted is not None:
        raise Refused(
            f"A reading of {noted:g} {unit} is noted for that very moment already; give another time."
        )
    dated_by = "receipt" if asked.at is None else "keeper"
    store.add_readings([NewReading(stream.stream_id, to_us(time), asked.value, Verdict.GOOD, dated_by)])
    made = " It is a new cone." if new_cone else ""
    of = "" if unit == "1" else f" {unit}"
    name = asked.quantity.replace("_", " ")
    return f"{asked.cone}: {name} {asked.value:g}{of} at {voice.time(time, now)} noted.{made}"

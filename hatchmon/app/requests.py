"""What a keeper can ask for, checked and written to the database: begin, look, harvest, reading."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from hatchmon.adapters.store import NewReading, Request, Store, to_us
from hatchmon.app.beliefs import work_out_evidence
from hatchmon.hatchery.batches import (
    batch_at,
    check_begin,
    check_cone,
    check_harvest,
    check_reading,
    look_to_drop,
)
from hatchmon.hatchery.looks import WORDS, read_look
from hatchmon.hatchery.types import Batch, Look, Quantity, Refused, Verdict
from hatchmon.hatchery.units import UNITS
from hatchmon.hatchery.wording import Voice

ConeName = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,32}$")]


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    cone: ConeName
    at: AwareDatetime | None = None


class Begin(_Asked):
    """Start a batch; ``grams`` of cysts, ``set_point_c`` in deg C, ``salinity`` in g/L."""

    do: Literal["begin"] = "begin"
    lot: str
    grams: float
    litres: float | None = None
    set_point_c: float | None = None
    salinity: float | None = None


class LookAt(_Asked):
    """Note what was seen, a word or a percentage; or take back the newest look, or that at ``at``."""

    do: Literal["look"] = "look"
    seen: str | None = None
    undo: bool = False


class Harvest(_Asked):
    """End a batch."""

    do: Literal["harvest"] = "harvest"
    discard: bool = False


class TakeReading(_Asked):
    """A reading by hand, in ``unit`` (the quantity's first unit when left out)."""

    do: Literal["reading"] = "reading"
    value: float
    quantity: Quantity = Quantity.TEMPERATURE
    unit: str | None = None


Asked = Begin | LookAt | Harvest | TakeReading
_READ: TypeAdapter[Asked] = TypeAdapter(Annotated[Asked, Field(discriminator="do")])


def carry_out(store: Store, request: Request, voice: Voice) -> tuple[str, str]:
    """Do what was asked, inside the caller's transaction: (cone, what was done). Raises Refused."""
    asked = _read(request.body)
    if isinstance(asked, TakeReading):
        return asked.cone, _take_reading(store, asked, request.made, voice)
    check_cone(asked.cone, store.cones())
    if isinstance(asked, Begin):
        return asked.cone, _begin(store, asked, request.made, voice)
    if isinstance(asked, LookAt):
        return asked.cone, _look(store, asked, request.made, voice)
    return asked.cone, _harvest(store, asked, request.made, voice)


def _read(body: dict[str, Any]) -> Asked:
    try:
        return _READ.validate_python(body)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        if first["type"] == "string_pattern_mismatch":
            raise Refused("A cone's name has 1 to 32 letters, digits, '-' or '_'.") from None
        where = ".".join(str(part) for part in first["loc"][1:]) or "the request"
        raise Refused(f"{where}: {first['msg']}.") from None


def _begin(store: Store, asked: Begin, now: datetime, voice: Voice) -> str:
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
    check_begin(batch, store.batches("cone = ?", asked.cone), now, voice)
    new_lot = not store.batches("lot = ?", batch.lot)
    batch = store.add_batch(batch, "receipt" if asked.at is None else "keeper")
    first = " (its first batch here)" if new_lot else ""
    return (
        f"{asked.cone}: {asked.grams:g} g of lot {batch.lot}{first} begun {voice.time(batch.started, now)}."
    )


def _look(store: Store, asked: LookAt, now: datetime, voice: Voice) -> str:
    time = asked.at or now
    batch = batch_at(asked.cone, time, store.batches("cone = ?", asked.cone), now, voice)
    if asked.undo:
        look = look_to_drop(batch, store.looks(batch.batch_id), asked.at, now, voice)
        store.drop_look(batch.batch_id, look.time)
        done = f"took back '{look.seen}'"
    elif asked.seen is None:
        raise Refused(f"Say what you saw: {', '.join(WORDS)}, or a percentage.")
    else:
        look = Look(batch.batch_id, time, read_look(asked.seen))
        store.add_look(look, "receipt" if asked.at is None else "keeper")
        done = f"noted '{look.seen}'"
    if batch.ended is not None:
        work_out_evidence(store, batch)
    when = voice.time(look.time, now)
    return f"{asked.cone}: {done} at {when}, {batch.hours_at(look.time):.1f} h after the start."


def _harvest(store: Store, asked: Harvest, now: datetime, voice: Voice) -> str:
    time = asked.at or now
    running = store.batches("cone = ? AND ended_us IS NULL", asked.cone)
    if not running:
        raise Refused(f"Nothing is running in {asked.cone}: there is nothing to harvest.")
    batch = running[0]
    check_harvest(batch, time, store.looks(batch.batch_id), now, voice)
    outcome: Literal["harvested", "discarded"] = "discarded" if asked.discard else "harvested"
    store.end_batch(batch.batch_id, time, outcome)
    work_out_evidence(store, replace(batch, ended=time, outcome=outcome))
    when = voice.time(time, now)
    return f"{asked.cone}: lot {batch.lot} {outcome} {when}, after {batch.hours_at(time):.1f} h."


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
    return f"{asked.cone}: {asked.quantity} {asked.value:g} {unit} at {voice.time(time, now)} noted.{made}"

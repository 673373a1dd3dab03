"""What a keeper may ask for, and when it makes sense: begin, look, harvest, a reading by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta

from hatchmon.hatchery.types import Batch, Look, Quantity, Refused
from hatchmon.hatchery.units import LIMITS, UNITS, fahrenheit, to_inner
from hatchmon.hatchery.wording import Voice

OLDEST_START = timedelta(days=7)
AHEAD_OF_NOW = timedelta(minutes=1)
LONGEST_LOT_NAME = 60


def check_cone(cone: str, cones: Sequence[str]) -> None:
    """Refuse a cone nobody has heard of."""
    if cone not in cones:
        known = f"Known cones: {', '.join(cones)}." if cones else "No cone is known yet."
        raise Refused(
            f"There is no cone called {cone}. {known} A cone appears with its first reading: connect its "
            f"probe, or take one by hand: hatchmon reading {cone} 25.4"
        )


def check_begin(batch: Batch, others: Sequence[Batch], now: datetime, voice: Voice) -> None:
    """Refuse a batch that cannot be; ``others`` are the cone's batches so far."""
    cone = batch.cone
    if not batch.lot.strip() or len(batch.lot) > LONGEST_LOT_NAME or not batch.lot.isprintable():
        raise Refused(f"The lot needs a name of 1 to {LONGEST_LOT_NAME} ordinary characters.")
    _within("The weight of cysts", batch.grams, 0.01, 5000.0, "g")
    if batch.litres is not None:
        _within("The volume", batch.litres, 0.05, 5000.0, "L")
    if batch.set_point_c is not None:
        _within("The set point", batch.set_point_c, 4.0, 40.0, "C (write 77F for Fahrenheit)")
    if batch.salinity is not None:
        _within("The salinity", batch.salinity, 0.0, 200.0, "g/L")
    _not_in_future(batch.started, now, voice, "A batch")
    if now - batch.started > OLDEST_START:
        raise Refused(
            f"{voice.time(batch.started, now)} is more than {OLDEST_START.days} days ago: no hatch takes "
            "that long."
        )
    for other in others:
        if other.ended is None:
            raise Refused(
                f"{cone} still holds lot {other.lot}, begun {voice.time(other.started, now)}. Finish it "
                f"first: hatchmon harvest {cone} (or with --discard)."
            )
        if batch.started < other.ended:
            raise Refused(
                f"{cone} held another batch until {voice.time(other.ended, now)}; this one cannot have begun "
                f"{voice.time(batch.started, now)}."
            )


def batch_at(cone: str, time: datetime, batches: Sequence[Batch], now: datetime, voice: Voice) -> Batch:
    """The batch that was in the cone at ``time``. Raises Refused."""
    _not_in_future(time, now, voice, "What you saw")
    for batch in batches:
        if batch.started <= time and (batch.ended is None or time <= batch.ended):
            return batch
    when = voice.time(time, now)
    if not batches:
        raise Refused(f"Nothing has been begun in {cone} yet: hatchmon begin {cone} --lot LOT --grams G")
    later = [batch.started for batch in batches if batch.started > time]
    if later:
        raise Refused(f"The batch in {cone} was begun only {voice.time(min(later), now)}, after {when}.")
    last = batches[-1]
    assert last.ended is not None
    raise Refused(
        f"{cone} was empty at {when}: its last batch was {last.outcome} {voice.time(last.ended, now)}. "
        f"Begin the next one: hatchmon begin {cone} --lot LOT --grams G"
    )


def check_harvest(batch: Batch, time: datetime, looks: Sequence[Look], now: datetime, voice: Voice) -> None:
    """Refuse an end of a running ``batch`` that comes before what is already noted of it."""
    _not_in_future(time, now, voice, "A harvest")
    if time < batch.started:
        raise Refused(
            f"{batch.cone} was begun {voice.time(batch.started, now)}; it cannot end earlier, at "
            f"{voice.time(time, now)}."
        )
    if looks and looks[-1].time > time:
        raise Refused(
            f"You looked at {batch.cone} at {voice.time(looks[-1].time, now)}, so it was not harvested "
            "before."
        )


def check_reading(
    value: float, quantity: Quantity, unit: str, time: datetime, now: datetime, voice: Voice
) -> None:
    """Refuse a reading by hand that the quantity cannot have."""
    if unit not in UNITS[quantity]:
        raise Refused(f"{quantity} is not measured in {unit}; use {' or '.join(UNITS[quantity])}.")
    low, high = LIMITS[quantity]
    if not math.isfinite(value) or not low <= to_inner(value, unit) <= high:
        if unit == "F":
            low, high = fahrenheit(low), fahrenheit(high)
        of = "" if unit == "1" else f" {unit}"
        raise Refused(f"{value:g}{of} cannot be: {quantity} lies between {low:g} and {high:g}{of}.")
    _not_in_future(time, now, voice, "A reading")


def _within(what: str, value: float, low: float, high: float, unit: str) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise Refused(f"{what} must lie between {low:g} and {high:g} {unit}, not {value:g}.")


def _not_in_future(time: datetime, now: datetime, voice: Voice, what: str) -> None:
    if time > now + AHEAD_OF_NOW:
        raise Refused(f"{what} cannot lie in the future: {voice.time(time, now)} has not come yet.")


def look_to_drop(
    batch: Batch, looks: Sequence[Look], at: datetime | None, now: datetime, voice: Voice
) -> Look:
    """The look to take back: the newest, or the one within half a minute of ``at``. Raises Refused."""
    if not looks:
        raise Refused(f"No look has been noted for the batch in {batch.cone}.")
    if at is None:
        return looks[-1]
    nearest = min(looks, key=lambda look: abs(look.time - at))
    if abs(nearest.time - at) > timedelta(seconds=30):
        noted = ", ".join(f"{voice.time(look.time, now)} ({look.seen})" for look in looks)
        raise Refused(f"No look is noted for {voice.time(at, now)}; there are: {noted}.")
    return nearest

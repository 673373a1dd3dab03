"""What a keeper may ask for, and when it makes sense: begin, look, count, harvest, a reading by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from hatchmon.hatchery.coldstore import in_store
from hatchmon.hatchery.cone_list import in_words
from hatchmon.hatchery.looks import look_bounds
from hatchmon.hatchery.types import Batch, Count, Look, Quantity, Refused
from hatchmon.hatchery.units import LIMITS, UNITS, both_scales, fahrenheit, to_inner
from hatchmon.hatchery.wording import Voice
from hatchmon.science.parameters import COLD_BELOW

OLDEST_START = timedelta(days=7)
AHEAD_OF_NOW = timedelta(minutes=1)
EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)  # as for a probe's own clock
LONGEST_LOT_NAME = 60
AS_BEFORE_WITHIN = timedelta(days=30)
COUNT_WITHIN = timedelta(hours=24)  # harvested nauplii are counted soon or not at all
NO_NAUPLII_BEFORE_H = 6.0  # the first hatch 8 h after the start at 30 C in a compiled table, 2 h allowed
SAME_LOOK = timedelta(minutes=1)
MOST_SAMPLES = 50
MOST_IN_SAMPLE = 100_000


def check_cone(cone: str, cones: Sequence[str]) -> None:
    """Refuse a cone nobody has heard of."""
    if cone not in cones:
        known = f"Known cones: {in_words(cones)}." if cones else "No cone is known yet."
        raise Refused(
            f"There is no cone called {cone}. {known} A cone appears with its first reading: connect its "
            f"probe, or take one by hand: hatchmon reading {cone} 25.4"
        )


def check_begin(batch: Batch, others: Sequence[Batch], now: datetime, voice: Voice) -> None:
    """Refuse a batch that cannot be; ``others`` are the cone's batches so far."""
    cone = batch.cone
    check_facts(batch)
    check_past(batch.started, now, voice, "A batch")
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


def batch_to_repeat(cone: str, batches: Sequence[Batch], now: datetime, voice: Voice) -> Batch:
    """The batch of ``batches``, all those of the cone, that another "as before" is meant to follow. Raises
    Refused."""
    if not batches:
        raise Refused(f"Nothing has been begun in {cone} before: say which lot and how many grams.")
    last = batches[-1]
    if now - last.started > AS_BEFORE_WITHIN:
        raise Refused(
            f"The last batch in {cone} was begun {voice.time(last.started, now)}, more than "
            f"{AS_BEFORE_WITHIN.days} days ago: say which lot and how many grams."
        )
    return last


def batch_to_take_back(
    cone: str,
    batches: Sequence[Batch],
    looks: Sequence[Look],
    counts: Sequence[Count],
    now: datetime,
    voice: Voice,
) -> Batch:
    """The batch of ``batches``, all those of the cone, whose start was a mistake: the newest, with its
    ``looks`` and ``counts``. Raises Refused."""
    if not batches or batches[-1].ended is not None:
        raise Refused(f"Nothing is running in {cone}: there is no start to take back.")
    last = batches[-1]
    if looks or counts:
        newest = max([look.time for look in looks] + [count.time for count in counts])
        noted = voice.time(newest, now)
        raise Refused(
            f"Something was noted of this batch at {noted}: take that back first, or end the batch: "
            f"hatchmon harvest {cone} --discard"
        )
    return last


def batch_to_reopen(cone: str, batches: Sequence[Batch], now: datetime, voice: Voice) -> Batch:
    """The batch of ``batches``, all those of the cone, whose end was a mistake: the last. Raises Refused."""
    if not batches:
        raise Refused(f"Nothing has been harvested from {cone} yet.")
    last = max(batches, key=lambda batch: batch.ended or batch.started)
    running = next((batch for batch in batches if batch.ended is None), None)
    if running is not None:
        begun = voice.time(running.started, now)
        raise Refused(
            f"{cone} has been filled again since, {begun}, with lot {running.lot}. If that is the mistake, "
            f"take it back: hatchmon begin {cone} --undo"
        )
    assert last.ended is not None
    if now - last.ended > OLDEST_START:
        raise Refused(
            f"{cone} was last {last.outcome} {voice.time(last.ended, now)}, more than "
            f"{OLDEST_START.days} days ago: too long to be the slip of a hand."
        )
    return last


def check_facts(batch: Batch) -> None:
    """Refuse a lot's name or an amount that cannot be."""
    if not batch.lot.strip() or len(batch.lot) > LONGEST_LOT_NAME or not batch.lot.isprintable():
        raise Refused(f"The lot needs a name of 1 to {LONGEST_LOT_NAME} ordinary characters.")
    _within("The weight of cysts", batch.grams, 0.01, 5000.0, "g")
    if batch.litres is not None:
        _within("The volume", batch.litres, 0.05, 5000.0, "L")
    if batch.set_point_c is not None:
        _within("The set point", batch.set_point_c, 4.0, 40.0, "C (write 77F for Fahrenheit)")
    if batch.salinity is not None:
        _within("The salinity", batch.salinity, 0.0, 200.0, "g/L")


def batch_at(cone: str, time: datetime, batches: Sequence[Batch], now: datetime, voice: Voice) -> Batch:
    """The batch that was in the cone at ``time``. Raises Refused."""
    check_past(time, now, voice, "What you saw")
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
    check_past(time, now, voice, "A harvest")
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


def check_cold(cold_c: float) -> None:
    """Refuse a cold store that would freeze the nauplii, or not keep them."""
    if not 0.0 < cold_c < COLD_BELOW.value:
        between = f"above {both_scales(0.0)} and below {both_scales(COLD_BELOW.value)}"
        raise Refused(
            f"A cold store for nauplii is {between}, not at {cold_c:g} C (write 39F for Fahrenheit)."
        )


def batch_to_use_up(
    cone: str, time: datetime, batches: Sequence[Batch], now: datetime, voice: Voice
) -> Batch:
    """The batch, of those of a cone, that has been longest in the cold store at ``time``. Raises Refused."""
    check_past(time, now, voice, "Using them up")
    stored = in_store([batch for batch in batches if batch.ended is not None and batch.ended <= time], time)
    if not stored:
        raise Refused(f"No nauplii from {cone} were in the cold store at {voice.time(time, now)}.")
    return stored[0]


def batch_counted(
    cone: str, time: datetime, with_nauplii: bool, batches: Sequence[Batch], now: datetime, voice: Voice
) -> Batch:
    """The batch that samples taken at ``time`` come from. Raises Refused.

    It is the batch in the cone at that time. Where the cone was empty, and within the first six hours of a
    batch, when nothing can have hatched yet, nauplii come from the batch last harvested from the cone, if
    that was at most 24 h before.
    """
    check_past(time, now, voice, "A count")
    within = next((b for b in batches if b.started <= time and (b.ended is None or time <= b.ended)), None)
    before = [
        (batch.ended, batch)
        for batch in batches
        if batch.outcome == "harvested"
        and batch.ended is not None
        and batch.ended < time <= batch.ended + COUNT_WITHIN
    ]
    if within is not None and (
        not before or not with_nauplii or within.hours_at(time) >= NO_NAUPLII_BEFORE_H
    ):
        return within
    if before:
        return max(before, key=lambda each: each[0])[1]
    last = batches[-1] if batches else None
    if last is not None and last.ended is not None and last.ended < time and last.outcome == "harvested":
        raise Refused(
            f"{cone} was harvested {voice.time(last.ended, now)}, more than "
            f"{COUNT_WITHIN / timedelta(hours=1):.0f} h before {voice.time(time, now)}: what is counted so "
            "late tells little of the hatch. If the samples were taken earlier, say when: --at TIME"
        )
    return batch_at(cone, time, batches, now, voice)


def check_count(count: Count, batch: Batch, noted: Sequence[Count], now: datetime, voice: Voice) -> None:
    """Refuse a count that cannot be; ``noted`` are the counts of ``batch`` so far."""
    _within("The volume of a sample", count.sample_ml, 0.001, 1000.0, "ml")
    if count.litres is not None:
        _within("The volume", count.litres, 0.01, 5000.0, "L")
    samples = len(count.nauplii)
    if not 1 <= samples <= MOST_SAMPLES:
        raise Refused(f"Give the nauplii of 1 to {MOST_SAMPLES} samples, not of {samples}.")
    litres = count.litres if count.litres is not None else batch.litres
    if litres is not None and count.sample_ml * samples > 1000.0 * litres:
        raise Refused(
            f"{samples} x {count.sample_ml:g} ml is more than the {litres:g} L they were drawn from: "
            "--sample-ml is the volume of one sample."
        )
    for name, numbers in (("umbrella", count.umbrella), ("unhatched", count.unhatched)):
        if numbers and len(numbers) != samples:
            raise Refused(
                f"There are nauplii of {samples} samples, but {name} of {len(numbers)}: give a number for "
                "every sample, 0 where there were none."
            )
    for name in ("nauplii", "umbrella", "unhatched"):
        for number in getattr(count, name):
            if not 0 <= number <= MOST_IN_SAMPLE:
                raise Refused(
                    f"{name}: {str(number)[:20]} cannot be; a sample holds 0 to {MOST_IN_SAMPLE:,} of them."
                )
    if not any((*count.nauplii, *count.umbrella, *count.unhatched)) and count.unhatched:
        raise Refused("Nothing was in these samples: take them from stirred water, or larger ones.")
    if any(other.time == count.time for other in noted):
        raise Refused(
            f"A count is noted for {voice.time(count.time, now)} already; take it back first: "
            f"hatchmon count {batch.cone} --undo --at TIME"
        )


def check_reading(
    value: float, quantity: Quantity, unit: str, time: datetime, now: datetime, voice: Voice
) -> None:
    """Refuse a reading by hand that the quantity cannot have."""
    if unit not in UNITS[quantity]:
        raise Refused(f"{quantity} is not measured in {unit}; use {' or '.join(UNITS[quantity])}.")
    low, high = LIMITS[quantity]
    if not math.isfinite(value) or not low <= to_inner(value, unit) <= high:
        hint = ""
        for other in UNITS[quantity]:
            if other != unit and math.isfinite(value) and low <= to_inner(value, other) <= high:
                hint = f" If it is in {other}, say so: --unit {other}"
        if unit == "F":
            low, high = fahrenheit(low), fahrenheit(high)
        of = "" if unit == "1" else f" {unit}"
        raise Refused(f"{value:g}{of} cannot be: {quantity} lies between {low:g} and {high:g}{of}.{hint}")
    check_past(time, now, voice, "A reading")


def _within(what: str, value: float, low: float, high: float, unit: str) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise Refused(f"{what} must lie between {low:g} and {high:g} {unit}, not {value:g}.")


def check_past(time: datetime, now: datetime, voice: Voice, what: str) -> None:
    """Refuse a time still to come, or one that no keeper means; ``what`` begins the sentence."""
    if time > now + AHEAD_OF_NOW:
        raise Refused(f"{what} cannot lie in the future: {voice.time(time, now)} has not come yet.")
    if time < EARLIEST:
        raise Refused(f"{what} cannot lie before the year {EARLIEST.year}: give the time it was noted.")


def doubt_of(look: Look, batch: Batch, noted: Sequence[Look], now: datetime, voice: Voice) -> str:
    """Why a look is hard to believe beside those ``noted`` of its batch, and how to mend it; or nothing."""
    low, high, _ = look_bounds(look.seen)
    for other in noted:
        other_low, other_high, _ = look_bounds(other.seen)
        if (look.time > other.time and high <= other_low) or (look.time < other.time and low >= other_high):
            return (
                f" It contradicts '{other.seen}' at {voice.time(other.time, now)}: nothing unhatches. Take "
                f"back the slip of the pen (hatchmon look {batch.cone} --undo --at TIME)."
            )
    if low > -math.inf and batch.hours_at(look.time) < NO_NAUPLII_BEFORE_H:
        return (
            f" Nothing can have hatched before {NO_NAUPLII_BEFORE_H:g} h: if the start was noted late or the "
            f"look belongs to another batch, take it back (hatchmon look {batch.cone} --undo)."
        )
    return ""


def same_look(look: Look, noted: Sequence[Look]) -> Look | None:
    """The look of those ``noted`` of its batch that ``look`` repeats: a double tap, a message sent twice. It
    would count twice in learning; whoever looks again minutes later means it."""
    return next(
        (each for each in noted if each.seen == look.seen and abs(each.time - look.time) < SAME_LOOK), None
    )


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


def count_to_drop(
    cone: str, counts: Sequence[Count], at: datetime | None, now: datetime, voice: Voice
) -> Count:
    """The count to take back of those of a cone, oldest first: the newest, or the one within half a minute of
    ``at``. Raises Refused."""
    if not counts:
        raise Refused(f"No count has been noted for {cone} in the last {OLDEST_START.days} days.")
    if at is None:
        return counts[-1]
    nearest = min(counts, key=lambda count: abs(count.time - at))
    if abs(nearest.time - at) > timedelta(seconds=30):
        noted = ", ".join(voice.time(count.time, now) for count in counts)
        raise Refused(f"No count is noted for {voice.time(at, now)}; there are: {noted}.")
    return nearest

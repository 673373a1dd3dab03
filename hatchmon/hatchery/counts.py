"""What a keeper's sample counts say of a batch and of its lot."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from hatchmon.hatchery.types import Batch, Count
from hatchmon.science.yields import (
    Interval,
    Measure,
    Samples,
    efficiency,
    falling_off,
    hatching_share,
    output_mg_per_g,
    pooled_efficiency,
    pooled_share,
)

NEAR_END_H = 2.0
CYSTS_PER_GRAM = 400_000.0  # no tin has more; from memory, unverified


def samples_of(batch: Batch, count: Count) -> Samples:
    """A count with the cysts that went into its samples.

    The water sampled is what the count says, or the batch's own while it was in the cone. Once harvested the
    nauplii stand in other water: without its litres nothing can be said of them per gram.
    """
    litres = count.litres
    if litres is None and (batch.ended is None or count.time <= batch.ended):
        litres = batch.litres
    grams = None
    if litres is not None:
        grams = batch.grams * count.sample_ml * len(count.nauplii) / (1000.0 * litres)
    return Samples(count.nauplii, count.umbrella, count.unhatched, grams)


def near_complete(batch: Batch, count: Count, t90_h: float | None) -> bool:
    """Whether a count was taken at or near complete hatch: from ``t90_h``, when 90 % were expected to have
    hatched, or from two hours before a harvest."""
    hours = batch.hours_at(count.time)
    from_h = [] if t90_h is None else [t90_h]
    if batch.outcome == "harvested" and batch.ended is not None:
        from_h.append(batch.hours_at(batch.ended) - NEAR_END_H)
    return bool(from_h) and hours >= min(from_h)


@dataclass(frozen=True, slots=True)
class Falling:
    """A lot gives less: by ``drop`` (0 to 1) in ``measure`` over its newest ``batches``, from ``since``."""

    measure: Measure
    batches: int
    since: datetime
    drop: Interval


@dataclass(frozen=True, slots=True)
class LotYield:
    """What a lot's counts say: ``counted`` batches with a count near complete hatch, hatched share of full
    cysts (0 to 1), nauplii and mg of dry nauplii per gram of cysts; None where not counted."""

    counted: int
    share: Interval | None
    per_gram: Interval | None
    output_mg: Interval | None
    falling: Falling | None


def lot_hatchability(
    batches: Iterable[tuple[Batch, Sequence[Count], float | None]],
) -> tuple[float, float] | None:
    """Beta parameters of the share of full cysts that ever hatch, from a lot's counts near complete hatch
    (batches as for ``lot_yield``); None without any."""
    found = [
        samples_of(batch, count)
        for batch, counts, t90_h in batches
        for count in counts
        if near_complete(batch, count, t90_h)
    ]
    shares = [samples for samples in found if hatching_share(samples) is not None]
    return pooled_share(shares).beta if shares else None


def lot_yield(batches: Iterable[tuple[Batch, Sequence[Count], float | None]]) -> LotYield:
    """One lot's batches, oldest first, each with its counts, oldest first, and the hours to 90 % hatched last
    expected of it. Of each batch the last count near complete hatch that has a measure serves for it."""
    counted = 0
    shares: list[tuple[Batch, Samples]] = []
    numbers: list[tuple[Batch, Samples]] = []
    for batch, counts, t90_h in batches:
        found = [samples_of(batch, count) for count in counts if near_complete(batch, count, t90_h)]
        counted += bool(found)
        with_share = [samples for samples in found if hatching_share(samples) is not None]
        with_grams = [samples for samples in found if samples.grams is not None]
        shares += [(batch, samples) for samples in with_share[-1:]]
        numbers += [(batch, samples) for samples in with_grams[-1:]]
    per_gram = pooled_efficiency(samples for _, samples in numbers)
    return LotYield(
        counted=counted,
        share=pooled_share(samples for _, samples in shares).level if shares else None,
        per_gram=per_gram,
        output_mg=None if per_gram is None else output_mg_per_g(per_gram),
        falling=_falling(shares, "share") if len(shares) >= len(numbers) else _falling(numbers, "efficiency"),
    )


def _falling(counted: Sequence[tuple[Batch, Samples]], measure: Measure) -> Falling | None:
    fall = falling_off([samples for _, samples in counted], measure)
    if fall is None:
        return None
    return Falling(measure, fall.batches, counted[-fall.batches][0].started, fall.drop)


# --- in words --------------------------------------------------------------------------------


def count_words(samples: Samples) -> str:
    """What a count says, in sentences; what is missing for the rest."""
    share, per_gram = hatching_share(samples), efficiency(samples)
    said = []
    if share is not None:
        low, value, high = (100.0 * each for each in (share.low, share.value, share.high))
        said.append(f"About {value:.0f} % of full cysts hatched, between {low:.0f} and {high:.0f} %.")
    elif not samples.unhatched:
        said.append("For the hatching percentage count unhatched full cysts too: --unhatched.")
    if per_gram is None:
        said.append("For nauplii per gram say how much water the samples were drawn from: --litres.")
    else:
        output = output_mg_per_g(per_gram)
        said.append(
            f"About {_thousands(per_gram.value)} nauplii per gram of cysts, between "
            f"{_thousands(per_gram.low)} and {_thousands(per_gram.high)}: {output.value:.0f} mg dry, between "
            f"{output.low:.0f} and {output.high:.0f}."
        )
        if per_gram.low > CYSTS_PER_GRAM:
            said.append("That is more than the cysts in a gram: check grams, litres and --sample-ml.")
    return " ".join(said)


def percent_words(share: Interval) -> str:
    """``71 % (66 to 75)``."""
    low, value, high = (100.0 * each for each in (share.low, share.value, share.high))
    return f"{value:.0f} % ({low:.0f} to {high:.0f})"


def per_gram_words(per_gram: Interval) -> str:
    """``182,000 (160,000 to 205,000)``."""
    low, value, high = (_thousands(each) for each in (per_gram.low, per_gram.value, per_gram.high))
    return f"{value} ({low} to {high})"


def falling_words(falling: Falling) -> str:
    """What a fall of a lot means, after its name; the advice is common practice, no source."""
    what = "hatch" if falling.measure == "share" else "nauplii per gram"
    return (
        f"is falling off: its last {falling.batches} counted batches gave {percent_words(falling.drop)} less "
        f"{what} than those before. Keep it cold, dry and sealed, or plan with more grams."
    )


def _thousands(number: float) -> str:
    return f"{round(number, -3):,.0f}" if number >= 10_000.0 else f"{number:,.0f}"

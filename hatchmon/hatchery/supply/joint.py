"""What a plan is worth: all its batches and feedings together, draw by draw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hatchmon.hatchery.supply.keeper import Presence
from hatchmon.hatchery.supply.patterns import at_hand
from hatchmon.hatchery.supply.sources import BATCHES, SETS, Outcome
from hatchmon.science.normal import Floats

_ROUNDS = 4  # each set of a lot's unknowns is played so often, with other batches
DRAWS = SETS * _ROUNDS
_LEVELS = (0.1, 0.5, 0.9)


@dataclass(frozen=True, slots=True)
class Played:
    """A batch to play. ``outcome``: hours from the origin, as planned, and all its nauplii; ``cone`` it
    stands in (None: harvested), ``start_h`` (None: begun already), ``cleaning_h`` after it, ``cold_until_h``
    where it is in a cold store already; ``seed``: the same batch has the same draws in every plan."""

    lot: int
    outcome: Outcome
    seed: int
    cone: str | None = None
    start_h: float | None = None
    cleaning_h: float = 0.0
    cold_until_h: float | None = None


@dataclass(frozen=True, slots=True)
class Worth:
    """``chance`` (feedings,) that each is covered in full; ``short`` (feedings,) share of its nauplii missing
    on average; ``covered`` (feedings, draws); by batch the mean number ``fed`` and ``wasted``; ``hand``
    (hours, 3) and ``instar1`` (hours, 3): usable nauplii, and those of the first stage, at hand at each of
    the hours asked for, 10, 50 and 90 %."""

    chance: Floats
    short: Floats
    covered: NDArray[np.bool_]
    fed: Floats
    wasted: Floats
    hand: Floats
    instar1: Floats


def play(
    batches: Sequence[Played],
    feedings_h: Floats,
    instar1: Floats,
    usable: Floats,
    presence: Presence,
    cold_h: float,
    hours: Floats,
) -> Worth:
    """Feed from the oldest batch that serves, the strict needs first. ``feedings_h``, ``instar1``, ``usable``
    (f,): when, and how many nauplii of either kind."""
    drawn = _drawn(batches, presence)
    left = np.stack([each.nauplii for each, _ in drawn]) if drawn else np.zeros((0, DRAWS))
    total = left.copy()
    order = sorted(range(len(drawn)), key=lambda i: float(np.median(drawn[i][0].opens_h)))
    spans = [(float(o.opens_h.min()), float(o.usable_h.max())) for o, _ in drawn]
    spans = [
        (first, max(last, float(h[np.isfinite(h)].max(initial=0.0)) + cold_h))
        for (first, last), (_, h) in zip(spans, drawn, strict=True)
    ]
    chance, short = np.zeros(feedings_h.size), np.zeros(feedings_h.size)
    covered = np.zeros((feedings_h.size, DRAWS), dtype=np.bool_)
    hand, first_stage = np.zeros((hours.size, 3)), np.zeros((hours.size, 3))
    moments = sorted(
        [(float(h), 0, i) for i, h in enumerate(feedings_h)] + [(float(h), 1, i) for i, h in enumerate(hours)]
    )
    for time_h, what, number in moments:
        near = [i for i in order if spans[i][0] <= time_h + 1e-9 <= spans[i][1] + 1e-6]
        if what == 1:
            for out, strict in ((hand, False), (first_stage, True)):
                there = np.zeros(DRAWS)
                for i in near:
                    there += left[i] * _serves(drawn[i], batches[i], time_h, strict, cold_h)
                out[number] = np.quantile(there, _LEVELS)
            continue
        missing = np.zeros(DRAWS)
        for need, strict in ((instar1[number], True), (usable[number], False)):
            wanted = np.full(DRAWS, need)
            for i in near:
                if need <= 0.0:
                    break
                taken = np.minimum(left[i], wanted) * _serves(drawn[i], batches[i], time_h, strict, cold_h)
                left[i] -= taken
                wanted -= taken
            missing += wanted
        need = instar1[number] + usable[number]
        covered[number] = missing <= 1e-6 * need
        chance[number] = covered[number].mean()
        short[number] = missing.mean() / need if need > 0.0 else 0.0
    fed = (total - left).mean(axis=1)
    return Worth(chance, short, covered, fed, left.mean(axis=1), hand, first_stage)


def _serves(
    drawn: tuple[Outcome, Floats], batch: Played, time_h: float, strict: bool, cold_h: float
) -> NDArray[np.bool_]:
    outcome, harvest = drawn
    if batch.cold_until_h is not None:
        return np.full(DRAWS, time_h <= batch.cold_until_h)
    return at_hand(outcome, harvest, time_h, strict, 0.0 if batch.cone is None else cold_h)


def _drawn(batches: Sequence[Played], presence: Presence) -> list[tuple[Outcome, Floats]]:
    """Every batch's outcome in DRAWS draws and when it is harvested. A batch whose cone is not free when it
    is due begins when it is, at the keeper's next hour."""
    drawn: dict[int, tuple[Outcome, Floats]] = {}
    free: dict[str, Floats] = {}
    begun = sorted(range(len(batches)), key=lambda i: -np.inf if (s := batches[i].start_h) is None else s)
    for i in begun:
        batch = batches[i]
        version = np.random.default_rng(batch.seed).integers(BATCHES, size=DRAWS)
        # The i-th set of one lot has nothing to do with the i-th of another.
        lot = np.random.default_rng(batch.lot + 1).permutation(SETS) if batch.lot else np.arange(SETS)
        which = np.tile(lot, _ROUNDS)
        outcome = Outcome(*(getattr(batch.outcome, name)[version, which] for name in Outcome.__slots__))
        if batch.cone is not None and batch.start_h is not None and batch.cone in free:
            late = free[batch.cone] > batch.start_h + 1e-9
            start = np.where(late, presence.next_h(free[batch.cone]), batch.start_h)
            shift = np.where(np.isfinite(start), start, 1e6) - batch.start_h
            outcome = Outcome(
                outcome.opens_h + shift, outcome.closes_h + shift, outcome.usable_h + shift, outcome.nauplii
            )
        harvest = outcome.opens_h if batch.cone is None else presence.next_h(outcome.opens_h)
        if batch.cone is not None:
            free[batch.cone] = harvest + batch.cleaning_h
        drawn[i] = (outcome, harvest)
    return [drawn[i] for i in range(len(batches))]

"""Every start there could be, with the feedings it could serve and the grams that takes.

A pattern is a start (kind of cone, lot, quarter of an hour) with a set of the needs it serves. A need is the
part of a feeding that one batch shall cover, with the chance wanted. For a need alone with its batch the
chance is exact over the joint draws of opening, closing, usable limit and yield: of the draws in which
nauplii are at hand and good enough, the wanted share must also yield enough for it and for all the batch
serves before it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from hatchmon.hatchery.supply.keeper import STEP_H, Presence
from hatchmon.hatchery.supply.sources import Courses, OnHand, Outcome, PlanCone, PlanLot
from hatchmon.science.normal import Floats

Ints = NDArray[np.int64]
GRAM_STEP = 0.1  # what a keeper can weigh
ALL_SETS_UP_TO = 5  # needs: beyond it only sets without gaps in time
_AT_ONCE = 400


@dataclass(frozen=True, slots=True)
class Need:
    """A part of feeding number ``feeding`` at ``time_h``: ``nauplii`` for each of ``parts`` batches at most,
    of the first stage or not, wanted with chance ``wanted``."""

    feeding: int
    time_h: float
    instar1: bool
    nauplii: float
    wanted: float
    parts: int = 1


@dataclass(frozen=True, slots=True)
class ConeKind:
    """Exchangeable cones: ``cones`` all alike; ``free_h``: when each is free, hours from the origin."""

    cones: tuple[PlanCone, ...]
    free_h: tuple[float, ...]

    @property
    def one(self) -> PlanCone:
        """Any of them."""
        return self.cones[0]


@dataclass(frozen=True, slots=True)
class Patterns:
    """Columns of the program, n in all. ``source``: index of the on-hand batch, -1 for a start; ``kind``,
    ``lot``: indices, -1 for what is on hand; ``start``, ``free``: quarters of an hour from the origin;
    ``grams``; ``needs``, ``times`` (n, w): the needs served and how many parts of each, padded with -1 and
    0."""

    source: Ints
    kind: Ints
    lot: Ints
    start: Ints
    free: Ints
    grams: Floats
    needs: Ints
    times: Ints

    @property
    def size(self) -> int:
        """How many."""
        return int(self.grams.size)


def enough(available: NDArray[np.bool_], nauplii: Floats, wanted: float) -> Floats:
    """(c,) the most nauplii (or nauplii per gram) that are at hand in at least ``wanted`` of the draws;
    ``available`` (c, m), ``nauplii`` (m,) or (c, m)."""
    at = np.where(available, nauplii, 0.0)
    kth = at.shape[1] - int(np.ceil(wanted * at.shape[1] - 1e-9))
    kth = min(max(kth, 0), at.shape[1] - 1)
    return np.asarray(np.partition(at, kth, axis=1)[:, kth], dtype=np.float64)


def at_hand(
    outcome: Outcome, harvest_h: Floats, time_h: float | Floats, instar1: bool, cold_h: float
) -> NDArray[np.bool_]:
    """In which draws nauplii of a batch serve at ``time_h``: harvested by then, at ``harvest_h``, and within
    their window (``instar1``) or usable limit, or in time into a cold store and there no longer than
    ``cold_h``."""
    limit = outcome.closes_h if instar1 else outcome.usable_h
    kept = (harvest_h <= limit) & (time_h <= harvest_h + cold_h) if cold_h > 0.0 else False
    return np.asarray((harvest_h <= time_h + 1e-9) & ((time_h <= limit + 1e-9) | kept), dtype=np.bool_)


def sets_of(needs: Sequence[Need]) -> Iterator[tuple[int, ...]]:
    """Which of the needs, in order of time, a batch may serve together: all sets of a few; of more only runs
    of feedings, in each run of both stages the needs of the first stage up to some feeding, or of one
    alone."""
    count = len(needs)
    if count <= ALL_SETS_UP_TO:
        for size in range(1, count + 1):
            yield from combinations(range(count), size)
        return
    strict = [i for i in range(count) if needs[i].instar1]
    rest = [i for i in range(count) if not needs[i].instar1]
    seen: set[tuple[int, ...]] = set()
    runs = [
        each[a:b] for each in (strict, rest) for a in range(len(each)) for b in range(a + 1, len(each) + 1)
    ]
    for run in runs:
        seen.add(tuple(run))
    for a in range(len(rest)):
        for b in range(a + 1, len(rest) + 1):
            for c in range(len(strict)):
                for d in range(c + 1, len(strict) + 1):
                    seen.add(tuple(sorted(rest[a:b] + strict[c:d])))
    yield from sorted(seen)


class Builder:
    """Gathers patterns of starts and of what is on hand."""

    def __init__(
        self, needs: Sequence[Need], presence: Presence, cold_h: float, least_g: float, free_chance: float
    ) -> None:
        self.needs = sorted(needs, key=lambda need: (need.time_h, not need.instar1))
        self._times = np.array([need.time_h for need in self.needs])
        self._presence = presence
        self._cold_h = cold_h
        self._least_g = least_g
        self._free_chance = free_chance
        self._width = 1
        self._blocks: list[tuple[Floats | Ints, ...]] = []
        self.reach: Floats = np.zeros(len(self.needs))  # by need, the best chance of a batch to be at hand

    def add_starts(
        self, number: int, kind: ConeKind, lot_number: int, lot: PlanLot, starts_h: Floats, courses: Courses
    ) -> None:
        """Every start of ``lot`` in a cone of ``kind`` at one of ``starts_h``."""
        top_g = kind.one.most_g if lot.stock_g is None else min(kind.one.most_g, lot.stock_g)
        for first in range(0, starts_h.size, _AT_ONCE):
            some = starts_h[first : first + _AT_ONCE]
            steady = kind.one.water.cycle is None
            outcomes = [courses.of(kind.one, lot, float(start)) for start in (some[:1] if steady else some)]
            opens, closes, usable = (
                np.array([getattr(each, name).ravel() for each in outcomes]) + some[:, None]
                for name in ("opens_h", "closes_h", "usable_h")
            )
            whole = Outcome(opens, closes, usable, outcomes[0].nauplii.ravel())
            harvest = self._presence.next_h(opens)
            free_h = np.quantile(harvest, self._free_chance, axis=1, method="higher") + kind.one.cleaning_h
            # Beyond the horizon it makes no difference when.
            free = np.ceil(np.minimum(free_h, 1e6) / STEP_H - 1e-9).astype(np.int64)
            start = np.rint(some / STEP_H).astype(np.int64)
            yields = self._yields(whole, harvest)
            self._served(number, lot_number, start, free, yields, top_g)

    def add_on_hand(self, number: int, source: OnHand) -> None:
        """What is there, or on its way, without a start."""
        outcome = Outcome(*(getattr(source.outcome, name).reshape(1, -1) for name in Outcome.__slots__))
        harvest = outcome.opens_h if source.cone is None else self._presence.next_h(outcome.opens_h)
        cold_h = 0.0 if source.cone is None else self._cold_h  # what stands there stays where it is
        if source.cold_until_h is not None:
            until = np.full_like(outcome.opens_h, source.cold_until_h)
            outcome = Outcome(outcome.opens_h, until, until, outcome.nauplii)
        yields = self._yields(outcome, harvest, cold_h)
        none = np.full(1, -1, dtype=np.int64)
        self._served(-1, -1, none, none, yields, 1.0, number)

    def _yields(self, outcome: Outcome, harvest: Floats, cold_h: float | None = None) -> Floats:
        """(starts, needs) the most nauplii per gram to count on for each need; 0 where it cannot be
        served."""
        cold_h = self._cold_h if cold_h is None else cold_h
        found = np.zeros((outcome.opens_h.shape[0], len(self.needs)))
        first = outcome.opens_h.min(axis=1)
        last = outcome.usable_h.max(axis=1)
        if cold_h > 0.0:
            latest = np.where(np.isfinite(harvest), harvest, 0.0).max(axis=1)
            last = np.maximum(last, latest + cold_h)
        for number, need in enumerate(self.needs):
            rows = np.flatnonzero((first <= need.time_h + 1e-9) & (need.time_h <= last + 1e-9))
            if rows.size:
                part = Outcome(
                    outcome.opens_h[rows], outcome.closes_h[rows], outcome.usable_h[rows], outcome.nauplii
                )
                fit = at_hand(part, harvest[rows], need.time_h, need.instar1, cold_h)
                shares = fit.mean(axis=1)
                self.reach[number] = max(self.reach[number], float(shares.max()))
                some = shares >= need.wanted - 1e-9
                found[rows[some], number] = enough(fit[some], outcome.nauplii, need.wanted)
        return found

    def _served(
        self, kind: int, lot: int, start: Ints, free: Ints, yields: Floats, top_g: float, source: int = -1
    ) -> None:
        can = yields > 0.0
        can &= self._nauplii * self._least_part(yields) <= top_g + 1e-9
        groups: dict[bytes, list[int]] = {}
        for row in np.flatnonzero(can.any(axis=1)):
            groups.setdefault(can[row].tobytes(), []).append(int(row))
        for members in groups.values():
            rows = np.array(members)
            which = np.flatnonzero(can[rows[0]])
            needs = [self.needs[i] for i in which]
            most = max(need.parts for need in needs)
            for chosen in sets_of(needs):
                picked = which[list(chosen)]
                # With parts to share out, as many of each at once.
                for times in range(1, most + 1):
                    taken = np.array([min(times, self.needs[i].parts) for i in picked])
                    if times > int(taken.max()):
                        break
                    amounts = self._nauplii[picked] * taken
                    moments = self._times[picked]
                    until = (amounts[None, :] * (moments[None, :] <= moments[:, None])).sum(axis=1)
                    grams = (until / yields[np.ix_(rows, picked)]).max(axis=1)
                    if source < 0:
                        grams = np.maximum(np.ceil(grams / GRAM_STEP - 1e-6) * GRAM_STEP, self._least_g)
                    keep = grams <= top_g + 1e-9
                    if not keep.any():
                        break
                    self._keep(
                        kind, lot, start[rows[keep]], free[rows[keep]], grams[keep], picked, taken, source
                    )

    @property
    def _nauplii(self) -> Floats:
        return np.array([need.nauplii for need in self.needs])

    @staticmethod
    def _least_part(yields: Floats) -> Floats:
        return np.asarray(1.0 / np.maximum(yields, 1e-300), dtype=np.float64)

    def _keep(
        self,
        kind: int,
        lot: int,
        start: Ints,
        free: Ints,
        grams: Floats,
        picked: Ints,
        taken: Ints,
        source: int,
    ) -> None:
        count = grams.size
        self._width = max(self._width, picked.size)
        same = np.ones(count, dtype=np.int64)
        self._blocks.append((source * same, kind * same, lot * same, start, free, grams, picked, taken))

    def patterns(self) -> Patterns:
        """All that were added."""
        parts: list[list[NDArray[np.float64] | Ints]] = [[] for _ in range(8)]
        for source, kind, lot, start, free, grams, picked, taken in self._blocks:
            needs = np.full((grams.size, self._width), -1, dtype=np.int64)
            times = np.zeros((grams.size, self._width), dtype=np.int64)
            needs[:, : picked.size], times[:, : picked.size] = picked, taken
            for part, each in zip(parts, (source, kind, lot, start, free, grams, needs, times), strict=True):
                part.append(each)
        if not self._blocks:
            empty, wide = np.zeros(0, dtype=np.int64), np.zeros((0, 1), dtype=np.int64)
            return Patterns(empty, empty, empty, empty, empty, np.zeros(0), wide, wide)
        joined = [np.concatenate(part) for part in parts]
        source, kind, lot, start, free = (each.astype(np.int64) for each in joined[:5])
        needs, times = (each.astype(np.int64) for each in joined[6:])
        return Patterns(source, kind, lot, start, free, joined[5].astype(np.float64), needs, times)

"""The choice among patterns: chances by counting draws, optimality against trying everything."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hatchmon.adapters.solver import Highs
from hatchmon.hatchery.supply.keeper import Presence
from hatchmon.hatchery.supply.patterns import Builder, Need, enough, sets_of
from hatchmon.hatchery.supply.plan import kinds_of
from hatchmon.hatchery.supply.program import MISSED, Choice, choose
from hatchmon.hatchery.supply.sources import Courses, PlanCone, PlanLot
from hatchmon.science.nauplii import Thresholds
from hatchmon.science.normal import Floats
from tests.hatchery.supply.invented import ORIGIN, cone, lot

ALWAYS = Presence(np.array([[0.0, 400.0]]))
HANDLING_G = 0.5


@given(st.integers(1, 60), st.floats(0.05, 1.0), st.integers(0, 2**32))
def test_enough_is_the_most_that_so_many_draws_have(draws: int, wanted: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    there, nauplii = rng.random((1, draws)) < 0.8, rng.random(draws)
    found = float(enough(there, nauplii, wanted)[0])
    having = np.where(there, nauplii, 0.0)[0]
    assert (having >= found).mean() >= wanted - 1e-9
    assert found == having.max() or (having > found).mean() < wanted


def test_a_few_needs_are_served_in_every_set_and_many_in_runs() -> None:
    def needs(strict: int, rest: int) -> list[Need]:
        return [Need(i, float(i), i < strict, 1.0, 0.9) for i in range(strict + rest)]

    assert len(list(sets_of(needs(0, 4)))) == 15
    assert len(list(sets_of(needs(0, 8)))) == 8 * 9 // 2
    both = list(sets_of(needs(3, 5)))
    assert len(both) == len(set(both)) == 6 + 15 + 6 * 15


def _instance(rng: np.random.Generator) -> tuple[list[PlanCone], PlanLot, list[Need], Floats]:
    """A small question: cones, partly alike, one lot, feedings, and the quarters at which to begin."""
    temps = rng.choice([24.0, 26.0, 28.0], size=2)
    cones = [cone(f"c{i}", float(temps[i]), float(rng.choice([0.5, 1.0, 2.0]))) for i in range(2)]
    if rng.random() < 0.5:
        cones[1] = cone("c1", float(temps[0]), cones[0].litres)
    river = lot(sd=float(rng.uniform(0.01, 0.1)))
    times = np.sort(rng.uniform(20.0, 70.0, size=rng.integers(2, 5)))
    needs = [
        Need(
            i,
            float(at),
            bool(rng.random() < 0.2),
            float(rng.uniform(2e4, 4e5)),
            float(rng.choice([0.7, 0.9])),
        )
        for i, at in enumerate(times)
    ]
    starts = np.unique(np.round(rng.uniform(0.0, 44.0, size=3) * 4.0) / 4.0)
    return cones, river, needs, starts


def _chosen(
    cones: list[PlanCone], river: PlanLot, needs: list[Need], starts: Floats, cold_h: float
) -> Choice:
    builder = Builder(needs, ALWAYS, cold_h, 0.1, 0.9)
    courses = Courses(ORIGIN, Thresholds())
    found = kinds_of(cones, {})
    for number, kind in enumerate(found):
        builder.add_starts(number, kind, 0, river, starts, courses)
    patterns = builder.patterns()
    cost = patterns.grams + HANDLING_G
    return choose(patterns, cost, builder.needs, found, 0, [river.stock_g], Highs(20.0))


def _try_everything(
    cones: list[PlanCone], river: PlanLot, needs: list[Need], starts: Floats, cold_h: float
) -> tuple[int, float]:
    """(needs missed, cost) of the best of all assignments of needs to starts in single cones, the grams of
    each raised by tenths until the draws say that they are enough."""
    courses = Courses(ORIGIN, Thresholds())
    begun = [(each, float(start)) for each in cones for start in starts]

    def batch(number: int, served: tuple[int, ...]) -> tuple[float, float]:
        """(grams, when the cone is free)."""
        where, start = begun[number]
        outcome = courses.of(where, river, start)
        opens, closes, usable = (
            (each + start).ravel() for each in (outcome.opens_h, outcome.closes_h, outcome.usable_h)
        )
        free = float(np.quantile(opens, 0.9, method="higher")) + where.cleaning_h
        grams = 0.1
        while grams <= where.most_g + 1e-9:
            sure = True
            for need in served:
                until = sum(needs[i].nauplii for i in served if needs[i].time_h <= needs[need].time_h)
                limit = closes if needs[need].instar1 else usable
                at, time_h = outcome.nauplii.ravel(), needs[need].time_h
                there = (opens <= time_h) & (time_h <= limit)
                if cold_h:
                    there |= (opens <= time_h) & (time_h <= opens + cold_h)
                sure &= bool(np.mean(there & (at * grams >= until * (1 - 1e-9))) >= needs[need].wanted - 1e-9)
            if sure:
                return grams, free
            grams = round(grams + 0.1, 1)
        return np.inf, free

    known: dict[tuple[int, tuple[int, ...]], tuple[float, float]] = {}

    def worth(number: int, served: tuple[int, ...]) -> tuple[float, float]:
        if (number, served) not in known:
            alone = [(number, (need,)) for need in served]
            if len(served) > 1 and any(np.isinf(worth(*each)[0]) for each in alone):
                known[(number, served)] = (np.inf, np.inf)
            else:
                known[(number, served)] = batch(number, served)
        return known[(number, served)]

    def plans() -> Iterator[tuple[int, float]]:
        for taken in itertools.product(range(-1, len(begun)), repeat=len(needs)):
            used = sorted({number for number in taken if number >= 0})
            found = {n: worth(n, tuple(i for i, by in enumerate(taken) if by == n)) for n in used}
            if any(np.isinf(grams) for grams, _ in found.values()):
                continue
            busy = [(begun[n][0].name, begun[n][1], found[n][1]) for n in used]
            clash = any(
                a[0] == b[0] and a[1] < np.ceil(b[2] * 4 - 1e-9) / 4 and b[1] < np.ceil(a[2] * 4 - 1e-9) / 4
                for a, b in itertools.combinations(busy, 2)
            )
            if not clash:
                yield taken.count(-1), sum(grams + HANDLING_G for grams, _ in found.values())

    return min(plans(), key=lambda each: MISSED * each[0] + each[1])


def test_no_assignment_of_200_small_questions_is_cheaper() -> None:
    rng = np.random.default_rng(31)
    shapes = set()
    for _ in range(200):
        cold_h = float(rng.choice([0.0, 0.0, 24.0]))
        instance = _instance(rng)
        choice = _chosen(*instance, cold_h)
        missed, cost = _try_everything(*instance, cold_h)
        assert int(choice.missed.sum()) == missed
        assert choice.cost == pytest.approx(cost, abs=1e-6)
        assert choice.bound == pytest.approx(cost, abs=1e-4)
        shapes.add((missed, len(choice.chosen)))
    assert len(shapes) >= 8  # some missed, some with several batches: not all alike


def test_a_lot_gives_no_more_than_its_stock() -> None:
    needs = [Need(i, 30.0 + 40 * i, False, 3e5, 0.9) for i in range(2)]
    starts = np.arange(0.0, 60.0, 0.25)
    free = _chosen([cone("a")], lot(), needs, starts, 0.0)
    assert (free.missed.tolist(), len(free.chosen)) == ([0, 0], 2)
    scarce = _chosen([cone("a")], lot(stock_g=2.5), needs, starts, 0.0)
    assert (int(scarce.missed.sum()), len(scarce.chosen)) == (1, 1)

"""The plan against a habit: the same cone every evening. ``python -m tests.hatchery.supply.evening``"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import time, timedelta
from typing import NamedTuple

import numpy as np

from hatchmon.adapters.solver import Highs
from hatchmon.hatchery.supply.plan import Question, make_plan, worth_of
from hatchmon.hatchery.supply.sources import Courses, Outcome
from hatchmon.hatchery.types import Start
from tests.hatchery.supply.invented import ORIGIN, broods, cone, lot, question

EVENING = time(20)


class Fed(NamedTuple):
    """Feedings that have the chance wanted, what it costs in grams and handlings, the grams, and nauplii
    wasted."""

    covered: int
    cost: float
    grams: float
    wasted: float


@dataclass(frozen=True)
class Compared:
    """The plan and the best habit, of so many feedings."""

    feedings: int
    plan: Fed
    habit: Fed

    @property
    def worse(self) -> bool:
        """Whether the habit does better: more feedings, or as many for less."""
        return (self.habit.covered, -self.habit.cost) > (self.plan.covered, -self.plan.cost + 1e-6)


def larger_question(rng: np.random.Generator) -> Question:
    """Some days, cones, lots and broods, all invented."""
    cones = [
        cone(f"c{i}", float(rng.choice([24.0, 26.0, 28.0])), float(rng.choice([1.0, 2.0, 4.0])))
        for i in range(int(rng.integers(1, 5)))
    ]
    lots = [
        lot(f"lot-{i}", float(rng.uniform(16.0, 25.0)), float(rng.uniform(0.02, 0.1)))
        for i in range(int(rng.integers(1, 3)))
    ]
    return question(
        cones,
        lots,
        broods(int(rng.integers(1, 4)), int(rng.integers(40, 200))),
        float(rng.integers(3, 6)),
        wanted=float(rng.choice([0.8, 0.9])),
        cold_h=float(rng.choice([0.0, 24.0])),
    )


def _covered(asked: Question, chance: np.ndarray[tuple[int], np.dtype[np.float64]]) -> int:
    return int(np.sum(chance >= asked.wanted - 0.01))


def compare(asked: Question) -> Compared:
    """The plan, and the habit with the cone, lot and grams that suit best."""
    plan = make_plan(asked, Highs(20.0))
    best = max(habits(asked), key=lambda each: (each.covered, -each.cost))
    grams = sum(plan.grams.values())
    cost = grams + asked.handling_g * len(plan.starts)
    covered = _covered(asked, np.array([each.chance for each in plan.outlooks]))
    return Compared(len(asked.feedings), Fed(covered, cost, grams, plan.wasted), best)


def habits(asked: Question) -> Iterator[Fed]:
    """What comes of every cone, lot and tenth of what the cone may hold, begun
    every evening."""
    courses = Courses(asked.origin, asked.thresholds)
    evenings = [
        ORIGIN.replace(hour=EVENING.hour) + timedelta(days=day) for day in range(int(asked.end_h // 24) + 1)
    ]
    evenings = [evening for evening in evenings if asked.hours(evening) < asked.end_h]
    for each in asked.cones:
        for own in asked.lots:
            outcome = courses.of(each, own, 0.0)

            def of(_: Start, outcome: Outcome = outcome) -> Outcome:
                return outcome

            for tenths in range(1, 11):
                grams = round(each.most_g * tenths / 10.0, 3)
                starts = [Start(each.name, own.name, evening, grams) for evening in evenings]
                worth = worth_of(asked, starts, of)
                spent = grams * len(starts)
                covered = _covered(asked, worth.chance)
                wasted = float(worth.wasted.sum())
                yield Fed(covered, spent + asked.handling_g * len(starts), spent, wasted)


def run(count: int, seed: int = 7) -> list[Compared]:
    """``count`` invented questions."""
    rng = np.random.default_rng(seed)
    return [compare(larger_question(rng)) for _ in range(count)]


def main() -> None:
    """Print the comparison."""
    parser = argparse.ArgumentParser(description="The plan against the same cone every evening.")
    parser.add_argument("--questions", type=int, default=200)
    found = run(parser.parse_args().questions)
    fed = sum(each.feedings for each in found)
    print(f"{len(found)} questions, {fed} feedings; the habit does better in {sum(e.worse for e in found)}")
    for name, each in (("plan", [e.plan for e in found]), ("habit", [e.habit for e in found])):
        covered, _, grams, wasted = map(sum, zip(*each, strict=True))
        print(f"{name}: {covered / fed:.1%} covered, {grams:.0f} g, {wasted / 1e6:.1f} M nauplii wasted")


if __name__ == "__main__":
    main()

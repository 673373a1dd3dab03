"""A simulated quarter: hidden true lots, heaters that fail, a keeper who comes late or forgets; the plan made
anew twice a day, against the same cone every evening. ``python -m tests.hatchery.supply.quarter``

Everything is invented and seeded. The plan knows nothing of the truth but what a keeper would note: one look
on the way, one at the harvest, a count of every other harvest.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta

import numpy as np

from hatchmon.adapters.solver import Highs
from hatchmon.hatchery.ahead import in_control
from hatchmon.hatchery.looks import look_bounds
from hatchmon.hatchery.supply.demand import Brood, FeedAt, Ramp, feedings
from hatchmon.hatchery.supply.keeper import presence
from hatchmon.hatchery.supply.plan import Question, make_plan
from hatchmon.hatchery.supply.sources import BATCHES, SETS, Courses, OnHand, Outcome, PlanCone, PlanLot
from hatchmon.hatchery.types import Start
from hatchmon.science.hatching import ENERGY_NODES_EV
from hatchmon.science.learning import Evidence, LotBelief
from hatchmon.science.nauplii import Thresholds
from hatchmon.science.normal import normal_cdf
from hatchmon.science.parameters import ENERGY_LOSS, SERVES
from hatchmon.science.rates import energy_loss_rate, schoolfield_1981
from hatchmon.science.yields import Samples

ORIGIN = datetime(2026, 1, 5, 6, tzinfo=UTC)
HOURS = ((time(6, 30), time(9)), (time(16), time(22, 30)))
FEED_AT = (FeedAt(time(7, 30), 0.5), FeedAt(time(18, 30), 0.5))
STEADY = {"small": Ramp(((0, 120.0),))}
REPLANNED_H = (0.0, 10.0)  # of the day from 06:00: before the morning's and the evening's hours
AHEAD_DAYS = 3.0
PROMISED_H = 24.0  # the chance that counts is the one told so long before the feeding
FIRST_H = 72.0  # nothing can be ready before
HEATER_FAILS = 0.02  # of batches
COMES_LATE = 0.2
FORGETS = 0.01
ROOM_C = 21.0


@dataclass(frozen=True)
class Truth:
    """A hidden lot: median hatch at 25 C (h), activation energy, spread, batch-to-batch sd, nauplii per
    gram."""

    tau25_h: float
    energy_ev: float
    sigma: float
    omega: float
    per_gram: float
    between: float


@dataclass
class Begun:
    """A batch in the true world; hours from ORIGIN."""

    cone: str
    lot: str
    grams: float
    start_h: float
    half_h: float
    opens_h: float
    usable_h: float
    nauplii: float
    temp_c: float
    harvest_h: float | None = None
    left: float = 0.0
    counted: bool = False


@dataclass
class Told:
    """What came of it: by feeding the chance promised and whether it was covered; grams and batches used."""

    promised: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    grams: float = 0.0
    batches: int = 0
    nauplii: float = 0.0
    fed: float = 0.0

    @property
    def share(self) -> float:
        """Share of the feedings that were covered."""
        return float(np.mean(self.covered))


class World:
    """The true hatchery: what really hatches, when, and what is fed."""

    def __init__(self, seed: int, days: int, cones: Sequence[PlanCone], lots: Sequence[str]) -> None:
        self.rng = np.random.default_rng(seed)
        rng = self.rng
        self.truths = {
            name: Truth(
                tau25_h=float(20.4 * np.exp(0.15 * rng.standard_normal())),
                energy_ev=float(0.73 + 0.08 * rng.standard_normal()),
                sigma=float(0.15 * np.exp(0.3 * rng.standard_normal())),
                omega=float(rng.choice([0.04, 0.08, 0.12])),
                per_gram=float(180_000 * np.exp(0.35 * rng.standard_normal())),
                between=float(rng.choice([0.07, 0.14])),
            )
            for name in lots
        }
        self.cones = {cone.name: cone for cone in cones}
        self.begun: list[Begun] = []
        end = ORIGIN + timedelta(days=days)
        self.broods = [
            Brood("reeds", int(rng.integers(120, 260)), (ORIGIN - timedelta(days=3)).date()),
            Brood("moss", int(rng.integers(80, 160)), (ORIGIN + timedelta(days=20)).date()),
        ]
        self.fed = feedings(self.broods, STEADY, FEED_AT, UTC, ORIGIN, end)
        self.there = presence(HOURS, (), UTC, ORIGIN, end + timedelta(days=6), [f.time for f in self.fed])
        self.told = Told()

    def begin(self, cone: str, lot: str, grams: float, start_h: float) -> None:
        """Begin a batch, unless the cone is in use or the keeper forgets; he may come late."""
        rng, truth = self.rng, self.truths[lot]
        if rng.random() < FORGETS:
            return
        if rng.random() < COMES_LATE:
            start_h += float(rng.uniform(0.1, 1.0))
        if any(each.cone == cone and each.harvest_h is None for each in self.begun):
            return
        temp_c = self.cones[cone].water.target_c + 0.25 * float(rng.standard_normal())
        fails_h = float(rng.uniform(0.0, 24.0)) if rng.random() < HEATER_FAILS else np.inf
        mu = np.log(truth.tau25_h) + truth.omega * float(rng.standard_normal())

        def reach(z: float) -> float:
            wanted = float(np.exp(mu + z * truth.sigma))
            warm, cold = (
                float(schoolfield_1981(np.array([each]), truth.energy_ev)[0]) for each in (temp_c, ROOM_C)
            )
            hours = wanted / warm
            return hours if hours <= fails_h else fails_h + (wanted - warm * fails_h) / cold

        serves_h = min(SERVES.value, SERVES.value * ENERGY_LOSS.value / float(energy_loss_rate(temp_c)))
        half_h = start_h + reach(0.0)
        shift = truth.between * float(rng.standard_normal())
        self.begun.append(
            Begun(
                cone, lot, grams, start_h, half_h, start_h + reach(1.2816), half_h + serves_h,
                grams * truth.per_gram * float(np.exp(shift - truth.between**2 / 2.0)), temp_c,
            )
        )  # fmt: skip
        self.told.grams += grams
        self.told.batches += 1

    def harvest(self, until_h: float) -> list[Begun]:
        """What was harvested by then: each batch at the keeper's first hour after it is ready."""
        found = []
        for batch in self.begun:
            if batch.harvest_h is None:
                at_h = float(self.there.next_h(np.array([batch.opens_h]))[0])
                if at_h <= until_h:
                    batch.harvest_h, batch.left = at_h, batch.nauplii
                    batch.counted = bool(self.rng.random() < 0.5)
                    self.told.nauplii += batch.nauplii
                    found.append(batch)
        return found

    def feed(self, number: int) -> bool:
        """Feed, the oldest first; whether there was enough."""
        feeding = self.fed[number]
        time_h = (feeding.time - ORIGIN) / timedelta(hours=1)
        missing = feeding.nauplii
        for batch in self.begun:
            if (
                batch.harvest_h is not None
                and batch.harvest_h <= time_h <= batch.usable_h
                and batch.left > 0.0
            ):
                taken = min(batch.left, missing)
                batch.left -= taken
                missing -= taken
        self.told.fed += feeding.nauplii - missing
        return bool(missing <= 1e-6 * feeding.nauplii)


class Notes:
    """What the keeper knows: beliefs and counts of each lot."""

    def __init__(self, world: World, lots: Sequence[str]) -> None:
        self.world = world
        self.beliefs = {name: LotBelief.prior() for name in lots}
        self.counts: dict[str, list[Samples]] = {name: [] for name in lots}

    def note(self, batch: Begun) -> None:
        """A look on the way and one at the harvest; perhaps a count."""
        assert batch.harvest_h is not None
        truth = self.world.truths[batch.lot]
        hours, z = [], []
        for at_h in (batch.half_h - 0.5, batch.harvest_h):
            hours.append(at_h - batch.start_h)
            spread = truth.sigma * (batch.half_h - batch.start_h)
            seen = float(normal_cdf(np.array((at_h - batch.half_h) / spread)))
            word = (
                "complete"
                if seen > 0.95
                else "nearly all"
                if seen > 0.8
                else "most"
                if seen > 0.5
                else "some"
            )
            z.append(look_bounds(word))
        rates = np.array([float(schoolfield_1981(np.array([batch.temp_c]), e)[0]) for e in ENERGY_NODES_EV])
        bounds = np.array(z)
        ln_q = np.log(np.array(hours)[:, None] * rates)
        evidence = Evidence(ln_q, bounds[:, 0], bounds[:, 1], bounds[:, 2], 0.03, True)
        self.beliefs[batch.lot] = self.beliefs[batch.lot].learn(evidence)
        if batch.counted:
            in_samples = batch.nauplii / batch.grams * 0.0006
            counted = tuple(int(self.world.rng.poisson(in_samples / 3.0)) for _ in range(3))
            self.counts[batch.lot].append(Samples(counted, grams=0.0006))

    def lots(self) -> tuple[PlanLot, ...]:
        """As a plan takes them."""
        return tuple(PlanLot(n, self.beliefs[n], tuple(self.counts[n][-8:])) for n in self.beliefs)


def ask(world: World, notes: Notes, now_h: float, earlier: Sequence[Start]) -> Question:
    """What the keeper would ask at ``now_h``."""
    origin = ORIGIN + timedelta(hours=now_h)
    fed = tuple(f for f in world.fed if origin < f.time <= origin + timedelta(days=AHEAD_DAYS))
    beyond = origin + timedelta(days=AHEAD_DAYS + 4.0)
    lots = notes.lots()
    courses = Courses(origin, Thresholds())
    on_hand, free_h = [], {}
    for number, batch in enumerate(world.begun):
        lot = next(each for each in lots if each.name == batch.lot)
        if batch.harvest_h is not None:
            if batch.usable_h < now_h or batch.left <= 0.0:
                continue
            whole = np.ones((BATCHES, SETS))
            amount = batch.left * whole
            if not batch.counted:
                used = batch.nauplii - batch.left
                amount = np.maximum(courses.per_gram(lot) * batch.grams - used, 0.0)
            known = Outcome((batch.harvest_h - now_h) * whole, (batch.harvest_h - now_h) * whole,
                            (batch.usable_h - now_h) * whole, amount)  # fmt: skip
            on_hand.append(OnHand(f"{number}", batch.lot, known))
            continue
        outcome = courses.of(world.cones[batch.cone], lot, 0.0).moved(batch.start_h - now_h)
        still = np.flatnonzero(outcome.opens_h.ravel() > 0.0)  # it is not ready yet
        which = np.resize(still, outcome.opens_h.size) if still.size else np.arange(outcome.opens_h.size)
        outcome = Outcome(
            *(getattr(outcome, name).ravel()[which].reshape(BATCHES, SETS) for name in Outcome.__slots__)
        )
        outcome = replace(outcome, nauplii=courses.per_gram(lot) * batch.grams)
        on_hand.append(OnHand(f"{number}", batch.lot, outcome, batch.cone))
        free_h[batch.cone] = float(np.quantile(outcome.opens_h, 0.9)) + 1.0
    return Question(
        origin, AHEAD_DAYS * 24.0, fed, tuple(world.cones.values()), lots,
        presence(HOURS, (), UTC, origin, beyond),
        presence(HOURS, (), UTC, origin, beyond, [f.time for f in fed]),
        tuple(on_hand), free_h, earlier=tuple(s for s in earlier if s.time >= origin),
    )  # fmt: skip


def planned(seed: int, days: int) -> Told:
    """A quarter by the plan."""
    cones, lots = _hatchery()
    world = World(seed, days, cones, lots)
    notes = Notes(world, lots)
    times_h = [(f.time - ORIGIN) / timedelta(hours=1) for f in world.fed]
    promised: dict[datetime, float] = {}
    starts: Sequence[Start] = ()
    moments = [day * 24.0 + hour for day in range(days) for hour in REPLANNED_H]
    for now_h, next_h in zip(moments, [*moments[1:], days * 24.0], strict=True):
        for batch in world.harvest(now_h):
            notes.note(batch)
        plan = make_plan(ask(world, notes, now_h, starts), Highs(10.0))
        starts = [each.start for each in plan.starts]
        for outlook in plan.outlooks:
            at_h = (outlook.feeding.time - ORIGIN) / timedelta(hours=1)
            if at_h - now_h >= PROMISED_H:
                promised[outlook.feeding.time] = outlook.chance
        due = [((s.time - ORIGIN) / timedelta(hours=1), s) for s in starts]
        happens = [(h, 0, i) for i, (h, _) in enumerate(due) if h < next_h]
        happens += [(h, 1, i) for i, h in enumerate(times_h) if now_h < h <= next_h]
        for at_h, what, i in sorted(happens):
            for batch in world.harvest(at_h):
                notes.note(batch)
            if what == 0:
                start = due[i][1]
                world.begin(start.cone, start.lot, start.grams, at_h)
            else:
                enough = world.feed(i)
                if at_h >= FIRST_H:
                    world.told.promised.append(promised[world.fed[i].time])
                    world.told.covered.append(enough)
    return world.told


def habit(seed: int, days: int, grams: float) -> Told:
    """The same quarter with ``grams`` in the same cone every evening at eight."""
    cones, lots = _hatchery()
    world = World(seed, days, cones, lots)
    evenings = [(day * 24.0 + 14.0, 0, day) for day in range(days)]
    times = [((f.time - ORIGIN) / timedelta(hours=1), 1, i) for i, f in enumerate(world.fed)]
    for at_h, what, i in sorted(evenings + times):
        world.harvest(at_h)
        if what == 0:
            world.begin(cones[0].name, lots[0], grams, at_h)
        else:
            enough = world.feed(i)
            if at_h >= FIRST_H:
                world.told.covered.append(enough)
    return world.told


def _hatchery() -> tuple[list[PlanCone], list[str]]:
    temps = (27.0, 26.0, 28.0)
    cones = [PlanCone(f"c{i}", 2.0, 5.0, 0.5, in_control(temp_c), None) for i, temp_c in enumerate(temps)]
    return cones, ["river", "delta"]


HABIT_G = (0.5, 1.0, 2.0)


def main() -> None:
    """Print what came of some quarters."""
    parser = argparse.ArgumentParser(description="A simulated quarter by the plan and by habit.")
    parser.add_argument("--keepers", type=int, default=6)
    parser.add_argument("--days", type=int, default=91)
    chosen = parser.parse_args()
    found = [planned(seed, chosen.days) for seed in range(chosen.keepers)]
    promised = float(np.mean([p for told in found for p in told.promised]))
    _say("plan", found, f"; promised {promised:.1%}")
    for grams in HABIT_G:
        _say(
            f"{grams:g} g every evening",
            [habit(seed, chosen.days, grams) for seed in range(chosen.keepers)],
            "",
        )


def _say(name: str, found: Sequence[Told], more: str) -> None:
    covered = [each for told in found for each in told.covered]
    print(
        f"{name}: {np.mean(covered):.1%} of {len(covered)} feedings covered, {covered.count(False)} "
        f"missed{more}; "
        f"{sum(t.grams for t in found):.0f} g in {sum(t.batches for t in found)} batches, "
        f"{sum(t.fed for t in found) / sum(t.nauplii for t in found):.0%} of the nauplii fed"
    )


if __name__ == "__main__":
    main()

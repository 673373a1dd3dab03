"""From a question to a plan: which cone to begin when, with what, for which feedings, and how sure that
is."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import NamedTuple

import numpy as np

from hatchmon.hatchery.supply.demand import Feeding
from hatchmon.hatchery.supply.joint import Played, Worth, play
from hatchmon.hatchery.supply.keeper import STEP_H, Presence
from hatchmon.hatchery.supply.patterns import GRAM_STEP, Builder, ConeKind, Need, Patterns, at_hand
from hatchmon.hatchery.supply.program import Choice, OutOfTime, Solver, choose
from hatchmon.hatchery.supply.sources import Courses, OnHand, Outcome, PlanCone, PlanLot
from hatchmon.hatchery.types import Band, Refused, Start
from hatchmon.science.nauplii import Thresholds
from hatchmon.science.normal import Floats

STEADY_H = 24.0  # a plan once issued holds for so long, as far as it can
FINE_H = 240.0  # later starts are planned at full hours: by then the plan will have been made anew
_SHIFT_H = 2.0  # a start moved by so much is as good as another
_SECOND_BEST = (0.9, 0.5)  # of the best chance there is, where the wanted one cannot be had
_REPAIRS = 3
_BOLD = 0.5
_MARGIN = 0.005
_ROUNDING = 0.01  # a chance this little below the one wanted is called met: it comes from 600 draws
_WORTH_A_BATCH = 0.1  # gain in chance for which a further batch is begun
_REACH_H = 72.0
_RHYTHMS = 400  # tried at most, fewer in longer plans
_HELPERS = 4  # of each kind of cone and lot
_SPARE = 1.25  # grams already told stay when they are too many by no more


@dataclass(frozen=True)
class Question:
    """What a plan must answer.

    ``begins``: when the keeper may begin a batch; ``harvests``: when one may be harvested, feedings included;
    ``free_h``: by cone, when it is free (hours from the origin; 0: now), for cones that are not; ``wanted``:
    chance that a feeding is covered; ``handling_g``: grams of cysts that saving one batch is worth;
    ``cold_h``: how long the keeper's cold store holds nauplii (0: none); ``earlier``: the plan issued before.
    """

    origin: datetime
    end_h: float
    feedings: tuple[Feeding, ...]
    cones: tuple[PlanCone, ...]
    lots: tuple[PlanLot, ...]
    begins: Presence
    harvests: Presence
    on_hand: tuple[OnHand, ...] = ()
    free_h: Mapping[str, float] = field(default_factory=dict)
    wanted: float = 0.9
    handling_g: float = 0.5
    least_g: float = 0.1
    cold_h: float = 0.0
    thresholds: Thresholds = field(default_factory=Thresholds)
    widen: float = 1.0
    earlier: tuple[Start, ...] = ()

    @property
    def in_stock(self) -> list[PlanLot]:
        """The lots of which enough is left for a batch."""
        return [lot for lot in self.lots if lot.stock_g is None or lot.stock_g >= self.least_g]

    def hours(self, moment: datetime) -> float:
        """Hours from the origin."""
        return (moment - self.origin) / timedelta(hours=1)

    def moment(self, hours: float) -> datetime:
        """The moment ``hours`` after the origin."""
        return self.origin + timedelta(hours=hours)


@dataclass(frozen=True, slots=True)
class Planned:
    """A start with what to expect of it: ``opens`` and ``closes`` in hours from its start, ``serves``
    feedings by number, mean ``nauplii`` harvested and ``wasted``; ``kept``: as told before."""

    start: Start
    opens: Band
    closes: Band
    serves: tuple[int, ...]
    nauplii: float
    wasted: float
    kept: bool


@dataclass(frozen=True, slots=True)
class Outlook:
    """A feeding with the ``chance`` that it is covered in full, the mean share ``short``, and what it is fed
    from: numbers of starts and of batches on hand. ``met``: the chance wanted could be had."""

    feeding: Feeding
    chance: float
    short: float
    starts: tuple[int, ...]
    on_hand: tuple[int, ...]
    met: bool


@dataclass(frozen=True)
class Plan:
    """The answer. ``cost``: grams and handlings; ``gap``: what a better choice could save at most, as a
    share, for feedings covered by one batch each; ``proven``: the plan is that choice, with nothing tried
    beyond it. ``hours`` (h,) from the origin with ``hand`` and ``instar1`` (h, 3): nauplii at hand, 10, 50
    and 90 %; ``wasted``: mean number of nauplii never fed, those on hand included."""

    question: Question
    starts: tuple[Planned, ...]
    outlooks: tuple[Outlook, ...]
    gap: float
    cost: float
    proven: bool
    hours: Floats
    hand: Floats
    instar1: Floats
    wasted: float

    @property
    def grams(self) -> dict[str, float]:
        """Grams planned, by lot."""
        used: dict[str, float] = {}
        for planned in self.starts:
            used[planned.start.lot] = round(used.get(planned.start.lot, 0.0) + planned.start.grams, 1)
        return used

    @property
    def failing(self) -> list[int]:
        """Numbers of the feedings that cannot have the chance wanted."""
        return [number for number, outlook in enumerate(self.outlooks) if not outlook.met]


def check(question: Question) -> None:
    """Raises Refused where there is nothing to plan with."""
    if not question.cones:
        raise Refused("No cone to plan with. Give each its litres in the settings: [cones.NAME] litres = 2")
    if not question.lots:
        raise Refused("No lot to plan with. Note what is in stock: hatchmon stock LOT --grams 100")
    if not question.in_stock:
        raise Refused("Every lot is used up. Note what is in stock: hatchmon stock LOT --grams 100")
    if question.begins.spans_h.size == 0:
        raise Refused("The keeper is never there: see supply.hours and supply.away in the settings.")


def make_plan(question: Question, solver: Solver) -> Plan:
    """The plan that covers every feeding with the chance wanted, as far as that can be, at the least grams
    and fewest handlings.

    Exact: among all patterns the chosen ones cost least, each need being covered by its own batch with the
    wanted chance over the joint draws. A feeding may be shared only in equal parts, and a batch serves sets
    of feedings as ``patterns.sets_of`` lists them. The whole is then played with all batches together; where
    a feeding falls short of its chance there, its wanted chance is raised and the choice made anew. Where one
    cannot have it from any single batch, and only then, further ways are tried by playing them: a second
    batch beside the first, cones that are free only as likely as not, and plain habits; these are not proven
    best.
    """
    check(question)
    work = _Work(question)
    best = _best(work, solver, question.wanted)
    if any(reach >= question.wanted for _, reach in best.first_missed):
        # For want of a cone: perhaps one that is free only as likely as not.
        best = work.better(best, _best(work, solver, _BOLD))
    if best.first_missed:
        # Batches that stand in for each other in turn may do what none does alone.
        best = work.better(best, *(work.rhythms(best)))
    return work.plan(best)


def _best(work: _Work, solver: Solver, free_chance: float) -> _Attempt:
    """The choice with what follows from playing it; a cone counts as taken until it is free with
    ``free_chance``."""
    question = work.question
    wanted = np.full((len(question.feedings), 2), question.wanted)
    attempt = work.attempt(wanted, solver, free_chance)
    first_missed = attempt.missed
    failing = {need.feeding for need, _ in first_missed}
    for second in _SECOND_BEST:
        # A need that cannot have the chance wanted gets a lesser one; where none is to be had, nothing.
        hopeful = [(need, reach) for need, reach in attempt.missed if reach >= _WORTH_A_BATCH]
        for need, reach in hopeful:
            wanted[need.feeding, 0 if need.instar1 else 1] = second * min(reach, question.wanted)
        if hopeful:
            try:
                attempt = work.attempt(wanted, solver, free_chance)
            except OutOfTime:
                break
    best, raised = work.played(attempt), wanted
    for _ in range(_REPAIRS):
        below = [
            number
            for number, chance in enumerate(best.chance)
            if number not in failing and chance < question.wanted - _MARGIN
        ]
        if not below:
            break
        raised = raised.copy()
        for number in below:
            more = question.wanted - float(best.chance[number]) + 0.01
            raised[number] = np.minimum(raised[number] + more, 0.995)
        try:
            again = work.attempt(raised, solver, free_chance)
        except OutOfTime:
            break
        if {need.feeding for need, _ in again.missed} - failing:
            break  # not to be had
        best = work.played(again)
    return replace(work.backed_up(best), first_missed=first_missed)


class _Placed(NamedTuple):
    """A start, from which quarter of an hour its cone is free again, and the feedings it is for."""

    start: Start
    free: int
    serves: tuple[int, ...]


@dataclass(frozen=True)
class _Attempt:
    """``on_hand``: the feedings that each batch on hand is for."""

    needs: Sequence[Need]
    choice: Choice
    placed: tuple[_Placed, ...]
    on_hand: Mapping[int, tuple[int, ...]]
    reach: Floats
    worth: Worth | None = None
    first_missed: Sequence[tuple[Need, float]] = ()
    proven: bool = True

    @property
    def chance(self) -> Floats:
        assert self.worth is not None
        return self.worth.chance

    @property
    def missed(self) -> list[tuple[Need, float]]:
        """Needs not served, with the best chance any one batch had of being at hand for them."""
        return [(self.needs[int(i)], float(self.reach[i])) for i in np.flatnonzero(self.choice.missed)]


class _Work:
    def __init__(self, question: Question) -> None:
        self.question = question
        self.courses = Courses(question.origin, question.thresholds, question.widen)
        self.kinds = kinds_of(question.cones, question.free_h)
        self.refused: dict[str, str] = {}
        usable = []
        for kind in self.kinds:
            try:
                self.courses.of(kind.one, question.lots[0], 0.0)
                usable.append(kind)
            except Refused as why:
                self.refused.update({cone.name: str(why) for cone in kind.cones})
        if not usable:
            raise Refused(" ".join(self.refused.values()))
        self.kinds = usable
        self.times_h = np.array([question.hours(feeding.time) for feeding in question.feedings])
        prices = [lot.price_per_kg for lot in question.lots]
        known = [price for price in prices if price is not None]
        mean = sum(known) / len(known) if known else 1.0
        self.rates = np.array([1.0 if price is None else price / mean for price in prices] + [0.0])

    def needs(self, wanted: Floats) -> list[Need]:
        """``wanted`` (feedings, 2): chance for the strict need and for the other. What is more than the
        largest batch can be counted on for is shared out in equal parts."""
        question = self.question
        counted_on = [
            float(np.quantile(self.courses.per_gram(lot), 1.0 - question.wanted)) for lot in question.lots
        ]
        most = 0.95 * max(kind.one.most_g for kind in self.kinds) * max(counted_on)
        found = []
        for number, feeding in enumerate(question.feedings):
            for column, (nauplii, strict) in enumerate(((feeding.instar1, True), (feeding.usable, False))):
                if nauplii > 0.0:
                    parts = max(1, int(np.ceil(nauplii / most)))
                    chance = float(wanted[number, column])
                    at_h = float(self.times_h[number])
                    found.append(Need(number, at_h, strict, nauplii / parts, chance, parts))
        return found

    def attempt(self, wanted: Floats, solver: Solver, free_chance: float) -> _Attempt:
        question = self.question
        builder = Builder(
            self.needs(wanted), question.harvests, question.cold_h, question.least_g, free_chance
        )
        for number, source in enumerate(question.on_hand):
            builder.add_on_hand(number, source)
        for kind_number, kind in enumerate(self.kinds):
            first = max(min(kind.free_h), 0.0)
            starts_h = question.begins.steps_h(first, question.end_h)
            starts_h = starts_h[(starts_h <= FINE_H) | (starts_h % 1.0 == 0.0)]
            for lot_number, lot in enumerate(question.lots):
                if lot.stock_g is None or lot.stock_g >= question.least_g:
                    builder.add_starts(kind_number, kind, lot_number, lot, starts_h, self.courses)
        patterns = self._as_told(builder.patterns())
        choice = choose(
            patterns,
            self._costs(patterns),
            builder.needs,
            self.kinds,
            len(question.on_hand),
            [lot.stock_g for lot in question.lots],
            solver,
        )

        def served(pattern: int) -> tuple[int, ...]:
            return tuple(sorted({builder.needs[n].feeding for n in patterns.needs[pattern] if n >= 0}))

        placed = tuple(
            _Placed(start, int(patterns.free[pattern]), served(pattern))
            for pattern, start in self._in_cones(patterns, choice)
        )
        on_hand = {int(patterns.source[c]): served(c) for c in choice.chosen if patterns.source[c] >= 0}
        return _Attempt(builder.needs, choice, placed, on_hand, builder.reach)

    def played(self, attempt: _Attempt) -> _Attempt:
        """The attempt with what it is worth, all its batches together."""
        starts = [each.start for each in attempt.placed]
        return replace(attempt, worth=worth_of(self.question, starts, self._outcome))

    def better(self, *attempts: _Attempt) -> _Attempt:
        """The attempt with most feedings that have their chance, of those the cheapest, of those the
        first."""
        return max(attempts, key=lambda each: (self.met(each), -round(self.spent(each), 6)))

    def rhythms(self, attempt: _Attempt) -> list[_Attempt]:
        """Plain habits: one cone of each kind begun every day at the same full hour, with a tenth of what it
        holds and more, as few grams as do best; each hour of the keeper's day, for as long as the plan
        goes."""
        question, hours = self.question, self.question.begins.steps_h(0.0, self.question.end_h)
        clock = (question.origin.hour + question.origin.minute / 60.0 + hours) % 24.0
        found: list[_Attempt] = []
        most = _RHYTHMS // max(len(question.feedings) // 14, 1)
        for kind, lot in itertools.product(self.kinds, question.in_stock):
            cone, free_h = min(zip(kind.cones, kind.free_h, strict=True), key=lambda each: each[1])
            for hour in np.unique(clock[clock % 1.0 == 0.0]):
                begun = [float(h) for h in hours[(clock == hour) & (hours >= free_h)]]
                for tenths in range(1, 11):
                    grams = round(cone.most_g * tenths / 10.0, 3)
                    if not begun or (lot.stock_g is not None and grams * len(begun) > lot.stock_g):
                        break
                    starts = [Start(cone.name, lot.name, question.moment(h), grams) for h in begun]
                    worth = worth_of(question, starts, self._outcome, hourly=False)
                    placed = tuple(_Placed(start, 0, ()) for start in starts)
                    found.append(replace(attempt, placed=placed, on_hand={}, worth=worth, proven=False))
                    if len(found) >= most:
                        return [self._told_whole(self.better(attempt, *found))]
        return [self._told_whole(self.better(attempt, *found))]

    def _told_whole(self, attempt: _Attempt) -> _Attempt:
        """A habit in full: each batch is for the feedings it is likely to be at hand for."""
        if attempt.worth is None or attempt.worth.hand.size:
            return attempt
        placed = []
        for start, free, _ in attempt.placed:
            start_h = self.question.hours(start.time)
            outcome = self._outcome(start).moved(start_h)
            harvest = self.question.harvests.next_h(outcome.opens_h)
            serves = tuple(
                number
                for number, (time_h, feeding) in enumerate(
                    zip(self.times_h, self.question.feedings, strict=True)
                )
                if at_hand(outcome, harvest, time_h, feeding.usable <= 0.0, self.question.cold_h).mean()
                >= _BOLD
            )
            placed.append(_Placed(start, free, serves))
        return self.played(replace(attempt, placed=tuple(placed)))

    def met(self, attempt: _Attempt) -> int:
        """How many feedings have the chance wanted."""
        return int(np.sum(attempt.chance >= self.question.wanted - _ROUNDING))

    def spent(self, attempt: _Attempt) -> float:
        """Grams and handlings."""
        return sum(each.start.grams + self.question.handling_g for each in attempt.placed)

    def backed_up(self, attempt: _Attempt) -> _Attempt:
        """Where no batch alone has the chance wanted, a second one at another time may help it out: the one
        with the fewest grams that lifts the feeding to its chance, or else lifts it most."""
        question = self.question
        for number, time_h in enumerate(self.times_h):
            chance = float(attempt.chance[number])
            if chance >= question.wanted - _MARGIN:
                continue
            tried = []
            for extra in self._helpers(attempt.placed, number, float(time_h)):
                starts = [each.start for each in attempt.placed] + [extra.start]
                worth = worth_of(question, starts, self._outcome, hourly=False)
                tried.append((float(worth.chance[number]), extra))
            enough = [each for each in tried if each[0] >= question.wanted - _MARGIN]
            best = max(tried, key=lambda each: each[0], default=None)
            if enough:
                best = min(enough, key=lambda each: (each[1].start.grams, -each[0]))
            elif best is None or best[0] < chance + _WORTH_A_BATCH:
                continue
            assert best is not None
            placed = sorted((*attempt.placed, best[1]), key=lambda each: (each.start.time, each.start.cone))
            attempt = self.played(replace(attempt, placed=tuple(placed), proven=False))
        return attempt

    def _helpers(self, placed: Sequence[_Placed], number: int, time_h: float) -> list[_Placed]:
        """Starts in free cones that are likeliest to be at hand for a feeding, few of each kind."""
        question = self.question
        busy: dict[str, list[tuple[float, float]]] = {}
        for each in placed:
            busy.setdefault(each.start.cone, []).append((question.hours(each.start.time), each.free * STEP_H))
        used = {
            lot.name: sum(p.start.grams for p in placed if p.start.lot == lot.name) for lot in question.lots
        }
        feeding = question.feedings[number]
        found = []
        for kind, lot in itertools.product(self.kinds, question.lots):
            likeliest = []
            for start_h in question.begins.steps_h(max(min(kind.free_h), time_h - _REACH_H), time_h)[::4]:
                outcome = self.courses.of(kind.one, lot, float(start_h)).moved(float(start_h))
                harvest = question.harvests.next_h(outcome.opens_h)
                there = at_hand(outcome, harvest, time_h, feeding.instar1 > 0.0, question.cold_h)
                free_h = float(np.quantile(harvest, question.wanted)) + kind.one.cleaning_h
                likeliest.append((float(there.mean()), float(start_h), free_h))
            sure_g = feeding.nauplii / float(np.quantile(self.courses.per_gram(lot), 1.0 - question.wanted))
            grams = max(float(np.ceil(sure_g / GRAM_STEP - 1e-6) * GRAM_STEP), question.least_g)
            spare = np.inf if lot.stock_g is None else lot.stock_g - used[lot.name]
            if grams > min(kind.one.most_g, spare):
                continue
            taken = 0
            for share, start_h, free_h in sorted(likeliest, reverse=True):
                cone = next(
                    (
                        cone.name
                        for cone, since in zip(kind.cones, kind.free_h, strict=True)
                        if since <= start_h
                        and all(b <= start_h or a >= free_h for a, b in busy.get(cone.name, ()))
                    ),
                    None,
                )
                if cone is None or share < _WORTH_A_BATCH or taken >= _HELPERS:
                    continue
                taken += 1
                start = Start(cone, lot.name, question.moment(start_h), round(grams, 3))
                found.append(_Placed(start, int(np.ceil(free_h / STEP_H)), (number,)))
        return found

    # --- what was told before ----------------------------------------------------------------------

    def _told(self) -> list[tuple[int, int, int, float]]:
        """(kind, lot, quarter of an hour, grams) of the earlier plan's starts that still hold."""
        question = self.question
        kinds = {cone.name: number for number, kind in enumerate(self.kinds) for cone in kind.cones}
        lots = {lot.name: number for number, lot in enumerate(question.lots)}
        return [
            (kinds[start.cone], lots[start.lot], round(question.hours(start.time) / STEP_H), start.grams)
            for start in question.earlier
            if start.cone in kinds and start.lot in lots and 0.0 <= question.hours(start.time) <= STEADY_H
        ]

    def _as_told(self, patterns: Patterns) -> Patterns:
        """Grams that were told and are still enough, and not many too many, stay."""
        grams = patterns.grams.copy()
        for kind, lot, start, told_g in self._told():
            same = (patterns.kind == kind) & (patterns.lot == lot) & (patterns.start == start)
            same &= (grams <= told_g + 1e-9) & (told_g <= grams * _SPARE + 1e-9)
            grams[same] = told_g
        return replace(patterns, grams=grams)

    def _costs(self, patterns: Patterns) -> Floats:
        """Grams, by price where lots differ, and handlings; within the next day a start costs more the
        further it lies from what was told, and one as told costs less than a handling."""
        handling = self.question.handling_g
        begun = patterns.source < 0
        cost = patterns.grams * self.rates[patterns.lot] * begun + handling * begun
        if not self.question.earlier:
            return np.asarray(cost, dtype=np.float64)
        away = np.ones(patterns.size)
        for kind, lot, start, _ in self._told():
            same = (patterns.kind == kind) & (patterns.lot == lot)
            off = np.minimum(np.abs(patterns.start - start) * STEP_H / _SHIFT_H, 1.0)
            away = np.where(same, np.minimum(away, off), away)
        soon = begun & (patterns.start * STEP_H <= STEADY_H)
        return np.asarray(cost + np.where(soon, handling * (away - 0.5), 0.0), dtype=np.float64)

    # --- from patterns to cones ----------------------------------------------------------------------

    def _in_cones(self, patterns: Patterns, choice: Choice) -> list[tuple[int, Start]]:
        """Each chosen pattern of a start with its cone, that of the earlier plan where there is a choice."""
        question = self.question
        told = {(each.cone, round(question.hours(each.time) / STEP_H)) for each in question.earlier}
        placed = []
        for number, kind in enumerate(self.kinds):
            free = {cone.name: hour / STEP_H for cone, hour in zip(kind.cones, kind.free_h, strict=True)}
            mine = [c for c in choice.chosen if patterns.kind[c] == number]
            for pattern in sorted(mine, key=lambda c: (patterns.start[c], c)):
                at = int(patterns.start[pattern])
                fit = [name for name, since in free.items() if since <= at + 1e-9]
                cone = min(fit, key=lambda name: ((name, at) not in told, free[name], name))
                free[cone] = float(patterns.free[pattern])
                lot = question.lots[int(patterns.lot[pattern])].name
                grams = round(float(patterns.grams[pattern]), 3)
                placed.append((pattern, Start(cone, lot, question.moment(at * STEP_H), grams)))
        return sorted(placed, key=lambda each: (each[1].time, each[1].cone))

    def _outcome(self, start: Start) -> Outcome:
        cone = next(each for each in self.question.cones if each.name == start.cone)
        lot = next(each for each in self.question.lots if each.name == start.lot)
        return self.courses.of(cone, lot, self.question.hours(start.time))

    def plan(self, attempt: _Attempt) -> Plan:
        """The attempt in full."""
        question, worth = self.question, attempt.worth
        assert worth is not None
        told = set(question.earlier)
        planned = []
        for number, (start, _, serves) in enumerate(attempt.placed, start=len(question.on_hand)):
            outcome = self._outcome(start)
            planned.append(
                Planned(
                    start=start,
                    opens=_band(outcome.opens_h),
                    closes=_band(outcome.closes_h),
                    serves=serves,
                    nauplii=float(outcome.nauplii.mean()) * start.grams,
                    wasted=float(worth.wasted[number]),
                    kept=start in told,
                )
            )
        outlooks = tuple(
            Outlook(
                feeding=feeding,
                chance=float(worth.chance[number]),
                short=float(worth.short[number]),
                starts=tuple(i for i, each in enumerate(planned) if number in each.serves),
                on_hand=tuple(source for source, fed in sorted(attempt.on_hand.items()) if number in fed),
                met=float(worth.chance[number]) >= question.wanted - _ROUNDING,
            )
            for number, feeding in enumerate(question.feedings)
        )
        return Plan(
            question=question,
            starts=tuple(planned),
            outlooks=outlooks,
            gap=attempt.choice.gap,
            cost=self.spent(attempt),
            proven=attempt.proven,
            hours=_hourly(question),
            hand=worth.hand,
            instar1=worth.instar1,
            wasted=float(worth.wasted.sum()),
        )


def kinds_of(cones: Sequence[PlanCone], free_h: Mapping[str, float]) -> list[ConeKind]:
    """Cones that can take each other's place, together."""
    kinds: dict[tuple[object, ...], list[PlanCone]] = {}
    for cone in cones:
        kinds.setdefault(cone.like, []).append(cone)
    return [
        ConeKind(tuple(alike), tuple(max(free_h.get(cone.name, 0.0), 0.0) for cone in alike))
        for alike in kinds.values()
    ]


def worth_of(
    question: Question, starts: Sequence[Start], outcome_of: Callable[[Start], Outcome], hourly: bool = True
) -> Worth:
    """What ``starts`` are worth together with what is on hand; ``outcome_of`` a start, hours from it and
    nauplii per gram."""
    lots = {lot.name: number for number, lot in enumerate(question.lots)}
    cleaning = {cone.name: cone.cleaning_h for cone in question.cones}
    batches = [
        Played(
            lot=lots.get(each.lot, len(lots)),
            outcome=each.outcome,
            seed=number,
            cone=each.cone,
            cleaning_h=cleaning.get(each.cone or "", 0.0),
            cold_until_h=each.cold_until_h,
        )
        for number, each in enumerate(question.on_hand)
    ]
    for start in starts:
        whole = outcome_of(start)
        at_h = question.hours(start.time)
        batches.append(
            Played(
                lot=lots[start.lot],
                outcome=replace(whole, nauplii=whole.nauplii * start.grams).moved(at_h),
                seed=1000 + int(start.time.timestamp() / 900.0) * 64 + len(start.cone),
                cone=start.cone,
                start_h=at_h,
                cleaning_h=cleaning[start.cone],
            )
        )
    fed = question.feedings
    return play(
        batches,
        np.array([question.hours(each.time) for each in fed]),
        np.array([each.instar1 for each in fed]),
        np.array([each.usable for each in fed]),
        question.harvests,
        question.cold_h,
        _hourly(question) if hourly else np.zeros(0),
    )


def _hourly(question: Question) -> Floats:
    return np.arange(0.0, question.end_h + 1e-9, 1.0)


def _band(hours: Floats) -> Band:
    return Band(*(float(each) for each in np.quantile(hours, (0.1, 0.5, 0.9))))

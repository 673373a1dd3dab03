"""When a feeding cannot have the chance wanted: why, and the smallest change that would mend it."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from hatchmon.hatchery.ahead import in_control
from hatchmon.hatchery.supply.keeper import Presence
from hatchmon.hatchery.supply.patterns import at_hand
from hatchmon.hatchery.supply.plan import Plan, Question, make_plan
from hatchmon.hatchery.supply.program import OutOfTime, Solver
from hatchmon.hatchery.supply.sources import Courses, PlanCone
from hatchmon.hatchery.types import Refused
from hatchmon.hatchery.wording import Voice

WARMEST_C = 30.0  # where the rate curve is still well known
_MOST_TRIED = 12
_NOTABLE = 0.02  # a change that lifts the chance by less has done nothing


@dataclass(frozen=True, slots=True)
class Mend:
    """What fails and why, and in ``change`` what would mend it (None: nothing that was tried would);
    ``chance`` with that change. ``tried``: whether any change was."""

    feeding: int
    why: str
    change: str | None
    chance: float
    tried: bool = True


def mend(plan: Plan, solver: Callable[[], Solver], voice: Voice) -> Mend | None:
    """About the first failing feeding that a change could still help, else the first failing one; None where
    all is well. Each change is tried by planning with it, the smallest first."""
    if not plan.failing:
        return None
    question = plan.question
    late = [number for number in plan.failing if _reachable(question, number)]
    if not late:
        number = plan.failing[0]
        return Mend(number, _too_soon(question, number, voice), None, plan.outlooks[number].chance, False)
    number = late[0]
    # Planned only so far that the feeding is within, to be quick.
    until_h = question.hours(question.feedings[number].time) + 1.0
    kept = tuple(each for each in question.feedings if question.hours(each.time) <= until_h)
    near = replace(question, feedings=kept, end_h=min(until_h, question.end_h))
    try:
        as_it_is = make_plan(near, solver()).outlooks[number].chance
    except OutOfTime:
        return Mend(number, _why(question, number, voice), None, plan.outlooks[number].chance)
    for what, changed in itertools.islice(_changes(near, voice), _MOST_TRIED):
        try:
            outlook = make_plan(changed, solver()).outlooks[number]
        except (Refused, OutOfTime):
            continue
        if outlook.met and outlook.chance > as_it_is + _NOTABLE:
            return Mend(number, _why(question, number, voice), what, outlook.chance)
    return Mend(number, _why(question, number, voice), None, plan.outlooks[number].chance)


def _changes(question: Question, voice: Voice) -> Iterator[tuple[str, Question]]:
    """Changes to try, in words, and the question so changed."""
    if any(lot.stock_g is not None for lot in question.lots):
        lots = tuple(replace(lot, stock_g=None) for lot in question.lots)
        yield "more cysts in stock", replace(question, lots=lots)
    for hours in (1.0, 2.0):
        yield (
            f"{hours:g} h more of your time at either end of your hours",
            replace(
                question,
                begins=_wider(question.begins, hours),
                harvests=_wider(question.harvests, hours),
            ),
        )
    for degrees in (1.0, 2.0, 4.0):
        if warmer := _warmer(question, degrees):
            yield f"water {_degrees(degrees, voice)} warmer", warmer
    most = max(question.cones, key=lambda cone: cone.most_g)
    another = replace(most, name=f"{most.name}-2")
    yield f"another cone like {most.name}", replace(question, cones=(*question.cones, another))
    denser = tuple(replace(cone, g_per_l=cone.g_per_l * 1.5) for cone in question.cones)
    yield "half as many grams again in a litre, beyond the density set", replace(question, cones=denser)
    if question.cold_h < 24.0:
        yield "a cold store for 24 h", replace(question, cold_h=24.0)
    if any(feeding.instar1 > 0.0 for feeding in question.feedings):
        fed = tuple(replace(feeding, instar1=0.0, usable=feeding.nauplii) for feeding in question.feedings)
        yield "taking usable nauplii for those of the first stage", replace(question, feedings=fed)


def _wider(presence: Presence, hours: float) -> Presence:
    spans: list[list[float]] = []
    for begin, end in presence.spans_h:
        if spans and begin - hours <= spans[-1][1]:
            spans[-1][1] = max(spans[-1][1], float(end) + hours)
        else:
            spans.append([max(float(begin) - hours, 0.0), float(end) + hours])
    return Presence(np.array(spans).reshape(-1, 2))


def _warmer(question: Question, degrees: float) -> Question | None:
    """With every heated cone so much warmer, as far as WARMEST_C; None where none can be."""

    def warm(cone: PlanCone) -> PlanCone:
        to_c = min(cone.water.target_c + degrees, max(WARMEST_C, cone.water.target_c))
        return cone if cone.water.cycle is not None else replace(cone, water=in_control(to_c))

    cones = tuple(warm(cone) for cone in question.cones)
    return None if cones == question.cones else replace(question, cones=cones)


def _degrees(degrees: float, voice: Voice) -> str:
    return f"{degrees * 1.8:g} °F" if voice.unit == "F" else f"{degrees:g} °C"


def _shares(question: Question, number: int, starts_h: Presence, freely: bool = False) -> float:
    """The best chance that any one batch begun in ``starts_h`` is at hand; ``freely``: strict or not."""
    feeding = question.feedings[number]
    time_h = question.hours(feeding.time)
    courses = Courses(question.origin, question.thresholds, question.widen)
    best = 0.0
    for cone in question.cones:
        for lot in question.in_stock:
            for start_h in starts_h.steps_h(max(time_h - 72.0, 0.0), time_h)[::2]:
                try:
                    outcome = courses.of(cone, lot, float(start_h)).moved(float(start_h))
                except Refused:
                    break
                harvest = question.harvests.next_h(outcome.opens_h)
                strict = feeding.instar1 > 0.0 and not freely
                best = max(best, float(at_hand(outcome, harvest, time_h, strict, question.cold_h).mean()))
    return best


def _reachable(question: Question, number: int) -> bool:
    """Whether a batch begun at this very moment could be ready in time, if not surely."""
    always = Presence(np.array([[0.0, question.end_h]]))
    return _shares(question, number, always, freely=True) >= question.wanted


def _too_soon(question: Question, number: int, voice: Voice) -> str:
    courses = Courses(question.origin, question.thresholds, question.widen)
    when = voice.time(question.feedings[number].time, question.origin)
    leads = []
    for cone in question.cones:
        for lot in question.in_stock:
            try:
                leads.append(float(np.quantile(courses.of(cone, lot, 0.0).opens_h, question.wanted)))
            except Refused:
                continue
    if not leads:
        return f"The feeding of {when} cannot be covered: no cone can be planned with."
    ready = voice.time(question.moment(min(leads)), question.origin)
    return (
        f"The feeding of {when} comes too soon, or the lot is too uncertain to be on time for it: a batch "
        "begun "
        f"now is ready by {ready} with a chance of {question.wanted:.0%}."
    )


def _why(question: Question, number: int, voice: Voice) -> str:
    feeding = question.feedings[number]
    when = voice.time(feeding.time, question.origin)
    begin = f"The feeding of {when} cannot have a chance of {question.wanted:.0%}: "
    if _shares(question, number, question.begins, freely=True) < question.wanted:
        return begin + "no start in your hours is ready and still good then, harvested in your hours."
    if feeding.instar1 > 0.0 and _shares(question, number, question.begins) < question.wanted:
        return (
            begin
            + "nauplii of the first stage are wanted, and their window is shorter than the doubt about when "
            "it opens."
        )
    most = max(cone.most_g for cone in question.cones)
    return begin + (
        f"{feeding.nauplii:,.0f} nauplii are needed, and the cones that are free (the largest holds "
        f"{most:g} g) "
        "or the cysts in stock do not give enough."
    )

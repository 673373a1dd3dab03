"""What running warmer costs, against being ready sooner."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hatchmon.hatchery.ahead import in_control
from hatchmon.hatchery.supply.sources import Courses, PlanCone, PlanLot
from hatchmon.hatchery.types import Refused


@dataclass(frozen=True, slots=True)
class Running:
    """A batch at ``temp_c``: hours to an open window, likely and with 90 % confidence, and what heating costs
    until then."""

    temp_c: float
    ready_h: float
    sure_h: float
    kwh: float
    cost: float


def running_costs(
    cone: PlanCone,
    lot: PlanLot,
    watts: float,
    room_c: float,
    price_per_kwh: float,
    courses: Courses,
    steps_c: Sequence[float] = (-2.0, -1.0, 0.0, 1.0, 2.0),
) -> list[Running]:
    """At the cone's own temperature and some beside it. ``watts``: the heater's mean draw at its own, in a
    room of ``room_c``: heat is lost in proportion to the difference (Newton's law of cooling). Temperatures
    that no hatch can be timed at, or not above the room's, are left out."""
    own_c = cone.water.target_c
    if own_c <= room_c:
        raise Refused(f"{cone.name} is not warmer than the room ({room_c:g} C): there is nothing to heat.")
    found = []
    for step in steps_c:
        temp_c = own_c + step
        if temp_c <= room_c:
            continue
        try:
            outcome = courses.of(replace(cone, water=in_control(temp_c)), lot, 0.0)
        except Refused:
            continue
        ready, sure = (float(each) for each in np.quantile(outcome.opens_h, (0.5, 0.9)))
        kwh = watts * (temp_c - room_c) / (own_c - room_c) * ready / 1000.0
        found.append(Running(temp_c, ready, sure, kwh, kwh * price_per_kwh))
    return found

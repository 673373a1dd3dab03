"""Invented hatcheries to plan for."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any

import numpy as np

from hatchmon.hatchery.ahead import in_control
from hatchmon.hatchery.supply.demand import EXAMPLE_RAMPS, Brood, FeedAt, Ramp, feedings
from hatchmon.hatchery.supply.keeper import Absence, presence
from hatchmon.hatchery.supply.plan import Question
from hatchmon.hatchery.supply.sources import PlanCone, PlanLot
from hatchmon.science.learning import LotBelief
from hatchmon.science.yields import Samples

ORIGIN = datetime(2026, 3, 2, 6, tzinfo=UTC)
HOURS = ((time(6, 30), time(9)), (time(17), time(22, 30)))
FEED_AT = (FeedAt(time(7, 30), 0.5), FeedAt(time(18, 30), 0.5))
COUNTED = tuple(Samples((int(40 * k), int(41 * k), int(39 * k)), grams=0.0006) for k in (1.0, 1.05, 0.97))


def lot(name: str = "river", hatches: float = 20.4, sd: float = 0.04, **known: Any) -> PlanLot:
    """A lot that has been hatched and counted: half at 25 C after ``hatches`` h, known to ``sd`` (ln)."""
    return PlanLot(name, LotBelief.prior(float(np.log(hatches)), sd), known.pop("counted", COUNTED), **known)


def cone(name: str, temp_c: float = 26.0, litres: float = 2.0) -> PlanCone:
    """A cone whose heater is in control."""
    return PlanCone(name, litres, 5.0, 0.5, in_control(temp_c), 30.0)


def broods(count: int, fry: int = 150) -> list[Brood]:
    """Broods of different ages, none strict."""
    return [
        Brood(
            f"brood-{i}", fry + 30 * i, date(2026, 2, 20) - timedelta(days=3 * i), ("small", "large")[i % 2]
        )
        for i in range(count)
    ]


def question(
    cones: Sequence[PlanCone],
    lots: Sequence[PlanLot],
    brood: Sequence[Brood],
    days: float = 4.0,
    *,
    origin: datetime = ORIGIN,
    ramps: dict[str, Ramp] | None = None,
    feed_at: Sequence[FeedAt] = FEED_AT,
    hours: Sequence[tuple[time, time]] = HOURS,
    away: Sequence[Absence] = (),
    zone: tzinfo = UTC,
    **more: Any,
) -> Question:
    """A question about these, from ``origin`` on."""
    end = origin + timedelta(days=days)
    fed = feedings(brood, {**EXAMPLE_RAMPS, **(ramps or {})}, feed_at, zone, origin, end)
    beyond = end + timedelta(days=4)
    return Question(
        origin,
        days * 24.0,
        tuple(fed),
        tuple(cones),
        tuple(lots),
        presence(hours, away, zone, origin, beyond),
        presence(hours, away, zone, origin, beyond, [each.time for each in fed]),
        **more,
    )

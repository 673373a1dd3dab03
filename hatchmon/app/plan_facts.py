"""A plan that has just been made, as plain data."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from hatchmon.app.plan_record import PLAN_VERSION
from hatchmon.app.settings import Settings
from hatchmon.app.supply import Asked
from hatchmon.app.supply_views import brood_facts
from hatchmon.hatchery.energy import running_costs
from hatchmon.hatchery.mixing import salt_g
from hatchmon.hatchery.supply.mend import Mend
from hatchmon.hatchery.supply.plan import Outlook, Plan, Planned
from hatchmon.hatchery.supply.sources import Courses, PlanCone
from hatchmon.hatchery.supply.stock import running_out
from hatchmon.hatchery.types import Band, Refused


def plan_facts(
    settings: Settings, asked: Asked, plan: Plan, mended: Mend | None, now: datetime
) -> dict[str, Any]:
    """A plan as plain data: times ISO 8601 UTC, nauplii as whole numbers, chances and shares 0 to 1; ``hand``
    is told by the hour, usable nauplii and those of the first stage."""
    question = plan.question
    prices = {lot.name: lot.price_per_kg for lot in question.lots}
    cones = {cone.name: cone for cone in question.cones}
    starts = [
        _start_facts(plan, each, cones[each.start.cone], prices[each.start.lot]) for each in plan.starts
    ]
    costs = [each["cost"] for each in starts]
    planned = [(each.start.lot, each.start.time, each.start.grams) for each in plan.starts]
    return {
        "version": PLAN_VERSION,
        "made": _iso(now),
        "days": asked.days,
        "wanted": question.wanted,
        "starts": starts,
        "feedings": [_feeding_facts(plan, each) for each in plan.outlooks],
        "hand": [
            {
                "at": _iso(question.moment(float(hour))),
                "usable": [round(float(each)) for each in usable],
                "instar1": [round(float(each)) for each in instar1],
            }
            for hour, usable, instar1 in zip(plan.hours, plan.hand, plan.instar1, strict=True)
        ],
        "grams": plan.grams,
        "cost": None if None in costs else round(sum(costs), 2),
        "wasted": round(plan.wasted),
        "gap": round(plan.gap, 4),
        "proven": plan.proven,
        "failing": None
        if mended is None
        else {
            "at": _iso(question.feedings[mended.feeding].time),
            "why": mended.why,
            "change": mended.change,
            "chance": round(mended.chance, 3),
            "tried": mended.tried,
        },
        "running_out": [
            {"lot": each.lot, "left_g": round(each.left_g, 1), "g_per_day": round(each.g_per_day, 2),
             "day": each.day.isoformat()}
            for each in running_out(asked.stock, planned, now, asked.days)
        ],
        "broods": [
            brood_facts(each, settings.supply.all_ramps[each.ramp_name], _today(settings, now))
            for each in asked.broods
        ],
        "energy": energy_facts(settings, plan),
        "notes": list(asked.notes),
    }  # fmt: skip


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")


def _today(settings: Settings, now: datetime) -> date:
    return now.astimezone(settings.zone).date()


def _start_facts(plan: Plan, planned: Planned, cone: PlanCone, price: float | None) -> dict[str, Any]:
    start = planned.start
    temp_c = float(cone.water.mean_c(np.array([6.0]))[0])
    salinity = 0.0 if cone.salinity is None else cone.salinity
    return {
        "cone": start.cone,
        "lot": start.lot,
        "at": _iso(start.time),
        "grams": start.grams,
        "litres": cone.litres,
        "salinity": salinity,
        "temp_c": round(temp_c, 1),
        "salt_g": round(salt_g(cone.litres, salinity, temp_c), 1),
        "opens": _moments(start.time, planned.opens),
        "closes": _moments(start.time, planned.closes),
        "for": [_iso(plan.question.feedings[number].time) for number in planned.serves],
        "nauplii": round(planned.nauplii),
        "wasted": round(planned.wasted),
        "cost": None if price is None else round(start.grams * price / 1000.0, 2),
        "kept": planned.kept,
    }


def _moments(start: datetime, band: Band) -> dict[str, str]:
    return {name: _iso(start + timedelta(hours=getattr(band, name))) for name in ("p10", "p50", "p90")}


def _feeding_facts(plan: Plan, outlook: Outlook) -> dict[str, Any]:
    feeding = outlook.feeding
    return {
        "at": _iso(feeding.time),
        "nauplii": round(feeding.nauplii),
        "instar1": round(feeding.instar1),
        "by_brood": {name: round(nauplii) for name, nauplii in feeding.by_brood},
        "chance": round(outlook.chance, 3),
        "short": round(outlook.short, 3),
        "met": outlook.met,
        "starts": list(outlook.starts),
        "on_hand": [plan.question.on_hand[number].name for number in outlook.on_hand],
    }


def energy_facts(settings: Settings, plan: Plan) -> dict[str, list[dict[str, float]]]:
    """By cone with a heater whose watts are known, what warmer and cooler water costs."""
    energy, question = settings.supply.energy, plan.question
    if energy is None:
        return {}
    courses = Courses(question.origin, question.thresholds, question.widen)
    found = {}
    for cone in question.cones:
        watts = settings.cones[cone.name].heater_watts
        if watts is None or cone.water.cycle is not None:
            continue
        try:
            runs = running_costs(
                cone, question.in_stock[0], watts, energy.room_c, energy.price_per_kwh, courses
            )
        except Refused:
            continue
        found[cone.name] = [
            {"temp_c": round(run.temp_c, 1), "ready_h": round(run.ready_h, 1), "sure_h": round(run.sure_h, 1),
             "kwh": round(run.kwh, 3), "cost": round(run.cost, 3)}
            for run in runs
        ]  # fmt: skip
    return found

"""How a plan is told: as plain data, and on the command line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from hatchmon.app.plan_record import PLAN_VERSION
from hatchmon.app.settings import Settings
from hatchmon.app.supply import Asked
from hatchmon.hatchery.energy import running_costs
from hatchmon.hatchery.mixing import Sheet, decapsulation_lines, grams_words, salt_g, sheet
from hatchmon.hatchery.supply.demand import Brood, Ramp, first_nauplii, foods_on
from hatchmon.hatchery.supply.mend import Mend
from hatchmon.hatchery.supply.plan import Outlook, Plan, Planned
from hatchmon.hatchery.supply.sources import Courses, PlanCone
from hatchmon.hatchery.supply.stock import Stock, running_out
from hatchmon.hatchery.types import Band, Refused
from hatchmon.hatchery.wording import Voice


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


def _today(settings: Settings, now: datetime) -> date:
    return now.astimezone(settings.zone).date()


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")


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


def brood_facts(brood: Brood, ramp: Ramp, today: date) -> dict[str, Any]:
    """A brood as it is today."""
    return {
        "brood": brood.name,
        "fry": brood.fry,
        "swam": brood.swam.isoformat(),
        "mouth": brood.mouth,
        "ramp": brood.ramp_name,
        "age_days": brood.age_days(today),
        "left": round(brood.left(today)),
        "nauplii_today": round(brood.nauplii(today, ramp)),
        "foods_today": foods_on(brood, ramp, today),
        "first_nauplii": first_nauplii(brood, ramp).isoformat(),
        "ends": None if brood.ends is None else brood.ends.isoformat(),
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


def next_sheet(facts: Mapping[str, Any], now: datetime) -> Sheet | None:
    """The mixing sheet for the next start of a plan given as plain data; None where none is to come."""
    coming = [each for each in facts["starts"] if datetime.fromisoformat(each["at"]) >= now]
    if not coming:
        return None
    first = coming[0]
    return sheet(
        first["cone"], first["lot"], datetime.fromisoformat(first["at"]), first["grams"], first["litres"],
        first["salinity"], first["temp_c"],
    )  # fmt: skip


# --- on the command line ------------------------------------------------------------------------


def plan_shown(facts: Mapping[str, Any], now: datetime, voice: Voice) -> RenderableType:
    """What to begin, what each feeding can count on, and what to mind."""
    parts: list[RenderableType] = []
    starts, fed = facts["starts"], facts["feedings"]
    if not fed:
        parts.append(Text(f"Nobody needs nauplii in the coming {facts['days']} days."))
    elif not starts:
        parts.append(Text("Nothing to begin."))
    else:
        parts.append(_starts_table(facts, now, voice))
    if fed:
        parts.append(_feedings_table(facts, now, voice))
        cost = "" if facts["cost"] is None else f", {facts['cost']:.2f} for cysts"
        grams = ", ".join(f"{grams:g} g of {lot}" for lot, grams in facts["grams"].items()) or "no cysts"
        parts.append(
            Text(
                f"  In all {grams}{cost}; about {number_words(facts['wasted'])} nauplii are likely never "
                f"fed.{gap_words(facts)}"
            )
        )
    failing = facts["failing"]
    if failing is not None:
        parts.append(Text(f"! {failing['why']} {change_words(failing)}", style="yellow"))
    for each in facts["running_out"]:
        parts.append(
            Text(
                f"! Lot {each['lot']}: {each['left_g']:g} g left, at {each['g_per_day']:g} g a day until "
                "about "
                f"{each['day']}.",
                style="yellow",
            )
        )
    parts += [Text(f"! {note}", style="yellow") for note in facts["notes"]]
    parts += _energy_lines(facts, voice)
    return Group(*parts)


def gap_words(facts: Mapping[str, Any]) -> str:
    """How far from the best a plan may be; begins with a space."""
    if not facts["proven"]:
        return " Some batches stand in for others that are not sure enough alone: tried, not proven best."
    return f" A better plan could save at most {facts['gap']:.1%}." if facts["gap"] >= 0.0005 else ""


def change_words(failing: Mapping[str, Any]) -> str:
    """What would mend the feeding that fails."""
    if failing["change"] is None:
        said = f"Its chance is {failing['chance']:.0%}"
        return f"{said}; no small change that was tried mends it." if failing["tried"] else f"{said}."
    return f"What would mend it: {failing['change']} (then {failing['chance']:.0%})."


def _when(text: str, now: datetime, voice: Voice) -> str:
    return voice.time(datetime.fromisoformat(text), now)


def _starts_table(facts: Mapping[str, Any], now: datetime, voice: Voice) -> Table:
    table = Table(box=box.SIMPLE_HEAD, title="Begin", title_justify="left")
    for name in ("when", "cone", "cysts", "brine", "salt", "window opens", "for", "never fed"):
        table.add_column(name, justify="right" if name in ("cysts", "salt", "never fed") else "left")
    for each in facts["starts"]:
        opens = [_when(each["opens"][name], now, voice) for name in ("p10", "p50", "p90")]
        table.add_row(
            _when(each["at"], now, voice),
            each["cone"],
            f"{each['grams']:g} g {each['lot']}",
            f"{each['litres']:g} L at {each['salinity']:g} g/L",
            grams_words(each["salt_g"]),
            f"about {opens[1]} ({opens[0]} to {opens[2]})",
            ", ".join(_when(at, now, voice) for at in each["for"]),
            f"{number_words(each['wasted'])} of {number_words(each['nauplii'])}",
        )
    return table


def _feedings_table(facts: Mapping[str, Any], now: datetime, voice: Voice) -> Table:
    table = Table(box=box.SIMPLE_HEAD, title="Feed", title_justify="left")
    for name in ("when", "nauplii", "first stage", "covered", "from"):
        table.add_column(name, justify="right" if name in ("nauplii", "first stage", "covered") else "left")
    for each in facts["feedings"]:
        sources = [f"{_at(facts, number, now, voice)}" for number in each["starts"]] + each["on_hand"]
        table.add_row(
            _when(each["at"], now, voice),
            number_words(each["nauplii"]),
            number_words(each["instar1"]) if each["instar1"] else "-",
            f"{each['chance']:.0%}" + ("" if each["met"] else " !"),
            "; ".join(sources) or "-",
        )
    return table


def _at(facts: Mapping[str, Any], number: int, now: datetime, voice: Voice) -> str:
    start = facts["starts"][number]
    return f"{start['cone']} of {_when(start['at'], now, voice)}"


def _energy_lines(facts: Mapping[str, Any], voice: Voice) -> list[RenderableType]:
    return [Text(f"  {line}", style="dim") for line in energy_words(facts, voice)]


def energy_words(facts: Mapping[str, Any], voice: Voice) -> list[str]:
    """By cone, what warmer and cooler water costs."""
    lines = []
    for cone, runs in facts["energy"].items():
        said = "; ".join(
            f"{voice.temp(run['temp_c'])} ready in {run['ready_h']:g} h (by {run['sure_h']:g} h with 90 %), "
            f"{run['kwh']:.2g} kWh, {run['cost']:.2f}"
            for run in runs
        )
        lines.append(f"{cone}, heating a batch: {said}")
    return lines


def number_words(number: float) -> str:
    """``850``, ``12,000`` or ``1.25 M``."""
    if number >= 999_500:
        return f"{number / 1e6:.2f} M"
    return f"{round(number, -3):,.0f}" if number >= 10_000 else f"{number:,.0f}"


def sheet_shown(found: Sheet | None, decapsulation: bool, now: datetime, voice: Voice) -> RenderableType:
    """The mixing sheet, with that for taking shells off if wished."""
    if found is None:
        return Text("Nothing to begin: no sheet.")
    lines = [f"{found.cone}, {voice.time(found.at, now)}", *(f"- {line}" for line in found.lines())]
    if decapsulation:
        lines += [
            "",
            "Taking the shells off first, if at all",
            *(f"- {x}" for x in decapsulation_lines(found.grams)),
        ]
    return Text("\n".join(lines))


def sheet_json(found: Sheet | None, decapsulation: bool) -> dict[str, Any] | None:
    """The same as plain data."""
    if found is None:
        return None
    return {
        "cone": found.cone,
        "lot": found.lot,
        "at": _iso(found.at),
        "grams": found.grams,
        "teaspoons_rough": round(found.teaspoons, 1),
        "litres": found.litres,
        "salinity": found.salinity,
        "temp_c": found.temp_c,
        "salt_g": {kind: round(grams, 1) for kind, grams in found.salt_g},
        "bicarbonate_g_at_most": round(found.bicarbonate_g, 2),
        "lines": found.lines(),
        "decapsulation": decapsulation_lines(found.grams) if decapsulation else None,
    }


def broods_shown(facts: Sequence[Mapping[str, Any]]) -> RenderableType:
    """Broods as a table."""
    if not facts:
        return Text("No brood yet. Note one: hatchmon brood NAME --fry 120 --swam 2026-03-01")
    table = Table(box=box.SIMPLE_HEAD)
    for name in (
        "brood",
        "age",
        "fry left",
        "nauplii today",
        "takes today",
        "first nauplii",
        "ramp",
        "until",
    ):
        table.add_column(name, justify="right" if name in ("age", "fry left", "nauplii today") else "left")
    for each in facts:
        table.add_row(
            each["brood"], f"{each['age_days']} days", f"{each['left']:,}", f"{each['nauplii_today']:,}",
            ", ".join(each["foods_today"]) or "-", each["first_nauplii"], each["ramp"], each["ends"] or "-",
        )  # fmt: skip
    return table


def stock_facts(stock: Sequence[Stock]) -> list[dict[str, Any]]:
    """What is left of each lot, as plain data."""
    return [
        {
            "lot": each.lot,
            "grams": round(each.grams, 2),
            "opened": None if each.opened is None else each.opened.isoformat(),
            "price_per_kg": each.price_per_kg,
        }
        for each in stock
    ]


def stock_shown(stock: Sequence[Stock]) -> RenderableType:
    """The same as a table."""
    if not stock:
        return Text("No lot was weighed yet. Note one: hatchmon stock LOT --grams 100")
    table = Table(box=box.SIMPLE_HEAD, caption="Grams: as weighed, less what was begun since.")
    for name in ("lot", "left", "opened", "price of a kilogram"):
        table.add_column(name, justify="right" if name in ("left", "price of a kilogram") else "left")
    for each in stock:
        opened = "-" if each.opened is None else each.opened.isoformat()
        price = "-" if each.price_per_kg is None else f"{each.price_per_kg:g}"
        table.add_row(each.lot, f"{each.grams:g} g", opened, price)
    return table

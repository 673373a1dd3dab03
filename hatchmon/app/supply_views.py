"""A plan, broods and stock in words and as plain data, for command line and page; nothing here plans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from hatchmon.hatchery.mixing import Sheet, decapsulation_lines, sheet
from hatchmon.hatchery.supply.demand import Brood, Ramp, first_nauplii, foods_on
from hatchmon.hatchery.supply.stock import Stock
from hatchmon.hatchery.wording import Voice


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


def sheet_json(found: Sheet | None, decapsulation: bool) -> dict[str, Any] | None:
    """The same as plain data."""
    if found is None:
        return None
    return {
        "cone": found.cone,
        "lot": found.lot,
        "at": found.at.isoformat(timespec="seconds"),
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

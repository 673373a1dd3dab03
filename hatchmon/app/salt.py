"""How much salt, or fresh water, makes the brine a keeper wishes for."""

from __future__ import annotations

import json
import math
import re
from dataclasses import asdict, dataclass
from typing import Any

from hatchmon.hatchery.types import Refused
from hatchmon.science import parameters as par
from hatchmon.science import water

# What is known of salinity and hatching; the texts say g/L and do not tell it from g/kg, so the milder
# reading is taken. Studies conflict on a penalty at 5-15 g/L: none is named.
_USABLE = (5.0, 35.0)
_NONE_ABOVE = (85.0, 90.0)
_SALINITY_SOURCE = "practice text after FAO"
_PRACTICE = "common practice, no source"

_AMOUNT = re.compile(r"\s*((?:\d+\.?\d*|\.\d+))\s*(g/kg|ppt|psu|g/l)?\s*", re.IGNORECASE)


class Unclear(Exception):
    """What was asked cannot be read; the message says how to ask."""


@dataclass(frozen=True, slots=True)
class Advice:
    """A line of advice and where it comes from."""

    text: str
    source: str


@dataclass(frozen=True, slots=True)
class SaltPlan:
    """``litres`` of brine at ``temp_c`` from water of ``start`` to ``target`` (both PSU): ``grams`` of
    salt, or fresh water instead."""

    litres: float
    target: float
    start: float
    temp_c: float
    sg_ref_c: float
    purity: float
    grams: float
    dilution: water.Dilution | None

    @property
    def g_per_l(self) -> float:
        """The wished salinity in g/L at ``temp_c``."""
        return water.g_per_l(self.target, self.temp_c)

    @property
    def ms_per_cm(self) -> float | None:
        """What a meter that compensates to 25 C should show; None off the practical salinity scale."""
        if water.PSS78_FROM <= self.target <= water.PSS78_TO:
            return water.conductivity_from_salinity(self.target, 25.0)
        return None

    @property
    def oxygen_mg_per_l(self) -> float | None:
        """What full aeration holds; None where the equation does not reach."""
        if water.approximate(self.target):
            return None
        return water.oxygen_saturation_mg_per_l(self.target, self.temp_c)


def plan_salt(
    litres: float,
    salinity: str | None,
    sg: float | None,
    sg_ref_c: float,
    conductivity: float | None,
    temp_c: float,
    start: str,
    purity: float,
) -> SaltPlan:
    """The plan for one wish: exactly one of ``salinity``, ``sg`` and ``conductivity`` (mS/cm at ``temp_c``).

    Raises Unclear for a question that cannot be read and Refused for water the equations do not cover.
    """
    if sum(wish is not None for wish in (salinity, sg, conductivity)) != 1:
        raise Unclear("Say the water you wish for once: --salinity, --sg or --conductivity.")
    if not (math.isfinite(litres) and litres > 0.0):
        raise Unclear(f"--litres: {litres:g} is not a volume; give litres above 0.")
    if not 0.01 <= purity <= 1.0:
        raise Unclear(f"--purity: {purity:g} is not a share; give 1 for pure dry salt, .95 for damp salt.")
    try:
        if salinity is not None:
            target = _salinity("--salinity", salinity, temp_c)
        elif sg is not None:
            target = water.salinity_from_specific_gravity(sg, temp_c, sg_ref_c)
        else:
            assert conductivity is not None
            target = water.salinity_from_conductivity(conductivity, temp_c)
        begun = _salinity("--from", start, temp_c)
        to, has = water.g_per_kg(target), water.g_per_kg(begun)
        too_salty = has > to
        return SaltPlan(
            litres=litres,
            target=target,
            start=begun,
            temp_c=temp_c,
            sg_ref_c=sg_ref_c,
            purity=purity,
            grams=0.0 if too_salty else water.salt_grams(litres, to, has, purity, temp_c),
            dilution=water.dilution(litres, to, has, temp_c) if too_salty else None,
        )
    except ValueError as why:
        raise Refused(str(why)) from None


def _salinity(option: str, text: str, temp_c: float) -> float:
    """PSU from what the keeper wrote; a number alone is g/kg."""
    read = _AMOUNT.fullmatch(text)
    if read is None:
        raise Unclear(f"{option}: '{text}' is not a salinity; write 25, 25g/kg, 25ppt, 25psu or 25g/L.")
    amount, unit = float(read[1]), (read[2] or "g/kg").lower()
    if unit == "psu":
        return amount
    return (
        water.salinity_from_g_per_l(amount, temp_c) if unit == "g/l" else water.salinity_from_g_per_kg(amount)
    )


def advice(plan: SaltPlan) -> list[Advice]:
    """What to mind about this water."""
    lines = []
    g_per_kg = round(water.g_per_kg(plan.target), 6)
    if g_per_kg > _NONE_ABOVE[0]:
        text = f"At {plan.g_per_l:.0f} g/L expect no hatch: none is known above {_NONE_ABOVE[0]:g} to "
        lines.append(Advice(text + f"{_NONE_ABOVE[1]:g} g/L.", _SALINITY_SOURCE))
    elif plan.g_per_l < _USABLE[0] or g_per_kg > _USABLE[1]:
        text = (
            f"{plan.g_per_l:.1f} g/L lies outside the {_USABLE[0]:g} to {_USABLE[1]:g} g/L used for hatching."
        )
        lines.append(Advice(text, _SALINITY_SOURCE))
    if water.approximate(plan.target) or water.approximate(plan.start):
        text = f"Above {water.EOS80_TO:g} PSU these figures are approximate."
        lines.append(Advice(text, "UNESCO Technical Papers in Marine Science 44, range of the equations"))
    text = f"Keep the pH above 8; up to {_grams(plan.litres)} g of sodium bicarbonate for this volume helps."
    lines.append(Advice(text, par.FAO_428))
    if plan.grams > 0.0:
        lines += [
            Advice("Dissolve the salt and aerate well before the cysts go in.", _PRACTICE),
            Advice("Common salt will do if it has no anti-caking additive.", _PRACTICE),
            Advice(
                "Instruments are scaled for sea water; in common salt alone they read a few per cent off.",
                "handbook values, from memory",
            ),
        ]
    return lines


CAUTION = (
    "Mains power beside salt water can kill: unplug heater, lamp and air pump before hands go into the "
    "water, use a residual-current device and drip loops, follow the local code and leave wiring to a "
    "qualified electrician."
)


def salt_json(plan: SaltPlan) -> str:
    """The plan as JSON: salinities in PSU, g/kg and g/L."""
    said: dict[str, Any] = {
        "grams": round(plan.grams, 2),
        "dilution": None
        if plan.dilution is None
        else {name: round(litres, 3) for name, litres in asdict(plan.dilution).items()},
        "litres": plan.litres,
        "temp_c": plan.temp_c,
        "purity": plan.purity,
        "start_g_per_kg": round(water.g_per_kg(plan.start), 3),
        "target": {
            "g_per_kg": round(water.g_per_kg(plan.target), 3),
            "g_per_l": round(plan.g_per_l, 3),
            "psu": round(plan.target, 3),
            "specific_gravity": round(_sg(plan), 5),
            "specific_gravity_ref_c": plan.sg_ref_c,
            "ms_per_cm_25_c": None if plan.ms_per_cm is None else round(plan.ms_per_cm, 3),
        },
        "oxygen_saturation_mg_per_l": None
        if plan.oxygen_mg_per_l is None
        else round(plan.oxygen_mg_per_l, 2),
        "approximate": water.approximate(plan.target) or water.approximate(plan.start),
        "advice": [asdict(line) for line in advice(plan)],
        "caution": CAUTION,
    }
    return json.dumps(said, indent=2, ensure_ascii=False)


def salt_text(plan: SaltPlan) -> str:
    """The plan in a few lines: what to do, what instruments should then show, what to mind."""
    has, to = water.g_per_kg(plan.start), water.g_per_kg(plan.target)
    if plan.dilution is not None:
        first = (
            f"The water is too salty, {has:.1f} g/kg for {to:.1f} wished. Of {plan.litres:g} L take out "
            f"{plan.dilution.remove_l:.2f} L and pour in {plan.dilution.refill_l:.2f} L of fresh water; "
            f"or pour {plan.dilution.add_l:.2f} L of fresh water onto all of it."
        )
    elif plan.grams == 0.0:
        first = "No salt is needed: the water is as wished."
    else:
        salt = "pure dry salt" if plan.purity == 1.0 else f"salt that is {100.0 * plan.purity:.3g} % pure"
        source = "fresh water" if plan.start == 0.0 else f"water of {has:.1f} g/kg"
        first = f"{_grams(plan.grams)} g of {salt}, made up with {source} to {plan.litres:g} L."
    shows = [f"{plan.target:.1f} PSU", f"specific gravity {_sg(plan):.4f} ({plan.sg_ref_c:g} C glass)"]
    if plan.ms_per_cm is not None:
        shows.append(f"{plan.ms_per_cm:.1f} mS/cm compensated to 25 C")
    lines = [
        first,
        f"That is {to:.1f} g/kg, {plan.g_per_l:.1f} g/L at {plan.temp_c:g} C.",
        f"It should show {', '.join(shows)}.",
    ]
    if plan.oxygen_mg_per_l is not None:
        lines.append(
            f"Well aerated it holds {plan.oxygen_mg_per_l:.1f} mg/L of oxygen (Garcia & Gordon 1992)."
        )
    lines += [f"- {line.text} ({line.source})" for line in advice(plan)]
    return "\n".join([*lines, f"! {CAUTION}"])


def _grams(grams: float) -> str:
    return f"{grams:.0f}" if grams >= 100.0 else f"{grams:.3g}"


def _sg(plan: SaltPlan) -> float:
    return water.specific_gravity(plan.target, plan.temp_c, plan.sg_ref_c)

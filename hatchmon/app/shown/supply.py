"""How the command line shows a plan, broods and stock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from hatchmon.app.supply_views import change_words, energy_words, gap_words, number_words
from hatchmon.hatchery.mixing import Sheet, decapsulation_lines, grams_words
from hatchmon.hatchery.supply.stock import Stock
from hatchmon.hatchery.wording import Voice


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

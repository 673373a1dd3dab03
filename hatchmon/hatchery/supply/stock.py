"""Broods and cysts in stock, as a keeper may note them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from hatchmon.hatchery.supply.demand import Brood
from hatchmon.hatchery.types import Refused

_OLDEST = timedelta(days=730)
_MOST_FRY = 10_000_000
_MOST_G = 1_000_000.0


@dataclass(frozen=True, slots=True)
class Stock:
    """Grams of a lot that are left, the day its tin was opened and what a kilogram costs, where known."""

    lot: str
    grams: float
    opened: date | None = None
    price_per_kg: float | None = None


def check_brood(brood: Brood, ramps: Collection[str], today: date) -> None:
    """Raises Refused for a brood that cannot be."""
    if not brood.name.strip() or len(brood.name) > 40:
        raise Refused("A brood's name has 1 to 40 characters.")
    if not 1 <= brood.fry <= _MOST_FRY:
        raise Refused(f"A brood has 1 to {_MOST_FRY:,} fry, not {brood.fry:,}.")
    if not 0.0 <= brood.loss_per_day < 1.0:
        raise Refused("Losses are a share of the fry left a day, from 0 to under 100 %.")
    if not today - _OLDEST <= brood.swam <= today + timedelta(days=60):
        raise Refused(
            f"{brood.name} cannot have begun to swim freely on {brood.swam}: give a day within the last two "
            "years, or of the next 60 days for a brood you expect."
        )
    if brood.ends is not None and brood.ends <= brood.swam:
        raise Refused(f"{brood.name} would end on {brood.ends}, before it began on {brood.swam}.")
    if brood.ramp_name not in ramps:
        raise Refused(
            f"There is no ramp '{brood.ramp_name}'; there are {', '.join(sorted(ramps))}. A ramp of your own "
            f"goes into the settings: [supply.ramps.{brood.ramp_name}]"
        )


def check_stock(stock: Stock, today: date) -> None:
    """Raises Refused for a stock that cannot be."""
    if not stock.lot.strip():
        raise Refused("The lot needs a name.")
    if not 0.0 <= stock.grams <= _MOST_G:
        raise Refused(f"{stock.grams:g} g of {stock.lot}: give grams from 0 to {_MOST_G:g}.")
    if stock.opened is not None and stock.opened > today:
        raise Refused(f"{stock.lot} cannot have been opened on {stock.opened}, which is still to come.")
    if stock.price_per_kg is not None and not 0.0 < stock.price_per_kg <= 1e9:
        raise Refused(f"A kilogram of {stock.lot} cannot cost {stock.price_per_kg:g}.")


@dataclass(frozen=True, slots=True)
class RunningOut:
    """A lot that is used up on ``day`` at the planned use, ``g_per_day``."""

    lot: str
    left_g: float
    g_per_day: float
    day: date


def running_out(
    stock: Sequence[Stock], planned: Sequence[tuple[str, datetime, float]], now: datetime, days: float
) -> list[RunningOut]:
    """Lots that last less than four weeks at the use planned, (lot, when, grams), over ``days`` from
    ``now``."""
    found = []
    for each in stock:
        used = sum(grams for lot, _, grams in planned if lot == each.lot)
        if used > 0.0 and each.grams / used * days < 28.0:
            last = now + timedelta(days=each.grams / used * days)
            found.append(RunningOut(each.lot, each.grams, used / days, last.date()))
    return found

"""How the command line shows lots of cysts: what was hatched of them, what they yield."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from hatchmon.adapters.store import Store
from hatchmon.app.beliefs import Beliefs
from hatchmon.app.record import thresholds_of
from hatchmon.app.requests import interval_facts
from hatchmon.app.settings import Settings
from hatchmon.app.views import BatchRow, batch_rows
from hatchmon.hatchery.ahead import in_control
from hatchmon.hatchery.backplan import BackPlan, back_plan
from hatchmon.hatchery.counts import LotYield, falling_words, lot_yield, per_gram_words, percent_words
from hatchmon.hatchery.units import both_scales
from hatchmon.science.yields import Interval, cost_per_million

PLANNED_AT_C = 26.0
PLANNED_FOR = (0.5, 0.8)  # chance of 90 % hatched in time


@dataclass(frozen=True, slots=True)
class LotRow:
    """One lot: its batches, oldest first, what its counts say, what a million nauplii cost, and how long
    before the wanted time to start one for each chance of PLANNED_FOR, at PLANNED_AT_C and in light."""

    lot: str
    rows: Sequence[BatchRow]
    yields: LotYield
    cost: Interval | None
    plans: Sequence[BackPlan]

    @property
    def mean_harvest_h(self) -> float | None:
        """Mean hours from start to harvest."""
        ended = [row.batch for row in self.rows if row.batch.outcome == "harvested"]
        hours = [batch.hours_at(batch.ended) for batch in ended if batch.ended is not None]
        return sum(hours) / len(hours) if hours else None

    def outcomes(self) -> Mapping[str, int]:
        """Numbers of batches, in all and by what became of them."""
        outcomes = [row.batch.outcome for row in self.rows]
        return {
            "batches": len(outcomes),
            "running": outcomes.count(None),
            "harvested": outcomes.count("harvested"),
            "discarded": outcomes.count("discarded"),
        }


def lot_rows(store: Store, settings: Settings, now: datetime) -> list[LotRow]:
    """All lots by name; cost where the settings know the price."""
    by_lot: dict[str, list[BatchRow]] = {}
    for row in batch_rows(store, None, None):
        by_lot.setdefault(row.batch.lot, []).append(row)
    beliefs = Beliefs(store, thresholds_of(settings))

    def plans(lot: str) -> list[BackPlan]:
        water, widen = in_control(PLANNED_AT_C), beliefs.honesty.widen
        return [
            back_plan(beliefs.of(lot), water, now, chance, thresholds_of(settings), widen=widen)
            for chance in PLANNED_FOR
        ]

    return [_lot_row(lot, of_lot, settings, plans(lot)) for lot, of_lot in sorted(by_lot.items())]


def _lot_row(lot: str, rows: Sequence[BatchRow], settings: Settings, plans: Sequence[BackPlan]) -> LotRow:
    t90s = [None if row.last is None or row.last.t90 is None else row.last.t90.p50 for row in rows]
    yields = lot_yield((row.batch, row.counts, t90) for row, t90 in zip(rows, t90s, strict=True))
    known = settings.lots.get(lot)
    cost = None
    if known is not None and known.price_per_kg is not None and yields.per_gram is not None:
        cost = cost_per_million(yields.per_gram, known.price_per_kg)
    return LotRow(lot, rows, yields, cost, plans)


def lots_json(lots: Iterable[LotRow]) -> list[dict[str, Any]]:
    """Lots as plain data; every measure of yield with its 80 % interval, shares 0 to 1."""
    return [_lot_json(lot) for lot in lots]


def _lot_json(lot: LotRow) -> dict[str, Any]:
    yields, fall = lot.yields, lot.yields.falling
    mean = lot.mean_harvest_h
    return {
        "lot": lot.lot,
        **lot.outcomes(),
        "grams": round(sum(row.batch.grams for row in lot.rows), 3),
        "looks": sum(len(row.looks) for row in lot.rows),
        "mean_harvest_h": None if mean is None else round(mean, 2),
        "last_started": max(row.batch.started for row in lot.rows).isoformat(timespec="seconds"),
        "start_before": {
            "water_c": PLANNED_AT_C,
            **{
                f"p{chance * 100:.0f}": {"h": round(plan.lead_h, 2), "window_closed": round(plan.closed, 2)}
                for chance, plan in zip(PLANNED_FOR, lot.plans, strict=True)
            },
        },
        "counted": yields.counted,
        "hatched_share": interval_facts(yields.share, 4),
        "nauplii_per_gram": interval_facts(yields.per_gram, 0),
        "output_mg_per_g": interval_facts(yields.output_mg, 1),
        "cost_per_million": interval_facts(lot.cost, 4),
        "falling_off": None
        if fall is None
        else {
            "measure": "hatched_share" if fall.measure == "share" else "nauplii_per_gram",
            "batches": fall.batches,
            "since": fall.since.isoformat(timespec="seconds"),
            "drop": interval_facts(fall.drop, 4),
        },
    }


def lots_shown(lots: Sequence[LotRow]) -> RenderableType:
    """Lots as a table, what they yield as another, and those that are falling off."""
    if not lots:
        return Text("No lot yet. A lot appears with its first batch: hatchmon begin CONE --lot LOT --grams G")
    parts: list[RenderableType] = [_used(lots)]
    counted = [lot for lot in lots if lot.yields.counted]
    if counted:
        parts.append(_yielded(counted))
    for lot in counted:
        if lot.yields.falling is not None:
            parts.append(Text(f"! {lot.lot} {falling_words(lot.yields.falling)}", style="yellow"))
    return Group(*parts)


def _used(lots: Iterable[LotRow]) -> Table:
    table = Table(
        box=box.SIMPLE_HEAD,
        caption="Start before: hours that are enough for 90 % to hatch with this chance, in light and "
        f"at {both_scales(PLANNED_AT_C)}. In brackets: the chance that the window has closed by then.",
    )
    table.add_column("lot")
    for name in ("batches", "running", "harvested", "discarded", "grams used", "looks", "mean harvest"):
        table.add_column(name, justify="right")
    for chance in PLANNED_FOR:
        table.add_column(f"start before, {chance * 100:.0f} %", justify="right")
    for lot in lots:
        mean = "-" if lot.mean_harvest_h is None else f"{lot.mean_harvest_h:.1f} h"
        grams = f"{sum(row.batch.grams for row in lot.rows):g}"
        looks = str(sum(len(row.looks) for row in lot.rows))
        leads = [f"{plan.lead_h:.1f} h ({plan.closed * 100:.0f} %)" for plan in lot.plans]
        table.add_row(lot.lot, *map(str, lot.outcomes().values()), grams, looks, mean, *leads)
    return table


def _yielded(lots: Iterable[LotRow]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, caption="In brackets: between these with a chance of 80 %.")
    table.add_column("lot")
    for name in ("counted batches", "hatched", "nauplii per gram", "mg dry per gram", "cost per million"):
        table.add_column(name, justify="right")
    for lot in lots:
        share, per_gram, output = lot.yields.share, lot.yields.per_gram, lot.yields.output_mg
        table.add_row(
            lot.lot,
            str(lot.yields.counted),
            "-" if share is None else percent_words(share),
            "-" if per_gram is None else per_gram_words(per_gram),
            "-" if output is None else f"{output.value:.0f} ({output.low:.0f} to {output.high:.0f})",
            "-" if lot.cost is None else _price(lot.cost),
        )
    return table


def _price(cost: Interval) -> str:
    return f"{cost.value:.2f} ({cost.low:.2f} to {cost.high:.2f})"

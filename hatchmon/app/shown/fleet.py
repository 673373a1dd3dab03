"""How the command line shows all sites."""

from __future__ import annotations

from collections.abc import Sequence

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from hatchmon.app.fleet_views import (
    SHOWN,
    coverage_words,
    heard_words,
    lag_words,
    pace_words,
    say,
    share_words,
    told_at,
)
from hatchmon.hatchery.fleet import Fleet, LotThere
from hatchmon.hatchery.wording import Voice


def fleet_shown(fleet: Fleet, voice: Voice, everything: bool = False) -> RenderableType:
    """All of it in words and tables; without ``everything`` the most pressing alone."""
    if not fleet.sites:
        return Text("No site has written to this store in the last 30 days.")
    parts: list[RenderableType] = [Text(heard_words(fleet))]
    parts += [Text(f"  {lag_words(site, fleet, voice)}", style="yellow") for site in fleet.lags]
    parts += [Text(""), _next_table(fleet, voice, everything)]
    told = told_at(fleet)
    if told:
        parts.append(Text("Told in the last day, and still so"))
        shown = told if everything else told[:SHOWN]
        parts += [
            Text(f"  {each.urgency:4} {each.site:12} {each.title} ({voice.time(each.raised, fleet.at)})")
            for each in shown
        ]
        parts += [_more(len(told) - len(shown)), Text("")]
    if fleet.lots:
        parts.append(_lots_table(fleet.lots))
    parts += [_sites_table(fleet, voice), Text(coverage_words(fleet.coverage))]
    return Group(*parts)


def _next_table(fleet: Fleet, voice: Voice, everything: bool) -> RenderableType:
    hatching = fleet.hatching
    if not hatching:
        return Text("Nothing hatches anywhere.\n")
    shown = hatching if everything else hatching[:SHOWN]
    table = Table(box=box.SIMPLE_HEAD, title_justify="left", caption_justify="left")
    for heading in ("site", "cone", "lot", "next"):
        table.add_column(heading)
    for each in shown:
        table.add_row(each.site, each.batch.cone, each.batch.lot, say(each, fleet, voice))
    return Group(table, _more(len(hatching) - len(shown)))


def _more(count: int) -> Text:
    return Text(f"  and {count} more: hatchmon fleet --all" if count else "")


def _lots_table(lots: Sequence[LotThere]) -> Table:
    table = Table(box=box.SIMPLE_HEAD)
    for heading in ("lot", "batches", "sites", "90 % hatched, beside what was said", "of full cysts hatched"):
        table.add_column(heading, justify="right" if heading in ("batches", "sites") else "left")
    for lot in lots:
        table.add_row(
            lot.lot, str(lot.batches), str(lot.sites), pace_words(lot.pace, "as said"), share_words(lot.share)
        )
    return table


def _sites_table(fleet: Fleet, voice: Voice) -> Table:
    table = Table(box=box.SIMPLE_HEAD)
    for heading in (
        "site",
        "last heard",
        "hatching",
        "beside the others, same lots",
        "first bands that held",
    ):
        table.add_column(heading, justify="right" if heading == "hatching" else "left")
    for site in fleet.sites:
        heard = "-" if site.last is None else voice.time(site.last, fleet.at)
        table.add_row(
            site.name,
            f"{heard}, lags" if site.lags else heard,
            str(len(site.hatching)),
            pace_words(site.pace, "alike"),
            f"{site.coverage.inside} of {site.coverage.count}" if site.coverage.count else "-",
        )
    return table

"""The coming days: what to begin, which feedings it covers, what is left; from the plan issued last."""

from __future__ import annotations

from collections.abc import Collection
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Any

from jinja2 import UndefinedError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from hatchmon.adapters.store import Store
from hatchmon.app.charts.graph import Graph, graph_of, rows_of
from hatchmon.app.charts.supply import supply_charts
from hatchmon.app.pages.doing import after
from hatchmon.app.pages.review import csv_file, plotly_path
from hatchmon.app.pages.site import Site
from hatchmon.app.plan_record import Issued, issued_of
from hatchmon.app.plan_watch import OLD
from hatchmon.app.supply_views import (
    brood_facts,
    change_words,
    energy_words,
    gap_words,
    next_sheet,
    number_words,
    stock_facts,
)
from hatchmon.hatchery.mixing import decapsulation_lines, grams_words

NAV = (("/supply", "Supply"),)
OVERDUE = timedelta(hours=6)  # a start not made is shown so long
NOW_MOVES_MIN = 5  # the line of now in a graph of days
BEGUN_BY_TAP = timedelta(hours=2)  # before its time, a start may be noted by one tap
# Another program may issue a plan of which only the starts are as they should be: no failure of ours.
_ODD = (LookupError, TypeError, ValueError, AttributeError, UndefinedError)


def routes(site: Site) -> list[BaseRoute]:
    """``/supply``, and the numbers of its graphs."""

    drawn: list[tuple[object, list[Graph]]] = []  # of the plan shown last, as it was a while ago

    def graphs_of(issued: Issued, now: datetime) -> list[Graph]:
        mark = (
            issued.number,
            now.replace(minute=now.minute // NOW_MOVES_MIN * NOW_MOVES_MIN, second=0, microsecond=0),
        )
        for known, graphs in drawn:
            if known == mark:
                return graphs
        graphs = [graph_of(chart) for chart in supply_charts(issued.facts, now, site.voice)]
        drawn[:] = [(mark, graphs)]
        return graphs

    def show(request: Request) -> Response:
        now = site.clock.now()
        with site.reading() as store:
            issued = issued_of(store)
            some = store.last_plan() is not None
            common: dict[str, Any] = {
                "title": "Supply",
                "broods": _broods(site, store, now),
                "stock": stock_facts(store.stock()),
                "number_words": number_words,
                "today": now.astimezone(site.voice.zone).date().isoformat(),
                "placed": bool(site.settings.cones),
                "cone_named": next(iter(store.cones()), "bench"),
                "notice": after(site, store, request),
                "plotly": plotly_path(),
            }
            common["lacking"] = not (common["broods"] and common["stock"] and common["placed"])
            own = filter(site.settings.looks_after, store.cones())
            free = set(own) - {batch.cone for batch in store.batches("ended_us IS NULL")}
        if issued is not None:
            with suppress(*_ODD):
                return site.page(
                    request,
                    "supply.html",
                    **common,
                    graphs=graphs_of(issued, now),
                    **_told(site, issued, free, now),
                )
        return site.page(request, "supply.html", **common, facts=None, some=some)

    def numbers(request: Request) -> Response:
        with site.reading() as store:
            issued = issued_of(store)
        if issued is not None:
            with suppress(*_ODD):
                for chart in supply_charts(issued.facts, site.clock.now(), site.voice):
                    if chart.key == request.path_params["key"]:
                        return csv_file(rows_of(chart), f"supply-{chart.key}")
        raise HTTPException(404)

    return [Route("/supply", show), Route("/supply/{key}.csv", numbers)]


def _told(site: Site, issued: Issued, free: Collection[str], now: datetime) -> dict[str, Any]:
    """What the page shows of a plan; ``free``: the cones in which nothing runs."""
    facts = issued.facts
    coming, sheet = _coming(facts, now), next_sheet(facts, now)
    cone = site.settings.cones.get(coming[0]["cone"]) if coming else None
    return {
        "facts": facts,
        "coming": coming,
        "made": issued.made,
        "old": now - issued.made > 2 * OLD,
        "sheet": sheet,
        "shells": None if sheet is None else decapsulation_lines(sheet.grams),
        "tap": bool(coming)
        and coming[0]["cone"] in free
        and datetime.fromisoformat(coming[0]["at"]) <= now + BEGUN_BY_TAP,
        "set_point": None if cone is None or cone.set_point_c is None else f"{cone.set_point_c:g}C",
        "moment": datetime.fromisoformat,
        "grams_words": grams_words,
        "change": None if facts["failing"] is None else change_words(facts["failing"]),
        "gap": gap_words(facts),
        "energy": energy_words(facts, site.voice),
    }


def _coming(facts: dict[str, Any], now: datetime) -> list[dict[str, Any]]:
    return [each for each in facts["starts"] if datetime.fromisoformat(each["at"]) >= now - OVERDUE]


def _broods(site: Site, store: Store, now: datetime) -> list[dict[str, Any]]:
    ramps, today = site.settings.supply.all_ramps, now.astimezone(site.voice.zone).date()
    return [
        brood_facts(each, ramps[each.ramp_name], today) for each in store.broods() if each.ramp_name in ramps
    ]

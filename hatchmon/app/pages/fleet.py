"""All sites that write to one series store: what is ready where, which lag, how lots compare.

The store may be far away: it is asked in a thread of its own, for one page after the other, so that one that
does not answer holds up no other page. What it said, or that it said nothing, serves for a while.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import anyio.to_thread
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from hatchmon.adapters.promql import Unanswered
from hatchmon.app import fleet_views
from hatchmon.app.fleet import PAGE_LIMIT_S, read_fleet
from hatchmon.app.pages.site import Site
from hatchmon.app.settings_model import Fleet as FleetSettings
from hatchmon.hatchery.fleet import Fleet

NAV = (("/fleet", "Fleet"),)
SERVES_S = 15.0
NOT_SET = "No store of all sites is set: give its address as url under [fleet] in the settings."


@dataclass(slots=True)
class _Kept:
    """What the store said last, until ``until`` (time.monotonic())."""

    until: float = 0.0
    fleet: Fleet | None = None
    trouble: str = ""


def routes(site: Site) -> list[BaseRoute]:
    """``/fleet``; with ``?all=1`` every batch that runs."""
    settings = site.settings.fleet
    site.nav_when["/fleet"] = lambda: settings is not None
    kept = _Kept()
    one_at_a_time = anyio.CapacityLimiter(1)

    def page(request: Request) -> Response:
        if settings is None:
            return site.refused(request, NOT_SET)
        _read(site, settings, kept)
        everything = request.query_params.get("all") == "1"
        status = 200 if kept.fleet is not None else 503
        return site.page(request, "fleet.html", status=status, title="Fleet", **_told(site, kept, everything))

    async def show(request: Request) -> Response:
        return await anyio.to_thread.run_sync(page, request, limiter=one_at_a_time)

    return [Route("/fleet", show)]


def _read(site: Site, settings: FleetSettings, kept: _Kept) -> None:
    if time.monotonic() < kept.until:
        return
    try:
        kept.fleet, kept.trouble = read_fleet(settings, site.clock.now(), PAGE_LIMIT_S), ""
    except Unanswered as why:
        kept.fleet, kept.trouble = None, str(why)
    kept.until = time.monotonic() + SERVES_S


def _told(site: Site, kept: _Kept, everything: bool) -> dict[str, Any]:
    fleet = kept.fleet
    if fleet is None:
        return {"fleet": None, "trouble": kept.trouble}
    hatching, told = fleet.hatching, fleet_views.told_at(fleet)
    most = None if everything else fleet_views.SHOWN
    return {
        "fleet": fleet,
        "heard": fleet_views.heard_words(fleet),
        "lags": [fleet_views.lag_words(each, fleet, site.voice) for each in fleet.lags],
        "hatching": [(each, fleet_views.say(each, fleet, site.voice)) for each in hatching[:most]],
        "told": told[:most],
        "left": max(len(hatching), len(told)) - len(hatching[:most]) if most is not None else 0,
        "running": len(hatching),
        "coverage": fleet_views.coverage_words(fleet.coverage),
        "pace": fleet_views.pace_words,
        "share": fleet_views.share_words,
    }

"""The first page: who needs the keeper next, and what to do about it; and the stream that keeps it fresh."""

from __future__ import annotations

import asyncio
import re
import threading
import time
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Route

from hatchmon.adapters.store import Store, from_us
from hatchmon.app.pages.band import Axis, strip
from hatchmon.app.pages.doing import after, repeatable
from hatchmon.app.pages.site import Site
from hatchmon.app.snapshot import ConeNow
from hatchmon.hatchery.alerts import STAGES, batch_scope
from hatchmon.hatchery.batches import NO_NAUPLII_BEFORE_H
from hatchmon.hatchery.coldstore import store_words
from hatchmon.hatchery.looks import WORDS
from hatchmon.hatchery.types import Batch, Quantity
from hatchmon.hatchery.units import UNITS
from hatchmon.hatchery.wording import span

NAV = (("/", "Now"),)
STANDS_FOR = timedelta(days=7)
NEWS_FOR = timedelta(hours=12)  # of what is told once and then over, such as an outage
OLD_WATER = timedelta(minutes=10)
MOST_STREAMS = 16
STREAM_FOR_S = 900.0
PING_S = 15.0
CALM_S = 2.0
_LEAD = re.compile(r"(.*?[,.:;])\s(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Told:
    """What a keeper was told of one cone (None: of the machine) and has not answered, newest first."""

    cone: str | None
    urgency: str
    alerts: Sequence[Mapping[str, Any]]


def routes(site: Site) -> list[BaseRoute]:
    """``/`` and ``/events``."""
    streams = threading.Semaphore(MOST_STREAMS)
    closing = site.closing

    def show(request: Request) -> Response:
        snapshot = site.snapshot
        if snapshot is None:
            return site.refused(request, "hatchmon is just starting. Look again in a moment.", 503)
        now = site.clock.now()
        quiet = site.settings.quiet
        axis = Axis(now, site.voice, *([] if quiet is None else [(quiet.start, quiet.end)]))
        with site.reading() as store:
            told = untold(store, snapshot.cones, now)
            empty = [cone.name for cone in snapshot.cones if cone.batch is None]
            repeats = {name: repeatable(store, name, now, site.voice) for name in empty}
            notice = after(site, store, request)
        by_cone = {each.cone: each for each in told}
        cones = [
            _shown(site, cone, axis, by_cone.get(cone.name), repeats.get(cone.name))
            for cone in snapshot.cones
        ]
        cones.sort(key=lambda cone: not cone["pressing"])  # else in the order they have
        return site.page(
            request,
            "now.html",
            title="Now",
            axis=axis,
            cones=cones,
            machine=by_cone.get(None),
            trouble=machine_trouble(site),
            notice=notice,
            words=WORDS,
        )

    async def events(request: Request) -> Response:
        if not streams.acquire(blocking=False):
            return PlainTextResponse("Too many pages are open.", 503, headers={"retry-after": "60"})
        request.scope["lasts"](STREAM_FOR_S + 5.0)
        headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
        return _Stream(_changes(site, closing), streams, headers)

    return [Route("/", show), Route("/events", events)]


class _Stream(StreamingResponse):
    """Server-sent events; gives its place back however it ends."""

    def __init__(
        self, body: AsyncIterator[str], places: threading.Semaphore, headers: dict[str, str]
    ) -> None:
        super().__init__(body, media_type="text/event-stream", headers=headers)
        self._places = places

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._places.release()


async def _changes(site: Site, closing: threading.Event) -> AsyncIterator[str]:
    """An event whenever there is a new picture; a sign of life in between."""
    began = said = time.monotonic()
    known = -1
    yield "retry: 3000\n\n"
    while not closing.is_set() and (mono := time.monotonic()) - began < STREAM_FOR_S:
        snapshot = site.snapshot
        if snapshot is not None and snapshot.number != known and (known < 0 or mono - said >= CALM_S):
            known, said = snapshot.number, mono
            yield f"event: changed\ndata: {known}\n\n"
        elif mono - said >= PING_S:
            said = mono
            yield ": still here\n\n"
        await asyncio.sleep(0.5)


def untold(store: Store, cones: Sequence[ConeNow], now: datetime) -> list[Told]:
    """What was told, still holds and has not been answered, by cone."""
    running = {batch_scope(cone.batch) for cone in cones if cone.batch is not None}
    found: dict[str | None, list[Mapping[str, Any]]] = {}
    staged: set[str] = set()
    repeated: set[tuple[str, str]] = set()
    for row in store.unseen_alerts(now - STANDS_FOR):
        kind, scope = row["kind"], row["scope"]
        raised = from_us(row["raised_us"])
        if scope.startswith("batch ") and scope not in running:
            continue
        if (kind, scope) in repeated or not (row["stands"] if row["held"] else now - raised <= NEWS_FOR):
            continue
        repeated.add((kind, scope))
        if kind in STAGES:
            if scope in staged:
                continue
            staged.add(scope)
        found.setdefault(row["cone"], []).append(
            {
                "title": row["title"].removeprefix(f"{row['cone']}: "),
                # What a stage has to tell stands in the sentence beside it already.
                "body": "" if kind in STAGES else row["body"],
                "raised": raised,
                "urgency": row["urgency"],
            }
        )
    order = ("now", "soon", "can wait")
    return [
        Told(cone, min((alert["urgency"] for alert in alerts), key=order.index), alerts)
        for cone, alerts in found.items()
    ]


def told_json(told: Sequence[Told]) -> list[dict[str, Any]]:
    """What waits to be seen as plain data."""
    return [
        {
            "cone": each.cone,
            "urgency": each.urgency,
            "alerts": [
                {**alert, "raised": alert["raised"].isoformat(timespec="seconds")} for alert in each.alerts
            ],
        }
        for each in told
    ]


def machine_trouble(site: Site) -> list[str]:
    """What is wrong with the machine itself, in sentences."""
    snapshot = site.snapshot
    if snapshot is None:
        return []
    said = []
    if snapshot.trouble:
        said.append(f"The record cannot be written: {snapshot.trouble}.")
    if not snapshot.connected:
        said.append(f"No readings come in: the broker is {snapshot.broker}.")
    if snapshot.series:
        said.append(f"The series store: {snapshot.series}.")
    return said


def _shown(site: Site, cone: ConeNow, axis: Axis, told: Told | None, again: Batch | None) -> dict[str, Any]:
    """One cone as its template wants it."""
    voice, now, batch, forecast = site.voice, axis.now, cone.batch, cone.forecast
    lead, rest, is_open, hours = "Empty", "", False, 0.0
    notes: list[str] = []
    if batch is not None:
        hours = batch.hours_at(now)
        said = "No forecast yet." if forecast is None else voice.ready(batch, forecast, now)
        parts = _LEAD.fullmatch(said)
        lead, rest = (parts[1], parts[2]) if parts else (said, "")
        if forecast is not None:
            notes = [
                f"{reason[:1].upper()}{reason[1:]}." for reason in forecast.reasons if reason not in said
            ]
            if forecast.opens is not None and forecast.closes is not None and forecast.trust != "none":
                is_open = hours >= span(forecast.opens, forecast.closes)[0].p50
    look = None
    if cone.next_look is not None and batch is not None:
        at = max(batch.time_at(cone.next_look.hours), now)
        when = "now" if at - now < timedelta(minutes=10) else voice.time(at, now, "about ")
        look = f"A look {when} would narrow this by about {cone.next_look.narrower:.0%}."
    return {
        "name": cone.name,
        "batch": batch,
        "lead": lead,
        "rest": rest,
        "open": is_open,
        "lookable": hours >= NO_NAUPLII_BEFORE_H,
        "hatched": None
        if forecast is None or forecast.not_predicted is not None
        else f"{forecast.hatched:.0%}",
        "strip": strip(cone, axis),
        "notes": notes,
        "look": look,
        "told": told,
        "pressing": told is not None and told.urgency != "can wait",
        "water": _water(site, cone, now),
        "stored": [store_words(each, now, voice).partition(" Used up:")[0] for each in cone.stored],
        "again": again,
    }


def _water_first(item: tuple[Quantity, object]) -> tuple[bool, str]:
    return item[0] is not Quantity.TEMPERATURE, item[0]


def _water(site: Site, cone: ConeNow, now: datetime) -> list[dict[str, Any]]:
    """The newest values, each with its age, and whether that is no longer new."""
    found = []
    for quantity, (value, taken) in sorted(cone.water.items(), key=_water_first):
        if quantity in (Quantity.TEMPERATURE, Quantity.AIR_TEMPERATURE):
            shown = site.voice.temp(value)
        else:
            unit = UNITS[quantity][0]
            shown = f"{value:.4g}" + ("" if unit == "1" else f" {unit}")
        name = {Quantity.TEMPERATURE: "water", Quantity.AIR_TEMPERATURE: "air"}.get(
            quantity, quantity.value.replace("_", " ")
        )
        found.append({"name": name, "value": shown, "age": site.ago(taken), "old": now - taken > OLD_WATER})
    return found

"""The same for programs: what the page shows and does, in JSON, described by OpenAPI."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from hatchmon import __version__
from hatchmon.app import views
from hatchmon.app.journal import MOST, entries, entries_json
from hatchmon.app.pages.now import told_json, untold
from hatchmon.app.pages.site import Site
from hatchmon.app.requests import read_asked, request_schema
from hatchmon.hatchery.types import Refused

BATCHES_AT_ONCE, BATCHES_UNASKED = 100, 25
_EARLIEST, _LATEST = 2000, 2200


class _Wrong(Exception):
    """A parameter cannot be used; the message says which and why."""


def routes(site: Site) -> list[BaseRoute]:
    """``/api/...``, listed in ``/api/openapi.json``."""

    def now(request: Request) -> Response:
        snapshot = site.snapshot
        if snapshot is None:
            return _no("hatchmon is just starting.", 503)
        with site.reading() as store:
            told = untold(store, snapshot.cones, site.clock.now())
        return JSONResponse(
            {
                "now": site.clock.now().isoformat(timespec="seconds"),
                "cones": views.cones_json(snapshot.cones, site.clock.now(), site.voice),
                "told": told_json(told),
            }
        )

    def journal(request: Request) -> Response:
        before = _moment(request, "before")
        most = _whole(request, "limit", 1, MOST, MOST)
        with site.reading() as store:
            return JSONResponse({"entries": entries_json(entries(store, site.clock.now(), before, most))})

    def batches(request: Request) -> Response:
        cone, lot = (_text(request, name) for name in ("cone", "lot"))
        most = _whole(request, "limit", 1, BATCHES_AT_ONCE, BATCHES_UNASKED)
        below = _whole(request, "below", 1, 2**53, 2**53)
        with site.reading() as store:
            rows = views.batch_rows(store, cone, lot, below, most)
        return JSONResponse({"batches": views.batches_json(reversed(rows))})

    def ask(request: Request) -> Response:
        try:
            body = json.loads(request.scope["body"], parse_constant=_no_constant)
            read_asked(body)
        except (ValueError, RecursionError) as error:
            return _no(f"This is not JSON that can be read: {str(error)[:200]}", 400)
        except Refused as why:
            return _no(str(why), 422)
        try:
            answered = site.ask(request, body)
        except Refused as why:
            return _no(str(why), 503)
        said = {"ok": answered.ok, "request": answered.number, **answered.answer}
        return JSONResponse(said, 200 if answered.ok else 409)

    def describe(request: Request) -> Response:
        return JSONResponse(_described())

    def safely(show: Callable[[Request], Response]) -> Callable[[Request], Response]:
        def shown(request: Request) -> Response:
            try:
                return show(request)
            except _Wrong as why:
                return _no(str(why), 422)

        return shown

    return [
        Route("/api/now", safely(now)),
        Route("/api/journal", safely(journal)),
        Route("/api/batches", safely(batches)),
        Route("/api/requests", safely(ask), methods=["POST"]),
        Route("/api/openapi.json", describe),
    ]


def _no(why: str, status: int) -> JSONResponse:
    return JSONResponse({"ok": False, "text": why}, status)


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _text(request: Request, name: str) -> str | None:
    return request.query_params.get(name)


def _whole(request: Request, name: str, low: int, high: int, default: int) -> int:
    text = request.query_params.get(name)
    if text is None:
        return default
    if not (text.isascii() and text.isdigit() and len(text) < 20 and low <= int(text) <= high):
        raise _Wrong(f"{name} must be a whole number from {low} to {high}.")
    return int(text)


def _moment(request: Request, name: str) -> datetime | None:
    text = request.query_params.get(name)
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text.replace(" ", "+"))
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None or not _EARLIEST <= moment.year < _LATEST:
        raise _Wrong(f"{name} must be a time with its offset, such as 2026-03-01T18:00:00Z.")
    return moment


def _described() -> dict[str, Any]:
    """The OpenAPI 3.1 document; requests are described by the models that check them."""
    asked, schemas = request_schema("#/components/schemas/{model}")
    schemas["Answer"] = {
        "type": "object",
        "required": ["ok", "text"],
        "properties": {
            "ok": {"type": "boolean"},
            "text": {"type": "string", "description": "What was done, or why not and how to mend it."},
            "request": {"type": "integer", "description": "Its number in the journal."},
            "cone": {"type": ["string", "null"]},
        },
    }
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "hatchmon",
            "version": __version__,
            "description": "Times are ISO 8601, hours (_h) count from the start of a batch, shares lie "
            "between 0 and 1, temperatures are deg C.",
        },
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "passphrase": {
                    "type": "http",
                    "scheme": "basic",
                    "description": "Any name; the page's passphrase. Needed where one is set.",
                }
            },
        },
        "security": [{}, {"passphrase": []}],
        "paths": {
            "/api/now": {"get": _read("Every cone as it is now, and what stands to be seen", "now")},
            "/api/journal": {
                "get": _read(
                    "Alerts and requests, newest first",
                    "journal",
                    _parameter("before", {"type": "string", "format": "date-time"}, "Only what was before."),
                    _limit(MOST, MOST),
                )
            },
            "/api/batches": {
                "get": _read(
                    "Batches, newest first",
                    "batches",
                    _parameter("cone", {"type": "string"}, "Only those of this cone."),
                    _parameter("lot", {"type": "string"}, "Only those of this lot."),
                    _parameter("below", {"type": "integer", "minimum": 1}, "Only lower numbers."),
                    _limit(BATCHES_AT_ONCE, BATCHES_UNASKED),
                )
            },
            "/api/requests": {
                "post": {
                    "summary": "Begin, look, count, harvest, note a reading, say what was seen; or undo it",
                    "operationId": "ask",
                    "requestBody": {"required": True, "content": {"application/json": {"schema": asked}}},
                    "responses": _responses(
                        ("200", "Done."),
                        ("400", "No JSON."),
                        ("409", "Refused by the data; the text says why."),
                        ("413", "Too large."),
                        ("415", "Not application/json."),
                        ("422", "No request."),
                        ("503", "Noted, but not carried out in time; it will be."),
                    ),
                }
            },
        },
    }


def _parameter(name: str, schema: dict[str, Any], what: str) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": False, "schema": schema, "description": what}


def _limit(most: int, unasked: int) -> dict[str, Any]:
    schema = {"type": "integer", "minimum": 1, "maximum": most, "default": unasked}
    return _parameter("limit", schema, "At most so many.")


def _read(summary: str, name: str, *parameters: dict[str, Any]) -> dict[str, Any]:
    responses = _responses(("422", "A parameter cannot be used."), ("503", "Just starting."))
    responses["200"] = {
        "description": summary,
        "content": {"application/json": {"schema": {"type": "object"}}},
    }
    return {"summary": summary, "operationId": name, "parameters": list(parameters), "responses": responses}


def _responses(*said: tuple[str, str]) -> dict[str, Any]:
    both = (*said, ("401", "Sign in first."), ("429", "Too many requests."))
    answer = {"application/json": {"schema": {"$ref": "#/components/schemas/Answer"}}}
    return {status: {"description": what, "content": answer} for status, what in both}

"""All pages put together: the routes, around them the safety, around that the server."""

from __future__ import annotations

import socket
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import replace
from typing import Any
from urllib.parse import urlsplit

import anyio.to_thread
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from hatchmon.adapters.store import StoreError
from hatchmon.adapters.web.safety import Rules, Safety
from hatchmon.app.pages import api, calendar, doing, fleet, health, journal, login, now, review, supply
from hatchmon.app.pages.beforehand import work_beforehand
from hatchmon.app.pages.site import Site

PAGES = (now, review, supply, fleet, journal, doing, login, calendar, api, health)
"""Modules with ``routes(site)``, and ``NAV`` where they are in the menu: (path, name) in its order."""
THREADS = 6  # a page more has to wait
FAILED = "The page failed here; the hatchery goes on. What happened stands in hatchmon's log."
FOREVER = "public, max-age=31536000, immutable"


def make_app(site: Site) -> Safety:
    """The whole page as an ASGI application."""
    routes: list[BaseRoute] = [Route("/static/{name}", _static(site))]
    for module in PAGES:
        routes += module.routes(site)
        site.nav += getattr(module, "NAV", ())

    async def missing(request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 500
        if request.url.path.startswith("/api/"):
            return JSONResponse({"ok": False, "text": "There is nothing here."}, status)
        return site.refused(request, "There is no page at this address.", status)

    async def no_record(request: Request, error: Exception) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse({"ok": False, "text": str(error)}, 503)
        return site.refused(request, str(error), 503)

    async def failed(request: Request, error: Exception) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse({"ok": False, "text": FAILED}, 500)
        return site.refused(request, FAILED, 500)

    handlers = {HTTPException: missing, StoreError: no_record, Exception: failed}
    app = Starlette(routes=routes, exception_handlers=handlers)
    metrics = ("/metrics",) if site.settings.web.open_metrics else ()
    rules = Rules(names=_names(site), https=site.settings.web.https)
    rules = replace(rules, open_paths=rules.open_paths + metrics)
    if site.settings.share is not None:
        rules = replace(rules, own=f"hatchmon-{site.settings.own_name}")
    return Safety(_few_threads(app), rules, site.sessions, site.door)


def make_page(site: Site) -> Safety:
    """The same, with what a first visitor would wait for being worked out."""
    app = make_app(site)
    work_beforehand(site)
    return app


def _names(site: Site) -> frozenset[str]:
    """The host names that mean this page: this machine's own, and the one in the settings."""
    own = socket.gethostname().lower()
    names = {"localhost", own, f"{own.partition('.')[0]}.local"}
    if site.settings.web.address is not None:
        names.add((urlsplit(site.settings.web.address).hostname or "").lower())
    return frozenset(names)


def _static(site: Site) -> Callable[[Request], Response]:
    def serve(request: Request) -> Response:
        file = site.files.get(request.path_params["name"])
        if file is None:
            raise HTTPException(404)
        kept = FOREVER if request.query_params.get("v") == file.mark else "no-cache"
        headers = {"cache-control": kept, "etag": f'"{file.mark}"'}
        if request.headers.get("if-none-match") == headers["etag"]:
            return Response(status_code=304, headers=headers)
        return Response(file.body, media_type=file.kind, headers=headers)

    return serve


_Scope = MutableMapping[str, Any]
_Call = Callable[..., Awaitable[Any]]


def _few_threads(app: _Call) -> Callable[[_Scope, _Call, _Call], Awaitable[None]]:
    """``app`` with a bound on how many pages are made at once."""

    async def serve(scope: _Scope, receive: _Call, send: _Call) -> None:
        anyio.to_thread.current_default_thread_limiter().total_tokens = THREADS
        await app(scope, receive, send)

    return serve

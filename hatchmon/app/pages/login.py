"""Signing in and out."""

from __future__ import annotations

import math

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from hatchmon.adapters.web.safety import renew
from hatchmon.app.pages.site import Site, own_path
from hatchmon.hatchery.wording import duration


def routes(site: Site) -> list[BaseRoute]:
    """``/login`` and ``/logout``."""

    def form(request: Request, why: str = "", status: int = 200) -> Response:
        to = own_path(request.query_params.get("to", "/"))
        return site.page(request, "login.html", status=status, title="Sign in", to=to, why=why)

    def show(request: Request) -> Response:
        if site.door.open or request.scope["session"].signed_in:
            return RedirectResponse("/", 303)
        return form(request)

    def enter(request: Request) -> Response:
        given, address = request.scope["form"], request.scope["address"]
        to = own_path(given.get("to", "/"))
        if site.door.knock(given.get("passphrase", ""), address):
            renew(request.scope, site.sessions.begin(signed_in=True))
            return RedirectResponse(to, 303)
        wait_s = site.door.wait_s(address)
        if wait_s > 0.0:
            wait = f"{math.ceil(wait_s)} s" if wait_s < 60.0 else duration(wait_s / 3600.0)
            why = f"Not taken. After so many tries, wait {wait} before the next."
            answer = form(request, why, 429)
            answer.headers["retry-after"] = str(math.ceil(wait_s))
            return answer
        return form(request, "That is not the passphrase.", 403)

    def leave(request: Request) -> Response:
        renew(request.scope, site.sessions.begin())
        return RedirectResponse("/login", 303)

    return [
        Route("/login", show, methods=["GET"]),
        Route("/login", enter, methods=["POST"]),
        Route("/logout", leave, methods=["POST"]),
    ]

"""The first page: who needs the keeper next."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from hatchmon.app.pages.site import Site

NAV = (("/", "Now"),)


def routes(site: Site) -> list[BaseRoute]:
    """``/``."""

    def show(request: Request) -> Response:
        return site.page(request, "now.html", title="Now")

    return [Route("/", show)]

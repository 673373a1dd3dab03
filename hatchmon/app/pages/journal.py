"""Everything that happened, newest first."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from hatchmon.app.pages.site import Site

NAV = (("/journal", "Journal"),)


def routes(site: Site) -> list[BaseRoute]:
    """``/journal``."""

    def show(request: Request) -> Response:
        return site.page(request, "journal.html", title="Journal")

    return [Route("/journal", show)]

"""The calendar feed at its secret address, and the page that tells a keeper how to subscribe."""

from __future__ import annotations

import hashlib
import hmac

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from hatchmon.adapters.calendar import calendar_text
from hatchmon.app.feed import calendar_events, feed_path
from hatchmon.app.pages.site import Site

KEPT_FOR_S = 300


def routes(site: Site) -> list[BaseRoute]:
    """``/calendar`` for whoever may see the page, ``/calendar/….ics`` for whoever knows the address."""
    set_up = site.settings.web.calendar
    secret = None if set_up is None else set_up.get_secret_value()

    def show(request: Request) -> Response:
        address = None
        if secret is not None:
            where = feed_path(secret)
            address = site.settings.web.link(where) or f"{request.url.scheme}://{request.url.netloc}{where}"
        return site.page(
            request, "calendar.html", title="Calendar", address=address,
            here_alone=request.url.hostname in ("localhost", "127.0.0.1", "::1"),
        )  # fmt: skip

    def feed(request: Request) -> Response:
        given = request.path_params["secret"].encode()
        if secret is None or not hmac.compare_digest(given, secret.encode()):
            raise HTTPException(404)
        with site.reading() as store:
            events = calendar_events(site.settings, store, site.clock.now())
        body = calendar_text(f"Hatchery {site.settings.site}", events)
        mark = f'"{hashlib.sha256(body).hexdigest()[:20]}"'
        headers = {"etag": mark, "cache-control": f"private, max-age={KEPT_FOR_S}"}
        if request.headers.get("if-none-match") == mark:
            return Response(status_code=304, headers=headers)
        return Response(body, media_type="text/calendar", headers=headers)

    return [Route("/calendar", show), Route("/calendar/{secret}.ics", feed)]

"""Everything that happened, newest first, and the way back from a slip of the hand."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import groupby

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from hatchmon.adapters.store import from_us, to_us
from hatchmon.app.journal import MOST, Entry, entries
from hatchmon.app.pages.doing import after, as_form
from hatchmon.app.pages.site import Site

NAV = (("/journal", "Journal"),)
_LATEST_US = 2**53


def routes(site: Site) -> list[BaseRoute]:
    """``/journal``, further back with ``?before=`` (microseconds since 1970)."""

    def show(request: Request) -> Response:
        now = site.clock.now()
        asked = request.query_params.get("before", "")
        known = asked.isascii() and asked.isdigit() and int(asked[:20]) < _LATEST_US
        before = from_us(int(asked)) if known else None
        with site.reading() as store:
            found = entries(store, now, before)
            notice = after(site, store, request)

        def day_of(entry: Entry) -> date:
            return entry.time.astimezone(site.voice.zone).date()

        days = [(_day(day, now, site), list(group)) for day, group in groupby(found, day_of)]
        return site.page(
            request,
            "journal.html",
            title="Journal",
            days=days,
            earlier=to_us(found[-1].time) if len(found) == MOST else None,
            later=before is not None,
            notice=notice,
            as_form=as_form,
            clock_of=lambda moment: moment.astimezone(site.voice.zone).strftime("%H:%M"),
        )

    return [Route("/journal", show)]


def _day(day: date, now: datetime, site: Site) -> str:
    today = now.astimezone(site.voice.zone).date()
    if day == today:
        return "Today"
    return "Yesterday" if day == today - timedelta(days=1) else day.strftime("%A %Y-%m-%d")

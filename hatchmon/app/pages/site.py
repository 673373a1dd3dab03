"""What every page stands on: settings, the engine's latest picture, the record to read, one way to ask."""

from __future__ import annotations

import hashlib
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.memory import give_back
from hatchmon.adapters.store import Store
from hatchmon.adapters.web.access import Door, Session, Sessions
from hatchmon.app.ask import Answered
from hatchmon.app.charts.graph import cell_text
from hatchmon.app.past import Past, lot_words
from hatchmon.app.settings import Settings
from hatchmon.app.snapshot import Showcase, Snapshot
from hatchmon.app.state import cone_path
from hatchmon.hatchery.counts import falling_words
from hatchmon.hatchery.types import Refused
from hatchmon.hatchery.wording import Voice, duration

HERE = Path(__file__).parent
_HINT = re.compile(r" \(hatchmon [^()]*\)")
_KINDS = {
    ".css": "text/css",
    ".js": "text/javascript",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}
_TIME = re.compile(r"\b\d\d:\d\d\b")


Ask = Callable[[dict[str, Any], str], Answered]
"""Has a request (its body, and by whom) carried out. Raises Refused when there is no answer in time."""


class Site:
    """Handed to every page module; safe to use from any thread."""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        showcase: Showcase,
        ask: Ask,
        closing: threading.Event | None = None,
    ) -> None:
        web = settings.web
        hashed = None if web.passphrase is None else web.passphrase.get_secret_value()
        secret = None if web.secret is None else web.secret.get_secret_value()
        self.settings = settings
        self.clock = clock
        self.voice = Voice(settings.zone, settings.unit)
        self.showcase = showcase
        self.past = Past(settings)
        self.sessions = Sessions(secret, hashed)
        self.door = Door(hashed)
        self.nav: list[tuple[str, str]] = []
        """(path, name) of the pages in the menu."""
        self.nav_when: dict[str, Callable[[], bool]] = {}
        """By path, when a page has something to show; those not named here are always in the menu."""
        self.closing = closing or threading.Event()
        """Set when the server is about to stop."""
        self._ask = ask
        self.files = {path.name: _file(path) for path in sorted((HERE / "static").iterdir())}
        self._templates = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            auto_reload=False,
            trim_blocks=True,
            lstrip_blocks=True,
            undefined=StrictUndefined,
        )
        self._templates.filters.update(
            temp=self.voice.temp, duration=duration, times=times, ago=self.ago, clock=self.clock_time
        )
        self._templates.globals.update(file=self.file, cone_path=cone_path)
        self._templates.filters.update(
            weekday=self.voice.weekday, cell=cell_text, lot_words=lot_words, falling=falling_words
        )
        self._templates.globals["lot_path"] = lot_path

    def make_templates(self) -> None:
        """Make every template of a page ready, which else its first visitor waits for."""
        for name in self._templates.list_templates():
            if name != "report.html":
                self._templates.get_template(name)

    @property
    def snapshot(self) -> Snapshot | None:
        """The engine's latest picture; None until its first turn."""
        return self.showcase.latest

    @property
    def menu(self) -> list[tuple[str, str]]:
        """(path, name) of the pages in the menu that have something to show."""
        return [(path, name) for path, name in self.nav if self.nav_when.get(path, lambda: True)()]

    def clock_time(self, moment: datetime) -> str:
        """``07:10``, with a day where it is not about now."""
        return self.voice.time(moment, self.clock.now())

    def ago(self, moment: datetime) -> str:
        """``5 min ago``."""
        hours = (self.clock.now() - moment).total_seconds() / 3600.0
        return "just now" if hours < 1 / 60 else f"{duration(hours)} ago"

    @contextmanager
    def reading(self) -> Iterator[Store]:
        """The record, to be read in short transactions."""
        with Store(self.settings.store.path, read_only=True) as store:
            yield store
        give_back()  # the pages of the database that this has gone through

    def ask(self, request: Request, body: dict[str, Any]) -> Answered:
        """Have a request carried out for whoever sent ``request``. Blocks; raises Refused when there is no
        answer in time."""
        address = request.scope["address"]
        here = address in ("127.0.0.1", "::1")
        wanted = {name: value for name, value in body.items() if value is not None}
        return self._ask(wanted, "page" if here else f"page, {address}")

    def file(self, name: str) -> str:
        """The address of one of our files, made new by every change of it."""
        return f"/static/{name}?v={self.files[name].mark}"

    def page(self, request: Request, template: str, *, status: int = 200, **context: Any) -> HTMLResponse:
        """A page of ours. Every template knows ``site``, ``voice``, ``now``, ``session`` and ``path``."""
        session: Session = request.scope["session"]
        text = self._templates.get_template(template).render(
            site=self,
            voice=self.voice,
            now=self.clock.now(),
            session=session,
            path=request.url.path,
            guarded=not self.door.open,
            **context,
        )
        return HTMLResponse(text, status)

    def refused(self, request: Request, why: Refused | str, status: int = 404) -> HTMLResponse:
        """A page that says why there is nothing to see."""
        return self.page(request, "refused.html", status=status, title="Not here", why=str(why))

    def back(self, to: str, answered: Answered) -> Response:
        """After a form: on to page ``to``, which says what came of it."""
        return RedirectResponse(f"{to}?after={answered.number}", 303)


@dataclass(frozen=True, slots=True)
class File:
    """One of our files, held in memory; ``mark`` changes with its content."""

    body: bytes
    kind: str
    mark: str


def _file(path: Path) -> File:
    body = path.read_bytes()
    return File(body, _KINDS[path.suffix], hashlib.sha256(body).hexdigest()[:12])


def own_path(to: str) -> str:
    """``to`` when it is a path of this page, else that of the first."""
    own = to.startswith("/") and not to.startswith("//") and to.isprintable() and not set(to) & set("\\?#")
    return to if own else "/"


def lot_path(lot: str) -> str:
    """The path of a lot's own page."""
    return f"/lots/{quote(lot, safe='')}"


def times(text: str) -> Markup:
    """``text`` with its clock times marked up, so that they stand out, and without the hints in brackets
    that are for the command line."""
    text = _HINT.sub("", text).replace(" -> ", " → ")
    return Markup(_TIME.sub(lambda found: f"<time>{found[0]}</time>", str(escape(text))))

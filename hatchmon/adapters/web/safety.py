"""What every request passes before the page sees it, and every answer before it leaves.

Host names, rates, methods, body sizes and times; the session of the cookie; the token of every form; who
must sign in first; the headers that keep a browser from doing what the page never asked for.
"""

from __future__ import annotations

import asyncio
import base64
import binascii
import hmac
import ipaddress
import json
import logging
import re
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from dataclasses import dataclass
from functools import partial
from typing import Any
from urllib.parse import parse_qsl, quote, urlsplit

from hatchmon.adapters.web.access import Door, Session, Sessions

log = logging.getLogger(__name__)

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LARGEST_HEAD = 16_384
LARGEST_BODY = 65_536
MOST_FIELDS = 100
BODY_WITHIN_S = 10.0
ANSWER_WITHIN_S = 30.0
RATE_PER_S, BURST = 20.0, 100.0
_MOST_KNOWN = 1024
METHODS = ("GET", "HEAD", "POST")
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
    "connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "cache-control": "no-store",
}
_FORM = "application/x-www-form-urlencoded"
_JSON = "application/json"


@dataclass(frozen=True, slots=True)
class Rules:
    """How the page may be reached. ``names``: host names beside IP addresses; ``open_paths`` need no
    passphrase (one that ends in / stands for all below it); ``plain_paths`` answer programs, which may
    sign in with HTTP Basic (RFC 7617, any name) and are told of a refusal in JSON. ``own``: our name among
    other pages of this host, whose cookies browsers do not keep apart by port (RFC 6265 section 8.5)."""

    names: frozenset[str]
    https: bool = False
    open_paths: tuple[str, ...] = ("/login", "/static/", "/healthz", "/calendar/")
    plain_paths: tuple[str, ...] = ("/api/", "/metrics")
    own: str = "hatchmon"

    @property
    def cookie(self) -> str:
        """The cookie's name; browsers keep one of this form to https and to this host."""
        return f"__Host-{self.own}" if self.https else self.own


def known_host(host: str, names: Iterable[str]) -> bool:
    """Whether a Host header names us. A name we do not know may have been made to point at us (DNS
    rebinding); an IP address cannot."""
    try:
        name = urlsplit(f"//{host}").hostname or ""
        _ = urlsplit(f"//{host}").port
    except ValueError:
        return False
    if name in names:
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


class _Said(Exception):
    """An answer given before the page is asked."""

    def __init__(self, status: int, text: str, headers: dict[str, str] | None = None) -> None:
        super().__init__(text)
        self.status = status
        self.headers = headers or {}


class _Rates:
    """A bucket of requests for each address, refilled steadily."""

    def __init__(self, monotonic: Callable[[], float]) -> None:
        self._monotonic = monotonic
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allow(self, address: str) -> bool:
        now = self._monotonic()
        left, at = self._left.pop(address, (BURST, now))
        left = min(left + (now - at) * RATE_PER_S, BURST)
        allowed = left >= 1.0
        self._left[address] = (left - allowed, now)
        while len(self._left) > _MOST_KNOWN:
            self._left.popitem(last=False)
        return allowed


class Safety:
    """The ASGI application around ``app``, which finds ``session``, ``form`` (a dict) and ``address`` in
    its scope."""

    def __init__(
        self,
        app: App,
        rules: Rules,
        sessions: Sessions,
        door: Door,
        *,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._app = app
        self._rules = rules
        self._sessions = sessions
        self._door = door
        self._rates = _Rates(monotonic)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        sent = _Sent(scope, send, self._rules, self._sessions)
        try:
            async with asyncio.timeout(ANSWER_WITHIN_S) as limit:
                scope["lasts"] = partial(_lasts, scope, limit)
                await self._admit(scope, receive)
                await self._app(scope, partial(_no_more, scope, receive), sent)
        except _Said as said:
            await self._say(scope, sent, said)
        except TimeoutError:
            log.warning("an answer to %s took too long", scope["path"])
            if not sent.begun:
                await self._say(scope, sent, _Said(503, "This took too long. Try again in a moment."))
        except Exception:
            log.exception("the page failed at %s", scope["path"])
            if not sent.begun:
                await self._say(scope, sent, _Said(500, "The page failed here; the hatchery goes on."))

    async def _admit(self, scope: Scope, receive: Receive) -> None:
        if sum(len(name) + len(value) for name, value in scope["headers"]) > LARGEST_HEAD:
            raise _Said(431, "The head of this request is too large.", {"connection": "close"})
        headers = _headers(scope)
        client = scope.get("client")
        scope["address"] = client[0] if client else "?"
        scope["form"] = {}
        if not known_host(headers.get("host", ""), self._rules.names):
            raise _Said(400, "This is not a name of this machine. Put the address you use into web.address.")
        if not self._rates.allow(scope["address"]):
            raise _Said(429, "Too many requests. Wait a moment.", {"retry-after": "2"})
        if scope["method"] not in METHODS:
            raise _Said(405, "Only GET, HEAD and POST are served.", {"allow": ", ".join(METHODS)})
        scope["session"] = session = await self._session(scope, headers)
        path = scope["path"]
        if not (session.signed_in or self._door.open or _under(path, self._rules.open_paths)):
            if _under(path, self._rules.plain_paths):
                raise _Said(401, "Sign in first.", {"www-authenticate": 'Basic realm="hatchmon"'})
            if scope["method"] == "POST":
                raise _Said(403, "You are signed out. Sign in, then do it again.")
            query = scope["query_string"].decode("latin-1")
            to = quote(path + (f"?{query}" if query else ""), safe="")
            raise _Said(303, "Sign in first.", {"location": f"/login?to={to}"})
        if scope["method"] == "POST":
            await self._take_body(scope, receive, headers)

    async def _session(self, scope: Scope, headers: dict[str, str]) -> Session:
        if _under(scope["path"], self._rules.plain_paths) and (said := _basic(headers)) is not None:
            right = await asyncio.to_thread(self._door.knock, said, scope["address"])
            return self._sessions.begin(right)
        for part in headers.get("cookie", "").split(";"):
            name, _, value = part.strip().partition("=")
            if name == self._rules.cookie and (known := self._sessions.read(value)) is not None:
                return known
        return self._sessions.begin()

    async def _take_body(self, scope: Scope, receive: Receive, headers: dict[str, str]) -> None:
        kind = headers.get("content-type", "").partition(";")[0].strip().lower()
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc.lower() != headers.get("host", "").lower():
            raise _Said(403, "This request comes from another site's page.")
        try:
            async with asyncio.timeout(BODY_WITHIN_S):
                body = await _body(receive)
        except TimeoutError:
            raise _Said(408, "The rest of the request did not come in time.") from None
        scope["body"] = body
        if _under(scope["path"], self._rules.plain_paths):
            # No form of another site can send this type without asking first.
            if kind != _JSON:
                raise _Said(415, f"Send {_JSON}.")
            return
        if kind != _FORM:
            raise _Said(415, "Only plain forms are taken here.")
        try:
            pairs = parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=MOST_FIELDS)
        except ValueError:
            raise _Said(400, "This form cannot be read.") from None
        scope["form"] = form = dict(pairs)
        if not _same(form.pop("token", ""), scope["session"].token):
            raise _Said(403, "This form has grown old. Go back, load the page anew and try again.")

    async def _say(self, scope: Scope, send: Send, said: _Said) -> None:
        if _under(scope["path"], self._rules.plain_paths):
            kind, body = _JSON, json.dumps({"ok": False, "text": str(said)}).encode()
        else:
            kind, body = "text/plain; charset=utf-8", f"{said}\n".encode()
        headers = {"content-type": kind, "content-length": str(len(body)), **said.headers}
        raw = [(name.encode(), value.encode()) for name, value in headers.items()]
        await send({"type": "http.response.start", "status": said.status, "headers": raw})
        await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})


class _Sent:
    """``send``, adding what every answer carries; a header that the page set itself stays."""

    def __init__(self, scope: Scope, send: Send, rules: Rules, sessions: Sessions) -> None:
        self.begun = False
        self._scope, self._send, self._rules, self._sessions = scope, send, rules, sessions

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.begun = True
            headers = list(message["headers"])
            there = {name.lower() for name, _ in headers}
            headers += [
                (name.encode(), value.encode())
                for name, value in HEADERS.items()
                if name.encode() not in there
            ]
            headers += self._cookie(headers)
            message = {**message, "headers": headers}
        await self._send(message)

    def _cookie(self, headers: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
        session: Session | None = self._scope.get("session")
        html = any(name == b"content-type" and value.startswith(b"text/html") for name, value in headers)
        renewed = self._scope.get("renewed", False)
        if session is None or not session.fresh or not (html or renewed):
            return []
        value, lasts_s = self._sessions.cookie(session)
        flags = f"Path=/; Max-Age={lasts_s}; HttpOnly; SameSite=Lax" + (
            "; Secure" if self._rules.https else ""
        )
        return [(b"set-cookie", f"{self._rules.cookie}={value}; {flags}".encode())]


def renew(scope: Scope, session: Session) -> None:
    """Give the browser another session with this answer."""
    scope["session"] = session
    scope["renewed"] = True


async def _no_more(scope: Scope, receive: Receive) -> Message:
    """The body that was taken already, then what the server has to say."""
    if "body" in scope:
        return {"type": "http.request", "body": scope.pop("body"), "more_body": False}
    return await receive()


def _lasts(scope: Scope, limit: asyncio.Timeout, seconds: float) -> None:
    """The answer may last so long: it is a stream."""
    until = asyncio.get_running_loop().time() + seconds
    limit.reschedule(until)
    scope.setdefault("state", {})["until"] = until


async def _body(receive: Receive) -> bytes:
    parts, size = [], 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise _Said(400, "The connection closed before the request was whole.")
        part = message.get("body", b"")
        size += len(part)
        if size > LARGEST_BODY:
            raise _Said(413, f"More than {LARGEST_BODY} bytes are not taken.", {"connection": "close"})
        parts.append(part)
        if not message.get("more_body", False):
            return b"".join(parts)


def _headers(scope: Scope) -> dict[str, str]:
    return {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}


def _basic(headers: dict[str, str]) -> str | None:
    """The password of an Authorization header of the Basic kind, or None."""
    match = re.fullmatch(r"basic\s+(\S+)", headers.get("authorization", ""), re.IGNORECASE)
    if match is None:
        return None
    try:
        return base64.b64decode(match[1], validate=True).decode().partition(":")[2]
    except (binascii.Error, UnicodeDecodeError):
        return None


def _under(path: str, paths: Iterable[str]) -> bool:
    return any(path.startswith(each) if each.endswith("/") else path == each for each in paths)


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode(), other.encode())

"""Letters to the keeper's phone or mailbox, through Apprise.

Every address has a worker of its own, so that one that hangs or is down holds up nobody else. Delivery is
at least once: a letter is sent again only if the process ends before ``Delivered`` has been recorded.
"""

from __future__ import annotations

import difflib
import ipaddress
import logging
import re
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any
from urllib.parse import unquote_plus

log = logging.getLogger(__name__)

_IDLE_S = 60.0  # a wake that got lost costs no more than this
_AFTER_ERROR_S = 5.0
_SOCKET_TIMEOUT_S = 5.0

# Services whose address has a host where a host belongs. Others (tgram, slack, pover ...) keep a key there.
_HOSTED = re.compile(
    r"(?:apprise|emby|form|gotify|hassio|http|json|kodi|mailto|matrix|mmost|mqtt|ncloud|nctalk|ntfy"
    r"|rocket|signal|synology|xml|xmpp)s?"
)
_SCHEME = re.compile(r"\s*([A-Za-z][A-Za-z0-9+.-]{0,19})://(.*)", re.DOTALL)
_AUTHORITY = re.compile(r"(?P<host>\[[0-9A-Fa-f:.]+\]|[^:\[\]]+)(?P<port>:\d{1,5})?")
_DOMAIN = re.compile(r"(?:[A-Za-z0-9](?:[A-Za-z0-9-]{0,30}[A-Za-z0-9])?\.)+[A-Za-z]{2,12}")


@dataclass(frozen=True, slots=True)
class Letter:
    """A message still to be sent; ``address`` indexes the addresses, ``attempts`` counts earlier failures."""

    letter_id: int
    address: int
    title: str
    body: str
    attempts: int


@dataclass(frozen=True, slots=True)
class Delivered:
    """The service took the letter. May be posted twice; recording it twice must do no harm."""

    letter_id: int


@dataclass(frozen=True, slots=True)
class Failed:
    """The letter did not get through and will be tried again. ``reason`` holds no secret."""

    letter_id: int
    reason: str


def masked(url: str) -> str:
    """The scheme and host of an Apprise address, everything else as ``***``; fit for logs and screens.

    The host is hidden as well where it may be a key, or where a stray ``@`` leaves in doubt which part it is.
    """
    scheme, authority, rest = _split(url)
    if not scheme:
        return "***"
    user, at, _ = authority.rpartition("@")
    host = _shown_host(scheme, authority, rest)
    if host is None:
        return f"{scheme}://***"
    return f"{scheme}://{'***' if user else ''}{at}{host}{'/***' if rest not in ('', '/') else ''}"


def bad_address(url: str) -> str | None:
    """None if Apprise understands ``url``, else what is wrong and how to mend it (no secrets)."""
    scheme, _, _ = _split(url)
    shown = masked(url)
    if not scheme:
        return (
            f"{shown}: no service is named at the start of this push address; "
            "write it as service://..., for example mailto://, ntfys:// or json://."
        )
    if _plugin(url) is not None:
        return None
    from apprise import manager_plugins

    manager: Any = manager_plugins.NotificationManager
    services = manager()
    if scheme in ("http", "https"):
        return (
            f"{shown}: this is the web address of no service that Apprise recognises. To have messages "
            f"posted to it as JSON, write json{scheme[4:]}:// instead; else see Apprise's manual."
        )
    if scheme not in services:
        like = difflib.get_close_matches(scheme, services.schemas(), n=1)
        meant = f" Did you mean {like[0]}://?" if like else ""
        return (
            f"{shown}: Apprise knows no service called {scheme}://.{meant} Its manual lists those it knows."
        )
    if not services[scheme].enabled:
        return (
            f"{shown}: Apprise needs another Python package for {scheme}:// that is not installed; "
            "install it beside hatchmon or use another service."
        )
    return (
        f"{shown}: Apprise knows {scheme}:// but cannot read the rest of this address. Compare it with the "
        "form in Apprise's manual, and write special characters in names and passwords as %40 (@), "
        "%3A (:), %2F (/)."
    )


class Pusher:
    """Sends what ``due`` lists to ``addresses`` (Apprise URLs) and posts ``Delivered`` or ``Failed``.

    ``due`` (oldest first) is only ever called from the one thread that hands letters out. A failed address
    waits ``first_wait_s``, then twice as long each time up to ``longest_wait_s``, always less a random part.
    """

    def __init__(
        self,
        addresses: Sequence[str],
        due: Callable[[], Sequence[Letter]],
        post: Callable[[object], None],
        *,
        monotonic: Callable[[], float] = time.monotonic,
        first_wait_s: float = 5.0,
        longest_wait_s: float = 900.0,
        random: Random | None = None,
    ) -> None:
        self._addresses = tuple(addresses)
        self._due = due
        self._post = post
        self._strays: set[int] = set()
        self._stopping = threading.Event()
        self._woken = threading.Event()
        chance = random or Random()

        def wait_s(failures: int) -> float:
            longest = min(longest_wait_s, first_wait_s * 2.0 ** min(failures - 1, 30))
            return longest * (0.5 + 0.5 * chance.random())

        self._desks = [_Desk(i, url, post, monotonic, wait_s) for i, url in enumerate(self._addresses)]
        self._thread = threading.Thread(target=self._run, name="push", daemon=True)

    def start(self) -> None:
        """Start sending. Only once."""
        for desk in self._desks:
            desk.start()
        self._thread.start()

    def wake(self) -> None:
        """Say that there may be new letters. Does not cut short the wait of an address that failed."""
        self._woken.set()

    def stop(self, timeout: float = 2.0) -> None:
        """Stop within ``timeout`` seconds; a send that hangs then ends with the process."""
        deadline = time.monotonic() + timeout
        self._stopping.set()
        self._woken.set()
        for desk in self._desks:
            desk.ask_to_stop()
        for thread in (self._thread, *(desk.thread for desk in self._desks)):
            if thread.ident is not None:
                thread.join(max(0.0, deadline - time.monotonic()))

    @property
    def alive(self) -> bool:
        """Whether every thread runs."""
        return self._thread.is_alive() and all(desk.thread.is_alive() for desk in self._desks)

    def try_now(self, address: int, title: str, body: str) -> str | None:
        """Send a test message at once, in the caller's thread: None when delivered, else the reason."""
        url = self._addresses[address]
        plugin = _plugin(url)
        if plugin is None:
            return bad_address(url)
        return _send(plugin, url, title, body)

    def _run(self) -> None:
        while not self._stopping.is_set():
            wait_s = _IDLE_S
            # Cleared before reading: a wake during the read is not lost.
            self._woken.clear()
            try:
                self._hand_out()
            except Exception:
                log.exception("the letters to be sent could not be read; trying again")
                wait_s = _AFTER_ERROR_S
            if not self._stopping.is_set():
                self._woken.wait(wait_s)

    def _hand_out(self) -> None:
        piles: dict[int, list[Letter]] = {}
        for letter in self._due():
            piles.setdefault(letter.address, []).append(letter)
        for desk in self._desks:
            desk.offer(piles.pop(desk.number, []))
        for letter in (letter for pile in piles.values() for letter in pile):
            if letter.letter_id not in self._strays:
                reason = f"there is no push address number {letter.address + 1} in the settings any more"
                if _tell(self._post, Failed(letter.letter_id, reason)):
                    self._strays.add(letter.letter_id)


class _Desk:
    """The worker of one address: its letters in order, one at a time."""

    def __init__(
        self,
        number: int,
        url: str,
        post: Callable[[object], None],
        monotonic: Callable[[], float],
        wait_s: Callable[[int], float],
    ) -> None:
        self.number = number
        self.thread = threading.Thread(target=self._run, name=f"push-{number + 1}", daemon=True)
        self._url = url
        self._post = post
        self._monotonic = monotonic
        self._wait_s = wait_s
        self._changed = threading.Condition()
        self._letters: list[Letter] = []
        self._delivered: set[int] = set()
        self._untold: set[int] = set()  # delivered, but the post of it failed
        self._failures = 0
        self._not_before = monotonic()
        self._stopping = False
        self._plugin: Any = None

    def start(self) -> None:
        self.thread.start()

    def ask_to_stop(self) -> None:
        with self._changed:
            self._stopping = True
            self._changed.notify_all()

    def offer(self, letters: Sequence[Letter]) -> None:
        """Take the present list of unsent letters, which may still hold some that went out a moment ago."""
        with self._changed:
            again = [letter.letter_id for letter in letters if letter.letter_id in self._untold]
            self._letters = [letter for letter in letters if letter.letter_id not in self._delivered]
            self._changed.notify_all()
        for letter_id in again:
            if _tell(self._post, Delivered(letter_id)):
                with self._changed:
                    self._untold.discard(letter_id)

    def _run(self) -> None:
        while (letter := self._next()) is not None:
            try:
                self._deal_with(letter)
            except Exception as error:
                # The type only: its message might quote the address.
                log.error("%s: %s while sending a letter", masked(self._url), type(error).__name__)
                self._later(letter)
                _tell(self._post, Failed(letter.letter_id, f"{type(error).__name__} while sending"))

    def _next(self) -> Letter | None:
        with self._changed:
            while not self._stopping:
                wait_s = self._not_before - self._monotonic()
                if self._letters and wait_s <= 0:
                    return self._letters[0]
                self._changed.wait(wait_s if self._letters else None)
        return None

    def _deal_with(self, letter: Letter) -> None:
        if self._plugin is None:
            self._plugin = _plugin(self._url)
        if self._plugin is None:
            reason: str | None = bad_address(self._url) or "the address could not be used"
        else:
            reason = _send(self._plugin, self._url, letter.title, letter.body)
        if reason is None:
            with self._changed:
                self._delivered.add(letter.letter_id)
                self._letters = [other for other in self._letters if other.letter_id != letter.letter_id]
                self._failures = 0
            if not _tell(self._post, Delivered(letter.letter_id)):
                with self._changed:
                    self._untold.add(letter.letter_id)
            return
        log.warning("%s: letter %d not delivered: %s", masked(self._url), letter.letter_id, reason)
        self._later(letter)
        _tell(self._post, Failed(letter.letter_id, reason))

    def _later(self, letter: Letter) -> None:
        with self._changed:
            # Failures before a restart count too, so that a crash loop does not hammer the service.
            self._failures = max(self._failures, letter.attempts) + 1
            self._not_before = self._monotonic() + self._wait_s(self._failures)


def _tell(post: Callable[[object], None], event: object) -> bool:
    try:
        post(event)
    except Exception:
        log.exception("the result of a letter could not be handed in")
        return False
    return True


# --- addresses ---


def _split(url: str) -> tuple[str, str, str]:
    """Scheme (lower case, empty if there is none), authority, and the rest with its leading mark."""
    match = _SCHEME.fullmatch(url)
    if match is None:
        return "", "", url
    scheme, tail = match.group(1).lower(), match.group(2).strip()
    end = next((i for i, mark in enumerate(tail) if mark in "/?#"), len(tail))
    return scheme, tail[:end], tail[end:]


def _shown_host(scheme: str, authority: str, rest: str) -> str | None:
    """The host (and port) if it is certain to be one, else None."""
    # An @ further on may end a password with an unescaped slash: then this "host" is part of the password.
    if not _HOSTED.fullmatch(scheme) or "@" in rest or "%40" in rest:
        return None
    match = _AUTHORITY.fullmatch(authority.rpartition("@")[2])
    if match is None:
        return None
    host = match["host"].lower()
    if host == "localhost" or _DOMAIN.fullmatch(host):
        return match[0].lower()
    try:
        ipaddress.ip_address(host.strip("[]"))
    except ValueError:
        return None
    return match[0].lower()


def _without_secrets(text: str, url: str) -> str:
    """``text`` with every part of ``url`` but the shown host struck out."""
    scheme, authority, rest = _split(url)
    host = _shown_host(scheme, authority, rest)
    secret_part = authority + rest if host is None else authority.rpartition("@")[0] + rest
    parts = re.split(r"[/?#&=@:,;\s]", secret_part)
    secrets = {part for raw in (secret_part, *parts) for part in (raw, unquote_plus(raw)) if part.strip()}
    for secret in sorted(secrets, key=len, reverse=True):
        pattern = re.escape(secret)
        if len(secret) < 4:  # inside longer words it is chance
            pattern = rf"(?<![A-Za-z0-9]){pattern}(?![A-Za-z0-9])"
        text = re.sub(pattern, "***", text, flags=re.IGNORECASE)
    return text


# --- Apprise ---


class _Overheard(logging.Handler):
    """Keeps what Apprise logs while one thread sends one letter."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self._mine = threading.local()

    def listen(self) -> list[tuple[int, str]]:
        """Begin anew for this thread; the list fills as Apprise logs."""
        heard: list[tuple[int, str]] = []
        self._mine.heard = heard
        return heard

    def emit(self, record: logging.LogRecord) -> None:
        heard = getattr(self._mine, "heard", None)
        if heard is not None and len(heard) < 50:
            heard.append((record.levelno, record.getMessage()))


_overheard = _Overheard()
_loading = threading.Lock()

# What can be said of a failed connection; Apprise logs the rest with the whole URL, secrets and all.
_CAUSES = (
    (re.compile(r"timed out|timeout", re.I), "no answer in time"),
    (re.compile(r"refused", re.I), "connection refused"),
    (re.compile(r"resolve|getaddrinfo|name or service|nodename", re.I), "the host name is not known"),
    (re.compile(r"certificate|ssl", re.I), "its certificate was not accepted"),
    (re.compile(r"unreachable|no route", re.I), "the network cannot be reached"),
    (re.compile(r"reset|aborted|closed", re.I), "the connection broke off"),
)


def _plugin(url: str) -> Any:
    """Apprise's sender for ``url``, or None if it does not understand it."""
    # Apprise's first use loads its services and is not safe from two threads at once.
    with _loading:
        _quieten()
        import apprise  # here, since it takes 27 MB that a hatchery without push need not spend
        from apprise.url import URLBase

        _overheard.listen()
        # Nothing on disk, and all work in the calling thread: there is no pool to wait for at the end.
        asset = apprise.AppriseAsset(
            async_mode=False, secure_logging=True, storage_mode="memory", service_timeout=0
        )
        plugin = apprise.Apprise.instantiate(url, asset=asset)
        if plugin is None:
            return None
        # A limit given in the address (cto, rto) or by the service's own class (mail) stays.
        for limit in ("socket_connect_timeout", "socket_read_timeout"):
            if limit not in vars(plugin) and getattr(plugin, limit) == getattr(URLBase, limit):
                setattr(plugin, limit, _SOCKET_TIMEOUT_S)
        sender = apprise.Apprise(asset=asset)
        sender.add(plugin)
        return sender


def _quieten() -> None:
    """Keep from the program's log what may hold a key: many services carry it in the path of the URL."""
    theirs = logging.getLogger("apprise")
    theirs.propagate = False
    theirs.setLevel(logging.DEBUG)
    if _overheard not in theirs.handlers:
        theirs.addHandler(_overheard)
    for name in ("urllib3.connectionpool", "requests_oauthlib", "oauthlib"):
        logging.getLogger(name).setLevel(logging.ERROR)


def _send(sender: Any, url: str, title: str, body: str) -> str | None:
    """None when the service took it, else the reason, without secrets."""
    heard = _overheard.listen()
    try:
        if sender.notify(body=body or title, title=title if body else "", body_format="text"):
            return None
    except Exception as error:
        return f"Apprise failed with {type(error).__name__}"
    said = next((text for level, text in heard if level >= logging.WARNING), "Apprise gives no reason")
    reason = _without_secrets(" ".join(said.split()), url)[:200].rstrip(".")
    errors = " ".join(text for _, text in heard if "exception" in text.lower())
    cause = next((cause for pattern, cause in _CAUSES if pattern.search(errors)), None)
    return f"{reason} ({cause})" if cause else reason

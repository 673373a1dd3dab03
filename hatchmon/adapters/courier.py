"""The process that carries letters to one address, and the words for addresses that keep their secrets.

``python -m hatchmon.adapters.courier`` reads JSON lines from its standard input: the address (an Apprise
URL), then letters, each answered by a line of its own. Apprise is loaded here alone, and gone with the
process: in the daemon it would stay, with the hundred services it knows.
"""

from __future__ import annotations

import difflib
import ipaddress
import json
import logging
import re
import signal
import sys
from typing import Any
from urllib.parse import unquote_plus

_SOCKET_TIMEOUT_S = 5.0

# Services whose address has a host where a host belongs. Others (tgram, slack, pover ...) keep a key there.
_HOSTED = re.compile(
    r"(?:apprise|emby|form|gotify|hassio|http|json|kodi|mailto|matrix|mmost|mqtt|ncloud|nctalk|ntfy"
    r"|rocket|signal|synology|xml|xmpp)s?"
)
_SCHEME = re.compile(r"\s*([A-Za-z][A-Za-z0-9+.-]{0,19})://(.*)", re.DOTALL)
_AUTHORITY = re.compile(r"(?P<host>\[[0-9A-Fa-f:.]+\]|[^:\[\]]+)(?P<port>:\d{1,5})?")
_DOMAIN = re.compile(r"(?:[A-Za-z0-9](?:[A-Za-z0-9-]{0,30}[A-Za-z0-9])?\.)+[A-Za-z]{2,12}")


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
    """Keeps what Apprise logs while it reads an address or sends a letter."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self._heard: list[tuple[int, str]] = []

    def listen(self) -> list[tuple[int, str]]:
        """Begin anew; the list fills as Apprise logs."""
        self._heard = []
        return self._heard

    def emit(self, record: logging.LogRecord) -> None:
        if len(self._heard) < 50:
            self._heard.append((record.levelno, record.getMessage()))


_overheard = _Overheard()

# What can be said of a failed connection; Apprise logs the rest with the whole URL, secrets and all.
_CAUSES = (
    (re.compile(r"timed out|timeout", re.I), "no answer in time"),
    (re.compile(r"refused", re.I), "connection refused"),
    (re.compile(r"resolve|getaddrinfo|name or service|nodename", re.I), "the host name is not known"),
    (re.compile(r"certificate|ssl", re.I), "its certificate was not accepted"),
    (re.compile(r"unreachable|no route", re.I), "the network cannot be reached"),
    (re.compile(r"reset|aborted|closed", re.I), "the connection broke off"),
)
# After these the service may have the letter all the same.
_IN_DOUBT = frozenset({"no answer in time", "the connection broke off"})


def _plugin(url: str) -> Any:
    """Apprise's sender for ``url``, or None if it does not understand it."""
    _quieten()
    import apprise  # here, since most of those who import this module only want the masks
    from apprise.url import URLBase

    _overheard.listen()
    # Nothing on disk, and all work in this thread: there is no pool to wait for at the end.
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


def _send(sender: Any, url: str, letter: dict[str, str]) -> dict[str, Any]:
    """``trouble``: None when the service took it, else the reason, without secrets; ``doubt``: whether the
    service may have it in spite of the trouble."""
    # Where Apprise lets us add headers, the service can tell a repeat by this one
    # (draft-ietf-httpapi-idempotency-key-header).
    headers = getattr(sender[0], "headers", None)
    if isinstance(headers, dict):
        headers["Idempotency-Key"] = letter["key"]
    heard = _overheard.listen()
    title, body = letter["title"], letter["body"]
    try:
        if sender.notify(body=body or title, title=title if body else "", body_format="text"):
            return {"trouble": None, "doubt": False}
    except Exception as error:
        return {"trouble": f"Apprise failed with {type(error).__name__}", "doubt": True}
    said = next((text for level, text in heard if level >= logging.WARNING), "Apprise gives no reason")
    reason = _without_secrets(" ".join(said.split()), url)[:200].rstrip(".")
    errors = " ".join(text for _, text in heard if "exception" in text.lower())
    cause = next((cause for pattern, cause in _CAUSES if pattern.search(errors)), None)
    return {"trouble": f"{reason} ({cause})" if cause else reason, "doubt": cause in _IN_DOUBT}


def main() -> None:
    """Serve one address until the standard input ends."""
    # A daemon that is told to stop lets the letter on its way go through.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)
    url = json.loads(sys.stdin.readline())
    sender = None
    for line in sys.stdin:
        if sender is None:
            sender = _plugin(url)
        if sender is None:
            result: dict[str, Any] = {
                "trouble": bad_address(url) or "the address could not be used",
                "doubt": False,
            }
        else:
            result = _send(sender, url, json.loads(line))
        print(json.dumps(result), flush=True)


if __name__ == "__main__":
    main()

"""A real daemon with its page, and a browser's share of the talking: cookies, tokens, redirects."""

from __future__ import annotations

import re
import socket
from html import unescape
from types import TracebackType
from typing import Any, Self

import httpx

from tests.servers import HOST, free_port
from tests.system.daemon import Daemon, Ground

PASSPHRASE = "tide pool lamp rope"


def web(port: int, *lines: str) -> str:
    """The [web] section."""
    return "\n".join(["enabled = true", f"port = {port}", *lines])


class Visitor:
    """A browser without scripts."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.http = httpx.Client(base_url=f"http://{HOST}:{port}", timeout=20.0)
        self.page: httpx.Response | None = None

    def go(self, path: str = "/", **headers: str) -> httpx.Response:
        """Open a page, following redirects as a browser does."""
        self.page = self.http.get(path, headers=headers, follow_redirects=True)
        return self.page

    @property
    def text(self) -> str:
        """What stands on the page, in one line, without the markup."""
        assert self.page is not None
        body = re.sub(r"(?s)<(head|svg|style)\b.*?</\1>", " ", self.page.text)
        return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split()).replace(" ,", ",").replace(" .", ".")

    @property
    def token(self) -> str:
        assert self.page is not None
        found = re.search(r'name="token" value="([^"]+)"', self.page.text)
        assert found, self.page.text
        return found[1]

    def send(self, path: str = "/do", *, follow: bool = True, **fields: str) -> httpx.Response:
        """Send a form of the present page."""
        self.page = self.http.post(path, data={"token": self.token, **fields}, follow_redirects=follow)
        return self.page

    def ask(self, body: Any, **more: Any) -> httpx.Response:
        """Ask for something as a program does."""
        return self.http.post("/api/requests", json=body, **more)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.http.close()


def raw(port: int, text: bytes, timeout: float = 15.0) -> bytes:
    """Whatever comes back for these bytes until the connection ends."""
    with socket.create_connection((HOST, port), timeout=timeout) as line:
        line.sendall(text)
        parts = []
        while part := line.recv(65536):
            parts.append(part)
        return b"".join(parts)


__all__ = ["HOST", "PASSPHRASE", "Daemon", "Ground", "Visitor", "free_port", "raw", "web"]

"""A real daemon with its page, and a browser's share of the talking: cookies, tokens, redirects."""

from __future__ import annotations

import re
import socket
from datetime import UTC, datetime, timedelta
from html import unescape
from types import TracebackType
from typing import Any, Self

import httpx

from hatchmon.adapters.store import NewReading, Store, to_us
from hatchmon.hatchery.types import Batch, Quantity, Verdict
from tests.servers import HOST, free_port
from tests.system.daemon import Daemon, Ground

PASSPHRASE = "tide pool lamp rope"


def web(port: int, *lines: str) -> str:
    """The [web] section."""
    return "\n".join(["enabled = true", f"port = {port}", *lines])


def fill(ground: Ground, *plans: tuple[str, float | None]) -> None:
    """Cones with probes, each with the age (h) of its running batch, or None for one harvested 10 h ago."""
    now = datetime.now(UTC)
    ground.database.parent.mkdir(parents=True, exist_ok=True)
    with Store(ground.database) as store, store.atomic():
        for cone, age_h in plans:
            topic = f"hatchery/{cone}/temperature"
            stream = store.add_stream(cone, Quantity.TEMPERATURE, "C", topic, now)
            store.add_readings(
                [
                    NewReading(
                        stream.stream_id,
                        to_us(now - timedelta(minutes=minute)),
                        26.0 + 0.0625 * (minute % 3),
                        Verdict.GOOD,
                        "receipt",
                    )
                    for minute in range(30 * 60, 0, -1)
                ]
            )
            begun = now - timedelta(hours=36.0 if age_h is None else age_h)
            batch = store.add_batch(
                Batch(0, cone, "river-23", begun, 3.0, litres=2.0, set_point_c=26.0), "keeper"
            )
            if age_h is None:
                store.end_batch(batch.batch_id, now - timedelta(hours=10), "harvested")


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
        return (
            " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())
            .replace(" ,", ",")
            .replace(" .", ".")
            .replace(" ;", ";")
        )

    @property
    def token(self) -> str:
        assert self.page is not None
        found = re.search(r'name="token" value="([^"]+)"', self.page.text)
        assert found, self.page.text
        return found[1]

    def send(self, to_path: str = "/do", /, **fields: str) -> httpx.Response:
        """Send a form of the present page."""
        self.page = self.http.post(to_path, data={"token": self.token, **fields}, follow_redirects=True)
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
    """The beginning of what comes back for these bytes; empty when the connection ends without a word."""
    with socket.create_connection((HOST, port), timeout=timeout) as line:
        line.sendall(text)
        return line.recv(65536)


__all__ = ["HOST", "PASSPHRASE", "Daemon", "Ground", "Visitor", "fill", "free_port", "raw", "web"]

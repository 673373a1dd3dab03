"""Asking a time-series store by Prometheus' query interface (HTTP API v1), as victoria-metrics speaks it."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple
from urllib.parse import urlencode, urlsplit

import urllib3
from pydantic_core import from_json
from urllib3 import exceptions as http

from hatchmon.hatchery.wording import printable

LARGEST_ANSWER = 32 * 1024 * 1024  # bytes; six to eight times that in memory while it is read
MOST_AT_ONCE = 4  # questions beside one other
_LONGEST_SAID = 300


class Unanswered(Exception):
    """The store gave no answer that can be used; the message says what is wrong and how to mend it."""


class Line(NamedTuple):
    """One time series: its labels (``__name__`` among them), and (seconds since 1970 UTC, value as text) in
    order; one pair where the question asks for a value at a moment. Text, since of many few are looked at."""

    labels: Mapping[str, str]
    points: Sequence[tuple[float, str]]

    @property
    def last(self) -> tuple[float, float]:
        """The newest (seconds since 1970 UTC, value)."""
        when, text = self.points[-1]
        return when, float(text)


@dataclass(slots=True)
class Asker:
    """Asks the store whose queries are at ``url``/api/v1/query; ``token`` may be empty.

    Every question must be answered by ``until`` (time.monotonic()), whatever the store does.
    """

    url: str
    token: str = field(repr=False)
    until: float
    _pool: urllib3.PoolManager = field(
        default_factory=lambda: urllib3.PoolManager(maxsize=MOST_AT_ONCE + 1, retries=False),
        init=False,
        repr=False,
    )

    def ask(self, query: str, at: datetime) -> list[Line]:
        """The answer to ``query`` as of ``at``: a range selector gives all its points. Raises Unanswered."""
        return self.lines(self.fetch(query, at))

    def fetch(self, query: str, at: datetime) -> bytes:
        """The same as it comes, for ``lines``; safe in another thread. Raises Unanswered."""
        # What came late belongs to the answer, too: nothing from the store's cache (victoria-metrics).
        return self._get("query", {"query": query, "time": f"{at.timestamp():.3f}", "nocache": "1"})

    def lines(self, body: bytes) -> list[Line]:
        """What was fetched. Raises Unanswered."""
        data = self._data(body)
        try:
            found = [
                Line(each["metric"], each["values"] if "values" in each else [each["value"]])
                for each in data["result"]
            ]
            for line in found:
                _ = line.last, line.labels.keys()  # of the form it should have
        except (LookupError, TypeError, ValueError, AttributeError):
            raise self._odd() from None
        return found

    def values_of(self, label: str, selector: str, start: datetime, end: datetime) -> list[str]:
        """Every value of ``label`` in series of ``selector`` between two moments. Raises Unanswered."""
        asked = {
            "match[]": selector, "start": f"{start.timestamp():.3f}", "end": f"{end.timestamp():.3f}"
        }  # fmt: skip
        data = self._data(self._get(f"label/{label}/values", asked))
        if not isinstance(data, list) or not all(isinstance(each, str) for each in data):
            raise self._odd()
        return data

    def close(self) -> None:
        """Let go of the connections."""
        self._pool.clear()

    def _get(self, what: str, asked: dict[str, str]) -> bytes:
        left = self.until - time.monotonic()
        if left <= 0.0:
            raise self._late()
        headers = {"Accept": "application/json", "User-Agent": "hatchmon"}
        if self.token:
            headers["Authorization"] = f"Bearer {self.token}"
        url, told = f"{self.url.rstrip('/')}/api/v1/{what}", urlencode(asked)
        try:
            if what == "query":  # may be longer than an address
                headers["Content-Type"] = "application/x-www-form-urlencoded"
                response = self._open("POST", url, told.encode(), headers, left)
            else:
                response = self._open("GET", f"{url}?{told}", None, headers, left)
            try:
                body = self._read(response)
            finally:
                response.close()
        except http.HTTPError as error:
            raise self._unanswered(error) from None
        except ValueError:  # a token with a line break in it
            raise Unanswered(
                f"{self._at}: the question could not be put together; check fleet.url and token for stray "
                "characters."
            ) from None
        if response.status != 200:
            raise self._refused(response.status, body)
        return body

    def _data(self, body: bytes) -> Any:
        try:
            answer = from_json(body)  # in half the time of Python's own
            if answer["status"] == "success":
                return answer["data"]
        except (ValueError, LookupError, TypeError):
            pass
        raise self._odd()

    def _open(
        self, method: str, url: str, body: bytes | None, headers: dict[str, str], left_s: float
    ) -> urllib3.BaseHTTPResponse:
        return self._pool.request(
            method, url, body=body, headers=headers, preload_content=False, redirect=False,
            timeout=urllib3.Timeout(total=left_s),
        )  # fmt: skip

    def _read(self, response: urllib3.BaseHTTPResponse) -> bytes:
        parts: list[bytes] = []
        size = 0
        while part := response.read1(1 << 20, decode_content=True):
            parts.append(part)
            size += len(part)
            if size > LARGEST_ANSWER:
                raise Unanswered(f"{self._at}: the answer is too large; set fleet.record_days lower.")
            if time.monotonic() > self.until:
                raise self._late()
        return b"".join(parts)

    @property
    def _at(self) -> str:
        parts = urlsplit(self.url)
        try:
            port = f":{parts.port}" if parts.port else ""
        except ValueError:
            port = ""
        return f"time-series store {parts.scheme}://{parts.hostname}{port}"

    def _late(self) -> Unanswered:
        return Unanswered(
            f"{self._at}: no answer in time; look whether it is overloaded or the network slow."
        )

    def _odd(self) -> Unanswered:
        return Unanswered(
            f"{self._at}: what answers there is no query interface; correct fleet.url "
            "(README.md names it for one server and for a cluster)."
        )

    def _refused(self, status: int, body: bytes) -> Unanswered:
        if status in (401, 403):
            return Unanswered(f"{self._at}: it does not accept the token ({status}); set fleet.token.")
        if status >= 500:
            return Unanswered(
                f"{self._at}: it answers with an error of its own ({status}); look at its log, try again."
            )
        try:
            said = printable(" ".join(str(from_json(body)["error"]).split())[:_LONGEST_SAID])
        except (ValueError, LookupError, TypeError):
            return self._odd()
        return Unanswered(f"{self._at}: it refuses the question ({status}: {said}).")

    def _unanswered(self, error: http.HTTPError) -> Unanswered:
        if isinstance(error, http.NameResolutionError):
            return Unanswered(
                f"{self._at}: the host name is not known; check fleet.url, and the network to it."
            )
        if isinstance(error, http.NewConnectionError):
            return Unanswered(
                f"{self._at}: nothing answers there; see whether it runs, or correct fleet.url."
            )
        if isinstance(error, http.TimeoutError):
            return self._late()
        if isinstance(error, http.SSLError):
            return Unanswered(f"{self._at}: no safe connection; check its certificate and fleet.url.")
        return Unanswered(f"{self._at}: the connection broke off; try again.")

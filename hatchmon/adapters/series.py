"""Forwarding to a time-series store with the InfluxDB v2 write endpoint.

The database is the outbox: for each feed a cursor says how far it has been forwarded, and moves only once
the store has answered. Delivery is at least once; a point sent again has the same series and time.
"""

from __future__ import annotations

import contextlib
import json
import logging
import math
import threading
import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from random import Random
from urllib.parse import urlencode, urlsplit

import urllib3
from urllib3 import exceptions as http

log = logging.getLogger(__name__)

_IDLE_S = 60.0  # a wake that got lost costs no more than this
_LONGEST_ASKED_WAIT_S = 3600.0
_LONGEST_ANSWER = 4096  # bytes read of it
# Line protocol: what a backslash goes before in measurements, and in tags and names of fields.
_IN_MEASUREMENTS = str.maketrans({",": r"\,", " ": r"\ ", "\n": r"\n", "\r": r"\r", "\t": r"\t"})
_IN_KEYS = _IN_MEASUREMENTS | str.maketrans({"=": r"\="})
_REFUSED = (400, 413, 422)  # the fault lies with the lines, or with one of them
_STAYS = (401, 403, 404)  # the fault lies with the settings, or with the store's


@dataclass(frozen=True, slots=True)
class Point:
    """Values at one time (microseconds since 1970, UTC); ``cursor`` is the place in the outbox."""

    cursor: int
    measurement: str
    tags: tuple[tuple[str, str], ...]
    fields: tuple[tuple[str, float], ...]
    time_us: int


@dataclass(frozen=True, slots=True)
class Forwarded:
    """Everything of ``feed`` up to the cursor ``up_to`` is in the store (``count`` points of it new) or set
    aside. ``round``: how often the feeds had been rewound by then."""

    up_to: int
    count: int
    feed: str = "readings"
    round: int = 0


@dataclass(frozen=True, slots=True)
class SetAside:
    """The store refuses this one line for good. Comes before the ``Forwarded`` that covers it."""

    cursor: int
    line: str
    reason: str
    feed: str = "readings"


@dataclass(frozen=True, slots=True)
class SeriesTrouble:
    """Nothing gets through; posted once for each new reason. Nothing is lost meanwhile.

    ``stays``: it will not pass by itself, such as a token that is not accepted.
    """

    reason: str
    stays: bool = False


@dataclass(frozen=True, slots=True)
class SeriesWell:
    """It gets through again after trouble."""


@dataclass(frozen=True)
class SeriesServer:
    """Where to write, and the token (not shown when printed)."""

    url: str
    token: str = field(repr=False)
    org: str
    bucket: str


@dataclass(slots=True)
class Feed:
    """One kind of points: ``fetch(cursor, limit)`` gives those after ``cursor``, ascending."""

    name: str
    cursor: int
    fetch: Callable[[int, int], Sequence[Point]]


def to_line(point: Point) -> str:
    """``point`` in InfluxDB line protocol, microseconds; empty if it holds no finite value.

    All values are written as floats: a field that was once an integer would refuse floats for ever.
    """
    fields = [
        f"{name.translate(_IN_KEYS)}={str(float(value)).removesuffix('.0')}"
        for name, value in sorted(point.fields)
        if math.isfinite(value)
    ]
    if not fields:
        return ""
    tags = [
        f",{name.translate(_IN_KEYS)}={_tag_text(text)}" for name, text in sorted(point.tags) if name and text
    ]
    series = point.measurement.translate(_IN_MEASUREMENTS) + "".join(tags)
    return f"{series} {','.join(fields)} {point.time_us}"


def _tag_text(text: str) -> str:
    # A backslash at the end would take the sign after it for its own.
    return text.translate(_IN_KEYS) + (" " if text.endswith("\\") else "")


class SeriesForwarder:
    """Copies the points of each feed after its cursor to ``server``, in order, and posts how far it got.

    The feeds take turns, a batch each; they are fetched from the forwarder's thread alone. Trouble is
    retried after ``first_wait_s``, then twice as long each time up to ``longest_wait_s`` (less a random
    part), or later if the store asks for it.
    """

    def __init__(
        self,
        server: SeriesServer,
        feeds: Sequence[Feed],
        post: Callable[[object], None],
        *,
        batch: int = 1000,
        first_wait_s: float = 5.0,
        longest_wait_s: float = 300.0,
        timeout_s: float = 10.0,
        random: Random | None = None,
    ) -> None:
        self._server = server
        self._feeds = list(feeds)
        self._post = post
        self._batch = batch
        self._first_wait_s = first_wait_s
        self._longest_wait_s = longest_wait_s
        self._timeout_s = timeout_s
        self._random = random or Random()
        self._client: _Client | None = None
        self._failures = 0
        self._round_number = 0
        self._rewound: tuple[dict[str, int], int] | None = None
        self._rewinding = threading.Lock()
        self._trouble: str | None = None
        self._has_taken = False  # the server has taken something from this process
        self._stopping = threading.Event()
        self._woken = threading.Event()
        self._thread = threading.Thread(target=self._run, name="series", daemon=True)

    def start(self) -> None:
        """Start forwarding. Only once."""
        self._thread.start()

    def wake(self) -> None:
        """Say that there are new points. Does not cut short the wait after trouble."""
        self._woken.set()

    def rewind(self, cursors: Mapping[str, int], number: int) -> None:
        """Send again what lies after ``cursors`` (by feed; those further back already stay where they are).

        ``number``: how often that has been done; every ``Forwarded`` from then on bears it.
        """
        with self._rewinding:
            earlier = self._rewound[0] if self._rewound else {}
            least = {name: min(at, earlier.get(name, at)) for name, at in cursors.items()}
            self._rewound = (earlier | least, number)
        self._woken.set()

    def stop(self, timeout: float = 2.0) -> None:
        """Stop within ``timeout`` seconds; a write that hangs then ends with the process."""
        self._stopping.set()
        self._woken.set()
        if self._thread.ident is not None:
            self._thread.join(timeout)

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def probe(self) -> str | None:
        """Try an empty write: None when the store takes writes, else what is wrong and how to mend it."""
        try:
            client = _Client(self._server, self._timeout_s)
            try:
                client.write("")
            finally:
                client.close()
        except Exception as error:
            # InfluxDB 2 looks at the token and the bucket first and only then misses the points
            # (http/points in its source); other servers say 400 to a wrong path.
            if _status(error) == 400 and "requires points" in _message(error):
                return None
            return _what_is_wrong(error, self._server, self._timeout_s)
        return None

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._round()
            except Exception as error:
                # Where, but not with which values: an error may quote the token.
                trace = "".join(traceback.format_tb(error.__traceback__))
                log.error("forwarding failed with %s; trying again\n%s", type(error).__name__, trace)
                self._stopping.wait(self._first_wait_s)
        if self._client is not None:
            self._client.close()

    def _round(self) -> None:
        # Cleared before reading: a wake during the read is not lost.
        self._woken.clear()
        self._take_back()
        found = False
        trouble: Exception | None = None
        for feed in self._feeds:
            points = feed.fetch(feed.cursor, self._batch)
            if not points or self._stopping.is_set():
                continue
            if points[0].cursor <= feed.cursor:
                raise ValueError("a point was fetched that has been forwarded before")
            found = True
            try:
                self._forward(feed, points)
            except _RefusesAll as error:  # another feed may find that the server does take lines
                trouble = error
            except Exception as error:
                trouble = error
                break
        if trouble is not None:
            self._stopping.wait(self._after(trouble))
        elif self._stopping.is_set():
            return
        elif found:
            self._recovered()
        else:
            self._woken.wait(_IDLE_S)

    def _take_back(self) -> None:
        with self._rewinding:
            rewound, self._rewound = self._rewound, None
        if rewound is not None:
            cursors, self._round_number = rewound
            for feed in self._feeds:
                feed.cursor = min(feed.cursor, cursors.get(feed.name, feed.cursor))

    # --- one batch ---

    def _forward(self, feed: Feed, points: Sequence[Point]) -> None:
        """Send ``points`` of ``feed``; what was settled before an error stays settled."""
        lines = [to_line(point) for point in points]
        taken = 0
        settled = feed.cursor
        aside: list[SetAside] = []  # not told yet
        doubted: list[SetAside] = []  # those of them refused by a server that had never taken a line
        # Ranges still to send, the first one last. A refused range is halved down to the line at fault.
        ranges = [(0, len(points))]
        try:
            while ranges and not self._stopping.is_set():
                start, end = ranges.pop()
                good = [line for line in lines[start:end] if line]
                refusal = self._offer(good) if good else None
                if refusal is not None and end - start > 1:
                    middle = (start + end) // 2
                    ranges += [(middle, end), (start, middle)]
                    if _status(refusal) == 413 and end - start == len(points):
                        self._batch = min(self._batch, max(10, middle))  # else every batch would be refused
                    continue
                if refusal is not None:
                    aside.append(SetAside(points[start].cursor, lines[start], _message(refusal), feed.name))
                    if not self._has_taken:
                        doubted.append(aside[-1])
                else:
                    taken += len(good)
                    self._has_taken = self._has_taken or bool(good)
                    aside += [
                        SetAside(point.cursor, repr(point), "it holds no finite value", feed.name)
                        for point, line in zip(points[start:end], lines[start:end], strict=True)
                        if not line
                    ]
                # A server that has never taken a line may refuse us, not the line (a wrong address can
                # answer 400 to everything): nothing is set aside before it has taken one, and by then
                # it may take those it refused.
                while doubted and self._has_taken:
                    if self._offer([doubted[0].line]) is None:
                        aside.remove(doubted[0])
                        taken += 1
                    del doubted[0]
                if not doubted:
                    while aside:
                        self._post(aside[0])
                        del aside[0]
                    settled = points[end - 1].cursor
        finally:
            if settled > feed.cursor:
                self._post(Forwarded(settled, taken, feed.name, self._round_number))
                feed.cursor = settled
        if doubted:
            log.warning("the time-series store has taken no line yet and says: %s", doubted[0].reason)
            raise _RefusesAll

    def _offer(self, lines: Sequence[str]) -> Exception | None:
        """Write ``lines``: None when taken, the error when refused; raises what may pass with time."""
        if self._client is None:
            self._client = _Client(self._server, self._timeout_s)
        try:
            self._client.write("\n".join(lines))
        except Exception as error:
            if _status(error) in _REFUSED:
                return error
            raise
        return None

    # --- trouble ---

    def _after(self, error: Exception) -> float:
        """Tell what is wrong and give the seconds to wait."""
        self._failures += 1
        reason = _what_is_wrong(error, self._server, self._timeout_s)
        if reason != self._trouble:
            log.warning("%s", reason)
            self._trouble = reason
            self._tell(SeriesTrouble(reason, isinstance(error, _RefusesAll) or _status(error) in _STAYS))
        longest = min(self._longest_wait_s, self._first_wait_s * 2.0 ** min(self._failures - 1, 30))
        return max(longest * (0.5 + 0.5 * self._random.random()), _asked_wait_s(error))

    def _recovered(self) -> None:
        self._failures = 0
        if self._trouble is not None:
            self._trouble = None
            self._tell(SeriesWell())

    def _tell(self, event: object) -> None:
        try:
            self._post(event)
        except Exception:
            log.exception("the state of the time-series store could not be handed in")


class _RefusesAll(Exception):
    """The server refuses every line and has taken none yet."""


# --- the store ---


class _Answered(Exception):
    """The server's answer is not that it took the lines."""

    def __init__(self, status: int, message: str, retry_after: str | None) -> None:
        super().__init__(status)
        self.status = status
        self.message = message
        self.retry_after = retry_after


class _Client:
    """The write endpoint of one server: POST /api/v2/write of the InfluxDB v2 API, and nothing more of it.

    The whole of InfluxData's own client would take a sixth of the daemon's memory.
    """

    def __init__(self, server: SeriesServer, timeout_s: float) -> None:
        asked = urlencode({"org": server.org, "bucket": server.bucket, "precision": "us"})
        self._url = f"{server.url.rstrip('/')}/api/v2/write?{asked}"
        self._headers = {
            "Authorization": f"Token {server.token}",
            "Content-Type": "text/plain; charset=utf-8",
            "Accept": "application/json",
            "User-Agent": "hatchmon",
        }
        # No retries of its own: they would lose lines and hide what is wrong.
        self._pool = urllib3.PoolManager(timeout=urllib3.Timeout(total=timeout_s), retries=False)

    def write(self, lines: str) -> None:
        """Return once the server has taken ``lines``; raises _Answered, or an error of urllib3."""
        response = self._pool.request(
            "POST", self._url, body=lines.encode(), headers=self._headers, preload_content=False
        )
        try:
            said = response.read(_LONGEST_ANSWER, decode_content=True).decode(errors="replace")
            if 200 <= response.status < 300:
                return
            with contextlib.suppress(ValueError):
                answer = json.loads(said)
                said = str(answer.get("message") or said) if isinstance(answer, dict) else said
            retry_after = response.headers.get("Retry-After")
            raise _Answered(response.status, said or response.reason or "", retry_after)
        finally:
            response.close()  # a connection whose answer was read to its end is kept all the same

    def close(self) -> None:
        self._pool.clear()


def _status(error: Exception) -> int:
    """The HTTP status the server answered with, 0 if there was no answer."""
    return error.status if isinstance(error, _Answered) else 0


def _message(error: Exception) -> str:
    """What the server said, on one line and not too long."""
    said = getattr(error, "message", None)
    return " ".join(str(said or "refused without a reason").split())[:300]


def _asked_wait_s(error: Exception) -> float:
    """Seconds that Retry-After asks for (RFC 9110, section 10.2.3: seconds or a date), else 0."""
    asked = str(getattr(error, "retry_after", None) or "").strip()
    if not asked:
        return 0.0
    if asked.isascii() and asked.isdigit():
        seconds = float(asked)
    else:
        try:
            then = parsedate_to_datetime(asked)
        except ValueError:
            return 0.0
        seconds = (then.replace(tzinfo=then.tzinfo or UTC) - datetime.now(UTC)).total_seconds()
    return min(max(seconds, 0.0), _LONGEST_ASKED_WAIT_S)


def _what_is_wrong(error: Exception, server: SeriesServer, timeout_s: float) -> str:
    """What is wrong and how to mend it: the same words for the same fault, no secrets."""
    at = f"time-series store {_shown(server.url)}"
    status = _status(error)
    if isinstance(error, _RefusesAll):
        return (
            f"{at}: it has refused every line so far; nothing has been set aside. "
            "Check the address, the organisation and the bucket; its answer is in hatchmon's log."
        )
    if status == 401:
        return f"{at}: it does not accept the token (401); set one that it knows."
    if status == 403:
        return (
            f"{at}: the token may not write to bucket {server.bucket!r} (403); allow it or set another token."
        )
    if status == 404:
        return (
            f"{at}: it knows no organisation {server.org!r} with bucket {server.bucket!r}, or the address "
            "is not that of a store (404); check all three."
        )
    if status in _REFUSED:
        return f"{at}: it refuses writes ({status}: {_message(error)}); check the address and the names."
    if status == 429:
        return f"{at}: it asks for fewer writes (429); hatchmon waits and goes on."
    if status >= 500:
        return f"{at}: it answers with an error of its own ({status}); look at its log. hatchmon tries again."
    if status:
        return f"{at}: unexpected answer {status}; check that the address leads to the store itself."
    if not server.url.startswith(("http://", "https://")) or isinstance(error, http.LocationValueError):
        return f"{at}: this is no web address; write it like http://127.0.0.1:8086."
    if isinstance(error, http.NameResolutionError):
        return f"{at}: the host name is not known; check the address and the network."
    if isinstance(error, http.NewConnectionError):
        return f"{at}: nothing answers there; check that it runs and that the address is right."
    if isinstance(error, http.TimeoutError):
        return f"{at}: no answer within {timeout_s:g} s; look whether it is overloaded or the network slow."
    if isinstance(error, http.SSLError) or "SSL" in str(getattr(error, "reason", "")):
        return f"{at}: no safe connection; check its certificate, or whether the address should begin with http://."
    if isinstance(error, http.ProtocolError):
        return f"{at}: the connection broke off; look whether it is restarting. hatchmon tries again."
    if isinstance(error, ValueError):  # http.client on line breaks and letters that no header may hold
        return f"{at}: the request could not be put together; check address and token for stray characters."
    return f"{at}: {type(error).__name__} while writing; hatchmon tries again."


def _shown(url: str) -> str:
    """The address without user and password."""
    try:
        parts = urlsplit(url)
        port = f":{parts.port}" if parts.port else ""
        return f"{parts.scheme}://{parts.hostname}{port}" if parts.hostname else "(address not readable)"
    except ValueError:
        return "(address not readable)"

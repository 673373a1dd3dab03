"""Forwarding to a time-series store, against a real one and against servers that misbehave in known ways."""

from __future__ import annotations

import logging
import queue
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from functools import partial
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import influxdb_client
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hatchmon.adapters.series import (
    Feed,
    Forwarded,
    Point,
    SeriesForwarder,
    SeriesServer,
    SeriesTrouble,
    SeriesWell,
    SetAside,
    to_line,
)
from tests.servers import HOST, VictoriaMetrics, free_port, wait_until

START_US = 1_767_225_600_000_000  # 2026-01-01 00:00 UTC
SECRET = "tok-9f3b1c77"


def reading(cursor: int, cone: str = "north", value: float | None = None) -> Point:
    """The ``cursor``-th of a row of readings, half a second apart."""
    return Point(
        cursor,
        "water",
        (("cone", cone), ("quantity", "temperature")),
        (("value", 25.0 + cursor / 1000 if value is None else value),),
        START_US + cursor * 500_000,
    )


class Outbox:
    """Points in memory that are fetched as the database gives them."""

    def __init__(self, points: Sequence[Point] = ()) -> None:
        self._lock = threading.Lock()
        self._points = list(points)
        self.threads: set[str] = set()

    def add(self, *points: Point) -> None:
        with self._lock:
            self._points += points

    def fetch(self, cursor: int, limit: int) -> list[Point]:
        self.threads.add(threading.current_thread().name)
        with self._lock:
            return [point for point in self._points if point.cursor > cursor][:limit]


class Inbox:
    """What the forwarder posted, in order."""

    def __init__(self) -> None:
        self.events: list[object] = []

    def post(self, event: object) -> None:
        self.events.append(event)

    def of(self, kind: type) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]

    @property
    def up_to(self) -> int:
        return max((event.up_to for event in self.of(Forwarded)), default=0)

    @property
    def count(self) -> int:
        return sum(event.count for event in self.of(Forwarded))


Answer = tuple[int, dict[str, str], bytes]
TAKEN: Answer = (204, {}, b"")


def refuse(status: int, message: str = "no", **headers: str) -> Answer:
    body = f'{{"code":"x","message":"{message}"}}'.encode()
    return status, {"Content-Type": "application/json", **headers}, body


class LineServer:
    """Takes lines at the write endpoint and answers as ``rule`` says; ``None`` means that it hangs."""

    def __init__(self) -> None:
        self.rule: Callable[[list[str]], Answer | None] = lambda lines: TAKEN
        self.accepted: list[str] = []
        self.requests: list[tuple[float, int]] = []  # monotonic time, lines
        self.queries: list[str] = []
        self.tokens: list[str | None] = []
        self._release = threading.Event()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0)).decode()
                lines = body.splitlines()
                outer.requests.append((time.monotonic(), len(lines)))
                outer.queries.append(self.path)
                outer.tokens.append(self.headers.get("Authorization"))
                answer = outer.rule(lines)
                if answer is None:
                    outer._release.wait(30)
                    self.close_connection = True
                    return
                status, headers, content = answer
                if status == 204:
                    outer.accepted += lines
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name.replace("_", "-"), value)
                self.send_header("Content-Length", str(len(content)))
                self.end_headers()
                self.wfile.write(content)

            def log_message(self, format: str, *args: object) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            block_on_close = False

            def handle_error(self, request: object, client_address: object) -> None:
                pass

        self._server = Server((HOST, 0), Handler)
        self.url = f"http://{HOST}:{self._server.server_address[1]}"
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def close(self) -> None:
        self._release.set()
        self._server.shutdown()
        self._server.server_close()


@pytest.fixture
def lines() -> Iterator[LineServer]:
    server = LineServer()
    yield server
    server.close()


@pytest.fixture
def start() -> Iterator[Callable[..., SeriesForwarder]]:
    """Starts forwarders with short waits and stops them at the end."""
    running: list[SeriesForwarder] = []

    def begin(url: str, outbox: Outbox, inbox: Inbox, *, cursor: int = 0, **more: Any) -> SeriesForwarder:
        options = {"first_wait_s": 0.05, "longest_wait_s": 0.2, "timeout_s": 5.0} | more
        server = SeriesServer(url, SECRET, "hatchery", "water")
        forwarder = SeriesForwarder(server, [Feed("readings", cursor, outbox.fetch)], inbox.post, **options)
        forwarder.start()
        running.append(forwarder)
        return forwarder

    yield begin
    for forwarder in running:
        forwarder.stop()


def in_store(store: VictoriaMetrics) -> dict[tuple[str, str], list[tuple[int, float]]]:
    """(series name, cone) -> (ms, value) in order of time, as the store gives them back."""
    return {
        (series["metric"]["__name__"], series["metric"]["cone"]): sorted(
            zip(series["timestamps"], series["values"], strict=True)
        )
        for series in store.export()
    }


# --- a real store ---


def test_store_holds_what_was_sent(
    victoria_metrics: VictoriaMetrics, start: Callable[..., SeriesForwarder]
) -> None:
    cones = ["north", "south side", "a=b,c", "Kübel\\2"]
    points = [
        Point(
            i,
            "water",
            (("cone", cones[i % 4]), ("quantity", "temperature")),
            (("value", 20 + i / 8), ("age_h", float(i))),
            START_US + i * 1_000_000 + 123_456,
        )
        for i in range(1, 2501)
    ]
    inbox = Inbox()
    outbox = Outbox(points)
    start(victoria_metrics.url, outbox, inbox)
    wait_until(lambda: inbox.up_to == 2500, 30, "all points to be forwarded")

    expected: dict[tuple[str, str], list[tuple[int, float]]] = {}
    for point in points:
        for name, value in point.fields:
            series = (f"water_{name}", dict(point.tags)["cone"])
            expected.setdefault(series, []).append((point.time_us // 1000, value))
    assert in_store(victoria_metrics) == expected
    assert {s["metric"]["quantity"] for s in victoria_metrics.export()} == {"temperature"}
    assert inbox.events == [Forwarded(1000, 1000), Forwarded(2000, 1000), Forwarded(2500, 500)]
    assert outbox.threads == {"series"}


def test_the_address_may_have_a_path_before_the_write_endpoint(
    victoria_metrics: VictoriaMetrics, lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    """As the front door of a cluster has; the single server takes lines below /influx as well."""
    for url in (f"{victoria_metrics.url}/influx", f"{lines.url}/insert/0/influx/"):
        inbox = Inbox()
        forwarder = start(url, Outbox([reading(1)]), inbox)
        wait_until(partial(inbox.events.__contains__, Forwarded(1, 1)), 5.0, url)
        assert forwarder.probe() is None
    assert {path.partition("?")[0] for path in lines.queries} == {"/insert/0/influx/api/v2/write"}
    assert in_store(victoria_metrics)


def test_catches_up_in_order_after_the_store_was_down(
    victoria_metrics: VictoriaMetrics, start: Callable[..., SeriesForwarder]
) -> None:
    outbox, inbox = Outbox([reading(i) for i in range(1, 11)]), Inbox()
    forwarder = start(victoria_metrics.url, outbox, inbox, batch=7)
    wait_until(lambda: inbox.up_to == 10, 30, "the first points")

    victoria_metrics.stop()
    outbox.add(*[reading(i) for i in range(11, 41)])
    forwarder.wake()
    wait_until(lambda: inbox.of(SeriesTrouble), 30, "word of the trouble")
    assert inbox.up_to == 10
    assert "nothing answers there" in inbox.of(SeriesTrouble)[0].reason

    victoria_metrics.start()
    wait_until(lambda: inbox.of(SeriesWell), 30, "word of the recovery")
    wait_until(lambda: inbox.up_to == 40, 30, "the rest")
    sent = [(point.time_us // 1000, point.fields[0][1]) for point in outbox.fetch(0, 100)]
    assert in_store(victoria_metrics) == {("water_value", "north"): sent}
    ends = [event.up_to for event in inbox.of(Forwarded)]
    assert ends == sorted(set(ends))
    assert inbox.count == 40


def test_goes_on_from_the_cursor_given(
    victoria_metrics: VictoriaMetrics, start: Callable[..., SeriesForwarder]
) -> None:
    inbox = Inbox()
    start(victoria_metrics.url, Outbox([reading(i) for i in range(1, 21)]), inbox, cursor=15)
    wait_until(lambda: inbox.up_to == 20, 30, "the points after the cursor")
    assert inbox.events == [Forwarded(20, 5)]


def test_probe_tells_a_store_from_what_is_none(victoria_metrics: VictoriaMetrics) -> None:
    def probe(url: str, token: str = SECRET) -> str | None:
        server = SeriesServer(url, token, "hatchery", "water")
        return SeriesForwarder(server, [], Inbox().post, timeout_s=5).probe()

    assert probe(victoria_metrics.url) is None
    assert victoria_metrics.export() == []
    assert "unsupported path" in (probe(victoria_metrics.url + "/elsewhere") or "")
    assert "http://" in (probe(victoria_metrics.url.replace("http:", "https:")) or "")
    assert "no web address" in (probe("ftp" + victoria_metrics.url[4:]) or "")
    odd = probe(victoria_metrics.url, token=SECRET + "\n")
    assert odd is not None
    assert "stray characters" in odd
    assert SECRET not in odd
    assert "nothing answers there" in (probe(f"http://user:{SECRET}@{HOST}:{free_port()}") or "")
    assert SECRET not in (probe(f"http://user:{SECRET}@{HOST}:{free_port()}") or "")


# --- servers that misbehave ---


def test_request_is_a_synchronous_write_in_microseconds(
    lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    inbox = Inbox()
    start(lines.url, Outbox([reading(1)]), inbox)
    wait_until(lambda: inbox.up_to == 1, 10, "the point")
    assert lines.accepted == ["water,cone=north,quantity=temperature value=25.001 1767225600500000"]
    assert lines.queries == ["/api/v2/write?org=hatchery&bucket=water&precision=us"]
    assert lines.tokens == [f"Token {SECRET}"]


@pytest.mark.parametrize("status", [400, 422])
def test_only_the_bad_lines_are_set_aside(
    lines: LineServer, start: Callable[..., SeriesForwarder], status: int
) -> None:
    lines.rule = lambda got: refuse(status, "bad cone") if any("poison" in line for line in got) else TAKEN
    bad = {1, 40, 41, 100}
    points = [reading(i, "poison" if i in bad else "north") for i in range(1, 101)]
    inbox = Inbox()
    start(lines.url, Outbox(points), inbox, batch=60)
    wait_until(lambda: inbox.up_to == 100, 20, "all to be settled")

    assert [(event.cursor, event.reason) for event in inbox.of(SetAside)] == [
        (cursor, "bad cone") for cursor in sorted(bad)
    ]
    assert [event.line for event in inbox.of(SetAside)] == [to_line(points[i - 1]) for i in sorted(bad)]
    # Each once and in order.
    assert lines.accepted == [to_line(point) for point in points if point.cursor not in bad]
    assert inbox.count == 96
    # A line is handed over before the cursor passes it.
    for event in inbox.of(SetAside):
        covering = next(e for e in inbox.of(Forwarded) if e.up_to >= event.cursor)
        assert inbox.events.index(event) < inbox.events.index(covering)
    assert not inbox.of(SeriesTrouble)


def test_nothing_is_set_aside_by_a_server_that_refuses_everything(
    lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    lines.rule = lambda got: refuse(400, "not here")
    outbox, inbox = Outbox([reading(i) for i in range(1, 6)]), Inbox()
    start(lines.url, outbox, inbox)
    wait_until(lambda: len(lines.requests) > 20, 10, "a second try")
    assert [type(event) for event in inbox.events] == [SeriesTrouble]
    assert "nothing has been set aside" in inbox.of(SeriesTrouble)[0].reason

    lines.rule = lambda got: TAKEN
    wait_until(lambda: inbox.of(SeriesWell), 10, "recovery")
    assert (inbox.up_to, inbox.count) == (5, 5)
    assert not inbox.of(SetAside)


def test_server_that_comes_to_its_senses_within_a_batch_gets_all(
    lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    answers = iter([refuse(400)] * 4)  # all five lines, lines 1 and 2, line 1, line 2
    lines.rule = lambda got: next(answers, TAKEN)
    points = [reading(i) for i in range(1, 6)]
    inbox = Inbox()
    start(lines.url, Outbox(points), inbox)
    wait_until(lambda: inbox.up_to == 5, 10, "all to be settled")
    assert sorted(lines.accepted) == [to_line(point) for point in points]
    assert inbox.events == [Forwarded(5, 5)]


def test_lone_bad_line_is_set_aside_once_the_server_has_taken_another(
    lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    lines.rule = lambda got: refuse(422) if any("poison" in line for line in got) else TAKEN
    outbox, inbox = Outbox([reading(1, "poison")]), Inbox()
    start(lines.url, outbox, inbox)
    wait_until(lambda: inbox.of(SeriesTrouble), 10, "doubt about the server")
    outbox.add(reading(2))
    wait_until(lambda: inbox.up_to == 2, 10, "the good line")
    assert [event.cursor for event in inbox.of(SetAside)] == [1]
    assert lines.accepted == [to_line(reading(2))]
    # From now on a bad line alone is no cause for doubt.
    outbox.add(reading(3, "poison"))
    wait_until(lambda: inbox.of(SeriesWell), 10, "recovery")


def test_bad_line_alone_after_good_ones(lines: LineServer, start: Callable[..., SeriesForwarder]) -> None:
    lines.rule = lambda got: refuse(422) if any("poison" in line for line in got) else TAKEN
    outbox, inbox = Outbox([reading(1)]), Inbox()
    forwarder = start(lines.url, outbox, inbox)
    wait_until(lambda: inbox.up_to == 1, 10, "the good line")
    outbox.add(reading(2, "poison"))
    forwarder.wake()
    wait_until(lambda: inbox.up_to == 2, 10, "the bad line")
    assert [event.cursor for event in inbox.of(SetAside)] == [2]
    assert inbox.events[-1] == Forwarded(2, 0)


def test_values_that_are_no_numbers_are_set_aside_unsent(
    lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    points = [reading(1), reading(2, value=float("nan")), reading(3), reading(4, value=float("inf"))]
    inbox = Inbox()
    start(lines.url, Outbox(points), inbox)
    wait_until(lambda: inbox.up_to == 4, 10, "all to be settled")
    assert lines.accepted == [to_line(points[0]), to_line(points[2])]
    assert [event.cursor for event in inbox.of(SetAside)] == [2, 4]
    assert inbox.count == 2


def test_batches_that_are_too_large_become_smaller(
    lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    lines.rule = lambda got: refuse(413, "too large") if len(got) > 30 else TAKEN
    points = [reading(i) for i in range(1, 301)]
    inbox = Inbox()
    start(lines.url, Outbox(points), inbox, batch=100)
    wait_until(lambda: inbox.up_to == 300, 20, "all to be settled")
    assert lines.accepted == [to_line(point) for point in points]
    assert not inbox.of(SetAside)
    assert max(n for _, n in lines.requests[-4:]) <= 30


@pytest.mark.parametrize(
    ("status", "word"), [(401, "token"), (403, "bucket 'water'"), (404, "'hatchery'"), (500, "its log")]
)
def test_trouble_is_told_once_and_retried(
    lines: LineServer, start: Callable[..., SeriesForwarder], status: int, word: str
) -> None:
    lines.rule = lambda got: refuse(status, f"attempt {len(lines.requests)}")
    inbox = Inbox()
    start(lines.url, Outbox([reading(1), reading(2)]), inbox)
    wait_until(lambda: len(lines.requests) >= 3, 10, "three tries")
    lines.rule = lambda got: TAKEN
    wait_until(lambda: inbox.of(SeriesWell), 10, "recovery")

    trouble, forwarded, well = inbox.events
    assert isinstance(trouble, SeriesTrouble)
    assert str(status) in trouble.reason
    assert word in trouble.reason
    assert SECRET not in trouble.reason
    assert (forwarded, well) == (Forwarded(2, 2), SeriesWell())


def test_change_of_reason_is_told(lines: LineServer, start: Callable[..., SeriesForwarder]) -> None:
    answers = iter([refuse(500), refuse(500), refuse(401), refuse(500)])
    lines.rule = lambda got: next(answers, TAKEN)
    inbox = Inbox()
    start(lines.url, Outbox([reading(1)]), inbox)
    wait_until(lambda: inbox.of(SeriesWell), 10, "recovery")
    found = [next(s for s in ("500", "401") if s in e.reason) for e in inbox.of(SeriesTrouble)]
    assert found == ["500", "401", "500"]


def test_trouble_in_the_middle_of_a_bad_batch_repeats_nothing(
    lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    down = iter([False, False, True])  # whole batch refused, first half taken, then trouble

    def rule(got: list[str]) -> Answer:
        if next(down, False):
            return refuse(503)
        return refuse(422) if any("poison" in line for line in got) else TAKEN

    lines.rule = rule
    points = [reading(i, "poison" if i == 9 else "north") for i in range(1, 11)]
    inbox = Inbox()
    start(lines.url, Outbox(points), inbox)
    wait_until(lambda: inbox.up_to == 10, 10, "all to be settled")
    assert lines.accepted == [to_line(point) for point in points if point.cursor != 9]
    assert [event.cursor for event in inbox.of(SetAside)] == [9]
    assert inbox.events[0] == Forwarded(5, 5)


@pytest.mark.parametrize(("as_date", "status"), [(False, 503), (True, 503), (False, 429)])
def test_retry_after_is_honoured(
    lines: LineServer, start: Callable[..., SeriesForwarder], as_date: bool, status: int
) -> None:
    # RFC 9110, section 10.2.3: a number of seconds or an HTTP date. Dates have whole seconds: 2 may mean 1.
    def answer() -> Answer:
        later = format_datetime(datetime.now(UTC) + timedelta(seconds=2), usegmt=True)
        return refuse(status, Retry_After=later if as_date else "1")

    answers = iter([answer])
    lines.rule = lambda got: next(answers, lambda: TAKEN)()
    inbox = Inbox()
    forwarder = start(lines.url, Outbox([reading(1)]), inbox)
    wait_until(lambda: inbox.of(SeriesTrouble), 10, "trouble")
    forwarder.wake()  # must not cut the wait short
    wait_until(lambda: inbox.of(SeriesWell), 10, "recovery")
    first, second = (moment for moment, _ in lines.requests)
    assert second - first >= 0.9


def test_hanging_server_times_out_and_recovers(
    lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    lines.rule = lambda got: None
    inbox = Inbox()
    start(lines.url, Outbox([reading(1)]), inbox, timeout_s=0.3)
    wait_until(lambda: inbox.of(SeriesTrouble), 10, "trouble")
    assert "no answer within 0.3 s" in inbox.of(SeriesTrouble)[0].reason
    lines.rule = lambda got: TAKEN
    wait_until(lambda: inbox.of(SeriesWell), 10, "recovery")
    assert lines.accepted == [to_line(reading(1))]


def test_stops_in_time_while_the_server_hangs(
    lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    lines.rule = lambda got: None
    forwarder = start(lines.url, Outbox([reading(1)]), Inbox(), timeout_s=20)
    wait_until(lambda: lines.requests, 10, "the write to begin")
    began = time.monotonic()
    forwarder.stop(timeout=0.3)
    assert time.monotonic() - began < 2


def test_stops_at_once_when_idle_or_waiting(lines: LineServer, start: Callable[..., SeriesForwarder]) -> None:
    lines.rule = lambda got: refuse(503, Retry_After="600")
    inbox = Inbox()
    idle = start(lines.url, Outbox(), Inbox())
    waiting = start(lines.url, Outbox([reading(1)]), inbox)
    wait_until(lambda: inbox.of(SeriesTrouble), 10, "trouble")
    assert idle.alive
    assert waiting.alive
    for forwarder in (idle, waiting):
        forwarder.stop(timeout=10)
        assert not forwarder.alive


def test_outlives_errors_of_those_it_works_with(
    lines: LineServer, start: Callable[..., SeriesForwarder], caplog: pytest.LogCaptureFixture
) -> None:
    """A database that cannot be read or an engine that takes nothing costs time, not points or the thread."""
    broken: queue.SimpleQueue[str] = queue.SimpleQueue()
    outbox, inbox = Outbox([reading(1), reading(2)]), Inbox()

    class Fragile(Outbox):
        def fetch(self, cursor: int, limit: int) -> list[Point]:
            if broken.qsize() < 2:
                broken.put("fetch")
                raise OSError("disk gone")
            return outbox.fetch(cursor, limit)

    class Full(Inbox):
        def post(self, event: object) -> None:
            if isinstance(event, Forwarded) and broken.qsize() < 4:
                broken.put("post")
                raise RuntimeError("inbox full")
            inbox.post(event)

    with caplog.at_level(logging.DEBUG):
        forwarder = start(lines.url, Fragile(), Full())
        wait_until(lambda: inbox.of(SeriesWell), 10, "recovery")
    assert forwarder.alive
    assert broken.qsize() == 4
    assert inbox.up_to == 2
    assert set(lines.accepted) == {to_line(reading(1)), to_line(reading(2))}
    assert "OSError" in caplog.text


def test_token_never_reaches_log_or_events(
    lines: LineServer, start: Callable[..., SeriesForwarder], caplog: pytest.LogCaptureFixture
) -> None:
    answers = iter([refuse(401), refuse(500)])
    lines.rule = lambda got: next(answers, TAKEN)
    inbox = Inbox()
    with caplog.at_level(logging.DEBUG):
        start(lines.url, Outbox([reading(1)]), inbox)
        wait_until(lambda: inbox.of(SeriesWell), 10, "recovery")
    bad = Inbox()
    forwarder = SeriesForwarder(
        SeriesServer(lines.url, SECRET + "\n", "hatchery", "water"),
        [Feed("readings", 0, Outbox([reading(1)]).fetch)],
        bad.post,
    )
    with caplog.at_level(logging.DEBUG):
        forwarder.start()
        wait_until(lambda: bad.of(SeriesTrouble), 10, "trouble")
        forwarder.stop()
    assert "stray characters" in bad.of(SeriesTrouble)[0].reason
    assert SECRET not in caplog.text + repr(inbox.events) + repr(bad.events)
    assert SECRET not in repr(SeriesServer(lines.url, SECRET, "o", "b"))


def test_influxdb_2_answer_to_a_write_without_points_means_well(lines: LineServer) -> None:
    # Source: influxdata/influxdb 2.x, http/points: an empty write gets 400 "writing requires points",
    # but only after the token and the bucket were found good.
    forwarder = SeriesForwarder(
        SeriesServer(lines.url, SECRET, "hatchery", "water"), [], Inbox().post, timeout_s=5
    )
    lines.rule = lambda got: refuse(400, "writing requires points")
    assert forwarder.probe() is None
    lines.rule = lambda got: refuse(400, "Client sent an HTTP request to an HTTPS server.")
    assert "HTTPS server" in (forwarder.probe() or "")
    lines.rule = lambda got: refuse(401, "unauthorized access")
    assert "set one that it knows" in (forwarder.probe() or "")


# --- several feeds ---


def test_feeds_take_turns_and_trouble_of_one_line_holds_up_none(
    lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    """A long backlog of one feed lets the other through, each with a cursor of its own."""
    lines.rule = lambda got: refuse(422, "bad") if any("poison" in line for line in got) else TAKEN
    many, few = Outbox([reading(i) for i in range(1, 31)]), Outbox([reading(1, "poison"), reading(2, "few")])
    inbox = Inbox()
    server = SeriesServer(lines.url, SECRET, "hatchery", "water")
    forwarder = SeriesForwarder(
        server,
        [Feed("many", 0, many.fetch), Feed("few", 0, few.fetch)],
        inbox.post,
        batch=10,
        first_wait_s=0.05,
    )
    forwarder.start()
    wait_until(lambda: inbox.up_to == 30, 10, "all of it")
    forwarder.stop()
    assert inbox.of(Forwarded) == [
        Forwarded(10, 10, "many"),
        Forwarded(2, 1, "few"),
        Forwarded(20, 10, "many"),
        Forwarded(30, 10, "many"),
    ]
    assert [(event.feed, event.cursor) for event in inbox.of(SetAside)] == [("few", 1)]


def test_a_feed_set_back_is_sent_again_under_a_new_number(
    lines: LineServer, start: Callable[..., SeriesForwarder]
) -> None:
    outbox, inbox = Outbox([reading(i) for i in range(1, 11)]), Inbox()
    forwarder = start(lines.url, outbox, inbox)
    wait_until(lambda: inbox.up_to == 10, 10, "all of it")
    forwarder.rewind({"readings": 6, "others": 3}, 1)
    forwarder.rewind({"readings": 8}, 2)  # before the first was seen: the one further back counts
    wait_until(lambda: len(lines.accepted) >= 14, 10, "the last four again")
    wait_until(lambda: len(inbox.of(Forwarded)) == 2, 10, "word of it")
    assert inbox.of(Forwarded)[1] in (Forwarded(10, 4, "readings", 1), Forwarded(10, 4, "readings", 2))
    assert lines.accepted[10:] == [to_line(reading(i)) for i in range(7, 11)]
    forwarder.rewind({"readings": 99}, 3)  # never forward
    outbox.add(reading(11))
    forwarder.wake()
    wait_until(lambda: inbox.up_to == 11, 10, "the next")
    assert inbox.of(Forwarded)[-1] == Forwarded(11, 1, "readings", 3)


@pytest.mark.parametrize(
    ("status", "stays"), [(401, True), (403, True), (404, True), (503, False), (429, False)]
)
def test_trouble_that_will_not_pass_by_itself_is_marked(
    lines: LineServer, start: Callable[..., SeriesForwarder], status: int, stays: bool
) -> None:
    lines.rule = lambda got: refuse(status)
    inbox = Inbox()
    start(lines.url, Outbox([reading(1)]), inbox)
    wait_until(lambda: inbox.of(SeriesTrouble), 10, "trouble")
    assert inbox.of(SeriesTrouble)[0].stays == stays


# --- line protocol ---


@pytest.mark.parametrize(
    ("point", "line"),
    [
        # InfluxData's line protocol reference: commas, spaces and equals signs in tags are escaped with a
        # backslash; a whole number without the suffix i is a float.
        (
            Point(1, "wea ther", (("a b", "c,d=e f"),), (("x y", 2.0),), 7),
            r"wea\ ther,a\ b=c\,d\=e\ f x\ y=2 7",
        ),
        (Point(1, "m", (), (("b", 1), ("a", -0.5)), 1465839830100400), "m a=-0.5,b=1 1465839830100400"),
        (Point(1, "m", (("empty", ""),), (("v", 1e-9),), 0), "m v=1e-09 0"),
        (Point(1, "m", (), (("v", float("nan")), ("w", 3.25)), 5), "m w=3.25 5"),
        (Point(1, "m", (), (("v", float("-inf")),), 5), ""),
    ],
)
def test_line_protocol(point: Point, line: str) -> None:
    assert to_line(point) == line


@given(
    cone=st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1),
    value=st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.integers(-(2**53), 2**53)),
    time_us=st.integers(0, 4_102_444_800_000_000),
)
def test_values_are_floats_and_lines_stay_whole(cone: str, value: float, time_us: int) -> None:
    line = to_line(Point(1, "water", (("cone", cone),), (("value", value),), time_us))
    assert "\n" not in line
    assert line.startswith("water,cone=")
    written = line.rsplit(" value=", 1)[1].split(" ")
    assert written[0][-1] not in "iu"
    assert [float(written[0]), int(written[1])] == [float(value), time_us]


_texts = st.text(st.characters(codec="utf-8"), max_size=8)


@given(
    measurement=_texts.filter(bool),
    tags=st.dictionaries(_texts, _texts, max_size=3),
    fields=st.dictionaries(_texts.filter(bool), st.floats() | st.integers(-(2**53), 2**53), max_size=3),
    time_us=st.integers(0, 4_102_444_800_000_000),
)
def test_line_protocol_is_that_of_influxdatas_own_client(
    measurement: str, tags: dict[str, str], fields: dict[str, float], time_us: int
) -> None:
    influx: Any = influxdb_client
    theirs = influx.Point(measurement).time(time_us, influx.WritePrecision.US)
    for name, text in tags.items():
        theirs.tag(name, text)
    for name, value in fields.items():
        theirs.field(name, float(value))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SyntaxWarning)  # about a measurement that begins with #
        line = theirs.to_line_protocol()
    assert to_line(Point(1, measurement, tuple(tags.items()), tuple(fields.items()), time_us)) == line

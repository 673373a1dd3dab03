"""Questions to a real victoria-metrics, and what is said of servers that give no answer."""

from __future__ import annotations

import socket
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta

import pytest

from hatchmon.adapters.promql import Asker, Unanswered
from tests.servers import HOST, Receiver, VictoriaMetrics, free_port

SECRET = "sieve-and-salt"
NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)


def asker(url: str, limit_s: float = 10.0, token: str = SECRET) -> Asker:
    return Asker(url, token, time.monotonic() + limit_s)


def write(store: VictoriaMetrics, *lines: str) -> None:
    body = "\n".join(lines).encode()
    with urllib.request.urlopen(f"{store.url}/api/v2/write", body, timeout=10.0):
        pass
    store.export()  # flushed


def test_values_at_a_moment_and_all_points_of_a_range(victoria_metrics: VictoriaMetrics) -> None:
    at_ns = [int((NOW - timedelta(minutes=minutes)).timestamp() * 1e9) for minutes in (30, 20, 10)]
    write(
        victoria_metrics,
        *(f"batch,site=quay,cone=c\\ 1 started={n}.5 {ns}" for n, ns in enumerate(at_ns)),
        f"batch,site=mill,cone=c2 started=7 {at_ns[0]}",
    )
    # victoria-metrics has its queries below /prometheus as well: a base address with a path.
    for base in (victoria_metrics.url, f"{victoria_metrics.url}/prometheus/"):
        ask = asker(base)
        (line,) = ask.ask('batch_started{site="quay"}[1h]', NOW)
        assert line.labels == {"__name__": "batch_started", "site": "quay", "cone": "c 1"}
        assert [(when, float(text)) for when, text in line.points] == [
            (at_ns[n] / 1e9, n + 0.5) for n in range(3)
        ]
        assert line.last == (at_ns[2] / 1e9, 2.5)
        lines = ask.ask("last_over_time(batch_started[1h])", NOW - timedelta(minutes=15))
        assert {line.labels["site"]: line.last[1] for line in lines} == {"quay": 1.5, "mill": 7.0}
        assert ask.ask("batch_started[1h]", NOW - timedelta(days=1)) == []
        day = timedelta(days=1)
        assert sorted(ask.values_of("site", "batch_started", NOW - day, NOW)) == ["mill", "quay"]
        assert ask.values_of("site", "nothing", NOW - day, NOW) == []
        ask.close()


def test_a_question_that_is_none_is_told(victoria_metrics: VictoriaMetrics) -> None:
    with pytest.raises(Unanswered, match=r"refuses the question \(4"):
        asker(victoria_metrics.url).ask("batch_started[", NOW)
    with pytest.raises(Unanswered, match=r"no query interface; correct fleet\.url"):
        asker(f"{victoria_metrics.url}/insert/0").ask("batch_started", NOW)


def test_the_token_goes_to_the_store_and_nowhere_else(receiver: Receiver) -> None:
    for behaviour, said in (
        ("ok", "no query interface"),
        ("401", r"does not accept the token \(401\)"),
        ("403", r"does not accept the token \(403\)"),
        ("404", "no query interface"),
        ("503", r"an error of its own \(503\)"),
    ):
        receiver.behaviour = behaviour
        with pytest.raises(Unanswered, match=said) as caught:
            asker(f"{receiver.url}/select/0/prometheus").ask("x", NOW)
        assert SECRET not in str(caught.value)
        assert caught.value.__context__ is None or SECRET not in repr(caught.value.__context__)
    assert {post.path for post in receiver.posts} == {"/select/0/prometheus/api/v1/query"}
    assert {post.headers["authorization"] for post in receiver.posts} == {f"Bearer {SECRET}"}
    assert SECRET not in repr(asker(receiver.url))
    with pytest.raises(Unanswered):
        asker(receiver.url, token="").ask("x", NOW)
    assert "authorization" not in receiver.posts[-1].headers


def test_nobody_is_waited_for_beyond_the_limit(receiver: Receiver) -> None:
    receiver.behaviour = "hang"
    begun = time.monotonic()
    with pytest.raises(Unanswered, match="no answer in time"):
        asker(receiver.url, 0.3).ask("x", NOW)
    with drip() as url, pytest.raises(Unanswered, match="no answer in time"):
        asker(url, 0.5).ask("x", NOW)
    assert time.monotonic() - begun < 10.0
    late = asker(receiver.url, -1.0)
    with pytest.raises(Unanswered, match="no answer in time"):
        late.ask("x", NOW)


def test_servers_that_are_not_there() -> None:
    with pytest.raises(Unanswered, match="nothing answers there; see whether it runs"):
        asker(f"http://{HOST}:{free_port()}").ask("x", NOW)
    with pytest.raises(Unanswered, match="host name is not known"):
        asker("http://nobody.invalid:8428").ask("x", NOW)
    with pytest.raises(Unanswered, match="stray characters"):
        asker(f"http://{HOST}:{free_port()}", token="a\nb").ask("x", NOW)


def test_no_safe_connection(receiver: Receiver) -> None:
    with pytest.raises(Unanswered, match="no safe connection"):
        asker(receiver.url.replace("http:", "https:")).ask("x", NOW)


@contextmanager
def drip() -> Iterator[str]:
    """A server that answers a byte at a time, for ever."""
    listener = socket.create_server((HOST, 0))
    ended = threading.Event()

    def serve() -> None:
        with suppress(OSError):
            line, _ = listener.accept()
            with line:
                line.recv(65536)
                line.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 100000\r\n\r\n")
                while not ended.wait(0.05):
                    line.sendall(b" ")

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"http://{HOST}:{listener.getsockname()[1]}"
    finally:
        ended.set()
        thread.join(5.0)
        listener.close()

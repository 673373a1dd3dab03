"""What must not pass: other sites, other names, wrong passphrases, floods, and clients that hold on."""

from __future__ import annotations

import asyncio
import re
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import httpx
import pytest

from hatchmon.adapters.clock import SystemClock
from hatchmon.adapters.store import Store
from hatchmon.adapters.web import safety
from hatchmon.adapters.web.access import FREE_GUESSES, hash_passphrase, new_secret
from hatchmon.adapters.web.guarded import HEAD_WITHIN_S
from hatchmon.app.ask import Answered
from hatchmon.app.pages.main import FAILED, make_app
from hatchmon.app.pages.site import Site
from hatchmon.app.settings import load_settings
from hatchmon.app.snapshot import ConeNow, Showcase
from tests.app.pages.ground import HOST, PASSPHRASE, Daemon, Ground, Visitor, fill, free_port, raw, web
from tests.servers import Mosquitto, wait_until
from tests.system.daemon import Client

PAGES = ("/", "/journal", "/note/ripe", "/nothing-here", "/healthz", "/api/now", "/static/page.css")


# ---- headers, names, origins ----


@pytest.mark.parametrize("path", PAGES)
def test_every_answer_keeps_the_browser_in(visitor: Visitor, path: str) -> None:
    headers = visitor.go(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert not re.search(r"unsafe-|https?:|\*", policy)
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert "server" not in headers


@pytest.mark.parametrize("path", ["/", "/journal", "/note/ripe", "/note/spare"])
def test_nothing_is_inline_and_nothing_comes_from_elsewhere(visitor: Visitor, path: str) -> None:
    page = visitor.go(path).text
    assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:", page)
    assert all(" src=" in tag for tag in re.findall(r"<script[^>]*>", page))
    for address in re.findall(r'(?:href|src|action)="([^"]*)"', page):
        assert address.startswith(("/", "#")), address
    assert len(page.encode()) < 60_000


def test_the_cookie_is_for_http_alone(visitor: Visitor) -> None:
    cookie = visitor.go("/").headers["set-cookie"]
    assert cookie.startswith("hatchmon=")
    assert {"HttpOnly", "SameSite=Lax", "Path=/"} <= set(cookie.split("; "))
    assert "set-cookie" not in visitor.go("/").headers  # it has it now


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "a b", "[::1", "localhost:x"])
def test_a_name_made_to_point_here_is_refused(visitor: Visitor, host: str) -> None:
    assert visitor.go("/", host=host).status_code == 400


@pytest.mark.parametrize("host", ["localhost", "localhost:99", "127.0.0.1:1", "[::1]:8425", "192.168.7.7"])
def test_our_own_names_and_addresses_are_served(visitor: Visitor, host: str) -> None:
    assert visitor.go("/", host=host).status_code == 200


def test_a_form_without_its_token_does_nothing(served: tuple[Ground, int], visitor: Visitor) -> None:
    before = served[0].count("requests")
    visitor.go()
    token = visitor.token
    for given in ("", token[:-1], token + "A", "é"):
        fields = {"token": given, "do": "harvest", "cone": "ripe"}
        assert visitor.http.post("/do", data=fields).status_code == 403
    with Visitor(visitor.port) as other:  # nor with somebody else's
        other.go()
        assert visitor.http.post("/do", data={"token": other.token, "do": "seen"}).status_code == 403
    elsewhere = {"origin": "http://evil.example"}
    answer = visitor.http.post("/do", data={"token": token, "do": "seen"}, headers=elsewhere)
    assert answer.status_code == 403
    assert served[0].count("requests") == before


def test_a_program_must_send_json_that_no_other_site_can(visitor: Visitor) -> None:
    body = '{"do": "seen"}'
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""):
        answer = visitor.http.post("/api/requests", content=body, headers={"content-type": kind})
        assert answer.status_code == 415, kind
    elsewhere = {"origin": "http://evil.example"}
    assert visitor.ask({"do": "seen"}, headers=elsewhere).status_code == 403
    assert visitor.ask({"do": "seen"}).status_code == 200


# ---- sizes, methods, bytes that are no HTTP ----


def test_large_and_strange_requests_are_refused(visitor: Visitor) -> None:
    visitor.go()
    large = "x" * (safety.LARGEST_BODY + 1)
    assert visitor.http.post("/do", data={"token": visitor.token, "to": large}).status_code == 413
    many = {f"f{n}": "1" for n in range(safety.MOST_FIELDS + 5)}
    assert visitor.http.post("/do", data={"token": visitor.token, **many}).status_code == 400
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"):
        assert visitor.http.request(method, "/").status_code == 405
    form = {"content-type": "application/x-www-form-urlencoded"}
    assert visitor.http.post("/do", content=b"\xff=\xfe", headers=form).status_code == 400
    assert visitor.http.head("/").status_code == 200


@pytest.mark.parametrize(
    "text",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc",
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"a" * 40_000 + b"\r\n\r\n",
        b"POST /do HTTP/1.1\r\nHost: localhost\r\nContent-Length: -5\r\n\r\n",
        b"GET /%00%ff/../../etc/passwd HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        b"GET /static/..%2f..%2fmain.py HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        b"GET /events HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\nConnection: Upgrade, close\r\n"
        b"Host: x\r\n\r\n",
    ],
)
def test_bytes_of_any_kind_get_no_page_and_do_no_harm(visitor: Visitor, text: bytes) -> None:
    answer = raw(visitor.port, text)
    assert answer == b"" or answer.split(b" ")[1][:1] == b"4", answer[:80]
    assert visitor.go("/healthz").status_code == 200


# ---- the passphrase ----


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Ground, int]]:
    """A daemon on all addresses, with a passphrase."""
    folder, port = tmp_path_factory.mktemp("guarded"), free_port()
    lines = [
        f'passphrase = "{hash_passphrase(PASSPHRASE)}"',
        f'secret = "{new_secret()}"',
        'host = "0.0.0.0"',
    ]
    with Mosquitto(folder / "mosquitto") as broker:
        ground = Ground(folder / "hatchmon", broker.port, web=web(port, *lines))
        fill(ground, ("ripe", 24.0))
        with Daemon(ground), Visitor(port) as visitor:
            wait_until(lambda: visitor.go("/login").status_code == 200, 20.0, "the page")
            yield ground, port


def test_nobody_sees_or_does_anything_unless_signed_in(guarded: tuple[Ground, int]) -> None:
    with Visitor(guarded[1]) as visitor:
        for path in ("/", "/journal", "/note/ripe", "/events", "/nothing-here", "/cone/ripe"):
            answer = visitor.http.get(path)
            assert (answer.status_code, answer.headers["location"][:10]) == (303, "/login?to="), path
        for path in ("/api/now", "/api/journal", "/metrics", "/api/openapi.json"):
            answer = visitor.http.get(path)
            assert answer.status_code == 401
            assert answer.headers["www-authenticate"] == 'Basic realm="hatchmon"'
            assert "ripe" not in answer.text
        assert visitor.ask({"do": "harvest", "cone": "ripe"}).status_code == 401
        visitor.go("/login")
        assert visitor.send(do="harvest", cone="ripe").status_code == 403
        assert "ripe" not in visitor.go("/healthz").text or visitor.page is not None
        assert guarded[0].count("requests") == 0


def test_one_signs_in_to_the_page_one_wanted_and_out_again(guarded: tuple[Ground, int]) -> None:
    with Visitor(guarded[1]) as visitor:
        visitor.go("/journal")
        assert "Passphrase of this hatchery" in visitor.text
        before = visitor.http.cookies["hatchmon"]
        assert visitor.page is not None
        assert 'name="to" value="/journal"' in visitor.page.text
        assert visitor.send("/login", passphrase="tide pool lamp", to="/journal").status_code == 403
        assert "That is not the passphrase." in visitor.text
        visitor.send("/login", passphrase=PASSPHRASE, to="/journal")
        assert visitor.page.url.path == "/journal"
        assert "Journal" in visitor.text
        assert visitor.http.cookies["hatchmon"] != before  # a cookie planted before is worth nothing after
        assert visitor.go("/").status_code == 200
        assert "ripe" in visitor.text
        visitor.send("/logout")
        assert visitor.http.get("/").status_code == 303


def test_a_program_signs_in_with_basic(guarded: tuple[Ground, int]) -> None:
    with Visitor(guarded[1]) as visitor:
        assert visitor.http.get("/api/now", auth=("any", PASSPHRASE)).status_code == 200
        assert visitor.http.get("/metrics", auth=("any", PASSPHRASE)).status_code == 200
        assert visitor.http.get("/api/now", auth=("any", "wrong one")).status_code == 401
        for header in ("Basic", "Basic !!!", "Basic /w==", "Bearer x", ""):
            answer = visitor.http.get("/api/now", headers={"authorization": header})
            assert answer.status_code == 401
        # On the page itself it counts for nothing: a browser would send it from any site.
        assert visitor.http.get("/", auth=("any", PASSPHRASE)).status_code == 303


def test_guessing_is_throttled(guarded: tuple[Ground, int]) -> None:
    with Visitor(guarded[1]) as visitor:
        told = []
        for _ in range(FREE_GUESSES + 3):
            visitor.go("/login")
            answer = visitor.send("/login", passphrase="another guess")
            told.append(answer.status_code)
        assert told[0] == 403
        assert told[-1] == 429
        assert int(answer.headers["retry-after"]) >= 1
        visitor.go("/login")
        assert visitor.send("/login", passphrase=PASSPHRASE).status_code == 429

        def signed_in() -> bool:
            visitor.go("/login")
            return visitor.send("/login", passphrase=PASSPHRASE).status_code == 200

        wait_until(signed_in, 20.0, "the wait to be over")


def test_the_passphrase_stands_nowhere(guarded: tuple[Ground, int]) -> None:
    ground, _ = guarded
    log = (ground.folder / "daemon.log").read_text()
    assert PASSPHRASE not in log
    assert "another guess" not in log


@pytest.mark.parametrize(
    ("lines", "missing"),
    [
        (['host = "0.0.0.0"'], "web.passphrase"),
        (['host = "::"', f'passphrase = "{hash_passphrase(PASSPHRASE)}"'], "web.secret"),
        (['address = "https://hatchery.example"'], "web.passphrase"),
    ],
)
def test_it_does_not_start_for_all_to_see_without_passphrase_and_secret(
    tmp_path: Path, lines: list[str], missing: str
) -> None:
    ground = Ground(tmp_path / "hatchmon", free_port(), web=web(free_port(), *lines))
    said = ground.refused("run", code=2)
    assert f"{missing} is missing" in said
    assert "hatchmon passphrase" in said
    assert not ground.database.exists()


# ---- clients that hold on ----


def test_a_hundred_held_connections_leave_readings_and_page_unharmed(tmp_path: Path) -> None:
    port = free_port()
    with Mosquitto(tmp_path / "mosquitto") as broker, ExitStack() as stack:
        ground = Ground(tmp_path / "hatchmon", broker.port, web=web(port))
        fill(ground, ("ripe", 24.0))
        daemon = stack.enter_context(Daemon(ground))
        client = stack.enter_context(Client(broker.port))
        visitor = stack.enter_context(Visitor(port))
        wait_until(lambda: daemon.connected() and visitor.go("/healthz").status_code == 200, 20.0, "the page")
        held = [stack.enter_context(socket.create_connection((HOST, port))) for _ in range(40)]
        for number in range(60):
            line = stack.enter_context(socket.create_connection((HOST, port)))
            # Half a request head; a head with a body that never comes; a stream nobody reads.
            half = (
                b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ",
                b"POST /do HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5000\r\n"
                b"Content-Type: application/x-www-form-urlencoded\r\n\r\ndo=",
                b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n",
            )[number % 3]
            line.sendall(half)
            held.append(line)
        before = ground.count("readings")
        begun = time.monotonic()
        for number in range(200):
            client.publish("hatchery/ripe/temperature", f"{26 + 0.0625 * (number % 4)}")
        wait_until(lambda: ground.count("readings") >= before + 190, 15.0, "readings to be stored")
        assert time.monotonic() - begun < 15.0
        # The page makes room: whoever waits longest without a request gives way.
        for _ in range(5):
            with Visitor(port) as other:
                assert other.go("/").status_code == 200
        visitor.go("/")
        visitor.send(do="look", cone="ripe", seen="most", to="/")
        assert "ripe: noted 'most'" in visitor.text

        def given_up() -> bool:
            return sum(_closed(line) for line in held) >= 75

        wait_until(given_up, HEAD_WITHIN_S + safety.BODY_WITHIN_S + 5.0, "the held to be let go")
        assert daemon.running


def _closed(line: socket.socket) -> bool:
    line.setblocking(False)
    try:
        return line.recv(65536) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


def test_only_so_many_streams_at_once(tmp_path: Path) -> None:
    port = free_port()
    with Mosquitto(tmp_path / "mosquitto") as broker, ExitStack() as stack:
        ground = Ground(tmp_path / "hatchmon", broker.port, web=web(port))
        fill(ground, ("ripe", 24.0))
        stack.enter_context(Daemon(ground))
        visitor = stack.enter_context(Visitor(port))
        wait_until(lambda: visitor.go("/").status_code == 200, 20.0, "the page")
        streams = [stack.enter_context(visitor.http.stream("GET", "/events")) for _ in range(16)]
        assert [stream.status_code for stream in streams] == [200] * 16
        told = streams[0].iter_text()
        assert "retry:" in next(told)
        assert not _streams(visitor)
        streams[3].close()
        wait_until(lambda: _streams(visitor), 10.0, "a place to be free again")
    # And the end of the daemon, within its five seconds, did not wait for them.


def _streams(visitor: Visitor) -> bool:
    with visitor.http.stream("GET", "/events") as answer:
        return answer.status_code == 200


# ---- the engine goes on ----


def test_a_port_that_is_taken_keeps_the_page_waiting_and_nothing_else(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "mosquitto") as broker, socket.create_server((HOST, 0)) as other:
        port = other.getsockname()[1]
        ground = Ground(tmp_path / "hatchmon", broker.port, web=web(port))
        fill(ground, ("ripe", 24.0))
        with Daemon(ground) as daemon, Client(broker.port) as client, Visitor(port) as visitor:
            wait_until(lambda: "page not served" in daemon.status, 15.0, "the trouble to be told")
            before = ground.count("readings")
            client.send("hatchery/ripe/temperature", "26.125")
            wait_until(lambda: ground.count("readings") > before, 60.0, "the reading to be stored")
            other.close()

            def served() -> bool:
                try:
                    return visitor.go("/").status_code == 200
                except OSError:
                    return False
                except httpx.TransportError:
                    return False

            wait_until(served, 15.0, "the page to be served after all")
            wait_until(lambda: "page not served" not in daemon.status, 15.0, "the trouble to be over")


def test_a_page_that_fails_says_so_and_harms_nothing(tmp_path: Path) -> None:
    """A picture that no page can show: the answer is a sentence, and the next page is served."""
    settings = load_settings(_settings(tmp_path), env={})
    with Store(settings.store.path):
        pass
    showcase = Showcase()
    site = Site(settings, SystemClock(), showcase, lambda body, by: Answered(1, True, {"text": "done"}))
    page = _Inside(make_app(site))
    assert page.get("/").status_code == 503  # not a single turn yet
    assert page.get("/healthz").status_code == 503
    strange = cast(ConeNow, SimpleNamespace(name="x", batch=None))
    showcase.put(
        datetime.now(UTC), cones=[strange], committed=None, trouble=None, broker="", connected=True,
        series=None,
    )  # fmt: skip
    answer = page.get("/")
    assert answer.status_code == 500
    assert "The page failed here; the hatchery goes on." in answer.text
    assert page.get("/api/now").json() == {"ok": False, "text": FAILED}
    assert page.get("/journal").status_code == 200


def test_a_flood_from_one_place_is_held_off_and_let_in_again_after(tmp_path: Path) -> None:
    settings = load_settings(_settings(tmp_path), env={})
    site = Site(settings, SystemClock(), Showcase(), lambda body, by: Answered(1, True, {"text": "done"}))
    seconds = [0.0]
    rules = safety.Rules(names=frozenset({"localhost"}), https=False)
    inner: Any = make_app(site)
    app = safety.Safety(inner._app, rules, site.sessions, site.door, monotonic=lambda: seconds[0])
    page = _Inside(app)
    told = [page.get("/static/page.css") for _ in range(round(safety.BURST) + 20)]
    assert {each.status_code for each in told[: round(safety.BURST)]} == {200}
    assert {each.status_code for each in told[round(safety.BURST) :]} == {429}
    seconds[0] += float(told[-1].headers["retry-after"])
    assert page.get("/static/page.css").status_code == 200


class _Inside:
    """The page without a server around it."""

    def __init__(self, app: safety.Safety) -> None:
        self._transport = httpx.ASGITransport(app=cast(Any, app), raise_app_exceptions=False)

    def get(self, path: str) -> httpx.Response:
        return asyncio.run(self._get(path))

    async def _get(self, path: str) -> httpx.Response:
        async with httpx.AsyncClient(transport=self._transport, base_url="http://localhost") as client:
            return await client.get(path)


def _settings(folder: Path) -> Path:
    path = folder / "hatchmon.toml"
    path.write_text(f'[store]\npath = "{folder}/x.db"\n')
    return path

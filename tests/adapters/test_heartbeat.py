"""Calls to an address of the keeper's own, on a real HTTP server."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Any

import pytest

from hatchmon.adapters import heartbeat
from hatchmon.adapters.heartbeat import Heartbeat, call, shown
from tests.servers import HOST, Receiver, free_port, wait_until

SECRET = "k7Qz-9f3b1c77"


@pytest.fixture
def start() -> Iterator[Callable[..., Heartbeat]]:
    running: list[Heartbeat] = []

    def begin(*what: Any) -> Heartbeat:
        running.append(Heartbeat(*what))
        running[-1].start()
        return running[-1]

    yield begin
    for beat in running:
        beat.stop(2.0)
        assert not beat.alive


def test_it_calls_at_the_interval_while_all_is_sound(
    receiver: Receiver, start: Callable[..., Heartbeat]
) -> None:
    beat = start(f"{receiver.url}/{SECRET}?site=home", 0.2)

    def sound_for(calls: int) -> bool:
        beat.sound()
        return len(receiver.posts) >= calls

    wait_until(lambda: sound_for(4), 10.0, "four calls")
    assert {(post.method, post.path) for post in receiver.posts} == {("GET", f"/{SECRET}?site=home")}
    times = [post.arrived for post in receiver.posts]
    assert all(later - earlier > 0.15 for earlier, later in pairwise(times))


def test_it_is_silent_from_the_moment_nothing_is_sound(
    receiver: Receiver, start: Callable[..., Heartbeat]
) -> None:
    beat = start(receiver.url, 0.1, "POST")
    time.sleep(0.3)
    assert not receiver.posts  # never sound
    beat.sound()
    receiver.wait_for(1)
    time.sleep(0.5)
    assert [post.method for post in receiver.posts] == ["POST"]
    beat.sound()
    receiver.wait_for(2)


def test_trouble_is_logged_once_and_without_the_key(
    receiver: Receiver,
    start: Callable[..., Heartbeat],
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.DEBUG)
    receiver.behaviour = "500"
    beat = start(f"{receiver.url}/{SECRET}", 0.05)

    def sound_for(calls: int) -> bool:
        beat.sound()
        return len(receiver.posts) >= calls

    wait_until(lambda: sound_for(3), 10.0, "three calls")
    receiver.behaviour = "ok"
    wait_until(lambda: sound_for(5), 10.0, "more calls")
    wait_until(lambda: "answers again" in caplog.text, 5.0, "word that it answers")
    ours = [record.getMessage() for record in caplog.records if record.name == heartbeat.__name__]
    at = f"{receiver.url}/***"
    assert ours == [f"heartbeat: {at}: unexpected answer 500", f"heartbeat: {at} answers again"]
    assert SECRET not in "".join(ours)


@pytest.mark.parametrize(
    ("url", "said"),
    [
        (f"http://{HOST}:{{port}}/{SECRET}", "http://127.0.0.1:{port}/***: nothing answers there"),
        (
            f"http://no-such-host.invalid/{SECRET}",
            "http://no-such-host.invalid/***: the host name is not known",
        ),
    ],
)
def test_what_is_wrong_is_said_without_the_key(url: str, said: str) -> None:
    port = free_port()
    assert call(url.format(port=port), "GET") == said.format(port=port)


def test_a_call_does_not_wait_for_ever(receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heartbeat, "TIMEOUT_S", 0.2)
    receiver.behaviour = "hang"
    assert "no answer within" in (call(receiver.url, "GET") or "")


def test_it_goes_nowhere_else(receiver: Receiver) -> None:
    receiver.behaviour = "302"
    assert "unexpected answer 302" in (call(receiver.url, "POST") or "")
    assert len(receiver.posts) == 1


@pytest.mark.parametrize(
    ("url", "seen"),
    [
        (f"https://calls.example/{SECRET}", "https://calls.example/***"),
        (f"https://calls.example:8443/?key={SECRET}", "https://calls.example:8443/***"),
        ("http://127.0.0.1/", "http://127.0.0.1"),
        (f"https://calls.example:{SECRET}/", "***"),
    ],
)
def test_shown(url: str, seen: str) -> None:
    assert shown(url) == seen

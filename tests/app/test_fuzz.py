"""Anything on any topic: the engine takes it, trips over nothing, and nothing of it is shown raw."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from hatchmon.adapters.mqtt import Incoming
from hatchmon.app.cli import app
from tests.system.test_clock_jumps import MINUTE, Bench

ALL = '[requests]\nover_mqtt = ["begin", "look", "harvest", "seen"]'

# As the link hands them on: bytes that are not UTF-8 have become U+FFFD, so lone surrogates cannot come.
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
ODD = st.sampled_from(
    [
        "", "+", "#", "left", "left/#", "\x00", "\x1b[2J", "a\nb", "../../etc", "x" * 33, "x" * 70_000,
        "é" * 100, "\u202e", "\ufffd", "%s%n", "'; DROP TABLE cones; --", "NaN", "-1", "con", ".", "$SYS",
    ]
)  # fmt: skip
WORD = st.sampled_from(["left", "right", "dated"]) | ODD | TEXT
QUANTITY = st.sampled_from(
    ["temperature", "salinity", "conductivity", "specific_gravity", "light", "air_temperature", "request"]
)
TOPICS = (
    st.builds("hatchery/{}/{}".format, WORD, QUANTITY | ODD)
    | st.builds("hatchmon/test/{}/{}".format, WORD, QUANTITY | ODD)
    | st.sampled_from(["shed/dated", "hatchmon/test/mark", "hatchery/left/temperature"])
    | ODD
    | TEXT
)
NUMBERS = st.floats().map(repr) | st.integers(-(10**400), 10**400).map(str)
DEEP = st.builds(
    lambda depth, mark: mark * depth, st.integers(1, 30_000), st.sampled_from(["[", '{"a":', '{"do":'])
)
DOCUMENTS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.just("begin"),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["c", "at", "do", "cone", "seen", "id", "lot", "grams"]), inner)
    ),
    max_leaves=8,
).map(json.dumps)
PAYLOADS = (
    st.binary(max_size=80)
    | (NUMBERS | DEEP | DOCUMENTS | TEXT).map(lambda text: text.encode("utf-8", "surrogatepass"))
    | st.sampled_from([b"25.4", b"9" * 5000, b"\xed\xa0\x80", b"\x00" * 70_000, b'{"do": "seen"}'])
)
MESSAGES = st.tuples(
    TOPICS, PAYLOADS, st.sampled_from([0, 1]), st.booleans(), st.booleans(), st.integers(1, 65_535)
)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    bench = Bench(tmp_path_factory.mktemp("fuzz"), more=ALL)
    bench.run(5 * MINUTE)
    bench.begin()
    yield bench
    bench.store.close()


@settings(max_examples=300, deadline=None)
@given(st.lists(MESSAGES, min_size=1, max_size=25))
@example([("hatchery/left/temperature", b"[" * 100_000, 1, False, False, 1)])
@example([("hatchmon/test/left/request", b'{"do":' * 10_000, 1, False, False, 1)])
@example([("shed/dated", b'{"c": 25.0, "at": "0001-01-01T00:00:00+14:00"}', 1, False, False, 1)])
def test_any_messages(bench: Bench, messages: list[tuple[str, bytes, int, bool, bool, int]]) -> None:
    sent = []
    for topic, payload, qos, retain, dup, mid in messages:
        bench.clock.run(timedelta(milliseconds=10))
        sent.append(
            Incoming(
                topic, payload[:65_537], qos, retain, dup, mid, 1, bench.clock.now(), bench.clock.monotonic()
            )
        )
        bench.engine.take(sent[-1])
    for _ in range(40):  # beyond any wait for company
        bench.clock.run(timedelta(seconds=1))
        bench.engine.turn()
    assert bench.engine.recorder.trouble is None
    assert bench.around.acknowledged[-len(sent) :] == sent  # in order, each once
    assert not bench.store.open_requests()
    assert all(cone.isascii() and 1 <= len(cone) <= 32 for cone in bench.store.cones())
    for _, body in bench.around.published:
        json.loads(body) if body.startswith(b"{") else body.decode()
    bench.around.published.clear()


def test_what_is_shown_of_it_can_be_printed(bench: Bench) -> None:
    """After the flood above; alone, of a few of its kind."""
    for topic in ("hatchery/\x1b[2J/temperature", "hatchery/left/\x9b31m", "x\r\ny"):
        bench.message(topic, b"\x1b]0;owned\x07")
    bench.run(MINUTE)
    config = str(bench.settings.store.path.with_name("hatchmon.toml"))
    for words in (["now"], ["lots"], ["batches"], ["export", "rejected"], ["export", "requests"], ["check"]):
        said = CliRunner().invoke(app, [*words, "--config", config])
        assert "Traceback" not in said.output
        assert all(line.isprintable() for line in said.output.split("\n")), words
        assert said.output.strip()

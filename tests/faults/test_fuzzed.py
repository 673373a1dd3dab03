"""Anything a broker lets through, from a real one to the real daemon."""

from __future__ import annotations

import itertools
import time
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from tests.app.test_fuzz import ALL, PAYLOADS, TOPICS
from tests.faults.tally import Tally
from tests.servers import Mosquitto, wait_until
from tests.system.daemon import Client, Daemon, Ground

TABLES = f"""
{ALL}

[[probes]]
cone = "dated"
quantity = "temperature"
topic = "shed/dated"
value_pointer = "/c"
time_pointer = "/at"
"""
LEAST, MOST = 50, 80


def sendable(topic: str) -> str:
    """A topic to publish to has no wildcards (MQTT 3.1.1 section 4.7); Mosquitto ends the connection of who
    sends it control or non-characters (section 1.5.3 lets it)."""
    clean = "".join("_" if c in "+#" or unicodedata.category(c) in ("Cc", "Cn") else c for c in topic)
    return clean[:20_000] or "_"


@dataclass
class Flood:
    ground: Ground
    daemon: Daemon
    client: Client
    numbers: Iterator[int]
    sent: int = 0


@pytest.fixture(scope="module")
def flood(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flood]:
    folder = tmp_path_factory.mktemp("flood")
    with Mosquitto(folder / "broker") as broker:
        ground = Ground(folder / "hatchmon", broker.port, tables=TABLES)
        with Daemon(ground) as daemon, Client(broker.port) as client:
            wait_until(daemon.connected, 15.0, "the broker")
            yield Flood(ground, daemon, client, itertools.count(1))
            # In order, and after all of it: nothing is left that would come again.
            code, seconds = daemon.stop()
            assert (code, seconds < 5.0) == (0, True)
            daemon.start()
            client.send("hatchery/sentinel/temperature", "24.125")
            wait_until(lambda: ground.count("readings", "raw = 24.125"), 15.0, "a reading after a restart")


def test_whatever_comes_the_next_reading_is_taken(flood: Flood, tally: Tally, long: bool) -> None:
    """Ten thousand messages in the long form; a reading after every fifty to eighty."""
    recovered: list[float] = []

    # Without looking for a smaller example: each failure waits for a minute.
    @settings(max_examples=200 if long else 12, deadline=None, phases=[Phase.generate])
    @given(st.lists(st.tuples(TOPICS.map(sendable), PAYLOADS, st.booleans()), min_size=LEAST, max_size=MOST))
    def send(messages: list[tuple[str, bytes, bool]]) -> None:
        for topic, payload, retain in messages:
            flood.client.publish(topic, payload, retain=retain)
        flood.sent += len(messages)
        value = 20 + next(flood.numbers) / 1000
        begun = time.monotonic()
        flood.client.publish("hatchery/sentinel/temperature", f"{value:.3f}")
        wait_until(lambda: flood.ground.count("readings", f"raw = {value:.3f}"), 60.0, "the reading after it")
        recovered.append(time.monotonic() - begun)
        assert flood.daemon.running
        assert "Traceback" not in flood.daemon.log()
        assert not flood.ground.count("requests", "answer LIKE '%fault of the program%'")

    send()
    of_the_sentinel = "topic = 'hatchery/sentinel/temperature'"
    kept = flood.ground.count("readings JOIN streams USING (stream_id)", of_the_sentinel)
    lost = len(recovered) - kept
    tally.note(
        f"{flood.sent:,} fuzzed messages, and a reading after each handful",
        sent=len(recovered), lost=lost, recovered_s=recovered,
    )  # fmt: skip
    assert flood.sent >= (10_000 if long else 500)
    assert lost == 0

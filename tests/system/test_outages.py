"""The broker, the series store, the phone service or the disk is gone for a while: nothing is lost."""

from __future__ import annotations

import itertools
import json
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.servers import Mosquitto, Receiver, VictoriaMetrics, wait_until
from tests.system.daemon import Client, Daemon, Ground, repeating

TOPIC = "hatchery/left/temperature"
PAST = "".join(
    f'[[probes]]\ncone = "{cone}"\nquantity = "temperature"\ntopic = "shed/{cone}"\n'
    'value_pointer = "/c"\ntime_pointer = "/at"\n'
    for cone in ("early", "late")
)


class Probe:
    """Publishes 22.000, 22.001, 22.002 ... and knows what it has published."""

    def __init__(self, client: Client) -> None:
        self.sent: list[float] = []
        self._values: Iterator[int] = itertools.count(22_000)
        self._client = client

    def step(self) -> None:
        value = next(self._values) / 1000.0
        self._client.publish(TOPIC, f"{value:.3f}")
        self.sent.append(value)

    def wait_for_more(self, count: int) -> None:
        enough = len(self.sent) + count
        wait_until(lambda: len(self.sent) >= enough, 30.0, f"{count} more readings")


def stored(ground: Ground) -> list[float]:
    """What the probe's readings are in the database, in the order they were stored."""
    return [
        raw
        for (raw,) in ground.rows(
            "SELECT raw FROM readings JOIN streams USING (stream_id) WHERE topic = ? ORDER BY seq", TOPIC
        )
    ]


@pytest.fixture
def ground(tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver) -> Ground:
    return Ground(
        tmp_path / "hatchmon", mosquitto.port, push=[f"json://127.0.0.1:{receiver.port}/phone"], tables=PAST
    )


def test_the_broker_goes_and_comes(ground: Ground, mosquitto: Mosquitto) -> None:
    with Daemon(ground) as daemon, Client(mosquitto.port) as client:
        wait_until(daemon.connected, 10.0, "the broker")
        probe = Probe(client)
        with repeating(probe.step, 0.02):
            for end in (mosquitto.stop, mosquitto.kill):
                probe.wait_for_more(30)
                end()
                wait_until(lambda: not daemon.connected(), 10.0, "the daemon to notice")
                probe.wait_for_more(50)
                mosquitto.start()
                wait_until(daemon.connected, 30.0, "the daemon to be back")
            probe.wait_for_more(30)
        wait_until(lambda: len(stored(ground)) >= len(probe.sent), 20.0, "every reading in the database")
        assert sorted(stored(ground)) == probe.sent
        assert daemon.running
        assert len(daemon.manager.times("READY=1")) == 1


def test_the_series_store_goes_and_comes(
    tmp_path: Path, mosquitto: Mosquitto, victoria_metrics: VictoriaMetrics
) -> None:
    ground = Ground(tmp_path / "hatchmon", mosquitto.port, series=victoria_metrics.url)

    def caught_up() -> bool:
        return sum(len(series["values"]) for series in victoria_metrics.export()) >= len(stored(ground))

    with Daemon(ground) as daemon, Client(mosquitto.port) as client:
        wait_until(daemon.connected, 10.0, "the broker")
        probe = Probe(client)
        with repeating(probe.step, 0.02):
            probe.wait_for_more(50)
            wait_until(victoria_metrics.export, 15.0, "the first points")
            victoria_metrics.stop()
            wait_until(lambda: "series store" in daemon.status, 15.0, "the daemon to notice")
            probe.wait_for_more(100)
            victoria_metrics.start()
            wait_until(lambda: "series store" not in daemon.status, 30.0, "the daemon to be through again")
            probe.wait_for_more(50)
        wait_until(lambda: len(stored(ground)) == len(probe.sent) and caught_up(), 30.0, "the last points")
        assert daemon.running
        values = [value for series in victoria_metrics.export() for value in series["values"]]
        assert sorted(values) == probe.sent
        assert ground.count("series_refused") == 0
        # Down at the end of the daemon's life and up in the next.
        victoria_metrics.stop()
        client.send(TOPIC, "24.5")
        wait_until(lambda: 24.5 in stored(ground), 10.0, "one more reading")
        daemon.kill()
        victoria_metrics.start()
        daemon.start()
        wait_until(caught_up, 15.0, "the point left over")
        values = [value for series in victoria_metrics.export() for value in series["values"]]
        assert sorted(values) == [*probe.sent, 24.5]


def test_the_phone_service_fails_then_hangs(ground: Ground, mosquitto: Mosquitto, receiver: Receiver) -> None:
    with Receiver() as second, Client(mosquitto.port) as client:
        text = ground.config.read_text()
        both = f'"json://127.0.0.1:{receiver.port}/phone", "json://127.0.0.1:{second.port}/other"'
        ground.config.write_text(text.replace(f'"json://127.0.0.1:{receiver.port}/phone"', both))
        with Daemon(ground) as daemon:
            wait_until(daemon.connected, 10.0, "the broker")
            probe = Probe(client)
            now = datetime.now(UTC)
            for minutes in range(30 * 60, 0, -20):
                at = (now - timedelta(minutes=minutes)).isoformat()
                for cone in ("early", "late"):
                    client.publish(f"shed/{cone}", json.dumps({"at": at, "c": 25.0}))
            wait_until(lambda: ground.count("readings") >= 180, 20.0, "the day so far")
            with repeating(probe.step, 0.05):
                # At 25 C the window opens at about 25 h and closes at about 28 h.
                receiver.behaviour = "500"
                started = (now - timedelta(hours=29.5)).isoformat()
                ground.done("begin", "late", "--lot", "tin 7", "--grams", "4", "--at", started)
                receiver.wait_for(1, 20.0)
                receiver.behaviour = "hang"
                started = (now - timedelta(hours=25.6)).isoformat()
                ground.done("begin", "early", "--lot", "tin 7", "--grams", "4", "--at", started)
                receiver.wait_for(2, 20.0)
                # The other address is held up by nothing.
                second.wait_for(2, 5.0)
                wait_until(lambda: ground.count("letters", "attempts = 2"), 15.0, "the hanging to be noticed")
                assert ground.rows("SELECT state FROM letters WHERE address = 0") == [("due",)] * 2
                receiver.behaviour = "ok"
                failed = len(receiver.posts)
                wait_until(lambda: ground.count("letters", "state = 'due'") == 0, 40.0, "both letters")
            assert daemon.running
            told = [post.body["title"] for post in receiver.posts]
            alerts = ground.rows("SELECT kind, title FROM alerts ORDER BY alert_id")
            assert [kind for kind, _ in alerts] == ["past", "ready"]
            assert told[failed:] == [title for _, title in alerts]
            assert set(told[:failed]) == {alerts[0][1]}
            assert [post.body["title"] for post in second.posts] == [title for _, title in alerts]
            wait_until(lambda: len(stored(ground)) == len(probe.sent), 20.0, "every reading")


@contextmanager
def full_disk(daemon: Daemon) -> Iterator[None]:
    """A limit on the size of files stands for the full disk: SQLite gets an error for each write."""
    assert daemon.process is not None
    none = resource.RLIM_INFINITY
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (1, none))
    try:
        yield
    finally:
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (none, none))


def test_the_disk_is_full_for_a_while(ground: Ground, mosquitto: Mosquitto) -> None:
    with Daemon(ground) as daemon, Client(mosquitto.port) as client:
        wait_until(daemon.connected, 10.0, "the broker")
        probe = Probe(client)
        with repeating(probe.step, 0.02):
            wait_until(lambda: len(stored(ground)) > 20, 10.0, "the first readings")
            with full_disk(daemon):
                wait_until(lambda: "database: " in daemon.status, 10.0, "the daemon to notice")
                probe.wait_for_more(250)  # more than may lie about unacknowledged
            wait_until(lambda: "database: " not in daemon.status, 20.0, "the daemon to write again")
        wait_until(lambda: len(stored(ground)) >= len(probe.sent), 30.0, "every reading in the database")
        assert sorted(stored(ground)) == probe.sent
        assert daemon.running


def test_a_new_cone_speaks_up_while_the_disk_is_full(ground: Ground, mosquitto: Mosquitto) -> None:
    with Daemon(ground) as daemon, Client(mosquitto.port) as client:
        wait_until(daemon.connected, 10.0, "the broker")
        with full_disk(daemon):
            client.send(TOPIC, "25.4")
            client.send(TOPIC, "25.5")
            wait_until(lambda: "database: " in daemon.status or not daemon.running, 10.0, "it to notice")
            assert daemon.running
        wait_until(lambda: stored(ground) == [25.4, 25.5], 20.0, "the readings in the database")


@pytest.mark.parametrize("replaced", [False, True])
def test_a_database_deleted_while_in_use_is_put_back(
    tmp_path: Path, mosquitto: Mosquitto, replaced: bool
) -> None:
    """Its daemon ends with a word on it, so that systemd starts it anew on a file that exists."""
    ground = Ground(tmp_path / "hatchmon", mosquitto.port)
    with Daemon(ground) as daemon, Client(mosquitto.port) as client:
        wait_until(daemon.connected, 10.0, "the broker")
        client.send(TOPIC, "25.5")
        wait_until(lambda: ground.count("readings") == 1, 10.0, "the reading")
        for file in ground.database.parent.glob("hatchmon.db*"):
            file.unlink()
        if replaced:
            ground.database.write_bytes(b"")
        wait_until(lambda: not daemon.running, 20.0, "the daemon to notice")
        happened = "replaced" if replaced else "deleted"
        wait_until(lambda: f"was {happened} while hatchmon used it" in daemon.log(), 5.0, "a word on it")
        copies = list(ground.database.parent.glob("hatchmon.db.found-*"))
        assert len(copies) == replaced
        if replaced:
            assert ground.database.read_bytes() == b""
            copies[0].rename(ground.database)
        daemon.start()
        assert ground.count("readings") == 1

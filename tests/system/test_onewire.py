"""1-Wire probes from the device tree to the database, by the two real programs and a real broker."""

from __future__ import annotations

import json
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.servers import Mosquitto, free_port, wait_until
from tests.system.daemon import HATCHMON, SITE, Client, Daemon, Ground, Manager, from_us
from tests.system.test_systemd import sandboxed
from tests.w1 import Bus, w1_text

BENCH, ROOM = "28-0316a2794bff", "28-000005305b33"
WATER = f"onewire/{SITE}/bench/temperature"
HEARD = "SELECT raw, verdict, dated_by, time_us FROM readings JOIN streams USING (stream_id) WHERE topic = ?"


def mapping(bus: Bus) -> str:
    return (
        f'[onewire]\nevery_s = 1\npath = "{bus.path}"\n'
        f'[[onewire.probes]]\nid = "{BENCH}"\ncone = "bench"\nquantity = "temperature"\n'
        f'[[onewire.probes]]\nid = "{ROOM}"\ncone = "bench"\nquantity = "air_temperature"\n'
    )


@pytest.fixture
def bus(tmp_path: Path) -> Bus:
    return Bus(tmp_path / "devices")


@contextmanager
def publishing(ground: Ground) -> Iterator[Manager]:
    """``hatchmon onewire`` inside the filters of system calls that its unit asks for."""
    manager = Manager()
    command = sandboxed(HATCHMON, "onewire", "--config", ground.config)
    with (ground.folder / "onewire.log").open("wb") as log:
        process = subprocess.Popen(
            command,
            env=ground.environment(NOTIFY_SOCKET=manager.address, WATCHDOG_USEC="2000000"),
            stdin=subprocess.DEVNULL, stdout=log, stderr=log,
        )  # fmt: skip
    try:
        wait_until(lambda: manager.times("READY=1") or process.poll() is not None, 30.0, "READY")
        assert process.poll() is None, (ground.folder / "onewire.log").read_text()
        yield manager
        process.send_signal(signal.SIGTERM)
        assert process.wait(10.0) == 0
        assert "Traceback" not in (ground.folder / "onewire.log").read_text()
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        manager.close()


def test_from_the_bus_to_the_database_with_the_probes_own_time(
    tmp_path: Path, bus: Bus, mosquitto: Mosquitto
) -> None:
    ground = Ground(tmp_path / "hatchmon", mosquitto.port, tables=mapping(bus))
    bus.read(BENCH, 85.0)
    bus.read(ROOM, 21.5)
    begun = datetime.now(UTC)

    def values(verdict: str) -> set[float]:
        return {raw for raw, said, _, _ in ground.rows(HEARD, WATER) if said == verdict}

    with Client(mosquitto.port, "onewire/#") as client, publishing(ground) as manager:
        with Daemon(ground) as daemon:
            wait_until(daemon.connected, 10.0, "the broker")
            wait_until(lambda: 85.0 in values("sentinel"), 15.0, "the start-up value, kept with its verdict")
            bus.read(BENCH, 25.4375)
            wait_until(lambda: values("good") == {25.437}, 15.0, "the water")
            bus.say(BENCH, w1_text(60.0, crc_good=False))
            wait_until(lambda: any("bad CRC" in s for s in manager.statuses()), 15.0, "the bad checksum")
            bus.read(BENCH, 25.5)
            wait_until(lambda: 25.5 in values("good"), 15.0, "the water again")
            (cone,) = ground.data("now")
            assert cone["cone"] == "bench"
        # The daemon is down: the broker keeps what comes, and its time is that of the measurement.
        bus.read(BENCH, 26.0)
        wait_until(lambda: b'"temp_c": 26.0' in (client.latest(WATER) or b""), 15.0, "word at the broker")
        bus.read(BENCH, 25.75)
        wait_until(lambda: b'"temp_c": 25.75' in (client.latest(WATER) or b""), 15.0, "a later one")
        with Daemon(ground):
            wait_until(lambda: 25.75 in values("good"), 15.0, "what waited")
        assert len(manager.times("WATCHDOG=1")) > 2
    rows = ground.rows(HEARD, WATER)
    assert {raw for raw, *_ in rows} == {85.0, 25.437, 25.5, 26.0, 25.75}, "a bad checksum gives no reading"
    assert {dated_by for _, _, dated_by, _ in rows} == {"probe"}
    stored = {(raw, from_us(time_us)) for raw, _, _, time_us in rows}
    sent = [json.loads(payload) for topic, payload, _ in client.heard if topic == WATER]
    assert stored <= {(said["temp_c"], datetime.fromisoformat(said["time"])) for said in sent}
    assert all(begun - timedelta(seconds=1) < at < datetime.now(UTC) for _, at in stored)
    assert ground.count("rejected") == 0


def test_once_and_what_is_refused(tmp_path: Path, bus: Bus) -> None:
    none = Ground(tmp_path / "none", free_port(), tables=f'[onewire]\npath = "{bus.path}"')
    assert "hatchmon onewire --once" in none.refused("onewire", code=2)
    ground = Ground(tmp_path / "both", free_port(), tables=mapping(bus))
    bus.read(BENCH, 25.0)
    ended = ground.cli("onewire", "--once")
    assert (ended.returncode, ended.stderr) == (1, "")
    assert f"{BENCH}  bench temperature: 25.000 °C\n{ROOM}  bench air_temperature: NO READING" in ended.stdout
    bus.read(ROOM, 21.0)
    looks = ground.data("onewire", "--once")
    assert [(look["probe"], look["temp_c"], look["problem"]) for look in looks] == [
        (BENCH, 25.0, None),
        (ROOM, 21.0, None),
    ]
    assert f'[[onewire.probes]]\nid = "{BENCH}"' in none.done("onewire", "--once")

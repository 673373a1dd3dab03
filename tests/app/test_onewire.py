"""``hatchmon onewire``: what is kept for the broker, what is said of the probes, and the service itself."""

from __future__ import annotations

import itertools
import json
import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hatchmon.adapters.clock import SystemClock
from hatchmon.adapters.mqtt import Delivered
from hatchmon.app.onewire import (
    WINDOW,
    OneWireService,
    Outbox,
    Said,
    look_once,
    looks_json,
    looks_text,
    payload_of,
)
from hatchmon.app.settings import Settings, load_settings
from hatchmon.hatchery.payload import read_payload
from tests.servers import HOST, Mosquitto, wait_until
from tests.system.daemon import Client
from tests.w1 import Bus, w1_text

BENCH, ROOM = "28-0316a2794bff", "28-000005305b33"
WATER = "onewire/test/bench/temperature"
AIR = "onewire/test/bench/air_temperature"


@pytest.fixture
def bus(tmp_path: Path) -> Bus:
    return Bus(tmp_path / "devices")


def settings_for(folder: Path, bus: Bus, port: int = 1, more: str = "", top: str = "") -> Settings:
    file = folder / "hatchmon.toml"
    file.write_text(
        f'site = "test"\n[broker]\nhost = "{HOST}"\nport = {port}\n{top}\n'
        f'[clock]\nwait_min = 0\n[onewire]\nevery_s = 1\npath = "{bus.path}"\n'
        f'[[onewire.probes]]\nid = "{BENCH}"\ncone = "bench"\nquantity = "temperature"\n{more}'
    )
    return load_settings(file, {})


ROOM_TOO = f'[[onewire.probes]]\nid = "{ROOM}"\ncone = "bench"\nquantity = "air_temperature"\n'


class SteppingClock(SystemClock):
    """The machine's clock, ahead by ``ahead``."""

    ahead = timedelta(0)

    def now(self) -> datetime:
        return super().now() + self.ahead


# ---- what is sent ----


def test_the_daemon_reads_what_is_sent() -> None:
    clock = SystemClock()
    payload = payload_of(Said(BENCH, WATER, 25.437, clock.monotonic() - 90.0), clock, True)
    assert payload is not None
    said = json.loads(payload)
    assert said.keys() == {"temp_c", "time", "probe"}
    assert said["probe"] == BENCH
    assert said["time"].endswith("Z")
    sample = read_payload(payload, "/temp_c", "/time")
    assert sample.raw == 25.437
    assert sample.time is not None
    assert abs(datetime.now(UTC) - timedelta(seconds=90) - sample.time) < timedelta(seconds=5)


def test_a_reading_from_before_the_clock_was_set_gets_the_right_time() -> None:
    clock = SteppingClock()
    clock.ahead = -timedelta(days=200)
    said = Said(BENCH, WATER, 25.0, clock.monotonic() - 60.0)
    clock.ahead = timedelta(0)
    assert payload_of(said, clock, False) is None  # it may become right yet
    payload = payload_of(said, clock, True)
    assert payload is not None
    time = read_payload(payload, "/temp_c", "/time").time
    assert time is not None
    assert abs(datetime.now(UTC) - timedelta(seconds=60) - time) < timedelta(seconds=5)


def test_a_fresh_reading_without_a_clock_leaves_its_time_to_the_daemon() -> None:
    clock = SystemClock()
    payload = payload_of(Said(BENCH, WATER, 25.0, clock.monotonic() - 1.0), clock, False)
    assert payload is not None
    assert json.loads(payload)["time"] is None
    sample = read_payload(payload, "/temp_c", "/time")
    assert (sample.raw, sample.time) == (25.0, None)


# ---- the outbox ----


def numbered(number: int) -> Said:
    return Said(BENCH, WATER, float(number), 0.0)


class Wire:
    """Takes what is delivered, as many as ``room`` says, and answers on demand."""

    def __init__(self) -> None:
        self.room = 10**6
        self.taken: list[bytes] = []
        self.open: list[tuple[int, int]] = []

    def deliver(self, topic: str, payload: bytes, link: int) -> int | None:
        if self.room == 0:
            return None
        self.room -= 1
        self.taken.append(payload)
        self.open.append((link, len(self.taken)))
        return len(self.taken)


def outbox_of(most: int) -> Outbox:
    return Outbox(most, lambda said: b"%d" % said.temp_c)


def test_at_most_a_window_is_on_its_way() -> None:
    outbox, wire = outbox_of(1000), Wire()
    for number in range(100):
        outbox.add(numbered(number))
    outbox.send(1, wire.deliver)
    assert len(wire.taken) == WINDOW
    outbox.delivered(Delivered(*wire.open[0]))
    outbox.send(1, wire.deliver)
    assert wire.taken == [b"%d" % number for number in range(WINDOW + 1)]


def test_what_cannot_be_dated_yet_waits_and_lets_the_rest_pass() -> None:
    outbox, wire = Outbox(10, lambda said: None if said.temp_c in undated else b"%d" % said.temp_c), Wire()
    undated = {0.0, 1.0}
    for number in range(4):
        outbox.add(numbered(number))
    outbox.send(1, wire.deliver)
    assert wire.taken == [b"2", b"3"]
    assert len(outbox) == 4
    undated.clear()
    outbox.send(1, wire.deliver)
    assert wire.taken == [b"2", b"3", b"0", b"1"]


def test_the_oldest_are_dropped_and_counted() -> None:
    outbox, wire = outbox_of(10), Wire()
    for number in range(25):
        outbox.add(numbered(number))
    assert (len(outbox), outbox.dropped) == (10, 15)
    outbox.send(1, wire.deliver)
    assert wire.taken == [b"%d" % number for number in range(15, 25)]


def test_what_is_sent_again_is_the_same_to_the_byte() -> None:
    """Else the daemon would not know it for a repeat."""
    written: Iterator[bytes] = iter([b"first", b"second"])
    outbox, wire = Outbox(10, lambda _: next(written)), Wire()
    outbox.add(numbered(1))
    outbox.send(1, wire.deliver)
    outbox.link_lost()
    outbox.send(2, wire.deliver)
    assert wire.taken == [b"first", b"first"]


@given(
    st.lists(st.sampled_from(["add", "send", "answer", "lost", "full"]), max_size=300),
    st.integers(1, 60),
)
def test_in_order_and_none_lost_but_those_counted(steps: list[str], most: int) -> None:
    outbox, wire, link, added = outbox_of(most), Wire(), 1, 0
    arrived: list[int] = []

    def answer_one() -> None:
        if wire.open:
            said = outbox.delivered(Delivered(*wire.open.pop(0)))
            assert said is not None
            arrived.append(int(said.temp_c))

    for step in steps:
        if step == "add":
            outbox.add(numbered(added))
            added += 1
        elif step == "answer":
            answer_one()
        elif step == "lost":
            wire.open.clear()
            outbox.link_lost()
            link += 1
        else:
            wire.room = 1 if step == "full" else 10**6
            outbox.send(link, wire.deliver)
        assert len(outbox) <= max(most, WINDOW)
    wire.room = 10**6
    while len(outbox):
        outbox.send(link, wire.deliver)
        answer_one()
    assert arrived == sorted(set(arrived))
    assert len(arrived) + outbox.dropped == added


# ---- --once ----


def test_once_says_what_every_probe_says(tmp_path: Path, bus: Bus) -> None:
    settings = settings_for(tmp_path, bus, more=ROOM_TOO)
    bus.read(BENCH, 85.0)
    bus.read("28-0000000000aa", 21.0)
    looks = look_once(settings)
    text = looks_text(settings, looks)
    assert text.startswith(
        f"{BENCH}  bench temperature: 85.000 °C (what it says after power-up, before it has measured:"
        f" check its power)\n{ROOM}  bench air_temperature: NO READING: no such probe on the bus"
    )
    assert text.endswith(
        "\n\nTo publish them, add to the settings, with the name of the cone:\n\n"
        '[[onewire.probes]]\nid = "28-0000000000aa"\ncone = "NAME OF THE CONE"\nquantity = "temperature"'
    )
    facts = looks_json(settings, looks, datetime.now(UTC))
    assert [(fact["topic"], fact["temp_c"]) for fact in facts] == [(WATER, 85.0), (AIR, None), (None, 21.0)]


def test_the_lines_to_add_are_settings(tmp_path: Path, bus: Bus) -> None:
    settings = settings_for(tmp_path, bus)
    bus.read(BENCH, 25.0)
    bus.read(ROOM, 21.0)
    text = looks_text(settings, look_once(settings))
    added = text[text.index("[[onewire") :].replace("NAME OF THE CONE", "left")
    assert [probe.id for probe in settings_for(tmp_path, bus, more=added).onewire.probes] == [BENCH, ROOM]


def test_once_without_a_bus_or_without_a_probe(tmp_path: Path, bus: Bus) -> None:
    settings = settings_for(tmp_path, bus)
    empty = settings.model_copy(update={"onewire": settings.onewire.model_copy(update={"probes": []})})
    assert "no DS18B20 on the bus" in looks_text(empty, look_once(empty))
    (bus.path / "w1_bus_master1").rmdir()
    bus.path.rmdir()
    assert "There is no 1-Wire bus" in looks_text(settings, look_once(settings))


def test_once_does_not_wait_for_ever(tmp_path: Path, bus: Bus) -> None:
    pipe = bus.hang(BENCH)
    settings = settings_for(tmp_path, bus)
    (look,) = look_once(settings, slow_s=0.2)
    assert look.problem == "no answer for 0.2 s"
    pipe.write_text("")  # lets the reader go


# ---- the service ----


@contextmanager
def serving(settings: Settings, slow_s: float = 30.0) -> Iterator[OneWireService]:
    service = OneWireService(settings, SystemClock(), slow_s=slow_s, first_wait_s=0.05)
    thread = threading.Thread(target=service.run, daemon=True)
    thread.start()
    try:
        yield service
    finally:
        service.stop()
        thread.join(15.0)
        assert not thread.is_alive()


def values(client: Client, topic: str = WATER) -> list[float]:
    return [json.loads(payload)["temp_c"] for at, payload, _ in list(client.heard) if at == topic]


def logged(caplog: pytest.LogCaptureFixture) -> Callable[[str], int]:
    return lambda text: sum(text in record.getMessage() for record in caplog.records)


def test_every_fault_is_said_once_and_only_good_readings_are_sent(
    tmp_path: Path, bus: Bus, mosquitto: Mosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    times = logged(caplog)
    settings = settings_for(tmp_path, bus, mosquitto.port, ROOM_TOO)
    bus.read(ROOM, 21.0)
    with Client(mosquitto.port, "onewire/#") as client, serving(settings) as service:
        wait_until(
            lambda: len(values(client, AIR)) >= 2, 15.0, "the room, though the water's probe is missing"
        )
        assert times("no such probe on the bus") == 1
        assert f"{BENCH} missing" in service.status()
        bus.read(BENCH, 85.0)
        wait_until(lambda: 85.0 in values(client), 10.0, "the start-up value, as it was read")
        assert times(f"{BENCH} is back after") == 1
        bus.say(BENCH, w1_text(60.0, crc_good=False))
        wait_until(lambda: times("garbled 3 times"), 10.0, "word of the checksums")
        bus.say(BENCH, b"\x00garbage")
        wait_until(lambda: times("something else than a reading"), 10.0, "word of the garbage")
        bus.pull_out(BENCH)
        wait_until(lambda: times("no such probe on the bus") == 2, 10.0, "word that it is gone again")
        bus.read(BENCH, 25.5)
        wait_until(lambda: 25.5 in values(client), 10.0, "the water again")
        assert set(values(client)) == {85.0, 25.5}
        assert times("garbled 3 times") == 1
        wait_until(lambda: service.counts.delivered == service.counts.read, 10.0, "the broker's answers")
        assert service.counts.bad_crc >= 3
        assert "2 of 2 probes read; broker connected" in service.status()
        assert not any(retained for _, _, retained in client.heard)


def test_a_probe_that_hangs_holds_up_no_other(
    tmp_path: Path, bus: Bus, mosquitto: Mosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    bus.read(ROOM, 21.0)
    pipe = bus.hang(BENCH)
    settings = settings_for(tmp_path, bus, mosquitto.port, ROOM_TOO)
    with Client(mosquitto.port, "onewire/#") as client, serving(settings, slow_s=0.3) as service:
        wait_until(lambda: len(values(client, AIR)) >= 2, 15.0, "the other probe")
        assert logged(caplog)("no answer for 0.3 s") == 1
        assert f"{BENCH} slow" in service.status()
        with pipe.open("w") as end:  # a slow answer is an answer
            bus.read(BENCH, 25.5)
            end.write(w1_text(25.0))
        wait_until(lambda: values(client)[:2] == [25.0, 25.5], 10.0, "the slow answer and the next")


def test_what_was_read_without_a_broker_comes_in_order_when_it_is_back(
    tmp_path: Path, bus: Bus, mosquitto: Mosquitto
) -> None:
    settings = settings_for(tmp_path, bus, mosquitto.port)
    temp_c = 20.0
    bus.read(BENCH, temp_c)
    with Client(mosquitto.port, "onewire/#") as client, serving(settings) as service:
        wait_until(lambda: values(client), 15.0, "the first reading")
        mosquitto.kill()
        wait_until(lambda: "no broker" in service.status(), 10.0, "the service to notice")
        for _ in range(3):
            before = service.counts.read
            temp_c += 1.0
            bus.read(BENCH, temp_c)
            wait_until(lambda before=before: service.counts.read >= before + 2, 10.0, "two more")  # type: ignore[misc]
        mosquitto.start()
        wait_until(lambda: temp_c in values(client), 20.0, "what was kept")
        wait_until(lambda: service.counts.delivered == service.counts.read, 10.0, "all of it")
    heard = {payload: None for _, payload, _ in client.heard}  # each once: QoS 1 may repeat
    said = [json.loads(payload) for payload in heard]
    assert {entry["temp_c"] for entry in said} == {20.0, 21.0, 22.0, 23.0}
    assert [entry["temp_c"] for entry in said] == sorted(entry["temp_c"] for entry in said)
    assert [entry["time"] for entry in said] == sorted(entry["time"] for entry in said)
    moments = [datetime.fromisoformat(entry["time"]) for entry in said]
    gaps = [(later - earlier).total_seconds() for earlier, later in itertools.pairwise(moments)]
    assert max(gaps) < 8.0, "a reading bears the time it was made, not sent"


def test_a_refusing_broker_is_told_of_and_holds_up_nothing(
    tmp_path: Path, bus: Bus, caplog: pytest.LogCaptureFixture
) -> None:
    acl = tmp_path / "acl"
    acl.write_text(f"topic write {AIR}\ntopic read #\n")
    bus.read(BENCH, 25.0)
    bus.read(ROOM, 21.0)
    with Mosquitto(tmp_path / "mosquitto", extra_conf=f"acl_file {acl}") as broker:
        settings = settings_for(tmp_path, bus, broker.port, ROOM_TOO)
        with Client(broker.port, "onewire/#") as client, serving(settings) as service:
            wait_until(lambda: len(values(client, AIR)) >= 3, 15.0, "what is allowed")
            wait_until(lambda: service.counts.refused >= 2, 10.0, "what is not")
            assert logged(caplog)(f"the broker refuses {WATER}: this user may not write it") == 1
            assert values(client) == []


def test_a_probe_that_is_not_mapped_is_named_with_what_to_add(
    tmp_path: Path, bus: Bus, caplog: pytest.LogCaptureFixture
) -> None:
    bus.read(BENCH, 25.0)
    bus.read(ROOM, 21.0)
    with serving(settings_for(tmp_path, bus)):
        wait_until(lambda: logged(caplog)(f"{ROOM} is on the bus and not in the settings"), 10.0, "its name")
        assert logged(caplog)(f'[[onewire.probes]]\nid = "{ROOM}"\n') == 1
        assert logged(caplog)(f"{BENCH} is on the bus") == 0

"""How many readings a second get through to disk, beside two subscribers that keep nothing.

The daemon takes readings at QoS 1, judges them, has twelve batches move on, commits, and only then
acknowledges. Beside it a bare paho subscriber acknowledges by hand and does nothing else, and
``mosquitto_sub`` does what C can. Each has a broker of its own, all of one configuration; they take turns
with one and the same set of messages, sent by one publisher that is faster than any of them.
"""

from __future__ import annotations

import os
import socket
import statistics
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from hatchmon.adapters.store import Store
from tests.bench.ground import hatching
from tests.bench.lines import Aim, Line
from tests.servers import HOST, Mosquitto, find_program, wait_until
from tests.system.daemon import CHECKOUT, SITE, Client, Daemon, Ground

CONES = 12
MESSAGES = 10_000  # a round
WINDOW = 200  # unacknowledged messages at a time, for each of the subscribers: the daemon's default
TARGET = Aim(least=0.40, ratio=True)
END = '{"do": "look"}'  # refused as not switched on, and answered once all before it is stored
REQUESTS = '[requests]\nover_mqtt = ["seen"]'
_CLOCK_TICKS_S = os.sysconf("SC_CLK_TCK")


def cpu_s(pid: int) -> float:
    """Processor time of a process so far, user and system, in seconds."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / _CLOCK_TICKS_S


def cones(count: int) -> list[str]:
    """Their names."""
    return [f"cone-{number}" for number in range(1, count + 1)]


def _string(text: str) -> bytes:
    data = text.encode()
    return struct.pack("!H", len(data)) + data


def _packet(first: int, body: bytes) -> bytes:
    """An MQTT packet of less than 16 KiB (MQTT 3.1.1 section 2.2)."""
    size = len(body)
    return bytes([first, size] if size < 128 else [first, size % 128 | 128, size // 128]) + body


class Publisher:
    """Sends packets that were made beforehand, and counts what the broker takes: next to no work."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection((HOST, port))
        self._socket.sendall(_packet(0x10, _string("MQTT") + b"\x04\x02\x00\x00" + _string(f"p-{port}")))
        assert self._socket.recv(4) == b"\x20\x02\x00\x00"

    def send(self, packets: bytes, count: int) -> None:
        """Send ``count`` messages of QoS 1 and wait until the broker has them all."""
        sender = threading.Thread(target=self._socket.sendall, args=(packets,))
        sender.start()
        left = 4 * count  # bytes of a PUBACK
        while left:
            got = self._socket.recv(65536)
            assert got, "the broker has closed the connection"
            left -= len(got)
        sender.join()

    def close(self) -> None:
        self._socket.close()


def readings(names: list[str], count: int, seed: int) -> bytes:
    """``count`` readings in turn, near 26 degrees and never the same twice running, as packets."""
    made = []
    for number in range(count):
        topic = f"hatchery/{names[number % len(names)]}/temperature"
        value = f"{26.0 + 0.001 * ((number // len(names) * 7 + seed) % 97):.3f}"
        made.append(publication(topic, value, number % 65_535 + 1))
    return b"".join(made)


def publication(topic: str, payload: str, mid: int) -> bytes:
    """A message of QoS 1 as a packet."""
    return _packet(0x32, _string(topic) + struct.pack("!H", mid) + payload.encode())


class Subscriber:
    """One that is measured. ``end`` waits until it is through with the marker sent last to ``topic``."""

    def __init__(self, name: str, port: int, pid: int, end: Callable[[int], None]) -> None:
        self.name = name
        self.pid = pid
        self.publisher = Publisher(port)
        self._end = end
        self._rounds = 0

    def take(self, packets: bytes, count: int) -> tuple[float, float]:
        """(seconds, seconds of processor time) until it is through with ``packets``."""
        self._rounds += 1
        marker = publication(f"hatchmon/{SITE}/cone-{self._rounds % CONES + 1}/request", END, 1)
        before, begun = cpu_s(self.pid), time.perf_counter()
        self.publisher.send(packets + marker, count + 1)
        self._end(self._rounds)
        return time.perf_counter() - begun, cpu_s(self.pid) - before


@contextmanager
def daemon(folder: Path, names: list[str]) -> Iterator[tuple[Subscriber, Ground]]:
    """The daemon, a batch running in each cone, its transactions gathered as in real life."""
    with Mosquitto(folder / "mosquitto", extra_conf=QUIET) as broker:
        ground = Ground(folder / "hatchmon", broker.port, tables=REQUESTS, gather_s=28.0)
        ground.database.parent.mkdir(parents=True)
        with Store(ground.database) as store:
            hatching(store, names, datetime.now(UTC))
        with Daemon(ground) as running, Client(broker.port, f"hatchmon/{SITE}/+/answer") as asker:
            wait_until(running.connected, 60.0, "the broker")
            assert running.process is not None
            end = _answers(asker)
            yield Subscriber("hatchmon", broker.port, running.process.pid, end), ground


def _answers(asker: Client) -> Callable[[int], None]:
    return lambda number: wait_until(lambda: len(asker.heard) >= number, 120.0, f"answer {number}")


@contextmanager
def bare(folder: Path) -> Iterator[Subscriber]:
    """paho with a callback that acknowledges, and answers the marker as the daemon does."""
    with Mosquitto(folder / "mosquitto", extra_conf=QUIET) as broker:
        command = [sys.executable, "-m", "tests.bench.ingest", str(broker.port)]
        process = subprocess.Popen(command, cwd=CHECKOUT, stdout=subprocess.PIPE)
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == b"ready\n"
            with Client(broker.port, f"hatchmon/{SITE}/+/answer") as asker:
                yield Subscriber("bare paho", broker.port, process.pid, _answers(asker))
        finally:
            process.terminate()
            process.wait(10.0)


@contextmanager
def mosquitto_sub(folder: Path) -> Iterator[Subscriber]:
    """The client that comes with the broker, printing each message into a pipe."""
    with Mosquitto(folder / "mosquitto", extra_conf=QUIET) as broker:
        command = [find_program("mosquitto_sub", "mosquitto-clients"), "-p", str(broker.port), "-V", "5"]
        command += [
            "-q",
            "1",
            "-c",
            "-i",
            "sub",
            "-x",
            "3600",
            "-D",
            "connect",
            "receive-maximum",
            str(WINDOW),
        ]
        command += ["-t", "hatchery/+/+", "-t", f"hatchmon/{SITE}/+/request"]
        process = subprocess.Popen(command, stdout=subprocess.PIPE)
        out = process.stdout
        assert out is not None
        ends = 0

        def read() -> None:
            nonlocal ends
            while got := os.read(out.fileno(), 65536):
                ends += got.count(b"}")

        threading.Thread(target=read, daemon=True).start()
        try:
            subscriber = Subscriber(
                "mosquitto_sub",
                broker.port,
                process.pid,
                lambda number: wait_until(lambda: ends >= number, 120.0, f"end {number}"),
            )
            while not ends:  # until it has subscribed
                subscriber.publisher.send(publication(f"hatchmon/{SITE}/cone-1/request", END, 1), 1)
                time.sleep(0.1)
            time.sleep(0.5)
            ends = 0
            yield subscriber
        finally:
            process.terminate()
            process.wait(10.0)


QUIET = "log_type error"
"""No line in the log for each message."""


def lines(folder: Path, brief: bool) -> Iterator[Line]:
    """The daemon beside each of the others, round by round; the first round is not counted."""
    rounds, messages = (1, 300) if brief else (7, MESSAGES)
    names = cones(CONES)
    took: dict[str, list[tuple[float, float]]] = {}
    with ExitStack() as stack:
        ours, ground = stack.enter_context(daemon(folder / "daemon", names))
        others = [
            stack.enter_context(bare(folder / "bare")),
            stack.enter_context(mosquitto_sub(folder / "sub")),
        ]
        before = ground.count("readings")
        for round_ in range(rounds + 1):
            packets = readings(names, messages, round_)
            for each in (ours, *others):
                found = each.take(packets, messages)
                if round_:
                    took.setdefault(each.name, []).append(found)
        stored = ground.count("readings") - before
        assert stored == (rounds + 1) * messages, f"{stored} readings stored"
    wall_s, cpu_s = (statistics.median(times) for times in zip(*took[ours.name], strict=True))
    for other in others:
        pairs = list(zip(took[ours.name], took[other.name], strict=True))
        speed = statistics.median(theirs / own for (own, _), (theirs, _) in pairs)
        cost = statistics.median(own / max(theirs, 1e-2) for (_, own), (_, theirs) in pairs)
        aim = TARGET if other is others[0] else None
        yield Line(f"readings stored, beside {other.name}", messages / wall_s, "/s", speed, other.name, aim)
        name = f"processor time a reading, beside {other.name}"
        yield Line(name, 1e6 * cpu_s / messages, "us", cost, other.name)


def acknowledge_only(port: int) -> None:
    """The bare subscriber."""

    def on_connect(client: paho.Client, *_: object) -> None:
        client.subscribe([("hatchery/+/+", 1), (f"hatchmon/{SITE}/+/request", 1)])

    def on_message(client: paho.Client, _: object, message: paho.MQTTMessage) -> None:
        client.ack(message.mid, message.qos)
        if message.payload == END.encode():
            client.publish(message.topic.replace("request", "answer"), b"{}", 1)

    client = paho.Client(CallbackAPIVersion.VERSION2, "bare", protocol=paho.MQTTv5, manual_ack=True)
    client.on_connect, client.on_message = on_connect, on_message
    client.on_subscribe = lambda *_: print("ready", flush=True)
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 3600
    properties.ReceiveMaximum = WINDOW
    client.connect(HOST, port, 30, clean_start=False, properties=properties)
    client.loop_forever()


if __name__ == "__main__":
    acknowledge_only(int(sys.argv[1]))

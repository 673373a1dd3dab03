"""The daemon and the command line as processes of their own, and the two ends of the broker beside them."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from hatchmon.adapters.store import Store
from tests.servers import HOST, wait_until

CHECKOUT = Path(__file__).resolve().parents[2]
HATCHMON = Path(sys.executable).with_name("hatchmon")
SITE = "test"
AVAILABILITY = f"hatchmon/{SITE}/availability"
_START_S = 40.0
_STOP_S = 15.0
_numbers = itertools.count(1)


@dataclass(frozen=True)
class Fast:
    """A clock of ``speed`` that showed ``shown`` at the real moment ``real``."""

    speed: float
    real: datetime
    shown: datetime

    def now(self) -> datetime:
        return self.shown + (datetime.now(UTC) - self.real) * self.speed

    def section(self) -> str:
        return (
            f"[rehearsal]\nreal_start = {self.real.isoformat()}\n"
            f"shown_start = {self.shown.isoformat()}\nspeed = {self.speed}\n"
        )


WITHIN_S = 120.0  # a year's readings are exported, and the record copied, in a good deal less


class Ground:
    """A folder with settings and the database that goes with them, and the command line on both."""

    def __init__(
        self,
        folder: Path,
        broker_port: int,
        *,
        push: Sequence[str] = (),
        series: str = "",
        top: str = "",
        tables: str = "",
        web: str = "enabled = false",
        fast: Fast | None = None,
        gather_s: float = 1.0,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.config = folder / "hatchmon.toml"
        self.database = folder / "state" / "hatchmon.db"
        lines = [
            f'site = "{SITE}"',
            'time_zone = "UTC"',
            top,
            f'[store]\npath = "{self.database}"\ngather_s = {gather_s}',
            f'[broker]\nhost = "{HOST}"\nport = {broker_port}',
            f"[push]\nto = {json.dumps(list(push))}",
            f'[series]\nurl = "{series}"\ntoken = "t"\norg = "o"\nbucket = "b"' if series else "",
            f"[web]\n{web}",
            "[clock]\nwait_min = 0",  # whoever runs the tests may have a host that never says it is set
            fast.section() if fast else "",
            tables,
        ]
        self.config.write_text("\n".join(lines) + "\n")

    @staticmethod
    def environment(**more: str) -> dict[str, str]:
        """The tests' own, without settings of hatchmon that might stand in it."""
        kept = {name: value for name, value in os.environ.items() if not name.startswith("HATCHMON_")}
        for name in ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID", "CREDENTIALS_DIRECTORY"):
            kept.pop(name, None)
        return {**kept, "COLUMNS": "200", **more}

    def cli(
        self, *words: object, prefix: Sequence[str] = (), **more: str
    ) -> subprocess.CompletedProcess[str]:
        """``hatchmon WORDS``, with this ground's settings unless ``--config`` is among them."""
        command = [*prefix, str(HATCHMON), *map(str, words)]
        if "--config" not in command and words[0] != "replay":
            command += ["--config", str(self.config)]
        return subprocess.run(
            command,
            env=self.environment(**more),
            capture_output=True,
            text=True,
            timeout=WITHIN_S,
            check=False,
        )

    def done(self, *words: object) -> str:
        """What the command printed; AssertionError unless it ended with 0."""
        ended = self.cli(*words)
        assert ended.returncode == 0, f"{words}: {ended.returncode}\n{ended.stdout}{ended.stderr}"
        assert not ended.stderr, ended.stderr
        return ended.stdout

    def data(self, *words: object) -> Any:
        """What the command printed with ``--json``."""
        return json.loads(self.done(*words, "--json"))

    def refused(self, *words: object, code: int = 1) -> str:
        """The sentence with which the command was refused; nothing else may have been said."""
        ended = self.cli(*words)
        said = ended.stderr.strip()
        assert ended.returncode == code, f"{words}: {ended.returncode}\n{ended.stdout}{said}"
        assert said, f"{words}: refused without a word"
        assert not ended.stdout.strip(), ended.stdout
        assert "Traceback" not in said, said
        return said

    def rows(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        """What stands in the record now, as every reader sees it."""
        with Store(self.database, read_only=True) as store:
            return [tuple(row) for row in store.rows(sql, *values)]

    def count(self, table: str, where: str = "1") -> int:
        return int(self.rows(f"SELECT count(*) FROM {table} WHERE {where}")[0][0])


class Manager:
    """The receiving end of sd_notify(3)."""

    def __init__(self) -> None:
        self.said: list[tuple[float, str]] = []
        """(time.monotonic(), message) of everything received."""
        name = f"hatchmon-test-{os.getpid()}-{next(_numbers)}"
        self.address = f"@{name}"
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(f"\0{name}")
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while True:
            message = self._socket.recv(65536)
            if not message:
                return
            self.said.append((time.monotonic(), message.decode()))

    def times(self, message: str, since: float = 0.0) -> list[float]:
        """When ``message`` came."""
        return [when for when, said in list(self.said) if said == message and when >= since]

    def statuses(self, since: float = 0.0) -> list[str]:
        """Every status told."""
        return [
            said.removeprefix("STATUS=")
            for when, said in list(self.said)
            if said.startswith("STATUS=") and when >= since
        ]

    def close(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.sendto(b"", "\0" + self.address[1:])
        self._thread.join()
        self._socket.close()


def _bare(*command: str | Path) -> list[str]:
    return [*map(str, command)]


class Daemon:
    """``hatchmon run`` on a ``Ground``; it may be started again after its end. ``around`` makes the command
    that runs it inside something else."""

    def __init__(
        self,
        ground: Ground,
        watchdog_s: float = 0.0,
        around: Callable[..., list[str]] = _bare,
        **environment: str,
    ) -> None:
        self.ground = ground
        self.manager = Manager()
        self.process: subprocess.Popen[bytes] | None = None
        self.may_take_s = 5.0
        """To end in order."""
        self._command = around(HATCHMON, "run", "--config", ground.config)
        self._begun = 0.0
        self.ready_s = 0.0
        """From the last start to READY."""
        self._lines: list[str] = []
        self._environment = ground.environment(NOTIFY_SOCKET=self.manager.address, **environment)
        if watchdog_s:
            self._environment["WATCHDOG_USEC"] = str(round(watchdog_s * 1e6))

    def start(self) -> None:
        """Start and wait for READY."""
        assert not self.running, "it runs already"
        self._begun = time.monotonic()
        self.process = subprocess.Popen(
            self._command,
            env=self._environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        threading.Thread(target=self._read_log, args=(self.process,), daemon=True).start()
        wait_until(
            lambda: not self.running or self.manager.times("READY=1", self._begun),
            _START_S,
            "hatchmon to be ready",
        )
        assert self.running, f"hatchmon did not start:\n{self.log()}"
        self.ready_s = self.manager.times("READY=1", self._begun)[0] - self._begun

    def stop(self) -> tuple[int, float]:
        """Ask it to end; (exit code, seconds it took)."""
        assert self.process is not None
        begun = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(_STOP_S)
        return code, time.monotonic() - begun

    def kill(self) -> None:
        """End it as a power cut would."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(_STOP_S)

    def freeze(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)

    @property
    def running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def log(self) -> str:
        """All it has written in all its lives."""
        return "".join(self._lines)

    def _read_log(self, process: subprocess.Popen[bytes]) -> None:
        """Through a pipe, as to the journal: a full disk must not be able to stop it."""
        assert process.stdout is not None
        with process.stdout as out, (self.ground.folder / "daemon.log").open("ab") as copy:
            for line in out:
                self._lines.append(line.decode(errors="replace"))
                copy.write(line)
                copy.flush()

    def connected(self) -> bool:
        """Whether it last said that it has the broker."""
        return "broker connected" in self.status

    @property
    def status(self) -> str:
        """The last status of this life."""
        return next(reversed(self.manager.statuses(self._begun)), "")

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if self.running:
                self.thaw()
                if kind is None:
                    code, seconds = self.stop()
                    assert code == 0, self.log()
                    assert seconds < self.may_take_s, f"it took {seconds:.1f} s to end"
                else:
                    self.kill()
            assert "Traceback" not in self.log(), self.log()
        finally:
            self.manager.close()


class Client:
    """An MQTT client in the place of probes and onlookers: it keeps publishing over a broker's restart."""

    def __init__(self, port: int, *watched: str) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        """(topic, payload, retained copy) of every message on the ``watched`` topic filters."""
        self._watched = watched
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, f"client-{next(_numbers)}", clean_session=False
        )
        self._client.max_inflight_messages_set(200)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = self._on_connect
        self._handed = self._taken = 0
        self._client.on_publish = self._on_publish
        self._client.on_message = lambda _, __, m: self.heard.append((m.topic, bytes(m.payload), m.retain))
        self._client.connect(HOST, port)
        self._client.loop_start()
        wait_until(self._client.is_connected, 10.0, "the broker to take a client")

    def _on_connect(self, client: paho.Client, *_: object) -> None:
        for topics in self._watched:
            client.subscribe(topics, qos=1)

    def publish(self, topic: str, payload: bytes | str, *, qos: int = 1, retain: bool = False) -> Any:
        """Hand over a message; the result's ``is_published()`` tells when the broker has it."""
        self._handed += 1
        return self._client.publish(topic, payload, qos, retain)

    def send(self, topic: str, payload: bytes | str, *, retain: bool = False) -> None:
        """Publish at QoS 1 and wait for the broker's word."""
        self.publish(topic, payload, retain=retain).wait_for_publish(20.0)

    def _on_publish(self, *_: object) -> None:
        self._taken += 1

    def all_taken(self) -> bool:
        """Whether the broker has everything handed over so far, some of it perhaps while it was away."""
        return self._taken >= self._handed

    def latest(self, topic: str) -> bytes | None:
        """The payload last heard on ``topic``."""
        return next((payload for at, payload, _ in reversed(list(self.heard)) if at == topic), None)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def repeating(step: Callable[[], None], every_s: float) -> Iterator[None]:
    """Call ``step`` in a thread of its own again and again; its first error is raised at the end."""
    ended = threading.Event()
    errors: list[Exception] = []

    def run() -> None:
        due = time.monotonic()
        while not ended.is_set():
            try:
                step()
            except Exception as error:
                errors.append(error)
                return
            due += every_s
            ended.wait(max(0.0, due - time.monotonic()))

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(30.0)
    if errors:
        raise errors[0]


def from_us(us: int) -> datetime:
    """The moment ``us`` microseconds after 1970."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)


def to_us(moment: datetime) -> int:
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def in_place(port: int, topic: str) -> bytes | None:
    """What the broker retains on ``topic`` for somebody who comes now, waiting for it if need be."""
    with Client(port, topic) as client:
        with contextlib.suppress(AssertionError):
            wait_until(lambda: client.heard, 5.0, topic)
        return client.latest(topic)

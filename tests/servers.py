"""Real servers for the tests, on loopback: an MQTT broker, a time-series store, a receiver of HTTP posts."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import TracebackType
from typing import Any, Self

HOST = "127.0.0.1"
_START_S = 30.0
_STOP_S = 20.0


def wait_until(predicate: Callable[[], object], timeout: float, what: str) -> None:
    """Return once ``predicate()`` is true; AssertionError naming ``what`` after ``timeout`` seconds."""
    deadline = time.monotonic() + timeout
    while not predicate():
        if time.monotonic() >= deadline:
            # Asked once more: on a busy machine the last sleep may have outlasted the deadline.
            assert predicate(), f"after {timeout:g} s still waiting for {what}"
            return
        time.sleep(0.01)


def free_port() -> int:
    """A port nobody listens on, below the range from which outgoing connections get theirs."""
    while True:
        port = random.randrange(20_000, 32_000)
        with socket.socket() as probe:
            try:
                probe.bind((HOST, port))
            except OSError:
                continue
        return port


def listening(port: int) -> bool:
    """Whether something accepts connections on loopback ``port``."""
    try:
        socket.create_connection((HOST, port), timeout=1.0).close()
    except OSError:
        return False
    return True


def find_program(name: str, package: str) -> str:
    """Path of the server ``name``; FileNotFoundError naming the Debian ``package`` that holds it."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + os.pathsep + "/usr/sbin")
    if found is None:
        raise FileNotFoundError(f"{name} is not installed: run 'apt-get install {package}'")
    return found


class _Process:
    """A server process that logs to ``folder``/NAME.log and keeps its port over a restart."""

    def __init__(self, name: str, folder: Path, port: int | None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.port = free_port() if port is None else port
        self._port_is_ours_to_choose = port is None
        self._name = name
        self._log = folder / f"{name}.log"
        self._process: subprocess.Popen[bytes] | None = None

    def _command(self) -> list[str]:
        """The program and its arguments; writes what configuration it needs."""
        raise NotImplementedError

    def _ready(self) -> bool:
        raise NotImplementedError

    def start(self) -> None:
        """Start and wait until it serves."""
        if self.running:
            raise RuntimeError(f"{self._name} runs already")
        for _ in range(3):
            with self._log.open("ab") as log:
                self._process = subprocess.Popen(
                    self._command(), stdout=log, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL
                )
            wait_until(lambda: not self.running or self._ready(), _START_S, f"{self._name} to serve")
            if self.running:
                self._port_is_ours_to_choose = False
                return
            if not self._port_is_ours_to_choose:
                break
            self.port = free_port()  # somebody may have taken it in the meantime
        raise AssertionError(f"{self._name} did not start:\n{self.log()}")

    def stop(self) -> None:
        """End it in order (SIGTERM) and wait; nothing happens when it does not run."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would (SIGKILL) and wait."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Stop it in its tracks (SIGSTOP): connections stay open, nothing is answered."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on after ``freeze()``."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def _end(self, sign: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.send_signal(sign)
        process.send_signal(signal.SIGCONT)  # a frozen one would not hear SIGTERM
        try:
            process.wait(_STOP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            raise AssertionError(f"{self._name} did not stop within {_STOP_S:g} s:\n{self.log()}") from None

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def log(self) -> str:
        """All it has written so far."""
        return self._log.read_text(errors="replace") if self._log.exists() else ""

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


class Mosquitto(_Process):
    """An MQTT broker (3.1, 3.1.1 and 5) that keeps its state in ``folder`` even over ``kill()``.

    ``extra_conf`` is appended to the configuration and may override ``allow_anonymous``.
    """

    def __init__(self, folder: Path, port: int | None = None, extra_conf: str = "") -> None:
        self._program = find_program("mosquitto", "mosquitto")
        super().__init__("mosquitto", folder, port)
        self.extra_conf = extra_conf

    def _command(self) -> list[str]:
        lines = [
            f"listener {self.port} {HOST}",
            "persistence true",
            f"persistence_location {self.folder}/",
            "persistence_file mosquitto.db",
            "max_inflight_messages 0",
            "max_queued_messages 0",
            "log_type all",
            "log_timestamp_format %H:%M:%S",
        ]
        if "allow_anonymous" not in self.extra_conf:
            lines.append("allow_anonymous true")
        if os.getuid() == 0:
            lines.append("user root")  # else it drops to a user who cannot write to the folder
        conf = self.folder / "mosquitto.conf"
        conf.write_text("\n".join([*lines, self.extra_conf, ""]))
        return [self._program, "-c", str(conf)]

    def _ready(self) -> bool:
        return listening(self.port)

    def kill(self) -> None:
        """End it by SIGKILL, after it has saved its state: what it accepted before survives."""
        if self._process is not None:
            before = self._saved()
            self._process.send_signal(signal.SIGUSR1)  # mosquitto(8): save to disk now
            wait_until(lambda: self._saved() != before, _STOP_S, "mosquitto to save its state")
        super().kill()

    def _saved(self) -> tuple[int, int] | None:
        try:
            state = (self.folder / "mosquitto.db").stat()
        except FileNotFoundError:
            return None
        return state.st_ino, state.st_mtime_ns


class Amqtt(_Process):
    """An MQTT broker that speaks 3.1.1 only, from the test dependency of that name; keeps nothing on disk."""

    def __init__(self, folder: Path, port: int | None = None) -> None:
        super().__init__("amqtt", folder, port)

    def _command(self) -> list[str]:
        conf = self.folder / "amqtt.yaml"
        conf.write_text(
            f"listeners:\n  default:\n    type: tcp\n    bind: {HOST}:{self.port}\n"
            "plugins:\n  amqtt.plugins.authentication.AnonymousAuthPlugin:\n    allow_anonymous: true\n"
        )
        return [sys.executable, "-m", "amqtt.scripts.broker_script", "-c", str(conf)]

    def _ready(self) -> bool:
        return listening(self.port)


class VictoriaMetrics(_Process):
    """A time-series store with InfluxDB's write endpoint; keeps points of any age."""

    def __init__(self, folder: Path, port: int | None = None) -> None:
        self._program = find_program("victoria-metrics", "victoria-metrics")
        super().__init__("victoria-metrics", folder, port)

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.port}"

    def _command(self) -> list[str]:
        return [
            self._program,
            f"-storageDataPath={self.folder / 'data'}",
            f"-httpListenAddr={HOST}:{self.port}",
            "-retentionPeriod=100y",
            "-search.latencyOffset=0s",
            "-memory.allowedBytes=128MB",
        ]

    def _ready(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.url}/health", timeout=2.0) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    def export(self, match: str = '{__name__!=""}') -> list[dict[str, Any]]:
        """Every series that matches, each {"metric": labels, "values": [...], "timestamps": [ms, ...]}."""
        with urllib.request.urlopen(f"{self.url}/internal/force_flush", timeout=30.0):
            pass
        query = urllib.parse.urlencode({"match[]": match, "start": "0"})
        with urllib.request.urlopen(f"{self.url}/api/v1/export?{query}", timeout=30.0) as answer:
            return [json.loads(line) for line in answer.read().splitlines() if line.strip()]


@dataclass(frozen=True)
class Post:
    """One request as received. ``body`` is the parsed JSON, or None where ``raw`` is no JSON.

    ``headers`` have lower-case names; ``arrived`` is ``time.monotonic()``; ``answered`` the
    behaviour it met.
    """

    path: str
    headers: dict[str, str]
    body: Any
    raw: bytes
    arrived: float
    method: str = "POST"
    answered: str = "ok"


class Receiver:
    """A threaded HTTP server that records every POST and GET and answers by ``behaviour``.

    ``behaviour`` may be changed at any time: "ok" (200), "slow" (200 after ``slow_s`` seconds), "hang"
    (holds the connection for ``hang_s`` seconds, then closes it without an answer), or an HTTP status such as
    "500" or "204". Posts whose text holds
    ``refuses``, where it is not empty, are answered with 413.
    """

    def __init__(self, behaviour: str = "ok", hang_s: float = 30.0) -> None:
        self.behaviour = behaviour
        self.hang_s = hang_s
        self.slow_s = 5.0
        self.refuses = ""
        self.posts: list[Post] = []
        self._closing = threading.Event()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                raw = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                try:
                    body = json.loads(raw)
                except ValueError:
                    body = None
                headers = {name.lower(): value for name, value in self.headers.items()}
                behaviour = receiver.behaviour
                if receiver.refuses and receiver.refuses in raw.decode(errors="replace"):
                    behaviour = "413"
                receiver.posts.append(
                    Post(self.path, headers, body, raw, time.monotonic(), self.command, behaviour)
                )
                if behaviour == "hang":
                    receiver._closing.wait(receiver.hang_s)
                    self.close_connection = True
                    return
                if behaviour == "slow":
                    receiver._closing.wait(receiver.slow_s)
                self.send_response(200 if behaviour in ("ok", "slow") else int(behaviour))
                if behaviour != "204":
                    self.send_header("Content-Type", "application/json")
                    self.send_header("Content-Length", "2")
                self.end_headers()
                if behaviour != "204":
                    self.wfile.write(b"{}")

            def do_GET(self) -> None:
                self.do_POST()

            def log_message(self, format: str, *args: object) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            block_on_close = False

            def handle_error(self, request: object, client_address: object) -> None:
                pass  # a client that gave up waiting is part of the tests

        self._server = Server((HOST, 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)

    @property
    def port(self) -> int:
        return int(self._server.server_address[1])

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.port}"

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Stop serving and let go of every held connection."""
        self._closing.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def wait_for(self, n: int, timeout: float = 10.0) -> list[Post]:
        """The posts so far, once there are at least ``n``."""
        wait_until(lambda: len(self.posts) >= n, timeout, f"{n} posts to {self.url}")
        return list(self.posts)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

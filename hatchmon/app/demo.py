"""The demo: the real service, on a real broker, for an invented hatchery on a fast clock.

Here is what surrounds it; ``demo_show``, which is slow to load, is loaded once the heading is on the screen.
"""

from __future__ import annotations

import importlib.util
import json
import os
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from queue import SimpleQueue
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.text import Text

from hatchmon.app.demo_hatchery import PLANS, Plan
from hatchmon.hatchery.wording import duration

HOST = "127.0.0.1"
NO_BROKER = (
    "The demo needs an MQTT broker and finds none. Either: pip install 'hatchmon[demo]', which brings one "
    "as a Python package; or: sudo apt install mosquitto"
)
BROKER_WITHIN_S = 20.0

Events = SimpleQueue[object]
"""What the threads around have for the one that writes on the screen."""


class DemoError(Exception):
    """The demo cannot run; the message says why and how to mend it."""


@dataclass(frozen=True, slots=True)
class Pushed:
    """A message to the keeper has come to the receiver."""

    title: str
    body: str


class _Stopped(Exception):
    """The keeper has seen enough before it began."""


def run_demo(speed: float, for_s: float | None = None, web: bool = True) -> None:
    """Show the demo on a clock ``speed`` times as fast, for ``for_s`` real seconds or until a signal;
    ``web``: with its page.

    Leaves nothing behind. To be called in the main thread. Raises DemoError.
    """
    console = Console(highlight=False, markup=False, soft_wrap=True)
    events: Events = SimpleQueue()
    with _told_to_stop(events) as told, TemporaryDirectory(prefix="hatchmon-demo-") as folder:
        config = Path(folder) / "hatchmon.toml"
        console.print(heading(config, speed))
        try:
            with _broker(Path(folder), told) as port, _receiver(events) as push_port:
                from hatchmon.app.demo_show import Show

                Show(console, events, told, config, speed, port, push_port, free_port() if web else None).run(
                    for_s
                )
        except _Stopped:
            console.print("Stopped before it began.")


def heading(config: Path, speed: float) -> Text:
    """What is about to be seen, what of it is real, and how to take part."""
    text = Text("hatchmon demo\n", style="bold")
    text.append(
        "This hatchery is invented: its cones, lots, water and faults. Real are the MQTT broker, the\n"
        "daemon, its record and its messages; they go to a receiver in this program, not to a phone.\n"
        f"Its clock runs {speed:g} times as fast, {_span(speed)} a second. "
        "Ctrl-C ends it and removes it all.\n\n",
        style="not bold",
    )
    for plan in PLANS:
        text.append(f"  {plan.cone:<8}")
        text.append(f"{plan.grams:g} g of lot {plan.lot}, {_kept(plan)}\n", style="not bold")
    text.append("\nTake part, in another terminal:\n", style="not bold")
    command, named = _own_command(), f"--config {shlex.quote(str(config))}"
    first = PLANS[0]
    again = f"begin {first.cone} --lot {first.lot} --grams {first.grams:g}"
    for what in ("now", f"look {first.cone} most", f"harvest {first.cone}", again):
        text.append(f"  {command} {what} {named}\n", style="not bold")
    return text


def _span(seconds: float) -> str:
    return f"{seconds:g} s" if seconds < 60 else duration(seconds / 3600)


def _kept(plan: Plan) -> str:
    kept = "not heated" if plan.set_point_c is None else f"heated to {plan.set_point_c:g} °C"
    if plan.ready_in_h < 1:
        kept += "; about to be ready"
    if plan.heater_out_h:
        kept += "; its heater will fail"
    return kept + ("; its probe will fall silent for a while" if plan.silent_h else "")


def _own_command() -> str:
    """How to call hatchmon from another terminal."""
    own, found = Path(sys.argv[0]), shutil.which("hatchmon")
    if own.name != "hatchmon" or (found and own.exists() and own.samefile(found)):
        return "hatchmon"
    return shlex.quote(str(own.absolute()))


# --- what is around the service ---


@contextmanager
def _told_to_stop(events: Events) -> Iterator[threading.Event]:
    """Set by the signals that ask a program to end; they interrupt nothing, not even the clearing up."""
    told = threading.Event()

    def note(*_: object) -> None:
        told.set()
        events.put(None)  # wakes the reader; unlike Queue, SimpleQueue allows it in a signal handler

    before = {
        number: signal.signal(number, note) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    }
    try:
        yield told
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def find_mosquitto() -> str | None:
    """Path of the broker, also where a user's PATH does not look for servers."""
    path = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin", "/usr/local/sbin"))
    return shutil.which("mosquitto", path=path)


def has_amqtt() -> bool:
    """Whether the broker that comes as a Python package is installed."""
    return importlib.util.find_spec("amqtt") is not None


@contextmanager
def _broker(folder: Path, told: threading.Event) -> Iterator[int]:
    """A broker in a process of its own, on a free port of loopback: Mosquitto, else amqtt."""
    commands: list[Callable[[int], list[str]]] = []
    if (mosquitto := find_mosquitto()) is not None:
        commands.append(partial(_mosquitto, mosquitto, folder / "mosquitto.conf"))
    if has_amqtt():
        commands.append(lambda port: [sys.executable, "-m", "hatchmon.app.demo_broker", str(port)])
    if not commands:
        raise DemoError(NO_BROKER)
    log = folder / "broker.log"
    with ExitStack() as stack:
        for command in (command for command in commands for _ in range(2)):  # a port may be snatched away
            port = free_port()
            with log.open("ab") as out:
                # A session of its own, so that Ctrl-C does not end it before the service has said goodbye.
                process = subprocess.Popen(
                    command(port),
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=subprocess.STDOUT,
                    start_new_session=True,
                )
            stack.callback(_end, process)
            if _serves(process, port, told):
                yield port
                return
        raise DemoError(f"The MQTT broker does not start:\n{_tail(log)}")


def _mosquitto(program: str, conf: Path, port: int) -> list[str]:
    conf.write_text(f"listener {port} {HOST}\nallow_anonymous true\npersistence false\n")
    return [program, "-c", str(conf)]


def _serves(process: subprocess.Popen[bytes], port: int, told: threading.Event) -> bool:
    deadline = time.monotonic() + BROKER_WITHIN_S
    while process.poll() is None and time.monotonic() < deadline:
        try:
            socket.create_connection((HOST, port), timeout=1.0).close()
        except OSError:
            if told.wait(0.02):
                raise _Stopped from None
        else:
            return process.poll() is None
    return False


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(2.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def _tail(log: Path) -> str:
    return "\n".join(log.read_text(errors="replace").splitlines()[-5:])


@contextmanager
def _receiver(events: Events) -> Iterator[int]:
    """An HTTP server in the place of the keeper's phone; yields its port."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            raw = self.rfile.read(int(self.headers.get("Content-Length") or 0))
            try:
                letter = json.loads(raw)
                events.put(Pushed(str(letter["title"]), str(letter["message"])))
            except (ValueError, LookupError, TypeError):
                self.send_error(400)
                return
            self.send_response(200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer((HOST, 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.1,), name="receiver", daemon=True)
    thread.start()
    try:
        yield int(server.server_address[1])
    finally:
        server.shutdown()
        server.server_close()
        thread.join()

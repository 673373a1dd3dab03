"""What the daemon takes of the machine's memory: resident, as /proc tells it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from urllib.request import urlopen

from hatchmon.adapters.store import Store
from tests.bench.ground import CONES, fill
from tests.bench.lines import Aim, Line
from tests.servers import HOST, Mosquitto, Receiver, VictoriaMetrics, free_port, wait_until
from tests.system.daemon import Daemon, Ground

TARGET_MB = 75.0
PAGE_TARGET_MB = 90.0
IMPORTED = (
    "numpy",
    "paho.mqtt.client",
    "pydantic_settings",
    "hatchmon.app.daemon",
    "hatchmon.app.pages.main",
)
_ASK = """
import importlib, sys
def told():
    with open("/proc/self/status") as status:
        print(next(line.split()[1] for line in status if line.startswith("VmRSS:")))
told()
for name in sys.argv[1:]:
    importlib.import_module(name)
    told()
"""


def resident_mb(pid: int) -> float:
    """VmRSS of a process, MB of 1024 * 1024 bytes."""
    status = Path(f"/proc/{pid}/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS:")) / 1024.0


def imports_mb(names: Sequence[str] = IMPORTED) -> dict[str, float]:
    """By module, what importing it adds to an interpreter that has those before it; "python" the bare one."""
    done = subprocess.run([sys.executable, "-c", _ASK, *names], capture_output=True, text=True, check=True)
    told = [int(line) / 1024.0 for line in done.stdout.split()]
    return {
        name: after - before
        for name, before, after in zip(("python", *names), (0.0, *told), told, strict=False)
    }


def daemon_mb(folder: Path) -> float:
    """The daemon with CONES running cones, once it has forecast them all and has the broker."""
    with Mosquitto(folder / "mosquitto") as broker:
        return _serving(Ground(folder / "plain", broker.port), lambda: True)


def whole_daemon_mb(folder: Path) -> float:
    """The same with a time-series store and a push address, once it has used both."""
    with (
        Mosquitto(folder / "mosquitto") as broker,
        VictoriaMetrics(folder / "victoria-metrics") as series,
        Receiver() as phone,
    ):
        push = [f"json://{HOST}:{phone.port}"]
        ground = Ground(folder / "whole", broker.port, push=push, series=series.url)
        return _serving(ground, lambda: phone.posts and series.export())


def page_daemon_mb(folder: Path) -> float:
    """The whole of it with its page served and every entry of its menu opened; the aim is PAGE_TARGET_MB."""
    port = free_port()
    with (
        Mosquitto(folder / "mosquitto") as broker,
        VictoriaMetrics(folder / "victoria-metrics") as series,
        Receiver() as phone,
    ):
        push = [f"json://{HOST}:{phone.port}"]
        web = f"enabled = true\nport = {port}"
        ground = Ground(folder / "page", broker.port, push=push, series=series.url, web=web)

        def opened() -> bool:
            for path in ("/", "/batches", "/lots", "/record", "/journal", "/api/now", "/metrics", "/healthz"):
                with urlopen(f"http://{HOST}:{port}{path}") as answer:
                    answer.read()
            return True

        return _serving(ground, lambda: phone.posts and series.export() and opened())


def _serving(ground: Ground, at_work: Callable[[], object]) -> float:
    ground.database.parent.mkdir(parents=True)
    with Store(ground.database) as store:
        fill(store, datetime.now(UTC))
    with Daemon(ground) as daemon:
        hatching = f"{CONES} of {CONES} cones hatching"
        wait_until(
            lambda: hatching in daemon.status and daemon.connected() and at_work(),
            60.0,
            "the daemon to be at work",
        )
        wait_until(lambda: ground.count("forecasts") >= CONES, 20.0, "every cone to be forecast")
        assert daemon.process is not None
        return resident_mb(daemon.process.pid)


def lines(folder: Path, brief: bool) -> Iterator[Line]:
    """The daemon beside an interpreter that has paho; then what each of its imports adds."""
    bare = sum(imports_mb(("paho.mqtt.client",)).values())

    def line(name: str, mb: float, aim: Aim | None = None) -> Line:
        return Line(name, mb, "MB", mb / bare, "of Python with paho", aim)

    kinds = (
        (f"daemon, {CONES} cones", daemon_mb, TARGET_MB),
        ("the same, series store and push in use", whole_daemon_mb, TARGET_MB),
        ("the same, its page in use, too", page_daemon_mb, PAGE_TARGET_MB),
    )
    for name, of, most in kinds[:1] if brief else kinds:
        own = folder / of.__name__
        own.mkdir()
        yield line(name, of(own), Aim(most))
    for number, (name, mb) in enumerate(imports_mb().items()):
        yield line(f"then import {name}" if number else "a bare interpreter", mb)

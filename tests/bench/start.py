"""How long a start takes, beside one that imports four libraries of this kind and does nothing."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from hatchmon.adapters.store import Store
from tests.bench.ground import CONES, fill
from tests.bench.lines import Aim, Line
from tests.servers import Mosquitto, free_port
from tests.system.daemon import Daemon, Ground

IMPORTS = "import paho.mqtt.client, influxdb_client, pydantic_settings, apscheduler"
YARDSTICK = "of importing paho, influxdb_client, pydantic_settings, apscheduler"
TARGET = 2.5


def imports_s() -> float:
    """What the yardstick takes."""
    begun = time.perf_counter()
    subprocess.run([sys.executable, "-c", IMPORTS], check=True)
    return time.perf_counter() - begun


def lines(folder: Path, brief: bool) -> Iterator[Line]:
    """The daemon with CONES running cones, with its page and without."""
    took: dict[str, list[float]] = {"imports": [], "with its page": [], "without": []}
    with Mosquitto(folder / "mosquitto") as broker:
        grounds = {
            "with its page": Ground(
                folder / "page", broker.port, web=f"enabled = true\nport = {free_port()}"
            ),
            "without": Ground(folder / "plain", broker.port),
        }
        for ground in grounds.values():
            ground.database.parent.mkdir(parents=True)
            with Store(ground.database) as store:
                fill(store, datetime.now(UTC))
        for round_ in range(2 if brief else 10):
            found = {"imports": imports_s()}
            for name, ground in grounds.items():
                with Daemon(ground) as daemon:
                    found[name] = daemon.ready_s
            if round_:
                for name, seconds in found.items():
                    took[name].append(seconds)
    unit_s = statistics.median(took.pop("imports"))
    for name, times in took.items():
        seconds = statistics.median(times)
        yield Line(
            f"start to READY, {CONES} cones, {name}",
            seconds,
            "s",
            seconds / unit_s,
            YARDSTICK,
            Aim(TARGET, ratio=True),
        )

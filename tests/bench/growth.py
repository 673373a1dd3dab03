"""What the work costs as the hatchery grows, and what the daemon takes of the processor when all is calm.

Processor time a reading: the real daemon, as the kernel counts it, while readings pour in right after a round
of forecasts. The round itself: an engine in this process, so that it can be told when it begins and ends.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.request import urlopen

from hatchmon.adapters.clock import SystemClock
from hatchmon.adapters.memory import settle
from hatchmon.adapters.mqtt import Incoming, LinkUp
from hatchmon.adapters.store import Store
from hatchmon.app.engine import Engine
from hatchmon.app.settings import load_settings
from hatchmon.app.snapshot import Showcase
from tests.bench.ground import hatching
from tests.bench.ingest import CONES, MESSAGES, Publisher, cones, cpu_s, daemon, publication, readings
from tests.bench.lines import Aim, Line
from tests.engines import Around, Probes
from tests.servers import HOST, Mosquitto, free_port, wait_until
from tests.system.daemon import Daemon, Ground

COUNTS = (1, 10, 100, 1000)
FLAT = Aim(most=1.2, ratio=True)  # processor time a reading beside that of one cone
ROUND = Aim(most=5.0)
PACE_S = 0.01  # between two readings during the round: a thousand probes every ten seconds
IDLE = Aim(most=1.0)
QUANTITIES = (("temperature", 26.0), ("salinity", 28.0), ("light", 2000.0))
EVERY_S = 10.0


@dataclass(frozen=True, slots=True)
class Round:
    """One round of forecasts over ``cones`` while readings keep coming: ``wall_s`` from its beginning to its
    alerts, and how long a reading then waited until it was stored and acknowledged."""

    cones: int
    wall_s: float
    readings: int
    waited_ms: float
    waited_longest_ms: float


def cost_s(folder: Path, count: int, rounds: int, messages: int) -> float:
    """Processor time a reading with so many cones; the first round is not counted."""
    names = cones(count)
    with daemon(folder, names) as (subscriber, ground):
        wait_until(lambda: ground.count("forecasts") >= count, 120.0, "every batch to be forecast")
        spent = [subscriber.take(readings(names, messages, n), messages)[1] for n in range(rounds + 1)]
    return statistics.median(spent[1:]) / messages


class _Acknowledging(Around):
    """Notes how long each message has waited."""

    def __init__(self) -> None:
        super().__init__()
        self.waited_s: list[float] = []

    def acknowledge(self, message: Incoming) -> None:
        self.waited_s.append(SystemClock().monotonic() - message.received_mono)


def a_round(folder: Path, count: int) -> Round:
    """The first round after a start, when every forecast is issued: none costs more."""
    settle()  # as the daemon does
    folder.mkdir()
    config, database = folder / "hatchmon.toml", folder / "hatchmon.db"
    config.write_text(
        f'time_zone = "UTC"\n[store]\npath = "{database}"\ngather_s = 0\n[clock]\nwait_min = 0\n'
    )
    names, clock, around = cones(count), SystemClock(), _Acknowledging()
    with Store(database) as store:
        hatching(store, names, clock.now())
        engine = Engine(load_settings(config), store, clock, around, Showcase())
        engine.take(LinkUp(1, False, "5"))
        probes = Probes(engine, clock)
        begun = time.perf_counter()
        engine.turn()
        while engine._round:
            while probes.sent * PACE_S < time.perf_counter() - begun:
                probes.send(names[probes.sent % count], 26.0 + 0.001 * (probes.sent // count % 97))
            engine.turn()
        wall_s = time.perf_counter() - begun
        engine.close()
    waited = around.waited_s
    return Round(count, wall_s, len(waited), 1e3 * statistics.median(waited), 1e3 * max(waited))


def idle_share(folder: Path, seconds: float) -> float:
    """Share of a core that the daemon takes with its page served, CONES cones and three quantities each
    every ten seconds."""
    with Mosquitto(folder / "mosquitto") as broker:
        port = free_port()
        web = f"enabled = true\nport = {port}"
        ground = Ground(folder / "hatchmon", broker.port, web=web, gather_s=28.0)
        ground.database.parent.mkdir(parents=True)
        names = cones(CONES)
        with Store(ground.database) as store:
            hatching(store, names, datetime.now(UTC))
        with Daemon(ground) as running:
            wait_until(running.connected, 60.0, "the broker")
            wait_until(lambda: ground.count("forecasts") >= CONES, 60.0, "every batch to be forecast")
            urlopen(f"http://{HOST}:{port}/", timeout=60.0).close()  # made after the start, and then for good
            assert running.process is not None
            publisher = Publisher(broker.port)
            probes = [(name, quantity, level) for name in names for quantity, level in QUANTITIES]
            begun, before = time.monotonic(), cpu_s(running.process.pid)
            sent = 0
            while (passed_s := time.monotonic() - begun) < seconds:
                due = int(passed_s * len(probes) / EVERY_S) + 1
                for number in range(sent, due):
                    name, quantity, level = probes[number % len(probes)]
                    value = f"{level * (1.0 + 1e-4 * (number // len(probes) % 7)):.3f}"
                    publisher.send(publication(f"hatchery/{name}/{quantity}", value, 1), 1)
                sent = due
                time.sleep(0.02)
            return (cpu_s(running.process.pid) - before) / passed_s


def lines(folder: Path, brief: bool) -> Iterator[Line]:
    """All of it."""
    counts, rounds, messages = ((20, 40), 1, 300) if brief else (COUNTS, 4, MESSAGES)
    fewest_s = 0.0
    for count in counts:
        spent_s = cost_s(folder / f"{count}", count, rounds, messages)
        fewest_s = fewest_s or spent_s
        name = f"processor time a reading, {count:,} cones"
        yield Line(name, 1e6 * spent_s, "us", spent_s / max(fewest_s, 1e-9), f"that with {counts[0]}", FLAT)
    few, many = (a_round(folder / f"round-{count}", count) for count in counts[-2:])
    name, ratio = f"round of forecasts, {many.cones:,} cones", many.wall_s / few.wall_s
    yield Line(name, many.wall_s, "s", ratio, f"{few.cones} cones", ROUND)
    longest = many.waited_longest_ms
    yield Line("longest wait for a commit in it", longest, "ms", longest / many.waited_ms, "the median wait")
    share = idle_share(folder / "idle", 2.0 if brief else 120.0)
    yield Line(f"calm, {CONES} cones, 3 quantities every 10 s", 100.0 * share, "%", share, "a core", IDLE)

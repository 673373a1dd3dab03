"""How soon each screen begins to come, and how large the first one is, with a year of data behind them.

The year: 6 cones with 3 quantities each, every 10 s for the last three days and every ten minutes before
that; 400 batches with their looks, forecasts, alerts and requests. ``python -m tests.bench year`` visits the
same screens with readings as many as the daemon keeps.
"""

from __future__ import annotations

import re
import statistics
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import numpy as np

from hatchmon.adapters.store import Store, Stream, to_us
from hatchmon.app.beliefs import work_out_evidence
from hatchmon.hatchery.types import Band, Batch, Forecast, Look, Quantity
from tests.bench.memory import PAGE_TARGET_MB, resident_mb
from tests.keeping import keep_supply
from tests.servers import HOST, Mosquitto, free_port, wait_until
from tests.system.daemon import Client, Daemon, Ground
from tests.system.test_kill import in_spool_alone

TARGET_MS = 50.0
TARGET_BYTES = 60_000
CONES = 6
BATCHES = 400
LOTS = 12
FORECASTS = 20  # a batch
PLANNED = 14  # starts
FAR_APART = 37  # batches, so that every lot is among those visited first
VISITS = 15
DAYS, FINE_DAYS = 365, 3
QUANTITIES = (
    (Quantity.TEMPERATURE, "C", 26.0),
    (Quantity.SALINITY, "g/L", 28.0),
    (Quantity.LIGHT, "lux", 2000.0),
)


@dataclass(frozen=True, slots=True)
class Screen:
    """One screen: ms to the first byte (median, and the first visit), and its bytes."""

    path: str
    ms: float
    first_ms: float
    size: int


@dataclass(frozen=True, slots=True)
class Told:
    """All screens; ms of first visits to batches and lots far apart (median); the first screen with its style
    and script; the daemon's memory after all of them; ms of the style sheet, to compare with."""

    screens: list[Screen]
    firsts: dict[str, float]
    first_bytes: int
    resident_mb: float
    style_ms: float


def streams(store: Store, now: datetime) -> list[tuple[Stream, float]]:
    """Each stream of the cones, with its level."""
    names = [f"cone-{number + 1}" for number in range(CONES)]
    return [
        (store.add_stream(name, quantity, unit, f"hatchery/{name}/{quantity}", now), level)
        for name in names
        for quantity, unit, level in QUANTITIES
    ]


def coarse_readings(store: Store, now: datetime) -> None:
    """Quickly written: few readings before the last days."""
    rng = np.random.default_rng(4)
    fine = np.arange(0.0, FINE_DAYS * 86_400.0, 10.0)
    coarse = np.arange(FINE_DAYS * 86_400.0, DAYS * 86_400.0, 600.0)
    ages_s = np.concatenate((fine, coarse))[::-1]
    times = (to_us(now) - (ages_s * 1e6).astype(np.int64)).tolist()
    with store.atomic():
        for stream, level in streams(store, now):
            values = np.round(level * (1.0 + 0.003 * rng.standard_normal(len(times))), 3).tolist()
            store._db.executemany(
                """INSERT INTO readings (stream_id, time_us, raw, verdict, dated_by)
                   VALUES (?, ?, ?, 'good', 'receipt')""",
                ((stream.stream_id, us, value) for us, value in zip(times, values, strict=True)),
            )
    store.file_readings(0)


def notes(store: Store, now: datetime, days: int = DAYS, batches: int = BATCHES) -> None:
    """``batches`` over so many days, with all that was noted, asked, said and planned."""
    rng = np.random.default_rng(3)
    with store.atomic():
        apart_h = (days - 2) * 24.0 * CONES / batches
        for number in range(batches):
            left = (batches - 1 - number) // CONES
            started = now - timedelta(hours=4.0 + 3.0 * (number % CONES) + left * apart_h)
            cone, lot = f"cone-{number % CONES + 1}", f"lot-{number * LOTS // batches + 1}"
            _batch(store, cone, lot, started, left == 0, rng)
    with store.atomic():
        for batch in store.batches("outcome = 'harvested'"):
            work_out_evidence(store, batch)
        lot = store.batches()[-1].lot
        keep_supply(store, now, store.cones(), lot, PLANNED)


def _batch(
    store: Store, cone: str, lot: str, started: datetime, running: bool, rng: np.random.Generator
) -> None:
    batch = store.add_batch(Batch(0, cone, lot, started, 2.0, litres=1.5, set_point_c=26.0), "receipt")
    asked = {"do": "begin", "cone": cone, "lot": lot, "grams": 2}
    store.answer(store.ask(asked, "page", started), True, {"text": f"{cone}: begun.", "cone": cone}, started)
    middle = 24.0 + rng.normal(0, 2)
    for step in range(FORECASTS if not running else 4):
        wide = 8.0 * (1.0 - step / (FORECASTS + 4))

        def band(hours: float, wide: float = wide) -> Band:
            return Band(hours - wide / 2, hours, hours + wide / 2)

        share = step / FORECASTS
        store.add_forecast(
            batch.batch_id,
            Forecast(
                batch.time_at(step * 1.2), 1.0 + step, share, band(middle - 6), band(middle - 3),
                band(middle), band(middle), band(middle + 1), band(middle + 3), None, 0.1, "good", (),
                None, "in control", usable_h=middle + 10,
            ),
        )  # fmt: skip
    if running:
        return
    for hours, seen in ((14.0, "few"), (18.0, "some"), (21.0, "most"), (26.0, "complete")):
        store.add_look(Look(batch.batch_id, batch.time_at(hours), seen), "receipt")
        made = batch.time_at(hours)
        number = store.ask({"do": "look", "cone": cone, "seen": seen}, "page", made)
        store.answer(number, True, {"text": f"{cone}: noted '{seen}'.", "cone": cone}, made)
    store.end_batch(batch.batch_id, batch.time_at(27.0), "harvested")
    for kind, hours in (("ready-soon", 22.0), ("ready", 23.0), ("closing", 25.0)):
        store._db.execute(
            """INSERT INTO alerts (kind, scope, cone, urgency, title, body, raised_us)
               VALUES (?, ?, ?, 'soon', ?, 'b', ?)""",
            (kind, f"batch {batch.batch_id}", cone, f"{cone}: {kind}", to_us(batch.time_at(hours))),
        )


def heard(broker: int, store: Path) -> None:
    """Have a reading of each stream come in: what they wait in is read with the database."""
    with Client(broker) as client:
        for number in range(CONES):
            for quantity, _, level in QUANTITIES:
                client.send(f"hatchery/cone-{number + 1}/{quantity}", f"{level}")
    wait_until(lambda: in_spool_alone(store), 30.0, "readings in the spool")


def visited(daemon: Daemon, store: Path, port: int, visits: int = VISITS) -> Told:
    """Visit every screen that ``daemon`` serves of the database ``store``."""
    with Store(store, read_only=True) as record:
        number, *rest = [each.batch_id for each in record.batches("outcome = 'harvested'")[::-1]]
        lot, *old = dict.fromkeys(each.lot for each in record.batches()[::-1])
    with httpx.Client(base_url=f"http://{HOST}:{port}", timeout=60.0) as client:
        paths = ["/", "/cone/cone-1", f"/batches/{number}", f"/lots/{lot}", "/note/cone-1", "/journal"]
        front = client.get("/").text
        menu = re.search(r"(?s)<nav.*?</nav>", front)
        assert menu
        paths += [path for path in re.findall(r'href="([^"]+)"', menu[0]) if path not in paths]
        paths += ["/api/now", "/api/journal", "/api/batches", "/healthz", "/metrics"]
        files = re.findall(r'<(?:link rel="stylesheet" href|script src)="([^"]+)"', front)
        style_ms = _visited(client, files[0], visits).ms
        screens = [_visited(client, path, visits) for path in paths]
        far = {
            "a batch": [f"/batches/{each}" for each in rest[::FAR_APART]],
            "a lot": [f"/lots/{each}" for each in old],
        }
        firsts = {
            kind: statistics.median(_took(client, path)[0] for path in those) for kind, those in far.items()
        }
        size = sum(len(client.get(path).content) for path in ("/", *files))
        assert daemon.process is not None
        return Told(screens, firsts, size, resident_mb(daemon.process.pid), style_ms)


def measured(folder: Path, visits: int = VISITS) -> Told:
    """Serve the year, its readings quickly written, and visit every screen."""
    port = free_port()
    with Mosquitto(folder / "mosquitto") as broker:
        ground = Ground(folder / "year", broker.port, web=f"enabled = true\nport = {port}")
        ground.database.parent.mkdir(parents=True)
        now = datetime.now(UTC)
        with Store(ground.database) as store:
            coarse_readings(store, now)
            notes(store, now)
        with Daemon(ground) as daemon:
            wait_until(daemon.connected, 30.0, "the broker")
            heard(broker.port, ground.database)
            return visited(daemon, ground.database, port, visits)


def _visited(client: httpx.Client, path: str, visits: int) -> Screen:
    told = [_took(client, path) for _ in range(visits)]
    took = [ms for ms, _ in told]
    return Screen(path, statistics.median(took), took[0], told[-1][1])


def _took(client: httpx.Client, path: str) -> tuple[float, int]:
    """ms to the first byte, and the bytes."""
    time.sleep(0.06)  # no flood
    begun = time.perf_counter()
    with client.stream("GET", path) as answer:
        took = 1000.0 * (time.perf_counter() - begun)
        answer.raise_for_status()
        return took, len(answer.read())


def main() -> None:
    """Print it."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        told = measured(Path(folder))
    for screen in told.screens:
        print(f"{screen.path:24} {screen.ms:7.1f} ms  first {screen.first_ms:7.1f} ms  {screen.size:8} bytes")
    for kind, ms in told.firsts.items():
        print(f"{kind + ', first visit':24} {ms:7.1f} ms")
    print(f"aim {TARGET_MS:g} ms; first screen {told.first_bytes} bytes, aim {TARGET_BYTES}")
    print(f"daemon {told.resident_mb:.1f} MB, aim {PAGE_TARGET_MB:g}")


if __name__ == "__main__":
    main()

"""One whole batch on a fast clock, from ``hatchmon begin`` to ``hatchmon harvest``, through real servers."""

from __future__ import annotations

import json
import math
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.servers import Mosquitto, Receiver, VictoriaMetrics, wait_until
from tests.system.daemon import (
    AVAILABILITY,
    Client,
    Daemon,
    Fast,
    Ground,
    from_us,
    in_place,
    repeating,
    to_us,
)

SPEED = 3000.0
TEMPERATURE = '{__name__="temperature_value"}'
PROBES = """
[[probes]]
cone = "left"
quantity = "temperature"
topic = "shed/1/water"
value_pointer = "/water/temp"
time_pointer = "/at"

[[probes]]
cone = "right"
quantity = "temperature"
topic = "shed/2/water"
unit = "F"
value_pointer = "/water/temp"
time_pointer = "/at"

# At this speed a busy machine is silent for long, and every stage must last longer than it may dawdle.
[alerts]
silent_min = 1200
ready_soon_min = 150
closing_min = 90
"""


class Water:
    """Two probes with clocks of their own; the left cone warms from 21.5 to 24 C in the first hours."""

    def __init__(self, client: Client, fast: Fast) -> None:
        self.sent: dict[tuple[str, int], float] = {}
        """Value sent, by cone and microsecond."""
        self._client = client
        self._fast = fast
        self._random = random.Random(7)
        self._last = fast.shown

    def step(self) -> None:
        # Whole milliseconds, since that is what the time-series store keeps.
        now = self._fast.now()
        now = max(
            now - timedelta(microseconds=now.microsecond % 1000), self._last + timedelta(milliseconds=1)
        )
        self._last = now
        hours = (now - self._fast.shown) / timedelta(hours=1)
        noise = self._random.gauss(0.0, 0.05)
        temp_c = 24.0 - 2.5 * math.exp(-hours / 4.0) + noise
        for cone, topic, value in (
            ("left", "shed/1/water", round(temp_c, 3)),
            ("right", "shed/2/water", round(68.0 + noise, 3)),
        ):
            body = {"at": now.isoformat(), "water": {"temp": value}}
            self._client.publish(topic, json.dumps(body))
            self.sent[(cone, to_us(now))] = value


def test_a_batch_from_begin_to_harvest(
    tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver, victoria_metrics: VictoriaMetrics
) -> None:
    fast = Fast(SPEED, datetime.now(UTC), datetime(2026, 3, 1, 18, tzinfo=UTC))
    push = f"json://127.0.0.1:{receiver.port}/phone"
    ground = Ground(
        tmp_path / "hatchmon",
        mosquitto.port,
        push=[push],
        series=victoria_metrics.url,
        tables=PROBES,
        fast=fast,
    )
    state = "hatchmon/test/left/state"
    with Client(mosquitto.port, "hatchmon/#") as client, Daemon(ground) as daemon:
        assert in_place(mosquitto.port, AVAILABILITY) == b"online"
        water = Water(client, fast)
        with repeating(water.step, 120.0 / SPEED):
            wait_until(lambda: client.latest(state) is not None, 20.0, "the cone's first state")
            begun = ground.data("begin", "left", "--lot", "tin 7", "--grams", "4", "--set-point", "24")
            assert begun["cone"] == "left"
            wait_until(lambda: json.loads(client.latest(state) or b"{}")["forecast"], 10.0, "a forecast")
            first = json.loads(client.latest(state) or b"{}")
            assert first["version"] == 1
            assert first["batch"]["lot"] == "tin 7"

            receiver.wait_for(1, 60.0)
            looked = ground.done("look", "left", "nearly", "all")
            assert "nearly all" in looked
            receiver.wait_for(4, 60.0)
            last = json.loads(client.latest(state) or b"{}")
            harvested = ground.done("harvest", "left")
            assert "harvested" in harvested
            wait_until(
                lambda: json.loads(client.latest(state) or b"{}")["batch"] is None,
                10.0,
                "the cone to be empty",
            )
        # The forecast has moved with the log, to what it was not at first.
        moved = (
            last["forecast"]["window"]["opens"]["p50"]["h"] - first["forecast"]["window"]["opens"]["p50"]["h"]
        )
        assert abs(moved) > 0.1
        assert last["forecast"]["hatched"] > first["forecast"]["hatched"] + 0.5

        everything = len(water.sent)
        wait_until(lambda: ground.count("readings") >= everything, 20.0, "every reading in the database")
        wait_until(
            lambda: sum(len(each["values"]) for each in victoria_metrics.export(TEMPERATURE)) >= everything,
            20.0,
            "every reading in the time-series store",
        )
        assert "jumped" not in daemon.log()

        code, seconds = daemon.stop()
        assert code == 0, daemon.log()
        assert seconds < 5.0
        assert in_place(mosquitto.port, AVAILABILITY) == b"offline"

        daemon.start()
        wait_until(lambda: client.latest(AVAILABILITY) == b"online", 10.0, "it to be online again")
        daemon.kill()
        wait_until(lambda: client.latest(AVAILABILITY) == b"offline", 10.0, "the last will")

    # In equals in the database equals in the time-series store, by time and value.
    stored = {
        (cone, us): (raw, verdict)
        for cone, us, raw, verdict in ground.rows(
            "SELECT cone, time_us, raw, verdict FROM readings JOIN streams USING (stream_id)"
        )
    }
    assert {key: raw for key, (raw, _) in stored.items()} == water.sent
    assert ground.count("readings") == everything > 1000
    assert {verdict for _, verdict in stored.values()} == {"good"}
    points: dict[tuple[str, int], float] = {}
    for series in victoria_metrics.export(TEMPERATURE):
        assert series["metric"]["site"] == "test"
        for ms, value in zip(series["timestamps"], series["values"], strict=True):
            key = (series["metric"]["cone"], ms * 1000)
            assert key not in points, f"{key} stands there twice"
            points[key] = value
    assert points.keys() == water.sent.keys()
    for (cone, us), sent in water.sent.items():
        temp_c = sent if cone == "left" else (sent - 32) / 1.8
        assert math.isclose(points[(cone, us)], temp_c, abs_tol=1e-9)

    # Each alert once, in order, and as it stands in the record.
    alerts = ground.rows("SELECT kind, title, body FROM alerts ORDER BY alert_id")
    assert [kind for kind, _, _ in alerts] == ["ready-soon", "ready", "closing", "past"]
    assert [(post.body["title"], post.body["message"]) for post in receiver.posts] == [
        (title, body) for _, title, body in alerts
    ]
    assert [post.path for post in receiver.posts] == ["/phone"] * 4
    assert ground.rows("SELECT state, attempts FROM letters") == [("sent", 1)] * 4

    batch = ground.rows("SELECT lot, outcome, started_us, ended_us FROM batches")
    assert [row[:2] for row in batch] == [("tin 7", "harvested")]
    started = from_us(batch[0][2])
    assert timedelta(hours=20) < from_us(batch[0][3]) - started < timedelta(hours=80)
    assert ground.rows("SELECT seen FROM looks") == [("nearly all",)]

    # Every forecast is kept; progress and time only ever go forward.
    forecasts = ground.rows("SELECT issued_us, body FROM forecasts ORDER BY forecast_id")
    assert len(forecasts) > 20
    issued = [us for us, _ in forecasts]
    assert issued == sorted(set(issued))
    progress = [json.loads(body)["q25_h"] for _, body in forecasts]
    assert progress == sorted(progress)
    assert progress[-1] > 20.0

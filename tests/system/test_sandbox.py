"""The real daemon inside the system call filters of its unit."""

from __future__ import annotations

from pathlib import Path

from tests.servers import Mosquitto, Receiver, VictoriaMetrics, wait_until
from tests.system.daemon import Client, Daemon, Ground
from tests.system.test_systemd import sandboxed


def test_the_daemon_does_all_its_work_inside_the_sandbox(
    tmp_path: Path, mosquitto: Mosquitto, victoria_metrics: VictoriaMetrics, receiver: Receiver
) -> None:
    """Broker, database, series store and phone, under the unit's own filters."""
    ground = Ground(
        tmp_path / "hatchmon",
        mosquitto.port,
        push=[f"json://127.0.0.1:{receiver.port}/phone"],
        series=victoria_metrics.url,
        tables="[alerts]\nwater_min = 0",
    )
    with Daemon(ground, around=sandboxed) as daemon, Client(mosquitto.port) as client:
        wait_until(daemon.connected, 15.0, "the broker")
        client.send("hatchery/left/temperature", "15.5")
        wait_until(lambda: ground.count("readings"), 15.0, "the reading")
        ground.done("begin", "left", "--lot", "tin 7", "--grams", "2")
        (post,) = receiver.wait_for(1, 20.0)
        assert post.body["title"] == "left: cold, 15.5 °C"
        wait_until(lambda: victoria_metrics.export(), 15.0, "the point")
        assert daemon.stop()[0] == 0

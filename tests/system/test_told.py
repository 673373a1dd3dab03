"""A broker that will not have us and a series store that refuses the token: the keeper hears of both."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from tests.servers import Mosquitto, Receiver, wait_until
from tests.system.daemon import Daemon, Fast, Ground

START = datetime(2026, 3, 1, 18, tzinfo=UTC)


def test_broker_and_series_store_refuse_us(tmp_path: Path, receiver: Receiver) -> None:
    broker = Mosquitto(tmp_path / "mosquitto", extra_conf="allow_anonymous false")
    broker.start()
    try:
        with Receiver("401") as series:
            ground = Ground(
                tmp_path / "hatchmon",
                broker.port,
                push=[f"json://127.0.0.1:{receiver.port}/phone"],
                series=series.url,
                fast=Fast(60.0, datetime.now(UTC), START),
            )
            with Daemon(ground) as daemon:
                wait_until(lambda: ground.count("alerts", "kind = 'broker'"), 30.0, "word of the broker")
                # The first thing that there is to forward.
                wait_until(
                    lambda: ground.count("alerts", "kind = 'series'"), 30.0, "word of the series store"
                )
                posts = receiver.wait_for(2, 10.0)
                assert daemon.running
                assert len(daemon.manager.times("READY=1")) == 1
            broker_said, series_said = (post.body["message"] for post in posts[:2])
            assert "this user may not connect (or the password is wrong or missing)" in broker_said
            assert "it does not accept the token (401)" in series_said
            assert ground.count("series_refused") == 0
    finally:
        broker.stop()

"""The messages that are no alerts: of the day, to somebody else, and the sign of life elsewhere."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from datetime import UTC, datetime
from pathlib import Path

from tests.servers import Mosquitto, Receiver, wait_until
from tests.system.daemon import Client, Daemon, Fast, Ground, repeating

START = datetime(2026, 3, 1, 18, tzinfo=UTC)
SPEED = 60.0


def said(receiver: Receiver) -> list[str]:
    return [str(post.body["title"]) for post in receiver.posts]


def test_of_the_day_and_to_somebody_else(tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver) -> None:
    """A minute in a second. Two cones are cold; the keeper answers for one of them."""
    with Receiver() as neighbour:
        ground = Ground(
            tmp_path / "hatchmon",
            mosquitto.port,
            push=[f"json://127.0.0.1:{receiver.port}/phone"],
            fast=Fast(SPEED, datetime.now(UTC), START),
            tables=(
                "[push.second]\n"
                f'to = ["json://127.0.0.1:{neighbour.port}/next-door"]\nafter_min = 12\nfor = ["soon"]\n'
                "[alerts]\nwater_min = 0\nsilent_min = 600"
            ),
        )
        ground.config.write_text(
            ground.config.read_text().replace("[push]\n", '[push]\ndaily_at = "18:40"\n')
        )
        with Daemon(ground) as daemon, Client(mosquitto.port) as client:
            wait_until(daemon.connected, 15.0, "the broker")

            def measure() -> None:
                for cone, temp_c in (("left", 15.5), ("right", 16.5)):
                    client.send(f"hatchery/{cone}/temperature", str(temp_c))

            measure()
            wait_until(lambda: ground.count("cones") == 2, 15.0, "both cones")
            for cone in ("left", "right"):
                ground.done("begin", cone, "--lot", "tin 7", "--grams", "2")
            with repeating(measure, 2.0):
                wait_until(lambda: len(receiver.posts) >= 2, 20.0, "word of both")
                ground.done("seen", "right")
                neighbour.wait_for(1, 40.0)
                (day,) = receiver.wait_for(3, 60.0)[2:3]
            assert daemon.running
        assert set(said(receiver)[:2]) == {"left: cold, 15.5 °C", "right: cold, 16.5 °C"}
        # The neighbour hears of the one that nobody has seen, and what it is about.
        assert said(neighbour) == ["left: cold, 15.5 °C"]
        told = str(neighbour.posts[0].body["message"])
        assert "Nobody has seen this since it was told at 18:" in told
        assert told.startswith(
            str(next(p.body["message"] for p in receiver.posts if "left" in p.body["title"]))
        )
        assert day.body["title"] == "Not all is well: left: cold, 15.5 °C (and 1 more)"
        lines = str(day.body["message"]).splitlines()
        assert lines[:3] == [
            "Wrong: left: cold, 15.5 °C", "Wrong: right: cold, 16.5 °C", "2 of 2 cones hatching.",
        ]  # fmt: skip
        (raised,) = ground.rows("SELECT raised_us FROM alerts WHERE kind = 'daily'")[0]
        shown = datetime.fromtimestamp(raised / 1e6, UTC)
        assert shown.strftime("%H:%M") in {"18:40", "18:41", "18:42"}


def test_silence_elsewhere_tells_that_nothing_can_be_recorded(
    tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver
) -> None:
    ground = Ground(
        tmp_path / "hatchmon",
        mosquitto.port,
        top=f'heartbeat = {{ url = "{receiver.url}/sign-of-life", every_s = 1 }}',
    )
    with Daemon(ground) as daemon:
        receiver.wait_for(2, 20.0)
        assert {(post.method, post.path) for post in receiver.posts} == {("GET", "/sign-of-life")}
        with contextlib.closing(sqlite3.connect(ground.database, isolation_level=None)) as other:
            other.execute("PRAGMA busy_timeout = 20000")
            other.execute("BEGIN IMMEDIATE")
            with Client(mosquitto.port) as client:
                client.send("hatchery/left/temperature", "25.5")
                wait_until(lambda: "database:" in daemon.status, 30.0, "it to be in trouble")
            before = len(receiver.posts)
            time.sleep(2.5)
            assert len(receiver.posts) <= before + 1  # one may have been on its way
            other.execute("ROLLBACK")
        wait_until(lambda: ground.count("readings") == 1, 30.0, "the reading")
        receiver.wait_for(before + 2, 20.0)
        assert "sign-of-life" not in daemon.log()

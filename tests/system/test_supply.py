"""The daemon plans by itself, in a process of its own, and tells what to begin next: inside the system call
filters of its unit, which the solver has to get along with."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.servers import Mosquitto, Receiver, wait_until
from tests.system.daemon import Daemon, Ground
from tests.system.test_systemd import sandboxed

TABLES = """
[cones.north]
litres = 2
set_point_c = 26
[cones.south]
litres = 1
set_point_c = 27
[supply]
hours = ["00:00-23:59"]
notice_min = 1440
days = 3
"""


def test_a_plan_is_made_issued_and_its_next_start_told(
    mosquitto: Mosquitto, receiver: Receiver, tmp_path: Path
) -> None:
    push = [f"json://127.0.0.1:{receiver.port}"]
    ground = Ground(tmp_path / "supply", mosquitto.port, push=push, tables=TABLES)
    day = (datetime.now(UTC) - timedelta(days=14)).date()
    ground.done("reading", "north", "26")
    ground.done("brood", "reeds", "--fry", "150", "--swam", day)
    ground.done("stock", "river-23", "--grams", "60")
    with Daemon(ground, around=sandboxed) as daemon:
        wait_until(lambda: ground.count("plans") == 1, 60.0, "the daemon to issue a plan")
        wait_until(lambda: ground.count("alerts", "kind = 'begin-next'") >= 1, 30.0, "a start to be told")
        title, body = ground.rows("SELECT title, body FROM alerts WHERE kind = 'begin-next'")[0]
        assert ": begin " in title
        assert "hatchmon supply --sheet" in body
        wait_until(lambda: any(": begin " in str(post) for post in receiver.posts), 30.0, "the phone to ring")
        assert daemon.running
        assert "no plan" not in daemon.log()
        # The planner's memory is its own: the solver is never loaded by the daemon.
        assert daemon.process is not None
        maps = Path(f"/proc/{daemon.process.pid}/maps").read_text()
        assert "numpy" in maps
        assert "highspy" not in maps


def test_why_no_plan_can_be_made_stands_in_the_log(mosquitto: Mosquitto, tmp_path: Path) -> None:
    tables = "[cones.shelf]\nlitres = 1"
    ground = Ground(tmp_path / "supply", mosquitto.port, tables=tables)
    day = (datetime.now(UTC) - timedelta(days=14)).date()
    ground.done("reading", "north", "26")
    ground.done("brood", "reeds", "--fry", "150", "--swam", day)
    ground.done("stock", "river-23", "--grams", "60")
    with Daemon(ground) as daemon:
        said = "nothing is known of its water. Give it a set_point_c in [cones.shelf]"
        wait_until(lambda: said in daemon.log(), 60.0, "the daemon to say why")
        assert ground.count("plans") == 0

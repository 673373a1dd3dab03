"""What the daemon loads, and that a plain ``run`` is taken as the command line takes it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.servers import free_port
from tests.system.daemon import Ground

# Each takes memory for months, and time at every start: for commands, planning or pushing alone.
NOT_LOADED = (
    "typer",
    "rich",
    "apprise",
    "icalendar",
    "segno",
    "plotly",
    "highspy",
    "hatchmon.hatchery.supply.plan",
)


def test_the_daemon_and_its_page_do_without_what_they_do_not_use() -> None:
    program = (
        "import sys, hatchmon.app.main, hatchmon.app.daemon; page = 'starlette' in sys.modules; "
        f"import hatchmon.app.pages.main; print(page, [m for m in {NOT_LOADED} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False []"


@pytest.mark.parametrize("more", [(), ("--verbose",)], ids=["plain", "by the command line"])
def test_a_run_that_cannot_start_says_why(tmp_path: Path, more: tuple[str, ...]) -> None:
    ground = Ground(tmp_path, free_port())
    settings = ground.config.read_text()
    ground.config.write_text(settings + "\n[nonsense]\n")
    ended = ground.cli("run", *more)
    assert ended.returncode == 2
    assert "nonsense" in ended.stderr
    assert "Traceback" not in ended.stderr
    ground.config.write_text(settings)
    ground.database.parent.mkdir()
    ground.database.write_text("no database at all, but long enough to be looked at as one")
    ended = ground.cli("run", *more)
    assert ended.returncode == 1
    assert str(ground.database) in ended.stderr
    assert "Traceback" not in ended.stderr

"""Fixtures around the real servers of ``servers.py``: each test has its own, empty."""

from __future__ import annotations

import subprocess
import sys
import sysconfig
from collections.abc import Iterator
from pathlib import Path

import pytest

import hatchmon
from tests.servers import Mosquitto, Receiver, VictoriaMetrics


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="inject every fault as often as DEVELOPERS.md tells")
    parser.addoption(
        "--wheel", type=Path, metavar="FILE", help="the wheel that is installed: what is to be tested"
    )


def pytest_sessionstart(session: pytest.Session) -> None:
    """With --wheel, that neither we nor the programs we start take hatchmon from the checkout."""
    if session.config.getoption("--wheel") is None:
        return
    command = [sys.executable, "-c", "import hatchmon; print(hatchmon.__file__)"]
    started = subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
    for place in (hatchmon.__file__, started):
        if not Path(place).is_relative_to(sysconfig.get_path("purelib")):
            pytest.exit(f"{place} would be tested in place of the wheel; use tests/run", returncode=4)


@pytest.fixture
def long(request: pytest.FixtureRequest) -> bool:
    """Whether there is time to do it hundreds of times."""
    return bool(request.config.getoption("--long"))


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running MQTT broker; stop, kill and start it at will."""
    try:
        broker = Mosquitto(tmp_path / "mosquitto")
    except FileNotFoundError as missing:
        pytest.fail(str(missing))
    with broker:
        yield broker


@pytest.fixture
def victoria_metrics(tmp_path: Path) -> Iterator[VictoriaMetrics]:
    """A running time-series store; stop, kill and start it at will."""
    try:
        store = VictoriaMetrics(tmp_path / "victoria-metrics")
    except FileNotFoundError as missing:
        pytest.fail(str(missing))
    with store:
        yield store


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """A running receiver of HTTP posts."""
    with Receiver() as server:
        yield server

"""Fixtures around the real servers of ``servers.py``: each test has its own, empty."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.servers import Mosquitto, Receiver, VictoriaMetrics


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="inject every fault as often as DEVELOPERS.md tells")


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

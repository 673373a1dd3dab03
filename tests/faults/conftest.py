"""How often each fault is injected, and the table of what came of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.rig import Rig
from tests.faults.tally import Tally
from tests.servers import Mosquitto, Receiver

_TALLY = pytest.StashKey[Tally]()


def pytest_configure(config: pytest.Config) -> None:
    config.stash[_TALLY] = Tally()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--long"):
        for item in items:
            item.add_marker(pytest.mark.timeout(3 * 3600))


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, exitstatus: int, config: pytest.Config
) -> None:
    tally = config.stash[_TALLY]
    if tally.lines:
        terminalreporter.section("faults injected")
        terminalreporter.write_line(tally.table())


@pytest.fixture
def tally(request: pytest.FixtureRequest) -> Tally:
    """Where a test notes what it did and what it cost."""
    return request.config.stash[_TALLY]


@pytest.fixture
def rig(tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver) -> Iterator[Rig]:
    """A broker, a phone and a daemon that is not started yet, with probes that send without pause."""
    with Rig(tmp_path, mosquitto.port, [f"json://127.0.0.1:{receiver.port}/phone"]) as rig:
        yield rig

from __future__ import annotations

import os
import secrets
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from hatchmon.adapters.notify import Notify


class Manager:
    """A datagram socket that stands where the service manager's does."""

    def __init__(self, variable: str, address: str) -> None:
        self.environment = {"NOTIFY_SOCKET": variable}
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address)
        self._socket.settimeout(5)

    def heard(self) -> str:
        return self._socket.recv(4096).decode()

    def nothing_more(self) -> bool:
        self._socket.setblocking(False)
        try:
            self._socket.recv(4096)
        except BlockingIOError:
            return True
        return False

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    if request.param == "path":
        # A socket's path is short by law of the kernel (108 bytes), a test's folder need not be.
        short = Path(os.path.relpath(tmp_path / "notify"))
        made = Manager(str(short), str(short))
    else:
        name = f"hatchmon-test-{secrets.token_hex(8)}"
        made = Manager("@" + name, "\0" + name)
    yield made
    made.close()


def test_each_message_is_one_datagram_of_the_protocol(manager: Manager) -> None:
    """Wording of the assignments: sd_notify(3), systemd."""
    notify = Notify(manager.environment)
    notify.ready()
    assert manager.heard() == "READY=1"
    notify.status("3 cones, 2 running")
    assert manager.heard() == "STATUS=3 cones, 2 running"
    notify.watchdog()
    assert manager.heard() == "WATCHDOG=1"
    notify.stopping()
    assert manager.heard() == "STOPPING=1"
    assert manager.nothing_more()


def test_a_status_cannot_carry_another_assignment(manager: Manager) -> None:
    Notify(manager.environment).status("north cone\nSTOPPING=1\r\nend")
    assert manager.heard() == "STATUS=north cone STOPPING=1 end"


def test_status_keeps_letters_beyond_ascii(manager: Manager) -> None:
    Notify(manager.environment).status("26.5 °C")
    assert manager.heard() == "STATUS=26.5 °C"


def test_without_a_manager_nothing_happens(caplog: pytest.LogCaptureFixture) -> None:
    notify = Notify({})
    notify.ready()
    notify.status("x")
    notify.watchdog()
    notify.stopping()
    assert not caplog.records


def test_a_manager_that_is_gone_is_a_warning(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    Notify({"NOTIFY_SOCKET": str(tmp_path / "gone")}).watchdog()
    assert [record.levelname for record in caplog.records] == ["WARNING"]
    assert "WATCHDOG=1" in caplog.text


def test_the_environment_of_the_process_is_the_default(
    manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", manager.environment["NOTIFY_SOCKET"])
    Notify().ready()
    assert manager.heard() == "READY=1"


@pytest.mark.parametrize(
    ("environment", "interval_s"),
    [
        ({"WATCHDOG_USEC": "60000000"}, 30.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid())}, 30.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getppid())}, None),
        ({}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": ""}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "-5"}, None),
    ],
)
def test_watchdog_interval_is_half_the_limit(environment: dict[str, str], interval_s: float | None) -> None:
    """Half of the limit: the advice of sd_watchdog_enabled(3), systemd."""
    assert Notify(environment).watchdog_interval_s == interval_s

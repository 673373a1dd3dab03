"""Tell the service manager how the daemon is, in the datagram protocol of sd_notify(3)."""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Mapping

from hatchmon.hatchery.wording import printable

_log = logging.getLogger(__name__)

# The manager reads at once; a full socket must not hold the engine loop up for longer than this.
_SEND_TIMEOUT_S = 1.0


class Notify:
    """Sends to ``$NOTIFY_SOCKET``: a path, or ``@`` and an abstract name.

    Without one no call does anything. No call raises: a message that cannot be sent is logged as a
    warning, for the manager has its own time limits.
    Protocol: sd_notify(3) and sd_watchdog_enabled(3) of systemd.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        if self._address.startswith("@"):
            self._address = "\0" + self._address[1:]
        self._watchdog_interval_s = _watchdog_interval_s(environment)

    @property
    def watchdog_interval_s(self) -> float | None:
        """Seconds between calls of ``watchdog``: half the manager's limit; None if it expects none."""
        return self._watchdog_interval_s

    def ready(self) -> None:
        """Start-up is over."""
        self._send("READY=1")

    def status(self, text: str) -> None:
        """One line for ``systemctl status``; line breaks become spaces."""
        self._send("STATUS=" + printable(" ".join(text.splitlines())))

    def watchdog(self) -> None:
        """The engine loop is alive. Call it from that loop, after real work."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """Shut-down has begun."""
        self._send("STOPPING=1")

    def _send(self, message: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
                out.settimeout(_SEND_TIMEOUT_S)
                out.sendto(message.encode(), self._address)
        except OSError as error:
            _log.warning("could not tell the service manager %s: %s", message, error)


def _watchdog_interval_s(environment: Mapping[str, str]) -> float | None:
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    limit_us = environment.get("WATCHDOG_USEC", "")
    if not limit_us.isascii() or not limit_us.isdigit() or int(limit_us) == 0:
        return None
    return int(limit_us) / 2e6

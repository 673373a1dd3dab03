"""The time of day and the passing of time, as one thing to hand around."""

from __future__ import annotations

import ctypes
import os
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Protocol

TIMESYNCD = Path("/run/systemd/timesync")
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_STA_UNSYNC = 0x0040  # adjtimex(2), <sys/timex.h>


class Clock(Protocol):
    """What the rest of hatchmon knows of time."""

    def now(self) -> datetime:
        """The wall clock, aware, UTC. It may jump."""
        ...

    def monotonic(self) -> float:
        """Seconds that never jump and never go back, of the same length as those of ``now``."""
        ...

    def real_seconds(self, shown_seconds: float) -> float:
        """How long a wait of ``shown_seconds`` takes for a person in the room."""
        ...

    def synchronised(self) -> bool | None:
        """Whether the wall clock has been set since the machine was started; None where nobody can tell."""
        ...

    def boot(self) -> str | None:
        """What tells one start of the machine from another; ``monotonic`` goes on while it stays the same."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def monotonic(self) -> float:
        return time.clock_gettime(time.CLOCK_BOOTTIME)  # it goes on while the machine sleeps

    def real_seconds(self, shown_seconds: float) -> float:
        return shown_seconds

    def synchronised(self) -> bool | None:
        return synchronised()

    def boot(self) -> str | None:
        return boot_id()


class RehearsalClock:
    """A clock that runs ``speed`` times as fast: every process given the same three values agrees.

    At the real moment ``real_start`` it shows ``shown_start`` (both aware).
    """

    def __init__(self, real_start: datetime, shown_start: datetime, speed: float) -> None:
        self._shown_start = shown_start.astimezone(UTC)
        self._speed = speed
        # One anchor for both clocks, so that a step of the machine's clock cannot part them.
        self._mono_at_real_start = time.monotonic() - (datetime.now(UTC) - real_start).total_seconds()

    def now(self) -> datetime:
        return self._shown_start + timedelta(seconds=self.monotonic())

    def monotonic(self) -> float:
        return (time.monotonic() - self._mono_at_real_start) * self._speed

    def real_seconds(self, shown_seconds: float) -> float:
        return shown_seconds / self._speed

    def synchronised(self) -> bool | None:
        return None

    def boot(self) -> str | None:
        return None


class _Timex(ctypes.Structure):
    """The head of struct timex, adjtimex(2), and room for the rest."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )


def kernel_synchronised() -> bool | None:
    """What the kernel says of its clock; None where we may not ask, as under the unit's ProtectClock."""
    try:
        timex = _Timex()
        if ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(timex)) < 0:
            return None
    except (OSError, AttributeError):
        return None
    return not timex.status & _STA_UNSYNC


def synchronised(
    timesyncd: Path = TIMESYNCD, kernel: Callable[[], bool | None] = kernel_synchronised
) -> bool | None:
    """Whether the clock has been set: by systemd-timesyncd, which leaves a mark, or as the kernel says.

    None where there is neither, as in most containers: their host sees to the clock.
    """
    if (timesyncd / "synchronized").exists():
        return True
    said = kernel()
    if said is None and timesyncd.is_dir():
        return False
    return said


def boot_id(file: Path = BOOT_ID) -> str | None:
    """The kernel's name for this start of the machine: from the unit (BOOT_ID=%b), which hides the file."""
    given = os.environ.get("BOOT_ID")
    if given:
        return given.replace("-", "")
    try:
        return file.read_text().strip().replace("-", "")
    except OSError:
        return None

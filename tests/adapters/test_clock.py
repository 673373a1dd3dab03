"""A clock for rehearsals that every process agrees on."""

from __future__ import annotations

import ctypes
import json
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from hatchmon.adapters import clock as clock_module
from hatchmon.adapters.clock import (
    Clock,
    RehearsalClock,
    SystemClock,
    boot_id,
    kernel_synchronised,
    synchronised,
)

SHOWN = datetime(2026, 3, 10, 20, 0, tzinfo=UTC)
APART_S = 0.02


def test_the_machines_own_clock() -> None:
    clock: Clock = SystemClock()
    before = datetime.now(UTC)
    now = clock.now()
    assert before <= now <= datetime.now(UTC)
    assert now.utcoffset() == timedelta(0)
    first = clock.monotonic()
    assert first <= clock.monotonic()
    # The kernel's own word on it, in hundredths: seconds since the start, sleep included (proc(5)).
    assert abs(float(Path("/proc/uptime").read_text().split()[0]) - clock.monotonic()) < 5.0
    assert clock.real_seconds(7.5) == 7.5


def differences(one: Clock, other: Clock) -> tuple[float, float]:
    """How far ``other`` is from ``one`` on the wall and on the steady clock, in shown seconds.

    The least of several tries: between two readings of a clock the machine may do something else.
    """
    tries = []
    for _ in range(20):
        a, b, c = one.now(), other.now(), one.now()
        x, y, z = one.monotonic(), other.monotonic(), one.monotonic()
        tries.append((b - (a + (c - a) / 2), y - (x + z) / 2))
    return min(abs(d.total_seconds()) for d, _ in tries), min(abs(d) for _, d in tries)


# A clock made while the machine does something else in between may be off: of three, one is not.
MADE = 3


@pytest.mark.parametrize("speed", [1.0, 60.0, 3600.0])
def test_two_made_at_different_moments_agree(speed: float) -> None:
    real_start = datetime.now(UTC)
    early = [RehearsalClock(real_start, SHOWN, speed) for _ in range(MADE)]
    time.sleep(0.1)
    late = [RehearsalClock(real_start, SHOWN, speed) for _ in range(MADE)]
    assert min(max(differences(one, other)) for one in early for other in late) <= APART_S * speed


def test_two_processes_agree() -> None:
    real_start = datetime.now(UTC)
    here = [RehearsalClock(real_start, SHOWN, 600.0) for _ in range(MADE)]
    program = (
        "import json, sys\nfrom datetime import datetime\n"
        "from hatchmon.adapters.clock import RehearsalClock\n"
        "starts = [datetime.fromisoformat(text) for text in sys.argv[1:3]]\n"
        f"clocks = [RehearsalClock(*starts, 600.0) for _ in range({MADE})]\n"
        "for line in sys.stdin:\n"
        "    print(json.dumps([[c.now().isoformat(), c.monotonic()] for c in clocks]), flush=True)"
    )
    command = [sys.executable, "-c", program, real_start.isoformat(), SHOWN.isoformat()]
    apart_s: list[float] = []
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as there:
        assert there.stdin is not None
        assert there.stdout is not None
        for _ in range(10):
            before = [(clock.now(), clock.monotonic()) for clock in here]
            print(file=there.stdin, flush=True)
            answers = json.loads(there.stdout.readline())
            after = [(clock.now(), clock.monotonic()) for clock in here]
            # What the other showed, seconds outside the span in which it was asked; zero when within.
            for (from_now, from_mono), (to_now, to_mono) in zip(before, after, strict=True):
                for text, mono in answers:
                    shown = datetime.fromisoformat(text)
                    off_s = max(from_now - shown, shown - to_now).total_seconds()
                    apart_s.append(max(off_s, from_mono - mono, mono - to_mono, 0.0))
        there.stdin.close()
    assert min(apart_s) <= APART_S * 600.0


def test_it_runs_so_many_times_as_fast() -> None:
    clock = RehearsalClock(datetime.now(UTC), SHOWN, 1000.0)
    shown, steady, real = clock.now(), clock.monotonic(), time.monotonic()
    time.sleep(0.05)
    shown_after, steady_after, real_after = clock.now(), clock.monotonic(), time.monotonic()
    passed_s = (real_after - real) * 1000.0
    # No more time can pass on it than passed in the room between the outer pair of readings.
    assert 45.0 <= (shown_after - shown).total_seconds() <= passed_s + 1.0
    assert 45.0 <= steady_after - steady <= passed_s + 1.0
    assert clock.real_seconds(90.0) == pytest.approx(0.09)


def test_it_shows_what_it_was_set_to() -> None:
    ago = datetime.now(UTC) - timedelta(seconds=10)
    clock = RehearsalClock(ago, SHOWN.astimezone(ZoneInfo("America/New_York")), 60.0)
    assert clock.now().utcoffset() == timedelta(0)
    assert timedelta(minutes=10) <= clock.now() - SHOWN < timedelta(minutes=12)
    assert 600.0 <= clock.monotonic() < 720.0


def test_it_never_goes_back() -> None:
    clock = RehearsalClock(datetime.now(UTC), SHOWN, 5000.0)
    readings = [(clock.now(), clock.monotonic()) for _ in range(5000)]
    assert all(a <= b for a, b in pairwise(now for now, _ in readings))
    assert all(a <= b for a, b in pairwise(mono for _, mono in readings))


@pytest.mark.parametrize("step", [timedelta(days=30), timedelta(seconds=-4)])
def test_a_step_of_the_machines_clock_moves_neither(monkeypatch: pytest.MonkeyPatch, step: timedelta) -> None:
    clock = RehearsalClock(datetime.now(UTC), SHOWN, 60.0)
    before, steady = clock.now(), clock.monotonic()

    class Stepped(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return datetime.now(UTC) + step

    monkeypatch.setattr(clock_module, "datetime", Stepped)
    assert abs(SystemClock().now() - datetime.now(UTC) - step) < timedelta(seconds=1)
    assert timedelta(0) <= clock.now() - before < timedelta(minutes=2)
    assert 0.0 <= clock.monotonic() - steady < 120.0


# ---- is the clock set? ----


@pytest.mark.parametrize(
    ("folder", "mark", "kernel", "is_set"),
    [
        (True, True, False, True),  # timesyncd knows best: the kernel may not have been told
        (True, False, False, False),
        (True, False, True, True),  # another service set it
        (True, False, None, False),  # the unit may not ask the kernel
        (False, False, False, False),
        (False, False, True, True),
        (False, False, None, None),  # a container: nobody can tell
    ],
)
def test_who_knows_whether_the_clock_is_set(
    tmp_path: Path, folder: bool, mark: bool, kernel: bool | None, is_set: bool | None
) -> None:
    timesyncd = tmp_path / "timesync"
    if folder:
        timesyncd.mkdir()
    if mark:
        (timesyncd / "synchronized").touch()
    assert synchronised(timesyncd, lambda: kernel) is is_set


def test_the_kernel_is_asked_as_the_c_library_does() -> None:
    """ntp_adjtime(3) returns TIME_ERROR (5) for a clock that is not synchronised; Python has no other way."""
    libc = ctypes.CDLL(None, use_errno=True)
    state = libc.ntp_adjtime(ctypes.create_string_buffer(512))
    said = kernel_synchronised()
    assert said is (None if state < 0 else state != 5)


def test_a_boot_has_a_name_that_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BOOT_ID", raising=False)
    file = tmp_path / "boot_id"
    assert boot_id(file) is None
    file.write_text("0a1b2c3d-0000-4000-8000-00000000abcd\n")
    assert boot_id(file) == "0a1b2c3d000040008000" + "00000000abcd"
    monkeypatch.setenv("BOOT_ID", "ffff")
    assert boot_id(file) == "ffff"


def test_a_rehearsal_knows_no_wrong_clock() -> None:
    clock = RehearsalClock(datetime.now(UTC), SHOWN, 60.0)
    assert (clock.synchronised(), clock.boot()) == (None, None)

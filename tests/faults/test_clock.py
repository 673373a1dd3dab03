"""The machine's clock is set forward and back, by seconds and by years, under the running daemon."""

from __future__ import annotations

import itertools
import struct
import subprocess
import time
from datetime import UTC, datetime
from pathlib import Path

from tests.faults.rig import Rig
from tests.faults.tally import Tally
from tests.servers import Mosquitto, find_program
from tests.system.daemon import to_us

# Only the kernel's own clock could be set, and that is everybody's. So the C library's is, for the daemon and
# the processes that it starts: by as many seconds as a file says. The steady clocks go on as they are.
LIBRARY = """
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>
static volatile long long *step_s;
__attribute__((constructor)) static void find(void) {
    int file = open(getenv("CLOCK_STEP"), O_RDONLY);
    step_s = mmap(0, sizeof *step_s, PROT_READ, MAP_SHARED, file, 0);
    close(file);
}
int clock_gettime(clockid_t clock, struct timespec *now) {
    int failed = syscall(SYS_clock_gettime, clock, now);
    if (!failed && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE)) now->tv_sec += *step_s;
    return failed;
}
int gettimeofday(struct timeval *restrict now, void *restrict zone) {
    int failed = syscall(SYS_gettimeofday, now, zone);
    if (!failed) now->tv_sec += *step_s;
    return failed;
}
time_t time(time_t *where) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (where) *where = now.tv_sec;
    return now.tv_sec;
}
"""
HOUR_S, DAY_S, YEAR_S = 3600, 86_400, 31_557_600
SHOWN_S = (3, 0, 100, 10, HOUR_S, -HOUR_S, 2 * DAY_S, -40 * DAY_S, 20 * YEAR_S, -3 * YEAR_S, 0)
"""By how much the clock is wrong, one after the other."""
SMALL_S = 120.0
"""Smaller steps than this move nothing that was noted."""


def test_the_clock_is_set(tmp_path: Path, mosquitto: Mosquitto, tally: Tally, long: bool) -> None:
    """All is stored, and in the end stands where the clock, right again, says that it was."""
    source, library, step = (tmp_path / name for name in ("clock.c", "clock.so", "step"))
    source.write_text(LIBRARY)
    compiler = find_program("cc", "gcc libc6-dev")
    subprocess.run([compiler, "-shared", "-fPIC", "-O2", "-o", library, source], check=True)
    step.write_bytes(struct.pack("q", 0))
    recovered = []
    begun = datetime.now(UTC)
    environment = {"LD_PRELOAD": str(library), "CLOCK_STEP": str(step)}
    with Rig(tmp_path, mosquitto.port, environment=environment) as rig:
        rig.start()
        for shown_s in SHOWN_S * (10 if long else 1):
            with step.open("r+b") as file:
                file.write(struct.pack("q", shown_s))
            changed = time.monotonic()
            rig.flow.wait_for_more(30)
            rig.moving()
            recovered.append(time.monotonic() - changed)
        sent, lost = rig.settle()
        ended = datetime.now(UTC)
        jumps = rig.daemon.log().count("the clock jumped by")
        times = [us / 1e6 for (us,) in rig.ground.rows("SELECT time_us FROM readings ORDER BY seq")]
    tally.note("clock set forward and back, 3 s to 20 years", sent=sent, lost=lost, recovered_s=recovered)
    assert lost == 0
    assert jumps == (10 if long else 1) * sum(
        abs(a - b) >= SMALL_S for a, b in itertools.pairwise((0, *SHOWN_S))
    )
    assert min(times) > to_us(begun) / 1e6 - SMALL_S
    assert max(times) < to_us(ended) / 1e6 + SMALL_S
    assert all(b - a > -SMALL_S for a, b in itertools.pairwise(times))

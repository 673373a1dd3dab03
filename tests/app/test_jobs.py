"""Work at civil hours: on the real scheduler, over changes of daylight saving and of the clock."""

from __future__ import annotations

import threading
import time as real
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hatchmon.adapters.clock import Clock, RehearsalClock, SystemClock
from hatchmon.app.jobs import GRACE, Jobs, last_before, moment_of, next_after
from tests.servers import wait_until

LISBON = ZoneInfo("Europe/Lisbon")
# Half-hour changes, changes at midnight, a day left out (Apia, 30 December 2011), no changes at all.
ZONES = (
    "Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "America/Sao_Paulo", "Asia/Beirut",
    "Pacific/Apia", "Asia/Kolkata", "UTC",
)  # fmt: skip


class Settable(SystemClock):
    """The machine's clocks, with a wall clock that can be set."""

    def __init__(self, shown: datetime) -> None:
        self._ahead = shown - datetime.now(UTC)
        self._slept_s = 0.0

    def now(self) -> datetime:
        return datetime.now(UTC) + self._ahead

    def set(self, by: timedelta) -> None:
        self._ahead += by

    def monotonic(self) -> float:
        return super().monotonic() + self._slept_s

    def sleep(self, by: timedelta) -> None:
        """The machine sleeps: both clocks go on, and whoever waits for something does not notice."""
        self._ahead += by
        self._slept_s += by.total_seconds()


class Heard:
    """What has been told, and when each run began."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.told: list[tuple[str, str | None]] = []
        self.runs: list[datetime] = []

    def tell(self, name: str, trouble: str | None) -> None:
        self.told.append((name, trouble))

    def work(self) -> None:
        self.runs.append(self._clock.now())


Begin = Callable[[Clock], tuple[Jobs, Heard]]


@pytest.fixture
def jobs_at() -> Iterator[Begin]:
    started: list[Jobs] = []

    def begin(clock: Clock) -> tuple[Jobs, Heard]:
        heard = Heard(clock)
        jobs = Jobs(LISBON, clock, heard.tell)
        jobs.start()
        started.append(jobs)
        return jobs, heard

    yield begin
    for jobs in started:
        jobs.stop()
        assert not jobs.alive


# --- the hour ---


def test_an_hour_that_is_left_out_comes_once() -> None:
    """Lisbon, 29 March 2026: at 01:00 UTC the clocks go from 01:00 to 02:00 (Decree-Law 17/96)."""
    before = datetime(2026, 3, 28, 12, tzinfo=UTC)
    first = next_after(before, time(1, 30), LISBON)
    assert first == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)  # shown as 02:30
    assert next_after(first, time(1, 30), LISBON) == datetime(2026, 3, 30, 0, 30, tzinfo=UTC)


def test_an_hour_that_comes_twice_counts_once() -> None:
    """Lisbon, 25 October 2026: at 01:00 UTC the clocks go from 02:00 back to 01:00."""
    before = datetime(2026, 10, 24, 12, tzinfo=UTC)
    first = next_after(before, time(1, 30), LISBON)
    assert first == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert next_after(first, time(1, 30), LISBON) == datetime(2026, 10, 26, 1, 30, tzinfo=UTC)


@given(
    st.integers(1_104_537_600, 2_114_380_800).map(lambda s: datetime.fromtimestamp(s, UTC)),  # 2005 to 2037
    st.times(),
    st.sampled_from(ZONES),
)
def test_every_day_has_its_hour_once(moment: datetime, at: time, name: str) -> None:
    zone = ZoneInfo(name)
    at = at.replace(tzinfo=None)
    found = [next_after(moment, at, zone)]
    for _ in range(4):
        found.append(next_after(found[-1], at, zone))
    gaps = {(after - before) / timedelta(hours=1) for before, after in pairwise(found)}
    assert all(21.0 <= gap <= 27.0 for gap in gaps) or name == "Pacific/Apia"
    assert last_before(found[0], at, zone) == found[0]
    assert last_before(moment, at, zone) <= moment < found[0]
    assert next_after(last_before(moment, at, zone), at, zone) == found[0]
    # At its own hour, but for a day on which there is none.
    local = found[0].astimezone(zone)
    assert local.time().replace(fold=0) == at or moment_of(local.date(), at, zone) == found[0]


# --- real runs ---


def test_runs_once_a_day_at_the_hour_shown(jobs_at: Begin) -> None:
    """A day in half a second, over the end of summer time."""
    shown = datetime(2026, 10, 24, 7, tzinfo=UTC)
    clock = RehearsalClock(datetime.now(UTC), shown, 2 * 86_400.0)
    jobs, heard = jobs_at(clock)
    jobs.daily("morning", time(8, 0), heard.work)
    wait_until(lambda: len(heard.runs) >= 4, 20.0, "four mornings")
    local = [run.astimezone(LISBON) for run in heard.runs[:4]]
    assert [run.date() for run in local] == [date(2026, 10, 24 + n) for n in range(1, 5)] or (
        [run.date() for run in local] == [date(2026, 10, 24 + n) for n in range(4)]
    )
    assert all(run.time() >= time(8, 0) for run in local)
    wait_until(lambda: len(heard.told) >= 4, 5.0, "to be told")
    assert set(heard.told) == {("morning", None)}


def test_an_hour_slept_through_is_made_up_for(jobs_at: Begin) -> None:
    clock = Settable(datetime(2026, 6, 1, 3, tzinfo=UTC))
    jobs, heard = jobs_at(clock)
    jobs.daily("morning", time(8, 0), heard.work, last=datetime(2026, 5, 31, 7, tzinfo=UTC))
    jobs.turn()
    clock.sleep(timedelta(hours=5))
    jobs.turn()
    wait_until(lambda: heard.told, 5.0, "the morning's work")
    assert heard.told == [("morning", None)]
    jobs.turn()
    assert jobs.next_run("morning") == datetime(2026, 6, 2, 7, tzinfo=UTC)


def test_a_failure_is_told_and_the_job_goes_on(jobs_at: Begin) -> None:
    clock = RehearsalClock(datetime.now(UTC), datetime(2026, 6, 1, 7, tzinfo=UTC), 2 * 86_400.0)
    jobs, heard = jobs_at(clock)
    fails = iter([True])

    def work() -> None:
        if next(fails, False):
            raise OSError("disk full")
        heard.work()

    jobs.daily("backup", time(8, 0), work)
    wait_until(lambda: heard.runs, 20.0, "the second day")
    wait_until(lambda: len(heard.told) >= 2, 5.0, "to be told")
    assert heard.told[:2] == [("backup", "backup: OSError: disk full"), ("backup", None)]


def test_a_job_that_hangs_holds_up_neither_others_nor_the_end(jobs_at: Begin) -> None:
    clock = Settable(datetime(2026, 6, 1, 12, tzinfo=UTC))
    jobs, heard = jobs_at(clock)
    let_go = threading.Event()

    def stuck() -> None:
        let_go.wait(60.0)

    yesterday = clock.now() - timedelta(days=1)
    jobs.daily("stuck", time(12, 0), stuck, last=yesterday)
    jobs.daily("other", time(12, 30), heard.work, last=yesterday)
    wait_until(lambda: heard.runs, 10.0, "the other job")
    began = real.monotonic()
    jobs.stop()
    assert real.monotonic() - began < 1.0
    let_go.set()


# --- what was missed ---


@pytest.mark.parametrize(
    ("last_h_ago", "due"),
    [(30.0, True), (5.0, False), (None, False), (-48.0, False)],
    ids=["yesterday", "already done", "never", "in a future that was wrong"],
)
def test_what_an_earlier_run_missed_is_made_up_for(
    jobs_at: Begin, last_h_ago: float | None, due: bool
) -> None:
    """It is 13:00 in Lisbon, the hour was 09:00."""
    clock = Settable(datetime(2026, 6, 1, 12, tzinfo=UTC))
    jobs, heard = jobs_at(clock)
    last = None if last_h_ago is None else clock.now() - timedelta(hours=last_h_ago)
    jobs.daily("backup", time(9, 0), heard.work, last=last)
    if due:
        wait_until(lambda: len(heard.told) == 1, 10.0, "the run")
        assert len(heard.runs) == 1
    assert jobs.next_run("backup") == datetime(2026, 6, 2, 8, tzinfo=UTC)
    assert len(heard.runs) == due


def test_the_first_hour_after_the_start_counts(jobs_at: Begin) -> None:
    clock = Settable(datetime(2026, 6, 1, 12, tzinfo=UTC))  # 13:00 in Lisbon
    jobs, _ = jobs_at(clock)
    jobs.daily("morning", time(13, 5), lambda: None)
    assert jobs.next_run("morning") == datetime(2026, 6, 1, 12, 5, tzinfo=UTC)


def test_what_was_missed_long_ago_is_not_made_up_for(jobs_at: Begin) -> None:
    clock = Settable(datetime(2026, 6, 1, 12, tzinfo=UTC))
    jobs, _ = jobs_at(clock)
    last = clock.now() - timedelta(days=2)
    jobs.daily("backup", time(9, 0), lambda: None, last=last, grace=timedelta(hours=1))
    assert jobs.next_run("backup") == datetime(2026, 6, 2, 8, tzinfo=UTC)


# --- a clock that is set ---


def test_a_clock_set_over_the_hour_brings_the_run_at_once_and_only_one(jobs_at: Begin) -> None:
    clock = Settable(datetime(2026, 6, 1, 6, tzinfo=UTC))
    jobs, heard = jobs_at(clock)
    jobs.daily("morning", time(9, 0), heard.work, last=clock.now() - timedelta(hours=22))
    clock.set(timedelta(hours=5))
    jobs.turn()
    wait_until(lambda: len(heard.told) == 1, 10.0, "the run")
    assert jobs.next_run("morning") == datetime(2026, 6, 2, 8, tzinfo=UTC)
    clock.set(-timedelta(hours=4))  # 08:00 in Lisbon again
    jobs.turn()
    assert jobs.next_run("morning") == datetime(2026, 6, 2, 8, tzinfo=UTC)
    assert len(heard.runs) == 1


@pytest.mark.parametrize("by", [timedelta(days=3650), timedelta(days=-3650), timedelta(days=-3)], ids=str)
def test_a_clock_set_far_neither_stalls_nor_floods(jobs_at: Begin, by: timedelta) -> None:
    clock = Settable(datetime(2026, 6, 1, 12, tzinfo=UTC))
    jobs, heard = jobs_at(clock)
    jobs.daily("morning", time(9, 0), heard.work, last=clock.now() - timedelta(hours=2))
    clock.set(by)
    jobs.turn()
    if by > GRACE:  # an hour that has passed within the grace, on a day that is new
        wait_until(lambda: len(heard.told) == 1, 10.0, "the run")
    planned = jobs.next_run("morning")
    assert planned is not None
    assert timedelta(0) < planned - clock.now() <= timedelta(hours=25)
    clock.set(planned - clock.now() + timedelta(seconds=1))
    jobs.turn()
    # Where it has run already, it was done a moment ago, whatever the clock says.
    wait_until(lambda: len(heard.told) == 1, 10.0, "the next run")
    again = jobs.next_run("morning")
    assert again is not None
    assert planned < again <= planned + timedelta(hours=25)
    assert len(heard.runs) == 1


def test_a_small_correction_changes_nothing(jobs_at: Begin) -> None:
    clock = Settable(datetime(2026, 6, 1, 12, tzinfo=UTC))
    jobs, heard = jobs_at(clock)
    jobs.daily("morning", time(9, 0), heard.work)
    clock.set(timedelta(seconds=2))
    jobs.turn()
    assert jobs.next_run("morning") == datetime(2026, 6, 2, 8, tzinfo=UTC)
    assert not heard.runs

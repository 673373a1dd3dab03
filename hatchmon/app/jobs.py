"""Work at an hour of the keeper's day: a backup every night, a message every morning.

APScheduler holds one run of each job at a time, in UTC, and the next is planned when that one is over: a
clock that jumps ahead by a year asks for one run, not for a year's worth.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_EXECUTED, EVENT_JOB_MISSED, JobExecutionEvent
from apscheduler.executors.base import BaseExecutor, run_job
from apscheduler.schedulers.background import BackgroundScheduler

from hatchmon.adapters.clock import Clock

log = logging.getLogger(__name__)

GRACE = timedelta(hours=12)
STEP_S = 60.0
# Closer together, two runs are the same one, told twice by a clock that was set back.
APART = timedelta(hours=6)


def moment_of(day: date, at: time, zone: tzinfo) -> datetime:
    """The moment, UTC, at which ``day`` comes to ``at``.

    The first of two; where the hour is left out, as long after the change as ``at`` lies in it
    (PEP 495, fold 0).
    """
    return datetime.combine(day, at.replace(tzinfo=None, fold=0), tzinfo=zone).astimezone(UTC)


def next_after(moment: datetime, at: time, zone: tzinfo) -> datetime:
    """The first ``at`` of a day in ``zone`` later than ``moment``, UTC."""
    today = moment.astimezone(zone).date()
    # From the day before: where clocks go back over midnight, a day's hour may come after its date has.
    days = (today + timedelta(days=n) for n in range(-1, 3))
    return next(found for day in days if (found := moment_of(day, at, zone)) > moment)


def last_before(moment: datetime, at: time, zone: tzinfo) -> datetime:
    """The last ``at`` of a day in ``zone`` not later than ``moment``, UTC."""
    today = moment.astimezone(zone).date()
    days = (today + timedelta(days=n) for n in range(1, -3, -1))
    return next(found for day in days if (found := moment_of(day, at, zone)) <= moment)


@dataclass(slots=True)
class _Daily:
    """``last`` (shown time): the last run that is known of; ``stamped`` by this run of the daemon."""

    name: str
    at: time
    work: Callable[[], None]
    grace: timedelta
    last: datetime | None
    stamped: bool = False
    planned: datetime | None = None
    running: bool = False


class Jobs:
    """Runs daily work, each run in a thread of its own; ``told`` hears of each: name, None or the trouble.

    Hours are those of ``zone``, at the time that ``clock`` shows. ``turn`` must be called every few seconds:
    it notices when the clock has been set.
    """

    def __init__(self, zone: tzinfo, clock: Clock, told: Callable[[str, str | None], None]) -> None:
        self._zone = zone
        self._clock = clock
        self._told = told
        self._lock = threading.RLock()
        self._jobs: dict[str, _Daily] = {}
        self._offset_s = self._offset()
        self._turned_mono = clock.monotonic()
        # What happens is logged here, in one line and without a trace.
        logging.getLogger("apscheduler").setLevel(logging.CRITICAL)
        self._scheduler = BackgroundScheduler(timezone=UTC, daemon=True, executors={"default": _Threads()})
        self._scheduler.add_listener(self._heard, EVENT_JOB_EXECUTED | EVENT_JOB_ERROR | EVENT_JOB_MISSED)

    def daily(
        self,
        name: str,
        at: time,
        work: Callable[[], None],
        *,
        last: datetime | None = None,
        grace: timedelta = GRACE,
    ) -> None:
        """Call ``work`` every day at the local time ``at``; once on days of 23 or 25 hours, too.

        With ``last``, when it was last done (by an earlier run), a time that has passed since then is made up
        for if it is not longer ago than ``grace``. ``work`` must not touch the engine's state.
        """
        future = last is not None and last > self._clock.now()  # stamped by a clock that was wrong
        job = _Daily(name, at, work, grace, None if future else last)
        with self._lock:
            self._jobs[name] = job
            self._plan(job)

    def next_run(self, name: str) -> datetime | None:
        """When a job is due next (shown time, UTC); None while it runs."""
        with self._lock:
            return self._jobs[name].planned

    def start(self) -> None:
        """Start. Only once."""
        self._scheduler.start()

    def stop(self) -> None:
        """Start nothing more; what runs ends with the process."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    @property
    def alive(self) -> bool:
        """Whether the scheduler runs."""
        return bool(self._scheduler.running)

    def turn(self) -> None:
        """Plan afresh when the clock has been set against the steady one since the last call, or the machine
        has slept: what waits for an hour sleeps with it."""
        mono = self._clock.monotonic()
        slept_s, self._turned_mono = mono - self._turned_mono, mono
        offset_s = self._offset()
        jump_s = offset_s - self._offset_s
        if self._clock.real_seconds(max(abs(jump_s), slept_s)) < STEP_S:
            self._offset_s = offset_s
            return
        with self._lock:
            self._offset_s = offset_s
            for job in self._jobs.values():
                if job.last is not None:
                    moved = job.last + timedelta(seconds=jump_s if job.stamped else 0.0)
                    job.last = min(moved, self._clock.now())
                if not job.running:
                    self._plan(job)

    def _offset(self) -> float:
        return self._clock.now().timestamp() - self._clock.monotonic()

    def _plan(self, job: _Daily) -> None:
        now = self._clock.now()
        missed = last_before(now, job.at, self._zone)
        if job.last is not None and missed - job.last >= APART and now - missed <= job.grace:
            job.planned = missed
        else:
            earliest = now if job.last is None else max(now, job.last + APART)
            job.planned = next_after(earliest, job.at, self._zone)
        wait_s = self._clock.real_seconds((job.planned - now).total_seconds())
        self._scheduler.add_job(
            self._run,
            "date",
            args=(job,),
            run_date=datetime.now(UTC) + timedelta(seconds=wait_s),
            id=job.name,
            replace_existing=True,
            coalesce=True,
            max_instances=1,
            misfire_grace_time=max(1, round(self._clock.real_seconds(job.grace.total_seconds())) + 60),
        )

    def _run(self, job: _Daily) -> None:
        with self._lock:
            job.running, job.planned = True, None
        job.work()

    def _heard(self, event: JobExecutionEvent) -> None:
        with self._lock:
            job = self._jobs[event.job_id]
            job.running = False
            trouble = None
            if event.code == EVENT_JOB_MISSED:
                trouble = f"{job.name}: not done at its time; the machine was too busy or asleep"
            else:
                job.last, job.stamped = self._clock.now(), True
                if event.code == EVENT_JOB_ERROR:
                    trouble = f"{job.name}: {type(event.exception).__name__}: {event.exception}"
            self._plan(job)
        if trouble is not None:
            log.error("%s; next at %s", trouble, job.planned)
        self._told(job.name, trouble)


class _Threads(BaseExecutor):  # type: ignore[misc]
    """A thread for each run, which cannot hold up the end of the process as one of a pool would."""

    def _do_submit_job(self, job: Any, run_times: Sequence[datetime]) -> None:
        threading.Thread(target=self._work, args=(job, run_times), name=f"job-{job.id}", daemon=True).start()

    def _work(self, job: Any, run_times: Sequence[datetime]) -> None:
        self._run_job_success(job.id, run_job(job, job._jobstore_alias, run_times, "apscheduler"))

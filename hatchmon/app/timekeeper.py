"""The machine's clocks since it was started, remembered from one run of the daemon to the next."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.store import Marks, Store, from_us, to_us
from hatchmon.hatchery.probes import Judge
from hatchmon.hatchery.types import Quantity

LATER_WAIT_S = 24 * 3600.0  # a clock once set runs well enough for a day
_KEY = "boot"


@dataclass(slots=True)
class Boot:
    """One start of the machine: its name, where the record stood and the wall clock then, how far the wall
    clock was ahead of the steady one, and whether times are not to be believed yet (``held``)."""

    name: str | None
    marks: Marks
    began_us: int
    offset_s: float
    held: bool


class Timekeeper:
    """Knows whether the wall clock may be believed, and its jumps. Stores nothing before ``take_over``."""

    def __init__(self, store: Store, clock: Clock, wait_min: float) -> None:
        self.waited_in_vain = False
        """Whether the clock is not set though we have waited for it."""
        self.goes_on = False
        """Whether the daemon has run before since the machine's start."""
        self._store = store
        self._clock = clock
        self._wait_s = wait_min * 60.0
        self._waiting_since = clock.monotonic()
        self._asked_mono: float | None = None
        text = store.meta(_KEY)
        self._before = _boot_from(text)
        now = clock.now()
        if self._before is not None and self._before.name is not None and self._before.name == clock.boot():
            self.boot, self.goes_on = self._before, True
            return
        offset_s = now.timestamp() - clock.monotonic()
        held = wait_min > 0 and clock.synchronised() is False
        self.boot = Boot(clock.boot(), store.marks(), to_us(now), offset_s, held)

    def take_over(self) -> tuple[datetime, datetime] | None:
        """Note the machine's start, inside the caller's transaction.

        An earlier start whose clock was never set leaves readings that nobody can date: they are marked so,
        and what its clock showed from first to last is returned.
        """
        before = self._before
        lost = None
        if before is not None and not self.goes_on and before.held:
            self._store.undate(before.marks.readings)
            lost = from_us(before.began_us), from_us(int(self._store.meta("alive_us", str(before.began_us))))
        self.keep()
        return lost

    @property
    def began(self) -> datetime:
        """What the wall clock showed when the daemon first ran after the machine's start."""
        return from_us(self.boot.began_us)

    def too_early_for(self, started: datetime) -> bool:
        """Whether nobody can tell yet how long ago ``started`` was: before the machine's start, by a clock
        that was right, while now it may not be."""
        return self.boot.held and started < self.began

    def may_be_released(self, mono: float) -> bool:
        """Whether times that are held need not be held any longer: the clock is set, or has not been for so
        long that it has to be taken as it is."""
        if self._asked_mono is not None and mono - self._asked_mono < 1.0:
            return False
        self._asked_mono = mono
        is_set = self._clock.synchronised() is not False
        if is_set:
            self._waiting_since, self._wait_s = mono, max(self._wait_s, LATER_WAIT_S if self._wait_s else 0.0)
        waited = self._clock.real_seconds(mono - self._waiting_since) >= self._wait_s
        self.waited_in_vain = waited and not is_set and self._wait_s > 0
        return self.boot.held and (is_set or waited)

    def release(self) -> None:
        """Times are believed from now on; inside the caller's transaction."""
        self._store.set_meta(_KEY, json.dumps(asdict(replace(self.boot, held=False))))
        self.boot.held = False

    def jump(self, now: datetime, mono: float, least_s: float) -> timedelta | None:
        """By how much the wall clock has jumped against the steady one, if at least ``least_s`` for a person
        in the room; less is followed."""
        offset_s = now.timestamp() - mono
        jump_s = offset_s - self.boot.offset_s
        # In the seconds of the machine's clock: a rehearsal's own must not take a busy moment for a jump.
        if self._clock.real_seconds(abs(jump_s)) >= least_s:
            return timedelta(seconds=jump_s)
        self.boot.offset_s = offset_s
        return None

    def keep(self, by: timedelta = timedelta(0)) -> None:
        """Store what will be known once everything has ``moved`` by so much; inside a transaction."""
        self._store.set_meta(_KEY, json.dumps(asdict(_shifted(self.boot, by))))

    def moved(self, by: timedelta) -> None:
        """What this start has stamped has been moved."""
        self.boot = _shifted(self.boot, by)


def _shifted(boot: Boot, by: timedelta) -> Boot:
    began_us = boot.began_us + by // timedelta(microseconds=1)
    return replace(boot, offset_s=boot.offset_s + by.total_seconds(), began_us=began_us)


def times_are_held(store: Store) -> bool:
    """Whether what is stored now may bear wrong times that will be put right."""
    boot = _boot_from(store.meta(_KEY))
    return boot is not None and boot.held


def _boot_from(text: str) -> Boot | None:
    if not text:
        return None
    data = json.loads(text)
    marks = data.pop("marks")
    return Boot(marks=Marks(**marks | {"running": tuple(marks["running"])}), **data)


def judge_again(store: Store, first_seq: int, now: datetime) -> None:
    """Judge afresh the readings from ``first_seq`` on whose own time the wrong clock took for the future."""
    judges: dict[int, Judge] = {}
    for row in store.future_readings(first_seq, now):
        judge = judges.setdefault(row["stream_id"], Judge(Quantity(row["quantity"]), row["unit"]))
        judged = judge.judge(row["raw"], from_us(row["time_us"]), now)
        for time, _, verdict in (*judged.revised, (from_us(row["time_us"]), row["raw"], judged.verdict)):
            store.revise(row["stream_id"], time, verdict)

"""Is this reading fit to use? One Judge for each stream of readings.

Every reading is kept; its verdict says whether it may move a forecast.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from datetime import datetime, timedelta
from statistics import median
from typing import NamedTuple

from hatchmon.hatchery.types import Quantity, Verdict
from hatchmon.hatchery.units import LIMITS, to_inner

HAMPEL_SAMPLES = 7
HAMPEL_FLOOR_C = 1.0
HAMPEL_FACTOR = 4 * 1.4826  # 1.4826 x MAD estimates one sd of a normal population
# A median of neighbours tells a spike from a change only while neighbours are close in time.
HAMPEL_SPAN = timedelta(hours=1)
FASTEST_C_PER_H = 30.0
# Assumption: what a strong heater does. Without it the onset of a ramp, read every few minutes, is no
# longer among its neighbours and looks like a spike.
HEATER_C_PER_H = 12.0
AGREE_C = 0.5  # also the least jump worth a question: one DS18B20 step of .0625 C in 10 s is 22 C/h
CONFIRMING = 3
STUCK_AFTER = timedelta(hours=6)
LATE_AFTER = timedelta(minutes=5)
CLOCK_SKEW = timedelta(minutes=2)
RETAINED_FRESH = timedelta(minutes=15)
UNKNOWN_INTERVAL = timedelta(minutes=5)
SILENT_INTERVALS = 3

_NOTHING = float("inf"), float("-inf")
_DEGREES = frozenset({Quantity.TEMPERATURE, Quantity.AIR_TEMPERATURE})


class Judged(NamedTuple):
    """``verdict`` on a reading; ``revised``: earlier readings it casts in another light, as (time, value
    in the unit used inside, new verdict)."""

    verdict: Verdict
    revised: tuple[tuple[datetime, float, Verdict], ...] = ()


def is_sentinel(raw: float, unit: str) -> bool:
    """Whether ``raw`` (as sent, in ``unit``) is an error code of a 1-Wire thermometer.

    85.0 C is the DS18B20's power-on value (its data sheet); -127 C is what common drivers report for
    a missing probe (common practice, no source).
    """
    if unit == "F":
        return raw == 185.0 or raw <= -148.0
    return unit == "C" and (raw == 85.0 or raw <= -100.0)


class Judge:
    """Judges the readings of one probe and quantity in the order they arrive."""

    def __init__(self, quantity: Quantity, unit: str) -> None:
        self.quantity = quantity
        self.unit = unit
        self.newest: datetime | None = None
        self.last_good: tuple[datetime, float] | None = None
        self._told: datetime | None = (
            None  # when it last said something that may be water, or was first heard
        )
        self._neighbours: deque[tuple[datetime, float]] = deque(maxlen=HAMPEL_SAMPLES)
        self._among = _NOTHING  # from and to: all neighbours lie there, and maybe some before them did
        # From a reading in doubt on, until the water is seen to be back or at a new level.
        self._held: list[tuple[datetime, float, Verdict]] = []
        self._level_before: float | None = None
        self._same: tuple[float, datetime] | None = None
        self._spans_s: deque[float] = deque(maxlen=15)

    def judge(
        self, raw: float, time: datetime, received: datetime, *, retained: bool = False, dated: bool = True
    ) -> Judged:
        """The verdict on a finite ``raw`` (as sent) measured at ``time`` and received at ``received``.

        ``dated`` False: the message waited in a queue and bears no time, so ``time`` is a guess.
        """
        if retained and (not dated or received - time > RETAINED_FRESH):
            return Judged(Verdict.RETAINED)
        if not dated:
            return Judged(Verdict.UNDATED)
        if time > received + CLOCK_SKEW:
            return Judged(Verdict.FUTURE)
        if self.newest is not None and self.newest > received + CLOCK_SKEW:
            self._forget()  # the clock has been set back: what was noted before cannot be ahead of us
        if self.newest is not None and time < self.newest - LATE_AFTER:
            return Judged(Verdict.LATE)
        in_order = self._note_time(time)
        if self.quantity in _DEGREES and is_sentinel(raw, self.unit):
            return Judged(Verdict.SENTINEL)
        value = to_inner(raw, self.unit)
        low, high = LIMITS[self.quantity]
        if not low <= value <= high:
            return Judged(Verdict.RANGE)
        self._told = time if self._told is None else max(time, self._told)
        if self.quantity is not Quantity.TEMPERATURE:
            self._accept(time, value)
            return Judged(Verdict.GOOD)
        return self._judge_water(value, time) if in_order else self._judge_straggler(value, time)

    def _forget(self) -> None:
        self.newest = self._told = self.last_good = self._level_before = self._same = None
        self._neighbours.clear()
        self._among = _NOTHING
        self._held.clear()

    def remember(self, past: Iterable[tuple[datetime, float, Verdict]], same_since: datetime | None) -> None:
        """Take up where an earlier process left off: readings (time, raw, verdict), oldest first, and
        since when the newest value has stood unchanged."""
        last: float | None = None
        for time, raw, verdict in past:
            if verdict in (Verdict.RETAINED, Verdict.UNDATED, Verdict.FUTURE, Verdict.LATE):
                continue
            self._note_time(time)
            value = to_inner(raw, self.unit)
            if verdict not in (Verdict.SENTINEL, Verdict.RANGE):
                self._told = time
            if verdict.usable:
                self._hold(time, value, verdict)
                self._accept(time, value)
                last = value
            elif verdict in (Verdict.JUMP, Verdict.SPIKE):
                self._hold(time, value, verdict)
                self._note_level(time, value)
        if last is not None and same_since is not None:
            self._same = (last, same_since)

    @property
    def usual_interval(self) -> timedelta:
        """The median time between readings of late; five minutes while unknown."""
        if len(self._spans_s) < SILENT_INTERVALS:
            return UNKNOWN_INTERVAL
        return timedelta(seconds=median(self._spans_s))

    def silent_since(self, now: datetime) -> datetime | None:
        """When a usable reading was last heard, if that is more than three usual intervals ago; else None.

        A probe that sends nothing but error codes is as silent as one that sends nothing.
        """
        if self._told is None or now - self._told <= SILENT_INTERVALS * self.usual_interval:
            return None
        return self._told

    def _note_time(self, time: datetime) -> bool:
        """Keep the newest time and the usual interval; whether ``time`` moved forward."""
        if self.newest is None:
            self.newest = self._told = time
            return True
        if time <= self.newest:
            return False
        self._spans_s.append((time - self.newest).total_seconds())
        self.newest = time
        return True

    def _note_level(self, time: datetime, value: float) -> None:
        self._neighbours.append((time, value))
        low, high = self._among
        if not low <= value <= high:
            self._among = min(low, value), max(high, value)

    def _accept(self, time: datetime, value: float) -> None:
        self._note_level(time, value)
        if self.last_good is None or time >= self.last_good[0]:
            self.last_good = self._neighbours[-1]

    def _judge_water(self, value: float, time: datetime) -> Judged:
        verdict = self._doubt(value, time) or self._unless_stuck(value, time)
        revised = self._hold(time, value, verdict)
        if revised:
            verdict = Verdict.GOOD
        if verdict.usable:
            self._accept(time, value)
        else:
            self._note_level(time, value)
        return Judged(verdict, revised)

    def _judge_straggler(self, value: float, time: datetime) -> Judged:
        """A reading a little older than the newest: it says nothing of what the water did since."""
        doubt = self._doubt(value, time)
        if doubt is not None:
            return Judged(doubt)
        self._accept(time, value)
        if self._same is not None and self._same[0] != value and time > self._same[1]:
            self._same = (self._same[0], time)
        return Judged(Verdict.GOOD)

    def _doubt(self, value: float, time: datetime) -> Verdict | None:
        if self._too_fast(value, time):
            return Verdict.JUMP
        return Verdict.SPIKE if self._off_the_median(value, time) else None

    def _hold(
        self, time: datetime, value: float, verdict: Verdict
    ) -> tuple[tuple[datetime, float, Verdict], ...]:
        """Follow up a reading in doubt; the readings to be revised, once three more confirm its level."""
        if not self._held:
            if verdict.usable:
                return ()
            self._level_before = None if self.last_good is None else self.last_good[1]
        elif verdict.usable and self._is_back(value):
            self._held.clear()
            return ()
        self._held.append((time, value, verdict))
        levels = [level for _, level, _ in self._held]
        if len(levels) <= CONFIRMING:
            return ()
        if max(levels) - min(levels) <= AGREE_C:
            doubted = [(when, level) for when, level, said in self._held[:-1] if not said.usable]
            unchanged = next((i for i, level in enumerate(reversed(levels)) if level != value), len(levels))
            self._same = (value, self._held[-unchanged][0])
            self._held.clear()
            step, *rest = doubted
            return ((*step, Verdict.STEP), *((*held, Verdict.GOOD) for held in rest))
        del self._held[0]
        while self._held and self._held[0][2].usable:
            del self._held[0]
        return ()

    def _is_back(self, value: float) -> bool:
        """Whether ``value`` is nearer to the level before the doubt than to the level in doubt."""
        before = self._level_before
        return before is not None and abs(value - before) < abs(value - self._held[0][1])

    def _too_fast(self, value: float, time: datetime) -> bool:
        if self.last_good is None:
            return False
        change = abs(value - self.last_good[1])
        if change <= AGREE_C:
            return False
        return change > FASTEST_C_PER_H * abs((time - self.last_good[0]) / timedelta(hours=1))

    def _off_the_median(self, value: float, time: datetime) -> bool:
        # Nearly always near to all of them, and so to the median.
        if self._near_all(value):
            return False
        levels = [level for _, level in self._neighbours]
        self._among = min(levels), max(levels)
        if self._near_all(value):
            return False
        near = [level for when, level in self._neighbours if time - when <= HAMPEL_SPAN]
        near = [*near, value][-HAMPEL_SAMPLES:]
        if len(near) < HAMPEL_SAMPLES:
            return False
        middle = median(near)
        spread = median(abs(level - middle) for level in near)
        if abs(value - middle) <= max(HAMPEL_FLOOR_C, HAMPEL_FACTOR * spread):
            return False
        if self.last_good is None:
            return True
        hours = abs((time - self.last_good[0]) / timedelta(hours=1))
        return abs(value - self.last_good[1]) > HEATER_C_PER_H * hours

    def _near_all(self, value: float) -> bool:
        low, high = self._among
        return value - low <= HAMPEL_FLOOR_C and high - value <= HAMPEL_FLOOR_C

    def _unless_stuck(self, value: float, time: datetime) -> Verdict:
        if self._same is None or self._same[0] != value:
            self._same = (value, time)
            return Verdict.GOOD
        return Verdict.SUSPECT if time - self._same[1] >= STUCK_AFTER else Verdict.GOOD

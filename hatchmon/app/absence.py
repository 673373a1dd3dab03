"""The time that hatchmon was off while batches ran, and the word of it once it is back."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.store import to_us
from hatchmon.app.cone_state import ConeState
from hatchmon.hatchery.alerts import URGENCY, Afflicted, Rules, back_words
from hatchmon.hatchery.types import Alert, Forecast, Quantity
from hatchmon.hatchery.wording import Voice

OFF_AFTER = timedelta(minutes=10)
BACK_WAIT_S = 300.0


class Absence:
    """Since when we are there, and since when we had been off if the keeper has yet to be told.

    ``last_run``: the last sign of life of an earlier run, or None.
    """

    def __init__(self, clock: Clock, last_run: datetime | None) -> None:
        self.began = clock.now()
        self._clock = clock
        self._last_run = last_run
        self._off_from: datetime | None = None
        self._off_since_start = False
        self._said_before: dict[str, Forecast | None] = {}  # by cone, the forecast before we were off
        self._back_mono = clock.monotonic()

    def started(self, cones: Mapping[str, ConeState], goes_on: bool) -> None:
        """The cones have been loaded. ``goes_on``: the machine has not been started since the last run."""
        last = self._last_run
        if last is not None and self.began - last > OFF_AFTER and self._over(last, goes_on, cones):
            self._last_run = None

    def slept(self, seconds: float, cones: Mapping[str, ConeState]) -> None:
        """The machine stood still for so long, until now."""
        self.began = self._clock.now()
        self._over(self.began - timedelta(seconds=seconds), True, cones)

    def clock_jumped(self, by: timedelta, goes_on: bool) -> None:
        """What the machine noted of itself since its start moves along."""
        self.began += by
        if self._last_run is not None and goes_on:
            self._last_run += by
        if self._off_from is not None and self._off_since_start:
            self._off_from += by

    def told(self, cones: Mapping[str, ConeState], rules: Rules, voice: Voice) -> Alert | None:
        """The word of it, once, when every running batch has been heard of since or that takes too long."""
        off_from = self._off_from
        if off_from is None or not self._heard_of_all(cones):
            return None
        self._off_from = None
        now = self._clock.now()
        afflicted = [
            Afflicted(
                cone.watch.batch,
                self._said_before.get(name),
                cone.forecast,
                *cone.watch.water_around(off_from),
            )
            for name, cone in cones.items()
            if cone.watch is not None and cone.forecast is not None and cone.watch.batch.started < off_from
        ]
        title, body = back_words(off_from, self.began, now, afflicted, voice)
        urgency = rules.urgency.get("back", URGENCY["back"])
        return Alert("back", f"since {to_us(off_from)}", None, urgency, title, body, now)

    def _over(self, since: datetime, since_start: bool, cones: Mapping[str, ConeState]) -> bool:
        """We were off until just now; whether a batch ran then. ``since_start``: all that time the machine
        was on, or asleep."""
        watches = [cone.watch for cone in cones.values() if cone.watch is not None]
        if not any(watch.batch.started < since for watch in watches):
            return False
        self._off_from, self._off_since_start = since, since_start
        self._back_mono = self._clock.monotonic()
        self._said_before = {name: cone.issued for name, cone in cones.items()}
        return True

    def _heard_of_all(self, cones: Mapping[str, ConeState]) -> bool:
        if self._clock.real_seconds(self._clock.monotonic() - self._back_mono) >= BACK_WAIT_S:
            return True
        newest = (cone.water.get(Quantity.TEMPERATURE) for cone in cones.values() if cone.watch is not None)
        return all(known is not None and known[1] >= self.began for known in newest)

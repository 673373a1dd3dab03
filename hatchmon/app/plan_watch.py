"""When the plan of what to begin must be made anew, and which starts are to be told."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime, timedelta

from hatchmon.adapters.store import Store
from hatchmon.app.plan_record import Issued, issued_of
from hatchmon.app.settings import Settings
from hatchmon.hatchery.alerts import Beginning, Kind
from hatchmon.hatchery.supply.keeper import presence
from hatchmon.hatchery.types import Batch, Forecast

OLD = timedelta(hours=6)
OVERDUE = timedelta(hours=1)
MOVED = timedelta(hours=1)
TROUBLE: Collection[Kind] = ("cold", "warm", "silent", "doubt")

Running = Mapping[int, tuple[Batch, Forecast | None]]
"""By number, the batches that run, with what is forecast of them."""


class PlanWatch:
    """Knows the plan issued last, and what has changed since it was wished for."""

    def __init__(self, settings: Settings, store: Store) -> None:
        self._settings = settings
        self._store = store
        self._issued: Issued | None = None
        self._beginnings: list[Beginning] = []
        self._wished: datetime | None = None
        self._opens: dict[int, datetime] = {}
        self._changed = True

    def changed(self) -> None:
        """The record has changed by a request, or something went wrong."""
        self._changed = True

    def wished(self, now: datetime, running: Running) -> None:
        """A plan is being made: what is so now needs no other."""
        self._wished, self._changed = now, False
        self._opens = _opening(running)

    def beginnings(self) -> list[Beginning]:
        """The starts of the plan issued last, with when to tell of them."""
        last = self._store.last_plan()
        if last is None or self._issued is None or last[0] != self._issued.number:
            self._issued = issued_of(self._store)
            found = [] if self._issued is None else self._issued.facts["starts"]
            self._beginnings = [self._beginning(each) for each in found]
        return self._beginnings

    def due(self, now: datetime, running: Running) -> bool:
        """Whether a plan should be made: something changed, a batch runs earlier or later than it did, a
        start is overdue, or the last plan is old. Never where there is nothing to plan with."""
        if not self._settings.cones or not self._store.broods() or not self._store.stock():
            return False
        if self._changed or self._wished is None or not timedelta(0) <= now - self._wished < OLD:
            return True
        opens = _opening(running)
        if any(abs(opens[n] - self._opens[n]) >= MOVED for n in opens.keys() & self._opens.keys()):
            return True
        begun = {batch.cone for batch, _ in running.values()}
        return any(
            each.at + OVERDUE <= now and self._wished < each.at + OVERDUE and each.cone not in begun
            for each in self.beginnings()
        )

    def _beginning(self, facts: Mapping[str, object]) -> Beginning:
        at = datetime.fromisoformat(str(facts["at"]))
        feedings = facts["for"]
        assert isinstance(feedings, list)
        return Beginning(
            cone=str(facts["cone"]),
            lot=str(facts["lot"]),
            at=at,
            grams=float(str(facts["grams"])),
            litres=float(str(facts["litres"])),
            salinity=float(str(facts["salinity"])),
            salt_g=float(str(facts["salt_g"])),
            feedings=tuple(datetime.fromisoformat(each) for each in feedings),
            tell=self._tell(at),
        )

    def _tell(self, at: datetime) -> datetime:
        """So long before a start as the keeper wants it, or at the end of their hours before that."""
        supply, zone = self._settings.supply, self._settings.zone
        away = [each.absence(zone) for each in supply.away]
        origin = at - timedelta(days=3)
        there = presence(supply.hours, away, zone, origin, at)
        wanted_h = 72.0 - supply.notice_min / 60.0
        last_h = there.last_h(wanted_h)
        return origin + timedelta(hours=wanted_h if last_h is None else last_h)


def _opening(running: Running) -> dict[int, datetime]:
    """By number, when the window of each batch that can be timed opens."""
    return {
        number: batch.time_at(forecast.opens.p50)
        for number, (batch, forecast) in running.items()
        if forecast is not None and forecast.opens is not None
    }

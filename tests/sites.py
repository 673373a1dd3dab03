"""Invented sites that write to one series store as real ones do, by the daemon's feeds and forwarder.

Each has a record of its own. How lots and sites differ is known, to be found again."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Self

import numpy as np

from hatchmon.adapters.series import Forwarded, SeriesForwarder, SeriesServer, SetAside
from hatchmon.adapters.store import NewReading, Store, Stream, to_us
from hatchmon.app.outgoing import feeds
from hatchmon.app.settings_model import Settings
from hatchmon.hatchery.types import Alert, Band, Batch, Count, Forecast, Look, Quantity, Urgency, Verdict
from tests.servers import wait_until

HOUR = timedelta(hours=1)
LOTS = ("dune-11", "river-23", "salt-pan-4", "shoal-7")
PACE_LOTS = (0.08, 0.0, -0.06, 0.02)  # ln of T90 over what is said
SHARE_LOTS = (0.2, 1.2, 0.7, 1.8)  # logit of the hatched share
PACE_SITE_SD, PACE_SD = 0.05, 0.06
SHARE_SITE_SD, SHARE_SD = 0.2, 0.25
SAID_H, SAID_SD = 24.0, 0.1
COUNTED = 400  # full cysts
QUARTER_BAND = 1.2815515655446004


@dataclass(slots=True)
class _Plan:
    """One batch as it will go."""

    cone: str
    lot: int
    started: datetime
    seen_h: float
    share: float

    @property
    def ends(self) -> datetime:
        return self.started + timedelta(hours=self.seen_h + 2.0)


class InventedSite:
    """A site whose record grows with ``live``; ``send`` forwards what is new."""

    def __init__(
        self, name: str, folder: Path, begun: datetime, until: datetime, *, cones: int, number: int,
        reading_s: float = 600.0, fine_from: datetime | None = None,
    ) -> None:  # fmt: skip
        self.name = name
        self.settings = Settings.model_validate({"site": name, "store": {"path": str(folder / f"{name}.db")}})
        self.store = Store(self.settings.store.path)
        self.pace, self.share = _site_effects(number)
        self._rng = np.random.default_rng((17, number))
        self._fine_from = fine_from or begun
        self._events: list[tuple[datetime, Callable[[], None]]] = []
        self._running: dict[str, Batch] = {}
        self._streams: list[Stream] = []
        self.plans: list[_Plan] = []
        with self.store.atomic():
            for cone in (f"c{i + 1:02}" for i in range(cones)):
                topic = f"hatchery/{cone}/temperature"
                self._streams.append(self.store.add_stream(cone, Quantity.TEMPERATURE, "C", topic, begun))
        for stream in self._streams:
            moment = begun + float(self._rng.uniform(0, 27)) * HOUR
            while moment < until:
                plan = self._planned(stream.cone, moment)
                self.plans.append(plan)
                self._plot(plan)
                moment = plan.ends + 1.0 * HOUR
        moment = begun
        while moment < until:
            moment += timedelta(seconds=reading_s)
            self._at(moment, self._measure(moment))
        self._events.sort(key=lambda each: each[0])

    def close(self) -> None:
        self.store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def live(self, until: datetime) -> None:
        """Everything that happens up to ``until``."""
        done = 0
        with self.store.atomic():
            for moment, happen in self._events:
                if moment > until:
                    break
                happen()
                self.store.date_changes(moment)
                done += 1
        del self._events[:done]

    def hatching(self) -> dict[str, str]:
        """The lot of every running batch, by cone."""
        return {cone: batch.lot for cone, batch in self._running.items()}

    def ended(self) -> int:
        """How many batches have been harvested."""
        return len(self.store.batches("outcome = 'harvested'"))

    def forwarder(self, url: str, said: Callable[[object], None]) -> SeriesForwarder:
        """One as the daemon makes it."""
        return SeriesForwarder(
            SeriesServer(url, "t", "o", "b"), feeds(self.settings, self.store), said,
            first_wait_s=0.05, longest_wait_s=0.2,
        )  # fmt: skip

    def send(self, url: str) -> None:
        """Forward until the store has everything."""
        said: list[object] = []
        forwarder = self.forwarder(url, said.append)
        forwarder.start()
        try:
            wait_until(lambda: self.settle(said), 120.0, f"everything of {self.name} to be in the store")
        finally:
            forwarder.stop()

    def settle(self, said: list[object]) -> bool:
        """Note what the forwarder ``said``, as the engine does; whether everything has been sent."""
        with self.store.atomic():
            while said:
                event = said.pop(0)
                assert not isinstance(event, SetAside), event
                if isinstance(event, Forwarded):
                    self.store.set_series_cursor(event.feed, event.up_to)
        newest = {
            "readings": "SELECT max(seq) FROM readings",
            "forecasts": "SELECT max(forecast_id) FROM forecasts",
            "batches": "SELECT max(change_id) FROM batch_changes",
            "alerts": "SELECT max(alert_id) FROM alerts",
        }
        return all(
            self.store.series_cursor(feed) >= (self.store.rows(query)[0][0] or 0)
            for feed, query in newest.items()
        )

    # --- what happens ---

    def _at(self, moment: datetime, happen: Callable[[], None]) -> None:
        self._events.append((moment, happen))

    def _planned(self, cone: str, started: datetime) -> _Plan:
        lot = int(self._rng.integers(len(LOTS)))
        pace = PACE_LOTS[lot] + self.pace + self._rng.normal(0, PACE_SD)
        share = SHARE_LOTS[lot] + self.share + self._rng.normal(0, SHARE_SD)
        return _Plan(cone, lot, started, SAID_H * math.exp(pace), 1.0 / (1.0 + math.exp(-share)))

    def _measure(self, moment: datetime) -> Callable[[], None]:
        return lambda: self.store.add_readings(
            [NewReading(each.stream_id, to_us(moment), 26.0, Verdict.GOOD, "probe") for each in self._streams]
        )

    def _plot(self, plan: _Plan) -> None:
        self._at(plan.started, lambda: self._begin(plan))
        for hours in _forecast_hours(plan, self._fine_from):
            self._at(plan.started + hours * HOUR, lambda hours=hours: self._forecast(plan, hours))  # type: ignore[misc]
        for share, seen in ((0.6, "few"), (0.8, "some"), (1.03, "complete")):
            moment = plan.started + share * plan.seen_h * HOUR
            self._at(moment, lambda moment=moment, seen=seen: self._look(plan, moment, seen))  # type: ignore[misc]
        for kind, urgency, after_h in (("ready-soon", "can wait", -0.5), ("ready", "soon", 0.0)):
            moment = plan.started + (plan.seen_h + after_h) * HOUR
            self._at(moment, lambda *a, k=kind, u=urgency, m=moment: self._alert(plan, k, u, m))
        self._at(plan.ends, lambda: self._end(plan))

    def _begin(self, plan: _Plan) -> None:
        batch = Batch(0, plan.cone, LOTS[plan.lot], plan.started, 2.0, litres=1.0, set_point_c=26.0)
        self._running[plan.cone] = self.store.add_batch(batch, "receipt")

    def _forecast(self, plan: _Plan, hours: float) -> None:
        part = hours / (plan.seen_h + 2.0)
        middle = SAID_H * (plan.seen_h / SAID_H) ** part if hours < plan.seen_h * 1.03 else plan.seen_h
        self.store.add_forecast(
            self._running[plan.cone].batch_id,
            invented_forecast(plan.started, hours, middle, SAID_SD * (1.0 - 0.8 * part)),
        )

    def _look(self, plan: _Plan, moment: datetime, seen: str) -> None:
        self.store.add_look(Look(self._running[plan.cone].batch_id, moment, seen), "receipt")

    def _alert(self, plan: _Plan, kind: str, urgency: Urgency, moment: datetime) -> None:
        batch = self._running[plan.cone]
        alert = Alert(
            kind, f"batch {batch.batch_id}", plan.cone, urgency, f"{plan.cone}: {kind}", "body", moment
        )
        self.store.add_alert(alert, 0, moment)

    def _end(self, plan: _Plan) -> None:
        batch = self._running.pop(plan.cone)
        hatched = round(COUNTED * plan.share)
        moment = plan.ends - timedelta(minutes=10)
        self.store.add_count(
            Count(batch.batch_id, moment, 1.0, (hatched,), (0,), (COUNTED - hatched,)), "receipt"
        )
        self.store.end_batch(batch.batch_id, plan.ends, "harvested")


def _site_effects(number: int) -> tuple[float, float]:
    rng = np.random.default_rng((5, number))
    return float(rng.normal(0, PACE_SITE_SD)), float(rng.normal(0, SHARE_SITE_SD))


def _forecast_hours(plan: _Plan, fine_from: datetime) -> Iterator[float]:
    """Half-hourly; the first and the last alone before ``fine_from``."""
    last = plan.seen_h + 1.9
    yield 0.0
    hours = 0.5
    while hours < last:
        if plan.started + hours * HOUR >= fine_from:
            yield hours
        hours += 0.5
    yield last


def invented_forecast(started: datetime, hours: float, t90_h: float, sd: float) -> Forecast:
    """One issued ``hours`` after the start, whose T90 has that median and sd of its ln."""

    def band(at_h: float) -> Band:
        wide = math.exp(QUARTER_BAND * sd)
        return Band(at_h / wide, at_h, at_h * wide)

    share = 1.0 / (1.0 + math.exp(-(hours - 0.8 * t90_h)))
    return Forecast(
        started + hours * HOUR, hours, share, band(t90_h - 6.0), band(t90_h - 3.0), band(t90_h), band(t90_h),
        band(t90_h + 2.0), band(t90_h + 5.0), None, 0.1, "good", (), None, "in control", usable_h=t90_h + 14,
    )  # fmt: skip


def invented_sites(
    folder: Path,
    now: datetime,
    *,
    sites: int,
    cones: int,
    days: float,
    reading_s: float = 600.0,
    fine: tuple[timedelta, timedelta] | None = None,
) -> list[InventedSite]:
    """``sites`` of them, named in order, with ``days`` of work before ``now``; nothing has happened yet.

    Forecasts are half-hourly all along, or so long before ``now``: of the first site, of the others.
    """
    begun = now - timedelta(days=days)
    found = []
    for number in range(sites):
        fine_from = None if fine is None else now - fine[min(number, 1)] - HOUR
        found.append(
            InventedSite(
                f"site-{number + 1:02}", folder, begun, now,
                cones=cones, number=number, reading_s=reading_s, fine_from=fine_from,
            )
        )  # fmt: skip
    return found

"""How the machine is, for other programs: ``/healthz`` in JSON, ``/metrics`` as OpenMetrics."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from typing import Any

from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector, CollectorRegistry
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from hatchmon.app.pages.site import Site
from hatchmon.app.snapshot import ConeNow, Snapshot
from hatchmon.hatchery.types import Quantity

IDLE_TOO_LONG_S = 30.0  # real seconds; a turn comes twice a second
STORED_TOO_LONG_AGO = timedelta(minutes=5)  # a sign of life is stored every minute


def routes(site: Site) -> list[BaseRoute]:
    """``/healthz`` and ``/metrics``."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Hatchery(site))

    def health(request: Request) -> Response:
        facts = health_facts(site)
        return JSONResponse(facts, 200 if facts["ok"] else 503)

    def metrics(request: Request) -> Response:
        text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
        return Response(text, headers={"content-type": CONTENT_TYPE_LATEST})

    return [Route("/healthz", health), Route("/metrics", metrics)]


def health_facts(site: Site) -> dict[str, Any]:
    """Whether all is well, what is not, and the figures behind that."""
    snapshot, idle_s, now = site.snapshot, site.showcase.idle_s, site.clock.now()
    if snapshot is None:
        return {"ok": False, "trouble": ["the engine has not done its first turn"]}
    silent = {cone.name: cone.silent_since for cone in snapshot.cones if cone.silent_since is not None}
    patience = timedelta(minutes=site.settings.alerts.silent_min)
    trouble = list(
        _trouble(
            snapshot,
            idle_s,
            now,
            [name for name, since in silent.items() if now - since >= patience],
        )
    )
    return {
        "ok": not trouble,
        "trouble": trouble,
        "engine_idle_s": round(idle_s, 1),
        "stored": None if snapshot.committed is None else snapshot.committed.isoformat(timespec="seconds"),
        "broker": snapshot.broker,
        "series": snapshot.series or "well",
        "reading_age_s": {
            cone.name: round((now - taken).total_seconds())
            for cone in snapshot.cones
            if (taken := _taken(cone)) is not None
        },
    }


def _trouble(snapshot: Snapshot, idle_s: float, now: datetime, silent: Iterable[str]) -> Iterator[str]:
    if idle_s > IDLE_TOO_LONG_S:
        yield f"the engine has not turned for {idle_s:.0f} s"
    if snapshot.trouble is not None:
        yield f"the database cannot be written: {snapshot.trouble}"
    elif snapshot.committed is None:
        yield "nothing has been stored yet"
    elif now - snapshot.committed > STORED_TOO_LONG_AGO:
        yield f"nothing has been stored since {snapshot.committed.isoformat(timespec='seconds')}"
    if not snapshot.connected:
        yield f"the broker: {snapshot.broker}"
    for name in silent:
        yield f"no temperature comes from {name}"


def _taken(cone: ConeNow) -> datetime | None:
    water = cone.water.get(Quantity.TEMPERATURE)
    return None if water is None else water[1]


class _Hatchery(Collector):
    """The latest picture as metrics; a cone and a quantity are the only labels."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def collect(self) -> Iterator[Metric]:
        """All that can be said now."""
        snapshot = self._site.snapshot
        facts = health_facts(self._site)
        yield _gauge("up", "Whether all is well, as /healthz tells.", float(facts["ok"]))
        yield _gauge("engine_idle_seconds", "Since the engine's last turn.", self._site.showcase.idle_s)
        if snapshot is None:
            return
        yield _gauge("broker_connected", "Whether readings can come in.", float(snapshot.connected))
        yield _gauge("database_writable", "Whether readings can be stored.", float(snapshot.trouble is None))
        yield _gauge(
            "series_well", "Whether the series store takes readings.", float(snapshot.series is None)
        )
        if snapshot.committed is not None:
            stored = snapshot.committed.timestamp()
            yield _gauge("stored_timestamp_seconds", "When something was last stored.", stored)
        yield from _water(snapshot.cones)
        yield from _hatch(snapshot.cones)


def _gauge(name: str, what: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"hatchmon_{name}", what, value=value)


def _water(cones: Iterable[ConeNow]) -> Iterator[Metric]:
    values = GaugeMetricFamily(
        "hatchmon_water", "Newest usable value, in the unit used inside.", labels=("cone", "quantity")
    )
    times = GaugeMetricFamily(
        "hatchmon_water_timestamp_seconds", "When that was measured.", labels=("cone", "quantity")
    )
    for cone in cones:
        for quantity, (value, taken) in sorted(cone.water.items()):
            values.add_metric((cone.name, quantity.value), value)
            times.add_metric((cone.name, quantity.value), taken.timestamp())
    yield values
    yield times


def _hatch(cones: Iterable[ConeNow]) -> Iterator[Metric]:
    share = GaugeMetricFamily("hatchmon_hatched_ratio", "Share of the hatch, 0 to 1.", labels=("cone",))
    ends = {
        name: GaugeMetricFamily(
            f"hatchmon_window_{name}_timestamp_seconds",
            f"When the harvest window {name}, with the chance that it has by then.",
            labels=("cone", "chance"),
        )
        for name in ("opens", "closes")
    }
    for cone in cones:
        batch, forecast = cone.batch, cone.forecast
        if batch is None or forecast is None:
            continue
        share.add_metric((cone.name,), forecast.hatched)
        for name, band in (("opens", forecast.opens), ("closes", forecast.closes)):
            if band is not None:
                for chance, hours in (("0.1", band.p10), ("0.5", band.p50), ("0.9", band.p90)):
                    ends[name].add_metric((cone.name, chance), batch.time_at(hours).timestamp())
    yield share
    yield from ends.values()

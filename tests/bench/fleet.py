"""How soon all sites are told, from a real victoria-metrics that holds days of 40 sites of 12 cones."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from hatchmon.app.fleet import read_fleet
from hatchmon.app.settings_model import Fleet as FleetSettings
from tests.bench.figures import measured
from tests.bench.lines import Line
from tests.servers import VictoriaMetrics
from tests.sites import invented_sites

TARGET_MS = 300.0
LIMIT_S = 60.0
DAYS = 5.0


def lines(folder: Path, brief: bool) -> Iterator[Line]:
    """All of them heard, then as if none had been for a day, when each is asked for by itself."""
    sites, cones, days, rounds = (3, 4, 3.0, 2) if brief else (40, 12, DAYS, 20)
    now = datetime.now(UTC)
    with VictoriaMetrics(folder / "store") as store:
        for site in invented_sites(folder, now, sites=sites, cones=cones, days=days):
            with site:
                site.live(now)
                site.send(store.url)
        store.export('{__name__="none"}')  # flushed
        settings = FleetSettings(url=store.url)
        for name, later, aim in (("heard", 0, TARGET_MS), ("silent for a day", 1, None)):
            at = now + timedelta(days=later)
            fleet = read_fleet(settings, at, LIMIT_S)
            assert (len(fleet.sites), len(fleet.lags)) == (sites, sites * later)
            assert len(fleet.hatching) > sites * cones / 2
            yield measured(
                f"fleet: {sites} sites of {cones} cones, {days:g} days, {name}",
                lambda at=at: read_fleet(settings, at, LIMIT_S),  # type: ignore[misc]
                rounds,
                aim,
            )

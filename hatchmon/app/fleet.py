"""All sites, read from the store that they share. Nothing here touches the engine or the database."""

from __future__ import annotations

import gc
import re
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

from hatchmon.adapters.promql import MOST_AT_ONCE, Asker, Line
from hatchmon.app.settings_model import Fleet as FleetSettings
from hatchmon.hatchery.fleet import FORECAST_EVERY, Fleet, Row, ToldThere, make_fleet, urgency_of
from hatchmon.hatchery.wording import printable

LOOK_BACK = timedelta(days=30)  # a site without a sign for longer is no longer named
COMMAND_LIMIT_S = 30.0
PAGE_LIMIT_S = 5.0
TOGETHER = timedelta(minutes=15)  # sites heard since then are asked for together
APART = timedelta(hours=1)  # at most, of others that are asked for together
RECENT = TOGETHER + 1.5 * FORECAST_EVERY
TOLD_WITHIN = timedelta(days=1)
_SITE = re.compile(r"[a-z0-9_-]{1,32}")
# Of every site some of these keep coming: readings while a probe lives, forecasts while a batch runs.
SIGNS = '__name__=~"temperature_value|forecast_started|batch_started|alert_urgency"'
BATCH = (
    "started", "running", "t90_said_p10_h", "t90_said_p50_h", "t90_said_p90_h", "t90_seen_h",
    "hatched_share",
)  # fmt: skip
FORECAST = (
    "started", "hatched", "trust", "opens_p10", "opens_p50", "opens_p90", "closes_p10", "closes_p50",
    "closes_p90", "usable_until",
)  # fmt: skip


def read_fleet(fleet: FleetSettings, at: datetime, limit_s: float) -> Fleet:
    """All sites as of ``at``. Raises promql.Unanswered, after ``limit_s`` at the latest."""
    asker = Asker(fleet.url, fleet.token.get_secret_value(), time.monotonic() + limit_s)
    collecting = gc.isenabled()
    gc.disable()  # hundreds of thousands of small things, none in a circle: looking for those costs a third
    try:
        return _read(asker, fleet, at)
    finally:
        asker.close()
        if collecting:
            gc.enable()


def try_fleet(fleet: FleetSettings, at: datetime, limit_s: float) -> list[str]:
    """The names of the sites there are. Raises promql.Unanswered."""
    asker = Asker(fleet.url, fleet.token.get_secret_value(), time.monotonic() + limit_s)
    try:
        return _sites(asker, at)
    finally:
        asker.close()


def _read(asker: Asker, fleet: FleetSettings, at: datetime) -> Fleet:
    lagging = timedelta(minutes=fleet.lagging_min)
    days = timedelta(days=fleet.record_days)
    with ThreadPoolExecutor(MOST_AT_ONCE, "fleet") as beside:
        # The store works on these while we look at what has come; the longest first.
        record = beside.submit(asker.fetch, _question("batch", BATCH, days), at)
        here = beside.submit(asker.fetch, _question("forecast", FORECAST, RECENT), at)
        told_here = beside.submit(asker.fetch, _alerts(TOLD_WITHIN), at)
        last = _last_signs(asker, at, lagging)
        behind = {site: then for site, then in last.items() if then is not None and at - then > TOGETHER}
        groups = [
            (
                beside.submit(asker.fetch, _question("forecast", FORECAST, RECENT + spread, sites), newest),
                beside.submit(asker.fetch, _alerts(TOLD_WITHIN + spread, sites), newest),
            )
            for sites, newest, spread in _groups(behind)
        ]
        # Of sites heard just now as of now, of others as of then.
        forecasts = [line for line in asker.lines(here.result()) if line.labels.get("site") not in behind]
        told = [line for line in asker.lines(told_here.result()) if line.labels.get("site") not in behind]
        for theirs, told_there in groups:
            forecasts += _as_of(behind, RECENT, asker.lines(theirs.result()))
            told += _as_of(behind, TOLD_WITHIN, asker.lines(told_there.result()))
        rows, alerts = _rows("forecast", forecasts), _told(told)
        return make_fleet(at, lagging, last, _rows("batch", asker.lines(record.result())), rows, alerts)


def _groups(behind: Mapping[str, datetime]) -> Iterator[tuple[list[str], datetime, timedelta]]:
    """Sites heard last at about one time: their names, the newest of these times and what lies between."""
    left = sorted(behind, key=lambda site: behind[site], reverse=True)
    while left:
        newest = behind[left[0]]
        sites = [site for site in left if newest - behind[site] <= APART]
        yield sites, newest, newest - behind[sites[-1]]
        del left[: len(sites)]


def _as_of(behind: Mapping[str, datetime], back: timedelta, lines: Iterable[Line]) -> Iterator[Line]:
    """Of each site the points of its own last stretch alone."""
    for line in lines:
        then = behind[line.labels["site"]]
        since_s, until_s = (then - back).timestamp(), then.timestamp()
        points = [point for point in line.points if since_s < point[0] <= until_s]
        if points:
            yield Line(line.labels, points)


def _sites(asker: Asker, at: datetime) -> list[str]:
    """Names that a site can have; what others write into the same store is left alone."""
    names = asker.values_of("site", f"{{{SIGNS}}}", at - LOOK_BACK, at)
    return [name for name in names if _SITE.fullmatch(name)]


def _last_signs(asker: Asker, at: datetime, lagging: timedelta) -> dict[str, datetime | None]:
    """The time of each site's newest point. Looked for further and further back, for those not found yet:
    readings are many."""
    last: dict[str, datetime | None] = dict.fromkeys(_sites(asker, at))
    for back in (lagging, timedelta(hours=26), LOOK_BACK):
        missing = [site for site, moment in last.items() if moment is None]
        if not missing:
            break
        of_these = _of(missing if len(missing) < len(last) else ())
        for line in asker.ask(
            f"max by (site) (tlast_over_time({{{SIGNS}{of_these}}}[{_seconds(back)}]))", at
        ):
            if line.labels.get("site") in last:
                last[line.labels["site"]] = datetime.fromtimestamp(line.last[1], UTC)
    return last


def _question(measurement: str, fields: Iterable[str], back: timedelta, sites: Sequence[str] = ()) -> str:
    names = "|".join(f"{measurement}_{field}" for field in fields)
    return f'{{__name__=~"{names}"{_of(sites)}}}[{_seconds(back)}]'


def _alerts(back: timedelta, sites: Sequence[str] = ()) -> str:
    return f'{{__name__="alert_urgency"{_of(sites)}}}[{_seconds(back)}]'


def _of(sites: Sequence[str]) -> str:
    return f',site=~"{"|".join(sites)}"' if sites else ""


def _rows(measurement: str, answer: Iterable[Line]) -> list[Row]:
    """The newest row of each batch: what is known of it now. Fields of one row have one time."""
    lines: dict[tuple[str, str, str], dict[str, Sequence[tuple[float, str]]]] = {}
    for labels, points in answer:
        whose = (labels.get("site", ""), labels.get("cone", ""), labels.get("lot", ""))
        if all(whose):
            lines.setdefault(whose, {})[labels["__name__"].removeprefix(f"{measurement}_")] = points
    found: list[Row] = []
    for (site, cone, lot), by_field in lines.items():
        if "started" not in by_field:
            continue
        newest = {started: when for when, started in by_field["started"]}
        rows = {when: Row(site, printable(cone), printable(lot), when, {}) for when in newest.values()}
        for field, points in by_field.items():
            for when, text in points:
                if when in rows:
                    rows[when].fields[field] = float(text)
        found += rows.values()
    return found


def _told(lines: Iterable[Line]) -> list[ToldThere]:
    return [each for line in lines if (each := _told_there(line)) is not None]


def _told_there(line: Line) -> ToldThere | None:
    labels = {name: printable(text) for name, text in line.labels.items()}
    if "site" not in labels:
        return None
    when, urgency = line.last
    return ToldThere(
        labels["site"],
        labels.get("cone"),
        labels.get("lot"),
        labels.get("kind", ""),
        labels.get("title", ""),
        urgency_of(urgency),
        datetime.fromtimestamp(when, UTC),
    )


def _seconds(span: timedelta) -> str:
    return f"{round(span.total_seconds())}s"

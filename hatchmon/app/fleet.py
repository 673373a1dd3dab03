"""All sites, read from the store that they share. Nothing here touches the engine or the database."""

from __future__ import annotations

import gc
import re
import time
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

from hatchmon.adapters.promql import Asker, Line
from hatchmon.app.settings_model import Fleet as FleetSettings
from hatchmon.hatchery.fleet import FORECAST_EVERY, Fleet, Row, ToldThere, make_fleet, urgency_of
from hatchmon.hatchery.wording import printable

LOOK_BACK = timedelta(days=30)  # a site without a sign for longer is no longer named
COMMAND_LIMIT_S = 30.0
PAGE_LIMIT_S = 5.0
TOGETHER = timedelta(minutes=15)  # sites heard since then are asked for together
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
    with ThreadPoolExecutor(1, "fleet") as beside:  # the store works on this while the rest is looked at
        record = beside.submit(asker.fetch, _question("batch", BATCH, "", days), at)
        last = _last_signs(asker, at, lagging)
        forecasts, told = _present(asker, at, last)
    return make_fleet(at, lagging, last, _rows("batch", asker.lines(record.result())), forecasts, told)


def _present(
    asker: Asker, at: datetime, last: Mapping[str, datetime | None]
) -> tuple[list[Row], list[ToldThere]]:
    """The newest forecasts and what was told: of sites heard just now in one, of others as of then."""
    behind = {site: moment for site, moment in last.items() if moment is not None and at - moment > TOGETHER}
    here = "" if not behind else f'site!~"{"|".join(behind)}"'
    recent = TOGETHER + 1.5 * FORECAST_EVERY
    forecasts: list[Row] = []
    told: list[ToldThere] = []
    for where, moment in [(here, at), *((f'site="{site}"', then) for site, then in behind.items())]:
        lines = asker.ask(_question("forecast", FORECAST, where, recent), moment)
        forecasts += _rows("forecast", lines)
        told += _told(asker, where, moment)
    return forecasts, told


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
        of_these = "" if len(missing) == len(last) else f',site=~"{"|".join(missing)}"'
        for line in asker.ask(
            f"max by (site) (tlast_over_time({{{SIGNS}{of_these}}}[{_seconds(back)}]))", at
        ):
            if line.labels.get("site") in last:
                last[line.labels["site"]] = datetime.fromtimestamp(line.last[1], UTC)
    return last


def _question(measurement: str, fields: Iterable[str], where: str, back: timedelta) -> str:
    names = "|".join(f"{measurement}_{field}" for field in fields)
    return f'{{__name__=~"{names}"{"," if where else ""}{where}}}[{_seconds(back)}]'


def _rows(measurement: str, answer: Iterable[Line]) -> list[Row]:
    """The newest row of each batch: what is known of it now. Fields of one row have one time."""
    lines: dict[tuple[str, str, str], dict[str, Line]] = {}
    for line in answer:
        labels = line.labels
        whose = (labels.get("site", ""), printable(labels.get("cone", "")), printable(labels.get("lot", "")))
        if all(whose):
            lines.setdefault(whose, {})[labels["__name__"].removeprefix(f"{measurement}_")] = line
    found: list[Row] = []
    for whose, by_field in lines.items():
        if "started" not in by_field:
            continue
        newest = {started: when for when, started in by_field["started"].points}
        rows = {when: Row(*whose, when, {}) for when in newest.values()}
        for field, line in by_field.items():
            for when, text in line.points:
                if when in rows:
                    rows[when].fields[field] = float(text)
        found += rows.values()
    return found


def _told(asker: Asker, where: str, at: datetime) -> list[ToldThere]:
    lines = asker.ask(f"alert_urgency{{{where}}}[{_seconds(TOLD_WITHIN)}]", at)
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

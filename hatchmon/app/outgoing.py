"""What goes to the series store: a feed each of readings, forecasts, batches and alerts. DEVELOPERS.md tells
what to do with it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime

from hatchmon.adapters.series import Feed, Point
from hatchmon.adapters.store import Store, to_us
from hatchmon.app.settings import Settings
from hatchmon.app.timekeeper import times_are_held
from hatchmon.hatchery.counts import near_complete, samples_of
from hatchmon.hatchery.honesty import score
from hatchmon.hatchery.looks import reaches_the_end
from hatchmon.hatchery.types import Batch, Forecast, Trust, Urgency, Verdict
from hatchmon.hatchery.units import to_inner
from hatchmon.science.yields import efficiency, hatching_share, output_mg_per_g

LONGEST_TITLE = 120
_TRUST: dict[Trust, float] = {"none": 0.0, "degraded": 0.5, "good": 1.0}
_URGENCY: dict[Urgency, float] = {"can wait": 1.0, "soon": 2.0, "now": 3.0}

Fields = dict[str, float]


def feeds(settings: Settings, store: Store) -> list[Feed]:
    """Every feed, from where it was left. They read the database through connections of their own."""

    def feed(name: str, fetch: Callable[[Store, str, int, int], list[Point]]) -> Feed:
        def fetch_now(cursor: int, most: int) -> Sequence[Point]:
            with Store(settings.store.path, read_only=True) as own:
                if times_are_held(own):
                    return []  # a store takes nothing back
                return fetch(own, settings.site, cursor, most)

        return Feed(name, store.series_cursor(name), fetch_now)

    return [
        feed("readings", readings),
        feed("forecasts", forecasts),
        feed("batches", batches),
        feed("alerts", alerts),
    ]


def readings(store: Store, site: str, cursor: int, most: int) -> list[Point]:
    """A point for each reading, named after its quantity."""
    return [
        Point(
            row["seq"],
            row["quantity"],
            _tags(
                site,
                row["cone"],
                row["lot"],
                fit="yes" if Verdict(row["verdict"]).usable else row["verdict"],
            ),
            (("value", to_inner(row["raw"], row["unit"])),),
            row["time_us"],
        )
        for row in store.readings_after(cursor, most)
    ]


def forecasts(store: Store, site: str, cursor: int, most: int) -> list[Point]:
    """A point for each forecast as issued."""
    return [
        Point(
            number,
            "forecast",
            _tags(site, batch.cone, batch.lot),
            tuple(forecast_fields(batch, forecast).items()),
            to_us(forecast.issued),
        )
        for number, batch, forecast in store.forecasts_after(cursor, most)
    ]


def batches(store: Store, site: str, cursor: int, most: int) -> list[Point]:
    """A point for each change to a batch, with all that is known of it now."""
    while changes := store.batch_changes_after(cursor, most):
        points = []
        for change in changes:
            if change.batch is not None:
                batch = change.batch
                tags, fields = _tags(site, batch.cone, batch.lot), batch_fields(store, batch)
            elif change.dropped is not None:
                cone, lot, started = change.dropped
                tags = _tags(site, cone, lot)
                fields = {"started": _seconds(started), "running": 0.0, "taken_back": 1.0}
            else:
                continue  # of a batch taken back since
            points.append(Point(change.change_id, "batch", tags, tuple(fields.items()), change.time_us))
        if points:
            return points
        cursor = changes[-1].change_id
    return []


def alerts(store: Store, site: str, cursor: int, most: int) -> list[Point]:
    """A point for each alert, whether or not somebody was sent it."""
    return [
        Point(
            row["alert_id"],
            "alert",
            _tags(
                site,
                row["cone"],
                row["lot"],
                kind=row["kind"],
                title=" ".join(row["title"].split())[:LONGEST_TITLE],
            ),
            (("urgency", _URGENCY[row["urgency"]]),),
            row["raised_us"],
        )
        for row in store.alerts_after(cursor, most)
    ]


def forecast_fields(batch: Batch, forecast: Forecast) -> Fields:
    """A forecast as numbers: moments in seconds since 1970, UTC."""
    fields = {
        "started": _seconds(batch.started),
        "q25_h": forecast.q25_h,
        "hatched": forecast.hatched,
        "trust": _TRUST[forecast.trust],
        "from_temperature": forecast.from_temperature,
    }
    for name in ("t10", "t50", "t90", "opens", "best", "closes"):
        band = getattr(forecast, name)
        if band is not None:
            for level in ("p10", "p50", "p90"):
                fields[f"{name}_{level}"] = _seconds(batch.time_at(getattr(band, level)))
    if forecast.usable_h is not None:
        fields["usable_until"] = _seconds(batch.time_at(forecast.usable_h))
    return fields


def batch_fields(store: Store, batch: Batch) -> Fields:
    """A batch as numbers; what is not known is left out."""
    fields = {
        "started": _seconds(batch.started),
        "running": float(batch.running),
        "grams": batch.grams,
    }
    for name in ("litres", "set_point_c", "salinity"):
        value = getattr(batch, name)
        if value is not None:
            fields[name] = value
    first, last = store.first_forecast(batch.batch_id), store.last_forecast(batch.batch_id)
    last_t90_h = None if last is None or last.t90 is None else last.t90.p50
    if batch.ended is not None:
        fields |= {
            "ended": _seconds(batch.ended),
            "hours": batch.hours_at(batch.ended),
            "harvested": float(batch.outcome == "harvested"),
        }
        if first is not None and first.t90 is not None:
            fields |= {f"t90_said_{level}_h": getattr(first.t90, level) for level in ("p10", "p50", "p90")}
        seen = any(reaches_the_end(look.seen) for look in store.looks(batch.batch_id))
        scored = score(batch.batch_id, first, last, seen)
        if scored is not None:
            fields["t90_seen_h"] = scored.seen.p50
    for count in store.counts(batch.batch_id):
        if near_complete(batch, count, last_t90_h):
            samples = samples_of(batch, count)
            per_gram = efficiency(samples)
            for name, interval in (
                ("hatched_share", hatching_share(samples)),
                ("nauplii_per_gram", per_gram),
                ("output_mg_per_g", None if per_gram is None else output_mg_per_g(per_gram)),
            ):
                if interval is not None:
                    fields |= {
                        name: interval.value,
                        f"{name}_low": interval.low,
                        f"{name}_high": interval.high,
                    }
    return fields


def _tags(site: str, cone: str | None, lot: str | None, **more: str) -> tuple[tuple[str, str], ...]:
    named = {"site": site, "cone": cone, "lot": lot} | more
    return tuple((name, value) for name, value in named.items() if value)


def _seconds(moment: datetime) -> float:
    return round(moment.timestamp(), 3)

"""All sites in words and as plain data, for command line and page."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from hatchmon.hatchery.fleet import Coverage, Fleet, Hatching, SiteNow, ToldThere
from hatchmon.hatchery.types import Band, Batch
from hatchmon.hatchery.wording import Voice, duration
from hatchmon.science.yields import Interval

SHOWN = 24  # batches, and what was told, unless all are asked for
AS_OF = "As of {}: "


def fleet_json(fleet: Fleet, voice: Voice) -> dict[str, Any]:
    """All of it as plain data: times ISO 8601 UTC, shares 0-1, ``pace`` is T90 over what was said."""
    return {
        "at": _iso(fleet.at),
        "lagging_min": fleet.lagging.total_seconds() / 60.0,
        "sites": [
            {
                "site": site.name,
                "last": None if site.last is None else _iso(site.last),
                "lags": site.lags,
                "hatching": len(site.hatching),
                "told": [_told_json(each) for each in site.told],
                "coverage": _coverage_json(site.coverage),
                "pace": _interval_json(site.pace),
            }
            for site in fleet.sites
        ],
        "hatching": [_hatching_json(each, fleet, voice) for each in fleet.hatching],
        "lots": [
            {
                "lot": lot.lot,
                "batches": lot.batches,
                "sites": lot.sites,
                "pace": _interval_json(lot.pace),
                "hatched_share": _interval_json(lot.share),
            }
            for lot in fleet.lots
        ],
        "coverage": _coverage_json(fleet.coverage),
    }


# --- in words, for both ----------------------------------------------------------------------


def heard_words(fleet: Fleet) -> str:
    """How many sites there are, and how many are heard."""
    count, away = len(fleet.sites), len(fleet.lags)
    within = f"{fleet.lagging.total_seconds() / 60.0:g} min"
    sites = f"{count} sites" if count != 1 else "1 site"
    if not away:
        return f"{sites}, heard within {within}." if count == 1 else f"{sites}, all heard within {within}."
    lag = "1 lags" if away == 1 else f"{away} lag"
    return f"{sites}, {count - away} heard within {within}; {lag}:"


def lag_words(site: SiteNow, fleet: Fleet, voice: Voice) -> str:
    """Since when a site has not been heard."""
    if site.last is None:
        return f"{site.name}: not heard for 30 days."
    ago = duration((fleet.at - site.last).total_seconds() / 3600.0)
    since = voice.time(site.last, fleet.at)
    return f"{site.name}: last heard {since} ({ago} ago); what it says is as of then."


def say(each: Hatching, fleet: Fleet, voice: Voice) -> str:
    """When a batch is ready and until when, marked where it may be out of date."""
    if each.forecast is None:
        return "No forecast lately: see its site."
    sentence = voice.ready(each.batch, each.forecast, fleet.at)
    if each.silent or _lags(each, fleet):
        return AS_OF.format(voice.time(each.forecast.issued, fleet.at)) + sentence
    return sentence


def _lags(each: Hatching, fleet: Fleet) -> bool:
    return any(site.lags for site in fleet.sites if site.name == each.site)


def told_at(fleet: Fleet) -> list[ToldThere]:
    """What was told anywhere and counts still: the most pressing first, then the newest."""
    told = [each for site in fleet.sites for each in site.told]
    return sorted(told, key=lambda each: (each.urgency != "now", -each.raised.timestamp(), each.site))


def pace_words(pace: Interval | None, none: str) -> str:
    """``8 % later (7 to 9 %)``; ``none`` where the interval holds no difference."""
    if pace is None:
        return "-"
    value, low, high = (100.0 * (each - 1.0) for each in (pace.value, pace.low, pace.high))
    if low <= 0.0 <= high:
        return f"{none} ({low:+.0f} to {high:+.0f} %)"
    if value < 0.0:
        value, low, high = -value, -high, -low
        return f"{value:.0f} % sooner ({low:.0f} to {high:.0f} %)"
    return f"{value:.0f} % later ({low:.0f} to {high:.0f} %)"


def share_words(share: Interval | None) -> str:
    """``73 % (69 to 76 %)``."""
    if share is None:
        return "-"
    return f"{share.value:.0%} ({100.0 * share.low:.0f} to {share.high:.0%})".replace("%", " %")


def coverage_words(coverage: Coverage) -> str:
    """How many first forecasts held."""
    if coverage.share is None:
        return "No forecast has been put to the test in these days."
    return (
        f"{coverage.inside} of {coverage.count} hatches fell inside the 80 % band first forecast: "
        f"{share_words(coverage.share)}."
    )


# --- as data ---------------------------------------------------------------------------------


def _hatching_json(each: Hatching, fleet: Fleet, voice: Voice) -> dict[str, Any]:
    forecast = each.forecast
    lags = _lags(each, fleet)
    facts: dict[str, Any] = {
        "site": each.site,
        "cone": each.batch.cone,
        "lot": each.batch.lot,
        "started": _iso(each.batch.started),
        "out_of_date": each.silent or lags,
        "forecast": None,
        "say": say(each, fleet, voice),
    }
    if forecast is not None:
        usable = forecast.usable_h
        facts["forecast"] = {
            "issued": _iso(forecast.issued),
            "hatched": round(forecast.hatched, 3),
            "trust": forecast.trust,
            "opens": _moments(each.batch, forecast.opens),
            "closes": _moments(each.batch, forecast.closes),
            "usable_until": None if usable is None else _iso(each.batch.time_at(usable)),
        }
    return facts


def _told_json(each: ToldThere) -> dict[str, Any]:
    return {
        "cone": each.cone,
        "lot": each.lot,
        "kind": each.kind,
        "title": each.title,
        "urgency": each.urgency,
        "raised": _iso(each.raised),
    }


def _coverage_json(coverage: Coverage) -> dict[str, Any]:
    return {
        "inside": coverage.inside,
        "count": coverage.count,
        "share": _interval_json(coverage.share),
    }


def _moments(batch: Batch, band: Band | None) -> dict[str, str] | None:
    if band is None:
        return None
    return {level: _iso(batch.time_at(getattr(band, level))) for level in ("p10", "p50", "p90")}


def _interval_json(interval: Interval | None) -> dict[str, float] | None:
    if interval is None:
        return None
    return {name: round(getattr(interval, name), 4) for name in ("value", "low", "high")}


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")

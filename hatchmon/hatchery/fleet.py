"""Many sites, from what each of them wrote to a store they share."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from hatchmon.hatchery.honesty import Scored
from hatchmon.hatchery.types import Band, Batch, Forecast, Trust, Urgency
from hatchmon.hatchery.wording import span
from hatchmon.science.effects import Effects, crossed_effects
from hatchmon.science.yields import Interval, jeffreys_share

FORECAST_EVERY = timedelta(minutes=30)  # at the longest, while a batch runs
SAID_THERE = "its site says why"
_PRESSING: dict[float, Urgency] = {2.0: "soon", 3.0: "now"}
_STAGES = ("ready-soon", "ready", "closing", "past")  # of one batch the newest of these stands
_LEAST_SHARE = 0.005  # of cysts hatched, and of those that did not: nearer to none or all a count is blind

Key = tuple[str, str, float]
"""Site, cone and start (seconds since 1970) of a batch."""


@dataclass(frozen=True, slots=True)
class Row:
    """What a site wrote of a cone and a lot at one time, all fields of it together."""

    site: str
    cone: str
    lot: str
    time: float
    fields: dict[str, float]


@dataclass(frozen=True, slots=True)
class Hatching:
    """A batch that runs; ``forecast`` is the one its site issued last, None where there was none lately.
    ``silent``: the rest of its site has been heard since it was."""

    site: str
    batch: Batch
    forecast: Forecast | None
    silent: bool


@dataclass(frozen=True, slots=True)
class ToldThere:
    """Something that was told at a site and still counts."""

    site: str
    cone: str | None
    lot: str | None
    kind: str
    title: str
    urgency: Urgency
    raised: datetime


@dataclass(frozen=True, slots=True)
class Coverage:
    """``inside`` of ``count`` first 80 % bands held; ``share`` with its 80 % interval, None without any."""

    inside: int
    count: int
    share: Interval | None


@dataclass(frozen=True, slots=True)
class SiteNow:
    """One site: the time of its newest point (None: none for as long as was asked), and what it says as of
    then."""

    name: str
    last: datetime | None
    lags: bool
    hatching: Sequence[Hatching]
    told: Sequence[ToldThere]
    coverage: Coverage
    pace: Interval | None
    """Its batches' T90 over what was said, beside what is due to the lots: 1 is like other sites."""


@dataclass(frozen=True, slots=True)
class LotThere:
    """One lot over all sites: ``pace``, T90 over what was said; ``share`` of full cysts hatched; of
    ``batches`` at ``sites``."""

    lot: str
    batches: int
    sites: int
    pace: Interval | None
    share: Interval | None


@dataclass(frozen=True, slots=True)
class Fleet:
    """All sites as of ``at``; ``lagging``: after how long without a sign a site counts as lagging."""

    at: datetime
    lagging: timedelta
    sites: Sequence[SiteNow]
    lots: Sequence[LotThere]
    coverage: Coverage

    @property
    def hatching(self) -> list[Hatching]:
        """Every batch that runs anywhere, the one that needs somebody next first."""
        return in_turn(each for site in self.sites for each in site.hatching)

    @property
    def lags(self) -> list[SiteNow]:
        """The sites that lag, the one away longest first."""
        return sorted(
            (site for site in self.sites if site.lags),
            key=lambda site: (site.last is not None, site.last or self.at, site.name),
        )


def in_turn(hatching: Iterable[Hatching]) -> list[Hatching]:
    """By when the window opens; what cannot be timed comes last."""

    def turn(each: Hatching) -> tuple[float, str, str]:
        forecast = each.forecast
        if forecast is None or forecast.opens is None or forecast.closes is None:
            return math.inf, each.site, each.batch.cone
        opens = each.batch.time_at(span(forecast.opens, forecast.closes)[0].p50)
        return opens.timestamp(), each.site, each.batch.cone

    return sorted(hatching, key=turn)


def make_fleet(
    at: datetime,
    lagging: timedelta,
    last: Mapping[str, datetime | None],
    batches: Iterable[Row],
    forecasts: Iterable[Row],
    told: Iterable[ToldThere],
) -> Fleet:
    """Put together what the sites named in ``last`` wrote, each up to its newest point.

    ``batches``: rows as far back as the record counts; ``forecasts`` and ``told``: of about each site's last
    hour and day. What other names wrote is left alone.
    """
    newest = {key: row for key, row in _newest(batches).items() if row.site in last}
    issued = _newest(forecasts)
    hatching: dict[str, list[Hatching]] = {}
    for each in _running(newest, issued, last):
        hatching.setdefault(each.site, []).append(each)
    standing: dict[str, list[ToldThere]] = {}
    for each_told in told:
        standing.setdefault(each_told.site, []).append(each_told)
    scored = {key: found for key, row in newest.items() if (found := _scored(row)) is not None}
    by_site: dict[str, list[Scored]] = {}
    for (site, _, _), found in scored.items():
        by_site.setdefault(site, []).append(found)
    paces, lots = _compared(newest, scored)
    return Fleet(
        at,
        lagging,
        [
            SiteNow(
                name,
                moment,
                moment is None or at - moment > lagging,
                in_turn(hatching.get(name, ())),
                _standing(standing.get(name, ()), hatching.get(name, ())),
                coverage(by_site.get(name, ())),
                paces.get(name),
            )
            for name, moment in sorted(last.items())
        ],
        lots,
        coverage(list(scored.values())),
    )


def coverage(scored: Sequence[Scored]) -> Coverage:
    """How many of the first bands held."""
    inside = sum(score.inside for score in scored)
    return Coverage(inside, len(scored), jeffreys_share(inside, len(scored)) if scored else None)


def _newest(rows: Iterable[Row]) -> dict[Key, Row]:
    """The newest row of each batch: it is all that is known of it."""
    found: dict[Key, Row] = {}
    for row in rows:
        started = row.fields.get("started")
        if started is None:
            continue
        key = (row.site, row.cone, started)
        if key not in found or row.time > found[key].time:
            found[key] = row
    return found


def _running(
    newest: Mapping[Key, Row], issued: Mapping[Key, Row], last: Mapping[str, datetime | None]
) -> Iterator[Hatching]:
    """The batch that runs in each cone, if one does.

    A store keeps points of a clock that was wrong, too: such a batch never ends there, but others are heard
    of after it.
    """
    cones: dict[tuple[str, str], list[tuple[float, Row]]] = {}
    for key, row in newest.items():
        sign = max(row.time, issued[key].time if key in issued else 0.0)
        cones.setdefault(key[:2], []).append((sign, row))
    patience_s = 1.5 * FORECAST_EVERY.total_seconds()
    for (site, cone), signs in cones.items():
        running = [each for each in signs if each[1].fields.get("running") == 1.0]
        seen = last[site]
        if not running or seen is None:
            continue
        sign, row = max(running, key=lambda each: (each[0], each[1].fields["started"]))
        if max(signs, key=lambda each: each[0])[0] > sign + patience_s:
            continue
        started = row.fields["started"]
        batch = Batch(0, cone, row.lot, _moment(started), math.nan)
        told = issued.get((site, cone, started))
        yield Hatching(
            site,
            batch,
            None if told is None else _forecast(batch, told),
            seen.timestamp() - sign > patience_s,
        )


def _forecast(batch: Batch, row: Row) -> Forecast:
    fields = row.fields

    def band(name: str) -> Band | None:
        moments = [fields.get(f"{name}_{level}") for level in ("p10", "p50", "p90")]
        hours = [batch.hours_at(_moment(each)) for each in moments if each is not None]
        return Band(*hours) if len(hours) == 3 else None

    opens, closes = band("opens"), band("closes")
    trusted = fields.get("trust", 0.0)
    trust: Trust = "good" if trusted > 0.75 else "degraded" if trusted > 0.25 else "none"
    usable = fields.get("usable_until")
    known = opens is not None and closes is not None
    return Forecast(
        _moment(row.time), math.nan, fields.get("hatched", 0.0), None, None, None,
        opens if known else None, None, closes if known else None, None, math.nan, trust, (),
        None if known else SAID_THERE, "",
        usable_h=None if usable is None else batch.hours_at(_moment(usable)),
    )  # fmt: skip


def _standing(told: Iterable[ToldThere], hatching: Iterable[Hatching]) -> list[ToldThere]:
    """Newest first: what is pressing, of the site and of batches that run, the last stage of each alone."""
    running = {(each.batch.cone, each.batch.lot): each.batch.started for each in hatching}
    found: dict[tuple[str | None, str], ToldThere] = {}
    for each in sorted(told, key=lambda one: one.raised):
        if each.lot is not None:
            started = running.get((each.cone or "", each.lot))
            if started is None or each.raised < started:
                continue
        kind = "stage" if each.kind in _STAGES else f"{each.kind} {each.title}"
        found[each.cone, kind] = each
    pressing = [each for each in found.values() if each.urgency != "can wait"]
    return sorted(pressing, key=lambda each: each.raised, reverse=True)


def _scored(row: Row) -> Scored | None:
    fields = row.fields
    said = [fields.get(f"t90_said_{level}_h") for level in ("p10", "p50", "p90")]
    seen = fields.get("t90_seen_h")
    hours = [each for each in said if each is not None and each > 0.0]
    if seen is None or seen <= 0.0 or len(hours) < 3:
        return None
    return Scored(0, Band(*hours), Band(seen, seen, seen))


def _compared(
    newest: Mapping[Key, Row], scored: Mapping[Key, Scored]
) -> tuple[dict[str, Interval], list[LotThere]]:
    """The pace of each site, and every lot of which something is known."""
    paces = {key: math.log(each.seen.p50 / each.said.p50) for key, each in scored.items()}
    shares = {
        key: _logit(row.fields["hatched_share"])
        for key, row in newest.items()
        if "hatched_share" in row.fields
    }
    pace_lots, pace_sites = _effects(newest, paces, math.exp)
    share_lots, _ = _effects(newest, shares, _expit)
    batches: Counter[str] = Counter()
    where: dict[str, set[str]] = {}
    for key in paces.keys() | shares.keys():
        row = newest[key]
        batches[row.lot] += 1
        where.setdefault(row.lot, set()).add(row.site)
    lots = [
        LotThere(lot, count, len(where[lot]), pace_lots.get(lot), share_lots.get(lot))
        for lot, count in batches.items()
    ]
    return pace_sites, sorted(lots, key=lambda each: (-each.batches, each.lot))


def _effects(
    newest: Mapping[Key, Row], values: Mapping[Key, float], back: Callable[[float], float]
) -> tuple[dict[str, Interval], dict[str, Interval]]:
    """The level of each lot and the effect of each site, taken ``back`` to the scale the keeper knows."""
    lots = {lot: i for i, lot in enumerate(sorted({newest[key].lot for key in values}))}
    sites = {site: i for i, site in enumerate(sorted({site for site, _, _ in values}))}
    found: Effects | None = crossed_effects(
        list(values.values()), [lots[newest[key].lot] for key in values], [sites[key[0]] for key in values]
    )
    if found is None:
        return {}, {}

    def told(each: Interval) -> Interval:
        return Interval(back(each.value), back(each.low), back(each.high))

    return (
        {lot: told(found.lots[i]) for lot, i in lots.items()},
        {site: told(found.sites[i]) for site, i in sites.items()} if len(sites) > 1 else {},
    )


def urgency_of(number: float) -> Urgency:
    """The word for what the store has as a number."""
    return _PRESSING.get(number, "can wait")


def _moment(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


def _logit(share: float) -> float:
    share = min(max(share, _LEAST_SHARE), 1.0 - _LEAST_SHARE)
    return math.log(share / (1.0 - share))


def _expit(x: float) -> float:
    return 1.0 / (1.0 + math.exp(-x))

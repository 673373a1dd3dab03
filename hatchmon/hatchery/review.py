"""The numbers behind every graph of the review: of one batch, of a lot, of the record of forecasts.

Hours count from the start of a batch. A long log is never thinned to single values: each stretch of it
keeps its least, mean and greatest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from hatchmon.hatchery.counts import near_complete, samples_of
from hatchmon.hatchery.honesty import Scored
from hatchmon.hatchery.looks import look_bounds
from hatchmon.hatchery.types import Band, Batch, Count, Forecast, Look, Verdict
from hatchmon.hatchery.watch import SMALL_GAP_H
from hatchmon.science.learning import LotBelief
from hatchmon.science.normal import Floats, normal_cdf, normal_quantile
from hatchmon.science.yields import Interval, efficiency, hatching_share, students_t90

STRETCHES = 240  # of a log, at most
LEAST_STRETCH_S = 60
MOST_SAID = 240  # forecasts of one batch that a graph shows
ENOUGH_FOR_TREND = 5  # counted batches
FINER = 8  # points of a density for each of the belief's
MONTH_DAYS = 30.0

_Z90 = 1.2815515655446004
_Z75 = 0.6744897501960817


# --- the water of one batch --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of a log with one verdict: how many readings, the first and the last (hours), and their
    least, mean and greatest value in the unit used inside."""

    from_h: float
    until_h: float
    count: int
    least: float
    mean: float
    most: float
    verdict: Verdict

    @property
    def middle_h(self) -> float:
        """Half way between its first and last reading."""
        return (self.from_h + self.until_h) / 2.0


@dataclass(frozen=True, slots=True)
class Log:
    """What one quantity did: ``runs`` of usable stretches, whose means make a line, apart where nothing is
    known for longer than half an hour; ``gaps`` (from, until); ``rejected`` stretches, and how many readings
    there are of either kind."""

    runs: tuple[tuple[Stretch, ...], ...]
    gaps: tuple[tuple[float, float], ...]
    rejected: tuple[Stretch, ...]
    used: int
    refused: int

    @property
    def kept(self) -> tuple[Stretch, ...]:
        """Every usable stretch."""
        return tuple(stretch for run in self.runs for stretch in run)


def stretch_s(hours: float) -> int:
    """How long a stretch must be, in whole seconds, for so many hours to make STRETCHES at most."""
    return max(LEAST_STRETCH_S, math.ceil(hours * 3600.0 / STRETCHES))


def log_of(stretches: Iterable[Stretch], until_h: float) -> Log:
    """A batch's log from the start until ``until_h``, from the stretches of all its streams."""
    found = sorted(stretches, key=lambda each: (each.from_h, each.until_h))
    usable = [each for each in found if each.verdict.usable]
    rejected = tuple(each for each in found if not each.verdict.usable)
    gaps: list[tuple[float, float]] = []
    runs: list[list[Stretch]] = []
    told_h = 0.0
    for each in usable:
        if each.from_h - told_h > SMALL_GAP_H:
            gaps.append((told_h, each.from_h))
            runs.append([each])
        elif runs:
            runs[-1].append(each)
        else:
            runs.append([each])
        told_h = max(told_h, each.until_h)
    if until_h - told_h > SMALL_GAP_H:
        gaps.append((told_h, until_h))
    return Log(
        tuple(tuple(run) for run in runs),
        tuple(gaps),
        rejected,
        sum(each.count for each in usable),
        sum(each.count for each in rejected),
    )


# --- the hatch of one batch --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fan:
    """A forecast as curves of the hatched share: ``share`` (n,) rising from 2 to 98 %; the hours by which it
    is reached with a chance of 10, 25, 50, 75 and 90 %, (5, n)."""

    share: Floats
    hours: Floats

    def hours_to(self, share: float, chance: int) -> float:
        """Hours to ``share`` (0.02 to 0.98) for one of the five chances, by its place."""
        return float(np.interp(share, self.share, self.hours[chance]))


def fan_of(forecast: Forecast, points: int = 49) -> Fan | None:
    """The curves behind a forecast; None where nothing was predicted.

    A forecast holds T10, T50 and T90 with their 10, 50 and 90 % levels. Between them ln t runs straight along
    the probit of the share, as a population spread log-normally does in steady water, and the 25 and 75 %
    levels lie where they do in a log-normal band.
    """
    if forecast.t10 is None or forecast.t50 is None or forecast.t90 is None:
        return None
    ln_t = np.log([_five(band) for band in (forecast.t10, forecast.t50, forecast.t90)])  # (3, 5)
    z = np.linspace(float(normal_quantile(np.array(0.02))), float(normal_quantile(np.array(0.98))), points)
    low, high = (ln_t[1] - ln_t[0]) / _Z90, (ln_t[2] - ln_t[1]) / _Z90  # slopes, never negative
    ln_hours = ln_t[1] + np.where(z[:, None] < 0.0, low, high) * z[:, None]
    hours = np.exp(np.maximum.accumulate(ln_hours, axis=1))
    return Fan(np.asarray(normal_cdf(z), dtype=np.float64), np.asarray(hours.T, dtype=np.float64))


def _five(band: Band) -> tuple[float, float, float, float, float]:
    """The 10, 25, 50, 75 and 90 % levels of a band, log-normal on either side of its median."""
    near = _Z75 / _Z90
    return (
        band.p10,
        band.p50 * (band.p10 / band.p50) ** near,
        band.p50,
        band.p50 * (band.p90 / band.p50) ** near,
        band.p90,
    )


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen or counted after so many hours: the share it stands for, ``low`` to ``high`` (0 to 1).

    A look tells the share of the eventual hatch; ``counted``: a count tells that of all full cysts, of which
    some never hatch.
    """

    hours: float
    low: float
    high: float
    value: float | None
    text: str
    counted: bool


def seen_of(batch: Batch, looks: Iterable[Look], counts: Iterable[Count]) -> list[Seen]:
    """Looks and counts of a batch in order of time; counts without unhatched cysts tell no share."""
    found = []
    for look in looks:
        low, high, _ = look_bounds(look.seen)
        shares = normal_cdf(np.array((low, high)))
        found.append(
            Seen(batch.hours_at(look.time), float(shares[0]), float(shares[1]), None, look.seen, False)
        )
    for count in counts:
        share = hatching_share(samples_of(batch, count))
        if share is not None:
            text = f"{share.value:.0%} of full cysts"
            found.append(
                Seen(batch.hours_at(count.time), share.low, share.high, share.value, text, counted=True)
            )
    return sorted(found, key=lambda each: each.hours)


@dataclass(frozen=True, slots=True)
class Told:
    """A forecast as it was issued: when, and when it expected the window to open and 90 % to have hatched;
    None where it predicted nothing."""

    issued_h: float
    opens: Band | None
    t90: Band | None
    hatched: float
    trust: str


def told_over_time(batch: Batch, forecasts: Sequence[Forecast]) -> list[Told]:
    """How the expected ready time moved through a batch, oldest first.

    Of more than MOST_SAID forecasts each stretch of the batch keeps its earliest and its latest ready time,
    and the first and last forecast stay.
    """
    told = [
        Told(batch.hours_at(each.issued), each.opens, each.t90, each.hatched, each.trust)
        for each in forecasts
    ]
    if len(told) <= MOST_SAID:
        return told
    kept = {0, len(told) - 1}
    for part in np.array_split(np.arange(len(told)), (MOST_SAID - 2) // 2):
        ready = [(_ready_h(told[at]), int(at)) for at in part]
        kept |= {min(ready)[1], max(ready)[1]}
    return [told[at] for at in sorted(kept)]


def _ready_h(told: Told) -> float:
    return math.inf if told.opens is None else told.opens.p50


# --- a lot -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Yielded:
    """What the last count near complete hatch of one batch says."""

    batch: Batch
    share: Interval | None
    per_gram: Interval | None


def yielded(batches: Iterable[tuple[Batch, Sequence[Count], float | None]]) -> list[Yielded]:
    """The counted ones of ``batches`` (as for ``counts.lot_yield``), in their order."""
    found = []
    for batch, counts, t90_h in batches:
        samples = [samples_of(batch, count) for count in counts if near_complete(batch, count, t90_h)]
        shares = [share for each in samples if (share := hatching_share(each)) is not None]
        per_gram = [number for each in samples if (number := efficiency(each)) is not None]
        if shares or per_gram:
            found.append(Yielded(batch, shares[-1] if shares else None, per_gram[-1] if per_gram else None))
    return found


@dataclass(frozen=True, slots=True)
class Trend:
    """The straight course of a measure's ln over time: ``first`` and ``last``, its values at the ends;
    ``monthly``: change in 30 days as a share (0.05: five in a hundred more), with its 80 % interval."""

    first: tuple[datetime, float]
    last: tuple[datetime, float]
    monthly: Interval

    @property
    def telling(self) -> bool:
        """Whether the interval leaves one direction only."""
        return self.monthly.low > 0.0 or self.monthly.high < 0.0


def trend_of(measured: Sequence[tuple[datetime, float]]) -> Trend | None:
    """Least squares of the ln of positive values over time; None for fewer than ENOUGH_FOR_TREND batches or
    all begun at once."""
    known = [(time, value) for time, value in measured if value > 0.0]
    if len(known) < ENOUGH_FOR_TREND:
        return None
    start = known[0][0]
    days = np.array([(time - start) / timedelta(days=1) for time, _ in known])
    y = np.log([value for _, value in known])
    x = days - days.mean()
    spread = float(np.sum(x * x))
    if spread <= 0.0:
        return None
    slope = float(np.sum(x * y)) / spread
    level = float(y.mean())
    left = y - level - slope * x
    error = math.sqrt(float(np.sum(left * left)) / (y.size - 2) / spread)
    reach = students_t90(y.size - 2) * error
    ends = [(known[at][0], math.exp(level + slope * float(x[at]))) for at in (0, -1)]
    change = [math.expm1(MONTH_DAYS * each) for each in (slope, slope - reach, slope + reach)]
    return Trend(ends[0], ends[1], Interval(*change))


@dataclass(frozen=True, slots=True)
class Speed:
    """What is believed of tau25, the median hatch at 25 C in hours: densities per hour over ``tau25_h`` (n,)
    before any hatch of the lot and after ``hatches`` of them, and the 80 % interval of each."""

    tau25_h: Floats
    before: Floats
    after: Floats
    before_h: Interval
    after_h: Interval
    hatches: int


def speed_of(prior: LotBelief, posterior: LotBelief) -> Speed:
    """From the belief about a lot before and after its own hatches, which share their grid."""
    fine = np.linspace(prior.a[0], prior.a[-1], FINER * (prior.a.size - 1) + 1)
    step = float(prior.a[1] - prior.a[0])
    densities, bands = [], []
    for belief in (prior, posterior):
        on_a = belief.weights.sum(axis=(1, 2, 3))
        densities.append(_between(on_a / step) / np.exp(fine))
        # Within a cell all is equally likely: the sums stand at the cells' ends.
        edges = np.append(belief.a - step / 2.0, belief.a[-1] + step / 2.0)
        sums = np.concatenate((np.zeros(1), np.cumsum(on_a)))
        low, middle, high = np.exp(np.interp((0.1, 0.5, 0.9), sums / sums[-1], edges))
        bands.append(Interval(float(middle), float(low), float(high)))
    tau25_h = np.exp(fine)
    return Speed(tau25_h, densities[0], densities[1], bands[0], bands[1], posterior.hatches)


def _between(density: Floats) -> Floats:
    """A density on an even grid with FINER - 1 points put between any two: its ln is carried on by the cubic
    through the four nearest, which keeps a bell a bell."""
    ln = np.log(np.maximum(density, density.max() * 1e-9))
    padded = np.concatenate((2 * ln[:1] - ln[1:2], ln, 2 * ln[-1:] - ln[-2:-1]))
    t = np.arange(FINER) / FINER
    weights = np.stack(
        (-t * (t - 1) * (t - 2) / 6, (t + 1) * (t - 1) * (t - 2) / 2, -t * (t + 1) * (t - 2) / 2,
         t * (t + 1) * (t - 1) / 6)
    )  # fmt: skip
    four = np.stack([padded[k : k + ln.size - 1] for k in range(4)], axis=-1)
    return np.asarray(np.exp(np.append((four @ weights).ravel(), ln[-1])), dtype=np.float64)


# --- the record of forecasts -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Kept:
    """How one forecast did, among those before it: ``error_h``, observed less predicted; ``within``, whether
    the 80 % band held it; ``inside`` of ``count`` so far, this one included."""

    scored: Scored
    error_h: float
    within: bool
    inside: int
    count: int


def record_of(scored: Iterable[Scored]) -> list[Kept]:
    """The forecasts put to the test, in the order given."""
    kept: list[Kept] = []
    inside = 0
    for number, each in enumerate(scored, 1):
        inside += each.inside
        kept.append(Kept(each, each.seen.p50 - each.said.p50, each.inside, inside, number))
    return kept

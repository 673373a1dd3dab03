"""From a batch's readings to its progress and forecast."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from hatchmon.hatchery.ahead import Ahead, Room, look_ahead, set_point_only
from hatchmon.hatchery.bridge import bridged
from hatchmon.hatchery.counts import samples_of
from hatchmon.hatchery.looks import look_bounds
from hatchmon.hatchery.next_look import NextLook, most_telling
from hatchmon.hatchery.types import Band, Batch, Count, Forecast, Look, Trust
from hatchmon.hatchery.units import both_scales
from hatchmon.science import parameters as par
from hatchmon.science.clock import progress
from hatchmon.science.hatching import (
    CENTRAL_NODE,
    ENERGY_NODES_EV,
    OFFSETS,
    Draws,
    Paths,
    reach_h,
    salt_shift,
    share_hatched,
)
from hatchmon.science.learning import SHARE_Z, Counted, Evidence, LotBelief
from hatchmon.science.nauplii import Thresholds, opening_probit, usable_until_h, window
from hatchmon.science.normal import Floats, normal_cdf, normal_quantile, quantiles
from hatchmon.science.rates import energy_loss_rate, schoolfield_1981, shape_sd
from hatchmon.science.yields import count_likelihood

_MINUTE = timedelta(minutes=1)
ANCHOR = timedelta(minutes=30)  # a reading this long before the start still tells of the start
# A hair wide, so that rounding does not put a gap of exactly the limit beyond it.
SMALL_GAP_H = 0.5 + 1e-6
WIDE_GAP_H = 3.0 + 1e-6
LOST_GAP_H = 6.0 + 1e-6
LOST_SHARE = 0.25
COUNTED_AFTER = timedelta(hours=2)
LN_RATE_PER_C = 0.095  # d ln rho / dT near 25 C for E = .73 eV
HORIZON_H = 400.0
LATE_BY = 0.20  # ln h: a batch seen to be so much later than its lot was believed is late; assumed
NOT_MEASURED = Room()
_LEVELS: Floats = np.array([0.1, 0.5, 0.9])
_SHARES: Floats = normal_cdf(SHARE_Z)
UNKNOWN_HATCHABILITY = (
    par.HATCHABILITY.value * par.HATCHABILITY_CYSTS.value,
    (1.0 - par.HATCHABILITY.value) * par.HATCHABILITY_CYSTS.value,
)
"""Beta parameters of the share of full cysts that ever hatch, for a lot nobody has counted."""
_PERCENTS: Floats = normal_quantile(_LEVELS)
_TWICE: Floats = normal_quantile(np.array([0.6, 0.95]))
# Fine where the water may still move, coarse where it has long settled.
_AHEAD_H: Floats = np.concatenate(
    (np.arange(0, 6, 1 / 6), np.arange(6, 24, 0.5), np.arange(24, 72, 1.0), np.arange(72, HORIZON_H + 1, 8.0))
)


def _rates(temps_c: Floats) -> Floats:
    """(..., k) temperatures to (8, ..., k): the rates of the 7 nodes, then that at which energy is burnt."""
    rates = np.empty((ENERGY_NODES_EV.size + 1, *temps_c.shape))
    rates[:-1] = schoolfield_1981(temps_c, ENERGY_NODES_EV.reshape(-1, *[1] * temps_c.ndim))
    rates[-1] = energy_loss_rate(temps_c)
    return rates


@dataclass(frozen=True, slots=True)
class _Course:
    """The water of a batch: ``hours``, ``temps`` (n,) the log until ``until_h``, ``past`` (8, n) the progress
    along it, what lies ``ahead``, the ``paths`` through both, and the doubt about ln Q beside what differs
    from batch to batch anyway."""

    until_h: float
    hours: Floats
    temps: Floats
    past: Floats
    ahead: Ahead
    paths: Paths
    extra_sd: float


@dataclass(frozen=True, slots=True)
class Foreseen:
    """A forecast with what it came from: draws, ln Q at half hatch, paths, hours from the start, and whether
    the batch has turned out late; None where no look could help, for the window has closed or nothing can be
    predicted."""

    forecast: Forecast
    _grounds: tuple[Draws, Floats, Paths, float, bool] | None

    def next_look(self) -> NextLook | None:
        """The look that would narrow the forecast most; None where none is worth the walk."""
        return None if self._grounds is None else most_telling(*self._grounds)


class BatchWatch:
    """The temperature log of one batch, thinned to minutes, and what follows from it."""

    def __init__(self, batch: Batch) -> None:
        self.batch = batch
        self.suspect_since: datetime | None = None
        self.looks: list[Look] = []
        self.counts: list[Count] = []
        self.hatchability = UNKNOWN_HATCHABILITY
        self.salinity = batch.salinity  # g/L, or None; a measured one may be put in its place
        self.light_known = False  # whether it surely had light in its first hours
        # The log, a row a minute one behind the other: minute of the batch (rising), mean, and of how many.
        # In one piece: with a thousand batches, what lies scattered has to be fetched for each reading.
        self._log = array("d")
        self._before: tuple[datetime, float] | None = None
        self._air: dict[int, float] = {}  # of the room, by ten minutes from the start
        # Progress (8 rows: 7 nodes, then the energy exponent) at points whose minute is over.
        self._settled: Floats = np.zeros((8, 0))
        self._settled_to: int | None = None  # only so many of these still hold

    def add(self, time: datetime, temp_c: float) -> None:
        """Take in a usable reading, in any order; readings long before the start are ignored."""
        if time < self.batch.started:
            newer = self._before is None or time > self._before[0]
            if time >= self.batch.started - ANCHOR and newer:
                self._before = (time, temp_c)
                self._settled_to = 0
            return
        log, minute = self._log, (time - self.batch.started) // _MINUTE
        size = at = len(log) // 3
        if size and minute == log[-3]:
            at = size - 1
        elif size and minute < log[-3]:
            at = bisect_left(range(size), float(minute), key=lambda row: log[3 * row])
        if at < size and log[3 * at] == minute:
            log[3 * at + 2] += 1.0
            log[3 * at + 1] += (temp_c - log[3 * at + 1]) / log[3 * at + 2]
        else:
            log[3 * at : 3 * at] = array("d", (minute, temp_c, 1.0))
        if self._settled_to is None or at < self._settled_to:
            self._settled_to = at

    def add_air(self, time: datetime, air_c: float) -> None:
        """Take in a usable reading of the room's air: it tells how water cooled while nobody looked."""
        slot = int((time - self.batch.started) // timedelta(minutes=10))
        if slot not in self._air and np.any(np.diff(self._log[::3]) > SMALL_GAP_H * 60.0):
            self._settled_to = 0  # the gaps may be bridged otherwise
        self._air[slot] = air_c

    @property
    def last_h(self) -> float | None:
        """Hours from the start to the newest reading; None without any."""
        if self._log:
            return (self._log[-3] + 0.5) / 60.0
        return 0.0 if self._before is not None else None

    def water_around(self, time: datetime) -> tuple[float | None, float | None]:
        """The last temperature up to ``time``, and that after it which lies furthest from it; deg C, None
        where nobody measured."""
        hours, temps = self.log()
        then = hours <= self.batch.hours_at(time) + 1.0 / 60.0  # the log goes by minutes
        last, after = temps[then], temps[~then]
        if not after.size:
            return (float(last[-1]) if last.size else None), None
        if not last.size:
            return None, float(after[0])
        return float(last[-1]), float(after[np.argmax(np.abs(after - last[-1]))])

    def log(self) -> tuple[Floats, Floats]:
        """(hours from the start, deg C), both (n,): the log with its first value carried to the start."""
        if not self._log and self._before is None:
            return np.zeros(0), np.zeros(0)
        log = np.array(self._log).reshape(-1, 3)
        hours, temps = np.zeros(len(log) + 1), np.empty(len(log) + 1)
        hours[1:] = (log[:, 0] + 0.5) / 60.0
        temps[1:] = log[:, 1]
        temps[0] = temps[1] if self._before is None else self._before[1]
        return hours, temps

    def forecast(
        self,
        now: datetime,
        belief: LotBelief,
        thresholds: Thresholds | None = None,
        room: Room = NOT_MEASURED,
    ) -> Forecast:
        """What is believed at ``now`` of a batch of the lot that ``belief`` is about, given its log and
        looks so far, in a ``room``."""
        return self.foresee(now, belief, thresholds, room).forecast

    def foresee(
        self,
        now: datetime,
        belief: LotBelief,
        thresholds: Thresholds | None = None,
        room: Room = NOT_MEASURED,
    ) -> Foreseen:
        """The same, ready to tell the look that would narrow it most."""
        course = self._course(now, room)
        if course is None:
            return Foreseen(self._unknown(now), None)
        draws, mu = self._draws(course, belief)
        told = self._told(now, course, draws, mu, thresholds)
        if told.closes is None or self.batch.hours_at(now) >= told.closes.p50:
            return Foreseen(told, None)
        late = float(np.mean(draws.a + draws.u)) - belief.a_mean_sd[0] > LATE_BY
        return Foreseen(told, (draws, mu, course.paths, course.until_h, late))

    def _told(
        self, now: datetime, course: _Course, draws: Draws, mu: Floats, thresholds: Thresholds | None
    ) -> Forecast:
        paths, ahead = course.paths, course.ahead
        trust, reasons = self._trust(course)
        refused = not_predictable(course.hours, course.temps, ahead, course.until_h)
        q_now = paths.q_at(np.array([course.until_h]))[:, 0]
        hatched = share_hatched(draws, mu, q_now)
        if refused:
            return self._silent(now, refused, float(q_now[CENTRAL_NODE]), hatched, ahead.rule)

        marks, opening_z = _PERCENTS, opening_probit(draws, thresholds)
        if opening_z != marks[-1]:  # else it opens at T90
            marks = np.append(marks, opening_z)
        when = reach_h(draws, mu[:, None] + marks * draws.sigma[:, None], paths)
        opening = window(draws, mu, paths, thresholds, when[..., -1])
        hatch = _levels(when)
        few = _levels(np.stack((opening.few_open_h, opening.best_h, opening.closes_h), axis=-1))
        # The few draws behind the last two are moved by what tells their opening from that of all.
        moved = few[1:] + hatch[-1] - few[0]
        t10, t50, t90, opens, best, closes = map(_band, (*hatch[:3], hatch[-1], *moved))
        if closes.p50 <= opens.p50:
            reasons.append(f"poor synchrony: harvest twice, {self._twice(draws, mu, paths)}")
        sure = (opens.p90, closes.p10) if opens.p90 < closes.p10 else None
        return Forecast(
            issued=now,
            q25_h=float(q_now[CENTRAL_NODE]),
            hatched=hatched,
            t10=t10,
            t50=t50,
            t90=t90,
            opens=opens,
            best=best,
            closes=closes,
            surely_h=sure,
            from_temperature=_share_from_temperature(when[..., 2]),
            trust=trust,
            reasons=tuple(reasons),
            not_predicted=None,
            temperature_rule=ahead.rule,
            usable_h=max(usable_until_h(t50.p50, paths), opens.p50, closes.p50),
        )

    @staticmethod
    def _twice(draws: Draws, mu: Floats, paths: Paths) -> str:
        """When 60 and 95 % will have hatched. To the half hour: a reason is stored anew when it changes."""
        when = reach_h(draws, mu[:, None] + _TWICE * draws.sigma[:, None], paths)
        first_h, second_h = (round(2.0 * float(median_h)) / 2.0 for median_h in _levels(when)[:, 1])
        return f"at about 60 % and 95 % hatched ({first_h:g} and {second_h:g} h after the start)"

    def evidence(self, until: datetime) -> Evidence | None:
        """What the looks up to ``until`` teach about the lot; None when the log is too poor to learn from."""
        course = self._course(until)
        if course is None or self.last_h is None or self._trust(course)[0] == "none":
            return None
        return self._evidence(course)

    def _course(self, until: datetime, room: Room = NOT_MEASURED) -> _Course | None:
        """The water as known until then and as expected after; None where nothing at all is known of it."""
        batch = self.batch
        until_h = max(batch.hours_at(until), 0.0)
        hours, temps = self.log()
        keep = hours <= until_h + 0.02
        hours, temps = hours[keep], temps[keep]
        if hours.size:
            clock_h = batch.started.hour + batch.started.minute / 60.0 + float(hours[-1])
            ahead = look_ahead(
                hours, temps, batch.set_point_c, self._air_lately(until_h, room.air_c), room.cycle, clock_h
            )
            past = self._past(hours, temps)
        elif batch.set_point_c is not None:
            ahead = set_point_only(batch.set_point_c)
            hours, temps, past = np.zeros(1), np.array([batch.set_point_c]), np.zeros((8, 1))
        else:
            return None
        shape = mean_shape_sd(hours, temps, ahead)
        gaps = _gap_sd(hours, temps, past[CENTRAL_NODE])
        extra_sd = float(np.sqrt(shape**2 + gaps**2 + salt_shift(self.salinity)[1] ** 2))
        return _Course(until_h, hours, temps, past, ahead, paths_through(hours, past, ahead), extra_sd)

    def _air_lately(self, until_h: float, air_c: float | None) -> float | None:
        """The room now: its mean over half an hour where that is known, for air is restless."""
        slot = int(until_h * 6.0)
        late = [self._air[each] for each in range(slot - 2, slot + 1) if each in self._air]
        return air_c if air_c is None or not late else sum(late) / len(late)

    def _draws(self, course: _Course, belief: LotBelief) -> tuple[Draws, Floats]:
        """The unknowns of this batch given its notes so far, and ln Q at half hatch of each draw."""
        noted = self._evidence(course) if self.looks or self.counts else None
        draws = belief.draws(noted, course.extra_sd, self.light_known)
        return draws, draws.mu(self.salinity)

    def _evidence(self, course: _Course) -> Evidence:
        until_h, paths = course.until_h, course.paths
        looks = [look for look in self.looks if self._noted_in(look.time, until_h)]
        # What is counted shortly after the harvest was hatched when it was harvested.
        ended = self.batch.ended
        counted_at = {count: min(count.time, ended or count.time) for count in self.counts}
        counts = [
            count
            for count, time in counted_at.items()
            if self._noted_in(time, until_h) and count.time - time <= COUNTED_AFTER
        ]
        bounds = np.array([look_bounds(look.seen) for look in looks]).reshape(-1, 3)
        return Evidence(
            self._ln_q([look.time for look in looks], paths),
            bounds[:, 0],
            bounds[:, 1],
            bounds[:, 2],
            course.extra_sd,
            self.light_known,
            tuple(
                Counted(ln_q, count_likelihood(samples_of(self.batch, count), self.hatchability, _SHARES))
                for count, ln_q in zip(
                    counts, self._ln_q([counted_at[count] for count in counts], paths), strict=True
                )
            ),
        )

    def _noted_in(self, time: datetime, until_h: float) -> bool:
        return 0 < self.batch.hours_at(time) <= until_h + 0.02

    def _ln_q(self, times: Sequence[datetime], paths: Paths) -> Floats:
        """(k, 7) ln of the progress at each time, less the effect of salt."""
        q = paths.q_at(np.array([self.batch.hours_at(time) for time in times])).T
        return np.asarray(np.log(np.maximum(q, 1e-6)) - salt_shift(self.salinity)[0], dtype=np.float64)

    def _unknown(self, now: datetime) -> Forecast:
        return self._silent(now, "no temperature is known yet: fit a probe or use 'hatchmon reading'")

    def _silent(
        self, now: datetime, why: str, q25_h: float = 0.0, hatched: float = 0.0, rule: str = "none"
    ) -> Forecast:
        return Forecast(
            now, q25_h, hatched, None, None, None, None, None, None, None, 0.0, "none", (why,), why, rule
        )

    def _past(self, hours: Floats, temps: Floats) -> Floats:
        """(8, n) progress at each point of the log, reusing what is settled."""
        done = min(self._settled.shape[1], hours.size)
        if self._settled_to is not None:
            done = min(done, self._settled_to)
        return self._grow(hours, temps, self._settled[:, :done] if done else np.zeros((8, 1)))

    def _grow(self, hours: Floats, temps: Floats, known: Floats) -> Floats:
        start = known.shape[1] - 1
        air = (np.array(list(self._air)) / 6.0, np.array(list(self._air.values())))
        all_hours, all_temps, own = bridged(hours, temps, air, SMALL_GAP_H)
        span, water = all_hours[own[start] :], all_temps[own[start] :]
        new = progress(span, water, _rates)[:, own[start:] - own[start]] + known[:, -1:]
        past = np.concatenate((known, new[:, 1:]), axis=1)
        # The newest minute is still filling: it is not settled.
        self._settled, self._settled_to = past[:, : max(past.shape[1] - 1, 0)], None
        return past

    def _trust(self, course: _Course) -> tuple[Trust, list[str]]:
        hours, temps, q, now_h = course.hours, course.temps, course.past[CENTRAL_NODE], course.until_h
        level = 0
        reasons: list[str] = []
        if self.last_h is None:
            return "degraded", ["no reading yet: the set point is taken on trust"]
        gaps = np.diff(np.append(hours, now_h))
        widest = float(gaps.max(initial=0.0))
        at = int(gaps.argmax())
        live = at == gaps.size - 1
        where = "since the last reading" if live else f"without readings, {hours[at]:.1f} h after the start"
        if widest > LOST_GAP_H:
            level, text = 2, f"{widest:.1f} h {where}: too long to time this hatch; look at it by eye"
            reasons.append(text)
        elif widest > WIDE_GAP_H:
            level = 1
            reasons.append(f"{widest:.1f} h {where}: take a reading by hand")
        wide = np.diff(hours) > WIDE_GAP_H
        lost_q = float(np.sum(np.diff(q)[wide]))
        if lost_q > LOST_SHARE * float(q[-1]) and level < 2:
            level = 2
            reasons.append(f"{lost_q / float(q[-1]):.0%} of the progress fell into gaps of the log")
        if self.suspect_since is not None:
            reasons.append("the probe has sent the same value for hours: check that it is in the water")
        if float(temps[-1]) >= par.DOUBTFUL_HOT.value:
            level = max(level, 1)
            at_c, from_c = both_scales(float(temps[-1])), both_scales(par.DOUBTFUL_HOT.value)
            reasons.append(f"water at {at_c}: from {from_c} up development is doubtful")
        names: tuple[Trust, Trust, Trust] = ("good", "degraded", "none")
        return names[level], reasons


def paths_through(hours: Floats, past: Floats, ahead: Ahead) -> Paths:
    """The log's progress, thinned to ten minutes, carried on along the five courses ahead."""
    last = float(hours[-1])
    slots = np.floor(hours * 6.0)
    lasts = np.ones(slots.size, dtype=np.bool_)
    lasts[1:-1] = slots[2:] > slots[1:-1]
    kept = np.flatnonzero(lasts)  # the first, and the last of each ten minutes

    offsets = OFFSETS[:, None]
    temps = np.clip(ahead.mean_c(_AHEAD_H) + offsets * ahead.sd_c(_AHEAD_H), -10.0, 60.0)  # (5, h)
    future = progress(_AHEAD_H, temps, _rates, HORIZON_H)
    so_far = np.broadcast_to(past[:, None, kept], (past.shape[0], OFFSETS.size, kept.size))
    both = np.concatenate((so_far, past[:, -1, None, None] + future[..., 1:]), axis=-1)
    return Paths(np.concatenate((hours[kept], last + _AHEAD_H[1:])), both[:-1], both[CENTRAL_NODE], both[-1])


def not_predictable(hours: Floats, temps: Floats, ahead: Ahead, now_h: float) -> str | None:
    low, high = par.PREDICT_FROM.value, par.PREDICT_TO.value
    limits = f"{both_scales(low)} and {both_scales(high)}"
    expected = float(ahead.mean_c(np.array([max(now_h - float(hours[-1]), 0.0) + 3.0]))[0])
    if not low <= expected <= high:
        return f"water expected at {both_scales(expected)}; a hatch can be timed only between {limits}"
    if hours.size > 1:
        spans = np.diff(hours)
        middles = (temps[1:] + temps[:-1]) / 2.0
        outside_h = float(np.sum(spans[(middles < low) | (middles > high)]))
        if outside_h > max(1.0, 0.1 * float(hours[-1])):
            return f"water was not between {limits} for {outside_h:.1f} h; the rate there is not known"
    return None


def mean_shape_sd(hours: Floats, temps: Floats, ahead: Ahead) -> float:
    """Doubt about the curve, weighted by progress, over the log and to about the median hatch."""
    to_come = np.linspace(0.0, 72.0, 73)
    ahead_c = ahead.mean_c(to_come)
    spans = np.concatenate((np.diff(hours), np.diff(to_come)))
    water = np.concatenate(((temps[1:] + temps[:-1]) / 2.0, (ahead_c[1:] + ahead_c[:-1]) / 2.0))
    done = schoolfield_1981(water) * spans
    before_hatch = np.cumsum(done) - done < par.TAU25.value
    weights = done * before_hatch
    total = float(weights.sum())
    return float(np.sum(weights * shape_sd(water)) / total) if total > 0 else float(shape_sd(water[-1]))


def _gap_sd(hours: Floats, temps: Floats, q: Floats) -> float:
    """sd of ln Q from gaps of more than half an hour inside the log."""
    gaps = np.diff(hours)
    wide = gaps > SMALL_GAP_H
    if not np.any(wide) or q[-1] <= 0:
        return 0.0
    rho = schoolfield_1981((temps[1:] + temps[:-1])[wide] / 2.0)
    return float(np.sqrt(np.sum((LN_RATE_PER_C * rho) ** 2 * gap_variance(gaps[wide]))) / q[-1])


def gap_variance(gap_h: Floats) -> Floats:
    """Variance of the integral of temperature over a gap of so many hours, (deg C h)^2."""
    return np.asarray(0.25 * gap_h**3 / 12.0 + 0.01 * gap_h * (4.0 * gap_h / 2.0) ** 2 / 3.0)


def _levels(hours: Floats) -> Floats:
    """(k, 3) the quantiles of a Band for each of the k last of ``hours`` (..., k)."""
    return quantiles(np.moveaxis(hours, -1, 0).reshape(hours.shape[-1], -1), _LEVELS)


def _band(levels: Floats) -> Band:
    return Band(*map(float, np.maximum.accumulate(levels)))


def _share_from_temperature(t90_h: Floats) -> float:
    """Share of the variance of (draws, 5 offsets) that lies between offsets."""
    apart = t90_h.T - t90_h[0, 0]
    total = float(np.var(apart))
    return float(np.var(apart.mean(axis=1))) / total if total > 0 else 0.0

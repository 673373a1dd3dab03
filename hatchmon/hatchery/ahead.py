"""The water temperature still to come, as an expected course and its doubt."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from hatchmon.science.normal import Floats

IN_CONTROL_C = 0.7
IN_CONTROL_H = 2.0
IN_CONTROL_SD_C = 0.35
ROOM_SD_C = 0.9  # by which one day lies above or below the mean of several; assumed
AIR_SD_C = 0.6  # the same where the air of the moment has been measured; assumed
WEATHER_SD_C = 0.5  # by which the rest of a day departs from what it has shown so far; assumed
LAG_PER_H = 0.25  # 1-2 L of water in a room; assumed, no source
LAG_LN_SD = 0.5  # of ln lag: size and wall of the cone; assumed
LAG_RANGE_PER_H = (0.03, 3.0)
STILL_SD_C = (0.3, 1.5)
MOVING_C_PER_H = 0.5  # from here on a course counts, and fully from
SURELY_MOVING_C_PER_H = 0.9
TREND_H = 1.0
FIT_H = 6.0
DAY_FIT_H = 24.0  # of the log tell of today
STILL_C = 0.1  # an hour's mean of still water about its own mean, at most
DAY_FIT_SD_C = 0.3  # of an hour's mean about the room's day; assumed
_DAY_LAGS: Floats = LAG_PER_H * 2.0 ** np.linspace(-2.0, 2.0, 9)
GUESSED_WAY_C = 6.0  # how far water of unknown end goes on at most; assumed
FITTED_SD_C = (1.5, 5.0)  # least and greatest doubt of an end fitted from the log
FAR_APART_C = 10.0  # sd of how far from the room's day water is filled in; assumed
JUST_BACK_SD_C = (0.5, 2.5)  # whether the heater is back as well is not known; assumed
TRUSTED_SET_POINT_SD_C = 0.9  # a set point that no reading has confirmed; assumed


@dataclass(frozen=True, slots=True)
class Cycle:
    """The room's day: ``hourly_c`` (24,) mean deg C by hour of the UTC day, over the last days.

    ``of_water``: measured in unheated water, not in the air.
    """

    hourly_c: tuple[float, ...]
    of_water: bool

    def at(self, clock_h: Floats) -> Floats:
        """deg C at hours of the UTC day (any number of days on); an hour's mean stands for its middle."""
        around = [self.hourly_c[-1], *self.hourly_c, self.hourly_c[0]]
        return np.interp(clock_h % 24.0, np.arange(-0.5, 25.0), around)

    def in_water(self, lag_per_h: float) -> Cycle:
        """The day of water that has long followed the air at this lag: by Newton's law each wave of the day
        arrives damped and late."""
        return self if self.of_water else _followed(self, lag_per_h)


@lru_cache(maxsize=64)
def _followed(air: Cycle, lag_per_h: float) -> Cycle:
    waves = np.fft.rfft(air.hourly_c)
    pace = 2.0 * np.pi / 24.0 * np.arange(waves.size)
    damped = np.fft.irfft(waves / (1.0 + 1j * pace / lag_per_h), len(air.hourly_c))
    return Cycle(tuple(float(temp_c) for temp_c in damped), of_water=True)


@dataclass(frozen=True, slots=True)
class Room:
    """The air around a cone: ``air_c`` now and its usual day, ``cycle``; None where nobody measures."""

    air_c: float | None = None
    cycle: Cycle | None = None


@dataclass(frozen=True, slots=True)
class Ahead:
    """Water temperature after the last reading.

    ``target_c`` is approached at ``lag_per_h`` from ``start_c``; or, from ``clock_h`` of the UTC day on, the
    room's day ``cycle``, shifted by ``today_c``, with the same lag. The sd grows from ``sd_first_c`` to
    ``sd_last_c`` over six hours. ``rule`` names the reasoning for the keeper.
    """

    rule: str
    start_c: float
    target_c: float
    lag_per_h: float
    sd_first_c: float
    sd_last_c: float
    cycle: Cycle | None = None
    clock_h: float = 0.0
    today_c: float = 0.0

    def mean_c(self, hours: Floats) -> Floats:
        """Expected deg C ``hours`` after the last reading."""
        fading = np.exp(-self.lag_per_h * hours)
        if self.cycle is None:
            return self.target_c + (self.start_c - self.target_c) * fading
        usual = self.cycle.in_water(self.lag_per_h)
        ahead = usual.at(self.clock_h + hours) + self.today_c
        apart_c = self.start_c - float(usual.at(np.array(self.clock_h))) - self.today_c
        return ahead + apart_c * fading

    def sd_c(self, hours: Floats) -> Floats:
        """Doubt, sd in deg C, ``hours`` after the last reading."""
        return self.sd_first_c + (self.sd_last_c - self.sd_first_c) * np.minimum(hours / 6.0, 1.0)


def straight_line(x: Floats, y: Floats) -> tuple[float, float]:
    """Least-squares (slope, x at which y is zero); x and y of equal length, at least two different x."""
    dx = x - x.mean()
    slope = float(np.sum(dx * (y - y.mean())) / np.sum(dx * dx))
    crossing = float(x.mean() - y.mean() / slope) if slope else float("nan")
    return slope, crossing


def look_ahead(
    times_h: Floats,
    temps_c: Floats,
    set_point_c: float | None,
    air_c: float | None,
    cycle: Cycle | None = None,
    clock_h: float = 0.0,
) -> Ahead:
    """What to expect after a log.

    ``times_h``, ``temps_c``: (n,) the log, n >= 1, times rising; ``set_point_c`` of the heater, ``air_c``
    of the room and its ``cycle`` where known; ``clock_h``: hour of the UTC day at the log's end.
    """
    end = float(times_h[-1])
    recent = times_h >= end - IN_CONTROL_H
    if set_point_c is not None and bool(np.all(np.abs(temps_c[recent] - set_point_c) <= IN_CONTROL_C)):
        return in_control(float(temps_c[recent].mean()))
    if set_point_c is not None and _just_back(times_h, temps_c, set_point_c):
        return Ahead("heater back, not seen yet", float(temps_c[-1]), set_point_c, LAG_PER_H, *JUST_BACK_SD_C)

    if cycle is not None and set_point_c is None:
        daily = _through_the_day(times_h, temps_c, air_c, cycle, clock_h)
        if daily is not None:
            return daily
    moving = _course(times_h, temps_c, set_point_c, air_c)
    if moving is not None:
        return moving
    level = float(temps_c[times_h >= end - 1.0].mean())
    return Ahead("stays as it is", level, level, 0.0, *STILL_SD_C)


def _just_back(times_h: Floats, temps_c: Floats, set_point_c: float) -> bool:
    """Whether the readings have only just come back after a gap before which the heater was in control."""
    gaps = np.flatnonzero(np.diff(times_h) >= TREND_H)
    if not gaps.size or times_h[-1] - times_h[gaps[-1] + 1] >= TREND_H / 4:
        return False
    last = int(gaps[-1])
    recent = temps_c[: last + 1][times_h[: last + 1] >= times_h[last] - IN_CONTROL_H]
    return bool(np.all(np.abs(recent - set_point_c) <= IN_CONTROL_C))


def in_control(level_c: float) -> Ahead:
    """For water that a heater holds at ``level_c``."""
    return Ahead("heater in control", level_c, level_c, 0.0, IN_CONTROL_SD_C, IN_CONTROL_SD_C)


def set_point_only(set_point_c: float) -> Ahead:
    """For a cone without any reading yet: the heater's set point, taken on trust."""
    sd = TRUSTED_SET_POINT_SD_C
    return Ahead("set point, unconfirmed", set_point_c, set_point_c, 0.0, sd, sd)


def _through_the_day(
    times_h: Floats, temps_c: Floats, air_c: float | None, cycle: Cycle, clock_h: float
) -> Ahead | None:
    """Unheated water that follows the room's day; None where it now moves otherwise, or where the day
    explains a log of FIT_H or more less well than standing still would.

    By Newton's law what sets the water apart from its usual day goes to what sets this day apart from the
    usual one, s, as ``s + c exp(-lag t)``. s, c and the lag are fitted to the hourly means of the log, s and
    ln lag about what is believed without it.
    """
    end = float(times_h[-1])
    hours, means = _slot_means(times_h, temps_c, end - DAY_FIT_H, 1.0)
    usual = [cycle.in_water(float(lag)) for lag in _DAY_LAGS]
    apart = means - np.stack([day.at(clock_h + hours - end) for day in usual])  # (lags, n)
    away = np.exp(-_DAY_LAGS[:, None] * (hours - hours[0]))
    known = air_c is not None and not cycle.of_water
    today_c = air_c - float(cycle.at(np.array(clock_h))) if air_c is not None and known else 0.0
    today_sd = AIR_SD_C if known else ROOM_SD_C

    terms = np.stack((np.ones_like(away), away), axis=-1) / DAY_FIT_SD_C  # (lags, n, 2)
    told = apart / DAY_FIT_SD_C
    weight = np.einsum("lni,lnj->lij", terms, terms) + np.diag([today_sd**-2.0, FAR_APART_C**-2.0])
    pull = np.einsum("lni,ln->li", terms, told) + np.array([today_c * today_sd**-2.0, 0.0])
    spread = np.linalg.inv(weight)
    best = np.einsum("lij,lj->li", spread, pull)
    fits = 0.5 * (np.sum(best * pull, axis=1) - np.sum(told**2, axis=1) + np.log(np.linalg.det(spread)))
    fits -= 0.5 * (np.log(_DAY_LAGS / LAG_PER_H) / LAG_LN_SD) ** 2
    share = np.exp(fits - fits.max())
    share /= share.sum()
    likeliest = int(np.argmax(share))
    left = apart[likeliest] - DAY_FIT_SD_C * terms[likeliest] @ best[likeliest]
    if hours[-1] - hours[0] >= FIT_H - 1.0 and np.sqrt(np.mean(left**2)) > np.std(means) + STILL_C:
        return None
    lag = float(np.exp(np.sum(share * np.log(_DAY_LAGS))))
    today_c = float(np.sum(share * best[:, 0]))
    doubt_c = float(np.sqrt(np.sum(share * (spread[:, 0, 0] + (best[:, 0] - today_c) ** 2))))

    late = times_h >= end - TREND_H
    day = cycle.in_water(lag)
    last_c = temps_c[late] - day.at(clock_h + times_h[late] - end)  # apart from the usual day
    now_c = float(last_c[-3:].mean())
    slope = lag * (today_c - now_c)
    if np.ptp(times_h[late]) >= TREND_H / 4:
        slope, _ = straight_line(times_h[late], last_c)
        now_c += slope * (end - float(times_h[late][-3:].mean()))
    if abs(slope - lag * (today_c - now_c)) >= MOVING_C_PER_H:
        return None
    start_c = float(day.at(np.array(clock_h))) + now_c
    last_sd = min(float(np.hypot(doubt_c, WEATHER_SD_C)), ROOM_SD_C)
    return Ahead(
        "follows the room's day", start_c, start_c, lag, STILL_SD_C[0], last_sd, cycle, clock_h, today_c
    )


def _course(times_h: Floats, temps_c: Floats, set_point_c: float | None, air_c: float | None) -> Ahead | None:
    """Water on its way to a temperature; None when it stands still. Between barely and surely moving the
    course counts in part, so that the forecast does not leap between two rules."""
    end = float(times_h[-1])
    late = times_h >= end - TREND_H
    if np.ptp(times_h[late]) < TREND_H / 4:
        return None
    slope, _ = straight_line(times_h[late], temps_c[late])
    if abs(slope) < MOVING_C_PER_H:
        return None
    # The last three readings against noise, carried to the end: they may be far apart.
    start = float(temps_c[late][-3:].mean() + slope * (end - times_h[late][-3:].mean()))
    course = _course_from(start, slope, times_h, temps_c, set_point_c, air_c)
    share = min((abs(slope) - MOVING_C_PER_H) / (SURELY_MOVING_C_PER_H - MOVING_C_PER_H), 1.0)
    level = float(temps_c[late].mean())
    return replace(
        course,
        start_c=level + share * (course.start_c - level),
        target_c=level + share * (course.target_c - level),
        sd_last_c=STILL_SD_C[1] + share * (course.sd_last_c - STILL_SD_C[1]),
    )


def _course_from(
    start: float,
    slope: float,
    times_h: Floats,
    temps_c: Floats,
    set_point_c: float | None,
    air_c: float | None,
) -> Ahead:
    """Newton's law of cooling from ``start`` (deg C) at ``slope`` (C/h) to whatever it seems to lead to."""
    for target in (set_point_c, air_c):
        if target is not None and (target - start) * slope > 0:
            lag = _lag_towards(times_h, temps_c, slope, target)
            return Ahead("on its way to " + ("the set point" if target == set_point_c else "the room"),
                         start, target, lag, 0.5, 0.5)  # fmt: skip
    fitted = _fitted_course(times_h, temps_c, slope)
    if fitted is None or (fitted[1] - start) * slope <= 0:
        # Moving for certain, where to is a guess: on at this pace, at the usual lag and not very far.
        way = float(np.clip(slope / LAG_PER_H, -GUESSED_WAY_C, GUESSED_WAY_C))
        return Ahead("on its way, end not known", start, start + way, slope / way, 0.5, FITTED_SD_C[1])
    lag, target, target_sd = fitted
    doubt = min(max(target_sd, FITTED_SD_C[0]), FITTED_SD_C[1])
    return Ahead("on its way, end fitted from the log", start, target, lag, 0.5, doubt)


def _rates(times_h: Floats, temps_c: Floats, slope: float) -> tuple[Floats, Floats]:
    """Mean temperature and rate of change (C/h) over successive tenths of an hour or more, since the water
    took its present course, which now runs at ``slope`` (C/h)."""
    time_means, temp_means = _slot_means(times_h, temps_c, float(times_h[-1]) - FIT_H, 0.1)
    # A course only slows down: where the water stood still or turned, something else held it until then.
    pace = (temp_means[3:] - temp_means[:-3]) / (time_means[3:] - time_means[:-3])
    other = np.flatnonzero(pace / slope < 0.5)
    other = other[time_means[3:][other] < times_h[-1] - TREND_H]
    since = int(other[-1]) + 3 if other.size else 0
    temp_means, time_means = temp_means[since:], time_means[since:]
    return (temp_means[1:] + temp_means[:-1]) / 2.0, np.diff(temp_means) / np.diff(time_means)


def _slot_means(times_h: Floats, temps_c: Floats, from_h: float, width_h: float) -> tuple[Floats, Floats]:
    """Mean time and temperature of the log from ``from_h`` on, over successive spans of ``width_h``."""
    keep = times_h >= from_h
    times, temps = times_h[keep], temps_c[keep]
    slots = np.floor((times - times[0]) / width_h + 1e-9)
    _, first, counts = np.unique(slots, return_index=True, return_counts=True)
    return np.add.reduceat(times, first) / counts, np.add.reduceat(temps, first) / counts


def _lag_towards(times_h: Floats, temps_c: Floats, slope: float, target_c: float) -> float:
    temps, rates = _rates(times_h, temps_c, slope)
    away = target_c - temps
    if temps.size < 3 or np.max(np.abs(away)) < 1.0:
        return LAG_PER_H
    low, high = LAG_RANGE_PER_H
    return float(np.clip(np.sum(rates * away) / np.sum(away * away), low, high))


def _fitted_course(times_h: Floats, temps_c: Floats, slope_now: float) -> tuple[float, float, float] | None:
    """(lag per hour, target deg C, sd of the target) from the rate falling as the target comes near; None
    if it does not."""
    temps, rates = _rates(times_h, temps_c, slope_now)
    if temps.size < 6 or np.ptp(temps) < 1.0:
        return None
    slope, target = straight_line(temps, rates)
    low, high = LAG_RANGE_PER_H
    if not low <= -slope <= high or not 5.0 <= target <= 40.0:
        return None
    spread = temps - temps.mean()
    scatter = float(np.sum((rates - slope * (temps - target)) ** 2)) / (temps.size - 2)
    doubt = 1.0 / temps.size + (target - float(temps.mean())) ** 2 / float(np.sum(spread**2))
    return -slope, target, float(np.sqrt(scatter * doubt)) / -slope

"""Simulated lots whose truth is not the model: other rate curves, gamma-distributed hatching thresholds,
biased probes with steps and noise, and a keeper who looks when the clock allows.

The scene: cones of 1 to 2 L without a heater in a room whose temperature swings by .2 to 2 C either way over
the day and whose level differs by .7 C (sd) from one batch to the next; filled at 19 to 23 h UTC with water
between 20 C and the room's, which follows the room at .33 per hour (the daemon starts out from .25). A probe
in the air, biased like any, has told the daemon the room's last seven days, each at a level of its own, and
tells it the air of the moment. That record is passed to every forecast as the daemon would; the forecast at
six hours is scored without it as well.

Everything is invented and seeded; nothing here is a measurement. ``python -m tests.science.simulation``
prints the whole table.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from hatchmon.hatchery.ahead import Cycle, Room
from hatchmon.hatchery.looks import WORDS, look_bounds
from hatchmon.hatchery.types import Band, Batch, Forecast, Look
from hatchmon.hatchery.watch import NOT_MEASURED, BatchWatch, Foreseen
from hatchmon.science.learning import LotBelief
from hatchmon.science.normal import Floats, normal_cdf, normal_quantile

STEP_H = 1.0 / 6.0
LOOK_HOURS = (7.0, 12.5, 18.0, 22.0)
FIRST_LOOK_H = 12.0
EYE_SD = 0.35  # of the simulated keeper, probit scale
FIXED_RULE_H = 24.0
EARLY_H = 6.0
LEVEL_SD_C = 0.7  # of the room, from batch to batch and from one recorded day to the next
PROBE_BIAS_C = 0.4
WATER_LAG_PER_H = 1.0 / 3.0
RECORDED = (0, 1, 3, 5, 10)
MOST_LOOKS = 8
SEED = 20_817


@dataclass(frozen=True)
class Population:
    """Where hidden lots come from.

    ln tau25: nine lots in ten from N(ln ``tau25_h``, .18), the tenth, of another make, from N(same, .45):
    together sd .22, a little less than the prior allows for. cv of the hatching thresholds: log-normal
    around ``cv``, sd of ln ``cv_ln_sd``, within .05-.40. ``omegas``: batch-to-batch sd of ln time, one of
    these for each lot. ``light_known``: whether a lamp is known to burn in the first hours; where that is not
    known the model expects ``omegas`` greater by .03.
    """

    tau25_h: float = 20.4
    usual_sd: float = 0.18
    odd_sd: float = 0.45
    odd_share: float = 0.10
    cv: float = 0.15
    cv_ln_sd: float = 0.40
    omegas: tuple[float, ...] = (0.03, 0.05, 0.08)
    light_known: bool = True

    def tau_at(self, share: float) -> float:
        """tau25 (h) below which ``share`` of the lots lie."""
        x = np.linspace(-2.5, 2.5, 4001)
        below = (1 - self.odd_share) * normal_cdf(x / self.usual_sd)
        below += self.odd_share * normal_cdf(x / self.odd_sd)
        return float(self.tau25_h * np.exp(np.interp(share, below, x)))


POPULATIONS = {
    "base": Population(),
    "base, light not known": Population(light_known=False),
    "light not known, and felt": Population(omegas=(0.06, 0.08, 0.11), light_known=False),
    "slow and diverse": Population(tau25_h=20.4 * 1.35, cv=0.28, cv_ln_sd=0.0),
    "erratic": Population(omegas=(0.22,)),
}


@dataclass(frozen=True)
class Lot:
    """A hidden lot: median hatch at 25 C, rate curve, cv of the thresholds, batch-to-batch sd; and the
    room and the probe it is hatched with, deg C, and its lamp."""

    tau25_h: float
    rate: Callable[[Floats], Floats]
    cv: float
    omega: float
    room_c: float
    swing_c: float
    bias_c: float
    light_known: bool


@dataclass(frozen=True)
class Air:
    """The air around a cone, as the probe in it shows it: ``cycle``, its hourly means over the last days, and
    today's level ``today_c`` beside theirs, with the unrest ``noise_c`` of each hour from the start."""

    cycle: Cycle
    today_c: float
    noise_c: Floats

    def air_c(self, time: datetime, age_h: float) -> float:
        """What the probe shows at ``time``, ``age_h`` after the start."""
        clock = time.hour + time.minute / 60.0
        return float(self.cycle.at(np.array(clock)) + self.today_c + self.noise_c[int(age_h)])


@dataclass(frozen=True)
class Hatch:
    """One simulated batch: what the probe said, what the keeper saw, the room's record, the true hours to
    90 %, the true share hatched at an age in hours and the eye that looks when it is asked to."""

    watch: BatchWatch
    looks: list[Look]
    air: Air
    t90_h: float
    end: datetime
    share_at: Callable[[float], float]
    eye: np.random.Generator

    def forecast(self, age_h: float, belief: LotBelief, recorded: bool = True) -> Forecast:
        """The watch's, ``age_h`` after the start, with or without the room's record."""
        return self.foresee(age_h, belief, recorded).forecast

    def foresee(self, age_h: float, belief: LotBelief, recorded: bool = True) -> Foreseen:
        """The same, ready to tell the look that is asked for."""
        now = self.watch.batch.time_at(age_h)
        room = Room(self.air.air_c(now, age_h), self.air.cycle) if recorded else NOT_MEASURED
        return self.watch.foresee(now, belief, None, room)

    def look(self, age_h: float) -> Look:
        """What the keeper would write down at this age."""
        return Look(0, self.watch.batch.time_at(age_h), _word(self.share_at(age_h), self.eye))


def make_lots(count: int, population: Population, rng: np.random.Generator) -> Iterator[Lot]:
    """``count`` lots, their tau25 one from each equal part of the population: few stand for many."""
    for part in rng.permutation(count):
        spread = population.cv_ln_sd * rng.standard_normal()
        yield Lot(
            tau25_h=population.tau_at((part + rng.random()) / count),
            rate=_curve(rng),
            cv=float(np.clip(population.cv * np.exp(spread), 0.05, 0.4)),
            omega=float(rng.choice(population.omegas)),
            room_c=float(rng.uniform(22.0, 28.5)),
            swing_c=float(rng.uniform(0.2, 2.0)),
            bias_c=float(PROBE_BIAS_C * rng.standard_normal()),
            light_known=population.light_known,
        )


def _curve(rng: np.random.Generator) -> Callable[[Floats], Floats]:
    """A rate curve of another form than the model's, 1 at 25 C; parameters invented, plausible Q10."""
    kind = rng.integers(4)
    if kind == 0:  # straight line
        zero = rng.uniform(9.0, 14.0)
        return lambda t: np.maximum(t - zero, 0.0) / (25.0 - zero)
    if kind == 1:  # power of the distance to a threshold (Belehradek's form)
        zero, power = rng.uniform(3.0, 7.0), rng.uniform(1.6, 2.2)
        return lambda t: (np.maximum(t - zero, 0.0) / (25.0 - zero)) ** power
    if kind == 2:  # Briere's form
        zero, top = rng.uniform(6.0, 10.0), rng.uniform(37.0, 41.0)

        def briere(t: Floats) -> Floats:
            return np.asarray(t * np.maximum(t - zero, 0.0) * np.sqrt(np.maximum(top - t, 0.0)))

        at_25 = float(briere(np.array(25.0)))
        return lambda t: briere(t) / at_25
    q10 = rng.uniform(2.1, 3.0)  # plain Q10
    return lambda t: np.asarray(q10 ** ((t - 25.0) / 10.0))


def make_hatch(lot: Lot, number: int, rng: np.random.Generator) -> Hatch:
    """One batch of ``lot`` begun some evening."""
    evening = timedelta(days=8 * number, hours=float(rng.uniform(19.0, 23.0)))
    start = datetime(2026, 1, 1, tzinfo=UTC) + evening
    hours = np.arange(0.0, 160.0, STEP_H)
    clock = start.hour + start.minute / 60.0 + hours
    day_c = float(lot.room_c + LEVEL_SD_C * rng.standard_normal())
    water = day_c + lot.swing_c * np.sin(2 * np.pi * (clock - 9.0) / 24.0)
    water = water - (water[0] - 20.0) * np.exp(-WATER_LAG_PER_H * hours) * rng.uniform(
        0.0, 1.0
    )  # warms up at first
    rates = lot.rate(water)
    done = np.concatenate(([0.0], np.cumsum((rates[1:] + rates[:-1]) / 2.0 * STEP_H)))
    shift = np.exp(lot.omega * rng.standard_normal())
    shape = 1.0 / lot.cv**2
    thresholds = np.sort(rng.gamma(shape, lot.tau25_h * shift / shape, 4000))
    t90_h = float(np.interp(np.quantile(thresholds, 0.9), done, hours))

    watch = BatchWatch(Batch(number, "a", "lot", start, 2.0))
    watch.light_known = lot.light_known
    said = np.round((water + lot.bias_c + 0.05 * rng.standard_normal(hours.size)) / 0.0625) * 0.0625
    last_h = min(t90_h + 8.0, 159.0)
    for hour, temp_c in zip(hours, said, strict=True):
        if hour <= last_h:
            watch.add(start + timedelta(hours=float(hour)), float(temp_c))

    def share_at(age_h: float) -> float:
        return float(np.searchsorted(thresholds, np.interp(age_h, hours, done)) / thresholds.size)

    looks = _looks(start, share_at, last_h, rng)
    # Streams of their own, so that the room's record and looks asked for move nothing else.
    aside = rng.spawn(1)[0]
    (eye,) = aside.spawn(1)
    air = make_air(lot, day_c, aside)
    return Hatch(watch, looks, air, t90_h, start + timedelta(hours=last_h), share_at, eye)


def make_air(lot: Lot, day_c: float, rng: np.random.Generator) -> Air:
    """The record of the air that the water of ``make_hatch`` follows by Newton's law, on a day of level
    ``day_c``: its swing is wider and earlier than the water's."""
    pace = 2.0 * np.pi / 24.0
    wave = (1.0 + 1j * pace / WATER_LAG_PER_H) * np.exp(1j * pace * (np.arange(24) + 0.5 - 9.0))
    level_c = float(np.mean(lot.room_c + LEVEL_SD_C * rng.standard_normal(7)))
    hourly = level_c + lot.swing_c * wave.imag + PROBE_BIAS_C * rng.standard_normal()
    cycle = Cycle(tuple(hourly.tolist()), of_water=False)
    return Air(cycle, day_c - level_c, 0.3 * rng.standard_normal(170))


def _word(share: float, rng: np.random.Generator) -> str:
    """What the keeper calls a share hatched."""
    seen = float(normal_quantile(np.clip(share, 1e-6, 1 - 1e-6))) + EYE_SD * rng.standard_normal()
    return next(word for word in WORDS if look_bounds(word)[0] <= seen < look_bounds(word)[1])


def _looks(
    start: datetime, share_at: Callable[[float], float], last_h: float, rng: np.random.Generator
) -> list[Look]:
    """What a keeper writes down at the usual hours, from 12 h on until it looks complete."""
    looks: list[Look] = []
    midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
    for day in range(8):
        for hour in LOOK_HOURS:
            time = midnight + timedelta(days=day, hours=hour + float(rng.uniform(-0.5, 0.5)))
            age_h = (time - start) / timedelta(hours=1)
            if not FIRST_LOOK_H <= age_h <= last_h:
                continue
            word = _word(share_at(age_h), rng)
            looks.append(Look(0, time, word))
            if word == "complete":
                return looks
    return looks


@dataclass
class Score:
    """Errors of the median of T90, h, and whether the 80 % band held the truth."""

    errors_h: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    widths_h: list[float] = field(default_factory=list)

    def note(self, band: Band | None, t90_h: float) -> None:
        """Score one forecast; none made counts for nothing."""
        if band is not None:
            self.errors_h.append(abs(band.p50 - t90_h))
            self.inside.append(band.p10 <= t90_h <= band.p90)
            self.widths_h.append(band.p90 - band.p10)

    @property
    def mae_h(self) -> float:
        """Mean absolute error, h."""
        return float(np.mean(self.errors_h))

    @property
    def coverage(self) -> float:
        """Share of truths inside the 80 % band."""
        return float(np.mean(self.inside))

    @property
    def width_h(self) -> float:
        """Mean width of the 80 % band, h."""
        return float(np.mean(self.widths_h))


@dataclass
class Scores:
    """All that is scored after one number of recorded hatches.

    ``whole``: the log up to T90 known, no look of the running batch. ``early``: six hours of log;
    ``unrecorded``: the same where nobody has recorded the room.
    ``first``, ``last``: at the first and last look before T90, "few" to "nearly all" seen, with the looks so
    far; ``unlooked``: at the first of them, no look known. ``fixed_errors_h``: always 24 h.
    """

    whole: Score = field(default_factory=Score)
    early: Score = field(default_factory=Score)
    unrecorded: Score = field(default_factory=Score)
    unlooked: Score = field(default_factory=Score)
    first: Score = field(default_factory=Score)
    last: Score = field(default_factory=Score)
    fixed_errors_h: list[float] = field(default_factory=list)

    @property
    def fixed_mae_h(self) -> float:
        """Mean absolute error of the fixed rule, h."""
        return float(np.mean(self.fixed_errors_h))


def _score(hatch: Hatch, belief: LotBelief, scores: Scores, mid_batch: bool) -> None:
    watch = hatch.watch
    watch.looks = []
    scores.whole.note(hatch.forecast(hatch.t90_h, belief).t90, hatch.t90_h)
    scores.fixed_errors_h.append(abs(FIXED_RULE_H - hatch.t90_h))
    scores.early.note(hatch.forecast(EARLY_H, belief).t90, hatch.t90_h)
    if not mid_batch:
        return
    scores.unrecorded.note(hatch.forecast(EARLY_H, belief, recorded=False).t90, hatch.t90_h)
    telling = [
        watch.batch.hours_at(look.time)
        for look in hatch.looks
        if look.seen not in ("none", "complete") and watch.batch.hours_at(look.time) < hatch.t90_h
    ]
    if telling:
        scores.unlooked.note(hatch.forecast(telling[0], belief).t90, hatch.t90_h)
        watch.looks = hatch.looks
        scores.first.note(hatch.forecast(telling[0], belief).t90, hatch.t90_h)
        scores.last.note(hatch.forecast(telling[-1], belief).t90, hatch.t90_h)


def run(
    lots: int,
    recorded: Sequence[int] = RECORDED,
    seed: int = SEED,
    population: Population = POPULATIONS["base"],
    mid_batch: bool = True,
) -> dict[int, Scores]:
    """Forecast a further hatch of each lot after each number of ``recorded`` ones."""
    rng = np.random.default_rng(seed)
    scores = {count: Scores() for count in recorded}
    for lot in make_lots(lots, population, rng):
        belief = LotBelief.prior()
        for number in range(max(recorded) + 1):
            hatch = make_hatch(lot, number, rng)
            if number in scores:
                _score(hatch, belief, scores[number], mid_batch)
            hatch.watch.looks = hatch.looks
            evidence = hatch.watch.evidence(hatch.end)
            if evidence is not None:
                belief = belief.learn(evidence)
    return scores


@dataclass
class Asked:
    """Forecasts of the first batch of an unknown lot, whose keeper looks when he is asked to and not
    otherwise: ``at`` the start and after so many looks, and with the ``last`` look before T90."""

    at: list[Score] = field(default_factory=lambda: [Score() for _ in range(MOST_LOOKS + 1)])
    last: Score = field(default_factory=Score)
    ages_h: list[list[float]] = field(default_factory=lambda: [[] for _ in range(MOST_LOOKS + 1)])
    last_ages_h: list[float] = field(default_factory=list)


def run_asked(lots: int, seed: int = SEED, population: Population = POPULATIONS["base"]) -> Asked:
    """Each lot's first batch, forecast at its start and after each look that was asked for before T90; no two
    within an hour."""
    rng = np.random.default_rng(seed)
    prior = LotBelief.prior()
    found = Asked()
    for lot in make_lots(lots, population, rng):
        hatch = make_hatch(lot, 0, rng)
        watch, age_h, told = hatch.watch, 0.0, hatch.forecast(0.0, prior).t90
        watch.looks = []
        found.at[0].note(told, hatch.t90_h)
        found.ages_h[0].append(0.0)
        while age_h < hatch.t90_h and len(watch.looks) < MOST_LOOKS:
            asked = hatch.foresee(age_h, prior).next_look()
            if asked is None:
                age_h += 1.0
                continue
            age_h = asked.hours
            if age_h >= hatch.t90_h:
                break
            watch.looks = [*watch.looks, hatch.look(age_h)]
            told = hatch.forecast(age_h, prior).t90
            found.at[len(watch.looks)].note(told, hatch.t90_h)
            found.ages_h[len(watch.looks)].append(age_h)
            age_h += 1.0
        if watch.looks:
            found.last.note(told, hatch.t90_h)
            found.last_ages_h.append(watch.batch.hours_at(watch.looks[-1].time))
    return found


def asked_table(found: Asked) -> str:
    """The scores of first batches in words and figures, one line for each number of looks."""
    lines = ["looks  batches   age    T90 MAE  band   width"]
    rows = [(str(count), *each) for count, each in enumerate(zip(found.at, found.ages_h, strict=True))]
    for name, score, ages_h in [*rows, ("last", found.last, found.last_ages_h)]:
        if ages_h:
            lines.append(
                f"{name:>5s} {len(ages_h):8d} {np.mean(ages_h):5.1f} h {score.mae_h:7.2f} h"
                f" {score.coverage:4.0%} {score.width_h:5.1f} h"
            )
    return "\n".join(lines)


def table(scores: dict[int, Scores]) -> str:
    """The scores in words and figures, one line for each number of recorded hatches."""
    lines = [
        "hatches   T90 MAE  band   width | at 6 h MAE  band   room unrecorded | at the first look: without"
        "   with  band | at the last  band | fixed 24 h"
    ]
    for count, each in scores.items():
        lines.append(
            f"{count:7d} {each.whole.mae_h:7.2f} h {each.whole.coverage:4.0%} {each.whole.width_h:5.1f} h |"
            f" {each.early.mae_h:8.2f} h {each.early.coverage:5.0%}"
            f" {each.unrecorded.mae_h:8.2f} h {each.unrecorded.coverage:5.0%} |"
            f" {each.unlooked.mae_h:24.2f} h {each.first.mae_h:4.2f} h {each.first.coverage:5.0%} |"
            f" {each.last.mae_h:9.2f} h {each.last.coverage:5.0%} | {each.fixed_mae_h:8.2f} h"
        )
    return "\n".join(lines)


def main() -> None:
    """Print the table for every population."""
    parser = argparse.ArgumentParser(description="Forecasts of simulated lots, scored.")
    parser.add_argument("--lots", type=int, default=500)
    parser.add_argument("--seed", type=int, default=SEED)
    chosen = parser.parse_args()
    for name, population in POPULATIONS.items():
        print(f"{name}: {chosen.lots} lots\n{table(run(chosen.lots, RECORDED, chosen.seed, population))}\n")
        print("first batch, looks as asked for")
        print(asked_table(run_asked(chosen.lots, chosen.seed, population)) + "\n", flush=True)


if __name__ == "__main__":
    main()

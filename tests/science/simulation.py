"""Simulated lots whose truth is not the model: other rate curves, gamma-distributed hatching thresholds,
biased probes with steps and noise, and a keeper who looks when the clock allows.

Everything is invented and seeded; nothing here is a measurement.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from hatchmon.hatchery.looks import WORDS, look_bounds
from hatchmon.hatchery.types import Batch, Forecast, Look
from hatchmon.hatchery.watch import BatchWatch
from hatchmon.science.learning import LotBelief
from hatchmon.science.normal import Floats, normal_quantile

STEP_H = 1.0 / 6.0
LOOK_HOURS = (7.0, 12.5, 18.0, 22.0)
FIXED_RULE_H = 24.0


@dataclass(frozen=True)
class Lot:
    """A hidden lot: median hatch at 25 C, rate curve, spread (cv of the thresholds), batch-to-batch sd."""

    tau25_h: float
    rate: Callable[[Floats], Floats]
    cv: float
    omega: float
    room_c: float
    swing_c: float
    bias_c: float


@dataclass(frozen=True)
class Hatch:
    """One simulated batch: what the probe and the keeper said, and the true hours to 90 %."""

    watch: BatchWatch
    t90_h: float
    end: datetime


def make_lot(rng: np.random.Generator, tau_sd: float = 0.24, cv: float | None = None) -> Lot:
    """A lot from the population of lots."""
    return Lot(
        tau25_h=float(20.4 * np.exp(tau_sd * rng.standard_normal())),
        rate=_curve(rng),
        cv=cv if cv is not None else float(np.clip(0.15 * np.exp(0.4 * rng.standard_normal()), 0.05, 0.4)),
        omega=float(rng.choice([0.04, 0.08, 0.12, 0.18], p=[0.2, 0.3, 0.3, 0.2])),
        room_c=float(rng.uniform(22.0, 28.5)),
        swing_c=float(rng.uniform(0.2, 2.0)),
        bias_c=float(0.4 * rng.standard_normal()),
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


def make_hatch(lot: Lot, number: int, rng: np.random.Generator, looks: bool = True) -> Hatch:
    """One batch of ``lot`` begun some evening."""
    start = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=3 * number, hours=float(rng.uniform(19.0, 23.0)))
    hours = np.arange(0.0, 120.0, STEP_H)
    clock = start.hour + start.minute / 60.0 + hours
    day_c = float(lot.room_c + 0.7 * rng.standard_normal())
    water = day_c + lot.swing_c * np.sin(2 * np.pi * (clock - 9.0) / 24.0)
    water = water - (water[0] - 20.0) * np.exp(-hours / 3.0) * rng.uniform(0.0, 1.0)  # warms up at first
    rates = lot.rate(water)
    done = np.concatenate(([0.0], np.cumsum((rates[1:] + rates[:-1]) / 2.0 * STEP_H)))
    shift = np.exp(lot.omega * rng.standard_normal())
    shape = 1.0 / lot.cv**2
    thresholds = np.sort(rng.gamma(shape, lot.tau25_h * shift / shape, 4000))
    t90_h = float(np.interp(np.quantile(thresholds, 0.9), done, hours))

    watch = BatchWatch(Batch(number, "a", "lot", start, 2.0))
    said = np.round((water + lot.bias_c + 0.05 * rng.standard_normal(hours.size)) / 0.0625) * 0.0625
    last_h = min(t90_h + 8.0, 119.0)
    for hour, temp_c in zip(hours, said, strict=True):
        if hour <= last_h:
            watch.add(start + timedelta(hours=float(hour)), float(temp_c))
    if looks:
        watch.looks = _looks(start, thresholds, hours, done, last_h, rng)
    return Hatch(watch, t90_h, start + timedelta(hours=last_h))


def _looks(
    start: datetime, thresholds: Floats, hours: Floats, done: Floats, last_h: float, rng: np.random.Generator
) -> list[Look]:
    """What a keeper writes down at the usual hours, from 12 h on until it looks complete."""
    looks: list[Look] = []
    midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
    for day in range(6):
        for hour in LOOK_HOURS:
            time = midnight + timedelta(days=day, hours=hour + float(rng.uniform(-0.5, 0.5)))
            age_h = (time - start) / timedelta(hours=1)
            if not 12.0 <= age_h <= last_h:
                continue
            share = np.searchsorted(thresholds, np.interp(age_h, hours, done)) / thresholds.size
            seen = float(normal_quantile(np.clip(share, 1e-6, 1 - 1e-6))) + 0.35 * rng.standard_normal()
            word = next(w for w in WORDS if look_bounds(w)[0] <= seen < look_bounds(w)[1])
            looks.append(Look(0, time, word))
            if word == "complete":
                return looks
    return looks


@dataclass
class Scores:
    """Errors of the median and hits of the 80 % band for T90, hours."""

    errors_h: list[float]
    inside: list[bool]
    early_errors_h: list[float]
    early_inside: list[bool]
    fixed_errors_h: list[float]

    def note(self, hatch: Hatch, late: Forecast, early: Forecast) -> None:
        """Score one hatch: ``late`` knew the whole log, ``early`` its first six hours."""
        assert late.t90 is not None
        assert early.t90 is not None
        self.errors_h.append(abs(late.t90.p50 - hatch.t90_h))
        self.inside.append(late.t90.p10 <= hatch.t90_h <= late.t90.p90)
        self.early_errors_h.append(abs(early.t90.p50 - hatch.t90_h))
        self.early_inside.append(early.t90.p10 <= hatch.t90_h <= early.t90.p90)
        self.fixed_errors_h.append(abs(FIXED_RULE_H - hatch.t90_h))


def run(
    lots: int, recorded: Sequence[int], seed: int, make: Callable[[np.random.Generator], Lot] = make_lot
) -> dict[int, Scores]:
    """Forecast a further hatch of each lot after each number of ``recorded`` ones."""
    rng = np.random.default_rng(seed)
    scores = {count: Scores([], [], [], [], []) for count in recorded}
    for _ in range(lots):
        lot = make(rng)
        belief = LotBelief.prior()
        for number in range(max(recorded) + 1):
            hatch = make_hatch(lot, number, rng)
            if number in scores:
                looks, hatch.watch.looks = hatch.watch.looks, []
                start = hatch.watch.batch.started
                late = hatch.watch.forecast(start + timedelta(hours=hatch.t90_h), belief)
                early = hatch.watch.forecast(start + timedelta(hours=6.0), belief)
                if late.t90 is not None and early.t90 is not None:
                    scores[number].note(hatch, late, early)
                hatch.watch.looks = looks
            evidence = hatch.watch.evidence(hatch.end)
            if evidence is not None:
                belief = belief.learn(evidence)
    return scores

"""The invented hatchery of the demo: the water of its cones and what their probes make of it.

Hours count from the start of the demo, negative before. All figures are invented.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from random import Random

from hatchmon.hatchery.supply.demand import Mouth

START_HOUR = 5.5  # local time of day at hour zero
STEP_H = 1 / 60  # so short that a thermostat overshoots no more than a real one
HEATER_C_PER_H = 9.0
HYSTERESIS_C = 0.2  # either side of the set point
ROOM_C, ROOM_SWING_C, ROOM_WARMEST_HOUR = 20.0, 2.5, 16.0
PROBE_NOISE_C = 0.05
PROBE_STEP_C = 0.0625  # of a 12-bit DS18B20, as is its power-on value (data sheet)
POWER_ON_C = 85.0
POWER_ON_SHARE = 0.004

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Plan:
    """One cone: what is in it and what will befall it.

    ``place_c``: how much warmer than the room its place is; ``ready_in_h``: when its batch is to be ready.
    ``topic`` None: plain numbers on the default topic; else JSON with the probe's own time, and the room's
    temperature beside the water's.
    """

    cone: str
    lot: str
    grams: float
    litres: float
    ready_in_h: float
    set_point_c: float | None = None
    place_c: float = 0.0
    lag_per_h: float = 0.35
    topic: str | None = None
    heater_out_h: Span | None = None
    silent_h: Span | None = None

    @property
    def topic_heard(self) -> str:
        """The topic its probe publishes to."""
        return self.topic or f"hatchery/{self.cone}/temperature"


PLANS = (
    Plan("bench", "river-23", 3.0, 2.0, ready_in_h=0.56, set_point_c=26.0),
    Plan(
        "north", "salt-pan-7", 2.0, 1.5, ready_in_h=6.0, set_point_c=26.5, topic="shed/north/probe",
        heater_out_h=(0.13, 5.0),
    ),
    Plan("window", "dune-11", 1.0, 1.0, ready_in_h=13.0, place_c=4.0, silent_h=(0.9, 1.4)),
)  # fmt: skip


# Whom it feeds: name, fry, days since they began to swim, mouths; and what is left of its lots, in grams.
BROODS: tuple[tuple[str, int, int, Mouth], ...] = (("reeds", 260, 6, "small"), ("pool", 90, 2, "large"))
STOCK_G = {"river-23": 84.0, "salt-pan-7": 41.0, "dune-11": 12.5}
PLANNED_DAYS = 3


def room_c(at_h: float) -> float:
    """The room's temperature, deg C: a daily wave."""
    hour = START_HOUR + at_h
    return ROOM_C + ROOM_SWING_C * math.cos((hour - ROOM_WARMEST_HOUR) * math.pi / 12)


class Water:
    """The water of one cone, deg C: it follows its place with a lag, and a thermostat heats against that."""

    def __init__(self, plan: Plan, at_h: float) -> None:
        self.plan = plan
        self.temp_c = room_c(at_h) + plan.place_c if plan.set_point_c is None else plan.set_point_c
        self.heating = False
        self._at_h = at_h

    def advance(self, to_h: float) -> None:
        """Let the time until ``to_h`` pass."""
        while (left_h := to_h - self._at_h) > 0:
            self._switch()
            lag = self.plan.lag_per_h
            heat_c = HEATER_C_PER_H / lag if self.heating else 0.0
            target_c = room_c(self._at_h) + self.plan.place_c + heat_c
            self.temp_c = target_c + (self.temp_c - target_c) * math.exp(-lag * min(left_h, STEP_H))
            self._at_h = to_h if left_h <= STEP_H else self._at_h + STEP_H

    def _switch(self) -> None:
        set_point_c = self.plan.set_point_c
        if set_point_c is None or _within(self._at_h, self.plan.heater_out_h):
            self.heating = False
        elif self.temp_c < set_point_c - HYSTERESIS_C:
            self.heating = True
        elif self.temp_c > set_point_c + HYSTERESIS_C:
            self.heating = False


class Probe:
    """A thermometer with noise, a coarse step and now and then its power-on value."""

    def __init__(self, random: Random) -> None:
        self._random = random

    def read(self, temp_c: float) -> float:
        """What it says of ``temp_c``, deg C."""
        if self._random.random() < POWER_ON_SHARE:
            return POWER_ON_C
        return round((temp_c + self._random.gauss(0.0, PROBE_NOISE_C)) / PROBE_STEP_C) * PROBE_STEP_C


@dataclass(frozen=True, slots=True)
class Measured:
    """What a cone's probe says: the water, and the room where it measures that too, deg C."""

    plan: Plan
    water_c: float
    room_c: float | None

    def message(self, time: datetime) -> tuple[str, str]:
        """Topic and payload."""
        if self.plan.topic is None:
            return self.plan.topic_heard, f"{self.water_c:g}"
        body = {"at": time.isoformat(), "water": self.water_c, "room": self.room_c}
        return self.plan.topic_heard, json.dumps(body)


class Hatchery:
    """All cones, carried along together from ``at_h`` on; the same ``seed``, the same story."""

    def __init__(self, at_h: float, plans: tuple[Plan, ...] = PLANS, seed: int = 7) -> None:
        random = Random(seed)
        self._cones = [(Water(plan, at_h), Probe(random)) for plan in plans]
        self._room = Probe(random)

    def measure(self, at_h: float) -> Iterator[Measured]:
        """Go on to ``at_h`` and read every probe that is not silent then."""
        for water, probe in self._cones:
            water.advance(at_h)
            if _within(at_h, water.plan.silent_h):
                continue
            room = None if water.plan.topic is None else self._room.read(room_c(at_h))
            yield Measured(water.plan, probe.read(water.temp_c), room)


def _within(at_h: float, span: Span | None) -> bool:
    return span is not None and span[0] <= at_h < span[1]

"""What a batch would give, and when: joint draws of its course and its yield."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from hatchmon.hatchery.ahead import Ahead
from hatchmon.hatchery.types import Band, Refused
from hatchmon.hatchery.watch import mean_shape_sd, not_predictable, paths_through
from hatchmon.science.hatching import Draws, salt_shift
from hatchmon.science.learning import LotBelief
from hatchmon.science.nauplii import Thresholds, life
from hatchmon.science.normal import Floats, normal_quantile
from hatchmon.science.yields import Samples, efficiency_of_batches

SETS = 150  # of a lot's unknowns; the i-th set is the same lot in all its batches
BATCHES = 4  # batches drawn from each set: two of one lot differ as batches do
_NODES_H = 4.0  # a room's day is followed at every fourth hour, and in between draw by draw
_Z90 = float(normal_quantile(0.9))


@dataclass(frozen=True, slots=True)
class PlanCone:
    """A cone to plan with: ``litres`` of brine, at most ``g_per_l`` of cysts, ``cleaning_h`` between batches,
    the ``water`` to expect and its ``salinity`` (g/L)."""

    name: str
    litres: float
    g_per_l: float
    cleaning_h: float
    water: Ahead
    salinity: float | None = None

    @property
    def most_g(self) -> float:
        """The most cysts it may hold."""
        return self.litres * self.g_per_l

    @property
    def like(self) -> tuple[object, ...]:
        """What makes two cones exchangeable in a plan."""
        return (self.litres, self.g_per_l, self.cleaning_h, self.water, self.salinity)


@dataclass(frozen=True)
class PlanLot:
    """A lot to plan with: what is believed of its timing, what was counted of its batches, grams in stock and
    price (None: not known)."""

    name: str
    belief: LotBelief
    counted: tuple[Samples, ...] = ()
    stock_g: float | None = None
    price_per_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """A batch in BATCHES x SETS draws, each array (batches, sets), hours from its start or from the origin:
    when its window opens and closes, until when its nauplii are usable, and how many there are (of a start:
    per gram of cysts)."""

    opens_h: Floats
    closes_h: Floats
    usable_h: Floats
    nauplii: Floats

    def moved(self, hours: float) -> Outcome:
        """The same, ``hours`` later."""
        return replace(
            self,
            opens_h=self.opens_h + hours,
            closes_h=self.closes_h + hours,
            usable_h=self.usable_h + hours,
        )


@dataclass(frozen=True, slots=True)
class OnHand:
    """Nauplii that are there or on their way without a further start: a running or harvested batch.

    ``outcome``: hours from the origin, in all so many nauplii, less what has been fed of them. ``cone``:
    where it still stands, None once harvested; ``cold_until_h``: in a cold store until then.
    """

    name: str
    lot: str
    outcome: Outcome
    cone: str | None = None
    cold_until_h: float | None = None


class Courses:
    """Works out outcomes, each kind once."""

    def __init__(self, origin: datetime, thresholds: Thresholds, widen: float = 1.0) -> None:
        self._clock_h = origin.hour + origin.minute / 60.0
        self._thresholds = thresholds
        self._widen = widen
        self._known: dict[tuple[object, ...], list[Outcome]] = {}
        self._yields: dict[str, Floats] = {}
        self._drawn: dict[tuple[str, float], list[Draws]] = {}

    def per_gram(self, lot: PlanLot) -> Floats:
        """(batches, sets) nauplii per gram of batches of the lot."""
        if lot.name not in self._yields:
            self._yields[lot.name] = efficiency_of_batches(lot.counted, BATCHES, SETS)
        return self._yields[lot.name]

    def of(self, cone: PlanCone, lot: PlanLot, start_h: float) -> Outcome:
        """A batch started ``start_h`` after the origin, hours from its start. Raises Refused where the water
        will be too cold or warm to time a hatch."""
        key = (*cone.like, lot.name)
        if key not in self._known:
            steps = 1 if cone.water.cycle is None else round(24.0 / _NODES_H)
            self._known[key] = [self._outcome(cone, lot, step * _NODES_H) for step in range(steps)]
        nodes = self._known[key]
        if len(nodes) == 1:
            return nodes[0]
        at = (self._clock_h + start_h) % 24.0 / _NODES_H
        first = int(at)
        after, share = nodes[(first + 1) % len(nodes)], at - first
        before = nodes[first]
        return Outcome(
            before.opens_h + share * (after.opens_h - before.opens_h),
            before.closes_h + share * (after.closes_h - before.closes_h),
            before.usable_h + share * (after.usable_h - before.usable_h),
            before.nauplii,
        )

    def _outcome(self, cone: PlanCone, lot: PlanLot, clock_h: float) -> Outcome:
        ahead = cone.water
        if ahead.cycle is not None:
            level = float(ahead.cycle.at(np.array(clock_h)))
            ahead = replace(ahead, start_c=level, target_c=level, clock_h=clock_h)
        hours, temps = np.zeros(1), ahead.mean_c(np.zeros(1))
        why = not_predictable(hours, temps, ahead, 0.0)
        if why is not None:
            raise Refused(f"{cone.name} cannot be planned with: {why}.")
        doubt = float(np.hypot(mean_shape_sd(hours, temps, ahead), salt_shift(cone.salinity)[1]))
        paths = paths_through(hours, np.zeros((8, 1)), ahead)
        key = (lot.name, round(doubt, 6))
        if key not in self._drawn:
            self._drawn[key] = lot.belief.batches(BATCHES, doubt, light_known=True, n=SETS)
        lives = []
        for number, draws in enumerate(self._drawn[key]):
            # Another order for each batch, so that the temperature's turns differ between them too.
            order = np.random.default_rng(number).permutation(SETS)
            back = np.argsort(order)
            mixed = Draws(**{name: getattr(draws, name)[order] for name in Draws.__slots__})
            found = life(mixed, paths, cone.salinity, self._thresholds)
            lives.append(np.stack((found.opens_h, found.closes_h, found.usable_h))[:, back])
        opens, closes, usable = np.stack(lives, axis=1)
        if self._widen != 1.0:
            middle = float(np.median(opens))
            wide = middle * (opens / middle) ** self._widen
            closes, usable, opens = closes + wide - opens, usable + wide - opens, wide
        return Outcome(opens, closes, usable, self.per_gram(lot))


def banded(band: Band, steps: Floats) -> Floats:
    """Values of a band at ``steps`` of a standard normal: its three quantiles kept, each side a half
    normal."""
    below, above = (band.p50 - band.p10) / _Z90, (band.p90 - band.p50) / _Z90
    return np.asarray(band.p50 + np.where(steps < 0.0, below, above) * steps, dtype=np.float64)


def running_outcome(
    opens: Band,
    closes: Band,
    usable_h: float,
    started: datetime,
    origin: datetime,
    nauplii: Floats,
    number: int,
) -> Outcome:
    """A batch that runs or was harvested, from its forecast's bands (hours from its start); opening and
    closing move together. ``nauplii`` (batches, sets); ``number`` tells batches apart."""
    even = normal_quantile((np.arange(nauplii.size) + 0.5) / nauplii.size)
    steps = np.random.default_rng(number).permutation(even).reshape(nauplii.shape)
    since_h = (started - origin) / timedelta(hours=1)
    opens_h = banded(opens, steps)
    closes_h = np.maximum(banded(closes, steps), opens_h)
    usable = np.maximum(usable_h + opens_h - opens.p50, closes_h)
    return Outcome(opens_h, closes_h, usable, nauplii).moved(since_h)

"""How many nauplii each feeding needs: broods, their age, and what they take at that age."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Literal

import numpy as np

Mouth = Literal["tiny", "small", "large"]


@dataclass(frozen=True, slots=True)
class FirstFood:
    """What fry take before nauplii: ``food`` from one day of age to another (the last day included)."""

    food: str
    from_day: int
    to_day: int


@dataclass(frozen=True, slots=True)
class Ramp:
    """What one fry takes by age in days since it began to swim freely.

    ``nauplii``: (day, nauplii a fry and day), days rising; on a straight line in between, none before the
    first, steady after the last. ``dry_from_day``: from here on dry food alone; None: nauplii go on.
    ``instar1_only``: mouths too small for the second stage, so only nauplii from an open window serve.
    """

    nauplii: tuple[tuple[int, float], ...]
    first_foods: tuple[FirstFood, ...] = ()
    dry_from_day: int | None = None
    instar1_only: bool = False

    @property
    def first_day(self) -> int:
        """Age at the first nauplii, days."""
        return self.nauplii[0][0]

    def at(self, age_days: int) -> float:
        """Nauplii a fry and day."""
        if age_days < self.first_day or (self.dry_from_day is not None and age_days >= self.dry_from_day):
            return 0.0
        days, amounts = zip(*self.nauplii, strict=True)
        return float(np.interp(age_days, days, amounts))


# Invented examples, one for each class of mouth; a keeper's own take their place.
EXAMPLE_RAMPS: Mapping[str, Ramp] = {
    "tiny": Ramp(
        ((8, 25.0), (14, 80.0), (21, 160.0), (30, 250.0)),
        (FirstFood("infusoria", 0, 7), FirstFood("vinegar eels", 4, 11)),
        dry_from_day=45,
        instar1_only=True,
    ),
    "small": Ramp(
        ((3, 30.0), (7, 70.0), (14, 150.0), (28, 300.0)), (FirstFood("microworms", 0, 5),), dry_from_day=40
    ),
    "large": Ramp(((0, 40.0), (7, 120.0), (14, 250.0), (28, 500.0)), dry_from_day=35),
}


@dataclass(frozen=True, slots=True)
class Brood:
    """A group of fry that began to swim freely on ``swam``: ``fry`` of them then, ``loss_per_day`` (0 to 1)
    of those left lost a day. ``ends``: the first day without nauplii, whatever the ramp says."""

    name: str
    fry: int
    swam: date
    mouth: Mouth = "small"
    ramp: str | None = None
    loss_per_day: float = 0.0
    ends: date | None = None

    @property
    def ramp_name(self) -> str:
        """The ramp it follows: its own, or that of its mouths."""
        return self.ramp or self.mouth

    def age_days(self, day: date) -> int:
        """Days since it began to swim freely."""
        return (day - self.swam).days

    def left(self, day: date) -> float:
        """Fry expected to be left."""
        return self.fry * (1.0 - self.loss_per_day) ** max(self.age_days(day), 0)

    def nauplii(self, day: date, ramp: Ramp) -> float:
        """Nauplii it needs on that day."""
        if self.ends is not None and day >= self.ends:
            return 0.0
        return self.left(day) * ramp.at(self.age_days(day))


@dataclass(frozen=True, slots=True)
class FeedAt:
    """A feeding by the local clock, and its share of the day's nauplii (0 to 1)."""

    at: time
    share: float


@dataclass(frozen=True, slots=True)
class Feeding:
    """One feeding: ``instar1`` nauplii that must be of the first stage, and ``usable`` ones that need only be
    alive and nourishing; ``by_brood``: (brood, nauplii)."""

    time: datetime
    instar1: float
    usable: float
    by_brood: tuple[tuple[str, float], ...]

    @property
    def nauplii(self) -> float:
        """All of them."""
        return self.instar1 + self.usable


def feedings(
    broods: Sequence[Brood],
    ramps: Mapping[str, Ramp],
    feed_at: Iterable[FeedAt],
    zone: tzinfo,
    start: datetime,
    end: datetime,
) -> list[Feeding]:
    """The feedings after ``start`` and up to ``end`` at which anybody needs nauplii, in order."""
    times = sorted(feed_at, key=lambda each: each.at)
    found = []
    day = start.astimezone(zone).date() - timedelta(days=1)
    last = end.astimezone(zone).date()
    while day <= last:
        needs = [(brood, brood.nauplii(day, ramps[brood.ramp_name])) for brood in broods]
        for feed in times:
            moment = local_moment(day, feed.at, zone)
            if not start < moment <= end:
                continue
            parts = [(brood, need * feed.share) for brood, need in needs if need * feed.share > 0.0]
            if parts:
                strict = sum(n for brood, n in parts if ramps[brood.ramp_name].instar1_only)
                total = sum(n for _, n in parts)
                by_brood = tuple((brood.name, n) for brood, n in parts)
                found.append(Feeding(moment, strict, total - strict, by_brood))
        day += timedelta(days=1)
    return sorted(found, key=lambda each: each.time)


def local_moment(day: date, at: time, zone: tzinfo) -> datetime:
    """The UTC moment at which the clock shows ``at`` on ``day``: of an hour that comes twice the first; of
    one that is skipped, as long after the clock was put forward."""
    return datetime.combine(day, at, tzinfo=zone).astimezone(UTC)


def first_nauplii(brood: Brood, ramp: Ramp) -> date:
    """The day of the first nauplii."""
    return brood.swam + timedelta(days=ramp.first_day)


def foods_on(brood: Brood, ramp: Ramp, day: date) -> list[str]:
    """What the brood takes on a day: first foods, nauplii, dry food."""
    age = brood.age_days(day)
    foods = [first.food for first in ramp.first_foods if first.from_day <= age <= first.to_day]
    if brood.nauplii(day, ramp) > 0.0:
        foods.append("nauplii")
    if ramp.dry_from_day is not None and age >= ramp.dry_from_day:
        foods.append("dry food")
    return foods

"""The settings for planning supply: cones, the keeper's hours, feedings and ramps."""

from __future__ import annotations

import itertools
from datetime import datetime, time, tzinfo
from typing import Annotated, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from hatchmon.app.settings_values import (
    Minutes,
    NotEmpty,
    Salinity,
    Switch,
    Temperature,
    TimeOfDay,
    local_or_offset,
    number_between,
    refuse,
    span_of_day,
    whole_between,
)
from hatchmon.hatchery.supply.demand import EXAMPLE_RAMPS, FeedAt, FirstFood, Ramp
from hatchmon.hatchery.supply.keeper import Absence
from hatchmon.science import parameters as par

Hours = Annotated[tuple[time, time], BeforeValidator(span_of_day)]
Day = Annotated[int, whole_between(0, 1000)]
LocalMoment = Annotated[datetime, BeforeValidator(local_or_offset)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)


class Cone(_Part):
    """A cone to plan with. ``g_per_l``: most cysts, by default the handbook's limit for its volume;
    ``set_point_c``: what its heater holds, without one the room's record counts; ``heater_watts``: what the
    heater draws on average at that temperature."""

    litres: Annotated[float, number_between(0.05, 10_000, " (litres)")]
    g_per_l: Annotated[float, number_between(0.01, 50, " (g/L)")] | None = None
    cleaning_min: Minutes = 30.0
    set_point_c: Temperature | None = None
    salinity: Salinity | None = None
    heater_watts: Annotated[float, number_between(0, 5000, " (watts)")] | None = None

    @property
    def most_g_per_l(self) -> float:
        """The largest density, g/L."""
        if self.g_per_l is not None:
            return self.g_per_l
        small = self.litres < par.SMALL_CONE.value
        return par.DENSITY_SMALL.value if small else par.DENSITY_LARGE.value


class RampFood(_Part):
    """A first food, from one day of age to another."""

    food: NotEmpty
    from_day: Day = 0
    to_day: Day

    @model_validator(mode="after")
    def _together(self) -> Self:
        if self.to_day < self.from_day:
            refuse(f"({self.to_day}) must not be before from_day ({self.from_day})", "to_day")
        return self


class RampOf(_Part):
    """What a fry takes by age: ``nauplii``, pairs of a day and nauplii a fry and day."""

    nauplii: list[tuple[Day, Annotated[float, number_between(0, 1_000_000)]]] = Field(min_length=1)
    first_foods: list[RampFood] = Field(default_factory=list)
    dry_from_day: Day | None = None
    instar1_only: Switch = False

    @model_validator(mode="after")
    def _together(self) -> Self:
        days = [day for day, _ in self.nauplii]
        if any(later <= earlier for earlier, later in itertools.pairwise(days)):
            refuse("must have its days rising, such as [[2, 30], [7, 80]]", "nauplii")
        if self.dry_from_day is not None and self.dry_from_day <= days[0]:
            refuse(
                f"({self.dry_from_day}) must be after the first day with nauplii ({days[0]})", "dry_from_day"
            )
        return self

    def as_ramp(self) -> Ramp:
        """The same for planning."""
        foods = tuple(FirstFood(each.food, each.from_day, each.to_day) for each in self.first_foods)
        return Ramp(tuple(self.nauplii), foods, self.dry_from_day, self.instar1_only)


class FeedingTime(_Part):
    """A feeding by the local clock, and its share of the day's nauplii."""

    at: TimeOfDay
    share: Annotated[float, number_between(0.01, 1)]


class Away(_Part):
    """Nobody begins or harvests from one moment to another; ``fed``: somebody feeds from what is there."""

    start: LocalMoment = Field(alias="from")
    end: LocalMoment = Field(alias="to")
    fed: Switch = True

    def absence(self, zone: tzinfo) -> Absence:
        """The same with times without an offset taken as local."""
        start, end = (t if t.tzinfo is not None else t.replace(tzinfo=zone) for t in (self.start, self.end))
        return Absence(start, end, self.fed)


class Energy(_Part):
    """What heating costs: price of a kWh in the currency of the lots' prices, and the room's temperature."""

    price_per_kwh: Annotated[float, number_between(0, 1e6)]
    room_c: Temperature = 20.0


class Supply(_Part):
    """How to plan. ``hours``: when the keeper is willing to begin or harvest; ``wanted``: chance that a
    feeding is covered; ``handling_g``: grams of cysts that one batch fewer is worth; ``cold_store_h``: how
    long the cold store holds nauplii, 0 for none; ``notice_min``: how long before a start it is told."""

    days: Annotated[int, whole_between(1, 60)] = 7
    hours: list[Hours] = Field(default_factory=lambda: [(time(7), time(22))], min_length=1)
    away: list[Away] = Field(default_factory=list)
    feedings: list[FeedingTime] = Field(
        default_factory=lambda: [
            FeedingTime(at=time(7, 30), share=0.5),
            FeedingTime(at=time(18, 30), share=0.5),
        ],
        min_length=1,
    )
    ramps: dict[NotEmpty, RampOf] = Field(default_factory=dict)
    wanted: Annotated[float, number_between(0.3, 0.99)] = 0.9
    handling_g: Annotated[float, number_between(0, 1000, " (grams)")] = 0.5
    least_g: Annotated[float, number_between(0.1, 1000, " (grams)")] = 0.1
    cold_store_h: Annotated[float, number_between(0, 48, " (hours)")] = 0.0
    salinity: Annotated[float, number_between(5, 60, " (g/L)")] = 25.0
    notice_min: Minutes = 60.0
    energy: Energy | None = None

    @model_validator(mode="after")
    def _together(self) -> Self:
        total = sum(each.share for each in self.feedings)
        if abs(total - 1.0) > 0.005:
            refuse(
                f"have shares that add up to {total:g}; of a whole day's nauplii they must add up to 1",
                "feedings",
            )
        times = [each.at for each in self.feedings]
        for index, at in enumerate(times):
            if at in times[:index]:
                refuse(f"is {at:%H:%M} again; one feeding at a time", "feedings", index, "at")
        for index, each in enumerate(self.away):
            self._check_away(index, each)
        return self

    def _check_away(self, index: int, each: Away) -> None:
        if (each.start.tzinfo is None) != (each.end.tzinfo is None):
            refuse("must have an offset if from has one, and none if it has none", "away", index, "to")
        if each.end <= each.start:
            refuse("must be after from", "away", index, "to")
        for number, other in enumerate(self.away[:index]):
            alike = (other.start.tzinfo is None) == (each.start.tzinfo is None)
            if alike and each.start < other.end and other.start < each.end:
                span = f"{other.start:%Y-%m-%d %H:%M} to {other.end:%Y-%m-%d %H:%M}"
                problem = f"overlaps away[{number}] ({span}); make one absence of the two"
                refuse(problem, "away", index, "from")

    @property
    def all_ramps(self) -> dict[str, Ramp]:
        """The invented examples, with the keeper's own beside or in place of them."""
        return {**EXAMPLE_RAMPS, **{name: ramp.as_ramp() for name, ramp in self.ramps.items()}}

    @property
    def feed_at(self) -> list[FeedAt]:
        """The feedings for planning."""
        return [FeedAt(each.at, each.share) for each in self.feedings]

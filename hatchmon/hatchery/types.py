"""The plain data that the hatchery's decisions are made on.

Times are aware UTC datetimes; hours (``_h``) count from the start of a batch.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Literal


class Refused(Exception):
    """The data do not allow what was asked; the message says what, why and what to do instead."""


class Quantity(StrEnum):
    """What a probe measures."""

    TEMPERATURE = "temperature"
    SALINITY = "salinity"
    CONDUCTIVITY = "conductivity"
    SPECIFIC_GRAVITY = "specific_gravity"
    LIGHT = "light"
    AIR_TEMPERATURE = "air_temperature"


class Verdict(StrEnum):
    """What was made of one reading; see ``probes.py``."""

    GOOD = "good"
    STEP = "step"  # a real jump, confirmed by the readings after it
    SUSPECT = "suspect"  # bit-identical for hours: kept, but trust suffers
    JUMP = "jump"  # too fast to be water, not (yet) confirmed
    SPIKE = "spike"  # far from the median of its neighbours
    RANGE = "range"  # outside what the quantity can be
    SENTINEL = "sentinel"  # an error code of the sensor, not a measurement
    LATE = "late"  # arrived out of order by more than five minutes
    FUTURE = "future"  # stamped later than this machine's clock
    RETAINED = "retained"  # the broker's stored copy, of unknown age
    UNDATED = "undated"  # waited in the broker's queue without a time of its own

    @property
    def usable(self) -> bool:
        """Whether the reading may move a forecast."""
        return self in _USABLE


_USABLE = frozenset({Verdict.GOOD, Verdict.STEP, Verdict.SUSPECT})

Urgency = Literal["can wait", "soon", "now"]
Trust = Literal["good", "degraded", "none"]


@dataclass(frozen=True, slots=True)
class Batch:
    """One filling of one cone.

    ``grams`` of cysts of ``lot`` in ``litres`` of brine; ``set_point_c`` is the heater's, deg C;
    ``salinity`` in g/L. ``outcome`` is None while the batch runs. ``cold_c``: the cold store that the
    harvest went into, deg C, and ``used_up`` when the keeper had fed the last of it.
    """

    batch_id: int
    cone: str
    lot: str
    started: datetime
    grams: float
    litres: float | None = None
    set_point_c: float | None = None
    salinity: float | None = None
    ended: datetime | None = None
    outcome: Literal["harvested", "discarded"] | None = None
    cold_c: float | None = None
    used_up: datetime | None = None

    @property
    def running(self) -> bool:
        """Whether the cone still holds this batch."""
        return self.ended is None

    def hours_at(self, time: datetime) -> float:
        """Hours from the start of the batch to ``time``."""
        return (time - self.started) / timedelta(hours=1)

    def time_at(self, hours: float) -> datetime:
        """The moment ``hours`` after the start of the batch."""
        return self.started + timedelta(hours=hours)


@dataclass(frozen=True, slots=True)
class Start:
    """A batch to begin at ``time``: ``grams`` of ``lot`` in ``cone``."""

    cone: str
    lot: str
    time: datetime
    grams: float


@dataclass(frozen=True, slots=True)
class Look:
    """What the keeper saw: a word of ``looks.WORDS`` or a percentage such as ``60 %``."""

    batch_id: int
    time: datetime
    seen: str


@dataclass(frozen=True, slots=True)
class Count:
    """What the keeper counted in samples of ``sample_ml`` each of one batch: numbers of nauplii, embryos in
    the umbrella stage and unhatched full cysts, a number a sample; the last two empty where not counted.

    ``litres``: the water the samples were drawn from, where it is not the batch's own.
    """

    batch_id: int
    time: datetime
    sample_ml: float
    nauplii: tuple[int, ...]
    umbrella: tuple[int, ...] = ()
    unhatched: tuple[int, ...] = ()
    litres: float | None = None


@dataclass(frozen=True, slots=True)
class Band:
    """10, 50 and 90 % quantiles, in hours from the start: p10 to p90 is the 80 % band."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is believed of a running batch at one moment.

    ``q25_h``: hatch progress in equivalent hours at 25 C; ``hatched``: share of the eventual hatch
    at ``issued``. The bands are None exactly when ``not_predicted`` says why.
    ``surely_h``: (from, to) hours in which the window is open with 90 % confidence at either end, or None.
    ``from_temperature``: share (0-1) of the variance of T90 that comes from the temperature to come;
    the rest comes from the lot. ``widened``: by what power the record of past forecasts has stretched
    the bands (1: not at all). ``usable_h``: until when the nauplii serve as food by a rule of thumb, never
    before the window closes.
    """

    issued: datetime
    q25_h: float
    hatched: float
    t10: Band | None
    t50: Band | None
    t90: Band | None
    opens: Band | None
    best: Band | None
    closes: Band | None
    surely_h: tuple[float, float] | None
    from_temperature: float
    trust: Trust
    reasons: tuple[str, ...]
    not_predicted: str | None
    temperature_rule: str
    widened: float = 1.0
    usable_h: float | None = None


@dataclass(frozen=True, slots=True)
class Alert:
    """One message to the keeper about one fact.

    ``scope`` names the thing the fact is about (cone and batch), so that (kind, scope) is said once.
    """

    kind: str
    scope: str
    cone: str | None
    urgency: Urgency
    title: str
    body: str
    raised: datetime

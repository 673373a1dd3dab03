"""What a graph is made of, whoever draws it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

Tone = Literal["water", "air", "room", "hatch", "window", "said", "seen", "bad", "plain", "salt", "light"]
Shape = Literal["circle", "diamond", "cross", "hollow", "bar"]
Points = Sequence[float | None]
Cell = str | float | int | None


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: what it measures with its unit, from where to where, and its labelled marks."""

    title: str
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True)
class Area:
    """A filled shape: closed outlines with None between them."""

    name: str
    tone: Tone
    x: Points
    y: Points
    strength: float = 0.25


@dataclass(frozen=True, slots=True)
class Line:
    """A line, broken where a value is None; ``hover`` says each point in words."""

    name: str
    tone: Tone
    x: Points
    y: Points
    hover: Sequence[str] = ()
    dashed: bool = False
    steps: bool = False


@dataclass(frozen=True, slots=True)
class Marks:
    """Single points, each with its words; ``low`` and ``high`` are the ends of a bar through each, up and
    down or ``across``."""

    name: str
    tone: Tone
    shape: Shape
    x: Sequence[float]
    y: Sequence[float]
    hover: Sequence[str]
    low: Sequence[float] = ()
    high: Sequence[float] = ()
    across: bool = False


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of the x axis (or of the y axis: ``level``), told by its background."""

    name: str
    tone: Tone
    start: float
    end: float
    level: bool = False
    hatched: bool = False


@dataclass(frozen=True, slots=True)
class Rule:
    """A straight line across at one value of x (or of y: ``level``), with a word beside it."""

    text: str
    tone: Tone
    at: float
    level: bool = False


Layer = Area | Line | Marks | Span | Rule


@dataclass(frozen=True, slots=True)
class Table:
    """The same in rows, to be read aloud or saved; a page shows the last ``most`` of them, a file all."""

    headings: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    most: int | None = None

    @property
    def shown(self) -> tuple[tuple[Cell, ...], ...]:
        """The rows a page shows."""
        return self.rows if self.most is None else self.rows[-self.most :]


@dataclass(frozen=True, slots=True)
class Chart:
    """A graph: ``title`` says what it answers, ``says`` the answer in a sentence or two."""

    key: str
    title: str
    says: str
    x: Axis
    y: Axis
    layers: tuple[Layer, ...]
    table: Table
    height: int = 260

    @property
    def worded(self) -> bool:
        """Whether a word stands over an upright line, for which there must be room below the unit."""
        return any(isinstance(layer, Rule) and layer.text and not layer.level for layer in self.layers)

    @property
    def legend(self) -> Iterator[Area | Line | Marks | Span]:
        """What needs a name: each name once."""
        named: set[str] = set()
        for layer in self.layers:
            if not isinstance(layer, Rule) and layer.name and layer.name not in named:
                named.add(layer.name)
                yield layer


def steps_between(low: float, high: float, most: int = 6) -> tuple[float, ...]:
    """Round numbers from ``low`` to ``high``, about ``most``, 1, 2 or 5 times a power of ten apart."""
    span = high - low
    if span <= 0.0:
        return (low,)
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * each for each in (1.0, 2.0, 5.0, 10.0) if power * each >= raw * (1.0 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(round(number * step, 9) for number in range(first, last + 1))


def number_axis(title: str, low: float, high: float, *, percent: bool = False, most: int = 6) -> Axis:
    """An axis of plain numbers, or of shares told as per cent."""
    at = steps_between(low, high, most)
    if percent:
        return Axis(title, low, high, tuple((each, f"{each * 100:.4g} %") for each in at))
    return Axis(title, low, high, tuple((each, f"{each:,.10g}") for each in at))


def around(values: Sequence[float], beside: float = 0.08, least: float = 0.0) -> tuple[float, float]:
    """A range with some room around all values, at least ``least`` wide."""
    low, high = min(values), max(values)
    room = max((high - low) * beside, (least - (high - low)) / 2.0)
    return low - room, high + room

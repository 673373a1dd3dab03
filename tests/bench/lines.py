"""What every benchmark gives: figures, each with its ratio to something measured in the same run."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from rich import box
from rich.table import Table


@dataclass(frozen=True, slots=True)
class Aim:
    """At least or at most so much of a line's ``ratio``, or of its value."""

    most: float | None = None
    least: float | None = None
    ratio: bool = False

    def __str__(self) -> str:
        if self.most is None:
            limit = f"at least {self.least:g}"
        else:
            limit = f"at most {self.most:g}" if self.least is None else f"{self.least:g} to {self.most:g}"
        return limit + (" x" if self.ratio else "")


@dataclass(frozen=True, slots=True)
class Line:
    """``value`` in ``unit`` on this machine, and how many times ``yardstick`` that is: the ratio compares
    between machines, the value does not."""

    name: str
    value: float
    unit: str
    ratio: float
    yardstick: str
    aim: Aim | None = None

    @property
    def held(self) -> bool | None:
        """Whether the aim is; None without one."""
        if self.aim is None:
            return None
        told = self.ratio if self.aim.ratio else self.value
        return (self.aim.most is None or told <= self.aim.most) and (
            self.aim.least is None or told >= self.aim.least
        )


def table(title: str, lines: Iterable[Line]) -> Table:
    """Ratios first."""
    made = Table(box=box.SIMPLE_HEAD, title=title, title_justify="left")
    for heading in ("", "times", "of", "here", "aim", "held"):
        made.add_column(heading, justify="right" if heading in ("times", "here") else "left")
    for line in lines:
        made.add_row(
            line.name,
            f"{line.ratio:.3g}",
            line.yardstick,
            f"{line.value:,.4g} {line.unit}" if line.value < 1e4 else f"{line.value:,.0f} {line.unit}",
            "" if line.aim is None else str(line.aim),
            {None: "", True: "yes", False: "NO"}[line.held],
        )
    return made


def in_turn(works: Sequence[Callable[[], object]], rounds: int) -> list[list[float]]:
    """Seconds that each work took in each round, one work after the other, after a round to warm up."""
    spent: list[list[float]] = [[] for _ in works]
    for round_ in range(rounds + 1):
        for work, times in zip(works, spent, strict=True):
            begun = time.perf_counter()
            work()
            if round_:
                times.append(time.perf_counter() - begun)
    return spent

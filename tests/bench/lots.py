"""How near the forecasts of simulated lots come (tests/science/simulation), whose truth is not the model."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from tests.bench.lines import Aim, Line
from tests.science.simulation import POPULATIONS, Score, run, run_asked

LOTS = 500
MOST_H = {0: 5.1, 1: 3.0, 3: 2.0, 5: 1.7, 10: 1.5}  # of the base population, by recorded hatches
IN_BAND = Aim(least=78.0, most=95.0)


def lines(folder: Path, brief: bool) -> Iterator[Line]:
    """Every population by recorded hatches, and its first batch by the looks that were asked for."""
    for name, population in POPULATIONS.items():
        scores = run(2 if brief else LOTS, population=population, mid_batch=False)
        for count, each in scores.items():
            aims = (Aim(most=MOST_H[count]), IN_BAND if count else None) if name == "base" else (None, None)
            yield from _told(f"{name}, {count} hatches", each.whole, each.fixed_mae_h, *aims)
        fixed_h = scores[0].fixed_mae_h
        asked = run_asked(2 if brief else LOTS, population=population)
        for looks, score in enumerate(asked.at):
            if score.errors_h:
                yield from _told(f"{name}, first batch, {looks} looks", score, fixed_h)
        if asked.last.errors_h:
            yield from _told(f"{name}, first batch, last look", asked.last, fixed_h)


def _told(
    name: str, score: Score, fixed_h: float, error: Aim | None = None, in_band: Aim | None = None
) -> Iterator[Line]:
    yield Line(f"{name}: error of T90", score.mae_h, "h", score.mae_h / fixed_h, "always 24 h", error)
    inside = max(score.coverage, 1e-3)
    yield Line(f"{name}: in the band", 100.0 * inside, "%", inside / 0.8, "80 %", in_band)

"""How long the computing takes, as ratios to a fixed piece of numpy work timed in turn with it."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np

from hatchmon.adapters.solver import Highs
from hatchmon.adapters.store import Store
from hatchmon.app.settings import load_settings
from hatchmon.app.views import cones_now
from hatchmon.hatchery.ahead import in_control
from hatchmon.hatchery.backplan import back_plan
from hatchmon.hatchery.supply.plan import make_plan
from hatchmon.hatchery.types import Look
from hatchmon.science.learning import LotBelief
from tests.bench.ground import CONES, SET_POINT_C, fill, running_batch
from tests.bench.lines import Aim, Line, in_turn
from tests.engines import START
from tests.hatchery.supply.invented import broods, cone, lot, question

YARDSTICK = "a product of 200 x 200 matrices and 100,000 exponentials"


def measured(name: str, work: Callable[[], object], rounds: int, most_ms: float | None = None) -> Line:
    """Medians of ``work`` and the yardstick in turn."""
    square = np.linspace(-1.0, 1.0, 40_000).reshape(200, 200)
    line = np.linspace(-10.0, 0.0, 100_000)

    def yardstick() -> None:
        square @ square
        np.exp(line)

    unit_s, took_s = (statistics.median(times) for times in in_turn((yardstick, work), rounds))
    aim = None if most_ms is None else Aim(most=most_ms)
    return Line(name, 1e3 * took_s, "ms", took_s / unit_s, YARDSTICK, aim)


def lines(folder: Path, brief: bool) -> Iterator[Line]:
    """All of them; ``folder`` takes the database of an invented hatchery."""
    rounds = 2 if brief else 60
    watch, now = running_batch()
    prior = LotBelief.prior()
    yield measured("forecast with bands", lambda: watch.forecast(now, prior), rounds, 5.0)

    watch.looks = [Look(1, START + timedelta(hours=13), "few")]
    evidence = watch.evidence(now)
    assert evidence is not None
    yield measured("learn one batch", lambda: prior.learn(evidence), rounds)
    yield measured("draws with a running look", lambda: prior.draws(evidence), rounds)
    yield measured("forecast with a running look", lambda: watch.forecast(now, prior), rounds)
    yield measured(
        "one added look, learned from too", lambda: watch.forecast(now, prior.learn(evidence)), rounds, 15.0
    )
    water = in_control(SET_POINT_C)
    yield measured("back-plan", lambda: back_plan(prior, water, now, 0.8), rounds, 60.0)

    asked = question([cone(f"c{i}", 24.0 + 0.5 * i) for i in range(6)], [lot()], broods(4), 7.0)
    few = max(1, rounds // 4)
    yield measured("plan: 7 days, 6 cones, 4 broods", lambda: make_plan(asked, Highs(20.0)), few, 2000.0)

    config, database = folder / "hatchmon.toml", folder / "hatchmon.db"
    config.write_text(f'time_zone = "UTC"\n[store]\npath = "{database}"\n')
    settings = load_settings(config)
    with Store(database) as store:
        fill(store, now)
    with Store(database, read_only=True) as store:
        assert len(cones_now(settings, store, now)) == CONES
        few = max(1, rounds // 4)
        yield measured(f"hatchmon now, {CONES} running cones", lambda: cones_now(settings, store, now), few)

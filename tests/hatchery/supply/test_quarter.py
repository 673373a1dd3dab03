"""The small of what ``python -m tests.hatchery.supply.quarter`` does whole, with bounds as wide as chance
asks."""

from __future__ import annotations

import numpy as np

from tests.hatchery.supply.quarter import habit, planned


def test_the_chance_promised_is_kept_with_less_cysts_than_a_habit_takes() -> None:
    found = [planned(seed, 26) for seed in (0, 1)]
    covered = np.array([each for told in found for each in told.covered])
    promised = np.array([each for told in found for each in told.promised])
    # Feedings of one batch fall together, so about 35 of the 92 count: 3 points, and two sd of chance.
    chance = 2.0 * float(np.sqrt(promised.mean() * (1.0 - promised.mean()) / 35.0))
    assert abs(float(covered.mean() - promised.mean())) <= 0.03 + chance
    assert covered.mean() > 0.88
    usual = [habit(seed, 26, 1.0) for seed in (0, 1)]
    assert sum(told.grams for told in found) < 0.6 * sum(told.grams for told in usual)
    assert sum(told.covered.count(False) for told in found) <= sum(t.covered.count(False) for t in usual) + 2

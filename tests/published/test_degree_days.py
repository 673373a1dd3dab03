"""Sums of temperature from other animals' papers: they try the arithmetic, not the hatch model."""

from __future__ import annotations

import numpy as np
import pytest

from hatchmon.hatchery.ahead import straight_line
from hatchmon.science.clock import progress
from hatchmon.science.normal import Floats

# Tuz Lake Artemia, growth (not hatching), Israeli Journal of Aquaculture - Bamidgeh. Grade A, arithmetic:
# K = 356 C d above T0 = 6.3 C; computed 30.4 / 20.1 / 15.0 d, observed 30 / 20 / 15 d.
SUM_C_D, BASE_C = 356.0, 6.3


def degree_days(temp_c: Floats) -> Floats:
    """Share of the growth a day."""
    return np.maximum(temp_c - BASE_C, 0.0) / SUM_C_D


@pytest.mark.parametrize(
    ("temp_c", "computed_d", "observed_d"), [(18, 30.4, 30), (24, 20.1, 20), (30, 15.0, 15)]
)
def test_tuz_lake_growth(temp_c: float, computed_d: float, observed_d: float) -> None:
    """The clock with a straight-line rate, its hours read as days; half a day allowed against observation."""
    days = np.linspace(0.0, 60.0, 61)
    clock = progress(days, np.full(days.size, temp_c), degree_days)
    grown_d = float(np.interp(1.0, clock, days))
    assert grown_d == pytest.approx(computed_d, abs=0.05)
    assert grown_d == pytest.approx(observed_d, abs=0.5)


def test_degree_days_over_changing_water() -> None:
    """Ten days rising from 10 to 20 C: 8.7 C above the base in the mean, 87 C d."""
    grown = progress([0.0, 10.0], [10.0, 20.0], degree_days)[-1]
    assert grown * SUM_C_D == pytest.approx(87.0, rel=1e-12)


def test_frog_eggs_by_a_straight_line() -> None:
    """Rana sylvatica, Moore 1939 as quoted at second hand: hatching time against temperature. Grade C:
    another animal, it tries the fitter only. T0 7.9 C and 883 C h were computed by regression of the rate on
    temperature."""
    temps_c = np.array([10.0, 15.3, 18.5, 19.9, 23.7])
    hours = np.array([305.0, 128.0, 87.0, 79.0, 52.0])
    slope, zero_c = straight_line(temps_c, 1.0 / hours)
    assert zero_c == pytest.approx(7.9, rel=0.01)
    assert 1.0 / slope == pytest.approx(883.0, rel=0.01)

"""Where development stops or is doubtful, as a keeper is told of it.

FAO Fisheries Technical Paper 428, annex 4: no progress below 4 C; 33-40 C stops the metabolism. Grade B:
sources disagree whether 33-40 C can be made good again. That no time is given outside 12-34 C is ours.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from hatchmon.hatchery.types import Batch, Forecast
from hatchmon.hatchery.watch import BatchWatch
from hatchmon.science.learning import LotBelief

START = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)


def forecast(temp_c: float, hours: float = 10.0) -> Forecast:
    """What is said after ``hours`` of a reading every five minutes at ``temp_c``, no heater known."""
    watch = BatchWatch(Batch(1, "north", "lot A", START, grams=4.0, salinity=30.0))
    for minute in np.arange(0.0, hours * 60.0 + 0.1, 5.0):
        watch.add(START + timedelta(minutes=float(minute)), temp_c)
    return watch.forecast(START + timedelta(hours=hours), LotBelief.prior())


@pytest.mark.parametrize("temp_c", [-1.0, 0.0, 2.0, 3.9])
def test_no_progress_below_4_c(temp_c: float) -> None:
    """However long it lasts, no progress and no time."""
    for hours in (1.0, 10.0, 60.0):
        cold = forecast(temp_c, hours)
        assert cold.q25_h == 0.0
        assert cold.hatched < 1e-6
        assert cold.t50 is None
        assert cold.trust == "none"
        assert cold.not_predicted is not None
        assert f"{temp_c:.1f} °C" in cold.not_predicted


def test_a_little_progress_above_4_c() -> None:
    assert forecast(4.5).q25_h > 0.5


@pytest.mark.parametrize("temp_c", [33.0, 33.5, 34.0])
def test_33_to_34_c_is_timed_with_a_warning(temp_c: float) -> None:
    hot = forecast(temp_c)
    assert hot.trust == "degraded"
    assert hot.not_predicted is None
    assert any("from 33.0 °C (91.4 °F) up development is doubtful" in reason for reason in hot.reasons)


@pytest.mark.parametrize("temp_c", [34.5, 36.0, 39.9])
def test_34_to_40_c_is_not_timed(temp_c: float) -> None:
    hot = forecast(temp_c)
    assert hot.trust == "none"
    assert hot.not_predicted is not None
    assert f"{temp_c:.1f} °C" in hot.not_predicted
    assert hot.t50 is hot.t90 is hot.opens is hot.closes is None


def test_no_progress_from_40_c_up() -> None:
    assert forecast(40.0).q25_h == forecast(44.0).q25_h == 0.0


def test_32_c_is_timed_without_a_warning() -> None:
    assert forecast(32.5).trust == "good"

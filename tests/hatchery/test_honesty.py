"""The record of past forecasts, and what it does to the bands."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest

from hatchmon.hatchery.honesty import ENOUGH, Scored, honesty, score, widened
from hatchmon.hatchery.types import Band, Forecast

SAID = Band(18.0, 24.0, 32.0)
SD = math.log(32.0 / 18.0) / (2 * 1.2816)


def scored(*seen_h: float) -> list[Scored]:
    return [Scored(i, SAID, Band(h - 1, h, h + 1)) for i, h in enumerate(seen_h)]


def forecast(t90: Band | None = SAID, widened_by: float = 1.0) -> Forecast:
    closes = None if t90 is None else Band(34.0, 36.0, 40.0)
    return Forecast(
        datetime(2026, 3, 1, tzinfo=UTC), 10.0, 0.2, t90, t90, t90, t90, t90, closes,
        None if t90 is None else (32.0, 34.0), 0.1, "good", (), None if t90 else "cold", "stays", widened_by,
    )  # fmt: skip


def test_nothing_recorded_widens_nothing() -> None:
    assert str(honesty([])) == "No forecast has been put to the test yet."
    assert honesty([]).widen == 1.0


def test_inside_is_counted_up_to_the_ends_of_the_band() -> None:
    found = honesty(scored(18.0, 32.0, 17.99, 32.01, 24.0))
    assert (found.inside, found.count, found.widen) == (3, 5, 1.0)
    assert str(found) == "3 of 5 hatches fell inside the 80 % band first forecast."


def test_bands_widen_only_from_enough_batches_on() -> None:
    assert honesty(scored(*[40.0] * (ENOUGH - 1))).widen == 1.0
    found = honesty(scored(*[40.0] * ENOUGH))
    assert found.widen == pytest.approx(math.log(40.0 / 24.0) / SD / 1.2816)
    assert str(found).endswith(f"Bands are {found.widen - 1:.0%} wider for it.")


def test_widening_would_have_caught_four_in_five() -> None:
    """With ten hatches the eighth largest miss decides, and the widened band holds just eight."""
    seen = [24.0, 25.0, 23.0, 26.0, 27.0, 22.0, 38.0, 42.0, 60.0, 80.0]
    found = honesty(scored(*seen))
    low, high = (24.0 * (end / 24.0) ** found.widen for end in (18.0, 32.0))
    assert sum(low - 1e-9 <= h <= high + 1e-9 for h in seen) == 8


def test_good_forecasts_never_narrow_a_band() -> None:
    assert honesty(scored(*[24.0] * 20)).widen == 1.0


def test_widened_stretches_every_band_on_the_log_scale_and_keeps_the_median() -> None:
    wide = widened(forecast(), 2.0)
    assert wide.t90 is not None
    assert (wide.t90.p10, wide.t90.p50, wide.t90.p90) == pytest.approx((13.5, 24.0, 128 / 3))
    assert wide.t10 == wide.t50 == wide.opens == wide.t90
    assert wide.widened == 2.0
    assert wide.surely_h is None  # it opens, at the latest, after it closes at the earliest


def test_what_is_not_predicted_is_not_widened() -> None:
    assert widened(forecast(None), 2.0) == forecast(None)


def test_the_score_is_of_the_band_before_any_widening() -> None:
    first = widened(forecast(), 1.7)
    found = score(7, first, forecast(Band(29.0, 30.0, 31.0)), seen_complete=True)
    assert found is not None
    assert (found.said.p10, found.said.p90) == pytest.approx((18.0, 32.0))
    assert found.miss == pytest.approx(math.log(30.0 / 24.0) / SD)


@pytest.mark.parametrize(
    ("first", "last", "complete"),
    [(None, forecast(), True), (forecast(), None, True), (forecast(None), forecast(), True),
     (forecast(), forecast(None), True), (forecast(), forecast(), False)],
)  # fmt: skip
def test_what_cannot_be_scored(first: Forecast | None, last: Forecast | None, complete: bool) -> None:
    assert score(1, first, last, complete) is None

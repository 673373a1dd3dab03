"""The night ahead as numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from statistics import NormalDist

import pytest

from hatchmon.hatchery.outlook import outlook, share_at
from hatchmon.hatchery.types import Band, Batch, Forecast, Look

START = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
BATCH = Batch(1, "north", "river-23", START, 2.0)
FORECAST = Forecast(
    START, 10.0, 0.3, Band(14, 16, 18), Band(18, 20, 22), Band(23, 26, 29), Band(24, 26, 29),
    Band(25, 27, 30), Band(28, 30, 33), None, 0.1, "good", (), None, "in control",
)  # fmt: skip


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def test_the_share_goes_through_what_was_forecast() -> None:
    assert share_at(FORECAST, 16.0) == pytest.approx(0.1)
    assert share_at(FORECAST, 20.0) == pytest.approx(0.5)
    assert share_at(FORECAST, 26.0) == pytest.approx(0.9)


def test_it_is_the_normal_curve_where_both_sides_are_alike() -> None:
    forecast = replace(FORECAST, t90=Band(22, 24, 26))
    sd_h = 4.0 / NormalDist().inv_cdf(0.9)
    for hours in (10.0, 17.3, 20.0, 22.2, 30.0):
        assert share_at(forecast, hours) == pytest.approx(NormalDist(20.0, sd_h).cdf(hours))


def test_it_rises_from_the_start_and_stays_within_the_stretch() -> None:
    told = outlook(BATCH, FORECAST, (), at(-5), at(30))
    assert told.share[0][0] == START
    assert told.share[-1][0] == at(30)
    shares = [share for _, share in told.share]
    assert shares == sorted(shares)
    assert 0.0 <= shares[0] < 0.01
    assert 0.95 < shares[-1] <= 1.0


def test_the_window_is_a_block_with_slopes() -> None:
    told = outlook(BATCH, FORECAST, (), at(0), at(24))
    assert told.window == ((at(24), 0.0), (at(26), 1.0), (at(30), 1.0), (at(33), 0.0))


def test_an_uneven_hatch_has_its_window_the_other_way_round() -> None:
    told = outlook(BATCH, replace(FORECAST, opens=Band(30, 32, 35)), (), at(0), at(24))
    assert [moment for moment, _ in told.window] == [at(28), at(30), at(32), at(35)]


def test_what_is_not_forecast_is_not_drawn() -> None:
    assert outlook(BATCH, replace(FORECAST, trust="none"), (), at(0), at(24)).window == ()
    silent = replace(FORECAST, t10=None, t50=None, t90=None, opens=None, best=None, closes=None)
    told = outlook(BATCH, silent, (), at(0), at(24))
    assert (told.share, told.window) == ((), ())
    assert share_at(silent, 20.0) is None


def test_looks_are_as_wide_as_their_words() -> None:
    noted = ((-1, "none"), (10, "none"), (18, "some"), (20, "60 %"))
    told = outlook(BATCH, FORECAST, [Look(1, at(h), seen) for h, seen in noted], at(0), at(24)).looks
    assert [(moment, seen) for moment, _, seen in told] == [(at(h), seen) for h, seen in noted[1:]]
    assert told[0][1] == pytest.approx((0.0, 0.0228), abs=1e-4)
    assert told[1][1] == pytest.approx((0.2005, 0.5), abs=1e-4)
    assert told[2][1] == pytest.approx((0.5, 0.7))

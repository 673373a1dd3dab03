"""The rate curve, against its formula written out again and its own limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from hatchmon.science import parameters as par
from hatchmon.science.hatching import ENERGY_NODES_EV
from hatchmon.science.rates import energy_loss_rate, schoolfield_1981, shape_sd

FINITE = st.floats(min_value=-273.1499, allow_nan=False, allow_infinity=False)


def written_out(temp_c: float, activation_ev: float = 0.73) -> float:
    """Schoolfield, Sharpe & Magnuson 1981 with the high-temperature half, scalar, times its value at 25 C."""
    k, kelvin, half = 8.617333e-5, temp_c + 273.15, 35.3 + 273.15

    def f(at: float) -> float:
        return math.exp(activation_ev / k * (1 / 298.15 - 1 / at)) / (
            1 + math.exp(3.4 / k * (1 / half - 1 / at))
        )

    return f(kelvin) / f(298.15)


@pytest.mark.parametrize("temp_c", [4.1, 10.0, 15.0, 20.0, 24.0, 25.0, 28.5, 32.0, 35.3, 39.9])
@pytest.mark.parametrize("activation_ev", [0.526, 0.73, 0.934])
def test_formula(temp_c: float, activation_ev: float) -> None:
    assert float(schoolfield_1981(temp_c, activation_ev)) == pytest.approx(
        written_out(temp_c, activation_ev), rel=1e-12
    )


def test_one_at_25_c_for_every_activation_energy() -> None:
    np.testing.assert_allclose(schoolfield_1981(25.0, ENERGY_NODES_EV), 1.0, rtol=1e-14)


def test_straight_arrhenius_where_heat_does_not_matter() -> None:
    """Far below 35.3 C only the rise is left: ln rate against 1/K falls by E/k."""
    cold = np.array([5.0, 8.0, 11.0])
    slope = np.diff(np.log(schoolfield_1981(cold))) / np.diff(1.0 / (cold + 273.15))
    np.testing.assert_allclose(slope, -0.73 / 8.617333e-5, rtol=1e-4)


@given(st.one_of(FINITE.filter(lambda c: c <= 4.0), FINITE.filter(lambda c: c >= 40.0)))
@example(4.0)
@example(40.0)
@settings(deadline=None)
def test_no_development_at_and_beyond_the_stops(temp_c: float) -> None:
    assert schoolfield_1981(temp_c, ENERGY_NODES_EV).tolist() == [0.0] * 7


@given(st.floats(4.0, 40.0, exclude_min=True, exclude_max=True))
@settings(deadline=None)
def test_some_development_between_the_stops(temp_c: float) -> None:
    assert np.all(schoolfield_1981(temp_c, ENERGY_NODES_EV) > 0.0)


@given(st.floats(4.0, 31.0), st.floats(4.0, 31.0))
@settings(deadline=None)
def test_warmer_is_faster_up_to_31_c(one: float, other: float) -> None:
    cool, warm = schoolfield_1981(np.array([[min(one, other)], [max(one, other)]]), ENERGY_NODES_EV)
    assert np.all(warm >= cool)


def test_the_curve_peaks_between_31_and_33_c_and_then_falls() -> None:
    for activation_ev in ENERGY_NODES_EV:
        found = minimize_scalar(lambda c, e=activation_ev: -float(schoolfield_1981(c, e)), bounds=(25, 39))
        assert 31.0 < found.x < 33.1
    hot = schoolfield_1981(np.linspace(33.1, 39.99, 200))
    assert np.all(np.diff(hot) < 0)


@given(FINITE)
@settings(deadline=None)
def test_any_finite_temperature_has_a_rate(temp_c: float) -> None:
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        rates = schoolfield_1981(temp_c, ENERGY_NODES_EV)
    assert np.all(np.isfinite(rates))
    assert np.all(rates >= 0.0)


@pytest.mark.parametrize("wrong", [float("nan"), float("inf"), float("-inf"), -273.15, -300.0])
def test_what_is_no_temperature_is_refused(wrong: float) -> None:
    with pytest.raises(ValueError, match="finite and above absolute zero"):
        schoolfield_1981([25.0, wrong])


def test_shape_doubt_at_and_between_its_points() -> None:
    temps = [10, 12, 15, 18, 20, 22, 25, 27, 30, 32, 34, 36]
    doubts = [0.45, 0.25, 0.10, 0.05, 0.03, 0.0, 0.0, 0.0, 0.06, 0.10, 0.17, 0.40]
    np.testing.assert_allclose(shape_sd(temps), doubts)
    assert float(shape_sd(13.5)) == pytest.approx(0.175)
    assert shape_sd([-5.0, 50.0]).tolist() == [0.45, 0.40]


@given(st.floats(-10.0, 60.0))
@settings(deadline=None)
def test_energy_loss_doubles_every_ten_degrees(temp_c: float) -> None:
    assert float(energy_loss_rate(temp_c + 10.0)) == pytest.approx(2.0 * float(energy_loss_rate(temp_c)))
    assert np.isfinite(energy_loss_rate(temp_c))
    assert float(energy_loss_rate(25.0)) == par.ENERGY_LOSS.value == 0.0131

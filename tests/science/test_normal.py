"""The distributions, against SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from hatchmon.science.normal import normal_cdf, normal_quantile, student5_density

ORDINARY_Z = np.linspace(-7.0, 7.0, 140_001)


def test_normal_cdf_within_seven_sd() -> None:
    assert np.abs(normal_cdf(ORDINARY_Z) - special.ndtr(ORDINARY_Z)).max() < 1e-15


def test_normal_cdf_of_the_lower_tail_is_right_in_proportion() -> None:
    lower = ORDINARY_Z[ORDINARY_Z < 0]
    np.testing.assert_allclose(normal_cdf(lower), special.ndtr(lower), rtol=1e-8)


def test_normal_cdf_beyond_seven_sd_is_cut_off() -> None:
    beyond = np.concatenate((np.linspace(-40, -7.0001, 500), np.linspace(7.0001, 40, 500)))
    shares = normal_cdf(beyond)
    assert set(shares.tolist()) == {0.0, 1.0}
    assert np.abs(shares - special.ndtr(beyond)).max() < 1.3e-12
    assert normal_cdf([-np.inf, np.inf]).tolist() == [0.0, 1.0]


@given(st.floats(allow_nan=False), st.floats(allow_nan=False))
@settings(deadline=None)
def test_normal_cdf_never_falls_and_is_a_share(one: float, other: float) -> None:
    low, high = normal_cdf(sorted((one, other)))
    assert 0.0 <= low <= high + 1e-15 <= 1.0 + 1e-15


def test_normal_cdf_of_any_shape() -> None:
    assert normal_cdf(0.0) == pytest.approx(0.5, abs=1e-15)
    assert normal_cdf(np.zeros((2, 3, 4))).shape == (2, 3, 4)


def test_normal_quantile() -> None:
    p = np.concatenate((np.logspace(-12, -1, 200), np.linspace(0.1, 0.999999, 400)))
    np.testing.assert_allclose(normal_quantile(p), special.ndtri(p), rtol=1e-12, atol=1e-14)
    assert normal_quantile(p.reshape(3, 200)).shape == (3, 200)


def test_student5_density() -> None:
    t = np.linspace(-60.0, 60.0, 24_001)
    np.testing.assert_allclose(student5_density(t), stats.t.pdf(t, 5), rtol=1e-12)

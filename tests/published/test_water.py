"""Salt water against published check values and against an independent implementation.

UNESCO 1983: Fofonoff & Millard, UNESCO Technical Papers in Marine Science 44. Its temperatures are
IPTS-68. The values are as many public test suites print them; the paper itself was not seen.
gsw: the Gibbs SeaWater toolbox (TEOS-10, IOC, SCOR & IAPSO 2010), used as an oracle only.
"""

from __future__ import annotations

import gsw
import numpy as np
import pytest

from hatchmon.science import water

TEMPS_C = np.linspace(0.0, 40.0, 17)


@pytest.mark.parametrize(
    ("ratio", "temp_c_t68", "pressure_dbar", "salinity"),
    [(1.0, 15.0, 0.0, 35.000000), (1.2, 20.0, 2000.0, 37.245628), (0.65, 5.0, 1500.0, 27.995347)],
)
def test_practical_salinity(ratio: float, temp_c_t68: float, pressure_dbar: float, salinity: float) -> None:
    """UNESCO 1983, algorithm 1. Grade A, printed precision."""
    assert water.salinity_from_ratio_t68(ratio, temp_c_t68, pressure_dbar) == pytest.approx(
        salinity, abs=5e-7
    )


def test_standard_sea_water() -> None:
    """42.914 mS/cm at 15 C (IPTS-68) is S = 35: Culkin & Smith 1980. Grade A."""
    assert water.salinity_from_conductivity(42.914, 15.0 / 1.00024) == pytest.approx(35.0, abs=5e-7)
    assert water.conductivity_from_salinity(35.0, 15.0 / 1.00024) == pytest.approx(42.914, abs=5e-4)


@pytest.mark.parametrize(
    ("salinity", "temp_c_t68", "pressure_dbar", "kg_per_m3"),
    [
        (40.0, 40.0, 10_000.0, 1059.82037),
        (0.0, 5.0, 0.0, 999.96675),
        (0.0, 5.0, 10_000.0, 1044.12802),
        (0.0, 25.0, 0.0, 997.04796),
        (0.0, 25.0, 10_000.0, 1037.90204),
        (35.0, 5.0, 0.0, 1027.67547),
        (35.0, 5.0, 10_000.0, 1069.48914),
        (35.0, 25.0, 0.0, 1023.34306),
        (35.0, 25.0, 10_000.0, 1062.53817),
    ],
)
def test_density(salinity: float, temp_c_t68: float, pressure_dbar: float, kg_per_m3: float) -> None:
    """UNESCO 1983, algorithm 3 (first row); UNESCO Tech. Papers 36, 1981 (the rest). Grade A."""
    # 1.5 units of the last place: the first row comes out as 1059.820377, cut rather than rounded in print.
    assert water.density_t68(salinity, temp_c_t68, pressure_dbar) == pytest.approx(kg_per_m3, abs=1.5e-5)


def test_oxygen_saturation() -> None:
    """Garcia & Gordon 1992: S = 35, 10 C. Grade A, printed precision."""
    assert water.oxygen_saturation_t68(35.0, 10.0) == pytest.approx(274.610, abs=5e-4)


def test_hydrometer() -> None:
    """1.020 on a 25 C glass at 25 C is S = 26.6: computed from EOS-80. Grade C."""
    assert water.salinity_from_specific_gravity(1.020, 25.0, 25.0) == pytest.approx(26.6, abs=0.05)


@pytest.mark.parametrize(("g_per_kg", "grams"), [(25.0, 254.0), (30.0, 306.0)])
def test_salt_for_ten_litres(g_per_kg: float, grams: float) -> None:
    """10 L at 25 C: mass balance with EOS-80. Grade C."""
    assert water.salt_grams(10.0, g_per_kg) == pytest.approx(grams, abs=0.5)


# ---- an independent implementation ----


def test_practical_salinity_agrees_with_gsw() -> None:
    """The same equation: to rounding."""
    for salinity in np.linspace(2.0, 42.0, 17):
        for temp_c in np.linspace(-2.0, 35.0, 20):
            ms_per_cm = float(gsw.C_from_SP(salinity, temp_c, 0.0))
            assert water.salinity_from_conductivity(ms_per_cm, temp_c) == pytest.approx(salinity, abs=1e-6)
            assert water.conductivity_from_salinity(salinity, temp_c) == pytest.approx(ms_per_cm, abs=1e-6)


def exact(salinity: float, temp_c: float) -> float:
    """TEOS-10 density from the full Gibbs function, of sea water of reference composition."""
    return float(gsw.rho_t_exact(gsw.SR_from_SP(salinity), temp_c, 0.0))


def test_density_agrees_with_teos_10() -> None:
    """Two equations of state: at the surface they differ by at most .009 kg/m3 here (.012 in S)."""
    for salinity in np.linspace(0.0, 42.0, 22):
        for temp_c in TEMPS_C:
            assert water.density(salinity, temp_c) == pytest.approx(exact(salinity, temp_c), abs=0.009)


@pytest.mark.parametrize(("to", "kg_per_m3"), [(60.0, 0.09), (80.0, 0.33), (100.0, 0.81)])
def test_density_above_42_is_approximate_as_stated(to: float, kg_per_m3: float) -> None:
    """TEOS-10 holds for strong brine at the surface, EOS-80 does not; the bounds are what was found."""
    for salinity in np.linspace(42.0, to, 12):
        for temp_c in TEMPS_C:
            assert water.density(salinity, temp_c) == pytest.approx(exact(salinity, temp_c), abs=kg_per_m3)
    assert abs(water.density(to, 0.0) - exact(to, 0.0)) > 0.8 * kg_per_m3


def test_oxygen_agrees_with_gsw() -> None:
    """The same equation: to rounding."""
    for salinity in np.linspace(0.0, 42.0, 22):
        for temp_c in TEMPS_C:
            found = water.oxygen_saturation_t68(salinity, water.t68(temp_c))
            assert found == pytest.approx(float(gsw.O2sol_SP_pt(salinity, temp_c)), rel=1e-9)


def test_grams_per_kilogram_agree_with_gsw() -> None:
    for salinity in (0.0, 7.0, 26.6, 35.0, 42.0):
        assert water.g_per_kg(salinity) == pytest.approx(float(gsw.SR_from_SP(salinity)), rel=1e-9)

"""Salt water: inverses, directions, mass balances and limits."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hatchmon.science import water

SALINITIES = st.floats(0.0, 100.0)
ON_THE_SCALE = st.floats(2.0, 42.0)
TEMPS_C = st.floats(-2.0, 40.0)
COOLER_C = st.floats(-2.0, 35.0)
GLASSES_C = st.floats(4.0, 30.0)
NOT_NUMBERS = [math.nan, math.inf, -math.inf]


@given(SALINITIES, TEMPS_C, GLASSES_C)
def test_hydrometer_there_and_back(salinity: float, temp_c: float, ref_c: float) -> None:
    sg = water.specific_gravity(salinity, temp_c, ref_c)
    assert water.salinity_from_specific_gravity(sg, temp_c, ref_c) == pytest.approx(salinity, abs=1e-8)


@given(ON_THE_SCALE, COOLER_C)
def test_conductivity_there_and_back(salinity: float, temp_c: float) -> None:
    ms_per_cm = water.conductivity_from_salinity(salinity, temp_c)
    assert water.salinity_from_conductivity(ms_per_cm, temp_c) == pytest.approx(salinity, abs=1e-8)


@given(SALINITIES, TEMPS_C)
def test_grams_there_and_back(salinity: float, temp_c: float) -> None:
    assert water.salinity_from_g_per_kg(water.g_per_kg(salinity)) == pytest.approx(salinity, abs=1e-9)
    per_litre = water.g_per_l(salinity, temp_c)
    assert water.salinity_from_g_per_l(per_litre, temp_c) == pytest.approx(salinity, abs=1e-8)


@given(SALINITIES, SALINITIES, TEMPS_C)
def test_saltier_is_heavier(one: float, other: float, temp_c: float) -> None:
    low, high = sorted((one, other))
    if high - low > 1e-6:
        assert water.density(low, temp_c) < water.density(high, temp_c)


@given(ON_THE_SCALE, ON_THE_SCALE, COOLER_C)
def test_saltier_conducts_more_and_holds_less_oxygen(one: float, other: float, temp_c: float) -> None:
    low, high = sorted((one, other))
    if high - low > 1e-6:
        conducts = [water.conductivity_from_salinity(s, temp_c) for s in (low, high)]
        assert conducts[0] < conducts[1]
        oxygen = [water.oxygen_saturation_mg_per_l(s, temp_c) for s in (low, high)]
        assert oxygen[0] > oxygen[1]


@given(ON_THE_SCALE, COOLER_C, COOLER_C)
def test_warmer_conducts_more_and_holds_less_oxygen(salinity: float, one: float, other: float) -> None:
    low, high = sorted((one, other))
    if high - low > 1e-6:
        conducts = [water.conductivity_from_salinity(salinity, t) for t in (low, high)]
        assert conducts[0] < conducts[1]
        oxygen = [water.oxygen_saturation_mg_per_l(salinity, t) for t in (low, high)]
        assert oxygen[0] > oxygen[1]


def test_temperature_scale() -> None:
    assert water.t68(25.0) == pytest.approx(25.006, abs=1e-12)
    assert water.density(30.0, 25.0) == water.density_t68(30.0, 25.006)
    assert water.salinity_from_conductivity(45.0, 25.0) == water.salinity_from_ratio_t68(
        45.0 / 42.914, 25.006
    )


def test_oxygen_in_milligrams() -> None:
    """umol/kg x 31.9988 ug/umol x kg/L."""
    by_hand = water.oxygen_saturation_t68(30.0, water.t68(25.0)) * 31.9988e-3 * 1.01949
    assert water.oxygen_saturation_mg_per_l(30.0, 25.0) == pytest.approx(by_hand, rel=1e-3)


def test_specific_gravity_depends_on_the_glass() -> None:
    """Fresh water at the glass's own temperature shows 1; a glass for colder water shows less."""
    assert water.specific_gravity(0.0, 25.0, 25.0) == 1.0
    assert water.specific_gravity(26.6, 25.0, 15.0) < water.specific_gravity(26.6, 25.0, 25.0) - 0.001


# ---- mixing ----


def test_salt_by_hand() -> None:
    """2 L at 30 g/kg from 10 g/kg: 2.0390 kg x 20 / .99 = 41.19 g, or 45.77 g of salt 90 % pure."""
    assert water.salt_grams(2.0, 30.0, 10.0) == pytest.approx(41.19, abs=0.01)
    assert water.salt_grams(2.0, 30.0, 10.0, purity=0.9) == pytest.approx(45.77, abs=0.01)
    assert water.salt_grams(2.0, 30.0, 30.0) == 0.0


@given(st.floats(0.1, 1000.0), st.floats(0.0, 90.0), st.floats(0.0, 1.0), st.floats(0.2, 1.0))
def test_salt_is_conserved(litres: float, to: float, share: float, purity: float) -> None:
    start = share * to
    brine_g = litres * water.density(water.salinity_from_g_per_kg(to), 25.0)
    salt_g = water.salt_grams(litres, to, start, purity) * purity
    held_g = (brine_g - salt_g) * start / 1000.0
    assert held_g + salt_g == pytest.approx(brine_g * to / 1000.0, rel=1e-9, abs=1e-9)


@given(st.floats(0.1, 1000.0), st.floats(1.0, 90.0), st.floats(0.05, 1.0), st.floats(0.0, 40.0))
def test_dilution_conserves_salt_and_weight(litres: float, start: float, share: float, temp_c: float) -> None:
    to = share * start
    found = water.dilution(litres, to, start, temp_c)
    strong, wished = (water.density(water.salinity_from_g_per_kg(s), temp_c) for s in (start, to))
    fresh = water.density(0.0, temp_c)
    left_g = (litres - found.remove_l) * strong
    assert left_g + found.refill_l * fresh == pytest.approx(litres * wished, rel=1e-9)
    assert left_g * start == pytest.approx(litres * wished * to, rel=1e-9)
    whole_g = litres * strong
    assert whole_g * start / (whole_g + found.add_l * fresh) == pytest.approx(to, rel=1e-9)


# ---- limits ----


@pytest.mark.parametrize(("ms_per_cm", "said"), [(3.0, "weaker"), (70.0, "stronger")])
def test_conductivity_off_the_scale_is_refused(ms_per_cm: float, said: str) -> None:
    with pytest.raises(ValueError, match=f"2 to 42 PSU.*{said}"):
        water.salinity_from_conductivity(ms_per_cm, 25.0)


@pytest.mark.parametrize("salinity", [2.0, 42.0])
@pytest.mark.parametrize("temp_c", [-2.0, 25.0, 35.0])
def test_the_ends_of_the_scale_belong_to_it(salinity: float, temp_c: float) -> None:
    ms_per_cm = water.conductivity_from_salinity(salinity, temp_c)
    assert water.salinity_from_conductivity(ms_per_cm, temp_c) == pytest.approx(salinity, abs=1e-6)


@pytest.mark.parametrize(("salinity", "so"), [(0.0, False), (42.0, False), (42.1, True), (90.0, True)])
def test_approximate(salinity: float, so: bool) -> None:
    assert water.approximate(salinity) is so


TEMPERATURE_GUARDS: list[tuple[Callable[[float], object], float, float]] = [
    (lambda t: water.salinity_from_conductivity(30.0, t), -2.0, 35.0),
    (lambda t: water.conductivity_from_salinity(30.0, t), -2.0, 35.0),
    (lambda t: water.density(30.0, t), -2.0, 40.0),
    (lambda t: water.specific_gravity(30.0, 25.0, t), -2.0, 40.0),
    (lambda t: water.oxygen_saturation_mg_per_l(30.0, t), -2.0, 40.0),
]


@pytest.mark.parametrize(("function", "low", "high"), TEMPERATURE_GUARDS)
def test_temperatures_outside_the_equations_are_refused(
    function: Callable[[float], object], low: float, high: float
) -> None:
    function(low)
    function(high)
    for temp_c in (low - 0.1, high + 0.1, *NOT_NUMBERS):
        with pytest.raises(ValueError, match=rf"holds for -2 to {high:g} C"):
            function(temp_c)


@pytest.mark.parametrize(
    "function",
    [
        lambda x: water.salinity_from_conductivity(x, 25.0),
        lambda x: water.conductivity_from_salinity(x, 25.0),
        lambda x: water.density(x, 25.0),
        lambda x: water.salinity_from_specific_gravity(x, 25.0, 25.0),
        lambda x: water.salinity_from_g_per_l(x, 25.0),
        lambda x: water.oxygen_saturation_t68(x, 25.0),
        lambda x: water.salt_grams(10.0, x),
        lambda x: water.salt_grams(10.0, 25.0, x),
        lambda x: water.salt_grams(10.0, 25.0, 0.0, x),
        lambda x: water.dilution(10.0, x, 30.0),
        lambda x: water.dilution(10.0, 20.0, x),
        lambda x: water.density_t68(30.0, 25.0, x),
        lambda x: water.salinity_from_ratio_t68(x, 15.0),
        lambda x: water.salinity_from_ratio_t68(1.0, 15.0, x),
    ],
)
@pytest.mark.parametrize("wrong", [*NOT_NUMBERS, -1.0, 1e9])
def test_what_water_cannot_be_is_refused(function: Callable[[float], object], wrong: float) -> None:
    with pytest.raises(ValueError, match=r"must be|lies outside|holds for|start with fresh"):
        function(wrong)


@pytest.mark.parametrize("litres", [*NOT_NUMBERS, -1.0])
def test_a_volume_that_is_none_is_refused(litres: float) -> None:
    with pytest.raises(ValueError, match="The volume"):
        water.salt_grams(litres, 25.0)
    with pytest.raises(ValueError, match="The volume"):
        water.dilution(litres, 20.0, 30.0)


def test_pressure_and_strong_brine_together_are_refused() -> None:
    with pytest.raises(ValueError, match="0 to 42 PSU"):
        water.density_t68(50.0, 25.0, 100.0)


def test_salt_does_not_weaken_and_fresh_water_does_not_salt() -> None:
    with pytest.raises(ValueError, match="stronger water is diluted"):
        water.salt_grams(10.0, 20.0, 30.0)
    with pytest.raises(ValueError, match="weaker water needs salt"):
        water.dilution(10.0, 30.0, 20.0)
    with pytest.raises(ValueError, match="start with fresh water"):
        water.dilution(10.0, 0.0, 20.0)

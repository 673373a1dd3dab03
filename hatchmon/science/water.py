"""Salt water: salinity, density, what instruments show, dissolved oxygen, and mixing.

``salinity`` is practical salinity (PSU, a pure number); ``_g_per_kg`` is grams of sea salt in a
kilogram of brine, ``_g_per_l`` in a litre at ``temp_c``. Temperatures are deg C on today's scale
(ITS-90) unless the name ends in ``_t68``; the equations of 1978-92 are stated on that older one.

Everything here is the physics of sea water. A brine of common salt alone reads a few per cent
differently on a hydrometer and on a conductivity meter (handbook values, from memory).

Every function raises ValueError, with the reason, for a value outside the stated range.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

T68_PER_T90 = 1.00024  # Saunders 1990, WOCE Newsletter 10, recommended for these equations

# Conductivity of standard sea water, S = 35, 15 C (IPTS-68), no pressure:
# Culkin & Smith 1980, IEEE J. Oceanic Eng. OE-5:22-23.
STANDARD_MS_PER_CM = 42.914

# Grams of salt per kilogram to one unit of practical salinity: Millero, Feistel, Wright & McDougall
# 2008, Deep-Sea Res. I 55:50-72.
G_PER_KG_PER_PSU = 35.16504 / 35.0

PSS78_FROM, PSS78_TO = 2.0, 42.0
EOS80_TO = 42.0
# EOS-80 carried on above 42: within .9 kg/m3 (1.2 PSU) of TEOS-10 up to here, 0-40 C; found by test.
APPROXIMATE_TO = 100.0

_OXYGEN_G_PER_MOL = 31.9988


@dataclass(frozen=True, slots=True)
class Dilution:
    """Fresh water that brings a brine down: either way of doing it.

    ``add_l``: poured onto the whole brine, which grows by as much. ``remove_l`` of brine taken out and
    ``refill_l`` of fresh water poured in: the volume stays.
    """

    add_l: float
    remove_l: float
    refill_l: float


def t68(temp_c: float) -> float:
    """deg C on the scale of 1968 (IPTS-68) for ``temp_c`` on that of 1990 (ITS-90)."""
    return T68_PER_T90 * temp_c


def approximate(salinity: float) -> bool:
    """Whether ``salinity`` (PSU) lies above what the equations were measured for."""
    return salinity > EOS80_TO


# ---- conductivity ---------------------------------------------------------------------------


def salinity_from_ratio_t68(ratio: float, temp_c_t68: float, pressure_dbar: float = 0.0) -> float:
    """Practical salinity from the conductivity over that of standard sea water at 15 C.

    PSS-78: UNESCO Technical Papers in Marine Science 44, 1983, algorithm 1. Holds for S 2-42,
    -2..35 C and 0-10000 dbar above the atmosphere.
    """
    _within("The conductivity ratio", ratio, 0.0, 3.0, "")
    _temperature(temp_c_t68, 35.0, "the practical salinity scale (PSS-78)")
    _within("The pressure", pressure_dbar, 0.0, 10_000.0, "dbar")
    salinity = _pss78(ratio, temp_c_t68, pressure_dbar)
    if not PSS78_FROM - 1e-6 <= salinity <= PSS78_TO + 1e-6:  # slack: what an inverse leaves over
        raise ValueError(
            f"This conductivity gives no salinity: the practical salinity scale (PSS-78) holds for "
            f"{PSS78_FROM:g} to {PSS78_TO:g} PSU, and this water is "
            f"{'weaker' if salinity < PSS78_FROM else 'stronger; a hydrometer gives an approximate value'}."
        )
    return salinity


def salinity_from_conductivity(ms_per_cm: float, temp_c: float) -> float:
    """Practical salinity of water at ``temp_c`` that conducts ``ms_per_cm`` at that temperature.

    A meter that compensates to 25 C shows what the water would conduct at 25 C: pass 25 for it,
    whatever the water's temperature. PSS-78 as in ``salinity_from_ratio_t68``: S 2-42, -2..35 C.
    """
    _within("The conductivity", ms_per_cm, 0.0, 120.0, "mS/cm")
    return salinity_from_ratio_t68(ms_per_cm / STANDARD_MS_PER_CM, t68(temp_c))


def conductivity_from_salinity(salinity: float, temp_c: float) -> float:
    """mS/cm at ``temp_c`` of water of practical ``salinity``: the inverse, same ranges."""
    _within("The salinity", salinity, PSS78_FROM, PSS78_TO, "PSU, the range of the scale (PSS-78)")
    _temperature(temp_c, 35.0, "the practical salinity scale (PSS-78)")
    return STANDARD_MS_PER_CM * _solve(lambda ratio: _pss78(ratio, t68(temp_c), 0.0), salinity, 0.0, 3.0)


def _pss78(ratio: float, t: float, p: float) -> float:
    rt35 = _poly(t, (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9))
    pressure = p * _poly(p, (2.070e-5, -6.370e-10, 3.989e-15))
    rp = 1.0 + pressure / (_poly(t, (1.0, 3.426e-2, 4.464e-4)) + ratio * _poly(t, (4.215e-1, -3.107e-3)))
    root = math.sqrt(ratio / (rp * rt35))
    at_15 = _poly(root, (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081))
    away = _poly(root, (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144))
    return at_15 + away * (t - 15.0) / (1.0 + 0.0162 * (t - 15.0))


# ---- density --------------------------------------------------------------------------------


def density_t68(salinity: float, temp_c_t68: float, pressure_dbar: float = 0.0) -> float:
    """Density of sea water, kg/m3, by the equation of state EOS-80.

    UNESCO Technical Papers in Marine Science 44, 1983, algorithm 3. Holds for S 0-42, -2..40 C and
    0-10000 dbar above the atmosphere; S up to 100 is let through at atmospheric pressure and is
    approximate.
    """
    highest = EOS80_TO if pressure_dbar else APPROXIMATE_TO
    _within("The salinity", salinity, 0.0, highest, "PSU, as far as the equation of state carries")
    _temperature(temp_c_t68, 40.0, "the equation of state (EOS-80)")
    _within("The pressure", pressure_dbar, 0.0, 10_000.0, "dbar")
    t, s, s15 = temp_c_t68, salinity, salinity * math.sqrt(salinity)
    at_surface = (
        _poly(t, (999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9))
        + s * _poly(t, (8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9))
        + s15 * _poly(t, (-5.72466e-3, 1.0227e-4, -1.6546e-6))
        + s * s * 4.8314e-4
    )
    if not pressure_dbar:
        return at_surface
    bar = pressure_dbar / 10.0
    stiffness = (  # secant bulk modulus, bar
        _poly(t, (19652.21, 148.4206, -2.327105, 1.360477e-2, -5.155288e-5))
        + s * _poly(t, (54.6746, -0.603459, 1.09987e-2, -6.1670e-5))
        + s15 * _poly(t, (7.944e-2, 1.6483e-2, -5.3009e-4))
    )
    stiffness += bar * (
        _poly(t, (3.239908, 1.43713e-3, 1.16092e-4, -5.77905e-7))
        + s * _poly(t, (2.2838e-3, -1.0981e-5, -1.6078e-6))
        + s15 * 1.91075e-4
    )
    stiffness += bar**2 * (
        _poly(t, (8.50935e-5, -6.12293e-6, 5.2787e-8)) + s * _poly(t, (-9.9348e-7, 2.0816e-8, 9.1697e-10))
    )
    return at_surface / (1.0 - bar / stiffness)


def density(salinity: float, temp_c: float) -> float:
    """Density at the surface, kg/m3, of water of practical ``salinity``: EOS-80 as in ``density_t68``.

    Holds for S 0-42 and -2..40 C; approximate up to S 100.
    """
    return density_t68(salinity, t68(temp_c))


def specific_gravity(salinity: float, temp_c: float, ref_c: float) -> float:
    """What a hydrometer shows in water at ``temp_c``, if its glass is made for ``ref_c``.

    Density of the water over that of fresh water at ``ref_c``, by EOS-80; the glass itself is taken not
    to swell (some .00003 per C, from memory). Ranges as in ``density``.
    """
    return density(salinity, temp_c) / density(0.0, ref_c)


def salinity_from_specific_gravity(sg: float, temp_c: float, ref_c: float) -> float:
    """Practical salinity from a hydrometer: the inverse of ``specific_gravity``.

    Above 42 PSU approximate; ValueError when no salinity of 0-100 gives this ``sg``.
    """
    lightest, heaviest = (specific_gravity(s, temp_c, ref_c) for s in (0.0, APPROXIMATE_TO))
    if not lightest <= sg <= heaviest:
        raise ValueError(
            f"The specific gravity {sg:g} lies outside {lightest:.4f} (fresh water) to {heaviest:.4f} "
            f"({APPROXIMATE_TO:g} PSU) for water at {temp_c:g} C and a glass made for {ref_c:g} C; read the "
            f"hydrometer again and check the temperature printed on it."
        )
    return _solve(lambda s: specific_gravity(s, temp_c, ref_c), sg, 0.0, APPROXIMATE_TO)


# ---- grams ----------------------------------------------------------------------------------


def g_per_kg(salinity: float) -> float:
    """Grams of sea salt per kilogram of water of practical ``salinity`` ("ppt"); Millero et al. 2008."""
    return G_PER_KG_PER_PSU * salinity


def salinity_from_g_per_kg(amount: float) -> float:
    """Practical salinity of water holding ``amount`` grams of sea salt per kilogram."""
    return amount / G_PER_KG_PER_PSU


def g_per_l(salinity: float, temp_c: float) -> float:
    """Grams of sea salt in a litre at ``temp_c``: g/kg times density. Ranges as in ``density``."""
    return g_per_kg(salinity) * density(salinity, temp_c) / 1000.0


def salinity_from_g_per_l(amount: float, temp_c: float) -> float:
    """Practical salinity of water holding ``amount`` grams of sea salt per litre at ``temp_c``."""
    _within("The salinity", amount, 0.0, g_per_l(APPROXIMATE_TO, temp_c), "g/L")
    return _solve(lambda s: g_per_l(s, temp_c), amount, 0.0, APPROXIMATE_TO)


def salt_grams(
    litres: float, to_g_per_kg: float, from_g_per_kg: float = 0.0, purity: float = 1.0, temp_c: float = 25.0
) -> float:
    """Grams of salt that make ``litres`` (the finished brine, at ``temp_c``) from weaker water.

    Mass balance: the salt added is also part of the brine's weight. ``purity`` is the share of the
    salt that is dry salt. Raises ValueError when the water is stronger than wished; see ``dilution``.
    """
    _within("The volume", litres, 0.0, math.inf, "L")
    _within("The salt's purity", purity, 0.01, 1.0, "as a share: 1 is pure and dry")
    _within("The salinity to start from", from_g_per_kg, 0.0, to_g_per_kg, "g/kg; stronger water is diluted")
    brine_kg = litres * density(salinity_from_g_per_kg(to_g_per_kg), temp_c) / 1000.0
    return brine_kg * (to_g_per_kg - from_g_per_kg) / (1.0 - from_g_per_kg / 1000.0) / purity


def dilution(litres: float, to_g_per_kg: float, from_g_per_kg: float, temp_c: float = 25.0) -> Dilution:
    """Fresh water that brings ``litres`` of brine down to a salinity above 0, by mass balance.

    Raises ValueError when the brine is weaker than wished, or fresh water is wished.
    """
    _within("The volume", litres, 0.0, math.inf, "L")
    _within(
        "The salinity to start from", from_g_per_kg, to_g_per_kg, math.inf, "g/kg; weaker water needs salt"
    )
    if not to_g_per_kg > 0.0:
        raise ValueError("No amount of fresh water brings brine down to 0 g/kg: start with fresh water.")
    strong = density(salinity_from_g_per_kg(from_g_per_kg), temp_c)
    wished = density(salinity_from_g_per_kg(to_g_per_kg), temp_c)
    fresh = density(0.0, temp_c)
    kept = to_g_per_kg / from_g_per_kg  # share of the diluted brine's weight
    return Dilution(
        add_l=litres * strong / fresh * (1.0 / kept - 1.0),
        remove_l=litres * (1.0 - kept * wished / strong),
        refill_l=litres * wished / fresh * (1.0 - kept),
    )


# ---- oxygen ---------------------------------------------------------------------------------


def oxygen_saturation_t68(salinity: float, temp_c_t68: float) -> float:
    """Oxygen in water in balance with moist air at one atmosphere, umol/kg.

    Garcia & Gordon 1992, Limnol. Oceanogr. 37:1307-1312, coefficients fitted to Benson & Krause.
    Holds for S 0-42 and from freezing to 40 C.
    """
    _within("The salinity", salinity, 0.0, 42.0, "PSU, the range of the oxygen equation")
    _temperature(temp_c_t68, 40.0, "the oxygen equation")
    scaled = math.log((298.15 - temp_c_t68) / (273.15 + temp_c_t68))
    return math.exp(
        _poly(scaled, (5.80871, 3.20291, 4.17887, 5.10006, -9.86643e-2, 3.80369))
        + salinity * _poly(scaled, (-7.01577e-3, -7.70028e-3, -1.13864e-2, -9.51519e-3))
        - 2.75915e-7 * salinity**2
    )


def oxygen_saturation_mg_per_l(salinity: float, temp_c: float) -> float:
    """The same in mg/L, with the density of EOS-80; ranges as in ``oxygen_saturation_t68``."""
    umol_per_kg = oxygen_saturation_t68(salinity, t68(temp_c))
    return umol_per_kg * density(salinity, temp_c) * _OXYGEN_G_PER_MOL * 1e-6


# ---- tools ----------------------------------------------------------------------------------


def _within(name: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high or math.isinf(value):
        reach = f"from {low:g} up" if math.isinf(high) else f"{low:g} to {high:g}"
        raise ValueError(f"{name} is {value:g}; it must be {reach} {unit}".rstrip() + ".")


def _temperature(temp_c: float, high: float, equation: str) -> None:
    if not -2.01 <= temp_c <= high + 0.01:  # slack: the two temperature scales differ by that much
        raise ValueError(f"The temperature is {temp_c:.1f} C; {equation} holds for -2 to {high:g} C.")


def _poly(x: float, coefficients: Sequence[float]) -> float:
    """Polynomial, constant term first."""
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total


def _solve(rising: Callable[[float], float], wished: float, low: float, high: float) -> float:
    """Where a rising function meets ``wished``, by bisection down to floating-point precision."""
    for _ in range(60):
        middle = (low + high) / 2.0
        if rising(middle) < wished:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0

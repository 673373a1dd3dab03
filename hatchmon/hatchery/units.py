"""Units of probes: what each quantity may be sent in, and the way to the unit used inside."""

from __future__ import annotations

from hatchmon.hatchery.types import Quantity

# The first unit of each is the one used inside and on default topics.
UNITS: dict[Quantity, tuple[str, ...]] = {
    Quantity.TEMPERATURE: ("C", "F"),
    Quantity.AIR_TEMPERATURE: ("C", "F"),
    Quantity.SALINITY: ("g/L", "psu"),
    Quantity.CONDUCTIVITY: ("mS/cm",),
    Quantity.SPECIFIC_GRAVITY: ("1",),
    Quantity.LIGHT: ("lux",),
}

# What a probe may plausibly say, in the unit used inside. Temperature: model; the rest: what the
# quantity can be in a brine vessel (common practice, no source).
LIMITS: dict[Quantity, tuple[float, float]] = {
    Quantity.TEMPERATURE: (-2.0, 45.0),
    Quantity.AIR_TEMPERATURE: (-40.0, 60.0),
    Quantity.SALINITY: (0.0, 350.0),
    Quantity.CONDUCTIVITY: (0.0, 300.0),
    Quantity.SPECIFIC_GRAVITY: (0.98, 1.25),
    Quantity.LIGHT: (0.0, 200_000.0),
}


def celsius(fahrenheit: float) -> float:
    """deg F to deg C."""
    # Nine digits, so that 77.9 F is exactly 25.5 C: limits are met at the same reading in either unit.
    return round((fahrenheit - 32.0) / 1.8, 9)


def fahrenheit(celsius: float) -> float:
    """deg C to deg F."""
    return celsius * 1.8 + 32.0


def both_scales(temp_c: float) -> str:
    """``36.0 °C (96.8 °F)``, for texts written before it is known who reads them."""
    return f"{temp_c:.1f} °C ({fahrenheit(temp_c):.1f} °F)"


def to_inner(value: float, unit: str) -> float:
    """``value`` in the unit used inside. psu is taken as g/L: they differ by under 1 % in this use."""
    return celsius(value) if unit == "F" else value

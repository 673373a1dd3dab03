"""Advice as published, against what a keeper is told of a finished batch and of brine.

Grade A, advice: told as it stands, where the limits are, and no further.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from hatchmon.app.salt import advice, plan_salt
from hatchmon.hatchery.diagnosis import Finding, Measured, diagnose
from hatchmon.hatchery.types import Batch, Look
from hatchmon.hatchery.wording import Voice
from hatchmon.science.learning import LotBelief

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
PRIOR = LotBelief.prior()
LIT = tuple((hour, 2000.0) for hour in (0.5, 2.0, 4.0, 5.9))


def findings(
    grams: float = 2.0, litres: float = 1.0, light: tuple[tuple[float, float], ...] = LIT
) -> dict[str, Finding]:
    """By cause, what is told of a batch that was complete after 38 h in steady water of 26 C."""
    hours = np.arange(0.0, 38.1, 0.1)
    batch = Batch(
        1, "north", "tin", START, grams, litres, 26.0, 30.0, START + timedelta(hours=38), "harvested"
    )
    looks = (Look(1, START + timedelta(hours=36), "most"), Look(1, START + timedelta(hours=38), "complete"))
    measured = Measured(
        batch, hours, np.full(hours.size, 26.0), (23.0, 30.0), PRIOR.draws(), looks=looks, light=light
    )
    return {finding.cause: finding for finding in diagnose(measured, Voice(UTC)).findings}


def brine(g_per_kg: float) -> list[str]:
    """What is advised with ten litres of it, from fresh water."""
    plan = plan_salt(10.0, f"{g_per_kg}", None, 25.0, None, 25.0, "0", 1.0)
    return [line.text for line in advice(plan)]


@pytest.mark.parametrize(
    ("litres", "g_per_l", "dense"),
    [(2.0, 4.9, False), (2.0, 5.1, True), (19.0, 4.9, False), (21.0, 2.1, True), (21.0, 1.9, False)],
)
def test_density(litres: float, g_per_l: float, dense: bool) -> None:
    """At most 5 g/L in vessels under 20 L and 2 g/L in larger ones. FAO Fisheries Technical Paper 428,
    annex 4."""
    assert ("density" in findings(g_per_l * litres, litres)) == dense


def test_light_in_the_first_hours() -> None:
    """About 2000 lux at the surface in the first hours. FAO Fisheries Technical Paper 428, annex 4."""
    assert "light" not in findings()
    dark = findings(light=((0.5, 50.0), (3.0, 50.0), (5.9, 50.0)))["light"]
    assert "about 2000 lux at the surface" in dark.text
    assert dark.effect_h is None


def test_light_for_six_hours_does_as_well_as_light_all_through() -> None:
    """The same share hatched after six hours or more of light as in continuous light, 5 points. Grade A,
    direction: J. Crust. Biol. doi 10.1163/1937240x-00002454. Light after the sixth hour bears on nothing
    here, and light unknown leaves the median time where it is: it only makes a batch less sure."""
    assert (
        findings(light=(*LIT, (7.0, 0.0), (20.0, 0.0))).keys()
        == findings(light=(*LIT, (20.0, 2000.0))).keys()
    )
    known, unknown = (PRIOR.draws(light_known=lit) for lit in (True, False))
    assert np.median(known.mu(None)) == pytest.approx(np.median(unknown.mu(None)), abs=0.01)
    assert np.std(known.u) < np.std(unknown.u)


@pytest.mark.parametrize(
    ("g_per_kg", "told"),
    [(4.0, "outside the 5 to 35 g/L"), (10.0, None), (30.0, None), (60.0, "outside the 5 to 35 g/L"),
     (95.0, "none is known above 85 to 90 g/L")],
)  # fmt: skip
def test_salinity(g_per_kg: float, told: str | None) -> None:
    """5-35 g/L; none hatch above 85-90. A text after FAO. Studies conflict on 5-15 g/L: no penalty is named
    there."""
    lines = brine(g_per_kg)
    if told is None:
        assert not any("g/L used for hatching" in line or "no hatch" in line for line in lines)
    else:
        assert any(told in line for line in lines)


def test_acidity() -> None:
    """Above pH 8, with up to 1 g of sodium bicarbonate per litre. FAO Fisheries Technical Paper 428,
    annex 4."""
    said = [line for line in brine(30.0) if "pH" in line]
    assert said == ["Keep the pH above 8; up to 10 g of sodium bicarbonate for this volume helps."]

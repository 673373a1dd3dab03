"""The mixing sheet and what heating costs, by hand and by published figures."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from hatchmon.hatchery.energy import running_costs
from hatchmon.hatchery.mixing import decapsulation_lines, salt_g, sheet
from hatchmon.hatchery.supply.sources import Courses
from hatchmon.hatchery.types import Refused
from hatchmon.science.nauplii import Thresholds
from tests.hatchery.supply.invented import ORIGIN, cone, lot

AT = datetime(2026, 3, 10, 18, 30, tzinfo=UTC)


def test_salt_agrees_with_the_mass_balance() -> None:
    # 10 L at 25 g/kg: 254 g (mass balance with EOS-80 density); g/L at 25 C are 1.7 % less per kg.
    assert salt_g(10.0, 25.0 * 1.0157, 25.0) == pytest.approx(254.0, rel=0.002)
    assert salt_g(10.0, 25.0, 25.0, 0.5) == pytest.approx(2.0 * salt_g(10.0, 25.0, 25.0))


def test_the_sheet_says_all_there_is_to_do() -> None:
    found = sheet("bench", "river-23", AT, 5.0, 2.0, 25.0, 26.0)
    # FAO Fisheries Technical Paper 428, annex 4: up to 1 g of bicarbonate a litre, about 2000 lux.
    assert found.bicarbonate_g == 2.0
    assert found.teaspoons == 2.0
    said = "\n".join(found.lines())
    for part in (
        "2 L of finished brine, 25 g/L",
        "of pure dry salt",
        "of sea salt mix",
        "up to 2 g of sodium bicarbonate",
        "26.0 °C (78.8 °F)",
        "about 2.0 level teaspoons, which is rough",
        "2000 lux",
        "hatchmon begin bench --lot 'river-23' --grams 5 --litres 2",
        "qualified electrician",
    ):
        assert part in said
    salts = [grams for _, grams in found.salt_g]
    assert salts == sorted(salts)
    assert salts[0] == pytest.approx(50.0, rel=0.02)


def test_decapsulation_gives_a_range_and_never_a_dose() -> None:
    # Published recipes: 0.17 to 0.60 g NaOCl a gram of cysts.
    said = " ".join(decapsulation_lines(10.0))
    assert "1.7 to 6 g of sodium hypochlorite" in said
    assert "That is no dose" in said
    for caution in ("poisonous gas", "Goggles", "Lye", "below 40 °C", "safety data sheet", "poison centre"):
        assert caution in said


def test_warmer_is_sooner_and_heat_is_lost_by_the_difference() -> None:
    courses = Courses(ORIGIN, Thresholds())
    runs = running_costs(cone("a", 26.0), lot(), 12.0, 20.0, 0.3, courses)
    assert [run.temp_c for run in runs] == [24.0, 25.0, 26.0, 27.0, 28.0]
    assert [run.ready_h for run in runs] == sorted((run.ready_h for run in runs), reverse=True)
    for run in runs:
        # Newton's law of cooling: 12 W hold 6 C above the room, so 2 W a degree.
        assert run.kwh == pytest.approx(0.002 * (run.temp_c - 20.0) * run.ready_h)
        assert run.cost == pytest.approx(0.3 * run.kwh)
        assert run.sure_h > run.ready_h


def test_what_cannot_be_heated_is_refused_or_left_out() -> None:
    courses = Courses(ORIGIN, Thresholds())
    with pytest.raises(Refused, match="is not warmer than the room"):
        running_costs(cone("a", 20.0), lot(), 12.0, 22.0, 0.3, courses)
    hot = running_costs(replace(cone("a", 33.0)), lot(), 12.0, 20.0, 0.3, courses)
    assert max(run.temp_c for run in hot) <= 34.0

"""The salt command as a keeper runs it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from hatchmon.app.cli import app


def run(*words: str) -> Result:
    return CliRunner().invoke(app, ["salt", *words])


def result(*words: str) -> dict[str, Any]:
    ran = run(*words, "--json")
    assert ran.exit_code == 0, ran.output
    said: dict[str, Any] = json.loads(ran.stdout)
    return said


@pytest.mark.parametrize(
    ("words", "grams"),
    [
        (["--salinity", "25"], 253.93),
        (["--salinity", "30ppt"], 305.84),
        (["--salinity", "30 g/kg"], 305.84),
        (["--salinity", "25g/L"], 250.0),  # 10 L x 25 g/L, whatever the density
        (["--salinity", "35psu", "--temp", "20"], 360.41),  # 10 L x 1.0248 kg/L x 35.165 g/kg
        (["--sg", "1.020"], 271.54),  # S 26.573 = 26.699 g/kg, 1.0170 kg/L
        (["--conductivity", "53.065", "--temp", "25"], 359.87),  # S 35: 1.0233 kg/L x 35.165 g/kg
        (["--salinity", "25", "--purity", ".95"], 267.29),
        (["--salinity", "25", "--from", "5"], 204.16),  # 10.157 kg x 20 / .995
        (["--salinity", "25", "--from", "25"], 0.0),
    ],
)
def test_grams(words: list[str], grams: float) -> None:
    assert result("--litres", "10", *words)["grams"] == pytest.approx(grams, abs=0.15)


def test_the_glass_of_the_hydrometer_matters() -> None:
    made_for_15 = result("--litres", "10", "--sg", "1.020", "--sg-ref", "15")
    assert made_for_15["grams"] > result("--litres", "10", "--sg", "1.020")["grams"] + 20.0
    assert made_for_15["target"]["specific_gravity"] == pytest.approx(1.020)
    assert made_for_15["target"]["specific_gravity_ref_c"] == 15.0


def test_every_unit_of_the_wish_is_told() -> None:
    told = result("--litres", "10", "--salinity", "35psu", "--temp", "15")["target"]
    assert told["g_per_kg"] == pytest.approx(35.165, abs=1e-3)
    assert told["g_per_l"] == pytest.approx(36.08, abs=0.01)  # x 1.02597 kg/L
    assert told["psu"] == 35.0
    assert told["ms_per_cm_25_c"] == pytest.approx(53.06, abs=0.05)


def test_words_for_people() -> None:
    ran = run("--litres", "10", "--salinity", "25")
    assert ran.exit_code == 0
    first, second, third, *_ = ran.stdout.splitlines()
    assert first == "254 g of pure dry salt, made up with fresh water to 10 L."
    assert second == "That is 25.0 g/kg, 25.4 g/L at 25 C."
    assert third.startswith("It should show 24.9 PSU, specific gravity 1.0187 (25 C glass), 39.1 mS/cm")
    assert "pH above 8; up to 10 g of sodium bicarbonate" in ran.stdout
    assert "before the cysts go in" in ran.stdout
    assert "no anti-caking additive. (common practice, no source)" in ran.stdout
    assert ran.stdout.splitlines()[-1].startswith("! Mains power beside salt water can kill")


def test_damp_salt_and_water_that_holds_some() -> None:
    first = run("--litres", "2", "--salinity", "25", "--from", "5", "--purity", ".95").stdout.splitlines()[0]
    assert first == "43 g of salt that is 95 % pure, made up with water of 5.0 g/kg to 2 L."


def test_too_salty_water_is_diluted() -> None:
    """10 L from 40 to 20 g/kg: 5.060 kg of 1.0270 kg/L stay; as much fresh water (.9970 kg/L) joins them."""
    said = result("--litres", "10", "--salinity", "20", "--from", "40")
    assert said["grams"] == 0.0
    assert said["dilution"]["remove_l"] == pytest.approx(5.073, abs=0.005)
    assert said["dilution"]["refill_l"] == pytest.approx(5.075, abs=0.005)
    assert said["dilution"]["add_l"] == pytest.approx(10.30, abs=0.01)
    ran = run("--litres", "10", "--salinity", "20", "--from", "40")
    assert "take out 5.07 L and pour in 5.07 L of fresh water; or pour 10.30 L" in ran.stdout
    assert "Dissolve" not in ran.stdout


@pytest.mark.parametrize(
    ("salinity", "warned"),
    [
        ("4", "outside the 5 to 35 g/L"),
        ("5", None),
        ("35", None),
        ("36", "outside the 5 to 35 g/L"),
        ("85", "outside the 5 to 35 g/L"),
        ("86", "expect no hatch"),
    ],
)
def test_salinities_that_do_not_suit(salinity: str, warned: str | None) -> None:
    texts = [
        line["text"]
        for line in result("--litres", "10", "--salinity", salinity)["advice"]
        if "hatch" in line["text"]
    ]
    assert [warned is not None and warned in text for text in texts] == ([True] if warned else [])


def test_strong_brine_is_approximate() -> None:
    strong = result("--litres", "10", "--salinity", "60")
    assert strong["approximate"] is True
    assert strong["target"]["ms_per_cm_25_c"] is None
    assert strong["oxygen_saturation_mg_per_l"] is None
    assert "figures are approximate" in run("--litres", "10", "--salinity", "60").stdout
    assert result("--litres", "10", "--salinity", "42psu")["approximate"] is False


def test_every_advice_names_its_source() -> None:
    for salinity in ("3", "25", "60", "90"):
        assert all(line["source"] for line in result("--litres", "10", "--salinity", salinity)["advice"])


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--litres", "10"], 2, "--salinity, --sg or --conductivity"),
        (["--litres", "10", "--salinity", "25", "--sg", "1.02"], 2, "--salinity, --sg or --conductivity"),
        (["--litres", "0", "--salinity", "25"], 2, "--litres"),
        (["--litres", "nan", "--salinity", "25"], 2, "--litres"),
        (["--litres", "10", "--salinity", "25 cups"], 2, "'25 cups' is not a salinity"),
        (["--litres", "10", "--salinity", "-25"], 2, "'-25' is not a salinity"),
        (["--litres", "10", "--salinity", "25", "--from", "some"], 2, "--from: 'some'"),
        (["--litres", "10", "--salinity", "25", "--purity", "95"], 2, "--purity: 95 is not a share"),
        (["--litres", "10", "--salinity", "25", "--purity", "nan"], 2, "--purity"),
        (["--salinity", "25"], 2, "--litres"),
        (["--litres", "10", "--salinity", "120"], 1, "0 to 100 PSU"),
        (["--litres", "10", "--salinity", "0", "--from", "10"], 1, "start with fresh water"),
        (["--litres", "10", "--sg", "1.5"], 1, "outside 1.0000 (fresh water)"),
        (["--litres", "10", "--sg", "nan"], 1, "specific gravity nan"),
        (["--litres", "10", "--conductivity", "2"], 1, "2 to 42 PSU"),
        (["--litres", "10", "--salinity", "25", "--temp", "60"], 1, "-2 to 40 C"),
    ],
)
def test_refusals(words: list[str], code: int, said: str) -> None:
    ran = run(*words)
    assert ran.exit_code == code
    assert said in ran.stderr
    assert ran.stdout == ""


def test_the_installed_command() -> None:
    ran = subprocess.run(
        [Path(sys.executable).parent / "hatchmon", "salt", "--litres", "10", "--salinity", "30"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.startswith("306 g of pure dry salt")

"""Broods, stock and plans on the command line, no daemon running."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from freezegun import freeze_time
from freezegun.api import FrozenDateTimeFactory

from hatchmon.adapters.store import Store
from hatchmon.app.ask import ask
from hatchmon.app.plan_record import issued_of, planned_starts
from hatchmon.app.service import make_clock
from hatchmon.app.settings import SettingsError, load_settings
from hatchmon.app.supply import ask_record
from hatchmon.hatchery.types import Refused
from tests.app.test_count import START, Keeper

CONES = """
[cones.north]
litres = 2
set_point_c = 26
heater_watts = 12
[cones.south]
litres = 1
set_point_c = 27
[supply]
hours = ["06:30-09:00", "17:00-22:30"]
[supply.energy]
price_per_kwh = 0.3
"""


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    """A keeper with two cones, a brood of 150 and 60 g in stock."""
    with freeze_time(START) as clock:
        assert isinstance(clock, FrozenDateTimeFactory)
        keeper = Keeper(tmp_path, clock)
        keeper.settle(CONES)
        keeper.done("brood", "reeds", "--fry", "150", "--swam", "2026-02-25", "--loss", "1")
        keeper.done("stock", "spring tin", "--grams", "60", "--opened", "2026-03-01", "--price-per-kg", "180")
        yield keeper


# --- broods and stock ------------------------------------------------------------------------


def test_a_brood_is_noted_changed_listed_and_forgotten(keeper: Keeper) -> None:
    said = keeper.done("brood", "moss", "--fry", "80", "--swam", "2026-03-08", "--mouth", "tiny")
    assert said == "Brood moss: 80 fry swim freely since 2026-03-08, ramp tiny."
    assert keeper.done("brood", "moss", "--fry", "75", "--until", "2026-04-20") == (
        "Brood moss: 75 fry swim freely since 2026-03-08, ramp tiny, nauplii until 2026-04-20."
    )
    assert keeper.done("brood", "moss", "--until", "none") == (
        "Brood moss: 75 fry swim freely since 2026-03-08, ramp tiny."
    )
    moss, reeds = keeper.data("brood")
    assert (moss["age_days"], moss["foods_today"], moss["first_nauplii"]) == (2, ["infusoria"], "2026-03-16")
    # 150 fry x .99^13, day 13: from 70 on day 7 to 150 on day 14 a straight line is 138.57 each.
    assert (reeds["left"], reeds["nauplii_today"]) == (132, 18240)
    assert keeper.done("brood", "moss", "--drop") == "Brood moss is forgotten."
    assert [each["brood"] for each in keeper.data("brood")] == ["reeds"]


def test_stock_is_what_was_weighed_less_what_was_begun_since(keeper: Keeper) -> None:
    keeper.wait(1)
    keeper.begin("spring tin", "--litres", "2")
    assert keeper.data("stock") == [
        {"lot": "spring tin", "grams": 58.0, "opened": "2026-03-01", "price_per_kg": 180.0}
    ]
    keeper.wait(1)
    keeper.done("stock", "spring tin", "--grams", "50", "--opened", "none")
    stock = keeper.data("stock")[0]
    assert (stock["grams"], stock["opened"]) == (50.0, None)


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["brood", "new"], 1, "say how many fry and since when they swim freely"),
        (["brood", "new", "--fry", "0", "--swam", "2026-03-01"], 1, "A brood has 1 to"),
        (["brood", "new", "--fry", "9", "--swam", "2020-01-01"], 1, "cannot have begun to swim freely"),
        (["brood", "new", "--fry", "9", "--swam", "March"], 2, "--swam: 'March' is not a day"),
        (["brood", "reeds", "--ramp", "steep"], 1, "There is no ramp 'steep'; there are large, small, tiny"),
        (["brood", "reeds", "--mouth", "wide"], 2, "write tiny, small or large"),
        (["brood", "reeds", "--until", "2026-02-01"], 1, "would end on 2026-02-01, before it began"),
        (["brood", "reeds", "--loss", "100"], 1, "Losses are a share of the fry left a day"),
        (["brood", "gone", "--drop"], 1, "There is no brood 'gone'"),
        (["stock", "new tin"], 1, "say how much is left"),
        (["stock", "new tin", "--grams", "-1"], 1, "give grams from 0 to"),
        (["stock", "spring tin", "--opened", "2026-05-01"], 1, "which is still to come"),
        (["stock", "spring tin", "--price-per-kg", "0"], 1, "cannot cost 0"),
        (["stock", "gone", "--drop"], 1, "Nothing is noted of lot 'gone'"),
        (["supply", "--shells"], 2, "--shells goes with --sheet"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(
    keeper: Keeper, words: list[str], code: int, says: str
) -> None:
    assert says in keeper.refused(*words, code=code)


# --- plans -----------------------------------------------------------------------------------


def test_a_plan_tells_what_to_begin_for_which_feedings(keeper: Keeper) -> None:
    plan = keeper.data("supply")
    fed = plan["feedings"]
    assert [each["at"][11:16] for each in fed[:3]] == ["07:30", "18:30", "07:30"]
    assert len(fed) == 14
    for start in plan["starts"]:
        assert start["at"][14:16] in ("00", "15", "30", "45")
        assert start["for"]
        assert start["grams"] <= 5.0 * start["litres"]
        assert start["salt_g"] == pytest.approx(25.4 * start["litres"], rel=0.02)  # 10 L at 25: 254 g
        assert start["cost"] == pytest.approx(start["grams"] * 0.18, abs=0.006)
        assert start["opens"]["p10"] < start["opens"]["p50"] < start["closes"]["p50"]
    late = [each for each in fed if each["at"] > "2026-03-12T12"]
    assert all(each["met"] and each["chance"] >= 0.89 for each in late)
    assert plan["grams"] == {"spring tin": pytest.approx(sum(each["grams"] for each in plan["starts"]))}
    # Watts x hours: 12 W at 26 C in a room of 20 C; a degree warmer 12 x 7/6 W.
    own, warmer = plan["energy"]["north"][2:4]
    assert own["kwh"] == pytest.approx(0.012 * own["ready_h"], abs=0.002)
    assert warmer["kwh"] == pytest.approx(0.014 * warmer["ready_h"], abs=0.002)
    assert warmer["ready_h"] < own["ready_h"]


def test_a_plan_is_issued_and_held_to(keeper: Keeper) -> None:
    first = keeper.data("supply")
    with Store(keeper.database, read_only=True) as store:
        issued = issued_of(store)
        assert issued is not None
        assert [each["at"] for each in planned_starts(store, issued.made)] == [
            each["at"] for each in first["starts"]
        ]
        after = datetime.fromisoformat(first["starts"][0]["at"]) + timedelta(minutes=1)
        assert len(planned_starts(store, after)) == len(first["starts"]) - 1
    keeper.wait(0.1)
    keeper.done("brood", "reeds", "--fry", "148")
    again = keeper.data("supply")
    tonight = [each for each in first["starts"] if each["at"] < "2026-03-11T06"]
    assert tonight
    assert [(e["at"], e["cone"], e["grams"]) for e in again["starts"][: len(tonight)]] == [
        (e["at"], e["cone"], e["grams"]) for e in tonight
    ]
    assert [each["kept"] for each in again["starts"][: len(tonight)]] == [True] * len(tonight)


@pytest.mark.parametrize(
    "plan",
    [
        {},
        {"version": 2, "starts": []},
        {"version": 1},
        {"version": 1, "starts": [{}]},
        {"version": 1, "starts": [{"cone": "north", "lot": "x", "at": "tonight", "grams": 1.0}]},
        {"version": 1, "starts": "none"},
        [],
    ],
)
def test_what_is_no_plan_is_not_issued(keeper: Keeper, plan: object) -> None:
    settings = load_settings(keeper.config, {})
    with pytest.raises(Refused):
        ask(settings, make_clock(settings), {"do": "plan", "plan": plan})
    with Store(keeper.database, read_only=True) as store:
        assert store.last_plan() is None


def test_a_plan_that_cannot_be_kept_is_shown_all_the_same(
    keeper: Keeper, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hatchmon.app.ask.ANSWER_WITHIN_S", 0.0)
    with Store(keeper.database) as busy:  # the record is held, and nobody answers
        ran = keeper.run("supply", "--days", "7", "--json")
        assert busy.last_plan() is None
    assert ran.exit_code == 0
    assert json.loads(ran.stdout)["starts"]
    assert ran.stderr.startswith(
        "This plan is shown, but was not kept for alerts, page and calendar: The request is noted, but "
        "hatchmon has not carried it out yet"
    )


def test_another_horizon_is_shown_and_not_issued(keeper: Keeper) -> None:
    assert len(keeper.data("supply", "--days", "2")["feedings"]) == 4
    with Store(keeper.database, read_only=True) as store:
        assert issued_of(store) is None


def test_what_runs_and_what_was_harvested_is_counted_on(keeper: Keeper) -> None:
    keeper.done("begin", "north", "--lot", "spring tin", "--grams", "4", "--litres", "2", "--set-point", "26")
    plan = keeper.data("supply")
    assert any("north, running" in each["on_hand"] for each in plan["feedings"])
    keeper.wait(25)
    keeper.done("reading", "north", "26")
    keeper.done("harvest", "north")
    plan = keeper.data("supply")
    assert "north, harvested" in plan["feedings"][0]["on_hand"]
    assert plan["feedings"][0]["chance"] > 0.95
    assert plan["hand"][0]["usable"][0] > 100_000


def test_a_heater_that_fails_changes_the_plan(keeper: Keeper) -> None:
    before = keeper.data("supply")
    keeper.done("begin", "north", "--lot", "spring tin", "--grams", "3", "--litres", "2", "--set-point", "26")
    keeper.wait(5)
    keeper.done("reading", "north", "20")
    plan = keeper.data("supply")
    assert plan["notes"][0].startswith(
        "north is planned with its water as it is, 20.0 °C (68.0 °F): its heater"
    )
    assert any(each["cone"] == "north" for each in before["starts"])

    def lead_h(each: dict[str, Any]) -> float:
        took = datetime.fromisoformat(each["opens"]["p50"]) - datetime.fromisoformat(each["at"])
        return took / timedelta(hours=1)

    assert max(lead_h(each) for each in before["starts"] if each["cone"] == "north") < 26.0
    assert all(lead_h(each) > 35.0 for each in plan["starts"] if each["cone"] == "north")


def test_a_failing_feeding_is_named_with_what_would_mend_it(keeper: Keeper) -> None:
    keeper.settle('[cones.north]\nlitres = 0.5\nset_point_c = 22\n[supply]\nhours = ["21:00-21:30"]')
    keeper.done("brood", "reeds", "--fry", "1500")
    shown = keeper.done("supply")
    assert "! The feeding of" in shown
    failing = keeper.data("supply")["failing"]
    assert failing["why"].startswith("The feeding of")
    assert failing["change"] is None or failing["chance"] >= 0.89


def test_a_lot_that_will_run_out_is_named(keeper: Keeper) -> None:
    keeper.done("stock", "spring tin", "--grams", "4")
    (found,) = keeper.data("supply")["running_out"]
    assert found["lot"] == "spring tin"
    used = sum(keeper.data("supply")["grams"].values())
    days = 4.0 / (used / 7.0)
    assert found["day"] == (START + timedelta(days=days)).date().isoformat()


def test_the_mixing_sheet_of_the_next_start(keeper: Keeper) -> None:
    first = keeper.data("supply")["starts"][0]
    sheet = keeper.done("supply", "--sheet")
    assert f"Cysts: {first['grams']:g} g of lot spring tin. Weigh them." in sheet
    assert "level teaspoons, which is rough: common practice, no source" in sheet
    assert "of pure dry salt" in sheet
    assert "up to" in sheet
    assert "of sodium bicarbonate" in sheet
    assert "about 2000 lux" in sheet
    assert "Mains power beside salt water can kill" in sheet
    assert "NaOCl" not in sheet
    shells = keeper.done("supply", "--sheet", "--shells")
    low, high = 0.17 * first["grams"], 0.60 * first["grams"]
    assert f"span {low:.2g} to {high:.2g} g of sodium hypochlorite" in shells
    for caution in (
        "no dose",
        "poisonous gas",
        "never water onto lye",
        "the reaction warms",
        "safety data sheet",
    ):
        assert caution in shells


def test_a_lot_that_gives_nothing_is_not_planned_with(keeper: Keeper) -> None:
    for _ in range(3):
        keeper.done(
            "begin", "north", "--lot", "spring tin", "--grams", "2", "--litres", "2", "--set-point", "26"
        )
        keeper.wait(30)
        keeper.done("reading", "north", "26")
        keeper.done("count", "north", "--sample-ml", "1", "--nauplii", "0,0,0")
        keeper.done("harvest", "north")
        keeper.wait(1)
    assert keeper.refused("supply").startswith("No lot to plan with: Lot spring tin is left out: as counted")
    keeper.done("stock", "autumn bag", "--grams", "30")
    plan = keeper.data("supply")
    assert {each["lot"] for each in plan["starts"]} == {"autumn bag"}
    assert "next to nothing" in plan["notes"][0]


@pytest.mark.parametrize(
    ("settings", "gone", "says"),
    [
        ("", [], "No cone to plan with. Give each its litres"),
        (
            "[cones.shelf]\nlitres = 1",
            [],
            "nothing is known of its water. Give it a set_point_c in [cones.shelf]",
        ),
        (CONES, ["brood", "reeds", "--drop"], "Nobody to feed: note a brood first"),
        (CONES, ["stock", "spring tin", "--drop"], "No cysts to plan with"),
        (CONES, ["stock", "spring tin", "--grams", "0"], "Every lot is used up"),
    ],
)
def test_nothing_to_plan_with_gets_a_sentence(
    keeper: Keeper, settings: str, gone: list[str], says: str
) -> None:
    keeper.settle(settings)
    if gone:
        keeper.done(*gone)
    assert says in keeper.refused("supply")


def _away(start: str, end: str) -> str:
    return f'[[supply.away]]\nfrom = "{start}"\nto = "{end}"\n'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            _away("2026-08-01 08:00", "2026-08-03 20:00") + _away("2026-08-03 08:00", "2026-08-05 20:00"),
            "supply.away[1].from overlaps away[0] (2026-08-01 08:00 to 2026-08-03 20:00); make one absence",
        ),
        (_away("2026-08-03 08:00", "2026-08-01 20:00"), "supply.away[0].to must be after from"),
        ('[supply]\nhours = ["7-9"]', 'supply.hours[0] must be a time of day in quotes such as "22:30", not'),
        ('[supply]\nhours = ["07:00"]', 'supply.hours[0] must be hours in quotes such as "07:00-09:30", not'),
        ('[[supply.feedings]]\nat = "07:30"\nshare = 0.4', "supply.feedings have shares that add up to 0.4"),
        (
            "[supply.ramps.a]\nnauplii = [[5, 10], [5, 20]]",
            "supply.ramps.a.nauplii must have its days rising",
        ),
        (
            "[supply.ramps.a]\nnauplii = [[5, 10]]\ndry_from_day = 5",
            "must be after the first day with nauplii (5)",
        ),
    ],
)
def test_wrong_settings_get_a_sentence(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "hatchmon.toml"
    file.write_text(text)
    with pytest.raises(SettingsError) as caught:
        load_settings(file, {})
    assert says in str(caught.value)


def test_a_start_in_the_past_is_never_planned_and_an_old_plan_does_no_harm(keeper: Keeper) -> None:
    keeper.data("supply")
    keeper.wait(90)
    plan = keeper.data("supply")
    now = START + timedelta(hours=90)
    assert all(datetime.fromisoformat(each["at"]) >= now for each in plan["starts"])
    assert not any(each["kept"] for each in plan["starts"])


def test_feedings_in_an_unfed_absence_are_left_out(keeper: Keeper) -> None:
    keeper.settle(
        CONES + '\n[[supply.away]]\nfrom = "2026-03-12 00:00"\nto = "2026-03-14 00:00"\nfed = false'
    )
    fed = [each["at"][:10] for each in keeper.data("supply")["feedings"]]
    assert "2026-03-12" not in fed
    assert "2026-03-13" not in fed
    assert "2026-03-14" in fed


def test_a_record_without_a_brood_is_refused_before_anything_is_loaded(keeper: Keeper) -> None:
    keeper.done("brood", "reeds", "--drop")
    with Store(keeper.database, read_only=True) as store, pytest.raises(Refused, match="Nobody to feed"):
        ask_record(load_settings(keeper.config, {}), store, START)


def test_a_plan_in_its_own_process_is_small(keeper: Keeper) -> None:
    """Six cones, four broods, a week: below 150 MB (the time is told by tests/bench)."""
    keeper.settle("".join(f"[cones.c{i}]\nlitres = 2\nset_point_c = {24 + i * 0.5}\n" for i in range(6)))
    for number in range(3):
        keeper.done("brood", f"b{number}", "--fry", "100", "--swam", f"2026-02-{20 + number}")
    program = (  # of its own memory only: getrusage() would count what it was forked from
        "import sys; from hatchmon.app.planning import main; code = main(sys.argv[1:]); "
        "print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM'))); "
        "sys.exit(code)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program, str(keeper.config)], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    assert 20_000 < int(ran.stdout) < 150_000  # KiB
    with Store(keeper.database, read_only=True) as store:
        issued = issued_of(store)
    assert issued is not None
    assert json.dumps(issued.facts)

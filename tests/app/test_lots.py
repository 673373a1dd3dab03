"""How long before the wanted time to start a batch of each lot, as ``hatchmon lots`` tells it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from freezegun import freeze_time
from freezegun.api import FrozenDateTimeFactory

from hatchmon.adapters.store import Store
from hatchmon.app.beliefs import all_evidence, belief_from, lot_levels
from hatchmon.hatchery.ahead import in_control
from hatchmon.hatchery.backplan import back_plan
from tests.app.test_count import START, Keeper

HEAD = "start,lot,grams,litres,temp_c,looks\n"


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    with freeze_time(START) as clock:
        assert isinstance(clock, FrozenDateTimeFactory)
        yield Keeper(tmp_path, clock)


def note(keeper: Keeper, folder: Path, lot: str, looks: str, days: range) -> None:
    """Batches of the notebook, all at 26 C and with the same looks."""
    lines = "".join(f'2026-02-{day:02} 08:00,{lot},2,1,26,"{looks}"\n' for day in days)
    path = folder / f"{lot}.csv"
    path.write_text(HEAD + lines)
    keeper.done("import", str(path), "--yes")


def start_before(keeper: Keeper) -> dict[str, dict[str, Any]]:
    return {each["lot"]: each["start_before"] for each in keeper.data("lots")}


def test_a_lot_without_a_hatch_is_given_the_priors_lead(keeper: Keeper) -> None:
    """Regression, computed from the model's prior, no outside value: 23.0 and 29.0 h at 26 C; 3 %."""
    keeper.begin("new tin")
    found = start_before(keeper)["new tin"]
    assert found["water_c"] == 26.0
    assert found["p50"]["h"] == pytest.approx(23.0, rel=0.03)
    assert found["p80"]["h"] == pytest.approx(29.0, rel=0.03)
    assert 0.0 < found["p50"]["window_closed"] < found["p80"]["window_closed"] < 1.0
    table = keeper.done("lots")
    for chance in ("p50", "p80"):
        told = found[chance]
        assert f"{told['h']:.1f} h ({told['window_closed'] * 100:.0f} %)" in table
    assert "start before, 50 %" in table
    assert "at 26.0 °C (78.8 °F)" in table


def test_what_was_hatched_counts(keeper: Keeper, tmp_path: Path) -> None:
    """A slow lot needs longer than a quick one, either with less to spare than an unknown lot; the numbers
    are those of a back-plan on the belief itself."""
    note(keeper, tmp_path, "quick", "some@14h; most@18h; complete@21h", range(1, 7))
    note(keeper, tmp_path, "slow", "some@22h; most@27h; complete@33h", range(10, 16))
    found = start_before(keeper)
    quick, slow = found["quick"], found["slow"]
    assert slow["p50"]["h"] > quick["p50"]["h"] + 6.0
    for known in (quick, slow):
        assert known["p80"]["h"] - known["p50"]["h"] < 3.0
    with Store(keeper.database, read_only=True) as store:
        evidence = all_evidence(store)
    assert set(lot_levels(evidence)) == {"quick", "slow"}
    for lot, told in found.items():
        for name, chance in (("p50", 0.5), ("p80", 0.8)):
            plan = back_plan(belief_from(evidence, lot), in_control(26.0), START, chance)
            assert told[name]["h"] == pytest.approx(plan.lead_h, abs=0.05)


def test_a_lots_name_is_shown_as_it_was_written(keeper: Keeper) -> None:
    """Square brackets and colons are marks to the library that prints tables."""
    for lot in ("[/]", "[red]x[/red]", ":fire:"):
        keeper.begin(lot)
        keeper.wait(1.0)
        keeper.done("count", "north", "--sample-ml", "1", "--nauplii", "3", "--unhatched", "3")
        for command in ("lots", "batches", "now"):
            assert lot in keeper.done(command)
        keeper.done("harvest", "north")
    assert "No batch of lot other in north." in keeper.done("batches", "--lot", "other", "--cone", "north")


def test_looks_that_contradict_each_other_are_pointed_out(keeper: Keeper) -> None:
    keeper.begin("tin", "--at", "20h ago")
    assert "contradicts" not in keeper.done("look", "north", "most", "--at", "6h ago")
    said = keeper.done("look", "north", "none", "--at", "1h ago")
    assert "It contradicts 'most' at" in said
    assert "hatchmon look north --undo --at TIME" in said
    assert "nothing unhatches" not in keeper.done("look", "north", "none", "--at", "18h ago")
    keeper.done("harvest", "north")
    keeper.begin("tin")
    keeper.wait(1.0)
    assert "Nothing can have hatched before 6 h" in keeper.done("look", "north", "most")

"""A slip of the hand and how it is mended: starts, harvests, what was seen; no daemon running."""

from __future__ import annotations

from pathlib import Path

import pytest

from hatchmon.adapters.store import Store
from tests.app.test_count import GOOD, Keeper, keeper
from tests.app.test_seen import tell, unseen

__all__ = ["keeper"]


def test_a_start_is_taken_back_with_all_that_came_of_it(keeper: Keeper) -> None:
    keeper.begin("spring tin")
    keeper.wait(0.5)
    said = keeper.done("begin", "north", "--undo")
    assert said == "north: took back the start of 06:00 (2 g of lot spring tin)."
    assert keeper.data("batches") == []
    assert keeper.data("lots") == []
    assert "There is no start to take back" not in said
    assert "Nothing is running in north: there is no start to take back." in keeper.refused(
        "begin", "north", "--undo"
    )


def test_the_next_batch_gets_a_number_of_its_own(keeper: Keeper) -> None:
    keeper.begin("wrong tin")
    keeper.done("begin", "north", "--undo")
    keeper.begin("spring tin")
    (batch,) = keeper.data("batches")
    assert (batch["batch"], batch["lot"]) == (2, "spring tin")


def test_a_start_with_notes_stays_until_they_are_taken_back(keeper: Keeper) -> None:
    keeper.begin()
    keeper.wait(14)
    keeper.done("look", "north", "few")
    assert "Something was noted of this batch at 20:00" in keeper.refused("begin", "north", "--undo")
    keeper.done("look", "north", "--undo")
    keeper.done("begin", "north", "--undo")


def test_the_same_look_within_a_minute_counts_once(keeper: Keeper) -> None:
    """A double tap on the phone, or a message that came twice."""
    keeper.begin()
    keeper.wait(20)
    keeper.done("look", "north", "most")
    keeper.wait(20 / 3600)
    assert keeper.done("look", "north", "most").startswith("north: 'most' at 02:00 is noted already.")
    keeper.done("look", "north", "most", "--at", "02:00")
    with Store(keeper.database, read_only=True) as store:
        assert [look.seen for look in store.looks(1)] == ["most"]
    # Another word, and another look minutes later, are meant.
    assert "noted 'complete'" in keeper.done("look", "north", "complete")
    keeper.wait(2 / 60)
    assert "noted 'complete'" in keeper.done("look", "north", "complete")
    with Store(keeper.database, read_only=True) as store:
        assert [look.seen for look in store.looks(1)] == ["most", "complete", "complete"]


def test_a_start_is_taken_back_alone(keeper: Keeper) -> None:
    keeper.begin()
    assert "without anything else" in keeper.refused("begin", "north", "--undo", "--lot", "x")
    assert len(keeper.data("batches")) == 1


def test_a_batch_runs_on_after_its_harvest_is_taken_back(keeper: Keeper) -> None:
    keeper.begin()
    keeper.wait(20)
    keeper.done("look", "north", "most")
    before = keeper.data("now")[0]
    keeper.done("harvest", "north", "--cold-c", "4")
    said = keeper.done("harvest", "north", "--undo")
    assert said.startswith("north: took back the harvest of 02:00; lot spring tin runs on. Perhaps ready ")
    assert keeper.data("now")[0] == before
    (batch,) = keeper.data("batches")
    assert (batch["ended"], batch["outcome"], batch["cold_c"]) == (None, None, None)
    with Store(keeper.database) as store:
        assert store.evidence(batch["batch"]) is None
    # And it can be harvested as if nothing had been.
    keeper.wait(4)
    keeper.done("harvest", "north")
    assert keeper.data("batches")[0]["ended"] == "2026-03-11T06:00:00+00:00"


def test_what_was_thrown_away_can_be_taken_back_too(keeper: Keeper) -> None:
    keeper.begin()
    keeper.wait(20)
    keeper.done("harvest", "north", "--discard")
    assert "took back the discarding of 02:00" in keeper.done("harvest", "north", "--undo")


def test_a_harvest_stays_once_the_cone_is_filled_again(keeper: Keeper) -> None:
    keeper.begin()
    keeper.wait(20)
    keeper.done("harvest", "north")
    keeper.begin("other tin")
    why = keeper.refused("harvest", "north", "--undo")
    assert "north has been filled again since, 02:00, with lot other tin." in why
    keeper.done("begin", "north", "--undo")
    keeper.done("harvest", "north", "--undo")


@pytest.mark.parametrize("more", [("--discard",), ("--used-up",), ("--cold-c", "4"), ("--at", "1h ago")])
def test_a_harvest_is_taken_back_alone(keeper: Keeper, more: tuple[str, ...]) -> None:
    keeper.begin()
    keeper.wait(20)
    keeper.done("harvest", "north")
    assert "without anything else" in keeper.refused("harvest", "north", "--undo", *more)


def test_an_old_harvest_is_no_slip_of_the_hand(keeper: Keeper) -> None:
    assert "Nothing has been harvested from north yet." in keeper.refused("harvest", "north", "--undo")
    keeper.begin()
    keeper.wait(20)
    keeper.done("harvest", "north")
    keeper.wait(24 * 8)
    assert "more than 7 days ago" in keeper.refused("harvest", "north", "--undo")


def test_a_batch_of_the_notebook_was_over_when_it_was_noted(keeper: Keeper, tmp_path: Path) -> None:
    notebook = tmp_path / "notebook.csv"
    notebook.write_text(
        "start,lot,grams,temp_c,looks,cone\n2026-03-08 06:00,spring tin,2,26,most@20h; complete@26h,north\n"
    )
    keeper.done("import", str(notebook), "--yes")
    assert "comes from a notebook" in keeper.refused("harvest", "north", "--undo")


def test_a_harvest_taken_back_teaches_nothing_until_the_next(keeper: Keeper) -> None:
    keeper.begin()
    keeper.wait(20)
    keeper.done("look", "north", "most")
    keeper.done("harvest", "north")
    keeper.done("count", "north", *GOOD, "--litres", "1")
    keeper.done("harvest", "north", "--undo")
    with Store(keeper.database) as store:
        assert store.evidence(1) is None
        assert len(store.counts(1)) == 1


def test_what_was_seen_waits_again(keeper: Keeper) -> None:
    assert "nothing was ever said to have been seen" in keeper.refused("seen", "--undo")
    tell(keeper, "north", "north: cold, 19.0 °C")
    keeper.done("seen", "north")
    keeper.wait(1)
    tell(keeper, "north", "north: ready to harvest")
    keeper.done("seen", "north")
    assert keeper.done("seen", "north", "--undo") == "north: waiting to be seen again: ready to harvest."
    assert unseen(keeper) == {"north: ready to harvest"}

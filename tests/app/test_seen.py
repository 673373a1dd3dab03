"""What the keeper was told, and says to have seen; no daemon running."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from freezegun import freeze_time
from freezegun.api import FrozenDateTimeFactory

from hatchmon.adapters.store import Store
from hatchmon.hatchery.types import Alert
from tests.app.test_count import START, Keeper


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    """A keeper with the cones "north" and "south"."""
    with freeze_time(START) as clock:
        assert isinstance(clock, FrozenDateTimeFactory)
        keeper = Keeper(tmp_path, clock)
        keeper.done("reading", "south", "26")
        yield keeper


def tell(keeper: Keeper, cone: str | None, title: str) -> None:
    with Store(keeper.database) as store:
        store.add_alert(Alert("cold", "batch 1", cone, "soon", title, "body", START), 0, START)


def unseen(keeper: Keeper) -> set[str]:
    return {row["title"] for row in keeper.data("export", "alerts") if row["seen"] is None}


def test_what_was_told_of_one_cone_is_seen(keeper: Keeper) -> None:
    tell(keeper, "north", "north: cold, 19.0 °C")
    tell(keeper, "south", "south: cold, 18.0 °C")
    tell(keeper, "north", "north: ready to harvest")
    assert keeper.done("seen", "north") == "north: seen: ready to harvest (and 1 before it)."
    assert unseen(keeper) == {"south: cold, 18.0 °C"}
    assert keeper.done("seen", "north") == "north: nothing was waiting to be seen."
    assert keeper.done("seen", "south") == "south: seen: cold, 18.0 °C."


def test_everything_is_seen_that_of_the_machine_too(keeper: Keeper) -> None:
    tell(keeper, "north", "north: cold, 19.0 °C")
    tell(keeper, None, "hatchmon is back after 3 h")
    said = keeper.data("seen")
    assert said["text"] == "seen: hatchmon is back after 3 h (and 1 before it)."
    assert unseen(keeper) == set()


def test_it_is_noted_when_and_by_whom(keeper: Keeper, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOGNAME", "ada")
    tell(keeper, "north", "north: cold, 19.0 °C")
    keeper.wait(2)
    keeper.done("seen", "north")
    (row,) = keeper.data("export", "alerts")
    assert (row["seen"], row["seen_by"]) == ("2026-03-10T08:00:00+00:00", "ada")


def test_a_cone_nobody_knows_is_refused(keeper: Keeper) -> None:
    assert "There is no cone called nroth. Known cones: north, south." in keeper.refused("seen", "nroth")
    assert json.loads(keeper.done("seen", "--json"))["cone"] is None

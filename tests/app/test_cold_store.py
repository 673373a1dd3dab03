"""Harvests that go into a cold store, on the command line; no daemon running."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from freezegun import freeze_time
from freezegun.api import FrozenDateTimeFactory

from tests.app.test_count import START, Keeper


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    """A keeper whose batch in "north" was begun 25 h ago, at 06:00."""
    with freeze_time(START) as clock:
        assert isinstance(clock, FrozenDateTimeFactory)
        keeper = Keeper(tmp_path, clock)
        keeper.begin()
        keeper.wait(25)
        yield keeper


def test_a_harvest_into_the_cold_store(keeper: Keeper) -> None:
    said = keeper.done("harvest", "north", "--cold-c", "4", "--at", "1h ago")
    assert said == (
        "north: lot spring tin harvested 06:00, after 24.0 h. "
        "In the cold store at 4.0 °C: use before Fri 06:00. Aerate it slightly, or they sink and suffocate; "
        "at most 8 million nauplii a litre. Keep it apart from food."
    )
    keeper.begin("autumn bag")  # the cone is free for the next
    shown = keeper.done("now")
    line = "lot spring tin in the cold store at 4.0 °C since 06:00: use before Fri 06:00; less than 1 % of"
    assert shown.index("lot autumn bag, 2 g, begun") < shown.index(line)
    (cone,) = keeper.data("now")
    assert cone["batch"]["lot"] == "autumn bag"
    assert cone["cold_store"] == [
        {
            "batch": 1,
            "lot": "spring tin",
            "temp_c": 4.0,
            "since": "2026-03-11T06:00:00+00:00",
            "use_before": "2026-03-13T06:00:00+00:00",
            "energy_gone": 0.002,
        }
    ]


def test_it_is_shown_until_half_a_day_past_its_limit(keeper: Keeper) -> None:
    keeper.done("harvest", "north", "--cold-c", "6C")
    keeper.wait(23)
    assert "use before 07:00; about 5 % of the energy gone." in keeper.done("now")
    keeper.wait(12)
    assert "to be used before 07:00; about 7 % of the energy gone; look whether" in keeper.done("now")
    keeper.wait(1)
    assert "cold store" not in keeper.done("now")
    (cone,) = keeper.data("now")
    assert cone["cold_store"] == []


def test_used_up(keeper: Keeper) -> None:
    keeper.done("harvest", "north", "--cold-c", "39F")
    keeper.begin("autumn bag")
    keeper.wait(25)
    keeper.done("harvest", "north", "--cold-c", "4")
    keeper.begin("winter bag")
    keeper.wait(1)
    said = keeper.data("harvest", "north", "--used-up")
    assert said["text"] == "north: lot spring tin, in the cold store since yesterday 07:00, used up 09:00."
    assert (said["lot"], said["batch"]) == ("spring tin", 1)
    (cone,) = keeper.data("now")
    assert cone["batch"]["lot"] == "winter bag"  # still running
    assert [stored["lot"] for stored in cone["cold_store"]] == ["autumn bag"]
    assert "lot autumn bag, in the cold store since 08:00, used up 08:30" in keeper.done(
        "harvest", "north", "--used-up", "--at", "08:30"
    )
    refused = keeper.refused("harvest", "north", "--used-up")
    assert refused == "No nauplii from north were in the cold store at 09:00."
    first, second, third = keeper.data("batches")
    assert first["cold_c"] == pytest.approx(3.889, abs=1e-3)
    assert datetime.fromisoformat(first["used_up"]).hour == 9
    assert second["cold_c"] == 4.0
    assert (third["outcome"], third["cold_c"], third["used_up"]) == (None, None, None)


@pytest.mark.parametrize(
    ("words", "code", "why"),
    [
        (["--cold-c", "4", "--discard"], 1, "What is thrown away goes into no cold store"),
        (["--cold-c", "0"], 1, "above 0.0 °C (32.0 °F) and below 10.0 °C (50.0 °F), not at 0 C"),
        (["--cold-c", "39"], 1, "not at 39 C (write 39F for Fahrenheit)"),
        (["--cold-c", "nan"], 1, "not at nan C"),
        (["--cold-c", "cold"], 2, "--cold-c: 'cold' is not a temperature; write 4, 4C or 39F."),
        (["--used-up"], 1, "No nauplii from north were in the cold store at 07:00."),
        (["--used-up", "--discard"], 1, "--used-up goes alone or with --at"),
        (["--used-up", "--cold-c", "4"], 1, "--used-up goes alone or with --at"),
    ],
)
def test_what_cannot_be_ends_no_batch(keeper: Keeper, words: list[str], code: int, why: str) -> None:
    assert why in keeper.refused("harvest", "north", *words, code=code)
    (batch,) = keeper.data("batches")
    assert (batch["outcome"], batch["cold_c"]) == (None, None)


def test_in_fahrenheit(keeper: Keeper) -> None:
    keeper.settle()
    keeper.config.write_text('unit = "F"\n' + keeper.config.read_text())
    said = keeper.done("harvest", "north", "--cold-c", "39F")
    assert "In the cold store at 39.0 °F: use before Fri 07:00." in said
    assert "in the cold store at 39.0 °F since 07:00" in keeper.done("now")


def test_it_is_exported(keeper: Keeper) -> None:
    keeper.done("harvest", "north", "--cold-c", "4")
    keeper.wait(2)
    keeper.done("harvest", "north", "--used-up")
    header, row = (line.split(",") for line in keeper.done("export", "batches").splitlines())
    found = dict(zip(header, row, strict=True))
    assert found["cold_c"] == "4.0"
    assert found["used_up"] == "2026-03-11T09:00:00+00:00"


# --- the window -------------------------------------------------------------------------------


def test_after_the_window_the_longer_limit_is_told(keeper: Keeper) -> None:
    for back_h in range(0, 25, 3):
        keeper.done("reading", "north", "26", "--at", f"{back_h}h ago")
    keeper.done("look", "north", "complete")
    keeper.wait(3)
    keeper.done("reading", "north", "26")
    keeper.wait(3)
    keeper.done("reading", "north", "26")
    (cone,) = keeper.data("now")
    window, half = cone["forecast"]["window"], cone["forecast"]["t50"]["p50"]["at"]
    until = datetime.fromisoformat(window["usable_until"])
    hours = (until - datetime.fromisoformat(half)).total_seconds() / 3600
    assert hours == pytest.approx(36.0 / 2.0**0.1, abs=0.05)  # at 26 C, Q10 2
    assert until > datetime.fromisoformat(window["closes"]["p50"]["at"])
    assert f"they serve as food until tomorrow about {until:%H:%M}." in cone["say"]
    assert cone["say"] in keeper.done("now")
    for _ in range(12):
        keeper.wait(3)
        keeper.done("reading", "north", "26")
    assert "they served as food until" in keeper.done("now")


def test_for_the_smallest_mouths_the_moult_alone_closes_the_window(keeper: Keeper) -> None:
    """In cool water, where the yolk would close it first."""
    for _ in range(6):
        keeper.done("reading", "north", "19")
        keeper.wait(1)

    def closes() -> datetime:
        (cone,) = keeper.data("now")
        return datetime.fromisoformat(cone["forecast"]["window"]["closes"]["p50"]["at"])

    usual = closes()
    keeper.settle("[window]\nsmallest_mouths = true")
    assert (closes() - usual).total_seconds() > 3600

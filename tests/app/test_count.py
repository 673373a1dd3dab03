"""Counting as a keeper does it: the command line on a folder of its own, no daemon running."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from freezegun import freeze_time
from freezegun.api import FrozenDateTimeFactory
from typer.testing import CliRunner, Result

from hatchmon.adapters.store import Store
from hatchmon.app.cli import app
from hatchmon.hatchery.batches import MOST_IN_SAMPLE, MOST_SAMPLES

START = datetime(2026, 3, 10, 6, 0, tzinfo=UTC)
GOOD = ("--sample-ml", ".25", "--nauplii", "88,95,81")
FULL = (*GOOD, "--umbrella", "2,1,0", "--unhatched", "30,33,41")


class Keeper:
    """One keeper with a clock of their own, at START at first."""

    def __init__(self, folder: Path, clock: FrozenDateTimeFactory) -> None:
        self.config = folder / "hatchmon.toml"
        self.database = folder / "hatchmon.db"
        self._clock = clock
        self.settle()
        self.done("reading", "north", "26")

    def settle(self, more: str = "") -> None:
        """Write the settings."""
        self.config.write_text(f'time_zone = "UTC"\n[store]\npath = "{self.database}"\n{more}\n')

    def wait(self, hours: float) -> None:
        self._clock.tick(timedelta(hours=hours))

    def run(self, *words: str) -> Result:
        return CliRunner().invoke(app, [*words, "--config", str(self.config)])

    def done(self, *words: str) -> str:
        ran = self.run(*words)
        assert ran.exit_code == 0, f"{words}: {ran.output}"
        return ran.stdout.strip()

    def data(self, *words: str) -> Any:
        return json.loads(self.done(*words, "--json"))

    def refused(self, *words: str, code: int = 1) -> str:
        ran = self.run(*words)
        assert ran.exit_code == code, f"{words}: {ran.exit_code} {ran.output}"
        assert ran.stdout == ""
        return ran.stderr.strip()

    def begin(self, lot: str = "spring tin", *more: str) -> None:
        self.done("begin", "north", "--lot", lot, "--grams", "2", *more)


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    with freeze_time(START) as clock:
        assert isinstance(clock, FrozenDateTimeFactory)
        yield Keeper(tmp_path, clock)


# --- counting ----------------------------------------------------------------------------------


def test_a_count_answers_with_percentage_and_efficiency(keeper: Keeper) -> None:
    keeper.begin("spring tin", "--litres", "1")
    keeper.wait(25)
    said = keeper.done("count", "north", *FULL)
    assert said.startswith(
        "north: counted at 07:00, 25.0 h after the start of lot spring tin. "
        "About 71 % of full cysts hatched, between 67 and 75 %. "
        "About 176,000 nauplii per gram of cysts, between 155,000 and 200,000: "
        "350 mg dry, between 277 and 443."
    )


def test_the_same_as_data(keeper: Keeper) -> None:
    keeper.begin("spring tin", "--litres", "1")
    keeper.wait(25)
    said = keeper.data("count", "north", *FULL)
    assert (said["cone"], said["lot"], said["batch"]) == ("north", "spring tin", 1)
    share, per_gram, output = (said[k] for k in ("hatched_share", "nauplii_per_gram", "output_mg_per_g"))
    assert share["value"] == pytest.approx(264 / 371, abs=1e-4)
    assert per_gram["value"] == 176_000
    assert output["value"] == pytest.approx(176_000 * 1.99 / 1000, abs=0.1)
    for interval in (share, per_gram, output):
        assert interval["low"] < interval["value"] < interval["high"]


def test_what_is_missing_is_asked_for(keeper: Keeper) -> None:
    keeper.begin()
    keeper.wait(25)
    said = keeper.data("count", "north", *GOOD)
    assert said["hatched_share"] is said["nauplii_per_gram"] is said["output_mg_per_g"] is None
    assert "count unhatched full cysts too: --unhatched" in said["text"]
    assert "the samples were drawn from: --litres" in said["text"]
    keeper.wait(1)
    assert keeper.data("count", "north", *FULL, "--litres", "1")["nauplii_per_gram"]["value"] == 176_000


def test_more_than_a_gram_can_hold_is_remarked(keeper: Keeper) -> None:
    keeper.begin("spring tin", "--litres", "10")
    keeper.wait(25)
    assert "check grams, litres and --sample-ml" in keeper.done("count", "north", *FULL)


def test_blanks_between_numbers_do_no_harm(keeper: Keeper) -> None:
    keeper.begin("spring tin", "--litres", "1")
    keeper.wait(25)
    said = keeper.data("count", "north", "--sample-ml", "0.25", "--nauplii", "88, 95 81")
    assert said["nauplii_per_gram"]["value"] == 176_000


def test_an_earlier_time_can_be_given(keeper: Keeper) -> None:
    keeper.begin("spring tin", "--litres", "1")
    keeper.wait(25)
    assert "counted at 05:00, 23.0 h after" in keeper.done("count", "north", *FULL, "--at", "2h ago")


# --- whose nauplii -----------------------------------------------------------------------------


@pytest.mark.parametrize("restarted", [False, True])
def test_harvested_nauplii_count_for_their_batch(keeper: Keeper, restarted: bool) -> None:
    keeper.begin("spring tin", "--litres", "1")
    keeper.wait(25)
    keeper.done("harvest", "north")
    keeper.wait(0.1)
    if restarted:
        keeper.begin("autumn bag", "--litres", "1")
    keeper.wait(1)
    said = keeper.data("count", "north", *FULL)
    assert (said["batch"], said["lot"]) == (1, "spring tin")
    assert said["text"].startswith("north: counted at 08:06 for lot spring tin, harvested 07:00.")
    assert "Ready" not in said["text"]  # of the batch that runs nothing has changed
    # The nauplii now stand in other water than the cone's.
    assert said["nauplii_per_gram"] is None
    assert said["hatched_share"]["value"] == pytest.approx(264 / 371, abs=1e-4)
    keeper.wait(0.1)
    assert keeper.data("count", "north", *GOOD, "--litres", ".5")["nauplii_per_gram"]["value"] == 88_000


def test_six_hours_on_they_count_for_the_batch_in_the_cone(keeper: Keeper) -> None:
    keeper.begin()
    keeper.wait(25)
    keeper.done("harvest", "north")
    keeper.begin("autumn bag", "--litres", "1")
    keeper.wait(5.9)
    assert keeper.data("count", "north", *FULL)["lot"] == "spring tin"
    keeper.wait(0.2)
    assert keeper.data("count", "north", *FULL)["lot"] == "autumn bag"


def test_cysts_without_nauplii_count_for_the_batch_in_the_cone(keeper: Keeper) -> None:
    keeper.begin()
    keeper.wait(25)
    keeper.done("harvest", "north")
    keeper.begin("autumn bag", "--litres", "1")
    keeper.wait(1)
    only_cysts = ("--sample-ml", "1", "--nauplii", "0", "--unhatched", "240")
    assert keeper.data("count", "north", *only_cysts)["lot"] == "autumn bag"


def test_a_young_batch_after_none_counts_for_itself(keeper: Keeper) -> None:
    keeper.begin("spring tin", "--litres", "1")
    keeper.wait(2)
    assert keeper.data("count", "north", *FULL)["lot"] == "spring tin"


def test_samples_taken_before_the_harvest_come_from_the_cone(keeper: Keeper) -> None:
    keeper.begin("spring tin", "--litres", "1")
    keeper.wait(25)
    keeper.done("harvest", "north")
    keeper.wait(3)
    said = keeper.data("count", "north", *FULL, "--at", "4h ago")
    assert said["nauplii_per_gram"]["value"] == 176_000


def test_a_day_later_is_too_late(keeper: Keeper) -> None:
    keeper.begin()
    keeper.wait(25)
    keeper.done("harvest", "north")
    keeper.wait(24)
    keeper.done("count", "north", *FULL)
    keeper.wait(0.1)
    said = keeper.refused("count", "north", *FULL)
    assert said.startswith("north was harvested yesterday 07:00, more than 24 h before 07:06")
    assert "say when: --at TIME" in said


def test_thrown_away_is_gone(keeper: Keeper) -> None:
    keeper.begin()
    keeper.wait(25)
    keeper.done("harvest", "north", "--discard")
    keeper.wait(1)
    assert "its last batch was discarded 07:00" in keeper.refused("count", "north", *FULL)
    keeper.done("count", "north", *FULL, "--at", "2h ago")


# --- refusals ----------------------------------------------------------------------------------

Words = tuple[str, ...]


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ((), 1, "--sample-ml 1 --nauplii 120,133,118"),
        (("--sample-ml", "1"), 1, "--nauplii 120,133,118"),
        (("--nauplii", "5"), 1, "--sample-ml 1"),
        (("--sample-ml", "0", "--nauplii", "5"), 1, "volume of a sample must lie between 0.001 and 1000 ml"),
        (("--sample-ml", "-1", "--nauplii", "5"), 1, "not -1"),
        (("--sample-ml", "nan", "--nauplii", "5"), 1, "not nan"),
        (("--sample-ml", "inf", "--nauplii", "5"), 1, "not inf"),
        (("--sample-ml", "600", "--nauplii", "5,6"), 1, "2 x 600 ml is more than the 1 L"),
        ((*GOOD, "--litres", "0"), 1, "The volume must lie between 0.01 and 5000 L"),
        ((*GOOD, "--litres", "nan"), 1, "not nan"),
        (("--sample-ml", "1", "--nauplii", "5,six"), 2, "--nauplii: '5,six' is not a list of whole numbers"),
        (("--sample-ml", "1", "--nauplii", "5.5"), 2, "write 120,133,118"),
        ((*GOOD, "--unhatched", "1,2,x"), 2, "--unhatched: '1,2,x'"),
        (("--sample-ml", "1", "--nauplii", "5,-6"), 1, "nauplii: -6 cannot be"),
        ((*GOOD, "--umbrella", "1,-2,3"), 1, "umbrella: -2 cannot be"),
        (("--sample-ml", "1", "--nauplii", str(MOST_IN_SAMPLE + 1)), 1, "holds 0 to 100,000"),
        (("--sample-ml", "1", "--nauplii", "9" * 400), 1, "nauplii"),
        ((*GOOD, "--unhatched", "1,2"), 1, "nauplii of 3 samples, but unhatched of 2"),
        ((*GOOD, "--umbrella", "1,2,3,4"), 1, "nauplii of 3 samples, but umbrella of 4"),
        (("--sample-ml", "1", "--nauplii", "0", "--unhatched", "0"), 1, "Nothing was in these samples"),
        (
            ("--sample-ml", ".01", "--nauplii", ",".join(["5"] * (MOST_SAMPLES + 1))),
            1,
            f"1 to {MOST_SAMPLES} samples, not of {MOST_SAMPLES + 1}",
        ),
        ((*GOOD, "--at", "2026-03-12T09:00"), 1, "A count cannot lie in the future"),
        ((*GOOD, "--at", "2026-03-10T05:00"), 1, "was begun only"),
        ((*GOOD, "--at", "soon"), 2, "'soon' is not a time"),
    ],
)
def test_refusals(keeper: Keeper, words: Words, code: int, said: str) -> None:
    keeper.begin("spring tin", "--litres", "1")
    keeper.wait(25)
    assert said in keeper.refused("count", "north", *words, code=code)
    with Store(keeper.database, read_only=True) as store:
        assert store.counts(1) == []


def test_no_cone_and_no_batch(keeper: Keeper) -> None:
    assert "There is no cone called south" in keeper.refused("count", "south", *FULL)
    assert "Nothing has been begun in north yet" in keeper.refused("count", "north", *FULL)


# --- taking back -------------------------------------------------------------------------------


def test_a_count_can_be_taken_back(keeper: Keeper) -> None:
    keeper.begin("spring tin", "--litres", "1")
    keeper.wait(25)
    keeper.done("count", "north", *FULL, "--at", "1h ago")
    keeper.done("count", "north", *GOOD)
    assert "is noted for 07:00 already" in keeper.refused("count", "north", *GOOD)
    assert "there are: 06:00, 07:00" in keeper.refused("count", "north", "--undo", "--at", "04:00")
    assert keeper.done("count", "north", "--undo", "--at", "06:00").startswith(
        "north: took back the count of 06:00 (88, 95, 81 nauplii)."
    )
    keeper.done("harvest", "north")
    keeper.wait(1)
    assert "took back the count of 07:00" in keeper.done("count", "north", "--undo")
    assert "No count has been noted for north" in keeper.refused("count", "north", "--undo")


# --- lots --------------------------------------------------------------------------------------


def hatch(keeper: Keeper, hatched: int, lot: str = "spring tin") -> None:
    """A batch of 25 h with three samples of 150 full cysts counted before its harvest."""
    keeper.begin(lot, "--litres", "1")
    keeper.wait(25)
    columns = (",".join([str(n)] * 3) for n in (hatched, 150 - hatched))
    words = zip(("--nauplii", "--unhatched"), columns, strict=True)
    keeper.done("count", "north", "--sample-ml", ".3", *(word for pair in words for word in pair))
    keeper.done("harvest", "north")
    keeper.wait(1)


def lot(keeper: Keeper, name: str = "spring tin") -> dict[str, Any]:
    return next(each for each in keeper.data("lots") if each["lot"] == name)


def test_lots_pool_their_counts(keeper: Keeper) -> None:
    hatch(keeper, 105)
    one = lot(keeper)
    assert (one["counted"], one["batches"], one["falling_off"]) == (1, 1, None)
    hatch(keeper, 108)
    hatch(keeper, 102)
    three = lot(keeper)
    assert three["counted"] == 3
    for name, level in (("hatched_share", 0.7), ("nauplii_per_gram", 175_000), ("output_mg_per_g", 348.3)):
        assert three[name]["value"] == pytest.approx(level, rel=0.03)
        assert three[name]["low"] < level < three[name]["high"]
        assert three[name]["high"] - three[name]["low"] < one[name]["high"] - one[name]["low"]
    assert three["cost_per_million"] is None
    table = keeper.done("lots")
    assert "counted batches" in table
    assert "70 %" in table


def test_lots_without_counts(keeper: Keeper) -> None:
    keeper.begin()
    found = lot(keeper)
    assert found["counted"] == 0
    assert found["hatched_share"] is found["nauplii_per_gram"] is found["falling_off"] is None
    assert "counted batches" not in keeper.done("lots")


def test_a_count_long_before_the_end_is_not_pooled(keeper: Keeper) -> None:
    keeper.begin("spring tin", "--litres", "1")
    keeper.wait(14)
    keeper.done("count", "north", "--sample-ml", ".3", "--nauplii", "20", "--unhatched", "130")
    assert lot(keeper)["counted"] == 0
    keeper.wait(10)
    keeper.done("harvest", "north")
    assert lot(keeper)["counted"] == 0


def test_of_several_counts_the_last_that_tells_serves(keeper: Keeper) -> None:
    keeper.begin("spring tin", "--litres", "1")
    keeper.wait(24)
    keeper.done("count", "north", "--sample-ml", ".3", "--nauplii", "20", "--unhatched", "130")
    keeper.wait(1)
    keeper.done("count", "north", "--sample-ml", ".3", "--nauplii", "120", "--unhatched", "30")
    keeper.done("harvest", "north")
    keeper.wait(1)
    keeper.done("count", "north", "--sample-ml", ".1", "--nauplii", "60", "--litres", "1")
    found = lot(keeper)
    assert found["counted"] == 1
    assert found["hatched_share"]["low"] > 0.6  # 120 of 150, not 20
    assert found["nauplii_per_gram"]["value"] == pytest.approx(300_000, rel=0.15)  # the last, not 200,000


def test_a_price_gives_the_cost_of_a_million(keeper: Keeper) -> None:
    hatch(keeper, 105)
    hatch(keeper, 60, "autumn bag")
    keeper.settle('[lots."spring tin"]\nprice_per_kg = 140')
    found = lot(keeper)
    cost, per_gram = found["cost_per_million"], found["nauplii_per_gram"]
    for end, other in (("value", "value"), ("low", "high"), ("high", "low")):
        assert cost[end] == pytest.approx(140 * 1000 / per_gram[other], abs=1e-3)
    assert lot(keeper, "autumn bag")["cost_per_million"] is None
    table = keeper.done("lots")
    assert f"{cost['value']:.2f} ({cost['low']:.2f} to {cost['high']:.2f})" in table


def test_a_lot_that_falls_off_is_named(keeper: Keeper) -> None:
    for hatched in (105, 108, 102, 106, 104):
        hatch(keeper, hatched)
    assert lot(keeper)["falling_off"] is None
    assert "falling off" not in keeper.done("lots")
    for hatched in (60, 63, 58):
        hatch(keeper, hatched)
    fall = lot(keeper)["falling_off"]
    assert (fall["measure"], fall["batches"]) == ("hatched_share", 3)
    assert fall["since"] == (START + timedelta(hours=5 * 26)).isoformat()
    assert fall["drop"]["low"] < 1 - 60.3 / 105 < fall["drop"]["high"]
    assert "! spring tin is falling off: its last 3 counted batches gave" in keeper.done("lots")


def test_counts_are_exported(keeper: Keeper) -> None:
    hatch(keeper, 105)
    lines = keeper.done("export", "counts").splitlines()
    assert lines[0] == "time,cone,batch_id,lot,sample,sample_ml,litres,nauplii,umbrella,unhatched"
    assert lines[1:] == [
        f"2026-03-11T07:00:00+00:00,north,1,spring tin,{n},0.3,1.0,105,,45" for n in (1, 2, 3)
    ]

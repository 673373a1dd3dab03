"""Salt, light and lots that fall off, from the readings and the counts: the engine on a clock of our own."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from tests.system.test_clock_jumps import HOUR, MINUTE, Bench

RARELY_RIGHT = {"silent", "doubt"}  # not what is looked at here


class Cone(Bench):
    """A bench whose cone "left" has more probes: ``more_probes`` is what they say by topic."""

    def __init__(self, folder: Path, more: str = "") -> None:
        self.more_probes: dict[str, float] = {}
        super().__init__(folder, more=more)
        self.run(5 * MINUTE)
        self.begin(litres=2.0)

    def run(self, span: timedelta, step: timedelta = 5 * MINUTE) -> None:
        for _ in range(span // step):
            for topic, value in self.more_probes.items():
                self.message(f"hatchery/left/{topic}", str(value).encode())
            super().run(step, step)

    def told(self) -> list[str]:
        return [kind for kind in self.alerts() if kind not in RARELY_RIGHT]


@pytest.fixture
def cone(tmp_path: Path) -> Iterator[Cone]:
    cone = Cone(tmp_path)
    yield cone
    cone.store.close()


@pytest.mark.parametrize(
    ("probe", "good", "bad", "title"),
    [
        ("salinity", 34.0, 42.0, "left: salinity 42 g/L"),
        ("salinity", 16.0, 14.0, "left: salinity 14 g/L"),
        ("conductivity", 45.0, 60.0, "left: salinity 41 g/L"),
        ("conductivity", 45.0, 70.0, "left: salinity over 43 g/L"),
        ("conductivity", 45.0, 0.2, "left: salinity under 2 g/L"),
        ("specific_gravity", 1.02, 1.04, "left: salinity 55 g/L"),
        ("specific_gravity", 1.02, 1.2, "left: salinity over 108 g/L"),
        ("specific_gravity", 1.02, 0.999, "left: salinity under 0 g/L"),
    ],
)
def test_salt_from_each_kind_of_probe(cone: Cone, probe: str, good: float, bad: float, title: str) -> None:
    cone.more_probes[probe] = good
    cone.run(HOUR)
    assert cone.told() == []
    cone.more_probes[probe] = bad
    cone.run(HOUR)
    assert cone.told() == ["salt"]
    assert cone.store.rows("SELECT title FROM alerts WHERE kind = 'salt'")[0]["title"] == title


def test_one_salinity_is_believed_for_an_hour(cone: Cone) -> None:
    cone.message("hatchery/left/salinity", b"42")
    cone.run(15 * MINUTE)
    assert cone.told() == []
    cone.run(3 * HOUR)
    assert cone.told() == ["salt"]  # it stood for its hour


def test_the_keepers_own_band(tmp_path: Path) -> None:
    cone = Cone(tmp_path, '[lots."tin 7"]\nsalt_low = 5\nsalt_high = 12')
    cone.more_probes["salinity"] = 6.0
    cone.run(HOUR)
    assert cone.told() == []
    cone.more_probes["salinity"] = 20.0
    cone.run(HOUR)
    assert cone.told() == ["salt"]
    cone.store.close()


def test_the_dark_in_the_first_hours(cone: Cone) -> None:
    cone.more_probes["light"] = 80.0
    cone.run(HOUR)
    assert cone.told() == ["dark"]


def test_the_dark_of_the_next_night_is_no_matter(cone: Cone) -> None:
    cone.more_probes["light"] = 2000.0
    cone.run(6 * HOUR, 10 * MINUTE)
    cone.more_probes["light"] = 0.0
    cone.run(2 * HOUR)
    assert cone.told() == []


def test_a_cone_without_such_probes_hears_nothing_of_them(cone: Cone) -> None:
    cone.run(2 * HOUR)
    assert cone.told() == []


def ask(cone: Cone, do: str, **body: object) -> None:
    number = cone.store.ask({"do": do, "cone": "left", **body}, "keeper", cone.clock.now())
    cone.engine.carry_out_requests()
    answered = cone.store.answer_to(number)
    assert answered is not None
    assert answered[0], answered[1]


def test_a_lot_that_falls_off_is_told_after_the_count_that_shows_it(cone: Cone) -> None:
    hatched = [85, 86, 84, 85, 86, 60, 58]
    after: list[int] = []
    for number, of_hundred in enumerate(hatched):
        if number:
            ask(cone, "begin", lot="tin 7", grams=4.0, litres=2.0)
        cone.run(24 * HOUR, 4 * HOUR)
        ask(
            cone, "count", sample_ml=1.0, nauplii=[2 * of_hundred] * 3,
            unhatched=[2 * (100 - of_hundred)] * 3,
        )  # fmt: skip
        ask(cone, "harvest")
        cone.run(HOUR, 20 * MINUTE)
        after.append(cone.told().count("slow-lot"))
    assert after == [0, 0, 0, 0, 0, 0, 1]
    cone.power_cut()
    cone.boot()
    cone.run(HOUR, 20 * MINUTE)
    assert cone.told().count("slow-lot") == 1
    (row,) = cone.store.rows("SELECT * FROM alerts WHERE kind = 'slow-lot'")
    assert row["title"] == "Lot tin 7 is falling off"
    assert "its last 2 counted batches gave" in row["body"]

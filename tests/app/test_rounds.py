"""Very many batches: readings are stored promptly while a round of forecasts goes on."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from hatchmon.adapters.mqtt import LinkUp
from hatchmon.adapters.store import Store
from hatchmon.app.engine import AT_ONCE, Engine, RequestLeft
from hatchmon.app.settings import load_settings
from hatchmon.app.snapshot import Showcase
from tests.bench.ground import hatching
from tests.engines import START, Around, Hand, Probes

CONES = [f"cone-{number}" for number in range(1, 3 * AT_ONCE + 6)]


class Hatchery:
    """An engine with a batch in every one of CONES."""

    def __init__(self, folder: Path) -> None:
        config, database = folder / "hatchmon.toml", folder / "hatchmon.db"
        config.write_text(
            f'time_zone = "UTC"\n[store]\npath = "{database}"\n[broker]\nreceive_maximum = 20\n'
            "[alerts]\ncold_c = 25.8\nwater_min = 2\n"
        )
        self.store = Store(database)
        hatching(self.store, CONES, START, hours=1.0)
        self.clock, self.around, self.showcase = Hand(), Around(), Showcase()
        self.engine = Engine(load_settings(config), self.store, self.clock, self.around, self.showcase)
        self.probes = Probes(self.engine, self.clock)

    def forecast(self) -> int:
        """How many cones have been forecast."""
        return sum(1 for cone in self.engine.cones.values() if cone.forecast is not None)

    def stored(self) -> int:
        return self.count("forecasts")

    def count(self, table: str, where: str = "1") -> int:
        """How many rows the record has, as every reader sees it."""
        with Store(self.store.path, read_only=True) as store:
            return len(store.rows(f"SELECT 1 FROM {table} WHERE {where}"))

    def states(self) -> int:
        """How many cones' states have been published with a forecast."""
        bodies = (body for topic, body in self.around.published.items() if topic.endswith("/state"))
        return sum(1 for body in bodies if b'"t90": {' in body)

    def turn_on(self) -> None:
        """Turn until there is nothing to be done at once."""
        self.engine.turn()
        while self.engine.due_in_s() == 0.0:
            self.engine.turn()


@pytest.fixture
def hatchery(tmp_path: Path) -> Iterator[Hatchery]:
    made = Hatchery(tmp_path)
    with made.store:
        yield made


def test_what_comes_during_a_round_is_stored_before_its_end(hatchery: Hatchery) -> None:
    engine = hatchery.engine
    engine.take(LinkUp(1, False, "5"))
    engine.turn()
    assert hatchery.forecast() == AT_ONCE
    assert engine.due_in_s() == 0.0
    for cone in CONES[:15]:
        hatchery.probes.send(cone, 26.2)
    engine.turn()
    assert hatchery.forecast() == 2 * AT_ONCE
    assert hatchery.around.acknowledged == 15
    assert hatchery.count("readings", "raw = 26.2") == 15
    assert hatchery.states() == 0  # nobody hears of a forecast before all is decided and stored
    while hatchery.forecast() < len(CONES):
        assert engine.due_in_s() == 0.0
        engine.turn()
    assert hatchery.stored() == len(CONES)
    hatchery.turn_on()
    assert hatchery.states() == len(CONES)
    assert hatchery.showcase.latest is not None
    assert all(cone.forecast is not None for cone in hatchery.showcase.latest.cones)


def test_alerts_of_every_cone_come_with_the_end_of_a_round(hatchery: Hatchery) -> None:
    engine, clock = hatchery.engine, hatchery.clock
    engine.take(LinkUp(1, False, "5"))
    for minute in range(4):
        clock.run_s = 60.0 * minute
        for cone in CONES:
            hatchery.probes.send(cone, 25.5 if cone in (CONES[0], CONES[-1]) else 26.0)
        hatchery.turn_on()
    raised = hatchery.store.rows("SELECT cone, title, raised_us FROM alerts WHERE kind = 'cold'")
    assert {row["cone"] for row in raised} == {CONES[0], CONES[-1]}
    assert len({row["raised_us"] for row in raised}) == 1


def test_a_request_is_answered_with_its_own_cone_first(hatchery: Hatchery) -> None:
    engine, clock, last = hatchery.engine, hatchery.clock, CONES[-1]
    engine.take(LinkUp(1, False, "5"))
    engine.turn()
    begun = engine.cones[last].forecast
    assert begun is None
    hatchery.store.ask({"do": "look", "cone": last, "seen": "few"}, "keeper", clock.now())
    engine.take(RequestLeft())
    clock.run_s = 1.0
    engine.turn()
    told = engine.cones[last].forecast
    assert told is not None
    assert hatchery.forecast() < len(CONES)
    assert len(hatchery.store.rows("SELECT 1 FROM looks")) == 1
    assert b'"t90": {' in hatchery.around.published[f"hatchmon/{engine.settings.site}/{last}/state"]
    latest = hatchery.showcase.latest
    assert latest is not None
    assert next(cone for cone in latest.cones if cone.name == last).forecast == told
    hatchery.turn_on()
    assert hatchery.states() == len(CONES)

"""What goes to the spool and what to a transaction, when, and that nothing is lost between the two."""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
import sys
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from subprocess import PIPE, Popen

import pytest

from hatchmon.adapters.mqtt import LinkUp
from hatchmon.adapters.store import Store, spool
from hatchmon.app.backups import Backups
from hatchmon.app.engine import Engine
from hatchmon.app.recorder import FOLD_READINGS, FOLD_S
from hatchmon.app.rescue import make_good, set_aside_if_damaged, tell_of_spool
from hatchmon.app.settings import load_settings
from hatchmon.hatchery.types import Quantity
from tests.engines import START, Around, Hand, Probes

GATHER_S = 28.0
LOG_A_DAY = 6_000_000  # bytes by which the log of three probes grows while somebody holds it open


class Hatchery:
    """Cones with a batch each, and an engine that takes what their probes say every ten seconds."""

    def __init__(self, folder: Path, cones: int = 3, more: str = "") -> None:
        config = folder / "hatchmon.toml"
        self.path = folder / "state" / "hatchmon.db"
        config.write_text(
            f'time_zone = "UTC"\n[store]\npath = "{self.path}"\n{more}'
            '[push]\nto = ["json://127.0.0.1:9/phone"]\n'
        )
        self.settings = load_settings(config, {})
        self.clock, self.around = Hand(), Around()
        self.cones = [f"cone-{number}" for number in range(cones)]
        self.temp_c = 26.0
        self.start()
        for cone in self.cones:
            self.probes.send(cone, self.temp_c)
        for cone in self.cones:
            ask = {"do": "begin", "cone": cone, "lot": "tin 7", "grams": 4.0}
            self.store.ask(ask, "keeper", self.clock.now())
        self.engine.carry_out_requests()

    def start(self) -> None:
        self.store = Store(self.path)
        self.engine = Engine(self.settings, self.store, self.clock, self.around)
        self.probes = Probes(self.engine, self.clock)
        self.engine.take(LinkUp(1, False, "5"))
        self.engine.turn()

    def run(self, seconds: float, every_s: float = 10.0) -> None:
        until_s = self.clock.run_s + seconds
        while self.clock.run_s < until_s:
            self.clock.run_s += 1.0
            if self.clock.run_s % every_s == 0.0:
                for cone in self.cones:
                    self.probes.send(cone, self.temp_c + self.probes.sent % 97 / 1000)
            self.engine.turn()

    def folded(self) -> int:
        """Readings in the database itself."""
        return int(self.store.rows("SELECT count(*) FROM readings")[0][0])

    def seen(self) -> int:
        """Readings that whoever reads now sees."""
        with Store(self.path, read_only=True) as store:
            return int(store.rows("SELECT count(*) FROM readings")[0][0])


@pytest.fixture
def hatchery(tmp_path: Path) -> Iterator[Hatchery]:
    made = Hatchery(tmp_path)
    yield made
    made.store.close()


def test_readings_are_acknowledged_from_the_spool_and_folded_in_now_and_then(hatchery: Hatchery) -> None:
    begun = hatchery.folded()
    for _ in range(10):
        hatchery.run(60.0)
        assert hatchery.around.acknowledged >= hatchery.probes.sent - 3 * GATHER_S / 10.0 - 3
        assert hatchery.seen() == hatchery.around.acknowledged
    assert hatchery.folded() == begun
    hatchery.run(FOLD_S)
    assert hatchery.folded() >= hatchery.probes.sent - 3 * FOLD_S / 10.0
    hatchery.engine.close()
    assert hatchery.folded() == hatchery.seen() == hatchery.probes.sent
    hatchery.store.close()
    assert not spool.path_of(hatchery.path).exists()


def test_many_readings_are_folded_in_sooner(hatchery: Hatchery) -> None:
    hatchery.run(FOLD_READINGS / 3 + 60.0, every_s=1.0)
    assert hatchery.folded() >= FOLD_READINGS / 2


def test_whatever_else_is_to_be_stored_takes_the_spool_along(hatchery: Hatchery) -> None:
    hatchery.run(120.0)
    begun = hatchery.folded()
    assert hatchery.seen() > begun
    hatchery.store.ask({"do": "look", "cone": "cone-1", "seen": "none"}, "keeper", hatchery.clock.now())
    hatchery.engine.carry_out_requests()
    assert hatchery.folded() == hatchery.probes.sent > begun


def test_what_a_power_cut_left_is_brought_in_before_anything_is_loaded(hatchery: Hatchery) -> None:
    hatchery.run(300.0)
    acknowledged = hatchery.around.acknowledged
    hatchery.store.close()
    hatchery.clock.run_s += 60.0
    hatchery.start()
    assert hatchery.folded() == acknowledged
    newest = hatchery.engine.cones["cone-1"].water[Quantity.TEMPERATURE][1]
    assert newest >= START + timedelta(seconds=270)
    hatchery.run(60.0)
    hatchery.engine.close()
    assert hatchery.folded() == acknowledged + hatchery.probes.sent


def test_a_spool_that_cannot_be_written_is_done_without(
    hatchery: Hatchery, monkeypatch: pytest.MonkeyPatch
) -> None:
    hatchery.run(60.0)

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "pwrite", full)
        hatchery.run(120.0)
        assert hatchery.folded() == hatchery.around.acknowledged
        assert hatchery.engine.recorder.trouble is None
    folded = hatchery.folded()
    hatchery.run(120.0)
    assert (hatchery.folded(), hatchery.seen()) == (folded, hatchery.around.acknowledged)


def test_the_spool_outlives_a_damaged_database(hatchery: Hatchery) -> None:
    """Also what came of a probe that the backup does not know."""
    hatchery.run(120.0)
    copied = hatchery.seen()
    Backups(hatchery.settings).make(hatchery.clock.now())
    hatchery.run(1500.0)
    hatchery.cones.append("new")
    hatchery.run(300.0)
    hatchery.store.close()
    with Store(hatchery.path, read_only=True) as store:
        new = int(
            store.rows("SELECT count(*) FROM readings JOIN streams USING (stream_id) WHERE cone = 'new'")[0][
                0
            ]
        )
    assert new > 20
    with hatchery.path.open("r+b") as file:
        file.truncate(3000)
    now = hatchery.clock.now() + timedelta(minutes=5)
    damage = set_aside_if_damaged(hatchery.settings, now)
    assert damage is not None
    with Store(hatchery.path) as store:
        make_good(hatchery.settings, store, damage, now)
        tell_of_spool(hatchery.settings, store, now)
        (alert,) = store.rows("SELECT title, body FROM alerts WHERE kind = 'storage'")
        assert alert["title"] == "The record was damaged; a backup stands in for it"
        assert "Missing: readings and forecasts from 07:31 to " in alert["body"]
        rows = store.rows("SELECT cone, time_us FROM readings JOIN streams USING (stream_id)")
        assert len({tuple(row) for row in rows}) == len(rows) > copied + 3 * 20
        assert sum(1 for row in rows if row["cone"] == "new") == new


def test_part_of_a_spool_that_cannot_be_read_is_told_once(hatchery: Hatchery) -> None:
    hatchery.run(300.0)
    hatchery.store.close()
    with spool.path_of(hatchery.path).open("r+b") as file:
        file.seek(400)
        file.write(bytes(50))
    for _ in range(2):
        with Store(hatchery.path) as store:
            tell_of_spool(hatchery.settings, store, hatchery.clock.now())
            rows = store.rows("SELECT title, body FROM alerts WHERE kind = 'storage'")
            assert [row["title"] for row in rows] == ["Some readings were lost in a power cut"]
            assert len(store.due_letters(hatchery.clock.now())) == 1
    assert "Of what was recorded from 07:30 to 07:3" in rows[0]["body"]


@pytest.mark.parametrize(
    ("good", "bad", "kind"), [(26.0, 34.5, "warm"), (26.0, 17.0, "cold")], ids=["warm", "cold"]
)
def test_the_reading_that_raises_an_alert_is_stored_with_it_at_once(
    hatchery: Hatchery, good: float, bad: float, kind: str
) -> None:
    hatchery.temp_c = good
    hatchery.run(1000.0)
    for step in range(1, 21):  # water does not jump
        hatchery.temp_c = good + (bad - good) * step / 20
        hatchery.run(60.0)

    def raised() -> list[sqlite3.Row]:
        return hatchery.store.rows("SELECT cone, raised_us FROM alerts WHERE kind = ?", kind)

    def since(cone: str) -> float:
        """Seconds of the run since when the cone is out of its band."""
        return hatchery.engine.cones[cone].true_since[kind] - 1e6

    assert raised() == []
    first = {cone: since(cone) for cone in hatchery.cones}
    assert max(first.values()) < hatchery.clock.run_s
    holds_s = 60.0 * hatchery.settings.alerts.water_min
    while not raised():
        assert hatchery.clock.run_s < min(first.values()) + holds_s + 11.0
        hatchery.run(1.0)
    # The very next reading after the wait was over; not one of these is missing in the database.
    assert hatchery.clock.run_s - (min(first.values()) + holds_s) <= 10.0
    assert hatchery.folded() == hatchery.probes.sent
    assert hatchery.around.acknowledged == hatchery.probes.sent
    assert hatchery.store.due_letters(hatchery.clock.now())
    hatchery.run(120.0)
    assert sorted(row["cone"] for row in raised()) == hatchery.cones
    hatchery.run(3600.0)
    assert len(raised()) == len(hatchery.cones)


READER = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("BEGIN")
db.execute("SELECT count(*) FROM readings").fetchall()
print("reading", flush=True)
sys.stdin.read()
"""


def test_a_log_that_somebody_holds_open_grows_slowly_and_is_emptied_afterwards(tmp_path: Path) -> None:
    """A foreign program that never ends its transaction: nothing written can be taken out of the log."""
    hatchery = Hatchery(tmp_path)
    log = hatchery.path.with_name(hatchery.path.name + "-wal")
    hatchery.run(60.0)
    with Popen([sys.executable, "-c", READER, str(hatchery.path)], stdin=PIPE, stdout=PIPE) as reader:
        assert reader.stdout is not None
        assert reader.stdin is not None
        with contextlib.ExitStack() as stack:
            stack.callback(reader.stdin.close)
            assert reader.stdout.readline() == b"reading\n"
            before = log.stat().st_size
            hours = 1.5
            hatchery.run(hours * 3600.0)
            grown = log.stat().st_size - before
            assert hatchery.around.acknowledged >= hatchery.probes.sent - 12
            assert hatchery.seen() >= hatchery.probes.sent - 12
    a_day = grown * 24 / hours
    assert 0 < a_day < LOG_A_DAY
    hatchery.engine.close()
    assert hatchery.store.truncate_log()
    assert log.stat().st_size == 0
    hatchery.store.close()

"""A record from hatchmon's first days, brought up to today: nothing of it is lost, and the work goes on.

``first_schema.sql`` is a database as the first schema's own program left it: two cones, three batches ended
(one of them from a notebook, one thrown away), two running, and something in every table.
"""

from __future__ import annotations

import hashlib
import json
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from hatchmon.adapters.mqtt import LinkUp
from hatchmon.adapters.store import Store, StoreError, from_us
from hatchmon.adapters.store.migrations import STEPS
from hatchmon.app.cli import app
from hatchmon.app.engine import Engine
from hatchmon.app.settings import load_settings
from hatchmon.hatchery.types import Quantity
from tests.engines import Around, Hand, Probes

FIRST = Path(__file__).with_name("first_schema.sql")
FIRST_STEP = "12e6d4e51ce55fd666dd001123d580c71e033d4b35f16b49ef0fa917f5caee2d"
LEFT_OFF = datetime(2026, 10, 21, 21, 30, tzinfo=UTC)
LATER = LEFT_OFF + timedelta(minutes=10)
RUNNING = "outcome IS NULL"
SETTINGS = """
site = "shed"
time_zone = "Europe/Berlin"
[cones.north]
litres = 2
set_point_c = 27
[cones.bench]
litres = 1
set_point_c = 26
[push]
to = ["json://127.0.0.1:9/a", "json://127.0.0.1:9/b"]
"""
# What a later step moved or dropped, as table or table.column, with the reason.
GONE: dict[str, str] = {}
Rows = list[tuple[Any, ...]]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The old database, as a file."""
    path = tmp_path / "hatchmon.db"
    with closing(sqlite3.connect(path)) as db:
        db.executescript(FIRST.read_text())
    (tmp_path / "hatchmon.toml").write_text(f'{SETTINGS}[store]\npath = "{path}"\n')
    return path


def tables(db: sqlite3.Connection) -> dict[str, list[str]]:
    """Columns by table."""
    names = db.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    return {
        name: [row[1] for row in db.execute(f"PRAGMA table_info({name})")] for (name,) in names.fetchall()
    }


def contents(path: Path, of: dict[str, list[str]] | None = None) -> dict[str, Rows]:
    """The rows of each table, or of the columns that ``of`` names."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return {
            table: sorted(db.execute(f"SELECT {', '.join(columns)} FROM {table}").fetchall(), key=repr)
            for table, columns in (of or tables(db)).items()
        }


def version(path: Path) -> int:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
        return int(db.execute("PRAGMA user_version").fetchone()[0])


def kept(path: Path) -> dict[str, list[str]]:
    """The tables and columns of the first schema that are still to be there."""
    with closing(sqlite3.connect(path)) as db:
        return {
            table: [column for column in columns if f"{table}.{column}" not in GONE]
            for table, columns in tables(db).items()
            if table not in GONE
        }


def test_the_first_step_is_never_edited() -> None:
    assert hashlib.sha256(STEPS[0].encode()).hexdigest() == FIRST_STEP


def test_the_old_database_is_of_that_step_and_has_something_in_every_table(path: Path) -> None:
    with closing(sqlite3.connect(":memory:")) as made, closing(sqlite3.connect(path)) as old:
        made.executescript(STEPS[0])
        schema = "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%' ORDER BY name"
        assert old.execute(schema).fetchall() == made.execute(schema).fetchall()
    assert version(path) == 1
    assert all(contents(path).values())


def test_nothing_is_lost(path: Path) -> None:
    columns = kept(path)
    before = contents(path, columns)
    with Store(path):
        pass
    assert version(path) == len(STEPS)
    assert contents(path, columns) == before


# ---- killed on the way ----

MORE = """
CREATE TABLE more (x INTEGER) STRICT;
ALTER TABLE cones ADD COLUMN words TEXT;
UPDATE cones SET words = 'new';
DELETE FROM readings
"""
KILLED = f"""
import os, signal, sys
from pathlib import Path
from hatchmon.adapters import store
from hatchmon.adapters.store.migrations import STEPS
store.STEPS = (*STEPS, {MORE!r})
left = int(sys.argv[2])
whole = store._statements
def statements(step):
    global left
    for statement in whole(step):
        yield statement
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
store._statements = statements
store.Store(Path(sys.argv[1])).close()
"""


def test_a_kill_within_the_last_step_leaves_what_was_before_it(path: Path) -> None:
    """The step of a version still to come is killed after its last statement, which deletes all readings."""
    with Store(path):
        pass
    before = contents(path)
    done = subprocess.run([sys.executable, "-c", KILLED, path, "4"], check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL
    assert version(path) == len(STEPS)
    assert contents(path) == before
    with Store(path) as store:
        assert store.next_seq() > 600


@pytest.mark.parametrize("statements", [1, 3])
def test_a_kill_on_the_way_up_can_be_gone_on_from(path: Path, statements: int) -> None:
    """Whatever steps there are today, and one more."""
    columns = kept(path)
    before = contents(path, columns)
    done = subprocess.run([sys.executable, "-c", KILLED, path, str(statements)], check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL
    assert 1 <= version(path) <= len(STEPS)
    assert contents(path, columns) == before
    with Store(path):
        pass
    assert version(path) == len(STEPS)
    assert contents(path, columns) == before


def test_a_newer_database_is_refused_in_words_and_left_alone(path: Path) -> None:
    with Store(path):
        pass
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    before = contents(path)
    with pytest.raises(StoreError, match="written by a newer hatchmon") as refused:
        Store(path)
    assert str(refused.value).endswith("upgrade hatchmon")
    assert contents(path) == before


# ---- at work again ----


class Later(Hand):
    """Ten minutes after the old program's last reading."""

    def now(self) -> datetime:
        return LATER + timedelta(seconds=self.run_s)


def test_the_daemon_works_on(path: Path) -> None:
    """Both batches are forecast; a reading, a look and a new batch come to what was there."""
    settings = load_settings(path.with_name("hatchmon.toml"), env={})
    around, clock = Around(), Later()
    with Store(path) as store:
        issued = {each.batch_id: store.forecasts_issued(each.batch_id) for each in store.batches(RUNNING)}
        readings = store.next_seq()
        engine = Engine(settings, store, clock, around)
        probes = Probes(engine, clock)
        engine.take(LinkUp(1, False, "5"))

        def pass_a_minute() -> None:
            clock.run_s += 60.0
            probes.send("north", 26.9)
            probes.send("bench", 26.1)
            engine.turn()
            engine.commit()

        def ask(**body: Any) -> str:
            number = store.ask(body, "keeper", clock.now())
            engine.carry_out_requests()
            answered = store.answer_to(number)
            assert answered is not None
            assert answered[0], answered[1]
            return str(answered[1]["text"])

        for _ in range(31):  # a forecast is issued every half hour at the least
            pass_a_minute()
        assert store.next_seq() == readings + 62
        assert sorted(issued) == [4, 5]
        assert all(store.forecasts_issued(number) > before for number, before in issued.items())
        assert json.loads(around.published["hatchmon/shed/north/state"])["batch"]["lot"] == "river-23"

        said = ask(do="look", cone="north", seen="some")
        assert said.startswith("north: noted 'some' at 00:11, 14.2 h after the start. Ready ")
        ask(do="harvest", cone="bench")
        pass_a_minute()
        said = ask(do="begin", cone="bench", lot="river-23", grams=2.0)
        assert said.startswith("bench: 2 g of lot river-23 begun 00:12. Ready tomorrow about ")
        engine.commit()
        assert [look.seen for look in store.looks(4)] == ["few", "some"]
        assert [batch.batch_id for batch in store.batches(RUNNING)] == [4, 6]
        engine.close()


def test_the_commands_read_it(path: Path) -> None:
    with Store(path):
        pass
    config = path.with_name("hatchmon.toml")
    with config.open("a") as file:
        file.write(f"[rehearsal]\nreal_start = {datetime.now(UTC).isoformat()}\n")
        file.write(f"shown_start = {LATER.isoformat()}\nspeed = 1\n")

    def data(*words: str) -> Any:
        ran = CliRunner().invoke(app, [*words, "--json", "--config", str(config)])
        assert ran.exit_code == 0, f"{words}: {ran.output}"
        return json.loads(ran.stdout)

    assert {cone["cone"]: cone["batch"]["lot"] for cone in data("now")} == {
        "north": "river-23",
        "bench": "lake é 4",
    }
    assert [batch["outcome"] for batch in data("batches")] == [
        "harvested",
        "harvested",
        "discarded",
        None,
        None,
    ]
    river, lake = sorted(data("lots"), key=lambda lot: str(lot["lot"]), reverse=True)
    assert (river["batches"], river["harvested"], river["looks"], river["counted"]) == (3, 2, 8, 1)
    assert (lake["lot"], lake["batches"], lake["discarded"]) == ("lake é 4", 2, 1)
    (brood, other) = data("brood")
    assert (brood["brood"], other["brood"]) == ("moss", "reeds")
    assert data("stock")[0]["price_per_kg"] == 180.0
    with Store(path, read_only=True) as store:
        times = [from_us(row["time_us"]) for row in store.readings_after(0, 10_000)]
        assert max(times) == LEFT_OFF
        assert len(list(store.usable_readings("north", Quantity.TEMPERATURE, min(times), max(times)))) > 200

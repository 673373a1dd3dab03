"""The database file: what goes in comes out, all of it or nothing, by one writer at a time."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import stat
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from hatchmon.adapters import store as store_module
from hatchmon.adapters.store import (
    Marks,
    NewReading,
    Request,
    Store,
    StoreError,
    Stream,
    Taken,
    forecast_json,
    from_us,
    to_us,
)
from hatchmon.adapters.store.migrations import STEPS
from hatchmon.hatchery.alerts import Standing
from hatchmon.hatchery.probes import Judge
from hatchmon.hatchery.types import Alert, Band, Batch, Forecast, Look, Quantity, Refused, Trust, Verdict

NAN = float("nan")
NOW = datetime(2026, 3, 10, 20, 0, tzinfo=UTC)
NEW = Batch(0, "north", "spring tin", NOW, 2.5, 2.0, 26.0, 30.0)
ALERT = Alert("ready", "batch 1", "north", "soon", "north: ready", "Harvest before 10:40.", NOW)


def after(seconds: float) -> datetime:
    return NOW + timedelta(seconds=seconds)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "hatchmon.db"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store(path) as store:
        yield store


def probe(store: Store, cone: str = "north", unit: str = "C", topic: str = "a/b") -> Stream:
    return store.add_stream(cone, Quantity.TEMPERATURE, unit, topic, NOW)


def reading(
    stream: Stream, seconds: float, raw: float, verdict: Verdict = Verdict.GOOD, dated_by: str = "receipt"
) -> NewReading:
    return NewReading(stream.stream_id, to_us(after(seconds)), raw, verdict, dated_by)


def pragma(store: Store, name: str) -> Any:
    return store.rows(f"PRAGMA {name}")[0][0]


# ---- the file ----


def test_every_commit_reaches_the_disk(store: Store) -> None:
    assert pragma(store, "journal_mode") == "wal"
    assert pragma(store, "synchronous") == 2  # FULL
    assert pragma(store, "foreign_keys") == 1
    assert pragma(store, "busy_timeout") == 5000
    assert 0 < pragma(store, "journal_size_limit") <= 64 << 20
    assert pragma(store, "integrity_check") == "ok"


def test_every_table_is_strict(store: Store) -> None:
    tables = store.rows("SELECT name, strict FROM pragma_table_list WHERE schema = 'main' AND type = 'table'")
    ours = {row["name"]: row["strict"] for row in tables if not row["name"].startswith("sqlite_")}
    assert len(ours) >= 13
    assert set(ours.values()) == {1}
    with pytest.raises(sqlite3.IntegrityError, match="cannot store TEXT value in INTEGER column"):
        store.rows("INSERT INTO cones VALUES ('north', 'today')")


def test_references_are_enforced(store: Store) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        store.add_look(Look(99, NOW, "most"), "receipt")
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        store.add_readings([NewReading(99, 1, 25.0, Verdict.GOOD, "receipt")])


def rights(path: Path) -> set[int]:
    files = [path, *(path.with_name(path.name + end) for end in (".lock", "-wal", "-shm"))]
    return {stat.S_IMODE(file.stat().st_mode) for file in files}


@pytest.mark.parametrize("umask", [0o000, 0o022, 0o077])
@pytest.mark.parametrize(
    ("folder", "file"), [(0o700, 0o600), (0o755, 0o600), (0o777, 0o600), (0o770, 0o600), (0o2770, 0o660)]
)
def test_nobody_else_may_read_unless_the_folder_is_open_to_a_group(
    tmp_path: Path, umask: int, folder: int, file: int
) -> None:
    path = tmp_path / "state" / "hatchmon.db"
    path.parent.mkdir()
    path.parent.chmod(folder)
    before = os.umask(umask)
    try:
        with Store(path) as store:
            store.set_meta("a", "b")
            assert rights(path) == {file}
            copy = path.with_name("copy.db")
            store.backup(copy)
            assert stat.S_IMODE(copy.stat().st_mode) == file
            elsewhere = tmp_path / "copy.db"
            store.backup(elsewhere)
            assert stat.S_IMODE(elsewhere.stat().st_mode) == 0o600
    finally:
        os.umask(before)


def test_files_made_with_other_rights_are_mended(path: Path) -> None:
    with Store(path) as store:
        store.set_meta("a", "b")
        for end in ("", "-wal", "-shm", ".lock"):
            path.with_name(path.name + end).chmod(0o666)
        shutil.copytree(path.parent, path.parent / "left by a power cut")
    left = path.parent / "left by a power cut" / path.name
    with Store(left) as store:
        assert store.meta("a") == "b"
        assert rights(left) == {0o600}


def test_a_folder_made_for_the_database_is_closed(tmp_path: Path) -> None:
    Store(tmp_path / "a" / "b.db").close()
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o700


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can make a folder somebody else's")
def test_what_root_makes_is_the_services(tmp_path: Path) -> None:
    path = tmp_path / "hatchmon.db"
    os.chown(tmp_path, 64_001, 64_002)
    with Store(path) as store:
        store.set_meta("a", "b")
        for end in ("", ".lock", "-wal", "-shm"):
            found = path.with_name(path.name + end).stat()
            assert (found.st_uid, found.st_gid) == (64_001, 64_002)


def test_folders_on_the_way_are_made(tmp_path: Path) -> None:
    with Store(tmp_path / "a" / "b" / "c.db") as store:
        assert store.cones() == []


@pytest.mark.parametrize("name", ["odd ?#%41 name.db", "größe.db", "a'b\".db"])
def test_odd_file_names(tmp_path: Path, name: str) -> None:
    with Store(tmp_path / name) as store:
        store.set_meta("a", name)
    with Store(tmp_path / name, read_only=True) as store:
        assert store.meta("a") == name
    assert {file.name for file in tmp_path.iterdir()} >= {name}
    assert "odd ?#A name.db" not in {file.name for file in tmp_path.iterdir()}


def test_a_missing_file_is_not_made_by_reading(path: Path) -> None:
    with pytest.raises(StoreError) as refused:
        Store(path, read_only=True)
    assert str(refused.value) == f"there is no database at {path} yet; it is made by 'hatchmon run'"
    assert not path.exists()


def test_a_missing_file_is_made_by_the_writer_only(path: Path) -> None:
    with pytest.raises(StoreError) as refused:
        Store(path, exclusive=False)
    assert str(refused.value) == f"there is no database at {path} yet; it is made by 'hatchmon run'"
    assert not path.exists()


def test_reading_only_cannot_write(path: Path) -> None:
    Store(path).close()
    with Store(path, read_only=True) as store, pytest.raises(sqlite3.OperationalError, match="readonly"):
        store.set_meta("a", "b")


def other_peoples(path: Path, version: int) -> None:
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE recipes (name TEXT)")
    db.execute("INSERT INTO recipes VALUES ('soup')")
    db.execute(f"PRAGMA user_version = {version}")
    db.commit()
    db.close()


@pytest.mark.parametrize("make", [
    lambda path: path.write_bytes(b"a shopping list, nothing more\n" * 40),
    lambda path: other_peoples(path, 0),
    lambda path: other_peoples(path, 1),
], ids=["text", "database", "database with a version"])  # fmt: skip
@pytest.mark.parametrize("read_only", [False, True])
def test_another_programs_file_is_refused_and_left_alone(
    path: Path, make: Callable[[Path], None], read_only: bool
) -> None:
    make(path)
    path.chmod(0o600)
    before = path.read_bytes()
    for _ in range(2):
        with pytest.raises(StoreError) as refused:
            Store(path, read_only=read_only)
        assert not isinstance(refused.value, Taken)
        assert str(refused.value) == f"{path} is not a hatchmon database; name another file in store.path"
    assert path.read_bytes() == before
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_newer_hatchmons_file_is_refused(path: Path) -> None:
    Store(path).close()
    newer = len(STEPS) + 1
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {newer}")
    db.close()
    for options in ({}, {"read_only": True}, {"exclusive": False}):
        with pytest.raises(StoreError) as refused:
            Store(path, **options)
        assert str(refused.value) == (
            f"{path} was written by a newer hatchmon (its version is {newer}, this program knows "
            f"{newer - 1}); upgrade hatchmon"
        )


def test_an_older_file_is_brought_up_by_the_writer_only(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Store(path) as store:
        store.set_meta("a", "b")
    more = "CREATE TABLE more (x INTEGER) STRICT; ALTER TABLE cones ADD COLUMN words TEXT"
    steps = (*STEPS, more)
    monkeypatch.setattr(store_module, "STEPS", steps)
    for options in ({"read_only": True}, {"exclusive": False}):
        with pytest.raises(StoreError) as refused:
            Store(path, **options)
        assert str(refused.value) == (
            f"{path} is of an older version; start 'hatchmon run' once to bring it up"
        )
    with Store(path) as store:
        assert pragma(store, "user_version") == len(steps)
        assert store.rows("SELECT * FROM more") == []
        assert store.meta("a") == "b"
    with Store(path, read_only=True) as store:
        assert store.meta("a") == "b"


@pytest.mark.parametrize(
    "broken",
    [
        "CREATE TABLE more (x INTEGER) STRICT; INSERT INTO meta VALUES ('b', 'c'); DROP TABLE nowhere",
        "DROP TABLE requests; CREATE TABLE cones (x INTEGER)",
        "UPDATE meta SET value = 'spoilt'; nonsense",
    ],
)  # fmt: skip
def test_a_step_that_fails_half_way_leaves_the_old_version(
    path: Path, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    with Store(path) as store:
        store.set_meta("a", "b")
        schema = [tuple(row) for row in store.rows("SELECT * FROM sqlite_master ORDER BY name")]
    whole = "CREATE TABLE fine (x INTEGER) STRICT"
    monkeypatch.setattr(store_module, "STEPS", (*STEPS, whole, broken))
    for _ in range(2):
        with pytest.raises(StoreError, match=str(path)):
            Store(path)
    # The step before it was whole and stays; nothing of the broken one does.
    monkeypatch.setattr(store_module, "STEPS", (*STEPS, whole))
    with Store(path) as store:
        assert pragma(store, "user_version") == len(STEPS) + 1
        assert store.rows("SELECT * FROM meta WHERE key <> 'a'") == []
        assert store.meta("a") == "b"
        now = store.rows("SELECT * FROM sqlite_master WHERE name <> 'fine' ORDER BY name")
        assert [(row["name"], row["sql"]) for row in now] == [(name, sql) for _, name, _, _, sql in schema]


# ---- one writer ----


def test_a_second_writer_is_refused(path: Path) -> None:
    with Store(path):
        with pytest.raises(Taken) as refused:
            Store(path)
        assert str(refused.value) == (f"{path} is in use by another hatchmon process; stop that one first")
        Store(path, read_only=True).close()
        Store(path, exclusive=False).close()
        with pytest.raises(Taken):
            Store(path)
    Store(path).close()


def test_a_second_writer_in_another_process_is_refused(path: Path) -> None:
    program = (
        "import sys, pathlib; from hatchmon.adapters.store import Store; Store(pathlib.Path(sys.argv[1]))"
    )
    with Store(path):
        done = subprocess.run(
            [sys.executable, "-c", program, path], capture_output=True, text=True, check=False
        )
    assert done.returncode == 1
    assert "Taken" in done.stderr
    done = subprocess.run([sys.executable, "-c", program, path], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_closing_twice_is_harmless(path: Path) -> None:
    store = Store(path)
    store.close()
    with Store(path) as other:
        store.close()  # must not let go of the other's lock
        with pytest.raises(Taken):
            Store(path)
        other.set_meta("a", "b")


def test_a_path_that_cannot_be_does_not_keep_the_lock(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    for _ in range(2):
        with pytest.raises(StoreError) as refused:
            Store(tmp_path / "folder")
        assert not isinstance(refused.value, Taken)
        assert str(tmp_path / "folder") in str(refused.value)


# ---- all or nothing ----


class Broken(Exception):
    pass


def half_way(store: Store) -> None:
    with store.atomic():
        store.set_meta("lost", "1")
        raise Broken


def test_all_or_nothing(path: Path, store: Store) -> None:
    with store.atomic():
        store.set_meta("kept", "1")
    with pytest.raises(Broken):
        half_way(store)
    with Store(path, read_only=True) as reader:
        assert (reader.meta("kept"), reader.meta("lost", "never")) == ("1", "never")


def test_nothing_is_seen_before_the_end(path: Path, store: Store) -> None:
    with Store(path, read_only=True) as reader:
        with store.atomic():
            store.set_meta("a", "b")
            assert reader.meta("a") == ""
        assert reader.meta("a") == "b"


def test_the_outermost_commits(path: Path, store: Store) -> None:
    with Store(path, read_only=True) as reader:
        with store.atomic():
            with store.atomic(), store.atomic():
                store.set_meta("a", "b")
            assert reader.meta("a") == ""
        assert reader.meta("a") == "b"


def test_what_fails_inside_undoes_the_outside(store: Store) -> None:
    def outside_fails() -> None:
        with store.atomic():
            with store.atomic():
                store.set_meta("lost", "1")
            raise Broken

    def inside_fails() -> None:
        with store.atomic():
            store.set_meta("lost", "1")
            half_way(store)

    for fails in (outside_fails, inside_fails):
        with pytest.raises(Broken):
            fails()
        assert store.meta("lost") == ""


def test_a_refused_row_undoes_its_company(store: Store) -> None:
    stream = probe(store)

    def add_with_a_double() -> None:
        with store.atomic():
            store.set_meta("a", "b")
            store.add_readings([reading(stream, seconds, value) for seconds, value in ((0, 25.0), (10, NAN))])

    with pytest.raises(sqlite3.IntegrityError):
        add_with_a_double()
    assert store.meta("a") == ""
    assert store.next_seq() == 1
    store.add_readings([reading(stream, 0, 25.0)])


def test_a_commit_that_fails_leaves_nothing_open(store: Store) -> None:
    def no_commit(action: int, what: str | None, *_: object) -> int:
        refused = action == sqlite3.SQLITE_TRANSACTION and what == "COMMIT"
        return sqlite3.SQLITE_DENY if refused else sqlite3.SQLITE_OK

    store._db.set_authorizer(no_commit)
    with pytest.raises(sqlite3.DatabaseError, match="not authorized"), store.atomic():
        store.set_meta("a", "b")
    store._db.set_authorizer(None)
    assert not store._db.in_transaction
    assert store.meta("a") == ""
    with store.atomic():
        store.set_meta("a", "c")
    assert store.meta("a") == "c"


def test_a_full_disk_says_so_and_can_be_tried_again(store: Store) -> None:
    pages = pragma(store, "page_count")
    store.rows(f"PRAGMA max_page_count = {pages + 2}")

    def fill() -> None:
        with store.atomic():
            for number in range(100):
                store.set_meta(f"key {number}", "x" * 5000)

    for _ in range(2):
        with pytest.raises(sqlite3.OperationalError, match="full"):
            fill()
        assert store.rows("SELECT * FROM meta") == []
    store.rows("PRAGMA max_page_count = 100000")
    with store.atomic():
        store.set_meta("a", "b")
    assert store.meta("a") == "b"


# ---- small facts ----


def test_remembered_values(store: Store) -> None:
    assert store.meta("a") == ""
    assert store.meta("a", "unset") == "unset"
    store.set_meta("a", "1")
    store.set_meta("a", "2")
    assert store.meta("a", "unset") == "2"


def test_data_version_changes_with_other_peoples_writing_only(path: Path, store: Store) -> None:
    first = store.data_version()
    store.set_meta("a", "b")
    assert store.data_version() == first
    with Store(path, exclusive=False) as other:
        other.ask({"do": "look"}, "me", NOW)
    assert store.data_version() != first


@settings(deadline=None)
@given(st.datetimes(timezones=st.just(UTC)))
@example(datetime(1969, 12, 31, 23, 59, 59, 999999, tzinfo=UTC))
def test_times_come_back_to_the_microsecond(moment: datetime) -> None:
    assert from_us(to_us(moment)) == moment


# ---- readings ----


def test_a_stream_is_made_once(store: Store) -> None:
    assert store.cones() == []
    one = probe(store)
    assert probe(store) == one
    assert one == Stream(1, "north", Quantity.TEMPERATURE, "C", "a/b")
    others = [
        probe(store, unit="F"),
        probe(store, topic=""),
        probe(store, cone="south"),
        store.add_stream("north", Quantity.LIGHT, "lux", "a/b", NOW),
    ]
    assert store.streams() == [one, *others]
    assert store.cones() == ["north", "south"]


def test_readings_come_back_as_sent(store: Store) -> None:
    stream = probe(store, unit="F")
    store.add_readings([reading(stream, 10, 77.9), reading(stream, 0, 185.0, Verdict.SENTINEL)])
    assert store.recent(stream.stream_id, 5) == [
        (after(0), 185.0, Verdict.SENTINEL),
        (after(10), 77.9, Verdict.GOOD),
    ]
    assert store.recent(stream.stream_id, 1) == [(after(10), 77.9, Verdict.GOOD)]
    assert store.raw_at(stream.stream_id, to_us(after(10))) == 77.9
    assert store.raw_at(stream.stream_id, to_us(after(10)) + 1) is None
    assert store.next_seq() == 3


def test_a_verdict_can_be_revised(store: Store) -> None:
    one, other = probe(store), probe(store, cone="south")
    store.add_readings([reading(each, 0, 25.0, Verdict.JUMP) for each in (one, other)])
    store.revise(one.stream_id, after(0), Verdict.STEP)
    assert store.recent(one.stream_id, 1) == [(after(0), 25.0, Verdict.STEP)]
    assert store.recent(other.stream_id, 1) == [(after(0), 25.0, Verdict.JUMP)]


def test_of_the_same_moment_twice_the_first_is_filed(store: Store) -> None:
    stream = probe(store)
    store.add_readings([reading(stream, 0, 25.0), reading(stream, 0, 26.0)])
    store.add_readings([reading(probe(store, cone="south"), 0, 25.0)])
    store.file_readings(0)
    assert store.recent(stream.stream_id, 5) == [(after(0), 25.0, Verdict.GOOD)]
    assert store.unfiled() == 0


def test_filing_changes_no_answer(store: Store) -> None:
    """In whatever order they came: from the index, from the unfiled, and from both."""
    chance = random.Random(3)
    streams = [probe(store), probe(store, unit="F", topic="b"), probe(store, cone="south")]
    plan = [
        reading(stream, seconds, chance.choice((25.0, 25.5)), chance.choice(list(Verdict)))
        for stream in streams
        for seconds in chance.sample(range(-50_000, 300_000), 60)
    ]
    chance.shuffle(plan)

    def answers() -> list[object]:
        told: list[object] = [
            list(store.usable_readings("north", Quantity.TEMPERATURE, after(-40_000), after(200_000))),
            [tuple(row) for row in store.usual_day("north", Quantity.TEMPERATURE, after(-9e4), after(9e5))],
        ]
        for stream in streams:
            number = stream.stream_id
            told += [store.recent(number, 7), store.newest_us(number), store.same_since(number)]
            told += [store.raw_at(number, plan[0].time_us), store.raw_at(number, 5)]
        return told

    store.add_readings(plan[:90])
    before = answers()
    store.file_readings(10)
    assert (answers(), store.unfiled()) == (before, 0)
    store.add_readings(plan[90:])
    before = answers()
    assert store.unfiled() == 90
    assert any(before)
    store.file_readings(10)
    assert (answers(), store.unfiled()) == (before, 0)


def test_the_newest_deliveries_are_remembered_over_filing(store: Store) -> None:
    stream = probe(store)
    store.add_readings([reading(stream, n, 25.0)._replace(delivery=1000 + n) for n in range(30)])
    store.add_deliveries(range(10), 3)
    store.file_readings(20)
    assert sorted(store.deliveries(100)) == [7, 8, 9, *range(1010, 1030)]
    assert sorted(store.deliveries(5)) == [7, 8, 9, *range(1020, 1030)]


def test_a_reading_for_one_stream_uses_the_index(store: Store) -> None:
    plan = store.rows(
        "EXPLAIN QUERY PLAN SELECT raw FROM by_stream WHERE stream_id = 1 ORDER BY time_us DESC LIMIT 1"
    )
    steps = " / ".join(row["detail"] for row in plan)
    assert "SEARCH readings USING INDEX readings_filed (stream_id=?)" in steps
    assert "USING INTEGER PRIMARY KEY (rowid>?)" in steps
    assert "SCAN readings" not in steps


@pytest.mark.parametrize("raw", [float("nan"), None])
def test_what_is_no_number_is_refused(store: Store, raw: Any) -> None:
    stream = probe(store)
    with pytest.raises(sqlite3.IntegrityError, match="NOT NULL"):
        store.add_readings([reading(stream, 0, raw)])


def test_usable_readings_of_a_cone_from_all_its_probes_in_one_unit(store: Store) -> None:
    metal, glass, air = (
        probe(store),
        probe(store, unit="F", topic=""),
        store.add_stream("north", Quantity.AIR_TEMPERATURE, "C", "x", NOW),
    )
    store.add_readings([
        reading(metal, -1, 20.0), reading(metal, 0, 25.0), reading(metal, 20, 25.5, Verdict.STEP),
        reading(metal, 30, 40.0, Verdict.JUMP), reading(metal, 40, 25.5, Verdict.SUSPECT),
        reading(metal, 51, 26.0), reading(glass, 10, 77.9), reading(air, 15, 18.0),
        reading(probe(store, cone="south"), 15, 30.0), reading(metal, 50, 25.625),
    ])  # fmt: skip
    usable = list(store.usable_readings("north", Quantity.TEMPERATURE, after(0), after(50)))
    assert [(time, verdict) for time, _, verdict in usable] == [
        (after(0), Verdict.GOOD), (after(10), Verdict.GOOD), (after(20), Verdict.STEP),
        (after(40), Verdict.SUSPECT), (after(50), Verdict.GOOD),
    ]  # fmt: skip
    assert [value for _, value, _ in usable] == [25.0, 25.5, 25.5, 25.5, 25.625]


def test_since_when_a_value_stands(store: Store) -> None:
    stream, other = probe(store), probe(store, cone="south")
    assert store.same_since(stream.stream_id) is None
    store.add_readings([reading(other, i, 20.0 + i) for i in range(5)])
    store.add_readings([reading(stream, 0, 25.0)])
    assert store.same_since(stream.stream_id) == after(0)
    store.add_readings([reading(stream, 10, 24.0), reading(stream, 20, 25.0), reading(stream, 30, 25.0)])
    assert store.same_since(stream.stream_id) == after(20)
    store.add_readings([reading(stream, 25, 40.0, Verdict.JUMP), reading(stream, 40, 85.0, Verdict.SENTINEL)])
    assert store.same_since(stream.stream_id) == after(20)
    store.add_readings([reading(stream, 50, 25.0625)])
    assert store.same_since(stream.stream_id) == after(50)


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from([25.0, 25.0, 25.0, 25.0625, 21.0, 21.0, 40.0, 85.0]), max_size=60),
       st.sampled_from([10.0, 300.0]), st.data())  # fmt: skip
def test_a_judge_taken_up_from_the_database_agrees(
    tmp_path_factory: pytest.TempPathFactory, values: list[float], every_s: float, data: st.DataObject
) -> None:
    split = data.draw(st.integers(0, len(values)))
    judge = Judge(Quantity.TEMPERATURE, "C")
    with Store(tmp_path_factory.mktemp("judge") / "a.db") as store:
        stream = probe(store)
        with store.atomic():
            for i, value in enumerate(values[:split]):
                judged = judge.judge(value, after(i * every_s), after(i * every_s))
                store.add_readings([reading(stream, i * every_s, value, judged.verdict)])
                for time, _, verdict in judged.revised:
                    store.revise(stream.stream_id, time, verdict)
        again = Judge(Quantity.TEMPERATURE, "C")
        again.remember(store.recent(stream.stream_id, 20), store.same_since(stream.stream_id))
    for i, value in enumerate(values[split:], start=split):
        time = after(i * every_s)
        assert again.judge(value, time, time) == judge.judge(value, time, time)


def test_readings_by_number_with_the_lot_in_the_cone(store: Store) -> None:
    stream, south = probe(store), probe(store, cone="south", unit="F")
    batch = store.add_batch(replace(NEW, started=after(10)), "receipt")
    store.add_readings([reading(stream, s, 25.0 + s) for s in (9, 10, 20, 30)] + [reading(south, 15, 77.0)])
    store.end_batch(batch.batch_id, after(30), "harvested")
    rows = [tuple(row) for row in store.readings_after(0, 100)]
    us = [to_us(after(s)) for s in (9, 10, 20, 30, 15)]
    assert rows == [
        (1, "north", "temperature", "C", us[0], 34.0, "good", None),
        (2, "north", "temperature", "C", us[1], 35.0, "good", "spring tin"),
        (3, "north", "temperature", "C", us[2], 45.0, "good", "spring tin"),
        (4, "north", "temperature", "C", us[3], 55.0, "good", None),
        (5, "south", "temperature", "F", us[4], 77.0, "good", None),
    ]
    assert [row["seq"] for row in store.readings_after(2, 2)] == [3, 4]
    assert store.readings_after(2, 2)[0]["lot"] == "spring tin"


def test_rejected_messages_are_kept_up_to_a_number(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hatchmon.adapters.store.readings.REJECTED_KEPT", 300)
    with store.atomic():
        for number in range(1000):
            store.add_rejected(after(number), "a/b", b"\x00\xff" + bytes([number % 256]), f"reason {number}")
    kept = store.rows("SELECT * FROM rejected ORDER BY rejected_id")
    assert 300 <= len(kept) < 300 + 256
    assert [row["reason"] for row in kept] == [f"reason {n}" for n in range(1000 - len(kept), 1000)]
    assert (kept[-1]["payload"], kept[-1]["topic"]) == (b"\x00\xff\xe7", "a/b")
    assert from_us(kept[-1]["time_us"]) == after(999)


def test_lines_the_series_store_refuses_are_set_aside(store: Store) -> None:
    store.add_series_refused("readings", 7, "water c=1", "bad")
    store.add_series_refused("readings", 7, "water c=1", "worse")
    store.add_series_refused("alerts", 7, "alert c=1", "bad")
    assert [tuple(row) for row in store.rows("SELECT * FROM series_refused")] == [
        ("readings", 7, "water c=1", "worse"),
        ("alerts", 7, "alert c=1", "bad"),
    ]
    assert store.lines_refused() == 2


def test_only_the_newest_lines_refused_stay(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hatchmon.adapters.store.feeds.REJECTED_KEPT", 300)
    with store.atomic():
        for number in range(1, 1025):
            store.add_series_refused("readings", number, "line", "bad")
    kept = [row["seq"] for row in store.rows("SELECT seq FROM series_refused ORDER BY seq")]
    assert kept == list(range(725, 1025))


# ---- batches ----


def test_a_batch_comes_back_as_begun(store: Store) -> None:
    probe(store)
    batch = store.add_batch(NEW, "receipt")
    assert batch == replace(NEW, batch_id=1)
    bare = Batch(0, "north", "other tin", after(90), 1.0)
    store.end_batch(1, after(60), "discarded")
    assert store.add_batch(bare, "keeper") == replace(bare, batch_id=2)
    assert store.batches() == [
        replace(batch, ended=after(60), outcome="discarded"),
        replace(bare, batch_id=2),
    ]
    assert store.batches("ended_us IS NULL") == [replace(bare, batch_id=2)]
    assert store.batches("lot = ?", "nobody's") == []


def test_a_harvest_goes_into_the_cold_store_and_is_used_up(store: Store) -> None:
    probe(store)
    batch = store.add_batch(NEW, "receipt")
    store.end_batch(1, after(60), "harvested", 4.0)
    stored = replace(batch, ended=after(60), outcome="harvested", cold_c=4.0)
    assert store.batches("cold_c IS NOT NULL AND used_up_us IS NULL") == [stored]
    store.use_up(1, after(90))
    assert store.batches() == [replace(stored, used_up=after(90))]
    store.shift_times(Marks(1), after(50), after(100), timedelta(hours=1))
    assert store.batches() == [replace(stored, ended=after(3660), used_up=after(3690))]


def test_one_running_batch_a_cone(store: Store) -> None:
    probe(store)
    probe(store, cone="south")
    store.add_batch(NEW, "receipt")
    with pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
        store.add_batch(replace(NEW, started=after(60)), "receipt")
    store.add_batch(replace(NEW, cone="south"), "receipt")
    store.end_batch(1, after(60), "harvested")
    store.add_batch(replace(NEW, started=after(60)), "receipt")
    assert len(store.batches("ended_us IS NULL")) == 2


@pytest.mark.parametrize(
    "change",
    [
        "ended_us = 1",
        "outcome = 'harvested'",
        "ended_us = 1, outcome = 'eaten'",
        "dated_by = 'somebody'",
        "cone = 'nowhere'",
    ],
)
def test_half_an_end_is_no_end(store: Store, change: str) -> None:
    probe(store)
    store.add_batch(NEW, "receipt")
    with pytest.raises(sqlite3.IntegrityError):
        store.rows(f"UPDATE batches SET {change}")


def test_looks_are_kept_in_the_order_of_their_times(store: Store) -> None:
    probe(store)
    batch = store.add_batch(NEW, "receipt")
    later, sooner = Look(batch.batch_id, after(60), "most"), Look(batch.batch_id, after(30), "12.5 %")
    store.add_look(later, "keeper")
    store.add_look(sooner, "receipt")
    assert store.looks(batch.batch_id) == [sooner, later]
    assert store.looks(99) == []


# ---- forecasts ----

HOURS = st.floats(0, 500).map(lambda hours: round(hours, 3))
BANDS = st.none() | st.builds(Band, HOURS, HOURS, HOURS)
TRUST: st.SearchStrategy[Trust] = st.sampled_from(["good", "degraded", "none"])
FORECASTS = st.builds(
    Forecast,
    issued=st.datetimes(timezones=st.just(UTC)),
    q25_h=HOURS,
    hatched=st.floats(0, 1).map(lambda share: round(share, 3)),
    t10=BANDS,
    t50=BANDS,
    t90=BANDS,
    opens=BANDS,
    best=BANDS,
    closes=BANDS,
    surely_h=st.none() | st.tuples(HOURS, HOURS),
    from_temperature=st.floats(0, 1).map(lambda share: round(share, 3)),
    trust=TRUST,
    reasons=st.lists(st.text(max_size=20), max_size=3).map(tuple),
    not_predicted=st.none() | st.text(max_size=20),
    temperature_rule=st.sampled_from(["heater", "room", "none"]),
    usable_h=st.none() | HOURS,
)


@settings(deadline=None, max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(FORECASTS)
def test_a_forecast_comes_back_as_issued(
    tmp_path_factory: pytest.TempPathFactory, forecast: Forecast
) -> None:
    with Store(tmp_path_factory.getbasetemp() / "forecasts.db") as store, store.atomic():
        if not store.cones():
            probe(store)
            store.add_batch(NEW, "receipt")
        store.add_forecast(1, forecast)
        assert store.last_forecast(1) == forecast
        assert store.last_forecast(2) is None


def test_a_forecast_is_kept_to_a_thousandth_of_an_hour() -> None:
    third = Band(1 / 3, 2 / 3, 1.0)
    forecast = Forecast(
        NOW, 1 / 3, 0.5, third, None, None, None, None, None, None, 0.25, "good", (), None, "room"
    )
    assert '"t10": {"p10": 0.333, "p50": 0.667, "p90": 1.0}' in forecast_json(forecast)
    assert "issued" not in forecast_json(forecast)


def test_the_last_forecast_is_the_one_stored_last(store: Store) -> None:
    probe(store)
    store.add_batch(NEW, "receipt")
    for issued, q25_h in ((after(60), 1.0), (after(0), 2.0)):  # the clock was set back in between
        store.add_forecast(
            1,
            Forecast(
                issued, q25_h, 0.5, None, None, None, None, None, None, None, 0.2, "good", (), None, "room"
            ),
        )
    last = store.last_forecast(1)
    assert last is not None
    assert (last.issued, last.q25_h) == (after(0), 2.0)


# ---- alerts and letters ----


def test_what_has_been_said_is_remembered(store: Store) -> None:
    assert store.standings() == {}
    store.keep_standing("cold", "batch 1", Standing(after(1), after(2), 600.0, 3.0))
    store.keep_standing("warm", "batch 1", Standing(None, after(3)))
    store.keep_standing("cold", "batch 1", Standing(None, after(4)))
    # How long a thing has been true is not: a restart begins it anew.
    assert store.standings() == {
        ("cold", "batch 1"): Standing(None, after(4), 0.0, 0.0),
        ("warm", "batch 1"): Standing(None, after(3), 0.0, 0.0),
    }


def states(store: Store) -> list[str]:
    return [row["state"] for row in store.rows("SELECT state FROM letters ORDER BY letter_id")]


def test_an_alert_is_a_letter_to_each_address(store: Store) -> None:
    store.add_alert(ALERT, 3, NOW)
    store.add_alert(replace(ALERT, title="second", cone=None), 1, NOW)
    assert [tuple(row)[:5] for row in store.due_letters(NOW)] == [
        (1, 0, "north: ready", "Harvest before 10:40.", 0),
        (2, 1, "north: ready", "Harvest before 10:40.", 0),
        (3, 2, "north: ready", "Harvest before 10:40.", 0),
        (4, 0, "second", "Harvest before 10:40.", 0),
    ]
    row = store.rows("SELECT * FROM alerts")[0]
    assert tuple(row)[1:10] == (
        "ready", "batch 1", "north", "soon", "north: ready", "Harvest before 10:40.", to_us(NOW), None, None,
    )  # fmt: skip


def test_an_alert_to_nobody_is_kept_all_the_same(store: Store) -> None:
    store.add_alert(ALERT, 0, NOW)
    assert store.due_letters(NOW) == []
    assert len(store.rows("SELECT * FROM alerts")) == 1


def test_a_letter_waits_for_the_end_of_the_quiet(store: Store) -> None:
    store.add_alert(ALERT, 1, after(3600))
    assert store.due_letters(after(3599.999999)) == []
    assert len(store.due_letters(after(3600))) == 1


def test_a_letter_stays_due_until_it_is_sent(store: Store) -> None:
    store.add_alert(ALERT, 2, NOW)
    assert not store.letter_failed(1, "500 Internal Server Error", False, after(-1))
    assert not store.letter_failed(1, "timed out", True, after(-1))
    store.letter_sent(2)
    assert [(row["letter_id"], row["attempts"]) for row in store.due_letters(NOW)] == [(1, 2)]
    assert states(store) == ["due", "sent"]
    rows = store.rows("SELECT attempts, last_error FROM letters ORDER BY letter_id")
    assert [tuple(row) for row in rows] == [(2, "timed out"), (1, None)]
    store.letter_sent(1)
    assert store.due_letters(NOW) == []
    assert tuple(store.rows("SELECT attempts, last_error FROM letters")[0]) == (3, None)


def test_a_letter_keeps_its_key_and_its_doubt(store: Store) -> None:
    """A letter begun and not ended, as after a crash, may have arrived; one plainly refused has not."""
    store.add_alert(ALERT, 2, NOW)

    def told() -> list[tuple[str, int]]:
        return [(row["key"], row["in_doubt"]) for row in store.due_letters(NOW)]

    (key, _), (other, _) = told()
    assert key != other
    assert len(key) == 16
    store.letter_begun(1)
    assert told() == [(key, 1), (other, 0)]
    store.letter_failed(1, "404 Not Found", False, after(-1))
    assert told() == [(key, 0), (other, 0)]
    store.letter_failed(1, "no answer in time", True, after(-1))
    assert told() == [(key, 1), (other, 0)]


def test_a_letter_that_no_service_takes_is_given_up_when_it_is_old_and_was_tried(store: Store) -> None:
    store.add_alert(ALERT, 1, NOW)
    tried = [store.letter_failed(1, "413", False, after(moment)) for moment in (1, 1, 1, 1)]
    assert tried == [False] * 4  # old enough, not tried enough: the machine may have been off
    assert not store.letter_failed(1, "413", False, NOW)  # tried enough, not old enough
    assert len(store.due_letters(NOW)) == 1
    assert store.letter_failed(1, "413", False, after(1))
    assert store.due_letters(NOW) == []
    assert [tuple(row) for row in store.rows("SELECT state, attempts, last_error FROM letters")] == [
        ("given up", 6, "413")
    ]
    assert not store.letter_failed(1, "413", False, after(1))  # told once


def test_only_letters_still_held_back_are_overtaken(store: Store) -> None:
    for kind, scope, not_before in (
        ("ready-soon", "batch 1", after(60)),  # held back: overtaken
        ("ready", "batch 1", after(60)),  # held back: overtaken
        ("closing", "batch 1", after(60)),  # another kind
        ("ready", "batch 2", after(60)),  # another batch
        ("ready", "batch 1", NOW),  # due already: the keeper is told, if late
    ):
        store.add_alert(replace(ALERT, kind=kind, scope=scope), 1, not_before)
    store.add_alert(ALERT, 1, after(60))
    store.letter_sent(6)
    store.overtake(("ready-soon", "ready"), "batch 1", NOW)
    assert states(store) == ["overtaken", "overtaken", "due", "due", "due", "sent"]
    assert [row["letter_id"] for row in store.due_letters(after(60))] == [3, 4, 5]


def test_letters_to_addresses_no_longer_set_are_withdrawn(store: Store) -> None:
    store.add_alert(ALERT, 3, NOW)
    store.letter_sent(3)
    store.withdraw_letters_but({0, -1})
    assert states(store) == ["due", "overtaken", "sent"]


def test_what_nobody_has_seen_in_time_is_told_to_others_once(store: Store) -> None:
    told = replace(ALERT, urgency="now")
    store.add_alert(told, 1, NOW)
    store.add_alert(replace(told, kind="cold"), 1, after(3600))  # held back by quiet hours
    store.add_alert(replace(told, urgency="can wait"), 1, NOW)
    store.add_alert(replace(told, cone="south"), 1, NOW)
    store.mark_seen("south", "keeper", NOW)

    def asked(told_by: datetime, since: datetime | None = None) -> list[int]:
        since = since or after(-60)
        return [row["alert_id"] for row in store.unanswered(["now", "soon"], since, told_by)]

    assert asked(after(-1)) == []
    assert asked(NOW) == [1]
    assert asked(after(3600)) == [1, 2]
    assert asked(NOW, since=NOW) == []  # too old
    store.tell_second(1, [-1, -2], NOW, NOW)
    assert asked(after(3600)) == [2]
    assert [row["address"] for row in store.due_letters(NOW)] == [0, 0, 0, -1, -2]
    # Seen after all: the others need not hear of it; the keeper's own letters go out still.
    store.mark_seen("north", "keeper", NOW)
    assert [row["address"] for row in store.due_letters(NOW)] == [0, 0, 0]
    assert asked(after(3600)) == []


def test_what_events_have_overtaken_is_told_to_nobody_else(store: Store) -> None:
    store.add_alert(replace(ALERT, urgency="now"), 1, after(60))
    store.overtake([ALERT.kind], ALERT.scope, NOW)
    assert store.unanswered(["now"], after(-60), after(120)) == []


def test_only_the_newest_message_of_the_day_waits(store: Store) -> None:
    store.add_alert(replace(ALERT, kind="daily"), 1, NOW)
    store.add_alert(ALERT, 1, NOW)
    assert store.last_raised("daily") == ALERT.raised
    assert store.last_raised("nothing") is None
    store.withdraw_letters_of("daily")
    assert states(store) == ["overtaken", "due"]
    assert "daily" not in {row["kind"] for row in store.unseen_alerts(after(-9e5))}


def test_letters_that_do_not_get_through_are_known(store: Store) -> None:
    store.add_alert(ALERT, 2, NOW)
    for reason in ("404", "405", "406"):
        store.letter_failed(2, reason, False, after(-1))
    assert [tuple(row) for row in store.undelivered(3, NOW)] == [(1, "due", "406")]
    assert store.undelivered(4, NOW) == []
    store.letter_failed(2, "407", False, after(1))
    store.letter_failed(2, "408", False, after(1))
    assert [tuple(row) for row in store.undelivered(9, NOW)] == [(1, "given up", "408")]
    assert store.undelivered(9, after(1)) == []


# ---- requests ----


def test_requests_are_asked_and_answered_across_connections(path: Path, store: Store) -> None:
    with Store(path, exclusive=False) as keeper:
        first = keeper.ask({"do": "look", "cone": "north", "seen": "größtenteils"}, "anna", NOW)
        second = keeper.ask({"do": "harvest", "cone": "north"}, "ben", after(1))
        assert keeper.answer_to(first) is None
        assert store.open_requests() == [
            Request(first, NOW, "anna", {"do": "look", "cone": "north", "seen": "größtenteils"}),
            Request(second, after(1), "ben", {"do": "harvest", "cone": "north"}),
        ]
        store.answer(first, True, {"text": "noted"}, after(2))
        assert keeper.answer_to(first) == (True, {"text": "noted"})
        assert [request.request_id for request in store.open_requests()] == [second]
        with store.atomic():
            store.answer(second, False, {"text": "nothing runs"}, after(3))
            assert keeper.answer_to(second) is None
        assert keeper.answer_to(second) == (False, {"text": "nothing runs"})
        assert keeper.answer_to(99) is None
        assert store.open_requests() == []


def test_asking_waits_for_a_writer_in_the_middle(path: Path, store: Store) -> None:
    asked: list[int] = []
    begun = threading.Event()

    def keeper() -> None:
        with Store(path, exclusive=False) as other:
            begun.set()
            asked.append(other.ask({"do": "look"}, "anna", NOW))

    with store.atomic():
        store.set_meta("a", "b")
        thread = threading.Thread(target=keeper)
        thread.start()
        assert begun.wait(10)
        thread.join(0.2)
        assert asked == []
    thread.join(10)
    assert asked == [1]
    assert len(store.open_requests()) == 1


# ---- a clock that was wrong ----


def times(store: Store, stream: Stream) -> dict[float, float]:
    """Seconds from NOW by raw value."""
    rows = store.rows("SELECT time_us, raw FROM readings WHERE stream_id = ?", stream.stream_id)
    return {row["raw"]: (from_us(row["time_us"]) - NOW).total_seconds() for row in rows}


def test_what_the_wrong_clock_stamped_moves_and_nothing_else(store: Store) -> None:
    stream = probe(store)
    store.add_readings([reading(stream, 0, 1.0), reading(stream, 100, 2.0)])
    first = store.next_seq()
    store.add_readings([
        reading(stream, 200, 3.0), reading(stream, 210, 4.0, dated_by="probe"),
        reading(stream, 220, 5.0, dated_by="keeper"), reading(stream, 230, 6.0),
    ])  # fmt: skip
    store.shift_times(Marks(first), after(190), after(300), timedelta(days=30))
    day30 = 30 * 86400.0
    assert times(store, stream) == {
        1.0: 0.0, 2.0: 100.0, 3.0: day30 + 200, 4.0: 210.0, 5.0: 220.0, 6.0: day30 + 230,
    }  # fmt: skip


def test_batches_looks_and_letters_of_the_wrong_hours_move(store: Store) -> None:
    for cone in ("north", "south", "east", "west"):
        probe(store, cone=cone)
    begun = [
        store.add_batch(replace(NEW, cone=cone, started=after(seconds)), dated_by)
        for cone, seconds, dated_by in (
            ("north", -50, "receipt"), ("south", 10, "receipt"),
            ("east", 20, "keeper"), ("west", 30, "receipt"),
        )
    ]  # fmt: skip
    for seconds in (-40, 40):
        store.add_look(Look(1, after(seconds), "most"), "receipt")
    store.end_batch(begun[3].batch_id, after(60), "harvested")
    for seconds in (-30, 50):
        store.add_alert(replace(ALERT, raised=after(seconds)), 1, after(seconds + 5))
    store.shift_times(Marks(1), after(0), after(100), timedelta(hours=-1))
    moved = {batch.cone: batch for batch in store.batches()}
    assert {cone: (batch.started - NOW).total_seconds() for cone, batch in moved.items()} == {
        "north": -50.0, "south": 10.0 - 3600, "east": 20.0, "west": 30.0 - 3600,
    }  # fmt: skip
    assert moved["west"].ended == after(60 - 3600)
    assert [look.time for look in store.looks(1)] == [after(40 - 3600), after(-40)]
    due = {row["letter_id"]: from_us(row["not_before_us"]) for row in store.rows("SELECT * FROM letters")}
    assert due == {1: after(-25), 2: after(55 - 3600)}


def test_what_was_noted_before_the_start_stays_though_the_clock_starts_behind_it(store: Store) -> None:
    """A machine that saves the time once an hour shows, when started, up to an hour before it went off."""
    probe(store)
    probe(store, cone="south")
    early = store.add_batch(replace(NEW, started=after(-600)), "receipt")
    done = store.add_batch(replace(NEW, cone="south", started=after(-500)), "receipt")
    store.add_look(Look(early.batch_id, after(10), "few"), "receipt")
    store.end_batch(done.batch_id, after(20), "harvested")
    store.add_alert(replace(ALERT, raised=after(30)), 1, after(30))
    store.date_changes(after(30))
    marks = store.marks()
    assert marks.running == (early.batch_id,)
    # Switched on again: the clock shows 0 once more.
    late = store.add_batch(replace(NEW, cone="south", started=after(15)), "receipt")
    store.add_look(Look(early.batch_id, after(25), "some"), "receipt")
    store.add_alert(replace(ALERT, raised=after(35)), 1, after(35))
    store.end_batch(early.batch_id, after(40), "harvested")
    store.date_changes(after(40))
    moved = store.shift_times(marks, after(0), after(60), timedelta(hours=2))
    assert [look.time for look in store.looks(early.batch_id)] == [after(10), after(7225)]
    ends = {batch.batch_id: (batch.started, batch.ended) for batch in store.batches()}
    assert ends == {
        early.batch_id: (after(-600), after(7240)),
        done.batch_id: (after(-500), after(20)),
        late.batch_id: (after(7215), None),
    }
    assert [from_us(row[0]) for row in store.rows("SELECT raised_us FROM alerts")] == [after(30), after(7235)]
    assert moved == {"alerts": 2, "batches": marks.batch_changes}


def test_a_letter_not_yet_sent_does_not_wait_for_the_wrong_clocks_date(store: Store) -> None:
    # Thirty days ahead at boot, no network yet; then the clock is set right.
    boot = after(30 * 86400)
    store.add_alert(replace(ALERT, raised=boot + timedelta(seconds=60)), 1, boot + timedelta(seconds=60))
    store.shift_times(Marks(1), boot, boot + timedelta(seconds=120), -timedelta(days=30))
    assert len(store.due_letters(after(120))) == 1


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    before=st.sets(st.integers(1, 30), max_size=12),
    during=st.dictionaries(st.integers(1, 30), st.sampled_from(["receipt", "receipt", "probe"]), max_size=12),
    shift=st.integers(-25, 25),
)
@example(before={6}, during={4: "receipt", 5: "receipt"}, shift=2)
@example(before={6, 7}, during={4: "receipt"}, shift=2)
@example(before={6, 7}, during={4: "receipt", 6: "probe", 5: "receipt"}, shift=2)
def test_no_two_readings_meet(
    tmp_path_factory: pytest.TempPathFactory, before: set[int], during: dict[int, str], shift: int
) -> None:
    base_us = to_us(NOW)
    with Store(tmp_path_factory.mktemp("shift") / "a.db") as store:
        stream, other = probe(store), probe(store, cone="south")
        during = {us: dated_by for us, dated_by in during.items() if us not in before}
        with store.atomic():
            store.add_readings([
                NewReading(each.stream_id, base_us + us, us, Verdict.GOOD, "receipt")
                for each in (stream, other) for us in sorted(before)
            ])  # fmt: skip
            first = store.next_seq()
            store.add_readings([
                NewReading(stream.stream_id, base_us + us, us, Verdict.GOOD, dated_by)
                for us, dated_by in sorted(during.items())
            ])  # fmt: skip
            store.shift_times(Marks(first), NOW, after(1), timedelta(microseconds=shift))
        rows = store.rows("SELECT raw, time_us FROM readings WHERE stream_id = ?", stream.stream_id)
        moved = {int(row["raw"]): row["time_us"] - base_us for row in rows}
        other_rows = store.rows("SELECT raw, time_us FROM readings WHERE stream_id = ?", other.stream_id)
    assert {int(row["raw"]): row["time_us"] - base_us for row in other_rows} == {us: us for us in before}
    assert set(moved) == before | set(during)
    still = before | {us for us, dated_by in during.items() if dated_by == "probe"}
    assert all(moved[us] == us for us in still)
    # Where its place is taken, a reading goes to the next free microsecond.
    assert all(0 <= moved[us] - us - shift <= len(moved) for us in set(during) - still)


# ---- backup ----


def test_a_backup_is_a_whole_database(path: Path, store: Store, tmp_path: Path) -> None:
    stream = probe(store)
    store.add_readings([reading(stream, s, 25.0) for s in range(100)])
    store.backup(tmp_path / "copy.db")
    assert not list(tmp_path.glob("copy.db-*"))
    with Store(tmp_path / "copy.db") as copy:
        assert copy.recent(stream.stream_id, 100) == store.recent(stream.stream_id, 100)
        assert pragma(copy, "integrity_check") == "ok"


def test_a_backup_overwrites_nothing(store: Store, tmp_path: Path) -> None:
    target = tmp_path / "copy.db"
    target.write_text("precious")
    with pytest.raises(Refused) as refused:
        store.backup(target)
    assert str(refused.value) == f"{target} exists already; name a new file."
    assert target.read_text() == "precious"
    with pytest.raises(Refused, match="cannot be written"):
        store.backup(tmp_path / "nowhere" / "copy.db")


def test_backups_are_consistent_while_another_connection_writes(path: Path, tmp_path: Path) -> None:
    with Store(path) as writer:
        stream = probe(writer)
        stop = threading.Event()
        written = 0

        def write() -> None:
            nonlocal written
            while not stop.is_set():
                with writer.atomic():
                    # Twenty readings belong together, and the note of how many there are.
                    writer.add_readings([reading(stream, written + s, float(written)) for s in range(20)])
                    written += 20
                    writer.set_meta("count", str(written))

        thread = threading.Thread(target=write)
        thread.start()
        counts: list[int] = []
        try:
            with Store(path, read_only=True) as reader:
                for number in range(8):
                    seen = int(reader.meta("count", "0"))
                    while int(reader.meta("count", "0")) <= seen:  # the writer goes on between backups
                        assert thread.is_alive()
                    copy_path = tmp_path / f"copy{number}.db"
                    reader.backup(copy_path)
                    with Store(copy_path, read_only=True) as copy:
                        assert pragma(copy, "integrity_check") == "ok"
                        counts.append(int(copy.meta("count")))
                        assert copy.next_seq() - 1 == counts[-1]
                        assert copy.rows("SELECT count(*) FROM readings")[0][0] == counts[-1]
        finally:
            stop.set()
            thread.join(20)
    assert all(a < b for a, b in pairwise(counts))


def test_old_answered_requests_make_room(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hatchmon.adapters.store.requests.REQUESTS_KEPT", 300)
    for number in range(1, 1025):
        assert store.ask({"do": "seen"}, "ada", NOW) == number
        if number != 5:
            store.answer(number, True, {"text": "done"}, NOW)
    kept = [row["request_id"] for row in store.rows("SELECT request_id FROM requests")]
    assert kept == [5, *range(1024 - 300 + 1, 1025)]


# ---- thinning ----


def test_a_minute_becomes_its_mean(store: Store) -> None:
    stream = probe(store)
    hand = probe(store, topic="")
    hour = 3600 - NOW.minute * 60
    store.add_readings(
        [reading(stream, s, 25.0 + s / 1000) for s in range(0, 3 * 3600, 10)]
        + [reading(stream, s + 5, 85.0, Verdict.SENTINEL) for s in (0, 10, 20)]
        + [reading(hand, s, 24.0) for s in (0, 10)]
    )
    before = store.next_seq()
    store.file_readings(0)
    whole = list(store.usable_readings("north", Quantity.TEMPERATURE, after(0), after(9e4)))
    assert not store.thin_some(after(hour - 1), before, 64)
    assert not store.thin_some(after(hour), 100, 64)
    assert store.recent(stream.stream_id, 1000)[::-1][0][1] == pytest.approx(25.0 + 10_790 / 1000)
    assert store.thin_some(after(hour), before, 64)
    assert not store.thin_some(after(hour), before, 64)
    assert store.next_seq() == before
    rows = store.rows("SELECT * FROM readings WHERE filed = 2 ORDER BY time_us")
    usable = [row for row in rows if row["verdict"] == "good"]
    assert len(usable) == 60
    assert [row["raw"] for row in rows if row["verdict"] == "sentinel"] == [85.0]
    assert (usable[0]["raw"], usable[0]["time_us"]) == (pytest.approx(25.025), to_us(after(25)) + 1)
    assert len([1 for _, value, _ in whole if value == 24.0]) == 2
    assert len(store.recent(hand.stream_id, 10)) == 2


def test_the_newest_reading_of_all_stays(store: Store) -> None:
    """Its number must not be given to another, which the series store would miss."""
    stream = probe(store)
    store.add_readings([reading(stream, s, 25.0) for s in (50, 40, 30)])
    store.file_readings(0)
    assert store.thin_some(after(7200), store.next_seq(), 64)
    assert store.next_seq() == 4
    assert store.rows("SELECT count(*) FROM readings")[0][0] == 1


def test_an_hour_of_many_streams_is_thinned_some_at_a_time(store: Store) -> None:
    probes = [probe(store, cone=f"c{number}") for number in range(5)]
    probe(store, topic="")
    hour = 3600 - NOW.minute * 60
    store.add_readings([reading(each, s, 25.0) for each in probes for s in range(0, 2 * 3600, 10)])
    store.file_readings(0)

    def left() -> list[int]:
        before = to_us(after(hour))
        return [
            store.rows(
                "SELECT count(*) FROM readings WHERE stream_id = ? AND time_us < ?", each.stream_id, before
            )[0][0]
            for each in probes
        ]

    whole, thin = hour // 10, hour // 60
    assert left() == [whole] * 5
    for done in (2, 4, 5):
        assert store.thin_some(after(hour), store.next_seq(), 2)
        assert left() == [thin] * done + [whole] * (5 - done)
    assert not store.thin_some(after(hour), store.next_seq(), 2)
    assert store.thin_some(after(hour + 3600), store.next_seq(), 5)
    assert not store.thin_some(after(hour + 3600), store.next_seq(), 5)

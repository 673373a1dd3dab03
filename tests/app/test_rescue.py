"""A damaged database is set aside, the newest whole backup stands in, and the keeper hears what is gone."""

from __future__ import annotations

import contextlib
import random
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from hatchmon.adapters.store import NewReading, Store, StoreError, Taken, to_us
from hatchmon.adapters.store.dbfile import damage, to_disk
from hatchmon.app.backups import Backups, NotMade
from hatchmon.app.beliefs import work_out_evidence
from hatchmon.app.rescue import Damage, left_whole, make_good, set_aside_if_damaged, suspect
from hatchmon.app.settings import Settings, load_settings
from hatchmon.hatchery.types import Batch, Count, Look, Quantity, Verdict

MORNING = datetime(2026, 3, 10, 4, 40, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    config = tmp_path / "hatchmon.toml"
    config.write_text(
        f'time_zone = "UTC"\n[store]\npath = "{tmp_path}/state/hatchmon.db"\n'
        '[push]\nto = ["json://127.0.0.1:9/phone"]\n'
    )
    return load_settings(config, {})


def record(store: Store, cone: str, since: datetime, hours: int) -> Batch:
    """A batch with a reading a minute."""
    stream = store.add_stream(cone, Quantity.TEMPERATURE, "C", f"hatchery/{cone}/temperature", since)
    with store.atomic():
        batch = store.add_batch(Batch(0, cone, "tin 7", since, 4.0), "keeper")
        store.add_readings(
            [
                NewReading(
                    stream.stream_id, to_us(since + timedelta(minutes=n)), 26.0 + n % 7 / 16, Verdict.GOOD,
                    "receipt",
                )
                for n in range(hours * 60)
            ]
        )  # fmt: skip
        store.set_meta("alive_us", str(to_us(since + hours * HOUR)))
    return batch


def a_day(settings: Settings) -> datetime:
    """Two batches, a backup, then a third batch, a harvest, a look and a count; when the last of it was."""
    with Store(settings.store.path) as store:
        first = record(store, "left", MORNING - 30 * HOUR, 30)
        record(store, "right", MORNING - 10 * HOUR, 10)
        store.file_readings(0)
        store.add_look(Look(first.batch_id, MORNING - 6 * HOUR, "few"), "keeper")
    Backups(settings).make(MORNING)
    with Store(settings.store.path) as store:
        store.end_batch(first.batch_id, MORNING + HOUR, "harvested")
        store.add_look(Look(first.batch_id, MORNING + HOUR, "complete"), "keeper")
        store.add_count(Count(first.batch_id, MORNING + HOUR, 1.0, (60, 58), (), ()), "keeper")
        record(store, "left", MORNING + 2 * HOUR, 20)
    return MORNING + 22 * HOUR


def rescued(settings: Settings, now: datetime) -> tuple[Damage | None, list[str]]:
    """What the daemon's start does; the title and body of what is to be sent then."""
    found = set_aside_if_damaged(settings, now)
    with Store(settings.store.path) as store:
        if found is not None:
            make_good(settings, store, found, now)
        (letter,) = store.due_letters(now)
        assert damage(settings.store.path, thorough=True) is None
        return found, [letter["title"], letter["body"]]


def spoil(path: Path, at: int, count: int = 2000) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(random.Random(at).randbytes(count))


def test_a_whole_database_is_left_as_it_is(settings: Settings) -> None:
    now = a_day(settings)
    before = settings.store.path.read_bytes()
    suspect(settings.store.path)
    assert set_aside_if_damaged(settings, now) is None
    assert settings.store.path.read_bytes() == before
    names = {file.name for file in settings.store.path.parent.iterdir()}
    assert names - {"hatchmon.db-wal", "hatchmon.db-shm"} == {"backups", "hatchmon.db", "hatchmon.db.lock"}


def test_what_an_end_in_order_left_is_not_looked_through(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until something is written to it, or somebody suspects it."""
    now = a_day(settings)
    looked: list[Path] = []

    def look(path: Path, *, thorough: bool = False) -> str | None:
        looked.append(path)
        return damage(path, thorough=thorough)

    monkeypatch.setattr("hatchmon.app.rescue.damage", look)
    left_whole(settings.store.path)
    assert set_aside_if_damaged(settings, now) is None
    assert looked == []
    suspect(settings.store.path)
    assert set_aside_if_damaged(settings, now) is None
    assert looked == [settings.store.path]
    log = settings.store.path.with_name("hatchmon.db-wal")
    log.write_bytes(b"a power cut leaves a log")
    assert set_aside_if_damaged(settings, now) is None
    assert len(looked) == 2
    log.unlink()
    spoil(settings.store.path, 0)
    assert set_aside_if_damaged(settings, now) is not None


def test_what_can_be_read_of_the_notes_is_saved(settings: Settings) -> None:
    now = a_day(settings)
    with sqlite3.connect(settings.store.path) as db:
        page = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'readings'").fetchone()[0]
    spoil(settings.store.path, (page - 1) * 1024, 1024)
    found, (title, body) = rescued(settings, now + HOUR)
    assert found is not None
    assert title == "The record was damaged; a backup stands in for it"
    assert f"The damaged file is kept: {found.aside}." in body
    assert found.aside.exists()
    assert "Missing: readings and forecasts from yesterday 04:40 to 03:40." in body
    assert "Saved of what was noted in that time: 1 batch, 1 look, 1 count. Look whether" in body
    with Store(settings.store.path, read_only=True) as store:
        first, right, left = sorted(store.batches(), key=lambda batch: batch.batch_id)
        assert (first.ended, first.outcome) == (MORNING + HOUR, "harvested")
        assert [look.seen for look in store.looks(first.batch_id)] == ["few", "complete"]
        assert store.counts(first.batch_id)[0].nauplii == (60, 58)
        assert (right.ended, left.cone, left.started) == (None, "left", MORNING + 2 * HOUR)
        assert store.evidence(first.batch_id) is not None
        assert store.next_seq() == 40 * 60 + 1


@pytest.mark.parametrize("seed", range(12))
def test_damage_anywhere(settings: Settings, seed: int) -> None:
    """Wherever it is cut off or overwritten, hatchmon starts on a database that is whole."""
    now = a_day(settings)
    chance = random.Random(seed)
    size = settings.store.path.stat().st_size
    if seed % 3:
        for _ in range(3):
            spoil(settings.store.path, chance.randrange(size - 2000))
    else:
        with settings.store.path.open("r+b") as file:
            file.truncate(chance.choice((0, 10, chance.randrange(100, size))))
    found, (title, body) = rescued(settings, now)
    assert found is not None
    assert title == "The record was damaged; a backup stands in for it"
    assert "Missing: readings and forecasts from" in body
    with Store(settings.store.path, read_only=True) as store:
        assert store.next_seq() == 40 * 60 + 1
        assert len(store.batches()) >= 2
    assert set_aside_if_damaged(settings, now) is None


def test_a_backup_that_is_damaged_too_is_passed_over(settings: Settings) -> None:
    now = a_day(settings)
    newest = Backups(settings).make(now)
    spoil(newest, 1024)
    spoil(settings.store.path, 1024)
    found, _ = rescued(settings, now)
    assert found is not None
    assert found.copy == Backups(settings).made()[1]


def test_without_a_whole_backup_it_begins_anew_and_says_so(settings: Settings) -> None:
    now = a_day(settings)
    for copy in Backups(settings).made():
        spoil(copy, 0)
    spoil(settings.store.path, 0)
    found, (title, body) = rescued(settings, now)
    assert found is not None
    assert (found.copy, title) == (None, "The record was damaged, and no backup was whole")
    assert "Begin the batches that run again" in body
    assert found.aside.exists()


@pytest.mark.parametrize("steps", range(14))
def test_a_power_cut_in_the_midst_of_it(
    settings: Settings, monkeypatch: pytest.MonkeyPatch, steps: int
) -> None:
    """After so many steps on the disk. The next start goes on with it, and the keeper is told once."""
    now = a_day(settings)
    spoil(settings.store.path, 1024)

    class PowerCut(BaseException):
        pass

    left = steps

    def or_never(real: Callable[..., object]) -> Callable[..., object]:
        def step(*words: object, **more: object) -> object:
            nonlocal left
            if left == 0:
                raise PowerCut
            left -= 1
            return real(*words, **more)

        return step

    with monkeypatch.context() as patch:
        for name in ("rename", "write_text", "unlink"):
            patch.setattr(Path, name, or_never(getattr(Path, name)))
        patch.setattr("hatchmon.app.rescue.to_disk", or_never(to_disk))
        patch.setattr("shutil.copyfile", or_never(shutil.copyfile))
        with contextlib.suppress(PowerCut):
            rescued(settings, now)
    _, (title, body) = rescued(settings, now + HOUR)
    assert title == "The record was damaged; a backup stands in for it"
    (aside,) = settings.store.path.parent.glob("hatchmon.db.damaged-*Z")
    assert str(aside) in body
    assert set_aside_if_damaged(settings, now + 2 * HOUR) is None
    with Store(settings.store.path, read_only=True) as store:
        assert store.next_seq() == 40 * 60 + 1
        assert len(store.rows("SELECT * FROM alerts")) == 1


def test_a_log_damaged_at_its_start_is_noticed(settings: Settings) -> None:
    """Of all that it held SQLite says nothing; the backup knows better."""
    a_day(settings)
    path = settings.store.path
    store = Store(path)
    stream = store.add_stream("far", Quantity.TEMPERATURE, "C", "hatchery/far/temperature", MORNING)
    for minutes in range(3):
        at_us = to_us(MORNING + minutes * HOUR)
        store.add_readings([NewReading(stream.stream_id, at_us, 26.0, Verdict.GOOD, "receipt")])
    held = store.next_seq()
    Backups(settings).make(MORNING + 5 * HOUR)
    with tempfile.TemporaryDirectory() as elsewhere:  # as a power cut would leave them
        for end in ("", "-wal"):
            shutil.copy(path.with_name(path.name + end), Path(elsewhere) / (path.name + end))
        store.close()
        for end in ("", "-wal"):
            shutil.copy(Path(elsewhere) / (path.name + end), path.with_name(path.name + end))
    spoil(path.with_name(path.name + "-wal"), 0, 2000)
    assert damage(path) is None
    found, (title, _) = rescued(settings, MORNING + 6 * HOUR)
    assert found is not None
    assert found.wrong == "its log is damaged"
    assert title == "The record was damaged; a backup stands in for it"
    with Store(path, read_only=True) as store:
        assert store.next_seq() == held


def test_a_disk_without_room_for_the_backup_leaves_all_in_place(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = a_day(settings)
    spoil(settings.store.path, 1024)
    with monkeypatch.context() as patch:
        patch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=1000))
        with pytest.raises(OSError, match="No space left on device"):
            rescued(settings, now)
    assert settings.store.path.exists()
    assert not list(settings.store.path.parent.glob("*.damaged-*"))
    assert rescued(settings, now)[1][0] == "The record was damaged; a backup stands in for it"


def test_somebody_elses_file_is_not_touched(settings: Settings) -> None:
    path = settings.store.path
    path.parent.mkdir()
    path.write_bytes(b"dear diary" * 1000)
    assert set_aside_if_damaged(settings, MORNING) is None
    with pytest.raises(StoreError, match="is not a hatchmon database"):
        Store(path)
    assert path.read_bytes() == b"dear diary" * 1000


def test_a_database_in_use_is_not_touched(settings: Settings) -> None:
    with Store(settings.store.path), pytest.raises(Taken):
        set_aside_if_damaged(settings, MORNING)


def test_others_are_told_who_mends_it(settings: Settings) -> None:
    a_day(settings)
    spoil(settings.store.path, 0)
    with pytest.raises(StoreError, match=r"is damaged .* 'hatchmon run' sets it aside when it starts"):
        Store(settings.store.path, read_only=True)


def test_letters_and_requests_of_long_ago_are_not_carried_out(settings: Settings) -> None:
    with Store(settings.store.path) as store:
        record(store, "left", MORNING - 2 * HOUR, 2)
        number = store.ask({"do": "harvest", "cone": "left"}, "keeper", MORNING)
    Backups(settings).make(MORNING)
    spoil(settings.store.path, 0)
    rescued(settings, MORNING + HOUR)
    with Store(settings.store.path, read_only=True) as store:
        assert store.open_requests() == []
        assert store.answer_to(number) == (
            False, {"text": "The record was damaged before this was done; ask again."}
        )  # fmt: skip


# ---- backups ----


def test_the_newest_few_are_kept_and_each_is_whole(settings: Settings) -> None:
    a_day(settings)
    backups = Backups(settings)
    made = [backups.make(MORNING + n * HOUR) for n in (5, 6, 7, 8)]
    assert backups.made() == made[:0:-1]
    assert backups.last() == MORNING + 8 * HOUR
    for copy in made[1:]:
        assert damage(copy, thorough=True) is None
        with Store(copy, read_only=True) as store, Store(settings.store.path, read_only=True) as origin:
            for table in ("readings", "batches", "looks", "counts", "meta"):
                sql = f"SELECT * FROM {table}"
                assert [tuple(r) for r in store.rows(sql)] == [tuple(r) for r in origin.rows(sql)]
    assert {file.suffix for file in backups.folder.iterdir()} == {".db"}
    assert {file.stat().st_mode & 0o777 for file in backups.folder.iterdir()} == {0o600}


def test_nothing_waits_while_a_backup_is_made(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    a_day(settings)
    with Store(settings.store.path) as store:
        copying: Callable[..., str | None] = damage

        def write_meanwhile(path: Path, *, thorough: bool = False) -> str | None:
            store.set_meta("while", "copied")
            return copying(path, thorough=thorough)

        monkeypatch.setattr("hatchmon.app.backups.damage", write_meanwhile)
        Backups(settings).make(MORNING + HOUR)
        assert store.meta("while") == "copied"


@pytest.mark.parametrize("wrong", ["no room", "not whole", "no folder"])
def test_what_went_wrong_is_told_and_old_backups_stay(
    settings: Settings, monkeypatch: pytest.MonkeyPatch, wrong: str
) -> None:
    a_day(settings)
    backups = Backups(settings)
    before = backups.made()
    if wrong == "no room":
        monkeypatch.setattr("hatchmon.app.backups.ROOM_BYTES", 1 << 60)
        words = r"has \d+ MB free, a copy needs \d+ MB; make room there, or set backup.folder to another disk"
    elif wrong == "not whole":
        monkeypatch.setattr("hatchmon.app.backups.damage", lambda *_, **__: "row 7 missing")
        words = r"the copy was not whole \(row 7 missing\); is the disk failing\?"
    else:
        backups.folder = settings.store.path / "nowhere"
        words = r"hatchmon must be able to write to .*/hatchmon.db/nowhere"
    with pytest.raises(NotMade, match=words):
        backups.make(MORNING + HOUR)
    assert Backups(settings).made() == before
    assert list((settings.store.path.parent / "backups").glob(".*")) == []


def test_evidence_of_a_saved_harvest_is_worked_out(settings: Settings) -> None:
    now = a_day(settings)
    with Store(settings.store.path) as store:
        (first,) = store.batches("outcome = 'harvested'")
        work_out_evidence(store, first)
        told = store.evidence(first.batch_id)
    spoil(settings.store.path, 2 * 1024, 400_000)
    rescued(settings, now)
    with Store(settings.store.path, read_only=True) as store:
        (again,) = store.batches("batch_id = ?", first.batch_id)
        assert store.evidence(first.batch_id) in (told, None)
        assert (again.outcome is None) == (store.evidence(first.batch_id) is None)

"""The spool beside the database: exactly once through every way of ending, seen by all who read."""

from __future__ import annotations

import os
import random
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from hatchmon.adapters.store import NewReading, Store, spool, to_us
from hatchmon.adapters.store.dbfile import damage
from hatchmon.app.pending import Pending
from hatchmon.hatchery.types import Batch, Forecast, Quantity, Verdict

NOON = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def reading(stream_id: int, number: int, verdict: Verdict = Verdict.GOOD) -> NewReading:
    return NewReading(
        stream_id, to_us(NOON + number * SECOND), 20.0 + number / 8, verdict, "receipt", 7000 + number
    )


class Writer:
    """The recording process in small: three streams, pending things, and what has been acknowledged."""

    def __init__(self, path: Path) -> None:
        self.store = Store(path)
        self.streams = [
            self.store.add_stream(cone, Quantity.TEMPERATURE, "C", f"shed/{cone}", NOON).stream_id
            for cone in ("left", "middle", "right")
        ]
        self.pending = Pending()
        self.number = 0
        self.acknowledged = 0

    def come(self, count: int) -> None:
        for _ in range(count):
            new = reading(self.streams[self.number % 3], self.number)
            self.pending.readings[new.stream_id, new.time_us] = new
            self.number += 1

    def spool(self) -> None:
        self.pending.spool(self.store, NOON + self.number * SECOND)
        self.acknowledged = self.number

    def fold(self) -> None:
        with self.store.atomic():
            self.pending.write(self.store, NOON + self.number * SECOND, 0, 0, 100)
        self.store.clear_spool()
        self.pending = Pending()
        self.acknowledged = self.number


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "hatchmon.db"


@pytest.fixture
def writer(path: Path) -> Iterator[Writer]:
    made = Writer(path)
    yield made
    made.store.close()


def values(store: Store) -> list[float]:
    return [row["raw"] for row in store.rows("SELECT raw FROM readings ORDER BY seq")]


def seen(path: Path) -> list[float]:
    with Store(path, read_only=True) as store:
        return values(store)


def expected(count: int) -> list[float]:
    return [20.0 + number / 8 for number in range(count)]


def ended(path: Path, to: Path) -> Path:
    """The files as a process that ends now leaves them."""
    shutil.copytree(path.parent, to)
    return to / path.name


def after_restart(path: Path) -> list[float]:
    with Store(path) as store:
        found = values(store)
    assert damage(path, thorough=True) is None
    assert not spool.path_of(path).exists()
    return found


def test_whoever_reads_sees_what_is_spooled_once(writer: Writer, path: Path) -> None:
    writer.come(7)
    writer.fold()
    writer.come(5)
    writer.spool()
    writer.come(4)
    writer.spool()
    assert values(writer.store) == expected(7)
    with Store(path, read_only=True) as store:
        assert values(store) == expected(16)
        assert store.next_seq() == 17
        rows = store.readings_after(5, 100)
        assert [row["seq"] for row in rows] == list(range(6, 17))
        assert store.readings_after(15, 100)[0]["cone"] == "left"
        assert store.newest_us(writer.streams[0]) == to_us(NOON + 15 * SECOND)
        found = store.recent(writer.streams[1], 3)
        assert [raw for _, raw, _ in found] == [20.0 + number / 8 for number in (7, 10, 13)]
        numbers = [row["seq"] for row in store.rows("SELECT seq FROM readings ORDER BY seq")]
        writer.come(2)
        writer.fold()
        # The reader was there first: it sees each reading once all the same, under the number it had.
        assert values(store) == expected(18)
        assert [row["seq"] for row in store.rows("SELECT seq FROM readings ORDER BY seq")][:16] == numbers
        assert store.newest_us(writer.streams[2]) == to_us(NOON + 17 * SECOND)


def test_the_queries_of_those_who_read_still_use_the_index(writer: Writer, path: Path) -> None:
    writer.come(3)
    writer.spool()
    with Store(path, read_only=True) as store:
        for query in (
            "SELECT raw FROM by_stream WHERE stream_id = 1 ORDER BY time_us DESC LIMIT 1",
            "SELECT raw FROM by_stream WHERE stream_id = 1 AND time_us BETWEEN 5 AND 9",
        ):
            plan = [row["detail"] for row in store.rows(f"EXPLAIN QUERY PLAN {query}")]
            assert any("USING INDEX readings_filed" in step for step in plan), plan
        plan = [
            row["detail"]
            for row in store.rows("EXPLAIN QUERY PLAN SELECT seq FROM readings ORDER BY seq DESC LIMIT 1")
        ]
        assert not any("TEMP B-TREE" in step and "ORDER BY" in step for step in plan[:2]), plan


def test_a_verdict_that_changes_while_spooled(writer: Writer, path: Path) -> None:
    writer.come(6)
    writer.spool()
    changed = NOON + 3 * SECOND
    writer.pending.revise(writer.streams[0], changed, to_us(changed), Verdict.STEP)
    writer.come(1)
    writer.spool()

    def verdicts(store: Store) -> list[tuple[float, str]]:
        return [tuple(row) for row in store.rows("SELECT raw, verdict FROM readings ORDER BY seq")]

    wanted = [(raw, "step" if number == 3 else "good") for number, raw in enumerate(expected(7))]
    with Store(path, read_only=True) as store:
        assert verdicts(store) == wanted
    copy = ended(path, path.parent.parent / "copy")
    with Store(copy) as store:
        assert verdicts(store) == wanted
    writer.fold()
    assert verdicts(writer.store) == wanted


def test_killed_between_any_two_steps(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is acknowledged is there once; nothing is there that did not come, and nothing twice."""
    writer = Writer(path)
    ends: list[tuple[Path, int, int]] = []

    def end() -> None:
        to = path.parent.parent / f"ended-{len(ends)}"
        ends.append((ended(path, to), writer.acknowledged, writer.number))

    write, sync, atomic = os.pwrite, os.fdatasync, Store.atomic

    def pwrite(handle: int, data: bytes, at: int) -> int:
        end()
        write(handle, data[: len(data) // 2], at)
        end()
        done = write(handle, data, at)
        end()
        return done

    def fdatasync(handle: int) -> None:
        sync(handle)
        end()

    @contextmanager
    def transaction(store: Store) -> Iterator[None]:
        with atomic(store):
            yield
            end()
        end()

    with monkeypatch.context() as patch:
        patch.setattr("os.pwrite", pwrite)
        patch.setattr("os.fdatasync", fdatasync)
        patch.setattr(Store, "atomic", transaction)
        for round_ in range(3):
            for _ in range(4 - round_):
                writer.come(5)
                writer.spool()
                end()
            writer.come(2)
            writer.fold()
            end()
    writer.store.close()
    assert len(ends) > 45
    for copy, acknowledged, come in ends:
        read = seen(copy)
        found = after_restart(copy)
        assert found == read
        assert acknowledged <= len(found) <= come
        assert found == expected(len(found))
        assert after_restart(copy) == found
    assert after_restart(path) == expected(writer.number)


def test_a_torn_end_is_dropped_without_a_word(writer: Writer, path: Path) -> None:
    for _ in range(3):
        writer.come(4)
        writer.spool()
    whole = spool.path_of(path).read_bytes()
    starts = [at for at in range(len(whole)) if whole.startswith(b"\xf7sp\xf7", at)]
    for length in range(starts[2], len(whole), 7):
        copy = ended(path, path.parent.parent / f"torn-{length}")
        os.truncate(spool.path_of(copy), length)
        with Store(copy) as store:
            assert values(store) == expected(8)
            assert store.spool_lost() is None


def test_damage_in_the_middle_is_told_and_the_rest_kept(writer: Writer, path: Path) -> None:
    for _ in range(5):
        writer.come(4)
        writer.spool()
    chance = random.Random(4)
    whole = spool.path_of(path).read_bytes()
    starts = [at for at in range(len(whole)) if whole.startswith(b"\xf7sp\xf7", at)]
    for at in (starts[0], starts[0] + 9, starts[1] + 30, starts[2], starts[3] - 5):
        copy = ended(path, path.parent.parent / f"spoilt-{at}")
        with spool.path_of(copy).open("r+b") as file:
            file.seek(at)
            file.write(chance.randbytes(4))
        lost = max(number for number, start in enumerate(starts) if start <= at)
        kept = [raw for number, raw in enumerate(expected(20)) if number // 4 != lost]
        assert seen(copy) == kept
        with Store(copy) as store:
            assert values(store) == kept
            noted = store.spool_lost()
            assert noted is not None
            assert noted[1] == NOON + 20 * SECOND
        with Store(copy) as store:  # until somebody has been told
            assert store.spool_lost() == noted
            store.forget_spool_lost()
            assert store.spool_lost() is None


def test_old_pieces_that_were_not_written_over_yet_do_no_harm(writer: Writer, path: Path) -> None:
    writer.come(60)
    writer.spool()
    writer.come(60)
    writer.spool()
    writer.fold()
    writer.come(1)
    writer.spool()
    assert spool.path_of(path).stat().st_size > 1000
    assert seen(path) == expected(121)
    copy = ended(path, path.parent.parent / "copy")
    with Store(copy) as store:
        assert values(store) == expected(121)
        assert store.spool_lost() is None


def test_a_copy_holds_what_is_spooled(writer: Writer, path: Path, tmp_path: Path) -> None:
    writer.come(3)
    writer.fold()
    writer.come(3)
    writer.spool()
    with Store(path, read_only=True) as store:
        store.backup(tmp_path / "copy.db")
    writer.come(3)
    writer.spool()
    with Store(tmp_path / "copy.db") as store:
        assert values(store) == expected(6)
    # Should it take the place of the database, the spool goes on where the copy ends.
    left = ended(path, tmp_path / "left")
    (tmp_path / "copy.db").replace(left)
    assert after_restart(left) == expected(9)


def test_forecasts_are_spooled_as_well(writer: Writer, path: Path) -> None:
    store = writer.store
    batch = store.add_batch(Batch(0, "left", "tin 7", NOON, 4.0), "keeper").batch_id
    dropped = store.add_batch(Batch(0, "right", "tin 7", NOON, 4.0), "keeper")

    def forecast(number: int) -> Forecast:
        return Forecast(
            issued=NOON + number * SECOND, q25_h=number / 4, hatched=0.0, t10=None, t50=None, t90=None,
            opens=None, best=None, closes=None, usable_h=None, surely_h=None, trust="none", reasons=(),
            not_predicted="too early", from_temperature=24.0, temperature_rule="usual",
        )  # fmt: skip

    with store.atomic():
        store.add_forecast(batch, forecast(0))
        store.add_forecast(dropped.batch_id, forecast(0))
        store.drop_batch(dropped)
    writer.pending.forecasts = [(batch, forecast(1)), (batch, forecast(2))]
    writer.spool()
    with Store(path, read_only=True) as reader:
        found = reader.forecasts_after(0, 9)
        assert reader.last_forecast(batch) == forecast(2)
    assert [(number, each.q25_h) for number, _, each in found] == [(1, 0.0), (3, 0.25), (4, 0.5)]
    with Store(ended(path, path.parent.parent / "copy")) as other:
        assert [(number, each.q25_h) for number, _, each in other.forecasts_after(0, 9)] == [
            (1, 0.0), (3, 0.25), (4, 0.5),
        ]  # fmt: skip
    writer.fold()
    assert [number for number, _, _ in store.forecasts_after(0, 9)] == [1, 3, 4]


def test_nobody_else_may_read_it(writer: Writer, path: Path) -> None:
    writer.come(1)
    writer.spool()
    assert stat.S_IMODE(spool.path_of(path).stat().st_mode) == 0o600
    writer.fold()
    writer.store.close()
    assert not spool.path_of(path).exists()
    path.parent.chmod(0o2770)
    other = Writer(path)
    other.number = 1
    other.come(1)
    other.spool()
    assert stat.S_IMODE(spool.path_of(path).stat().st_mode) == 0o660
    other.store.close()


def test_a_spool_that_is_deleted_is_missed_before_the_next_word(writer: Writer, path: Path) -> None:
    writer.come(2)
    writer.spool()
    spool.path_of(path).unlink()
    writer.come(2)
    with pytest.raises(FileNotFoundError, match="the spool was deleted"):
        writer.spool()
    writer.fold()
    writer.come(2)
    writer.spool()
    assert seen(path) == expected(6)


def test_pieces_that_hold_nothing_whole_are_no_pieces(path: Path) -> None:
    """Whatever stands in the file, reading it ends and finds nothing."""
    path.parent.mkdir()
    chance = random.Random(8)
    for _ in range(200):
        noise = chance.randbytes(chance.randrange(300))
        at = chance.randrange(len(noise) + 1)
        spool.path_of(path).write_bytes(noise[:at] + b"\xf7sp\xf7" + noise[at:])
        assert spool.find(path).pieces == {}


def test_cursors_are_kept_unless_the_numbers_they_speak_of_have_changed(writer: Writer, path: Path) -> None:
    for number in range(3):
        writer.come(4)
        writer.pending.cursors = {"readings": 4 * number, "alerts": number}
        writer.spool()
    copy = ended(path, path.parent.parent / "copy")
    with Store(copy) as store:
        assert (store.series_cursor("readings"), store.series_cursor("alerts")) == (8, 2)
    spoilt = ended(path, path.parent.parent / "spoilt")
    with spool.path_of(spoilt).open("r+b") as file:
        file.write(bytes(30))
    with Store(spoilt) as store:
        assert values(store) == expected(12)[4:]
        assert (store.series_cursor("readings"), store.series_cursor("alerts")) == (0, 0)


def test_what_is_newest_is_found_without_reading_all_through_the_spool(tmp_path: Path) -> None:
    """SQLite's steps, in hundreds, with two hundred times the readings: once a mismatch of types made it read
    the whole index for the newest row."""
    steps = {}
    for many in (100, 20_000):
        path = tmp_path / f"{many}.db"
        writer = Writer(path)
        writer.come(many)
        writer.fold()
        with writer.store.atomic():
            writer.store.file_readings(0)
        writer.come(3)
        writer.spool()
        with Store(path, read_only=True) as reader:
            taken = [0]

            def count(taken: list[int] = taken) -> int:
                taken[0] += 1
                return 0

            reader._db.set_progress_handler(count, 100)
            for stream_id in writer.streams:
                assert len(reader.recent(stream_id, 20)) == 20
                assert reader.newest_us(stream_id) > to_us(NOON + (many - 1) * SECOND)
            assert reader.next_seq() == many + 4
            assert reader.last_forecast(1) is None
            steps[many] = taken[0]
        writer.store.close()
    assert steps[20_000] < 3 * steps[100]

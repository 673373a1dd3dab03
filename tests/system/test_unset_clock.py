"""A Pi without a clock of its own: wrong after each start until the network sets it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from hatchmon.adapters.store import Store
from hatchmon.app.outgoing import feeds
from tests.system.test_clock_jumps import HOUR, MINUTE, Bench


class Clockless(Bench):
    """A bench whose machine, when started, shows the time at which it was last switched off."""

    def switch_on(self, off: timedelta, saved_before: timedelta = timedelta(0)) -> None:
        """After a power cut that lasted ``off``; the time was last saved so long before the cut."""
        self.power_cut()
        self.clock.wall -= saved_before
        self.clock.mono = 20.0
        self.clock.is_set = False
        self.behind = off + saved_before
        self.boot()

    def set_clock(self) -> None:
        """The network gives the time: first the step, then word of it."""
        self.clock.wall += self.behind
        self.clock.is_set = True

    def times(self) -> list[datetime]:
        rows = self.rows("SELECT time_us FROM readings ORDER BY seq")
        return [datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=row[0]) for row in rows]

    def forwarded(self) -> dict[str, int]:
        """By feed, how many points the series store would get now."""
        return {feed.name: len(feed.fetch(0, 10_000)) for feed in feeds(self.settings, self.store)}

    def restart_service(self) -> None:
        """The daemon alone; the machine runs on."""
        self.store.close()
        self.boot()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Clockless]:
    made = Clockless(tmp_path)
    made.run(10 * MINUTE)
    made.begin()
    made.run(6 * HOUR)
    yield made
    made.store.close()


@pytest.mark.parametrize("saved_before", [timedelta(0), 50 * MINUTE], ids=["at the cut", "50 min before"])
def test_readings_of_an_unset_clock_move_to_where_they_were_taken(
    bench: Clockless, saved_before: timedelta
) -> None:
    """Six hours hatched, three hours dark, four minutes without the time."""
    until = bench.clock.now()
    before = len(bench.times())
    progress_h = bench.progress_h()
    bench.switch_on(3 * HOUR, saved_before)
    bench.run(4 * MINUTE, MINUTE)
    assert bench.engine.cones["left"].forecast is None  # nobody can tell how old the batch is
    assert set(bench.forwarded().values()) == {0}
    assert bench.alerts() == []
    bench.set_clock()
    bench.run(5 * MINUTE, MINUTE)
    late = [time - until - 3 * HOUR for time in bench.times()[before:]]
    assert late == sorted(late)
    assert timedelta(0) < late[0] < 2 * MINUTE
    assert late[-1] < 10 * MINUTE
    assert bench.verdicts() == {"good"}
    assert min(bench.forwarded().values()) >= 1
    # The gap is known for what it was, and said; a clock that was expected to jump is no news.
    assert bench.alerts() == ["back"]
    assert bench.rows("SELECT title FROM alerts")[0][0] == "hatchmon is back after 3.0 h"
    forecast = bench.engine.cones["left"].forecast
    assert forecast is not None
    assert forecast.q25_h == pytest.approx(progress_h + 3.15, abs=0.1)


def test_a_machine_that_wakes_in_1970(tmp_path: Path) -> None:
    """Nothing has kept the time: 56 years to make up for, and a batch that seems to begin in the future."""
    bench = Clockless(tmp_path)
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(6 * HOUR)
    off = bench.clock.wall + HOUR - datetime(1970, 1, 1, 0, 0, 20, tzinfo=UTC)
    bench.clock.wall = datetime(1970, 1, 1, 0, 0, 20, tzinfo=UTC)
    bench.switch_on(off)
    bench.run(3 * MINUTE, MINUTE)
    assert bench.alerts() == []
    bench.set_clock()
    bench.run(5 * MINUTE, MINUTE)
    assert bench.verdicts() == {"good"}
    assert sorted(bench.times()) == bench.times()
    assert bench.rows("SELECT title FROM alerts")[0][0] == "hatchmon is back after 60 min"
    assert bench.progress_h() == pytest.approx(7.3, abs=0.2)
    bench.store.close()


def test_a_restart_of_the_service_in_between_changes_nothing(bench: Clockless) -> None:
    """Even when the clock is set while no daemon runs."""
    until, before = bench.clock.now(), len(bench.times())
    bench.switch_on(3 * HOUR)
    bench.run(3 * MINUTE, MINUTE)
    bench.restart_service()
    bench.run(2 * MINUTE, MINUTE)
    bench.store.close()
    bench.set_clock()
    bench.clock.run(MINUTE)
    bench.boot()
    bench.run(5 * MINUTE, MINUTE)
    late = [time - until - 3 * HOUR for time in bench.times()[before:]]
    assert timedelta(0) < late[0] < 2 * MINUTE
    assert late == sorted(late)
    assert late[-1] < 13 * MINUTE
    assert bench.verdicts() == {"good"}
    assert bench.alerts() == ["back"]


def test_a_batch_begun_before_the_clock_is_set_keeps_its_hours(tmp_path: Path) -> None:
    bench = Clockless(tmp_path)
    bench.switch_on(40 * HOUR)
    bench.run(2 * MINUTE, MINUTE)
    bench.begin()
    begun = bench.clock.now()
    bench.run(5 * MINUTE, MINUTE)
    hours = bench.hours()
    assert bench.engine.cones["left"].forecast is not None
    bench.set_clock()
    bench.run(MINUTE, MINUTE)
    assert bench.hours()[: len(hours)] == pytest.approx(hours, abs=1e-9)
    assert abs(bench.store.batches()[0].started - begun - 40 * HOUR) < timedelta(seconds=1)
    assert bench.alerts() == []
    bench.store.close()


def test_a_clock_that_nobody_sets_holds_nothing_up_for_ever(bench: Clockless) -> None:
    first_new = bench.next_seq()
    bench.switch_on(3 * HOUR)
    bench.run(9 * MINUTE, MINUTE)
    assert set(bench.forwarded().values()) == {0}
    assert bench.alerts() == []
    bench.run(3 * MINUTE, MINUTE)
    assert bench.alerts() == ["clock"]
    assert bench.rows("SELECT title FROM alerts")[0][0] == "The clock is not set"
    assert bench.engine.cones["left"].forecast is not None
    assert bench.forwarded()["readings"] > 70
    # Hours later it is set after all: all that this start has stamped moves, and is sent again.
    with bench.store.atomic():
        bench.store.set_series_cursor("readings", bench.next_seq() - 1)
    bench.run(2 * HOUR)
    bench.set_clock()
    bench.run(5 * MINUTE, MINUTE)
    assert bench.alerts() == ["clock", "back", "clock"]
    assert bench.store.series_cursor("readings") == first_new - 1
    assert bench.verdicts() == {"good"}
    forecast = bench.engine.cones["left"].forecast
    assert forecast is not None
    assert forecast.q25_h == pytest.approx(6.1 + 3.0 + 2.3, abs=0.15)


def test_switched_off_again_before_the_clock_was_set(bench: Clockless) -> None:
    bench.switch_on(3 * HOUR)
    bench.run(4 * MINUTE, MINUTE)
    doubtful = bench.next_seq()
    bench.switch_on(5 * HOUR)
    bench.set_clock()
    bench.run(8 * MINUTE, MINUTE)
    rows = bench.rows("SELECT seq, verdict FROM readings WHERE verdict <> 'good'")
    assert {row["verdict"] for row in rows} == {"undated"}
    assert len(rows) >= 4
    assert max(row["seq"] for row in rows) < doubtful
    assert sorted(bench.alerts()) == ["back", "clock"]
    assert "Readings that nobody can date" in [row[0] for row in bench.rows("SELECT title FROM alerts")]


def test_readings_with_a_time_of_their_own_are_judged_again(bench: Clockless) -> None:
    """A probe with the right time seems to speak from the future while ours is behind."""
    bench.switch_on(3 * HOUR)
    for minutes in range(4):
        at = bench.clock.now() + 3 * HOUR
        body = {"c": 85.0 if minutes == 2 else 25.0 + minutes / 100, "at": at.isoformat()}
        bench.message("shed/dated", json.dumps(body).encode())
        bench.clock.run(MINUTE)
        bench.engine.turn()
    bench.engine.commit()

    def verdicts() -> list[str]:
        rows = bench.rows(
            "SELECT verdict FROM readings JOIN streams USING (stream_id) WHERE cone = 'dated' ORDER BY seq"
        )
        return [row["verdict"] for row in rows]

    assert verdicts() == ["future"] * 4
    bench.set_clock()
    bench.run(MINUTE, MINUTE)
    assert verdicts() == ["good", "good", "sentinel", "good"]


def test_where_nobody_can_tell_nothing_waits(tmp_path: Path) -> None:
    bench = Clockless(tmp_path)
    bench.run(10 * MINUTE)
    assert bench.forwarded()["readings"] > 0
    with Store(bench.settings.store.path, read_only=True) as store:
        assert not json.loads(store.meta("boot"))["held"]
    bench.store.close()

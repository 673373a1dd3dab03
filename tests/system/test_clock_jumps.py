"""A wall clock that jumps, power cuts, quiet hours: the engine on a clock of our own and a real database."""

from __future__ import annotations

import itertools
import json
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from hatchmon.adapters.mqtt import Incoming, LinkUp
from hatchmon.adapters.store import Store
from hatchmon.app.engine import Engine
from hatchmon.app.settings import load_settings
from tests.system.daemon import from_us, to_us

STARTED = datetime(2026, 3, 1, 18, tzinfo=UTC)
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


class HandClock:
    """Runs only when told to; the wall clock may be set."""

    def __init__(self, wall: datetime) -> None:
        self.wall = wall
        self.mono = 1000.0
        self.speed = 1.0
        self.is_set: bool | None = None
        self.boots = 1

    def now(self) -> datetime:
        return self.wall

    def monotonic(self) -> float:
        return self.mono

    def real_seconds(self, shown_seconds: float) -> float:
        return shown_seconds / self.speed

    def synchronised(self) -> bool | None:
        return self.is_set

    def boot(self) -> str | None:
        return f"boot {self.boots}"

    def run(self, by: timedelta) -> None:
        self.wall += by
        self.mono += by.total_seconds()


class Around:
    """Everybody around the engine: takes what it says and does what it asks at once."""

    def __init__(self) -> None:
        self.acknowledged: list[Incoming] = []
        self.published: list[tuple[str, bytes]] = []

    def acknowledge(self, message: Incoming) -> None:
        self.acknowledged.append(message)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 0) -> bool:
        self.published.append((topic, payload))
        return True

    def wake_push(self) -> None: ...
    def wake_series(self) -> None: ...
    def rewind_series(self, cursors: dict[str, int], number: int) -> None: ...


class Bench:
    """An engine with its database, whose cone ``left`` has a probe that speaks every five minutes."""

    def __init__(self, folder: Path, wall: datetime = STARTED, more: str = "") -> None:
        self.clock = HandClock(wall)
        self.temp_c = 25.0
        self.warming_c_per_min = 1e-5  # no two readings alike
        config = folder / "hatchmon.toml"
        config.write_text(
            f'site = "test"\ntime_zone = "Europe/Lisbon"\n[store]\npath = "{folder}/hatchmon.db"\n'
            "gather_s = 2\n"
            f'[push]\nto = ["json://127.0.0.1:9/phone"]\n'
            '[[probes]]\ncone = "dated"\nquantity = "temperature"\ntopic = "shed/dated"\n'
            f'value_pointer = "/c"\ntime_pointer = "/at"\n{more}'
        )
        self.settings = load_settings(config, {})
        self._mid = 0
        self.boot()

    def boot(self) -> None:
        self.around = Around()
        self.store = Store(self.settings.store.path)
        self.engine = Engine(self.settings, self.store, self.clock, self.around)
        self.engine.take(LinkUp(1, False, "5"))
        self.engine.turn()

    def power_cut(self) -> None:
        """The process is gone; nothing was said or stored at the end."""
        self.store.close()
        self.clock.boots += 1

    def message(self, topic: str = "hatchery/left/temperature", payload: bytes | None = None) -> None:
        self.temp_c += self.warming_c_per_min
        self._mid += 1
        body = f"{self.temp_c:.6f}".encode() if payload is None else payload
        self.engine.take(
            Incoming(topic, body, 1, False, False, self._mid, 1, self.clock.now(), self.clock.monotonic())
        )

    def run(self, span: timedelta, step: timedelta = 5 * MINUTE) -> None:
        """Let time pass, with a reading and a turn of the loop each ``step``."""
        end = self.clock.mono + span.total_seconds()
        while self.clock.mono < end - 1e-6:
            self.clock.run(min(step, timedelta(seconds=end - self.clock.mono)))
            self.message()
            self.engine.turn()
        self.clock.run(timedelta(seconds=3))  # beyond the wait for company
        self.engine.turn()

    def begin(self, cone: str = "left", **more: object) -> None:
        number = self.store.ask(
            {"do": "begin", "cone": cone, "lot": "tin 7", "grams": 4.0, **more}, "keeper", self.clock.now()
        )
        self.engine.carry_out_requests()
        assert self.store.answer_to(number), "nobody answered"
        ok, answer = self.store.answer_to(number) or (False, {})
        assert ok, answer

    def rows(self, sql: str) -> list[sqlite3.Row]:
        """What stands in the record now, as every reader sees it."""
        with Store(self.settings.store.path, read_only=True) as store:
            return store.rows(sql)

    def next_seq(self) -> int:
        with Store(self.settings.store.path, read_only=True) as store:
            return store.next_seq()

    def alerts(self) -> list[str]:
        return [row["kind"] for row in self.rows("SELECT kind FROM alerts ORDER BY alert_id")]

    def hours(self) -> list[float]:
        """Hours of the readings from the start of their batch."""
        rows = self.rows(
            """SELECT r.time_us - b.started_us AS us FROM readings r JOIN streams s USING (stream_id)
               JOIN batches b USING (cone) ORDER BY r.seq"""
        )
        return [row["us"] / 3.6e9 for row in rows]

    def progress_h(self) -> float:
        forecast = self.engine.cones["left"].forecast
        assert forecast is not None
        assert forecast.trust == "good", forecast.reasons
        return forecast.q25_h

    def verdicts(self) -> set[str]:
        return {row["verdict"] for row in self.rows("SELECT DISTINCT verdict FROM readings")}

    def due(self) -> list[str]:
        """What the phone would be sent now."""
        return [row["title"] for row in self.store.due_letters(self.clock.now())]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.store.close()


# ---- the machine wakes up with the wrong date ----


def test_a_date_set_right_after_the_boot_takes_the_batch_along(bench: Bench) -> None:
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(4 * HOUR)
    before, seen = bench.progress_h(), bench.hours()
    assert before == pytest.approx(4.0, abs=0.1)  # at 25 C, hours are equivalent hours
    bench.clock.wall += 30 * DAY
    bench.run(20 * MINUTE)
    assert bench.hours()[: len(seen)] == pytest.approx(seen, abs=1e-9)
    assert bench.progress_h() == pytest.approx(before + 1 / 3, abs=0.05)
    batch = bench.store.batches()[0]
    assert abs(batch.started - (STARTED + 30 * DAY + 10 * MINUTE)) < MINUTE
    assert bench.verdicts() == {"good"}
    assert bench.alerts() == ["clock"]


def test_a_date_set_right_shortly_after_the_boot_with_messages_still_waiting(bench: Bench) -> None:
    bench.run(30 * MINUTE)
    bench.begin()
    bench.run(HOUR)
    seen = bench.hours()
    # Stamped before the clock was set, taken after: through the same inbox, in this order.
    old = Incoming(
        "hatchery/left/temperature",
        b"25.5",
        1,
        False,
        False,
        9,
        1,
        bench.clock.now(),
        bench.clock.monotonic(),
    )
    bench.clock.wall += 30 * DAY
    bench.engine.turn()
    bench.engine.take(old)
    bench.run(20 * MINUTE)
    assert bench.hours()[: len(seen)] == pytest.approx(seen, abs=1e-9)
    assert max(bench.hours()) < 1.5
    assert bench.progress_h() == pytest.approx(4 / 3, abs=0.1)
    assert bench.verdicts() == {"good"}
    assert bench.alerts() == ["clock"]


def test_a_jump_is_no_silence_and_teaches_no_interval(bench: Bench) -> None:
    """What the judge remembers moves with the clock: thirty days are not how often the probe speaks."""
    bench.run(HOUR)
    bench.clock.wall += timedelta(days=30)
    bench.run(5 * MINUTE)
    silent = bench.engine.intake.silent_since
    assert silent("left", bench.clock.now()) == (None, True)
    assert silent("left", bench.clock.now() + 14 * MINUTE) == (None, True)
    assert silent("left", bench.clock.now() + 21 * MINUTE)[0] is not None
    # Only one gap was five minutes and thirty days long before the readings moved; now none is.
    times = sorted(row["time_us"] for row in bench.rows("SELECT time_us FROM readings"))
    assert max(b - a for a, b in itertools.pairwise(times)) <= 310_000_000


@pytest.mark.parametrize("step_s", [-4.0, 60.0, -60.0])
def test_a_small_step_moves_nothing(bench: Bench, step_s: float) -> None:
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(HOUR)
    before = [tuple(row) for row in bench.rows("SELECT * FROM readings ORDER BY seq")]
    started = bench.store.batches()[0].started
    bench.clock.wall += timedelta(seconds=step_s)
    bench.run(HOUR)
    assert [tuple(row) for row in bench.rows("SELECT * FROM readings ORDER BY seq")][: len(before)] == before
    assert bench.store.batches()[0].started == started
    assert bench.verdicts() == {"good"}
    assert bench.progress_h() == pytest.approx(2.0, abs=0.1)
    assert bench.alerts() == []


@pytest.mark.parametrize("step", [-2 * HOUR, -3 * 365 * DAY, 20 * 365 * DAY, timedelta(seconds=121)], ids=str)
def test_a_step_in_the_same_run_forward_or_back(bench: Bench, step: timedelta) -> None:
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(5 * HOUR)
    seen = bench.hours()
    bench.clock.wall += step
    bench.run(HOUR)
    assert bench.hours()[: len(seen)] == pytest.approx(seen, abs=1e-9)
    assert bench.verdicts() == {"good"}
    assert bench.progress_h() == pytest.approx(6.0, abs=0.1)
    assert bench.alerts() == ["clock"]


def test_two_hours_back_while_off(bench: Bench) -> None:
    """What an earlier run has stored lies in the future now: it must not make all that is new late."""
    bench.run(HOUR)
    bench.power_cut()
    bench.clock.wall -= 2 * HOUR
    bench.boot()
    bench.run(30 * MINUTE)
    newest = bench.rows("SELECT verdict FROM readings ORDER BY seq DESC LIMIT 10")
    assert {row["verdict"] for row in newest} == {"good"}
    bench.begin()
    bench.run(HOUR)
    assert bench.progress_h() == pytest.approx(1.0, abs=0.1)


def test_a_letter_that_waits_is_not_held_up_by_a_clock_set_back(bench: Bench) -> None:
    bench.temp_c = 15.0
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(HOUR)
    assert bench.alerts() == ["cold"]
    assert len(bench.due()) == 1
    bench.clock.wall -= 2 * HOUR
    bench.run(10 * MINUTE)
    assert len(bench.due()) == 2  # and one that the clock jumped


def test_readings_with_a_time_of_their_own_stay_where_they_are(bench: Bench) -> None:
    real = STARTED + 30 * DAY
    for minutes in range(5):
        body = {"c": 25.0 + minutes / 100, "at": (real + minutes * MINUTE).isoformat()}
        bench.message("shed/dated", json.dumps(body).encode())
        bench.run(MINUTE)
    bench.clock.wall += 30 * DAY
    bench.run(5 * MINUTE)
    body = {"c": 26.0, "at": bench.clock.now().isoformat()}
    bench.message("shed/dated", json.dumps(body).encode())
    bench.run(MINUTE)
    rows = bench.rows(
        """SELECT time_us, verdict FROM readings JOIN streams USING (stream_id)
           WHERE cone = 'dated' ORDER BY seq"""
    )
    assert [row["time_us"] for row in rows[:5]] == [to_us(real + minutes * MINUTE) for minutes in range(5)]
    assert rows[-1]["verdict"] == "good"


# ---- the power goes and comes ----


def test_back_after_three_hours(bench: Bench) -> None:
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(12 * HOUR)
    off_from = bench.clock.now()
    bench.power_cut()
    bench.clock.run(3 * HOUR)
    bench.boot()
    bench.run(HOUR)
    rows = bench.rows("SELECT kind, title, body FROM alerts")
    assert [row["kind"] for row in rows] == ["back"]
    assert "3.0 h" in rows[0]["title"]
    assert f"Off from {off_from:%H:%M}" in rows[0]["body"]  # Lisbon keeps UTC in winter
    assert "left: Water at 25.0 °C as before. Ready about" in rows[0]["body"]
    # Once for each outage, also when the machine is started twice.
    bench.power_cut()
    bench.clock.run(MINUTE)
    bench.boot()
    bench.run(20 * MINUTE)
    assert bench.alerts() == ["back"]
    bench.power_cut()
    bench.clock.run(HOUR)
    bench.boot()
    bench.run(5 * MINUTE)
    assert bench.alerts() == ["back", "back"]


def back_said(bench: Bench) -> tuple[str, str]:
    ((title, body),) = bench.rows("SELECT title, body FROM alerts WHERE kind = 'back'")
    return title, body


def test_a_power_cut_that_cooled_the_water(bench: Bench) -> None:
    """From 28 to 22.2 in four hours: told once the first reading is in, with what it cost."""
    bench.temp_c = 28.0
    bench.run(10 * MINUTE)
    bench.begin(set_point_c=28.0)
    bench.run(14 * HOUR)
    before = bench.engine.cones["left"].issued
    bench.power_cut()
    bench.clock.run(4 * HOUR)
    bench.boot()
    bench.engine.turn()
    assert bench.alerts() == []  # no reading yet
    bench.temp_c = 22.2
    bench.run(5 * MINUTE, MINUTE)
    title, body = back_said(bench)
    assert title == "hatchmon is back after 4.0 h"
    assert "left: Water fell from 28.0 °C to 22.2 °C. Ready about" in body
    after = bench.engine.cones["left"].forecast
    assert before is not None
    assert before.opens is not None
    assert after is not None
    assert after.opens is not None
    assert "(Before: " in body
    assert 0.5 < after.opens.p50 - before.opens.p50 < 4.0
    assert after.opens.p90 - after.opens.p10 > before.opens.p90 - before.opens.p10
    # 14 h at 28, then 28 falling to 22.2: between as if held and as if cold all along.
    held_h, cold_h = 18.1 * 1.285, 14.1 * 1.285 + 4.0 * 0.77
    assert cold_h < after.q25_h < held_h


def test_back_waits_for_a_reading_but_not_for_ever(bench: Bench) -> None:
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(2 * HOUR)
    bench.power_cut()
    bench.clock.run(HOUR)
    bench.boot()
    for minutes in range(8):
        bench.clock.run(MINUTE)
        bench.engine.turn()
        assert len(bench.alerts()) == (minutes >= 4)
    assert "No reading since: take one by hand, hatchmon reading left VALUE." in back_said(bench)[1]


def test_a_machine_that_slept_is_back_as_well(bench: Bench) -> None:
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(5 * HOUR)
    bench.clock.run(2 * HOUR)
    bench.engine.turn()
    bench.run(5 * MINUTE, MINUTE)
    title, body = back_said(bench)
    assert title == "hatchmon is back after 2.0 h"
    assert "as before" in body
    assert bench.verdicts() == {"good"}


def test_no_word_of_an_outage_that_touched_no_batch(bench: Bench) -> None:
    bench.run(10 * MINUTE)
    bench.power_cut()
    bench.clock.run(5 * DAY)
    # Begun by the command line, while no daemon runs.
    with Store(bench.settings.store.path) as store:
        body = {"do": "begin", "cone": "left", "lot": "tin 7", "grams": 4.0}
        store.ask(body, "keeper", bench.clock.now())
        Engine(bench.settings, store, bench.clock).carry_out_requests()
    bench.clock.run(MINUTE)
    bench.boot()
    bench.run(30 * MINUTE)
    assert bench.alerts() == []


# ---- quiet hours ----

QUIET = '[quiet]\nfrom = "22:30"\nto = "06:30"\n'


def soon_alert_at(folder: Path, wall: datetime) -> Bench:
    """A bench whose first alert (cold: soon) is raised shortly after ``wall``."""
    bench = Bench(folder, wall - HOUR, QUIET)
    bench.run(30 * MINUTE)
    bench.begin()
    bench.temp_c = 15.0
    bench.run(HOUR)
    assert bench.alerts() == ["cold"]
    assert abs(from_us(bench.rows("SELECT raised_us FROM alerts")[0][0]) - wall) < 15 * MINUTE
    return bench


@pytest.mark.parametrize(
    ("evening", "offset_h"),
    [
        ("2026-03-27", 0),  # both days at UTC
        ("2026-03-28", 1),  # the clocks go forward at 01:00 UTC of the 29th: a quiet time of 7 h
        ("2026-06-01", 1),
        ("2026-10-24", 0),  # and back at 01:00 UTC of the 25th: of 9 h
    ],
)
def test_what_can_wait_waits_for_the_end_of_the_quiet_hours(
    tmp_path: Path, evening: str, offset_h: int
) -> None:
    lisbon = ZoneInfo("Europe/Lisbon")
    bench = soon_alert_at(
        tmp_path, datetime.fromisoformat(f"{evening}T23:30").replace(tzinfo=lisbon).astimezone(UTC)
    )
    assert bench.due() == []
    morning = datetime.fromisoformat(evening) + DAY + timedelta(hours=6, minutes=30)
    end = morning.replace(tzinfo=UTC) - offset_h * HOUR
    assert end.astimezone(lisbon).strftime("%H:%M") == "06:30"
    bench.clock.run(end - bench.clock.now() - MINUTE)
    assert bench.due() == []
    bench.clock.run(2 * MINUTE)
    assert len(bench.due()) == 1
    bench.store.close()


def test_now_goes_through_and_takes_the_overtaken_with_it(tmp_path: Path) -> None:
    """Begun at 21:40, at 25 C the window opens 25 h later, within the quiet hours, and closes 2.5 h later."""
    bench = Bench(tmp_path, datetime(2026, 3, 1, 21, 30, tzinfo=UTC), QUIET)
    bench.run(10 * MINUTE)
    bench.begin()
    raised: dict[str, tuple[datetime, list[str]]] = {}
    while len(raised) < 4 and bench.clock.now() < datetime(2026, 3, 3, 5, 0, tzinfo=UTC):
        bench.run(5 * MINUTE)
        for kind in bench.alerts():
            raised.setdefault(kind, (bench.clock.now(), bench.due()))
    assert list(raised) == ["ready-soon", "ready", "closing", "past"]
    states = {
        row["kind"]: row["state"]
        for row in bench.rows("SELECT kind, state FROM letters JOIN alerts USING (alert_id)")
    }
    # ready-soon came at about 22:20, before the quiet: it went out (nobody has said that it arrived).
    assert [len(due) for _, due in raised.values()] == [1, 1, 2, 2]
    assert "ready about" in raised["ready-soon"][1][0]
    assert "harvest before" in raised["closing"][1][1]
    assert raised["closing"][0].hour in (23, 0, 1)
    assert states["ready"] == "overtaken"
    assert states["closing"] == "due"
    assert states["past"] == "due"
    bench.clock.run(datetime(2026, 3, 3, 6, 31, tzinfo=UTC) - bench.clock.now())
    titles = bench.due()
    assert not any("ready to harvest" in title for title in titles)
    assert any("harvest window closed" in title for title in titles)
    bench.store.close()


def test_a_busy_moment_on_a_fast_clock_is_no_jump(bench: Bench) -> None:
    """Between asking the two clocks a thread may have to wait: 0.1 s are 6 min when time runs at 3600."""
    bench.clock.speed = 3600.0
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(HOUR)
    before = [tuple(row) for row in bench.rows("SELECT * FROM readings ORDER BY seq")]
    bench.clock.wall += 6 * MINUTE
    bench.engine.turn()
    bench.clock.wall -= 6 * MINUTE
    bench.engine.turn()
    bench.clock.wall += 6 * MINUTE
    bench.run(10 * MINUTE)
    after = [tuple(row) for row in bench.rows("SELECT * FROM readings ORDER BY seq")]
    assert after[: len(before)] == before

"""What a real time-series store holds of an engine's work, and what can be asked of it."""

from __future__ import annotations

import json
import urllib.parse
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from hatchmon.adapters.series import SeriesForwarder, SeriesServer
from hatchmon.adapters.store import Store, to_us
from hatchmon.app.export import rows
from hatchmon.app.outgoing import LONGEST_TITLE, alerts, feeds
from hatchmon.hatchery.types import Alert
from tests.servers import VictoriaMetrics, wait_until
from tests.system.test_clock_jumps import DAY, HOUR, MINUTE, STARTED, Around, Bench


class Wired(Around):
    """Around an engine with a forwarder to a real store beside it."""

    def __init__(self) -> None:
        super().__init__()
        self.forwarder: SeriesForwarder | None = None

    def wake_series(self) -> None:
        if self.forwarder is not None:
            self.forwarder.wake()

    def rewind_series(self, cursors: dict[str, int], number: int) -> None:
        assert self.forwarder is not None
        self.forwarder.rewind(cursors, number)


class WiredBench(Bench):
    """A bench whose engine hears what its forwarder says when told to ``settle``."""

    def __init__(self, folder: Path, url: str) -> None:
        self.url = url
        super().__init__(folder)

    def boot(self) -> None:
        super().boot()
        self.said: list[object] = []
        self.wired = self.around = Wired()
        self.engine._outside = self.wired
        server = SeriesServer(self.url, "t", "o", "b")
        self.wired.forwarder = SeriesForwarder(
            server, feeds(self.settings, self.store), self.said.append, first_wait_s=0.05
        )
        self.wired.forwarder.start()

    def halt(self) -> None:
        assert self.wired.forwarder is not None
        self.wired.forwarder.stop()
        self.store.close()

    def settle(self) -> None:
        """Until everything is in the store and the engine knows."""
        self.wired.wake_series()

        def settled() -> bool:
            while self.said:
                self.engine.take(self.said.pop(0))
            self.engine.commit()
            last = {
                "readings": "SELECT max(seq) FROM readings",
                "forecasts": "SELECT max(forecast_id) FROM forecasts",
                "batches": "SELECT max(change_id) FROM batch_changes",
                "alerts": "SELECT max(alert_id) FROM alerts",
            }
            return all(self.store.series_cursor(f) >= (self.rows(q)[0][0] or 0) for f, q in last.items())

        wait_until(settled, 20.0, "everything to be in the store")

    def ask(self, **body: object) -> dict[str, Any]:
        self.clock.run(timedelta(seconds=1))
        number = self.store.ask(dict(body), "keeper", self.clock.now())
        self.engine.carry_out_requests()
        ok, answer = self.store.answer_to(number) or (False, {})
        assert ok, answer
        return answer


@pytest.fixture
def bench(tmp_path: Path, victoria_metrics: VictoriaMetrics) -> Iterator[WiredBench]:
    made = WiredBench(tmp_path, victoria_metrics.url)
    yield made
    made.halt()


def query(store: VictoriaMetrics, text: str, at: datetime) -> list[tuple[dict[str, str], float]]:
    """The instant query's (labels, value)."""
    store.export()  # flushed
    asked = urllib.parse.urlencode({"query": text, "time": at.timestamp(), "nocache": "1"})
    with urllib.request.urlopen(f"{store.url}/api/v1/query?{asked}", timeout=30.0) as answer:
        found = json.loads(answer.read())["data"]["result"]
    return [(one["metric"], float(one["value"][1])) for one in found]


def one(store: VictoriaMetrics, text: str, at: datetime) -> float:
    ((_, value),) = query(store, text, at)
    return value


def test_a_hatchery_can_be_read_from_the_store(bench: WiredBench, victoria_metrics: VictoriaMetrics) -> None:
    """The queries of DEVELOPERS.md, on a batch from its start to its count and an edit of that."""
    bench.run(10 * MINUTE)
    bench.begin(litres=2.0)
    started = bench.store.batches()[0].started
    bench.run(10 * HOUR, 10 * MINUTE)
    bench.settle()
    now = bench.clock.now()
    ((tags, value),) = query(victoria_metrics, 'last_over_time(temperature_value{fit="yes"}[15m])', now)
    assert (tags["site"], tags["cone"], tags["lot"]) == ("test", "left", "tin 7")
    assert value == pytest.approx(bench.temp_c, abs=1e-3)
    assert one(victoria_metrics, "last_over_time(batch_running[60d]) == 1", now) == 1.0

    forecast = bench.engine.cones["left"].issued
    assert forecast is not None
    assert forecast.opens is not None
    opens = one(
        victoria_metrics,
        "last_over_time(forecast_opens_p50[2h])"
        " and on (site, cone, lot) (last_over_time(batch_running[60d]) == 1)",
        now,
    )
    assert opens == pytest.approx((started + forecast.opens.p50 * HOUR).timestamp(), abs=5.0)
    assert one(victoria_metrics, "last_over_time(forecast_trust[2h])", now) == 1.0
    hatched = one(victoria_metrics, "last_over_time(forecast_hatched[2h])", now)
    assert hatched == pytest.approx(forecast.hatched, abs=1e-3)

    bench.run(17 * HOUR, 10 * MINUTE)
    bench.ask(do="look", cone="left", seen="complete")
    count = {"do": "count", "cone": "left", "sample_ml": 1.0, "nauplii": [200, 220], "unhatched": [50, 60]}
    bench.ask(**count)
    bench.ask(do="harvest", cone="left")
    bench.run(5 * MINUTE)
    bench.settle()
    now = bench.clock.now()
    assert query(victoria_metrics, "last_over_time(batch_running[60d]) == 1", now) == []
    assert one(victoria_metrics, "last_over_time(batch_harvested[60d])", now) == 1.0
    assert one(victoria_metrics, "last_over_time(batch_grams[60d])", now) == 4.0
    assert one(victoria_metrics, "last_over_time(batch_started[60d])", now) == pytest.approx(
        started.timestamp(), abs=0.01
    )
    # 420 nauplii of 530 full cysts, in 2 ml of 2 l with 4 g.
    share = one(victoria_metrics, "last_over_time(batch_hatched_share[60d])", now)
    assert share == pytest.approx(420 / 530)
    assert one(victoria_metrics, "last_over_time(batch_nauplii_per_gram[60d])", now) == pytest.approx(105_000)
    said = one(victoria_metrics, "last_over_time(batch_t90_said_p50_h[60d])", now)
    seen = one(victoria_metrics, "last_over_time(batch_t90_seen_h[60d])", now)
    assert 20.0 < seen < 30.0
    assert 20.0 < said < 30.0
    told = {
        (tags["kind"], tags["title"]): (value, tags["lot"])
        for tags, value in query(victoria_metrics, "last_over_time(alert_urgency[60d])", now)
    }
    titles = bench.rows("SELECT kind, title FROM alerts")
    assert told.keys() == {(row["kind"], row["title"]) for row in titles}
    assert {lot for _, lot in told.values()} == {"tin 7"}
    assert told[("ready", "left: ready to harvest")][0] == 2.0

    # The count is taken back: the newest row of the batch no longer has one.
    bench.clock.run(MINUTE)
    bench.ask(do="count", cone="left", undo=True)
    bench.settle()
    now = bench.clock.now()
    newest = one(victoria_metrics, "tlast_over_time(batch_grams[60d])", now)
    assert one(victoria_metrics, "tlast_over_time(batch_hatched_share[60d])", now) < newest
    assert bench.rows("SELECT * FROM series_refused") == []


def test_what_was_taken_back_is_told_as_well(bench: WiredBench, victoria_metrics: VictoriaMetrics) -> None:
    running = "last_over_time(batch_running[60d])"
    bench.run(10 * MINUTE)
    bench.begin()
    bench.settle()
    assert one(victoria_metrics, running, bench.clock.now()) == 1.0
    bench.ask(do="harvest", cone="left", discard=True)
    bench.settle()
    assert one(victoria_metrics, running, bench.clock.now()) == 0.0
    bench.ask(do="harvest", cone="left", undo=True)
    bench.settle()
    assert one(victoria_metrics, running, bench.clock.now()) == 1.0
    bench.ask(do="begin", cone="left", undo=True)
    bench.settle()
    assert one(victoria_metrics, running, bench.clock.now()) == 0.0
    assert one(victoria_metrics, "last_over_time(batch_taken_back[60d])", bench.clock.now()) == 1.0


def test_after_a_jump_of_the_clock_the_moved_points_are_sent_again(
    bench: WiredBench, victoria_metrics: VictoriaMetrics
) -> None:
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(HOUR)
    bench.settle()

    def held() -> dict[str, set[int]]:
        found: dict[str, set[int]] = {}
        for series in victoria_metrics.export():
            found.setdefault(series["metric"]["__name__"], set()).update(series["timestamps"])
        return found

    before = held()
    bench.clock.wall += 30 * DAY
    bench.run(10 * MINUTE)
    bench.settle()
    after = held()
    moved_ms = 30 * 86_400_000
    for name in ("temperature_value", "forecast_hatched"):
        assert {ms + moved_ms for ms in before[name]} <= after[name]
        assert before[name] <= after[name]  # what was written stays: a store takes nothing back
    stored = {row["us"] // 1000 for row in bench.rows("SELECT time_us AS us FROM readings")}
    assert stored <= after["temperature_value"]
    begun = one(victoria_metrics, "last_over_time(batch_started[60d])", bench.clock.now())
    assert begun == pytest.approx((STARTED + 30 * DAY + 10 * MINUTE).timestamp(), abs=60.0)


def test_what_was_sent_again_is_the_same_point(bench: WiredBench, victoria_metrics: VictoriaMetrics) -> None:
    """At least once: everything a second time changes nothing."""
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(HOUR)
    bench.settle()

    def held() -> list[tuple[str, int, float]]:
        return sorted(
            {
                (json.dumps(series["metric"]), ms, value)
                for series in victoria_metrics.export()
                for ms, value in zip(series["timestamps"], series["values"], strict=True)
            }
        )

    before = held()
    with bench.store.atomic():
        for feed in ("readings", "forecasts", "batches", "alerts"):
            bench.store.set_series_cursor(feed, 0)
    assert bench.wired.forwarder is not None
    bench.wired.forwarder.stop()
    bench.wired.forwarder = SeriesForwarder(
        SeriesServer(victoria_metrics.url, "t", "o", "b"),
        feeds(bench.settings, bench.store),
        bench.said.append,
    )
    bench.wired.forwarder.start()
    bench.settle()
    assert held() == before


def test_every_change_of_a_batch_is_a_point_of_its_own(tmp_path: Path) -> None:
    """Whatever writes to the tables; changes of one moment are one."""
    bench = Bench(tmp_path)
    bench.run(10 * MINUTE)

    def changes() -> list[tuple[int, int]]:
        rows = bench.store.batch_changes_after(0, 100)
        return [(row.time_us, row.batch.batch_id) for row in rows if row.batch is not None]

    def ask(**body: object) -> None:
        bench.store.ask({"cone": "left", **body}, "keeper", bench.clock.now())
        bench.engine.carry_out_requests()

    steps: list[dict[str, object]] = [
        {"do": "begin", "lot": "tin 7", "grams": 4.0, "litres": 2.0},
        {"do": "look", "seen": "few"},
        {"do": "look", "undo": True},
        {"do": "count", "sample_ml": 1.0, "nauplii": [0, 1]},
        {"do": "harvest", "discard": True},
    ]
    expected = []
    for step in steps:
        bench.clock.run(MINUTE)
        expected.append((to_us(bench.clock.now()), 1))
        ask(**step)
        assert changes() == expected, step
    bench.store.close()


def test_what_the_store_refused_can_be_looked_at(tmp_path: Path) -> None:
    with Store(tmp_path / "a.db") as store:
        with store.atomic():
            store.add_series_refused("alerts", 3, "alert,site=shed urgency=1 5", "partial write: bad tag")
        assert list(rows(store, "refused", None)) == [
            {"feed": "alerts", "line": "alert,site=shed urgency=1 5", "reason": "partial write: bad tag"}
        ]


def test_a_title_is_one_line_of_bounded_length(tmp_path: Path) -> None:
    with Store(tmp_path / "a.db") as store:
        alert = Alert("back", "since 1", None, "can wait", "a\nb " * 500, "body", STARTED)
        with store.atomic():
            store.add_alert(alert, 0, STARTED)
        (point,) = alerts(store, "shed", 0, 10)
        tags = dict(point.tags)
        assert tags.keys() == {"site", "kind", "title"}
        assert "\n" not in tags["title"]
        assert len(tags["title"]) == LONGEST_TITLE
        assert point.fields == (("urgency", 1.0),)
        assert point.time_us == to_us(STARTED)


def test_a_forecast_that_predicts_nothing_says_so(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.temp_c = 8.0
    bench.run(10 * MINUTE)
    bench.begin()
    bench.run(HOUR)
    with Store(bench.settings.store.path, read_only=True) as store:
        feed = next(feed for feed in feeds(bench.settings, store) if feed.name == "forecasts")
    fields = dict(feed.fetch(0, 10)[-1].fields)
    assert fields["trust"] == 0.0
    assert not [name for name in fields if name.startswith(("t10", "t90", "opens"))]
    assert abs(fields["started"] - (STARTED + 10 * MINUTE).timestamp()) < 60
    assert timedelta(0) < bench.clock.now() - datetime.fromtimestamp(fields["started"], UTC) < 2 * HOUR
    bench.store.close()

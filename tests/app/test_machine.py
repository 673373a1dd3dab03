"""Broker and series store as the engine sees them over hours: what is told, once, and that it clears."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from hatchmon.adapters.mqtt import ASKING_AGAIN, LinkDown, LinkUp, SubscriptionRefused
from hatchmon.adapters.series import SeriesTrouble, SeriesWell
from tests.system.test_clock_jumps import DAY, HOUR, MINUTE, Bench

DOWN = LinkDown(1, "nothing listens at 127.0.0.1:1883: is the broker running, and is the port right?")
UP = LinkUp(2, False, "5")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.store.close()


def wait(bench: Bench, span: timedelta) -> None:
    """Time passes and no reading comes."""
    end = bench.clock.mono + span.total_seconds()
    while bench.clock.mono < end:
        bench.clock.run(MINUTE)
        bench.engine.turn()


def test_the_broker_is_away_for_an_hour(bench: Bench) -> None:
    """Told once after five minutes, instead of a silent probe in every cone."""
    bench.run(30 * MINUTE)
    bench.begin()
    bench.run(30 * MINUTE)
    bench.engine.take(DOWN)
    since = bench.clock.now()
    wait(bench, 4 * MINUTE)
    assert bench.alerts() == []
    wait(bench, HOUR)
    assert bench.alerts() == ["broker"]
    title = bench.store.rows("SELECT title FROM alerts")[0][0]
    assert title == f"No broker since {since:%H:%M}"
    bench.engine.take(UP)
    wait(bench, 8 * MINUTE)  # the probe takes its time
    assert bench.alerts() == ["broker"]
    assert not bench.engine._teller.book.stands("broker", "link")
    wait(bench, 4 * MINUTE)
    assert bench.alerts() == ["broker", "silent"]


def test_a_connection_that_does_not_hold_is_none(bench: Bench) -> None:
    """Two clients with one id throw each other out for ever."""
    bench.run(10 * MINUTE)
    for link in range(2, 30):
        bench.engine.take(LinkDown(link, "another client connected as 'hatchmon-test'"))
        wait(bench, MINUTE)
        bench.engine.take(LinkUp(link + 1, True, "5"))
        bench.clock.run(timedelta(seconds=20))
        bench.engine.turn()
    bench.engine.take(DOWN)
    wait(bench, MINUTE)
    assert bench.alerts() == ["broker"]


def test_short_and_wanted_absences_are_not_told(bench: Bench) -> None:
    for link in range(2, 12):
        bench.engine.take(LinkDown(link, ASKING_AGAIN if link % 2 else DOWN.reason))
        wait(bench, 2 * MINUTE)
        bench.engine.take(LinkUp(link + 1, True, "5"))
        wait(bench, 10 * MINUTE)
    assert bench.alerts() == []


def test_a_clock_that_jumps_makes_no_long_absence(bench: Bench) -> None:
    bench.engine.take(DOWN)
    wait(bench, 2 * MINUTE)
    bench.clock.wall += 30 * DAY
    wait(bench, 2 * MINUTE)
    assert bench.alerts() == ["clock"]
    wait(bench, 2 * MINUTE)
    assert bench.alerts() == ["clock", "broker"]


def test_a_topic_refused_stands_until_the_next_connection(bench: Bench) -> None:
    """The broker's answer to a subscription comes before word that the connection stands."""
    bench.engine.take(DOWN)
    bench.engine.take(SubscriptionRefused("hatchery/+/+", "this user may not read it"))
    bench.engine.take(UP)
    wait(bench, 2 * MINUTE)
    assert bench.alerts() == ["broker"]
    assert bench.engine._teller.book.stands("broker", "topic hatchery/+/+")
    bench.engine.take(DOWN)
    bench.engine.take(UP)
    wait(bench, 7 * MINUTE)
    assert not bench.engine._teller.book.stands("broker", "topic hatchery/+/+")


def test_the_series_store_refuses_the_token(bench: Bench) -> None:
    bench.engine.take(SeriesTrouble("time-series store http://x: no answer."))
    wait(bench, 30 * MINUTE)
    assert bench.alerts() == []
    bench.engine.take(SeriesTrouble("time-series store http://x: it does not accept the token (401).", True))
    wait(bench, 2 * MINUTE)
    assert bench.alerts() == ["series"]
    # It gets through for a moment: neither cleared nor told again.
    bench.engine.take(SeriesWell())
    wait(bench, 3 * MINUTE)
    bench.engine.take(SeriesTrouble("time-series store http://x: no answer."))
    wait(bench, HOUR + 10 * MINUTE)
    bench.engine.take(SeriesWell())
    wait(bench, 10 * MINUTE)
    assert not bench.engine._teller.book.stands("series", "store")
    assert bench.alerts() == ["series"]

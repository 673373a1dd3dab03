"""Twenty power cuts while readings pour in: each is stored once, and nobody is told anything twice."""

from __future__ import annotations

import contextlib
import itertools
import json
import random
import sqlite3
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from hatchmon.adapters.store import spool
from tests.servers import Mosquitto, Receiver, wait_until
from tests.system.daemon import Client, Daemon, Ground

READINGS = 3_000  # at the least
KILLS = 20
CONES = ("a1", "a2", "b1", "b2", "b3")
# Hours since its start of each batch begun while the killing goes on. At 25 C the window opens at
# about 25.2 h and closes at about 27.1 h, so that each has come to another stage.
AGES_H = {"t1": 20.0, "t2": 24.8, "t3": 25.6, "t4": 26.6, "t5": 29.0, "t6": 25.4}
BACKFILLED = "".join(
    f'[[probes]]\ncone = "{cone}"\nquantity = "temperature"\ntopic = "shed/{cone}"\n'
    'value_pointer = "/c"\ntime_pointer = "/at"\n'
    for cone in AGES_H
)


def in_spool_alone(database: Path) -> bool:
    """Whether readings lie in the spool of a daemon that was killed, and not in its database."""
    found = spool.find(database)
    with contextlib.closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as db:
        return bool(found.after(spool.folded(db)))


def test_nothing_is_lost_or_doubled_by_twenty_kills(
    tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver
) -> None:
    chance = random.Random(20)
    ground = Ground(
        tmp_path / "hatchmon",
        mosquitto.port,
        push=[f"json://127.0.0.1:{receiver.port}/phone"],
        tables=BACKFILLED,
    )
    published: dict[str, list[float]] = {cone: [] for cone in CONES}
    ended: list[float] = []
    finished = threading.Event()
    all_killed = threading.Event()
    spooled = 0  # ends that left something in the spool alone

    def publish() -> None:
        """Some 100 a second, in bursts, until the last kill is over."""
        waiting: list[Any] = []
        with Client(mosquitto.port) as probes:
            for number in itertools.count():
                if number >= READINGS and all_killed.is_set():
                    break
                cone = CONES[number % len(CONES)]
                value = round(22.0 + number / 10_000.0, 4)  # distinct
                waiting.append(probes.publish(f"hatchery/{cone}/temperature", f"{value:.4f}"))
                published[cone].append(value)
                if len(waiting) == 100:
                    for sent in waiting:
                        sent.wait_for_publish(30.0)
                    waiting.clear()
                    finished.wait(chance.uniform(0.2, 1.2))
            for sent in waiting:
                sent.wait_for_publish(30.0)

    with Daemon(ground) as daemon, Client(mosquitto.port) as past:
        now = datetime.now(UTC)
        for minutes in range(30 * 60, 0, -15):
            at = (now - timedelta(minutes=minutes)).isoformat()
            for cone in AGES_H:
                past.publish(f"shed/{cone}", json.dumps({"at": at, "c": 25.0 + minutes % 7 / 100.0}))
        wait_until(lambda: ground.count("readings") == len(AGES_H) * 120, 20.0, "the day so far")

        publisher = threading.Thread(target=publish)
        publisher.start()
        try:
            to_begin = list(AGES_H)
            for number in range(KILLS):
                # From before it is connected to long after: a begin falls into every third life.
                if number % 3 == 0 and to_begin:
                    cone = to_begin.pop()
                    start = (datetime.now(UTC) - timedelta(hours=AGES_H[cone])).isoformat()
                    ground.done("begin", cone, "--lot", "tin 7", "--grams", "4", "--at", start)
                time.sleep(chance.uniform(0.0, 1.3))
                daemon.kill()
                ended.append(time.monotonic())
                spooled += in_spool_alone(ground.database)
                daemon.start()
            all_killed.set()
            publisher.join(60.0)
        finally:
            all_killed.set()
            finished.set()
        assert not publisher.is_alive()
        assert not to_begin
        assert spooled > KILLS // 4, "kills are to fall between the spool and the database"
        of_the_rest = "topic LIKE 'hatchery/%'"
        everything = sum(map(len, published.values()))
        wait_until(
            lambda: ground.count("readings JOIN streams USING (stream_id)", of_the_rest) >= everything,
            20.0,
            "every reading in the database",
        )
        wait_until(lambda: ground.count("letters", "state = 'due'") == 0, 20.0, "every letter to be sent")

    stored: dict[str, list[float]] = {cone: [] for cone in CONES}
    for cone, raw in ground.rows(
        f"SELECT cone, raw FROM readings JOIN streams USING (stream_id) WHERE {of_the_rest} ORDER BY seq"
    ):
        stored[cone].append(raw)
    assert {cone: sorted(values) for cone, values in stored.items()} == published
    assert ground.count("readings") == everything + len(AGES_H) * 120
    assert ground.count("rejected") == 0

    alerts = ground.rows("SELECT kind, scope, title, body FROM alerts")
    assert len({(kind, scope) for kind, scope, _, _ in alerts}) == len(alerts)
    assert {kind for kind, _, _, _ in alerts} == {"ready-soon", "ready", "closing", "past"}
    letters = ground.rows("SELECT title, body, state FROM letters JOIN alerts USING (alert_id)")
    assert len(letters) == len(alerts)
    told: dict[tuple[str, str], list[tuple[float, bool]]] = {}
    for post in receiver.posts:
        body, _, again = post.body["message"].partition("\n(Sent again, perhaps you have it: letter ")
        told.setdefault((post.body["title"], body), []).append((post.arrived, bool(again)))
    assert told.keys() >= {(title, body) for title, body, state in letters if state == "sent"}
    assert told.keys() <= {(title, body) for _, _, title, body in alerts}
    for words, times in told.items():
        # Between the phone service's yes and the note of it on disk nothing can tell whether a letter has
        # gone out: it goes again, and says so. Anywhere else it may not.
        for (first, _), (_, says_so) in itertools.pairwise(times):
            assert says_so, f"told again without a word on it: {words}"
            assert any(abs(kill - first) < 1.5 for kill in ended), f"told again: {words}"

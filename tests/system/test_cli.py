"""The command line as a keeper uses it, with the daemon running and without; and the daemon's own manners."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import sqlite3
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest

from hatchmon.science.rates import schoolfield_1981
from tests.servers import HOST, Mosquitto, Receiver, VictoriaMetrics, free_port, wait_until
from tests.system.daemon import Client, Daemon, Ground

HOUR = timedelta(hours=1)
TABLES = ("readings", "batches", "looks", "forecasts", "alerts", "rejected")


def ago(hours: float) -> str:
    return (datetime.now(UTC) - hours * HOUR).isoformat()


@pytest.fixture
def alone(tmp_path: Path) -> Ground:
    """Settings and a command line without a daemon."""
    return Ground(tmp_path / "hatchmon", free_port())


@pytest.fixture
def served(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Ground]:
    """The same with the daemon at work."""
    ground = Ground(tmp_path / "hatchmon", mosquitto.port)
    with Daemon(ground):
        yield ground


@pytest.mark.parametrize("who", ["alone", "served"])
def test_a_season_by_hand(request: pytest.FixtureRequest, who: str) -> None:
    """Two batches in one cone, with readings taken by hand, and every wrong order of events on the way."""
    ground: Ground = request.getfixturevalue(who)
    refused, done = ground.refused, ground.done

    # Nothing there yet.
    for words in (
        ["begin", "left", "--lot", "tin 7", "--grams", "4"],
        ["look", "left", "most"],
        ["harvest", "left"],
    ):
        assert "There is no cone called left" in refused(*words)
    assert "new cone" in done("reading", "left", "28", "--at", ago(7))
    for hours in (5.5, 4.0, 2.5, 1.0):
        done("reading", "left", "28", "--at", ago(hours))
    assert "Nothing has been begun in left" in refused("look", "left", "most")
    assert "nothing to harvest" in refused("harvest", "left")

    # Begun in the past: what was read since then counts, from the first minute on.
    begun = ground.data(
        "begin", "left", "--lot", "tin 7", "--grams", "4", "--at", "6h ago", "--set-point", "82.4F"
    )
    assert begun["cone"] == "left"
    assert "tin 7" in begun["text"]
    assert re.search(r"[Rr]eady .*about", begun["text"])
    (cone,) = ground.data("now")
    hours_at_25_c = 6.0 * float(schoolfield_1981(28.0))
    assert cone["forecast"]["q25_h"] == pytest.approx(hours_at_25_c, abs=0.05)
    assert cone["batch"]["set_point_c"] == pytest.approx(28.0)
    assert cone["forecast"]["temperature_rule"] == "heater in control"
    assert re.search(r"[Rr]eady .*about", cone["say"])
    assert "left" in done("now")

    # In the wrong order.
    again = refused("begin", "left", "--lot", "tin 8", "--grams", "4")
    assert "still holds lot tin 7" in again
    assert "hatchmon harvest left" in again
    assert "not a look" in refused("look", "left", "plenty")
    assert "more than everything" in refused("look", "left", "140%")
    assert "future" in refused("look", "left", "most", "--at", (datetime.now(UTC) + HOUR).isoformat())
    assert "was begun only" in refused("look", "left", "none", "--at", ago(6.5))
    assert "cannot end earlier" in refused("harvest", "left", "--at", ago(6.5))
    looked = ground.data("look", "left", "60%", "--at", ago(1))
    assert "5.0 h after the start" in looked["text"]
    assert "was not harvested before" in refused("harvest", "left", "--at", ago(2)).replace("\n", " ")
    harvested = ground.data("harvest", "left", "--at", ago(0.5))
    assert "harvested" in harvested["text"]
    assert "nothing to harvest" in refused("harvest", "left")
    assert "was empty" in refused("look", "left", "most")
    assert "held another batch until" in refused(
        "begin", "left", "--lot", "x", "--grams", "4", "--at", ago(1)
    )

    # The next batch in the same cone, thrown away.
    done("begin", "left", "--lot", "tin 8", "--grams", "2.5", "--litres", "1.5", "--salinity", "28")
    discarded = ground.data("harvest", "left", "--discard")
    assert "discarded" in discarded["text"]
    batches = ground.data("batches")
    assert [(b["lot"], b["grams"], b["outcome"]) for b in batches] == [
        ("tin 7", 4.0, "harvested"),
        ("tin 8", 2.5, "discarded"),
    ]
    assert batches[0]["looks"] == [{"h": pytest.approx(5.0, abs=0.1), "seen": "60 %"}]
    assert [lot["lot"] for lot in ground.data("lots")] == ["tin 7", "tin 8"]
    assert [b["lot"] for b in ground.data("batches", "--lot", "tin 8")] == ["tin 8"]
    for command in ("batches", "lots"):
        assert "tin 7" in done(command)

    # Refused requests have left nothing behind.
    assert (ground.count("batches"), ground.count("looks"), ground.count("readings")) == (2, 1, 5)
    assert ground.count("requests", "done_us IS NULL") == 0


def test_a_harvest_into_the_cold_store_is_published(served: Ground, mosquitto: Mosquitto) -> None:
    """The retained state names it until it is used up, in the words of the command line."""
    state = "hatchmon/test/left/state"
    with Client(mosquitto.port, state) as client:

        def lots() -> list[str] | None:
            """Lots in the cold store, as last published."""
            payload = client.latest(state)
            return None if payload is None else [each["lot"] for each in json.loads(payload)["cold_store"]]

        served.done("reading", "left", "28", "--at", ago(7))
        served.done("begin", "left", "--lot", "tin 7", "--grams", "4", "--at", "6h ago")
        wait_until(lambda: lots() == [], 10.0, "a state with nothing in the cold store")
        assert "use before" in served.done("harvest", "left", "--cold-c", "39F")
        wait_until(lambda: lots() == ["tin 7"], 10.0, "the state to name what is in the cold store")
        shown, published = served.data("now"), json.loads(client.latest(state) or b"{}")
        assert shown[0]["cold_store"] == published["cold_store"]
        served.done("harvest", "left", "--used-up")
        wait_until(lambda: lots() == [], 10.0, "the state to forget what is used up")


def test_what_cannot_be(alone: Ground) -> None:
    """Values that the data refuse: exit 1, a sentence, and nothing noted."""
    ground = alone
    ground.done("reading", "left", "77", "--unit", "F")
    begin = ("begin", "left", "--lot", "tin 7", "--grams")
    for words, said in (
        ([*begin, "0"], "weight of cysts"),
        ([*begin, "-4"], "weight of cysts"),
        ([*begin, "nan"], "weight of cysts"),
        ([*begin, "1e9"], "weight of cysts"),
        ([*begin, "4", "--litres", "0"], "volume"),
        ([*begin, "4", "--set-point", "200"], "set point"),
        ([*begin, "4", "--salinity", "-1"], "salinity"),
        ([*begin, "4", "--at", (datetime.now(UTC) + HOUR).isoformat()], "future"),
        ([*begin, "4", "--at", ago(24 * 8)], "7 days"),
        (["begin", "left", "--lot", " ", "--grams", "4"], "lot needs a name"),
        (["begin", "left", "--lot", "x" * 61, "--grams", "4"], "lot needs a name"),
        (["begin", "a b", "--lot", "tin 7", "--grams", "4"], "cone's name"),
        (["reading", "left/right", "25"], "cone's name"),
        (["reading", "left", "200"], "cannot be"),
        (["reading", "left", "inf"], "cannot be"),
        (["reading", "left", "298", "--unit", "K"], "not measured in K"),
        (["reading", "left", "25", "--at", (datetime.now(UTC) + HOUR).isoformat()], "future"),
    ):
        assert said in ground.refused(*words), words
    assert ground.count("batches") == 0
    assert ground.rows("SELECT raw, unit, dated_by FROM readings JOIN streams USING (stream_id)") == [
        (77.0, "F", "receipt")
    ]
    moment = ago(1)
    ground.done("reading", "left", "25", "--at", moment)
    assert "that very moment" in ground.refused("reading", "left", "26", "--at", moment)


def test_wrong_use(tmp_path: Path) -> None:
    """Exit 2, whatever the data say."""
    ground = Ground(tmp_path / "hatchmon", free_port())
    begin = ("begin", "left", "--lot", "tin 7", "--grams")
    for words, said in (
        (["begin", "left", "--grams", "4"], "--lot"),
        (["begin", "left", "--lot", "tin 7"], "--grams"),
        ([*begin, "four"], "--grams"),
        ([*begin, "4", "--at", "tomorrowish"], "not a time"),
        ([*begin, "4", "--at", "25:10"], "no 25:10"),
        ([*begin, "4", "--set-point", "warm"], "not a temperature"),
        ([*begin, "4", "--colour", "red"], "--colour"),
        (["begin"], "cone"),
        (["reading", "left", "hot"], "value"),
        (["reading", "left", "7", "--quantity", "ph"], "--quantity"),
        (["export", "money"], "not a table"),
        (["look", "left"], "seen"),
        (["hatch"], "hatch"),
        (["now", "--config", tmp_path / "none.toml"], "no such file"),
    ):
        assert said in ground.refused(*words, code=2).lower(), words
    ground.config.write_text('[brocker]\nhost = "127.0.0.1"\n')
    for command in (["now"], ["check"], ["run"], ["begin", "left", "--lot", "x", "--grams", "4"]):
        said = ground.refused(*command, code=2)
        assert "brocker" in said
        assert "did you mean broker" in said
    assert not ground.database.exists()


def test_no_database_yet(tmp_path: Path) -> None:
    ground = Ground(tmp_path / "hatchmon", free_port())
    for words in (["now"], ["batches"], ["lots"], ["export", "readings"], ["backup", tmp_path / "copy.db"]):
        assert f"there is no database at {ground.database}" in ground.refused(*words)
    assert not ground.database.exists()


def test_the_record_can_be_taken_away(served: Ground, tmp_path: Path) -> None:
    """CSV of every table, and a backup that is a database of its own, while the daemon works."""
    ground = served
    for hours in (3.0, 2.0, 1.0):
        ground.done("reading", "left", "25.5", "--at", ago(hours))
    ground.done("reading", "right", "30", "--quantity", "salinity")
    ground.done("begin", "left", "--lot", 'tin 7, the "old" one', "--grams", "4", "--at", ago(3))
    ground.done("look", "left", "nearly", "all")
    tables: dict[str, list[dict[str, str]]] = {}
    for table in TABLES:
        file = tmp_path / f"{table}.csv"
        told = ground.data("export", table, "--out", file)
        tables[table] = list(csv.DictReader(file.open(newline="")))
        assert told == {"file": str(file), "rows": len(tables[table])}
        assert len(tables[table]) == ground.count(table)
    looks = json.loads(ground.done("export", "looks", "--json"))
    in_csv = list(csv.DictReader((tmp_path / "looks.csv").open()))
    assert [{name: str(value) for name, value in look.items()} for look in looks] == in_csv
    assert "exists already" in ground.refused("export", "looks", "--out", tmp_path / "looks.csv")
    assert ground.done("export", "readings") == (tmp_path / "readings.csv").read_text()
    readings = tables["readings"]
    assert {(row["cone"], row["value"], row["source"]) for row in readings} == {
        ("left", "25.5", "by hand"),
        ("right", "30.0", "by hand"),
    }
    assert all(datetime.fromisoformat(row["time"]).utcoffset() == timedelta(0) for row in readings)
    assert len(list(csv.DictReader(io.StringIO(ground.done("export", "readings", "--cone", "right"))))) == 1
    assert [batch["lot"] for batch in tables["batches"]] == ['tin 7, the "old" one']
    assert [look["seen"] for look in tables["looks"]] == ["nearly all"]
    assert float(tables["forecasts"][-1]["q25_h"]) > 3.0

    copy = tmp_path / "copy.db"
    told = ground.data("backup", copy)
    assert told == {"file": str(copy), "bytes": copy.stat().st_size}
    with closing(sqlite3.connect(copy)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        for table in TABLES:
            assert db.execute(f"SELECT count(*) FROM {table}").fetchone()[0] == ground.count(table)
    assert "exists already" in ground.refused("backup", copy)
    assert "cannot be written" in ground.refused("backup", tmp_path / "nowhere" / "copy.db")
    # The copy serves as the database of another hatchmon.
    other = Ground(tmp_path / "other", free_port())
    other.database.parent.mkdir()
    shutil.copy(copy, other.database)
    assert {cone["cone"] for cone in other.data("now")} == {"left", "right"}


def test_replay_needs_no_settings(tmp_path: Path) -> None:
    folder = tmp_path / "batch"
    folder.mkdir()
    start = datetime(2026, 3, 1, 18, tzinfo=UTC)
    (folder / "batch.json").write_text(
        json.dumps(
            {"start": start.isoformat(), "lot": "tin 7", "grams": 4, "litres": 1, "salinity": None,
             "set_point_c": None, "now": (start + 6 * HOUR).isoformat()}
        )
    )  # fmt: skip
    lines = [f"{(start + timedelta(minutes=m)).isoformat()},25.0" for m in range(0, 361, 10)]
    (folder / "temperature.csv").write_text("time,temp_c\n" + "\n".join(lines) + "\n")
    ground = Ground(tmp_path / "hatchmon", free_port())
    told = json.loads(ground.done("replay", folder, "--json"))
    assert told["progress"]["q25_h"] == pytest.approx(6.0, abs=0.05)
    assert told["t90_h"]["p10"] < told["t90_h"]["p50"] < told["t90_h"]["p90"]
    assert told["trust"] == "good"
    assert ground.done("replay", folder)
    ground.refused("replay", tmp_path / "nowhere")
    assert not ground.database.exists()


# ---- check ----


class Unwilling(HTTPServer):
    """A time-series store that answers 401 to everything."""

    def __init__(self) -> None:
        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                self.rfile.read(int(self.headers.get("Content-Length") or 0))
                body = b'{"code": "unauthorized", "message": "unauthorized access"}'
                self.send_response(401)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, format: str, *args: object) -> None:
                pass

        super().__init__((HOST, 0), Handler)

    def __enter__(self) -> Unwilling:
        threading.Thread(target=self.serve_forever, args=(0.02,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.shutdown()
        self.server_close()


def findings(ground: Ground, *words: object) -> tuple[int, dict[str, dict[str, Any]]]:
    ended = ground.cli("check", *words, "--json")
    assert not ended.stderr, ended.stderr
    return ended.returncode, {finding["part"]: finding for finding in json.loads(ended.stdout)}


def test_check_when_all_is_well(
    tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver, victoria_metrics: VictoriaMetrics
) -> None:
    push = [f"json://127.0.0.1:{receiver.port}/phone"]
    ground = Ground(tmp_path / "hatchmon", mosquitto.port, push=push, series=victoria_metrics.url)
    with Daemon(ground) as daemon:
        wait_until(daemon.connected, 10.0, "the broker")
        code, found = findings(ground, "--send")
        assert code == 0
        assert list(found) == [
            "settings",
            "database",
            "clock",
            "broker",
            "messages",
            "series",
            "push",
            "page",
        ]
        assert all(finding["ok"] and not finding["mend"] for finding in found.values())
        assert "running daemon" in found["database"]["text"]
        receiver.wait_for(1)
        assert daemon.connected(), "the check must not push the daemon off the broker"
        with Client(mosquitto.port) as probe:
            probe.send("hatchery/left/temp", "25")
        wait_until(lambda: ground.count("rejected") == 1, 10.0, "the message")
        code, found = findings(ground)
        assert code == 1
        assert (
            "1 in the last 1 h could not be read; newest: hatchery/left/temp: 'temp'"
            in (found["messages"]["text"])
        )
        assert "hatchmon export rejected" in found["messages"]["mend"]
    assert ground.done("check", "--settings-only") == "settings: read\n"
    assert ground.data("check", "--settings-only")[0]["ok"]
    assert len(receiver.posts) == 1


def test_check_says_how_to_mend(tmp_path: Path) -> None:
    """Each failing part by itself, with a line on how to mend it."""
    with Unwilling() as store:
        ground = Ground(tmp_path / "one", free_port(), series=f"http://{HOST}:{store.server_address[1]}")
        ground.database.parent.mkdir()
        ground.database.write_bytes(b"this is a letter to grandmother, not a database" * 100)
        code, found = findings(ground)
        assert code == 1
        assert {part for part, finding in found.items() if not finding["ok"]} == {
            "database", "broker", "series", "push",
        }  # fmt: skip
        assert all(finding["mend"] for finding in found.values() if not finding["ok"])
        assert "not a hatchmon database" in found["database"]["text"]
        assert "is the broker running" in found["broker"]["text"]
        assert "mosquitto" in found["broker"]["mend"]
        assert "401" in found["series"]["text"]
        assert "push.to" in found["push"]["mend"]
        shown = ground.cli("check")
        assert shown.returncode == 1
        assert shown.stdout.count("MEND ") == shown.stdout.count("  -> ") == 4
        assert shown.stdout.count("ok   ") == 3  # the settings, the clock, the page that is switched off
    # The letter to grandmother is still what it was.
    assert ground.database.read_bytes().startswith(b"this is a letter")
    absent = Ground(tmp_path / "two", free_port(), series=f"http://{HOST}:{free_port()}")
    code, found = findings(absent)
    assert code == 1
    assert not found["series"]["ok"]
    assert "nothing answers there" in found["series"]["text"]


# ---- who may ----


def without_privilege() -> Sequence[str]:
    """Before a command: root, but bound by the rights of files like anybody else."""
    if os.geteuid() != 0:
        return ()
    return ("setpriv", "--bounding-set=-dac_override,-dac_read_search,-fowner")


def shut(path: Path, mode: int) -> None:
    """Give ``path`` to somebody else (if we may) and set its mode."""
    if os.geteuid() == 0:
        os.chown(path, 65_534, 65_534)
    path.chmod(mode)


@pytest.mark.parametrize("what", ["file", "folder"])
def test_somebody_else_is_told_how_to_get_in(tmp_path: Path, what: str) -> None:
    ground = Ground(tmp_path / "hatchmon", free_port())
    ground.done("reading", "left", "25")
    path = ground.database if what == "file" else ground.database.parent
    shut(path, 0o000)
    try:
        for words in (["now"], ["reading", "left", "26"], ["begin", "left", "--lot", "x", "--grams", "4"]):
            ended = ground.cli(*words, prefix=without_privilege())
            assert (ended.returncode, ended.stdout) == (1, ""), words
            assert "sudo -u hatchmon" in ended.stderr, (words, ended.stderr)
            assert "Traceback" not in ended.stderr
    finally:
        path.chmod(0o700)


def test_somebody_who_may_not_read_the_settings_is_told_how_to_get_in(alone: Ground) -> None:
    shut(alone.config, 0o000)
    try:
        ended = alone.cli("now", prefix=without_privilege())
        assert ended.returncode == 2
        assert "sudo -u hatchmon" in ended.stderr
    finally:
        alone.config.chmod(0o600)


# ---- the daemon's manners ----


def test_two_daemons_on_one_database(tmp_path: Path, mosquitto: Mosquitto) -> None:
    ground = Ground(tmp_path / "hatchmon", mosquitto.port)
    with Daemon(ground) as daemon:
        begun = time.monotonic()
        said = ground.refused("run")
        assert time.monotonic() - begun < 10.0
        assert "in use by another hatchmon process" in said
        assert daemon.running
        wait_until(daemon.connected, 10.0, "the first to have the broker")
        daemon.kill()  # a lock that outlived its owner would keep the next one out
        daemon.start()


def test_the_service_manager_hears_of_life_only_while_the_engine_turns(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    ground = Ground(tmp_path / "hatchmon", mosquitto.port)
    with Daemon(ground, watchdog_s=1.2) as daemon, Client(mosquitto.port) as client:
        manager = daemon.manager
        wait_until(daemon.connected, 10.0, "the status to name the broker")
        client.send("hatchery/left/temperature", "25.4")
        wait_until(lambda: "0 of 1 cones hatching" in daemon.status, 10.0, "the status to name the cone")
        started = time.monotonic()
        wait_until(lambda: len(manager.times("WATCHDOG=1", started)) >= 4, 10.0, "signs of life")
        spans = [b - a for a, b in zip(*(manager.times("WATCHDOG=1")[i:] for i in (0, 1)), strict=False)]
        assert sorted(spans)[len(spans) // 2] <= 1.2  # one late on a busy machine is no fault of the loop
        daemon.freeze()
        time.sleep(0.3)  # what was on its way arrives
        frozen = time.monotonic()
        time.sleep(2.0)
        assert manager.times("WATCHDOG=1", frozen) == []
        thawed = time.monotonic()
        daemon.thaw()
        wait_until(lambda: manager.times("WATCHDOG=1", thawed), 10.0, "life to go on")

        # Another process holds the database: the engine waits for it, and says no more that all is well.
        with closing(sqlite3.connect(ground.database, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            client.send("hatchery/left/temperature", "25.5")
            client.send("hatchery/left/temperature", "no number")  # which the spool does not take
            wait_until(
                lambda: time.monotonic() - manager.times("WATCHDOG=1")[-1] > 2.0, 15.0, "the signs to end"
            )
            other.execute("ROLLBACK")
        held = time.monotonic()
        wait_until(lambda: manager.times("WATCHDOG=1", held), 15.0, "the signs to go on")
        wait_until(lambda: ground.count("readings") == 2, 15.0, "the reading to be stored")
        assert len(manager.times("READY=1")) == 1
        code, _ = daemon.stop()
        assert code == 0
        wait_until(lambda: manager.times("STOPPING=1"), 5.0, "word of the end")


def test_a_database_held_by_somebody_else_is_told_in_words(tmp_path: Path) -> None:
    ground = Ground(tmp_path / "hatchmon", free_port())
    ground.done("reading", "left", "25")
    with closing(sqlite3.connect(ground.database, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        said = ground.refused("reading", "left", "26")
        assert "busy" in said or "locked" in said
        assert ground.data("now"), "reading is possible all the while"
        other.execute("ROLLBACK")
    ground.done("reading", "left", "26")
    assert ground.count("readings") == 2

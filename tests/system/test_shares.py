"""One large site on one broker: several daemons, each with its share of the cones."""

from __future__ import annotations

import json
import re
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.servers import Mosquitto, wait_until
from tests.system.daemon import SITE, Client, Daemon, Ground, in_place

SHARES = f"hatchmon/{SITE}/shares"


def ground_of(folder: Path, broker: Mosquitto, name: str, *cones: str, tables: str = "") -> Ground:
    share = f'share = {{name = "{name}", cones = {json.dumps(cones)}}}'
    return Ground(folder / name, broker.port, top=share, tables=tables)


def stored(ground: Ground) -> Counter[tuple[str, float]]:
    """What a record holds of the readings sent."""
    return Counter(ground.rows("SELECT cone, raw FROM readings JOIN streams USING (stream_id)"))


def claim(port: int, share: str, *cones: str) -> str:
    """Claim as a daemon that is no more would have; the topic."""
    topic = f"{SHARES}/{share}/claim/0123456789abcdef"
    said = {"version": 1, "cones": cones, "since": "2026-03-01T18:00+00:00", "nonce": "x"}
    with Client(port) as client:
        client.send(topic, json.dumps(said), retain=True)
    return topic


def memory_mb(daemon: Daemon) -> float:
    assert daemon.process is not None
    status = Path(f"/proc/{daemon.process.pid}/status").read_text()
    found = re.search(r"VmRSS:\s+(\d+) kB", status)
    assert found is not None
    return int(found[1]) / 1024


def test_a_thousand_cones_over_two_daemons(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Readings from all, one daemon killed meanwhile: each is stored once, in the record of its share."""
    cones = {hall: [f"{hall}{number:03}" for number in range(1, 501)] for hall in ("a", "b")}
    grounds = {hall: ground_of(tmp_path, mosquitto, f"hall-{hall}", f"{hall}001..{hall}500") for hall in "ab"}
    daemons = {hall: Daemon(ground) for hall, ground in grounds.items()}
    with daemons["a"], daemons["b"], Client(mosquitto.port) as probes:
        for daemon in daemons.values():
            wait_until(daemon.connected, 20.0, "the broker")
        sent: Counter[tuple[str, float]] = Counter()

        def send_round(number: int) -> None:
            for pair in zip(cones["a"], cones["b"], strict=True):
                for cone in pair:
                    value = round(20.0 + number / 100.0, 2)
                    probes.publish(f"hatchery/{cone}/temperature", f"{value}")
                    sent[cone, value] += 1

        send_round(0)
        wait_until(
            lambda: all(grounds[hall].count("readings") > 50 for hall in "ab"), 30.0, "the first readings"
        )
        send_round(1)
        daemons["b"].kill()
        send_round(2)
        daemons["b"].start()
        send_round(3)
        wait_until(probes.all_taken, 30.0, "the broker to take all")

        def all_stored() -> bool:
            return sum(ground.count("readings") for ground in grounds.values()) >= 4000

        wait_until(all_stored, 60.0, "every reading")
        for hall, ground in grounds.items():
            assert stored(ground) == Counter({key: n for key, n in sent.items() if key[0].startswith(hall)})
            # What is another's was not even received.
            assert ground.count("rejected") == 0
            assert {cone for (cone,) in ground.rows("SELECT DISTINCT cone FROM streams")} == set(cones[hall])
        for hall, daemon in daemons.items():
            print(f"hall-{hall}: {memory_mb(daemon):.1f} MB with 500 cones")
        assert all(
            in_place(mosquitto.port, f"{SHARES}/hall-{hall}/availability") == b"online" for hall in "ab"
        )
    assert in_place(mosquitto.port, f"{SHARES}/hall-a/availability") == b"offline"


@pytest.fixture
def hall_a(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Daemon]:
    """A daemon with a few cones of its own, connected."""
    tables = '[requests]\nover_mqtt = ["seen", "begin"]'
    with Daemon(ground_of(tmp_path, mosquitto, "hall-a", "a01..a20", tables=tables)) as daemon:
        wait_until(daemon.connected, 20.0, "the broker")
        yield daemon


def test_one_whose_cones_another_has_is_refused_before_it_takes_a_reading(
    tmp_path: Path, mosquitto: Mosquitto, hall_a: Daemon
) -> None:
    both = ground_of(tmp_path, mosquitto, "hall-b", "a19..a25")
    said = both.refused("run").splitlines()[-1]
    since = re.search(r"since (\S+?)\)", said)
    assert since is not None
    assert said == (
        "a19, a20: share hall-a looks after them as well as hall-b (2 of our 7 cones; "
        f"since {since[1]}). Take them out of share.cones of one of the two, and restart that one first. "
        "If the other one is gone for good: hatchmon check --clear hall-a"
    )
    # It had no session yet: nothing waits for it, and it has said nothing that lasts.
    assert "hatchmon-test.hall-b " not in mosquitto.log().replace("'", " ")
    with Client(mosquitto.port, f"{SHARES}/#") as watcher:
        wait_until(lambda: watcher.latest(f"{SHARES}/hall-a/availability"), 10.0, "what is retained")
        assert not any("hall-b" in topic and payload for topic, payload, _ in watcher.heard)
    assert hall_a.connected()

    # The same name is refused even with other cones, and the first one is not disturbed.
    twin = Ground(tmp_path / "twin", mosquitto.port, top='share = {name = "hall-a", cones = ["c1..c9"]}')
    said = twin.refused("run")
    assert "Another hatchmon is share hall-a already (20 cones: a01..a20; since" in said
    assert "Give one of the two another share.name and other cones." in said
    assert not any("broker the connection" in status for status in hall_a.manager.statuses())


def test_what_another_share_has_is_asked_for_there(
    tmp_path: Path, mosquitto: Mosquitto, hall_a: Daemon
) -> None:
    ground = hall_a.ground
    with (
        Daemon(ground_of(tmp_path, mosquitto, "hall-b", "b01..b20")) as hall_b,
        Client(mosquitto.port, f"hatchmon/{SITE}/+/answer") as hand,
    ):
        wait_until(hall_b.connected, 20.0, "the broker")
        wait_until(
            lambda: "hall-b" in (ground.rows("SELECT value FROM meta WHERE key = 'shares'") or [("",)])[0][0],
            10.0,
            "the neighbour",
        )
        words = ("begin", "b07", "--lot", "L", "--grams", 1)
        assert ground.refused(*words) == (
            "b07 is not one of the cones of share hall-a (a01..a20): share hall-b looks after it. "
            "Ask there, with that share's settings: --config /etc/hatchmon/hall-b.toml"
        )
        assert ground.refused("reading", "c1", 25) == (
            "c1 is not one of the cones of share hall-a (a01..a20), and no other share is known to have it. "
            "Add it to share.cones, then restart hatchmon."
        )
        # A request over MQTT goes to the one that has the cone, and gets one answer.
        hand.send(f"hatchmon/{SITE}/b07/request", '{"do": "seen"}')
        hand.send(f"hatchmon/{SITE}/a07/request", '{"do": "seen"}')
        wait_until(lambda: hand.heard, 10.0, "an answer")
        assert [topic for topic, _, _ in hand.heard] == [f"hatchmon/{SITE}/a07/answer"]
        assert ground.count("rejected") == hall_b.ground.count("rejected") == 0

        shares = next(
            each for each in json.loads(ground.cli("check", "--json").stdout) if each["part"] == "shares"
        )
        assert shares["ok"]
        assert re.sub(r"since [^,]+", "since then", shares["text"]) == (
            "hall-a, this one, runs, with 20 cones: a01..a20; hall-b, since then, with 20 cones: b01..b20"
        )
        alive = ground.refused("check", "--clear", "hall-b")
        assert alive == (
            "Share hall-b is alive and has claimed its cones again. Stop it first: sudo systemctl stop "
            "hatchmon@hall-b"
        )
    # Known although it is away; and its claim went with it, also when it is killed.
    assert "share hall-b looks after it" in ground.refused(*words)
    assert ground.refused("check", "--clear", "hall-b") == (
        "No share hall-b has a claim on the broker. There are: hall-a."
    )


def test_a_killed_daemon_leaves_no_claim_and_a_broker_that_was_killed_may(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    ground = ground_of(tmp_path, mosquitto, "hall-b", "a01..a09")
    first = ground_of(tmp_path, mosquitto, "hall-a", "a01..a20")
    with Daemon(first) as killed:
        wait_until(killed.connected, 20.0, "the broker")
        killed.kill()
    with Daemon(ground) as heir:
        wait_until(heir.connected, 20.0, "the broker")

    # Nobody is there to take a claim away that outlived broker and holder.
    topic = claim(mosquitto.port, "hall-a", "a09..a12")
    said = ground.refused("run")
    assert (
        "a09: share hall-a looks after it as well as hall-b (1 of our 9 cones; since 2026-03-01T18:00+00:00)."
        in said
    )
    assert said.endswith("If the other one is gone for good: hatchmon check --clear hall-a")
    assert ground.done("check", "--clear", "hall-a") == (
        "The claim of share hall-a is taken away; others may look after its cones now.\n"
    )
    assert in_place(mosquitto.port, topic) is None


def test_one_that_runs_stays_whatever_is_claimed_later(mosquitto: Mosquitto, hall_a: Daemon) -> None:
    """Also nonsense, and an attempt to take its own claim away."""
    own = next(
        topic for topic, payload in retained(mosquitto.port, f"{SHARES}/hall-a/#") if "/claim/" in topic
    )
    with Client(mosquitto.port, own) as hostile:
        claim(mosquitto.port, "hall-z", "a01..a20")
        deep = "[" * 60_000
        for number, payload in enumerate(
            (b"\xff", b"", b"{}", deep.encode(), b"x" * 200_000, b'{"version": 1}')
        ):
            hostile.send(f"{SHARES}/hall-y/claim/{number:016}", payload, retain=True)
        hostile.send(f"{SHARES}/Hall Y/claim/1", "{}", retain=True)
        before = len(hostile.heard)
        hostile.send(own, b"", retain=True)
        wait_until(lambda: any(payload for _, payload, _ in hostile.heard[before:]), 15.0, "its claim again")
        hostile.send("hatchery/a01/temperature", "25.5")
    wait_until(lambda: hall_a.ground.count("readings") == 1, 15.0, "the reading")
    assert hall_a.connected()


def retained(port: int, topics: str) -> list[tuple[str, bytes]]:
    with Client(port, topics) as client:
        wait_until(lambda: client.heard, 10.0, topics)
        time.sleep(0.2)
        return [(topic, payload) for topic, payload, _ in client.heard]


def test_a_hatchmon_without_a_share_is_in_the_way_of_all(tmp_path: Path, mosquitto: Mosquitto) -> None:
    shared = ground_of(tmp_path, mosquitto, "hall-a", "a01..a20")
    with Daemon(Ground(tmp_path / "whole", mosquitto.port)) as whole:
        wait_until(whole.connected, 20.0, "the broker")
        assert shared.refused("run").splitlines()[-1] == (
            "A hatchmon without [share] looks after every cone of this site, those of hall-a as well. "
            "Stop it (sudo systemctl disable --now hatchmon), or give it a share of its own."
        )


def test_a_cone_given_to_another_share_is_no_longer_heard(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Neither are those that the session of a hatchmon for all cones still held."""
    folder = tmp_path / "hall-a"
    wide = Ground(folder, mosquitto.port, tables="")
    wide.config.write_text(wide.config.read_text().replace("[broker]", '[broker]\nclient_id = "one"'))
    with Daemon(wide) as daemon, Client(mosquitto.port) as probes:
        wait_until(daemon.connected, 20.0, "the broker")
        probes.send("hatchery/a1/temperature", "25")
        probes.send("hatchery/a3/temperature", "25")
        wait_until(lambda: wide.count("readings") == 2, 10.0, "both readings")
        wide.done("begin", "a3", "--lot", "L", "--grams", 1)
    narrow = Ground(folder, mosquitto.port, top='share = {name = "hall-a", cones = ["a1", "a2"]}')
    narrow.config.write_text(narrow.config.read_text().replace("[broker]", '[broker]\nclient_id = "one"'))
    with Daemon(narrow) as daemon, Client(mosquitto.port) as probes:
        wait_until(daemon.connected, 20.0, "the broker")
        probes.send("hatchery/a3/temperature", "26")
        probes.send("hatchery/a1/temperature", "26")
        wait_until(lambda: narrow.count("readings") == 3, 10.0, "the reading of ours")
        assert narrow.count("rejected") == 0
        assert [cone["cone"] for cone in narrow.data("now")] == ["a1"]
        assert "0 of 1 cones hatching" in daemon.status
        findings = json.loads(narrow.cli("check", "--json").stdout)
        assert [each["text"] for each in findings if each["part"] == "shares" and not each["ok"]] == [
            "a batch runs in our record in a3, not of share.cones"
        ]

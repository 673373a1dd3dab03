"""What anybody may publish: three hundred messages that no sound probe would send."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.servers import Mosquitto, wait_until
from tests.system.daemon import Client, Daemon, Ground

JSON_TOPIC = "shed/probe"
TABLES = f"""
[[probes]]
cone = "mapped"
quantity = "temperature"
topic = "{JSON_TOPIC}"
value_pointer = "/v/0/t"
time_pointer = "/at"

[[probes]]
cone = "dated"
quantity = "temperature"
topic = "shed/dated"
value_pointer = "/v/0/t"
time_pointer = "/at"
"""
MARK = "hatchmon/test/mark"
REJECTED = "rejected"
MEGABYTE = b"7" * 1_000_000

NO_NUMBERS: tuple[bytes, ...] = (
    b"", b" ", b"\n\n", b"\x00", b"\x00\x00\x20\x41", b"\xff\xfe\xfd", b"\xc3\x28", b"25.4\x00", b"nan",
    b"NaN",
    b"-nan", b"inf", b"Infinity", b"-Infinity", b"1e999", b"-1e999", b"9" * 400, b"0x1A", b"1_000", b"25,4",
    b"25.4 C", "25.4°C".encode(), b"25.4\n26.1", b"25 26", b"--5", b"+-5", b"1e", b"e5", b".", b"-", b"true",
    b"null", b'"25.4"', b"[25.4]", b'{"value": 25.4}', b"<t>25.4</t>", b"temperature=25.4", b"%s%s%s%n",
    b"'; DROP TABLE readings; --", b"[" * 10_000, MEGABYTE, b"25.4" + b" " * 70_000, "２５.４度".encode(),
    b"None",
)  # fmt: skip

ODD_TOPICS: tuple[str, ...] = (
    "hatchery//temperature", "hatchery/ /temperature", "hatchery/a b/temperature",
    "hatchery/Bütte/temperature",
    "hatchery/\U0001f990/temperature", "hatchery/a.b/temperature", "hatchery/a;b/temperature",
    "hatchery/'--/temperature", 'hatchery/"/temperature', "hatchery/../temperature",
    "hatchery/%2e/temperature",
    "hatchery/a\\b/temperature", "hatchery/a\u200bb/temperature", "hatchery/\u202e/temperature",
    f"hatchery/{'x' * 33}/temperature", f"hatchery/{'x' * 1_000}/temperature",
    f"hatchery/{'x' * 60_000}/temperature", f"hatchery/{'é' * 30_000}/temperature",
    "hatchery/good/ph", "hatchery/good/", "hatchery/good/Temperature", "hatchery/good/TEMPERATURE",
    "hatchery/good/temperature ", "hatchery/good/temp", "hatchery/good/__members__", "hatchery/good/name",
    "hatchery/good/температура", f"hatchery/good/{'y' * 60_000}",
)  # fmt: skip

# Plain numbers that no brine has, or written in a way of their own: each on a new cone, with its verdict.
ODD_NUMBERS: tuple[tuple[bytes, str], ...] = (
    (b"85", "sentinel"), (b"85.0", "sentinel"), (b"-127", "sentinel"), (b"-127.00", "sentinel"),
    (b"-100", "sentinel"), (b"-273.15", "sentinel"), (b"-1e300", "sentinel"), (b"1e308", "range"),
    (b"45.01", "range"), (b"-2.01", "range"), (b"-99.9", "range"), (b"1e5", "range"), (b"99999999999",
    "range"),
    (b"4294967295", "range"), (b"65535", "range"), (b"+25.4", "good"), (b".5", "good"), (b"25.", "good"),
    (b" 25.4\r\n", "good"), (b"2.54e1", "good"), (b"2540E-2", "good"), (b"-0", "good"), (b"1e-320", "good"),
    (b"0000025.4", "good"), (b"25.4" + b"0" * 60_000, "good"),
)  # fmt: skip


def nested(depth: int, opening: str, inside: str, closing: str) -> str:
    return opening * depth + inside + closing * depth


def no_documents(now: datetime) -> Iterator[bytes]:
    """Payloads of a topic that ought to hold JSON with a value and a time, and do not."""
    at = json.dumps(now.isoformat())
    for value in (
        '"25.4"', "true", "false", "null", "[]", "[25.4]", "{}", '{"t": 25.4}', "NaN", "Infinity",
        "-Infinity",
        "1e999", "-1e999", "9" * 400, "9" * 5_000, '""', '"NaN"', '"\\ud800"', "25.4.1", "0x1A", "'25.4'",
        nested(10_000, "[", "25.4", "]"), nested(10_000, '{"a":', "25.4", "}"), nested(200_000 // 8, "[",
        "", ""),
    ):  # fmt: skip
        yield f'{{"v": [{{"t": {value}}}], "at": {at}}}'.encode()
    for time in (
        "true", "[]", "{}", '""', '"yesterday"', '"2026-03-01"', '"2026-03-01T10:00:00"',
        '"2026-13-01T10:00:00Z"', '"2026-02-30T10:00:00Z"', '"25:00"', "0", "-1", "1e999", "-1e999",
        "1e300", "1e20",
        "NaN", "Infinity", '"1969-12-31T23:59:59Z"', '"1970-01-01T00:00:00Z"', '"1999-12-31T23:59:59Z"',
        '"9998-12-31T00:00:00Z"',
        '"0001-01-01T00:00:00+14:00"', '"9999-12-31T23:59:59-14:00"', '"-0044-03-15T12:00:00Z"', '"\\ud800"',
        '"1772359200"', "9" * 400, "9" * 5_000,
    ):  # fmt: skip
        yield f'{{"v": [{{"t": 25.4}}], "at": {time}}}'.encode()
    good = f'{{"v": [{{"t": 25.4}}], "at": {at}}}'.encode()
    yield from (
        b"", b"25.4", b"null", b"[]", b"{}", b'""', b"{", good[:-1], good[:20], good + b"}", good + good,
        b",",
        b"\xff" + good, good.replace(b'"', b"'"), good[:-1] + b",}", b"/* */" + good, good.replace(b"t",
        b"T"),
        f'{{"v": {{"0": {{"u": 25.4}}}}, "at": {at}}}'.encode(), f'{{"v": [], "at": {at}}}'.encode(),
        f'{{"v": [[25.4]], "at": {at}}}'.encode(), b'{"v": [{"t": 25.4}]}', f'{{"at": {at}}}'.encode(),
        b'{"v": [{"t": 25.4}], "At": ' + at.encode() + b"}", good + b" " * 70_000,
        b'{"x": "' + b"a" * 1_000_000 + b'", ' + good[1:], good.decode().encode("utf-16"), b"\x00" * 100,
        nested(10_000, "[", "", "]").encode(), nested(10_000, '{"v":', "1", "}").encode(),
        b"\x81\xa1v\xcb@9ffff",
    )  # fmt: skip


@dataclass(frozen=True)
class Sent:
    topic: str
    payload: bytes
    becomes: str


def hostile(now: datetime) -> list[Sent]:
    """Everything, with what is to become of it."""
    all_of_it = [
        Sent(f"hatchery/good/{quantity}", payload, REJECTED)
        for quantity in ("temperature", "salinity", "light", "air_temperature")
        for payload in NO_NUMBERS
    ]
    all_of_it += [Sent(topic, b"25.4", REJECTED) for topic in ODD_TOPICS]
    all_of_it += [Sent(JSON_TOPIC, payload, REJECTED) for payload in no_documents(now)]
    # A probe whose clock is not set yet: it counts from when it comes.
    all_of_it.append(Sent(JSON_TOPIC, b'{"v": [{"t": 25.4}], "at": null}', "good"))
    all_of_it += [
        Sent(f"hatchery/odd-{number}/temperature", payload, verdict)
        for number, (payload, verdict) in enumerate(ODD_NUMBERS)
    ]
    times = [
        (now, "good"), (now + timedelta(minutes=5), "future"), (now + timedelta(days=1), "future"),
        (now + timedelta(days=30_000), "future"), (now - timedelta(minutes=4), "good"),
        (now - timedelta(minutes=6), "late"),
        (now - timedelta(days=400), "late"), (datetime(2000, 1, 1, tzinfo=UTC), "late"),
    ]  # fmt: skip
    all_of_it += [
        Sent("shed/dated", json.dumps({"v": [{"t": 25.4}], "at": moment.isoformat()}).encode(), verdict)
        for moment, verdict in times
    ]
    all_of_it += [
        Sent("shed/dated", json.dumps({"v": [{"t": 25.4}], "at": at}).encode(), "future")
        for at in ((now + timedelta(hours=2)).timestamp(), (now + timedelta(hours=3)).timestamp() * 1000)
    ]
    return all_of_it


def test_three_hundred_hostile_messages(tmp_path: Path, mosquitto: Mosquitto) -> None:
    ground = Ground(tmp_path / "hatchmon", mosquitto.port, tables=TABLES)
    with Daemon(ground) as daemon, Client(mosquitto.port) as client:
        now = datetime.now(UTC)
        messages = hostile(now)
        assert len(messages) >= 300
        good = 0
        for number, sent in enumerate(messages):
            client.publish(sent.topic, sent.payload)
            if number % 10 == 0:
                client.publish("hatchery/good/temperature", f"{25 + good / 1000:.3f}")
                good += 1
        # Not ours to hear: no topic of a probe.
        for topic in ("hatchery", "hatchery/good", "hatchery/good/temperature/raw", "other/good/temperature"):
            client.publish(topic, b"25.4")
        client.send("hatchery/last/temperature", b"25.4")
        wait_until(
            lambda: ground.count("rejected") + ground.count("readings") >= len(messages) + good + 1,
            30.0,
            "every message in the database",
        )
        wait_until(lambda: "last" in str(ground.rows("SELECT cone FROM cones")), 10.0, "the last message")
        assert daemon.running
        assert json.loads(ground.done("now", "--json"))

        # Byte for byte (as far as they are kept) and in order, each with a reason.
        expected = [(sent.topic[:1024], sent.payload[:4096]) for sent in messages if sent.becomes == REJECTED]
        rejected = ground.rows("SELECT topic, payload, reason FROM rejected ORDER BY rejected_id")
        assert [(topic, payload) for topic, payload, _ in rejected] == expected
        assert all(0 < len(reason) < 300 for _, _, reason in rejected)

        readings = ground.rows(
            "SELECT cone, topic, verdict FROM readings JOIN streams USING (stream_id) ORDER BY seq"
        )
        assert [row for row in readings if row[0] == "good"] == [
            ("good", "hatchery/good/temperature", "good")
        ] * good
        assert [(topic, verdict) for cone, topic, verdict in readings if cone not in ("good", "last")] == [
            (sent.topic, sent.becomes) for sent in messages if sent.becomes != REJECTED
        ]
        assert len(rejected) + len(readings) == len(messages) + good + 1

        # What is in the database now does not trip the next start either.
        daemon.stop()
        daemon.start()
        client.send("hatchery/good/temperature", b"25.123")
        wait_until(lambda: ground.count("readings", "raw = 25.123") == 1, 10.0, "a reading after the restart")
        text = ground.done("export", "rejected")
        assert text.count("hatchery/good/temperature") >= len(NO_NUMBERS)


def test_a_retained_message_is_not_fresh(tmp_path: Path, mosquitto: Mosquitto) -> None:
    ground = Ground(tmp_path / "hatchmon", mosquitto.port, tables=TABLES)
    now = datetime.now(UTC)
    old, fresh = "hatchmon/test/old/state", "hatchmon/test/dated/state"

    def dated(temp_c: float, minutes: float) -> str:
        return json.dumps({"v": [{"t": temp_c}], "at": (now - timedelta(minutes=minutes)).isoformat()})

    def water(client: Client, topic: str) -> float | None:
        found = json.loads(client.latest(topic) or b'{"water": {}}')["water"].get("temperature")
        return None if found is None else float(found["value"])

    def marks(client: Client) -> int:
        return sum(topic == MARK for topic, _, _ in client.heard)

    with Client(mosquitto.port, "hatchmon/#") as client:
        client.send("hatchery/old/temperature", "19.5", retain=True)
        client.send(JSON_TOPIC, dated(18.5, 40.0), retain=True)
        client.send("shed/dated", dated(24.5, 1.0), retain=True)
        with Daemon(ground) as daemon:
            for restarts in (1, 2):  # the broker sends it again with every subscription
                for temp_c in (19.5, 18.5, 24.5):
                    wait_until(lambda: ground.count("readings", f"raw = {temp_c}"), 10.0, "it")  # noqa: B023
                ground.done("reading", "other", 25.0)  # an event: the states are published at once
                wait_until(lambda: water(client, fresh) == 24.5, 10.0, "the one with a fresh time")
                assert water(client, old) is None
                daemon.stop()
                daemon.start()
                # The daemon's own sign that what waited in the queue has come, and all after it is live.
                wait_until(lambda: marks(client) >= restarts, 10.0, "the mark")  # noqa: B023
            client.send("hatchery/old/temperature", "26.5")
            wait_until(lambda: ground.count("readings", "raw = 26.5") == 1, 10.0, "a live reading")
            ground.done("begin", "old", "--lot", "tin 7", "--grams", "2")  # publishes the state at once
            wait_until(lambda: water(client, old) == 26.5, 10.0, "the live reading's state")
    verdicts = dict(
        ground.rows("SELECT raw, group_concat(DISTINCT verdict) FROM readings WHERE raw <> 25.0 GROUP BY raw")
    )
    assert verdicts == {19.5: "retained", 18.5: "retained", 24.5: "good", 26.5: "good"}

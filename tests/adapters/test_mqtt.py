"""The broker link against real brokers; a scripted peer only for faults that no sound broker produces."""

from __future__ import annotations

import gc
import json
import os
import queue
import socket
import ssl
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any, Literal, TypeVar

import pytest
from paho.mqtt import publish

from hatchmon.adapters import mqtt
from hatchmon.adapters.mqtt import Broker, Incoming, LinkDown, LinkUp, MqttLink, SubscriptionRefused
from tests.servers import HOST, Amqtt, Mosquitto, find_program, free_port, wait_until

T = TypeVar("T")

TOPIC = "hatchery/cone-1/temperature"
WILL = ("hatchmon/test/availability", b"offline")


class CountingRandom(Random):
    """Takes down the ceiling of every wait that was drawn."""

    def __init__(self) -> None:
        super().__init__(1)
        self.ceilings: list[float] = []

    def uniform(self, a: float, b: float) -> float:
        self.ceilings.append(b)
        return super().uniform(a, b)


class Ear:
    """A link and its inbox; ``expect`` and ``messages`` read it as the engine would."""

    def __init__(
        self,
        port: int,
        topics: tuple[str, ...] = ("hatchery/#",),
        *,
        inbox_size: int = 10_000,
        client_id: str = "hatchmon-test",
        password: str | None = None,
        tls: bool = False,
        ca_file: Path | None = None,
        cert: tuple[Path | None, Path | None, str | None] = (None, None, None),
        receive_maximum: int = 200,
        max_payload: int = 65536,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        prefill: int = 0,
        first_protocol: Literal["5", "3.1.1"] = "5",
        longest_wait_s: float = 0.1,
        stale: tuple[str, ...] = (),
    ) -> None:
        self.inbox: queue.Queue[object] = queue.Queue(inbox_size)
        for _ in range(prefill):
            self.inbox.put_nowait("prefilled")
        self.random = CountingRandom()
        username = None if password is None else "keeper"
        broker = Broker(HOST, port, client_id, username, password, tls, ca_file, receive_maximum, True, *cert)
        self.link = MqttLink(
            broker,
            topics,
            WILL,
            self.inbox,
            now=now,
            monotonic=time.monotonic,
            max_payload=max_payload,
            random=self.random,
            first_protocol=first_protocol,
            first_wait_s=0.02,
            longest_wait_s=longest_wait_s,
            stale=stale,
        )
        self.link.start()

    def expect(self, kind: type[T], timeout: float = 15.0) -> T:
        """The next entry of this kind; others before it are passed over."""
        deadline = time.monotonic() + timeout
        passed: list[object] = []
        while True:
            try:
                entry = self.inbox.get(timeout=max(0.0, deadline - time.monotonic()))
            except queue.Empty:
                raise AssertionError(f"no {kind.__name__} within {timeout:g} s, but {passed}") from None
            if isinstance(entry, kind):
                return entry
            passed.append(entry)

    def messages(self, n: int) -> list[Incoming]:
        return [self.expect(Incoming) for _ in range(n)]


@contextmanager
def listening_to(port: int, *args: Any, **settings: Any) -> Iterator[Ear]:
    ear = Ear(port, *args, **settings)
    try:
        yield ear
    finally:
        ear.link.stop()


def send(
    broker: Mosquitto | Amqtt, *payloads: bytes, topic: str = TOPIC, qos: int = 1, retain: bool = False
) -> None:
    """Publish as a probe would, and wait until the broker has it."""
    messages: list[Any] = [(topic, payload, qos, retain) for payload in payloads]
    publish.multiple(messages, hostname=HOST, port=broker.port)


def payloads(messages: list[Incoming]) -> list[bytes]:
    return [message.payload for message in messages]


# ---------------------------------------------------------------- messages and their acknowledgement


def test_a_message_arrives_stamped_by_both_clocks(mosquitto: Mosquitto) -> None:
    before, before_mono = datetime.now(UTC), time.monotonic()
    with listening_to(mosquitto.port) as ear:
        up = ear.expect(LinkUp)
        assert up == LinkUp(link=1, session_present=False, protocol="5")
        send(mosquitto, b"27.5")
        message = ear.expect(Incoming)
        assert (message.topic, message.payload, message.qos) == (TOPIC, b"27.5", 1)
        assert (message.link, message.retain, message.dup) == (1, False, False)
        assert before <= message.received <= datetime.now(UTC)
        assert before_mono <= message.received_mono <= time.monotonic()


def test_only_what_is_acknowledged_is_done_with(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port) as ear:
        ear.expect(LinkUp)
        send(mosquitto, b"1", b"2", b"3")
        first = ear.messages(3)
        ear.link.acknowledge(first[1])
    with listening_to(mosquitto.port) as ear:
        again = ear.messages(2)
        assert payloads(again) == [b"1", b"3"]
        assert [message.mid for message in again] == [first[0].mid, first[2].mid]
        assert all(message.dup for message in again)
        for message in again:
            ear.link.acknowledge(message)
    with listening_to(mosquitto.port) as ear:
        assert ear.expect(LinkUp).session_present
        send(mosquitto, b"4")
        assert payloads(ear.messages(1)) == [b"4"]


def test_an_acknowledgement_for_an_earlier_connection_is_ignored(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port) as ear:
        ear.expect(LinkUp)
        send(mosquitto, b"1")
        stale = ear.expect(Incoming)
        mosquitto.kill()
        ear.expect(LinkDown)
        mosquitto.start()
        again = ear.expect(Incoming)
        assert (again.payload, again.mid, again.dup) == (b"1", stale.mid, True)
        assert again.link > stale.link
        ear.link.acknowledge(stale)
        ear.expect(LinkUp)
    with listening_to(mosquitto.port) as ear:
        third = ear.expect(Incoming)
        assert third.payload == b"1"
        ear.link.acknowledge(third)
        send(mosquitto, b"2")
        assert payloads(ear.messages(1)) == [b"2"]


def test_acknowledgements_just_before_stop_reach_the_broker(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, receive_maximum=50) as ear:
        ear.expect(LinkUp)
        send(mosquitto, *(b"%d" % i for i in range(300)))
        for _ in range(100):
            ear.link.acknowledge(ear.expect(Incoming))
        # Stopped while more messages come in, which makes TCP careless about what we sent last.
    with listening_to(mosquitto.port) as ear:
        assert payloads(ear.messages(200)) == [b"%d" % i for i in range(100, 300)]


def test_messages_sent_while_we_were_away_are_delivered(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port) as ear:
        ear.expect(LinkUp)
    send(mosquitto, b"1", b"2", b"3")
    mosquitto.stop()
    mosquitto.start()
    with listening_to(mosquitto.port) as ear:
        assert payloads(ear.messages(3)) == [b"1", b"2", b"3"]
    with listening_to(mosquitto.port) as ear:
        assert ear.expect(LinkUp).session_present


def test_qos_0_needs_no_acknowledgement(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port) as ear:
        ear.expect(LinkUp)
        send(mosquitto, b"1", qos=0)
        message = ear.expect(Incoming)
        assert message.qos == 0
        ear.link.acknowledge(message)
        send(mosquitto, b"2")
        assert ear.expect(Incoming).payload == b"2"
        assert ear.link.connected


def test_retain_marks_only_the_stored_copy(mosquitto: Mosquitto) -> None:
    send(mosquitto, b"old", retain=True)
    with listening_to(mosquitto.port) as ear:
        stored = ear.expect(Incoming)
        assert (stored.payload, stored.retain) == (b"old", True)
        send(mosquitto, b"new", retain=True)
        live = ear.expect(Incoming)
        assert (live.payload, live.retain) == (b"new", False)


def test_the_receive_maximum_bounds_what_is_unacknowledged(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, receive_maximum=30) as ear:
        ear.expect(LinkUp)
        send(mosquitto, *(b"%d" % i for i in range(100)))
        first = ear.messages(30)
        # Sent after the hundred and not bound by the window: what it overtakes is held back.
        send(mosquitto, b"unbound", qos=0)
        assert ear.expect(Incoming).payload == b"unbound"
        assert ear.inbox.empty()
        for message in first:
            ear.link.acknowledge(message)
        assert payloads(ear.messages(30)) == [b"%d" % i for i in range(30, 60)]


def test_an_oversized_payload_is_cut_and_can_be_acknowledged(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, max_payload=1000) as ear:
        ear.expect(LinkUp)
        send(mosquitto, b"x" * 1000, b"y" * 3_000_000, b"z")
        fits, large, after = ear.messages(3)
        assert (len(fits.payload), len(large.payload), after.payload) == (1000, 1001, b"z")
        for message in (fits, large, after):
            ear.link.acknowledge(message)
    with listening_to(mosquitto.port) as ear:
        ear.expect(LinkUp)
        send(mosquitto, b"next")
        assert ear.expect(Incoming).payload == b"next"


# ---------------------------------------------------------------- a full inbox


def test_a_full_inbox_loses_nothing_at_qos_1(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port) as ear:
        ear.expect(LinkUp)
    wanted = [b"%d" % i for i in range(200)]
    send(mosquitto, *wanted)
    with (
        listening_to(mosquitto.port, (WILL[0],), client_id="witness") as witness,
        listening_to(mosquitto.port, inbox_size=7) as ear,
    ):
        witness.expect(LinkUp)
        wait_until(lambda: ear.link.dropped > 0, 10, "the inbox to overflow")
        seen: list[bytes] = []
        links: list[int] = []
        asked_again = 0
        deadline = time.monotonic() + 60
        while len(seen) < len(wanted) and time.monotonic() < deadline:
            entry = ear.inbox.get(timeout=15)
            if isinstance(entry, Incoming):
                seen.append(entry.payload)
                links.append(entry.link)
                ear.link.acknowledge(entry)
            elif isinstance(entry, LinkDown):
                assert entry.reason == mqtt.ASKING_AGAIN
                asked_again += 1
        assert seen == wanted  # each once, in order
        assert links == sorted(links)
        assert asked_again >= 1
        assert witness.inbox.empty()  # reconnecting by plan is not the end: no last will


def test_events_outlast_a_full_inbox(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, inbox_size=3, prefill=3) as ear:
        wait_until(lambda: ear.link.connected, 10, "the connection")
        send(mosquitto, b"lost", qos=0)
        send(mosquitto, b"kept")
        wait_until(lambda: ear.link.dropped == 2, 10, "both messages to be turned away")
        assert [ear.inbox.get_nowait() for _ in range(3)] == ["prefilled"] * 3
        assert ear.expect(LinkUp).link == 1
        assert ear.expect(LinkDown) == LinkDown(1, mqtt.ASKING_AGAIN)
        message = ear.expect(Incoming)
        assert (message.payload, message.link) == (b"kept", 2)
        assert ear.expect(LinkUp).session_present


def test_no_connection_is_made_while_nobody_reads_the_events(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, inbox_size=1, prefill=1) as ear:
        wait_until(lambda: ear.link.connected, 10, "the connection")
        mosquitto.stop()
        wait_until(lambda: len(ear.random.ceilings) == 1, 10, "the connection to end")
        mosquitto.start()
        time.sleep(0.3)  # time for several attempts
        assert not ear.link.connected
        assert len(ear.random.ceilings) == 1
        assert ear.inbox.get_nowait() == "prefilled"
        assert ear.expect(LinkUp).link == 1
        assert ear.expect(LinkDown).link == 1
        assert ear.expect(LinkUp).link == 2


def test_a_forgotten_acknowledgement_does_not_deafen_the_link(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "PATIENCE_S", 0.2)
    with listening_to(mosquitto.port, inbox_size=1) as ear:
        ear.expect(LinkUp)
        send(mosquitto, b"1", b"2")
        wait_until(lambda: ear.link.dropped == 1, 10, "the second message to be turned away")
        assert ear.expect(Incoming).payload == b"1"  # and never acknowledged on this connection
        seen: set[bytes] = set()
        while b"2" not in seen:
            message = ear.expect(Incoming)
            seen.add(message.payload)
            ear.link.acknowledge(message)
        assert seen == {b"1", b"2"}


# ---------------------------------------------------------------- the connection comes and goes


def test_a_broker_restart_is_reported_and_healed(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, ("hatchery/#", "other/+")) as ear:
        assert ear.expect(LinkUp).link == 1
        assert ear.link.connected
        mosquitto.stop()
        # Mosquitto 2.0.11 says nothing when it ends; later ones may.
        lost = ear.expect(LinkDown)
        assert lost.link == 1
        assert lost.reason in {"the connection to the broker was lost", "the broker is shutting down"}
        wait_until(lambda: len(ear.random.ceilings) >= 6, 10, "six vain attempts")
        assert not ear.link.connected
        assert ear.link.alive
        assert ear.link.publish("x", b"1") is False
        # Each wait is drawn from twice the range of the one before, up to the longest.
        assert ear.random.ceilings[:5] == pytest.approx([0.02, 0.04, 0.08, 0.1, 0.1])
        refused = ear.expect(LinkDown)
        assert refused.link == 2
        assert "nothing listens" in refused.reason
        assert ear.inbox.empty()  # said once, not at every attempt
        mosquitto.start()
        up = ear.expect(LinkUp)
        assert (up.link, up.session_present) == (2, True)
        send(mosquitto, b"a")
        send(mosquitto, b"b", topic="other/x")
        assert [message.topic for message in ear.messages(2)] == [TOPIC, "other/x"]


def test_it_subscribes_again_when_the_broker_has_forgotten_the_session(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port) as ear:
        ear.expect(LinkUp)
        mosquitto.stop()
        (mosquitto.folder / "mosquitto.db").unlink()
        ear.expect(LinkDown)
        mosquitto.start()
        assert not ear.expect(LinkUp).session_present
        send(mosquitto, b"1")
        assert ear.expect(Incoming).payload == b"1"


def test_a_frozen_broker_is_noticed(mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "KEEPALIVE_S", 1)
    monkeypatch.setattr(mqtt, "ANSWER_TIMEOUT_S", 0.5)
    with listening_to(mosquitto.port) as ear:
        ear.expect(LinkUp)
        mosquitto.freeze()
        assert ear.expect(LinkDown) == LinkDown(1, "the broker stopped answering")
        assert ear.expect(LinkDown) == LinkDown(2, "the broker did not answer our request to connect")
        mosquitto.thaw()
        assert ear.expect(LinkUp).link == 2


def test_a_wrong_password_is_reported_and_tried_again(tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"

    def set_password(password: str) -> None:
        program = find_program("mosquitto_passwd", "mosquitto")
        subprocess.run([program, "-b", "-c", str(passwords), "keeper", password], check=True)

    set_password("right one")
    with Mosquitto(
        tmp_path / "broker", extra_conf=f"allow_anonymous false\npassword_file {passwords}"
    ) as broker:
        with listening_to(broker.port, password="another") as ear:
            down = ear.expect(LinkDown)
            assert down.link == 1
            assert "password" in down.reason
            wait_until(lambda: len(ear.random.ceilings) >= 4, 10, "more attempts")
            assert not ear.link.connected
            broker.stop()
            set_password("another")
            broker.start()
            assert ear.expect(LinkUp).link == 1
        with listening_to(broker.port) as ear:
            assert "password" in ear.expect(LinkDown).reason


def test_a_subscription_that_the_access_list_forbids_is_reported(tmp_path: Path) -> None:
    # Mosquitto's plain acl_file lets every subscription through; its dynamic security plugin does not.
    plugin = next(Path("/usr/lib").glob("*/mosquitto_dynamic_security.so"), None)
    assert plugin is not None, "the plugin is missing: run 'apt-get install mosquitto'"
    rules = {
        "defaultACLAccess": {
            "publishClientSend": True,
            "publishClientReceive": True,
            "subscribe": False,
            "unsubscribe": True,
        },
        "roles": [
            {
                "rolename": "reader",
                "acls": [
                    {"acltype": "subscribePattern", "topic": "hatchery/#", "priority": 0, "allow": True}
                ],
            }
        ],
        "groups": [{"groupname": "everyone", "roles": [{"rolename": "reader"}], "clients": []}],
        "anonymousGroup": "everyone",
        "clients": [],
    }
    config = tmp_path / "rules.json"
    config.write_text(json.dumps(rules))
    extra = f"plugin {plugin}\nplugin_opt_config_file {config}"
    with (
        Mosquitto(tmp_path / "broker", extra_conf=extra) as broker,
        listening_to(broker.port, ("private/#", "hatchery/#", "bad/#/filter")) as ear,
    ):
        entries = [ear.inbox.get(timeout=10) for _ in range(3)]
        by_topic = {entry.topic: entry.reason for entry in entries if isinstance(entry, SubscriptionRefused)}
        assert by_topic.keys() == {"private/#", "bad/#/filter"}
        assert by_topic["private/#"] == "this user may not read it"
        assert "not a valid topic filter" in by_topic["bad/#/filter"]
        assert isinstance(entries[2], LinkUp)  # once every answer is in
        send(broker, b"1")
        assert ear.expect(Incoming).payload == b"1"


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_very_many_filters_go_out_some_at_a_time_and_a_wrong_one_costs_no_other(
    mosquitto: Mosquitto, protocol: Literal["5", "3.1.1"]
) -> None:
    cones = [f"a{number:03}" for number in range(1, 351)]
    topics = [f"hatchery/{cone}/+" for cone in cones]
    topics[170] = "bad/#/filter"
    with listening_to(mosquitto.port, tuple(topics), first_protocol=protocol) as ear:
        assert ear.expect(SubscriptionRefused).topic == "bad/#/filter"
        ear.expect(LinkUp)
        some = [*cones[:2], *cones[99:102], *cones[169:172], cones[-1]]
        for cone in some:
            send(mosquitto, b"25", topic=f"hatchery/{cone}/temperature")
        heard = [message.topic.split("/")[1] for message in ear.messages(8)]
        assert heard == [cone for cone in some if cone != cones[170]]
    asked = [line for line in mosquitto.log().splitlines() if "Received SUBSCRIBE" in line]
    # The hundred with the wrong one goes out singly.
    assert 3 < len(asked) <= 3 + 100


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_filters_of_before_are_given_up(mosquitto: Mosquitto, protocol: Literal["5", "3.1.1"]) -> None:
    """The session would go on with them, and hear for ever what is another's."""
    with listening_to(mosquitto.port, ("hatchery/#", "gone/+"), first_protocol=protocol) as ear:
        ear.expect(LinkUp)
    with listening_to(
        mosquitto.port, ("hatchery/a/+",), first_protocol=protocol, stale=("hatchery/#", "gone/+", "never/+")
    ) as ear:
        assert ear.expect(LinkUp).session_present
        send(mosquitto, b"1", topic="hatchery/b/temperature")
        send(mosquitto, b"2", topic="gone/x")
        send(mosquitto, b"3", topic="hatchery/a/temperature")
        assert ear.expect(Incoming).payload == b"3"


def test_two_clients_of_one_name_fight_ever_more_slowly(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, longest_wait_s=0.3) as ear:
        ear.expect(LinkUp)
        with listening_to(mosquitto.port, longest_wait_s=0.3) as other:
            other.expect(LinkUp)
            assert ear.expect(LinkDown).link == 1
            wait_until(lambda: 0.3 in ear.random.ceilings, 30, "the longest wait")
            # Each connection succeeded, but none held: the waits grew all the same.
            assert ear.random.ceilings[:4] == pytest.approx([0.02, 0.04, 0.08, 0.16])
            while "Give each its own client_id" not in (reason := ear.expect(LinkDown).reason):
                assert reason == "the connection to the broker was lost"
        assert ear.link.alive


@pytest.mark.parametrize(
    ("code", "expected"),
    [(0x8E, "give each its own client_id"), (0x8B, "shutting down"), (0x97, "Quota exceeded")],
)
def test_a_goodbye_of_the_broker_is_put_into_words(code: int, expected: str) -> None:
    # MQTT 5.0 sections 3.14 and 2.4; Mosquitto 2.0.11 sends no DISCONNECT in the first two cases.
    def script(connection: socket.socket, body: bytes) -> None:
        connection.sendall(b"\x20\x03\x00\x00\x00")
        _, request = read_packet(connection)
        connection.sendall(b"\x90\x04" + request[:2] + b"\x00\x01")
        connection.sendall(bytes([0xE0, 0x02, code, 0x00]))
        read_packet(connection)

    with Peer(script) as peer, listening_to(peer.port) as ear:
        assert ear.expect(LinkUp).protocol == "5"
        assert expected in ear.expect(LinkDown).reason
        assert ear.expect(LinkUp).link == 2


def test_a_failing_clock_costs_a_delivery_and_not_the_thread(mosquitto: Mosquitto) -> None:
    calls = iter([datetime.now(UTC), None])

    def now() -> datetime:
        moment = next(calls, datetime.now(UTC))
        if moment is None:
            raise RuntimeError("no time")
        return moment

    with listening_to(mosquitto.port, now=now) as ear:
        ear.expect(LinkUp)
        send(mosquitto, b"1", b"2", b"3")
        assert payloads(ear.messages(2)) == [b"1", b"3"]
        assert ear.link.alive
    with listening_to(mosquitto.port) as ear:
        assert payloads(ear.messages(3)) == [b"1", b"2", b"3"]


# ---------------------------------------------------------------- stopping


def seconds_to_stop(link: MqttLink) -> float:
    begun = time.monotonic()
    link.stop()
    return time.monotonic() - begun


def test_stop_with_unacknowledged_messages(mosquitto: Mosquitto) -> None:
    ear = Ear(mosquitto.port)
    ear.expect(LinkUp)
    send(mosquitto, *(b"%d" % i for i in range(200)))
    ear.messages(200)
    assert seconds_to_stop(ear.link) < 3
    assert not ear.link.alive
    assert not ear.link.connected
    assert ear.inbox.empty()
    wait_until(lambda: "Received DISCONNECT from hatchmon-test" in mosquitto.log(), 10, "a clean goodbye")
    ear.link.stop()  # twice does no harm


def test_stop_while_the_broker_is_frozen(mosquitto: Mosquitto) -> None:
    ear = Ear(mosquitto.port)
    ear.expect(LinkUp)
    mosquitto.freeze()
    for _ in range(100):
        ear.link.publish("big", b"x" * 100_000)  # more than the sockets hold: DISCONNECT stays behind it
    assert seconds_to_stop(ear.link) < 3
    assert not ear.link.alive


def test_stop_while_the_broker_is_gone(mosquitto: Mosquitto) -> None:
    ear = Ear(mosquitto.port, longest_wait_s=60.0)
    ear.expect(LinkUp)
    mosquitto.kill()
    ear.expect(LinkDown)
    wait_until(lambda: max(ear.random.ceilings, default=0) > 1, 30, "long waits")
    assert seconds_to_stop(ear.link) < 1
    assert not ear.link.alive


def test_stop_while_waiting_for_the_answer_to_connect() -> None:
    with socket.create_server((HOST, 0)) as mute:
        ear = Ear(mute.getsockname()[1])
        client, _ = mute.accept()
        with client:
            assert client.recv(1) == b"\x10"  # CONNECT, MQTT 3.1.1 section 3.1
            assert seconds_to_stop(ear.link) < 3
            assert not ear.link.alive


def test_what_was_published_before_stop_still_goes_out(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, ("state/#",), client_id="witness") as witness:
        witness.expect(LinkUp)
        ear = Ear(mosquitto.port)
        ear.expect(LinkUp)
        for i in range(50):
            assert ear.link.publish("state/x", b"%d" % i)
        ear.link.stop()
        assert payloads(witness.messages(50)) == [b"%d" % i for i in range(50)]


def test_it_starts_once_and_needs_a_name() -> None:
    ear = Ear(free_port())
    with pytest.raises(RuntimeError):
        ear.link.start()
    ear.link.stop()
    with pytest.raises(ValueError, match="client_id"):
        Ear(free_port(), client_id="")


# ---------------------------------------------------------------- publishing and the last will


def test_publishing_from_several_threads_while_messages_come_in(mosquitto: Mosquitto) -> None:
    with (
        listening_to(mosquitto.port, ("state/#",), client_id="witness") as witness,
        listening_to(mosquitto.port) as ear,
    ):
        witness.expect(LinkUp)
        ear.expect(LinkUp)

        acknowledged: list[bytes] = []

        def talk(name: int) -> None:
            for i in range(200):
                assert ear.link.publish(f"state/{name}", b"%d " % i + b"x" * 3000, qos=name % 2)

        def acknowledge_all() -> None:
            for _ in range(300):
                message = ear.expect(Incoming)
                ear.link.acknowledge(message)
                acknowledged.append(message.payload)

        threads = [threading.Thread(target=talk, args=(name,)) for name in range(4)]
        threads.append(threading.Thread(target=acknowledge_all))
        for thread in threads:
            thread.start()
        send(mosquitto, *(b"%d" % i for i in range(300)))
        heard: dict[str, list[int]] = {}
        for _ in range(800):
            message = witness.expect(Incoming)
            witness.link.acknowledge(message)
            heard.setdefault(message.topic, []).append(int(message.payload.split()[0]))
        for thread in threads:
            thread.join(20)
        assert heard == {f"state/{name}": list(range(200)) for name in range(4)}
        assert acknowledged == [b"%d" % i for i in range(300)]
        assert ear.link.connected
        assert ear.inbox.empty()  # no LinkDown


def test_publish_retained(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, ("state/#",)) as ear:
        ear.expect(LinkUp)
        assert ear.link.publish("state/a", b"now", retain=True, qos=1)
        ear.expect(Incoming)  # so the broker has it
        with listening_to(mosquitto.port, ("state/#",), client_id="later") as later:
            message = later.expect(Incoming)
            assert (message.payload, message.retain) == (b"now", True)
        with pytest.raises(ValueError, match="wildcards"):
            ear.link.publish("state/#", b"x")
        assert ear.link.connected


KILLED_CLIENT = """
import os, queue, signal, sys, time
from datetime import UTC, datetime
from hatchmon.adapters.mqtt import Broker, LinkUp, MqttLink
inbox = queue.Queue()
broker = Broker("127.0.0.1", int(sys.argv[1]), "killed", None, None, False, None)
will = ("hatchmon/test/availability", b"offline")
link = MqttLink(broker, ["x"], will, inbox, now=lambda: datetime.now(UTC), monotonic=time.monotonic)
link.start()
assert isinstance(inbox.get(timeout=20), LinkUp)
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_the_will_appears_when_the_process_is_killed_and_not_after_stop(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, (WILL[0],), client_id="witness") as witness:
        witness.expect(LinkUp)
        ear = Ear(mosquitto.port)
        ear.expect(LinkUp)
        ear.link.stop()
        wait_until(lambda: "Received DISCONNECT from hatchmon-test" in mosquitto.log(), 10, "the goodbye")
        assert witness.inbox.empty()
        child = subprocess.run(
            [sys.executable, "-c", KILLED_CLIENT, str(mosquitto.port)], timeout=60, check=False
        )
        assert child.returncode == -9
        message = witness.expect(Incoming)
        assert (message.topic, message.payload) == WILL
    with listening_to(mosquitto.port, (WILL[0],), client_id="later") as later:
        stored = later.expect(Incoming)
        assert (stored.payload, stored.retain, stored.qos) == (WILL[1], True, 1)


# ---------------------------------------------------------------- older brokers


def test_fall_back_to_3_1_1(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # This broker takes our CONNECT of version 5 for an unfinished one of 3.1.1 and waits for the rest.
    monkeypatch.setattr(mqtt, "ANSWER_TIMEOUT_S", 2.0)
    with Amqtt(tmp_path) as broker, listening_to(broker.port) as ear:
        assert ear.expect(LinkUp, timeout=30).protocol == "3.1.1"
        send(broker, b"27.5")
        message = ear.expect(Incoming)
        assert (message.topic, message.payload, message.qos) == (TOPIC, b"27.5", 1)
        ear.link.acknowledge(message)
        assert ear.link.publish(TOPIC, b"echo", qos=1)
        assert ear.expect(Incoming).payload == b"echo"


def test_an_older_version_keeps_its_session_too(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, first_protocol="3.1.1") as ear:
        assert ear.expect(LinkUp) == LinkUp(1, False, "3.1.1")
        send(mosquitto, b"1")
        one = ear.expect(Incoming)
    send(mosquitto, b"2")
    with listening_to(mosquitto.port, first_protocol="3.1.1") as ear:
        again, two = ear.messages(2)
        assert (again.payload, again.mid, again.dup) == (b"1", one.mid, True)
        assert (two.payload, two.dup) == (b"2", False)
        assert ear.expect(LinkUp) == LinkUp(1, True, "3.1.1")


class Peer:
    """A scripted broker: ``script`` gets each connection and the body of its CONNECT packet."""

    def __init__(self, script: Callable[[socket.socket, bytes], None]) -> None:
        self.levels: list[int] = []
        """Protocol level of each CONNECT: 4 is 3.1.1, 5 is 5."""
        self._script = script
        self._server = socket.create_server((HOST, 0))
        self.port: int = self._server.getsockname()[1]
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._server.accept()
            except OSError:
                return
            with connection:
                connection.settimeout(10)
                try:
                    kind, body = read_packet(connection)
                    assert kind == 0x10
                    self.levels.append(body[6])
                    self._script(connection, body)
                except OSError:
                    pass  # the link ended it

    def __enter__(self) -> Peer:
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join(15)


def read_packet(connection: socket.socket) -> tuple[int, bytes]:
    """First byte and body of the next packet, of at most 16 kB (MQTT 3.1.1 section 2.2)."""
    kind = connection.recv(1)
    if not kind:
        raise ConnectionResetError
    length = connection.recv(1)[0]
    if length & 0x80:
        length = (length & 0x7F) | connection.recv(1)[0] << 7
    body = b""
    while len(body) < length:
        body += connection.recv(length - len(body))
    return kind[0], body


def accept_3_1_1(connection: socket.socket) -> None:
    """CONNACK, and the answer to one SUBSCRIBE."""
    connection.sendall(b"\x20\x02\x00\x00")
    kind, body = read_packet(connection)
    assert kind == 0x82
    connection.sendall(b"\x90\x03" + body[:2] + b"\x01")


def test_a_broker_that_closes_without_an_answer_is_asked_in_3_1_1_and_that_is_remembered() -> None:
    hang_up = threading.Event()

    def script(connection: socket.socket, body: bytes) -> None:
        if body[6] == 5:
            return
        accept_3_1_1(connection)
        hang_up.wait(10)

    with Peer(script) as peer, listening_to(peer.port) as ear:
        assert ear.expect(LinkDown) == LinkDown(1, "the broker closed the connection without an answer")
        assert ear.expect(LinkUp) == LinkUp(1, False, "3.1.1")
        assert peer.levels == [5, 5, 4]
        hang_up.set()
        assert ear.expect(LinkDown) == LinkDown(1, "the connection to the broker was lost")
        assert ear.expect(LinkUp).link == 2
        assert peer.levels[:4] == [5, 5, 4, 4]


def test_a_broker_that_refuses_version_5_is_asked_in_3_1_1_at_once() -> None:
    done = threading.Event()

    def script(connection: socket.socket, body: bytes) -> None:
        if body[6] == 5:
            connection.sendall(b"\x20\x02\x00\x01")  # MQTT 3.1.1 section 3.2.2.3: return code 1
            return
        accept_3_1_1(connection)
        done.wait(10)

    with Peer(script) as peer:
        with listening_to(peer.port) as ear:
            # No fault, so nothing is reported and nothing waited for.
            assert ear.inbox.get(timeout=10) == LinkUp(1, False, "3.1.1")
            assert ear.random.ceilings == []
        done.set()
        assert peer.levels == [5, 4]


def test_a_broker_that_never_answers_a_subscription_is_left() -> None:
    def script(connection: socket.socket, body: bytes) -> None:
        connection.sendall(b"\x20\x03\x00\x00\x00")  # MQTT 5.0 section 3.2: accepted, no properties
        while True:
            read_packet(connection)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(mqtt, "ANSWER_TIMEOUT_S", 0.3)
        with Peer(script) as peer, listening_to(peer.port) as ear:
            down = ear.expect(LinkDown)
            assert down == LinkDown(1, "the broker did not answer our request to subscribe")
            assert ear.expect(LinkDown).link == 2


# ---------------------------------------------------------------- what should not come, but may


def test_a_topic_that_is_no_utf_8_is_taken_and_can_be_acknowledged() -> None:
    acknowledged: list[bytes] = []

    def script(connection: socket.socket, body: bytes) -> None:
        if body[6] == 5:
            connection.sendall(b"\x20\x02\x00\x01")
            return
        accept_3_1_1(connection)
        topic = b"hatchery/\xff\xfe/t"
        packet = struct.pack("!H", len(topic)) + topic + struct.pack("!H", 77) + b"27.5"
        connection.sendall(bytes([0x32, len(packet)]) + packet)
        kind, answer = read_packet(connection)
        if kind == 0x40:
            acknowledged.append(answer)

    with Peer(script) as peer, listening_to(peer.port) as ear:
        message = ear.expect(Incoming)
        assert message.topic == "hatchery/\ufffd\ufffd/t"
        assert (message.payload, message.mid) == (b"27.5", 77)
        ear.link.acknowledge(message)
        wait_until(lambda: acknowledged, 10, "the acknowledgement")
        assert acknowledged[0] == struct.pack("!H", 77)
        assert ear.link.alive


@pytest.mark.parametrize(
    "rubbish",
    [
        b"\xf7\x00",
        b"\x32\xff\xff\xff\xff\xff",
        b"\x32\x01\x00",
        b"\x90\x00",
        b"HTTP/1.1 400 Bad Request\r\n" + b" " * 200,
    ],
)
def test_rubbish_ends_the_connection_and_not_the_thread(rubbish: bytes) -> None:
    good = threading.Event()

    def script(connection: socket.socket, body: bytes) -> None:
        if body[6] == 5:
            connection.sendall(b"\x20\x02\x00\x01")
            return
        accept_3_1_1(connection)
        if good.is_set():
            read_packet(connection)
        else:
            good.set()
            connection.sendall(rubbish)
            read_packet(connection)

    with Peer(script) as peer, listening_to(peer.port) as ear:
        assert ear.expect(LinkUp).link == 1
        assert ear.expect(LinkDown).link == 1
        assert ear.expect(LinkUp).link == 2
        assert ear.link.alive


# ---------------------------------------------------------------- TLS, and reasons in words


def make_certificates(folder: Path) -> None:
    """An authority of our own, a broker certificate for 127.0.0.1 by it, and an unrelated authority."""
    openssl = find_program("openssl", "openssl")

    def run(*args: str) -> None:
        subprocess.run([openssl, *args], cwd=folder, check=True, capture_output=True)

    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    for name in ("ca", "stranger"):
        run(
            "req", "-x509", *key, "-keyout", f"{name}.key", "-out", f"{name}.pem", "-subj", f"/CN=test {name}"
        )
    run("req", *key, "-keyout", "broker.key", "-out", "broker.csr", "-subj", "/CN=test broker")
    (folder / "san").write_text("subjectAltName=IP:127.0.0.1\n")
    issue = ("x509", "-req", "-in", "broker.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial")
    run(*issue, "-extfile", "san", "-out", "broker.pem")
    # One that has run out; and a client's: good, run out, by the stranger, with its key locked.
    run(*issue, "-extfile", "san", "-days", "0", "-out", "broker-old.pem")
    run("req", *key, "-keyout", "client.key", "-out", "client.csr", "-subj", "/CN=hatchmon")
    ours = ("x509", "-req", "-in", "client.csr")
    by = ("-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial")
    run(*ours, *by, "-out", "client.pem")
    run(*ours, *by, "-days", "0", "-out", "client-old.pem")
    by = ("-CA", "stranger.pem", "-CAkey", "stranger.key", "-CAcreateserial")
    run(*ours, *by, "-out", "client-stranger.pem")
    run("pkcs8", "-topk8", "-in", "client.key", "-passout", "pass:tin of cysts", "-out", "client-locked.key")


def test_tls_trusts_the_given_authority_only(tmp_path: Path) -> None:
    make_certificates(tmp_path)
    extra = f"certfile {tmp_path}/broker.pem\nkeyfile {tmp_path}/broker.key"
    with Mosquitto(tmp_path / "broker", extra_conf=extra) as broker:
        with listening_to(broker.port, tls=True, ca_file=tmp_path / "ca.pem") as ear:
            ear.expect(LinkUp)
            assert ear.link.publish(TOPIC, b"x" * 50_000, qos=1)
            assert len(ear.expect(Incoming).payload) == 50_000
        with listening_to(broker.port, tls=True, ca_file=tmp_path / "stranger.pem") as ear:
            down = ear.expect(LinkDown)
            assert "not trusted" in down.reason
            assert "ca_file" in down.reason
        with listening_to(broker.port, tls=True, ca_file=tmp_path / "absent.pem") as ear:
            assert "absent.pem cannot be read: No such file" in ear.expect(LinkDown).reason
            assert ear.link.alive
        with listening_to(broker.port, tls=True, ca_file=tmp_path / "broker.key") as ear:
            assert "holds no certificate" in ear.expect(LinkDown).reason
        with listening_to(broker.port) as ear:
            assert "without an answer" in ear.expect(LinkDown).reason


def test_a_broker_that_wants_our_certificate(tmp_path: Path) -> None:
    make_certificates(tmp_path)
    extra = (
        f"certfile {tmp_path}/broker.pem\nkeyfile {tmp_path}/broker.key\ncafile {tmp_path}/ca.pem\n"
        "require_certificate true\nuse_identity_as_username true\nallow_anonymous false"
    )
    (tmp_path / "both.pem").write_bytes(
        (tmp_path / "client.pem").read_bytes() + (tmp_path / "client.key").read_bytes()
    )
    with Mosquitto(tmp_path / "broker", extra_conf=extra) as broker:
        for cert, key, password in (
            ("client.pem", "client.key", None),
            ("client.pem", "client-locked.key", "tin of cysts"),
            ("both.pem", None, None),
        ):
            own = (tmp_path / cert, None if key is None else tmp_path / key, password)
            with listening_to(broker.port, tls=True, ca_file=tmp_path / "ca.pem", cert=own) as ear:
                ear.expect(LinkUp)
                assert ear.link.publish(TOPIC, b"25.5", qos=1)
                assert ear.expect(Incoming).payload == b"25.5"
        bad: tuple[tuple[str | None, str | None, str | None, str], ...] = (
            (None, None, None, "the broker wants a certificate from us: set broker.cert_file"),
            (
                "client-old.pem",
                "client.key",
                None,
                "refuses our certificate (broker.cert_file): it has run out",
            ),
            ("client-stranger.pem", "client.key", None, "does not know the authority that made it"),
            ("absent.pem", "client.key", None, "the certificate {}/absent.pem cannot be read: No such file"),
            ("client.pem", "absent.key", None, "the key {}/absent.key cannot be read: No such file"),
            (
                "client.pem",
                "broker.key",
                None,
                "key {}/broker.key does not belong to the certificate {}/client",
            ),
            ("client.key", "client.key", None, "{}/client.key (cert_file) holds no certificate in PEM form"),
            ("client.pem", None, None, "{}/client.pem (key_file) holds no private key in PEM form"),
            ("client.pem", "client-locked.key", None, "is locked by a password: set broker.key_password"),
            (
                "client.pem",
                "client-locked.key",
                "tin",
                "broker.key_password does not open the key {}/client-l",
            ),
        )
        for cert_name, key_name, locked_by, said in bad:
            shown = (
                None if cert_name is None else tmp_path / cert_name,
                None if key_name is None else tmp_path / key_name,
                locked_by,
            )
            with listening_to(broker.port, tls=True, ca_file=tmp_path / "ca.pem", cert=shown) as ear:
                reason = ear.expect(LinkDown).reason
                assert said.replace("{}", str(tmp_path)) in reason
                assert "tin of cysts" not in reason


def test_a_broker_whose_certificate_has_run_out(tmp_path: Path) -> None:
    make_certificates(tmp_path)
    extra = f"certfile {tmp_path}/broker-old.pem\nkeyfile {tmp_path}/broker.key"
    with (
        Mosquitto(tmp_path / "broker", extra_conf=extra) as broker,
        listening_to(broker.port, tls=True, ca_file=tmp_path / "ca.pem") as ear,
    ):
        down = ear.expect(LinkDown)
        assert "(certificate has expired): it has run out; give the broker a new one" in down.reason


def test_secrets_are_not_shown_with_the_facts_of_a_connection() -> None:
    broker = Broker(HOST, 1883, "x", "keeper", "hunter2", True, None, key_password="tin of cysts")
    assert "hunter2" not in repr(broker)
    assert "tin of cysts" not in repr(broker)


def test_tls_with_a_broker_that_speaks_none(mosquitto: Mosquitto) -> None:
    with listening_to(mosquitto.port, tls=True) as ear:
        assert ear.expect(LinkDown).link == 1
        assert not ear.link.connected


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (ConnectionRefusedError(111, "Connection refused"), "nothing listens at pi:1883"),
        (socket.gaierror(-2, "Name or service not known"), "the name pi cannot be found"),
        (TimeoutError("timed out"), "pi:1883 did not answer"),
        (OSError(113, "No route to host"), "pi:1883 cannot be reached: No route to host"),
        (ssl.SSLError(1, "[SSL: WRONG_VERSION_NUMBER] wrong version number"), "no TLS with pi:1883"),
    ],
)
def test_every_kind_of_failure_has_its_words(error: Exception, expected: str) -> None:
    assert mqtt.why_unreachable(error, "pi", 1883).startswith(expected)


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        # OpenSSL 1.1.1 to 3.1, then 3.2 and later, of TLS 1.2 and 1.3
        ("[SSL: X] sslv3 alert certificate expired (_ssl.c:2580)", "it has run out"),
        ("[SSL: X] ssl/tls alert certificate expired (_ssl.c:2593)", "it has run out"),
        ("[SSL: X] tlsv13 alert certificate required (_ssl.c:2580)", "from us"),
        ("[SSL: X] sslv3 alert handshake failure (_ssl.c:992)", "may want a certificate"),
        ("[SSL: X] tlsv1 alert unknown ca (_ssl.c:2580)", "does not know the authority"),
        ("[SSL: X] sslv3 alert certificate revoked (_ssl.c:1)", "has been revoked"),
        ("[SSL: X] sslv3 alert unsupported certificate (_ssl.c:1)", "for a client"),
        ("[SSL: X] wrong version number (_ssl.c:992)", "does the broker speak TLS on this port?"),
    ],
)
def test_a_refusal_of_our_certificate_has_its_words(said: str, reason: str) -> None:
    assert reason in mqtt.why_unreachable(ssl.SSLError(1, said), "pi", 8883)
    assert "pi:8883" in mqtt.why_unreachable(ssl.SSLError(1, said), "pi", 8883)


def test_a_broker_by_another_name_than_in_its_certificate(tmp_path: Path) -> None:
    make_certificates(tmp_path)
    extra = f"certfile {tmp_path}/broker.pem\nkeyfile {tmp_path}/broker.key"
    inbox: queue.Queue[object] = queue.Queue()
    with Mosquitto(tmp_path / "broker", extra_conf=extra) as broker:
        facts = Broker("localhost", broker.port, "x", None, None, True, tmp_path / "ca.pem")
        link = MqttLink(facts, (), None, inbox, now=lambda: datetime.now(UTC), monotonic=time.monotonic)
        link.start()
        down = inbox.get(timeout=15)
        link.stop()
    assert isinstance(down, LinkDown)
    assert "broker.host must be a name that the certificate bears" in down.reason


def test_reconnecting_leaks_neither_sockets_nor_threads() -> None:
    def open_files() -> int:
        return len(os.listdir("/proc/self/fd"))

    def script(connection: socket.socket, body: bytes) -> None:
        connection.sendall(b"\x20\x03\x00\x00\x00")
        read_packet(connection)

    gc.disable()  # it would tidy up after us, some time
    try:
        with Peer(script) as peer, listening_to(peer.port, longest_wait_s=0.02) as ear:
            ear.expect(LinkDown)
            threads, files = threading.active_count(), open_files()
            while ear.expect(LinkDown).link < 30:
                pass
            assert threading.active_count() == threads
            assert open_files() <= files + 10  # the present connection, at both ends
    finally:
        gc.enable()

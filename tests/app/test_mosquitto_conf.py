"""The broker's shipped configuration and rules, tried on a real Mosquitto."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from hatchmon.app.settings import Settings
from tests.servers import HOST, Mosquitto, find_program, free_port, listening, wait_until

CONFIG = Path(__file__).parents[2] / "config"


class Shipped(Mosquitto):
    """Mosquitto with ``conf`` as it stands, on port ``port`` in place of 1883."""

    def __init__(self, folder: Path, conf: str) -> None:
        super().__init__(folder)
        self.conf = conf

    def _command(self) -> list[str]:
        conf, ports = re.subn(r"(?m)^listener 1883 127\.0\.0\.1$", f"listener {self.port} {HOST}", self.conf)
        assert ports == 1
        # What Debian's own file adds, in a place of ours.
        conf += f"\npersistence_location {self.folder}/\nlog_type all\n"
        if os.getuid() == 0:
            conf += "user root\n"  # else it drops to a user who cannot write to the folder
        path = self.folder / "mosquitto.conf"
        path.write_text(conf)
        return [self._program, "-c", str(path)]


class Client:
    """An MQTT client with a session that outlives it; acknowledges at once, unless told not to."""

    def __init__(
        self,
        name: str,
        user: str | None = None,
        manual_ack: bool = False,
        protocol: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv5,
    ) -> None:
        self._v5 = protocol is MQTTProtocolVersion.MQTTv5
        self.mqtt = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            name,
            clean_session=None if self._v5 else False,
            protocol=protocol,
            manual_ack=manual_ack,
        )
        if user:
            self.mqtt.username_pw_set(user, f"word of {user}")
        self.answers: list[str] = []
        self.granted: list[list[int]] = []
        self.published: dict[int, str] = {}
        self.received: list[tuple[str, bytes]] = []
        self.mqtt.on_connect = lambda _c, _u, _f, reason, _p: self.answers.append(str(reason))
        self.mqtt.on_subscribe = lambda _c, _u, _m, reasons, _p: self.granted.append(
            [r.value for r in reasons]
        )
        self.mqtt.on_publish = lambda _c, _u, mid, reason, _p: self.published.update({mid: str(reason)})
        self.mqtt.on_message = lambda _c, _u, message: self.received.append(
            (message.topic, bytes(message.payload))
        )

    def connect(self, port: int) -> str:
        """Connect and return the broker's answer."""
        before = len(self.answers)
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 3600
        properties.ReceiveMaximum = 1000
        if self._v5:
            self.mqtt.connect(HOST, port, clean_start=False, properties=properties)
        else:
            self.mqtt.connect(HOST, port)
        self.mqtt.loop_start()
        wait_until(lambda: len(self.answers) > before, 10, "the broker's answer")
        return self.answers[-1]

    def subscribe(self, topic: str) -> None:
        before = len(self.granted)
        self.mqtt.subscribe(topic, qos=1)
        wait_until(lambda: len(self.granted) > before, 10, f"a subscription to {topic}")

    def publish(self, topic: str, payload: str) -> str:
        """Publish with QoS 1 and return whether it was allowed, which a message without a reader is, too."""
        mid = self.mqtt.publish(topic, payload, qos=1).mid
        wait_until(lambda: mid in self.published, 10, f"the answer to a message on {topic}")
        answer = self.published[mid]
        return "Success" if answer == "No matching subscribers" else answer

    def publish_all(self, topic: str, payloads: list[str]) -> None:
        mids = [self.mqtt.publish(topic, payload, qos=1).mid for payload in payloads]
        wait_until(lambda: mids[-1] in self.published, 30, "all messages to be taken")

    def close(self) -> None:
        self.mqtt.disconnect()
        self.mqtt.loop_stop()


def conf_text() -> str:
    return (CONFIG / "mosquitto.conf").read_text("utf-8")


def test_the_shipped_broker_settings_keep_readings_over_a_restart(tmp_path: Path) -> None:
    with Shipped(tmp_path, conf_text()) as broker:
        ours = Client("hatchmon-home")
        assert ours.connect(broker.port) == "Success"
        ours.subscribe("hatchery/#")
        ours.close()
        probe = Client("probe")
        probe.connect(broker.port)
        # More than the thousand that Mosquitto keeps by itself.
        probe.publish_all("hatchery/left/temperature", [str(n) for n in range(1500)])
        probe.close()
        broker.stop()
        broker.start()
        probe = Client("probe")
        probe.connect(broker.port)
        probe.publish_all("hatchery/left/temperature", [str(n) for n in range(1500, 2000)])
        probe.close()
        assert ours.connect(broker.port) == "Success"
        wait_until(lambda: len(ours.received) >= 2000, 30, "what waited for us")
        ours.close()
        assert [payload for _, payload in ours.received] == [str(n).encode() for n in range(2000)]


@pytest.mark.parametrize("protocol", [MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311])
def test_the_shipped_broker_settings_let_many_messages_be_unacknowledged(
    tmp_path: Path, protocol: MQTTProtocolVersion
) -> None:
    with Shipped(tmp_path, conf_text()) as broker:
        ours = Client("hatchmon-home", manual_ack=True, protocol=protocol)
        ours.connect(broker.port)
        ours.subscribe("hatchery/#")
        probe = Client("probe")
        probe.connect(broker.port)
        probe.publish_all(
            "hatchery/left/temperature", [str(n) for n in range(Settings().broker.receive_maximum)]
        )
        wait_until(
            lambda: len(ours.received) == Settings().broker.receive_maximum, 20, "a whole window of messages"
        )
        probe.close()
        ours.close()


def test_the_queue_is_sized_as_its_comment_says() -> None:
    given_messages = re.search(r"(?m)^max_queued_messages (\d+)$", conf_text())
    given_bytes = re.search(r"(?m)^max_queued_bytes (\d+)$", conf_text())
    assert given_messages is not None
    assert given_bytes is not None
    messages = 36 * 86_400 // 10
    assert f"= {messages} messages" in conf_text()
    assert messages <= int(given_messages[1]) < 1.1 * messages
    assert messages * 200 <= int(given_bytes[1]) < 1.1 * messages * 200


def on_the_network(folder: Path, port: int) -> str:
    """The shipped file with its listener for the network switched on, and its files made in ``folder``."""
    certificate, key, names, rules = (folder / name for name in ("server.crt", "server.key", "passwd", "acl"))
    request = [
        "openssl",
        "req",
        "-x509",
        "-nodes",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
    ]
    request += ["-subj", "/CN=broker", "-addext", f"subjectAltName=IP:{HOST}"]
    subprocess.run([*request, "-keyout", key, "-out", certificate], check=True, capture_output=True)
    names.touch(0o600)
    for user in ("hatchmon", "probe-left", "probe-right", "probe-room", "button-left"):
        program = find_program("mosquitto_passwd", "mosquitto")
        subprocess.run([program, "-b", names, user, f"word of {user}"], check=True, capture_output=True)
    shutil.copy(CONFIG / "mosquitto-acl.example", rules)
    conf = re.sub("(?m)^#: ", "", conf_text())
    for shipped, ours in {
        "listener 8883": f"listener {port} {HOST}",
        "certfile /etc/mosquitto/certs/server.crt": f"certfile {certificate}",
        "keyfile /etc/mosquitto/certs/server.key": f"keyfile {key}",
        "password_file /etc/mosquitto/hatchmon.passwd": f"password_file {names}",
        "acl_file /etc/mosquitto/hatchmon.acl": f"acl_file {rules}",
    }.items():
        assert conf.count(f"\n{shipped}\n") == 1
        conf = conf.replace(f"\n{shipped}\n", f"\n{ours}\n")
    return conf


def test_the_listener_for_the_network_wants_passwords_and_keeps_probes_apart(tmp_path: Path) -> None:
    find_program("openssl", "openssl")
    tls_port = free_port()
    with Shipped(tmp_path, on_the_network(tmp_path, tls_port)) as broker:
        assert listening(tls_port)
        stranger = Client("stranger")
        assert stranger.connect(broker.port) == "Not authorized"
        stranger.close()

        ours = Client("hatchmon-home", "hatchmon")
        ours.mqtt.will_set("hatchmon/home/availability", "offline", qos=1, retain=True)
        assert ours.connect(broker.port) == "Success"
        ours.subscribe("hatchmon/home/mark")
        assert ours.publish("hatchmon/home/mark", "1-2") == "Success"
        wait_until(lambda: ours.received == [("hatchmon/home/mark", b"1-2")], 10, "our own mark")
        ours.received.clear()
        ours.subscribe("hatchery/#")
        assert ours.publish("hatchmon/home/availability", "online") == "Success"
        assert ours.publish("hatchmon/home/left/state", "{}") == "Success"
        assert ours.publish("hatchmon/elsewhere/left/state", "{}") == "Not authorized"
        assert ours.publish("hatchery/left/temperature", "1") == "Not authorized"
        # Probes of the same machine come under our own name, and back to us.
        ours.subscribe("onewire/home/left/temperature")
        assert ours.publish("onewire/home/left/temperature", "{}") == "Success"
        assert ours.publish("onewire/elsewhere/left/temperature", "{}") == "Not authorized"
        wait_until(lambda: ours.received == [("onewire/home/left/temperature", b"{}")], 10, "our probe")
        ours.received.clear()

        probe = Client("probe", "probe-left")
        probe.mqtt.tls_set(ca_certs=str(tmp_path / "server.crt"))
        assert probe.connect(tls_port) == "Success"
        probe.subscribe("#")
        assert probe.publish("hatchery/left/temperature", "26.4") == "Success"
        assert probe.publish("hatchery/right/temperature", "99") == "Not authorized"
        assert probe.publish("onewire/home/left/temperature", "99") == "Not authorized"
        assert probe.publish("hatchmon/home/availability", "offline") == "Not authorized"
        for cone in ("left", "right"):
            assert probe.publish(f"hatchmon/home/{cone}/request", '{"do": "seen"}') == "Not authorized"
        assert probe.publish("hatchmon/home/mark", "1-2") == "Not authorized"
        wait_until(lambda: ours.received, 10, "the reading")

        # A button asks for its own cone and hears the answer; it is no probe, and no other cone's button.
        ours.subscribe("hatchmon/home/+/request")
        button = Client("button", "button-left")
        assert button.connect(broker.port) == "Success"
        button.subscribe("hatchmon/home/left/answer")
        button.subscribe("hatchmon/home/right/answer")
        assert button.publish("hatchmon/home/right/request", '{"do": "seen"}') == "Not authorized"
        assert button.publish("hatchmon/home/left/answer", "{}") == "Not authorized"
        assert button.publish("hatchery/left/temperature", "99") == "Not authorized"
        assert button.publish("hatchmon/home/left/request", '{"do": "seen"}') == "Success"
        asked = ("hatchmon/home/left/request", b'{"do": "seen"}')
        wait_until(lambda: asked in ours.received, 10, "the request")
        assert ours.publish("hatchmon/home/right/answer", "not for you") == "Success"
        assert ours.publish("hatchmon/home/left/answer", "done") == "Success"
        wait_until(lambda: button.received, 10, "the answer")
        assert button.received == [("hatchmon/home/left/answer", b"done")]
        button.close()
        ours.received.remove(asked)
        ours.close()

        # What comes while we are away waits for us in spite of the rules, and over a restart.
        assert probe.publish("hatchery/left/temperature", "26.5") == "Success"
        probe.close()
        broker.stop()
        broker.start()
        probe = Client("probe", "probe-left")
        assert probe.connect(broker.port) == "Success"
        assert probe.publish("hatchery/left/temperature", "26.6") == "Success"
        assert probe.received == []
        probe.close()
        assert ours.connect(broker.port) == "Success"
        wait_until(lambda: len(ours.received) >= 3, 10, "what waited for us")
        ours.close()
        assert ours.received == [
            ("hatchery/left/temperature", value) for value in (b"26.4", b"26.5", b"26.6")
        ]

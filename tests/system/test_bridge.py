"""A site joined to a broker at the centre by the shipped files: both real, and the line between them cut."""

from __future__ import annotations

import json
import os
import re
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tests.adapters.test_mqtt import make_certificates
from tests.app.test_mosquitto_conf import CONFIG
from tests.app.test_mosquitto_conf import Client as User
from tests.faults.proxy import Wire
from tests.servers import HOST, Mosquitto, Receiver, find_program, wait_until
from tests.system.daemon import SITE, Daemon, Ground

TABLES = """[requests]
over_mqtt = ["begin", "look"]
[alerts]
water_min = 0
cold_c = 25.3
"""


class AsShipped(Mosquitto):
    """Mosquitto with files as they stand, but for ``instead``: whole lines, each of which must be there."""

    def __init__(self, folder: Path, files: list[str], instead: Mapping[str, str]) -> None:
        super().__init__(folder)
        self._files, self._instead = files, dict(instead)

    def _command(self) -> list[str]:
        conf = "".join((CONFIG / name).read_text("utf-8") for name in self._files)
        conf = conf.replace("hatchmon/home/", f"hatchmon/{SITE}/")
        for shipped, ours in self._instead.items():
            conf, found = re.subn(rf"(?m)^(#: )?{re.escape(shipped)}$", ours.format(port=self.port), conf)
            assert found == 1, shipped
        # What Debian's own file adds, in a place of ours.
        conf += f"\npersistence_location {self.folder}/\nlog_type all\n"
        if os.getuid() == 0:
            conf += "user root\n"  # else it drops to a user who cannot write to the folder
        path = self.folder / "mosquitto.conf"
        path.write_text(conf)
        return [self._program, "-c", str(path)]


def passwords(file: Path, *users: str) -> Path:
    file.touch(0o600)
    for user in users:
        program = find_program("mosquitto_passwd", "mosquitto")
        subprocess.run([program, "-b", file, user, f"word of {user}"], check=True, capture_output=True)
    return file


def centre_of(folder: Path) -> AsShipped:
    """The broker at the centre, with TLS; certificates are in ``folder``."""
    make_certificates(folder)
    files = {
        "listener 8883": "listener {port} " + HOST,
        "certfile /etc/mosquitto/certs/server.crt": f"certfile {folder}/broker.pem",
        "keyfile /etc/mosquitto/certs/server.key": f"keyfile {folder}/broker.key",
        "password_file /etc/mosquitto/hatchmon-centre.passwd": "password_file "
        + str(passwords(folder / "centre.passwd", SITE, "mill", "office")),
        "acl_file /etc/mosquitto/hatchmon-centre.acl": f"acl_file {CONFIG}/mosquitto-centre-acl.example",
    }
    return AsShipped(folder / "centre", ["mosquitto-centre.conf"], files)


def site_of(folder: Path, line: int) -> AsShipped:
    """The site's broker, with its rules switched on and the bridge to port ``line``."""
    rules = folder / "site.acl"
    rules.write_text((CONFIG / "mosquitto-acl.example").read_text().replace("/home/", f"/{SITE}/"))
    files = {
        "listener 1883 127.0.0.1": "listener {port} " + HOST,
        "allow_anonymous true": "",
        "allow_anonymous false": "allow_anonymous false",
        "password_file /etc/mosquitto/hatchmon.passwd": "password_file "
        + str(passwords(folder / "site.passwd", "hatchmon", "probe-left", "button-left")),
        "acl_file /etc/mosquitto/hatchmon.acl": f"acl_file {rules}",
        "address centre.example:8883": f"address {HOST}:{line}",
        "bridge_cafile /etc/mosquitto/certs/centre-ca.crt": f"bridge_cafile {folder}/ca.pem",
        "remote_clientid hatchmon-site-home": f"remote_clientid hatchmon-site-{SITE}",
        "remote_username home": f"remote_username {SITE}",
        "remote_password better-a-long-one-of-its-own": f"remote_password word of {SITE}",
        "restart_timeout 5 60": "restart_timeout 1",
    }
    return AsShipped(folder / "site", ["mosquitto.conf", "mosquitto-bridge.conf"], files)


def office_at(folder: Path, port: int, name: str = "office") -> User:
    user = User(f"{name}-client", name)
    user.mqtt.tls_set(ca_certs=str(folder / "ca.pem"))
    assert user.connect(port) == "Success"
    return user


def newest(user: User, topic: str) -> bytes:
    return next((payload for at, payload in reversed(list(user.received)) if at == topic), b"")


def water(user: User) -> float | None:
    """The temperature that the centre has of the cone left."""
    state: dict[str, Any] = json.loads(newest(user, f"hatchmon/{SITE}/left/state") or b"{}")
    found = state.get("water", {}).get("temperature")
    return None if found is None else float(found["value"])


def test_a_site_and_its_centre(tmp_path: Path, receiver: Receiver) -> None:
    line, availability = f"hatchmon/{SITE}/line", f"hatchmon/{SITE}/availability"
    request, answer = f"hatchmon/{SITE}/left/request", f"hatchmon/{SITE}/left/answer"
    with (
        centre_of(tmp_path) as centre,
        Wire(centre.port) as wire,
        site_of(tmp_path, wire.port) as site,
    ):
        ground = Ground(
            tmp_path / "hatchmon", site.port, push=[f"json://{HOST}:{receiver.port}/phone"], tables=TABLES
        )
        text = ground.config.read_text()
        mine = f'host = "{HOST}"\nusername = "hatchmon"\npassword = "word of hatchmon"'
        ground.config.write_text(text.replace(f'host = "{HOST}"', mine))
        office, mill = office_at(tmp_path, centre.port), office_at(tmp_path, centre.port, "mill")
        probe, button = User("probe", "probe-left"), User("button", "button-left")
        assert probe.connect(site.port) == button.connect(site.port) == "Success"
        office.subscribe("hatchmon/#")
        mill.subscribe("hatchmon/#")
        with Daemon(ground) as daemon:
            wait_until(daemon.connected, 15.0, "the site's broker")
            wait_until(lambda: newest(office, availability) == b"online", 20.0, "the site at the centre")
            assert newest(office, line) == b"1"
            assert probe.publish("hatchery/left/temperature", "25.5") == "Success"
            wait_until(lambda: ground.count("readings") == 1, 15.0, "the reading to be stored")

            # A request is carried out there, its answer comes back, and how the cone stands now.
            asked = {"do": "begin", "lot": "tin 7", "grams": 2, "by": "office", "id": "b1"}
            assert office.publish(request, json.dumps(asked)) == "Success"
            wait_until(lambda: newest(office, answer), 20.0, "the answer at the centre")
            said = json.loads(newest(office, answer))
            assert (said["id"], said["done"]) == ("b1", True)
            assert ground.rows("SELECT lot, grams FROM batches") == [("tin 7", 2.0)]
            wait_until(lambda: water(office) == 25.5, 20.0, "the state at the centre")
            assert office.publish(request, '{"do": "harvest", "id": "h1"}') == "Success"
            wait_until(lambda: b'"h1"' in newest(office, answer), 20.0, "the refusal")
            assert "'harvest' is not switched on" in json.loads(newest(office, answer))["say"]

            # Another site can neither speak for this one nor hear what is asked of it; readings stay here.
            for topic in (f"hatchmon/{SITE}/left/state", availability, line, request, answer):
                assert mill.publish(topic, "{}") == "Not authorized"
            assert mill.publish("hatchmon/mill/left/state", "{}") == "Success"
            assert not [topic for topic, _ in mill.received if topic.startswith(f"hatchmon/{SITE}")]
            kinds = {topic.rpartition("/")[2] for topic, _ in office.received}
            assert kinds == {"state", "availability", "line", "request", "answer"}

            # With the line cut the centre knows, and the site goes on alone: stored, judged, told.
            wire.cut()
            wait_until(lambda: newest(office, line) == b"0", 30.0, "the centre to see the site go")
            readings, posts = ground.count("readings"), len(receiver.posts)
            assert probe.publish("hatchery/left/temperature", "25.1") == "Success"
            wait_until(lambda: ground.count("readings") > readings, 15.0, "the reading to be stored")
            assert office.publish(request, '{"do": "look", "seen": "most", "id": "late"}') == "Success"
            asked_here = '{"do": "look", "seen": "few", "id": "here"}'
            assert button.publish(request, asked_here) == "Success"
            wait_until(lambda: ground.count("looks") == 1, 15.0, "the button's look")
            wait_until(
                lambda: any(b"cold" in post.raw for post in receiver.posts[posts:]), 20.0, "the phone to ring"
            )
            assert water(office) == 25.5

            # Mended: the newest state, and the answer that could not go; nothing that waited at the centre.
            wire.mend()
            wait_until(lambda: newest(office, line) == b"1", 30.0, "the line")
            wait_until(lambda: water(office) == 25.1, 20.0, "the newest state at the centre")
            wait_until(lambda: b'"here"' in newest(office, answer), 20.0, "the answer that waited")
            assert office.publish(request, '{"do": "look", "undo": true, "id": "after"}') == "Success"
            wait_until(lambda: b'"after"' in newest(office, answer), 20.0, "requests to get through again")
            assert ground.rows("SELECT count(*) FROM requests WHERE ref = 'late'") == [(0,)]
            assert ground.count("looks") == 0
        wait_until(lambda: newest(office, availability) == b"offline", 10.0, "the end to be told")
        for user in (office, mill, probe, button):
            user.close()

"""A push button beside a cone: the daemon, a real broker and the command line."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

from tests.app.test_mosquitto_conf import CONFIG
from tests.app.test_mosquitto_conf import Client as User
from tests.servers import HOST, Mosquitto, find_program, wait_until
from tests.system.daemon import Client, Daemon, Ground

TABLES = '[requests]\nover_mqtt = ["begin", "look", "harvest", "seen"]'
TOPIC, ANSWER = "hatchmon/test/left/request", "hatchmon/test/left/answer"


def test_a_batch_by_push_buttons(tmp_path: Path, mosquitto: Mosquitto) -> None:
    ground = Ground(tmp_path / "hatchmon", mosquitto.port, tables=TABLES)
    with Daemon(ground) as daemon, Client(mosquitto.port, "hatchmon/test/+/answer") as button:

        def pressed(**body: Any) -> dict[str, Any]:
            before = len(button.heard)
            button.send(TOPIC, json.dumps(body))
            wait_until(lambda: len(button.heard) > before, 15.0, f"an answer to {body}")
            topic, answer, retained = button.heard[-1]
            assert (topic, retained) == (ANSWER, False)
            return dict(json.loads(answer))

        wait_until(daemon.connected, 15.0, "the broker")
        button.send("hatchery/left/temperature", "25.5")
        wait_until(lambda: ground.count("readings") == 1, 15.0, "the cone")
        assert pressed(do="begin")["say"].startswith("Nothing has been begun in left before")
        assert pressed(do="begin", lot="tin 7", grams=2)["done"]
        first = pressed(do="look", seen="none", id="a", by="shelf")
        assert first["done"]
        assert pressed(do="look", seen="none", id="a") == first | {"repeat": True}
        assert pressed(do="harvest", discard=True)["done"]
        assert pressed(do="begin")["say"].startswith("left: 2 g of lot tin 7 begun")
        assert pressed(do="seen")["done"]
        assert ground.count("looks") == 1
        assert [row[0] for row in ground.rows("SELECT lot FROM batches")] == ["tin 7", "tin 7"]
        by = {row[0] for row in ground.rows("SELECT by FROM requests WHERE ok")}
        assert by == {TOPIC, f"{TOPIC} (shelf)"}

        # Pressed while nobody was there: it does not begin or end anything hours later.
        daemon.stop()
        before = len(button.heard)
        button.send(TOPIC, '{"do": "harvest"}')
        daemon.start()
        wait_until(lambda: len(button.heard) > before, 15.0, "an answer to what waited")
        assert "it may have waited while hatchmon was away" in json.loads(button.heard[-1][1])["say"]
        assert ground.count("batches", "ended_us IS NULL") == 1
        ground.done("harvest", "left", "--discard")
        check = {
            finding["part"]: finding["text"] for finding in json.loads(ground.cli("check", "--json").stdout)
        }
        assert "subscriptions granted: 3" in check["broker"]


def test_with_the_shipped_rules_the_daemon_may_all_it_needs_and_others_no_more_than_theirs(
    tmp_path: Path,
) -> None:
    names, rules = tmp_path / "passwd", tmp_path / "acl"
    names.touch(0o600)
    for name in ("hatchmon", "probe-left", "button-left"):
        program = find_program("mosquitto_passwd", "mosquitto")
        subprocess.run([program, "-b", names, name, f"word of {name}"], check=True, capture_output=True)
    rules.write_text((CONFIG / "mosquitto-acl.example").read_text().replace("/home/", "/test/"))
    extra = f"allow_anonymous false\npassword_file {names}\nacl_file {rules}"
    with Mosquitto(tmp_path / "broker", extra_conf=extra) as broker:
        ground = Ground(tmp_path / "hatchmon", broker.port, tables=TABLES)
        mine = 'username = "hatchmon"\npassword = "word of hatchmon"'
        text = ground.config.read_text()
        ground.config.write_text(text.replace(f'host = "{HOST}"', f'host = "{HOST}"\n{mine}'))
        probe, button = User("probe", "probe-left"), User("button", "button-left")
        with Daemon(ground) as daemon:
            wait_until(daemon.connected, 15.0, "the broker")
            for user in (probe, button):
                assert user.connect(broker.port) == "Success"
            button.subscribe(ANSWER)
            assert probe.publish("hatchery/left/temperature", "25.5") == "Success"
            wait_until(lambda: ground.count("readings") == 1, 15.0, "the reading")
            ask = '{"do": "begin", "lot": "tin 7", "grams": 2}'
            assert probe.publish(TOPIC, ask) == "Not authorized"
            assert button.publish("hatchmon/test/right/request", ask) == "Not authorized"
            assert button.publish(TOPIC, ask) == "Success"
            wait_until(lambda: button.received, 15.0, "the answer")
            assert json.loads(button.received[0][1])["done"]
            assert "refused" not in daemon.status
            checked = json.loads(ground.cli("check", "--json").stdout)
            (said,) = [finding for finding in checked if finding["part"] == "broker"]
            assert said["ok"], said
            for user in (probe, button):
                user.close()
        assert ground.count("requests") == 1
        assert ground.count("readings") == 1

"""The demo: its invented water, and the whole of it run as a newcomer would."""

from __future__ import annotations

import os
import random
import re
import shlex
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from urllib.request import urlopen

import pytest

from hatchmon.adapters.store import Store
from hatchmon.app.beliefs import Beliefs
from hatchmon.app.demo import NO_BROKER
from hatchmon.app.demo_hatchery import (
    HEATER_C_PER_H,
    HYSTERESIS_C,
    PLANS,
    POWER_ON_C,
    PROBE_STEP_C,
    ROOM_C,
    ROOM_SWING_C,
    STEP_H,
    Hatchery,
    Plan,
    Probe,
    Water,
    room_c,
)
from hatchmon.app.demo_past import PAST_H, settings_text, write_past
from hatchmon.app.record import thresholds_of, watch_batch, water_of
from hatchmon.app.settings import load_settings
from hatchmon.hatchery.payload import read_payload
from hatchmon.hatchery.types import Quantity
from tests.servers import listening, wait_until

HATCHMON = Path(sys.executable).parent / "hatchmon"
START = datetime(2026, 3, 1, 5, 30, tzinfo=UTC)
MOVE = re.compile(r"FORECAST  \w+: ready .+ -> .+, between .+ and .+")
PUSH = re.compile(r"PUSH +│ \w+: ")


# ---- the invented water ----


def minutes(hours: float) -> list[float]:
    return [minute / 60 for minute in range(1, round(hours * 60) + 1)]


def test_a_thermostat_holds_the_water_near_its_set_point_and_keeps_switching() -> None:
    water = Water(Plan("a", "b", 1.0, 1.0, ready_in_h=1.0, set_point_c=27.0), 0.0)
    temps, heating = [], []
    for at_h in minutes(48):
        water.advance(at_h)
        temps.append(water.temp_c)
        heating.append(water.heating)
    overshoot_c = HEATER_C_PER_H * STEP_H
    assert 27.0 - HYSTERESIS_C - overshoot_c <= min(temps) < 27.0 - HYSTERESIS_C / 2
    assert 27.0 + HYSTERESIS_C / 2 < max(temps) <= 27.0 + HYSTERESIS_C + overshoot_c
    assert sum(a != b for a, b in pairwise(heating)) > 48


def test_a_thermostat_leaves_the_heater_alone_between_its_two_limits() -> None:
    water = Water(Plan("a", "b", 1.0, 1.0, ready_in_h=1.0, set_point_c=27.0), 0.0)
    for was_heating, at_h in ((True, 0.01), (False, 0.02)):
        water.heating, water.temp_c = was_heating, 27.0
        water.advance(at_h)
        assert water.heating is was_heating


def test_with_its_heater_out_the_water_falls_towards_the_room_and_comes_back_after() -> None:
    water = Water(Plan("a", "b", 1.0, 1.0, ready_in_h=1.0, set_point_c=27.0, heater_out_h=(1.0, 6.0)), 0.0)
    water.advance(1.0)
    last = water.temp_c
    for at_h in minutes(6)[60:]:
        water.advance(at_h)
        assert room_c(at_h) < water.temp_c < last
        last = water.temp_c
    assert last < 27.0 - 4.0
    water.advance(10.0)
    assert abs(water.temp_c - 27.0) < 0.5


def test_unheated_water_follows_the_day_damped_and_whatever_the_steps() -> None:
    plan = Plan("a", "b", 1.0, 1.0, ready_in_h=1.0, place_c=3.0)
    small, large = Water(plan, 0.0), Water(plan, 0.0)
    temps = []
    for at_h in minutes(72):
        small.advance(at_h)
        temps.append(small.temp_c)
    large.advance(72.0)
    assert small.temp_c == pytest.approx(large.temp_c, abs=1e-6)
    assert ROOM_C + 3.0 - ROOM_SWING_C < min(temps) < max(temps) < ROOM_C + 3.0 + ROOM_SWING_C
    # First-order lag k against a wave of frequency w: amplitude falls to k / sqrt(k^2 + w^2).
    k, w = plan.lag_per_h, 2 * 3.141592653589793 / 24
    swing = (max(temps[-1440:]) - min(temps[-1440:])) / 2
    assert swing == pytest.approx(ROOM_SWING_C * k / (k * k + w * w) ** 0.5, rel=0.01)


def test_a_probe_has_noise_coarse_steps_and_now_and_then_its_power_on_value() -> None:
    probe = Probe(random.Random(1))
    read = [probe.read(25.0) for _ in range(5000)]
    assert all((value / PROBE_STEP_C).is_integer() for value in read)
    assert 5 < read.count(POWER_ON_C) < 50
    water = [value for value in read if value != POWER_ON_C]
    assert 24.7 < min(water) < 25.0 < max(water) < 25.3


def test_probes_fall_silent_when_planned_and_their_messages_can_be_read() -> None:
    hatchery = Hatchery(0.0)
    (quiet,) = [plan for plan in PLANS if plan.silent_h]
    assert quiet.silent_h
    heard = {}
    for at_h in (quiet.silent_h[0] - 0.1, sum(quiet.silent_h) / 2, quiet.silent_h[1] + 0.1):
        heard[at_h] = [measured.plan.cone for measured in hatchery.measure(at_h)]
    assert [quiet.cone in cones for cones in heard.values()] == [True, False, True]

    for measured in Hatchery(0.0).measure(0.5):
        topic, payload = measured.message(START)
        if measured.plan.topic is None:
            assert topic == f"hatchery/{measured.plan.cone}/temperature"
            assert read_payload(payload.encode(), None, None).raw == measured.water_c
        else:
            sample = read_payload(payload.encode(), "/room", "/at")
            assert (sample.raw, sample.time) == (measured.room_c, START)


# ---- what lies on disk before it begins ----


def test_the_settings_are_read_from_any_folder(tmp_path: Path) -> None:
    folder = tmp_path / 'a "strange\\ folder'
    folder.mkdir()
    config = folder / "hatchmon.toml"
    config.write_text(settings_text(folder / "x.db", 1234, "json://127.0.0.1:99/", 240.0, START, START, 8499))
    settings = load_settings(config, env={})
    assert settings.store.path == folder / "x.db"
    assert settings.broker.port == 1234
    assert (settings.web.enabled, settings.web.port) == (True, 8499)
    assert settings.rehearsal is not None
    assert settings.rehearsal.speed == 240.0
    assert {probe.cone for probe in settings.probes} == {plan.cone for plan in PLANS if plan.topic}


def test_every_batch_is_to_be_ready_when_planned(tmp_path: Path) -> None:
    config = tmp_path / "hatchmon.toml"
    config.write_text(settings_text(tmp_path / "x.db", 1, "json://127.0.0.1:9/", 1.0, START, START, None))
    with Store(tmp_path / "x.db") as store:
        write_past(store, Hatchery(-PAST_H), START)
        water = water_of(store)
        batches = {batch.cone: batch for batch in store.batches("ended_us IS NULL")}
        assert set(batches) == set(water) == {plan.cone for plan in PLANS}
        for plan in PLANS:
            batch = batches[plan.cone]
            watch = watch_batch(store, batch, START)
            beliefs = Beliefs(store, thresholds_of(load_settings(config, env={})))
            forecast = beliefs.forecast(watch, water[plan.cone], START)
            assert forecast.opens is not None
            ready_in_h = (batch.time_at(forecast.opens.p50) - START) / timedelta(hours=1)
            assert ready_in_h == pytest.approx(plan.ready_in_h, abs=0.1)
            assert forecast.trust == "good"
            assert START - water[plan.cone][Quantity.TEMPERATURE][1] < timedelta(minutes=10)


# ---- the whole of it ----


class Shown:
    """A running demo and what it has written so far."""

    def __init__(self, process: subprocess.Popen[bytes], folder: Path, screen: Path) -> None:
        self.process = process
        self.folder = folder
        self._screen = screen

    @property
    def text(self) -> str:
        return self._screen.read_text(encoding="utf-8")

    def wait_for(self, seen: Callable[[str], object], what: str, timeout: float = 60.0) -> None:
        wait_until(lambda: seen(self.text) or self.process.poll() is not None, timeout, what)
        assert seen(self.text), f"the demo ended without {what}:\n{self.text}"

    def ports(self) -> tuple[int, int]:
        """The broker's and the receiver's, from the settings it has written."""
        (config,) = self.folder.glob("hatchmon-demo-*/hatchmon.toml")
        settings = tomllib.loads(config.read_text())
        return settings["broker"]["port"], int(settings["push"]["to"][0].rstrip("/").rpartition(":")[2])

    def ends(self, timeout: float) -> int:
        return self.process.wait(timeout)


@contextmanager
def demo(tmp_path: Path, *command: str | Path) -> Iterator[Shown]:
    """Runs it with a folder for temporary files of its own."""
    folder, screen = tmp_path / "tmp", tmp_path / "screen"
    folder.mkdir()
    with screen.open("wb") as out:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
            env=os.environ | {"TMPDIR": str(folder), "PYTHONUTF8": "1"},
        )
    try:
        yield Shown(process, folder, screen)
    finally:
        if process.poll() is None:
            process.terminate()
            process.wait(30.0)


def left_behind(shown: Shown) -> list[str]:
    """Files in the demo's folder for temporary files, and processes that name it."""
    files = [str(path) for path in shown.folder.iterdir()]
    running = []
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            called = entry.read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:
            continue
        if str(shown.folder) in called:
            running.append(called)
    return files + running


def test_a_newcomer_sees_a_forecast_move_and_an_alert_arrive(tmp_path: Path) -> None:
    with demo(tmp_path, HATCHMON, "demo", "--for", "20", "--no-web") as shown:
        shown.wait_for(PUSH.search, "an alert", 30.0)
        ports = shown.ports()
        assert all(listening(port) for port in ports)
        # The command it prints for another terminal is true.
        (command,) = re.findall(r"^  (.+ now --config .+)$", shown.text, re.MULTILINE)
        now = subprocess.run(shlex.split(command), capture_output=True, text=True, check=False)
        assert now.returncode == 0, now.stderr
        assert all(plan.cone in now.stdout for plan in PLANS)
        assert shown.ends(60.0) == 0, shown.text
        text = shown.text
        assert MOVE.search(text), text
        summary = re.search(r"(\d+) readings received.+?(\d+) forecasts issued, (\d+) alerts pushed", text)
        assert summary, text
        readings, forecasts, pushed = (int(number) for number in summary.groups())
        assert readings > 60
        assert forecasts > 3
        assert pushed == len(PUSH.findall(text)) > 0
        assert "PAGE" not in text
        assert not any(listening(port) for port in ports)
        assert left_behind(shown) == []


def test_without_mosquitto_the_broker_from_the_package_serves(tmp_path: Path) -> None:
    program = "import hatchmon.app.demo as d; d.find_mosquitto = lambda: None; d.run_demo(240.0)"
    with demo(tmp_path, sys.executable, "-c", program) as shown:
        shown.wait_for(lambda text: MOVE.search(text) and PUSH.search(text), "a move and an alert")
        page = re.search(r"PAGE +open (http://127.0.0.1:\d+/) in a browser", shown.text)
        assert page, shown.text
        with urlopen(page[1]) as answer:
            assert answer.status == 200
        ports = shown.ports()
        shown.process.send_signal(signal.SIGTERM)
        assert shown.ends(30.0) == 0, shown.text
        readings = re.search(r"(\d+) readings received", shown.text)
        assert readings
        assert int(readings[1]) > 10
        assert not any(listening(port) for port in ports)
        assert left_behind(shown) == []


@pytest.mark.parametrize("seen", ["hatchmon demo", "hatchmon now' shows"], ids=["at the start", "running"])
def test_ctrl_c_ends_it_soon_and_cleanly(tmp_path: Path, seen: str) -> None:
    with demo(tmp_path, HATCHMON, "demo") as shown:
        shown.wait_for(lambda text: seen in text, seen)
        began = time.monotonic()
        shown.process.send_signal(signal.SIGINT)
        assert shown.ends(30.0) in (0, 130), shown.text
        assert time.monotonic() - began < 5.0
        assert "Traceback" not in shown.text
        assert left_behind(shown) == []


def test_without_any_broker_it_says_how_to_get_one(tmp_path: Path) -> None:
    program = (
        "import sys, hatchmon.app.demo as d; from hatchmon.app.main import main; "
        "d.find_mosquitto = lambda: None; d.has_amqtt = lambda: False; "
        "sys.argv = ['hatchmon', 'demo']; main()"
    )
    with demo(tmp_path, sys.executable, "-c", program) as shown:
        assert shown.ends(30.0) == 1
        assert NO_BROKER in shown.text
        assert "Traceback" not in shown.text
        assert left_behind(shown) == []

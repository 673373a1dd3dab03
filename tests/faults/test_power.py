"""Ends without warning and ends in order, of the daemon and of the broker, under load."""

from __future__ import annotations

import random
import time

from tests.faults.rig import ENDS_S, Rig
from tests.faults.tally import Tally
from tests.servers import Mosquitto


def test_the_daemon_is_killed_at_random(rig: Rig, tally: Tally, long: bool) -> None:
    chance = random.Random(1)
    recovered, times = [], 200 if long else 6
    rig.start()
    for _ in range(times):
        time.sleep(chance.uniform(0.0, 1.0))
        rig.daemon.kill()
        begun = time.monotonic()
        rig.daemon.start()
        if chance.random() < 0.5:  # else it is killed before it has caught up
            rig.moving()
            recovered.append(time.monotonic() - begun)
    rig.moving()
    recovered = recovered or [rig.moving()]
    sent, lost = rig.settle()
    tally.note("daemon killed (kill -9)", sent=sent, lost=lost, recovered_s=recovered, times=times)
    assert lost == 0


def test_the_daemon_is_asked_to_end_under_load(rig: Rig, tally: Tally, long: bool) -> None:
    recovered = []
    rig.start()
    for _ in range(50 if long else 3):
        rig.flow.wait_for_more(20)
        code, seconds = rig.daemon.stop()
        assert code == 0, rig.daemon.log()
        assert seconds < ENDS_S
        recovered.append(rig.resume())
    sent, lost = rig.settle()
    tally.note("daemon ended under load (SIGTERM)", sent=sent, lost=lost, recovered_s=recovered)
    assert lost == 0


def test_the_broker_is_killed(rig: Rig, mosquitto: Mosquitto, tally: Tally, long: bool) -> None:
    """Just after it has saved its state: what it took since then it could not give back."""
    recovered = []
    rig.start()
    for _ in range(15 if long else 2):
        rig.flow.wait_for_more(50)
        with rig.flow.paused():
            mosquitto.kill()
        time.sleep(0.5)
        mosquitto.start()
        recovered.append(rig.moving())
    sent, lost = rig.settle()
    tally.note("broker killed (kill -9) and restarted", sent=sent, lost=lost, recovered_s=recovered)
    assert lost == 0

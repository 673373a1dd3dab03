"""When readings must not wait for company: brokers that allow little, and steady probes without haste."""

from __future__ import annotations

from collections import deque

import pytest

from hatchmon.app.window import SMALL, Window

ASKED = 200
GATHER_S = 28.0
ANSWER_S = 0.01


def run(allowed: int, a_second: float, for_s: float) -> tuple[int, list[int]]:
    """A broker that lets ``allowed`` be unacknowledged and gets ``a_second`` messages, evenly: how many it
    still holds at the end, and how many were in each transaction."""
    window = Window(ASKED)
    waiting: deque[int] = deque()
    groups: list[int] = []
    held, come, tick, last_s = 0, 0, 0, 0.0
    while (now_s := tick * ANSWER_S) < for_s:
        tick += 1
        while come < now_s * a_second:
            come += 1
            waiting.append(come)
        while waiting and held < allowed:
            waiting.popleft()
            held += 1
            window.heard(now_s)
        if held and (now_s - last_s >= GATHER_S or window.due_in_s(held, now_s) <= 0.0):
            window.answered(held, now_s)
            groups.append(held)
            held, last_s = 0, now_s
    return len(waiting), groups


@pytest.mark.parametrize("allowed", [1, 2, 5, 10, 16, 20, 40, 100, 1000])
@pytest.mark.parametrize("a_second", [0.7, 3.6, 50.0])
def test_no_broker_is_left_waiting(allowed: int, a_second: float) -> None:
    """What a small window holds up at first is caught up with, and stays so."""
    a_second = min(a_second, 0.5 * allowed / ANSWER_S)
    behind, groups = run(allowed, a_second, 900.0)
    assert behind <= max(1.0, a_second)
    assert max(groups) <= ASKED


def test_an_open_window_is_used() -> None:
    _, groups = run(1000, 3.6, 600.0)
    assert min(groups[:-1]) >= 0.9 * 3.6 * GATHER_S
    _, groups = run(1000, 50.0, 600.0)
    assert min(groups[:-1]) >= 0.7 * ASKED


def test_a_few_probes_gather_for_the_whole_time() -> None:
    _, groups = run(1000, 0.3, 900.0)
    assert min(groups[1:-1]) >= 8


def test_probes_that_speak_together_are_no_sign_of_a_small_window() -> None:
    window = Window(ASKED)
    now_s = 0.0
    for minute in range(30):
        for number in range(3):
            window.heard(now_s + 0.01 * number)
        window.answered(3, now_s + 5.0 - (5.1 if minute % 3 else 0.0))
        assert window.due_in_s(3, now_s + 9.0) > 0.0
        now_s += 10.0


def test_more_than_any_broker_allows_unasked_wait_for_no_more_than_a_silence() -> None:
    window = Window(ASKED)
    for number in range(SMALL):
        window.heard(number * 0.1)
    last_s = (SMALL - 1) * 0.1
    assert window.due_in_s(SMALL - 1, last_s) == float("inf")
    assert window.due_in_s(SMALL, last_s + 0.4) == pytest.approx(0.6)
    window.connected()
    assert window.due_in_s(round(0.75 * ASKED), 0.0) == 0.0

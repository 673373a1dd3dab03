"""Asking the engine for something, whether or not the daemon runs."""

from __future__ import annotations

import getpass
import os
import sqlite3
import time
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.store import Store, StoreError, Taken
from hatchmon.app.engine import Engine
from hatchmon.app.settings import Settings
from hatchmon.hatchery.types import Refused

ANSWER_WITHIN_S = 10.0
NOT_YET = "The request is noted, but hatchmon has not carried it out yet; it will as soon as it can."

Answer = tuple[bool, dict[str, Any]]
"""Whether a request was carried out, and what was said."""


class Answered(NamedTuple):
    """What came of a request: its number in the record, whether it was carried out, and what was said."""

    number: int
    ok: bool
    answer: Mapping[str, Any]


def ask(settings: Settings, clock: Clock, body: dict[str, Any]) -> dict[str, Any]:
    """Have ``body`` carried out and return the answer. Raises as ``ask_all``, and Refused when it is not."""
    ok, answer = ask_all(settings, clock, [body])[0]
    if not ok:
        raise Refused(str(answer["text"]))
    return answer


def ask_all(settings: Settings, clock: Clock, bodies: Sequence[dict[str, Any]]) -> list[Answer]:
    """Have every one of ``bodies`` carried out, in this order; an answer for each.

    The daemon, if it runs, does it; else this process takes its place for a moment. Raises Refused when
    there is no answer in time, and StoreError when the database cannot be used.
    """
    plain = [{name: _plain(value) for name, value in body.items() if value is not None} for body in bodies]
    try:
        answers = _answers(settings, clock, plain)
    except sqlite3.Error as error:
        raise StoreError(
            f"{settings.store.path} cannot be written now ({error}); see whether another program holds it or "
            "the disk is full, then ask again"
        ) from error
    answered = [answer for answer in answers if answer is not None]
    if len(answered) < len(answers):
        raise Refused(f"{NOT_YET} Look with: hatchmon check")
    return answered


def _answers(settings: Settings, clock: Clock, bodies: Sequence[dict[str, Any]]) -> list[Answer | None]:
    """An answer for each, or None where the daemon has given none in time."""
    try:
        with Store(settings.store.path) as store:
            numbers = [store.ask(body, _who(), clock.now()) for body in bodies]
            Engine(settings, store, clock).carry_out_requests()
            return [store.answer_to(number) for number in numbers]
    except Taken:
        with Store(settings.store.path, exclusive=False) as store:
            numbers = [store.ask(body, _who(), clock.now()) for body in bodies]
            answers: list[Answer | None] = []
            for number in numbers:  # once one is not answered in time, the rest would not be either
                answers.append(None if None in answers else wait_for_answer(store, number))
            return answers


def wait_for_answer(store: Store, number: int) -> Answer | None:
    """The daemon's answer to a request left with it; None when it has given none in time."""
    deadline = time.monotonic() + ANSWER_WITHIN_S
    while time.monotonic() < deadline:
        answered = store.answer_to(number)
        if answered is not None:
            return answered
        time.sleep(0.05)
    return None


def _plain(value: object) -> object:
    return value.isoformat() if isinstance(value, date) else value


def _who() -> str:
    if by_sudo := os.environ.get("SUDO_USER"):
        return by_sudo
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"uid {os.getuid()}"

"""Asking the engine for something, whether or not the daemon runs."""

from __future__ import annotations

import getpass
import os
import sqlite3
import time
from datetime import datetime
from typing import Any

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.store import Store, StoreError, Taken
from hatchmon.app.engine import Engine
from hatchmon.app.settings import Settings
from hatchmon.hatchery.types import Refused

ANSWER_WITHIN_S = 10.0


def ask(settings: Settings, clock: Clock, body: dict[str, Any]) -> dict[str, Any]:
    """Have ``body`` carried out and return the answer. Raises Refused with the reason when it is not,
    and StoreError when the database cannot be used.

    The daemon, if it runs, does it; else this process takes its place for a moment.
    """
    body = {name: _plain(value) for name, value in body.items() if value is not None}
    try:
        answered = _answer(settings, clock, body)
    except sqlite3.Error as error:
        raise StoreError(
            f"{settings.store.path} cannot be written now ({error}); see whether another program holds it or "
            "the disk is full, then ask again"
        ) from error
    if answered is None:
        raise Refused(
            "The request is noted, but hatchmon has not carried it out yet; it will as soon as it can. "
            "Look with: hatchmon check"
        )
    ok, answer = answered
    if not ok:
        raise Refused(str(answer["text"]))
    return answer


def _answer(settings: Settings, clock: Clock, body: dict[str, Any]) -> tuple[bool, dict[str, Any]] | None:
    """(done, answer), or None when the daemon has not answered in time."""
    try:
        with Store(settings.store.path) as store:
            number = store.ask(body, _who(), clock.now())
            Engine(settings, store, clock).carry_out_requests()
            return store.answer_to(number)
    except Taken:
        with Store(settings.store.path, exclusive=False) as store:
            number = store.ask(body, _who(), clock.now())
            return _wait(store, number)


def _wait(store: Store, number: int) -> tuple[bool, dict[str, Any]] | None:
    deadline = time.monotonic() + ANSWER_WITHIN_S
    while time.monotonic() < deadline:
        answered = store.answer_to(number)
        if answered is not None:
            return answered
        time.sleep(0.05)
    return None


def _plain(value: object) -> object:
    return value.isoformat() if isinstance(value, datetime) else value


def _who() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"uid {os.getuid()}"

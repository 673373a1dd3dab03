"""The start of the daemon. On a disk that takes nothing it waits until the disk does, and says so."""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
import uuid

from hatchmon.adapters.notify import Notify
from hatchmon.adapters.push import Delivered, Letter, Pusher
from hatchmon.adapters.store import StoreError, Taken, to_us
from hatchmon.app.recorder import RETRY_S, UNSTORED_AFTER_S
from hatchmon.app.replan import Replanner
from hatchmon.app.service import Service, addresses, make_clock
from hatchmon.app.settings import Settings
from hatchmon.app.storage import Disk
from hatchmon.hatchery.alerts import URGENCY
from hatchmon.hatchery.storage import refused_words
from hatchmon.hatchery.types import Alert
from hatchmon.hatchery.wording import Voice

log = logging.getLogger(__name__)


def start_service(settings: Settings, planner: Replanner | None, stopping: threading.Event) -> Service | None:
    """A daemon ready to run; None when ``stopping`` was set before the disk took anything.

    Raises what ``Service`` raises for other reasons than the disk.
    """
    notify, disk = Notify(), Disk(settings.store.path)
    patience: _Patience | None = None
    try:
        while not stopping.is_set():
            try:
                told = None if patience is None else patience.told
                return Service(settings, notify, planner, stopping, told)
            except (StoreError, sqlite3.Error, OSError) as error:
                reason = None if isinstance(error, Taken) else disk.why_not(error)
                if reason is None:
                    raise
                if patience is None:
                    log.error("%s; waiting until the disk takes something again", error)
                    patience = _Patience(settings, notify)
            patience.wait(reason, stopping)
        return None
    finally:
        if patience is not None:
            patience.end()


class _Patience:
    """In the daemon's place while it cannot start: alive to the service manager, and tells the phone."""

    def __init__(self, settings: Settings, notify: Notify) -> None:
        self._alert: Alert | None = None
        self._settings = settings
        self._notify = notify
        self._since, self._since_s = make_clock(settings).now(), time.monotonic()
        self._letters: dict[int, Letter] = {}
        self._pusher = Pusher(addresses(settings), lambda: [*self._letters.values()], self._heard)
        self._pusher.start()
        # A start takes a minute and a half at most for the manager, and this may take days.
        notify.ready()

    @property
    def told(self) -> tuple[Alert, int] | None:
        """What the keeper is told, if anything, and to how many addresses it has yet to go: all, if it has
        not got through to every one."""
        if self._alert is None:
            return None
        return self._alert, len(self._settings.push.to) if self._letters else 0

    def wait(self, reason: str, stopping: threading.Event) -> None:
        """Until it is time to try again."""
        self._notify.status(f"waiting to start; database: {reason}")
        if self._alert is None and time.monotonic() - self._since_s >= UNSTORED_AFTER_S:
            self._tell(reason)
        self._notify.watchdog()
        stopping.wait(min(RETRY_S, self._notify.watchdog_interval_s or RETRY_S))

    def _tell(self, reason: str) -> None:
        settings, now = self._settings, make_clock(self._settings).now()
        title, body = refused_words(reason, self._since, now, Voice(settings.zone, settings.unit))
        urgency = settings.alerts.urgency.get("storage", URGENCY["storage"])
        scope = f"refused {to_us(self._since)}"
        self._alert = Alert("storage", scope, None, urgency, title, body, now)
        log.error("alert storage: %s", title)
        self._letters = {
            -1 - number: Letter(-1 - number, number, title, body, 0, uuid.uuid4().hex)
            for number in range(len(settings.push.to))
        }
        self._pusher.wake()

    def _heard(self, item: object) -> None:
        if isinstance(item, Delivered):
            self._letters = {
                number: each for number, each in self._letters.items() if number != item.letter_id
            }

    def end(self) -> None:
        self._pusher.stop()

"""From pending to stored: few transactions, an acknowledgement after each, and a disk that takes nothing."""

from __future__ import annotations

import logging
import sqlite3
import uuid
from collections.abc import Mapping, Sequence
from datetime import datetime

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.mqtt import Incoming
from hatchmon.adapters.push import Letter
from hatchmon.adapters.store import Store, to_us
from hatchmon.adapters.store.dbfile import is_damage
from hatchmon.app.intake import KEPT_DELIVERIES
from hatchmon.app.outside import Outside
from hatchmon.app.pending import Pending
from hatchmon.app.settings import Settings
from hatchmon.app.storage import Disk, tidy_up
from hatchmon.app.window import Window
from hatchmon.hatchery.alerts import REPEAT_FLOOR, URGENCY, Standing
from hatchmon.hatchery.storage import refused_words
from hatchmon.hatchery.types import Alert
from hatchmon.hatchery.wording import Voice

log = logging.getLogger(__name__)

BRIEF_S = 2.0  # real seconds that whatever comes waits for company in its transaction
RETRY_S = 5.0
UNSTORED_AFTER_S = 20.0
FOLD_S = 1200.0
FOLD_READINGS = 2000  # that a reader has to look through, and a start to bring in


Standings = Mapping[tuple[str, str], Standing]
"""What has been said, by (kind, scope)."""


class Recorder:
    """Stores what is ``pending``; what the disk would not take stays pending, and is tried again."""

    def __init__(
        self, settings: Settings, store: Store, clock: Clock, outside: Outside, voice: Voice
    ) -> None:
        self.pending = Pending()
        self.window = Window(settings.broker.receive_maximum)
        self.disk = Disk(settings.store.path)
        self.trouble: str | None = None
        """Why the last transaction failed, or None."""
        self.committed: datetime | None = None
        self.unstored: tuple[Letter, ...] = ()
        """Letters of what the disk would not take, to be sent from here."""
        self._settings = settings
        self._store = store
        self._clock = clock
        self._outside = outside
        self._voice = voice
        second = settings.push.second
        self._addresses = (len(settings.push.to), 0 if second is None else len(second.to))
        self._gather_s = min(settings.store.gather_s, clock.real_seconds(settings.store.gather_s))
        self._fold_s = min(FOLD_S, clock.real_seconds(FOLD_S))
        self._fold_from: float | None = None
        """Since when there is something that only a transaction can store, though it is in no hurry."""
        self._saved_mono = float("-inf")
        self._retry_mono: float | None = None
        self._refused: str | None = None
        self._trouble_since: tuple[datetime, float] | None = None
        self._told_unstored_mono = float("-inf")
        self._letters_made = 0

    @property
    def stuck(self) -> bool:
        """Whether the database would not have something, and has not been written since."""
        return self._retry_mono is not None

    def rests(self, mono: float) -> bool:
        """Whether the database is in trouble, and not to be tried again yet."""
        return self._retry_mono is not None and mono < self._retry_mono

    @property
    def sound(self) -> bool:
        """Whether what was to be stored last has been stored, or cannot be because the disk takes nothing: a
        new process would fare no better with that, and the keeper is told."""
        return self.trouble is None or self._refused is not None

    def due_in_s(self) -> float:
        """Real seconds until what is pending should be stored: in as few transactions as can be."""
        pending, mono = self.pending, self._clock.monotonic()
        if pending.urgent:
            return 0.0
        if pending.since_mono is None:
            return self._fold_due_in_s()
        waits_s = max(
            min(BRIEF_S, self._settings.store.gather_s) - self._real_s(mono - pending.since_mono),
            self._gather_s - self._real_s(mono - self._saved_mono),
        )
        return min(waits_s, self.window.due_in_s(len(pending), self._real_s(mono)), self._fold_due_in_s())

    def _fold_due_in_s(self) -> float:
        if self._fold_from is None:
            return float("inf")
        return self._fold_s - self._real_s(self._clock.monotonic() - self._fold_from)

    def may_wait(self) -> None:
        """Something has been added that need not be stored soon: it is known again, or asked for again."""
        if self._fold_from is None:
            self._fold_from = self._clock.monotonic()

    def save(self, standings: Standings) -> bool:
        """Have what is pending on disk: in the spool what it takes, anything else in a transaction. Then
        acknowledge; False when it failed."""
        pending, now = self.pending, self._clock.now()
        readings, news, messages = len(pending.readings), bool(pending.forecasts), pending.messages
        if (
            standings
            or not pending.may_be_spooled
            or self._fold_due_in_s() <= 0.0
            or len(pending.safe) + readings >= FOLD_READINGS
        ):
            return self.commit(standings)
        try:
            pending.spool(self._store, now)
        except (OSError, sqlite3.Error) as error:
            log.warning("the spool cannot be written: %s", error)
            return self.commit(standings)
        self.may_wait()
        self._saved(messages, now)
        if readings or news:
            self._outside.wake_series()
        return True

    def commit(self, standings: Standings) -> bool:
        """Store all that is pending, and ``standings``, in one transaction, then acknowledge; False when it
        failed."""
        pending, store, now = self.pending, self._store, self._clock.now()
        try:
            with store.atomic():
                pending.write(store, now, *self._addresses, KEPT_DELIVERIES)
                for key, standing in standings.items():
                    store.keep_standing(*key, standing)
        except sqlite3.Error as error:
            self.stumble(error)
            return False
        store.clear_spool()
        self.trouble = self._retry_mono = self._fold_from = None
        self._refused = self._trouble_since = None
        self.pending = Pending()
        self._saved(pending.messages, now)
        for reply in pending.replies:
            self._outside.publish(*reply, qos=1)
        if pending.alerts:
            self._outside.wake_push()
        if pending.readings or pending.forecasts or pending.alerts:
            self._outside.wake_series()
        return True

    def _saved(self, messages: Sequence[Incoming], now: datetime) -> None:
        self.committed, self._saved_mono = now, self._clock.monotonic()
        for message in messages:
            self._outside.acknowledge(message)
        if messages:
            self.window.answered(len(messages), self._real_s(self._saved_mono))

    def tidy_up(self) -> None:
        """Do the housekeeping of the database, when it is worth it."""
        try:
            tidy_up(self._settings, self._store, self.disk, self._clock.now())
        except sqlite3.Error as error:
            self.stumble(error)

    def stumble(self, error: sqlite3.Error) -> None:
        """The database would not do something. Raises ``error`` when that is because it is damaged."""
        if is_damage(error):
            raise error
        self.trouble = str(error)
        self._refused = self.disk.refusal()
        if self._trouble_since is None:
            self._trouble_since = self._clock.now(), self._clock.monotonic()
        self._retry_mono = self._clock.monotonic() + RETRY_S / max(self._real_s(1.0), 1e-9)
        log.error("the database cannot be written (%s); trying again in %g s", error, RETRY_S)

    def tell_unstored(self) -> None:
        """Send word, from memory, of a disk that takes nothing; once, and not for a hiccup."""
        now, mono = self._clock.now(), self._clock.monotonic()
        if self._refused is None or self._trouble_since is None:
            return
        since, since_mono = self._trouble_since
        again_s = REPEAT_FLOOR.total_seconds()
        if self._real_s(mono - since_mono) < UNSTORED_AFTER_S or mono - self._told_unstored_mono < again_s:
            return
        self._told_unstored_mono = mono
        title, body = refused_words(self._refused, since, now, self._voice)
        urgency = self._settings.alerts.urgency.get("storage", URGENCY["storage"])
        alert = Alert("storage", f"refused {to_us(since)}", None, urgency, title, body, now)
        log.error("alert %s: %s", alert.kind, alert.title)
        for address in range(len(self._settings.push.to)):
            self._letters_made += 1
            self.unstored += (Letter(-self._letters_made, address, title, body, 0, uuid.uuid4().hex),)
        self.pending.told.append(alert)
        self._outside.wake_push()

    def sent(self, letter_id: int) -> None:
        """One of the ``unstored`` letters has gone."""
        self.unstored = tuple(each for each in self.unstored if each.letter_id != letter_id)

    def _real_s(self, shown_s: float) -> float:
        return self._clock.real_seconds(shown_s)

"""What the next transaction will hold."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from hatchmon.adapters.mqtt import Incoming
from hatchmon.adapters.push import Begun, Delivered, Failed
from hatchmon.adapters.series import SetAside
from hatchmon.adapters.store import NewReading, Store, to_us
from hatchmon.hatchery.types import Alert, Forecast, Verdict

log = logging.getLogger(__name__)

DAILY = "daily"
"""The kind of the message of the day, which is no alert but goes the same way."""
GIVE_UP_AFTER = timedelta(days=2)
"""A letter that no service took for so long will not be taken, and is old news."""


@dataclass(frozen=True, slots=True)
class NewRequest:
    """A request that came over MQTT; ``ref``: the number or name that its sender gave it."""

    made: datetime
    by: str
    body: dict[str, Any]
    answer_to: str
    ref: str | None


@dataclass(slots=True)
class Pending:
    """Gathered by the engine, written all at once; ``urgent`` things do not wait for company.

    ``readings`` are keyed by (stream, time in us). Once all is stored, ``messages`` are acknowledged and
    ``replies``, (topic, payload), published. What is ``safe`` is in the spool.
    """

    readings: dict[tuple[int, int], NewReading] = field(default_factory=dict)
    safe: dict[tuple[int, int], NewReading] = field(default_factory=dict)
    revisions: list[tuple[int, datetime, Verdict]] = field(default_factory=list)
    rejected: list[tuple[datetime, str, bytes, str]] = field(default_factory=list)
    requests: list[NewRequest] = field(default_factory=list)
    replies: list[tuple[str, bytes]] = field(default_factory=list)
    messages: list[Incoming] = field(default_factory=list)
    forecasts: list[tuple[int, Forecast]] = field(default_factory=list)
    safe_forecasts: list[tuple[int, Forecast]] = field(default_factory=list)
    alerts: list[tuple[Alert, datetime]] = field(default_factory=list)  # and not to be sent before
    told: list[Alert] = field(default_factory=list)  # sent already, from memory
    seconds: list[tuple[int, datetime]] = field(default_factory=list)  # alert_id, and not to be sent before
    overtaken: list[tuple[tuple[str, ...], str]] = field(default_factory=list)
    letters: list[Begun | Delivered | Failed] = field(default_factory=list)
    set_aside: list[SetAside] = field(default_factory=list)
    cursors: dict[str, int] = field(default_factory=dict)  # by feed, how far it has been forwarded
    deliveries: list[int] = field(default_factory=list)
    safe_deliveries: list[int] = field(default_factory=list)
    alive: datetime | None = None  # a sign of life, to tell later how long we were off
    urgent: bool = False
    since_mono: float | None = None

    def __len__(self) -> int:
        """How much waits that somebody outside waits for."""
        return len(self.messages) + len(self.letters) + len(self.set_aside)

    @property
    def may_be_spooled(self) -> bool:
        """Whether only what the spool takes cannot wait for the next transaction."""
        return not (
            self.urgent or self.revisions or self.rejected or self.requests or self.replies or self.alerts
            or self.told or self.seconds or self.overtaken or self.letters or self.set_aside
        )  # fmt: skip

    def spool(self, store: Store, now: datetime) -> None:
        """Put what cannot wait into the spool; the messages may be acknowledged then. Raises OSError."""
        if self.readings or self.forecasts or self.deliveries or self.alive is not None:
            store.put_in_spool(
                list(self.readings.values()), self.forecasts, self.deliveries, self.alive, self.cursors, now
            )
        self.safe |= self.readings
        self.safe_forecasts += self.forecasts
        self.safe_deliveries += self.deliveries
        self.readings, self.forecasts, self.deliveries, self.alive = {}, [], [], None
        self.messages, self.since_mono = [], None

    def held(self, stream_id: int, time_us: int) -> NewReading | None:
        """The reading of that stream and time, if it is here."""
        key = stream_id, time_us
        return self.readings.get(key) or self.safe.get(key)

    def note(self, mono: float) -> None:
        """Something has been added at ``mono``."""
        if self.since_mono is None:
            self.since_mono = mono

    def revise(self, stream_id: int, time: datetime, time_us: int, verdict: Verdict) -> None:
        """Change the verdict on an earlier reading, stored or not."""
        held = self.held(stream_id, time_us)
        if held is None:
            self.revisions.append((stream_id, time, verdict))
        else:
            self.readings[(stream_id, time_us)] = held._replace(verdict=verdict)

    def write(self, store: Store, now: datetime, addresses: int, seconds: int, keep_deliveries: int) -> None:
        """Write everything, inside the caller's transaction; there are so many ``addresses`` that hear of
        every alert, and ``seconds`` that hear of those nobody has seen."""
        store.add_readings(list((self.safe | self.readings).values()))
        for stream_id, time, verdict in self.revisions:
            store.revise(stream_id, time, verdict)
        for rejected in self.rejected:
            store.add_rejected(*rejected)
        store.add_deliveries(self.safe_deliveries + self.deliveries, keep_deliveries)
        for asked in self.requests:
            store.ask(asked.body, asked.by, asked.made, asked.answer_to, asked.ref)
        for batch_id, forecast in self.safe_forecasts + self.forecasts:
            store.add_forecast(batch_id, forecast)
        for kinds, scope in self.overtaken:
            store.overtake(kinds, scope, now)
        for alert, not_before in self.alerts:
            if alert.kind == DAILY:
                store.withdraw_letters_of(DAILY)
            store.add_alert(alert, addresses, not_before)
        for alert in self.told:
            store.add_alert(alert, 0, alert.raised)
        for alert_id, not_before in self.seconds:
            store.tell_second(alert_id, [-1 - number for number in range(seconds)], not_before, now)
        for letter in self.letters:
            if isinstance(letter, Begun):
                store.letter_begun(letter.letter_id)
            elif isinstance(letter, Delivered):
                store.letter_sent(letter.letter_id)
            elif store.letter_failed(letter.letter_id, letter.reason, letter.doubt, now - GIVE_UP_AFTER):
                log.error("letter %d given up after %s: %s", letter.letter_id, GIVE_UP_AFTER, letter.reason)
        for line in self.set_aside:
            store.add_series_refused(line.feed, line.cursor, line.line, line.reason)
        for feed, up_to in self.cursors.items():
            store.set_series_cursor(feed, up_to)
        store.date_changes(now)
        if self.alive is not None:
            store.set_meta("alive_us", str(to_us(self.alive)))
        store.note_folded()

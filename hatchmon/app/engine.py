"""The engine: one thread's worth of state between what comes in and what is stored and said.

Nothing is acknowledged, published or pushed before the transaction that holds it has committed.
"""

from __future__ import annotations

import hashlib
import json
import logging
import re
import sqlite3
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Protocol

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.mqtt import Incoming, LinkDown, LinkUp, SubscriptionRefused
from hatchmon.adapters.push import Delivered, Failed
from hatchmon.adapters.series import Forwarded, SeriesTrouble, SeriesWell, SetAside
from hatchmon.adapters.store import NewReading, Store, Stream, from_us, to_us
from hatchmon.app import state
from hatchmon.app.record import Water, forecast_of, note_water, thresholds_of, watch_batch, water_of
from hatchmon.app.requests import carry_out
from hatchmon.app.settings import Settings
from hatchmon.hatchery.alerts import (
    STAGES,
    URGENCY,
    AlertBook,
    Fact,
    Quiet,
    Rules,
    back_words,
    batch_scope,
    doubt_facts,
    silent_facts,
    stage_facts,
    water_facts,
)
from hatchmon.hatchery.payload import Sample, Unreadable, read_payload
from hatchmon.hatchery.probes import Judge
from hatchmon.hatchery.types import Alert, Batch, Forecast, Quantity, Refused, Verdict
from hatchmon.hatchery.units import UNITS, to_inner
from hatchmon.hatchery.watch import BatchWatch
from hatchmon.hatchery.wording import Voice

log = logging.getLogger(__name__)

DEFAULT_ROOT = "hatchery"
_CONE = re.compile(r"[A-Za-z0-9_-]{1,32}")
MOST_CONES = 2000
KEPT_PAYLOAD = 4096

TICK_S = 60.0
LINGER_S = 2.0  # real seconds a reading may wait for company in its transaction
GROUP = 16  # below any broker's default window (Mosquitto: 20), so that a full window never waits
RETRY_S = 5.0
POLL_S = 0.5
MOST_PENDING = 5000
STEP_S = 120.0
OFF_AFTER = timedelta(minutes=10)
WAITED_AFTER = timedelta(seconds=60)
MARK_WAIT_S = 30.0
REISSUE = timedelta(minutes=30)
MOVED_H = 0.05


class Outside(Protocol):
    """What the engine asks of the threads around it."""

    def acknowledge(self, message: Incoming) -> None: ...
    def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 0) -> bool: ...
    def wake_push(self) -> None: ...
    def wake_series(self) -> None: ...


class Nobody:
    """No threads around: the command line carrying out a request while no daemon runs."""

    def acknowledge(self, message: Incoming) -> None: ...
    def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 0) -> bool:
        return False

    def wake_push(self) -> None: ...
    def wake_series(self) -> None: ...


@dataclass(slots=True)
class _Heard:
    """A stream with its judge and the newest time stored for it."""

    stream: Stream
    judge: Judge
    newest_us: int


@dataclass(slots=True)
class ConeState:
    """What the engine knows of one cone now. ``water``: newest usable (value, time) by quantity."""

    name: str
    water: Water = field(default_factory=dict)
    watch: BatchWatch | None = None
    forecast: Forecast | None = None
    issued: Forecast | None = None


@dataclass(frozen=True, slots=True)
class _Route:
    """Where the value of a topic belongs."""

    cone: str
    quantity: Quantity
    unit: str
    value_pointer: str | None = None
    time_pointer: str | None = None


@dataclass(slots=True)
class _Pending:
    """What the next transaction will hold."""

    readings: dict[tuple[int, int], NewReading] = field(default_factory=dict)
    revisions: list[tuple[int, datetime, Verdict]] = field(default_factory=list)
    rejected: list[tuple[datetime, str, bytes, str]] = field(default_factory=list)
    messages: list[Incoming] = field(default_factory=list)
    forecasts: list[tuple[int, Forecast]] = field(default_factory=list)
    alerts: list[Alert] = field(default_factory=list)
    overtaken: list[tuple[tuple[str, ...], str]] = field(default_factory=list)
    letters: list[Delivered | Failed] = field(default_factory=list)
    set_aside: list[SetAside] = field(default_factory=list)
    cursor: int | None = None
    urgent: bool = False
    since_mono: float | None = None

    def __len__(self) -> int:
        return len(self.messages) + len(self.letters) + len(self.set_aside) + (self.cursor is not None)


class Engine:
    """Owns the hatchery's state; every method is called from one thread."""

    def __init__(
        self, settings: Settings, store: Store, clock: Clock, outside: Outside | None = None
    ) -> None:
        self.settings = settings
        self.voice = Voice(settings.zone, settings.unit)
        self.trouble: str | None = None
        """Why the last transaction failed, or None."""
        self.broker: str = "not connected"
        self.refused_topics: dict[str, str] = {}
        self.series_trouble: str | None = None
        self.cones: dict[str, ConeState] = {}
        self.duplicates = 0
        self._store = store
        self._clock = clock
        self._alone = outside is None
        self._outside: Outside = outside or Nobody()
        self._routes: dict[str, list[_Route]] = {}
        for probe in settings.probes:
            self._routes.setdefault(probe.topic, []).append(
                _Route(
                    probe.cone, Quantity(probe.quantity), probe.unit, probe.value_pointer, probe.time_pointer
                )
            )
        alerts = settings.alerts
        self._rules = Rules(
            ready_soon_min=alerts.ready_soon_min,
            closing_min=alerts.closing_min,
            water_min=alerts.water_min,
            silent_min=alerts.silent_min,
            urgency={str(kind): urgency for kind, urgency in alerts.urgency.items()},
        )
        self._thresholds = thresholds_of(settings)
        self._quiet = None if settings.quiet is None else Quiet(settings.quiet.start, settings.quiet.end)
        self._heard: dict[tuple[str, Quantity, str, str], _Heard] = {}
        self._pending = _Pending()
        self._delivered: OrderedDict[str, None] = OrderedDict()
        self._live_link = 0
        self._mark = b""
        self._mark_until: float | None = None
        self._published: dict[str, bytes] = {}
        self._book = AlertBook(self._rules)
        self._began = clock.now()
        self._first_seq = store.next_seq()
        self._offset_s = self._began.timestamp() - clock.monotonic()
        self._data_version = -1
        self._ticked_mono: float | None = None
        self._polled_mono = float("-inf")
        self._retry_mono: float | None = None
        self._off_from: datetime | None = None
        self._load()

    # --- loading ------------------------------------------------------------------------------

    def _load(self) -> None:
        """Take everything from the database; what memory held of it is forgotten."""
        now = self._clock.now()
        self._book = AlertBook(self._rules, self._store.standings())
        self._delivered = OrderedDict.fromkeys(json.loads(self._store.meta("delivered", "[]")))
        self._heard.clear()
        for stream in self._store.streams():
            heard = self._hear(stream)
            past = self._store.recent(stream.stream_id, 20)
            heard.judge.remember(past, self._store.same_since(stream.stream_id))
            if past:
                heard.newest_us = to_us(past[-1][0])
        self.cones = {name: ConeState(name, water) for name, water in water_of(self._store).items()}
        for batch in self._store.batches("ended_us IS NULL"):
            self._watch(batch, now)
        alive_us = self._store.meta("alive_us")
        if (
            alive_us
            and now - from_us(int(alive_us)) > OFF_AFTER
            and any(c.watch for c in self.cones.values())
        ):
            self._off_from = from_us(int(alive_us))

    def _hear(self, stream: Stream) -> _Heard:
        heard = _Heard(stream, Judge(stream.quantity, stream.unit), -1)
        self._heard[(stream.cone, stream.quantity, stream.unit, stream.topic)] = heard
        return heard

    def _watch(self, batch: Batch, now: datetime) -> None:
        cone = self.cones.setdefault(batch.cone, ConeState(batch.cone))
        cone.watch = watch_batch(self._store, batch, now + timedelta(minutes=5))
        cone.issued = self._store.last_forecast(batch.batch_id)
        cone.forecast = None

    def _reload_cone(self, name: str) -> None:
        """A request has changed the record of a cone."""
        cone = self.cones.setdefault(name, ConeState(name))
        ended = cone.watch.batch if cone.watch is not None else None
        cone.watch = cone.forecast = cone.issued = None
        for batch in self._store.batches("cone = ? AND ended_us IS NULL", name):
            self._watch(batch, self._clock.now())
        if ended is not None and (cone.watch is None or cone.watch.batch.batch_id != ended.batch_id):
            self._book.forget(batch_scope(ended))
            self._pending.overtaken.append((tuple(URGENCY), batch_scope(ended)))
        for stream in self._store.streams():
            if stream.cone == name and not stream.topic:
                for time, raw, _ in self._store.recent(stream.stream_id, 1):
                    note_water(cone.water, stream.quantity, to_inner(raw, stream.unit), time)

    # --- what comes in ------------------------------------------------------------------------

    def take(self, item: object) -> None:
        """Take one thing out of the inbox; unknown things are a programming error and are logged."""
        if isinstance(item, Incoming):
            self._check_clock(item.received, item.received_mono)
            self._take_message(item)
        elif isinstance(item, LinkUp):
            self._link_up(item)
        elif isinstance(item, LinkDown):
            self.broker = item.reason
            log.warning("broker: %s", item.reason)
        elif isinstance(item, SubscriptionRefused):
            self.refused_topics[item.topic] = item.reason
            log.error("broker refuses topic %s: %s", item.topic, item.reason)
        elif isinstance(item, Delivered | Failed):
            self._pending.letters.append(item)
            self._pending.urgent = True
        elif isinstance(item, Forwarded):
            self._pending.cursor = item.up_to
            self._note_pending()
        elif isinstance(item, SetAside):
            self._pending.set_aside.append(item)
            self._note_pending()
        elif isinstance(item, SeriesTrouble):
            self.series_trouble = item.reason
            log.warning("series store: %s", item.reason)
        elif isinstance(item, SeriesWell):
            self.series_trouble = None
        else:
            log.error("nobody knows what to do with %r", item)

    def topics(self) -> list[str]:
        """The topic filters to subscribe to."""
        own = [self.mark_topic, *self._routes]
        return [*own, f"{DEFAULT_ROOT}/+/+"] if self.settings.default_topics else own

    @property
    def mark_topic(self) -> str:
        """Where the engine writes to itself to learn what waited in the broker's queue."""
        return f"hatchmon/{self.settings.site}/mark"

    def _link_up(self, up: LinkUp) -> None:
        self.broker = f"connected (MQTT {up.protocol})"
        self.refused_topics.clear()
        self._published.clear()
        self._outside.publish(state.availability_topic(self.settings.site), b"online", retain=True, qos=1)
        if up.session_present:
            # What the broker had queued for us comes before this mark, what is fresh comes after.
            self._mark = f"{up.link}-{to_us(self._clock.now())}".encode()
            self._mark_until = self._clock.monotonic() + MARK_WAIT_S
            self._outside.publish(self.mark_topic, self._mark, qos=1)
        self._live_link = -up.link if up.session_present else up.link
        self._publish_states()
        log.info("broker: %s", self.broker)

    def _take_message(self, message: Incoming) -> None:
        if message.topic == self.mark_topic:
            if message.payload == self._mark:
                self._live_link, self._mark_until = message.link, None
            self._settle(message)
            return
        if message.qos == 0 and len(self._pending) > MOST_PENDING:
            return
        key = _delivery_key(message)
        if message.dup and key in self._delivered:
            self.duplicates += 1
            self._settle(message)
            return
        for mapped in self._routes.get(message.topic) or (None,):
            try:
                found = mapped or self._default_route(message.topic)
                sample = read_payload(message.payload, found.value_pointer, found.time_pointer)
                self._take_sample(found, sample, message)
            except Unreadable as why:
                self._pending.rejected.append(
                    (message.received, message.topic[:1024], message.payload[:KEPT_PAYLOAD], str(why))
                )
        if message.qos > 0:
            self._delivered[key] = None
            while len(self._delivered) > 2 * self.settings.broker.receive_maximum:
                self._delivered.popitem(last=False)
        self._settle(message)

    def _settle(self, message: Incoming) -> None:
        self._pending.messages.append(message)
        self._note_pending()

    def _note_pending(self) -> None:
        if self._pending.since_mono is None:
            self._pending.since_mono = self._clock.monotonic()

    def _default_route(self, topic: str) -> _Route:
        parts = topic.split("/")
        if len(parts) != 3 or parts[0] != DEFAULT_ROOT:
            raise Unreadable(f"the topic is not {DEFAULT_ROOT}/<cone>/<quantity> and not in the settings")
        _, cone, name = parts
        if not _CONE.fullmatch(cone):
            raise Unreadable("a cone's name has 1 to 32 letters, digits, '-' or '_'")
        if name not in Quantity.__members__.values():
            raise Unreadable(f"{name[:40]!r} is not a quantity; known: {', '.join(Quantity)}")
        quantity = Quantity(name)
        return _Route(cone, quantity, UNITS[quantity][0])

    def _take_sample(self, route: _Route, sample: Sample, message: Incoming) -> None:
        heard = self._heard.get((route.cone, route.quantity, route.unit, message.topic))
        if heard is None:
            if route.cone not in self.cones and len(self.cones) >= MOST_CONES:
                raise Unreadable(f"there are {MOST_CONES} cones already; map the probes in the settings")
            with self._store.atomic():
                heard = self._hear(
                    self._store.add_stream(
                        route.cone, route.quantity, route.unit, message.topic, message.received
                    )
                )
            self.cones.setdefault(route.cone, ConeState(route.cone))
        time = sample.time or message.received
        time_us = self._free_time(heard, to_us(time), sample)
        if time_us is None:
            self.duplicates += 1
            return
        time = from_us(time_us)
        # The broker's stored copy tells nothing of when it was sent, whatever link it came over.
        received_live = not message.retain and not self._waited(heard, message)
        judged = heard.judge.judge(
            sample.raw, time, message.received,
            retained=message.retain, dated=sample.time is not None or received_live,
        )  # fmt: skip
        heard.newest_us = max(heard.newest_us, time_us)
        stream_id = heard.stream.stream_id
        self._pending.readings[(stream_id, time_us)] = NewReading(
            stream_id, time_us, sample.raw, judged.verdict, "receipt" if sample.time is None else "probe"
        )
        for when, _, verdict in judged.revised:
            held = self._pending.readings.get((stream_id, to_us(when)))
            if held is not None:
                self._pending.readings[(stream_id, to_us(when))] = NewReading(
                    stream_id, held.time_us, held.raw, verdict, held.dated_by
                )
            else:
                self._pending.revisions.append((stream_id, when, verdict))
        usable = [(when, value) for when, value, verdict in judged.revised if verdict.usable]
        if judged.verdict.usable:
            usable.append((time, to_inner(sample.raw, route.unit)))
        self._use(route, usable, judged.verdict)

    def _use(self, route: _Route, usable: Iterable[tuple[datetime, float]], verdict: Verdict) -> None:
        cone = self.cones[route.cone]
        for time, value in usable:
            note_water(cone.water, route.quantity, value, time)
            if route.quantity is Quantity.TEMPERATURE and cone.watch is not None:
                cone.watch.add(time, value)
                cone.watch.suspect_since = time if verdict is Verdict.SUSPECT else None

    def _free_time(self, heard: _Heard, time_us: int, sample: Sample) -> int | None:
        """A microsecond of the stream not yet used; None when this very reading is stored already."""
        while time_us <= heard.newest_us:
            pending = self._pending.readings.get((heard.stream.stream_id, time_us))
            stored = pending.raw if pending else self._store.raw_at(heard.stream.stream_id, time_us)
            if stored is None:
                break
            if sample.time is not None and stored == sample.raw:
                return None
            time_us += 1
        return time_us

    def _waited(self, heard: _Heard, message: Incoming) -> bool:
        """Whether a message without a time of its own may have lain in the broker's queue for long."""
        if message.link == self._live_link:
            return False
        newest = heard.judge.newest
        usual = heard.judge.usual_interval
        return newest is None or message.received - newest > max(WAITED_AFTER, 3 * usual)

    # --- the turn of the loop ------------------------------------------------------------------

    def turn(self) -> None:
        """Do what is due: requests, the minute's forecasts and alerts, the transaction."""
        mono = self._clock.monotonic()
        self._check_clock(self._clock.now(), mono)
        if self._mark_until is not None and mono >= self._mark_until:
            self._live_link, self._mark_until = abs(self._live_link), None
        if self._retry_mono is not None and mono < self._retry_mono:
            return
        if self._ticked_mono is None or mono - self._ticked_mono >= TICK_S:
            self.tick()
        if self._commit_due():
            self.commit()
        if self._real_s(mono - self._polled_mono) >= POLL_S:
            self._polled_mono = mono
            self._poll_requests()

    def due_in_s(self) -> float:
        """Real seconds until something may be due."""
        mono = self._clock.monotonic()
        waits = [POLL_S]
        if self._ticked_mono is not None:
            waits.append(self._real_s(self._ticked_mono + TICK_S - mono))
        if self._pending.since_mono is not None:
            waits.append(LINGER_S - self._real_s(mono - self._pending.since_mono))
        return max(min(waits), 0.0)

    def _real_s(self, shown_s: float) -> float:
        return self._clock.real_seconds(shown_s)

    def _commit_due(self) -> bool:
        pending = self._pending
        if pending.urgent or len(pending) >= GROUP:
            return True
        return pending.since_mono is not None and (
            self._real_s(self._clock.monotonic() - pending.since_mono) >= LINGER_S
        )

    def commit(self) -> bool:
        """Store all that is pending in one transaction, then acknowledge; False when it failed."""
        pending, store, now = self._pending, self._store, self._clock.now()
        try:
            with store.atomic():
                store.add_readings(list(pending.readings.values()))
                for stream_id, time, verdict in pending.revisions:
                    store.revise(stream_id, time, verdict)
                for rejected in pending.rejected:
                    store.add_rejected(*rejected)
                for batch_id, forecast in pending.forecasts:
                    store.add_forecast(batch_id, forecast)
                for kinds, scope in pending.overtaken:
                    store.overtake(kinds, scope, now)
                for alert in pending.alerts:
                    store.add_alert(alert, len(self.settings.push.to), self._not_before(alert, now))
                for key in self._book.changed:
                    store.keep_standing(*key, self._book.standing[key])
                for letter in pending.letters:
                    if isinstance(letter, Delivered):
                        store.letter_sent(letter.letter_id)
                    else:
                        store.letter_failed(letter.letter_id, letter.reason)
                for line in pending.set_aside:
                    store.add_series_refused(line.cursor, line.line, line.reason)
                if pending.cursor is not None:
                    store.set_meta("series_cursor", str(pending.cursor))
                if pending.messages:
                    store.set_meta("delivered", json.dumps(list(self._delivered)))
        except sqlite3.Error as error:
            self.trouble = str(error)
            self._retry_mono = self._clock.monotonic() + RETRY_S / max(self._real_s(1.0), 1e-9)
            log.error("the database cannot be written (%s); trying again in %g s", error, RETRY_S)
            return False
        self.trouble, self._retry_mono = None, None
        self._pending = _Pending()
        self._book.changed.clear()
        for message in pending.messages:
            self._outside.acknowledge(message)
        if pending.alerts:
            self._outside.wake_push()
        if pending.readings:
            self._outside.wake_series()
        return True

    def _not_before(self, alert: Alert, now: datetime) -> datetime:
        quiet_until = None if self._quiet is None else self._quiet.ends(now, self.voice)
        return now if alert.urgency == "now" or quiet_until is None else quiet_until

    # --- forecasts and alerts -----------------------------------------------------------------

    def tick(self) -> None:
        """Forecast every running batch, raise what is to be raised, store and publish it.

        Alone (no daemon), only the forecasts: alerts are the daemon's to raise and to send.
        """
        now, mono = self._clock.now(), self._clock.monotonic()
        elapsed_s = 0.0 if self._ticked_mono is None else mono - self._ticked_mono
        self._ticked_mono = mono
        facts: list[Fact] = []
        before = {name: cone.issued for name, cone in self.cones.items()}
        for cone in self.cones.values():
            if cone.watch is not None:
                self._forecast(cone, cone.watch, now)
                facts += self._facts(cone, cone.watch.batch, now)
        if self._alone:
            self.commit()
            return
        if self._off_from is not None:
            self._pending.alerts.append(self._back(self._off_from, before, now))
            self._off_from = None
        for alert in self._book.update(now, elapsed_s, facts):
            log.info("alert %s: %s", alert.kind, alert.title)
            self._pending.alerts.append(alert)
            if alert.kind in STAGES:
                self._pending.overtaken.append((STAGES[: STAGES.index(alert.kind)], alert.scope))
        for kind, scope in self._book.changed:
            if not self._book.stands(kind, scope):
                self._pending.overtaken.append(((kind,), scope))
        if not self.commit():
            return
        try:
            with self._store.atomic():
                self._store.set_meta("alive_us", str(to_us(now)))
        except sqlite3.Error as error:
            self.trouble = str(error)
        self._outside.wake_push()  # quiet hours may have ended
        self._publish_states()

    def _forecast(self, cone: ConeState, watch: BatchWatch, now: datetime) -> None:
        new = forecast_of(watch, cone.water, now, self._thresholds)
        cone.forecast = new
        if cone.issued is None or _differs(cone.issued, new):
            cone.issued = new
            self._pending.forecasts.append((watch.batch.batch_id, new))

    def _facts(self, cone: ConeState, batch: Batch, now: datetime) -> list[Fact]:
        forecast = cone.forecast
        assert forecast is not None
        facts = stage_facts(batch, forecast, now, self._book, self._rules, self.voice)
        facts += doubt_facts(batch, forecast, self.voice)
        since, probed = self._silent_since(cone.name, now)
        facts += silent_facts(batch, since, now, self._rules, self.voice)
        water = cone.water.get(Quantity.TEMPERATURE)
        if water is not None and probed and since is None:
            band = self.settings.lots.get(batch.lot, self.settings.alerts)
            facts += water_facts(
                batch, water[0], (band.cold_c, band.warm_c), self._book, self._rules, self.voice
            )
        return facts

    def _silent_since(self, cone: str, now: datetime) -> tuple[datetime | None, bool]:
        """(since when no temperature probe of the cone is heard, whether it has one)."""
        judges = [
            heard.judge
            for heard in self._heard.values()
            if heard.stream.cone == cone
            and heard.stream.quantity is Quantity.TEMPERATURE
            and heard.stream.topic
            and heard.judge.newest is not None
        ]
        silences = [judge.silent_since(now) for judge in judges]
        if not judges or None in silences:
            return None, bool(judges)
        return max(since for since in silences if since is not None), True

    def _back(self, off_from: datetime, before: dict[str, Forecast | None], now: datetime) -> Alert:
        moved = [
            (cone.watch.batch, before[name], cone.forecast)
            for name, cone in self.cones.items()
            if cone.watch is not None and cone.forecast is not None
        ]
        title, body = back_words(off_from, now, moved, self.voice)
        urgency = self._rules.urgency.get("back", URGENCY["back"])
        return Alert("back", f"since {to_us(off_from)}", None, urgency, title, body, now)

    def _publish_states(self) -> None:
        now = self._clock.now()
        for name, cone in self.cones.items():
            body = state.cone_state(
                name, cone.water, cone.watch.batch if cone.watch else None, cone.forecast, now, self.voice
            )
            if self._published.get(name) != body and self._outside.publish(
                state.state_topic(self.settings.site, name), body, retain=True
            ):
                self._published[name] = body

    # --- requests -----------------------------------------------------------------------------

    def _poll_requests(self) -> None:
        version = self._store.data_version()
        if version != self._data_version:
            self._data_version = version
            self.carry_out_requests()

    def carry_out_requests(self) -> None:
        """Answer every open request, each in a transaction of its own."""
        for request in self._store.open_requests():
            if not self.commit():  # what was read before counts for what is asked now
                self._data_version = -1
                return
            now = self._clock.now()
            try:
                with self._store.atomic():
                    name, done = carry_out(self._store, request, self.voice)
                    self._reload_cone(name)
                    said = f"{done}{self._what_next(self.cones[name], now)}"
                    self._store.answer(request.request_id, True, {"text": said, "cone": name}, now)
            except Refused as why:
                self._store.answer(request.request_id, False, {"text": str(why)}, now)
                continue
            except sqlite3.Error as error:
                self.trouble = str(error)
                self._data_version = -1
                self._load()
                return
            self.tick()

    def _what_next(self, cone: ConeState, now: datetime) -> str:
        if cone.watch is None:
            return ""
        forecast = forecast_of(cone.watch, cone.water, now, self._thresholds)
        return " " + self.voice.ready(cone.watch.batch, forecast, now)

    # --- a clock that was wrong ---------------------------------------------------------------

    def _check_clock(self, now: datetime, mono: float) -> None:
        """Notice when the wall clock jumps against the steady one, and carry what it stamped along.

        The steady clock is right about how long ago things were, the new wall clock about the date.
        """
        offset_s = now.timestamp() - mono
        jump_s = offset_s - self._offset_s
        if abs(jump_s) < STEP_S:
            self._offset_s = offset_s
            return
        if not self.commit():
            return
        by = timedelta(seconds=jump_s)
        log.warning("the clock jumped by %s; times noted since the start move with it", by)
        with self._store.atomic():
            self._store.shift_times(self._first_seq, self._began, now - by, by)
        self._offset_s = offset_s
        self._began += by
        self._load()

    def close(self) -> None:
        """Store what is pending, so that nothing has to be sent again."""
        if self.commit():
            with self._store.atomic():
                self._store.set_meta("alive_us", str(to_us(self._clock.now())))


def _delivery_key(message: Incoming) -> str:
    digest = hashlib.blake2b(message.topic.encode() + b"\0" + message.payload, digest_size=8).hexdigest()
    return f"{message.mid}:{digest}"


def _differs(old: Forecast, new: Forecast) -> bool:
    """Whether ``new`` says something that ``old`` did not, or ``old`` is half an hour old."""
    if new.issued - old.issued >= REISSUE or new.issued < old.issued:
        return True
    if (old.trust, old.reasons, old.not_predicted) != (new.trust, new.reasons, new.not_predicted):
        return True
    for was, now in ((old.t90, new.t90), (old.opens, new.opens), (old.closes, new.closes)):
        if (was is None) != (now is None):
            return True
        if was is not None and now is not None:
            pairs = ((was.p10, now.p10), (was.p50, now.p50), (was.p90, now.p90))
            if any(abs(a - b) > MOVED_H for a, b in pairs):
                return True
    return False

"""From a message to a judged reading: where it belongs, when it was measured, whether it is a repeat."""

from __future__ import annotations

import hashlib
import re
from array import array
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.mqtt import Incoming, LinkUp
from hatchmon.adapters.store import NewReading, Store, Stream, from_us, to_us
from hatchmon.app.buttons import Buttons, request_topics
from hatchmon.app.pending import Pending
from hatchmon.app.settings import Settings
from hatchmon.hatchery.cone_list import MOST_CONES
from hatchmon.hatchery.payload import Sample, Unreadable, read_payload
from hatchmon.hatchery.probes import Judge
from hatchmon.hatchery.types import Quantity, Verdict
from hatchmon.hatchery.units import UNITS, to_inner

DEFAULT_ROOT = "hatchery"
_CONE = re.compile(r"[A-Za-z0-9_-]{1,32}")
KEPT_PAYLOAD = 4096
KEPT_TOPIC = 1024
WAITED_AFTER = timedelta(seconds=60)
MARK_WAIT_S = 30.0
MID_BITS = 16
KEPT_DELIVERIES = 10_000
"""How many of the newest messages a restart knows again. After lines that went dead, Mosquitto 2.0.11 leaves
several times the Receive Maximum unacknowledged."""

Use = Callable[[str, Quantity, datetime, float, Verdict], None]
"""Called with (cone, quantity, time, value in the unit used inside, verdict) for each usable reading."""


def mark_topic(settings: Settings) -> str:
    """Where the engine publishes a mark to itself."""
    return f"{settings.own_topics}/mark"


def topics_of(settings: Settings) -> list[str]:
    """The topic filters to subscribe to: of several hatchmons on a broker, each asks for its own cones."""
    topics = [mark_topic(settings), *dict.fromkeys(probe.topic for probe in settings.heard_probes)]
    topics += request_topics(settings)
    if settings.default_topics:
        cones = ["+"] if settings.share is None else settings.share.cones
        topics += [f"{DEFAULT_ROOT}/{cone}/+" for cone in cones]
    return topics


@dataclass(frozen=True, slots=True)
class _Route:
    """Where the value of a topic belongs."""

    cone: str
    quantity: Quantity
    unit: str
    value_pointer: str | None = None
    time_pointer: str | None = None


@dataclass(slots=True)
class _Heard:
    """A stream with its judge and the newest time stored for it."""

    stream: Stream
    judge: Judge
    newest_us: int


class Intake:
    """Reads and judges messages into a Pending; knows what was delivered and what waited in a queue."""

    def __init__(self, settings: Settings, store: Store, clock: Clock, use: Use) -> None:
        self.duplicates = 0
        """Messages and readings not stored because they were already."""
        self.late = 0
        """Readings that came out of order by too much to be used."""
        self._store = store
        self._clock = clock
        self._use = use
        self._looks_after = settings.looks_after
        self._mark_topic = mark_topic(settings)
        self._mark = b""
        self._mark_until: float | None = None
        self._live_link = 0
        self._routes: dict[str, list[_Route]] = {}
        for probe in settings.heard_probes:
            self._routes.setdefault(probe.topic, []).append(
                _Route(
                    probe.cone, Quantity(probe.quantity), probe.unit, probe.value_pointer, probe.time_pointer
                )
            )
        self._heard: dict[tuple[str, Quantity, str, str], _Heard] = {}
        # By topic not mapped, of those that have been heard.
        self._defaults: dict[str, tuple[_Route, _Heard]] = {}
        self._probes: dict[str, list[_Heard]] = {}  # by cone, the temperature probes in its water
        self._cones: set[str] = set()
        # By message id the newest delivery that bore it: a broker cannot have more of them open.
        self._delivered: array[int]
        self._doubtful: set[int]
        self._buttons = Buttons(settings, store, clock, self._cones)
        self.load()

    def load(self) -> None:
        """Take everything from the database; what memory held of it is forgotten."""
        self._cones.clear()
        self._cones.update(cone for cone in self._store.cones() if self._looks_after(cone))
        self._delivered, self._doubtful = array("Q", bytes(8 << MID_BITS)), set()
        for delivery in self._store.deliveries(KEPT_DELIVERIES):
            mid = delivery % (1 << MID_BITS)
            if self._delivered[mid]:  # the record does not tell which of the two is the newer one
                self._doubtful.add(self._delivered[mid])
            self._delivered[mid] = delivery
        self._heard.clear()
        self._probes.clear()
        self._defaults.clear()
        for stream in self._store.streams():
            if not self._looks_after(stream.cone):
                continue
            heard = self._hear(stream)
            past = self._store.recent(stream.stream_id, 20)
            heard.judge.remember(past, self._store.same_since(stream.stream_id))
            heard.newest_us = self._store.newest_us(stream.stream_id)

    def link_up(self, up: LinkUp) -> tuple[str, bytes] | None:
        """A connection stands; the (topic, mark) to publish, where the broker kept a queue for us.

        The mark comes back to us after what had been queued and before what is fresh.
        """
        if not up.session_present:
            self._live_link = up.link
            return None
        self._live_link = -up.link
        self._mark = f"{up.link}-{to_us(self._clock.now())}".encode()
        self._mark_until = self._clock.monotonic() + MARK_WAIT_S
        return self._mark_topic, self._mark

    def stop_waiting(self, mono: float) -> None:
        """Take messages as fresh although the mark has not come back, after a while."""
        if self._mark_until is not None and mono >= self._mark_until:
            self._live_link, self._mark_until = abs(self._live_link), None

    def take(self, message: Incoming, pending: Pending) -> None:
        """Put what a message says into ``pending``: readings with verdicts, or a rejection."""
        if message.topic == self._mark_topic:
            if message.payload == self._mark:
                self._live_link, self._mark_until = message.link, None
        elif message.dup and self._known(_delivery(message)):
            self.duplicates += 1
        elif (cone := self._buttons.cone_of(message.topic)) is not None:
            self._take_request(message, cone, pending)
        else:
            self._take_new(message, pending)
        pending.messages.append(message)
        pending.note(self._clock.monotonic())

    def _take_request(self, message: Incoming, cone: str, pending: Pending) -> None:
        try:
            if not self._buttons.take(message, cone, message.link == self._live_link, pending):
                self.duplicates += 1
        except Unreadable as why:
            self._reject(message, str(why), pending)
        # Somebody stands there and waits.
        pending.urgent = pending.urgent or bool(pending.requests or pending.replies)
        if message.qos > 0:
            self._remember(_delivery(message), pending, store=True)

    def _take_new(self, message: Incoming, pending: Pending) -> None:
        samples: list[tuple[_Route, _Heard, Sample]] = []
        reasons: list[str] = []
        known = self._defaults.get(message.topic)
        for mapped in (None,) if known else self._routes.get(message.topic) or (None,):
            try:
                route = known[0] if known else mapped or self._default_route(message.topic)
                sample = read_payload(message.payload, route.value_pointer, route.time_pointer)
                heard = known[1] if known else self._heard_on(route, message)
                samples.append((route, heard, sample))
                if mapped is None:
                    self._defaults[message.topic] = route, heard
            except Unreadable as why:
                reasons.append(str(why))
        # From here on nothing is asked of the database that it could refuse half way.
        delivery = _delivery(message) if message.qos > 0 else None
        for reason in reasons:
            self._reject(message, reason, pending)
        for route, heard, sample in samples:
            self._take_sample(route, heard, sample, message, delivery, pending)
        # A reading without a time of its own bears the delivery.
        if delivery is not None:
            self._remember(delivery, pending, all(sample.time for _, _, sample in samples))

    def _reject(self, message: Incoming, reason: str, pending: Pending) -> None:
        pending.rejected.append(
            (message.received, message.topic[:KEPT_TOPIC], message.payload[:KEPT_PAYLOAD], reason)
        )

    def _remember(self, delivery: int, pending: Pending, store: bool) -> None:
        """Keep what makes a delivery known when the broker repeats it; ``store``: nothing else will."""
        self._delivered[delivery % (1 << MID_BITS)] = delivery
        if store:
            pending.deliveries.append(delivery)

    def _known(self, delivery: int) -> bool:
        return self._delivered[delivery % (1 << MID_BITS)] == delivery or delivery in self._doubtful

    def _default_route(self, topic: str) -> _Route:
        parts = topic.split("/")
        if len(parts) != 3 or parts[0] != DEFAULT_ROOT:
            raise Unreadable(f"the topic is not {DEFAULT_ROOT}/<cone>/<quantity> and not in the settings")
        _, cone, name = parts
        if not _CONE.fullmatch(cone):
            raise Unreadable("a cone's name has 1 to 32 letters, digits, '-' or '_'")
        if not self._looks_after(cone):
            raise Unreadable(f"{cone} is not one of the cones of share.cones")
        if name not in Quantity.__members__.values():
            raise Unreadable(f"{name[:40]!r} is not a quantity; known: {', '.join(Quantity)}")
        quantity = Quantity(name)
        return _Route(cone, quantity, UNITS[quantity][0])

    def _take_sample(
        self,
        route: _Route,
        heard: _Heard,
        sample: Sample,
        message: Incoming,
        delivery: int | None,
        pending: Pending,
    ) -> None:
        stream_id = heard.stream.stream_id
        time_us = self._free_time(heard, to_us(sample.time or message.received), sample, pending)
        if time_us is None:
            self.duplicates += 1
            return
        time = from_us(time_us)
        # The broker's stored copy tells nothing of when it was sent, whatever link it came over.
        live = not message.retain and not self._waited(heard, message)
        judged = heard.judge.judge(
            sample.raw, time, message.received,
            retained=message.retain, dated=sample.time is not None or live,
        )  # fmt: skip
        self.late += judged.verdict is Verdict.LATE
        heard.newest_us = max(heard.newest_us, time_us)
        pending.readings[(stream_id, time_us)] = NewReading(
            stream_id,
            time_us,
            sample.raw,
            judged.verdict,
            "receipt" if sample.time is None else "probe",
            # A reading with a time of its own is known again by that.
            delivery if sample.time is None else None,
        )
        for when, value, verdict in judged.revised:
            pending.revise(stream_id, when, to_us(when), verdict)
            if verdict.usable:
                self._use(route.cone, route.quantity, when, value, verdict)
        if judged.verdict.usable:
            self._use(route.cone, route.quantity, time, to_inner(sample.raw, route.unit), judged.verdict)

    def _heard_on(self, route: _Route, message: Incoming) -> _Heard:
        """The stream of ``route``, made with its cone if it is new."""
        heard = self._heard.get((route.cone, route.quantity, route.unit, message.topic))
        if heard is None:
            if route.cone not in self._cones and len(self._cones) >= MOST_CONES:
                raise Unreadable(f"there are {MOST_CONES} cones already; map the probes in the settings")
            with self._store.atomic():
                stream = self._store.add_stream(
                    route.cone, route.quantity, route.unit, message.topic, message.received
                )
            heard = self._hear(stream)  # only now that it is stored for certain
        return heard

    def _hear(self, stream: Stream) -> _Heard:
        heard = _Heard(stream, Judge(stream.quantity, stream.unit), -1)
        self._heard[(stream.cone, stream.quantity, stream.unit, stream.topic)] = heard
        self._cones.add(stream.cone)
        if stream.quantity is Quantity.TEMPERATURE and stream.topic:
            self._probes.setdefault(stream.cone, []).append(heard)
        return heard

    def _free_time(self, heard: _Heard, time_us: int, sample: Sample, pending: Pending) -> int | None:
        """A microsecond of the stream not yet used; None when this very reading is stored already."""
        stream_id = heard.stream.stream_id
        while time_us <= heard.newest_us:
            held = pending.held(stream_id, time_us)
            stored = held.raw if held else self._store.raw_at(stream_id, time_us)
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

    def silent_since(self, cone: str, now: datetime) -> tuple[datetime | None, bool]:
        """(since when no temperature probe of the cone is heard, whether it has one)."""
        probes = self._probes.get(cone, ())
        judges = [heard.judge for heard in probes if heard.judge.newest is not None]
        silences = [judge.silent_since(now) for judge in judges]
        if not judges or None in silences:
            return None, bool(judges)
        return max(since for since in silences if since is not None), True


def _delivery(message: Incoming) -> int:
    """What makes a delivery the same one when the broker repeats it: a digest of what it says, then its id.

    47 bits: SQLite keeps it in six bytes.
    """
    said = message.topic.encode() + b"\0" + message.payload
    digest = int.from_bytes(hashlib.blake2b(said, digest_size=4).digest()) >> 1
    return digest << MID_BITS | message.mid

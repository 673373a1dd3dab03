"""``hatchmon onewire``: read this machine's DS18B20 probes and publish what they say."""

from __future__ import annotations

import json
import logging
import math
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.mqtt import Delivered, LinkDown, LinkUp, MqttLink
from hatchmon.adapters.notify import Notify
from hatchmon.adapters.onewire import NoReading, no_bus, probes_on, read_probe
from hatchmon.app.service import make_broker
from hatchmon.app.settings import OneWireProbe, Settings

log = logging.getLogger(__name__)

KEPT_S: Final = 3600.0
"""How long readings are kept for a broker that is away."""

FRESH_S: Final = 5.0
"""A reading this old at most may be dated on receipt."""

WINDOW: Final = 20
"""Readings on their way to the broker at a time; no more than paho sends without an answer."""

SLOW_S: Final = 30.0
"""A probe that takes longer hangs: a reading is 0.75 s, and driver and reader try a bad one again."""

LOOK_ROUND_S: Final = 60.0
POWER_ON_C: Final = 85.0
_TICK_S: Final = 1.0
_PARTING_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class Said:
    """One reading. ``mono``: when, on the clock's monotonic scale, so that a step of the clock between
    measuring and sending does no harm."""

    probe: str
    topic: str
    temp_c: float
    mono: float


@dataclass(slots=True)
class _Letter:
    said: Said
    payload: bytes | None = None


class Outbox:
    """Readings until the broker has them: in order, at most ``most``, the oldest dropped for the newest.

    ``write`` makes the payload, once: what is sent again is the same to the byte. What it will not write yet
    (None) waits and lets the rest pass.
    """

    def __init__(self, most: int, write: Callable[[Said], bytes | None]) -> None:
        self.dropped = 0
        self._most = most
        self._write = write
        self._waiting: deque[_Letter] = deque()
        self._sent: dict[tuple[int, int], _Letter] = {}

    def __len__(self) -> int:
        return len(self._waiting) + len(self._sent)

    def add(self, said: Said) -> None:
        """Keep a reading, if need be in place of the oldest."""
        self._waiting.append(_Letter(said))
        while len(self) > self._most and self._waiting:
            self._waiting.popleft()
            self.dropped += 1

    def send(self, link: int, deliver: Callable[[str, bytes, int], int | None]) -> None:
        """Hand over as many as may be on their way at a time."""
        undated: list[_Letter] = []
        while self._waiting and len(self._sent) < WINDOW:
            letter = self._waiting[0]
            if letter.payload is None:
                letter.payload = self._write(letter.said)
            if letter.payload is None:
                undated.append(self._waiting.popleft())
                continue
            mid = deliver(letter.said.topic, letter.payload, link)
            if mid is None:
                break
            self._sent[(link, mid)] = self._waiting.popleft()
        self._waiting.extendleft(reversed(undated))

    def delivered(self, answer: Delivered) -> Said | None:
        """Forget what the broker answered for; the reading, if it was one of ours."""
        letter = self._sent.pop((answer.link, answer.mid), None)
        return None if letter is None else letter.said

    def link_lost(self) -> None:
        """What is unanswered has to be sent again, before the rest."""
        self._waiting.extendleft(reversed(self._sent.values()))
        self._sent.clear()


def payload_of(said: Said, clock: Clock, is_set: bool) -> bytes | None:
    """JSON with the value, the time it was measured by the clock as it is now, and the probe.

    Unless the clock ``is_set`` the time is null, so that it is the daemon's to date; what was measured longer
    ago than ``FRESH_S`` has to wait for the clock (None).
    """
    age_s = max(0.0, clock.monotonic() - said.mono)
    if not is_set:
        if age_s > clock.real_seconds(FRESH_S):
            return None
        return json.dumps({"temp_c": said.temp_c, "time": None, "probe": said.probe}).encode()
    at = clock.now() - timedelta(seconds=age_s)
    text = at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return json.dumps({"temp_c": said.temp_c, "time": text, "probe": said.probe}).encode()


def lines_to_add(probe: str) -> str:
    """What maps a probe, for the keeper to copy."""
    return f'[[onewire.probes]]\nid = "{probe}"\ncone = "NAME OF THE CONE"\nquantity = "temperature"'


@dataclass(frozen=True, slots=True)
class _Failed:
    probe: str
    kind: str
    why: str
    bad_crc: int = 0


@dataclass(frozen=True, slots=True)
class _Read:
    said: Said
    bad_crc: int


@dataclass(slots=True)
class _Health:
    """How a mapped probe has been doing. ``trouble``: the kind of its last failure, empty when it reads."""

    busy_since: float | None = None
    heard: bool = False
    trouble: str = ""
    failures: int = 0


@dataclass(slots=True)
class Counts:
    """What has happened so far."""

    read: int = 0
    delivered: int = 0
    bad_crc: int = 0
    refused: int = 0


class OneWireService:
    """Everything that ``hatchmon onewire`` starts; ``stop``, from any thread, makes ``run`` return.

    Each probe is read in a thread of its own: a read that hangs holds up no other probe, nor the link.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        notify: Notify | None = None,
        *,
        slow_s: float = SLOW_S,
        first_wait_s: float = 1.0,
    ) -> None:
        onewire = settings.onewire
        self.counts = Counts()
        self._settings = settings
        self._clock = clock
        self._notify = notify or Notify()
        self._slow_s = slow_s
        self._wait_s = clock.real_seconds(onewire.every_s)
        self._stopping = threading.Event()
        self._inbox: queue.Queue[object] = queue.Queue(1000)
        # More than may be on its way, so that it is the oldest that are dropped.
        most = max(2 * WINDOW, math.ceil(KEPT_S / onewire.every_s) * len(onewire.probes))
        self._outbox = Outbox(most, lambda said: payload_of(said, clock, self._clock_is_set()))
        self._health = {probe.id: _Health() for probe in onewire.probes}
        self._link_number: int | None = None
        self._dropped_said = False
        self._refusals: dict[str, str] = {}
        self._unmapped: set[str] = set()
        self._look_round_at = 0.0
        broker = make_broker(settings)
        self._link = MqttLink(
            replace(broker, client_id=f"{broker.client_id}-onewire", keep_session=False),
            [],
            None,
            self._inbox,
            now=clock.now,
            monotonic=clock.monotonic,
            first_wait_s=first_wait_s,
            tell_delivered=True,
        )

    def stop(self) -> None:
        """Ask ``run`` to hand over what it can and return; safe in a signal handler."""
        self._stopping.set()

    def run(self, started: Callable[[], None] = lambda: None) -> None:
        """Read and publish until ``stop``; ``started`` is called once every part turns."""
        self._link.start()
        readers = [
            threading.Thread(target=self._read_on, args=(probe,), name=probe.id, daemon=True)
            for probe in self._settings.onewire.probes
        ]
        for reader in readers:
            reader.start()
        self._notify.ready()
        started()
        interval_s = self._notify.watchdog_interval_s
        next_sign_s = 0.0
        status = ""
        try:
            while not self._stopping.is_set():
                self._turn(_TICK_S)
                sound = self._link.alive and all(reader.is_alive() for reader in readers)
                if interval_s is not None and sound and time.monotonic() >= next_sign_s:
                    self._notify.watchdog()
                    next_sign_s = time.monotonic() + interval_s
                if (now := self.status()) != status:
                    status = now
                    self._notify.status(status)
        finally:
            self._notify.stopping()
            self._part()

    def _clock_is_set(self) -> bool:
        return self._settings.clock.wait_min == 0 or self._clock.synchronised() is not False

    def status(self) -> str:
        """One line on how it goes."""
        reading = sum(1 for health in self._health.values() if health.heard and not health.trouble)
        parts = [
            f"{reading} of {len(self._health)} probes read",
            "broker connected"
            if self._link_number is not None
            else f"no broker, {len(self._outbox)} waiting",
        ]
        parts += [f"{probe} {health.trouble}" for probe, health in self._health.items() if health.trouble]
        counts = self.counts
        for number, what in (
            (counts.bad_crc, "bad checksums"),
            (counts.refused, "readings refused by the broker"),
            (self._outbox.dropped, "readings dropped"),
        ):
            if number:
                parts.append(f"{number} {what}")
        return "; ".join(parts)

    # --- the probes' threads -------------------------------------------------------------------

    def _read_on(self, probe: OneWireProbe) -> None:
        devices = self._settings.onewire.path
        topic = self._settings.onewire_topic(probe)
        health = self._health[probe.id]
        due = time.monotonic()
        while not self._stopping.is_set():
            health.busy_since = time.monotonic()
            try:
                temp_c, bad_crc = read_probe(devices, probe.id)
                said: object = _Read(Said(probe.id, topic, temp_c, self._clock.monotonic()), bad_crc)
            except NoReading as why:
                said = _Failed(probe.id, why.fault, str(why), why.bad_crc)
            except Exception as error:
                log.exception("reading %s failed in an unforeseen way", probe.id)
                said = _Failed(probe.id, "unreadable", repr(error))
            health.busy_since = None
            self._inbox.put(said)
            due = max(due + self._wait_s, time.monotonic())
            self._stopping.wait(due - time.monotonic())

    # --- the main thread -----------------------------------------------------------------------

    def _turn(self, wait_s: float) -> None:
        try:
            self._take(self._inbox.get(timeout=wait_s))
            while True:
                self._take(self._inbox.get_nowait())
        except queue.Empty:
            pass
        for probe, health in self._health.items():
            since = health.busy_since
            if since is not None and time.monotonic() - since > self._slow_s and health.trouble != "slow":
                why = f"no answer for {self._slow_s:g} s; if it stays so: sudo reboot, and check the wiring"
                self._note_failure(_Failed(probe, "slow", why))
        if time.monotonic() >= self._look_round_at:
            self._look_round_at = time.monotonic() + LOOK_ROUND_S
            self._look_round()
        if self._link_number is not None:
            self._outbox.send(self._link_number, self._link.deliver)

    def _take(self, item: object) -> None:
        if isinstance(item, _Read):
            self._note_reading(item)
        elif isinstance(item, _Failed):
            self._note_failure(item)
        elif isinstance(item, Delivered):
            self._note_delivery(item)
        elif isinstance(item, LinkUp):
            self._link_number = item.link
            self._dropped_said = False
            log.info("the broker is connected; %d readings to send", len(self._outbox))
        elif isinstance(item, LinkDown):
            self._link_number = None
            self._outbox.link_lost()
            log.warning("no broker: %s", item.reason)

    def _note_reading(self, read: _Read) -> None:
        health = self._health[read.said.probe]
        self.counts.read += 1
        self.counts.bad_crc += read.bad_crc
        if health.trouble:
            log.info("%s is back after %d failures", read.said.probe, health.failures)
        health.heard, health.trouble, health.failures = True, "", 0
        dropped = self._outbox.dropped
        self._outbox.add(read.said)
        if self._outbox.dropped > dropped and not self._dropped_said:
            self._dropped_said = True
            log.error("no broker for too long: the oldest readings are dropped until it is back")

    def _note_failure(self, failed: _Failed) -> None:
        health = self._health[failed.probe]
        self.counts.bad_crc += failed.bad_crc
        health.failures += 1
        if health.trouble != failed.kind:
            health.trouble = failed.kind
            log.warning("%s: %s", failed.probe, failed.why)

    def _note_delivery(self, answer: Delivered) -> None:
        said = self._outbox.delivered(answer)
        if said is None:
            return
        if not answer.refused:
            self.counts.delivered += 1
            self._refusals.pop(said.topic, None)
            return
        # Sent again it would be refused again, and hold up the others.
        self.counts.refused += 1
        if self._refusals.get(said.topic) != answer.refused:
            self._refusals[said.topic] = answer.refused
            log.error("the broker refuses %s: %s; allow it in the broker's ACL", said.topic, answer.refused)

    def _look_round(self) -> None:
        found = set(probes_on(self._settings.onewire.path)) - set(self._health)
        for probe in sorted(found - self._unmapped):
            log.warning("%s is on the bus and not in the settings. Add:\n%s", probe, lines_to_add(probe))
        self._unmapped = found

    def _part(self) -> None:
        """Give the broker a moment for what is left, then say goodbye."""
        until = time.monotonic() + _PARTING_S
        while self._link_number is not None and len(self._outbox) and time.monotonic() < until:
            self._turn(0.1)
        if left := len(self._outbox):
            log.warning("%d readings were not sent: no broker took them", left)
        self._link.stop(1.5)


# --- hatchmon onewire --once ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Look:
    """What one probe says. ``temp_c`` is None when it says nothing, and ``problem`` why."""

    probe: str
    mapped: OneWireProbe | None
    temp_c: float | None = None
    problem: str = ""


@dataclass(slots=True)
class _Reader:
    look: Look
    done: threading.Event = field(default_factory=threading.Event)


def look_once(settings: Settings, slow_s: float = SLOW_S) -> list[Look]:
    """What every probe says, on the bus or in the settings; the mapped ones first."""
    onewire = settings.onewire
    mapped = {probe.id: probe for probe in onewire.probes}
    names = [*mapped, *(name for name in probes_on(onewire.path) if name not in mapped)]
    hangs = f"no answer for {slow_s:g} s"
    readers = [_Reader(Look(name, mapped.get(name), problem=hangs)) for name in names]

    def read(reader: _Reader) -> None:
        look = reader.look
        try:
            temp_c, _ = read_probe(onewire.path, look.probe)
            reader.look = replace(look, temp_c=temp_c, problem="")
        except NoReading as why:
            reader.look = replace(look, problem=str(why))
        reader.done.set()

    until = time.monotonic() + slow_s
    for reader in readers:
        threading.Thread(target=read, args=(reader,), daemon=True).start()
    for reader in readers:
        reader.done.wait(max(0.0, until - time.monotonic()))
    return [reader.look for reader in readers]


def looks_text(settings: Settings, looks: Sequence[Look]) -> str:
    """A line for each probe, what to add for those unmapped, or how to get a bus."""
    lines = []
    if trouble := no_bus(settings.onewire.path):
        lines.append(f"{trouble[0].upper()}{trouble[1:]}.")
    elif not looks:
        lines.append(
            "There is no DS18B20 on the bus. Check the wiring: data with its pull-up resistor, power, ground."
        )
    for look in looks:
        said = f"{look.temp_c:.3f} °C" if look.temp_c is not None else f"NO READING: {look.problem}"
        if look.temp_c == POWER_ON_C:
            said += " (what it says after power-up, before it has measured: check its power)"
        place = f"{look.mapped.cone} {look.mapped.quantity}" if look.mapped else "not in the settings"
        lines.append(f"{look.probe}  {place}: {said}")
    unmapped = [look.probe for look in looks if look.mapped is None]
    if unmapped:
        lines.append("\nTo publish them, add to the settings, with the name of the cone:")
        lines += [f"\n{lines_to_add(probe)}" for probe in unmapped]
    return "\n".join(lines)


def looks_json(settings: Settings, looks: Sequence[Look], now: datetime) -> list[dict[str, Any]]:
    """The same as data."""
    return [
        {
            "probe": look.probe,
            "cone": look.mapped.cone if look.mapped else None,
            "quantity": look.mapped.quantity.value if look.mapped else None,
            "topic": settings.onewire_topic(look.mapped) if look.mapped else None,
            "temp_c": look.temp_c,
            "problem": look.problem or None,
            "time": now.isoformat(),
        }
        for look in looks
    ]

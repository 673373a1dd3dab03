"""This process's share of the cones of a broker that several hatchmons share.

Each holds a claim on ``hatchmon/<site>/shares/<share>/claim/<holder>``, retained, on a connection of its
own, whose last will takes it away: a claim that stands is of a living process. One that starts publishes its
own and waits for it to come back. The broker puts all claims into one order, so whatever was claimed before
has come by then, and of two that start at once exactly one finds the other's before its own and gives way. It
has not yet opened its session then, so that no reading was taken or acknowledged. One that runs never gives
way.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import queue
import re
import secrets
import sqlite3
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.mqtt import Broker, Incoming, LinkDown, LinkUp, MqttLink, SubscriptionRefused
from hatchmon.adapters.store import Store
from hatchmon.app.settings import Settings
from hatchmon.hatchery.cone_list import NAME, NoCones, cones_of, written
from hatchmon.hatchery.payload import Unreadable
from hatchmon.hatchery.shares import LARGEST_CLAIM, Claim, conflict_of, not_ours_words, read_claim
from hatchmon.hatchery.types import Refused

log = logging.getLogger(__name__)

ECHO_WITHIN_S = 15.0
MOST_KEPT = 32
"""Claims of others that are remembered. What is in our way is noticed whatever else is claimed."""
AT_ONCE = 20
AGAIN_S = 2.0
ANSWER_WITHIN_S = 6.0
QUIET_S = 0.4
STANDS_S = 30.0
"""A rival that stays so long is told: one that gives way is gone by then."""
_INBOX = 500
_KEY = "shares"  # in the record: what others look after, by share
_HOLDER = re.compile(r"[0-9a-f]{8,32}")
_SHARE = re.compile(r"[a-z0-9_-]{1,32}")


def claims_topic(site: str, share: str = "+", holder: str = "+") -> str:
    """Where claims are published."""
    return f"hatchmon/{site}/shares/{share}/claim/{holder}"


def claimed_on(topic: str) -> tuple[str, str] | None:
    """(share, holder) of a topic of claims; None for any other."""
    parts = topic.split("/")
    if len(parts) != 6 or parts[2] != "shares" or parts[4] != "claim":
        return None
    if not _SHARE.fullmatch(parts[3]) or not _HOLDER.fullmatch(parts[5]):
        return None
    return parts[3], parts[5]


def check_ours(settings: Settings, store: Store, body: object) -> None:
    """Refuse a request for a cone that is another's; batches of a notebook teach every share."""
    if settings.share is None or not isinstance(body, dict) or body.get("do") == "import":
        return
    cone = body.get("cone")
    if not isinstance(cone, str) or not NAME.fullmatch(cone) or settings.looks_after(cone):
        return
    elsewhere = next((share for share, cones in neighbours(store).items() if cone in cones), None)
    raise Refused(not_ours_words(cone, settings.share.name, settings.share.cones, elsewhere))


def neighbours(store: Store) -> dict[str, list[str]]:
    """By share, the cones that others were last known to look after."""
    try:
        return {share: cones_of(entries) for share, entries in json.loads(store.meta(_KEY, "{}")).items()}
    except (ValueError, AttributeError, NoCones):
        return {}


def resting(settings: Settings, store: Store) -> list[str]:
    """Cones that are not ours and hold a batch in our record, which nobody follows any more."""
    running = store.batches("ended_us IS NULL")
    return sorted(batch.cone for batch in running if not settings.looks_after(batch.cone))


@dataclass(slots=True)
class _Rival:
    """What has been in our way, and since when (monotonic, s)."""

    words: str
    since: float


class ShareKeeper:
    """Claims our share and knows the others'. Every method is called from the engine's thread."""

    def __init__(self, settings: Settings, broker: Broker, store: Store, clock: Clock) -> None:
        assert settings.share is not None
        self.granted = False
        """Whether nobody was in our way when we came."""
        self._store = store
        self._clock = clock
        share, cones = settings.share.name, settings.share.names
        self._own = Claim(share, _holder(settings, store), cones, _minute(clock.now()))
        self._topic = claims_topic(settings.site, share, self._own.holder)
        self._whole_topic = f"hatchmon/{settings.site}/availability"
        self._others: dict[tuple[str, str], Claim] = {}
        self._whole = False
        self._said = b""
        self._said_mono = float("-inf")
        self._gone = False  # somebody has taken our claim away or overwritten it
        self._waits_since: float | None = None
        self._rival: _Rival | None = None
        self._changed = False  # what others claim
        self._inbox: queue.Queue[object] = queue.Queue(_INBOX)
        topics = (claims_topic(settings.site), self._whole_topic)
        self._link = MqttLink(
            # One holder is one connection, whose will is published before the next one's claim.
            replace(broker, client_id=f"hatchmon-{settings.own_name}.{self._own.holder}", keep_session=False),
            topics,
            (self._topic, b""),
            self._inbox,
            now=clock.now,
            monotonic=clock.monotonic,
            max_payload=LARGEST_CLAIM,
        )

    def start(self) -> None:
        """Begin to claim."""
        self._link.start()

    def wait(self, seconds: float, told: Callable[[LinkDown], None]) -> None:
        """Until the claim is granted or the broker is away, at most so long. Raises Refused as ``turn``."""
        deadline = time.monotonic() + seconds
        while not self.granted and time.monotonic() < deadline:
            if self.turn(told):
                return
            time.sleep(0.01)

    def turn(self, told: Callable[[LinkDown], None]) -> bool:
        """Take what has come; until the claim is granted ``told`` hears why there is no connection, and True
        means that there is none. Raises Refused where somebody else was there first, or nobody can tell."""
        away = False
        for _ in range(AT_ONCE):
            try:
                event = self._inbox.get_nowait()
            except queue.Empty:
                break
            if isinstance(event, Incoming):
                self._link.acknowledge(event)
                self._take(event)
            elif isinstance(event, LinkUp):
                self._waits_since = time.monotonic()
                self._claim()
            elif isinstance(event, LinkDown):
                self._waits_since = None
                self._others.clear()
                self._whole, self._changed = False, True
                if not self.granted:
                    away = True
                    told(event)
            elif isinstance(event, SubscriptionRefused) and not self.granted:
                raise Refused(self._no_say(f"refuses {event.topic} ({event.reason})"))
        now_mono = time.monotonic()
        if (
            not self.granted
            and self._waits_since is not None
            and now_mono - self._waits_since > ECHO_WITHIN_S
        ):
            raise Refused(self._no_say("does not give our claim back"))
        if self._gone and now_mono - self._said_mono >= AGAIN_S:
            self._claim()
        if self.granted and self._changed:
            self._changed = False
            self._look_around(now_mono)
            self._note()
        return away

    @property
    def rival(self) -> str | None:
        """What has been in our way for a while although we run, or None."""
        rival = self._rival
        stands = rival is not None and time.monotonic() - rival.since >= STANDS_S
        return rival.words if rival is not None and stands else None

    def stop(self, timeout: float) -> None:
        """Take the claim back and go."""
        self._link.publish(self._topic, b"", retain=True, qos=1)
        self._link.stop(timeout)

    # ------------------------------------------------------------------

    def _claim(self) -> None:
        self._said = self._own.text(secrets.token_hex(8))
        self._said_mono = time.monotonic()
        self._gone = False
        self._link.publish(self._topic, self._said, retain=True, qos=1)

    def _take(self, message: Incoming) -> None:
        if message.topic == self._whole_topic:
            self._whole, self._changed = message.payload == b"online", True
        elif message.topic == self._topic:
            if message.payload == self._said:
                self._echoed()
            elif not message.retain and self._waits_since is not None:
                self._gone = self.granted
        elif key := claimed_on(message.topic):
            self._hear(key, message.payload)

    def _hear(self, key: tuple[str, str], payload: bytes) -> None:
        """Somebody else's claim, or its end."""
        self._changed = True
        self._others.pop(key, None)
        if not payload:
            return
        try:
            claim = read_claim(*key, payload)
        except Unreadable as why:
            log.debug("the claim of share %s cannot be read: %s", key[0], why)  # hatchmon check shows it
            return
        if len(self._others) < MOST_KEPT or conflict_of(self._own, [claim], False) is not None:
            self._others[key] = claim
        if len(self._others) > 2 * MOST_KEPT:
            self._others.pop(next(iter(self._others)))

    def _echoed(self) -> None:
        """Our claim has come back: whatever was claimed before it, we know."""
        if self.granted:
            return
        rival = conflict_of(self._own, self._others.values(), self._whole)
        if rival is not None:
            raise Refused(rival)
        self.granted = True
        log.info("share %s claimed: %s", self._own.share, ", ".join(written(self._own.cones))[:500])

    def _look_around(self, now_mono: float) -> None:
        words = conflict_of(self._own, self._others.values(), self._whole)
        if words is None:
            self._rival = None
        elif self._rival is None or self._rival.words != words:
            self._rival = _Rival(words, now_mono)

    def _note(self) -> None:
        """Keep what others look after, for those who ask for one of their cones; of those away, the last."""
        before = neighbours(self._store)
        known = {claim.share: claim.cones for claim in self._others.values()}
        held = self._own.cones.union(*known.values())
        away = {share: frozenset(cones) - held for share, cones in before.items() if share not in known}
        kept = known | dict([(share, cones) for share, cones in away.items() if cones][:MOST_KEPT])
        if {share: frozenset(cones) for share, cones in before.items()} == kept:
            return
        try:
            with self._store.atomic():
                self._store.set_meta(
                    _KEY, json.dumps({share: written(kept[share]) for share in sorted(kept)})
                )
        except sqlite3.Error:
            self._changed = True  # the engine tells of it, which has more to store

    def _no_say(self, what: str) -> str:
        shares = self._topic.partition("/shares/")[0] + "/shares/#"
        return (
            f"The broker {what}, so nobody can tell whether another hatchmon has our cones. Let hatchmon's "
            f"user read and write {shares} and read {self._whole_topic} in the broker's access list "
            "(config/mosquitto-acl.example)."
        )


def claims_now(site: str, broker: Broker, clock: Clock, clear: str | None = None) -> list[Claim | str]:
    """The claims that stand, and of one that nobody can read its topic; without those of the share ``clear``,
    which are taken away, except where somebody living claims again. Raises Refused without a broker."""
    inbox: queue.Queue[object] = queue.Queue(_INBOX)
    own = replace(broker, client_id=f"{broker.client_id}-claims", keep_session=False)
    link = MqttLink(
        own, [claims_topic(site)], None, inbox,
        now=clock.now, monotonic=clock.monotonic, max_payload=LARGEST_CLAIM,
    )  # fmt: skip
    found: dict[str, bytes] = {}
    link.start()
    try:
        _gather(link, inbox, found, ANSWER_WITHIN_S, QUIET_S)
        cleared = [topic for topic in found if (key := claimed_on(topic)) is not None and key[0] == clear]
        for topic in cleared:
            link.publish(topic, b"", retain=True, qos=1)
        if cleared:
            _gather(link, inbox, found, AGAIN_S + 2.0 * QUIET_S, AGAIN_S + QUIET_S)
    finally:
        link.stop()
    claims: list[Claim | str] = []
    for topic, payload in sorted(found.items()):
        key = claimed_on(topic)
        try:
            claims.append(topic if key is None else read_claim(*key, payload))
        except Unreadable:
            claims.append(topic)
    return claims


def _gather(
    link: MqttLink, inbox: queue.Queue[object], found: dict[str, bytes], most_s: float, quiet_s: float
) -> None:
    """Take claims into ``found`` until none has come for so long. Raises Refused without a broker."""
    deadline = time.monotonic() + most_s
    until = deadline
    if link.connected:
        until = time.monotonic() + quiet_s
    while (wait := min(until, deadline) - time.monotonic()) > 0:
        try:
            event = inbox.get(timeout=wait)
        except queue.Empty:
            break
        if isinstance(event, LinkDown):
            raise Refused(f"the broker cannot be asked: {event.reason}")
        if isinstance(event, SubscriptionRefused):
            raise Refused(f"the broker refuses {event.topic} ({event.reason})")
        if isinstance(event, LinkUp):
            until = time.monotonic() + quiet_s
        if isinstance(event, Incoming):
            link.acknowledge(event)
            if event.payload and len(found) < 2 * MOST_KEPT:
                found[event.topic] = event.payload
            else:
                found.pop(event.topic, None)
    if not link.connected:
        raise Refused("the broker does not answer")


def _holder(settings: Settings, store: Store) -> str:
    """What only this process is: its record at its place, which one process at a time can hold."""
    token = store.meta("holder")
    if not token:
        token = secrets.token_hex(8)
        with store.atomic():
            store.set_meta("holder", token)
    place = f"{token} {os.uname().nodename} {settings.store.path.resolve()}"
    return hashlib.blake2b(place.encode(), digest_size=8).hexdigest()


def _minute(moment: datetime) -> str:
    return moment.isoformat(timespec="minutes")

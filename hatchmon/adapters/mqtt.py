"""The link to the MQTT broker: a network thread that only stamps, enqueues and reconnects.

Everything heard goes into one bounded inbox, in order: ``LinkUp``, ``LinkDown``, ``SubscriptionRefused``,
``Incoming`` and, where asked for, ``Delivered``. A QoS 1 message stays the broker's until
``MqttLink.acknowledge``; the session outlives the connection, so what arrives while we are away is
delivered later.

Source of the protocol: OASIS MQTT 5.0 (2019) and MQTT 3.1.1 (2014).
"""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import re
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from random import Random
from typing import Any, Final, Literal, NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.exception import MQTTException
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

SESSION_EXPIRY_S: Final = 7 * 24 * 3600
"""How long an MQTT 5 broker keeps our session, and the messages for it, after the connection ends."""

KEEPALIVE_S: Final = 30
"""Silence after which either side asks whether the other is there; the last will follows 1.5 times later."""

CONNECT_TIMEOUT_S: Final = 5.0
"""For TCP and TLS, per address of the broker."""

ANSWER_TIMEOUT_S: Final = 10.0
"""For the broker's answers to CONNECT and SUBSCRIBE."""

STEADY_S: Final = 30.0
"""A link that held this long starts the waiting times afresh; a shorter one counts as a failure."""

OFTEN: Final = 3
"""Losses of a short link in a row that are more than chance."""

PATIENCE_S: Final = 60.0
"""After the inbox was full: how long to wait for the acknowledgements of what was taken."""

FILTERS_AT_ONCE: Final = 100
"""Topic filters in one SUBSCRIBE or UNSUBSCRIBE: a few kilobytes, far below what any broker takes."""

_FULL_WAIT_S: Final = 1.0
_GOODBYE_S: Final = 1.0
_TICK_S: Final = 1.0
_SHORT_TICK_S: Final = 0.1

ASKING_AGAIN: Final = "reconnecting for messages that found our inbox full; none is lost"
"""Reason of a ``LinkDown`` that the link brought about itself."""

_LOST: Final = "the connection to the broker was lost"

# MQTT 5.0 section 2.4
_PROTOCOL_ERROR: Final = 0x82
_VERSION_UNSUPPORTED: Final = 0x84
_NOT_AUTHORISED: Final = 0x87
_SHUTTING_DOWN: Final = 0x8B
_KEEPALIVE_TIMEOUT: Final = 0x8D
_SESSION_TAKEN_OVER: Final = 0x8E
_REFUSALS: Final = {
    0x85: "it does not accept the client id",
    0x86: "wrong user name or password",
    _NOT_AUTHORISED: "this user may not connect (or the password is wrong or missing)",
    0x88: "it is not available now",
    0x89: "it is busy",
    0x8A: "it has banned this client",
    0x9F: "too many connections in a short time",
}

# X509_verify_cert_error_string(3): X509_V_ERR_...
_DISTRUST: Final = {
    9: "it is not valid yet; is this machine's clock right?",
    10: "it has run out; give the broker a new one, unless this machine's clock is wrong",
    62: "broker.host must be a name that the certificate bears",
    64: "broker.host must be an address that the certificate bears",
}
# RFC 8446 section 6.2, in OpenSSL's words
_ALERT: Final = re.compile(r"alert ([a-z0-9 ]+)")
_ALERTS: Final = {
    "certificate required": "wants a certificate from us: set broker.cert_file and broker.key_file",
    "handshake failure": "refuses TLS as we speak it; it may want a certificate (broker.cert_file)",
    "certificate expired": "refuses our certificate (broker.cert_file): it has run out; make a new one",
    "unknown ca": "refuses our certificate (broker.cert_file): it does not know the authority that made it",
    "certificate revoked": "refuses our certificate (broker.cert_file): it has been revoked",
    "bad certificate": "refuses our certificate (broker.cert_file)",
    "unsupported certificate": "refuses our certificate (broker.cert_file): it was not made for a client",
    "certificate unknown": "refuses our certificate (broker.cert_file)",
    "decrypt error": "refuses our certificate (broker.cert_file)",
}

_OTHER_PROTOCOL: Final = {
    MQTTProtocolVersion.MQTTv5: MQTTProtocolVersion.MQTTv311,
    MQTTProtocolVersion.MQTTv311: MQTTProtocolVersion.MQTTv5,
}
_PROTOCOL_NAMES: Final = {MQTTProtocolVersion.MQTTv5: "5", MQTTProtocolVersion.MQTTv311: "3.1.1"}

_log = logging.getLogger(__name__)


class Incoming(NamedTuple):
    """One message. ``link`` numbers the connection (1, 2, 3 ...) it came over.

    ``retain``: the broker's stored copy, of unknown age. ``dup``: the broker sent it before, which does not
    mean that it was dealt with. ``payload`` is cut to one byte more than the largest accepted.
    """

    topic: str
    payload: bytes
    qos: int
    retain: bool
    dup: bool
    mid: int
    link: int
    received: datetime
    received_mono: float


@dataclass(frozen=True, slots=True)
class LinkUp:
    """Connected, and every subscription answered. ``protocol`` is "5" or "3.1.1".

    ``session_present``: the broker had kept it. Messages of the same connection may come before this,
    above all those that waited.
    """

    link: int
    session_present: bool
    protocol: str


@dataclass(frozen=True, slots=True)
class LinkDown:
    """The connection ended, or could not be made: then ``link`` is the number it would have had.

    For attempts it comes once per ``reason``, until that changes.
    """

    link: int
    reason: str


@dataclass(frozen=True, slots=True)
class SubscriptionRefused:
    """The broker (or the protocol) does not allow this topic filter."""

    topic: str
    reason: str


@dataclass(frozen=True, slots=True)
class Delivered:
    """The broker's answer to what ``MqttLink.deliver`` gave the number ``mid``; ``refused`` says why not."""

    link: int
    mid: int
    refused: str = ""


@dataclass(frozen=True)
class Broker:
    """Where and as whom to connect. ``receive_maximum``: unacknowledged messages asked for at a time;
    ``keep_session``: whether the broker is to keep what comes while we are away; ``cert_file``: our own
    certificate, PEM, with its key in ``key_file`` or in the same file."""

    host: str
    port: int
    client_id: str
    username: str | None
    password: str | None = field(repr=False)
    tls: bool
    ca_file: Path | None
    receive_maximum: int = 200
    keep_session: bool = True
    cert_file: Path | None = None
    key_file: Path | None = None
    key_password: str | None = field(default=None, repr=False)


@dataclass(slots=True)
class _Connection:
    """One network connection or the attempt at it, with a paho client of its own.

    A client is never used twice, so an acknowledgement can never reach a later connection, where
    the same message id may stand for another message.
    """

    client: paho.Client
    link: int
    protocol: MQTTProtocolVersion
    heard: float
    accepted: float | None = None
    session_present: bool = False
    up: bool = False
    version_refused: bool = False
    unanswered: bool = False  # ended without a word to our CONNECT
    # Id of each SUBSCRIBE -> its topic filters; of each UNSUBSCRIBE -> none.
    subscribing: dict[int, Sequence[str]] = field(default_factory=dict)
    # Enqueued and not yet acknowledged, as (message id, when received): the broker uses its ids again.
    taken: set[tuple[int, float]] = field(default_factory=set)
    turned_away: float | None = None  # since when messages are left to the broker
    reason: str | None = None
    alert: str | None = None  # why the broker ended TLS, in OpenSSL's words
    tail: socket.socket | None = None  # the same TCP connection, to be closed after paho's own socket

    def ended_because(self, reason: str) -> None:
        """Keep the first reason: what follows it are its consequences."""
        if self.reason is None:
            self.reason = reason


class MqttLink:
    """Keeps a session with the broker for ever, in a thread of its own; see the module.

    ``topics`` are topic filters, subscribed at QoS 1; ``stale`` those that the session may still hold from
    before, to be given up. ``will`` is (topic, payload), retained, QoS 1.
    ``tell_delivered``: post a ``Delivered`` for each message published at QoS 1.
    ``now`` and ``monotonic`` stamp messages only; waiting is done in real seconds. Between attempts it
    waits a random share of ``first_wait_s``, doubled up to ``longest_wait_s``. It begins with
    ``first_protocol``, goes over to the other when the broker does not understand it, and stays with
    the one that worked.
    """

    def __init__(
        self,
        broker: Broker,
        topics: Sequence[str],
        will: tuple[str, bytes] | None,
        inbox: queue.Queue[object],
        *,
        now: Callable[[], datetime],
        monotonic: Callable[[], float],
        max_payload: int = 65536,
        random: Random | None = None,
        first_protocol: Literal["5", "3.1.1"] = "5",
        first_wait_s: float = 1.0,
        longest_wait_s: float = 60.0,
        tell_delivered: bool = False,
        stale: Sequence[str] = (),
    ) -> None:
        if not broker.client_id:
            raise ValueError("the broker needs a client_id: without one it keeps no session")
        self.dropped = 0
        """Messages not taken because the inbox was full: QoS 0 are lost, QoS 1 come again."""
        self._broker = broker
        self._topics = tuple(topics)
        self._stale = tuple(stale)
        self._will = will
        self._inbox = inbox
        self._now = now
        self._monotonic = monotonic
        self._max_payload = max_payload
        self._random = Random() if random is None else random
        self._first_wait_s = first_wait_s
        self._longest_wait_s = longest_wait_s
        self._tell_delivered = tell_delivered
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)
        # Of all below only `_connection` is read by other threads.
        self._connection: _Connection | None = None
        self._events: deque[object] = deque()  # waiting for room in the inbox
        self._links = 0
        self._failures = 0
        self._brief = 0
        self._last_reason: str | None = None
        older = first_protocol == "3.1.1"
        self._protocol = MQTTProtocolVersion.MQTTv311 if older else MQTTProtocolVersion.MQTTv5
        self._protocol_worked = False
        self._unanswered = 0

    # ------------------------------------------------------------------ for the engine

    def start(self) -> None:
        """Start to connect. RuntimeError when called twice."""
        self._thread.start()

    def stop(self, timeout: float = 2.0) -> None:
        """End the connection, in order if the broker lets us, and return within ``timeout`` seconds.

        What was published before still goes out first; what is unacknowledged stays with the broker.
        """
        self._stopping.set()
        connection = self._connection
        if connection is not None:
            with contextlib.suppress(OSError, ValueError):
                connection.client.disconnect()
        if self._thread.is_alive():
            self._thread.join(timeout)

    def acknowledge(self, message: Incoming) -> None:
        """Tell the broker that ``message`` is dealt with.

        Ignored when its connection has ended: the broker will deliver it again.
        """
        connection = self._connection
        if message.qos == 0 or connection is None or connection.link != message.link:
            return
        with contextlib.suppress(OSError, ValueError):
            connection.client.ack(message.mid, message.qos)
        # Only now: with nothing left the network thread may say goodbye, which must come after.
        connection.taken.discard((message.mid, message.received_mono))

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 0) -> bool:
        """Hand a message to the connection; False, and nothing kept, without one.

        ValueError for a topic with wildcards or a payload beyond MQTT's limit.
        """
        connection = self._connection
        if connection is None or connection.accepted is None:
            return False
        return connection.client.publish(topic, payload, qos, retain).rc == paho.MQTT_ERR_SUCCESS

    def deliver(self, topic: str, payload: bytes, link: int) -> int | None:
        """Publish at QoS 1 over connection ``link``; the number its ``Delivered`` will bear.

        None, and nothing kept, when that connection has ended.
        """
        connection = self._connection
        if connection is None or connection.accepted is None or connection.link != link:
            return None
        sent = connection.client.publish(topic, payload, 1)
        return sent.mid if sent.rc == paho.MQTT_ERR_SUCCESS else None

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us and the connection stands."""
        connection = self._connection
        return connection is not None and connection.accepted is not None

    @property
    def alive(self) -> bool:
        """Whether the network thread lives; false before ``start`` and after ``stop``."""
        return self._thread.is_alive()

    # ------------------------------------------------------------------ the network thread

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                wait_s = self._connect_once()
            except Exception:
                # Whatever it was, a monitor without a broker link is worth less than one that tries on.
                _log.exception("the MQTT link failed in an unforeseen way; trying again")
                wait_s = self._next_wait()
            self._stopping.wait(wait_s)
            # Without a reader there is no sense in a new connection, and its events would pile up.
            while not self._flush() and not self._stopping.wait(_SHORT_TICK_S):
                pass

    def _connect_once(self) -> float:
        """Connect, serve the connection to its end, report; return the seconds to wait before the next."""
        try:
            client = self._make_client()
        except (OSError, ValueError, MQTTException) as error:
            self._report_down(self._links + 1, f"the connection cannot be prepared: {error}")
            return self._next_wait()
        link = self._links + 1
        connection = _Connection(client, link, self._protocol, heard=time.monotonic())
        client.user_data_set(connection)
        self._connection = connection
        try:
            self._open(connection)
            if connection.reason is None:
                self._serve(connection)
        except Exception as error:
            _log.exception("the MQTT connection failed in an unforeseen way")
            connection.ended_because(f"internal error: {error!r}")
        finally:
            self._connection = None
            self._close(connection)
        return self._ended(connection)

    def _make_client(self) -> paho.Client:
        broker = self._broker
        five = self._protocol == MQTTProtocolVersion.MQTTv5
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            clean_session=None if five else not broker.keep_session,
            protocol=self._protocol,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.connect_timeout = CONNECT_TIMEOUT_S
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        if broker.tls:
            client.tls_set_context(_tls_context(broker))
            client.on_log = self._on_log
        if self._will is not None:
            client.will_set(self._will[0], self._will[1], qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_unsubscribe = self._on_unsubscribe
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect
        if self._tell_delivered:
            client.on_publish = self._on_publish
        # With this set, paho leaves all writing to our `loop`, whichever thread publishes or acknowledges.
        client.on_socket_register_write = _leave_to_loop
        return client

    def _open(self, connection: _Connection) -> None:
        """Make the TCP (and TLS) connection and send CONNECT; sets ``connection.reason`` if it cannot."""
        broker = self._broker
        try:
            if connection.protocol == MQTTProtocolVersion.MQTTv5:
                properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
                properties.SessionExpiryInterval = SESSION_EXPIRY_S if broker.keep_session else 0
                properties.ReceiveMaximum = broker.receive_maximum
                # No Maximum Packet Size: Mosquitto 2.0.11 then discards what is larger, and with each such
                # message loses a place of the Receive Maximum until nothing comes any more (tried).
                connection.client.connect(
                    broker.host,
                    broker.port,
                    KEEPALIVE_S,
                    clean_start=not broker.keep_session,
                    properties=properties,
                )
            else:
                connection.client.connect(broker.host, broker.port, KEEPALIVE_S)
        except (OSError, ValueError, MQTTException) as error:
            connection.ended_because(why_unreachable(error, broker.host, broker.port))
        else:
            opened = connection.client.socket()
            if opened is not None:
                connection.tail = socket.socket(fileno=os.dup(opened.fileno()))
        connection.heard = time.monotonic()

    def _serve(self, connection: _Connection) -> None:
        """Run the connection until it ends, or until it has to be ended."""
        client = connection.client
        goodbye: float | None = None
        while True:
            if self._stopping.is_set() and goodbye is None:
                # `stop` has sent DISCONNECT unless it came before there was a socket.
                goodbye = time.monotonic() + _GOODBYE_S
                if connection.accepted is None:
                    return
            busy = bool(self._events) or connection.turned_away is not None or goodbye is not None
            hurry = busy or not connection.up
            code = client.loop(_SHORT_TICK_S if hurry else _TICK_S)
            if code != paho.MQTT_ERR_SUCCESS or client.socket() is None:
                if connection.accepted is None and connection.reason is None:
                    if connection.alert is not None:
                        connection.ended_because(why_no_tls(connection.alert, "the broker"))
                    connection.unanswered = connection.reason is None
                    connection.ended_because("the broker closed the connection without an answer")
                connection.ended_because(_LOST)
                return
            self._flush()
            clock = time.monotonic()
            if goodbye is not None:
                if clock >= goodbye:
                    return
            elif not connection.up and clock - connection.heard > ANSWER_TIMEOUT_S:
                connection.unanswered = connection.accepted is None
                asked = "to connect" if connection.unanswered else "to subscribe"
                connection.ended_because(f"the broker did not answer our request {asked}")
                return
            elif self._may_ask_again(connection, clock):
                connection.ended_because(ASKING_AGAIN)
                client.disconnect()
                goodbye = clock + _GOODBYE_S

    def _may_ask_again(self, connection: _Connection, clock: float) -> bool:
        """Whether to reconnect now, for the messages that a full inbox turned away.

        The broker delivers again all that is unacknowledged, so first let the engine acknowledge what it
        has: then every round makes progress, and in order.
        """
        if connection.turned_away is None or self._inbox.qsize() * 2 > self._inbox.maxsize:
            return False
        return not connection.taken or clock - connection.turned_away > PATIENCE_S

    def _close(self, connection: _Connection) -> None:
        connection.client.user_data_set(None)  # else the two hold each other, and sockets stay open
        left_open = connection.client.socket()
        if left_open is not None:
            with contextlib.suppress(OSError):
                left_open.close()
        if connection.tail is None:
            return
        with connection.tail as tail, contextlib.suppress(OSError):
            if self._stopping.is_set() or connection.reason == ASKING_AGAIN:
                _drain(tail, _GOODBYE_S / 2)

    def _ended(self, connection: _Connection) -> float:
        """Report the end, choose the protocol of the next attempt; return the seconds to wait before it."""
        if connection.accepted is not None:
            self._protocol_worked = True
            self._unanswered = 0
            if time.monotonic() - connection.accepted >= STEADY_S:
                self._failures = self._brief = 0
            else:
                self._brief += 1
        if self._stopping.is_set():
            return 0.0
        if connection.unanswered:
            self._unanswered += 1
        # A proxy before a broker that restarts closes early too: be slow to give up what has worked.
        enough = 10 if self._protocol_worked else 2
        if connection.version_refused or self._unanswered >= enough:
            self._unanswered = 0
            self._protocol = _OTHER_PROTOCOL[connection.protocol]
        if connection.version_refused and connection.protocol == MQTTProtocolVersion.MQTTv5:
            return 0.0  # no fault: an older broker
        reason = connection.reason or _LOST
        if reason == _LOST and self._brief >= OFTEN:
            # Mosquitto 2.0 does not say that it let somebody else in.
            reason += (
                f", {self._brief} times soon after it stood: does another client connect as "
                f"'{self._broker.client_id}'? Give each its own client_id"
            )
        self._report_down(connection.link, reason, always=connection.accepted is not None)
        return 0.0 if connection.reason == ASKING_AGAIN else self._next_wait()

    def _next_wait(self) -> float:
        """Seconds, with full jitter, so that clients of a restarted broker do not come all at once."""
        self._failures += 1
        ceiling = min(self._longest_wait_s, self._first_wait_s * 2.0 ** min(self._failures - 1, 30))
        return self._random.uniform(0.0, ceiling)

    def _report_down(self, link: int, reason: str, always: bool = False) -> None:
        if always or reason != self._last_reason:
            self._post(LinkDown(link, reason))
        self._last_reason = reason

    def _post(self, event: object) -> None:
        self._events.append(event)
        self._flush()

    def _flush(self) -> bool:
        """Move waiting events to the inbox; True when none is left."""
        while self._events:
            try:
                self._inbox.put_nowait(self._events[0])
            except queue.Full:
                return False
            self._events.popleft()
        return True

    # ------------------------------------------------------------------ called by paho, in the network thread

    def _on_log(self, client: paho.Client, connection: _Connection | None, level: int, text: str) -> None:
        # In TLS 1.3 the broker refuses a certificate when all seems well; paho keeps the reason to itself.
        if connection is not None and (alert := _ALERT.search(text)):
            connection.alert = alert[1]

    def _on_connect(
        self,
        client: paho.Client,
        connection: _Connection,
        flags: paho.ConnectFlags,
        code: ReasonCode,
        properties: Properties | None,
    ) -> None:
        connection.heard = time.monotonic()
        if code.is_failure:
            connection.version_refused = code.value == _VERSION_UNSUPPORTED
            connection.ended_because(f"the broker refuses us: {_REFUSALS.get(code.value, str(code))}")
            return
        client.on_log = None
        self._links = connection.link
        connection.session_present = flags.session_present
        connection.accepted = connection.heard
        for some in _portions(self._stale if flags.session_present else ()):
            sent, mid = client.unsubscribe(list(some))
            if sent == paho.MQTT_ERR_SUCCESS and mid is not None:
                connection.subscribing[mid] = ()
        for some in _portions(self._topics):
            self._subscribe(client, connection, some)
        self._announce_if_up(connection)

    def _subscribe(self, client: paho.Client, connection: _Connection, topics: Sequence[str]) -> None:
        """Ask for ``topics`` in one packet."""
        try:
            sent, mid = client.subscribe([(topic, 1) for topic in topics])
        except ValueError as error:  # it does not say which of them
            if len(topics) == 1:
                self._post(SubscriptionRefused(topics[0], f"not a valid topic filter: {error}"))
                return
            for topic in topics:
                self._subscribe(client, connection, (topic,))
            return
        if sent == paho.MQTT_ERR_SUCCESS and mid is not None:
            connection.subscribing[mid] = topics

    def _on_subscribe(
        self,
        client: paho.Client,
        connection: _Connection,
        mid: int,
        codes: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        connection.heard = time.monotonic()
        topics = connection.subscribing.pop(mid, None)
        if topics is None:
            return
        for topic, code in zip(topics, codes, strict=False):
            if code.is_failure:
                may_not = code.value == _NOT_AUTHORISED
                reason = "this user may not read it" if may_not else f"the broker answered '{code}'"
                self._post(SubscriptionRefused(topic, reason))
        self._announce_if_up(connection)

    def _on_unsubscribe(
        self,
        client: paho.Client,
        connection: _Connection,
        mid: int,
        codes: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        connection.heard = time.monotonic()
        connection.subscribing.pop(mid, None)
        self._announce_if_up(connection)

    def _announce_if_up(self, connection: _Connection) -> None:
        if connection.subscribing or connection.up:
            return
        connection.up = True
        self._last_reason = None
        name = _PROTOCOL_NAMES[connection.protocol]
        self._post(LinkUp(connection.link, connection.session_present, name))

    def _on_message(self, client: paho.Client, connection: _Connection, message: paho.MQTTMessage) -> None:
        connection.heard = time.monotonic()
        kept_by_broker = message.qos > 0
        if kept_by_broker and connection.turned_away is not None:
            self.dropped += 1  # an earlier one was turned away: taking this one would change their order
            return
        try:
            incoming = Incoming(
                topic=topic_text(message),
                payload=bytes(message.payload[: self._max_payload + 1]),
                qos=message.qos,
                retain=message.retain,
                dup=message.dup,
                mid=message.mid,
                link=connection.link,
                received=self._now(),
                received_mono=self._monotonic(),
            )
        except Exception:
            _log.exception("a message could not be taken; it stays with the broker")
            return
        if kept_by_broker:
            connection.taken.add((incoming.mid, incoming.received_mono))  # before it can be acknowledged
        try:
            # Mosquitto 2.0.11 sends more than the Receive Maximum while its packets leave at once (measured:
            # 2,700 for 200). Who reads no further for a moment holds it up; a message turned away costs a
            # connection.
            self._inbox.put(incoming, kept_by_broker, _FULL_WAIT_S)
        except queue.Full:
            self.dropped += 1
            if kept_by_broker:
                connection.taken.discard((incoming.mid, incoming.received_mono))
                connection.turned_away = connection.heard

    def _on_publish(
        self,
        client: paho.Client,
        connection: _Connection,
        mid: int,
        code: ReasonCode,
        properties: Properties | None,
    ) -> None:
        connection.heard = time.monotonic()
        refused = ""
        if code.is_failure:
            may_not = code.value == _NOT_AUTHORISED
            refused = "this user may not write it" if may_not else f"the broker answered '{code}'"
        self._post(Delivered(connection.link, mid, refused))

    def _on_disconnect(
        self,
        client: paho.Client,
        connection: _Connection | None,
        flags: paho.DisconnectFlags,
        code: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if connection is None:  # we have closed it already
            return
        if flags.is_disconnect_packet_from_server:
            connection.ended_because(why_ended(code, self._broker.client_id))
        elif code.value == _KEEPALIVE_TIMEOUT:
            connection.ended_because("the broker stopped answering")
        elif code.value == _PROTOCOL_ERROR and connection.accepted is not None:
            connection.ended_because("the broker sent something that is not MQTT")


def _portions(topics: Sequence[str]) -> Iterator[Sequence[str]]:
    """``topics`` in parts of a packet each."""
    for begin in range(0, len(topics), FILTERS_AT_ONCE):
        yield topics[begin : begin + FILTERS_AT_ONCE]


def _drain(connection: socket.socket, seconds: float) -> None:
    """Read until the other side closes.

    Closing with unread data makes TCP throw away what the other side has not read yet: our last
    acknowledgements, and the DISCONNECT without which it would publish our will.
    """
    deadline = time.monotonic() + seconds
    connection.shutdown(socket.SHUT_WR)
    while (left := deadline - time.monotonic()) > 0:
        connection.settimeout(left)
        if not connection.recv(65536):
            return


def _leave_to_loop(client: paho.Client, userdata: Any, sock: Any) -> None:
    """Nothing to do: `loop` is awake already."""


def _tls_context(broker: Broker) -> ssl.SSLContext:
    """Verify the broker against its ``ca_file``, or the system's authorities, and show it our certificate;
    ValueError if one of the files is of no use."""
    ca_file = broker.ca_file
    try:
        context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
        if ca_file is not None:
            # From Python 3.13 on, certificates must carry extensions that a keeper's own authority, made
            # with plain openssl commands, lacks. The broker still has to be vouched for by this one file.
            context.verify_flags &= ~ssl.VERIFY_X509_STRICT
    except ssl.SSLError as error:
        raise ValueError(f"the CA file {ca_file} holds no certificate in PEM form ({error})") from error
    except OSError as error:
        raise ValueError(f"the CA file {ca_file} cannot be read: {error.strerror}") from error
    if broker.cert_file is not None:
        _show_certificate(context, broker.cert_file, broker.key_file or broker.cert_file, broker.key_password)
    return context


def _show_certificate(
    context: ssl.SSLContext, cert_file: Path, key_file: Path, key_password: str | None
) -> None:
    """Have ``context`` show our certificate; ValueError saying which file is of no use, and why."""
    held: dict[Path, bytes] = {}
    for what, file in (("certificate", cert_file), ("key", key_file)):
        try:
            held[file] = file.read_bytes()
        except OSError as error:
            raise ValueError(f"the {what} {file} cannot be read: {error.strerror}") from error
    if b"-----BEGIN CERTIFICATE-----" not in held[cert_file]:
        raise ValueError(f"{cert_file} (cert_file) holds no certificate in PEM form")
    if b"PRIVATE KEY-----" not in held[key_file]:
        raise ValueError(f"{key_file} (key_file) holds no private key in PEM form")
    locked = b"ENCRYPTED" in held[key_file]
    if locked and key_password is None:
        raise ValueError(f"the key {key_file} is locked by a password: set broker.key_password")
    try:
        # Never None: OpenSSL would then ask for the password at the terminal, and wait.
        context.load_cert_chain(cert_file, key_file, key_password or "")
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            raise ValueError(f"the key {key_file} does not belong to the certificate {cert_file}") from error
        if locked:
            raise ValueError(f"broker.key_password does not open the key {key_file}") from error
        raise ValueError(f"{cert_file} and {key_file} cannot be used ({error})") from error


def topic_text(message: paho.MQTTMessage) -> str:
    """The topic; bytes that are not UTF-8 become U+FFFD."""
    try:
        return message.topic
    except UnicodeDecodeError as error:
        return error.object.decode("utf-8", errors="replace")


def why_unreachable(error: Exception, host: str, port: int) -> str:
    """Why no connection to ``host``:``port`` came about, for the keeper."""
    where = f"{host}:{port}"
    if isinstance(error, ConnectionRefusedError):
        return f"nothing listens at {where}: is the broker running, and is the port right?"
    if isinstance(error, socket.gaierror):
        return f"the name {host} cannot be found: is it spelled right, and is the network up?"
    if isinstance(error, ssl.SSLCertVerificationError):
        mend = _DISTRUST.get(error.verify_code, "is ca_file right?")
        return f"the certificate of {where} is not trusted ({error.verify_message}): {mend}"
    if isinstance(error, ssl.SSLError):
        return why_no_tls(str(error), where)
    if isinstance(error, TimeoutError):
        return f"{where} did not answer: is the machine on, and does a firewall let us through?"
    if isinstance(error, OSError):
        return f"{where} cannot be reached: {error.strerror or error}"
    return f"no connection to {where}: {error}"


def why_no_tls(said: str, where: str) -> str:
    """Why TLS with ``where`` failed, for the keeper, from what OpenSSL ``said``."""
    for alert, reason in _ALERTS.items():
        if alert in said:
            return f"{where} {reason}"
    return f"no TLS with {where} ({said}): does the broker speak TLS on this port?"


def why_ended(code: ReasonCode, client_id: str) -> str:
    """Why an MQTT 5 broker said goodbye, for the keeper."""
    if code.value == _SESSION_TAKEN_OVER:
        return f"another client connected as '{client_id}': give each its own client_id"
    if code.value == _SHUTTING_DOWN:
        return "the broker is shutting down"
    return f"the broker ended the connection: {code}"

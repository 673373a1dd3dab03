"""Requests over MQTT, so that a push button beside a cone can serve; only what the settings name is done.

A request is a JSON object on ``hatchmon/<site>/<cone>/request``, such as ``{"do": "seen"}``; it may bear an
``id`` (sent again within an hour with the same one, it is not done again) and ``by``, who or what asks. The
answer comes on ``hatchmon/<site>/<cone>/answer``.
"""

from __future__ import annotations

import json
import re
from collections import deque
from collections.abc import Container
from datetime import timedelta
from typing import Any, get_args

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.mqtt import Incoming
from hatchmon.adapters.store import Request, Store
from hatchmon.app.pending import NewRequest, Pending
from hatchmon.app.settings import Settings
from hatchmon.app.settings_values import RequestVerb
from hatchmon.hatchery.payload import Unreadable, read_request

ANSWER_VERSION = 1
MOST_A_MINUTE = 10  # of one cone
SAME_ID_WITHIN = timedelta(
    hours=1
)  # long beyond any repeat; a button may count from 1 again after a new battery
LONGEST_ID = 64
LONGEST_BY = 40
LONGEST_SAY = 500

_CONE = re.compile(r"[A-Za-z0-9_-]{1,32}")


def request_topic(site: str, cone: str) -> str:
    """Where requests for a cone ("+" for any) are published."""
    return f"hatchmon/{site}/{cone}/request"


def request_topics(settings: Settings) -> list[str]:
    """The topic filters to subscribe to; none when nothing may be asked for."""
    if not settings.requests.over_mqtt:
        return []
    cones = ["+"] if settings.share is None else settings.share.cones
    return [request_topic(settings.site, cone) for cone in cones]


class Buttons:
    """Reads requests into a Pending, or refuses them there with an answer. ``known``: the cones there are."""

    def __init__(self, settings: Settings, store: Store, clock: Clock, known: Container[str]) -> None:
        self._allowed = settings.requests.over_mqtt
        self._site = settings.site
        self._looks_after = settings.looks_after
        self._store = store
        self._clock = clock
        self._known = known
        self._asked: dict[str, deque[float]] = {}

    def cone_of(self, topic: str) -> str | None:
        """The cone, or what stands in its place, if ``topic`` is one for requests."""
        if not self._allowed or topic.count("/") != 3:
            return None
        cone = topic.split("/")[2]
        return cone if topic == request_topic(self._site, cone) else None

    def take(self, message: Incoming, cone: str, live: bool, pending: Pending) -> bool:
        """Put a request, or its refusal, into ``pending``; False for one that was taken before.

        Without ``live`` it may have waited in the broker's queue. Raises Unreadable for what gets no answer.
        """
        if not _CONE.fullmatch(cone):
            raise Unreadable("a cone's name has 1 to 32 letters, digits, '-' or '_'")
        if not self._looks_after(cone):
            raise Unreadable(f"{cone} is not one of the cones of share.cones")
        self._count(cone)
        answer_to = f"hatchmon/{self._site}/{cone}/answer"
        ref: str | None = None
        try:
            asked = read_request(message.payload)
            ref = _identity(asked.pop("id", None))
            by = _by(asked.pop("by", None))
            self._check(asked, cone, message, live)
        except Unreadable as why:
            pending.replies.append((answer_to, _answer(None, ref, False, str(why))))
            raise
        if ref is not None and self._repeated(message, answer_to, ref, pending):
            return False
        source = message.topic if by is None else f"{message.topic} ({by})"
        pending.requests.append(NewRequest(message.received, source, {**asked, "cone": cone}, answer_to, ref))
        return True

    def _count(self, cone: str) -> None:
        """Note that something was asked. Raises Unreadable when that happens too often."""
        now = self._clock.monotonic()
        asked = self._asked.setdefault(cone if cone in self._known else "", deque(maxlen=MOST_A_MINUTE))
        if len(asked) == MOST_A_MINUTE and now - asked[0] < 60.0:
            raise Unreadable(f"more than {MOST_A_MINUTE} requests a minute; wait before the next")
        asked.append(now)

    def _check(self, asked: dict[str, Any], cone: str, message: Incoming, live: bool) -> None:
        do = asked.get("do")
        if do not in get_args(RequestVerb):
            raise Unreadable(f'say what to do: {{"do": ...}} with {" or ".join(get_args(RequestVerb))}')
        if do not in self._allowed:
            raise Unreadable(f"'{do}' is not switched on: add it to requests.over_mqtt in the settings")
        if asked.setdefault("cone", cone) != cone:
            raise Unreadable(f"this topic is for {cone} alone: publish to the other cone's topic")
        if message.retain:
            raise Unreadable("publish requests without retain, or they would come again at every connection")
        if not live and "at" not in asked:
            raise Unreadable(
                'it may have waited while hatchmon was away: ask again, or give the time as "at"'
            )

    def _repeated(self, message: Incoming, answer_to: str, ref: str, pending: Pending) -> bool:
        if any(each.answer_to == answer_to and each.ref == ref for each in pending.requests):
            return True
        earlier = self._store.request_like(answer_to, ref, message.received - SAME_ID_WITHIN)
        if earlier is None:
            return False
        request, answered = earlier
        if answered is not None:
            pending.replies.append((answer_to, answer(request, *answered, repeat=True)))
        return True


def answer(request: Request, done: bool, said: dict[str, Any], repeat: bool = False) -> bytes:
    """What is published when a request has been carried out or refused."""
    return _answer(request.body.get("do"), request.ref, done, str(said.get("text", "")), repeat)


def _answer(do: str | None, ref: str | None, done: bool, say: str, repeat: bool = False) -> bytes:
    facts = {"version": ANSWER_VERSION, "do": do, "id": ref, "done": done, "say": say[:LONGEST_SAY]}
    return json.dumps(facts | ({"repeat": True} if repeat else {}), ensure_ascii=False).encode()


def _identity(given: object) -> str | None:
    if given is None:
        return None
    if isinstance(given, bool) or not isinstance(given, str | int):
        raise Unreadable("id is a text or a whole number")
    ref = str(given)
    if not 1 <= len(ref) <= LONGEST_ID:
        raise Unreadable(f"id has 1 to {LONGEST_ID} characters")
    return ref


def _by(given: object) -> str | None:
    if given is None:
        return None
    if not isinstance(given, str) or not 1 <= len(given) <= LONGEST_BY:
        raise Unreadable(f"by is a text of 1 to {LONGEST_BY} characters")
    return given

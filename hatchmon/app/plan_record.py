"""A plan as it is issued: plain data, stored as JSON, read by alerts, calendar and page without planning
anew."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from hatchmon.adapters.store import Store
from hatchmon.hatchery.types import Start

PLAN_VERSION = 1


@dataclass(frozen=True)
class Issued:
    """The plan issued last: its number, when it was made, its starts, and all of it as plain data."""

    number: int
    made: datetime
    starts: tuple[Start, ...]
    facts: dict[str, Any]


def issued_of(store: Store) -> Issued | None:
    """The plan issued last, None before the first."""
    last = store.last_plan()
    if last is None:
        return None
    number, made, body = last
    facts = json.loads(body)
    if facts.get("version") != PLAN_VERSION:
        return None
    return Issued(number, made, starts_of(facts), facts)


def starts_of(facts: dict[str, Any]) -> tuple[Start, ...]:
    """The starts of a plan given as plain data."""
    return tuple(
        Start(each["cone"], each["lot"], datetime.fromisoformat(each["at"]), each["grams"])
        for each in facts["starts"]
    )


def planned_starts(store: Store, now: datetime) -> Sequence[dict[str, Any]]:
    """The starts still to come of the plan issued last, as plain data (for a calendar): cone, lot, at, grams,
    litres, salt_g, opens and closes (each p10, p50, p90), for (feedings)."""
    issued = issued_of(store)
    if issued is None:
        return ()
    return [each for each in issued.facts["starts"] if datetime.fromisoformat(each["at"]) >= now]

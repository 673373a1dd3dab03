"""What is wrong with the machine itself, and not with a cone: facts for the keeper."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from hatchmon.hatchery.alerts import Fact, Rules
from hatchmon.hatchery.wording import Voice

STAYS_MIN = 2.0  # a fault that will not pass by itself is told after so long


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something does not work ``since`` then, for a ``reason``; ``stays``: it will not pass by itself."""

    since: datetime
    reason: str
    stays: bool = False


def broker_facts(
    trouble: Trouble | None, refused: Mapping[str, str], now: datetime, rules: Rules, voice: Voice
) -> list[Fact]:
    """No connection to the broker for a while, or topics (by name, with the reason) that it refuses us."""
    facts = [
        Fact(
            "broker",
            f"topic {topic}",
            None,
            f"The broker refuses {topic}",
            f"{_sentence(reason)} Readings on this topic are not heard. Allow it for hatchmon's user in the "
            "broker's access list, then restart the broker.",
        )
        for topic, reason in refused.items()
    ]
    if trouble is None or now - trouble.since < timedelta(minutes=rules.broker_min):
        return facts
    return [
        *facts,
        Fact(
            "broker",
            "link",
            None,
            f"No broker since {voice.time(trouble.since, now)}",
            f"{_sentence(trouble.reason)} Readings are missing since then; those that the broker or a probe "
            "keeps for us come later. hatchmon keeps trying. What is wrong in full: hatchmon check",
        ),
    ]


def series_facts(trouble: Trouble | None, now: datetime, rules: Rules, voice: Voice) -> list[Fact]:
    """Nothing gets through to the series store for a long while, or for a reason that stays."""
    after_min = STAYS_MIN if trouble is not None and trouble.stays else rules.series_min
    if trouble is None or now - trouble.since < timedelta(minutes=after_min):
        return []
    return [
        Fact(
            "series",
            "store",
            None,
            f"Series store: nothing gets through since {voice.time(trouble.since, now)}",
            f"{_sentence(trouble.reason)} Nothing is lost: it stays in the database and follows by itself.",
        )
    ]


def _sentence(reason: str) -> str:
    """A reason as a sentence."""
    said = reason[:1].upper() + reason[1:]
    return said if said.endswith((".", "?", "!")) else f"{said}."

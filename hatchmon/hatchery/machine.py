"""What is wrong with the machine itself, and not with a cone: facts for the keeper."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from hatchmon.hatchery.alerts import Fact, Rules
from hatchmon.hatchery.wording import Voice, duration

MOST_TOPICS_TOLD = 5
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
        for topic, reason in list(refused.items())[:MOST_TOPICS_TOLD]
    ]
    if len(refused) > MOST_TOPICS_TOLD:
        facts.append(
            Fact(
                "broker",
                "topics",
                None,
                f"The broker refuses {len(refused)} topics",
                "Not all of them are told one by one; hatchmon check names them.",
            )
        )
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


def share_facts(rival: str | None) -> list[Fact]:
    """Another hatchmon looks after cones of ours, and both run: ``rival`` says which, and how to mend it."""
    if rival is None:
        return []
    body = f"{rival} Until then both store their readings and tell of them."
    return [Fact("broker", "share", None, "Two hatchmons look after the same cones", body)]


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


def clock_facts(
    unset: bool,
    jumped: timedelta | None,
    lost: tuple[datetime, datetime] | None,
    now: datetime,
    voice: Voice,
) -> list[Fact]:
    """A clock that is not set for long; that ``jumped`` lately (forward: positive); that was never set in an
    earlier start of the machine, ``lost`` from when to when by what it showed."""
    facts = []
    if unset:
        facts.append(
            Fact(
                "clock",
                "unset",
                None,
                "The clock is not set",
                "The machine gets no time from the network. hatchmon goes on with what its clock shows, "
                f"{_moment(now, voice)}, and moves what it has noted once the clock is set. If that is "
                "wrong, mend the network, or set the clock: timedatectl",
            )
        )
    if jumped is not None:
        way = "forward" if jumped > timedelta(0) else "back"
        facts.append(
            Fact(
                "clock",
                "jump",
                None,
                f"The clock jumped {duration(abs(jumped) / timedelta(hours=1))} {way}",
                f"It shows {_moment(now, voice)} now. What was noted since the machine was started has moved "
                "with it, so that hours from a start stay true; in a series store the points at the old time "
                "stay beside those at the new. If the time shown is wrong, set it: timedatectl",
            )
        )
    if lost is not None:
        first, last = (voice.time(moment, now) for moment in lost)
        facts.append(
            Fact(
                "clock",
                f"lost {lost[0]:%Y%m%dT%H%M%S}",
                None,
                "Readings that nobody can date",
                "The machine was switched off before its clock had been set. Readings from then, noted as "
                f"{first} to {last}, are kept and not used. Was a batch begun or a look noted then? Take it "
                "back with --undo, and note it again with --at. A clock with a battery prevents this.",
            )
        )
    return facts


def _moment(now: datetime, voice: Voice) -> str:
    return f"{voice.time(now, now)} on {now.astimezone(voice.zone):%Y-%m-%d}"


def _sentence(reason: str) -> str:
    """A reason as a sentence."""
    said = reason[:1].upper() + reason[1:]
    return said if said.endswith((".", "?", "!")) else f"{said}."

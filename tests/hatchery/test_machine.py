"""What is said of the machine itself: whole texts, and when."""

from __future__ import annotations

from datetime import timedelta

import pytest

from hatchmon.hatchery.alerts import URGENCY, Fact, Rules
from hatchmon.hatchery.machine import Trouble, broker_facts, clock_facts, series_facts
from tests.hatchery.test_wording import BERLIN, NEW_YORK, at

RULES = Rules()
REFUSED = "the broker refuses us: wrong user name or password"


def test_no_broker() -> None:
    trouble = Trouble(at(-0.1), REFUSED)
    assert broker_facts(trouble, {}, at(0), RULES, BERLIN) == [
        Fact(
            "broker",
            "link",
            None,
            "No broker since 09:54",
            "The broker refuses us: wrong user name or password. Readings are missing since then; those that "
            "the broker or a probe keeps for us come later. hatchmon keeps trying. What is wrong in full: "
            "hatchmon check",
        )
    ]


def test_a_question_ends_as_it_is() -> None:
    (fact,) = broker_facts(Trouble(at(-1), "nothing listens: is it on?"), {}, at(0), RULES, NEW_YORK)
    assert fact.title == "No broker since 04:00"
    assert fact.body.startswith("Nothing listens: is it on? Readings are missing")


@pytest.mark.parametrize(("after_min", "told"), [(0, 0), (4.9, 0), (5.0, 1), (600, 1)])
def test_a_short_absence_of_the_broker_is_no_news(after_min: float, told: int) -> None:
    now = at(0) + timedelta(minutes=after_min)
    assert len(broker_facts(Trouble(at(0), REFUSED), {}, now, RULES, BERLIN)) == told


def test_each_topic_that_is_refused() -> None:
    found = broker_facts(None, {"a/b": "this user may not read it", "c": "x"}, at(0), RULES, BERLIN)
    assert [fact.scope for fact in found] == ["topic a/b", "topic c"]
    assert found[0].title == "The broker refuses a/b"
    assert found[0].body == (
        "This user may not read it. Readings on this topic are not heard. Allow it for hatchmon's user in "
        "the broker's access list, then restart the broker."
    )


def test_no_series_store() -> None:
    trouble = Trouble(at(-20), "time-series store http://10.0.0.2: nothing answers there; check it.")
    assert series_facts(trouble, at(0), RULES, BERLIN) == [
        Fact(
            "series",
            "store",
            None,
            "Series store: nothing gets through since yesterday 14:00",
            "Time-series store http://10.0.0.2: nothing answers there; check it. Nothing is lost: it stays "
            "in the database and follows by itself.",
        )
    ]


@pytest.mark.parametrize(
    ("stays", "after_min", "told"),
    [(False, 59, 0), (False, 60, 1), (True, 1, 0), (True, 2, 1), (True, 60, 1)],
)
def test_what_stays_is_told_soon_and_an_outage_when_it_is_long(
    stays: bool, after_min: float, told: int
) -> None:
    now = at(0) + timedelta(minutes=after_min)
    assert len(series_facts(Trouble(at(0), "401", stays), now, RULES, BERLIN)) == told
    assert series_facts(None, now, RULES, BERLIN) == []


def test_the_machine_wakes_nobody() -> None:
    assert (URGENCY["broker"], URGENCY["series"], URGENCY["clock"]) == ("soon", "can wait", "soon")


def test_a_clock_that_is_not_set() -> None:
    assert clock_facts(True, None, None, at(0), BERLIN) == [
        Fact(
            "clock",
            "unset",
            None,
            "The clock is not set",
            "The machine gets no time from the network. hatchmon goes on with what its clock shows, 10:00 on "
            "2026-03-10, and moves what it has noted once the clock is set. If that is wrong, mend the "
            "network, or set the clock: timedatectl",
        )
    ]
    assert clock_facts(False, None, None, at(0), BERLIN) == []


@pytest.mark.parametrize(
    ("hours", "title"),
    [
        (720.0, "The clock jumped 30.0 days forward"),
        (-2.0, "The clock jumped 2.0 h back"),
        (0.05, "The clock jumped 3 min forward"),
    ],
)
def test_a_clock_that_jumped(hours: float, title: str) -> None:
    assert clock_facts(False, timedelta(hours=hours), None, at(0), NEW_YORK) == [
        Fact(
            "clock",
            "jump",
            None,
            title,
            "It shows 05:00 on 2026-03-10 now. What was noted since the machine was started has moved "
            "with it, so that hours from a start stay true; in a series store the points at the old time "
            "stay beside those at the new. If the time shown is wrong, set it: timedatectl",
        )
    ]


def test_readings_that_nobody_can_date() -> None:
    assert clock_facts(False, None, (at(-3), at(-2)), at(0), BERLIN) == [
        Fact(
            "clock",
            "lost 20260310T060000",
            None,
            "Readings that nobody can date",
            "The machine was switched off before its clock had been set. Readings from then, noted as "
            "07:00 to 08:00, are kept and not used. Was a batch begun or a look noted then? Take it back "
            "with --undo, and note it again with --at. A clock with a battery prevents this.",
        )
    ]

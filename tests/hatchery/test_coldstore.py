"""What is said of nauplii in a cold store."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hatchmon.hatchery.coldstore import SHOWN_AFTER, energy_gone, in_store, store_words, use_before
from hatchmon.hatchery.types import Batch
from hatchmon.hatchery.units import celsius
from hatchmon.hatchery.wording import Voice

BERLIN = Voice(ZoneInfo("Europe/Berlin"))
NEW_YORK = Voice(ZoneInfo("America/New_York"), "F")
SINCE = datetime(2026, 3, 11, 6, 20, tzinfo=UTC)  # 07:20 in Berlin, 02:20 in New York


def stored(cold_c: float = 4.0, since: datetime = SINCE) -> Batch:
    started = since - timedelta(hours=25)
    return Batch(7, "north", "spring tin", started, 2.5, ended=since, outcome="harvested", cold_c=cold_c)


def after(hours: float) -> datetime:
    return SINCE + timedelta(hours=hours)


@pytest.mark.parametrize(
    ("cold_c", "hours"),
    [(0.5, 24), (1.9, 24), (2.0, 48), (celsius(39.0), 48), (4.0, 48), (4.1, 24), (9.5, 24)],
)
def test_the_limit_is_longer_only_at_2_to_4_c(cold_c: float, hours: float) -> None:
    assert use_before(stored(cold_c)) == after(hours)


@pytest.mark.parametrize(
    ("voice", "batch", "hours", "said"),
    [
        (
            BERLIN,
            stored(4.0),
            20.0,
            "lot spring tin in the cold store at 4.0 °C since yesterday 07:20: use before tomorrow 07:20; "
            "about 3 % of the energy gone.",
        ),
        (
            BERLIN,
            stored(6.0),
            0.5,
            "lot spring tin in the cold store at 6.0 °C since 07:20: use before tomorrow 07:20; "
            "less than 1 % of the energy gone.",
        ),
        (
            NEW_YORK,
            stored(celsius(39.0)),
            30.0,
            "lot spring tin in the cold store at 39.0 °F since yesterday 02:20: use before tomorrow 02:20; "
            "about 4 % of the energy gone.",
        ),
        (
            BERLIN,
            stored(4.0),
            49.0,
            "lot spring tin in the cold store at 4.0 °C since Wed 07:20: to be used before 07:20; "
            "about 7 % of the energy gone; look whether they live before feeding.",
        ),
    ],
)
def test_one_sentence_on_what_is_in_the_cold_store(
    voice: Voice, batch: Batch, hours: float, said: str
) -> None:
    assert store_words(batch, after(hours), voice) == f"{said} Used up: hatchmon harvest north --used-up"


def test_it_is_shown_until_used_up_or_half_a_day_past_its_limit() -> None:
    limit = use_before(stored())
    assert in_store([stored()], SINCE) == [stored()]
    assert in_store([stored()], limit + SHOWN_AFTER - timedelta(seconds=1)) == [stored()]
    assert in_store([stored()], limit + SHOWN_AFTER) == []
    assert in_store([replace(stored(), used_up=after(3.0))], after(4.0)) == []
    assert in_store([replace(stored(), cold_c=None)], after(4.0)) == []


def test_the_oldest_comes_first() -> None:
    older = stored(since=after(-20.0))
    assert in_store([stored(), older], after(1.0)) == [older, stored()]


@given(st.floats(0.1, 9.9), st.floats(-1.0, 100.0), st.floats(0.0, 5.0))
def test_longer_and_warmer_costs_no_less(cold_c: float, hours: float, more: float) -> None:
    gone = energy_gone(stored(cold_c), after(hours))
    assert 0.0 <= gone < 1.0
    assert energy_gone(stored(cold_c), after(hours + more)) >= gone
    assert energy_gone(stored(min(cold_c + more, 9.99)), after(hours)) >= gone

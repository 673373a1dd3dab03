"""What is refused, and in which words."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from hatchmon.hatchery.batches import (
    batch_at,
    batch_to_use_up,
    check_begin,
    check_cold,
    check_cone,
    check_harvest,
    check_reading,
)
from hatchmon.hatchery.types import Batch, Look, Quantity, Refused
from hatchmon.hatchery.units import celsius
from hatchmon.hatchery.wording import Voice

BERLIN = Voice(ZoneInfo("Europe/Berlin"))
NOW = datetime(2026, 3, 10, 19, 0, tzinfo=UTC)  # 20:00 in Berlin
START = NOW - timedelta(hours=2)
NEW = Batch(0, "north", "spring tin", START, 2.5, 2.0, 26.0, 30.0)


def ago(hours: float) -> datetime:
    return NOW - timedelta(hours=hours)


def batch(begun_h: float, ended_h: float | None = None, *, lot: str = "old tin") -> Batch:
    """A batch begun and harvested so many hours ago."""
    if ended_h is None:
        return Batch(1, "north", lot, ago(begun_h), 2.0)
    return Batch(1, "north", lot, ago(begun_h), 2.0, ended=ago(ended_h), outcome="harvested")


# ---- a cone ----


def test_a_known_cone_is_let_be() -> None:
    check_cone("north", ["north", "south"])


@pytest.mark.parametrize(
    ("cones", "known"),
    [(["east", "west"], "Known cones: east, west."), ([], "No cone is known yet.")],
)
def test_an_unknown_cone(cones: list[str], known: str) -> None:
    with pytest.raises(Refused) as refused:
        check_cone("north", cones)
    assert str(refused.value) == (
        f"There is no cone called north. {known} A cone appears with its first reading: connect its probe, "
        "or take one by hand: hatchmon reading north 25.4"
    )


# ---- begin ----


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"lot": "x" * 60},
        {"lot": "Große Dose Nr. 3"},
        {"grams": 0.01},
        {"grams": 5000.0},
        {"litres": None, "set_point_c": None, "salinity": None},
        {"litres": 0.05, "set_point_c": 4.0, "salinity": 0.0},
        {"litres": 5000.0, "set_point_c": 40.0, "salinity": 200.0},
        {"started": NOW},
        {"started": NOW + timedelta(minutes=1)},
        {"started": NOW - timedelta(days=7)},
    ],
)
def test_a_batch_that_may_be_begun(change: dict[str, Any]) -> None:
    check_begin(replace(NEW, **change), [], NOW, BERLIN)


NO_NAME = "The lot needs a name of 1 to 60 ordinary characters."
SET_POINT = "The set point must lie between 4 and 40 C (write 77F for Fahrenheit), not"


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"lot": ""}, NO_NAME),
        ({"lot": " \t"}, NO_NAME),
        ({"lot": "x" * 61}, NO_NAME),
        ({"lot": "a\nb"}, NO_NAME),
        ({"lot": "a\x00"}, NO_NAME),
        ({"grams": 0.0}, "The weight of cysts must lie between 0.01 and 5000 g, not 0."),
        ({"grams": -1.0}, "The weight of cysts must lie between 0.01 and 5000 g, not -1."),
        ({"grams": 5001.0}, "The weight of cysts must lie between 0.01 and 5000 g, not 5001."),
        ({"grams": math.nan}, "The weight of cysts must lie between 0.01 and 5000 g, not nan."),
        ({"grams": math.inf}, "The weight of cysts must lie between 0.01 and 5000 g, not inf."),
        ({"litres": 0.04}, "The volume must lie between 0.05 and 5000 L, not 0.04."),
        ({"litres": math.nan}, "The volume must lie between 0.05 and 5000 L, not nan."),
        ({"set_point_c": 77.0}, f"{SET_POINT} 77."),
        ({"set_point_c": 3.9}, f"{SET_POINT} 3.9."),
        ({"salinity": -0.1}, "The salinity must lie between 0 and 200 g/L, not -0.1."),
        ({"salinity": 201.0}, "The salinity must lie between 0 and 200 g/L, not 201."),
        (
            {"started": NOW + timedelta(minutes=61)},
            "A batch cannot lie in the future: 21:01 has not come yet.",
        ),
        (
            {"started": NOW - timedelta(days=7, seconds=1)},
            "2026-03-03 19:59 is more than 7 days ago: no hatch takes that long.",
        ),
    ],
)
def test_a_batch_that_may_not_be_begun(change: dict[str, Any], sentence: str) -> None:
    with pytest.raises(Refused) as refused:
        check_begin(replace(NEW, **change), [], NOW, BERLIN)
    assert str(refused.value) == sentence


def test_one_batch_at_a_time() -> None:
    with pytest.raises(Refused) as refused:
        check_begin(NEW, [batch(60, 30), batch(10)], NOW, BERLIN)
    assert str(refused.value) == (
        "north still holds lot old tin, begun 10:00. Finish it first: hatchmon harvest north "
        "(or with --discard)."
    )


def test_a_batch_cannot_begin_in_another() -> None:
    with pytest.raises(Refused) as refused:
        check_begin(NEW, [batch(30, 1.5)], NOW, BERLIN)
    assert str(refused.value) == ("north held another batch until 18:30; this one cannot have begun 18:00.")
    with pytest.raises(Refused, match="held another batch until"):
        check_begin(replace(NEW, started=ago(80)), [batch(60, 30)], NOW, BERLIN)
    check_begin(NEW, [batch(30, 2)], NOW, BERLIN)


# ---- looks ----


def test_a_look_belongs_to_the_batch_of_its_time() -> None:
    batches = [batch(60, 30), batch(20, 10), batch(5)]
    assert batch_at("north", ago(40), batches, NOW, BERLIN) is batches[0]
    assert batch_at("north", ago(60), batches, NOW, BERLIN) is batches[0]
    assert batch_at("north", ago(10), batches, NOW, BERLIN) is batches[1]
    assert batch_at("north", ago(5), batches, NOW, BERLIN) is batches[2]
    assert batch_at("north", NOW, batches, NOW, BERLIN) is batches[2]


@pytest.mark.parametrize(
    ("hours_ago", "batches", "sentence"),
    [
        (
            -0.1,
            [batch(5)],
            "What you saw cannot lie in the future: 20:06 has not come yet.",
        ),
        (
            0.0,
            [],
            "Nothing has been begun in north yet: hatchmon begin north --lot LOT --grams G",
        ),
        (
            6.0,
            [batch(5)],
            "The batch in north was begun only 15:00, after 14:00.",
        ),
        (
            7.0,
            [batch(20, 10), batch(5)],
            "The batch in north was begun only 15:00, after 13:00.",
        ),
        (
            7.0,
            [batch(20, 10), batch(5, 1)],
            "The batch in north was begun only 15:00, after 13:00.",
        ),
        (
            21.0,
            [batch(20, 10), batch(5, 1)],
            "The batch in north was begun only 00:00, after yesterday 23:00.",
        ),
        (
            0.0,
            [batch(20, 10), batch(5, 1)],
            "north was empty at 20:00: its last batch was harvested 19:00. Begin the next one: hatchmon "
            "begin north --lot LOT --grams G",
        ),
    ],
)
def test_a_look_at_no_batch(hours_ago: float, batches: list[Batch], sentence: str) -> None:
    with pytest.raises(Refused) as refused:
        batch_at("north", ago(hours_ago), batches, NOW, BERLIN)
    assert str(refused.value) == sentence


# ---- harvest ----


@pytest.mark.parametrize(
    ("hours_ago", "sentence"),
    [
        (-1.0, "A harvest cannot lie in the future: 21:00 has not come yet."),
        (5.5, "north was begun 15:00; it cannot end earlier, at 14:30."),
        (3.5, "You looked at north at 17:00, so it was not harvested before."),
    ],
)
def test_a_harvest_out_of_order(hours_ago: float, sentence: str) -> None:
    looks = [Look(1, ago(4), "few"), Look(1, ago(3), "most")]
    with pytest.raises(Refused) as refused:
        check_harvest(batch(5), ago(hours_ago), looks, NOW, BERLIN)
    assert str(refused.value) == sentence


def test_a_harvest_in_order() -> None:
    check_harvest(batch(5), ago(5), [], NOW, BERLIN)
    check_harvest(batch(5), ago(3), [Look(1, ago(3), "most")], NOW, BERLIN)
    check_harvest(batch(5), NOW, [Look(1, ago(3), "most")], NOW, BERLIN)


# ---- readings by hand ----


@pytest.mark.parametrize(
    ("value", "quantity", "unit"),
    [
        (25.4, Quantity.TEMPERATURE, "C"),
        (-2.0, Quantity.TEMPERATURE, "C"),
        (77.7, Quantity.TEMPERATURE, "F"),
        (28.4, Quantity.TEMPERATURE, "F"),
        (113.0, Quantity.TEMPERATURE, "F"),
        (30.0, Quantity.SALINITY, "psu"),
        (1.02, Quantity.SPECIFIC_GRAVITY, "1"),
        (2000.0, Quantity.LIGHT, "lux"),
    ],
)
def test_a_reading_that_can_be(value: float, quantity: Quantity, unit: str) -> None:
    check_reading(value, quantity, unit, NOW, NOW, BERLIN)


@pytest.mark.parametrize(
    ("value", "quantity", "unit", "sentence"),
    [
        (
            77.0,
            Quantity.TEMPERATURE,
            "C",
            "77 C cannot be: temperature lies between -2 and 45 C. If it is in F, say so: --unit F",
        ),
        (-2.1, Quantity.TEMPERATURE, "C", "-2.1 C cannot be: temperature lies between -2 and 45 C."),
        (185.0, Quantity.TEMPERATURE, "F", "185 F cannot be: temperature lies between 28.4 and 113 F."),
        (math.nan, Quantity.TEMPERATURE, "C", "nan C cannot be: temperature lies between -2 and 45 C."),
        (math.inf, Quantity.LIGHT, "lux", "inf lux cannot be: light lies between 0 and 200000 lux."),
        (0.9, Quantity.SPECIFIC_GRAVITY, "1", "0.9 cannot be: specific_gravity lies between 0.98 and 1.25."),
        (-1.0, Quantity.SALINITY, "psu", "-1 psu cannot be: salinity lies between 0 and 350 psu."),
        (25.0, Quantity.TEMPERATURE, "K", "temperature is not measured in K; use C or F."),
        (30.0, Quantity.SALINITY, "C", "salinity is not measured in C; use g/L or psu."),
    ],
)
def test_a_reading_that_cannot_be(value: float, quantity: Quantity, unit: str, sentence: str) -> None:
    with pytest.raises(Refused) as refused:
        check_reading(value, quantity, unit, NOW, NOW, BERLIN)
    assert str(refused.value) == sentence


def test_a_reading_of_tomorrow() -> None:
    with pytest.raises(Refused) as refused:
        check_reading(25.0, Quantity.TEMPERATURE, "C", NOW + timedelta(hours=13), NOW, BERLIN)
    assert str(refused.value) == "A reading cannot lie in the future: tomorrow 09:00 has not come yet."


# ---- the cold store ----


@pytest.mark.parametrize("cold_c", [0.1, 2.0, 4.0, celsius(39.0), 9.9])
def test_a_cold_store_that_can_be(cold_c: float) -> None:
    check_cold(cold_c)


@pytest.mark.parametrize("cold_c", [-18.0, 0.0, 10.0, 39.0, math.nan, math.inf])
def test_a_cold_store_that_cannot_be(cold_c: float) -> None:
    with pytest.raises(Refused) as refused:
        check_cold(cold_c)
    assert str(refused.value) == (
        "A cold store for nauplii is above 0.0 °C (32.0 °F) and below 10.0 °C (50.0 °F), "
        f"not at {cold_c:g} C (write 39F for Fahrenheit)."
    )


def test_the_oldest_in_the_cold_store_is_used_up_first() -> None:
    older, newer = (replace(batch(ended_h + 24.0, ended_h), cold_c=4.0) for ended_h in (30.0, 6.0))
    later = replace(batch(3.0, 0.5), cold_c=4.0)
    every = [newer, later, older]
    assert batch_to_use_up("north", NOW, every, NOW, BERLIN) == older
    used = replace(older, used_up=NOW)
    assert batch_to_use_up("north", ago(1.0), [newer, later, used], NOW, BERLIN) == newer
    for stored, time, why in (
        ([later], ago(1.0), "No nauplii from north were in the cold store at 19:00."),
        ([batch(24.0, 2.0)], NOW, "No nauplii from north were in the cold store at 20:00."),
        ([older], NOW + timedelta(hours=1), "cannot lie in the future"),
    ):
        with pytest.raises(Refused, match=why):
            batch_to_use_up("north", time, stored, NOW, BERLIN)

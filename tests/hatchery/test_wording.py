"""What the keeper reads: whole sentences, in their own zone and unit."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hatchmon.hatchery.types import Band, Batch, Forecast, Trust
from hatchmon.hatchery.units import celsius, fahrenheit
from hatchmon.hatchery.wording import Voice, duration, span

BERLIN = Voice(ZoneInfo("Europe/Berlin"), "C")
NEW_YORK = Voice(ZoneInfo("America/New_York"), "F")
START = datetime(2026, 3, 10, 9, 0, tzinfo=UTC)  # 10:00 in Berlin, 05:00 in New York


def batch(batch_id: int = 7, *, set_point_c: float | None = 26.0) -> Batch:
    return Batch(batch_id, "north", "spring tin", START, 2.5, 2.0, set_point_c, 30.0)


def forecast(
    opens_h: float = 22.0,
    closes_h: float = 27.0,
    *,
    trust: Trust = "good",
    reasons: tuple[str, ...] = (),
    issued_h: float = 20.0,
) -> Forecast:
    """A forecast whose window opens and closes at these hours, an hour early or two late."""

    def band(middle_h: float) -> Band:
        return Band(middle_h - 1.0, middle_h, middle_h + 2.0)

    return Forecast(
        issued=START + timedelta(hours=issued_h),
        q25_h=19.0,
        hatched=0.4,
        t10=band(17.0),
        t50=band(20.0),
        t90=band(22.0),
        opens=band(opens_h),
        best=band((opens_h + closes_h) / 2),
        closes=band(closes_h),
        surely_h=None,
        from_temperature=0.2,
        trust=trust,
        reasons=reasons,
        not_predicted=None,
        temperature_rule="heater",
        usable_h=max(47.5, opens_h),
    )


def unpredicted(why: str, issued_h: float = 20.0) -> Forecast:
    issued = START + timedelta(hours=issued_h)
    return Forecast(
        issued, 0.0, 0.0, None, None, None, None, None, None, None, 0.0, "none", (why,), why, "none"
    )


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


# ---- times ----


@pytest.mark.parametrize(
    ("moment", "now", "said"),
    [
        ("2026-03-10T09:00Z", "2026-03-10T09:00Z", "10:00"),
        ("2026-03-10T22:59Z", "2026-03-10T00:00Z", "23:59"),
        ("2026-03-11T06:10Z", "2026-03-10T20:00Z", "07:10"),  # tomorrow, but within half a day
        ("2026-03-11T08:00Z", "2026-03-10T20:00Z", "tomorrow 09:00"),
        ("2026-03-10T00:30Z", "2026-03-10T22:30Z", "01:30"),
        ("2026-03-09T10:30Z", "2026-03-10T22:30Z", "yesterday 11:30"),
        ("2026-03-10T20:00Z", "2026-03-11T06:00Z", "21:00"),
        ("2026-03-12T08:00Z", "2026-03-10T20:00Z", "Thu 09:00"),
        ("2026-03-05T08:00Z", "2026-03-10T20:00Z", "Thu 09:00"),
        ("2026-03-03T08:00Z", "2026-03-10T20:00Z", "2026-03-03 09:00"),
        ("2026-03-17T08:00Z", "2026-03-10T20:00Z", "2026-03-17 09:00"),
        ("2026-03-29T00:59Z", "2026-03-28T20:00Z", "01:59"),  # the clock goes forward at 02:00
        ("2026-03-29T01:00Z", "2026-03-28T20:00Z", "03:00"),
        ("2026-10-25T00:30Z", "2026-10-24T20:00Z", "02:30"),  # and back at 03:00
        ("2026-10-25T01:30Z", "2026-10-24T20:00Z", "02:30"),
    ],
)
def test_times_are_local_and_bear_a_day_where_needed(moment: str, now: str, said: str) -> None:
    assert BERLIN.time(datetime.fromisoformat(moment), datetime.fromisoformat(now)) == said


def test_the_same_moment_elsewhere() -> None:
    assert NEW_YORK.time(START, START) == "05:00"
    assert NEW_YORK.time(at(20), START) == "tomorrow 01:00"


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        (-1.0, "0 min"), (0.0, "0 min"), (0.42, "25 min"), (1.49, "89 min"), (1.5, "1.5 h"), (3.54, "3.5 h"),
        (47.9, "47.9 h"), (48.0, "2.0 days"), (50.4, "2.1 days"),
    ],
)  # fmt: skip
def test_durations(hours: float, said: str) -> None:
    assert duration(hours) == said


# ---- temperatures ----


@pytest.mark.parametrize(
    ("temp_c", "in_c", "in_f"),
    [(25.06, "25.1 °C", "77.1 °F"), (0.0, "0.0 °C", "32.0 °F"), (-1.5, "-1.5 °C", "29.3 °F")],
)
def test_temperatures_in_the_keepers_unit(temp_c: float, in_c: str, in_f: str) -> None:
    assert BERLIN.temp(temp_c) == in_c
    assert NEW_YORK.temp(temp_c) == in_f


@settings(deadline=None)
@given(st.floats(-60, 120))
def test_there_and_back_is_the_same_temperature(temp_c: float) -> None:
    assert celsius(fahrenheit(temp_c)) == pytest.approx(temp_c, abs=1e-9)


@settings(deadline=None)
@given(st.integers(-600, 600))
def test_a_tenth_of_a_degree_celsius_comes_back_exactly(tenths: int) -> None:
    assert celsius(round(tenths * 0.18 + 32, 2)) == tenths / 10


# ---- when to harvest ----


@pytest.mark.parametrize(
    ("now_h", "in_berlin", "in_new_york"),
    [
        (
            14.0,
            "Ready about 08:00, between 07:00 and 10:00. Harvest before 13:00.",
            "Ready about 03:00, between 02:00 and 05:00. Harvest before tomorrow 08:00.",
        ),
        (22.0, "Ready now. Harvest before 13:00.", "Ready now. Harvest before 08:00."),
        (
            27.0,
            "The window closed about 13:00. "
            "Harvest at once; as a rule of thumb they serve as food until tomorrow about 09:30.",
            "The window closed about 08:00. "
            "Harvest at once; as a rule of thumb they serve as food until tomorrow about 04:30.",
        ),
        (
            47.5,
            "The window closed yesterday about 13:00. As a rule of thumb they served as food until about "
            "09:30: look whether they live before feeding.",
            "The window closed yesterday about 08:00. As a rule of thumb they served as food until about "
            "04:30: look whether they live before feeding.",
        ),
    ],
)
def test_one_sentence_on_when_to_harvest(now_h: float, in_berlin: str, in_new_york: str) -> None:
    assert BERLIN.ready(batch(), forecast(), at(now_h)) == in_berlin
    assert NEW_YORK.ready(batch(), forecast(), at(now_h)) == in_new_york


@pytest.mark.parametrize(
    ("now_h", "said"),
    [
        (
            21.0,
            "Ready about 08:00, between 07:00 and 10:00. "
            "It hatches unevenly: harvest a first time then, and the rest before 11:00.",
        ),
        (22.0, "Ready now. It hatches unevenly: harvest a first time now, and the rest before 11:00."),
        (
            25.0,
            "The window closed about 11:00. "
            "Harvest at once; as a rule of thumb they serve as food until tomorrow about 09:30.",
        ),
    ],
)
def test_a_window_that_closes_before_it_opens_is_told_in_order(now_h: float, said: str) -> None:
    assert BERLIN.ready(batch(), forecast(opens_h=25.0, closes_h=22.0), at(now_h)) == said


def test_a_forecast_of_an_older_kind_names_no_limit() -> None:
    said = BERLIN.ready(batch(), replace(forecast(), usable_h=None), at(27))
    assert said == "The window closed about 13:00. Harvest at once or look before feeding."


def test_a_window_of_no_length_is_harvested_twice_too() -> None:
    said = BERLIN.by_when(batch(), forecast(opens_h=22.0, closes_h=22.0), at(21))
    assert said == "It hatches unevenly: harvest a first time then, and the rest before 08:00."


def test_a_forecast_too_unsure_says_so() -> None:
    said = BERLIN.ready(batch(), forecast(trust="none"), at(20))
    assert said == "Perhaps ready about 08:00, between 07:00 and 10:00: too unsure to time, look by eye."


def test_what_is_not_predicted_says_why() -> None:
    why = "water at 36.0 C: beyond what can be predicted"
    assert BERLIN.ready(batch(), unpredicted(why), at(20)) == f"Not predicted: {why}."


@settings(deadline=None)
@given(st.floats(1, 60), st.floats(1, 60))
def test_the_span_runs_forward(opens_h: float, closes_h: float) -> None:
    opens, closes = Band(opens_h, opens_h, opens_h), Band(closes_h, closes_h, closes_h)
    first, last = span(opens, closes)
    assert first.p50 <= last.p50
    assert {first, last} == {opens, closes}


def test_each_time_says_its_day_where_the_one_before_it_was_of_another() -> None:
    now = START + timedelta(hours=2)  # Tuesday noon in Berlin
    said = BERLIN.between(batch(), Band(34.0, 39.0, 46.0), now)
    assert said == "Thu about 01:00, between tomorrow 20:00 and Thu 08:00"
    assert (
        BERLIN.between(batch(), Band(8.0, 10.0, 15.0), now) == "about 20:00, between 18:00 and tomorrow 01:00"
    )

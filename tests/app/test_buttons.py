"""Requests over MQTT: the engine on a clock of our own and a real database; the broker's part by hand."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from hatchmon.adapters.mqtt import Incoming, LinkUp
from hatchmon.app import engine as engine_module
from hatchmon.app.buttons import LONGEST_SAY, MOST_A_MINUTE
from hatchmon.app.intake import topics_of
from hatchmon.hatchery.payload import LARGEST_REQUEST
from hatchmon.hatchery.types import Alert
from tests.system.test_clock_jumps import HOUR, MINUTE, STARTED, Bench

ALL = '[requests]\nover_mqtt = ["begin", "look", "harvest", "seen"]'
TOPIC = "hatchmon/test/left/request"


class Buttons(Bench):
    """A bench with push buttons; ``press`` returns the answer published, if any."""

    def send(
        self, payload: bytes, *, topic: str = TOPIC, mid: int | None = None, **how: Any
    ) -> dict[str, Any] | None:
        self._mid += 1
        before = len(self.around.published)
        message = Incoming(
            topic, payload, how.get("qos", 1), how.get("retain", False), how.get("dup", False),
            self._mid if mid is None else mid, how.get("link", 1), self.clock.now(), self.clock.monotonic(),
        )  # fmt: skip
        self.engine.take(message)
        for _ in range(3):
            self.clock.run(timedelta(seconds=1))
            self.engine.turn()
        assert message in self.around.acknowledged
        answers = [body for at, body in self.around.published[before:] if at.endswith("/answer")]
        assert len(answers) <= 1
        return dict(json.loads(answers[0])) if answers else None

    def press(self, do: str, *, cone: str = "left", **body: Any) -> dict[str, Any]:
        answer = self.send(json.dumps({"do": do, **body}).encode(), topic=f"hatchmon/test/{cone}/request")
        assert answer is not None
        assert answer["version"] == 1
        return answer

    def refused(self, do: str, **body: Any) -> str:
        answer = self.press(do, **body)
        assert answer["done"] is False
        return str(answer["say"])

    def kept(self, table: str) -> list[dict[str, Any]]:
        return [dict(row) for row in self.store.rows(f"SELECT * FROM {table}")]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Buttons]:
    """The cones "left", running for 20 h, and "right", empty."""
    bench = Buttons(tmp_path, more=ALL)
    bench.message("hatchery/right/temperature")
    bench.run(5 * MINUTE)
    bench.begin()
    bench.run(20 * HOUR, 4 * HOUR)
    yield bench
    bench.store.close()


# ---- what they do ----


def test_a_look_is_noted_and_answered_as_on_the_command_line(bench: Buttons) -> None:
    answer = bench.press("look", seen="most", id="press 17", by="shelf button")
    assert answer["do"] == "look"
    assert answer["id"] == "press 17"
    assert answer["done"] is True
    assert answer["say"].startswith("left: noted 'most' at 14:05, 20.0 h after the start. Ready ")
    (look,) = bench.kept("looks")
    assert look["seen"] == "most"
    request = bench.kept("requests")[-1]
    assert request["by"] == "hatchmon/test/left/request (shelf button)"
    assert json.loads(request["body"]) == {"do": "look", "seen": "most", "cone": "left"}


def test_a_harvest_and_another_batch_like_the_last(bench: Buttons) -> None:
    said = bench.press("harvest", cold_c=4)["say"]
    assert said.startswith("left: lot tin 7 harvested 14:05, after 20.0 h. In the cold store at 4.0 °C: ")
    bench.run(5 * MINUTE)
    assert bench.press("begin")["say"].startswith("left: 4 g of lot tin 7 begun 14:10. ")
    first, second = bench.kept("batches")
    for name in ("cone", "lot", "grams", "litres", "set_point_c", "salinity"):
        assert first[name] == second[name]


def test_a_batch_like_the_last_may_differ_in_part(bench: Buttons) -> None:
    bench.press("harvest")
    assert bench.press("begin", litres=3, set_point_c=27)["done"]
    batch = bench.kept("batches")[-1]
    assert (batch["lot"], batch["grams"], batch["litres"], batch["set_point_c"]) == ("tin 7", 4.0, 3.0, 27.0)


def test_a_first_batch_needs_its_lot_and_its_weight(bench: Buttons) -> None:
    said = bench.refused("begin", cone="right")
    assert said == "Nothing has been begun in right before: say which lot and how many grams."
    assert "Give both lot and grams" in bench.refused("begin", cone="right", lot="tin 8")
    assert "Give both lot and grams" in bench.refused("begin", cone="right", grams=2)
    assert bench.press("begin", cone="right", lot="tin 8", grams=2)["done"]


def test_nobody_means_a_batch_of_last_year(bench: Buttons) -> None:
    bench.press("harvest")
    bench.run(31 * 24 * HOUR, 12 * HOUR)
    assert "more than 30 days ago: say which lot and how many grams." in bench.refused("begin")


def test_what_was_told_is_seen(bench: Buttons) -> None:
    alert = Alert("cold", "batch 1", "left", "soon", "left: cold, 19.0 °C", "body", STARTED)
    bench.store.add_alert(alert, 0, STARTED)
    assert bench.press("seen")["say"].startswith("left: seen: cold, 19.0 °C")
    assert {row["seen_by"] for row in bench.kept("alerts") if row["cone"] == "left"} == {TOPIC}
    assert bench.press("seen")["say"] == "left: nothing was waiting to be seen."


def test_the_refusals_are_those_of_the_command_line(bench: Buttons) -> None:
    assert bench.refused("begin").startswith("left still holds lot tin 7")
    assert (
        bench.refused("harvest", cone="right") == "Nothing is running in right: there is nothing to harvest."
    )
    assert bench.refused("look", cone="rihgt", seen="most").startswith("There is no cone called rihgt.")
    assert "tremendous" in bench.refused("look", seen="tremendous")
    assert bench.refused("look", seen="most", at="2026-03-09T10:00:00Z").startswith(
        "What you saw cannot lie in the future"
    )
    assert bench.refused("harvest", harder=True) == "harder: Extra inputs are not permitted."


# ---- what is not done ----


def test_nothing_is_done_unless_the_settings_name_it(tmp_path: Path) -> None:
    bench = Buttons(tmp_path)
    assert not any("request" in topic for topic in topics_of(bench.engine.settings))
    bench.run(5 * MINUTE)
    assert bench.send(b'{"do": "seen"}') is None  # from a subscription of earlier days
    assert bench.kept("requests") == []
    assert "not in the settings" in bench.kept("rejected")[0]["reason"]
    bench.store.close()


def test_only_what_the_settings_name_is_done(tmp_path: Path) -> None:
    bench = Buttons(tmp_path, more='[requests]\nover_mqtt = ["seen"]')
    assert "hatchmon/test/+/request" in topics_of(bench.engine.settings)
    bench.run(5 * MINUTE)
    assert bench.press("seen")["done"]
    assert bench.refused("look", seen="most") == (
        "'look' is not switched on: add it to requests.over_mqtt in the settings"
    )
    bench.store.close()


@pytest.mark.parametrize("do", ["reading", "import", "count", "", "BEGIN", "__class__"])
def test_other_requests_do_not_come_over_mqtt(bench: Buttons, do: str) -> None:
    assert bench.refused(do) == 'say what to do: {"do": ...} with begin or look or harvest or seen'
    assert len(bench.kept("requests")) == 1  # that of the beginning


def test_a_topic_is_for_its_own_cone(bench: Buttons) -> None:
    said = bench.refused("harvest", cone="right")  # the topic; the next names the cone in the message
    assert said == "Nothing is running in right: there is nothing to harvest."
    answer = bench.send(b'{"do": "harvest", "cone": "left"}', topic="hatchmon/test/right/request")
    assert answer is not None
    assert answer["say"] == "this topic is for right alone: publish to the other cone's topic"
    answer = bench.send(b'{"do": "seen", "cone": null}', topic="hatchmon/test/right/request")
    assert answer is not None
    assert not answer["done"]
    assert bench.kept("batches")[0]["ended_us"] is None


@pytest.mark.parametrize("cone", ["", "a b", "../left", "left#", "x" * 33, "\x1b[2J", "é", "left\n"])
def test_a_topic_without_a_cone_is_no_request(bench: Buttons, cone: str) -> None:
    assert bench.send(b'{"do": "seen"}', topic=f"hatchmon/test/{cone}/request") is None
    assert len(bench.kept("rejected")) == 1


def test_a_retained_request_is_refused(bench: Buttons) -> None:
    answer = bench.send(b'{"do": "harvest"}', retain=True)
    assert answer is not None
    assert "publish requests without retain" in answer["say"]
    assert bench.kept("batches")[0]["ended_us"] is None


def test_what_may_have_waited_must_say_its_time(bench: Buttons) -> None:
    bench.engine.take(LinkUp(2, True, "5"))  # the broker had kept our session
    answer = bench.send(b'{"do": "harvest"}', link=2)
    assert answer is not None
    assert "it may have waited while hatchmon was away" in answer["say"]
    then = (bench.clock.now() - 10 * MINUTE).isoformat()
    answer = bench.send(json.dumps({"do": "harvest", "at": then}).encode(), link=2)
    assert answer is not None
    assert answer["done"]
    # The mark has come back: all that comes from now on is fresh.
    mark = next(body for at, body in bench.around.published if at == "hatchmon/test/mark")
    bench.send(mark, topic="hatchmon/test/mark", link=2)
    answer = bench.send(b'{"do": "begin"}', link=2)
    assert answer is not None
    assert answer["done"]


# ---- once ----


def test_a_delivery_the_broker_repeats_is_done_once(bench: Buttons) -> None:
    look = b'{"do": "look", "seen": "most"}'
    assert bench.send(look, mid=7)
    assert bench.send(look, mid=7, dup=True) is None
    bench.power_cut()
    bench.boot()
    assert bench.send(look, mid=7, dup=True) is None
    assert len(bench.kept("looks")) == 1
    again = bench.send(look, mid=8)  # pressed again, by a thumb that trembles
    assert again is not None
    assert "is noted already" in again["say"]
    assert len(bench.kept("looks")) == 1
    assert bench.send(b'{"do": "look", "seen": "complete"}', mid=9)
    assert len(bench.kept("looks")) == 2


def test_the_same_id_is_done_once_and_answered_again(bench: Buttons) -> None:
    first = bench.press("look", seen="most", id=5)
    again = bench.press("look", seen="most", id=5)
    assert again == first | {"repeat": True}
    assert first["id"] == "5"
    bench.power_cut()
    bench.boot()
    assert bench.press("look", seen="most", id=5)["repeat"]
    assert len(bench.kept("looks")) == 1
    # Another cone's button has numbers of its own, and after an hour a number may come again.
    assert "repeat" not in bench.press("seen", cone="right", id=5)
    bench.run(61 * MINUTE)
    assert "repeat" not in bench.press("look", seen="nearly all", id=5)
    assert len(bench.kept("looks")) == 2


def test_a_power_cut_between_noting_and_doing_does_it_once(bench: Buttons) -> None:
    message = Incoming(
        TOPIC, b'{"do": "look", "seen": "most"}', 1, False, False, 9, 1, bench.clock.now(), bench.clock.mono
    )
    bench.engine.take(message)
    assert bench.engine.commit()
    assert message in bench.around.acknowledged
    assert bench.kept("looks") == []
    bench.power_cut()
    bench.clock.run(timedelta(minutes=10))
    bench.boot()
    bench.engine.turn()
    (look,) = bench.kept("looks")
    assert look["time_us"] == bench.kept("requests")[-1]["made_us"]
    bench.engine.turn()
    answers = [json.loads(body) for topic, body in bench.around.published if topic.endswith("/answer")]
    assert [answer["done"] for answer in answers] == [True]


def test_too_many_are_not_done(bench: Buttons) -> None:
    answers = [bench.send(b'{"do": "seen"}') for _ in range(MOST_A_MINUTE + 5)]
    assert [answer is not None for answer in answers] == [True] * MOST_A_MINUTE + [False] * 5
    reasons = {row["reason"] for row in bench.kept("rejected")}
    assert reasons == {f"more than {MOST_A_MINUTE} requests a minute; wait before the next"}
    assert bench.press("seen", cone="right")["done"]  # a flood for one cone silences no other
    bench.run(MINUTE)
    assert bench.press("seen")["done"]


def test_cones_nobody_knows_share_one_allowance(bench: Buttons) -> None:
    answers = [
        bench.send(b'{"do": "seen"}', topic=f"hatchmon/test/new-{number}/request")
        for number in range(MOST_A_MINUTE + 5)
    ]
    assert sum(answer is not None for answer in answers) == MOST_A_MINUTE


# ---- hostile ----


@pytest.mark.parametrize(
    ("payload", "said"),
    [
        (b"", "empty"),
        (b"begin", "not JSON"),
        (b"\xff\xfe", "not text (UTF-8)"),
        (b"[" * LARGEST_REQUEST, "not JSON"),
        (b'{"do":' + b'{"do":' * 140 + b"1" + b"}" * 141, "do is an object, not a plain value"),
        (b'"seen"', 'text, not an object such as {"do": "seen"}'),
        (b'{"do": ["seen"]}', "do is a list, not a plain value"),
        (b'{"do": "look", "seen": "\\u001b[2J"}', "holds characters that cannot be printed"),
        (b'{"do": "look", "seen": "\\u0000"}', "holds characters that cannot be printed"),
        (b'{"do": "look", "seen": "\\ud800"}', "holds characters that cannot be printed"),
        (b'{"do": "look", "\\u202e": 1}', "holds characters that cannot be printed"),
        (b'{"do": "begin", "lot": "x", "grams": 1e999}', "not a finite number"),
        (b'{"do": "begin", "lot": "x", "grams": NaN}', "not JSON"),
        (b'{"do": "begin", "lot": "x", "grams": true}', "grams: Input should be a valid number."),
        (b'{"do": "begin", "lot": "x", "grams": "2"}', "grams: Input should be a valid number."),
        (b'{"do": "begin", "lot": 5, "grams": 2}', "lot: Input should be a valid string."),
        (b'{"do": "seen", "id": ""}', "id has 1 to 64 characters"),
        (b'{"do": "seen", "id": 1.5}', "id is a text or a whole number"),
        (b'{"do": "seen", "id": ' + b"9" * 65 + b"}", "id has 1 to 64 characters"),
        (b'{"do": "seen", "by": "' + b"x" * 41 + b'"}', "by is a text of 1 to 40 characters"),
        (b'{"do": "seen"}' + b" " * LARGEST_REQUEST, "larger than 1024 bytes"),
    ],
    ids=lambda value: repr(value)[:40],
)  # fmt: skip
def test_what_is_no_request(bench: Buttons, payload: bytes, said: str) -> None:
    answer = bench.send(payload)
    assert answer is not None
    assert answer["done"] is False
    assert answer["say"] == said
    assert bench.kept("looks") == []
    assert len(bench.kept("batches")) == 1


VALUES = (
    st.none() | st.booleans() | st.integers() | st.integers(-(10**350), 10**350) | st.floats()
    | st.text(max_size=30) | st.lists(st.integers(), max_size=2)
    | st.sampled_from(["most", "60%", "tin 7", "left", "right", "1e300", "0001-01-01T00:00:00+14:00",
                       "9999-12-31T23:59:59-14:00", "2026-03-02T14:00:00Z"])
    | st.datetimes().map(lambda time: time.isoformat() + "+14:00")
)  # fmt: skip
FIELDS = (
    "at", "lot", "grams", "litres", "set_point_c", "salinity", "seen", "undo", "discard", "cold_c", "used_up",
    "cone", "id", "by", "x" * 200,
)  # fmt: skip
BODIES = st.fixed_dictionaries(
    {"do": st.sampled_from(["begin", "look", "harvest", "seen"]) | VALUES},
    optional=dict.fromkeys(FIELDS, VALUES),
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(BODIES.map(lambda body: json.dumps(body).encode()) | st.binary(max_size=60))
@example(b'{"do": "harvest", "at": "9999-12-31T23:59:59-14:00"}')
@example(b'{"do": "harvest", "at": "0001-01-01T00:00:00+14:00"}')
@example(b'{"do": "begin", "lot": "x", "grams": 1' + b"0" * 900 + b"}")
@example(b'{"do": "harvest", "at": 1e300}')
def test_anything_is_answered_and_nothing_is_a_fault(bench: Buttons, payload: bytes) -> None:
    bench.clock.run(timedelta(minutes=1))
    answer = bench.send(payload)
    assert answer is not None
    assert set(answer) <= {"version", "do", "id", "done", "say", "repeat"}
    assert answer["say"]
    assert answer["say"] != engine_module.FAULT
    assert len(answer["say"]) <= LONGEST_SAY
    assert answer["say"].isprintable()
    assert not bench.store.open_requests()
    assert bench.engine.recorder.trouble is None


def test_a_request_that_trips_the_program_is_not_tried_for_ever(
    bench: Buttons, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a fault")

    with monkeypatch.context() as faulty:
        faulty.setattr(engine_module, "carry_out", broken)
        assert bench.refused("look", seen="most") == engine_module.FAULT
    assert "ZeroDivisionError" in caplog.text
    assert not bench.store.open_requests()
    assert bench.press("look", seen="most")["done"]

"""Whatever a probe sends: a finite number, or a reason why not."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from hatchmon.hatchery.payload import LARGEST_PAYLOAD, Sample, Unreadable, read_payload, read_request

NOON = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)


def refusal(payload: bytes, value: str | None = None, time: str | None = None) -> str:
    with pytest.raises(Unreadable) as caught:
        read_payload(payload, value, time)
    return str(caught.value)


def timed(moment: object) -> Sample:
    return read_payload(json.dumps({"c": 25.5, "t": moment}).encode(), "/c", "/t")


# ---- plain numbers ----


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"25.4", 25.4), (b" 25.4\r\n", 25.4), (b"-2", -2.0), (b"+7", 7.0), (b"25.", 25.0), (b".5", 0.5),
        (b"2.54e1", 25.4), (b"2.54E+01", 25.4), (b"1e-400", 0.0), (b"0025", 25.0),
    ],
)  # fmt: skip
def test_plain_numbers(payload: bytes, value: float) -> None:
    assert read_payload(payload, None, None) == Sample(value, None)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "empty"),
        (b" \n\t", "empty"),
        (b"\xff\xfe\x00", "not text (UTF-8)"),
        (b"25.4\xb0C", "not text (UTF-8)"),
        (b"nan", "not a plain number: 'nan'"),
        (b"-inf", "not a plain number: '-inf'"),
        (b"Infinity", "not a plain number: 'Infinity'"),
        (b"25,4", "not a plain number: '25,4'"),
        (b"25.4 C", "not a plain number: '25.4 C'"),
        (b"2_5", "not a plain number: '2_5'"),
        (b"0x19", "not a plain number: '0x19'"),
        (b"--5", "not a plain number: '--5'"),
        (b"true", "not a plain number: 'true'"),
        (b'"25.4"', "not a plain number: '\"25.4\"'"),
        (b"\x0025.4", "not a plain number: '\\x0025.4'"),
        ("٢٥".encode(), "not a plain number: '٢٥'"),
        (b'{"c": 25.4}', "not a plain number: '{\"c\": 25.4}'"),
        (b"x" * 41, f"not a plain number: '{'x' * 40}...'"),
        (b"1e999", "not a finite number"),
        (b"9" * 400, "not a finite number"),
        (b"1" * (LARGEST_PAYLOAD + 1), "larger than 65536 bytes"),
    ],
    ids=lambda value: repr(value)[:20],
)
def test_what_is_no_plain_number(payload: bytes, reason: str) -> None:
    assert refusal(payload) == reason


def test_the_largest_payload_is_read() -> None:
    assert read_payload(b"25.4" + b" " * (LARGEST_PAYLOAD - 4), None, None).raw == 25.4


# ---- JSON ----

# The example document of RFC 6901, section 5, with the numbers it gives its odd names.
RFC_6901: dict[str, Any] = {
    "foo": [7, 9], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8,
}  # fmt: skip


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("/foo/0", 7), ("/foo/1", 9), ("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3), ("/g|h", 4),
        ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
    ],
)  # fmt: skip
def test_pointers_of_rfc_6901(pointer: str, value: int) -> None:
    assert read_payload(json.dumps(RFC_6901).encode(), pointer, None) == Sample(float(value), None)


def test_tilde_one_within_a_name_is_undone_once() -> None:
    # RFC 6901, section 4: ~01 is the name "~1", not "/".
    assert read_payload(b'{"~1": 1, "/": 2}', "/~01", None).raw == 1.0
    assert read_payload(b'{"~1": 1, "/": 2}', "/~1", None).raw == 2.0


def test_an_empty_pointer_is_the_whole_document() -> None:
    assert read_payload(b" 25.4 ", "", None).raw == 25.4


@pytest.mark.parametrize(
    ("pointer", "reason"),
    [
        ("/bar", "nothing at /bar"),
        ("/foo/2", "nothing at /foo/2"),
        ("/foo/-", "nothing at /foo/-"),  # RFC 6901: the element after the last, which is not there
        ("/foo/-1", "nothing at /foo/-1"),
        ("/foo/00", "nothing at /foo/00"),
        ("/foo/01", "nothing at /foo/01"),
        ("/foo/1e0", "nothing at /foo/1e0"),
        ("/foo/٠", "nothing at /foo/٠"),
        ("/foo/9999999999999999999999", "nothing at /foo/9999999999999999999999"),
        ("/foo/0/0", "nothing at /foo/0/0"),
        ("/a/b", "nothing at /a/b"),
        ("/foo", "/foo is a list, not a number"),
        ("", "the message is an object, not a number"),
    ],
)
def test_pointers_to_nothing(pointer: str, reason: str) -> None:
    assert refusal(json.dumps(RFC_6901).encode(), pointer) == reason


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        ("true", "/c is true or false, not a number"),
        ("false", "/c is true or false, not a number"),
        ("null", "/c is null, not a number"),
        ('"25.4"', "/c is text, not a number"),
        ("[25.4]", "/c is a list, not a number"),
        ("{}", "/c is an object, not a number"),
        ("1e999", "not a finite number"),
        ("-1e999", "not a finite number"),
        ("9" * 400, "/c is too large a number"),
        ("9" * 5000, "not JSON, though a value_pointer is set for this topic"),
        ("NaN", "not JSON, though a value_pointer is set for this topic"),
        ("Infinity", "not JSON, though a value_pointer is set for this topic"),
        ("-Infinity", "not JSON, though a value_pointer is set for this topic"),
        ("025", "not JSON, though a value_pointer is set for this topic"),
        ("25.4,", "not JSON, though a value_pointer is set for this topic"),
        ("[" * 30000 + "]" * 30000, "not JSON, though a value_pointer is set for this topic"),
        ('{"a":' * 10000 + "1" + "}" * 10000, "not JSON, though a value_pointer is set for this topic"),
    ],
    ids=lambda value: value[:12],
)
def test_what_is_no_number_in_json(value: str, reason: str) -> None:
    assert refusal(f'{{"c": {value}}}'.encode(), "/c") == reason


@pytest.mark.parametrize("payload", [b"25.4 C", b"\xef\xbb\xbf{}", b"{'c': 25.4}", b'{"c": 25.4}{'])
def test_what_is_not_json(payload: bytes) -> None:
    assert refusal(payload, "/c") == "not JSON, though a value_pointer is set for this topic"


def test_nan_elsewhere_in_the_document_spoils_it() -> None:
    assert refusal(b'{"c": 25.4, "humidity": NaN}', "/c").startswith("not JSON")


def test_of_a_name_given_twice_the_last_counts() -> None:
    # RFC 8259, section 4, leaves this open; most readers do so.
    assert read_payload(b'{"c": 1, "c": 25.4}', "/c", None).raw == 25.4


# ---- times ----


@pytest.mark.parametrize(
    "moment",
    [
        1773144000,
        1773144000.0,
        1773144000000,
        1.773144e12,
        "2026-03-10T12:00:00Z",
        "2026-03-10T12:00Z",
        "2026-03-10 13:00:00+01:00",
        "20260310T120000Z",
        "2026-03-10T07:00:00.000-05:00",
        "2026-W11-2T12:00:00Z",
    ],
)
def test_times_in_seconds_milliseconds_and_iso(moment: object) -> None:
    sample = timed(moment)
    assert sample == Sample(25.5, NOON)
    assert sample.time is not None
    assert sample.time.tzinfo is UTC


def test_fractions_of_a_second_are_kept() -> None:
    assert timed(1773144000.25).time == NOON + timedelta(milliseconds=250)
    assert timed(1773144000250).time == NOON + timedelta(milliseconds=250)


@pytest.mark.parametrize(
    ("moment", "reason"),
    [
        ("2026-03-10T12:00:00", "the time at /t has no offset (such as Z or +02:00)"),
        ("2026-03-10", "the time at /t has no offset (such as Z or +02:00)"),
        ("noon", "/t is not a time (ISO 8601 or seconds since 1970)"),
        ("", "/t is not a time (ISO 8601 or seconds since 1970)"),
        ("1773144000", "/t is not a time (ISO 8601 or seconds since 1970)"),
        ("2026-13-10T12:00:00Z", "/t is not a time (ISO 8601 or seconds since 1970)"),
        (True, "/t is not a time (ISO 8601 or seconds since 1970)"),
        ([], "/t is not a time (ISO 8601 or seconds since 1970)"),
        (10**400, "/t is not a time (ISO 8601 or seconds since 1970)"),
        (1e300, "/t is not a time (ISO 8601 or seconds since 1970)"),
        ("0001-01-01T00:00:00+23:00", "/t is not a time (ISO 8601 or seconds since 1970)"),
        (0, "the time at /t lies before the year 2000: the probe's clock is not set"),
        (-1, "the time at /t lies before the year 2000: the probe's clock is not set"),
        (946684799.999, "the time at /t lies before the year 2000: the probe's clock is not set"),
        ("1999-12-31T23:59:59Z", "the time at /t lies before the year 2000: the probe's clock is not set"),
        ("2200-01-01T00:00:00Z", "the time at /t lies after the year 2199: the probe's clock is not set"),
        ("9999-12-31T23:59:59Z", "the time at /t lies after the year 2199: the probe's clock is not set"),
    ],
    ids=lambda value: str(value)[:30],
)  # fmt: skip
def test_what_is_no_time(moment: object, reason: str) -> None:
    assert refusal(json.dumps({"c": 25.5, "t": moment}).encode(), "/c", "/t") == reason


def test_a_time_of_null_is_one_that_the_sender_does_not_know() -> None:
    assert read_payload(b'{"c": 25.5, "t": null}', "/c", "/t") == Sample(25.5, None)
    assert refusal(b'{"c": 25.5}', "/c", "/t") == "nothing at /t"


def test_the_first_moment_of_2000_and_the_last_of_2199() -> None:
    assert timed(946684800).time == datetime(2000, 1, 1, tzinfo=UTC)
    assert timed("2199-12-31T23:59:59Z").time == datetime(2199, 12, 31, 23, 59, 59, tzinfo=UTC)


def test_a_time_that_is_missing_is_a_reason() -> None:
    assert refusal(b'{"c": 25.5}', "/c", "/t") == "nothing at /t"


# ---- anything ----

POINTERS = st.sampled_from([None, "", "/c", "/c/0", "/~1", "/c/c", "/t"])


def check(payload: bytes, value: str | None, time: str | None) -> None:
    """A finite sample with an aware time that every other part can bear, or Unreadable with a reason."""
    try:
        sample = read_payload(payload, value, time)
    except Unreadable as why:
        reason = str(why)
    else:
        reason = "read"
        assert type(sample.raw) is float
        assert math.isfinite(sample.raw)
        if sample.time is not None:
            assert datetime(2000, 1, 1, tzinfo=UTC) <= sample.time < datetime(2200, 1, 1, tzinfo=UTC)
            sample.time.astimezone(timezone(timedelta(hours=14)))
    assert reason
    assert reason.isprintable()


@settings(deadline=None)
@given(st.binary(max_size=200), POINTERS, POINTERS)
@example(b"\xed\xa0\x80", None, None)
@example(b'{"c": "\\ud800"}', "/c", "/c")
def test_any_bytes(payload: bytes, value: str | None, time: str | None) -> None:
    check(payload, value, time)


@settings(deadline=None)
@given(st.text(st.sampled_from('0123456789+-.eE{}[]":,cttrueNaInfy \\u'), max_size=60), POINTERS, POINTERS)
def test_anything_like_json(text: str, value: str | None, time: str | None) -> None:
    check(text.encode(), value, time)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
    | st.integers(-(10**350), 10**350)
    | st.datetimes(timezones=st.none() | st.just(UTC)).map(datetime.isoformat),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["c", "t", "/", "0"]), inner),
    max_leaves=8,
)  # fmt: skip


@settings(deadline=None)
@given(JSON, POINTERS, POINTERS)
def test_any_json(document: Any, value: str | None, time: str | None) -> None:
    check(json.dumps(document).encode(), value, time)


@settings(deadline=None)
@given(
    st.binary(max_size=200)
    | (JSON | st.dictionaries(st.text(), JSON, max_size=4)).map(json.dumps).map(str.encode)
)
def test_any_request_is_plain_values_fit_to_print(payload: bytes) -> None:
    reason, asked = "", {}
    try:
        asked = read_request(payload)
    except Unreadable as why:
        reason = str(why)
    assert reason.isprintable()
    for name, value in asked.items():
        assert name.isprintable()
        assert value is None or isinstance(value, str | int | float)
        assert str(value).isprintable()
        assert not isinstance(value, float) or math.isfinite(value)


@settings(deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False), st.datetimes(datetime.fromisoformat("2000-01-02"),
       datetime.fromisoformat("2199-12-30"), timezones=st.just(UTC)))  # fmt: skip
def test_what_was_sent_comes_back(value: float, moment: datetime) -> None:
    assert read_payload(repr(value).encode(), None, None) == Sample(value, None)
    document = json.dumps({"water": [{"c/t": value, "~when": moment.isoformat()}]}).encode()
    assert read_payload(document, "/water/0/c~1t", "/water/0/~0when") == Sample(value, moment)

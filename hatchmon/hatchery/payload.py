"""What a message says: a probe's number, plain or somewhere in JSON, or a request. Hostile until read."""

from __future__ import annotations

import json
import math
import re
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple, NoReturn

LARGEST_PAYLOAD = 65536
LARGEST_REQUEST = 1024
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_INDEX = re.compile(r"0|[1-9]\d{0,8}", re.ASCII)
# What lies outside can only be a clock that was never set; far times would also overflow elsewhere.
_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
_LATEST = datetime(2200, 1, 1, tzinfo=UTC)
_MILLISECONDS_FROM = 1e11  # as seconds this would be the year 5138


class Unreadable(Exception):
    """The payload says nothing usable; the message says why, for the keeper."""


class Sample(NamedTuple):
    """A finite value as sent, and the time the probe put on it, if any."""

    raw: float
    time: datetime | None


def read_payload(payload: bytes, value_pointer: str | None, time_pointer: str | None) -> Sample:
    """Read a message; without a ``value_pointer`` (RFC 6901) it must be a plain number. A time of null says
    that the sender does not know it. Raises Unreadable."""
    text = _text(payload, LARGEST_PAYLOAD)
    if value_pointer is None:
        return Sample(_plain_number(text), None)
    try:
        document = _document(text)
    except ValueError:
        raise Unreadable("not JSON, though a value_pointer is set for this topic") from None
    value = _at(document, value_pointer)
    where = value_pointer or "the message"
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Unreadable(f"{where} is {_kind(value)}, not a number")
    try:
        raw = float(value)
    except OverflowError:
        raise Unreadable(f"{where} is too large a number") from None
    if time_pointer is None or (said := _at(document, time_pointer)) is None:
        return Sample(_finite(raw), None)
    return Sample(_finite(raw), _time(said, time_pointer))


def read_request(payload: bytes) -> dict[str, str | int | float | bool | None]:
    """The JSON object of a request: plain values by name, texts fit to print. Raises Unreadable."""
    asked = read_document(payload, LARGEST_REQUEST)
    if not isinstance(asked, dict):
        raise Unreadable(f'{_kind(asked)}, not an object such as {{"do": "seen"}}')
    for name, value in asked.items():
        # Also keeps lone surrogates out, which nothing else could store or print.
        if not name.isprintable() or (isinstance(value, str) and not value.isprintable()):
            raise Unreadable("holds characters that cannot be printed")
        if isinstance(value, dict | list):
            raise Unreadable(f"{name[:40]} is {_kind(value)}, not a plain value")
        if isinstance(value, float):
            _finite(value)
    return asked


def read_document(payload: bytes, most: int) -> Any:
    """The JSON of at most so many bytes. Raises Unreadable."""
    try:
        return _document(_text(payload, most))
    except ValueError:
        raise Unreadable("not JSON") from None


def _text(payload: bytes, most: int) -> str:
    if len(payload) > most:
        raise Unreadable(f"larger than {most} bytes")
    if not payload.strip():
        raise Unreadable("empty")
    try:
        return payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise Unreadable("not text (UTF-8)") from None


def _document(text: str) -> Any:
    """The JSON in ``text``; ValueError where it is none, or one too deep to read."""
    try:
        return json.loads(text, parse_constant=_no_constant)
    except RecursionError:
        raise ValueError("too deep") from None


def _plain_number(text: str) -> float:
    if not _NUMBER.fullmatch(text):
        shown = text if len(text) <= 40 else text[:40] + "..."
        raise Unreadable(f"not a plain number: {shown!r}")
    return _finite(float(text))


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise Unreadable("not a finite number")
    return value


def _no_constant(_: str) -> NoReturn:
    raise ValueError("NaN and Infinity are not JSON")


def _kind(value: Any) -> str:
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, str):
        return "text"
    return "a list" if isinstance(value, list) else "an object"


def _at(document: Any, pointer: str) -> Any:
    """The part of ``document`` that a JSON Pointer (RFC 6901) names."""
    here = document
    for token in pointer.split("/")[1:]:
        name = token.replace("~1", "/").replace("~0", "~")
        if isinstance(here, dict) and name in here:
            here = here[name]
        elif isinstance(here, list) and _INDEX.fullmatch(name) and int(name) < len(here):
            here = here[int(name)]
        else:
            raise Unreadable(f"nothing at {pointer}")
    return here


def _time(value: Any, pointer: str) -> datetime:
    """ISO 8601 with an offset, or seconds or milliseconds since 1970."""
    try:
        if isinstance(value, bool):
            raise ValueError
        if isinstance(value, int | float):
            seconds = float(value) / (1000.0 if value >= _MILLISECONDS_FROM else 1.0)
            moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
        else:
            moment = datetime.fromisoformat(value)
            if moment.tzinfo is None:
                raise Unreadable(f"the time at {pointer} has no offset (such as Z or +02:00)")
            moment = moment.astimezone(UTC)
    except (ValueError, TypeError, OverflowError):
        raise Unreadable(f"{pointer} is not a time (ISO 8601 or seconds since 1970)") from None
    if moment < _EARLIEST:
        raise Unreadable(f"the time at {pointer} lies before the year 2000: the probe's clock is not set")
    if moment >= _LATEST:
        raise Unreadable(f"the time at {pointer} lies after the year 2199: the probe's clock is not set")
    return moment

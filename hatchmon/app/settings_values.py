"""What single settings may be: each check takes what the keeper wrote and returns what the program uses.

A refusal is a sentence that follows the key's path, such as "must be a number from 0 to 1, not text".
"""

from __future__ import annotations

import difflib
import ipaddress
import json
import os
import re
import zoneinfo
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, time, tzinfo
from pathlib import Path
from typing import Annotated, Final, Literal, NoReturn, get_args

from pydantic import BeforeValidator, SecretStr, ValidationInfo
from pydantic_core import PydanticCustomError

from hatchmon.adapters.calendar import bad_secret
from hatchmon.adapters.web.access import SHORTEST_SECRET, bad_hash
from hatchmon.hatchery.alerts import Kind
from hatchmon.hatchery.cone_list import NoCones, cones_of
from hatchmon.hatchery.types import Quantity, Urgency

Unit = Literal["C", "F", "g/L", "psu", "mS/cm", "1", "lux"]
AlertKind = Kind
RequestVerb = Literal["begin", "look", "harvest", "seen"]

# The first unit of a quantity is what a probe is taken to send when its entry names none.
_UNITS: Final[Mapping[Quantity, tuple[Unit, ...]]] = {
    Quantity.TEMPERATURE: ("C", "F"),
    Quantity.AIR_TEMPERATURE: ("C", "F"),
    Quantity.SALINITY: ("g/L", "psu"),
    Quantity.CONDUCTIVITY: ("mS/cm",),
    Quantity.SPECIFIC_GRAVITY: ("1",),
    Quantity.LIGHT: ("lux",),
}


class SettingsError(Exception):
    """The settings cannot be used; ``str()`` is the whole message, one line per problem."""


class RawText(str):
    """A value from the environment or a credential: always text, whatever its key wants."""


def refuse(problem: str, *key: str | int) -> NoReturn:
    """Fail validation with a sentence that follows the key's path; ``key`` is added to that path."""
    # Passed as context, so that braces in it are not taken for a template.
    raise PydanticCustomError("refused", "{problem}", {"problem": problem, "key": key})


def _kind(value: object) -> str:
    """What ``value`` is, in the keeper's words, without showing it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    names: list[tuple[type, str]] = [
        (str, "text"),
        (int, "a whole number"),
        (float, "a number"),
        (datetime, "a date and time"),
        (date, "a date"),
        (time, "a time of day"),
        (dict, "a section"),
        (list, "a list"),
    ]
    return next((name for kind, name in names if isinstance(value, kind)), "this")


def _nearest(word: str, choices: Iterable[str]) -> list[str]:
    """``choices``, those most like ``word`` first."""

    def likeness(choice: str) -> float:
        return difflib.SequenceMatcher(None, word.casefold(), choice.casefold()).ratio()

    return sorted(choices, key=likeness, reverse=True)


def one_of(choices: Sequence[str], what: str = "") -> Callable[[object], str]:
    """Accepts exactly the ``choices``; ``what`` they are for goes into the refusal."""

    def check(value: object) -> str:
        if isinstance(value, str) and value in choices:
            return str(value)
        given = quoted(value) if isinstance(value, str) else _kind(value)
        ordered = _nearest(value, choices) if isinstance(value, str) else choices
        refuse(f"must be {' or '.join(quoted(choice) for choice in ordered)}{what}, not {given}")

    return check


def quoted(text: str) -> str:
    """``text`` as TOML would have it, cut short, and fit to print."""
    short = text if len(text) <= 60 else text[:59] + "…"
    return json.dumps(short.encode("utf-8", "replace").decode(), ensure_ascii=False)


def _number_from(value: object, read: Callable[[str], float]) -> int | float | None:
    if isinstance(value, RawText):
        try:
            return read(value)
        except ValueError:
            return None
    return value if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def whole_between(low: int, high: int) -> BeforeValidator:
    """A whole number from ``low`` to ``high``."""

    def check(value: object) -> int:
        number = _number_from(value, int)
        if not isinstance(number, int):
            refuse(f"must be a whole number from {low} to {high}, not {_given(value)}")
        if not low <= number <= high:
            refuse(f"must be a whole number from {low} to {high}, not {str(number)[:20]}")
        return number

    return BeforeValidator(check)


def number_between(low: float, high: float, unit: str = "") -> BeforeValidator:
    """A number from ``low`` to ``high``; NaN is in no range."""

    def check(value: object) -> float:
        number = _number_from(value, float)
        if number is None:
            refuse(f"must be a number from {low:g} to {high:g}{unit}, not {_given(value)}")
        if not low <= number <= high:
            # A whole number in a file has no bounds and may be too large to print as a float.
            given = f"{number:g}" if isinstance(number, float) else str(number)[:20]
            refuse(f"must be a number from {low:g} to {high:g}{unit}, not {given}")
        return float(number)

    return BeforeValidator(check)


def _given(value: object) -> str:
    """Names what was given in place of a number."""
    if isinstance(value, str) and not isinstance(value, RawText):
        return "text (leave out the quotes)" if re.fullmatch(r"\s*[-+\d.]+\s*", value) else "text"
    return _kind(value)


def _switch(value: object) -> bool:
    if isinstance(value, bool):
        return value
    words = {"true": True, "yes": True, "on": True, "1": True}
    words |= {"false": False, "no": False, "off": False, "0": False}
    if isinstance(value, RawText) and value.strip().casefold() in words:
        return words[value.strip().casefold()]
    return refuse(f"must be true or false, without quotes, not {_kind(value)}")


_COLDEST_C, _WARMEST_C = 0.0, 45.0  # beyond this nobody keeps a hatching cone
_TEMPERATURE = re.compile(r"\s*([-+]?\d+(?:\.\d*)?)\s*°?\s*([CF]?)\s*", re.IGNORECASE)


def _temperature_c(value: object) -> float:
    """A number in deg C, or text with its unit such as "68F", to deg C."""
    shape = 'a temperature: a number in C, or with its unit in quotes such as "25C" or "77F"'
    if isinstance(value, str):
        parts = _TEMPERATURE.fullmatch(value)
        # In the file text without a unit is refused: "68" may well be meant as Fahrenheit.
        if parts is None or not (parts[2] or isinstance(value, RawText)):
            refuse(f"must be {shape}; {quoted(value)} is not")
        degrees, unit = float(parts[1]), parts[2].upper()
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        degrees, unit = float(max(-1e6, min(value, 1e6))), ""
    else:
        refuse(f"must be {shape}, not {_kind(value)}")
    temp_c = (degrees - 32.0) / 1.8 if unit == "F" else degrees
    if not _COLDEST_C <= temp_c <= _WARMEST_C:
        hint = ""
        if not unit and _COLDEST_C <= (degrees - 32.0) / 1.8 <= _WARMEST_C:
            hint = f'; a bare number is C, for Fahrenheit write "{degrees:g}F"'
        refuse(f"must be from 0 to 45 C (32 to 113 F), not {degrees:g} {unit or 'C'}{hint}")
    return temp_c


def _words(pattern: str, rule: str, show: bool = True) -> BeforeValidator:
    """Text that ``pattern`` matches in full; ``rule`` says so in words."""

    def check(value: object) -> str:
        if not isinstance(value, str):
            refuse(f"must be text in quotes, not {_kind(value)}")
        if not re.fullmatch(pattern, value):
            refuse(f"must be {rule}" + (f"; {quoted(value)} is not" if show else ""))
        return str(value)

    return BeforeValidator(check)


def _path(value: object) -> Path:
    if isinstance(value, Path):
        return value
    if not isinstance(value, str):
        refuse(f"must be text in quotes, not {_kind(value)}")
    if not value.startswith("/") or "\0" in value:
        refuse(f"must be a whole path beginning with /; {quoted(value)} is not")
    return Path(value)


def _secret(value: object) -> object:
    return (
        value
        if isinstance(value, (str, SecretStr))
        else refuse(f"must be text in quotes, not {_kind(value)}")
    )


def _time_of_day(value: object) -> time:
    if isinstance(value, time):
        if value.tzinfo is None:
            return value
    elif isinstance(value, str) and re.fullmatch(r"([01]?\d|2[0-3]):[0-5]\d", value.strip()):
        hour, minute = value.strip().split(":")
        return time(int(hour), int(minute))
    given = quoted(value) if isinstance(value, str) else _kind(value)
    return refuse(f'must be a time of day in quotes such as "22:30", not {given}')


def span_of_day(value: object) -> tuple[time, time]:
    """``"07:00-09:30"``: from one time of day to another, which may lie after midnight."""
    if isinstance(value, tuple):
        return _time_of_day(value[0]), _time_of_day(value[1])
    parts = value.split("-") if isinstance(value, str) else []
    if len(parts) != 2:
        given = quoted(value) if isinstance(value, str) else _kind(value)
        refuse(f'must be hours in quotes such as "07:00-09:30", not {given}')
    start, end = (_time_of_day(part) for part in parts)
    if start == end:
        refuse(f'begins and ends at {start:%H:%M}; for the whole day write "00:00-23:59"')
    return start, end


def _date_and_time(value: object) -> datetime | None:
    """A date and time of our age, as TOML or ISO 8601 has it; None for anything else."""
    moment = value
    if isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            return None
    return moment if isinstance(moment, datetime) and 1970 <= moment.year < 9999 else None


def local_or_offset(value: object) -> datetime:
    """A date and time; without an offset it is meant to be local."""
    moment = _date_and_time(value)
    if moment is None:
        refuse("must be a date and time such as 2026-08-01 08:00 (local) or 2026-08-01T08:00:00Z")
    return moment


def _moment(value: object) -> datetime:
    moment = _date_and_time(value)
    if moment is None or moment.tzinfo is None:
        refuse("must be a date and time with its offset, such as 2026-03-01T18:00:00Z")
    return moment.astimezone(UTC)


_UNPRINTABLE = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")


def _topic(value: object) -> str:
    """An MQTT topic name, MQTT 5.0 section 4.7, that a probe may use."""
    if not isinstance(value, str):
        refuse(f"must be text in quotes, not {_kind(value)}")
    if not value:
        refuse("is empty; write the topic the probe publishes to")
    if wildcard := re.search("[#+]", value):
        refuse(f"{quoted(value)} has the wildcard {wildcard[0]}; give each probe its one exact topic")
    if _UNPRINTABLE.search(value) or len(value.encode()) > 65_535:
        refuse("is not an MQTT topic: it has characters that MQTT does not allow, or is too long")
    if value.startswith("$"):
        refuse(f"{quoted(value)} begins with $, which is kept for the broker itself")
    if value == "hatchmon" or value.startswith("hatchmon/"):
        refuse(f"{quoted(value)} is under hatchmon/, where hatchmon itself publishes; use another topic")
    return str(value)


_POINTER = _words(
    "(/([^~/]|~[01])*)*",
    'a JSON Pointer (RFC 6901): empty, or parts that each begin with / such as "/water/temp",'
    " with ~ written ~0 and a / within a name ~1",
)
_CONE = _words("[A-Za-z0-9_-]{1,32}", "1 to 32 of the characters A-Z a-z 0-9 _ -")
_ONEWIRE_ID = _words(
    "28-[0-9a-f]{12}", 'the name of a DS18B20, such as "28-0316a2794bff"; hatchmon onewire --once lists them'
)
_SITE = _words("[a-z0-9_-]{1,32}", "1 to 32 of the characters a-z 0-9 _ -")
_NOT_EMPTY = _words(r"(?s).*\S.*", "text that is not empty", show=False)
# A host, a URL or an address may carry a password: what was given is not shown.
_HOST = _words(
    r"[^\s/@:]{1,255}|(?=[^:]*:[^:]*:)[0-9A-Fa-f:.]+(%\w+)?",
    "a name or an IP address alone (the port goes into broker.port)",
    show=False,
)
_HTTP = _words(
    r"https?://[^\s/@]+(/\S*)?",
    'an address that begins with "http://" or "https://" and has no user name in it',
    show=False,
)
_PAGE_ADDRESS = _words(
    r"https?://[^\s/@?#]+/?",
    'where the page is found, such as "https://hatchery.example", without anything after the name',
    show=False,
)
_ADDRESS = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://\S+")


def _push_address(value: object) -> object:
    text = value.get_secret_value() if isinstance(value, SecretStr) else value
    if not isinstance(text, str):
        refuse(f"must be text in quotes, not {_kind(value)}")
    if not _ADDRESS.fullmatch(text):
        refuse('must be an Apprise address, which has the form "service://..." without blanks')
    return value


def _own_address(value: object) -> str:
    try:
        return str(ipaddress.ip_address(value if isinstance(value, str) else ""))
    except ValueError:
        given = quoted(value) if isinstance(value, str) else _kind(value)
        return refuse(
            f'must be an IP address of this machine, "127.0.0.1" for itself alone or "0.0.0.0" for all its '
            f"networks, not {given}"
        )


def _passphrase_hash(value: object) -> object:
    text = value.get_secret_value() if isinstance(value, SecretStr) else value
    if not isinstance(text, str):
        refuse(f"must be text in quotes, not {_kind(value)}")
    why = bad_hash(text)
    return value if why is None else refuse(why)


def _session_secret(value: object) -> object:
    text = value.get_secret_value() if isinstance(value, SecretStr) else value
    if not isinstance(text, str):
        refuse(f"must be text in quotes, not {_kind(value)}")
    if len(text.strip()) < SHORTEST_SECRET:
        refuse(f"must have {SHORTEST_SECRET} characters or more; 'hatchmon passphrase' makes one")
    return value


def _calendar_secret(value: object) -> object:
    text = value.get_secret_value() if isinstance(value, SecretStr) else value
    if not isinstance(text, str):
        refuse(f"must be text in quotes, not {_kind(value)}")
    why = bad_secret(text)
    if why is not None:
        refuse(why)
    return value


def _cone_names(value: object) -> object:
    """The names that a list of names and ranges means."""
    if not isinstance(value, list):
        return value  # refused as every list is
    for index, entry in enumerate(value):
        if not isinstance(entry, str):
            refuse(f"must be text in quotes, not {_kind(entry)}", index)
    if not value:
        refuse('is empty; name the cones of this share, such as ["a001..a500"], or leave [share] out')
    try:
        return cones_of([str(entry) for entry in value])
    except NoCones as why:
        return refuse(str(why), why.index)


def _secret_http(value: object) -> object:
    text = value.get_secret_value() if isinstance(value, SecretStr) else value
    if not isinstance(text, str):
        refuse(f"must be text in quotes, not {_kind(value)}")
    if not re.fullmatch(r"https?://[^\s/@]+(/\S*)?", text):
        refuse('must be an address that begins with "http://" or "https://" and has no user name in it')
    return value


def _zone_name(value: object) -> str:
    if not isinstance(value, str):
        refuse(f"must be text in quotes, not {_kind(value)}")
    try:
        zoneinfo.ZoneInfo(value)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        refuse(_unknown_zone(value))
    return str(value)


def _unknown_zone(name: str) -> str:
    known = zoneinfo.available_timezones()
    if not known:
        return "cannot be looked up: this machine has no time zone data; run: sudo apt install tzdata"
    meant = difflib.get_close_matches(name.casefold(), {zone.casefold(): zone for zone in known}, 1)
    near = next((zone for zone in known if meant and zone.casefold() == meant[0]), None)
    hint = (
        f'did you mean "{near}"?'
        if near
        else 'names look like "Europe/Lisbon"; see: timedatectl list-timezones'
    )
    return f"{quoted(name)} is not a time zone; {hint}"


def machine_zone() -> tzinfo:
    """The zone this machine keeps; SettingsError when it cannot be found out."""
    name = os.environ.get("TZ", "").lstrip(":")
    if name:
        try:
            return zoneinfo.ZoneInfo(name)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            raise SettingsError(f"TZ: {_unknown_zone(name)} (or set time_zone in the settings)") from None
    local = Path("/etc/localtime")
    try:
        with local.open("rb") as data:
            return zoneinfo.ZoneInfo.from_file(
                data, str(local.resolve()).partition("zoneinfo/")[2] or "local"
            )
    except FileNotFoundError:
        return UTC  # what the C library does, too
    except (OSError, ValueError):
        raise SettingsError(f"{local}: is not a time zone file; set time_zone in the settings") from None


def _probe_unit(value: object, info: ValidationInfo) -> str:
    """A unit of the quantity that stands before it; its first where none is given."""
    quantity = info.data.get("quantity")
    if quantity is None:  # refused already; any unit there is will do
        return one_of(get_args(Unit))("C" if value is None else value)
    units = _UNITS[quantity]
    return units[0] if value is None else one_of(units, f" for {quantity.value}")(value)


NotEmpty = Annotated[str, _NOT_EMPTY]
SiteName = Annotated[str, _SITE]
ConeName = Annotated[str, _CONE]
ConeNames = Annotated[list[str], BeforeValidator(_cone_names)]
OneWireId = Annotated[str, _ONEWIRE_ID]
HostName = Annotated[str, _HOST]
HttpAddress = Annotated[str, _HTTP]
PageAddress = Annotated[str, _PAGE_ADDRESS]
OwnAddress = Annotated[str, BeforeValidator(_own_address)]
PassphraseHash = Annotated[SecretStr, BeforeValidator(_passphrase_hash)]
CalendarSecret = Annotated[SecretStr, BeforeValidator(_calendar_secret)]
SessionSecret = Annotated[SecretStr, BeforeValidator(_session_secret)]
Topic = Annotated[str, BeforeValidator(_topic)]
Pointer = Annotated[str, _POINTER]
SecretHttpAddress = Annotated[SecretStr, BeforeValidator(_secret_http)]
PushAddress = Annotated[SecretStr, BeforeValidator(_push_address)]
Secret = Annotated[SecretStr, BeforeValidator(_secret)]
ZoneName = Annotated[str, BeforeValidator(_zone_name)]
AbsolutePath = Annotated[Path, BeforeValidator(_path)]
Switch = Annotated[bool, BeforeValidator(_switch)]
Temperature = Annotated[float, BeforeValidator(_temperature_c)]
Salinity = Annotated[float, number_between(0, 200, " (g/L)")]
Minutes = Annotated[float, number_between(0, 1440, " (minutes)")]
TimeOfDay = Annotated[time, BeforeValidator(_time_of_day)]
Moment = Annotated[datetime, BeforeValidator(_moment)]
ProbeQuantity = Annotated[Quantity, BeforeValidator(one_of([quantity.value for quantity in Quantity]))]
OneWireQuantity = Annotated[
    Quantity, BeforeValidator(one_of([Quantity.TEMPERATURE.value, Quantity.AIR_TEMPERATURE.value]))
]
ProbeUnit = Annotated[Unit, BeforeValidator(_probe_unit)]
DisplayUnit = Annotated[Literal["C", "F"], BeforeValidator(one_of(("C", "F")))]
AlertName = Annotated[AlertKind, BeforeValidator(one_of(get_args(AlertKind)))]
RequestName = Annotated[RequestVerb, BeforeValidator(one_of(get_args(RequestVerb)))]
HttpMethod = Annotated[Literal["GET", "POST"], BeforeValidator(one_of(("GET", "POST")))]
AlertUrgency = Annotated[Urgency, BeforeValidator(one_of(get_args(Urgency)))]

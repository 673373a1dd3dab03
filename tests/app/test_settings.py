"""Settings: what is accepted, every refusal's text, precedence, secrets, and the three shipped files."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import traceback
import zoneinfo
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, time, timedelta, tzinfo
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import HealthCheck, example, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from pydantic import BaseModel

from hatchmon.app import settings as settings_module
from hatchmon.app.record import thresholds_of
from hatchmon.app.settings import Settings, SettingsError, load_settings
from hatchmon.hatchery.types import Quantity
from hatchmon.science.nauplii import Thresholds

CONFIG = Path(__file__).parents[2] / "config"
SECRET = "hunter2-Zq"
CHECKOUT = Path(__file__).resolve().parents[2]

Load = Callable[..., Settings]
Refusal = Callable[..., str]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "hatchmon.toml"


@pytest.fixture
def load(file: Path) -> Load:
    """Write the text to a file and load it, by default without any environment."""

    def from_text(text: str = "", env: Mapping[str, str] | None = None) -> Settings:
        file.write_text(text, "utf-8")
        return load_settings(file, {} if env is None else env)

    return from_text


@pytest.fixture
def refusal(load: Load, file: Path) -> Refusal:
    """The message with which the text is refused, the file's name shortened to FILE."""

    def message(text: str = "", env: Mapping[str, str] | None = None) -> str:
        with pytest.raises(SettingsError) as caught:
            load(text, env)
        return str(caught.value).replace(str(file), "FILE")

    return message


def switched_on(text: str, marker: str = "#: ") -> str:
    """A shipped file with every setting that is commented out switched on."""
    return re.sub(f"(?m)^{re.escape(marker)}", "", text)


# --- the example ---------------------------------------------------------------------------------


def test_the_example_loads_as_it_is_and_changes_no_default() -> None:
    loaded = load_settings(CONFIG / "hatchmon.toml", {})
    assert loaded.model_dump() == Settings().model_dump()
    assert loaded.probes == []
    assert loaded.default_topics


def test_the_example_loads_with_every_setting_switched_on(load: Load) -> None:
    loaded = load(switched_on((CONFIG / "hatchmon.toml").read_text("utf-8")))
    assert loaded.time_zone == "Europe/Lisbon"
    assert [probe.unit for probe in loaded.probes] == ["F", "C"]
    assert [probe.id for probe in loaded.onewire.probes] == ["28-0316a2794bff"]
    assert loaded.quiet is not None
    assert loaded.quiet.start == time(22, 30)
    assert loaded.lots["river 23"].cold_c == pytest.approx(23.889, abs=1e-3)
    assert loaded.lots["river 23"].price_per_kg == 180.0
    assert loaded.alerts.urgency == {"ready-soon": "can wait", "closing": "now"}
    assert len(loaded.push.to) == 2
    assert loaded.rehearsal is not None
    assert loaded.rehearsal.real_start == datetime(2026, 3, 1, 18, tzinfo=UTC)


def test_the_example_shows_every_setting_there_is(load: Load) -> None:
    on = load(switched_on((CONFIG / "hatchmon.toml").read_text("utf-8")))

    def unset(value: Any, at: str) -> Iterator[str]:
        """Settings of which the example says nothing."""
        if isinstance(value, list):
            for entry in value[-1:]:
                yield from unset(entry, f"{at}[]")
        elif isinstance(value, dict):
            for entry in value.values():
                yield from unset(entry, f"{at}.*")
        elif hasattr(type(value), "model_fields"):
            for name in type(value).model_fields:
                where = f"{at}.{name}"
                if name not in value.model_fields_set:
                    yield where
                yield from unset(getattr(value, name), where)

    assert list(unset(on, "")) == []


@pytest.mark.parametrize(
    "setting",
    ["gather_s", "receive_maximum", "ready_soon_min", "closing_min", "silent_min", "water_min", "every_s"],
)
def test_numbers_commented_out_in_the_example_are_the_defaults(setting: str) -> None:
    text = (CONFIG / "hatchmon.toml").read_text("utf-8")
    shown = re.search(rf"(?m)^#: {setting} = (\d+)$", text)
    assert shown is not None
    defaults = Settings().alerts.model_dump() | Settings().broker.model_dump()
    defaults |= Settings().onewire.model_dump() | Settings().store.model_dump()
    assert float(shown[1]) == defaults[setting]


def test_an_empty_file_gives_the_defaults(load: Load) -> None:
    loaded = load()
    assert (loaded.site, loaded.unit, loaded.default_topics) == ("home", "C", True)
    assert loaded.store.path == Path("/var/lib/hatchmon/hatchmon.db")
    assert (loaded.broker.host, loaded.broker.port, loaded.broker.tls) == ("127.0.0.1", 1883, False)
    assert (loaded.broker.client_id, loaded.broker.receive_maximum) == ("hatchmon-home", 200)
    assert (loaded.series, loaded.quiet, loaded.rehearsal) == (None, None, None)
    assert (loaded.push.to, loaded.lots, loaded.probes, loaded.alerts.urgency) == ([], {}, [], {})
    assert (loaded.alerts.cold_c, loaded.alerts.warm_c, loaded.alerts.water_min) == (20.0, 31.0, 20.0)
    assert (loaded.alerts.ready_soon_min, loaded.alerts.closing_min, loaded.alerts.silent_min) == (30, 60, 10)
    assert (loaded.window.opens_share, loaded.window.closes_instar2, loaded.window.closes_energy) == (
        0.9,
        0.3,
        0.9,
    )
    assert not loaded.window.smallest_mouths


@pytest.mark.parametrize(("smallest_mouths", "closes_energy"), [("false", 0.85), ("true", 0.0)])
def test_for_the_smallest_mouths_energy_closes_no_window(
    load: Load, smallest_mouths: str, closes_energy: float
) -> None:
    section = f"[window]\ncloses_instar2 = 0.2\ncloses_energy = 0.85\nsmallest_mouths = {smallest_mouths}"
    assert thresholds_of(load(section)) == Thresholds(0.9, 0.2, closes_energy)


def test_settings_made_in_code_read_no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SITE", "elsewhere")
    monkeypatch.setenv("HATCHMON_SITE", "elsewhere")
    assert Settings().site == "home"
    assert Settings(site="shed").broker.client_id == "hatchmon-shed"


def test_settings_cannot_be_changed(load: Load) -> None:
    loaded = load()
    with pytest.raises(ValueError, match="frozen"):
        loaded.site = "shed"
    with pytest.raises(ValueError, match="frozen"):
        loaded.broker.port = 1


# --- what is accepted ----------------------------------------------------------------------------


def test_client_id_follows_the_site_unless_given(load: Load) -> None:
    assert load('site = "shed"').broker.client_id == "hatchmon-shed"
    assert load('site = "shed"\nbroker.client_id = "mine"').broker.client_id == "mine"


@pytest.mark.parametrize(
    ("quantity", "unit"),
    [
        ("temperature", "C"),
        ("air_temperature", "C"),
        ("salinity", "g/L"),
        ("conductivity", "mS/cm"),
        ("specific_gravity", "1"),
        ("light", "lux"),
    ],
)
def test_a_probe_without_a_unit_has_the_first_of_its_quantity(load: Load, quantity: str, unit: str) -> None:
    (probe,) = load(f'[[probes]]\ncone = "left"\nquantity = "{quantity}"\ntopic = "a/b"').probes
    assert probe.quantity is Quantity(quantity)
    assert probe.unit == unit


@pytest.mark.parametrize(
    ("quantity", "unit"), [("temperature", "F"), ("air_temperature", "F"), ("salinity", "psu")]
)
def test_other_units_of_a_quantity(load: Load, quantity: str, unit: str) -> None:
    text = f'[[probes]]\ncone = "left"\nquantity = "{quantity}"\ntopic = "a/b"\nunit = "{unit}"'
    assert load(text).probes[0].unit == unit


def with_pointer(pointer: str) -> str:
    # json.dumps writes a TOML basic string, too, as long as there is nothing beyond ASCII.
    return f'[[probes]]\ncone = "a"\nquantity = "light"\ntopic = "t"\nvalue_pointer = {json.dumps(pointer)}'


@pytest.mark.parametrize(
    "pointer", ["", "/foo", "/foo/0", "/", "/a~1b", "/c%d", "/e^f", "/g|h", "/i\\j", '/k"l', "/ ", "/m~0n"]
)
def test_the_pointers_of_rfc_6901_section_5_are_accepted(load: Load, pointer: str) -> None:
    assert load(with_pointer(pointer)).probes[0].value_pointer == pointer


@pytest.mark.parametrize("pointer", ["foo", "foo/bar", "/a~", "/a~2b", "/~", "#/foo"])
def test_what_rfc_6901_section_3_does_not_allow_is_refused(refusal: Refusal, pointer: str) -> None:
    assert refusal(with_pointer(pointer)) == (
        "FILE: probes[0].value_pointer (entry 1 of [[probes]]) must be a JSON Pointer (RFC 6901): empty, or"
        ' parts that each begin with / such as "/water/temp", with ~ written ~0 and a / within a name ~1;'
        f" {json.dumps(pointer)} is not"
    )


@pytest.mark.parametrize(
    # MQTT 5.0 (OASIS standard, 7 March 2019) sections 4.7.1 and 4.7.3: topic names from its examples.
    "topic",
    ["/", "/finance", "sport/tennis/player1", "sport/", "Accounts payable", "ACCOUNTS", "a//b", "水/温度"],
)
def test_topic_names_of_the_mqtt_standard_are_accepted(load: Load, topic: str) -> None:
    text = f'[[probes]]\ncone = "a"\nquantity = "light"\ntopic = "{topic}"'
    assert load(text).probes[0].topic == topic


@pytest.mark.parametrize(
    ("written", "temp_c"),
    [
        ("20", 20),
        ("20.5", 20.5),
        ('"20C"', 20),
        ('"20 °C"', 20),
        ('"68F"', 20),
        ('"68 f"', 20),
        ('"77.0F"', 25),
    ],
)
def test_temperatures_in_both_units(load: Load, written: str, temp_c: float) -> None:
    # The pairs follow from C = (F - 32) / 1.8, NIST SP 811 (2008), appendix B.9.
    assert load(f"alerts.cold_c = {written}").alerts.cold_c == pytest.approx(temp_c, abs=1e-9)


@given(st.floats(32.1, 80.0))
def test_fahrenheit_and_back(temp_f: float) -> None:
    lot = Settings.model_validate({"lots": {"x": {"cold_c": f"{temp_f:.6f}F", "warm_c": 45}}}).lots["x"]
    assert lot.cold_c is not None
    assert lot.cold_c * 1.8 + 32.0 == pytest.approx(temp_f, abs=1e-6)


def test_a_lot_has_a_band_of_its_own(load: Load) -> None:
    loaded = load('[lots."river 23"]\ncold_c = 24\nwarm_c = "86F"')
    assert loaded.band_c("river 23") == (24.0, 30.0)
    assert loaded.band_c("unheard of") == (20.0, 31.0)


@pytest.mark.parametrize(
    ("written", "band_c"),
    [
        ("", (20.0, 31.0)),
        ("cold_c = 24", (24.0, 31.0)),
        ("warm_c = 28", (20.0, 28.0)),
        ("price_per_kg = 180", (20.0, 31.0)),
        ("[alerts]\ncold_c = 22\nwarm_c = 33", (22.0, 33.0)),
    ],
)
def test_what_is_left_out_of_a_lot_is_as_for_all(
    load: Load, written: str, band_c: tuple[float, float]
) -> None:
    assert load(f"[lots.x]\n{written}").band_c("x") == band_c


def test_the_price_of_a_lot(load: Load) -> None:
    loaded = load('[lots."river 23"]\nprice_per_kg = 180\n[lots.x]\ncold_c = 24')
    assert loaded.lots["river 23"].price_per_kg == 180.0
    assert loaded.lots["x"].price_per_kg is None


@pytest.mark.parametrize("written", ['"22:30"', "22:30:00"])
def test_quiet_hours_as_text_or_as_a_toml_time(load: Load, written: str) -> None:
    quiet = load(f'[quiet]\nfrom = {written}\nto = "6:30"').quiet
    assert quiet is not None
    assert (quiet.start, quiet.end) == (time(22, 30), time(6, 30))


def test_rehearsal_moments_are_utc(load: Load) -> None:
    text = '[rehearsal]\nreal_start = 2026-03-01T18:00:00+02:00\nshown_start = "2026-03-01T18:00:00Z"\n'
    text += "speed = 600"
    rehearsal = load(text).rehearsal
    assert rehearsal is not None
    assert rehearsal.real_start == datetime(2026, 3, 1, 16, tzinfo=UTC)
    assert rehearsal.real_start.tzinfo is UTC
    assert (rehearsal.shown_start.hour, rehearsal.speed) == (18, 600.0)


@pytest.mark.parametrize("host", ["localhost", "broker.example", "192.168.1.4", "::1", "fe80::1%eth0"])
def test_hosts(load: Load, host: str) -> None:
    assert load(f'broker.host = "{host}"').broker.host == host


def test_a_byte_order_mark_does_no_harm(file: Path) -> None:
    file.write_bytes(b'\xef\xbb\xbfsite = "shed"\r\n')
    assert load_settings(file, {}).site == "shed"


# --- refusals ------------------------------------------------------------------------------------

PROBE = '[[probes]]\ncone = "left"\nquantity = "temperature"\ntopic = "a/b"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        # keys that do not exist
        ("broker.prot = 1883", "broker.prot is not a setting; did you mean broker.port?"),
        ('sight = "x"', "sight is not a setting; did you mean site?"),
        ('Site = "x"', "Site is not a setting; did you mean site?"),
        ('[brokr]\nhost = "x"', "brokr is not a setting; did you mean broker?"),
        ('broker.user = "x"', "broker.user is not a setting; did you mean broker.username?"),
        ('broker.site = "x"', "broker.site is not a setting; did you mean site?"),
        ('password = "x"', "password is not a setting; did you mean broker.password?"),
        ("receive-maximum = 5", "receive-maximum is not a setting; did you mean broker.receive_maximum?"),
        ("store.xyzzy = 1", "store.xyzzy is not a setting; the settings here are path, gather_s, raw_days"),
        (
            'quiet = {start = "1:00", from = "2:00", to = "3:00"}',
            "quiet.start is not a setting; the settings here are from, to",
        ),
        (
            PROBE + 'unti = "C"',
            "probes[0].unti (entry 1 of [[probes]]) is not a setting; did you mean probes[0].unit?",
        ),
        (
            "[lots.x]\ncold_c = 20\nwarm_c = 30\ncold_f = 1",
            "lots.x.cold_f is not a setting; did you mean lots.x.cold_c?",
        ),
        (
            '"a b" = 1',
            '"a b" is not a setting at the top; the settings here are site, unit, time_zone, default_topics,'
            " share, store, backup, broker, probes, onewire, requests, clock, series, fleet, push, heartbeat,"
            " quiet, alerts, lots, window, cones, supply, web, rehearsal",
        ),
        # kinds
        (
            'broker.port = "1883"',
            "broker.port must be a whole number from 1 to 65535, not text (leave out the quotes)",
        ),
        ("broker.port = true", "broker.port must be a whole number from 1 to 65535, not true"),
        ("broker.port = 1883.0", "broker.port must be a whole number from 1 to 65535, not a number"),
        ("broker.port = 0", "broker.port must be a whole number from 1 to 65535, not 0"),
        ("broker.port = 65536", "broker.port must be a whole number from 1 to 65535, not 65536"),
        (
            "broker.receive_maximum = 19",
            "broker.receive_maximum must be a whole number from 20 to 10000, not 19",
        ),
        ('broker.tls = "true"', "broker.tls must be true or false, without quotes, not text"),
        ("broker.tls = 1", "broker.tls must be true or false, without quotes, not a whole number"),
        ("broker.username = 7", "broker.username must be text in quotes, not a whole number"),
        ('broker.username = " "', "broker.username must be text that is not empty"),
        ("broker = 7", "broker must be a section, begun with [broker]"),
        ("probes = 7", "probes must be entries each begun with [[probes]], in double brackets"),
        ('[probes]\ncone = "left"', "probes must be entries each begun with [[probes]], in double brackets"),
        (
            "probes = [7]",
            "probes[0] (entry 1 of [[probes]]) must be an entry of its own, begun with [[probes]]",
        ),
        ("onewire.every_s = 0.5", "onewire.every_s must be a number from 1 to 3600 (seconds), not 0.5"),
        ('onewire.path = "w1"', 'onewire.path must be a whole path beginning with /; "w1" is not'),
        (
            "onewire.probes = 7",
            "onewire.probes must be entries each begun with [[onewire.probes]], in double brackets",
        ),
        ('push.to = "ntfy://x"', 'push.to must be a list, such as to = ["...", "..."]'),
        ("series.url = 1", "series.url must be text in quotes, not a whole number"),
        ('series = {url = "http://x", org = 1}', "series.org must be text in quotes"),
        ("alerts.water_min = true", "alerts.water_min must be a number from 0 to 1440 (minutes), not true"),
        ("alerts.water_min = nan", "alerts.water_min must be a number from 0 to 1440 (minutes), not nan"),
        ("alerts.silent_min = 0", "alerts.silent_min must be a number from 1 to 1440 (minutes), not 0"),
        ("window.opens_share = 90", "window.opens_share must be a number from 0.05 to 0.99, not 90"),
        ("window.closes_energy = inf", "window.closes_energy must be a number from 0.01 to 0.99, not inf"),
        (
            "window.opens_share = 1" + 400 * "0",
            "window.opens_share must be a number from 0.05 to 0.99, not 1" + 19 * "0",
        ),
        # single values
        ('site = "My House"', 'site must be 1 to 32 of the characters a-z 0-9 _ -; "My House" is not'),
        ('unit = "K"', 'unit must be "C" or "F", not "K"'),
        ('unit = "fahrenheit"', 'unit must be "F" or "C", not "fahrenheit"'),
        (
            'store.path = "hatchmon.db"',
            'store.path must be a whole path beginning with /; "hatchmon.db" is not',
        ),
        (
            'time_zone = "Europe/Lisbn"',
            'time_zone "Europe/Lisbn" is not a time zone; did you mean "Europe/Lisbon"?',
        ),
        (
            'time_zone = "europe/lisbon"',
            'time_zone "europe/lisbon" is not a time zone; did you mean "Europe/Lisbon"?',
        ),
        (
            'time_zone = "../../etc/passwd"',
            'time_zone "../../etc/passwd" is not a time zone; names look like "Europe/Lisbon";'
            " see: timedatectl list-timezones",
        ),
        (
            'broker.host = "mqtt://localhost"',
            "broker.host must be a name or an IP address alone (the port goes into broker.port)",
        ),
        (
            'broker.host = "localhost:1883"',
            "broker.host must be a name or an IP address alone (the port goes into broker.port)",
        ),
        (
            'series.url = "localhost:8428"',
            'series.url must be an address that begins with "http://" or "https://"'
            " and has no user name in it",
        ),
        ('series.token = "x"', "series.url is missing, and has no default"),
        (
            'push.to = ["keeper@mail.example"]',
            'push.to[0] must be an Apprise address, which has the form "service://..." without blanks',
        ),
        (
            'requests.over_mqtt = ["look", "reading"]',
            'requests.over_mqtt[1] must be "begin" or "seen" or "harvest" or "look", not "reading"',
        ),
        # values that do not go together
        (
            'broker.password = "x"',
            "broker.password is given without broker.username; the broker wants both",
        ),
        (
            'broker.ca_file = "/x.crt"',
            "broker.ca_file is given, but broker.tls is not true: nothing would be encrypted",
        ),
        (
            'broker.cert_file = "/x.crt"',
            "broker.cert_file is given, but broker.tls is not true: it would not be shown",
        ),
        (
            'broker.key_file = "/x.key"\nbroker.tls = true',
            "broker.key_file is given without broker.cert_file, the certificate it belongs to",
        ),
        (
            'broker.key_password = "x"\nbroker.tls = true',
            "broker.key_password is given without broker.cert_file, the certificate it belongs to",
        ),
        (
            '[quiet]\nfrom = "6:30"\nto = 06:30:00',
            "quiet.to is the same time as quiet.from; leave the section out to have no quiet hours",
        ),
        (
            '[quiet]\nfrom = "24:00"\nto = 7',
            'quiet.from must be a time of day in quotes such as "22:30", not "24:00"\n'
            'FILE: quiet.to must be a time of day in quotes such as "22:30", not a whole number',
        ),
        ("alerts.cold_c = 31", "alerts.cold_c (31 C) must be below warm_c (31 C)"),
        ("lots.x = {cold_c = 28, warm_c = 27.5}", "lots.x.cold_c (28 C) must be below warm_c (27.5 C)"),
        ("lots.x = {cold_c = 32}", "lots.x.cold_c (32 C) must be below alerts.warm_c (31 C)"),
        ("lots.x = {warm_c = 20}", "lots.x.warm_c (20 C) must be above alerts.cold_c (20 C)"),
        ("lots.x = {price_per_kg = 0}", "lots.x.price_per_kg must be a number from 0.01 to 1e+09, not 0"),
        (
            'lots.x = {price_per_kg = "9"}',
            "lots.x.price_per_kg must be a number from 0.01 to 1e+09, not text (leave out the quotes)",
        ),
        ('lots."river 23" = 5', 'lots."river 23" must be a section, begun with [lots."river 23"]'),
        # temperatures
        (
            "alerts.cold_c = 68",
            "alerts.cold_c must be from 0 to 45 C (32 to 113 F), not 68 C;"
            ' a bare number is C, for Fahrenheit write "68F"',
        ),
        ('alerts.warm_c = "20F"', "alerts.warm_c must be from 0 to 45 C (32 to 113 F), not 20 F"),
        (
            'alerts.warm_c = "68"',
            "alerts.warm_c must be a temperature: a number in C, or with its unit in quotes"
            ' such as "25C" or "77F"; "68" is not',
        ),
        (
            "alerts.warm_c = true",
            "alerts.warm_c must be a temperature: a number in C, or with its unit in quotes"
            ' such as "25C" or "77F", not true',
        ),
        # alerts
        (
            'alerts.urgency.cold = "never"',
            'alerts.urgency.cold must be "now" or "soon" or "can wait", not "never"',
        ),
        (
            'alerts.urgency.coldd = "now"',
            'alerts.urgency.coldd must be "cold" or "clock" or "closing" or "slow-lot" or "salt" or "dark" or'
            ' "back" or "ready" or "doubt" or "silent" or "broker" or "storage" or "ready-soon" or "past" or'
            ' "warm" or "series" or "begin-next", not "coldd"',
        ),
        # who else is told, and the heartbeat
        (
            "[push.second]\nto = []",
            "push.second.to is empty; leave the section out to have nobody else told",
        ),
        (
            '[push.second]\nto = ["json://x"]\nfor = []',
            "push.second.for is empty; leave the section out to have nobody else told",
        ),
        (
            '[push.second]\nto = ["json://x"]\nfor = ["never"]',
            'push.second.for[0] must be "now" or "soon" or "can wait", not "never"',
        ),
        (
            '[heartbeat]\nurl = "calls.example"',
            'heartbeat.url must be an address that begins with "http://" or "https://" and has no user name'
            " in it",
        ),
        (
            '[heartbeat]\nurl = "http://calls.example"\nevery_s = 0',
            "heartbeat.every_s must be a number from 1 to 86400 (seconds), not 0",
        ),
        # rehearsal
        (
            "[rehearsal]\nreal_start = 2026-03-01T18:00:00\nshown_start = 2026-03-01T18:00:00Z\nspeed = 2",
            "rehearsal.real_start must be a date and time with its offset, such as 2026-03-01T18:00:00Z",
        ),
        (
            "[rehearsal]\nreal_start = 0001-01-01T00:00:00+14:00\nshown_start = 2026-03-01T18:00:00Z\n"
            "speed = 2",
            "rehearsal.real_start must be a date and time with its offset, such as 2026-03-01T18:00:00Z",
        ),
        (
            "[rehearsal]\nreal_start = 2026-03-01T18:00:00Z\nshown_start = 2026-03-01T18:00:00Z\nspeed = 0",
            "rehearsal.speed must be a number from 0.001 to 100000, not 0",
        ),
    ],
)
def test_refused(refusal: Refusal, text: str, said: str) -> None:
    assert refusal(text) == f"FILE: {said}"


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("cone", "left cone", 'must be 1 to 32 of the characters A-Z a-z 0-9 _ -; "left cone" is not'),
        ("cone", "a" * 33, f'must be 1 to 32 of the characters A-Z a-z 0-9 _ -; "{"a" * 33}" is not'),
        (
            "quantity",
            "temp",
            'must be "temperature" or "air_temperature" or "light" or "salinity" or "conductivity"'
            ' or "specific_gravity", not "temp"',
        ),
        ("unit", "K", 'must be "C" or "F" for temperature, not "K"'),
        ("unit", "Fahrenheit", 'must be "F" or "C" for temperature, not "Fahrenheit"'),
        ("unit", "psu", 'must be "C" or "F" for temperature, not "psu"'),
        ("topic", "", "is empty; write the topic the probe publishes to"),
        ("topic", "shed/#", '"shed/#" has the wildcard #; give each probe its one exact topic'),
        ("topic", "shed/+/temp", '"shed/+/temp" has the wildcard +; give each probe its one exact topic'),
        ("topic", "$SYS/load", '"$SYS/load" begins with $, which is kept for the broker itself'),
        (
            "topic",
            "hatchmon/home/x",
            '"hatchmon/home/x" is under hatchmon/, where hatchmon itself publishes; use another topic',
        ),
        (
            "topic",
            "a\x00b",
            "is not an MQTT topic: it has characters that MQTT does not allow, or is too long",
        ),
        (
            "topic",
            "ü" * 32_768,
            "is not an MQTT topic: it has characters that MQTT does not allow, or is too long",
        ),
        (
            "time_pointer",
            "/at",
            "is given without value_pointer; a message with a time is JSON and needs both",
        ),
    ],
)
def test_refused_of_a_probe(refusal: Refusal, key: str, value: str, said: str) -> None:
    probe = {"cone": "left", "quantity": "temperature", "topic": "a/b"} | {key: value}
    text = PROBE.replace("a/b", "c/d") + "[[probes]]\n"
    text += "".join(f"{name} = {json.dumps(of_it)}\n" for name, of_it in probe.items())
    assert refusal(text) == f"FILE: probes[1].{key} (entry 2 of [[probes]]) {said}"


def test_hatchmon_as_the_beginning_of_a_longer_word_is_no_topic_of_ours(load: Load) -> None:
    assert load(PROBE.replace("a/b", "hatchmonitor/x")).probes[0].topic == "hatchmonitor/x"


def test_the_same_value_twice_is_refused(refusal: Refusal, load: Load) -> None:
    assert refusal(PROBE + PROBE.replace("left", "right")) == (
        'FILE: probes[1].topic (entry 2 of [[probes]]) "a/b" is already read by probes[0] (cone "left");'
        " one value serves one probe"
    )
    one, two = PROBE + 'value_pointer = "/x"\n', PROBE.replace("left", "right") + 'value_pointer = "/y"\n'
    assert len(load(one + two).probes) == 2
    assert refusal(one + two.replace("/y", "/x")) == (
        'FILE: probes[1].topic (entry 2 of [[probes]]) "a/b" with value_pointer "/x" is already read by'
        ' probes[0] (cone "left"); one value serves one probe'
    )


WIRED = '[[onewire.probes]]\nid = "28-0316a2794bff"\ncone = "left"\nquantity = "temperature"\n'
WIRED_TOO = WIRED.replace("28-0316a2794bff", "28-000005305b33")


SHARE = 'share = {name = "hall-a", cones = ["a001..a500", "left"]}\n'


def test_a_share_names_its_cones_and_is_named_itself_where_two_would_collide(load: Load) -> None:
    shared = load(SHARE)
    assert shared.share is not None
    assert len(shared.share.cones) == 501
    assert [shared.looks_after(cone) for cone in ("a001", "a500", "left", "a501", "right")] == [
        *(True, True, True),
        *(False, False),
    ]
    assert shared.broker.client_id == "hatchmon-home.hall-a"
    assert str(shared.store.path) == "/var/lib/hatchmon/hall-a/hatchmon.db"
    assert shared.own_topics == "hatchmon/home/shares/hall-a"
    given = load(SHARE + 'store.path = "/var/lib/hatchmon/hatchmon.db"\nbroker.client_id = "mine"')
    assert str(given.store.path) == "/var/lib/hatchmon/hatchmon.db"
    assert given.broker.client_id == "mine"
    alone = load()
    assert alone.looks_after("anything")
    assert alone.own_topics == "hatchmon/home"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('share.name = "hall-a"', "share.cones is missing, and has no default"),
        ('share.cones = ["a"]', "share.name is missing, and has no default"),
        (
            'share = {name = "Hall A", cones = ["a"]}',
            'share.name must be 1 to 32 of the characters a-z 0-9 _ -; "Hall A" is not',
        ),
        (
            'share = {name = "a", cones = []}',
            'share.cones is empty; name the cones of this share, such as ["a001..a500"], or leave [share]'
            " out",
        ),
        ('share = {name = "a", cones = "a1"}', 'share.cones must be a list, such as cones = ["...", "..."]'),
        (
            'share = {name = "a", cones = ["a1", 2]}',
            "share.cones[1] must be text in quotes, not a whole number",
        ),
        (
            'share = {name = "a", cones = ["a1", "a1-a9"]}',
            'share.cones[1] "a1-a9" looks like a range; write it "a1..a9"',
        ),
        (
            SHARE + "[cones.right]\nlitres = 2",
            "cones.right is not one of the cones of share.cones; add it there, or leave it to its own share",
        ),
        (
            SHARE + '[[probes]]\ncone = "right"\nquantity = "light"\ntopic = "t"',
            "probes[0].cone (entry 1 of [[probes]]) is not one of the cones of share.cones; add it there, or"
            " leave it to its own share",
        ),
        (
            SHARE + '[[onewire.probes]]\nid = "28-0316a2794bff"\ncone = "right"\nquantity = "temperature"',
            "onewire.probes[0].cone (entry 1 of [[onewire.probes]]) is not one of the cones of share.cones;"
            " add it there, or leave it to its own share",
        ),
    ],
)
def test_refused_of_a_share(refusal: Refusal, text: str, said: str) -> None:
    assert refusal(text).splitlines()[0] == f"FILE: {said}"


def test_a_share_in_the_environment(load: Load) -> None:
    shared = load("", {"HATCHMON_SHARE__NAME": "b", "HATCHMON_SHARE__CONES": "b1..b3 left"}).share
    assert shared is not None
    assert shared.cones == ["b1", "b2", "b3", "left"]


def test_a_1_wire_probe_is_heard_without_a_word_more(load: Load) -> None:
    loaded = load('site = "shed"\n' + PROBE + WIRED)
    assert (loaded.onewire.every_s, loaded.onewire.path) == (10.0, Path("/sys/bus/w1/devices"))
    mapped, wired = loaded.heard_probes
    assert mapped == loaded.probes[0]
    assert (wired.cone, wired.quantity, wired.unit) == ("left", Quantity.TEMPERATURE, "C")
    assert wired.topic == loaded.onewire_topic(loaded.onewire.probes[0]) == "onewire/shed/left/temperature"
    assert (wired.value_pointer, wired.time_pointer) == ("/temp_c", "/time")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            WIRED.replace("28-0316a2794bff", "10-000802b4ba0e"),
            "onewire.probes[0].id (entry 1 of [[onewire.probes]]) must be the name of a DS18B20, such as"
            ' "28-0316a2794bff"; hatchmon onewire --once lists them; "10-000802b4ba0e" is not',
        ),
        (
            WIRED.replace('"temperature"', '"salinity"'),
            "onewire.probes[0].quantity (entry 1 of [[onewire.probes]]) must be"
            ' "air_temperature" or "temperature", not "salinity"',
        ),
        (
            WIRED + WIRED.replace("left", "right"),
            'onewire.probes[1].id (entry 2 of [[onewire.probes]]) "28-0316a2794bff" is already'
            " onewire.probes[0]",
        ),
        (
            WIRED + WIRED_TOO,
            'onewire.probes[1].cone (entry 2 of [[onewire.probes]]) "left" already has its temperature from'
            " onewire.probes[0]; two probes in one cone cannot be told apart",
        ),
        (
            PROBE.replace("a/b", "onewire/home/left/temperature") + WIRED,
            'probes[0].topic (entry 1 of [[probes]]) "onewire/home/left/temperature" is already heard for'
            " onewire.probes; leave this entry out",
        ),
        (
            WIRED + 'unit = "F"\n',
            "onewire.probes[0].unit (entry 1 of [[onewire.probes]]) is not a setting; did you mean unit?",
        ),
    ],
)
def test_refused_of_a_1_wire_probe(refusal: Refusal, text: str, said: str) -> None:
    assert refusal(text) == f"FILE: {said}"


def test_every_problem_is_listed_a_line_each(refusal: Refusal) -> None:
    text = 'sight = "x"\nunit = "K"\nbroker = {prot = 1, port = 0}\n' + PROBE + 'unit = "K"\ncown = 1\n'
    text += PROBE.replace("left", "ri ght").replace("a/b", "")
    lines = refusal(text, {"HATCHMON_BROKR__HOST": "x", "HATCHMON_WINDOW__OPENS_SHARE": "much"}).split("\n")
    assert {line.split(" ", 2)[1] for line in lines} == {
        *(
            "HATCHMON_BROKR__HOST",
            "HATCHMON_WINDOW__OPENS_SHARE",
            "sight",
            "unit",
            "broker.prot",
            "broker.port",
        ),
        *("probes[0].unit", "probes[0].cown", "probes[1].cone", "probes[1].topic"),
    }
    assert len(lines) == 10


def test_missing_file(tmp_path: Path) -> None:
    missing = tmp_path / "none.toml"
    mend = "copy the commented example config/hatchmon.toml there, or name your own file with --config FILE"
    with pytest.raises(SettingsError, match="no such file") as caught:
        load_settings(missing, {})
    assert str(caught.value) == f"{missing}: no such file; {mend}"
    with pytest.raises(SettingsError, match="no such file") as caught:
        load_settings(None, {"HATCHMON_CONFIG": str(missing)})
    assert str(caught.value) == f"{missing}: no such file (named by HATCHMON_CONFIG); {mend}"


def test_the_default_place_is_in_etc() -> None:
    if Path("/etc/hatchmon/hatchmon.toml").exists():
        pytest.skip("this machine has settings of its own")
    with pytest.raises(SettingsError, match=r"^/etc/hatchmon/hatchmon\.toml: no such file; copy"):
        load_settings(None, {})


def test_the_file_is_named_by_argument_before_the_environment(tmp_path: Path) -> None:
    one, two = tmp_path / "one.toml", tmp_path / "two.toml"
    one.write_text('site = "one"')
    two.write_text('site = "two"')
    assert load_settings(None, {"HATCHMON_CONFIG": str(two)}).site == "two"
    assert load_settings(one, {"HATCHMON_CONFIG": str(two)}).site == "one"


def test_a_folder_and_a_file_in_the_way(tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        load_settings(tmp_path, {})
    assert str(caught.value) == (
        f"{tmp_path}: is a folder; name the settings file in it, such as {tmp_path}/hatchmon.toml"
    )
    (tmp_path / "file").touch()
    with pytest.raises(SettingsError, match="file/x: cannot be read: Not a directory"):
        load_settings(tmp_path / "file/x", {})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('site = "a"\nunit = C\n', "line 2, column 8: Invalid value; text goes into quotes, true and false"),
        ("broker.tls = True", "line 1, column 14: Invalid value; text goes into quotes, true and false"),
        ("site\n", "line 1, column 5: Expected '=' after a key in a key/value pair"),
        (
            'site = "a"\nsite = "b"',
            "line 2, column 11: Cannot overwrite a value; the same key stands there twice",
        ),
        ("[broker]\nport = 1\n[broker]\n", "line 3, column 8: Cannot declare ('broker',) twice"),
        ('store.path = "C:\\data"', "line 1, column 19: Unescaped '\\' in a string; write \\\\ for \\"),
        ("broker.port = " + "1" * 5000, "Exceeds the limit"),
    ],
)
def test_broken_toml(refusal: Refusal, text: str, said: str) -> None:
    assert refusal(text).startswith(f"FILE: {said}")


def test_a_file_that_is_not_utf_8(file: Path) -> None:
    file.write_bytes('site = "a"\n# für\n'.encode("latin-1"))
    with pytest.raises(
        SettingsError, match="line 2 holds a character that is not UTF-8; save the file as UTF-8"
    ):
        load_settings(file, {})


# --- files that are closed to us -----------------------------------------------------------------


@contextmanager
def as_nobody() -> Iterator[None]:
    """Run as a user without rights where the tests run as root, to whom no file is closed."""
    if os.geteuid() != 0:
        yield
        return
    groups, gid = os.getgroups(), os.getegid()
    os.setgroups([])
    os.setegid(65_534)
    os.seteuid(65_534)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(gid)
        os.setgroups(groups)


@pytest.fixture
def closed() -> Iterator[Path]:
    """A settings file in a folder that all may enter, whoever runs the tests."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    path = folder / "hatchmon.toml"
    path.write_text(f'site = "{SECRET}"')
    yield path
    folder.chmod(0o755)
    shutil.rmtree(folder)


def refused_to_nobody(path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    with as_nobody(), pytest.raises(SettingsError) as caught:
        load_settings(path, {})
    return str(caught.value)


def test_a_file_only_its_owner_may_read(closed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    closed.chmod(0o000)
    assert refused_to_nobody(closed, monkeypatch) == (
        f"{closed}: may be read only by {closed.owner()}; let the service in with:"
        f" sudo chgrp hatchmon {closed} && sudo chmod g+r {closed}"
        " - and put 'sudo -u hatchmon' before the command"
    )


def test_a_file_a_group_may_read(closed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can give a file to a group it is not in")
    os.chown(closed, 0, 1)  # Debian's and most others' group "daemon"
    closed.chmod(0o640)
    assert refused_to_nobody(closed, monkeypatch) == (
        f"{closed}: may be read only by root and the group {closed.group()};"
        " put 'sudo -u hatchmon' before the command"
    )


def test_a_folder_that_is_closed(closed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = closed.parent
    owner = folder.owner()
    folder.chmod(0o000)
    assert refused_to_nobody(closed, monkeypatch) == (
        f"{closed}: lies in {folder}, which may be entered only by {owner}; let the service in with:"
        f" sudo chgrp hatchmon {folder} && sudo chmod g+x {folder}"
        " - and put 'sudo -u hatchmon' before the command"
    )


# --- environment and credentials -----------------------------------------------------------------


def test_the_environment_is_parsed(load: Load) -> None:
    env = {
        "HATCHMON_SITE": "shed",
        "HATCHMON_DEFAULT_TOPICS": "no",
        "HATCHMON_BROKER__PORT": " 8883 ",
        "HATCHMON_BROKER__TLS": "true",
        "HATCHMON_BROKER__USERNAME": "1234",
        "HATCHMON_BROKER__PASSWORD": SECRET,
        "HATCHMON_WINDOW__OPENS_SHARE": "0.8",
        "HATCHMON_ALERTS__COLD_C": "68F",
        "HATCHMON_ALERTS__WARM_C": "30",
        "HATCHMON_ALERTS__URGENCY": '{"cold": "now"}',
        "HATCHMON_QUIET__FROM": "22:00",
        "HATCHMON_QUIET__TO": "06:00",
        "HATCHMON_PROBES": '[{"cone": "left", "quantity": "light", "topic": "a"}]',
        "HATCHMON_LOTS": '{"river 23": {"cold_c": 22, "warm_c": "86F"}}',
        "HATCHMON_REHEARSAL__REAL_START": "2026-03-01T18:00:00Z",
        "HATCHMON_REHEARSAL__SHOWN_START": "2026-03-01T18:00:00+00:00",
        "HATCHMON_REHEARSAL__SPEED": "600",
        "HATCHMON_CONFIG": "/not/used",
        "HOME": "/root",
    }
    loaded = load("broker.port = 1", env)
    assert (loaded.site, loaded.default_topics, loaded.broker.client_id) == ("shed", False, "hatchmon-shed")
    assert (loaded.broker.port, loaded.broker.tls, loaded.broker.username) == (8883, True, "1234")
    assert loaded.broker.password is not None
    assert loaded.broker.password.get_secret_value() == SECRET
    assert (loaded.window.opens_share, loaded.alerts.cold_c, loaded.alerts.warm_c) == (0.8, 20.0, 30.0)
    assert loaded.alerts.urgency == {"cold": "now"}
    assert loaded.quiet is not None
    assert loaded.quiet.end == time(6, 0)
    assert loaded.probes[0].unit == "lux"
    assert loaded.lots["river 23"].warm_c == pytest.approx(30.0)
    assert loaded.rehearsal is not None
    assert loaded.rehearsal.speed == 600.0


ADDRESSES = [
    "ntfy://127.0.0.1/a",
    "mailto://k:p@mail.example?to=a@b.example,c@d.example",
    "json://127.0.0.1:1/",
]


@pytest.mark.parametrize(
    "written",
    [
        json.dumps(ADDRESSES),
        ",".join(ADDRESSES),
        ", ".join(ADDRESSES),
        " ".join(ADDRESSES),
        "\n".join(ADDRESSES) + "\n",
    ],
)
def test_push_addresses_in_the_environment(load: Load, written: str) -> None:
    loaded = load("", {"HATCHMON_PUSH__TO": written})
    assert [address.get_secret_value() for address in loaded.push.to] == ADDRESSES


def test_who_else_is_told_and_the_heartbeat(load: Load) -> None:
    loaded = load(
        'push.daily_at = "08:00"\n[push.second]\nto = ["json://x"]\n[heartbeat]\nurl = "http://x/1"',
        {"HATCHMON_PUSH__SECOND__TO": "json://a\njson://b", "HATCHMON_HEARTBEAT__URL": "https://y/2"},
    )
    second, beat = loaded.push.second, loaded.heartbeat
    assert second is not None
    assert [address.get_secret_value() for address in second.to] == ["json://a", "json://b"]
    assert (second.after_min, second.urgencies) == (30.0, ["now"])
    assert loaded.push.daily_at == time(8, 0)
    assert beat is not None
    assert (beat.url.get_secret_value(), beat.every_s, beat.method) == ("https://y/2", 300.0, "GET")
    bare = load("")
    assert (bare.push.second, bare.heartbeat, bare.push.daily_at) == (None, None, None)


def test_no_push_address_in_the_environment_silences_those_of_the_file(load: Load) -> None:
    assert load('push.to = ["json://x"]', {"HATCHMON_PUSH__TO": ""}).push.to == []


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        (
            "HATCHMON_BROKR__HOST",
            "x",
            "HATCHMON_BROKR__HOST is not a setting; did you mean HATCHMON_BROKER__HOST?",
        ),
        (
            "HATCHMON_BROKER_HOST",
            "x",
            "HATCHMON_BROKER_HOST is not a setting; did you mean HATCHMON_BROKER__HOST?",
        ),
        (
            "HATCHMON_PASSWORD",
            "x",
            "HATCHMON_PASSWORD is not a setting; did you mean HATCHMON_BROKER__PASSWORD?",
        ),
        ("HATCHMON_XYZZY", "x", "HATCHMON_XYZZY is not a setting; unset it"),
        (
            "HATCHMON_BROKER__PORT",
            "mqtt",
            "HATCHMON_BROKER__PORT must be a whole number from 1 to 65535, not text",
        ),
        (
            "HATCHMON_BROKER__PORT",
            "",
            "HATCHMON_BROKER__PORT must be a whole number from 1 to 65535, not text",
        ),
        (
            "HATCHMON_BROKER__PORT",
            "70000",
            "HATCHMON_BROKER__PORT must be a whole number from 1 to 65535, not 70000",
        ),
        (
            "HATCHMON_BROKER__TLS",
            "maybe",
            "HATCHMON_BROKER__TLS must be true or false, without quotes, not text",
        ),
        ("HATCHMON_LOTS", "river", "HATCHMON_LOTS must be JSON here, an object in { }"),
        ("HATCHMON_PROBES", "left", "HATCHMON_PROBES must be JSON here, a list in [ ]"),
        (
            "HATCHMON_PROBES",
            '[{"cone": "left", "quantity": "light", "topic": "a", "unit": "lumen"}]',
            'HATCHMON_PROBES[0].unit must be "lux" for light, not "lumen"',
        ),
        (
            "HATCHMON_PUSH__TO",
            "json://a keeper",
            'HATCHMON_PUSH__TO[1] must be an Apprise address, which has the form "service://..."'
            " without blanks",
        ),
        ("HATCHMON_UNIT", "K\udcff", 'HATCHMON_UNIT must be "C" or "F", not "K?"'),
    ],
)
def test_refused_of_the_environment(refusal: Refusal, name: str, value: str, said: str) -> None:
    assert refusal("", {name: value}) == f"environment: {said}"


@pytest.fixture
def credentials(tmp_path: Path) -> Path:
    folder = tmp_path / "credentials"
    folder.mkdir()
    return folder


def test_environment_over_credentials_over_file(load: Load, credentials: Path) -> None:
    (credentials / "broker.password").write_text("from the credential\n")
    (credentials / "broker.port").write_text("2\n")
    (credentials / "series.token").write_text("from the credential\r\n")
    (credentials / "push.to").write_text("json://a\njson://b\n")
    env = {"CREDENTIALS_DIRECTORY": str(credentials)}
    text = 'broker = {username = "u", password = "file", port = 1, host = "h"}\npush.to = ["json://c"]\n'
    text += '[series]\nurl = "http://x"\ntoken = "file"'
    loaded = load(text, env)
    assert (loaded.broker.host, loaded.broker.port) == ("h", 2)
    assert loaded.broker.password is not None
    assert loaded.broker.password.get_secret_value() == "from the credential"
    assert loaded.series is not None
    assert loaded.series.token.get_secret_value() == "from the credential"
    assert [address.get_secret_value() for address in loaded.push.to] == ["json://a", "json://b"]
    env |= {"HATCHMON_BROKER__PORT": "3", "HATCHMON_BROKER__PASSWORD": "from the environment"}
    loaded = load(text, env)
    assert (loaded.broker.host, loaded.broker.port) == ("h", 3)
    assert loaded.broker.password is not None
    assert loaded.broker.password.get_secret_value() == "from the environment"


def secret_keys(model: type[BaseModel] = Settings, at: str = "") -> Iterator[str]:
    """Every key whose value is kept out of sight."""
    for name, info in model.model_fields.items():
        for section in (info.annotation, *get_args(info.annotation)):
            if isinstance(section, type) and issubclass(section, BaseModel):
                yield from secret_keys(section, f"{at}{info.alias or name}.")
        if "SecretStr" in str(info.annotation):
            yield f"{at}{info.alias or name}"


def test_what_is_secret_is_known_as_such() -> None:
    found = set(secret_keys())
    assert {"broker.password", "broker.key_password", "series.token", "push.to", "web.passphrase"} <= found
    telling = ("password", "token", "secret", "passphrase", "push.")
    assert {key for key in KEYS if any(word in key for word in telling)} <= found


@pytest.mark.parametrize("key", sorted(secret_keys()))
def test_every_secret_can_be_a_credential_and_the_unit_says_so(
    load: Load, credentials: Path, key: str
) -> None:
    (credentials / key).write_text(SECRET)
    rest = '[broker]\nusername = "u"\ntls = true\ncert_file = "/c"\n'
    rest += '[series]\nurl = "http://x"\n[fleet]\nurl = "http://x"'
    try:
        said = repr(load(rest, {"CREDENTIALS_DIRECTORY": str(credentials)}))
    except SettingsError as refused:
        said = str(refused)
        assert f"credential {key}" in said
        assert "is not a setting" not in said
    assert SECRET not in said
    unit = (CHECKOUT / "systemd/hatchmon.service").read_text()
    assert f"\n#LoadCredential={key}:/etc/hatchmon/{key}\n" in unit


def test_addresses_of_the_series_store_may_have_a_path(load: Load) -> None:
    loaded = load(
        'series.url = "http://in:8480/insert/0/influx"\nfleet.url = "http://out:8481/select/0/prometheus"'
    )
    assert loaded.series is not None
    assert loaded.series.url.endswith("/insert/0/influx")
    assert loaded.fleet is not None
    assert loaded.fleet.url.endswith("/select/0/prometheus")
    assert (loaded.fleet.lagging_min, loaded.fleet.record_days) == (60.0, 30)


def test_a_credential_for_a_file_is_the_file(load: Load, credentials: Path) -> None:
    (credentials / "broker.cert_file").write_bytes(b"\xff not a path\n")
    (credentials / "broker.key_file").write_text("nor this")
    loaded = load(
        '[broker]\ntls = true\ncert_file = "/etc/other.crt"', {"CREDENTIALS_DIRECTORY": str(credentials)}
    )
    assert loaded.broker.cert_file == credentials / "broker.cert_file"
    assert loaded.broker.key_file == credentials / "broker.key_file"


def test_the_command_line_uses_the_services_credentials_with_the_services_file_alone(
    credentials: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (credentials / "broker.host").write_text("from-the-service")
    ours, other = tmp_path / "hatchmon.toml", tmp_path / "other.toml"
    for file in (ours, other):
        file.write_text('broker.host = "from-the-file"')
    monkeypatch.setattr(settings_module, "DEFAULT_PATH", ours)
    monkeypatch.setattr(settings_module, "SERVICE_CREDENTIALS", credentials)
    assert load_settings(None, {}).broker.host == "from-the-service"
    assert load_settings(other, {}).broker.host == "from-the-file"
    assert load_settings(None, {"HATCHMON_CONFIG": str(other)}).broker.host == "from-the-file"
    assert load_settings(None, {"HATCHMON_BROKER__HOST": "mine"}).broker.host == "mine"
    # Of several hatchmons each has its own.
    assert load_settings(tmp_path / "other.toml", {}).broker.host == "from-the-file"
    share = credentials.with_name("hatchmon@other.service")
    share.mkdir()
    (share / "broker.host").write_text("from-the-share")
    assert load_settings(other, {}).broker.host == "from-the-share"
    assert load_settings(None, {}).broker.host == "from-the-service"
    monkeypatch.setattr(settings_module, "SERVICE_CREDENTIALS", tmp_path / "none" / "service not running")
    assert load_settings(None, {}).broker.host == "from-the-file"


def test_refused_of_the_credentials(refusal: Refusal, credentials: Path) -> None:
    (credentials / "broker.pasword").write_text(SECRET)
    (credentials / "xyzzy").write_text(SECRET)
    (credentials / "broker.port").write_text(SECRET)
    (credentials / "series.url").write_bytes(b"\xff")
    assert refusal("", {"CREDENTIALS_DIRECTORY": str(credentials)}) == (
        "credential broker.pasword is not a setting; did you mean broker.password?\n"
        "credential series.url is not UTF-8 text\n"
        "credential xyzzy is not a setting; remove it from the service's credentials\n"
        "credential broker.port must be a whole number from 1 to 65535, not text"
    )


def test_a_credential_for_a_section_that_is_missing(refusal: Refusal, credentials: Path) -> None:
    (credentials / "series.token").write_text(SECRET)
    said = refusal("", {"CREDENTIALS_DIRECTORY": str(credentials)})
    assert said == "FILE: series.url is missing, and has no default"


def test_a_credentials_folder_that_is_not_there(refusal: Refusal) -> None:
    said = refusal("", {"CREDENTIALS_DIRECTORY": "/not/there"})
    assert said == "/not/there: credentials cannot be read: No such file or directory"


def test_the_process_environment_is_the_default(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("HATCHMON_")]:
        monkeypatch.delenv(name)
    file.write_text('site = "file"')
    monkeypatch.setenv("HATCHMON_SITE", "outside")
    assert load_settings(file).site == "outside"


# --- secrets -------------------------------------------------------------------------------------


def everything_said(error: BaseException) -> str:
    """All that could reach a screen or a log of an error and of those it came from."""
    said = "".join(traceback.format_exception(error))
    chain: BaseException | None = error
    while chain is not None:
        said += f"{chain!s} {chain!r} {chain.args!r}"
        chain = chain.__cause__ or chain.__context__
    return said


@pytest.mark.parametrize(
    "text",
    [
        f'broker.pasword = "{SECRET}"',
        f'broker.password = ["{SECRET}"]',
        f'broker.password = {{a = "{SECRET}"}}',
        f'broker.password = "{SECRET}"',
        f'broker = "{SECRET}"',
        f'broker.host = "mqtt://keeper:{SECRET}@x"',
        f'broker.host = "keeper:{SECRET}@x"',
        f'password = "{SECRET}"',
        f'series.token = "{SECRET}"',
        f'series = {{url = "http://keeper:{SECRET}@x", token = "{SECRET}"}}',
        f'series.token = ["{SECRET}"]',
        f'push.to = "{SECRET}"',
        f'push.second.to = ["{SECRET}"]',
        f'heartbeat.url = "https://x y/{SECRET}"',
        f'heartbeat.url = "ftp://x/{SECRET}"',
        f'heartbeat.url = ["https://x/{SECRET}"]',
        f'push.to = ["{SECRET}"]',
        f'push.to = ["json://x", ["{SECRET}"]]',
        f'push.to = ["json://x y{SECRET}"]',
        f'push = ["{SECRET}"]',
        f'push = {{to = [], too = "{SECRET}"}}',
        f'broker.password = "{SECRET}',
        f"broker.password = {SECRET}",
        f'broker.password = "x" {SECRET}',
        f"broker.password = '{SECRET}'\nbroker.password = '{SECRET}'",
        f'broker.password = "\\{SECRET}"',
    ],
)
def test_no_refusal_shows_a_secret(load: Load, text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load(text)
    assert SECRET not in everything_said(caught.value)


@pytest.mark.parametrize(
    "name",
    [
        "BROKER__PASSWORD",
        "BROKR__PASSWORD",
        "SERIES__TOKEN",
        "SERIES__URL",
        "PUSH__TO",
        "BROKER__PORT",
        "PROBES",
    ],
)
def test_no_refusal_of_the_environment_shows_a_secret(load: Load, name: str) -> None:
    for value in (SECRET, f'["{SECRET}"]', f'["{SECRET}', f"[{{{SECRET}"):
        with pytest.raises(SettingsError) as caught:
            load("", {f"HATCHMON_{name}": value})
        assert SECRET not in everything_said(caught.value)


def test_settings_do_not_show_their_secrets(load: Load) -> None:
    text = f'broker = {{username = "u", password = "{SECRET}"}}\npush.to = ["json://k:{SECRET}@x"]\n'
    loaded = load(text + f'series = {{url = "http://x", token = "{SECRET}"}}')
    assert SECRET not in f"{loaded!s} {loaded!r} {loaded.model_dump()!r} {loaded.model_dump_json()}"


# Values of every kind, each holding the secret, in every place that may hold one.
VALUES = st.recursive(
    st.sampled_from([f'"{SECRET}"', f'"a {SECRET}"', f'"{SECRET}://"', f"'''\n{SECRET}'''"]),
    lambda inner: st.one_of(
        st.lists(inner, max_size=2).map(lambda items: f"[{', '.join(items)}]"),
        inner.map(lambda item: f"{{inner = {item}}}"),
    ),
    max_leaves=4,
)
PLACES = [
    "broker",
    "broker.password",
    "broker.host",
    "series",
    "series.url",
    "series.token",
    "push",
    "push.to",
]


@given(place=st.sampled_from([*PLACES, "xyzzy", "broker.xyzzy", "probes", "lots", "quiet"]), value=VALUES)
@hypothesis_settings(
    max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
def test_no_refusal_shows_a_secret_wherever_it_stands(load: Load, place: str, value: str) -> None:
    said = ""
    try:
        loaded = load(f"{place} = {value}")
        said = repr((loaded.broker.password, loaded.series, loaded.push))
    except SettingsError as error:
        said = everything_said(error)
    assert said
    assert SECRET not in said


# --- the nearest right key -----------------------------------------------------------------------

KEYS = [
    *("site", "unit", "time_zone", "default_topics", "store.path", "probes", "lots", "push.to"),
    *("store.gather_s", "store.raw_days", "backup.daily", "backup.at", "backup.keep", "backup.folder"),
    *("broker.host", "broker.port", "broker.username", "broker.password", "broker.tls", "broker.ca_file"),
    *("broker.cert_file", "broker.key_file", "broker.key_password"),
    *("broker.client_id", "broker.receive_maximum"),
    *("onewire.every_s", "onewire.path", "onewire.probes"),
    "requests.over_mqtt",
    "cones",
    *(f"supply.{name}" for name in ("days", "hours", "away", "feedings", "ramps", "wanted", "handling_g")),
    *(f"supply.{name}" for name in ("least_g", "cold_store_h", "salinity", "notice_min")),
    *("supply.energy.price_per_kwh", "supply.energy.room_c"),
    *(
        "web.enabled",
        "web.host",
        "web.port",
        "web.address",
        "web.passphrase",
        "web.secret",
        "web.calendar",
        "web.open_metrics",
    ),
    "clock.wait_min",
    "alerts.broker_min",
    "alerts.series_min",
    *("series.url", "series.token", "series.org", "series.bucket", "quiet.from", "quiet.to"),
    *("fleet.url", "fleet.token", "fleet.lagging_min", "fleet.record_days"),
    *("alerts.cold_c", "alerts.warm_c", "alerts.water_min", "alerts.ready_soon_min", "alerts.closing_min"),
    *("alerts.silent_min", "alerts.urgency", "alerts.salt_low", "alerts.salt_high", "alerts.dark_lux"),
    *("window.opens_share", "window.closes_instar2", "window.closes_energy", "window.smallest_mouths"),
    *("rehearsal.real_start", "rehearsal.shown_start", "rehearsal.speed"),
]
LOT_KEYS = ("cold_c", "warm_c", "salt_low", "salt_high", "price_per_kg")
SECTIONS = sorted({key.partition(".")[0] for key in KEYS if "." in key})
NAMES = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=40)


@pytest.mark.parametrize("key", [key for key in KEYS if len(key.rpartition(".")[2]) > 3])
def test_two_letters_swapped_in_any_key_lead_back_to_it(refusal: Refusal, key: str) -> None:
    section, dot, name = key.rpartition(".")
    first = next(n for n in range(1, len(name)) if name[n] != name[n + 1])
    swapped = name[:first] + name[first + 1] + name[first] + name[first + 2 :]
    assert f"{section}{dot}{swapped} is not a setting; did you mean {key}?" in refusal(
        f"{section}{dot}{swapped} = 1"
    )
    variable, meant = (
        f"HATCHMON_{path.replace('.', '__').upper()}" for path in (f"{section}{dot}{swapped}", key)
    )
    assert f"{variable} is not a setting; did you mean {meant}?" in refusal("", {variable: "1"})


@given(section=st.sampled_from(["", *SECTIONS, "probes", "lots"]), name=NAMES)
@example(section="broker", name="")
@example(section="", name="did you mean x?")
@example(section="broker", name='"')
@example(section="broker", name="{problem}")
@hypothesis_settings(
    max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
def test_any_unknown_key_is_refused_with_a_key_that_exists_or_none(
    file: Path, section: str, name: str
) -> None:
    if f"{section}.{name}".strip(".") in [*KEYS, *SECTIONS]:
        return
    key = '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'
    header = {"": "", "probes": "[[probes]]\n", "lots": "[lots.x]\n"}.get(section, f"[{section}]\n")
    inside = {"probes": ["cone", "quantity", "topic", "unit", "value_pointer", "time_pointer"]}
    if name in inside.get(section, []) or (section == "lots" and name in LOT_KEYS):
        return
    file.write_text(f'{header}{key} = "{SECRET}"\n', "utf-8")
    with pytest.raises(SettingsError) as caught:
        load_settings(file, {})
    (line,) = [line for line in str(caught.value).split("\n") if "is not a setting" in line]
    assert SECRET not in line
    answer = line.rpartition(" is not a setting")[2]
    if meant := re.fullmatch(r"; did you mean (\S+)\?", answer):
        existing = [f"probes[0].{at}" for at in inside["probes"]] + [f"lots.x.{at}" for at in LOT_KEYS]
        assert meant[1] in [*KEYS, *SECTIONS, *existing]
    else:
        assert re.fullmatch(r"( at the top)?; the settings here are [a-z0-9_, ]+", answer)


@given(st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=40))
@hypothesis_settings(
    max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
def test_any_unknown_variable_is_refused(file: Path, name: str) -> None:
    variable = f"HATCHMON_{name}"
    if name.upper() in [*(key.replace(".", "__").upper() for key in KEYS), "CONFIG"]:
        return
    file.write_text("")
    with pytest.raises(SettingsError) as caught:
        load_settings(file, {variable: SECRET})
    said = str(caught.value)
    assert said.startswith(f"environment: {variable} is not a setting; ")
    if meant := re.search(r"; did you mean HATCHMON_(\w+)\?$", said):
        assert meant[1].replace("__", ".").lower() in KEYS


# --- time zones ----------------------------------------------------------------------------------


def offset_h(zone: tzinfo, month: int) -> float:
    offset = datetime(2026, month, 15, 12, tzinfo=UTC).astimezone(zone).utcoffset()
    assert offset is not None
    return offset / timedelta(hours=1)


def test_a_zone_of_the_keeper_with_its_summer_time(load: Load) -> None:
    zone = load('time_zone = "Europe/Berlin"').zone
    # EU Directive 2000/84/EC: summer time from the last Sunday of March to that of October.
    assert (offset_h(zone, 1), offset_h(zone, 7)) == (1.0, 2.0)


def test_the_zone_of_the_machine(load: Load, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", ":America/New_York")
    zone = load().zone
    assert (offset_h(zone, 1), offset_h(zone, 7)) == (-5.0, -4.0)
    monkeypatch.delenv("TZ")
    local = load().zone
    for month in (1, 7):  # against what the C library makes of /etc/localtime
        command = [
            sys.executable,
            "-c",
            f"import time; print(time.localtime(1767225600 + {month} * 2629746).tm_gmtoff)",
        ]
        env = {name: value for name, value in os.environ.items() if name != "TZ"}
        expected = int(subprocess.run(command, env=env, capture_output=True, check=True).stdout)
        offset = datetime.fromtimestamp(1767225600 + month * 2629746, local).utcoffset()
        assert offset == timedelta(seconds=expected)


def test_a_zone_of_the_machine_that_cannot_be_used(refusal: Refusal, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Berln")
    assert refusal() == (
        'TZ: "Europe/Berln" is not a time zone; did you mean "Europe/Berlin"?'
        " (or set time_zone in the settings)"
    )


def test_a_machine_without_time_zone_data(refusal: Refusal, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ["tzdata", *(name for name in sys.modules if name.startswith("tzdata."))]:
        monkeypatch.setitem(sys.modules, name, None)  # as if the package were not installed
    zoneinfo.reset_tzpath(to=[])
    zoneinfo.ZoneInfo.clear_cache()
    try:
        assert refusal('time_zone = "Europe/Lisbon"') == (
            "FILE: time_zone cannot be looked up: this machine has no time zone data;"
            " run: sudo apt install tzdata"
        )
    finally:
        zoneinfo.reset_tzpath()

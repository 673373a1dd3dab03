"""Reading DS18B20 probes: the driver's text, and a device tree with every fault there is."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hatchmon.adapters import onewire
from hatchmon.adapters.onewire import Fault, NoReading, no_bus, parse_w1, probes_on, read_probe
from tests.w1 import Bus, crc8, w1_text

PROBE = "28-0316a2794bff"


@pytest.fixture
def bus(tmp_path: Path) -> Bus:
    return Bus(tmp_path / "devices")


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(onewire, "PAUSE_S", 0.01)


def fault_of(text: str) -> Fault:
    with pytest.raises(NoReading) as caught:
        parse_w1(text)
    return caught.value.fault


# Put out on the web by owners of real probes: gist.github.com/Aupajo/22454458b768bfed7c11 and
# pastebin.com/p6XaL2SH.
PUBLISHED = [
    ("01 01 4b 46 7f ff 0f 10 e3 : crc=e3 YES\n01 01 4b 46 7f ff 0f 10 e3 t=16062\n", 16.062),
    ("24 01 4b 46 7f ff 0c 10 48 : crc=48 YES\n24 01 4b 46 7f ff 0c 10 48 t=18250\n", 18.25),
]


@pytest.mark.parametrize(("text", "temp_c"), PUBLISHED)
def test_text_of_real_probes(text: str, temp_c: float) -> None:
    assert parse_w1(text) == temp_c


@pytest.mark.parametrize(("text", "temp_c"), PUBLISHED)
def test_our_device_tree_says_what_real_probes_say(text: str, temp_c: float) -> None:
    raw = bytes.fromhex(text[:27])
    assert crc8(raw[:8]) == raw[8]
    # Byte 6 (reserved) differs from probe to probe and counts in the checksum alone.
    ours = w1_text(temp_c)
    assert ours[:5] == text[:5]
    assert ours.rpartition("t=")[2] == text.rpartition("t=")[2]


@pytest.mark.parametrize(
    ("register", "temp_c"),
    # DS18B20 data sheet, table "Temperature/Data Relationship" (values from memory).
    [
        ("d0 07", 125.0),
        ("50 05", 85.0),
        ("91 01", 25.0625),
        ("08 00", 0.5),
        ("f8 ff", -0.5),
        ("90 fc", -55.0),
    ],
)
def test_our_device_tree_encodes_as_the_data_sheet_does(register: str, temp_c: float) -> None:
    text = w1_text(temp_c)
    assert text.startswith(register)
    assert parse_w1(text) == pytest.approx(temp_c, abs=0.00051)


@given(st.integers(-55 * 16, 125 * 16))
def test_every_value_a_probe_can_have(sixteenths: int) -> None:
    assert parse_w1(w1_text(sixteenths / 16)) == pytest.approx(sixteenths / 16, abs=0.00051)


def test_the_start_up_value_is_read_as_it_is() -> None:
    assert parse_w1(w1_text(85.0)) == 85.0


def test_a_bad_checksum_gives_no_reading_though_the_second_line_has_one() -> None:
    text = w1_text(60.0, crc_good=False, before_c=25.0)
    assert "t=25000" in text
    assert fault_of(text) is Fault.BAD_CRC


def test_zeros_only_are_no_reading_though_their_checksum_is_good() -> None:
    zeros = " ".join(["00"] * 9)
    assert crc8(bytes(8)) == 0
    assert fault_of(f"{zeros} : crc=00 YES\n{zeros} t=0\n") is Fault.UNREADABLE
    assert parse_w1(w1_text(0.0)) == 0.0


@pytest.mark.parametrize(
    "text",
    [
        "25.4",
        w1_text(25.0).splitlines()[0],
        w1_text(25.0).replace("YES", "MAYBE"),
        w1_text(25.0).replace("t=25000", "t="),
        w1_text(25.0).replace("t=25000", "t=nan"),
        w1_text(25.0).replace("t=25000", "t=25000000"),
        w1_text(25.0).replace("t=25000", "t=٢٥"),
        w1_text(25.0) + w1_text(26.0),
        "\0" * 75,
    ],
)
def test_anything_else_is_unreadable(text: str) -> None:
    assert fault_of(text) is Fault.UNREADABLE


@given(st.text(max_size=200))
def test_no_text_at_all_gives_another_error(text: str) -> None:
    with pytest.raises(NoReading):
        parse_w1(text)


# ---- the device tree ----


def test_a_good_probe(bus: Bus) -> None:
    bus.read(PROBE, 25.4375)
    assert read_probe(bus.path, PROBE) == (25.437, 0)


def test_probes_are_found_and_other_devices_are_not(bus: Bus) -> None:
    for name in ("28-0316a2794bff", "28-000005305b33", "10-000802b4ba0e", "28-xyz"):
        bus.read(name, 25.0)
    assert probes_on(bus.path) == ["28-000005305b33", "28-0316a2794bff"]
    assert no_bus(bus.path) == ""


def test_without_a_bus(tmp_path: Path) -> None:
    assert probes_on(tmp_path / "none") == []
    with pytest.raises(NoReading, match=r"dtoverlay=w1-gpio") as caught:
        read_probe(tmp_path / "none", PROBE)
    assert caught.value.fault is Fault.MISSING
    assert str(caught.value) == no_bus(tmp_path / "none")


def test_a_missing_probe(bus: Bus) -> None:
    with pytest.raises(NoReading, match="no such probe on the bus") as caught:
        read_probe(bus.path, PROBE)
    assert caught.value.fault is Fault.MISSING


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (b"", Fault.MISSING),  # what the driver gives while a probe is being pulled out
        (b"\xff\xfe\x00garbage" * 20, Fault.UNREADABLE),
        (b"x" * 1_000_000, Fault.UNREADABLE),
    ],
)
def test_a_file_of_something_else(bus: Bus, text: bytes, fault: Fault) -> None:
    bus.say(PROBE, text)
    with pytest.raises(NoReading) as caught:
        read_probe(bus.path, PROBE)
    assert caught.value.fault is fault
    assert len(str(caught.value)) < 200


def test_an_error_of_the_driver(bus: Bus) -> None:
    (bus.path / PROBE / "w1_slave").mkdir(parents=True)  # reading a folder is an OSError of its own kind
    with pytest.raises(NoReading, match="Is a directory") as caught:
        read_probe(bus.path, PROBE)
    assert caught.value.fault is Fault.MISSING


def test_a_bad_checksum_is_tried_again(bus: Bus) -> None:
    pipe = bus.hang(PROBE)
    read: list[tuple[float, int]] = []
    reader = threading.Thread(target=lambda: read.append(read_probe(bus.path, PROBE)), daemon=True)
    reader.start()
    with pipe.open("w") as end:  # opens once the reader has
        end.write(w1_text(60.0, crc_good=False))
        bus.read(PROBE, 25.5)
    reader.join(10.0)
    assert read == [(25.5, 1)]


def test_a_bad_checksum_every_time(bus: Bus) -> None:
    bus.say(PROBE, w1_text(25.0, crc_good=False))
    with pytest.raises(NoReading, match="garbled 3 times") as caught:
        read_probe(bus.path, PROBE)
    assert (caught.value.fault, caught.value.bad_crc) == (Fault.BAD_CRC, 3)

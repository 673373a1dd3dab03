"""DS18B20 probes on the machine's own 1-Wire bus, as the Linux driver w1_therm shows them.

``<devices>/28-<serial>/w1_slave`` is two lines; reading it makes the probe measure, which takes 0.75 s.

Source: Linux, Documentation/w1/slaves/w1_therm.rst and drivers/w1/slaves/w1_therm.c.
"""

from __future__ import annotations

import re
import time
from enum import StrEnum
from pathlib import Path
from typing import Final

PAUSE_S: Final = 0.2
TRIES: Final = 3
_LARGEST: Final = 4096
_ID = re.compile("28-[0-9a-f]{12}", re.ASCII)
_SAID = re.compile(
    r"((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)\n(?:[0-9a-f]{2} ){9}t=(-?[0-9]{1,6})\n?", re.ASCII
)


class Fault(StrEnum):
    """Why a probe gave no reading."""

    MISSING = "missing"
    BAD_CRC = "bad CRC"
    UNREADABLE = "unreadable"


class NoReading(Exception):
    """A probe gave no reading; ``str()`` says why, for the keeper. ``bad_crc`` counts its bad answers."""

    def __init__(self, fault: Fault, why: str, bad_crc: int = 0) -> None:
        super().__init__(why)
        self.fault = fault
        self.bad_crc = bad_crc


def parse_w1(text: str) -> float:
    """The deg C in the text of a ``w1_slave`` file, as read: 85.0, the start-up value, too. Raises NoReading.

    With a bad checksum the second line holds an older reading, so there is none.
    """
    if not text.strip():
        raise NoReading(Fault.MISSING, "it does not answer: is it pulled out?")
    said = _SAID.fullmatch(text)
    if said is None:
        raise NoReading(Fault.UNREADABLE, f"its file says something else than a reading: {text[:40]!r}")
    raw, verdict, millidegrees = said.groups()
    if verdict == "NO":
        raise NoReading(
            Fault.BAD_CRC, "its answers come garbled: check plugs, cable length and pull-up resistor", 1
        )
    # Nine zeros pass the checksum, but byte 4 of a DS18B20 is never zero (its data sheet, "Memory").
    if set(raw.split()) == {"00"}:
        raise NoReading(Fault.UNREADABLE, "it sends zeros only: the data line is shorted to ground")
    return int(millidegrees) / 1000.0


def read_probe(devices: Path, probe: str, tries: int = TRIES) -> tuple[float, int]:
    """(deg C, bad answers before the good one) of a probe such as ``28-0316a2794bff``. Raises NoReading.

    A bad checksum is tried again, up to ``tries`` in all. May block for as long as the driver does.
    """
    file = devices / probe / "w1_slave"
    for bad_crc in range(tries):
        try:
            with file.open("rb") as said:
                return parse_w1(said.read(_LARGEST).decode("ascii", "replace")), bad_crc
        except NoReading as why:
            if why.fault is not Fault.BAD_CRC:
                raise
        except (FileNotFoundError, NotADirectoryError):
            if devices.is_dir():
                raise NoReading(
                    Fault.MISSING, "no such probe on the bus: is it plugged in, and its id right?"
                ) from None
            raise NoReading(Fault.MISSING, no_bus(devices)) from None
        except PermissionError:
            raise NoReading(Fault.UNREADABLE, f"{file} may not be read by this user") from None
        except OSError as error:
            raise NoReading(
                Fault.MISSING, f"it does not answer ({error.strerror}): is it pulled out?"
            ) from None
        if bad_crc < tries - 1:
            time.sleep(PAUSE_S)
    raise NoReading(
        Fault.BAD_CRC,
        f"its answers came garbled {tries} times: check plugs, cable length and pull-up resistor",
        tries,
    )


def probes_on(devices: Path) -> list[str]:
    """The names of the DS18B20 on the bus, sorted; none without a bus."""
    try:
        return sorted(entry.name for entry in devices.iterdir() if _ID.fullmatch(entry.name))
    except OSError:
        return []


def no_bus(devices: Path) -> str:
    """How to get a bus, where there is none; else empty."""
    if devices.is_dir():
        return ""
    return (
        f"there is no 1-Wire bus at {devices}: add the line dtoverlay=w1-gpio to /boot/firmware/config.txt"
        " and restart the Pi (or correct onewire.path)"
    )

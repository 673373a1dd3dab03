"""A device tree of DS18B20 probes in a folder, with the text that the Linux driver gives."""

from __future__ import annotations

import os
import shutil
from pathlib import Path


def crc8(data: bytes) -> int:
    """The checksum of 1-Wire, x^8 + x^5 + x^4 + 1 (Maxim application note 27)."""
    crc = 0
    for byte in data:
        for bit in range(8):
            odd = (crc ^ (byte >> bit)) & 1
            crc = (crc >> 1) ^ (0x8C if odd else 0)
    return crc


def w1_text(temp_c: float, *, crc_good: bool = True, before_c: float | None = None) -> str:
    """What ``w1_slave`` says for a temperature; with a bad checksum the second line is an older reading."""
    # Scratchpad as in the DS18B20's data sheet: 1/16 deg C, two's complement, low byte first.
    register = round(temp_c * 16).to_bytes(2, "little", signed=True)
    raw = register + bytes((0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10))
    crc = crc8(raw)
    shown = (raw + bytes((crc if crc_good else crc ^ 0xFF,))).hex(" ")
    kept_c = temp_c if before_c is None else before_c
    millidegrees = int(round(kept_c * 16) * 1000 / 16)  # towards zero, as C divides
    return f"{shown} : crc={crc:02x} {'YES' if crc_good else 'NO'}\n{shown} t={millidegrees}\n"


class Bus:
    """A folder in the place of ``/sys/bus/w1/devices``."""

    def __init__(self, folder: Path) -> None:
        self.path = folder
        (folder / "w1_bus_master1").mkdir(parents=True)

    def say(self, probe: str, text: str | bytes) -> None:
        """Plug in a probe with this text, or change its text, in one step."""
        place = self.path / probe
        place.mkdir(exist_ok=True)
        fresh = place / "fresh"
        fresh.write_bytes(text.encode() if isinstance(text, str) else text)
        fresh.replace(place / "w1_slave")

    def read(self, probe: str, temp_c: float) -> None:
        self.say(probe, w1_text(temp_c))

    def hang(self, probe: str) -> Path:
        """From now on a read takes until something is written to the file returned."""
        place = self.path / probe
        place.mkdir(exist_ok=True)
        os.mkfifo(place / "fresh")
        (place / "fresh").replace(place / "w1_slave")
        return place / "w1_slave"

    def pull_out(self, probe: str) -> None:
        shutil.rmtree(self.path / probe)

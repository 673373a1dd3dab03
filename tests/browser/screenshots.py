"""The README's pictures: ``python -m tests.browser.screenshots`` takes them anew, of an invented record."""

from __future__ import annotations

import struct
import tempfile
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tests.app.pages.test_review import served
from tests.browser.chromium import PHONE, Chromium
from tests.keeping import keep_record

SHOTS = Path(__file__).parent / "shots"
LARGEST = 80_000  # bytes a picture
COLOURS = 64
DRAWN = """[...document.querySelectorAll('.plot')]
           .filter((plot) => plot.getBoundingClientRect().top < innerHeight)
           .every((plot) => plot.classList.contains('drawn'))"""
_SIGNATURE = b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture: its file, the page and where on it to begin, the screen."""

    name: str
    path: str
    size: tuple[int, int]
    dark: bool


TAKEN = (
    Shot("now-phone-night.png", "/", PHONE, True),
    Shot("batch-desk.png", "/batches/4", (1000, 1000), False),
)


def take(folder: Path) -> list[Path]:
    """Take every picture into ``folder``."""
    with tempfile.TemporaryDirectory() as scratch:
        record = Path(scratch) / "hatchmon.db"
        keep_record(record, batches=6, every_s=300)
        with served(record) as client, Chromium(Path(scratch) / "chromium") as browser:
            for shot in TAKEN:
                browser.screen(shot.size, dark=shot.dark)
                browser._ask("Emulation.setScrollbarsHidden", hidden=True)
                browser.open(f"{str(client.base_url).rstrip('/')}{shot.path}")
                browser.until(DRAWN)
                browser.picture(folder / shot.name, whole=False)
                few_colours(folder / shot.name)
    return [folder / shot.name for shot in TAKEN]


def few_colours(file: Path) -> None:
    """Write a picture of 8 bits a channel anew, with a palette of its commonest colours."""
    picture = pixels(file)
    height, width, _ = picture.shape
    colours, place, often = np.unique(picture.reshape(-1, 3), axis=0, return_inverse=True, return_counts=True)
    palette = colours[np.argsort(often)[::-1][:COLOURS]]
    apart = ((colours[:, None, :].astype(int) - palette[None, :, :]) ** 2).sum(axis=2)
    index = apart.argmin(axis=1).astype(np.uint8)[place.reshape(height, width)]
    lines = np.hstack((np.zeros((height, 1), np.uint8), index)).tobytes()
    body = struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0)
    chunks = (
        (b"IHDR", body),
        (b"PLTE", palette.tobytes()),
        (b"IDAT", zlib.compress(lines, 9)),
        (b"IEND", b""),
    )
    file.write_bytes(_SIGNATURE + b"".join(_chunk(kind, data) for kind, data in chunks))


def pixels(file: Path) -> npt.NDArray[np.uint8]:
    """Height x width x 3 of a PNG (ISO/IEC 15948) with 8 bits a channel, not interlaced."""
    body = file.read_bytes()
    assert body.startswith(_SIGNATURE)
    at, packed = len(_SIGNATURE), b""
    width = height = kinds = 0
    while at < len(body):
        length, kind = struct.unpack(">I4s", body[at : at + 8])
        data = body[at + 8 : at + 8 + length]
        if kind == b"IHDR":
            width, height, bits, colour, _, _, interlaced = struct.unpack(">IIBBBBB", data)
            assert (bits, interlaced) == (8, 0)
            kinds = {2: 3, 6: 4}[colour]
        elif kind == b"IDAT":
            packed += data
        at += length + 12
    lines = np.frombuffer(zlib.decompress(packed), np.uint8).reshape(height, 1 + width * kinds)
    above = np.zeros(width * kinds, np.uint8)
    found = np.empty((height, width * kinds), np.uint8)
    for row, line in enumerate(lines):
        above = found[row] = _unfiltered(int(line[0]), line[1:], above, kinds)
    return found.reshape(height, width, kinds)[:, :, :3]


def _unfiltered(
    how: int, line: npt.NDArray[np.uint8], above: npt.NDArray[np.uint8], kinds: int
) -> npt.NDArray[np.uint8]:
    if how == 0:
        return line
    if how == 1:
        return np.cumsum(line.reshape(-1, kinds), axis=0, dtype=np.uint8).reshape(-1)
    if how == 2:
        return line + above
    out = bytearray(kinds) + bytearray(line.tobytes())
    up = bytes(kinds) + above.tobytes()
    for at in range(kinds, len(out)):
        left, over, corner = out[at - kinds], up[at], up[at - kinds]
        if how == 3:
            guess = (left + over) // 2
        else:
            near = left + over - corner
            guess = min((left, over, corner), key=lambda each: abs(near - each))
        out[at] = (out[at] + guess) & 0xFF
    return np.frombuffer(bytes(out[kinds:]), np.uint8)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


if __name__ == "__main__":
    SHOTS.mkdir(exist_ok=True)
    for taken in take(SHOTS):
        print(taken, taken.stat().st_size)

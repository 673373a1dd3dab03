"""The README's pictures: ``python -m tests.browser.screenshots`` takes them anew, of an invented record."""

from __future__ import annotations

import struct
import tempfile
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from hatchmon.adapters.store import Store
from tests.app.pages.test_review import served
from tests.browser.chromium import PHONE, Chromium
from tests.keeping import NOW, keep_record, keep_supply

SHOTS = Path(__file__).parent / "shots"
LARGEST = 80_000  # bytes a picture
COLOURS = 64
DRAWN = """[...document.querySelectorAll('.plot')]
           .filter((plot) => plot.getBoundingClientRect().top < innerHeight)
           .every((plot) => plot.classList.contains('drawn'))"""
_SIGNATURE = b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture: its file, the page, the screen, and words that stand on what it shows."""

    name: str
    path: str
    size: tuple[int, int]
    dark: bool
    shows: tuple[str, ...]


TAKEN = (
    Shot(
        "now-phone-night.png", "/", PHONE, True,
        ("bench", "Ready about", "Harvest before", "Looked? Tap what has hatched.", "nearly all", "26."),
    ),
    Shot(
        "batch-desk.png", "/batches/4", (1000, 1000), False,
        ("Batch 4 in bench", "How did it hatch?", "90 % had hatched after", "Why did it go as it did?"),
    ),
    Shot(
        "supply-phone.png", "/supply", PHONE, False,
        ("Begin bench", "g of river-23 into 2 L of brine", "Will there be nauplii when they are fed?"),
    ),
)  # fmt: skip
SEEN = """(() => { const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    const seen = []; const range = document.createRange();
    while (walk.nextNode()) { range.selectNodeContents(walk.currentNode);
      const box = range.getBoundingClientRect();
      if (box.height > 0 && box.top < innerHeight && box.bottom > 0) seen.push(walk.currentNode.data); }
    return seen.join('').replace(/\\s+/g, ' '); })()"""
CONES = ("bench", "north")


def take(folder: Path) -> list[Path]:
    """Take every picture into ``folder``."""
    with tempfile.TemporaryDirectory() as scratch:
        record = Path(scratch) / "hatchmon.db"
        keep_record(record, batches=6, every_s=300)
        with Store(record) as store, store.atomic():
            keep_supply(store, NOW, CONES, "river-23")
        cones = {name: {"litres": 2, "set_point_c": 26} for name in CONES}
        with served(record, {"cones": cones}) as client, Chromium(Path(scratch) / "chromium") as browser:
            for shot in TAKEN:
                browser.screen(shot.size, dark=shot.dark)
                browser._ask("Emulation.setScrollbarsHidden", hidden=True)
                browser.open(f"{str(client.base_url).rstrip('/')}{shot.path}")
                browser.until(DRAWN)
                seen = browser.run(SEEN)
                assert all(words in seen for words in shot.shows), (shot.name, seen)
                browser.picture(folder / shot.name, whole=False)
                few_colours(folder / shot.name)
    return [folder / shot.name for shot in TAKEN]


def unlike(one: Path, other: Path) -> float:
    """How far two pictures of one size are apart: the mean difference (0 to 255) of patches of 20 x 20."""

    def patches(file: Path) -> npt.NDArray[np.float64]:
        picture = pixels(file).astype(np.float64)
        high, wide = picture.shape[0] // 20, picture.shape[1] // 20
        whole = picture[: high * 20, : wide * 20].reshape(high, 20, wide, 20, 3)
        return np.asarray(whole.mean(axis=(1, 3)), dtype=np.float64)

    return float(np.abs(patches(one) - patches(other)).mean())


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
    """Height x width x 3 of a PNG (ISO/IEC 15948) with 8 bits a channel or a palette, not interlaced."""
    body = file.read_bytes()
    assert body.startswith(_SIGNATURE)
    at, packed = len(_SIGNATURE), b""
    width = height = kinds = 0
    palette = np.zeros((0, 3), np.uint8)
    while at < len(body):
        length, kind = struct.unpack(">I4s", body[at : at + 8])
        data = body[at + 8 : at + 8 + length]
        if kind == b"IHDR":
            width, height, bits, colour, _, _, interlaced = struct.unpack(">IIBBBBB", data)
            assert (bits, interlaced) == (8, 0)
            kinds = {2: 3, 3: 1, 6: 4}[colour]
        elif kind == b"PLTE":
            palette = np.frombuffer(data, np.uint8).reshape(-1, 3)
        elif kind == b"IDAT":
            packed += data
        at += length + 12
    lines = np.frombuffer(zlib.decompress(packed), np.uint8).reshape(height, 1 + width * kinds)
    above = np.zeros(width * kinds, np.uint8)
    found = np.empty((height, width * kinds), np.uint8)
    for row, line in enumerate(lines):
        above = found[row] = _unfiltered(int(line[0]), line[1:], above, kinds)
    return palette[found] if kinds == 1 else found.reshape(height, width, kinds)[:, :, :3]


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

"""The code on a cone's label, read from the page as a phone's camera reads it (ISO/IEC 18004)."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

from hatchmon.adapters.store import NewReading, Store, to_us
from hatchmon.hatchery.types import Quantity, Verdict
from tests.app.pages.test_review import served
from tests.keeping import NOW

QUIET = 4  # modules of margin
MASKS: tuple[Callable[[int, int], int], ...] = (
    lambda r, c: (r + c) % 2,
    lambda r, c: r % 2,
    lambda r, c: c % 3,
    lambda r, c: (r + c) % 3,
    lambda r, c: (r // 2 + c // 3) % 2,
    lambda r, c: r * c % 2 + r * c % 3,
    lambda r, c: (r * c % 2 + r * c % 3) % 2,
    lambda r, c: ((r + c) % 2 + r * c % 3) % 2,
)


def modules(svg: str) -> list[list[int]]:
    """The square of dark (1) and light modules, without its margin; it is drawn as strokes along rows."""
    side = int(float(re.findall(r'viewBox="0 0 ([\d.]+) ', svg)[0])) - 2 * QUIET
    square = [[0] * side for _ in range(side)]
    (path,) = re.findall(r'<path[^>]* stroke="#000"[^>]* d="([^"]+)"|<path[^>]*\bd="(M[^"]*h[^"]+)"', svg)[
        -1:
    ]
    x = y = 0.0
    for command, numbers in re.findall(r"([Mmh])([^Mmh]*)", path[0] or path[1]):
        given = [float(each) for each in re.findall(r"-?[\d.]+", numbers)]
        if command == "M":
            x, y = given
        elif command == "m":
            x, y = x + given[0], y + given[1]
        else:
            for step in range(int(given[0])):
                square[int(y) - QUIET][int(x) + step - QUIET] = 1
            x += given[0]
    return square


def data_bits(square: list[list[int]]) -> Iterator[int]:
    """The bits as they were put in, the mask taken off; of versions 2 to 3, which are one block."""
    side = len(square)
    assert side in (25, 29)
    places = [(8, c) for c in (0, 1, 2, 3, 4, 5, 7, 8)] + [(r, 8) for r in (7, 5, 4, 3, 2, 1, 0)]
    form = int("".join(str(square[r][c]) for r, c in places), 2) ^ 0b101010000010010
    mask = MASKS[form >> 10 & 0b111]

    def fixed(r: int, c: int) -> bool:
        corner = (r < 9 and (c < 9 or c >= side - 8)) or (r >= side - 8 and c < 9)
        return corner or 6 in (r, c) or (abs(r - side + 7) <= 2 and abs(c - side + 7) <= 2)

    up = True
    for right in (*range(side - 1, 6, -2), 5, 3, 1):
        for r in range(side - 1, -1, -1) if up else range(side):
            for c in (right, right - 1):
                if not fixed(r, c):
                    yield square[r][c] ^ (mask(r, c) == 0)
        up = not up


def read(square: list[list[int]]) -> str:
    """The text in a code that holds bytes."""
    bits = "".join(map(str, data_bits(square)))
    assert bits[:4] == "0100"
    length = int(bits[4:12], 2)
    return bytes(int(bits[12 + 8 * n : 20 + 8 * n], 2) for n in range(length)).decode()


def test_the_code_on_a_label_opens_the_cone(tmp_path: Path) -> None:
    path = tmp_path / "hatchmon.db"
    with Store(path) as store, store.atomic():
        for cone in ("bench", "north"):
            stream = store.add_stream(cone, Quantity.TEMPERATURE, "C", f"shed/{cone}", NOW)
            store.add_readings([NewReading(stream.stream_id, to_us(NOW), 26.0, Verdict.GOOD, "receipt")])
    with served(path) as visitor:
        for cone in ("bench", "north"):
            (svg,) = re.findall(
                r'(?s)<svg[^>]*class="code".*?</svg>', visitor.get(f"/cone/{cone}/label").text
            )
            address = read(modules(svg))
            assert address == f"{visitor.base_url}/cone/{cone}".replace("//cone", "/cone")
            there = visitor.get(address)
            assert there.status_code == 200
            assert f"<h1>{cone}</h1>" in there.text
            # Nothing has been in it yet: this is where to begin.
            assert f'<a href="/note/{cone}">Begin a batch</a>' in there.text
            assert re.search(rf'href="/note/{cone}">Begin a batch<', visitor.get("/").text)

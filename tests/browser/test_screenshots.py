"""The README's pictures can be taken anew, and are those that it shows."""

from __future__ import annotations

import re
import struct
from pathlib import Path

from tests.browser.chromium import PHONE
from tests.browser.screenshots import LARGEST, SHOTS, TAKEN, take, unlike

LARGEST_CHANGE = 3.0  # 0 to 255; another font's outlines make less, another screen far more


def test_the_readmes_pictures_show_the_pages_as_they_are_now(tmp_path: Path) -> None:
    """Taken anew, with what they show looked for on the page, they are like those that are kept."""
    anew = take(tmp_path)
    for file, shot in zip(anew, TAKEN, strict=True):
        kept = SHOTS / shot.name
        for each in (file, kept):
            assert each.stat().st_size <= LARGEST
            assert struct.unpack(">II", each.read_bytes()[16:24]) == shot.size
        assert unlike(file, kept) < LARGEST_CHANGE, "python -m tests.browser.screenshots"
    phone = [file for file, shot in zip(anew, TAKEN, strict=True) if shot.size == PHONE]
    assert unlike(*phone) > 10 * LARGEST_CHANGE


def test_the_readme_shows_all_of_them() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    shown = re.findall(r"(?:\]\(|src=\")(tests/browser/shots/[^)\"]+)", readme)
    assert sorted(shown) == sorted(f"tests/browser/shots/{shot.name}" for shot in TAKEN)

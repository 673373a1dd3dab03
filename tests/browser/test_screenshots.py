"""The README's pictures can be taken anew, and are those that it shows."""

from __future__ import annotations

import re
import struct
from pathlib import Path

from tests.browser.screenshots import LARGEST, SHOTS, TAKEN, take


def test_the_readmes_pictures_are_taken_of_the_pages(tmp_path: Path) -> None:
    for file, shot in zip(take(tmp_path), TAKEN, strict=True):
        assert file.stat().st_size <= LARGEST
        body = file.read_bytes()
        assert struct.unpack(">II", body[16:24]) == shot.size
        kept = SHOTS / shot.name
        assert kept.stat().st_size <= LARGEST
        assert kept.read_bytes()[16:24] == body[16:24], "python -m tests.browser.screenshots"


def test_the_readme_shows_all_of_them() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    shown = re.findall(r"(?:\]\(|src=\")(tests/browser/shots/[^)\"]+)", readme)
    assert sorted(shown) == sorted(f"tests/browser/shots/{shot.name}" for shot in TAKEN)

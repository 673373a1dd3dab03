"""That the benchmarks run and give numbers; what the numbers are is nobody's pass or fail."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path

import pytest

from tests.bench.__main__ import PARTS, main
from tests.bench.lines import Aim, Line
from tests.bench.memory import imports_mb, resident_mb


@pytest.mark.parametrize("part", PARTS)
def test_a_part_tells_and_writes_figures(
    part: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "figures.json"
    main([part, "--brief", "--json", str(out)])
    told = json.loads(out.read_text())
    assert list(told["parts"]) == [part]
    lines = told["parts"][part]
    assert len({each["name"] for each in lines}) == len(lines) > 0
    for each in lines:
        assert math.isfinite(each["value"])
        assert math.isfinite(each["ratio"])
        assert each["ratio"] > 0.0
        assert (each["held"] is None) == (each["aim"] is None)
    said = " ".join(capsys.readouterr().out.split())
    assert all(each["name"].split()[0] in said for each in lines)


def test_an_unknown_part_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["speeed"])
    assert "there is no part called speeed; there are computing" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("aim", "held"),
    [
        (None, None),
        (Aim(most=10.0), True),
        (Aim(most=9.0), False),
        (Aim(most=2.0, ratio=True), True),
        (Aim(least=0.4), True),
        (Aim(least=2.5, ratio=True), False),
    ],
)
def test_an_aim_is_held_or_not(aim: Aim | None, held: bool | None) -> None:
    assert Line("a", 10.0, "ms", 2.0, "of b", aim).held is held


def test_an_aim_says_its_limits() -> None:
    told = [str(aim) for aim in (Aim(most=5.0), Aim(least=2.5, ratio=True), Aim(least=78.0, most=95.0))]
    assert told == ["at most 5", "at least 2.5 x", "78 to 95"]


def test_imports_add_up() -> None:
    told = imports_mb(("json", "hatchmon.app.service"))
    assert list(told) == ["python", "json", "hatchmon.app.service"]
    assert told["python"] > 2.0
    assert told["hatchmon.app.service"] > 10.0  # numpy is in it


def test_resident_memory_is_that_of_the_process() -> None:
    assert resident_mb(os.getpid()) > 20.0

"""That the benchmarks run and give numbers; what the numbers are is nobody's pass or fail."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path

import pytest

from tests.bench.__main__ import main
from tests.bench.memory import daemon_mb, imports_mb, resident_mb


def test_it_tells_and_writes_finite_figures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "figures.json"
    main(["--rounds", "2", "--no-daemon", "--simulation", "1", "--json", str(out)])
    told = json.loads(out.read_text())
    names = [each["name"] for each in told["speed"]]
    aims = {each["target_ms"] for each in told["speed"]} - {None}
    assert (len(set(names)), aims) == (len(names), {5.0, 15.0, 60.0, 2000.0})
    for each in told["speed"]:
        assert math.isfinite(each["ratio"])
        assert each["ratio"] > 0.0
        assert each["ratio"] == pytest.approx(each["ms"] / each["yardstick_ms"])
    assert set(told["simulation"]) >= {"base"}
    assert all(math.isfinite(each["t90_mae_h"]) for each in told["simulation"]["base"].values())
    said = capsys.readouterr().out
    assert all(name in said for name in names)


def test_imports_add_up() -> None:
    told = imports_mb(("json", "hatchmon.app.service"))
    assert list(told) == ["python", "json", "hatchmon.app.service"]
    assert told["python"] > 2.0
    assert told["hatchmon.app.service"] > 10.0  # numpy is in it


def test_resident_memory_is_that_of_the_process(tmp_path: Path) -> None:
    assert resident_mb(os.getpid()) > 20.0
    assert 20.0 < daemon_mb(tmp_path) < 1000.0

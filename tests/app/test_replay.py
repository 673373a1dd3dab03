"""Forecasts from a folder of files, by the contract."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

START = datetime(2026, 2, 1, 20, 0, tzinfo=UTC)
COUNTS = "time,sample_ml,nauplii,umbrella,unhatched"


def write_batch(
    folder: Path, *, hours: float = 14.0, temp_c: float = 26.0, lot: str = "river-23", **changes: Any
) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    facts = {
        "start": START.isoformat(), "lot": lot, "grams": 2.0, "litres": 1.0,
        "salinity": None, "set_point_c": None, "now": None, **changes,
    }  # fmt: skip
    (folder / "batch.json").write_text(json.dumps(facts))
    rows = [
        f"{(START + timedelta(minutes=minute)).isoformat()},{temp_c + 0.0625 * (minute % 3)}"
        for minute in range(0, int(hours * 60) + 1, 10)
    ]
    (folder / "temperature.csv").write_text("\n".join(["time,temp_c", *rows, ""]))
    return folder


def write_looks(folder: Path, *looks: tuple[float, str]) -> None:
    rows = [f"{(START + timedelta(hours=hours)).isoformat()},{seen}" for hours, seen in looks]
    (folder / "looks.csv").write_text("\n".join(["time,seen", *rows, ""]))


def run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    program = Path(sys.executable).parent / "hatchmon"
    return subprocess.run(
        [program, "replay", str(folder), *arguments], capture_output=True, text=True, check=False
    )


def answer(folder: Path) -> dict[str, Any]:
    done = run(folder, "--json")
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_the_answer_has_the_contracts_form(tmp_path: Path) -> None:
    found = answer(write_batch(tmp_path))
    assert list(found) == [
        "t10_h", "t50_h", "t90_h", "window", "usable_until_h", "progress", "trust", "reasons",
        "not_predicted", "skipped",
    ]  # fmt: skip
    # A day and a half from half hatched on, less what water above 25 C takes.
    assert 30.0 < found["usable_until_h"] - found["t50_h"]["p50"] < 36.0
    bands = [found["t10_h"], found["t50_h"], found["t90_h"], *found["window"].values()]
    assert list(found["window"]) == ["opens_h", "closes_h", "best_h"]
    assert all(0 < band["p10"] < band["p50"] < band["p90"] for band in bands)
    assert found["t10_h"]["p50"] < found["t50_h"]["p50"] < found["t90_h"]["p50"]
    # Fourteen hours at 26 C are some fifteen at 25 C: E of .73 eV is 10 % a degree.
    assert found["progress"]["q25_h"] == pytest.approx(14.0 * 1.10, rel=0.01)
    assert 0.05 < found["progress"]["hatched"] < 0.5
    assert (found["trust"], found["not_predicted"]) == ("good", None)


def test_nothing_after_now_is_known(tmp_path: Path) -> None:
    now = (START + timedelta(hours=5)).isoformat()
    whole = write_batch(tmp_path / "whole", hours=14.0, now=now)
    write_looks(whole, (12.0, "complete"))
    part = write_batch(tmp_path / "part", hours=5.0, now=now)
    assert answer(whole) == answer(part)


def test_a_look_moves_the_forecast(tmp_path: Path) -> None:
    without = answer(write_batch(tmp_path))
    write_looks(tmp_path, (14.0, "none"))
    with_none = answer(tmp_path)
    write_looks(tmp_path, (14.0, "most"))
    with_most = answer(tmp_path)
    assert with_most["t90_h"]["p50"] < without["t90_h"]["p50"] < with_none["t90_h"]["p50"]

    def width(found: dict[str, Any]) -> float:
        return float(found["t90_h"]["p90"] - found["t90_h"]["p10"])

    assert width(with_most) < width(without)


def test_a_count_moves_the_forecast(tmp_path: Path) -> None:
    without = answer(write_batch(tmp_path))
    at = (START + timedelta(hours=14)).isoformat()
    # Many in the umbrella stage beside few nauplii: it only begins. Few nauplii alone might be bad cysts.
    for name, nauplii, umbrella, unhatched, side in (("slow", 4, 60, 136, 1), ("fast", 150, 5, 45, -1)):
        folder = write_batch(tmp_path / name)
        rows = [f"{at},0.25,{nauplii},{umbrella},{unhatched}"] * 3
        (folder / "counts.csv").write_text("\n".join([COUNTS, *rows]))
        moved = answer(folder)["t90_h"]["p50"] - without["t90_h"]["p50"]
        assert moved * side > 0.5


def test_history_teaches_the_lot(tmp_path: Path) -> None:
    alone = answer(write_batch(tmp_path))
    for number in range(3):
        past = write_batch(tmp_path / "history" / f"{number}", hours=34.0)
        write_looks(past, (24.0, "few"), (28.0, "most"), (33.0, "complete"))
    taught = answer(tmp_path)
    assert taught["t90_h"]["p50"] > alone["t90_h"]["p50"] + 3.0
    assert taught["t90_h"]["p90"] - taught["t90_h"]["p10"] < 0.65 * (
        alone["t90_h"]["p90"] - alone["t90_h"]["p10"]
    )


def test_history_of_another_lot_teaches_less(tmp_path: Path) -> None:
    own, other = tmp_path / "own", tmp_path / "other"
    for folder, lot in ((own, "river-23"), (other, "dune-11")):
        write_batch(folder)
        past = write_batch(folder / "history" / "1", hours=34.0, lot=lot)
        write_looks(past, (24.0, "few"), (28.0, "most"), (33.0, "complete"))
    alone = answer(write_batch(tmp_path / "alone"))["t90_h"]["p50"]
    assert alone < answer(other)["t90_h"]["p50"] < answer(own)["t90_h"]["p50"]


def test_a_history_batch_that_teaches_nothing_is_skipped_by_name(tmp_path: Path) -> None:
    write_batch(tmp_path)
    for number in range(2):
        past = write_batch(tmp_path / "history" / f"{number}", hours=34.0)
        write_looks(past, (24.0, "few"), (28.0, "most"), (33.0, "complete"))
    taught = answer(tmp_path)
    assert taught["skipped"] == []
    write_batch(tmp_path / "history" / "unseen", hours=34.0)
    torn = write_batch(tmp_path / "history" / "torn", hours=34.0)
    write_looks(torn, (33.0, "complete"))
    lines = (torn / "temperature.csv").read_text().splitlines()
    (torn / "temperature.csv").write_text("\n".join(lines[:10] + lines[100:]))
    found = answer(tmp_path)
    assert found["skipped"] == [
        "history/torn teaches nothing: its log has too long a gap",
        "history/unseen teaches nothing: it has no look and no count",
    ]
    assert found["t90_h"] == taught["t90_h"]
    text = run(tmp_path).stdout
    assert "! history/unseen teaches nothing" in text
    assert "learned from 2 earlier hatches" in text


def test_too_long_a_gap_takes_the_trust_away(tmp_path: Path) -> None:
    write_batch(tmp_path)
    lines = (tmp_path / "temperature.csv").read_text().splitlines()
    (tmp_path / "temperature.csv").write_text("\n".join(lines[:10] + lines[60:]))
    found = answer(tmp_path)
    assert found["trust"] == "none"
    assert "too long to time this hatch" in found["reasons"][0]


def test_water_too_cold_is_not_predicted(tmp_path: Path) -> None:
    found = answer(write_batch(tmp_path, temp_c=10.0))
    assert found["t90_h"] is None
    assert found["usable_until_h"] is None
    assert found["window"] == {"opens_h": None, "closes_h": None, "best_h": None}
    assert "between 12.0 °C (53.6 °F) and 34.0 °C" in found["not_predicted"]


def test_error_codes_in_the_log_are_left_out(tmp_path: Path) -> None:
    clean = answer(write_batch(tmp_path))
    with (tmp_path / "temperature.csv").open("a") as log:
        log.write(f"{(START + timedelta(hours=3, minutes=5)).isoformat()},85.0\n")
        log.write(f"{(START + timedelta(hours=4, minutes=5)).isoformat()},-127\n")
        log.write(f"{(START + timedelta(hours=5, minutes=5)).isoformat()},nan\n")
    assert answer(tmp_path) == clean


def test_it_is_also_told_in_words(tmp_path: Path) -> None:
    done = run(write_batch(tmp_path))
    assert done.returncode == 0
    assert "Lot river-23, 2 g, 14.0 h after the start" in done.stdout
    assert "85 readings, 0 unusable; 0 looks; learned from 0 earlier hatches; trust good" in done.stdout


@pytest.mark.parametrize(
    ("name", "text", "complaint"),
    [
        ("batch.json", "{", "batch.json: the file: Invalid JSON"),
        ("batch.json", '{"start": "2026-02-01T20:00:00", "lot": "x", "grams": 1}', "start: Input should"),
        ("batch.json", '{"start": "2026-02-01T20:00:00Z", "lot": "x", "gramms": 1}', "gramms: Extra inputs"),
        ("batch.json", '{"start": "0001-01-01T00:00:00+05:00", "lot": "x", "grams": 1}', "before the year"),
        ("batch.json", '{"start": "2026-02-01T20:00:00Z", "lot": " ", "grams": 1}', "The lot needs a name"),
        (
            "batch.json",
            '{"start": "2026-02-01T20:00:00Z", "lot": "x", "grams": 1, "now": "2026-01-01T20:00:00Z"}',
            "now lies before start",
        ),
        ("temperature.csv", "time,temp_c\n0001-01-01T00:00+05:00,25\n", "line 2: '0001-01-01T00:00+05:00'"),
        ("temperature.csv", "when,temp\n", "the first line must name the columns time,temp_c"),
        ("temperature.csv", "time,temp_c\n2026-02-01T20:00Z,warm\n", "line 2: 'warm' is not a temperature"),
        ("temperature.csv", "time,temp_c\nearly,20\n", "line 2: 'early' is not a time"),
        ("temperature.csv", "time,temp_c\n", "holds no reading, and batch.json no set_point_c"),
        ("counts.csv", f"{COUNTS}\n2026-02-01T21:00Z,1,x,0,0\n", "line 2: ml and three whole numbers"),
        ("looks.csv", "time,seen\n2026-02-01T21:00:00Z,plenty\n", "line 2: 'plenty' is not a look"),
    ],
)  # fmt: skip
def test_bad_files_are_refused_by_name_and_line(tmp_path: Path, name: str, text: str, complaint: str) -> None:
    write_batch(tmp_path)
    (tmp_path / name).write_text(text)
    done = run(tmp_path)
    assert done.returncode == 1
    assert complaint in done.stderr
    assert str(tmp_path / name) in done.stderr


def test_a_missing_folder(tmp_path: Path) -> None:
    done = run(tmp_path / "nowhere")
    assert done.returncode == 1
    assert "batch.json cannot be read: No such file or directory" in done.stderr


def test_looks_out_of_reach_are_told_apart(tmp_path: Path) -> None:
    write_batch(tmp_path)
    write_looks(tmp_path, (-2.0, "few"), (13.0, "few"), (90.0, "complete"))
    assert "1 looks (2 more before the start or after the time of the forecast);" in run(tmp_path).stdout


def test_a_log_in_fahrenheit_is_told(tmp_path: Path) -> None:
    write_batch(tmp_path)
    (tmp_path / "temperature.csv").write_text(
        "time,temp_c\n" + "".join(f"2026-02-01T{hour}:00:00Z,78.8\n" for hour in (20, 21, 22))
    )
    assert "! no reading could be used: temp_c is the water's temperature in deg C" in run(tmp_path).stdout

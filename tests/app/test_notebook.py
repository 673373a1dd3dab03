"""Past batches from a notebook: files as keepers write them, a real database, with the daemon and without."""

from __future__ import annotations

import json
import random
import string
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from hatchmon.adapters.clock import SystemClock
from hatchmon.adapters.store import NewReading, Store, to_us
from hatchmon.app.beliefs import all_evidence, belief_from
from hatchmon.app.cli import app
from hatchmon.app.engine import Engine
from hatchmon.app.notebook import Line, read_notebook
from hatchmon.app.settings import load_settings
from hatchmon.hatchery.noted import t90_at
from hatchmon.hatchery.types import Batch, Quantity, Refused, Verdict
from hatchmon.hatchery.wording import Voice

HEAD = "start,lot,grams,litres,temp_c,looks,done_by,not_done_at\n"
GOOD = '2025-11-03 21:30,river,2,1,26,"some@14h; most@18h; complete@24h",,\n'
NOW = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)


class Ground:
    """Settings, a database that does not exist yet, and the command line on both."""

    def __init__(self, folder: Path, zone: str = "Europe/Berlin") -> None:
        self.folder = folder
        self.config = folder / "hatchmon.toml"
        self.database = folder / "hatchmon.db"
        self.config.write_text(f'time_zone = "{zone}"\n[store]\npath = "{self.database}"\n')

    def file(self, text: str, name: str = "past.csv") -> Path:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def run(self, *words: object) -> Result:
        return CliRunner().invoke(app, [*map(str, words), "--config", str(self.config)])

    def load(self, text: str, *words: str) -> tuple[int, dict[str, Any]]:
        """Exit code and what ``hatchmon import`` printed with --json."""
        ran = self.run("import", self.file(text), "--json", *words)
        assert ran.exception is None or isinstance(ran.exception, SystemExit), ran.output
        return ran.exit_code, json.loads(ran.stdout)

    def batches(self) -> list[Batch]:
        with Store(self.database, read_only=True) as store:
            return store.batches()


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    return Ground(tmp_path)


def states(told: dict[str, Any]) -> list[str]:
    return [line["state"] for line in told["lines"]]


def only(told: dict[str, Any]) -> dict[str, Any]:
    (line,) = told["lines"]
    found: dict[str, Any] = line
    return found


# ---- what it does, and what it does not ----


def test_without_yes_nothing_is_touched(ground: Ground) -> None:
    code, told = ground.load(HEAD + GOOD)
    assert code == 0
    assert told["stored"] is False
    assert only(told) == {
        "line": 2,
        "state": "new",
        "why": None,
        "cone": "notebook",
        "lot": "river",
        "started": "2025-11-03T20:30:00+00:00",  # 21:30 in Berlin
        "grams": 2.0,
        "litres": 1.0,
        "salinity": None,
        "temp_c": 26.0,
        "doubt_c": 1.0,
        "looks": [{"h": 14.0, "seen": "some"}, {"h": 18.0, "seen": "most"}, {"h": 24.0, "seen": "complete"}],
        "doubted": [],
    }
    (lesson,) = told["lots"]
    before, after = lesson["t90_26c_h"]["before"], lesson["t90_26c_h"]["after"]
    assert (lesson["lot"], lesson["batches"]) == ("river", 1)
    assert after["p90"] - after["p10"] < before["p90"] - before["p10"]
    assert not ground.database.exists()


def test_with_yes_it_is_stored_and_learned(ground: Ground) -> None:
    code, told = ground.load(HEAD + GOOD, "--yes")
    assert (code, told["stored"], states(told)) == (0, True, ["new"])
    with Store(ground.database, read_only=True) as store:
        (batch,) = store.batches()
        assert batch.cone == "notebook"
        assert batch.started == datetime(2025, 11, 3, 20, 30, tzinfo=UTC)
        assert batch.ended == batch.started + timedelta(hours=24)
        assert batch.outcome == "harvested"
        assert store.noted_water(batch.batch_id) == (26.0, 1.0)
        assert [(batch.hours_at(look.time), look.seen) for look in store.looks(batch.batch_id)] == [
            (14.0, "some"), (18.0, "most"), (24.0, "complete"),
        ]  # fmt: skip
        band = t90_at(belief_from(all_evidence(store), "river"), 26.0)
        after = told["lots"][0]["t90_26c_h"]["after"]
        assert (round(band.p10, 2), round(band.p90, 2)) == (after["p10"], after["p90"])
        assert store.rows("SELECT dated_by FROM batches")[0]["dated_by"] == "keeper"


def test_the_same_file_twice_does_not_double(ground: Ground) -> None:
    text = HEAD + GOOD + "2025-11-05 21:30,river,2,1,25-27,,24h,20h\n"
    assert states(ground.load(text, "--yes")[1]) == ["new", "new"]
    code, told = ground.load(text, "--yes")
    assert (code, states(told), told["lots"]) == (0, ["known", "known"], [])
    assert len(ground.batches()) == 2
    twice = GOOD.replace("river", "lake")
    assert states(ground.load(HEAD + twice + twice, "--yes")[1]) == ["new", "known"]
    assert len(ground.batches()) == 3


def test_bad_lines_are_refused_by_number_and_the_good_kept(ground: Ground) -> None:
    text = (
        HEAD
        + GOOD
        + "nonsense\n\n"
        + '2025-11-05 21:30,"river,2,1,26,most@18h\n'
        + GOOD.replace("03", "07", 1)
    )
    code, told = ground.load(text, "--yes")
    assert code == 1
    assert [(line["line"], line["state"]) for line in told["lines"]] == [
        (2, "new"), (3, "refused"), (5, "refused"), (6, "new"),
    ]  # fmt: skip
    assert told["lines"][1]["why"] == "lot is missing."
    assert told["lines"][2]["why"] == "A quotation mark is not closed, or stands inside a value."
    assert len(ground.batches()) == 2


def test_words_for_people(ground: Ground) -> None:
    path = ground.file(HEAD + GOOD + "nonsense\n")
    ran = ground.run("import", path)
    assert ran.exit_code == 1
    assert "some at 14.0 h, most at 18.0 h, complete at 24.0 h" in ran.stdout
    assert "26.0 °C ± 1.0" in ran.stdout
    assert "2025-11-03 21:30" in ran.stdout
    assert "line 3: refused. lot is missing." in ran.stdout
    assert "Lot river, 1 batch: 90 % hatched at 26.0 °C after 2" in ran.stdout
    assert ran.stdout.splitlines()[-1] == (
        f"1 to store, 1 refused. Nothing is stored yet; to store: hatchmon import {path} --yes"
    )
    assert ground.run("import", path, "--yes").stdout.splitlines()[-1] == "1 stored, 1 refused."
    assert (
        ground.run("import", path).stdout.splitlines()[-1] == "Nothing to store, 1 refused, 1 known already."
    )


def test_a_look_that_no_lot_shows_is_named_and_not_learned_from(ground: Ground) -> None:
    """Kept in the record, so that the slip can be mended there."""
    odd = GOOD.replace("some@14h; most@18h", "most@2h; most@18h")
    clean = GOOD.replace("some@14h; most@18h", "most@18h")
    _, told = ground.load(HEAD + odd)
    assert only(told)["doubted"] == [{"h": 2.0, "seen": "most"}]
    assert told["lots"] == ground.load(HEAD + clean)[1]["lots"]
    path = ground.file(HEAD + odd)
    said = " ".join(ground.run("import", path).stdout.split())
    assert "line 2: check 'most' at 2 h: no lot hatches so in water of 26.0 °C." in said
    assert ground.run("import", path, "--yes").exit_code == 0
    with Store(ground.database, read_only=True) as store:
        (batch,) = store.batches()
        assert len(store.looks(batch.batch_id)) == 3
        assert len(all_evidence(store)["river"][0].z_low) == 2


def test_a_notebooks_cone_is_no_cone_of_the_hatchery(ground: Ground) -> None:
    ground.load(HEAD + GOOD, "--yes")
    assert ground.run("now").stdout.startswith("No cone yet.")
    assert "notebook" in ground.run("batches").stdout
    ran = ground.run("begin", "notebook", "--lot", "river", "--grams", "2")
    assert ran.exit_code == 1
    assert "There is no cone called notebook." in ran.stderr


def test_in_a_cone_with_a_probe_batches_do_not_overlap(ground: Ground) -> None:
    at = datetime.now(UTC) - timedelta(hours=30)
    assert ground.run("reading", "north", "26", "--at", at.isoformat()).exit_code == 0
    assert (
        ground.run("begin", "north", "--lot", "lake", "--grams", "2", "--at", at.isoformat()).exit_code == 0
    )
    started = at - timedelta(hours=10)
    head = "start,lot,grams,temp_c,done_by,cone\n"
    code, told = ground.load(f"{head}{started.isoformat()},river,2,26,24h,north\n", "--yes")
    assert code == 1
    assert "until now; it cannot have held lot river as well." in only(told)["why"]
    assert states(ground.load(f"{head}{started.isoformat()},river,2,26,10h,north\n", "--yes")[1]) == ["new"]
    # and beside the notebook's own
    assert states(ground.load(f"{head}{started.isoformat()},river,2,26,24h,\n", "--yes")[1]) == ["new"]
    assert {batch.cone for batch in ground.batches()} == {"north", "notebook"}
    assert [batch.running for batch in ground.batches()] == [False, False, True]


def test_the_export_tells_where_a_batch_comes_from(ground: Ground) -> None:
    ground.load(HEAD + GOOD, "--yes")
    header, row = ground.run("export", "batches").stdout.splitlines()
    told = dict(zip(header.split(","), row.split(","), strict=True))
    assert (told["notebook_temp_c"], told["notebook_doubt_c"], told["outcome"]) == (
        "26.0",
        "1.0",
        "harvested",
    )


# ---- how it may be written ----


@pytest.mark.parametrize(
    ("water", "temp_c", "doubt_c"),
    [
        ("26", 26.0, 1.0),
        ("26.5 C", 26.5, 1.0),
        ("26°C", 26.0, 1.0),
        ("25-27", 26.0, 1.0),
        ("27 - 24", 25.5, 1.5),
        ("25–26", 25.5, 0.5),
        ("25 to 27", 26.0, 1.0),
        ("26+-0.5", 26.0, 0.5),
        ("26 +/- 2", 26.0, 2.0),
        ("26±1.5", 26.0, 1.5),
    ],
)
def test_water(ground: Ground, water: str, temp_c: float, doubt_c: float) -> None:
    line = only(ground.load(f"start,lot,grams,temp_c,done_by\n2025-11-03 21:30,river,2,{water},24h\n")[1])
    assert (line["temp_c"], line["doubt_c"]) == (temp_c, doubt_c)


def test_water_in_fahrenheit(ground: Ground) -> None:
    head = "start,lot,grams,temp_f,temp_doubt_c,done_by\n"
    for water, doubt, temp_c, doubt_c in (
        ("77", "", 25.0, 1.0),
        ("75.2-78.8F", "", 25.0, 1.0),
        ("77+-3.6", "", 25.0, 2.0),
        ("77", "0.4", 25.0, 0.4),
    ):
        line = only(ground.load(f"{head}2025-11-03 21:30,river,2,{water},{doubt},24h\n")[1])
        assert (line["temp_c"], line["doubt_c"]) == (temp_c, doubt_c)


@pytest.mark.parametrize(
    ("looks", "done_by", "not_done_at", "seen"),
    [
        ("some@14h | complete@24", "", "", [(14.0, "some"), (24.0, "complete")]),
        ("complete@24h;some@14h", "", "", [(14.0, "some"), (24.0, "complete")]),
        ("nearly all@20.5 h;60%@18h", "", "", [(18.0, "60 %"), (20.5, "nearly all")]),
        ("most@2025-11-04 15:30", "", "", [(18.0, "most")]),
        ("", "24h", "", [(24.0, "complete")]),
        ("", "24", "20h", [(20.0, "not complete"), (24.0, "complete")]),
        ("", "2025-11-04 21:30", "2025-11-04T20:00+01:00", [(22.5, "not complete"), (24.0, "complete")]),
        ("", "", "20h", [(20.0, "not complete")]),
        ("some@14h", "24h", "", [(14.0, "some"), (24.0, "complete")]),
    ],
)
def test_what_was_seen(
    ground: Ground, looks: str, done_by: str, not_done_at: str, seen: list[tuple[float, str]]
) -> None:
    line = only(ground.load(f'{HEAD}2025-11-03 21:30,river,2,1,26,"{looks}",{done_by},{not_done_at}\n')[1])
    assert [(look["h"], look["seen"]) for look in line["looks"]] == seen


@pytest.mark.parametrize(
    ("start", "utc"),
    [
        ("2025-11-03 21:30", "2025-11-03T20:30:00+00:00"),
        ("2025-11-03 9:30", "2025-11-03T08:30:00+00:00"),
        ("2025-11-03T21:30:00Z", "2025-11-03T21:30:00+00:00"),
        ("2025-07-03 21:30", "2025-07-03T19:30:00+00:00"),  # summer time
    ],
)
def test_when_it_was_begun(ground: Ground, start: str, utc: str) -> None:
    line = only(ground.load(f"start,lot,grams,temp_c,done_by\n{start},river,2,26,24h\n")[1])
    assert line["started"] == utc


def test_semicolons_and_decimal_commas(ground: Ground) -> None:
    text = (
        "\ufeffStart;Lot;Grams;Litres;Temp C;Temp doubt C;Looks;Notes\r\n"
        '2025-11-03 21:30;river;2,5;1,5;25,5;0,5;"some@13,5h; most@18h";first try, cold night\r\n'
        "2025-11-05 21:30;river;2,5;1,5;25,5-26,5;;some@13,5h|most@18h;\r\n"
    )
    code, told = ground.load(text)
    assert (code, states(told)) == (0, ["new", "new"])
    first, second = told["lines"]
    assert (first["grams"], first["litres"], first["temp_c"], first["doubt_c"]) == (2.5, 1.5, 25.5, 0.5)
    assert first["looks"] == second["looks"] == [{"h": 13.5, "seen": "some"}, {"h": 18.0, "seen": "most"}]
    assert (second["temp_c"], second["doubt_c"]) == (26.0, 0.5)


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("2025-11-03 21:30,,2,1,26,,24h,", "lot is missing."),
        (",river,2,1,26,,24h,", "start is missing."),
        ("2025-11-03,river,2,1,26,,24h,", "start: '2025-11-03' is not a time such as 2025-11-03 21:30."),
        ("3.11.2025 21:30,river,2,1,26,,24h,", "start: '3.11.2025 21:30' is not a time"),
        ("2025-13-03 21:30,river,2,1,26,,24h,", "start: '2025-13-03 21:30' is not a time"),
        ("0001-01-01 00:00,river,2,1,26,,24h,", "start: the year 0001 cannot be meant."),
        ("9999-12-31 23:59,river,2,1,26,,24h,", "start: the year 9999 cannot be meant."),
        # summer time skipped it
        ("2025-03-30 02:30,river,2,1,26,,24h,", "start: '2025-03-30 02:30' is not a time"),
        ("2025-11-03 21:30,river,some,1,26,,24h,", "grams: 'some' is not a number."),
        ("2025-11-03 21:30,river,nan,1,26,,24h,", "grams: 'nan' is not a number."),
        ("2025-11-03 21:30,river,1e3,1,26,,24h,", "grams: '1e3' is not a number."),
        (
            '2025-11-03 21:30,river,"2,5",1,26,,24h,',
            "grams: '2,5' is not a number, with a decimal point (a comma only in files that are separated by "
            "semicolons).",
        ),
        ("2025-11-03 21:30,river,0,1,26,,24h,", "The weight of cysts must lie between"),
        ("2025-11-03 21:30,river,2,0,26,,24h,", "The volume must lie between"),
        ("2025-11-03 21:30,river,2,1,,,24h,", "Give the water in temp_c or in temp_f, one of the two."),
        ("2025-11-03 21:30,river,2,1,warm,,24h,", "temp_c: 'warm' is not a temperature such as 26, 25-27"),
        ("2025-11-03 21:30,river,2,1,26F,,24h,", "temp_c: '26F' is not a temperature"),
        ("2025-11-03 21:30,river,2,1,78,,24h,", "78 °C is no hatch; give Fahrenheit in a column temp_f."),
        ("2025-11-03 21:30,river,2,1,8,,24h,", "Water of 8.0 °C (46.4 °F) teaches nothing"),
        ("2025-11-03 21:30,river,2,1,20-33,,24h,", "in doubt by 6.5 C teaches nothing"),
        ("2025-11-03 21:30,river,2,1,26,most,24h,", "looks: 'most' is not a look such as most@18h."),
        ("2025-11-03 21:30,river,2,1,26,loads@18h,,", "'loads' is not a look. Say one of: none, few"),
        ("2025-11-03 21:30,river,2,1,26,most@6pm,,", "looks: '6pm' is neither hours from the start (24h)"),
        ("2025-11-03 21:30,river,2,1,26,,21:30,", "done_by: '21:30' is neither hours from the start"),
        ("2025-11-03 21:30,river,2,1,26,,2025-11-02 21:30,", "Looks lie within 240 h after the start."),
        ("2025-11-03 21:30,river,2,1,26,,0h,", "Looks lie within 240 h after the start."),
        ("2025-11-03 21:30,river,2,1,26,,999999h,", "Looks lie within 240 h after the start."),
        ("2025-11-03 21:30,river,2,1,26,,,", "Nothing says when it hatched: give looks or done_by."),
        ("2025-11-03 21:30,river,2,1,26,,20h,22h", "It cannot have been 'complete' after 20 h"),
        ("2025-11-03 21:30,river,2,1,26,some@14h,24h,20h,more,yet", "There are 10 values for 8 columns"),
    ],
)  # fmt: skip
def test_lines_that_are_refused(ground: Ground, line: str, why: str) -> None:
    code, told = ground.load(f"{HEAD}{line}\n", "--yes")
    assert (code, states(told)) == (1, ["refused"])
    assert why in only(told)["why"]
    assert not ground.database.exists()


def test_a_batch_that_is_not_over_yet(ground: Ground) -> None:
    started = datetime.now(UTC) - timedelta(hours=5)
    code, told = ground.load(f"start,lot,grams,temp_c,done_by\n{started.isoformat()},river,2,26,24h\n")
    assert code == 1
    assert "What was seen cannot lie in the future" in only(told)["why"]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "is empty; its first line must name columns: start, lot"),
        ("\n\n", "is empty"),
        ("start,lot,grams,temp_c,done_by,tepm_f\n", "there is no column 'tepm_f'. Did you mean temp_f?"),
        ("start,lot,temp_c,done_by\n", "the first line names no column grams."),
        ("start,lot,grams,done_by\n", "the first line names no column temp_c or temp_f."),
        ("start,lot,grams,temp_c\n", "the first line names no column looks or done_by."),
        ("start,lot,grams,temp_c,done_by,lot\n", "the column lot is there twice."),
        ('start,lot,"grams\n', "line 1: A quotation mark is not closed"),
        ("2025-11-03 21:30,river,2,26,24h\n", "there is no column '2025-11-03_21:30'."),
    ],
)
def test_files_that_are_refused(ground: Ground, text: str, why: str) -> None:
    ran = ground.run("import", ground.file(text), "--yes")
    assert ran.exit_code == 1
    assert why in ran.stderr
    assert ran.stdout == ""


def test_files_that_cannot_be_read(ground: Ground) -> None:
    missing = ground.run("import", ground.folder / "none.csv")
    assert (missing.exit_code, "No such file" in missing.stderr) == (1, True)
    folder = ground.run("import", ground.folder)
    assert (folder.exit_code, "directory" in folder.stderr) == (1, True)
    (ground.folder / "old.csv").write_bytes(HEAD.encode() + b"2025-11-03 21:30,Gr\xfcn,2,1,26,,24h,\n")
    latin = ground.run("import", ground.folder / "old.csv")
    assert (latin.exit_code, "is not UTF-8 text; save it as 'CSV UTF-8'" in latin.stderr) == (1, True)


def spoiled(random_: random.Random) -> str:
    """A good line with some of its characters exchanged, dropped, doubled or made up."""
    line = list(GOOD.rstrip())
    for _ in range(random_.randint(1, 6)):
        at = random_.randrange(len(line))
        odd = random_.choice(
            [*string.printable, "\0", "\u2028", "°", "9" * 400, "-", '"', ",", ";", "@", "ß", "١"]
        )
        line[at : at + random_.randint(0, 2)] = random_.choice([[odd], [], line[at : at + 1] * 2])
    return "".join(line)


@pytest.mark.parametrize("separator", [",", ";"])
def test_no_line_however_spoiled_breaks_the_reading(ground: Ground, separator: str) -> None:
    """Three thousand spoiled lines: each is a sound batch or refused with a sentence."""
    random_ = random.Random(5)
    header = HEAD.replace(",", separator)
    body = "\n".join(spoiled(random_).replace(",", separator) for _ in range(3000))
    lines = read_notebook(ground.file(header + body), NOW, Voice(UTC))
    good = [line for line in lines if line.state == "new"]
    assert 50 < len(good) < len(lines) - 50
    for line in lines:
        if line.state == "refused":
            assert line.why
            assert line.asked is None
    code, told = ground.load(header + body, "--yes")
    assert code == 1
    stored = [line for line in told["lines"] if line["state"] == "new"]
    assert len(stored) == len(ground.batches())
    for line in stored:
        assert 12.0 <= line["temp_c"] <= 34.0
        assert 0.0 < max(look["h"] for look in line["looks"]) <= 240.0


# ---- what is learned ----


def slow_lot(count: int, doubt: str = "") -> str:
    """A lot that takes 30 h at 26 C, a batch every second day."""
    head = "start,lot,grams,litres,temp_c,temp_doubt_c,looks\n"
    days = (datetime(2025, 11, 3, 20, 0) + timedelta(days=2 * n) for n in range(count))  # noqa: DTZ001
    return head + "".join(
        f"{day:%Y-%m-%d %H:%M},slow,2,1,26,{doubt},some@23h|most@26h|complete@30h\n" for day in days
    )


def t90(ground: Ground) -> tuple[float, float]:
    """(median, ln width of the 80 % band) of the slow lot's T90 at 26 C."""
    with Store(ground.database, read_only=True) as store:
        band = t90_at(belief_from(all_evidence(store), "slow"), 26.0)
    return band.p50, band.p90 / band.p10


def test_the_lot_is_learned_batch_by_batch(tmp_path: Path) -> None:
    seen = []
    for count in (1, 3, 6):
        (tmp_path / str(count)).mkdir()
        ground = Ground(tmp_path / str(count))
        assert ground.load(slow_lot(count), "--yes")[0] == 0
        seen.append(t90(ground))
    medians, widths = zip(*seen, strict=True)
    assert list(medians) == sorted(medians)
    assert list(widths) == sorted(widths, reverse=True)
    assert 23.0 < medians[0] < medians[2]
    assert 26.0 < medians[2] < 30.0  # 90 % lay between the last two looks


def test_a_rough_notebook_teaches_less_than_a_log(tmp_path: Path) -> None:
    widths = []
    for name, doubt in (("fine", "0.2"), ("rough", "1.0"), ("rougher", "2.5")):
        (tmp_path / name).mkdir()
        ground = Ground(tmp_path / name)
        ground.load(slow_lot(3, doubt), "--yes")
        widths.append(t90(ground)[1])
    widths.insert(0, measured_width(tmp_path))
    assert widths == sorted(widths)
    assert widths[0] < widths[2] * 0.97


def measured_width(folder: Path) -> float:
    """The same batches with a probe that has logged 26.0 C every five minutes."""
    from hatchmon.app.beliefs import work_out_evidence

    (folder / "measured").mkdir()
    ground = Ground(folder / "measured")
    ground.load(slow_lot(3), "--yes")
    with Store(ground.database) as store, store.atomic():
        stream = store.add_stream("notebook", Quantity.TEMPERATURE, "C", "t", NOW)
        store.rows("DELETE FROM notebook")
        for batch in store.batches():
            times = (batch.started + timedelta(minutes=5 * n) for n in range(-1, 365))
            store.add_readings(
                [NewReading(stream.stream_id, to_us(each), 26.0, Verdict.GOOD, "probe") for each in times]
            )
            work_out_evidence(store, batch)
    return t90(ground)[1]


def test_a_notebook_moves_the_forecast_of_a_running_batch(ground: Ground) -> None:
    at = (datetime.now(UTC) - timedelta(hours=2)).isoformat()
    ground.run("reading", "north", "26", "--at", at)
    ground.run("begin", "north", "--lot", "slow", "--grams", "2", "--set-point", "26", "--at", at)

    def hours() -> dict[str, Any]:
        (cone,) = json.loads(ground.run("now", "--json").stdout)
        band: dict[str, Any] = cone["forecast"]["t90"]
        return {name: each["h"] for name, each in band.items()}

    before = hours()
    ground.load(slow_lot(4), "--yes")
    after = hours()
    assert after["p50"] > before["p50"] + 3.0
    assert after["p90"] - after["p10"] < before["p90"] - before["p10"]


def test_a_look_noted_later_keeps_the_rough_temperature(ground: Ground) -> None:
    """In a cone with a probe a noted batch may be mended like any other."""
    ground.run("reading", "north", "26")
    text = "start,lot,grams,temp_c,cone,looks\n2025-11-03 21:30,river,2,26+-2,north,some@14h|complete@24h\n"
    assert ground.load(text, "--yes")[0] == 0
    ran = ground.run("look", "north", "most", "--at", "2025-11-04T15:30")
    assert ran.exit_code == 0, ran.output
    with Store(ground.database, read_only=True) as store:
        (evidence,) = all_evidence(store)["river"]
    assert evidence.ln_q.shape == (3, 7)
    assert evidence.extra_sd == pytest.approx(0.194, abs=0.001)  # hypot(.095 x 2, .04)


# ---- while the daemon runs ----


@pytest.fixture
def daemon(ground: Ground) -> Iterator[tuple[Ground, Engine]]:
    """The daemon's engine, which holds the database."""
    settings = load_settings(ground.config, env={})
    with Store(settings.store.path) as store:
        yield ground, Engine(settings, store, SystemClock())


def test_the_daemons_engine_carries_it_out(daemon: tuple[Ground, Engine]) -> None:
    ground, engine = daemon
    path = ground.file(slow_lot(6) + "nonsense\n")
    words = ("import", path, "--yes", "--json", "--config", ground.config)
    with subprocess.Popen(
        [str(Path(sys.executable).parent / "hatchmon"), *map(str, words)],
        stdout=subprocess.PIPE,
    ) as process:
        deadline = time.monotonic() + 60.0
        while process.poll() is None and time.monotonic() < deadline:
            engine.turn()
            time.sleep(0.02)
        assert process.poll() == 1
        assert process.stdout is not None
        told = json.loads(process.stdout.read())
    assert states(told) == ["new"] * 6 + ["refused"]
    assert len(ground.batches()) == 6
    assert engine.cones == {}
    with Store(ground.database, read_only=True) as store:
        done = store.rows("SELECT ok, answer, body FROM requests ORDER BY request_id")
        assert [row["ok"] for row in done] == [1] * 6
        assert {json.loads(row["body"])["do"] for row in done} == {"import"}
        assert json.loads(done[0]["answer"])["text"] == (
            "notebook: lot slow, begun 2025-11-03 20:00, taken from the notebook, 3 looks."
        )


def test_a_request_is_checked_again_when_it_is_carried_out(daemon: tuple[Ground, Engine]) -> None:
    """Between the showing and the storing something else may have been stored."""
    ground, engine = daemon
    body = {
        "do": "import", "cone": "notebook", "at": "2025-11-03T20:00:00Z", "lot": "river", "grams": 2.0,
        "temp_c": 26.0, "doubt_c": 1.0, "looks": [{"h": 24.0, "seen": "complete"}],
    }  # fmt: skip
    wrong: list[dict[str, Any]] = [
        {**body},
        {**body, "at": None, "lot": "a"},
        {**body, "temp_c": 99.0, "lot": "b"},
        {**body, "looks": [], "lot": "c"},
        {**body, "looks": [{"h": -1e300, "seen": "complete"}], "lot": "d"},
        {**body, "looks": [{"h": 24.0, "seen": "?"}], "lot": "e"},
        {**body, "cone": "no such name!", "lot": "f"},
    ]
    with Store(ground.database, exclusive=False) as other:
        numbers = [other.ask(each, "me", datetime.now(UTC)) for each in [body, *wrong]]
        engine.carry_out_requests()
        answers = [other.answer_to(number) for number in numbers]
    assert [answer is not None and answer[0] for answer in answers] == [True] + [False] * len(wrong)
    assert answers[1] is not None
    assert "is known already" in answers[1][1]["text"]
    assert len(ground.batches()) == 1


# ---- one batch in full ----


def test_a_batch_of_the_notebook_in_full(ground: Ground) -> None:
    slow = "2025-12-20 20:00,slow,12,1,26,,few@28h|most@36h|complete@40h\n"
    ground.load(slow_lot(4, "0.3") + slow, "--yes")
    ran = ground.run("batches", "5", "--json")
    assert ran.exit_code == 0, ran.output
    told = json.loads(ran.stdout)
    assert told["from_notebook"] is True
    assert told["seen"]["t90_h"] == {"not_before": 36.0, "by": 40.0}
    assert told["diagnosis"]["deviations"] == ["slow"]
    assert "; its lot let expect 2" in told["diagnosis"]["text"]
    assert [finding["cause"] for finding in told["diagnosis"]["findings"]] == ["notebook", "density"]
    words = ground.run("batches", "5").stdout
    assert words.startswith("Batch 5: lot slow in notebook")
    assert "36.0 h  2025-12-22 08:00  seen: most" in words
    assert "water 26.0 °C, from the notebook" in words
    assert "  2. Dense: 12.0 g/L in 1 L" in words


def test_a_batch_with_a_probe_in_full(ground: Ground) -> None:
    """Twelve hours at 19 C in water meant to have 26 C, and little light."""
    now = datetime.now(UTC)
    started = now - timedelta(hours=30)
    days = [(now - timedelta(days=ago)).isoformat() for ago in (10, 8, 6)]
    head = "start,lot,grams,temp_c,temp_doubt_c,looks\n"
    ground.load(
        head + "".join(f"{day},slow,2,26,0.3,some@17h|most@20h|complete@22h\n" for day in days), "--yes"
    )
    with Store(ground.database) as store, store.atomic():
        stream = store.add_stream("north", Quantity.TEMPERATURE, "C", "t", now)
        light = store.add_stream("north", Quantity.LIGHT, "lux", "l", now)
        for number in range(29 * 12):
            at = started + timedelta(minutes=5 * number)
            water = 19.0 if 2.0 <= number / 12 < 14.0 else 26.0
            store.add_readings(
                [
                    NewReading(stream.stream_id, to_us(at), water, Verdict.GOOD, "probe"),
                    NewReading(light.stream_id, to_us(at), 40.0, Verdict.GOOD, "probe"),
                ]
            )
        store.add_batch(
            Batch(0, "north", "slow", started, 2.0, 1.0, set_point_c=26.0), "keeper",
        )  # fmt: skip
    assert "still running" in ground.run("batches", "4").stdout
    for word, hours in (("some", 20.0), ("most", 27.0), ("complete", 28.9)):
        when = (started + timedelta(hours=hours)).isoformat()
        assert ground.run("look", "north", word, "--at", when).exit_code == 0
    when = (started + timedelta(hours=29)).isoformat()
    assert ground.run("harvest", "north", "--at", when).exit_code == 0
    ran = ground.run("batches", "4", "--json")
    assert ran.exit_code == 0, ran.output
    told = json.loads(ran.stdout)
    assert told["diagnosis"]["deviations"] == ["slow"]
    findings = told["diagnosis"]["findings"]
    assert [finding["cause"] for finding in findings][:2] == ["cold", "light"]
    assert findings[0]["effect_h"] == pytest.approx(5.8, abs=0.1)
    assert "h below 20.0 °C, down to 19.0 °C;" in findings[0]["text"]
    assert "against the set point of 26.0 °C" in findings[0]["text"]
    assert [event["text"] for event in told["events"]][-3:] == ["seen: most", "seen: complete", "harvested"]
    assert told["readings"] > 300


def test_a_batch_that_is_not_there(ground: Ground) -> None:
    ground.load(HEAD + GOOD, "--yes")
    ran = ground.run("batches", "7")
    assert (ran.exit_code, ran.stderr.strip()) == (
        1, "There is no batch 7. All of them, with their numbers: hatchmon batches",
    )  # fmt: skip
    assert ground.run("batches", "1", "--lot", "river").exit_code == 2


def test_reading_lines_keeps_their_numbers(ground: Ground) -> None:
    lines = read_notebook(ground.file(HEAD + "\n" + GOOD + ",,,,,,,\n" + GOOD), NOW, Voice(UTC))
    assert [line.number for line in lines] == [3, 5]
    assert all(isinstance(line, Line) and line.noted is not None for line in lines)
    with pytest.raises(Refused):
        read_notebook(ground.folder / "none.csv", NOW, Voice(UTC))

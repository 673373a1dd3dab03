"""A batch or a month as one file: complete, the same every time, and whole without a network."""

from __future__ import annotations

import base64
import re
import shutil
import subprocess
from datetime import timedelta
from pathlib import Path

import pytest

from hatchmon.adapters.store import Store
from hatchmon.app.report import Reporter
from hatchmon.app.settings_model import Settings
from hatchmon.hatchery.types import Refused
from tests.keeping import NOW, keep_record
from tests.system.daemon import Ground

SETTINGS = Settings.model_validate({"site": "shed", "time_zone": "Europe/Berlin"})


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("kept") / "hatchmon.db"
    keep_record(path, batches=9, days=60, every_s=300, forecasts=False)
    return path


def reporter(store: Store, later: timedelta = timedelta(0)) -> Reporter:
    return Reporter(SETTINGS, store, NOW + later)


def figures(text: str) -> list[str]:
    return re.findall(r'(?s)<figure class="graph".*?</figure>', text)


def test_a_batch_with_everything_its_page_shows(path: Path) -> None:
    with Store(path, read_only=True) as store:
        text = reporter(store).batch(7)
    for said in (
        "How did it hatch?",
        "Did the water stay where this lot likes it?",
        "How salty was the water?",
        "Was there light in the first hours?",
        "Why did it go as it did?",
        "What happened",
    ):
        assert said in text
    for figure in figures(text):
        assert "<svg class=" in figure
        assert "<title>" in figure  # what a hand on a point is told
        data = re.findall(r'href="data:text/csv;charset=utf-8;base64,([^"]+)"', figure)
        rows = base64.b64decode(data[0]).decode().splitlines()
        assert len(rows) == len(re.findall("<tr>", figure)) > 1


def test_it_asks_for_nothing_from_anywhere(path: Path) -> None:
    with Store(path, read_only=True) as store:
        text = reporter(store).month("2026-11") + reporter(store).batch(7)
    assert "<script" not in text
    assert not re.search(r"https?://", text)
    assert not re.search(r"url\(", text)
    assert {each.partition(":")[0] for each in re.findall(r'(?:src|href)="([^"]*)"', text)} == {"data"}
    ids = re.findall(r'\bid="([^"]+)"', reporter_text(path))
    assert len(ids) == len(set(ids))


def reporter_text(path: Path) -> str:
    with Store(path, read_only=True) as store:
        return reporter(store).month("2026-10")


def test_the_same_record_gives_the_same_bytes_whenever_it_is_asked(path: Path) -> None:
    with Store(path, read_only=True) as store:
        assert reporter(store).batch(7) == reporter(store, timedelta(days=90)).batch(7)
        assert reporter(store).month("2026-10") == reporter(store, timedelta(days=90)).month("2026-10")
        running = reporter(store).batch(10)
    assert "As of 2026-11-24 22:40." in running


def test_a_month_holds_its_batches_and_no_others(path: Path) -> None:
    with Store(path, read_only=True) as store:
        text = reporter(store).month("2026-10")
        begun = [
            batch.batch_id
            for batch in store.batches()
            if batch.started.astimezone(SETTINGS.zone).strftime("%Y-%m") == "2026-10"
        ]
    assert begun
    assert [int(n) for n in re.findall(r"<summary><h2>Batch (\d+) in", text)] == begun
    assert f"{len(begun)} batches of" in text
    for lot in ("river-23", "salt-pan-7", "dune-11"):
        assert f"<h2>Lot {lot}</h2>" in text


@pytest.mark.parametrize("month", ["2026-13", "October", "2026-1", "0000-01", "9999-12", "2026-10-01", "-"])
def test_what_is_no_month_is_refused(path: Path, month: str) -> None:
    with Store(path, read_only=True) as store, pytest.raises(Refused, match="such as 2026-03"):
        reporter(store).month(month)


def test_a_month_or_a_batch_without_anything_is_refused(path: Path) -> None:
    with Store(path, read_only=True) as store:
        with pytest.raises(Refused, match="No batch was begun in 2020-01"):
            reporter(store).month("2020-01")
        with pytest.raises(Refused, match="no batch 99"):
            reporter(store).batch(99)


def test_it_opens_in_a_browser_that_has_no_network(path: Path, tmp_path: Path) -> None:
    """Debian's chromium draws it from disk, with every name and proxy leading nowhere, and complains of
    nothing."""
    with Store(path, read_only=True) as store:
        text = reporter(store).month("2026-10")
    page = tmp_path / "report.html"
    page.write_text(text, "utf-8")
    chromium = shutil.which("chromium")
    assert chromium, "install Debian's chromium: sudo apt install chromium"
    seen = subprocess.run(
        [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
         f"--user-data-dir={tmp_path / 'profile'}", "--proxy-server=127.0.0.1:9",
         "--host-resolver-rules=MAP * ~NOTFOUND", "--enable-logging=stderr", "--dump-dom", page.as_uri()],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    assert "CONSOLE" not in seen.stderr, seen.stderr[-2000:]
    assert len(figures(seen.stdout)) == len(figures(text)) > 6
    assert seen.stdout.count('<path class="line') == text.count('<path class="line')


def test_the_command_line_writes_it(path: Path, tmp_path: Path) -> None:
    ground = Ground(tmp_path / "ground", 1)
    ground.database.parent.mkdir(parents=True)
    shutil.copy(path, ground.database)
    file = tmp_path / "batch.html"
    assert f"{file}: 0." in ground.done("report", 7, "--out", file)
    assert file.read_text("utf-8") == ground.done("report", "7")
    assert "exists already" in ground.refused("report", 7, "--out", file)
    assert "cannot be written" in ground.refused("report", 7, "--out", tmp_path / "no" / "where.html")
    assert "2026-03" in ground.refused("report", "--month", "March")
    assert "--month" in ground.refused("report", code=2)
    assert "--month" in ground.refused("report", 7, "--month", "2026-10", code=2)
    made = ground.data("calendar")
    assert made["address"].endswith(f"/calendar/{made['calendar']}.ics")
    assert ground.data("calendar")["calendar"] != made["calendar"]

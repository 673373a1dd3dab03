"""Text from outside that a terminal would obey: shown, not done."""

from __future__ import annotations

import csv
import io
import json
import logging
import socket
from pathlib import Path

import pytest
from freezegun import freeze_time
from freezegun.api import FrozenDateTimeFactory

from hatchmon.adapters.notify import Notify
from hatchmon.adapters.store import Store
from hatchmon.app.daemon import Line
from hatchmon.hatchery.wording import printable
from tests.app.test_count import START, Keeper

NASTY = "hatchery/\x1b]0;owned\x07\x1b[2J\r\n\u202e\x00\x9b/temperature"


def test_what_cannot_be_printed_is_written_out() -> None:
    assert printable("\x1b[2J\x07\r\n\t\x00\x9b\u202e\u2028\U000e0041") == (
        r"\x1b[2J\x07\r\n\t\x00\x9b\u202e\u2028\U000e0041"
    )
    assert printable("Bütte 2: 26.4 °C ░█") == "Bütte 2: 26.4 °C ░█"
    assert printable("\ud800") == r"\ud800"


def test_export_and_check_show_it(tmp_path: Path) -> None:
    with freeze_time(START) as clock:
        assert isinstance(clock, FrozenDateTimeFactory)
        keeper = Keeper(tmp_path, clock)
        with Store(keeper.database) as store:
            store.add_rejected(START, NASTY, NASTY.encode(), "not a plain number")
        exported = keeper.done("export", "rejected")
        (row,) = csv.DictReader(io.StringIO(exported))
        assert row["topic"] == row["payload"] == printable(NASTY)
        said = keeper.run("check").stdout
    for text in (exported, said):
        assert r"\x1b]0;owned" in text
        assert all(line.isprintable() for line in text.split("\n"))


def test_requests_can_be_exported_with_who_made_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOGNAME", "ada")
    with freeze_time(START) as clock:
        assert isinstance(clock, FrozenDateTimeFactory)
        keeper = Keeper(tmp_path, clock)
        keeper.refused("harvest", "north")
        reading, harvest = keeper.data("export", "requests", "--cone", "north")
    assert (reading["by"], reading["ok"]) == ("ada", 1)
    assert json.loads(harvest["request"])["do"] == "harvest"
    assert (harvest["ok"], harvest["answer"]) == (
        0,
        "Nothing is running in north: there is nothing to harvest.",
    )


def test_a_line_of_the_log_is_one_line() -> None:
    record = logging.LogRecord("x", logging.ERROR, __file__, 1, "refused: %s", (NASTY,), None)
    line = Line("%(levelname)s %(message)s").format(record)
    assert line == f"ERROR refused: {printable(NASTY)}"


def test_the_status_cannot_carry_a_word_of_its_own_to_the_service_manager(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        Notify({"NOTIFY_SOCKET": str(tmp_path / "notify")}).status(f"store says {NASTY}\nWATCHDOG=1")
        said = manager.recv(4096).decode()
    assert said.isprintable()
    assert said.startswith("STATUS=store says")

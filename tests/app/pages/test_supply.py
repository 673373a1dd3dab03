"""The page of the coming days, over a plan that the planner made."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from hatchmon.adapters.store import Store
from hatchmon.app.plan_record import PLAN_VERSION
from hatchmon.app.planning import plan_now
from hatchmon.app.settings_model import Settings
from hatchmon.hatchery.supply.demand import Brood
from hatchmon.hatchery.supply.stock import Stock
from tests.app.pages.test_review import served, words
from tests.keeping import NOW, keep_record

TABLES: dict[str, Any] = {
    "cones": {"north": {"litres": 2, "set_point_c": 26}, "south": {"litres": 1, "set_point_c": 27}},
    "supply": {"days": 3, "hours": ["06:30-09:00", "17:00-22:30"]},
}
START = {
    "cone": "north", "lot": "river-23", "at": (NOW + timedelta(hours=1)).isoformat(), "grams": 0.4,
    "litres": 2.0, "salinity": 25.0, "temp_c": 26.0, "salt_g": 50.9, "for": [],
    "opens": dict.fromkeys(("p10", "p50", "p90"), (NOW + timedelta(hours=22)).isoformat()),
    "closes": dict.fromkeys(("p10", "p50", "p90"), (NOW + timedelta(hours=30)).isoformat()),
}  # fmt: skip


def record(path: Path) -> None:
    """A record with a brood and a lot in stock, no plan yet."""
    keep_record(path, batches=4, every_s=600, forecasts=False)
    with Store(path) as store, store.atomic():
        store.keep_brood(Brood("reeds", 900, NOW.date() - timedelta(days=14)))
        store.keep_stock(Stock("river-23", 60.0, date(2026, 1, 5), 110.0), NOW)


@pytest.fixture(scope="module")
def facts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    path = tmp_path_factory.mktemp("planned") / "hatchmon.db"
    record(path)
    settings = Settings.model_validate({"store": {"path": str(path)}, "time_zone": "Europe/Berlin", **TABLES})
    return plan_now(settings, NOW)


@pytest.fixture(scope="module")
def visitor(tmp_path_factory: pytest.TempPathFactory, facts: dict[str, Any]) -> Iterator[httpx.Client]:
    path = tmp_path_factory.mktemp("supply") / "hatchmon.db"
    record(path)
    issue(path, facts)
    with served(path, TABLES) as client:
        yield client


def issue(path: Path, facts: dict[str, Any]) -> None:
    with Store(path) as store, store.atomic():
        store.add_plan(NOW - timedelta(minutes=20), json.dumps(facts))


def with_start(facts: dict[str, Any], start: dict[str, Any]) -> dict[str, Any]:
    """The plan with that one start alone, for no feeding."""
    fed = [each | {"starts": [], "on_hand": []} for each in facts["feedings"]]
    return facts | {"starts": [start], "feedings": fed}


def test_the_page_tells_the_next_start_feedings_waste_and_what_is_left(
    visitor: httpx.Client, facts: dict[str, Any]
) -> None:
    page = visitor.get("/supply")
    assert page.status_code == 200
    told = words(page.text)
    first = facts["starts"][0]
    lead = words(re.findall(r'(?s)<p class="lead" id="next">.*?</p>', page.text)[0])
    assert lead.startswith(f"Begin {first['cone']} ")
    assert f"{first['grams']:g} g of river-23 into {first['litres']:g} L of brine at 25 g/L" in lead
    assert "Planned 20 min ago for 3 days." in told
    assert "are likely never fed." in told
    assert "reeds : 900 fry, 14 days of age." in told
    assert "river-23 : 60 g" in told
    assert "for cysts" in told
    assert f"Mixing sheet for {first['cone']}" in told
    assert "Mains power beside salt water can kill" in told
    assert "safety data sheet" in told
    assert "Not sure enough" not in told
    assert not re.search(r"<style|\sstyle=|\son[a-z]+=", page.text)
    assert page.text.count('aria-current="page"') == 1


def test_a_feeding_that_fails_is_named_with_what_would_mend_it(tmp_path: Path, facts: dict[str, Any]) -> None:
    path = tmp_path / "hatchmon.db"
    record(path)
    first, *rest = facts["feedings"]
    failing = {"at": first["at"], "why": "No batch can be ready by then.", "chance": 0.93, "tried": True,
               "change": "an hour more in the morning"}  # fmt: skip
    fed = [first | {"met": False, "chance": 0.41}, *rest]
    issue(path, facts | {"feedings": fed, "failing": failing})
    with served(path, TABLES) as visitor:
        told = words(visitor.get("/supply").text)
    assert (
        "No batch can be ready by then. What would mend it: an hour more in the morning (then 93%)." in told
    )
    assert re.search(r"Not sure enough to be covered: 07:30 \(41 %\) ?\.", told), told
    assert "1 of them may fall short." in told
    assert "The least sure is 07:30 with 41%." in told


def test_its_graphs_have_a_picture_a_table_and_a_file(visitor: httpx.Client, facts: dict[str, Any]) -> None:
    page = visitor.get("/supply").text
    figures = re.findall(r'(?s)<figure class="graph".*?</figure>', page)
    assert len(figures) == 2
    for figure in figures:
        assert '<svg class="chart"' in figure
        assert json.loads(re.findall(r'(?s)<script type="application/json"[^>]*>(.*?)</script>', figure)[0])
    hand = rows(visitor, "hand")
    assert len(hand) == len(facts["hand"])
    for row, stored in zip(hand, facts["hand"], strict=True):
        told = [int(row[name]) for name in ("1 in 10 below", "at hand, likely", "9 in 10 below")]
        assert told == stored["usable"] == sorted(told)
    # Nothing that is fed gets lost on the way to the table.
    assert sum(int(row["fed then"] or 0) for row in hand) == sum(f["nauplii"] for f in facts["feedings"])
    chances = [row["covered"].split("%")[0] for row in rows(visitor, "chance")]
    assert chances == [f"{each['chance']:.0%}"[:-1] for each in facts["feedings"]]
    assert visitor.get("/supply/moon.csv").status_code == 404


def rows(visitor: httpx.Client, key: str) -> list[dict[str, str]]:
    taken = visitor.get(f"/supply/{key}.csv")
    assert taken.headers["content-type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(taken.text)))


def test_a_bare_record_is_told_what_is_lacking_and_where_to_note_it(tmp_path: Path) -> None:
    path = tmp_path / "hatchmon.db"
    with Store(path):
        pass
    with served(path) as bare:
        assert '<a href="/supply">Supply</a>' in bare.get("/").text
        page = bare.get("/supply").text
        for link in ("/supply/note/brood", "/supply/note/stock"):
            assert page.count(f'<a href="{link}">') == 1
            assert bare.get(link).status_code == 200
        assert "[cones.bench]" in words(page)
        assert bare.get("/supply/hand.csv").status_code == 404
        assert bare.get("/supply/note/moon").status_code == 404
        assert bare.get("/supply/note/brood?of=nobody").status_code == 404


def test_without_a_plan_it_says_so(tmp_path: Path) -> None:
    path = tmp_path / "hatchmon.db"
    record(path)
    with served(path, TABLES) as visitor:
        told = words(visitor.get("/supply").text)
    assert "No plan yet." in told
    assert "still has to know" not in told
    assert "reeds" in told


def test_what_is_known_stands_in_the_form_that_changes_it(visitor: httpx.Client) -> None:
    page = visitor.get("/supply").text
    for link, fields in (
        ("/supply/note/brood?of=reeds", {"brood": "reeds", "fry": "900", "swam": "2026-11-10"}),
        (
            "/supply/note/stock?of=river-23",
            {"lot": "river-23", "opened": "2026-01-05", "price_per_kg": "110"},
        ),
    ):
        assert f'href="{link}"' in page
        form = dict(re.findall(r'name="([a-z_]+)"[^>]*? value="([^"]*)"', visitor.get(link).text))
        assert fields.items() <= form.items(), form


@pytest.mark.parametrize(
    "odd",
    [{"feedings": 7}, {"starts": []}, {"hand": [{}]}, {"grams": 3}, {"failing": "x"}, {"wasted": "many"},
     {"running_out": [{}]}, None],
)  # fmt: skip
def test_a_plan_of_another_program_may_hold_anything(
    tmp_path: Path, facts: dict[str, Any], odd: dict[str, Any] | None
) -> None:
    path = tmp_path / "hatchmon.db"
    record(path)
    issue(path, {"version": PLAN_VERSION, "starts": [START]} if odd is None else facts | odd)
    with served(path, TABLES) as visitor:
        page = visitor.get("/supply")
        assert page.status_code == 200
        assert "The plan issued last cannot be shown here." in words(page.text)
        assert "No plan yet" not in page.text
        assert visitor.get("/supply/hand.csv").status_code in (200, 404)


def test_a_start_that_is_due_is_noted_by_one_tap_and_one_that_runs_is_not(
    tmp_path: Path, facts: dict[str, Any]
) -> None:
    path = tmp_path / "hatchmon.db"
    record(path)
    issue(path, with_start(facts, START))
    with served(path, TABLES) as visitor:
        assert "as planned</button>" not in visitor.get("/supply").text
    with Store(path) as store, store.atomic():
        runs = store.batches("cone = 'north' AND ended_us IS NULL")[0]
        store.end_batch(runs.batch_id, NOW - timedelta(minutes=30), "harvested")
    with served(path, TABLES) as visitor:
        page = visitor.get("/supply").text
        form = re.findall(r'(?s)<form method="post" action="/do" class="acts">.*?</form>', page)[0]
        sent = dict(re.findall(r'name="([a-z_]+)" value="([^"]*)"', form))
        assert sent.pop("token")
        assert sent == {
            "do": "begin", "cone": "north", "lot": "river-23", "grams": "0.4", "litres": "2",
            "salinity": "25", "set_point": "26C", "to": "/supply",
        }  # fmt: skip
    later = START | {"at": (NOW + timedelta(hours=9)).isoformat()}
    issue(path, with_start(facts, later))
    with served(path, TABLES) as visitor:
        assert "as planned</button>" not in visitor.get("/supply").text

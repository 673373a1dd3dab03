"""The pages that look back, through the whole application as it is served."""

from __future__ import annotations

import csv
import gzip
import io
import json
import re
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any

import httpx
import pytest

from hatchmon.adapters.store import Store
from hatchmon.adapters.web.server import WebServer
from hatchmon.app.pages.main import make_page
from hatchmon.app.pages.site import Site
from hatchmon.app.settings_model import Settings
from hatchmon.app.snapshot import Showcase
from hatchmon.app.views import cones_now
from hatchmon.hatchery.types import Batch, Quantity
from tests.keeping import NOW, keep_record
from tests.servers import HOST, free_port, wait_until

SECRET = "k3eP-1t_t0-yourself-0123456789abcdef"
PLOTLY = f"/graphs/plotly-{version('plotly')}.js"


class StandingClock:
    """Always NOW."""

    def now(self) -> datetime:
        return NOW

    def monotonic(self) -> float:
        return 0.0


def site_of(path: Path, port: int, tables: Mapping[str, Any] | None = None, **web: str) -> Site:
    settings = Settings.model_validate(
        {
            "store": {"path": str(path)},
            "time_zone": "Europe/Berlin",
            "lots": {"river-23": {"price_per_kg": 110}},
            "web": {"port": port, "calendar": SECRET, **web},
            **(tables or {}),
        }
    )
    showcase = Showcase()
    with Store(path, read_only=True) as store:
        cones = cones_now(settings, store, NOW)
    showcase.put(
        NOW, cones=cones, committed=NOW, trouble=None, broker="connected", connected=True, series=None
    )

    def ask(*_: Any) -> Any:
        raise AssertionError("a page that looks back asked for something")

    return Site(settings, StandingClock(), showcase, ask)  # type: ignore[arg-type]


@contextmanager
def served(path: Path, tables: Mapping[str, Any] | None = None, **web: str) -> Iterator[httpx.Client]:
    """A client of the page over the record at ``path``, served as the daemon serves it, with settings of
    the page in ``web``."""
    port = free_port()
    site = site_of(path, port, tables, **web)
    server = WebServer(lambda _: make_page(site), HOST, port)
    server.start()
    try:
        with httpx.Client(base_url=f"http://{HOST}:{port}", timeout=20.0) as client:
            wait_until(lambda: _answers(client), 20.0, "the page")
            yield client
    finally:
        site.closing.set()
        server.stop(10.0)


def _answers(client: httpx.Client) -> bool:
    try:
        return client.get("/static/page.css").status_code == 200
    except httpx.TransportError:
        return False


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("kept") / "hatchmon.db"
    keep_record(path, batches=12, every_s=300, forecasts=False)
    return path


@pytest.fixture(scope="module")
def visitor(path: Path) -> Iterator[httpx.Client]:
    with served(path) as client:
        yield client


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"(?s)<(head|svg|script)\b.*?</\1>", " ", page)).split())


@pytest.mark.parametrize(
    ("where", "told"),
    [
        ("/cone/bench", "How much has hatched, and how sure is that?"),
        ("/cone/window", "Did the water stay where this lot likes it?"),
        ("/batches/10", "Why did it go as it did?"),
        ("/batches/13", "Was there light in the first hours?"),
        ("/batches", "running"),
        ("/batches?lot=dune-11", "Of lot dune-11"),
        ("/lots", "A million nauplii cost"),
        ("/lots/river-23", "How fast is lot river-23, and how sure is that?"),
        ("/record", "Is the 8 in 10 band honest?"),
    ],
)
def test_a_page_shows_what_it_is_for(visitor: httpx.Client, where: str, told: str) -> None:
    page = visitor.get(where)
    assert page.status_code == 200
    assert told in words(page.text)
    # Nothing from elsewhere, no style and no script that the policy would refuse.
    assert not re.search(r"""(src|href)=["'](https?:)?//""", page.text)
    assert not re.search(r"<style|\sstyle=|\son[a-z]+=", page.text)
    assert all("application/json" in tag or "src=" in tag for tag in re.findall(r"<script[^>]*>", page.text))


def test_every_graph_has_a_picture_a_table_and_a_file(visitor: httpx.Client) -> None:
    for path in ("/batches/13", "/lots/salt-pan-7", "/record"):
        page = visitor.get(path).text
        figures = re.findall(r'(?s)<figure class="graph".*?</figure>', page)
        assert len(figures) >= 2
        for figure in figures:
            assert "<svg class=" in figure
            assert json.loads(
                re.findall(r'(?s)<script type="application/json"[^>]*>(.*?)</script>', figure)[0]
            )
            in_table = len(re.findall(r"<tr>", figure)) - 1
            taken = visitor.get(re.findall(r'<a href="([^"]+\.csv)" download', figure)[0])
            assert taken.status_code == 200
            assert taken.headers["content-type"].startswith("text/csv")
            assert "attachment" in taken.headers["content-disposition"]
            assert len(list(csv.DictReader(io.StringIO(taken.text)))) == in_table > 0


def test_the_script_for_graphs_is_loaded_only_where_there_is_one(visitor: httpx.Client) -> None:
    for path, wanted in (
        ("/batches/13", True),
        ("/record", True),
        ("/lots", False),
        ("/batches", False),
        ("/", False),
    ):
        assert (PLOTLY in visitor.get(path).text) is wanted, path
    script = visitor.get(PLOTLY, headers={"accept-encoding": "gzip"})
    assert script.headers["content-encoding"] == "gzip"
    assert "immutable" in script.headers["cache-control"]
    assert script.text.startswith("/**\n* plotly.js v")
    plain = visitor.get(PLOTLY, headers={"accept-encoding": "identity"})
    assert plain.content == script.content
    assert len(gzip.compress(plain.content, 1)) > 1_000_000
    assert "plotly" not in sys.modules


def test_readings_of_a_batch_as_a_file(visitor: httpx.Client, path: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(visitor.get("/batches/10/readings.csv").text)))
    with Store(path, read_only=True) as store:
        batch = store.batches("batch_id = 10")[0]
    times = [datetime.fromisoformat(row["time"]) for row in rows]
    assert batch.ended is not None
    assert batch.started <= min(times) <= max(times) <= batch.ended
    assert times == sorted(times)
    assert {row["quantity"] for row in rows} == {"temperature", "light", "salinity"}


def test_what_is_not_there_is_said_so(visitor: httpx.Client) -> None:
    for path in ("/batches/999", "/lots/moon", "/cone/moon", "/batches/999/water.csv", "/batches/10/moon.csv",
                 "/record/moon.csv", "/batches/99999999999999999999"):  # fmt: skip
        assert visitor.get(path).status_code == 404, path
    assert "There is no cone moon." in words(visitor.get("/cone/moon").text)


@pytest.mark.parametrize("start", ["-1", "x", "99999999999999999999999", "", "10", "²"])
def test_odd_places_in_the_list_do_no_harm(visitor: httpx.Client, start: str) -> None:
    assert visitor.get("/batches", params={"from": start}).status_code == 200


def test_names_from_outside_stay_names(tmp_path: Path) -> None:
    path = tmp_path / "hatchmon.db"
    keep_record(path, batches=0, every_s=600, forecasts=False)
    name = "</script><b>'\"&/%2e"
    with Store(path) as store, store.atomic():
        batch = store.batches("batch_id = 1")[0]
        started = batch.started.replace(year=2025)
        made = store.add_batch(
            Batch(0, "bench", name, started, 1.0, ended=NOW, outcome="harvested"), "keeper"
        )
    with served(path) as visitor:
        for where in (f"/batches/{made.batch_id}", "/lots", "/batches"):
            page = visitor.get(where)
            assert page.status_code == 200
            assert "</script><b>" not in page.text
        link = re.findall(r'href="(/lots/[^"]*script[^"]*)"', visitor.get("/lots").text)[0]
        answer = visitor.get(link)
        assert answer.status_code == 200
        assert "</script><b>" not in answer.text


def test_an_empty_record_has_its_pages_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "hatchmon.db"
    with Store(path):
        pass
    with served(path) as visitor:
        for where in ("/batches", "/lots", "/record"):
            assert visitor.get(where).status_code == 200


def test_the_calendar_is_served_to_whoever_knows_its_address(visitor: httpx.Client) -> None:
    page = visitor.get("/calendar")
    assert f"{visitor.base_url}/calendar/{SECRET}.ics".replace("//calendar", "/calendar") in page.text
    feed = visitor.get(f"/calendar/{SECRET}.ics")
    assert feed.status_code == 200
    assert feed.headers["content-type"].startswith("text/calendar")
    assert feed.text.count("BEGIN:VEVENT") == 3
    again = visitor.get(f"/calendar/{SECRET}.ics", headers={"if-none-match": feed.headers["etag"]})
    assert again.status_code == 304
    for wrong in ("x", SECRET[:-1], SECRET + "x", SECRET.upper(), "\N{LATIN SMALL LETTER E WITH ACUTE}"):
        assert visitor.get(f"/calendar/{wrong}.ics").status_code == 404


def test_a_label_leads_to_the_cone(visitor: httpx.Client) -> None:
    page = visitor.get("/cone/bench/label")
    assert page.status_code == 200
    assert f"{visitor.base_url}/cone/bench".replace("//cone", "/cone") in words(page.text)
    assert '<svg viewBox="0 0' in page.text
    assert visitor.get("/cone/moon/label").status_code == 404


def test_a_cone_can_be_acted_on_from_its_page(visitor: httpx.Client) -> None:
    page = visitor.get("/cone/bench").text
    assert 'name="seen" value="most"' in page
    assert 'value="harvest"' in page
    assert page.count('name="to" value="/cone/bench"') == 2


def test_a_cone_that_cannot_be_timed_shows_no_share(tmp_path: Path) -> None:
    path = tmp_path / "hatchmon.db"
    with Store(path) as store, store.atomic():
        store.add_stream("loft", Quantity.LIGHT, "lux", "shed/loft", NOW)
        store.add_batch(Batch(0, "loft", "dune-11", NOW - timedelta(hours=3), 2.0), "receipt")
    with served(path) as visitor:
        told = words(visitor.get("/").text)
        assert "no temperature is known yet" in told
        assert "% hatched" not in told
        assert "Its one batch" in words(visitor.get("/lots/dune-11").text)

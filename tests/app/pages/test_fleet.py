"""The page of all sites, over a real store and over stores that do not answer."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import pytest

from hatchmon.adapters.promql import MOST_AT_ONCE
from hatchmon.app.pages import fleet
from tests.app.pages.test_review import served, words
from tests.keeping import NOW, keep_record
from tests.servers import HOST, Receiver, VictoriaMetrics, free_port
from tests.sites import HOUR, invented_sites


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("kept") / "hatchmon.db"
    keep_record(path, batches=2, every_s=3600, forecasts=False)
    return path


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[VictoriaMetrics]:
    """Three sites of ten cones, the first cut off ten hours ago."""
    folder = tmp_path_factory.mktemp("sites")
    with VictoriaMetrics(folder / "store") as store:
        for number, site in enumerate(
            invented_sites(folder, NOW, sites=3, cones=10, days=2.5, reading_s=3600)
        ):
            with site:
                site.live(NOW - (10 * HOUR if number == 0 else timedelta(0)))
                site.send(store.url)
        store.export('{__name__="none"}')
        yield store


def test_it_tells_who_is_next_who_lags_and_how_lots_compare(path: Path, store: VictoriaMetrics) -> None:
    with served(path, {"fleet": {"url": store.url}}) as client:
        page = client.get("/fleet")
        assert page.status_code == 200
        told = words(page.text)
        assert "3 sites, 2 heard within 60 min; 1 lags:" in told
        assert "site-01: last heard" in told
        assert "what it says is as of then." in told
        assert "site-02 c0" in told
        assert "over all sites" in told
        assert "river-23" in told
        assert "first bands held" in told
        assert page.text.count('aria-current="page"') == 1
        shown = page.text.count("<li><p><b>site-")
        assert client.get("/fleet?all=1").text.count("<li><p><b>site-") > shown
        assert "As of" in words(client.get("/fleet?all=1").text)


def test_without_its_setting_it_is_not_in_the_menu(path: Path) -> None:
    with served(path) as client:
        assert 'href="/fleet"' not in client.get("/lots").text
        assert client.get("/fleet").status_code == 404
        assert "[fleet] in the settings" in words(client.get("/fleet").text)


def test_a_store_that_hangs_holds_up_no_other_page(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fleet, "PAGE_LIMIT_S", 60.0)  # until the store is let go of
    answers: list[httpx.Response] = []
    with Receiver("hang", 60.0) as store, served(path, {"fleet": {"url": store.url}}) as client:

        def visit() -> None:
            answers.append(httpx.get(f"{client.base_url}/fleet", timeout=60.0))

        threads = [threading.Thread(target=visit) for _ in range(12)]  # more than pages are made at once
        for thread in threads:
            thread.start()
        store.wait_for(1, 30.0)
        assert client.get("/lots").status_code == 200
        assert all(thread.is_alive() for thread in threads)
        store.stop()
        for thread in threads:
            thread.join(60.0)
        asked = len(store.posts)
    assert {each.status_code for each in answers} == {503}
    told = words(answers[0].text)
    assert "No answer from the sites' store." in told
    assert "the connection broke off; try again." in told
    assert asked <= MOST_AT_ONCE + 1, "one visitor's questions: what was not answered is not asked again"


def test_a_store_that_is_not_there_is_told(path: Path) -> None:
    with served(path, {"fleet": {"url": f"http://{HOST}:{free_port()}"}}) as client:
        answer = client.get("/fleet")
    assert answer.status_code == 503
    assert "nothing answers there; see whether it runs, or correct fleet.url." in words(answer.text)


def test_an_empty_store_is_told(path: Path, victoria_metrics: VictoriaMetrics) -> None:
    with served(path, {"fleet": {"url": victoria_metrics.url}}) as client:
        assert "No site has written to this store in the last 30 days." in words(client.get("/fleet").text)

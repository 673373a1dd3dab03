"""Every screen by the keyboard alone: the tab key comes to everything there is to do, what has the focus is
seen to have it, and Enter and Space work it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

import pytest

from hatchmon.adapters.store import Store
from tests.app.pages.conftest import served
from tests.app.pages.ground import HOST, Ground, Visitor
from tests.browser.chromium import PHONE, Chromium

__all__ = ["served"]

PATHS = (
    "/", "/cone/ripe", "/batches/1", "/batches", "/lots", "/lots/river-23", "/record", "/supply",
    "/supply/note/brood?of=reeds", "/supply/note/stock", "/journal", "/calendar", "/note/ripe", "/note/spare",
    "/cone/ripe/label",
)  # fmt: skip
WORKED = """[...document.querySelectorAll('a[href], button, input, select, summary, [tabindex="0"]')]
    .filter((each) => each.type !== 'hidden' && !each.disabled && each.checkVisibility())"""
MARK = f"{WORKED}.forEach((each, place) => {{ each.dataset.place = place; }}); {WORKED}.length"
FOCUS = """(() => {
    const here = document.activeElement, style = getComputedStyle(here), box = here.getBoundingClientRect();
    return [here.dataset.place ?? null, style.outlineStyle, parseFloat(style.outlineWidth),
            box.bottom > 0 && box.top < innerHeight, here.className]; })()"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    with Chromium(tmp_path_factory.mktemp("chromium")) as browser:
        yield browser


@pytest.fixture(scope="module")
def address(served: tuple[Ground, int]) -> str:
    """A page with something on every screen."""
    port = served[1]
    with Visitor(port) as visitor:
        assert visitor.ask({"do": "look", "cone": "ripe", "seen": "most"}).status_code == 200
        swam = (date.today() - timedelta(days=6)).isoformat()  # noqa: DTZ011
        brood = {"do": "brood", "brood": "reeds", "fry": 900, "swam": swam}
        assert visitor.ask(brood).status_code == 200
    return f"http://{HOST}:{port}"


@pytest.mark.parametrize("path", PATHS)
def test_the_tab_key_comes_to_everything_in_order_and_shows_where_it_is(
    browser: Chromium, address: str, path: str
) -> None:
    # The first page and the journal replace what they show while they are open: not under our hands.
    browser.screen(PHONE, scripts=path not in ("/", "/journal"))
    browser.open(f"{address}{path}")
    count = browser.run(MARK)
    assert count >= 7
    reached: list[int] = []
    while len(reached) < count:
        browser.press("Tab")
        place, outline, wide, on_screen, _ = browser.run(FOCUS)
        assert place is not None, (path, reached)
        assert outline == "solid", (path, place)
        assert wide >= 2.0
        assert on_screen, (path, place)
        # A day has three fields in one.
        if not reached or reached[-1] != int(place):
            reached.append(int(place))
    assert reached == sorted(reached)
    assert len(set(reached)) == count


def test_the_first_stop_leads_past_the_menu(browser: Chromium, address: str) -> None:
    browser.screen(PHONE)
    for path in ("/", "/supply"):
        browser.open(f"{address}{path}")
        browser.press("Tab")
        assert browser.run("document.activeElement.textContent") == "To the content"
        assert browser.run("document.activeElement.getBoundingClientRect().height") >= 24
        browser.press("Enter")
        browser.until("location.hash === '#main'")
        browser.press("Tab")
        assert browser.run("document.getElementById('main').contains(document.activeElement)")


def test_a_page_that_renews_itself_leaves_the_focus_where_it_is(
    browser: Chromium, address: str, served: tuple[Ground, int]
) -> None:
    browser.screen(PHONE)
    browser.open(f"{address}/")
    tab_to(
        browser,
        "document.activeElement.matches('.cone h2 a') && document.activeElement.textContent === 'ripe'",
    )
    browser.run("document.activeElement.dataset.old = '1'")
    with Visitor(served[1]) as other:
        assert other.ask({"do": "look", "cone": "ripe", "seen": "nearly all"}).status_code == 200
        browser.until("!document.querySelector('.cone h2 a[data-old]')", 20.0)
        assert browser.run("document.activeElement.textContent") == "ripe"
        assert other.ask({"do": "look", "cone": "ripe", "undo": True}).status_code == 200


def tab_to(browser: Chromium, script: str) -> None:
    for _ in range(150):
        browser.press("Tab")
        if browser.run(script):
            return
    pytest.fail(f"the tab key does not come to {script}")


def test_what_is_folded_unfolds_by_space_and_a_tick_is_set(browser: Chromium, address: str) -> None:
    browser.screen(PHONE)
    browser.open(f"{address}/")
    tab_to(browser, "document.activeElement.matches('.key > summary')")
    browser.press("Space")
    browser.until("document.querySelector('.key').open")
    browser.open(f"{address}/note/ripe")
    tab_to(browser, "document.activeElement.id === 'discard'")
    browser.press("Space")
    assert browser.run("document.getElementById('discard').checked")


def test_a_lot_is_weighed_by_keyboard_alone(
    browser: Chromium, address: str, served: tuple[Ground, int]
) -> None:
    browser.screen(PHONE, scripts=False)
    try:
        browser.open(f"{address}/supply")
        tab_to(browser, "document.activeElement.getAttribute('href') === '/supply/note/stock'")
        browser.press("Enter")
        browser.until("location.pathname === '/supply/note/stock' && document.readyState === 'complete'")
        for field, text in (("lot", "dune-11"), ("grams", "42")):
            tab_to(browser, f"document.activeElement.id === '{field}'")
            browser.write(text)
        tab_to(browser, "document.activeElement.id === 'note'")
        browser.press("Space")
        browser.until(
            "(document.querySelector('.notice') || {textContent: ''}).textContent.includes('dune-11')"
        )
        with Store(served[0].database, read_only=True) as store:
            assert [(each.lot, each.grams) for each in store.stock()] == [("dune-11", 42.0)]
    finally:
        browser.screen(PHONE)

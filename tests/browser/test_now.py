"""The first page in Debian's chromium, on a real running daemon: taps, freshness, keyboard, no scripts."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from tests.app.pages.conftest import served
from tests.app.pages.ground import HOST, Ground, Visitor
from tests.browser.chromium import DESK, PHONE, Chromium

__all__ = ["served"]

NOTICE = "(document.querySelector('.notice') || {textContent: ''}).textContent"
SMALL = """[...document.querySelectorAll('button, nav a, .more a')]
           .map((each) => each.getBoundingClientRect())
           .filter((box) => box.height < 44 || box.width < 24).length"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    with Chromium(tmp_path_factory.mktemp("chromium")) as browser:
        yield browser


@pytest.fixture
def address(served: tuple[Ground, int]) -> str:
    return f"http://{HOST}:{served[1]}"


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
@pytest.mark.parametrize(("size", "dark"), [(PHONE, True), (DESK, False)], ids=["phone", "desk"])
def test_a_look_and_its_undo_are_a_tap_each(
    browser: Chromium, address: str, size: tuple[int, int], dark: bool, scripts: bool
) -> None:
    browser.said.clear()
    browser.asked.clear()
    browser.screen(size, dark=dark, scripts=scripts)
    browser.open(f"{address}/")
    assert browser.run("document.documentElement.scrollWidth") <= size[0]
    assert browser.run(SMALL) == 0
    browser.run("document.getElementById('look-ripe-7').click()")
    browser.until(f"{NOTICE}.includes(\"ripe: noted 'most'\")")
    browser.until("document.readyState === 'complete'")
    browser.run("document.getElementById('undo').click()")
    browser.until(f"{NOTICE}.includes(\"ripe: took back 'most'\")")
    assert browser.said == []
    assert all(each.startswith(f"{address}/") for each in browser.asked), browser.asked


@pytest.mark.parametrize(
    ("size", "dark", "scripts"),
    [(PHONE, True, True), (PHONE, False, False), (DESK, True, False), (DESK, False, True)],
    ids=["phone night", "phone day, no scripts", "desk night, no scripts", "desk day"],
)
def test_every_action_is_one_tap_and_one_back(
    browser: Chromium, address: str, size: tuple[int, int], dark: bool, scripts: bool
) -> None:
    browser.said.clear()
    browser.asked.clear()
    browser.screen(size, dark=dark, scripts=scripts)
    for control, done, back in (
        ("seen-ripe", "ripe: seen:", "ripe: waiting to be seen again"),
        ("look-ripe-9", "ripe: noted 'nearly all'", "ripe: took back 'nearly all'"),
        ("harvest-ripe", "ripe: lot river-23 harvested", "ripe: took back the harvest"),
        ("begin-spare", "spare: 3 g of lot river-23", "spare: took back the start"),
    ):
        browser.open(f"{address}/")
        for pressed, said in ((control, done), ("undo", back)):
            browser.until(f"document.getElementById({json.dumps(pressed)}) !== null")
            browser.run(f"document.getElementById({json.dumps(pressed)}).click()")
            browser.until(f"{NOTICE}.includes({json.dumps(said)})")
            browser.until("document.readyState === 'complete'")
    browser.open(f"{address}/")
    browser.run("document.getElementById('look-ripe-7').click()")
    browser.until(f"{NOTICE}.includes(\"ripe: noted 'most'\")")
    browser.open(f"{address}/journal")
    browser.run("document.querySelector('.entry.done button').click()")
    browser.until(f"{NOTICE}.includes(\"ripe: took back 'most'\")")
    assert browser.said == []
    assert all(each.startswith(f"{address}/") for each in browser.asked), browser.asked


def test_it_keeps_itself_fresh_and_the_keeper_where_they_are(
    browser: Chromium, address: str, served: tuple[Ground, int]
) -> None:
    browser.screen(PHONE)
    browser.open(f"{address}/")
    browser.run("document.getElementById('look-ripe-9').focus()")
    browser.run("document.querySelector('.key').open = true")
    with Visitor(served[1]) as other:
        assert other.ask({"do": "look", "cone": "ripe", "seen": "77 %"}).status_code == 200
        browser.until("document.getElementById('live').textContent.includes('seen 77 %')", 20.0)
        assert browser.run("document.activeElement.id") == "look-ripe-9"
        assert browser.run("document.querySelector('.key').open")
        assert other.ask({"do": "look", "cone": "ripe", "undo": True}).status_code == 200


def test_every_control_is_reached_in_order_and_seen_when_it_is(browser: Chromium, address: str) -> None:
    browser.screen(PHONE)
    browser.open(f"{address}/")
    unnamed = """[...document.querySelectorAll('a, button, summary')]
                 .filter((each) => each.tabIndex < 0 || !each.textContent.trim()).length"""
    assert browser.run(unnamed) == 0
    assert browser.run("[...document.querySelectorAll('[tabindex]')].every((each) => each.tabIndex <= 0)")
    reached = []
    for _ in range(12):
        browser.press("Tab")
        reached.append(browser.run("document.activeElement.id || document.activeElement.textContent"))
        assert browser.run("getComputedStyle(document.activeElement).outlineStyle") == "solid", reached
    assert reached[0] == "To the content"
    assert "look-ripe-0" in reached


def test_a_batch_is_begun_looked_at_and_harvested_by_keyboard_alone(browser: Chromium, address: str) -> None:
    browser.screen(PHONE)
    for control, said in (
        ("begin-spare", "spare: 3 g of lot river-23"),
        ("look-ripe-7", "ripe: noted 'most'"),
        ("harvest-ripe", "ripe: lot river-23 harvested"),
    ):
        browser.open(f"{address}/")
        for _ in range(100):
            browser.press("Tab")
            if browser.run("document.activeElement.id") == control:
                break
        else:
            pytest.fail(f"the tab key does not come to {control}")
        browser.press("Enter")
        browser.until(f"{NOTICE}.includes({json.dumps(said)})")
        browser.until("document.readyState === 'complete'")

"""Every screen by the rules of axe-core: nothing serious against who sees or taps with difficulty."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from hatchmon.adapters.store import Store
from hatchmon.adapters.web.access import hash_passphrase, new_secret
from tests.app.pages.ground import PASSPHRASE
from tests.app.pages.test_review import served
from tests.browser.chromium import DESK, PHONE, Chromium
from tests.browser.test_graphs import contrast
from tests.keeping import NOW, keep_record, keep_supply

PATHS = (
    "/",
    "/cone/bench",
    "/batches/4",
    "/batches",
    "/lots",
    "/lots/river-23",
    "/record",
    "/supply",
    "/supply/note/brood",
    "/supply/note/stock?of=river-23",
    "/journal",
    "/calendar",
    "/note/bench",
    "/cone/bench/label",
    "/nothing-here",
)
CONES = ("bench", "north")
TABLES = {"cones": {name: {"litres": 2, "set_point_c": 26} for name in CONES}}
SCREENS = ((PHONE, False), (PHONE, True), (DESK, False), (DESK, True))
CHECK = """axe.run(document, {resultTypes: ['violations']}).then((found) => JSON.stringify(
    {passed: found.passes.length, against: found.violations.map((each) => ({
      rule: each.id, impact: each.impact, why: each.help,
      at: each.nodes.slice(0, 4).map((node) => [node.html.slice(0, 160), node.any.map((one) => one.message)]),
    }))}))"""


@pytest.fixture(scope="module")
def addresses(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    """A page open to all, and one behind a passphrase."""
    path = tmp_path_factory.mktemp("kept") / "hatchmon.db"
    keep_record(path, batches=9, every_s=300, forecasts=False)
    with Store(path) as store, store.atomic():
        keep_supply(store, NOW, CONES, "river-23")
    locked = {"passphrase": hash_passphrase(PASSPHRASE), "secret": new_secret()}
    with ExitStack() as stack:
        clients = (
            stack.enter_context(served(path, TABLES)),
            stack.enter_context(served(path, None, **locked)),
        )
        yield str(clients[0].base_url).rstrip("/"), str(clients[1].base_url).rstrip("/")


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    with Chromium(tmp_path_factory.mktemp("chromium")) as browser:
        yield browser


@pytest.fixture(scope="module")
def rules() -> str:
    """The rules, a script that is run in the page from without: its policy stays as it is."""
    found = find_spec("axe_core_python")
    assert found is not None
    assert found.origin is not None
    return (Path(found.origin).parent / "axe.min.js").read_text()


def serious(browser: Chromium, rules: str) -> list[dict[str, Any]]:
    """What is against the rules on the page that is open, and weighs."""
    browser.run(f"{rules}; true")
    found = json.loads(browser.run(CHECK))
    assert found["passed"] >= 10
    return [each for each in found["against"] if each["impact"] in ("serious", "critical")]


@pytest.mark.parametrize("path", PATHS)
def test_no_screen_is_closed_to_anybody(
    browser: Chromium, addresses: tuple[str, str], rules: str, path: str
) -> None:
    for size, dark in SCREENS:
        browser.screen(size, dark=dark)
        browser.open(addresses[0] + path)
        # What is folded away is looked at, too.
        browser.run("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        assert serious(browser, rules) == [], (size, dark)


@pytest.mark.parametrize(("size", "dark"), [(PHONE, True), (DESK, False)])
def test_nor_is_the_door(
    browser: Chromium, addresses: tuple[str, str], rules: str, size: tuple[int, int], dark: bool
) -> None:
    browser.screen(size, dark=dark)
    browser.open(f"{addresses[1]}/login")
    assert serious(browser, rules) == []


@pytest.mark.parametrize("dark", [False, True])
def test_words_in_the_pictures_stand_out_by_day_and_by_night(
    browser: Chromium, addresses: tuple[str, str], dark: bool
) -> None:
    """What the rules leave open: text over drawings. WCAG 2.1, 1.4.3: 4.5:1."""
    browser.screen(PHONE, dark=dark)
    browser.open(f"{addresses[0]}/")
    grounds = browser.run(
        """[getComputedStyle(document.body).backgroundColor,
            getComputedStyle(document.querySelector('.dark')).fill]"""
    )
    words = browser.run(
        """[...document.querySelectorAll('svg text')]
             .map((each) => [each.textContent, getComputedStyle(each).fill])"""
    )
    assert len(words) >= 6
    for text, ink in words:
        for ground in grounds:
            assert contrast(ink, ground) >= 4.5, (text, ink, ground)


def test_the_rules_find_what_is_wrong(browser: Chromium, addresses: tuple[str, str], rules: str) -> None:
    browser.screen(DESK)
    browser.open(f"{addresses[0]}/lots")
    browser.run(
        """document.getElementById('main').insertAdjacentHTML('beforeend',
           '<p><font color="#9aa3a3">pale</font><img src="/static/icon.svg"><button></button></p>')"""
    )
    assert {"color-contrast", "image-alt", "button-name"} <= {
        each["rule"] for each in serious(browser, rules)
    }


def test_a_phone_takes_it_for_its_home_screen(browser: Chromium, addresses: tuple[str, str]) -> None:
    """By the browser's own judgement; what is no page of ours it does not take."""
    browser.screen(PHONE)
    for path, takes in (("/", True), ("/supply", True), ("/healthz", False)):
        browser.open(addresses[0] + path)
        found = browser._ask("Page.getInstallabilityErrors")["installabilityErrors"]
        assert (found == []) is takes, (path, found)

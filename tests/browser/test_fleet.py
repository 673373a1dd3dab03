"""The page of all sites in Debian's chromium: open to everybody, quiet, and fit for a phone."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.app.pages.test_fleet import path, store
from tests.app.pages.test_review import served
from tests.browser.chromium import Chromium
from tests.browser.test_access import SCREENS, browser, rules, serious
from tests.servers import HOST, VictoriaMetrics, free_port

__all__ = ["browser", "path", "rules", "store"]

SMALL = """[...document.querySelectorAll('nav a, .more a')]
           .map((each) => each.getBoundingClientRect())
           .filter((box) => box.height < 44 || box.width < 24).length"""


@pytest.mark.parametrize("where", ["/fleet", "/fleet?all=1", "no answer"])
def test_it_is_open_to_everybody_and_fits(
    browser: Chromium, rules: str, path: Path, store: VictoriaMetrics, where: str
) -> None:
    url = store.url if where != "no answer" else f"http://{HOST}:{free_port()}"
    with served(path, {"fleet": {"url": url}}) as client:
        for size, dark in SCREENS:
            browser.screen(size, dark=dark)
            browser.said.clear()
            browser.asked.clear()
            browser.open(f"{client.base_url}{where if where.startswith('/') else '/fleet'}")
            said = browser.run("document.querySelector('.lead').textContent")
            assert said.startswith("No answer" if where == "no answer" else "3 sites, 2 heard within 60 min")
            assert serious(browser, rules) == [], (size, dark)
            assert browser.run("document.documentElement.scrollWidth") <= size[0]
            assert browser.run(SMALL) == 0
            asked = [each for each in browser.asked if not each.startswith(str(client.base_url))]
            assert asked == []
            # A page that could not be made is a failure in the console's words, and no other is said.
            assert [each for each in browser.said if "503" not in each] == []

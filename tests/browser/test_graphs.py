"""The graphs in Debian's chromium, under the policy the page is served with."""

from __future__ import annotations

import struct
from collections.abc import Iterator

import httpx
import pytest

from tests.app.pages.test_review import served
from tests.browser.chromium import DESK, PHONE, Chromium
from tests.keeping import keep_record

DRAWN = "[...document.querySelectorAll('.plot')].every((plot) => plot.classList.contains('drawn'))"
PATHS = ("/cone/bench", "/batches/4", "/lots/river-23", "/record")


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    path = tmp_path_factory.mktemp("kept") / "hatchmon.db"
    keep_record(path, batches=9, every_s=300, forecasts=False)
    with served(path) as client:
        assert isinstance(client, httpx.Client)
        yield str(client.base_url).rstrip("/")


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    with Chromium(tmp_path_factory.mktemp("chromium")) as browser:
        yield browser


def show(browser: Chromium, address: str) -> None:
    """Open a page and pass every graph, so that each is drawn."""
    browser.open(address)
    for number in range(browser.run("document.querySelectorAll('.plot').length")):
        browser.run(f"document.querySelectorAll('.plot')[{number}].scrollIntoView()")
        browser.until(f"document.querySelectorAll('.plot')[{number}].classList.contains('drawn')")
    browser.run("scrollTo(0, 0)")


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(("size", "dark"), [(PHONE, True), (DESK, False)])
def test_every_graph_is_drawn_without_a_complaint(
    browser: Chromium, address: str, path: str, size: tuple[int, int], dark: bool
) -> None:
    browser.said.clear()
    browser.asked.clear()
    browser.screen(size, dark=dark)
    show(browser, address + path)
    assert browser.until(DRAWN)
    assert browser.run("document.querySelectorAll('.plot .main-svg').length") >= 2
    assert browser.said == []
    assert all(each.startswith((f"{address}/", "data:")) for each in browser.asked), browser.asked
    # Nothing is wider than the screen, and the graphs keep to it.
    assert browser.run("document.documentElement.scrollWidth") <= size[0]
    # The colours are those of the screen's scheme: ink on the ground, told apart by far more than WCAG's 3:1.
    text = browser.run("getComputedStyle(document.querySelector('.main-svg text')).fill")
    ground = browser.run("getComputedStyle(document.body).backgroundColor")
    assert contrast(text, ground) >= 4.5, (text, ground)


@pytest.mark.parametrize("dark", [False, True])
def test_lines_and_marks_stand_out_from_the_ground(browser: Chromium, address: str, dark: bool) -> None:
    """WCAG 2.1, 1.4.11: graphical objects 3:1."""
    browser.screen(PHONE, dark=dark)
    browser.open(f"{address}/record")
    ground = browser.run("getComputedStyle(document.body).backgroundColor")
    tones = browser.run(
        """[...document.styleSheets].flatMap((sheet) => [...sheet.cssRules]).map((rule) => rule.selectorText)
           .filter((name) => /^\\.t-[a-z]+$/.test(name ?? "")).map((name) => {
             const probe = document.createElement("i"); probe.className = name.slice(1);
             document.body.append(probe);
             const found = [name, getComputedStyle(probe).color]; probe.remove(); return found; })"""
    )
    assert len(tones) >= 10
    for name, colour in tones:
        assert contrast(colour, ground) >= 3.0, (name, colour, ground)


def test_a_point_says_what_it_is(browser: Chromium, address: str) -> None:
    browser.screen(DESK)
    show(browser, f"{address}/cone/bench")
    browser.run("document.querySelector('#water .board').scrollIntoView({block: 'center'})")
    x, y, width, height = browser.run(
        """(() => { const box = document.querySelector('#water .board .nsewdrag').getBoundingClientRect();
             return [box.x, box.y, box.width, box.height]; })()"""
    )
    for step in (0.48, 0.5):
        browser.hover(x + width * step, y + height * 0.9)
    said = browser.until("document.querySelector('#water .hoverlayer .hovertext')?.textContent")
    assert "°C" in said


def test_a_graph_is_saved_as_a_picture(browser: Chromium, address: str) -> None:
    browser.said.clear()
    browser.screen(PHONE)
    show(browser, f"{address}/lots/river-23")
    browser.run("document.querySelector('#speed [data-picture]').click()")
    file = browser.downloads / "speed.png"
    browser.until("new Promise((done) => setTimeout(() => done(true), 200))")
    for _ in range(100):
        if file.exists() and file.stat().st_size > 1000:
            break
        browser.run("new Promise((done) => setTimeout(done, 100))")
    body = file.read_bytes()
    assert body.startswith(b"\x89PNG\r\n\x1a\n")
    width, height = struct.unpack(">II", body[16:24])
    assert width >= 1800
    assert height >= 800
    assert browser.said == []


def test_without_scripts_every_graph_is_there_as_picture_and_table(browser: Chromium, address: str) -> None:
    browser.screen(PHONE, scripts=False)
    try:
        browser.open(f"{address}/batches/4")
        shown = browser.run(
            """[...document.querySelectorAll('figure.graph')].map((figure) => [
                 figure.querySelector('svg.chart').getBoundingClientRect().width,
                 figure.querySelectorAll('tbody tr').length,
                 getComputedStyle(figure.querySelector('[data-picture]')).display])"""
        )
    finally:
        browser.screen(PHONE)
    assert len(shown) >= 4
    for width, rows, button in shown:
        assert 300 <= width <= 390
        assert rows >= 1
        assert button == "none"


def test_a_change_to_dark_draws_the_graphs_anew(browser: Chromium, address: str) -> None:
    browser.screen(PHONE)
    show(browser, f"{address}/record")
    fill = "getComputedStyle(document.querySelector('.main-svg text')).fill"
    before = browser.run(fill)
    browser.screen(PHONE, dark=True)
    assert browser.until(f"{fill} !== '{before}' && {fill}") != before


def contrast(one: str, other: str) -> float:
    """The ratio of WCAG 2.1 between two colours as computed styles tell them."""

    def luminance(colour: str) -> float:
        parts = [float(each) / 255.0 for each in colour[colour.index("(") + 1 :].rstrip(")").split(",")[:3]]
        red, green, blue = (p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    dim, bright = sorted((luminance(one), luminance(other)))
    return (bright + 0.05) / (dim + 0.05)

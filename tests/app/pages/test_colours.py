"""Colours that carry meaning side by side stay apart for those who see fewer of them, by day and by night."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
import pytest

from hatchmon.adapters.store import Store
from hatchmon.app.charts.batch import batch_charts
from hatchmon.app.charts.chart import Area, Chart, Line, Marks, Span
from hatchmon.app.charts.lot import lot_charts
from hatchmon.app.charts.record import record_charts
from hatchmon.app.charts.supply import supply_charts
from hatchmon.app.past import Past
from hatchmon.app.plan_record import issued_of
from hatchmon.app.settings_model import Settings
from hatchmon.hatchery.wording import Voice
from tests.colours import SEEN_BY, Floats, apart, ciede2000, lab, over, palette
from tests.keeping import NOW, keep_record, keep_supply

APART = 10.0
"""CIEDE2000 between two things that only their colour tells apart: about ten times what a trained eye can
just tell side by side."""
EDGE = 4.0
"""The same where one lies within the other, so that an edge is seen."""
BESIDE = (
    ("share", "window"), ("share", "ground"), ("window", "ground"), ("share-ahead", "ground"),
    ("slope", "ground"), ("window", "slope"), ("share", "share-ahead"), ("ink", "share"),
    ("ink", "share-ahead"), ("ink", "window"), ("share", "dark"), ("share-ahead", "dark"),
    ("window", "dark"), ("slope", "dark"), ("warn", "soft"), ("share", "raised"), ("window", "raised"),
    ("warn", "raised"),
)  # fmt: skip
"""On the first page, notices and buttons."""
WITHIN = (("dark", "ground"),)

# Sharma, Wu & Dalal 2005, table 1: two colours in CIELAB and their difference.
PUBLISHED = (
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, -1.3802, -84.2814), (50.0, 0.0, -82.7485), 1.0000),
    ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0009), 7.1792),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0011), 7.2195),
    ((50.0, -0.001, 2.49), (50.0, 0.0009, -2.49), 4.8045),
    ((50.0, -0.001, 2.49), (50.0, 0.0011, -2.49), 4.7461),
    ((50.0, 2.5, 0.0), (50.0, 0.0, -2.5), 4.3065),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((50.0, 2.5, 0.0), (61.0, -5.0, 29.0), 22.8977),
    ((50.0, 2.5, 0.0), (56.0, -27.0, -3.0), 31.9030),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((22.7233, 20.0904, -46.6940), (23.0331, 14.9730, -42.5619), 2.0373),
    ((36.4612, 47.8580, 18.3852), (36.2715, 50.5065, 21.2231), 1.4146),
    ((90.9257, -0.5406, -0.9208), (88.6381, -0.8985, -0.7239), 1.5381),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
)


@pytest.mark.parametrize(("one", "other", "difference"), PUBLISHED)
def test_the_difference_is_that_of_the_published_pairs(
    one: tuple[float, float, float], other: tuple[float, float, float], difference: float
) -> None:
    assert ciede2000(one, other) == pytest.approx(difference, abs=5e-5)
    assert ciede2000(other, one) == pytest.approx(difference, abs=5e-5)


def test_the_eyes_are_those_of_the_source() -> None:
    """White stays white; red and green fall together for two of them, blue and green for the third."""
    red, green, blue = np.eye(3)
    for eye, matrix in SEEN_BY.items():
        assert matrix.sum(axis=1) == pytest.approx(1.0, abs=2e-6)
        assert lab(np.ones(3), eye) == pytest.approx((100.0, 0.0, 0.0), abs=0.05)
    leaf, rust = np.array([0.44, 0.47, 0.10]), np.array([0.66, 0.38, 0.10])
    assert apart(leaf, rust, "all colours") > 25.0
    assert apart(leaf, rust, "deuteranopia") < 8.0
    assert apart(green, blue, "tritanopia") < apart(green, blue, "all colours")
    assert apart(red, green, "protanopia") < apart(red, green, "all colours")


@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
@pytest.mark.parametrize("eye", SEEN_BY)
def test_the_first_page_is_told_apart(eye: str, dark: bool) -> None:
    colours = palette(dark)
    found = {(a, b): apart(colours[a], colours[b], eye) for a, b in (*BESIDE, *WITHIN)}
    close = {
        pair: round(difference, 1)
        for pair, difference in found.items()
        if difference < (EDGE if pair in WITHIN else APART)
    }
    assert not close


@pytest.fixture(scope="module")
def charts(tmp_path_factory: pytest.TempPathFactory) -> list[Chart]:
    """Every kind of graph that there is."""
    path = tmp_path_factory.mktemp("kept") / "hatchmon.db"
    keep_record(path, batches=9, every_s=600, forecasts=False)
    settings = Settings.model_validate({"store": {"path": str(path)}, "time_zone": "Europe/Berlin"})
    voice, past = Voice(settings.zone, settings.unit), Past(settings)
    with Store(path) as store:
        with store.atomic():
            keep_supply(store, NOW, ("bench", "north"), "river-23")
        found = [chart for n in (1, 7, 10) for chart in batch_charts(past.batch(store, n, NOW), NOW, voice)]
        found += lot_charts(*past.lot(store, "river-23"), voice)
        found += record_charts(past.record(store), voice)
        issued = issued_of(store)
    assert issued is not None
    found += supply_charts(issued.facts, NOW, voice)
    assert len({chart.key for chart in found}) >= 12
    return found


def drawn(chart: Chart, colours: dict[str, Floats]) -> Iterator[tuple[str, object, Floats, bool]]:
    """(name, what it looks like apart from its colour, its colour on the ground, whether it is a surface) of
    each layer with a name."""
    for layer in chart.legend:
        tone = colours.get(f"t-{layer.tone}")
        assert tone is not None, layer.tone
        match layer:
            case Area():
                yield layer.name, "area", over(tone, colours["ground"], layer.strength), True
            case Span():
                opacity = 0.22 if layer.hatched else 0.14
                form = ("span", layer.level)
                yield layer.name, form, over(tone, colours["ground"], opacity), True
            case Line():
                yield layer.name, ("line", layer.dashed), tone, False
            case Marks():
                yield layer.name, ("mark", layer.shape), tone, False


@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
@pytest.mark.parametrize("eye", SEEN_BY)
def test_what_only_its_colour_tells_in_a_graph_is_told_apart(
    charts: list[Chart], eye: str, dark: bool
) -> None:
    colours = palette(dark)
    close = {}
    for chart in charts:
        layers = list(drawn(chart, colours))
        for (name, form, colour, surface), (other, other_form, beside, _) in combinations(layers, 2):
            if form == other_form:
                difference = apart(colour, beside, eye)
                if difference < (EDGE if surface else APART):
                    close[chart.key, name, other] = round(difference, 1)
        for name, _, colour, _ in layers:
            difference = apart(colour, colours["ground"], eye)
            if difference < EDGE:
                close[chart.key, name, "the ground"] = round(difference, 1)
    assert not close


def test_the_check_can_fail() -> None:
    """A red and a green of one lightness, as so many pages have them."""
    colours = {"good": np.array([0.30, 0.55, 0.22]), "bad": np.array([0.75, 0.39, 0.20])}
    assert apart(colours["good"], colours["bad"], "all colours") > 3 * APART
    assert apart(colours["good"], colours["bad"], "deuteranopia") < APART

"""What the review reads of the record, and the graphs made of it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from hatchmon.adapters.store import NewReading, Store, to_us
from hatchmon.app.beliefs import all_evidence, belief_from
from hatchmon.app.charts.batch import batch_charts
from hatchmon.app.charts.chart import Area, Chart, Line, Marks, Rule, Span
from hatchmon.app.charts.figure import figure_of
from hatchmon.app.charts.graph import graph_of, rows_of
from hatchmon.app.charts.lot import lot_charts
from hatchmon.app.charts.record import record_charts
from hatchmon.app.detail import batch_detail
from hatchmon.app.past import Past, Record, lot_words
from hatchmon.app.settings_model import Settings
from hatchmon.hatchery.honesty import Scored, honesty
from hatchmon.hatchery.review import record_of
from hatchmon.hatchery.supply.stock import Stock
from hatchmon.hatchery.types import Band, Batch, Look, Quantity, Refused, Verdict
from hatchmon.hatchery.wording import Voice
from tests.keeping import NOW, keep_record

SETTINGS = Settings.model_validate(
    {"time_zone": "Europe/Berlin", "lots": {"river-23": {"price_per_kg": 110.0, "cold_c": 24.5}}}
)
VOICE = Voice(SETTINGS.zone, "C")


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("kept") / "hatchmon.db"
    keep_record(path, batches=15, every_s=300, forecasts=False)
    return path


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store(path, read_only=True) as store:
        yield store


@pytest.fixture
def charts(store: Store) -> list[Chart]:
    """Every chart there is, of a finished and a running batch, of a lot and of the record."""
    past = Past(SETTINGS)
    found = batch_charts(past.batch(store, 13, NOW), NOW, VOICE)
    found += batch_charts(past.batch(store, 16, NOW), NOW, VOICE)
    found += lot_charts(*past.lot(store, "salt-pan-7"), VOICE)
    return found + record_charts(past.record(store), VOICE)


def test_the_log_is_that_of_the_readings(store: Store) -> None:
    found = Past(SETTINGS).batch(store, 13, NOW)
    log, batch = found.logs[Quantity.TEMPERATURE], found.batch
    assert batch.ended is not None
    usable = [
        (batch.hours_at(time), value)
        for time, value, _ in store.usable_readings(
            batch.cone, Quantity.TEMPERATURE, batch.started, batch.ended
        )
    ]
    assert log.used == len(usable)
    assert min(each.least for each in log.kept) == min(value for _, value in usable)
    assert max(each.most for each in log.kept) == max(value for _, value in usable)
    mean = sum(each.mean * each.count for each in log.kept) / log.used
    assert mean == pytest.approx(sum(value for _, value in usable) / len(usable))
    gaps = [(a, b) for (a, _), (b, _) in pairwise(usable) if b - a > 0.5]
    assert [pair for gap in log.gaps for pair in gap] == pytest.approx([hour for gap in gaps for hour in gap])
    rejected = store.rows(
        """SELECT count(*) AS n FROM readings JOIN streams USING (stream_id) WHERE cone = ? AND quantity =
           'temperature' AND time_us BETWEEN ? AND ? AND verdict NOT IN ('good', 'step', 'suspect')""",
        batch.cone, *(round(time.timestamp() * 1e6) for time in (batch.started, batch.ended)),
    )[0]["n"]  # fmt: skip
    assert log.refused == rejected


def test_light_and_salt_only_where_fitted(store: Store) -> None:
    past = Past(SETTINGS)
    keys = {n: [chart.key for chart in batch_charts(past.batch(store, n, NOW), NOW, VOICE)] for n in (13, 14)}
    assert keys[13] == ["hatch", "moved", "water", "salinity", "light"]
    assert keys[14] == ["hatch", "moved", "water"]


def test_the_diagnosis_is_that_of_the_command_line(store: Store) -> None:
    found = Past(SETTINGS).batch(store, 13, NOW)
    assert found.diagnosis == batch_detail(SETTINGS, store, 13, NOW, VOICE).diagnosis
    assert found.diagnosis is not None
    assert Past(SETTINGS).batch(store, 16, NOW).diagnosis is None


def test_speed_rests_on_the_same_belief_as_the_forecasts(store: Store) -> None:
    _, speed = Past(SETTINGS).lot(store, "river-23")
    belief = belief_from(all_evidence(store), "river-23")
    assert speed.hatches == belief.hatches > 2
    assert speed.after_h.value == pytest.approx(float(np.exp(belief.a_mean_sd[0])), rel=0.02)


def test_what_was_kept_is_worked_out_anew_when_the_record_changes(tmp_path: Path) -> None:
    path = tmp_path / "hatchmon.db"
    keep_record(path, batches=3, every_s=600, forecasts=False)
    past = Past(SETTINGS)
    with Store(path) as store:
        before = past.batch(store, 1, NOW)
        assert past.lots(store) is past.lots(store)
        batch = before.batch
        store.add_look(Look(1, batch.started + timedelta(hours=14), "none"), "keeper")
        after = past.batch(store, 1, NOW)
        assert len(after.seen) == len(before.seen) + 1
        store.end_batch(4, NOW, "discarded")
        assert sum(lot.harvested for lot in past.lots(store)) == 3


def test_a_log_that_was_kept_is_read_anew_when_its_readings_change(tmp_path: Path) -> None:
    path = tmp_path / "hatchmon.db"
    keep_record(path, batches=3, every_s=300, forecasts=False)
    past = Past(SETTINGS)
    with Store(path) as store:
        (batch,) = store.batches("batch_id = 2")
        assert batch.ended is not None
        store.file_readings(0)
        stream = next(
            each for each in store.streams() if (each.cone, each.quantity) == (batch.cone, "temperature")
        )
        known = past.batch(store, 2, NOW).logs
        assert past.batch(store, 2, NOW).logs is known
        assert past.batch(store, 1, NOW).logs is not known
        time = to_us(batch.started + (batch.ended - batch.started) / 2) + 1
        late = NewReading(stream.stream_id, time, 61.25, Verdict.JUMP, "probe")
        before = past.batch(store, 2, NOW).logs[Quantity.TEMPERATURE]
        store.add_readings([late])
        store.file_readings(0)
        after = past.batch(store, 2, NOW).logs[Quantity.TEMPERATURE]
        assert after.refused == before.refused + 1
        assert after.rejected[-1].most == 61.25
        assert past.batch(store, 2, batch.ended + timedelta(minutes=5)).logs[Quantity.TEMPERATURE] == after


def test_lots_tell_grams_and_cost(store: Store) -> None:
    lots = {lot.lot: lot for lot in Past(SETTINGS).lots(store)}
    river = lots["river-23"]
    assert river.grams == 3.0 * 6
    assert river.yields.per_gram is not None
    assert river.cost is not None
    # A million nauplii take 1e6 / per_gram grams at 110 per 1000 g.
    assert river.cost.value == pytest.approx(1e6 / river.yields.per_gram.value * 0.11)
    assert lots["dune-11"].cost is None


def test_what_was_weighed_is_left_and_its_price_counts(tmp_path: Path) -> None:
    path = tmp_path / "hatchmon.db"
    keep_record(path, batches=3, every_s=600, forecasts=False)
    with Store(path) as store:
        store.keep_stock(Stock("river-23", 40.0, price_per_kg=55.0), NOW - timedelta(days=1))
        lots = {lot.lot: lot for lot in Past(SETTINGS).lots(store)}
    assert lots["river-23"].left_g == 37.0  # 3 g have gone into the running batch since
    assert "6 g used, 37 g left." in lot_words(lots["river-23"])
    assert lots["dune-11"].left_g is None
    assert "left" not in lot_words(lots["dune-11"])


def test_what_is_not_there_is_refused(store: Store) -> None:
    past = Past(SETTINGS)
    with pytest.raises(Refused, match="no batch 99"):
        past.batch(store, 99, NOW)
    with pytest.raises(Refused, match="no lot moon"):
        past.lot(store, "moon")


# --- drawing -----------------------------------------------------------------------------------


def test_every_graph_answers_a_question_with_units_and_numbers(charts: list[Chart]) -> None:
    assert len(charts) >= 14
    for chart in charts:
        assert chart.title.endswith("?")
        assert chart.says.endswith((".", ")"))
        assert chart.x.title
        assert chart.x.low < chart.x.high
        assert chart.y.low < chart.y.high
        assert chart.table.rows
        assert all(len(row) == len(chart.table.headings) for row in chart.table.rows)
        for axis in (chart.x, chart.y):
            assert len(axis.ticks) <= 9
            assert all(axis.low <= at <= axis.high for at, _ in axis.ticks)
        lines = [layer for layer in chart.layers if isinstance(layer, Line) and layer.hover]
        marks = [layer for layer in chart.layers if isinstance(layer, Marks)]
        assert lines or marks
        told = [*((each.hover, each.x) for each in lines), *((each.hover, each.x) for each in marks)]
        assert all(len(words) == len(places) for words, places in told)


def test_everything_drawn_lies_within_the_axes(charts: list[Chart]) -> None:
    for chart in charts:
        for layer in chart.layers:
            if isinstance(layer, Marks):
                assert all(chart.x.low <= x <= chart.x.high for x in layer.x), (chart.key, layer.name)
                assert all(chart.y.low <= y <= chart.y.high for y in layer.y), (chart.key, layer.name)


def test_the_picture_is_sound_and_asks_for_no_style_of_its_own(charts: list[Chart]) -> None:
    css = (Path(__file__).parents[2] / "hatchmon/app/pages/static/graphs.css").read_text()
    for chart in charts:
        graph = graph_of(chart)
        root = ElementTree.fromstring(graph.picture)
        for element in root.iter():
            assert "style" not in element.attrib
            for name in element.attrib.get("class", "").split():
                assert f".{name}" in css or name in ("circle", "diamond", "unit", "label"), name
        assert "nan" not in graph.picture
        for swatch, _ in graph.legend:
            ElementTree.fromstring(swatch)


def test_the_figure_is_json_that_may_stand_in_a_page(charts: list[Chart]) -> None:
    css = (Path(__file__).parents[2] / "hatchmon/app/pages/static/graphs.css").read_text()
    for chart in charts:
        text = graph_of(chart).figure
        assert "<" not in text
        figure = json.loads(text, parse_constant=pytest.fail)
        drawn = [layer for layer in chart.layers if not isinstance(layer, Rule | Span)]
        assert [trace["name"] for trace in figure["data"]] == [layer.name for layer in drawn]
        for tone in re.findall(r"@([a-z]+)", text):
            assert f"--t-{tone}:" in css or tone in (
                "none",
                "soft",
                "ink",
                "raised",
                "line",
                "grid",
                "ground",
            )


def test_a_name_that_is_markup_stays_a_name() -> None:
    from hatchmon.app.charts.chart import Axis, Table

    axis = Axis("<b>x</b>", 0, 1, ((0, "<i>"),))
    bad = "</script><script>alert(1)</script>"
    chart = Chart(
        "k", bad, bad, axis, axis,
        (Area(bad, "hatch", [0, 1], [0, 1]), Marks(bad, "bad", "cross", [1], [1], [bad])),
        Table(("a",), ((bad,),)),
    )  # fmt: skip
    graph = graph_of(chart)
    assert "<script" not in graph.picture + graph.figure
    assert figure_of(chart)["data"][0]["name"] == bad


def test_a_long_record_is_shown_from_its_newest_end_and_saved_whole() -> None:
    began = datetime(2026, 1, 1, tzinfo=UTC)
    batches = {
        number: Batch(number, "bench", "river-23", began + timedelta(days=number), 2.0)
        for number in range(1, 401)
    }
    scored = [Scored(number, Band(20.0, 24.0, 28.0), Band(23.0, 25.0, 26.0)) for number in batches]
    for chart in record_charts(Record(record_of(scored), batches, honesty(scored)), VOICE)[:2]:
        assert len(chart.table.shown) == 60
        assert chart.table.shown[-1] == chart.table.rows[-1]
        assert len(list(rows_of(chart))) == 400

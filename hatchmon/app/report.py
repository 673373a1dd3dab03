"""A batch, or a month of them, as one HTML file that needs nothing else: no script, no network."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from hatchmon.adapters.store import Store, to_us
from hatchmon.app.charts.batch import batch_charts
from hatchmon.app.charts.chart import Chart
from hatchmon.app.charts.graph import Graph, cell_text, graph_of, rows_of
from hatchmon.app.charts.lot import lot_charts
from hatchmon.app.charts.record import record_charts
from hatchmon.app.export import write_csv
from hatchmon.app.past import BatchPast, LotPast, Past, lot_words, record_of_batches
from hatchmon.app.settings import Settings
from hatchmon.hatchery.counts import falling_words
from hatchmon.hatchery.types import Batch, Refused
from hatchmon.hatchery.wording import Voice, duration

PAGES = Path(__file__).parent / "pages"
STYLES = ("page.css", "graphs.css")
_MONTH = re.compile(r"(\d{4})-(\d{2})")


@dataclass(frozen=True, slots=True)
class _Batch:
    past: BatchPast
    graphs: Sequence[Graph]
    before: str


@dataclass(frozen=True, slots=True)
class _Lot:
    past: LotPast
    graphs: Sequence[Graph]
    before: str


class Reporter:
    """Writes reports from the record. The same record gives the same bytes, but for running batches."""

    def __init__(self, settings: Settings, store: Store, now: datetime) -> None:
        self._settings = settings
        self._store = store
        self._now = now
        self._voice = Voice(settings.zone, settings.unit)
        self._past = Past(settings)

    def batch(self, number: int) -> str:
        """One batch. Raises Refused when there is none."""
        shown = self._batch(number, "")
        batch = shown.past.batch
        return self._page(
            [batch], title=f"Batch {number} in {batch.cone}, begun {self._clock(batch.started)}", only=shown
        )

    def month(self, month: str) -> str:
        """The batches begun in a month such as ``2026-03``, in the keeper's zone. Raises Refused for another
        form, or where there are none."""
        start, end = self._bounds(month)
        batches = self._store.batches("started_us >= ? AND started_us < ?", to_us(start), to_us(end))
        if not batches:
            raise Refused(f"No batch was begun in {month}.")
        record = record_of_batches(self._past.record(self._store), {batch.batch_id for batch in batches})
        used = sorted({batch.lot for batch in batches})
        return self._page(
            batches,
            title=f"{start.astimezone(self._voice.zone):%B %Y}",
            only=None,
            summary=_summary(batches),
            record=record,
            record_graphs=_drawn(record_charts(record, self._voice)),
            lots=[self._lot(lot, f"lot-{place}-") for place, lot in enumerate(used, 1)],
            batches=[self._batch(batch.batch_id, f"batch-{batch.batch_id}-") for batch in batches],
        )

    def _batch(self, number: int, before: str) -> _Batch:
        past = self._past.batch(self._store, number, self._now)
        # Times are told as seen from the batch's end, so that tomorrow's report reads like today's.
        seen_from = past.batch.ended or self._now
        return _Batch(past, _drawn(batch_charts(past, seen_from, self._voice)), before)

    def _lot(self, name: str, before: str) -> _Lot:
        lot, speed = self._past.lot(self._store, name)
        return _Lot(lot, _drawn(lot_charts(lot, speed, self._voice)), before)

    def _bounds(self, month: str) -> tuple[datetime, datetime]:
        match = _MONTH.fullmatch(month)
        if match is None or not 1 <= int(match[2]) <= 12 or not 1970 <= int(match[1]) < 9999:
            raise Refused(f"'{month}' is not a month; write one such as 2026-03.")
        start = datetime(int(match[1]), int(match[2]), 1, tzinfo=self._voice.zone)
        past_december = start.month == 12
        end = start.replace(
            year=start.year + 1 if past_december else start.year,
            month=1 if past_december else start.month + 1,
        )
        return start, end

    def _page(self, of: Sequence[Batch], **context: Any) -> str:
        templates = Environment(
            loader=FileSystemLoader(PAGES / "templates"),
            autoescape=True,
            trim_blocks=True,
            lstrip_blocks=True,
            undefined=StrictUndefined,
        )
        templates.filters.update(
            temp=self._voice.temp,
            duration=duration,
            clock=self._clock,
            weekday=self._voice.weekday,
            cell=cell_text,
            csv_data=_csv_data,
            lot_words=lot_words,
            falling=falling_words,
        )
        templates.globals["lot_path"] = None
        running = any(batch.running for batch in of)
        return templates.get_template("report.html").render(
            site=self._settings.site,
            css=Markup("\n".join((PAGES / "static" / name).read_text("utf-8") for name in STYLES)),
            zone=str(self._voice.zone),
            as_of=f"As of {self._clock(self._now)}." if running else "",
            **context,
        )

    def _clock(self, moment: datetime) -> str:
        return moment.astimezone(self._voice.zone).strftime("%Y-%m-%d %H:%M")


def _drawn(charts: Sequence[Chart]) -> list[Graph]:
    return [graph_of(chart, told=True) for chart in charts]


def _csv_data(graph: Graph) -> str:
    out = io.StringIO()
    write_csv(rows_of(graph.chart), out)
    return "data:text/csv;charset=utf-8;base64," + base64.b64encode(out.getvalue().encode()).decode()


def _summary(batches: Sequence[Batch]) -> str:
    outcomes = [batch.outcome for batch in batches]
    grams = sum(batch.grams for batch in batches)
    parts = [
        f"{outcomes.count(outcome)} {word}"
        for outcome, word in (
            ("harvested", "harvested"),
            ("discarded", "thrown away"),
            (None, "still running"),
        )
        if outcome in outcomes
    ]
    many = "1 batch" if len(batches) == 1 else f"{len(batches)} batches"
    return f"{many} of {grams:g} g in all: {', '.join(parts)}."

"""A graph made ready for a page: drawn, named, and as what the browser's script draws it from anew."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass

from markupsafe import Markup

from hatchmon.app.charts.chart import Cell, Chart
from hatchmon.app.charts.figure import figure_of
from hatchmon.app.charts.svg import svg_of, swatch_of


@dataclass(frozen=True, slots=True)
class Graph:
    """``figure`` is JSON that may stand in a page as it is."""

    chart: Chart
    picture: Markup
    legend: tuple[tuple[Markup, str], ...]
    figure: Markup


def graph_of(chart: Chart, told: bool = False) -> Graph:
    """The chart drawn; ``told`` as for ``svg_of``."""
    figure = json.dumps(figure_of(chart), ensure_ascii=False, separators=(",", ":"), default=float)
    return Graph(
        chart=chart,
        picture=Markup(svg_of(chart, told)),
        legend=tuple((Markup(swatch_of(layer)), layer.name) for layer in chart.legend),
        figure=Markup(figure.replace("<", "\\u003c")),
    )


def rows_of(chart: Chart) -> Iterator[dict[str, object]]:
    """The chart's table, for a CSV file."""
    for row in chart.table.rows:
        yield dict(zip((name or "what" for name in chart.table.headings), row, strict=True))


def cell_text(value: Cell) -> str:
    """A cell as it is read."""
    return "–" if value is None else f"{value:g}" if isinstance(value, float) else str(value)

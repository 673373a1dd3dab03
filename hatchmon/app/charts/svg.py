"""A graph as SVG that needs no script, and whose words keep their size on any screen.

Shapes are drawn in a picture that stretches; marks and words stand beside it at places in per cent. Colours
come from the style sheet by class, so that they follow the screen's colour scheme.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from hatchmon.app.charts.chart import Area, Chart, Line, Marks, Points, Rule, Span

LEFT, WIDTH = 12, 86  # per cent of the picture
TOP, WORD, BOTTOM = 26, 14, 50  # px
SCALE = 1000.0
_MARKS = {
    "diamond": "M0-5.5 5.5 0 0 5.5-5.5 0Z",
    "cross": "M-4-4 4 4M-4 4 4-4",
}


def svg_of(chart: Chart, told: bool = False) -> str:
    """The graph as an ``svg`` element; ``told``: with the words of every point of its lines, to be read
    where no script draws it anew."""
    return "".join(_Drawing(chart, told).parts())


def swatch_of(layer: Area | Line | Marks | Span) -> str:
    """A small sample of a layer, for the legend."""
    tone = f"t-{layer.tone}"
    if isinstance(layer, Area):
        inside = f'<rect class="area {tone} s{round(layer.strength * 100)}" width="22" height="12"/>'
    elif isinstance(layer, Span):
        inside = f'<rect class="span {tone}{" hatched" if layer.hatched else ""}" width="22" height="12"/>'
    elif isinstance(layer, Line):
        inside = f'<path class="line {tone}{" dashed" if layer.dashed else ""}" d="M0 6H22"/>'
    elif layer.shape == "bar":
        inside = f'<path class="line {tone}" d="M11 0V12"/>'
    else:
        inside = _mark(layer.shape, tone, "11", "6", "")
    return f'<svg class="swatch" width="22" height="12" aria-hidden="true">{inside}</svg>'


def _mark(shape: str, tone: str, x: str, y: str, words: str) -> str:
    if shape == "bar":
        return ""
    title = f"<title>{escape(words)}</title>" if words else ""
    if shape in ("circle", "hollow"):
        return f'<circle class="mark {shape} {tone}" cx="{x}" cy="{y}" r="4.5">{title}</circle>'
    return (
        f'<svg x="{x}" y="{y}" overflow="visible"><path class="mark {shape} {tone}" d="{_MARKS[shape]}">'
        f"{title}</path></svg>"
    )


class _Drawing:
    def __init__(self, chart: Chart, told: bool) -> None:
        self.chart = chart
        self.told = told
        self.top = TOP + (WORD if chart.worded else 0)
        self.inner = chart.height - self.top - BOTTOM

    def x(self, value: float) -> float:
        axis = self.chart.x
        return (value - axis.low) / (axis.high - axis.low)

    def y(self, value: float) -> float:
        axis = self.chart.y
        return (axis.high - value) / (axis.high - axis.low) * self.inner

    def parts(self) -> Iterator[str]:
        chart = self.chart
        yield (
            f'<svg class="chart" role="img" aria-label="{escape(chart.title)} {escape(chart.says)}" '
            f'width="100%" height="{chart.height}">'
        )
        yield f'<text class="unit" x="0" y="13">{escape(chart.y.title)}</text>'
        yield f'<svg x="{LEFT}%" y="{self.top}" width="{WIDTH}%" height="{self.inner}" overflow="visible">'
        yield (
            f'<svg width="100%" height="100%" viewBox="0 0 {SCALE:g} {self.inner}" '
            'preserveAspectRatio="none">'
        )
        yield from self._spans()
        yield from self._grid()
        yield from self._shapes()
        yield "</svg>"
        yield from self._labels()
        yield from self._marks()
        yield "</svg>"
        yield (
            f'<text class="unit" x="{LEFT + WIDTH}%" y="{chart.height - 5}" text-anchor="end">'
            f"{escape(chart.x.title)}</text></svg>"
        )

    def _spans(self) -> Iterator[str]:
        for layer in self.chart.layers:
            if isinstance(layer, Span):
                start, end = layer.start, layer.end
                if layer.level:
                    top, foot = self.y(end), self.y(start)
                    place = f'x="0" width="{SCALE:g}" y="{top:.1f}" height="{max(foot - top, 0.0):.1f}"'
                else:
                    left, right = (min(max(self.x(each), 0.0), 1.0) * SCALE for each in (start, end))
                    place = f'x="{left:.1f}" width="{right - left:.1f}" y="0" height="{self.inner}"'
                style = f"span t-{layer.tone}{' hatched' if layer.hatched else ''}"
                yield f'<rect class="{style}" {place}><title>{escape(layer.name)}</title></rect>'

    def _grid(self) -> Iterator[str]:
        for value, _ in self.chart.y.ticks:
            yield f'<path class="grid" d="M0 {self.y(value):.1f}H{SCALE:g}"/>'
        for layer in self.chart.layers:
            if isinstance(layer, Rule):
                where = (
                    f"M0 {self.y(layer.at):.1f}H{SCALE:g}"
                    if layer.level
                    else f"M{self.x(layer.at) * SCALE:.1f} 0V{self.inner}"
                )
                yield f'<path class="rule t-{layer.tone}" d="{where}"/>'

    def _shapes(self) -> Iterator[str]:
        for layer in self.chart.layers:
            if isinstance(layer, Area):
                strength = f"s{round(layer.strength * 100)}"
                yield (
                    f'<path class="area t-{layer.tone} {strength}" d="{self._path(layer.x, layer.y)}">'
                    f"<title>{escape(layer.name)}</title></path>"
                )
            elif isinstance(layer, Line):
                style = f"line t-{layer.tone}{' dashed' if layer.dashed else ''}"
                yield (
                    f'<path class="{style}" d="{self._path(layer.x, layer.y, layer.steps)}">'
                    f"<title>{escape(layer.name)}</title></path>"
                )

    def _path(self, xs: Points, ys: Points, steps: bool = False) -> str:
        parts: list[str] = []
        pen = "M"
        for x, y in zip(xs, ys, strict=True):
            if x is None or y is None:
                pen = "M"
                continue
            across, down = f"{self.x(x) * SCALE:.1f}", f"{self.y(y):.1f}"
            parts.append(f"H{across}V{down}" if steps and pen == "L" else f"{pen}{across} {down}")
            pen = "L"
        return "".join(parts)

    def _labels(self) -> Iterator[str]:
        for value, text in self.chart.y.ticks:
            down = self.y(value) + 4
            yield f'<text class="label" x="-6" y="{down:.1f}" text-anchor="end">{escape(text)}</text>'
        for value, text in self.chart.x.ticks:
            at = f"{self.x(value) * 100:.2f}%"
            for line, words in enumerate(text.split("\n")):
                down = self.inner + 16 + 15 * line
                yield f'<text class="label" x="{at}" y="{down}" text-anchor="middle">{escape(words)}</text>'
        for layer in self.chart.layers:
            if isinstance(layer, Rule) and layer.text:
                if layer.level:
                    place = f'x="100%" y="{self.y(layer.at) - 4:.1f}" text-anchor="end"'
                else:
                    side = "end" if self.x(layer.at) > 0.8 else "start"
                    place = f'x="{self.x(layer.at) * 100:.2f}%" y="-5" text-anchor="{side}"'
                yield f'<text class="word t-{layer.tone}" {place}>{escape(layer.text)}</text>'

    def _marks(self) -> Iterator[str]:
        for layer in self.chart.layers:
            if isinstance(layer, Line) and layer.hover and self.told:
                yield from self._points(layer)
            if not isinstance(layer, Marks):
                continue
            tone = f"t-{layer.tone}"
            for x, y, words, bar in zip(
                layer.x, layer.y, layer.hover, _bars(layer.low, layer.high, len(layer.x)), strict=True
            ):
                across, down = f"{self.x(x) * 100:.2f}%", f"{self.y(y):.1f}"
                if bar is not None and layer.across:
                    ends = (f"{self.x(each) * 100:.2f}%" for each in bar)
                    yield '<line class="bar {}" x1="{}" x2="{}" y1="{}" y2="{}"/>'.format(
                        tone, *ends, down, down
                    )
                elif bar is not None:
                    ends = (f"{self.y(each):.1f}" for each in bar)
                    yield '<line class="bar {}" x1="{}" x2="{}" y1="{}" y2="{}"/>'.format(
                        tone, across, across, *ends
                    )
                yield _mark(layer.shape, tone, across, down, words)

    def _points(self, line: Line) -> Iterator[str]:
        for x, y, words in zip(line.x, line.y, line.hover, strict=True):
            if x is not None and y is not None:
                place = f'cx="{self.x(x) * 100:.2f}%" cy="{self.y(y):.1f}"'
                yield f'<circle class="point" {place} r="6"><title>{escape(words)}</title></circle>'


def _bars(low: Sequence[float], high: Sequence[float], count: int) -> list[tuple[float, float] | None]:
    return list(zip(low, high, strict=True)) if low else [None] * count

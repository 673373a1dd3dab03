"""A graph as what Plotly's script draws it from: plain data, in which ``@tone`` stands for a colour of the
style sheet, and ``@tone/25`` for a quarter of it."""

from __future__ import annotations

from typing import Any

from hatchmon.app.charts.chart import Area, Chart, Layer, Line, Marks, Rule, Span
from hatchmon.app.charts.svg import WORD

BAR = 55  # per cent of its colour that the bar through a mark has
_SHAPES = {
    "circle": "circle",
    "diamond": "diamond",
    "cross": "x-thin",
    "hollow": "circle-open",
    "bar": "circle",
}


def figure_of(chart: Chart) -> dict[str, Any]:
    """``data`` and ``layout`` for Plotly.newPlot."""
    above = WORD if chart.worded else 0
    lines = any(isinstance(layer, Line) and layer.hover for layer in chart.layers)
    return {
        "data": [_trace(layer) for layer in chart.layers if not isinstance(layer, Span | Rule)],
        "layout": {
            "height": chart.height,
            "margin": {"l": 52, "r": 14, "t": 26 + above, "b": 50},
            "showlegend": False,
            # Along a line whatever is above or below the pointer speaks.
            "hovermode": "x" if lines else "closest",
            "paper_bgcolor": "@none",
            "plot_bgcolor": "@none",
            "font": {"color": "@soft", "family": "inherit", "size": 12},
            "hoverlabel": {
                "bgcolor": "@raised",
                "bordercolor": "@line",
                "font": {"color": "@ink", "size": 13},
            },
            "xaxis": _axis(chart, "x") | {"showgrid": False},
            "yaxis": _axis(chart, "y") | {"gridcolor": "@grid"},
            "shapes": [_shape(layer) for layer in chart.layers if isinstance(layer, Span | Rule)],
            "annotations": [
                *(_word(layer) for layer in chart.layers if isinstance(layer, Rule) and layer.text),
                _unit(
                    chart.y.title, x=0, xanchor="left", xshift=-50, y=1, yanchor="bottom", yshift=6 + above
                ),
                _unit(chart.x.title, x=1, xanchor="right", y=0, yanchor="top", yshift=-34),
            ],
        },
    }


def _axis(chart: Chart, name: str) -> dict[str, Any]:
    axis = chart.x if name == "x" else chart.y
    return {
        "range": [axis.low, axis.high],
        "tickvals": [value for value, _ in axis.ticks],
        "ticktext": [text.replace("\n", "<br>") for _, text in axis.ticks],
        "zeroline": False,
        "linecolor": "@grid",
    }


def _trace(layer: Layer) -> dict[str, Any]:
    assert isinstance(layer, Area | Line | Marks)
    trace: dict[str, Any] = {"type": "scatter", "name": layer.name, "x": list(layer.x), "y": list(layer.y)}
    if isinstance(layer, Area):
        strength = round(layer.strength * 100)
        return trace | {
            "mode": "lines",
            "fill": "toself",
            "fillcolor": f"@{layer.tone}/{strength}",
            "line": {"width": 0},
            "hoverinfo": "skip",
        }
    said = {"text": list(layer.hover), "hoverinfo": "text"} if layer.hover else {"hoverinfo": "skip"}
    if isinstance(layer, Line):
        line = {
            "color": f"@{layer.tone}",
            "width": 2,
            "dash": "dash" if layer.dashed else "solid",
            "shape": "hv" if layer.steps else "linear",
        }
        return trace | said | {"mode": "lines", "line": line, "connectgaps": False}
    thin = layer.shape == "cross"
    trace |= said | {
        "mode": "markers",
        "cliponaxis": False,
        "marker": {
            "symbol": _SHAPES[layer.shape],
            "size": 9 if layer.shape != "bar" else 0,
            "color": f"@{layer.tone}",
            "line": {"width": 2 if thin else 1, "color": f"@{layer.tone}" if thin else "@ground"},
        },
    }
    if layer.low:
        middle = layer.x if layer.across else layer.y
        trace["error_x" if layer.across else "error_y"] = {
            "type": "data",
            "symmetric": False,
            "array": [high - at for high, at in zip(layer.high, middle, strict=True)],
            "arrayminus": [at - low for low, at in zip(layer.low, middle, strict=True)],
            "color": f"@{layer.tone}/{BAR}",
            "thickness": 1.5,
            "width": 0,
        }
    return trace


def _shape(layer: Span | Rule) -> dict[str, Any]:
    if isinstance(layer, Rule):
        place = (
            {"xref": "paper", "x0": 0, "x1": 1, "y0": layer.at, "y1": layer.at}
            if layer.level
            else {"yref": "paper", "y0": 0, "y1": 1, "x0": layer.at, "x1": layer.at}
        )
        return {
            "type": "line",
            "line": {"color": f"@{layer.tone}", "width": 1.5, "dash": "dot"},
            "layer": "below",
            **place,
        }
    place = (
        {"xref": "paper", "x0": 0, "x1": 1, "y0": layer.start, "y1": layer.end}
        if layer.level
        else {"yref": "paper", "y0": 0, "y1": 1, "x0": layer.start, "x1": layer.end}
    )
    return {
        "type": "rect",
        "fillcolor": f"@{layer.tone}/{22 if layer.hatched else 14}",
        "line": {"width": 0},
        "layer": "below",
        **place,
    }


def _word(rule: Rule) -> dict[str, Any]:
    place = (
        {"xref": "paper", "x": 1, "xanchor": "right", "y": rule.at, "yanchor": "bottom"}
        if rule.level
        else {"x": rule.at, "xanchor": "auto", "yref": "paper", "y": 1, "yanchor": "bottom"}
    )
    return {"text": rule.text, "showarrow": False, "font": {"color": f"@{rule.tone}", "size": 12}, **place}


def _unit(text: str, **place: object) -> dict[str, Any]:
    return {
        "text": text,
        "showarrow": False,
        "xref": "paper",
        "yref": "paper",
        "font": {"color": "@soft", "size": 12},
        **place,
    }

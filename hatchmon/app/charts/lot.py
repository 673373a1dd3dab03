"""The graphs of one lot."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta, tzinfo

from hatchmon.app.charts.chart import Area, Axis, Chart, Layer, Line, Marks, Rule, Span, Table, number_axis
from hatchmon.app.past import LotPast
from hatchmon.hatchery.review import Speed, Trend, Yielded, trend_of
from hatchmon.hatchery.wording import Voice
from hatchmon.science.yields import Interval


def lot_charts(lot: LotPast, speed: Speed, voice: Voice) -> list[Chart]:
    """Every graph there is something to show in."""
    shares = [(each, each.share) for each in lot.counted if each.share is not None]
    numbers = [(each, each.per_gram) for each in lot.counted if each.per_gram is not None]
    charts = [speed_chart(lot.lot, speed)]
    if shares:
        charts.insert(
            0,
            _by_batch(
                "share",
                f"Does lot {lot.lot} still hatch as well as it did?",
                "hatched, of all full cysts",
                shares,
                lot.yields.share,
                voice,
                percent=True,
            ),
        )
    if numbers:
        charts.insert(
            1 if shares else 0,
            _by_batch(
                "per-gram",
                f"How many nauplii does a gram of lot {lot.lot} give?",
                "thousand nauplii per gram of cysts",
                numbers,
                lot.yields.per_gram,
                voice,
                percent=False,
            ),
        )
    return charts


def _by_batch(
    key: str,
    title: str,
    measure: str,
    counted: Sequence[tuple[Yielded, Interval]],
    level: Interval | None,
    voice: Voice,
    *,
    percent: bool,
) -> Chart:
    def scaled(value: float) -> float:
        return value if percent else value / 1000.0

    def told(value: float) -> str:
        return f"{value * 100:.0f} %" if percent else f"{value / 1000:,.0f} thousand"

    values = [interval for _, interval in counted]
    times = [each.batch.started for each, _ in counted]
    start = times[0]
    x = [_days(start, time) for time in times]
    trend = trend_of([(each.batch.started, interval.value) for each, interval in counted])
    high = 1.0 if percent else scaled(max(interval.high for interval in values)) * 1.08
    words = [
        f"batch {each.batch.batch_id}, {_day(each.batch.started, voice.zone)}: {told(i.value)}, "
        f"{told(i.low)} to {told(i.high)}"
        for each, i in counted
    ]
    layers: list[Layer] = []
    if level is not None:
        layers.append(
            Span("the lot's level, 8 in 10 chance", "hatch", scaled(level.low), scaled(level.high), True)
        )
    if trend is not None:
        ends = [_days(start, at) for at, _ in (trend.first, trend.last)]
        y = [scaled(value) for _, value in (trend.first, trend.last)]
        layers.append(Line("course over time", "said", ends, y, dashed=True))
    layers.append(
        Marks(
            "a batch, with its 8 in 10 band", "hatch", "circle", x, [scaled(i.value) for i in values], words,
            [scaled(i.low) for i in values], [scaled(i.high) for i in values],
        )
    )  # fmt: skip
    return Chart(
        key,
        title,
        _says(level, trend, told, len(values)),
        days_axis(start, times[-1], voice.zone),
        number_axis(measure, 0.0, high, percent=percent, most=5),
        tuple(layers),
        Table(
            ("begun", "batch", "value", "from", "to"),
            tuple(
                (_day(each.batch.started, voice.zone), each.batch.batch_id, *map(told, _three(i)))
                for each, i in counted
            ),
        ),
    )  # fmt: skip


def _says(level: Interval | None, trend: Trend | None, told: Callable[[float], str], count: int) -> str:
    of = f"{count} counted batch{'' if count == 1 else 'es'}"
    said = (
        f"{of}."
        if level is None
        else f"About {told(level.value)}, between {told(level.low)} and {told(level.high)}, from {of}."
    )
    if trend is None:
        return said
    monthly = trend.monthly
    between = f"{monthly.low * 100:+.0f} to {monthly.high * 100:+.0f} %"
    if not trend.telling:
        return f"{said} No clear course over time ({between} in 30 days)."
    return f"{said} It changes by {monthly.value * 100:+.0f} % in 30 days ({between})."


def speed_chart(lot: str, speed: Speed) -> Chart:
    """What is believed of a lot's speed, before and after its hatches."""
    shown = (speed.before > 0.002 * speed.before.max()) | (speed.after > 0.002 * speed.after.max())
    tau = [float(each) for each in speed.tau25_h[shown]]
    before, after = ([float(each) for each in y[shown]] for y in (speed.before, speed.after))
    top = max(*before, *after) * 1.08
    bands = [("before any hatch of it", speed.before_h), (f"after {_hatches(speed.hatches)}", speed.after_h)]
    layers: list[Layer] = [
        Area("before any hatch of it", "said", [*tau, tau[0]], [*before, before[0]], 0.14),
        Line("", "said", tau, before, dashed=True),
    ]
    if speed.hatches:
        words = [f"{hours:.1f} h" for hours in tau]
        layers += [
            Area(f"after {_hatches(speed.hatches)}", "hatch", [*tau, tau[0]], [*after, after[0]], 0.28),
            Line("", "hatch", tau, after, words),
            Rule("", "hatch", speed.after_h.value),
        ]
    else:
        bands = bands[:1]
    last = bands[-1][1]
    return Chart(
        "speed",
        f"How fast is lot {lot}, and how sure is that?",
        f"Half of it hatches in about {last.value:.1f} h at 25 °C, between {last.low:.1f} and "
        f"{last.high:.1f} h, {bands[-1][0]}.",
        number_axis("hours at 25 °C until half has hatched", tau[0], tau[-1]),
        Axis("how likely", 0.0, top, ()),
        tuple(layers),
        Table(
            ("", "likely", "1 in 10 below", "9 in 10 below"),
            tuple(
                (name, f"{band.value:.1f} h", f"{band.low:.1f} h", f"{band.high:.1f} h")
                for name, band in bands
            ),
        ),
        height=220,
    )


def _hatches(count: int) -> str:
    return f"{count} hatch{'' if count == 1 else 'es'} of it"


def days_axis(start: datetime, end: datetime, zone: tzinfo) -> Axis:
    """Days from ``start``, marked with dates: few enough for a phone."""
    last = max(_days(start, end), 1.0)
    room = last * 0.04
    step = next(
        each for each in (1, 2, 7, 14, 30, 61, 91, 182, 365, 1826) if last / each <= 6 or each == 1826
    )
    form = "%d %b" if last < 300 else "%b %y"
    ticks = []
    day = start.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    while (at := _days(start, day)) <= last + room:
        if at >= -room:
            ticks.append((at, day.strftime(form)))
        day += timedelta(days=step)
    return Axis("batch begun", -room, last + room, tuple(ticks))


def _three(interval: Interval) -> tuple[float, float, float]:
    return interval.value, interval.low, interval.high


def _days(start: datetime, time: datetime) -> float:
    return (time - start) / timedelta(days=1)


def _day(time: datetime, zone: tzinfo) -> str:
    return time.astimezone(zone).strftime("%Y-%m-%d")

"""How the command line shows cones and batches."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from hatchmon.app.detail import Detail
from hatchmon.app.snapshot import ConeNow
from hatchmon.app.views import BatchRow
from hatchmon.hatchery.coldstore import store_words
from hatchmon.hatchery.next_look import NextLook
from hatchmon.hatchery.types import Batch, Forecast, Quantity
from hatchmon.hatchery.units import UNITS
from hatchmon.hatchery.wording import Voice, duration

BAND_CELLS = 48
BAND_HOURS = 24.0


def cones_shown(cones: Sequence[ConeNow], now: datetime, voice: Voice) -> RenderableType:
    """A sentence a cone over its stretch of the coming day."""
    if not cones:
        return Text("No cone yet. A cone appears with its first reading; see 'hatchmon check'.")
    parts: list[RenderableType] = []
    for cone in cones:
        line = Text(cone.name, style="bold")
        if cone.batch is None:
            line.append(f"  empty. Begin: hatchmon begin {cone.name} --lot LOT --grams G", style="not bold")
            parts += [line, *_store_lines(cone, now, voice), *_water_line(cone, now, voice), Text("")]
            continue
        assert cone.forecast is not None
        line.append(f"  {voice.ready(cone.batch, cone.forecast, now)}", style="not bold")
        parts.append(line)
        if cone.forecast.opens is not None:
            parts.append(_stretch(cone.batch, cone.forecast, now))
        parts += [_progress_line(cone.batch, cone.forecast, now, voice), *_store_lines(cone, now, voice)]
        parts += _water_line(cone, now, voice)
        if cone.next_look is not None:
            parts.append(_look_line(cone.batch, cone.next_look, now, voice))
        for reason in cone.forecast.reasons:
            if reason != cone.forecast.not_predicted:
                parts.append(Text(f"  ! {reason}", style="yellow"))
        parts.append(Text(""))
    if any(cone.forecast is not None and cone.forecast.opens is not None for cone in cones):
        parts.insert(0, _scale(now, voice))
    return Group(*parts)


def _progress_line(batch: Batch, forecast: Forecast, now: datetime, voice: Voice) -> Text:
    age = duration(batch.hours_at(now))
    text = (
        f"  lot {batch.lot}, {batch.grams:g} g, begun {voice.time(batch.started, now)} ({age} ago); "
        f"about {forecast.hatched:.0%} hatched; {forecast.temperature_rule}; trust {forecast.trust}"
    )
    if forecast.from_temperature >= 0.01:
        text += f"; {forecast.from_temperature:.0%} of the doubt is the temperature to come, the rest the lot"
    return Text(text, style="dim")


def _look_line(batch: Batch, look: NextLook, now: datetime, voice: Voice) -> Text:
    moment = batch.time_at(look.hours)
    when = "now" if look.hours <= batch.hours_at(now) + 0.1 else voice.time(moment, now, "about ")
    return Text(f"  a look {when} would narrow the band by about {look.narrower:.0%}", style="dim")


def _store_lines(cone: ConeNow, now: datetime, voice: Voice) -> list[Text]:
    return [Text(f"  {store_words(batch, now, voice)}") for batch in cone.stored]


def _water_line(cone: ConeNow, now: datetime, voice: Voice) -> list[Text]:
    if not cone.water:
        return []
    said = []
    for quantity, (value, time) in sorted(cone.water.items()):
        if quantity in (Quantity.TEMPERATURE, Quantity.AIR_TEMPERATURE):
            shown = voice.temp(value)
        else:
            unit = UNITS[quantity][0]
            shown = f"{value:g}" + ("" if unit == "1" else f" {unit}")
        name = "water" if quantity is Quantity.TEMPERATURE else quantity.value.replace("_", " ")
        said.append(f"{name} {shown} ({duration((now - time).total_seconds() / 3600)} ago)")
    return [Text("  " + ", ".join(said), style="dim")]


def _cell(batch: Batch, hours: float, now: datetime) -> float:
    return (hours - batch.hours_at(now)) / BAND_HOURS * BAND_CELLS


def _stretch(batch: Batch, forecast: Forecast, now: datetime) -> Text:
    """The coming day in cells: doubt before the window, the window itself, doubt after."""
    assert forecast.opens is not None
    assert forecast.closes is not None
    early, opens = (_cell(batch, h, now) for h in (forecast.opens.p10, forecast.opens.p50))
    closes, late = (_cell(batch, h, now) for h in (forecast.closes.p50, forecast.closes.p90))
    line = Text("  ")
    for cell in range(BAND_CELLS):
        if opens <= cell + 0.5 < closes:
            line.append("█", style="bright_cyan")
        elif early <= cell + 0.5 < late:
            line.append("░", style="cyan")
        else:
            line.append("·", style="dim")
    if early >= BAND_CELLS:
        line.append(" later", style="dim")
    return line


def _scale(now: datetime, voice: Voice) -> Text:
    """Clock times over the stretches, every six hours from now."""
    line = "  "
    for hours in range(0, int(BAND_HOURS), 6):
        local = datetime.fromtimestamp(now.timestamp() + hours * 3600, voice.zone)
        line += f"{'now' if hours == 0 else local.strftime('%H:%M'):<{BAND_CELLS // 4}}"
    return Text(line.rstrip() + "   █ window  ░ doubt", style="dim")


def batches_shown(rows: Sequence[BatchRow], now: datetime, voice: Voice) -> RenderableType:
    """Batches as a table."""
    if not rows:
        return Text("No batch yet. Begin one: hatchmon begin CONE --lot LOT --grams G")
    table = Table(box=box.SIMPLE_HEAD)
    for heading in (
        "#",
        "cone",
        "lot",
        "begun",
        "g",
        "90 % hatched: first said",
        "last said",
        "ended",
        "looks",
    ):
        table.add_column(heading, justify="right" if heading in ("#", "g") else "left")
    for row in rows:
        batch = row.batch
        ended = "running"
        if batch.ended is not None:
            ended = f"{batch.outcome} after {batch.hours_at(batch.ended):.1f} h"
        looks = ", ".join(f"{look.seen} at {batch.hours_at(look.time):.1f} h" for look in row.looks)
        table.add_row(
            str(batch.batch_id), batch.cone, batch.lot, voice.time(batch.started, now), f"{batch.grams:g}",
            _hours(row.first), _hours(row.last), ended, looks,
        )  # fmt: skip
    return table


def _hours(forecast: Forecast | None) -> str:
    if forecast is None or forecast.t90 is None:
        return "-"
    band = forecast.t90
    return f"{band.p50:.1f} h ({band.p10:.1f}-{band.p90:.1f})"


def detail_shown(detail: Detail, now: datetime, voice: Voice) -> RenderableType:
    """The batch in words."""
    batch = detail.batch
    head = Text(f"Batch {batch.batch_id}: lot {batch.lot} in {batch.cone}", style="bold")
    table = Table.grid(padding=(0, 2))
    for event in detail.events:
        table.add_row(f"  {batch.hours_at(event.time):5.1f} h", voice.time(event.time, now), Text(event.text))
    parts: list[RenderableType] = [head, table, Text(f"  {_water_words(detail, voice)}", style="dim")]
    for name, forecast in (("first", detail.first), ("last", detail.last)):
        if forecast is not None and forecast.t90 is not None:
            band = forecast.t90
            said = f"  90 % hatched, {name} said: {band.p50:.1f} h ({band.p10:.1f}-{band.p90:.1f})"
            parts.append(Text(said, style="dim"))
    if detail.diagnosis is None:
        return Group(*parts, Text(f"It is still running: hatchmon now shows {batch.cone}."))
    parts += [Text(detail.diagnosis.text)]
    parts += [
        Text(f"  {number}. {finding.text}") for number, finding in enumerate(detail.diagnosis.findings, 1)
    ]
    return Group(*parts)


def _water_words(detail: Detail, voice: Voice) -> str:
    if detail.water_c is None:
        return "no temperature on record"
    least, mean, most = (voice.temp(each) for each in detail.water_c)
    if detail.noted_c is not None:
        return f"water {mean}, from the notebook"
    return f"water {mean} on average, {least} to {most}, from {detail.readings} minutes with readings"

"""How the command line shows cones and batches."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from rich import box
from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from hatchmon.adapters.store import Store
from hatchmon.app.beliefs import Beliefs
from hatchmon.app.record import stored_of, thresholds_of, watch_batch, water_of
from hatchmon.app.settings import Settings
from hatchmon.app.snapshot import ConeNow, in_turn
from hatchmon.app.state import cone_facts
from hatchmon.hatchery.coldstore import store_words
from hatchmon.hatchery.next_look import NextLook
from hatchmon.hatchery.types import Batch, Count, Forecast, Look, Quantity
from hatchmon.hatchery.units import UNITS
from hatchmon.hatchery.wording import Voice, duration

BAND_CELLS = 48
BAND_HOURS = 24.0


def cones_now(settings: Settings, store: Store, now: datetime) -> list[ConeNow]:
    """Every cone, the one that needs the keeper next first, empty ones last."""
    running = {batch.cone: batch for batch in store.batches("ended_us IS NULL")}
    beliefs = Beliefs(store, thresholds_of(settings))
    stored = stored_of(store, now)
    cones: list[ConeNow] = []
    for name, water in water_of(store).items():
        if not settings.looks_after(name):
            continue
        batch = running.get(name)
        forecast = look = None
        if batch is not None:
            foreseen = beliefs.foresee(watch_batch(store, batch, now), water, now)
            forecast, look = foreseen.forecast, foreseen.next_look()
        cones.append(ConeNow(name, water, batch, forecast, stored.get(name, ()), look))
    return in_turn(cones)


def cones_json(cones: Iterable[ConeNow], now: datetime, voice: Voice) -> list[dict[str, Any]]:
    """The same as published on MQTT, one for each cone, and the next look that would help."""
    return [
        cone_facts(c.name, c.water, c.batch, c.forecast, c.stored, now, voice) | {"next_look": _look_facts(c)}
        for c in cones
    ]


def _look_facts(cone: ConeNow) -> dict[str, Any] | None:
    if cone.next_look is None or cone.batch is None:
        return None
    at = cone.batch.time_at(cone.next_look.hours).isoformat(timespec="seconds")
    return {"at": at, "h": round(cone.next_look.hours, 2), "narrower": round(cone.next_look.narrower, 2)}


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


@dataclass(frozen=True, slots=True)
class BatchRow:
    """One batch with what was forecast first and last, and what was seen and counted."""

    batch: Batch
    first: Forecast | None
    last: Forecast | None
    looks: Sequence[Look]
    counts: Sequence[Count]


def batch_rows(
    store: Store, cone: str | None, lot: str | None, below: int = 2**62, most: int = -1
) -> list[BatchRow]:
    """Batches, oldest first, of one cone or lot or of all; the newest ``most`` of those below a number."""
    batches = store.batches(
        """batch_id IN (SELECT batch_id FROM batches WHERE (?1 IS NULL OR cone = ?1)
           AND (?2 IS NULL OR lot = ?2) AND batch_id < ?3 ORDER BY batch_id DESC LIMIT ?4)""",
        cone, lot, below, most,
    )  # fmt: skip
    return [
        BatchRow(
            batch,
            store.first_forecast(batch.batch_id),
            store.last_forecast(batch.batch_id),
            store.looks(batch.batch_id),
            store.counts(batch.batch_id),
        )
        for batch in batches
    ]


def of_words(cone: str | None, lot: str | None) -> str:
    """`` of lot river-23 in bench``, as far as given."""
    return (f" of lot {lot}" if lot is not None else "") + (f" in {cone}" if cone is not None else "")


def batches_json(rows: Iterable[BatchRow]) -> list[dict[str, Any]]:
    """Batches as plain data."""

    def t90(forecast: Forecast | None) -> dict[str, float] | None:
        band = forecast.t90 if forecast is not None else None
        return None if band is None else {"p10": band.p10, "p50": band.p50, "p90": band.p90}

    return [
        {
            "batch": row.batch.batch_id,
            "cone": row.batch.cone,
            "lot": row.batch.lot,
            "grams": row.batch.grams,
            "litres": row.batch.litres,
            "set_point_c": row.batch.set_point_c,
            "salinity": row.batch.salinity,
            "started": row.batch.started.isoformat(timespec="seconds"),
            "ended": None if row.batch.ended is None else row.batch.ended.isoformat(timespec="seconds"),
            "outcome": row.batch.outcome,
            "cold_c": row.batch.cold_c,
            "used_up": None if row.batch.used_up is None else row.batch.used_up.isoformat(timespec="seconds"),
            "t90_first_h": t90(row.first),
            "t90_last_h": t90(row.last),
            "looks": [
                {"h": round(row.batch.hours_at(look.time), 2), "seen": look.seen} for look in row.looks
            ],
        }
        for row in rows
    ]


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


def record_of(settings: Settings, store: Store) -> str:
    """How the forecasts have done so far, in a sentence."""
    return str(Beliefs(store, thresholds_of(settings)).honesty)


def _hours(forecast: Forecast | None) -> str:
    if forecast is None or forecast.t90 is None:
        return "-"
    band = forecast.t90
    return f"{band.p50:.1f} h ({band.p10:.1f}-{band.p90:.1f})"


def console() -> Console:
    """Where results are printed; plain, and wide enough for every table, when not a terminal."""

    def made(width: int | None = None) -> Console:
        # What a keeper named stays as it was written, also when it looks like rich's own marks.
        return Console(highlight=False, markup=False, emoji=False, soft_wrap=True, width=width)

    wide = made()
    return wide if wide.is_terminal else made(140)

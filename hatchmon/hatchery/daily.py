"""The message of the day: that all is well, or what is not."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from hatchmon.hatchery.alerts import Fact
from hatchmon.hatchery.types import Batch, Forecast
from hatchmon.hatchery.wording import Voice, duration, span

GOOD_NEWS = frozenset({"ready-soon", "ready", "slow-lot"})  # kinds of facts that leave all well


@dataclass(frozen=True, slots=True)
class ConeDay:
    """A cone, what runs in it, and its newest usable temperature (deg C, time)."""

    cone: str
    batch: Batch | None
    forecast: Forecast | None
    newest: tuple[float, datetime] | None


def wrong_of(facts: Iterable[Fact]) -> list[str]:
    """What is wrong, of all that the keeper has been told and that still holds."""
    return [fact.title for fact in facts if fact.kind not in GOOD_NEWS]


def daily_words(
    cones: Sequence[ConeDay], wrong: Sequence[str], now: datetime, voice: Voice
) -> tuple[str, str]:
    """(title, body): what is wrong, what comes next, and how each running cone does."""
    running = [cone for cone in cones if cone.batch is not None]
    hatching = f"{len(running)} of {len(cones)} cones hatching" if running else "nothing is hatching"
    title = f"Not all is well: {wrong[0]}" if wrong else f"All is well: {hatching}"
    if len(wrong) > 1:
        title += f" (and {len(wrong) - 1} more)"
    lines = [f"Wrong: {each}" for each in wrong]
    if wrong:
        lines.append(f"{hatching[0].upper()}{hatching[1:]}.")
    coming = sorted(filter(None, (_next_of(cone, now, voice) for cone in running)))
    if coming:
        lines.append(f"Next: {coming[0][1]}")
    lines += [_cone_line(cone, now, voice) for cone in running]
    idle = [cone.cone for cone in cones if cone.batch is None]
    if idle:
        lines.append(f"Empty: {', '.join(idle)}.")
    return title, "\n".join(lines)


def _next_of(cone: ConeDay, now: datetime, voice: Voice) -> tuple[datetime, str] | None:
    """When something is to be done with a cone next, and what."""
    batch, forecast = cone.batch, cone.forecast
    if batch is None or forecast is None or forecast.opens is None or forecast.closes is None:
        return None
    if forecast.trust == "none":
        return None
    first, last = (batch.time_at(band.p50) for band in span(forecast.opens, forecast.closes))
    if now < first:
        return first, f"{batch.cone} ready about {voice.time(first, now)}."
    if now < last:
        return last, f"{batch.cone} to be harvested before {voice.time(last, now)}."
    return now, f"{batch.cone} to be harvested now."


def _cone_line(cone: ConeDay, now: datetime, voice: Voice) -> str:
    assert cone.batch is not None
    expected = "No forecast yet." if cone.forecast is None else voice.ready(cone.batch, cone.forecast, now)
    if cone.newest is None:
        return f"{cone.cone}: {expected} No temperature yet."
    temp_c, time = cone.newest
    age = duration((now - time) / timedelta(hours=1))
    return f"{cone.cone}: {expected} Water {voice.temp(temp_c)}, measured {age} ago."

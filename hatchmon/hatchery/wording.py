"""How times, temperatures and forecasts are said to the keeper, in their zone and unit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from hatchmon.hatchery.types import Band, Batch, Forecast
from hatchmon.hatchery.units import fahrenheit


@dataclass(frozen=True, slots=True)
class Voice:
    """The keeper's time zone and temperature unit (``C`` or ``F``)."""

    zone: tzinfo
    unit: str = "C"

    def time(self, moment: datetime, now: datetime, about: str = "") -> str:
        """``07:10``; with a day where it is not within the coming or past half day: ``tomorrow 07:10``.

        ``about`` goes before the clock time.
        """
        local, today = moment.astimezone(self.zone), now.astimezone(self.zone)
        clock = about + local.strftime("%H:%M")
        days = (local.date() - today.date()).days
        if days == 0 or abs(moment - now) < timedelta(hours=12):
            return clock
        if days in (-1, 1):
            return ("tomorrow " if days == 1 else "yesterday ") + clock
        if abs(days) < 7:
            return local.strftime("%a ") + clock
        return local.strftime("%Y-%m-%d ") + clock

    def weekday(self, moment: datetime) -> str:
        """``Tue 07:10``, whenever it is told."""
        return moment.astimezone(self.zone).strftime("%a %H:%M")

    def temp(self, temp_c: float) -> str:
        """``25.1 °C`` or ``77.2 °F``."""
        value = fahrenheit(temp_c) if self.unit == "F" else temp_c
        return f"{value:.1f} °{self.unit}"

    def between(self, batch: Batch, band: Band, now: datetime) -> str:
        """``about 07:10, between 06:20 and 08:30``."""
        moment = batch.time_at(band.p50)
        middle = self.time(moment, now, "about ")
        first, last = batch.time_at(band.p10), batch.time_at(band.p90)
        early, late = self._beside(first, moment, now), self._beside(last, first, now)
        return f"{middle}, between {early} and {late}"

    def _beside(self, other: datetime, told: datetime, now: datetime) -> str:
        """A time told right after another: of the same day it needs none."""
        if other.astimezone(self.zone).date() == told.astimezone(self.zone).date():
            return other.astimezone(self.zone).strftime("%H:%M")
        return self.time(other, now)

    def changed(self, batch: Batch, before: Forecast, after: Forecast, now: datetime) -> str:
        """`` Ready 07:10 -> 07:40, band 3.1 h narrower.``, or nothing where nothing moved."""
        if before.opens is None or after.opens is None:
            return ""
        old, new = (self.time(batch.time_at(band.p50), now) for band in (before.opens, after.opens))
        narrower = _width_h(before.opens) - _width_h(after.opens)
        if old == new and abs(narrower) < 0.1:
            return ""
        moved = f"Ready {old} -> {new}" if old != new else f"Ready {new} still"
        return f" {moved}, band {abs(narrower):.1f} h {'narrower' if narrower >= 0 else 'wider'}."

    def ready(self, batch: Batch, forecast: Forecast, now: datetime) -> str:
        """One plain sentence or two on when to harvest."""
        if forecast.not_predicted is not None or forecast.opens is None or forecast.closes is None:
            return f"Not predicted: {forecast.not_predicted}."
        if forecast.trust == "none":
            when = self.between(batch, forecast.opens, now)
            return f"Perhaps ready {when}: too unsure to time, look by eye."
        first, last = span(forecast.opens, forecast.closes)
        hours = batch.hours_at(now)
        if hours < first.p50:
            return f"Ready {self.between(batch, first, now)}. {self.by_when(batch, forecast, now)}"
        if hours < last.p50:
            return f"Ready now. {self.by_when(batch, forecast, now)}"
        closes = self.time(batch.time_at(last.p50), now, "about ")
        return f"The window closed {closes}. {self.usable(batch, forecast, now)}"

    def usable(self, batch: Batch, forecast: Forecast, now: datetime) -> str:
        """What to do with nauplii whose window has closed, and until when they serve by a rule of thumb."""
        if forecast.usable_h is None:
            return "Harvest at once or look before feeding."
        until = self.time(batch.time_at(forecast.usable_h), now, "about ")
        if batch.hours_at(now) < forecast.usable_h:
            return f"Harvest at once; as a rule of thumb they serve as food until {until}."
        return f"As a rule of thumb they served as food until {until}: look whether they live before feeding."

    def by_when(self, batch: Batch, forecast: Forecast, now: datetime) -> str:
        """``Harvest before 10:40.``, or to harvest twice; the forecast must have a window."""
        assert forecast.opens is not None
        assert forecast.closes is not None
        first, last = span(forecast.opens, forecast.closes)
        closes = self.time(batch.time_at(last.p50), now)
        if forecast.opens.p50 < forecast.closes.p50:
            return f"Harvest before {closes}."
        when = "now" if batch.hours_at(now) >= first.p50 else "then"
        return f"It hatches unevenly: harvest a first time {when}, and the rest before {closes}."


def span(opens: Band, closes: Band) -> tuple[Band, Band]:
    """From when to when the keeper is told to harvest.

    The first nauplii of a poorly synchronised batch moult before the last have hatched: its window closes
    before it opens, and is told as the span between the two.
    """
    return (opens, closes) if opens.p50 <= closes.p50 else (closes, opens)


def _width_h(band: Band) -> float:
    return band.p90 - band.p10


def printable(text: str) -> str:
    """``text`` with what a terminal would obey instead of show written as an escape, such as ``\\x1b``."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def duration(hours: float) -> str:
    """``25 min``, ``3.5 h`` or ``2.1 days``."""
    if hours < 1.5:
        return f"{max(hours, 0.0) * 60:.0f} min"
    return f"{hours:.1f} h" if hours < 48 else f"{hours / 24:.1f} days"

"""The night ahead, drawn: one axis of clock times shared by all cones, a strip of shapes for each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from hatchmon.app.snapshot import ConeNow
from hatchmon.hatchery.outlook import outlook, share_at
from hatchmon.hatchery.types import Band, Batch
from hatchmon.hatchery.wording import Voice, span

BEHIND = timedelta(hours=3)
AHEAD = timedelta(hours=21)
TICK_H = 3
BESIDE = timedelta(minutes=115)  # on a phone the name of now takes so much room
NIGHT = (time(22), time(6))
WIDE, HIGH = 1000, 100  # of the drawing within a strip, which is stretched to its place


@dataclass(frozen=True, slots=True)
class Axis:
    """A stretch of time; places on it are in percent of its width."""

    now: datetime
    voice: Voice
    night: tuple[time, time] = NIGHT

    @property
    def start(self) -> datetime:
        """Its left end."""
        return self.now - BEHIND

    @property
    def end(self) -> datetime:
        """Its right end."""
        return self.now + AHEAD

    def at(self, moment: datetime) -> float:
        """Where a moment lies, also beyond either end."""
        return round(100.0 * ((moment - self.start) / (self.end - self.start)), 2)

    @property
    def ticks(self) -> list[tuple[float, str, bool]]:
        """(place, clock time, whether its name has room beside that of now) every few hours."""
        found = []
        for moment in self._hours():
            local = moment.astimezone(self.voice.zone)
            if local.hour % TICK_H == 0:
                place = self.at(moment)
                free = abs(moment - self.now) > BESIDE and 3.0 < place < 97.0
                found.append((place, local.strftime("%H"), free))
        return found

    @property
    def nights(self) -> list[tuple[float, float]]:
        """(place, width) of the hours in which a keeper sleeps."""
        first = self.start.astimezone(self.voice.zone).date() - timedelta(days=1)
        found = []
        for day in range(4):
            evening = datetime.combine(first + timedelta(days=day), self.night[0], tzinfo=self.voice.zone)
            later = self.night[1] <= self.night[0]
            morning = datetime.combine(
                first + timedelta(days=day + later), self.night[1], tzinfo=self.voice.zone
            )
            left, right = max(self.at(evening), 0.0), min(self.at(morning), 100.0)
            if right > left:
                found.append((left, round(right - left, 2)))
        return found

    def _hours(self) -> Iterator[datetime]:
        moment = self.start.replace(minute=0, second=0, microsecond=0)
        # In steps of a quarter, since not every zone is whole hours from UTC.
        while (moment := moment + timedelta(minutes=15)) <= self.end:
            if moment.astimezone(self.voice.zone).minute == 0:
                yield moment


@dataclass(frozen=True, slots=True)
class Strip:
    """One cone on the axis: paths in a drawing WIDE by HIGH, places in percent, and all of it in words."""

    past: str
    ahead: str
    edge: str
    window: tuple[float, float] | None
    before: str
    after: str
    looks: list[tuple[float, float, float, str]]
    later: str
    earlier: str
    words: str
    unsure: bool


def strip(cone: ConeNow, axis: Axis) -> Strip | None:
    """The strip of a cone; None where nothing is forecast of it."""
    batch, forecast = cone.batch, cone.forecast
    if batch is None or forecast is None or forecast.t50 is None:
        return None
    end = axis.end
    if forecast.closes is not None:  # nobody counts hatching once the harvest is lost
        end = min(end, max(batch.time_at(forecast.closes.p90), axis.now))
    seen = outlook(batch, forecast, cone.looks, axis.start, end)
    past = [point for point in seen.share if point[0] <= axis.now]
    ahead = [point for point in seen.share if point[0] >= axis.now]
    share_now = share_at(forecast, max(batch.hours_at(axis.now), 0.0))
    if share_now is not None and batch.started <= axis.now:
        past.append((axis.now, share_now))
        ahead.insert(0, (axis.now, share_now))
    later = earlier = before = after = ""
    window = None
    if seen.window:
        (early, _), (opens, _), (closes, _), (late, _) = seen.window
        left, right = max(axis.at(opens), 0.0), min(axis.at(closes), 100.0)
        if right > left:
            window = (left, round(right - left, 2))
        before = _slope(axis, early, opens, rising=True)
        after = _slope(axis, closes, late, rising=False)
        if opens >= axis.end:
            later = f"opens {axis.voice.time(opens, axis.now)}"
        elif closes <= axis.start:
            earlier = f"closed {axis.voice.time(closes, axis.now)}"
    return Strip(
        past=_area(axis, past),
        ahead=_area(axis, ahead),
        edge=_edge(axis, ahead),
        window=window,
        before=before,
        after=after,
        looks=[
            (axis.at(moment), round(100 - 100 * high, 1), round(max(100 * (high - low), 4.0), 1), word)
            for moment, (low, high), word in seen.looks
        ],
        later=later,
        earlier=earlier,
        words=words(cone, axis),
        unsure=forecast.trust == "none",
    )


def words(cone: ConeNow, axis: Axis) -> str:
    """What the strip shows, for those who cannot see it."""
    batch, forecast = cone.batch, cone.forecast
    if batch is None or forecast is None:
        return f"{cone.name}: nothing to show."
    said = [f"{cone.name}: about {forecast.hatched:.0%} hatched now"]
    for name, band in (("half", forecast.t50), ("nine in ten", forecast.t90)):
        if band is not None:
            said.append(f"{name} hatched {_told(batch, band, axis)}")
    if forecast.opens is not None and forecast.closes is not None and forecast.trust != "none":
        first, last = span(forecast.opens, forecast.closes)
        said.append(f"window opens {_told(batch, first, axis)}")
        said.append(f"and closes {_told(batch, last, axis)}")
    said += [f"seen {look.seen} at {axis.voice.time(look.time, axis.now)}" for look in cone.looks]
    return "; ".join(said) + "."


def _told(batch: Batch, band: Band, axis: Axis) -> str:
    return axis.voice.between(batch, band, axis.now)


def _x(axis: Axis, moment: datetime) -> float:
    return round(min(max(axis.at(moment), 0.0), 100.0) * WIDE / 100, 1)


def _area(axis: Axis, points: Sequence[tuple[datetime, float]]) -> str:
    """The shape below a line of shares, as an SVG path."""
    if len(points) < 2:
        return ""
    line = " ".join(f"{_x(axis, moment):g},{HIGH - HIGH * share:.1f}" for moment, share in points)
    return f"M{_x(axis, points[0][0]):g},{HIGH} L{line} L{_x(axis, points[-1][0]):g},{HIGH} Z"


def _edge(axis: Axis, points: Sequence[tuple[datetime, float]]) -> str:
    return "M" + " L".join(f"{_x(axis, moment):g},{HIGH - HIGH * share:.1f}" for moment, share in points)


def _slope(axis: Axis, low: datetime, high: datetime, *, rising: bool) -> str:
    """The wedge between two moments, cut off at the ends of the axis."""
    left, right = (low, high)
    if right <= left or axis.at(right) <= 0.0 or axis.at(left) >= 100.0:
        return ""

    def height(moment: datetime) -> float:
        inside = min(max(moment, axis.start), axis.end)
        share = (inside - left) / (right - left)
        return HIGH * (share if rising else 1.0 - share)

    a, b = _x(axis, left), _x(axis, right)
    return f"M{a:g},{HIGH} L{a:g},{HIGH - height(left):.1f} L{b:g},{HIGH - height(right):.1f} L{b:g},{HIGH} Z"

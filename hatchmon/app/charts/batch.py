"""The graphs of one batch."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise

from hatchmon.app.charts.chart import (
    Area,
    Axis,
    Cell,
    Chart,
    Layer,
    Line,
    Marks,
    Rule,
    Span,
    Table,
    Tone,
    around,
    number_axis,
)
from hatchmon.app.past import BatchPast
from hatchmon.hatchery.review import Fan, Log, Stretch, Told
from hatchmon.hatchery.types import Band, Quantity, Verdict
from hatchmon.hatchery.units import UNITS, fahrenheit
from hatchmon.hatchery.wording import Voice, duration, span

Scale = Callable[[float], float]
Fits = Callable[[float], bool]

LONGEST_TABLE = 26
LEAST_RANGE = {"water": 2.0, "air_temperature": 2.0, "salinity": 4.0, "conductivity": 5.0}  # of an axis
REJECTED: dict[Verdict, str] = {
    Verdict.JUMP: "too fast to be water",
    Verdict.SPIKE: "far from its neighbours",
    Verdict.RANGE: "outside what it can be",
    Verdict.SENTINEL: "an error code of the probe",
    Verdict.LATE: "arrived too late",
    Verdict.FUTURE: "stamped later than the clock",
    Verdict.RETAINED: "the broker's old copy",
    Verdict.UNDATED: "of unknown time",
}
_TITLES: dict[Quantity, tuple[str, Tone]] = {
    Quantity.SALINITY: ("How salty was the water?", "salt"),
    Quantity.CONDUCTIVITY: ("How salty was the water, by its conductivity?", "salt"),
    Quantity.SPECIFIC_GRAVITY: ("How salty was the water, by its specific gravity?", "salt"),
    Quantity.LIGHT: ("Was there light in the first hours?", "light"),
    Quantity.AIR_TEMPERATURE: ("How warm was the room?", "room"),
}


def batch_charts(past: BatchPast, now: datetime, voice: Voice) -> list[Chart]:
    """Every graph there is something to show in, the hatch first."""
    drawn = _Drawn(past, now, voice)
    charts = [drawn.hatch(), drawn.moved(), drawn.water()]
    charts += [drawn.other(quantity) for quantity in _TITLES if quantity in past.logs]
    return [chart for chart in charts if chart is not None]


class _Drawn:
    def __init__(self, past: BatchPast, now: datetime, voice: Voice) -> None:
        self.past = past
        self.batch = past.batch
        self.now = now
        self.voice = voice

    # --- the hatch -----------------------------------------------------------------------------

    def hatch(self) -> Chart | None:
        past, fan = self.past, self.past.fan
        if fan is None and not past.seen:
            return None
        ends = [past.until_h, *(each.hours for each in past.seen)]
        layers: list[Layer] = []
        rows: list[tuple[Cell, ...]] = []
        if fan is not None and past.last is not None:
            if past.last.opens is not None and past.last.closes is not None:
                opens, closes = span(past.last.opens, past.last.closes)
                layers.append(Span("harvest window", "window", opens.p50, closes.p50))
                ends.append(closes.p50 + 1.0)
            ends.append(float(fan.hours[4, -1]) if past.batch.running else float(fan.hours[2, -1]))
            layers += [
                Area("8 in 10 chance", "hatch", *_outline(fan, 0, 4), 0.18),
                Area("even chance", "hatch", *_outline(fan, 1, 3), 0.32),
            ]
            if past.first_fan is not None and past.first is not past.last:
                layers.append(self._curve("first said", past.first_fan, dashed=True))
            layers.append(self._curve("expected", fan))
            rows += self._fan_rows(fan)
        looks = [each for each in past.seen if not each.counted]
        counted = [each for each in past.seen if each.counted]
        if looks:
            layers.append(
                Marks(
                    "what was seen",
                    "seen",
                    "circle",
                    [each.hours for each in looks],
                    [(each.low + each.high) / 2.0 for each in looks],
                    [f"seen {self._at(each.hours)}: {each.text}" for each in looks],
                    [each.low for each in looks],
                    [each.high for each in looks],
                )
            )
        if counted:
            layers.append(
                Marks(
                    "counted, of full cysts (some never hatch)",
                    "seen",
                    "hollow",
                    [each.hours for each in counted],
                    [each.value or 0.0 for each in counted],
                    [f"counted {self._at(each.hours)}: {each.text}" for each in counted],
                    [each.low for each in counted],
                    [each.high for each in counted],
                )
            )
        rows += [
            (f"{'counted' if each.counted else 'seen'}: {each.text}", self._at(each.hours), *[None] * 4)
            for each in past.seen
        ]
        layers += self._now()
        return Chart(
            "hatch",
            "How much has hatched, and how sure is that?" if past.batch.running else "How did it hatch?",
            self._hatch_says(fan),
            self._clock(0.0, max(ends)),
            number_axis("hatched, of all that will hatch", 0.0, 1.0, percent=True, most=5),
            tuple(layers),
            Table(
                ("share", "likely at", "1 in 10 before", "1 in 4 before", "3 in 4 before", "9 in 10 before"),
                tuple(rows),
            ),
            height=320,
        )

    def _curve(self, name: str, fan: Fan, dashed: bool = False) -> Line:
        hours = [float(each) for each in fan.hours[2]]
        words = [
            f"{name}: {share:.0%} at {self._at(hour)}" for share, hour in zip(fan.share, hours, strict=True)
        ]
        return Line(
            name, "said" if dashed else "hatch", hours, [float(each) for each in fan.share], words, dashed
        )

    def _fan_rows(self, fan: Fan) -> Iterator[tuple[Cell, ...]]:
        for share in (0.1, 0.25, 0.5, 0.75, 0.9):
            at = [self._at(fan.hours_to(share, chance)) for chance in (2, 0, 1, 3, 4)]
            yield (f"{share:.0%} hatched", *at)

    def _hatch_says(self, fan: Fan | None) -> str:
        last, batch = self.past.last, self.batch
        if last is not None and last.not_predicted is not None:
            return f"Not predicted: {last.not_predicted}."
        if fan is None or last is None or last.t90 is None:
            return "No forecast was made; this is what was seen."
        if batch.running:
            said = f"About {last.hatched:.0%} hatched. 90 % {self.voice.between(batch, last.t90, self.now)}."
            if last.from_temperature >= 0.01:
                said += f" {last.from_temperature:.0%} of the doubt is the water to come, the rest the lot."
            return said
        return (
            f"90 % had hatched after about {last.t90.p50:.1f} h, between {last.t90.p10:.1f} and "
            f"{last.t90.p90:.1f} h, as far as the looks tell."
        )

    # --- how the forecast moved ----------------------------------------------------------------

    def moved(self) -> Chart | None:
        told = [each for each in self.past.told if each.opens is not None]
        if len(told) < 2:
            return None
        issued = [each.issued_h for each in told]
        # Each forecast held until the next.
        until = [*issued[1:], max(self.past.until_h, issued[-1])]
        bands = [each.opens for each in told if each.opens is not None]
        low, high = around([min(b.p10 for b in bands), max(b.p90 for b in bands)])
        words = [f"said {self._at(each.issued_h)}: ready {self._ready(each)}" for each in told]
        layers: list[Layer] = [
            Area("8 in 10 chance", "window", *_stairs(issued, until, bands), 0.22),
            Line(
                "ready",
                "window",
                [*issued, until[-1]],
                [*(b.p50 for b in bands), bands[-1].p50],
                [*words, words[-1]],
                steps=True,
            ),
        ]
        looks = [each for each in self.past.seen if issued[0] <= each.hours <= until[-1]]
        if looks:
            at = [max(sum(hour <= each.hours for hour in issued) - 1, 0) for each in looks]
            layers.append(
                Marks(
                    "look or count",
                    "seen",
                    "circle",
                    [each.hours for each in looks],
                    [bands[place].p50 for place in at],
                    [f"seen {self._at(each.hours)}: {each.text}" for each in looks],
                )
            )
        ended = self.batch.ended
        if ended is not None and low <= self.batch.hours_at(ended) <= high:
            layers.append(Rule("ended", "plain", self.batch.hours_at(ended), level=True))
        first, last = bands[0], bands[-1]
        moved_h = last.p50 - first.p50
        return Chart(
            "moved",
            "How did the expected ready time move?",
            f"First said {self._at(first.p50)}, last {self._at(last.p50)}: "
            + (
                f"{duration(abs(moved_h))} {'later' if moved_h > 0 else 'sooner'}. "
                if abs(moved_h) >= 0.05
                else "it stayed. "
            )
            + f"The band went from {first.p90 - first.p10:.1f} to {last.p90 - last.p10:.1f} h.",
            self._clock(0.0, max(self.past.until_h, issued[-1]), "when it was said"),
            clock_axis(self.batch.started, low, high, self.voice.zone, "ready at", days=False),
            tuple(layers),
            Table(("said at", "ready", "from", "until"), tuple(self._told_row(each) for each in _few(told))),
        )

    def _told_row(self, told: Told) -> tuple[Cell, ...]:
        assert told.opens is not None
        return (
            self._at(told.issued_h),
            *(self._at(h) for h in (told.opens.p50, told.opens.p10, told.opens.p90)),
        )

    def _ready(self, told: Told) -> str:
        assert told.opens is not None
        return (
            f"{self._at(told.opens.p50)}, between {self._at(told.opens.p10)} and {self._at(told.opens.p90)}"
        )

    # --- the water and the rest ----------------------------------------------------------------

    def water(self) -> Chart | None:
        log = self.past.logs.get(Quantity.TEMPERATURE)
        if log is None or not log.kept:
            return None
        low, high = (self._degrees(each) for each in self.past.band_c)
        aim = self.batch.set_point_c
        beside: list[Layer] = [Span(f"the water lot {self.batch.lot} likes", "water", low, high, level=True)]
        if aim is not None:
            beside.append(Rule("set point", "plain", self._degrees(aim), level=True))
        return self._log_chart(
            "water",
            "Did the water stay where this lot likes it?",
            self._water_says(log),
            log,
            f"water, °{self.voice.unit}",
            "water",
            [low, high, *([self._degrees(aim)] if aim else [])],
            beside,
            self._degrees,
        )

    def _water_says(self, log: Log) -> str:
        cold_c, warm_c = self.past.band_c
        kept = log.kept
        mean = sum(each.mean * each.count for each in kept) / log.used
        t = self.voice.temp
        said = [
            f"{t(mean)} on average, {t(min(e.least for e in kept))} to {t(max(e.most for e in kept))}; "
            f"the lot likes {t(cold_c)} to {t(warm_c)}."
        ]
        for name, hours in (
            ("colder", _hours_of(log, lambda v: v < cold_c)),
            ("warmer", _hours_of(log, lambda v: v > warm_c)),
        ):
            if hours >= 0.1:
                said.append(f"{duration(hours)} {name}.")
        if log.gaps:
            total = sum(until - start for start, until in log.gaps)
            said.append(f"Nothing is known of {duration(total)}.")
        if log.refused:
            said.append(f"{log.refused} of {log.used + log.refused} readings were rejected.")
        return " ".join(said)

    def other(self, quantity: Quantity) -> Chart | None:
        log = self.past.logs[quantity]
        if not log.kept:
            return None
        title, tone = _TITLES[quantity]
        air = quantity is Quantity.AIR_TEMPERATURE
        unit = f"°{self.voice.unit}" if air else UNITS[quantity][0]
        kept = log.kept
        numbers = [
            sum(each.mean * each.count for each in kept) / log.used,
            min(each.least for each in kept),
            max(each.most for each in kept),
        ]
        shown = [self.voice.temp(n) if air else _plain(n, unit) for n in numbers]
        name = quantity.value.replace("_", " ")
        return self._log_chart(
            quantity.value,
            title,
            f"{shown[0]} on average, {shown[1]} to {shown[2]}.",
            log,
            name if unit == "1" else f"{name}, {unit}",
            tone,
            [0.0] if quantity is Quantity.LIGHT else [],
            [],
            self._degrees if air else lambda value: value,
        )

    def _log_chart(
        self,
        key: str,
        title: str,
        says: str,
        log: Log,
        unit: str,
        tone: Tone,
        shown: Sequence[float],
        beside: Sequence[Layer],
        scale: Scale,
    ) -> Chart:
        kept = log.kept
        values = [scale(each) for stretch in kept for each in (stretch.least, stretch.most)]
        low, high = around([*values, *shown], least=LEAST_RANGE.get(key, 0.0))
        if low == high:
            low, high = low - 1.0, high + 1.0
        x: list[float | None] = []
        y: list[float | None] = []
        words: list[str] = []
        edge_x: list[float | None] = []
        edge_y: list[float | None] = []
        for run in log.runs:
            x += [*(each.middle_h for each in run), None]
            y += [*(scale(each.mean) for each in run), None]
            words += [*(self._stretch_words(each, scale, unit) for each in run), ""]
            edge_x += [
                *(e.middle_h for e in run),
                *(e.middle_h for e in reversed(run)),
                run[0].middle_h,
                None,
            ]
            edge_y += [
                *(scale(e.most) for e in run),
                *(scale(e.least) for e in reversed(run)),
                scale(run[0].most),
                None,
            ]
        room = (high - low) * 0.03
        layers: list[Layer] = [
            *beside,
            *(Span("nothing known", "bad", start, until, hatched=True) for start, until in log.gaps),
            Area("", tone, edge_x, edge_y, 0.25),
            Line(unit.partition(",")[0], tone, x, y, words),
        ]
        if log.rejected:
            layers.append(
                Marks(
                    "rejected",
                    "bad",
                    "cross",
                    [each.middle_h for each in log.rejected],
                    [min(max(scale(each.mean), low + room), high - room) for each in log.rejected],
                    [self._rejected_words(each) for each in log.rejected],
                )
            )
        return Chart(
            key,
            title,
            says,
            self._clock(0.0, self.past.until_h),
            number_axis(unit, low, high, most=5),
            (*layers, *self._now()),
            Table(
                ("from", "mean", "least", "most", "readings", "rejected"), tuple(self._log_rows(log, scale))
            ),
        )

    def _stretch_words(self, stretch: Stretch, scale: Scale, unit: str) -> str:
        sign = unit.partition(", ")[2]
        mean = _plain(scale(stretch.mean), sign)
        if stretch.least == stretch.most:
            return f"{self._at(stretch.middle_h)}: {mean}"
        least, most = (_plain(scale(each), sign) for each in (stretch.least, stretch.most))
        return f"{self._at(stretch.middle_h)}: {mean}, {least} to {most}"

    def _rejected_words(self, stretch: Stretch) -> str:
        many = f" ({stretch.count} readings)" if stretch.count > 1 else ""
        why = REJECTED[stretch.verdict]
        return f"rejected {self._at(stretch.middle_h)}: {_plain(stretch.mean, '')}, {why}{many}"

    def _log_rows(self, log: Log, scale: Scale) -> Iterator[tuple[Cell, ...]]:
        """Whole hours, or as many together as keep the table short."""
        step = max(1, math.ceil(self.past.until_h / (LONGEST_TABLE - 1)))
        for start in range(0, math.ceil(self.past.until_h), step):
            inside = [each for each in log.kept if start <= each.middle_h < start + step]
            count = sum(each.count for each in inside)
            refused = sum(e.count for e in log.rejected if start <= e.middle_h < start + step)
            yield (
                self._at(start),
                round(scale(sum(each.mean * each.count for each in inside) / count), 2) if inside else None,
                round(scale(min(each.least for each in inside)), 2) if inside else None,
                round(scale(max(each.most for each in inside)), 2) if inside else None,
                count,
                refused,
            )

    # --- times ---------------------------------------------------------------------------------

    def _now(self) -> list[Layer]:
        if not self.batch.running or self.batch.hours_at(self.now) < 0:
            return []
        return [Rule("now", "plain", self.batch.hours_at(self.now))]

    def _clock(self, low_h: float, high_h: float, title: str = "time of day") -> Axis:
        return clock_axis(self.batch.started, low_h, high_h, self.voice.zone, title)

    def _at(self, hours: float) -> str:
        """``Tue 07:10``."""
        return self.voice.weekday(self.batch.time_at(hours))

    def _degrees(self, temp_c: float) -> float:
        return fahrenheit(temp_c) if self.voice.unit == "F" else temp_c


def clock_axis(
    start: datetime, low_h: float, high_h: float, zone: tzinfo, title: str, days: bool = True
) -> Axis:
    """Hours from ``start``, marked with local times: whole hours of the day, few enough for a phone."""
    step = next(
        each for each in (1, 2, 3, 6, 12, 24, 48, 96, 192, 384) if (high_h - low_h) / each <= 6 or each == 384
    )
    first = (start + timedelta(hours=low_h)).astimezone(zone)
    moment = first.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
    ticks: list[tuple[float, str]] = []
    named = None
    for _ in range(2000):
        hours = (moment - start) / timedelta(hours=1)
        if hours > high_h:
            break
        local = moment.astimezone(zone)
        if (
            hours >= low_h
            and local.hour % min(step, 24) == 0
            and (step <= 24 or local.toordinal() % (step // 24) == 0)
        ):
            day = local.strftime("%a %d")
            ticks.append((hours, f"{local:%H:%M}" + (f"\n{day}" if days and day != named else "")))
            named = day
        moment += timedelta(hours=1)
    return Axis(title, low_h, high_h, tuple(ticks))


def _outline(fan: Fan, early: int, late: int) -> tuple[list[float | None], list[float | None]]:
    shares = [float(each) for each in fan.share]
    x = [*map(float, fan.hours[early]), *map(float, fan.hours[late][::-1]), float(fan.hours[early, 0])]
    return [*x], [*shares, *shares[::-1], shares[0]]


def _stairs(
    issued: Sequence[float], until: Sequence[float], bands: Sequence[Band]
) -> tuple[list[float | None], list[float | None]]:
    x = [hour for pair in zip(issued, until, strict=True) for hour in pair]
    high = [band.p90 for band in bands for _ in range(2)]
    low = [band.p10 for band in bands for _ in range(2)]
    return [*x, *x[::-1], x[0]], [*high, *low[::-1], high[0]]


def _few(told: Sequence[Told]) -> list[Told]:
    """Evenly chosen, the first and the last among them."""
    if len(told) <= LONGEST_TABLE:
        return list(told)
    return [told[round(place * (len(told) - 1) / (LONGEST_TABLE - 1))] for place in range(LONGEST_TABLE)]


def _hours_of(log: Log, fits: Fits) -> float:
    """For how long the mean of a stretch fitted; a stretch lasts until the next of its run."""
    total = 0.0
    for run in log.runs:
        for here, following in pairwise(run):
            if fits(here.mean):
                total += following.from_h - here.from_h
    return total


def _plain(value: float, unit: str) -> str:
    text = f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.4g}"
    return text if unit in ("", "1") else f"{text} {unit}"

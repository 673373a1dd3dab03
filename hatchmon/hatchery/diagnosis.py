"""Why a finished batch was slow, poor or spread out, as far as what was measured can tell.

A cause is told with the hours it is worth where the rate curve or the salt rule gives them, and as
possible where only its direction is known. What the data do not show is not claimed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

import numpy as np

from hatchmon.hatchery.looks import look_bounds
from hatchmon.hatchery.types import Batch, Forecast, Look
from hatchmon.hatchery.watch import LN_RATE_PER_C, SMALL_GAP_H, WIDE_GAP_H, gap_variance
from hatchmon.hatchery.wording import Voice, duration, span
from hatchmon.science import parameters as par
from hatchmon.science.hatching import ENERGY_NODES_EV, Draws, salt_shift
from hatchmon.science.normal import Floats
from hatchmon.science.rates import schoolfield_1981

Kind = Literal["slow", "poor", "spread out"]
Cause = Literal[
    "cold", "warm", "salt", "density", "light", "age", "gap", "notebook", "late harvest", "scatter"
]
Strength = Literal["worked out", "possible", "cannot tell", "usual"]

Z90 = 1.2816
NEAR_Z = 0.75  # how far, as probit, a look may reach beyond a share and still time it
WORTH_TELLING_H = 0.5
BELOW_WORTH_H = 0.25  # for water outside the lot's band
GRID_H = 0.1

SMALL_VESSEL_L = 20.0
DENSITY_SMALL, DENSITY_LARGE = 5.0, 2.0  # g/L under 20 L and from there on; FAO 428 annex 4
SALT_BAND = (5.0, 35.0)  # g/L; practice text after FAO, studies conflict below 15
SALT_NONE_ABOVE = 85.0  # g/L; the same text: nothing hatches above 85-90
FIRST_HOURS = 6.0  # light for longer changes nothing: J. Crust. Biol. doi 10.1163/1937240x-00002454
LIGHT_ADVISED = 2000.0  # lux at the surface; FAO 428 annex 4
LIGHT_LITTLE = 1000.0  # mean lux told as too little; assumed
OLD_DAYS = 90.0  # in use for longer, a lot is told as old; assumed, no source

_ALL: frozenset[Kind] = frozenset({"slow", "poor", "spread out"})
_NOT_KNOWN = "What that cost is not known."


@dataclass(frozen=True, slots=True)
class Measured:
    """All that is known of one finished batch; hours count from its start.

    ``hours``, ``temps_c``: (n,) its log, deg C; ``band_c``: the water the lot likes; ``lot``: what was
    believed of the lot without this batch; ``first``: the forecast made at its beginning (not ``said`` then,
    but worked out now), ``last``: the one that knew every look; ``t90_h``: when 90 % had hatched, where
    something better than looks tells (not before, by); ``usual_c``: mean water of the lot's other batches;
    ``noted_sd_c``: doubt of a temperature that comes from a notebook; ``light``: (hour, lux), ``salinity``:
    (hour, g/L); ``share``: hatched share by count, ``usual_share``: the interval the lot's other counts let
    expect.
    """

    batch: Batch
    hours: Floats
    temps_c: Floats
    band_c: tuple[float, float]
    lot: Draws
    first: Forecast | None = None
    said: bool = True
    last: Forecast | None = None
    looks: Sequence[Look] = ()
    t90_h: tuple[float, float] | None = None
    usual_c: float | None = None
    noted_sd_c: float | None = None
    light: Sequence[tuple[float, float]] = ()
    salinity: Sequence[tuple[float, float]] = ()
    lot_age_days: float | None = None
    share: float | None = None
    usual_share: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Deviation:
    """In which way the batch did worse than its lot let expect."""

    kind: Kind
    text: str


@dataclass(frozen=True, slots=True)
class Finding:
    """Something out of order, or the usual difference between batches.

    ``effect_h``: hours it is worth (of delay; for a late harvest hours too late; for a gap one standard
    deviation either way), None where nothing gives them. ``explains``: the deviations it may bear on.
    """

    cause: Cause
    effect_h: float | None
    text: str
    strength: Strength
    explains: frozenset[Kind] = _ALL
    severity: float = 1.0


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """``text`` sums up; ``findings`` come in the order of their weight."""

    deviations: tuple[Deviation, ...]
    findings: tuple[Finding, ...]
    text: str


def seen_between(batch: Batch, looks: Sequence[Look], share_z: float) -> tuple[float, float]:
    """(not before, by) in hours for the moment that a share (as probit) had hatched, from looks alone.

    Where a look straddles the share closely, the usual spread of a hatch says how near it was.
    """
    after, by = 0.0, math.inf
    for look in looks:
        hours = batch.hours_at(look.time)
        low, high, _ = look_bounds(look.seen)
        if high <= share_z:
            after = max(after, hours)
        elif low >= share_z:
            by = min(by, hours)
        else:
            if high - share_z <= NEAR_Z:
                after = max(after, hours * math.exp(par.SIGMA.value * (share_z - high)))
            if share_z - low <= NEAR_Z:
                by = min(by, hours * math.exp(par.SIGMA.value * (share_z - low)))
    return (after, by) if after <= by else (by, after)  # notes that contradict each other


def diagnose(measured: Measured, voice: Voice) -> Diagnosis:
    """Why the batch went as it did; times in hours, temperatures in the keeper's unit."""
    return _Case(measured, voice).diagnosis()


class _Case:
    """One batch under examination."""

    def __init__(self, measured: Measured, voice: Voice) -> None:
        self.m = measured
        self.voice = voice
        batch = measured.batch
        self.ended_h = batch.hours_at(batch.ended) if batch.ended is not None else math.inf
        self.t10 = seen_between(batch, measured.looks, -Z90)
        self.t90 = measured.t90_h or seen_between(batch, measured.looks, Z90)
        self.until_h = min(self.ended_h, self.t90[1])
        if not math.isfinite(self.until_h):
            self.until_h = float(measured.hours[-1]) if measured.hours.size else 0.0
        self.first = measured.first.t90 if measured.first is not None else None
        # Where it was never seen to 90 %, what the looks let expect tells more than the last of them alone.
        last = measured.last.t90 if measured.last is not None else None
        seen = self.t90[0] > 0.0 and not math.isfinite(self.t90[1])
        self.least_h = max(self.t90[0], last.p10) if last is not None and seen else self.t90[0]
        self.foretold = "the first forecast said" if measured.said else "its lot let expect"
        self.kinds: set[Kind] = set()

    def diagnosis(self) -> Diagnosis:
        deviations = [found for found in (self._slow(), self._poor(), self._spread_out()) if found]
        self.kinds = {deviation.kind for deviation in deviations}
        findings = [
            found
            for found in (
                *self._water(), self._salt(), self._density(), self._light(), self._age(), self._gap(),
                self._late(),
            )
            if found is not None
        ]  # fmt: skip
        scatter = self._scatter(findings)
        findings.sort(key=self._rank)
        if scatter is not None:
            findings.append(scatter)
        return Diagnosis(tuple(deviations), tuple(findings), self._summary(deviations, findings))

    def _rank(self, finding: Finding) -> tuple[bool, bool, float]:
        """What bears on a deviation first; then by size, those of unknown size last."""
        beside = bool(self.kinds) and not finding.explains & self.kinds
        if finding.effect_h is None:
            return beside, True, -finding.severity
        return beside, False, -finding.effect_h

    # --- how it did -----------------------------------------------------------------------------

    @property
    def _late_by_h(self) -> float | None:
        """Hours by which 90 % came after the middle of the first forecast; at least, if not seen complete."""
        if self.first is None or self.t90[0] <= 0.0:
            return None
        after, by = self.t90
        return ((after + by) / 2.0 if math.isfinite(by) else self.least_h) - self.first.p50

    def _slow(self) -> Deviation | None:
        if self.first is None or self.least_h <= self.first.p90:
            return None
        told = (
            f", by the looks not before {self.least_h:.1f} h (9 in 10)" if self.least_h > self.t90[0] else ""
        )
        return Deviation(
            "slow",
            f"Slow: {self._seen_words()}{told}; {self.foretold} {self.first.p50:.1f} h, "
            f"{self.first.p90:.1f} h at most (9 in 10).",
        )

    def _poor(self) -> Deviation | None:
        share, usual = self.m.share, self.m.usual_share
        if share is None or usual is None or share >= usual[0]:
            return None
        return Deviation(
            "poor",
            f"Poor: {share:.0%} hatched by count; this lot's other counts let expect {usual[0]:.0%} to "
            f"{usual[1]:.0%}.",
        )

    def _spread_out(self) -> Deviation | None:
        least = self.t90[0] - self.t10[1]
        usual = float(np.quantile(self._usual_spread_h(), 0.9))
        if not math.isfinite(least) or least <= usual:
            return None
        return Deviation(
            "spread out",
            f"Spread out: at least {least:.1f} h from 10 to 90 % hatched; for this lot {usual:.1f} h at most "
            "(9 in 10).",
        )

    def _usual_spread_h(self) -> Floats:
        """Hours from 10 to 90 % hatched for each draw of the lot, at the reference temperature."""
        draws, temp_c = self.m.lot, self._reference(self.m.band_c[0])[0]
        rho = schoolfield_1981(temp_c, ENERGY_NODES_EV)[draws.node]
        middle = np.exp(draws.mu(self.m.batch.salinity))
        return np.asarray(2.0 * middle * np.sinh(Z90 * draws.sigma) / rho, dtype=np.float64)

    def _seen_words(self) -> str:
        after, by = self.t90
        if not math.isfinite(by):
            return f"less than 90 % hatched after {after:.1f} h"
        if by - after < 0.05:
            return f"90 % hatched after {by:.1f} h"
        return f"90 % hatched {f'between {after:.1f} and' if after > 0 else 'by'} {by:.1f} h"

    # --- what was out of order ------------------------------------------------------------------

    def _reference(self, edge_c: float) -> tuple[float, str]:
        """The water to compare with, and its name: only such as a hatch can be timed in."""
        low, high = par.PREDICT_FROM.value, par.PREDICT_TO.value
        for temp_c, name in (
            (self.m.batch.set_point_c, "the set point of"),
            (self.m.usual_c, "this lot's usual"),
        ):
            if temp_c is not None and low <= temp_c <= high:
                return temp_c, name
        return min(max(edge_c, low), high), ""

    def _water(self) -> Iterator[Finding]:
        hours, temps = self.m.hours, self.m.temps_c
        if hours.size == 0:
            return
        grid = np.arange(GRID_H / 2, min(self.until_h, float(hours[-1])), GRID_H)
        if grid.size == 0:
            return
        water = np.interp(grid, hours, temps)
        cold_c, warm_c = self.m.band_c
        yield from self._cold(water, cold_c, warm_c)
        yield from self._warm(water, warm_c)

    def _cold(self, water: Floats, cold_c: float, warm_c: float) -> Iterator[Finding]:
        reference_c, name = self._reference(cold_c)
        rho = float(schoolfield_1981(reference_c))
        # All but the water told as warm, so that swings around the set point cancel; the band's edge is no
        # aim, and water above it makes nothing good.
        counts = water <= (warm_c if name else reference_c)
        lost_h = float(np.sum(1.0 - schoolfield_1981(water[counts]) / rho)) * GRID_H
        below_h = float(np.sum(water < cold_c)) * GRID_H
        t = self.voice.temp
        lost = (
            f"{lost_h * rho:.1f} equivalent hours of progress lost against {f'{name} ' if name else ''}"
            f"{t(reference_c)}, {lost_h:.1f} h of delay."
        )
        if below_h >= BELOW_WORTH_H and lost_h >= BELOW_WORTH_H:
            text = f"Cold: {below_h:.1f} h below {t(cold_c)}, down to {t(float(water.min()))}; {lost}"
        elif lost_h >= WORTH_TELLING_H and self.kinds & {"slow", "spread out"}:
            text = f"Cool: {t(float(water.mean()))} on average, within the lot's band; {lost}"
        else:
            return
        yield Finding("cold", lost_h, text, "worked out", frozenset({"slow", "spread out"}))

    def _warm(self, water: Floats, warm_c: float) -> Iterator[Finding]:
        above = water > warm_c
        above_h = float(np.sum(above)) * GRID_H
        if above_h < BELOW_WORTH_H:
            return
        reference_c, _ = self._reference(warm_c)
        rho = float(schoolfield_1981(reference_c))
        lost_h = float(np.sum(1.0 - schoolfield_1981(water[above]) / rho)) * GRID_H
        t, hottest = self.voice.temp, float(water.max())
        text = f"Warm: {above_h:.1f} h above {t(warm_c)}, up to {t(hottest)}"
        explains: set[Kind] = {"spread out"}
        if hottest < par.DOUBTFUL_HOT.value:
            text += f"; it ran {-lost_h:.1f} h ahead and the window closed the sooner." if lost_h < 0 else "."
            yield Finding("warm", lost_h, text, "worked out", frozenset(explains))
            return
        explains.add("poor")
        text += f"; from {t(par.DOUBTFUL_HOT.value)} up development is doubtful"
        if lost_h > 0:
            explains.add("slow")
            text += f", {lost_h:.1f} h of delay by the rate curve, which is little known there"
        yield Finding("warm", max(lost_h, 0.0) or None, f"{text}.", "possible", frozenset(explains), 2.0)

    def _salt(self) -> Finding | None:
        noted = self.m.batch.salinity
        if self.m.salinity:
            value = median(salinity for _, salinity in self.m.salinity)
        elif noted is not None:
            value = noted
        else:
            return None
        shift, sd = salt_shift(value)
        shift -= salt_shift(noted)[0]
        effect_h = None if self.first is None else self.first.p50 * math.expm1(shift)
        low, high = SALT_BAND
        outside = not low <= value <= high
        slower = effect_h is not None and effect_h >= WORTH_TELLING_H
        if not outside and not (slower and "slow" in self.kinds):
            return None
        text = f"Salinity: {value:.0f} g/L"
        if value > SALT_NONE_ABOVE:
            text += f"; above {SALT_NONE_ABOVE:.0f} to 90 g/L nothing hatches (practice text after FAO)"
        elif outside:
            text += f", outside the {low:.0f} to {high:.0f} g/L that suit a hatch (practice text after FAO)"
        if slower:
            assert effect_h is not None
            assert self.first is not None
            told = "30 g/L assumed" if noted is None else f"{noted:.0f} g/L noted"
            text += f"; about {effect_h:.1f} h slower than at the {told}, "
            text += f"give or take {self.first.p50 * sd:.1f} h."
        else:
            effect_h = None
            text += f". {_NOT_KNOWN}"
        severity = max(value / high, low / max(value, 0.1))
        return Finding("salt", effect_h, text, "possible", frozenset({"slow", "poor"}), severity)

    def _density(self) -> Finding | None:
        litres = self.m.batch.litres
        if litres is None or litres <= 0:
            return None
        small = litres < SMALL_VESSEL_L
        limit, density = DENSITY_SMALL if small else DENSITY_LARGE, self.m.batch.grams / litres
        if density <= limit * (1.0 + 1e-9):
            return None
        where = f"{'below' if small else 'from'} {SMALL_VESSEL_L:.0f} L{'' if small else ' on'}"
        text = (
            f"Dense: {density:.1f} g/L in {litres:g} L; at most {limit:.0f} g/L is advised {where} "
            f"({par.FAO_428}). {_NOT_KNOWN}"
        )
        return Finding("density", None, text, "possible", _ALL, density / limit)

    def _light(self) -> Finding | None:
        early = [lux for hour, lux in self.m.light if 0.0 <= hour <= FIRST_HOURS]
        if not early or float(np.mean(early)) >= LIGHT_LITTLE:
            return None
        mean = float(np.mean(early))
        text = (
            f"Dark: {mean:.0f} lux on average in the first {FIRST_HOURS:.0f} h; about "
            f"{LIGHT_ADVISED:.0f} lux at the surface is advised ({par.FAO_428}). {_NOT_KNOWN}"
        )
        return Finding("light", None, text, "possible", _ALL, 2.0 - mean / LIGHT_LITTLE)

    def _age(self) -> Finding | None:
        days = self.m.lot_age_days
        if days is None or days < OLD_DAYS or not self.kinds:
            return None
        text = (
            f"Old: the lot had been in use for {days:.0f} days; opened cysts lose vigour unless kept dry and "
            f"cold (common practice, no source). {_NOT_KNOWN}"
        )
        return Finding("age", None, text, "possible", _ALL, days / OLD_DAYS)

    def _gap(self) -> Finding | None:
        explains: frozenset[Kind] = frozenset({"slow", "spread out"})
        if self.m.noted_sd_c is not None:
            if not self.kinds & explains:
                return None
            either_way_h = LN_RATE_PER_C * self.m.noted_sd_c * self.until_h
            text = (
                f"Water known from the notebook only: {self.voice.temp(float(self.m.temps_c[0]))}, in doubt "
                f"by {self._degrees(self.m.noted_sd_c)}; worth {either_way_h:.1f} h either way."
            )
            return Finding("notebook", either_way_h, text, "cannot tell", explains)
        if self.m.hours.size == 0:
            return Finding(
                "gap", None, "No temperature was logged: what the water did is not known.", "cannot tell",
                explains, 3.0,
            )  # fmt: skip
        starts = self.m.hours[self.m.hours < self.until_h]
        gaps = np.diff(np.append(starts, self.until_h))
        wide = gaps > SMALL_GAP_H
        either_way_h = LN_RATE_PER_C * float(np.sqrt(np.sum(gap_variance(gaps[wide]))))
        widest = float(gaps.max(initial=0.0))
        if widest <= WIDE_GAP_H and either_way_h < BELOW_WORTH_H:
            return None
        total = float(gaps[wide].sum())
        at = float(starts[int(gaps.argmax())])
        text = (
            f"Gap: {total:.1f} h without readings, the longest from {at:.1f} h after the start; what "
            f"the water did then is not known, usually worth {duration(either_way_h)} either way."
        )
        return Finding("gap", either_way_h, text, "cannot tell", explains)

    def _degrees(self, difference_c: float) -> str:
        in_f = self.voice.unit == "F"
        return f"{difference_c * (1.8 if in_f else 1.0):.1f} °{self.voice.unit}"

    def _late(self) -> Finding | None:
        last = self.m.last
        if last is None or last.opens is None or last.closes is None or self.m.batch.outcome != "harvested":
            return None
        closes = span(last.opens, last.closes)[1]
        late_h = self.ended_h - closes.p50
        if late_h < WORTH_TELLING_H:
            return None
        surely = self.ended_h > closes.p90
        text = (
            f"Harvested {late_h:.1f} h after the window {'had' if surely else 'had probably'} closed, "
            f"{closes.p50:.1f} h after the start: part of the nauplii had moulted and burnt reserves."
        )
        return Finding(
            "late harvest", late_h, text, "worked out" if surely else "possible", frozenset({"poor"})
        )

    def _scatter(self, findings: Sequence[Finding]) -> Finding | None:
        late_by_h = self._late_by_h
        if late_by_h is None or self.first is None or self.least_h <= self.first.p50:
            return None
        explained = _explained_h(findings)
        left_h = late_by_h - explained
        usual_h = self.first.p50 * float(np.std(self.m.lot.u))
        if not WORTH_TELLING_H <= left_h <= usual_h:
            return None
        what = (
            f"The {left_h:.1f} h that this leaves lie"
            if explained > 0.0
            else f"{left_h:.1f} h later than expected lies"
        )
        text = f"{what} within what batches of one lot usually differ by (about {usual_h:.1f} h)."
        return Finding("scatter", left_h, text, "usual", frozenset({"slow"}))

    # --- in short -------------------------------------------------------------------------------

    def _summary(self, deviations: Sequence[Deviation], findings: Sequence[Finding]) -> str:
        if not deviations:
            return self._no_deviation(findings)
        words = " ".join(deviation.text for deviation in deviations)
        bearing = [f for f in findings if f.explains & self.kinds and f.cause != "scatter"]
        usual = any(f.cause == "scatter" for f in findings)
        explained, late_by_h = _explained_h(findings), self._late_by_h
        if "slow" in self.kinds and explained > 0.0 and late_by_h is not None:
            if late_by_h - explained < WORTH_TELLING_H:
                return f"{words} Measured causes account for the delay."
            if usual:
                return (
                    f"{words} Measured causes account for {explained:.1f} of about {late_by_h:.1f} h, and "
                    "the rest is no more than the usual difference."
                )
            rest = _named(f for f in bearing if f.strength != "worked out")
            return f"{words} Measured causes account for {explained:.1f} of about {late_by_h:.1f} h; " + (
                f"the rest may come from {rest}." if rest else "nothing measured explains the rest."
            )
        possible = _named(bearing)
        if possible:
            return f"{words} Nothing measured explains it for certain; possible: {possible}."
        if usual:
            return f"{words} Nothing measured explains it, and it is within the usual difference."
        return f"{words} Nothing measured explains it."

    def _no_deviation(self, findings: Sequence[Finding]) -> str:
        if self.first is None:
            text = "Nothing says what to expect of it: whether it was slow cannot be told."
        elif self.t90 == (0.0, math.inf):
            text = "No look tells when it hatched: whether it was slow cannot be told."
        else:
            text = f"As expected: {self._seen_words()}; {self.foretold} {self.first.p50:.1f} h."
        noted = any(finding.cause != "scatter" for finding in findings)
        return f"{text} Noted all the same:" if noted else text


def _explained_h(findings: Sequence[Finding]) -> float:
    """Hours of delay that are worked out: cold water less what warm water made good."""
    water = (
        f.effect_h or 0.0 for f in findings if f.cause in ("cold", "warm") and f.strength == "worked out"
    )
    return max(sum(water), 0.0)


_NAMES: dict[Cause, str] = {
    "cold": "cold water",
    "warm": "warm water",
    "salt": "salinity",
    "density": "too many cysts",
    "light": "too little light",
    "age": "the lot's age",
    "gap": "the gap in the log",
    "notebook": "the rough temperature",
    "late harvest": "the late harvest",
    "scatter": "the usual difference",
}


def _named(findings: Iterable[Finding]) -> str:
    return ", ".join(_NAMES[finding.cause] for finding in findings)

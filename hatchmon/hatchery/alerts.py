"""From facts to messages: each fact is said once, in order, and survives a restart."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from typing import Literal

from hatchmon.hatchery.counts import Falling, falling_words
from hatchmon.hatchery.diagnosis import FIRST_HOURS
from hatchmon.hatchery.types import Alert, Batch, Forecast, Urgency
from hatchmon.hatchery.wording import Voice, duration, span

Kind = Literal[
    "ready-soon", "ready", "closing", "past", "cold", "warm", "salt", "dark", "silent", "doubt", "slow-lot",
    "back", "broker", "series", "clock", "storage", "begin-next",
]  # fmt: skip

URGENCY: dict[Kind, Urgency] = {
    "ready-soon": "can wait",
    "ready": "soon",
    "closing": "now",
    "past": "soon",
    "cold": "soon",
    "warm": "soon",
    "salt": "soon",
    "dark": "soon",
    "silent": "soon",
    "doubt": "soon",
    "slow-lot": "can wait",
    "back": "can wait",
    "broker": "soon",
    "series": "can wait",
    "clock": "soon",
    "storage": "soon",
    "begin-next": "soon",
}

# The stages of a batch, in the only order they may be told; a later one silences those before it.
STAGES: tuple[Kind, ...] = ("ready-soon", "ready", "closing", "past")
# What is true for good once it has been told: never cleared, so never told again.
FOR_GOOD: tuple[Kind, ...] = (*STAGES, "slow-lot")
# What the readings of a cone tell by themselves.
WATER: tuple[Kind, ...] = ("cold", "warm", "salt", "dark")
REPEAT_FLOOR = timedelta(hours=2)
BEGIN_UNTIL = timedelta(hours=2)
HYSTERESIS_C = 0.5
UNCHANGED_C = 0.5
HYSTERESIS_G_L = 1.0
HYSTERESIS_LIGHT = 1.2
CLEAR_AFTER_S = 300.0
UNPLUG = "Unplug the heater before you put a hand into the water."


@dataclass(frozen=True, slots=True)
class Rules:
    """When to speak. Times in minutes; ``urgency`` overrides URGENCY by kind."""

    ready_soon_min: float = 30.0
    closing_min: float = 60.0
    water_min: float = 20.0
    silent_min: float = 10.0
    broker_min: float = 5.0
    series_min: float = 60.0
    urgency: Mapping[str, Urgency] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Quiet:
    """Hours of the keeper's local day in which only ``now`` gets through; may span midnight."""

    start: time
    end: time

    def ends(self, now: datetime, voice: Voice) -> datetime | None:
        """When the quiet that ``now`` falls into ends, or None when it is not quiet."""
        local = now.astimezone(voice.zone)
        clock = local.time()
        if self.start < self.end:
            quiet = self.start <= clock < self.end
        else:
            quiet = clock >= self.start or clock < self.end
        if not quiet:
            return None
        day = local.date() + timedelta(days=1 if clock >= self.end else 0)
        # Local wall time first, then UTC: right across a change of daylight saving.
        end = datetime.combine(day, self.end, tzinfo=voice.zone)
        if end.astimezone(now.tzinfo) <= now:
            end = end.replace(fold=1)  # the hour that comes twice: the first end is over
        return end.astimezone(now.tzinfo)


@dataclass(frozen=True, slots=True)
class Fact:
    """Something true at this moment that the keeper may need to hear.

    ``holds_s``: how long it must have been true before it is told; ``held_s``: how long it is known to have
    been.
    """

    kind: Kind
    scope: str
    cone: str | None
    title: str
    body: str
    holds_s: float = 0.0
    held_s: float = 0.0


@dataclass(slots=True)
class Standing:
    """What has been said of one (kind, scope): ``raised`` while it stands, ``last`` ever."""

    raised: datetime | None = None
    last: datetime | None = None
    true_s: float = 0.0
    false_s: float = 0.0


class AlertBook:
    """Remembers what was said. ``changed`` collects the keys to persist after each update."""

    def __init__(self, rules: Rules, said: Mapping[tuple[str, str], Standing] | None = None) -> None:
        self.rules = rules
        self.standing: dict[tuple[str, str], Standing] = dict(said or {})
        self.changed: set[tuple[str, str]] = set()
        self._present: set[tuple[str, str]] = set()

    def stands(self, kind: str, scope: str) -> bool:
        """Whether the alert has been raised and not cleared."""
        state = self.standing.get((kind, scope))
        return state is not None and state.raised is not None

    def would_raise(self, fact: Fact, now: datetime) -> bool:
        """Whether the next update will raise it, by what it says itself."""
        state = self.standing.get((fact.kind, fact.scope)) or Standing()
        return state.raised is None and fact.held_s >= fact.holds_s and not self._too_early(state, now)

    def update(self, now: datetime, elapsed_s: float, facts: Iterable[Fact]) -> list[Alert]:
        """The alerts to send, given everything true now; ``elapsed_s`` since the last update, monotonic."""
        alerts: list[Alert] = []
        present: set[tuple[str, str]] = set()
        for fact in facts:
            key: tuple[str, str] = (fact.kind, fact.scope)
            present.add(key)
            state = self.standing.setdefault(key, Standing())
            if key in self._present:  # true all the while; a new fact is true from now on
                state.true_s += elapsed_s
            state.true_s = max(state.true_s, fact.held_s)
            state.false_s = 0.0
            if state.raised is None and state.true_s >= fact.holds_s and not self._too_early(state, now):
                state.raised = state.last = now
                self.changed.add(key)
                alerts.append(self._alert(fact, now))
        for told, state in self.standing.items():
            if told in present:
                continue
            state.true_s = 0.0
            if state.raised is not None and told[0] not in FOR_GOOD:
                if told not in self._present:
                    state.false_s += elapsed_s
                if state.false_s >= CLEAR_AFTER_S:
                    state.raised = None
                    self.changed.add(told)
        self._present = present
        return alerts

    def forget(self, scope: str) -> None:
        """The batch or cone is done with; its conditions may be told afresh another time."""
        for key, state in self.standing.items():
            if key[1] == scope and state.raised is not None and key[0] not in FOR_GOOD:
                state.raised = None
                self.changed.add(key)

    def _too_early(self, state: Standing, now: datetime) -> bool:
        # Should the clock have been set back, an alert "from the future" must not silence us.
        return state.last is not None and timedelta(0) <= now - state.last < REPEAT_FLOOR

    def _alert(self, fact: Fact, now: datetime) -> Alert:
        urgency = self.rules.urgency.get(fact.kind, URGENCY[fact.kind])
        return Alert(fact.kind, fact.scope, fact.cone, urgency, fact.title, fact.body, now)


def batch_scope(batch: Batch) -> str:
    """The scope of all that is said about one batch."""
    return f"batch {batch.batch_id}"


def stage_facts(
    batch: Batch, forecast: Forecast, now: datetime, book: AlertBook, rules: Rules, voice: Voice
) -> list[Fact]:
    """The stage the batch has come to, if the forecast is good enough to ring by; at most one fact."""
    if forecast.opens is None or forecast.closes is None or forecast.trust == "none":
        return []
    hours = batch.hours_at(now)
    opens_h, closes_h = (band.p50 for band in span(forecast.opens, forecast.closes))
    if hours >= closes_h:
        stage = 3
    elif hours >= max(closes_h - rules.closing_min / 60.0, (opens_h + closes_h) / 2.0):
        stage = 2
    elif hours >= opens_h:
        stage = 1
    elif hours >= opens_h - rules.ready_soon_min / 60.0:
        stage = 0
    else:
        return []
    scope = batch_scope(batch)
    if any(book.stands(later, scope) for later in STAGES[stage + 1 :]):
        return []  # the forecast moved back after the keeper was told more
    title, body = _stage_words(STAGES[stage], batch, forecast, now, voice)
    return [Fact(STAGES[stage], scope, batch.cone, title, body)]


def _stage_words(
    stage: Kind, batch: Batch, forecast: Forecast, now: datetime, voice: Voice
) -> tuple[str, str]:
    assert forecast.opens is not None
    assert forecast.closes is not None
    cone = batch.cone
    first, last = span(forecast.opens, forecast.closes)
    opens = voice.time(batch.time_at(first.p50), now)
    closes = voice.time(batch.time_at(last.p50), now)
    about = f"Lot {batch.lot}, {batch.grams:g} g, begun {voice.time(batch.started, now)}."
    if stage == "ready-soon":
        return (
            f"{cone}: ready about {opens}",
            f"Ready {voice.between(batch, first, now)}. {voice.by_when(batch, forecast, now)} {about}",
        )
    if stage == "ready":
        return (
            f"{cone}: ready to harvest",
            f"The harvest window is open. {voice.by_when(batch, forecast, now)} "
            "Air off for 5 to 10 minutes lets the shells rise and the nauplii sink; not longer. " + about,
        )
    if stage == "closing":
        return (
            f"{cone}: harvest before {closes}",
            f"The harvest window closes about {closes}; after that the nauplii moult and burn their yolk. "
            + about,
        )
    return (
        f"{cone}: harvest window closed about {closes}",
        f"Not harvested yet, and the nauplii are worth less every hour. {voice.usable(batch, forecast, now)} "
        + about,
    )


def is_well(temp_c: float, band_c: tuple[float, float]) -> bool:
    """Whether the water is neither cold nor warm, whatever has been told of it."""
    cold_c, warm_c = band_c
    return cold_c + HYSTERESIS_C <= temp_c <= warm_c - HYSTERESIS_C


def water_facts(
    batch: Batch, temp_c: float, band_c: tuple[float, float], book: AlertBook, rules: Rules, voice: Voice
) -> list[Fact]:
    """Water outside ``band_c`` (cold below, warm above), with hysteresis once told."""
    cold_c, warm_c = band_c
    scope = batch_scope(batch)
    slack_c = {kind: HYSTERESIS_C if book.stands(kind, scope) else 0.0 for kind in ("cold", "warm")}
    if cold_c + slack_c["cold"] <= temp_c <= warm_c - slack_c["warm"]:
        return []
    facts: list[Fact] = []
    water = voice.temp(temp_c)
    for_long = f"For {rules.water_min:g} minutes or more."
    if temp_c < cold_c + slack_c["cold"]:
        title = f"{batch.cone}: cold, {water}"
        body = f"{for_long} Below {voice.temp(cold_c)} the hatch is slow. Check the heater. {UNPLUG}"
        facts.append(Fact("cold", scope, batch.cone, title, body, rules.water_min * 60.0))
    elif temp_c > warm_c - slack_c["warm"]:
        title = f"{batch.cone}: warm, {water}"
        body = (
            f"{for_long} Above {voice.temp(warm_c)} the hatch suffers, and from {voice.temp(33.0)} it may "
            f"stop. Check the heater and the thermostat. {UNPLUG}"
        )
        facts.append(Fact("warm", scope, batch.cone, title, body, rules.water_min * 60.0))
    return facts


def salt_facts(
    batch: Batch, salinity: float, beyond: str, band: tuple[float, float], book: AlertBook, rules: Rules
) -> list[Fact]:
    """Brine of a ``salinity`` (g/L) outside ``band``, with hysteresis once told; ``beyond`` is "over " or
    "under " where the probe's scale ends there.

    The limits named are those of a text derived from FAO papers: 5 to 35 g/L, none above 85 to 90.
    """
    low, high = band
    scope = batch_scope(batch)
    slack = HYSTERESIS_G_L if book.stands("salt", scope) else 0.0
    if low + slack <= salinity <= high - slack:
        return []
    for_long = f"For {rules.water_min:g} minutes or more"
    litres = "LITRES" if batch.litres is None else f"{batch.litres:g}"
    amount = (
        f"hatchmon salt --litres {litres} --from {salinity:.0f}g/L --salinity {(low + high) / 2.0:.0f}g/L"
    )
    if salinity > high - slack:
        body = (
            f"{for_long} above {high:g} g/L. Published advice is 5 to 35 g/L; above 85 to 90 g/L nothing "
            f"hatches. Add fresh water; how much: {amount}. {UNPLUG}"
        )
    else:
        body = (
            f"{for_long} below {low:g} g/L. Published advice is 5 to 35 g/L. See that the probe is clean and "
            f"under water, then add salt; how much: {amount}. {UNPLUG}"
        )
    title = f"{batch.cone}: salinity {beyond}{salinity:.0f} g/L"
    return [Fact("salt", scope, batch.cone, title, body, rules.water_min * 60.0)]


def dark_facts(
    batch: Batch, lux: float, now: datetime, least_lux: float, book: AlertBook, rules: Rules
) -> list[Fact]:
    """Less light than ``least_lux`` in the first hours of a batch, with hysteresis once told.

    About 2000 lux at the surface: FAO Fisheries Technical Paper 428, annex 4.
    """
    scope = batch_scope(batch)
    least = least_lux * (HYSTERESIS_LIGHT if book.stands("dark", scope) else 1.0)
    if not 0.0 <= batch.hours_at(now) < FIRST_HOURS or lux >= least:
        return []
    body = (
        f"For {rules.water_min:g} minutes or more, in the first {FIRST_HOURS:.0f} hours, when cysts need "
        "light to start. Published advice is about 2000 lux at the surface. Switch a lamp on, hung where no "
        "salt water reaches it or its cable, or clear the way of the light."
    )
    title = f"{batch.cone}: dark, {lux:.0f} lux"
    return [Fact("dark", scope, batch.cone, title, body, rules.water_min * 60.0)]


@dataclass(frozen=True, slots=True)
class Beginning:
    """A planned start, to be told from ``tell`` on: ``grams`` of ``lot`` in ``litres`` of brine of
    ``salinity`` (g/L), which takes ``salt_g`` of salt; the ``feedings`` it is for."""

    cone: str
    lot: str
    at: datetime
    grams: float
    litres: float
    salinity: float
    salt_g: float
    feedings: tuple[datetime, ...]
    tell: datetime


def begin_facts(
    beginnings: Iterable[Beginning], now: datetime, running: Collection[str], voice: Voice
) -> list[Fact]:
    """The planned starts whose time to be told has come, until two hours after they are due or their cone is
    ``running``."""
    return [
        Fact(
            "begin-next",
            f"begin {each.cone} {each.at:%Y-%m-%dT%H:%MZ}",
            each.cone,
            f"{each.cone}: begin {each.grams:g} g at {voice.time(each.at, now)}",
            _begin_words(each, now, voice),
        )
        for each in beginnings
        if each.tell <= now < each.at + BEGIN_UNTIL and each.cone not in running
    ]


def _begin_words(each: Beginning, now: datetime, voice: Voice) -> str:
    fed = [voice.time(moment, now) for moment in each.feedings]
    meant = f" For the feeding{'s' if len(fed) > 1 else ''} of {' and '.join(fed)}." if fed else ""
    return (
        f"{each.grams:g} g of lot {each.lot} in {each.litres:g} L of brine, {each.salinity:g} g/L: about "
        f"{each.salt_g:.0f} g of salt from fresh water.{meant} The mixing sheet: hatchmon supply --sheet. "
        "Then "
        f"note it: hatchmon begin {each.cone} --lot '{each.lot}' --grams {each.grams:g} "
        f"--litres {each.litres:g}"
    )


def slow_lot_facts(falling: Mapping[str, Falling]) -> list[Fact]:
    """Lots that give less than they did, by name."""
    return [
        Fact("slow-lot", f"lot {lot}", None, f"Lot {lot} is falling off", f"Lot {lot} {falling_words(fall)}")
        for lot, fall in falling.items()
    ]


def silent_facts(
    batch: Batch, since: datetime | None, now: datetime, rules: Rules, voice: Voice
) -> list[Fact]:
    """A probe that has not been heard ``since`` then (None: it is heard)."""
    if since is None or now - since < timedelta(minutes=rules.silent_min):
        return []
    title = f"{batch.cone}: no temperature since {voice.time(since, now)}"
    body = (
        f"Silent for {duration((now - since) / timedelta(hours=1))}. The forecast goes on with the "
        "temperature expected, and grows less sure. Check the probe's power, cable and network, or take a "
        f"reading by hand: hatchmon reading {batch.cone} VALUE"
    )
    return [Fact("silent", batch_scope(batch), batch.cone, title, body)]


def doubt_facts(batch: Batch, forecast: Forecast, voice: Voice) -> list[Fact]:
    """A forecast too poor to ring by: the keeper must look for themselves."""
    if forecast.trust != "none" or batch.hours_at(forecast.issued) < 1.0:
        return []
    title = f"{batch.cone}: cannot be timed"
    body = f"{'; '.join(forecast.reasons)}. No ready alert will come for this batch unless that changes."
    return [Fact("doubt", batch_scope(batch), batch.cone, title, body, holds_s=900.0)]


@dataclass(frozen=True, slots=True)
class Afflicted:
    """A batch that ran on while hatchmon was off: the forecasts ``before`` and ``after``; its water, deg C,
    ``last_c`` before and ``then_c`` after, None where nobody measured it."""

    batch: Batch
    before: Forecast | None
    after: Forecast
    last_c: float | None
    then_c: float | None

    @property
    def unchanged(self) -> bool:
        """Whether the water is known to be as warm as before."""
        return None not in (self.last_c, self.then_c) and abs(self._fall_c) < UNCHANGED_C

    @property
    def _fall_c(self) -> float:
        return (self.last_c or 0.0) - (self.then_c or 0.0)

    def water_words(self, voice: Voice) -> str:
        """What the outage did to the water."""
        if self.then_c is None:
            return f"No reading since: take one by hand, hatchmon reading {self.batch.cone} VALUE."
        if self.last_c is None:
            return f"Water at {voice.temp(self.then_c)}."
        if self.unchanged:
            return f"Water at {voice.temp(self.then_c)} as before."
        went = "fell" if self._fall_c > 0 else "rose"
        return f"Water {went} from {voice.temp(self.last_c)} to {voice.temp(self.then_c)}."


def back_words(
    off_from: datetime, back: datetime, now: datetime, afflicted: Sequence[Afflicted], voice: Voice
) -> tuple[str, str]:
    """What an outage did to each running batch: (title, body)."""
    off_h = (back - off_from) / timedelta(hours=1)
    title = f"hatchmon is back after {duration(off_h)}"
    lines = [f"Off from {voice.time(off_from, now)} to {voice.time(back, now)}."]
    for each in afflicted:
        batch, before, after = each.batch, each.before, each.after
        line = f"{batch.cone}: {each.water_words(voice)} {voice.ready(batch, after, now)}"
        if before is not None and before.opens is not None and after.opens is not None:
            old, new = (voice.time(batch.time_at(f.opens.p50), now) for f in (before, after) if f.opens)
            if old != new:
                line += f" (Before: {old}.)"
        lines.append(line)
    heated = [each for each in afflicted if each.batch.set_point_c is not None]
    if off_h >= 1.0 and any(each.unchanged or each.then_c is None for each in heated):
        lines.append(
            "Water that is as before, or that nobody has measured since, is taken to have been so all along. "
            "If its heater was off too, that hatch is later: look at it by eye."
        )
    return title, "\n".join(lines)

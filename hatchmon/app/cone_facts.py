"""What is true of a running batch now, of which the keeper may have to be told."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from hatchmon.adapters.clock import Clock
from hatchmon.app.cone_state import ConeState
from hatchmon.app.intake import Intake
from hatchmon.app.machine import Machine
from hatchmon.app.record import salinity_or_limit
from hatchmon.app.settings import Settings
from hatchmon.app.teller import Teller
from hatchmon.hatchery.alerts import (
    Fact,
    dark_facts,
    doubt_facts,
    is_well,
    salt_facts,
    silent_facts,
    stage_facts,
    water_facts,
)
from hatchmon.hatchery.types import Batch, Quantity

FRESH = timedelta(hours=1)  # of a reading of salt or light


class ConeFacts:
    """Finds the facts of one cone after the other."""

    def __init__(
        self, settings: Settings, clock: Clock, teller: Teller, intake: Intake, machine: Machine
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._teller = teller
        self._intake = intake
        self._machine = machine

    def of(self, cone: ConeState, batch: Batch, now: datetime) -> list[Fact]:
        """All that is true of a batch that has been forecast."""
        forecast = cone.forecast
        assert forecast is not None
        facts = stage_facts(batch, forecast, now, self._teller.book, self._teller.rules, self._teller.voice)
        facts += doubt_facts(batch, forecast, self._teller.voice)
        since, _ = self._intake.silent_since(cone.name, now)
        # While we were off, or the broker was, nobody could be heard.
        listening = self._machine.listening_for(self._clock.monotonic())
        if listening is not None and listening >= timedelta(minutes=self._teller.rules.silent_min):
            facts += silent_facts(batch, since, now, self._teller.rules, self._teller.voice)
        return facts + self.of_water(cone, batch, now)

    def may_be(self, cone: ConeState, batch: Batch, quantity: Quantity, value: float) -> bool:
        """Whether a reading that has come may make something true of the water, or untrue. Quick: it is asked
        of each reading."""
        if cone.true_since or quantity is not Quantity.TEMPERATURE:
            return True
        return not is_well(value, self._settings.band_c(batch.lot))

    def of_water(self, cone: ConeState, batch: Batch, now: datetime) -> list[Fact]:
        """What the newest readings tell by themselves, and for how long they have."""
        book, rules = self._teller.book, self._teller.rules
        facts: list[Fact] = []
        water = cone.water.get(Quantity.TEMPERATURE)
        if water is not None:
            band_c = self._settings.band_c(batch.lot)
            facts += water_facts(batch, water[0], band_c, book, rules, self._teller.voice)
        if facts and self._intake.silent_since(cone.name, now) != (None, True):
            facts = []  # nobody knows how the water is now
        fresh = {quantity: value for quantity, (value, time) in cone.water.items() if now - time <= FRESH}
        salinity = salinity_or_limit(fresh)
        if salinity is not None:
            band_g_l = self._settings.band_g_l(batch.lot)
            facts += salt_facts(batch, *salinity, band_g_l, book, rules)
        if Quantity.LIGHT in fresh:
            least_lux = self._settings.alerts.dark_lux
            facts += dark_facts(batch, fresh[Quantity.LIGHT], now, least_lux, book, rules)
        mono = self._clock.monotonic()
        cone.true_since = {fact.kind: cone.true_since.get(fact.kind, mono) for fact in facts}
        return [replace(fact, held_s=mono - cone.true_since[fact.kind]) for fact in facts]

"""How the machine's own parts do: since when the broker or the series store gives trouble."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from hatchmon.adapters.mqtt import ASKING_AGAIN
from hatchmon.adapters.series import SeriesTrouble
from hatchmon.hatchery.alerts import Fact, Rules
from hatchmon.hatchery.machine import Trouble, broker_facts, clock_facts, series_facts, share_facts
from hatchmon.hatchery.wording import Voice

JUMP_TOLD_S = 600.0
STEADY_S = 120.0  # a connection that holds less long does not end the trouble


@dataclass(slots=True)
class Machine:
    """Since when, on the monotonic clock, so that a clock that jumps does no harm."""

    began_mono: float
    refused_topics: dict[str, str] = field(default_factory=dict)
    series: SeriesTrouble | None = None
    rival: str | None = None  # another hatchmon that looks after cones of ours
    unset: bool = False  # the clock, for long
    lost: tuple[datetime, datetime] | None = None  # readings of an earlier start that nobody can date
    _jump: timedelta | None = None
    _jump_mono: float = 0.0
    _up_mono: float | None = None
    _down_mono: float | None = None
    _reason: str = "no connection yet"
    _series_mono: float = 0.0

    def link_up(self, mono: float) -> None:
        """A connection to the broker stands."""
        self._up_mono = mono

    def link_down(self, reason: str, mono: float) -> None:
        """There is no connection (any more)."""
        self.refused_topics.clear()
        if reason == ASKING_AGAIN:
            return
        if self._down_mono is None or (self._up_mono is not None and mono - self._up_mono >= STEADY_S):
            self._down_mono = mono if self._up_mono is not None else self.began_mono
        self._up_mono, self._reason = None, reason

    def series_told(self, trouble: SeriesTrouble | None, mono: float) -> None:
        """Nothing gets through to the series store, or all does again (None)."""
        if self.series is None:
            self._series_mono = mono
        self.series = trouble

    def jumped(self, by: timedelta, mono: float) -> None:
        """The wall clock jumped, though it had been believed."""
        self._jump, self._jump_mono = by, mono

    def listening_for(self, mono: float) -> timedelta | None:
        """For how long the broker has been heard; None without a connection."""
        return None if self._up_mono is None else timedelta(seconds=mono - self._up_mono)

    def facts(self, now: datetime, mono: float, rules: Rules, voice: Voice) -> list[Fact]:
        """All that the keeper may need to hear."""

        def since(then_mono: float) -> datetime:
            return now - timedelta(seconds=mono - then_mono)

        link = None
        if self._up_mono is None:
            link = Trouble(
                since(self.began_mono if self._down_mono is None else self._down_mono), self._reason
            )
        jump = self._jump if mono - self._jump_mono < JUMP_TOLD_S else None
        series = None
        if self.series is not None:
            series = Trouble(since(self._series_mono), self.series.reason, self.series.stays)
        return [
            *broker_facts(link, self.refused_topics, now, rules, voice),
            *share_facts(self.rival),
            *series_facts(series, now, rules, voice),
            *clock_facts(self.unset, jump, self.lost, now, voice),
        ]

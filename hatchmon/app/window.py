"""When readings that wait for company in their transaction must wait no longer."""

from __future__ import annotations

SMALL = 16
"""Brokers that are not asked otherwise let this many be unacknowledged (Mosquitto: 20)."""

NEARLY = 0.75
QUIET_S = 1.0
AT_ONCE_S = 0.25
SURE_AFTER = 3


class Window:
    """How many unacknowledged messages the broker lets us hold: what was ``asked`` for, or fewer.

    A broker that allows fewer says so to nobody: it falls silent, and goes on as soon as it is answered. So
    more than SMALL do not wait through a silence; and when several times half as many and more come at once
    upon our answer, what we held was all that it allows. All times are real seconds.
    """

    def __init__(self, asked: int) -> None:
        self._asked = asked
        self.connected()

    def connected(self) -> None:
        """Another connection: nothing is known of what it allows."""
        self._enough = NEARLY * self._asked
        self._heard_s = self._answered_s = float("-inf")
        self._held = self._came = self._signs = 0

    def heard(self, mono_s: float) -> None:
        """A message has come that will have to be answered."""
        self._heard_s = mono_s
        if self._held and mono_s - self._answered_s <= AT_ONCE_S:
            self._came += 1

    def due_in_s(self, held: int, mono_s: float) -> float:
        """Seconds until ``held`` messages should be answered for the broker's sake; 0 for now."""
        if held >= self._enough:
            return 0.0
        if held >= SMALL:
            return max(0.0, self._heard_s + QUIET_S - mono_s)
        return float("inf")

    def answered(self, held: int, mono_s: float) -> None:
        """``held`` messages have just been acknowledged."""
        if self._held:
            self._signs = self._signs + 1 if self._came >= self._held / 2 else 0
            if self._signs >= SURE_AFTER:
                self._enough = min(self._enough, self._held)
        # Only after a silence is it likely that the broker could send no more.
        self._held = held if mono_s - self._heard_s >= QUIET_S else 0
        self._came, self._answered_s = 0, mono_s

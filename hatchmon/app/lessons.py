"""What each lot has taught, kept until its evidence changes: for readers that look at many lots."""

from __future__ import annotations

import threading
from collections import OrderedDict

from hatchmon.adapters.store import Store
from hatchmon.app.beliefs import evidence_from
from hatchmon.science.learning import Evidence, LotBelief, keeper_prior

MOST_KEPT = 12  # lots whose beliefs are held; 240 KB each


class Lessons:
    """Beliefs about lots by the evidence on record. Safe to use from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._bodies: dict[str, dict[int, str]] = {}
        self._levels: dict[str, tuple[float, float]] = {}
        self._known: OrderedDict[str, tuple[LotBelief, LotBelief]] = OrderedDict()

    def of(self, store: Store, lot: str, without: int | None = None) -> tuple[LotBelief, LotBelief]:
        """The belief about ``lot`` before any hatch of its own, and after them; leaving out batch
        ``without``. The first time, it learns every lot on record."""
        with self._lock:
            self._renew(store)
            if lot not in self._known:
                prior = keeper_prior([self._level(name) for name in sorted(self._bodies) if name != lot])
                self._known[lot] = prior, prior.learn_all(self._evidence(lot))
                if len(self._known) > MOST_KEPT:
                    self._known.popitem(last=False)
            self._known.move_to_end(lot)
            prior, belief = self._known[lot]
            own = self._bodies.get(lot, {}).get(-1 if without is None else without)
        return prior, belief if own is None else belief.unlearn(evidence_from(own))

    def _renew(self, store: Store) -> None:
        bodies = store.evidence_by_lot()
        changed = {lot for lot in {*bodies, *self._bodies} if bodies.get(lot) != self._bodies.get(lot)}
        for lot in changed:
            self._levels.pop(lot, None)
        if changed:
            self._known.clear()  # every lot's prior rests on all the others
            self._bodies = bodies

    def _evidence(self, lot: str) -> list[Evidence]:
        return [evidence_from(body) for body in self._bodies.get(lot, {}).values()]

    def _level(self, lot: str) -> tuple[float, float]:
        if lot not in self._levels:
            self._levels[lot] = LotBelief.prior().learn_all(self._evidence(lot)).a_mean_sd
        return self._levels[lot]

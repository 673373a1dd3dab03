"""What each lot has taught, kept until its evidence changes: for whoever asks often, or about many lots."""

from __future__ import annotations

import hashlib
import json
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from functools import partial
from typing import Generic, TypeVar

import numpy as np

from hatchmon.adapters.store import Store
from hatchmon.science.learning import Counted, Evidence, LotBelief, keeper_prior

_T = TypeVar("_T")


class _Kept(Generic[_T]):
    """What was worked out last, for every reader in the process. Nobody waits while another works it out."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._known: OrderedDict[Hashable, _T] = OrderedDict()

    def get(self, key: Hashable, work_out: Callable[[], _T]) -> _T:
        with self._lock:
            if key in self._known:
                self._known.move_to_end(key)
                return self._known[key]
        made = work_out()
        with self._lock:
            self._known[key] = made
            if len(self._known) > self._most:
                self._known.popitem(last=False)
        return made


_levels: _Kept[tuple[float, float]] = _Kept(256)
_beliefs: _Kept[LotBelief] = _Kept(12)  # 120 KB each


class Lessons:
    """Beliefs about lots by the evidence on record. Safe to use from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._bodies: dict[str, dict[int, str]] = {}
        self._marks: dict[str, bytes] = {}

    def of(self, store: Store, lot: str, without: int | None = None) -> tuple[LotBelief, LotBelief]:
        """The belief about ``lot`` before any hatch of its own, and after them; leaving out batch
        ``without``. The first time in a process, every lot on record is learned."""
        with self._lock:
            bodies, marks = self._renewed(store)
        # That of the lot itself, too: the next to be asked for needs it.
        levels = {name: _levels.get(marks[name], partial(_level, bodies[name])) for name in sorted(bodies)}
        prior = keeper_prior([level for name, level in levels.items() if name != lot])
        own = bodies.get(lot, {})
        # A grid is told by its ends.
        mark = (float(prior.a[0]), float(prior.a[-1]), marks.get(lot))
        belief = _beliefs.get(mark, lambda: prior.learn_all(_read(own)))
        left_out = None if without is None else own.get(without)
        return prior, belief if left_out is None else belief.unlearn(evidence_from(left_out))

    def _renewed(self, store: Store) -> tuple[dict[str, dict[int, str]], dict[str, bytes]]:
        """The evidence now on record by lot and batch, and what tells that of a lot from any other."""
        bodies = store.evidence_by_lot()
        self._marks = {
            lot: self._marks[lot] if found == self._bodies.get(lot) else _mark(found)
            for lot, found in bodies.items()
        }
        self._bodies = bodies
        return bodies, self._marks


def _mark(bodies: dict[int, str]) -> bytes:
    return hashlib.sha256("\n".join(bodies.values()).encode()).digest()


def level_of(batches: Sequence[Evidence]) -> tuple[float, float]:
    """Mean and sd of a from a lot's own batches alone."""
    return LotBelief.prior().learn_all(batches).a_mean_sd


def _level(bodies: dict[int, str]) -> tuple[float, float]:
    return level_of(_read(bodies))


def _read(bodies: dict[int, str]) -> list[Evidence]:
    return [evidence_from(body) for body in bodies.values()]


def evidence_from(body: str) -> Evidence:
    """Evidence as it was stored."""
    data = json.loads(body)
    low = [-np.inf if pair[0] is None else pair[0] for pair in data["z"]]
    high = [np.inf if pair[1] is None else pair[1] for pair in data["z"]]
    return Evidence(
        np.array(data["ln_q"]),
        np.array(low),
        np.array(high),
        np.array(data["chance"]),
        data["extra_sd"],
        data["light_known"],
        tuple(Counted(np.array(c["ln_q"]), np.array(c["likely"])) for c in data["counted"]),
    )

"""What the record teaches about each lot of cysts."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

import numpy as np

from hatchmon.adapters.store import Store
from hatchmon.app.record import watch_batch
from hatchmon.hatchery.types import Batch
from hatchmon.science.learning import Evidence, LotBelief, keeper_prior


def work_out_evidence(store: Store, batch: Batch) -> None:
    """Store what a harvested batch teaches about its lot; to be called after every change to it."""
    assert batch.ended is not None
    found = None
    if batch.outcome == "harvested":
        found = watch_batch(store, batch, batch.ended).evidence(batch.ended)
    body = None
    if found is not None and not found.empty:
        body = {
            "ln_q": np.round(found.ln_q, 5).tolist(),
            "z": [[None if not np.isfinite(z) else z for z in pair] for pair in found.bounds.tolist()],
            "chance": found.chance.tolist(),
            "extra_sd": round(found.extra_sd, 5),
        }
    store.keep_evidence(batch.batch_id, json.dumps(body))


class Beliefs:
    """What is believed of each lot, worked out when asked for and kept until the record changes."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._known: dict[str, LotBelief] = {}
        self._evidence: dict[str, list[Evidence]] | None = None

    def forget(self) -> None:
        """The record has changed."""
        self._known.clear()
        self._evidence = None

    def of(self, lot: str) -> LotBelief:
        """The belief about ``lot``: its own hatches on top of what the keeper's other lots suggest."""
        if lot not in self._known:
            if self._evidence is None:
                self._evidence = _all_evidence(self._store)
            self._known[lot] = belief_from(self._evidence, lot)
        return self._known[lot]


def _all_evidence(store: Store) -> dict[str, list[Evidence]]:
    """By lot, the evidence of its finished batches that have any."""
    evidence: dict[str, list[Evidence]] = {}
    for batch in store.batches("outcome = 'harvested'"):
        body = json.loads(store.evidence(batch.batch_id) or "null")
        if body is not None:
            low = [-np.inf if pair[0] is None else pair[0] for pair in body["z"]]
            high = [np.inf if pair[1] is None else pair[1] for pair in body["z"]]
            evidence.setdefault(batch.lot, []).append(
                Evidence(
                    np.array(body["ln_q"]),
                    np.array(low),
                    np.array(high),
                    np.array(body["chance"]),
                    body["extra_sd"],
                )
            )
    return evidence


def belief_from(evidence: Mapping[str, Sequence[Evidence]], lot: str) -> LotBelief:
    """The belief about ``lot`` from the evidence of finished batches by lot."""
    others = [
        LotBelief.prior().learn_all(batches).a_mean_sd for name, batches in evidence.items() if name != lot
    ]
    return keeper_prior(others).learn_all(evidence.get(lot, ()))

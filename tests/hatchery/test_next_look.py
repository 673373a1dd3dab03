"""The look that would help most, against looks really taken."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from hatchmon.hatchery import watch as watch_module
from hatchmon.hatchery.looks import WORDS
from hatchmon.hatchery.next_look import WORTH_IT
from hatchmon.hatchery.types import Band, Batch, Look
from hatchmon.hatchery.watch import BatchWatch
from hatchmon.science.learning import LotBelief

START = datetime(2026, 2, 1, 20, 0, tzinfo=UTC)
PRIOR = LotBelief.prior()


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def watched(hours: float, temp_c: float = 26.0) -> BatchWatch:
    watch = BatchWatch(Batch(1, "bench", "river-23", START, 2.0, set_point_c=temp_c))
    for minute in range(0, int(hours * 60) + 1, 5):
        watch.add(START + timedelta(minutes=minute), temp_c)
    return watch


def width(band: Band | None) -> float:
    assert band is not None
    return float(np.log(band.p90 / band.p10))


def test_of_an_unknown_lot_a_look_at_the_half_done_hatch_is_asked_for() -> None:
    """An unknown lot at 26 C is half hatched at 18.5 h: the look asked for lies around that."""
    found = watched(6.0).foresee(at(6.0), PRIOR).next_look()
    assert found is not None
    assert 15.0 <= found.hours <= 21.0
    assert 0.25 <= found.narrower <= 0.7


def test_what_is_promised_is_what_a_look_brings_on_average() -> None:
    """Take each look in turn, weighed by how likely it was, and compare the widths that result."""
    watch = watched(18.0)
    before = watch.forecast(at(18.0), PRIOR)
    found = watch.foresee(at(18.0), PRIOR).next_look()
    assert found is not None
    assert found.hours == pytest.approx(18.0)
    widths = []
    for word in WORDS:
        watch.looks = [Look(1, at(18.0), word)]
        widths.append(width(watch.forecast(at(18.0), PRIOR).t90))
    # Unweighted, the mean over the six words bounds the promise from both sides within a third.
    brought = 1.0 - float(np.mean(widths)) / width(before.t90)
    assert found.narrower == pytest.approx(brought, abs=0.2)
    assert min(widths) < width(before.t90)


def test_once_looked_at_the_next_look_is_later_or_none() -> None:
    watch = watched(18.0)
    watch.looks = [Look(1, at(17.9), "some")]
    found = watch.foresee(at(18.0), PRIOR).next_look()
    assert found is None or found.hours > 18.5


def test_a_batch_that_has_turned_out_late_is_looked_at_sooner_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing to be seen when half should have hatched: the next look comes sooner than where that is not
    minded, early enough to be of use; where the look was as expected nothing changes."""
    watch = watched(20.0)
    hours = {}
    for seen in ("none", "most"):
        watch.looks = [Look(1, at(19.5), seen)]
        for late_by in (watch_module.LATE_BY, 9.9):
            monkeypatch.setattr(watch_module, "LATE_BY", late_by)
            found = watch.foresee(at(20.0), PRIOR).next_look()
            assert found is not None
            assert found.narrower >= WORTH_IT
            hours[seen, late_by < 1.0] = found.hours
        monkeypatch.undo()
    assert 21.0 <= hours["none", True] <= hours["none", False] - 2.0
    assert hours["most", True] == hours["most", False]


def test_a_lot_well_known_and_nearly_done_needs_no_look() -> None:
    watch = watched(20.0)
    seen = {18.0: "some", 19.0: "most", 19.5: "most", 20.0: "nearly all"}
    watch.looks = [Look(1, at(hours), word) for hours, word in seen.items()]
    belief = PRIOR
    for _ in range(8):
        evidence = watch.evidence(at(20.0))
        assert evidence is not None
        belief = belief.learn(evidence)
    found = watch.foresee(at(20.0), belief).next_look()
    assert found is None or found.narrower < 0.3


def test_nothing_known_of_the_water_nothing_asked() -> None:
    assert BatchWatch(Batch(1, "bench", "river-23", START, 2.0)).foresee(at(5.0), PRIOR).next_look() is None

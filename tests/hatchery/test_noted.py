"""Batches of a notebook: what may be noted, and how much a rough temperature teaches."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import special

from hatchmon.hatchery.looks import NOT_COMPLETE, look_bounds, read_look
from hatchmon.hatchery.noted import AlreadyKnown, Noted, check_noted, noted_evidence, t90_at, unheard_of
from hatchmon.hatchery.types import Batch, Look, Refused
from hatchmon.hatchery.watch import BatchWatch
from hatchmon.hatchery.wording import Voice
from hatchmon.science.hatching import ENERGY_NODES_EV
from hatchmon.science.learning import LotBelief
from hatchmon.science.rates import schoolfield_1981

NOW = datetime(2026, 3, 10, 19, 0, tzinfo=UTC)
START = datetime(2025, 11, 3, 20, 30, tzinfo=UTC)
VOICE = Voice(UTC)


def noted(
    *seen: tuple[float, str], temp_c: float = 26.0, doubt_c: float = 1.0, salinity: float | None = None
) -> Noted:
    seen = seen or ((14.0, "some"), (18.0, "most"), (24.0, "complete"))
    looks = tuple(Look(0, START + timedelta(hours=hours), word) for hours, word in seen)
    batch = Batch(
        0, "notebook", "tin", START, 2.0, 1.0, salinity=salinity, ended=looks[-1].time, outcome="harvested"
    )
    return Noted(batch, looks, temp_c, doubt_c)


def refused(case: Noted, *others: Batch, probed: bool = False) -> str:
    with pytest.raises(Refused) as why:
        check_noted(case, others, probed, NOW, VOICE)
    return str(why.value)


# ---- what may be noted ----


def test_an_old_batch_is_let_be() -> None:
    check_noted(noted(), [], False, NOW, VOICE)
    check_noted(noted(), [], True, NOW, VOICE)


def test_the_same_batch_twice() -> None:
    known = replace(noted().batch, batch_id=7)
    with pytest.raises(AlreadyKnown, match="Lot tin begun 2025-11-03 20:30 in notebook is known already"):
        check_noted(noted(), [known], False, NOW, VOICE)
    check_noted(noted(), [replace(known, lot="other")], False, NOW, VOICE)
    check_noted(noted(), [replace(known, started=START - timedelta(hours=1))], False, NOW, VOICE)


def test_a_cone_with_probes_holds_one_batch_at_a_time() -> None:
    earlier = Batch(
        7, "north", "old", START - timedelta(hours=20), 2.0,
        ended=START + timedelta(hours=3), outcome="harvested",
    )  # fmt: skip
    check_noted(noted(), [earlier], False, NOW, VOICE)
    assert refused(noted(), earlier, probed=True) == (
        "notebook held lot old from 2025-11-03 00:30 until 2025-11-03 23:30; "
        "it cannot have held lot tin as well."
    )
    check_noted(noted(), [replace(earlier, ended=START)], True, NOW, VOICE)
    running = replace(earlier, ended=None, outcome=None)
    assert "until now; it cannot" in refused(noted(), running, probed=True)
    check_noted(noted(), [replace(running, started=START + timedelta(hours=24))], True, NOW, VOICE)


@pytest.mark.parametrize(
    ("case", "said"),
    [
        (noted(temp_c=11.9), "Water of 11.9 °C (53.4 °F) teaches nothing"),
        (noted(temp_c=34.1), "Water of 34.1 °C (93.4 °F) teaches nothing"),
        (noted(temp_c=math.nan), "Water of nan"),
        (noted(doubt_c=6.1), "in doubt by 6.1 C teaches nothing"),
        (noted(doubt_c=-1.0), "in doubt by -1 C"),
        (noted(doubt_c=math.nan), "in doubt by nan C"),
        (noted((0.0, "none")), "A look 0 h after the start cannot be"),
        (noted((-2.0, "none")), "A look -2 h after the start cannot be"),
        (noted((241.0, "complete")), "A look 241 h after the start cannot be"),
        (
            noted((14.0, "complete"), (18.0, "some")),
            "It cannot have been 'complete' after 14 h and 'some' after 18 h: one of the two is a slip of "
            "the pen.",
        ),
        (noted((20.0, "complete"), (22.0, NOT_COMPLETE)), "It cannot have been 'complete' after 20 h"),
        (replace(noted(), looks=()), "Nothing says when it hatched"),
        (replace(noted(), batch=replace(noted().batch, grams=0.0)), "The weight of cysts must lie between"),
        (replace(noted(), batch=replace(noted().batch, lot=" ")), "The lot needs a name"),
        (
            replace(noted(), batch=replace(noted().batch, ended=NOW + timedelta(hours=1))),
            "What was seen cannot lie in the future: 20:00 has not come yet.",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be(case: Noted, said: str) -> None:
    assert said in refused(case)


def test_overlapping_words_may_follow_each_other() -> None:
    check_noted(noted((14.0, "60 %"), (15.0, "50 %"), (24.0, "nearly all")), [], False, NOW, VOICE)


def test_not_complete() -> None:
    """Everything below where "complete" begins."""
    assert read_look("Not-complete") == NOT_COMPLETE
    low, high, chance = look_bounds(NOT_COMPLETE)
    assert (low, high) == (-math.inf, look_bounds("complete")[0])
    assert chance == pytest.approx(5 / 6)


# ---- what it teaches ----


def test_the_clock_runs_at_the_noted_temperature() -> None:
    case = noted(temp_c=24.0, salinity=35.0)
    evidence = noted_evidence(case.batch, case.looks, case.temp_c, case.doubt_c)
    rate = schoolfield_1981(24.0, ENERGY_NODES_EV)
    # .010 per g/L above 30
    assert evidence.ln_q == pytest.approx(np.log(np.outer([14.0, 18.0, 24.0], rate)) - 0.05)
    assert evidence.z_low.tolist() == [-0.84, 0.0, 1.645]
    # the thermometer, the course, the salt rule; the curve itself is sure at 24 C
    assert evidence.extra_sd == pytest.approx(math.hypot(0.095 * 1.0, 0.04, 5 * 0.006))


@pytest.mark.parametrize(
    ("temp_c", "doubt_c", "extra_sd"),
    [
        (26.0, 0.0, math.hypot(0.095 * 0.2, 0.04)),  # no thermometer is surer than .2 C
        (26.0, 2.0, math.hypot(0.095 * 2.0, 0.04)),
        (18.0, 1.0, math.hypot(0.095, 0.04, 0.05)),  # .05: doubt about the curve at 18 C
    ],
)
def test_doubt(temp_c: float, doubt_c: float, extra_sd: float) -> None:
    case = noted()
    assert noted_evidence(case.batch, case.looks, temp_c, doubt_c).extra_sd == pytest.approx(extra_sd)


def test_a_noted_batch_teaches_the_same_as_a_watched_one_with_more_doubt() -> None:
    case = noted()
    watch = BatchWatch(case.batch)
    watch.looks = list(case.looks)
    for minute in range(0, 24 * 60 + 1, 5):
        watch.add(START + timedelta(minutes=minute), 26.0)
    watched = watch.evidence(START + timedelta(hours=24))
    assert watched is not None
    rough = noted_evidence(case.batch, case.looks, 26.0, 1.0)
    assert rough.ln_q == pytest.approx(watched.ln_q, abs=1e-3)
    assert rough.bounds.tolist() == watched.bounds.tolist()
    assert rough.extra_sd > watched.extra_sd + 0.09
    prior = LotBelief.prior()
    sd = [prior.learn_all([each] * 5).a_mean_sd[1] for each in (watched, rough)]
    assert sd[0] < sd[1] < prior.a_mean_sd[1]


def test_the_rougher_the_temperature_the_less_is_learned() -> None:
    case = noted()
    prior = LotBelief.prior()
    widths = []
    for doubt_c in (0.2, 1.0, 2.0, 4.0):
        evidence = noted_evidence(case.batch, case.looks, 26.0, doubt_c)
        band = t90_at(prior.learn_all([evidence] * 3), 26.0)
        widths.append(math.log(band.p90 / band.p10))
    assert widths == sorted(widths)
    unknown = t90_at(prior, 26.0)
    assert widths[-1] < math.log(unknown.p90 / unknown.p10)


def test_t90_of_an_unknown_lot() -> None:
    """Regression: 23.0 h in the median, as forecast for steady water of 26 C."""
    assert t90_at(LotBelief.prior(), 26.0).p50 == pytest.approx(23.0, abs=0.3)


def test_t90_of_a_known_lot() -> None:
    """A belief that is all but certain: the equation itself, h."""
    sure = LotBelief.prior(math.log(24.0), 0.004)
    weights = np.zeros_like(sure.weights)
    weights[24, 3, 5, 0] = 1.0  # the middle of a, E and sigma (.15); the smallest difference between batches
    exact = 24.0 * math.exp(0.15 * special.ndtri(0.9)) / float(schoolfield_1981(26.0))
    assert t90_at(replace(sure, weights=weights), 26.0).p50 == pytest.approx(exact, rel=0.01)


# ---- looks that cannot be ----


@pytest.mark.parametrize(
    ("case", "hours"),
    [
        (noted((2.0, "most"), (24.0, "complete")), [2.0]),
        (noted((0.2, "few"), (1.5, "complete")), [0.2, 1.5]),
        (noted((14.0, "some"), (18.0, "most"), (150.0, "few")), [150.0]),
        (noted((12.0, "few"), (30.0, "complete"), temp_c=30.0), []),
        (noted((60.0, "some"), (90.0, "complete"), temp_c=15.0), []),
        (noted((40.0, "none"), (60.0, "some"), temp_c=25.0), []),  # a very slow lot
    ],
)
def test_looks_that_no_lot_shows(case: Noted, hours: list[float]) -> None:
    found = unheard_of(case)
    assert [case.batch.hours_at(look.time) for look in found] == hours
    learned = noted_evidence(case.batch, case.looks, case.temp_c, case.doubt_c)
    assert learned.z_low.size == len(case.looks) - len(hours)
    rest = [look for look in case.looks if look not in found]
    expected = noted_evidence(case.batch, rest, case.temp_c, case.doubt_c)
    np.testing.assert_array_equal(learned.ln_q, expected.ln_q)


def test_a_batch_of_nothing_but_impossible_looks_teaches_nothing() -> None:
    case = noted((1.0, "few"), (2.0, "complete"))
    assert noted_evidence(case.batch, case.looks, 26.0, 1.0).empty

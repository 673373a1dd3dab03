"""Past batches from a keeper's notebook: what may be noted, and what it teaches with water known roughly."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np

from hatchmon.hatchery.batches import check_facts, check_past
from hatchmon.hatchery.looks import look_bounds
from hatchmon.hatchery.types import Band, Batch, Look, Refused
from hatchmon.hatchery.units import both_scales
from hatchmon.hatchery.watch import LN_RATE_PER_C
from hatchmon.hatchery.wording import Voice
from hatchmon.science import parameters as par
from hatchmon.science.hatching import ENERGY_NODES_EV, Draws, salt_shift
from hatchmon.science.learning import GLANCE_SD, Evidence, LotBelief
from hatchmon.science.normal import Floats, normal_cdf
from hatchmon.science.rates import schoolfield_1981, shape_sd

DEFAULT_DOUBT_C = 1.0  # of a single number; assumed
LEAST_DOUBT_C = 0.2  # of any thermometer read by hand; assumed
MOST_DOUBT_C = 6.0
# sd of ln Q from a course nobody wrote down (water filled in cold, day and night) and from rounded
# times: about an hour of a day; assumed.
COURSE_SD = 0.04
LONGEST_H = 240.0
# Of a look over all lots: one less likely is taken for a slip of the pen; assumed.
UNHEARD_OF = 1e-4
Z90 = 1.2816


class AlreadyKnown(Refused):
    """The batch is in the record already."""


@dataclass(frozen=True, slots=True)
class Noted:
    """A finished batch with its looks, oldest first, and its water: ``temp_c`` give or take ``doubt_c``."""

    batch: Batch
    looks: tuple[Look, ...]
    temp_c: float
    doubt_c: float


def check_noted(noted: Noted, others: Sequence[Batch], probed: bool, now: datetime, voice: Voice) -> None:
    """Refuse a noted batch that cannot be, or that is known.

    ``others``: every batch of its cone; ``probed``: whether the cone is a real one, which holds one batch at
    a time (under a name of the notebook's own, several may stand side by side).
    """
    batch = noted.batch
    check_facts(batch)
    low, high = par.PREDICT_FROM.value, par.PREDICT_TO.value
    if not low <= noted.temp_c <= high:
        raise Refused(
            f"Water of {both_scales(noted.temp_c)} teaches nothing: a hatch can be timed only between "
            f"{both_scales(low)} and {both_scales(high)}."
        )
    if not 0.0 <= noted.doubt_c <= MOST_DOUBT_C:
        raise Refused(
            f"A temperature in doubt by {noted.doubt_c:g} C teaches nothing; at most {MOST_DOUBT_C:g} C."
        )
    _check_looks(noted)
    assert batch.ended is not None
    check_past(batch.ended, now, voice, "What was seen")
    for other in others:
        if other.lot == batch.lot and abs(other.started - batch.started) < timedelta(minutes=1):
            raise AlreadyKnown(
                f"Lot {batch.lot} begun {voice.time(batch.started, now)} in {batch.cone} is known already."
            )
    for other in others if probed else ():
        if other.started < batch.ended and (other.ended is None or batch.started < other.ended):
            until = "now" if other.ended is None else voice.time(other.ended, now)
            raise Refused(
                f"{batch.cone} held lot {other.lot} from {voice.time(other.started, now)} until {until}; it "
                f"cannot have held lot {batch.lot} as well."
            )


def _check_looks(noted: Noted) -> None:
    if not noted.looks:
        raise Refused("Nothing says when it hatched: give looks or done_by.")
    seen = [(noted.batch.hours_at(look.time), *look_bounds(look.seen)[:2], look.seen) for look in noted.looks]
    for hours, *_ in seen:
        if not 0.0 < hours <= LONGEST_H:
            raise Refused(f"A look {hours:g} h after the start cannot be; looks lie within {LONGEST_H:g} h.")
    for index, (hours, low, _, word) in enumerate(seen):
        for later_h, _, high, later in seen[index + 1 :]:
            if high <= low:
                raise Refused(
                    f"It cannot have been '{word}' after {hours:g} h and '{later}' after {later_h:g} h: one "
                    "of the two is a slip of the pen."
                )


def noted_evidence(batch: Batch, looks: Sequence[Look], temp_c: float, doubt_c: float) -> Evidence:
    """What a noted batch teaches: its clock at constant ``temp_c``, with the doubt of the temperature
    (``doubt_c``, as an sd), of its course, of the rate curve and of the salt rule. Looks that no lot shows
    are left out."""
    evidence = _all_evidence(batch, looks, temp_c, doubt_c)
    kept = _chances(evidence) >= UNHEARD_OF
    return replace(
        evidence,
        ln_q=evidence.ln_q[kept],
        z_low=evidence.z_low[kept],
        z_high=evidence.z_high[kept],
        chance=evidence.chance[kept],
    )


def unheard_of(noted: Noted) -> list[Look]:
    """The looks that no lot of cysts shows at their hour: too early or too late by far."""
    chances = _chances(_all_evidence(noted.batch, noted.looks, noted.temp_c, noted.doubt_c))
    return [look for look, chance in zip(noted.looks, chances, strict=True) if chance < UNHEARD_OF]


def _all_evidence(batch: Batch, looks: Sequence[Look], temp_c: float, doubt_c: float) -> Evidence:
    hours = np.array([batch.hours_at(look.time) for look in looks])
    bounds = np.array([look_bounds(look.seen) for look in looks]).reshape(-1, 3)
    shift, salt_sd = salt_shift(batch.salinity)
    ln_q = np.log(hours)[:, None] + np.log(schoolfield_1981(temp_c, ENERGY_NODES_EV)) - shift
    thermometer = LN_RATE_PER_C * max(doubt_c, LEAST_DOUBT_C)
    extra_sd = math.hypot(thermometer, COURSE_SD, float(shape_sd(temp_c)), salt_sd)
    return Evidence(ln_q, bounds[:, 0], bounds[:, 1], bounds[:, 2], extra_sd)


def _chances(evidence: Evidence) -> Floats:
    """(k,) how likely each look is for a batch of a lot of which nothing is known."""
    lots = _any_lot(round(evidence.extra_sd, 2))
    z = (evidence.ln_q[:, lots.node] - lots.mu(None)) / lots.sigma  # (k, n)
    below_high = normal_cdf((evidence.z_high[:, None] - z) / GLANCE_SD)
    below_low = normal_cdf((evidence.z_low[:, None] - z) / GLANCE_SD)
    return np.asarray((below_high - below_low).mean(axis=1), dtype=np.float64)


@lru_cache(maxsize=32)
def _any_lot(extra_sd: float) -> Draws:
    return LotBelief.prior().draws(extra_sd=extra_sd)


def t90_at(belief: LotBelief, temp_c: float) -> Band:
    """Hours until 90 % of the next batch will have hatched in water of steady ``temp_c``, 30 g/L."""
    draws = belief.draws()
    rate = schoolfield_1981(temp_c, ENERGY_NODES_EV)[draws.node]
    hours = np.exp(draws.mu(None) + Z90 * draws.sigma) / rate
    return Band(*(float(level) for level in np.quantile(hours, (0.1, 0.5, 0.9))))

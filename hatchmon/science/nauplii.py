"""What becomes of the nauplii after they hatch, and so when to harvest them.

A nauplius moults to instar II after ``moult_h`` of clock progress and burns its yolk meanwhile.
Both are summed over the whole brood, which hatches spread out in time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hatchmon.science import parameters as par
from hatchmon.science.hatching import OFFSETS, Draws, Paths, moult_and_loss, reach_h
from hatchmon.science.normal import Floats, normal_cdf, normal_quantile, quantiles
from hatchmon.science.rates import energy_loss_rate

# The brood in parts: even steps of the probit, where sums of smooth functions come out exact to four digits.
_PART_STEP = 0.3
_MIDDLE_PART = 9
_PARTS_Z: Floats = np.arange(-_MIDDLE_PART, _MIDDLE_PART + 1) * np.float64(_PART_STEP)
_PART_SHARES: Floats = np.exp(-0.5 * _PARTS_Z**2) / np.exp(-0.5 * _PARTS_Z**2).sum()
_HATCHED: Floats = normal_cdf(_PARTS_Z)  # share hatched when a part hatches
_HALF_PARTS: Floats = np.diff(_HATCHED) / 2.0
_HALF: Floats = np.array([0.5])
_FEW = 155  # draws, each along one offset: enough for the best moment and the close
_MOMENTS: Floats = np.linspace(0.0, 1.0, 16)

# Share in instar II by age over moult age, as a table: called a hundred thousand times a forecast.
_AGE_STEPS = 256  # to a moult age
_INSTAR2: Floats = np.concatenate(
    ([0.0], normal_cdf(np.log(np.arange(1, 2 * _AGE_STEPS + 1) / _AGE_STEPS) / par.MOULT_SPREAD.value))
).astype(np.float64)


@dataclass(frozen=True, slots=True)
class Thresholds:
    """What opens and closes a harvest window.

    ``opens_share``: share hatched; ``closes_instar2``: share moulted; ``closes_energy``: mean energy
    left, share of fresh (0: only the moult closes it). The window closes at whichever comes first.
    """

    opens_share: float = par.OPENS_SHARE.value
    closes_instar2: float = par.CLOSES_INSTAR2.value
    closes_energy: float = par.CLOSES_ENERGY.value


@dataclass(frozen=True, slots=True)
class Window:
    """Opening, best and closing moments, hours from the start: ``opens_h`` (draws, 5 offsets), the rest
    (5 offsets, m) for a smaller set that stands for all, each draw of it along one offset."""

    opens_h: Floats
    few_open_h: Floats
    best_h: Floats
    closes_h: Floats


def opening_probit(draws: Draws, thresholds: Thresholds | None = None) -> float:
    """Probit of the hatched share that opens the window: that wanted, but at most 80 % for lots with a median
    sigma above .25."""
    share = (thresholds or Thresholds()).opens_share
    if quantiles(draws.sigma, _HALF)[0] > par.SPREAD_OUT_SIGMA.value:
        share = min(share, par.OPENS_SHARE_SPREAD_OUT.value)
    return float(normal_quantile(share))


def window(
    draws: Draws,
    mu: Floats,
    paths: Paths,
    thresholds: Thresholds | None = None,
    opens_h: Floats | None = None,
) -> Window:
    """The harvest window of each draw: ``mu`` (n,) is the ln Q of half hatch.

    Opens at the hatched share wanted, ``opens_h`` (n, 5) where known already; best where hatched x energy x
    (1 - .2 for instar II) is greatest. A lot too spread out may close before it opens.
    """
    thresholds = thresholds or Thresholds()
    if opens_h is None:
        share_z = opening_probit(draws, thresholds)
        opens_h = reach_h(draws, (mu + share_z * draws.sigma)[:, None], paths)[..., 0]

    # A few draws, the same ones each time, stand for all: the rest of the work is heavy.
    count = min(_FEW, opens_h.size)
    offsets = np.arange(OFFSETS.size)[:, None]
    turns = np.arange(0, count, OFFSETS.size) + offsets  # (5, m): the offsets take turns over the draws
    picked = ((turns + 0.5) * mu.size / count).astype(np.int64)
    few = Draws(**{name: getattr(draws, name)[picked] for name in Draws.__slots__})
    at_hatch = moult_and_loss(few, mu[picked][..., None] + _PARTS_Z * few.sigma[..., None], paths)
    best_h, closes_h = _best_and_close(few, *at_hatch, paths, thresholds)
    return Window(opens_h, opens_h[picked, offsets], best_h, closes_h)


def usable_until_h(half_hatched_h: float, paths: Paths) -> float:
    """Hours from the start until which the nauplii serve as food, by the rule of thumb parameters.SERVES.

    They count from when half have hatched. Warmer water than 25 C shortens them by the energy it costs; for
    colder water the rule promises nothing more.
    """
    return float(_usable_until_h(np.array(half_hatched_h), paths))


def _usable_until_h(half_hatched_h: Floats, paths: Paths) -> Floats:
    loss = paths.loss[OFFSETS.size // 2]
    burnt = np.interp(half_hatched_h, paths.hours, loss) + par.SERVES.value * par.ENERGY_LOSS.value
    until = np.minimum(half_hatched_h + par.SERVES.value, np.interp(burnt, loss, paths.hours))
    return np.asarray(until, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Life:
    """A batch to come, hours from its start, each (n,): when the harvest window opens and closes, and until
    when the nauplii are still usable as food."""

    opens_h: Floats
    closes_h: Floats
    usable_h: Floats


def life(draws: Draws, paths: Paths, salinity: float | None, thresholds: Thresholds | None = None) -> Life:
    """The course of each draw, all unknowns together; ``draws``: (n,), n a multiple of 5 and at most 155.

    What the temperature does varies from draw to draw: the five offsets take turns.
    """
    mu = draws.mu(salinity)
    if mu.size % OFFSETS.size or mu.size > _FEW:
        raise ValueError(f"the number of draws must be a multiple of {OFFSETS.size} and at most {_FEW}")
    found = window(draws, mu, paths, thresholds)
    turns = np.arange(mu.size) % OFFSETS.size
    places = np.arange(mu.size) // OFFSETS.size
    opens, closes = (each[turns, places] for each in (found.few_open_h, found.closes_h))
    half = reach_h(draws, mu[:, None], paths)[np.arange(mu.size), turns, 0]
    # A batch too spread out closes before it opens: then both are told at the opening.
    closes = np.maximum(closes, opens)
    return Life(opens, closes, np.maximum(_usable_until_h(half, paths), closes))


def cold_store_energy(temp_c: float, hours: float) -> float:
    """Energy left after ``hours`` in a cold store at ``temp_c`` (deg C), share of that at harvest.

    At 4 C and below at the rate parameters.COLDEST_LOSS, an upper bound; at 10 C by the Q10 form, carried
    beyond the temperatures it comes from; in between the logarithm of the rate on a straight line, assumed.
    """
    ends_c = (par.COLDEST_HOURS.high, par.COLD_BELOW.value)
    rates = np.log([par.COLDEST_LOSS.value, float(energy_loss_rate(par.COLD_BELOW.value))])
    return float(np.exp(-np.exp(np.interp(temp_c, ends_c, rates)) * hours))


def cold_store_limit_h(temp_c: float) -> float:
    """Hours that nauplii are advised to stay in a cold store at ``temp_c`` (deg C)."""
    coldest = par.COLDEST_HOURS
    return coldest.value if coldest.low <= temp_c <= coldest.high else par.COLD_HOURS.value


def _best_and_close(
    draws: Draws, moult: Floats, burnt: Floats, paths: Paths, thresholds: Thresholds
) -> tuple[Floats, Floats]:
    """(5, m) hours of greatest value and of closing of draws (5, m), from the ``moult`` clock and the
    exponent of energy ``burnt`` when each part hatches, (5, m, parts)."""
    moult_age = draws.moult_h[..., None]
    loss = draws.loss[..., None]
    at_hatch = moult / moult_age  # clock in moult ages
    fresh = np.exp(burnt * loss)  # energy at hatch over what is left of it

    # Moments to weigh: from half hatched to when even the last part of the brood is 1.3 moult ages old.
    first, last = at_hatch[..., _MIDDLE_PART, None], at_hatch[..., -1:] + 1.3
    clock = first + (last - first) * _MOMENTS  # (5, m, moments)
    moments_h, burnt = _back(paths, clock * moult_age)
    left = np.exp(-burnt * loss)

    # With the parts first, sums over them take a fraction of the time: (parts, 5, m, moments).
    age = _age_steps(clock) - np.ascontiguousarray(np.moveaxis(_age_steps(at_hatch), -1, 0))[..., None]
    moulted = _INSTAR2.take(age, mode="clip")
    parts = np.add.reduce((age > 0).view(np.int8), axis=0, dtype=np.int8).astype(np.intp)
    hatched, energy = _hatched(parts, clock, at_hatch, fresh)
    moulted_energy = np.einsum("pdmt,dmp->dmt", moulted, _PART_SHARES * fresh)
    value = left * (energy - par.INSTAR2_DISCOUNT.value * moulted_energy)
    best = _back(paths, _top(clock, value)[..., None] * moult_age)[0][..., 0]

    # Shares of the hatched as logits: nearly straight between two moments.
    instar2 = (_PART_SHARES @ moulted.reshape(_PARTS_Z.size, -1)).reshape(hatched.shape) / hatched
    over_moult = _logit(instar2) - _logit(np.array(thresholds.closes_instar2))
    over_energy = thresholds.closes_energy - left * energy / hatched
    return best, _first_crossing(moments_h, np.stack((over_moult, over_energy))).min(axis=0)


def _age_steps(clock: Floats) -> NDArray[np.intp]:
    return np.rint(clock * _AGE_STEPS).astype(np.intp)


def _logit(share: Floats) -> Floats:
    share = np.minimum(np.maximum(share, 1e-6), 1.0 - 1e-6)
    return np.asarray(np.log(share / (1.0 - share)), dtype=np.float64)


def _hatched(
    parts: NDArray[np.intp], clock: Floats, at_hatch: Floats, fresh: Floats
) -> tuple[Floats, Floats]:
    """Share hatched at ``clock`` (5, m, moments), when so many ``parts`` have hatched, and the sum of
    ``fresh`` (5, m, parts) over it."""
    before = np.minimum(np.maximum(parts - 1, 0), _PARTS_Z.size - 2)
    place = _places(at_hatch, before)
    from_clock = at_hatch.take(place)
    span = np.maximum(at_hatch.take(place + 1) - from_clock, 1e-9)
    way = np.minimum(np.maximum((clock - from_clock) / span, 0.0), 1.0)
    hatched = normal_cdf(_PARTS_Z[0] + _PART_STEP * (before + way))
    so_far = np.empty_like(fresh)
    so_far[..., 0] = fresh[..., 0] * _HATCHED[0]
    so_far[..., 1:] = (fresh[..., 1:] + fresh[..., :-1]) * _HALF_PARTS
    so_far = np.cumsum(so_far, axis=-1)
    rest = hatched - _HATCHED[before]
    energy = so_far.take(place) + fresh.take(place) * rest
    return hatched, energy


def _top(clock: Floats, value: Floats) -> Floats:
    """``clock`` at which a parabola through the greatest ``value`` and its neighbours is highest."""
    middle = np.minimum(np.maximum(value.argmax(axis=-1), 1), value.shape[-1] - 2)
    place = _places(value, middle[..., None])[..., 0]
    before, at, after = value.take(place - 1), value.take(place), value.take(place + 1)
    bend = np.minimum(before - 2.0 * at + after, -1e-12)
    shift = np.minimum(np.maximum(0.5 * (before - after) / bend, -1.0), 1.0)
    return clock.take(place) + shift * (clock[..., 1] - clock[..., 0])


def _places(rows: Floats, at: NDArray[np.intp]) -> NDArray[np.intp]:
    """Where ``take`` finds ``rows`` (..., k) at ``at`` (..., j): quicker than np.take_along_axis."""
    return np.arange(0, rows.size, rows.shape[-1]).reshape(*rows.shape[:-1], 1) + at


def _back(paths: Paths, clock: Floats) -> tuple[Floats, Floats]:
    """Hours at which the moult clock shows ``clock`` (5, m, k), and the exponent of energy burnt by then."""
    both = paths.hours + 1j * paths.loss  # read off at once
    out = np.empty(clock.shape, dtype=np.complex128)
    for offset in range(OFFSETS.size):
        out[offset] = np.interp(clock[offset], paths.moult[offset], both[offset])
    return out.real, out.imag


def _first_crossing(moments_h: Floats, excess: Floats) -> Floats:
    """Hours at which each ``excess`` (..., 5, m, moments) first rises above zero; the last of ``moments_h``
    (5, m, moments) if it never does."""
    above = excess > 0.0
    above[..., -1] = True
    index = above.argmax(axis=-1)
    back = index > 0
    x, y = (_places(each, index[..., None])[..., 0] for each in (moments_h, excess))
    x0, x1, y0, y1 = moments_h.take(x - back), moments_h.take(x), excess.take(y - back), excess.take(y)
    rises = y1 > y0
    share = -y0 / np.where(rises, y1 - y0, 1.0)
    weight = np.where(rises, np.minimum(np.maximum(share, 0.0), 1.0), 1.0)
    return np.asarray(x0 + weight * (x1 - x0), dtype=np.float64)

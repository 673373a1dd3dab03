"""What becomes of the nauplii after they hatch, and so when to harvest them.

A nauplius moults to instar II after ``moult_h`` of clock progress and burns its yolk meanwhile.
Both are summed over the whole brood, which hatches spread out in time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hatchmon.science import parameters as par
from hatchmon.science.hatching import OFFSETS, Draws, Paths, reach_h
from hatchmon.science.normal import Floats, normal_cdf, normal_quantile

_BROOD_Z: Floats = normal_quantile((np.arange(60) + 0.5) / 60)  # 60 equal parts of a brood
_DRAWS = 64  # enough for the window: its own doubt is small beside that of the hatch
_MOMENTS = 24

# Share in instar II by age over moult age, as a table: called half a million times a forecast.
_AGE_STEP = 1.0 / 512
_INSTAR2: Floats = np.concatenate(
    ([0.0], normal_cdf(np.log(np.arange(1, 2049) * _AGE_STEP) / par.MOULT_SPREAD.value))
).astype(np.float64)


@dataclass(frozen=True, slots=True)
class Thresholds:
    """What opens and closes a harvest window.

    ``opens_share``: share hatched; ``closes_instar2``: share moulted; ``closes_energy``: mean energy
    left, share of fresh. The window closes at whichever comes first.
    """

    opens_share: float = par.OPENS_SHARE.value
    closes_instar2: float = par.CLOSES_INSTAR2.value
    closes_energy: float = par.CLOSES_ENERGY.value


@dataclass(frozen=True, slots=True)
class Window:
    """Opening, best and closing moments, hours from the start: (draws, 5 offsets), the last two for a
    smaller set of draws that stands for all, which opens at ``few_open_h``."""

    opens_h: Floats
    few_open_h: Floats
    best_h: Floats
    closes_h: Floats
    spread_out: bool


def window(draws: Draws, mu: Floats, paths: Paths, thresholds: Thresholds | None = None) -> Window:
    """The harvest window of each draw: ``mu`` (n,) is the ln Q of half hatch.

    Opens at the hatched share wanted (80 % for lots with a median sigma above .25); best where hatched
    x energy x (1 - .2 for instar II) is greatest. A lot too spread out may close before it opens.
    """
    thresholds = thresholds or Thresholds()
    spread_out = bool(np.median(draws.sigma) > par.SPREAD_OUT_SIGMA.value)
    share = thresholds.opens_share
    if spread_out:
        share = min(share, par.OPENS_SHARE_SPREAD_OUT.value)
    opens_h = reach_h(draws, mu[:, None] + float(normal_quantile(share)) * draws.sigma[:, None], paths)[
        ..., 0
    ]

    # A few draws, the same ones each time, stand for all: the rest of the work is heavy.
    count = min(_DRAWS, mu.size)
    picked = ((np.arange(count) + 0.5) * mu.size / count).astype(np.int64)
    few = Draws(**{name: getattr(draws, name)[picked] for name in Draws.__slots__})
    hatch_h = reach_h(few, mu[picked][:, None] + _BROOD_Z * few.sigma[:, None], paths)
    best_h, closes_h = _best_and_close(few, hatch_h, paths, thresholds)
    return Window(opens_h, opens_h[picked], best_h, closes_h, spread_out)


def _best_and_close(
    draws: Draws, hatch_h: Floats, paths: Paths, thresholds: Thresholds
) -> tuple[Floats, Floats]:
    """(draws, 5) hours of greatest value and of closing, from hatch times (draws, 5, 60)."""
    moult_age = draws.moult_h[:, None, None]
    at_hatch = _along(paths.moult, hatch_h, paths.hours) / moult_age  # clock in moult ages
    burnt_at_hatch = _along(paths.loss, hatch_h, paths.hours) * draws.loss[:, None, None]

    # Moments to weigh: from half hatched to when even the last part of the brood is 1.3 moult ages old.
    first, last = at_hatch[..., 29:30], at_hatch[..., -1:] + 1.3
    age_clock = first + (last - first) * np.linspace(0.0, 1.0, _MOMENTS)  # (n, 5, m)
    moments_h = _back(paths, age_clock * moult_age)
    burnt = _along(paths.loss, moments_h, paths.hours) * draws.loss[:, None, None]

    age = age_clock[..., :, None] - at_hatch[..., None, :]  # (n, 5, m, 60)
    hatched = age > 0.0
    moulted = _INSTAR2[np.minimum(np.maximum(age, 0.0) / _AGE_STEP, _INSTAR2.size - 1).astype(np.int32)]
    fresh = np.exp(burnt_at_hatch)[..., None, :]  # energy of each part relative to the moment's decay
    count = np.maximum(hatched.sum(axis=-1), 1)
    energy_now = np.exp(-burnt)
    energy_sum = energy_now * np.sum(fresh * hatched, axis=-1)
    value = energy_sum - par.INSTAR2_DISCOUNT.value * energy_now * np.sum(fresh * moulted, axis=-1)
    best = np.take_along_axis(moments_h, value.argmax(axis=-1)[..., None], axis=-1)[..., 0]

    over_moult = moulted.sum(axis=-1) / count - thresholds.closes_instar2
    over_energy = thresholds.closes_energy - energy_sum / count
    closes = np.minimum(_first_crossing(moments_h, over_moult), _first_crossing(moments_h, over_energy))
    return best, closes


def _along(path: Floats, hours: Floats, grid_h: Floats) -> Floats:
    """``path`` (5, h) read at ``hours`` (n, 5, k)."""
    out = np.empty_like(hours)
    for offset in range(OFFSETS.size):
        out[:, offset] = np.interp(hours[:, offset], grid_h, path[offset])
    return out


def _back(paths: Paths, clock: Floats) -> Floats:
    """Hours at which the moult clock shows ``clock`` (n, 5, k)."""
    out = np.empty_like(clock)
    for offset in range(OFFSETS.size):
        out[:, offset] = np.interp(clock[:, offset], paths.moult[offset], paths.hours)
    return out


def _first_crossing(moments_h: Floats, excess: Floats) -> Floats:
    """Hours at which ``excess`` (n, 5, m) first rises above zero; the last moment if it never does."""
    above = excess > 0.0
    index = np.where(above.any(axis=-1), above.argmax(axis=-1), excess.shape[-1] - 1)
    before = np.maximum(index - 1, 0)
    x0 = np.take_along_axis(moments_h, before[..., None], -1)[..., 0]
    x1 = np.take_along_axis(moments_h, index[..., None], -1)[..., 0]
    y0 = np.take_along_axis(excess, before[..., None], -1)[..., 0]
    y1 = np.take_along_axis(excess, index[..., None], -1)[..., 0]
    weight = np.where(y1 > y0, np.clip(-y0 / np.where(y1 > y0, y1 - y0, 1.0), 0.0, 1.0), 1.0)
    return np.asarray(x0 + weight * (x1 - x0), dtype=np.float64)

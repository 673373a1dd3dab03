"""When a look at the cone would teach most about when the hatch completes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hatchmon.hatchery.looks import WORDS, look_bounds
from hatchmon.science.hatching import OFFSETS, Draws, Paths
from hatchmon.science.learning import GLANCE_SD
from hatchmon.science.normal import Floats, normal_cdf, normal_quantile

AHEAD_H = 18
WORTH_IT = 0.15  # a look that narrows the band by less is not asked for
GOOD_ENOUGH = 0.9  # of the best: the first such hour is named
_EVERY = 4  # of the draws one in four is enough
_Z90 = float(normal_quantile(0.9))
_EDGES: Floats = np.array([look_bounds(word)[1] for word in WORDS[:-1]])


@dataclass(frozen=True, slots=True)
class NextLook:
    """A look ``hours`` after the start would narrow the band of T90 by ``narrower`` (0-1), on average."""

    hours: float
    narrower: float


def most_telling(draws: Draws, mu: Floats, paths: Paths, now_h: float, late: bool = False) -> NextLook | None:
    """The hour within AHEAD_H of ``now_h`` whose look, whatever it shows, narrows T90 most; None where none
    is worth the walk. ``mu`` (n,): ln Q at half hatch of each draw.

    A batch that has turned out ``late`` may be of an odd lot, of which the best hour for a look is hardly
    known: then by how much T90 is narrower counts by how long that is known before it.
    """
    few = slice(None, None, _EVERY)
    node, mu, sigma = draws.node[few], mu[few], draws.sigma[few]
    t90_h, wanted = np.empty(mu.size), np.exp(mu + _Z90 * sigma)
    for number, q in enumerate(paths.q[:, OFFSETS.size // 2]):
        t90_h[node == number] = np.interp(wanted[node == number], q, paths.hours)
    t90 = np.log(t90_h)
    spread = float(np.var(t90))
    if spread <= 0.0:
        return None
    hours = now_h + np.arange(AHEAD_H + 1.0)
    ln_q = np.log(np.maximum(paths.q_at(hours), 1e-9))  # (7, hours)
    z = (ln_q[node] - mu[:, None]) / sigma[:, None]  # (n, hours)
    below = normal_cdf((_EDGES[:, None, None] - z) / GLANCE_SD)  # (5, n, hours)
    powers = np.stack((np.ones_like(t90), t90, t90**2))
    ends = np.zeros((_EDGES.size + 2, 3, hours.size))
    ends[1:-1] = powers @ below
    ends[-1] = powers.sum(axis=1)[:, None]
    weight, mean, square = np.diff(ends, axis=0).swapaxes(0, 1)  # (6, hours): of each word by its chance
    mean, square = (each / np.maximum(weight, 1e-12) for each in (mean, square))
    left = np.sum(weight * (square - mean**2), axis=0) / t90.size
    narrower = 1.0 - np.sqrt(np.maximum(left, 0.0) / spread)
    if narrower.max() < WORTH_IT:
        return None
    if late:
        left_h = np.maximum(t90_h[:, None] - hours, 0.0).mean(axis=0)
        first = int(np.argmax(narrower * left_h * (narrower >= WORTH_IT)))
    else:
        first = int(np.argmax(narrower >= GOOD_ENOUGH * narrower.max()))
    return NextLook(float(hours[first]), float(narrower[first]))

"""What notes teach about a lot, against posteriors worked out the long way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import special, stats

from hatchmon.hatchery.looks import WORDS, look_bounds
from hatchmon.science import learning
from hatchmon.science import parameters as par
from hatchmon.science.hatching import ENERGY_NODES_EV, NODE_SHARES, Draws
from hatchmon.science.learning import (
    GLANCE_SD,
    OMEGAS,
    SHARE_Z,
    SIGMAS,
    WRONG_NOTE,
    Counted,
    Evidence,
    LotBelief,
    keeper_prior,
)
from hatchmon.science.normal import Floats, normal_cdf
from hatchmon.science.rates import schoolfield_1981
from hatchmon.science.yields import Samples, count_likelihood

PRIOR = LotBelief.prior()
Z90 = float(special.ndtri(0.9))


def notes(
    *looks: tuple[float, str], temp_c: float = 25.0, extra_sd: float = 0.0, light_known: bool = True
) -> Evidence:
    """Looks (hours, what was seen) at a batch in steady water."""
    times = np.array([hours for hours, _ in looks]).reshape(-1, 1)
    bounds = np.array([look_bounds(seen) for _, seen in looks]).reshape(-1, 3)
    ln_q = np.log(times * schoolfield_1981(temp_c, ENERGY_NODES_EV))
    return Evidence(ln_q, bounds[:, 0], bounds[:, 1], bounds[:, 2], extra_sd, light_known)


HATCH = notes((17.0, "few"), (20.0, "some"), (23.0, "most"), (27.0, "complete"))


def ln_t90(draws: Draws, temp_c: float = 25.0) -> Floats:
    """(n,) ln hours to 90 % in steady water."""
    rates = np.log(schoolfield_1981(temp_c, ENERGY_NODES_EV))
    return np.asarray(draws.mu(None) + Z90 * draws.sigma - rates[draws.node])


def mean_sd(belief: LotBelief, axis: int) -> tuple[float, float]:
    """Mean and sd of one unknown: a, E, ln sigma or omega."""
    values = (belief.a, ENERGY_NODES_EV, np.log(SIGMAS), OMEGAS)[axis]
    share = belief.weights.sum(axis=tuple(other for other in range(4) if other != axis))
    mean = float(np.sum(share * values))
    return mean, float(np.sqrt(np.sum(share * (values - mean) ** 2)))


# ---- against the long way ----


def likelihood(evidence: Evidence, c: Floats, node: NDArray[np.int64], sigma: Floats) -> Floats:
    """Of a batch's notes, term by term, with SciPy; the arguments broadcast."""
    total = np.ones(np.broadcast_shapes(c.shape, node.shape, sigma.shape))
    for ln_q, low, high, chance in zip(
        evidence.ln_q, evidence.z_low, evidence.z_high, evidence.chance, strict=True
    ):
        z = (ln_q[node] - c) / sigma
        seen = special.ndtr((high - z) / GLANCE_SD) - special.ndtr((low - z) / GLANCE_SD)
        total = total * ((1 - WRONG_NOTE) * seen + WRONG_NOTE * chance)
    return total


def brute_force(batches: Sequence[Evidence], hermite: bool) -> Floats:
    """(a, E, sigma, omega) posterior on the shipped grid with u written out: at the nine points of Gauss and
    Hermite, or at 601 over +-6 sd by the trapezium rule."""
    a = PRIOR.a[:, None, None, None]
    node = np.arange(ENERGY_NODES_EV.size)[None, :, None, None]
    sigma = SIGMAS[None, None, :, None]
    on_sigma = stats.norm.pdf(np.log(SIGMAS), np.log(0.15), 0.45)
    on_a = stats.t.pdf(PRIOR.a, 5, np.log(20.4), 0.186)
    weights = np.einsum("a,e,s,o->aeso", on_a, NODE_SHARES, on_sigma, par.OMEGA_SHARES)
    if hermite:
        points, shares = np.polynomial.hermite.hermgauss(9)
        points = points * np.sqrt(2.0)
    else:
        points = np.linspace(-6.0, 6.0, 601)
        shares = stats.norm.pdf(points)
    shares = shares / shares.sum()
    for evidence in batches:
        dark = 0.0 if evidence.light_known else 0.03
        for index, omega in enumerate(OMEGAS):
            u = np.hypot(omega + dark, evidence.extra_sd) * points
            weights[..., index] *= likelihood(evidence, a + u, node, sigma) @ shares
    return np.asarray(weights / weights.sum())


CASES = {
    "one look": [notes((24.0, "complete"))],
    "four looks": [HATCH],
    "percent, gaps, dark": [notes((22.0, "60 %"), (25.0, "95 %"), extra_sd=0.08, light_known=False)],
    "two batches": [HATCH, notes((30.0, "some"), (36.0, "nearly all"), temp_c=20.0, extra_sd=0.03)],
    "a slow lot": [notes((28.0, "none"), (34.0, "some"), (40.0, "most"))],
}


@pytest.mark.parametrize(
    "case",
    [case if case == "one look" else pytest.param(case, marks=pytest.mark.exhaustive) for case in CASES],
)
def test_posterior_against_brute_force(case: str) -> None:
    """Against dense integration over u: the two posteriors share all but 1e-4 of their mass. Nine points of
    Gauss and Hermite are coarser where looks are sharp and batches far apart: means and sds within .005 (a),
    .004 eV, .03 (ln sigma), .003 (omega)."""
    belief = PRIOR.learn_all(CASES[case])
    assert belief.hatches == len(CASES[case])
    dense = brute_force(CASES[case], hermite=False)
    assert 0.5 * np.abs(belief.weights - dense).sum() < 1e-4
    nine = LotBelief(belief.a, brute_force(CASES[case], hermite=True))
    for axis, (mean, sd) in enumerate(((0.005, 0.005), (0.004, 0.004), (0.03, 0.03), (0.003, 0.003))):
        assert mean_sd(belief, axis)[0] == pytest.approx(mean_sd(nine, axis)[0], abs=mean)
        assert mean_sd(belief, axis)[1] == pytest.approx(mean_sd(nine, axis)[1], abs=sd)


def test_looks_of_one_batch_share_its_shift() -> None:
    """Taken for batches of their own, the same looks would teach more of the lot than one batch can."""
    together = PRIOR.learn(HATCH)
    apart = PRIOR
    for index in range(HATCH.z_low.size):
        one = slice(index, index + 1)
        apart = apart.learn(
            replace(
                HATCH,
                ln_q=HATCH.ln_q[one],
                z_low=HATCH.z_low[one],
                z_high=HATCH.z_high[one],
                chance=HATCH.chance[one],
            )
        )
    assert mean_sd(together, 0)[1] > 1.15 * mean_sd(apart, 0)[1]


@pytest.mark.exhaustive
@pytest.mark.parametrize(
    ("running", "learnt"),
    [
        (None, []),
        (notes((18.0, "few")), []),
        (notes((18.0, "some"), (21.0, "60 %")), [HATCH]),
        (notes((24.0, "few"), extra_sd=0.05, light_known=False), [HATCH, HATCH]),
    ],
    ids=["no look", "a first look", "two looks, one hatch known", "a late batch of a known lot"],
)
def test_draws_of_a_running_batch_against_weighed_samples(
    running: Evidence | None, learnt: list[Evidence]
) -> None:
    """The forecast's unknowns against sets drawn at random from the prior itself, not from a grid, each
    weighed by all notes: 10, 50 and 90 % of T90 within 2 percent, the batch's shift within .01."""
    rng = np.random.default_rng(5)
    n = 2_000_000 if learnt else 300_000  # few of them explain many notes
    a = np.log(20.4) + 0.186 * rng.standard_t(5, n)
    node = rng.choice(ENERGY_NODES_EV.size, n, p=NODE_SHARES)
    sigma = 0.15 * np.exp(0.45 * rng.standard_normal(n))
    omega = rng.choice(OMEGAS, n, p=par.OMEGA_SHARES)
    weights = np.ones(n)
    for evidence in learnt:
        assert evidence.light_known
        weights *= likelihood(evidence, a + omega * rng.standard_normal(n), node, sigma)
    extra_sd, light_known = (running.extra_sd, running.light_known) if running else (0.0, True)
    u = np.hypot(omega + (0.0 if light_known else 0.03), extra_sd) * rng.standard_normal(n)
    if running is not None:
        weights *= likelihood(running, a + u, node, sigma)
    t90 = a + u + Z90 * sigma - np.log(schoolfield_1981(22.0, ENERGY_NODES_EV))[node]
    order = np.argsort(t90)
    below = np.cumsum(weights[order]) / weights.sum()
    want = np.interp((0.1, 0.5, 0.9), below, t90[order])

    draws = PRIOR.learn_all(learnt).draws(running, extra_sd, light_known)
    assert np.quantile(ln_t90(draws, 22.0), (0.1, 0.5, 0.9)) == pytest.approx(want, abs=0.02)
    mean_u = float(np.sum(weights * u) / weights.sum())
    assert draws.u.mean() == pytest.approx(mean_u, abs=0.01)
    assert draws.u.std() == pytest.approx(
        float(np.sqrt(np.sum(weights * (u - mean_u) ** 2) / weights.sum())), abs=0.01
    )


def test_draws_stand_for_the_belief() -> None:
    """After three hatches: the means and spreads of the draws are the belief's."""
    belief = PRIOR.learn_all([HATCH, HATCH, notes((33.0, "most"), temp_c=20.0)])
    draws = belief.draws(light_known=True)
    mean, sd = belief.a_mean_sd
    assert (mean, sd) == pytest.approx(mean_sd(belief, 0))
    assert draws.a.mean() == pytest.approx(mean, abs=0.002)
    assert draws.a.std() == pytest.approx(sd, rel=0.04)
    assert ENERGY_NODES_EV[draws.node].mean() == pytest.approx(mean_sd(belief, 1)[0], abs=0.002)
    assert np.log(draws.sigma).mean() == pytest.approx(mean_sd(belief, 2)[0], abs=0.01)
    # Within a cell of the grid sigma is anywhere.
    cell = 0.45 * 0.54 / np.sqrt(12.0)
    assert np.log(draws.sigma).std() == pytest.approx(np.hypot(mean_sd(belief, 2)[1], cell), rel=0.03)
    omega_squared = float(np.sum(belief.weights.sum(axis=(0, 1, 2)) * OMEGAS**2))
    assert draws.u.std() == pytest.approx(np.sqrt(omega_squared), rel=0.04)


def test_a_forecast_moves_smoothly_with_its_notes() -> None:
    """A look told a minute later puts every quantile of T90 off by at most two minutes, and never forward:
    next to no jitter of the draws."""
    belief = PRIOR.learn(HATCH)
    told = np.array(
        [
            np.exp(np.quantile(ln_t90(belief.draws(notes((hours, "some")))), (0.1, 0.5, 0.9)))
            for hours in 19.0 + np.arange(30) / 60
        ]
    )
    steps = np.diff(told, axis=0) * 60.0
    assert np.all((steps > 0.0) & (steps < 2.0))


# ---- order, nothing, too much ----


@st.composite
def batches(draw: st.DrawFn) -> list[Evidence]:
    """Two to five batches of one to four looks each, with doubts of their own."""
    found = []
    for _ in range(draw(st.integers(2, 5))):
        looks = draw(
            st.lists(st.tuples(st.floats(6.0, 60.0), st.sampled_from(WORDS)), min_size=1, max_size=4)
        )
        found.append(
            notes(
                *looks,
                temp_c=draw(st.floats(15.0, 32.0)),
                extra_sd=draw(st.sampled_from([0.0, 0.05, 0.3])),
                light_known=draw(st.booleans()),
            )
        )
    return found


@pytest.mark.exhaustive
@given(batches(), st.randoms())
@settings(max_examples=25, deadline=None)
def test_the_order_of_batches_does_not_matter(found: list[Evidence], random: Random) -> None:
    shuffled = list(found)
    random.shuffle(shuffled)
    one, other = PRIOR.learn_all(found), PRIOR.learn_all(shuffled)
    np.testing.assert_allclose(one.weights, other.weights, rtol=1e-9, atol=1e-15)
    assert one.hatches == other.hatches == len(found)


def test_the_order_of_looks_does_not_matter() -> None:
    back = notes((27.0, "complete"), (23.0, "most"), (20.0, "some"), (17.0, "few"))
    np.testing.assert_allclose(PRIOR.learn(back).weights, PRIOR.learn(HATCH).weights, rtol=1e-12)


def test_no_evidence_changes_nothing() -> None:
    nothing = notes()
    assert nothing.empty
    assert PRIOR.learn(nothing) is PRIOR
    assert PRIOR.learn_all([]) is PRIOR
    for name in Draws.__slots__:
        np.testing.assert_array_equal(getattr(PRIOR.draws(nothing), name), getattr(PRIOR.draws(), name))


def test_a_look_that_says_nothing_teaches_nothing() -> None:
    """Any share at all: every lot explains it as well."""
    anything = replace(notes((20.0, "some")), z_low=np.array([-np.inf]), z_high=np.array([np.inf]))
    np.testing.assert_allclose(PRIOR.learn(anything).weights, PRIOR.weights, rtol=1e-9)


FINITE = st.floats(-60.0, 60.0)
BOUNDS = st.tuples(st.floats(-9.0, 9.0) | st.just(-np.inf), st.floats(0.0, 5.0) | st.just(np.inf))


@pytest.mark.exhaustive
@given(
    st.lists(
        st.tuples(
            st.lists(
                st.tuples(FINITE, st.floats(0.0, 3.0), BOUNDS, st.floats(1e-3, 1.0)), min_size=1, max_size=3
            ),
            st.floats(0.0, 100.0),
            st.sampled_from([1, 2, 40]),
        ),
        min_size=1,
        max_size=3,
    )
)
@settings(max_examples=25, deadline=None)
def test_whatever_was_noted_beliefs_stay_numbers(
    told: list[tuple[list[tuple[float, float, tuple[float, float], float]], float, int]],
) -> None:
    """Any finite progress, any bounds, however often it was said."""
    belief = PRIOR
    for looks, extra_sd, times in told:
        ln_q = np.array([[at + tilt * step for step in np.linspace(-1, 1, 7)] for at, tilt, _, _ in looks])
        low = np.array(
            [0.0 if np.isinf(-width) and np.isinf(low) else low for _, _, (low, width), _ in looks]
        )
        high = low + np.array([width for _, _, (_, width), _ in looks])
        high = np.where(np.isneginf(low), 0.0, high)
        chance = np.array([each for *_, each in looks])
        evidence = Evidence(
            np.tile(ln_q, (times, 1)),
            np.tile(low, times),
            np.tile(high, times),
            np.tile(chance, times),
            extra_sd,
        )
        for name in Draws.__slots__:
            assert np.all(np.isfinite(getattr(belief.draws(evidence, extra_sd, n=64), name)))
        belief = belief.learn(evidence)
        assert np.all(np.isfinite(belief.weights))
        assert np.all(belief.weights >= 0.0)
        assert belief.weights.sum() == pytest.approx(1.0)
    assert np.all(np.isfinite(belief.a_mean_sd))


@pytest.mark.exhaustive
def test_hundreds_of_notes_that_contradict_each_other_leave_numbers() -> None:
    """Three batches, each sworn to four hundred times, none of them like another."""
    belief = PRIOR
    for hours in (12.0, 20.0, 34.0):
        belief = belief.learn(notes(*[(hours, "some")] * 400))
        assert belief.weights.sum() == pytest.approx(1.0)
        assert np.all(np.isfinite(ln_t90(belief.draws(notes(*[(16.0, "some")] * 400)))))


# ---- what a note is worth ----


def test_a_wrong_note_does_not_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two hours after "most" somebody writes "none". The lot moves by a fiftieth at most, and by a good deal
    more where wrong notes are not thought of."""
    right = ((17.0, "few"), (20.0, "some"), (23.0, "most"), (29.0, "complete"))
    told = PRIOR.learn(notes(*right)).a_mean_sd[0]
    shift = PRIOR.learn(notes(*right, (25.0, "none"))).a_mean_sd[0] - told
    assert abs(shift) < 0.02
    monkeypatch.setattr(learning, "WRONG_NOTE", 1e-12)
    assert PRIOR.learn(notes(*right, (25.0, "none"))).a_mean_sd[0] - told > 5 * abs(shift)


@pytest.mark.parametrize("wrong", [(40.0, "none"), (8.0, "complete")], ids=str)
def test_a_batch_with_a_wrong_note_only_does_not_rule(wrong: tuple[float, str]) -> None:
    """Five good hatches, then one written down for another cone: a moves by under 4 percent."""
    lot = PRIOR.learn_all([HATCH] * 5)
    after = lot.learn(notes(wrong))
    assert after.a_mean_sd[0] == pytest.approx(lot.a_mean_sd[0], abs=0.04)


def test_doubt_about_a_batch_weighs_it_less() -> None:
    sds = [PRIOR.learn(replace(HATCH, extra_sd=extra)).a_mean_sd[1] for extra in (0.0, 0.1, 0.3, 1.0)]
    assert sds == sorted(sds)
    assert sds[0] < 0.6 * PRIOR.a_mean_sd[1]
    assert sds[-1] == pytest.approx(PRIOR.a_mean_sd[1], rel=0.05)
    # What it teaches of the spread within the batch remains.
    sharp = notes((18.0, "none"), (23.0, "complete"), extra_sd=0.3)
    assert mean_sd(PRIOR.learn(sharp), 2)[0] < np.log(0.15) - 0.3


def test_a_batch_that_may_have_stood_dark_weighs_less() -> None:
    lit, dark = (PRIOR.learn(replace(HATCH, light_known=known)) for known in (True, False))
    assert lit.a_mean_sd[1] < dark.a_mean_sd[1] < 1.2 * lit.a_mean_sd[1]


def test_complete_is_open_to_the_right() -> None:
    """ "Complete" at 24 h rules slow lots out and tells nothing among fast ones; the last look at which it
    was not complete closes the interval."""
    alone = PRIOR.learn(notes((24.0, "complete")))
    pair = PRIOR.learn(notes((20.0, "most"), (24.0, "complete")))
    gained = alone.weights.sum(axis=(1, 2, 3)) / PRIOR.weights.sum(axis=(1, 2, 3))
    fast, slow = PRIOR.a < np.log(12.0), PRIOR.a > np.log(28.0)
    assert np.ptp(gained[fast]) < 0.12 * gained[fast].max()
    assert gained[slow].max() < 0.1 * gained[fast].max()
    assert pair.a_mean_sd[1] < 0.75 * alone.a_mean_sd[1]
    assert pair.a_mean_sd[0] > alone.a_mean_sd[0]
    # And the later that last look, the later the lot.
    means = [
        PRIOR.learn(notes((hours, "most"), (24.0, "complete"))).a_mean_sd[0] for hours in (16, 18, 20, 22)
    ]
    assert means == sorted(means)


@pytest.mark.parametrize(
    ("seen", "low", "high"),
    [("0 %", 0.0, 0.1), ("5 %", 0.0, 0.15), ("60 %", 0.5, 0.7), ("95 %", 0.85, 1.0), ("100 %", 0.9, 1.0)],
)
def test_percent_looks(seen: str, low: float, high: float) -> None:
    """Ten points either way, ends open; of certain lots the likeliest are those that were there."""
    z_low, z_high, chance = look_bounds(seen)
    assert (z_low, z_high) == pytest.approx((special.ndtri(low), special.ndtri(high)))
    assert chance == pytest.approx(0.2)
    tau = np.log(np.linspace(8.0, 60.0, 400))
    found = likelihood(notes((24.0, seen)), tau, np.array([3]), np.array([0.15]))
    share = special.ndtr((np.log(24.0) - tau) / 0.15)
    middle = (share > low) & (share < high)
    assert found[middle].min() > found[~middle].min()
    best = share[found > 0.999 * found.max()]
    assert low - 1e-6 <= best.min() <= best.max() <= high + 1e-6
    assert PRIOR.learn(notes((24.0, seen))).a_mean_sd[1] < 1.02 * PRIOR.a_mean_sd[1]


def test_many_hatches_find_the_lot() -> None:
    """Thirty hatches of a hidden lot, tau25 26 h, sigma .22, E .80 eV, batches .08 apart, seen through the
    keeper's eye at 18-28 C: each unknown is found, and an erratic lot is told from a steady one."""
    found = {}
    for omega in (0.02, 0.08, 0.20):
        rng = np.random.default_rng(11)
        belief = PRIOR
        for number in range(30):
            temp_c = (18.0, 22.0, 25.0, 28.0)[number % 4]
            u = omega * rng.standard_normal()
            rate = float(schoolfield_1981(temp_c, 0.80))
            looks = []
            for part in (-1.2, -0.3, 0.5, 1.2):
                hours = 26.0 * np.exp(0.22 * part) / rate
                z = (np.log(hours * rate) - np.log(26.0) - u) / 0.22 + GLANCE_SD * rng.standard_normal()
                looks.append((hours, next(w for w in WORDS if look_bounds(w)[0] <= z < look_bounds(w)[1])))
            belief = belief.learn(notes(*looks, temp_c=temp_c))
        found[omega] = belief
    middle = found[0.08]
    assert middle.a_mean_sd[0] == pytest.approx(np.log(26.0), abs=3 * max(middle.a_mean_sd[1], 0.02))
    assert middle.a_mean_sd[1] < 0.04
    assert mean_sd(middle, 1)[0] == pytest.approx(0.80, abs=0.05)
    assert np.exp(mean_sd(middle, 2)[0]) == pytest.approx(0.22, rel=0.12)
    omegas = [mean_sd(found[omega], 3)[0] for omega in (0.02, 0.08, 0.20)]
    assert omegas[0] < 0.06 < omegas[1] < 0.11 < omegas[2]


# ---- a look while the batch runs ----


@pytest.mark.parametrize("learnt", [[], [HATCH], [HATCH] * 4], ids=["no hatch", "one", "four"])
@pytest.mark.parametrize("hours", [12.0, 18.0, 22.0])
def test_a_look_narrows_the_forecast_on_average(learnt: list[Evidence], hours: float) -> None:
    """Looks as the belief itself expects them: the variance of T90 is on average no greater than before, and
    the mean does not move on average (each of six words weighed by its chance)."""
    belief = PRIOR.learn_all(learnt)
    before = belief.draws(light_known=True)
    rates = np.log(schoolfield_1981(25.0, ENERGY_NODES_EV))
    z = (np.log(hours) + rates[before.node] - before.mu(None)) / before.sigma
    mean, variance, total = 0.0, 0.0, 0.0
    for word in WORDS:
        low, high, chance = look_bounds(word)
        seen = special.ndtr((high - z) / GLANCE_SD) - special.ndtr((low - z) / GLANCE_SD)
        share = float(np.mean((1 - WRONG_NOTE) * seen + WRONG_NOTE * chance))
        after = ln_t90(belief.draws(notes((hours, word)), light_known=True))
        mean += share * float(after.mean())
        variance += share * float(after.var())
        total += share
    assert total == pytest.approx(1.0, abs=1e-9)
    assert variance < ln_t90(before).var()
    assert mean == pytest.approx(float(ln_t90(before).mean()), abs=0.004)


def test_the_look_that_tells_most_tells_a_lot() -> None:
    """Half hatched is worth far more than none or all, and the running batch moves with it."""
    before = ln_t90(PRIOR.draws())
    some = ln_t90(PRIOR.draws(notes((20.0, "some"), light_known=False)))
    none = ln_t90(PRIOR.draws(notes((8.0, "none"), light_known=False)))
    assert some.std() < 0.6 * before.std()
    assert none.std() > 0.9 * before.std()
    late = ln_t90(PRIOR.draws(notes((30.0, "none"), light_known=False)))
    assert np.quantile(late, 0.1) > np.quantile(before, 0.5)


def test_a_look_moves_its_own_batch_more_than_the_lot() -> None:
    """A known lot is late: that is mostly the batch's doing."""
    lot = PRIOR.learn_all([HATCH] * 6)
    late = notes((22.0, "few"))
    own = float(ln_t90(lot.draws(late, light_known=True)).mean() - ln_t90(lot.draws(light_known=True)).mean())
    next_one = lot.learn(late).a_mean_sd[0] - lot.a_mean_sd[0]
    assert own > 0.1
    assert 0.0 < next_one < 0.25 * own
    # Far too late is rather another cone's note.
    absurd = lot.draws(notes((32.0, "few")), light_known=True)
    assert float(ln_t90(absurd).mean() - ln_t90(lot.draws(light_known=True)).mean()) < 0.5 * own


# ---- the keeper's other lots ----


def test_keeper_without_lots_starts_from_the_general_prior() -> None:
    """sqrt(.20^2 + .13^2) = .2385 against .24: within 1 percent."""
    start = keeper_prior([])
    assert (start.a[-1] - start.a[0]) / 9.0 * np.sqrt(5.0 / 3.0) == pytest.approx(0.24, rel=0.01)
    assert start.a_mean_sd == pytest.approx(PRIOR.a_mean_sd, rel=0.01)
    assert start.a_mean_sd[0] == pytest.approx(np.log(20.4), abs=1e-9)


def test_keeper_with_two_lots_by_hand() -> None:
    """Normal by normal: precision 1/.13^2 = 59.172; lots at ln 24 +- .05 and ln 26 +- .10 weigh
    1/(.04 + .0025) = 23.529 and 1/(.04 + .01) = 20. mu = (59.172 x 3.015535 + 23.529 x 3.178054 +
    20 x 3.258097) / 102.701 = 318.374 / 102.701 = 3.10001;
    sd of a new lot sqrt(.04 + 1/102.701) = .22301."""
    start = keeper_prior([(np.log(24.0), 0.05), (np.log(26.0), 0.10)])
    assert start.a_mean_sd[0] == pytest.approx(3.10001, abs=1e-5)
    scale = (start.a[-1] - start.a[0]) / 9.0
    assert scale * np.sqrt(5.0 / 3.0) == pytest.approx(0.22301, abs=1e-5)
    assert start.hatches == 0
    # Only a is told by other lots.
    for axis in (1, 2, 3):
        assert mean_sd(start, axis) == pytest.approx(mean_sd(PRIOR, axis))


def test_keeper_with_many_lots_and_with_vague_ones() -> None:
    """Many lots fix the keeper's mean, and what is left is how lots differ; a lot of which nothing is known
    hardly counts."""
    many = keeper_prior([(np.log(28.0), 0.02)] * 60)
    assert many.a_mean_sd[0] == pytest.approx(np.log(28.0), abs=0.02)
    assert (many.a[-1] - many.a[0]) / 9.0 * np.sqrt(5.0 / 3.0) == pytest.approx(0.20, rel=0.01)
    vague = keeper_prior([(np.log(28.0), 5.0)])
    assert vague.a_mean_sd[0] == pytest.approx(np.log(20.4), abs=0.001)
    assert keeper_prior([(3.2, 0.1), (2.9, 0.2)]).a == pytest.approx(keeper_prior([(2.9, 0.2), (3.2, 0.1)]).a)


# ---- sample counts ----


def counted(hours: float, hatched: int, waiting: int, hatchability: tuple[float, float]) -> Counted:
    """A count at ``hours`` of 25 C: nauplii, and full cysts that have not hatched yet or never will."""
    samples = Samples((hatched,), (), (waiting,))
    return Counted(np.full(7, np.log(hours)), count_likelihood(samples, hatchability, normal_cdf(SHARE_Z)))


def counts_alone(*found: Counted) -> Evidence:
    nothing = np.zeros(0)
    return Evidence(np.zeros((0, 7)), nothing, nothing, nothing, counted=found)


def test_a_count_teaches_as_a_look_does_and_more_sharply() -> None:
    """Half of the cysts that can hatch, known to be 80 % of all, at 24 h: the median lies near 24 h."""
    known = (8000.0, 2000.0)
    by_count = LotBelief.prior().learn(counts_alone(counted(24.0, 400, 600, known)))
    mean, sd = by_count.a_mean_sd
    assert np.exp(mean) == pytest.approx(24.0, rel=0.06)  # the prior at 20.4 h pulls a little
    look = Evidence(np.full((1, 7), np.log(24.0)), np.array([-0.26]), np.array([0.25]), np.array([0.2]))
    assert sd < LotBelief.prior().learn(look).a_mean_sd[1]


def test_what_cannot_hatch_does_not_make_a_lot_slow() -> None:
    """The same count says less of speed while it is not known how many cysts can hatch at all."""
    vague, known = (1.4, 0.6), (8000.0, 2000.0)
    sds = [
        LotBelief.prior().learn(counts_alone(counted(24.0, 400, 600, h))).a_mean_sd[1] for h in (vague, known)
    ]
    assert sds[1] < 0.9 * sds[0]


def test_counts_alone_are_evidence_and_none_is_none() -> None:
    assert not counts_alone(counted(24.0, 10, 10, (8.0, 2.0))).empty
    assert counts_alone().empty
    prior = LotBelief.prior()
    assert prior.learn(counts_alone()) is prior


def test_a_wrong_count_does_not_rule() -> None:
    """Nothing hatched at 40 h, against three looks that saw it complete at 26 h."""
    looks = Evidence(
        np.log(np.array([[26.0] * 7] * 3)), np.full(3, 1.645), np.full(3, np.inf), np.full(3, 1 / 6)
    )  # fmt: skip
    steady = LotBelief.prior().learn(looks).a_mean_sd[0]
    wrong = replace(looks, counted=(counted(40.0, 0, 1000, (8000.0, 2000.0)),))
    assert abs(LotBelief.prior().learn(wrong).a_mean_sd[0] - steady) < 0.15


def test_what_was_learned_can_be_left_out_again() -> None:
    batches = [notes((hours, "some"), (hours + 4.0, "complete")) for hours in (17.0, 19.0, 20.5, 22.0)]
    after = PRIOR.learn_all(batches)
    for place, batch in enumerate(batches):
        without = after.unlearn(batch)
        direct = PRIOR.learn_all(batches[:place] + batches[place + 1 :])
        assert without.hatches == direct.hatches == 3
        assert without.weights == pytest.approx(direct.weights, rel=1e-9, abs=1e-15)


def test_a_note_read_from_its_table_is_as_likely_as_worked_out() -> None:
    notes = [look_bounds(seen) for seen in ("none", "few", "most", "complete", "97 %")]
    z = np.linspace(-12.0, 12.0, 4001)
    for low, high, chance in notes:
        seen = normal_cdf((high - z) / learning.GLANCE_SD) - normal_cdf((low - z) / learning.GLANCE_SD)
        mistake = learning.WRONG_NOTE * chance
        worked_out = np.log((1.0 - learning.WRONG_NOTE) * np.maximum(seen, 0.0) + mistake)
        read = learning._read_off(learning._note_table(low, high, mistake), z.copy())
        assert read == pytest.approx(worked_out, abs=2e-4)

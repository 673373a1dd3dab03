"""Why a batch was slow, poor or spread out: each cause alone, two together, none, and the words for it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from hatchmon.hatchery.diagnosis import Z90, Diagnosis, Finding, Measured, diagnose, seen_between
from hatchmon.hatchery.looks import WORDS
from hatchmon.hatchery.types import Band, Batch, Forecast, Look
from hatchmon.hatchery.wording import Voice
from hatchmon.science.hatching import Draws
from hatchmon.science.learning import LotBelief
from hatchmon.science.normal import Floats
from hatchmon.science.rates import schoolfield_1981

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
VOICE = Voice(UTC)
LOT = LotBelief.prior().draws()
SET_POINT_C = 26.0
FIRST = Band(21.0, 23.0, 25.5)
SLOW_LOOKS = ((26.5, "most"), (29.0, "complete"))
WELL_LOOKS = ((18.0, "some"), (22.0, "most"), (24.0, "complete"))


def forecast(t90: Band | None = FIRST, closes: Band | None = None) -> Forecast:
    opens = None if t90 is None else t90
    return Forecast(
        issued=START, q25_h=0.0, hatched=0.0, t10=None, t50=None, t90=t90, opens=opens, best=opens,
        closes=closes or (None if t90 is None else Band(28.0, 30.0, 32.0)), surely_h=None,
        from_temperature=0.0, trust="good", reasons=(), not_predicted=None if t90 else "no",
        temperature_rule="heater in control",
    )  # fmt: skip


def looks(*seen: tuple[float, str]) -> tuple[Look, ...]:
    return tuple(Look(1, START + timedelta(hours=hours), word) for hours, word in seen)


def steady(temp_c: float = SET_POINT_C, hours: float = 30.0) -> tuple[Floats, Floats]:
    times = np.arange(0.0, hours + 1e-9, 0.1)
    return times, np.full(times.size, temp_c)


def dipped(temp_c: float, since_h: float, until_h: float) -> tuple[Floats, Floats]:
    """26 C but for a stretch at another temperature, with a jump at either end."""
    times, _ = steady()
    before, after = times[times <= since_h + 1e-9], times[times >= until_h - 1e-9]
    during = times[(times >= since_h - 1e-9) & (times <= until_h + 1e-9)]
    warm = [np.full(part.size, SET_POINT_C) for part in (before, after)]
    return np.concatenate((before, during, after)), np.concatenate(
        (warm[0], np.full(during.size, temp_c), warm[1])
    )


def measured(
    *,
    log: tuple[Floats, Floats] | None = None,
    seen: tuple[tuple[float, str], ...] = SLOW_LOOKS,
    ended_h: float = 29.0,
    batch: dict[str, Any] | None = None,
    **more: Any,
) -> Measured:
    """A slow batch in good water of which everything else was as it should be."""
    facts: dict[str, Any] = {"grams": 4.0, "litres": 2.0, "set_point_c": SET_POINT_C, "salinity": 30.0}
    of = Batch(
        1, "north", "tin", START, ended=START + timedelta(hours=ended_h), outcome="harvested",
        **{**facts, **(batch or {})},
    )  # fmt: skip
    hours, temps = log if log is not None else steady()
    told: dict[str, Any] = {
        "first": forecast(), "last": forecast(), "looks": looks(*seen), "lot_age_days": 10.0,
        "light": ((1.0, 2100.0), (3.0, 1900.0)), "salinity": ((1.0, 30.0),), **more,
    }  # fmt: skip
    return Measured(of, hours, temps, (23.0, 30.0), LOT, **told)


def found(case: Measured) -> Diagnosis:
    return diagnose(case, VOICE)


def kinds(diagnosis: Diagnosis) -> list[str]:
    return [deviation.kind for deviation in diagnosis.deviations]


def only(diagnosis: Diagnosis) -> Finding:
    (finding,) = diagnosis.findings
    return finding


# ---- how it did ----


def test_a_clean_batch_has_nothing() -> None:
    said = found(measured(seen=WELL_LOOKS, ended_h=25.0))
    assert said.deviations == ()
    assert said.findings == ()
    assert said.text == ("As expected: 90 % hatched between 22.0 and 24.0 h; the first forecast said 23.0 h.")


def test_a_batch_harvested_with_few_hatched_is_slow_where_its_looks_say_so() -> None:
    """Few at 24 h, inside what the first forecast allowed for 90 %; the forecast that knew the look puts 90 %
    beyond that."""
    seen = ((24.0, "few"),)
    slow = found(measured(seen=seen, ended_h=25.0, last=forecast(Band(29.0, 34.0, 40.0))))
    assert kinds(slow) == ["slow"]
    assert slow.deviations[0].text == (
        "Slow: less than 90 % hatched after 24.0 h, by the looks not before 29.0 h (9 in 10); the first "
        "forecast said 23.0 h, 25.5 h at most (9 in 10)."
    )
    assert kinds(found(measured(seen=seen, ended_h=25.0, last=forecast(Band(25.0, 28.0, 31.0))))) == []
    unseen = found(measured(seen=(), ended_h=25.0, last=forecast(Band(29.0, 34.0, 40.0))))
    assert kinds(unseen) == []


def test_a_slow_batch_that_nothing_explains() -> None:
    said = found(measured())
    assert kinds(said) == ["slow"]
    assert said.findings == ()
    assert said.text == (
        "Slow: 90 % hatched between 26.5 and 29.0 h; the first forecast said 23.0 h, 25.5 h at most "
        "(9 in 10). Nothing measured explains it."
    )


def test_what_was_not_said_at_the_time_is_not_called_a_forecast() -> None:
    said = found(measured(said=False)).text
    assert "29.0 h; its lot let expect 23.0 h, 25.5 h at most (9 in 10)." in said


def test_slow_is_said_only_when_the_looks_show_it() -> None:
    """Complete at 29 h alone leaves open when; not complete at 25 h is within the forecast."""
    assert kinds(found(measured(seen=((29.0, "complete"),)))) == []
    assert kinds(found(measured(seen=((25.0, "most"), (29.0, "complete"))))) == []
    assert kinds(found(measured(seen=((25.6, "most"),)))) == ["slow"]
    assert "less than 90 % hatched after 25.6 h" in found(measured(seen=((25.6, "most"),))).text


def test_without_looks_or_forecast_nothing_is_judged() -> None:
    assert found(measured(seen=())).text == (
        "No look tells when it hatched: whether it was slow cannot be told."
    )
    assert found(measured(first=None)).text == (
        "Nothing says what to expect of it: whether it was slow cannot be told."
    )
    assert found(measured(first=forecast(None))).text.startswith("Nothing says what to expect")


def test_spread_out_is_judged_against_the_lot() -> None:
    """The prior's 90 % quantile from 10 to 90 % at 26 C is about 13 h."""
    said = found(measured(seen=((8.0, "some"), (24.0, "most"), (25.0, "complete"))))
    assert kinds(said) == ["spread out"]
    assert said.text.startswith("Spread out: at least 16.0 h from 10 to 90 % hatched; for this lot 1")
    assert kinds(found(measured(seen=((16.0, "some"), (24.0, "most"), (25.0, "complete"))))) == []


def test_the_usual_spread_is_that_of_the_draws() -> None:
    """One certain lot: sigma .15, median 20.4 h at 25 C; T90 - T10 at 26 C by the equation, h."""
    n = np.ones(4)
    certain = Draws(a=np.log(20.4) * n, u=0 * n, node=np.full(4, 3), sigma=0.15 * n, moult_h=10 * n, loss=n)
    rho = float(schoolfield_1981(26.0))
    exact = 20.4 / rho * (math.exp(0.15 * 1.2816) - math.exp(-0.15 * 1.2816))
    for off_h, kind in ((-0.1, []), (0.1, ["spread out"])):
        case = replace(
            measured(seen=((16.0, "some"), (16.0 + exact + off_h, "most"), (25.0, "complete"))), lot=certain
        )
        assert kinds(found(case)) == kind


def test_poor_is_judged_against_the_lots_counts() -> None:
    said = found(measured(seen=WELL_LOOKS, share=0.55, usual_share=(0.71, 0.83)))
    assert said.text == (
        "Poor: 55% hatched by count; this lot's other counts let expect 71% to 83%. "
        "Nothing measured explains it."
    )
    assert found(measured(seen=WELL_LOOKS, share=0.72, usual_share=(0.71, 0.83))).deviations == ()
    assert found(measured(seen=WELL_LOOKS, share=0.2)).deviations == ()


# ---- each cause alone ----


def test_cold() -> None:
    said = found(measured(log=dipped(20.0, 2.0, 12.0)))
    cold = only(said)
    assert (cold.cause, cold.strength) == ("cold", "worked out")
    # by quadrature of 1 - rho(T)/rho(26) over the ten hours
    exact = quad(lambda _: 1.0 - float(schoolfield_1981(20.0) / schoolfield_1981(26.0)), 2.0, 12.0)[0]
    assert cold.effect_h == pytest.approx(exact, rel=0.01)
    assert cold.text == (
        "Cold: 10.0 h below 23.0 °C, down to 20.0 °C; 4.7 equivalent hours of progress lost against the "
        "set point of 26.0 °C, 4.3 h of delay."
    )


def test_cold_accounts_for_as_much_as_it_is_worth() -> None:
    """Of 4.75 h: 27.75 h in the middle of what was seen, 23.0 h forecast."""
    enough = found(measured(log=dipped(20.0, 2.0, 12.0)))
    assert enough.text.endswith("(9 in 10). Measured causes account for the delay.")
    little = found(measured(log=dipped(20.0, 2.0, 4.0)))
    assert little.text.endswith(
        "(9 in 10). Measured causes account for 0.9 of about 4.8 h; nothing measured explains the rest."
    )


def test_warm_water_makes_good_what_cold_water_cost() -> None:
    """Four hours at 20 C cost 1.7 h, four at 31 C win 1.6 h back: next to nothing is explained."""
    hours, temps = dipped(20.0, 2.0, 6.0)
    temps[(hours > 10.0) & (hours < 14.0)] = 31.0
    said = found(measured(log=(hours, temps)))
    assert [finding.cause for finding in said.findings] == ["cold", "warm"]
    assert said.text.endswith(
        "Measured causes account for 0.2 of about 4.8 h; nothing measured explains the rest."
    )


def test_swings_around_the_set_point_cost_next_to_nothing() -> None:
    hours, temps = steady()
    assert found(measured(log=(hours, temps + 1.0 * np.sin(hours * 6.0)))).findings == ()


def test_cold_is_told_in_the_keepers_unit() -> None:
    said = diagnose(measured(log=dipped(20.0, 2.0, 12.0)), Voice(UTC, "F"))
    assert only(said).text.startswith("Cold: 10.0 h below 73.4 °F, down to 68.0 °F;")


def test_cool_within_the_band() -> None:
    cool = found(measured(log=steady(24.5))).findings[0]
    assert (cool.cause, cool.strength) == ("cold", "worked out")
    assert cool.text.startswith("Cool: 24.5 °C on average, within the lot's band; ")
    assert cool.effect_h == pytest.approx(29.0 * 0.12517, rel=1e-3)
    assert found(measured(log=steady(24.5), seen=WELL_LOOKS)).findings == ()


def test_without_a_set_point_the_lots_usual_water_counts() -> None:
    bare = measured(log=dipped(20.0, 2.0, 10.0), batch={"set_point_c": None}, usual_c=25.0)
    assert "lost against this lot's usual 25.0 °C" in found(bare).findings[0].text
    alone = found(replace(bare, usual_c=None)).findings[0]
    assert "lost against 23.0 °C" in alone.text


def test_warm_speeds_up_and_is_no_reason_for_delay() -> None:
    warm = only(found(measured(log=dipped(31.0, 2.0, 10.0))))
    assert warm.cause == "warm"
    assert warm.effect_h is not None
    assert warm.effect_h < -1.0
    assert "slow" not in warm.explains
    assert warm.text.startswith("Warm: 8.0 h above 30.0 °C, up to 31.0 °C; it ran ")
    assert found(measured(log=dipped(31.0, 2.0, 10.0))).text.endswith("Nothing measured explains it.")


def test_hot_water_is_doubtful() -> None:
    """From 33 C up: FAO Fisheries Technical Paper 428, annex 4."""
    hot = only(found(measured(log=dipped(38.0, 2.0, 6.0))))
    assert (hot.cause, hot.strength) == ("warm", "possible")
    assert hot.effect_h == pytest.approx(
        4.0 * (1.0 - float(schoolfield_1981(38.0) / schoolfield_1981(30.0))), abs=2
    )
    assert "up to 38.0 °C; from 33.0 °C up development is doubtful" in hot.text
    poor = found(measured(log=dipped(38.0, 2.0, 6.0), seen=WELL_LOOKS, share=0.4, usual_share=(0.6, 0.8)))
    assert poor.text.endswith("Nothing measured explains it for certain; possible: warm water.")


def test_salinity_outside_the_band() -> None:
    """5-35 g/L, none above 85-90: practice text after FAO."""
    salt = only(found(measured(salinity=((1.0, 48.0), (5.0, 50.0), (9.0, 49.0)))))
    assert (salt.cause, salt.strength) == ("salt", "possible")
    # the rule's range ends at 45 g/L: 15 x .010 on ln t
    assert salt.effect_h == pytest.approx(23.0 * math.expm1(0.15))
    assert salt.text == (
        "Salinity: 49 g/L, outside the 5 to 35 g/L that suit a hatch (practice text after FAO); about 3.7 h "
        "slower than at the 30 g/L noted, give or take 2.1 h."
    )
    fresh = only(found(measured(salinity=((1.0, 3.0),))))
    assert fresh.effect_h is None
    assert fresh.text.endswith("(practice text after FAO). What that cost is not known.")
    assert "above 85 to 90 g/L nothing hatches" in only(found(measured(salinity=((1.0, 95.0),)))).text


def test_salinity_noted_at_the_start_was_in_the_forecast() -> None:
    noted = only(found(measured(salinity=(), batch={"salinity": 40.0})))
    assert noted.effect_h is None
    assert found(measured(salinity=(), batch={"salinity": 34.0})).findings == ()
    assert found(measured(salinity=(), batch={"salinity": None})).findings == ()


def test_saltier_than_noted_within_the_band() -> None:
    salt = only(found(measured(salinity=((1.0, 34.0),), batch={"salinity": 25.0})))
    assert salt.effect_h == pytest.approx(23.0 * math.expm1(0.09))
    assert salt.text.startswith("Salinity: 34 g/L; about 2.2 h slower than at the 25 g/L noted")
    assert found(measured(salinity=((1.0, 34.0),), batch={"salinity": 25.0}, seen=WELL_LOOKS)).findings == ()


@pytest.mark.parametrize(
    ("grams", "litres", "dense"),
    [(10.0, 2.0, False), (10.1, 2.0, True), (99.0, 19.9, False), (40.0, 20.0, False), (41.0, 20.0, True)],
)
def test_density(grams: float, litres: float, dense: bool) -> None:
    """At most 5 g/L under 20 L, 2 g/L above: FAO Fisheries Technical Paper 428, annex 4."""
    said = found(measured(batch={"grams": grams, "litres": litres}))
    assert [finding.cause for finding in said.findings] == (["density"] if dense else [])


def test_density_in_words() -> None:
    said = found(measured(batch={"grams": 16.0}))
    assert only(said).text == (
        "Dense: 8.0 g/L in 2 L; at most 5 g/L is advised below 20 L (FAO Fisheries Technical Paper 428, "
        "annex 4). What that cost is not known."
    )
    assert said.text.endswith("Nothing measured explains it for certain; possible: too many cysts.")
    large = only(found(measured(batch={"grams": 90.0, "litres": 30.0})))
    assert "3.0 g/L in 30 L; at most 2 g/L is advised from 20 L on" in large.text
    assert found(measured(batch={"litres": None, "grams": 90.0})).findings == ()


def test_light() -> None:
    """About 2000 lux at the surface in the first hours: FAO Fisheries Technical Paper 428, annex 4."""
    dark = only(found(measured(light=((1.0, 100.0), (3.0, 140.0), (12.0, 9000.0)))))
    assert (dark.cause, dark.effect_h, dark.strength) == ("light", None, "possible")
    assert dark.text == (
        "Dark: 120 lux on average in the first 6 h; about 2000 lux at the surface is advised "
        "(FAO Fisheries Technical Paper 428, annex 4). What that cost is not known."
    )


def test_light_after_the_first_hours_changes_nothing() -> None:
    """Light for six hours at the start did as well as continuous: J. Crust. Biol.
    doi 10.1163/1937240x-00002454. Where none is measured, nothing is said."""
    assert found(measured(light=((1.0, 2000.0), (5.0, 2000.0), (8.0, 0.0), (20.0, 0.0)))).findings == ()
    assert found(measured(light=())).findings == ()
    assert found(measured(light=((8.0, 0.0),))).findings == ()


def test_age() -> None:
    old = only(found(measured(lot_age_days=200.0)))
    assert (old.cause, old.effect_h, old.strength) == ("age", None, "possible")
    assert old.text == (
        "Old: the lot had been in use for 200 days; opened cysts lose vigour unless kept dry and cold "
        "(common practice, no source). What that cost is not known."
    )
    assert found(measured(lot_age_days=200.0, seen=WELL_LOOKS, ended_h=25.0)).findings == ()


def test_gap() -> None:
    hours, temps = steady()
    kept = (hours <= 4.0) | (hours >= 15.0)
    said = found(measured(log=(hours[kept], temps[kept])))
    gap = only(said)
    assert (gap.cause, gap.strength) == ("gap", "cannot tell")
    # sqrt(.25 g^3/12 + .01 g (2 g)^2/3) C h for g = 11 h, at .095 per C
    exact = 0.095 * math.sqrt(0.25 * 11.0**3 / 12 + 0.01 * 11.0 * 22.0**2 / 3)
    assert gap.effect_h == pytest.approx(exact, rel=0.03)
    assert gap.text == (
        "Gap: 11.0 h without readings, the longest from 4.0 h after the start; what the water did then is "
        "not known, usually worth 38 min either way."
    )
    assert said.text.endswith("Nothing measured explains it for certain; possible: the gap in the log.")


def test_a_log_that_ends_early_is_a_gap_too() -> None:
    gap = only(found(measured(log=steady(hours=18.0))))
    assert gap.text.startswith("Gap: 11.0 h without readings, the longest from 18.0 h after the start;")
    assert found(measured(log=steady(hours=26.5))).findings == ()


def test_no_log_at_all() -> None:
    nothing = np.zeros(0)
    none = only(found(measured(log=(nothing, nothing))))
    assert none.text == "No temperature was logged: what the water did is not known."


def test_a_temperature_from_a_notebook() -> None:
    hours = np.array([0.0, 29.0])
    noted = only(found(measured(log=(hours, np.full(2, 26.0)), noted_sd_c=1.0)))
    assert (noted.cause, noted.strength) == ("notebook", "cannot tell")
    assert found(measured(log=(hours, np.full(2, 26.0)), noted_sd_c=1.0, seen=WELL_LOOKS)).findings == ()
    assert noted.text == (
        "Water known from the notebook only: 26.0 °C, in doubt by 1.0 °C; worth 2.8 h either way."
    )


def test_late_harvest() -> None:
    said = found(measured(seen=WELL_LOOKS, ended_h=35.0))
    late = only(said)
    assert (late.cause, late.strength) == ("late harvest", "worked out")
    assert late.effect_h == pytest.approx(5.0)
    assert late.text == (
        "Harvested 5.0 h after the window had closed, 30.0 h after the start: part of the nauplii had "
        "moulted and burnt reserves."
    )
    assert said.text.endswith("the first forecast said 23.0 h. Noted all the same:")
    perhaps = only(found(measured(seen=WELL_LOOKS, ended_h=31.0)))
    assert perhaps.strength == "possible"
    assert "the window had probably closed" in perhaps.text
    assert found(measured(seen=WELL_LOOKS, ended_h=30.4)).findings == ()


def test_late_harvest_is_no_reason_for_a_slow_hatch() -> None:
    said = found(measured(ended_h=40.0))
    assert only(said).cause == "late harvest"
    assert said.text.endswith("(9 in 10). Nothing measured explains it.")


def test_a_discarded_batch_was_not_harvested_late() -> None:
    case = measured(seen=WELL_LOOKS, ended_h=40.0)
    assert found(replace(case, batch=replace(case.batch, outcome="discarded"))).findings == ()


def test_scatter() -> None:
    """The prior's own difference between batches of a lot is about .13 of ln t, 3 h."""
    said = found(measured(seen=((23.5, "most"), (25.5, "complete")), ended_h=26.0))
    scatter = only(said)
    assert said.deviations == ()
    assert (scatter.cause, scatter.strength) == ("scatter", "usual")
    assert scatter.effect_h == pytest.approx(1.5)
    usual_h = 23.0 * float(np.std(LOT.u))
    assert scatter.text == (
        "1.5 h later than expected lies within what batches of one lot usually "
        f"differ by (about {usual_h:.1f} h)."
    )
    assert said.text == ("As expected: 90 % hatched between 23.5 and 25.5 h; the first forecast said 23.0 h.")


def test_what_a_cause_leaves_may_be_scatter() -> None:
    said = found(measured(log=dipped(20.0, 2.0, 10.0)))
    assert [finding.cause for finding in said.findings] == ["cold", "scatter"]
    assert said.findings[1].text.startswith("The 1.3 h that this leaves lie within what batches of one lot")
    assert said.text.endswith(
        "Measured causes account for 3.4 of about 4.8 h, and the rest is no more than the usual difference."
    )


# ---- several ----


@pytest.mark.parametrize(("cold_c", "first"), [(18.0, "cold"), (22.6, "salt")])
def test_two_causes_come_by_size(cold_c: float, first: str) -> None:
    """Salt is worth 3.7 h; six hours at 18 C more, at 22.6 C less."""
    said = found(measured(log=dipped(cold_c, 2.0, 9.0), salinity=((1.0, 50.0),)))
    causes = [finding.cause for finding in said.findings if finding.cause != "scatter"]
    assert sorted(causes) == ["cold", "salt"]
    assert causes[0] == first


def test_what_has_hours_comes_before_what_has_none() -> None:
    said = found(measured(log=dipped(20.0, 2.0, 6.0), batch={"grams": 40.0}, lot_age_days=95.0))
    assert [finding.cause for finding in said.findings] == ["cold", "density", "age", "scatter"]


def test_what_bears_on_the_deviation_comes_first() -> None:
    """A harvest 11 h late is larger than half an hour of cold, and no reason for a slow hatch."""
    said = found(measured(log=dipped(22.0, 2.0, 4.0), ended_h=41.0))
    assert [finding.cause for finding in said.findings] == ["cold", "late harvest"]


def test_the_rest_may_come_from_what_is_possible() -> None:
    said = found(measured(log=dipped(20.0, 2.0, 3.5), batch={"grams": 40.0}))
    assert said.text.endswith(
        "Measured causes account for 0.6 of about 4.8 h; the rest may come from too many cysts."
    )


# ---- looks ----


@pytest.mark.parametrize(
    ("seen", "between"),
    [
        ((), (0.0, math.inf)),
        (((20.0, "most"),), (20.0, math.inf)),
        (((20.0, "complete"),), (0.0, 20.0)),
        (((18.0, "none"), (20.0, "most"), (25.0, "complete"), (30.0, "complete")), (20.0, 25.0)),
        # nearly all is 80 to 95 %: the usual sigma of .15 says how near 90 % was
        (
            ((20.0, "nearly all"),),
            (20.0 * math.exp(0.15 * (Z90 - 1.645)), 20.0 * math.exp(0.15 * (Z90 - 0.84))),
        ),
        (((25.0, "most"), (20.0, "complete")), (20.0, 25.0)),
        (((20.0, "not complete"),), (20.0 * math.exp(0.15 * (Z90 - 1.645)), math.inf)),
    ],
)
def test_when_90_percent_had_hatched(
    seen: tuple[tuple[float, str], ...], between: tuple[float, float]
) -> None:
    assert seen_between(measured().batch, looks(*seen), Z90) == pytest.approx(between)


def test_a_look_near_the_end_does_not_tell_of_the_beginning() -> None:
    assert seen_between(measured().batch, looks((20.0, "not complete")), -Z90) == (0.0, math.inf)
    few = (20.0 * math.exp(0.15 * (-Z90 + 0.84)), 20.0 * math.exp(0.15 * (-Z90 + 2.0)))
    assert seen_between(measured().batch, looks((20.0, "few")), -Z90) == pytest.approx(few)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(st.floats(0.1, 60.0), st.sampled_from([*WORDS, "60 %", "90 %"])), max_size=4),
    st.lists(st.floats(2.0, 42.0), min_size=0, max_size=40),
    st.floats(1.0, 60.0),
    st.sampled_from([None, 4.0, 26.0, 40.0]),
    st.floats(0.0, 120.0),
)
def test_any_batch_has_a_diagnosis(
    seen: list[tuple[float, str]],
    temps: list[float],
    ended_h: float,
    set_point_c: float | None,
    salinity: float,
) -> None:
    hours = np.linspace(0.0, ended_h, len(temps))
    said = found(
        measured(
            log=(hours, np.array(temps)), seen=tuple(seen), ended_h=ended_h,
            batch={"set_point_c": set_point_c}, salinity=((1.0, salinity),),
        )
    )  # fmt: skip
    assert said.text
    for finding in said.findings:
        assert finding.effect_h is None or math.isfinite(finding.effect_h)
        assert "nan" not in finding.text
        assert "inf " not in finding.text

"""Many sites put together from their rows: what runs, who lags, what stands, what held."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from types import MappingProxyType

import pytest
from scipy import stats

from hatchmon.hatchery.fleet import Fleet, Row, SiteNow, ToldThere, make_fleet, urgency_of
from hatchmon.hatchery.types import Urgency

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)


def seconds(ago_h: float) -> float:
    return (NOW - ago_h * HOUR).timestamp()


def batch(
    ago_h: float, begun_h: float, running: float = 1.0, cone: str = "c1", lot: str = "dune-11",
    site: str = "quay", more: Mapping[str, float] = MappingProxyType({}),
) -> Row:  # fmt: skip
    """What was written of a batch ``ago_h`` before now."""
    return Row(site, cone, lot, seconds(ago_h), {"started": seconds(begun_h), "running": running, **more})


def forecast(
    ago_h: float, begun_h: float, opens_h: float | None, cone: str = "c1", site: str = "quay"
) -> Row:
    """A forecast of the window's opening, in hours from now, 3 h wide on both sides, closing 5 h later."""
    fields = {"started": seconds(begun_h), "hatched": 0.4, "trust": 1.0 if opens_h is not None else 0.0}
    for name, at_h in (("opens", opens_h), ("closes", None if opens_h is None else opens_h + 5.0)):
        if at_h is not None:
            fields |= {
                f"{name}_p10": seconds(3 - at_h),
                f"{name}_p50": seconds(-at_h),
                f"{name}_p90": seconds(-3 - at_h),
            }
            fields["usable_until"] = seconds(-at_h - 12.0)
    return Row(site, cone, "dune-11", seconds(ago_h), fields)


def told(
    ago_h: float, kind: str, urgency: Urgency = "soon", cone: str | None = "c1", lot: str | None = "dune-11"
) -> ToldThere:
    return ToldThere("quay", cone, lot, kind, f"{cone}: {kind}", urgency, NOW - ago_h * HOUR)


def made(
    batches: Sequence[Row] = (), forecasts: Sequence[Row] = (), alerts: Sequence[ToldThere] = (),
    last_h: float | None = 0.0, more: dict[str, datetime | None] | None = None,
) -> Fleet:  # fmt: skip
    last = {"quay": None if last_h is None else NOW - last_h * HOUR} | (more or {})
    return make_fleet(NOW, HOUR, last, batches, forecasts, alerts)


def site(fleet: Fleet, name: str = "quay") -> SiteNow:
    return next(each for each in fleet.sites if each.name == name)


def test_the_newest_row_of_a_batch_is_what_is_known_of_it() -> None:
    fleet = made([batch(20, 20), batch(3, 20)], [forecast(0.2, 20, 1.0), forecast(0.6, 20, 4.0)])
    (each,) = fleet.hatching
    assert each.batch.started == NOW - 20 * HOUR
    assert each.forecast is not None
    assert each.forecast.issued == NOW - 0.2 * HOUR
    assert each.forecast.opens is not None
    assert each.forecast.opens.p50 == pytest.approx(21.0)
    assert each.forecast.trust == "good"
    assert each.forecast.usable_h == pytest.approx(38.0)
    assert not each.silent
    assert made([batch(20, 20), batch(1, 20, running=0.0)], [forecast(1.1, 20, 1.0)]).hatching == []
    taken_back = batch(0.1, 0.3, running=0.0, more={"taken_back": 1.0})
    assert made([batch(0.3, 0.3), taken_back], [forecast(0.3, 0.3, 24.0)]).hatching == []


def test_a_late_count_of_the_batch_before_does_not_hide_the_one_that_runs() -> None:
    """Both of one lot: the newest row of all is that of the batch that has ended."""
    rows = [
        batch(30, 30),
        batch(2, 30, running=0.0),
        batch(1.5, 1.5),
        batch(0.2, 30, running=0.0, more={"hatched_share": 0.7}),
    ]
    (each,) = made(rows, [forecast(0.5, 1.5, 20.0)]).hatching
    assert each.batch.started == NOW - 1.5 * HOUR
    soon = [*rows[:3], batch(1.2, 30, running=0.0, more={"hatched_share": 0.7})]
    (each,) = made(soon, [forecast(1.5, 1.5, 20.0)], last_h=1.1).hatching
    assert each.batch.started == NOW - 1.5 * HOUR


def test_a_batch_at_the_time_of_a_wrong_clock_does_not_hatch_for_ever() -> None:
    wrong = batch(24 * 9, 24 * 9)
    moved = [batch(5, 5)]
    (each,) = made([wrong, *moved], [forecast(0.1, 5, 15.0)]).hatching
    assert each.batch.started == NOW - 5 * HOUR
    assert made([wrong, batch(1, 5, running=0.0)], []).hatching == []


def test_a_cone_not_heard_of_while_its_site_is_is_marked() -> None:
    """As when one of two programs that serve a site has ended."""
    rows = [batch(10, 10), batch(10, 10, cone="c2")]
    fleet = made(rows, [forecast(0.1, 10, 9.0), forecast(1.2, 10, 8.0, cone="c2")])
    assert {each.batch.cone: each.silent for each in fleet.hatching} == {"c1": False, "c2": True}
    fleet = made(rows, [forecast(0.1, 10, 9.0)])
    assert {each.batch.cone: each.forecast is None for each in fleet.hatching} == {"c1": False, "c2": True}


def test_a_site_lags_when_it_is_not_heard() -> None:
    fleet = made(last_h=0.9, more={"mill": NOW - 1.1 * HOUR, "pond": None, "weir": NOW - 30 * HOUR})
    assert {each.name: each.lags for each in fleet.sites} == {
        "quay": False,
        "mill": True,
        "pond": True,
        "weir": True,
    }
    assert [each.name for each in fleet.lags] == ["pond", "weir", "mill"]
    # What a lagging site said last is shown as of then.
    (each,) = made([batch(20, 20)], [forecast(6, 20, 2.0)], last_h=6).hatching
    assert not each.silent


def test_who_is_next_comes_first() -> None:
    rows = [batch(10, 10, cone=f"c{n}") for n in range(4)]
    forecasts = [forecast(0.1, 10, opens, f"c{n}") for n, opens in enumerate((9.0, -2.0, None, 3.0))]
    found = made(rows, forecasts).hatching
    assert [each.batch.cone for each in found] == ["c1", "c3", "c0", "c2"]
    assert found[-1].forecast is not None
    assert found[-1].forecast.not_predicted == "its site says why"
    assert found[-1].forecast.trust == "none"


def test_what_was_told_stands_for_the_batch_that_runs_and_for_the_site() -> None:
    runs = [batch(20, 20)], [forecast(0.1, 20, -1.0)]
    alerts = [
        told(21, "cold"),  # of the batch before
        told(3, "ready-soon", "can wait"),
        told(1, "ready"),
        told(0.5, "cold"),
        told(4, "broker", cone=None, lot=None),
        told(4, "series", "can wait", cone=None, lot=None),
        told(1, "warm", cone="c7"),  # nothing runs there
    ]
    assert [each.kind for each in site(made(*runs, alerts)).told] == ["cold", "ready", "broker"]
    later = [*alerts, told(0.2, "closing", "now")]
    assert [each.kind for each in site(made(*runs, later)).told] == ["closing", "cold", "broker"]
    assert [urgency_of(each) for each in (1.0, 2.0, 3.0)] == ["can wait", "soon", "now"]


def test_the_record_is_that_of_the_sites_own() -> None:
    said = {"t90_said_p10_h": 20.0, "t90_said_p50_h": 24.0, "t90_said_p90_h": 28.0}
    rows = [
        batch(40 - n, 60 - n, running=0.0, cone=f"c{n}", more={"t90_seen_h": seen, **said})
        for n, seen in enumerate((24.0, 27.9, 28.1, 20.0, 19.0))
    ]
    rows.append(batch(30, 60, running=0.0, site="mill", more={"t90_seen_h": 24.0, **said}))
    rows.append(batch(30, 60, running=0.0, cone="c9", more=said))  # nobody looked at its end
    rows.append(
        batch(39, 60, running=0.0, cone="c0", more={"t90_seen_h": 24.0, **said})
    )  # corrected: counted once
    rows.append(batch(38, 60, running=0.0, site="stranger", more={"t90_seen_h": 24.0, **said}))
    fleet = made(rows, more={"mill": NOW})
    assert (site(fleet).coverage.inside, site(fleet).coverage.count) == (3, 5)
    assert (fleet.coverage.inside, fleet.coverage.count) == (4, 6)
    assert fleet.coverage.share is not None
    # Jeffreys' interval as SciPy has it.
    expected = stats.beta.ppf((0.1, 0.9), 4.5, 2.5)
    assert (fleet.coverage.share.low, fleet.coverage.share.high) == pytest.approx(expected, abs=1e-4)
    (lot,) = fleet.lots
    assert (lot.lot, lot.batches, lot.sites) == ("dune-11", 6, 2)
    assert lot.pace is not None
    assert lot.pace.low < 1.0 < lot.pace.high
    assert lot.share is None
    assert made().coverage.share is None


def test_hatched_shares_are_compared_where_they_were_counted() -> None:
    rows = [
        batch(40, 60 + n, running=0.0, cone=f"c{n}", lot=lot, site=name, more={"hatched_share": share})
        for n, (lot, name, share) in enumerate(
            (lot, name, share)
            for lot, shares in (("dune-11", (0.9, 0.88, 0.93, 0.91)), ("shoal-7", (0.5, 0.55, 0.45, 0.5)))
            for name, share in zip(("quay", "mill", "mill", "quay"), shares, strict=True)
        )
    ]
    lots = {each.lot: each for each in made(rows, more={"mill": NOW}).lots}
    dune, shoal = lots["dune-11"].share, lots["shoal-7"].share
    assert dune is not None
    assert shoal is not None
    assert shoal.high < dune.low < dune.high < 1.0
    assert shoal.low < 0.5 < shoal.high
    assert lots["dune-11"].pace is None

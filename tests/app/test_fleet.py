"""Forty sites of twelve cones on one real store: what is shown of them, with one cut off for a day."""

from __future__ import annotations

import math
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from hatchmon.adapters.clock import SystemClock
from hatchmon.adapters.promql import Unanswered
from hatchmon.adapters.series import SeriesTrouble
from hatchmon.app.check import check_fleet
from hatchmon.app.fleet import read_fleet
from hatchmon.app.settings_model import Fleet as FleetSettings
from hatchmon.app.settings_model import Settings
from hatchmon.app.shown.console import console
from hatchmon.app.shown.fleet import fleet_shown
from hatchmon.hatchery.fleet import Fleet
from hatchmon.hatchery.wording import Voice
from tests.faults.proxy import Wire
from tests.servers import HOST, Receiver, VictoriaMetrics, free_port, wait_until
from tests.sites import (
    HOUR,
    LOTS,
    PACE_LOTS,
    QUARTER_BAND,
    SAID_H,
    SAID_SD,
    SHARE_LOTS,
    InventedSite,
    invented_sites,
)
from tests.system.daemon import Ground

SITES, CONES, DAYS = 40, 12, 2.5
AWAY = timedelta(days=1)


@dataclass
class Hatcheries:
    """The sites with their store at ``now``; the first one was cut off a day before that."""

    sites: list[InventedSite]
    store: VictoriaMetrics
    wire: Wire
    now: datetime
    cut_with: dict[str, str]
    """What hatched at the first site when it was cut off: cone and lot."""
    cut: Fleet
    """All of them, read while it was."""
    healed: Fleet
    """And after it had caught up."""


@pytest.fixture(scope="module")
def hatcheries(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hatcheries]:
    folder, now = tmp_path_factory.mktemp("sites"), datetime.now(UTC)
    with ExitStack() as stack:
        store = stack.enter_context(VictoriaMetrics(folder / "store"))
        wire = stack.enter_context(Wire(store.port))
        sites = invented_sites(
            folder, now, sites=SITES, cones=CONES, days=DAYS, reading_s=1800.0, fine=(AWAY, 3 * HOUR)
        )
        for site in sites:
            stack.enter_context(site)
        first, *others = sites
        settings = FleetSettings(url=store.url)

        first.live(now - AWAY)
        first.send(f"http://{HOST}:{wire.port}")
        cut_with = first.hatching()
        wire.cut()
        said: list[object] = []
        forwarder = first.forwarder(f"http://{HOST}:{wire.port}", said.append)
        first.live(now)  # its own work goes on
        forwarder.start()
        stack.callback(forwarder.stop)
        for site in others:
            site.live(now)
            site.send(store.url)
        wait_until(lambda: any(isinstance(each, SeriesTrouble) for each in said), 10.0, "the cut to be felt")
        assert not first.settle(said)
        store.export('{__name__="none"}')  # flushed
        cut = read_fleet(settings, now, 30.0)

        wire.mend()
        wait_until(lambda: first.settle(said), 60.0, "the site to catch up")
        store.export('{__name__="none"}')
        yield Hatcheries(sites, store, wire, now, cut_with, cut, read_fleet(settings, now, 30.0))


def hatching_at(fleet: Fleet, name: str) -> dict[str, str]:
    (site,) = (site for site in fleet.sites if site.name == name)
    return {each.batch.cone: each.batch.lot for each in site.hatching}


def test_every_site_shows_what_hatches_there(hatcheries: Hatcheries) -> None:
    fleet = hatcheries.healed
    assert [site.name for site in fleet.sites] == [site.name for site in hatcheries.sites]
    assert len(fleet.hatching) > 0.8 * SITES * CONES
    for site in hatcheries.sites:
        assert hatching_at(fleet, site.name) == site.hatching()
    running = {
        (site.name, plan.cone): plan
        for site in hatcheries.sites
        for plan in site.plans
        if plan.started <= hatcheries.now < plan.ends
    }
    moments = []
    for each in fleet.hatching:
        plan = running[each.site, each.batch.cone]
        assert abs(each.batch.started - plan.started) < timedelta(seconds=1)
        assert each.forecast is not None
        assert each.forecast.opens is not None
        assert hatcheries.now - timedelta(minutes=31) < each.forecast.issued <= hatcheries.now
        opens = each.batch.time_at(each.forecast.opens.p50)
        # Forecasts move from what is said first to the truth.
        low, high = sorted((SAID_H, plan.seen_h))
        assert low - 0.01 <= each.forecast.opens.p50 <= high + 0.01
        moments.append(opens)
    assert moments == sorted(moments)
    assert not any(each.silent for each in fleet.hatching)


def test_the_one_cut_off_lags_and_shows_what_was_when_it_was_cut_off(hatcheries: Hatcheries) -> None:
    fleet, first = hatcheries.cut, hatcheries.sites[0]
    (site,) = fleet.lags
    assert site.name == first.name
    assert site.last is not None
    assert timedelta(0) <= hatcheries.now - AWAY - site.last <= timedelta(minutes=30)
    assert hatching_at(fleet, first.name) == hatcheries.cut_with
    for each in site.hatching:
        assert each.forecast is not None
        assert site.last - timedelta(minutes=45) <= each.forecast.issued <= site.last
        assert not each.silent
    for other in hatcheries.sites[1:]:
        assert hatching_at(fleet, other.name) == other.hatching()
    ended = sum(plan.ends <= hatcheries.now - AWAY for plan in first.plans)
    assert site.coverage.count == ended < first.ended()


def test_when_it_has_caught_up_its_batches_are_there(hatcheries: Hatcheries) -> None:
    fleet, first = hatcheries.healed, hatcheries.sites[0]
    assert fleet.lags == []
    assert hatching_at(fleet, first.name) == first.hatching() != hatcheries.cut_with
    (site,) = (site for site in fleet.sites if site.name == first.name)
    assert site.coverage.count == first.ended()
    assert {each.cone for each in site.told} <= first.hatching().keys()


def test_the_record_counts_what_held(hatcheries: Hatcheries) -> None:
    inside = count = 0
    for site, told in zip(hatcheries.sites, hatcheries.healed.sites, strict=True):
        ended = [plan for plan in site.plans if plan.ends <= hatcheries.now]
        held = sum(abs(math.log(plan.seen_h / SAID_H)) <= QUARTER_BAND * SAID_SD for plan in ended)
        assert (told.coverage.inside, told.coverage.count) == (held, len(ended))
        inside, count = inside + held, count + len(ended)
    whole = hatcheries.healed.coverage
    assert (whole.inside, whole.count) == (inside, count)
    assert count > SITES * CONES / 2
    assert whole.share is not None
    assert whole.share.low < inside / count < whole.share.high


def test_lots_and_sites_are_told_apart(hatcheries: Hatcheries) -> None:
    fleet = hatcheries.healed
    lots = {each.lot: each for each in fleet.lots}
    middle = sum(site.pace for site in hatcheries.sites) / SITES
    assert lots.keys() == set(LOTS)
    assert sum(each.batches for each in fleet.lots) == fleet.coverage.count
    for name, pace, share in zip(LOTS, PACE_LOTS, SHARE_LOTS, strict=True):
        found = lots[name]
        assert found.pace is not None
        assert found.share is not None
        assert found.sites > SITES / 2
        # Three of the interval's standard deviations and more for one in a thousand.
        assert math.log(found.pace.value) == pytest.approx(
            pace + middle, abs=2.5 * math.log(found.pace.high / found.pace.value)
        )
        logit = math.log(found.share.value / (1.0 - found.share.value))
        assert logit == pytest.approx(share, abs=0.2)
    held = []
    for site, told in zip(hatcheries.sites, fleet.sites, strict=True):
        assert told.pace is not None
        held.append(math.log(told.pace.low) <= site.pace - middle <= math.log(told.pace.high))
    assert sum(held) / len(held) >= 0.6
    truth = [site.pace for site in hatcheries.sites]
    seen = [math.log(told.pace.value) for told in fleet.sites if told.pace]
    mean_truth, mean_seen = sum(truth) / SITES, sum(seen) / SITES
    together = sum((t - mean_truth) * (s - mean_seen) for t, s in zip(truth, seen, strict=True))
    alone = math.sqrt(sum((t - mean_truth) ** 2 for t in truth) * sum((s - mean_seen) ** 2 for s in seen))
    assert together / alone > 0.8


def test_what_was_told_stands_while_its_batch_runs(hatcheries: Hatcheries) -> None:
    expected = {
        (site.name, plan.cone)
        for site in hatcheries.sites
        for plan in site.plans
        if plan.started + plan.seen_h * HOUR <= hatcheries.now < plan.ends
    }
    assert expected
    told = [each for site in hatcheries.healed.sites for each in site.told]
    assert {(each.site, each.cone) for each in told} == expected
    assert {(each.kind, each.urgency) for each in told} == {("ready", "soon")}


def test_the_command_tells_it(hatcheries: Hatcheries, tmp_path: Path) -> None:
    ground = Ground(tmp_path, free_port(), tables=f'[fleet]\nurl = "{hatcheries.store.url}"')
    said = ground.done("fleet")
    assert said.startswith("40 sites, all heard within 60 min.")
    assert " more: hatchmon fleet --all" in said
    assert "inside the 80 % band first forecast" in said
    there = console()
    with there.capture() as everything:
        there.print(fleet_shown(hatcheries.healed, Voice(UTC), everything=True))
    assert len(everything.get().splitlines()) > len(said.splitlines()) + 300
    facts = ground.data("fleet")
    assert [each["site"] for each in facts["sites"]] == [site.name for site in hatcheries.sites]
    assert len(facts["hatching"]) == len(hatcheries.healed.hatching)
    assert {each["lot"] for each in facts["lots"]} == set(LOTS)
    assert facts["coverage"]["count"] == hatcheries.healed.coverage.count


def test_the_check_tells_whether_it_can_be_read(hatcheries: Hatcheries) -> None:
    url, here = hatcheries.store.url, SystemClock()
    tables = {"fleet": {"url": url}}
    (found,) = check_fleet(Settings.model_validate(tables), here)
    assert (found.ok, found.text, found.mend) == (True, f"{url} can be read; sites there: 40", "")
    (found,) = check_fleet(Settings.model_validate(tables | {"series": {"url": url}}), here)
    assert not found.ok
    assert "but home is not among its 40 sites" in found.text
    assert "series.url" in found.mend
    named = tables | {"series": {"url": url}, "site": "site-07"}
    assert all(each.ok for each in check_fleet(Settings.model_validate(named), here))
    assert list(check_fleet(Settings(), here)) == []


def test_a_store_that_does_not_answer_is_told(tmp_path: Path, receiver: Receiver) -> None:
    nobody = Ground(tmp_path / "none", free_port(), tables=f'[fleet]\nurl = "http://{HOST}:{free_port()}"')
    assert "nothing answers there; see whether it runs" in nobody.refused("fleet")
    (found,) = check_fleet(
        Settings.model_validate({"fleet": {"url": f"http://{HOST}:{free_port()}"}}), SystemClock()
    )
    assert (found.ok, found.mend) == (False, "correct fleet.url and token, or start the server")
    without = Ground(tmp_path / "without", free_port())
    assert "[fleet]" in without.refused("fleet", code=2)
    receiver.behaviour = "hang"
    with pytest.raises(Unanswered, match="no answer in time"):
        read_fleet(FleetSettings(url=receiver.url), datetime.now(UTC), 0.3)


def test_what_others_write_into_the_store_does_no_harm(
    victoria_metrics: VictoriaMetrics, tmp_path: Path
) -> None:
    """Names that no site can have are left alone; a lot's name and a title are shown, not obeyed."""
    us = round(datetime.now(UTC).timestamp() * 1e6)
    begun = us / 1e6 - 3600.0
    lines = [
        f"temperature,site=quay,cone=c1,fit=yes value=26 {us}",
        f'temperature,site=a"}}|.*,cone=c1,fit=yes value=26 {us}',
        f"temperature,site=Caps,cone=c1,fit=yes value=26 {us}",
        f"batch,site=quay,cone=c1,lot=tin\x1b[2J started={begun},running=1 {us}",
        f"alert,site=quay,cone=c1,lot=tin\x1b[2J,kind=cold,title=c1:\x1b]0;x\x07 urgency=2 {us}",
    ]
    body = "\n".join(lines).encode()
    with urllib.request.urlopen(f"{victoria_metrics.url}/api/v2/write?precision=us", body, timeout=10.0):
        pass
    victoria_metrics.export()
    ground = Ground(tmp_path, free_port(), tables=f'[fleet]\nurl = "{victoria_metrics.url}"')
    said = ground.done("fleet")
    assert said.startswith("1 site, heard within 60 min.")
    assert "tin\\x1b[2J" in said
    assert "\x1b" not in said
    assert "\x07" not in said
    assert "No forecast lately: see its site." in said


def test_an_empty_store_has_no_sites(victoria_metrics: VictoriaMetrics, tmp_path: Path) -> None:
    ground = Ground(tmp_path, free_port(), tables=f'[fleet]\nurl = "{victoria_metrics.url}"')
    assert ground.done("fleet") == "No site has written to this store in the last 30 days.\n"
    assert ground.data("fleet")["sites"] == []

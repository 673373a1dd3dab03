"""Claims to cones on a real broker: who gives way, and what nonsense can do."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hatchmon.adapters.clock import SystemClock
from hatchmon.adapters.mqtt import LinkDown
from hatchmon.adapters.store import Store
from hatchmon.app import share as share_module
from hatchmon.app.intake import topics_of
from hatchmon.app.service import make_broker
from hatchmon.app.settings import Settings
from hatchmon.app.share import ShareKeeper, check_ours, claims_now, claims_topic, neighbours, resting
from hatchmon.hatchery.machine import share_facts
from hatchmon.hatchery.payload import Unreadable
from hatchmon.hatchery.shares import LARGEST_CLAIM, Claim, conflict_of, read_claim
from hatchmon.hatchery.types import Refused
from tests.servers import HOST, Mosquitto, wait_until
from tests.system.daemon import Client

HOLDER = "0123456789abcdef"
CONFIG = Path(__file__).parents[2] / "config"


def settings_of(folder: Path, port: int, name: str, *cones: str, **more: object) -> Settings:
    folder.mkdir(parents=True, exist_ok=True)
    return Settings.model_validate(
        {
            "share": {"name": name, "cones": list(cones)},
            "store": {"path": str(folder / f"{name}.db")},
            "broker": {"host": HOST, "port": port, **more},
        }
    )


class Keeper:
    """A ShareKeeper in a thread of its own, as a daemon's."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.refused: str | None = None
        self.downs: list[str] = []
        self._ended = threading.Event()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        with Store(self.settings.store.path) as store:
            self.keeper = ShareKeeper(self.settings, make_broker(self.settings), store, SystemClock())
            self._ready.set()
            self.keeper.start()
            try:
                while not self._ended.is_set():
                    self.keeper.turn(self._down)
                    self._ended.wait(0.01)
            except Refused as why:
                self.refused = str(why)
            self.keeper.stop(1.0)

    def _down(self, down: LinkDown) -> None:
        self.downs.append(down.reason)

    def settled(self) -> bool:
        """Whether it gave way or may go on; which of the two is returned."""
        self._ready.wait(10.0)
        wait_until(lambda: self.refused or self.keeper.granted, 20.0, "an answer to the claim")
        return self.keeper.granted

    def stop(self) -> None:
        self._ended.set()
        self._thread.join(10.0)


def test_of_two_that_start_at_once_exactly_one_gives_way(tmp_path: Path, mosquitto: Mosquitto) -> None:
    for attempt in range(8):
        folder = tmp_path / str(attempt)
        two = [
            Keeper(settings_of(folder, mosquitto.port, name, *cones))
            for name, cones in (("hall-a", ("a1..a5",)), ("hall-b", ("a5..a9",)))
        ]
        granted = [each.settled() for each in two]
        assert sorted(granted) == [False, True]
        loser, winner = two[granted.index(False)], two[granted.index(True)]
        assert loser.refused is not None
        assert loser.refused.startswith(f"a5: share {winner.settings.share.name} looks after it as well as")  # type: ignore[union-attr]
        for each in two:
            each.stop()
        assert claims_now("home", make_broker(winner.settings), SystemClock()) == []


def test_three_with_cones_of_their_own_all_run_and_know_each_other(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    three = [Keeper(settings_of(tmp_path, mosquitto.port, f"hall-{n}", f"{n}1..{n}9")) for n in "abc"]
    assert all(each.settled() for each in three)

    def known() -> dict[str, list[str]]:
        with Store(three[0].settings.store.path, read_only=True) as store:
            return neighbours(store)

    wait_until(lambda: len(known()) == 2, 10.0, "both neighbours")
    assert known() == {f"hall-{n}": [f"{n}{number}" for number in range(1, 10)] for n in "bc"}
    for each in three:
        each.stop()
    with Store(three[0].settings.store.path) as store:
        with pytest.raises(Refused, match="share hall-c looks after it"):
            check_ours(three[0].settings, store, {"do": "begin", "cone": "c4"})
        check_ours(three[0].settings, store, {"do": "begin", "cone": "a4"})
        check_ours(three[0].settings, store, {"do": "import", "cone": "notebook"})
        check_ours(three[0].settings, store, {"do": "seen"})
        assert resting(three[0].settings, store) == []


def test_a_claim_waits_for_the_broker(tmp_path: Path, mosquitto: Mosquitto) -> None:
    mosquitto.stop()
    keeper = Keeper(settings_of(tmp_path, mosquitto.port, "hall-a", "a1..a5"))
    wait_until(lambda: keeper.downs, 10.0, "a word on the broker")
    assert not keeper.keeper.granted
    mosquitto.start()
    assert keeper.settled()
    # And stands again after a restart of the broker, however little that kept.
    mosquitto.stop()
    (mosquitto.folder / "mosquitto.db").unlink(missing_ok=True)
    mosquitto.start()
    broker = make_broker(keeper.settings)
    wait_until(lambda: claims_now("home", broker, SystemClock()), 20.0, "the claim")
    keeper.stop()


def test_one_that_runs_tells_of_a_rival_that_stays_and_of_nobody_who_gives_way(
    tmp_path: Path, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(share_module, "STANDS_S", 1.0)
    keeper = Keeper(settings_of(tmp_path, mosquitto.port, "hall-a", "a1..a5"))
    assert keeper.settled()
    briefly = Keeper(settings_of(tmp_path, mosquitto.port, "hall-b", "a5..a9"))
    assert not briefly.settled()
    briefly.stop()
    topic = claims_topic("home", "hall-c", HOLDER)
    with Client(mosquitto.port) as stranger:
        stranger.send(topic, of("hall-c", "a3").text("x"), retain=True)
        wait_until(lambda: keeper.keeper.rival, 10.0, "a word on it")
        told = keeper.keeper.rival
        assert told is not None
        assert told.startswith("a3: share hall-c looks after it as well as hall-a")
        assert [fact.title for fact in share_facts(told)] == ["Two hatchmons look after the same cones"]
        stranger.send(topic, b"", retain=True)
        wait_until(lambda: keeper.keeper.rival is None, 10.0, "its end")
        # Started by hand, or by an upgrade: a hatchmon that has every cone.
        stranger.send("hatchmon/home/availability", b"online", retain=True)
        wait_until(lambda: keeper.keeper.rival, 10.0, "a word on the other")
        assert "A hatchmon without [share]" in str(keeper.keeper.rival)
        assert keeper.keeper.granted
    keeper.stop()
    assert share_facts(None) == []


def rules(folder: Path, text: str) -> str:
    (folder / "acl").write_text(text)
    return f"acl_file {folder / 'acl'}\nallow_anonymous true"


def test_a_broker_that_keeps_claims_from_us_is_told_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(share_module, "ECHO_WITHIN_S", 1.0)
    with Mosquitto(tmp_path, extra_conf=rules(tmp_path, "topic write hatchmon/home/#\n")) as broker:
        keeper = Keeper(settings_of(tmp_path, broker.port, "hall-a", "a1..a5"))
        assert not keeper.settled()
        keeper.stop()
    assert keeper.refused == (
        "The broker does not give our claim back, so nobody can tell whether another hatchmon has our cones. "
        "Let hatchmon's user read and write hatchmon/home/shares/# and read hatchmon/home/availability in "
        "the broker's access list (config/mosquitto-acl.example)."
    )


def test_the_shipped_rules_let_a_share_do_all_it_needs(tmp_path: Path) -> None:
    shipped = (CONFIG / "mosquitto-acl.example").read_text()
    mine = shipped[shipped.index("user hatchmon") : shipped.index("user probe-left")]
    text = rules(tmp_path, mine.replace("user hatchmon\n", ""))  # for whoever has no name
    with Mosquitto(tmp_path, extra_conf=text) as broker:
        first = Keeper(settings_of(tmp_path, broker.port, "hall-a", "a1..a5"))
        assert first.settled()
        second = Keeper(settings_of(tmp_path, broker.port, "hall-b", "a5..a9"))
        assert not second.settled()
        first.stop()
        second.stop()


def test_what_a_share_asks_the_broker_for() -> None:
    alone = {
        "probes": [{"cone": "a1", "quantity": "light", "topic": "x"}],
        "requests": {"over_mqtt": ["seen"]},
    }
    shared = Settings.model_validate({"share": {"name": "h", "cones": ["a1..a3"]}, **alone})
    assert topics_of(shared) == [
        *("hatchmon/home/shares/h/mark", "x"),
        *(f"hatchmon/home/a{number}/request" for number in (1, 2, 3)),
        *(f"hatchery/a{number}/+" for number in (1, 2, 3)),
    ]
    assert topics_of(Settings.model_validate(alone)) == [
        *("hatchmon/home/mark", "x", "hatchmon/home/+/request", "hatchery/+/+")
    ]


def test_the_largest_list_fits_into_a_claim() -> None:
    names = frozenset(f"{number:04}{'x' * 28}" for number in range(2000))
    claim = Claim("hall-a", HOLDER, names, "2026-03-01T18:00+00:00")
    text = claim.text("0123456789abcdef")
    assert len(text) <= LARGEST_CLAIM
    assert read_claim("hall-a", HOLDER, text) == claim


@pytest.mark.parametrize(
    ("payload", "said"),
    [
        (b"", "empty"),
        (b"\xff", "not text"),
        (b"x" * (LARGEST_CLAIM + 1), "larger than"),
        (b"[" * 100_000, "not JSON"),
        (b"[]", "not a claim of version 1"),
        (b'{"version": 2, "cones": ["a"], "since": ""}', "not a claim of version 1"),
        (b'{"version": 1, "cones": "a1", "since": ""}', "cones is not a list"),
        (b'{"version": 1, "cones": [1], "since": ""}', "cones is not a list"),
        (b'{"version": 1, "cones": ["a1..a999999999999"], "since": ""}', "is 999999999999 cones"),
        (b'{"version": 1, "cones": ["\\u001b[31m"], "since": ""}', "must be a name"),
        (b'{"version": 1, "cones": ["a"], "since": "\\u001b[31m"}', "since is not a time"),
        (b'{"version": 1, "cones": ["a"]}', "since is not a time"),
    ],
)
def test_nonsense_is_no_claim(payload: bytes, said: str) -> None:
    with pytest.raises(Unreadable) as caught:
        read_claim("hall-a", HOLDER, payload)
    assert said in str(caught.value)
    assert str(caught.value).isprintable()


@given(st.binary(max_size=300))
def test_any_bytes_are_a_claim_or_not(payload: bytes) -> None:
    try:
        claim = read_claim("hall-a", HOLDER, payload)
    except Unreadable:
        return
    assert claim.share == "hall-a"


def of(share: str, *cones: str) -> Claim:
    return Claim(share, HOLDER, frozenset(cones), "then")


def test_who_is_in_the_way() -> None:
    own = of("b", "x1", "x2")
    assert conflict_of(own, [of("a", "x3")], whole_site=False) is None
    said: Callable[[str | None], str] = str
    assert said(conflict_of(own, [of("c", "x1"), of("a", "x2")], whole_site=False)).startswith("x2: share a ")
    assert said(conflict_of(own, [of("b", "y")], whole_site=False)).startswith("Another hatchmon is share b")
    assert said(conflict_of(own, [], whole_site=True)).startswith("A hatchmon without [share]")

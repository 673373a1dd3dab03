"""``hatchmon check``: does everything around hatchmon answer, and how to mend what does not."""

from __future__ import annotations

import json
import queue
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from urllib.error import HTTPError
from urllib.request import ProxyHandler, build_opener

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.courier import bad_address, masked
from hatchmon.adapters.heartbeat import call, shown
from hatchmon.adapters.mqtt import LinkDown, LinkUp, MqttLink, SubscriptionRefused
from hatchmon.adapters.promql import Unanswered
from hatchmon.adapters.push import try_now
from hatchmon.adapters.series import SeriesForwarder
from hatchmon.adapters.store import Store, StoreError, Taken
from hatchmon.app.fleet import try_fleet
from hatchmon.app.intake import topics_of
from hatchmon.app.service import addresses, make_broker, make_series_server
from hatchmon.app.settings import Settings
from hatchmon.app.share import claimed_on, claims_now, resting
from hatchmon.app.state import availability_topic
from hatchmon.hatchery.cone_list import in_words
from hatchmon.hatchery.shares import Claim, cones_words, conflict_of
from hatchmon.hatchery.types import Refused
from hatchmon.hatchery.wording import printable

BROKER_WAIT_S = 6.0
FLEET_WAIT_S = 6.0
PAGE_WAIT_S = 3.0
UNREAD_WITHIN = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of the check; ``mend`` is empty when all is well."""

    part: str
    ok: bool
    text: str
    mend: str = ""


def check_all(settings: Settings, clock: Clock, send_test: bool) -> Iterator[Finding]:
    """A finding for each part, in the order a keeper would mend them."""
    mapped = len(settings.heard_probes)
    yield Finding("settings", True, f"read; site {settings.site}, probes mapped: {mapped}")
    yield check_database(settings)
    yield check_clock(settings, clock)
    yield check_broker(settings, clock)
    yield from check_shares(settings, clock)
    yield from check_messages(settings, clock)
    yield check_series(settings)
    yield from check_fleet(settings, clock)
    yield from check_push(settings, send_test)
    yield check_page(settings)
    yield from check_heartbeat(settings, send_test)


def check_database(settings: Settings) -> Finding:
    """Whether the database can be opened, and whether the daemon holds it."""
    path = settings.store.path
    try:
        with Store(path) as store:
            cones = len(store.cones())
        return Finding("database", True, f"{path}, cones known: {cones}; the daemon is not running")
    except Taken:
        return Finding("database", True, f"{path}, in use by the running daemon")
    except StoreError as why:
        return Finding(
            "database", False, str(why), "see above; or set store.path to a folder you may write in"
        )


def check_clock(settings: Settings, clock: Clock) -> Finding:
    """Whether the machine's clock can be believed."""
    shown = f"{clock.now().astimezone(settings.zone):%Y-%m-%d %H:%M}"
    is_set = clock.synchronised()
    if is_set is False and settings.clock.wait_min > 0:
        return Finding(
            "clock", False, f"shows {shown}, and is not set by the network",
            "look with 'timedatectl'; where it is right without a network, set clock.wait_min = 0",
        )  # fmt: skip
    told = {
        True: "set by the network",
        False: "taken as it is",
        None: "whether it is set nobody can tell here",
    }
    return Finding("clock", True, f"shows {shown}; {told[is_set]}")


def check_broker(settings: Settings, clock: Clock) -> Finding:
    """Connect as a second client, so that the running daemon is not disturbed, and subscribe."""
    broker = make_broker(settings)
    where = f"{broker.host}:{broker.port}"
    probing = replace(broker, client_id=f"{broker.client_id}-check", keep_session=False)
    topics = topics_of(settings)
    inbox: queue.Queue[object] = queue.Queue(1000)
    will = (availability_topic(settings) + "/check", b"")
    link = MqttLink(probing, topics, will, inbox, now=clock.now, monotonic=clock.monotonic)
    link.start()
    refused: list[str] = []
    deadline = time.monotonic() + BROKER_WAIT_S
    try:
        while (wait := deadline - time.monotonic()) > 0:
            try:
                event = inbox.get(timeout=wait)
            except queue.Empty:
                break
            if isinstance(event, SubscriptionRefused):
                refused.append(f"{event.topic} ({event.reason})")
            elif isinstance(event, LinkDown):
                keys = "host, port, username and password"
                if broker.tls:
                    keys = "host, port, username, password, ca_file, cert_file and key_file"
                return Finding(
                    "broker", False, f"{where}: {event.reason}",
                    f"start it ('sudo systemctl start mosquitto'), or correct broker.{keys}",
                )  # fmt: skip
            elif isinstance(event, LinkUp):
                if refused:
                    more = f" and {len(refused) - 10} more" if len(refused) > 10 else ""
                    return Finding(
                        "broker", False, f"{where} refuses {', '.join(refused[:10])}{more}",
                        "allow these topics for hatchmon's user in the broker's ACL",
                    )  # fmt: skip
                return Finding(
                    "broker", True, f"{where}, MQTT {event.protocol}, subscriptions granted: {len(topics)}"
                )
        return Finding("broker", False, f"{where} does not answer", "correct broker.host and broker.port")
    finally:
        link.stop()


def check_shares(settings: Settings, clock: Clock) -> Iterator[Finding]:
    """Who else looks after cones of this broker; nothing where we are alone."""
    if settings.share is None:
        return
    own = Claim(settings.share.name, "", settings.share.names, "")
    try:
        claims = claims_now(settings.site, make_broker(settings), clock)
    except Refused as why:
        yield Finding(
            "shares", False, f"{own.share} has {cones_words(own)}; who has others is not known: {why}",
            f"see above; and let hatchmon's user read and write hatchmon/{settings.site}/shares/#",
        )  # fmt: skip
        return
    unread = [claim for claim in claims if isinstance(claim, str)]
    others = [claim for claim in claims if isinstance(claim, Claim) and claim.share != own.share]
    here = [claim for claim in claims if isinstance(claim, Claim) and claim.share == own.share]
    runs = "runs" if here else "does not run"
    told = [f"{own.share}, this one, {runs}, with {cones_words(own)}"]
    told += [f"{claim.share}, since {claim.since}, with {cones_words(claim)}" for claim in others]
    rival = conflict_of(own, others, False)
    if rival is None and len(here) > 1:
        rival = conflict_of(here[0], here[1:], False)
    if rival is None and unread:
        rival = f"Nobody can read {printable(unread[0])}; take it away: hatchmon check --clear SHARE"
    if rival is None and here and here[0].cones != own.cones:
        rival = "It runs with another list of cones than the settings have: restart it"
    yield Finding("shares", rival is None, "; ".join(told), rival or "")
    try:
        with Store(settings.store.path, read_only=True) as store:
            left = resting(settings, store)
    except StoreError:
        return  # told as the database's finding
    if left:
        yield Finding(
            "shares", False, f"a batch runs in our record in {in_words(left)}, not of share.cones",
            "add the cone to share.cones until its batch is harvested",
        )  # fmt: skip


def clear_share(settings: Settings, clock: Clock, share: str) -> str:
    """Take away the claim of a share that is gone for good; the words for the keeper. Raises Refused."""
    broker = make_broker(settings)

    def of_it(claims: list[Claim | str]) -> bool:
        return any(
            (claim.share if isinstance(claim, Claim) else (claimed_on(claim) or ("",))[0]) == share
            for claim in claims
        )

    claims = claims_now(settings.site, broker, clock)
    if not of_it(claims):
        there = sorted({claim.share for claim in claims if isinstance(claim, Claim)})
        some = f"There are: {', '.join(there)}." if there else "There is none at all."
        raise Refused(f"No share {printable(share)} has a claim on the broker. {some}")
    if of_it(claims_now(settings.site, broker, clock, clear=share)):
        raise Refused(
            f"Share {share} is alive and has claimed its cones again. Stop it first: "
            f"sudo systemctl stop hatchmon@{share}"
        )
    return f"The claim of share {share} is taken away; others may look after its cones now."


def check_messages(settings: Settings, clock: Clock) -> Iterator[Finding]:
    """What came over MQTT in the last hours and could not be read; nothing where there is no database."""
    try:
        with Store(settings.store.path, read_only=True) as store:
            unread = store.rejected_since(clock.now() - UNREAD_WITHIN)
    except StoreError:
        return  # told as the database's finding
    hours = UNREAD_WITHIN / timedelta(hours=1)
    if not unread:
        yield Finding("messages", True, f"none in the last {hours:g} h that could not be read")
        return
    topic, reason = unread[-1]
    yield Finding(
        "messages", False,
        f"{len(unread)} in the last {hours:g} h could not be read; newest: {printable(topic)}: {reason}",
        "correct the probe or its entry in [[probes]]; all of them: hatchmon export rejected",
    )  # fmt: skip


def check_series(settings: Settings) -> Finding:
    """Whether the time-series store takes what we would write."""
    server = make_series_server(settings)
    if server is None:
        return Finding("series", True, "none set; readings stay in the database alone")
    trouble = SeriesForwarder(server, [], lambda _: None).probe()
    if trouble is None:
        refused = _lines_refused(settings)
        more = f"; {refused} lines that it refused are kept: hatchmon export refused" if refused else ""
        return Finding("series", True, f"{server.url} takes writes{more}")
    return Finding("series", False, trouble, "correct series.url, token, org and bucket, or start the server")


def check_fleet(settings: Settings, clock: Clock) -> Iterator[Finding]:
    """Whether the store of all sites can be read; nothing where none is set."""
    fleet = settings.fleet
    if fleet is None:
        return
    try:
        sites = try_fleet(fleet, clock.now(), FLEET_WAIT_S)
    except Unanswered as why:
        yield Finding("fleet", False, str(why), "correct fleet.url and token, or start the server")
        return
    if settings.series is not None and settings.site not in sites:
        yield Finding(
            "fleet",
            False,
            f"{fleet.url} can be read, but {settings.site} is not among its {len(sites)} sites",
            "see whether series.url leads to the same store; the first points come within a minute",
        )
        return
    yield Finding("fleet", True, f"{fleet.url} can be read; sites there: {len(sites)}")


def _lines_refused(settings: Settings) -> int:
    """Lines that the series store would not have; 0 where there is no database."""
    try:
        with Store(settings.store.path, read_only=True) as store:
            return store.lines_refused()
    except StoreError:
        return 0  # told as the database's finding


def check_push(settings: Settings, send_test: bool) -> Iterator[Finding]:
    """Whether each address is understood; with ``send_test`` a message goes to each."""
    if not settings.push.to:
        yield Finding(
            "push", False, "no address set: the phone will not be told of anything",
            "set push.to, for instance [\"mailto://...\"] (or environment HATCHMON_PUSH__TO)",
        )  # fmt: skip
    for number, address in addresses(settings).items():
        key = f"push.to[{number}]" if number >= 0 else f"push.second.to[{-1 - number}]"
        trouble = bad_address(address)
        if trouble is None and send_test:
            trouble = try_now(address, "hatchmon: a test", "If you read this, hatchmon can reach you.")
        if trouble is not None:
            yield Finding(
                "push",
                False,
                trouble if trouble.startswith(masked(address)) else f"{masked(address)}: {trouble}",
                f"correct {key}",
            )
        else:
            said = "took the test message" if send_test else "understood; try it with 'hatchmon check --send'"
            yield Finding("push", True, f"{masked(address)}: {said}")


def check_page(settings: Settings) -> Finding:
    """Whether the page answers, where the daemon runs."""
    web = settings.web
    if not web.enabled:
        return Finding("page", True, "switched off (web.enabled)")
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(web.host, web.host)
    shown = f"[{host}]" if ":" in host else host
    where = f"http://{shown}:{web.port}/"
    seen = where if web.address is None else web.address
    try:
        direct = build_opener(ProxyHandler({}))
        with direct.open(f"{where}healthz", timeout=PAGE_WAIT_S) as answer:
            ours = "engine_idle_s" in json.load(answer)
    except HTTPError as error:
        ours = error.code == 503
    except (OSError, ValueError):
        return _without_page(settings, seen)
    if ours:
        return Finding("page", True, f"answers at {seen}")
    return Finding("page", False, f"something else answers at {where}", "set web.port to a free port")


def _without_page(settings: Settings, where: str) -> Finding:
    try:
        Store(settings.store.path).close()
    except Taken:
        return Finding(
            "page",
            False,
            f"does not answer at {where}",
            "see why: journalctl -u 'hatchmon*'; or set another web.port",
        )  # fmt: skip
    except StoreError:
        pass  # told as the database's finding
    return Finding("page", True, f"will be at {where} once the daemon runs")


def check_heartbeat(settings: Settings, send_test: bool) -> Iterator[Finding]:
    """Whether the address to be called answers, tried with ``send_test`` only."""
    beat = settings.heartbeat
    if beat is None:
        return
    url = beat.url.get_secret_value()
    trouble = call(url, beat.method) if send_test else None
    if trouble is not None:
        yield Finding("heartbeat", False, trouble, "correct heartbeat.url and method")
    else:
        said = "took a call" if send_test else "try it with 'hatchmon check --send'"
        yield Finding("heartbeat", True, f"{shown(url)}, every {beat.every_s:g} s: {said}")

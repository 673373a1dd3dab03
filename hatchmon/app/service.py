"""The daemon: threads around one engine, from READY to a drained stop."""

from __future__ import annotations

import contextlib
import logging
import queue
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from datetime import timedelta
from functools import partial
from typing import Any

from hatchmon.adapters.clock import Clock, RehearsalClock, SystemClock
from hatchmon.adapters.heartbeat import Heartbeat
from hatchmon.adapters.memory import give_back, settle
from hatchmon.adapters.mqtt import Broker, Incoming, MqttLink
from hatchmon.adapters.notify import Notify
from hatchmon.adapters.push import Letter, Pusher
from hatchmon.adapters.series import SeriesForwarder, SeriesServer
from hatchmon.adapters.store import Store, StoreError, from_us
from hatchmon.adapters.store.dbfile import is_damage
from hatchmon.adapters.web.server import WebServer
from hatchmon.app import state
from hatchmon.app.ask import NOT_YET, Answered, wait_for_answer
from hatchmon.app.backups import Backups
from hatchmon.app.engine import DailyDue, Engine, JobTold, RequestLeft
from hatchmon.app.intake import topics_of
from hatchmon.app.jobs import Jobs
from hatchmon.app.outgoing import feeds
from hatchmon.app.pending import DAILY
from hatchmon.app.replan import Replanner
from hatchmon.app.rescue import left_whole, make_good, set_aside_if_damaged, suspect, tell_of_spool
from hatchmon.app.settings import Settings
from hatchmon.app.share import ShareKeeper
from hatchmon.app.snapshot import Showcase
from hatchmon.app.watchman import Watchman
from hatchmon.hatchery.payload import LARGEST_PAYLOAD
from hatchmon.hatchery.types import Alert, Refused

log = logging.getLogger(__name__)

MOST_AT_ONCE = 500
LOOK_FOR_FILE_S = 5.0
STATUS_S = 0.25  # apart; with very many cones it takes a while to make
POST_WAIT_S = 1.0
SHARE_WAIT_S = 3.0
TOPICS_KEY = "topics"  # in the record: what the broker's session may hold
DAILY_GRACE = timedelta(hours=2)  # after that the message of the day would be out of date


def make_clock(settings: Settings) -> Clock:
    """The machine's clock, or the rehearsal's when one is set."""
    rehearsal = settings.rehearsal
    if rehearsal is None:
        return SystemClock()
    return RehearsalClock(rehearsal.real_start, rehearsal.shown_start, rehearsal.speed)


def make_broker(settings: Settings) -> Broker:
    """The connection facts for the MQTT adapter."""
    broker = settings.broker
    return Broker(
        host=broker.host,
        port=broker.port,
        client_id=broker.client_id or f"hatchmon-{settings.own_name}",
        username=broker.username,
        password=None if broker.password is None else broker.password.get_secret_value(),
        tls=broker.tls,
        ca_file=broker.ca_file,
        cert_file=broker.cert_file,
        key_file=broker.key_file,
        key_password=None if broker.key_password is None else broker.key_password.get_secret_value(),
        receive_maximum=broker.receive_maximum,
    )


def make_series_server(settings: Settings) -> SeriesServer | None:
    """The series store, or None when the keeper has none."""
    series = settings.series
    if series is None:
        return None
    return SeriesServer(series.url, series.token.get_secret_value(), series.org, series.bucket)


def addresses(settings: Settings) -> dict[int, str]:
    """The push addresses in clear, by number; from -1 downwards those of ``push.second``."""
    second = settings.push.second
    return {number: address.get_secret_value() for number, address in enumerate(settings.push.to)} | {
        -1 - number: address.get_secret_value()
        for number, address in enumerate([] if second is None else second.to)
    }


SHOWN = ("begin", "look", "harvest")
"""Requests that change the picture the page is made from."""


class Service:
    """Everything that ``hatchmon run`` starts; ``stop``, from any thread, makes ``run`` return, and so
    does ``stopping``. ``told``: an alert of the time before, and to how many addresses it has yet to go."""

    def __init__(
        self,
        settings: Settings,
        notify: Notify | None = None,
        planner: Replanner | None = None,
        stopping: threading.Event | None = None,
        told: tuple[Alert, int] | None = None,
    ) -> None:
        settle()
        self._settings = settings
        self._notify = notify or Notify()
        self._planner = planner
        self._clock = make_clock(settings)
        self._stopping = stopping or threading.Event()
        self._inbox: queue.Queue[object] = queue.Queue(settings.broker.receive_maximum * 2 + 256)
        found = set_aside_if_damaged(settings, self._clock.now())
        self._store = Store(settings.store.path)
        try:
            if found is not None:
                make_good(settings, self._store, found, self._clock.now())
            tell_of_spool(settings, self._store, self._clock.now())
            self._assemble(settings)
            if told is not None:
                self._store.add_alert(*told, self._clock.now())
        except BaseException:  # a full disk, perhaps: it is tried again in this process
            self._store.close()
            raise

    def _assemble(self, settings: Settings) -> None:
        self._watchman = Watchman(settings.store.path)
        self._lost = False  # what is stored now would go with the deleted or damaged file
        showcase = self._showcase = Showcase() if settings.web.enabled else None
        self._engine = Engine(settings, self._store, self._clock, self, showcase)
        self._web: WebServer | None = None
        if showcase is not None:
            web = settings.web
            self._web = WebServer(partial(self._page, showcase), web.host, web.port, forwarded=web.https)
        broker, topics = make_broker(settings), topics_of(settings)
        self._stale = self._asked_before(topics)
        self._link = MqttLink(
            broker,
            topics,
            (state.availability_topic(settings), b"offline"),
            self._inbox,
            now=self._clock.now,
            monotonic=self._clock.monotonic,
            max_payload=LARGEST_PAYLOAD,
            stale=self._stale,
        )
        self._share: ShareKeeper | None = None
        if settings.share is not None:
            self._share = ShareKeeper(settings, broker, self._store, self._clock)
        self._opened = False  # the session with the broker
        self._pusher = Pusher(addresses(settings), self._due_letters, self._post)
        self._series: SeriesForwarder | None = None
        server = make_series_server(settings)
        if server is not None:
            self._series = SeriesForwarder(server, feeds(settings, self._store), self._hand_in)
        self._jobs = Jobs(
            settings.zone, self._clock, lambda name, trouble: self._post(JobTold(name, trouble))
        )
        if settings.backup.daily:
            self._backups = Backups(settings)
            self._jobs.daily("backup", settings.backup.at, self._back_up, last=self._backups.last())
        if settings.push.daily_at is not None:
            self._jobs.daily(
                "message of the day",
                settings.push.daily_at,
                lambda: self._post(DailyDue()),
                last=self._store.last_raised(DAILY),
                grace=DAILY_GRACE,
            )
        self._heartbeat: Heartbeat | None = None
        if settings.heartbeat is not None:
            beat = settings.heartbeat
            self._heartbeat = Heartbeat(beat.url.get_secret_value(), beat.every_s, beat.method)
        with self._store.atomic():
            self._store.withdraw_letters_but(addresses(settings).keys())

    def stop(self) -> None:
        """Ask ``run`` to drain and return; safe in a signal handler."""
        self._stopping.set()

    def run(self, started: Callable[[], None] = lambda: None) -> None:
        """Serve until ``stop``; ``started`` is called once the engine turns."""
        threads: list[Pusher | SeriesForwarder | Jobs | Heartbeat] = [self._pusher, self._jobs]
        threads += [thread for thread in (self._series, self._heartbeat) if thread is not None]
        try:
            if self._share is not None:
                self._share.start()
                self._share.wait(SHARE_WAIT_S, self._engine.take)  # with a broker at hand we know at once
            self._open_session()
            for thread in threads:
                thread.start()
            self._engine.turn()
            if self._web is not None:
                self._web.start()
            self._notify.ready()
            started()
            self._loop()
        except sqlite3.DatabaseError as error:
            if not is_damage(error):
                raise
            raise self._spoilt(str(error)) from error
        finally:
            self._notify.stopping()
            self._shut_down()

    def _spoilt(self, wrong: str) -> StoreError:
        """What to end with when the database is damaged: the next start sees to it."""
        self._lost = True
        path = self._settings.store.path
        suspect(path)
        return StoreError(
            f"{path} is damaged ({wrong}). Start hatchmon again: it looks at the file, sets it aside if need "
            "be and puts the newest backup in its place"
        )

    def _loop(self) -> None:
        interval_s = self._notify.watchdog_interval_s
        next_sign_s = 0.0
        status = ""
        next_look_s = next_status_s = 0.0
        while not self._stopping.is_set():
            if time.monotonic() >= next_look_s:
                if self._store.lost():
                    self._engine.close()
                    self._lost = True
                    self._store.put_back()
                if self._watchman.wrong is not None:
                    raise self._spoilt(self._watchman.wrong)
                self._watchman.turn()
                give_back()  # learning and pages leave much behind that is free
                next_look_s = time.monotonic() + LOOK_FOR_FILE_S
            self._take(self._engine.due_in_s())
            self._open_session()
            self._engine.turn()
            self._jobs.turn()
            if self._planner is not None:
                self._planner.turn()
                if self._planner.free and self._engine.wishes_plan():
                    self._planner.start()
            sound = (
                self._engine.recorder.sound
                and (self._link.alive or not self._opened)
                and self._pusher.alive
                and self._jobs.alive
                and (self._series is None or self._series.alive)
            )
            if sound and self._engine.recorder.trouble is None and self._heartbeat is not None:
                self._heartbeat.sound()
            if interval_s is not None and sound and time.monotonic() >= next_sign_s:
                self._notify.watchdog()
                next_sign_s = time.monotonic() + interval_s
            if time.monotonic() >= next_status_s:
                next_status_s = time.monotonic() + STATUS_S
                new_status = self._status()
                if new_status != status:
                    status = new_status
                    self._notify.status(status)

    def _open_session(self) -> None:
        """Begin to take messages, once no other hatchmon has our cones; and see what others claim."""
        if self._share is not None:
            self._share.turn(self._engine.take)
            self._engine.machine.rival = self._share.rival
        if not self._opened and (self._share is None or self._share.granted):
            self._link.start()
            self._opened = True
        if self._stale and self._engine.connected:  # which is after the broker's answers
            self._stale = []
            with contextlib.suppress(sqlite3.Error), self._store.atomic():
                self._store.set_meta(TOPICS_KEY, "\n".join(topics_of(self._settings)))

    def _asked_before(self, topics: Sequence[str]) -> list[str]:
        """Topics that a run with other settings asked for: the broker's session holds them until told."""
        before = [topic for topic in self._store.meta(TOPICS_KEY).split("\n") if topic]
        if not before and self._settings.share is not None:
            before = topics_of(self._settings.model_copy(update={"share": None}))
        both = dict.fromkeys([*topics, *before])
        if list(both) != before:
            with self._store.atomic():
                self._store.set_meta(TOPICS_KEY, "\n".join(both))
        return sorted(set(before) - set(topics))

    def _take(self, wait_s: float) -> None:
        """Hand what is in the inbox to the engine, waiting at most ``wait_s`` for the first."""
        try:
            self._engine.take(self._inbox.get(timeout=wait_s) if wait_s > 0 else self._inbox.get_nowait())
            for _ in range(MOST_AT_ONCE):
                self._engine.take(self._inbox.get_nowait())
        except queue.Empty:
            pass

    def _status(self) -> str:
        engine = self._engine
        running = sum(1 for cone in engine.cones.values() if cone.watch is not None)
        parts = [f"{running} of {len(engine.cones)} cones hatching", f"broker {engine.broker}"]
        if refused := list(engine.machine.refused_topics):
            more = f" and {len(refused) - 3} more" if len(refused) > 3 else ""
            parts.append(f"topic {', '.join(refused[:3])}{more} refused")
        if engine.machine.rival is not None:
            parts.append(engine.machine.rival)
        if engine.machine.series is not None:
            parts.append(f"series store: {engine.machine.series.reason}")
        if self._web is not None and self._web.trouble:
            parts.append(f"page not served: {self._web.trouble}")
        if engine.recorder.trouble:
            parts.append(f"database: {engine.recorder.trouble}")
        parts += engine.undone.values()
        if engine.intake.duplicates or engine.intake.late or self._link.dropped:
            parts.append(
                f"{engine.intake.duplicates} repeats, {engine.intake.late} late readings, "
                f"{self._link.dropped} messages not taken at first"
            )
        return "; ".join(parts)

    def _shut_down(self) -> None:
        """Drain, commit, acknowledge, say goodbye: well within five seconds."""
        if self._planner is not None:
            self._planner.stop()
        if self._web is not None:
            self._web.ask_to_stop()
        try:
            if not self._lost:
                self._take(0.0)
                self._engine.close()
            self._link.publish(state.availability_topic(self._settings), b"offline", retain=True, qos=1)
        finally:
            self._jobs.stop()
            if self._heartbeat is not None:
                self._heartbeat.stop()
            if self._share is not None:
                self._share.stop(0.5)
            self._link.stop(1.5)
            self._pusher.stop(1.0)
            if self._web is not None:
                self._web.stop(1.0)
            if self._series is not None:
                self._series.stop(1.0)
            try:
                if not self._lost:  # else the broker keeps what was not acknowledged
                    self._take(0.0)
                    self._engine.close()
            finally:
                self._store.close()
            if not self._lost:
                left_whole(self._settings.store.path)

    # --- for the engine ------------------------------------------------------------------------

    def acknowledge(self, message: Incoming) -> None:
        self._link.acknowledge(message)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 0) -> bool:
        return self._link.publish(topic, payload, retain=retain, qos=qos)

    def wake_push(self) -> None:
        self._pusher.wake()

    def wake_series(self) -> None:
        if self._series is not None:
            self._series.wake()

    def rewind_series(self, cursors: dict[str, int], number: int) -> None:
        if self._series is not None:
            self._series.rewind(cursors, number)

    # --- for the other threads -----------------------------------------------------------------

    def _page(self, showcase: Showcase, closing: threading.Event) -> Any:
        """The page, whose libraries take time and memory that not every hatchery need spend."""
        from hatchmon.app.pages.main import make_page
        from hatchmon.app.pages.site import Site

        return make_page(Site(self._settings, self._clock, showcase, self._ask, closing))

    def _hand_in(self, item: object) -> None:
        """Raises queue.Full, for those who can come again with what they have to say."""
        self._inbox.put(item, timeout=POST_WAIT_S)

    def _post(self, item: object) -> None:
        try:
            self._inbox.put(item, timeout=POST_WAIT_S)
        except queue.Full:
            log.error("the engine is too busy to take %r", item)

    def _ask(self, body: dict[str, Any], by: str) -> Answered:
        """Leave a request of the page's with the engine, and wait for the answer."""
        path = self._settings.store.path
        shown = self._showcase.number if self._showcase is not None else 0
        try:
            with Store(path, exclusive=False) as store:
                number = store.ask(body, by, self._clock.now())
                self._post(RequestLeft())
                answered = wait_for_answer(store, number)
        except sqlite3.Error as error:
            raise StoreError(
                f"{path} cannot be written now ({error}); see whether the disk is full"
            ) from error
        if answered is None:
            raise Refused(NOT_YET)
        if self._showcase is not None and answered[0] and body["do"] in SHOWN:
            # The page that is made next shall show it.
            self._showcase.wait_beyond(shown)
        return Answered(number, *answered)

    def _back_up(self) -> None:
        made = self._backups.make(self._clock.now())
        log.info("backup made: %s", made)

    def _with_link(self, body: str, cone: str | None) -> str:
        """``body``, and where the page shows what it is about, if somebody has said where the page is."""
        web = self._settings.web
        link = web.link("/" if cone is None else state.cone_path(cone)) if web.enabled else None
        return body if link is None else f"{body}\n{link}"

    def _due_letters(self) -> Sequence[Letter]:
        unstored = self._engine.recorder.unstored
        try:
            with Store(self._settings.store.path, read_only=True) as store:
                rows = store.due_letters(self._clock.now())
        except (StoreError, sqlite3.Error):
            if not unstored:
                raise
            return unstored  # they tell of what keeps the others from us
        return list(unstored) + [
            Letter(
                row["letter_id"],
                row["address"],
                row["title"],
                self._with_link(self._text(row), row["cone"]),
                row["attempts"],
                row["key"],
                bool(row["in_doubt"]),
            )
            for row in rows
        ]

    def _text(self, row: sqlite3.Row) -> str:
        """The text of a letter; to somebody who is told because nobody has seen it, it says so."""
        if row["address"] >= 0:
            return str(row["body"])
        told = self._engine.voice.time(from_us(row["raised_us"]), self._clock.now())
        return f"{row['body']}\nNobody has seen this since it was told at {told}, so you are told as well."

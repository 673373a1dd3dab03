"""The engine: one thread's worth of state between what comes in and what is stored and said.

Nothing is acknowledged, published or pushed before the transaction that holds it has committed.
"""

from __future__ import annotations

import logging
import sqlite3
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.mqtt import Incoming, LinkDown, LinkUp, SubscriptionRefused
from hatchmon.adapters.push import Begun, Delivered, Failed
from hatchmon.adapters.series import Forwarded, SeriesTrouble, SeriesWell, SetAside
from hatchmon.adapters.store import Request, Store, from_us
from hatchmon.app import state
from hatchmon.app.absence import OFF_AFTER, Absence
from hatchmon.app.beliefs import Beliefs
from hatchmon.app.buttons import answer as button_answer
from hatchmon.app.cone_facts import ConeFacts
from hatchmon.app.cone_state import ConeState
from hatchmon.app.intake import KEPT_DELIVERIES, Intake
from hatchmon.app.machine import Machine
from hatchmon.app.outside import Nobody, Outside
from hatchmon.app.pending import Pending
from hatchmon.app.plan_watch import TROUBLE, PlanWatch
from hatchmon.app.record import (
    note_water,
    stored_of,
    thresholds_of,
    watch_batch,
    water_of,
)
from hatchmon.app.recorder import Recorder, Standings
from hatchmon.app.requests import carry_out
from hatchmon.app.settings import Settings
from hatchmon.app.share import check_ours
from hatchmon.app.snapshot import ConeNow, Showcase
from hatchmon.app.teller import Teller
from hatchmon.app.timekeeper import Timekeeper, judge_again
from hatchmon.hatchery.alerts import (
    WATER,
    batch_scope,
    begin_facts,
    slow_lot_facts,
)
from hatchmon.hatchery.storage import storage_facts
from hatchmon.hatchery.types import Batch, Forecast, Quantity, Refused, Verdict
from hatchmon.hatchery.units import to_inner
from hatchmon.hatchery.watch import BatchWatch
from hatchmon.hatchery.wording import Voice

log = logging.getLogger(__name__)

TICK_S = 60.0
FEW_UNFILED = 1000
AT_ONCE = 16  # running batches that are forecast before what has come meanwhile is taken
SAID_AT_ONCE = 64  # the same for states to be published
POLL_S = 0.5
STEP_S = 120.0
REISSUE = timedelta(minutes=30)
MOVED_H = 0.05
MOST_PENDING = 5000
FAULT = "hatchmon could not do it: a fault of the program. The log says more: journalctl -u 'hatchmon*'"


class RequestLeft:
    """Somebody in this process has left a request in the database."""


@dataclass(frozen=True, slots=True)
class JobTold:
    """A run of daily work is over: ``trouble`` is None when it was done."""

    name: str
    trouble: str | None


class DailyDue:
    """It is time for the message of the day."""


class Engine:
    """Owns the hatchery's state; every method is called from one thread."""

    def __init__(
        self,
        settings: Settings,
        store: Store,
        clock: Clock,
        outside: Outside | None = None,
        showcase: Showcase | None = None,
    ) -> None:
        self.settings = settings
        self.voice = Voice(settings.zone, settings.unit)
        self.broker: str = "not connected"
        self.connected = False
        self.undone: dict[str, str] = {}
        """By name, the daily work that failed last time, and why."""
        self.cones: dict[str, ConeState] = {}
        self._store = store
        self._clock = clock
        self._alone = outside is None
        self._showcase = showcase
        self._changed = True  # since the picture in the showcase
        self._answered = False  # a request has been, and who asked wants to see it
        self._outside: Outside = outside or Nobody()
        self.recorder = Recorder(settings, store, clock, self._outside, self.voice)
        self._come: deque[Incoming] = deque()
        """Messages not looked at yet, because the database is in trouble."""
        self._published: dict[str, bytes] = {}
        self._heard: set[str] = set()
        """Cones whose batches have had readings since the last turn."""
        self._teller = Teller(settings, store, self.recorder, self.voice)
        self._daily_due = False
        self._beliefs = Beliefs(store, thresholds_of(settings))
        self.machine = Machine(clock.monotonic())
        self._time = Timekeeper(store, clock, settings.clock.wait_min)
        if not self._alone:
            with store.atomic():
                self.machine.lost = self._time.take_over()
            if store.unfiled() > FEW_UNFILED:  # each stream would be looked for among all of them
                store.file_readings(KEPT_DELIVERIES)
        alive_us = max(int(store.meta("alive_us", "0")), store.received_last_us())
        self._absence = Absence(clock, from_us(alive_us) if alive_us else None)
        self._data_version = -1
        self._round: deque[str] = deque()
        """Cones whose batches are still to be forecast in this minute's round."""
        self._ticked_mono: float | None = None  # the last round began
        self._concluded_mono: float | None = None
        self._to_publish: deque[str] = deque()
        self._polled_mono = float("-inf")
        self._turned_mono = clock.monotonic()
        self._rewound = 0  # how often the series store's cursors were set back
        self._plan = PlanWatch(settings, store)
        self._planned_mono: float | None = None  # the conclusion at which that was last looked at
        self.intake = Intake(settings, store, clock, self._use)
        self._facts = ConeFacts(settings, clock, self._teller, self.intake, self.machine)
        self._load()

    # --- loading ------------------------------------------------------------------------------

    def _load(self) -> None:
        """Take everything from the database; what memory held of it is forgotten."""
        now = self._clock.now()
        self._teller.load()
        ours = self.settings.looks_after
        water = water_of(self._store)
        self.cones = {name: ConeState(name, water[name]) for name in water if ours(name)}
        for batch in self._store.batches("ended_us IS NULL"):
            if ours(batch.cone):
                self._watch(batch, now)
        for name, stored in stored_of(self._store, now).items():
            if ours(name):
                self.cones.setdefault(name, ConeState(name)).stored = stored
        self._absence.started(self.cones, self._time.goes_on)

    def _watch(self, batch: Batch, now: datetime) -> None:
        cone = self.cones.setdefault(batch.cone, ConeState(batch.cone))
        cone.watch = watch_batch(self._store, batch, now + timedelta(minutes=5))
        cone.issued = self._store.last_forecast(batch.batch_id)
        cone.forecast = None
        cone.facts, cone.true_since = [], {}

    def _reload_cone(self, name: str) -> None:
        """A request has changed the record of a cone."""
        self._beliefs.forget()
        cone = self.cones.setdefault(name, ConeState(name))
        ended = cone.watch.batch if cone.watch is not None else None
        cone.watch = cone.forecast = cone.issued = cone.next_look = None
        cone.facts = []
        now = self._clock.now()
        for batch in self._store.batches("cone = ? AND ended_us IS NULL", name):
            self._watch(batch, now)
        cone.stored = stored_of(self._store, now).get(name, [])
        if ended is not None and (cone.watch is None or cone.watch.batch.batch_id != ended.batch_id):
            self._teller.forget(ended)
        for stream in self._store.streams():
            if stream.cone == name and not stream.topic:
                for time, raw, _ in self._store.recent(stream.stream_id, 1):
                    note_water(cone.water, stream.quantity, to_inner(raw, stream.unit), time)

    # --- what comes in ------------------------------------------------------------------------

    def take(self, item: object) -> None:
        """Take one thing out of the inbox; unknown things are a programming error and are logged."""
        if isinstance(item, Incoming):
            if item.qos > 0:
                self.recorder.window.heard(self._real_s(item.received_mono))
            if item.qos > 0 or len(self._come) + len(self._pending) <= MOST_PENDING:
                self._come.append(item)
            if not self.recorder.stuck:
                self._take_messages()
        elif isinstance(item, LinkUp):
            self._link_up(item)
        elif isinstance(item, LinkDown):
            self.broker, self.connected, self._changed = item.reason, False, True
            self.machine.link_down(item.reason, self._clock.monotonic())
            log.warning("broker: %s", item.reason)
        elif isinstance(item, SubscriptionRefused):
            self.machine.refused_topics[item.topic] = item.reason
            log.error("broker refuses topic %s: %s", item.topic, item.reason)
        elif isinstance(item, Begun | Delivered | Failed) and item.letter_id < 0:
            if isinstance(item, Delivered):
                self.recorder.sent(item.letter_id)
        elif isinstance(item, Begun | Delivered | Failed):
            self._pending.letters.append(item)
            self._pending.urgent = True
        elif isinstance(item, Forwarded):
            if item.round == self._rewound:  # else it speaks of what is to be sent again
                self._pending.cursors[item.feed] = item.up_to
                self.recorder.may_wait()
        elif isinstance(item, SetAside):
            self._pending.set_aside.append(item)
            self._pending.note(self._clock.monotonic())
        elif isinstance(item, SeriesTrouble):
            self.machine.series_told(item, self._clock.monotonic())
            log.warning("series store: %s", item.reason)
        elif isinstance(item, SeriesWell):
            self.machine.series_told(None, self._clock.monotonic())
        elif isinstance(item, RequestLeft):
            self._polled_mono, self._data_version = float("-inf"), -1
        elif isinstance(item, DailyDue):
            self._daily_due = True
        elif isinstance(item, JobTold):
            self.undone.pop(item.name, None)
            if item.trouble is not None:
                self.undone[item.name] = item.trouble
        else:
            log.error("nobody knows what to do with %r", item)

    def _link_up(self, up: LinkUp) -> None:
        self.broker, self.connected, self._changed = f"connected (MQTT {up.protocol})", True, True
        self.recorder.window.connected()
        self.machine.link_up(self._clock.monotonic())
        self._published.clear()
        self._outside.publish(state.availability_topic(self.settings), b"online", retain=True, qos=1)
        mark = self.intake.link_up(up)
        if mark is not None:
            self._outside.publish(*mark, qos=1)
        self._publish_states()
        log.info("broker: %s", self.broker)

    def _take_messages(self) -> None:
        """Take what has come, in order; what the database will not have now stays for later."""
        while self._come:
            message = self._come[0]
            try:
                self._check_clock(message.received, message.received_mono)
                self.intake.take(message, self._pending)
            except sqlite3.Error as error:
                self._stumble(error)
                return
            self._come.popleft()

    def _use(self, name: str, quantity: Quantity, time: datetime, value: float, verdict: Verdict) -> None:
        """A usable reading has come in."""
        cone = self.cones.get(name)
        if cone is None:
            cone = self.cones[name] = ConeState(name)
        note_water(cone.water, quantity, value, time)
        watch = cone.watch
        if watch is None:
            return
        if self._facts.may_be(cone, watch.batch, quantity, value):
            self._heard.add(name)
        if quantity is Quantity.TEMPERATURE:
            watch.add(time, value)
            watch.suspect_since = time if verdict is Verdict.SUSPECT else None
        elif quantity is Quantity.AIR_TEMPERATURE:
            watch.add_air(time, value)

    # --- the turn of the loop ------------------------------------------------------------------

    def turn(self) -> None:
        """Do what is due: requests, the minute's forecasts and alerts, the transaction."""
        self._do_what_is_due()
        if self._showcase is not None:
            self._show(self._showcase)

    def _do_what_is_due(self) -> None:
        mono = self._clock.monotonic()
        stood_still, self._turned_mono = mono - self._turned_mono, mono
        if self._real_s(stood_still) > OFF_AFTER.total_seconds():  # the machine slept
            self._absence.slept(stood_still, self.cones)
        if self.recorder.rests(mono):
            return
        try:
            # Asked first: the clock is set by a jump, which must be seen before what is held is let go.
            is_time = self._time.may_be_released(mono)
            self._check_clock(self._clock.now(), mono)
            if is_time:
                self._release()
        except sqlite3.Error as error:
            self._stumble(error)
            return
        self.intake.stop_waiting(mono)
        if self.recorder.stuck and not self.commit():
            self.recorder.tell_unstored()
            return
        self._take_messages()
        if not self._alone:
            self._mind_readings()
        due = self.recorder.due_in_s() <= 0.0
        # A transaction that is due takes the minute's with it if that is near.
        passed_s = float("inf") if self._ticked_mono is None else mono - self._ticked_mono
        begun = not self._round and passed_s >= TICK_S * (0.75 if due else 1.0)
        if begun:
            self._begin_round()
        if due and (len(self._round) > AT_ONCE or not (begun or self._round)) and not self._save():
            return
        if begun or self._round:
            self._forecast_some()
            if not self._round:
                self._conclude()
        self._publish_some()
        if self._real_s(mono - self._polled_mono) >= POLL_S:
            self._polled_mono = mono
            self._poll_requests()

    def due_in_s(self) -> float:
        """Real seconds until something may be due."""
        mono = self._clock.monotonic()
        if self.recorder.rests(mono):
            return POLL_S
        if self._round or self._to_publish:
            return 0.0
        waits = [POLL_S]
        if self._ticked_mono is not None:
            waits.append(self._real_s(self._ticked_mono + TICK_S - mono))
        waits.append(self.recorder.due_in_s())
        return max(min(waits), 0.0)

    def _real_s(self, shown_s: float) -> float:
        return self._clock.real_seconds(shown_s)

    @property
    def _pending(self) -> Pending:
        return self.recorder.pending

    def commit(self) -> bool:
        """Store all that is pending in one transaction, then acknowledge; False when it failed."""
        return self._kept(self.recorder.commit)

    def _save(self) -> bool:
        """The same, but readings alone go to the spool."""
        return self._kept(self.recorder.save)

    def _kept(self, keep: Callable[[Standings], bool]) -> bool:
        book, self._changed = self._teller.book, True
        asked = bool(self._pending.requests)
        if not keep({key: book.standing[key] for key in book.changed}):
            return False
        book.changed.clear()
        if asked:  # our own writing does not change the data version
            self._data_version, self._polled_mono = -1, float("-inf")
        return True

    def _stumble(self, error: sqlite3.Error) -> None:
        self._changed = True
        self.recorder.stumble(error)

    # --- forecasts and alerts -----------------------------------------------------------------

    def _begin_round(self) -> None:
        """Every running batch is to be forecast, a few at a time: what comes meanwhile does not wait."""
        self._ticked_mono = self._clock.monotonic()
        self._round = deque(cone.name for cone in self.cones.values() if cone.watch is not None)

    def _forecast_some(self) -> None:
        """Forecast the next AT_ONCE batches of the round, and see what is true of them."""
        now = self._clock.now()
        for _ in range(min(AT_ONCE, len(self._round))):
            cone = self.cones.get(self._round.popleft())
            if cone is None:  # the record was read anew meanwhile
                continue
            cone.facts = []
            if cone.watch is not None and not self._time.too_early_for(cone.watch.batch.started):
                self._forecast(cone, cone.watch, now)
                cone.facts = self._facts.of(cone, cone.watch.batch, now)

    def _forecast_anew(self, name: str | None) -> None:
        """A request has been carried out: forecast its cone first, then the others, a few now."""
        if not self._round:
            self._begin_round()
        if name is not None and self._running(name) is not None:
            if name in self._round:
                self._round.remove(name)
            self._round.appendleft(name)
        self._forecast_some()
        self._conclude()

    def _conclude(self) -> None:
        """Raise what is to be raised, store and publish it.

        Alone (no daemon), only the forecasts: alerts are the daemon's to raise and to send.
        """
        if self._alone:
            self.commit()
            return
        now, mono = self._clock.now(), self._clock.monotonic()
        elapsed_s = 0.0 if self._concluded_mono is None else mono - self._concluded_mono
        self._concluded_mono = mono
        through = not self._round
        facts = [fact for cone in self.cones.values() if cone.watch is not None for fact in cone.facts]
        facts += slow_lot_facts(self._beliefs.falling(now))
        running = {cone.name for cone in self.cones.values() if cone.watch is not None}
        facts += begin_facts(self._plan.beginnings(), now, running, self.voice)
        self.machine.unset = self._time.waited_in_vain
        facts += self.machine.facts(now, mono, self._teller.rules, self.voice)
        facts += storage_facts(self.recorder.disk.room(), self.undone.get("backup"))
        if through and not self._time.boot.held:
            back = self._absence.told(self.cones, self._teller.rules, self.voice)
            if back is not None:
                self._teller.send(back, now)
        if any(alert.kind in TROUBLE for alert in self._teller.tell(facts, now, elapsed_s)):
            self._plan.changed()
        scopes = {batch_scope(cone.watch.batch) for cone in self.cones.values() if cone.watch is not None}
        self._teller.tell_second(scopes, now)
        if through and self._daily_due:
            self._teller.tell_how_all_is(self.cones.values(), facts, self.undone.values(), now)
            self._daily_due = False
        if not any(reading.dated_by == "receipt" for reading in self._pending.readings.values()):
            self._pending.alive = now
        if not self._save():
            return
        self.recorder.tidy_up()
        self._outside.wake_push()  # quiet hours may have ended
        self._publish_states()

    def _forecast(self, cone: ConeState, watch: BatchWatch, now: datetime) -> None:
        foreseen = self._beliefs.foresee(watch, cone.water, now)
        new = cone.forecast = foreseen.forecast
        if cone.issued is None or _differs(cone.issued, new):
            cone.issued = new
            if self._showcase is not None:
                cone.next_look = foreseen.next_look()
            self._pending.forecasts.append((watch.batch.batch_id, new))

    def _mind_readings(self) -> None:
        """Raise at once what readings that have just come make true for long enough, to be stored with it."""
        heard, self._heard = self._heard, set()
        now, raised = self._clock.now(), False
        for name in heard:
            cone = self.cones.get(name)
            if cone is None or cone.watch is None or self._time.too_early_for(cone.watch.batch.started):
                continue
            facts = self._facts.of_water(cone, cone.watch.batch, now)
            if any(self._teller.book.would_raise(fact, now) for fact in facts):
                cone.facts = [fact for fact in cone.facts if fact.kind not in WATER] + facts
                raised = True
        if raised:
            self._conclude()

    def _publish_states(self) -> None:
        """Have every cone's state published where it has changed, the first ones now."""
        self._to_publish = deque(self.cones)
        self._publish_some()

    def _publish_some(self) -> None:
        if not self._to_publish or self._pending.forecasts:  # these not before they are stored
            return
        now = self._clock.now()
        for _ in range(min(SAID_AT_ONCE, len(self._to_publish))):
            name = self._to_publish.popleft()
            cone = self.cones.get(name)
            if cone is None:
                continue
            body = state.cone_state(
                name,
                cone.water,
                cone.watch.batch if cone.watch else None,
                cone.forecast,
                cone.stored,
                now,
                self.voice,
            )
            if self._published.get(name) != body and self._outside.publish(
                state.state_topic(self.settings.site, name), body, retain=True
            ):
                self._published[name] = body

    # --- requests -----------------------------------------------------------------------------

    def _poll_requests(self) -> None:
        version = self._store.data_version()
        if version != self._data_version:
            self._data_version = version
            self.carry_out_requests()

    def carry_out_requests(self) -> None:
        """Answer every open request, each in a transaction of its own."""
        learned = False
        for request in self._store.open_requests():
            self._answered = True
            if not self.commit():  # what was read before counts for what is asked now
                self._data_version = -1
                return
            now = self._clock.now()
            # A notebook comes as many requests and changes no batch that runs: forecast once, at its end.
            noted = isinstance(request.body, dict) and request.body.get("do") == "import"
            try:
                done, said = self._carry_out(request, noted, now)
            except sqlite3.Error as error:
                self.recorder.trouble = str(error)
                self._data_version = -1
                self._load()
                return
            if request.answer_to is not None:
                self._pending.replies.append((request.answer_to, button_answer(request, done, said)))
                self._pending.urgent = True
            if not done:
                continue
            if not (isinstance(request.body, dict) and request.body.get("do") == "plan"):
                self._plan.changed()
            learned |= noted
            if not noted:
                self._forecast_anew(said.get("cone"))
        if learned:
            self._forecast_anew(None)

    def _carry_out(self, request: Request, noted: bool, now: datetime) -> tuple[bool, dict[str, Any]]:
        """Do what was asked, and store and return (done, answer), all in one transaction."""
        try:
            check_ours(self.settings, self._store, request.body)
            with self._store.atomic():
                name, said, facts = carry_out(
                    self._store, request, self.voice, self.settings.supply.all_ramps
                )
                if noted:
                    self._beliefs.forget()
                elif name is not None:
                    before = self._believed(self.cones.get(name), now)
                    self._reload_cone(name)
                    if facts.get("batch", self._running(name)) == self._running(name):
                        said += self._what_next(self.cones[name], before, now)
                answer = {"text": said, "cone": name} | facts
                self._store.answer(request.request_id, True, answer, now)
                self._store.date_changes(now)
                return True, answer
        except Refused as why:
            answer = {"text": str(why)}
        except sqlite3.Error:
            raise
        except Exception:
            # Left open it would be tried again at every start, and end the daemon each time.
            log.exception("request %d cannot be carried out", request.request_id)
            self._load()
            answer = {"text": FAULT}
        self._store.answer(request.request_id, False, answer, now)
        return False, answer

    def wishes_plan(self) -> bool:
        """Whether a plan of what to begin should be made now; asked, it is taken to be made."""
        if self._round or self._concluded_mono == self._planned_mono:
            return False
        now, self._planned_mono = self._clock.now(), self._concluded_mono
        running = {
            cone.watch.batch.batch_id: (cone.watch.batch, cone.forecast)
            for cone in self.cones.values()
            if cone.watch is not None
        }
        if not self._plan.due(now, running):
            return False
        self._plan.wished(now, running)
        return True

    def _running(self, cone: str) -> int | None:
        watch = self.cones[cone].watch
        return None if watch is None else watch.batch.batch_id

    def _believed(self, cone: ConeState | None, now: datetime) -> tuple[Batch, Forecast] | None:
        if cone is None or cone.watch is None:
            return None
        return cone.watch.batch, self._beliefs.forecast(cone.watch, cone.water, now)

    def _what_next(self, cone: ConeState, before: tuple[Batch, Forecast] | None, now: datetime) -> str:
        """What to expect of a cone after a request, and what the request changed."""
        after = self._believed(cone, now)
        if after is None:
            return ""
        batch, forecast = after
        same = before is not None and before[0].batch_id == batch.batch_id
        changed = self.voice.changed(batch, before[1], forecast, now) if before and same else ""
        return f"{changed} {self.voice.ready(batch, forecast, now)}"

    # --- for those who look -------------------------------------------------------------------

    def _show(self, showcase: Showcase) -> None:
        """Put a new picture into the showcase where something has changed."""
        showcase.turned()
        if not self._changed or not (self._answered or showcase.may_change()):
            return
        self._changed = self._answered = False
        now = self._clock.now()
        showcase.put(
            now,
            cones=(
                ConeNow(
                    cone.name,
                    dict(cone.water),
                    cone.watch.batch if cone.watch else None,
                    cone.forecast,
                    tuple(cone.stored),
                    cone.next_look,
                    tuple(cone.watch.looks) if cone.watch else (),
                    self.intake.silent_since(cone.name, now)[0] if cone.watch else None,
                )
                for cone in self.cones.values()
            ),
            committed=self.recorder.committed,
            trouble=self.recorder.trouble,
            broker=self.broker,
            connected=self.connected,
            series=None if self.machine.series is None else self.machine.series.reason,
        )

    # --- a clock that was wrong ---------------------------------------------------------------

    def _check_clock(self, now: datetime, mono: float) -> None:
        """Notice when the wall clock jumps against the steady one, and carry what it stamped along.

        The steady clock is right about how long ago things were, the new wall clock about the date.
        """
        by = self._time.jump(now, mono, STEP_S)
        if by is None or not self.commit():
            return
        log.warning("the clock jumped by %s; times noted since the machine's start move with it", by)
        marks, since = self._time.boot.marks, self._time.began
        with self._store.atomic():
            moved = self._store.shift_times(marks, since, now - by, by)
            self._store.hold_letters(now, self._teller.not_quiet_from(now))
            self._store.date_changes(now)
            judge_again(self._store, marks.readings, now)
            back = {feed: min(first - 1, self._store.series_cursor(feed)) for feed, first in moved.items()}
            for feed, cursor in back.items():
                self._store.set_series_cursor(feed, cursor)
            self._time.keep(by)
        self._time.moved(by)
        if not self._time.boot.held:  # else it was expected
            self.machine.jumped(by, mono)
        self._rewound += 1
        self._outside.rewind_series(back, self._rewound)
        self._absence.clock_jumped(by, self._time.goes_on)
        self.intake.load()
        self._load()

    def _release(self) -> None:
        """The clock is set, or has to be taken as it is: what waited for that may go on."""
        with self._store.atomic():
            self._time.release()
        self._ticked_mono = None  # batches that were left alone are forecast at once
        self._outside.wake_series()

    def close(self) -> None:
        """Store what is pending, so that nothing has to be sent again."""
        self._pending.alive = self._clock.now()
        self.commit()


def _differs(old: Forecast, new: Forecast) -> bool:
    """Whether ``new`` says something that ``old`` did not, or ``old`` is half an hour old."""
    if new.issued - old.issued >= REISSUE or new.issued < old.issued:
        return True
    if (old.trust, old.reasons, old.not_predicted) != (new.trust, new.reasons, new.not_predicted):
        return True
    for was, now in ((old.t90, new.t90), (old.opens, new.opens), (old.closes, new.closes)):
        if (was is None) != (now is None):
            return True
        if was is not None and now is not None:
            pairs = ((was.p10, now.p10), (was.p50, now.p50), (was.p90, now.p90))
            if any(abs(a - b) > MOVED_H for a, b in pairs):
                return True
    return False

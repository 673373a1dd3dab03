"""The demo at work: the hatchery's past, the service and the probes, and what is shown of them."""

from __future__ import annotations

import json
import logging
import textwrap
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from queue import Empty
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from rich.console import Console
from rich.text import Text

from hatchmon.adapters.courier import bad_address
from hatchmon.adapters.store import Store
from hatchmon.app import views
from hatchmon.app.ask import ask
from hatchmon.app.demo import HOST, DemoError, Events, Pushed
from hatchmon.app.demo_hatchery import START_HOUR, Hatchery
from hatchmon.app.demo_past import PAST_H, SITE, settings_text, write_past
from hatchmon.app.replan import Replanner
from hatchmon.app.service import Service, make_clock
from hatchmon.app.settings import load_settings
from hatchmon.app.settings_values import machine_zone
from hatchmon.app.shown.cones import cones_shown
from hatchmon.app.state import state_topic
from hatchmon.hatchery.types import Refused, Verdict
from hatchmon.hatchery.wording import Voice, duration

log = logging.getLogger(__name__)

DATABASE = "hatchmon.db"
MEASURE_EVERY_S = 60.0  # on the demo's clock, but in the room no less than
SHORTEST_PAUSE_S = 0.25
OVERVIEW_EVERY_S = 20.0
SERVICE_ENDS_WITHIN_S = 8.0
MOVED = timedelta(minutes=5)
MOVE_PAUSE_S = 1.5
HARVEST_LATE = timedelta(hours=1)
WIDEST = 100


@dataclass(frozen=True, slots=True)
class _State:
    """A cone's state as published."""

    facts: dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Serving:
    """The service serves."""


@dataclass(frozen=True, slots=True)
class _Ended:
    """The service has ended, by ``error`` where it should not have."""

    error: Exception | None


class Show:
    """Runs the service and the probes, and writes on the screen what comes of it."""

    def __init__(
        self,
        console: Console,
        events: Events,
        told: threading.Event,
        config: Path,
        speed: float,
        port: int,
        push_port: int,
        web_port: int | None,
    ) -> None:
        self._console = console
        self._events = events
        self._told = told
        self._config = config
        self._speed = speed
        self._port = port
        self._web_port = web_port
        self._push = f"json://{HOST}:{push_port}/"
        # By cone and start of batch.
        self._ready: dict[tuple[str, str], datetime] = {}
        self._moved_mono: dict[tuple[str, str], float] = {}
        self._tended: set[tuple[str, str]] = set()

    def run(self, for_s: float | None) -> None:
        """Show it for ``for_s`` real seconds from when it serves, or until told to stop."""
        folder = self._config.parent
        with _log_file(folder / "hatchmon.log"):
            start = datetime.now(machine_zone()).replace(hour=0, minute=0, second=0, microsecond=0)
            start = (start + timedelta(hours=START_HOUR)).astimezone(UTC)
            hatchery = Hatchery(-PAST_H)
            with Store(folder / DATABASE) as store:
                write_past(store, hatchery, start)
                first_seq = store.next_seq()
            bad_address(self._push)  # loads Apprise, slow as it is, before the clock runs
            self._config.write_text(
                settings_text(
                    folder / DATABASE,
                    self._port,
                    self._push,
                    self._speed,
                    datetime.now(UTC),
                    start,
                    self._web_port,
                )
            )
            self._settings = load_settings(self._config, env={})
            self._clock = make_clock(self._settings)
            self._voice = Voice(self._settings.zone, self._settings.unit)
            with ExitStack() as stack:
                stack.enter_context(self._service())
                stack.enter_context(self._listening())
                stack.enter_context(self._probes(hatchery, start))
                self._follow(for_s)
            self._tell_rest()
            self._sum_up(first_seq, start)

    # --- what runs beside ---

    @contextmanager
    def _service(self) -> Iterator[None]:
        service = Service(self._settings, planner=Replanner(self._config))

        def serve() -> None:
            error: Exception | None = None
            try:
                service.run(started=lambda: self._events.put(_Serving()))
            except Exception as trouble:
                log.exception("the service failed")
                error = trouble
            self._events.put(_Ended(error))

        thread = threading.Thread(target=serve, name="service", daemon=True)
        thread.start()
        try:
            yield
        finally:
            service.stop()
            thread.join(SERVICE_ENDS_WITHIN_S)

    @contextmanager
    def _listening(self) -> Iterator[None]:
        """Hears every cone's state as anything else on the broker could."""

        def heard(client: paho.Client, nothing: Any, message: paho.MQTTMessage) -> None:
            self._events.put(_State(json.loads(message.payload)))

        with _client("demo-screen", self._port) as client:
            client.on_message = heard
            client.subscribe(state_topic(SITE, "+"), qos=1)
            yield

    @contextmanager
    def _probes(self, hatchery: Hatchery, start: datetime) -> Iterator[None]:
        """The simulated probes, publishing from a thread of their own."""
        done = threading.Event()
        pause_s = max(SHORTEST_PAUSE_S, self._clock.real_seconds(MEASURE_EVERY_S))

        def measure() -> None:
            while not done.wait(pause_s):
                now = self._clock.now()
                for measured in hatchery.measure((now - start) / timedelta(hours=1)):
                    client.publish(*measured.message(now), qos=1)

        with _client("demo-probes", self._port) as client:
            thread = threading.Thread(target=measure, name="probes", daemon=True)
            thread.start()
            try:
                yield
            finally:
                done.set()
                thread.join()

    # --- what is shown ---

    def _follow(self, for_s: float | None) -> None:
        until = overview = float("inf")
        while not self._told.is_set():
            mono = time.monotonic()
            if mono >= until:
                return
            if mono >= overview:
                self._overview()
                overview = mono + OVERVIEW_EVERY_S
            try:
                event = self._events.get(timeout=min(1.0, max(min(until, overview) - mono, 0.0)))
            except Empty:
                continue
            if isinstance(event, _Serving):
                if self._web_port is not None:
                    said = f"open http://{HOST}:{self._web_port}/ in a browser"
                    self._console.print(self._line("PAGE", "bold blue", said))
                overview = time.monotonic()
                until = overview + (float("inf") if for_s is None else for_s)
            self._tell(event)

    def _tell_rest(self) -> None:
        """What came while the service drained."""
        while not self._events.empty():
            event = self._events.get()
            if isinstance(event, Pushed):
                self._tell(event)

    def _tell(self, event: object) -> None:
        if isinstance(event, Pushed):
            self._tell_push(event)
        elif isinstance(event, _State):
            self._tell_state(event.facts)
        elif isinstance(event, _Ended):
            raise DemoError(f"The service has ended before it should: {event.error}")

    def _line(self, mark: str, style: str, said: str) -> Text:
        now = self._clock.now()
        return Text.assemble((f"{self._voice.time(now, now)}  ", "dim"), (f"{mark:<8}  ", style), said)

    def _tell_push(self, push: Pushed) -> None:
        lines = [self._line("PUSH", "bold magenta", f"│ {push.title}")]
        width = max(min(self._console.width, WIDEST) - 20, 20)
        for line in (part for para in push.body.splitlines() for part in textwrap.wrap(para, width)):
            lines.append(Text.assemble(" " * 17, f"│ {line}"))
        for text in lines:
            self._console.print(text)

    def _tell_state(self, facts: dict[str, Any]) -> None:
        cone, batch, forecast = facts["cone"], facts["batch"], facts["forecast"]
        opens = forecast["window"]["opens"] if forecast else None
        if opens is None:
            return
        key = (cone, batch["started"])
        early, ready, late = (datetime.fromisoformat(opens[name]["at"]) for name in ("p10", "p50", "p90"))
        now, mono = self._clock.now(), time.monotonic()
        before = self._ready.setdefault(key, ready)
        calm = mono - self._moved_mono.get(key, float("-inf")) >= MOVE_PAUSE_S
        if calm and abs(ready - before) > MOVED and max(ready, before) > now:
            self._ready[key], self._moved_mono[key] = ready, mono
            was, new, low, high = (self._voice.time(moment, now) for moment in (before, ready, early, late))
            said = f"{cone}: ready {was} -> {new}, between {low} and {high}"
            self._console.print(self._line("FORECAST", "bold cyan", said))
        closes = datetime.fromisoformat(forecast["window"]["closes"]["p50"]["at"])
        if now > max(closes, ready) + HARVEST_LATE and key not in self._tended:
            self._tended.add(key)
            self._tend(cone, batch)

    def _tend(self, cone: str, batch: dict[str, Any]) -> None:
        """Nobody has harvested: the invented keeper does, and fills the cone again, so that it goes on."""
        filling = {name: batch[name] for name in ("lot", "grams", "litres", "set_point_c")}
        for wish in ({"do": "harvest", "cone": cone}, {"do": "begin", "cone": cone, **filling}):
            try:
                answer = ask(self._settings, self._clock, wish)
            except Refused as why:
                log.info("the invented keeper was refused: %s", why)
                return
            self._console.print(self._line("KEEPER", "bold green", answer["text"]))

    def _overview(self) -> None:
        now = self._clock.now()
        with Store(self._settings.store.path, read_only=True) as store:
            cones = views.cones_now(self._settings, store, now)
        self._console.print()
        self._console.print(self._line("NOW", "bold", "what 'hatchmon now' shows:"))
        self._console.print(cones_shown(cones, now, self._voice))

    def _sum_up(self, first_seq: int, start: datetime) -> None:
        with Store(self._settings.store.path, read_only=True) as store:
            verdicts = store.rows(
                "SELECT verdict, count(*) AS n FROM readings WHERE seq >= ? GROUP BY 1", first_seq
            )
            forecasts = store.rows("SELECT count(*) AS n FROM forecasts")[0]["n"]
            pushed = store.rows("SELECT count(*) AS n FROM letters WHERE state = 'sent'")[0]["n"]
        readings = sum(row["n"] for row in verdicts)
        unfit = sum(row["n"] for row in verdicts if not Verdict(row["verdict"]).usable)
        hours = (self._clock.now() - start) / timedelta(hours=1)
        self._console.print(
            f"\nThat was {duration(hours)} of the hatchery: {readings} readings received and stored, "
            f"{unfit} judged unfit, {forecasts} forecasts issued, {pushed} alerts pushed. All is gone again."
        )


@contextmanager
def _log_file(path: Path) -> Iterator[None]:
    """The log goes into a file, not between the lines on the screen."""
    root = logging.getLogger()
    handler = logging.FileHandler(path)
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    level = root.level
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    try:
        yield
    finally:
        root.setLevel(level)
        root.removeHandler(handler)
        handler.close()


@contextmanager
def _client(name: str, port: int) -> Iterator[paho.Client]:
    """An MQTT client with a network thread of its own; 3.1.1, which every broker speaks."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name)
    client.connect(HOST, port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()

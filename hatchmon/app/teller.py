"""What the keeper is told and when: alerts, a second person where nobody answers, the message of the day."""

from __future__ import annotations

import logging
from collections.abc import Collection, Iterable
from datetime import datetime, timedelta

from hatchmon.adapters.push import PATIENCE
from hatchmon.adapters.store import Store
from hatchmon.app.cone_state import ConeState
from hatchmon.app.pending import DAILY, GIVE_UP_AFTER
from hatchmon.app.recorder import Recorder
from hatchmon.app.settings import Settings
from hatchmon.hatchery.alerts import STAGES, URGENCY, AlertBook, Fact, Quiet, Rules, batch_scope
from hatchmon.hatchery.daily import ConeDay, daily_words, wrong_of
from hatchmon.hatchery.types import Alert, Batch, Quantity
from hatchmon.hatchery.wording import Voice

log = logging.getLogger(__name__)

SECOND_WITHIN = timedelta(days=1)  # what is older is no news to anybody


class Teller:
    """Has what is to be said stored with all else that is pending, for the pusher to send."""

    def __init__(self, settings: Settings, store: Store, recorder: Recorder, voice: Voice) -> None:
        self.voice = voice
        self._settings = settings
        self._store = store
        self._recorder = recorder
        alerts = settings.alerts
        self.rules = Rules(
            ready_soon_min=alerts.ready_soon_min,
            closing_min=alerts.closing_min,
            water_min=alerts.water_min,
            silent_min=alerts.silent_min,
            broker_min=alerts.broker_min,
            series_min=alerts.series_min,
            urgency={str(kind): urgency for kind, urgency in alerts.urgency.items()},
        )
        self._quiet = None if settings.quiet is None else Quiet(settings.quiet.start, settings.quiet.end)
        self.book = AlertBook(self.rules)

    def load(self) -> None:
        """Take from the database what has been said."""
        self.book = AlertBook(self.rules, self._store.standings())

    def forget(self, batch: Batch) -> None:
        """The batch has ended: nothing is true of it any more."""
        self.book.forget(batch_scope(batch))
        self._recorder.pending.overtaken.append((tuple(URGENCY), batch_scope(batch)))

    def tell(self, facts: list[Fact], now: datetime, elapsed_s: float) -> list[Alert]:
        """Raise and send what the facts of ``now`` call for, and withdraw what is no longer so."""
        raised = self.book.update(now, elapsed_s, facts)
        overtaken = self._recorder.pending.overtaken
        for alert in raised:
            log.info("alert %s: %s", alert.kind, alert.title)
            self.send(alert, now)
            if alert.kind in STAGES:
                overtaken.append((STAGES[: STAGES.index(alert.kind)], alert.scope))
        overtaken += [
            ((kind,), scope) for kind, scope in self.book.changed if not self.book.stands(kind, scope)
        ]
        return raised

    def send(self, alert: Alert, now: datetime) -> None:
        """Send an alert, when its urgency allows."""
        when = now if alert.urgency == "now" else self.not_quiet_from(now)
        self._recorder.pending.alerts.append((alert, when))

    def not_quiet_from(self, now: datetime) -> datetime:
        """When what can wait may be said: ``now``, or the end of the quiet hours it falls into."""
        return (None if self._quiet is None else self._quiet.ends(now, self.voice)) or now

    def tell_second(self, running: Collection[str], now: datetime) -> None:
        """Have somebody else told what nobody has seen in time and is still so. ``running``: the scopes of
        the batches that run."""
        second = self._settings.push.second
        if second is None:
            return
        told_by = now - timedelta(minutes=second.after_min)
        for row in self._store.unanswered(second.urgencies, now - SECOND_WITHIN, told_by):
            kind, scope = row["kind"], row["scope"]
            if not self.book.stands(kind, scope):
                continue
            if kind in STAGES:
                later = STAGES[STAGES.index(kind) + 1 :]
                if scope not in running or any(self.book.stands(stage, scope) for stage in later):
                    continue
            when = now if row["urgency"] == "now" else self.not_quiet_from(now)
            self._recorder.pending.seconds.append((row["alert_id"], when))

    def tell_how_all_is(
        self, cones: Iterable[ConeState], facts: Iterable[Fact], undone: Iterable[str], now: datetime
    ) -> None:
        """The message of the day. It comes at the hour that the keeper chose, quiet or not."""
        standing = wrong_of(fact for fact in facts if self.book.stands(fact.kind, fact.scope))
        days = [
            ConeDay(
                cone.name,
                None if cone.watch is None else cone.watch.batch,
                cone.forecast,
                cone.water.get(Quantity.TEMPERATURE),
            )
            for cone in cones
        ]
        wrong = [*standing, *undone, *self._undelivered(now)]
        title, body = daily_words(days, wrong, now, self.voice)
        day = now.astimezone(self.voice.zone).date()
        alert = Alert(DAILY, f"day {day}", None, "can wait", title, body, now)
        self._recorder.pending.alerts.append((alert, now))

    def _undelivered(self, now: datetime) -> list[str]:
        """What is wrong with the push, by address."""
        newest: dict[int, str] = {}
        for row in self._store.undelivered(PATIENCE, now - timedelta(days=1) - GIVE_UP_AFTER):
            which = "push.to" if row["address"] >= 0 else "push.second.to"
            number = row["address"] if row["address"] >= 0 else -1 - row["address"]
            state = "given up" if row["state"] == "given up" else "not through yet"
            newest.setdefault(
                row["address"], f"messages to {which}[{number}] are {state}: {row['last_error']}"
            )
        return list(newest.values())

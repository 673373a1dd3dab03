"""What lies on disk before the demo begins: its settings, what its probes have measured, its batches."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

from hatchmon.adapters.store import NewReading, Store, Stream, to_us
from hatchmon.app.demo_hatchery import BROODS, PLANNED_DAYS, PLANS, STOCK_G, Hatchery, Plan
from hatchmon.app.record import watch_batch, water_of
from hatchmon.hatchery.ahead import Room
from hatchmon.hatchery.probes import Judge
from hatchmon.hatchery.supply.demand import Brood
from hatchmon.hatchery.supply.stock import Stock
from hatchmon.hatchery.types import Batch, Quantity
from hatchmon.science.learning import LotBelief

SITE = "demo"
PAST_H = 30.0
PAST_EVERY_H = 1 / 30
COLD_BELOW_SET_POINT_C = 1.5
WARM_ABOVE_SET_POINT_C = 3.0


def settings_text(
    database: Path,
    port: int,
    push_to: str,
    speed: float,
    real_start: datetime,
    shown_start: datetime,
    web_port: int | None,
) -> str:
    """The settings file; messages a little quicker than usual, since somebody is waiting for them. Without
    ``web_port`` no page is served."""
    lines = [
        "# Settings of the demo, gone when it ends.",
        f'site = "{SITE}"',
        "[store]",
        f"path = {json.dumps(str(database), ensure_ascii=False)}",
        "[broker]",
        f"port = {port}",
        "[push]",
        f'to = ["{push_to}"]',
        "[alerts]",
        "closing_min = 30",
        "silent_min = 15",
        "water_min = 10",
        "[web]",
        "enabled = false" if web_port is None else f"port = {web_port}",
        "[rehearsal]",
        f"real_start = {real_start.isoformat()}",
        f"shown_start = {shown_start.isoformat()}",
        f"speed = {speed:g}",
    ]
    lines += ["[supply]", f"days = {PLANNED_DAYS}"]
    for plan in PLANS:
        lines += [f"[cones.{plan.cone}]", f"litres = {plan.litres:g}"]
        if plan.set_point_c is not None:
            lines += [
                f"set_point_c = {plan.set_point_c:g}",
                f'[lots."{plan.lot}"]',
                f"cold_c = {plan.set_point_c - COLD_BELOW_SET_POINT_C}",
                f"warm_c = {plan.set_point_c + WARM_ABOVE_SET_POINT_C}",
            ]
        if plan.topic is not None:
            for quantity, pointer in ((Quantity.TEMPERATURE, "/water"), (Quantity.AIR_TEMPERATURE, "/room")):
                lines += [
                    "[[probes]]",
                    f'cone = "{plan.cone}"',
                    f'quantity = "{quantity}"',
                    f'topic = "{plan.topic}"',
                    f'value_pointer = "{pointer}"',
                    'time_pointer = "/at"',
                ]
    return "\n".join(lines) + "\n"


def write_past(store: Store, hatchery: Hatchery, shown_start: datetime) -> None:
    """Store what the probes measured in the PAST_H hours up to ``shown_start``, judged as the service does,
    the batches, begun so long ago that each will be ready when its plan wants it, broods and stock."""
    past = _Past(store)
    with store.atomic():
        for step in range(round(PAST_H / PAST_EVERY_H), 0, -1):
            at_h = -step * PAST_EVERY_H
            time = shown_start + timedelta(hours=at_h)
            for measured in hatchery.measure(at_h):
                past.note(measured.plan, Quantity.TEMPERATURE, measured.water_c, time)
                if measured.room_c is not None:
                    past.note(measured.plan, Quantity.AIR_TEMPERATURE, measured.room_c, time)
        store.add_readings(past.readings)
        for plan in PLANS:
            batch = store.add_batch(_batch(plan, shown_start, _age_h(store, plan, shown_start)), "receipt")
            asked = {"do": "begin", "cone": plan.cone, "lot": plan.lot, "grams": plan.grams}
            number = store.ask(asked, "demo", batch.started)
            said = f"{plan.cone}: {plan.grams:g} g of lot {plan.lot} begun."
            store.answer(number, True, {"text": said, "cone": plan.cone}, batch.started)
        for name, fry, age_days, mouth in BROODS:
            swam = shown_start.date() - timedelta(days=age_days)
            store.keep_brood(Brood(name, fry, swam, mouth))
        for lot, grams in STOCK_G.items():
            store.keep_stock(Stock(lot, grams), shown_start)


class _Past:
    """Collects readings, each with the verdict it would have had."""

    def __init__(self, store: Store) -> None:
        self.readings: list[NewReading] = []
        self._store = store
        self._streams: dict[tuple[str, Quantity], tuple[Stream, Judge]] = {}

    def note(self, plan: Plan, quantity: Quantity, value_c: float, time: datetime) -> None:
        key = (plan.cone, quantity)
        if key not in self._streams:
            stream = self._store.add_stream(plan.cone, quantity, "C", plan.topic_heard, time)
            self._streams[key] = (stream, Judge(quantity, "C"))
        stream, judge = self._streams[key]
        verdict = judge.judge(value_c, time, time).verdict
        dated_by = "receipt" if plan.topic is None else "probe"
        self.readings.append(NewReading(stream.stream_id, to_us(time), value_c, verdict, dated_by))


def _batch(plan: Plan, shown_start: datetime, age_h: float) -> Batch:
    return Batch(
        batch_id=0,
        cone=plan.cone,
        lot=plan.lot,
        started=shown_start - timedelta(hours=age_h),
        grams=plan.grams,
        litres=plan.litres,
        set_point_c=plan.set_point_c,
    )


def _age_h(store: Store, plan: Plan, shown_start: datetime) -> float:
    """How many hours ago a batch must have begun for its window to open when the plan wants it."""
    air = water_of(store)[plan.cone].get(Quantity.AIR_TEMPERATURE)
    age_h = 18.0
    for _ in range(3):  # another age means other water behind it, and so a little more or less to go
        watch = watch_batch(store, _batch(plan, shown_start, age_h), shown_start)
        forecast = watch.forecast(shown_start, LotBelief.prior(), room=Room(air[0] if air else None))
        assert forecast.opens is not None
        age_h = min(max(forecast.opens.p50 - plan.ready_in_h, 1.0), PAST_H)
    return age_h

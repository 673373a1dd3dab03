"""An invented hatchery for the benchmarks: twelve running cones on a database of its own."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from hatchmon.adapters.store import NewReading, Store, to_us
from hatchmon.app.beliefs import work_out_evidence
from hatchmon.hatchery.types import Batch, Look, Quantity, Verdict
from hatchmon.hatchery.watch import BatchWatch
from tests.engines import START

CONES = 12
LOTS = 4
PAST = 3  # finished batches a lot
SET_POINT_C = 26.0
AGE_H = 15.0  # of a running batch
LASTED_H = 26.0  # of a finished batch
LOOKS = ((16.0, "few"), (19.0, "some"), (22.0, "most"), (25.5, "complete"))


def fill(store: Store, now: datetime, cones: int = CONES) -> None:
    """``cones`` batches begun 1 to 24 h before ``now``, a reading a minute; each lot has PAST hatches."""
    rng = np.random.default_rng(1)
    with store.atomic():
        for number in range(cones):
            cone, lot = f"cone {number + 1:02}", f"lot {number % LOTS + 1}"
            stream = store.add_stream(
                cone, Quantity.TEMPERATURE, "C", f"hatchery/{cone.replace(' ', '-')}/temperature", now
            )
            begun = [now - timedelta(hours=1.0 + 23.0 * number / max(cones - 1, 1))]
            if number < LOTS:
                begun += [begun[0] - timedelta(hours=(LASTED_H + 4.0) * (n + 1)) for n in range(PAST)]
            for start in sorted(begun):
                batch = store.add_batch(
                    Batch(0, cone, lot, start, 2.0, litres=1.0, set_point_c=SET_POINT_C), "keeper"
                )
                until = min(start + timedelta(hours=LASTED_H), now)
                minutes = np.arange(0.0, (until - start) / timedelta(minutes=1), 1.0)
                temps = SET_POINT_C + 0.1 * rng.standard_normal(minutes.size)
                store.add_readings(
                    [
                        NewReading(
                            stream.stream_id,
                            to_us(start + timedelta(minutes=float(minute))),
                            round(float(temp_c), 4),
                            Verdict.GOOD,
                            "keeper",
                        )
                        for minute, temp_c in zip(minutes, temps, strict=True)
                    ]
                )
                if until < now:
                    for hours, seen in LOOKS:
                        store.add_look(Look(batch.batch_id, batch.time_at(hours), seen), "keeper")
                    store.end_batch(batch.batch_id, until, "harvested")
        for batch in store.batches("outcome = 'harvested'"):
            work_out_evidence(store, batch)


def hatching(store: Store, cones: Sequence[str], now: datetime, hours: float = 10.0) -> None:
    """In each of ``cones``, heard on its default topic, a batch that has run for ``hours``: a reading a
    minute."""
    times = [now - timedelta(minutes=minute) for minute in range(round(hours * 60.0), 0, -1)]
    with store.atomic():
        for cone in cones:
            topic = f"hatchery/{cone}/temperature"
            stream = store.add_stream(cone, Quantity.TEMPERATURE, "C", topic, times[0])
            store.add_batch(
                Batch(0, cone, "lot 1", times[0], 2.0, litres=1.0, set_point_c=SET_POINT_C), "keeper"
            )
            store.add_readings(
                [
                    NewReading(
                        stream.stream_id,
                        to_us(time),
                        SET_POINT_C + 0.001 * (number % 97),
                        Verdict.GOOD,
                        "keeper",
                    )
                    for number, time in enumerate(times)
                ]
            )
    store.file_readings(0)


def running_batch() -> tuple[BatchWatch, datetime]:
    """A batch with AGE_H of readings a minute apart, and the moment of the last of them."""
    watch = BatchWatch(Batch(1, "north", "lot 1", START, 2.0, set_point_c=SET_POINT_C, salinity=30.0))
    for minute in range(round(AGE_H * 60.0) + 1):
        watch.add(START + timedelta(minutes=minute), SET_POINT_C + 0.1 * float(np.sin(minute)))
    return watch, START + timedelta(hours=AGE_H)

"""Learn and forecast from a folder of files, touching no database."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from hatchmon.app.beliefs import belief_from
from hatchmon.hatchery.batches import EARLIEST, check_facts
from hatchmon.hatchery.looks import read_look
from hatchmon.hatchery.probes import Judge
from hatchmon.hatchery.types import Band, Batch, Count, Forecast, Look, Quantity, Refused, Verdict
from hatchmon.hatchery.watch import BatchWatch
from hatchmon.hatchery.wording import Voice
from hatchmon.science.learning import Evidence
from hatchmon.science.nauplii import Thresholds

_Finite = Annotated[float, Field(allow_inf_nan=False)]


def _in_calendar(moment: datetime) -> datetime:
    if moment.replace(tzinfo=UTC) < EARLIEST:
        raise ValueError(f"it lies before the year {EARLIEST.year}")
    return moment


_Moment = Annotated[AwareDatetime, AfterValidator(_in_calendar)]


class _BatchFile(BaseModel):
    """``batch.json``."""

    model_config = ConfigDict(extra="forbid")

    start: _Moment
    lot: str
    grams: Annotated[_Finite, Field(gt=0)]
    litres: Annotated[_Finite, Field(gt=0)] | None = None
    salinity: Annotated[_Finite, Field(ge=0, le=200)] | None = None
    set_point_c: Annotated[_Finite, Field(ge=4, le=40)] | None = None
    now: _Moment | None = None


@dataclass(frozen=True, slots=True)
class Replayed:
    """A folder's batch, what was noted of it, and the forecast at its ``now``; ``skipped``: the earlier
    batches that teach nothing, each with the reason."""

    batch: Batch
    looks: tuple[Look, ...]
    readings: int
    unusable: int
    learned: int
    skipped: tuple[str, ...]
    forecast: Forecast


def replay(folder: Path, thresholds: Thresholds | None = None) -> Replayed:
    """Forecast the batch in ``folder``, learning first from the batches in its ``history``, if any.

    Raises Refused naming file, line and what is wrong.
    """
    watch, readings, unusable, now = _read_folder(folder)
    evidence: dict[str, list[Evidence]] = {}
    skipped: list[str] = []
    history = folder / "history"
    for past in sorted(path for path in history.iterdir() if path.is_dir()) if history.is_dir() else ():
        finished, _, _, until = _read_folder(past)
        noted = [*(look.time for look in finished.looks), *(count.time for count in finished.counts)]
        learned = finished.evidence(max(until, *noted)) if noted else None
        if learned is not None:
            evidence.setdefault(finished.batch.lot, []).append(learned)
        else:
            why = "its log has too long a gap" if noted else "it has no look and no count"
            skipped.append(f"{past.relative_to(folder)} teaches nothing: {why}")
    belief = belief_from(evidence, watch.batch.lot)
    forecast = watch.forecast(now, belief, thresholds)
    return Replayed(
        watch.batch, tuple(watch.looks), readings, unusable, belief.hatches, tuple(skipped), forecast
    )


def _read_folder(folder: Path) -> tuple[BatchWatch, int, int, datetime]:
    """(the batch with its log and looks, readings, unusable ones, its ``now``)."""
    facts = _batch_file(folder / "batch.json")
    batch = Batch(
        batch_id=0,
        cone=folder.resolve().name,
        lot=facts.lot,
        started=facts.start.astimezone(UTC),
        grams=facts.grams,
        litres=facts.litres,
        set_point_c=facts.set_point_c,
        salinity=facts.salinity,
    )
    try:
        check_facts(batch)
    except Refused as why:
        raise Refused(f"{folder / 'batch.json'}: {why}") from None
    readings = _temperatures(folder / "temperature.csv", needed=facts.set_point_c is None)
    last = max((time for time, _ in readings), default=batch.started)
    now = facts.now.astimezone(UTC) if facts.now is not None else max(last, batch.started)
    if now < batch.started:
        raise Refused(
            f"{folder / 'batch.json'}: now lies before start; give a now after it, or leave it out."
        )
    watch = BatchWatch(batch)
    watch.looks = sorted(_looks(folder / "looks.csv"), key=lambda look: look.time)
    watch.counts = _counts(folder / "counts.csv")
    unusable = _feed(watch, [reading for reading in readings if reading[0] <= now])
    return watch, len(readings), unusable, now


def _feed(watch: BatchWatch, readings: list[tuple[datetime, float]]) -> int:
    """Judge the readings as a probe's and give the watch the usable ones; how many were not."""
    judge = Judge(Quantity.TEMPERATURE, "C")
    unusable = 0
    for time, temp_c in readings:
        judged = judge.judge(temp_c, time, time)
        usable = [(when, value) for when, value, verdict in judged.revised if verdict.usable]
        if judged.verdict.usable:
            usable.append((time, temp_c))
        unusable += 1 - len(usable)
        for when, value in usable:
            watch.add(when, value)
        watch.suspect_since = time if judged.verdict is Verdict.SUSPECT else None
    return unusable


def _batch_file(path: Path) -> _BatchFile:
    try:
        return _BatchFile.model_validate_json(path.read_text(encoding="utf-8"))
    except ValidationError as error:
        problems = [
            f"{'.'.join(str(part) for part in problem['loc']) or 'the file'}: {problem['msg']}"
            for problem in error.errors(include_url=False, include_input=False)
        ]
        raise Refused(f"{path}: {'; '.join(problems)}.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(f"{path} cannot be read: {_why(error)}.") from None


def _temperatures(path: Path, needed: bool) -> list[tuple[datetime, float]]:
    """The log, oldest first; it may be missing where a set point stands in for it."""
    if not path.exists() and not needed:
        return []
    readings: list[tuple[datetime, float]] = []
    for number, row in _lines(path, ("time", "temp_c")):
        time = _time(row["time"], path, number)
        try:
            temp_c = float(row["temp_c"])
        except ValueError:
            raise Refused(
                f"{path}, line {number}: '{row['temp_c']}' is not a temperature in deg C."
            ) from None
        if math.isfinite(temp_c):
            readings.append((time, temp_c))
    if needed and not readings:
        raise Refused(
            f"{path} holds no reading, and batch.json no set_point_c: nothing tells the temperature."
        )
    return sorted(readings)


def _looks(path: Path) -> Iterator[Look]:
    if not path.exists():
        return
    for number, row in _lines(path, ("time", "seen")):
        time = _time(row["time"], path, number)
        try:
            yield Look(0, time, read_look(row["seen"]))
        except Refused as why:
            raise Refused(f"{path}, line {number}: {why}") from None


def _counts(path: Path) -> list[Count]:
    """Sample counts, oldest first; the lines of one time are the samples of one count."""
    if not path.exists():
        return []
    by_time: dict[datetime, list[tuple[float, int, int, int]]] = {}
    for number, row in _lines(path, ("time", "sample_ml", "nauplii", "umbrella", "unhatched")):
        try:
            found = [int(row[name]) for name in ("nauplii", "umbrella", "unhatched")]
            sample_ml = float(row["sample_ml"])
        except ValueError:
            raise Refused(f"{path}, line {number}: ml and three whole numbers are needed.") from None
        if min(found) < 0 or not 0 < sample_ml < 1000:
            raise Refused(f"{path}, line {number}: a sample of {sample_ml:g} ml with {found} cannot be.")
        sample = (sample_ml, found[0], found[1], found[2])
        by_time.setdefault(_time(row["time"], path, number), []).append(sample)
    counts = []
    for time, samples in sorted(by_time.items()):
        ml, nauplii, umbrella, unhatched = zip(*samples, strict=True)
        counts.append(Count(0, time, ml[0], nauplii, umbrella, unhatched))
    return counts


def _lines(path: Path, columns: tuple[str, ...]) -> Iterator[tuple[int, dict[str, str]]]:
    """(line number, row) of a CSV file that has at least ``columns``."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as text:
            reader = csv.DictReader(text, skipinitialspace=True)
            missing = [column for column in columns if column not in (reader.fieldnames or ())]
            if missing:
                raise Refused(f"{path}: the first line must name the columns {','.join(columns)}.")
            for row in reader:
                if any(row[column] is None for column in columns):
                    raise Refused(f"{path}, line {reader.line_num}: {len(columns)} values are needed.")
                yield reader.line_num, row
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise Refused(f"{path} cannot be read: {_why(error)}.") from None


def _time(text: str, path: Path, number: int) -> datetime:
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise Refused(
            f"{path}, line {number}: '{text}' is not a time such as 2026-03-01T22:30:00Z."
        ) from None
    if moment.replace(tzinfo=UTC) < EARLIEST:
        raise Refused(f"{path}, line {number}: '{text}' lies before the year {EARLIEST.year}.")
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def _why(error: Exception) -> str:
    if isinstance(error, OSError):
        return error.strerror or str(error)
    return "it is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else str(error)


def replay_json(replayed: Replayed) -> str:
    """The result as JSON; hours count from the start."""
    forecast = replayed.forecast

    def band(value: Band | None) -> dict[str, float] | None:
        if value is None:
            return None
        return {"p10": round(value.p10, 3), "p50": round(value.p50, 3), "p90": round(value.p90, 3)}

    result: dict[str, Any] = {
        "t10_h": band(forecast.t10),
        "t50_h": band(forecast.t50),
        "t90_h": band(forecast.t90),
        "window": {
            "opens_h": band(forecast.opens),
            "closes_h": band(forecast.closes),
            "best_h": band(forecast.best),
        },
        "usable_until_h": None if forecast.usable_h is None else round(forecast.usable_h, 3),
        "progress": {"q25_h": round(forecast.q25_h, 3), "hatched": round(forecast.hatched, 4)},
        "trust": forecast.trust,
        "reasons": list(forecast.reasons),
        "not_predicted": forecast.not_predicted,
        "skipped": list(replayed.skipped),
    }
    return json.dumps(result, indent=2, ensure_ascii=False)


def replay_text(replayed: Replayed) -> str:
    """The result in a few lines, times in UTC."""
    batch, forecast = replayed.batch, replayed.forecast
    lines = [
        f"Lot {batch.lot}, {batch.grams:g} g, {batch.hours_at(forecast.issued):.1f} h after the start: "
        f"about {forecast.hatched:.0%} hatched.",
        Voice(UTC).ready(batch, forecast, forecast.issued) + " (UTC)",
    ]
    if forecast.t50 is not None and forecast.t90 is not None:
        lines += [
            f"{name} hatched after {band.p50:.1f} h ({band.p10:.1f} to {band.p90:.1f})"
            for name, band in (("half", forecast.t50), ("90 %", forecast.t90))
        ]
    used = [look for look in replayed.looks if batch.started <= look.time <= forecast.issued]
    left_out = len(replayed.looks) - len(used)
    lines.append(
        f"{replayed.readings} readings, {replayed.unusable} unusable; {len(used)} looks"
        + (f" ({left_out} more before the start or after the time of the forecast)" if left_out else "")
        + "; "
        f"learned from {replayed.learned} earlier hatches; trust {forecast.trust}"
    )
    if replayed.readings and replayed.unusable == replayed.readings:
        lines.append("! no reading could be used: temp_c is the water's temperature in deg C, not in F")
    return "\n".join([*lines, *(f"! {told}" for told in (*replayed.skipped, *forecast.reasons))])

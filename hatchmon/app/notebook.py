"""Past batches from a keeper's notebook: a CSV file, read line by line.

The first line names the columns, in any order; values are separated by commas, or by semicolons, and only
then may numbers have a decimal comma. A value that holds the separator stands in quotes.

    start         2025-11-03 21:30, local, or ISO 8601 with its offset; needed
    lot           the tin or bag; needed
    grams         of dry cysts; needed
    litres        of brine
    temp_c        26, or 25-27, or 26+-1: the water as far as known; this or temp_f is needed
    temp_f        the same in Fahrenheit
    temp_doubt_c  how far that may be off, deg C; without it half of a range, else 1.0
    cone          without it "notebook", under which several batches may stand side by side
    salinity      g/L
    looks         some@14h; most@18h; complete@24h - hours from the start, or times; "|" separates as well
    done_by       when it was complete: 24h, or 2025-11-04 21:30
    not_done_at   when it was last seen not complete; it tells as much as done_by
    notes         not read
"""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError
from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from hatchmon.adapters.store import Store
from hatchmon.app.ask import Answer
from hatchmon.app.beliefs import all_evidence, belief_from
from hatchmon.app.requests import Import, Seen, noted_batch
from hatchmon.app.times import TimeUnclear, read_time
from hatchmon.hatchery.looks import NOT_COMPLETE, read_look
from hatchmon.hatchery.noted import (
    DEFAULT_DOUBT_C,
    AlreadyKnown,
    Noted,
    check_noted,
    noted_evidence,
    t90_at,
    unheard_of,
)
from hatchmon.hatchery.types import Band, Batch, Look, Refused
from hatchmon.hatchery.units import celsius
from hatchmon.hatchery.wording import Voice
from hatchmon.science.learning import Evidence

COLUMNS = (
    "start", "lot", "grams", "litres", "temp_c", "temp_f", "temp_doubt_c", "cone", "salinity",
    "looks", "done_by", "not_done_at", "notes",
)  # fmt: skip
NEEDED = ("start", "lot", "grams")
DEFAULT_CONE = "notebook"
COMPARED_AT_C = 26.0
LARGEST_FILE = 2_000_000  # bytes; a notebook of twenty thousand batches
EARLIEST_YEAR = 1980
FAHRENHEIT_FROM = 50.0  # a number as large in temp_c is taken for Fahrenheit in the wrong column

_NUMBER = r"\d+(?:\.\d+)?"
_PLAIN = re.compile(_NUMBER)
_TEMP = re.compile(
    rf"({_NUMBER})\s*(?:(?P<pm>\+/?-|±)\s*({_NUMBER})|(?:-|–|—|to)\s*({_NUMBER}))?\s*°?\s*([CF])?",
    re.IGNORECASE,
)
_HOURS = re.compile(rf"({_NUMBER})\s*(?:h|hours?)?", re.IGNORECASE)
_DAY = re.compile(r"(\d{4})-\d{2}-\d{2}[T ](\d{1,2}):\d{2}.*")

State = Literal["new", "known", "refused"]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the file: the batch it holds, or why it is refused or left alone; ``doubted``: its looks
    that no lot shows, stored but not learned from."""

    number: int
    state: State
    asked: Import | None
    why: str = ""
    doubted: tuple[Look, ...] = ()

    @property
    def noted(self) -> Noted | None:
        """The batch, None where the line could not be read."""
        return None if self.asked is None else noted_batch(self.asked)


@dataclass(frozen=True, slots=True)
class Lesson:
    """What the new batches teach about one lot: hours to 90 % hatched at COMPARED_AT_C."""

    lot: str
    batches: int
    before: Band
    after: Band


@dataclass(frozen=True, slots=True)
class Plan:
    """Every line of the file in order, and what the new ones teach."""

    lines: tuple[Line, ...]
    lessons: tuple[Lesson, ...]

    def of(self, state: State) -> list[Line]:
        """The lines in one state."""
        return [line for line in self.lines if line.state == state]


# --- reading ----------------------------------------------------------------------------------


def read_notebook(path: Path, now: datetime, voice: Voice) -> list[Line]:
    """The lines of the file, those that cannot be read refused with the reason.

    Raises Refused when the file as a whole cannot be read.
    """
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise Refused(f"{path} is larger than {LARGEST_FILE / 1e6:g} MB: that is no notebook.")
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise Refused(f"{path} is not UTF-8 text; save it as 'CSV UTF-8'.") from None
    except OSError as error:
        raise Refused(f"{path} cannot be read: {error.strerror}.") from None
    # A line at a time, so that a quote left open spoils no line but its own.
    numbered = [(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip(" \t,;")]
    if not numbered:
        raise Refused(f"{path} is empty; its first line must name columns: {', '.join(COLUMNS)}.")
    reader = _Reader(numbered[0][1], path, now, voice)
    return [reader.line(number, line) for number, line in numbered[1:]]


class _Reader:
    """Reads lines by the columns that the first line names."""

    def __init__(self, header: str, path: Path, now: datetime, voice: Voice) -> None:
        self._separator = ";" if header.count(";") > header.count(",") else ","
        self._now = now
        self._voice = voice
        try:
            names = [re.sub(r"\s+", "_", name.strip().lower()) for name in self._split(header)]
        except Refused as why:
            raise Refused(f"{path}, line 1: {why}") from None
        self._names = names
        for name in names:
            if name not in COLUMNS:
                near = difflib.get_close_matches(name, COLUMNS, 1)
                hint = f" Did you mean {near[0]}?" if near else ""
                raise Refused(f"{path}: there is no column '{name}'.{hint} Known: {', '.join(COLUMNS)}.")
        for name in names:
            if names.count(name) > 1:
                raise Refused(f"{path}: the column {name} is there twice.")
        missing = [name for name in NEEDED if name not in names]
        if missing:
            raise Refused(f"{path}: the first line names no column {', '.join(missing)}.")
        if "temp_c" not in names and "temp_f" not in names:
            raise Refused(f"{path}: the first line names no column temp_c or temp_f.")
        if not {"looks", "done_by", "not_done_at"} & set(names):
            raise Refused(f"{path}: the first line names no column looks or done_by.")

    def line(self, number: int, text: str) -> Line:
        try:
            return Line(number, "new", self._asked(self._cells(text)))
        except Refused as why:
            return Line(number, "refused", None, str(why))

    def _split(self, text: str) -> list[str]:
        try:
            return next(csv.reader([text], delimiter=self._separator, skipinitialspace=True, strict=True))
        except (csv.Error, StopIteration):
            raise Refused("A quotation mark is not closed, or stands inside a value.") from None

    def _cells(self, text: str) -> dict[str, str]:
        values = [value.strip() for value in self._split(text)]
        while len(values) > len(self._names) and not values[-1]:
            values.pop()
        if len(values) > len(self._names):
            raise Refused(
                f"There are {len(values)} values for {len(self._names)} columns: put a value that holds "
                f"'{self._separator}' in quotes, or '|' between looks."
            )
        return dict.fromkeys(COLUMNS, "") | dict(zip(self._names, values, strict=False))

    def _asked(self, cells: dict[str, str]) -> Import:
        for name in NEEDED:
            if not cells[name]:
                raise Refused(f"{name} is missing.")
        started = self._time("start", cells["start"])
        temp_c, doubt_c = self._temperature(cells)
        body: dict[str, Any] = {
            "cone": cells["cone"] or DEFAULT_CONE,
            "at": started,
            "lot": cells["lot"],
            "grams": self._number("grams", cells["grams"]),
            "litres": self._number("litres", cells["litres"]) if cells["litres"] else None,
            "salinity": self._number("salinity", cells["salinity"]) if cells["salinity"] else None,
            "temp_c": temp_c,
            "doubt_c": doubt_c,
            "looks": self._looks(cells, started),
        }
        try:
            return Import.model_validate(body)
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            if first["loc"] == ("cone",):
                raise Refused("A cone's name has 1 to 32 letters, digits, '-' or '_'.") from None
            raise Refused(f"{first['loc'][0]}: {first['msg']}.") from None

    def _plain(self, text: str) -> str:
        """Numbers with a point: a decimal comma is one only where semicolons separate."""
        return re.sub(r"(?<=\d),(?=\d)", ".", text) if self._separator == ";" else text

    def _number(self, name: str, text: str) -> float:
        plain = self._plain(text)
        if not _PLAIN.fullmatch(plain):
            raise Refused(f"{name}: '{text}' is not a number{self._comma_hint(text)}.")
        return float(plain)

    def _comma_hint(self, text: str) -> str:
        hint = ", with a decimal point (a comma only in files that are separated by semicolons)"
        return hint if "," in text and self._separator == "," else ""

    def _temperature(self, cells: dict[str, str]) -> tuple[float, float]:
        """(deg C, doubt) from temp_c or temp_f, and doubt_c."""
        if bool(cells["temp_c"]) == bool(cells["temp_f"]):
            raise Refused("Give the water in temp_c or in temp_f, one of the two.")
        name = "temp_c" if cells["temp_c"] else "temp_f"
        found = _TEMP.fullmatch(self._plain(cells[name]))
        if not found or (found[5] and found[5].lower() != name[-1]):
            raise Refused(
                f"{name}: '{cells[name]}' is not a temperature such as 26, 25-27 or 26+-1"
                f"{self._comma_hint(cells[name])}."
            )
        per_degree = 1.0 if name == "temp_c" else 1 / 1.8
        value, doubt_c = float(found[1]), DEFAULT_DOUBT_C
        if found["pm"]:
            doubt_c = float(found[3]) * per_degree
        elif found[4]:
            other = float(found[4])
            value, doubt_c = (value + other) / 2.0, abs(other - value) / 2.0 * per_degree
        if cells["temp_doubt_c"]:
            doubt_c = self._number("temp_doubt_c", cells["temp_doubt_c"])
        if name == "temp_c" and FAHRENHEIT_FROM <= value < 120.0:
            raise Refused(f"temp_c: {value:g} °C is no hatch; give Fahrenheit in a column temp_f.")
        return (value if name == "temp_c" else celsius(value)), doubt_c

    def _looks(self, cells: dict[str, str], started: datetime) -> tuple[Seen, ...]:
        found = []
        for part in filter(str.strip, re.split(r"[;|]", cells["looks"])):
            seen, at, when = part.partition("@")
            if not at:
                raise Refused(f"looks: '{part.strip()}' is not a look such as most@18h.")
            found.append(Seen(h=self._hours("looks", when.strip(), started), seen=read_look(seen)))
        for name, seen in (("not_done_at", NOT_COMPLETE), ("done_by", "complete")):
            if cells[name]:
                found.append(Seen(h=self._hours(name, cells[name], started), seen=seen))
        return tuple(found)

    def _hours(self, name: str, text: str, started: datetime) -> float:
        hours = _HOURS.fullmatch(self._plain(text))
        if hours:
            return min(float(hours[1]), 1e6)
        if not _DAY.fullmatch(text):
            raise Refused(
                f"{name}: '{text}' is neither hours from the start (24h) nor a time (2025-11-04 21:30)."
            )
        return (self._time(name, text) - started) / timedelta(hours=1)

    def _time(self, name: str, text: str) -> datetime:
        day = _DAY.fullmatch(text)
        if not day:
            raise Refused(f"{name}: '{text}' is not a time such as 2025-11-03 21:30.")
        if not EARLIEST_YEAR <= int(day[1]) <= self._now.year + 1:
            raise Refused(f"{name}: the year {day[1]} cannot be meant.")
        try:
            padded = text if len(day[2]) == 2 else f"{text[: day.start(2)]}0{text[day.start(2) :]}"
            return read_time(padded, self._now, self._voice.zone)
        except TimeUnclear:
            raise Refused(f"{name}: '{text}' is not a time such as 2025-11-03 21:30.") from None


# --- planning ---------------------------------------------------------------------------------


def plan_import(lines: Sequence[Line], store: Store | None, now: datetime, voice: Voice) -> Plan:
    """What an import would do; ``store`` is None where there is no database yet."""
    probed = [] if store is None else store.cones()
    evidence = {} if store is None else all_evidence(store)
    held: dict[str, list[Batch]] = {}
    planned: list[Line] = []
    for line in lines:
        asked = line.asked
        if asked is not None:
            if asked.cone not in held:
                held[asked.cone] = [] if store is None else store.batches("cone = ?", asked.cone)
            try:
                noted = noted_batch(asked)
                check_noted(noted, held[asked.cone], asked.cone in probed, now, voice)
                held[asked.cone].append(noted.batch)
                line = replace(line, doubted=tuple(unheard_of(noted)))
            except AlreadyKnown as why:
                line = Line(line.number, "known", asked, str(why))
            except Refused as why:
                line = Line(line.number, "refused", None, str(why))
        planned.append(line)
    return Plan(tuple(planned), tuple(_lessons(planned, evidence)))


def _lessons(lines: Iterable[Line], evidence: dict[str, list[Evidence]]) -> Iterable[Lesson]:
    new: dict[str, list[Evidence]] = {}
    for line in lines:
        if line.state == "new" and line.noted is not None:
            noted = line.noted
            learned = noted_evidence(noted.batch, noted.looks, noted.temp_c, noted.doubt_c)
            new.setdefault(noted.batch.lot, []).append(learned)
    after = {lot: [*evidence.get(lot, ()), *new.get(lot, ())] for lot in {**evidence, **new}}
    for lot, batches in new.items():
        old_t90, new_t90 = (t90_at(belief_from(known, lot), COMPARED_AT_C) for known in (evidence, after))
        yield Lesson(lot, len(batches), old_t90, new_t90)


def bodies(plan: Plan) -> list[dict[str, Any]]:
    """The requests that store the new lines, in their order."""
    return [line.asked.model_dump(mode="json") for line in plan.of("new") if line.asked is not None]


def carried_out(plan: Plan, answers: Sequence[Answer]) -> Plan:
    """The plan after its requests were answered: what was refused after all is told as refused."""
    told = iter(answers)
    lines = []
    for line in plan.lines:
        if line.state == "new":
            ok, answer = next(told)
            line = line if ok else Line(line.number, "refused", None, str(answer["text"]))
        lines.append(line)
    return Plan(tuple(lines), plan.lessons)


# --- telling ----------------------------------------------------------------------------------


def plan_json(plan: Plan, stored: bool) -> dict[str, Any]:
    """The plan as plain data; hours from the start."""

    def band(value: Band) -> dict[str, float]:
        return {"p10": round(value.p10, 2), "p50": round(value.p50, 2), "p90": round(value.p90, 2)}

    return {
        "stored": stored,
        "lines": [_line_json(line) for line in plan.lines],
        "lots": [
            {
                "lot": lesson.lot,
                "batches": lesson.batches,
                "t90_26c_h": {"before": band(lesson.before), "after": band(lesson.after)},
            }
            for lesson in plan.lessons
        ],
    }


def _line_json(line: Line) -> dict[str, Any]:
    facts: dict[str, Any] = {"line": line.number, "state": line.state, "why": line.why or None}
    noted = line.noted
    if noted is not None:
        batch = noted.batch
        facts |= {
            "cone": batch.cone,
            "lot": batch.lot,
            "started": batch.started.isoformat(timespec="seconds"),
            "grams": batch.grams,
            "litres": batch.litres,
            "salinity": batch.salinity,
            "temp_c": round(noted.temp_c, 2),
            "doubt_c": round(noted.doubt_c, 2),
            "looks": _looks_json(batch, noted.looks),
            "doubted": _looks_json(batch, line.doubted),
        }
    return facts


def _looks_json(batch: Batch, looks: Iterable[Look]) -> list[dict[str, Any]]:
    return [{"h": round(batch.hours_at(each.time), 2), "seen": each.seen} for each in looks]


def plan_shown(plan: Plan, path: Path, stored: bool, now: datetime, voice: Voice) -> RenderableType:
    """The plan, or what was done, as a table of lines, the refusals, and what it teaches."""
    parts: list[RenderableType] = []
    new, known, refused = (plan.of(state) for state in ("new", "known", "refused"))
    if new:
        table = Table(box=box.SIMPLE_HEAD)
        for heading in ("line", "cone", "lot", "begun", "g", "water", "looks"):
            table.add_column(heading, justify="right" if heading in ("line", "g") else "left")
        for line in new:
            noted = line.noted
            assert noted is not None
            batch = noted.batch
            looks = ", ".join(f"{each.seen} at {batch.hours_at(each.time):.1f} h" for each in noted.looks)
            table.add_row(
                str(line.number), batch.cone, batch.lot, voice.time(batch.started, now), f"{batch.grams:g}",
                f"{voice.temp(noted.temp_c)} ± {_degrees(noted.doubt_c, voice)}", looks,
            )  # fmt: skip
        parts.append(table)
    parts += [Text(f"line {line.number}: refused. {line.why}", style="yellow") for line in refused]
    parts += [Text(f"line {line.number}: left alone. {line.why}", style="dim") for line in known]
    parts += [Text(_doubt(line, voice), style="yellow") for line in new if line.doubted]
    for lesson in plan.lessons:
        count = f"{lesson.batches} batch{'es' if lesson.batches > 1 else ''}"
        water = voice.temp(COMPARED_AT_C)
        parts.append(
            Text(
                f"Lot {lesson.lot}, {count}: 90 % hatched at {water} after {_hours(lesson.before)} -> "
                f"{_hours(lesson.after)}"
            )
        )
    parts.append(Text(_in_short(len(new), len(refused), len(known), path, stored)))
    return Group(*parts)


def _doubt(line: Line, voice: Voice) -> str:
    noted = line.noted
    assert noted is not None
    looks = ", ".join(f"'{each.seen}' at {noted.batch.hours_at(each.time):g} h" for each in line.doubted)
    return (
        f"line {line.number}: check {looks}: no lot hatches so in water of {voice.temp(noted.temp_c)}. It is "
        "stored but not learned from."
    )


def _in_short(new: int, refused: int, known: int, path: Path, stored: bool) -> str:
    rest = "".join(
        f", {count} {what}" for count, what in ((refused, "refused"), (known, "known already")) if count
    )
    if stored:
        return f"{new} stored{rest}."
    if not new:
        return f"Nothing to store{rest}."
    return f"{new} to store{rest}. Nothing is stored yet; to store: hatchmon import {path} --yes"


def _degrees(difference_c: float, voice: Voice) -> str:
    return f"{difference_c * (1.8 if voice.unit == 'F' else 1.0):.1f}"


def _hours(band: Band) -> str:
    return f"{band.p50:.1f} h ({band.p10:.1f}-{band.p90:.1f})"

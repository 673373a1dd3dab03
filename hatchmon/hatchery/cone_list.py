"""A list of cones, written with ranges: ``a001..a500`` is a001, a002 and so on to a500."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Sequence

MOST_CONES = 2000
NAME = re.compile(r"[A-Za-z0-9_-]{1,32}")
_NUMBERED = re.compile(r"([A-Za-z0-9_-]*?)([0-9]+)")
_OTHERWISE_WRITTEN = re.compile(r"(([0-9_-]*[A-Za-z][A-Za-z0-9_-]*?)[0-9]+)-(\2[0-9]+)")


class NoCones(ValueError):
    """What entry ``index`` of a list of cones cannot mean; ``str()`` is a sentence that follows its path."""

    def __init__(self, index: int, problem: str) -> None:
        super().__init__(problem)
        self.index = index


def cones_of(entries: Sequence[str]) -> list[str]:
    """The names that ``entries`` (names and ranges) mean, in their order. Raises NoCones."""
    found: dict[str, str] = {}  # by name, the entry that it came with
    for index, entry in enumerate(entries):
        names = _names(index, entry)
        if again := next((name for name in names if name in found), None):
            where = "" if found[again] == again else f' by "{found[again]}"'
            twice = f'"{entry}"' if entry == again else f'"{entry}" holds {again}, which'
            raise NoCones(index, f"{twice} is named{where} already; name each cone once")
        found |= dict.fromkeys(names, entry)
        if len(found) > MOST_CONES:
            raise NoCones(index, f"makes more than {MOST_CONES} cones; give some to another share")
    return list(found)


def _names(index: int, entry: str) -> list[str]:
    shown = f'"{entry[:70]}"'
    first, dots, last = entry.partition("..")
    if not dots:
        if not NAME.fullmatch(entry):
            raise NoCones(index, f"must be a name of 1 to 32 of A-Z a-z 0-9 _ - or a range; {shown} is not")
        if range_like := _OTHERWISE_WRITTEN.fullmatch(entry):
            meant = f"{range_like[1]}..{range_like[3]}"
            raise NoCones(index, f'{shown} looks like a range; write it "{meant}"')
        return [entry]
    ends = _NUMBERED.fullmatch(first), _NUMBERED.fullmatch(last)
    if ends[0] is None or ends[1] is None or not all(NAME.fullmatch(end) for end in (first, last)):
        raise NoCones(
            index, f'must be a range such as "a001..a500", from one numbered cone to another; {shown} is not'
        )
    (before, low), (before_last, high) = ends[0].groups(), ends[1].groups()
    if before != before_last:
        raise NoCones(
            index,
            f'{shown} goes from "{before}" to "{before_last}"; both ends need the same before the number',
        )
    count = int(high) - int(low) + 1
    if count < 2:
        raise NoCones(index, f"{shown} does not count upwards; write the lower number first")
    if _counted(low, int(high)) != high:
        raise NoCones(
            index, f"{shown}: counting up from {first} gives {before}{_counted(low, int(high))}, not {last}"
        )
    if count > MOST_CONES:
        raise NoCones(index, f"{shown} is {count} cones; one share takes {MOST_CONES} at most")
    return [before + _counted(low, number) for number in range(int(low), int(high) + 1)]


def _counted(first: str, number: int) -> str:
    """``number`` with as many digits as ``first`` has, or more where it needs them."""
    return str(number).zfill(len(first))


def written(names: Iterable[str]) -> list[str]:
    """The shortest entries that mean ``names``, in order of name and number."""
    runs: list[list[str]] = []
    for name in sorted(set(names), key=_place):
        if runs and _next(runs[-1][-1]) == name:
            runs[-1].append(name)
        else:
            runs.append([name])
    return list(
        itertools.chain.from_iterable(run if len(run) < 3 else [f"{run[0]}..{run[-1]}"] for run in runs)
    )


def in_words(names: Iterable[str], most: int = 12) -> str:
    """``names`` as a keeper would write them, at most so many entries of them."""
    entries = written(names)
    more = len(entries) - most
    return ", ".join(entries[:most]) + (f" and {more} more" if more > 0 else "")


def _place(name: str) -> tuple[str, int, int, str]:
    """Where a name stands among others: by the text before its number, then by the number."""
    numbered = _NUMBERED.fullmatch(name)
    if numbered is None:
        return name, -1, 0, ""
    return numbered[1], int(numbered[2]), len(numbered[2]), name


def _next(name: str) -> str | None:
    """The name that follows in a range."""
    numbered = _NUMBERED.fullmatch(name)
    return None if numbered is None else numbered[1] + _counted(numbered[2], int(numbered[2]) + 1)

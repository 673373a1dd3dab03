"""The choice among patterns as an integer program, and its exact solution.

Minimise what the chosen patterns cost, so that every part of every need is served (or counted as missed, at a
price beyond any cost), no more cones of a kind are in use than there are, no lot gives more than its stock,
and what is on hand is used once. Cones in use are told as a flow of free cones from one start to the next:
two entries a pattern instead of one for every quarter of an hour, with the same solutions.

There are too many patterns to give them all to the solver. The linear relaxation is solved by column
generation: every pattern is priced against its dual values, so its optimum is that of all patterns, and a
lower bound. The integer program is then solved over the patterns that were generated, and over all whose
reduced cost is less than what lies between bound and solution: no other can be part of a better one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from hatchmon.hatchery.supply.keeper import STEP_H
from hatchmon.hatchery.supply.patterns import ConeKind, Ints, Need, Patterns
from hatchmon.science.normal import Floats

MISSED = 10_000.0  # cost of a part of a need that is not served, in grams: beyond any plan's
_ROUNDS = 60
_A_ROUND = 3000  # patterns taken in at once
_MOST_PATTERNS = 60_000  # for the solver at the end
_TOLERANCE = 1e-6


@dataclass(frozen=True, slots=True)
class Program:
    """Minimise ``cost`` x with ``upper`` >= x >= 0 and rows between ``row_low`` and ``row_high``; the matrix
    by columns: ``starts`` (columns + 1), ``index``, ``value``. ``whole``: which x must be integers;
    ``guess``: a feasible x to start from."""

    cost: Floats
    upper: Floats
    row_low: Floats
    row_high: Floats
    starts: Ints
    index: Ints
    value: Floats
    whole: NDArray[np.bool_]
    guess: Floats | None = None


@dataclass(frozen=True, slots=True)
class Solved:
    """``x``; ``duals`` by row (of a linear program); ``bound``: no solution costs less; ``proven``: x is
    best."""

    x: Floats
    duals: Floats
    cost: float
    bound: float
    proven: bool


class OutOfTime(Exception):
    """The solver has found nothing in the time it has."""


class Solver(Protocol):
    """A solver of linear and integer programs. Raises OutOfTime."""

    def solve(self, program: Program, share: float = 1.0) -> Solved:
        """At most ``share`` of the time it has left."""
        ...


@dataclass(frozen=True, slots=True)
class Choice:
    """``chosen``: pattern numbers, one for each cone begun; ``missed``: parts not served of each need;
    ``cost`` without what is missed; ``bound``: no choice that misses as little costs less."""

    chosen: tuple[int, ...]
    missed: Ints
    cost: float
    bound: float

    @property
    def gap(self) -> float:
        """What a better choice could save at most, share of the cost."""
        return max(self.cost - self.bound, 0.0) / self.cost if self.cost > 0.0 else 0.0


class _Master:
    """The rows that every pattern meets, and their prices."""

    def __init__(
        self, patterns: Patterns, cost: Floats, needs: Sequence[Need], kinds: Sequence[ConeKind],
        sources: int, stock_g: Sequence[float | None],
    ) -> None:  # fmt: skip
        self.patterns, self.cost, self.kinds = patterns, cost, kinds
        self._parts = np.array([need.parts for need in needs], dtype=np.float64)
        self._sources = sources
        self._lots = [(lot, g) for lot, g in enumerate(stock_g) if g is not None]
        self._lot_row = np.full(len(stock_g) + 1, -1, dtype=np.int64)  # the last: no lot
        for row, (lot, _) in enumerate(self._lots):
            self._lot_row[lot] = self._parts.size + sources + row
        self._fixed_rows = self._parts.size + sources + len(self._lots)
        self._free = [np.ceil(np.array(kind.free_h) / STEP_H - 1e-9).astype(np.int64) for kind in kinds]

    def solve(
        self, active: Ints, solver: Solver, whole: bool, share: float, guess: Ints | None = None
    ) -> Solved:
        """Over the patterns ``active`` alone; x holds theirs first, then the missed parts, then free
        cones."""
        p = self.patterns
        self._nodes = [np.unique(p.start[active][p.kind[active] == kind]) for kind in range(len(self.kinds))]
        self._first_row = self._fixed_rows + np.concatenate(([0], np.cumsum([n.size for n in self._nodes])))
        rows: list[Ints] = []
        columns: list[Ints] = []
        values: list[Floats] = []

        def enter(row: Ints, column: Ints, value: Floats) -> None:
            rows.append(row)
            columns.append(column)
            values.append(value)

        number = np.arange(active.size)
        for place in range(p.needs.shape[1]):
            has = p.needs[active, place] >= 0
            enter(p.needs[active[has], place], number[has], p.times[active[has], place].astype(np.float64))
        on_hand = p.source[active] >= 0
        enter(self._parts.size + p.source[active[on_hand]], number[on_hand], np.ones(int(on_hand.sum())))
        lot_row = self._lot_row[p.lot[active]]
        enter(lot_row[lot_row >= 0], number[lot_row >= 0], p.grams[active[lot_row >= 0]])
        count = active.size
        misses = np.arange(self._parts.size)
        enter(misses, count + misses, np.ones(misses.size))
        count += misses.size
        initial = []
        for kind, nodes in enumerate(self._nodes):
            mine = p.kind[active] == kind
            first = self._first_row[kind]
            enter(
                first + np.searchsorted(nodes, p.start[active[mine]]), number[mine], np.ones(int(mine.sum()))
            )
            back = np.searchsorted(nodes, p.free[active[mine]])
            known = back < nodes.size
            enter(first + back[known], number[mine][known], -np.ones(int(known.sum())))
            arcs = np.arange(nodes.size)
            enter(first + arcs, count + arcs, np.ones(arcs.size))
            enter(first + arcs[1:], count + arcs[:-1], -np.ones(max(arcs.size - 1, 0)))
            count += arcs.size
            given = np.searchsorted(nodes, self._free[kind])
            initial.append(np.bincount(given, minlength=nodes.size + 1)[: nodes.size].astype(np.float64))
        row, column, value = np.concatenate(rows), np.concatenate(columns), np.concatenate(values)
        order = np.lexsort((row, column))
        flow = np.concatenate(initial) if initial else np.zeros(0)
        nodes_count = int(sum(n.size for n in self._nodes))
        cones = np.array([len(kind.cones) for kind in self.kinds] + [1], dtype=np.float64)
        upper = np.concatenate((cones[p.kind[active]], self._parts, np.full(nodes_count, np.inf)))
        program = Program(
            cost=np.concatenate((self.cost[active], np.full(misses.size, MISSED), np.zeros(nodes_count))),
            upper=upper,
            row_low=np.concatenate((self._parts, np.full(self._sources + len(self._lots), -np.inf), flow)),
            row_high=np.concatenate(
                (np.full(self._parts.size, np.inf), np.ones(self._sources), [g for _, g in self._lots], flow)
            ),
            starts=np.searchsorted(column[order], np.arange(count + 1)).astype(np.int64),
            index=row[order],
            value=value[order],
            whole=np.arange(count) < (active.size if whole else 0),
            guess=None if guess is None else self._guessed(active, guess, count),
        )
        return solver.solve(program, share)

    @staticmethod
    def _guessed(active: Ints, guess: Ints, count: int) -> Floats:
        """The patterns of an earlier solution among ``active``; the solver finds the rest."""
        x = np.full(count, np.nan)
        x[: active.size] = 0.0
        np.add.at(x, np.searchsorted(active, guess), 1.0)
        return x

    def reduced(self, duals: Floats) -> Floats:
        """Reduced cost of every pattern. A quarter of an hour at which no active pattern starts has the price
        of the next at which one does."""
        p = self.patterns
        price = np.append(duals[: self._parts.size], 0.0)
        cost = self.cost - (p.times * price[p.needs]).sum(axis=1)
        on_hand = p.source >= 0
        cost[on_hand] -= duals[self._parts.size + p.source[on_hand]]
        lot_row = self._lot_row[p.lot]
        stocked = lot_row >= 0
        cost[stocked] -= p.grams[stocked] * duals[lot_row[stocked]]
        for kind, nodes in enumerate(self._nodes):
            mine = np.flatnonzero(p.kind == kind)
            first = self._first_row[kind]
            potential = np.append(duals[first : first + nodes.size], 0.0)
            begun = potential[np.searchsorted(nodes, p.start[mine])]
            given_back = potential[np.searchsorted(nodes, p.free[mine])]
            cost[mine] -= begun - given_back
        return np.asarray(cost, dtype=np.float64)


def choose(
    patterns: Patterns,
    cost: Floats,
    needs: Sequence[Need],
    kinds: Sequence[ConeKind],
    sources: int,
    stock_g: Sequence[float | None],
    solver: Solver,
) -> Choice:
    """The cheapest choice that misses least. ``cost`` (n,) of each pattern, not negative; ``sources``: how
    many batches are on hand; ``stock_g`` by lot."""
    if not patterns.size:
        return Choice((), np.array([need.parts for need in needs], dtype=np.int64), 0.0, 0.0)
    master = _Master(patterns, cost, needs, kinds, sources, stock_g)
    active = _cheapest(patterns, cost, len(needs))
    bound = -np.inf
    for _ in range(_ROUNDS):
        relaxed = master.solve(active, solver, False, 0.5)
        reduced = master.reduced(relaxed.duals)
        reduced[active] = np.maximum(reduced[active], 0.0)
        worst = reduced < -_TOLERANCE
        if not worst.any():
            bound = relaxed.cost
            break
        bound = max(bound, _farley(relaxed.cost, cost, reduced))
        found = np.flatnonzero(worst)
        if found.size > _A_ROUND:
            found = found[np.argpartition(reduced[found], _A_ROUND)[:_A_ROUND]]
        active = np.union1d(active, found)
    whole = master.solve(active, solver, True, 0.5)
    chosen = _chosen(active, whole.x)
    if whole.cost > bound + _TOLERANCE:
        close = np.flatnonzero(reduced <= whole.cost - bound + _TOLERANCE)
        wider = np.union1d(close, chosen)
        if wider.size > _MOST_PATTERNS:
            wider = np.union1d(
                chosen, close[np.argpartition(reduced[close], _MOST_PATTERNS)[:_MOST_PATTERNS]]
            )
            again = master.solve(wider, solver, True, 1.0, chosen)
        else:
            again = master.solve(wider, solver, True, 1.0, chosen)
            bound = max(bound, min(again.bound, again.cost))
        if again.cost < whole.cost:
            active, whole = wider, again
            chosen = _chosen(active, whole.x)
    missed = np.rint(whole.x[active.size : active.size + len(needs)]).astype(np.int64)
    # Parts served beyond what is needed come from patterns that serve something else as well.
    lost = MISSED * float(missed.sum())
    total = float(cost[chosen].sum()) if chosen.size else 0.0
    return Choice(tuple(map(int, chosen)), missed, total, min(max(bound - lost, 0.0), total))


def _chosen(active: Ints, x: Floats) -> Ints:
    return np.repeat(active, np.rint(x[: active.size]).astype(np.int64))


def _cheapest(patterns: Patterns, cost: Floats, needs: int, of_each: int = 12) -> Ints:
    """The patterns that serve each need at the least cost a part, to begin with."""
    parts = patterns.times.sum(axis=1)
    rate = cost / np.maximum(parts, 1)
    found = []
    for need in range(needs):
        with_it = np.flatnonzero((patterns.needs == need).any(axis=1))
        found.append(with_it[np.argsort(rate[with_it], kind="stable")[:of_each]])
    return np.unique(np.concatenate(found)) if found else np.zeros(0, dtype=np.int64)


def _farley(value: float, cost: Floats, reduced: Floats) -> float:
    """A lower bound before all patterns are priced in (Farley 1990): the dual solution, scaled until it is
    feasible."""
    paid = cost - reduced
    some = paid > 1e-12
    return float(value * min(1.0, float(np.min(cost[some] / paid[some], initial=1.0))))

"""HiGHS, the solver of linear and integer programs; loaded only by the process that plans."""

from __future__ import annotations

import time

import highspy
import numpy as np

from hatchmon.hatchery.supply.program import OutOfTime, Program, Solved


class _Silent(highspy.Highs):
    """The library's own constructor switches callbacks on, which prints a banner to standard output before
    anything can be set; none is used here."""

    def __init__(self) -> None:
        super(highspy.Highs, self).__init__()


class Highs:
    """Solves within ``budget_s`` seconds in all, counted from when it is made."""

    def __init__(self, budget_s: float) -> None:
        self._until = time.monotonic() + budget_s

    def solve(self, program: Program, share: float = 1.0) -> Solved:
        """Raises OutOfTime when nothing is found in at most ``share`` of the time left (a tenth of a second
        at least)."""
        solver = _Silent()
        solver.setOptionValue("output_flag", False)
        solver.setOptionValue("threads", 1)
        solver.setOptionValue("mip_rel_gap", 0.0)
        solver.setOptionValue("mip_abs_gap", 1e-6)
        left_s = max(self._until - time.monotonic(), 0.0)
        integers = bool(program.whole.any())
        if integers:
            solver.setOptionValue("time_limit", max(left_s * share, 0.1))
        solver.passModel(_model(program, integers))
        if program.guess is not None:
            known = np.flatnonzero(np.isfinite(program.guess)).astype(np.int32)
            solver.setSolution(known.size, known, program.guess[known])
        solver.run()
        status = solver.getModelStatus()
        solution, info = solver.getSolution(), solver.getInfo()
        x = np.array(solution.col_value, dtype=np.float64)
        proven = status == highspy.HighsModelStatus.kOptimal
        found = proven or info.primal_solution_status == highspy.kSolutionStatusFeasible
        if not found or x.size != program.cost.size:
            raise OutOfTime(f"the solver found no plan ({solver.modelStatusToString(status)})")
        cost = float(program.cost @ x)
        bound = cost if not integers else float(info.mip_dual_bound)
        return Solved(x, np.array(solution.row_dual, dtype=np.float64), cost, bound, proven)


def _model(program: Program, integers: bool) -> highspy.HighsLp:
    model = highspy.HighsLp()
    model.num_col_ = program.cost.size
    model.num_row_ = program.row_low.size
    model.col_cost_ = program.cost
    model.col_lower_ = np.zeros(program.cost.size)
    model.col_upper_ = program.upper
    model.row_lower_ = program.row_low
    model.row_upper_ = program.row_high
    model.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    model.a_matrix_.start_ = program.starts.astype(np.int32)
    model.a_matrix_.index_ = program.index.astype(np.int32)
    model.a_matrix_.value_ = program.value
    if integers:
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        model.integrality_ = [kinds[int(whole)] for whole in program.whole]
    return model

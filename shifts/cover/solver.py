"""Whole-number programs, solved by HiGHS to a proven best: several aims in turn, each with what the earlier
ones have reached held fast, with whole-number costs and no tolerated gap. Beside one large weighted sum the
default relative gap of 1e-4 would hide real differences.

Each aim is first solved with fractions allowed. The best points of that are a face of the region: whatever
has a price in the proof (a reduced cost, or a row's dual value) stays where it is, the rest is free for the
next aim. A whole-number point on the last face is best for every aim at once, since nothing is better even
with fractions. Holding an aim fast by a row over all columns proves the same, and took seven to twenty times
as long on 50,000 columns. Where a face holds no whole-number point, the aims are solved one by one by branch
and bound.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import highspy
import numpy as np

Vector = Any  # a numpy array of one dimension
NOISE = 1e-6  # of values that are whole numbers when they are exact


class Rows(NamedTuple):
    """Rows of a program: row n holds the columns from `starts[n]` to before `starts[n + 1]`."""

    starts: Vector
    columns: Vector
    values: Vector
    lower: Vector
    upper: Vector


@dataclass(frozen=True)
class Program:
    """Columns between 0 and 1, the first `whole` of them 0 or 1; those in `taken` are 1."""

    columns: int
    whole: int
    rows: Rows
    taken: Sequence[int] = ()


@dataclass(frozen=True)
class Solved:
    """`reached` are the sums of costs; `bounds`, below which none can be with the earlier aims at theirs;
    None where the time was up before anything was known of it."""

    values: Vector
    reached: list[int]
    bounds: list[int | None]

    @property
    def is_proven(self) -> bool:
        return self.reached == self.bounds


def stacked(groups: Sequence[tuple[Vector, Vector, float]], *, signs: Vector) -> Rows:
    """Rows of several groups: of each entry the row's number within the group, its column, and what the rows
    of the group hold at most. `signs` are the columns' factors."""
    starts, columns, upper = [np.zeros(1, dtype=np.int64)], [], []
    for number, column, most in groups:
        order = np.argsort(number, kind="stable")
        lengths = np.bincount(number)
        starts.append(starts[-1][-1] + np.cumsum(lengths))
        columns.append(np.asarray(column)[order])
        upper.append(np.full(len(lengths), float(most)))
    found = np.concatenate(columns).astype(np.int32) if columns else np.zeros(0, dtype=np.int32)
    ends = np.concatenate(upper) if upper else np.zeros(0)
    return Rows(
        np.concatenate(starts).astype(np.int32),
        found,
        signs[found].astype(float),
        np.full(len(ends), -math.inf),
        ends,
    )


def best_in_turn(
    program: Program,
    aims: Sequence[Vector],
    *,
    seconds: float = math.inf,
    near: Callable[[Vector], Vector] | None = None,
) -> Solved:
    """The smallest sum of each of these whole-number costs in turn.

    When the time is up, the best that is known: `near` makes a whole-number solution of any values between
    0 and 1. Raises ArithmeticError where there is no solution, or no time left and no `near`.
    """
    deadline = time.monotonic() + seconds
    found = in_turn(program, aims, deadline, near, checked=False)
    if found is None:
        found = in_turn(program, aims, deadline, near, checked=True)
    if found is None:
        raise ArithmeticError("There is no solution.")
    return found


def in_turn(
    program: Program,
    aims: Sequence[Vector],
    deadline: float,
    near: Callable[[Vector], Vector] | None,
    *,
    checked: bool,
) -> Solved | None:
    """`checked` makes sure of a whole-number solution at every aim; otherwise only at the last one, and None
    where that shows that an earlier one has none."""
    model = Model(program, deadline)
    bounds: list[int | None] = []
    values = None  # of the newest whole-number solution
    for number, cost in enumerate(aims):
        last = model.solve(cost)
        if last is None:
            break
        bounds.append(model.bound())
        before = model.region()
        model.stay_on_face()
        if is_whole(last, program):
            values = last
        elif checked or number == len(aims) - 1:
            found = model.solve(np.zeros(program.columns), whole=True)
            if found is None and not model.is_late:
                if not checked:
                    return None
                model.restore(before)
                found = model.solve(cost, whole=True)
                bounds[-1] = model.bound()
                if found is not None and not model.is_late:
                    model.hold(cost, round(cost @ found))
            values = values if found is None else found
        if model.is_late:
            break
    if model.is_late:
        if near is None:
            raise ArithmeticError("no proven best in this time")
        known = values if values is not None else model.values
        values = near(known if known is not None else np.zeros(program.columns))
        bounds += [None] * (len(aims) - len(bounds))
    if values is None:
        return None
    reached = [round(float(cost @ values)) for cost in aims]
    if not checked and not model.is_late and reached != bounds:
        return None
    return Solved(values, reached, bounds)


def is_whole(values: Vector, program: Program) -> bool:
    whole = values[: program.whole]
    return bool(np.all(np.abs(whole - np.rint(whole)) < NOISE))


class Silent(highspy.Highs):
    """HiGHS without its log. It names itself on the standard output while it is made: hushed before that."""

    def enableCallbacks(self) -> None:
        self.silent()
        super().enableCallbacks()


class Model:
    """A program in HiGHS, and the region that is left of it."""

    def __init__(self, program: Program, deadline: float) -> None:
        self.program, self.deadline = program, deadline
        self.is_late = False
        self.values: Vector | None = None  # of the newest solution
        self.low, self.high = np.zeros(program.columns), np.ones(program.columns)
        self.low[list(program.taken)] = 1
        rows = program.rows
        self.floor, self.ceiling = rows.lower.copy(), rows.upper.copy()
        self.every = np.arange(program.columns, dtype=np.int32)
        self.solver: Any = Silent()  # its stubs lack some of its methods
        for gap in ("mip_rel_gap", "mip_abs_gap"):
            self.solver.setOptionValue(gap, 0.0)
        kinds = np.zeros(program.columns, dtype=np.int32)
        kinds[: program.whole] = int(highspy.HighsVarType.kInteger)
        self.solver.passModel(
            program.columns, len(rows.upper), len(rows.columns),
            int(highspy.MatrixFormat.kRowwise), int(highspy.ObjSense.kMinimize), 0.0,
            np.zeros(program.columns), self.low, self.high, self.floor, self.ceiling,
            rows.starts[:-1], rows.columns, rows.values, kinds,
        )  # fmt: skip

    def solve(self, cost: Vector, *, whole: bool = False) -> Vector | None:
        """The values of the cheapest point, with fractions unless `whole`; None where there is none, or the
        time is up before one is known. With `whole`, one may be known though `is_late`."""
        left = self.deadline - time.monotonic()
        if left <= 0:
            self.is_late = True
            return None
        self.solver.changeColsCost(self.program.columns, self.every, cost.astype(float))
        self.solver.setOptionValue("solve_relaxation", not whole)
        self.solver.setOptionValue("time_limit", self.solver.getRunTime() + left)  # of all runs together
        self.solver.run()
        status, info = self.solver.getModelStatus(), self.solver.getInfo()
        self.is_late = status == highspy.HighsModelStatus.kTimeLimit
        self.least = info.mip_dual_bound if whole else info.objective_function_value
        known = whole and info.primal_solution_status == int(highspy.SolutionStatus.kSolutionStatusFeasible)
        if status != highspy.HighsModelStatus.kOptimal and not (self.is_late and known):
            return None
        self.solution = self.solver.getSolution()
        self.values = np.asarray(self.solution.col_value)
        return self.values

    def bound(self) -> int | None:
        """The whole number below which no whole-number solution of the newest aim can be."""
        return math.ceil(self.least - NOISE) if math.isfinite(self.least) else None

    def stay_on_face(self) -> None:
        """Leaves only those points that are as good as the newest solution."""
        priced = np.abs(np.asarray(self.solution.col_dual)) > NOISE
        values = np.rint(np.asarray(self.solution.col_value)[priced])
        self.low[priced], self.high[priced] = values, values
        tight = np.abs(np.asarray(self.solution.row_dual)) > NOISE
        sums = np.rint(np.asarray(self.solution.row_value)[tight])
        self.floor[tight], self.ceiling[tight] = sums, sums
        self.bind()

    def region(self) -> tuple[Vector, Vector, Vector, Vector]:
        return self.low.copy(), self.high.copy(), self.floor.copy(), self.ceiling.copy()

    def restore(self, region: tuple[Vector, Vector, Vector, Vector]) -> None:
        self.low, self.high, self.floor, self.ceiling = region
        self.bind()

    def bind(self) -> None:
        self.solver.changeColsBounds(self.program.columns, self.every, self.low, self.high)
        every = np.arange(len(self.floor), dtype=np.int32)
        self.solver.changeRowsBounds(len(every), every, self.floor, self.ceiling)

    def hold(self, cost: Vector, most: int) -> None:
        """A row over all columns: the cost stays at what it has reached."""
        used = np.flatnonzero(cost).astype(np.int32)
        self.solver.addRow(-math.inf, float(most), len(used), used, cost[used].astype(float))
        self.floor, self.ceiling = np.append(self.floor, -math.inf), np.append(self.ceiling, float(most))

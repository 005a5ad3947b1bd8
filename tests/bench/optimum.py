"""The proven optimum of a whole-number program, several costs in turn, by HiGHS on finished arrays: what the
plan is measured against. It imports nothing of ours."""

from __future__ import annotations

import highspy
import numpy as np


class Quiet(highspy.Highs):
    def enableCallbacks(self):  # before it names itself on the standard output
        self.silent()
        super().enableCallbacks()


def optimum(count, whole, starts, columns, values, upper, costs) -> list[int]:
    """The least of each cost with those before it held, of columns between 0 and 1 of which the first `whole`
    are 0 or 1. Costs are whole numbers. Each is solved with fractions and held by its best face, which is
    exact where a whole-number point is left on the last one; raises AssertionError where none is."""
    rows = len(upper)
    low, high, floor, ceiling = np.zeros(count), np.ones(count), np.full(rows, -np.inf), upper.copy()
    kinds = np.zeros(count, dtype=np.int32)
    kinds[:whole] = 1
    highs = Quiet()
    highs.setOptionValue("mip_rel_gap", 0.0)
    highs.setOptionValue("mip_abs_gap", 0.0)
    highs.setOptionValue("solve_relaxation", True)
    highs.passModel(
        count, rows, len(columns), int(highspy.MatrixFormat.kRowwise), 1, 0.0,
        np.zeros(count), low, high, floor, ceiling, starts[:-1], columns, values, kinds,
    )  # fmt: skip
    all_columns, all_rows = np.arange(count, dtype=np.int32), np.arange(rows, dtype=np.int32)
    best = []
    for cost in costs:
        highs.changeColsCost(count, all_columns, cost)
        highs.run()
        assert highs.getModelStatus() == highspy.HighsModelStatus.kOptimal
        solution = highs.getSolution()
        found, activity = np.asarray(solution.col_value), np.asarray(solution.row_value)
        best.append(cost @ found)
        priced = np.abs(np.asarray(solution.col_dual)) > 1e-6
        low[priced] = high[priced] = np.rint(found[priced])
        tight = np.abs(np.asarray(solution.row_dual)) > 1e-6
        floor[tight] = ceiling[tight] = np.rint(activity[tight])
        highs.changeColsBounds(count, all_columns, low, high)
        highs.changeRowsBounds(rows, all_rows, floor, ceiling)
    if np.any(np.abs(found[:whole] - np.rint(found[:whole])) > 1e-6):
        highs.setOptionValue("solve_relaxation", False)
        highs.run()
        assert highs.getModelStatus() == highspy.HighsModelStatus.kOptimal
        found = np.asarray(highs.getSolution().col_value)
    assert all(abs(cost @ found - value) < 0.5 for cost, value in zip(costs, best, strict=True))
    return [round(value) for value in best]

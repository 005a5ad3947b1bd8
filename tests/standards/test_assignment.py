"""The pairing of shadow rides held to assignment problems with published optima, and to another solver.

Each matrix is read as trainees by runs: all have waited alike, nothing is arranged, every run has a lead
driver of its own, and the cost is the day. What is left of the levels is the assignment problem itself.
"""

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from shifts.cover.pairing import Option, assign
from tests.standards.published import check_value

# SciPy's manual; OR-Tools' assignment guide (4 by 4, and 5 by 4); Wikipedia on the Hungarian algorithm; the
# munkres package's manual; Taha; Winston; Hillier and Lieberman. The data says what was read.
MATRICES = [
    "assign_scipy",
    "assign_ortools_4x4",
    "assign_ortools_5x4",
    "assign_wikipedia_hungarian",
    "assign_munkres",
    "assign_taha_klyne",
    "assign_taha_4x4",
    "assign_winston_machineco",
    "assign_hillier_jobshop",
]


def solved(cost):
    """The assignment as pairs of row and column, and its cost."""
    options = [
        Option(trainee=row, run=column, lead=f"lead {column}", day=day)
        for row, days in enumerate(cost)
        for column, day in enumerate(days)
    ]
    found = assign(dict.fromkeys(range(len(cost)), 10), options)
    assert len({option.run for option in found.values()}) == len(found) == min(len(cost), len(cost[0]))
    return sum(option.day for option in found.values())


@pytest.mark.parametrize("name", MATRICES)
def test_a_published_optimum_is_reached(name):
    entry = check_value(name)
    assert entry["sense"] == "min"
    assert solved(entry["cost"]) == entry["optimum"]


@pytest.mark.parametrize("name", MATRICES)
def test_rows_and_columns_may_change_places(name):
    entry = check_value(name)
    assert solved([list(column) for column in zip(*entry["cost"], strict=True)]) == entry["optimum"]


@pytest.mark.parametrize("name", MATRICES)
def test_another_solver_reaches_the_same(name):
    cost = np.array(check_value(name)["cost"])
    rows, columns = linear_sum_assignment(cost)
    assert solved(cost.tolist()) == cost[rows, columns].sum()


def test_the_dearest_is_not_the_cheapest():
    """The tests above would see a solver that took the worst."""
    for name in MATRICES:
        cost = np.array(check_value(name)["cost"])
        rows, columns = linear_sum_assignment(cost, maximize=True)
        assert cost[rows, columns].sum() > check_value(name)["optimum"]

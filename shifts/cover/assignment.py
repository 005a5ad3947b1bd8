"""The best assignment of people to runs, on plain numbers: a whole-number program and what it reached.

A run is an index into `urgency`, `crates` and `week`; a person, into `wanted`; an option, into `options`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from shifts.cover.solver import Program, Vector, best_in_turn, stacked

# One share of a run, in whole numbers: a multiple of 1 to 7, so that the costs of those who want so many runs
# a week are exact; of those who want more they are rounded down.
SHARE = 420
COVERED, CRATES, ASKED, SHARES, MILES, KEPT = "covered", "crates", "asked", "shares", "miles", "kept"


class Option(NamedTuple):
    """A run that a person could take. `miles` is the cost of the drive there in any whole unit. `asked`, 0 or
    1: they have been asked about it and have not answered; `kept`: they are used to it."""

    run: int
    person: int
    miles: int = 0
    asked: int = 0
    kept: int = 0


class Limit(NamedTuple):
    """Of these options, by their numbers, at most so many."""

    options: Sequence[int]
    most: int


@dataclass(frozen=True)
class Instance:
    """`urgency`: 0 is the most urgent class. `wanted`: a person's most runs in a week; `held` by person and
    week, how many of these they have already. `clashes` are pairs of runs that one person cannot do both.
    `pins` are options that are to be taken, the more important first."""

    urgency: Sequence[int]
    crates: Sequence[int]
    week: Sequence[int]
    wanted: Sequence[int]
    options: Sequence[Option]
    held: Mapping[tuple[int, int], int] | None = None
    clashes: Sequence[tuple[int, int]] = ()
    limits: Sequence[Limit] = ()
    pins: Sequence[int] = ()

    def room(self, person: int, week: int) -> int:
        """How many more runs the person takes in the week."""
        return max(0, self.wanted[person] - self.has(person, week))

    def has(self, person: int, week: int) -> int:
        return (self.held or {}).get((person, week), 0)

    def cost_of_share(self, person: int, number: int) -> int:
        """What the so-manieth run of a person in a week costs: the squares of the runs that people have, each
        divided by what they want, summed, are smallest where the shares are even."""
        return SHARE * (2 * number - 1) // self.wanted[person]


@dataclass(frozen=True)
class Aim:
    """What was reached at a level, and what cannot be surpassed with the levels before it as they are; None
    where the time was up before that was known. `urgency` is the class, of the runs covered."""

    name: str
    reached: int
    best: int | None
    urgency: int = 0

    @property
    def is_proven(self) -> bool:
        return self.reached == self.best


@dataclass(frozen=True)
class Plan:
    """`chosen` are options by their numbers, in order of the runs. `unheld` are the pins that cannot hold,
    each with the kind of rule that keeps it: "run", "week", "clash" or "limit"."""

    chosen: list[int]
    unheld: dict[int, str]
    aims: list[Aim]

    @property
    def is_proven(self) -> bool:
        return all(aim.is_proven for aim in self.aims)


def solve(instance: Instance, *, seconds: float = math.inf) -> Plan:
    """The best assignment, by these aims in turn: the most runs covered, class by class, the most urgent
    first; the most crates; as few as possible of those asked passed over; even shares of what each wants; the
    shortest drives; who is used to a run keeps it.

    After `seconds`, the best that is known, with what is proven of it.
    """
    pins, unheld = held_pins(instance)
    if not instance.options:
        return Plan([], unheld, [])
    model = Model(instance, pins)
    aims = model.aims()
    solved = best_in_turn(model.program, [cost for *_aim, cost in aims], seconds=seconds, near=model.near)
    chosen = np.flatnonzero(solved.values[: len(instance.options)] > 0.5)
    runs = model.runs[chosen]
    return Plan(
        chosen[np.argsort(runs, kind="stable")].tolist(),
        unheld,
        [
            Aim(name, sign * reached, model.most(name, level) if bound is None else sign * bound, level)
            for (name, level, sign, _cost), reached, bound in zip(
                aims, solved.reached, solved.bounds, strict=True
            )
        ],
    )


def held_pins(instance: Instance) -> tuple[list[int], dict[int, str]]:
    """The pins that can hold beside those before them, and the others with the rule that keeps them."""
    clashing = set(instance.clashes) | {(b, a) for a, b in instance.clashes}
    held: list[int] = []
    unheld: dict[int, str] = {}
    for pin in instance.pins:
        rule = broken_by(instance, held, pin, clashing)
        if rule:
            unheld[pin] = rule
        else:
            held.append(pin)
    return held, unheld


def broken_by(instance: Instance, held: Sequence[int], pin: int, clashing: set[tuple[int, int]]) -> str:
    """The kind of rule that would be broken if this option were taken beside those; nothing where none is."""
    one = instance.options[pin]
    taken = [instance.options[number] for number in held]
    if any(other.run == one.run for other in taken):
        return "run"
    theirs = [other.run for other in taken if other.person == one.person]
    if any((run, one.run) in clashing for run in theirs):
        return "clash"
    week = instance.week[one.run]
    if sum(instance.week[run] == week for run in theirs) >= instance.room(one.person, week):
        return "week"
    limits = [limit for limit in instance.limits if pin in limit.options]
    return "limit" if any(len({*held, pin} & {*limit.options}) > limit.most for limit in limits) else ""


class Model:
    """The program: a column for each option; after them, for each person and week, one for the first run that
    they take, one for the second, and so on, which bear the cost of the shares."""

    def __init__(self, instance: Instance, pins: Sequence[int]) -> None:
        self.instance = instance
        table = np.array(instance.options, dtype=np.int64)
        self.count = len(table)
        self.runs, self.people, self.miles, self.asked, self.kept = table.T
        self.lay_out_weeks()
        columns = self.count + len(self.share_of)
        numbers = np.arange(self.count)
        rows = [(compact(self.runs), numbers, 1)]
        weeks = np.concatenate([self.part, self.share_of])
        rows.append((weeks, np.arange(columns), 0))
        cliques = self.cliques()
        if cliques:
            rows.append((*entries(cliques), 1))
        rows += [(np.zeros(len(limit.options), dtype=np.int64), np.asarray(limit.options), limit.most)
                 for limit in instance.limits if len(limit.options) > limit.most]  # fmt: skip
        signs = np.ones(columns, dtype=np.int64)
        signs[self.count :] = -1
        self.program = Program(columns, self.count, stacked(rows, signs=signs), pins)

    def lay_out_weeks(self) -> None:
        """`part`: of each option, the number of its person's week; `share_of`: of each further column, too,
        with what that run costs in `share_cost` and its place, from 0, in `place`."""
        week = np.asarray(self.instance.week, dtype=np.int64)[self.runs]
        weeks = int(week.max()) + 1
        found, self.part = np.unique(self.people * weeks + week, return_inverse=True)
        share_of, costs, place = [], [], []
        options = np.bincount(self.part).tolist()
        for number, (person, of_week) in enumerate(zip(*divmod(found, weeks), strict=True)):
            person, of_week = int(person), int(of_week)
            has = self.instance.has(person, of_week)
            for more in range(min(self.instance.room(person, of_week), options[number])):
                share_of.append(number)
                costs.append(self.instance.cost_of_share(person, has + more + 1))
                place.append(more)
        self.share_of = np.array(share_of, dtype=np.int64)
        self.share_cost = np.array(costs, dtype=np.int64)
        self.place = np.array(place, dtype=np.int64)

    def cliques(self) -> list[list[int]]:
        """Sets of options of one person of which only one can be taken, each as large as can be; every two
        that exclude each other stand in one of them. One row of them says more than a row for every pair."""
        if not self.instance.clashes:
            return []
        size = len(self.instance.week)
        clash = np.zeros((size, size), dtype=bool)
        first, second = np.array(self.instance.clashes, dtype=np.int64).T
        clash[first, second] = clash[second, first] = True
        order = np.lexsort((self.runs, self.people))
        ends = np.cumsum(np.bincount(self.people))
        found: list[list[int]] = []
        for mine in np.split(order, ends[:-1]):
            if len(mine) > 1:
                runs = self.runs[mine]
                found += [[int(mine[n]) for n in one] for one in maximal(clash[np.ix_(runs, runs)])]
        return found

    def aims(self) -> list[tuple[str, int, int, Vector]]:
        """Of each aim: its name, the class of the runs covered, whether more is better (-1) or less (1), and
        its costs."""
        urgency = np.asarray(self.instance.urgency, dtype=np.int64)[self.runs]
        crates = np.asarray(self.instance.crates, dtype=np.int64)[self.runs]
        aims = [
            (COVERED, int(level), -1, self.costs(-1 * (urgency == level))) for level in np.unique(urgency)
        ]
        aims.append((CRATES, 0, -1, self.costs(-crates)))
        aims.append((ASKED, 0, -1, self.costs(-self.asked)))
        aims.append((SHARES, 0, 1, np.concatenate([np.zeros(self.count, dtype=np.int64), self.share_cost])))
        aims.append((MILES, 0, 1, self.costs(self.miles)))
        aims.append((KEPT, 0, -1, self.costs(-self.kept)))
        return [aim for aim in aims if np.any(aim[-1])]

    def most(self, name: str, level: int) -> int | None:
        """What is known of an aim without any proof: no more runs are covered than somebody could take."""
        if name != COVERED:
            return None
        urgency = np.asarray(self.instance.urgency)
        return int(np.count_nonzero(urgency[np.unique(self.runs)] == level))

    def costs(self, of_options: Any) -> Vector:
        return np.concatenate([of_options.astype(np.int64), np.zeros(len(self.share_of), dtype=np.int64)])

    def near(self, values: Vector) -> Vector:
        """A whole-number solution near these values: the pins, then the options one after the other, the
        largest value first, wherever there is room."""
        rows, first = self.program.rows, len(np.unique(self.runs))
        parts = int(self.part.max()) + 1
        room = rows.upper.copy()  # the rows of the runs, then those of the weeks, then the others
        room[first : first + parts] = np.bincount(self.share_of, minlength=parts)
        rows_of: dict[int, list[int]] = defaultdict(list)
        owner = np.repeat(np.arange(len(room)), np.diff(rows.starts))
        for row, column in zip(owner.tolist(), rows.columns.tolist(), strict=True):
            rows_of[column].append(row)
        pinned = np.zeros(self.count)
        pinned[list(self.program.taken)] = 1
        urgency = np.asarray(self.instance.urgency)[self.runs]
        taken = np.zeros(self.program.columns)
        for option in np.lexsort((urgency, -values[: self.count], -pinned)).tolist():
            if np.all(room[rows_of[option]] >= 1):
                taken[option] = 1
                room[rows_of[option]] -= 1
        given = np.bincount(self.part, weights=taken[: self.count], minlength=parts)
        taken[self.count :] = self.place < given[self.share_of]
        return taken


def compact(numbers: Vector) -> Vector:
    """The same, renumbered from 0 without gaps."""
    return np.unique(numbers, return_inverse=True)[1]


def entries(groups: Sequence[Sequence[int]]) -> tuple[Vector, Vector]:
    """Of each member of each group, the group's number and the member."""
    sizes = [len(group) for group in groups]
    return np.repeat(np.arange(len(groups)), sizes), np.array([one for group in groups for one in group])


def maximal(clash: Any) -> list[list[int]]:
    """Sets of numbers that all exclude each other, none of which could be larger, that hold every two which
    do; from a square table."""
    if not clash.any():
        return []
    near = [int.from_bytes(row.tobytes(), "little") for row in np.packbits(clash, axis=1, bitorder="little")]
    unsaid, found = list(near), []  # as bits: which others each excludes; and which of these stand in no set
    for number, others in enumerate(near):
        while unsaid[number]:
            one = unsaid[number] & -unsaid[number]
            group, may = 1 << number | one, others & near[one.bit_length() - 1]
            while may:
                one = may & -may
                group |= one
                may &= near[one.bit_length() - 1]
            members = [member for member in range(len(near)) if group >> member & 1]
            for member in members:
                unsaid[member] &= ~group
            found.append(members)
    return found

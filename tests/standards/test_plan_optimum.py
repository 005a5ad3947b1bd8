"""The plan held to the proven optimum of another solver, level by level, and to assignment problems with
published optima.

CP-SAT, of OR-Tools, is a constraint solver with its own search; its model here is written from the facts of
an instance, with a row for every two runs that clash and with squares of loads, not from our rows.
"""

import random
from collections import defaultdict
from itertools import combinations, pairwise

import numpy as np
import pytest
from ortools.sat.python import cp_model
from scipy.optimize import linear_sum_assignment

from shifts.cover.assignment import SHARE, Instance, Limit, Option, maximal, solve
from tests.standards.published import check_value
from tests.standards.test_assignment import MATRICES

BATCHES, IN_A_BATCH = 10, 20  # 200 instances


# --- instances


def drawn(seed):
    """Two weeks of runs on four days each, many of which overlap; more of them than fit into what people
    want, so that the caps bind. Among the limits are some in a ring, which fractions would halve."""
    dice = random.Random(seed)
    runs, people = dice.randint(30, 36), dice.randint(20, 24)
    day = sorted(dice.choice([0, 2, 4, 5, 7, 9, 11, 12]) for _ in range(runs))
    begins = [dice.choice([7, 8, 8, 8, 9, 16]) for _ in range(runs)]
    clashes = [
        (a, b) for a, b in combinations(range(runs), 2) if day[a] == day[b] and abs(begins[a] - begins[b]) < 2
    ]
    wanted = [dice.choice([1, 1, 2, 2, 3]) for _ in range(people)]
    held = {
        (person, week): 1 for person in range(people) for week in (0, 1) if dice.random() < 0.4
    }  # fmt: skip
    options = [
        Option(
            run,
            person,
            miles=dice.randint(3, 90),
            asked=int(dice.random() < 0.05),
            kept=int(dice.random() < 0.15),
        )
        for run in range(runs)
        for person in dice.sample(range(people), dice.choice([1, 2, 3, 4, 6]))
    ]
    by_person = defaultdict(list)
    for number, option in enumerate(options):
        by_person[option.person].append(number)
    limits = [Limit(mine, dice.choice([1, 2])) for mine in by_person.values() if dice.random() < 0.2]
    ring = dice.sample(range(len(options)), dice.choice([0, 3, 5, 7]))
    limits += [Limit([one, other], 1) for one, other in zip(ring, ring[1:] + ring[:1], strict=True)]
    pins = dice.sample(range(len(options)), 4) if dice.random() < 0.4 else []
    return Instance(
        urgency=[min(3, number // 3) for number in day],
        crates=[dice.choice([0, 5, 8, 12, 20]) for _ in range(runs)],
        week=[number // 7 for number in day],
        wanted=wanted,
        options=options,
        held=held,
        clashes=clashes,
        limits=limits,
        pins=pins,
    )


def but(instance, **facts):
    return Instance(**(vars(instance) | facts))


def without_pins_that_cannot_hold(instance):
    """Of the pins, in their order, those that can all be taken together."""
    held = []
    for pin in instance.pins:
        if not broken(instance, [*held, pin]):
            held.append(pin)
    return but(instance, pins=held)


def broken(instance, chosen):
    """What is wrong with taking these options, written from the rules, not from rows."""
    taken = [instance.options[number] for number in chosen]
    clashing = {frozenset(pair) for pair in instance.clashes}
    found = []
    if len({option.run for option in taken}) < len(taken):
        found.append("a run twice")
    for a, b in combinations(taken, 2):
        if a.person == b.person and frozenset((a.run, b.run)) in clashing:
            found.append("two runs at once")
    for (person, week), count in loads(instance, chosen).items():
        if count > max(0, instance.wanted[person] - instance.held.get((person, week), 0)):
            found.append("more than wanted")
    found += ["a limit" for limit in instance.limits if len({*chosen} & {*limit.options}) > limit.most]
    return found


def loads(instance, chosen):
    found = defaultdict(int)
    for number in chosen:
        option = instance.options[number]
        found[option.person, instance.week[option.run]] += 1
    return found


def values(instance, chosen):
    """What an assignment is worth at each level, each in one number, more being better."""
    taken = [instance.options[number] for number in chosen]
    shares = 0
    for (person, week), count in loads(instance, chosen).items():
        has = instance.held.get((person, week), 0)
        shares += sum(step(instance, person, has + number) for number in range(1, count + 1))
    return {
        **{level: sum(instance.urgency[option.run] == level for option in taken) for level in range(4)},
        "crates": sum(instance.crates[option.run] for option in taken),
        "asked": sum(option.asked for option in taken),
        "shares": -shares,
        "miles": -sum(option.miles for option in taken),
        "kept": sum(option.kept for option in taken),
    }


def step(instance, person, number):
    """From one square of a load to the next, divided by what they want, in whole numbers."""
    return SHARE * (number**2 - (number - 1) ** 2) // instance.wanted[person]


# --- the other solver


class Other:
    """The same rules for CP-SAT."""

    def __init__(self, instance):
        self.instance = instance
        self.model = model = cp_model.CpModel()
        self.x = x = [model.new_bool_var("") for _ in instance.options]
        by_run, by_person, by_week = defaultdict(list), defaultdict(list), defaultdict(list)
        for number, option in enumerate(instance.options):
            by_run[option.run].append(x[number])
            by_person[option.person].append(number)
            by_week[option.person, instance.week[option.run]].append(x[number])
        for columns in by_run.values():
            model.add_at_most_one(columns)
        clashing = {frozenset(pair) for pair in instance.clashes}
        for mine in by_person.values():
            for a, b in combinations(mine, 2):
                if frozenset((instance.options[a].run, instance.options[b].run)) in clashing:
                    model.add_at_most_one([x[a], x[b]])
        self.shares = []
        for (person, week), columns in by_week.items():
            has = instance.held.get((person, week), 0)
            room = max(0, instance.wanted[person] - has)
            model.add(sum(columns) <= room)
            costs = [0]
            for number in range(1, room + 1):
                costs.append(costs[-1] + step(instance, person, has + number))
            cost = model.new_int_var(0, costs[-1], "")
            for load, (one, more) in enumerate(pairwise(costs)):  # never below any chord of a convex curve
                model.add(cost >= one + (more - one) * (sum(columns) - load))
            self.shares.append(cost)
        for limit in instance.limits:
            model.add(sum(x[number] for number in limit.options) <= limit.most)
        for pin in instance.pins:
            model.add(x[pin] == 1)

    def gain(self, name):
        options, x = self.instance.options, self.x

        def total(gain):
            return sum(gain(option) * column for option, column in zip(options, x, strict=True))

        if isinstance(name, int):
            return total(lambda option: int(self.instance.urgency[option.run] == name))
        if name == "crates":
            return total(lambda option: self.instance.crates[option.run])
        if name == "shares":
            return -sum(self.shares)
        return total(lambda option: -option.miles if name == "miles" else getattr(option, name))

    def best(self):
        """The optimum of each level, proven, with those before it held."""
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.linearization_level = 2
        found = {}
        for name in (0, 1, 2, 3, "crates", "asked", "shares", "miles", "kept"):
            gain = self.gain(name)
            self.model.maximize(gain)
            assert solver.solve(self.model) == cp_model.OPTIMAL
            found[name] = round(solver.objective_value)
            self.model.add(gain == found[name])
            self.model.clear_hints()
            for column in self.x:
                self.model.add_hint(column, solver.value(column))
        return found


# --- the tests


def deciding(seeds):
    """Of these, the instances in which the weekly caps and the overlaps both change what can be reached."""
    for seed in seeds:
        instance = drawn(seed)
        plain = but(instance, pins=[])
        best = values(plain, solve(plain).chosen)
        at_will = but(plain, wanted=[want + 2 for want in plain.wanted])
        nowhere_at_once = but(plain, clashes=[])
        if all(
            covered(values(other, solve(other).chosen)) > covered(best)
            for other in (at_will, nowhere_at_once)
        ):
            yield seed, instance


def covered(found):
    return tuple(found[level] for level in range(4))


@pytest.mark.parametrize("batch", range(BATCHES))
def test_every_level_equals_the_proven_optimum_of_another_solver(batch):
    """At least 30 runs and 20 people each, with a binding cap and an overlap that decides; some with pins."""
    seen = pinned = 0
    for seed, instance in deciding(range(batch * 1000, batch * 1000 + 1000)):
        plan = solve(instance)
        held = without_pins_that_cannot_hold(instance)
        assert plan.is_proven
        assert not broken(instance, plan.chosen), seed
        assert {*held.pins} <= {*plan.chosen}
        assert {*plan.unheld} == {*instance.pins} - {*held.pins}
        best = Other(held).best()
        assert values(instance, plan.chosen) == best, seed
        told = {aim.urgency if aim.name == "covered" else aim.name: aim.reached for aim in plan.aims}
        told = {name: -one if name in ("shares", "miles") else one for name, one in told.items()}
        assert told == {name: best[name] for name in told}, seed
        seen, pinned = seen + 1, pinned + bool(held.pins)
        if seen == IN_A_BATCH:
            break
    assert seen == IN_A_BATCH
    assert pinned


def test_a_pin_that_cannot_hold_says_which_rule_keeps_it():
    instance = Instance(
        urgency=[0] * 5, crates=[0] * 5, week=[0] * 5, wanted=[2, 5], clashes=[(0, 1)],
        options=[Option(0, 0), Option(1, 0), Option(2, 0), Option(3, 0), Option(3, 1), Option(4, 1)],
        limits=[Limit([4, 5], 1)], pins=[0, 1, 2, 3, 4, 5],
    )  # fmt: skip
    plan = solve(instance)
    assert plan.unheld == {1: "clash", 3: "week", 5: "limit"}
    assert plan.chosen == [0, 2, 4]
    again = solve(but(instance, pins=[3, 4], limits=[]))
    assert again.unheld == {4: "run"}


def test_when_the_time_is_up_the_best_that_is_known_stands_with_what_is_proven():
    for seed in range(20):
        instance = drawn(seed)
        plan = solve(instance, seconds=0)
        assert not broken(instance, plan.chosen)
        assert {*without_pins_that_cannot_hold(instance).pins} <= {*plan.chosen}
        assert not plan.is_proven
        best = solve(instance)
        for hasty, aim in zip(plan.aims, best.aims, strict=True):
            if aim.name == "covered":
                assert hasty.best >= aim.reached
        assert covered(values(instance, plan.chosen)) <= covered(values(instance, best.chosen))


def test_a_best_that_only_fractions_reach_is_not_believed():
    """Three options of which each two exclude each other: halves would make one and a half of one."""
    instance = Instance(
        urgency=[0, 0, 1], crates=[4, 5, 6], week=[0, 0, 0], wanted=[1, 1, 1],
        options=[Option(0, 0, miles=1), Option(1, 1, miles=9), Option(2, 2, miles=2)],
        limits=[Limit(pair, 1) for pair in ([0, 1], [1, 2], [0, 2])],
    )  # fmt: skip
    plan = solve(instance)
    assert plan.is_proven
    assert plan.chosen == [1]


def test_sets_that_exclude_each_other_are_whole_and_say_everything():
    """Held to the definition, on random tables."""
    for seed in range(50):
        rng = np.random.default_rng(seed)
        table = np.triu(rng.random((9, 9)) < 0.4, 1)
        table |= table.T
        groups = maximal(table)
        said = {frozenset(pair) for group in groups for pair in combinations(group, 2)}
        assert said == {frozenset((a, b)) for a, b in combinations(range(9), 2) if table[a, b]}
        for group in groups:
            others = set(range(9)) - {*group}
            assert not any(all(table[other, one] for one in group) for other in others)


# --- published optima

# OR-Tools' guide to assignment with teams of workers, who together take two tasks at most; the matrix is from
# memory, its optimum recomputed. For the others see test_assignment.py.
TEAMS = "assign_ortools_teams_6x4"


def as_instance(cost, **facts):
    """People are rows, runs are columns, and each takes one; the cost is the drive."""
    people, runs = len(cost), len(cost[0])
    return Instance(
        urgency=[0] * runs, crates=[1] * runs, week=[0] * runs, wanted=[1] * people, **facts,
        options=[
            Option(run, person, miles)
            for person, row in enumerate(cost)
            for run, miles in enumerate(row)
        ],
    )  # fmt: skip


def driven(instance):
    chosen = solve(instance).chosen
    assert len(chosen) == min(len(instance.urgency), len(instance.wanted))
    return sum(instance.options[number].miles for number in chosen)


@pytest.mark.parametrize("name", MATRICES)
def test_a_published_optimum_is_reached(name):
    entry = check_value(name)
    assert driven(as_instance(entry["cost"])) == entry["optimum"]
    rows, columns = linear_sum_assignment(np.array(entry["cost"]))
    assert np.array(entry["cost"])[rows, columns].sum() == entry["optimum"]


def test_a_published_optimum_with_teams_is_reached():
    entry = check_value(TEAMS)
    runs = len(entry["cost"][0])
    limits = [
        Limit([person * runs + run for person in team for run in range(runs)], entry["team_max"])
        for team in entry["teams"]
    ]
    assert driven(as_instance(entry["cost"], limits=limits)) == entry["optimum"]
    assert driven(as_instance(entry["cost"])) <= entry["optimum"]


def test_shares_follow_what_each_wants():
    """Of 6 runs in a week, somebody who wants 4 gets twice as many as somebody who wants 2; one more goes to
    whoever has the smaller share."""

    def counts(runs):
        instance = Instance(
            urgency=[0] * runs, crates=[0] * runs, week=[0] * runs, wanted=[4, 2],
            options=[Option(run, person, miles=person) for run in range(runs) for person in (0, 1)],
        )  # fmt: skip
        found = loads(but(instance, held={}), solve(instance).chosen)
        return found[0, 0], found[1, 0]

    shares = [counts(runs) for runs in (3, 6)]
    assert shares == [(2, 1), (4, 2)]
    assert all(sum(after) > sum(before) for before, after in pairwise(shares))

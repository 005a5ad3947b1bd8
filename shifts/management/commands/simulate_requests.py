"""What ways of asking around for a driver would do, in a made-up programme whose chances are known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from random import Random
from statistics import fmean
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from shifts.cover.asking import group_size, time_of_a_group
from shifts.cover.chances import FIRST_GUESS, GUESS_WEIGHS, PROGRAMME_WEIGHS, shrunk
from shifts.models import Policy

# The made-up programme. Common practice, no published source.
HOURS_LEFT = (3, 10, 20, 40, 72, 120, 240)  # to a run's start when its driver gives back; each as likely
FREE = 0.6  # the chance that somebody may take a run, by papers, hours and other runs
HOURS_TO_ANSWER = 4.0  # on average, exponentially distributed
EVENNESS = 2.0  # of the people: the beta distribution of their chances of a yes has this first parameter
WEEK = 7 * 24.0
HEAD = ("way", "filled", "asked a run", "yes in vain", "hours", "asked a week", "most")
LINE = "{:<16}{:>8}{:>13}{:>13}{:>8}{:>14}{:>6}"


@dataclass
class Somebody:
    """`chance` is theirs in truth; what the programme knows are their answers so far."""

    chance: float
    yes: int = 0
    asked: int = 0
    times: list[float] = field(default_factory=list)  # hours since the beginning at which they were asked

    def asked_lately(self, now: float) -> int:
        """In the seven days before, and after, as an earlier run's later groups may come after this one's."""
        return sum(1 for time in self.times if now - time < WEEK)

    def asked_in_week(self, week: int) -> int:
        return sum(1 for time in self.times if week * WEEK <= time < (week + 1) * WEEK)


@dataclass
class Gap:
    """A run without a driver: from when on, in hours since the beginning, and how many hours are left."""

    begins: float
    left: float
    free: list[int]


@dataclass
class Outcome:
    asked: int
    in_vain: int
    hours: float | None  # until the first yes; None: nobody took it


Way = Callable[[Sequence[Somebody], Sequence[float], float, bool], int]  # how many of those left are asked


def in_groups(people: Sequence[Somebody], chances: Sequence[float], left: float, near: bool) -> int:
    policy = Policy()
    if near:
        return len(people)
    return group_size(
        chances,
        chance=policy.ask_chance_percent / 100,
        fewest=policy.ask_fewest,
        most=policy.ask_most,
    )


def everybody(people: Sequence[Somebody], chances: Sequence[float], left: float, near: bool) -> int:
    return len(people)


def one_at_a_time(people: Sequence[Somebody], chances: Sequence[float], left: float, near: bool) -> int:
    return min(1, len(people))


WAYS: dict[str, tuple[Way, bool]] = {  # and whether a week's requests are limited, as the programme does
    "in groups": (in_groups, True),
    "everybody": (everybody, False),
    "one at a time": (one_at_a_time, False),
}


def estimates(people: Sequence[Somebody]) -> list[float]:
    """What the programme believes of each, by the same rule as for real people."""
    mean = shrunk(
        sum(one.yes for one in people),
        sum(one.asked for one in people),
        toward=FIRST_GUESS,
        weighs=GUESS_WEIGHS,
    )
    return [shrunk(one.yes, one.asked, toward=mean, weighs=PROGRAMME_WEIGHS) for one in people]


def fill(gap: Gap, people: Sequence[Somebody], way: Way, *, limited: bool, chance: Random) -> Outcome:
    """Asks about one run until somebody has said yes, nobody is left, or it has started."""
    policy, known = Policy(), estimates(people)
    order = sorted(gap.free, key=lambda one: (people[one].asked_lately(gap.begins), chance.random()))
    waiting: list[float] = []  # hours after the beginning of the gap at which a yes comes in
    now, asked = 0.0, 0
    while order and now < gap.left and not any(at <= now for at in waiting):
        left = timedelta(hours=gap.left - now)
        near = left <= timedelta(hours=policy.now_hours)
        most = policy.requests_a_week
        most += policy.urgent_requests_a_week if left <= timedelta(hours=policy.urgent_hours) else 0
        may = [one for one in order if not limited or people[one].asked_lately(gap.begins + now) < most]
        size = way([people[one] for one in may], [known[one] for one in may], gap.left - now, near)
        for one in may[:size]:
            somebody = people[one]
            somebody.asked += 1
            somebody.times.append(gap.begins + now)
            asked += 1
            order.remove(one)
            if chance.random() < somebody.chance:
                somebody.yes += 1
                waiting.append(now + chance.expovariate(1 / HOURS_TO_ANSWER))
        now += time_of_a_group(left) / timedelta(hours=1)
    first = min(waiting, default=None)
    taken = first is not None and first <= gap.left
    return Outcome(asked, len(waiting) - taken, first if taken else None)


def play(way: Way, *, limited: bool, people: int, rate: float, weeks: int, gaps: int, seed: int) -> list[Any]:
    """One way over all the weeks; every way meets the same people and the same gaps."""
    world, answers = Random(seed), Random(seed + 1)
    everyone = [
        Somebody(world.betavariate(EVENNESS, EVENNESS * (1 - rate) / rate)) for _number in range(people)
    ]
    outcomes = []
    for week in range(weeks):
        begins = sorted(week * WEEK + world.uniform(0, WEEK) for _number in range(gaps))
        for begin in begins:
            free = [one for one in range(people) if world.random() < FREE]
            gap = Gap(begin, world.choice(HOURS_LEFT), free)
            outcomes.append(fill(gap, everyone, way, limited=limited, chance=answers))
    per_week = [one.asked_in_week(week) for one in everyone for week in range(weeks)]
    filled = [one for one in outcomes if one.hours is not None]
    return [
        len(filled) / len(outcomes),
        sum(one.asked for one in outcomes) / max(1, len(filled)),
        sum(one.in_vain for one in outcomes) / max(1, len(filled)),
        fmean(one.hours or 0.0 for one in filled) if filled else 0.0,
        fmean(per_week),
        max(per_week),
    ]


class Command(BaseCommand):
    help = (
        "Compares ways of asking around in a made-up programme whose chances of a yes are known: in groups, "
        "as the programme does; everybody at once; one at a time. Prints how many runs are filled, how many "
        "people are asked for each that is, how many yes were not needed, hours until the first yes, and "
        "how often somebody is asked a week. Night is not simulated. Reads and writes no data."
    )
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--people", type=int, default=25, help="who drive (25)")
        parser.add_argument("--rate", type=float, default=0.3, help="their chance of a yes, on average (0.3)")
        parser.add_argument("--gaps", type=int, default=4, help="runs a week that lose their driver (4)")
        parser.add_argument("--weeks", type=int, default=520, help="how long (520)")
        parser.add_argument("--seed", type=int, default=1)

    def handle(self, *args: Any, **options: Any) -> None:
        facts = {name: options[name] for name in ("people", "rate", "weeks", "gaps", "seed")}
        self.stdout.write(LINE.format(*HEAD))
        for name, (way, limited) in WAYS.items():
            filled, asked, in_vain, hours, a_week, most = play(way, limited=limited, **facts)
            figures = (
                f"{filled:.1%}",
                f"{asked:.1f}",
                f"{in_vain:.2f}",
                f"{hours:.1f}",
                f"{a_week:.2f}",
                most,
            )
            self.stdout.write(LINE.format(name, *figures))

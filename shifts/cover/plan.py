"""The best cover for all runs without a driver at once: whom to ask for each, and for those that stay without
anybody, what would fill them. A proposal: nobody is seated without their yes."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from statistics import median

from shifts.cover.assignment import (
    ASKED,
    COVERED,
    CRATES,
    KEPT,
    MILES,
    SHARES,
    Instance,
    Limit,
    Option,
    Plan,
    solve,
)
from shifts.cover.candidates import cleared_for_each, engagements_of_each, not_free
from shifts.cover.cars import can_carry
from shifts.cover.ranking import LATELY, NOT_NOW, WAITING, YES_BEFORE, Known
from shifts.cover.urgency import Level, level
from shifts.cover.weaknesses import kept_runs
from shifts.cover.wishes import FORBID, PIN
from shifts.models import Booking, PlanWish, Policy, Run
from shifts.models.standing import monday_of
from shifts.schedule.clock import local_date
from shifts.seats.booking import collide, reach
from shifts.seats.requests import requests_a_week
from volunteers.models import Person, Step

SECONDS = 10.0  # for the solver; what is found by then is shown, with how far it may be from the best
WEEK = timedelta(days=7)
CLASSES = list(Level)  # the most urgent first
NAMED = 3  # in a sentence, before "and two others"


def made_until(at: datetime, policy: Policy, today: date) -> date:
    """The last day of the weeks that runs are made for and volunteers can book."""
    return today + timedelta(weeks=min(policy.weeks_ahead, policy.weeks_shown))


# --- what is known


@dataclass
class World:
    """Runs without a driver, people, and what stands between each two. `places` and `numbers` are the runs'
    and the people's indices in the instance, by key."""

    at: datetime
    policy: Policy
    runs: list[Run]
    kept: int  # runs that are left out, since they are kept for their regular driver for now
    people: list[Person]
    known: Known
    cleared: dict[int, set[int]]
    busy: dict[int, dict[int, Run]]
    held: Counter[tuple[int, date]]  # runs of a person in the week that begins on this Monday
    wished: list[PlanWish]  # with their people
    used_to: set[tuple[int, int]]
    options: list[Option] = field(default_factory=list)
    instance: Instance = field(init=False)

    def __post_init__(self) -> None:
        self.place = {run.pk: number for number, run in enumerate(self.runs)}
        self.number = {person.pk: number for number, person in enumerate(self.people)}
        self.by_key = {person.pk: person for person in self.people}
        self.wishes = {(wish.run_id, wish.person_id): wish.kind for wish in self.wished}
        self.instance = self.as_numbers()

    def blocks(self, person: Person, run: Run) -> list[str]:
        """What stands between a person and a run beside the gate, by the names below; empty for an option."""
        found = []
        said = self.known.said.get((run.pk, person.pk))
        if self.wishes.get((run.pk, person.pk)) == FORBID:
            found.append(NOT_THEM)
        if said and said.place == NOT_NOW:
            found.append(SAID_NO)
        if person.pk in self.busy[run.pk]:
            found.append(BUSY)
        if not person.wants_requests and not (said and said.place in (WAITING, YES_BEFORE)):
            found.append(NO_REQUESTS)
        unfree = not_free(person, run, self.known.programme.zone)
        if unfree:
            found.append(AWAY if unfree.startswith("away") else HOURS)
        if not can_carry(person.cars.all(), run):
            found.append(CAR)
        return found

    def as_numbers(self) -> Instance:
        weeks = sorted({monday_of(run.local_date) for run in self.runs})
        week = {monday: number for number, monday in enumerate(weeks)}
        self.options = list(self.found_options())
        self.option_of = {
            (self.runs[one.run].pk, self.people[one.person].pk): number
            for number, one in enumerate(self.options)
        }
        pins = [pair for pair, kind in self.wishes.items() if kind == PIN and pair in self.option_of]
        pins.sort(key=lambda pair: self.place[pair[0]])
        return Instance(
            urgency=[CLASSES.index(level(run, at=self.at, policy=self.policy)) for run in self.runs],
            crates=[run.crates for run in self.runs],
            week=[week[monday_of(run.local_date)] for run in self.runs],
            wanted=[person.runs_a_week for person in self.people],
            held={
                (self.number[person], week[monday]): count
                for (person, monday), count in self.held.items()
                if person in self.number and monday in week
            },
            options=self.options,
            clashes=self.clashes(),
            limits=list(self.limits()),
            pins=[self.option_of[pair] for pair in pins],
        )

    def found_options(self) -> Iterator[Option]:
        for number, run in enumerate(self.runs):
            road = self.known.road_to(run)
            usual = median(road.values()) if road else 0.0
            for pk in sorted(self.cleared[run.pk]):
                person = self.by_key[pk]
                if self.blocks(person, run):
                    continue
                said = self.known.said.get((run.pk, pk))
                yield Option(
                    run=number,
                    person=self.number[pk],
                    miles=round(10 * road.get(pk, usual)),
                    asked=int(said is not None and said.place in (WAITING, YES_BEFORE)),
                    kept=int((run.pk, pk) in self.used_to),
                )

    def clashes(self) -> list[tuple[int, int]]:
        """Pairs of these runs that one person cannot do both, with the drive between."""
        programme, margin, found = self.known.programme, reach(self.policy), []
        for first, one in enumerate(self.runs):
            for second in range(first + 1, len(self.runs)):
                other = self.runs[second]
                if other.starts_at - one.ends_at > margin:
                    break  # those that follow start later still
                if collide(one, other, self.policy, programme):
                    found.append((first, second))
        return found

    def limits(self) -> Iterator[Limit]:
        """A week's requests: whoever starts within seven days is asked now, within fourteen by next week, and
        so on; and no more often than they are to be. Those asked already need no request."""
        near = self.at + timedelta(hours=self.policy.urgent_hours)
        of_person: dict[int, list[tuple[int, bool, int]]] = defaultdict(list)
        for number, option in enumerate(self.options):
            if not option.asked:
                starts = self.runs[option.run].starts_at
                of_person[option.person].append(((starts - self.at) // WEEK, starts <= near, number))
        for person, theirs in of_person.items():
            a_week = requests_a_week(self.people[person], self.policy)
            asked = self.known.asked.get(self.people[person].pk, 0)
            extra = self.policy.urgent_requests_a_week
            for last in sorted({weeks for weeks, _urgent, _number in theirs}):
                until = [(urgent, number) for weeks, urgent, number in theirs if weeks <= last]
                calm = [number for urgent, number in until if not urgent]
                yield Limit(calm, max(0, a_week - asked) + last * a_week)
                if len(calm) < len(until):
                    everything = [number for _urgent, number in until]
                    yield Limit(everything, max(0, a_week + extra - asked) + last * a_week)


def world_of(first: date, last: date, *, at: datetime, shown: Mapping[int, int] | None = None) -> World:
    """What is known of the runs without a driver on these local dates, both included, as far as volunteers
    can book. `shown` is the plan that was shown last: the person, by the run. A constant number of queries.
    """
    policy = Policy.current()
    open_ones = Run.objects.on_the_books().ahead(at).on_days(first, last)
    open_ones = open_ones.filter(starts_at__lte=policy.opens_until(at))
    gaps = list(open_ones.unfilled().without_closed().with_people().order_by("starts_at", "pk"))
    known = Known.of(gaps, at=at)
    kept = kept_runs(gaps, local_date(at, known.programme.zone), policy) if gaps else set()
    runs = [run for run in gaps if run.pk not in kept]
    people = list(Person.objects.drivers().prefetch_related("cars", "hours", "absences"))
    keys = [person.pk for person in people]
    held: Counter[tuple[int, date]] = Counter()
    for person, days in known.days.items():
        for day, count in days:
            held[person, monday_of(day)] += count
    return World(
        at=at,
        policy=policy,
        runs=runs,
        kept=len(kept),
        people=people,
        known=known,
        cleared=cleared_for_each(runs, among=keys) if runs else {},
        busy=engagements_of_each(runs),
        held=held,
        wished=list(PlanWish.objects.filter(run__in=runs).select_related("person")),
        used_to=used_to(runs, at) | set((shown or {}).items()),
    )


def used_to(runs: Sequence[Run], at: datetime) -> set[tuple[int, int]]:
    """Of these runs and people, who drove the same weekly run lately: one query."""
    shifts = {run.shift_id for run in runs if run.shift_id}
    driven = (
        Booking.objects.live()
        .drivers()
        .filter(run__shift__in=shifts, run__cancelled_at=None, run__starts_at__gt=at - LATELY)
        .filter(run__starts_at__lte=at)
        .order_by()
        .values_list("run__shift", "person")
        .distinct()
    )
    of_shift: dict[int, list[int]] = defaultdict(list)
    for shift, person in driven:
        of_shift[shift].append(person)
    return {(run.pk, person) for run in runs for person in of_shift.get(run.shift_id or 0, [])}


def instance_for(first: date, last: date, *, at: datetime) -> Instance:
    """The runs without a driver of these days, and who could take them, as plain numbers."""
    return world_of(first, last, at=at).instance


# --- what is proposed


@dataclass
class Proposed:
    """A run and whom to ask; `is_asked`: they have been, and may answer yet."""

    run: Run
    person: Person
    is_pinned: bool
    is_asked: bool


@dataclass
class Unfilled:
    """A run that nobody can be planned for: why, and what would fill it, each with what to do."""

    run: Run
    why: str
    ways: list[tuple[str, str]]


@dataclass
class Unheld:
    """Somebody whom the coordinator wants for a run and who cannot be planned for it, and why."""

    run: Run
    person: Person
    why: str


@dataclass
class Proposal:
    proposed: list[Proposed]
    unfilled: list[Unfilled]
    unheld: list[Unheld]
    plan: Plan
    world: World

    @property
    def by_run(self) -> dict[int, int]:
        return {one.run.pk: one.person.pk for one in self.proposed}


def propose(
    first: date,
    last: date,
    *,
    at: datetime,
    shown: Mapping[int, int] | None = None,
    seconds: float = SECONDS,
) -> Proposal:
    """The plan for these days: a constant number of queries, and at most these seconds of searching."""
    world = world_of(first, last, at=at, shown=shown)
    plan = solve(world.instance, seconds=seconds)
    proposed = []
    for number in plan.chosen:
        option = world.options[number]
        run, person = world.runs[option.run], world.people[option.person]
        is_pinned = world.wishes.get((run.pk, person.pk)) == PIN
        proposed.append(Proposed(run, person, is_pinned, bool(option.asked)))
    filled = {one.run.pk for one in proposed}
    empty = [run for run in world.runs if run.pk not in filled]
    return Proposal(proposed, unfilled(world, plan, empty), unheld(world, plan), plan, world)


# --- pins that cannot hold


def unheld(world: World, plan: Plan) -> list[Unheld]:
    """Pins of people who are not to be counted on for that run, each with the reason."""
    found = []
    for wish in world.wished:
        number = world.option_of.get((wish.run_id, wish.person_id))
        if wish.kind != PIN or (number is not None and number not in plan.unheld):
            continue
        run, person = world.runs[world.place[wish.run_id]], world.by_key.get(wish.person_id)
        if person is None:
            why = "does not drive, pauses, or has left"
        elif number is not None:
            why = BROKEN[plan.unheld[number]]
        elif person.pk not in world.cleared[run.pk]:
            why = "is not ready for it on that date, or is not to be sent there"
        else:
            why = PINNED_BUT[world.blocks(person, run)[0]]
        found.append(Unheld(run, wish.person, why))
    return found


# What stands between somebody and a run, beside the gate.
NOT_THEM, SAID_NO, BUSY, AWAY, HOURS, CAR, NO_REQUESTS = (
    "not them", "said no", "busy", "away", "hours", "car", "no requests",
)  # fmt: skip
FULL, CLASH, ENOUGH = "full", "clash", "enough"  # and by what else is planned
PINNED_BUT = {
    NOT_THEM: "is wanted and not wanted there",
    SAID_NO: "has said no to it, or gave it back",
    BUSY: "is on another run then",
    AWAY: "is away that day",
    HOURS: "is not usually free then",
    CAR: "has no car that is large enough",
    NO_REQUESTS: "wants no requests: call",
}
BROKEN = {
    "run": "is not alone: somebody else is wanted for it as well",
    "week": "has as many runs that week as they want",
    "clash": "is wanted for another run at that time",
    "limit": "has been asked often enough this week",
}


# --- runs that stay without anybody


def unfilled(world: World, plan: Plan, empty: Sequence[Run]) -> list[Unfilled]:
    """For each of these runs, the rules that could be set aside one at a time so that it fills while all else
    stays as planned. One query for each kind of step, none where every run has somebody."""
    if not empty:
        return []
    taken = Taken(world, plan)
    keys = [person.pk for person in world.people]
    lacking = {str(kind): cleared_for_each(empty, among=keys, but_for=kind) for kind in ONE_STEP}
    return [explained(run, world, taken, lacking) for run in empty]


class Taken:
    """What the plan has given to each person."""

    def __init__(self, world: World, plan: Plan) -> None:
        self.world = world
        chosen = set(plan.chosen)
        self.spent = {  # options that some limit leaves no room for
            number
            for limit in world.instance.limits
            if len(chosen.intersection(limit.options)) >= limit.most
            for number in limit.options
        }
        self.runs: dict[int, list[Run]] = defaultdict(list)
        for number in plan.chosen:
            option = world.options[number]
            self.runs[world.people[option.person].pk].append(world.runs[option.run])

    def blocks(self, person: Person, run: Run) -> list[str]:
        """What the plan itself puts between a person and a run."""
        world, theirs, found = self.world, self.runs[person.pk], []
        monday = monday_of(run.local_date)
        count = sum(monday_of(other.local_date) == monday for other in theirs)
        if world.held[person.pk, monday] + count >= person.runs_a_week:
            found.append(FULL)
        if self.in_the_way(person, run):
            found.append(CLASH)
        if world.option_of.get((run.pk, person.pk)) in self.spent:
            found.append(ENOUGH)
        return found

    def in_the_way(self, person: Person, run: Run) -> Run | None:
        policy, programme = self.world.policy, self.world.known.programme
        return next((other for other in self.runs[person.pk] if collide(run, other, policy, programme)), None)


ONE_STEP = {  # by the kind of step that somebody lacks and nothing else: what, and what to do
    Step.Kind.DOORS: ("its door notes", "They read them in two minutes: text or call."),
    Step.Kind.PAPER: ("a paper that is valid that day", "Their page records it once you have seen it."),
    Step.Kind.BRIEFING: ("the briefing", "They read it on a phone: text or call."),
    Step.Kind.FORM: ("a signed form", "Their page records it."),
    Step.Kind.KIT: ("the starter kit", "Hand one over, and note it on the page of kits."),
    Step.Kind.RIDE: ("a shadow ride", "The page of shadow rides finds one."),
}
ONE_RULE = {  # by the one rule that keeps somebody from a run, in the order of asking: what, and what to do
    FULL: ("{names} {would} drive one run more than they want that week", "One more, and it fills: call."),
    ENOUGH: ("{names} {has} been asked often enough this week", "Call instead of a mail, and it fills."),
    HOURS: ("{names} {is} ready, but not usually free then", "Ask whether they can this once."),
    NO_REQUESTS: ("{names} {is} ready, and {wants} no requests by mail", "Call."),
    CAR: (
        "{names} {is} ready, with a car too small for {crates}",
        "Add a second car, or ask about a larger.",
    ),
    AWAY: ("{names} {is} ready, but away that day", "Ask, if their plans may have changed."),
    NOT_THEM: ("{names} {is} ready, and you have said “not this person”", "Take that back below."),
}


def explained(run: Run, world: World, taken: Taken, lacking: Mapping[str, dict[int, set[int]]]) -> Unfilled:
    cleared = [world.by_key[pk] for pk in sorted(world.cleared[run.pk])]
    alone: dict[str, list[Person]] = defaultdict(list)
    counted: Counter[str] = Counter()
    for person in cleared:
        blocks = world.blocks(person, run) + taken.blocks(person, run)
        counted.update(blocks)
        if len(blocks) == 1:
            alone[blocks[0]].append(person)
    ways = [
        (in_words(what, alone[rule], run, cars=rule == CAR), do)
        for rule, (what, do) in ONE_RULE.items()
        if alone[rule]
    ]
    for kind, (what, do) in ONE_STEP.items():
        people = [world.by_key[pk] for pk in sorted(lacking[kind][run.pk] - world.cleared[run.pk])]
        fit = [one for one in people if not world.blocks(one, run) and not taken.blocks(one, run)]
        if fit:
            ways.append((in_words("{names} {needs} only " + what, fit, run), do))
    for person in alone[CLASH][:1]:
        other = taken.in_the_way(person, run)
        if other:
            ways.append(
                (f"{person.name} is planned for {other.title} at that time.", "A driver for that frees them.")
            )
    return Unfilled(run, why_empty(cleared, counted), ways)


def why_empty(cleared: Sequence[Person], counted: Mapping[str, int]) -> str:
    """In a sentence."""
    if not cleared:
        return "Nobody is ready to drive it alone."
    most = max(counted, key=lambda rule: counted[rule], default="")
    if counted.get(most, 0) < len(cleared) or most not in EVERYBODY:
        parts = [f"{counted[rule]} {PART[rule][counted[rule] > 1]}" for rule in PART if counted.get(rule)]
        return f"Of {len(cleared)} who are ready, {', '.join(parts)}."
    return EVERYBODY[most]


EVERYBODY = {
    FULL: "Everybody who is ready has as many runs that week as they want.",
    ENOUGH: "Everybody who is ready has been asked often enough this week.",
    HOURS: "Nobody who is ready is usually free then.",
    AWAY: "Everybody who is ready is away that day.",
    BUSY: "Everybody who is ready is on another run then.",
    CLASH: "Everybody who is ready is planned for another run then.",
    SAID_NO: "Everybody who is ready has said no.",
    CAR: "No car of those who are ready is large enough.",
    NO_REQUESTS: "Nobody who is ready wants requests by mail.",
    NOT_THEM: "You have said “not this person” of everybody who is ready.",
}
PART = {  # of one, and of several
    FULL: ("has enough runs that week", "have enough runs that week"),
    ENOUGH: ("was asked often enough", "were asked often enough"),
    HOURS: ("is not usually free then", "are not usually free then"),
    AWAY: ("is away", "are away"),
    BUSY: ("is on another run", "are on another run"),
    CLASH: ("is planned for another run", "are planned for another run"),
    SAID_NO: ("said no", "said no"),
    CAR: ("has too small a car", "have too small a car"),
    NO_REQUESTS: ("wants no requests", "want no requests"),
    NOT_THEM: ("you ruled out", "you ruled out"),
}


def in_words(what: str, people: Sequence[Person], run: Run, *, cars: bool = False) -> str:
    """A sentence about these people."""
    one = len(people) == 1
    words = {
        "names": names_of(people),
        "is": "is" if one else "are",
        "has": "has" if one else "have",
        "needs": "needs" if one else "need",
        "wants": "wants" if one else "want",
        "would": "would",
        "crates": f"{run.crates} crates",
    }
    return what.format(**words) + "."


def names_of(people: Sequence[Person]) -> str:
    names = [person.name for person in people[:NAMED]]
    more = len(people) - len(names)
    if more:
        names.append("one other" if more == 1 else f"{more} others")
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


# --- how good it is


def proof_in_words(plan: Plan, seconds: float = SECONDS) -> str:
    """How far the plan may be from the best one, in a sentence; nothing where there was nothing to plan."""
    if not plan.aims:
        return ""
    if plan.is_proven:
        return "Proven best: no other plan covers more, shares more evenly, or drives less, in this order."
    covered = [aim for aim in plan.aims if aim.name == COVERED]
    more = sum((aim.best or aim.reached) - aim.reached for aim in covered)
    stopped = f"Stopped after {seconds:g} seconds with the best found."
    if more:
        runs = "1 more run" if more == 1 else f"{more} more runs"
        return f"{stopped} A better plan would cover at most {runs}."
    return f"{stopped} No plan covers more runs; shares and drives may be better still."


def aims_in_words(plan: Plan) -> list[tuple[str, str]]:
    """Each level and what was reached."""
    found = []
    for aim in plan.aims:
        if aim.name == COVERED:
            name, what = f"Runs covered, {CLASSES[aim.urgency].value}", str(aim.reached)
            best = "" if aim.best is None else f", of at most {aim.best}"
        elif aim.name == SHARES:  # a sum of squares says nothing to anybody
            name, what, best = AIMS[aim.name], "as even as can be" if aim.is_proven else "shared", ""
        else:
            name, what = AIMS[aim.name], in_units(aim.name, aim.reached)
            best = "" if aim.best is None else f", best possible {in_units(aim.name, aim.best)}"
        found.append((name, f"{what}, proven best" if aim.is_proven else f"{what}{best}, not proven"))
    return found


AIMS = {
    CRATES: "Crates on covered runs",
    ASKED: "Planned people who have been asked already",
    SHARES: "Shares of what each wants to drive",
    MILES: "Miles from homes to first stops",
    KEPT: "People on runs they are used to",
}


def in_units(name: str, number: int) -> str:
    return f"{number / 10:.0f}" if name == MILES else str(number)

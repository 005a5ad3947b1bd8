"""Which trainee rides with which lead driver in the weeks ahead: a proven best assignment, and for whoever
stays without a ride the reason."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from django.db.models import Count, Exists, OuterRef

from shifts.cover.candidates import LATELY, engagements_of_each, not_free
from shifts.cover.solver import Program, best_in_turn, stacked
from shifts.models import Booking, Pairing, Policy, Run
from shifts.seats.riding import lacking_ride, led_rides
from sites.models import Programme
from volunteers import clearance
from volunteers.models import Completion, NotAt, Person, Step, StepTerm
from volunteers.progress import today

TIME_TO_ANSWER = timedelta(hours=24)  # common practice, no published source: two people have to say yes


# --- the assignment, on plain data


@dataclass(frozen=True)
class Option:
    """A ride that a trainee could have. `day` is a whole number that is smaller the sooner it is;
    `arranged`, that these two have been asked about this run already."""

    trainee: Hashable
    run: Hashable
    lead: Hashable
    day: int
    arranged: bool = False


def assign(
    waited: Mapping[Any, int], options: Iterable[Option], *, led: Mapping[Any, int] | None = None
) -> dict[Any, Option]:
    """One ride for each trainee, one trainee for each run; by the trainee, whoever gets one.

    In this order: as many as possible ride; who has waited longest rides; as little as possible of what is
    arranged changes; the sum of the days is smallest, and of these days the longest wait gets the soonest
    (days times waits, summed, are smallest then: the rearrangement inequality); the rides are spread over
    the lead drivers.

    `waited` says how long each trainee has, in whole days. `led`: the rides that a lead driver gives
    already, none where nothing is said.

    The sum of the waits is enough for the second level: the sets of trainees who can ride together are
    those of a transversal matroid (Edmonds and Fulkerson 1965), and there a largest set of greatest total
    weight holds, place by place in the order of weight, at least as much as any other largest set (Rado
    1957, Gale 1968). So nobody stays behind for two who have waited less.
    """
    options = [option for option in options if option.trainee in waited]
    if not options:
        return {}
    trainees, runs, leads = (numbered([getattr(option, what) for option in options]) for what in PARTS)
    rides = lead_rides(options, trainees, leads, led or {})
    columns = np.arange(len(options) + len(rides))
    ride_of = np.array([lead for lead, _cost in rides], dtype=np.int64)
    signs = np.where(columns < len(options), 1, -1)
    rows = stacked(
        [
            (trainees, columns[: len(options)], 1),
            (runs, columns[: len(options)], 1),
            (np.concatenate([leads, ride_of]), columns, 0),
        ],
        signs=signs,
    )
    waits = [waited[option.trainee] for option in options]
    aims = [
        [-1 for _option in options],
        [-wait for wait in waits],
        [-int(option.arranged) for option in options],
        [option.day for option in options],
        [option.day * wait for option, wait in zip(options, waits, strict=True)],
        [0] * len(options) + [cost for _lead, cost in rides],
    ]
    costs = [np.array(aim + [0] * (len(columns) - len(aim))) for aim in aims]
    solved = best_in_turn(Program(len(columns), len(options), rows), costs)
    return {
        option.trainee: option
        for option, taken in zip(options, solved.values[: len(options)], strict=True)
        if taken > 0.5
    }


PARTS = ("trainee", "run", "lead")


def numbered(things: Sequence[Hashable]) -> Any:
    """Of each its number, the same for the same thing."""
    numbers: dict[Hashable, int] = {}
    return np.array([numbers.setdefault(thing, len(numbers)) for thing in things])


def lead_rides(
    options: Sequence[Option], trainees: Any, leads: Any, led: Mapping[Any, int]
) -> list[tuple[int, int]]:
    """The rides that each lead driver could give, by the lead driver's number, with their costs: each
    further one costs one more than the last."""
    found = []
    for lead in range(leads.max() + 1):
        theirs = [option for option, number in zip(options, leads, strict=True) if number == lead]
        most = min(len({option.run for option in theirs}), int(trainees.max()) + 1)
        found += [(lead, led.get(theirs[0].lead, 0) + number) for number in range(most)]
    return found


# --- who waits for a ride, and since when


@dataclass
class Waiting:
    """Somebody who cannot drive alone for want of a shadow ride, among other things perhaps."""

    person: Person
    missing: list[Step]
    since: date
    days: int
    ride: Booking | None = None  # their next ride beside a lead driver
    unsigned: Booking | None = None  # a ride that has begun or is over, without the lead driver's word


def waiting(*, at: datetime) -> list[Waiting]:
    """Everybody who waits for a shadow ride, longest first. A constant number of queries; one for each step
    of the programme."""
    day = today(at)
    lacking = lacking_ride(person=OuterRef("pk"), on=day)
    people = list(
        Person.objects.drivers()
        .filter(Exists(lacking))
        .prefetch_related("hours", "absences")
        .order_by("name", "pk")
    )
    missing = clearance.missing_by_person(people, on=day)
    since = waiting_since(people, missing, on=day)
    found = {
        person.pk: Waiting(person, missing[person.pk], since[person.pk], (day - since[person.pk]).days)
        for person in people
    }
    rides = led_rides().filter(person__in=found).select_related("run").order_by("run__starts_at")
    unsigned = set(led_rides().unsigned().filter(person__in=found).values_list("pk", flat=True))
    for booking in rides:
        one = found[booking.person_id]
        if booking.run.starts_at > at:
            one.ride = one.ride or booking
        elif booking.pk in unsigned:
            one.unsigned = booking
    return sorted(found.values(), key=lambda one: (-one.days, one.person.name, one.person.pk))


def waiting_since(
    people: Sequence[Person], missing: Mapping[int, list[Step]], *, on: date
) -> dict[int, date]:
    """Since when each of them waits for a shadow ride: since the last of the programme's other steps was
    done for the first time, or, where others are missing too, since joining; after a break not before they
    came back. A ride that falls through changes nothing, nor does a paper that is renewed. Two queries."""
    terms = StepTerm.objects.in_force(on, []).exclude(step__kind=Step.Kind.RIDE)
    times = dict(terms.values_list("step", "times"))
    done: dict[tuple[int, int], list[date]] = {}
    rows = Completion.objects.standing().filter(person__in=people, step__in=times)
    for person, step, day in rows.order_by("valid_from").values_list("person", "step", "valid_from"):
        done.setdefault((person, step), []).append(day)

    def since(person: Person) -> date:
        begun = max(person.joined_on, person.back_on or person.joined_on)
        if any(step.kind != Step.Kind.RIDE for step in missing[person.pk]):
            return begun
        days = {step: done[person.pk, step] for step in times if (person.pk, step) in done}
        last = [dates[min(times[step], len(dates)) - 1] for step, dates in days.items()]
        return min(max([begun, *last]), on)

    return {person.pk: since(person) for person in people}


# --- what is proposed


@dataclass
class Proposal:
    """A ride to ask both about. `instead` are the open ones that it takes the place of."""

    waiting: Waiting
    run: Run
    lead: Person
    reasons: list[str]
    instead: list[Pairing] = field(default_factory=list)


@dataclass
class Without:
    """Somebody who has waited long and for whom there is no ride, why, and what can be done."""

    waiting: Waiting
    why: str
    do: str


@dataclass
class Plan:
    proposals: list[Proposal]
    open: list[Pairing]  # asked, and not answered by both
    riding: list[Waiting]  # they have a ride ahead
    without: list[Without]
    early: list[Waiting]  # they have not waited long, and are proposed once they have


def proposals(*, at: datetime) -> Plan:
    """Rides for the weeks that volunteers can book, for everybody who has waited as long as the policy
    says. A constant number of queries; one for each step of the programme."""
    policy = Policy.current()
    people = waiting(at=at)
    open_ones = Pairing.objects.open().select_related("run", "trainee", "lead")
    asked = list(open_ones.order_by("run__starts_at", "pk"))
    of_trainee = {pairing.trainee_id: pairing for pairing in asked}
    wanting = [
        one
        for one in people
        if not one.ride and not one.unsigned and (one.days >= policy.ride_days or one.person.pk in of_trainee)
    ]
    market = Market(rides_ahead(at, policy), wanting, asked, at=at)
    waited = {one.person.pk: one.days for one in wanting}
    found = assign(waited, market.options(), led=given(at, policy))
    kept = {pairing.pk for pairing in asked if is_kept(pairing, found)}
    changed = [pairing for pairing in asked if pairing.pk not in kept]
    proposed = [
        market.proposal(one, found[one.person.pk], changed)
        for one in wanting
        if one.person.pk in found and not found[one.person.pk].arranged
    ]
    without = [market.without(one) for one in wanting if one.person.pk not in found] + [
        to_sign(one) for one in people if one.unsigned and not one.ride and one.days >= policy.ride_days
    ]
    return Plan(
        proposals=proposed,
        open=asked,
        riding=[one for one in people if one.ride],
        without=without,
        early=[
            one
            for one in people
            if not one.ride and not one.unsigned and one not in wanting
        ],
    )  # fmt: skip


def is_kept(pairing: Pairing, found: Mapping[int, Option]) -> bool:
    option = found.get(pairing.trainee_id)
    return option is not None and option.arranged and option.run == pairing.run_id


def rides_ahead(at: datetime, policy: Policy) -> list[Run]:
    """Runs of the weeks that volunteers can book, on which a lead driver who is ready drives and the second
    seat is empty."""
    gone: Any = Booking.objects.clearance_gone()
    lapsed = gone.filter(run=OuterRef("pk"), lacks_more=True)
    runs = Run.objects.on_the_books().ahead(at).filter(starts_at__lte=policy.opens_until(at))
    return list(runs.with_ride().without_closed().exclude(Exists(lapsed)).with_people())


def given(at: datetime, policy: Policy) -> dict[int, int]:
    """How many rides each lead driver gives in these weeks: one query."""
    rides = led_rides().filter(run__starts_at__gt=at - LATELY, run__starts_at__lte=policy.opens_until(at))
    seats = Booking.objects.live().drivers().filter(run__in=rides.values("run")).order_by()
    return dict(seats.values_list("person").annotate(Count("pk")))


class Market:
    """Rides and people who want one: which fits whom, and why not."""

    def __init__(
        self, runs: list[Run], wanting: list[Waiting], asked: list[Pairing], *, at: datetime
    ) -> None:
        self.runs, self.wanting, self.at = runs, wanting, at
        self.zone = Programme.current().zone
        self.today = at.astimezone(self.zone).date()
        self.busy = engagements_of_each(runs)
        self.asked = {(pairing.trainee_id, pairing.run_id): pairing.lead_id for pairing in asked}
        people = [one.person.pk for one in wanting]
        self.barred = set(NotAt.objects.live().filter(person__in=people).values_list("person", "site"))
        no = Pairing.objects.filter(outcome=Pairing.Outcome.DECLINED, run__in=[run.pk for run in runs])
        self.declined = set(no.values_list("run", "declined_by"))

    def lead_of(self, run: Run) -> Person:
        return next(one.person for one in run.seated if one.seat == Booking.Seat.DRIVER)

    def unfit(self, person: Person, run: Run) -> str:
        """Why the ride is none for them, as one of a few words; empty when it is one."""
        lead = self.lead_of(run)
        if any((person.pk, site) in self.barred for site in run.site_ids):
            return "site"
        if person.pk in self.busy[run.pk]:
            return "busy"
        if self.asked.get((person.pk, run.pk)) == lead.pk:
            return ""  # they say for themselves whether it suits
        if (run.pk, lead.pk) in self.declined or run.starts_at < self.at + TIME_TO_ANSWER:
            return "off"
        if (run.pk, person.pk) in self.declined:
            return "declined"
        return "hours" if not_free(person, run, self.zone) else ""

    def options(self) -> list[Option]:
        return [
            Option(
                trainee=one.person.pk,
                run=run.pk,
                lead=self.lead_of(run).pk,
                day=(run.local_date - self.today).days,
                arranged=self.asked.get((one.person.pk, run.pk)) == self.lead_of(run).pk,
            )
            for one in self.wanting
            for run in self.runs
            if not self.unfit(one.person, run)
        ]

    def proposal(self, one: Waiting, option: Option, changed: list[Pairing]) -> Proposal:
        run = next(run for run in self.runs if run.pk == option.run)
        instead = [
            pairing for pairing in changed if pairing.run_id == run.pk or pairing.trainee_id == one.person.pk
        ]
        return Proposal(one, run, self.lead_of(run), reasons_of(one), instead)

    def without(self, one: Waiting) -> Without:
        """In words that can be acted on."""
        why = Counter(self.unfit(one.person, run) for run in self.runs)
        fit, off = why.pop("", 0), why.pop("off", 0)
        there = sum(why.values()) + fit
        if not there:
            do = "Seat lead drivers on runs with a second seat, or make somebody else a lead driver."
            if off:
                return Without(
                    one, "no lead driver has a run left: they said no, or it starts within a day", do
                )
            return Without(one, "no lead driver has a run with an empty second seat in the weeks ahead", do)
        if fit:
            rides = (
                "the only ride they could take goes" if fit == 1 else f"all {fit} rides they could take go"
            )
            return Without(
                one,
                f"{rides} to people who have waited as long or longer",
                "Seat a lead driver on one more run with a second seat.",
            )
        if len(why) == 1:
            [reason] = why
            only, each = ONLY[reason]
            return Without(one, only if there == 1 else each.format(there), DO[reason])
        parts = [f"{number} {PART[reason]}" for reason, number in sorted(why.items())]
        return Without(
            one, f"of {there} rides " + ", ".join(parts), DO["hours" if "hours" in why else "busy"]
        )


ONLY = {  # one ride, and several
    "site": (
        "the only ride goes to a site where they are not to be sent",
        "all {} rides go to sites where they are not to be sent",
    ),
    "busy": ("on another run at the time of the only ride", "on other runs at the time of all {} rides"),
    "declined": ("has said no to the only ride", "has said no to all {} rides"),
    "hours": ("not free at the only ride", "not free at any of these {} rides"),
}
PART = {
    "site": "at a site where they are not to be sent",
    "busy": "while they are on another run",
    "declined": "they said no to",
    "hours": "when they are not free",
}
DO = {
    "site": "End “not at this site” on their page if it is over, or seat a lead driver on another run.",
    "busy": "Ask whether they would give that run back for a ride.",
    "declined": "Call them and ask which days suit, and note the hours on their page.",
    "hours": "Call them and ask which days suit, and note the hours on their page.",
}


def to_sign(one: Waiting) -> Without:
    assert one.unsigned is not None
    return Without(
        one,
        f"rode along on {one.unsigned.run.title}, and nobody has recorded how it went",
        "Ask the lead driver, and record it on the run's page.",
    )


def reasons_of(one: Waiting) -> list[str]:
    """Why this ride for them, in a few words."""
    others = [step.title for step in one.missing if step.kind != Step.Kind.RIDE]
    return [
        "waits 1 day" if one.days == 1 else f"waits {one.days} days",
        "still missing: " + ", ".join(others) if others else "all else is done",
        "usually free then" if one.person.hours.all() else "has not said when they are free",
    ]

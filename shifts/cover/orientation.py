"""Who is on the way to driving alone: what each waits for, since when, and so what is to be done next."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import Enum
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Exists, F, OuterRef, Q, Subquery

from shifts.cover.pairing import waiting_since
from shifts.models import Booking, Pairing, Policy, Run
from shifts.seats.riding import lacking_ride
from sites.models import Closure, Event, Programme
from volunteers import hello
from volunteers.models import Completion, Join, PaperPhoto, Person, Step, StepTerm
from volunteers.models.person import PersonQuerySet

# A lead driver's own time to sign off a ride; after that the coordinator asks. As for a missing record of a
# run: common practice, no published source.
SIGN_OFF_DAYS = 2
DAY = timedelta(days=1)


class WaitsFor(Enum):
    """Whose move it is."""

    ANSWER = "answer"  # the coordinator's: yes, no or a question to somebody who asks to join
    DESK = "desk"  # something else of the coordinator's
    THEMSELVES = "themselves"
    LEAD = "lead"
    RIDE = "ride"  # nobody: the day of a ride that is arranged


class Stage(Enum):
    """What one person waits for; one at a time, with whose move it is and the policy's patience."""

    ASKS = "asks", WaitsFor.ANSWER, "hello_days"
    HELLO = "hello", WaitsFor.DESK, "hello_days"
    PHOTO = "photo", WaitsFor.DESK, "stuck_days"
    DATE = "date", WaitsFor.DESK, "stuck_days"  # the paper was seen, and its date never followed
    FORM = "form", WaitsFor.DESK, "stuck_days"
    KIT = "kit", WaitsFor.DESK, "stuck_days"
    RIDE = "ride", WaitsFor.DESK, "ride_days"
    UNSIGNED = "unsigned", WaitsFor.DESK, "ride_days"
    ASKED_BACK = "asked back", WaitsFor.THEMSELVES, "stuck_days"
    BRIEFING = "briefing", WaitsFor.THEMSELVES, "stuck_days"
    PAPER = "paper", WaitsFor.THEMSELVES, "stuck_days"
    DOORS = "doors", WaitsFor.THEMSELVES, "stuck_days"
    PROPOSAL = "proposal", WaitsFor.THEMSELVES, "ride_days"
    LEAD_ANSWER = "lead answer", WaitsFor.LEAD, "ride_days"
    SIGN_OFF = "sign-off", WaitsFor.LEAD, "ride_days"
    RIDES = "rides", WaitsFor.RIDE, ""

    def __init__(self, key: str, waits_for: WaitsFor, patience: str) -> None:
        self.key, self.waits_for, self.patience = key, waits_for, patience

    def is_long(self, days: int, policy: Policy) -> bool:
        """Whether so many days of waiting are too many; never for a ride that has its date."""
        return bool(self.patience) and days >= getattr(policy, self.patience)


OF_KIND = {
    Step.Kind.BRIEFING: Stage.BRIEFING,
    Step.Kind.PAPER: Stage.PAPER,
    Step.Kind.FORM: Stage.FORM,
    Step.Kind.KIT: Stage.KIT,
    Step.Kind.RIDE: Stage.RIDE,
    Step.Kind.DOORS: Stage.DOORS,
}


@dataclass(frozen=True)
class Waiting:
    """What a person waits for. `since` and `days` are dates in the programme's zone."""

    stage: Stage
    since: date
    step: Step | None = None  # the first that is missing
    run: Run | None = None  # of the ride that it is about
    lead: Person | None = None
    join: Join | None = None


@dataclass(frozen=True)
class OnTheWay:
    person: Person
    what: Waiting
    days: int
    is_stuck: bool

    @property
    def stage(self) -> Stage:
        return self.what.stage


def on_the_way(*, at: datetime, newcomers: bool = False) -> list[OnTheWay]:
    """Everybody who asks to join, whom nobody has greeted yet, or who drives or means to and is not ready
    today for want of one of the programme's own steps; longest wait first. People on a break are not here.
    `newcomers`: without those who have driven already.

    The number of queries does not grow with people, runs or steps.
    """
    known, policy = Known.at(at, newcomers=newcomers), Policy.current()
    found = []
    for person in known.people.values():
        what = waits_for(person, known)
        days = (known.today - what.since).days
        found.append(OnTheWay(person, what, days, what.stage.is_long(days, policy)))
    return sorted(found, key=lambda one: (one.what.since, one.person.name, one.person.pk))


def newcomers_waiting(*, at: datetime) -> int:
    """How many who have never driven wait for the coordinator, beside those who ask to join. Cheap with
    thousands of drivers: the gate is asked of newcomers alone."""
    return sum(one.stage.waits_for is WaitsFor.DESK for one in on_the_way(at=at, newcomers=True))


# --- the one decision


def waits_for(person: Person, known: Known) -> Waiting:
    """What this person waits for, and since when: an answer, a hello, the sign-off of a ride they had, a
    photograph to confirm, then the first missing step in the programme's order."""
    join, step = known.joins.get(person.pk), known.missing.get(person.pk)
    if join and join.state == Join.State.ASKED_BACK:
        return Waiting(Stage.ASKED_BACK, known.day(known.asked_back.get(person.pk, join.asked_at)), join=join)
    if join:
        return Waiting(Stage.ASKS, known.day(join.asked_at), join=join)
    ride = known.unsigned.get(person.pk)
    if ride:
        since = known.day(ride.run.ends_at)
        late = (known.today - since).days >= SIGN_OFF_DAYS
        stage = Stage.UNSIGNED if late else Stage.SIGN_OFF
        return Waiting(stage, since, step, ride.run, known.leads[ride.run_id])
    if person.pk in known.to_greet:
        return Waiting(Stage.HELLO, known.taken_in_on(person), step)
    photo = known.photos.get(person.pk)
    if photo:
        return Waiting(Stage.PHOTO, known.day(photo.at), photo.step)
    if step is None:
        return Waiting(Stage.DOORS, known.stage_began(person, None))
    if is_ride(step):
        return waits_for_a_ride(person, step, known)
    if step.kind == Step.Kind.PAPER and known.was_only_seen(person, step):
        return Waiting(Stage.DATE, known.stage_began(person, step), step)
    return Waiting(OF_KIND[Step.Kind(step.kind)], known.stage_began(person, step), step)


def waits_for_a_ride(person: Person, step: Step, known: Known) -> Waiting:
    """One that is arranged, an answer to one that is proposed, or one to arrange. A second seat beside
    somebody who is no lead driver is no shadow ride: that run is named, and a lead driver is to be found."""
    ride = known.rides.get(person.pk)
    lead = known.leads.get(ride.run_id) if ride else None
    if ride and lead:
        return Waiting(Stage.RIDES, known.day(ride.booked_at), step, ride.run, lead)
    pairing = known.pairings.get(person.pk)
    if pairing:
        stage = Stage.PROPOSAL if pairing.lead_agreed_at else Stage.LEAD_ANSWER
        return Waiting(stage, known.day(pairing.proposed_at), step, pairing.run, pairing.lead)
    return Waiting(Stage.RIDE, known.ride_began(person, step), step, ride.run if ride else None)


def is_ride(step: Step) -> bool:
    return step.kind == Step.Kind.RIDE


# --- what is known


@dataclass(frozen=True)
class Done:
    """A completion, as far as waiting goes. Dates in the programme's zone; `withdrawn` None: it stands."""

    step: int
    first: date
    until: date | None
    seen: bool
    withdrawn: date | None


@dataclass
class Known:
    """Everything the decision looks at, by the person's key; read at once."""

    today: date
    zone: ZoneInfo
    people: dict[int, Person] = field(default_factory=dict)
    first_missing: dict[int, int | None] = field(default_factory=dict)  # the key of a step
    missing: dict[int, Step] = field(default_factory=dict)  # the same as steps
    taken_in: dict[int, datetime] = field(default_factory=dict)
    order: dict[int, int] = field(default_factory=dict)  # the place of each step
    applies_from: dict[int, date] = field(default_factory=dict)  # by the step, of its term today
    joins: dict[int, Join] = field(default_factory=dict)  # open ones
    asked_back: dict[int, datetime] = field(default_factory=dict)
    to_greet: set[int] = field(default_factory=set)
    done: dict[int, list[Done]] = field(default_factory=lambda: defaultdict(list))
    ride_since: dict[int, date] = field(default_factory=dict)  # of whom a ride is the next thing
    photos: dict[int, PaperPhoto] = field(default_factory=dict)
    rides: dict[int, Booking] = field(default_factory=dict)  # the next one
    unsigned: dict[int, Booking] = field(default_factory=dict)  # the oldest one
    leads: dict[int, Person] = field(default_factory=dict)  # by the run: the lead driver who drives it
    pairings: dict[int, Pairing] = field(default_factory=dict)

    @classmethod
    def at(cls, at: datetime, *, newcomers: bool) -> Known:
        zone = Programme.current().zone
        known = cls(today=at.astimezone(zone).date(), zone=zone)
        known.read_people(newcomers)
        known.read_joins()
        known.read_steps()
        known.read_rides(at)
        return known

    def day(self, moment: datetime) -> date:
        return moment.astimezone(self.zone).date()

    def read_people(self, newcomers: bool) -> None:
        people: Any = not_ready(self.today, newcomers=newcomers)
        for person in people:
            self.people[person.pk] = person
            self.first_missing[person.pk] = person.first_missing
            if person.taken_in_at:
                self.taken_in[person.pk] = person.taken_in_at
        for join in to_greet():
            self.to_greet.add(join.person_id)
            self.people.setdefault(join.person_id, join.person)
            if join.settled_at:
                self.taken_in[join.person_id] = join.settled_at

    def read_joins(self) -> None:
        for join in Join.objects.open().filter(person__left_on=None).select_related("person"):
            self.joins[join.person_id] = join
            self.people.setdefault(join.person_id, join.person)
        asked = Event.objects.newest_of_each(self.joins, verbs=["asked something back"])
        self.asked_back = {pk: event.at for pk, event in asked.items()}

    def read_steps(self) -> None:
        terms = StepTerm.objects.in_force(self.today, []).select_related("step")
        steps: dict[int, Step] = {}
        for place, term in enumerate(terms.order_by("step__position", "step_id")):
            steps[term.step_id] = term.step
            self.order[term.step_id], self.applies_from[term.step_id] = place, term.applies_from
        self.missing = {pk: steps[first] for pk, first in self.first_missing.items() if first}
        self.read_completions(steps)
        photos = PaperPhoto.objects.filter(person__in=self.people).select_related("step").defer("image")
        for photo in photos.order_by("-at", "-pk"):
            self.photos[photo.person_id] = photo  # the oldest is what they have waited for longest

    def read_completions(self, steps: Iterable[int]) -> None:
        rows = Completion.objects.filter(person__in=self.people, step__in=steps).order_by()
        fields = ("person", "step", "valid_from", "valid_until", "how", "withdrawn_at")
        for person, step, first, until, how, withdrawn in rows.values_list(*fields):
            gone = self.day(withdrawn) if withdrawn else None
            seen = how == Completion.How.SEEN
            self.done[person].append(Done(step, first, until, seen, gone))

    def read_rides(self, at: datetime) -> None:
        """The rides of those who still lack one. Few people, so what is signed off is looked at here: asked
        of the database beside all else, it made PostgreSQL's planner walk every run for every booking."""
        lacking = self.lack_a_ride()
        shut = Closure.objects.on(OuterRef("run__local_date")).filter(site__stops__run=OuterRef("run"))
        rides = Booking.objects.live().filter(seat=Booking.Seat.SECOND, person__in=lacking)
        rides = rides.filter(run__cancelled_at=None).exclude(Exists(shut))
        rides = rides.select_related("run", "sign_off__completion").order_by("run__starts_at", "pk")
        found = [ride for ride in rides if ride.run.ends_at > at or ride.is_unsigned]
        drivers = Booking.objects.live().led().filter(run__in=[ride.run_id for ride in found])
        for driver in drivers.select_related("person"):
            self.leads[driver.run_id] = driver.person
        for ride in found:
            if ride.run.ends_at > at:
                self.rides.setdefault(ride.person_id, ride)
            elif ride.run_id in self.leads:
                self.unsigned.setdefault(ride.person_id, ride)
        pairings = Pairing.objects.open().filter(trainee__in=lacking, run__starts_at__gt=at)
        self.pairings = {one.trainee_id: one for one in pairings.select_related("run", "lead")}
        waiting = [one for pk, one in self.people.items() if pk in lacking and is_ride(self.missing[pk])]
        only = {one.pk: [self.missing[one.pk]] for one in waiting}
        self.ride_since = waiting_since(waiting, only, on=self.today)

    def lack_a_ride(self) -> set[int]:
        """Who of these people has no ride behind them that counts: one question to the gate."""
        lacking = Exists(lacking_ride(person=OuterRef("pk"), on=self.today))
        people = Person.objects.filter(lacking, pk__in=self.missing).order_by()
        return set(people.values_list("pk", flat=True))

    def was_only_seen(self, person: Person, step: Step) -> bool:
        """Whether the last that is known of a paper is that somebody saw it."""
        of_step = [one for one in self.done[person.pk] if one.step == step.pk and one.withdrawn is None]
        last = max(of_step, key=lambda one: one.first, default=None)
        return last is not None and last.seen

    def taken_in_on(self, person: Person) -> date:
        """The day a coordinator said yes; of whoever was put in at the desk, the day they joined."""
        return self.day(self.taken_in[person.pk]) if person.pk in self.taken_in else person.joined_on

    def stage_began(self, person: Person, step: Step | None) -> date:
        """The day from which the step (None: none is missing) was the next thing: they joined, were taken
        in or came back; the steps before it were done for the first time; what they had of it ran out or
        was taken back; it was asked for."""
        place = self.order[step.pk] if step else len(self.order)
        days = [person.joined_on, self.taken_in_on(person), person.back_on or person.joined_on]
        before: dict[int, date] = {}
        for one in self.done[person.pk]:
            if self.order[one.step] < place and one.withdrawn is None:
                before[one.step] = min(one.first, before.get(one.step, one.first))
        days += before.values()
        if step:
            days += self.lost(person, step)
            days.append(self.applies_from[step.pk])
        return self.latest(days)

    def ride_began(self, person: Person, step: Step) -> date:
        """The same for a shadow ride; as the page that arranges rides has it."""
        return self.latest([self.ride_since[person.pk], *self.lost(person, step)])

    def lost(self, person: Person, step: Step) -> list[date]:
        """Of what they had of a step: when it was done, ran out, was taken back."""
        mine = [one for one in self.done[person.pk] if one.step == step.pk]
        days = [one.first for one in mine] + [one.until + DAY for one in mine if one.until]
        return days + [one.withdrawn for one in mine if one.withdrawn]

    def latest(self, days: list[date]) -> date:
        """The last of these that is not to come."""
        return max((day for day in days if day <= self.today), default=self.today)


def not_ready(today: date, *, newcomers: bool = False) -> PersonQuerySet:
    """Who drives or means to and lacks a step of the programme's own, with its key as `first_missing`; and
    who lacks none but has never driven nor read any door notes, without which no run is open to them.
    `newcomers`: only those who have never driven."""
    driven = Booking.objects.live().drivers().filter(person=OuterRef("pk"))
    unmet = StepTerm.objects.unmet(person=OuterRef("pk"), on=today, sites=[])
    first = unmet.order_by("step__position", "step_id").values("step_id")[:1]
    doors = Step.objects.filter(kind=Step.Kind.DOORS, site__ended_on=None)
    read = Completion.objects.standing().filter(person=OuterRef("pk"), step__kind=Step.Kind.DOORS)
    strangers = Q(Exists(doors), ~Exists(read), ~Exists(driven))
    people = Person.objects.drivers()
    if newcomers:  # found first, so that a database asks the gate of nobody else
        people = people.filter(pk__in=list(people.exclude(Exists(driven)).values_list("pk", flat=True)))
    people = people.annotate(first_missing=Subquery(first), taken_in_at=F("join__settled_at"))
    return people.filter(Q(first_missing__isnull=False) | strangers)


def to_greet() -> list[Join]:
    """Of whom was taken in when they asked, and nobody has spoken with them since: no hello is noted, and no
    coordinator has recorded anything of theirs. Two queries."""
    met = Completion.objects.filter(person=OuterRef("person"), recorded_by__is_coordinator=True)
    taken_in = Join.objects.filter(state=Join.State.ACCEPTED, person__in=Person.objects.present().order_by())
    joins = list(taken_in.exclude(Exists(met)).select_related("person").order_by())
    said = Event.objects.newest_of_each((join.person_id for join in joins), verbs=hello.VERBS)
    return [
        join for join in joins if join.person_id not in said or said[join.person_id].verb != hello.SAID_HELLO
    ]

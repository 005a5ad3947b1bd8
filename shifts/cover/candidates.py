"""Who may take a run, as a call list, and for everybody else the reason why not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from itertools import islice
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Count, Exists, Func, JSONField, OuterRef, Prefetch, Subquery

from shifts.cover.cars import can_carry, largest, with_room
from shifts.cover.free import is_free, not_free
from shifts.cover.ranking import LATELY, Known, Ranked, runs_lately
from shifts.models import Booking, Policy, Run, Stop
from shifts.seats.booking import collide, reach
from sites.models import Programme
from volunteers import clearance
from volunteers.models import NotAt, Person, Step, StepTerm
from volunteers.models.person import PersonQuerySet

NOT_THERE = "not at this site"
FIRST_LOOKED_AT = 12  # people, for three names; enough wherever most of them are ready and free


@dataclass
class Candidate:
    person: Person
    reasons: list[str] = field(default_factory=list)  # at most three, in words


@dataclass
class CallList:
    """Those who may take a run, the best to call first; `count` are all of them where only the first were
    wanted. `may_not` is everybody else who drives, each with every reason, those with the fewest first."""

    run: Run
    at: datetime
    may: list[Candidate]
    keys: set[int]  # of everybody who may

    @property
    def count(self) -> int:
        return len(self.keys)

    @cached_property
    def may_not(self) -> list[tuple[Person, list[str]]]:
        order = {pk: count for pk, count in asking_order(self.at).items() if pk not in self.keys}
        rest = people_to_ask(order, self.run)
        lacking = clearance.missing_by_person(rest, on=self.run.local_date, sites=self.run.site_ids)
        busy, zone = engagements(self.run), Programme.current().zone

        def reasons(person: Person) -> list[str]:
            found = why_not(person, self.run, lacking[person.pk], busy, zone)
            return [NOT_THERE, *found] if person.barred else found

        pairs = [(person, reasons(person)) for person in rest]
        return sorted(pairs, key=lambda pair: (len(pair[1]), pair[0].name))


def may_drive(run: Run, people: PersonQuerySet | None = None) -> PersonQuerySet:
    """Who may take the driver's seat: ready on that date, free at that hour with the drive between,
    and with a car that is large enough or that nobody has measured."""
    people = Person.objects.drivers() if people is None else people
    people = clearance.cleared(people, on=run.local_date, sites=run.site_ids)
    return people.filter(is_free(run), with_room(run)).exclude(pk__in=engaged(run))


def engaged(run: Run) -> list[int]:
    """People with a seat on this run, or on another that leaves no time for it."""
    return list(engagements(run))


def engagements(run: Run) -> dict[int, Run]:
    """Who is engaged, and on which run: three queries however many there are."""
    return engagements_of_each([run])[run.pk]


def engagements_of_each(runs: Sequence[Run]) -> dict[int, dict[int, Run]]:
    """The same for several runs, by the run's key, in as many queries as for one."""
    if not runs:
        return {}
    policy, programme = Policy.current(), Programme.current()
    margin = reach(policy)
    stops = Prefetch("run__stops", queryset=Stop.objects.select_related("site"))
    first, last = min(run.starts_at for run in runs), max(run.ends_at for run in runs)
    near = list(
        Booking.objects.live()
        .on_runs_between(first - margin, last + margin)
        .select_related("run")
        .prefetch_related(stops)
    )

    def in_the_way(run: Run, other: Run) -> bool:
        return other.pk == run.pk or (
            other.starts_at < run.ends_at + margin
            and other.ends_at > run.starts_at - margin
            and collide(run, other, policy, programme)
        )

    return {
        run.pk: {booking.person_id: booking.run for booking in near if in_the_way(run, booking.run)}
        for run in runs
    }


def asking_order(at: datetime) -> dict[int, int]:
    """Everybody who drives, by key, least burdened first, with the number of their runs of these weeks."""
    window = Booking.objects.live().drivers().on_runs_between(at - LATELY, at + LATELY)
    lately = dict(window.order_by().values_list("person").annotate(Count("pk")))
    people = Person.objects.drivers().order_by().values_list("pk", "name")
    ordered = sorted((lately.get(pk, 0), name, pk) for pk, name in people)
    return {pk: count for count, _name, pk in ordered}


def people_to_ask(order: dict[int, int], run: Run | None = None) -> list[Person]:
    """These people in this order, with cars, hours and absences, and the count of runs as `lately`; for one
    run, each with whether they are `barred` from one of its sites."""
    place = {pk: number for number, pk in enumerate(order)}
    found: Any = Person.objects.filter(pk__in=place)
    if run:
        barring = NotAt.objects.barring(person=OuterRef("pk"), sites=run.stops.values("site"))
        found = found.annotate(barred=Exists(barring))
    people = list(found.prefetch_related("cars", "hours", "absences"))
    for person in people:
        person.lately = order[person.pk]
    return sorted(people, key=lambda person: place[person.pk])


def ranked(run: Run, *, at: datetime, most: int = 0) -> CallList:
    """The call list: those who may take the run in the order of `ranking.score`, each with at most three
    reasons; the first `most`, or all (0).

    The number of queries grows neither with people nor with runs.
    """
    keys = set(may_drive(run).values_list("pk", flat=True))
    known = Known.of([run], at=at)
    order = known.order(run, among=keys, most=most)
    people = Person.objects.in_bulk([one.person for one in order])
    may = [Candidate(people[one.person], known.reasons(one, run)) for one in order]
    return CallList(run, at, may, keys)


def three_names(runs: Sequence[Run], *, at: datetime) -> dict[int, list[Candidate]]:
    """For each run, by its key, the first three of its call list.

    The runs come `with_people`. The number of queries grows neither with them nor with the people: the
    first of each order are looked at first, and everybody only where these do not give three.
    """
    if not runs:
        return {}
    known, busy = Known.of(runs, at=at), engagements_of_each(runs)
    names: dict[int, list[Ranked]] = {run.pk: [] for run in runs}
    for most in (FIRST_LOOKED_AT, 0):
        lacking = [run for run in runs if len(names[run.pk]) < 3]
        if not lacking or (most == 0 and len(known.people) <= FIRST_LOOKED_AT):
            break
        orders = {run.pk: known.order(run, without=busy[run.pk], able=True, most=most) for run in lacking}
        keys = {one.person for order in orders.values() for one in order}
        cleared = cleared_for_each(lacking, among=list(keys))
        for pk, order in orders.items():
            names[pk] = list(islice((one for one in order if one.person in cleared[pk]), 3))
    people = Person.objects.in_bulk({one.person for found in names.values() for one in found})
    return {
        run.pk: [Candidate(people[one.person], known.reasons(one, run)) for one in names[run.pk]]
        for run in runs
    }


def cleared_for_each(runs: Sequence[Run], *, among: Sequence[int], but_for: str = "") -> dict[int, set[int]]:
    """By the run's key, who of some people is ready to drive it alone: the gate over many runs, in one query.
    With `but_for` a kind of step, also who lacks nothing else.

    Runs of one day to the same sites are asked once: the gate looks at nothing else of them.
    """
    alike: dict[tuple, list[int]] = {}
    for run in runs:
        alike.setdefault((run.local_date, frozenset(run.site_ids)), []).append(run.pk)
    sites = Stop.objects.filter(run=OuterRef(OuterRef(OuterRef("pk")))).values("site")
    unmet = StepTerm.objects.unmet(person=OuterRef("pk"), on=OuterRef(OuterRef("local_date")), sites=sites)
    unmet = unmet.exclude(step__kind=but_for) if but_for else unmet
    barring = NotAt.objects.barring(person=OuterRef("pk"), sites=sites)
    ready = Person.objects.filter(pk__in=among).exclude(Exists(unmet)).exclude(Exists(barring)).order_by()
    asked = Run.objects.filter(pk__in=[pks[0] for pks in alike.values()]).order_by()
    found = dict(asked.values_list("pk", Subquery(ready.values_list(KeysAsList("pk")))))
    return {pk: set(found[pks[0]] or []) for pks in alike.values() for pk in pks}


class KeysAsList(Func):
    """The keys of a whole subquery as one list: null in PostgreSQL when there are none."""

    output_field = JSONField()

    def as_sqlite(self, compiler: Any, connection: Any, **context: Any) -> Any:
        return super().as_sql(compiler, connection, function="JSON_GROUP_ARRAY", **context)

    def as_postgresql(self, compiler: Any, connection: Any, **context: Any) -> Any:
        return super().as_sql(compiler, connection, function="JSONB_AGG", **context)


def may_ride(run: Run, *, at: datetime) -> list[Candidate]:
    """Who may take the second seat: trainees where a lead driver drives, nearest to their first run alone
    first, then partners and helpers who are ready themselves; of those who are free then. At last, beside
    their guardian, those under 18 for whom a coordinator agreed."""
    driver = run.bookings.live().drivers().select_related("person").first()
    busy, zone = engagements(run), Programme.current().zone
    free = [
        person
        for person in people_to_ask(asking_order(at), run)
        if not person.barred and person.pk not in busy and not not_free(person, run, zone)
    ]
    lacking = clearance.missing_by_person(free, on=run.local_date, sites=run.site_ids)
    led = driver is not None and driver.person.is_lead

    def nearness(person: Person) -> tuple:
        kinds = [step.kind for step in lacking[person.pk]]
        return Step.Kind.RIDE not in kinds, kinds != [Step.Kind.RIDE], len(kinds), person.joined_on

    trainees = sorted((person for person in free if lacking[person.pk]), key=nearness)
    return (
        [Candidate(person, [still_missing(lacking[person.pk])]) for person in trainees if led]
        + [
            Candidate(person, ["ready to drive alone", runs_lately(person.lately)])
            for person in free
            if not lacking[person.pk]
        ]
        + [
            Candidate(ward, ["under 18, beside their guardian"])
            for ward in wards_of(driver.person if driver else None, run)
            if ward.pk not in busy and not not_free(ward, run, zone)
        ]
    )


def wards_of(driver: Person | None, run: Run) -> list[Person]:
    """Those under 18 who may ride beside this driver."""
    if driver is None:
        return []
    wards = Person.objects.present().filter(is_adult=False, guardian=driver).exclude(consent_on=None)
    barring = NotAt.objects.barring(person=OuterRef("pk"), sites=run.site_ids)
    return list(wards.exclude(Exists(barring)).prefetch_related("hours", "absences"))


def still_missing(steps: list[Step]) -> str:
    if [step.kind for step in steps] == [Step.Kind.RIDE]:
        return "waits for this ride, all else is done"
    return "still missing: " + ", ".join(step.title for step in steps)


def why_not(person: Person, run: Run, lacking: list[Step], busy: dict[int, Run], zone: ZoneInfo) -> list[str]:
    """Every reason, in words; none for those whom `may_drive` finds."""
    reasons = []
    if lacking:
        reasons.append("not ready: " + ", ".join(step.title for step in lacking))
    other = busy.get(person.pk)
    if other is not None:
        reasons.append("on this run already" if other.pk == run.pk else f"on {other.title} at that time")
    unfree = not_free(person, run, zone)
    if unfree:
        reasons.append(unfree)
    cars = list(person.cars.all())
    if not can_carry(cars, run):
        reasons.append(f"car takes {largest(cars)} crates, {run.crates} expected")
    return reasons

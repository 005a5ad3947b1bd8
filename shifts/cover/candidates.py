"""Who may take a run, as a call list, and for everybody else the reason why not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from itertools import islice
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Count, Exists, Func, JSONField, OuterRef, Prefetch, Q, Subquery
from django.utils import timezone

from shifts.models import Booking, Policy, Run, Stop
from shifts.seats.booking import collide, reach
from sites.models import Programme
from volunteers import clearance
from volunteers.models import Availability, Away, Car, NotAt, Person, Step, StepTerm
from volunteers.models.person import PersonQuerySet

LATELY = timedelta(weeks=4)
NOT_THERE = "not at this site"
FIRST_ASKED = 30  # people looked at first for three names; enough wherever most of them are ready and free


@dataclass
class Candidate:
    person: Person
    reasons: list[str] = field(default_factory=list)  # at most three, in words


@dataclass
class CallList:
    may: list[Candidate]
    may_not: list[tuple[Person, list[str]]]


def may_drive(run: Run, people: PersonQuerySet | None = None) -> PersonQuerySet:
    """Who may take the driver's seat: ready on that date, free at that hour with the drive between,
    and with a car that is large enough or that nobody has measured."""
    people = Person.objects.drivers() if people is None else people
    people = clearance.cleared(people, on=run.local_date, sites=run.site_ids)
    return people.filter(is_free(run), fits(run)).exclude(pk__in=engaged(run))


def is_free(run: Run) -> Q:
    """Not away that day, and either usually free for the whole run or silent about their hours."""
    weekday, begins, ends = span(run, Programme.current().zone)
    hours = Availability.objects.filter(person=OuterRef("pk"))
    suits = hours.filter(weekday=weekday, begins__lte=begins, ends__gte=ends)
    away = Away.objects.filter(person=OuterRef("pk"), first__lte=run.local_date, last__gte=run.local_date)
    return Q(~Exists(away)) & (Q(~Exists(hours)) | Q(Exists(suits)))


def span(run: Run, zone: ZoneInfo) -> tuple[int, time, time]:
    """Weekday (0 is Monday), start and end on the programme's clock. A run past midnight is asked of
    those who are free until the day's end."""
    start, end = timezone.localtime(run.starts_at, zone), timezone.localtime(run.ends_at, zone)
    return start.weekday(), start.time(), end.time() if end.date() == start.date() else time(23, 59)


def fits(run: Run) -> Q:
    """A car that holds the expected crates, or one that nobody has measured, or no car noted yet."""
    cars = Car.objects.filter(person=OuterRef("pk"))
    return Q(~Exists(cars)) | Q(Exists(cars.filter(Q(crates=None) | Q(crates__gte=run.crates))))


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


def call_list(run: Run, *, at: datetime) -> CallList:
    """Everybody who drives: those who may take the run, least burdened first, and the rest with reasons.

    The number of queries does not grow with people or runs; one for each kind of step.
    """
    people = people_to_ask(asking_order(at), run)
    may = set(may_drive(run).values_list("pk", flat=True))
    rest = [person for person in people if person.pk not in may]
    lacking = clearance.missing_by_person(rest, on=run.local_date, sites=run.site_ids)
    busy = engagements(run)
    zone = Programme.current().zone

    def reasons(person: Person) -> list[str]:
        found = why_not(person, run, lacking[person.pk], busy, zone)
        return [NOT_THERE, *found] if person.barred else found

    may_not = [(person, reasons(person)) for person in rest]
    return CallList(
        may=[Candidate(person, why(person)) for person in people if person.pk in may],
        may_not=sorted(may_not, key=lambda pair: (len(pair[1]), pair[0].name)),
    )


def three_names(runs: Sequence[Run], *, at: datetime) -> dict[int, list[Candidate]]:
    """For each run, by its key, the first three of its call list.

    The runs come `with_people`. The number of queries grows neither with them nor with the people: the
    least burdened are looked at first, and everybody else only where these do not give three.
    """
    order = list(asking_order(at).items())
    busy, zone = engagements_of_each(runs), Programme.current().zone
    names: dict[int, list[Candidate]] = {run.pk: [] for run in runs}
    for portion in (dict(order[:FIRST_ASKED]), dict(order[FIRST_ASKED:])):
        lacking = [run for run in runs if len(names[run.pk]) < 3]
        if not portion or not lacking:
            break
        people, cleared = people_to_ask(portion), cleared_for_each(lacking, among=list(portion))
        for run in lacking:
            may = (
                person
                for person in people
                if person.pk in cleared[run.pk] and not why_not(person, run, [], busy[run.pk], zone)
            )
            wanted = 3 - len(names[run.pk])
            names[run.pk] += [Candidate(person, why(person)) for person in islice(may, wanted)]
    return names


def cleared_for_each(runs: Sequence[Run], *, among: Sequence[int]) -> dict[int, set[int]]:
    """By the run's key, who of some people is ready to drive it alone: the gate over many runs, in one query.

    Runs of one day to the same sites are asked once: the gate looks at nothing else of them.
    """
    alike: dict[tuple, list[int]] = {}
    for run in runs:
        alike.setdefault((run.local_date, frozenset(run.site_ids)), []).append(run.pk)
    sites = Stop.objects.filter(run=OuterRef(OuterRef(OuterRef("pk")))).values("site")
    unmet = StepTerm.objects.unmet(person=OuterRef("pk"), on=OuterRef(OuterRef("local_date")), sites=sites)
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
            Candidate(person, ["ready to drive alone", *why(person)[:1]])
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


def why(person: Person) -> list[str]:
    """At most three facts that help to choose; of one of `people_to_ask`."""
    count = person.lately or "no"
    facts = [f"{count} run in these weeks" if person.lately == 1 else f"{count} runs in these weeks"]
    cars = list(person.cars.all())
    crates = [car.crates for car in cars if car.crates is not None]
    if crates:
        facts.append(f"car takes {max(crates)} crates")
    else:
        facts.append("car not measured" if cars else "no car noted")
    if person.hours.all():
        facts.append("usually free then")
    return facts


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
    measured = [car.crates for car in cars if car.crates is not None]
    if cars and len(measured) == len(cars) and max(measured) < run.crates:
        reasons.append(f"car takes {max(measured)} crates, {run.crates} expected")
    return reasons


def not_free(person: Person, run: Run, zone: ZoneInfo) -> str:
    """`is_free` for one person with hours and absences at hand: why not, or nothing."""
    if any(away.first <= run.local_date <= away.last for away in person.absences.all()):
        return "away that day"
    weekday, begins, ends = span(run, zone)
    hours = list(person.hours.all())
    suits = any(hour.weekday == weekday and hour.begins <= begins and hour.ends >= ends for hour in hours)
    return "" if suits or not hours else "not usually free then"

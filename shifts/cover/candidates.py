"""Who may take a run, as a call list, and for everybody else the reason why not."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from django.db.models import Count, Exists, OuterRef, Prefetch, Q
from django.utils import timezone

from shifts.models import Booking, Policy, Run, Stop
from shifts.seats.booking import collide, reach
from sites.models import Programme
from volunteers import clearance
from volunteers.models import Availability, Away, Car, Person, Step
from volunteers.models.person import PersonQuerySet

LATELY = timedelta(weeks=4)


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
    zone = Programme.current().zone
    start, end = timezone.localtime(run.starts_at, zone), timezone.localtime(run.ends_at, zone)
    hours = Availability.objects.filter(person=OuterRef("pk"))
    # A run past midnight is asked of those who are free until the day's end.
    until = end.time() if end.date() == start.date() else datetime.max.time().replace(second=0, microsecond=0)
    suits = hours.filter(weekday=start.weekday(), begins__lte=start.time(), ends__gte=until)
    away = Away.objects.filter(person=OuterRef("pk"), first__lte=run.local_date, last__gte=run.local_date)
    return Q(~Exists(away)) & (Q(~Exists(hours)) | Q(Exists(suits)))


def fits(run: Run) -> Q:
    """A car that holds the expected crates, or one that nobody has measured, or no car noted yet."""
    cars = Car.objects.filter(person=OuterRef("pk"))
    return Q(~Exists(cars)) | Q(Exists(cars.filter(Q(crates=None) | Q(crates__gte=run.crates))))


def engaged(run: Run) -> list[int]:
    """People with a seat on this run, or on another that leaves no time for it."""
    return list(engagements(run))


def engagements(run: Run) -> dict[int, Run]:
    """Who is engaged, and on which run: three queries however many there are."""
    policy, programme = Policy.current(), Programme.current()
    stops = Prefetch("run__stops", queryset=Stop.objects.select_related("site"))
    near = (
        Booking.objects.live()
        .on_runs_between(run.starts_at - reach(policy), run.ends_at + reach(policy))
        .select_related("run")
        .prefetch_related(stops)
    )
    return {
        booking.person_id: booking.run
        for booking in near
        if booking.run_id == run.pk or collide(run, booking.run, policy, programme)
    }


def call_list(run: Run, *, at: datetime) -> CallList:
    """Everybody who drives: those who may take the run, least burdened first, and the rest with reasons.

    The number of queries does not grow with people or runs; one for each kind of step.
    """
    counts = Count(
        "bookings",
        filter=Q(bookings__ended_at=None, bookings__seat=Booking.Seat.DRIVER)
        & Q(bookings__run__starts_at__gt=at - LATELY, bookings__run__starts_at__lt=at + LATELY),
    )
    people = list(
        Person.objects.drivers().annotate(lately=counts).prefetch_related("cars", "hours", "absences")
    )
    may = set(may_drive(run).values_list("pk", flat=True))
    rest = [person for person in people if person.pk not in may]
    lacking = clearance.missing_by_person(rest, on=run.local_date, sites=run.site_ids)
    busy = engagements(run)
    free = set(Person.objects.drivers().filter(is_free(run)).values_list("pk", flat=True))
    may_not = [
        (person, why_not(person, run, lacking[person.pk], busy, is_free=person.pk in free)) for person in rest
    ]
    ready = sorted((p for p in people if p.pk in may), key=lambda p: (p.lately, p.name))
    return CallList(
        may=[Candidate(p, why(p, p.lately)) for p in ready],
        may_not=sorted(may_not, key=lambda pair: (len(pair[1]), pair[0].name)),
    )


def why(person: Person, lately: int) -> list[str]:
    """At most three facts that help to choose; `lately` counts the person's runs around the date."""
    facts = [f"{lately} runs in these weeks" if lately != 1 else "1 run in these weeks"]
    crates = [car.crates for car in person.cars.all() if car.crates is not None]
    facts.append(f"car takes {max(crates)} crates" if crates else "car not measured")
    facts.append("usually free then" if person.hours.all() else "has not said when")
    return facts


def why_not(
    person: Person, run: Run, lacking: list[Step], busy: dict[int, Run], *, is_free: bool
) -> list[str]:
    """Every reason, in words."""
    reasons = []
    if lacking:
        reasons.append("not ready: " + ", ".join(step.title for step in lacking))
    other = busy.get(person.pk)
    if other is not None:
        reasons.append("on this run already" if other.pk == run.pk else f"on {other.title} at that time")
    if any(away.first <= run.local_date <= away.last for away in person.absences.all()):
        reasons.append("away that day")
    elif not is_free:
        reasons.append("not usually free then")
    cars = list(person.cars.all())
    measured = [car.crates for car in cars if car.crates is not None]
    if cars and len(measured) == len(cars) and max(measured) < run.crates:
        reasons.append(f"car takes {max(measured)} crates, {run.crates} expected")
    return reasons

"""What else is wrong with a run ahead, beside an empty driver's seat. A red mark is never false."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from django.db.models import Max

from shifts.models import Booking, Policy, Run
from shifts.seats.booking import collide
from sites.models import Programme
from volunteers.models import Car


@dataclass(frozen=True)
class Weakness:
    run: Run
    why: str


def weaknesses(*, at: datetime, runs: list[Run] | None = None) -> list[Weakness]:
    """Every weakness of the runs ahead (or of those given, fetched `with_people`), by start.

    A constant number of queries: runs with stops and people, closed dates, the gate, cars.
    """
    if runs is None:
        runs = list(Run.objects.on_the_books().not_over(at).with_closed().with_people())
    uncleared = set(
        Booking.objects.uncleared()
        .filter(run__ends_at__gt=at, run__cancelled_at=None)
        .values_list("pk", flat=True)
    )
    drivers = [booking for run in runs for booking in run.seated if booking.seat == Booking.Seat.DRIVER]
    largest = dict(
        Car.objects.filter(person__in={booking.person_id for booking in drivers})
        .values_list("person")
        .annotate(Max("crates"))
    )
    crowded = too_close(runs)
    found = []
    for run in runs:
        found += [Weakness(run, why) for why in reasons(run, uncleared, largest, crowded)]
    return found


def reasons(
    run: Run, uncleared: set[int], largest: dict[int, int | None], crowded: set[tuple[int, int]]
) -> list[str]:
    seated = {booking.seat: booking for booking in run.seated}
    driver, second = seated.get(Booking.Seat.DRIVER), seated.get(Booking.Seat.SECOND)
    why = []
    if run.closed and run.seated:
        why.append("A site is closed that day, and somebody is booked.")
    if run.off_rule and run.seated:
        why.append("The weekly run no longer has this date; kept because somebody is booked.")
    if driver and driver.pk in uncleared:
        why.append(f"{driver.person.name} is not ready to drive alone on that date.")
    if driver:
        crates = largest.get(driver.person_id)
        if crates is not None and crates < run.crates:
            why.append(f"{driver.person.name}'s car takes {crates} crates; {run.crates} are expected.")
    if second and second.pk in uncleared and not (driver and driver.person.is_lead):
        why.append(f"{second.person.name} rides along as a trainee, and no lead driver drives.")
    for booking in run.seated:
        if (run.pk, booking.person_id) in crowded:
            why.append(f"{booking.person.name} has another run too close to this one.")
    return why


def too_close(runs: list[Run]) -> set[tuple[int, int]]:
    """Pairs of run and person where the person cannot do both this run and another of theirs."""
    policy, programme = Policy.current(), Programme.current()
    of_person: dict[int, list[Run]] = {}
    for run in runs:
        for booking in run.seated:
            of_person.setdefault(booking.person_id, []).append(run)
    found = set()
    for person, theirs in of_person.items():
        theirs.sort(key=lambda run: run.starts_at)
        for first, second in pairwise(theirs):
            if collide(first, second, policy, programme):
                found |= {(first.pk, person), (second.pk, person)}
    return found

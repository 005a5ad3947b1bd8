"""What else is wrong with a run ahead, beside an empty driver's seat. A red mark is never false."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from shifts.cover.regulars import Absent, absent_regulars
from shifts.models import Booking, Policy, Run
from shifts.seats.booking import too_close
from shifts.seats.refusals import who_may_not
from sites.models import Closure
from volunteers.models import Car

TAKE_OUT = {  # what to do about somebody who sits in a seat that they may not take, by the refusal
    "on a break": "Take them out and call somebody else; or end the break on their page.",
    "not taken in": "Take them in first, or take them out.",
    "under 18": "Take them out of the run, or seat their guardian as its driver. Their page has both.",
}


@dataclass(frozen=True)
class Weakness:
    run: Run
    why: str
    do: str  # what the coordinator can do about it


def weaknesses(*, at: datetime, runs: list[Run] | None = None) -> list[Weakness]:
    """Every weakness of the runs that are not over, by start; or of those given, `with_closed` and
    `with_people`.

    A constant number of queries: runs with stops and people, closed dates, the gate, cars, other runs; who
    should drive those that are kept.
    """
    if runs is None:
        runs = list(Run.objects.on_the_books().not_over(at).with_closed().with_people())
    gone: Any = Booking.objects.uncleared().filter(run__ends_at__gt=at, run__cancelled_at=None)
    unfit = {booking.pk: booking for booking in gone.only("pk")}
    people = {booking.person_id for run in runs for booking in run.seated}
    largest = largest_cars(people)
    policy = Policy.current()
    crowded = too_close(people, at, policy)
    homeless = nowhere_to_go(runs)
    kept = kept_soon(runs, at, policy)
    found = []
    for run in runs:
        if run.pk in kept:
            found.append(Weakness(run, kept[run.pk].why, what_to_do(kept[run.pk])))
        if run.pk in homeless:
            why = f"{homeless[run.pk]} is closed that day, and the food goes there."
            found.append(Weakness(run, why, "Choose another drop-off for that day, or cancel the run."))
        found += [Weakness(run, why, do) for why, do in reasons(run, unfit, largest, crowded)]
    return found


def nowhere_to_go(runs: list[Run]) -> dict[int, str]:
    """By the run's key, the closed site that food would go to, though every pickup is open: one query. A
    closed pickup gives nothing, so there is nothing to do."""
    closed = [run for run in runs if run.closed]
    shut = {
        (closure.site_id, closure.first, closure.last)
        for closure in Closure.objects.standing().filter(site__stops__run__in=closed)
    }

    def is_shut(run: Run, site: int) -> bool:
        return any(one == site and first <= run.local_date <= last for one, first, last in shut)

    found = {}
    for run in closed:
        *before, last = run.ordered_stops
        if is_shut(run, last.site_id) and not any(is_shut(run, stop.site_id) for stop in before):
            found[run.pk] = last.site.name
    return found


def kept_soon(runs: list[Run], at: datetime, policy: Policy) -> dict[int, Absent]:
    """By the run's key, those that are kept for somebody who is not there, and soon. Later ones have time;
    those that are kept no longer stand with the runs that need a driver."""
    until = at + timedelta(days=policy.soon_days)
    soon = [run for run in runs if run.starts_at <= until and not run.closed]
    absent = absent_regulars(soon, at=at, policy=policy)
    return {pk: one for pk, one in absent.items() if one.is_kept and one.why}


def what_to_do(absent: Absent) -> str:
    if absent.standing.crew:
        return (
            f"Ask {absent.standing.person.name} who drives, and name them on the run's page; "
            "or seat somebody else now."
        )
    return "Record what is missing on their page; or open the run and seat somebody else now."


def reasons(
    run: Run,
    unfit: dict[int, Booking],
    largest: dict[int, int],
    crowded: set[tuple[int, int]],
) -> list[tuple[str, str]]:
    """What is wrong with a run, and what to do about each. `unfit` are the bookings `uncleared`, by key."""
    seated = {booking.seat: booking for booking in run.seated}
    driver, second = seated.get(Booking.Seat.DRIVER), seated.get(Booking.Seat.SECOND)
    lacking = unfit.get(driver.pk) if driver else None
    found = []
    if run.off_rule and run.seated:
        found.append(
            (
                "The weekly run no longer has this date; kept because somebody is booked.",
                "Keep it this once, or cancel it.",
            )
        )
    if driver and lacking and lacking.lacks and not lacking.lacks_more:
        found.append(
            (
                f"{driver.person.name} has not read the newest door notes.",
                "They keep the seat. Call or text them: the page of the site lists who has to read.",
            )
        )
    elif driver and lacking and lacking.lacks:
        found.append(
            (
                f"{driver.person.name} is not ready to drive alone on that date.",
                "Record what is missing on their page, or take them out and call somebody else.",
            )
        )
    if driver:
        crates = largest.get(driver.person_id)
        if crates is not None and crates < run.crates:
            found.append(
                (
                    f"{driver.person.name}'s car takes {crates} crates; {run.crates} are expected.",
                    "Ask about a larger car, or add a second car.",
                )
            )
    trainee = unfit.get(second.pk) if second else None
    if second and trainee and trainee.lacks and not (driver and driver.person.is_lead):
        found.append(
            (
                f"{second.person.name} rides along as a trainee, and no lead driver drives.",
                "Seat a lead driver, or take the trainee out and find another ride.",
            )
        )
    if second and trainee and trainee.lacks_paper and second.ride != Booking.Ride.ALONG:
        found.append(
            (
                f"{second.person.name} {second.get_ride_display()}, and a paper is missing on that date.",
                "Record the paper on their page, or let them ride along: the run's page says how they ride.",
            )
        )
    for booking in run.seated:
        unseated = who_may_not(booking.person, booking.seat, driver=driver.person if driver else None)
        if unseated:
            found.append((unseated.why, TAKE_OUT.get(unseated.code, "Take them out and call somebody else.")))
        if booking.pk in unfit and unfit[booking.pk].barred:
            found.append(
                (
                    f"{booking.person.name} is not to be sent to one of these sites.",
                    "Take them out and call somebody else; or end “not at this site” on their page.",
                )
            )
        if (run.pk, booking.person_id) in crowded:
            found.append(
                (
                    f"{booking.person.name} has another run too close to this one.",
                    "Ask whether they can do both; if not, take them out of one.",
                )
            )
    return found


def largest_cars(people: set[int]) -> dict[int, int]:
    """Crates that each person's largest car takes; nobody who has a car that was never measured."""
    sizes: dict[int, list[int | None]] = {}
    for person, crates in Car.objects.filter(person__in=people).values_list("person", "crates"):
        sizes.setdefault(person, []).append(crates)
    return {
        person: max(size for size in known if size is not None)
        for person, known in sizes.items()
        if None not in known
    }

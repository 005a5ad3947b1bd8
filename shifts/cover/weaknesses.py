"""What is wrong with the runs ahead: one answer for the desk, the digest and the plan. A red mark is never
false: each kind asks the same function that the rule itself asks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Any

from shifts.cover.cars import can_carry, cars_of, largest
from shifts.cover.confirming import confirmations_due, silent_from
from shifts.cover.regulars import Absent, absent_regulars
from shifts.cover.urgency import Level, level
from shifts.models import Booking, NoShow, Policy, Run
from shifts.schedule.clock import local_date
from shifts.seats.booking import too_close
from shifts.seats.keeping import regulars_of, release_day
from shifts.seats.refusals import who_may_not
from sites.models import Closure, Programme
from volunteers.models import Car


class Kind(StrEnum):
    """What is wrong, in a few words that name nobody: they hang on a wall with the week."""

    NO_DRIVER = "needs a driver"
    DID_NOT_COME = "the driver did not come"
    KEPT = "kept for somebody who is not ready"
    NO_DROP_OFF = "the drop-off is closed"
    OFF_RULE = "not a date of its weekly run"
    NOT_READY = "the driver is not ready"
    NEW_DOOR_NOTES = "door notes not read"
    SMALL_CAR = "the car is too small"
    NOT_CONFIRMED = "not confirmed"
    NO_LEAD = "no lead driver for the trainee"
    NO_PAPER = "the trainee lacks a paper"
    MAY_NOT = "somebody may not be on it"
    NOT_THERE = "somebody is not to be sent there"
    TOO_CLOSE = "too close to another run"


GAPS = {Kind.NO_DRIVER, Kind.DID_NOT_COME}  # nobody drives; names to call stand beside them

TAKE_OUT = {  # what to do about somebody who sits in a seat that they may not take, by the refusal
    "on a break": "Take them out and call somebody else; or end the break on their page.",
    "not taken in": "Take them in first, or take them out.",
    "under 18": "Take them out of the run, or seat their guardian as its driver. Their page has both.",
}


@dataclass(frozen=True)
class Weakness:
    run: Run
    kind: Kind
    level: Level  # by how soon the run starts
    why: str
    do: str  # what the coordinator can do about it


def weaknesses(*, at: datetime, runs: list[Run] | None = None) -> list[Weakness]:
    """Every weakness of the runs that are on the books and not over, in the order of their starts; or of
    such among those given, `with_closed` and `with_people`.

    A constant number of queries, however many runs there are.
    """
    if runs is None:
        runs = list(Run.objects.on_the_books().not_over(at).with_closed().with_people())
    runs = [run for run in runs if run.ends_at > at and not run.is_cancelled]
    if not runs:
        return []
    policy = Policy.current()
    known = Known.of(runs, at=at, policy=policy)
    return [
        Weakness(run, kind, level(run, at=at, policy=policy), why, do)
        for run in runs
        for kind, why, do in faults(run, known)
    ]


@dataclass
class Known:
    """What is looked up once for all runs. `unfit` are the bookings `uncleared`, by key."""

    kept: set[int]  # runs without a driver that are kept for somebody
    absent: dict[int, Absent]  # of these, those that are soon and whose somebody is not ready
    missed: dict[int, str] = field(default_factory=dict)  # who did not come, by run
    homeless: dict[int, str] = field(default_factory=dict)
    unfit: dict[int, Booking] = field(default_factory=dict)
    cars: dict[int, list[Car]] = field(default_factory=dict)
    silent: set[int] = field(default_factory=set)  # bookings
    crowded: set[tuple[int, int]] = field(default_factory=set)  # of run and person

    @classmethod
    def of(cls, runs: list[Run], *, at: datetime, policy: Policy) -> Known:
        seated = [booking for run in runs for booking in run.seated]
        people = {booking.person_id for booking in seated}
        programme = Programme.current()
        kept = kept_runs([run for run in runs if is_gap(run)], local_date(at, programme.zone), policy)
        gone: Any = Booking.objects.uncleared().filter(run__in=[run.pk for run in runs])
        return cls(
            kept=set(kept),
            absent=kept_soon([run for run in runs if run.pk in kept], at, policy),
            missed=did_not_come([run for run in runs if is_gap(run) and run.starts_at <= at]),
            homeless=nowhere_to_go(runs),
            unfit={booking.pk: booking for booking in gone.only("pk")},
            cars=cars_of({booking.person_id for booking in seated if booking.seat == Booking.Seat.DRIVER}),
            silent=silent([run for run in runs if not run.closed], at, policy, programme),
            crowded=too_close(people, at, policy) if people else set(),
        )


# --- looked up


def is_gap(run: Run) -> bool:
    """Whether nobody drives a run that takes place."""
    return not run.has_driver and not run.closed


def kept_runs(gaps: list[Run], today: date, policy: Policy) -> set[int]:
    """Those that are kept for their regular driver or crew for now, and not open to others."""
    regulars = regulars_of(gaps)
    return {run.pk for run in gaps if run.pk in regulars and release_day(run, policy) > today}


def kept_soon(kept: list[Run], at: datetime, policy: Policy) -> dict[int, Absent]:
    """By the run's key, of those kept, whose regular driver is not ready though the run is soon. Later ones
    have time."""
    until = at + timedelta(days=policy.soon_days)
    absent = absent_regulars([run for run in kept if run.starts_at <= until], at=at, policy=policy)
    return {pk: one for pk, one in absent.items() if one.why}


def did_not_come(begun: list[Run]) -> dict[int, str]:
    """By the run's key, the name of whoever should have driven it; no query where none has begun."""
    if not begun:
        return {}
    missed = NoShow.objects.standing().filter(booking__run__in=begun).order_by("at")
    return dict(missed.values_list("booking__run", "booking__person__name"))


def nowhere_to_go(runs: list[Run]) -> dict[int, str]:
    """By the run's key, the closed site that food would go to, though every pickup is open: one query. A
    closed pickup gives nothing, so there is nothing to do."""
    closed = [run for run in runs if run.closed]
    if not closed:
        return {}
    shut: dict[int, list[tuple[date, date]]] = {}
    for site, first, last in (
        Closure.objects.standing()
        .filter(site__stops__run__in=closed)
        .values_list("site", "first", "last")
        .distinct()
    ):
        shut.setdefault(site, []).append((first, last))

    def is_shut(run: Run, site: int) -> bool:
        return any(first <= run.local_date <= last for first, last in shut.get(site, []))

    found = {}
    for run in closed:
        *before, end = run.ordered_stops
        if is_shut(run, end.site_id) and not any(is_shut(run, stop.site_id) for stop in before):
            found[run.pk] = end.site.name
    return found


def silent(runs: list[Run], at: datetime, policy: Policy, programme: Programme) -> set[int]:
    """The keys of bookings whose driver was to say that they will be there, and has not in time."""
    near = at + timedelta(hours=policy.confirm_hours)
    late = [
        booking
        for run in runs
        if at < run.starts_at <= near and silent_from(run, policy, programme) <= at
        for booking in run.seated
    ]
    return confirmations_due(late, at, policy=policy)


# --- what is wrong with one run


def faults(run: Run, known: Known) -> Iterator[tuple[Kind, str, str]]:
    """Each thing that is wrong with a run, and what to do about it; nothing while it gives nothing, as a
    pickup is closed that day."""
    if run.closed and run.pk not in known.homeless:
        return
    seated = {booking.seat: booking for booking in run.seated}
    driver, second = seated.get(Booking.Seat.DRIVER), seated.get(Booking.Seat.SECOND)
    yield from nobody_drives(run, known)
    if run.pk in known.homeless:
        why = f"{known.homeless[run.pk]} is closed that day, and the food goes there."
        yield Kind.NO_DROP_OFF, why, "Choose another drop-off for that day, or cancel the run."
    if run.off_rule and run.seated:
        why = "The weekly run no longer has this date; kept because somebody is booked."
        yield Kind.OFF_RULE, why, "Keep it this once, or cancel it."
    if driver:
        yield from of_driver(run, driver, known)
    if second:
        yield from of_second(second, driver, known)
    for booking in run.seated:
        yield from of_anybody(run, booking, driver, known)


def nobody_drives(run: Run, known: Known) -> Iterator[tuple[Kind, str, str]]:
    if run.pk in known.absent:
        absent = known.absent[run.pk]
        yield Kind.KEPT, absent.why, what_to_do(absent)
    elif is_gap(run) and run.pk not in known.kept:
        if run.pk in known.missed:
            why = f"{known.missed[run.pk]} did not come, and nobody drives it now."
            yield Kind.DID_NOT_COME, why, "Call somebody who is near; the run's page has the sites' numbers."
        else:
            yield (
                Kind.NO_DRIVER,
                "Nobody drives it.",
                "Call somebody, or ask around; the run's page has both.",
            )


def what_to_do(absent: Absent) -> str:
    if absent.standing.crew:
        return (
            f"Ask {absent.standing.person.name} who drives, and name them on the run's page; "
            "or seat somebody else now."
        )
    return "Record what is missing on their page; or open the run and seat somebody else now."


def of_driver(run: Run, driver: Booking, known: Known) -> Iterator[tuple[Kind, str, str]]:
    name, lacking = driver.person.name, known.unfit.get(driver.pk)
    if lacking and lacking.lacks and not lacking.lacks_more:
        why = f"{name} has not read the newest door notes."
        do = "They keep the seat. Call or text them: the page of the site lists who has to read."
        yield Kind.NEW_DOOR_NOTES, why, do
    elif lacking and lacking.lacks:
        why = f"{name} is not ready to drive alone on that date."
        do = "Record what is missing on their page, or take them out and call somebody else."
        yield Kind.NOT_READY, why, do
    cars = known.cars.get(driver.person_id, [])
    if not can_carry(cars, run):
        why = f"{name}'s car takes {largest(cars)} crates; {run.crates} are expected."
        yield Kind.SMALL_CAR, why, "Ask about a larger car, or add a second car."
    if driver.pk in known.silent:
        why = f"{name} has not said that they will be there."
        yield Kind.NOT_CONFIRMED, why, "Call or text them, and note on the run's page what they say."


def of_second(second: Booking, driver: Booking | None, known: Known) -> Iterator[tuple[Kind, str, str]]:
    trainee, name = known.unfit.get(second.pk), second.person.name
    if trainee and trainee.lacks and not (driver and driver.person.is_lead):
        why = f"{name} rides along as a trainee, and no lead driver drives."
        yield Kind.NO_LEAD, why, "Seat a lead driver, or take the trainee out and find another ride."
    if trainee and trainee.lacks_paper and second.ride != Booking.Ride.ALONG:
        why = f"{name} {second.get_ride_display()}, and a paper is missing on that date."
        do = "Record the paper on their page, or let them ride along: the run's page says how they ride."
        yield Kind.NO_PAPER, why, do


def of_anybody(
    run: Run, booking: Booking, driver: Booking | None, known: Known
) -> Iterator[tuple[Kind, str, str]]:
    name, unfit = booking.person.name, known.unfit.get(booking.pk)
    unseated = who_may_not(booking.person, booking.seat, driver=driver.person if driver else None)
    if unseated:
        do = TAKE_OUT.get(unseated.code, "Take them out and call somebody else.")
        yield Kind.MAY_NOT, unseated.why, do
    if unfit and unfit.barred:
        why = f"{name} is not to be sent to one of these sites."
        do = "Take them out and call somebody else; or end “not at this site” on their page."
        yield Kind.NOT_THERE, why, do
    if (run.pk, booking.person_id) in known.crowded:
        why = f"{name} has another run too close to this one."
        yield Kind.TOO_CLOSE, why, "Ask whether they can do both; if not, take them out of one."


# --- looked at by pages and mails


def gaps(found: Iterable[Weakness]) -> list[Weakness]:
    """Of these, the runs that nobody drives and that are soon or sooner; later ones have time."""
    return [one for one in found if one.kind in GAPS and one.level != Level.LATER]


def attention(found: Iterable[Weakness]) -> list[Weakness]:
    """Of these, everything but runs that nobody drives, which stand in a place of their own."""
    return [one for one in found if one.kind not in GAPS]


def marks(found: Iterable[Weakness]) -> dict[int, tuple[Level, str]]:
    """By the run's key, how urgent it is and what is wrong, in words that name nobody; not of a run that
    only needs a driver, and later than soon: its empty seat says so."""
    by_run: dict[int, list[Weakness]] = {}
    for one in found:
        if one.kind not in GAPS or one.level != Level.LATER:
            by_run.setdefault(one.run.pk, []).append(one)
    return {
        pk: (theirs[0].level, ", ".join(dict.fromkeys(one.kind.value for one in theirs)))
        for pk, theirs in by_run.items()
    }

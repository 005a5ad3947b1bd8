"""Seats: one function seats somebody, one gives a seat back. Every path goes through these two.

Locks, always in this order: run(s) by key, then person(s) by key. Both are held until the seat is taken,
so that one seat has one person and one person is in one place. A calendar entry changes only under its
person's lock, so that no SEQUENCE is given twice.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Prefetch, QuerySet
from django.utils import timezone

from shifts.calendar import entries
from shifts.models import Booking, Policy, Run, Stop
from shifts.schedule.clock import local_date
from shifts.schedule.legs import minutes_between
from shifts.seats import notices, refusals, searches
from shifts.seats.keeping import holds, kept_for, leave_out_day, lift_skips, regular_of, release_day
from shifts.seats.news import News
from sites.log import record
from sites.models import Programme
from volunteers import clearance
from volunteers.models import Person

LEARNERS_FIRST = timedelta(days=7)  # common practice, no published source
LONGEST_DRIVE = timedelta(hours=6)  # nobody is asked to drive longer between two runs; keeps queries small


def hold(runs: QuerySet[Run], *, also: Iterable[int] = ()) -> list[Run]:
    """Locks these runs, then everybody seated in them and `also` these people by key, until the transaction
    ends; the runs as they are now.

    For changes that touch several people: in any other order two of them could wait for each other.
    """
    held = list(Run.objects.locked().filter(pk__in=runs.order_by().values("pk")))
    seated = Booking.objects.live().filter(run__in=held).values_list("person", flat=True)
    list(Person.objects.locked().filter(pk__in={*seated, *also}))
    return held


def seat(
    *,
    run: Run,
    person: Person,
    seat: str,
    by: Any,
    ride: str = Booking.Ride.ALONG,
    on_behalf: bool = False,
    news: News | None = None,
    at: datetime | None = None,
) -> Booking:
    """Puts a person in a seat of a run, tells them, and opens their calendar entry.

    `on_behalf` is a coordinator's doing, after an agreement by phone: they may also fill runs that are
    not open to volunteers yet or kept for somebody, and one that has started but is not over. The gate
    holds all the same. A run of their own regular run becomes part of it again. `ride` is how a trainee
    rides, which `riding.why_not_ride` allows. With `news` it is told with the rest of what that collects,
    and the caller settles it.
    Raises a Refusal that says why not and what to do next.
    """
    at = at or timezone.now()
    with transaction.atomic():
        run = Run.objects.locked().get(pk=run.pk)
        person = Person.objects.locked().get(pk=person.pk)
        check_seat(run=run, person=person, seat=seat, at=at, on_behalf=on_behalf)
        try:
            with transaction.atomic():
                standing = regular_of(run, person) if seat == Booking.Seat.DRIVER else None
                booking = Booking.objects.create(
                    run=run,
                    person=person,
                    seat=seat,
                    ride=ride,
                    standing=standing,
                    booked_at=at,
                    booked_by=by,
                )
        except IntegrityError as error:  # the constraint's word is the last, should a lock ever be missed
            raise (
                why_not(run=run, person=person, seat=seat, at=at, on_behalf=on_behalf) or refusals.Taken()
            ) from error
        record(
            verb="seated",
            subject=run,
            person=person,
            by=by,
            at=at,
            after={"seat": seat, "on behalf": on_behalf},
        )
        searches.driver_found(booking, by=by, at=at)
        if standing:
            lift_skips(standing, run.slot_date, by=by, at=at)
            # Calendars may have been told this date before the run was made, but a feed read since lacks it.
            entries.feed_changed([person.pk])
        if news or standing:
            told = news or News(at=at)
            told.tell(person, "booked", booking=booking, on_behalf=on_behalf)
            if told is not news:
                told.settle()
        else:
            notices.booked(booking, entries.open_entry(booking, at=at), on_behalf=on_behalf, at=at)
    return booking


def check_seat(*, run: Run, person: Person, seat: str, at: datetime, on_behalf: bool = False) -> None:
    """Raises the Refusal that `seat` would raise now; `seat` itself asks it under the locks."""
    refusal = why_not(run=run, person=person, seat=seat, at=at, on_behalf=on_behalf)
    if refusal:
        raise refusal


def why_not(
    *, run: Run, person: Person, seat: str, at: datetime, on_behalf: bool = False
) -> refusals.Refusal | None:
    """What keeps the person out of the seat, the plainest reason first; None when it is theirs to take.

    Raises ValueError for a seat that no run has.
    """
    if seat not in Booking.Seat.values:
        raise ValueError(f"A run has a driver's and a second seat, not {seat!r}.")
    policy = Policy.current()
    if run.is_cancelled:
        return refusals.Cancelled(run.cancel_reason)
    if at >= (run.ends_at if on_behalf else run.starts_at):
        return refusals.Over(ended=at >= run.ends_at)
    if not on_behalf and run.starts_at > policy.opens_until(at):
        return refusals.NotOpen(run.starts_at - timedelta(weeks=policy.weeks_shown))
    seated = {booking.seat: booking for booking in run.bookings.live().select_related("person")}
    driver = seated[Booking.Seat.DRIVER].person if Booking.Seat.DRIVER in seated else None
    personal = refusals.who_may_not(person, seat, driver=driver)
    if personal:
        return personal
    closed = run.closed_sites()
    if closed:
        return refusals.Closed(closed)
    if any(booking.person_id == person.pk for booking in seated.values()):
        return refusals.AlreadyOn()
    if seat == Booking.Seat.SECOND and not run.second_seat:
        return refusals.NoSecondSeat()
    if seat in seated:
        return refusals.Taken()
    if clearance.barred([person], sites=run.site_ids):
        return refusals.NotThere()
    if seat == Booking.Seat.DRIVER and not on_behalf:
        regular = kept_for([run], at=at).get(run.pk)
        if regular and not holds(regular, person):
            return refusals.Kept(regular, release_day(run, policy))
    other = clash(run, person, policy=policy)
    if other:
        return refusals.Elsewhere(other)
    missing = clearance.missing(person, on=run.local_date, sites=run.site_ids) if person.is_adult else []
    if missing and seat == Booking.Seat.DRIVER:
        return refusals.NotReady(missing)
    led = driver is not None and driver.is_lead
    if missing and not led:
        return refusals.NoLead()
    if seat == Booking.Seat.SECOND and led and not missing and not on_behalf:
        return kept_to_learn(run, at)
    return None


def kept_to_learn(run: Run, at: datetime) -> refusals.KeptToLearn | None:
    """The second seat beside a lead driver is for trainees first: until some days before the run nobody
    else takes it while anybody waits for a shadow ride."""
    until = run.local_date - LEARNERS_FIRST
    today = local_date(at, Programme.current().zone)
    if until <= today or not clearance.waiting_for_ride(on=today).exists():
        return None
    return refusals.KeptToLearn(until)


def clash(run: Run, person: Person, *, policy: Policy | None = None) -> Run | None:
    """A run of theirs that leaves no time for this one, with the drive between; None when there is none."""
    policy = policy or Policy.current()
    near = (
        Booking.objects.live()
        .of(person)
        .exclude(run=run)
        .on_runs_between(run.starts_at - reach(policy), run.ends_at + reach(policy))
    )
    others = list(
        Run.objects.filter(pk__in=near.values("run")).prefetch_related("stops__site").order_by("starts_at")
    )
    if not others:
        return None
    programme = Programme.current()
    return next((other for other in others if collide(run, other, policy, programme)), None)


def reach(policy: Policy) -> timedelta:
    """Two runs with more time than this between them never collide."""
    return LONGEST_DRIVE + timedelta(minutes=policy.between_minutes)


def collide(a: Run, b: Run, policy: Policy, programme: Programme) -> bool:
    """Whether one person cannot do both runs: they overlap, or the time between is shorter than the
    drive from the last stop of the first to the first stop of the second, and some minutes beside it."""
    first, second = sorted((a, b), key=lambda run: (run.starts_at, run.ends_at))
    if second.starts_at < first.ends_at:
        return True
    drive = 0
    if first.ordered_stops and second.ordered_stops:
        drive = minutes_between(
            first.ordered_stops[-1].site.place, second.ordered_stops[0].site.place, programme
        )
    return second.starts_at - first.ends_at < timedelta(minutes=drive + policy.between_minutes)


def too_close(people: set[int], at: datetime, policy: Policy) -> set[tuple[int, int]]:
    """Pairs of run and person where the person cannot do both this run and another of theirs; runs that take
    place and are not over, in four queries."""
    programme = Programme.current()
    stops = Prefetch("run__stops", queryset=Stop.objects.select_related("site"))
    booked = list(
        Booking.objects.live()
        .filter(person__in=people, run__cancelled_at=None, run__ends_at__gt=at)
        .select_related("run")
        .prefetch_related(stops)
        .order_by("run__starts_at", "run")
    )
    # Read apart: without statistics PostgreSQL plans the two in one query so that it takes minutes.
    runs = Run.objects.filter(pk__in={booking.run_id for booking in booked})
    open_ = set(runs.without_closed().order_by().values_list("pk", flat=True))
    of_person: dict[int, list[Run]] = {}
    for booking in booked:
        if booking.run_id in open_:
            of_person.setdefault(booking.person_id, []).append(booking.run)
    found = set()
    for person, theirs in of_person.items():
        for number, first in enumerate(theirs):
            for second in theirs[number + 1 :]:
                if second.starts_at - first.ends_at > reach(policy):
                    break
                if collide(first, second, policy, programme):
                    found |= {(first.pk, person), (second.pk, person)}
    return found


def give_back(
    booking: Booking,
    *,
    by: Any,
    note: str = "",
    end: str = Booking.End.GIVEN_BACK,
    news: News | None = None,
    at: datetime | None = None,
) -> Booking:
    """Ends a booking and its calendar entry, and tells those concerned. Never refused; a second call
    changes nothing. Of a regular run it leaves out that date for good, unless the run itself is off. With
    `news` it is told with the rest of what that collects, and the caller settles it."""
    at = at or timezone.now()
    with transaction.atomic():
        run = Run.objects.locked().get(pk=booking.run_id)
        Person.objects.locked().get(pk=booking.person_id)
        booking = Booking.objects.select_related("person", "standing").get(pk=booking.pk)
        if not booking.is_live:
            return booking
        booking.run = run
        booking.ended_at, booking.ended_by, booking.end, booking.end_note = at, by, end, note.strip()[:300]
        booking.save(update_fields=["ended_at", "ended_by", "end", "end_note"])
        record(
            verb=end,
            subject=run,
            person=booking.person,
            by=by,
            at=at,
            before={"seat": booking.seat},
            after={"note": note},
        )
        if end not in (Booking.End.CANCELLED, Booking.End.LAPSED):
            leave_out_day(booking, by=by, at=at)
        told = news or News(at=at)
        told.tell(booking.person, "ended", booking=booking)
        if told is not news:
            told.settle()
        if end not in (Booking.End.CANCELLED, Booking.End.HANDED_ON):  # no seat falls empty
            searches.seat_fell_empty(booking, at=at)
            notices.seat_empty(booking, at=at)
    return booking

"""Who is asked to say "I'll be there" before a run, and from when their silence is worth a call.

Not everybody: a regular driver who comes every week is trusted to come. Asked are drivers who took a single
run, who are new to driving alone, or who were away since they drove last.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Count, Exists, Max, OuterRef, Subquery

from shifts.models import Booking, Policy, Run
from shifts.schedule.clock import instant
from sites.models import Programme
from volunteers.models import Away, Completion
from volunteers.roster.plan import DROVE_BEFORE

# Common practice, no published source.
NEW_FOR = 3  # runs alone
AWAY_FOR = timedelta(days=14)  # shorter absences are no reason to ask
TIME_TO_SAY = timedelta(hours=2)  # silence says nothing before


def asked_from(run: Run, policy: Policy) -> datetime:
    """The moment from which the driver of a run is asked."""
    return run.starts_at - timedelta(hours=policy.confirm_hours)


def silent_from(run: Run, policy: Policy, programme: Programme) -> datetime:
    """The moment from which silence needs attention: on the eve in the programme's zone, where they had
    time to answer by then."""
    eve = instant(run.local_date - timedelta(days=1), policy.silent_at, programme.zone)
    return max(eve, asked_from(run, policy) + TIME_TO_SAY)


def confirmation_due(booking: Booking, at: datetime) -> bool:
    """`confirmations_due` of one."""
    return booking.pk in confirmations_due([booking], at)


def confirmations_due(bookings: Iterable[Booking], at: datetime, *, policy: Policy | None = None) -> set[int]:
    """The keys of those bookings whose person is to say now that they will be there, and has not.

    From `confirm_hours` before the start until the start; only of the driver's seat; not of those who took
    the seat after that moment, who have just said so, nor of a run that is off or closed. The bookings come
    with their runs. Two queries however many they are, none where none is near.
    """
    policy = policy or Policy.current()
    near = [
        booking
        for booking in bookings
        if booking.is_live
        and booking.seat == Booking.Seat.DRIVER
        and booking.confirmed_at is None
        and not booking.run.is_cancelled
        and asked_from(booking.run, policy) <= at < booking.run.starts_at
        and booking.booked_at < asked_from(booking.run, policy)
    ]
    return not_taken_for_granted(near) if near else set()


def not_taken_for_granted(bookings: list[Booking]) -> set[int]:
    """Of drivers' bookings: the single ones, the first runs alone, the first after an absence."""
    earlier = (
        Booking.objects.live()
        .drivers()
        .filter(
            person=OuterRef("person"),
            run__cancelled_at=None,
            run__starts_at__lt=OuterRef("run__starts_at"),
        )
        .order_by()
        .values("person")
    )
    before = Completion.objects.filter(person=OuterRef("person"), reason=DROVE_BEFORE)
    open_ = Run.objects.without_closed().filter(pk__in=[booking.run_id for booking in bookings])
    rows = Booking.objects.filter(pk__in=[booking.pk for booking in bookings], run__in=open_.order_by())
    found: list[Any] = list(
        rows.select_related("person", "run").annotate(
            earlier=Subquery(earlier.annotate(n=Count("pk")).values("n")),
            last_day=Subquery(earlier.annotate(day=Max("run__local_date")).values("day")),
            drove_before=Exists(before),
        )
    )
    regulars = [booking for booking in found if booking.standing_id]
    away = absences([booking.person_id for booking in regulars]) if regulars else {}

    def is_asked(booking: Any) -> bool:
        if not booking.standing_id:
            return True
        if (booking.earlier or 0) < NEW_FOR and not booking.drove_before:
            return True
        since = booking.last_day or booking.person.joined_on
        day, back = booking.run.local_date, booking.person.back_on
        came_back = [last for last in away.get(booking.person_id, []) if since < last < day]
        return bool(came_back) or (back is not None and since < back <= day)

    return {booking.pk for booking in found if is_asked(booking)}


def absences(people: list[int]) -> dict[int, list[date]]:
    """By the person's key, the last days of their longer absences."""
    found: dict[int, list[date]] = {}
    for person, first, last in Away.objects.filter(person__in=people).values_list("person", "first", "last"):
        if last - first + timedelta(days=1) >= AWAY_FOR:
            found.setdefault(person, []).append(last)
    return found

"""A driver gave back shortly before the start: it stands on the desk until a coordinator has seen it."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import DateTimeField, ExpressionWrapper, F
from django.utils import timezone

from shifts.models import Booking, Run
from shifts.models.booking import BookingQuerySet
from sites.log import record

# Given back so late, a call is quicker than a mail: the volunteer sees the number, the desk an alert. Common
# practice, no published source.
SHORTLY = timedelta(hours=24)


def is_short_notice(run: Run, at: datetime) -> bool:
    return run.starts_at - at <= SHORTLY


def alerts(at: datetime) -> BookingQuerySet:
    """Bookings of drivers that were given back within a day of the start of a run that takes place and is not
    over, and that no coordinator has marked as seen; the earliest run first."""
    since = ExpressionWrapper(F("run__starts_at") - SHORTLY, output_field=DateTimeField())
    late = Booking.objects.drivers().filter(end=Booking.End.GIVEN_BACK, seen_at=None, ended_at__gt=since)
    late = late.filter(run__ends_at__gt=at, run__cancelled_at=None)
    # Those few read first: without statistics PostgreSQL might plan the two in one query badly.
    runs = Run.objects.filter(pk__in=list(late.values_list("run", flat=True)))
    return (
        late.filter(run__in=runs.without_closed().order_by())
        .select_related("person", "run")
        .order_by("run__starts_at", "ended_at")
    )


@transaction.atomic
def mark_seen(booking: Booking, *, by: Any, at: datetime | None = None) -> bool:
    """A coordinator has seen it; False where one has before."""
    at = at or timezone.now()
    list(Run.objects.locked().filter(pk=booking.run_id))
    done = Booking.objects.filter(pk=booking.pk, seen_at=None).update(seen_at=at, seen_by=by)
    if done:
        record(verb="alert seen", subject=booking.run, person=booking.person, by=by, at=at)
    return bool(done)


@transaction.atomic
def mark_unseen(booking: Booking, *, by: Any, at: datetime | None = None) -> bool:
    """It was marked by mistake, and stands there again."""
    at = at or timezone.now()
    list(Run.objects.locked().filter(pk=booking.run_id))
    done = Booking.objects.filter(pk=booking.pk, seen_at__isnull=False).update(seen_at=None, seen_by=None)
    if done:
        record(verb="alert not seen", subject=booking.run, person=booking.person, by=by, at=at)
    return bool(done)

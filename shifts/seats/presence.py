"""The word of somebody booked, before the run, that they will be there: by a private link, in their calendar,
or to the coordinator by phone. Who is asked for it is decided in `cover/confirming.py`."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from shifts.models import Booking, Run
from shifts.seats import refusals
from sites.log import record
from volunteers import outbox
from volunteers.models import Person

LINK, CALENDAR, PHONE = "link", "calendar", "phone"  # how they said it


class NotOn(refusals.Refusal):
    code = "not on"

    def __init__(self) -> None:
        super().__init__(
            _("This seat is no longer booked."), _("Look at the run's page, or call the coordinator.")
        )


def key_of(booking: Booking) -> str:
    """The key of the mail, or of the line to say by phone, that asks for it. It holds the date: for another
    one they are asked anew."""
    return f"confirm:{booking.pk}:{booking.run.local_date}"


def impossible(booking: Booking, *, at: datetime) -> refusals.Refusal | None:
    """Why there is nothing to say any more; None while there is."""
    run = booking.run
    if run.is_cancelled:
        return refusals.Cancelled(run.cancel_reason)
    if not booking.is_live:
        return NotOn()
    if run.ends_at <= at:
        return refusals.Over(ended=True)
    return None


@transaction.atomic
def confirm(booking: Booking, *, how: str, by: Any, at: datetime | None = None) -> Booking:
    """They will be there. The same again changes nothing. Raises a Refusal."""
    at = at or timezone.now()
    booking = held(booking)
    refusal = impossible(booking, at=at)
    if refusal:
        raise refusal
    if booking.confirmed_at is None:
        write_down(booking, how=how, by=by, at=at)
    return booking


def write_down(booking: Booking, *, how: str, by: Any, at: datetime) -> None:
    """The caller holds the run and the person."""
    booking.confirmed_at = at
    booking.save(update_fields=["confirmed_at"])
    outbox.take_back(key_of(booking), at=at)
    record(verb="confirmed", subject=booking.run, person=booking.person, by=by, at=at, after={"how": how})


@transaction.atomic
def unconfirm(booking: Booking, *, by: Any, at: datetime | None = None) -> Booking:
    """They have not said so after all: it was written down by mistake. Never refused."""
    booking = held(booking)
    if booking.confirmed_at is not None:
        booking.confirmed_at = None
        booking.save(update_fields=["confirmed_at"])
        record(verb="not confirmed", subject=booking.run, person=booking.person, by=by, at=at)
    return booking


def held(booking: Booking) -> Booking:
    """The booking as it is now, its run and person locked in the usual order."""
    Run.objects.locked().get(pk=booking.run_id)
    Person.objects.locked().get(pk=booking.person_id)
    return Booking.objects.select_related("run", "person").get(pk=booking.pk)

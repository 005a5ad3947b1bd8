"""Shadow rides: the sign-off of a ride that took place."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from shifts.models import Booking, Run
from volunteers.models import Person, SignOff
from volunteers.progress import NotPossible, sign_off


def ride_of(run: Run) -> tuple[Booking, Booking] | None:
    """The lead driver's booking and the second seat's, where both were on the run; else None."""
    seated = {booking.seat: booking for booking in run.bookings.live().select_related("person")}
    driver, second = seated.get(Booking.Seat.DRIVER), seated.get(Booking.Seat.SECOND)
    if driver is None or second is None or not driver.person.is_lead:
        return None
    return driver, second


@transaction.atomic
def sign_off_ride(
    *,
    run: Run,
    lead: Person,
    outcome: str,
    by: Any,
    remarks: str = "",
    private_remarks: str = "",
    told_reason: str = "",
    at: datetime | None = None,
) -> SignOff:
    """The lead driver of this run records how the ride went, from its start on; once, unless taken back.

    `told_reason` is the coordinator's word on how they know, when they record it for the lead.
    Raises NotPossible with a sentence.
    """
    at = at or timezone.now()
    run = Run.objects.locked().get(pk=run.pk)
    ride = ride_of(run)
    if run.is_cancelled or ride is None or ride[0].person_id != lead.pk:
        raise NotPossible(_("There was no shadow ride with this lead driver on this run."))
    if run.starts_at > at:
        raise NotPossible(_("That ride is still to come."))
    second = ride[1]
    if second.sign_off and not second.sign_off.is_taken_back:
        raise NotPossible(_("This ride has been signed off already."))
    signed = sign_off(
        trainee=second.person,
        lead=lead,
        ridden_on=run.local_date,
        outcome=outcome,
        by=by,
        remarks=remarks,
        private_remarks=private_remarks,
        told_reason=told_reason,
        at=at,
    )
    second.sign_off = signed
    second.save(update_fields=["sign_off"])
    return signed

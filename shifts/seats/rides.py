"""Shadow rides: the sign-off of a ride that took place."""

from __future__ import annotations

from datetime import date, datetime
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
        sites=run.site_ids,
        at=at,
    )
    second.sign_off = signed
    second.save(update_fields=["sign_off"])
    return signed


@transaction.atomic
def sign_off_told(
    *, trainee: Person, lead: Person, ridden_on: date, told: str, by: Any, at: datetime | None = None
) -> SignOff:
    """ "Ready", as the lead driver told the coordinator: of the run of that day where it is known, else of a
    ride that stands in no run. Raises NotPossible with a sentence."""
    rides = Booking.objects.live().of(trainee).filter(seat=Booking.Seat.SECOND, sign_off=None)
    for booking in rides.filter(run__local_date=ridden_on, run__cancelled_at=None).select_related("run"):
        ride = ride_of(booking.run)
        if ride and ride[0].person_id == lead.pk:
            return sign_off_ride(
                run=booking.run,
                lead=lead,
                outcome=SignOff.Outcome.READY,
                told_reason=told,
                by=by,
                at=at,
            )
    return sign_off(
        trainee=trainee,
        lead=lead,
        ridden_on=ridden_on,
        outcome=SignOff.Outcome.READY,
        told_reason=told,
        by=by,
        at=at,
    )

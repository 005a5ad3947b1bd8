"""Shadow rides: the sign-off of a ride that took place, and taking one back."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from shifts.models import Booking, Run
from shifts.seats import notices
from sites.log import record
from volunteers.models import Person, SignOff
from volunteers.progress import NotPossible, sign_off, withdraw


def ride_of(run: Run) -> tuple[Booking, Booking] | None:
    """The lead driver's booking and the second seat's, where both were on the run; else None. Whoever was
    made a lead driver after that date led nobody."""
    live = run.bookings.live().select_related("person")
    driver, second = live.led().first(), live.filter(seat=Booking.Seat.SECOND).first()
    return (driver, second) if driver and second else None


@transaction.atomic
def sign_off_ride(
    *,
    run: Run,
    lead: Person,
    outcome: str,
    by: Any,
    remarks: str = "",
    private_remarks: str = "",
    checklist: Iterable[str] = (),
    told_reason: str = "",
    at: datetime | None = None,
) -> SignOff:
    """The lead driver of this run records how the ride went, from its start on; once, unless taken back.

    `checklist` are the points they ticked, in their words. `told_reason` is the coordinator's word on how
    they know, when they record it for the lead. Raises NotPossible with a sentence.
    """
    at = at or timezone.now()
    run = Run.objects.locked().get(pk=run.pk)
    ride = ride_of(run)
    if run.is_cancelled or ride is None or ride[0].person_id != lead.pk:
        raise NotPossible(_("There was no shadow ride with this lead driver on this run."))
    if run.starts_at > at:
        raise NotPossible(_("That ride is still to come."))
    second = ride[1]
    if second.sign_off and not second.is_unsigned:
        raise NotPossible(already(second.sign_off))
    signed = sign_off(
        trainee=second.person,
        lead=lead,
        ridden_on=run.local_date,
        outcome=outcome,
        by=by,
        remarks=remarks,
        private_remarks=private_remarks,
        checklist=checklist,
        told_reason=told_reason,
        sites=run.site_ids,
        at=at,
    )
    second.sign_off = signed
    second.save(update_fields=["sign_off"])
    notices.signed_off(signed, by=by, at=at)
    return signed


def already(signed: SignOff) -> str:
    """Who signed the ride off before, and what to do where that was wrong."""
    who = {"name": signed.lead.name, "outcome": signed.get_outcome_display()}
    said = (
        _("This ride was signed off already by the coordinator, as %(name)s told it: %(outcome)s.")
        if signed.told
        else _("This ride was signed off already by %(name)s: %(outcome)s.")
    )
    return f"{said % who} " + _("If that is wrong, the coordinator can take it back.")


@transaction.atomic
def take_back(signed: SignOff, *, reason: str, by: Any, at: datetime | None = None) -> list[Booking]:
    """A sign-off counts no longer, and the ride can be signed off again; the record itself stays.

    Returns the trainee's seats ahead, as a driver, that they are no longer ready for: they keep them,
    flagged. They and the other coordinators are told. Raises NotPossible with a sentence.
    """
    at = at or timezone.now()
    reason = reason.strip()[:200]
    if not reason:
        raise NotPossible(_("Say why, so that others can read it later."))
    list(Run.objects.locked().filter(bookings__sign_off=signed))
    trainee = Person.objects.locked().get(pk=signed.trainee_id)
    signed = SignOff.objects.select_related("completion", "lead", "trainee").get(pk=signed.pk)
    if signed.is_taken_back:
        raise NotPossible(_("This sign-off was taken back already."))
    before = {booking.pk for booking in not_ready_for(trainee, at)}
    if signed.completion:
        withdraw(signed.completion, reason=reason, by=by, at=at)
    signed.withdrawn_at, signed.withdrawn_by, signed.withdrawn_reason = at, by, reason
    signed.save(update_fields=["withdrawn_at", "withdrawn_by", "withdrawn_reason"])
    record(
        verb="sign-off taken back",
        subject=signed,
        person=trainee,
        by=by,
        at=at,
        after={"lead": signed.lead, "on": signed.ridden_on, "outcome": signed.outcome, "reason": reason},
    )
    lost = [booking for booking in not_ready_for(trainee, at) if booking.pk not in before]
    notices.sign_off_taken_back(signed, lost, by=by, at=at)
    return lost


def would_lose(signed: SignOff, *, at: datetime) -> list[Booking]:
    """What `take_back` would return: it is done and undone, so that the answer is no other."""
    with transaction.atomic():
        lost = take_back(signed, reason="A look.", by=None, at=at)
        transaction.set_rollback(True)
    return lost


def not_ready_for(person: Person, at: datetime) -> list[Booking]:
    """Their runs ahead, as the driver, that the gate would refuse now for what is missing; by start."""
    gone = Booking.objects.lacking().drivers().of(person).select_related("run", "person")
    return list(gone.filter(run__ends_at__gt=at, run__cancelled_at=None).order_by("run__starts_at"))


@transaction.atomic
def sign_off_told(
    *, trainee: Person, lead: Person, ridden_on: date, told: str, by: Any, at: datetime | None = None
) -> SignOff:
    """ "Ready", as the lead driver told the coordinator: of the run of that day where it is known, else of a
    ride that stands in no run. Raises NotPossible with a sentence."""
    at = at or timezone.now()
    rides = Booking.objects.live().of(trainee).filter(seat=Booking.Seat.SECOND).unsigned()
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
    signed = sign_off(
        trainee=trainee,
        lead=lead,
        ridden_on=ridden_on,
        outcome=SignOff.Outcome.READY,
        told_reason=told,
        by=by,
        at=at,
    )
    notices.signed_off(signed, by=by, at=at)
    return signed

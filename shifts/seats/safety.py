"""Adult or under 18, beside whom somebody under 18 rides, and whom to call in an emergency.

Consent is the coordinator's tick after they asked the guardian; the insurer's rules and local law on young
people at work and in cars come first. The gate's part of it is `refusals.who_may_not`.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from shifts.models import Booking
from shifts.schedule.clock import local_date
from sites.models import Programme
from volunteers.models import Person
from volunteers.people import change_person
from volunteers.progress import NotPossible


@transaction.atomic
def set_safety(
    person: Person,
    *,
    is_adult: bool,
    guardian: Person | None = None,
    consent: bool = False,
    emergency_name: str = "",
    emergency_phone: Any = "",
    by: Any,
    at: datetime | None = None,
) -> Person:
    """Saves it. Somebody who becomes under 18 here no longer counts as a driver; refused while they still
    have seats, a regular run or take trainees along. Consent is dated today, anew beside another guardian.
    Raises NotPossible with a sentence."""
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=person.pk)
    facts: dict[str, Any] = {"emergency_name": emergency_name, "emergency_phone": emergency_phone}
    if is_adult:
        facts |= {"is_adult": True, "guardian": None, "consent_on": None}
        return change_person(person, by=by, at=at, **facts)
    if person.is_adult:
        refuse_while_driving(person, at)
    check_guardian(person, guardian, consent=consent)
    today = local_date(at, Programme.current().zone)
    kept = person.consent_on if guardian and guardian.pk == person.guardian_id else None
    facts |= {
        "is_adult": False,
        "drives": False,
        "guardian": guardian,
        "consent_on": (kept or today) if consent else None,
    }
    return change_person(person, by=by, at=at, **facts)


def check_guardian(person: Person, guardian: Person | None, *, consent: bool) -> None:
    if guardian is None:
        if consent:
            raise NotPossible("Choose the guardian first: they ride only beside them.")
        return
    if guardian.pk == person.pk or not guardian.is_adult:
        raise NotPossible("A guardian is another person of the roster, and an adult.")


def refuse_while_driving(person: Person, at: datetime) -> None:
    """Nobody under 18 drives, leads or rides as a trainee: what they have of it ends first."""
    if person.lead_since:
        raise NotPossible(
            f"{person.name} is a lead driver. End that on their page first; nobody under 18 drives."
        )
    today = local_date(at, Programme.current().zone)
    regular = [standing.shift.name for standing in person.standings.going_on(today).select_related("shift")]
    if regular:
        raise NotPossible(
            f"{person.name} has a regular run: {', '.join(regular)}. "
            "End it on the page of the weekly run first; nobody under 18 drives."
        )
    ahead = Booking.objects.live().of(person).filter(run__ends_at__gt=at, run__cancelled_at=None)
    titles = ", ".join(booking.run.title for booking in ahead.select_related("run"))
    if titles:
        raise NotPossible(f"{person.name} is booked: {titles}. Take them out on the page of each run first.")

"""Not at this site: a person is not to be sent there, in either seat. Why is for coordinators alone."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from sites.log import record
from sites.models import Site
from volunteers.models import NotAt, Person


@transaction.atomic
def bar(person: Person, site: Site, *, reason: str = "", by: Any, at: datetime | None = None) -> NotAt:
    """From now on they are not sent there. Seats that they have there stay, and are flagged. A second call
    changes nothing."""
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=person.pk)  # a booking in progress sees it or comes first
    known = NotAt.objects.live().filter(person=person, site=site).first()
    if known:
        return known
    row = NotAt.objects.create(person=person, site=site, reason=reason.strip()[:200], at=at)
    record(
        verb="not at", subject=person, person=person, by=by, at=at, after={"site": site, "reason": row.reason}
    )
    return row


@transaction.atomic
def lift(row: NotAt, *, by: Any, at: datetime | None = None) -> None:
    """They may be sent there again; it stays readable. A second call changes nothing."""
    at = at or timezone.now()
    Person.objects.locked().get(pk=row.person_id)
    if NotAt.objects.live().filter(pk=row.pk).update(ended_at=at):
        person = row.person
        record(verb="not at ended", subject=person, person=person, by=by, at=at, before={"site": row.site})

"""What the coordinator wants of the plan: this person for a run, or not this person."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from shifts.models import PlanWish, Run
from sites.log import record
from volunteers.models import Person
from volunteers.progress import NotPossible

PIN, FORBID, NONE = str(PlanWish.Kind.PIN), str(PlanWish.Kind.FORBID), "none"


@transaction.atomic
def wish(*, run: Run, person: Person, kind: str, by: Any, at: datetime | None = None) -> dict[int, str]:
    """Wants this person for the run ("pin", in the place of anybody wanted before), not this person
    ("forbid"), or takes back either ("none"). Returns what was wanted before of those whom it changes: the
    kind, or "none", by the person's key. Raises NotPossible for a run that needs nobody."""
    at = at or timezone.now()
    if kind not in (PIN, FORBID, NONE):
        raise ValueError(f"A wish is pin, forbid or none, not {kind!r}.")
    run = Run.objects.locked().get(pk=run.pk)
    if run.is_cancelled or run.starts_at <= at or run.bookings.live().drivers().exists():
        raise NotPossible("This run needs no driver any more, so there is nothing to plan.")
    if kind != NONE and not Person.objects.drivers().filter(pk=person.pk).exists():
        raise NotPossible(f"{person.name} does not drive, pauses, or has left.")
    there = {one.person_id: one for one in run.wishes.all()}
    before = {person.pk: there[person.pk].kind if person.pk in there else NONE}
    if kind == PIN:
        before |= {key: PIN for key, one in there.items() if one.kind == PIN}
    run.wishes.filter(person__in=before).delete()
    if kind != NONE:
        PlanWish.objects.create(run=run, person=person, kind=kind, at=at, by=by)
    record(
        verb="plan wish", subject=run, person=person, by=by, at=at,
        before={"kind": before[person.pk]}, after={"kind": kind},
    )  # fmt: skip
    return before

"""Door notes as a step: whoever drives alone to a site has read its door notes."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.db import transaction

from sites.changes import write_door_notes
from sites.models import DoorNotes, Site
from volunteers.models import Completion, Person, Step, StepTerm
from volunteers.progress import complete, today


@transaction.atomic
def publish(
    site: Site,
    texts: dict[str, str],
    *,
    by: Any,
    must_read_again: bool = False,
    from_day: date | None = None,
    at: datetime | None = None,
) -> DoorNotes:
    """Writes door notes. The first ones make reading them a step of the site.

    A later revision is shown first on every sheet; it must be read again before driving only where
    the coordinator says so, from a date (today when None). Reading the newer satisfies the older.
    """
    day = from_day or today(at)
    notes = write_door_notes(site, texts, by=by, at=at)
    step, made = Step.objects.get_or_create(
        kind=Step.Kind.DOORS,
        site=site,
        defaults={"title": f"Door notes: {site.name}"[:80], "position": 90},
    )
    if made:
        StepTerm.objects.create(step=step, applies_from=day, revision=notes.revision)
    elif must_read_again:
        require_revision(step, notes.revision, day)
    return notes


def require_revision(step: Step, revision: int, day: date) -> None:
    """From the day on, the step counts only with this revision or a later one."""
    term = step.terms.get(applies_until=None)
    if term.revision >= revision:
        return
    if term.applies_from >= day:
        term.revision = revision
        term.save()
        return
    term.applies_until = day
    term.save()
    StepTerm.objects.create(
        step=step, applies_from=day, revision=revision, times=term.times, lasts_months=term.lasts_months
    )


def read(
    site: Site, *, person: Person, revision: int, by: Any, at: datetime | None = None
) -> Completion | None:
    """The person has read this revision; None when the site has no such step or they had read it."""
    step = Step.objects.filter(kind=Step.Kind.DOORS, site=site).first()
    if step is None or step.completions.standing().filter(person=person, revision__gte=revision).exists():
        return None
    return complete(person=person, step=step, by=by, revision=revision, at=at)

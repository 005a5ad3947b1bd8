"""Door notes as a step: whoever drives alone to a site has read its door notes."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import Max, Q
from django.utils.translation import gettext as _

from sites.changes import write_door_notes
from sites.models import DoorNotes, Site
from volunteers import clearance
from volunteers.models import Completion, Person, Step
from volunteers.progress import NotPossible, complete, today
from volunteers.steps import begin, require_revision

DROVE_THERE = "Drove there before the notes were written."


@transaction.atomic
def publish(
    site: Site,
    texts: dict[str, str],
    *,
    by: Any,
    must_read_again: bool = False,
    drivers_know_it: bool = False,
    from_day: date | None = None,
    at: datetime | None = None,
) -> DoorNotes:
    """Writes door notes. The first ones make reading them a step of the site; with `drivers_know_it`, those
    who are ready to drive there today count as having read them, so that nobody is locked out.

    A later revision is shown first on every sheet; it must be read again before driving only where
    the coordinator says so, from a date (today when None). Reading the newer satisfies the older.
    """
    day = from_day or today(at)
    notes = write_door_notes(site, texts, by=by, at=at)
    ready = clearance.cleared(Person.objects.drivers(), on=day, sites=[site.pk])
    here_already = list(ready.order_by("pk"))  # as they are locked below, one after the other
    step, made = Step.objects.get_or_create(
        kind=Step.Kind.DOORS,
        site=site,
        defaults={"title": title_of(site), "position": 90},
    )
    if made:
        begin(step, from_day=day, revision=notes.revision)
        for person in here_already if drivers_know_it else []:
            complete(person=person, step=step, by=by, on=day, reason=DROVE_THERE, at=at)
    elif must_read_again:
        require_revision(step, notes.revision, day, by=by, at=at)
    return notes


def follow_name(site: Site) -> None:
    """The step is called after the site."""
    site.steps.filter(kind=Step.Kind.DOORS).update(title=title_of(site))


def title_of(site: Site) -> str:
    return f"Door notes: {site.name}"[:80]


def newest_revisions(sites: Iterable[int]) -> dict[int, int]:
    """By the site's key; sites without door notes are left out. One query."""
    rows = DoorNotes.objects.filter(site__in=list(sites)).order_by("revision")
    return dict(rows.values_list("site", "revision"))


def revisions_read(people: Iterable[int], sites: Iterable[int], *, on: date) -> dict[tuple[int, int], int]:
    """By the keys of person and site, the newest revision that the person has read and that counts on the
    date. Whoever has read none is left out. One query."""
    done = Completion.objects.standing().filter(
        Q(valid_until=None) | Q(valid_until__gte=on),
        step__kind=Step.Kind.DOORS,
        step__site__in=list(sites),
        person__in=list(people),
    )
    newest = done.order_by().values_list("person", "step__site").annotate(Max("revision"))
    return {(person, site): revision for person, site, revision in newest}


def read(
    site: Site, *, person: Person, revision: int, by: Any, reason: str = "", at: datetime | None = None
) -> Completion | None:
    """The person has read this revision; None when the site has no such step or their reading still counts.

    `reason` says how a coordinator knows who records it for them.
    Raises NotPossible for a revision that was never written.
    """
    step = Step.objects.filter(kind=Step.Kind.DOORS, site=site).first()
    if step is None:
        return None
    if not site.notes.filter(revision=revision).exists():
        raise NotPossible(_("These door notes do not exist. Open the newest ones and read those."))
    known = step.completions.standing().filter(person=person, revision__gte=revision)
    if known.filter(Q(valid_until=None) | Q(valid_until__gte=today(at))).exists():
        return None
    return complete(person=person, step=step, by=by, revision=revision, reason=reason, at=at)

"""Writes to sites: each records who, when and what it was before."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from sites.log import changes, record
from sites.models import Closure, Contact, DoorNotes, Programme, Site


@transaction.atomic
def change_programme(*, by: Any, **facts: Any) -> Programme:
    programme = Programme.current()
    before, after = changes(programme, facts)
    if after:
        for name, value in after.items():
            setattr(programme, name, value)
        programme.save()
        record(verb="changed", subject=programme, by=by, before=before, after=after)
    return programme


@transaction.atomic
def add_site(*, by: Any, **facts: Any) -> Site:
    site = Site.objects.create(**facts)
    record(verb="added", subject=site, by=by, after=facts)
    return site


@transaction.atomic
def change_site(site: Site, *, by: Any, **facts: Any) -> Site:
    site = Site.objects.select_for_update(of=("self",), no_key=True).get(pk=site.pk)
    before, after = changes(site, facts)
    if after:
        for name, value in after.items():
            setattr(site, name, value)
        site.save()
        record(verb="changed", subject=site, by=by, before=before, after=after)
    return site


@transaction.atomic
def set_contacts(site: Site, contacts: list[dict[str, str]], *, by: Any) -> None:
    """Replaces the site's contacts by name, role and phone."""
    Site.objects.select_for_update(of=("self",), no_key=True).get(pk=site.pk)
    rows = [Contact(site=site, **contact) for contact in contacts]
    before, after = in_words(site.contacts.all()), in_words(rows)
    if before == after:
        return
    site.contacts.all().delete()
    Contact.objects.bulk_create(rows)
    record(
        verb="contacts changed", subject=site, by=by, before={"contacts": before}, after={"contacts": after}
    )


def in_words(contacts: Iterable[Contact]) -> list[str]:
    return [", ".join(filter(None, (c.name, c.role, str(c.phone)))) for c in contacts]


@transaction.atomic
def write_door_notes(site: Site, texts: dict[str, str], *, by: Any, at: datetime | None = None) -> DoorNotes:
    """A new revision of the site's door notes; the newest one again if nothing in it differs."""
    Site.objects.select_for_update(of=("self",), no_key=True).get(pk=site.pk)
    last = site.door_notes()
    if last and all(getattr(last, name) == texts.get(name, "") for name in DoorNotes.TEXTS):
        return last
    notes = DoorNotes.objects.create(
        site=site,
        revision=last.revision + 1 if last else 1,
        written_at=at or timezone.now(),
        written_by=by,
        **texts,
    )
    record(verb="door notes written", subject=site, by=by, after={"revision": notes.revision}, at=at)
    return notes


@transaction.atomic
def close_site(site: Site, *, first: date, last: date, reason: str = "", by: Any) -> Closure:
    closure = Closure.objects.create(site=site, first=first, last=last, reason=reason)
    record(verb="closed", subject=site, by=by, after={"first": first, "last": last, "reason": reason})
    return closure


@transaction.atomic
def lift_closure(closure: Closure, *, by: Any, at: datetime | None = None) -> None:
    """Ends a closure. Closed is computed from closures, so the runs are open again at once."""
    at = at or timezone.now()
    if Closure.objects.standing().filter(pk=closure.pk).update(lifted_at=at):
        record(
            verb="closure lifted",
            subject=closure.site,
            by=by,
            at=at,
            before={"first": closure.first, "last": closure.last},
        )

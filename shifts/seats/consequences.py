"""Changes to sites and people that reach runs and calendars: each of those concerned is told once."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _

from shifts.calendar import entries
from shifts.models import Booking, CalendarEntry, Run, Shift, ShiftTerm, Stop
from shifts.models.run import RunQuerySet
from shifts.schedule.clock import local_date
from shifts.seats import notices
from shifts.seats.booking import give_back, hold
from sites.changes import change_site as change_site_facts
from sites.models import DoorNotes, Programme, Site
from volunteers import doors, people
from volunteers.models import Person
from volunteers.people import change_person as change_person_facts


class InUse(Exception):
    """A site cannot end yet; the text says what still uses it."""


@transaction.atomic
def end_site(site: Site, *, by: Any, at: datetime | None = None) -> Site:
    """The site is offered no longer. Raises InUse while a weekly run or a run ahead stops there."""
    at = at or timezone.now()
    site = Site.objects.select_for_update(of=("self",), no_key=True).get(pk=site.pk)
    day = local_date(at, Programme.current().zone)
    users = list(weekly_runs_at(site, day))
    if users:
        names = ", ".join(shift.name for shift in users)
        raise InUse(f"These weekly runs stop there: {names}. Change or end them first.")
    ahead = runs_at(site, at).on_the_books().count()
    if ahead:
        some = "A run ahead still stops" if ahead == 1 else f"{ahead} runs ahead still stop"
        raise InUse(f"{some} there. Cancel them, or end this site when they are over.")
    return change_site_facts(site, by=by, ended_on=day)


def weekly_runs_at(site: Site, day: date) -> QuerySet[Shift]:
    """Weekly runs that stop at the site on the day or later, by the terms they have now."""
    terms = ShiftTerm.objects.filter(Q(applies_until=None) | Q(applies_until__gt=day), stops__site=site)
    return Shift.objects.filter(terms__in=terms).distinct()


# What calendars show beside the run itself


@transaction.atomic
def change_site(site: Site, *, by: Any, at: datetime | None = None, **facts: Any) -> Site:
    """Changes a site. A new name or address reaches the calendars of whoever is booked there."""
    at = at or timezone.now()
    hold(runs_at(site, at))
    site = Site.objects.get(pk=site.pk)
    before = (site.name, site.address, site.place)
    changed = change_site_facts(site, by=by, **facts)
    doors.follow_name(changed)
    if (changed.name, changed.address, changed.place) != before:
        for entry in entries_at(changed, at):
            entries.raise_sequence(entry, at=at)
            with notices.in_words_of(entry.person):
                what = site_differences(before, changed)
            notices.changed(entry.booking, entry, what=what, at=at)
    return changed


def site_differences(before: tuple[str, str, Any], site: Site) -> list[str]:
    """What changed of a site, in sentences, in the active language; `before` is its name, address, place."""
    old_name, old_address, _place = before
    lines = []
    if site.name != old_name:
        lines.append(_("%(old)s is now called %(site)s.") % {"old": old_name, "site": site.name})
    if site.address != old_address and site.address:
        lines.append(
            _("%(site)s: the address is now %(address)s.") % {"site": site.name, "address": site.address}
        )
    return lines or [_("%(site)s: its place on the map was corrected.") % {"site": site.name}]


@transaction.atomic
def publish_door_notes(
    site: Site,
    texts: dict[str, str],
    *,
    by: Any,
    must_read_again: bool = False,
    drivers_know_it: bool = False,
    from_day: date | None = None,
    at: datetime | None = None,
) -> DoorNotes:
    """New door notes: feeds show them at once, nobody booked loses a seat."""
    at = at or timezone.now()
    hold(runs_at(site, at))
    notes = doors.publish(
        site,
        texts,
        by=by,
        must_read_again=must_read_again,
        drivers_know_it=drivers_know_it,
        from_day=from_day,
        at=at,
    )
    entries.note_change(entries_at(site, at), at=at)
    return notes


def runs_at(site: Site, at: datetime) -> RunQuerySet:
    """The runs that are not over and stop at the site."""
    return Run.objects.not_over(at).filter(pk__in=Stop.objects.filter(site=site).values("run"))


def entries_at(site: Site, at: datetime) -> Sequence[CalendarEntry]:
    """The live entries of those runs, each booking with its run and person."""
    return list(
        CalendarEntry.objects.live()
        .filter(booking__ended_at=None, booking__run__in=runs_at(site, at).order_by())
        .select_related("person", "booking__run", "booking__person")
        .order_by("booking__run__starts_at", "pk")
    )


@transaction.atomic
def leave(person: Person, *, give_up: Sequence[Booking] = (), by: Any, at: datetime | None = None) -> Person:
    """The person leaves the programme today, and is taken out of these of their runs."""
    at = at or timezone.now()
    hold(Run.objects.filter(bookings__in=give_up))
    for booking in give_up:
        if booking.person_id == person.pk:
            give_back(booking, by=by, end=Booking.End.TAKEN_OUT, note=_("Left the programme."), at=at)
    return people.leave(person, by=by, on=local_date(at, Programme.current().zone))


@transaction.atomic
def change_person(person: Person, *, by: Any, at: datetime | None = None, **facts: Any) -> Person:
    """Changes a person. When their mail goes elsewhere from now on, so do their invitations: cancelled at
    the old address, sent anew to the new one, under a new UID."""
    at = at or timezone.now()
    person = change_person_facts(person, by=by, at=at, **facts)
    wanted = person.email if person.is_mailed else ""
    live = CalendarEntry.objects.live().filter(
        person=person, booking__ended_at=None, booking__run__cancelled_at=None, booking__run__starts_at__gt=at
    )
    for entry in live.exclude(address=wanted).select_related("person", "booking__run", "booking__person"):
        entries.raise_sequence(entry, at=at, cancel=True)
        if entry.address:
            notices.moved_away(entry, at=at)
        fresh = entries.open_entry(entry.booking, at=at)
        if fresh.address:
            notices.booked(entry.booking, fresh, on_behalf=False, at=at)
    return person

"""A person's calendar feed: their runs from 4 weeks back to as far as runs are made."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from django.conf import settings
from django.db.models import Prefetch
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import override
from icalendar import Event

from shifts.calendar.components import calendar, clean, event, newest_doors
from shifts.calendar.entries import uid_domain
from shifts.models import Booking, CalendarEntry, Stop
from shifts.schedule.clock import instant, local_date
from sites.models import Programme
from volunteers import links
from volunteers.models import Person

BACK = timedelta(weeks=4)


@dataclass(frozen=True)
class Feed:
    body: bytes
    etag: str  # strong, quoted
    changed_at: datetime  # whole seconds; it also moves when something left the feed


def path(person: Person) -> str:
    """The private path of a person's feed."""
    return reverse("feed", args=[links.token("feed", person, person.feed_nonce)])


def reader(token: str) -> Person | None:
    """Whose feed a token opens; None when it is wrong, revoked or theirs no longer."""
    pk = links.row_number(token)
    person = Person.objects.active().filter(pk=pk).first() if pk is not None else None
    if person is None or not links.is_valid(token, "feed", person, person.feed_nonce):
        return None
    return person


def feed(person: Person, *, at: datetime) -> Feed:
    """The feed as bytes. The same data gives the same bytes: no clock enters but by what is shown."""
    programme = Programme.current()
    first_day = local_date(at, programme.zone) - BACK
    begins = instant(first_day, time.min, programme.zone)
    entries = shown(person, begins)
    site_ids = {site for entry in entries for site in entry.booking.run.site_ids}
    doors = newest_doors(site_ids)
    with timezone.override(programme.zone), override(person.language):
        events = [event(entry, stamp=entry.changed_at, doors=doors) for entry in entries]
        result = calendar(*(events or [nothing_yet(person)]))
        name = _("Runs: %(name)s") % {"name": person.first_name}
    for prop, value in (("name", name), ("x-wr-calname", name), ("uid", f"feed-{person.pk}@{uid_domain()}")):
        result.add(prop, clean(value))
    result.add("refresh-interval", timedelta(hours=1), parameters={"VALUE": "DURATION"})
    result.add("x-published-ttl", "PT1H")
    result.add("source", settings.BASE_URL + path(person), parameters={"VALUE": "URI"})
    body = result.to_ical()
    digest = hashlib.sha256(body).hexdigest()[:32]
    return Feed(body=body, etag=f'"{digest}"', changed_at=changed_at(person, digest, at))


def shown(person: Person, begins: datetime) -> list[CalendarEntry]:
    """The entries a feed holds, by start; five queries however many there are."""
    bookings = Booking.objects.select_related("run")
    return list(
        CalendarEntry.objects.live()
        .filter(person=person, booking__ended_at=None, booking__run__starts_at__gte=begins)
        .filter(booking__run__cancelled_at=None)
        .select_related("person")
        .prefetch_related(
            Prefetch("booking", queryset=bookings),
            Prefetch("booking__run__stops", queryset=Stop.objects.select_related("site")),
            "booking__run__stops__site__contacts",
        )
        .order_by("booking__run__starts_at", "pk")
    )


def changed_at(person: Person, digest: str, at: datetime) -> datetime:
    """When the feed last changed, as far as anybody can have seen: whatever the reason, a version is
    new from the moment it is first asked for. Whole seconds, and never twice the same (RFC 9110 8.8.2).
    """
    if person.feed_digest == digest and person.feed_changed_at:
        return person.feed_changed_at
    moment = at.replace(microsecond=0)
    if person.feed_changed_at and moment <= person.feed_changed_at:
        moment = person.feed_changed_at + timedelta(seconds=1)
    Person.objects.filter(pk=person.pk).update(feed_digest=digest, feed_changed_at=moment)
    return moment


def person_since(person: Person) -> datetime:
    return instant(person.joined_on, time.min, Programme.current().zone)


def nothing_yet(person: Person) -> Event:
    """An empty calendar must hold a component (RFC 5545 3.6): a past, fixed, all-day note."""
    note = Event()
    note.add("uid", f"empty-{person.pk}@{uid_domain()}")
    note.add("dtstamp", person_since(person))
    note.add("dtstart", person.joined_on)
    note.add("summary", _("Your runs will show here"))
    note.add("transp", "TRANSPARENT")
    return note

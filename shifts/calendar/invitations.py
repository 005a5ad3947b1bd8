"""Invitations by mail (iTIP, RFC 5546): a REQUEST when booked or changed, a CANCEL when it ends.
A regular run travels whole: its master with every run that was moved."""

from __future__ import annotations

from datetime import datetime

from django.conf import settings
from icalendar import vCalAddress

from shifts.calendar.components import Doors, calendar, events
from shifts.models import CalendarEntry
from sites.models import Programme


def request(entry: CalendarEntry, *, doors: Doors, programme: Programme, at: datetime) -> bytes:
    """The REQUEST for an entry, as bytes with CRLF. `doors` holds the newest door notes by site."""
    return message(entry, "REQUEST", doors=doors, programme=programme, at=at)


def cancellation(entry: CalendarEntry, *, doors: Doors, programme: Programme, at: datetime) -> bytes:
    """The CANCEL for an entry whose SEQUENCE was raised for it. No alarm (RFC 5546 3.2.5)."""
    return message(entry, "CANCEL", doors=doors, programme=programme, at=at)


def message(entry: CalendarEntry, method: str, *, doors: Doors, programme: Programme, at: datetime) -> bytes:
    components = events(entry, stamp=at, doors=doors, alarm=method == "REQUEST")
    for component in components:
        component["organizer"] = vCalAddress.new(settings.DEFAULT_FROM_EMAIL, cn=programme.name)
        component["attendee"] = vCalAddress.new(
            entry.address,
            cn=entry.person.name,
            cutype="INDIVIDUAL",
            role="REQ-PARTICIPANT",
            partstat="NEEDS-ACTION",
            rsvp=True,
        )
    result = calendar(*components)
    result.add("method", method)
    return result.to_ical()

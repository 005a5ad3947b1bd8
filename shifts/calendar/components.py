"""THE calendar component: the one builder of an event, for invitations and for feeds."""

from __future__ import annotations

import unicodedata
from datetime import UTC, datetime, timedelta

from django.conf import settings
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import override
from icalendar import Alarm, Calendar, Event

from shifts.models import Booking, CalendarEntry, Run
from sites.models import DoorNotes

PRODID = "-//Second Seat//Runs//EN"
ALARM_BEFORE = timedelta(hours=1)

Doors = dict[int, DoorNotes]  # the newest door notes by site


def clean(text: str) -> str:
    """Text without control characters, which calendars choke on; line breaks and tabs stay."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    return "".join(c for c in text if c in "\n\t" or unicodedata.category(c) != "Cc")


def calendar(*components: Event) -> Calendar:
    result = Calendar()
    result.add("prodid", PRODID)
    result.add("version", "2.0")
    result.add("calscale", "GREGORIAN")
    for component in components:
        result.add_component(component)
    return result


def event(entry: CalendarEntry, *, stamp: datetime, doors: Doors, alarm: bool = True) -> Event:
    """An entry's event, in UTC, in its person's language.

    `stamp` is DTSTAMP: when this message was made, or in a feed when the entry last changed.
    `doors` holds the newest door notes by site. The caller's time zone is the programme's.
    """
    booking = entry.booking
    run = booking.run
    with override(entry.person.language):
        result = Event()
        result.add("uid", entry.uid)
        result.add("sequence", entry.sequence)
        result.add("dtstamp", stamp.astimezone(UTC).replace(microsecond=0))
        result.add("created", entry.made_at.astimezone(UTC).replace(microsecond=0))
        result.add("last-modified", entry.changed_at.astimezone(UTC).replace(microsecond=0))
        result.add("dtstart", run.starts_at.astimezone(UTC))
        result.add("dtend", run.ends_at.astimezone(UTC))
        result.add("summary", clean(summary(booking)))
        result.add("status", "CANCELLED" if entry.cancelled_at else "CONFIRMED")
        first = run.ordered_stops[0].site if run.ordered_stops else None
        if first:
            result.add("location", clean(", ".join(part for part in (first.name, first.address) if part)))
            if first.place:
                result.add("geo", first.place)
        result.add("description", clean(description(run, doors)))
        result.add("url", settings.BASE_URL + reverse("run", args=[run.pk]))
        if alarm:
            result.add_component(reminder(summary(booking)))
    return result


def reminder(text: str) -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("trigger", -ALARM_BEFORE)
    alarm.add("description", clean(text))
    return alarm


def summary(booking: Booking) -> str:
    if booking.seat == Booking.Seat.DRIVER:
        return _("Drive: %(run)s") % {"run": booking.run.title}
    return _("Ride along: %(run)s") % {"run": booking.run.title}


def description(run: Run, doors: Doors) -> str:
    """Stops in order with their times, whom to call, door notes, and the link to the run."""
    lines = []
    if run.note:
        lines += [run.note, ""]
    for stop in run.ordered_stops:
        when = date_format(timezone.localtime(run.arrives_at(stop)), "TIME_FORMAT")
        lines.append(f"{when} {stop.site.name}" + (f", {stop.site.address}" if stop.site.address else ""))
        for contact in stop.site.contacts.all():
            lines.append(
                "  " + " ".join(part for part in (contact.name, contact.role, str(contact.phone)) if part)
            )
        notes = doors.get(stop.site_id)
        for heading, text in notes.paragraphs() if notes else []:
            lines.append(f"  {heading}: {text}")
    lines += ["", settings.BASE_URL + reverse("run", args=[run.pk])]
    return "\n".join(lines)


def newest_doors(site_ids: set[int]) -> Doors:
    """The newest door notes of each site, in one query."""
    newest: Doors = {}
    for notes in DoorNotes.objects.filter(site__in=site_ids).order_by("site", "-revision"):
        newest.setdefault(notes.site_id, notes)
    return newest

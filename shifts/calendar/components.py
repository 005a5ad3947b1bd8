"""THE calendar component: the one builder of events, for invitations and for feeds."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from django.conf import settings
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import time_format
from django.utils.translation import get_language, override
from django.utils.translation import gettext as _
from icalendar import Alarm, Calendar, Event, vRecur

from shifts.calendar.series import Series, root_of, series_of
from shifts.calendar.zones import vtimezone
from shifts.models import Booking, CalendarEntry, Run
from sites.models import DoorNotes, Site

PRODID = "-//Second Seat//Runs//EN"
ALARM_BEFORE = timedelta(hours=1)

CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")  # Unicode's category Cc, but for tab and line feed

Doors = dict[int, DoorNotes]  # the newest door notes by site


def clean(text: str) -> str:
    """Text without control characters, which calendars choke on; line breaks and tabs stay."""
    return CONTROL.sub("", text.replace("\r\n", "\n").replace("\r", "\n"))


def calendar(*components: Event) -> Calendar:
    result = Calendar()
    result.add("prodid", PRODID)
    result.add("version", "2.0")
    result.add("calscale", "GREGORIAN")
    zoned = [start for event in components if isinstance((start := event.start), datetime)]
    zoned = [start for start in zoned if isinstance(start.tzinfo, ZoneInfo)]
    if zoned:  # the times are in the programme's zone, so its VTIMEZONE travels along
        first = min(zoned)
        result.add_component(vtimezone(ZoneInfo(str(first.tzinfo)), since=first.date()))
    for component in components:
        result.add_component(component)
    return result


def events(entry: CalendarEntry, *, stamp: datetime, doors: Doors, alarm: bool = True) -> list[Event]:
    """An entry's events in its person's language: one for a booking, in UTC; for a regular run its master
    and every run that was moved, in the programme's zone. Empty for a regular run without any date.

    `stamp` is DTSTAMP: when this message was made, or in a feed when the entry last changed. `doors` holds
    the newest door notes by site. The caller's time zone is the programme's. The standing of an entry comes
    from `series.for_calendars`.
    """
    with override(entry.person.language):
        if entry.booking:
            run = entry.booking.run
            moments = {"dtstart": run.starts_at.astimezone(UTC), "dtend": run.ends_at.astimezone(UTC)}
            words = summary(run.title, drives=entry.booking.seat == Booking.Seat.DRIVER)
            return [of_run(entry, run, words, moments, stamp=stamp, doors=doors, alarm=alarm)]
        assert entry.standing is not None
        zone = timezone.get_current_timezone()
        series = series_of(entry.standing, zone)
        if entry.cancelled_at:
            series = root_of(entry.standing, zone)
        return of_series(entry, series, stamp=stamp, doors=doors, alarm=alarm) if series else []


def of_series(
    entry: CalendarEntry, series: Series, *, stamp: datetime, doors: Doors, alarm: bool
) -> list[Event]:
    """The master with its rule, then the runs that were moved: always together in one object."""
    shift, start = series.standing.shift, series.starts_on(series.first)
    words = summary(shift.name, drives=True)
    stops = [(start + timedelta(minutes=stop.after_minutes), stop.site) for stop in series.term.stops.all()]
    link = settings.BASE_URL + reverse("regular", args=[series.standing.pk])
    master = bare(entry, words, stamp=stamp, alarm=alarm)
    master.add("dtstart", series.wall(series.first))
    master.add("dtend", (start + series.length).astimezone(series.zone))
    master.add("rrule", vRecur.from_ical(series.rule))
    if series.left_out:
        master.add("exdate", [series.wall(day) for day in series.left_out])
    place(master, stops, note="", doors=doors, link=link)
    moved = []
    for booking in series.overridden:
        run = booking.run
        assert run.slot_date is not None
        moments = {
            "recurrence-id": series.wall(run.slot_date),
            "dtstart": on_the_wall(run.starts_at, series.zone),
            "dtend": on_the_wall(run.ends_at, series.zone),
        }
        moved.append(of_run(entry, run, words, moments, stamp=stamp, doors=doors, alarm=alarm))
    return [master, *moved]


def on_the_wall(moment: datetime, zone: ZoneInfo) -> datetime:
    """The moment in the zone; in UTC where its time on the wall comes twice and means the second."""
    local = moment.astimezone(zone)
    return moment.astimezone(UTC) if local.fold else local


def of_run(
    entry: CalendarEntry,
    run: Run,
    words: str,
    moments: dict[str, datetime],
    *,
    stamp: datetime,
    doors: Doors,
    alarm: bool,
) -> Event:
    result = bare(entry, words, stamp=stamp, alarm=alarm)
    for name, moment in moments.items():
        result.add(name, moment)
    stops = [(run.arrives_at(stop), stop.site) for stop in run.ordered_stops]
    link = settings.BASE_URL + reverse("run", args=[run.pk])
    place(result, stops, note=run.note, doors=doors, link=link)
    return result


def bare(entry: CalendarEntry, words: str, *, stamp: datetime, alarm: bool) -> Event:
    """An event with its identity, version and name."""
    result = Event()
    result.add("uid", entry.uid)
    result.add("sequence", entry.sequence)
    result.add("dtstamp", stamp.astimezone(UTC).replace(microsecond=0))
    result.add("created", entry.made_at.astimezone(UTC).replace(microsecond=0))
    result.add("last-modified", entry.changed_at.astimezone(UTC).replace(microsecond=0))
    result.add("summary", clean(words))
    result.add("status", "CANCELLED" if entry.cancelled_at else "CONFIRMED")
    if alarm:
        result.add_component(reminder(words))
    return result


Stops = Sequence[tuple[datetime, Site]]  # when one is there, and where; in order


def place(event: Event, stops: Stops, *, note: str, doors: Doors, link: str) -> None:
    """Where it begins, and what there is to know."""
    if stops:
        event.add("location", clean(location(stops[0][1])))
        if stops[0][1].place:
            event.add("geo", stops[0][1].place)
    event.add("description", clean(description(stops, note=note, doors=doors, link=link)))
    event.add("url", link)


def location(site: Site) -> str:
    return ", ".join(part for part in (site.name, site.address) if part)


def reminder(text: str) -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("trigger", -ALARM_BEFORE)
    alarm.add("description", clean(text))
    return alarm


def summary(title: str, *, drives: bool) -> str:
    return (_("Drive: %(run)s") if drives else _("Ride along: %(run)s")) % {"run": title}


@lru_cache(maxsize=5000)
def clock_time(at: time, language: str | None) -> str:
    """A time of day in the active language. Kept: a feed asks for the same few hundreds of times."""
    return time_format(at)


def description(stops: Stops, *, note: str, doors: Doors, link: str) -> str:
    """Stops in order with their times, whom to call, door notes, and the link to the run."""
    lines = [note, ""] if note else []
    for moment, site in stops:
        when = clock_time(timezone.localtime(moment).time(), get_language())
        lines.append(f"{when} {site.name}" + (f", {site.address}" if site.address else ""))
        for contact in site.contacts.all():
            lines.append(
                "  " + " ".join(part for part in (contact.name, contact.role, str(contact.phone)) if part)
            )
        notes = doors.get(site.pk)
        for heading, text in notes.paragraphs() if notes else []:
            lines.append(f"  {heading}: {text}")
    return "\n".join([*lines, "", link])


def newest_doors(site_ids: set[int]) -> Doors:
    """The newest door notes of each site, in one query."""
    newest: Doors = {}
    for notes in DoorNotes.objects.filter(site__in=site_ids).order_by("site", "-revision"):
        newest.setdefault(notes.site_id, notes)
    return newest

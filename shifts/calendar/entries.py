"""Calendar entries: who was told of which event, and in which version. One function makes them follow."""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet, Value
from django.db.models.functions import Greatest

from shifts.calendar.series import Series, for_calendars, series_of
from shifts.models import Booking, CalendarEntry, Run, Standing, Stop
from shifts.models.standing import StandingQuerySet
from shifts.schedule.clock import local_date
from sites.models import Programme
from volunteers.models import Person


def uid_domain() -> str:
    return settings.DEFAULT_FROM_EMAIL.partition("@")[2]


@dataclass(frozen=True)
class Touched:
    """An entry that its owner's calendar must be told of. `method` is REQUEST or CANCEL (RFC 5546)."""

    entry: CalendarEntry
    method: str
    is_new: bool = False


# --- single steps; the caller holds the person's lock and read the entry under it


def open_entry(subject: Booking | Series, *, at: datetime) -> CalendarEntry:
    """The entry of a new booking or regular run. Its UID is random and says nothing of the person."""
    booking = subject if isinstance(subject, Booking) else None
    standing = None if isinstance(subject, Booking) else subject.standing
    person = subject.person if isinstance(subject, Booking) else subject.standing.person
    feed_changed([person.pk])
    return CalendarEntry.objects.create(
        uid=f"{secrets.token_hex(16)}@{uid_domain()}",
        person=person,
        booking=booking,
        standing=standing,
        address=address_of(person),
        told=told(subject),
        made_at=at,
        changed_at=at,
    )


def address_of(person: Person) -> str:
    """Where invitations go; "" where none are mailed."""
    return person.email if person.is_invited else ""


def raise_sequence(
    entry: CalendarEntry, *, at: datetime, cancel: bool = False, facts: str | None = None
) -> CalendarEntry:
    """THE function that raises SEQUENCE: time, place, rule or status changed (RFC 5546 2.1.4). `facts` is
    what is told from now on (`told`); None where it stays."""
    entry.sequence += 1
    entry.changed_at = max(at, entry.changed_at)
    if cancel:
        entry.cancelled_at = at
    if facts is not None:
        entry.told = facts
    entry.save(update_fields=["sequence", "changed_at", "cancelled_at", "told"])
    feed_changed([entry.person_id])
    return entry


def note_change(entries: Iterable[CalendarEntry], *, at: datetime) -> int:
    """Words changed, not time or place: the feed shows them, SEQUENCE stays (RFC 5546 2.1.4)."""
    entries = list(entries)
    feed_changed(entry.person_id for entry in entries)
    rows = CalendarEntry.objects.filter(pk__in=[entry.pk for entry in entries])
    return rows.update(changed_at=Greatest("changed_at", Value(at)))


def of_runs(runs: QuerySet[Run]) -> list[CalendarEntry]:
    """The live entries that show these runs: of a booking, or of the regular run it belongs to."""
    live = Booking.objects.live().filter(run__in=runs.order_by().values("pk"))
    return list(
        CalendarEntry.objects.live().filter(
            Q(booking__in=live.values("pk")) | Q(standing__in=live.exclude(standing=None).values("standing"))
        )
    )


def feed_changed(people: Iterable[int]) -> None:
    """What these people's feeds show may have changed: the next poll builds them anew."""
    Person.objects.filter(pk__in=set(people)).update(feed_good_until=None)


# --- what SEQUENCE stands for


def told(subject: Booking | Series) -> str:
    """A digest of what a calendar must be told with a new SEQUENCE: time, place, rule, dates left out."""
    facts = booking_facts(subject.run) if isinstance(subject, Booking) else series_facts(subject)
    return hashlib.sha256(json.dumps(facts, default=str).encode()).hexdigest()


def booking_facts(run: Run) -> list[Any]:
    """Instants as whole seconds: a row just made and the same row read again must give the same."""
    return [int(run.starts_at.timestamp()), int(run.ends_at.timestamp()), *place_facts(run.ordered_stops)]


def series_facts(series: Series) -> list[Any]:
    moved = [booking.run for booking in series.shown if series.is_moved(booking.run)]
    return [
        series.zone.key,
        series.wall(series.first).isoformat(),
        series.term.minutes,
        series.rule,
        [day.isoformat() for day in series.left_out],
        [[run.slot_date, *booking_facts(run)] for run in moved],
        *place_facts(list(series.term.stops.all())),
    ]


def place_facts(stops: list[Any]) -> list[Any]:
    """A drop-off elsewhere is another place, too: all stops count, with their minutes after the start."""
    return [[stop.site.name, stop.site.address, stop.site.place, stop.after_minutes] for stop in stops]


# --- following


def follow(person: Person, *, at: datetime) -> list[Touched]:
    """THE function that makes a person's entries follow their bookings: what is booked and takes place has
    an entry, what has changed a new version, what is not theirs any more none. Safe to repeat: without a
    change it touches nothing. Runs that are over stay as they are. The caller holds the person's lock.
    """
    zone = Programme.current().zone
    today = local_date(at, zone)
    to_come = Booking.objects.live().filter(standing=OuterRef("pk"), run__ends_at__gt=at)  # moved beyond it
    standings = for_calendars(
        person.standings.filter(Q(until_day=None) | Q(until_day__gte=today) | Exists(to_come))
    )
    looked_at = {standing.pk: standing for standing in standings}
    series = {pk: found for pk, standing in looked_at.items() if (found := series_of(standing, zone))}
    in_series = {booking.pk for one in series.values() for booking in one.shown}
    wanted: dict[tuple[int | None, int | None], Booking | Series] = {
        (booking.pk, None): booking for booking in taking_place(person, at) if booking.pk not in in_series
    }
    wanted |= {(None, pk): one for pk, one in series.items()}
    live = (
        CalendarEntry.objects.live()
        .filter(person=person)
        .filter(
            Q(standing__in=looked_at)
            | Q(booking__isnull=False)
            & (Q(booking__run__ends_at__gt=at) | Q(booking__ended_at__isnull=False))
        )
        .select_related("booking__run")
        .order_by("pk")
    )
    touched = []
    for entry in live:
        entry.person = person
        subject = wanted.get(key_of(entry))
        attach(entry, subject, looked_at)
        if subject is None or entry.address != address_of(person):
            touched.append(Touched(raise_sequence(entry, at=at, cancel=True), "CANCEL"))
            continue
        del wanted[key_of(entry)]
        facts = told(subject)
        if not entry.told:  # an entry from before this was kept
            CalendarEntry.objects.filter(pk=entry.pk).update(told=facts)
        elif entry.told != facts:
            touched.append(Touched(raise_sequence(entry, at=at, facts=facts), "REQUEST"))
    for subject in wanted.values():
        entry = open_entry(subject, at=at)
        attach(entry, subject, looked_at)
        touched.append(Touched(entry, "REQUEST", is_new=True))
    return touched


def behind(standings: StandingQuerySet) -> set[int]:
    """The keys of those regular runs whose entry was told something else than it should show by now, as
    after a run was made that is not theirs yet. A number of queries that does not grow with them."""
    zone = Programme.current().zone
    known = dict(
        CalendarEntry.objects.live()
        .filter(standing__in=standings.values("pk"))
        .values_list("standing", "told")
    )
    series = {standing.pk: series_of(standing, zone) for standing in for_calendars(standings)}
    return {pk for pk, one in series.items() if (told(one) if one else None) != known.get(pk)}


def key_of(entry: CalendarEntry) -> tuple[int | None, int | None]:
    return entry.booking_id, entry.standing_id


def attach(entry: CalendarEntry, subject: Booking | Series | None, standings: dict[int, Standing]) -> None:
    """Gives the entry the rows that were read, so that its event is built without reading them again."""
    if isinstance(subject, Booking):
        entry.booking = subject
    elif entry.standing_id in standings:
        entry.standing = standings[entry.standing_id]


def taking_place(person: Person, at: datetime) -> list[Booking]:
    """The person's bookings of runs that are not over, not cancelled, and whose sites are open that day."""
    stops = Stop.objects.select_related("site").prefetch_related("site__contacts")
    runs = Run.objects.with_closed().prefetch_related(Prefetch("stops", queryset=stops))
    mine = (
        Booking.objects.live()
        .filter(person=person, run__cancelled_at=None, run__ends_at__gt=at)
        .prefetch_related(Prefetch("run", queryset=runs))
        .order_by("run__starts_at", "pk")
    )
    found = []
    for booking in mine:
        booking.person = person
        if not booking.run.closed:
            found.append(booking)
    return found

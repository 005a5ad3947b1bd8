"""A person's calendar feed: their runs from 4 weeks back to as far as runs are made."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from hashlib import sha256
from importlib.metadata import version
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import override
from icalendar import Alarm, Component, Event
from icalendar.parser import Contentline
from icalendar.parser_tools import to_unicode

from shifts.calendar.components import calendar, clean, events, newest_doors, reminder
from shifts.calendar.entries import uid_domain
from shifts.calendar.series import for_calendars
from shifts.models import Booking, CalendarEntry, Run, Standing, Stop
from shifts.schedule.clock import instant, local_date
from sites.models import Programme, Site
from volunteers import links
from volunteers.models import Person

BACK = timedelta(weeks=4)
NEVER = datetime(9999, 1, 1, tzinfo=UTC)  # no entry will leave by the clock
NOTED = timedelta(hours=1)  # a fetch is noted so often at most, so that a poll is a read and no write

# Raise it whenever the same rows would give other bytes than before: what was remembered of every feed is
# then of no account, and each is built anew. A test holds a feed of this form, byte by byte.
FORM = 1
WRITTEN_BY = [f"{name} {version(name)}" for name in ("Django", "icalendar", "tzdata")]


@dataclass(frozen=True)
class Validators:
    """What a calendar program sends back to ask whether anything is new (RFC 9110 8.8)."""

    etag: str  # strong, quoted
    changed_at: datetime | None  # whole seconds; None where this version could not be remembered


@dataclass(frozen=True)
class Feed:
    body: bytes
    validators: Validators


def path(person: Person) -> str:
    """The private path of a person's feed."""
    return reverse("feed", args=[links.token("feed", person, person.feed_nonce)])


# All that a poll needs of its person's row: most end with this one read, so it is a small one.
READ = (
    "left_on", "feed_nonce", "feed_digest", "feed_changed_at", "feed_good_until", "feed_fetched_at",
)  # fmt: skip


def reader(token: str) -> Person | None:
    """Whose feed a token opens; None when it is wrong, revoked or theirs no longer. One read by key, of
    the fields of READ."""
    pk = links.row_number(token)
    if pk is None:
        return None
    try:
        person = Person.objects.only(*READ).get(pk=pk)
    except Person.DoesNotExist:
        return None
    theirs = person.left_on is None and links.is_valid(token, "feed", person, person.feed_nonce)
    return person if theirs else None


# --- asked again: nothing new?


def known(person: Person, *, at: datetime) -> Validators | None:
    """The validators of the feed as it is now, from the person's row alone; None when it must be built to
    know: something may have changed, an entry has left by the clock, or this code writes another form."""
    good = person.feed_good_until is not None and at < person.feed_good_until
    if not good or not person.feed_digest.startswith(form()):
        return None
    return Validators(quoted(person.feed_digest), person.feed_changed_at)


def form() -> str:
    """Eight characters for whatever shapes a feed beside the rows: code, libraries, our two addresses."""
    return sha256(f"{FORM}|{WRITTEN_BY}|{settings.BASE_URL}|{uid_domain()}".encode()).hexdigest()[:8]


def digest_of(body: bytes) -> str:
    """What is remembered of a feed: its form, then 96 bits of its bytes."""
    return form() + sha256(body).hexdigest()[:24]


def quoted(digest: str) -> str:
    """The ETag of a digest: of the bytes alone, so that the same feed in a new form is not fetched again."""
    return f'"{digest[8:]}"'


def note_fetch(person: Person, *, at: datetime) -> None:
    """Keeps when a calendar program last asked, to the hour."""
    if person.feed_fetched_at is None or at - person.feed_fetched_at >= NOTED:
        Person.objects.filter(pk=person.pk).update(feed_fetched_at=at)


# --- the feed


def feed(person: Person, *, at: datetime) -> Feed:
    """The feed as bytes. The same data gives the same bytes: no clock enters but by what is shown.

    Nothing is written when its version is already known from the person's row.
    """
    person = Person.objects.get(pk=person.pk)
    validators = known(person, at=at)
    if validators:
        body, _good_until = build(person, at=at)
        if quoted(digest_of(body)) == validators.etag:
            return Feed(body, validators)
    mark = begin(person)
    body, good_until = build(person, at=at)
    return Feed(body, remember(person, digest_of(body), good_until, mark=mark, at=at))


def build(person: Person, *, at: datetime) -> tuple[bytes, datetime]:
    """The bytes, and the moment from which the clock alone makes them others."""
    zone = Programme.current().zone
    entries = shown(person, local_date(at, zone) - BACK, zone)
    doors = newest_doors({site for entry in entries for site in sites_of(entry)})
    alarms: dict[str, Alarm] = {}
    with timezone.override(zone), override(person.language):
        found = []
        for entry in entries:
            found += events(entry, stamp=entry.changed_at, doors=doors, alarm=False)
        for event in found:
            words = str(event["summary"])
            alarms[words] = alarms.get(words) or reminder(words)
            event.add_component(alarms[words])
        result = calendar(*(found or [nothing_yet(person, zone)]))
        name = _("Runs: %(name)s") % {"name": person.first_name}
    for prop, value in (("name", name), ("x-wr-calname", name), ("uid", f"feed-{person.pk}@{uid_domain()}")):
        result.add(prop, clean(value))
    result.add("refresh-interval", timedelta(hours=1), parameters={"VALUE": "DURATION"})
    result.add("x-published-ttl", "PT1H")
    result.add("source", settings.BASE_URL + path(person), parameters={"VALUE": "URI"})
    return written(result, {}), min((leaves_at(entry, zone) for entry in entries), default=NEVER)


# --- what is remembered of it, in the person's row


def begin(person: Person) -> datetime:
    """Marks the feed as being built, before its rows are read, the person's too, and returns the mark.

    Whoever changes what a feed shows sets `feed_good_until` to None in the transaction of the change. That
    wipes out the mark, so `remember` knows that its bytes may be old already. Two builds at once have
    different marks, and the later one wins. A mark is a moment long past: to a poll it means "not good".
    """
    mark = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=secrets.randbelow(10**15))
    Person.objects.filter(pk=person.pk).update(feed_good_until=mark)
    person.refresh_from_db()
    return mark


def remember(
    person: Person, digest: str, good_until: datetime, *, mark: datetime, at: datetime
) -> Validators:
    """Keeps the version just built, unless its mark is gone; then its date is not given out either, since
    the next version could get the same one."""
    moment = person.feed_changed_at
    if moment is None or quoted(person.feed_digest) != quoted(digest):
        moment = next_moment(moment, at)
    kept = Person.objects.filter(pk=person.pk, feed_good_until=mark).update(
        feed_digest=digest, feed_changed_at=moment, feed_good_until=good_until
    )
    return Validators(quoted(digest), moment if kept else None)


def next_moment(last: datetime | None, at: datetime) -> datetime:
    """When a new version changed, as far as anybody can have seen: whatever the reason, it is new from the
    moment it is first asked for. Whole seconds, and never twice the same (RFC 9110 8.8.2)."""
    moment = at.replace(microsecond=0)
    return max(moment, last + timedelta(seconds=1)) if last else moment


# --- what it holds


# What an event says of a booking and its run. Fewer columns halve the reading of a long feed; a new one
# that is missing here costs a query a run, which the tests count.
SHOWN = (
    "uid", "sequence", "made_at", "changed_at", "cancelled_at", "person", "standing", "booking__seat",
    "booking__run__title", "booking__run__starts_at", "booking__run__ends_at", "booking__run__note",
)  # fmt: skip


def shown(person: Person, first: date, zone: ZoneInfo) -> list[CalendarEntry]:
    """The entries of a feed that begins with the day; a number of queries that does not grow with them."""
    begins = instant(first, time.min, zone)
    on = Q(ended_at=None, run__cancelled_at=None, run__starts_at__gte=begins)
    regular = Standing.objects.filter(
        Q(until_day=None)
        | Q(until_day__gt=first)
        | Exists(Booking.objects.filter(on, standing=OuterRef("pk")))
    )
    live = CalendarEntry.objects.live().filter(person=person).select_related("booking__run").only(*SHOWN)
    found = list(
        live.filter(
            Q(
                booking__isnull=False,
                booking__ended_at=None,
                booking__run__cancelled_at=None,
                booking__run__starts_at__gte=begins,
            )
            | Q(standing__in=regular)
        )
        .prefetch_related(Prefetch("standing", for_calendars(Standing.objects.all())))
        .order_by("pk")
    )
    for entry in found:
        entry.person = person
    fetch_stops([entry.booking.run for entry in found if entry.booking])
    return found


def who_sees(site: Site, *, at: datetime) -> QuerySet[Booking, int]:
    """Whose feeds may show a run of theirs at a site: also one that is over and not four weeks ago yet."""
    since = at - BACK - timedelta(days=1)  # a feed begins with a whole day
    live = Booking.objects.live().filter(run__stops__site=site, run__starts_at__gte=since)
    return live.values_list("person_id", flat=True)


def fetch_stops(runs: list[Run]) -> None:
    """Gives runs their stops with sites and contacts, in three queries: cheaper for hundreds of runs than a
    prefetch, which makes a query set for each of them."""
    stops: dict[int, list[Stop]] = {run.pk: [] for run in runs}
    for stop in Stop.objects.filter(run__in=list(stops)).prefetch_related("site__contacts"):
        stops[stop.run_id].append(stop)
    for run in runs:
        run.ordered_stops = stops[run.pk]


def sites_of(entry: CalendarEntry) -> set[int]:
    if entry.booking:
        return set(entry.booking.run.site_ids)
    standing: Any = entry.standing  # from `for_calendars`
    terms = {stop.site_id for term in standing.shift.terms.all() for stop in term.stops.all()}
    return terms.union(*(booking.run.site_ids for booking in standing.driven))


def written(component: Component, known: dict[Any, bytes]) -> bytes:
    """The same bytes as the component's own `to_ical`. Writing is what takes time in a long feed, and most
    of its lines stand in every run alike: each different line, and each part that is shared, is folded once.
    `known` is empty at first.
    """
    lines = [folded(name, value, known) for name, value in component.property_items(recursive=False)]
    for part in component.subcomponents:
        if id(part) not in known:
            known[id(part)] = written(part, known)
        lines.insert(-1, known[id(part)])
    return b"".join(lines)


def folded(name: str, value: Any, known: dict[Any, bytes]) -> bytes:
    """A content line (RFC 5545 3.1) of a property; of BEGIN and END, whose value is bytes already."""
    text = value if isinstance(value, bytes) else value.to_ical()
    parameters = getattr(value, "params", None)
    line = name, text, parameters.to_ical() if parameters else b""
    if line not in known:
        head = f"{name};{to_unicode(line[2])}" if line[2] else name
        known[line] = Contentline(f"{head}:{to_unicode(text)}").to_ical() + b"\r\n"
    return known[line]


def leaves_at(entry: CalendarEntry, zone: ZoneInfo) -> datetime:
    """When an entry leaves the feed by the clock: at the midnight that puts its last day out of view."""
    standing: Any = entry.standing
    if entry.booking:
        last = local_date(entry.booking.run.starts_at, zone)
    elif standing.until_day is None:
        return NEVER
    else:
        driven = [local_date(booking.run.starts_at, zone) for booking in standing.driven]
        last = max([standing.until_day - timedelta(days=1), *driven])
    return instant(last + BACK + timedelta(days=1), time.min, zone)


def nothing_yet(person: Person, zone: ZoneInfo) -> Event:
    """An empty calendar must hold a component (RFC 5545 3.6): a past, fixed, all-day note."""
    note = Event()
    note.add("uid", f"empty-{person.pk}@{uid_domain()}")
    note.add("dtstamp", instant(person.joined_on, time.min, zone))
    note.add("dtstart", person.joined_on)
    note.add("summary", _("Your runs will show here"))
    note.add("transp", "TRANSPARENT")
    return note

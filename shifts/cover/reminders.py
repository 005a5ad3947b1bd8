"""What people are reminded of, each once. On the eve of a run, one mail for the evening; to whoever comes
every week, one mail in seven days with all their runs, unless something of a run is new. And before that, to
those whose word is asked for, the question: `confirming` says who they are.

A mail is due from its moment on until the run begins, so that a worker that was down catches up. What is due
is computed from what stood at that moment: a seat taken after it has its own mail, which said it all.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from shifts.calendar.components import newest_doors
from shifts.cover.confirming import asked_from, confirmations_due
from shifts.models import Booking, Policy, Run, Stop
from shifts.schedule.clock import instant, local_date
from shifts.schedule.quiet import quiet_hours
from shifts.seats import own_links, presence
from shifts.seats.notices import in_words_of, line_of_run
from sites.models import DoorNotes, Programme
from sites.turns import each_in_turn
from volunteers import doors, outbox, stopping
from volunteers.models import Message, Person

DAY, WEEK = timedelta(days=1), timedelta(days=7)
REMINDER, OF_THE_WEEK, QUESTION = "reminder", "week", "confirm"  # kinds of messages


def remind(at: datetime) -> int:
    """Owes what is due now; how many. Safe to repeat, and for several workers."""
    programme, policy = Programme.current(), Policy.current()
    asked = ask_for_word(at, programme, policy)
    drop_answered(at)
    return asked + remind_of_runs(at, programme, policy)


def moment_of(day: date, policy: Policy, programme: Programme) -> datetime:
    """When the runs of a date are reminded of: on its eve, by the clock on the programme's wall."""
    return instant(day - DAY, policy.reminder_at, programme.zone)


def booked(at: datetime) -> Any:
    """Live bookings of runs that have not begun and take place."""
    runs = Run.objects.on_the_books().ahead(at).without_closed().order_by()
    found = Booking.objects.live().filter(run__starts_at__gt=at, run__in=runs, person__left_on=None)
    return found.select_related("run", "person").order_by("person", "run__starts_at", "pk")


def is_reminded(person: Person) -> bool:
    """Nobody is called about a plain reminder: that would wear the coordinator out."""
    return person.wants_reminders and person.is_mailed


# --- on the eve


@dataclass(frozen=True)
class Evening:
    """What somebody is to be reminded of on an evening: their runs of the date that follows. With `week`
    those of the six dates after it too; without, of these only where door notes are new."""

    person: int
    day: date
    week: bool

    @property
    def key(self) -> str:
        return f"{REMINDER}:{self.person}:{self.day}"


def remind_of_runs(at: datetime, programme: Programme, policy: Policy) -> int:
    return sum(
        each_in_turn(evenings(at, programme, policy), lambda evening: send(evening, at, programme, policy))
    )


def evenings(at: datetime, programme: Programme, policy: Policy) -> list[Evening]:
    """Who is to be reminded now and was not yet; a constant number of queries."""
    today = local_date(at, programme.zone)
    days = [day for day in (today, today + DAY) if moment_of(day, policy, programme) <= at]
    moments = {day: moment_of(day, policy, programme) for day in days}
    rows = booked(at).filter(run__local_date__in=days)
    due = [one for one in rows if is_reminded(one.person) and one.booked_at < moments[one.run.local_date]]
    keys = {one.pk: Evening(one.person_id, one.run.local_date, week=False).key for one in due}
    sent = set(Message.objects.filter(key__in=set(keys.values())).values_list("key", flat=True))
    due = [one for one in due if keys[one.pk] not in sent]
    if not due:
        return []
    asked = confirmations_due(due, at, policy=policy)
    told = Told.of({one.person_id for one in due}, since=at - 2 * WEEK)
    same = [one for one in due if is_usual(one) and one.pk not in asked]
    usual = {one.pk for one in same} - with_new_doors(same, moments, told)
    found: dict[str, Evening] = {}
    for one in due:
        week = one.standing_id is not None and told.is_week_due(one.person_id, one.run.local_date)
        if week or one.pk not in usual:
            before = found.get(keys[one.pk])
            week = week or (before is not None and before.week)
            found[keys[one.pk]] = Evening(one.person_id, one.run.local_date, week)
    return list(found.values())


def is_usual(booking: Booking) -> bool:
    """A date of somebody's regular run, as it is every time."""
    return booking.standing_id is not None and not booking.run.hand_edited


@dataclass(frozen=True)
class Told:
    """What some people were reminded of lately, by their keys: when last, and from which date on with the
    runs of a whole week."""

    last: dict[int, datetime]
    week: dict[int, date]

    @classmethod
    def of(cls, people: Iterable[int], *, since: datetime) -> Told:
        """One query."""
        kinds = [REMINDER, OF_THE_WEEK]
        rows = Message.objects.filter(person__in=list(people), kind__in=kinds, created_at__gte=since)
        told = cls({}, {})
        for person, kind, key, at in rows.order_by("created_at").values_list(
            "person", "kind", "key", "created_at"
        ):
            told.last[person] = at
            if kind == OF_THE_WEEK:
                told.week[person] = date.fromisoformat(key.rpartition(":")[2])
        return told

    def is_week_due(self, person: int, day: date) -> bool:
        last = self.week.get(person)
        return last is None or last + WEEK <= day


def with_new_doors(bookings: Sequence[Booking], moments: dict[date, datetime], told: Told) -> set[int]:
    """The keys of those whose run stops where door notes were written in the last week, since their last
    mail, and which its driver has not read: every mail names those of the week that follows."""
    if not bookings:
        return set()
    stops: dict[int, set[int]] = {}
    rows = Stop.objects.filter(run__in={one.run_id for one in bookings})
    for run, site in rows.values_list("run", "site"):
        stops.setdefault(run, set()).add(site)
    sites = {site for found in stops.values() for site in found}
    written = DoorNotes.objects.filter(site__in=sites, written_at__gte=min(moments.values()) - WEEK)
    lately = list(written.values_list("site", "revision", "written_at"))
    read = doors.revisions_read({one.person_id for one in bookings}, sites, on=min(moments)) if lately else {}

    def is_news(booking: Booking, site: int, revision: int, at: datetime) -> bool:
        moment, last = moments[booking.run.local_date], told.last.get(booking.person_id)
        since = max(moment - WEEK, last) if last else moment - WEEK
        return since <= at < moment and read.get((booking.person_id, site), 0) < revision

    return {
        one.pk
        for one in bookings
        if any(
            site in stops[one.run_id] and is_news(one, site, revision, at) for site, revision, at in lately
        )
    }


@transaction.atomic
def send(evening: Evening, at: datetime, programme: Programme, policy: Policy) -> bool:
    """One mail; False where another worker was first, or they are off meanwhile."""
    person = Person.objects.locked().get(pk=evening.person)
    last = evening.day + WEEK - DAY
    theirs = booked(at).filter(person=person, run__local_date__gte=evening.day, run__local_date__lte=last)
    bookings = list(theirs.prefetch_related("run__stops__site__contacts", "run__bookings__person"))
    near = [one for one in bookings if one.run.local_date == evening.day]
    if not near or not is_reminded(person) or Message.objects.filter(key=evening.key).exists():
        return False
    asked = confirmations_due(near, at, policy=policy)
    with in_words_of(person) as shown:
        sites = {site for one in bookings for site in one.run.site_ids}
        notes, unread = newest_doors(sites), unread_sites(person, sites, on=evening.day)
        later = [
            one
            for one in bookings
            if one.run.local_date > evening.day and (evening.week or unread & set(one.run.site_ids))
        ]
        context = {
            "subject": subject_of([*near, *(later if evening.week else [])], asks=bool(asked)),
            "name": person.first_name,
            "runs": [card_of(one, shown, notes, asks=one.pk in asked, unread=unread) for one in near],
            "later": [later_line(one, unread) for one in later],
            "drives": any(one.seat == Booking.Seat.DRIVER for one in near),
            "stop": stopping.link_to_stop(person, stopping.REMINDERS),
            "programme": shown,
        }
        outbox.owe(
            person=person,
            mail=outbox.render("reminder", context),
            kind=OF_THE_WEEK if evening.week else REMINDER,
            key=evening.key,
            expires_at=near[-1].run.starts_at,
            at=at,
            programme=shown,
        )
    return True


def unread_sites(person: Person, sites: set[int], *, on: date) -> set[int]:
    """Sites whose newest door notes they have not read."""
    read = doors.revisions_read([person.pk], sites, on=on)
    newest = doors.newest_revisions(sites)
    return {site for site, revision in newest.items() if read.get((person.pk, site), 0) < revision}


def subject_of(bookings: Sequence[Booking], *, asks: bool) -> str:
    """With the date, not "tomorrow": the mail may be read later."""
    run, count = bookings[0].run, len(bookings)
    start = localtime(run.starts_at)
    words = {"run": run.title, "day": date_format(start), "time": time_format(start), "count": count}
    if asks:
        return _("Will you be there? %(run)s, %(day)s, %(time)s") % words
    if count > 1:
        return (
            ngettext(
                "Your %(count)s run, first %(run)s, %(day)s, %(time)s",
                "Your %(count)s runs, first %(run)s, %(day)s, %(time)s",
                count,
            )
            % words
        )
    return _("Reminder: %(run)s, %(day)s, %(time)s") % words


def card_of(
    booking: Booking,
    programme: Programme,
    notes: dict[int, DoorNotes],
    *,
    asks: bool,
    unread: Collection[int] = (),
) -> dict[str, Any]:
    """One run in full, in the active language; with the door notes, since a mail opens without signal."""
    run = booking.run
    return {
        "run": run,
        "seat": seat_words(booking),
        "asks": asks,
        "word": own_links.word_link(booking),
        "sheet": own_links.sheet_link(booking, programme),
        "stops": [
            {"site": stop.site, "at": run.arrives_at(stop), "doors": notes.get(stop.site_id)}
            for stop in run.ordered_stops
        ],
        "unread": [stop.site.name for stop in run.ordered_stops if stop.site_id in unread],
    }


def seat_words(booking: Booking) -> str:
    """What they do on the run, and with whom."""
    others = [one for one in booking.run.bookings.all() if one.is_live and one.person_id != booking.person_id]
    name = {"name": others[0].person.first_name} if others else {}
    if booking.seat == Booking.Seat.DRIVER:
        return _("You drive, and %(name)s rides along.") % name if name else _("You drive.")
    return _("You ride along with %(name)s.") % name if name else _("You have the second seat.")


def later_line(booking: Booking, unread: set[int]) -> str:
    line = line_of_run(booking.run)
    if booking.seat == Booking.Seat.SECOND:
        line = _("%(run)s (second seat)") % {"run": line}
    if unread & set(booking.run.site_ids):
        line = _("%(run)s: new door notes") % {"run": line}
    return line


# --- "I'll be there"


def ask_for_word(at: datetime, programme: Programme, policy: Policy) -> int:
    """Asks those whose word is due. Whoever has no mail is on the coordinator's list: this one is worth a
    call. Where the evening's mail is due, it asks."""
    until = at + timedelta(hours=policy.confirm_hours)
    near = list(booked(at).filter(confirmed_at=None, run__starts_at__lte=until))
    keys = {one.pk: presence.key_of(one) for one in near}
    asked = set(Message.objects.filter(key__in=keys.values()).values_list("key", flat=True))
    near = [one for one in near if keys[one.pk] not in asked and one.person.wants_reminders]
    due = confirmations_due(near, at, policy=policy)
    quiet = quiet_hours(at, policy, programme.zone)
    count = 0
    for one in near:
        waits = quiet is not None and quiet.until < one.run.starts_at and one.person.is_mailed
        if one.pk in due and not waits and not is_in_evening(one, at, programme, policy):
            count += ask(one, at)
    return count


def is_in_evening(booking: Booking, at: datetime, programme: Programme, policy: Policy) -> bool:
    """Whether the evening's mail asks them: its moment came after that of the question, and is here."""
    moment = moment_of(booking.run.local_date, policy, programme)
    return booking.person.is_mailed and asked_from(booking.run, policy) <= moment <= at


@transaction.atomic
def ask(booking: Booking, at: datetime) -> bool:
    """One question; False where it was asked before."""
    if Message.objects.filter(key=presence.key_of(booking)).exists():
        return False
    person = Person.objects.locked().get(pk=booking.person_id)
    theirs = booked(at).filter(pk=booking.pk, confirmed_at=None)
    found = theirs.prefetch_related("run__stops__site__contacts", "run__bookings__person").first()
    if found is None:
        return False
    with in_words_of(person) as programme:
        start = localtime(found.run.starts_at)
        words = {"run": found.run.title, "day": date_format(start), "time": time_format(start)}
        context = {
            "subject": _("Will you be there? %(run)s, %(day)s, %(time)s") % words,
            "name": person.first_name,
            "one": card_of(found, programme, {}, asks=True),
            "stop": stopping.link_to_stop(person, stopping.REMINDERS) if person.is_mailed else "",
            "programme": programme,
        }
        owed = outbox.owe(
            person=person,
            mail=outbox.render("confirm", context),
            kind=QUESTION,
            key=presence.key_of(found),
            expires_at=found.run.starts_at,
            at=at,
            programme=programme,
        )
    return owed is not None


def drop_answered(at: datetime) -> None:
    """Takes back questions that have not gone out, and lines of the coordinator's list, to which there is an
    answer, or nothing to answer any more."""
    waiting = [Message.State.OWED, Message.State.TELL]
    keys = list(Message.objects.filter(kind=QUESTION, state__in=waiting).values_list("key", flat=True))
    if not keys:
        return
    bookings = Booking.objects.filter(pk__in=[int(key.split(":")[1]) for key in keys]).select_related("run")
    due = confirmations_due(bookings, at)
    still = {presence.key_of(one) for one in bookings if one.pk in due}
    for key in keys:
        if key not in still:
            outbox.take_back(key, at=at)

"""Changes to sites and people that reach runs and calendars: each of those concerned is told once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from functools import partial
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from shifts.calendar import entries
from shifts.calendar.feed import who_sees
from shifts.models import Booking, CalendarEntry, Run, Shift, ShiftTerm, Standing, Stop
from shifts.models.run import RunQuerySet
from shifts.schedule.clock import local_date
from shifts.seats import notices
from shifts.seats import standing as regular
from shifts.seats.booking import hold
from shifts.seats.news import News
from shifts.seats.refusals import sentence
from sites.changes import change_site as change_site_facts
from sites.changes import close_site as close_site_dates
from sites.changes import lift_closure as lift_closure_dates
from sites.changes import set_contacts as set_site_contacts
from sites.models import Closure, DoorNotes, Programme, Site
from volunteers import doors
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
    others = ", ".join(Site.objects.in_use().filter(fallback=site).values_list("name", flat=True))
    if others:
        raise InUse(f"Food goes there when these are closed: {others}. Choose another site for them first.")
    return change_site_facts(site, by=by, ended_on=day)


def weekly_runs_at(site: Site | Sequence[Site], day: date) -> QuerySet[Shift]:
    """Weekly runs that stop at the site, or at one of these, on the day or later, by the terms they have
    now."""
    sites = [site] if isinstance(site, Site) else site
    terms = ShiftTerm.objects.filter(Q(applies_until=None) | Q(applies_until__gt=day), stops__site__in=sites)
    return Shift.objects.filter(terms__in=terms).distinct()


# What calendars show beside the run itself


@transaction.atomic
def change_site(site: Site, *, by: Any, at: datetime | None = None, **facts: Any) -> Site:
    """Changes a site. A new name or address reaches the calendars of whoever is booked there."""
    at = at or timezone.now()
    hold_site(site, at)
    site = Site.objects.get(pk=site.pk)
    before = (site.name, site.address, site.place)
    changed = change_site_facts(site, by=by, **facts)
    doors.follow_name(changed)
    if (changed.name, changed.address, changed.place) != before:
        news = News(at=at, headline=lambda: _("Changed: %(site)s") % {"site": changed.name})
        theirs: dict[int, list[Booking]] = {}
        for booking in bookings_at(changed, at):
            theirs.setdefault(booking.person_id, []).append(booking)
        for bookings in theirs.values():
            person = bookings[0].person
            with notices.in_words_of(person):
                what = site_differences(before, changed)
            if len(bookings) == 1 and bookings[0].standing_id is None:
                news.tell(person, "changed", booking=bookings[0], what=what)
            else:
                news.tell(person, "words", what=what)
        for standing in regulars_at(changed, at):
            news.follow(standing.person)
        note_site(changed, at)
        news.settle()
    return changed


def hold_site(site: Site, at: datetime, *, also: Iterable[int] = ()) -> None:
    """Locks the runs ahead that stop there; then whoever sits in them, drives there regularly or has it in
    their feed still, and `also` these people by key. The site's own row comes after them."""
    regulars = [standing.person_id for standing in regulars_at(site, at)]
    hold(runs_at(site, at), also=[*regulars, *who_sees(site, at=at), *also])


def regulars_at(site: Site, at: datetime) -> list[Standing]:
    """Regular runs of weekly runs that stop at the site."""
    day = local_date(at, Programme.current().zone)
    return list(
        Standing.objects.going_on(day)
        .filter(shift__in=weekly_runs_at(site, day).values("pk"))
        .select_related("person", "shift")
    )


def bookings_at(site: Site, at: datetime) -> list[Booking]:
    """Who sits in the runs ahead that stop there, first run first."""
    live = Booking.objects.live().filter(run__in=runs_at(site, at).order_by(), run__cancelled_at=None)
    return list(live.select_related("person", "run").order_by("run__starts_at", "pk"))


def note_site(site: Site, at: datetime) -> None:
    """What calendars say beside time and place has changed at a site: feeds show it."""
    live = entries.of_runs(runs_at(site, at))
    regular = CalendarEntry.objects.live().filter(standing__in=regulars_at(site, at))
    entries.note_change({entry.pk: entry for entry in [*live, *regular]}.values(), at=at)
    entries.feed_changed(who_sees(site, at=at))


@transaction.atomic
def set_contacts(site: Site, contacts: list[dict[str, str]], *, by: Any, at: datetime | None = None) -> None:
    """Replaces the site's contacts; feeds show them at once."""
    at = at or timezone.now()
    hold_site(site, at)
    set_site_contacts(site, contacts, by=by)
    note_site(site, at)


# Closed dates


@transaction.atomic
def close_site(
    site: Site, *, first: date, last: date, reason: str = "", by: Any, at: datetime | None = None
) -> Closure:
    """A site gives or takes nothing on these dates. Whoever is booked there is told once, and the runs leave
    their calendars; the bookings stay, should it open after all."""
    at = at or timezone.now()
    hold_site(site, at)
    touched = bookings_between(site, first, last, at)
    closure = close_site_dates(site, first=first, last=last, reason=reason, by=by)
    news = News(at=at, headline=lambda: _("Closed: %(site)s") % {"site": site.name})
    tell_of_closure(touched, closure, news)
    news.settle()
    return closure


def bookings_between(site: Site, first: date, last: date, at: datetime) -> list[Booking]:
    """Bookings of runs there on these dates that take place as things are now."""
    open_ = Run.objects.without_closed().on_days(first, last).values("pk")
    return [
        booking
        for booking in bookings_at(site, at)
        if booking.run_id in set(open_.values_list("pk", flat=True))
    ]


def tell_of_closure(bookings: Sequence[Booking], closure: Closure, news: News) -> None:
    for booking in bookings:
        news.say(booking.person, partial(closed_words, booking.run, closure))
    for standing in regulars_at(closure.site, news.at):
        news.follow(standing.person)


def closed_words(run: Run, closure: Closure) -> str:
    start = localtime(run.starts_at)
    words = {"run": run.title, "day": date_format(start), "site": closure.site.name, "reason": closure.reason}
    if closure.reason:
        return _("Please do not go: %(run)s on %(day)s. %(site)s is closed: %(reason)s.") % words
    return _("Please do not go: %(run)s on %(day)s. %(site)s is closed.") % words


@transaction.atomic
def lift_closure(closure: Closure, *, by: Any, at: datetime | None = None) -> None:
    """The site is open after all: whoever is still booked there is told, and the runs are in their calendars
    again. Regular drivers are seated in the runs that were made meanwhile."""
    at = at or timezone.now()
    site = closure.site
    hold_site(site, at)
    lift_closure_dates(closure, by=by, at=at)
    news = News(at=at, headline=lambda: _("Open again: %(site)s") % {"site": site.name})
    for booking in bookings_between(site, closure.first, closure.last, at):
        news.say(booking.person, partial(open_words, booking.run))
    for standing in regulars_at(site, at):
        there = runs_at(site, at).filter(shift=standing.shift_id).on_the_books().ahead(at)
        runs = there.on_days(closure.first, closure.last)
        regular.seat_in(standing, list(runs), by=by, news=news, at=at)
    news.settle()


def open_words(run: Run) -> str:
    start = localtime(run.starts_at)
    return sentence(
        _("It takes place after all, and you are on it: %(run)s, %(day)s at %(time)s.")
        % {"run": run.title, "day": date_format(start), "time": time_format(start)}
    )


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
    drivers = Person.objects.drivers().values_list("pk", flat=True) if drivers_know_it else []
    hold_site(site, at, also=drivers)
    notes = doors.publish(
        site,
        texts,
        by=by,
        must_read_again=must_read_again,
        drivers_know_it=drivers_know_it,
        from_day=from_day,
        at=at,
    )
    note_site(site, at)
    return notes


def runs_at(site: Site, at: datetime) -> RunQuerySet:
    """The runs that are not over and stop at the site."""
    return Run.objects.not_over(at).filter(pk__in=Stop.objects.filter(site=site).values("run"))


@transaction.atomic
def change_person(person: Person, *, by: Any, at: datetime | None = None, **facts: Any) -> Person:
    """Changes a person. When their mail goes elsewhere from now on, or they no longer want invitations, so
    do these: cancelled at the old address, sent anew to the new one, under a new UID."""
    at = at or timezone.now()
    before = entries.address_of(Person.objects.locked().get(pk=person.pk))
    person = change_person_facts(person, by=by, at=at, **facts)
    entries.feed_changed([person.pk])
    address = entries.address_of(person)
    if address == before:
        return person
    news = News(at=at, headline=lambda: _("Your invitations"))
    news.follow(person)
    if entries.taking_place(person, at) and person.is_mailed:
        news.say(person, partial(where_invitations_go, address))
    news.settle()
    return person


def where_invitations_go(address: str) -> str:
    if address:
        return _("Invitations to your runs come to %(address)s from now on.") % {"address": address}
    return _(
        "No more invitations: your calendar fetches your runs by your private link. You are still booked."
    )

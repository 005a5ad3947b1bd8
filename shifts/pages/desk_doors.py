"""Who is booked and has not read the newest door notes: whatever the gate asks of them, they should know."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.conf import settings
from django.urls import reverse
from django.utils.timezone import localdate
from django.utils.translation import gettext as _
from django.utils.translation import override

from shifts.models import Booking, Run
from shifts.pages.desk_parts import contact_of, preference_of, title_and_time
from shifts.seats import consequences
from sites.models import Programme, Site
from volunteers import doors
from volunteers.models import Person


def unread_by_booking(runs: Iterable[Run], *, at: datetime, sites: Iterable[int]) -> dict[int, set[int]]:
    """By the booking's key, those of these sites that its run stops at and whose newest door notes its person
    has not read. The runs come `with_people`; two queries however many they are."""
    runs = list(runs)
    newest = doors.newest_revisions(sites)
    people = {booking.person_id for run in runs for booking in run.seated}
    read = doors.revisions_read(people, newest, on=localdate(at))
    unread = {
        booking.pk: {
            site
            for site in run.site_ids
            if site in newest and read.get((booking.person_id, site), 0) < newest[site]
        }
        for run in runs
        for booking in run.seated
    }
    return {booking: found for booking, found in unread.items() if found}


def not_read_at(where: Site, programme: Programme, at: datetime) -> list[dict[str, Any]]:
    """The rows of a call list: everybody booked on a run ahead at the site who has not read its newest door
    notes, whoever goes there next first."""
    runs = list(consequences.runs_at(where, at).on_the_books().without_closed().with_people())
    unread = unread_by_booking(runs, at=at, sites=[where.pk])
    bookings: dict[int, list[tuple[Run, Booking]]] = {}
    for run in runs:  # by start
        for booking in run.seated:
            if booking.pk in unread:
                bookings.setdefault(booking.person_id, []).append((run, booking))
    return [row_of(theirs, where, programme) for theirs in bookings.values()]


def row_of(theirs: list[tuple[Run, Booking]], where: Site, programme: Programme) -> dict[str, Any]:
    run, booking = theirs[0]
    does = "drives" if booking.seat == Booking.Seat.DRIVER else "rides along on"
    return {
        **contact_of(booking.person),
        "pk": booking.person_id,
        "reasons": [f"{does} {title_and_time(run)}", *more_runs(len(theirs) - 1)],
        "warn": preference_of(booking.person),
        "text": text_for(booking.person, run, where, programme),
    }


def more_runs(count: int) -> list[str]:
    if not count:
        return []
    return ["and 1 more run there" if count == 1 else f"and {count} more runs there"]


def text_for(person: Person, run: Run, where: Site, programme: Programme) -> str:
    """The prefilled text message, in the person's language."""
    link = settings.BASE_URL + reverse("run", args=[run.pk])
    with override(person.language):
        words = {"name": person.first_name, "site": where.name, "link": link}
        text = _("Hi %(name)s, the door notes of %(site)s changed, please open them: %(link)s") % words
    return " ".join(part for part in (text, programme.contact_name) if part)


def held_up_rows(bookings: Iterable[Booking]) -> list[dict[str, Any]]:
    """Drivers whom new door notes would hold up, each with their next run there; the bookings by start."""
    of_person: dict[int, list[Booking]] = {}
    for booking in bookings:
        of_person.setdefault(booking.person_id, []).append(booking)
    return [
        {
            **contact_of(theirs[0].person),
            "runs": ", ".join([title_and_time(theirs[0].run), *more_runs(len(theirs) - 1)]),
        }
        for theirs in of_person.values()
    ]

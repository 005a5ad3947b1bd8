"""What people are told of their bookings: one function a notice, each owed in the transaction of the fact."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import override

from shifts.calendar import invitations
from shifts.calendar.components import newest_doors
from shifts.models import Booking, CalendarEntry, Policy, Run
from sites.models import Programme
from volunteers import outbox
from volunteers.models import Person


@contextmanager
def in_words_of(person: Person) -> Iterator[Programme]:
    """Their language, and the clock of the programme, which it hands on."""
    programme = Programme.current()
    with override(person.language), timezone.override(programme.zone):
        yield programme


def facts(run: Run, person: Person, programme: Programme, **more: Any) -> dict[str, Any]:
    """What every mail about a run can say."""
    doors = newest_doors(set(run.site_ids))
    return {
        "run": run,
        "person": person,
        "programme": programme,
        "doors": doors,
        "stops": [
            {"site": stop.site, "at": run.arrives_at(stop), "doors": doors.get(stop.site_id)}
            for stop in run.ordered_stops
        ],
        "link": settings.BASE_URL + reverse("run", args=[run.pk]),
        **more,
    }


def with_calendar(
    mail: outbox.Mail, entry: CalendarEntry, method: str, context: dict[str, Any], at: datetime
) -> outbox.Mail:
    """The mail with its calendar object, where the entry went out by mail."""
    if not entry.address:
        return mail
    build = invitations.request if method == "REQUEST" else invitations.cancellation
    calendar = build(entry, doors=context["doors"], programme=context["programme"], at=at)
    return outbox.Mail(mail.subject, mail.text, mail.html, calendar=calendar, method=method)


def owe_for_entry(
    name: str, booking: Booking, entry: CalendarEntry, method: str, at: datetime, **more: Any
) -> None:
    with in_words_of(booking.person) as programme:
        context = facts(booking.run, booking.person, programme, booking=booking, **more)
        mail = with_calendar(outbox.render(name, context), entry, method, context, at)
        outbox.owe(
            person=booking.person,
            mail=mail,
            kind=name,
            about=entry.uid,
            at=at,
            key=f"{name}:{entry.uid}:{entry.sequence}",
            programme=programme,
        )


def booked(booking: Booking, entry: CalendarEntry, *, on_behalf: bool, at: datetime) -> None:
    """You have this seat; with the invitation."""
    owe_for_entry("booked", booking, entry, "REQUEST", at, on_behalf=on_behalf)


def changed(booking: Booking, entry: CalendarEntry, *, what: list[str], at: datetime) -> None:
    """Your run has changed; with the invitation's new version. `what` lists the changes in words."""
    owe_for_entry("changed", booking, entry, "REQUEST", at, what=what)


def ended(booking: Booking, entry: CalendarEntry, *, at: datetime) -> None:
    """Your seat is given back, or the run is off; with the cancellation."""
    owe_for_entry("ended", booking, entry, "CANCEL", at)


def seat_empty(booking: Booking, *, at: datetime) -> None:
    """The driver's seat fell empty: whoever rides along is told, and at short notice the coordinators.

    Short notice lasts until the run is over: a driver who says so after its start is the shortest of all.
    """
    run = booking.run
    if booking.seat != Booking.Seat.DRIVER or run.ends_at <= at:
        return
    for other in run.bookings.live().select_related("person"):
        with in_words_of(other.person) as programme:
            mail = outbox.render("no_lead", facts(run, other.person, programme, driver=booking.person))
            outbox.owe(
                person=other.person, mail=mail, kind="no lead", key=f"no-lead:{other.pk}:{booking.pk}", at=at
            )
    short_notice = timedelta(hours=Policy.current().short_notice_hours)
    if booking.end == Booking.End.GIVEN_BACK and run.starts_at - at <= short_notice:
        for coordinator in Person.objects.active().filter(user__is_coordinator=True):
            with in_words_of(coordinator) as programme:
                desk = settings.BASE_URL + reverse("desk_run", args=[run.pk])
                mail = outbox.render(
                    "given_back", facts(run, coordinator, programme, booking=booking, desk=desk)
                )
                outbox.owe(
                    person=coordinator,
                    mail=mail,
                    kind="given back",
                    key=f"given-back:{booking.pk}:{coordinator.pk}",
                    at=at,
                )


def moved_away(entry: CalendarEntry, *, at: datetime) -> None:
    """To the address a person had before: this invitation ends, the booking goes on elsewhere."""
    with in_words_of(entry.person) as programme:
        context = facts(entry.booking.run, entry.person, programme)
        mail = with_calendar(outbox.render("moved_away", context), entry, "CANCEL", context, at)
        outbox.write(
            address=entry.address,
            name=entry.person.name,
            person=entry.person,
            mail=mail,
            kind="moved away",
            about=entry.uid,
            key=f"moved-away:{entry.uid}",
            at=at,
        )

"""A driver who did not come: the seat falls empty, the coordinators remember it among themselves, and a
mistake is taken back. The driver is told nothing; only their calendar follows."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from shifts.models import Booking, NoShow, Run
from shifts.seats import notices, refusals
from shifts.seats.booking import give_back, hold, seat
from shifts.seats.news import News
from shifts.seats.standing import Quiet
from sites.log import record
from volunteers import outbox
from volunteers.models import Person
from volunteers.progress import NotPossible


@transaction.atomic
def did_not_come(booking: Booking, *, by: Any, at: datetime | None = None) -> NoShow:
    """Records it and ends the booking; a second call changes nothing. Possible from the run's start on, also
    when it is over, as one may hear of it the day after. Raises NotPossible."""
    at = at or timezone.now()
    run = Run.objects.locked().get(pk=booking.run_id)
    person = Person.objects.locked().get(pk=booking.person_id)
    booking = Booking.objects.get(pk=booking.pk)
    known = booking.no_shows.standing().first()
    if known:
        return known
    check(booking, run, person, at)
    missed = NoShow.objects.create(booking=booking, at=at, by=by)
    news = News(at=at)
    give_back(booking, by=by, end=Booking.End.NO_SHOW, news=Quiet(news), at=at)
    news.settle()
    return missed


def check(booking: Booking, run: Run, person: Person, at: datetime) -> None:
    """Raises NotPossible where it makes no sense to say so."""
    if booking.seat != Booking.Seat.DRIVER:
        raise NotPossible(f"{person.name} does not drive this run. Take them out of the second seat instead.")
    if not booking.is_live:
        raise NotPossible(f"{person.name} was out of this run already.")
    if run.is_cancelled:
        raise NotPossible("This run is cancelled, so nobody was expected.")
    if at < run.starts_at:
        raise NotPossible(f"The run has not started. If {person.name} cannot come, take them out.")
    second = run.bookings.live().filter(seat=Booking.Seat.SECOND).first()
    if second and not second.is_unsigned:
        raise NotPossible(f"The ride beside {person.name} is signed off, so they came. Take that back first.")


@transaction.atomic
def came_after_all(
    missed: NoShow, *, by: Any, at: datetime | None = None
) -> tuple[Booking | None, refusals.Refusal | None]:
    """Takes the record back, and gives them the seat again where it is still empty: the booking, or the
    refusal that stands in the way. Neither where it was taken back before."""
    at = at or timezone.now()
    (run,) = hold(Run.objects.filter(pk=missed.booking.run_id), also=[missed.booking.person_id])
    person = Person.objects.get(pk=missed.booking.person_id)
    if not NoShow.objects.standing().filter(pk=missed.pk).update(withdrawn_at=at):
        return None, None
    record(verb="came after all", subject=run, person=person, by=by, at=at)
    old = Booking.objects.get(pk=missed.booking_id)
    if at >= run.ends_at:
        return put_back(old, run)
    news = News(at=at)
    try:
        booking = seat(run=run, person=person, seat=old.seat, by=by, on_behalf=True, news=Quiet(news), at=at)
    except refusals.Refusal as refusal:
        return None, refusal
    tell_second(run, old, person, news)
    news.settle()
    return booking, None


def put_back(booking: Booking, run: Run) -> tuple[Booking | None, refusals.Refusal | None]:
    """Of a run that is over nobody takes a seat: what the record said before is put right."""
    if run.bookings.live().filter(seat=booking.seat).exists():
        return None, refusals.Taken()
    if run.bookings.live().filter(person=booking.person_id).exists():
        return None, refusals.AlreadyOn()
    booking.ended_at, booking.ended_by, booking.end = None, None, ""
    booking.save(update_fields=["ended_at", "ended_by", "end"])
    return booking, None


def tell_second(run: Run, old: Booking, driver: Person, news: News) -> None:
    """Whoever rides along was told that the driver is out; what has not gone out yet is kept back."""
    for other in run.bookings.live().exclude(person=driver).select_related("person"):
        if not outbox.take_back(f"no-lead:{other.pk}:{old.pk}", at=news.at):
            news.say(other.person, lambda: drives_after_all(run, driver))


def drives_after_all(run: Run, driver: Person) -> str:
    return _("%(name)s drives after all: %(run)s") % {
        "name": driver.first_name,
        "run": notices.line_of_run(run),
    }


@transaction.atomic
def write_note(missed: NoShow, note: str, *, by: Any, at: datetime | None = None) -> NoShow:
    """What the coordinators remember about it, among themselves."""
    before, missed.note = missed.note, note.strip()[:300]
    if missed.note != before:
        missed.save(update_fields=["note"])
        record(
            verb="no show noted",
            subject=missed,
            by=by,
            at=at,
            before={"note": before},
            after={"note": missed.note},
        )
    return missed

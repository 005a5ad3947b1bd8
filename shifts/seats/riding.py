"""Shadow rides ahead: who lacks one, how a trainee rides, and seats that a lead driver has left."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Exists, OuterRef
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from shifts.models import Booking, Run
from shifts.models.booking import BookingQuerySet
from shifts.seats import notices, refusals
from shifts.seats.booking import give_back, hold
from shifts.seats.news import News
from shifts.seats.ride_words import cautions, ride_words
from shifts.seats.standing import Quiet
from sites.log import record
from sites.turns import each_in_turn
from volunteers import clearance, outbox
from volunteers.models import Message, Person, Step, StepTerm
from volunteers.models.steps import StepTermQuerySet

Ride = Booking.Ride
LOOKED_BACK = timedelta(days=1)  # a worker that stood still for longer ends no seats of runs long over


class PapersFirst(refusals.Refusal):
    code = "papers first"

    def __init__(self, person: Person, steps: list[Step]) -> None:
        names = ", ".join(_(step.title) for step in steps)
        super().__init__(
            _("%(name)s cannot drive on that date. Still missing: %(steps)s.")
            % {"name": person.name, "steps": names},
            _("Until their papers are there, they ride along in the lead driver's car."),
        )


class TooYoung(refusals.Refusal):
    code = "too young"

    def __init__(self, person: Person) -> None:
        super().__init__(
            _("%(name)s is under 18, and nobody under 18 drives.") % {"name": person.name},
            _("They ride along in the second seat."),
        )


class NoRide(refusals.Refusal):
    code = "no ride"

    def __init__(self) -> None:
        super().__init__(
            _("How a trainee rides is said of a run that is not over, with a trainee in its second seat."),
            _("Seat a trainee first."),
        )


# --- reads


def lacking_ride(*, person: int | OuterRef, on: date | OuterRef) -> StepTermQuerySet:
    """The programme's shadow ride, where the gate still asks it of a person on a date; see `unmet`."""
    return StepTerm.objects.filter(step__kind=Step.Kind.RIDE).unmet(person=person, on=on, sites=[])


def led_by() -> BookingQuerySet:
    """The lead driver's booking of the outer booking's run."""
    return Booking.objects.live().led().filter(run=OuterRef("run"))


def second_seats() -> BookingQuerySet:
    """Second seats of runs that were not cancelled."""
    return Booking.objects.live().filter(seat=Booking.Seat.SECOND, run__cancelled_at=None)


def led_rides() -> BookingQuerySet:
    """Second seats beside a lead driver, of runs ahead and over."""
    return second_seats().filter(Exists(led_by()))


def unled_trainees() -> BookingQuerySet:
    """Second seats of people who lack a shadow ride, on runs that no lead driver drives now."""
    lacking = lacking_ride(person=OuterRef("person"), on=OuterRef("run__local_date"))
    return second_seats().filter(~Exists(led_by()), Exists(lacking))


# --- how a trainee rides


def why_not_ride(person: Person, run: Run, ride: str) -> refusals.Refusal | None:
    """What keeps a trainee from riding like this: whoever drives a car has their papers and is 18. None
    when nothing does. Raises ValueError for a way that nobody rides."""
    if ride not in Ride.values:
        raise ValueError(f"A trainee rides along, follows or drives, not {ride!r}.")
    if ride == Ride.ALONG:
        return None
    if not person.is_adult:
        return TooYoung(person)
    terms = clearance.missing(person, on=run.local_date, sites=run.site_ids)
    papers = [term.step for term in terms if term.step.kind == Step.Kind.PAPER]
    return PapersFirst(person, papers) if papers else None


def ways_to_ride(person: Person, run: Run) -> list[tuple[str, str]]:
    """The ways that are open to them on that run, with their names."""
    return [(way, str(name)) for way, name in Ride.choices if why_not_ride(person, run, way) is None]


@transaction.atomic
def change_ride(booking: Booking, ride: str, *, by: Any, at: datetime | None = None) -> Booking:
    """Says how the trainee in the second seat rides, and tells both. Raises a Refusal."""
    at = at or timezone.now()
    (run,) = hold(Run.objects.filter(pk=booking.run_id))
    booking = Booking.objects.select_related("person").get(pk=booking.pk)
    booking.run = run
    if booking.seat != Booking.Seat.SECOND or not booking.is_live or run.is_cancelled or run.ends_at <= at:
        raise NoRide()
    if not led_rides().filter(pk=booking.pk).exists():
        raise refusals.NoLead()
    refusal = why_not_ride(booking.person, run, ride)
    if refusal:
        raise refusal
    before, booking.ride = booking.ride, ride
    if before == ride:
        return booking
    booking.save(update_fields=["ride"])
    record(
        verb="rides otherwise",
        subject=run,
        person=booking.person,
        by=by,
        at=at,
        before={"ride": before},
        after={"ride": ride},
    )
    tell_of_ride(booking, by=by, at=at)
    return booking


def tell_of_ride(booking: Booking, *, by: Any, at: datetime) -> None:
    """The two on the run, but for whoever has said it themselves."""
    for seated in booking.run.bookings.live().select_related("person"):
        person = seated.person
        if by is not None and person.user_id == by.pk:
            continue
        with notices.in_words_of(person) as programme:
            context = {
                "headline": _("How you ride: %(run)s, %(day)s") % when(booking),
                "lines": [ride_words(booking, to=person), *cautions(booking.ride)],
                "link": settings.BASE_URL + reverse("run", args=[booking.run_id]),
                "where": "run",
                "programme": programme,
            }
            outbox.owe(
                person=person,
                mail=outbox.render("news", context),
                kind="ride",
                key=f"ride-how:{booking.pk}:{person.pk}:{at.timestamp()}",
                at=at,
                programme=programme,
            )


# --- seats that a lead driver has left


def end_unled(*, at: datetime) -> int:
    """Ends the second seat of trainees whose run has started without a lead driver, and tells them kindly;
    how many. Until the start a lead driver may still take the run, so they keep the seat."""
    started = unled_trainees().filter(run__starts_at__lte=at, run__starts_at__gt=at - LOOKED_BACK)
    found = list(started.select_related("run"))
    return sum(each_in_turn(found, lambda booking: end_one(booking, at=at)))


@transaction.atomic
def end_one(booking: Booking, *, at: datetime) -> bool:
    hold(Run.objects.filter(pk=booking.run_id))
    found = unled_trainees().filter(pk=booking.pk).select_related("run", "person").first()
    if found is None or found.run.starts_at > at:
        return False
    news = News(at=at, headline=lambda: off_words(found))
    give_up(found, by=None, news=news, at=at)
    news.settle()
    return True


def give_up(booking: Booking, *, by: Any, news: News, at: datetime) -> None:
    """Ends a trainee's seat on a run without a lead driver; `news` says so kindly."""
    give_back(booking, by=by, end=Booking.End.LAPSED, note="No lead driver.", news=Quiet(news), at=at)
    news.say(
        booking.person,
        lambda: (
            _("%(run)s, %(day)s at %(time)s, has no lead driver any more: that ride is off.") % when(booking)
        ),
        lambda: _("That is not your doing. Your place in line stays, and we look for another ride."),
    )


def when(booking: Booking) -> dict[str, str]:
    """In the active language and zone."""
    start = localtime(booking.run.starts_at)
    return {"run": booking.run.title, "day": date_format(start), "time": time_format(start)}


def off_words(booking: Booking) -> str:
    return _("Your ride is off, we look for another: %(run)s, %(day)s at %(time)s") % when(booking)


def tell_unled(*, at: datetime) -> None:
    """Tells trainees ahead beside a driver who was a lead driver when they took the seat and is none now.
    Of drivers who give back or hand on they have heard at that moment."""
    same = Booking.objects.live().drivers().filter(run=OuterRef("run"), booked_at__lte=OuterRef("booked_at"))
    unled = unled_trainees().filter(Exists(same), run__starts_at__gt=at)
    rides = list(unled.select_related("run", "person"))
    driving = Booking.objects.live().drivers().filter(run__in=[booking.run_id for booking in rides])
    drivers = {booking.run_id: booking.person for booking in driving.select_related("person")}
    # One who gave back at this moment drives no more, and then they are told of that.
    due = {
        f"no-lead:{booking.pk}:{drivers[booking.run_id].pk}": booking
        for booking in rides
        if booking.run_id in drivers
    }
    told = set(Message.objects.filter(key__in=due).values_list("key", flat=True))
    for key, booking in due.items():
        if key not in told:
            tell_no_lead(booking, drivers[booking.run_id], key=key, at=at)


def tell_no_lead(booking: Booking, driver: Person, *, key: str, at: datetime) -> None:
    with notices.in_words_of(booking.person) as programme:
        words = when(booking) | {"name": driver.first_name}
        context = {
            "headline": _("No lead driver now: %(run)s, %(day)s") % words,
            "lines": [
                _("A shadow ride counts with a lead driver only, and %(name)s is none any more.") % words,
                _("You keep the seat for now, in case a lead driver takes the run. We look for another."),
            ],
            "link": settings.BASE_URL + reverse("run", args=[booking.run_id]),
            "where": "run",
            "programme": programme,
        }
        outbox.owe(
            person=booking.person,
            mail=outbox.render("news", context),
            kind="no lead",
            key=key,
            at=at,
            programme=programme,
        )

"""Changes to single runs. A booked run is never dropped silently: it is moved and told, or cancelled with
notices, and a cancellation can be undone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from shifts.models import Booking, Policy, Run, ShiftTerm, Stop
from shifts.schedule.clock import instant, local_date
from shifts.schedule.legs import usual_arrivals
from shifts.seats import notices
from shifts.seats.booking import give_back, hold, seat
from shifts.seats.news import News
from shifts.seats.pairing import drop_moved
from shifts.seats.refusals import Refusal, sentence
from sites.log import record
from sites.models import Programme, Site
from volunteers.models import Person

# One-off runs and second cars


@transaction.atomic
def add_one_off(
    *,
    pickup: Site,
    dropoff: Site,
    starts_at: datetime,
    crates: int,
    by: Any,
    title: str = "",
    note: str = "",
    minutes: int | None = None,
    at: datetime | None = None,
) -> Run:
    """A run outside any weekly run ("store called, 20 cases"). `minutes` None: loading, drive, unloading."""
    programme, policy = Programme.current(), Policy.current()
    stops = [pickup, dropoff]
    arrivals = usual_arrivals(stops, load_minutes=policy.load_minutes, programme=programme)
    minutes = minutes or arrivals[-1] + policy.load_minutes
    run = Run.objects.create(
        title=title or f"{pickup.name} to {dropoff.name}"[:80],
        local_date=local_date(starts_at, programme.zone),
        starts_at=starts_at,
        ends_at=starts_at + timedelta(minutes=minutes),
        crates=crates,
        note=note,
    )
    Stop.objects.bulk_create(
        Stop(run=run, position=position, site=site, after_minutes=after)
        for position, (site, after) in enumerate(zip(stops, arrivals, strict=True), start=1)
    )
    record(verb="added", subject=run, by=by, at=at, after={"starts at": starts_at, "crates": crates})
    return run


@transaction.atomic
def add_second_car(run: Run, *, by: Any, at: datetime | None = None) -> Run:
    """A second run with the same stops and times, for a pickup that one car cannot carry."""
    second = Run.objects.create(
        title=_("%(run)s, second car") % {"run": run.title[:60]},
        local_date=run.local_date,
        starts_at=run.starts_at,
        ends_at=run.ends_at,
        crates=run.crates,
        second_seat=run.second_seat,
        note=run.note,
    )
    Stop.objects.bulk_create(
        Stop(run=second, position=stop.position, site_id=stop.site_id, after_minutes=stop.after_minutes)
        for stop in run.ordered_stops
    )
    record(verb="added", subject=second, by=by, at=at, after={"second car of": run})
    return second


# Cancelling, and undoing it


@transaction.atomic
def cancel_run(
    run: Run, *, reason: str, by: Any, news: News | None = None, at: datetime | None = None
) -> Run:
    """Calls a run off and tells everybody on it. A second call changes nothing. With `news` it is told with
    the rest of what that collects."""
    at = at or timezone.now()
    (run,) = hold(Run.objects.filter(pk=run.pk))
    if run.is_cancelled:
        return run
    run.cancelled_at, run.cancel_cause, run.cancel_reason = at, Run.Cause.CALLED_OFF, reason.strip()[:200]
    run.save(update_fields=["cancelled_at", "cancel_cause", "cancel_reason"])
    record(verb="cancelled", subject=run, by=by, at=at, after={"reason": reason})
    for booking in run.bookings.live():
        give_back(booking, by=by, note=reason, end=Booking.End.CANCELLED, news=news, at=at)
    return run


@transaction.atomic
def restore_run(
    run: Run, *, by: Any, news: News | None = None, at: datetime | None = None
) -> list[tuple[Person, Refusal]]:
    """Undoes a cancellation: the run is on again, and those who were on it are seated and told.

    Returns whoever could not be seated again, with the reason.
    """
    at = at or timezone.now()
    run = Run.objects.locked().get(pk=run.pk)
    if not run.is_cancelled:
        return []
    ended = list(
        run.bookings.filter(end=Booking.End.CANCELLED, ended_at=run.cancelled_at)
        .select_related("person")
        .order_by("seat")
    )
    list(Person.objects.locked().filter(pk__in=[booking.person_id for booking in ended]))  # by key
    run.off_rule = run.cancel_cause == Run.Cause.RULE
    run.cancelled_at, run.cancel_cause, run.cancel_reason = None, "", ""
    run.save(update_fields=["cancelled_at", "cancel_cause", "cancel_reason", "off_rule"])
    record(verb="on again", subject=run, by=by, at=at)
    told = news or News(at=at, agreed=False)  # they had the seat before; nobody has asked them anew
    left_out = []
    for booking in ended:
        try:
            seat(run=run, person=booking.person, seat=booking.seat, by=by, on_behalf=True, news=told, at=at)
        except Refusal as refusal:
            left_out.append((booking.person, refusal))
    if told is not news:
        told.settle()
    return left_out


# A run's own time, stops and facts


@dataclass(frozen=True)
class Shape:
    """Time, length, stops and load of a run; what two versions of it are compared by."""

    starts_at: datetime
    ends_at: datetime
    stops: tuple[tuple[int, int], ...]  # site id, minutes after the start
    crates: int
    second_seat: bool

    @property
    def told(self) -> tuple:
        """The part of it that whoever sits in the run is told of."""
        return self.starts_at, self.ends_at, self.stops


def shape_by_rule(term: ShiftTerm, day: date, zone: ZoneInfo) -> Shape:
    """What a run of a weekly run is on a date by its term, when nobody has changed it."""
    starts_at = instant(day, term.starts, zone)
    return Shape(
        starts_at=starts_at,
        ends_at=starts_at + timedelta(minutes=term.minutes),
        crates=term.crates,
        second_seat=term.second_seat,
        stops=tuple((stop.site_id, stop.after_minutes) for stop in term.stops.all()),
    )


def is_by_rule(run: Run, shape: Shape) -> bool:
    """Whether a run of a weekly run would be just as its rule has it."""
    term = run.shift.term_on(run.slot_date) if run.shift and run.slot_date else None
    if term is None or run.slot_date is None:
        return False
    return shape == shape_by_rule(term, run.slot_date, Programme.current().zone)


def shape_of(run: Run) -> Shape:
    return Shape(
        starts_at=run.starts_at,
        ends_at=run.ends_at,
        crates=run.crates,
        second_seat=run.second_seat,
        stops=tuple((stop.site_id, stop.after_minutes) for stop in run.ordered_stops),
    )


def reshape_run(
    run: Run,
    shape: Shape,
    *,
    by: Any,
    hand_edited: bool = False,
    news: News | None = None,
    at: datetime | None = None,
) -> bool:
    """Gives a run another time, stops or load. Whoever sits in it keeps the seat and is told once; with
    `news`, together with the rest of what that collects.

    Whether they may still drive it then is computed, and shown to the coordinator. True if it changed.
    """
    at = at or timezone.now()
    with transaction.atomic():
        (run,) = hold(Run.objects.filter(pk=run.pk))
        old = shape_of(run)
        if old == shape:
            return False
        run.starts_at, run.ends_at = shape.starts_at, shape.ends_at
        run.local_date = local_date(shape.starts_at, Programme.current().zone)
        run.crates, run.second_seat = shape.crates, shape.second_seat
        if hand_edited:  # changed back, it follows its weekly run again
            run.hand_edited = not is_by_rule(run, shape)
        run.save()
        if local_date(old.starts_at, Programme.current().zone) != run.local_date:
            run.stops.update(confirmed_at=None)  # what a site said was of that day
            run.bookings.live().update(confirmed_at=None)  # and so was "I'll be there"
        if old.stops != shape.stops:
            confirmed = dict(run.stops.values_list("site", "confirmed_at"))
            run.stops.all().delete()
            Stop.objects.bulk_create(
                Stop(
                    run=run,
                    position=position,
                    site_id=site,
                    after_minutes=after,
                    confirmed_at=confirmed.get(site),
                )
                for position, (site, after) in enumerate(shape.stops, start=1)
            )
        record(
            verb="changed",
            subject=run,
            by=by,
            at=at,
            before={
                "starts at": old.starts_at,
                "ends at": old.ends_at,
                "stops": str(old.stops),
                "crates": old.crates,
            },
            after={
                "starts at": shape.starts_at,
                "ends at": shape.ends_at,
                "stops": str(shape.stops),
                "crates": shape.crates,
            },
        )
        if old.told != shape.told:
            told = news or News(at=at)
            tell_of_change(run, old, news=told)
            if told is not news:
                told.settle()
        if old.starts_at != shape.starts_at:
            drop_moved(run, by=by, at=at)
    return True


def tell_of_change(run: Run, old: Shape, *, news: News) -> None:
    """Tells those on the run what changed."""
    fresh = Run.objects.get(pk=run.pk)
    for booking in fresh.bookings.live().select_related("person"):
        booking.run = fresh
        with notices.in_words_of(booking.person):
            what = differences(old, fresh)
        news.tell(booking.person, "changed", booking=booking, what=what)


def differences(old: Shape, run: Run) -> list[str]:
    """What changed, in sentences, in the active language and zone."""
    lines = []
    if old.starts_at != run.starts_at:
        before, after = localtime(old.starts_at), localtime(run.starts_at)
        lines.append(
            _("It starts on %(day)s at %(time)s; it was %(old_day)s at %(old_time)s.")
            % {
                "day": date_format(after),
                "time": time_format(after),
                "old_day": date_format(before),
                "old_time": time_format(before),
            }
        )
    elif old.ends_at != run.ends_at:
        lines.append(_("It ends at %(time)s.") % {"time": time_format(localtime(run.ends_at))})
    if [site for site, _after in old.stops] != run.site_ids:
        names = ", ".join(stop.site.name for stop in run.ordered_stops)
        lines.append(_("The stops are now: %(stops)s.") % {"stops": names})
    elif old.stops != shape_of(run).stops:
        lines.append(_("The times at the stops have changed."))
    return [sentence(line) for line in lines]

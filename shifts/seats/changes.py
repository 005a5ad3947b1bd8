"""Changes to runs and weekly runs. A booked run is never dropped silently: it is moved and told, kept
and flagged, or cancelled with notices."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from shifts.calendar import entries
from shifts.models import Booking, CalendarEntry, Policy, Run, Shift, ShiftTerm, Stop
from shifts.models.run import RunQuerySet
from shifts.schedule import making, recurrence
from shifts.schedule.clock import instant, local_date
from shifts.schedule.legs import usual_arrivals
from shifts.seats import notices
from shifts.seats.booking import give_back, hold, seat
from shifts.seats.refusals import Refusal
from sites.changes import change_programme as change_programme_facts
from sites.changes import change_site as change_site_facts
from sites.log import changes, record
from sites.models import DoorNotes, Programme, Site
from volunteers import doors, people
from volunteers.models import Person
from volunteers.people import change_person as change_person_facts

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
def cancel_run(run: Run, *, reason: str, by: Any, at: datetime | None = None) -> Run:
    """Calls a run off and tells everybody on it. A second call changes nothing."""
    at = at or timezone.now()
    (run,) = hold(Run.objects.filter(pk=run.pk))
    if run.is_cancelled:
        return run
    run.cancelled_at, run.cancel_cause, run.cancel_reason = at, Run.Cause.CALLED_OFF, reason.strip()[:200]
    run.save(update_fields=["cancelled_at", "cancel_cause", "cancel_reason"])
    record(verb="cancelled", subject=run, by=by, at=at, after={"reason": reason})
    for booking in run.bookings.live():
        give_back(booking, by=by, note=reason, end=Booking.End.CANCELLED, at=at)
    return run


@transaction.atomic
def restore_run(run: Run, *, by: Any, at: datetime | None = None) -> list[tuple[Person, Refusal]]:
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
    left_out = []
    for booking in ended:
        try:
            seat(run=run, person=booking.person, seat=booking.seat, by=by, on_behalf=True, at=at)
        except Refusal as refusal:
            left_out.append((booking.person, refusal))
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


def shape_of(run: Run) -> Shape:
    return Shape(
        starts_at=run.starts_at,
        ends_at=run.ends_at,
        crates=run.crates,
        second_seat=run.second_seat,
        stops=tuple((stop.site_id, stop.after_minutes) for stop in run.ordered_stops),
    )


def reshape_run(
    run: Run, shape: Shape, *, by: Any, hand_edited: bool = False, at: datetime | None = None
) -> bool:
    """Gives a run another time, stops or load. Whoever sits in it keeps the seat and is told once.

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
        run.hand_edited = run.hand_edited or hand_edited
        run.save()
        if old.stops != shape.stops:
            run.stops.all().delete()
            Stop.objects.bulk_create(
                Stop(run=run, position=position, site_id=site, after_minutes=after)
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
            tell_of_change(run, old, at=at)
    return True


@transaction.atomic
def write_note(run: Run, note: str, *, by: Any, at: datetime | None = None) -> Run:
    """The note that everybody on the run sees, on its page and in the calendars that follow their feed."""
    at = at or timezone.now()
    (run,) = hold(Run.objects.filter(pk=run.pk))
    before, run.note = run.note, note.strip()[:300]
    if run.note == before:
        return run
    run.save(update_fields=["note"])
    record(verb="noted", subject=run, by=by, at=at, before={"note": before}, after={"note": run.note})
    entries.note_change(CalendarEntry.objects.live().filter(booking__run=run, booking__ended_at=None), at=at)
    return run


def tell_of_change(run: Run, old: Shape, *, at: datetime) -> None:
    """Raises the calendar entries of those on the run, and tells each of them what changed."""
    fresh = Run.objects.get(pk=run.pk)
    for booking in fresh.bookings.live().select_related("person"):
        booking.run = fresh
        for entry in booking.entries.filter(cancelled_at=None):
            entry.booking = booking
            entries.raise_sequence(entry, at=at)
            with notices.in_words_of(booking.person):
                what = differences(old, fresh)
            notices.changed(booking, entry, what=what, at=at)


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
    return lines


# Weekly runs


@dataclass
class Outcome:
    """What a change of a weekly run did to its runs ahead."""

    made: int = 0
    changed: list[Run] = field(default_factory=list)
    told: list[Run] = field(default_factory=list)  # changed with somebody on it, who was told
    kept: list[Run] = field(default_factory=list)  # no longer on the rule, kept for its booking
    dropped: list[Run] = field(default_factory=list)

    def add(self, other: Outcome) -> None:
        self.made += other.made
        self.changed += other.changed
        self.told += other.told
        self.kept += other.kept
        self.dropped += other.dropped


@transaction.atomic
def change_shift(
    shift: Shift, *, plan: making.Plan, from_day: date, by: Any, name: str = "", at: datetime | None = None
) -> Outcome:
    """A new term of a weekly run from a date on. "Every 2 weeks" goes on counting from the old anchor."""
    at = at or timezone.now()
    shift = Shift.objects.select_for_update(of=("self",), no_key=True).get(pk=shift.pk)
    if name and name != shift.name:
        shift.name = name
        shift.save(update_fields=["name"])
    anchor = anchor_of(shift.term_on(from_day) or shift.terms.last(), plan, from_day)
    end_terms(shift, from_day)
    making.add_term(shift, plan, from_day=from_day, anchor=anchor)
    record(verb="changed", subject=shift, by=by, at=at, after={"from": from_day, **making.plan_facts(plan)})
    return follow_terms(shift, from_day=from_day, by=by, at=at)


def anchor_of(old: ShiftTerm | None, plan: making.Plan, from_day: date) -> date:
    """Where the weeks of the new term count from: where the old ones did, if the rhythm is the same."""
    every = recurrence.read(plan.rule).every
    if old is None or recurrence.read(old.rule).every != every:
        return from_day
    anchor = old.anchor
    while anchor > from_day:
        anchor -= timedelta(weeks=every)
    return anchor


@transaction.atomic
def end_shift(shift: Shift, *, last_day: date, by: Any, at: datetime | None = None) -> Outcome:
    """A weekly run stops after a date. Runs with somebody on them are kept and flagged."""
    at = at or timezone.now()
    shift = Shift.objects.select_for_update(of=("self",), no_key=True).get(pk=shift.pk)
    end_terms(shift, last_day + timedelta(days=1))
    record(verb="ended", subject=shift, by=by, at=at, after={"last day": last_day})
    return follow_terms(shift, from_day=last_day + timedelta(days=1), by=by, at=at)


def end_terms(shift: Shift, day: date) -> None:
    """No term is in force from the day on: later ones go, the one in force ends."""
    shift.terms.filter(applies_from__gte=day).delete()
    for term in shift.terms.all():
        if term.applies_until is None or term.applies_until > day:
            term.applies_until = day
            term.save(update_fields=["applies_until"])


def follow_terms(shift: Shift, *, from_day: date, by: Any, at: datetime) -> Outcome:
    """Brings the shift's runs from a date on in line with its terms, and makes the ones that lack.

    Runs edited by hand stay as they are. A run whose date the rule dropped: kept and flagged when
    somebody is on it, cancelled when somebody was, gone when nobody ever was.
    """
    zone = Programme.current().zone
    shift = Shift.objects.prefetch_related(making.TERMS).get(pk=shift.pk)
    ahead = shift.runs.filter(slot_date__gte=from_day, starts_at__gt=at)
    hold(ahead)
    runs = {run.slot_date: run for run in ahead.prefetch_related("stops__site")}
    last = max((day for day in runs if day), default=from_day)
    given = {day: term for term, day in making.slots(shift, from_day, last)}
    outcome = Outcome()
    for day, run in runs.items():
        if day is None or run.hand_edited:
            continue
        if day in given:
            put_on_rule(run, given[day], day, zone=zone, by=by, at=at, outcome=outcome)
        else:
            drop_from_rule(run, by=by, at=at, outcome=outcome)
    outcome.made = making.make_runs(shift, at=at)
    return outcome


def put_on_rule(
    run: Run, term: ShiftTerm, day: date, *, zone: Any, by: Any, at: datetime, outcome: Outcome
) -> None:
    if run.cancel_cause == Run.Cause.RULE:
        run.cancelled_at, run.cancel_cause, run.cancel_reason = None, "", ""
        record(verb="on again", subject=run, by=by, at=at)
    if run.title != term.shift.name:
        live = CalendarEntry.objects.live().filter(booking__run=run)
        entries.note_change(live, at=at)
    run.off_rule, run.title = False, term.shift.name
    run.save(update_fields=["cancelled_at", "cancel_cause", "cancel_reason", "off_rule", "title"])
    starts_at = instant(day, term.starts, zone)
    shape = Shape(
        starts_at=starts_at,
        ends_at=starts_at + timedelta(minutes=term.minutes),
        crates=term.crates,
        second_seat=term.second_seat,
        stops=tuple((stop.site_id, stop.after_minutes) for stop in term.stops.all()),
    )
    old = shape_of(run)
    if reshape_run(run, shape, by=by, at=at):
        outcome.changed.append(run)
        if old.told != shape.told and run.bookings.live().exists():
            outcome.told.append(run)


def drop_from_rule(run: Run, *, by: Any, at: datetime, outcome: Outcome) -> None:
    if run.bookings.live().exists():
        run.off_rule = True
        run.save(update_fields=["off_rule"])
        outcome.kept.append(run)
    elif run.is_cancelled:
        return  # it stays called off, should the date come back
    elif run.bookings.exists():
        run.cancelled_at, run.cancel_cause = at, Run.Cause.RULE
        run.save(update_fields=["cancelled_at", "cancel_cause"])
        record(verb="cancelled", subject=run, by=by, at=at, after={"cause": Run.Cause.RULE})
        outcome.dropped.append(run)
    else:
        outcome.dropped.append(run)
        run.delete()


class Undone(Exception):
    """Carries an outcome out of a transaction that is taken back."""

    def __init__(self, outcome: Outcome) -> None:
        self.outcome = outcome


def tried(change: Callable[[], Outcome]) -> Outcome:
    """What a change of a weekly run would do. It is made and taken back at once, so nothing is written.

    The runs of the outcome show what they would be. Must not be called inside a transaction that goes on.
    """
    try:
        with transaction.atomic():
            raise Undone(change())
    except Undone as undone:
        return undone.outcome


# The programme's own facts and numbers


@transaction.atomic
def change_programme(*, by: Any, at: datetime | None = None, **facts: Any) -> Outcome:
    """Changes the programme's facts. In another time zone 08:00 stays 08:00: the runs ahead are timed anew.

    One-off runs and those edited by hand keep their moment; the date they stand under is the new zone's.
    """
    at = at or timezone.now()
    old = Programme.current().zone
    zone = change_programme_facts(by=by, **facts).zone
    outcome = Outcome()
    if zone == old:
        return outcome
    from_day = min(local_date(at, old), local_date(at, zone))
    shifts = list(Shift.objects.select_for_update(no_key=True).order_by("pk"))  # before their runs, as always
    for run in hold(Run.objects.ahead(at)):
        day = local_date(run.starts_at, zone)
        if run.local_date != day:
            Run.objects.filter(pk=run.pk).update(local_date=day)
    for shift in shifts:
        outcome.add(follow_terms(shift, from_day=from_day, by=by, at=at))
    return outcome


@transaction.atomic
def change_policy(*, by: Any, at: datetime | None = None, **numbers: Any) -> Policy:
    """Changes the schedule numbers. More weeks ahead: the worker makes the runs within a minute."""
    policy = Policy.current()
    before, after = changes(policy, numbers)
    if after:
        for name, value in after.items():
            setattr(policy, name, value)
        policy.save()
        record(verb="changed", subject=policy, by=by, at=at, before=before, after=after)
    return policy


# A site that is used no longer


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
    return change_site_facts(site, by=by, ended_on=day)


def weekly_runs_at(site: Site, day: date) -> QuerySet[Shift]:
    """Weekly runs that stop at the site on the day or later, by the terms they have now."""
    terms = ShiftTerm.objects.filter(Q(applies_until=None) | Q(applies_until__gt=day), stops__site=site)
    return Shift.objects.filter(terms__in=terms).distinct()


# What calendars show beside the run itself


@transaction.atomic
def change_site(site: Site, *, by: Any, at: datetime | None = None, **facts: Any) -> Site:
    """Changes a site. A new name or address reaches the calendars of whoever is booked there."""
    at = at or timezone.now()
    hold(runs_at(site, at))
    site = Site.objects.get(pk=site.pk)
    before = (site.name, site.address, site.place)
    changed = change_site_facts(site, by=by, **facts)
    doors.follow_name(changed)
    if (changed.name, changed.address, changed.place) != before:
        for entry in entries_at(changed, at):
            entries.raise_sequence(entry, at=at)
            with notices.in_words_of(entry.person):
                what = site_differences(before, changed)
            notices.changed(entry.booking, entry, what=what, at=at)
    return changed


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
    hold(runs_at(site, at))
    notes = doors.publish(
        site,
        texts,
        by=by,
        must_read_again=must_read_again,
        drivers_know_it=drivers_know_it,
        from_day=from_day,
        at=at,
    )
    entries.note_change(entries_at(site, at), at=at)
    return notes


def runs_at(site: Site, at: datetime) -> RunQuerySet:
    """The runs that are not over and stop at the site."""
    return Run.objects.not_over(at).filter(pk__in=Stop.objects.filter(site=site).values("run"))


def entries_at(site: Site, at: datetime) -> Sequence[CalendarEntry]:
    """The live entries of those runs, each booking with its run and person."""
    return list(
        CalendarEntry.objects.live()
        .filter(booking__ended_at=None, booking__run__in=runs_at(site, at).order_by())
        .select_related("person", "booking__run", "booking__person")
        .order_by("booking__run__starts_at", "pk")
    )


@transaction.atomic
def leave(person: Person, *, give_up: Sequence[Booking] = (), by: Any, at: datetime | None = None) -> Person:
    """The person leaves the programme today, and is taken out of these of their runs."""
    at = at or timezone.now()
    hold(Run.objects.filter(bookings__in=give_up))
    for booking in give_up:
        if booking.person_id == person.pk:
            give_back(booking, by=by, end=Booking.End.TAKEN_OUT, note=_("Left the programme."), at=at)
    return people.leave(person, by=by, on=local_date(at, Programme.current().zone))


@transaction.atomic
def change_person(person: Person, *, by: Any, at: datetime | None = None, **facts: Any) -> Person:
    """Changes a person. When their mail goes elsewhere from now on, so do their invitations: cancelled at
    the old address, sent anew to the new one, under a new UID."""
    at = at or timezone.now()
    person = change_person_facts(person, by=by, at=at, **facts)
    wanted = person.email if person.is_mailed else ""
    live = CalendarEntry.objects.live().filter(
        person=person, booking__ended_at=None, booking__run__cancelled_at=None, booking__run__starts_at__gt=at
    )
    for entry in live.exclude(address=wanted).select_related("person", "booking__run", "booking__person"):
        entries.raise_sequence(entry, at=at, cancel=True)
        if entry.address:
            notices.moved_away(entry, at=at)
        fresh = entries.open_entry(entry.booking, at=at)
        if fresh.address:
            notices.booked(entry.booking, fresh, on_behalf=False, at=at)
    return person

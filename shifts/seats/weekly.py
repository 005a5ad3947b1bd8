"""Changes to weekly runs, and to what all of them depend on. A run ahead with somebody on it is never
dropped silently: it is moved and told, or kept and flagged."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import partial
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.formats import date_format, time_format
from django.utils.translation import gettext as _

from shifts.calendar import entries
from shifts.models import Booking, CalendarEntry, Policy, Run, Shift, ShiftTerm, Standing
from shifts.schedule import making, recurrence
from shifts.schedule.clock import local_date
from shifts.seats import standing as regular
from shifts.seats.booking import give_back, hold, too_close
from shifts.seats.changes import reshape_run, shape_by_rule, shape_of
from shifts.seats.keeping import how_often
from shifts.seats.news import News
from shifts.seats.refusals import sentence
from sites.changes import change_programme as change_programme_facts
from sites.log import changes, record
from sites.models import Programme
from volunteers.models import Away, Person


@dataclass
class Outcome:
    """What a change of a weekly run did to its runs ahead."""

    made: int = 0
    changed: list[Run] = field(default_factory=list)
    told: list[Run] = field(default_factory=list)  # changed with somebody on it, who was told
    kept: list[Run] = field(default_factory=list)  # no longer on the rule, kept for its booking
    dropped: list[Run] = field(default_factory=list)
    ended: list[Booking] = field(default_factory=list)  # of regular runs, whose date is no more
    doubtful: list[tuple[Booking, str]] = field(default_factory=list)  # moved, and may not fit any more

    def add(self, other: Outcome) -> None:
        self.made += other.made
        self.changed += other.changed
        self.told += other.told
        self.kept += other.kept
        self.dropped += other.dropped
        self.ended += other.ended
        self.doubtful += other.doubtful


@transaction.atomic
def change_shift(
    shift: Shift,
    *,
    plan: making.Plan,
    from_day: date,
    by: Any,
    name: str = "",
    resume: Collection[int] = (),
    at: datetime | None = None,
) -> Outcome:
    """A new term of a weekly run from a date on. "Every 2 weeks" goes on counting from the old anchor.

    `resume` are keys of regular runs that ended when the weekly run did: they go on with it.
    """
    at = at or timezone.now()
    shift = Shift.objects.select_for_update(of=("self",), no_key=True).get(pk=shift.pk)
    hold_all(shift, from_day, at)
    if name and name != shift.name:
        shift.name = name
        shift.save(update_fields=["name"])
        entries.note_change(CalendarEntry.objects.live().filter(standing__shift=shift), at=at)
    go_on_again(shift, resume, from_day)
    old = shift.term_on(from_day)
    anchor = anchor_of(old or shift.terms.last(), plan, from_day)
    before = regular.terms_told(old)
    end_terms(shift, from_day)
    term = making.add_term(shift, plan, from_day=from_day, anchor=anchor)
    record(verb="changed", subject=shift, by=by, at=at, after={"from": from_day, **making.plan_facts(plan)})
    news = News(at=at, headline=lambda: _("Your runs: %(run)s has changed") % {"run": shift.name})
    if resume or before != regular.terms_told(term):
        day = max(from_day, local_date(at, Programme.current().zone))  # what was driven stays as it was told
        for standing in regular.succeed(shift, day, rule=plan.rule, by=by, at=at):
            news.say(standing.person, partial(changed_for_good, standing, term))
    outcome = follow_terms(shift, from_day=from_day, by=by, news=news, at=at)
    news.settle()
    return outcome


def hold_all(shift: Shift, from_day: date, at: datetime) -> None:
    """Locks the runs ahead, whoever sits in them, and everybody who has or had a regular run there: their
    calendars may show its name still."""
    people = shift.standings.values_list("person", flat=True)
    hold(shift.runs.filter(slot_date__gte=from_day, starts_at__gt=at), also=people)


def go_on_again(shift: Shift, keys: Collection[int], day: date) -> None:
    """Takes back the end of regular runs; not of those whose person has left, or has another one there."""
    ended = shift.standings.filter(pk__in=keys, person__left_on=None, person__drives=True)
    open_ = set(shift.standings.going_on(day).values_list("person", flat=True))
    for standing in ended.order_by("pk"):
        if standing.person_id not in open_:
            standing.until_day = None
            standing.save(update_fields=["until_day"])
            open_.add(standing.person_id)


def changed_for_good(standing: Standing, term: ShiftTerm) -> str:
    """In the active language and zone: what a regular run is from now on."""
    names = ", ".join(stop.site.name for stop in term.stops.select_related("site"))
    return sentence(
        _("From %(day)s on your regular run %(run)s goes %(when)s at %(time)s: %(stops)s.")
        % {
            "day": date_format(max(term.applies_from, standing.from_day)),
            "run": standing.shift.name,
            "when": how_often(standing),
            "time": time_format(term.starts),
            "stops": names,
        }
    )


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
    """A weekly run stops after a date, and its regular runs with it. Runs on which somebody else is booked
    are kept and flagged."""
    at = at or timezone.now()
    shift = Shift.objects.select_for_update(of=("self",), no_key=True).get(pk=shift.pk)
    after = last_day + timedelta(days=1)
    hold_all(shift, after, at)
    end_terms(shift, after)
    record(verb="ended", subject=shift, by=by, at=at, after={"last day": last_day})
    news = News(at=at, headline=lambda: _("Your runs: %(run)s ends") % {"run": shift.name})
    ended = list(Booking.objects.live().filter(standing__shift=shift, run__slot_date__gte=after))
    for standing in shift.standings.going_on(after).select_related("person", "shift"):
        regular.stop(standing, last_day=last_day, by=by, news=news, at=at)
    outcome = follow_terms(shift, from_day=after, by=by, news=news, at=at)
    outcome.ended += ended
    news.settle()
    return outcome


def end_terms(shift: Shift, day: date) -> None:
    """No term is in force from the day on: later ones go, the one in force ends."""
    shift.terms.filter(applies_from__gte=day).delete()
    for term in shift.terms.all():
        if term.applies_until is None or term.applies_until > day:
            term.applies_until = day
            term.save(update_fields=["applies_until"])


def follow_terms(shift: Shift, *, from_day: date, by: Any, news: News, at: datetime) -> Outcome:
    """Brings the shift's runs from a date on in line with its terms, makes the ones that lack, and seats
    regular drivers. The caller settles `news`.

    Runs edited by hand stay as they are. A run whose date the rule dropped: kept and flagged when
    somebody is on it who booked that very run, cancelled when somebody was, gone when nobody ever was.
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
            put_on_rule(run, given[day], day, zone=zone, by=by, news=news, at=at, outcome=outcome)
        else:
            drop_from_rule(run, by=by, news=news, at=at, outcome=outcome)
    # A run edited by hand stays with its driver, as a booking of its own.
    off = [run.pk for day, run in runs.items() if run.hand_edited and day not in given]
    Booking.objects.live().filter(run__in=off).update(standing=None)
    outcome.made = making.make_runs(shift, at=at)
    outcome.doubtful = doubtful(outcome.told, at=at)
    for standing in regular.regular_rows(shift, local_date(at, zone)):
        fresh = shift.runs.on_the_books().ahead(at).filter(slot_date__gte=from_day)
        regular.seat_in(standing, list(fresh), by=by, news=news, at=at)
    return outcome


def doubtful(runs: Sequence[Run], *, at: datetime) -> list[tuple[Booking, str]]:
    """Bookings of runs that moved whose person may not be able to drive them any more, and why: they keep
    their seat, and the coordinator asks. A number of queries that does not grow with the runs."""
    runs = list(Run.objects.filter(pk__in=[run.pk for run in runs]).with_people())
    people = {booking.person_id for run in runs for booking in run.seated}
    if not people:
        return []
    barred = {one.pk: one.barred for one in Booking.objects.clearance_gone().filter(run__in=runs)}
    crowded = too_close(people, at, Policy.current())
    absences = list(Away.objects.filter(person__in=people))
    found = []
    for run in runs:
        for booking in run.seated:
            if barred.get(booking.pk):
                found.append((booking, "not to be sent to one of its sites"))
            elif booking.pk in barred:
                found.append((booking, "not ready to drive alone there on that date"))
            elif (run.pk, booking.person_id) in crowded:
                found.append((booking, "has another run too close to it"))
            elif booking.person_id in away_on(absences, run.local_date):
                found.append((booking, "said to be away that day"))
    return found


def away_on(absences: Sequence[Away], day: date) -> set[int]:
    return {one.person_id for one in absences if one.first <= day <= one.last}


def put_on_rule(
    run: Run, term: ShiftTerm, day: date, *, zone: Any, by: Any, news: News, at: datetime, outcome: Outcome
) -> None:
    if run.cancel_cause == Run.Cause.RULE:
        run.cancelled_at, run.cancel_cause, run.cancel_reason = None, "", ""
        record(verb="on again", subject=run, by=by, at=at)
    if run.title != term.shift.name:
        entries.note_change(entries.of_runs(Run.objects.filter(pk=run.pk)), at=at)
    run.off_rule, run.title = False, term.shift.name
    run.save(update_fields=["cancelled_at", "cancel_cause", "cancel_reason", "off_rule", "title"])
    old, shape = shape_of(run), shape_by_rule(term, day, zone)
    if reshape_run(run, shape, by=by, news=regular.AsAWhole(news), at=at):
        outcome.changed.append(run)
        if old.told != shape.told and run.bookings.live().exists():
            outcome.told.append(run)


def drop_from_rule(run: Run, *, by: Any, news: News, at: datetime, outcome: Outcome) -> None:
    for booking in run.bookings.live().exclude(standing=None).select_related("person"):
        outcome.ended.append(booking)
        give_back(booking, by=by, end=Booking.End.CANCELLED, news=regular.Quiet(news), at=at)
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
    everybody = Person.objects.values_list("pk", flat=True)
    runs = hold(Run.objects.ahead(at), also=everybody)
    entries.feed_changed(everybody)  # times in words are others
    for run in runs:
        day = local_date(run.starts_at, zone)
        if run.local_date != day:
            Run.objects.filter(pk=run.pk).update(local_date=day)
    news = News(at=at)
    for person in Person.objects.filter(standings__in=Standing.objects.going_on(from_day)).distinct():
        news.follow(person)
    for shift in shifts:
        outcome.add(follow_terms(shift, from_day=from_day, by=by, news=news, at=at))
    news.settle()
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

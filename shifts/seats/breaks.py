"""A break, leaving, coming back: what becomes of somebody's runs, and what a long absence asks for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Exists, Max, OuterRef, Q, QuerySet
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from shifts.models import Booking, Policy, Run, Standing
from shifts.schedule.clock import local_date
from shifts.seats import handover, notices
from shifts.seats import standing as regular
from shifts.seats.booking import give_back, hold
from shifts.seats.news import News
from shifts.seats.on_call import coordinators
from sites.dates import us
from sites.models import Programme
from volunteers import outbox, people
from volunteers.models import Completion, Person, Step
from volunteers.models.person import PersonQuerySet
from volunteers.people import change_person
from volunteers.progress import NotPossible, add_months, withdraw


def stopping(person: Person, at: datetime) -> list[Standing]:
    """Their regular runs, which end with a break. A crew's go on: its captain only names who drives."""
    going_on = person.standings.going_on(local_date(at, Programme.current().zone))
    return list(going_on.filter(crew="").select_related("shift", "person"))


def to_give_back(person: Person, at: datetime) -> QuerySet[Booking]:
    """Their seats ahead that do not end with a regular run anyway, first run first."""
    today = local_date(at, Programme.current().zone)
    ahead = Booking.objects.live().of(person).filter(run__ends_at__gt=at, run__cancelled_at=None)
    with_it = Q(standing__isnull=False, standing__crew="", run__slot_date__gt=today)
    return ahead.exclude(with_it).select_related("run", "person").order_by("run__starts_at")


@transaction.atomic
def take_break(
    person: Person, *, give_up: Sequence[Booking] = (), by: Any, at: datetime | None = None
) -> Person:
    """They pause from today until they say that they are back: out of these of their runs, and their
    regular runs end. A second call changes nothing. Raises NotPossible for somebody who has left."""
    at = at or timezone.now()
    held_person(person, give_up, at)
    person = Person.objects.get(pk=person.pk)
    if person.left_on or person.asking_since:
        raise NotPossible(_("%(name)s is not with the programme now.") % {"name": person.name})
    if person.paused_on:
        return person
    news = News(at=at, headline=lambda: _("You are on a break"))
    news.say(person, lambda: _("Nobody asks you to drive until you say that you are back."))
    given = end_runs(person, give_up, note=_("Takes a break."), by=by, news=news, at=at)
    news.settle()
    person = change_person(person, by=by, at=at, paused_on=local_date(at, Programme.current().zone))
    tell_coordinators(person, lambda: _("%(name)s takes a break"), given, by=by, at=at)
    return person


@transaction.atomic
def leave(person: Person, *, give_up: Sequence[Booking] = (), by: Any, at: datetime | None = None) -> Person:
    """The person leaves the programme today: out of these of their runs, and their regular runs end, those
    of a crew too."""
    at = at or timezone.now()
    day = local_date(at, Programme.current().zone)
    held_person(person, give_up, at)
    person = Person.objects.get(pk=person.pk)
    news = News(at=at)
    given = end_runs(person, give_up, note=_("Left the programme."), crews=True, by=by, news=news, at=at)
    news.settle()
    left = people.leave(person, by=by, on=day)
    tell_coordinators(left, lambda: _("%(name)s has left the programme"), given, by=by, at=at)
    return left


@transaction.atomic
def come_back(person: Person, *, by: Any, at: datetime | None = None) -> Person:
    """The break is over, or they are with the programme again. What ran out meanwhile is missing now, and a
    long absence asks for more. A second call changes nothing."""
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=person.pk)
    if not person.paused_on and not person.left_on:
        return person
    person = people.come_back(person, by=by, on=local_date(at, Programme.current().zone), at=at)
    follow_absence(at=at, people=Person.objects.filter(pk=person.pk))
    tell_coordinators(person, lambda: _("%(name)s is back"), 0, by=by, at=at)
    return person


def held_person(person: Person, give_up: Sequence[Booking], at: datetime) -> None:
    """Locks every run that is touched, then whoever sits in them."""
    shifts = person.standings.going_on(local_date(at, Programme.current().zone)).values("shift")
    asked = [hand_over.booking_id for hand_over in handover.asked_of(person, at)]
    runs = Q(bookings__in=[*give_up, *asked]) | Q(shift__in=shifts, starts_at__gt=at)
    hold(Run.objects.filter(runs), also=[person.pk])


def end_runs(
    person: Person,
    give_up: Sequence[Booking],
    *,
    note: str,
    crews: bool = False,
    by: Any,
    news: News,
    at: datetime,
) -> int:
    """Gives these seats back, ends their regular runs from tomorrow on, and answers no to whoever asks them
    to take a run; the number of seats that fell empty. The caller holds runs and person."""
    ahead = Booking.objects.live().of(person).filter(run__starts_at__gt=at)
    before = ahead.count()
    own = by is not None and by.pk == person.user_id
    end = Booking.End.GIVEN_BACK if own else Booking.End.TAKEN_OUT
    for booking in give_up:
        if booking.person_id == person.pk:
            give_back(booking, by=by, end=end, note=note, news=news, at=at)
    day = local_date(at, Programme.current().zone)
    standings = person.standings.going_on(day).select_related("shift", "person")
    for standing in standings if crews else standings.filter(crew=""):
        regular.stop(standing, last_day=day, by=by, news=news, at=at)
    for hand_over in handover.asked_of(person, at):
        handover.decline(hand_over, by=by, at=at)
    return before - ahead.count()


def tell_coordinators(
    person: Person, headline: Callable[[], str], given: int, *, by: Any, at: datetime
) -> None:
    """What somebody decided for themselves; a coordinator who did it for them needs no mail."""
    if by is None or by.pk != person.user_id:
        return
    for coordinator in coordinators(at).exclude(pk=person.pk).exclude(user=by):
        with notices.in_words_of(coordinator) as programme:
            some = ngettext(
                "%(n)s run of theirs is given back.", "%(n)s runs of theirs are given back.", given
            )
            context = {
                "headline": headline() % {"name": person.name},
                "lines": [some % {"n": given}] if given else [_("No run changes by it.")],
                "link": settings.BASE_URL + reverse("desk_person", args=[person.pk]),
                "where": "person",
                "programme": programme,
            }
            outbox.owe(
                person=coordinator,
                mail=outbox.render("news", context),
                kind="break",
                key=f"break:{person.pk}:{at.isoformat()}:{coordinator.pk}",
                at=at,
                programme=programme,
            )


# --- a long absence


@dataclass(frozen=True)
class Lapse:
    """A step that is due again, because its person has been on no run since a day."""

    completion: Completion
    since: date


def follow_absence(*, at: datetime | None = None, people: PersonQuerySet | None = None) -> int:
    """Whoever has been on no run for long reads the briefing again, and after longer still rides along once
    more: these steps are taken back, as the policy's months say (0: never). The number of people.

    Of people who were ready or drove once, not of newcomers. Reading the briefing, or a ride, after the
    absence counts anew, so that nothing is asked twice. Safe to repeat. None: everybody who drives now.
    """
    at = at or timezone.now()
    found = lapses(Person.objects.drivers() if people is None else people.filter(drives=True), at)
    for lapsed in found.values():
        ask_again(lapsed, at=at)
    return len(found)


def lapses(people: PersonQuerySet, at: datetime) -> dict[int, list[Lapse]]:
    """By the person's key, what is due again; one query. A completion counts as fresh from the day it was
    recorded, so that a roster brought in today locks nobody out."""
    policy, zone = Policy.current(), Programme.current().zone
    today = local_date(at, zone)
    months = {Step.Kind.BRIEFING: policy.refresher_months, Step.Kind.RIDE: policy.ride_again_months}
    taken_part = Q(
        person__bookings__ended_at=None,
        person__bookings__run__cancelled_at=None,
        person__bookings__run__ends_at__lte=at,
    )
    driven = (
        Booking.objects.live()
        .drivers()
        .filter(person=OuterRef("person"), run__cancelled_at=None, run__ends_at__lte=at)
    )
    done = (
        Completion.objects.standing()
        .filter(person__in=people, step__site=None, step__kind__in=list(months))
        .annotate(last_run=Max("person__bookings__run__local_date", filter=taken_part), drove=Exists(driven))
        .select_related("step", "person")
        .order_by("person", "pk")
    )
    of_person: dict[int, list[Any]] = {}
    for completion in done:
        of_person.setdefault(completion.person_id, []).append(completion)
    found: dict[int, list[Lapse]] = {}
    for pk, completions in of_person.items():
        rides = [fresh_from(one, zone) for one in completions if one.step.kind == Step.Kind.RIDE]
        if not rides and not completions[0].drove:
            continue  # still on the way
        seen = max([*rides, *(one.last_run for one in completions if one.last_run)])
        for one in completions:
            since = seen if one.step.kind == Step.Kind.RIDE else max(seen, fresh_from(one, zone))
            limit = months[Step.Kind(one.step.kind)]
            if limit and add_months(since, limit) <= today:
                found.setdefault(pk, []).append(Lapse(one, seen))
    return found


def fresh_from(completion: Completion, zone: Any) -> date:
    return max(completion.valid_from, local_date(completion.recorded_at, zone))


@transaction.atomic
def ask_again(lapsed: Sequence[Lapse], *, at: datetime) -> None:
    """Takes the steps back, each with its reason. Whoever has a run ahead is told."""
    person = lapsed[0].completion.person
    for lapse in lapsed:
        rides = lapse.completion.step.kind == Step.Kind.RIDE
        again = "please ride along again" if rides else "please read it again"
        withdraw(lapse.completion, reason=f"No run since {us(lapse.since)}: {again}.", by=None, at=at)
    ahead = Booking.objects.live().of(person).filter(run__starts_at__gt=at, run__cancelled_at=None)
    first = ahead.select_related("run").order_by("run__starts_at").first()
    if first:
        tell_of_absence(person, first.run, lapsed, at=at)


def tell_of_absence(person: Person, run: Run, lapsed: Sequence[Lapse], *, at: datetime) -> None:
    kinds = {lapse.completion.step.kind for lapse in lapsed}
    with notices.in_words_of(person) as programme:
        words = {
            "day": date_format(lapsed[0].since),
            "run": notices.line_of_run(run),
        }
        lines = [
            _("Your last run was on %(day)s. Good that you drive again!") % words,
            _("Your next one: %(run)s. You keep the seat.") % words,
        ]
        if Step.Kind.BRIEFING in kinds:
            lines.append(_("Please read the driver briefing again before it; some minutes are enough."))
        if Step.Kind.RIDE in kinds:
            lines.append(
                _(
                    "After so long, please ride along once more with a lead driver first. "
                    "The coordinator finds a ride with you."
                )
            )
        context = {
            "headline": _("Before your next run"),
            "lines": lines,
            "link": settings.BASE_URL + reverse("orientation"),
            "where": "steps",
            "programme": programme,
        }
        outbox.owe(
            person=person,
            mail=outbox.render("news", context),
            kind="absence",
            key="absence:" + ":".join(str(lapse.completion.pk) for lapse in lapsed),
            at=at,
            programme=programme,
        )

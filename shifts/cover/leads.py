"""Lead drivers: who might become one, and a coordinator's word that makes or ends one. Never by itself."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import transaction
from django.db.models import Count
from django.urls import reverse
from django.utils import timezone

from shifts.cover.pace import driven_alone
from shifts.models import Policy
from shifts.seats.notices import in_words_of
from sites.log import record
from sites.models import Event, Programme
from volunteers import clearance, outbox, people
from volunteers.models import Message, Person
from volunteers.progress import NotPossible, add_months, today

NOT_NOW = "not a lead now"  # a coordinator's answer to the suggestion; the log alone keeps it
AFTER_ALL = "suggested as a lead again"
NOT_NOW_MONTHS = 6  # common practice, no published source


@dataclass(frozen=True)
class Suggestion:
    person: Person
    runs: int  # driven alone within the policy's months


def could_lead(*, at: datetime) -> list[Suggestion]:
    """Adults who are ready, lead nobody yet and drove the policy's number of runs alone within its months,
    most runs first; without those of whom a coordinator said "not now" in the last six months."""
    policy, zone = Policy.current(), Programme.current().zone
    day = at.astimezone(zone).date()
    lately = driven_alone(at).filter(run__local_date__gt=add_months(day, -policy.lead_within_months))
    counts = lately.order_by().values_list("person").annotate(n=Count("pk"))
    runs = dict(counts.filter(n__gte=policy.lead_after_runs))
    adults = Person.objects.drivers().filter(pk__in=runs, is_adult=True, lead_since=None)
    ready = list(clearance.cleared(adults, on=day))
    answers = Event.objects.newest_of_each((person.pk for person in ready), verbs=(NOT_NOW, AFTER_ALL))
    long_ago = months_before(at, NOT_NOW_MONTHS, zone)
    found = [
        Suggestion(person, runs[person.pk])
        for person in ready
        if not_refused(answers.get(person.pk), long_ago)
    ]
    return sorted(found, key=lambda one: (-one.runs, one.person.name, one.person.pk))


def not_refused(answer: Event | None, long_ago: datetime) -> bool:
    return answer is None or answer.verb != NOT_NOW or answer.at < long_ago


def months_before(at: datetime, months: int, zone: ZoneInfo) -> datetime:
    """The same hour of the programme's clock that many months before."""
    local = at.astimezone(zone)
    return datetime.combine(add_months(local.date(), -months), local.time(), zone)


@transaction.atomic
def appoint(person: Person, *, by: Any, since: date | None = None, at: datetime | None = None) -> Person:
    """Makes a lead driver of a person, from a day on that is not to come (today when None), and tells them.
    Only an adult who is here and ready to drive alone today can lead: raises NotPossible with a sentence.
    Nothing happens to somebody who leads already."""
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=person.pk)
    if person.is_lead:
        return person
    may_lead(person, at)
    day = today(at)
    person = people.appoint_lead(person, by=by, since=min(since or day, day))
    tell(person, "lead_driver", at=at)
    return person


def may_lead(person: Person, at: datetime) -> None:
    """Raises NotPossible for somebody who may not be a lead driver now."""
    name = person.first_name
    if not person.is_adult:
        raise NotPossible(f"{name} is under 18: only an adult takes a trainee along.")
    if person.left_on:
        raise NotPossible(f"{name} has left the programme. Bring them back first.")
    if person.asking_since:
        raise NotPossible(f"{name} asks to join and has no answer yet. Answer that first.")
    if person.paused_on:
        raise NotPossible(f"{name} is on a break. Ask again when they are back.")
    if not person.drives:
        raise NotPossible(f"{name} does not drive. A lead driver takes the driver's seat.")
    missing = clearance.missing(person, on=today(at))
    if missing:
        titles = ", ".join(term.step.title for term in missing)
        raise NotPossible(f"{name} is not ready to drive alone, so cannot lead. Record first: {titles}.")


@transaction.atomic
def end(person: Person, *, by: Any, at: datetime | None = None) -> Person:
    """They are a lead driver no longer, and are told. What they signed off stands."""
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=person.pk)
    if not person.is_lead:
        return person
    person = people.end_lead(person, by=by)
    tell(person, "lead_driver_ended", at=at)
    return person


def tell(person: Person, name: str, *, at: datetime) -> None:
    """Owes the mail, unless it takes back one that nobody has had yet: then neither is sent."""
    about = f"lead:{person.pk}"
    unsaid = Message.objects.filter(about=about, state__in=[Message.State.OWED, Message.State.TELL])
    if unsaid.update(state=Message.State.REPLACED, done_at=at):
        return
    with in_words_of(person) as programme:
        context = {
            "person": person,
            "programme": programme,
            "link": settings.BASE_URL + reverse("home"),
        }
        outbox.owe(
            person=person,
            mail=outbox.render(name, context),
            kind="lead driver",
            key=f"{about}:{secrets.token_hex(8)}",
            about=about,
            at=at,
            programme=programme,
        )


@transaction.atomic
def not_now(person: Person, *, by: Any, at: datetime | None = None) -> None:
    """Not suggested as a lead driver for six months."""
    record(verb=NOT_NOW, subject=person, person=person, by=by, at=at)


@transaction.atomic
def after_all(person: Person, *, by: Any, at: datetime | None = None) -> None:
    """Suggested again, as if nobody had said "not now"."""
    record(verb=AFTER_ALL, subject=person, person=person, by=by, at=at)

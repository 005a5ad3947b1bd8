"""What runs out or is asked anew: drivers are told in time, once for each of the policy's days before."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Q
from django.urls import reverse
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from shifts.models import Booking, Policy, Run
from shifts.schedule.clock import local_date
from shifts.schedule.quiet import quiet_hours
from shifts.seats.consequences import bookings_at, regulars_at
from shifts.seats.keeping import regulars_of
from shifts.seats.notices import in_words_of
from sites.log import record
from sites.models import Event, Programme, subject_of
from sites.turns import each_in_turn
from volunteers import outbox, papers, steps
from volunteers.models import Completion, PaperPhoto, Person, Step, StepTerm

REMINDED = "reminded"  # the event of one reminder, of one person, of one completion or term
NAMED = 5  # runs named in a mail before "and more"

# A change of the steps that is taken back within this time is told to nobody.
SECOND_THOUGHTS = timedelta(hours=1)
DAY = timedelta(days=1)


@dataclass(frozen=True)
class Due:
    """What a person will be without from the day after `until` on: something they have runs out, or a step
    is asked anew. `days` is the threshold, in days before, that it has come to."""

    person_id: int
    row: Completion | StepTerm
    until: date
    days: int

    @property
    def step(self) -> Step:
        return self.row.step

    @property
    def is_asked_anew(self) -> bool:
        return isinstance(self.row, StepTerm)

    @property
    def is_to_follow(self) -> bool:
        return isinstance(self.row, Completion) and self.row.how == Completion.How.SEEN

    @property
    def once(self) -> tuple[str, int | None, int]:
        """What is told only once."""
        return (subject_of(self.row), self.person_id, self.days)


def remind_ahead(at: datetime) -> int:
    """Reminds whoever drives of what runs out, and of what will be asked of them anew; the number of people
    told. May be repeated at will.

    A reminder is due from its day on until the last day, so that a worker that was down for days catches up;
    of several only the nearest is sent, and none in quiet hours. What is asked from this very day on, or
    since yesterday, is still told.
    """
    zone, policy = Programme.current().zone, Policy.current()
    days, today = policy.reminders(), local_date(at, zone)
    if not days or quiet_hours(at, policy, zone):
        return 0
    people = {one.person_id for one in due(today, days, at=at)}
    return sum(each_in_turn(sorted(people), lambda pk: remind(pk, days, today=today, at=at)))


def due(today: date, days: Sequence[int], *, at: datetime, person: Person | None = None) -> list[Due]:
    """What is due and was not sent yet, soonest first; of one person where one is given. Three queries, and
    a few for each step that is asked anew."""
    last = today + timedelta(days=max(days))
    ending = papers.running_out(first=today, last=last).filter(person__in=Person.objects.drivers())
    if person:
        ending = ending.filter(person=person)
    reached = [
        Due(one.person_id, one, one.valid_until, nearest(days, one.valid_until - today))
        for one in ending
        if one.valid_until
    ]
    for term, lacking in steps.asked_anew(today - DAY, last + DAY, before=at - SECOND_THOUGHTS):
        until = term.applies_from - DAY
        here = [pk for pk in lacking if person is None or pk == person.pk]
        reached += [Due(pk, term, until, nearest(days, until - today)) for pk in those_of(term, here, at)]
    sent = {
        (event.subject, event.person_id, (event.after or {}).get("days"))
        for event in Event.objects.filter(verb=REMINDED, subject__in={subject_of(one.row) for one in reached})
    }
    return sorted((one for one in reached if one.once not in sent), key=lambda one: one.until)


def those_of(term: StepTerm, people: Sequence[int], at: datetime) -> list[int]:
    """Of the people, by their keys, whom the step concerns: at a site, those who are to drive there."""
    if term.step.site is None or not people:
        return list(people)
    there = {booking.person_id for booking in bookings_at(term.step.site, at)}
    there |= {regular.person_id for regular in regulars_at(term.step.site, at)}
    return [pk for pk in people if pk in there]


def nearest(days: Iterable[int], left: timedelta) -> int:
    """The threshold that was reached last with so much time left."""
    return min(threshold for threshold in days if threshold >= left.days)


@transaction.atomic
def remind(pk: int, days: Sequence[int], *, today: date, at: datetime) -> bool:
    """One mail to a person about everything that is due; False where another worker was first."""
    person = Person.objects.locked().get(pk=pk)
    found = due(today, days, at=at, person=person)
    if not found:
        return False
    for one in found:
        record(
            verb=REMINDED, subject=one.row, person=person, by=None, at=at,
            after={"step": one.step, "until": one.until, "days": one.days, "anew": one.is_asked_anew},
        )  # fmt: skip
    first = found[0]
    with in_words_of(person) as programme:
        context = what_to_say(person, found, at) | {"person": person, "programme": programme}
        outbox.owe(
            person=person,
            mail=outbox.render("runs_out", context),
            kind="runs out",
            key=f"runs-out:{subject_of(first.row)}:{first.days}:{person.pk}",
            at=at,
            programme=programme,
        )
    return True


def what_to_say(person: Person, found: Sequence[Due], at: datetime) -> dict[str, Any]:
    """What the mail says, in the active language: of each step once, and the runs that come after it."""
    photos = Policy.current().photos_on
    by_step: dict[int, Due] = {}  # the same paper may have been recorded twice
    for one in found:
        by_step.setdefault(one.step.pk, one)
    photos = Policy.current().photos_on
    things = [
        {
            "name": _(one.step.title),
            "until": one.until,
            "anew_from": one.until + DAY if one.is_asked_anew else None,
            "to_follow": one.is_to_follow,
            "how": how_to_renew(one.step, photos=photos),
            "link": settings.BASE_URL + where_to_renew(one.step, photos=photos),
        }
        for one in by_step.values()
    ]
    runs = runs_after(person, by_step.values(), at)
    return {
        "things": things,
        "names": ", ".join(str(thing["name"]) for thing in things),
        "only": things[0] if len(things) == 1 else None,
        "any_anew": any(one.is_asked_anew for one in found),
        "runs": [in_one_line(run) for run in runs[:NAMED]],
        "more": max(0, len(runs) - NAMED),
    }


def how_to_renew(step: Step, *, photos: bool) -> str:
    if step.kind == Step.Kind.PAPER and photos:
        return _("Send a photo of the new one, or show it to the coordinator.")
    return _(step.how) if step.how else _("Ask the coordinator.")


def where_to_renew(step: Step, *, photos: bool) -> str:
    if step.kind == Step.Kind.PAPER and photos:
        return reverse("paper", args=[step.pk])
    return reverse("orientation")


def runs_after(person: Person, ending: Iterable[Due], at: datetime) -> list[Run]:
    """The person's runs ahead for which one of these will be missing: those they drive, and those that are
    kept for them. By start."""
    beyond = Q()
    for one in ending:
        later = Q(local_date__gt=one.until)
        if one.step.site_id:
            later &= Q(pk__in=Run.objects.filter(stops__site=one.step.site_id).values("pk"))
        beyond |= later
    ahead = Run.objects.on_the_books().ahead(at).filter(beyond)
    driven = Booking.objects.live().drivers().of(person)
    mine = list(ahead.filter(pk__in=driven.values("run")))
    empty = list(
        ahead.unfilled().filter(shift__standings__person=person, shift__standings__crew="").distinct()
    )
    kept = regulars_of(empty)
    mine += [run for run in empty if run.pk in kept and kept[run.pk].person_id == person.pk]
    return sorted(mine, key=lambda run: run.starts_at)


def in_one_line(run: Run) -> str:
    start = localtime(run.starts_at)
    return f"{run.title}, {date_format(start)}, {time_format(start)}"


@transaction.atomic
def not_readable(photo: PaperPhoto, *, by: Any, at: datetime) -> bool:
    """Deletes a photograph that cannot be read and asks its sender for another one. False when it is gone."""
    if not papers.discard(photo, by=by, why="not readable", at=at):
        return False
    step, person = photo.step, photo.person
    with in_words_of(person) as programme:
        photos = Policy.current().photos_on
        context = {
            "name": _(step.title),
            "how": how_to_renew(step, photos=photos),
            "link": settings.BASE_URL + where_to_renew(step, photos=photos),
            "person": person,
            "programme": programme,
        }
        outbox.owe(
            person=person,
            mail=outbox.render("not_readable", context),
            kind="not readable",
            key=f"not-readable:{photo.pk}:{at.isoformat()}",
            at=at,
            programme=programme,
        )
    return True

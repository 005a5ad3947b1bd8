"""What runs out: its holders are told in time, and once for each of the policy's days before."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
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
from shifts.seats.keeping import regulars_of
from shifts.seats.notices import in_words_of
from sites.log import record
from sites.models import Event, Programme, subject_of
from volunteers import outbox, papers
from volunteers.models import Completion, PaperPhoto, Person, Step

REMINDED = "reminded"  # the event of one reminder of one completion
NAMED = 5  # runs named in a mail before "and more"

Due = tuple[Completion, int]  # a completion that runs out, and the threshold in days it has come to


def remind_papers(at: datetime) -> int:
    """Reminds whoever drives of what runs out; the number of people told. May be repeated at will.

    A reminder is due from its day on until the paper's last day, so that a worker that was down for days
    catches up; of several only the nearest is sent, and none in quiet hours.
    """
    zone, policy = Programme.current().zone, Policy.current()
    days, today = policy.reminders(), local_date(at, zone)
    if not days or quiet_hours(at, policy, zone):
        return 0
    people = {completion.person_id for completion, _days in due(today, days)}
    return sum(remind(pk, days, today=today, at=at) for pk in sorted(people))


def due(today: date, days: Sequence[int], *, person: Person | None = None) -> list[Due]:
    """What is due and was not sent yet, soonest first; of one person where one is given. Two queries."""
    last = today + timedelta(days=max(days))
    ending = papers.running_out(first=today, last=last).filter(person__in=Person.objects.drivers())
    if person:
        ending = ending.filter(person=person)
    reached = [(one, nearest(days, one.valid_until - today)) for one in ending if one.valid_until]
    subjects = [subject_of(completion) for completion, _days in reached]
    sent = {
        (event.subject, (event.after or {}).get("days"))
        for event in Event.objects.filter(verb=REMINDED, subject__in=subjects)
    }
    return [(one, threshold) for one, threshold in reached if (subject_of(one), threshold) not in sent]


def nearest(days: Iterable[int], left: timedelta) -> int:
    """The threshold that was reached last with so much time left."""
    return min(threshold for threshold in days if threshold >= left.days)


@transaction.atomic
def remind(pk: int, days: Sequence[int], *, today: date, at: datetime) -> bool:
    """One mail to a person about everything that is due; False where another worker was first."""
    person = Person.objects.locked().get(pk=pk)
    found = due(today, days, person=person)
    if not found:
        return False
    for completion, threshold in found:
        record(
            verb=REMINDED, subject=completion, person=person, by=None, at=at,
            after={"step": completion.step, "until": completion.valid_until, "days": threshold},
        )  # fmt: skip
    first, threshold = found[0]
    with in_words_of(person) as programme:
        context = what_to_say(person, found, at) | {"person": person, "programme": programme}
        outbox.owe(
            person=person,
            mail=outbox.render("runs_out", context),
            kind="runs out",
            key=f"runs-out:{first.pk}:{threshold}",
            at=at,
            programme=programme,
        )
    return True


def what_to_say(person: Person, found: Sequence[Due], at: datetime) -> dict[str, Any]:
    """What the mail says, in the active language: of each paper once, and the runs that come after it."""
    photos = Policy.current().photos_on
    newest: dict[int, Completion] = {}  # the same paper may have been recorded twice
    for completion, _threshold in found:
        newest.setdefault(completion.step_id, completion)
    things = [
        {
            "name": _(one.step.title),
            "until": one.valid_until,
            "to_follow": one.how == Completion.How.SEEN,
            "how": how_to_renew(one.step, photos=photos),
            "link": settings.BASE_URL + where_to_renew(one.step, photos=photos),
        }
        for one in newest.values()
    ]
    runs = runs_after(person, newest.values(), at)
    return {
        "things": things,
        "names": ", ".join(str(thing["name"]) for thing in things),
        "only": things[0] if len(things) == 1 else None,
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


def runs_after(person: Person, ending: Iterable[Completion], at: datetime) -> list[Run]:
    """The person's runs ahead for which one of these will be missing: those they drive, and those that are
    kept for them. By start."""
    beyond = Q()
    for completion in ending:
        later = Q(local_date__gt=completion.valid_until)
        if completion.step.site_id:
            later &= Q(pk__in=Run.objects.filter(stops__site=completion.step.site_id).values("pk"))
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

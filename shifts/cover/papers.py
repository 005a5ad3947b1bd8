"""Papers that are missing, wait for a date, or run out, and the run that each of them endangers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum

from django.db.models import Exists, OuterRef, Prefetch, Q

from shifts.models import Booking, Run, Stop
from shifts.seats.keeping import regulars_of
from sites.models import Site
from volunteers import papers
from volunteers.models import Completion, PaperPhoto, Person, Step, StepTerm
from volunteers.progress import today

SOON = timedelta(days=30)  # how far ahead the list looks; common practice, no published source

Pair = tuple[int, int]  # the keys of a person and a step


class State(StrEnum):
    MISSING = "missing"
    TO_FOLLOW = "to follow"  # seen, and its date is still to come
    ENDING = "ending"
    LAPSED = "lapsed"
    RENEWED = "renewed"  # in order; only a photograph waits


@dataclass(frozen=True)
class Paper:
    """One paper of one person that needs a look. `until` is the last day it counts or counted, None where it
    never did; `run` the first run ahead of theirs that it endangers; `photo` one that waits, without its
    picture."""

    person: Person
    step: Step
    state: State
    until: date | None
    photo: PaperPhoto | None
    run: Run | None

    def urgency(self, day: date) -> tuple[date, date, str, int]:
        """Soonest first: when it first hurts; of those that hurt nobody yet, the photographs first."""
        ahead = self.until if self.until and self.until >= day else date.max
        hurts = self.run.local_date if self.run else day if self.photo else ahead
        return hurts, self.until or date.max, self.person.name, self.step.position


def papers_to_see(at: datetime) -> list[Paper]:
    """Of everybody who drives, soonest first; and every photograph that waits. A site's own paper is missed
    only by those who have a run there, or had the paper once.

    The number of queries does not grow with people or runs; one for each kind of paper.
    """
    day = today(at)
    steps = {term.step_id: term.step for term in paper_terms(day)}
    photos = {
        (photo.person_id, photo.step_id): photo
        for photo in PaperPhoto.objects.filter(person__left_on=None, step__in=steps)
        .defer("image")
        .select_related("person")
    }
    people = {photo.person_id: photo.person for photo in photos.values()}
    states: dict[Pair, tuple[State, date | None]] = dict.fromkeys(photos, (State.RENEWED, None))
    for one in papers.running_out(first=day, last=day + SOON).filter(
        step__in=steps, person__in=Person.objects.drivers()
    ):
        people[one.person_id] = one.person
        state = State.TO_FOLLOW if one.how == Completion.How.SEEN else State.ENDING
        states[one.person_id, one.step_id] = (state, one.valid_until)
    missing = missing_papers(steps.values(), day)
    people |= {person.pk: person for _step, person in missing}
    ended = last_days((person.pk for _step, person in missing), steps, day)
    for step, person in missing:
        until = ended.get((person.pk, step.pk))
        states[person.pk, step.pk] = (State.LAPSED if until else State.MISSING, until)
    runs = runs_of(people, at)
    found = []
    for (who, what), (state, until) in states.items():
        step = steps[what]
        run = None if state == State.RENEWED else endangered(runs.get(who, []), step, until, day)
        photo = photos.get((who, what))
        if step.site_id is None or run or photo or until:
            found.append(Paper(people[who], step, state, until, photo, run))
    return sorted(found, key=lambda paper: paper.urgency(day))


def paper_terms(day: date) -> Iterable[StepTerm]:
    sites = Site.objects.in_use().values("pk")
    return StepTerm.objects.in_force(day, sites).filter(step__kind=Step.Kind.PAPER).select_related("step")


def missing_papers(steps: Iterable[Step], day: date) -> list[tuple[Step, Person]]:
    """Drivers whom the gate refuses on the day for want of a paper: one query a paper."""
    sites = Site.objects.in_use().values("pk")
    return [
        (step, person)
        for step in steps
        for person in Person.objects.drivers().filter(
            Exists(StepTerm.objects.filter(step=step).unmet(person=OuterRef("pk"), on=day, sites=sites))
        )
    ]


def last_days(people: Iterable[int], steps: Iterable[int], day: date) -> dict[Pair, date]:
    """The last day on which each paper counted that counts no longer: one query."""
    over = Completion.objects.standing().filter(
        person__in=list(people), step__in=list(steps), valid_until__lt=day
    )
    rows = over.order_by("valid_until").values_list("person", "step", "valid_until")
    return {(person, step): until for person, step, until in rows if until}


def runs_of(people: Iterable[int], at: datetime) -> dict[int, list[Run]]:
    """By person, the runs ahead that they drive and those that are kept for them, by start: six queries."""
    keys = list(people)
    stops = Prefetch("stops", queryset=Stop.objects.select_related("site"))
    ahead = Run.objects.on_the_books().ahead(at).prefetch_related(stops)
    driven = Booking.objects.live().drivers().filter(person__in=keys)
    drivers = dict(driven.values_list("run", "person"))
    found: dict[int, list[Run]] = {}
    for run in ahead.filter(pk__in=driven.values("run")):
        found.setdefault(drivers[run.pk], []).append(run)
    theirs = Q(shift__standings__person__in=keys, shift__standings__crew="")
    empty = {run.pk: run for run in ahead.unfilled().filter(theirs)}
    for pk, standing in regulars_of(empty.values()).items():
        if not standing.crew:
            found.setdefault(standing.person_id, []).append(empty[pk])
    return {person: sorted(runs, key=lambda run: run.starts_at) for person, runs in found.items()}


def endangered(runs: Iterable[Run], step: Step, until: date | None, day: date) -> Run | None:
    """The first of these runs for which the paper is missing, as things are now."""
    last = until if until and until >= day else date.min
    for run in runs:
        if run.local_date > last and (step.site_id is None or step.site_id in run.site_ids):
            return run
    return None

"""Ready to drive alone? The faces of the gate (StepTerm.objects.unmet) that pages and rules use."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from django.db.models import Exists, OuterRef

from volunteers.models import Completion, Person, Step, StepTerm
from volunteers.models.person import PersonQuerySet


def missing(person: Person, *, on: date, sites: Iterable[int] = ()) -> list[StepTerm]:
    """What keeps the person from driving alone on the date at these sites, in the order of the steps.

    Empty means ready. Without sites, only the programme's own steps are asked.
    """
    terms = StepTerm.objects.unmet(person=person.pk, on=on, sites=list(sites))
    return list(terms.select_related("step", "step__site"))


def cleared(people: PersonQuerySet, *, on: date, sites: Iterable[int] = ()) -> PersonQuerySet:
    """Those of the people who are ready to drive alone on the date at these sites."""
    unmet = StepTerm.objects.unmet(person=OuterRef("pk"), on=on, sites=list(sites))
    return people.exclude(Exists(unmet))


def missing_by_person(
    people: Iterable[Person], *, on: date, sites: Iterable[int] = ()
) -> dict[int, list[Step]]:
    """For several people at once, what each still lacks: two queries however many they are."""
    sites = list(sites)
    steps = [term.step for term in StepTerm.objects.in_force(on, sites).select_related("step", "step__site")]
    lacking: dict[int, list[Step]] = {person.pk: [] for person in people}
    for step in steps:
        term = StepTerm.objects.filter(step=step).unmet(person=OuterRef("pk"), on=on, sites=sites)
        for pk in Person.objects.filter(Exists(term), pk__in=lacking).values_list("pk", flat=True):
            lacking[pk].append(step)
    return lacking


@dataclass(frozen=True)
class StepState:
    """A step as one person stands to it on a date."""

    term: StepTerm
    met: bool
    done: int  # completions that count
    completion: Completion | None  # the newest that counts, or None

    @property
    def step(self) -> Step:
        return self.term.step

    @property
    def valid_until(self) -> date | None:
        return self.completion.valid_until if self.completion else None


def standing(person: Person, *, on: date, sites: Iterable[int] = ()) -> list[StepState]:
    """Every step asked of the person on the date, met or not, in order. What is met is the gate's word."""
    sites = list(sites)
    terms = StepTerm.objects.in_force(on, sites).select_related("step", "step__site")
    unmet = {term.pk for term in missing(person, on=on, sites=sites)}
    counted = Completion.objects.standing().filter(person=person, valid_from__lte=on)
    by_step: dict[int, list[Completion]] = {}
    for completion in counted:
        if completion.valid_until is None or completion.valid_until >= on:
            by_step.setdefault(completion.step_id, []).append(completion)
    states = []
    for term in terms:
        done = [c for c in by_step.get(term.step_id, []) if c.revision >= term.revision]
        last = max(done, key=lambda c: (c.valid_until or date.max, c.pk), default=None)
        states.append(StepState(term=term, met=term.pk not in unmet, done=len(done), completion=last))
    return states

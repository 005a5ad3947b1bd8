"""Ready to drive alone? The faces of the gate (StepTerm.objects.unmet) that pages and rules use."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import Exists, OuterRef, Q

from volunteers.models import Completion, NotAt, Person, Step, StepTerm
from volunteers.models.person import PersonQuerySet


def missing(person: Person, *, on: date, sites: Iterable[int] = ()) -> list[StepTerm]:
    """What keeps the person from driving alone on the date at these sites, in the order of the steps.

    Empty means ready. Without sites, only the programme's own steps are asked.
    """
    terms = StepTerm.objects.unmet(person=person.pk, on=on, sites=list(sites))
    return list(terms.select_related("step", "step__site"))


def cleared(people: PersonQuerySet, *, on: date, sites: Iterable[int] = ()) -> PersonQuerySet:
    """Those of the people who are ready to drive alone on the date at these sites, and may be sent there."""
    sites = list(sites)
    unmet = StepTerm.objects.unmet(person=OuterRef("pk"), on=on, sites=sites)
    people = people.exclude(Exists(unmet))
    return (
        people.exclude(Exists(NotAt.objects.barring(person=OuterRef("pk"), sites=sites))) if sites else people
    )


def barred(people: Iterable[Person], *, sites: Iterable[int]) -> set[int]:
    """The keys of those of the people who are not to be sent to one of these sites: one query."""
    rows = NotAt.objects.live().filter(person__in=[person.pk for person in people], site__in=list(sites))
    return set(rows.values_list("person", flat=True))


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


def waiting_for_ride(*, on: date) -> PersonQuerySet:
    """Those who drive, or mean to, whom nothing but a shadow ride keeps from driving alone on the date."""
    unmet = StepTerm.objects.unmet(person=OuterRef("pk"), on=on, sites=[])
    ride = Q(step__kind=Step.Kind.RIDE)
    return Person.objects.drivers().filter(Exists(unmet.filter(ride)), ~Exists(unmet.exclude(ride)))


EXPIRES_SOON = timedelta(days=21)  # from then on what runs out is shown, and may be renewed


def expires_soon(last: date | None, today: date) -> bool:
    """Of the last day on which something counts, None where it does not run out."""
    return last is not None and last <= today + EXPIRES_SOON


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

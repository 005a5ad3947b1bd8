"""What is already recorded: the people, and the steps that the programme asks of everybody."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, time

from sites.models import Site
from volunteers.models import Availability, Car, Completion, Person, StepTerm


@dataclass(frozen=True)
class Recorded:
    """A completion, taken back or not. `valid_until` None: does not run out."""

    pk: int
    step: int
    valid_from: date
    valid_until: date | None
    seen: bool  # papers seen, date to follow
    withdrawn: bool


@dataclass(frozen=True)
class Known:
    """Somebody already there."""

    pk: int
    name: str
    email: str
    phone: str  # E.164
    language: str
    reach: str
    drives: bool
    lead: bool
    notes: str
    left_on: date | None
    cars: tuple[tuple[str, int | None], ...]  # label, crates
    hours: tuple[tuple[int, time, time], ...]
    done: tuple[Recorded, ...]
    adult: bool = True


@dataclass(frozen=True)
class Asked:
    """A step in force, of the programme or a site."""

    pk: int
    code: str  # "license", "briefing", ... of a shipped step, which a column may be about; of any other ""
    title: str
    times: int
    lasts_months: int | None
    is_paper: bool
    may_be_waived: bool
    is_doors: bool = False


@dataclass(frozen=True)
class Records:
    people: tuple[Known, ...]
    steps: tuple[Asked, ...]


def records(today: date) -> Records:
    """Everything a plan needs, in five queries however many people there are."""
    everywhere = StepTerm.objects.in_force(today, Site.objects.values("pk"))
    terms = everywhere.select_related("step").order_by("step__position", "pk")
    steps = tuple(
        Asked(
            pk=term.step.pk,
            code=term.step.code,
            title=term.step.title,
            times=term.times,
            lasts_months=term.lasts_months,
            is_paper=term.step.kind == term.step.Kind.PAPER,
            may_be_waived=term.step.may_be_waived,
            is_doors=term.step.kind == term.step.Kind.DOORS,
        )
        for term in terms
    )
    cars, hours, done = defaultdict(list), defaultdict(list), defaultdict(list)
    for car in Car.objects.order_by("pk"):
        cars[car.person_id].append((car.label, car.crates))
    for entry in Availability.objects.order_by("weekday", "begins"):
        hours[entry.person_id].append((entry.weekday, entry.begins, entry.ends))
    for completion in Completion.objects.order_by("pk"):
        done[completion.person_id].append(
            Recorded(
                pk=completion.pk,
                step=completion.step_id,
                valid_from=completion.valid_from,
                valid_until=completion.valid_until,
                seen=completion.how == Completion.How.SEEN,
                withdrawn=completion.withdrawn_at is not None,
            )
        )
    people = tuple(
        Known(
            pk=person.pk,
            name=person.name,
            email=person.email,
            phone=person.phone.as_e164 if person.phone and person.phone.country_code else str(person.phone),
            language=person.language,
            reach=person.reach,
            drives=person.drives,
            lead=person.is_lead,
            notes=person.notes,
            left_on=person.left_on,
            cars=tuple(cars[person.pk]),
            hours=tuple(hours[person.pk]),
            done=tuple(done[person.pk]),
            adult=person.is_adult,
        )
        for person in Person.objects.order_by("pk")
    )
    return Records(people, steps)

"""Starter kits: how many are on the shelf, who holds one, and each move between the two.

Handing a kit over completes the kit step, and its return takes the step back, in one transaction: there is
no other way to do either. The shelf is counted from the first time that somebody counted it or put kits
there; before, nobody knows how many there are and nothing is refused.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import Exists, OuterRef, Sum
from django.utils import timezone

from sites.dates import us
from sites.log import record
from sites.models import Programme
from volunteers.models import Completion, KitMove, Person, Step, StepTerm
from volunteers.models.person import PersonQuerySet
from volunteers.progress import NotPossible, complete, today, withdraw

MOST = 999  # kits at once; KitMove.number
BACK = "The kit came back."
LOST = "The kit is not coming back."
UNDONE = "Noted by mistake."


class ShelfEmpty(NotPossible):
    """The shelf is at 0 as counted, so a kit that is handed over was never counted."""


@dataclass(frozen=True)
class Held:
    """A kit in somebody's hands, since a date in the programme's zone."""

    person: Person
    since: date


# --- reads


def kit_step(on: date | None = None) -> Step | None:
    """The step that a starter kit completes: the first of its kind that the programme asks for on the date
    (today when None), or asked for before; None where it never did."""
    kits = Step.objects.filter(kind=Step.Kind.KIT, site=None)
    terms = StepTerm.objects.in_force(on or today(), []).filter(step__in=kits).select_related("step")
    term = terms.first()
    return term.step if term else kits.first()


def on_shelf() -> int | None:
    """Kits on the shelf; None before anybody has counted it or put kits there."""
    moves = KitMove.objects.standing()
    known = moves.filter(kind__in=[KitMove.Kind.COUNTED, KitMove.Kind.BOUGHT]).order_by("pk").first()
    if known is None:
        return None
    total: int = moves.filter(pk__gte=known.pk).aggregate(n=Sum("number"))["n"]
    return total


def holders(people: Iterable[int] | None = None) -> list[Held]:
    """Who holds a kit, longest first; of these people only, by key, where they are given. Somebody who got
    it before kits were noted here holds one by the step alone. Three queries."""
    step = kit_step()
    moves = KitMove.objects.standing().exclude(person=None).order_by("pk")
    done = Completion.objects.standing().filter(step=step).exclude(how=Completion.How.WAIVED)
    if people is not None:
        keys = list(people)
        moves, done = moves.filter(person__in=keys), done.filter(person__in=keys)
    last = {move.person_id: move for move in moves.select_related("person")}
    steps = {one.person_id: one for one in done.select_related("person").order_by("-pk")}  # the earliest
    zone = Programme.current().zone
    held = []
    for move in last.values():
        if move.kind == KitMove.Kind.HANDED and move.person:
            got = steps.get(move.person.pk)
            held.append(Held(move.person, got.valid_from if got else move.at.astimezone(zone).date()))
    held += [Held(one.person, one.valid_from) for key, one in steps.items() if key not in last]
    return sorted(held, key=lambda one: (one.since, one.person.name, one.person.pk))


def held_by(person: Person) -> Held | None:
    return next(iter(holders([person.pk])), None)


def lacking(on: date) -> PersonQuerySet:
    """Drivers who are asked for a kit on the date and have none, nor had it waived."""
    terms = StepTerm.objects.filter(step=kit_step(on))
    unmet = terms.unmet(person=OuterRef("pk"), on=on, sites=[])
    held = [one.person.pk for one in holders()]
    return Person.objects.drivers().filter(Exists(unmet)).exclude(pk__in=held)


# --- writes: locks the person, then the shelf, which the kit step's row stands for


def hold_shelf() -> Step:
    step = kit_step()
    if step is None:
        raise NotPossible("The programme asks for no starter kit. Add the step in the settings first.")
    return Step.objects.select_for_update(of=("self",), no_key=True).get(pk=step.pk)


def move(kind: str, number: int, *, by: Any, at: datetime, person: Person | None = None) -> KitMove:
    moved = KitMove.objects.create(kind=kind, number=number, person=person, at=at, by=by)
    record(
        verb=f"kit {kind}", subject=moved, person=person, by=by, at=at,
        after={"number": number, "shelf": on_shelf()},
    )  # fmt: skip
    return moved


@transaction.atomic
def hand_over(
    person: Person, *, by: Any, on: date | None = None, anyway: bool = False, at: datetime | None = None
) -> KitMove | None:
    """A kit from the shelf to a person, on a date (today when None), which completes their kit step. None
    where they hold one and the step was only due again.

    Raises ShelfEmpty where the shelf is at 0, unless `anyway`: then there was one more than counted, and
    that is noted first. Raises NotPossible for somebody who has one.
    """
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=person.pk)
    step = hold_shelf()
    held = held_by(person)
    if held:
        if not StepTerm.objects.filter(step=step).unmet(person=person.pk, on=today(at), sites=[]).exists():
            raise NotPossible(f"{person.name} has had a kit since {us(held.since)}. Note its return first.")
        complete(person=person, step=step, by=by, on=on, at=at)
        return None
    if on_shelf() == 0:
        if not anyway:
            raise ShelfEmpty("The shelf is at 0: count it first. Or hand this one over and count it too.")
        move(KitMove.Kind.COUNTED, 1, by=by, at=at)
    complete(person=person, step=step, by=by, on=on, at=at)
    return move(KitMove.Kind.HANDED, -1, by=by, at=at, person=person)


@transaction.atomic
def take_in(person: Person, *, by: Any, reason: str = "", at: datetime | None = None) -> KitMove:
    """The person's kit is back on the shelf; their kit step is taken back. Raises NotPossible where they
    hold none."""
    return end_holding(person, KitMove.Kind.RETURNED, 1, by=by, reason=reason or BACK, at=at)


@transaction.atomic
def write_off(person: Person, *, by: Any, reason: str = "", at: datetime | None = None) -> KitMove:
    """The person's kit is lost, or will not come back; their kit step is taken back. Raises NotPossible
    where they hold none."""
    return end_holding(person, KitMove.Kind.LOST, 0, by=by, reason=reason or LOST, at=at)


def end_holding(
    person: Person, kind: str, number: int, *, by: Any, reason: str, at: datetime | None
) -> KitMove:
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=person.pk)
    step = hold_shelf()
    if held_by(person) is None:
        raise NotPossible(f"{person.name} holds no kit.")
    done = Completion.objects.standing().filter(person=person, step=step)
    for completion in done.exclude(how=Completion.How.WAIVED):
        withdraw(completion, reason=reason, by=by, at=at)
    return move(kind, number, by=by, at=at, person=person)


@transaction.atomic
def put_on_shelf(number: int, *, by: Any, at: datetime | None = None) -> KitMove:
    """That many kits were bought or made up. Raises NotPossible outside 1 to MOST."""
    if not 1 <= number <= MOST:
        raise NotPossible(f"Write how many kits, 1 to {MOST}.")
    hold_shelf()
    return move(KitMove.Kind.BOUGHT, number, by=by, at=at or timezone.now())


@transaction.atomic
def count_shelf(number: int, *, by: Any, at: datetime | None = None) -> KitMove:
    """So many are on the shelf now, whatever was noted. Raises NotPossible outside 0 to MOST."""
    if not 0 <= number <= MOST:
        raise NotPossible(f"Write how many kits there are, 0 to {MOST}.")
    hold_shelf()
    return move(KitMove.Kind.COUNTED, number - (on_shelf() or 0), by=by, at=at or timezone.now())


@transaction.atomic
def undo(moved: KitMove, *, by: Any, at: datetime | None = None) -> None:
    """Takes back the last move, and what it did to the step. Raises NotPossible where it is not the last."""
    at = at or timezone.now()
    if moved.person_id:
        Person.objects.locked().get(pk=moved.person_id)
    hold_shelf()
    last = KitMove.objects.standing().order_by("-pk").first()
    if last != moved or last is None:
        raise NotPossible("Only the last line can be undone, and this is not the last one any more.")
    if last.person:
        undo_step(last, last.person, by=by, at=at)
    KitMove.objects.filter(pk=last.pk).update(undone_at=at, undone_by=by)
    record(
        verb="kit undone", subject=last, person=last.person, by=by, at=at,
        before={"kind": last.kind, "number": last.number}, after={"shelf": on_shelf()},
    )  # fmt: skip


def undo_step(last: KitMove, person: Person, *, by: Any, at: datetime) -> None:
    """What handing over recorded is taken back; what a return took back is recorded anew, as it was."""
    kits = Completion.objects.filter(person=person, step__kind=Step.Kind.KIT)
    if last.kind == KitMove.Kind.HANDED:
        for completion in kits.filter(withdrawn_at=None, recorded_at=last.at):
            withdraw(completion, reason=UNDONE, by=by, at=at)
        return
    for was in kits.filter(withdrawn_at=last.at).select_related("step"):
        complete(
            person=person, step=was.step, by=by, on=was.valid_from, valid_until=was.valid_until,
            how=was.how, reason=was.reason, revision=was.revision, at=at,
        )  # fmt: skip

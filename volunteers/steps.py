"""What is asked before somebody drives alone, changed over time.

A change of what a step asks is a new term from a date on. Days before today are never touched: what was
driven then was driven under the terms of then. An announced later term is overtaken, one that begins on the
same day is replaced. Nobody who is booked is unseated; whoever lost clearance is flagged.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Exists, Max, OuterRef, Q
from django.utils.translation import gettext as _

from sites.log import changes, record
from sites.models import Event, Site, subject_of
from volunteers import clearance
from volunteers.models import Person, Step, StepTerm
from volunteers.progress import NotPossible, complete, current_term, today

READY_BEFORE = "Was ready to drive before this was asked."
ASKS, STOPS, TAKEN_BACK = "step asks", "step asked no longer", "step change taken back"
CHANGES = ["added", ASKS, STOPS, TAKEN_BACK]


def begin(
    step: Step,
    *,
    from_day: date,
    revision: int = 1,
    times: int = 1,
    lasts_months: int | None = None,
    until: date | None = None,
) -> StepTerm:
    """The one place where a term begins: from the day on, and until another where that is known, the step
    asks this, and whatever it asked or would have asked from then on is over."""
    end(step, from_day=from_day)
    return StepTerm.objects.create(
        step=step,
        applies_from=from_day,
        applies_until=until,
        revision=revision,
        times=times,
        lasts_months=lasts_months,
    )


def end(step: Step, *, from_day: date) -> None:
    """From the day on the step asks nothing."""
    step.terms.filter(applies_from__gte=from_day).delete()
    step.terms.filter(Q(applies_until=None) | Q(applies_until__gt=from_day)).update(applies_until=from_day)


def locked(step: Step) -> Step:
    """Its row, held until the transaction ends, so that two changes of its terms come one after the other."""
    return Step.objects.select_for_update(of=("self",), no_key=True).get(pk=step.pk)


def check_day(from_day: date, at: datetime | None) -> None:
    if from_day < today(at):
        raise NotPossible(_("What is over stays as it was. Give today or a later day."))


def check_numbers(step: Step, times: int, lasts_months: int | None) -> None:
    if times != 1 and not step.may_be_asked_often:
        raise NotPossible(_("A paper or a briefing is asked for once; it is renewed when it runs out."))
    if lasts_months is not None and not step.may_last:
        raise NotPossible(_("A paper has its own date, so it lasts as long as that says."))


@transaction.atomic
def add_step(
    *,
    kind: str,
    title: str,
    how: str = "",
    site: Site | None = None,
    times: int = 1,
    lasts_months: int | None = None,
    from_day: date,
    drivers_have_it: bool = False,
    by: Any,
    at: datetime | None = None,
) -> Step:
    """A new step, after all others: of the whole programme, or of one site, where only those who drive there
    need it. With `drivers_have_it`, it counts as done for those who would be ready to drive on that day.

    Raises NotPossible for a day that is over and for what its kind has not.
    """
    if kind == Step.Kind.DOORS:
        raise NotPossible(_("Write the door notes on the site's page: reading them becomes a step."))
    check_day(from_day, at)
    others = Step.objects.exclude(kind=Step.Kind.DOORS)
    last = others.aggregate(last=Max("position"))["last"] or 0
    step = Step(kind=kind, site=site, title=title, how=how, position=last + 1)
    check_numbers(step, times, lasts_months)
    if drivers_have_it and kind == Step.Kind.PAPER:
        raise NotPossible(_("A paper needs the date of each person: record it on their page."))
    ready = clearance.cleared(Person.objects.drivers(), on=from_day, sites=[site.pk] if site else [])
    have_it = list(ready.order_by("pk")) if drivers_have_it else []
    step.save()
    begin(step, from_day=from_day, times=times, lasts_months=lasts_months)
    record(
        verb="added",
        subject=step,
        by=by,
        at=at,
        after={
            "kind": kind, "title": title, "how": how, "site": site, "from": from_day, "times": times,
            "months": lasts_months,
        },
    )  # fmt: skip
    for person in have_it:
        for _time in range(times):
            complete(person=person, step=step, by=by, on=from_day, reason=READY_BEFORE, at=at)
    return step


@transaction.atomic
def reword(step: Step, *, title: str, how: str, by: Any, at: datetime | None = None) -> Step:
    """Other words for the same thing: at once, and nobody has to do anything again."""
    step = locked(step)
    before, after = changes(step, {"title": title, "how": how})
    if after:
        step.title, step.how = title, how
        step.save(update_fields=["title", "how"])
        record(verb="changed", subject=step, by=by, at=at, before=before, after=after)
    return step


@transaction.atomic
def ask(
    step: Step,
    *,
    times: int = 1,
    lasts_months: int | None = None,
    again: bool = False,
    from_day: date,
    by: Any,
    at: datetime | None = None,
) -> StepTerm:
    """From the day on the step asks this, also where it was asked no longer. With `again` everybody does it
    once more: what was recorded so far does not count from then on.

    How long it lasts is for what is recorded from then on; dates already given stay. Where it asks just this
    already, nothing is written. Raises NotPossible for a day that is over and for numbers its kind has not.
    """
    step = locked(step)
    check_day(from_day, at)
    check_numbers(step, times, lasts_months)
    terms = list(step.terms.order_by("applies_from"))
    old = term_on(terms, from_day)
    revision = next_revision(step) if again else revision_on(terms, from_day)
    same = old is not None and (old.revision, old.times, old.lasts_months) == (revision, times, lasts_months)
    if old and same and old.applies_until is None:
        return old
    term = begin(step, from_day=from_day, revision=revision, times=times, lasts_months=lasts_months)
    note(step, ASKS, terms, from_day, by=by, at=at, again=again, times=times, months=lasts_months)
    return term


@transaction.atomic
def stop_asking(step: Step, *, from_day: date, by: Any, at: datetime | None = None) -> None:
    """From the day on nobody is asked for the step. What was recorded stays, should it be asked again.

    Raises NotPossible for a day that is over, and where it is not asked then anyhow.
    """
    step = locked(step)
    check_day(from_day, at)
    terms = list(step.terms.order_by("applies_from"))
    if not any(term.applies_until is None or term.applies_until > from_day for term in terms):
        raise NotPossible(_("It is not asked from that day on already."))
    end(step, from_day=from_day)
    note(step, STOPS, terms, from_day, by=by, at=at)


@transaction.atomic
def take_back(step: Step, *, from_day: date, by: Any, at: datetime | None = None) -> None:
    """Whatever was to change on the day or later does not: what the step asks on the eve goes on.

    Raises NotPossible for a day that is over, and where nothing was to change.
    """
    step = locked(step)
    check_day(from_day, at)
    terms = list(step.terms.order_by("applies_from"))
    if not any(term.applies_from >= from_day or reaches(term, from_day) for term in terms):
        raise NotPossible(_("Nothing was to change from that day on. Look at the page again."))
    step.terms.filter(applies_from__gte=from_day).delete()
    step.terms.filter(applies_until__gte=from_day).update(applies_until=None)
    note(step, TAKEN_BACK, terms, from_day, by=by, at=at)


def reaches(term: StepTerm, day: date) -> bool:
    """Whether the term was to end on the day or later."""
    return term.applies_until is not None and term.applies_until >= day


@transaction.atomic
def require_revision(
    step: Step, revision: int, day: date, *, by: Any = None, at: datetime | None = None
) -> None:
    """From the day on the step counts only with this revision or a later one; when it is asked no longer, it
    stays so. Raises NotPossible for a day that is over."""
    step = locked(step)
    check_day(day, at)
    terms = list(step.terms.order_by("applies_from"))
    if not terms or (terms[-1].applies_until and terms[-1].applies_until <= day):
        return
    newest = terms[-1]
    if newest.revision >= revision and newest.applies_from <= day:
        return
    now = current_term(step, day)
    begin(
        step,
        from_day=day,
        revision=max(revision, newest.revision),
        times=now.times,
        lasts_months=now.lasts_months,
        until=newest.applies_until,
    )
    note(step, ASKS, terms, day, by=by, at=at, again=True, times=now.times, months=now.lasts_months)


@transaction.atomic
def move(step: Step, *, up: bool, by: Any, at: datetime | None = None) -> bool:
    """One place up or down among the steps of the programme, or of its site, that are asked. Whether there
    was a place to go to. Door notes come after all others, site by site."""
    rows = Step.objects.exclude(kind=Step.Kind.DOORS)
    held = rows.select_for_update(of=("self",), no_key=True)
    everything = sorted(held, key=lambda one: (one.position, one.pk))  # somebody else may have moved one
    asked = set(rows.asked(today(at)).values_list("pk", flat=True))
    beside = [one for one in everything if one.site_id == step.site_id and one.pk in asked]
    place = next((number for number, one in enumerate(beside) if one.pk == step.pk), None)
    if place is None or not 0 <= (other := place + (-1 if up else 1)) < len(beside):
        return False
    one, two = everything.index(beside[place]), everything.index(beside[other])
    everything[one], everything[two] = everything[two], everything[one]
    for position, row in enumerate(everything, start=1):
        row.position = position
    Step.objects.bulk_update(everything, ["position"])
    record(verb="moved", subject=step, by=by, at=at, after={"up": up, "past": beside[other]})
    return True


def note(
    step: Step,
    verb: str,
    before: list[StepTerm],
    from_day: date,
    *,
    by: Any,
    at: datetime | None,
    **after: Any,
) -> None:
    """The event of a change: what it asked until then, and what was announced and falls away."""
    old = term_on(before, from_day - timedelta(days=1))
    record(
        verb=verb,
        subject=step,
        by=by,
        at=at,
        before={
            "times": old.times if old else None,
            "months": old.lasts_months if old else None,
            "fell away": [term.applies_from for term in before if term.applies_from >= from_day],
        },
        after={"from": from_day, **after},
    )


# --- reading


def asked_anew(first: date, last: date, *, before: datetime) -> list[tuple[StepTerm, list[int]]]:
    """What begins to be asked, or is asked once more, on a day of the span (both included), with the keys of
    the drivers who are ready to drive alone until then and lack it from that day on. Soonest first; without
    door notes, and without steps that were changed since the moment `before`. One query where there is none.
    """
    terms = StepTerm.objects.filter(applies_from__gte=first, applies_from__lte=last)
    terms = terms.exclude(step__kind=Step.Kind.DOORS).select_related("step", "step__site")
    settled = [
        term
        for term in terms.order_by("applies_from", "step__position", "step")
        if not Event.objects.about(term.step).filter(at__gt=before, verb__in=CHANGES).exists()
    ]
    return [(term, held_up_by(term)) for term in settled]


def held_up_by(term: StepTerm) -> list[int]:
    day, sites = term.applies_from, [term.step.site_id] if term.step.site_id else []
    ready = clearance.cleared(Person.objects.drivers(), on=day - timedelta(days=1), sites=sites)
    lacking = StepTerm.objects.filter(pk=term.pk).unmet(person=OuterRef("pk"), on=day, sites=sites)
    return list(ready.filter(Exists(lacking)).order_by("pk").values_list("pk", flat=True))


def term_on(terms: list[StepTerm], day: date) -> StepTerm | None:
    """Of a step's terms, the one in force on the day; None where it is not asked."""
    for term in terms:
        if term.applies_from <= day and (term.applies_until is None or term.applies_until > day):
            return term
    return None


def revision_on(terms: list[StepTerm], day: date) -> int:
    """What counts on the day, or counted last before it. An announced later one falls away with its term."""
    return max((term.revision for term in terms if term.applies_from <= day), default=1)


def next_revision(step: Step) -> int:
    """A revision that nobody has met yet, whatever was announced, read or taken back."""
    known = [
        step.terms.aggregate(last=Max("revision"))["last"],
        step.completions.aggregate(last=Max("revision"))["last"],
        step.texts.aggregate(last=Max("revision"))["last"],
    ]
    return 1 + max(number or 0 for number in known)


def changed_since(moment: datetime) -> bool:
    """Whether anything was asked otherwise, or announced or taken back, since the moment."""
    steps = subject_of(Step(pk=0)).removesuffix("0")
    return Event.objects.filter(at__gte=moment, verb__in=CHANGES, subject__startswith=steps).exists()

"""Writes to steps: done, waived, taken back, signed off. Who and when is kept with each."""

from __future__ import annotations

import calendar
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _

from sites.log import record
from sites.models import Programme
from volunteers.models import Completion, PaperPhoto, Person, SignOff, Step, StepTerm

DATE_TO_FOLLOW_DAYS = 30  # common practice, no published source: time to bring the paper itself


class NotPossible(Exception):
    """A step cannot be recorded like this; the text says why and what to do."""


def add_months(day: date, months: int) -> date:
    """The same day that many months on, or the month's last day where it is shorter."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def current_term(step: Step, on: date) -> StepTerm:
    """The step's term on the date, else its first one to come, else its last."""
    terms = list(step.terms.order_by("applies_from"))
    for term in terms:
        if term.applies_until is None or term.applies_until > on:
            return term
    if not terms:
        raise NotPossible(_("This step is not in use."))
    return terms[-1]


def revision_for(step: Step, term: StepTerm, on: date, day: date) -> int:
    """What a completion counts as: from today on as the newest that is announced, so that whatever must be
    done again from a date can be done before it; on an earlier day as what was asked then."""
    coming = step.terms.filter(applies_from__gt=on).values_list("revision", flat=True) if on >= day else []
    return max([term.revision, *coming])


def today(at: datetime | None = None) -> date:
    """The date in the programme's zone."""
    return (at or timezone.now()).astimezone(Programme.current().zone).date()


@transaction.atomic
def complete(
    *,
    person: Person,
    step: Step,
    by: Any,
    on: date | None = None,
    valid_until: date | None = None,
    how: str = Completion.How.DONE,
    reason: str = "",
    revision: int | None = None,
    at: datetime | None = None,
) -> Completion:
    """Records a step as done on a date (today when None), until the paper's date or as long as it lasts.

    A step that must be done once is renewed: an earlier completion stays, the later one counts too. But
    once a paper's date is known, "date to follow" ends: nobody drives on it beyond that date.
    Raises NotPossible with a sentence for the person who records it.
    """
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=person.pk)  # a booking of theirs waits, or is waited for
    on = on or today(at)
    term = current_term(step, on)
    if how == Completion.How.WAIVED and not step.may_be_waived:
        raise NotPossible(_("Only a starter kit or a shadow ride can be waived."))
    if how in (Completion.How.WAIVED, Completion.How.TOLD) and not reason.strip():
        raise NotPossible(_("Say why, so that others can read it later."))
    if how == Completion.How.SEEN:
        valid_until = on + timedelta(days=DATE_TO_FOLLOW_DAYS)
    elif step.kind == Step.Kind.PAPER and valid_until is None:
        raise NotPossible(_("Give the date until which this paper is valid."))
    elif valid_until is None and term.lasts_months:
        valid_until = add_months(on, term.lasts_months)
    if valid_until is not None and valid_until < on:
        raise NotPossible(_("That date is over: %(date)s.") % {"date": valid_until})
    if step.kind == Step.Kind.PAPER and how != Completion.How.SEEN:
        waiting = Completion.objects.standing().filter(person=person, step=step, how=Completion.How.SEEN)
        for earlier in waiting.filter(valid_until__gt=valid_until):
            withdraw(earlier, reason="The date of the paper is known now.", by=by, at=at)
        PaperPhoto.objects.filter(person=person, step=step).delete()  # its date is known, it has served
    completion = Completion.objects.create(
        step=step,
        person=person,
        revision=revision or revision_for(step, term, on, today(at)),
        valid_from=on,
        valid_until=valid_until,
        how=how,
        reason=reason.strip()[:200],
        recorded_at=at,
        recorded_by=by,
    )
    record(
        verb="step done",
        subject=completion,
        person=person,
        by=by,
        at=at,
        after={"step": step, "how": how, "from": on, "until": valid_until, "reason": reason},
    )
    return completion


@transaction.atomic
def withdraw(completion: Completion, *, reason: str, by: Any, at: datetime | None = None) -> None:
    """Takes a completion back. It stays readable; bookings that depended on it are flagged, not dropped."""
    at = at or timezone.now()
    if not reason.strip():
        raise NotPossible(_("Say why, so that others can read it later."))
    Person.objects.locked().get(pk=completion.person_id)  # a booking in progress sees it or comes first
    changed = (
        Completion.objects.standing()
        .filter(pk=completion.pk)
        .update(withdrawn_at=at, withdrawn_by=by, withdrawn_reason=reason.strip()[:200])
    )
    if changed:
        record(
            verb="step taken back",
            subject=completion,
            person=completion.person,
            by=by,
            at=at,
            after={"step": completion.step, "reason": reason},
        )
        for other in Completion.objects.standing().filter(of_ride__completion=completion):
            withdraw(other, reason=reason, by=by, at=at)  # one ride gave them all


@transaction.atomic
def sign_off(
    *,
    trainee: Person,
    lead: Person,
    ridden_on: date,
    outcome: str,
    by: Any,
    remarks: str = "",
    private_remarks: str = "",
    checklist: Iterable[str] = (),
    told_reason: str = "",
    sites: Iterable[int] = (),
    at: datetime | None = None,
) -> SignOff:
    """A lead driver's record of a ride; "ready" completes from that date the ride that the programme asks
    for, and those that the sites ask for where the ride led, by their keys.

    `checklist` are the points that the lead ticked, in their words. `told_reason` says how the coordinator
    knows, where the lead did not record it themselves.
    """
    at = at or timezone.now()
    if trainee.pk == lead.pk or (by is not None and by.pk == trainee.user_id):
        raise NotPossible(
            _("Nobody signs off their own ride. The lead driver does it, or tells the coordinator.")
        )
    if not lead.is_lead or (lead.lead_since and lead.lead_since > ridden_on):
        raise NotPossible(_("%(name)s was not a lead driver on that day.") % {"name": lead.name})
    if ridden_on > today(at):
        raise NotPossible(_("That ride is still to come."))
    completions = []
    if outcome == SignOff.Outcome.READY:
        completions = [
            complete(
                person=trainee,
                step=step,
                by=by,
                on=ridden_on,
                at=at,
                reason=told_reason,
                how=Completion.How.TOLD if told_reason else Completion.How.DONE,
            )
            for step in ride_steps(ridden_on, sites)
        ]
    signed = SignOff.objects.create(
        trainee=trainee,
        lead=lead,
        ridden_on=ridden_on,
        outcome=outcome,
        remarks=remarks,
        private_remarks=private_remarks,
        checklist=list(checklist),
        told=told_reason.strip()[:200],
        completion=completions[0] if completions else None,
        at=at,
        by=by,
    )
    signed.beside.set(completions[1:])
    record(
        verb="ride signed off",
        subject=signed,
        person=trainee,
        by=by,
        at=at,
        after={"lead": lead, "on": ridden_on, "outcome": outcome},
    )
    return signed


def ride_steps(on: date, sites: Iterable[int]) -> list[Step]:
    """What a ride on a date to these sites counts for, the programme's own first: every ride that is asked
    then or later, and where none is, the one that the programme asked for once.

    Raises NotPossible where it never asked for one.
    """
    rides = Step.objects.filter(kind=Step.Kind.RIDE)
    asked = rides.asked(on).filter(Q(site=None) | Q(site__in=list(sites)))
    found = sorted(asked, key=lambda step: step.site_id is not None)
    found = found or list(rides.filter(site=None).exclude(terms=None)[:1])
    if not found:
        raise NotPossible(_("The programme asks for no shadow ride."))
    return found

"""Writes to steps: done, waived, taken back, signed off. Who and when is kept with each."""

from __future__ import annotations

import calendar
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from sites.log import record
from sites.models import Programme
from volunteers.models import Completion, Person, SignOff, Step, StepTerm

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
    completion = Completion.objects.create(
        step=step,
        person=person,
        revision=revision or term.revision,
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
    told_reason: str = "",
    at: datetime | None = None,
) -> SignOff:
    """A lead driver's record of a ride; "ready" completes the ride step from that date.

    `told_reason` says how the coordinator knows, where the lead did not record it themselves.
    """
    at = at or timezone.now()
    if trainee.pk == lead.pk:
        raise NotPossible(_("Nobody signs off their own ride."))
    if not lead.is_lead or (lead.lead_since and lead.lead_since > ridden_on):
        raise NotPossible(_("%(name)s was not a lead driver on that day.") % {"name": lead.name})
    if ridden_on > today(at):
        raise NotPossible(_("That ride is still to come."))
    completion = None
    if outcome == SignOff.Outcome.READY:
        step = Step.objects.filter(kind=Step.Kind.RIDE, site=None).first()
        if step is None:
            raise NotPossible(_("The programme asks for no shadow ride."))
        completion = complete(
            person=trainee,
            step=step,
            by=by,
            on=ridden_on,
            at=at,
            reason=told_reason,
            how=Completion.How.TOLD if told_reason else Completion.How.DONE,
        )
    signed = SignOff.objects.create(
        trainee=trainee,
        lead=lead,
        ridden_on=ridden_on,
        outcome=outcome,
        remarks=remarks,
        private_remarks=private_remarks,
        completion=completion,
        at=at,
    )
    record(
        verb="ride signed off",
        subject=signed,
        person=trainee,
        by=by,
        at=at,
        after={"lead": lead, "on": ridden_on, "outcome": outcome},
    )
    return signed

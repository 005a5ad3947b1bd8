"""Briefings that are read on a page: what one says now, who has read it, and its words when they change."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import Max, Q
from django.utils import timezone
from django.utils.translation import gettext as _

from sites.log import record
from sites.models import Programme
from volunteers import briefing, briefing_check
from volunteers.briefing import Section
from volunteers.briefing_check import Question
from volunteers.clearance import StepState, expires_soon, standing
from volunteers.models import BriefingText, Completion, Person, Step
from volunteers.progress import NotPossible, complete, today
from volunteers.steps import locked, next_revision, require_revision

SHIPPED = "briefing"  # the code of the step whose words are shipped
WORDS_A_MINUTE = 120  # read with care, on a phone; common practice, no published source
LONGEST_TEXT = 20_000  # characters


@dataclass(frozen=True)
class Block:
    """A paragraph, with its line breaks, or a list."""

    text: str = ""
    points: list[str] = field(default_factory=list)


def blocks(text: str) -> list[Block]:
    """Words as a coordinator types them: an empty line begins a paragraph, "- " a point of a list. They are
    plain text; whoever shows them escapes them."""
    found: list[Block] = []
    going_on = False  # whether the last block is a paragraph that the next line belongs to
    for line in (line.strip() for line in text.splitlines()):
        if line.startswith("- "):
            if not (found and found[-1].points):
                found.append(Block(points=[]))
            found[-1].points.append(line[2:].strip())
            going_on = False
        elif not line:
            going_on = False
        elif going_on:
            found[-1] = Block(f"{found[-1].text}\n{line}")
        else:
            found.append(Block(line))
            going_on = True
    return found


@dataclass(frozen=True)
class Briefing:
    """A briefing as it stands now, in the active language. Where there is no step, it is only shown."""

    step: Step | None
    revision: int
    own: list[Block]
    sections: list[Section]
    questions: list[Question]
    written_at: datetime | None  # of the programme's own words; None where there are none

    @property
    def minutes(self) -> int:
        """How long it takes to read and to answer, in minutes; rounded up to five."""
        parts = [" ".join([block.text, *block.points]) for block in self.own]
        parts += [" ".join([part.title, *part.points, part.limit]) for part in self.sections]
        parts += [" ".join([one.ask, *one.answers]) for one in self.questions]
        return 5 * max(1, math.ceil(len(" ".join(parts).split()) / WORDS_A_MINUTE / 5))

    @property
    def is_empty(self) -> bool:
        return not self.own and not self.sections


def shipped_step() -> Step | None:
    """The step of the shipped briefing; None where the programme has taken it out."""
    return Step.objects.filter(code=SHIPPED, kind=Step.Kind.BRIEFING).first()


def briefing_of(step: Step | None) -> Briefing:
    """What a step's briefing says; None stands for the shipped words alone."""
    written = step.texts.first() if step else None
    questions = briefing_check.own(written.questions) if written else []
    sections: list[Section] = []
    if step is None or step.code == SHIPPED:
        pounds = Programme.current().lift_pounds
        sections = briefing.sections(lift_pounds=pounds)
        questions += briefing_check.shipped(lift_pounds=pounds)
    return Briefing(
        step=step,
        revision=newest_revision(step) if step else 0,
        own=blocks(written.text) if written else [],
        sections=sections,
        questions=questions,
        written_at=written.written_at if written else None,
    )


def newest_revision(step: Step) -> int:
    """The revision that somebody reads who reads now: of the newest words, or as a term asks for."""
    known = Step.objects.filter(pk=step.pk).aggregate(Max("terms__revision"), Max("texts__revision"))
    return max(1, *(number or 0 for number in known.values()))


@dataclass(frozen=True)
class Reading:
    """How somebody stands to a briefing on a date, or on the first date on which it is asked for.

    `state` is None where nobody is asked to read it.
    """

    state: StepState | None
    is_due: bool  # to be read now: never read, ran out, soon does, or changed from now or a date to come on


def reading(person: Person, step: Step | None, *, on: date) -> Reading:
    terms = list(step.terms.filter(Q(applies_until=None) | Q(applies_until__gt=on))) if step else []
    if step is None or not terms:
        return Reading(state=None, is_due=False)
    asked_on = max(on, min(term.applies_from for term in terms))
    sites = [step.site_id] if step.site_id else []
    state = next(one for one in standing(person, on=asked_on, sites=sites) if one.step == step)
    last = state.completion
    wanted = max(term.revision for term in terms)
    runs_out = expires_soon(state.valid_until, on)
    return Reading(state, is_due=not state.met or runs_out or last is None or last.revision < wanted)


class Rewritten(NotPossible):
    """It has changed since it was opened."""


@transaction.atomic
def read(
    person: Person, step: Step | None, *, revision: int, by: Any, at: datetime | None = None
) -> Completion | None:
    """The person has read this revision; None when an earlier reading still counts, and not just briefly.

    Raises NotPossible where nobody is asked to read it, and Rewritten when there is a newer revision.
    """
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=person.pk)  # pressed twice, it is recorded once
    now = reading(person, step, on=today(at))
    if step is None or now.state is None:
        raise NotPossible(_("This programme asks for no briefing. There is nothing to record."))
    if not now.is_due:
        return None
    if revision != newest_revision(step):
        raise Rewritten(_("This briefing has changed since you opened it. Here is the newest one."))
    return complete(person=person, step=step, by=by, at=at, revision=revision)


class Overtaken(NotPossible):
    """Somebody else has written newer words meanwhile."""


@transaction.atomic
def write(
    step: Step,
    *,
    text: str,
    questions: Sequence[dict[str, Any]],
    again_from: date | None,
    by: Any,
    based_on: int | None = None,
    at: datetime | None = None,
) -> BriefingText:
    """New words of the programme's own. From `again_from` on, whoever has not read them is not ready; None:
    a small correction, and every earlier reading counts on.

    `based_on` is the revision that the writer had on the screen; Overtaken is raised when it is not the
    newest any more.
    """
    at = at or timezone.now()
    step = locked(step)
    if based_on is not None and based_on != newest_revision(step):
        raise Overtaken("Somebody else has changed this briefing meanwhile.")
    written = BriefingText.objects.create(
        step=step,
        revision=next_revision(step),
        text=text,
        questions=list(questions),
        written_at=at,
        written_by=by,
    )
    if again_from:
        require_revision(step, written.revision, again_from, by=by, at=at)
    after = {"revision": written.revision, "read again from": again_from}
    record(verb="briefing written", subject=step, by=by, at=at, after=after)
    return written

"""Looking at a roster before it is brought in, and bringing it in: `preview` and `apply`."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from sites.log import record
from sites.models import Programme
from volunteers.models import Person, Step
from volunteers.people import add_person, appoint_lead, change_person, set_cars, set_hours
from volunteers.progress import complete
from volunteers.roster.columns import MEANINGS
from volunteers.roster.known import records
from volunteers.roster.meaning import PAPERS, Meaning, Problem, Question, Row, understand
from volunteers.roster.plan import Becomes, Options, Outcome, plan
from volunteers.roster.reading import Unreadable, read


class NotApplied(Exception):
    """Nothing was brought in; the text says why and what to do."""


@dataclass(frozen=True)
class Preview:
    """What a roster would become. Nothing has been written.

    understood: (heading, what it is to us) of the columns that are read; ignored: headings of the others.
    questions: columns that mean the same; while there are any, `rows` is empty (see `chosen` of preview).
    problems: all that stops it, the file's own first; notices: about the whole file, stop nothing.
    """

    options: Options
    source: str = ""
    understood: tuple[tuple[str, str], ...] = ()
    ignored: tuple[str, ...] = ()
    questions: tuple[Question, ...] = ()
    rows: tuple[Outcome, ...] = ()
    problems: tuple[Problem, ...] = ()
    notices: tuple[str, ...] = ()
    people: tuple[Row, ...] = ()  # what the plan was made from, so that it can be made again

    @property
    def counts(self) -> dict[str, int]:
        """How many rows become what, in words, without what does not occur."""
        found = Counter(outcome.becomes for outcome in self.rows)
        return {becomes.value: found[becomes] for becomes in Becomes if found[becomes]}

    @property
    def may_apply(self) -> bool:
        return not self.problems and not self.questions

    @property
    def changes_anything(self) -> bool:
        return any(outcome.writes for outcome in self.rows)


def preview(
    data: bytes | str,
    *,
    today: date,
    papers_seen: bool = False,
    everybody_drives: bool = False,
    area_code: str = "",
    chosen: dict[str, int] | None = None,
) -> Preview:
    """What the roster in a file's bytes, or in pasted text, would become. Writes nothing, raises nothing.

    `today` is the date in the programme's zone; for the other options see plan.Options, cells.phone
    (`area_code`, three digits) and meaning.understand (`chosen`, a question's field to a column's number).
    """
    options = Options(today=today, papers_seen=papers_seen, everybody_drives=everybody_drives)
    try:
        table = read(data)
    except Unreadable as fault:
        return Preview(options, problems=(Problem(fault.line, "", "", str(fault)),))
    meaning = understand(table, today=today, area_code=area_code, chosen=chosen)
    known = records(today)
    rows = tuple(plan(meaning.rows, known, options))
    return Preview(
        options,
        source=table.source,
        understood=tuple((column.heading, MEANINGS[column.field]) for column in meaning.columns),
        ignored=meaning.ignored,
        questions=meaning.questions,
        rows=rows,
        problems=meaning.problems + tuple(problem for outcome in rows for problem in outcome.problems),
        notices=tuple(notices(meaning, {step.code for step in known.steps}, options)),
        people=meaning.rows,
    )


def notices(meaning: Meaning, asked: set[str], options: Options):
    fields = {column.field for column in meaning.columns}
    for column in meaning.columns:
        if column.field in PAPERS and column.field not in asked:
            yield f"“{column.heading}” is not recorded: the programme has no step for it."
    says = fields & {"driver", "current", "status", "regular"}
    if options.papers_seen and not options.everybody_drives and not says:
        yield (
            "No column says who drives today, so nobody's papers are marked as seen. "
            "Add a column Driver with yes and no, or say that everybody in the file drives."
        )


def apply(looked_at: Preview, *, by: Any, at: datetime | None = None) -> list[Person]:
    """Brings in what the preview shows, all or nothing, and returns the people added or changed.

    `by` is the coordinator's sign-in, or None for a command. Raises NotApplied while there is something
    to correct or to choose, or if the people here are no longer those the preview was made for.
    """
    if not looked_at.may_apply:
        raise NotApplied("Nothing was brought in: there are rows to correct or columns to choose first.")
    if not looked_at.changes_anything:
        return []
    at = at or timezone.now()
    Programme.current()  # makes sure of the row to lock
    with transaction.atomic():
        # One import at a time: two of the same file would each find nobody there yet.
        Programme.objects.select_for_update(of=("self",), no_key=True).get(pk=1)
        now = plan(looked_at.people, records(looked_at.options.today), looked_at.options)
        if tuple(now) != looked_at.rows:
            raise NotApplied("Nothing was brought in: people have changed meanwhile. Look at it again.")
        steps = Step.objects.in_bulk()
        people = [
            bring_in(outcome, steps, since=looked_at.options.today, by=by, at=at)
            for outcome in looked_at.rows
            if outcome.writes
        ]
        record(
            verb="roster brought in",
            subject=Programme.current(),
            by=by,
            at=at,
            after={**looked_at.counts, "papers_seen": looked_at.options.papers_seen},
        )
    return people


def bring_in(outcome: Outcome, steps: dict[int, Step], *, since: date, by: Any, at: datetime) -> Person:
    if outcome.person is None:
        person = add_person(by=by, at=at, **outcome.facts)
    else:
        person = Person.objects.get(pk=outcome.person)
        if outcome.facts:
            person = change_person(person, by=by, at=at, **outcome.facts)
    if outcome.car is not None:
        label, crates = outcome.car
        set_cars(person, [{"label": label, "crates": crates}], by=by)
    if outcome.hours is not None:
        set_hours(person, list(outcome.hours), by=by)
    if outcome.appoint_lead:
        person = appoint_lead(person, by=by, since=since)
    for tick in outcome.ticks:
        complete(
            person=person,
            step=steps[tick.step],
            on=tick.on,
            valid_until=tick.valid_until,
            how=tick.how,
            reason=tick.reason,
            by=by,
            at=at,
        )
    return person

"""What each row becomes, given who is already there. Reads and writes nothing."""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from enum import StrEnum
from typing import Any

from sites.dates import us
from volunteers.models import Completion, Person
from volunteers.progress import DATE_TO_FOLLOW_DAYS, add_months
from volunteers.roster.cells import Status
from volunteers.roster.days import Hours, in_words
from volunteers.roster.known import Asked, Known, Recorded, Records
from volunteers.roster.meaning import PAPERS, Problem, Row

TICKED = "Ticked in the roster, without a date."
DROVE_BEFORE = "Drove already when the roster was brought in."


class Becomes(StrEnum):
    NEW = "new"
    CHANGED = "already there, changes"
    SAME = "already there, nothing changes"
    DUPLICATE = "duplicate"
    LEFT_OUT = "left out"
    BAD = "to correct"


@dataclass(frozen=True)
class Options:
    """What the coordinator says about the whole file.

    papers_seen: those who drive today have shown their papers; the dates follow within 30 days.
    everybody_drives: rows that do not say whether somebody drives today are of people who do.
    """

    today: date  # in the programme's zone
    papers_seen: bool = False
    everybody_drives: bool = False


@dataclass(frozen=True)
class Tick:
    """A step to record as done: the arguments of volunteers.progress.complete."""

    step: int
    title: str
    on: date
    how: str = Completion.How.DONE
    valid_until: date | None = None
    reason: str = ""


@dataclass(frozen=True)
class Outcome:
    """What one row becomes, and the writes that make it so."""

    line: int
    name: str
    becomes: Becomes
    person: int | None = None  # who is already there
    facts: dict[str, Any] = field(default_factory=dict)
    car: tuple[str, int | None] | None = None  # label, crates; None: unchanged
    hours: tuple[Hours, ...] | None = None  # None: unchanged
    appoint_lead: bool = False
    ticks: tuple[Tick, ...] = ()
    regular: str = ""  # weekly runs they drive, as written
    same_as: int | None = None  # the line of the row that counts, where this is a duplicate
    details: tuple[str, ...] = ()  # for people: what is recorded, one short sentence each
    remarks: tuple[str, ...] = ()  # for people: worth a look, stops nothing
    problems: tuple[Problem, ...] = ()

    @property
    def in_words(self) -> str:
        return ": ".join(filter(None, [self.becomes.value.capitalize(), "; ".join(self.details)]))

    @property
    def writes(self) -> bool:
        return self.becomes in (Becomes.NEW, Becomes.CHANGED)


def plan(rows: Iterable[Row], records: Records, options: Options) -> list[Outcome]:
    """One outcome for each row, in the order of the file."""
    rows = list(rows)
    register = Register(records.people)
    outcomes: dict[int, Outcome] = {}
    # Rows without phone and address go by the name alone, so the others come first.
    for row in sorted(rows, key=lambda row: not (row.email or row.phone)):
        outcomes[row.line] = settle(row, register, records, options)
    return [
        replace(outcome, remarks=outcome.remarks + tuple(register.neighbours(row, outcome)))
        for row in rows
        for outcome in [outcomes[row.line]]
    ]


def settle(row: Row, register: Register, records: Records, options: Options) -> Outcome:
    remarks = tuple(row.remarks)
    matches = register.matches(row)
    if row.status == Status.GONE:
        still = any(match.person and not match.person.left_on for match in matches)
        return Outcome(
            row.line,
            row.name,
            Becomes.LEFT_OUT,
            details=("the file says that they are no longer active",),
            remarks=("They are still active here; to end that, open their page.",) if still else (),
        )
    if row.problems:
        return Outcome(row.line, row.name, Becomes.BAD, problems=tuple(row.problems), remarks=remarks)
    if len(matches) > 1:
        where = " and ".join(match.where for match in matches)
        problem = Problem(
            row.line,
            "",
            row.name,
            f"There are several people with this name ({where}). "
            "Add an e-mail address or phone to tell them apart.",
        )
        return Outcome(row.line, row.name, Becomes.BAD, problems=(problem,), remarks=remarks)
    if not matches:
        register.enter(Entry(row.name, row=row))
        return newcomer(row, records.steps, options)
    match = matches[0]
    if match.row is not None:
        details = [f"of line {match.row.line}, which counts"]
        if different := differences(match.row, row):
            details.append(f"this one has another {', '.join(different)}")
        return Outcome(
            row.line,
            row.name,
            Becomes.DUPLICATE,
            regular=row.regular,
            same_as=match.row.line,
            details=tuple(details),
        )
    register.claim(match, row)
    person = match.person
    assert person is not None  # an entry without a row was made from a person
    if person.left_on:
        detail = f"left on {us(person.left_on)}; to bring them back, open their page"
        return Outcome(row.line, row.name, Becomes.LEFT_OUT, person=person.pk, details=(detail,))
    return known_already(row, person, records.steps, options)


# --- Who is who -------------------------------------------------------------------
def name_key(name: str) -> str:
    """Names are compared without case, accents and punctuation: spreadsheets lose all three."""
    text = unicodedata.normalize("NFKD", name).casefold()
    text = "".join(mark for mark in text if not unicodedata.combining(mark))
    return " ".join(re.sub(r"[\W_]+", " ", text).split())


@dataclass(eq=False)
class Entry:
    """One person: already there, or in an earlier row, or both."""

    name: str
    person: Known | None = None
    row: Row | None = None
    emails: set[str] = field(default_factory=set)
    phones: set[str] = field(default_factory=set)

    @property
    def where(self) -> str:
        return f"line {self.row.line}" if self.row else "already there"


class Register:
    """Everybody seen so far, and who a row is about.

    One person has the same name and the same address or phone. Two names at one address are two people.
    """

    def __init__(self, people: Iterable[Known]):
        self.by_name: dict[str, list[Entry]] = defaultdict(list)
        self.by_email: dict[str, list[Entry]] = defaultdict(list)
        for person in people:
            self.enter(Entry(person.name, person=person))

    def enter(self, entry: Entry) -> None:
        self.by_name[name_key(entry.name)].append(entry)
        for source in (entry.person, entry.row):
            if source is not None:
                self.learn(entry, source)

    def claim(self, entry: Entry, row: Row) -> None:
        """The row is about this person; what it adds helps to recognise further rows."""
        entry.row = row
        self.learn(entry, row)

    def learn(self, entry: Entry, source: Known | Row) -> None:
        if source.phone:
            entry.phones.add(source.phone)
        if source.email and source.email not in entry.emails:
            entry.emails.add(source.email)
            self.by_email[source.email].append(entry)

    def matches(self, row: Row) -> list[Entry]:
        """Who the row is about: nobody yet, one, or several where it does not say which.

        Somebody who left and came back as a new person is the one who is there now.
        """
        found = self.fitting(row)
        present = [entry for entry in found if not (entry.person and entry.person.left_on)]
        return present or found

    def fitting(self, row: Row) -> list[Entry]:
        namesakes = self.by_name[name_key(row.name)]
        if not (row.email or row.phone):
            return namesakes
        close = [entry for entry in namesakes if row.email in entry.emails or row.phone in entry.phones]
        both = [entry for entry in close if row.email in entry.emails and row.phone in entry.phones]
        if close:
            return both if len(both) == 1 else close
        return [entry for entry in namesakes if not entry.emails and not entry.phones]

    def neighbours(self, row: Row, outcome: Outcome) -> Iterable[str]:
        """Remarks on people who may be taken for each other."""
        if not outcome.writes:
            return
        for entry in self.by_email[row.email] if row.email else ():
            if name_key(entry.name) != name_key(row.name):
                yield (
                    f"Shares the address with {entry.name} ({entry.where}): two people, one sign-in. "
                    "If it is one person, write the name the same way."
                )
        if outcome.becomes == Becomes.NEW:
            for entry in self.by_name[name_key(row.name)]:
                if entry.row is None or entry.row.line != row.line:
                    yield (
                        f"There is another {entry.name} ({entry.where}) with another address or phone. "
                        "If it is the same person, give both the same address or phone."
                    )


COMPARED = {
    "email": "address",
    "phone": "phone",
    "language": "language",
    "license_until": "license date",
    "insurance_until": "insurance date",
    "briefing_on": "briefing date",
    "ride_on": "shadow ride date",
    "car": "car",
    "crates": "number of crates",
    "hours": "days",
    "notes": "note",
    "lead": "lead driver mark",
    "status": "status",
}


def differences(first: Row, second: Row) -> list[str]:
    """What a duplicate says otherwise than the row that counts, in words."""
    return [
        words
        for name, words in COMPARED.items()
        if getattr(second, name) and getattr(second, name) != getattr(first, name)
    ]


# --- What is recorded -----------------------------------------------------------------
def newcomer(row: Row, steps: Iterable[Asked], options: Options) -> Outcome:
    facts: dict[str, Any] = {
        "name": row.name,
        "email": row.email,
        "phone": row.phone,
        "language": row.language or "en",
        "drives": row.status != Status.HELPER,
        "notes": row.notes,
    }
    if row.reach:
        facts["reach"] = row.reach
    ticks, remarks = ticks_for(row, (), steps, options)
    car = (row.car, row.crates) if row.car or row.crates is not None else None
    hours = tuple(row.hours) or None
    details = [] if facts["drives"] else ["does not drive"]
    return Outcome(
        row.line,
        row.name,
        Becomes.NEW,
        facts=facts,
        car=car,
        hours=hours,
        appoint_lead=row.lead,
        ticks=ticks,
        regular=row.regular,
        details=(*details, *say(car, hours, row.lead, ticks, options)),
        remarks=(*row.remarks, *remarks),
    )


def known_already(row: Row, person: Known, steps: Iterable[Asked], options: Options) -> Outcome:
    """The file's address, phone, language and way to be reached replace what is there; an empty cell
    replaces nothing. Car and hours, which people keep themselves, are only filled in where none are."""
    facts = changed_facts(row, person)
    details = [
        f"{words} changes from {getattr(person, name) or 'nothing'} to {facts[name]}"
        for name, words in {
            "email": "address",
            "phone": "phone",
            "language": "language",
            "reach": "how to reach them",
        }.items()
        if name in facts
    ]
    if "drives" in facts:
        details.append("drives" if facts["drives"] else "does not drive any more")
    if "notes" in facts:
        details.append("a note is added")
    car = changed_car(row, person)
    hours = tuple(row.hours) if row.hours and not person.hours else None
    ticks, remarks = ticks_for(row, person.done, steps, options)
    lead = row.lead and not person.lead and person.adult
    if not person.adult and (row.lead or row.status not in (Status.UNSAID, Status.HELPER)):
        remarks = (*remarks, "Under 18 as recorded here, so not brought in as a driver.")
    changes = bool(facts or car or hours or lead or ticks)
    return Outcome(
        row.line,
        row.name,
        Becomes.CHANGED if changes else Becomes.SAME,
        person=person.pk,
        facts=facts,
        car=car,
        hours=hours,
        appoint_lead=lead,
        ticks=ticks,
        regular=row.regular,
        details=(*details, *say(car, hours, lead, ticks, options)),
        remarks=(*row.remarks, *remarks),
    )


def changed_facts(row: Row, person: Known) -> dict[str, Any]:
    said: dict[str, Any] = {name: getattr(row, name) for name in ("email", "phone", "language", "reach")}
    if row.email and not person.email and not row.reach:
        said["reach"] = Person.Reach.MAIL.value  # as for somebody new: whoever has an address gets mail
    facts = {name: value for name, value in said.items() if value and value != getattr(person, name)}
    says_otherwise = row.status != Status.UNSAID and person.drives != (row.status != Status.HELPER)
    if says_otherwise and person.adult:
        facts["drives"] = not person.drives
    if row.notes and row.notes not in person.notes:
        facts["notes"] = "\n".join(filter(None, [person.notes, row.notes]))
    return facts


def changed_car(row: Row, person: Known) -> tuple[str, int | None] | None:
    if not person.cars:
        return (row.car, row.crates) if row.car or row.crates is not None else None
    label, crates = person.cars[0]
    if len(person.cars) == 1 and crates is None and row.crates is not None and row.car in ("", label):
        return label, row.crates
    return None


def ticks_for(
    row: Row, done: Iterable[Recorded], steps: Iterable[Asked], options: Options
) -> tuple[tuple[Tick, ...], tuple[str, ...]]:
    """Steps to record, and remarks.

    A step that has ever been recorded is not filled in again: re-running an old file neither renews
    "date to follow" nor brings back what was taken back.
    """
    drives_now = row.status == Status.CURRENT or (row.status == Status.UNSAID and options.everybody_drives)
    ticks: list[Tick] = []
    remarks: list[str] = []
    for step in steps:
        recorded = [completion for completion in done if completion.step == step.pk]
        known = step.code if step.code in PAPERS else None
        given = getattr(row, f"{step.code}_until" if known else f"{step.code}_on", None)
        if step.is_paper and given:
            if given >= options.today:
                tick, remark = paper_tick(step, given, recorded, options)
                ticks += tick
                remarks += remark
            continue  # a date in the file is never replaced by "date to follow", not even one that is over
        if given and not (step.lasts_months and add_months(given, step.lasts_months) < options.today):
            if not any(c.valid_from >= given and not c.seen for c in recorded):
                ticks.append(Tick(step.pk, step.title, given))
            continue
        if given:
            remarks.append(f"{step.title} of {us(given)} has run out; it lasts {step.lasts_months} months.")
        if recorded or step.code in row.denied:
            continue
        if step.code in row.ticked and not step.is_paper:
            ticks += undated(step, options, TICKED, for_good=not step.lasts_months)
        elif options.papers_seen and drives_now:
            ticks += undated(step, options, DROVE_BEFORE, for_good=step.may_be_waived or step.is_doors)
    return tuple(ticks), tuple(remarks)


def paper_tick(
    step: Asked, until: date, recorded: list[Recorded], options: Options
) -> tuple[list[Tick], list[str]]:
    dated = [c for c in recorded if not c.seen]
    if any(c.valid_until == until for c in dated):
        return [], []
    if any(not c.withdrawn and (c.valid_until is None or c.valid_until > until) for c in dated):
        return [], [f"{step.title}: the date {us(until)} is not used, a later one is recorded."]
    return [Tick(step.pk, step.title, options.today, valid_until=until)], []


def undated(step: Asked, options: Options, reason: str, *, for_good: bool) -> list[Tick]:
    """The step without a date of its own: for good, or for 30 days until the date follows."""
    how = Completion.How.DONE if for_good else Completion.How.SEEN
    return [Tick(step.pk, step.title, options.today, how=how, reason=reason)] * step.times


def say(
    car: tuple[str, int | None] | None,
    hours: tuple[Hours, ...] | None,
    lead: bool,
    ticks: Iterable[Tick],
    options: Options,
) -> list[str]:
    """What is recorded besides the person's facts, in words."""
    words = ["lead driver"] if lead else []
    if car:
        label, crates = car
        words.append((label or "car") + (f", {crates} crates" if crates is not None else ""))
    if hours:
        words.append(f"can drive {in_words(hours)}")
    dated = {tick.title: us(tick.valid_until) for tick in ticks if tick.valid_until}
    undated = [tick for tick in ticks if not tick.valid_until]
    done = dict.fromkeys(tick.title for tick in undated if tick.how == Completion.How.DONE)
    seen = dict.fromkeys(tick.title for tick in undated if tick.how == Completion.How.SEEN)
    words += [f"{title} until {until}" for title, until in dated.items()]
    if done:
        words.append(f"done: {', '.join(done)}")
    if seen:
        last = options.today + timedelta(days=DATE_TO_FOLLOW_DAYS)
        words.append(f"date to follow by {us(last)}: {', '.join(seen)}")
    return words

"""A roster with regular drivers: which weekly runs its texts mean, and giving them with the rest.

The roster itself (volunteers/roster) only reads the text, since it knows no weekly runs.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone

from shifts.models import Booking, Run, Shift, Standing
from shifts.schedule.clock import local_date
from shifts.seats import standing as regular
from shifts.seats.booking import hold
from shifts.seats.keeping import keeps, with_skips
from shifts.seats.news import News
from shifts.seats.refusals import Refusal, RegularTaken
from shifts.seats.standing import Wish
from sites.dates import us
from sites.models import Programme
from volunteers import clearance
from volunteers.models import Person
from volunteers.roster import applying
from volunteers.roster.applying import NotApplied, Preview
from volunteers.roster.columns import MEANINGS
from volunteers.roster.meaning import Problem
from volunteers.roster.plan import Becomes, Outcome, name_key

NAMED = 12  # weekly runs named in a problem

# How often, in the words of a roster, read without case and punctuation. Wordings: common practice, no
# published source. They may stand before or behind the name.
WEEK = r"(?: (?:weeks?|times?|runs?|ones?))?"
FIRST_THIRD = r"(?:the )?(?:1st|first|1)(?: and)? (?:3rd|third|3)"
SECOND_FOURTH = r"(?:the )?(?:2nd|second|2)(?: and)? (?:4th|fourth|4)"
OF_MONTH = r"(?: weeks?)?(?: of (?:the|each|every) month| monthly)?"
OFTEN = {
    Standing.Pattern.OTHER: (
        rf"every (?:other|2nd|second|2|two){WEEK}|each other{WEEK}|bi ?weekly|fortnightly|eow"
        r"|alternat(?:e|es|ing)(?: weeks?)?|other weeks?"
    ),
    Standing.Pattern.FIRST_THIRD: FIRST_THIRD + OF_MONTH,
    Standing.Pattern.SECOND_FOURTH: SECOND_FOURTH + OF_MONTH,
    Standing.Pattern.EVERY: r"(?:every|each) (?:week|time|run|one)|every|weekly|always",
}
NOT_A_SLASH = re.compile(r"\b(1st|first|1|2nd|second|2)\s*/\s*(3rd|third|3|4th|fourth|4)\b", re.IGNORECASE)


# --- which weekly run a text means


@dataclass(frozen=True)
class Gift:
    """A weekly run that a row gives somebody. `row` is the line of the row that counts for the person;
    `line` the one where it is written."""

    line: int
    row: int
    text: str
    shift: int
    shift_name: str
    pattern: str


class Names:
    """The weekly runs by their names: as written but for case and punctuation, or by a unique beginning."""

    def __init__(self, shifts: Iterable[Shift]) -> None:
        self.shifts = list(shifts)
        self.keys = [(name_key(shift.name), shift) for shift in self.shifts]

    def called(self, key: str) -> list[Shift]:
        if not key:
            return []
        exactly = [shift for known, shift in self.keys if known == key]
        return exactly or [shift for known, shift in self.keys if known.startswith(key)]

    def meant(self, text: str) -> list[tuple[str, list[Shift], str]]:
        """The parts of a text, each with the weekly runs it may mean and how often."""
        found = []
        for part in re.split(r"[;\n]", NOT_A_SLASH.sub(r"\1 and \2", text)):
            whole = self.meaning_of(part)
            parts = [part] if whole[0] or "/" not in part else part.split("/")
            found += [(one.strip(), *self.meaning_of(one)) for one in parts if name_key(one)]
        return found

    def meaning_of(self, text: str) -> tuple[list[Shift], str]:
        key = name_key(text)
        runs = self.called(key)
        if len(runs) == 1:
            return runs, Standing.Pattern.EVERY
        for pattern, words in OFTEN.items():
            told = re.fullmatch(rf"(?:(?:{words}) (?P<after>.+)|(?P<before>.+?) (?:{words}))", key)
            if told and (some := self.called(told["after"] or told["before"])):
                return some, pattern
        return runs, Standing.Pattern.EVERY


def gifts_in(rows: Iterable[Outcome], names: Names, heading: str) -> tuple[list[Gift], list[Problem]]:
    """What the rows give, each once, and the texts that mean no weekly run or several."""
    gifts: dict[tuple[int, int], Gift] = {}
    problems = []
    for row in rows:
        for text, runs, pattern in names.meant(row.regular):
            if len(runs) == 1:
                line = row.same_as or row.line
                gift = Gift(row.line, line, text, runs[0].pk, runs[0].name, pattern)
                gifts.setdefault((line, runs[0].pk), gift)
            else:
                problems.append(Problem(row.line, heading, text, unclear_words(runs, names)))
    return list(gifts.values()), problems


def unclear_words(runs: list[Shift], names: Names) -> str:
    if runs:
        return f"may be several weekly runs: {listed(runs)}. Write more of the name."
    return f"is the name of no weekly run. There are: {listed(names.shifts)}."


def listed(shifts: Sequence[Shift]) -> str:
    more = len(shifts) - NAMED
    return "; ".join(shift.name for shift in shifts[:NAMED]) + (f"; and {more} more" if more > 0 else "")


# --- a look before


@dataclass(frozen=True)
class Look:
    """`people` is the roster as read; `shown` the same with what becomes of its regular drivers."""

    people: Preview
    shown: Preview
    gifts: tuple[Gift, ...] = ()


def look_at(data: bytes | str, *, today: date, at: datetime | None = None, **options: Any) -> Look:
    """What a roster would become, its regular drivers too. They are given and taken back at once, so that
    nothing is written: whether somebody is ready with what the file brings is the gate's own answer.

    Arguments as of volunteers.roster.applying.preview. Must not be called in a transaction that goes on.
    """
    at = at or timezone.now()
    found = read(data, today=today, **options)
    if not found.gifts or not found.shown.may_apply:
        return found
    given = tried(found, at)
    return replace(found, shown=with_given(found.shown, given))


def read(data: bytes | str, *, today: date, **options: Any) -> Look:
    """The same without trying it: which weekly runs are meant."""
    people = applying.preview(data, today=today, **options)
    heading = next((head for head, what in people.understood if what == MEANINGS["regular"]), "")
    if not heading or not any(row.regular for row in people.rows):
        return Look(people, people)
    names = Names(Shift.objects.in_use(today))
    if not names.shifts:
        notice = f"“{heading}” is not used: there are no weekly runs yet. Once there are, bring it in again."
        return Look(people, replace(people, notices=(*people.notices, notice)))
    gifts, problems = gifts_in(people.rows, names, heading)
    shown = replace(people, problems=(*people.problems, *problems))
    return Look(people, shown, tuple(gifts))


@dataclass(frozen=True)
class Given:
    """What became of a gift: the regular run, or why not. `kept` runs wait for what is `missing`."""

    gift: Gift
    standing: Standing | None = None
    refusal: Refusal | None = None
    is_new: bool = False
    driven: int = 0
    kept: int = 0
    left_out: int = 0
    missing: str = ""


def with_given(people: Preview, given: list[Given]) -> Preview:
    """The preview with a word at each row on its regular runs, and a problem for each that cannot be."""
    heading = next(head for head, what in people.understood if what == MEANINGS["regular"])
    by_line: dict[int, list[Given]] = {}
    for one in given:
        by_line.setdefault(one.gift.line, []).append(one)
    problems = [
        Problem(one.gift.line, heading, one.gift.text, one.refusal.why) for one in given if one.refusal
    ]
    rows = tuple(row_with(row, by_line.get(row.line, [])) for row in people.rows)
    return replace(people, rows=rows, problems=(*people.problems, *problems))


def row_with(row: Outcome, given: list[Given]) -> Outcome:
    told = [one for one in given if one.standing]
    changes = row.becomes == Becomes.SAME and any(one.is_new for one in told)
    return replace(
        row,
        becomes=Becomes.CHANGED if changes else row.becomes,
        details=(*row.details, *(words_of(one) for one in told)),
        remarks=(*row.remarks, *(remark for one in told for remark in remarks_on(one))),
    )


def words_of(given: Given) -> str:
    standing = given.standing
    assert standing is not None  # only asked of what was given
    often = f"{given.gift.shift_name}, {standing.get_pattern_display()}"
    if not given.is_new:
        return f"drives {often}, already"
    return f"drives {often}, from {us(standing.from_day)}"


def remarks_on(given: Given) -> list[str]:
    standing, name = given.standing, given.gift.shift_name
    assert standing is not None  # only asked of what was given
    said = []
    if not given.is_new and standing.pattern != given.gift.pattern:
        said.append(f"{name} stays as it is: to change how often, end it on the weekly run's page first.")
    if given.kept and given.missing:
        said.append(f"{name}: {counted(given.kept)} only kept for them. Missing: {given.missing}.")
    if given.left_out:
        said.append(f"{name}: {given.left_out} left out, as somebody else drives or they are elsewhere.")
    return said


def counted(number: int) -> str:
    return "1 run is" if number == 1 else f"{number} runs are"


class Undone(Exception):
    """Ends the transaction of a look, with what it found."""

    def __init__(self, given: list[Given]) -> None:
        self.given = given


def tried(look: Look, at: datetime) -> list[Given]:
    try:
        with transaction.atomic():
            people = applying.apply(look.people, by=None, at=at)
            raise Undone(give_all(look, people, by=None, news=News(at=at), at=at))
    except Undone as undone:
        return undone.given
    except NotApplied:  # people have changed this very moment; bringing it in will say so
        return []


# --- bringing it in


def apply(look: Look, *, by: Any, at: datetime | None = None) -> tuple[list[Person], int]:
    """Brings in people and regular drivers, all or nothing: the people added or changed, and the number of
    regular runs begun. Each person is told once. Raises NotApplied."""
    at = at or timezone.now()
    if not look.shown.may_apply:
        raise NotApplied("Nothing was brought in: there are rows to correct or columns to choose first.")
    Programme.current()  # makes sure of the row to lock
    with transaction.atomic():
        hold_all(look, at)
        people = applying.apply(look.people, by=by, at=at)
        news = News(at=at)
        given = give_all(look, people, by=by, news=news, at=at)
        for one in given:
            if one.refusal:
                raise NotApplied(
                    f"Nothing was brought in. Line {one.gift.line}, {one.gift.text}: {one.refusal.why}"
                )
        news.settle()
    return people, sum(one.is_new for one in given)


def hold_all(look: Look, at: datetime) -> None:
    """Everything that the gifts touch, in the usual order: programme, weekly runs, their runs, people."""
    if look.gifts:
        Programme.objects.select_for_update(of=("self",), no_key=True).get(pk=1)
        keys = {gift.shift for gift in look.gifts}
        list(Shift.objects.select_for_update(of=("self",), no_key=True).filter(pk__in=keys).order_by("pk"))
        known = {row.person for row in look.people.rows if row.person}
        hold(Run.objects.ahead(at).filter(shift__in=keys), also=known)


def give_all(look: Look, people: Sequence[Person], *, by: Any, news: News, at: datetime) -> list[Given]:
    """`people` are those whom the roster added or changed, in the order of their rows."""
    writing = (row.line for row in look.people.rows if row.writes)
    by_row = {line: person.pk for line, person in zip(writing, people, strict=True)}
    by_row |= {row.line: row.person for row in look.people.rows if row.person}
    persons = Person.objects.in_bulk(list(by_row.values()))
    shifts = Shift.objects.in_bulk([gift.shift for gift in look.gifts])
    today = local_date(at, Programme.current().zone)
    return [
        give(gift, persons[by_row[gift.row]], shifts[gift.shift], today=today, by=by, news=news, at=at)
        for gift in look.gifts
        if gift.row in by_row
    ]


def give(
    gift: Gift, person: Person, shift: Shift, *, today: date, by: Any, news: News, at: datetime
) -> Given:
    already = Standing.objects.going_on(today).filter(shift=shift, person=person).first()
    if already:
        return Given(gift, standing=already)
    try:
        standing = begin(gift, person, shift, today=today, by=by, news=news, at=at)
    except Refusal as refusal:
        return Given(gift, refusal=refusal)
    return reckoned(gift, standing, at)


def begin(
    gift: Gift, person: Person, shift: Shift, *, today: date, by: Any, news: News, at: datetime
) -> Standing:
    """From today, or the next run. Two who share a run "every other week" do not say who begins: the one
    in the later row takes the weeks between. Raises a Refusal."""
    first = shift.runs.on_the_books().ahead(at).first()
    day = today
    if gift.pattern == Standing.Pattern.OTHER and first and first.slot_date:
        day = first.slot_date
    wish = Wish(shift, person, day, gift.pattern)
    try:
        return regular.begin(wish, by=by, on_behalf=True, news=news, at=at)
    except RegularTaken:
        if gift.pattern != Standing.Pattern.OTHER:
            raise
        wish = replace(wish, from_day=day + timedelta(weeks=1))
        return regular.begin(wish, by=by, on_behalf=True, news=news, at=at)


def reckoned(gift: Gift, standing: Standing, at: datetime) -> Given:
    """How many of the runs that are made they drive, and what the others wait for."""
    standing = with_skips(Standing.objects.filter(pk=standing.pk)).get()
    runs = list(standing.shift.runs.on_the_books().ahead(at).unfilled().without_closed())
    waiting = [run for run in runs if keeps(standing, run)]
    missing = (
        clearance.missing(standing.person, on=waiting[0].local_date, sites=waiting[0].site_ids)
        if waiting
        else []
    )
    return Given(
        gift,
        standing=standing,
        is_new=True,
        driven=Booking.objects.live().filter(standing=standing).count(),
        kept=len(waiting),
        left_out=len(standing.skips.all()),
        missing=", ".join(term.step.title for term in missing),
    )

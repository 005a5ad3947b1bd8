"""A table to people: which column is which, and what each row says about somebody."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date

from sites.dates import us
from volunteers.roster import cells
from volunteers.roster.cells import Status, Unclear
from volunteers.roster.columns import DAYS, MEANINGS, field_of, plain
from volunteers.roster.days import Hours, hours, hours_on
from volunteers.roster.reading import Line, Table

LONGEST_CAR = 60
PAPERS = {"license": "driver's license", "insurance": "insurance card"}
DONE = {"briefing": "briefing", "form": "volunteer agreement", "kit": "starter kit", "ride": "shadow ride"}
NO_MEANS = {"driver": Status.HELPER, "current": Status.NOT_YET, "status": Status.GONE}
MAY_REPEAT = {"notes"}  # every such column is read; of the others one must be chosen


@dataclass(frozen=True)
class Problem:
    """Something to correct before anybody is brought in. `line` is None where it is about the whole file."""

    line: int | None
    column: str  # the heading as in the file, or ""
    cell: str
    reason: str

    def __str__(self) -> str:
        where = ", ".join(filter(None, [f"line {self.line}" if self.line else "", self.column]))
        shown = self.cell if len(self.cell) <= 60 else self.cell[:60] + "…"
        start = f"{where[:1].upper()}{where[1:]}: " if where else ""
        return start + (f"“{shown}” " if shown else "") + self.reason


@dataclass(frozen=True)
class Column:
    number: int  # from 1, as in the file
    heading: str
    field: str


@dataclass(frozen=True)
class Question:
    """Several columns that mean the same to us. `field` and a column's number are the answer."""

    field: str
    meaning: str
    columns: tuple[Column, ...]

    def __str__(self) -> str:
        options = ", ".join(f"“{column.heading}” (column {column.number})" for column in self.columns)
        return f"Which column holds the {self.meaning}: {options}?"


@dataclass
class Row:
    """What one row says about one person; empty and None mean that it says nothing.

    `ticked` and `denied` hold steps (the keys of PAPERS and DONE) marked yes without a date, or no.
    """

    line: int
    name: str = ""
    email: str = ""
    phone: str = ""  # E.164
    language: str | None = None
    reach: str | None = None
    status: Status = Status.UNSAID
    lead: bool = False
    license_until: date | None = None
    insurance_until: date | None = None
    briefing_on: date | None = None
    form_on: date | None = None
    kit_on: date | None = None
    ride_on: date | None = None
    ticked: frozenset[str] = frozenset()
    denied: frozenset[str] = frozenset()
    car: str = ""
    crates: int | None = None
    hours: list[Hours] = field(default_factory=list)
    regular: str = ""  # weekly runs they drive, as written; whoever knows the weekly runs reads it
    notes: str = ""
    problems: list[Problem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Meaning:
    columns: tuple[Column, ...]  # those that are read
    ignored: tuple[str, ...]  # headings we have no use for
    questions: tuple[Question, ...]
    problems: tuple[Problem, ...]  # about the whole file
    rows: tuple[Row, ...]  # empty while there are questions or problems


def understand(
    table: Table, *, today: date, area_code: str = "", chosen: dict[str, int] | None = None
) -> Meaning:
    """What the table says. `chosen` answers questions: a field to a column's number."""
    all_columns = [
        Column(number, heading, known)
        for number, heading in enumerate(table.header.cells, 1)
        if (known := field_of(heading))
    ]
    if not {column.field for column in all_columns} & {"name", "first", "last"}:
        all_columns = [  # "Driver" heads names where no other column does, and yes or no elsewhere
            Column(c.number, c.heading, "name") if c.field == "driver" else c for c in all_columns
        ]
    if "regular" not in {column.field for column in all_columns}:
        all_columns = [  # "Drives" heads the weekly runs where no cell below says yes or no
            Column(c.number, c.heading, "regular") if names_runs(c, table) else c for c in all_columns
        ]
    columns, questions = choose(all_columns, table, chosen or {})
    used = {column.number for column in columns}
    ignored = tuple(
        heading or f"column {number}, which has no heading"
        for number, heading in enumerate(table.header.cells, 1)
        if number not in used and number not in {c.number for q in questions for c in q.columns}
    )
    problems: tuple[Problem, ...] = ()
    if not {column.field for column in all_columns} & {"name", "first", "last"}:
        reason = "No column holds the names. Give one of them the heading Name."
        problems = (Problem(table.header.number, "", "", reason),)
    rows: tuple[Row, ...] = ()
    if not problems and not questions:
        reader = RowReader(columns, len(table.header.cells), today=today, area_code=area_code)
        rows = tuple(reader.read(line) for line in table.rows)
    return Meaning(tuple(columns), ignored, tuple(questions), problems, rows)


def names_runs(column: Column, table: Table) -> bool:
    if column.field != "driver" or plain(column.heading) != "drives":
        return False
    said = [cell for line in table.rows if not cells.is_blank(cell := cell_of(line, column.number))]
    return bool(said) and not any(is_answer(cell) for cell in said)


def is_answer(cell: str) -> bool:
    try:
        return cells.yes_or_no(cell) is not None
    except Unclear:
        return False


def choose(
    columns: list[Column], table: Table, chosen: dict[str, int]
) -> tuple[list[Column], list[Question]]:
    """One column for each meaning. Only where two differ, and both are filled, somebody must choose."""
    by_field: dict[str, list[Column]] = {}
    for column in columns:
        by_field.setdefault(column.field, []).append(column)
    kept, questions = [], []
    for name, rivals in by_field.items():
        if name in MAY_REPEAT:
            kept += rivals
            continue
        contents = {column: [cell_of(line, column.number) for line in table.rows] for column in rivals}
        filled = [column for column in rivals if any(contents[column])] or rivals[:1]
        answer = [column for column in rivals if column.number == chosen.get(name)]
        if answer or all(contents[column] == contents[filled[0]] for column in filled):
            kept += answer or filled[:1]
        else:
            questions.append(Question(name, MEANINGS[name], tuple(filled)))
    return sorted(kept, key=lambda column: column.number), questions


def cell_of(line: Line, number: int) -> str:
    return line.cells[number - 1] if number <= len(line.cells) else ""


class RowReader:
    """Reads the rows of one table; everything that is unclear ends as a problem or a remark of its row."""

    def __init__(self, columns: list[Column], width: int, *, today: date, area_code: str):
        self.by_field: dict[str, list[Column]] = {}
        for column in columns:
            self.by_field.setdefault(column.field, []).append(column)
        self.width = width
        self.today = today
        self.area_code = area_code

    def read(self, line: Line) -> Row:
        self.line = line
        self.row = row = Row(line.number)
        self.notes = [text for column in self.by_field.get("notes", []) if (text := self.text(column))]
        beyond = [cell for cell in line.cells[self.width :] if cell]
        if beyond:
            row.problems.append(
                Problem(
                    line.number,
                    "",
                    " | ".join(beyond),
                    "stands after the last heading. "
                    "Perhaps a cell before it holds a comma without quotation marks.",
                )
            )
        row.name = self.name()
        row.email = self.value("email", cells.email, "")
        row.phone = self.phone()
        row.language = self.value("language", cells.language, None, gently=True)
        row.reach = self.reach()
        row.status = self.status()
        row.lead = self.value("lead", cells.yes_or_no, None, gently=True) or self.is_lead_by_status()
        for paper in PAPERS:
            self.paper(paper)
        for step in DONE:
            self.done(step)
        self.car()
        row.hours = self.hours()
        row.regular = self.regular()
        if row.regular and row.status == Status.UNSAID:
            row.status = Status.CURRENT  # whoever has a weekly run drives today
        row.notes = "\n".join(self.notes)
        if not row.email:
            row.remarks.append(
                "No e-mail address: the coordinator tells them by phone."
                if row.phone
                else "No phone and no e-mail address: nobody can reach them."
            )
        return row

    # --- Cells -------------------------------------------------------------
    def text(self, column: Column) -> str:
        return cell_of(self.line, column.number)

    def column(self, name: str) -> Column | None:
        return self.by_field.get(name, [None])[0]

    def said(self, name: str) -> str:
        column = self.column(name)
        return self.text(column) if column else ""

    def value(self, name: str, parse: Callable, nothing, *, gently: bool = False):
        """What the cell says; `nothing` where it is unclear, with a problem, or gently with a remark."""
        column = self.column(name)
        if column is None:
            return nothing
        try:
            return parse(self.text(column))
        except Unclear as unclear:
            self.unclear(column, str(unclear), gently=gently)
            return nothing

    def unclear(self, column: Column, reason: str, *, gently: bool) -> None:
        problem = Problem(self.line.number, column.heading, self.text(column), reason)
        if gently:
            self.row.remarks.append(f"{column.heading}: “{problem.cell}” is not used. {reason}")
            self.notes.append(f"{column.heading}: {problem.cell}")
        else:
            self.row.problems.append(problem)

    # --- Who ---------------------------------------------------------------
    def name(self) -> str:
        """First and last name where there are such columns, completed by a column for the whole name."""
        whole, first, last = self.said("name"), self.said("first"), self.said("last")
        part = first or last
        if not part or (not (first and last) and part.casefold() in whole.casefold()):
            typed = whole
        else:
            typed = f"{first or whole} {last or whole}".strip()
        try:
            return cells.name(typed)
        except Unclear as unclear:
            heads = [column.heading for key in ("name", "first", "last") if (column := self.column(key))]
            self.row.problems.append(Problem(self.line.number, " + ".join(heads), typed, str(unclear)))
            return ""

    def phone(self) -> str:
        def parse(cell: str) -> tuple[str, str]:
            return cells.phone(cell, area_code=self.area_code)

        number, extension = self.value("phone", parse, ("", ""))
        other, other_extension = self.value("other_phone", parse, ("", ""), gently=True)
        if cells.is_blank(self.said("phone")):
            number, extension, other = other, other_extension, ""
        if extension:
            self.notes.append(f"Phone extension {extension}")
            self.row.remarks.append(f"The phone's extension {extension} stands in the notes.")
        if other and other != number:
            self.notes.append(f"Other phone: {self.said('other_phone')}")
        return number

    def reach(self) -> str | None:
        """How they want to be told. "Text or call?" is about phoning, so it counts without e-mail only."""
        said = self.value("reach", cells.reach, None, gently=True)
        by_phone = self.value("by_phone", self.parse_by_phone, None, gently=True)
        if said is None and by_phone:
            if not self.row.email:
                said = by_phone
            elif by_phone == "text":
                self.notes.append("By phone: text rather than call.")
        if said == "mail" and not self.row.email:
            self.row.remarks.append("They want e-mail but have no address here.")
            return None
        if said in ("text", "call") and not self.row.phone:
            self.row.remarks.append(f"They want a {said} but have no phone number here.")
            return None
        if said in ("text", "call") and self.row.email:
            self.row.remarks.append(f"No mail goes to them: the coordinator tells them by {said}.")
        return said

    @staticmethod
    def parse_by_phone(cell: str) -> str | None:
        try:
            answer = cells.yes_or_no(cell)  # under "OK to text?"
            return None if answer is None else "text" if answer else "call"
        except Unclear:
            said = cells.reach(cell)
            return said if said in ("text", "call") else None

    def status(self) -> Status:
        return max(
            self.value(name, lambda cell, no=no: cells.status(cell, no=no), Status.UNSAID, gently=True)
            for name, no in NO_MEANS.items()
        )

    def is_lead_by_status(self) -> bool:
        said = {self.said(name).casefold() for name in NO_MEANS}
        return bool(said & {"lead", "lead driver"}) and self.row.status == Status.CURRENT

    # --- Steps ---------------------------------------------------------------
    def paper(self, name: str) -> None:
        """A paper's last day. A plain yes has no date, and a date cannot be made up."""
        column = self.column(name)
        if column is None or cells.is_blank(self.text(column)):
            return
        answer = self.answer(column)
        if answer is not None:
            self.mark(name, answer)
            said = "no date is given" if answer else "not there"
            self.row.remarks.append(f"{PAPERS[name].capitalize()}: {said}.")
            return
        until = self.value(name, lambda cell: cells.day(cell, today=self.today), None)
        if until:
            setattr(self.row, f"{name}_until", until)
            if until < self.today:
                self.row.remarks.append(
                    f"The {PAPERS[name]} expired on {us(until)}: "
                    "they cannot drive alone until there is a new date."
                )

    def done(self, name: str) -> None:
        column = self.column(name)
        if column is None or cells.is_blank(self.text(column)):
            return
        answer = self.answer(column)
        if answer is not None:
            self.mark(name, answer)
        elif not re.search(r"\d", self.text(column)):
            self.unclear(column, "Write a date, yes or no.", gently=True)
            self.mark(name, False)
        elif on := self.value(name, lambda cell: cells.day(cell, today=self.today), None):
            if on > self.today:
                self.row.remarks.append(
                    f"The {DONE[name]} on {us(on)} is still to come, so it is not ticked off."
                )
                self.mark(name, False)
            else:
                setattr(self.row, f"{name}_on", on)

    def answer(self, column: Column) -> bool | None:
        try:
            return cells.yes_or_no(self.text(column))
        except Unclear:
            return None

    def mark(self, name: str, answer: bool) -> None:
        which = "ticked" if answer else "denied"
        setattr(self.row, which, getattr(self.row, which) | {name})

    # --- Car and hours ----------------------------------------------------------
    def car(self) -> None:
        label = " ".join(self.said("car").split())
        column = self.column("car")
        if column and not cells.is_blank(label) and self.answer(column) is None:
            self.row.car = label[:LONGEST_CAR]
            if len(label) > LONGEST_CAR:
                self.notes.append(f"Car: {label}")
        self.row.crates = self.value("crates", cells.crates, None)

    def hours(self) -> list[Hours]:
        found = list(self.value("hours", hours, [], gently=True))
        for number, name in enumerate(DAYS):
            found += self.value(name, lambda cell, number=number: self.on_day(number, cell), [], gently=True)
        return sorted(set(found))

    def regular(self) -> str:
        """The text as it stands. A plain yes, or a number, names no weekly run."""
        column = self.column("regular")
        if column is None or cells.is_blank(self.text(column)):
            return ""
        answer = self.answer(column)
        names = answer is None and re.search(r"[^\W\d_]", self.text(column))
        if answer or (answer is None and not names):
            self.unclear(column, "Write the name of the weekly run.", gently=True)
        return self.text(column) if names else ""

    @staticmethod
    def on_day(number: int, cell: str) -> list[Hours]:
        try:
            answer = cells.yes_or_no(cell)
        except Unclear:
            return hours_on(number, cell)
        return hours_on(number, "all day") if answer else []

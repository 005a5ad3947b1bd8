"""Bytes of a file, or text pasted from a spreadsheet, to a table of cells with line numbers."""

from __future__ import annotations

import codecs
import csv
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from io import StringIO
from itertools import islice

from volunteers.roster.columns import field_of

LARGEST = 5_000_000  # bytes or characters: sixty times a roster of 500 people in UTF-16
# A file is brought in in one transaction, about 10 ms a person; on SQLite everybody else waits for it,
# and gives up after 5 s.
MOST_ROWS = 500
MOST_COLUMNS = 200
HEADER_WITHIN = 10  # rows that are not blank: a title or two may stand above the headings

# Tab first: where the headings hold no delimiter at all there is one column, and a comma in a cell
# ("Smith, Ann") is part of it.
DELIMITERS = {"\t": "tabs", ",": "commas", ";": "semicolons"}

SAVE_AS = "In the spreadsheet choose Save as (or Download) and CSV, or copy the cells and paste them."
FORMATS = {
    b"PK\x03\x04": f"This is a workbook (.xlsx, .ods) or a zip file, not a CSV file. {SAVE_AS}",
    b"\xd0\xcf\x11\xe0": f"This is an old workbook (.xls) or Word document, not a CSV file. {SAVE_AS}",
    b"%PDF": f"This is a PDF, which holds no cells. {SAVE_AS}",
    b"{\\rtf": f"This is a text document, not a CSV file. {SAVE_AS}",
    b"\x89PNG": "This is a picture. Choose the spreadsheet saved as CSV.",
    b"\xff\xd8\xff": "This is a picture. Choose the spreadsheet saved as CSV.",
    b"GIF8": "This is a picture. Choose the spreadsheet saved as CSV.",
}
# A longer mark before the shorter one that it begins with.
MARKS = {
    codecs.BOM_UTF8: ("utf-8", "UTF-8"),
    codecs.BOM_UTF32_LE: ("utf-32-le", "UTF-32"),
    codecs.BOM_UTF32_BE: ("utf-32-be", "UTF-32"),
    codecs.BOM_UTF16_LE: ("utf-16-le", "UTF-16"),
    codecs.BOM_UTF16_BE: ("utf-16-be", "UTF-16"),
}
# Left in cells by phones' address books and by web pages; they break numbers and addresses unseen.
INVISIBLE = re.compile("[\u00ad\u200b\u200e\u200f\u202a-\u202e\u2060\u2066-\u2069\ufeff]")


class Unreadable(Exception):
    """The whole file or text cannot be read; the text says why and what to do. `line` may be None."""

    def __init__(self, reason: str, line: int | None = None):
        super().__init__(reason)
        self.line = line


@dataclass(frozen=True)
class Line:
    """A row of cells. `number` is the line of the file on which it begins, counted from 1."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    header: Line
    rows: tuple[Line, ...]  # blank rows and repeated headings are left out
    source: str  # how it was read, in words


def read(data: bytes | str) -> Table:
    """The table in a file's bytes or in pasted text. Raises Unreadable."""
    if len(data) > LARGEST:
        raise Unreadable(
            f"This is larger than {LARGEST // 1_000_000} MB, so it is probably not a roster. "
            "Save only the sheet with the volunteers as CSV."
        )
    text, encoding = decode(data) if isinstance(data, bytes) else (data.removeprefix("\ufeff"), "Pasted text")
    if "\0" in text:
        raise Unreadable(
            "There are characters in it that no text has (NUL), so it was damaged or is not a CSV file. "
            + SAVE_AS,
            line=text[: text.index("\0")].count("\n") + 1,
        )
    if not text.strip(" \t\r\n,;\u00a0"):
        raise Unreadable("There is nothing in it. Choose the file again, or paste the cells.")
    lines = list(StringIO(text, newline=""))
    delimiter, header = find_header(lines)
    rows = tuple(rows_below(lines, delimiter, header))
    if not rows:
        raise Unreadable(
            "There are headings but nobody below them. Copy the rows with the volunteers as well.",
            line=header.number,
        )
    return Table(header, rows, f"{encoding}, {DELIMITERS[delimiter]} between cells")


def decode(data: bytes) -> tuple[str, str]:
    """Text, and its encoding in words. By its mark; else UTF-8, which hardly any other text passes for;
    else Windows-1252, which Excel writes for "CSV" in the Americas."""
    for start, reason in FORMATS.items():
        if data.startswith(start):
            raise Unreadable(reason)
    if re.match(rb"\s*<(!doctype|html|\?xml|table)", data[:200], re.IGNORECASE):
        raise Unreadable(f"This is a web page, not a CSV file. {SAVE_AS}")
    for mark, (codec, name) in MARKS.items():
        if data.startswith(mark):
            try:
                return data[len(mark) :].decode(codec), name
            except UnicodeDecodeError as error:
                line = data[: len(mark) + error.start].decode(codec, "ignore").count("\n") + 1
                reason = f"It says that it is {name} but is not: it was damaged. {SAVE_AS}"
                raise Unreadable(reason, line) from None
    try:
        return data.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        pass
    try:
        return data.decode("cp1252"), "Windows-1252"
    except UnicodeDecodeError as error:
        raise Unreadable(
            "There are characters in it that are neither UTF-8 nor Windows-1252. "
            'Save it again as "CSV UTF-8", or copy the cells and paste them.',
            line=data[: error.start].count(b"\n") + 1,
        ) from None


def find_header(lines: list[str]) -> tuple[str, Line]:
    """The delimiter and the row of headings: the pair under which most columns mean something to us."""
    best: tuple[int, str, Line] | None = None
    first: Line | None = None
    announced = announced_delimiter(lines)
    for delimiter in [announced] if announced else DELIMITERS:
        for line in islice(records(lines, delimiter), HEADER_WITHIN):
            first = first or line
            fields = headings_in(line)
            if fields and (best is None or len(fields) > best[0]):
                best = len(fields), delimiter, line
    if best is None:
        shown = " | ".join(cell for cell in first.cells if cell)[:80] if first else ""
        raise Unreadable(
            "No row of headings was found. The first row should name the columns, "
            f'for example: Name, E-mail, Phone. It reads: "{shown}"',
            line=first.number if first else None,
        )
    _, delimiter, header = best
    if len(header.cells) > MOST_COLUMNS:
        raise Unreadable(
            f"There are {len(header.cells):,} columns; at most {MOST_COLUMNS} can be read. "
            "Copy only the columns with the volunteers into a new sheet.",
            line=header.number,
        )
    return delimiter, header


def headings_in(line: Line) -> set[str]:
    """What the cells mean if this is the row of headings; empty if it is a title or somebody's row."""
    cells = line.cells[:MOST_COLUMNS]
    if any("@" in cell or len(re.findall(r"\d", cell)) >= 7 for cell in cells):
        return set()
    fields = {field for cell in cells if (field := field_of(cell))}
    return fields if fields & {"name", "first", "last", "driver", "email", "phone"} else set()


def rows_below(lines: list[str], delimiter: str, header: Line) -> Iterator[Line]:
    count = 0
    for line in records(lines, delimiter, strictly=True):
        if line.number <= header.number or line.cells == header.cells:
            continue
        count += 1
        if count > MOST_ROWS:
            raise Unreadable(
                f"There are more than {MOST_ROWS} rows. Bring in one part after another, all with headings.",
                line=line.number,
            )
        yield line


def announced_delimiter(lines: list[str]) -> str | None:
    """The delimiter in a first line like `sep=;`, by which spreadsheets tell each other."""
    found = re.fullmatch(r'"?sep=([,;\t])"?[\r\n]*', lines[0], re.IGNORECASE)
    return found[1] if found else None


def records(lines: list[str], delimiter: str, *, strictly: bool = False) -> Iterator[Line]:
    """The rows that are not blank, by Python's csv module (RFC 4180 and what spreadsheets make of it).

    Strictly, a row over several lines must be quoted without fault: a stray quotation mark would
    otherwise swallow the people below it unseen.
    """
    reader = csv.reader(lines, delimiter=delimiter)
    number = 1
    while True:
        try:
            row = next(reader, None)
            if row is None:
                return
            if strictly:
                check_quotes(lines[number - 1 : reader.line_num], delimiter)
        except csv.Error:
            if not strictly:
                return  # not the delimiter, or too broken to hold headings
            raise Unreadable(
                "A cell begins with a quotation mark that is not closed, or closed too early, "
                "so the rows below run into it. Correct it in the spreadsheet.",
                line=number,
            ) from None
        cells = [clean(cell) for cell in row]
        while cells and not cells[-1]:
            cells.pop()
        if cells:
            yield Line(number, tuple(cells))
        number = reader.line_num + 1


def check_quotes(row: list[str], delimiter: str) -> None:
    """Raises csv.Error where a cell of the row's lines is not closed, or was closed by a later row's mark."""
    if len(row) > 1:
        list(csv.reader(row, delimiter=delimiter, strict=True))
    elif len(list(csv.reader([f"{row[0]}\n", "next"], delimiter=delimiter))) == 1:
        raise csv.Error  # the last line of the file, still open


def clean(cell: str) -> str:
    """The cell as typed, without invisible characters and outer spaces; letters and accents composed."""
    if cell.isascii() and cell.isprintable():
        return cell.strip()
    cell = INVISIBLE.sub("", unicodedata.normalize("NFC", cell)).replace("\u00a0", " ")
    cell = cell.replace("\r\n", "\n").replace("\r", "\n")
    kept = (mark for mark in cell if mark in "\n\t" or unicodedata.category(mark) not in ("Cc", "Cs"))
    return "".join(kept).replace("\t", " ").strip()

"""Bytes to a table: encodings, delimiters, line numbers, and what is no roster at all."""

import contextlib
import csv
import io
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from volunteers.roster import reading
from volunteers.roster.columns import field_of
from volunteers.roster.reading import Unreadable, read

ROSTERS = Path(__file__).parent / "rosters"
SAVED = sorted(path.name for path in ROSTERS.glob("*.*") if path.suffix in (".csv", ".txt"))

HEADINGS = [
    "Volunteer",
    "E-mail address",
    "Cell",
    "DL exp.",
    "Insurance expiration",
    "Driver?",
    "Lead driver",
    "Car",
    "Crates",
    "Days available",
    "Notes",
    "T-shirt",
]


def cells(table):
    return [line.cells for line in table.rows]


def refused(data):
    with pytest.raises(Unreadable) as caught:
        read(data)
    assert str(caught.value)
    return caught.value


# --- The same people as five programs save them --------------------------------
def test_the_samples_are_all_here():
    assert len(SAVED) == 5


@pytest.mark.parametrize("name", SAVED)
def test_one_roster_saved_by_different_programs_reads_the_same(name):
    table = read((ROSTERS / name).read_bytes())
    assert list(table.header.cells) == HEADINGS
    assert cells(table) == cells(read((ROSTERS / "commas-utf8-mark.csv").read_bytes()))
    assert len(table.rows) == 5
    assert table.rows[0].cells[0] == "Marsh, Odalys"
    assert table.rows[0].cells[10] == "Knows the east dock;\nhas a key"
    assert table.rows[2].cells[0] == "Inés Quill"
    assert table.rows[3].cells[10] == "sorts “only”"


@pytest.mark.parametrize(
    ("name", "how", "lines"),
    [
        ("commas-utf8-mark.csv", "UTF-8, commas", [2, 4, 7, 8, 9]),
        ("commas-utf8-titles.csv", "UTF-8, commas", [5, 7, 10, 11, 12]),
        ("commas-old-mac-line-ends.csv", "UTF-8, commas", [2, 4, 7, 8, 9]),
        ("semicolons-windows1252-announced.csv", "Windows-1252, semicolons", [3, 5, 8, 9, 10]),
        ("tabs-utf16-mark.txt", "UTF-16, tabs", [2, 4, 7, 8, 9]),
    ],
)
def test_it_says_how_it_was_read_and_on_which_line_each_row_begins(name, how, lines):
    """Line numbers as an editor shows them: titles, blank rows and line breaks in cells are counted."""
    table = read((ROSTERS / name).read_bytes())
    assert table.source == f"{how} between cells"
    assert [line.number for line in table.rows] == lines


def test_pasted_cells_are_read_like_a_file():
    pasted = '\ufeffName\tPhone\tNotes\r\nAnn Marsh\t555-555-0123\t"two\nlines"\r\nBo Ray\t\t6" box\r\n'
    assert cells(read(pasted)) == [("Ann Marsh", "555-555-0123", "two\nlines"), ("Bo Ray", "", '6" box')]


# --- Delimiters ------------------------------------------------------------------
# Source: RFC 4180 quoting, as written by Python's csv module.
WORD = st.text(alphabet="abcXYZ019 ,;\"'éñßü\n/=+-", max_size=12)
PEOPLE = st.lists(st.lists(WORD, min_size=3, max_size=3), min_size=1, max_size=8)
ENCODINGS = ["utf-8", "utf-8-sig", "utf-16", "cp1252"]


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@given(people=PEOPLE, line_end=st.sampled_from(["\r\n", "\n"]))
def test_whatever_the_csv_module_writes_reads_back(delimiter, encoding, people, line_end):
    file = io.StringIO(newline="")
    writer = csv.writer(file, delimiter=delimiter, lineterminator=line_end)
    writer.writerow(["Name", "E-mail", "Phone, or; other"])
    expected = []
    for row in people:
        line = file.getvalue().count("\n") + 1
        writer.writerow(row)
        kept = [cell.strip() for cell in row]
        while kept and not kept[-1]:
            kept.pop()
        if kept:
            expected.append((line, tuple(kept)))
    data = file.getvalue().encode(encoding)
    if not expected:
        assert "nobody below" in str(refused(data))
        return
    table = read(data)
    assert table.header.cells == ("Name", "E-mail", "Phone, or; other")
    assert [(line.number, line.cells) for line in table.rows] == expected


def test_the_headings_decide_and_not_the_commas_in_cells():
    table = read(b"Name;Phone;Notes\nAnn Marsh;555-555-0123;mon, wed, fri, sat, sun\n")
    assert cells(table) == [("Ann Marsh", "555-555-0123", "mon, wed, fri, sat, sun")]


def test_one_column_of_names_keeps_its_commas():
    assert cells(read("Name\nMarsh, Ann\nRay, Bo\n")) == [("Marsh, Ann",), ("Ray, Bo",)]


@pytest.mark.parametrize("first", ["sep=;", "SEP=;", '"sep=;"'])
def test_an_announced_delimiter_is_believed(first):
    assert cells(read(f"{first}\r\nName;Cell\r\nAnn;1\r\n")) == [("Ann", "1")]


# --- Headings ----------------------------------------------------------------------
def test_titles_above_the_headings_are_passed_over():
    table = read("Volunteers,,\nas of fall,,\n\nName,Phone,Crates\nAnn,555-555-0123,4\n")
    assert table.header.number == 4
    assert cells(table) == [("Ann", "555-555-0123", "4")]


def test_headings_repeated_in_the_middle_are_not_a_person():
    assert cells(read("Name,Phone\nAnn,1\nName,Phone\nBo,2\n")) == [("Ann", "1"), ("Bo", "2")]


def test_empty_columns_to_the_right_do_not_count():
    assert read("Name,Phone" + "," * 5_000 + "\nAnn,1" + "," * 5_000).header.cells == ("Name", "Phone")


@pytest.mark.parametrize(
    "text",
    [
        "Ann Marsh,ann@example.org,E-mail\nBo Ray,bo@example.org,E-mail\n",
        "Ann Marsh,555-555-0123,Phone\n",
        "just some words\nand some more\n",
        "Colour,Size\nred,4\n",
    ],
)
def test_without_headings_it_says_what_they_look_like(text):
    fault = refused(text)
    assert "Name, E-mail, Phone" in str(fault)
    assert text.split("\n")[0].split(",")[0] in str(fault)
    assert fault.line == 1


# --- What is no roster ----------------------------------------------------------------
@pytest.mark.parametrize("data", [b"", b"\r\n \r\n", b"\xef\xbb\xbf", b",,,\n,,,\n", "", "\ufeff", "\t\t\n"])
def test_nothing_in_it(data):
    assert "nothing in it" in str(refused(data))


def test_headings_only():
    fault = refused("Name,Phone\n,\n\n")
    assert "nobody below" in str(fault)
    assert fault.line == 1


def workbook():
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as book:
        book.writestr("xl/workbook.xml", "<workbook/>")
    return file.getvalue()


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (workbook(), "workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(100), "old workbook"),
        (b"%PDF-1.7\n%\xe2\xe3", "PDF"),
        (b"\x89PNG\r\n\x1a\n", "picture"),
        (b"{\\rtf1\\ansi Name}", "text document"),
        (b"\n<html><table><tr><td>Name", "web page"),
        (b"Name,Phone\nAnn,1\x00\n", "NUL"),
        ("Name,Phone\nAnn,1\x00\n", "NUL"),
        ("Name,Phone\nAnn,1\n".encode("utf-16-le"), "NUL"),  # no mark, so nothing says that it is UTF-16
        (b"\xff\xfeN\x00a\x00m\x00e\x00", "nobody below"),
        (b"\xff\xfeN\x00a\x00m\x00e\x00\n\x00\x00\xd8", "damaged"),
        (b"Name,Phone\nAnn,1\nB\x81,2\n", "neither UTF-8 nor Windows-1252"),
    ],
)
def test_other_files_are_named_for_what_they_are(data, says):
    assert says in str(refused(data))


@pytest.mark.parametrize(
    ("data", "line"), [(b"Name\nAnn\nB\x00", 3), (b"Name\nAnn\nB\x81", 3), ("Name\nAnn\x00\nBo", 2)]
)
def test_the_damaged_line_is_named(data, line):
    assert refused(data).line == line


@pytest.mark.parametrize(
    "text",
    [
        'Name,Phone\nAnn,1\n"Bo,2\nCy,3\nDi,4\n',  # never closed
        'Name,Phone\nAnn,1\n"Bo,2\n',  # on the last line
        'Name,Phone\nAnn,1\n"Bo,2',
        'Name,Phone\nAnn,1\n"Bo,2\nCy,"3"\nDi,4\n',  # closed by somebody else's
        'Name,Phone\nAnn,1\n"Bo' + "x" * 200_000 + ",2\n",  # past the csv module's limit for one cell
    ],
)
def test_a_stray_quotation_mark_never_swallows_people(text):
    fault = refused(text)
    assert fault.line == 3
    assert "quotation mark" in str(fault)


def test_a_quotation_mark_inside_a_cell_is_only_a_mark():
    assert cells(read('Name,Notes\nAnn "Nan" Marsh,6" box\n')) == [('Ann "Nan" Marsh', '6" box')]


# --- Hostile -----------------------------------------------------------------------------
def test_fifty_megabytes_are_refused_before_they_are_read(monkeypatch):
    monkeypatch.setattr(reading, "decode", None)  # is not reached
    assert "larger than 5 MB" in str(refused(b"Name,Phone\n" + b"Ann,1\n" * 8_400_000))


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_hundred_thousand_columns(delimiter, monkeypatch):
    looked_at = []
    monkeypatch.setattr(reading, "field_of", lambda cell: looked_at.append(cell) or field_of(cell))
    heading = delimiter.join(["Name", "Phone", *(f"c{n}" for n in range(100_000))])
    assert "100,002 columns" in str(refused(f"{heading}\nAnn{delimiter}1\n"))
    assert len(looked_at) <= 3 * 2 * reading.MOST_COLUMNS  # delimiters, lines


def test_as_many_rows_as_fit_and_not_one_more():
    text = "Name\n" + "Ann\n" * reading.MOST_ROWS
    assert len(read(text).rows) == reading.MOST_ROWS
    fault = refused(text + "Bo\n")
    assert "500 rows" in str(fault)
    assert fault.line == reading.MOST_ROWS + 2


@given(data=st.binary(max_size=300) | st.binary(max_size=100).map(lambda tail: b"Name,Cell\nAnn,1\n" + tail))
def test_any_bytes_are_read_or_refused_in_words(data):
    """Nothing but Unreadable comes out, and what is read can be stored."""
    with contextlib.suppress(Unreadable):
        table = read(data)
        assert table.rows
        assert not set("".join(cell for line in table.rows for cell in line.cells)) & set("\0\r\ud800")


def test_invisible_characters_are_taken_out_and_accents_composed():
    pasted = "Name\tCell\n\u200bJose\u0301\u00a0Quill\u200f\t\u202a+1 555 555 0123\u202c\n"
    assert cells(read(pasted)) == [("José Quill", "+1 555 555 0123")]

"""Rows to people: which column counts, and what is a problem, a remark or a note. Invented people."""

from datetime import date, time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.volunteers.test_roster_columns import WORDINGS
from volunteers.roster.cells import Status
from volunteers.roster.meaning import Problem, understand
from volunteers.roster.reading import Line, Table, read

ROSTERS = Path(__file__).parent / "rosters"
TODAY = date(2026, 11, 25)


def meaning(text, **options):
    return understand(read(text), today=TODAY, **options)


def row(**cells):
    """The one row of a roster with these columns: `row(Name="Ann Marsh", Cell="...")`."""
    headings = [heading.replace("_", " ") for heading in cells]
    table = Table(Line(1, tuple(headings)), (Line(2, tuple(cells.values())),), "")
    (found,) = understand(table, today=TODAY).rows
    return found


def ann(**cells):
    return row(Name="Ann Marsh", Email="ann@example.org", Cell="555-555-0123", **cells)


# --- A whole roster -----------------------------------------------------------------
@pytest.mark.parametrize("path", sorted(ROSTERS.glob("*-*")), ids=lambda path: path.stem)
def test_a_real_looking_roster(path):
    found = meaning(path.read_bytes())
    assert not found.questions
    assert not found.problems
    assert found.ignored == ("T-shirt",)
    odalys, tobin, ines, bram, lena = found.rows
    assert not any(person.problems for person in found.rows)

    assert (odalys.name, odalys.email, odalys.phone) == ("Odalys Marsh", "odalys@example.org", "+15555550123")
    assert (odalys.license_until, odalys.insurance_until) == (date(2027, 3, 1), date(2026, 12, 31))
    assert (odalys.status, odalys.lead, odalys.car, odalys.crates) == (Status.CURRENT, True, "Blue wagon", 12)
    assert odalys.hours == [(day, time(0), time(12)) for day in (0, 2)]
    assert odalys.notes == "Knows the east dock;\nhas a key"

    assert (tobin.name, tobin.email, tobin.lead) == ("TOBIN REYES", "tobin@example.org", False)
    assert (tobin.license_until, tobin.insurance_until) == (date(2027, 5, 6), date(2027, 6, 30))
    assert [day for day, *_ in tobin.hours] == [0, 2, 4]

    assert ines.name == "Inés Quill"
    assert (ines.email, ines.phone) == (bram.email, bram.phone)
    assert (bram.status, bram.notes) == (Status.HELPER, "sorts “only”")

    assert (lena.email, lena.phone) == ("", "+15555550126")
    assert any("by phone" in remark for remark in lena.remarks)


# --- Columns ------------------------------------------------------------------------
def test_two_filled_columns_that_mean_the_same_are_asked_about():
    text = "Name,Phone,Cell\nAnn Marsh,555-555-0123,555-555-0188\n"
    found = meaning(text)
    (question,) = found.questions
    assert question.field == "phone"
    assert str(question) == "Which column holds the phone: “Phone” (column 2), “Cell” (column 3)?"
    assert not found.rows
    assert meaning(text, chosen={"phone": 3}).rows[0].phone == "+15555550188"
    assert meaning(text, chosen={"phone": 3}).ignored == ("Phone",)
    assert meaning(text, chosen={"phone": 1}).questions  # no such answer


@pytest.mark.parametrize(
    "rows", ["Ann,555-555-0123,\nBo,555-555-0124,\n", "Ann,555-555-0123,555-555-0123\nBo,,\n"]
)
def test_nothing_is_asked_where_it_makes_no_difference(rows):
    found = meaning(f"Name,Phone,Cell\n{rows}")
    assert not found.questions
    assert found.rows[0].phone == "+15555550123"


def test_a_column_driver_holds_names_where_no_other_does():
    assert meaning("Driver,Cell\nAnn Marsh,555-555-0123\n").rows[0].name == "Ann Marsh"
    assert meaning("Name,Driver\nAnn Marsh,yes\n").rows[0].status == Status.CURRENT


def test_without_a_column_of_names_nothing_is_read():
    found = meaning("E-mail,Cell\nann@example.org,555-555-0123\n")
    assert "heading Name" in str(found.problems[0])
    assert not found.rows


def test_unknown_and_nameless_columns_are_reported_as_not_used():
    table = read("Name,,Colour,Phone\nAnn,?,red,555-555-0123\n")
    found = understand(table, today=TODAY)
    assert found.ignored == ("column 2, which has no heading", "Colour")
    assert not found.rows[0].problems


# --- Names ----------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("cells", "name"),
    [
        ({"First": "Ann", "Last": "Marsh"}, "Ann Marsh"),
        ({"First": "Ann", "Last": ""}, "Ann"),
        ({"First": "Ann", "Last": "Marsh", "Full_name": "A. Marsh"}, "Ann Marsh"),
        ({"First": "Ann", "Full_name": "Ann Marsh"}, "Ann Marsh"),
        ({"Name": "Ann", "Last_name": "Marsh"}, "Ann Marsh"),
        ({"Name": "Ann Marsh", "Last_name": "Marsh"}, "Ann Marsh"),
        ({"First": "", "Last": "", "Name": "Marsh, Ann"}, "Ann Marsh"),
    ],
)
def test_name_columns_together(cells, name):
    assert row(**cells).name == name


def test_a_row_without_name_is_a_problem_that_names_its_columns():
    found = row(First="", Last="", Email="ann@example.org")
    reason = "There is no name. Write one, or delete the row."
    assert found.problems == [Problem(2, "First + Last", "", reason)]


# --- Problems: line, heading as in the file, content, and what to do --------------------
@pytest.mark.parametrize(
    ("heading", "cell", "says"),
    [
        ("E-mail", "ann at example", "not an e-mail address"),
        ("Cell", "555-01", "digits missing"),
        ("DL exp.", "2/30/2027", "has no day 30"),
        ("Insurance expiration", "next spring", "month, day and year"),
        ("Shadow ride done", "13/4/2026", "no month 13"),
        ("Crates", "lots", "as a number"),
    ],
)
def test_a_bad_cell_is_named_with_its_line_heading_and_content(heading, cell, says):
    found = meaning(f"A roster\n\nVolunteer;{heading}\nBo Ray;\nAnn Marsh;{cell}\n")
    assert not found.rows[0].problems
    (problem,) = found.rows[1].problems
    assert (problem.line, problem.column, problem.cell) == (5, heading, cell)
    assert says in problem.reason
    assert str(problem) == f"Line 5, {heading}: “{cell}” {problem.reason}"


def test_every_bad_cell_of_a_row_is_named_at_once():
    found = row(Name="=cmd", Email="x", Cell="1", DL="soon")
    assert [problem.column for problem in found.problems] == ["Name", "Email", "Cell", "DL"]


def test_cells_beyond_the_headings_are_a_problem_since_others_have_slipped():
    (problem,) = meaning("Name,Car,Crates\nAnn Marsh,wagon, blue,12,\n").rows[0].problems[:1]
    assert problem.cell == "12"
    assert "quotation marks" in problem.reason


def test_a_formula_stays_text():
    found = ann(Notes='=HYPERLINK("https://example.org","x")', Car="=1+1")
    assert found.notes == '=HYPERLINK("https://example.org","x")'
    assert found.car == "=1+1"


# --- Reaching people -----------------------------------------------------------------------
def test_nobody_can_reach_them():
    found = row(Name="Ann Marsh", Email="", Cell="")
    assert not found.problems
    assert found.remarks == ["No phone and no e-mail address: nobody can reach them."]


def test_text_or_call_does_not_stop_the_mail_of_those_who_have_an_address():
    assert ann(**{"Text or call?": "text"}).reach is None
    assert "text rather than call" in ann(**{"Text or call?": "text"}).notes
    assert row(Name="Ann", Cell="555-555-0123", **{"Text or call?": "text"}).reach == "text"
    assert row(Name="Ann", Cell="555-555-0123", **{"OK to text?": "no"}).reach == "call"


def test_a_preferred_contact_is_kept_and_its_consequence_said():
    found = ann(Preferred_contact="Text")
    assert found.reach == "text"
    assert "No mail goes to them: the coordinator tells them by text." in found.remarks
    assert ann(Preferred_contact="E-mail").reach == "mail"


@pytest.mark.parametrize(("cell", "missing"), [("E-mail", "no address"), ("Text", "no phone number")])
def test_a_preferred_contact_that_is_missing(cell, missing):
    found = row(Name="Ann Marsh", Preferred_contact=cell)
    assert found.reach is None
    assert any(missing in remark for remark in found.remarks)


def test_another_phone_is_used_where_the_first_is_empty_and_noted_elsewhere():
    found = row(Name="Ann", Cell="", Home_phone="555-555-0188")
    assert (found.phone, found.notes) == ("+15555550188", "")
    found = row(Name="Ann", Cell="555-555-0123", Home_phone="555-555-0188")
    assert (found.phone, found.notes) == ("+15555550123", "Other phone: 555-555-0188")


def test_another_phone_does_not_hide_a_bad_one():
    found = row(Name="Ann", Cell="555-01", Home_phone="555-555-0188")
    assert found.phone == ""
    assert [problem.column for problem in found.problems] == ["Cell"]


def test_an_extension_goes_to_the_notes():
    found = row(Name="Ann", Cell="555-555-0123 ext 4")
    assert (found.phone, found.notes) == ("+15555550123", "Phone extension 4")


def test_numbers_without_area_code_get_the_one_said_for_the_file():
    text = "Name,Cell\nAnn Marsh,555-0123\n"
    assert "area code" in str(meaning(text).rows[0].problems[0])
    assert meaning(text, area_code="444").rows[0].phone == "+14445550123"


# --- Steps ------------------------------------------------------------------------------------
def test_dates_of_papers_and_steps():
    found = ann(
        DL_exp="3/1/2027",
        Insurance_exp="2027-04-01",
        Orientation="5/6/2025",
        Kit="5/7/2025",
        Shadow_ride="5/8/2025",
        Waiver="5/9/2025",
    )
    assert (found.license_until, found.insurance_until) == (date(2027, 3, 1), date(2027, 4, 1))
    assert (found.briefing_on, found.kit_on) == (date(2025, 5, 6), date(2025, 5, 7))
    assert (found.ride_on, found.form_on) == (date(2025, 5, 8), date(2025, 5, 9))
    assert not found.remarks


def test_ticks_without_a_date():
    found = ann(Orientation="x", Kit="no", Shadow_ride="✓", License="on file")
    assert found.ticked == {"briefing", "ride", "license"}
    assert found.denied == {"kit"}
    assert found.license_until is None
    assert found.remarks == ["Driver's license: no date is given."]


def test_an_expired_paper_is_a_remark():
    found = ann(DL_exp="11/24/2026", Insurance_exp="11/25/2026")
    assert not found.problems
    assert found.remarks == [
        "The driver's license expired on 11/24/2026: they cannot drive alone until there is a new date."
    ]


def test_a_ride_to_come_is_not_ridden():
    found = ann(Shadow_ride="12/1/2026")
    assert found.ride_on is None
    assert found.denied == {"ride"}
    assert "still to come" in found.remarks[0]


def test_words_in_a_step_are_kept_as_a_note_and_tick_nothing():
    found = ann(Shadow_ride="with Odalys")
    assert not found.problems
    assert found.denied == {"ride"}
    assert found.notes == "Shadow ride: with Odalys"


# --- The rest ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("cells", "status"),
    [
        ({}, Status.UNSAID),
        ({"Driver": "yes"}, Status.CURRENT),
        ({"Driver": "no"}, Status.HELPER),
        ({"Current_driver": "no"}, Status.NOT_YET),
        ({"Active": "no"}, Status.GONE),
        ({"Status": "Active", "Driver": "no"}, Status.HELPER),
        ({"Driver": "yes", "Status": "Trainee"}, Status.NOT_YET),
        ({"Status": "purple"}, Status.UNSAID),
    ],
)
def test_status_of_several_columns(cells, status):
    assert ann(**cells).status == status


@pytest.mark.parametrize(
    ("cells", "lead"),
    [
        ({"Lead": "x"}, True),
        ({"Lead": ""}, False),
        ({"Lead": "?maybe"}, False),
        ({"Role": "Lead driver"}, True),
        ({"Role": "Driver"}, False),
        ({"Role": "Team lead helper"}, False),
    ],
)
def test_lead_drivers(cells, lead):
    assert ann(**cells).lead is lead


def test_days_of_both_kinds_of_column():
    found = ann(Availability="Mon 8-12", Sat="x", Sun="am", Tue="no")
    assert found.hours == [
        (0, time(8), time(12)),
        (5, time(0), time(23, 59)),
        (6, time(0), time(12)),
    ]


def test_what_is_gently_unclear_is_not_lost():
    found = ann(Availability="every other Tue", Language="Hmong", Status="purple")
    assert not found.problems
    assert found.hours == []
    assert found.language is None
    assert found.notes.split("\n") == ["Language: Hmong", "Status: purple", "Availability: every other Tue"]
    assert len(found.remarks) == 3


def test_a_long_car_is_cut_and_noted():
    label = "A very long wagon with a very long bed and a very long name indeed"
    found = ann(Car=label)
    assert found.car == label[:60]
    assert found.notes == f"Car: {label}"
    assert ann(Car="yes").car == ""


def test_all_columns_of_notes_are_read():
    found = meaning("Name,Notes,Comments\nAnn Marsh,tall,kind\n")
    assert found.rows[0].notes == "tall\nkind"


HEADINGS = st.sampled_from([wordings[0] for wordings in WORDINGS.values()] + ["Colour", ""])
CELL = st.text(max_size=15) | st.sampled_from(
    ["yes", "no", "3/1/2027", "2/30/2027", "Mon 8-12", "555-555-0123", "ann@example.org", "Marsh, Ann", "x"]
)


@given(headings=st.lists(HEADINGS, min_size=1, max_size=8), data=st.data())
def test_any_table_ends_in_people_or_in_words(headings, data):
    """Whatever stands in the cells: no error, and every row is usable or says why not."""
    rows = data.draw(st.lists(st.lists(CELL, max_size=9), min_size=1, max_size=4))
    lines = tuple(Line(n, tuple(cells)) for n, cells in enumerate(rows, 2))
    found = understand(Table(Line(1, tuple(headings)), lines, ""), today=TODAY)
    assert len(found.rows) == (0 if found.questions or found.problems else len(lines))
    for person in found.rows:
        assert person.name or person.problems
        assert all(str(problem) and problem.line == person.line for problem in person.problems)
        assert all(begins < ends for _, begins, ends in person.hours)

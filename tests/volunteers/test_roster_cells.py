"""One cell to one value, and in what words it is unclear. People, addresses and numbers are invented."""

from datetime import date, timedelta

import phonenumbers
import pytest
from dateutil import parser as dateutil_parser
from hypothesis import given
from hypothesis import strategies as st

from volunteers.models import Car, Person
from volunteers.roster import cells, meaning
from volunteers.roster.cells import Status, Unclear

TODAY = date(2026, 11, 25)


def unclear(parse, cell, **options):
    with pytest.raises(Unclear) as caught:
        parse(cell, **options)
    return str(caught.value)


# --- Phones: outside source, the phonenumbers library (Google's libphonenumber) ----
NUMBER = "+15555550123"


@pytest.mark.parametrize(
    "cell",
    [
        "(555) 555-0123",
        "(555)555-0123",
        "555-555-0123",
        "555.555.0123",
        "555 555 0123",
        "5555550123",
        "1-555-555-0123",
        "+1 555 555 0123",
        "+1 (555) 555-0123",
        "15555550123",
        "5555550123.0",
        "tel:+1-555-555-0123",
        "555-555-0123 (cell)",
        "cell: 555-555-0123",
        "c 555-555-0123",
        "H: 555.555.0123",
        "555/555-0123",
        "555–555–0123",
    ],
)
def test_any_us_way_of_writing_one_number(cell):
    assert cells.phone(cell) == (NUMBER, "")


@given(digits=st.from_regex(r"[2-9][0-9]{2}[2-9][0-9]{6}", fullmatch=True))
def test_every_form_that_phonenumbers_writes_is_read_back(digits):
    number = phonenumbers.parse(digits, "US")
    for form in (
        phonenumbers.PhoneNumberFormat.E164,
        phonenumbers.PhoneNumberFormat.NATIONAL,
        phonenumbers.PhoneNumberFormat.INTERNATIONAL,
        phonenumbers.PhoneNumberFormat.RFC3966,
    ):
        assert cells.phone(phonenumbers.format_number(number, form)) == (f"+1{digits}", "")


@pytest.mark.parametrize(
    "cell",
    ["555.555.0123 ext 4", "(555) 555-0123 x4", "555-555-0123, ext. 4", "5555550123#4"],
)
def test_an_extension_is_kept_apart(cell):
    assert cells.phone(cell) == (NUMBER, "4")


def test_numbers_from_abroad_begin_with_their_country():
    assert cells.phone("+44 20 7946 0018") == ("+442079460018", "")  # Ofcom's range for drama


def test_fictional_numbers_are_possible_though_not_assigned():
    assert not phonenumbers.is_valid_number(phonenumbers.parse(NUMBER))
    assert cells.phone(NUMBER)[0] == NUMBER


def test_a_number_without_area_code_gets_the_one_that_was_said():
    assert "area code" in unclear(cells.phone, "555-0123")
    assert cells.phone("555-0123", area_code="555") == (NUMBER, "")
    assert cells.phone("010-0123 x4", area_code="555") == ("+15550100123", "4")
    assert cells.phone("(444) 555-0123", area_code="555") == ("+14445550123", "")


@pytest.mark.parametrize(
    ("cell", "says"),
    [
        ("555-555-012", "digits missing"),
        ("555-555-01234", "too many digits"),
        ("555-555-0123 / 555-555-0188", "two numbers"),
        ("555-555-0123 or 555-555-0188", "two numbers"),
        ("555-555-0123, 555-555-0188", "two numbers"),
        ("555-555-0123\n555-555-0188", "two numbers"),
        ("5.56E+09", "last digits are lost"),
        ("ask her sister", "not a phone number"),
        ('=HYPERLINK("tel:5555550123","call")', "formula"),
        ("12", "digits missing"),
    ],
)
def test_a_phone_that_has_to_be_corrected(cell, says):
    assert says in unclear(cells.phone, cell)


@pytest.mark.parametrize("cell", ["", "-", "n/a", "None", "TBD", "?", "--"])
def test_cells_that_say_nothing(cell):
    assert cells.phone(cell) == ("", "")
    assert cells.email(cell) == ""
    assert cells.yes_or_no(cell) is None
    assert cells.crates(cell) is None
    assert cells.language(cell) is None
    assert cells.reach(cell) is None
    assert cells.status(cell, no=Status.HELPER) == Status.UNSAID


# --- Addresses -------------------------------------------------------------------------
@pytest.mark.parametrize(
    "cell",
    [
        "ann@example.org",
        "Ann@Example.ORG",
        "mailto:ann@example.org",
        "MAILTO:ann@example.org",
        "ann@example.org;",
        "Ann Marsh <ann@example.org>",
        "<ann@example.org>",
        "ann@example.org.",
        "ann@example.org, Ann@example.org",
    ],
)
def test_one_address(cell):
    assert cells.email(cell) == "ann@example.org"


@pytest.mark.parametrize(
    ("cell", "says"),
    [
        ("ann@example.org, bo@example.org", "two addresses"),
        ("ann@example.org/bo@example.org", "two addresses"),
        ("ann@example.org bo@example.org", "two addresses"),
        ("ann@example.org\nbo@example.org", "two addresses"),
        ("ann at example.org", "not an e-mail address"),
        ("ann@example", "not an e-mail address"),
        ("ann@@example.org", "not an e-mail address"),
        ("ann @example.org", "not an e-mail address"),
        ('=HYPERLINK("mailto:ann@example.org","Ann")', "formula"),
        (
            "a" * 64 + "@" + "b" * 60 + "." + "c" * 60 + "." + "d" * 60 + "." + "e" * 10 + ".org",
            "at most 254",
        ),
    ],
)
def test_an_address_that_has_to_be_corrected(cell, says):
    assert says in unclear(cells.email, cell)


# --- Dates -------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "cell",
    [
        "3/4/2027",
        "03/04/2027",
        "3/4/27",
        "3-4-2027",
        "3.4.2027",
        "2027-03-04",
        "2027/3/4",
        "Mar 4 2027",
        "March 4, 2027",
        "Mar. 4th, 2027",
        "4 Mar 2027",
        "4-Mar-27",
        "04-MAR-2027",
        "4th March 2027",
        "Thu, Mar 4, 2027",
        "2027-03-04 00:00:00",
        "2027-03-04T00:00:00",
        "3/4/2027 0:00",
        "3/4/2027 12:00 AM",
    ],
)
def test_ways_of_writing_a_date(cell):
    assert cells.day(cell, today=TODAY) == date(2027, 3, 4)


@given(day=st.dates(date(1980, 1, 1), date(2060, 12, 31)))
def test_dates_agree_with_dateutil_and_iso_8601(day):
    """Outside sources: python-dateutil (month first,
    as in the United States) and ISO 8601 as Python writes it."""
    for text in (f"{day.month}/{day.day}/{day.year}", f"{day:%B %d, %Y}", f"{day:%b %d %Y}", day.isoformat()):
        assert cells.day(text, today=TODAY) == dateutil_parser.parse(text).date() == day


def test_two_digits_of_a_year():
    assert cells.day("1/1/79", today=TODAY) == date(2079, 1, 1)
    assert cells.day("1/1/80", today=TODAY) == date(1980, 1, 1)


def test_a_spreadsheets_day_count():
    """January 1, 2008 is day 39448: the example of Microsoft's DATE and DATEVALUE functions (from memory)."""
    assert timedelta(39448) + cells.SPREADSHEET_EPOCH == date(2008, 1, 1)
    assert cells.day("46000", today=TODAY) == date(2008, 1, 1) + timedelta(46000 - 39448)
    assert cells.day("46000.0", today=TODAY) == date(2025, 12, 9)


@pytest.mark.parametrize(
    ("cell", "says"),
    [
        ("2/30/2027", "February 2027 has no day 30"),
        ("2/29/2027", "February 2027 has no day 29"),
        ("2027-04-31", "April 2027 has no day 31"),
        ("13/2/2027", "no month 13"),
        ("25.12.2027", "no month 25"),
        ("0/4/2027", "no month 0"),
        ("3/4/9999", "year looks wrong"),
        ("3/4/0027", "year looks wrong"),
        ("Mar-27", "month, day and year"),  # March 2027, or March 27?
        ("03/2027", "month, day and year"),
        ("2027", "month, day and year"),
        ("40127", "month, day and year"),  # day 40127 is in 2009; 4/01/27 is meant as likely
        ("39448", "month, day and year"),  # too far from today to be sure
        ("Ma 4 2027", "month, day and year"),  # March or May
        ("soon", "month, day and year"),
        ("########", "month, day and year"),
    ],
)
def test_a_date_that_has_to_be_corrected(cell, says):
    assert says in unclear(cells.day, cell, today=TODAY)


# --- Names ---------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("cell", "name"),
    [
        ("Ann Marsh", "Ann Marsh"),
        ("  Ann   Marsh ", "Ann Marsh"),
        ("Marsh, Ann", "Ann Marsh"),
        ("de la Cruz, María José", "María José de la Cruz"),
        ("MARSH, ANN", "ANN MARSH"),
        ("ann marsh", "ann marsh"),
        ("Reyes, Tobin, Jr.", "Tobin Reyes Jr."),
        ("Tobin Reyes, Jr.", "Tobin Reyes Jr."),
        ("Tobin Reyes 3rd", "Tobin Reyes 3rd"),
        ("O'Neill-Núñez", "O'Neill-Núñez"),
        ("J. R. Holm", "J. R. Holm"),
        ("Andy Anderson", "Andy Anderson"),
        ("李 小龙", "李 小龙"),
    ],
)
def test_names(cell, name):
    assert cells.name(cell) == name


@pytest.mark.parametrize(
    ("cell", "says"),
    [
        ("", "no name"),
        ("Ann & Bo Marsh", "two people"),
        ("Ann and Bo Marsh", "two people"),
        ("Ann / Bo", "two people"),
        ("Total: 25", "not look like a person"),
        ("=cmd", "not look like a person"),
        ("+Ann", "not look like a person"),
        ("ann@example.org", "not look like a person"),
        ("---", "not look like a person"),
        ("#REF!", "not look like a person"),
        ("Marsh, Ann, Bo", "more than one comma"),
        ("A" * 81, "at most 80"),
    ],
)
def test_a_name_that_has_to_be_corrected(cell, says):
    assert says in unclear(cells.name, cell)


def test_lengths_are_those_of_the_tables():
    """What is longer would be refused by PostgreSQL in the middle of an import."""
    assert Person._meta.get_field("name").max_length == cells.LONGEST_NAME
    assert Person._meta.get_field("email").max_length == cells.LONGEST_ADDRESS
    assert Car._meta.get_field("label").max_length == meaning.LONGEST_CAR
    assert Car._meta.get_field("crates").validators[0].limit_value == cells.MOST_CRATES


# --- Words ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "cell",
    ["x", "X", "yes", "Yes!", "Y", "TRUE", "true", "1", "✓", "✔️", "done", "Sí", "on file"],
)
def test_yes(cell):
    assert cells.yes_or_no(cell) is True


@pytest.mark.parametrize("cell", ["no", "No.", "N", "FALSE", "0", "not yet", "✗", "pending"])
def test_no(cell):
    assert cells.yes_or_no(cell) is False


def test_neither_yes_nor_no():
    assert "yes or no" in unclear(cells.yes_or_no, "maybe")


@pytest.mark.parametrize(
    ("cell", "status"),
    [
        ("yes", Status.CURRENT),
        ("Active", Status.CURRENT),
        ("active - Tuesdays", Status.CURRENT),
        ("✓", Status.CURRENT),
        ("Driver", Status.CURRENT),
        ("Lead driver", Status.CURRENT),
        ("sub", Status.CURRENT),
        ("new driver", Status.NOT_YET),
        ("Trainee", Status.NOT_YET),
        ("active, in training", Status.NOT_YET),
        ("on leave", Status.NOT_YET),
        ("Sorter", Status.HELPER),
        ("non-driver", Status.HELPER),
        ("not driving", Status.HELPER),
        ("Inactive", Status.GONE),
        ("former driver", Status.GONE),
    ],
)
def test_status_takes_the_more_cautious_word(cell, status):
    assert cells.status(cell, no=Status.HELPER) == status


def test_a_plain_no_means_what_its_heading_asks():
    assert cells.status("no", no=Status.GONE) == Status.GONE
    assert cells.status("N", no=Status.NOT_YET) == Status.NOT_YET
    assert "trainee" in unclear(cells.status, "purple", no=Status.GONE)


@pytest.mark.parametrize(
    ("cell", "number"),
    [
        ("12", 12),
        ("12.0", 12),
        ("~12", 12),
        ("about 12", 12),
        ("12 crates", 12),
        ("10-12", 10),
        ("12+", 12),
        ("0", 0),
    ],
)
def test_crates(cell, number):
    assert cells.crates(cell) == number


@pytest.mark.parametrize(
    ("cell", "says"),
    [("lots", "as a number"), ("501", "more than 500"), ("-3", "as a number")],
)
def test_crates_to_correct(cell, says):
    assert says in unclear(cells.crates, cell)


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        ("English", "en"),
        ("Spanish", "es"),
        ("Español", "es"),
        ("ES", "es"),
        ("Spanish, English", "es"),
        ("Hmong/English", "en"),
    ],
)
def test_language(cell, code):
    assert cells.language(cell) == code


def test_other_languages():
    assert "English or Spanish" in unclear(cells.language, "Hmong")


@pytest.mark.parametrize(
    ("cell", "reach"),
    [
        ("Text", "text"),
        ("SMS", "text"),
        ("call", "call"),
        ("E-mail", "mail"),
        ("Email", "mail"),
        ("Text, then call", "text"),
        ("either", None),
    ],
)
def test_reach(cell, reach):
    assert cells.reach(cell) == reach
    assert reach is None or reach in Person.Reach.values

"""One cell of a roster to one value: names, addresses, phones, dates, yes or no.

Every function takes the cell as `reading.clean` leaves it and raises Unclear where a person has to decide.
"""

from __future__ import annotations

import re
from datetime import date, timedelta
from enum import IntEnum

import phonenumbers
from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from volunteers.roster.columns import plain

BLANKS = {"na", "n a", "none", "null", "tbd", "unknown", "unk", "nil"}
YES = {
    "x",
    "xx",
    "xxx",
    "yes",
    "y",
    "yep",
    "true",
    "t",
    "1",
    "done",
    "complete",
    "completed",
    "ok",
    "okay",
    "si",
    "signed",
    "on file",
    "has",
    "have",
    "given",
    "received",
    "seen",
    "lead",
    "lead driver",
    "v",
}
NO = {"no", "n", "false", "f", "0", "not yet", "not done", "never", "pending", "needed", "needs", "missing"}
TICKS = {"✓": "yes", "✔": "yes", "☑": "yes", "✅": "yes", "✗": "no", "✘": "no", "☐": "no", "❌": "no"}


class Unclear(Exception):
    """The cell cannot be understood; the text says why and what to write instead."""


def is_blank(cell: str) -> bool:
    """Whether nothing is said: empty, a dash, "n/a", "tbd"."""
    return not cell.strip(" -–—.?/*\n") or plain(cell) in BLANKS


def yes_or_no(cell: str) -> bool | None:
    """True, False, or None where nothing is said."""
    if is_blank(cell):
        return None
    word = TICKS.get(cell.strip("\ufe0f "), plain(cell))
    if word in YES:
        return True
    if word in NO:
        return False
    raise Unclear("Write yes or no.")


# --- Names ----------------------------------------------------------------------
SUFFIXES = {"jr", "sr", "ii", "iii", "iv", "md", "phd", "rn", "esq", "dds"}
LONGEST_NAME = 80


def name(cell: str) -> str:
    """The name in the order it is spoken: "Last, First" is turned round, letter case stays as typed."""
    text = " ".join(cell.split())
    if not text:
        raise Unclear("There is no name. Write one, or delete the row.")
    if re.search(r"\s(?:&|\+|and)\s|/", text, re.IGNORECASE):
        raise Unclear(
            "This looks like two people. Give each a row of their own; they may share address and phone."
        )
    # 3rd is part of a name; other digits, signs and formulas are not
    odd = re.search(r"\d(?!nd|rd|th)|[@=<>|{}\[\]_#*]|^[+-]", text)
    if odd or not any(mark.isalpha() for mark in text):
        raise Unclear("This does not look like a person's name. Correct it, or delete the row.")
    if len(text) > LONGEST_NAME:
        raise Unclear(f"A name has at most {LONGEST_NAME} letters.")
    parts = [part.strip() for part in text.split(",") if part.strip()]
    suffixes = [part for part in parts[1:] if plain(part) in SUFFIXES]
    spoken = [part for part in parts if part not in suffixes]
    if len(spoken) > 2:
        raise Unclear("There is more than one comma in this name. Write it like Ann Smith or Smith, Ann.")
    return " ".join([*reversed(spoken), *suffixes])


# --- Addresses and phones ---------------------------------------------------------
LONGEST_ADDRESS = 254


def email(cell: str) -> str:
    """The address in lower case, without "mailto:" and a name around it; empty where there is none."""
    if is_blank(cell):
        return ""
    found = re.findall(r"[^\s<>,;/()\"']*@[^\s<>,;/()\"']*", cell)
    addresses = list(dict.fromkeys(text.lower().removeprefix("mailto:").strip(".:/") for text in found))
    if len(addresses) > 1:
        raise Unclear("There are two addresses. Keep the one they read; the other may stand in the notes.")
    try:
        validate_email(addresses[0] if addresses else cell)
    except ValidationError:
        raise Unclear(
            "This is not an e-mail address. Write it like name@example.org, or leave it empty."
        ) from None
    if cell.startswith(("=", "+", "-")):
        raise Unclear("This is a formula. Write only the address.")
    if len(addresses[0]) > LONGEST_ADDRESS:
        raise Unclear(f"An address has at most {LONGEST_ADDRESS} characters.")
    return addresses[0]


LABELS = re.compile(
    r"\(?\b(?:cell(?:ular)?|mobile|home|work|office|main|tel(?:ephone)?|phone|ph|text|[chmw])\b\)?[.:]?",
    re.IGNORECASE,
)


def phone(cell: str, *, area_code: str = "") -> tuple[str, str]:
    """(number, extension), the number in E.164 ("+15555550123"); both empty where there is none.

    Any way of writing a number in the United States; others begin with + and the country. Three digits
    in `area_code` stand before numbers that have none. A number is judged by its length only
    (phonenumbers.is_possible_number), because new area codes come faster than releases.
    """
    if is_blank(cell):
        return "", ""
    if re.fullmatch(r"\d(?:\.\d+)?[eE]\+?\d+", cell):
        raise Unclear(
            "The spreadsheet has shortened this number and its last digits are lost. Type it again as text."
        )
    if cell.startswith("="):
        raise Unclear("This is a formula. Write only the number.")
    text = LABELS.sub(" ", re.sub(r"\.0+$", "", cell)).strip(" -:,;")
    numbers = re.split(r"\s*(?:/|;|\n|\bor\b|\band\b|&|,(?!\s*(?:ext|x)))\s*", text)
    if sum(len(re.findall(r"\d", part)) >= 7 for part in numbers) > 1:
        raise Unclear("There are two numbers. Keep the one to call first; the other may stand in the notes.")
    if len(re.findall(r"\d", re.sub(r"(?i)(?:e?xt?|#).*", "", text))) == 7 and not text.startswith("+"):
        if not area_code:
            raise Unclear(
                "The area code is missing. Write all ten digits, or say which area code such numbers have."
            )
        text = f"{area_code} {text}"
    try:
        parsed = phonenumbers.parse(text, "US")
    except phonenumbers.NumberParseException:
        raise Unclear("This is not a phone number. Write it like 555-555-0123, or leave it empty.") from None
    reason = phonenumbers.is_possible_number_with_reason(parsed)
    if reason == phonenumbers.ValidationResult.TOO_SHORT:
        raise Unclear("There are digits missing in this phone number. A US number has ten.")
    if reason == phonenumbers.ValidationResult.TOO_LONG:
        raise Unclear("There are too many digits in this phone number. A US number has ten.")
    if reason != phonenumbers.ValidationResult.IS_POSSIBLE:
        raise Unclear("This is not a phone number. Write it like 555-555-0123, or leave it empty.")
    return phonenumbers.format_number(parsed, phonenumbers.PhoneNumberFormat.E164), parsed.extension or ""


# --- Dates --------------------------------------------------------------------------
MONTHS = (
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
)
TIME_OF_DAY = re.compile(r"[ T]\d{1,2}:\d\d(?::\d\d(?:\.\d+)?)?(?: ?[AaPp][Mm])?Z?$")
WEEKDAY = re.compile(r"^(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*[., ]+", re.IGNORECASE)
YEAR = r"(\d{4}|\d{2})"
NUMERIC = re.compile(rf"(\d{{1,2}})[/.\- ](\d{{1,2}})[/.\- ]{YEAR}")
ISO = re.compile(r"(\d{4})[/.\-](\d{1,2})[/.\-](\d{1,2})")
MONTH_FIRST = re.compile(rf"([a-z]{{3,9}})[. \-]+(\d{{1,2}})(?:st|nd|rd|th)?[, \-]+{YEAR}", re.IGNORECASE)
DAY_FIRST = re.compile(rf"(\d{{1,2}})(?:st|nd|rd|th)?[. \-]*([a-z]{{3,9}})[., \-]+{YEAR}", re.IGNORECASE)
SPREADSHEET_EPOCH = date(1899, 12, 30)  # day 0 of the spreadsheets' day count, for days after February 1900


def day(cell: str, *, today: date) -> date:
    """A date as it is written in the United States, or ISO 8601. The cell is not blank.

    Two digits of a year are this century up to 79. A bare number is taken for a spreadsheet's day count
    only where it cannot be month, day and year, and where the date is near.
    """
    text = WEEKDAY.sub("", TIME_OF_DAY.sub("", cell)).strip()
    if found := ISO.fullmatch(text):
        year, month, number = found.groups()
    elif found := NUMERIC.fullmatch(text):
        month, number, year = found.groups()
    elif (found := MONTH_FIRST.fullmatch(text)) and month_number(found[1]):
        month, number, year = month_number(found[1]), found[2], found[3]
    elif (found := DAY_FIRST.fullmatch(text)) and month_number(found[2]):
        number, month, year = found[1], month_number(found[2]), found[3]
    elif counted := day_count(text, today=today):
        return counted
    else:
        raise Unclear("This is not a date with month, day and year. Write it like 3/31/2027 or 2027-03-31.")
    return existing_day(whole_year(year), int(month), int(number), today=today)


def month_number(word: str) -> int | None:
    word = word.casefold()
    matches = [number for number, month in enumerate(MONTHS, 1) if month.startswith(word)]
    return matches[0] if len(matches) == 1 else None


def whole_year(digits: str) -> int:
    year = int(digits)
    if len(digits) > 2:
        return year
    return year + (2000 if year < 80 else 1900)


def existing_day(year: int, month: int, number: int, *, today: date) -> date:
    if not 1 <= month <= 12:
        raise Unclear(
            f"There is no month {month}. Dates are read as month/day/year; 2027-03-31 is understood too."
        )
    if not today.year - 80 <= year <= today.year + 60:
        raise Unclear("The year looks wrong. Write it like 3/31/2027.")
    try:
        return date(year, month, number)
    except ValueError:
        raise Unclear(f"{MONTHS[month - 1].title()} {year} has no day {number}.") from None


def day_count(text: str, *, today: date) -> date | None:
    found = re.fullmatch(r"(\d)(\d\d)(\d\d)(?:\.0+)?", text)
    if not found:
        return None
    month, number, year = (int(part) for part in found.groups())
    try:
        date(2000 + year, month, number)
    except ValueError:
        counted = SPREADSHEET_EPOCH + timedelta(days=int(text[:5]))
        return counted if today.year - 10 <= counted.year <= today.year + 30 else None
    return None


# --- Standing with the programme ------------------------------------------------------
class Status(IntEnum):
    """What a roster says somebody is; where two columns differ the higher, more cautious one counts."""

    UNSAID = 0
    CURRENT = 1  # drives today
    NOT_YET = 2  # means to drive: in training, on leave
    HELPER = 3  # does not drive
    GONE = 4  # no longer a volunteer


STATUS_WORDS = {
    Status.GONE: "inactive former retired left quit moved alumni archived resigned removed deceased ex",
    Status.HELPER: "sorter sorting sorts helper office packer packing greeter nondriver non not no",
    Status.NOT_YET: (
        "trainee training new newcomer applicant applied pending prospect prospective orientation onboarding "
        "shadow shadowing hold leave paused pause break away waiting waitlist"
    ),
    Status.CURRENT: (
        "active current regular driver drivers driving drives yes y x true t 1 approved cleared sub "
        "substitute backup oncall ready lead"
    ),
}


def status(cell: str, *, no: Status) -> Status:
    """What a column "Driver" or "Status" says; `no` is what a plain no means under its heading."""
    if is_blank(cell):
        return Status.UNSAID
    said = TICKS.get(cell.strip("\ufe0f "), plain(cell))
    if said in NO:
        return no
    words = set(said.split())
    for standing, known in STATUS_WORDS.items():
        if words & set(known.split()):
            return standing
    raise Unclear("Write driver, trainee, no or inactive.")


# --- Car, language, contact ---------------------------------------------------------------
MOST_CRATES = 500


def crates(cell: str) -> int | None:
    """How many crates the car holds, None where nobody has counted; of "10-12" the smaller."""
    if is_blank(cell):
        return None
    found = re.fullmatch(
        r"(?:about|approx\.?|around|ca\.?|~|up to)?\s*(\d{1,4})(?:\.0+)?\s*(?:(?:-|–|to)\s*(\d{1,4}))?\s*"
        r"(?:\+|crates?|boxes)?",
        cell,
        re.IGNORECASE,
    )
    if not found:
        raise Unclear("Write how many crates the car holds as a number, or leave it empty.")
    number = min(int(part) for part in found.groups() if part)
    if number > MOST_CRATES:
        raise Unclear(f"No car holds more than {MOST_CRATES} crates.")
    return number


LANGUAGES = {
    "en": {"english", "en", "eng", "ingles"},
    "es": {"spanish", "es", "sp", "spa", "espanol", "castellano"},
}


def language(cell: str) -> str | None:
    """ "en" or "es", the first one named; None where nothing is said. Mail is written in these two."""
    if is_blank(cell):
        return None
    for word in plain(cell).split():
        for code, names in LANGUAGES.items():
            if word in names:
                return code
    raise Unclear("Mail is written in English or Spanish; it will be English.")


REACH_WORDS = {
    "mail": {"mail", "email", "emails", "e"},
    "text": {"text", "texts", "txt", "sms", "texting", "t"},
    "call": {"call", "calls", "phone", "voice", "c", "telephone", "calling"},
}


def reach(cell: str) -> str | None:
    """ "mail", "text" or "call", the first one named; None where nothing or "either" is said."""
    if is_blank(cell) or plain(cell) in ("either", "any", "both", "all", "anything", "no preference"):
        return None
    for word in plain(cell.replace("e-mail", "email").replace("E-mail", "email")).split():
        for kind, names in REACH_WORDS.items():
            if word in names:
                return kind
    raise Unclear("Write e-mail, text or call.")

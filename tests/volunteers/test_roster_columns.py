"""Headings as coordinators word them. Wordings: common practice, no published source."""

import pytest

from volunteers.roster.columns import MEANINGS, field_of

WORDINGS = {
    "name": [
        "Name",
        "Volunteer",
        "VOLUNTEERS",
        "Full Name",
        "Volunteer's name",
        "Name (Last, First)",
        "Driver Name",
    ],
    "first": ["First", "First name", "FIRST_NAME", "Given name", "fname"],
    "last": ["Last", "Last name", "Surname", "Family Name"],
    "email": [
        "E-mail",
        "email address",
        "EMAIL",
        "e-mail addr.",
        "Email*",
        "Personal e-mail",
        "Correo electrónico",
    ],
    "phone": [
        "Phone",
        "Cell",
        "Mobile #",
        "Cell phone",
        "Phone number",
        "Phone No.",
        "Telephone",
        "Phone (cell)",
        "Best phone",
        "Mobile Phone Number",
        "Cellphone",
        "Tel.",
        "Teléfono",
    ],
    "other_phone": ["Home phone", "Phone (home)", "Work phone #", "Alt. phone", "Landline"],
    "language": ["Language", "Languages", "Languages spoken", "Preferred language", "Speaks"],
    "reach": [
        "Preferred contact",
        "Preferred contact method",
        "Best way to reach",
        "Text or e-mail?",
        "How to reach them",
    ],
    "by_phone": ["Text or call?", "Call/text", "OK to text?"],
    "license": [
        "License exp",
        "DL exp.",
        "Driver's license expires",
        "Drivers License Expiration Date",
        "License",
        "DL",
        "Licence valid until",
        "License exp (MM/DD/YYYY)",
        "Expiration of license",
        "Driver’s license exp date",
    ],
    "insurance": [
        "Insurance expiration",
        "Insurance exp.",
        "Ins. exp",
        "Auto insurance expires",
        "Proof of insurance",
        "Insurance card valid until",
        "Insurance",
    ],
    "briefing": [
        "Orientation date",
        "Orientation",
        "Briefing done",
        "Training completed",
        "Food safety training",
    ],
    "form": [
        "Waiver",
        "Waiver signed",
        "Volunteer agreement",
        "Liability waiver on file",
        "Release form signed",
    ],
    "kit": ["Kit", "Starter kit", "Kit given", "Has kit?"],
    "ride": ["Shadow ride done", "Shadow ride", "Ride-along", "Ridealong date", "Shadowed"],
    "lead": ["Lead driver", "Lead", "Lead?", "Is lead driver?"],
    "driver": ["Driver", "Driver?", "Drives", "Can drive"],
    "current": ["Current driver?", "Active driver", "Drives now"],
    "status": ["Status", "Active?", "Volunteer status", "Role"],
    "car": ["Car", "Vehicle", "Vehicle type", "Car make/model", "Type of car"],
    "crates": ["Crates", "# of crates", "Crates car holds", "Car capacity", "How many crates"],
    "hours": ["Days available", "Availability", "Days/times available", "Available", "Days", "Which days?"],
    "regular": [
        "Regular run",
        "Regular runs",
        "Weekly run",
        "Regular",
        "Regular driver of",
        "Usual route",
        "Standing shift",
        "Run",
        "Which run?",
        "Drives which run?",
        "Regularly drives",
    ],
    "notes": ["Notes", "Comments", "Notes/comments", "Other info", "Remarks"],
    "monday": ["Mon", "Monday", "MONDAYS"],
    "tuesday": ["Tue", "Tues."],
    "thursday": ["Thu", "Thurs", "Thur."],
    "sunday": ["Sun", "Sundays"],
}


@pytest.mark.parametrize(("field", "heading"), [(field, h) for field, hs in WORDINGS.items() for h in hs])
def test_wordings_of_a_heading(field, heading):
    assert field_of(heading) == field
    assert field_of(f"  {heading.upper()} ") == field
    assert field in MEANINGS


@pytest.mark.parametrize(
    "heading",
    [
        "",
        "T-shirt",
        "Timestamp",
        "License #",
        "License plate",
        "DL number",
        "Insurance company",
        "Policy number",
        "Emergency contact",
        "Emergency contact phone",
        "Address",
        "City",
        "Home",
        "Birthday",
        "Date of birth",
        "Email 2",
        "Start date",
        "Shift",
        "Runs so far",
        "Last run",
        "Username",
        "Car plate",
        "Member since",
        "Name of emergency contact",
        "x" * 5_000,
    ],
)
def test_what_we_have_no_use_for_is_not_guessed(heading):
    assert field_of(heading) is None

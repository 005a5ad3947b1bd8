"""What each row becomes, without a database. Invented people."""

from dataclasses import replace
from datetime import date, time

import pytest

from volunteers.roster.cells import Status
from volunteers.roster.known import Asked, Known, Recorded, Records
from volunteers.roster.meaning import Row
from volunteers.roster.plan import DROVE_BEFORE, Becomes, Options, Outcome, plan

TODAY = date(2026, 11, 25)
PHONE, OTHER_PHONE = "+15555550123", "+15555550188"
BRIEFING, LICENSE, INSURANCE, FORM, KIT, RIDE = STEPS = (
    Asked(1, "briefing", "Briefing", 1, 24, is_paper=False, may_be_waived=False),
    Asked(2, "license", "License", 1, None, is_paper=True, may_be_waived=False),
    Asked(3, "insurance", "Insurance", 1, None, is_paper=True, may_be_waived=False),
    Asked(4, "form", "Agreement", 1, None, is_paper=False, may_be_waived=False),
    Asked(5, "kit", "Kit", 1, None, is_paper=False, may_be_waived=True),
    Asked(6, "ride", "Ride", 1, None, is_paper=False, may_be_waived=True),
)
ANN = Known(
    pk=7,
    name="Ann Marsh",
    email="ann@example.org",
    phone=PHONE,
    language="en",
    reach="mail",
    drives=True,
    lead=False,
    notes="",
    left_on=None,
    cars=(),
    hours=(),
    done=(),
)


def ann(line=2, **facts):
    return Row(line, **{"name": "Ann Marsh", "email": "ann@example.org", "phone": PHONE, **facts})


def outcomes(*rows, known=(), steps=STEPS, **options) -> list[Outcome]:
    return plan(rows, Records(tuple(known), steps), Options(today=TODAY, **options))


def outcome(row, **kwargs) -> Outcome:
    (found,) = outcomes(row, **kwargs)
    return found


def recorded(step, *, on=TODAY, until=None, seen=False, withdrawn=False, pk=90):
    return Recorded(pk, step.pk, on, until, seen, withdrawn)


def becomes(*rows, **kwargs):
    return [found.becomes for found in outcomes(*rows, **kwargs)]


# --- Who is who --------------------------------------------------------------------------
def test_somebody_new():
    row = ann(language="es", notes="tall", car="wagon", crates=8, hours=[(0, time(8), time(12))], lead=True)
    found = outcome(row)
    assert found.becomes == Becomes.NEW
    assert found.person is None
    assert found.facts == {
        "name": "Ann Marsh",
        "email": "ann@example.org",
        "phone": PHONE,
        "language": "es",
        "drives": True,
        "notes": "tall",
    }
    assert (found.car, found.hours, found.appoint_lead) == (("wagon", 8), ((0, time(8), time(12)),), True)
    assert found.in_words == "New: lead driver; wagon, 8 crates; can drive Mon 8:00 am to 12:00 pm"


@pytest.mark.parametrize(
    "row",
    [
        ann(),
        ann(phone=""),
        ann(email=""),
        ann(name="ANN  MARSH"),
        ann(name="Ann Mársh."),
        ann(email="", phone=""),  # nothing to tell her from Ann by
    ],
)
def test_the_same_name_with_the_same_address_or_phone_is_already_there(row):
    found = outcome(row, known=[ANN])
    assert (found.becomes, found.person) == (Becomes.SAME, 7)
    assert not found.writes


@pytest.mark.parametrize(
    "row",
    [
        ann(name="Bo Marsh"),  # shares address and phone
        ann(email="other@example.org", phone=OTHER_PHONE),  # a namesake
        ann(email="other@example.org", phone=""),
    ],
)
def test_another_name_or_another_address_is_somebody_else(row):
    found = outcome(row, known=[ANN])
    assert (found.becomes, found.person) == (Becomes.NEW, None)
    assert "Ann Marsh (already there)" in found.remarks[0]


def test_two_at_one_address_are_two_people_and_both_rows_say_so():
    first, second = outcomes(ann(2), ann(3, name="Bo Marsh"))
    assert first.becomes == second.becomes == Becomes.NEW
    assert "Shares the address with Bo Marsh (line 3): two people, one sign-in." in first.remarks[0]
    assert "Shares the address with Ann Marsh (line 2)" in second.remarks[0]


def test_a_duplicate_names_the_line_that_counts_and_what_differs():
    found = outcomes(ann(2), ann(3), ann(5, email="", license_until=TODAY), ann(6, email="", phone=""))
    assert [one.becomes for one in found] == [Becomes.NEW] + [Becomes.DUPLICATE] * 3
    assert found[1].in_words == "Duplicate: of line 2, which counts"
    assert found[2].in_words == "Duplicate: of line 2, which counts; this one has another license date"


def test_a_row_with_only_a_name_never_counts_before_one_with_an_address():
    found = outcomes(ann(2, email="", phone=""), ann(3))
    assert [one.becomes for one in found] == [Becomes.DUPLICATE, Becomes.NEW]
    assert [one.line for one in found] == [2, 3]
    assert "of line 3" in found[0].in_words


def test_what_an_earlier_row_adds_helps_to_recognise_the_next():
    known = replace(ANN, phone="")
    assert becomes(ann(2), ann(3, email=""), known=[known]) == [Becomes.CHANGED, Becomes.DUPLICATE]


def test_somebody_without_address_and_phone_gets_them_from_the_file():
    known = replace(ANN, email="", phone="", reach="call")
    found = outcome(ann(), known=[known])
    assert (found.becomes, found.person) == (Becomes.CHANGED, 7)
    assert found.facts == {"email": "ann@example.org", "phone": PHONE, "reach": "mail"}
    # but only one namesake can be that person
    namesake = ann(3, email="b@example.org", phone="")
    assert becomes(ann(2), namesake, known=[known]) == [Becomes.CHANGED, Becomes.NEW]


def test_a_name_that_fits_several_has_to_be_told_apart():
    namesake = replace(ANN, pk=8, email="b@example.org", phone=OTHER_PHONE)
    found = outcome(ann(email="", phone=""), known=[ANN, namesake])
    assert found.becomes == Becomes.BAD
    assert "several people with this name" in str(found.problems[0])
    assert outcome(ann(), known=[ANN, namesake]).person == 7
    # the address of one and the phone of the other
    assert outcome(ann(phone=OTHER_PHONE), known=[ANN, namesake]).becomes == Becomes.BAD
    # father and son at one address, told apart by both together
    son = replace(ANN, pk=8, phone=OTHER_PHONE)
    assert outcome(ann(phone=OTHER_PHONE), known=[ANN, son]).person == 8


def test_a_row_with_a_problem_is_never_written():
    row = ann()
    row.problems.append("anything")
    found = outcome(row, papers_seen=True, everybody_drives=True)
    assert found.becomes == Becomes.BAD
    assert not found.writes


def test_people_who_left_are_not_made_again():
    found = outcome(ann(), known=[replace(ANN, left_on=date(2026, 5, 1))])
    assert found.becomes == Becomes.LEFT_OUT
    assert "left on 5/1/2026" in found.in_words
    back_again = replace(ANN, pk=8)
    assert outcome(ann(), known=[replace(ANN, left_on=date(2026, 5, 1)), back_again]).person == 8


def test_rows_that_say_inactive_are_left_out():
    found = outcome(ann(status=Status.GONE), papers_seen=True)
    assert (found.becomes, found.ticks, found.remarks) == (Becomes.LEFT_OUT, (), ())
    row = ann(status=Status.GONE)
    row.problems.append("an old phone number, which nobody needs to correct")
    assert outcome(row).becomes == Becomes.LEFT_OUT
    found = outcome(ann(status=Status.GONE), known=[ANN])
    assert found.becomes == Becomes.LEFT_OUT
    assert "still active here" in found.remarks[0]


# --- What changes ----------------------------------------------------------------------------
def test_filled_cells_replace_and_empty_ones_do_not():
    assert outcome(ann(), known=[replace(ANN, notes="tall", language="es")]).becomes == Becomes.SAME
    found = outcome(ann(phone=OTHER_PHONE, language="es", reach="text", notes="tall"), known=[ANN])
    assert found.becomes == Becomes.CHANGED
    assert found.facts == {"phone": OTHER_PHONE, "language": "es", "reach": "text", "notes": "tall"}
    assert f"phone changes from {PHONE} to {OTHER_PHONE}" in found.in_words


def test_notes_are_added_once():
    known = replace(ANN, notes="tall")
    assert outcome(ann(notes="kind"), known=[known]).facts == {"notes": "tall\nkind"}
    assert outcome(ann(notes="kind"), known=[replace(ANN, notes="tall\nkind")]).becomes == Becomes.SAME


@pytest.mark.parametrize(
    ("status", "drives", "changed"),
    [
        (Status.UNSAID, False, False),
        (Status.HELPER, True, True),
        (Status.HELPER, False, False),
        (Status.CURRENT, False, True),
        (Status.NOT_YET, False, True),
        (Status.CURRENT, True, False),
    ],
)
def test_whether_they_drive_changes_only_where_the_file_says_so(status, drives, changed):
    found = outcome(ann(status=status), known=[replace(ANN, drives=drives)])
    assert found.facts == ({"drives": not drives} if changed else {})


def test_car_and_hours_are_filled_in_but_never_overwritten():
    row = ann(car="wagon", crates=8, hours=[(0, time(8), time(12))])
    assert outcome(row, known=[ANN]).car == ("wagon", 8)
    assert outcome(row, known=[ANN]).hours == ((0, time(8), time(12)),)
    own = replace(ANN, cars=(("van", 20),), hours=((3, time(0), time(9)),))
    assert outcome(row, known=[own]).becomes == Becomes.SAME
    assert outcome(row, known=[replace(own, cars=(("wagon", None),))]).car == ("wagon", 8)


def test_a_lead_driver_is_appointed_once_and_never_removed():
    assert outcome(ann(lead=True), known=[ANN]).appoint_lead
    assert outcome(ann(lead=True), known=[replace(ANN, lead=True)]).becomes == Becomes.SAME
    assert outcome(ann(lead=False), known=[replace(ANN, lead=True)]).becomes == Becomes.SAME


# --- Steps -----------------------------------------------------------------------------------
def ticks(row, done=None, **options):
    known = [] if done is None else [replace(ANN, done=tuple(done))]
    found = outcome(row, known=known, **options)
    return {tick.title: (tick.how, tick.on, tick.valid_until) for tick in found.ticks}


def test_dates_in_the_file_are_recorded():
    row = ann(
        license_until=date(2027, 3, 1),
        briefing_on=date(2025, 5, 6),
        kit_on=date(2025, 5, 7),
        ride_on=date(2019, 5, 8),
    )
    assert ticks(row) == {
        "Briefing": ("done", date(2025, 5, 6), None),
        "License": ("done", TODAY, date(2027, 3, 1)),
        "Kit": ("done", date(2025, 5, 7), None),
        "Ride": ("done", date(2019, 5, 8), None),
    }


def test_without_papers_seen_nothing_is_made_up():
    assert ticks(ann(status=Status.CURRENT), everybody_drives=True) == {}
    assert ticks(ann(ticked=frozenset({"license", "insurance"}))) == {}


def test_papers_seen_lets_current_drivers_drive_on_the_first_day():
    """Papers, briefing and agreement for 30 days; kit and ride, which have no date to follow, for good."""
    assert ticks(ann(status=Status.CURRENT), papers_seen=True) == {
        "Briefing": ("seen", TODAY, None),
        "License": ("seen", TODAY, None),
        "Insurance": ("seen", TODAY, None),
        "Agreement": ("seen", TODAY, None),
        "Kit": ("done", TODAY, None),
        "Ride": ("done", TODAY, None),
    }
    found = outcome(ann(status=Status.CURRENT), papers_seen=True)
    assert {tick.reason for tick in found.ticks} == {DROVE_BEFORE}
    assert "date to follow by 12/25/2026: Briefing, License, Insurance, Agreement" in found.in_words
    assert "done: Kit, Ride" in found.in_words


@pytest.mark.parametrize(
    ("status", "everybody", "marked"),
    [
        (Status.CURRENT, False, True),
        (Status.CURRENT, True, True),
        (Status.UNSAID, False, False),
        (Status.UNSAID, True, True),
        (Status.NOT_YET, True, False),
        (Status.HELPER, True, False),
        (Status.GONE, True, False),
    ],
)
def test_who_counts_as_a_current_driver(status, everybody, marked):
    assert bool(ticks(ann(status=status), papers_seen=True, everybody_drives=everybody)) is marked


def test_papers_seen_fills_in_only_what_the_file_leaves_open():
    row = ann(
        status=Status.CURRENT,
        license_until=date(2027, 3, 1),
        insurance_until=date(2026, 11, 24),
        denied=frozenset({"kit"}),
    )
    found = ticks(row, papers_seen=True)
    assert found["License"] == ("done", TODAY, date(2027, 3, 1))
    assert "Insurance" not in found  # the file says that it expired yesterday
    assert "Kit" not in found  # the file says that they have none
    assert found["Ride"] == ("done", TODAY, None)


def test_a_paper_is_good_on_its_last_day():
    assert ticks(ann(license_until=TODAY)) == {"License": ("done", TODAY, TODAY)}


def test_a_briefing_that_has_run_out_is_said_and_counts_as_no_date():
    row = ann(status=Status.CURRENT, briefing_on=date(2024, 11, 24))
    assert ticks(row) == {}
    assert "has run out; it lasts 24 months" in outcome(row).remarks[0]
    assert ticks(row, papers_seen=True)["Briefing"] == ("seen", TODAY, None)
    assert "Briefing" in ticks(ann(briefing_on=date(2024, 11, 25)))


def test_ticks_without_a_date_count_for_good_only_where_nothing_runs_out():
    assert ticks(ann(ticked=frozenset({"briefing", "form", "ride"}))) == {
        "Briefing": ("seen", TODAY, None),
        "Agreement": ("done", TODAY, None),
        "Ride": ("done", TODAY, None),
    }


def test_a_step_that_is_asked_twice_is_ticked_twice():
    twice = (replace(RIDE, times=2),)
    assert len(outcome(ann(status=Status.CURRENT), steps=twice, papers_seen=True).ticks) == 2


@pytest.mark.parametrize(
    "done",
    [
        recorded(LICENSE, until=date(2026, 12, 25), seen=True),
        recorded(LICENSE, on=date(2026, 1, 1), until=date(2026, 1, 31), seen=True),  # its 30 days are over
        recorded(LICENSE, until=date(2027, 1, 1), withdrawn=True),
    ],
)
def test_papers_seen_again_renews_nothing(done):
    """Else an old file, brought in every month, would keep somebody driving without papers."""
    row = ann(status=Status.CURRENT)
    assert "License" not in ticks(row, [done], papers_seen=True)
    assert "Insurance" in ticks(row, [done], papers_seen=True)


def test_a_paper_already_recorded_is_not_recorded_again():
    row = ann(license_until=date(2027, 3, 1))
    assert ticks(row, [recorded(LICENSE, until=date(2027, 3, 1))]) == {}
    assert ticks(row, [recorded(LICENSE, until=date(2027, 3, 1), withdrawn=True)]) == {}
    longer = {"License": ("done", TODAY, date(2027, 3, 1))}
    assert ticks(row, [recorded(LICENSE, until=date(2026, 12, 1))]) == longer
    assert ticks(row, [recorded(LICENSE, until=date(2028, 3, 1))]) == {}
    found = outcome(row, known=[replace(ANN, done=(recorded(LICENSE, until=date(2028, 3, 1)),))])
    assert found.remarks == ("License: the date 3/1/2027 is not used, a later one is recorded.",)


def test_a_known_date_is_recorded_beside_a_longer_date_to_follow():
    seen = recorded(LICENSE, until=date(2026, 12, 25), seen=True, pk=91)
    early = ann(license_until=date(2026, 12, 1))
    assert ticks(early, [seen]) == {"License": ("done", TODAY, date(2026, 12, 1))}


def test_an_older_ride_adds_nothing_to_a_newer_one():
    row = ann(ride_on=date(2025, 5, 8))
    assert ticks(row, [recorded(RIDE, on=date(2025, 5, 8))]) == {}
    assert ticks(row, [recorded(RIDE, on=date(2026, 5, 8))]) == {}
    assert ticks(row, [recorded(RIDE, on=date(2024, 5, 8))]) == {"Ride": ("done", date(2025, 5, 8), None)}


def test_a_programme_without_steps_records_none():
    assert ticks(ann(license_until=date(2027, 3, 1), status=Status.CURRENT), papers_seen=True, steps=()) == {}

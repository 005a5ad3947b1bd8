"""Regular drivers of a roster: which weekly run a text means, how often, and what the dry run says of it.

Wordings of how often: common practice, no published source.
"""

from datetime import UTC, date, datetime, time, timedelta
from io import StringIO
from string import ascii_uppercase

import pytest
import time_machine
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from shifts.models import Booking, Shift, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats import roster_regulars, standing
from shifts.seats.roster_regulars import Names, apply, look_at
from shifts.seats.standing import Wish
from sites.models import Event
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, ready_person
from tests.shifts.pages.at_the_desk import desk_client, said, text_of
from volunteers.models import Message, Person
from volunteers.roster.applying import NotApplied

AT = datetime(2027, 2, 1, 15, 0, tzinfo=UTC)  # a Monday, 10 a.m. in New York
TODAY = date(2027, 2, 1)
TUESDAY = date(2027, 2, 2)
pytestmark = pytest.mark.django_db
READY = "License exp,Insurance exp,Orientation,Waiver,Kit,Shadow ride"
DONE = "1/5/2029,1/5/2029,1/5/2027,yes,yes,yes"


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(AT, tick=False):
        yield


@pytest.fixture
def shifts():
    stops = ((SiteFactory().pk, 0), (DropOffFactory().pk, 30))
    found = {}
    for name, day, hour in [
        ("Tuesday market run", "TU", 8), ("Wednesday market run", "WE", 8),
        ("Bread run, Tue/Fri", "TU,FR", 11), ("Second Sunday bread", "SU", 8),
        ("Tuesday market run, evening", "TU", 18),
    ]:  # fmt: skip
        plan = Plan(rule=f"FREQ=WEEKLY;BYDAY={day}", starts=time(hour), minutes=60, stops=stops)
        found[name] = add_shift(name=name, plan=plan, from_day=TODAY, by=None, at=AT)
    return found


def roster(*rows, heading="Regular run"):
    """Rows of (name, weekly runs); everybody ready by the file."""
    lines = [f"Name;{READY.replace(',', ';')};{heading}"]
    lines += [f'{name};{DONE.replace(",", ";")};"{text}"' for name, text in rows]
    return "\n".join(lines)


def looked_at(*rows, **options):
    return look_at(roster(*rows, **options), today=TODAY, at=AT)


# --- which weekly run a text means


class TestMeaning:
    @pytest.mark.parametrize(
        ("text", "expected"),
        [
            ("Tuesday market run", [("Tuesday market run", "every")]),
            ("TUESDAY  MARKET-RUN.", [("Tuesday market run", "every")]),
            ("Wed", [("Wednesday market run", "every")]),
            ("bread", [("Bread run, Tue/Fri", "every")]),
            ("Bread run, Tue/Fri", [("Bread run, Tue/Fri", "every")]),
            ("second sunday", [("Second Sunday bread", "every")]),
            ("Wed, every other week", [("Wednesday market run", "other")]),
            ("Wed (biweekly)", [("Wednesday market run", "other")]),
            ("Wed - alternating weeks", [("Wednesday market run", "other")]),
            ("Wed every 2 weeks", [("Wednesday market run", "other")]),
            ("every other Wednesday", [("Wednesday market run", "other")]),
            ("Wed EOW", [("Wednesday market run", "other")]),
            ("Wed 1st and 3rd", [("Wednesday market run", "1st 3rd")]),
            ("Wed 1st/3rd", [("Wednesday market run", "1st 3rd")]),
            ("1st & 3rd Wednesday", [("Wednesday market run", "1st 3rd")]),
            ("Wed, first and third of the month", [("Wednesday market run", "1st 3rd")]),
            ("Wed: 2nd + 4th", [("Wednesday market run", "2nd 4th")]),
            ("Wed weekly", [("Wednesday market run", "every")]),
            ("every Wednesday", [("Wednesday market run", "every")]),
            ("Wed; bread", [("Wednesday market run", "every"), ("Bread run, Tue/Fri", "every")]),
            ("Wed 2nd/4th / bread", [("Wednesday market run", "2nd 4th"), ("Bread run, Tue/Fri", "every")]),
            ("Wed\nSecond", [("Wednesday market run", "every"), ("Second Sunday bread", "every")]),
        ],
    )
    def test_names_by_a_unique_beginning_and_how_often(self, shifts, text, expected):
        names = Names(Shift.objects.all())
        assert [(runs[0].name, pattern) for _part, [*runs], pattern in names.meant(text)] == expected
        assert all(len(runs) == 1 for _part, runs, _pattern in names.meant(text))

    @pytest.mark.parametrize(
        ("text", "number"), [("Tue", 2), ("T", 2), ("Thursday", 0), ("every other week", 0), ("market", 0)]
    )
    def test_none_or_several(self, shifts, text, number):
        [(_part, runs, _pattern)] = Names(Shift.objects.all()).meant(text)
        assert len(runs) == number

    def test_the_whole_name_wins_over_a_longer_one(self, shifts):
        [(_part, runs, _pattern)] = Names(Shift.objects.all()).meant("tuesday market run")
        assert [run.name for run in runs] == ["Tuesday market run"]

    def test_nothing_is_said_by_nothing(self, shifts):
        assert Names(Shift.objects.all()).meant(" ; / \n") == []


# --- the dry run


def test_a_look_writes_nothing_and_says_what_each_row_becomes(shifts):
    look = looked_at(("Ana Aster", "Wed"), ("Bo Birch", "Wednesday, 2nd/4th; bread"))
    assert not Person.objects.exists()
    assert not any(model.objects.exists() for model in (Standing, Booking, Message))
    assert not Event.objects.filter(verb="roster brought in").exists()
    assert look.shown.problems[0].line == 3  # both want Wednesdays
    assert "drives Wednesday market run, every run, from 2/1/2027" in look.shown.rows[0].in_words
    assert "drives Bread run, Tue/Fri, every run, from 2/1/2027" in look.shown.rows[1].in_words


def test_what_means_no_weekly_run_or_several_is_named_with_its_line_and_the_names(shifts):
    look = looked_at(("Ana Aster", "Thursdays"), ("Bo Birch", "Wed"), ("Cy Cole", "Tues"))
    first, second = look.shown.problems
    assert str(first) == (
        "Line 2, Regular run: “Thursdays” is the name of no weekly run. There are: Bread run, Tue/Fri; "
        "Second Sunday bread; Tuesday market run; Tuesday market run, evening; Wednesday market run."
    )
    assert str(second) == (
        "Line 4, Regular run: “Tues” may be several weekly runs: Tuesday market run; "
        "Tuesday market run, evening. Write more of the name."
    )
    assert not look.shown.may_apply
    with pytest.raises(NotApplied):
        apply(look, by=None, at=AT)
    assert not Person.objects.exists()


def test_two_regulars_for_all_the_same_dates_are_a_conflict(shifts):
    look = looked_at(("Ana Aster", "Wed"), ("Bo Birch", "Wed"))
    [problem] = look.shown.problems
    assert str(problem) == "Line 3, Regular run: “Wed” Ana is the regular driver on all these dates."


def test_a_conflict_with_somebody_already_there(shifts):
    shift = shifts["Wednesday market run"]
    standing.begin(Wish(shift, ready_person(name="Zoe Zinn"), TODAY), by=None, at=AT)
    [problem] = looked_at(("Ana Aster", "Wed")).shown.problems
    assert "Zoe is the regular driver on all these dates." in str(problem)


def test_two_every_other_week_share_it_and_a_third_is_one_too_many(shifts):
    rows = [("Ana Aster", "Wed every other week"), ("Bo Birch", "Wed biweekly")]
    look = looked_at(*rows)
    assert look.shown.problems == ()
    assert "from 2/3/2027" in look.shown.rows[0].in_words
    assert "from 2/10/2027" in look.shown.rows[1].in_words
    apply(look, by=None, at=AT)
    assert Booking.objects.live().count() == 8
    assert {booking.person.name for booking in Booking.objects.live()} == {"Ana Aster", "Bo Birch"}
    assert len(looked_at(*rows, ("Cy Cole", "Wed EOW")).shown.problems) == 1


def test_somebody_who_is_not_ready_gets_it_all_the_same_and_the_dry_run_says_so(shifts):
    text = "Name,License exp,Regular run\nAna Aster,1/5/2029,Wed\n"
    look = look_at(text, today=TODAY, at=AT)
    assert look.shown.may_apply
    [remark] = [words for words in look.shown.rows[0].remarks if "kept" in words]
    assert remark.startswith("Wednesday market run: 8 runs are only kept for them. Missing: Driver briefing,")
    people, number = apply(look, by=None, at=AT)
    assert (len(people), number) == (1, 1)
    assert Standing.objects.get().person == people[0]
    assert not Booking.objects.exists()


def test_papers_seen_make_somebody_with_a_weekly_run_ready(shifts):
    """Whoever has a weekly run drives today, also where no other column says so."""
    look = look_at("Name,Regular run\nAna Aster,Wed\n", today=TODAY, at=AT, papers_seen=True)
    apply(look, by=None, at=AT)
    # Date to follow for 30 days: March 3 is the last Wednesday within them.
    assert [booking.run.slot_date for booking in Booking.objects.live().order_by("run__starts_at")] == [
        date(2027, 2, 3) + timedelta(weeks=week) for week in range(5)
    ]


def test_somebody_who_does_not_drive_is_a_problem_of_the_row(shifts):
    look = look_at("Name,Driver,Regular run\nAna Aster,no,Wed\n", today=TODAY, at=AT)
    assert "does not drive" in str(look.shown.problems[0])


def test_a_row_for_each_weekly_run_of_one_person(shifts):
    look = looked_at(("Ana Aster", "Wed"), ("Ana Aster", "Second Sunday"))
    assert look.shown.counts == {"new": 1, "duplicate": 1}
    assert "drives Second Sunday bread" in look.shown.rows[1].in_words
    _people, number = apply(look, by=None, at=AT)
    assert number == 2
    assert {row.person.name for row in Standing.objects.all()} == {"Ana Aster"}


def test_without_weekly_runs_people_come_in_and_the_column_waits():
    look = looked_at(("Ana Aster", "Wed"))
    assert look.shown.may_apply
    assert "“Regular run” is not used: there are no weekly runs yet." in look.shown.notices[-1]
    assert apply(look, by=None, at=AT)[1] == 0
    assert Person.objects.get().name == "Ana Aster"


@pytest.mark.parametrize("heading", ["Regular run", "Drives", "Weekly run", "Route"])
def test_wordings_of_the_heading(shifts, heading):
    look = looked_at(("Ana Aster", "Wed"), ("Bo Birch", ""), heading=heading)
    assert len(look.gifts) == 1


def test_drives_with_yes_and_no_is_as_ever(shifts):
    look = looked_at(("Ana Aster", "yes"), ("Bo Birch", "no"), heading="Drives")
    assert look.gifts == ()
    assert "does not drive" in look.shown.rows[1].in_words


@pytest.mark.parametrize(("cell", "told"), [("-", False), ("no", False), ("yes", True), ("12", True)])
def test_a_cell_that_names_nothing_stops_nothing(shifts, cell, told):
    look = looked_at(("Ana Aster", cell))
    assert look.shown.may_apply
    assert look.gifts == ()
    assert any("Write the name of the weekly run." in words for words in look.shown.rows[0].remarks) == told


# --- bringing it in


def test_each_person_is_told_once_and_the_second_time_nothing_changes(shifts):
    rows = ("Ana Aster,ana@example.org", "Bo Birch,bo@example.org")
    text = "\n".join(
        [f"Name,E-mail,{READY},Drives", f"{rows[0]},{DONE},Wed; Second Sunday", f"{rows[1]},{DONE},bread"]
    )
    people, number = apply(look_at(text, today=TODAY, at=AT), by=None, at=AT)
    assert (len(people), number) == (2, 3)
    news = Message.objects.filter(kind="news")
    assert sorted(message.person.name for message in news) == ["Ana Aster", "Bo Birch"]
    assert "Wednesday market run" in news.get(person__name="Ana Aster").text
    assert "Second Sunday bread" in news.get(person__name="Ana Aster").text
    again = look_at(text, today=TODAY, at=AT)
    assert not again.shown.changes_anything
    assert "drives Wednesday market run, every run, already" in again.shown.rows[0].in_words
    assert apply(again, by=None, at=AT)[1] == 0
    assert Standing.objects.count() == 3


def test_somebody_already_there_gets_a_regular_run_and_counts_as_changed(shifts):
    ana = ready_person(name="Ana Aster", email="", phone="", reach="call")
    look = look_at("Name,Weekly run\nAna Aster,Wed\n", today=TODAY, at=AT)
    assert look.shown.counts == {"already there, changes": 1}
    assert apply(look, by=None, at=AT) == ([], 1)
    assert Booking.objects.live().filter(person=ana).count() == 8


def test_another_pattern_than_theirs_changes_nothing_and_is_said(shifts):
    apply(looked_at(("Ana Aster", "Wed")), by=None, at=AT)
    look = looked_at(("Ana Aster", "Wed every other week"))
    assert any("stays as it is: to change how often" in words for words in look.shown.rows[0].remarks)
    assert not look.shown.changes_anything


def test_all_or_nothing_where_it_was_given_away_meanwhile(shifts):
    look = looked_at(("Ana Aster", "Second Sunday"), ("Bo Birch", "Wed"))
    other = ready_person(name="Zoe Zinn")
    standing.begin(Wish(shifts["Wednesday market run"], other, TODAY), by=None, at=AT)
    with pytest.raises(NotApplied, match="Line 3, Wed: Zoe is the regular driver"):
        apply(look, by=None, at=AT)
    assert list(Person.objects.all()) == [other]
    assert Standing.objects.count() == 1


def test_queries_of_reading_it_do_not_grow_with_the_rows(shifts):
    counts = []
    for number in (3, 26):
        text = roster(*[(f"{letter}y Example", "Wed") for letter in ascii_uppercase[:number]])
        with CaptureQueriesContext(connection) as queries:
            assert len(roster_regulars.read(text, today=TODAY).gifts) == number
        counts.append(len(queries))
    assert counts[0] == counts[1]


# --- the page and the command do the same


def test_the_page_shows_it_and_brings_it_in(shifts):
    desk = desk_client()
    text = roster(("Ana Aster", "Wed"), ("Bo Birch", "bread"))
    shown = desk.post(reverse("desk_import"), {"text": text})
    assert "drives Wednesday market run, every run, from 2/1/2027" in text_of(shown)
    assert "Regular run: weekly run they drive regularly" in text_of(shown)
    answer = desk.post(reverse("desk_import"), {"looked_at": shown.context["seal"]}, follow=True)
    assert "2 people added or changed. 2 regular runs given." in said(answer)
    assert Standing.objects.count() == 2


def test_the_page_shows_it_anew_when_the_weekly_run_was_given_away(shifts):
    desk = desk_client()
    shown = desk.post(reverse("desk_import"), {"text": roster(("Ana Aster", "Wed"))})
    other = ready_person(name="Zoe Zinn")
    standing.begin(Wish(shifts["Wednesday market run"], other, TODAY), by=None, at=AT)
    answer = desk.post(reverse("desk_import"), {"looked_at": shown.context["seal"]})
    page = text_of(answer)
    assert "Nothing was brought in. Line 2, Wed: Zoe is the regular driver on all these dates." in page
    assert "To correct: 1" in page
    assert not Person.objects.filter(name="Ana Aster").exists()


def test_the_command_does_the_same(shifts, tmp_path):
    path = tmp_path / "roster.csv"
    path.write_text(roster(("Ana Aster", "Wed"), ("Bo Birch", "bread, 1st and 3rd")))
    out = StringIO()
    call_command("import_people", str(path), stdout=out)
    assert "drives Bread run, Tue/Fri, the 1st and 3rd of the month" in out.getvalue()
    assert not Standing.objects.exists()
    call_command("import_people", str(path), "--apply", stdout=out)
    assert "Regular runs given: 2." in out.getvalue()
    assert Standing.objects.count() == 2


def test_the_command_names_what_it_cannot_give(shifts, tmp_path):
    path = tmp_path / "roster.csv"
    path.write_text(roster(("Ana Aster", "Thursdays")))
    err = StringIO()
    with pytest.raises(SystemExit):
        call_command("import_people", str(path), "--apply", stdout=StringIO(), stderr=err)
    assert "Line 2, Regular run: “Thursdays” is the name of no weekly run." in err.getvalue()
    assert not Person.objects.exists()


def test_somebody_is_not_two_people(shifts):
    """The row goes by name, address and phone as ever; a namesake gets nothing."""
    PersonFactory(name="Ana Aster", email="other@example.org")
    text = f"Name,E-mail,{READY},Regular run\nAna Aster,ana@example.org,{DONE},Wed\n"
    apply(look_at(text, today=TODAY, at=AT), by=None, at=AT)
    assert Standing.objects.get().person.email == "ana@example.org"

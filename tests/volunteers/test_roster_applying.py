"""Bringing a roster in: what is written, all or nothing, and once only."""

import threading
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from django.db import connection
from django.db.models import Model

from sites.models import Event
from tests.factories import PersonFactory, SiteFactory, coordinator
from volunteers.clearance import cleared
from volunteers.doors import publish
from volunteers.models import Availability, Car, Completion, Person, Step, User
from volunteers.people import change_person
from volunteers.progress import withdraw
from volunteers.roster import applying
from volunteers.roster.applying import NotApplied, Preview, apply, preview
from volunteers.roster.reading import LARGEST
from volunteers.steps import add_step

ROSTERS = Path(__file__).parent / "rosters"
ROSTER = (ROSTERS / "semicolons-windows1252-announced.csv").read_bytes()
TODAY = date(2026, 11, 25)
NOON = datetime(2026, 11, 25, 17, tzinfo=UTC)  # noon in New York, the programme's zone unless changed
TABLES: list[type[Model]] = [Person, User, Car, Availability, Completion, Event]

pytestmark = pytest.mark.django_db


def looked_at(data=ROSTER, **options) -> Preview:
    return preview(data, **{"today": TODAY, "papers_seen": True, **options})


def bring_in(data=ROSTER, *, by=None, **options) -> list[Person]:
    return apply(looked_at(data, **options), by=by, at=NOON)


def rows():
    return {table.__name__: table.objects.count() for table in TABLES}


def ready(on=TODAY):
    return {person.name for person in cleared(Person.objects.drivers(), on=on)}


# --- What is written ---------------------------------------------------------------------
def test_a_preview_writes_nothing():
    before = rows()
    found = looked_at()
    assert found.counts == {"new": 5}
    assert found.may_apply
    assert found.changes_anything
    assert rows() == before


def test_a_roster_becomes_people():
    by = coordinator().user
    people = bring_in(by=by)
    assert [person.name for person in people] == [
        "Odalys Marsh",
        "TOBIN REYES",
        "Inés Quill",
        "Bram Quill",
        "Lena Ott",
    ]
    odalys, _, ines, bram, lena = (Person.objects.get(pk=person.pk) for person in people)
    assert (odalys.email, odalys.reach) == ("odalys@example.org", "mail")
    assert odalys.phone.as_e164 == "+15555550123"
    assert odalys.notes == "Knows the east dock;\nhas a key"
    assert odalys.lead_since == odalys.joined_on == TODAY
    assert [(car.label, car.crates) for car in odalys.cars.all()] == [("Blue wagon", 12)]
    assert [hour.weekday for hour in odalys.hours.all()] == [0, 2]
    assert (lena.email, lena.reach, lena.user) == ("", "call", None)
    assert (ines.drives, bram.drives) == (True, False)
    license = odalys.completions.get(step__code="license")
    assert (license.valid_from, license.valid_until, license.how) == (TODAY, date(2027, 3, 1), "done")
    assert license.recorded_by == by
    added = Event.objects.filter(verb="added", person_id__in=[person.pk for person in people])
    assert list(added.values_list("by", flat=True)) == [by.pk] * 5


def test_two_at_one_address_are_two_people_with_one_sign_in():
    bring_in()
    quills = Person.objects.filter(email="quills@example.org")
    assert quills.count() == 2
    assert quills.values("user").distinct().count() == 1


def test_current_drivers_are_ready_at_once_and_for_thirty_days():
    """The gate's own word; nobody else is let in by it."""
    bring_in()
    assert ready() == {"Odalys Marsh", "TOBIN REYES", "Inés Quill", "Lena Ott"}
    assert ready(TODAY + timedelta(30)) == ready()
    assert ready(TODAY + timedelta(31)) == set()


def test_without_papers_seen_nobody_becomes_ready():
    bring_in(papers_seen=False)
    assert ready() == set()
    assert Completion.objects.filter(step__code="license").count() == 4  # those with a date in the file


def test_a_briefing_counts_from_its_own_day():
    bring_in("Name,Cell,Briefing\nAnn Marsh,555-555-0123,1/15/2025\n")
    done = Completion.objects.get(step__code="briefing")
    assert (done.valid_from, done.valid_until) == (date(2025, 1, 15), date(2027, 1, 15))  # 24 months


def test_papers_seen_needs_to_know_who_drives():
    text = "Name,Cell\nAnn Marsh,555-555-0123\n"
    assert "No column says who drives today" in looked_at(text).notices[0]
    bring_in(text)
    assert ready() == set()
    assert not looked_at(text, everybody_drives=True).notices
    bring_in(text, everybody_drives=True)
    assert ready() == {"Ann Marsh"}


def test_a_paper_the_programme_does_not_ask_for_is_said():
    Step.objects.get(code="insurance").terms.all().delete()
    (notice,) = looked_at().notices
    assert notice == "“Insurance expiration” is not recorded: the programme has no step for it."
    bring_in()
    assert not Completion.objects.filter(step__code="insurance").exists()


# --- Once only ---------------------------------------------------------------------------------
@pytest.mark.parametrize("papers_seen", [True, False])
def test_the_same_file_again_changes_nothing(papers_seen):
    bring_in(papers_seen=papers_seen)
    before = rows()
    again = looked_at(papers_seen=papers_seen)
    assert again.counts == {"already there, nothing changes": 5}
    assert not again.changes_anything
    assert apply(again, by=None) == []
    assert rows() == before


def test_the_same_file_again_changes_nothing_where_a_site_asks_for_something_too():
    """What a site asks for, its door notes among it, is recorded once as well."""
    site = SiteFactory()
    publish(site, {"entrance": "The blue door"}, by=None, at=NOON)
    add_step(kind="ride", title="Ride there", site=site, from_day=TODAY, by=None, at=NOON)
    bring_in()
    before = rows()
    assert Completion.objects.filter(step__site=site).exists()
    assert not looked_at().changes_anything
    assert rows() == before


def test_a_column_is_about_the_shipped_step_and_about_no_other_of_its_kind():
    photo = add_step(kind="form", title="Photo release", from_day=TODAY, by=None, at=NOON)
    [ana] = bring_in(b"Name,Phone,Waiver signed\nAna Reyes,614 555 0101,yes\n", papers_seen=False)
    assert {completion.step.code for completion in ana.completions.all()} == {"form"}
    assert not photo.completions.exists()


def test_the_same_file_months_later_renews_nothing():
    bring_in()
    later = preview(ROSTER, today=TODAY + timedelta(60), papers_seen=True)
    assert not later.changes_anything


def test_what_was_taken_back_stays_taken_back():
    bring_in()
    odalys = Person.objects.get(name="Odalys Marsh")
    for completion in odalys.completions.all():
        withdraw(completion, reason="Entered by mistake.", by=None)
    assert not looked_at().changes_anything


def test_a_corrected_file_changes_only_what_was_corrected():
    bring_in()
    text = ROSTER.decode("cp1252").replace("(555) 555-0123", "555-555-0177").replace("3/1/2027", "12/1/2026")
    found = looked_at(text)
    assert found.counts == {"already there, changes": 1, "already there, nothing changes": 4}
    assert "phone changes from +15555550123 to +15555550177" in found.rows[0].in_words
    assert found.rows[0].ticks == ()  # an earlier date than the one recorded
    assert [person.name for person in apply(found, by=None)] == ["Odalys Marsh"]
    assert Person.objects.get(name="Odalys Marsh").phone.as_e164 == "+15555550177"
    assert not looked_at(text).changes_anything


def test_a_date_that_follows_ends_the_thirty_days_where_it_is_earlier():
    """Nobody drives past the date on the paper because it was once "to follow"."""
    text = "Name,Cell,Driver,DL exp\nAnn Marsh,555-555-0123,yes,{}\n"
    bring_in(text.format(""))
    bring_in(text.format("12/1/2026"))
    assert ready(date(2026, 12, 1)) == {"Ann Marsh"}
    assert ready(date(2026, 12, 2)) == set()
    assert not looked_at(text.format("12/1/2026")).changes_anything


# --- All or nothing ---------------------------------------------------------------------------------
def test_one_bad_row_stops_all():
    before = rows()
    found = looked_at("Name,Cell\nAnn Marsh,555-555-0123\nBo Ray,555\n")
    assert found.counts == {"new": 1, "to correct": 1}
    assert not found.may_apply
    assert [str(problem) for problem in found.problems] == [
        "Line 3, Cell: “555” There are digits missing in this phone number. A US number has ten."
    ]
    with pytest.raises(NotApplied, match="rows to correct"):
        apply(found, by=None)
    assert rows() == before


def test_a_question_stops_all_until_it_is_answered():
    text = "Name,Phone,Cell\nAnn Marsh,555-555-0123,555-555-0188\n"
    with pytest.raises(NotApplied):
        apply(looked_at(text), by=None)
    (person,) = bring_in(text, chosen={"phone": 3})
    assert person.phone == "+15555550188"


def test_a_failure_in_the_middle_leaves_nothing_behind(monkeypatch):
    before, calls = rows(), []

    def fails_at_last(*args, **kwargs):
        calls.append(args)
        if len(calls) == 5:
            raise RuntimeError("the power fails")
        return original(*args, **kwargs)

    original = applying.add_person
    monkeypatch.setattr(applying, "add_person", fails_at_last)
    with pytest.raises(RuntimeError, match="the power fails"):
        bring_in()
    assert rows() == before


def test_a_preview_that_people_have_overtaken_is_refused():
    found = looked_at()
    apply(found, by=None)
    before = rows()
    with pytest.raises(NotApplied, match="people have changed meanwhile"):
        apply(found, by=None)
    assert rows() == before
    ann = PersonFactory(name="Ann Marsh", phone="+15555550123")
    found = looked_at("Name,Cell,Language\nAnn Marsh,555-555-0123,Spanish\n")
    change_person(ann, by=None, language="es")
    with pytest.raises(NotApplied, match="people have changed meanwhile"):
        apply(found, by=None)


@pytest.mark.django_db(transaction=True)
def test_two_who_bring_in_the_same_file_at_once_make_nobody_twice():
    found, start, results = looked_at(), threading.Barrier(2), []

    def one():
        start.wait(30)
        try:
            results.append(len(apply(found, by=None)))
        except NotApplied:
            results.append("refused")
        finally:
            connection.close()

    threads = [threading.Thread(target=one) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(results, key=str) == [5, "refused"]
    assert Person.objects.count() == 5


# --- Size ---------------------------------------------------------------------------------------------
@pytest.mark.parametrize("people", [10, 300])
def test_looking_asks_five_queries_however_many_people_there_are(people, django_assert_num_queries):
    """Steps in force, cars, hours, completions, people."""
    PersonFactory.create_batch(people)
    with django_assert_num_queries(5):
        looked_at()


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "nothing in it"),
        (b"PK\x03\x04rest", "workbook"),
        (b"x" * (LARGEST + 1), "larger than 5 MB"),
        ("no headings\nhere\n", "No row of headings"),
        ("E-mail,Cell\nann@example.org,555-555-0123\n", "heading Name"),
    ],
)
def test_what_cannot_be_read_is_one_plain_problem(data, says):
    found = looked_at(data)
    assert says in str(found.problems[0])
    assert not found.may_apply
    assert found.counts == {}


# --- Nobody is locked out on the first day ------------------------------------------------
def test_current_drivers_may_drive_to_sites_whose_door_notes_were_there_first():
    site = SiteFactory()
    publish(site, {"entrance": "The blue door"}, by=None, at=NOON)
    bring_in()
    drivers = cleared(Person.objects.drivers(), on=TODAY, sites=[site.pk])
    assert {person.name for person in drivers} == ready() != set()


@pytest.mark.parametrize("known", [True, False])
def test_door_notes_written_afterwards_count_as_known_where_the_coordinator_says_so(known):
    bring_in()
    site = SiteFactory()
    publish(site, {"entrance": "The blue door"}, by=None, drivers_know_it=known, at=NOON)
    drivers = cleared(Person.objects.drivers(), on=TODAY, sites=[site.pk])
    assert {person.name for person in drivers} == (ready() if known else set())

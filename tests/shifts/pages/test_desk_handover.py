"""The printed handover: all that whoever keeps the desk next should know."""

from datetime import time

import pytest
import time_machine

from shifts.models import Booking, Search, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats.pairing import propose
from sites.changes import close_site, set_contacts
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_ready,
    make_run,
    put,
    ready_person,
)
from tests.shifts.pages.at_the_desk import DAY, NOW, TODAY, desk_client, queries_of, text_of
from volunteers.doors import publish
from volunteers.models import Join, Message

pytestmark = pytest.mark.django_db
PAGE = "/desk/handover/"


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return desk_client(coordinator())


def build(number, sites):
    """Runs with and without drivers, weekly runs, people, papers, joins and messages, `number` of each."""
    for n in range(number):
        lead = lead_driver(name=f"Lea {n} Linden")
        put(lead, make_run(starts_at=NOW + DAY + n % 9 * DAY, sites=sites, title=f"Market {n}"))
        make_run(starts_at=NOW + 2 * DAY, sites=sites, title=f"Bakery {n}")
        ready_person(name=f"Abe {n} Ash")
        make_ready(PersonFactory(name=f"Pia {n} Paper"), until=TODAY + 5 * DAY)
        make_ready(PersonFactory(name=f"Tom {n} Trainee"), without=("ride",))
        asking = PersonFactory(name=f"Ida {n} New", asking_since=TODAY)
        Join.objects.create(person=asking, asked_at=NOW)
        plan = Plan(rule="FREQ=WEEKLY;BYDAY=MO", starts=time(8), minutes=60, stops=[(s.pk, 0) for s in sites])
        shift = add_shift(name=f"Weekly {n}", plan=plan, from_day=TODAY, by=None)
        Standing.objects.create(shift=shift, person=lead, anchor=TODAY, from_day=TODAY, made_at=NOW)
        site = SiteFactory(name=f"Dock {n}")
        set_contacts(site, [{"name": f"Uma {n}", "role": "dock", "phone": "+15555550177"}], by=None)
        publish(site, {"entrance": f"The blue door {n}"}, by=None)
        close_site(site, first=TODAY + DAY, last=TODAY + DAY, by=None)
        Message.objects.create(
            key=f"tell{asking.pk}", kind="x", person=asking, subject=f"Say hello {n}", text="x",
            state=Message.State.TELL, next_try_at=NOW, created_at=NOW,
        )  # fmt: skip
        run = make_run(starts_at=NOW + 3 * DAY, sites=sites, title=f"Asked {n}")
        Search.objects.create(run=run, opened_at=NOW)


@pytest.fixture
def sites():
    return [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen")]


def test_everything_stands_in_one_document(desk, sites):
    build(1, sites)
    page = text_of(desk.get(PAGE))
    for words in (
        "Market 0", "Lea 0 Linden", "Bakery 0", "needs a driver",  # runs of the two weeks
        "Weekly 0", "Every Monday", "every run",  # weekly runs with their regular drivers
        "Dock 0", "Uma 0", "The blue door 0", "Closed Wed, Jun 3",  # sites
        "Abe 0 Ash", "Lead drivers", "Asked 0",
        "Ida 0 New", "Say hello 0", "Tom 0 Trainee",
        "Pia 0 Paper: Car insurance card runs out Sun, Jun 7",
    ):  # fmt: skip
        assert words.lower() in page.lower(), words


def test_runs_of_two_weeks_and_no_more(desk, sites):
    make_run(starts_at=NOW + 13 * DAY, sites=sites, title="Last of them")
    make_run(starts_at=NOW + 14 * DAY, sites=sites, title="Too late")
    page = text_of(desk.get(PAGE))
    assert "Last of them" in page
    assert "Too late" not in page


def test_in_an_empty_programme_it_says_what_is_missing(desk):
    page = text_of(desk.get(PAGE))
    for words in ("No runs in these two weeks.", "Nothing is open.", "No weekly runs yet.", "No sites yet."):
        assert words in page


def test_people_who_are_not_ready_are_not_listed_to_call(desk):
    PersonFactory(name="Nia Notready")
    make_ready(PersonFactory(name="Bo Away", paused_on=TODAY))
    assert desk.get(PAGE).context["people"] == {"leads": [], "ready": []}


def test_a_ride_is_to_arrange_for_whoever_lacks_nothing_else_and_is_not_asked(desk, sites):
    make_ready(PersonFactory(name="Tom Trainee"), without=("ride",))
    PersonFactory(name="Newly Here")
    asked = make_ready(PersonFactory(name="Ada Asked"), without=("ride",))
    lead = lead_driver()
    run = make_run(starts_at=NOW + 4 * DAY, sites=sites)
    put(lead, run)
    propose(run=run, trainee=asked, lead=lead, by=None)
    found = desk.get(PAGE).context["open"]
    assert [person.name for person in found["rides"]] == ["Tom Trainee"]
    assert len(found["proposed"]) == 1


def test_what_is_asked_about_stands_in_the_order_of_the_runs(desk, sites):
    for days, title in ((5, "Later run"), (4, "Sooner run")):
        run = make_run(starts_at=NOW + days * DAY, sites=sites, title=title)
        Search.objects.create(run=run, opened_at=NOW)
    sooner, later = desk.get(PAGE).context["open"]["searches"]
    assert sooner.startswith("Sooner run")
    assert later.startswith("Later run")


def test_a_seat_that_was_given_back_is_a_gap(desk, sites):
    booking = put(lead_driver(name="Ana Reyes"), make_run(starts_at=NOW + DAY, sites=sites))
    Booking.objects.filter(pk=booking.pk).update(ended_at=NOW, end="given back")
    [day] = desk.get(PAGE).context["days"]
    assert day["runs"][0]["driver"]["state"] == "empty"


def test_it_asks_as_often_for_ten_of_everything_as_for_one(desk, sites):
    build(2, sites)
    few, _sql = queries_of(desk, PAGE)
    build(8, sites)
    many, sql = queries_of(desk, PAGE)
    assert many == few, sql

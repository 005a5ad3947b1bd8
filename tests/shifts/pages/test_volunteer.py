"""The volunteer's pages: my next run, runs with room, one run, its seats, the lead driver's word."""

from datetime import date, timedelta

import pytest
import time_machine
from django.utils import timezone
from django.utils.translation import trans_real

from shifts.models import Booking, Policy, Run
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run
from shifts.seats.rides import sign_off_ride
from sites.changes import close_site, set_contacts
from sites.models import Event, Programme
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
from tests.shifts.pages.at_the_desk import DAY, NONSENSE, NOW, TODAY, queries_of, said, text_of
from volunteers.doors import publish, read
from volunteers.models import Completion, Join, Message, Person, SignOff, Step
from volunteers.people import leave, sign_in_for
from volunteers.progress import complete, withdraw

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)
DRIVER, SECOND = Booking.Seat.DRIVER, Booking.Seat.SECOND


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ana(client):
    """Ready to drive alone, and signed in."""
    person = make_ready(PersonFactory(name="Ana Bell", phone="+15555550111", sign_in=True))
    client.force_login(person.user)
    return person


@pytest.fixture
def tom(client):
    """Lacks the shadow ride alone, and is signed in."""
    person = make_ready(PersonFactory(name="Tom Wren", sign_in=True), without=("ride",))
    client.force_login(person.user)
    return person


@pytest.fixture
def lee():
    return lead_driver(name="Lee Lead", phone="+15555550122", sign_in=True)


def at(run):
    return f"/runs/{run.pk}/"


def book(client, run, seat=DRIVER):
    return client.post(f"/runs/{run.pk}/book/", {"seat": seat})


def back(client, run, **words):
    return client.post(f"/runs/{run.pk}/give-back/", words)


def live(run):
    return {booking.seat: booking.person for booking in run.bookings.live()}


def words_of(answer):
    return text_of(answer).replace("&#x27;", "'")


# --- my next run


class TestVisitor:
    def test_reads_what_this_is_and_whom_to_ask(self, client):
        Programme.objects.update_or_create(
            pk=1, defaults={"name": "Plum Run", "town": "Fernhollow", "contact_phone": "+15555550100"}
        )
        page = words_of(client.get("/"))
        assert "Plum Run picks up food in Fernhollow" in page
        assert 'href="/account/login/"' in page
        assert 'href="tel:+15555550100"' in page

    def test_sees_no_run_and_nobody(self, client):
        put(ready_person(name="Hidden Person"), make_run(title="Hidden run"))
        page = words_of(client.get("/"))
        assert "Hidden" not in page

    def test_a_sign_in_that_is_nobody_s_is_told_what_to_do(self, client):
        client.force_login(sign_in_for("lost@example.org"))
        page = words_of(client.get("/"))
        assert "Nobody on the list has lost@example.org now" in page

    def test_somebody_who_left_sees_it_too(self, client, ana):
        leave(ana, by=None)
        assert "Nobody on the list has" in words_of(client.get("/"))

    def test_whoever_was_declined_is_told_kindly_and_not_to_ask_for_their_address(self, client, ana):
        Join.objects.create(person=ana, state="declined", asked_at=NOW, settled_at=NOW)
        type(ana).objects.filter(pk=ana.pk).update(left_on=NOW.date())
        page = words_of(client.get("/"))
        assert "Your request to join was answered" in page
        assert "no volunteer goes with this address" not in page

    def test_a_coordinator_without_a_person_is_shown_the_desk(self, client):
        user = sign_in_for("desk@example.org")
        user.is_coordinator = True
        user.save()
        client.force_login(user)
        assert 'href="/desk/"' in words_of(client.get("/"))


class TestHome:
    def test_the_next_run_with_all_it_needs(self, client, ana, tom, lee):
        client.force_login(ana.user)
        dock = SiteFactory(name="Plum Dock", street="1 Plum Street")
        set_contacts(dock, [{"name": "Teo", "role": "receiving", "phone": "+15555550171"}], by=None)
        publish(dock, {"entrance": "The blue door"}, by=None)
        soon = make_run(title="Soon run", starts_at=NOW + DAY, sites=[dock, DropOffFactory()], crates=12)
        put(ana, soon)
        put(tom, soon, SECOND)
        put(ana, make_run(title="Later run", starts_at=NOW + 5 * DAY))
        put(ana, make_run(title="Past run", starts_at=NOW - 5 * DAY))
        put(lee, make_run(title="Not mine", starts_at=NOW + DAY))
        page = client.get("/")
        text = words_of(page)
        assert page.context["next_run"]["title"] == "Soon run"
        for words in ("Plum Dock", "The blue door", "Teo", "tel:+15555550171", "about 12 crates expected"):
            assert words in text
        assert "Tom" in text
        assert f'href="tel:{tom.phone.as_e164}"' in text
        assert [card["title"] for card in page.context["later"]] == ["Later run"]
        assert "Past run" not in text
        assert "Not mine" not in text
        assert f'href="/runs/{soon.pk}/give-back/"' in text

    def test_a_run_under_way_is_still_the_next_one(self, client, ana):
        put(ana, make_run(title="Under way", starts_at=NOW - HOUR / 2))
        assert client.get("/").context["next_run"]["title"] == "Under way"

    def test_a_cancelled_or_given_back_run_is_not(self, client, ana):
        off, gone = make_run(), make_run(starts_at=NOW + 4 * DAY)
        put(ana, off)
        give_back(put(ana, gone), by=None)
        cancel_run(off, reason="Dock is shut", by=None)
        page = client.get("/")
        assert page.context["next_run"] is None
        assert "No run yet" in words_of(page)

    def test_a_trainee_reads_that_the_lead_driver_is_gone(self, client, tom, lee):
        run = make_run()
        driven = put(lee, run)
        put(tom, run, Booking.Seat.SECOND)
        client.force_login(tom.user)
        words = "No lead driver drives this run now."
        for page in ("/", at(run)):
            assert words not in words_of(client.get(page))
        give_back(driven, by=lee.user)
        for page in ("/", at(run)):
            assert words in words_of(client.get(page))
        assert "Meet your driver" not in words_of(client.get(at(run)))

    def test_but_no_helper_who_is_ready(self, client, ana):
        run = make_run()
        put(ana, run, Booking.Seat.SECOND)
        assert "No lead driver" not in words_of(client.get("/"))

    def test_a_closed_site_is_said(self, client, ana):
        run = make_run()
        put(ana, run)
        close_site(run.ordered_stops[0].site, first=run.local_date, last=run.local_date, by=None)
        assert "Closed that day:" in words_of(client.get("/"))

    def test_a_paper_that_will_have_run_out_by_then(self, client):
        person = make_ready(PersonFactory(sign_in=True), until=TODAY + 2 * DAY)
        client.force_login(person.user)
        put(person, make_run(title="In time", starts_at=NOW + DAY))
        put(person, make_run(title="Too late", starts_at=NOW + 9 * DAY))
        page = client.get("/")
        assert not page.context["next_run"]["missing"]
        (card,) = page.context["later"]
        assert card["note"] == "Still missing: Driver's license, Car insurance card"
        assert {one["name"] for one in page.context["expiring"]} == {"Driver's license", "Car insurance card"}

    def test_somebody_new_sees_what_is_missing(self, client):
        client.force_login(PersonFactory(sign_in=True).user)
        page = words_of(client.get("/"))
        assert "Your next step" in page
        assert "Driver briefing" in page
        assert 'href="/orientation/"' in page

    def test_somebody_who_only_sorts_is_not_pressed(self, client):
        client.force_login(PersonFactory(sign_in=True, drives=False).user)
        page = words_of(client.get("/"))
        assert "You are on the list as somebody who does not drive" in page
        assert "missing before" not in page

    def test_a_coordinator_who_drives_finds_the_desk(self, client):
        client.force_login(coordinator().user)
        assert 'href="/desk/"' in words_of(client.get("/"))

    def test_the_lead_driver_is_reminded_of_rides_that_wait(self, client, tom, lee):
        ridden, partner = make_run(starts_at=NOW - DAY), make_run(starts_at=NOW - 2 * DAY)
        put(lee, ridden)
        put(tom, ridden, SECOND)
        put(lee, partner)
        put(ready_person(name="Pat Ready"), partner, SECOND)
        client.force_login(lee.user)
        assert "Your word on Tom: Morning run, Mon, Jun 1" in words_of(client.get("/"))
        assert "Pat" not in words_of(client.get("/"))
        sign_off_ride(run=ridden, lead=lee, outcome="ready", by=lee.user)
        assert "Your word on" not in words_of(client.get("/"))

    def test_a_household_sees_for_whom_it_acts_and_can_switch(self, client, ana):
        assert "You act for" not in words_of(client.get("/"))
        ben = PersonFactory(name="Ben Bell", email=ana.email, user=ana.user)
        put(ben, make_run(title="Ben's run"), SECOND)
        text = words_of(client.get("/"))
        assert "You act for Ana now" in text
        assert "Ben's run" not in text
        assert f'<input type="hidden" name="person" value="{ben.pk}">' in text
        client.post("/me/act-for/", {"person": ben.pk})
        text = words_of(client.get("/"))
        assert "You act for Ben now" in text
        assert "Ben's run" in text

    def test_queries_do_not_grow_with_my_runs(self, client, ana):
        """Programme, session, user, people of the sign-in; my runs, their stops with sites, who sits in them;
        the steps asked, met, missing and done; household; of the next run: newest door notes, those read,
        its sites' contacts."""
        put(ana, make_run())
        first, _sql = queries_of(client, "/")
        for n in range(1, 30):
            put(ana, make_run(starts_at=NOW + (3 + n) * DAY))
        count, sql = queries_of(client, "/")
        assert count == first, sql
        assert len(client.get("/").context["later"]) == 29


# --- runs with room


def marks(client, **query):
    page = client.get("/runs/", query)
    assert page.status_code == 200
    return {card["title"]: card["mark"] for day in page.context["days"] for card in day["runs"]}


class TestRuns:
    def test_by_day_with_both_seats(self, client, ana, lee):
        make_run(title="One", starts_at=NOW + DAY, crates=1)
        two = make_run(title="Two", starts_at=NOW + 2 * DAY)
        make_run(title="Three", starts_at=NOW + 2 * DAY + HOUR)
        put(lee, two)
        days = client.get("/runs/").context["days"]
        assert [(day["date"], day["count"]) for day in days] == [
            (date(2026, 6, 3), "1 run"),
            (date(2026, 6, 4), "2 runs"),
        ]
        driver, second = days[1]["runs"][0]["seats"]
        assert (driver["state"], driver["word"], driver["note"]) == ("taken", "Lee", "lead driver")
        assert (second["state"], second["word"]) == ("empty", "room for one")

    def test_what_i_may_take(self, client, ana, lee):
        make_run(title="Free")
        led = make_run(title="Led")
        put(lee, led)
        assert marks(client) == {"Free": "You can drive this one", "Led": "Ride along with Lee"}

    def test_a_trainee_sees_rides_first_and_what_is_missing_for_the_rest(self, client, tom, lee):
        make_run(title="Free", starts_at=NOW + 3 * DAY)
        led = make_run(title="Led", starts_at=NOW + 3 * DAY + HOUR)
        put(lee, led)
        (day,) = client.get("/runs/").context["days"]
        assert [(card["title"], card["mark"]) for card in day["runs"]] == [
            ("Led", "Ride along with Lee"),
            ("Free", "Needs somebody who is ready to drive alone"),
        ]
        assert day["runs"][1]["missing"] == ["Shadow ride"]
        assert "1 step is missing before you drive alone. Until then you can ride along." in words_of(
            client.get("/runs/")
        )

    def test_the_gate_is_asked_for_each_run_s_own_date_and_sites(self, client):
        dock = SiteFactory(name="Plum Dock")
        publish(dock, {"entrance": "Blue"}, by=None)
        person = make_ready(PersonFactory(sign_in=True), until=TODAY + 2 * DAY)
        Completion.objects.filter(step__kind="doors").delete()
        client.force_login(person.user)
        make_run(title="In time", starts_at=NOW + DAY)
        make_run(title="Unknown door", starts_at=NOW + DAY, sites=[dock, DropOffFactory()])
        make_run(title="Too late", starts_at=NOW + 3 * DAY)
        cards = {card["title"]: card for day in client.get("/runs/").context["days"] for card in day["runs"]}
        assert cards["In time"]["open"] == DRIVER
        assert (cards["Unknown door"]["open"], cards["Unknown door"]["mark"]) == (
            DRIVER,
            "Read the door notes and drive",
        )
        assert cards["Too late"]["missing"] == ["Driver's license", "Car insurance card"]

    def test_not_beside_another_run_of_mine(self, client, ana):
        put(ana, make_run(title="Mine"))
        make_run(title="Same hour")
        make_run(title="Hours later", starts_at=NOW + 3 * DAY + 8 * HOUR)
        found = marks(client)
        assert found["Same hour"] == "You are on another run then: Mine"
        assert found["Hours later"] == "You can drive this one"

    def test_runs_without_room_are_left_out(self, client, ana, lee):
        full, lone, off, shut, past = (make_run(title=t) for t in ("Full", "Lone", "Off", "Shut", "Past"))
        put(lee, full)
        put(PersonFactory(), full, SECOND)
        put(ready_person(), lone)  # no lead driver: the second seat is not for trainees
        cancel_run(off, reason="", by=None)
        close_site(shut.ordered_stops[0].site, first=shut.local_date, last=shut.local_date, by=None)
        Run.objects.filter(pk=past.pk).update(starts_at=NOW - HOUR, ends_at=NOW, local_date=TODAY)
        make_run(title="Beyond", starts_at=NOW + timedelta(weeks=8, hours=1))
        assert marks(client) == {}
        assert marks(client, **{"from": "2026-07-28"}) == {}
        assert "No room in these days" in words_of(client.get("/runs/"))

    def test_week_by_week_as_far_as_runs_are_open(self, client, ana):
        make_run(title="Today", starts_at=NOW + HOUR)
        make_run(title="Day 7", starts_at=NOW + 6 * DAY)
        make_run(title="Day 8", starts_at=NOW + 7 * DAY)
        make_run(title="Last", starts_at=NOW + 8 * 7 * DAY)
        assert set(marks(client)) == {"Today", "Day 7"}
        seen, address, pages = set(), "/runs/", 0
        while address:
            page = client.get(address)
            seen |= {card["title"] for day in page.context["days"] for card in day["runs"]}
            later = page.context["later"]
            address, pages = f"/runs/?from={later}" if later else "", pages + 1
        assert seen == {"Today", "Day 7", "Day 8", "Last"}
        assert pages == 9  # 8 weeks and the day on which the last of them ends
        assert client.get("/runs/?from=2026-06-09").context["earlier"] == TODAY

    def test_fewer_weeks_shown(self, client, ana):
        Policy.objects.update_or_create(pk=1, defaults={"weeks_shown": 1})
        make_run(title="In", starts_at=NOW + 6 * DAY)
        make_run(title="Out", starts_at=NOW + 8 * DAY)
        assert set(marks(client)) | set(marks(client, **{"from": "2026-06-09"})) == {"In"}

    @pytest.mark.parametrize("when", [*NONSENSE, "2026-13-01", "1900-01-01", "2026-6-3x"])
    def test_an_absurd_day_shows_a_week_all_the_same(self, client, ana, when):
        make_run(title="Soon")
        page = client.get("/runs/", {"from": when})
        assert page.status_code == 200

    def test_somebody_who_only_sorts_is_told_why_there_is_nothing(self, client):
        client.force_login(PersonFactory(sign_in=True, drives=False).user)
        make_run(title="Free")
        assert marks(client) == {"Free": ""}
        assert "somebody who does not drive" in words_of(client.get("/runs/"))

    def test_no_phone_stands_in_the_list(self, client, ana, lee):
        put(lee, make_run())
        page = words_of(client.get("/runs/"))
        assert "Lee" in page
        assert "Lead<" not in page
        assert "555-0122" not in page

    @pytest.mark.parametrize("number", [10, 1_000])
    def test_queries_do_not_grow_with_runs(self, client, number):
        """Programme, who covers, session, user, people of the sign-in; the policy; the week's runs with what
        the gate lacks on each, their stops with sites, who sits in them; the steps that are lacking; my own
        runs, their stops, who sits in them; the gate for today."""
        person = make_ready(PersonFactory(sign_in=True), until=TODAY + 3 * DAY)
        client.force_login(person.user)
        sites, lead = [SiteFactory(), DropOffFactory()], lead_driver()
        put(person, make_run(starts_at=NOW + DAY, sites=sites))
        for n in range(number):
            run = make_run(starts_at=NOW + DAY + n % 6 * DAY + n * timedelta(seconds=1), sites=sites)
            if n % 3 == 0:
                put(lead, run)
        count, sql = queries_of(client, "/runs/")
        shown = sum(len(day["runs"]) for day in client.get("/runs/").context["days"])
        assert shown == number
        assert count == 14, sql


# --- one run


class TestRun:
    def test_stops_in_order_with_times_doors_and_a_map(self, client, ana):
        dock = SiteFactory(name="Plum Dock", street="1 Plum Street", latitude=40.5, longitude=-83.25)
        bare = DropOffFactory(name="Oak Pantry", latitude=None, longitude=None)
        publish(dock, {"entrance": "The blue door", "parking": "Bay 2"}, by=None)
        run = make_run(sites=[dock, bare], crates=12, note="Bring a strap")
        page = client.get(at(run))
        first, last = page.context["stops"]
        assert (first["what"], first["name"], first["at"]) == ("Pickup", "Plum Dock", run.starts_at)
        assert (last["what"], last["at"]) == ("Drop-off", run.starts_at + timedelta(minutes=30))
        assert last["map_url"] == ""
        # RFC 5870: geo:latitude,longitude
        assert first["map_url"].startswith("geo:40.500000,-83.250000?q=40.500000,-83.250000(Plum")
        text = words_of(page)
        for words in ("The blue door", "Bay 2", "about 12 crates expected", "Bring a strap", "1 Plum Street"):
            assert words in text
        assert text.index("Plum Dock") < text.index("Oak Pantry")
        assert "10:00 a.m." in text  # New York, not UTC

    def test_cautions_name_their_sources_and_defer(self, client, ana):
        text = words_of(client.get(at(make_run())))
        # FDA Food Code 2022, 3-501.16: 41 F; 2-201.11 to .13: who stays home. Box: a gleaning handbook.
        for words in (
            "41 °F or below", "3-501.16", "2-201.11 to 2-201.13", "about 40 lb", "common practice",
            "your local health authority's rules come first", "insurer",
        ):  # fmt: skip
            assert words in text

    def test_names_are_first_names_and_phones_are_for_those_on_it(self, client, ana, tom, lee):
        dock = SiteFactory()
        set_contacts(dock, [{"name": "Teo Dockhand", "role": "", "phone": "+15555550171"}], by=None)
        run = make_run(sites=[dock, DropOffFactory()])
        put(lee, run)
        for outsider in (ana, tom):
            client.force_login(outsider.user)
            text = words_of(client.get(at(run)))
            assert "Lee" in text
            for private in ("Lee Lead", "555-0122", "5550122", "Teo", "5550171", lee.email):
                assert private not in text
        put(tom, run, SECOND)
        text = words_of(client.get(at(run)))
        assert 'href="tel:+15555550122"' in text
        assert 'href="tel:+15555550171"' in text
        assert lee.email not in text
        client.force_login(lee.user)
        assert f'href="tel:{tom.phone.as_e164}"' in words_of(client.get(at(run)))

    def test_door_notes_that_changed_since_i_read_them_stand_open(self, client, ana):
        dock = SiteFactory()
        publish(dock, {"entrance": "The blue door"}, by=None)
        read(dock, person=ana, revision=1, by=None)
        run = make_run(sites=[dock, DropOffFactory()])
        assert not client.get(at(run)).context["stops"][0]["door"]["is_new"]
        publish(dock, {"entrance": "The green door"}, by=None)
        assert client.get(at(run)).context["stops"][0]["door"]["is_new"]

    def test_of_a_past_run_only_those_on_it(self, client, ana, tom):
        run = make_run(starts_at=NOW - 2 * DAY)
        put(tom, run)
        assert client.get(at(run)).status_code == 200
        assert "This run is over." in words_of(client.get(at(run)))
        client.force_login(ana.user)
        assert client.get(at(run)).status_code == 404
        desk = coordinator()
        client.force_login(desk.user)
        assert client.get(at(run)).status_code == 200

    def test_whoever_gave_it_back_still_sees_it_but_nobody_s_phone(self, client, ana, tom, lee):
        run = make_run(starts_at=NOW + DAY)
        put(lee, run)
        put(tom, run, SECOND)  # tom is signed in
        assert "5550122" in words_of(client.get(at(run)))
        back(client, run)
        assert "5550122" not in words_of(client.get(at(run)))
        with time_machine.travel(NOW + 3 * DAY, tick=False):
            page = client.get(at(run))
        assert page.status_code == 200
        assert "5550122" not in words_of(page)

    def test_a_run_its_weekly_rule_dropped_is_for_those_who_were_on_it(self, client, ana, tom):
        run = make_run()
        put(tom, run)
        Run.objects.filter(pk=run.pk).update(cancelled_at=NOW, cancel_cause=Run.Cause.RULE)
        assert client.get(at(run)).status_code == 200
        client.force_login(ana.user)
        assert client.get(at(run)).status_code == 404

    def test_a_run_that_volunteers_do_not_see_yet(self, client, ana):
        assert client.get(at(make_run(starts_at=NOW + timedelta(weeks=8, hours=1)))).status_code == 404

    def test_a_run_that_is_not_there(self, client, ana):
        for address in ("/runs/999999/", "/runs/99999999999999999/"):
            assert client.get(address).status_code == 404
            assert client.post(f"{address}book/", {"seat": "driver"}).status_code == 404
            assert client.post(f"{address}give-back/").status_code == 404
            assert client.post(f"{address}sign-off/").status_code == 404

    def test_a_coordinator_finds_it_at_the_desk(self, client, ana):
        run = make_run()
        assert f"/desk/runs/{run.pk}/" not in words_of(client.get(at(run)))
        client.force_login(coordinator().user)
        assert f'href="/desk/runs/{run.pk}/"' in words_of(client.get(at(run)))

    def test_wrong_methods(self, client, ana):
        run = make_run()
        for address in ("/", "/runs/", at(run)):
            assert client.post(address).status_code == 405
        for address in ("book", "sign-off"):
            assert client.get(f"{at(run)}{address}/").status_code == 405
        assert client.put(f"{at(run)}give-back/").status_code == 405

    def test_a_visitor_signs_in_first_and_comes_back(self, client):
        run = make_run()
        assert client.get(at(run))["Location"] == f"/account/login/?next={at(run)}"
        assert book(client, run)["Location"].startswith("/account/login/")
        assert back(client, run)["Location"].startswith("/account/login/")
        assert not Booking.objects.exists()


# --- taking a seat


class TestBook:
    def test_two_taps_from_the_list(self, client, ana):
        run = make_run(starts_at=NOW + 3 * DAY)
        assert f'href="{at(run)}"' in words_of(client.get("/runs/"))
        assert "Take the driver's seat" in words_of(client.get(at(run)))  # the first tap
        answer = client.post(f"{at(run)}book/", {"seat": "driver"}, follow=True)  # the second
        assert live(run) == {DRIVER: ana}
        text = words_of(answer)
        assert "It is yours. Thank you!" in text
        assert "What happens next" in text
        assert f"An invitation for your calendar goes to {ana.email}." in text
        first = run.ordered_stops[0].site.name
        assert f"Be at {first}: Fri, Jun 5, 10:00 a.m." in text
        assert "Take the driver's seat" not in text
        assert client.get("/").context["next_run"]["title"] == run.title
        assert Message.objects.get(person=ana, kind="booked")
        assert run.bookings.get().booked_by == ana.user

    def test_whoever_gets_no_mail_is_told_how_changes_reach_them(self, client, ana):
        Person.objects.filter(pk=ana.pk).update(reach="call")
        run = make_run()
        text = words_of(client.post(f"{at(run)}book/", {"seat": "driver"}, follow=True))
        assert "the coordinator calls or texts you" in text

    def test_a_trainee_takes_the_second_seat_of_a_lead_driver(self, client, tom, lee):
        run = make_run()
        put(lee, run)
        assert "Take the second seat" in words_of(client.get(at(run)))
        text = words_of(client.post(f"{at(run)}book/", {"seat": "second"}, follow=True))
        assert live(run)[SECOND] == tom
        assert "Meet your driver at" in text

    def test_somebody_not_ready_sees_what_is_missing_where_the_button_was(self, client):
        dock = SiteFactory(name="Plum Dock")
        publish(dock, {"entrance": "Blue"}, by=None)
        client.force_login(PersonFactory(sign_in=True).user)
        run = make_run(sites=[dock, DropOffFactory()])
        for page, status in ((client.get(at(run)), 200), (book(client, run), 409)):
            assert page.status_code == status
            (offer,) = [offer for offer in page.context["refusals"] if offer["seat"] == "driver"]
            assert "Not ready to drive this run alone yet" in offer["why"]
            links = {task["name"]: task["url"] for task in offer["missing"]}
            assert list(links) == [
                "Driver briefing", "Driver's license", "Car insurance card", "Volunteer agreement, signed",
                "Starter kit", "Shadow ride", "Door notes: Plum Dock",
            ]  # fmt: skip
            assert links["Door notes: Plum Dock"].startswith(f"/orientation/doors/{dock.pk}/?next=")
            assert links["Driver briefing"].startswith("/orientation/briefing/?next=")
            assert links["Driver's license"] == ""
            text = words_of(page)
            assert "text them a picture" in text
            assert "Take the driver's seat" not in text
        assert not Booking.objects.exists()

    def test_a_trainee_without_a_lead_driver(self, client, tom):
        run = make_run()
        put(ready_person(), run)
        answer = book(client, run, SECOND)
        assert answer.status_code == 409
        assert "A shadow ride needs a lead driver at the wheel" in words_of(answer)
        assert SECOND not in live(run)

    def test_just_taken(self, client, ana):
        run = make_run()
        put(ready_person(), run)
        answer = book(client, run)
        assert answer.status_code == 409
        text = words_of(answer)
        assert "Just taken: somebody else has this seat now." in text
        assert 'role="alert"' in text
        assert live(run)[DRIVER] != ana

    def test_the_seat_that_is_left_is_offered_beside_the_refusal(self, client, ana, lee):
        run = make_run()
        put(lee, run)
        text = words_of(book(client, run))
        assert "Just taken" in text
        assert "Take the second seat</button>" in text
        assert "Just taken" not in words_of(client.get(at(run)))

    def test_whoever_may_drive_has_one_button(self, client, ana):
        page = client.get(at(make_run()))
        assert [offer["seat"] for offer in page.context["offers"]] == ["driver"]
        assert page.context["refusals"] == []

    def test_a_full_run_says_so(self, client, ana, tom, lee):
        client.force_login(ana.user)
        run = make_run()
        put(lee, run)
        put(tom, run, SECOND)
        text = words_of(client.get(at(run)))
        assert "No seat is left on this run." in text
        assert f"{at(run)}book/" not in text

    def test_what_concerns_both_seats_is_said_once(self, client, ana):
        put(ana, make_run(title="Mine", starts_at=NOW + 3 * DAY))
        run = make_run(starts_at=NOW + 3 * DAY)
        assert words_of(client.get(at(run))).count("Elsewhere at that time: Mine") == 1

    def test_elsewhere_at_that_time(self, client, ana):
        put(ana, make_run(title="Mine", starts_at=NOW + 3 * DAY))
        run = make_run(starts_at=NOW + 3 * DAY + HOUR / 2)
        answer = book(client, run)
        assert answer.status_code == 409
        assert "Elsewhere at that time: Mine, Fri, Jun 5 at 10:00 a.m." in words_of(answer)
        assert not live(run)

    def test_cancelled_and_closed(self, client, ana):
        off, shut = make_run(), make_run()
        cancel_run(off, reason="Dock flooded", by=None)
        close_site(shut.ordered_stops[0].site, first=shut.local_date, last=shut.local_date, by=None)
        for run, words in ((off, "This run is cancelled. Dock flooded"), (shut, "Closed that day:")):
            assert words in words_of(client.get(at(run)))
            answer = book(client, run)
            assert answer.status_code == 409
            assert words in words_of(answer)
        assert not Booking.objects.live().exists()

    def test_started(self, client, ana):
        run = make_run(starts_at=NOW - HOUR / 2)
        answer = book(client, run)
        assert answer.status_code == 409
        assert "This run has started" in words_of(answer)

    @pytest.mark.parametrize(
        ("starts", "words"),
        [(NOW - DAY, "This run is over."), (NOW + timedelta(weeks=9), "This run is not open yet.")],
    )
    def test_a_run_whose_page_is_not_theirs_to_see(self, client, ana, starts, words):
        run = make_run(starts_at=starts)
        answer = book(client, run)
        assert (answer.status_code, answer["Location"]) == (302, "/runs/")
        assert words in said(answer)
        assert not live(run)

    def test_soon_is_possible_with_a_word_about_the_drive(self, client, ana):
        run = make_run(starts_at=NOW + HOUR)
        assert "It starts soon" in words_of(client.get(at(run)))
        book(client, run)
        assert live(run) == {DRIVER: ana}
        assert "It starts soon" not in words_of(client.get(at(make_run(starts_at=NOW + 3 * HOUR))))

    def test_tapped_twice(self, client, ana):
        run = make_run()
        book(client, run)
        answer = book(client, run)
        assert (answer.status_code, answer["Location"]) == (302, at(run))
        assert Booking.objects.count() == 1

    def test_both_seats_for_one(self, client, ana):
        run = make_run()
        book(client, run)
        answer = book(client, run, SECOND)
        assert answer.status_code == 409
        assert "To change seats, give the first one back." in words_of(answer)
        assert live(run) == {DRIVER: ana}

    @pytest.mark.parametrize("seat", [*NONSENSE, "roof", "DRIVER"])
    def test_no_such_seat(self, client, ana, seat):
        answer = book(client, make_run(), seat)
        assert answer.status_code == 400
        assert "Choose a seat" in words_of(answer)
        assert not Booking.objects.exists()

    def test_nobody_can_be_seated_but_oneself(self, client, ana):
        other, run = ready_person(), make_run()
        client.post(f"{at(run)}book/", {"seat": "driver", "person": other.pk, "on_behalf": "1"})
        assert live(run) == {DRIVER: ana}

    def test_for_the_one_the_household_acts_for(self, client, ana):
        ben = make_ready(PersonFactory(name="Ben Bell", email=ana.email, user=ana.user))
        client.post("/me/act-for/", {"person": ben.pk})
        run = make_run()
        book(client, run)
        assert live(run) == {DRIVER: ben}
        client.post("/me/act-for/", {"person": ana.pk})
        text = words_of(client.get(at(run)))
        assert "Ben is on this run; you act for Ana now" in text
        assert "Switch to Ben" in text

    def test_somebody_who_left_is_nobody_here(self, client, ana):
        run = make_run()
        leave(ana, by=None)
        assert book(client, run).status_code == 403
        assert not live(run)

    def test_when_clearance_goes_later_the_page_says_so(self, client, ana):
        run = make_run()
        book(client, run)
        assert not client.get(at(run)).context["missing"]
        withdraw(ana.completions.get(step__code="ride"), reason="Mixed up", by=None)
        text = words_of(client.get(at(run)))
        assert "You are not ready for this run on its date" in text
        assert "Shadow ride" in text


# --- giving it back


class TestGiveBack:
    @pytest.fixture
    def run(self, ana):
        run = make_run(starts_at=NOW + 3 * DAY)
        seat(run=run, person=ana, seat="driver", by=ana.user)
        return run

    def test_with_a_reason_and_undone(self, client, ana, run):
        assert "Give the seat back" in words_of(client.get(f"{at(run)}give-back/"))
        answer = back(client, run, reason="car", note="Back on Friday")
        assert (answer.status_code, answer["Location"]) == (302, at(run))
        ended = run.bookings.get()
        assert (ended.end, ended.end_note) == ("given back", "No car that day. Back on Friday")
        assert ended.ended_by == ana.user
        assert Message.objects.filter(person=ana, kind="ended").exists()
        assert "I can make it after all" in words_of(client.get(at(run)))
        book(client, run)
        assert live(run) == {DRIVER: ana}
        assert "I can make it after all" not in words_of(client.get(at(run)))

    def test_not_undone_once_somebody_else_has_it(self, client, ana, run):
        back(client, run)
        put(ready_person(), run)
        assert "I can make it after all" not in words_of(client.get(at(run)))
        assert book(client, run).status_code == 409

    def test_ill_asks_nothing_more_and_says_when_to_come_back(self, client, ana, run):
        text = words_of(client.post(f"{at(run)}give-back/", {"reason": "ill"}, follow=True))
        # FDA Food Code 2-201.13: 24 hours after vomiting or diarrhea has ended
        assert "no sooner than 24 hours after it has ended" in text
        assert "FDA Food Code 2022, 2-201.13" in text
        assert "your local health authority's rules come first" in text
        assert run.bookings.get().end_note == ""  # nothing about health is kept
        assert "ill" not in str(Event.objects.about(run).values_list("before", "after"))
        assert "24 hours" not in words_of(client.get(at(run)))  # said once

    def test_the_rule_stands_where_the_seat_is_given_back(self, client, ana, run):
        assert "no sooner than 24 hours after it has ended" in words_of(client.get(f"{at(run)}give-back/"))

    def test_why_stays_between_the_person_and_the_coordinator(self, client, ana, tom, lee, run):
        client.force_login(ana.user)
        back(client, run, reason="ill", note="Stomach")
        client.force_login(tom.user)
        text = words_of(client.get(at(run)))
        assert "24 hours" not in text
        assert "Stomach" not in text

    @pytest.mark.parametrize("words", [{}, {"reason": "ghosts", "note": ""}, {"note": "x" * 5_000}])
    def test_never_refused(self, client, ana, run, words):
        assert back(client, run, **words).status_code == 302
        assert not live(run)

    @pytest.mark.parametrize("junk", NONSENSE)
    def test_not_for_nonsense_either(self, client, ana, run, junk):
        assert back(client, run, reason=junk, note=junk).status_code == 302
        assert not live(run)

    def test_the_reason_is_kept_in_the_language_of_the_desk(self, client, ana, run, monkeypatch):
        Person.objects.filter(pk=ana.pk).update(language="es")
        words = trans_real.translation("es")._catalog._catalogs[0]
        monkeypatch.setitem(words, "No car that day", "Sin coche")
        assert "Sin coche" in words_of(client.get(f"{at(run)}give-back/"))
        back(client, run, reason="car")
        assert run.bookings.get().end_note == "No car that day."

    def test_after_the_start(self, client, ana):
        run = make_run(starts_at=NOW - HOUR / 2)
        put(ana, run)
        assert back(client, run).status_code == 302
        assert not live(run)

    def test_soon_asks_for_a_call_as_well(self, client, ana):
        Programme.objects.update_or_create(pk=1, defaults={"contact_phone": "+15555550100"})
        near, far = make_run(starts_at=NOW + DAY), make_run(starts_at=NOW + DAY + 2 * HOUR)
        for run in (near, far):
            put(ana, run)
        page = client.get(f"{at(near)}give-back/")
        assert "please call as well" in words_of(page)
        assert 'href="tel:+15555550100"' in page.content.decode()
        assert "please call" not in words_of(client.get(f"{at(far)}give-back/"))

    def test_the_number_stays_until_somebody_else_drives(self, client, ana, lee):
        Programme.objects.update_or_create(pk=1, defaults={"contact_phone": "+15555550100"})
        near, far = make_run(starts_at=NOW + DAY), make_run(starts_at=NOW + DAY + 2 * HOUR)
        for run in (near, far):
            put(ana, run)
            back(client, run)
        assert "please call as well" in words_of(client.get(at(near)))
        assert "please call" not in words_of(client.get(at(far)))
        put(lee, near)
        assert "please call" not in words_of(client.get(at(near)))

    def test_tapped_twice(self, client, ana, run):
        back(client, run)
        answer = back(client, run)
        assert (answer.status_code, answer["Location"]) == (302, at(run))
        assert Message.objects.filter(person=ana, kind="ended").count() == 1

    def test_looking_gives_nothing_back(self, client, ana, run):
        client.get(f"{at(run)}give-back/", {"reason": "ill"})
        assert live(run) == {DRIVER: ana}

    def test_another_s_seat_is_not_mine_to_give(self, client, ana, tom, run):
        assert client.get(f"{at(run)}give-back/").status_code == 404  # tom is signed in
        assert back(client, run).status_code == 404
        assert live(run) == {DRIVER: ana}

    def test_a_run_that_is_over_keeps_its_record(self, client, ana):
        run = make_run(starts_at=NOW - DAY)
        put(ana, run)
        answer = back(client, run)
        assert answer.status_code == 302
        assert "If you were not on it, tell the coordinator." in said(answer)
        assert live(run) == {DRIVER: ana}


# --- the lead driver's word


class TestSignOff:
    @pytest.fixture
    def ride(self, client, tom, lee):
        """Yesterday's; the lead driver is signed in."""
        run = make_run(starts_at=NOW - DAY)
        put(lee, run)
        put(tom, run, SECOND)
        client.force_login(lee.user)
        return run

    def sign(self, client, run, **words):
        return client.post(f"{at(run)}sign-off/", words)

    def test_ready_lets_them_drive(self, client, tom, lee, ride):
        assert "How did Tom do?" in words_of(client.get(at(ride)))
        answer = self.sign(
            client, ride, outcome="ready", remarks="Calm at the dock", private_remarks="Parks far"
        )
        assert (answer.status_code, answer["Location"]) == (302, at(ride))
        signed = SignOff.objects.get()
        assert (signed.trainee, signed.lead, signed.outcome) == (tom, lee, "ready")
        assert (signed.remarks, signed.private_remarks) == ("Calm at the dock", "Parks far")
        assert seat(run=make_run(), person=tom, seat="driver", by=None).is_live
        client.force_login(tom.user)
        text = words_of(client.get(at(ride)))
        assert "Calm at the dock" in text
        assert "Parks far" not in text
        client.force_login(lee.user)
        text = words_of(client.get(at(ride)))
        assert "Calm at the dock" in text
        assert "Parks far" not in text

    def test_once_more_completes_nothing(self, client, tom, ride):
        self.sign(client, ride, outcome="again")
        assert SignOff.objects.get().completion is None
        assert not tom.completions.filter(step__kind=Step.Kind.RIDE).exists()

    @pytest.mark.parametrize("outcome", NONSENSE)
    def test_refused_with_what_was_typed(self, client, ride, outcome):
        answer = self.sign(client, ride, outcome=outcome, remarks="Keep these words")
        assert answer.status_code == 200
        text = words_of(answer)
        assert "Choose one of the two." in text
        assert "Keep these words" in text
        assert not SignOff.objects.exists()

    def test_too_long_a_word(self, client, ride):
        answer = self.sign(client, ride, outcome="ready", remarks="x" * 2_001)
        assert "at most 2000 characters" in words_of(answer)
        assert not SignOff.objects.exists()

    def test_once(self, client, ride):
        self.sign(client, ride, outcome="again")
        answer = self.sign(client, ride, outcome="ready", remarks="Keep these words")
        assert answer.status_code == 409
        assert "This ride was signed off already by Lee Lead" in words_of(answer)
        assert "Keep these words" in words_of(answer)
        assert SignOff.objects.get().outcome == "again"

    def test_not_before_it_starts(self, client, tom, lee, ride):
        run = make_run(starts_at=NOW + DAY)
        put(lee, run)
        put(tom, run, SECOND)
        assert "How did Tom do?" not in words_of(client.get(at(run)))
        answer = self.sign(client, run, outcome="ready")
        assert answer.status_code == 409
        assert "That ride is still to come." in words_of(answer)
        assert not SignOff.objects.exists()

    @pytest.mark.parametrize("who", ["the trainee", "another lead driver", "a coordinator"])
    def test_by_nobody_but_its_lead_driver(self, client, tom, ride, who):
        people = {
            "the trainee": lambda: tom,
            "another lead driver": lambda: lead_driver(sign_in=True),
            "a coordinator": coordinator,
        }
        client.force_login(people[who]().user)
        assert "How did" not in words_of(client.get(at(ride))) or who == "another lead driver"
        assert self.sign(client, ride, outcome="ready").status_code == 404
        assert not SignOff.objects.exists()

    def test_a_driver_who_is_no_lead_driver(self, client, tom):
        driver = make_ready(PersonFactory(sign_in=True))
        run = make_run(starts_at=NOW - DAY)
        put(driver, run)
        put(tom, run, SECOND)
        client.force_login(driver.user)
        assert "How did Tom do?" not in words_of(client.get(at(run)))
        assert self.sign(client, run, outcome="ready").status_code == 404

    def test_a_partner_who_is_ready_needs_no_word(self, client, lee):
        run = make_run(starts_at=NOW - DAY)
        put(lee, run)
        put(ready_person(name="Pat Ready"), run, SECOND)
        client.force_login(lee.user)
        assert "How did Pat do?" not in words_of(client.get(at(run)))

    def test_a_word_taken_back_can_be_given_anew(self, client, tom, ride):
        self.sign(client, ride, outcome="ready")
        withdraw(SignOff.objects.get().completion, reason="Wrong person", by=None)
        assert "How did Tom do?" in words_of(client.get(at(ride)))
        assert self.sign(client, ride, outcome="again").status_code == 302


def test_queries_of_a_run(client, ana, lee):
    """They do not grow with stops: a run with two, and one with five."""
    two, five = make_run(), make_run(sites=[*SiteFactory.create_batch(4), DropOffFactory()])
    for run in (two, five):
        put(lee, run)
        put(ana, run, SECOND)
        for stop in run.ordered_stops:
            publish(stop.site, {"entrance": "A door"}, by=None)
    few, _sql = queries_of(client, at(two))
    many, sql = queries_of(client, at(five))
    assert many == few, sql


def test_times_are_the_programme_s(client, ana):
    """Also for a programme far from UTC, and whatever the server's clock."""
    Programme.objects.update_or_create(pk=1, defaults={"time_zone": "Pacific/Honolulu"})
    run = make_run(starts_at=NOW + DAY)
    assert "Wed, Jun 3, 4:00 a.m." in words_of(client.get(at(run)))
    assert timezone.get_current_timezone_name() == "UTC"
    assert complete(person=ana, step=Step.objects.get(code="kit"), by=None).valid_from == TODAY

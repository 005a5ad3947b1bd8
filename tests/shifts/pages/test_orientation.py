"""My steps with the next one first, and door notes: what a volunteer sees of them."""

from datetime import timedelta

import pytest
import time_machine
from django.utils import timezone

from shifts.models import Booking, Pairing, Policy, Run
from shifts.seats.booking import give_back, seat
from shifts.seats.pairing import token_of
from shifts.seats.rides import sign_off_ride
from sites.changes import close_site
from sites.models import Programme
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    lead_driver,
    make_ready,
    make_run,
    put,
    ready_person,
)
from tests.shifts.pages.at_the_desk import DAY, NONSENSE, NOW, TODAY, queries_of, said, text_of
from volunteers.clearance import missing
from volunteers.doors import publish
from volunteers.models import Completion, Join, NotAt, PaperPhoto, Step
from volunteers.progress import complete
from volunteers.reading import read
from volunteers.steps import add_step, require_revision

pytestmark = pytest.mark.django_db

HERE = "/orientation/"


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def newcomer(client):
    person = PersonFactory(name="Nia Newcomb", sign_in=True)
    client.force_login(person.user)
    return person


@pytest.fixture
def site():
    """A pickup with door notes, to which a run goes next week."""
    site = SiteFactory(name="Plum Dock")
    publish(site, {"entrance": "The blue door", "ask_for": "Ask for Teo"}, by=None)
    make_run(sites=[site, DropOffFactory()])
    return site


def step(code):
    return Step.objects.get(code=code)


def paper(person, code, until):
    return complete(person=person, step=step(code), by=None, valid_until=until, on=TODAY - 100 * DAY)


def tasks(client):
    return {task["name"]: task for task in client.get(HERE).context["tasks"]}


class TestSteps:
    def test_each_missing_step_says_how_to_get_it(self, client, newcomer):
        page = text_of(client.get(HERE)).replace("&#x27;", "'")
        assert "6 steps are missing before you may drive alone" in page
        for one in Step.objects.filter(site=None):
            assert one.title in page
            if one.kind != Step.Kind.RIDE:  # that waits for a run with room, and says so
                assert one.how in page

    def test_ready(self, client, newcomer):
        make_ready(newcomer)
        page = text_of(client.get(HERE))
        assert "You are ready to drive alone." in page
        assert "task--missing" not in page

    def test_a_paper_that_runs_out_within_21_days_says_so(self, client, newcomer):
        paper(newcomer, "license", TODAY + 21 * DAY)
        paper(newcomer, "insurance", TODAY + 22 * DAY)
        found = tasks(client)
        assert (found["Driver's license"]["state"], found["Driver's license"]["word"]) == (
            "expiring",
            "Runs out Tue, Jun 23",
        )
        assert "text them a picture" in found["Driver's license"]["hint"]
        assert found["Car insurance card"]["state"] == "done"
        assert found["Car insurance card"]["word"] == "Done, until 6/24/2026"

    def test_a_paper_that_ran_out_is_missing_and_says_since_when(self, client, newcomer):
        paper(newcomer, "license", TODAY - DAY)
        found = tasks(client)["Driver's license"]
        assert (found["state"], found["word"]) == ("missing", "Ran out 6/1/2026")

    def test_papers_seen_wait_for_their_date(self, client, newcomer):
        complete(person=newcomer, step=step("license"), by=None, how=Completion.How.SEEN)
        found = tasks(client)["Driver's license"]
        assert (found["state"], found["word"]) == ("expiring", "Seen; we need its date by Thu, Jul 2")

    def test_a_ride_that_is_booked_is_waited_for(self, client, newcomer):
        run = make_run(starts_at=NOW + 2 * DAY)
        put(lead_driver(), run)
        assert tasks(client)["Shadow ride"]["url"] == "/runs/?from=2026-06-04"
        put(newcomer, run, Booking.Seat.SECOND)
        found = tasks(client)["Shadow ride"]
        assert (found["state"], found["url"]) == ("waiting", f"/runs/{run.pk}/")
        assert found["word"] == "You ride along: Thu, Jun 4, 10:00 a.m."

    def test_half_done_counts(self, client, newcomer):
        step("ride").terms.update(times=2)
        complete(person=newcomer, step=step("ride"), by=None)
        put(lead_driver(), make_run())
        assert tasks(client)["Shadow ride"]["word"] == "1 of 2 done"

    def test_what_the_lead_driver_wrote_is_shown_but_not_what_is_private(self, client, newcomer):
        lead = lead_driver(name="Lee Lead")
        run = make_run(starts_at=NOW - DAY)
        put(lead, run)
        put(newcomer, run, Booking.Seat.SECOND)
        sign_off_ride(
            run=run, lead=lead, by=None, outcome="again",
            remarks="Backing up needs practice", private_remarks="Was very nervous",
        )  # fmt: skip
        page = text_of(client.get(HERE))
        assert "Lee about your ride on Mon, Jun 1" in page
        assert "Ride once more" in page
        assert "Backing up needs practice" in page
        assert "nervous" not in page

    def test_somebody_who_does_not_drive_is_not_pressed(self, client, newcomer):
        newcomer.drives = False
        newcomer.save()
        page = text_of(client.get(HERE))
        assert "You are on the list as somebody who does not drive" in page
        assert "before you may drive alone" not in page

    def test_they_are_ones_own(self, client, newcomer):
        ready_person()
        assert {task["state"] for task in tasks(client).values()} == {"missing", "waiting"}

    def test_what_was_read_can_be_read_again(self, client, newcomer):
        make_ready(newcomer)
        assert tasks(client)["Driver briefing"]["url"] == "/orientation/briefing/"

    def test_what_a_site_asks_for_is_a_list_of_its_own(self, client, newcomer, site):
        own = add_step(kind="briefing", title="Forklifts", site=site, from_day=TODAY, by=None)
        add_step(kind="briefing", title="Far away", site=SiteFactory(), from_day=TODAY, by=None)
        page = client.get(HERE)
        (task,) = page.context["at_sites"]
        assert (task["name"], task["state"]) == ("Forklifts (Plum Dock)", "missing")
        assert task["url"].startswith(f"/orientation/briefing/{own.pk}/")
        assert page.context["lacking"] == 6  # the programme's own

    def test_queries_do_not_grow(self, client, newcomer, site):
        """Programme, turn of cover, session, user, people of the sign-in; the date by the programme's clock;
        policy, sites of runs ahead, their newest notes, those read, sites of my runs; last word; what I am
        asked; steps in force, missing, done; announced ones; what was completed; photographs, policy; rides,
        rides agreed to, a run with room; what the sites ask, what of it is missing, done."""
        few, sql = queries_of(client, HERE)
        assert few == 26, sql
        for number in range(10):
            one = SiteFactory()
            publish(one, {"entrance": "A door"}, by=None)
            add_step(kind="briefing", title=f"Own {number}", site=one, from_day=TODAY, by=None)
            make_run(sites=[one, DropOffFactory()])
        for number in range(5):
            add_step(kind="form", title=f"Form {number}", from_day=TODAY, by=None)
            put(newcomer, make_run(starts_at=NOW - number * DAY - DAY), Booking.Seat.SECOND)
        count, sql = queries_of(client, HERE)
        page = client.get(HERE)
        assert (len(page.context["doors"]), len(page.context["at_sites"])) == (11, 10)
        assert count == few, sql


class TestNextThing:
    def next(self, client):
        return client.get(HERE).context["thing"]

    def but(self, person, *codes):
        return make_ready(person, without=codes)

    def test_it_stands_before_everything_with_its_one_button(self, client, newcomer):
        page = text_of(client.get(HERE))
        first = page[page.index('aria-labelledby="next-thing"') : page.index("My steps")]
        for words in (
            "Your next step",
            "Driver briefing",
            "those who eat the food safe",
            "About ten minutes",
            'href="/orientation/briefing/?next=%2Forientation%2F"',
        ):
            assert words in first
        assert first.count('class="button') == 1

    def test_what_one_can_do_oneself_comes_before_what_the_coordinator_does(self, client, newcomer):
        self.but(newcomer, "form", "kit", "ride")
        run = make_run(starts_at=NOW + 2 * DAY, minutes=75)
        put(lead_driver(), run)
        thing = self.next(client)
        assert (thing.name, thing.url, thing.action) == (
            "Shadow ride",
            "/runs/?from=2026-06-04",
            "Find a ride",
        )
        assert thing.takes == "One run: about 75 minutes."
        put(newcomer, run, Booking.Seat.SECOND)
        assert self.next(client).name == "Volunteer agreement, signed"

    def test_what_the_coordinator_does_has_their_phone_as_its_button(self, client, newcomer):
        Programme.objects.update_or_create(
            pk=1, defaults={"contact_name": "Cora", "contact_phone": "+15555550100"}
        )
        self.but(newcomer, "kit")
        thing = self.next(client)
        assert (thing.name, thing.url, thing.action) == ("Starter kit", "tel:+15555550100", "Call Cora")

    def test_without_a_phone_it_is_their_address_and_without_either_no_button(self, client, newcomer):
        self.but(newcomer, "kit")
        assert self.next(client).url == ""
        Programme.objects.update(contact_email="cora@example.org")
        assert self.next(client).url == "mailto:cora@example.org"

    def test_a_ride_waits_for_a_run_with_room_and_says_since_when(self, client, newcomer):
        self.but(newcomer, "ride")
        newcomer.completions.filter(step=step("kit")).update(valid_from="2026-05-20")
        thing = self.next(client)
        assert (thing.name, thing.state) == ("Shadow ride", "waiting")
        assert thing.word == "Waits for a run with room since Wed, May 20"
        assert "The coordinator proposes one" in thing.how

    @pytest.mark.parametrize("why", ["closed", "barred", "taken", "no second seat", "no lead", "too far off"])
    def test_a_run_without_room_for_them_is_none(self, client, newcomer, why):
        self.but(newcomer, "ride")
        run = make_run(starts_at=NOW + (90 * DAY if why == "too far off" else 2 * DAY))
        put(ready_person() if why == "no lead" else lead_driver(), run)
        dock = run.ordered_stops[0].site
        if why == "closed":
            close_site(dock, first=run.local_date, last=run.local_date, by=None)
        elif why == "barred":
            NotAt.objects.create(person=newcomer, site=dock, at=NOW)
        elif why == "taken":
            put(PersonFactory(), run, Booking.Seat.SECOND)
        elif why == "no second seat":
            Run.objects.update(second_seat=False)
        assert self.next(client).state == "waiting"

    def test_a_ride_that_was_ridden_waits_for_the_lead_driver_s_word(self, client, newcomer):
        self.but(newcomer, "ride")
        run = make_run(starts_at=NOW - DAY)
        put(lead_driver(name="Lee Lead"), run)
        put(newcomer, run, Booking.Seat.SECOND)
        thing = self.next(client)
        assert (thing.state, thing.word) == ("waiting", "Ridden on Mon, Jun 1; Lee's word is awaited")
        assert thing.url == f"/runs/{run.pk}/"
        sign_off_ride(run=run, lead=run.bookings.get(seat="driver").person, by=None, outcome="again")
        assert self.next(client).word.startswith("Waits for a run with room")

    def test_a_ride_beside_somebody_who_is_no_lead_driver_waits_for_nobody(self, client, newcomer):
        self.but(newcomer, "ride")
        run = make_run(starts_at=NOW - DAY)
        put(ready_person(), run)
        put(newcomer, run, Booking.Seat.SECOND)
        assert self.next(client).word.startswith("Waits for a run with room")

    def test_a_ride_that_lost_its_lead_driver_says_so_and_another_is_answered_first(self, client, newcomer):
        self.but(newcomer, "ride")
        run, other, lead = make_run(), make_run(starts_at=NOW + 4 * DAY), lead_driver()
        put(ready_person(), run)
        put(newcomer, run, Booking.Seat.SECOND)
        put(lead, other)
        thing = self.next(client)
        assert (thing.state, thing.word) == ("waiting", "No lead driver now: Fri, Jun 5, 10:00 a.m.")
        assert "You keep the seat" in thing.how
        Pairing.objects.create(run=other, trainee=newcomer, lead=lead, proposed_at=NOW)
        assert tasks(client)["Shadow ride"]["word"].startswith("A ride is proposed")

    def test_a_proposed_ride_is_answered_first(self, client, newcomer):
        run = make_run(title="Plum run", starts_at=NOW + 2 * DAY)
        lead = lead_driver(name="Lee Lead")
        put(lead, run)
        proposed = Pairing.objects.create(run=run, trainee=newcomer, lead=lead, proposed_at=NOW)
        thing = self.next(client)
        assert thing.name == "Will you ride along with Lee?"
        assert thing.word == "Plum run, Thu, Jun 4, 10:00 a.m."
        assert thing.url == f"/rides/{token_of(proposed, newcomer)}/"
        found = tasks(client)["Shadow ride"]
        assert (found["state"], found["url"]) == ("missing", thing.url)
        Pairing.objects.update(trainee_agreed_at=NOW)
        assert self.next(client).name == "Driver briefing"
        found = tasks(client)["Shadow ride"]
        assert (found["state"], found["word"]) == ("waiting", "Waits for Lee's answer since Tue, Jun 2")

    def test_so_is_one_that_a_lead_driver_is_asked_for(self, client):
        lead = lead_driver(name="Lee Lead", sign_in=True)
        client.force_login(lead.user)
        run, tom = make_run(), PersonFactory(name="Tom Trainee")
        put(lead, run)
        proposed = Pairing.objects.create(run=run, trainee=tom, lead=lead, proposed_at=NOW)
        thing = self.next(client)
        assert (thing.name, thing.url) == ("Will you take Tom along?", f"/rides/{token_of(proposed, lead)}/")

    def test_a_photo_is_sent_where_the_programme_takes_them(self, client, newcomer):
        self.but(newcomer, "license")
        license = step("license")
        assert self.next(client).url == ""
        Policy.current()
        Policy.objects.update(photos_on=True)
        thing = self.next(client)
        assert (thing.url, thing.action) == (f"/orientation/papers/{license.pk}/", "Send a photo")
        PaperPhoto.objects.create(person=newcomer, step=license, image=b"x", at=NOW - DAY)
        thing = self.next(client)
        assert thing.state == "waiting"
        assert thing.word == "Photo sent Mon, Jun 1; the coordinator looks at it"

    def test_a_request_to_join_is_with_the_coordinator(self, client, newcomer):
        newcomer.asking_since = TODAY - DAY
        newcomer.save()
        thing = self.next(client)
        assert thing.name == "Driver briefing"  # can be read meanwhile
        assert "Your request is with the coordinator since Mon, Jun 1." in thing.word
        put(lead_driver(), make_run())
        assert tasks(client)["Shadow ride"]["url"] == ""  # no seat before they are taken in
        complete(person=newcomer, step=step("briefing"), by=None)
        thing = self.next(client)
        assert (thing.name, thing.state) == ("Your request is with the coordinator", "waiting")
        assert thing.word == "Since Mon, Jun 1"

    def test_a_question_back_is_answered_first(self, client, newcomer):
        newcomer.asking_since = TODAY - DAY
        newcomer.save()
        Join.objects.create(person=newcomer, asked_at=NOW, state="asked back", question="Mornings too?")
        thing = self.next(client)
        assert (thing.name, thing.how) == ("The coordinator has a question", "Mornings too?")
        assert thing.url == "/join/answer/"

    def test_on_a_break(self, client, newcomer):
        newcomer.paused_on = TODAY - 9 * DAY
        newcomer.save()
        thing = self.next(client)
        assert (thing.name, thing.word) == ("You are taking a break", "Since Sun, May 24")
        assert (thing.url, thing.action) == ("/me/break/", "I am back")

    def test_who_does_not_drive_has_nothing_to_do(self, client, newcomer):
        newcomer.drives = False
        newcomer.save()
        thing = self.next(client)
        assert (thing.name, thing.state, thing.url) == ("Nothing to do", "done", "")

    def test_once_ready_the_doors_of_own_runs_then_what_runs_out_then_a_run(self, client, newcomer, site):
        make_ready(newcomer)
        thing = self.next(client)
        assert (thing.name, thing.url) == ("You are ready to drive alone.", "/runs/")
        run = make_run(title="Plum run", sites=[site, DropOffFactory()])
        put(newcomer, run)
        assert self.next(client).word == "Next: Plum run, Fri, Jun 5, 10:00 a.m."
        newcomer.completions.filter(step=step("license")).update(valid_until=TODAY + 9 * DAY)
        assert self.next(client).name == "Driver's license"
        newcomer.completions.filter(step__kind="doors").delete()
        thing = self.next(client)
        assert (thing.name, thing.action) == ("Door notes: Plum Dock", "Read them now")

    def test_door_notes_of_other_runs_wait(self, client, newcomer, site):
        make_ready(newcomer)
        newcomer.completions.filter(step__kind="doors").delete()
        assert self.next(client).name == "You are ready to drive alone."

    def test_a_briefing_that_changes_on_a_day_to_come_is_to_be_read_from_now_on(self, client, newcomer):
        make_ready(newcomer)
        newcomer.completions.filter(step=step("briefing")).update(revision=1)
        require_revision(step("briefing"), 2, TODAY + 9 * DAY)
        found = tasks(client)["Driver briefing"]
        assert (found["state"], found["word"]) == ("expiring", "Changed: once more by Thu, Jun 11")
        assert self.next(client).url.startswith("/orientation/briefing/")
        read(newcomer, step("briefing"), revision=2, by=None)
        assert tasks(client)["Driver briefing"]["state"] == "done"

    def test_a_step_that_is_asked_from_a_day_to_come(self, client, newcomer):
        make_ready(newcomer)
        add_step(kind="form", title="Photo release", from_day=TODAY + 9 * DAY, by=None)
        found = tasks(client)["Photo release"]
        assert (found["state"], found["word"]) == ("expiring", "Asked from Thu, Jun 11 on")
        assert self.next(client).name == "Photo release"

    def test_it_stands_on_the_volunteer_s_own_page_too(self, client, newcomer):
        thing = client.get("/").context["thing"]
        assert thing.name == self.next(client).name == "Driver briefing"

    def test_so_does_that_they_are_ready_until_they_have_had_a_seat(self, client, newcomer):
        make_ready(newcomer)
        assert client.get("/").context["thing"].name == "You are ready to drive alone."
        put(newcomer, make_run())
        assert client.get("/").context["thing"] is None
        give_back(newcomer.bookings.get(), by=None)
        assert client.get("/").context["thing"] is None

    def test_but_not_where_a_run_ahead_says_more(self, client, newcomer):
        self.but(newcomer, "ride")
        assert client.get("/").context["thing"].state == "waiting"
        run = make_run()
        put(lead_driver(), run)
        put(newcomer, run, Booking.Seat.SECOND)
        assert client.get("/").context["thing"] is None


class TestDoors:
    def at(self, site):
        return f"/orientation/doors/{site.pk}/"

    def read(self, client, site, revision, **more):
        return client.post(self.at(site), {"read": f"{site.pk}:{revision}", **more})

    def test_unread_ones_of_sites_ahead_are_listed(self, client, newcomer, site):
        elsewhere = SiteFactory(name="No run goes here")
        publish(elsewhere, {"entrance": "Any"}, by=None)
        (task,) = client.get(HERE).context["doors"]
        assert (task["name"], task["state"], task["word"]) == ("Plum Dock", "missing", "Not read yet")
        assert task["url"].startswith(self.at(site))

    def test_those_of_my_own_runs_come_first(self, client, newcomer, site):
        second = SiteFactory(name="Zinnia Store")
        publish(second, {"entrance": "Any"}, by=None)
        run = make_run(sites=[second, DropOffFactory()])
        names = [task["name"] for task in client.get(HERE).context["doors"]]
        assert names == ["Plum Dock", "Zinnia Store"]
        put(newcomer, run, Booking.Seat.SECOND)
        first, _other = client.get(HERE).context["doors"]
        assert (first["name"], first["hint"]) == ("Zinnia Store", "You have a run there.")

    def test_reading_them_completes_the_step_of_that_site(self, client, newcomer, site):
        page = text_of(client.get(self.at(site)))
        assert "The blue door" in page
        assert "Ask for Teo" in page
        answer = self.read(client, site, 1)
        assert (answer.status_code, answer["Location"]) == (302, HERE)
        (done,) = Completion.objects.all()
        assert (done.step.site, done.person, done.revision) == (site, newcomer, 1)
        (task,) = client.get(HERE).context["doors"]
        assert task["state"] == "done"
        assert "I have read these" not in text_of(client.get(self.at(site)))

    def test_notes_that_changed_meanwhile_are_shown_again(self, client, newcomer, site):
        publish(site, {"entrance": "The green door"}, by=None)
        answer = self.read(client, site, 1, next="/runs/7/")
        assert answer.status_code == 409
        page = text_of(answer)
        assert "have changed since you opened the page" in page
        assert "The green door" in page
        assert f'name="read" value="{site.pk}:2"' in page
        assert 'value="/runs/7/"' in page
        assert not Completion.objects.exists()
        assert self.read(client, site, 2).status_code == 302
        assert Completion.objects.get().revision == 2

    def test_notes_that_changed_after_reading_say_so(self, client, newcomer, site):
        self.read(client, site, 1)
        publish(site, {"entrance": "The green door"}, by=None)
        (task,) = client.get(HERE).context["doors"]
        assert (task["state"], task["word"]) == ("missing", "Changed since you read it")
        page = text_of(client.get(self.at(site)))
        assert "changed since you last read it" in page
        assert "I have read these" in page

    @pytest.mark.parametrize("revision", NONSENSE)
    def test_nonsense_is_no_reading(self, client, newcomer, site, revision):
        assert self.read(client, site, revision).status_code == 409
        assert not Completion.objects.exists()

    @pytest.mark.parametrize("reading", [*NONSENSE, "1:1:1", ":", ":1", "1:", f"{10**23}:1"])
    def test_nonsense_names_no_site(self, client, newcomer, site, reading):
        assert client.post(self.at(site), {"read": reading}).status_code == 409
        assert not Completion.objects.exists()

    def test_several_sites_are_read_at_once_and_those_that_changed_are_not(self, client, newcomer, site):
        """As the page of a run asks it, whose stops have new notes at two doors."""
        oak, elm = SiteFactory(name="Oak Dock"), SiteFactory(name="Elm Dock")
        for other in (oak, elm):
            publish(other, {"entrance": "Any"}, by=None)
        publish(elm, {"entrance": "Another"}, by=None)
        readings = [f"{site.pk}:1", f"{oak.pk}:1", f"{elm.pk}:1"]
        answer = client.post(self.at(site), {"read": readings, "next": "/runs/"})
        assert (answer.status_code, answer["Location"]) == (302, "/runs/")
        assert {done.step.site for done in Completion.objects.all()} == {site, oak}
        assert "have changed since you opened the page" in said(answer)

    def test_no_revision_is_no_reading(self, client, newcomer, site):
        assert client.post(self.at(site)).status_code == 409
        assert not Completion.objects.exists()

    def test_twice_is_once(self, client, newcomer, site):
        self.read(client, site, 1)
        assert self.read(client, site, 1).status_code == 302
        assert Completion.objects.count() == 1

    def test_looking_records_nothing(self, client, newcomer, site):
        client.get(self.at(site), {"read": f"{site.pk}:1"})
        assert not Completion.objects.exists()

    def test_a_reading_that_ran_out_can_be_renewed(self, client, newcomer, site):
        step = Step.objects.get(kind="doors", site=site)
        complete(person=newcomer, step=step, by=None, on=TODAY - 9 * DAY, valid_until=TODAY - DAY)
        assert "I have read these" in text_of(client.get(self.at(site)))
        self.read(client, site, 1)
        assert step not in [term.step for term in missing(newcomer, on=TODAY, sites=[site.pk])]

    def test_a_site_without_notes(self, client, newcomer):
        bare = SiteFactory(name="Bare Dock")
        assert "Nobody has written door notes" in text_of(client.get(self.at(bare)))
        assert client.post(self.at(bare), {"read": f"{bare.pk}:1"}).status_code == 200
        assert not Completion.objects.exists()

    def test_a_site_that_is_not_there(self, client, newcomer):
        assert client.get("/orientation/doors/999999/").status_code == 404
        assert client.post("/orientation/doors/999999/", {"read": "999999:1"}).status_code == 404

    def test_reading_them_opens_the_driver_s_seat(self, client, site):
        """The whole of it: refused for want of the door notes alone, then let in."""
        person = make_ready(PersonFactory(sign_in=True))
        Completion.objects.filter(person=person, step__kind="doors").delete()
        client.force_login(person.user)
        run = make_run(starts_at=timezone.now() + timedelta(days=3), sites=[site, DropOffFactory()])
        assert client.post(f"/runs/{run.pk}/book/", {"seat": "driver"}).status_code == 409
        self.read(client, site, 1)
        assert seat(run=run, person=person, seat="driver", by=person.user).is_live

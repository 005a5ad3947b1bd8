"""My steps, the briefing and door notes: what a volunteer sees of them, and the two things they tick off."""

from datetime import date, timedelta

import pytest
import time_machine
from django.utils import timezone

from shifts.models import Booking
from shifts.seats.booking import seat
from shifts.seats.rides import sign_off_ride
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
from volunteers import briefing
from volunteers.clearance import missing
from volunteers.doors import publish, require_revision
from volunteers.models import Completion, Step
from volunteers.progress import complete

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
        page = text_of(client.get(HERE))
        assert "6 steps are missing before you may drive alone" in page
        for one in Step.objects.filter(site=None):
            assert one.title in page.replace("&#x27;", "'")
            assert one.how in page.replace("&#x27;", "'")

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
        assert tasks(client)["Shadow ride"]["url"] == "/runs/"
        put(newcomer, run, Booking.Seat.SECOND)
        found = tasks(client)["Shadow ride"]
        assert (found["state"], found["url"]) == ("waiting", f"/runs/{run.pk}/")
        assert found["word"] == "You ride along: Thu, Jun 4, 10:00 a.m."

    def test_half_done_counts(self, client, newcomer):
        step("ride").terms.update(times=2)
        complete(person=newcomer, step=step("ride"), by=None)
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
        assert {task["state"] for task in tasks(client).values()} == {"missing"}

    def test_queries_do_not_grow_with_sites(self, client, newcomer, site):
        """Programme, session, user, people of the sign-in; the date by the programme's clock, steps in force,
        completions, steps missing; next ride, what was completed, last word; policy, sites of runs ahead,
        their newest notes, those read, sites of my runs."""
        assert queries_of(client, HERE)[0] == 16
        for _ in range(10):
            one = SiteFactory()
            publish(one, {"entrance": "A door"}, by=None)
            make_run(sites=[one, DropOffFactory()])
        count, sql = queries_of(client, HERE)
        assert len(client.get(HERE).context["doors"]) == 11
        assert count == 16, sql


class TestBriefing:
    PAGE = "/orientation/briefing/"

    def met(self, person):
        return "briefing" not in {term.step.code for term in missing(person, on=TODAY)}

    def test_reading_it_completes_the_step_and_nothing_else(self, client, newcomer):
        answer = client.post(self.PAGE, {"step": step("license").pk, "code": "license", "person": 1})
        assert (answer.status_code, answer["Location"]) == (302, HERE)
        (done,) = Completion.objects.all()
        assert (done.step.code, done.person, done.recorded_by) == ("briefing", newcomer, newcomer.user)
        assert done.valid_until == date(2028, 6, 2)  # 24 months; common practice, no published source
        assert "you have read the briefing" in said(answer)

    def test_looking_at_it_records_nothing(self, client, newcomer):
        assert "I have read it" in text_of(client.get(self.PAGE))
        assert client.head(self.PAGE).status_code == 200
        assert not Completion.objects.exists()

    def test_twice_is_once(self, client, newcomer):
        client.post(self.PAGE)
        client.post(self.PAGE)
        assert Completion.objects.count() == 1

    @pytest.mark.parametrize(("days_left", "asked"), [(-1, True), (21, True), (22, False)])
    def test_it_is_asked_for_again_when_it_soon_runs_out(self, client, newcomer, days_left, asked):
        complete(
            person=newcomer, step=step("briefing"), by=None,
            on=TODAY - 700 * DAY, valid_until=TODAY + days_left * DAY,
        )  # fmt: skip
        assert ("I have read it" in text_of(client.get(self.PAGE))) is asked
        client.post(self.PAGE)
        assert Completion.objects.count() == 1 + asked
        assert self.met(newcomer)

    def test_a_newer_one_must_be_read_again(self, client, newcomer):
        client.post(self.PAGE)
        assert self.met(newcomer)
        require_revision(step("briefing"), 2, TODAY)
        assert not self.met(newcomer)
        assert "I have read it" in text_of(client.get(self.PAGE))
        client.post(self.PAGE)
        assert self.met(newcomer)

    def test_it_leads_back_to_where_one_came_from_on_this_site_only(self, client, newcomer):
        assert 'value="/runs/7/"' in client.get(self.PAGE, {"next": "/runs/7/"}).content.decode()
        assert client.post(self.PAGE, {"next": "/runs/7/"})["Location"] == "/runs/7/"
        assert client.post(self.PAGE, {"next": "https://elsewhere.example/"})["Location"] == HERE

    def test_a_programme_without_a_briefing(self, client, newcomer):
        step("briefing").terms.all().delete()
        step("briefing").delete()
        assert client.get(self.PAGE).status_code == 200
        answer = client.post(self.PAGE, follow=True)
        assert "This programme asks for no briefing" in text_of(answer)

    def test_the_words_carry_the_numbers_of_their_sources(self, client, newcomer):
        page = text_of(client.get(self.PAGE))
        # FDA Food Code 2022, 3-501.16 (as states adopted it): cold at or below 41 F, hot at or above 135 F
        assert "only when it is 41 °F or below" in page
        assert "Hot food is 135 °F or above" in page
        # FDA Food Code 2-201.13: 24 hours after vomiting or diarrhea has ended
        assert "After vomiting or diarrhea, wait until 24 hours after it has ended." in page
        # FDA Food Code 2-301.12: 20 seconds (from memory)
        assert "at least 20 seconds" in page
        # A full banana box: 35 to 40 lb (a gleaning handbook); the limit is common practice, unpublished
        assert "A full banana box weighs about 40 lb" in page
        # The programme's minutes lie inside USDA's 2 h, and 1 h above 90 F
        assert briefing.MINUTES < 120
        assert briefing.MINUTES_IN_HEAT < 60
        assert briefing.HEAT_F == 90
        assert "health authority come first" in page
        assert all(section.source for section in briefing.sections())


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


@pytest.mark.parametrize("page", [HERE, "/orientation/briefing/"])
def test_wrong_methods(client, newcomer, page):
    assert client.put(page).status_code == 405
    assert client.delete(page).status_code == 405

"""Handing a run to somebody, on its pages: whom to ask, asking no longer, the private link's yes and no."""

import re
from datetime import timedelta

import pytest
import time_machine
from django.test import Client

from config.logs import mask
from shifts.models import Booking, HandOver, Run
from shifts.pages.desk_history import history_of
from shifts.seats import handover
from shifts.seats.booking import give_back, seat
from sites.models import Contact
from tests.factories import PersonFactory, make_ready, make_run, ready_person
from tests.shifts.pages.at_the_desk import NONSENSE, NOW, queries_of, said, text_of
from volunteers.models import Message
from volunteers.people import sign_in_for
from volunteers.progress import withdraw as take_step_back

pytestmark = pytest.mark.django_db
DRIVER, SECOND = Booking.Seat.DRIVER, Booking.Seat.SECOND


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ana(client):
    person = make_ready(PersonFactory(name="Ana Bell", phone="+15555550111", sign_in=True))
    client.force_login(person.user)
    return person


@pytest.fixture
def ben():
    return ready_person(name="Ben Okoro", phone="+15555550122")


@pytest.fixture
def run(ana):
    run = make_run(title="Morning run")
    seat(run=run, person=ana, seat=DRIVER, by=None)
    return run


def ask(client, run, person):
    return client.post(f"/runs/{run.pk}/hand-over/", {"person": person.pk})


class TestAsking:
    def test_from_the_run_s_page_to_everybody_who_may_take_it(self, client, run, ben):
        PersonFactory(name="New Comer")
        assert f'href="/runs/{run.pk}/hand-over/"' in text_of(client.get(f"/runs/{run.pk}/"))
        page = text_of(client.get(f"/runs/{run.pk}/hand-over/"))
        assert "Ask Ben O." in page
        assert not re.search("Okoro|555-0122|New C|Ask Ana", page)

    def test_asked_it_stays_mine_and_the_page_says_who_is_asked(self, client, run, ben, ana):
        answer = ask(client, run, ben)
        assert "Ben O. is asked by mail. Until they accept, the run is yours." in said(answer)
        page = text_of(client.get(f"/runs/{run.pk}/"))
        assert "Ben O. is asked to take it" in page
        assert "Hand it to somebody" not in page
        assert run.bookings.live().get().person == ana

    def test_without_mail_the_coordinator_asks(self, client, run):
        answer = ask(client, run, ready_person(name="Cal Fox", by_phone=True))
        assert "Cal F. has no mail: the coordinator asks them." in said(answer)
        assert Message.objects.to_tell().get().text.startswith("Ana B. asks whether you can take")

    def test_refused_in_place_with_the_list_still_there(self, client, run, ben):
        stranger = PersonFactory(name="New Comer")
        answer = ask(client, run, stranger)
        assert answer.status_code == 409
        page = text_of(answer)
        assert "New C. cannot be asked. Not ready to drive this run alone yet." in page
        assert "Ask Ben O." in page
        assert not HandOver.objects.exists()

    def test_with_nobody_to_ask_it_says_what_else(self, client, run):
        page = text_of(client.get(f"/runs/{run.pk}/hand-over/"))
        assert "Nobody is ready and free then" in page
        assert f"/runs/{run.pk}/give-back/" in page

    def test_only_its_driver(self, client, run, ben):
        other = make_run()
        seat(run=other, person=ben, seat=DRIVER, by=None)
        assert client.get(f"/runs/{other.pk}/hand-over/").status_code == 404
        assert ask(client, other, ready_person()).status_code == 404
        assert not HandOver.objects.exists()

    def test_not_once_it_has_started(self, client, run, ben):
        with time_machine.travel(run.starts_at, tick=False):
            assert "Hand it to somebody" not in text_of(client.get(f"/runs/{run.pk}/"))
            assert "Only a run that is still to come" in said(ask(client, run, ben))
        assert not HandOver.objects.exists()

    def test_asking_no_longer(self, client, run, ben):
        ask(client, run, ben)
        answer = client.post(f"/runs/{run.pk}/hand-over/withdraw/")
        assert "Ben O. is not asked any more. The run is yours." in said(answer)
        assert HandOver.objects.get().answer == "withdrawn"
        assert client.post(f"/runs/{run.pk}/hand-over/withdraw/").status_code == 302, "tapped twice"
        assert client.get(f"/runs/{run.pk}/hand-over/withdraw/").status_code == 405

    @pytest.mark.parametrize("person", NONSENSE)
    def test_nonsense_asks_nobody(self, client, run, person):
        assert client.post(f"/runs/{run.pk}/hand-over/", {"person": person}).status_code == 404

    def test_queries_do_not_grow_with_people(self, client, run, ben):
        few, _sql = queries_of(client, f"/runs/{run.pk}/hand-over/")
        for _n in range(8):
            ready_person()
        many, sql = queries_of(client, f"/runs/{run.pk}/hand-over/")
        assert many == few, sql


class TestTheLink:
    @pytest.fixture
    def asked(self, run, ana, ben):
        Contact.objects.create(site=run.ordered_stops[0].site, name="Dock", phone="+15555550171")
        return handover.ask(run.bookings.live().get(), ben, by=ana.user)

    @pytest.fixture
    def link(self, asked):
        return f"/handover/{handover.token_of(asked)}/"

    @pytest.fixture
    def anybody(self):
        """A browser without a sign-in, and as strict about forms as a real one."""
        return Client(enforce_csrf_checks=True)

    def send(self, browser, link, **words):
        page = browser.get(link).content.decode()
        token = re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', page)[1]
        fields = {"csrfmiddlewaretoken": token}
        if words.get("answer") == "accept":
            fields["starts_at"] = re.search(r'name="starts_at" value="(\d+)"', page)[1]
        return browser.post(link, fields | words)

    def test_the_mail_carries_it(self, asked, link, ben):
        assert link in Message.objects.get(person=ben).text

    def test_it_shows_run_day_time_and_stops_but_no_phones_and_changes_nothing(self, anybody, link, run, ana):
        answer = anybody.get(link)
        page = text_of(answer)
        for words in ("Ana B. asks: can you drive?", "Morning run", "Fri, Jun 5, 10:00 a.m."):
            assert words in page
        for stop in run.ordered_stops:
            assert stop.site.name in page
        assert not re.search("555-01(11|71)", page), "nobody's phone, and no site's"
        assert run.bookings.live().get().person == ana
        assert not HandOver.objects.exclude(answer="").exists()

    def test_it_is_never_kept_found_or_leaked(self, anybody, link):
        answer = anybody.get(link)
        assert "no-store" in answer["Cache-Control"]
        assert answer["X-Robots-Tag"] == "noindex"
        assert answer["Referrer-Policy"] == "same-origin"
        assert mask(f"GET {link} 200") == "GET /handover/***/ 200"

    def test_yes_without_a_sign_in(self, anybody, link, run, ben):
        answer = self.send(anybody, link, answer="accept")
        assert (answer.status_code, answer["Location"]) == (302, link)
        assert run.bookings.live().get().person == ben
        assert "You took this run over, and Ana B. is told." in text_of(anybody.get(link))

    def test_no(self, anybody, link, run, ana):
        assert self.send(anybody, link, answer="decline").status_code == 302
        assert "You declined, and Ana B. is told." in text_of(anybody.get(link))
        assert run.bookings.live().get().person == ana

    def test_neither(self, anybody, link):
        answer = self.send(anybody, link, answer="maybe")
        assert answer.status_code == 400
        assert "Choose one of the two." in text_of(answer)

    def test_a_yes_to_a_run_that_was_moved_meanwhile_is_asked_again(self, anybody, link, run, ana, ben):
        page = anybody.get(link).content.decode()
        token = re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', page)[1]
        shown = re.search(r'name="starts_at" value="(\d+)"', page)[1]
        later = run.starts_at + timedelta(minutes=30)
        Run.objects.filter(pk=run.pk).update(starts_at=later, ends_at=later + timedelta(hours=1))
        yes = {"csrfmiddlewaretoken": token, "answer": "accept"}
        answer = anybody.post(link, yes | {"starts_at": shown})
        assert answer.status_code == 409
        assert "The run was moved since you opened this page." in text_of(answer)
        assert "10:30 a.m." in text_of(answer)
        assert run.bookings.live().get().person == ana
        assert self.send(anybody, link, answer="accept").status_code == 302
        assert run.bookings.live().get().person == ben

    @pytest.mark.parametrize("starts_at", NONSENSE)
    def test_a_yes_that_does_not_say_what_it_saw_is_asked_again(self, client, link, run, ana, starts_at):
        answer = client.post(link, {"answer": "accept", "starts_at": starts_at})
        assert answer.status_code == 409
        assert run.bookings.live().get().person == ana

    def test_refused_it_says_why_and_how_to_get_what_is_missing(self, anybody, link, run, ana, ben):
        take_step_back(ben.completions.get(step__code="license"), reason="Lost.", by=None)
        answer = self.send(anybody, link, answer="accept")
        assert answer.status_code == 409
        assert "Not ready to drive this run alone yet." in text_of(answer)
        assert "Yes, I drive it" in text_of(answer)
        assert run.bookings.live().get().person == ana

    def test_given_back_meanwhile(self, client, link, run):
        give_back(run.bookings.live().get(), by=None)
        assert "Ana does not need an answer any more." in text_of(client.get(link))
        assert "Yes, I drive it" not in text_of(client.get(link))
        answer = client.post(link, {"answer": "accept", "starts_at": int(run.starts_at.timestamp())})
        assert answer.status_code == 409
        assert not run.bookings.live().exists()

    def test_it_ends_with_the_start_of_the_run(self, client, link, run):
        with time_machine.travel(run.starts_at, tick=False):
            assert "This run has started" in text_of(client.get(link))

    def test_a_wrong_one_is_nobody_s(self, client, link):
        assert client.get(link[:-2] + "/").status_code == 404
        assert client.get("/handover/0-x/").status_code == 404

    def test_whoever_is_asked_finds_it_on_their_page_too(self, client, asked, link, ben):
        ben.user = sign_in_for(ben.email)
        ben.save()
        client.force_login(ben.user)
        page = client.get("/").content.decode()
        assert "Ana B. asks: can you drive?" in page
        assert f'href="{link}"' in page
        handover.decline(asked, by=None)
        assert link not in client.get("/").content.decode()

    def test_who_accepted_is_recorded(self, client, link, run, ben):
        """The link is Ben's, whoever is signed in on that phone; with no sign-in at all, it is Ben's own."""
        ben.user = sign_in_for(ben.email)
        ben.save()
        self.send(Client(enforce_csrf_checks=True), link, answer="accept")
        assert run.bookings.live().get().booked_by == ben.user


def test_the_desk_reads_who_asked_whom_and_what_became_of_it(client, run, ben):
    ask(client, run, ben)
    client.post(f"/runs/{run.pk}/hand-over/withdraw/")
    ask(client, run, ben)
    handover.decline(HandOver.objects.open().get(), by=None)
    ask(client, run, ben)
    handover.accept(HandOver.objects.open().get(), starts_at=run.starts_at, by=ben.user)
    assert [row["what"] for row in history_of(run)][:7] == [
        "Ben Okoro took the driver's seat",
        "Ana Bell handed the run on",
        "asked Ben Okoro to take the run",
        "Ben Okoro does not take the run",
        "asked Ben Okoro to take the run",
        "asked Ben Okoro no longer",
        "asked Ben Okoro to take the run",
    ]

"""Shadow rides on the pages: proposed and asked at the desk, answered by the private link, how they ride."""

import re

import pytest
import time_machine
from django.test import Client

from shifts.models import Booking, Pairing
from shifts.seats import pairing
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run
from sites.models import Event
from tests.factories import PersonFactory, lead_driver, make_ready, make_run, put, ready_person
from tests.shifts.pages.at_the_desk import (
    DAY,
    EVERY_PAGE,
    NONSENSE,
    NOW,
    TODAY,
    desk_client,
    press_undo,
    queries_of,
    said,
    text_of,
)
from volunteers.models import Message, NotAt, Person
from volunteers.people import sign_in_for

pytestmark = pytest.mark.django_db
SECOND = Booking.Seat.SECOND


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return desk_client()


@pytest.fixture
def lea():
    return lead_driver(name="Lea Bell", phone="+15555550111")


def trainee(name, days=20, **facts):
    person = PersonFactory(name=name, joined_on=TODAY - (days + 30) * DAY, **facts)
    make_ready(person, without=("ride",))
    person.completions.update(valid_from=TODAY - days * DAY)
    return person


@pytest.fixture
def ben():
    return trainee("Ben Okoro", phone="+15555550122")


@pytest.fixture
def run(lea):
    run = make_run(title="Morning run")
    put(lea, run)
    return run


def led_run(days, lead=None):
    run = make_run(title=f"Run of day {days}", starts_at=NOW + days * DAY)
    put(lead or lead_driver(), run)
    return run


@pytest.fixture
def pair(ben, lea, run):
    return pairing.propose(run=run, trainee=ben, lead=lea, by=None)


def post(client, **fields):
    return client.post("/desk/rides/", fields, follow=True)


class TestTheDesk:
    def test_empty_it_says_what_it_will_hold(self, desk):
        page = text_of(desk.get("/desk/rides/"))
        assert "Nobody waits long for a ride" in page
        assert "There is no lead driver yet" in page

    def test_a_proposal_is_two_people_a_run_and_why(self, desk, ben, run, lea):
        page = text_of(desk.get("/desk/rides/"))
        for words in ("Lea Bell", "Ben Okoro", "Morning run", "Fri, Jun 5, 10:00 a.m.", "waits 20 days",
                      "all else is done", "Ask both"):  # fmt: skip
            assert words in page
        assert "Ask all" not in page, "one pair needs one button"
        assert "The insurer first" in page

    def test_one_tap_asks_both_and_undo_withdraws(self, desk, ben, run, lea):
        answer = post(desk, do="ask", pair=f"{ben.pk}-{run.pk}-{lea.pk}", ride="follows")
        assert "Lea Bell and Ben Okoro are asked: Morning run, Fri, Jun 5, 10:00 a.m." in said(answer)
        pair = Pairing.objects.get()
        assert (pair.ride, pair.proposed_by) == ("follows", Person.objects.get(name="Cora Desk").user)
        assert "no answer yet" in text_of(answer)
        press_undo(desk, answer)
        pair.refresh_from_db()
        assert pair.outcome == "withdrawn"

    def test_all_are_asked_at_once_and_undone_at_once(self, desk, ben, run):
        trainee("Cal Fox", days=9, by_phone=True)
        led_run(4)
        page = desk.get("/desk/rides/")
        assert "Ask all 2 pairs" in text_of(page)
        pairs = [one["pair"] for one in page.context["proposals"]]
        answer = post(desk, do="ask all", pair=pairs)
        assert "2 pairs are asked" in said(answer)
        assert "Call Cal Fox: the words are on the desk" in said(answer)
        assert Pairing.objects.open().count() == 2
        press_undo(desk, answer)
        assert not Pairing.objects.open().exists()

    def test_one_that_cannot_be_asked_any_more_holds_up_no_other(self, desk, ben, run, lea):
        trainee("Cal Fox", days=9)
        led_run(4)
        pairs = [one["pair"] for one in desk.get("/desk/rides/").context["proposals"]]
        seat(run=run, person=trainee("Dee Marsh", days=1), seat=SECOND, by=None)
        answer = post(desk, do="ask all", pair=pairs)
        assert "1 pair is asked" in said(answer)
        assert "was not asked. Just taken: somebody else has this seat now." in said(answer)

    def test_who_stays_without_and_what_to_do(self, desk, ben):
        page = text_of(desk.get("/desk/rides/"))
        assert "No ride for them yet" in page
        assert "No lead driver has a run with an empty second seat in the weeks ahead." in page
        assert "tel:+15555550122" in page

    def test_in_place_of_what_is_asked_is_said_before(self, desk, pair):
        longer = trainee("Ana Fox", days=40)
        page = desk.get("/desk/rides/")
        assert "In place of Ben Okoro with Lea Bell" in text_of(page)
        assert "Above, Ana Fox would take its place." in text_of(page)
        [one] = page.context["proposals"]
        post(desk, do="ask", pair=one["pair"])
        assert Pairing.objects.open().get().trainee == longer

    def test_answers_are_recorded_for_either_and_undone(self, desk, pair, run, ben, lea):
        answer = post(desk, do="agree", pairing=pair.pk, who="lead")
        assert "Lea Bell has said yes." in said(answer)
        assert "has said yes" in text_of(answer)
        undone = press_undo(desk, answer)
        assert undone.status_code == 302
        pair.refresh_from_db()
        assert pair.lead_agreed_at is None
        post(desk, do="agree", pairing=pair.pk, who="trainee")
        answer = post(desk, do="agree", pairing=pair.pk, who="lead")
        assert "Ben Okoro rides with Lea Bell" in said(answer)
        assert run.bookings.live().get(seat=SECOND).person == ben
        cora = Person.objects.get(name="Cora Desk").user
        assert set(Event.objects.filter(verb="ride agreed").values_list("by", flat=True)) == {cora.pk}
        assert "both said yes" in text_of(answer)
        press_undo(desk, answer)
        assert not run.bookings.live().filter(seat=SECOND).exists()

    def test_a_no_by_phone_and_its_undo(self, desk, pair, ben):
        answer = post(desk, do="decline", pairing=pair.pk, who="trainee")
        assert "Ben Okoro has said no, and Lea Bell is told." in said(answer)
        assert "Ben Okoro said no" in text_of(answer)
        press_undo(desk, answer)
        assert Pairing.objects.open().get().trainee == ben

    def test_withdrawn_and_a_second_tap(self, desk, pair):
        assert "Not proposed any more: Ben Okoro with Lea Bell." in said(
            post(desk, do="withdraw", pairing=pair.pk)
        )
        assert "One of you" not in said(post(desk, do="withdraw", pairing=pair.pk))
        assert "was there nothing" not in said(post(desk, do="agree", pairing=pair.pk, who="lead"))
        assert not Pairing.objects.open().exists()

    def test_impossible_meanwhile_says_why(self, desk, pair, run):
        seat(run=run, person=trainee("Dee Marsh", days=1), seat=SECOND, by=None)
        answer = post(desk, do="agree", pairing=pair.pk, who="lead")
        assert "It is not possible any more, and both are told. Just taken" in said(answer)

    def test_nonsense_asks_nobody(self, desk, pair, ben, lea, run):
        for piece in NONSENSE:
            for fields in (
                {"do": piece},
                {"do": "ask", "pair": piece},
                {"do": "ask", "pair": f"{ben.pk}-{run.pk}-{lea.pk}", "ride": piece},
                {"do": "ask all", "pair": [piece, piece]},
                {"do": "withdraw", "pairing": piece},
            ):
                if fields.get("pairing") != str(pair.pk):
                    assert desk.post("/desk/rides/", fields).status_code == 302
        assert list(Pairing.objects.all()) == [pair]
        assert desk.post("/desk/rides/", {"do": "agree", "pairing": "x"}).status_code == 404

    def test_the_number_of_queries_does_not_grow(self, desk, pair):
        few, _ = queries_of(desk, "/desk/rides/")
        for number in range(5):
            trainee(f"Eve{number} Marsh", days=9 + number)
            led_run(4 + number)
            other, lead = trainee(f"Fay{number} Marsh", days=30 + number), lead_driver()
            pairing.propose(run=led_run(12 + number, lead), trainee=other, lead=lead, by=None)
        many, queries = queries_of(desk, "/desk/rides/")
        assert many <= few, queries
        assert few < 40 + EVERY_PAGE

    def test_the_run_s_page_says_who_is_asked_and_what_was_done(self, desk, pair, run):
        page = text_of(desk.get(f"/desk/runs/{run.pk}/"))
        assert "Ben Okoro and Lea Bell are asked about a shadow ride on this run." in page
        assert "asked Ben Okoro and Lea B. about a shadow ride" in page


class TestThePrivateLink:
    def link(self, pair, person):
        return f"/rides/{pairing.token_of(pair, person)}/"

    def starts(self, pair):
        return int(pair.run.starts_at.timestamp())

    def test_it_shows_the_run_who_and_how_and_changes_nothing(self, client, pair, ben, lea):
        answer = client.get(self.link(pair, ben))
        page = text_of(answer)
        for words in ("A shadow ride with Lea B.?", "Morning run", "You ride along in Lea&#x27;s car.",
                      "Yes, I ride with them", "seat belt", "49 CFR 571.110"):  # fmt: skip
            assert words in page
        assert not re.search("555-0111|Bell", page), "phones and names when it is fixed"
        assert answer["X-Robots-Tag"] == "noindex"
        assert "no-store" in answer["Cache-Control"]
        assert "Can Ben O. ride with you?" in text_of(client.get(self.link(pair, lea)))
        pair.refresh_from_db()
        assert pairing.state_of(pair) == "asked"

    def test_both_say_yes_without_signing_in(self, client, pair, ben, lea, run):
        sent = {"answer": "yes", "starts_at": self.starts(pair)}
        page = text_of(client.post(self.link(pair, lea), sent, follow=True))
        assert "It is fixed once Ben O. says yes too" in page
        page = text_of(client.post(self.link(pair, ben), sent, follow=True))
        assert "You and Lea B. have both said yes. See you there!" in page
        assert run.bookings.live().get(seat=SECOND).person == ben
        assert "You and Ben O. have both said yes." in text_of(client.get(self.link(pair, lea)))

    @pytest.mark.parametrize("how", ["given back", "cancelled", "no lead"])
    def test_a_ride_that_fell_through_is_not_shown_as_fixed(self, how, client, pair, ben, lea, run):
        for person in (ben, lea):
            pair = pairing.agree(pair, person, by=None)
        if how == "given back":
            give_back(pair.booking, by=ben.user)
        elif how == "cancelled":
            cancel_run(run, reason="", by=None)
        else:
            give_back(run.bookings.get(seat=Booking.Seat.DRIVER), by=None)
        for person in (ben, lea):
            page = text_of(client.get(f"/rides/{pairing.token_of(pair, person)}/"))
            assert "See you there!" not in page
            assert "This ride is not proposed any more." in page

    def test_whoever_has_said_yes_can_still_say_no(self, client, pair, lea):
        client.post(self.link(pair, lea), {"answer": "yes", "starts_at": self.starts(pair)})
        assert "I can't after all" in text_of(client.get(self.link(pair, lea)))
        client.post(self.link(pair, lea), {"answer": "no"})
        pair.refresh_from_db()
        assert (pair.outcome, pair.declined_by) == ("declined", lea)

    def test_a_no_with_a_word_and_what_the_other_sees(self, client, pair, ben, lea):
        page = text_of(client.post(self.link(pair, ben), {"answer": "no", "word": "Tuesdays"}, follow=True))
        assert "You have said no. Thank you for answering." in page
        assert "Call the coordinator" in page
        other = text_of(client.get(self.link(pair, lea)))
        assert "this ride is not proposed any more" in other
        assert "Tuesdays" not in other
        assert "Tuesdays" in text_of(desk_client().get("/desk/rides/"))

    def test_a_run_moved_since_is_shown_anew(self, client, pair, ben):
        answer = client.post(self.link(pair, ben), {"answer": "yes", "starts_at": self.starts(pair) - 3600})
        assert answer.status_code == 409
        assert "The run was moved: it starts on Fri, Jun 5 at 10:00 a.m." in text_of(answer)

    def test_what_cannot_be_any_more_says_why(self, client, pair, ben, run):
        seat(run=run, person=trainee("Dee Marsh", days=1), seat=SECOND, by=None)
        assert "Just taken" in text_of(client.get(self.link(pair, ben)))
        sent = {"answer": "yes", "starts_at": self.starts(pair)}
        page = text_of(client.post(self.link(pair, ben), sent, follow=True))
        assert "This ride is not proposed any more." in page

    @pytest.mark.parametrize("how", ["barred", "elsewhere", "pausing"])
    def test_why_the_trainee_cannot_is_not_the_lead_s_to_read(self, how, client, pair, ben, lea, run):
        if how == "barred":
            NotAt.objects.create(person=ben, site=run.ordered_stops[0].site, at=NOW)
        elif how == "elsewhere":
            put(ben, make_run(title="Evening run", starts_at=run.starts_at))
        else:
            Person.objects.filter(pk=ben.pk).update(paused_on=TODAY)
        pages = {
            person: text_of(client.get(f"/rides/{pairing.token_of(pair, person)}/")) for person in (ben, lea)
        }
        private = {"barred": "with other people", "elsewhere": "Evening run", "pausing": "on a break"}[how]
        assert private in pages[ben]
        assert private not in pages[lea]
        assert "This ride is not proposed any more. Nothing has changed for you." in pages[lea]

    @pytest.mark.parametrize("said", ["", "maybe", "\0", "YES"])
    def test_neither_yes_nor_no_asks_again(self, client, pair, ben, said):
        answer = client.post(self.link(pair, ben), {"answer": said})
        assert answer.status_code == 400
        assert "Choose one of the two." in text_of(answer)

    def test_a_wrong_link_is_none(self, client, pair, ben):
        right = self.link(pair, ben)
        for wrong in (right[:-3] + "/", "/rides/1-x/", f"/rides/{pair.pk + 1}" + right[right.index("-") :]):
            assert client.get(wrong).status_code == 404

    def test_a_program_without_our_form_changes_nothing(self, pair, ben):
        strict = Client(enforce_csrf_checks=True)
        assert strict.post(self.link(pair, ben), {"answer": "yes"}).status_code == 403

    def test_signed_in_it_is_on_the_first_page(self, client, pair, ben):
        Person.objects.filter(pk=ben.pk).update(user=sign_in_for(ben.email))
        client.force_login(Person.objects.get(pk=ben.pk).user)
        page = text_of(client.get("/"))
        assert "A shadow ride with Lea B.?" in page
        assert self.link(pair, ben) in page
        client.post(self.link(pair, ben), {"answer": "yes", "starts_at": self.starts(pair)})
        assert "A shadow ride with Lea B.?" not in text_of(client.get("/")), "answered"
        assert Event.objects.get(verb="ride agreed").by == Person.objects.get(pk=ben.pk).user

    def test_the_mail_names_the_page(self, pair, ben):
        assert self.link(pair, ben) in Message.objects.get(person=ben).text


class TestHowTheyRide:
    @pytest.fixture
    def lead_client(self, client, lea):
        Person.objects.filter(pk=lea.pk).update(user=sign_in_for(lea.email))
        client.force_login(Person.objects.get(pk=lea.pk).user)
        return client

    @pytest.fixture
    def seated(self, ben, run):
        return seat(run=run, person=ben, seat=SECOND, by=None)

    def test_the_lead_says_it_on_the_run_s_page(self, lead_client, seated, run):
        page = text_of(lead_client.get(f"/runs/{run.pk}/"))
        assert "Ben rides along in your car." in page
        assert "How Ben rides" in page
        answer = lead_client.post(f"/runs/{run.pk}/ride/", {"ride": "drives"}, follow=True)
        assert "Noted. Ben is told." in said(answer)
        assert "Ben drives, with you beside them." in text_of(answer)
        assert "Ask your insurer first" in text_of(answer)

    def test_the_trainee_sees_it_and_changes_nothing(self, client, seated, ben, run):
        Booking.objects.filter(pk=seated.pk).update(ride="follows")
        Person.objects.filter(pk=ben.pk).update(user=sign_in_for(ben.email))
        client.force_login(Person.objects.get(pk=ben.pk).user)
        page = text_of(client.get(f"/runs/{run.pk}/"))
        assert "You follow Lea in your own car." in page
        assert "follows in their own car" in page, "in the second seat"
        assert f"/runs/{run.pk}/ride/" not in page
        assert client.post(f"/runs/{run.pk}/ride/", {"ride": "along"}).status_code == 404

    def test_without_papers_it_is_refused_in_words(self, lead_client, seated, ben, run):
        ben.completions.filter(step__code="license").update(valid_until=TODAY)
        assert "How Ben rides" not in text_of(lead_client.get(f"/runs/{run.pk}/"))
        answer = lead_client.post(f"/runs/{run.pk}/ride/", {"ride": "drives"}, follow=True)
        assert "Ben Okoro cannot drive on that date. Still missing: Driver&#x27;s license." in text_of(answer)
        seated.refresh_from_db()
        assert seated.ride == "along"

    def test_the_coordinator_says_it_at_the_desk_and_undoes_it(self, desk, seated, run):
        page = text_of(desk.get(f"/desk/runs/{run.pk}/"))
        assert "How Ben rides" in page
        answer = desk.post(f"/desk/runs/{run.pk}/ride/", {"ride": "follows"}, follow=True)
        assert "Ben Okoro follows in their own car. Both are told." in said(answer)
        assert "how Ben Okoro rides: follows in their own car" in text_of(answer)
        press_undo(desk, answer)
        seated.refresh_from_db()
        assert seated.ride == "along"

    def test_at_the_desk_without_papers(self, desk, seated, ben, run):
        ben.completions.filter(step__code="license").update(valid_until=TODAY)
        assert "Rides along. Ben Okoro cannot drive on that date." in text_of(
            desk.get(f"/desk/runs/{run.pk}/")
        )
        answer = desk.post(f"/desk/runs/{run.pk}/ride/", {"ride": "follows"}, follow=True)
        assert "Nothing was changed. Ben Okoro cannot drive on that date." in said(answer)

    def test_the_same_again_promises_no_word_to_anybody(self, desk, lead_client, seated, run):
        before = Message.objects.count()
        at_desk = desk.post(f"/desk/runs/{run.pk}/ride/", {"ride": "along"})
        by_lead = lead_client.post(f"/runs/{run.pk}/ride/", {"ride": "along"})
        assert "told" not in said(at_desk) + said(by_lead)
        assert Message.objects.count() == before

    def test_nonsense_and_empty_seats(self, desk, lead_client, run, ben):
        for piece in NONSENSE:
            assert desk.post(f"/desk/runs/{run.pk}/ride/", {"ride": piece}).status_code == 404
            assert lead_client.post(f"/runs/{run.pk}/ride/", {"ride": piece}).status_code == 404
        seat(run=run, person=ben, seat=SECOND, by=None)
        for piece in NONSENSE:
            assert desk.post(f"/desk/runs/{run.pk}/ride/", {"ride": piece}).status_code == 302
            assert lead_client.post(f"/runs/{run.pk}/ride/", {"ride": piece}).status_code == 302
        assert Booking.objects.get(seat=SECOND).ride == "along"

    def test_a_helper_who_is_ready_is_no_trainee(self, desk, run):
        put(ready_person(), run, SECOND)
        assert 'id="how"' not in text_of(desk.get(f"/desk/runs/{run.pk}/"))

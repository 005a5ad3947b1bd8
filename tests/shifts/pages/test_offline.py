"""What a phone kept and sends later: done once, answered each time, and by nobody but whose it is."""

import json
from datetime import timedelta
from uuid import uuid4

import pytest
import time_machine
from django.test import Client
from django.urls import resolve

from shifts import worker
from shifts.models import Booking, SentOnce
from shifts.seats.booking import give_back
from shifts.seats.changes import cancel_run
from shifts.seats.rides import take_back
from tests.factories import PersonFactory, lead_driver, make_ready, make_run, put
from tests.shifts.pages.at_the_desk import DAY, NONSENSE, NOW, all_rows, said
from volunteers.models import SignOff

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def lee(client):
    person = lead_driver(name="Lee Lead", sign_in=True)
    client.force_login(person.user)
    return person


@pytest.fixture
def tom():
    return make_ready(PersonFactory(name="Tom Wren", sign_in=True), without=("ride",))


@pytest.fixture
def ride(lee, tom):
    run = make_run(starts_at=NOW - DAY)
    put(lee, run)
    put(tom, run, Booking.Seat.SECOND)
    return run


def send(client, run, key=None, **words):
    fields = {"outcome": "ready", **words}
    if key is not None:
        fields["sent_key"] = key
    return client.post(f"/runs/{run.pk}/sign-off/", fields)


class TestOnce:
    def test_the_answer_names_the_key_and_the_page_to_go_to(self, client, ride):
        key = str(uuid4())
        answer = send(client, ride, key, next=f"/runs/{ride.pk}/sheet/")
        assert answer.status_code == 200
        assert answer.json() == {
            "key": key,
            "said": "Recorded. Tom reads your words here.",
            "to": f"/runs/{ride.pk}/sheet/",
        }
        assert answer["Cache-Control"] == "no-store"
        assert SignOff.objects.count() == 1

    def test_the_same_key_again_gets_the_same_answer_and_does_nothing(self, client, ride):
        key = str(uuid4())
        first = send(client, ride, key, remarks="Calm")
        before = all_rows()
        again = send(client, ride, key, remarks="Other words", outcome="again")
        assert (again.status_code, again.json()) == (first.status_code, first.json())
        assert all_rows() == before

    def test_even_when_the_seat_is_gone_since(self, client, ride, lee):
        """The answer was lost on the way, and the phone asks again a day later."""
        key = str(uuid4())
        first = send(client, ride, key)
        ride.bookings.filter(person=lee).delete()
        assert send(client, ride, key).json() == first.json()

    def test_another_key_is_another_try(self, client, ride):
        """Two phones with the same ride: the second is told who was first, and its words are its own."""
        send(client, ride, str(uuid4()), outcome="again")
        key = str(uuid4())
        answer = send(client, ride, key, remarks="Keep these")
        assert answer.status_code == 409
        assert answer.json() == {
            "key": key,
            "why": "This ride was signed off already by Lee Lead: ride once more. "
            "If that is wrong, the coordinator can take it back.",
        }
        assert SignOff.objects.get().outcome == "again"

    def test_what_is_refused_leaves_nothing_and_can_be_tried_again(self, client, ride, lee):
        key = str(uuid4())
        signed = send(client, ride, str(uuid4()))
        assert signed.status_code == 200
        assert send(client, ride, key).status_code == 409
        assert SentOnce.objects.count() == 1
        take_back(SignOff.objects.get(), reason="By mistake.", by=None)
        assert send(client, ride, key).status_code == 200
        assert SentOnce.objects.count() == 2

    def test_what_a_form_lacks_is_said_in_one_line(self, client, ride):
        answer = send(client, ride, str(uuid4()), outcome="", remarks="x" * 2_001)
        assert answer.status_code == 400
        why = answer.json()["why"]
        assert "How it went: Choose one of the two." in why
        assert "A word to them: " in why
        assert not SentOnce.objects.exists()

    def test_points_that_the_coordinator_changed_since_are_taken_as_they_stood(self, client, ride):
        assert send(client, ride, str(uuid4()), checklist=["A point of last week"]).status_code == 200
        assert SignOff.objects.get().checklist == ["A point of last week"]

    def test_the_key_of_another_sign_in_is_another_key(self, client, ride, lee, tom):
        key = str(uuid4())
        other = make_run(starts_at=NOW - 2 * DAY)
        lead = lead_driver(sign_in=True)
        put(lead, other)
        put(make_ready(PersonFactory(), without=("ride",)), other, Booking.Seat.SECOND)
        send(client, ride, key)
        client.force_login(lead.user)
        assert send(client, other, key).status_code == 200
        assert SignOff.objects.count() == SentOnce.objects.filter(key=key).count() == 2

    @pytest.mark.parametrize("change", ["given back", "cancelled"])
    def test_what_is_theirs_no_more_is_told_with_its_key(self, client, tom, lee, change):
        run = make_run(starts_at=NOW + DAY)
        booking = put(lee, run)
        put(tom, run, Booking.Seat.SECOND)
        if change == "cancelled":
            cancel_run(run, reason="Snow", by=None)
        else:
            give_back(booking, by=None, at=NOW)
        key = str(uuid4())
        answer = send(client, run, key)
        assert (answer.status_code, answer.json()["key"]) == (404, key)
        assert "Call the coordinator" in answer.json()["why"]

    def test_without_a_script_the_form_simply_posts(self, client, ride):
        answer = send(client, ride)
        assert (answer.status_code, answer["Location"]) == (302, f"/runs/{ride.pk}/")
        assert "Recorded." in said(answer)
        assert not SentOnce.objects.exists()

    @pytest.mark.parametrize("key", NONSENSE)
    def test_nonsense_is_no_key(self, client, ride, key):
        assert send(client, ride, key).status_code == 302
        assert not SentOnce.objects.exists()

    def test_where_it_returns_to_is_one_of_our_pages(self, client, ride):
        answer = send(client, ride, str(uuid4()), next="https://elsewhere.example/")
        assert answer.json()["to"] == f"/runs/{ride.pk}/"


class TestWhose:
    def test_a_household_s_other_member_sends_it_as_the_one_who_wrote_it(self, client, ride, lee):
        other = PersonFactory(name="Ada First")
        other.user = lee.user
        other.save()
        client.post("/me/act-for/", {"person": other.pk})
        assert send(client, ride, str(uuid4())).status_code == 404
        assert send(client, ride, str(uuid4()), sent_as=lee.pk).status_code == 200
        assert client.get("/").context["person"] == other, "for this once"

    def test_nobody_acts_for_people_who_are_not_theirs(self, client, ride, lee):
        client.force_login(PersonFactory(sign_in=True).user)
        assert send(client, ride, str(uuid4()), sent_as=lee.pk).status_code == 404
        assert not SignOff.objects.exists()

    @pytest.mark.parametrize("person", NONSENSE)
    def test_nonsense_acts_for_whoever_it_was(self, client, ride, person):
        assert send(client, ride, str(uuid4()), sent_as=person).status_code == 200

    def test_without_a_sign_in_it_is_sent_to_sign_in_and_nothing_is_done(self, ride):
        answer = send(Client(), ride, str(uuid4()))
        assert answer.status_code == 302
        assert answer["Location"].startswith("/account/login/")
        assert not SignOff.objects.exists()

    def test_an_old_token_is_refused_and_a_fresh_one_taken(self, ride, lee):
        strict = Client(enforce_csrf_checks=True)
        strict.force_login(lee.user)
        fields = {"outcome": "ready", "sent_key": str(uuid4()), "csrfmiddlewaretoken": "x" * 64}
        assert strict.post(f"/runs/{ride.pk}/sign-off/", fields).status_code == 403
        fields["csrfmiddlewaretoken"] = strict.get("/offline/token/").json()["token"]
        assert strict.post(f"/runs/{ride.pk}/sign-off/", fields).status_code == 200


class TestToken:
    def test_says_who_is_signed_in(self, client, lee):
        answer = client.get("/offline/token/")
        assert answer.json()["user"] == str(lee.user.pk)
        assert "no-store" in answer["Cache-Control"]

    def test_nobody(self):
        answer = Client().get("/offline/token/")
        assert answer.json()["user"] is None
        assert answer.json()["token"]


class TestServiceWorker:
    def test_it_stands_at_the_root_unhashed_and_is_asked_for_anew(self, client):
        answer = client.get("/sw.js")
        assert answer.status_code == 200
        assert answer["Content-Type"].startswith("text/javascript")
        assert answer["Cache-Control"] == "no-cache"
        assert resolve("/sw.js").url_name == "service_worker"
        assert "/static/app.css" in answer.content.decode()
        assert "X-Keep" in answer.content.decode()

    def test_it_is_the_same_for_all(self, client, lee):
        signed_in = client.get("/sw.js")
        assert signed_in.content == Client().get("/sw.js").content
        assert "Vary" not in signed_in

    def test_every_page_says_whose_it_is(self, client, lee):
        assert f'data-user="{lee.user.pk}" data-person="{lee.pk}"' in client.get("/").content.decode()
        assert 'data-user="" data-person=""' in Client().get("/").content.decode()


def test_answers_are_kept_for_ninety_days(client, ride, lee):
    send(client, ride, str(uuid4()))
    worker.tick(NOW + 89 * DAY)
    assert SentOnce.objects.count() == 1
    worker.tick(NOW + 90 * DAY + timedelta(minutes=1))
    assert SentOnce.objects.count() == 0


def test_an_answer_is_kept_with_its_fact(client, ride, lee):
    key = uuid4()
    answer = send(client, ride, str(key))
    row = SentOnce.objects.get()
    assert (row.key, row.user, row.address) == (key, lee.user, f"/runs/{ride.pk}/sign-off/")
    assert (row.status, row.at) == (200, NOW)
    assert row.answer == {name: value for name, value in json.loads(answer.content).items() if name != "key"}

"""No more mails of a kind: the page for people, its undo, and the boxes on one's own page."""

import re

import pytest

from config.logs import mask
from sites.models import Event
from tests.factories import PersonFactory
from volunteers import links, stopping
from volunteers.models import Person

pytestmark = pytest.mark.django_db
STOP = {"List-Unsubscribe": "One-Click"}


@pytest.fixture
def ana():
    return PersonFactory(name="Ana Bell", sign_in=True)


@pytest.fixture
def link(ana):
    return f"/stop/{stopping.token_of(ana, stopping.REMINDERS)}/"


def text_of(response):
    return re.sub(r"\s+", " ", response.content.decode())


def test_it_says_what_it_would_do_and_does_nothing(client, ana, link):
    answer = client.get(link)
    assert "<h1>No more reminders by mail?</h1>" in text_of(answer)
    assert "changes and cancellations of your runs, come in any case" in text_of(answer)
    assert Person.objects.get().wants_reminders
    assert (answer["Referrer-Policy"], answer["X-Robots-Tag"]) == ("same-origin", "noindex")
    assert mask(f"GET {link} 200") == "GET /stop/***/ 200"


def test_the_button_turns_it_off_and_another_on_again(client, ana, link):
    off = client.post(link, STOP)
    assert "<h1>You get no reminders by mail</h1>" in text_of(off)
    assert not Person.objects.get().wants_reminders
    on = client.post(link, {"turn": "on"})
    assert "<h1>No more reminders by mail?</h1>" in text_of(on)
    assert Person.objects.get().wants_reminders
    said = Event.objects.filter(person_id=ana.pk, verb="changed").values_list("by", "after")
    assert sorted(said, key=str) == [
        (ana.user_id, {"wants_reminders": False}),
        (ana.user_id, {"wants_reminders": True}),
    ]


def test_requests_have_a_link_of_their_own(client, ana):
    client.post(f"/stop/{stopping.token_of(ana, stopping.REQUESTS)}/", STOP)
    person = Person.objects.get()
    assert (person.wants_requests, person.wants_reminders) == (False, True)


def test_anything_else_is_said_in_place(client, link):
    answer = client.post(link, {"x": "y"})
    assert (answer.status_code, "Press the button on this page." in text_of(answer)) == (400, True)
    assert "<title>Error:" in text_of(answer)


@pytest.mark.parametrize("wrong", ["x", "1-abc", "99999-abc", "٣-abc"])
def test_a_wrong_one_is_not_found(client, ana, wrong):
    assert client.get(f"/stop/{wrong}/").status_code == 404
    assert client.post(f"/stop/{wrong}/", STOP).status_code == 404


def test_a_link_for_something_else_turns_nothing_off(client, ana):
    for purpose in ("feed", "stop", "stop everything"):
        token = links.token(purpose, ana, "")
        assert client.post(f"/stop/{token}/", STOP).status_code == 404


class TestMe:
    def test_two_boxes(self, client, ana):
        client.force_login(ana.user)
        text = text_of(client.get("/me/"))
        assert "Remind me of my runs" in text
        assert "Ask me when a run has no driver" in text
        answer = client.post("/me/mails/", {"wants_requests": "on"}, follow=True)
        assert "Saved." in text_of(answer)
        person = Person.objects.get()
        assert (person.wants_reminders, person.wants_requests) == (False, True)
        client.post("/me/mails/", {"wants_reminders": "on", "wants_requests": "on"})
        assert Person.objects.get().wants_reminders

    def test_the_other_form_of_the_page_leaves_them_alone(self, client, ana):
        Person.objects.update(wants_reminders=False)
        client.force_login(ana.user)
        facts = {"name": "Ana", "phone": "", "language": "en", "reach": "mail", "runs_a_week": "2"}
        assert client.post("/me/", facts).status_code == 302
        person = Person.objects.get()
        assert (person.name, person.wants_reminders) == ("Ana", False)

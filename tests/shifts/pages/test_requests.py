"""The private link of a request: it shows the run and takes the answer, from whoever holds it, once."""

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from shifts.models import Ask, Booking, Search
from shifts.seats import requests, searches
from shifts.seats.booking import give_back
from shifts.seats.own_links import word_path
from sites.changes import set_contacts
from sites.models import Programme
from tests.factories import make_run, put, ready_person
from tests.shifts.pages.at_the_desk import DAY, NONSENSE, NOW, queries_of, text_of
from volunteers import progress
from volunteers.doors import publish
from volunteers.models import Person

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def run(db):
    Programme.objects.update_or_create(pk=1, defaults={"name": "Fernhollow Food Run", "contact_name": "Cora"})
    run = make_run(title="Market run", crates=12, starts_at=NOW + 3 * DAY, note="Ring twice.")
    publish(run.ordered_stops[0].site, {"entrance": "The blue door"}, by=None)
    return run


@pytest.fixture
def search(run):
    return Search.objects.create(run=run, opened_at=NOW)


@pytest.fixture
def ana(db):
    return ready_person(name="Ana Bell", sign_in=True)


@pytest.fixture
def ask(search, ana):
    return requests.ask_person(search, ana, wave=1, by=None, at=NOW, mailed=True)


def say(client, ask, answer, **more):
    return client.post(requests.path_of(ask), {"answer": answer, **more}, follow=True)


def test_it_shows_what_is_asked_and_by_whom(client, ask, run):
    answer = client.get(requests.path_of(ask))
    text = text_of(answer)
    assert answer.status_code == 200
    for words in (
        "Can you take this run?",
        "Market run",
        "10:00 a.m.",
        "about 12 crates expected",
        "Ana, this run has no driver. Cora asks whether you can take it.",
        "Which door: The blue door",
        "Ring twice.",
        *(stop.site.name for stop in run.ordered_stops),
    ):
        assert words in text
    assert answer["X-Robots-Tag"] == "noindex"
    assert answer["Referrer-Policy"] == "same-origin"
    assert "no-store" in answer["Cache-Control"]


def test_looking_answers_nothing(client, ask):
    for method in (client.get, client.head):
        method(requests.path_of(ask), {"answer": "yes"})
    assert Ask.objects.get().answer == ""


def test_contacts_are_for_whoever_drives(client, ask, run):
    set_contacts(run.ordered_stops[0].site, [{"name": "Dockmaster", "role": "", "phone": ""}], by=None)
    assert "Dockmaster" not in text_of(client.get(requests.path_of(ask)))


@pytest.mark.parametrize("signed_in", [False, True, "another"])
def test_a_yes_signed_out_and_in(ask, run, ana, signed_in):
    client = Client()
    if signed_in:
        client.force_login(ana.user if signed_in is True else ready_person(sign_in=True).user)
    text = text_of(say(client, ask, "yes"))
    assert "You drive" in text
    assert "The run is yours, and nobody else is asked." in text
    booking = Booking.objects.live().get(run=run)
    assert booking.person == ana
    assert booking.booked_by is not None


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ("no", "You have said no. Thank you for answering."),
        ("not week", "you are not asked about another run of that week"),
        ("less", "From now on you are asked at most once a week, and once more when it is urgent."),
    ],
)
def test_every_no_is_confirmed_in_place_and_can_be_changed(client, ask, answer, words):
    text = text_of(say(client, ask, answer))
    assert words in text
    assert "Changed your mind?" in text
    assert "You drive" in text_of(say(client, ask, "yes"))


def test_less_and_less(client, ask, ana):
    Person.objects.filter(pk=ana.pk).update(requests_a_week=3)
    assert "at most 2 times a week" in text_of(say(client, ask, "less"))
    Person.objects.filter(pk=ana.pk).update(requests_a_week=0)
    page = client.get(requests.path_of(ask))
    assert "only when it is urgent" in text_of(page)
    assert 'href="/me/#mails"' in page.content.decode()


def test_less_is_undone_on_my_page(client, ask, ana):
    say(client, ask, "less")
    client.force_login(ana.user)
    assert "At most so many times a week" in text_of(client.get("/me/"))
    client.post("/me/mails/", {"wants_requests": "on", "requests_a_week": "", "early_requests": "on"})
    ana.refresh_from_db()
    assert (ana.requests_a_week, ana.early_requests, ana.wants_requests) == (None, True, True)


def test_somebody_was_faster_and_the_others_may_stay_as_back_up(client, ask, search):
    other = requests.ask_person(search, ready_person(), wave=1, by=None, at=NOW, mailed=True)
    requests.answer(other, "yes", by=None)
    assert "It is filled, thank you" in text_of(client.get(requests.path_of(ask)))
    assert "somebody was a little faster" in text_of(say(client, ask, "yes"))
    assert "you are asked first" in text_of(say(client, ask, "back up"))
    assert Ask.objects.get(pk=ask.pk).is_back_up
    assert "somebody was a little faster" in text_of(say(client, ask, "no back up"))


def test_a_run_that_has_moved_is_shown_anew_and_asked_again(client, ask, run):
    run.starts_at += DAY
    run.ends_at += DAY
    run.local_date += DAY
    run.save()
    answer = say(client, ask, "yes")
    text = text_of(answer)
    again = Ask.objects.get(answer="")
    assert answer.redirect_chain[-1][0] == requests.path_of(again)
    assert "it was to start Fri, Jun 5, 10:00 a.m.)" in text
    assert "Sat, Jun 6" in text
    assert not Booking.objects.exists()
    old = client.get(requests.path_of(ask))
    assert old["Location"] == requests.path_of(again)
    assert "You drive" in text_of(say(client, ask, "yes", shown=requests.shown_of(run)))  # by the old link


def test_the_gate_says_why_in_place_and_what_to_do(client, ask, ana):
    progress.withdraw(ana.completions.get(step__code="insurance"), reason="Another card.", by=None)
    answer = say(client, ask, "yes")
    assert answer.status_code == 409
    assert "Still missing: Car insurance card" in text_of(answer)
    assert "Yes, I drive it" in text_of(answer)


def test_a_yes_by_mistake_is_given_back_without_signing_in(ask, run):
    client = Client()
    text = text_of(say(client, ask, "yes"))
    booking = Booking.objects.live().get(run=run)
    assert f'href="{word_path(booking)}"' in text
    client.post(word_path(booking), {"answer": "cannot"})
    assert not Booking.objects.live().filter(run=run).exists()


def test_over_is_over(client, ask, run):
    with time_machine.travel(run.starts_at, tick=False):
        assert "This run has started" in text_of(client.get(requests.path_of(ask)))
        answer = say(client, ask, "yes")
    assert answer.status_code == 409
    assert "No answer needed" in text_of(answer)


@pytest.mark.parametrize("junk", [*NONSENSE, "silent", "moved"])
def test_other_words_are_no_answer(client, ask, junk):
    answer = client.post(requests.path_of(ask), {"answer": junk, "shown": junk})
    assert answer.status_code == 400
    assert "Choose one of the answers." in text_of(answer)
    assert Ask.objects.get().answer == ""


@pytest.mark.parametrize("junk", NONSENSE)
def test_a_page_that_shows_nonsense_is_no_page_of_the_moved_run(client, ask, run, junk):
    run.starts_at += DAY
    run.ends_at += DAY
    run.save()
    say(client, ask, "yes", shown=junk)
    assert not Booking.objects.exists()


def test_a_wrong_link_leads_nowhere(client, ask):
    path = requests.path_of(ask)
    assert client.get(path[:-2] + "x/").status_code == 404
    assert client.get("/requests/1-/").status_code == 404


def test_in_the_language_of_the_mail(ask, ana):
    Person.objects.filter(pk=ana.pk).update(language="es")
    assert '<html lang="es"' in Client().get(requests.path_of(ask)).content.decode()
    chosen = Client()
    chosen.cookies["django_language"] = "en"
    assert '<html lang="en"' in chosen.get(requests.path_of(ask)).content.decode()


def test_it_stands_on_the_first_page_until_it_is_answered(ask, ana, search):
    client = Client()
    client.force_login(ana.user)
    page = client.get("/")
    assert requests.path_of(ask) in page.content.decode()
    say(client, ask, "no")
    assert requests.path_of(ask) not in client.get("/").content.decode()


def test_a_seat_given_back_again_is_said(client, ask, run):
    say(client, ask, "yes")
    give_back(Booking.objects.live().get(run=run), by=None)
    answer = say(client, ask, "yes")
    assert answer.status_code == 409
    assert "the seat is not yours any more" in text_of(answer)


@pytest.mark.parametrize(
    ("happens", "why"),
    [
        ("stopped", "The coordinator asks nobody any more about this run."),
        ("given back", "You said yes, and the seat is not yours any more."),
    ],
)
def test_no_button_stands_there_that_would_be_refused(client, ask, search, happens, why):
    if happens == "stopped":
        searches.end(search, Search.End.STOPPED, by=None, at=NOW)
    else:
        say(client, ask, "yes")
        give_back(Booking.objects.live().get(), by=None)
    text = text_of(client.get(requests.path_of(ask)))
    assert "No answer needed" in text
    assert why in text
    assert reverse("run", args=[search.run_id]) in text
    assert 'name="answer"' not in text


def test_once_answered_anew_nothing_asks_for_another_answer(client, ask, run):
    run.starts_at += DAY
    run.ends_at += DAY
    run.save()
    assert "please answer again" in text_of(say(client, ask, "yes"))
    assert "please answer again" not in text_of(say(client, ask, "no"))


def test_queries_of_the_page(client, ask, search):
    before, sql = queries_of(client, requests.path_of(ask))
    for _number in range(5):
        other = requests.ask_person(search, ready_person(), wave=1, by=None, at=NOW, mailed=True)
        put(other.person, make_run())
    assert queries_of(client, requests.path_of(ask))[0] == before, sql

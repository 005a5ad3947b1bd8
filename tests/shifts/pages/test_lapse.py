"""A paper that counts no longer: each later run that is booked says so at once, on every page that has it."""

from datetime import timedelta

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from shifts.cover.weaknesses import attention, weaknesses
from shifts.seats.booking import seat
from tests.factories import PersonFactory, make_ready, make_run
from tests.shifts.pages.at_the_desk import DAY, NOW, TODAY, desk_client, text_of
from volunteers.models import Step
from volunteers.progress import complete, withdraw

pytestmark = pytest.mark.django_db
NOT_READY = "Ana Bell is not ready to drive alone on that date."


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ana():
    return make_ready(PersonFactory(name="Ana Bell", sign_in=True), without=("insurance",))


@pytest.fixture
def booked(ana):
    """Two runs of Ana's, booked while her card was noted with the wrong year; then the right date is."""
    wrong = note(ana, 400)
    runs = [make_run(title=title, starts_at=NOW + days * DAY) for title, days in [("Early", 2), ("Late", 5)]]
    for run in runs:
        seat(run=run, person=ana, seat="driver", by=None)
    withdraw(wrong, reason="Wrong year.", by=None)
    return runs


def note(person, days):
    return complete(
        person=person, step=Step.objects.get(code="insurance"), valid_until=TODAY + days * DAY, by=None
    )


def flagged():
    return {weakness.run.title for weakness in attention(weaknesses(at=NOW)) if NOT_READY in weakness.why}


def page(person, name, run=None, **query):
    client = Client()
    client.force_login(person.user)
    return text_of(client.get(reverse(name, args=[run.pk] if run else []), query))


@pytest.mark.parametrize(
    ("days", "expected"), [(1, {"Early", "Late"}), (2, {"Late"}), (4, {"Late"}), (5, set())]
)
def test_only_the_runs_after_its_last_day(ana, booked, days, expected):
    note(ana, days)
    assert flagged() == expected


def test_on_the_desk_and_the_runs_own_page_there(ana, booked):
    note(ana, 3)
    early, late = booked
    desk = desk_client()
    assert text_of(desk.get("/desk/")).count(NOT_READY) == 1
    assert NOT_READY in text_of(desk.get(reverse("desk_run", args=[late.pk])))
    assert NOT_READY not in text_of(desk.get(reverse("desk_run", args=[early.pk])))


def test_on_the_list_of_papers_with_the_run(ana, booked):
    note(ana, 3)
    shown = text_of(desk_client().get("/desk/papers/"))
    assert "Endangers" in shown
    assert "Late" in shown
    assert "Early" not in shown


def test_on_the_volunteers_own_pages(ana, booked):
    early, late = booked
    note(ana, 3)
    assert "Car insurance card" in page(ana, "run", late)
    assert "Car insurance card" not in page(ana, "run", early)
    assert "Car insurance card" in page(ana, "home")


def test_on_the_day_after_its_last_it_is_over_everywhere(ana, booked):
    note(ana, 3)
    with time_machine.travel(NOW + timedelta(days=4), tick=False):
        shown = text_of(desk_client().get("/desk/papers/"))
        assert "ran out 6/5/2026" in shown
        assert flagged() == {"Late"}
        assert "Ran out" in page(ana, "orientation")


def test_the_new_date_clears_them_all_at_once(ana, booked):
    note(ana, 3)
    assert flagged()
    note(ana, 400)
    assert not flagged()
    assert "Car insurance card" not in page(ana, "run", booked[1])

"""Somebody's word that they will be there: taken, refused, taken back; each with its event."""

from datetime import timedelta

import pytest
from django.utils import timezone

from shifts.models import Booking
from shifts.pages.desk_history import history_of
from shifts.seats import presence
from shifts.seats.booking import give_back
from shifts.seats.changes import cancel_run, reshape_run, shape_of
from shifts.seats.refusals import Refusal
from sites.models import Event
from tests.factories import coordinator, make_run, put, ready_person

HOUR = timedelta(hours=1)
pytestmark = pytest.mark.django_db


@pytest.fixture
def booking():
    return put(ready_person(name="Ina Quell", sign_in=True), make_run())


@pytest.mark.parametrize(
    ("how", "words"),
    [
        (presence.LINK, "Ina Quell says that they will be there"),
        (presence.PHONE, "Ina Quell said by phone that they will be there"),
    ],
)
def test_it_is_written_down_with_who_and_when(booking, how, words):
    at = timezone.now()
    said = presence.confirm(booking, how=how, by=booking.person.user, at=at)
    assert said.confirmed_at == at
    event = Event.objects.about(booking.run).get(verb="confirmed")
    assert (event.at, event.by, event.person_id) == (at, booking.person.user, booking.person_id)
    assert history_of(booking.run)[0]["what"] == words


def test_twice_is_once(booking):
    at = timezone.now()
    presence.confirm(booking, how=presence.LINK, by=None, at=at)
    again = presence.confirm(booking, how=presence.PHONE, by=None, at=at + HOUR)
    assert again.confirmed_at == at
    assert Event.objects.filter(verb="confirmed").count() == 1


def test_it_is_taken_back_and_says_who_did(booking):
    desk = coordinator().user
    presence.confirm(booking, how=presence.PHONE, by=desk)
    assert presence.unconfirm(booking, by=desk).confirmed_at is None
    presence.unconfirm(booking, by=desk)
    event = Event.objects.about(booking.run).get(verb="not confirmed")
    assert (event.by, event.person_id) == (desk, booking.person_id)
    assert "has not said after all" in history_of(booking.run)[0]["what"]


def test_refused_when_the_seat_is_given_back(booking):
    give_back(booking, by=None)
    with pytest.raises(Refusal, match="no longer booked"):
        presence.confirm(booking, how=presence.LINK, by=None)
    assert not Event.objects.filter(verb="confirmed").exists()


def test_refused_when_the_run_is_cancelled(booking):
    cancel_run(booking.run, reason="Snow.", by=None)
    with pytest.raises(Refusal, match=r"cancelled\. Snow\."):
        presence.confirm(booking, how=presence.LINK, by=None)


def test_refused_when_the_run_is_over(booking):
    with pytest.raises(Refusal, match="over"):
        presence.confirm(booking, how=presence.LINK, by=None, at=booking.run.ends_at)
    assert presence.confirm(booking, how=presence.LINK, by=None, at=booking.run.ends_at - HOUR / 60)


@pytest.mark.parametrize(("later", "stays"), [(timedelta(minutes=15), True), (timedelta(days=1), False)])
def test_it_was_for_that_day(booking, later, stays):
    presence.confirm(booking, how=presence.LINK, by=None)
    shape = shape_of(booking.run)
    moved = {"starts_at": shape.starts_at + later, "ends_at": shape.ends_at + later}
    reshape_run(booking.run, type(shape)(**vars(shape) | moved), by=None)
    assert (Booking.objects.get(pk=booking.pk).confirmed_at is not None) == stays

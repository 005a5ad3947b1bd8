"""Who is called and who is told: the coordinators, and during a turn of cover somebody else instead."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.utils import timezone

from shifts.models import Booking, CoverTurn
from shifts.seats.booking import give_back
from shifts.seats.notices import in_words_of
from shifts.seats.on_call import as_reached, coordinators, covering, on_call
from sites.models import Programme
from tests.factories import PersonFactory, coordinator, lead_driver, make_run, put
from volunteers.models import Message, Person

pytestmark = pytest.mark.django_db

NOON = datetime(2026, 7, 8, 16, 0, tzinfo=UTC)  # noon of July 8 in New York


@pytest.fixture
def programme():
    return Programme.objects.update_or_create(
        pk=1, defaults={"contact_name": "Cora", "contact_phone": "+15555550100"}
    )[0]


@pytest.fixture
def cora(programme):
    return coordinator()


@pytest.fixture
def ray():
    return PersonFactory(name="Ray Cover", phone="+15555550177", sign_in=True)


def turn(person, first=date(2026, 7, 7), last=date(2026, 7, 9), **facts):
    return CoverTurn.objects.create(person=person, first=first, last=last, at=NOON, **facts)


def test_without_a_turn_the_coordinators_are_told_and_the_programmes_number_stands(cora, ray):
    assert list(coordinators(NOON)) == [cora]
    assert covering(NOON) is None
    assert (on_call(NOON).name, on_call(NOON).phone.as_e164) == ("Cora", "+15555550100")


def test_during_a_turn_both_move(cora, ray):
    turn(ray)
    assert list(coordinators(NOON)) == [ray]
    assert (on_call(NOON).name, on_call(NOON).phone.as_e164) == ("Ray Cover", "+15555550177")


@pytest.mark.parametrize(
    ("at", "covered"),
    [
        (datetime(2026, 7, 7, 3, 59, tzinfo=UTC), False),  # 11:59 p.m. of the eve in New York
        (datetime(2026, 7, 7, 4, 0, tzinfo=UTC), True),
        (datetime(2026, 7, 10, 3, 59, tzinfo=UTC), True),
        (datetime(2026, 7, 10, 4, 0, tzinfo=UTC), False),
    ],
)
def test_a_turn_is_whole_days_of_the_programmes_zone(cora, ray, at, covered):
    turn(ray)
    assert (list(coordinators(at)) == [ray]) is covered
    assert (on_call(at).name == "Ray Cover") is covered


def test_a_turn_that_was_ended_or_of_somebody_who_left_moves_nothing(cora, ray):
    turn(ray, ended_at=NOON)
    assert list(coordinators(NOON)) == [cora]
    turn(ray)
    Person.objects.filter(pk=ray.pk).update(left_on=date(2026, 7, 7))
    assert list(coordinators(NOON)) == [cora]
    assert on_call(NOON).name == "Cora"


def test_without_a_sign_in_nobody_covers(cora):
    turn(PersonFactory(by_phone=True))
    assert list(coordinators(NOON)) == [cora]


def test_somebody_without_a_phone_is_told_and_not_called(cora, ray):
    turn(ray)
    Person.objects.filter(pk=ray.pk).update(phone="")
    assert list(coordinators(NOON)) == [ray]
    assert on_call(NOON).phone.as_e164 == "+15555550100"


def test_pages_show_a_copy_of_the_programme_and_the_settings_keep_its_own(programme, ray):
    shown = as_reached(programme, ray)
    assert (shown.contact_name, shown.name) == ("Ray Cover", programme.name)
    assert programme.contact_name == "Cora"
    assert as_reached(programme, None) is programme


def test_mails_name_whoever_covers_but_not_to_themselves(cora, ray):
    today = timezone.now().astimezone(Programme.current().zone).date()
    turn(ray, today, today)
    with in_words_of(PersonFactory()) as reached:
        assert reached.contact_name == "Ray Cover"
    with in_words_of(ray) as reached:
        assert (reached.contact_name, reached.contact_phone.as_e164) == ("Cora", "+15555550100")


def test_a_give_back_at_short_notice_is_told_to_whoever_covers(cora, ray):
    at = timezone.now()
    today = at.astimezone(Programme.current().zone).date()
    turn(ray, today, today)
    booking = put(lead_driver(), make_run(starts_at=at + timedelta(hours=2)))
    give_back(booking, by=booking.person.user, end=Booking.End.GIVEN_BACK, at=at)
    assert [message.person for message in Message.objects.filter(kind="given back")] == [ray]
    assert "coordinator Cora" in Message.objects.get(kind="given back").text  # whom Ray can ask

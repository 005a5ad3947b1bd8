"""Turns of cover: begun, ended early, undone; who may, and what they are told."""

from datetime import timedelta

import pytest
from django.utils import timezone

from shifts.models import CoverTurn
from shifts.seats import cover_turns
from sites.models import Event
from tests.factories import PersonFactory, coordinator
from volunteers.models import Message, User
from volunteers.progress import NotPossible, today

pytestmark = pytest.mark.django_db
AT = timezone.now().replace(microsecond=0)
DAY = timedelta(days=1)


@pytest.fixture
def cora():
    return coordinator()


@pytest.fixture
def ray():
    return PersonFactory(name="Ray Cover", email="ray@example.org", phone="+15555550177")


@pytest.fixture
def first():
    return today(AT) + 7 * DAY


def begin(person, first, last=None, by=None):
    return cover_turns.begin(person, first=first, last=last or first + 2 * DAY, by=by, at=AT)


def test_somebody_covers_is_given_a_sign_in_and_told(ray, cora, first):
    turn = begin(ray, first, by=cora.user)
    ray.refresh_from_db()
    assert ray.user == User.objects.get(email="ray@example.org")
    assert not ray.user.is_coordinator
    assert (turn.by, turn.at, turn.ended_at) == (cora.user, AT, None)
    event = Event.objects.about(turn).get()
    assert (event.verb, event.by, event.person_id) == ("covers", cora.user, ray.pk)
    mail = Message.objects.get(person=ray)
    assert "You keep the desk from" in mail.subject
    assert "/desk/" in mail.text


def test_days_are_both_included_and_may_be_one(ray, first):
    turn = begin(ray, first, first)
    assert list(CoverTurn.objects.on(first)) == [turn]
    assert not CoverTurn.objects.on(first + DAY).exists()


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        ({"email": "", "reach": "call"}, "no e-mail address"),
        ({"phone": ""}, "no phone"),
        ({"is_adult": False, "drives": False}, "under 18"),
        ({"left_on": AT.date()}, "has left"),
    ],
)
def test_refused_to_whoever_cannot(facts, why, first):
    with pytest.raises(NotPossible, match=why):
        begin(PersonFactory(**facts), first)
    assert not CoverTurn.objects.exists()


def test_refused_for_days_that_are_over_or_the_wrong_way_round(ray, first):
    with pytest.raises(NotPossible, match="before the first"):
        begin(ray, first, first - DAY)
    with pytest.raises(NotPossible, match="over"):
        begin(ray, today(AT) - 3 * DAY, today(AT) - DAY)


def test_refused_where_somebody_covers_already_even_on_one_day(ray, first):
    begin(ray, first, first + 2 * DAY)
    other = PersonFactory()
    with pytest.raises(NotPossible, match="Ray Cover covers"):
        begin(other, first + 2 * DAY, first + 5 * DAY)
    assert begin(other, first + 3 * DAY, first + 5 * DAY).person == other


def test_ended_early_they_are_told(ray, cora, first):
    turn = begin(ray, first)
    Message.objects.update(state=Message.State.SENT)
    assert cover_turns.end(turn, by=cora.user, at=AT + DAY)
    turn.refresh_from_db()
    assert turn.ended_at == AT + DAY
    assert Event.objects.about(turn).first().verb == "covers no longer"
    assert Message.objects.filter(state=Message.State.OWED).get().subject == "You keep the desk no longer"
    assert not cover_turns.end(turn, by=cora.user, at=AT + DAY)


def test_ended_before_they_were_told_nothing_is_said(ray, cora, first):
    turn = begin(ray, first)
    cover_turns.end(turn, by=cora.user, at=AT)
    assert Message.objects.get().state == Message.State.REPLACED


def test_an_end_is_undone_and_ended_again_each_told(ray, cora, first):
    turn = begin(ray, first)
    for round in range(2):
        at = AT + timedelta(hours=round + 1)
        Message.objects.update(state=Message.State.SENT)
        cover_turns.end(turn, by=cora.user, at=at)
        Message.objects.update(state=Message.State.SENT)
        turn = cover_turns.go_on(turn, by=cora.user, at=at + timedelta(minutes=5))
        assert turn.ended_at is None
    subjects = [mail.subject for mail in Message.objects.order_by("pk")]
    assert [subject.split(" from")[0] for subject in subjects] == [
        "You keep the desk", "You keep the desk no longer", "You keep the desk",
        "You keep the desk no longer", "You keep the desk",
    ]  # fmt: skip


def test_an_end_is_not_undone_over_somebody_else(ray, cora, first):
    turn = begin(ray, first)
    cover_turns.end(turn, by=cora.user, at=AT)
    begin(PersonFactory(name="Bo Other"), first)
    with pytest.raises(NotPossible, match="Bo Other covers"):
        cover_turns.go_on(turn, by=cora.user, at=AT)

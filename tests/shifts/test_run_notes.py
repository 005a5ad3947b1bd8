"""A note on a run is told to all on it, each text once."""

from datetime import timedelta

import pytest
from django.utils import timezone

from shifts.models import Booking
from shifts.seats.run_notes import write_note
from tests.factories import PersonFactory, coordinator, lead_driver, make_run, put
from volunteers.models import Message

pytestmark = pytest.mark.django_db
AT = timezone.now().replace(microsecond=0)


@pytest.fixture
def run():
    run = make_run(title="Market")
    put(lead_driver(name="Ana Reyes"), run)
    put(PersonFactory(name="Bo Second", by_phone=True), run, Booking.Seat.SECOND)
    return run


def later(minutes):
    return AT + timedelta(minutes=minutes)


def sent():
    Message.objects.filter(state=Message.State.OWED).update(state=Message.State.SENT)
    Message.objects.filter(state=Message.State.TELL).update(state=Message.State.TOLD)


def told():
    return [(mail.person.name, mail.state) for mail in Message.objects.order_by("pk")]


def test_one_mail_each_and_by_phone_to_whoever_has_none(run):
    people = write_note(run, "Bring the cool box.", by=None, at=AT)
    assert [person.name for person in people] == ["Ana Reyes", "Bo Second"]
    assert told() == [("Ana Reyes", "owed"), ("Bo Second", "tell")]
    for mail in Message.objects.all():
        assert mail.subject.startswith("A note on your run: Market")
        assert "Bring the cool box." in mail.text


def test_the_same_text_again_says_nothing(run):
    write_note(run, "Bring the cool box.", by=None, at=AT)
    assert write_note(run, " Bring the cool box. ", by=None, at=later(1)) == []
    assert Message.objects.count() == 2


def test_undone_before_it_went_out_nothing_is_said(run):
    write_note(run, "Wrong run.", by=None, at=AT)
    assert write_note(run, "", by=None, at=later(1)) == []
    assert told() == [("Ana Reyes", "replaced"), ("Bo Second", "replaced")]


def test_taken_away_after_it_was_told_that_is_told(run):
    write_note(run, "Bring the cool box.", by=None, at=AT)
    sent()
    assert len(write_note(run, "", by=None, at=later(1))) == 2
    assert (
        "holds no longer" in Message.objects.last().text or "holds no longer" in Message.objects.first().text
    )


def test_another_text_is_told_and_back_to_the_first_before_it_went_out_is_not(run):
    write_note(run, "Bring the cool box.", by=None, at=AT)
    sent()
    assert len(write_note(run, "Bring two.", by=None, at=later(1))) == 2
    assert write_note(run, "Bring the cool box.", by=None, at=later(2)) == []
    assert Message.objects.filter(state=Message.State.REPLACED).count() == 2


def test_whoever_writes_it_and_sits_in_it_needs_no_mail():
    cora = coordinator()
    run = make_run()
    put(cora, run)
    assert write_note(run, "For me.", by=cora.user, at=AT) == []
    assert not Message.objects.exists()


@pytest.mark.parametrize(
    "facts",
    [{"starts_at": AT - timedelta(days=1)}, {"cancelled_at": AT, "cancel_cause": "called off"}],
)
def test_nothing_is_said_of_a_run_that_is_over_or_off(facts):
    run = make_run(**facts)
    put(lead_driver(), run)
    assert write_note(run, "Left the crates.", by=None, at=AT) == []
    assert not Message.objects.exists()

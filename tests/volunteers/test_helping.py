"""Hours given beside driving: noted, refused, taken back."""

from datetime import UTC, date, datetime, timedelta

import pytest

from sites.models import Event
from tests.factories import PersonFactory
from volunteers.helping import in_hours, note_help, take_back_help
from volunteers.models import HelpHours
from volunteers.progress import NotPossible

pytestmark = pytest.mark.django_db

AT = datetime(2026, 6, 2, 3, 30, tzinfo=UTC)  # still June 1 in New York
TODAY = date(2026, 6, 1)


@pytest.fixture
def ana():
    return PersonFactory(sign_in=True, drives=False)


def note(ana, **facts):
    return note_help(
        ana, **{"day": TODAY, "minutes": 90, "what": "Sorting", "by": ana.user, "at": AT, **facts}
    )


def test_noted_with_who_and_when(ana):
    row = note(ana)
    assert (row.person, row.day, row.minutes, row.what, row.at, row.by) == (
        ana, TODAY, 90, "Sorting", AT, ana.user,
    )  # fmt: skip
    event = Event.objects.get(verb="help noted")
    assert (event.by, event.at, event.person_id, event.after) == (
        ana.user, AT, ana.pk, {"day": "2026-06-01", "minutes": 90, "what": "Sorting"},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        ({"day": TODAY + timedelta(days=1)}, "still to come"),  # though it has begun in UTC
        ({"day": TODAY - timedelta(days=367)}, "more than a year ago"),
        ({"minutes": 0}, "quarter hours"),
        ({"minutes": -15}, "quarter hours"),
        ({"minutes": 20}, "quarter hours"),
        ({"minutes": 24 * 60 + 15}, "more than 24 hours"),
    ],
)
def test_refused(ana, facts, why):
    with pytest.raises(NotPossible, match=why):
        note(ana, **facts)
    assert not HelpHours.objects.exists()
    assert not Event.objects.exists()


def test_no_day_has_more_than_24_hours_whatever_the_parts(ana):
    note(ana, minutes=20 * 60)
    note(ana, minutes=4 * 60, what="Office")
    with pytest.raises(NotPossible, match="more than 24 hours"):
        note(ana, minutes=15, what="Calls")
    note(PersonFactory(), minutes=15)


def test_a_button_tapped_twice_notes_once(ana):
    first = note(ana)
    assert note(ana, at=AT + timedelta(seconds=5)) == first
    assert note(ana, at=AT + timedelta(minutes=5)) != first


def test_taken_back_with_who_and_when_and_once(ana):
    row = note(ana)
    assert take_back_help(row, by=ana.user, at=AT + timedelta(hours=1)) is True
    assert take_back_help(row, by=ana.user) is False
    assert not HelpHours.objects.live().exists()
    event = Event.objects.get(verb="help taken back")
    assert (event.by, event.at, event.person_id) == (ana.user, AT + timedelta(hours=1), ana.pk)
    note(ana, minutes=24 * 60)  # what was taken back counts no more


@pytest.mark.parametrize(("minutes", "words"), [(15, "0.25"), (90, "1.5"), (120, "2"), (1440, "24")])
def test_in_hours(minutes, words):
    assert in_hours(minutes) == words

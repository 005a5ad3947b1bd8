"""Who else is in the car: names for those on the run, a count for the sites."""

from datetime import UTC, datetime, timedelta

import pytest

from shifts.models import Run
from shifts.pages import desk_parts
from shifts.seats.alongside import note_also
from shifts.seats.booking import give_back
from shifts.seats.site_lists import week_of
from sites.models import Event
from tests.factories import coordinator, lead_driver, make_run, put, ready_person
from volunteers.progress import NotPossible

AT = datetime(2027, 2, 1, 15, 0, tzinfo=UTC)
START = AT + timedelta(days=2)
pytestmark = pytest.mark.django_db


@pytest.fixture
def booking():
    return put(ready_person(name="Ana Aster"), make_run(starts_at=START))


def note(booking, names="Lee and Kim", count=2, at=AT, by=None):
    return note_also(booking, names=names, count=count, by=by, at=at)


def visits(run):
    site = run.ordered_stops[0].site
    return [visit.who for day in week_of(site, run.local_date) for visit in day.visits]


def test_noted_and_in_the_log(booking):
    desk = coordinator()
    noted = note(booking, names=" Lee  and\nKim ", by=desk.user)
    assert (noted.also, noted.also_count) == ("Lee and Kim", 2)
    event = Event.objects.get(verb="also along")
    assert (event.by, event.at, event.after) == (desk.user, AT, {"names": "Lee and Kim", "count": 2})


def test_taken_away_again(booking):
    note(booking)
    gone = note(booking, names="", count=0)
    assert (gone.also, gone.also_count) == ("", 0)
    assert Event.objects.filter(verb="also along").count() == 2
    note(booking, names="", count=0)
    assert Event.objects.filter(verb="also along").count() == 2


@pytest.mark.parametrize(("names", "count"), [("Lee", 0), ("", 1), ("Lee", 7), ("Lee", -1)])
def test_names_and_a_count_a_car_can_hold(booking, names, count):
    with pytest.raises(NotPossible, match="how many"):
        note(booking, names=names, count=count)
    assert not Event.objects.exists()


def test_only_of_a_driver_until_the_run_is_over(booking):
    rider = put(lead_driver(), booking.run, "second")
    with pytest.raises(NotPossible, match="whoever drives"):
        note(rider)
    note(booking, at=booking.run.ends_at - timedelta(minutes=1))
    with pytest.raises(NotPossible, match="over"):
        note(booking, names="Kim", count=1, at=booking.run.ends_at)
    give_back(booking, by=None, at=AT)
    with pytest.raises(NotPossible, match="whoever drives"):
        note(booking)


def test_a_site_sees_the_count_alone(booking):
    assert visits(booking.run) == ["Ana"]
    note(booking)
    assert visits(booking.run) == ["Ana, with 2 riding along"]
    put(ready_person(name="Ben Okoro"), booking.run, "second")
    assert visits(booking.run) == ["Ana, with Ben and 2 riding along"]


def test_the_desk_and_the_week_on_paper_show_how_many(booking):
    note(booking)
    run = Run.objects.with_people().get(pk=booking.run_id)
    for short in (False, True):
        driver, _second = desk_parts.seats_of(run, short=short)
        assert "2 more along" in driver["note"]

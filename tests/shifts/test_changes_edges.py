"""Changes at their edges: a site that still has users, dates closed twice, what happens while a run is
driven and after it, and which change of a run is a new version for calendars."""

import email
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
import time_machine
from icalendar import Calendar

from shifts.calendar import entries, feed
from shifts.models import CalendarEntry
from shifts.schedule.making import Plan, add_shift
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run, reshape_run, shape_of
from shifts.seats.consequences import (
    InUse,
    change_person,
    change_site,
    close_site,
    end_site,
    lift_closure,
    publish_door_notes,
)
from shifts.seats.weekly import end_shift
from tests.factories import DropOffFactory, SiteFactory, make_run, ready_person
from volunteers.models import Message

AT = datetime(2027, 5, 3, 15, 0, tzinfo=UTC)  # a Monday
LATER = AT + timedelta(minutes=1)
TUESDAY = date(2027, 5, 4)
DAY = timedelta(days=1)
pytestmark = pytest.mark.django_db


@pytest.fixture
def market():
    return SiteFactory(name="Market")


@pytest.fixture
def kitchen():
    return DropOffFactory(name="Kitchen")


@pytest.fixture
def run(market, kitchen):
    return make_run(starts_at=AT + DAY, sites=[market, kitchen])


@pytest.fixture
def ana():
    return ready_person(name="Ana Aster", email="ana@example.org")


def take(run, person, at=AT):
    return seat(run=run, person=person, seat="driver", by=None, on_behalf=True, at=at)


def told(person, at=LATER):
    return list(Message.objects.filter(person=person, created_at=at))


def method_of(message):
    parts = email.message_from_bytes(bytes(message.raw)).walk()
    [body] = [part.get_payload(decode=True) for part in parts if part.get_content_type() == "text/calendar"]
    return Calendar.from_ical(body)["method"]


class TestASiteEnds:
    def why_not(self, site, at=LATER):
        with pytest.raises(InUse) as caught:
            end_site(site, by=None, at=at)
        site.refresh_from_db()
        assert site.ended_on is None
        return str(caught.value)

    def test_not_while_a_weekly_run_stops_there_though_its_end_is_known(self, market, kitchen):
        plan = Plan(
            rule="FREQ=WEEKLY;BYDAY=TU", starts=time(8), minutes=60, stops=((market.pk, 0), (kitchen.pk, 30))
        )
        shift = add_shift(name="Tuesdays", plan=plan, from_day=TUESDAY, by=None, at=AT)
        end_shift(shift, last_day=TUESDAY, by=None, at=AT)
        assert "Tuesdays" in self.why_not(market)
        over = AT + 2 * DAY
        assert end_site(market, by=None, at=over).ended_on == date(2027, 5, 5)

    def test_a_run_ahead_keeps_it_and_one_that_is_cancelled_does_not(self, market, run):
        assert "A run ahead still stops there" in self.why_not(market)
        cancel_run(run, reason="Snow", by=None, at=LATER)
        assert end_site(market, by=None, at=LATER).ended_on == date(2027, 5, 3)

    def test_not_while_food_goes_there_when_another_is_closed(self, kitchen):
        pantry = DropOffFactory(name="Pantry", fallback=kitchen)
        assert "Pantry" in self.why_not(kitchen)
        change_site(pantry, by=None, fallback=None, at=LATER)
        assert end_site(kitchen, by=None, at=LATER).ended_on


class TestSites:
    def test_the_step_of_its_door_notes_is_called_after_it(self, market):
        publish_door_notes(market, {"entrance": "Blue door."}, by=None, at=AT)
        change_site(market, by=None, street="2 New Street", at=LATER)
        assert market.steps.get().title == "Door notes: Market"
        change_site(market, by=None, name="Grocery", at=LATER)
        assert market.steps.get().title == "Door notes: Grocery"

    def test_a_feed_shows_the_newest_door_notes_alone(self, market, run, ana):
        take(run, ana)
        for at, door in ((AT, "Blue door."), (LATER, "Green door.")):
            publish_door_notes(market, {"entrance": door}, by=None, drivers_know_it=True, at=at)
        body = feed.feed(ana, at=LATER).body
        assert b"Green door." in body
        assert b"Blue door." not in body


class TestClosedDates:
    def test_closed_twice_is_told_once(self, market, kitchen, run, ana):
        take(run, ana)
        close_site(market, first=TUESDAY, last=TUESDAY, by=None, at=LATER)
        assert len(told(ana)) == 1
        later = LATER + timedelta(hours=1)
        close_site(kitchen, first=TUESDAY, last=TUESDAY, by=None, at=later)
        assert told(ana, later) == []

    def test_open_again_is_told_when_all_its_sites_are_open(self, market, kitchen, run, ana):
        take(run, ana)
        first, second = (
            close_site(site, first=TUESDAY, last=TUESDAY, by=None, at=AT) for site in (market, kitchen)
        )
        lift_closure(first, by=None, at=LATER)
        assert told(ana) == []
        later = LATER + timedelta(hours=1)
        lift_closure(second, by=None, at=later)
        [message] = told(ana, later)
        assert "It takes place after all" in message.text

    def test_a_run_moved_to_a_closed_date_leaves_the_calendar(self, market, run, ana):
        take(run, ana)
        close_site(market, first=TUESDAY + DAY, last=TUESDAY + DAY, by=None, at=AT)
        old = shape_of(run)
        closed = replace(old, starts_at=old.starts_at + DAY, ends_at=old.ends_at + DAY)
        reshape_run(run, closed, by=None, at=LATER)
        [message] = told(ana)
        assert method_of(message) == "CANCEL"
        assert not CalendarEntry.objects.live().exists()


class TestWhatIsANewVersion:
    def test_another_time_at_the_drop_off_is_one(self, run, ana):
        take(run, ana)
        old = shape_of(run)
        reshape_run(run, replace(old, crates=9), by=None, at=LATER)
        assert CalendarEntry.objects.get().sequence == 0
        later = ((old.stops[0][0], 0), (old.stops[1][0], 45))
        reshape_run(run, replace(old, crates=9, stops=later), by=None, at=LATER)
        assert CalendarEntry.objects.get().sequence == 1

    def test_from_a_clock_behind_it_does_not_turn_the_entry_back(self, run, ana):
        take(run, ana)
        old = shape_of(run)
        longer = replace(old, ends_at=old.ends_at + timedelta(minutes=5))
        reshape_run(run, longer, by=None, at=AT - timedelta(minutes=1))
        entry = CalendarEntry.objects.get()
        assert (entry.sequence, entry.changed_at) == (1, AT)

    def test_an_entry_that_never_noted_what_it_told_is_taken_to_be_right(self, run, ana):
        take(run, ana)
        CalendarEntry.objects.update(told="")
        assert entries.follow(ana, at=LATER) == []
        assert CalendarEntry.objects.get().sequence == 0
        change_site(run.ordered_stops[0].site, by=None, street="2 New Street", at=LATER)
        assert CalendarEntry.objects.get().sequence == 1


class TestDuringAndAfterARun:
    def test_while_it_is_driven_it_stays_in_the_calendar(self, run, ana):
        take(run, ana)
        entry = CalendarEntry.objects.get()
        halfway = run.starts_at + timedelta(minutes=30)
        assert entries.follow(ana, at=halfway) == []
        change_person(ana, by=None, at=halfway, email="new@example.org")
        entry.refresh_from_db()
        assert entry.cancelled_at == halfway
        assert CalendarEntry.objects.live().get().booking.run == run

    def test_taken_out_after_it_is_over_it_leaves_the_calendar(self, run, ana):
        booking = take(run, ana)
        over = run.ends_at + timedelta(hours=1)
        assert entries.follow(ana, at=over) == []
        with time_machine.travel(over, tick=False):
            give_back(booking, by=None, end="taken out", at=over)
        assert CalendarEntry.objects.get().cancelled_at == over
        [message] = told(ana, over)
        assert method_of(message) == "CANCEL"

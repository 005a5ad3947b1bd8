"""Regular runs where two changes meet: one announced and another before it, a skip or an end across it,
moved runs beyond the last day, several regular runs of one person."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shifts import worker
from shifts.calendar import feed
from shifts.models import Booking, CalendarEntry, Run, Standing
from shifts.schedule.making import Plan, add_shift, make_runs_ahead
from shifts.seats import days, standing
from shifts.seats.booking import seat
from shifts.seats.changes import Shape, reshape_run, shape_of
from shifts.seats.consequences import publish_door_notes
from shifts.seats.standing import Wish
from shifts.seats.weekly import change_shift
from sites.models import Site
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, make_ready, ready_person
from volunteers import outbox
from volunteers.models import Message, Person
from volunteers.progress import withdraw

AT = datetime(2027, 2, 1, 15, 0, tzinfo=UTC)  # a Monday
FIRST = date(2027, 2, 2)
LATER = AT + timedelta(minutes=5)
pytestmark = pytest.mark.django_db


@pytest.fixture
def stops():
    return ((SiteFactory(name="Market").pk, 0), (DropOffFactory(name="Kitchen").pk, 30))


def plan(stops, rule="FREQ=WEEKLY;BYDAY=TU", starts=time(8)):
    return Plan(rule=rule, starts=starts, minutes=60, stops=stops)


@pytest.fixture
def shift(stops):
    return add_shift(name="Tuesdays", plan=plan(stops), from_day=FIRST, by=None, at=AT)


@pytest.fixture
def ana(shift):
    return ready_person(name="Ana Aster")


def begin(shift, person, *, from_day=FIRST, at=AT, **facts):
    wish = Wish(shift=shift, person=person, from_day=from_day, **facts)
    return standing.begin(wish, by=None, on_behalf=True, at=at)


def week(number):
    return FIRST + timedelta(weeks=number)


def dates_of(person):
    live = Booking.objects.live().filter(person=person).order_by("run__starts_at")
    return [booking.run.slot_date for booking in live]


class TestTwoChangesForGood:
    """One is announced for later, and another comes before it."""

    @pytest.fixture
    def row(self, shift, ana, stops):
        row = begin(shift, ana)
        change_shift(shift, plan=plan(stops, starts=time(9)), from_day=week(6), by=None, at=LATER)
        return row

    def test_an_earlier_one_takes_the_place_of_the_later(self, shift, ana, stops, row):
        change_shift(shift, plan=plan(stops, starts=time(7)), from_day=week(3), by=None, at=LATER)
        assert dates_of(ana) == [week(number) for number in range(8)]
        old, new = Standing.objects.order_by("from_day")
        assert (old.pk, old.until_day, new.from_day, new.until_day) == (row.pk, week(3), week(3), None)
        assert {b.standing_id for b in Booking.objects.live().filter(run__slot_date__gte=week(3))} == {new.pk}
        assert CalendarEntry.objects.live().count() == 2

    def test_skips_of_both_are_kept(self, shift, ana, stops, row):
        standing.skip(row, first=week(4), last=week(4), by=None, at=LATER)
        standing.skip(Standing.objects.get(succeeds=row), first=week(7), last=week(7), by=None, at=LATER)
        change_shift(shift, plan=plan(stops, starts=time(7)), from_day=week(3), by=None, at=LATER)
        assert dates_of(ana) == [week(number) for number in (0, 1, 2, 3, 5, 6)]
        worker.tick(LATER)
        assert dates_of(ana) == [week(number) for number in (0, 1, 2, 3, 5, 6)]

    def test_whoever_stops_before_it_stops_for_good(self, ana, row):
        standing.stop(row, last_day=week(2), by=None, at=LATER)
        worker.tick(LATER + timedelta(weeks=1))
        assert dates_of(ana) == [week(number) for number in range(3)]
        assert not Standing.objects.going_on(week(3)).exists()
        assert "does not begin" not in Message.objects.filter(person=ana).latest("pk").text

    def test_nobody_is_seated_over_a_range_that_reaches_beyond_it(self, ana, row):
        standing.skip(row, first=week(5), last=week(9), by=None, at=LATER)
        for number in range(1, 5):
            worker.tick(AT + timedelta(weeks=number))
        assert dates_of(ana) == [week(number) for number in (0, 1, 2, 3, 4, 10, 11)]

    def test_the_range_taken_back_is_taken_back_on_both_sides(self, ana, row):
        skip = standing.skip(row, first=week(5), last=week(6), by=None, at=LATER)
        standing.take_back_skip(skip, by=None, at=LATER)
        assert dates_of(ana) == [week(number) for number in range(8)]


def test_a_run_moved_beyond_the_last_day_is_in_the_calendar_once(shift, ana):
    row = begin(shift, ana)
    run = shift.runs.get(slot_date=week(1))
    old = shape_of(run)
    later = Shape(
        starts_at=old.starts_at + timedelta(days=10),
        ends_at=old.ends_at + timedelta(days=10),
        stops=old.stops, crates=0, second_seat=True,
    )  # fmt: skip
    reshape_run(run, later, by=None, hand_edited=True, at=LATER)
    standing.stop(row, last_day=week(1), by=None, at=LATER)
    beyond = AT + timedelta(days=14)  # the regular run is over, the moved run to come
    longer = Shape(later.starts_at, later.ends_at + timedelta(minutes=30), old.stops, 0, True)
    reshape_run(run, longer, by=None, hand_edited=True, at=beyond)
    assert [entry.standing for entry in CalendarEntry.objects.live()] == [row]
    assert feed.feed(ana, at=beyond).body.count(b"20270219T080000") == 1


def test_a_notice_that_says_more_is_not_replaced_by_a_later_one_about_its_first_entry(shift, ana):
    """The mail server is down: what a change of several runs says waits, and a second change comes."""
    runs = [shift.runs.get(slot_date=week(number)) for number in (1, 2)]
    for run in runs:
        seat(run=run, person=ana, seat="driver", by=None, at=AT)
    Message.objects.all().delete()
    days.make([days.CallOff(run.pk, days.fingerprint(run), "Snow") for run in runs[1:]]
              + [moved_by_an_hour(runs[0])], by=None, at=LATER)  # fmt: skip
    days.make([moved_by_an_hour(runs[0])], by=None, at=LATER + timedelta(minutes=1))
    waiting = list(Message.objects.filter(person=ana, state=Message.State.OWED).order_by("pk"))
    assert any("please do not go" in message.text for message in waiting)
    sent = [message.pk for message in iter(lambda: outbox.claim(LATER + timedelta(hours=1)), None)]
    assert sent == [waiting[0].pk, waiting[1].pk], "nothing about one entry overtakes another"


def moved_by_an_hour(run):
    run = Run.objects.get(pk=run.pk)
    return days.Reshape(run.pk, days.fingerprint(run), days.moved(run, run.starts_at + timedelta(hours=1)))


def test_one_paper_is_one_notice_however_many_regular_runs_it_ends(shift, ana, stops):
    other = add_shift(
        name="Fridays", plan=plan(stops, "FREQ=WEEKLY;BYDAY=FR"), from_day=FIRST, by=None, at=AT
    )
    rows = [begin(shift, ana), begin(other, ana)]
    worker.tick(LATER)
    Message.objects.all().delete()
    withdraw(ana.completions.get(step__code="insurance"), reason="Sold.", by=None, at=LATER)
    worker.tick(LATER + timedelta(minutes=1))
    told = [one for one in Message.objects.filter(person=ana) if "Something is missing" in one.text]
    assert len(told) == 1
    assert "Tuesdays" in told[0].text
    assert "Fridays" in told[0].text
    assert {Standing.objects.get(pk=row.pk).cleared_until for row in rows} == {FIRST - timedelta(days=1)}


def test_a_tick_costs_the_same_with_many_who_wait_for_their_papers(shift, ana, stops):
    """Once everybody was told and each calendar has its dates left out, nothing is to be done for them."""

    def cost(at):
        with CaptureQueriesContext(connection) as queries:
            assert standing.seat_regulars(at=at) == 0
        return len(queries)

    def wait(shift):
        person = make_ready(PersonFactory(), without=("insurance",))
        begin(shift, person)

    wait(shift)
    one = cost(LATER)
    for number, day in enumerate(("MO", "WE", "TH", "FR"), start=1):
        wait(
            add_shift(
                name=f"Run {number}",
                plan=plan(stops, f"FREQ=WEEKLY;BYDAY={day}"),
                from_day=FIRST,
                by=None,
                at=AT,
            )
        )
    assert cost(LATER) == one


def test_a_run_made_for_somebody_not_ready_then_is_left_out_of_their_calendar(shift, ana):
    """First door notes: who is booked keeps the seat, and is not seated in further runs before reading."""
    begin(shift, ana)
    [entry] = CalendarEntry.objects.live()
    site = Site.objects.get(name="Market")
    doors = {"approach": "By the alley."}
    publish_door_notes(site, doors, from_day=week(0), by=None, at=LATER)
    worker.tick(AT + timedelta(weeks=1))
    assert dates_of(ana) == [week(number) for number in range(8)]
    entry.refresh_from_db()
    assert (entry.sequence, entry.cancelled_at) == (1, None)
    assert b"EXDATE;TZID=America/New_York:20270330T080000" in feed.feed(ana, at=AT + timedelta(weeks=1)).body
    worker.tick(AT + timedelta(weeks=1, minutes=1))
    entry.refresh_from_db()
    assert entry.sequence == 1, "once"


def test_a_card_brought_while_lapsed_bookings_are_ended_keeps_the_seat(shift, ana, monkeypatch):
    """The list was read before the card was recorded; the booking is looked at again under its locks."""
    begin(shift, ana)
    monkeypatch.setattr(standing, "lapsed", lambda last, at: list(Booking.objects.live()))
    worker.tick(LATER)
    assert dates_of(ana) == [week(number) for number in range(8)]
    assert not Message.objects.filter(kind="kept").exists()


def test_a_feed_read_between_making_a_run_and_seating_its_driver_is_built_anew(shift, ana):
    begin(shift, ana)
    later = AT + timedelta(weeks=1)
    make_runs_ahead(at=later)
    assert b"20270330T080000" in feed.feed(ana, at=later).body, "left out: nobody is seated yet"
    standing.seat_regulars(at=later)
    assert dates_of(ana)[-1] == week(8)
    assert feed.known(Person.objects.get(pk=ana.pk), at=later) is None, "a poll must not be told: nothing new"
    assert b"20270330T080000" not in feed.feed(ana, at=later).body, "the rule has it again"


def test_papers_are_looked_at_again_after_a_tick_that_failed(shift, ana, monkeypatch):
    row = begin(shift, ana)
    worker.tick(LATER)
    withdraw(ana.completions.get(step__code="insurance"), reason="Sold.", by=None, at=LATER)

    def fails(**_facts):
        raise ConnectionError

    with monkeypatch.context() as once:
        once.setattr(standing, "follow_papers", fails)
        with pytest.raises(ExceptionGroup) as failed:
            worker.tick(LATER + timedelta(minutes=3))
        assert failed.group_contains(ConnectionError)
    worker.tick(LATER + timedelta(minutes=5))
    row.refresh_from_db()
    assert row.cleared_until == FIRST - timedelta(days=1)

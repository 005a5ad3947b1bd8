"""What needs attention: each mark beside the case that must stay unmarked. A red mark is never false."""

from contextlib import suppress
from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shifts.cover.urgency import Level, level
from shifts.cover.weaknesses import Kind, attention, gaps, weaknesses
from shifts.cover.weaknesses import marks as wall_marks
from shifts.models import Booking, Policy, Run, Shift, Standing
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run, reshape_run, shape_of
from shifts.seats.no_shows import came_after_all, did_not_come
from shifts.seats.presence import confirm
from shifts.seats.refusals import Elsewhere
from sites.changes import close_site
from sites.models import Closure
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    lead_driver,
    make_ready,
    make_run,
    put,
    ready_person,
)
from volunteers.doors import publish
from volunteers.people import change_person, end_lead, set_cars
from volunteers.progress import withdraw

AT = datetime(2027, 5, 3, 15, tzinfo=UTC)
START = datetime(2027, 5, 11, 12, tzinfo=UTC)
DAY, HOUR, MINUTE = timedelta(days=1), timedelta(hours=1), timedelta(minutes=1)
pytestmark = pytest.mark.django_db


@pytest.fixture
def run():
    return make_run(starts_at=START, crates=10)


@pytest.fixture
def ina():
    return ready_person(name="Ina Quell")


def marks(at=AT):
    """Run and the words that name each mark; but that nobody drives is not what most of these are about."""
    return [(weakness.run, weakness.why) for weakness in attention(weaknesses(at=at))]


def kinds(at=AT):
    return [weakness.kind for weakness in weaknesses(at=at)]


def words(at=AT):
    return [why for _run, why in marks(at)]


def test_a_sound_run_has_no_mark(run):
    put(lead_driver(), run)
    put(PersonFactory(), run, "second")
    assert marks() == []


class TestNobodyDrives:
    @pytest.mark.parametrize(
        ("ahead", "expected"),
        [(13 * HOUR, Level.URGENT), (12 * HOUR, Level.NOW), (3 * DAY, Level.SOON), (20 * DAY, Level.LATER)],
    )
    def test_with_its_level(self, run, ahead, expected):
        [one] = weaknesses(at=START - ahead)
        assert (one.run, one.kind, one.level) == (run, Kind.NO_DRIVER, expected)
        assert [each.run for each in gaps([one])] == ([] if expected == Level.LATER else [run])
        assert attention([one]) == []

    def test_until_it_is_over_even_once_it_has_begun(self, run):
        assert [one.level for one in weaknesses(at=run.ends_at - MINUTE)] == [Level.NOW]
        assert weaknesses(at=run.ends_at) == []

    def test_somebody_in_the_second_seat_drives_nothing(self, run, ina):
        put(ina, run, "second")
        assert kinds() == [Kind.NO_DRIVER]

    def test_not_where_somebody_does_or_nobody_needs_to(self, run, ina):
        booking = put(ina, run)
        assert kinds() == []
        give_back(booking, by=None, at=AT)
        assert kinds() == [Kind.NO_DRIVER]
        close_site(run.ordered_stops[0].site, first=run.local_date, last=run.local_date, by=None)
        assert kinds() == []
        cancel_run(make_run(starts_at=START), reason="Snow.", by=None, at=AT)
        assert kinds() == []

    def test_kept_for_its_regular_driver_until_the_day(self, run, ina):
        """Four days before the run it is everybody's."""
        shift, day = Shift.objects.create(name="Dairy run"), run.local_date
        Run.objects.update(shift=shift, slot_date=day)
        Standing.objects.create(shift=shift, person=ina, anchor=day, from_day=day, made_at=AT)
        assert kinds(START - 4 * DAY - 12 * HOUR) == []
        assert kinds(START - 4 * DAY) == [Kind.NO_DRIVER]


class TestDidNotCome:
    def test_in_the_place_of_an_empty_seat(self, run, ina):
        missed = did_not_come(put(ina, run), by=None, at=START + 5 * MINUTE)
        [one] = weaknesses(at=START + 6 * MINUTE)
        assert (one.kind, one.level) == (Kind.DID_NOT_COME, Level.NOW)
        assert one.why == "Ina Quell did not come, and nobody drives it now."
        assert gaps([one]) == [one]
        came_after_all(missed, by=None, at=START + 7 * MINUTE)
        assert weaknesses(at=START + 8 * MINUTE) == []

    def test_no_longer_once_somebody_else_drives_or_it_is_over(self, run, ina):
        did_not_come(put(ina, run), by=None, at=START + 5 * MINUTE)
        assert weaknesses(at=run.ends_at) == []
        put(ready_person(), run)
        assert weaknesses(at=START + 6 * MINUTE) == []


class TestNotConfirmed:
    SILENT = datetime(2027, 5, 10, 23, tzinfo=UTC)  # 7 p.m. on the eve, in New York
    SECOND = timedelta(seconds=1)

    def booked(self, person, run, seat_name="driver"):
        booking = put(person, run, seat_name)
        Booking.objects.filter(pk=booking.pk).update(booked_at=AT)
        return booking

    def test_from_the_evening_on_until_the_start(self, run, ina):
        self.booked(ina, run)
        assert kinds(self.SILENT - self.SECOND) == []
        [one] = weaknesses(at=self.SILENT)
        assert (one.kind, one.level) == (Kind.NOT_CONFIRMED, Level.URGENT)
        assert one.why == "Ina Quell has not said that they will be there."
        assert kinds(START - self.SECOND) == [Kind.NOT_CONFIRMED]
        assert kinds(START) == []

    def test_once_they_have_said_so(self, run, ina):
        confirm(self.booked(ina, run), how="phone", by=None, at=self.SILENT)
        assert kinds(self.SILENT) == []

    def test_of_a_run_that_is_closed_nobody_waits_for_a_word(self, run, ina):
        self.booked(ina, run)
        close_site(run.ordered_stops[0].site, first=run.local_date, last=run.local_date, by=None)
        assert kinds(self.SILENT) == []

    def test_a_regular_driver_and_whoever_took_it_today_are_taken_at_their_word(self, run, ina):
        shift, day = Shift.objects.create(name="Dairy run"), run.local_date
        standing = Standing.objects.create(shift=shift, person=ina, anchor=day, from_day=day, made_at=AT)
        Booking.objects.filter(pk=self.booked(ina, run).pk).update(standing=standing)
        assert kinds(self.SILENT) == [Kind.NOT_CONFIRMED], "of their first run alone"
        for n in (1, 2, 3):
            self.booked(ina, make_run(starts_at=START - n * 7 * DAY))
        assert kinds(self.SILENT) == []
        late = make_run(starts_at=START)
        Booking.objects.filter(pk=put(ready_person(), late).pk).update(booked_at=START - 20 * HOUR)
        assert kinds(self.SILENT) == []

    def test_whoever_rides_along_says_nothing(self, run, ina):
        confirm(self.booked(lead_driver(), run), how="phone", by=None, at=AT)
        self.booked(ina, run, "second")
        assert kinds(self.SILENT) == []


class TestTheDriver:
    def test_whose_clearance_is_gone(self, run, ina):
        put(ina, run)
        assert marks() == []
        withdraw(ina.completions.get(step__code="license"), reason="Lost.", by=None)
        assert marks() == [(run, "Ina Quell is not ready to drive alone on that date.")]

    def test_who_has_only_door_notes_to_read(self, run, ina):
        put(ina, run)
        publish(run.ordered_stops[0].site, {"entrance": "Dock 4"}, by=None, from_day=AT.date(), at=AT)
        [mark] = weaknesses(at=AT)
        assert mark.why == "Ina Quell has not read the newest door notes."
        assert "keep the seat" in mark.do
        withdraw(ina.completions.get(step__code="license"), reason="Lost.", by=None)
        assert marks() == [(run, "Ina Quell is not ready to drive alone on that date.")]

    @pytest.mark.parametrize(("days", "marked"), [(0, False), (-1, True)])
    def test_whose_paper_runs_out_before_the_run(self, run, days, marked):
        person = make_ready(PersonFactory(), until=run.local_date + timedelta(days=days))
        put(person, run)
        assert bool(marks()) == marked

    def test_who_has_left_or_does_not_drive(self, run, ina):
        put(ina, run)
        change_person(ina, by=None, left_on=run.local_date)
        assert words() == ["Ina Quell has left the programme or does not drive."]
        change_person(ina, by=None, left_on=None)
        assert words() == []

    @pytest.mark.parametrize(
        ("cars", "marked"),
        [([], False), ([None], False), ([9], True), ([9, None], False), ([9, 10], False), ([3, 9], True)],
    )
    def test_whose_car_is_known_to_be_too_small(self, run, ina, cars, marked):
        put(ina, run)
        set_cars(ina, [{"label": "", "crates": crates} for crates in cars], by=None)
        assert words() == (["Ina Quell's car takes 9 crates; 10 are expected."] if marked else [])

    def test_nobody_asks_for_the_car_of_whoever_rides_along(self, run, ina):
        put(lead_driver(), run)
        put(ina, run, "second")
        set_cars(ina, [{"label": "", "crates": 1}], by=None)
        assert marks() == []


class TestTheTrainee:
    ALONE = "Tom New rides along as a trainee, and no lead driver drives."

    @pytest.fixture
    def tom(self):
        return PersonFactory(name="Tom New")

    def test_without_a_driver(self, run, tom):
        lead = put(lead_driver(), run)
        put(tom, run, "second")
        assert words() == []
        give_back(lead, by=None, at=AT)
        assert words() == [self.ALONE]

    def test_with_a_driver_who_is_no_lead(self, run, tom):
        put(ready_person(), run)
        put(tom, run, "second")
        assert words() == [self.ALONE]

    def test_whose_lead_is_lead_no_more(self, run, tom):
        lead = lead_driver()
        put(lead, run)
        put(tom, run, "second")
        end_lead(lead, by=None)
        assert words() == [self.ALONE]

    def test_a_ready_helper_needs_no_lead(self, run, ina):
        put(ready_person(), run)
        put(ina, run, "second")
        assert words() == []


class TestTheRun:
    def test_a_drop_off_that_is_closed_leaves_the_food_without_a_place(self, run, ina):
        drop = run.ordered_stops[1].site
        close_site(drop, first=run.local_date, last=run.local_date, by=None)
        assert words() == [f"{drop.name} is closed that day, and the food goes there."]

    def test_a_pickup_that_is_closed_gives_nothing_so_nothing_is_wrong(self, run, ina):
        """Those booked were told when it was closed."""
        put(ina, run)
        for stop in run.ordered_stops:
            close_site(stop.site, first=run.local_date, last=run.local_date, by=None)
            assert words() == []

    def test_nor_of_anybody_on_it(self, run, ina):
        """It does not take place; should the closure be taken back, the marks are there again."""
        put(ina, run)
        put(ina, make_run(starts_at=START + 10 * MINUTE))
        withdraw(ina.completions.get(step__code="license"), reason="Lost.", by=None)
        pickup, drop = (stop.site for stop in run.ordered_stops)
        close_site(pickup, first=run.local_date, last=run.local_date, by=None)
        [(other, why)] = marks()
        assert (other.pk != run.pk, why) == (True, "Ina Quell is not ready to drive alone on that date.")
        Closure.objects.update(site=drop)
        assert {each for each, _why in marks()} == {run, other}, "somebody drives once there is a place"

    def test_off_the_rule_with_somebody_on_it(self, run, ina):
        Run.objects.filter(pk=run.pk).update(off_rule=True)
        assert words() == []
        put(ina, run)
        assert len(words()) == 1

    def test_what_is_cancelled_or_over_is_left_in_peace(self, run, ina):
        booking = put(ina, run)
        withdraw(ina.completions.get(step__code="license"), reason="Lost.", by=None)
        assert words(at=run.ends_at - MINUTE)
        assert not words(at=run.ends_at)
        cancel_run(run, reason="Snow.", by=None, at=AT)
        assert words() == []
        booking.refresh_from_db()
        assert not booking.is_live


class TestTwoPlaces:
    CLOSE = "Ina Quell has another run too close to this one."

    def pair(self, person, gap):
        door = SiteFactory()
        first = make_run(starts_at=START, sites=[SiteFactory(), door])
        second = make_run(starts_at=first.ends_at + gap, sites=[door, DropOffFactory()])
        put(person, first), put(person, second)
        return first, second

    def test_at_the_minute(self, ina):
        first, second = self.pair(ina, 14 * MINUTE)
        assert marks() == [(first, self.CLOSE), (second, self.CLOSE)]
        fitting = shape_of(
            make_run(starts_at=second.starts_at + MINUTE, sites=[s.site for s in second.ordered_stops])
        )
        reshape_run(second, fitting, by=None, at=AT)
        assert marks() == []

    def test_beyond_the_next_run(self, ina):
        """A long run and two short ones in it: each is marked, not only neighbours."""
        long = make_run(starts_at=START, minutes=300)
        early, late = make_run(starts_at=START + HOUR), make_run(starts_at=START + 4 * HOUR)
        for each in (long, early, late):
            put(ina, each)
        assert {each for each, _why in marks()} == {long, early, late}

    def test_of_different_people_are_none(self, ina):
        put(ina, make_run(starts_at=START))
        put(ready_person(), make_run(starts_at=START))
        assert marks() == []

    def test_one_that_is_over_is_close_to_nothing(self, ina):
        first, _second = self.pair(ina, 14 * MINUTE)
        assert self.CLOSE not in words(at=first.ends_at)

    def test_asked_of_one_run_it_knows_the_others(self, ina):
        first, _second = self.pair(ina, 14 * MINUTE)
        some = list(Run.objects.filter(pk=first.pk).with_closed().with_people())
        assert [weakness.why for weakness in weaknesses(at=AT, runs=some)] == [self.CLOSE]

    def test_what_booking_allows_is_never_marked(self, ina):
        """Both ask the same function."""
        for n in range(6):
            run = make_run(starts_at=START + n * 66 * MINUTE)
            with suppress(Elsewhere):
                seat(run=run, person=ina, seat="driver", by=None, at=AT)
        assert 1 < ina.bookings.count() < 6
        assert marks() == []


def test_marks_come_in_the_order_of_the_runs(ina):
    later, sooner = make_run(starts_at=START + HOUR * 48), make_run(starts_at=START)
    put(ina, later), put(ina, sooner)
    withdraw(ina.completions.get(step__code="license"), reason="Lost.", by=None)
    assert [run for run, _why in marks()] == [sooner, later]


def test_words_for_a_wall_name_nobody(run, ina):
    put(PersonFactory(), run, "second")
    later = make_run(starts_at=AT + 30 * DAY)
    put(ina, make_run(starts_at=AT + 30 * DAY))
    set_cars(ina, [{"label": "", "crates": 1}], by=None)
    Run.objects.filter(bookings__person=ina).update(crates=2)
    found = weaknesses(at=START - 3 * DAY)
    assert later in [one.run for one in found]
    assert wall_marks(found) == {
        run.pk: (Level.SOON, "needs a driver, no lead driver for the trainee"),
        ina.bookings.get().run_id: (Level.LATER, "the car is too small"),
    }


def test_queries_do_not_grow_with_runs():
    """Runs with stops, sites and people (3); policy, programme; the gate; cars; policy, programme, other runs
    with stops, and which take place (5)."""
    Policy.current()
    counted = []
    for runs in (2, 20):
        while Run.objects.count() < runs:
            run = make_run(starts_at=START + Run.objects.count() * HOUR)
            put(lead_driver(), run)
            put(PersonFactory(), run, "second")
        with CaptureQueriesContext(connection) as queries:
            weaknesses(at=AT)
        counted.append(len(queries))
    assert counted[0] == counted[1] <= 11


@pytest.mark.parametrize(
    ("left", "expected"),
    [
        (-HOUR, Level.NOW),
        (12 * HOUR, Level.NOW),
        (12 * HOUR + MINUTE, Level.URGENT),
        (48 * HOUR, Level.URGENT),
        (48 * HOUR + MINUTE, Level.SOON),
        (7 * 24 * HOUR, Level.SOON),
        (7 * 24 * HOUR + MINUTE, Level.LATER),
    ],
)
def test_how_urgent_an_empty_seat_is(left, expected):
    """7 days, 48 hours, 12 hours: common practice, no published source."""
    assert level(Run(starts_at=AT + left), at=AT, policy=Policy.current()) == expected


def test_the_levels_are_the_programmes_own_numbers():
    policy = Policy(now_hours=1, urgent_hours=2, soon_days=1)
    found = [level(Run(starts_at=AT + hours * HOUR), at=AT, policy=policy) for hours in (1, 2, 24, 25)]
    assert found == [Level.NOW, Level.URGENT, Level.SOON, Level.LATER]

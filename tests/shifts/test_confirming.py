"""Who is asked to say that they will be there, and who is taken at their word."""

from datetime import UTC, date, datetime, time, timedelta

import pytest

from shifts.cover.confirming import AWAY_FOR, confirmation_due, confirmations_due, silent_from
from shifts.models import Booking, Policy, Run, Shift, Standing
from shifts.seats.booking import give_back
from shifts.seats.changes import cancel_run
from sites.changes import close_site
from sites.models import Programme
from tests.factories import PersonFactory, lead_driver, make_run, put, ready_person
from volunteers.models import Away, Completion, Person, Step
from volunteers.roster.plan import DROVE_BEFORE

START = datetime(2027, 5, 11, 12, tzinfo=UTC)  # a Tuesday, 8 a.m. in New York
DAY, HOUR, SECOND = timedelta(days=1), timedelta(hours=1), timedelta(seconds=1)
ASKED = START - 48 * HOUR
pytestmark = pytest.mark.django_db


@pytest.fixture
def run():
    return make_run(starts_at=START)


@pytest.fixture
def ina():
    return ready_person(name="Ina Quell")


def booked(person, run, *, ago=10 * DAY, standing=None, seat="driver"):
    booking = put(person, run, seat)
    Booking.objects.filter(pk=booking.pk).update(booked_at=START - ago, standing=standing)
    return Booking.objects.select_related("run").get(pk=booking.pk)


class TestSingle:
    @pytest.mark.parametrize(
        ("at", "due"),
        [(ASKED - SECOND, False), (ASKED, True), (START - SECOND, True), (START, False)],
    )
    def test_from_two_days_before_until_the_start(self, run, ina, at, due):
        assert confirmation_due(booked(ina, run), at) == due

    def test_by_the_programmes_own_number(self, run, ina):
        booking = booked(ina, run)
        Policy.objects.update_or_create(pk=1, defaults={"confirm_hours": 24})
        assert not confirmation_due(booking, START - 25 * HOUR)
        assert confirmation_due(booking, START - 24 * HOUR)

    @pytest.mark.parametrize(("ago", "due"), [(48 * HOUR + SECOND, True), (48 * HOUR, False), (HOUR, False)])
    def test_whoever_took_it_since_has_just_said_so(self, run, ina, ago, due):
        assert confirmation_due(booked(ina, run, ago=ago), START - HOUR / 2) == due

    def test_once_said_it_is_said(self, run, ina):
        booking = booked(ina, run)
        booking.confirmed_at = ASKED
        assert not confirmation_due(booking, START - HOUR)

    def test_nobody_asks_about_a_run_that_is_off_or_closed_or_given_back(self, run, ina):
        booking = booked(ina, run)
        site = run.ordered_stops[0].site
        closure = close_site(site, first=run.local_date, last=run.local_date, by=None)
        assert not confirmation_due(booking, START - HOUR)
        assert closure
        other = booked(ready_person(), make_run(starts_at=START))
        assert confirmation_due(other, START - HOUR)
        given = give_back(other, by=None, at=START - 2 * HOUR)
        assert not confirmation_due(given, START - HOUR)
        off = booked(ready_person(), make_run(starts_at=START))
        cancel_run(off.run, reason="Snow.", by=None, at=ASKED)
        off = Booking.objects.select_related("run").get(pk=off.pk)
        assert not confirmation_due(off, START - HOUR)

    def test_whoever_rides_along_is_not_asked(self, run, ina):
        booked(lead_driver(), run)
        assert not confirmation_due(booked(ina, run, seat="second"), START - HOUR)


class TestRegular:
    @pytest.fixture
    def weekly(self, ina):
        shift, day = Shift.objects.create(name="Dairy run"), date(2027, 1, 5)
        return Standing.objects.create(shift=shift, person=ina, anchor=day, from_day=day, made_at=START)

    def drove(self, person, count, *, last_days_ago=7):
        for n in range(count):
            booked(person, make_run(starts_at=START - (last_days_ago + 7 * n) * DAY))

    def due(self, ina, run, weekly):
        return confirmation_due(booked(ina, run, standing=weekly), START - HOUR)

    @pytest.mark.parametrize(("count", "due"), [(0, True), (2, True), (3, False), (5, False)])
    def test_the_first_three_runs_alone(self, run, ina, weekly, count, due):
        self.drove(ina, count)
        assert self.due(ina, run, weekly) == due

    def test_rides_beside_somebody_are_not_runs_alone(self, run, ina, weekly):
        for n in range(3):
            booked(ina, make_run(starts_at=START - 7 * n * DAY - DAY), seat="second")
        assert self.due(ina, run, weekly)

    def test_those_who_drove_before_the_roster_came_in_are_not_new(self, run, ina, weekly):
        Completion.objects.filter(person=ina, step=Step.objects.first()).update(reason=DROVE_BEFORE)
        assert not self.due(ina, run, weekly)

    @pytest.mark.parametrize(
        ("first", "last", "due"),
        [
            (30, 15, True),
            (30, 30 - AWAY_FOR.days + 1, True),
            (30, 30 - AWAY_FOR.days + 2, False),  # a day too short
            (60, 35, False),  # they drove since
            (40, 35, False),
        ],
    )
    def test_the_first_run_after_an_absence(self, run, ina, weekly, first, last, due):
        self.drove(ina, 3, last_days_ago=33)
        Away.objects.create(person=ina, first=run.local_date - first * DAY, last=run.local_date - last * DAY)
        assert self.due(ina, run, weekly) == due

    def test_only_the_first_of_two_after_it(self, ina, weekly, run):
        self.drove(ina, 3, last_days_ago=33)
        Away.objects.create(person=ina, first=run.local_date - 30 * DAY, last=run.local_date - 5 * DAY)
        first = booked(ina, make_run(starts_at=START - DAY), standing=None)
        second = booked(ina, run, standing=weekly)
        Booking.objects.filter(pk=first.pk).update(standing=weekly)
        first = Booking.objects.select_related("run").get(pk=first.pk)
        assert confirmations_due([first, second], START - 26 * HOUR) == {first.pk}

    @pytest.mark.parametrize(("back", "due"), [(10, True), (33, False), (50, False)])
    def test_the_first_run_after_a_break(self, run, ina, weekly, back, due):
        self.drove(ina, 3, last_days_ago=33)
        Person.objects.filter(pk=ina.pk).update(back_on=run.local_date - back * DAY)
        assert self.due(ina, run, weekly) == due


class TestSilence:
    def at(self, run, **numbers):
        return silent_from(run, Policy(**numbers), Programme.current())

    def test_from_seven_on_the_eve_in_the_programmes_zone(self, run):
        assert self.at(run) == datetime(2027, 5, 10, 23, tzinfo=UTC)  # 7 p.m. in New York

    def test_across_a_clock_change(self):
        """Sunday 14 March 2027, the clocks go forward: the eve is still in standard time."""
        run = make_run(starts_at=datetime(2027, 3, 14, 12, tzinfo=UTC))
        assert self.at(run) == datetime(2027, 3, 15, 0, tzinfo=UTC) - DAY

    def test_not_before_they_had_time_to_answer(self, run):
        assert self.at(run, confirm_hours=12) == START - 10 * HOUR
        assert self.at(run, silent_at=time(7)) == datetime(2027, 5, 10, 11, tzinfo=UTC)


def test_queries_do_not_grow(django_assert_num_queries):
    Policy.current()
    bookings = [booked(PersonFactory(), make_run(starts_at=START)) for _ in range(6)]
    with django_assert_num_queries(2):
        assert len(confirmations_due(bookings, START - HOUR)) == 6
    with django_assert_num_queries(1):
        assert confirmations_due(bookings, START - 90 * HOUR) == set()
    assert Run.objects.count() == 6

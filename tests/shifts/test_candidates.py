"""Who may take a run, and the reason for everybody who may not."""

import random
from datetime import UTC, datetime, time, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from shifts.cover.candidates import may_drive, may_ride, ranked
from shifts.models import Booking, Policy, Run
from shifts.seats.booking import give_back, seat, why_not
from sites.models import Programme
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
from volunteers.models import Person
from volunteers.people import add_away, change_person, set_cars, set_hours

AT = datetime(2027, 5, 3, 15, tzinfo=UTC)
START = datetime(2027, 5, 11, 12, tzinfo=UTC)  # a Tuesday, 08:00 to 09:00 in New York
TUESDAY = 1
MINUTE = timedelta(minutes=1)
pytestmark = pytest.mark.django_db


@pytest.fixture
def run():
    return make_run(starts_at=START, crates=10)


@pytest.fixture
def ina():
    return ready_person(name="Ina Quell")


def may(run):
    return list(may_drive(Run.objects.get(pk=run.pk)))


def reasons(run, person):
    """Why not; None for whoever may."""
    calls = ranked(Run.objects.get(pk=run.pk), at=AT)
    listed = dict(calls.may_not) | {one.person: None for one in calls.may}
    assert len(listed) == len(calls.may) + len(calls.may_not) == Person.objects.drivers().count()
    assert (listed[person] is None) == (person in may(run))
    return listed[person]


class TestReady:
    def test_whoever_is_ready_that_day_may(self, run, ina):
        assert may(run) == [ina]

    def test_whoever_is_not_is_told_what_is_missing(self, run):
        person = make_ready(PersonFactory(), without=("kit", "ride"))
        assert reasons(run, person) == ["not ready: Starter kit, Shadow ride"]

    @pytest.mark.parametrize(
        ("days", "missing"), [(0, None), (-1, ["not ready: Driver's license, Car insurance card"])]
    )
    def test_on_the_day_of_the_run(self, run, days, missing):
        person = make_ready(PersonFactory(), until=run.local_date + timedelta(days=days))
        assert reasons(run, person) == missing

    def test_those_who_left_or_only_sort_are_not_listed(self, run, ina):
        change_person(ready_person(), by=None, drives=False)
        change_person(ready_person(), by=None, left_on=run.local_date)
        calls = ranked(run, at=AT)
        assert ([one.person for one in calls.may], calls.may_not) == ([ina], [])


class TestFree:
    @pytest.mark.parametrize(
        ("hours", "free"),
        [
            ([], True),
            ([(TUESDAY, time(8), time(9))], True),
            ([(TUESDAY, time(8, 1), time(9))], False),
            ([(TUESDAY, time(8), time(8, 59))], False),
            ([(TUESDAY + 1, time(0), time(23, 59))], False),
            ([(TUESDAY + 1, time(0), time(23, 59)), (TUESDAY, time(7), time(12))], True),
        ],
    )
    @pytest.mark.parametrize("zone", ["America/New_York", "UTC", "Asia/Tokyo"])
    def test_hours_are_the_programmes_whoever_asks(self, run, ina, hours, free, zone):
        """Nobody's hours means they have not said: they are asked as if free."""
        set_hours(ina, hours, by=None)
        with timezone.override(zone):
            assert reasons(run, ina) == (None if free else ["not usually free then"])

    @pytest.mark.parametrize(("ends", "free"), [(time(23, 59), True), (time(23, 58), False)])
    def test_a_run_past_midnight_asks_for_the_evening(self, ina, ends, free):
        late = make_run(starts_at=START + timedelta(hours=15), minutes=90)  # 23:00 to 00:30
        set_hours(ina, [(TUESDAY, time(20), ends)], by=None)
        assert (ina in may(late)) == free

    @pytest.mark.parametrize(
        ("first", "last", "free"), [(-3, -1, True), (-3, 0, False), (0, 3, False), (1, 3, True)]
    )
    def test_away(self, run, ina, first, last, free):
        day = run.local_date
        add_away(ina, first=day + timedelta(days=first), last=day + timedelta(days=last), by=None)
        assert reasons(run, ina) == (None if free else ["away that day"])


class TestEngaged:
    def test_on_this_run(self, run, ina):
        lead = lead_driver()
        put(lead, run)
        put(ina, run, "second")
        assert reasons(run, ina) == reasons(run, lead) == ["on this run already"]

    def test_on_another_with_the_drive_between(self, ina):
        door = SiteFactory()
        other = make_run(starts_at=START, sites=[SiteFactory(), door], title="Dairy run")
        put(ina, other)
        tight = make_run(starts_at=other.ends_at + 14 * MINUTE, sites=[door, DropOffFactory()])
        fits = make_run(starts_at=other.ends_at + 15 * MINUTE, sites=[door, DropOffFactory()])
        assert reasons(tight, ina) == ["on Dairy run at that time"]
        assert reasons(fits, ina) is None

    def test_neither_given_back_nor_cancelled(self, run, ina):
        give_back(put(ina, make_run(starts_at=START)), by=None, at=AT)
        off = make_run(starts_at=START, cancelled_at=AT, cancel_cause="called off")
        put(ina, off)
        assert reasons(run, ina) is None


class TestTheCar:
    @pytest.mark.parametrize(
        ("cars", "why"),
        [
            ([], None),
            ([10], None),
            ([9], ["car takes 9 crates, 10 expected"]),
            ([3, 9], ["car takes 9 crates, 10 expected"]),
            ([3, 12], None),
            ([None], None),
            ([3, None], None),
        ],
    )
    def test_large_enough_or_not_measured(self, run, ina, cars, why):
        set_cars(ina, [{"label": "Car", "crates": crates} for crates in cars], by=None)
        assert reasons(run, ina) == why


class TestTheList:
    def test_least_burdened_first_then_by_name(self, run):
        busy, ben, ann = (ready_person(name=name) for name in ("Aaron", "Ben", "Ann"))
        put(busy, make_run(starts_at=AT + timedelta(days=2)))
        calls = ranked(run, at=AT)
        assert [one.person for one in calls.may] == [ann, ben, busy]
        assert [one.reasons[0] for one in calls.may] == [
            "no runs in these weeks",
            "no runs in these weeks",
            "1 run in these weeks",
        ]

    def test_every_reason_and_those_with_fewest_first(self, run, ina):
        far = PersonFactory(name="Far Off")
        set_cars(far, [{"label": "", "crates": 2}], by=None)
        add_away(far, first=run.local_date, last=run.local_date, by=None)
        put(far, make_run(starts_at=START, title="Dairy run"))
        add_away(ina, first=run.local_date, last=run.local_date, by=None)
        calls = ranked(run, at=AT)
        assert [who for who, _why in calls.may_not] == [ina, far]
        assert [why.partition(":")[0] for why in calls.may_not[1][1]] == [
            "not ready",
            "on Dairy run at that time",
            "away that day",
            "car takes 2 crates, 10 expected",
        ]

    def test_queries_grow_with_neither_people_nor_runs(self):
        """One a step; the rest read people, hours, cars, absences, runs near, their stops and doors once."""
        run = make_run(starts_at=START)
        Policy.current(), Programme.current()
        counted = []
        for people in (4, 24):
            while Person.objects.count() < people:
                person = ready_person() if Person.objects.count() % 2 else PersonFactory()
                put(person, make_run(starts_at=START + timedelta(hours=Person.objects.count() % 5)))
            fresh = Run.objects.get(pk=run.pk)
            with CaptureQueriesContext(connection) as queries:
                ranked(fresh, at=AT)
            counted.append(len(queries))
        assert counted[0] == counted[1] <= 26


@pytest.mark.parametrize("seed", range(6))
def test_the_list_is_right_in_a_busy_week(seed):
    """Whoever may take the run can be seated, and for everybody else there is a reason."""
    chance = random.Random(seed)
    sites = [SiteFactory(latitude=40 + n / 5) for n in range(3)]
    runs = [
        make_run(
            starts_at=START + chance.randint(0, 30) * 20 * MINUTE,
            sites=chance.sample(sites, 2),
            crates=chance.choice([0, 5, 20]),
        )
        for _ in range(10)
    ]
    for _ in range(12):
        person = make_ready(PersonFactory(), without=chance.choice([(), (), ("kit",)]))
        set_cars(
            person, [{"label": "", "crates": c} for c in chance.choice([[], [None], [10], [30]])], by=None
        )
        set_hours(person, chance.choice([[], [(TUESDAY, time(8), time(18))]]), by=None)
        if chance.random() < 0.2:
            add_away(person, first=runs[0].local_date, last=runs[0].local_date, by=None)
        run = chance.choice(runs[:5])
        if not run.bookings.exists():
            put(person, run)
    seen = set()
    for run in Run.objects.unfilled():
        calls = ranked(run, at=AT)
        assert {one.person for one in calls.may} == set(may_drive(run))
        for one in calls.may:
            assert why_not(run=run, person=one.person, seat="driver", at=AT) is None
        for person, why in calls.may_not:
            assert why, f"{person} may not, and nobody says why"
        seen |= {bool(calls.may), *(why[0].split()[0] for _person, why in calls.may_not)}
    assert True in seen
    assert {"not", "on"} <= seen


class TestTheSecondSeat:
    def test_trainees_nearest_to_their_first_run_alone_come_first(self, run, ina):
        lead = lead_driver()
        put(lead, run)
        new = PersonFactory(name="New Comer")
        nearly = make_ready(PersonFactory(name="Nearly There"), without=("ride",))
        riders = may_ride(run, at=AT)
        assert [one.person for one in riders] == [nearly, new, ina]
        assert riders[0].reasons == ["waits for this ride, all else is done"]
        for one in riders:
            assert why_not(run=run, person=one.person, seat="second", at=AT, on_behalf=True) is None

    def test_without_a_lead_driver_only_those_who_are_ready(self, run, ina):
        PersonFactory(name="New Comer")
        assert [one.person for one in may_ride(run, at=AT)] == [ina]
        put(ready_person(name="Dan Driver"), run)
        assert [one.person for one in may_ride(run, at=AT)] == [ina]

    def test_nobody_who_is_elsewhere_or_away(self, run, ina):
        put(lead_driver(), run)
        put(ina, make_run(starts_at=START))
        away = PersonFactory()
        add_away(away, first=run.local_date, last=run.local_date, by=None)
        assert may_ride(run, at=AT) == []


def test_seating_from_the_list_takes_the_person_off_it(run, ina):
    (candidate,) = ranked(run, at=AT).may
    seat(run=run, person=candidate.person, seat=Booking.Seat.DRIVER, by=None, on_behalf=True, at=AT)
    assert reasons(run, ina) == ["on this run already"]

"""Asking around: how many, whom, when; quiet hours, limits, and a worker that was down."""

from datetime import UTC, date, datetime, time, timedelta
from math import prod
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from shifts import worker
from shifts.cover import asking
from shifts.cover.asking import ask_around, group_size, time_of_a_group
from shifts.models import Ask, Booking, Policy, Search
from shifts.schedule.making import Plan, add_shift
from shifts.schedule.quiet import quiet_hours
from shifts.seats import requests, standing
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run, restore_run
from sites.changes import close_site
from sites.models import Event
from tests.factories import (
    DropOffFactory,
    SiteFactory,
    coordinator,
    make_run,
    put,
    ready_person,
)
from volunteers import stopping
from volunteers.models import Message, Person
from volunteers.progress import NotPossible

NEW_YORK = ZoneInfo("America/New_York")


def local(*parts):
    """A moment by New York's clock."""
    return datetime(*parts, tzinfo=NEW_YORK)


NOON = local(2027, 3, 1, 12)  # a Monday


# --- how many


def any_yes(chances):
    """The chance that at least one of them says yes."""
    return 1 - prod(1 - one for one in chances)


@given(
    st.lists(st.floats(0.01, 0.99), max_size=30),
    st.floats(0.05, 0.99),
    st.integers(1, 6),
    st.integers(0, 6),
)
def test_a_group_is_the_fewest_people_that_make_a_yes_likely_enough(chances, chance, fewest, more):
    most = fewest + more
    size = group_size(chances, chance=chance, fewest=fewest, most=most)
    assert size <= min(most, len(chances))
    assert size >= min(fewest, len(chances))
    if min(fewest, len(chances)) < size:  # one fewer would not do
        assert any_yes(chances[: size - 1]) < chance
    if size < min(most, len(chances)):  # and no more are needed
        assert any_yes(chances[:size]) >= chance - 1e-12


def test_the_worked_numbers_of_a_group():
    """With a chance of 0.3 each, 1 - 0.7^n reaches 0.8 at n = 5 (0.83; 0.76 at 4): the binomial
    distribution, any textbook."""
    assert group_size([0.3] * 20, chance=0.8, fewest=3, most=8) == 5
    assert group_size([0.9] * 20, chance=0.8, fewest=3, most=8) == 3
    assert group_size([0.05] * 20, chance=0.8, fewest=3, most=8) == 8
    assert group_size([0.05] * 2, chance=0.8, fewest=3, most=8) == 2
    assert group_size([], chance=0.8, fewest=3, most=8) == 0


@pytest.mark.parametrize(
    ("left", "hours"),
    [
        (timedelta(days=30), 24),
        (timedelta(days=7, seconds=1), 24),
        (timedelta(days=7), 12),
        (timedelta(days=2, seconds=1), 12),
        (timedelta(days=2), 2),
        (timedelta(hours=13), 2),
    ],
)
def test_a_group_has_the_less_time_the_nearer_the_run(left, hours):
    assert time_of_a_group(left) == timedelta(hours=hours)


# --- quiet hours


@pytest.mark.parametrize(
    ("at", "until"),
    [
        (local(2027, 3, 1, 20, 59), None),
        (local(2027, 3, 1, 21), local(2027, 3, 2, 8)),
        (local(2027, 3, 2, 0, 30), local(2027, 3, 2, 8)),
        (local(2027, 3, 2, 7, 59), local(2027, 3, 2, 8)),
        (local(2027, 3, 2, 8), None),
        # Clocks in New York go forward on March 14, 2027, and back on November 7 (15 U.S.C. 260a).
        (local(2027, 3, 13, 22), local(2027, 3, 14, 8)),
        (local(2027, 11, 6, 22), local(2027, 11, 7, 8)),
        (local(2027, 11, 7, 1, 30), local(2027, 11, 7, 8)),
        (local(2027, 11, 7, 1, 30).replace(fold=1), local(2027, 11, 7, 8)),
    ],
)
def test_quiet_hours_by_the_clock_on_the_wall(at, until):
    quiet = quiet_hours(at.astimezone(UTC), Policy(), NEW_YORK)
    assert (quiet and quiet.until) == until
    if quiet:
        assert quiet.early.astimezone(NEW_YORK).time() == time(6)
        assert quiet.early.astimezone(NEW_YORK).date() == until.date()


def test_the_nights_of_the_clock_changes_are_shorter_and_longer():
    hours = {}
    for day in (date(2027, 3, 13), date(2027, 3, 15), date(2027, 11, 6)):
        evening = datetime.combine(day, time(21), NEW_YORK).astimezone(UTC)
        hours[day.month, day.day] = (quiet_hours(evening, Policy(), NEW_YORK).until - evening) / timedelta(
            hours=1
        )
    assert hours == {(3, 13): 10, (3, 15): 11, (11, 6): 12}


def test_quiet_hours_of_one_day_and_none_at_all():
    siesta = Policy(quiet_from=time(13), quiet_until=time(15))
    assert quiet_hours(local(2027, 3, 1, 14), siesta, NEW_YORK).until == local(2027, 3, 1, 15)
    assert quiet_hours(local(2027, 3, 1, 22), siesta, NEW_YORK) is None
    none = Policy(quiet_from=time(8), quiet_until=time(8))
    assert quiet_hours(local(2027, 3, 1, 8), none, NEW_YORK) is None


# --- with people


@pytest.fixture
def people(db):
    """Ten who may drive, in the order of their names."""
    sites = [SiteFactory(), DropOffFactory()]
    return sites, [ready_person(name=f"{letter} Example") for letter in "ABCDEFGHIJ"]


def run_in(people, at=NOON, **later):
    sites, _people = people
    return make_run(starts_at=at.astimezone(UTC) + timedelta(**later), sites=sites)


def begin(run, at=NOON):
    return Search.objects.create(run=run, opened_at=at, next_at=at)


def asked(search):
    """The names asked, by group."""
    found = {}
    for ask in search.asks.order_by("pk").select_related("person"):
        found.setdefault(ask.wave, []).append(ask.person.name[0])
    return {wave: "".join(sorted(names)) for wave, names in found.items()}


def next_at(search):
    return Search.objects.get(pk=search.pk).next_at


def test_a_group_is_asked_once_and_the_next_when_its_time_is_up(people):
    search = begin(run_in(people, days=10))
    assert ask_around(NOON) == ask_around(NOON + timedelta(minutes=1)) + 5 == 5
    assert next_at(search) == NOON + timedelta(days=1)
    assert Message.objects.filter(kind="request").count() == 5
    assert Event.objects.filter(verb="request", by=None).count() == 5
    assert not ask_around(NOON + timedelta(hours=23, minutes=59))
    assert ask_around(NOON + timedelta(days=1)) == 5
    by_group = asked(search)
    assert set(by_group) == {1, 2}
    assert len(set(by_group[1] + by_group[2])) == 10
    assert set(search.asks.filter(wave=1).values_list("answer", flat=True)) == {"silent"}
    assert set(search.asks.filter(wave=2).values_list("answer", flat=True)) == {""}


def test_whoever_was_silent_may_still_say_yes(people):
    search = begin(run_in(people, days=10))
    ask_around(NOON)
    ask_around(NOON + timedelta(days=1))
    first = search.asks.filter(wave=1).first()
    requests.answer(first, "yes", by=None, at=NOON + timedelta(days=1, hours=1))
    assert Booking.objects.live().get(run=search.run).person == first.person
    assert not ask_around(NOON + timedelta(days=2))


def test_after_days_without_a_worker_one_group_is_asked(people):
    search = begin(run_in(people, days=10))
    ask_around(NOON)
    later = NOON + timedelta(days=5)
    assert ask_around(later) == 5
    assert next_at(search) == local(2027, 3, 7, 8)  # 12 hours later, and out of quiet hours
    assert not ask_around(later)


def test_nobody_left_is_looked_at_again(people):
    search = begin(run_in(people, days=10))
    for day in range(3):
        ask_around(NOON + timedelta(days=day))
    assert {wave: len(names) for wave, names in asked(search).items()} == {1: 5, 2: 5}
    assert next_at(search) == NOON + timedelta(days=3)


def test_shortly_before_it_everybody_is_asked_at_once(people):
    search = begin(run_in(people, hours=8))
    assert ask_around(NOON) == 10
    assert next_at(search) is None
    assert search.asks.filter(urgent=True).count() == 10


def test_no_group_is_due_after_the_start(people):
    run = make_run(starts_at=NOON + timedelta(hours=13), sites=people[0])
    search = begin(run)
    ask_around(NOON)
    assert next_at(search) == NOON + timedelta(hours=2)


# --- quiet hours


def test_nobody_is_mailed_in_quiet_hours_and_the_group_waits_for_their_end(people):
    evening = local(2027, 3, 1, 22)
    search = begin(run_in(people, evening, days=3), evening)
    assert not ask_around(evening)
    morning = local(2027, 3, 2, 8)
    assert next_at(search) == morning
    assert not ask_around(morning - timedelta(minutes=1))
    assert ask_around(morning) == 5


def test_a_group_that_would_be_due_at_night_is_due_in_the_morning(people):
    afternoon = local(2027, 3, 1, 20)
    search = begin(run_in(people, afternoon, hours=40), afternoon)
    ask_around(afternoon)
    assert next_at(search) == local(2027, 3, 2, 8)


def test_the_morning_of_a_clock_change_begins_by_the_clock(people):
    night = local(2027, 3, 13, 23)
    search = begin(run_in(people, night, days=3), night)
    ask_around(night)
    assert next_at(search) == local(2027, 3, 14, 8) == night.astimezone(UTC) + timedelta(hours=8)


def test_at_6_40_those_who_allow_it_are_asked_about_the_same_morning(people):
    early = [people[1][2], people[1][5]]
    Person.objects.filter(pk__in=[person.pk for person in early]).update(early_requests=True)
    dawn = local(2027, 3, 2, 6, 40)
    search = begin(run_in(people, dawn, hours=3), dawn)
    assert ask_around(dawn) == 2
    assert asked(search) == {1: "CF"}
    assert next_at(search) == local(2027, 3, 2, 8)  # the others, who are not woken
    assert ask_around(local(2027, 3, 2, 8)) == 8
    assert next_at(search) is None


def test_at_5_30_even_they_sleep(people):
    Person.objects.update(early_requests=True)
    night = local(2027, 3, 2, 5, 30)
    search = begin(run_in(people, night, hours=3), night)
    assert not ask_around(night)
    assert next_at(search) == local(2027, 3, 2, 6)
    assert ask_around(local(2027, 3, 2, 6)) == 10


def test_early_is_for_a_run_of_the_same_morning_alone(people):
    Person.objects.update(early_requests=True)
    dawn = local(2027, 3, 2, 6, 40)
    search = begin(run_in(people, dawn, hours=20), dawn)
    assert not ask_around(dawn)
    assert next_at(search) == local(2027, 3, 2, 8)


def test_a_run_before_the_quiet_hours_end_is_for_the_phone(people):
    dawn = local(2027, 3, 2, 6, 40)
    search = begin(run_in(people, dawn, minutes=60), dawn)
    assert not ask_around(dawn)
    assert next_at(search) is None


# --- whom


def left_out(search, at=NOON):
    pool = asking.pool_of(search.run, search, at=at)
    return {pool.others[person.pk]: person.name[0] for person in Person.objects.filter(pk__in=pool.others)}


def test_who_is_spared_and_why(people):
    run = run_in(people, days=3)
    search = begin(run)
    a, b, c, d, e, f = people[1][:6]
    requests.ask_person(search, a, wave=1, by=None, at=NOON, mailed=True)
    Person.objects.filter(pk=b.pk).update(email="", reach="call")
    Person.objects.filter(pk=c.pk).update(wants_requests=False)
    Person.objects.filter(pk=d.pk).update(requests_a_week=0)
    other = begin(run_in(people, days=4))
    requests.answer(
        requests.ask_person(other, e, wave=1, by=None, at=NOON, mailed=True), "not week", by=None, at=NOON
    )
    put(f, run)
    give_back(Booking.objects.get(run=run, person=f), by=None, at=NOON)
    assert left_out(search) == {
        asking.ASKED: "A",
        asking.NO_MAIL: "B",
        asking.WANTS_NONE: "C",
        asking.ENOUGH: "D",
        asking.NOT_THIS_WEEK: "E",
        asking.WAS_ON_IT: "F",
    }
    assert {person.name[0] for person in asking.pool_of(search.run, search, at=NOON).people} == set("GHIJ")


def test_whoever_may_not_drive_pauses_or_is_not_taken_in_is_not_asked(people):
    search = begin(run_in(people, hours=8))
    a, b, c, d = people[1][:4]
    a.completions.filter(step__code="insurance").delete()
    Person.objects.filter(pk=b.pk).update(paused_on="2027-02-01")
    Person.objects.filter(pk=c.pk).update(asking_since="2027-02-01")
    put(d, make_run(starts_at=search.run.starts_at))
    ask_around(NOON)
    assert asked(search) == {1: "EFGHIJ"}


def ask_often(person, times, *, at, days=10):
    for _ in range(times):
        search = Search.objects.create(run=make_run(starts_at=NOON + timedelta(days=days)), opened_at=at)
        requests.ask_person(search, person, wave=1, by=None, at=at, mailed=True)


def test_two_requests_in_seven_days_and_one_more_when_it_is_urgent(people):
    a, b, c = people[1][:3]
    ask_often(a, 2, at=NOON - timedelta(days=6))
    ask_often(b, 3, at=NOON - timedelta(days=6))
    ask_often(c, 3, at=NOON - timedelta(days=7))
    Person.objects.filter(pk=a.pk).update(requests_a_week=None)
    calm, urgent = begin(run_in(people, days=5)), begin(run_in(people, hours=47))
    assert set(asking.pool_of(calm.run, calm, at=NOON).others) == {a.pk, b.pk}
    assert set(asking.pool_of(urgent.run, urgent, at=NOON).others) == {b.pk}
    Person.objects.filter(pk=b.pk).update(requests_a_week=3)
    assert set(asking.pool_of(urgent.run, urgent, at=NOON).others) == set()


def test_two_searches_at_once_keep_to_the_limit(people):
    Policy.current()
    Policy.objects.update(requests_a_week=1)
    for hours in (240, 244, 248):
        begin(run_in(people, hours=hours))
    ask_around(NOON)
    asks = Ask.objects.values_list("person", flat=True)
    assert len(asks) == len(set(asks)) == 10  # everybody once, then nobody is left


def test_a_run_kept_for_its_regular_driver_waits_for_the_day_it_is_kept_no_longer(people):
    regular = people[1][0]
    shift = weekly(people[0])
    standing.begin(standing.Wish(shift=shift, person=regular, from_day=NOON.date()), by=None, at=NOON)
    run = shift.runs.ahead(NOON + timedelta(days=8)).first()
    run.bookings.all().update(ended_at=NOON, end="lapsed")
    search = begin(run)
    assert not ask_around(NOON)
    assert next_at(search).astimezone(NEW_YORK).date() == run.local_date - timedelta(days=4)


# --- how a search begins and ends


def weekly(sites):
    plan = Plan(
        rule="FREQ=WEEKLY;BYDAY=WE", starts=time(9), minutes=60, stops=((sites[0].pk, 0), (sites[1].pk, 30))
    )
    return add_shift(name="Weekly", from_day=NOON.date(), by=None, plan=plan, at=NOON)


def test_a_give_back_asks_around_after_a_quarter_of_an_hour(people):
    run = run_in(people, days=3)
    booking = seat(run=run, person=people[1][0], seat="driver", by=None, at=NOON)
    give_back(booking, by=None, at=NOON)
    search = Search.objects.get(run=run)
    assert (search.opened_by, search.next_at) == (None, NOON + timedelta(minutes=15))
    assert Event.objects.about(run).filter(verb="search begun", by=None).count() == 1
    assert not ask_around(NOON + timedelta(minutes=14))
    assert ask_around(NOON + timedelta(minutes=15)) == 5
    assert "A" not in asked(search)[1]  # who has just said that they cannot


def test_within_twelve_hours_it_asks_at_once(people):
    run = run_in(people, hours=12)
    give_back(put(people[1][0], run), by=None, at=NOON)
    assert Search.objects.get(run=run).next_at == NOON


def test_taken_again_within_that_time_nobody_is_asked(people):
    run = run_in(people, days=3)
    ana = people[1][0]
    give_back(put(ana, run), by=None, at=NOON)
    seat(run=run, person=ana, seat="driver", by=None, at=NOON + timedelta(minutes=3))
    assert Search.objects.get(run=run).end == "filled"
    assert not ask_around(NOON + timedelta(minutes=15))


@pytest.mark.parametrize("end", ["taken out", "handed on", "cancelled", "lapsed", "no show"])
def test_other_ends_ask_nobody(people, end):
    run = run_in(people, days=3)
    give_back(put(people[1][0], run), by=None, end=end, at=NOON)
    assert not Search.objects.exists()


def test_neither_does_the_second_seat_a_run_that_began_or_a_programme_that_wants_none(people):
    run = run_in(people, days=3)
    give_back(put(people[1][0], run, "second"), by=None, at=NOON)
    give_back(put(people[1][0], run), by=None, at=run.starts_at)
    Policy.current()
    Policy.objects.update(asks_on=False)
    give_back(put(people[1][0], run), by=None, at=NOON)
    assert not Search.objects.exists()


def test_a_run_far_ahead_is_asked_about_once_volunteers_may_book_it(people):
    run = run_in(people, weeks=9)
    give_back(put(people[1][0], run), by=None, at=NOON)
    assert Search.objects.get(run=run).next_at == run.starts_at - timedelta(weeks=8)


def test_the_dates_of_a_regular_run_that_ended_are_asked_about_one_by_one(people):
    shift = weekly(people[0])
    wish = standing.Wish(shift=shift, person=people[1][0], from_day=NOON.date())
    mine = standing.begin(wish, by=None, at=NOON)
    standing.stop(mine, last_day=NOON.date(), by=None, at=NOON)
    due = [search.next_at for search in Search.objects.order_by("run__starts_at")]
    starts = [search.run.starts_at for search in Search.objects.order_by("run__starts_at")]
    assert len(due) >= 7
    assert due[0] == NOON + timedelta(minutes=15)  # on Wednesday already
    assert due[1:] == [start - timedelta(days=7) for start in starts[1:]]


def kept_until(people):
    """A run without its regular driver, and the morning from which it is kept for them no longer."""
    shift = weekly(people[0])
    regular = people[1][0]
    standing.begin(standing.Wish(shift=shift, person=regular, from_day=NOON.date()), by=None, at=NOON)
    run = shift.runs.ahead(NOON + timedelta(days=8)).first()
    run.bookings.all().update(ended_at=NOON, end="lapsed")
    regular.completions.filter(step__code="insurance").delete()
    return run, datetime.combine(run.local_date - timedelta(days=4), time(9), NEW_YORK)


def test_a_run_that_is_kept_no_longer_is_asked_about_once(people):
    run, day = kept_until(people)
    ask_around(day - timedelta(days=1))
    assert not Search.objects.filter(run=run).exists()
    assert ask_around(day) == 5
    asking.stop_search(Search.objects.get(run=run), by=None, at=day)
    assert not ask_around(day + timedelta(hours=1))  # the coordinator has the last word


def test_one_that_was_called_about_before_is_asked_about_once_as_well(people):
    """A call while it was kept has begun a search that asks nobody by mail."""
    run, day = kept_until(people)
    requests.called(run, people[1][1], "silent", by=None, at=day - timedelta(days=1))
    assert ask_around(day)
    assert not ask_around(day + timedelta(minutes=1))
    asking.stop_search(Search.objects.get(run=run), by=None, at=day + timedelta(minutes=2))
    assert not ask_around(day + timedelta(hours=1)), "the coordinator has the last word"


def test_cancelled_started_and_closed_runs_end_their_search(people):
    runs = [run_in(people, days=3, hours=2 * number) for number in range(3)]
    all_three = [begin(run) for run in runs]
    other = make_run(starts_at=NOON + timedelta(days=3))
    open_one = begin(other)
    cancel_run(runs[0], reason="Snow.", by=None, at=NOON)
    ask_around(NOON)
    day = runs[1].local_date
    close_site(people[0][0], first=day, last=day, by=None)
    ask_around(NOON + timedelta(minutes=1))
    ends = [Search.objects.get(pk=search.pk).end for search in all_three]
    assert ends == ["over"] * 3
    assert Search.objects.get(pk=open_one.pk).end == ""
    ask_around(other.starts_at)
    assert Search.objects.get(pk=open_one.pk).end == "over"
    assert not Ask.objects.filter(answer="").exists()
    assert Event.objects.filter(verb="search ended", after__end="over").count() == 4


def test_a_run_put_on_again_can_be_asked_about_again(people):
    run = run_in(people, days=3)
    begin(run)
    cancel_run(run, reason="Snow.", by=None, at=NOON)
    ask_around(NOON)
    restore_run(run, by=None, at=NOON)
    assert asking.start_search(run, by=None, at=NOON).asks.count() == 5


def test_back_ups_are_asked_first_when_the_driver_falls_out(people):
    run = run_in(people, days=3)
    ask_around(NOON) if begin(run) else None
    first, late, later, *_rest = Search.objects.get().asks.all()
    booking = requests.answer(first, "yes", by=None, at=NOON).booking
    for ask in (late, later):
        requests.answer(requests.answer(ask, "yes", by=None, at=NOON), "back up", by=None, at=NOON)
    ask_often(late.person, 5, at=NOON)  # they want to be asked about this one
    give_back(booking, by=None, at=NOON)
    assert ask_around(NOON + timedelta(minutes=15)) == 2
    search = Search.objects.open().get(run=run)
    assert set(search.asks.values_list("person", flat=True)) == {late.person_id, later.person_id}
    no = search.asks.get(person=late.person_id)
    requests.answer(no, "no", by=None, at=NOON + timedelta(minutes=20))
    assert not Ask.objects.filter(person=late.person_id, is_back_up=True).exists()


def test_a_back_up_who_wants_no_requests_any_more_gets_none(people):
    """What is turned off by one click at the end of a mail (RFC 8058) is off."""
    run = run_in(people, days=3)
    search = begin(run)
    first, late = (
        requests.ask_person(search, person, wave=1, by=None, at=NOON, mailed=True) for person in people[1][:2]
    )
    booking = requests.answer(first, "yes", by=None, at=NOON).booking
    requests.answer(requests.answer(late, "yes", by=None, at=NOON), "back up", by=None, at=NOON)
    stopping.turn(late.person, stopping.REQUESTS, on=False, by=None, at=NOON)
    give_back(booking, by=None, at=NOON)
    assert ask_around(NOON + timedelta(minutes=15))
    assert not Search.objects.open().get(run=run).asks.filter(person=late.person_id).exists()


# --- what the coordinator does


def test_ask_around_stop_and_hurry_say_who_did_it(people):
    cora = coordinator().user
    run = run_in(people, days=10)
    search = asking.start_search(run, by=cora, at=NOON)
    assert (search.opened_by, search.asks.count()) == (cora, 5)
    assert len(asking.hurry(search, by=cora, at=NOON + timedelta(minutes=5))) == 5
    assert not search.asks.filter(answer="silent").exists()  # they have had no time yet
    asking.stop_search(search, by=cora, at=NOON + timedelta(minutes=6))
    search.refresh_from_db()
    assert (search.end, search.ended_by, search.asks.filter(answer="closed").count()) == ("stopped", cora, 10)
    verbs = Event.objects.about(run).filter(by=cora).values_list("verb", flat=True)
    assert set(verbs) == {"search begun", "search hurried", "search ended"}
    assert Message.objects.filter(kind="request", state="owed").count() == 0
    for act in (asking.hurry, asking.stop_search):
        with pytest.raises(NotPossible):
            act(search, by=cora, at=NOON)


def test_quiet_hours_hold_for_coordinators_too(people):
    night = local(2027, 3, 1, 23)
    search = asking.start_search(run_in(people, night, days=3), by=None, at=night)
    assert (search.asks.count(), search.next_at) == (0, local(2027, 3, 2, 8))


def test_nobody_is_asked_about_a_run_that_needs_nobody(people):
    run = run_in(people, days=3)
    put(people[1][0], run)
    with pytest.raises(NotPossible, match="has a driver"):
        asking.start_search(run, by=None, at=NOON)
    with pytest.raises(NotPossible, match="started"):
        asking.start_search(run_in(people, hours=-1), by=None, at=NOON)
    assert not Search.objects.exists()


def test_chosen_by_hand_a_weeks_limits_do_not_count(people):
    cora = coordinator(name="Cora Desk").user
    a, b, c, d = people[1][:4]
    Person.objects.filter(pk=a.pk).update(requests_a_week=0)
    Person.objects.filter(pk=b.pk).update(email="", reach="call")
    c.completions.filter(step__code="insurance").delete()
    Person.objects.filter(pk=d.pk).update(wants_requests=False)
    run = run_in(people, days=3)
    done = asking.ask_by_hand(run, [a.pk, b.pk, c.pk, d.pk], by=cora, at=NOON)
    assert [ask.person for ask in done.asked] == [a]
    assert {person.name[0]: why for person, why in done.not_asked} == {
        "B": asking.NO_MAIL,
        "C": asking.MAY_NOT,
        "D": asking.WANTS_NONE,
    }
    assert "Cora asks whether" in Message.objects.get(kind="request").text
    assert Search.objects.get().next_at is None  # nobody else is asked
    again = asking.ask_by_hand(run, [a.pk], by=cora, at=NOON)
    assert (again.asked, again.not_asked) == ([], [(a, asking.ASKED)])


def test_by_hand_at_night_nobody_is_mailed(people):
    night = local(2027, 3, 1, 23)
    done = asking.ask_by_hand(run_in(people, night, days=2), [people[1][0].pk], by=None, at=night)
    assert done.not_asked == [(people[1][0], asking.QUIET)]


# --- what it costs


def test_a_group_of_a_hundred_people_costs_as_many_reads_as_one_of_ten(people):
    def reads():
        search = begin(run_in(people, days=10))
        with CaptureQueriesContext(connection) as told:
            asking.pool_of(search.run, search, at=NOON)
        search.delete()
        return len(told)

    reads()  # the settings are made
    few = reads()
    for number in range(90):
        ready_person(name=f"More {number}")
    assert reads() == few


def test_the_workers_tick_asks_around(people):
    now = timezone.now()
    search = begin(run_in(people, now, days=10), now)
    Policy.current()
    Policy.objects.update(quiet_from=time(8))  # no quiet hours, whenever this runs
    worker.tick(now)
    assert search.asks.count() == 5


def test_a_tick_with_nothing_due_is_a_few_reads(people, django_assert_max_num_queries):
    search = begin(run_in(people, days=10))
    Search.objects.filter(pk=search.pk).update(next_at=NOON + timedelta(hours=1))
    Policy.current()
    with django_assert_max_num_queries(4):
        ask_around(NOON)


def test_who_was_asked_is_forgotten_a_year_after_its_end_and_the_drive_is_not(people):
    open_one, filled = begin(run_in(people, days=10)), begin(run_in(people, days=12))
    ask_around(NOON)
    booking = requests.answer(filled.asks.first(), "yes", by=None, at=NOON + timedelta(hours=1)).booking
    ended = Search.objects.get(pk=filled.pk).ended_at
    assert Search.objects.prune(ended + timedelta(days=365)) == 0
    assert Search.objects.prune(ended + timedelta(days=365, seconds=1)) == 1
    assert set(Ask.objects.values_list("search", flat=True)) == {open_one.pk}
    assert Booking.objects.live().filter(pk=booking.pk).exists()
    assert Event.objects.filter(verb="request").count() == 10


def test_the_workers_tick_forgets_what_was_asked_long_ago(people):
    now = timezone.now()
    Search.objects.create(
        run=run_in(people, now, days=-400), opened_at=now, ended_at=now - timedelta(days=366), end="over"
    )
    worker.tick(now)
    assert not Search.objects.exists()


def test_a_search_that_fails_keeps_no_other_from_its_turn(people, monkeypatch):
    first, second = begin(run_in(people, days=9)), begin(run_in(people, days=10))
    real = asking.next_wave

    def fails(search, **facts):
        if search == first:
            raise OSError("the disk is full")
        return real(search, **facts)

    monkeypatch.setattr(asking, "next_wave", fails)
    with pytest.raises(ExceptionGroup):
        ask_around(NOON)
    assert not first.asks.exists()
    assert second.asks.count() == 5

"""Runs made ahead: once a slot, on the programme's clock, from dated terms."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from shifts.models import Policy, Run, Shift, ShiftTerm
from shifts.schedule.making import Plan, add_shift, make_runs, make_runs_ahead
from shifts.seats.changes import Shape, reshape_run, shape_of
from shifts.seats.weekly import change_shift, end_shift
from sites.changes import change_programme, close_site, lift_closure
from sites.models import Event, Site
from tests.factories import DropOffFactory, SiteFactory

NEW_YORK = ZoneInfo("America/New_York")
WEEKLY = "FREQ=WEEKLY;BYDAY=TU"
pytestmark = pytest.mark.django_db


def plan(rule=WEEKLY, starts=time(8), **facts):
    stops = ((SiteFactory().pk, 0), (DropOffFactory().pk, 30))
    return Plan(rule=rule, starts=starts, minutes=60, stops=facts.pop("stops", stops), **facts)


def at(year, month, day, hour=12):
    return datetime(year, month, day, hour, tzinfo=UTC)


def weekly_run(rule=WEEKLY, *, now, from_day=None, **facts):
    return add_shift(
        name="Market", plan=plan(rule, **facts), from_day=from_day or now.date(), by=None, at=now
    )


def dates(shift):
    return list(shift.runs.order_by("slot_date").values_list("slot_date", flat=True))


def local_times(shift, zone=NEW_YORK):
    return [
        run.starts_at.astimezone(zone).strftime("%m-%d %H:%M") for run in shift.runs.order_by("starts_at")
    ]


class TestHowFar:
    def test_eight_weeks_ahead_both_ends_included(self):
        shift = weekly_run(now=at(2027, 5, 4), from_day=date(2027, 5, 4), starts=time(17))  # a Tuesday
        assert dates(shift) == [date(2027, 5, 4) + timedelta(weeks=n) for n in range(9)]

    def test_the_horizon_is_a_local_date(self):
        """Late on Monday in New York it is Tuesday in UTC; the last date is a Monday all the same."""
        shift = weekly_run("FREQ=WEEKLY;BYDAY=MO,TU", now=at(2027, 5, 4, 2), from_day=date(2027, 5, 4))
        assert dates(shift)[-1] == date(2027, 6, 28)

    def test_as_many_weeks_as_the_coordinator_says(self):
        Policy.objects.update_or_create(pk=1, defaults={"weeks_ahead": 2, "weeks_shown": 2})
        assert len(dates(weekly_run(now=at(2027, 5, 5)))) == 2

    def test_nothing_that_has_started(self):
        now = at(2027, 5, 4, 12)  # 08:00 in New York
        assert dates(weekly_run(now=now, starts=time(8)))[0] == date(2027, 5, 11)
        assert dates(weekly_run(now=now, starts=time(8, 1)))[0] == date(2027, 5, 4)

    def test_what_a_run_is_made_with(self):
        facts = plan(crates=12, second_seat=False)
        shift = add_shift(name="Market", plan=facts, from_day=date(2027, 5, 4), by=None, at=at(2027, 5, 3))
        run = shift.runs.first()
        assert (run.title, run.crates, run.second_seat) == ("Market", 12, False)
        assert run.ends_at - run.starts_at == timedelta(minutes=60)
        assert tuple((stop.site_id, stop.after_minutes) for stop in run.ordered_stops) == facts.stops

    def test_who_added_it_and_when(self):
        shift = weekly_run(now=at(2027, 5, 3))
        event = Event.objects.about(shift).get()
        assert (event.verb, event.at, event.after["rule"]) == ("added", at(2027, 5, 3), WEEKLY)


class TestOnce:
    def test_made_again_makes_nothing(self):
        now = at(2027, 5, 3)
        shift = weekly_run(now=now)
        before = list(shift.runs.values_list("pk", "starts_at"))
        assert make_runs_ahead(at=now) == 0
        assert make_runs(shift, at=now) == 0
        assert list(shift.runs.values_list("pk", "starts_at")) == before

    def test_a_week_later_one_more(self):
        shift = weekly_run(now=at(2027, 5, 3))
        assert make_runs_ahead(at=at(2027, 5, 10)) == 1
        assert make_runs_ahead(at=at(2027, 5, 10)) == 0
        assert len(set(dates(shift))) == len(dates(shift))

    def test_a_run_moved_to_another_day_is_not_made_again(self):
        shift = weekly_run(now=at(2027, 5, 3))
        run = shift.runs.first()
        old = shape_of(run)
        moved = Shape(old.starts_at + timedelta(days=1), old.ends_at + timedelta(days=1), old.stops, 0, True)
        assert reshape_run(run, moved, by=None, hand_edited=True)
        run.refresh_from_db()
        assert (run.slot_date, run.local_date) == (date(2027, 5, 4), date(2027, 5, 5))
        assert make_runs_ahead(at=at(2027, 5, 3)) == 0

    def test_another_zone_makes_no_doubles(self):
        """An instant moves with the zone's rules; the slot's date does not."""
        weekly_run(now=at(2027, 5, 3))
        change_programme(by=None, time_zone="America/Chicago")
        assert make_runs_ahead(at=at(2027, 5, 3)) == 0

    def test_each_weekly_run_has_its_own_slots(self):
        now = at(2027, 5, 3)
        weekly_run(now=now), weekly_run(now=now)
        assert Run.objects.filter(slot_date=date(2027, 5, 4)).count() == 2

    def test_queries_do_not_grow_with_the_runs_made(self, django_assert_num_queries):
        """A savepoint and its release, the lock, terms, their stops, dates known, runs, stops."""
        now = at(2027, 5, 3)
        shift = weekly_run("FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR", now=now)
        zone = NEW_YORK
        for weeks in (1, 8):
            shift = Shift.objects.get(pk=shift.pk)
            until = now.date() + timedelta(weeks=9 + weeks)
            with django_assert_num_queries(8):
                assert make_runs(shift, at=now, until=until, zone=zone) >= 5


class TestTheClock:
    """Clock changes in the United States in 2027: March 14 and November 7 (15 U.S.C. 260a)."""

    def test_eight_stays_eight_in_spring(self):
        shift = weekly_run("FREQ=WEEKLY;BYDAY=SA,SU", now=at(2027, 3, 10), from_day=date(2027, 3, 10))
        assert local_times(shift)[:4] == ["03-13 08:00", "03-14 08:00", "03-20 08:00", "03-21 08:00"]
        hours = [run.starts_at.astimezone(UTC).hour for run in shift.runs.order_by("starts_at")[:4]]
        assert hours == [13, 12, 12, 12]

    def test_eight_stays_eight_in_autumn(self):
        shift = weekly_run("FREQ=WEEKLY;BYDAY=SA,SU", now=at(2027, 11, 1), from_day=date(2027, 11, 1))
        assert local_times(shift)[:4] == ["11-06 08:00", "11-07 08:00", "11-13 08:00", "11-14 08:00"]
        hours = [run.starts_at.astimezone(UTC).hour for run in shift.runs.order_by("starts_at")[:4]]
        assert hours == [12, 13, 13, 13]

    def test_an_hour_that_is_skipped_and_one_that_comes_twice(self):
        """RFC 5545 3.3.5: 02:30 on March 14 is 03:30 daylight time; 01:30 on November 7 is the first one."""
        spring = weekly_run("FREQ=WEEKLY;BYDAY=SU", now=at(2027, 3, 10), starts=time(2, 30))
        assert spring.runs.first().starts_at == at(2027, 3, 14, 7) + timedelta(minutes=30)
        autumn = weekly_run("FREQ=WEEKLY;BYDAY=SU", now=at(2027, 11, 1), starts=time(1, 30))
        assert autumn.runs.first().starts_at == at(2027, 11, 7, 5) + timedelta(minutes=30)

    def test_a_late_run_keeps_its_local_date(self):
        shift = weekly_run(now=at(2027, 5, 3), starts=time(22))  # 02:00 on Wednesday in UTC
        run = shift.runs.first()
        assert (run.local_date, run.starts_at) == (date(2027, 5, 4), at(2027, 5, 5, 2))


class TestTerms:
    def test_each_date_follows_the_term_in_force_on_it(self):
        now = at(2027, 5, 3)
        shift = weekly_run(now=now)
        change_shift(shift, plan=plan(starts=time(10)), from_day=date(2027, 5, 18), by=None, at=now)
        assert local_times(shift)[:4] == ["05-04 08:00", "05-11 08:00", "05-18 10:00", "05-25 10:00"]
        assert [(t.applies_from, t.applies_until) for t in shift.terms.all()] == [
            (date(2027, 5, 3), date(2027, 5, 18)),
            (date(2027, 5, 18), None),
        ]

    def test_a_term_to_come_makes_runs_from_its_day_on(self):
        now = at(2027, 5, 3)
        shift = weekly_run(now=now, from_day=date(2027, 6, 1))
        assert dates(shift)[0] == date(2027, 6, 1)

    def test_an_ended_run_makes_no_more(self):
        now = at(2027, 5, 3)
        shift = weekly_run(now=now)
        end_shift(shift, last_day=date(2027, 5, 11), by=None, at=now)
        assert dates(shift) == [date(2027, 5, 4), date(2027, 5, 11)]
        assert make_runs_ahead(at=at(2027, 5, 10)) == 0
        assert shift in Shift.objects.in_use(date(2027, 5, 11))
        assert shift not in Shift.objects.in_use(date(2027, 5, 12))

    def test_one_ended_before_it_began_is_not_in_use(self):
        now = at(2027, 5, 3)
        shift = weekly_run(now=now, from_day=date(2027, 5, 17))
        end_shift(shift, last_day=date(2027, 5, 10), by=None, at=now)
        assert (dates(shift), list(shift.terms.all())) == ([], [])
        assert shift not in Shift.objects.in_use(date(2027, 5, 3))

    def test_a_rule_that_is_none_of_ours_is_refused_and_nothing_is_kept(self):
        with pytest.raises(ValueError, match="repeats by weeks"):
            weekly_run("FREQ=DAILY", now=at(2027, 5, 3))
        assert not Shift.objects.exists()
        assert not ShiftTerm.objects.exists()


class TestEveryOtherWeek:
    RULE = "FREQ=WEEKLY;INTERVAL=2;BYDAY=TU"
    FIRST = date(2027, 5, 4)

    def every_other(self):
        return weekly_run(self.RULE, now=at(2027, 5, 3), from_day=date(2027, 5, 3))

    def weeks(self, shift):
        return [(day - self.FIRST).days / 7 for day in dates(shift)]

    def test_counts_from_its_first_week(self):
        assert self.weeks(self.every_other()) == [0, 2, 4, 6]

    @pytest.mark.parametrize(
        "from_day", [date(2027, 5, 10), date(2027, 5, 12), date(2027, 5, 17), date(2027, 5, 25)]
    )
    def test_goes_on_counting_after_a_change_of_hour(self, from_day):
        shift = self.every_other()
        change_shift(
            shift, plan=plan(self.RULE, starts=time(9)), from_day=from_day, by=None, at=at(2027, 5, 3)
        )
        assert self.weeks(shift) == [0, 2, 4, 6]

    def test_goes_on_counting_after_an_earlier_start(self):
        shift = weekly_run(self.RULE, now=at(2027, 5, 3), from_day=date(2027, 5, 17))
        assert self.weeks(shift) == [2, 4, 6]
        change_shift(shift, plan=plan(self.RULE), from_day=date(2027, 5, 10), by=None, at=at(2027, 5, 3))
        assert self.weeks(shift) == [2, 4, 6]

    def test_another_rhythm_counts_from_its_own_start(self):
        shift = self.every_other()
        third = "FREQ=WEEKLY;INTERVAL=3;BYDAY=TU"
        change_shift(shift, plan=plan(third), from_day=date(2027, 5, 10), by=None, at=at(2027, 5, 3))
        assert self.weeks(shift) == [0, 1, 4, 7]

    def test_runs_made_week_by_week_fall_on_the_same_dates(self):
        """Making them at another time of the cycle does not shift them."""
        shift = self.every_other()
        for week in range(1, 9):
            make_runs_ahead(at=at(2027, 5, 3) + timedelta(weeks=week))
        assert self.weeks(shift) == [0, 2, 4, 6, 8, 10, 12, 14]


class TestTheNthOfTheMonth:
    def test_first_and_third(self):
        shift = weekly_run("FREQ=MONTHLY;BYDAY=1TU,3TU", now=at(2027, 5, 3))
        assert dates(shift) == [date(2027, 5, 4), date(2027, 5, 18), date(2027, 6, 1), date(2027, 6, 15)]

    def test_the_last(self):
        shift = weekly_run("FREQ=MONTHLY;BYDAY=-1FR", now=at(2027, 5, 3))
        assert dates(shift) == [date(2027, 5, 28), date(2027, 6, 25)]


class TestClosures:
    def test_closed_is_computed_and_lifting_opens_again(self):
        now = at(2027, 5, 3)
        shift = weekly_run(now=now)
        site = shift.runs.first().ordered_stops[1].site
        closure = close_site(site, first=date(2027, 5, 11), last=date(2027, 5, 18), by=None)

        def closed():
            return [run.slot_date.day for run in shift.runs.with_closed().filter(closed=True)]

        assert closed() == [11, 18]
        lift_closure(closure, by=None)
        assert closed() == []
        assert len(dates(shift)) == 8, "no run came or went"

    def test_runs_are_made_on_closed_dates_too(self):
        facts = plan()
        close_site_of = facts.stops[0][0]
        close_site(
            Site.objects.get(pk=close_site_of), first=date(2027, 5, 1), last=date(2027, 12, 31), by=None
        )
        shift = add_shift(name="Market", plan=facts, from_day=date(2027, 5, 3), by=None, at=at(2027, 5, 3))
        assert len(dates(shift)) == 8

    def test_another_sites_closed_dates_change_nothing(self):
        shift = weekly_run(now=at(2027, 5, 3))
        close_site(SiteFactory(), first=date(2027, 5, 1), last=date(2027, 12, 31), by=None)
        assert not shift.runs.with_closed().filter(closed=True).exists()

"""Regular runs: who may take one, what is seated when, skips, keeping for somebody whose paper is late."""

from datetime import UTC, date, datetime, time, timedelta

import pytest

from shifts import worker
from shifts.models import Booking, CalendarEntry, Policy, Skip, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats import refusals, standing
from shifts.seats.booking import give_back, seat
from shifts.seats.keeping import kept_for, release_day
from shifts.seats.standing import Wish
from shifts.seats.weekly import change_shift, end_shift
from sites.changes import close_site, lift_closure
from sites.models import Event, Site
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_ready,
    make_run,
    put,
    ready_person,
)
from volunteers.doors import publish
from volunteers.models import Message, Step
from volunteers.steps import ask

AT = datetime(2027, 2, 1, 15, 0, tzinfo=UTC)  # a Monday
FIRST = date(2027, 2, 2)
LATER = AT + timedelta(minutes=5)
pytestmark = pytest.mark.django_db


@pytest.fixture
def stops():
    return ((SiteFactory(name="Market").pk, 0), (DropOffFactory(name="Kitchen").pk, 30))


def plan(stops, rule="FREQ=WEEKLY;BYDAY=TU", starts=time(8), **facts):
    return Plan(rule=rule, starts=starts, minutes=60, stops=stops, **facts)


@pytest.fixture
def shift(stops):
    return add_shift(name="Tuesdays", plan=plan(stops), from_day=FIRST, by=None, at=AT)


@pytest.fixture
def ana(shift):
    return ready_person(name="Ana Aster")


def begin(shift, person, *, at=AT, on_behalf=False, from_day=FIRST, members=(), **facts):
    wish = Wish(shift=shift, person=person, from_day=from_day, **facts)
    return standing.begin(wish, by=None, on_behalf=on_behalf, members=members, at=at)


def dates_of(person):
    live = Booking.objects.live().filter(person=person).order_by("run__starts_at")
    return [booking.run.slot_date for booking in live]


def weeks(*numbers):
    return [FIRST + timedelta(weeks=number) for number in numbers]


def run(shift, week):
    return shift.runs.get(slot_date=FIRST + timedelta(weeks=week))


class TestTakingOne:
    @pytest.mark.parametrize(
        ("pattern", "expected"),
        [
            ("every", weeks(*range(8))),
            ("other", weeks(0, 2, 4, 6)),
            ("1st 3rd", weeks(0, 2, 4, 6)),  # Feb 2 and 16, Mar 2 and 16
            ("2nd 4th", weeks(1, 3, 5, 7)),
        ],
    )
    def test_each_run_gets_a_booking_of_its_own(self, shift, ana, pattern, expected):
        row = begin(shift, ana, pattern=pattern)
        assert dates_of(ana) == expected
        assert {booking.standing for booking in Booking.objects.live()} == {row}
        assert Event.objects.filter(verb="regular run begun", person_id=ana.pk).count() == 1

    def test_every_other_week_goes_on_counting_when_runs_are_made(self, shift, ana):
        begin(shift, ana, pattern="other")
        for week in range(1, 6):
            worker.tick(AT + timedelta(weeks=week))
        assert dates_of(ana) == weeks(*range(0, 13, 2))

    def test_it_is_told_once_with_one_invitation(self, shift, ana):
        begin(shift, ana)
        message = Message.objects.get(person=ana)
        assert message.subject == "Your regular run: Tuesdays"
        assert "every Tuesday at 8:00 a.m." in message.text
        entry = CalendarEntry.objects.get()
        assert (entry.booking, entry.standing.person, message.about) == (None, ana, entry.uid)

    def test_runs_that_are_made_later_are_seated_without_a_word(self, shift, ana):
        begin(shift, ana)
        worker.tick(AT + timedelta(weeks=1))
        assert dates_of(ana) == weeks(*range(9))
        told = Message.objects.filter(person=ana).exclude(kind="confirm")  # the first run asks for a word
        assert told.count() == 1
        assert CalendarEntry.objects.get().sequence == 0

    def test_a_run_that_somebody_else_has_stays_theirs_for_good(self, shift, ana):
        bo = ready_person()
        theirs = seat(run=run(shift, 2), person=bo, seat="driver", by=None, at=AT)
        begin(shift, ana)
        assert FIRST + timedelta(weeks=2) not in dates_of(ana)
        assert "Somebody else has this run." in Message.objects.filter(person=ana).get().text
        give_back(theirs, by=None, at=LATER)
        worker.tick(LATER)
        assert not run(shift, 2).bookings.live().exists()

    def test_what_they_had_taken_as_a_single_run_becomes_part_of_it(self, shift, ana):
        single = seat(run=run(shift, 2), person=ana, seat="driver", by=None, at=AT)
        row = begin(shift, ana, at=LATER)
        single.refresh_from_db()
        assert single.standing == row
        [entry] = CalendarEntry.objects.live()
        assert entry.standing == row
        standing.skip(row, first=weeks(2)[0], last=weeks(2)[0], by=None, at=LATER)
        assert weeks(2)[0] not in dates_of(ana)

    def test_the_mail_brings_the_regular_run_and_says_that_a_single_run_is_theirs_still(self, shift, ana):
        seat(run=run(shift, 2), person=ana, seat="driver", by=None, at=AT)
        begin(shift, ana, at=LATER)
        [news] = Message.objects.filter(person=ana, kind="news")
        assert b'method="REQUEST"' in bytes(news.raw)
        [ends] = Message.objects.filter(person=ana, kind="calendar")
        assert b'method="CANCEL"' in bytes(ends.raw)
        assert "You are still booked." in ends.text

    def test_another_run_at_that_time_is_left_out_and_said(self, shift, ana):
        put(ana, make_run(starts_at=run(shift, 1).starts_at, title="Elsewhere"))
        begin(shift, ana)
        assert [day for day in dates_of(ana) if day] == weeks(0, 2, 3, 4, 5, 6, 7)
        assert "Elsewhere at that time" in Skip.objects.get().reason

    def test_a_closed_date_waits_and_comes_when_it_opens(self, shift, ana, stops):
        closure = close_site(
            shift.runs.first().ordered_stops[0].site, first=weeks(3)[0], last=weeks(3)[0], by=None
        )
        begin(shift, ana)
        assert dates_of(ana) == weeks(0, 1, 2, 4, 5, 6, 7)
        lift_closure(closure, by=None, at=LATER)
        worker.tick(LATER)
        assert dates_of(ana) == weeks(*range(8))


class TestRefused:
    def refusal(self, *args, **facts):
        with pytest.raises(refusals.Refusal) as caught:
            begin(*args, **facts)
        assert not Standing.objects.filter(made_at=LATER).exists()
        return caught.value.code

    def test_who_is_not_ready(self, shift):
        assert self.refusal(shift, PersonFactory(), at=LATER) == "not ready"

    def test_who_left_or_does_not_drive(self, shift):
        assert self.refusal(shift, ready_person(drives=False), at=LATER) == "left"
        assert self.refusal(shift, ready_person(left_on=FIRST), at=LATER) == "left"

    def test_twice(self, shift, ana):
        begin(shift, ana)
        assert self.refusal(shift, ana, at=LATER, pattern="other") == "already regular"

    def test_when_every_date_has_its_regular(self, shift, ana):
        begin(shift, ana)
        assert self.refusal(shift, ready_person(), at=LATER) == "regular taken"

    def test_two_may_share_by_weeks(self, shift, ana):
        bo = ready_person()
        begin(shift, ana, pattern="1st 3rd")
        begin(shift, bo, pattern="2nd 4th")
        assert sorted([*dates_of(ana), *dates_of(bo)]) == weeks(*range(8))

    def test_who_is_elsewhere_on_every_date(self, shift, stops, ana):
        other = add_shift(name="As early", plan=plan(stops), from_day=FIRST, by=None, at=AT)
        begin(shift, ana)
        assert self.refusal(other, ana, at=LATER) == "elsewhere"

    @pytest.mark.parametrize("rule", ["FREQ=WEEKLY;INTERVAL=2;BYDAY=TU", "FREQ=MONTHLY;BYDAY=2TU"])
    def test_a_pattern_that_has_no_meaning_for_the_rule(self, stops, rule):
        shift = add_shift(name="Seldom", plan=plan(stops, rule), from_day=FIRST, by=None, at=AT)
        assert self.refusal(shift, ready_person(), at=LATER, pattern="other") == "no pattern"
        begin(shift, ready_person())

    def test_after_the_weekly_run_has_ended(self, shift):
        end_shift(shift, last_day=FIRST, by=None, at=AT)
        assert (
            self.refusal(shift, ready_person(), at=LATER, from_day=FIRST + timedelta(weeks=2)) == "no dates"
        )

    def test_a_share_is_kept_free_for_newcomers(self, shift, stops, ana):
        other = add_shift(
            name="Thursdays", plan=plan(stops, "FREQ=WEEKLY;BYDAY=TH"), from_day=FIRST, by=None, at=AT
        )
        Policy.objects.update_or_create(pk=1, defaults={"newcomer_percent": 50})
        begin(shift, ana, pattern="other")
        bo = ready_person()
        assert self.refusal(other, bo, at=LATER) == "kept free"
        begin(
            shift, ready_person(), from_day=FIRST + timedelta(weeks=1), pattern="other"
        )  # it has one already
        begin(other, bo, on_behalf=True)  # the coordinator decides

    def test_by_default_nothing_is_kept_free(self, shift, ana):
        assert Policy.current().newcomer_percent == 0
        begin(shift, ana)


class TestSkips:
    def test_one_date(self, shift, ana):
        row = begin(shift, ana)
        standing.skip(row, first=weeks(2)[0], last=weeks(2)[0], by=None, at=LATER)
        assert dates_of(ana) == weeks(0, 1, 3, 4, 5, 6, 7)
        assert [m.subject for m in Message.objects.filter(created_at=LATER)] == ["Skipped: Tuesdays"]

    def test_a_range_outlives_how_far_runs_are_made(self, shift, ana):
        row = begin(shift, ana)
        standing.skip(row, first=weeks(6)[0], last=weeks(10)[0], by=None, at=LATER)
        for week in range(1, 7):
            worker.tick(AT + timedelta(weeks=week))
        assert dates_of(ana) == weeks(0, 1, 2, 3, 4, 5, 11, 12, 13)
        assert Message.objects.filter(created_at=LATER, person=ana).count() == 1

    def test_a_date_skipped_already_is_skipped_once(self, shift, ana):
        row = begin(shift, ana)
        long = standing.skip(row, first=weeks(1)[0], last=weeks(5)[0], by=None, at=LATER)
        assert standing.skip(row, first=weeks(2)[0], last=weeks(2)[0], by=None, at=LATER) == long
        assert Message.objects.filter(created_at=LATER).count() == 1

    def test_a_range_is_one_notice_however_many_runs(self, shift, ana):
        row = begin(shift, ana)
        standing.skip(row, first=weeks(1)[0], last=weeks(5)[0], by=None, at=LATER)
        assert Message.objects.filter(created_at=LATER).count() == 1
        assert CalendarEntry.objects.get().sequence == 1

    def test_giving_back_is_skipping_that_date(self, shift, ana):
        begin(shift, ana)
        give_back(run(shift, 4).bookings.live().get(), by=None, at=LATER)
        worker.tick(LATER)
        assert dates_of(ana) == weeks(0, 1, 2, 3, 5, 6, 7)

    def test_somebody_else_takes_it_and_gives_it_back(self, shift, ana):
        begin(shift, ana)
        give_back(run(shift, 4).bookings.live().get(), by=None, at=LATER)
        theirs = seat(run=run(shift, 4), person=ready_person(), seat="driver", by=None, at=LATER)
        give_back(theirs, by=None, at=LATER)
        worker.tick(LATER)
        assert not run(shift, 4).bookings.live().exists()

    def test_taking_a_skip_back(self, shift, ana):
        row = begin(shift, ana)
        skip = standing.skip(row, first=weeks(1)[0], last=weeks(3)[0], by=None, at=LATER)
        taken = seat(run=run(shift, 2), person=ready_person(), seat="driver", by=None, at=LATER)
        got = standing.take_back_skip(skip, by=None, at=LATER)
        assert [one.slot_date for one in got] == weeks(1, 3)
        assert taken.is_live
        assert standing.take_back_skip(skip, by=None, at=LATER) == []
        assert dates_of(ana) == weeks(0, 1, 3, 4, 5, 6, 7)

    def test_booking_a_skipped_run_makes_it_part_of_the_regular_run_again(self, shift, ana):
        row = begin(shift, ana)
        standing.skip(row, first=weeks(1)[0], last=weeks(3)[0], by=None, at=LATER)
        booking = seat(run=run(shift, 2), person=ana, seat="driver", by=None, at=LATER)
        assert booking.standing == row
        left = [(skip.first, skip.last) for skip in row.skips.standing()]
        assert left == [
            (weeks(1)[0], weeks(2)[0] - timedelta(days=1)),
            (weeks(2)[0] + timedelta(days=1), weeks(3)[0]),
        ]
        assert CalendarEntry.objects.live().count() == 1


class TestStopping:
    def test_the_runs_beyond_are_given_back(self, shift, ana):
        row = begin(shift, ana)
        standing.stop(row, last_day=weeks(2)[0], by=None, at=LATER)
        assert dates_of(ana) == weeks(0, 1, 2)
        assert Message.objects.filter(created_at=LATER, person=ana).count() == 1
        assert not Skip.objects.exists()

    def test_a_second_stop_later_than_the_first_changes_nothing(self, shift, ana):
        row = begin(shift, ana)
        standing.stop(row, last_day=weeks(2)[0], by=None, at=LATER)
        again = standing.stop(row, last_day=weeks(4)[0], by=None, at=LATER)
        assert again.until_day == weeks(2)[0] + timedelta(days=1)

    def test_the_weekly_run_that_ends_ends_it(self, shift, ana):
        row = begin(shift, ana)
        outcome = end_shift(shift, last_day=weeks(2)[0], by=None, at=LATER)
        row.refresh_from_db()
        assert row.until_day == weeks(2)[0] + timedelta(days=1)
        assert (dates_of(ana), outcome.kept) == (weeks(0, 1, 2), [])
        assert Message.objects.filter(created_at=LATER, person=ana).count() == 1


class TestForGood:
    def test_another_hour_ends_it_and_begins_a_successor_with_a_new_entry(self, shift, ana, stops):
        row = begin(shift, ana)
        standing.skip(row, first=weeks(6)[0], last=weeks(9)[0], by=None, at=AT)
        change_shift(shift, plan=plan(stops, starts=time(7, 30)), from_day=weeks(4)[0], by=None, at=LATER)
        old, new = Standing.objects.order_by("from_day")
        assert (old.pk, old.until_day, new.from_day, new.succeeds) == (row.pk, weeks(4)[0], weeks(4)[0], row)
        assert [booking.standing for booking in Booking.objects.live().order_by("run__starts_at")] == [
            old, old, old, old, new, new,
        ]  # fmt: skip
        assert [(skip.first, skip.last) for skip in new.skips.all()] == [(weeks(6)[0], weeks(9)[0])]
        notice, calendar = Message.objects.filter(created_at=LATER).order_by("pk")
        assert "every Tuesday at 7:30 a.m." in notice.text
        assert {notice.about, calendar.about} == set(CalendarEntry.objects.values_list("uid", flat=True))

    def test_another_day_moves_the_regular_driver_along(self, shift, ana, stops):
        begin(shift, ana)
        outcome = change_shift(
            shift, plan=plan(stops, "FREQ=WEEKLY;BYDAY=TH"), from_day=weeks(2)[0], by=None, at=LATER
        )
        thursdays = [day + timedelta(days=2) for day in weeks(2, 3, 4, 5, 6, 7)]
        assert dates_of(ana) == [*weeks(0, 1), *thursdays]
        assert (len(outcome.ended), outcome.kept) == (6, [])

    def test_whoever_booked_just_that_run_keeps_it(self, shift, stops):
        bo = ready_person()
        seat(run=run(shift, 3), person=bo, seat="driver", by=None, at=AT)
        outcome = change_shift(
            shift, plan=plan(stops, "FREQ=WEEKLY;BYDAY=TH"), from_day=weeks(2)[0], by=None, at=LATER
        )
        assert [one.slot_date for one in outcome.kept] == weeks(3)
        assert dates_of(bo) == weeks(3)

    def test_only_more_crates_leave_it_alone(self, shift, ana, stops):
        begin(shift, ana)
        change_shift(shift, plan=plan(stops, crates=40), from_day=weeks(2)[0], by=None, at=LATER)
        assert Standing.objects.count() == 1
        assert not Message.objects.filter(created_at=LATER).exists()

    def test_a_pattern_that_has_no_meaning_any_more_becomes_every_run(self, shift, ana, stops):
        begin(shift, ana, pattern="1st 3rd")
        change_shift(
            shift, plan=plan(stops, "FREQ=MONTHLY;BYDAY=2TU"), from_day=weeks(2)[0], by=None, at=LATER
        )
        assert Standing.objects.order_by("from_day").last().pattern == "every"

    def test_a_driver_who_cannot_any_more_is_on_the_list(self, shift, ana, stops):
        begin(shift, ana)
        ana.absences.create(first=weeks(5)[0], last=weeks(5)[0])
        outcome = change_shift(
            shift, plan=plan(stops, starts=time(9)), from_day=weeks(4)[0], by=None, at=LATER
        )
        [(booking, why)] = outcome.doubtful
        assert (booking.run.slot_date, why) == (weeks(5)[0], "said to be away that day")
        assert booking.is_live


LAST_VALID = date(2027, 2, 20)  # weeks 0, 1 and 2 are before it; week 3 is Feb 23


@pytest.fixture
def late(shift):
    """Ready until Feb 20: the new insurance card has not arrived."""
    person = make_ready(PersonFactory(name="Lou Late"), without=("insurance",))
    card = Step.objects.get(code="insurance")
    person.completions.create(
        step=card, valid_from=FIRST - timedelta(days=300), valid_until=LAST_VALID, recorded_at=AT
    )
    return person


def new_card(person, at):
    card = Step.objects.get(code="insurance")
    person.completions.create(step=card, valid_from=FIRST, valid_until=date(2028, 2, 20), recorded_at=at)


class TestKept:
    def test_never_seated_past_the_date_and_kept_until_4_days_before(self, shift, late):
        begin(shift, late)
        assert dates_of(late) == weeks(0, 1, 2)
        third = run(shift, 3)
        assert release_day(third, Policy.current()) == date(2027, 2, 19)
        assert kept_for([third], at=AT)[third.pk].person == late
        assert not kept_for([third], at=datetime(2027, 2, 19, 12, 0, tzinfo=UTC))

    def test_while_it_is_kept_another_volunteer_is_told_until_when(self, shift, late):
        begin(shift, late)
        bo, third = ready_person(), run(shift, 3)
        with pytest.raises(refusals.Kept) as caught:
            seat(run=third, person=bo, seat="driver", by=None, at=AT)
        assert "Lou" in caught.value.why
        assert "Feb 19" in caught.value.why
        seat(run=third, person=bo, seat="driver", by=None, at=datetime(2027, 2, 19, 12, 0, tzinfo=UTC))

    def test_the_coordinator_may_seat_somebody_else_at_any_time(self, shift, late):
        begin(shift, late)
        seat(run=run(shift, 3), person=ready_person(), seat="driver", by=None, on_behalf=True, at=AT)

    def test_the_new_card_seats_them(self, shift, late):
        begin(shift, late)
        worker.tick(AT)
        new_card(late, AT + timedelta(days=1))
        worker.tick(AT + timedelta(days=1))
        assert dates_of(late) == weeks(*range(9))
        assert Standing.objects.get().cleared_until == date(2028, 2, 20)

    def test_both_are_told_in_time_and_once(self, shift, late):
        desk = coordinator()
        begin(shift, late)
        for hours in (0, 1, 48):
            worker.tick(AT + timedelta(hours=hours))
        kept = Message.objects.filter(kind="kept")
        [first] = kept.filter(person=late)
        assert first.subject == "Kept for you for now: Tuesdays"
        assert "insurance" in first.text.lower()
        assert "Feb 19" in first.text
        assert "Your steps:\nhttp" in first.text
        released = datetime(2027, 2, 19, 12, 0, tzinfo=UTC)
        for hours in (0, 1):
            worker.tick(released + timedelta(hours=hours))
        assert [m.subject for m in kept.filter(person=desk)] == [
            "Needs a driver: Tuesdays, Tue, Feb 23, 8:00 a.m."
        ]
        assert kept.filter(person=late).count() == 2

    def test_a_paper_taken_back_ends_the_booking_4_days_before(self, shift, ana):
        begin(shift, ana)
        ana.completions.filter(step__code="license").update(withdrawn_at=AT, withdrawn_reason="Not theirs.")
        worker.tick(AT + timedelta(days=1))  # Feb 2: the runs of Feb 2 is over today; Feb 9 is 7 days off
        assert weeks(1)[0] in dates_of(ana)
        worker.tick(datetime(2027, 2, 5, 15, 0, tzinfo=UTC))
        assert weeks(1)[0] not in dates_of(ana)
        assert weeks(2)[0] in dates_of(ana)
        ended = Booking.objects.get(person=ana, run__slot_date=weeks(1)[0])
        assert ended.end == "lapsed"
        assert not Skip.objects.exists()

    def test_new_door_notes_take_nobody_out_and_shorten_no_calendar(self, shift, ana):
        [market] = Site.objects.filter(name="Market")
        publish(market, {"entrance": "Dock 2"}, by=None, drivers_know_it=True, at=AT)
        mine = begin(shift, ana)
        reach = mine.cleared_until
        publish(market, {"entrance": "Dock 4"}, by=None, must_read_again=True, at=LATER)
        for moment in (AT + timedelta(days=1), datetime(2027, 2, 5, 15, 0, tzinfo=UTC)):
            worker.tick(moment)
        assert dates_of(ana) == weeks(*range(8))
        news = Message.objects.filter(person=ana).exclude(kind="calendar")
        assert [message.kind for message in news.order_by("pk")] == ["news", "kept"]  # of a run made since
        mine.refresh_from_db()
        assert mine.cleared_until == reach

    def test_a_change_of_what_is_asked_takes_nobody_out_and_shortens_the_calendar_at_once(self, shift, ana):
        mine = begin(shift, ana)
        begins = LATER.astimezone(UTC).date() + timedelta(days=3)
        ask(Step.objects.get(code="ride"), again=True, from_day=begins, by=None, at=LATER)
        worker.tick(LATER + timedelta(minutes=1))
        mine.refresh_from_db()
        assert mine.cleared_until == begins - timedelta(days=1)
        assert "your papers and steps reach to" in Message.objects.filter(person=ana).latest("pk").text
        worker.tick(datetime(2027, 2, 5, 15, 0, tzinfo=UTC))  # 4 days before the next run
        assert dates_of(ana) == weeks(*range(8))
        flagged = Booking.objects.clearance_gone()
        assert set(flagged) == set(Booking.objects.filter(run__local_date__gte=begins)) != set()

    def test_a_paper_taken_back_ends_the_booking_all_the_same(self, shift, ana):
        begin(shift, ana)
        ask(Step.objects.get(code="ride"), again=True, from_day=FIRST, by=None, at=AT)
        ana.completions.filter(step__code="license").update(withdrawn_at=AT, withdrawn_reason="Not theirs.")
        worker.tick(datetime(2027, 2, 5, 15, 0, tzinfo=UTC))
        assert weeks(1)[0] not in dates_of(ana)

    def test_a_paper_that_lapsed_ends_the_booking_with_new_door_notes_beside_it(self, shift, ana):
        [market] = Site.objects.filter(name="Market")
        publish(market, {"entrance": "Dock 2"}, by=None, drivers_know_it=True, at=AT)
        begin(shift, ana)
        publish(market, {"entrance": "Dock 4"}, by=None, must_read_again=True, at=LATER)
        ana.completions.filter(step__code="license").update(withdrawn_at=AT, withdrawn_reason="Not theirs.")
        worker.tick(datetime(2027, 2, 5, 15, 0, tzinfo=UTC))
        assert weeks(1)[0] not in dates_of(ana)

    def test_written_down_by_the_coordinator_for_somebody_not_ready_the_runs_are_only_kept(self, shift):
        newcomer = PersonFactory()
        begin(shift, newcomer, on_behalf=True)
        assert dates_of(newcomer) == []
        assert len(kept_for(list(shift.runs.all()), at=AT)) == 7  # the first is tomorrow
        [news] = Message.objects.filter(person=newcomer, kind="news")
        assert "Tuesdays is kept for you" in news.text
        assert "You drive" not in news.text
        assert "Lift with your legs" not in news.text
        make_ready(newcomer)
        worker.tick(LATER)
        assert dates_of(newcomer) == weeks(*range(8))


class TestCrew:
    @pytest.fixture
    def crew(self, shift):
        captain, member = ready_person(name="Cap Reed"), ready_person(name="Mo Member")
        row = begin(shift, captain, crew="Elm Street crew", members=[member], on_behalf=True)
        return row, captain, member

    def test_nothing_is_covered_before_somebody_is_named(self, shift, crew):
        worker.tick(LATER)
        assert not Booking.objects.live().exists()
        assert len(kept_for(list(shift.runs.all()), at=AT)) == 7

    def test_a_ready_member_is_named_and_told(self, shift, crew):
        row, _captain, member = crew
        booking = standing.name_driver(row, run(shift, 2), member, by=None, at=LATER)
        assert (booking.person, booking.standing) == (member, None)
        assert CalendarEntry.objects.get().person == member

    def test_not_somebody_from_outside_nor_somebody_not_ready(self, shift, crew):
        row, _captain, _member = crew
        with pytest.raises(refusals.NotOfTheCrew):
            standing.name_driver(row, run(shift, 2), ready_person(), by=None, at=LATER)
        newcomer = PersonFactory()
        row.members.add(newcomer)
        with pytest.raises(refusals.NotReady):
            standing.name_driver(row, run(shift, 2), newcomer, by=None, at=LATER)

    def test_not_for_a_run_of_others(self, shift, crew):
        with pytest.raises(refusals.NotTheirs):
            standing.name_driver(crew[0], make_run(), crew[2], by=None, at=LATER)

    def test_members_may_take_a_kept_run_themselves_others_not(self, shift, crew):
        with pytest.raises(refusals.Kept):
            seat(run=run(shift, 3), person=ready_person(), seat="driver", by=None, at=LATER)
        seat(run=run(shift, 3), person=crew[2], seat="driver", by=None, at=LATER)

    def test_captain_and_coordinators_are_told_when_it_is_offered_to_others(self, shift, crew):
        desk = coordinator()
        worker.tick(datetime(2027, 2, 5, 15, 0, tzinfo=UTC))
        told = {message.person for message in Message.objects.filter(kind="kept")}
        assert told == {crew[1], desk}

    def test_another_captain(self, shift, crew):
        row, _captain, member = crew
        standing.change_crew(row, crew="Elm Street", captain=member, members=[], by=None, at=LATER)
        row.refresh_from_db()
        assert (row.crew, row.person, list(row.members.all())) == ("Elm Street", member, [])


class TestBesideOthers:
    def test_a_trainee_rides_along_with_a_regular_lead(self, shift):
        lead, trainee = lead_driver(), PersonFactory()
        begin(shift, lead)
        seat(run=run(shift, 1), person=trainee, seat="second", by=None, at=AT)
        give_back(run(shift, 1).bookings.live().drivers().get(), by=None, at=LATER)
        assert "cannot drive this run" in Message.objects.get(person=trainee, kind="no lead").text

    def test_regulars_cost_a_constant_number_of_queries(
        self, shift, ana, stops, django_assert_max_num_queries
    ):
        """A tick with nothing to do: whatever the number of regular runs, their skips and their runs."""
        begin(shift, ana)
        with django_assert_max_num_queries(5):  # time zone, regular runs, their skips, runs without a driver
            standing.seat_regulars(at=LATER)
        for number in range(5):
            other = add_shift(
                name=f"Run {number}",
                plan=plan(stops, starts=time(10 + number)),
                from_day=FIRST,
                by=None,
                at=AT,
            )
            begin(other, ready_person())
        with django_assert_max_num_queries(5):
            assert standing.seat_regulars(at=LATER) == 0

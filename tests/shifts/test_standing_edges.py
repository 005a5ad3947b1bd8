"""Regular runs at their edges: the first and the last day, the day of a change, a run that has just been
driven, and who is told of what."""

import email
from datetime import UTC, date, datetime, time, timedelta

import pytest

from shifts import worker
from shifts.calendar import feed
from shifts.models import Booking, CalendarEntry, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats import consequences, refusals, standing
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import reshape_run, shape_of
from shifts.seats.keeping import kept_for
from shifts.seats.run_notes import write_note
from shifts.seats.standing import Wish
from shifts.seats.weekly import change_shift, end_shift
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_run,
    put,
    ready_person,
)
from volunteers.models import Message, Step, StepTerm

AT = datetime(2027, 2, 1, 15, 0, tzinfo=UTC)  # a Monday
FIRST = date(2027, 2, 2)
LATER = AT + timedelta(minutes=5)
DAY, HOUR = timedelta(days=1), timedelta(hours=1)
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


def week(number):
    return FIRST + timedelta(weeks=number)


def weeks(*numbers):
    return [week(number) for number in numbers]


def run(shift, number):
    return shift.runs.get(slot_date=week(number))


def noon(day):
    """After the run of that morning, in New York."""
    return datetime.combine(day, time(17), tzinfo=UTC)


def told(person, at):
    return list(Message.objects.filter(person=person, created_at=at))


def new_paper(person, until, *, at, code="license"):
    """Another date on a paper takes the place of what was known."""
    step = Step.objects.get(code=code)
    person.completions.filter(step=step).update(withdrawn_at=at, withdrawn_reason="Another date.")
    person.completions.create(step=step, valid_from=FIRST - 90 * DAY, valid_until=until, recorded_at=at)


def calendar_of(message):
    parts = email.message_from_bytes(bytes(message.raw)).walk()
    [body] = [part.get_payload(decode=True) for part in parts if part.get_content_type() == "text/calendar"]
    return body.replace(b"\r\n ", b"")


class TestBeginning:
    def test_a_crew_may_keep_runs_that_its_captain_drives_elsewhere(self, shift, stops, ana):
        """Somebody else of the crew is named then; a single driver is refused."""
        other = add_shift(name="As early", plan=plan(stops), from_day=FIRST, by=None, at=AT)
        begin(shift, ana)
        with pytest.raises(refusals.Elsewhere):
            begin(other, ana, on_behalf=True)
        assert begin(other, ana, crew="Elm Street", on_behalf=True).crew == "Elm Street"

    def test_a_second_seat_that_they_have_stays_a_booking_of_its_own(self, shift):
        ines, lead = lead_driver(), lead_driver()
        theirs = seat(run=run(shift, 2), person=lead, seat="driver", by=None, at=AT)
        beside = seat(run=run(shift, 2), person=ines, seat="second", by=None, at=AT)
        begin(shift, ines, at=LATER)
        beside.refresh_from_db()
        assert (beside.is_live, beside.seat, beside.standing) == (True, "second", None)
        give_back(theirs, by=None, at=LATER)
        assert not run(shift, 2).bookings.live().drivers().exists()

    def test_only_the_date_at_which_they_are_elsewhere_is_left_out(self, shift, ana):
        put(ana, make_run(starts_at=run(shift, 1).starts_at, title="Elsewhere"))
        begin(shift, ana)
        assert [day for day in dates_of(ana) if day] == weeks(0, 2, 3, 4, 5, 6, 7)

    def test_from_before_the_weekly_run_it_begins_with_its_first_run(self, stops):
        """Every second week counts from the weekly run's own first day, also in the calendar."""
        shift = add_shift(
            name="Seldom",
            plan=plan(stops, "FREQ=WEEKLY;INTERVAL=2;BYDAY=TU"),
            from_day=week(2),
            by=None,
            at=AT,
        )
        ana = ready_person()
        row = begin(shift, ana, from_day=FIRST)
        assert dates_of(ana) == weeks(2, 4, 6)
        body = feed.feed(ana, at=AT).body
        assert b"DTSTART;TZID=America/New_York:20270216T080000" in body
        assert b"EXDATE" not in body
        standing.stop(row, last_day=FIRST, by=None, at=LATER)
        [message] = told(ana, LATER)
        assert b"DTSTART;TZID=America/New_York:20270216T080000" in calendar_of(message)

    def test_a_rule_of_several_weeks_of_the_month_is_an_entry_for_each_run(self, stops):
        """One rule with one week of the month is a single entry; common calendars refuse several."""
        twice = add_shift(
            name="Twice", plan=plan(stops, "FREQ=MONTHLY;BYDAY=1TU,3TU"), from_day=FIRST, by=None, at=AT
        )
        once = add_shift(
            name="Once", plan=plan(stops, "FREQ=MONTHLY;BYDAY=2TU"), from_day=FIRST, by=None, at=AT
        )
        begin(twice, ready_person())
        assert CalendarEntry.objects.filter(standing=None).count() == twice.runs.count() > 1
        begin(once, ready_person())
        assert CalendarEntry.objects.exclude(standing=None).count() == 1


class TestWhatWasDriven:
    """A run that has been driven, or has begun, stays as it was told."""

    @pytest.fixture
    def row(self, shift, ana):
        return begin(shift, ana)

    def test_an_end_in_the_past_ends_it_today(self, row, ana):
        for number in range(4):
            worker.tick(noon(week(number)))
        standing.stop(row, last_day=week(1), by=None, at=noon(week(3)))
        row.refresh_from_db()
        assert row.until_day == week(3)
        assert dates_of(ana) == weeks(0, 1, 2, 3)

    def test_an_end_yesterday_is_told_to_the_calendar(self, row, ana):
        at = noon(week(1)) + DAY
        standing.stop(row, last_day=week(1), by=None, at=at)
        entry = CalendarEntry.objects.get()
        assert (entry.sequence, entry.cancelled_at) == (1, None)
        [message] = told(ana, at)
        assert b"UNTIL=20270209T130000Z" in calendar_of(message)

    def test_long_after_its_end_a_calendar_is_left_in_peace(self, row, ana):
        standing.stop(row, last_day=week(1), by=None, at=AT)
        at = noon(week(4))
        seat(run=make_run(starts_at=at + DAY), person=ana, seat="driver", by=None, at=at)
        begin(row.shift, ana, from_day=week(6), at=at)
        entry = CalendarEntry.objects.get(standing=row)
        assert (entry.sequence, entry.cancelled_at) == (1, None)

    def test_todays_run_is_driven_though_today_is_skipped_afterwards(self, row, ana):
        standing.skip(row, first=FIRST, last=week(1), by=None, at=noon(FIRST))
        assert dates_of(ana) == weeks(0, 2, 3, 4, 5, 6, 7)

    def test_a_change_for_good_from_a_past_day_takes_effect_today(self, shift, row, ana, stops):
        at = noon(week(2))
        change_shift(shift, plan=plan(stops, starts=time(9)), from_day=FIRST, by=None, at=at)
        row.refresh_from_db()
        assert row.until_day == week(2)
        assert [b.standing for b in Booking.objects.live().filter(run__slot_date__lt=week(2))] == [row, row]

    def test_a_paper_lost_on_the_way_ends_the_runs_to_come_alone(self, row, ana):
        ana.completions.filter(step__code="license").update(withdrawn_at=AT, withdrawn_reason="Not theirs.")
        worker.tick(datetime(2027, 2, 2, 13, 30, tzinfo=UTC))  # half an hour into the first run
        assert week(0) in dates_of(ana)
        worker.tick(noon(week(1)) - 2 * DAY)
        assert week(0) in dates_of(ana)
        assert week(1) not in dates_of(ana)


class TestStopping:
    @pytest.fixture
    def row(self, shift, ana):
        return begin(shift, ana)

    def test_stopped_twice_on_the_same_day_it_is_told_once(self, row, ana):
        for at in (LATER, LATER + HOUR):
            standing.stop(row, last_day=week(2), by=None, at=at)
        assert (len(told(ana, LATER)), told(ana, LATER + HOUR)) == (1, [])

    def test_a_second_stop_that_is_earlier_counts(self, row, ana):
        standing.stop(row, last_day=week(2), by=None, at=LATER)
        standing.stop(row, last_day=week(1), by=None, at=LATER + HOUR)
        assert dates_of(ana) == weeks(0, 1)

    @pytest.mark.parametrize(
        ("last_day", "words"),
        [(FIRST - DAY, "does not begin"), (FIRST, "its last day is Tue, Feb 2"), (week(1), "Tue, Feb 9")],
    )
    def test_the_last_day_is_told(self, shift, last_day, words):
        bo = ready_person()
        row = begin(shift, bo)
        standing.stop(row, last_day=last_day, by=None, at=LATER)
        [message] = told(bo, LATER)
        assert words in message.text

    def test_until_it_ends_its_runs_are_kept_and_not_beyond(self, shift):
        newcomer = PersonFactory()
        row = begin(shift, newcomer, on_behalf=True)
        standing.stop(row, last_day=week(5), by=None, at=LATER)
        kept = kept_for(list(shift.runs.all()), at=LATER)
        assert sorted(one.slot_date for one in shift.runs.filter(pk__in=kept)) == weeks(1, 2, 3, 4, 5)


class TestSkips:
    @pytest.fixture
    def row(self, shift, ana):
        return begin(shift, ana)

    def test_a_later_skip_counts_beside_an_earlier_one(self, row, ana):
        standing.skip(row, first=week(1), last=week(1), by=None, at=LATER)
        standing.skip(row, first=week(3), last=week(3), by=None, at=LATER)
        assert dates_of(ana) == weeks(0, 2, 4, 5, 6, 7)

    def test_one_that_was_taken_back_does_not_stand_for_a_date_given_back_since(self, shift, row, ana):
        skip = standing.skip(row, first=week(2), last=week(2), by=None, at=LATER)
        standing.take_back_skip(skip, by=None, at=LATER)
        give_back(run(shift, 2).bookings.live().get(), by=None, at=LATER + HOUR)
        worker.tick(LATER + HOUR)
        assert week(2) not in dates_of(ana)

    @pytest.mark.parametrize(
        ("first", "last", "left"),
        [
            (week(2), week(2), []),
            (week(2), week(2) + DAY, [(week(2) + DAY, week(2) + DAY)]),
            (week(2) - DAY, week(2), [(week(2) - DAY, week(2) - DAY)]),
        ],
    )
    def test_what_is_left_of_one_whose_date_is_theirs_again(self, shift, row, ana, first, last, left):
        standing.skip(row, first=first, last=last, by=None, at=LATER)
        seat(run=run(shift, 2), person=ana, seat="driver", by=None, at=LATER)
        assert [(skip.first, skip.last) for skip in row.skips.standing()] == left

    def test_taken_back_where_somebody_else_has_the_run_it_stays_theirs_for_good(self, shift, row, ana):
        skip = standing.skip(row, first=week(2), last=week(2), by=None, at=LATER)
        theirs = seat(run=run(shift, 2), person=ready_person(), seat="driver", by=None, at=LATER)
        at = LATER + HOUR
        assert standing.take_back_skip(skip, by=None, at=at) == []
        [message] = told(ana, at)
        assert "Somebody else has this run." in message.text
        give_back(theirs, by=None, at=at)
        worker.tick(at)
        assert not run(shift, 2).bookings.live().exists()


class TestForGood:
    """The weekly run changes for good, and somebody's regular run with it."""

    def change(self, shift, stops, number=4, **facts):
        change_shift(
            shift, plan=plan(stops, **({"starts": time(9)} | facts)), from_day=week(number), by=None, at=LATER
        )
        return Standing.objects.order_by("from_day", "pk").last()

    def test_on_the_day_it_begins_it_stays_one(self, shift, ana, stops):
        row = begin(shift, ana, from_day=week(4))
        assert self.change(shift, stops) == row
        assert Standing.objects.count() == 1
        [entry] = CalendarEntry.objects.all()
        assert (entry.standing, entry.sequence) == (row, 1)

    def test_it_ends_when_it_was_to_end(self, shift, ana, stops):
        row = begin(shift, ana)
        standing.stop(row, last_day=week(6), by=None, at=AT)
        assert self.change(shift, stops).until_day == week(6) + DAY
        assert dates_of(ana) == weeks(*range(7))

    def test_it_reaches_as_far_as_their_papers(self, shift, ana, stops):
        new_paper(ana, week(30), at=AT)
        begin(shift, ana)
        assert self.change(shift, stops).cleared_until == week(30)

    @pytest.mark.parametrize(
        ("first", "last", "kept"),
        [
            (week(2), week(4), [(week(4), week(4))]),
            (week(2), week(6), [(week(4), week(6))]),
            (week(6), week(6), [(week(6), week(6))]),
            (week(2), week(4) - DAY, []),
        ],
    )
    def test_skips_go_on_from_the_day_of_the_change(self, shift, ana, stops, first, last, kept):
        row = begin(shift, ana)
        standing.skip(row, first=first, last=last, by=None, at=AT)
        new = self.change(shift, stops)
        assert [(skip.first, skip.last) for skip in new.skips.standing()] == kept

    def test_a_crew_goes_on_with_its_members(self, shift, stops):
        captain, member = ready_person(), ready_person()
        begin(shift, captain, crew="Elm Street", members=[member], on_behalf=True)
        new = self.change(shift, stops)
        assert (new.crew, new.person, list(new.members.all())) == ("Elm Street", captain, [member])

    def test_one_that_is_to_begin_later_is_told_from_its_own_day(self, shift, ana, stops):
        begin(shift, ana, from_day=week(6))
        self.change(shift, stops)
        [message] = told(ana, LATER)
        assert "From Tue, Mar 16 on" in message.text

    def test_a_run_moved_by_hand_off_the_new_rule_stays_a_booking_of_its_own(self, shift, ana, stops):
        begin(shift, ana)
        old = shape_of(run(shift, 5))
        moved = type(old)(**(old.__dict__ | {"ends_at": old.ends_at + HOUR}))
        reshape_run(run(shift, 5), moved, by=None, hand_edited=True, at=AT)
        self.change(shift, stops, rule="FREQ=WEEKLY;BYDAY=TH")
        booking = run(shift, 5).bookings.live().get()
        assert (booking.person, booking.standing) == (ana, None)
        assert CalendarEntry.objects.live().get(booking=booking).person == ana

    def test_a_note_for_one_run_is_words_and_an_hour_is_not(self, shift, ana):
        """RFC 5546 2.1.4: SEQUENCE stands for time and place."""
        begin(shift, ana)
        write_note(run(shift, 2), "Ring twice.", by=None, at=LATER)
        assert CalendarEntry.objects.get().sequence == 0
        old = shape_of(run(shift, 2))
        moved = type(old)(**(old.__dict__ | {"ends_at": old.ends_at + HOUR}))
        reshape_run(run(shift, 2), moved, by=None, hand_edited=True, at=LATER)
        assert CalendarEntry.objects.get().sequence == 1


class TestTheEndOfTheWeeklyRun:
    def test_it_names_the_regular_bookings_that_end_with_it(self, shift, ana):
        begin(shift, ana)
        outcome = end_shift(shift, last_day=week(5), by=None, at=LATER)
        assert [booking.run.slot_date for booking in outcome.ended] == weeks(6, 7)

    @pytest.fixture
    def ended(self, shift, ana, stops):
        """Two that ended with it, of one person: the second began after the first had stopped."""
        first = begin(shift, ana)
        standing.stop(first, last_day=week(1), by=None, at=AT)
        second = begin(shift, ana, from_day=week(2))
        end_shift(shift, last_day=week(4), by=None, at=AT)
        return first, second

    def test_taken_back_one_regular_run_goes_on(self, shift, stops, ended):
        first, second = ended
        change_shift(shift, plan=plan(stops), from_day=week(5), by=None, resume=[second.pk], at=LATER)
        assert Standing.objects.get(until_day=None).succeeds == second
        assert Standing.objects.get(pk=first.pk).until_day == week(1) + DAY

    def test_nobody_has_two_because_of_it(self, shift, stops, ended):
        change_shift(
            shift, plan=plan(stops), from_day=week(5), by=None, resume=[row.pk for row in ended], at=LATER
        )
        assert Standing.objects.filter(until_day=None).count() == 1

    def test_whoever_has_another_one_there_meanwhile_keeps_that(self, shift, stops, ana, ended):
        change_shift(shift, plan=plan(stops), from_day=week(5), by=None, at=LATER)
        begin(shift, ana, from_day=week(5), at=LATER)
        change_shift(shift, plan=plan(stops), from_day=week(5), by=None, resume=[ended[1].pk], at=LATER)
        assert Standing.objects.get(until_day=None).from_day == week(5)


class TestPapers:
    @pytest.fixture
    def row(self, shift, ana):
        row = begin(shift, ana)
        worker.tick(AT)
        return row

    def test_a_new_date_is_told_once(self, row, ana):
        new_paper(ana, week(20), at=LATER)
        for at in (LATER, LATER + HOUR):
            worker.tick(at)
        [message] = told(ana, LATER)
        assert "your papers and steps reach to Tue, Jun 22 for Tuesdays" in message.text
        assert told(ana, LATER + HOUR) == []

    def test_one_that_is_taken_back_is_noticed(self, row, ana):
        at = AT + DAY  # not the first look of its day
        worker.tick(at)
        ana.completions.filter(step__code="license").update(
            withdrawn_at=at + HOUR, withdrawn_reason="Not theirs."
        )
        worker.tick(at + HOUR)
        row.refresh_from_db()
        assert row.cleared_until == FIRST - DAY
        assert "Something is missing for Tuesdays" in told(ana, at + HOUR)[0].text

    def test_it_is_not_said_of_the_papers_of_a_crews_captain(self, shift):
        """Somebody is named for each run, and the gate is asked then."""
        captain = ready_person()
        begin(shift, captain, crew="Elm Street", on_behalf=True)
        worker.tick(AT)
        new_paper(captain, week(20), at=LATER)
        worker.tick(LATER)
        assert told(captain, LATER) == []

    @pytest.mark.parametrize(
        ("until", "words"),
        [
            (None, "complete for Tuesdays, without an end"),
            (FIRST, "reach to Tue, Feb 2 for Tuesdays"),
            (FIRST - DAY, "Something is missing for Tuesdays"),
        ],
    )
    def test_how_far_they_reach_in_words(self, row, until, words):
        assert words in standing.reach_words(row, until).replace("\xa0", " ")

    def test_a_step_that_is_asked_of_all_from_a_day_on_counts_from_that_day(self, ana, row):
        step = Step.objects.exclude(kind__in=(Step.Kind.PAPER, Step.Kind.DOORS)).first()
        StepTerm.objects.filter(step=step).update(applies_until=week(3))
        StepTerm.objects.create(step=step, applies_from=week(3), revision=1000)  # which she has done
        assert standing.cleared_until(row, at=LATER) > week(3)
        StepTerm.objects.filter(step=step, applies_from=week(3)).update(revision=2000)
        assert standing.cleared_until(row, at=LATER) == week(3) - DAY

    def test_what_is_still_booked_stays_in_the_one_entry(self, row, ana):
        """Bookings are kept until some days before, and so is the entry that shows them."""
        ana.completions.filter(step__code="license").update(withdrawn_at=AT, withdrawn_reason="Not theirs.")
        worker.tick(LATER)
        assert dates_of(ana) == weeks(*range(1, 8))  # the first is tomorrow
        entry = CalendarEntry.objects.get()
        assert (entry.standing, entry.cancelled_at) == (row, None)

    def test_a_booking_that_lapsed_is_told_to_the_driver_and_the_desk(self, shift, ana, row):
        desk = coordinator()
        ana.completions.filter(step__code="license").update(withdrawn_at=AT, withdrawn_reason="Not theirs.")
        at = noon(week(1) - 4 * DAY)
        worker.tick(at)
        kept = Message.objects.filter(kind="kept", created_at=at)
        assert {message.person for message in kept} == {ana, desk}
        assert "license" in kept.get(person=desk).text.lower()


class TestSitesAndDates:
    def test_beside_a_single_run_both_calendar_entries_follow_the_site(self, shift, ana):
        market = run(shift, 0).ordered_stops[0].site
        single = seat(run=run(shift, 0), person=ana, seat="driver", by=None, at=AT)
        begin(shift, ana, from_day=week(20))
        consequences.change_site(market, by=None, street="9 New Street", at=LATER)
        assert set(CalendarEntry.objects.values_list("booking", "sequence")) == {(single.pk, 1), (None, 1)}
        uids = {message.about for message in told(ana, LATER)}
        assert uids == set(CalendarEntry.objects.values_list("uid", flat=True))

    def test_a_regular_run_beyond_the_runs_made_follows_its_site(self, shift, ana):
        begin(shift, ana, from_day=week(20))
        market = run(shift, 0).ordered_stops[0].site
        consequences.change_site(market, by=None, street="9 New Street", at=LATER)
        assert CalendarEntry.objects.get().sequence == 1
        [message] = told(ana, LATER)
        assert b"9 New Street" in calendar_of(message)

    def test_when_a_site_opens_again_its_regular_driver_is_seated_at_once(self, shift, ana):
        market = run(shift, 0).ordered_stops[0].site
        closure = consequences.close_site(market, first=week(3), last=week(3), by=None, at=AT)
        begin(shift, ana)
        assert week(3) not in dates_of(ana)
        consequences.lift_closure(closure, by=None, at=LATER)
        assert week(3) in dates_of(ana)

    def test_a_new_name_reaches_the_calendar_also_from_a_day_without_runs(self, shift, ana, stops):
        begin(shift, ana)
        change_shift(shift, plan=plan(stops), name="Bread", from_day=week(30), by=None, at=LATER)
        entry = CalendarEntry.objects.get(standing__until_day=None)
        assert (entry.changed_at, entry.sequence) == (LATER, 0)
        assert b"SUMMARY:Drive: Bread" in feed.feed(ana, at=LATER).body

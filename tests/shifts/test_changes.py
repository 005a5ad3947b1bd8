"""Changes of runs, weekly runs, sites and people: a booked run is never dropped in silence, and whoever
sits in it is told once, in the calendar too."""

import email
from datetime import UTC, date, datetime, time, timedelta

import pytest
from icalendar import Calendar

from shifts.cover.weaknesses import attention, weaknesses
from shifts.models import CalendarEntry, Run
from shifts.schedule.making import Plan, add_shift, make_runs_ahead
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import (
    Shape,
    add_one_off,
    add_second_car,
    cancel_run,
    reshape_run,
    restore_run,
    shape_of,
)
from shifts.seats.consequences import (
    change_person,
    change_site,
    close_site,
    lift_closure,
    publish_door_notes,
)
from shifts.seats.weekly import change_shift, end_shift
from sites.models import Event
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, lead_driver, make_run, ready_person
from volunteers.models import Message

AT = datetime(2027, 5, 3, 15, 0, tzinfo=UTC)  # a Monday
LATER = AT + timedelta(minutes=1)
FIRST = date(2027, 5, 4)
TUESDAYS = "FREQ=WEEKLY;BYDAY=TU"
pytestmark = pytest.mark.django_db


def calendar_of(message):
    parts = email.message_from_bytes(bytes(message.raw)).walk()
    (body,) = [part.get_payload(decode=True) for part in parts if part.get_content_type() == "text/calendar"]
    calendar = Calendar.from_ical(body)
    (event,) = calendar.walk("VEVENT")
    return calendar["method"], event


def take(run, person, place="driver"):
    return seat(run=run, person=person, seat=place, by=None, on_behalf=True, at=AT)


def told(person, kind):
    return list(Message.objects.filter(person=person, kind=kind).order_by("pk"))


@pytest.fixture
def stops():
    return ((SiteFactory(name="Market").pk, 0), (DropOffFactory(name="Kitchen").pk, 30))


@pytest.fixture
def shift(stops):
    return add_shift(name="Market run", plan=plan(stops), from_day=FIRST, by=None, at=AT)


def plan(stops, rule=TUESDAYS, starts=time(8), minutes=60, **facts):
    return Plan(rule=rule, starts=starts, minutes=minutes, stops=stops, **facts)


def run_on(shift, week):
    return shift.runs.get(slot_date=FIRST + timedelta(weeks=week))


def hour(run):
    run.refresh_from_db()
    return run.starts_at.hour - 4  # New York in May is 4 hours behind UTC


class TestAnotherHour:
    """A change of the weekly run reaches its runs."""

    def test_an_unbooked_run_moves_in_silence(self, shift, stops):
        outcome = change_shift(shift, plan=plan(stops, starts=time(9)), from_day=FIRST, by=None, at=LATER)
        assert {hour(run) for run in shift.runs.all()} == {9}
        assert (len(outcome.changed), outcome.told, outcome.made) == (8, [], 0)
        assert not Message.objects.exists()

    def test_a_booked_run_moves_and_whoever_sits_there_is_told_once(self, shift, stops):
        lead, trainee = lead_driver(), PersonFactory()
        run = run_on(shift, 1)
        take(run, lead), take(run, trainee, "second")
        outcome = change_shift(shift, plan=plan(stops, starts=time(9)), from_day=FIRST, by=None, at=LATER)
        assert hour(run) == 9
        assert outcome.told == [run]
        for person in (lead, trainee):
            (message,) = told(person, "changed")
            method, event = calendar_of(message)
            assert (method, event["sequence"], event.start) == ("REQUEST", 1, run.starts_at)
            assert message.about == str(event["uid"]) == CalendarEntry.objects.get(person=person).uid
            assert "9" in message.text
        assert {booking.person for booking in run.bookings.live()} == {lead, trainee}

    def test_more_crates_only_are_changed_without_a_word(self, shift, stops):
        person, run = ready_person(), run_on(shift, 0)
        take(run, person)
        outcome = change_shift(shift, plan=plan(stops, crates=30), from_day=FIRST, by=None, at=LATER)
        run.refresh_from_db()
        assert run.crates == 30
        assert (run in outcome.changed, outcome.told, told(person, "changed")) == (True, [], [])
        assert CalendarEntry.objects.get().sequence == 0

    def test_other_stops_are_told_by_name(self, shift, stops):
        person, run = ready_person(), run_on(shift, 0)
        take(run, person)
        shelter = DropOffFactory(name="Shelter")
        change_shift(shift, plan=plan((stops[0], (shelter.pk, 30))), from_day=FIRST, by=None, at=LATER)
        (message,) = told(person, "changed")
        assert "Market, Shelter" in message.text
        assert [stop.site for stop in Run.objects.get(pk=run.pk).ordered_stops][1] == shelter

    def test_the_same_again_tells_nobody(self, shift, stops):
        person = ready_person()
        take(run_on(shift, 0), person)
        outcome = change_shift(shift, plan=plan(stops), from_day=FIRST, by=None, at=LATER)
        assert (outcome.changed, told(person, "changed")) == ([], [])

    def test_runs_before_the_day_stay(self, shift, stops):
        change_shift(
            shift, plan=plan(stops, starts=time(9)), from_day=FIRST + timedelta(weeks=2), by=None, at=LATER
        )
        assert [hour(run_on(shift, week)) for week in range(4)] == [8, 8, 9, 9]

    def test_a_run_edited_by_hand_stays(self, shift, stops):
        run = run_on(shift, 0)
        old = shape_of(run)
        by_hand = Shape(
            old.starts_at + timedelta(hours=3), old.ends_at + timedelta(hours=3), old.stops, 0, True
        )
        reshape_run(run, by_hand, by=None, at=LATER, hand_edited=True)
        change_shift(shift, plan=plan(stops, starts=time(9)), from_day=FIRST, by=None, at=LATER)
        assert (hour(run), hour(run_on(shift, 1))) == (11, 9)

    def test_a_run_changed_back_by_hand_follows_again(self, shift, stops):
        run = run_on(shift, 0)
        old = shape_of(run)
        later = timedelta(hours=3)
        by_hand = Shape(old.starts_at + later, old.ends_at + later, old.stops, old.crates, True)
        reshape_run(run, by_hand, by=None, at=LATER, hand_edited=True)
        run = Run.objects.get(pk=run.pk)
        assert run.hand_edited
        reshape_run(run, old, by=None, at=LATER, hand_edited=True)
        change_shift(shift, plan=plan(stops, starts=time(9)), from_day=FIRST, by=None, at=LATER)
        assert hour(run) == 9

    def test_a_new_name_reaches_the_runs_and_the_feed(self, shift, stops):
        person, run = ready_person(), run_on(shift, 0)
        take(run, person)
        change_shift(shift, plan=plan(stops), name="Dairy run", from_day=FIRST, by=None, at=LATER)
        run.refresh_from_db()
        entry = CalendarEntry.objects.get()
        assert (run.title, entry.changed_at, entry.sequence) == ("Dairy run", LATER, 0)

    def test_what_was_and_who_changed_it(self, shift, stops):
        change_shift(shift, plan=plan(stops, starts=time(9)), from_day=FIRST, by=None, at=LATER)
        event = Event.objects.about(run_on(shift, 0)).get()
        assert (event.verb, event.at) == ("changed", LATER)
        assert event.before["starts at"].startswith("2027-05-04T12:00")
        assert event.after["starts at"].startswith("2027-05-04T13:00")


class TestDatesThatGo:
    """Tuesday becomes Thursday: what of the Tuesdays?"""

    def to_thursday(self, shift, stops, *, week=0):
        return change_shift(
            shift, plan=plan(stops, rule="FREQ=WEEKLY;BYDAY=TH"), from_day=FIRST + timedelta(weeks=week),
            by=None, at=LATER,
        )  # fmt: skip

    def back_to_tuesday(self, shift, stops):
        return change_shift(shift, plan=plan(stops), from_day=FIRST, by=None, at=LATER + timedelta(minutes=5))

    def test_never_booked_they_go(self, shift, stops):
        outcome = self.to_thursday(shift, stops)
        assert {run.slot_date.weekday() for run in shift.runs.all()} == {3}
        assert (len(outcome.dropped), outcome.made) == (8, 8)

    def test_booked_they_stay_and_are_flagged(self, shift, stops):
        person, run = ready_person(), run_on(shift, 1)
        booking = take(run, person)
        outcome = self.to_thursday(shift, stops)
        run.refresh_from_db()
        assert (outcome.kept, run.off_rule, run.is_cancelled) == ([run], True, False)
        booking.refresh_from_db()
        assert booking.is_live
        assert [message.kind for message in Message.objects.all()] == ["booked"], (
            "nobody is told: nothing moved"
        )
        (weakness,) = attention(weaknesses(at=LATER))
        assert (weakness.run, "no longer has this date" in weakness.why) == (run, True)

    def test_once_booked_they_are_cancelled_by_the_rule_and_stay_readable(self, shift, stops):
        run = run_on(shift, 1)
        give_back(take(run, ready_person()), by=None, at=AT)
        outcome = self.to_thursday(shift, stops)
        run.refresh_from_db()
        assert (run.is_cancelled, run.cancel_cause, run in outcome.dropped) == (True, Run.Cause.RULE, True)
        assert not outcome.kept

    def test_the_opposite_change_brings_all_three_back(self, shift, stops):
        kept, cancelled = run_on(shift, 1), run_on(shift, 2)
        take(kept, ready_person())
        give_back(take(cancelled, ready_person()), by=None, at=AT)
        self.to_thursday(shift, stops)
        self.back_to_tuesday(shift, stops)
        assert {run.slot_date.weekday() for run in shift.runs.all()} == {1}
        assert shift.runs.count() == 8
        assert not shift.runs.filter(off_rule=True).exists()
        assert not shift.runs.exclude(cancelled_at=None).exists()
        assert kept.bookings.live().exists()
        assert attention(weaknesses(at=LATER)) == []
        assert Event.objects.about(cancelled).first().verb == "on again"

    def test_one_called_off_stays_called_off(self, shift, stops):
        """Thanksgiving was called off; the rule's going and coming back does not undo that."""
        run = run_on(shift, 1)
        cancel_run(run, reason="Holiday.", by=None, at=AT)
        self.to_thursday(shift, stops)
        self.back_to_tuesday(shift, stops)
        run.refresh_from_db()
        assert (run.cancel_cause, run.cancel_reason) == (Run.Cause.CALLED_OFF, "Holiday.")

    def test_one_cancelled_by_the_rule_can_be_put_on_all_the_same(self, shift, stops):
        run = run_on(shift, 1)
        give_back(take(run, ready_person()), by=None, at=AT)
        self.to_thursday(shift, stops)
        restore_run(run, by=None, at=LATER)
        run.refresh_from_db()
        assert (run.is_cancelled, run.off_rule) == (False, True)
        take(run, ready_person())
        assert "no longer has this date" in attention(weaknesses(at=LATER))[0].why

    def test_put_on_again_nobody_is_told_that_they_had_agreed(self, shift):
        person, run = ready_person(), run_on(shift, 1)
        take(run, person)
        cancel_run(run, reason="Snow.", by=None, at=LATER)
        restore_run(run, by=None, at=LATER)
        first, again = told(person, "booked")
        assert "As agreed with" in first.text  # the coordinator seated them
        assert "As agreed with" not in again.text

    def test_an_end_keeps_what_is_booked(self, shift, stops):
        booked, last = run_on(shift, 3), run_on(shift, 1)
        take(booked, ready_person())
        outcome = end_shift(shift, last_day=last.slot_date, by=None, at=LATER)
        assert outcome.kept == [booked]
        assert set(shift.runs.values_list("pk", flat=True)) == {run_on(shift, 0).pk, last.pk, booked.pk}
        assert make_runs_ahead(at=LATER) == 0

    def test_an_end_can_be_taken_back(self, shift, stops):
        end_shift(shift, last_day=FIRST, by=None, at=LATER)
        assert shift.runs.count() == 1
        change_shift(shift, plan=plan(stops), from_day=FIRST + timedelta(days=1), by=None, at=LATER)
        assert shift.runs.count() == 8

    def test_runs_that_have_started_stay_as_they_were(self, shift, stops):
        noon = datetime(2027, 5, 4, 16, tzinfo=UTC)
        change_shift(shift, plan=plan(stops, rule="FREQ=WEEKLY;BYDAY=TH"), from_day=FIRST, by=None, at=noon)
        assert hour(run_on(shift, 0)) == 8


class TestClosedDates:
    def test_the_booking_stays_and_its_calendar_follows(self, shift):
        person, run = ready_person(), run_on(shift, 0)
        take(run, person)
        site = run.ordered_stops[0].site
        closure = close_site(site, first=FIRST, last=FIRST, reason="Inventory", by=None, at=LATER)
        assert run.bookings.live().get().person == person
        (message,) = told(person, "news")
        assert (
            f"Please do not go: Market run on Tue, May 4. {site.name} is closed: Inventory." in message.text
        )
        method, event = calendar_of(message)
        assert (method, CalendarEntry.objects.live().count()) == ("CANCEL", 0)
        lift_closure(closure, by=None, at=LATER)
        method, again = calendar_of(told(person, "news")[1])
        assert (method, again["uid"] == event["uid"], again.start) == ("REQUEST", False, run.starts_at)

    def test_whoever_is_not_booked_hears_nothing(self, shift):
        close_site(run_on(shift, 0).ordered_stops[0].site, first=FIRST, last=FIRST, by=None, at=LATER)
        assert not Message.objects.exists()


class TestOneRun:
    def test_moved_by_hand_it_tells_and_leaves_the_rule(self):
        person, run = ready_person(), make_run(starts_at=AT + timedelta(days=3))
        take(run, person)
        old = shape_of(run)
        moved = Shape(old.starts_at + timedelta(days=1), old.ends_at + timedelta(days=1), old.stops, 9, True)
        assert reshape_run(run, moved, by=None, at=LATER, hand_edited=True)
        run.refresh_from_db()
        assert (run.local_date, run.crates, run.hand_edited) == (date(2027, 5, 7), 9, True)
        method, event = calendar_of(told(person, "changed")[0])
        assert (method, event["sequence"], event.start) == ("REQUEST", 1, run.starts_at)

    def test_each_further_change_raises_the_sequence_again(self):
        person, run = ready_person(), make_run(starts_at=AT + timedelta(days=3))
        take(run, person)
        for n in (1, 2, 3):
            old = shape_of(Run.objects.get(pk=run.pk))
            longer = Shape(old.starts_at, old.ends_at + timedelta(minutes=5), old.stops, 0, True)
            reshape_run(run, longer, by=None, at=LATER + timedelta(minutes=n))
        assert [calendar_of(message)[1]["sequence"] for message in told(person, "changed")] == [1, 2, 3]
        assert len(told(person, "changed")) == 3
        states = [message.state for message in Message.objects.order_by("pk")]
        assert states == ["replaced", "replaced", "replaced", "owed"], "the newest replaces what was not sent"

    def test_whoever_gave_back_is_not_told_of_later_changes(self):
        person, run = ready_person(), make_run(starts_at=AT + timedelta(days=3))
        give_back(take(run, person), by=None, at=AT)
        old = shape_of(run)
        longer = Shape(old.starts_at, old.ends_at + timedelta(minutes=5), old.stops, 0, True)
        reshape_run(run, longer, by=None, at=LATER)
        assert told(person, "changed") == []

    def test_the_same_shape_changes_nothing(self):
        run = make_run()
        assert not reshape_run(run, shape_of(run), by=None)
        assert not Event.objects.exists()

    def test_moved_onto_another_of_theirs_it_is_kept_and_marked(self):
        """Whether they can still drive it is computed, and shown."""
        person = ready_person()
        first, second = make_run(starts_at=AT + timedelta(days=3)), make_run(starts_at=AT + timedelta(days=4))
        take(first, person), take(second, person)
        reshape_run(second, shape_of(first), by=None, at=LATER)
        assert {w.run for w in attention(weaknesses(at=LATER)) if "too close" in w.why} == {first, second}

    def test_a_one_off_run(self):
        """Loading 20 minutes, a drive, unloading 20: no length needs to be typed."""
        market, kitchen = SiteFactory(name="Market"), DropOffFactory(name="Kitchen")
        start = AT + timedelta(hours=5)
        run = add_one_off(
            pickup=market, dropoff=kitchen, starts_at=start, crates=20, note="Ask for Teo.", by=None, at=AT
        )
        assert (run.title, run.crates, run.note, run.shift) == ("Market to Kitchen", 20, "Ask for Teo.", None)
        there = run.ordered_stops[1].after_minutes
        assert 20 < there <= 20 + 5 + 12
        assert run.ends_at - run.starts_at == timedelta(minutes=there + 20)
        assert take(run, ready_person())

    def test_a_late_one_off_run_has_its_local_date(self):
        run = add_one_off(
            pickup=SiteFactory(),
            dropoff=DropOffFactory(),
            starts_at=datetime(2027, 5, 5, 1, tzinfo=UTC),
            crates=1,
            by=None,
            at=AT,
        )
        assert run.local_date == date(2027, 5, 4)

    def test_a_second_car(self):
        run = make_run(starts_at=AT + timedelta(days=1), crates=30, note="Heavy.", title="x" * 80)
        take(run, ready_person())
        second = add_second_car(run, by=None, at=AT)
        assert (shape_of(second), second.note) == (shape_of(run), "Heavy.")
        assert len(second.title) <= 80
        assert not second.bookings.exists()
        assert take(second, ready_person())


class TestSites:
    @pytest.fixture
    def booked(self):
        """Two people on two runs to a market, and one elsewhere."""
        market = SiteFactory(name="Market", street="1 Old Street", town="Fernhollow")
        people = [ready_person() for _ in range(3)]
        for days, person in enumerate(people, start=1):
            sites = [market, DropOffFactory()] if days < 3 else [SiteFactory(), DropOffFactory()]
            take(make_run(starts_at=AT + timedelta(days=days), sites=sites), person)
        return market, people

    def test_a_new_address_reaches_every_calendar_that_has_it(self, booked):
        market, (ann, bea, elsewhere) = booked
        change_site(market, by=None, at=LATER, street="2 New Street")
        for person in (ann, bea):
            (message,) = told(person, "changed")
            method, event = calendar_of(message)
            assert (method, event["sequence"]) == ("REQUEST", 1)
            assert "2 New Street" in str(event["location"])
            assert "Market: the address is now 2 New Street, Fernhollow." in message.text
        assert told(elsewhere, "changed") == []

    def test_a_new_name_and_a_mended_place_are_said_in_other_words(self, booked):
        market, (ann, _bea, _elsewhere) = booked
        change_site(market, by=None, at=LATER, name="Grand Market")
        change_site(market, by=None, at=LATER, latitude=40.001)
        first, second = told(ann, "changed")
        assert "Market is now called Grand Market." in first.text
        assert "Grand Market: its place on the map was corrected." in second.text
        assert "address is now" not in first.text + second.text

    def test_what_no_calendar_shows_tells_nobody(self, booked):
        market, (ann, _bea, _elsewhere) = booked
        change_site(market, by=None, at=LATER, takes=True)
        assert told(ann, "changed") == []
        assert Event.objects.about(market).get().after == {"takes": True}

    def test_a_run_that_is_over_keeps_what_its_calendar_said(self, booked):
        market, (ann, bea, _elsewhere) = booked
        change_site(market, by=None, at=AT + timedelta(days=1, hours=12), street="2 New Street")
        assert (told(ann, "changed"), len(told(bea, "changed"))) == ([], 1)

    def test_door_notes_reach_the_feed_and_keep_the_sequence(self, booked):
        market, _people = booked
        before = Message.objects.count()
        publish_door_notes(market, {"entrance": "Blue door."}, by=None, at=LATER)
        here = CalendarEntry.objects.filter(booking__run__stops__site=market)
        assert set(here.values_list("sequence", "changed_at")) == {(0, LATER)}
        assert CalendarEntry.objects.exclude(pk__in=here).get().changed_at == AT
        assert Message.objects.count() == before

    def test_door_notes_from_a_clock_behind_do_not_turn_the_entries_back(self, booked):
        market, _people = booked
        publish_door_notes(market, {"entrance": "Blue door."}, by=None, at=AT - timedelta(minutes=1))
        assert set(CalendarEntry.objects.values_list("changed_at", flat=True)) == {AT}


class TestPeople:
    @pytest.fixture
    def person(self):
        person = ready_person(email="old@example.org")
        take(make_run(starts_at=AT + timedelta(days=1)), person)
        return person

    def test_a_new_address_gets_its_own_invitation_and_the_old_one_is_cancelled(self, person):
        old = CalendarEntry.objects.get()
        change_person(person, by=None, at=LATER, email="new@example.org")
        cancelled, fresh = CalendarEntry.objects.order_by("pk")
        assert (cancelled.uid, cancelled.sequence, cancelled.cancelled_at) == (old.uid, 1, LATER)
        assert (fresh.address, fresh.sequence, fresh.cancelled_at) == ("new@example.org", 0, None)
        assert fresh.uid != old.uid
        hello, goodbye = Message.objects.filter(created_at=LATER).order_by("pk")
        assert (goodbye.address, hello.address) == ("old@example.org", "new@example.org")
        assert "Invitations to your runs come to new@example.org from now on." in hello.text
        method, event = calendar_of(goodbye)
        assert (method, str(event["uid"]), event["sequence"]) == ("CANCEL", old.uid, 1)
        method, event = calendar_of(hello)
        assert (method, str(event["uid"])) == ("REQUEST", fresh.uid)
        assert fresh.booking.is_live

    def test_by_phone_from_now_on(self, person):
        change_person(person, by=None, at=LATER, reach="call")
        live = CalendarEntry.objects.live().get()
        assert live.address == ""
        assert [message.kind for message in Message.objects.filter(created_at=LATER)] == ["calendar"]

    def test_by_mail_from_now_on(self):
        person = ready_person(email="ina@example.org", reach="call")
        take(make_run(starts_at=AT + timedelta(days=1)), person)
        change_person(person, by=None, at=LATER, reach="mail")
        assert CalendarEntry.objects.live().get().address == "ina@example.org"
        assert [message.kind for message in Message.objects.filter(state="owed")] == ["news"]

    def test_another_name_moves_no_invitation(self, person):
        before = CalendarEntry.objects.get()
        change_person(person, by=None, at=LATER, name="Ina Quell")
        assert CalendarEntry.objects.get().uid == before.uid
        assert not Message.objects.filter(created_at=LATER).exists()

    def test_runs_that_are_over_keep_their_entry(self, person):
        change_person(person, by=None, at=AT + timedelta(days=2), email="new@example.org")
        assert CalendarEntry.objects.get().address == "old@example.org"

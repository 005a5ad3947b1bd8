"""Taking a seat and giving it back: every refusal beside what is allowed, and what is owed with it."""

import email
from datetime import UTC, date, datetime, timedelta
from math import ceil

import pytest
from django.db import IntegrityError
from django.utils.translation import gettext, override
from icalendar import Calendar

from shifts.models import Booking, CalendarEntry, Policy, Run
from shifts.seats import booking as seats
from shifts.seats import notices, refusals
from shifts.seats.booking import clash, give_back, seat, why_not
from shifts.seats.changes import cancel_run, restore_run
from sites.changes import close_site, lift_closure
from sites.models import Event
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_ready,
    make_run,
    ready_person,
)
from volunteers.doors import publish, read
from volunteers.models import Completion, Message
from volunteers.people import change_person

AT = datetime(2027, 5, 3, 15, 0, tzinfo=UTC)  # a Monday
START = datetime(2027, 5, 10, 12, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
pytestmark = pytest.mark.django_db


@pytest.fixture
def driver():
    return ready_person(name="Ida Quarrie")


@pytest.fixture
def run():
    return make_run(starts_at=START, minutes=60)


def take(run, person, place="driver", *, at=AT, **how):
    return seat(run=run, person=person, seat=place, by=person.user, at=at, **how)


def refused(run, person, place="driver", *, at=AT, **how):
    """The refusal that `seat` raises. `why_not` says the same beforehand, and nothing is left behind."""
    before = (
        Booking.objects.count(),
        Message.objects.count(),
        Event.objects.count(),
        CalendarEntry.objects.count(),
    )
    said = why_not(run=Run.objects.get(pk=run.pk), person=person, seat=place, at=at, **how)
    with pytest.raises(refusals.Refusal) as caught:
        take(run, person, place, at=at, **how)
    assert (type(said), said.why, said.next) == (type(caught.value), caught.value.why, caught.value.next)
    assert said.why.endswith("."), "what is said is a whole sentence"
    assert said.next.endswith("."), "every refusal says what to do next"
    after = (
        Booking.objects.count(),
        Message.objects.count(),
        Event.objects.count(),
        CalendarEntry.objects.count(),
    )
    assert after == before
    return caught.value


def calendar_of(message):
    """The calendar object a mail carries."""
    parts = email.message_from_bytes(bytes(message.raw)).walk()
    (body,) = [p.get_payload(decode=True) for p in parts if p.get_content_type() == "text/calendar"]
    return Calendar.from_ical(body)


def said_to(person, kind):
    return list(Message.objects.filter(person=person, kind=kind).order_by("pk"))


class TestReady:
    def test_a_ready_person_takes_the_drivers_seat(self, run, driver):
        booking = take(run, driver)
        assert (booking.run, booking.person, booking.seat, booking.is_live) == (run, driver, "driver", True)

    @pytest.mark.parametrize("on_behalf", [False, True])
    def test_somebody_not_ready_is_told_what_is_missing(self, run, on_behalf):
        person = make_ready(PersonFactory(), without=("insurance", "ride"))
        refusal = refused(run, person, on_behalf=on_behalf)
        assert isinstance(refusal, refusals.NotReady)
        assert [step.code for step in refusal.missing] == ["insurance", "ride"]
        assert "Car insurance card, Shadow ride" in refusal.why

    def test_the_day_of_the_run_counts_and_not_the_day_of_booking(self, run):
        card_until = make_ready(PersonFactory(), until=run.local_date)
        day_short = make_ready(PersonFactory(), until=run.local_date - timedelta(days=1))
        assert isinstance(refused(run, day_short), refusals.NotReady)
        assert take(run, card_until)

    def test_the_gate_asks_for_the_doors_of_every_stop(self, driver):
        first, last = SiteFactory(), DropOffFactory()
        publish(last, {"entrance": "Blue door."}, by=None, at=AT)
        run = make_run(starts_at=START, sites=[first, last])
        assert [step.site for step in refused(run, driver).missing] == [last]
        read(last, person=driver, revision=1, by=None, at=AT)
        assert take(run, driver)


class TestTheSeatItself:
    def test_taken(self, run, driver):
        take(run, driver)
        refusal = refused(run, ready_person())
        assert isinstance(refusal, refusals.Taken)
        assert refusal.why.startswith("Just taken")

    def test_free_again_once_given_back(self, run, driver):
        give_back(take(run, driver), by=None, at=AT)
        assert take(run, ready_person())

    def test_nobody_sits_in_both_seats(self, run, driver):
        take(run, driver)
        assert isinstance(refused(run, driver, "second"), refusals.AlreadyOn)
        assert isinstance(refused(run, driver, "driver"), refusals.AlreadyOn)

    def test_no_third_seat(self, run, driver):
        with pytest.raises(ValueError, match="roof"):
            take(run, driver, "roof")

    def test_a_missed_lock_ends_in_a_refusal_and_no_error(self, run, driver, monkeypatch):
        """The constraint's word is the last; why is asked again."""
        take(run, driver)
        checks = iter([None, why_not])
        monkeypatch.setattr(seats, "check_seat", lambda **how: next(checks))
        with pytest.raises(refusals.Taken) as caught:
            take(run, ready_person())
        assert isinstance(caught.value.__cause__, IntegrityError)
        assert Booking.objects.live().count() == 1


class TestTheSecondSeat:
    def test_a_trainee_rides_with_a_lead_driver(self, run):
        take(run, lead_driver())
        assert take(run, PersonFactory(), "second").seat == "second"

    def test_a_trainee_does_not_ride_alone(self, run):
        assert isinstance(refused(run, PersonFactory(), "second"), refusals.NoLead)

    def test_nor_with_a_driver_who_is_no_lead(self, run, driver):
        take(run, driver)
        assert isinstance(refused(run, PersonFactory(), "second", on_behalf=True), refusals.NoLead)

    def test_a_ready_helper_rides_with_anybody(self, run, driver):
        take(run, driver)
        assert take(run, ready_person(), "second")

    def test_some_runs_have_none(self, driver):
        alone = make_run(starts_at=START, second_seat=False)
        take(alone, lead_driver())
        assert isinstance(refused(alone, driver, "second"), refusals.NoSecondSeat)


class TestWhen:
    def test_open_until_the_start_and_not_from_it_on(self, run, driver):
        assert isinstance(refused(run, driver, at=run.starts_at), refusals.Over)
        assert take(run, driver, at=run.starts_at - MINUTE)

    def test_on_behalf_until_the_run_is_over(self, run, driver):
        refusal = refused(run, driver, at=run.ends_at, on_behalf=True)
        assert isinstance(refusal, refusals.Over)
        assert refusal.why == "This run is over."
        assert take(run, driver, at=run.ends_at - MINUTE, on_behalf=True)

    def test_not_open_yet_beyond_the_weeks_shown(self, run, driver):
        weeks = timedelta(weeks=Policy.current().weeks_shown)
        refusal = refused(run, driver, at=run.starts_at - weeks - MINUTE)
        assert isinstance(refusal, refusals.NotOpen)
        assert take(run, driver, at=run.starts_at - weeks)

    def test_a_coordinator_fills_ahead_of_that(self, run, driver):
        weeks = timedelta(weeks=Policy.current().weeks_shown)
        assert take(run, driver, at=run.starts_at - weeks - MINUTE, on_behalf=True)

    @pytest.mark.parametrize("on_behalf", [False, True])
    def test_cancelled_and_on_again(self, run, driver, on_behalf):
        cancel_run(run, reason="Freezer broke.", by=None, at=AT)
        refusal = refused(run, driver, on_behalf=on_behalf)
        assert isinstance(refusal, refusals.Cancelled)
        assert refusal.why == "This run is cancelled. Freezer broke."
        restore_run(run, by=None, at=AT)
        assert take(run, driver, on_behalf=on_behalf)

    @pytest.mark.parametrize("stop", [0, 1])
    @pytest.mark.parametrize("on_behalf", [False, True])
    def test_closed_and_open_again(self, run, driver, stop, on_behalf):
        site = run.ordered_stops[stop].site
        closure = close_site(site, first=run.local_date, last=run.local_date, by=None)
        refusal = refused(run, driver, on_behalf=on_behalf)
        assert isinstance(refusal, refusals.Closed)
        assert site.name in refusal.why
        lift_closure(closure, by=None)
        assert take(run, driver, on_behalf=on_behalf)

    def test_closed_the_day_before_and_the_day_after_is_open(self, run, driver):
        for days in (-1, 1):
            day = run.local_date + timedelta(days=days)
            close_site(run.ordered_stops[0].site, first=day, last=day, by=None)
        assert take(run, driver)


class TestWho:
    def test_whoever_left_is_not_seated(self, run, driver):
        gone = change_person(driver, by=None, left_on=date(2027, 5, 1))
        assert isinstance(refused(run, gone), refusals.Left)
        assert take(run, change_person(gone, by=None, left_on=None))

    def test_whoever_only_sorts_is_not_seated(self, run, driver):
        assert isinstance(refused(run, change_person(driver, by=None, drives=False)), refusals.Left)


class TestElsewhere:
    """Common practice, no published source: the drive between, and 15 minutes beside it."""

    def straight_south(self, miles):
        """Two sites that far apart on a meridian near 40 degrees north: 1 degree is 68.993 miles there.

        From the meridian arc of WGS84, 111.035 km a degree at 40 north (from memory).
        """
        return SiteFactory(latitude=40.0, longitude=-83.0), SiteFactory(
            latitude=40.0 - miles / 68.993, longitude=-83.0
        )

    def test_overlapping_runs(self, run, driver):
        take(run, driver)
        other = make_run(starts_at=run.ends_at - MINUTE, title="Evening run")
        refusal = refused(other, driver)
        assert isinstance(refusal, refusals.Elsewhere)
        assert refusal.other == run
        assert "Morning run" in refusal.why

    @pytest.mark.parametrize("later_first", [False, True])
    def test_the_minute_at_which_the_drive_fits(self, driver, later_first):
        """7.9 miles straight, road factor 1.3, at 24 mph 25.7 minutes, 5 fixed: 31; and 15 between."""
        end, begin = self.straight_south(7.9)
        between = timedelta(minutes=ceil(7.9 * 1.3 / 24 * 60 + 5) + 15)
        assert between == timedelta(minutes=46)
        first = make_run(starts_at=START, sites=[SiteFactory(), end])
        tight = make_run(starts_at=first.ends_at + between - MINUTE, sites=[begin, DropOffFactory()])
        fits = make_run(starts_at=first.ends_at + between, sites=[begin, DropOffFactory()])
        if later_first:
            booked = take(tight, driver)
            assert isinstance(refused(first, driver), refusals.Elsewhere)
            give_back(booked, by=None, at=AT)
            take(fits, driver)
            assert take(first, driver)
        else:
            take(first, driver)
            assert isinstance(refused(tight, driver), refusals.Elsewhere)
            assert take(fits, driver)

    def test_at_the_same_door_the_quarter_hour_is_enough(self, driver):
        door = SiteFactory()
        first = make_run(starts_at=START, sites=[SiteFactory(), door])
        take(first, driver)
        tight = make_run(starts_at=first.ends_at + 14 * MINUTE, sites=[door, DropOffFactory()])
        assert isinstance(refused(tight, driver), refusals.Elsewhere)
        assert take(make_run(starts_at=first.ends_at + 15 * MINUTE, sites=[door, DropOffFactory()]), driver)

    def test_a_coordinator_cannot_put_anybody_in_two_places(self, run, driver):
        take(run, driver)
        assert isinstance(refused(make_run(starts_at=START), driver, on_behalf=True), refusals.Elsewhere)

    def test_riding_along_is_a_place_too(self, run, driver):
        take(run, lead_driver())
        take(run, driver, "second")
        assert isinstance(refused(make_run(starts_at=START), driver), refusals.Elsewhere)

    def test_neither_a_seat_given_back_nor_a_cancelled_run_is_a_place(self, run, driver):
        give_back(take(run, driver), by=None, at=AT)
        off = make_run(starts_at=START)
        take(off, driver)
        cancel_run(off, reason="Snow.", by=None, at=AT)
        assert clash(make_run(starts_at=START), driver) is None

    def test_minutes_between_are_the_programmes_own_number(self, driver):
        Policy.objects.update_or_create(pk=1, defaults={"between_minutes": 8 * 60})
        door = SiteFactory()
        first = make_run(starts_at=START, sites=[SiteFactory(), door])
        take(first, driver)
        late = make_run(starts_at=first.ends_at + timedelta(hours=8) - MINUTE, sites=[door, DropOffFactory()])
        assert isinstance(refused(late, driver), refusals.Elsewhere)


class TestWhatIsOwed:
    def test_an_invitation_with_the_seat(self, run, driver):
        booking = take(run, driver)
        (entry,) = booking.entries.all()
        (message,) = said_to(driver, "booked")
        assert (message.address, message.state) == (driver.email, "owed")
        calendar = calendar_of(message)
        (event,) = calendar.walk("VEVENT")
        assert calendar["method"] == "REQUEST"
        assert (str(event["uid"]), event["sequence"]) == (entry.uid, 0)
        assert event.start == run.starts_at

    def test_a_cancellation_with_a_raised_sequence(self, run, driver):
        booking = take(run, driver)
        give_back(booking, by=driver.user, note="A cold.", at=AT + MINUTE)
        entry = CalendarEntry.objects.get(booking=booking)
        (message,) = said_to(driver, "ended")
        calendar = calendar_of(message)
        (event,) = calendar.walk("VEVENT")
        assert (calendar["method"], str(event["uid"]), event["sequence"]) == ("CANCEL", entry.uid, 1)
        assert (entry.sequence, entry.cancelled_at) == (1, AT + MINUTE)

    def test_a_second_booking_of_the_same_seat_has_its_own_identity(self, run, driver):
        """A cancelled UID is never used again."""
        give_back(take(run, driver), by=None, at=AT)
        take(run, driver)
        uids = CalendarEntry.objects.values_list("uid", flat=True)
        assert len(set(uids)) == 2

    def test_giving_back_twice_changes_nothing(self, run, driver):
        booking = take(run, driver)
        first = give_back(booking, by=None, note="A cold.", at=AT)
        counts = Message.objects.count(), Event.objects.count()
        second = give_back(booking, by=None, note="Another reason.", at=AT + MINUTE)
        assert (second.ended_at, second.end_note) == (first.ended_at, "A cold.")
        assert (Message.objects.count(), Event.objects.count()) == counts

    def test_giving_back_is_never_refused(self, run, driver):
        """Not when the run has begun, is over, is closed, or the person has left since."""
        for at in (run.starts_at + MINUTE, run.ends_at + timedelta(days=3)):
            booking = take(run, driver)
            close_site(run.ordered_stops[0].site, first=run.local_date, last=run.local_date, by=None)
            change_person(driver, by=None, left_on=date(2027, 5, 4))
            assert not give_back(booking, by=None, note="x" * 1000, at=at).is_live
            change_person(driver, by=None, left_on=None)
            for closure in run.ordered_stops[0].site.closures.standing():
                lift_closure(closure, by=None)

    @pytest.mark.parametrize("notice", ["booked", "ended"])
    def test_a_failure_after_the_fact_leaves_nothing(self, run, driver, monkeypatch, notice):
        def fail(*args, **kwargs):
            raise RuntimeError("the mail could not be written")

        booking = take(run, driver) if notice == "ended" else None
        counts = Message.objects.count(), Event.objects.count(), CalendarEntry.objects.live().count()
        monkeypatch.setattr(notices, notice, fail)
        with pytest.raises(RuntimeError):
            give_back(booking, by=None, at=AT) if booking else take(run, driver)
        assert Booking.objects.live().count() == (1 if booking else 0)
        assert (
            Message.objects.count(),
            Event.objects.count(),
            CalendarEntry.objects.live().count(),
        ) == counts

    def test_whoever_has_no_mail_is_on_the_coordinators_list(self, run):
        person = make_ready(PersonFactory(by_phone=True))
        give_back(take(run, person, on_behalf=True), by=None, end=Booking.End.TAKEN_OUT, at=AT)
        assert [message.kind for message in Message.objects.to_tell()] == ["booked", "ended"]
        assert not Message.objects.unsent().exists()
        assert set(CalendarEntry.objects.values_list("address", flat=True)) == {""}

    def test_with_an_address_but_wanting_calls_too(self, run):
        person = make_ready(PersonFactory(reach="call"))
        take(run, person)
        assert Message.objects.get(person=person).state == Message.State.TELL

    def test_in_the_persons_language(self, run):
        person = ready_person(language="es")
        take(run, person)
        with override("es"):
            drive = gettext("Drive: %(run)s") % {"run": run.title}
        (event,) = calendar_of(said_to(person, "booked")[0]).walk("VEVENT")
        assert str(event["summary"]) == drive


class TestWhoElseIsTold:
    def test_the_trainee_when_the_lead_gives_back(self, run):
        lead, trainee = lead_driver(), PersonFactory()
        booking = take(run, lead)
        take(run, trainee, "second")
        give_back(booking, by=lead.user, at=AT)
        assert len(said_to(trainee, "no lead")) == 1
        assert run.bookings.live().get().person == trainee, "the seat stays theirs"

    def test_not_the_driver_when_the_trainee_does(self, run):
        lead, trainee = lead_driver(), PersonFactory()
        take(run, lead)
        give_back(take(run, trainee, "second"), by=None, at=AT)
        assert [message.kind for message in Message.objects.filter(person=lead)] == ["booked"]

    @pytest.mark.parametrize(("hours", "told"), [(49, 0), (48, 1), (1, 1), (-0.5, 1), (-1, 0), (-24, 0)])
    def test_the_coordinator_at_short_notice_and_until_the_run_is_over(self, run, driver, hours, told):
        cora = coordinator()
        give_back(take(run, driver), by=None, at=run.starts_at - timedelta(hours=hours))
        assert len(said_to(cora, "given back")) == told

    def test_not_when_a_second_seat_is_given_back(self, run, driver):
        cora = coordinator()
        give_back(take(run, driver, "second"), by=None, at=run.starts_at - MINUTE)
        assert not Message.objects.filter(person=cora).exists()

    def test_not_when_the_coordinator_took_them_out(self, run, driver):
        cora = coordinator()
        give_back(take(run, driver), by=cora.user, end=Booking.End.TAKEN_OUT, at=run.starts_at - MINUTE)
        assert not Message.objects.filter(person=cora).exists()


class TestTheLog:
    def test_who_and_when(self, run, driver):
        cora = coordinator()
        booking = seat(run=run, person=driver, seat="driver", by=cora.user, on_behalf=True, at=AT)
        give_back(booking, by=driver.user, note="A cold.", at=AT + MINUTE)
        given_back, seated = Event.objects.about(run).exclude(verb="search begun")
        assert (seated.verb, seated.by, seated.at, seated.person_id) == ("seated", cora.user, AT, driver.pk)
        assert seated.after == {"seat": "driver", "on behalf": True}
        assert (given_back.verb, given_back.by, given_back.at) == ("given back", driver.user, AT + MINUTE)
        assert given_back.after == {"note": "A cold."}
        booking.refresh_from_db()
        assert (booking.booked_by, booking.ended_by, booking.end_note) == (cora.user, driver.user, "A cold.")


class TestUndoing:
    def test_taken_out_and_put_back(self, run, driver):
        first = take(run, driver)
        give_back(first, by=None, end=Booking.End.TAKEN_OUT, at=AT)
        again = take(run, driver, on_behalf=True, at=AT + MINUTE)
        assert again.pk != first.pk
        assert [message.kind for message in Message.objects.order_by("pk")] == ["booked", "ended", "booked"]

    def test_cancelled_and_on_again_seats_everybody_anew(self, run):
        lead, trainee = lead_driver(), PersonFactory()
        take(run, lead)
        take(run, trainee, "second")
        cancel_run(run, reason="Snow.", by=None, at=AT + MINUTE)
        assert not run.bookings.live().exists()
        assert {message.person for message in Message.objects.filter(kind="ended")} == {lead, trainee}
        left_out = restore_run(run, by=None, at=AT + 2 * MINUTE)
        assert left_out == []
        assert {(b.person, b.seat) for b in run.bookings.live()} == {(lead, "driver"), (trainee, "second")}
        assert len(said_to(lead, "booked")) == len(said_to(trainee, "booked")) == 2
        assert CalendarEntry.objects.live().count() == 2

    def test_whoever_gave_back_before_is_not_seated_again(self, run, driver):
        give_back(take(run, driver), by=None, at=AT)
        cancel_run(run, reason="Snow.", by=None, at=AT + MINUTE)
        restore_run(run, by=None, at=AT + 2 * MINUTE)
        assert not run.bookings.live().exists()

    def test_whoever_has_another_run_since_is_named(self, run, driver):
        take(run, driver)
        cancel_run(run, reason="Snow.", by=None, at=AT + MINUTE)
        take(make_run(starts_at=START), driver)
        ((person, refusal),) = restore_run(run, by=None, at=AT + 2 * MINUTE)
        assert (person, type(refusal)) == (driver, refusals.Elsewhere)
        run.refresh_from_db()
        assert not run.is_cancelled

    def test_cancelling_twice_and_restoring_twice_change_nothing(self, run, driver):
        take(run, driver)
        cancel_run(run, reason="Snow.", by=None, at=AT + MINUTE)
        counts = Message.objects.count(), Event.objects.count()
        assert cancel_run(run, reason="Ice.", by=None, at=AT + 2 * MINUTE).cancel_reason == "Snow."
        assert (Message.objects.count(), Event.objects.count()) == counts
        restore_run(run, by=None, at=AT + 3 * MINUTE)
        counts = Message.objects.count(), Event.objects.count()
        assert restore_run(run, by=None, at=AT + 4 * MINUTE) == []
        assert (Message.objects.count(), Event.objects.count()) == counts

    def test_a_lapse_between_is_asked_again(self, run, driver):
        """The gate holds on the way back too."""
        take(run, driver)
        cancel_run(run, reason="Snow.", by=None, at=AT + MINUTE)
        Completion.objects.filter(person=driver, step__code="license").update(
            withdrawn_at=AT, withdrawn_reason="Lost."
        )
        ((_person, refusal),) = restore_run(run, by=None, at=AT + 2 * MINUTE)
        assert isinstance(refusal, refusals.NotReady)

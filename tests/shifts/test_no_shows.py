"""A driver who did not come: marked, taken back, and remembered among coordinators only."""

from datetime import timedelta

import pytest
from django.utils import timezone

from shifts.calendar.entries import open_entry
from shifts.cover.talks import have_talked, talks_suggested
from shifts.models import Booking, CalendarEntry, NoShow, Policy, Run
from shifts.seats import no_shows
from shifts.seats.refusals import Taken
from sites.models import Event
from tests.factories import coordinator, lead_driver, make_run, put, ready_person
from volunteers.models import Message, SignOff
from volunteers.progress import NotPossible, sign_off, today

pytestmark = pytest.mark.django_db
AT = timezone.now().replace(microsecond=0)


@pytest.fixture
def cora():
    return coordinator()


@pytest.fixture
def ana():
    return lead_driver(name="Ana Reyes")


@pytest.fixture
def run():
    return make_run(starts_at=AT - timedelta(minutes=10))


@pytest.fixture
def booking(ana, run):
    return put(ana, run)


class TestDidNotCome:
    def test_the_seat_falls_empty_and_it_is_remembered_by_whom_and_when(self, booking, run, cora):
        missed = no_shows.did_not_come(booking, by=cora.user, at=AT)
        booking.refresh_from_db()
        assert (booking.end, booking.ended_at, booking.ended_by) == ("no show", AT, cora.user)
        assert (missed.at, missed.by, missed.withdrawn_at) == (AT, cora.user, None)
        event = Event.objects.about(run).get()
        assert (event.verb, event.by, event.at, event.person_id) == (
            "no show",
            cora.user,
            AT,
            booking.person_id,
        )
        assert Run.objects.filter(pk=run.pk).unfilled().exists()

    def test_a_second_tap_changes_nothing(self, booking, cora):
        first = no_shows.did_not_come(booking, by=cora.user, at=AT)
        assert no_shows.did_not_come(booking, by=cora.user, at=AT) == first
        assert NoShow.objects.count() == Event.objects.count() == 1

    def test_the_driver_is_told_nothing_only_their_calendar_follows(self, booking, cora):
        entry = open_entry(booking, at=AT)
        no_shows.did_not_come(booking, by=cora.user, at=AT)
        entry.refresh_from_db()
        assert entry.cancelled_at == AT
        mail = Message.objects.get()
        assert mail.kind == "calendar"
        assert "come" not in mail.text.lower().replace("coordinator", "")

    def test_no_alert_goes_to_the_coordinators_who_know(self, booking, cora):
        no_shows.did_not_come(booking, by=cora.user, at=AT)
        assert not Message.objects.filter(person=cora).exists()

    def test_whoever_rides_along_hears_that_nobody_drives(self, booking, run, cora):
        second = put(ready_person(name="Bo Second"), run, Booking.Seat.SECOND)
        no_shows.did_not_come(booking, by=cora.user, at=AT)
        mail = Message.objects.get(person=second.person)
        assert mail.kind == "no lead"

    def test_when_the_run_is_over_it_can_still_be_noted(self, ana, cora):
        booking = put(ana, make_run(starts_at=AT - timedelta(days=2)))
        assert no_shows.did_not_come(booking, by=cora.user, at=AT).booking == booking

    def test_refused_before_the_start(self, ana, cora):
        booking = put(ana, make_run(starts_at=AT + timedelta(minutes=1)))
        with pytest.raises(NotPossible, match="has not started"):
            no_shows.did_not_come(booking, by=cora.user, at=AT)
        assert not NoShow.objects.exists()

    def test_refused_for_the_second_seat_a_cancelled_run_and_somebody_who_is_out(self, run, ana, cora):
        second = put(ready_person(), run, Booking.Seat.SECOND)
        with pytest.raises(NotPossible, match="does not drive"):
            no_shows.did_not_come(second, by=cora.user, at=AT)
        out = put(ana, run)
        Booking.objects.filter(pk=out.pk).update(ended_at=AT, end="taken out")
        with pytest.raises(NotPossible, match="out of this run already"):
            no_shows.did_not_come(out, by=cora.user, at=AT)
        off = make_run(starts_at=AT - timedelta(minutes=5), cancelled_at=AT, cancel_cause="called off")
        with pytest.raises(NotPossible, match="cancelled"):
            no_shows.did_not_come(put(ana, off), by=cora.user, at=AT)

    def test_refused_where_their_ride_was_signed_off(self, booking, run, cora):
        second = put(ready_person(), run, Booking.Seat.SECOND)
        second.sign_off = sign_off(
            trainee=second.person, lead=booking.person, ridden_on=today(AT), outcome=SignOff.Outcome.AGAIN,
            by=cora.user,
        )  # fmt: skip
        second.save()
        with pytest.raises(NotPossible, match="signed off"):
            no_shows.did_not_come(booking, by=cora.user, at=AT)


class TestCameAfterAll:
    def test_they_have_the_seat_again_and_their_calendar_the_run(self, booking, run, ana, cora):
        open_entry(booking, at=AT)
        missed = no_shows.did_not_come(booking, by=cora.user, at=AT)
        again, refusal = no_shows.came_after_all(missed, by=cora.user, at=AT + timedelta(minutes=1))
        assert refusal is None
        assert run.bookings.live().get() == again
        assert again.person == ana
        missed.refresh_from_db()
        assert missed.withdrawn_at == AT + timedelta(minutes=1)
        assert CalendarEntry.objects.live().get().booking == again
        assert [event.verb for event in Event.objects.about(run)][:2] == ["seated", "came after all"]
        assert not Message.objects.exclude(kind="calendar").exists()

    def test_of_whoever_rides_along_what_was_not_told_is_kept_back(self, booking, run, cora):
        second = put(ready_person(), run, Booking.Seat.SECOND)
        missed = no_shows.did_not_come(booking, by=cora.user, at=AT)
        no_shows.came_after_all(missed, by=cora.user, at=AT)
        assert Message.objects.get(person=second.person).state == Message.State.REPLACED

    def test_and_what_was_told_is_put_right(self, booking, run, cora):
        second = put(ready_person(), run, Booking.Seat.SECOND)
        missed = no_shows.did_not_come(booking, by=cora.user, at=AT)
        Message.objects.update(state=Message.State.SENT)
        no_shows.came_after_all(missed, by=cora.user, at=AT)
        assert "Ana drives after all" in Message.objects.filter(person=second.person).first().text

    def test_with_somebody_else_in_the_seat_the_record_alone_is_taken_back(self, booking, run, cora):
        missed = no_shows.did_not_come(booking, by=cora.user, at=AT)
        other = put(ready_person(), run)
        again, refusal = no_shows.came_after_all(missed, by=cora.user, at=AT)
        assert again is None
        assert isinstance(refusal, Taken)
        assert run.bookings.live().get() == other
        assert not NoShow.objects.standing().exists()

    def test_nobody_is_seated_again_whom_the_gate_refuses_by_now(self, booking, run, cora):
        missed = no_shows.did_not_come(booking, by=cora.user, at=AT)
        booking.person.completions.update(withdrawn_at=AT, withdrawn_reason="Lapsed.")
        again, refusal = no_shows.came_after_all(missed, by=cora.user, at=AT)
        assert again is None
        assert refusal.code == "not ready"
        assert not run.bookings.live().exists()

    def test_of_a_run_that_is_over_the_record_is_put_right(self, ana, cora):
        run = make_run(starts_at=AT - timedelta(days=2))
        booking = put(ana, run)
        missed = no_shows.did_not_come(booking, by=cora.user, at=AT)
        again, refusal = no_shows.came_after_all(missed, by=cora.user, at=AT)
        assert (again, refusal) == (booking, None)
        assert run.bookings.live().get() == booking
        assert again.end == ""

    def test_unless_somebody_else_drove(self, ana, cora):
        run = make_run(starts_at=AT - timedelta(days=2))
        missed = no_shows.did_not_come(put(ana, run), by=cora.user, at=AT)
        put(ready_person(), run)
        assert no_shows.came_after_all(missed, by=cora.user, at=AT)[0] is None

    def test_a_second_tap_changes_nothing(self, booking, run, cora):
        missed = no_shows.did_not_come(booking, by=cora.user, at=AT)
        no_shows.came_after_all(missed, by=cora.user, at=AT)
        assert no_shows.came_after_all(missed, by=cora.user, at=AT) == (None, None)
        assert run.bookings.count() == 2

    def test_a_note_is_kept_with_who_wrote_it(self, booking, cora):
        missed = no_shows.did_not_come(booking, by=cora.user, at=AT)
        no_shows.write_note(missed, " Flat tire. ", by=cora.user, at=AT)
        assert NoShow.objects.get().note == "Flat tire."
        assert Event.objects.about(missed).get().by == cora.user


def missed_days_ago(person, days, *, by=None):
    return no_shows.did_not_come(put(person, make_run(starts_at=AT - timedelta(days=days))), by=by, at=AT)


class TestTalks:
    def test_suggested_with_the_second_within_sixty_days(self, ana):
        missed_days_ago(ana, 59)
        assert talks_suggested(at=AT) == {}
        missed_days_ago(ana, 3)
        assert [len(times) for times in talks_suggested(at=AT).values()] == [2]

    def test_not_after_the_policys_days(self, ana):
        missed_days_ago(ana, 61)
        missed_days_ago(ana, 3)
        assert talks_suggested(at=AT) == {}
        Policy.objects.update(talk_days=90)
        assert list(talks_suggested(at=AT)) == [ana]

    def test_not_for_what_was_taken_back(self, ana):
        missed_days_ago(ana, 9)
        no_shows.came_after_all(missed_days_ago(ana, 3), by=None, at=AT)
        assert talks_suggested(at=AT) == {}

    def test_not_for_others(self, ana):
        missed_days_ago(ana, 9)
        missed_days_ago(ready_person(), 3)
        assert talks_suggested(at=AT) == {}

    def test_once_they_have_talked_only_a_further_time_suggests_it(self, ana, cora):
        missed_days_ago(ana, 9)
        missed_days_ago(ana, 3)
        have_talked(ana, by=cora.user, at=AT + timedelta(minutes=1))
        assert talks_suggested(at=AT) == {}
        later = put(ana, make_run(starts_at=AT + timedelta(days=1)))
        no_shows.did_not_come(later, by=None, at=AT + timedelta(days=2))
        assert list(talks_suggested(at=AT + timedelta(days=2))) == [ana]

"""What becomes of an answer to an invitation. Each is made as a calendar program makes it, from the mail we
sent. Rules: RFC 5546 2.1.5 and 3.2.3, RFC 6047 2.2.1."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone
from icalendar import Calendar

from shifts.calendar import invitations
from shifts.calendar.entries import follow
from shifts.calendar.series import for_calendars
from shifts.models import Booking, CalendarEntry, Reply, Run, Standing
from shifts.schedule.making import Plan, add_shift, make_runs_ahead
from shifts.seats import replies
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import Shape, reshape_run, shape_of
from shifts.seats.replies import take, taking
from shifts.seats.standing import seat_regulars
from sites.models import Event, Programme
from tests.calendar_program import answer_to, invitation_in, mailed, reply_to
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, coordinator, make_run, ready_person
from volunteers.models import Message

AT = datetime(2026, 10, 1, 12, 0, tzinfo=UTC)
START = datetime(2026, 10, 6, 12, 0, tzinfo=UTC)  # a Tuesday, 8:00 a.m. in New York
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
NEW_YORK = ZoneInfo("America/New_York")
Outcome = Reply.Outcome
pytestmark = pytest.mark.django_db


@pytest.fixture
def ana():
    return ready_person(name="Ana Alder", email="Ana@example.org")


@pytest.fixture
def run():
    return make_run(starts_at=START, title="Morning run")


@pytest.fixture
def booking(run, ana):
    return seat(run=run, person=ana, seat="driver", by=None, at=AT)


@pytest.fixture
def invitation(booking):
    return Message.objects.get(about=entry_of(booking).uid)


def entry_of(booking):
    return CalendarEntry.objects.get(booking=booking)


def is_on(booking):
    booking.refresh_from_db()
    return booking.is_live


def outcome(reply):
    return reply.outcome, reply.reason


def changed(run, **facts):
    """The run with other facts, told as always; the newest invitation."""
    reshape_run(run, Shape(**(vars(shape_of(run)) | facts)), by=None, at=AT + MINUTE)
    return Message.objects.filter(kind="changed").latest("pk")


class TestOneRun:
    def test_a_decline_gives_it_back(self, booking, invitation, run, ana):
        reply = take(reply_to(invitation, "DECLINED", stamp=AT), at=AT + HOUR)
        assert outcome(reply) == (Outcome.GIVEN_BACK, "")
        assert (reply.person, reply.entry, reply.address) == (ana, entry_of(booking), "ana@example.org")
        assert not is_on(booking)
        assert (booking.end, booking.end_note, booking.ended_by, booking.ended_at) == (
            Booking.End.GIVEN_BACK, "Declined in the calendar.", None, AT + HOUR,
        )  # fmt: skip
        event = Event.objects.about(run).get(verb=Booking.End.GIVEN_BACK)
        assert (event.person_id, event.by, event.after) == (
            ana.pk,
            None,
            {"note": "Declined in the calendar."},
        )

    def test_a_decline_has_its_usual_notices(self, booking, invitation):
        """The person gets the cancellation, coordinators hear of a driver lost at short notice."""
        cora = coordinator()
        take(reply_to(invitation, "DECLINED", stamp=AT), at=START - HOUR)
        cancel = invitation_in(Message.objects.get(kind="ended", person=booking.person).raw)
        assert (str(cancel["method"]), str(cancel.walk("VEVENT")[0]["uid"])) == (
            "CANCEL",
            entry_of(booking).uid,
        )
        assert Message.objects.filter(kind="given back", person=cora).count() == 1

    def test_an_accept_confirms(self, booking, invitation, run):
        reply = take(reply_to(invitation, "ACCEPTED", stamp=AT), at=AT + HOUR)
        assert outcome(reply) == (Outcome.CONFIRMED, "")
        assert is_on(booking)
        assert booking.confirmed_at == AT + HOUR
        assert Event.objects.about(run).filter(verb="confirmed", person_id=booking.person_id).count() == 1

    def test_what_was_answered_is_kept_with_its_version(self, booking, invitation):
        take(reply_to(invitation, "ACCEPTED", stamp=AT), at=AT + HOUR)
        entry = entry_of(booking)
        assert (entry.reply, entry.reply_sequence, entry.reply_stamp) == ("ACCEPTED", 0, AT)

    def test_an_accept_with_a_word_is_read_by_somebody(self, booking, invitation):
        reply = take(reply_to(invitation, "ACCEPTED", stamp=AT, comment="15 minutes late"), at=AT + HOUR)
        assert outcome(reply) == (
            Outcome.KEPT, "They accepted, which is noted, and wrote a word with it.",
        )  # fmt: skip
        assert is_on(booking)
        assert booking.confirmed_at

    @pytest.mark.parametrize(
        ("partstat", "why"),
        [
            ("TENTATIVE", "They said maybe. The run is theirs still: ask them."),
            ("DELEGATED", "They want to send somebody else. The run is theirs still: call them."),
            ("NEEDS-ACTION", "Their calendar answered without a yes or a no."),
            ("X-LATER", "Their calendar gave an answer that is not known here."),
        ],
    )
    def test_any_other_answer_is_a_question(self, partstat, why, booking, invitation, ana):
        reply = take(reply_to(invitation, partstat, stamp=AT), at=AT + HOUR)
        assert outcome(reply) == (Outcome.KEPT, why)
        assert (reply.person, is_on(booking), booking.confirmed_at) == (ana, True, None)

    def test_an_organizer_may_be_missing(self, booking, invitation):
        """Reported of Outlook.com."""
        assert (
            take(reply_to(invitation, "DECLINED", stamp=AT, organizer=None), at=AT + HOUR).outcome
            == Outcome.GIVEN_BACK
        )

    def test_a_mail_without_from_counts(self, booking, invitation):
        assert (
            take(reply_to(invitation, "DECLINED", stamp=AT, sender=None), at=AT + HOUR).outcome
            == Outcome.GIVEN_BACK
        )

    def test_a_sequence_left_out_is_the_first(self, booking, invitation):
        """RFC 5546 3.2.3."""
        assert (
            take(reply_to(invitation, "DECLINED", stamp=AT, sequence=None), at=AT + HOUR).outcome
            == Outcome.GIVEN_BACK
        )

    def test_a_decline_once_the_run_has_started_ends_nothing(self, booking, invitation):
        reply = take(reply_to(invitation, "DECLINED", stamp=AT), at=START)
        assert outcome(reply) == (
            Outcome.KEPT, "Declined Tue, Oct 6, 8:00 a.m. after that run had started.",
        )  # fmt: skip
        assert is_on(booking)

    def test_an_accept_of_a_run_that_is_over_is_nothing(self, booking, invitation, run):
        assert take(reply_to(invitation, "ACCEPTED", stamp=AT), at=run.ends_at).outcome == Outcome.NOTHING
        assert is_on(booking)
        assert booking.confirmed_at is None

    def test_after_it_was_given_back_nothing_is_left_to_do(self, booking, invitation):
        give_back(booking, by=None, at=AT + HOUR)
        for partstat in ("DECLINED", "ACCEPTED"):
            reply = take(reply_to(invitation, partstat, stamp=AT), at=AT + 2 * HOUR)
            assert outcome(reply) == (Outcome.NOTHING, "The invitation had ended already.")
        assert Booking.objects.count() == 1

    def test_a_trainee_declines_the_second_seat(self, booking, run):
        booking.person.lead_since = date(2020, 1, 1)
        booking.person.save()
        trainee = PersonFactory()
        ride = seat(run=run, person=trainee, seat="second", by=None, at=AT)
        message = Message.objects.get(about=entry_of(ride).uid)
        assert take(reply_to(message, "DECLINED", stamp=AT), at=AT + HOUR).outcome == Outcome.GIVEN_BACK
        assert (is_on(ride), is_on(booking)) == (False, True)


class TestWhoseAnswer:
    def kept(self, raw, booking):
        reply = take(raw, at=AT + HOUR)
        assert reply.outcome == Outcome.KEPT
        assert is_on(booking)
        assert entry_of(booking).reply == ""
        return reply

    def test_one_person_for_another(self, booking, invitation):
        """RFC 6047 2.2.1: who sends it and who answers are the same."""
        reply = self.kept(reply_to(invitation, "DECLINED", stamp=AT, sender="bo@example.org"), booking)
        assert reply.reason == (
            "It answers for ana@example.org, but comes from another address: bo@example.org."
        )

    def test_an_unreadable_from_is_another_address(self, booking, invitation):
        raw = reply_to(invitation, "DECLINED", stamp=AT).replace(b"From: ", b"From: x@example.org, ", 1)
        self.kept(raw, booking)

    def test_somebody_who_was_not_invited(self, booking, invitation):
        raw = reply_to(
            invitation, "DECLINED", stamp=AT, attendee="mailto:bo@example.org", sender="bo@example.org"
        )
        assert self.kept(raw, booking).reason == (
            "It answers for bo@example.org, who was not sent this invitation."
        )

    def test_the_uid_of_somebody_else(self, booking, invitation, ana):
        """Bo answers as himself to an event of Ana's."""
        bo = ready_person(name="Bo Birch", email="bo@example.org")
        his = seat(run=make_run(starts_at=START + DAY), person=bo, seat="driver", by=None, at=AT)
        theirs = invitation_in(Message.objects.get(about=entry_of(his).uid).raw)
        uid = entry_of(booking).uid
        self.kept(mailed(answer_to(theirs, "DECLINED", stamp=AT, uid=uid), sender="bo@example.org"), booking)
        assert is_on(his)

    @pytest.mark.parametrize("uid", ["guess@localhost", "", "' OR 1=1 --", "%", "a" * 500])
    def test_an_event_that_is_none_of_ours(self, uid, booking, invitation, ana):
        reply = self.kept(reply_to(invitation, "DECLINED", stamp=AT, uid=uid), booking)
        assert reply.reason == "It answers an event that is none of ours."
        assert (reply.entry, reply.person) == (None, ana)

    def test_an_entry_that_was_never_mailed(self, booking, invitation):
        """Its UID stands only in the calendar link; nobody was asked for an answer."""
        CalendarEntry.objects.update(address="")
        self.kept(reply_to(invitation, "DECLINED", stamp=AT), booking)

    def test_upper_and_lower_case_are_one_address(self, booking, invitation):
        raw = reply_to(
            invitation, "DECLINED", stamp=AT, attendee="MAILTO:ANA@EXAMPLE.ORG", sender="aNa@Example.org"
        )
        assert take(raw, at=AT + HOUR).outcome == Outcome.GIVEN_BACK


class TestVersions:
    def test_a_decline_of_an_older_version_is_a_question(self, booking, invitation, run):
        changed(run, starts_at=START + HOUR, ends_at=START + 2 * HOUR)
        reply = take(reply_to(invitation, "DECLINED", stamp=AT + 2 * MINUTE), at=AT + HOUR)
        assert outcome(reply) == (
            Outcome.KEPT, "It answers an invitation that has changed since: ask whether it still holds.",
        )  # fmt: skip
        assert is_on(booking)

    def test_an_accept_of_an_older_version_confirms_nothing(self, booking, invitation, run):
        changed(run, starts_at=START + HOUR, ends_at=START + 2 * HOUR)
        reply = take(reply_to(invitation, "ACCEPTED", stamp=AT + 2 * MINUTE), at=AT + HOUR)
        assert reply.outcome == Outcome.NOTHING
        assert is_on(booking)
        assert booking.confirmed_at is None

    def test_an_answer_to_the_newer_version_counts(self, booking, invitation, run):
        newer = changed(run, starts_at=START + HOUR, ends_at=START + 2 * HOUR)
        assert (
            take(reply_to(newer, "DECLINED", stamp=AT + 2 * MINUTE), at=AT + HOUR).outcome
            == Outcome.GIVEN_BACK
        )

    def test_a_version_that_was_never_sent(self, booking, invitation):
        """Taken, it would make every true answer after it an old one."""
        assert take(reply_to(invitation, "ACCEPTED", stamp=AT, sequence=7), at=AT).outcome == Outcome.KEPT
        assert take(reply_to(invitation, "ACCEPTED", stamp=AT), at=AT).outcome == Outcome.CONFIRMED

    def test_an_older_answer_that_comes_later_does_nothing(self, booking, invitation):
        """DTSTAMP decides between answers to one version, not the order of arrival."""
        take(reply_to(invitation, "ACCEPTED", stamp=AT + 2 * MINUTE), at=AT + HOUR)
        reply = take(reply_to(invitation, "DECLINED", stamp=AT + MINUTE), at=AT + HOUR)
        assert outcome(reply) == (Outcome.NOTHING, "A newer answer came before it.")
        assert is_on(booking)

    def test_a_newer_answer_counts(self, booking, invitation):
        take(reply_to(invitation, "ACCEPTED", stamp=AT + MINUTE), at=AT + HOUR)
        reply = take(reply_to(invitation, "DECLINED", stamp=AT + 2 * MINUTE), at=AT + HOUR)
        assert reply.outcome == Outcome.GIVEN_BACK

    def test_a_maybe_is_an_answer_too(self, booking, invitation):
        take(reply_to(invitation, "TENTATIVE", stamp=AT + 2 * MINUTE), at=AT + HOUR)
        assert (
            take(reply_to(invitation, "ACCEPTED", stamp=AT + MINUTE), at=AT + HOUR).outcome == Outcome.NOTHING
        )

    def test_a_new_version_makes_an_older_stamp_new(self, booking, invitation, run):
        """SEQUENCE goes before DTSTAMP."""
        take(reply_to(invitation, "ACCEPTED", stamp=AT + 2 * MINUTE), at=AT + HOUR)
        newer = changed(run, starts_at=START + HOUR, ends_at=START + 2 * HOUR)
        assert (
            take(reply_to(newer, "DECLINED", stamp=AT + MINUTE), at=AT + HOUR).outcome == Outcome.GIVEN_BACK
        )

    def test_a_clock_that_is_ahead_does_not_silence_what_comes_after(self, booking, invitation):
        take(reply_to(invitation, "ACCEPTED", stamp=AT + 300 * DAY), at=AT + HOUR)
        reply = take(reply_to(invitation, "DECLINED", stamp=AT + 2 * HOUR), at=AT + 3 * HOUR)
        assert reply.outcome == Outcome.GIVEN_BACK

    def test_a_decline_of_an_invitation_that_was_replaced_is_a_question(self, booking, invitation, ana):
        """The address changed; the booking goes on under another UID."""
        old = entry_of(booking)
        CalendarEntry.objects.filter(pk=old.pk).update(cancelled_at=AT, sequence=1)
        CalendarEntry.objects.create(
            uid="new@localhost", person=ana, booking=booking, made_at=AT, changed_at=AT
        )
        reply = take(reply_to(invitation, "DECLINED", stamp=AT), at=AT + HOUR)
        assert outcome(reply) == (
            Outcome.KEPT, "Declined an invitation that was replaced; the run is theirs still: ask them.",
        )  # fmt: skip
        assert is_on(booking)


class TestReplays:
    def test_the_same_message_again_does_nothing(self, booking, invitation, run, ana):
        raw = reply_to(invitation, "DECLINED", stamp=AT)
        first = take(raw, at=AT + HOUR)
        again = seat(run=run, person=ana, seat="driver", by=None, at=AT + HOUR)
        told = Message.objects.count()
        assert take(raw, at=AT + 2 * HOUR) == first
        assert is_on(again)
        assert (Reply.objects.count(), Message.objects.count()) == (1, told)

    def test_the_same_answer_by_another_way_does_nothing(self, booking, invitation, run, ana):
        """Other bytes, the same answer: to an invitation that has ended."""
        take(reply_to(invitation, "DECLINED", stamp=AT), at=AT + HOUR)
        again = seat(run=run, person=ana, seat="driver", by=None, at=AT + HOUR)
        other = reply_to(invitation, "DECLINED", stamp=AT, subject="Fwd: Declined")
        assert take(other, at=AT + 2 * HOUR).outcome != Outcome.GIVEN_BACK
        assert is_on(again)

    def test_what_fails_on_the_way_leaves_nothing(self, booking, invitation, monkeypatch):
        """All of a message or none of it; the next reading does it."""
        raw = reply_to(invitation, "DECLINED", stamp=AT)

        def fails(*args, **kwargs):
            give_back(*args, **kwargs)
            raise ZeroDivisionError

        with monkeypatch.context() as patch:
            patch.setattr(taking, "give_back", fails)
            with pytest.raises(ZeroDivisionError):
                take(raw, at=AT + HOUR)
        assert not Reply.objects.exists()
        assert is_on(booking)
        assert take(raw, at=AT + HOUR).outcome == Outcome.GIVEN_BACK


# --- a regular run


@pytest.fixture
def regular(ana):
    """Ana drives every Tuesday at 8:00, four runs are made; two calendars know of it."""
    sites = SiteFactory(), DropOffFactory()
    shift = add_shift(
        name="Tuesday run", from_day=date(2026, 10, 6), by=None, at=AT,
        plan=Plan(
            rule="FREQ=WEEKLY;BYDAY=TU", starts=time(8), minutes=60,
            stops=((sites[0].pk, 0), (sites[1].pk, 30)),
        ),
    )  # fmt: skip
    standing = Standing.objects.create(
        shift=shift, person=ana, anchor=date(2026, 10, 6), from_day=date(2026, 10, 6), made_at=AT
    )
    for run in shift.runs.all():
        Booking.objects.create(run=run, person=ana, seat="driver", standing=standing, booked_at=AT)
    follow(ana, at=AT)
    return standing


def series_invitation(standing):
    """The invitation to it as it is now, read by a calendar program."""
    entry = CalendarEntry.objects.live().get(standing=standing)
    entry.standing = for_calendars(Standing.objects.filter(pk=standing.pk)).get()
    with timezone.override(NEW_YORK):
        request = invitations.request(entry, doors={}, programme=Programme.current(), at=AT)
    return Calendar.from_ical(request)


def on(standing, day):
    return Booking.objects.filter(standing=standing, run__slot_date=day).latest("pk")


FIRST, SECOND = date(2026, 10, 6), date(2026, 10, 13)
FAR = date(2027, 3, 16)  # no run is made yet
WINTER = date(2026, 11, 3)  # the clocks went back on November 1


def wall(day, hour=8):
    return datetime.combine(day, time(hour), tzinfo=NEW_YORK)


class TestARegularRun:
    @pytest.mark.parametrize(
        "occurrence",
        [wall(WINTER), wall(WINTER).astimezone(UTC), wall(WINTER).astimezone(ZoneInfo("Asia/Tokyo"))],
    )
    def test_a_decline_of_one_date_gives_that_one_back(self, occurrence, regular):
        """RECURRENCE-ID is an instant, in whatever zone it is written; also across the change of clocks."""
        reply = take(
            reply_to(series_invitation(regular), "DECLINED", stamp=AT, occurrence=occurrence), at=AT + HOUR
        )
        assert outcome(reply) == (Outcome.GIVEN_BACK, "")
        live = regular.bookings.live().values_list("run__slot_date", flat=True)
        made = regular.shift.runs.values_list("slot_date", flat=True)
        assert set(made) - set(live) == {WINTER}

    def test_an_accept_of_one_date_confirms_that_one(self, regular):
        raw = reply_to(series_invitation(regular), "ACCEPTED", stamp=AT, occurrence=wall(SECOND))
        assert take(raw, at=AT + HOUR).outcome == Outcome.CONFIRMED
        confirmed = regular.bookings.exclude(confirmed_at=None).values_list("run__slot_date", flat=True)
        assert list(confirmed) == [SECOND]

    def test_a_decline_of_the_whole_is_a_question(self, regular):
        live = regular.bookings.live().count()
        reply = take(reply_to(series_invitation(regular), "DECLINED", stamp=AT), at=AT + HOUR)
        assert outcome(reply) == (Outcome.KEPT, "Declined the whole regular run: ask them.")
        assert regular.bookings.live().count() == live > 0

    def test_a_decline_from_a_date_on_is_a_question(self, regular):
        calendar = answer_to(series_invitation(regular), "DECLINED", stamp=AT, occurrence=wall(SECOND))
        later = calendar.replace(b"RECURRENCE-ID;", b"RECURRENCE-ID;RANGE=THISANDFUTURE;")
        reply = take(mailed(later, sender="ana@example.org"), at=AT + HOUR)
        assert outcome(reply) == (
            Outcome.KEPT, "Declined the whole regular run from Tue, Oct 13, 8:00 a.m. on: ask them.",
        )  # fmt: skip
        assert on(regular, SECOND).is_live

    def test_an_accept_of_the_whole_is_noted_and_confirms_no_run(self, regular):
        reply = take(reply_to(series_invitation(regular), "ACCEPTED", stamp=AT), at=AT + HOUR)
        assert outcome(reply) == (Outcome.CONFIRMED, "")
        assert not Booking.objects.exclude(confirmed_at=None).exists()
        assert CalendarEntry.objects.get(standing=regular).reply == "ACCEPTED"

    def test_two_dates_declined_before_the_calendar_knows_of_the_first(self, regular):
        """Giving one back raises SEQUENCE: the second answer is to the version before, but still holds."""
        invitation = series_invitation(regular)
        for number, day in enumerate((FIRST, SECOND)):
            raw = reply_to(invitation, "DECLINED", stamp=AT + number * MINUTE, occurrence=wall(day))
            assert take(raw, at=AT + HOUR).outcome == Outcome.GIVEN_BACK
        assert CalendarEntry.objects.get(standing=regular).sequence == 2

    def test_two_dates_declined_in_one_second(self, regular):
        invitation = series_invitation(regular)
        for day in (FIRST, SECOND):
            assert take(
                reply_to(invitation, "DECLINED", stamp=AT, occurrence=wall(day)), at=AT + HOUR
            ).outcome == (Outcome.GIVEN_BACK)

    def test_a_no_that_a_newer_answer_overtook_is_a_question(self, regular):
        """The newer one may be to another date."""
        invitation = series_invitation(regular)
        take(reply_to(invitation, "ACCEPTED", stamp=AT + MINUTE, occurrence=wall(SECOND)), at=AT + HOUR)
        reply = take(reply_to(invitation, "DECLINED", stamp=AT, occurrence=wall(FIRST)), at=AT + HOUR)
        assert outcome(reply) == (
            Outcome.KEPT, "A no that came late, after a newer answer: ask whether it still holds.",
        )  # fmt: skip
        assert on(regular, FIRST).is_live
        late = take(reply_to(invitation, "ACCEPTED", stamp=AT, occurrence=wall(FIRST)), at=AT + HOUR)
        assert late.outcome == Outcome.NOTHING

    def moved(self, regular):
        """The second run is an hour later that day; the calendar shows it so."""
        run = on(regular, SECOND).run
        Run.objects.filter(pk=run.pk).update(
            starts_at=run.starts_at + HOUR, ends_at=run.ends_at + HOUR, hand_edited=True
        )
        follow(regular.person, at=AT + MINUTE)

    @pytest.mark.parametrize("hour", [8, 9])
    def test_a_run_that_was_moved_goes_by_its_original_start(self, hour, regular):
        """RFC 5545 3.8.4.4: RECURRENCE-ID stays the original start; some programs name the new one."""
        self.moved(regular)
        raw = reply_to(
            series_invitation(regular), "DECLINED", stamp=AT + 2 * MINUTE, occurrence=wall(SECOND, hour)
        )
        assert take(raw, at=AT + HOUR).outcome == Outcome.GIVEN_BACK
        assert not on(regular, SECOND).is_live

    def test_a_decline_from_before_it_was_moved_is_a_question(self, regular):
        before = series_invitation(regular)
        self.moved(regular)
        reply = take(reply_to(before, "DECLINED", stamp=AT, occurrence=wall(SECOND)), at=AT + HOUR)
        assert reply.outcome == Outcome.KEPT
        assert on(regular, SECOND).is_live

    def test_a_date_that_is_not_theirs_any_more(self, regular):
        give_back(on(regular, SECOND), by=None, at=AT + MINUTE)
        invitation = series_invitation(regular)
        no = take(reply_to(invitation, "DECLINED", stamp=AT, occurrence=wall(SECOND)), at=AT + HOUR)
        assert outcome(no) == (
            Outcome.NOTHING, "Declined Tue, Oct 13, 8:00 a.m., where they are not on the run.",
        )  # fmt: skip
        yes = take(reply_to(invitation, "ACCEPTED", stamp=AT, occurrence=wall(SECOND)), at=AT + HOUR)
        assert outcome(yes) == (
            Outcome.KEPT, "Accepted Tue, Oct 13, 8:00 a.m., but they are not on that run.",
        )  # fmt: skip

    def test_a_date_for_which_no_run_is_made_yet(self, regular):
        """Calendars show a regular run without an end; runs are made some weeks ahead."""
        invitation, far = series_invitation(regular), wall(FAR)
        yes = take(reply_to(invitation, "ACCEPTED", stamp=AT, occurrence=far), at=AT + HOUR)
        assert yes.outcome == Outcome.NOTHING
        no = take(reply_to(invitation, "DECLINED", stamp=AT + MINUTE, occurrence=far), at=AT + HOUR)
        assert outcome(no) == (
            Outcome.GIVEN_BACK, "Left out Tue, Mar 16, 8:00 a.m., for which no run is made yet.",
        )  # fmt: skip
        skip = regular.skips.get()
        assert (skip.first, skip.last, skip.by, skip.reason) == (FAR, FAR, None, "Declined in the calendar.")
        make_runs_ahead(at=AT, until=FAR + 7 * DAY)
        seat_regulars(at=AT)
        assert not Booking.objects.live().filter(run__slot_date=FAR).exists()
        assert Booking.objects.live().filter(run__slot_date=FAR + 7 * DAY).exists()

    def test_such_a_date_is_left_out_once(self, regular):
        invitation, far = series_invitation(regular), wall(FAR)
        for number, expected in enumerate((Outcome.GIVEN_BACK, Outcome.NOTHING)):
            raw = reply_to(invitation, "DECLINED", stamp=AT + number * MINUTE, occurrence=far)
            assert take(raw, at=AT + HOUR).outcome == expected
        assert regular.skips.count() == 1

    @pytest.mark.parametrize(
        "occurrence", [wall(FAR, 7), wall(FAR + DAY), wall(date(2020, 3, 17)), wall(FAR + 80 * 7 * DAY)]
    )
    def test_a_moment_that_is_none_of_its_dates_is_a_question(self, occurrence, regular):
        """Another hour, another weekday, before it began, after it ends."""
        Standing.objects.filter(pk=regular.pk).update(until_day=FAR + 7 * DAY)
        raw = reply_to(series_invitation(regular), "DECLINED", stamp=AT, occurrence=occurrence)
        assert take(raw, at=AT + HOUR).outcome == Outcome.KEPT
        assert not regular.skips.exists()

    def test_an_hour_at_which_nothing_is(self, regular):
        live = regular.bookings.live().count()
        raw = reply_to(series_invitation(regular), "DECLINED", stamp=AT, occurrence=wall(SECOND, 7))
        assert take(raw, at=AT + HOUR).outcome == Outcome.KEPT
        assert regular.bookings.live().count() == live

    def test_a_single_booking_of_the_same_run_is_not_meant(self, regular, ana):
        """The date was given back and booked anew on its own: that is another entry."""
        booking = on(regular, SECOND)
        give_back(booking, by=None, at=AT)
        single = Booking.objects.create(run=booking.run, person=ana, seat="driver", booked_at=AT)
        raw = reply_to(series_invitation(regular), "DECLINED", stamp=AT, occurrence=wall(SECOND))
        assert take(raw, at=AT + HOUR).outcome == Outcome.NOTHING
        assert is_on(single)


class TestOneDateOfASingleBooking:
    def test_its_own_start_is_the_run(self, booking, invitation):
        raw = reply_to(invitation, "DECLINED", stamp=AT, occurrence=START)
        assert take(raw, at=AT + HOUR).outcome == Outcome.GIVEN_BACK

    def test_another_time_is_a_question(self, booking, invitation):
        raw = reply_to(invitation, "DECLINED", stamp=AT, occurrence=START + 7 * DAY)
        assert outcome(take(raw, at=AT + HOUR)) == (
            Outcome.KEPT, "Declined Tue, Oct 13, 8:00 a.m., which is not when their run is: ask them.",
        )  # fmt: skip
        assert is_on(booking)


# --- other mail


def test_a_message_of_a_person_is_kept_with_its_first_lines(ana):
    raw = b"From: ana@example.org\nSubject: =?utf-8?q?Ma=C3=B1ana=00?=\n\nI am late.\n> You drive\n"
    reply = take(raw, at=AT)
    assert (reply.outcome, reply.person, reply.subject, reply.text, reply.received_at) == (
        Outcome.KEPT, ana, "Mañana", "I am late.", AT,
    )  # fmt: skip
    assert list(Reply.objects.open()) == [reply]


def test_an_answering_machine_is_not_put_before_anybody(ana):
    raw = b"From: ana@example.org\nAuto-Submitted: auto-replied\nSubject: Away\n\nBack on Monday.\n"
    assert take(raw, at=AT).outcome == Outcome.NOTHING
    assert not Reply.objects.open().exists()


def test_a_mail_that_did_not_arrive_names_its_person(ana):
    raw = (
        b"From: mailer-daemon@example.net\nContent-Type: multipart/report; report-type=delivery-status; "
        b"boundary=x\n\n--x\nContent-Type: message/delivery-status\n\nReporting-MTA: dns; mx\n\n"
        b"Final-Recipient: rfc822;ana@example.org\nAction: failed\n\n--x--\n"
    )
    reply = take(raw, at=AT)
    assert (reply.outcome, reply.person) == (Outcome.KEPT, ana)
    assert "did not reach ana@example.org" in reply.reason


def test_an_address_that_a_household_shares_names_nobody(ana):
    PersonFactory(email="ana@example.org")
    assert take(b"From: ana@example.org\n\nLate.\n", at=AT).person is None


def test_a_message_too_large_is_kept_by_its_headers(ana):
    reply = replies.take_too_large(b"From: ana@example.org\nSubject: Photos\n\n", 4_000_000, at=AT)
    assert (reply.person, reply.subject) == (ana, "Photos")
    assert outcome(reply) == (Outcome.KEPT, "It is too large to be read here: 4,000 kB, at most 1,000.")


@pytest.mark.parametrize("raw", [b"", b"\0", b"\xff\xfe" * 50, b"From: \xff@\0\nSubject: \xff\0\n\n\xff\0"])
def test_bytes_that_say_nothing_are_kept(raw):
    reply = take(raw, at=AT)
    reply.refresh_from_db()
    assert reply.outcome == Outcome.KEPT
    assert reply.reason


def test_settled_and_open_again(ana):
    desk = coordinator()
    reply = take(b"From: ana@example.org\n\nLate.\n", at=AT)
    assert replies.reopen(reply, by=desk.user) is False
    assert replies.settle(reply, by=desk.user, at=AT) is True
    assert replies.settle(reply, by=desk.user, at=AT) is False
    reply.refresh_from_db()
    assert (reply.settled_at, reply.settled_by) == (AT, desk.user)
    assert not Reply.objects.open().exists()
    assert replies.reopen(reply, by=desk.user, at=AT) is True
    reply.refresh_from_db()
    assert (reply.settled_at, reply.settled_by) == (None, None)
    assert [event.verb for event in Event.objects.about(reply)] == ["reply open again", "reply settled"]


def test_a_decline_that_was_done_cannot_be_settled(booking, invitation):
    reply = take(reply_to(invitation, "DECLINED", stamp=AT), at=AT)
    assert replies.settle(reply, by=None) is False


def test_what_a_database_takes_has_its_length():
    raw = b"From: " + b"a" * 200 + b"@example.org\nSubject: " + b"s" * 900 + b"\nMessage-ID: <" + b"m" * 900
    reply = take(raw + b">\n\n" + b"x" * 5_000, at=AT)
    lengths = {
        field.name: field.max_length for field in Reply._meta.get_fields() if getattr(field, "max_length", 0)
    }
    for name in ("address", "subject", "message_id", "reason"):
        assert len(getattr(reply, name)) <= lengths[name]

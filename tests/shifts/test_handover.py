"""Handing a run to somebody: asked, accepted, declined, asked no longer; each allowed and refused."""

from datetime import time, timedelta

import pytest
import time_machine

from shifts.models import Booking, HandOver, Policy, Run, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats import handover
from shifts.seats import standing as regular
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run
from shifts.seats.refusals import AlreadyOn, Cancelled, Closed, Elsewhere, Kept, Left, NotReady, Over
from sites.changes import close_site
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
from tests.shifts.pages.at_the_desk import DAY, NOW, TODAY
from volunteers.models import Message
from volunteers.people import leave
from volunteers.progress import withdraw as take_step_back

pytestmark = pytest.mark.django_db
DRIVER, SECOND = Booking.Seat.DRIVER, Booking.Seat.SECOND


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ana():
    return ready_person(name="Ana Bell", email="ana@example.org")


@pytest.fixture
def ben():
    return ready_person(name="Ben Okoro", email="ben@example.org")


@pytest.fixture
def run():
    return make_run(title="Morning run")


@pytest.fixture
def booking(ana, run):
    booking = seat(run=run, person=ana, seat=DRIVER, by=None)
    Message.objects.all().delete()
    return booking


@pytest.fixture
def asked(booking, ben):
    return handover.ask(booking, ben, by=None)


def mails():
    """Who is told what kind of thing, and how the subject begins."""
    return [
        (row.person.first_name, row.kind) for row in Message.objects.order_by("pk").select_related("person")
    ]


def unchanged(asked):
    asked.refresh_from_db()
    live = asked.booking.run.bookings.live().drivers().get()
    return (asked.answer, live.pk) == ("", asked.booking_id)


def accept(asked, **more):
    return handover.accept(asked, **({"starts_at": asked.booking.run.starts_at, "by": None} | more))


class TestAsking:
    def test_one_mail_with_the_private_link_and_nothing_else_changes(self, asked, ana, ben, run):
        assert mails() == [("Ben", "hand-over")]
        mail = Message.objects.get()
        assert mail.subject == "Ana B. asks: can you drive Morning run, Fri, Jun 5, 10:00 a.m.?"
        assert f"/handover/{handover.token_of(asked)}/" in mail.text
        assert ana.phone.as_e164 not in mail.text
        assert run.bookings.live().get().person == ana
        assert Event.objects.about(run).filter(verb="hand-over asked", person_id=ben.pk).exists()

    def test_somebody_without_mail_is_on_the_list_to_tell_by_phone(self, booking):
        cal = ready_person(name="Cal Fox", by_phone=True)
        handover.ask(booking, cal, by=None)
        row = Message.objects.to_tell().get()
        assert (row.person, row.subject.split(":")[0]) == (cal, "Ana B. asks")

    def test_one_person_at_a_time(self, asked, booking):
        with pytest.raises(handover.AskedAlready, match=r"Ben O\. is asked already"):
            handover.ask(booking, ready_person(), by=None)
        assert HandOver.objects.get() == asked

    def test_after_a_no_somebody_else_can_be_asked_or_the_same_again(self, asked, booking, ben):
        handover.decline(asked, by=None)
        second = handover.ask(booking, ready_person(), by=None)
        handover.withdraw(second, by=None)
        assert handover.ask(booking, ben, by=None).pk not in (asked.pk, second.pk)

    @pytest.mark.parametrize("how", ["second seat", "given back", "started"])
    def test_only_the_driver_of_a_run_ahead_asks(self, how, booking, ben, run):
        at = NOW
        if how == "second seat":
            booking = seat(run=run, person=ready_person(), seat=SECOND, by=None)
        elif how == "given back":
            give_back(booking, by=None)
        else:
            at = run.starts_at
        with pytest.raises(handover.NotToHandOn):
            handover.ask(booking, ben, by=None, at=at)
        assert not HandOver.objects.exists()

    def test_nobody_who_could_not_take_it(self, booking, run, ana):
        elsewhere = ready_person()
        seat(run=make_run(starts_at=run.starts_at), person=elsewhere, seat=DRIVER, by=None)
        beside = ready_person()
        seat(run=run, person=beside, seat=SECOND, by=None)
        left = ready_person()
        leave(left, on=TODAY, by=None)
        for person, refusal in [
            (PersonFactory(), NotReady), (elsewhere, Elsewhere), (beside, AlreadyOn), (left, Left),
            (ana, AlreadyOn),
        ]:  # fmt: skip
            with pytest.raises(refusal):
                handover.ask(booking, person, by=None)
        assert not HandOver.objects.exists()
        assert booking.run.bookings.live().drivers().get() == booking, "asking is no giving back"
        assert not Message.objects.filter(kind="no lead").exists()

    def test_whoever_is_to_be_told_by_phone_is_asked_no_longer(self, booking):
        cal = ready_person(name="Cal Fox", by_phone=True)
        handover.withdraw(handover.ask(booking, cal, by=None), by=None)
        assert not Message.objects.to_tell().exists()


class TestAccepting:
    def test_the_seat_changes_hands_at_once_and_each_is_told_once(self, asked, booking, ana, ben, run):
        coordinator()
        Message.objects.all().delete()
        accept(asked)
        booking.refresh_from_db()
        assert (booking.end, run.bookings.live().get().person) == ("handed on", ben)
        assert sorted(mails()) == [("Ana", "news"), ("Ben", "booked"), ("Cora", "hand-over")]
        assert "Ben O. drives Morning run, Fri, Jun 5 at 10:00 a.m.; you are off that run." in said_to(ana)
        assert Message.objects.get(person__name="Cora Desk").subject == (
            "Ana Bell handed Morning run to Ben Okoro"
        )

    def test_calendars_follow_one_cancelled_one_new(self, asked, ana, ben):
        accept(asked)
        to_ana, to_ben = (Message.objects.filter(person=one).latest("pk") for one in (ana, ben))
        assert b'method="CANCEL"' in bytes(to_ana.raw)
        assert b'method="REQUEST"' in bytes(to_ben.raw)

    def test_a_coordinator_who_is_one_of_the_two_is_not_told_twice(self, booking):
        desk = coordinator()
        desk.drives = True
        desk.save()
        asked = handover.ask(booking, make_ready(desk), by=None)
        Message.objects.all().delete()
        accept(asked)
        assert [kind for name, kind in mails() if name == "Cora"] == ["booked"]

    def test_a_second_tap_changes_nothing(self, asked):
        accept(asked)
        before = (Booking.objects.count(), Message.objects.count(), Event.objects.count())
        accept(asked)
        assert (Booking.objects.count(), Message.objects.count(), Event.objects.count()) == before

    def test_the_gate_holds_and_nothing_has_changed(self, asked, ben):
        take_step_back(ben.completions.get(step__code="license"), reason="Lost.", by=None)
        before = Message.objects.count()
        with pytest.raises(NotReady):
            accept(asked)
        assert unchanged(asked)
        assert Message.objects.count() == before

    def test_somewhere_else_by_now(self, asked, ben, run):
        seat(run=make_run(starts_at=run.starts_at), person=ben, seat=DRIVER, by=None)
        with pytest.raises(Elsewhere):
            accept(asked)
        assert unchanged(asked)

    def test_a_closed_site_keeps_it_where_it_is(self, asked, run):
        close_site(run.ordered_stops[0].site, first=run.local_date, last=run.local_date, by=None)
        with pytest.raises(Closed):
            accept(asked)
        assert unchanged(asked)

    def test_a_moved_run_is_asked_again(self, asked, run):
        shown = run.starts_at
        Run.objects.filter(pk=run.pk).update(starts_at=shown + timedelta(minutes=30))
        with pytest.raises(handover.Moved):
            accept(asked, starts_at=shown)
        assert unchanged(asked)
        accept(asked, starts_at=shown + timedelta(minutes=30))
        assert run.bookings.live().get().person == asked.to

    def test_given_back_meanwhile(self, asked, booking, run):
        give_back(booking, by=None)
        with pytest.raises(handover.NoLonger, match="Ana does not need an answer"):
            accept(asked)
        assert not run.bookings.live().exists()

    def test_not_after_the_start_of_the_run(self, asked, run):
        with pytest.raises(Over):
            accept(asked, at=run.starts_at)
        assert unchanged(asked)

    def test_not_of_a_cancelled_run(self, asked, run):
        cancel_run(run, reason="Snow.", by=None)
        with pytest.raises(Cancelled):
            accept(asked)

    def test_whoever_rides_along_hears_who_drives_and_no_false_alarm(self, ana, ben, run):
        lead, rider = lead_driver(name="Lee Lead"), PersonFactory(name="Tom Wren", email="tom@example.org")
        booking = seat(run=run, person=lead, seat=DRIVER, by=None)
        seat(run=run, person=rider, seat=SECOND, by=None)
        asked = handover.ask(booking, ben, by=None)
        Message.objects.all().delete()
        accept(asked)
        told = said_to(rider)
        assert "Ben O. drives Morning run, Fri, Jun 5 at 10:00 a.m., in place of Lee L." in told
        assert "A shadow ride counts with a lead driver only" in told
        assert [kind for name, kind in mails() if name == "Tom"] == ["news"]


class TestDecliningAndWithdrawing:
    def test_a_no_is_told_to_the_driver_alone(self, asked, ana):
        Message.objects.all().delete()
        handover.decline(asked, by=None)
        assert mails() == [("Ana", "hand-over")]
        assert "stays yours. You can ask somebody else" in said_to(ana)

    def test_a_second_no_is_no_second_mail(self, asked):
        handover.decline(asked, by=None)
        before = Message.objects.count()
        handover.decline(asked, by=None)
        assert Message.objects.count() == before

    def test_no_yes_after_a_no_and_no_no_after_a_yes(self, asked, booking, ben, run):
        handover.decline(asked, by=None)
        with pytest.raises(handover.Answered, match="declined already"):
            accept(asked)
        again = handover.ask(booking, ben, by=None)
        accept(again)
        with pytest.raises(handover.Answered, match="accepted already"):
            handover.decline(again, by=None)
        assert run.bookings.live().get().person == ben

    def test_a_question_that_was_not_sent_yet_is_simply_not_sent(self, asked):
        handover.withdraw(asked, by=None)
        assert [row.state for row in Message.objects.all()] == [Message.State.REPLACED]

    def test_one_that_was_sent_is_followed_by_a_word(self, asked, ben):
        Message.objects.update(state=Message.State.SENT)
        handover.withdraw(asked, by=None)
        assert "You need not take Morning run" in said_to(ben)

    def test_the_old_link_is_of_no_use_then(self, asked, booking, ben):
        handover.withdraw(asked, by=None)
        with pytest.raises(handover.NoLonger):
            accept(asked)
        second = handover.ask(booking, ben, by=None)
        with pytest.raises(handover.NoLonger):
            handover.decline(asked, by=None)
        assert unchanged(second)

    def test_asking_no_longer_is_without_effect_once_answered(self, asked, ben, run):
        accept(asked)
        assert handover.withdraw(asked, by=None).answer == "accepted"
        assert run.bookings.live().get().person == ben


class TestLinks:
    def test_a_token_finds_its_row_and_no_other(self, asked, booking):
        token = handover.token_of(asked)
        assert handover.found_by(token) == asked
        handover.decline(asked, by=None)
        other = handover.ask(booking, ready_person(), by=None)
        number, _, signature = token.partition("-")
        assert handover.found_by(f"{other.pk}-{signature}") is None
        assert [handover.found_by(text) for text in ("", "x", number, f"{number}-", "9" * 30 + "-a")] == [
            None
        ] * 5

    def test_a_new_nonce_revokes_it(self, asked):
        token = handover.token_of(asked)
        HandOver.objects.update(nonce="another")
        assert handover.found_by(token) is None

    def test_not_for_people_who_left(self, asked, ben):
        leave(ben, on=TODAY, by=None)
        assert handover.found_by(handover.token_of(asked)) is None


class TestRegularRuns:
    @pytest.fixture
    def weekly(self):
        sites = [SiteFactory(), DropOffFactory()]
        return add_shift(
            name="Friday run", from_day=TODAY, by=None,
            plan=Plan(
                rule="FREQ=WEEKLY;BYDAY=FR", starts=time(8), minutes=60,
                stops=tuple((site.pk, 30 * n) for n, site in enumerate(sites)),
            ),
        )  # fmt: skip

    def begin(self, shift, person, **more):
        first = shift.runs.ahead(NOW).first()
        return regular.begin(
            regular.Wish(shift, person, first.slot_date, **more), by=None, on_behalf=bool(more)
        )

    def test_only_that_date_leaves_a_regular_run_for_good(self, weekly, ana, ben):
        standing = self.begin(weekly, ana)
        first, second = weekly.runs.ahead(NOW)[:2]
        accept(handover.ask(first.bookings.live().get(), ben, by=None))
        assert first.bookings.live().get().person == ben
        assert second.bookings.live().get().person == ana
        give_back(first.bookings.live().get(), by=None)
        regular.seat_regulars()
        assert not first.bookings.live().exists(), "nobody is put back unasked"
        assert standing.skips.standing().get().first == first.slot_date

    def test_handed_back_to_its_regular_it_is_theirs_as_before(self, weekly, ana, ben):
        standing = self.begin(weekly, ana)
        run = weekly.runs.ahead(NOW).first()
        accept(handover.ask(run.bookings.live().get(), ben, by=None))
        accept(handover.ask(run.bookings.live().get(), ana, by=None))
        assert run.bookings.live().get().standing == standing
        assert not standing.skips.standing().exists()

    def test_a_crew_s_run_goes_to_the_crew_as_long_as_it_is_kept(self, weekly, ana, ben):
        Policy.objects.update(keep_days=1)
        captain = ready_person()
        crew = self.begin(weekly, captain, crew="Choir")
        crew.members.set([ana])
        run = weekly.runs.ahead(NOW).first()
        booking = regular.name_driver(crew, run, ana, by=None)
        with pytest.raises(Kept):
            handover.ask(booking, ben, by=None)
        accept(handover.ask(booking, captain, by=None))
        assert run.bookings.live().get().person == captain
        assert Standing.objects.get().crew == "Choir"


def said_to(person):
    return " ".join(Message.objects.filter(person=person).latest("pk").text.split())


def test_the_earliest_that_can_still_be_answered_comes_first(ana, ben):
    runs = [make_run(starts_at=NOW + n * DAY) for n in (5, 3, 4)]
    rows = [handover.ask(seat(run=run, person=ana, seat=DRIVER, by=None), ben, by=None) for run in runs]
    give_back(rows[2].booking, by=None)
    assert handover.asked_of(ben, NOW) == [rows[1], rows[0]]
    assert handover.asked_of(ben, NOW + 4 * DAY) == [rows[0]]

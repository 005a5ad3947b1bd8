"""The sign-off of a shadow ride that took place: by its lead driver, once, from its start on."""

from datetime import UTC, datetime, timedelta

import pytest

from shifts.cover.weaknesses import attention, weaknesses
from shifts.models import Booking
from shifts.seats.booking import give_back
from shifts.seats.changes import cancel_run
from shifts.seats.rides import ride_of, sign_off_ride, sign_off_told, take_back, would_lose
from sites.models import Event
from tests.factories import (
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_ready,
    make_run,
    put,
    ready_person,
)
from tests.shifts.pages.at_the_desk import all_rows
from volunteers import clearance
from volunteers.models import Message, SignOff, Step, StepTerm
from volunteers.people import end_lead
from volunteers.progress import NotPossible, withdraw

START = datetime(2027, 5, 11, 12, tzinfo=UTC)
AFTER = START + timedelta(hours=2)
MINUTE = timedelta(minutes=1)
pytestmark = pytest.mark.django_db


@pytest.fixture
def lee():
    return lead_driver(name="Lee Drives")


@pytest.fixture
def tom():
    return make_ready(PersonFactory(name="Tom New"), without=("ride",))


@pytest.fixture
def ride(lee, tom):
    run = make_run(starts_at=START)
    put(lee, run)
    put(tom, run, "second")
    return run


def sign(run, lead, outcome="ready", at=AFTER, **how):
    return sign_off_ride(run=run, lead=lead, outcome=outcome, by=lead.user, at=at, **how)


def is_ready(person, run):
    return not clearance.missing(person, on=run.local_date, sites=run.site_ids)


def test_ready_means_ready_from_that_day(ride, lee, tom):
    assert not is_ready(tom, ride)
    signed = sign(ride, lee, remarks="Calm at the dock.", private_remarks="Shy.")
    assert (signed.trainee, signed.lead, signed.ridden_on) == (tom, lee, ride.local_date)
    assert (signed.remarks, signed.private_remarks, signed.at) == ("Calm at the dock.", "Shy.", AFTER)
    assert is_ready(tom, ride)
    assert ride.bookings.get(person=tom).sign_off == signed


def test_again_means_another_ride(ride, lee, tom):
    sign(ride, lee, outcome=SignOff.Outcome.AGAIN)
    assert not is_ready(tom, ride)


def test_from_the_start_on(ride, lee):
    with pytest.raises(NotPossible, match="still to come"):
        sign(ride, lee, at=START - MINUTE)
    assert sign(ride, lee, at=START)


@pytest.mark.parametrize("outcome", ["ready", "again"])
def test_once(ride, lee, outcome):
    sign(ride, lee, outcome=outcome)
    with pytest.raises(NotPossible, match="already"):
        sign(ride, lee)
    assert SignOff.objects.count() == 1


def test_once_more_after_it_was_taken_back(ride, lee, tom):
    """Pressed by mistake: the coordinator takes it back, and the lead says what was meant."""
    first = sign(ride, lee)
    withdraw(first.completion, reason="Pressed by mistake.", by=None, at=AFTER)
    assert not is_ready(tom, ride)
    second = sign(ride, lee, outcome=SignOff.Outcome.AGAIN)
    assert ride.bookings.get(person=tom).sign_off == second
    assert SignOff.objects.count() == 2, "the first stays readable"


def test_only_by_the_lead_driver_of_that_run(ride):
    with pytest.raises(NotPossible, match="no shadow ride with this lead driver"):
        sign(ride, lead_driver())


def test_not_by_whoever_is_lead_no_more(ride, lee):
    end_lead(lee, by=None)
    assert ride_of(ride) is None
    with pytest.raises(NotPossible):
        sign(ride, lee)


@pytest.mark.parametrize("who", ["lead", "trainee"])
def test_not_when_one_of_them_gave_back(ride, lee, tom, who):
    give_back(ride.bookings.get(person=lee if who == "lead" else tom), by=None, at=START - MINUTE)
    with pytest.raises(NotPossible, match="no shadow ride"):
        sign(ride, lee)


def test_not_when_it_was_cancelled(ride, lee):
    cancel_run(ride, reason="Snow.", by=None, at=START - MINUTE)
    with pytest.raises(NotPossible, match="no shadow ride"):
        sign(ride, lee)


def test_a_run_without_a_lead_driver_is_no_ride(tom):
    run = make_run(starts_at=START)
    put(ready_person(), run)
    put(tom, run, "second")
    assert ride_of(run) is None


class TestAsTold:
    def told(self, trainee, lead, run, by):
        return sign_off_told(
            trainee=trainee, lead=lead, ridden_on=run.local_date, told="Lee rang.", by=by, at=AFTER
        )

    def test_it_is_the_sign_off_of_that_days_ride(self, ride, lee, tom):
        cora = coordinator()
        signed = self.told(tom, lee, ride, cora.user)
        assert ride.bookings.get(person=tom).sign_off == signed
        assert (signed.completion.how, signed.completion.reason) == ("told", "Lee rang.")
        assert signed.completion.recorded_by == cora.user
        assert is_ready(tom, ride)

    def test_a_ride_in_no_run_can_be_told_too(self, lee, tom):
        run = make_run(starts_at=START)
        assert self.told(tom, lee, run, None).completion.valid_from == run.local_date

    def test_another_leads_ride_of_that_day_is_left_alone(self, ride, lee, tom):
        self.told(tom, lead_driver(), ride, None)
        assert ride.bookings.get(person=tom).sign_off is None


def test_what_was_ticked_is_kept_in_its_words(ride, lee):
    signed = sign(ride, lee, checklist=["Straps crates", "Knows the doors"])
    signed.refresh_from_db()
    assert signed.checklist == ["Straps crates", "Knows the doors"]
    assert (signed.told, signed.by) == ("", lee.user)


def test_not_by_a_lead_driver_of_later_days(ride, lee):
    """Who was a lead driver on that date counts, not who is one now."""
    lee.lead_since = ride.local_date + timedelta(days=1)
    lee.save()
    assert ride_of(ride) is None
    with pytest.raises(NotPossible, match="no shadow ride"):
        sign(ride, lee)
    lee.lead_since = ride.local_date
    lee.save()
    assert sign(ride, lee)


def test_not_by_oneself_though_the_household_shares_a_sign_in(ride, lee, tom):
    home = PersonFactory(sign_in=True).user
    for person in (lee, tom):
        person.user = home
        person.save()
    with pytest.raises(NotPossible, match="Nobody signs off their own ride"):
        sign(ride, lee)
    assert not SignOff.objects.exists()


def test_not_by_the_coordinator_for_themselves(ride, lee, tom):
    tom.user = coordinator().user
    tom.save()
    with pytest.raises(NotPossible, match="Nobody signs off their own ride"):
        sign_off_told(
            trainee=tom, lead=lee, ridden_on=ride.local_date, told="Lee rang.", by=tom.user, at=AFTER
        )


def test_whoever_comes_second_reads_who_was_first(ride, lee):
    sign(ride, lee, outcome="again")
    with pytest.raises(NotPossible, match="signed off already by Lee Drives: ride once more"):
        sign(ride, lee)


def test_and_that_it_was_told(ride, lee, tom):
    sign(ride, lee, told_reason="Lee rang.")
    with pytest.raises(NotPossible, match="by the coordinator, as Lee Drives told it"):
        sign(ride, lee)


class TestTold:
    def mail(self, person):
        return Message.objects.get(person=person, kind="signed off")

    def test_ready_is_told_with_the_lead_driver_s_words_but_not_the_private_ones(self, ride, lee, tom):
        sign(ride, lee, remarks="Calm at the dock.\nWell done.", private_remarks="Drives close.")
        mail = self.mail(tom)
        assert mail.subject == "You are ready to drive alone"
        assert "Lee about your ride on Tue, May 11: ready to drive alone." in mail.text
        assert "Lee writes: Calm at the dock. Well done." in mail.text
        assert "Drives close" not in mail.text
        assert mail.text.count("/orientation/") == 1

    def test_what_is_missing_still_is_named(self, ride, lee, tom):
        tom.completions.filter(step__code="kit").delete()
        sign(ride, lee)
        assert self.mail(tom).subject == "Your shadow ride counts"
        assert "Still missing: Starter kit" in self.mail(tom).text

    def test_nobody_under_18_is_told_that_they_drive(self, ride, lee, tom):
        type(tom).objects.filter(pk=tom.pk).update(is_adult=False, drives=False)
        sign(ride, lee)
        assert self.mail(tom).subject == "Your shadow ride counts"

    def test_once_more_is_told_kindly(self, ride, lee, tom):
        sign(ride, lee, outcome="again")
        assert self.mail(tom).subject == "One more ride before you drive alone"
        assert "Many ride along more than once." in self.mail(tom).text

    def test_as_told_by_phone_as_well(self, lee, tom):
        sign_off_told(trainee=tom, lead=lee, ridden_on=START.date(), told="Lee rang.", by=None, at=AFTER)
        assert self.mail(tom).subject == "You are ready to drive alone"

    def test_whoever_has_no_mail_is_on_the_list_to_tell(self, ride, lee, tom):
        type(tom).objects.filter(pk=tom.pk).update(email="", reach="call")
        sign(ride, lee)
        assert self.mail(tom).state == Message.State.TELL

    def test_whoever_left_is_not_written_to(self, ride, lee, tom):
        type(tom).objects.filter(pk=tom.pk).update(left_on=START.date())
        sign(ride, lee)
        assert not Message.objects.exists()

    def test_coordinators_hear_that_a_word_for_them_is_there_and_read_it_on_the_page(self, ride, lee, tom):
        cora = coordinator()
        sign(ride, lee, private_remarks="Drives close.")
        assert self.mail(cora).subject == "A word for you alone, on the ride of Tom New"
        assert "Drives close" not in self.mail(cora).text
        assert f"/desk/people/{tom.pk}/#rides" in self.mail(cora).text

    def test_and_nothing_where_there_is_none(self, ride, lee):
        cora = coordinator()
        sign(ride, lee, remarks="Calm.")
        assert not Message.objects.filter(person=cora).exists()

    def test_nor_whoever_wrote_it_down_themselves(self, ride, lee):
        cora = coordinator()
        sign_off_ride(
            run=ride,
            lead=lee,
            outcome="ready",
            by=cora.user,
            told_reason="Rang.",
            private_remarks="X",
            at=AFTER,
        )
        assert not Message.objects.filter(person=cora).exists()

    def test_what_has_not_gone_out_does_not_when_it_is_taken_back(self, ride, lee, tom):
        take_back(sign(ride, lee), reason="By mistake.", by=None, at=AFTER)
        assert self.mail(tom).state == Message.State.REPLACED


class TestTakenBack:
    @pytest.fixture
    def cora(self):
        return coordinator()

    @pytest.fixture
    def signed(self, ride, lee):
        return sign(ride, lee)

    @pytest.fixture
    def driven(self, tom):
        """A run that Tom drives since."""
        return put(tom, make_run(title="Friday run", starts_at=START + timedelta(days=3)))

    def back(self, signed, by=None, **how):
        return take_back(signed, **{"reason": "Pressed by mistake.", "by": by, "at": AFTER} | how)

    def test_it_counts_no_longer_and_stays_readable(self, ride, signed, tom, cora):
        assert self.back(signed, by=cora.user) == []
        signed.refresh_from_db()
        assert signed.is_taken_back
        assert (signed.withdrawn_at, signed.withdrawn_by) == (AFTER, cora.user)
        assert signed.withdrawn_reason == "Pressed by mistake."
        assert not is_ready(tom, ride)
        event = Event.objects.get(verb="sign-off taken back")
        assert (event.by, event.at, event.person_id) == (cora.user, AFTER, tom.pk)
        assert event.after["reason"] == "Pressed by mistake."

    def test_ride_once_more_can_be_taken_back_too(self, ride, lee, cora):
        signed = sign(ride, lee, outcome="again")
        self.back(signed, by=cora.user)
        signed.refresh_from_db()
        assert signed.is_taken_back
        assert sign(ride, lee).outcome == "ready"

    def test_then_the_ride_can_be_signed_off_again(self, ride, lee, tom, signed):
        assert not Booking.objects.filter(person=tom).unsigned().exists()
        self.back(signed)
        assert Booking.objects.filter(person=tom).unsigned().exists()
        again = sign(ride, lee, outcome="again")
        assert ride.bookings.get(person=tom).sign_off == again

    def test_as_told_again_as_well(self, ride, lee, tom, signed, cora):
        self.back(signed)
        told = sign_off_told(
            trainee=tom, lead=lee, ridden_on=ride.local_date, told="Lee rang.", by=cora.user, at=AFTER
        )
        assert ride.bookings.get(person=tom).sign_off == told

    @pytest.mark.parametrize("reason", ["", "  "])
    def test_not_without_a_reason(self, signed, reason):
        with pytest.raises(NotPossible, match="Say why"):
            self.back(signed, reason=reason)
        signed.refresh_from_db()
        assert not signed.is_taken_back

    def test_not_twice(self, signed):
        self.back(signed)
        with pytest.raises(NotPossible, match="already"):
            self.back(signed)
        assert Event.objects.filter(verb="sign-off taken back").count() == 1
        assert Message.objects.filter(kind="sign-off back").count() == 1

    def test_a_look_names_what_depends_on_it_and_changes_nothing(self, signed, driven):
        before = all_rows()
        assert would_lose(signed, at=AFTER) == [driven]
        assert all_rows() == before

    def test_who_depended_on_it_keeps_the_seat_and_is_flagged(self, signed, driven):
        assert not attention(weaknesses(at=AFTER))
        assert self.back(signed) == [driven]
        assert driven.run.bookings.live().filter(person=driven.person).exists()
        [weak] = attention(weaknesses(at=AFTER))
        assert (weak.run, "not ready to drive alone" in weak.why) == (driven.run, True)

    def test_what_was_wrong_before_is_not_named(self, signed, driven, tom):
        tom.completions.filter(step__code="kit").delete()
        assert self.back(signed) == []

    def test_a_site_s_own_ride_goes_with_it(self, lee, tom):
        dock = SiteFactory()
        step = Step.objects.create(kind=Step.Kind.RIDE, site=dock, title="Ride to the dock")
        StepTerm.objects.create(step=step, applies_from="2020-01-01")
        run = make_run(starts_at=START, sites=[dock, SiteFactory(gives=False, takes=True)])
        put(lee, run)
        put(tom, run, "second")
        signed = sign(run, lee)
        assert is_ready(tom, run)
        self.back(signed)
        missing = {term.step.kind for term in clearance.missing(tom, on=run.local_date, sites=run.site_ids)}
        assert missing == {"ride"}
        assert not tom.completions.standing().filter(step__kind="ride").exists()

    def test_the_trainee_is_told_in_kind_words_and_without_the_reason(self, signed, driven, tom):
        self.back(signed, reason="He scraped the dock.")
        mail = Message.objects.get(person=tom, kind="sign-off back")
        assert mail.subject == "One more ride before you drive alone"
        assert "This is no reproach" in mail.text
        assert "Friday run" in mail.text
        assert "scraped" not in mail.text

    def test_of_ride_once_more_nothing_is_asked_of_them(self, ride, lee, tom):
        self.back(sign(ride, lee, outcome="again"))
        mail = Message.objects.get(person=tom, kind="sign-off back")
        assert "there is nothing you need to do" in mail.text

    def test_without_mail_it_is_on_the_list_to_tell(self, signed, tom):
        tom.email, tom.reach = "", "call"
        tom.save()
        self.back(signed)
        assert Message.objects.get(person=tom, kind="sign-off back").state == Message.State.TELL

    def test_somebody_who_left_is_not_written_to(self, signed, tom):
        tom.left_on = START.date()
        tom.save()
        self.back(signed)
        assert not Message.objects.filter(kind="sign-off back").exists()

    def test_other_coordinators_are_told_where_a_seat_depends_on_it(self, signed, driven, cora):
        other = coordinator("Otto Desk", "otto@example.org")
        self.back(signed, by=cora.user)
        mail = Message.objects.get(person=other)
        assert mail.subject == "Not ready any more, but booked: Tom New"
        assert "Friday run" in mail.text
        assert not Message.objects.filter(person=cora).exists(), "they did it"

    def test_and_not_where_none_does(self, signed, cora):
        coordinator("Otto Desk", "otto@example.org")
        self.back(signed, by=cora.user)
        assert Message.objects.filter(kind="sign-off back").count() == 1

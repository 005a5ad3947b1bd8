"""Under 18: who may say so, beside whom one rides, and what happens when the guardian no longer drives."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from shifts.cover.candidates import may_drive, may_ride
from shifts.cover.weaknesses import attention, weaknesses
from shifts.models import Booking
from shifts.seats import handover, refusals, standing
from shifts.seats.booking import give_back, seat, why_not
from shifts.seats.refusals import who_may_not
from shifts.seats.safety import set_safety
from shifts.seats.site_lists import week_of
from sites.models import Event
from tests.factories import (
    PersonFactory,
    coordinator,
    lead_driver,
    make_ready,
    make_run,
    put,
    ready_person,
)
from tests.shifts.test_breaks import begin, shift  # noqa: F401
from volunteers.models import Message, Person
from volunteers.people import appoint_lead, change_person
from volunteers.progress import NotPossible

AT = datetime(2027, 2, 1, 15, 0, tzinfo=UTC)  # a Monday
TODAY = AT.date()
DAY = timedelta(days=1)
DRIVER, SECOND = Booking.Seat.DRIVER, Booking.Seat.SECOND
pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(AT, tick=False):
        yield


@pytest.fixture
def rosa():
    return ready_person(name="Rosa Fern", email="rosa@example.org")


@pytest.fixture
def tim(rosa):
    """Under 18, beside Rosa, and the coordinator has agreed."""
    return PersonFactory(
        name="Tim Fern",
        drives=False,
        is_adult=False,
        guardian=rosa,
        consent_on=TODAY,
        email="tim@example.org",
    )


@pytest.fixture
def run():
    return make_run(starts_at=AT + 3 * DAY)


class TestSayingSo:
    def test_under_18_with_guardian_and_consent(self, rosa):
        desk, tim = coordinator(), PersonFactory(name="Tim Fern")
        young = set_safety(tim, is_adult=False, guardian=rosa, consent=True, by=desk.user, at=AT)
        assert (young.is_adult, young.drives, young.guardian, young.consent_on) == (False, False, rosa, TODAY)
        event = Event.objects.get(verb="changed", person_id=tim.pk)
        assert (event.by, event.at) == (desk.user, AT)
        assert event.after["guardian"] == "Rosa Fern"

    def test_consent_keeps_its_date_and_is_dated_anew_beside_another(self, tim, rosa):
        later = AT + 30 * DAY
        facts = {"is_adult": False, "consent": True, "by": None, "at": later}
        assert set_safety(tim, guardian=rosa, **facts).consent_on == TODAY
        assert set_safety(tim, guardian=ready_person(), **facts).consent_on == later.date()
        assert set_safety(tim, guardian=rosa, **{**facts, "consent": False}).consent_on is None

    def test_an_adult_again(self, tim):
        grown = set_safety(tim, is_adult=True, by=None, at=AT)
        assert (grown.is_adult, grown.guardian, grown.consent_on, grown.drives) == (True, None, None, False)

    def test_an_emergency_contact_is_anybodys(self, rosa):
        saved = set_safety(
            rosa, is_adult=True, emergency_name="Lee Fern", emergency_phone="+15555550177", by=None, at=AT
        )
        assert (saved.emergency_name, saved.emergency_phone.as_e164) == ("Lee Fern", "+15555550177")
        assert saved.drives

    @pytest.mark.parametrize("kind", [DRIVER, SECOND])
    def test_refused_while_booked(self, rosa, run, kind):
        bo = ready_person(name="Bo Teal")
        put(bo, run, kind)
        with pytest.raises(NotPossible, match=r"Bo Teal is booked: Morning run\. Take them out"):
            set_safety(bo, is_adult=False, guardian=rosa, by=None, at=AT)
        bo.refresh_from_db()
        assert bo.is_adult
        assert not Event.objects.filter(person_id=bo.pk).exists()

    def test_refused_to_a_lead_driver(self, rosa):
        with pytest.raises(NotPossible, match="lead driver"):
            set_safety(lead_driver(), is_adult=False, guardian=rosa, by=None, at=AT)

    def test_refused_while_they_have_a_regular_run(self, rosa, shift):  # noqa: F811
        bo = ready_person()
        begin(shift, bo)
        with pytest.raises(NotPossible, match="regular run: Tuesdays"):
            set_safety(bo, is_adult=False, guardian=rosa, by=None, at=AT)

    def test_the_guardian_is_another_adult(self, tim):
        with pytest.raises(NotPossible, match="guardian first"):
            set_safety(tim, is_adult=False, consent=True, by=None, at=AT)
        for wrong in (tim, PersonFactory(drives=False, is_adult=False)):
            with pytest.raises(NotPossible, match="an adult"):
                set_safety(tim, is_adult=False, guardian=wrong, by=None, at=AT)

    def test_no_other_page_makes_them_drive(self, tim):
        with pytest.raises(NotPossible, match="nobody under 18 drives"):
            change_person(tim, by=None, drives=True)
        with pytest.raises(NotPossible, match="nobody under 18 drives"):
            appoint_lead(tim, by=None)


class TestTheirSeat:
    def test_beside_their_guardian(self, tim, rosa, run):
        put(rosa, run)
        assert seat(run=run, person=tim, seat=SECOND, by=None, at=AT).person == tim
        assert attention(weaknesses(at=AT)) == []

    @pytest.mark.parametrize("on_behalf", [False, True])
    def test_never_at_the_wheel_ready_or_not(self, tim, run, on_behalf):
        make_ready(tim)
        with pytest.raises(refusals.Under18, match="Nobody under 18 drives"):
            seat(run=run, person=tim, seat=DRIVER, by=None, on_behalf=on_behalf, at=AT)
        assert tim not in may_drive(run, Person.objects.drivers())

    @pytest.mark.parametrize("driver", ["nobody", "a lead driver"])
    def test_not_beside_anybody_else(self, tim, run, driver):
        if driver == "a lead driver":
            put(lead_driver(), run)
        with pytest.raises(refusals.Under18) as refused:
            seat(run=run, person=tim, seat=SECOND, by=None, on_behalf=True, at=AT)
        assert "only beside their guardian" in refused.value.why
        assert "guardian drives" in refused.value.next

    def test_not_without_consent(self, tim, rosa, run):
        put(rosa, run)
        Person.objects.filter(pk=tim.pk).update(consent_on=None)
        tim.refresh_from_db()
        with pytest.raises(refusals.Under18, match="has not agreed"):
            seat(run=run, person=tim, seat=SECOND, by=None, on_behalf=True, at=AT)

    def test_the_coordinator_is_offered_them_only_there(self, tim, rosa, run):
        put(rosa, run)
        assert [one.reasons for one in may_ride(run, at=AT) if one.person == tim] == [
            ["under 18, beside their guardian"]
        ]
        other = make_run(starts_at=AT + 3 * DAY)
        put(ready_person(), other)
        assert tim not in [one.person for one in may_ride(other, at=AT)]

    def test_no_regular_run_and_no_hand_over(self, tim, run, shift):  # noqa: F811
        make_ready(tim)
        with pytest.raises(refusals.Under18):
            begin(shift, tim)
        with pytest.raises(refusals.Under18):
            handover.ask(put(ready_person(), run), tim, by=None, at=AT)

    def test_the_rule_itself(self, tim, rosa):
        assert who_may_not(tim, SECOND, driver=rosa) is None
        assert who_may_not(rosa, SECOND, driver=None) is None
        assert who_may_not(PersonFactory(drives=False), SECOND, driver=rosa).code == "left"

    def test_sites_learn_no_name_of_theirs(self, tim, rosa, run):
        put(rosa, run)
        put(tim, run, SECOND)
        site = run.ordered_stops[0].site
        [visit] = [visit for day in week_of(site, run.local_date) for visit in day.visits]
        assert visit.who == "Rosa, with 1 riding along"


class TestTheGuardianNoLongerDrives:
    @pytest.fixture
    def booking(self, tim, rosa, run):
        booking = seat(run=run, person=rosa, seat=DRIVER, by=None, at=AT)
        seat(run=run, person=tim, seat=SECOND, by=None, at=AT)
        Message.objects.all().delete()
        return booking

    def flagged(self):
        return [fault.why for fault in attention(weaknesses(at=AT))]

    def test_given_back(self, booking, tim):
        give_back(booking, by=None, at=AT)
        assert self.flagged() == [
            "Tim Fern is under 18 and rides only beside their guardian, who does not drive this run."
        ]
        [mail] = Message.objects.filter(person=tim)
        assert "Please do not set out before the coordinator has called." in " ".join(mail.text.split())
        assert "does not drive this run now" in mail.text

    def test_handed_on(self, booking, tim):
        bo = ready_person(name="Bo Teal")
        asked = handover.ask(booking, bo, by=None, at=AT)
        handover.accept(asked, starts_at=booking.run.starts_at, by=None, at=AT)
        assert len(self.flagged()) == 1
        assert "Please do not set out" in " ".join(Message.objects.get(person=tim).text.split())

    def test_and_drives_again(self, booking, rosa, run):
        give_back(booking, by=None, at=AT)
        seat(run=run, person=rosa, seat=DRIVER, by=None, at=AT)
        assert self.flagged() == []

    def test_consent_taken_back_is_flagged(self, booking, tim, rosa):
        set_safety(tim, is_adult=False, guardian=rosa, consent=False, by=None, at=AT)
        assert "has not agreed" in self.flagged()[0]


class TestLearnersFirst:
    """The second seat beside a lead driver, until seven days before the run."""

    @pytest.fixture
    def trainee(self):
        return make_ready(PersonFactory(), without=("ride",))

    def refusal(self, person, days, **how):
        run = make_run(starts_at=AT + timedelta(days=days))
        put(lead_driver(), run)
        return why_not(run=run, person=person, seat=SECOND, at=AT, **how)

    def test_kept_while_somebody_waits_for_a_ride(self, trainee, rosa):
        refusal = self.refusal(rosa, 8)
        assert isinstance(refusal, refusals.KeptToLearn)
        assert "until Tue, Feb 2" in refusal.why
        assert self.refusal(rosa, 7) is None
        assert self.refusal(trainee, 8) is None

    def test_the_coordinator_may_at_any_time(self, trainee, rosa):
        assert self.refusal(rosa, 20, on_behalf=True) is None

    def test_while_nobody_waits_it_is_open(self, rosa):
        assert self.refusal(rosa, 20) is None

    def test_beside_a_driver_who_leads_nobody_it_is_open(self, trainee, rosa):
        run = make_run(starts_at=AT + 20 * DAY)
        put(ready_person(), run)
        assert why_not(run=run, person=rosa, seat=SECOND, at=AT) is None


def test_a_regular_driver_under_18_is_never_written_down(tim, shift):  # noqa: F811
    wish = standing.Wish(shift=shift, person=tim, from_day=TODAY)
    assert standing.why_not(wish, at=AT, on_behalf=True).code == "under 18"

"""A site somebody is not sent to: no path seats them there, whoever is there is flagged, nothing is kept."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shifts import worker
from shifts.cover.candidates import may_drive, may_ride, ranked, three_names
from shifts.cover.regulars import absent_regulars
from shifts.cover.weaknesses import attention, gaps, weaknesses
from shifts.models import Booking, Policy, Run
from shifts.schedule.making import Plan, add_shift
from shifts.seats import handover, refusals, standing
from shifts.seats.booking import seat, why_not
from sites.models import Programme
from tests.factories import (
    DropOffFactory,
    SiteFactory,
    lead_driver,
    make_run,
    put,
    ready_person,
)
from volunteers.models import Message, NotAt
from volunteers.not_at import bar, lift

AT = datetime(2027, 2, 1, 15, 0, tzinfo=UTC)  # a Monday
START = AT + timedelta(days=2)
REASON = "Asked by the store after a quarrel."
pytestmark = pytest.mark.django_db


@pytest.fixture
def dock():
    return SiteFactory(name="Fig Market")


@pytest.fixture
def run(dock):
    return make_run(starts_at=START, sites=[dock, DropOffFactory()])


@pytest.fixture
def ina(dock):
    person = ready_person(name="Ina Quell")
    bar(person, dock, reason=REASON, by=None, at=AT)
    return person


@pytest.mark.parametrize("on_behalf", [False, True])
@pytest.mark.parametrize("kind", ["driver", "second"])
def test_neither_seat_and_never_the_reason(run, ina, kind, on_behalf):
    if kind == "second":
        put(lead_driver(), run)
    with pytest.raises(refusals.NotThere) as refused:
        seat(run=run, person=ina, seat=kind, by=None, on_behalf=on_behalf, at=AT)
    assert refused.value.why == "The coordinator plans this site with other people."
    assert refused.value.next == "Choose another run."
    assert not Booking.objects.filter(person=ina).exists()


def test_elsewhere_and_once_it_has_ended_they_drive(run, ina):
    assert why_not(run=make_run(starts_at=START), person=ina, seat="driver", at=AT) is None
    lift(NotAt.objects.get(), by=None, at=AT)
    seat(run=run, person=ina, seat="driver", by=None, at=AT)


def test_the_call_list_says_it_to_the_coordinator(run, ina):
    other = ready_person()
    assert set(may_drive(run)) == {other}
    calls = ranked(run, at=AT)
    assert [one.person for one in calls.may] == [other]
    assert calls.may_not == [(ina, ["not at this site"])]
    fresh = Run.objects.with_people().get(pk=run.pk)
    assert [one.person for one in three_names([fresh], at=AT)[run.pk]] == [other]


def test_nor_offered_the_second_seat(run, ina):
    put(lead_driver(), run)
    other = ready_person()
    assert other in [one.person for one in may_ride(run, at=AT)]
    assert ina not in [one.person for one in may_ride(run, at=AT)]


def test_runs_that_a_person_may_take(run, ina):
    free = make_run(starts_at=START)
    assert set(Run.objects.open_to(ina)) == {free}
    assert set(Run.objects.not_barring(ina)) == {free}
    assert set(Run.objects.open_to(ready_person())) == {run, free}


def test_nobody_hands_them_the_run(run, ina):
    driver = ready_person()
    booking = put(driver, run)
    with pytest.raises(refusals.NotThere):
        handover.ask(booking, ina, by=None, at=AT)


class TestBookedBefore:
    @pytest.mark.parametrize("kind", ["driver", "second"])
    def test_flagged_not_dropped(self, run, dock, kind):
        bo = ready_person(name="Bo Teal")
        if kind == "second":
            put(lead_driver(), run)
        booking = put(bo, run, kind)
        assert attention(weaknesses(at=AT)) == []
        bar(bo, dock, reason=REASON, by=None, at=AT)
        [fault] = attention(weaknesses(at=AT))
        assert fault.why == "Bo Teal is not to be sent to one of these sites."
        assert REASON not in fault.why + fault.do
        booking.refresh_from_db()
        assert booking.is_live
        assert list(Booking.objects.clearance_gone()) == ([booking] if kind == "driver" else [])

    def test_a_trainee_is_told_apart(self, run, dock):
        """Lacking a ride and not to be sent there are two things."""
        bo = ready_person()
        put(bo, run)
        bar(bo, dock, by=None, at=AT)
        [booking] = Booking.objects.uncleared()
        assert (booking.lacks, booking.lacks_more, booking.barred) == (False, False, True)

    def test_queries_do_not_grow(self, dock):
        Policy.current(), Programme.current()
        counted = []
        for runs in (2, 10):
            while Run.objects.count() < runs:
                bo = ready_person()
                run = make_run(
                    starts_at=START + timedelta(days=Run.objects.count()), sites=[dock, DropOffFactory()]
                )
                put(bo, run)
                bar(bo, dock, by=None, at=AT)
            with CaptureQueriesContext(connection) as queries:
                assert len(attention(weaknesses(at=AT))) == runs
            counted.append(len(queries))
        assert counted[0] == counted[1]


class TestTheirRegularRun:
    @pytest.fixture
    def shift(self, dock):
        plan = Plan(
            rule="FREQ=WEEKLY;BYDAY=TU",
            starts=time(8),
            minutes=60,
            stops=((dock.pk, 0), (DropOffFactory().pk, 30)),
        )
        return add_shift(name="Tuesdays", plan=plan, from_day=date(2027, 2, 2), by=None, at=AT)

    def wish(self, shift, person):
        return standing.Wish(shift=shift, person=person, from_day=date(2027, 2, 2))

    @pytest.mark.parametrize("on_behalf", [False, True])
    def test_refused_even_on_behalf(self, shift, ina, on_behalf):
        refusal = standing.why_not(self.wish(shift, ina), at=AT, on_behalf=on_behalf)
        assert isinstance(refusal, refusals.NotThere)

    def test_kept_for_nobody_and_seated_again_once_it_has_ended(self, shift, dock):
        bo = ready_person(name="Bo Teal")
        begun = standing.begin(self.wish(shift, bo), by=None, at=AT)
        bar(bo, dock, by=None, at=AT)
        later = AT + timedelta(weeks=1)
        Message.objects.all().delete()
        worker.tick(later)  # makes one run more
        made = Run.objects.with_people().filter(shift=shift).order_by("starts_at").last()
        assert made.seated == []
        assert absent_regulars([made], at=later, policy=Policy.current()) == {}
        assert not begun.skips.exists()
        near = made.starts_at - timedelta(days=2)
        assert made in [one.run for one in gaps(weaknesses(at=near))]
        told = " ".join(Message.objects.filter(person=bo).values_list("text", flat=True))
        assert "plans Tuesdays with other people" in " ".join(told.split())
        lift(NotAt.objects.get(), by=None, at=later)
        worker.tick(later + timedelta(minutes=2))
        assert Booking.objects.live().get(run=made).person == bo

    def test_the_worker_does_not_try_it_every_minute(self, shift, dock):
        bo = ready_person()
        begun = standing.begin(self.wish(shift, bo), by=None, at=AT)
        Booking.objects.all().delete()
        waiting = [(begun, list(shift.runs.all()))]
        assert standing.ready_for(waiting)[begun.pk]
        bar(bo, dock, by=None, at=AT)
        assert standing.ready_for(waiting) == {}

    def test_their_bookings_are_not_lapsed(self, shift, dock):
        """They stay until the coordinator takes them out: it is no paper that ran out."""
        bo = ready_person()
        standing.begin(self.wish(shift, bo), by=None, at=AT)
        bar(bo, dock, by=None, at=AT)
        standing.watch_kept(at=AT)
        assert not Booking.objects.filter(end=Booking.End.LAPSED).exists()

"""A break, leaving, coming back, a long absence; each allowed and refused, and who is told."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shifts import worker
from shifts.cover.candidates import ranked
from shifts.cover.weaknesses import attention, weaknesses
from shifts.models import Booking, HandOver, Policy
from shifts.schedule.making import Plan, add_shift
from shifts.seats import breaks, handover, refusals, standing
from shifts.seats.booking import seat, why_not
from sites.models import Event
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
from volunteers import clearance
from volunteers.models import Completion, Message, Person, Step
from volunteers.progress import NotPossible, complete

AT = datetime(2027, 2, 1, 15, 0, tzinfo=UTC)  # a Monday
TODAY = AT.date()
DAY = timedelta(days=1)
pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(AT, tick=False):
        yield


@pytest.fixture
def ana():
    return ready_person(name="Ana Aster", email="ana@example.org", sign_in=True)


@pytest.fixture
def desk():
    return coordinator()


@pytest.fixture
def shift():
    plan = Plan(
        rule="FREQ=WEEKLY;BYDAY=TU",
        starts=time(8),
        minutes=60,
        stops=((SiteFactory().pk, 0), (DropOffFactory().pk, 30)),
    )
    return add_shift(name="Tuesdays", plan=plan, from_day=date(2027, 2, 2), by=None, at=AT)


def begin(shift, person, **facts):
    wish = standing.Wish(shift=shift, person=person, from_day=date(2027, 2, 2), **facts)
    return standing.begin(wish, by=None, on_behalf=True, at=AT)


def mails_to(person, kind=None):
    found = Message.objects.filter(person=person)
    return list(found.filter(kind=kind) if kind else found)


class TestABreak:
    def test_runs_are_given_back_and_told_once(self, ana):
        kept, given = put(ana, make_run(starts_at=AT + DAY)), put(ana, make_run(starts_at=AT + 3 * DAY))
        paused = breaks.take_break(ana, give_up=[given], by=ana.user, at=AT)
        assert paused.paused_on == TODAY
        kept.refresh_from_db()
        given.refresh_from_db()
        assert (kept.is_live, given.end) == (True, Booking.End.GIVEN_BACK)
        [mail] = mails_to(ana)
        assert mail.subject == "You are on a break"
        assert "You are off: Morning run" in mail.text
        event = Event.objects.get(verb="changed", person_id=ana.pk)
        assert (event.by, event.at, event.after) == (ana.user, AT, {"paused_on": "2027-02-01"})

    def test_a_second_tap_changes_nothing(self, ana):
        for _time in range(2):
            breaks.take_break(ana, by=ana.user, at=AT)
        assert Event.objects.filter(person_id=ana.pk).count() == 1

    def test_regular_runs_end(self, ana, shift):
        row = begin(shift, ana)
        assert list(breaks.to_give_back(ana, AT)) == []  # all of them end with it
        breaks.take_break(ana, by=None, at=AT)
        row.refresh_from_db()
        assert row.until_day == TODAY + DAY
        assert not Booking.objects.live().filter(person=ana).exists()
        worker.tick(AT + timedelta(weeks=1))
        assert not Booking.objects.live().filter(person=ana).exists()

    def test_a_crew_goes_on(self, ana, shift):
        row = begin(shift, ana, crew="Choir")
        breaks.take_break(ana, by=None, at=AT)
        row.refresh_from_db()
        assert row.until_day is None

    def test_whoever_asked_them_to_take_a_run_hears_no(self, ana):
        bo = ready_person(name="Bo Teal")
        asked = handover.ask(put(bo, make_run(starts_at=AT + 3 * DAY)), ana, by=None, at=AT)
        breaks.take_break(ana, by=ana.user, at=AT)
        asked.refresh_from_db()
        assert asked.answer == HandOver.Answer.DECLINED
        assert mails_to(bo)

    def test_coordinators_hear_of_it_unless_they_did_it(self, ana, desk):
        booking = put(ana, make_run(starts_at=AT + 9 * DAY))
        breaks.take_break(ana, give_up=[booking], by=ana.user, at=AT)
        [mail] = mails_to(desk, "break")
        assert mail.subject == "Ana Aster takes a break"
        assert "1 run of theirs is given back." in mail.text
        breaks.come_back(ana, by=desk.user, at=AT)
        assert len(mails_to(desk, "break")) == 1

    @pytest.mark.parametrize("facts", [{"left_on": TODAY}, {"asking_since": TODAY}])
    def test_refused_to_whoever_is_not_here(self, facts):
        gone = PersonFactory(**facts)
        with pytest.raises(NotPossible):
            breaks.take_break(gone, by=None, at=AT)
        assert not Event.objects.exists()

    def test_nobody_elses_run_is_touched(self, ana):
        other = put(ready_person(), make_run(starts_at=AT + DAY))
        breaks.take_break(ana, give_up=[other], by=ana.user, at=AT)
        other.refresh_from_db()
        assert other.is_live


class TestOnABreak:
    @pytest.fixture
    def away(self, ana):
        return breaks.take_break(ana, by=ana.user, at=AT)

    @pytest.mark.parametrize("on_behalf", [False, True])
    @pytest.mark.parametrize("kind", ["driver", "second"])
    def test_no_seat(self, away, kind, on_behalf):
        run = make_run(starts_at=AT + DAY)
        if kind == "second":
            put(lead_driver(), run)
        with pytest.raises(refusals.OnABreak) as refused:
            seat(run=run, person=away, seat=kind, by=None, on_behalf=on_behalf, at=AT)
        assert "on a break since Mon, Feb 1" in refused.value.why
        assert refused.value.next

    def test_nobody_asks_them(self, away):
        calls = ranked(make_run(starts_at=AT + DAY), at=AT)
        assert away not in [one.person for one in calls.may] + [one for one, _why in calls.may_not]

    def test_no_regular_run(self, away, shift):
        with pytest.raises(refusals.OnABreak):
            begin(shift, away)

    def test_a_seat_that_was_kept_is_flagged(self, ana):
        put(ana, make_run(starts_at=AT + 2 * DAY))
        breaks.take_break(ana, by=ana.user, at=AT)
        [fault] = attention(weaknesses(at=AT))
        assert fault.why.startswith("Ana Aster is on a break since")
        assert "end the break" in fault.do

    def test_back_with_one_tap(self, away, desk):
        later = AT + 30 * DAY
        back = breaks.come_back(away, by=away.user, at=later)
        assert (back.paused_on, back.back_on) == (None, later.date())
        event = Event.objects.filter(person_id=back.pk).latest("pk")
        assert (event.by, event.at) == (back.user, later)
        assert [mail.subject for mail in mails_to(desk, "break")][-1:] == ["Ana Aster is back"]
        seat(run=make_run(starts_at=later + DAY), person=back, seat="driver", by=None, at=later)

    def test_back_twice_is_back_once(self, away):
        breaks.come_back(away, by=None, at=AT)
        count = Event.objects.count()
        assert breaks.come_back(away, by=None, at=AT + DAY).back_on == TODAY
        assert Event.objects.count() == count


class TestNotTakenIn:
    @pytest.mark.parametrize("on_behalf", [False, True])
    def test_no_seat_before_somebody_says_yes(self, on_behalf):
        new = make_ready(PersonFactory(asking_since=TODAY))
        refusal = why_not(
            run=make_run(starts_at=AT + DAY), person=new, seat="driver", at=AT, on_behalf=on_behalf
        )
        assert isinstance(refusal, refusals.NotTakenIn)
        Person.objects.filter(pk=new.pk).update(asking_since=None)
        new.refresh_from_db()
        assert why_not(run=make_run(starts_at=AT + DAY), person=new, seat="driver", at=AT) is None


class TestLeaving:
    def test_out_of_runs_and_a_crew_too(self, ana, shift, desk):
        row = begin(shift, ana, crew="Choir")
        booking = put(ana, make_run(starts_at=AT + DAY))
        breaks.leave(ana, give_up=[booking], by=ana.user, at=AT)
        ana.refresh_from_db()
        row.refresh_from_db()
        booking.refresh_from_db()
        assert (ana.left_on, row.until_day, booking.is_live) == (TODAY, TODAY + DAY, False)
        assert mails_to(desk, "break")[0].subject == "Ana Aster has left the programme"

    def test_a_break_ends_with_it(self, ana):
        breaks.take_break(ana, by=None, at=AT)
        breaks.leave(ana, by=None, at=AT)
        back = breaks.come_back(ana, by=None, at=AT + DAY)
        assert (back.left_on, back.paused_on) == (None, None)


# --- a long absence


def driver_since(day, **facts):
    """Completed everything on a day, and it was recorded then."""
    person = ready_person(**facts)
    recorded = datetime.combine(day, time(12), tzinfo=UTC)
    Completion.objects.filter(person=person).update(valid_from=day, recorded_at=recorded)
    return person


def drove(person, day, kind="driver"):
    return put(person, make_run(starts_at=datetime.combine(day, time(12), tzinfo=UTC)), kind)


def lacks(person):
    return sorted(term.step.kind for term in clearance.missing(person, on=TODAY))


LONG_AGO = date(2023, 1, 1)


class TestALongAbsence:
    @pytest.mark.parametrize(
        ("last", "expected"),
        [
            (date(2026, 8, 2), []),
            (date(2026, 8, 1), ["briefing"]),  # six months ago today
            (date(2026, 2, 2), ["briefing"]),
            (date(2026, 2, 1), ["briefing", "ride"]),  # twelve
        ],
    )
    def test_by_the_months_since_the_last_run(self, last, expected):
        person = driver_since(LONG_AGO)
        drove(person, LONG_AGO + DAY)
        drove(person, last)
        assert breaks.follow_absence(at=AT) == (1 if expected else 0)
        assert lacks(person) == expected

    def test_the_reason_is_kind_and_in_the_log(self):
        person = driver_since(LONG_AGO)
        drove(person, date(2026, 8, 1))
        breaks.follow_absence(at=AT)
        gone = Completion.objects.get(person=person, step__kind=Step.Kind.BRIEFING)
        assert gone.withdrawn_reason == "No run since 8/1/2026: please read it again."
        event = Event.objects.get(verb="step taken back")
        assert (event.by, event.at, event.person_id) == (None, AT, person.pk)

    @pytest.mark.parametrize("months", [0, 9])
    def test_by_the_policys_numbers(self, months):
        Policy.current()
        Policy.objects.update(refresher_months=months)
        person = driver_since(LONG_AGO)
        drove(person, date(2026, 8, 1))
        assert breaks.follow_absence(at=AT) == 0

    def test_riding_along_is_no_absence(self):
        person = driver_since(LONG_AGO)
        drove(person, date(2026, 1, 1))
        drove(person, date(2027, 1, 1), "second")
        assert breaks.follow_absence(at=AT) == 0

    @pytest.mark.parametrize("ended", ["given back", "run cancelled", "still to come"])
    def test_a_run_that_was_not_driven_does_not_count(self, ended):
        person = driver_since(LONG_AGO)
        booking = drove(person, date(2027, 2, 9) if ended == "still to come" else date(2027, 1, 1))
        if ended == "given back":
            Booking.objects.filter(pk=booking.pk).update(ended_at=AT, end="given back")
        if ended == "run cancelled":
            booking.run.cancelled_at, booking.run.cancel_cause = AT, "called off"
            booking.run.save()
        assert breaks.follow_absence(at=AT) == 1

    def test_never_twice_and_what_is_done_after_it_stays(self):
        person = driver_since(LONG_AGO)
        drove(person, date(2025, 1, 1))
        assert breaks.follow_absence(at=AT) == 1
        assert breaks.follow_absence(at=AT) == 0
        complete(person=person, step=Step.objects.get(kind="briefing"), by=None, at=AT)
        complete(
            person=person, step=Step.objects.get(kind="ride"), by=None, at=AT, how="told", reason="By phone."
        )
        assert breaks.follow_absence(at=AT + DAY) == 0
        assert lacks(person) == []

    def test_a_briefing_read_before_the_ride_is_asked_with_it(self):
        """Read three months ago, no run for a year: the ride alone is due."""
        person = driver_since(LONG_AGO)
        drove(person, date(2026, 1, 1))
        Completion.objects.filter(person=person, step__kind="briefing").update(
            recorded_at=AT - 90 * DAY, valid_from=TODAY - 90 * DAY
        )
        breaks.follow_absence(at=AT)
        assert lacks(person) == ["ride"]

    def test_a_roster_brought_in_today_locks_nobody_out(self):
        """Completed years ago, recorded today: it counts from today."""
        person = ready_person(joined_on=LONG_AGO)  # recorded_at is now
        assert breaks.follow_absence(at=AT) == 0
        assert lacks(person) == []
        assert breaks.follow_absence(at=AT + 200 * DAY) == 1

    def test_newcomers_keep_what_they_have_read(self):
        new = driver_since(LONG_AGO)
        Completion.objects.filter(person=new, step__kind="ride").delete()
        assert breaks.follow_absence(at=AT) == 0

    @pytest.mark.parametrize("facts", [{"left_on": TODAY}, {"paused_on": TODAY}, {"drives": False}])
    def test_of_those_who_are_here_alone(self, facts):
        driver_since(LONG_AGO, **facts)
        assert breaks.follow_absence(at=AT) == 0

    def test_asked_at_coming_back(self):
        person = driver_since(LONG_AGO, paused_on=date(2026, 1, 1), sign_in=True)
        breaks.come_back(person, by=person.user, at=AT)
        assert lacks(person) == ["briefing", "ride"]

    def test_whoever_has_a_run_ahead_is_told_and_flagged(self):
        person = driver_since(LONG_AGO)
        put(person, make_run(title="Bread run", starts_at=AT + 3 * DAY))
        idle = driver_since(LONG_AGO)
        breaks.follow_absence(at=AT)
        [mail] = mails_to(person)
        words = " ".join(mail.text.split())
        assert mail.subject == "Before your next run"
        assert "Bread run" in words
        assert "read the driver briefing again" in words
        assert "ride along once more" in words
        assert not mails_to(idle)
        assert "not ready to drive alone" in attention(weaknesses(at=AT))[0].why

    def test_the_worker_looks_once_a_day(self, monkeypatch):
        looks = []
        monkeypatch.setattr(breaks, "follow_absence", lambda *, at: looks.append(at))
        for hours in (0, 1, 8, 23, 25):  # from 3 p.m. in UTC; the third is 11 p.m.
            worker.tick(AT + timedelta(hours=hours))
        assert looks == [AT, AT + timedelta(hours=23)]

    def test_one_query_however_many(self):
        counted = []
        Policy.current()
        for people in (2, 12):
            while Person.objects.count() < people:
                drove(ready_person(), TODAY - 3 * DAY)
            with CaptureQueriesContext(connection) as queries:
                assert breaks.follow_absence(at=AT) == 0
            counted.append(len(queries))
        assert counted[0] == counted[1] <= 3

"""Who is on the way, what each waits for, since when; how long the way took; who might lead."""

import statistics
from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase as DjangoTestCase

from shifts.cover import leads
from shifts.cover.orientation import Stage, WaitsFor, newcomers_waiting, on_the_way
from shifts.cover.pace import FIRST_RUN, Pace, pace, waits
from shifts.cover.pairing import waiting
from shifts.models import Booking, Pairing, Policy
from shifts.pages.my_steps import MySteps
from shifts.seats.consequences import publish_door_notes
from shifts.seats.rides import ride_of
from sites.models import Event, Programme
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
from volunteers import hello, progress
from volunteers.models import Completion, Join, Message, PaperPhoto, Person, SignOff, Step, StepTerm
from volunteers.progress import NotPossible
from volunteers.roster.plan import DROVE_BEFORE

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 2, 14, 0, tzinfo=UTC)  # a Tuesday, 10:00 a.m. in New York
TODAY = NOW.date()
DAY = timedelta(days=1)
ORDER = ("briefing", "license", "insurance", "form", "kit", "ride")


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


def ago(days):
    return TODAY - days * DAY


def done(person, *codes, on, until=None, how="done", **facts):
    """Bare completions of the programme's steps, on a date; papers hold for a year unless said."""
    for step in Step.objects.filter(code__in=codes):
        person.completions.create(
            step=step,
            valid_from=on,
            valid_until=until or (TODAY + 365 * DAY if step.kind == "paper" else None),
            how=how,
            recorded_at=NOW,
            **facts,
        )
    return person


def newcomer(joined=30, **facts):
    return PersonFactory(joined_on=ago(joined), **facts)


def waits_for_ride(joined=30, **facts):
    return done(newcomer(joined, **facts), *ORDER[:5], on=ago(20))


def only():
    """The one person on the way."""
    [one] = on_the_way(at=NOW)
    return one


def seen(one):
    return one.stage, one.what.since, one.is_stuck


def asks(days, state=Join.State.WAITING, **facts):
    person = newcomer(days, asking_since=ago(days))
    return Join.objects.create(person=person, asked_at=NOW - days * DAY, state=state, **facts)


def taken_in(days):
    person = newcomer(days + 5)
    return Join.objects.create(
        person=person, asked_at=NOW - (days + 5) * DAY, state="accepted", settled_at=NOW - days * DAY
    )


# --- one test a stage


class TestAskingToJoin:
    @pytest.mark.parametrize(("days", "stuck"), [(0, False), (1, False), (2, True)])
    def test_waits_for_the_answer(self, days, stuck):
        join = asks(days)
        assert seen(only()) == (Stage.ASKS, ago(days), stuck)
        assert only().what.join == join

    def test_who_was_asked_something_waits_for_themselves_since_the_question(self):
        join = asks(20, state="asked back", question="Do you have a car?")
        assert seen(only()) == (Stage.ASKED_BACK, ago(20), True)
        Event.objects.create(
            at=NOW - 3 * DAY, verb="asked something back", subject="person:1", person_id=join.person_id
        )
        assert seen(only()) == (Stage.ASKED_BACK, ago(3), False)

    def test_not_who_was_declined_or_has_left(self):
        asks(3, state="declined", settled_at=NOW)
        gone = asks(3)
        Person.objects.filter(pk=gone.person_id).update(left_on=TODAY)
        assert on_the_way(at=NOW) == []


class TestHello:
    @pytest.mark.parametrize(("days", "stuck"), [(1, False), (2, True)])
    def test_whoever_was_taken_in_waits_for_a_hello(self, days, stuck):
        taken_in(days)
        assert seen(only()) == (Stage.HELLO, ago(days), stuck)

    def test_also_who_only_sorts(self):
        Person.objects.filter(pk=taken_in(1).person_id).update(drives=False)
        assert only().stage is Stage.HELLO

    def test_said_and_taken_back(self):
        person = taken_in(3).person
        hello.say_hello(person, by=None)
        assert seen(only()) == (Stage.BRIEFING, ago(3), False)
        hello.unsay_hello(person, by=None)
        assert only().stage is Stage.HELLO
        assert [event.verb for event in Event.objects.about(person)] == ["no hello after all", "said hello"]

    def test_needless_once_a_coordinator_has_recorded_something(self):
        person, cora = taken_in(3).person, coordinator()
        done(person, "briefing", on=ago(2))
        assert only().stage is Stage.HELLO
        done(person, "form", on=ago(1), recorded_by=cora.user)
        assert only().stage is Stage.PAPER

    def test_nobody_greets_who_was_put_in_at_the_desk(self):
        newcomer(3)
        assert only().stage is Stage.BRIEFING


class TestSteps:
    @pytest.mark.parametrize(
        ("count", "stage"),
        list(enumerate([Stage.BRIEFING, Stage.PAPER, Stage.PAPER, Stage.FORM, Stage.KIT, Stage.RIDE])),
    )
    def test_the_first_that_is_missing(self, count, stage):
        person = newcomer(13)
        for number, code in enumerate(ORDER[:count]):
            done(person, code, on=ago(12 - number))
        one = only()
        assert seen(one) == (stage, ago(13 - count), stage is Stage.RIDE and 13 - count >= 7)
        assert one.what.step.code == ORDER[count]

    @pytest.mark.parametrize(("days", "stuck"), [(13, False), (14, True)])
    def test_fourteen_days_are_long(self, days, stuck):
        newcomer(days)
        assert only().is_stuck is stuck

    @pytest.mark.parametrize(("days", "stuck"), [(6, False), (7, True)])
    def test_for_a_ride_seven_are(self, days, stuck):
        done(newcomer(), *ORDER[:5], on=ago(days))
        assert seen(only()) == (Stage.RIDE, ago(days), stuck)

    def test_the_policy_says_how_many(self):
        Policy.current()
        Policy.objects.update(stuck_days=3)
        newcomer(3)
        assert only().is_stuck

    def test_a_step_done_out_of_turn_does_not_begin_the_wait_anew(self):
        done(newcomer(20), "kit", on=ago(2))
        assert seen(only()) == (Stage.BRIEFING, ago(20), True)

    def test_a_paper_that_is_renewed_does_not_begin_the_wait_anew(self):
        person = waits_for_ride()
        done(person, "insurance", on=ago(1))
        assert seen(only()) == (Stage.RIDE, ago(20), True)

    def test_a_paper_that_ran_out_is_waited_for_since(self):
        person = make_ready(newcomer(300), without=("insurance",))
        done(person, "insurance", on=ago(200), until=ago(4))
        assert seen(only()) == (Stage.PAPER, ago(3), False)

    def test_what_was_taken_back_is_waited_for_since(self):
        person = make_ready(newcomer(300))
        form = person.completions.get(step__code="form")
        with time_machine.travel(NOW - 5 * DAY, tick=False):
            progress.withdraw(form, reason="The wrong person.", by=None)
        assert seen(only()) == (Stage.FORM, ago(5), False)

    def test_a_new_step_is_waited_for_since_it_applies(self):
        make_ready(newcomer(300))
        step = Step.objects.create(kind="form", title="Photo consent", position=35)
        StepTerm.objects.create(step=step, applies_from=ago(6))
        assert seen(only()) == (Stage.FORM, ago(6), False)

    def test_a_paper_seen_whose_date_never_followed_waits_for_the_desk(self):
        person = make_ready(newcomer(300), without=("license",))
        done(person, "license", on=ago(40), until=ago(10), how="seen")
        assert seen(only()) == (Stage.DATE, ago(9), False)

    def test_a_photograph_waits_for_the_desk(self):
        person = done(newcomer(), "briefing", on=ago(25))
        license = Step.objects.get(code="license")
        PaperPhoto.objects.create(person=person, step=license, image=b"x", at=NOW - 2 * DAY)
        one = only()
        assert seen(one) == (Stage.PHOTO, ago(2), False)
        assert one.what.step == license

    def test_after_a_break_the_wait_begins_when_they_came_back(self):
        newcomer(100, back_on=ago(3))
        assert seen(only()) == (Stage.BRIEFING, ago(3), False)

    def test_nobody_who_is_on_a_break_has_left_only_helps_or_is_ready(self):
        newcomer(paused_on=ago(1))
        newcomer(left_on=ago(1))
        newcomer(drives=False)
        ready_person()
        assert on_the_way(at=NOW) == []


class TestDoorNotes:
    def test_ready_but_no_door_notes_read(self):
        person = make_ready(newcomer(30))
        site = SiteFactory()
        publish_door_notes(site, {"entrance": "Blue"}, by=None, at=NOW)
        assert only().stage is Stage.DOORS
        run = make_run(starts_at=NOW - 3 * DAY)
        booking = put(person, run)
        assert on_the_way(at=NOW) == []
        booking.delete()
        done_doors = Step.objects.get(kind="doors")
        person.completions.create(step=done_doors, valid_from=TODAY, recorded_at=NOW)
        assert on_the_way(at=NOW) == []


class TestRides:
    def ride(self, person, *, days, lead=None, **facts):
        """A second seat on a run so many days from now, beside a lead driver."""
        run = make_run(starts_at=NOW + days * DAY, title="Monday run")
        put(lead or lead_driver(name="Lea Lead"), run)
        return Booking.objects.create(run=run, person=person, seat="second", booked_at=NOW - 4 * DAY, **facts)

    def test_arranged(self):
        ride = self.ride(waits_for_ride(), days=3)
        one = only()
        assert seen(one) == (Stage.RIDES, ago(4), False)
        assert (one.what.run, one.what.lead.name) == (ride.run, "Lea Lead")

    def test_arranged_is_never_stuck(self):
        ride = self.ride(waits_for_ride(), days=3)
        Booking.objects.filter(pk=ride.pk).update(booked_at=NOW - 90 * DAY)
        assert seen(only()) == (Stage.RIDES, ago(90), False)

    def test_beside_somebody_who_is_no_lead_driver_it_is_to_arrange(self):
        ride = self.ride(waits_for_ride(), days=3, lead=ready_person())
        one = only()
        assert (one.stage, one.what.run) == (Stage.RIDE, ride.run)

    def test_cancelled_or_given_back_it_is_to_arrange(self):
        ride = self.ride(waits_for_ride(), days=3)
        Booking.objects.filter(pk=ride.pk).update(ended_at=NOW, end="given back")
        assert (only().stage, only().what.run) == (Stage.RIDE, None)
        Booking.objects.filter(pk=ride.pk).update(ended_at=None, end="")
        type(ride.run).objects.filter(pk=ride.run_id).update(cancelled_at=NOW, cancel_cause="called off")
        assert (only().stage, only().what.run) == (Stage.RIDE, None)

    @pytest.mark.parametrize(
        ("days", "stage", "stuck"),
        [(1, Stage.SIGN_OFF, False), (2, Stage.UNSIGNED, False), (7, Stage.UNSIGNED, True)],
    )
    def test_over_and_not_signed_off(self, days, stage, stuck):
        ride = self.ride(waits_for_ride(), days=-days)
        one = only()
        assert seen(one) == (stage, ago(days), stuck)
        assert (one.what.run, one.what.lead.name) == (ride.run, "Lea Lead")

    def test_over_beside_somebody_who_is_no_lead_driver_it_was_no_ride(self):
        self.ride(waits_for_ride(), days=-3, lead=ready_person())
        assert (only().stage, only().what.run) == (Stage.RIDE, None)

    def test_nor_beside_somebody_made_a_lead_driver_since(self):
        """They could not sign it off, so nothing waits for their word."""
        lead = ready_person(name="Lea Lead")
        ride = self.ride(waits_for_ride(), days=-3, lead=lead)
        Person.objects.filter(pk=lead.pk).update(lead_since=ago(1))
        assert ride_of(ride.run) is None
        assert (only().stage, only().what.run) == (Stage.RIDE, None)
        [one] = waiting(at=NOW)
        assert (one.person, one.unsigned) == (ride.person, None)
        steps = MySteps(ride.person, programme=Programme.current(), at=NOW)
        assert [booking.lead_name for booking in steps.rides] == [None]

    def test_a_ride_with_other_steps_missing_waits_for_its_sign_off_first(self):
        person = done(newcomer(), "briefing", on=ago(25))
        self.ride(person, days=-3)
        assert only().stage is Stage.UNSIGNED

    def test_once_more_is_a_ride_to_arrange(self):
        person = waits_for_ride()
        ride = self.ride(person, days=-3)
        lead = ride.run.bookings.get(seat="driver").person
        ride.sign_off = SignOff.objects.create(
            trainee=person, lead=lead, ridden_on=ago(3), outcome="again", at=NOW
        )
        ride.save()
        assert only().stage is Stage.RIDE

    def test_proposed_waits_for_the_lead_driver_then_for_themselves(self):
        person, lead = waits_for_ride(), lead_driver()
        run = make_run()
        put(lead, run)
        pairing = Pairing.objects.create(run=run, trainee=person, lead=lead, proposed_at=NOW - 2 * DAY)
        one = only()
        assert seen(one) == (Stage.LEAD_ANSWER, ago(2), False)
        assert (one.what.lead, one.what.run) == (lead, run)
        Pairing.objects.filter(pk=pairing.pk).update(lead_agreed_at=NOW)
        assert only().stage is Stage.PROPOSAL
        Pairing.objects.filter(pk=pairing.pk).update(outcome="declined", settled_at=NOW)
        assert only().stage is Stage.RIDE


# --- the whole


def everybody():
    """Somebody in every stage but door notes, of whom there is nobody while no site has any."""
    asks(3)
    asks(4, state="asked back", question="When?")
    taken_in(1)
    newcomer()
    person = done(newcomer(), "briefing", on=ago(20))
    done(newcomer(), "briefing", on=ago(20))
    license = Step.objects.get(code="license")
    PaperPhoto.objects.create(person=person, step=license, image=b"x", at=NOW)
    done(newcomer(), *ORDER[:3], on=ago(9))
    done(newcomer(), *ORDER[:4], on=ago(8))
    done(make_ready(newcomer(), without=("license",)), "license", on=ago(50), until=ago(2), how="seen")
    waits_for_ride()
    rides = TestRides()
    lead = lead_driver()
    for days in (5, -1, -3):
        rides.ride(waits_for_ride(), days=days, lead=lead)
    for number in range(2):
        run = make_run(starts_at=NOW + (10 + number) * DAY)
        put(lead, run)
        Pairing.objects.create(
            run=run,
            trainee=waits_for_ride(),
            lead=lead,
            proposed_at=NOW,
            lead_agreed_at=NOW if number else None,
        )


def test_every_stage_has_somebody_and_nobody_is_there_twice():
    everybody()
    found = on_the_way(at=NOW)
    assert {one.stage for one in found} == set(Stage) - {Stage.DOORS}
    assert len({one.person.pk for one in found}) == len(found)
    assert [one.what.since for one in found] == sorted(one.what.since for one in found)
    assert newcomers_waiting(at=NOW) == sum(one.stage.waits_for is WaitsFor.DESK for one in found) == 7


def test_the_count_of_newcomers_leaves_out_who_has_driven():
    make_ready(newcomer(), without=("kit",))
    drove(make_ready(newcomer(), without=("kit",)), 3)
    assert len(on_the_way(at=NOW)) == 2
    assert newcomers_waiting(at=NOW) == 1


def test_queries_do_not_grow_with_the_people():
    numbers = []
    Policy.current(), Programme.current()  # made when they are first read
    for times in (1, 9):
        for _time in range(times):
            everybody()
        with CaptureQueriesContext(connection) as queries:
            found = on_the_way(at=NOW)
        numbers.append(len(queries))
    assert len(found) == 150
    assert numbers[0] == numbers[1] <= 16, "\n".join(query["sql"][:120] for query in queries)


# --- how long it takes


def drove(person, days_ago, **facts):
    return put(person, make_run(starts_at=NOW - days_ago * DAY, **facts))


def test_nobody_yet():
    ready_person()
    assert pace(at=NOW) == Pace(0, None, "", None)


def test_the_median_of_a_worked_example():
    """Three people, 20, 30 and 70 days from joining to the first run alone: the middle one is 30. For the
    kit they waited 2, 10 and 40 days, for the ride 10, 10 and 20, then 8, 10 and 10 for the run."""
    for joined, kit, ride, first in ((40, 38, 28, 20), (60, 50, 40, 30), (100, 60, 40, 30)):
        person = newcomer(joined)
        done(person, "kit", on=ago(kit))
        done(person, "ride", on=ago(ride))
        drove(person, first)
        drove(person, first - 5)  # a later run changes nothing
    found = pace(at=NOW)
    assert (found.people, found.days) == (3, 30)
    # the medians: kit 10, ride 10, the first run 10: of equals, the last by name
    assert (found.longest_days, found.longest) == (10, "Starter kit")
    Completion.objects.filter(step__code="kit", valid_from=ago(50)).update(valid_from=ago(45))
    found = pace(at=NOW)
    assert (found.longest, found.longest_days) == ("Starter kit", 15)


def test_an_even_number_has_a_half_between():
    for joined, first in ((30, 20), (25, 10)):
        drove(newcomer(joined), first)
    assert pace(at=NOW).days == statistics.median([10, 15]) == 12.5


def test_who_does_not_count():
    drove(newcomer(700), 400)  # longer ago than twelve months
    ahead = make_run(starts_at=NOW + DAY)
    put(newcomer(10), ahead)  # still to come
    off = drove(newcomer(10), 2)
    type(off.run).objects.filter(pk=off.run_id).update(cancelled_at=NOW, cancel_cause="called off")
    second = make_run(starts_at=NOW - DAY)
    put(lead_driver(joined_on=ago(2000)), second)
    Person.objects.filter(lead_since__isnull=False).update(joined_on=TODAY)  # drove before they joined
    put(newcomer(10), second, "second")
    before = newcomer(10)
    done(before, "form", on=ago(10), reason=DROVE_BEFORE)
    drove(before, 3)
    assert pace(at=NOW).people == 0


class TestMedians(DjangoTestCase):
    @given(st.lists(st.tuples(st.integers(0, 200), st.integers(0, 300)), min_size=1, max_size=6))
    def test_as_the_standard_library_has_them(self, ways):
        """Python's statistics.median on the days themselves."""
        with time_machine.travel(NOW, tick=False):
            for taken, first in ways:
                drove(newcomer(first + 1 + taken), first + 1)
            found = pace(at=NOW)
        assert found.days == statistics.median(taken for taken, _first in ways)
        assert found.people == len(ways)


def test_waits_add_up_to_the_whole_way():
    way = {
        "Kit": date(2026, 1, 9),
        "Form": date(2026, 1, 3),
        "Late": date(2026, 3, 1),
        "Early": date(2025, 1, 1),
    }
    parts = list(waits(date(2026, 1, 1), way, date(2026, 1, 20)))
    assert parts == [("Form", 2), ("Kit", 6), (FIRST_RUN, 11)]
    assert sum(days for _what, days in parts) == 19


# --- lead drivers


def experienced(runs=10, days=30, **facts):
    person = ready_person(name=facts.pop("name", "Experienced Ed"), **facts)
    for number in range(runs):
        drove(person, days + number)
    return person


def suggested():
    return [(one.person.name, one.runs) for one in leads.could_lead(at=NOW)]


class TestSuggestions:
    @pytest.mark.parametrize(("runs", "found"), [(9, []), (10, [("Experienced Ed", 10)])])
    def test_after_ten_runs_alone(self, runs, found):
        experienced(runs)
        assert suggested() == found

    def test_within_six_months(self):
        experienced(10, days=(TODAY - date(2025, 12, 3)).days - 9)
        assert suggested() == [("Experienced Ed", 10)]
        Booking.objects.all().delete()
        experienced(10, days=(TODAY - date(2025, 12, 2)).days - 9, name="Longer Lou")
        assert suggested() == []

    def test_the_policy_says_how_many(self):
        Policy.current()
        Policy.objects.update(lead_after_runs=3)
        experienced(3)
        assert suggested() == [("Experienced Ed", 3)]

    @pytest.mark.parametrize(
        "facts",
        [
            {"lead_since": ago(1)},
            {"paused_on": ago(1)},
            {"left_on": ago(1)},
            {"is_adult": False, "drives": False},
        ],
    )
    def test_not_who_leads_already_or_may_not(self, facts):
        person = experienced()
        Person.objects.filter(pk=person.pk).update(**facts)
        assert suggested() == []

    def test_not_who_is_not_ready(self):
        person = experienced()
        person.completions.filter(step__code="insurance").update(valid_until=ago(1))
        assert suggested() == []

    def test_runs_ahead_cancelled_or_in_the_second_seat_do_not_count(self):
        person = experienced(9)
        put(person, make_run())
        off = drove(person, 3)
        type(off.run).objects.filter(pk=off.run_id).update(cancelled_at=NOW, cancel_cause="called off")
        put(person, make_run(starts_at=NOW - DAY), "second")
        assert suggested() == []

    def test_not_now_holds_for_six_months_and_can_be_undone(self):
        person = experienced()
        leads.not_now(person, by=None, at=NOW)
        assert suggested() == []
        leads.after_all(person, by=None, at=NOW)
        assert suggested() == [("Experienced Ed", 10)]
        assert [event.verb for event in Event.objects.about(person)] == [
            "suggested as a lead again", "not a lead now",
        ]  # fmt: skip

    @pytest.mark.parametrize(
        ("when", "found"),
        [(datetime(2025, 12, 2, 15, 1, tzinfo=UTC), 0), (datetime(2025, 12, 2, 14, 59, tzinfo=UTC), 1)],
    )
    def test_six_months_of_the_calendar(self, when, found):
        """10:00 a.m. in New York is 15:00 UTC in December."""
        leads.not_now(experienced(), by=None, at=when)
        assert len(suggested()) == found

    def test_queries_do_not_grow(self):
        numbers = []
        Policy.current(), Programme.current()  # made when they are first read
        for count in (1, 5):
            for _number in range(count):
                experienced()
            with CaptureQueriesContext(connection) as queries:
                leads.could_lead(at=NOW)
            numbers.append(len(queries))
        assert numbers[0] == numbers[1]


class TestAppointing:
    def test_tells_them_what_a_lead_does_and_the_cautions(self):
        ana, cora = ready_person(), coordinator()
        ana = leads.appoint(ana, by=cora.user)
        assert ana.lead_since == TODAY
        message = Message.objects.get(person=ana)
        assert message.subject == "You are a lead driver now"
        for words in ("second seat", "seat belt", "ride once more", "Lift with your legs"):
            assert words in message.text
        event = Event.objects.about(ana).get(verb="changed")
        assert (event.by, event.after) == (cora.user, {"lead_since": "2026-06-02"})

    def test_twice_is_once(self):
        ana = leads.appoint(ready_person(), by=None, since=ago(5))
        assert leads.appoint(ana, by=None).lead_since == ago(5)
        assert Message.objects.count() == 1

    def test_in_spanish_without_an_address_it_is_told_by_phone(self):
        ana = ready_person(by_phone=True)
        leads.appoint(ana, by=None)
        assert Message.objects.get(person=ana).state == Message.State.TELL

    @pytest.mark.parametrize(
        ("facts", "words"),
        [
            ({"is_adult": False, "drives": False}, "under 18"),
            ({"paused_on": ago(1)}, "on a break"),
            ({"left_on": ago(1)}, "has left"),
            ({"asking_since": ago(1)}, "asks to join"),
            ({"drives": False}, "does not drive"),
        ],
    )
    def test_refused_with_words(self, facts, words):
        ana = ready_person()
        Person.objects.filter(pk=ana.pk).update(**facts)
        with pytest.raises(NotPossible, match=words):
            leads.appoint(ana, by=None)
        ana.refresh_from_db()
        assert not ana.is_lead
        assert not Message.objects.exists()

    def test_refused_for_whoever_is_not_ready_naming_what_is_missing(self):
        ana = make_ready(PersonFactory(), without=("kit",))
        with pytest.raises(NotPossible, match="Record first: Starter kit"):
            leads.appoint(ana, by=None)

    def test_ended_they_are_told(self):
        ana = lead_driver()
        assert not leads.end(ana, by=None).is_lead
        assert Message.objects.get(person=ana).subject == "You are no longer a lead driver"
        leads.end(ana, by=None)
        assert Message.objects.count() == 1

    def test_undone_before_the_mail_went_out_nobody_is_told_anything(self):
        ana = leads.appoint(ready_person(), by=None)
        leads.end(ana, by=None)
        assert [message.state for message in Message.objects.all()] == [Message.State.REPLACED]

    def test_after_it_went_out_the_end_is_told(self):
        ana = leads.appoint(ready_person(), by=None)
        Message.objects.update(state=Message.State.SENT)
        leads.end(ana, by=None)
        assert Message.objects.filter(state=Message.State.OWED).count() == 1

"""The plan: who is proposed for which run, what the rules keep out, what would fill the rest, and what the
coordinator wants of it."""

from collections import Counter
from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase as DjangoTestCase

from shifts.cover.asking import ask_by_hand
from shifts.cover.candidates import may_drive
from shifts.cover.plan import SECONDS, aims_in_words, instance_for, proof_in_words, propose
from shifts.cover.wishes import FORBID, NONE, PIN, wish
from shifts.models import Ask, Booking, PlanWish, Policy, Run, Search, Shift, Standing
from shifts.models.standing import monday_of
from shifts.seats.booking import seat
from shifts.seats.changes import cancel_run
from sites.changes import close_site
from sites.models import Event
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    make_ready,
    make_run,
    put,
    ready_person,
)
from volunteers.models import Completion, NotAt, Person, Step
from volunteers.people import add_away, change_person, set_cars, set_hours
from volunteers.progress import NotPossible

AT = datetime(2027, 5, 3, 15, tzinfo=UTC)  # a Monday, 11:00 in New York
TUESDAY = datetime(2027, 5, 4, 12, tzinfo=UTC)  # 08:00
HOUR, DAY, WEEK = timedelta(hours=1), timedelta(days=1), timedelta(weeks=1)
LAST = date(2027, 6, 20)
db = pytest.mark.django_db


def proposal(last=LAST, **facts):
    return propose(AT.date(), last, at=AT, **facts)


def planned(**facts):
    return {one.run: one.person for one in proposal(**facts).proposed}


def only_unfilled(**facts):
    [one] = proposal(**facts).unfilled
    return one.why, [what for what, _do in one.ways]


@pytest.fixture
def door():
    return [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen")]


@pytest.fixture
def run(door):
    return make_run(starts_at=TUESDAY, sites=door, crates=10)


# --- whom


@db
class TestWhichRuns:
    def test_those_without_a_driver_that_take_place_and_are_still_to_come(self, door):
        ready_person()
        wanted = make_run(starts_at=TUESDAY, sites=door)
        put(ready_person(), make_run(starts_at=TUESDAY + DAY, sites=door))
        cancel_run(make_run(starts_at=TUESDAY + 2 * DAY, sites=door), reason="Ice", by=None, at=AT)
        make_run(starts_at=AT - HOUR, sites=door)
        shut = SiteFactory()
        closed = make_run(starts_at=TUESDAY + 3 * DAY, sites=[shut, door[1]])
        close_site(shut, first=closed.local_date, last=closed.local_date, by=None)
        assert [one.pk for one in proposal().world.runs] == [wanted.pk]

    def test_only_as_far_as_volunteers_can_book_and_of_the_days_asked_for(self, door):
        ready_person()
        near, far = (make_run(starts_at=TUESDAY + n * WEEK, sites=door) for n in (0, 4))
        assert set(planned()) == {near, far}
        assert set(planned(last=near.local_date)) == {near}
        Policy.objects.update(weeks_shown=3)
        assert set(planned()) == {near}

    def test_not_those_that_are_kept_for_a_regular_driver(self, door):
        ready_person()
        shift = Shift.objects.create(name="Weekly")
        absent = PersonFactory()
        day = (TUESDAY + 2 * WEEK).date()
        Standing.objects.create(shift=shift, person=absent, anchor=day, from_day=day, made_at=AT)
        make_run(starts_at=TUESDAY + 2 * WEEK, sites=door, shift=shift, slot_date=day)
        found = proposal()
        assert (found.proposed, found.unfilled, found.world.kept) == ([], [], 1)
        assert propose(day, day, at=AT + 2 * WEEK - DAY).world.kept == 0  # near: not kept any more

    def test_nothing_to_plan(self):
        found = proposal()
        assert (found.proposed, found.unfilled, found.unheld) == ([], [], [])
        assert (proof_in_words(found.plan), aims_in_words(found.plan)) == ("", [])


@db
class TestWho:
    def test_whoever_may_drive_and_wants_to(self, run):
        ina = ready_person(name="Ina Quell")
        assert planned() == {run: ina}

    @pytest.mark.parametrize(
        "change",
        [
            lambda person, run: Completion.objects.filter(person=person).first().delete(),
            lambda person, run: NotAt.objects.create(person=person, site=run.ordered_stops[0].site, at=AT),
            lambda person, run: add_away(person, first=run.local_date, last=run.local_date, by=None),
            lambda person, run: set_hours(person, [(1, time(12), time(18))], by=None),
            lambda person, run: set_cars(person, [{"label": "small", "crates": 9}], by=None),
            lambda person, run: change_person(person, by=None, runs_a_week=0),
            lambda person, run: change_person(person, by=None, wants_requests=False),
            lambda person, run: Person.objects.filter(pk=person.pk).update(paused_on=AT.date()),
            lambda person, run: put(person, run, "second"),
            lambda person, run: put(person, make_run(starts_at=run.starts_at + HOUR)),
            lambda person, run: wish(run=run, person=person, kind=FORBID, by=None, at=AT),
            lambda person, run: told_no(person, run, Ask.Answer.NO),
            lambda person, run: told_no(
                person, make_run(starts_at=TUESDAY + 2 * DAY), Ask.Answer.NOT_THIS_WEEK
            ),
        ],
        ids=[
            "not ready", "not there", "away", "hours", "car", "no runs", "no requests", "pauses",
            "second seat", "elsewhere", "forbidden", "said no", "not this week",
        ],
    )  # fmt: skip
    def test_nobody_whom_a_rule_keeps_out(self, run, change):
        person = ready_person()
        assert planned()[run] == person
        change(person, run)
        assert run not in planned()

    def test_a_week_holds_no_more_than_they_want_with_what_they_have(self, door):
        person = ready_person(runs_a_week=2)
        put(person, make_run(starts_at=AT - 2 * HOUR, sites=door))  # this Monday, driven already
        for n in range(3):
            make_run(starts_at=TUESDAY + n * DAY, sites=door)
        make_run(starts_at=TUESDAY + 5 * DAY, sites=door)  # Sunday: still the same week
        for n in range(3):
            make_run(starts_at=TUESDAY + (6 + n) * DAY, sites=door)  # from Monday
        weeks = Counter(monday_of(run.local_date) for run in planned())
        assert weeks == {date(2027, 5, 3): 1, date(2027, 5, 10): 2}

    def test_nobody_is_in_two_places_with_the_drive_between(self, door):
        ready_person(runs_a_week=7)
        make_run(starts_at=TUESDAY, sites=door)
        make_run(starts_at=TUESDAY + HOUR + timedelta(minutes=14), sites=list(reversed(door)))
        assert len(planned()) == 1
        Policy.objects.update(between_minutes=14)
        assert len(planned()) == 2

    def test_nobody_is_asked_more_often_in_a_week_than_they_are_to_be(self, door):
        """What starts within seven days has to be asked about now; a later run, next week."""
        person = ready_person(runs_a_week=7, requests_a_week=1)
        for n in (2, 3, 4):  # from Thursday: none is urgent
            make_run(starts_at=TUESDAY + n * DAY, sites=door)
        later = make_run(starts_at=TUESDAY + 8 * DAY, sites=door)
        assert len(planned()) == 2
        assert later in planned()
        urgent = make_run(starts_at=TUESDAY, sites=door)  # one urgent request beside them
        assert len(planned()) == 3
        assert urgent in planned()
        told_no(person, make_run(starts_at=TUESDAY + 9 * DAY, sites=door), Ask.Answer.NO)
        assert len(planned()) == 2

    def test_the_urgent_run_comes_first_and_then_the_most_crates(self, door):
        ready_person(runs_a_week=1, requests_a_week=7)
        runs = [
            make_run(starts_at=TUESDAY + n * DAY, sites=door, crates=crates)
            for n, crates in [(0, 1), (2, 90), (3, 95), (4, 80)]
        ]
        assert set(planned()) == {runs[0]}
        put(ready_person(runs_a_week=1), runs[0])
        assert set(planned()) == {runs[2]}

    def test_even_shares_before_the_shortest_drives_before_what_they_are_used_to(self, door):
        site = door[0]
        near = ready_person(home_latitude=site.latitude, home_longitude=site.longitude, runs_a_week=2)
        far = ready_person(home_latitude=site.latitude + 1, home_longitude=site.longitude, runs_a_week=2)
        one, two = (make_run(starts_at=TUESDAY + n * DAY, sites=door) for n in (0, 2))
        assert sorted(planned().values(), key=lambda person: person.pk) == [near, far]
        put(ready_person(), two)
        assert planned() == {one: near}

    def test_who_drove_the_weekly_run_lately_keeps_it_and_so_does_the_plan_that_was_shown(self, door):
        first, second = ready_person(name="Abe"), ready_person(name="Zoe")
        shift = Shift.objects.create(name="Weekly")
        day = TUESDAY.date()
        this = make_run(starts_at=TUESDAY, sites=door, shift=shift, slot_date=day)
        assert planned(shown={this.pk: first.pk}) == {this: first}
        assert planned(shown={this.pk: second.pk}) == {this: second}
        last = make_run(starts_at=TUESDAY - WEEK, sites=door, shift=shift, slot_date=day - WEEK)
        booking = put(first, last)
        assert planned() == {this: first}
        Booking.objects.filter(pk=booking.pk).update(person=second)
        assert planned() == {this: second}

    def test_whoever_was_asked_stays_in_the_plan(self, door, run):
        people = [ready_person() for _ in range(4)]
        for person in people:
            Ask.objects.all().delete()
            Search.objects.all().delete()
            search = Search.objects.create(run=run, opened_at=AT)
            asked(search, person)
            [one] = proposal().proposed
            assert (one.person, one.is_asked) == (person, True)

    def test_a_home_that_is_not_known_counts_as_the_middle_of_those_that_are(self, door, run):
        site = door[0]

        def at(degrees, **facts):
            return ready_person(home_latitude=site.latitude + degrees, home_longitude=site.longitude, **facts)

        for degrees in (0.0, 0.1, 0.4):
            at(degrees)
        ready_person()
        miles = sorted(option.miles for option in instance_for(AT.date(), LAST, at=AT).options)
        assert len(miles) == 4
        assert miles[1] == miles[2] != miles[0]


def asked(search, person, answer="", at=AT - HOUR):
    return Ask.objects.create(
        search=search, person=person, wave=1, starts_at=AT, ends_at=AT, asked_at=at, answer=answer,
        answered_at=at if answer else None,
    )  # fmt: skip


def told_no(person, run, answer):
    search = Search.objects.filter(run=run, ended_at=None).first()
    asked(search or Search.objects.create(run=run, opened_at=AT), person, answer)


# --- why not


@db
class TestUnfilled:
    def test_what_would_fill_it_is_said_and_would(self, door, run):
        """Each way is tried: it really fills the run."""
        person = ready_person(name="Ina Quell", runs_a_week=1)
        assert planned() == {run: person}
        other = make_run(starts_at=TUESDAY + 2 * DAY, sites=door)
        why, ways = only_unfilled()
        assert why == "Everybody who is ready has as many runs that week as they want."
        assert ways == ["Ina Quell would drive one run more than they want that week."]
        change_person(person, by=None, runs_a_week=2)
        assert set(planned()) == {run, other}

    def test_hours(self, run):
        set_hours(ready_person(name="Ina Quell"), [(1, time(12), time(18))], by=None)
        why, ways = only_unfilled()
        assert why == "Nobody who is ready is usually free then."
        assert ways == ["Ina Quell is ready, but not usually free then."]

    def test_a_car_and_two_names(self, run):
        for name in ("Abe Ash", "Zoe Elm"):
            set_cars(ready_person(name=name), [{"label": "small", "crates": 9}], by=None)
        why, ways = only_unfilled()
        assert why == "No car of those who are ready is large enough."
        assert ways == ["Abe Ash and Zoe Elm are ready, with a car too small for 10 crates."]

    def test_only_its_door_notes(self, run, door):
        doors = Step.objects.create(kind=Step.Kind.DOORS, site=door[0], title="Door notes")
        doors.terms.create(applies_from=date(2020, 1, 1))
        make_ready(PersonFactory(name="Ina Quell"))
        make_ready(PersonFactory(name="Newly Here"), without=("license",))
        Completion.objects.filter(step=doors).delete()
        why, ways = only_unfilled()
        assert why == "Nobody is ready to drive it alone."
        assert ways == ["Ina Quell needs only its door notes."]

    def test_a_shadow_ride_but_not_when_something_else_keeps_them(self, run):
        trainee = make_ready(PersonFactory(name="Ina Quell"), without=("ride",))
        busy = make_ready(PersonFactory(name="Zoe Elm"), without=("ride",))
        add_away(busy, first=run.local_date, last=run.local_date, by=None)
        _why, ways = only_unfilled()
        assert ways == ["Ina Quell needs only a shadow ride."]
        make_ready(trainee)
        assert planned() == {run: trainee}

    def test_at_the_same_time(self, door, run):
        ready_person(name="Ina Quell", runs_a_week=5)
        other = make_run(starts_at=TUESDAY, sites=door, title="Dairy run", crates=1)
        found = proposal()
        [one] = found.unfilled
        assert (one.run, one.why) == (other, "Everybody who is ready is planned for another run then.")
        assert [what for what, _do in one.ways] == ["Ina Quell is planned for Morning run at that time."]

    def test_several_reasons_are_counted(self, run):
        add_away(ready_person(), first=run.local_date, last=run.local_date, by=None)
        told_no(ready_person(), run, Ask.Answer.NO)
        why, ways = only_unfilled()
        assert why == "Of 2 who are ready, 1 is away, 1 said no."
        assert len(ways) == 1

    def test_somebody_asked_often_enough(self, door):
        ready_person(name="Ina Quell", runs_a_week=7, requests_a_week=0)
        make_run(starts_at=TUESDAY + 3 * DAY, sites=door)
        assert only_unfilled() == (
            "Everybody who is ready has been asked often enough this week.",
            ["Ina Quell has been asked often enough this week."],
        )


# --- wishes


@db
class TestWishes:
    def test_wanted_not_wanted_and_taken_back(self, run):
        """The one who would not be chosen, then the other one."""
        by = coordinator().user
        first, second = ready_person(name="Abe"), ready_person(name="Zoe")
        chosen = planned()[run]
        other = first if chosen == second else second
        assert wish(run=run, person=other, kind=PIN, by=by, at=AT) == {other.pk: NONE}
        [one] = proposal().proposed
        assert (one.person, one.is_pinned) == (other, True)
        assert wish(run=run, person=chosen, kind=PIN, by=by, at=AT) == {chosen.pk: NONE, other.pk: PIN}
        assert planned() == {run: chosen}
        assert wish(run=run, person=chosen, kind=FORBID, by=by, at=AT) == {chosen.pk: PIN}
        assert planned() == {run: other}
        assert wish(run=run, person=chosen, kind=NONE, by=by, at=AT) == {chosen.pk: FORBID}
        assert not PlanWish.objects.exists()
        last = Event.objects.about(run).first()
        assert (last.verb, last.by, last.person_id, last.before, last.after) == (
            "plan wish", by, chosen.pk, {"kind": FORBID}, {"kind": NONE},
        )  # fmt: skip

    def test_not_of_a_run_that_needs_nobody_nor_of_whoever_does_not_drive(self, run):
        person = ready_person()
        sorter = PersonFactory(drives=False)
        with pytest.raises(NotPossible, match="does not drive"):
            wish(run=run, person=sorter, kind=PIN, by=None, at=AT)
        with pytest.raises(NotPossible, match="needs no driver"):
            wish(run=run, person=person, kind=PIN, by=None, at=run.starts_at)
        put(ready_person(), run)
        with pytest.raises(NotPossible, match="needs no driver"):
            wish(run=run, person=person, kind=PIN, by=None, at=AT)
        with pytest.raises(ValueError, match="pin, forbid or none"):
            wish(run=run, person=person, kind="perhaps", by=None, at=AT)
        assert not PlanWish.objects.exists()

    def test_whoever_cannot_is_said_with_the_reason_and_somebody_else_is_planned(self, door, run):
        busy, other = ready_person(name="Ina Quell", runs_a_week=1), ready_person(name="Abe Ash")
        wish(run=run, person=busy, kind=PIN, by=None, at=AT)
        assert planned() == {run: busy}
        for change, why in [
            (lambda: set_hours(busy, [(1, time(12), time(18))], by=None), "is not usually free then"),
            (lambda: set_cars(busy, [{"label": "small", "crates": 1}], by=None), "is not usually free then"),
            (lambda: set_hours(busy, [], by=None), "has no car that is large enough"),
            (lambda: Completion.objects.filter(person=busy).delete(), "is not ready for it on that date"),
            (lambda: change_person(busy, by=None, drives=False), "does not drive, pauses, or has left"),
        ]:
            change()
            found = proposal()
            [one] = found.unheld
            assert (one.run, one.person) == (run, busy)
            assert one.why.startswith(why)
            assert found.by_run == {run.pk: other.pk}

    def test_two_that_exclude_each_other(self, door, run):
        person = ready_person(runs_a_week=1)
        other = make_run(starts_at=TUESDAY + 2 * DAY, sites=door)
        for one in (run, other):
            wish(run=one, person=person, kind=PIN, by=None, at=AT)
        found = proposal()
        assert found.by_run == {run.pk: person.pk}
        [one] = found.unheld
        assert (one.run, one.why) == (other, "has as many runs that week as they want")


# --- how good it is


@db
class TestProof:
    def test_proven(self, run):
        ready_person()
        found = proposal()
        assert proof_in_words(found.plan).startswith("Proven best")
        assert ("Runs covered, urgent", "1, proven best") in aims_in_words(found.plan)

    def test_when_the_time_is_up(self, door):
        ready_person(runs_a_week=1)
        for n in (0, 2):
            make_run(starts_at=TUESDAY + n * DAY, sites=door)
        found = proposal(seconds=0)
        assert len(found.proposed) == 1
        said = proof_in_words(found.plan)
        assert said == f"Stopped after {SECONDS:g} seconds with the best found. " + (
            "A better plan would cover at most 1 more run."
        )
        assert any(words.endswith("not proven") for _name, words in aims_in_words(found.plan))

    def test_what_was_proposed_is_done_by_asking(self, run):
        """The plan itself changes nothing."""
        ready_person()
        [one] = proposal().proposed
        assert not Booking.objects.exists()
        assert not Ask.objects.exists()
        [ask] = ask_by_hand(one.run, [one.person.pk], by=coordinator().user, at=AT).asked
        assert ask.person == one.person
        assert not Booking.objects.exists()


# --- never a seat that the gate refuses


@st.composite
def worlds(draw):
    """Small worlds: people of whom some lack a step, have a paper that runs out, small cars, hours, days
    away, other runs; runs that overlap and stand in two weeks."""
    people = draw(
        st.lists(
            st.fixed_dictionaries(
                {
                    "without": st.sampled_from([(), (), (), ("ride",), ("insurance",)]),
                    "until": st.sampled_from([None, None, 1, 4, 9]),
                    "crates": st.sampled_from([None, None, 5, 20]),
                    "hours": st.sampled_from([None, None, (6, 12), (12, 20)]),
                    "away": st.sampled_from([None, None, 1, 3]),
                    "wants": st.integers(0, 3),
                    "not_at": st.sampled_from([None, None, 0, 1]),
                    "drives": st.sampled_from([True, True, True, False]),
                }
            ),
            min_size=1,
            max_size=5,
        )
    )
    runs = draw(
        st.lists(
            st.tuples(
                st.integers(0, 11),
                st.sampled_from([0, 1, 2, 5]),
                st.sampled_from([0, 10]),
                st.integers(0, 2),
            ),
            min_size=1,
            max_size=8,
        )
    )  # fmt: skip
    booked = draw(st.lists(st.tuples(st.integers(0, 4), st.integers(0, 7)), max_size=2))
    return people, runs, booked


class TestGate(DjangoTestCase):
    @given(worlds())
    def test_everybody_proposed_can_be_seated_all_together(self, world):
        facts, rows, booked = world
        doors = [SiteFactory() for _ in range(3)]
        drop = DropOffFactory()
        people = [one_of(fact, doors) for fact in facts]
        runs = [
            make_run(starts_at=TUESDAY + day * DAY + hour * HOUR, sites=[doors[door], drop], crates=crates)
            for day, hour, crates, door in rows
        ]
        for person, run in booked:
            if person < len(people) and run < len(runs) and not runs[run].bookings.exists():
                put(people[person], runs[run])
        Policy.objects.update_or_create(defaults={"requests_a_week": 2})
        found = proposal()
        assert found.plan.is_proven
        filled = {one.run.pk for one in found.proposed}
        assert filled | {one.run.pk for one in found.unfilled} == {run.pk for run in found.world.runs}
        for one in found.proposed:
            assert one.person in may_drive(Run.objects.get(pk=one.run.pk))
            seat(run=one.run, person=one.person, seat="driver", by=None, at=AT)  # raises if it may not be
        week = Counter(
            (booking.person_id, monday_of(booking.run.local_date))
            for booking in Booking.objects.live().drivers().filter(run__in=filled).select_related("run")
        )
        wants = dict(Person.objects.values_list("pk", "runs_a_week"))
        assert all(count <= wants[person] for (person, _monday), count in week.items())


def one_of(fact, doors):
    person = PersonFactory(runs_a_week=fact["wants"])
    until = AT.date() + fact["until"] * DAY if fact["until"] else None
    make_ready(person, without=fact["without"], until=until)
    if fact["crates"]:
        set_cars(person, [{"label": "car", "crates": fact["crates"]}], by=None)
    if fact["hours"]:
        first, last = fact["hours"]
        set_hours(person, [(day, time(first), time(last)) for day in range(7)], by=None)
    if fact["away"]:
        day = AT.date() + fact["away"] * DAY
        add_away(person, first=day, last=day + DAY, by=None)
    if fact["not_at"] is not None:
        NotAt.objects.create(person=person, site=doors[fact["not_at"]], at=AT)
    if not fact["drives"]:
        change_person(person, by=None, drives=False)
    return person


# --- how many queries


@db
def test_queries_grow_neither_with_runs_nor_with_people(door):
    def count(runs, people):
        for n in range(runs):
            make_run(starts_at=TUESDAY + n % 10 * DAY + n * HOUR / 7, sites=door)
        for n in range(people):
            person = ready_person(runs_a_week=1)
            if n % 2:
                add_away(person, first=AT.date(), last=AT.date() + 3 * DAY, by=None)
        with CaptureQueriesContext(connection) as queries:
            found = proposal()
        assert found.proposed
        assert found.unfilled
        return len(queries)

    proposal()  # what is made when it is first read is there
    few = count(4, 2)
    assert count(20, 9) == few

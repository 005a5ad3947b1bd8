"""The gate against a reference in plain Python, written from the rule's words and not from its query.

The rule: who drives alone on a date must meet every term in force on it, of the programme's steps and of
those of the run's sites. A term holds from a date (included) until a date (excluded). It is met by enough
completions of its step that nobody took back, that are valid on the date (both ends included), and whose
revision is the term's or a newer one.
"""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.db import transaction
from hypothesis import event, given
from hypothesis import strategies as st

from shifts.cover.candidates import cleared_for_each, may_drive, three_names
from shifts.models import Booking, Run, Stop
from shifts.pages.volunteer import lacking_steps, with_lacking
from sites.models import Site
from tests.factories import LONG_AGO
from volunteers import clearance
from volunteers.models import Completion, Person, Step, StepTerm

DAY = date(2027, 3, 12)  # a few days around a clock change in the United States
NOW = datetime(2027, 3, 1, 12, tzinfo=UTC)
PROGRAMME_KINDS = [kind for kind in Step.Kind.values if kind != "doors"]


# --- The reference -------------------------------------------------------------
@dataclass
class Term:
    first_day: date
    day_it_ended: date | None
    revision: int
    how_often: int

    def holds_on(self, day):
        return self.first_day <= day and (self.day_it_ended is None or day < self.day_it_ended)


@dataclass
class Done:
    person: int
    revision: int
    first_day: date
    last_day: date | None
    taken_back: bool

    def counts(self, term, day):
        if self.taken_back or self.revision < term.revision or day < self.first_day:
            return False
        return self.last_day is None or day <= self.last_day


@dataclass
class Asked:
    """A step: `site` is None where the whole programme asks for it."""

    kind: str
    site: int | None
    position: int
    terms: list[Term]
    done: list[Done]

    def lacking(self, person, day):
        """The terms that the person does not meet on the day, each with how many completions count."""
        for term in sorted(self.terms, key=lambda term: term.first_day):
            if term.holds_on(day):
                count = sum(done.person == person and done.counts(term, day) for done in self.done)
                yield term, count


@dataclass
class Trip:
    day: date
    sites: list[int]
    driver: int | None
    second: int | None


@dataclass
class World:
    sites: int
    people: int
    steps: list[Asked]
    trips: list[Trip]
    rows: dict = field(default_factory=dict)  # a term's row
    steps_of: dict = field(default_factory=dict)  # a term's step
    order_of_steps: list = field(default_factory=list)

    def asked_of(self, person, day, sites):
        """(term, completions that count) for every term in force, in the order of the steps."""
        for step in sorted(self.steps, key=lambda step: step.position):
            if step.site is None or step.site in sites:
                yield from step.lacking(person, day)

    def missing(self, person, day, sites):
        return [term for term, count in self.asked_of(person, day, sites) if count < term.how_often]

    def ready(self, person, trip):
        return not self.missing(person, trip.day, trip.sites)


# --- Random worlds -------------------------------------------------------------
days = st.integers(0, 5).map(lambda number: DAY + timedelta(days=number))
revisions = st.integers(1, 3)


@st.composite
def terms(draw):
    """One to three terms that follow one another, sometimes with a gap; the last may be open."""
    starts = sorted(draw(st.lists(days, min_size=1, max_size=3, unique=True)))
    found = []
    for first, following in zip(starts, [*starts[1:], None], strict=True):
        longest = (following or DAY + timedelta(days=7)) - first
        length = draw(st.integers(1, longest.days))
        open_end = following is None and draw(st.booleans())
        found.append(
            Term(
                first,
                None if open_end else first + timedelta(days=length),
                draw(revisions),
                draw(st.sampled_from([1, 1, 2])),
            )
        )
    return found


@st.composite
def completions(draw, people):
    first = draw(days)
    last = first + timedelta(days=draw(st.integers(0, 4)))
    return Done(
        person=draw(st.integers(0, people - 1)),
        revision=draw(revisions),
        first_day=first,
        last_day=draw(st.sampled_from([None, last])),
        taken_back=draw(st.sampled_from([False, False, False, True])),
    )


@st.composite
def worlds(draw):
    sites, people = draw(st.integers(1, 3)), draw(st.integers(1, 3))
    steps = []
    for position in range(draw(st.integers(0, 3))):
        site = draw(st.sampled_from([None, *range(sites)]))
        had_doors = {step.site for step in steps if step.kind == "doors"}
        kinds = PROGRAMME_KINDS if site is None or site in had_doors else Step.Kind.values
        steps.append(
            Asked(
                kind=draw(st.sampled_from(kinds)),
                site=site,
                position=position,
                terms=draw(terms()),
                done=draw(st.lists(completions(people), max_size=6)),
            )
        )
    nobody_or_one = st.sampled_from([None, *range(people)])
    trips = []
    for _ in range(draw(st.integers(1, 3))):
        driver, second = draw(nobody_or_one), draw(nobody_or_one)
        stops = draw(st.lists(st.integers(0, sites - 1), max_size=3))
        trips.append(Trip(draw(days), stops, driver, second if second != driver else None))
    return World(sites, people, steps, trips)


def build(world):
    """The world as rows, each kind in one insert. `world.rows` maps what the reference holds to its row."""
    sites = Site.objects.bulk_create(Site(name=f"Site {n}", gives=True) for n in range(world.sites))
    people = Person.objects.bulk_create(
        Person(name=f"Person {n}", reach="call", joined_on=LONG_AGO) for n in range(world.people)
    )
    # Inserted from the last to the first, so that the order of the steps is not the order of their rows.
    steps = Step.objects.bulk_create(
        Step(
            kind=step.kind,
            site=None if step.site is None else sites[step.site],
            title=step.kind,
            position=step.position,
        )
        for step in reversed(world.steps)
    )[::-1]
    term_rows, done_rows = [], []
    for step, row in zip(world.steps, steps, strict=True):
        term_rows += [
            (
                term,
                StepTerm(
                    step=row,
                    applies_from=term.first_day,
                    applies_until=term.day_it_ended,
                    revision=term.revision,
                    times=term.how_often,
                ),
            )
            for term in step.terms
        ]
        done_rows += [
            Completion(
                step=row,
                person=people[done.person],
                revision=done.revision,
                valid_from=done.first_day,
                valid_until=done.last_day,
                recorded_at=NOW,
                withdrawn_at=NOW if done.taken_back else None,
                withdrawn_reason="By mistake." if done.taken_back else "",
            )
            for done in step.done
        ]
    StepTerm.objects.bulk_create(row for _term, row in term_rows)
    Completion.objects.bulk_create(done_rows)
    world.rows = {id(term): row.pk for term, row in term_rows}
    world.steps_of = {id(term): row.step_id for term, row in term_rows}
    world.order_of_steps = [step.pk for step in steps]
    runs = Run.objects.bulk_create(
        Run(
            title=f"Run {n}",
            local_date=trip.day,
            starts_at=at(trip, n),
            ends_at=at(trip, n) + timedelta(minutes=30),
        )
        for n, trip in enumerate(world.trips)
    )
    Stop.objects.bulk_create(
        Stop(run=run, position=position, site=sites[site])
        for trip, run in zip(world.trips, runs, strict=True)
        for position, site in enumerate(trip.sites, start=1)
    )
    return sites, people, runs


def at(trip, number):
    return datetime.combine(trip.day, time(14 + number), UTC)


def book(world, people, runs):
    """Bare bookings, and beside each run's an ended one of everybody: those must never show."""
    rows = []
    for trip, run in zip(world.trips, runs, strict=True):
        for seat, person in (("driver", trip.driver), ("second", trip.second)):
            if person is not None:
                rows.append(Booking(run=run, person=people[person], seat=seat, booked_at=NOW))
        rows += [
            Booking(run=run, person=person, seat="driver", booked_at=NOW, ended_at=NOW, end="given back")
            for person in people
        ]
    Booking.objects.bulk_create(rows)


def pks(world, found):
    return [world.rows[id(term)] for term in found]


# --- Every form of the gate -----------------------------------------------------
@pytest.fixture
def no_steps(db):
    """An empty programme: the shipped steps would ask everybody for more than the world does."""
    StepTerm.objects.all().delete()
    Step.objects.all().delete()


@given(world=worlds())
def test_every_form_of_the_gate_gives_the_reference_answer(no_steps, world):
    with transaction.atomic():
        sites, people, runs = build(world)
        trips = list(zip(world.trips, runs, strict=True))
        for trip, run in trips:
            one_run_and_its_people(world, trip, run, sites, people)
        for number, person in enumerate(people):
            many_runs = set(Run.objects.open_to(person).values_list("pk", flat=True))
            assert many_runs == {run.pk for trip, run in trips if world.ready(number, trip)}
            marked = lacking_steps(with_lacking(Run.objects.all(), person))
            for trip, run in trips:
                missing = {world.steps_of[id(term)] for term in world.missing(number, trip.day, trip.sites)}
                assert [step.pk for step in marked[run.pk]] == sorted(missing, key=world.order_of_steps.index)
        many_runs_and_their_people(world, trips, people)
        book(world, people, runs)
        bookings_whose_clearance_is_gone(world, trips)
        transaction.set_rollback(True)


def one_run_and_its_people(world, trip, run, sites, people):
    ids = [sites[site].pk for site in trip.sites]
    ready = {person.pk for number, person in enumerate(people) if world.ready(number, trip)}
    event(f"of the people, ready: {'all' if len(ready) == len(people) else 'some' if ready else 'none'}")

    everybody = Person.objects.all()
    assert set(clearance.cleared(everybody, on=trip.day, sites=ids).values_list("pk", flat=True)) == ready
    assert set(may_drive(run).values_list("pk", flat=True)) == ready

    by_person = clearance.missing_by_person(people, on=trip.day, sites=ids)
    for number, person in enumerate(people):
        expected = pks(world, world.missing(number, trip.day, trip.sites))
        missing = clearance.missing(person, on=trip.day, sites=ids)
        assert [term.pk for term in missing] == expected
        assert [step.pk for step in by_person[person.pk]] == [term.step_id for term in missing]

        states = clearance.standing(person, on=trip.day, sites=ids)
        asked = list(world.asked_of(number, trip.day, trip.sites))
        assert [(s.term.pk, s.met, s.done) for s in states] == [
            (world.rows[id(term)], count >= term.how_often, count) for term, count in asked
        ]
        assert all((state.completion is None) == (state.done == 0) for state in states)


def many_runs_and_their_people(world, trips, people):
    """Nobody is booked yet, so that whoever is ready is free."""
    runs = [run for _trip, run in trips]
    cleared = cleared_for_each(runs, among=[person.pk for person in people])
    names = three_names(runs, at=NOW)
    for trip, run in trips:
        ready = {person.pk for number, person in enumerate(people) if world.ready(number, trip)}
        assert cleared[run.pk] == ready
        assert {candidate.person.pk for candidate in names[run.pk]} == ready, "three people at most"


def bookings_whose_clearance_is_gone(world, trips):
    seats = [(run.pk, seat) for _trip, run in trips for seat in ("driver", "second")]
    sitting = dict(
        zip(seats, [person for trip, _run in trips for person in (trip.driver, trip.second)], strict=True)
    )
    gone = {
        (run.pk, seat)
        for trip, run in trips
        for seat in ("driver", "second")
        if sitting[run.pk, seat] is not None and not world.ready(sitting[run.pk, seat], trip)
    }
    assert set(Booking.objects.uncleared().values_list("run", "seat")) == gone
    assert set(Booking.objects.clearance_gone().values_list("run", "seat")) == {
        (run, seat) for run, seat in gone if seat == "driver"
    }


# --- Its edges, each by name ----------------------------------------------------
@pytest.fixture
def briefing(no_steps):
    return Step.objects.create(kind="briefing", title="Briefing")


@pytest.fixture
def person(db):
    return Person.objects.create(name="Ina Quell", reach="call", joined_on=LONG_AGO)


def term(step, *, first=DAY - timedelta(days=30), until=None, **facts):
    return StepTerm.objects.create(step=step, applies_from=first, applies_until=until, **facts)


def done(step, person, *, first=DAY - timedelta(days=10), until=None, **facts):
    return Completion.objects.create(
        step=step, person=person, valid_from=first, valid_until=until, recorded_at=NOW, **facts
    )


def is_ready(person, on=DAY, sites=()):
    return not clearance.missing(person, on=on, sites=sites)


def test_a_programme_that_asks_nothing_lets_everybody_drive(no_steps, person):
    assert is_ready(person)


def test_a_term_holds_from_its_first_day_and_not_on_its_end(briefing, person):
    term(briefing, first=DAY, until=DAY + timedelta(days=3))
    asked = [not is_ready(person, on=DAY + timedelta(days=n)) for n in (-1, 0, 2, 3)]
    assert asked == [False, True, True, False]


def test_a_completion_counts_on_its_first_and_its_last_day(briefing, person):
    term(briefing)
    done(briefing, person, first=DAY, until=DAY + timedelta(days=2))
    assert [is_ready(person, on=DAY + timedelta(days=n)) for n in (-1, 0, 2, 3)] == [False, True, True, False]


@pytest.mark.parametrize(("revision", "ready"), [(1, False), (2, True), (3, True)])
def test_the_newer_revision_satisfies_the_older_and_not_the_other_way(briefing, person, revision, ready):
    term(briefing, revision=2)
    done(briefing, person, revision=revision)
    assert is_ready(person) == ready


def test_what_was_taken_back_does_not_count(briefing, person):
    term(briefing)
    completion = done(briefing, person)
    assert is_ready(person)
    Completion.objects.filter(pk=completion.pk).update(withdrawn_at=NOW, withdrawn_reason="By mistake.")
    assert not is_ready(person)


@pytest.mark.parametrize(("rides", "ready"), [(0, False), (1, False), (2, True), (3, True)])
def test_a_step_may_ask_for_more_than_once(no_steps, person, rides, ready):
    step = Step.objects.create(kind="ride", title="Shadow ride")
    term(step, times=2)
    for _ in range(rides):
        done(step, person)
    assert is_ready(person) == ready


def test_somebody_elses_completion_does_not_count(briefing, person):
    term(briefing)
    done(briefing, Person.objects.create(name="Other", reach="call", joined_on=LONG_AGO))
    assert not is_ready(person)


def test_another_steps_completion_does_not_count(briefing, person):
    term(briefing)
    done(Step.objects.create(kind="form", title="Form"), person)
    assert not is_ready(person)


def test_a_sites_step_is_asked_only_where_the_run_stops(no_steps, person):
    here, there = Site.objects.create(name="Here", gives=True), Site.objects.create(name="There", gives=True)
    term(Step.objects.create(kind="doors", site=here, title="Door notes"))
    assert not is_ready(person, sites=[here.pk])
    assert not is_ready(person, sites=[there.pk, here.pk])
    assert is_ready(person, sites=[there.pk])
    assert is_ready(person)


def test_the_newest_completion_shown_is_the_one_that_lasts_longest(briefing, person):
    term(briefing)
    lasting = done(briefing, person, until=DAY + timedelta(days=50))
    done(briefing, person, until=DAY + timedelta(days=5))
    (state,) = clearance.standing(person, on=DAY)
    assert (state.completion, state.valid_until, state.done) == (lasting, DAY + timedelta(days=50), 2)

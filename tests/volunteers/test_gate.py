"""The gate against a reference in plain Python, written from the rule's words and not from its query.

The rule: who drives alone on a date must meet every term in force on it, of the programme's steps and of
those of the run's sites. A term holds from a date (included) until a date (excluded). It is met by enough
completions of its step that nobody took back, that are valid on the date (both ends included), and whose
revision is the term's or a newer one. And nobody drives to a site that they are not to be sent to.

What a step asks is drawn twice: as terms side by side in any way, and as a history of changes made by
`volunteers.steps`, whose reference is a plain calendar: for each day, what was asked on it.
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
from volunteers import clearance, steps
from volunteers.models import Completion, NotAt, Person, Step, StepTerm
from volunteers.progress import NotPossible

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
    not_at: dict = field(default_factory=dict)  # (person, site): whether it still holds
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

    def barred(self, person, sites):
        return any(self.not_at.get((person, site)) for site in sites)

    def ready(self, person, trip):
        return not self.missing(person, trip.day, trip.sites) and not self.barred(person, trip.sites)


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
def done_by_some(draw, people):
    """Any completions, and for some of the people a good one, so that some are ready and others are not."""
    good = [
        Done(person, draw(st.integers(2, 6)), DAY, None, taken_back=False)
        for person in range(people)
        if draw(st.booleans())
    ]
    return good + draw(st.lists(completions(people), max_size=3))


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
                done=draw(done_by_some(people)),
            )
        )
    trips = draw(st.lists(trips_of(sites, people), min_size=1, max_size=3))
    return World(sites, people, steps, trips, draw(bars(sites, people)))


@st.composite
def trips_of(draw, sites, people):
    nobody_or_one = st.sampled_from([None, *range(people)])
    driver, second = draw(nobody_or_one), draw(nobody_or_one)
    stops = draw(st.lists(st.integers(0, sites - 1), max_size=3))
    return Trip(draw(days), stops, driver, second if second != driver else None)


def bars(sites, people):
    """Who is not to be sent where, or was not until it ended."""
    pairs = st.tuples(st.integers(0, people - 1), st.integers(0, sites - 1))
    return st.dictionaries(pairs, st.booleans(), max_size=2)


def build(world):
    """The world as rows, each kind in one insert. `world.rows` maps what the reference holds to its row."""
    sites, people = places_and_people(world)
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
        done_rows += [completion_row(done, row, people) for done in step.done]
    StepTerm.objects.bulk_create(row for _term, row in term_rows)
    Completion.objects.bulk_create(done_rows)
    world.rows = {id(term): row.pk for term, row in term_rows}
    world.steps_of = {id(term): row.step_id for term, row in term_rows}
    world.order_of_steps = [step.pk for step in steps]
    return sites, people, runs_of(world, sites)


def places_and_people(world):
    sites = Site.objects.bulk_create(Site(name=f"Site {n}", gives=True) for n in range(world.sites))
    people = Person.objects.bulk_create(
        Person(name=f"Person {n}", reach="call", joined_on=LONG_AGO) for n in range(world.people)
    )
    NotAt.objects.bulk_create(
        NotAt(person=people[person], site=sites[site], at=NOW, ended_at=None if holds else NOW)
        for (person, site), holds in world.not_at.items()
    )
    return sites, people


def completion_row(done, step, people):
    return Completion(
        step=step,
        person=people[done.person],
        revision=done.revision,
        valid_from=done.first_day,
        valid_until=done.last_day,
        recorded_at=NOW,
        withdrawn_at=NOW if done.taken_back else None,
        withdrawn_reason="By mistake." if done.taken_back else "",
    )


def runs_of(world, sites):
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
    return runs


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
        every_form_agrees(world, *build(world))
        transaction.set_rollback(True)


def every_form_agrees(world, sites, people, runs):
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


def one_run_and_its_people(world, trip, run, sites, people):
    ids = [sites[site].pk for site in trip.sites]
    ready = {person.pk for number, person in enumerate(people) if world.ready(number, trip)}
    event(f"of the people, ready: {'all' if len(ready) == len(people) else 'some' if ready else 'none'}")

    everybody = Person.objects.all()
    assert set(clearance.cleared(everybody, on=trip.day, sites=ids).values_list("pk", flat=True)) == ready
    assert set(may_drive(run).values_list("pk", flat=True)) == ready

    elsewhere = {person.pk for number, person in enumerate(people) if world.barred(number, trip.sites)}
    assert clearance.barred(people, sites=ids) == elsewhere

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


# --- What is asked, changed over time -------------------------------------------
HORIZON = [DAY + timedelta(days=number) for number in range(-1, 8)]  # the eve, and beyond the last trip


@dataclass
class Asking:
    """What was asked on a day: the same object on every day of one term."""

    revision: int
    how_often: int


@dataclass
class Calendar:
    """The reference of a step's history: for each day what it asks, or None."""

    asked: dict = field(default_factory=lambda: dict.fromkeys(HORIZON))

    def on_and_after(self, day):
        return [other for other in HORIZON if other >= day]

    def write(self, day, asking):
        for other in self.on_and_after(day):
            self.asked[other] = asking

    def is_asked_after(self, day):
        return any(self.asked[other] for other in self.on_and_after(day))

    def changes_after(self, day):
        return any(
            self.asked[other] is not self.asked[other - timedelta(days=1)] for other in self.on_and_after(day)
        )

    def terms(self):
        """As the gate's reference holds them: days side by side that ask the same are one term."""
        found = []
        for day in HORIZON:
            asking = self.asked[day]
            if asking and asking is not self.asked.get(day - timedelta(days=1)):
                later = [other for other in self.on_and_after(day) if self.asked[other] is not asking]
                found.append(Term(day, later[0] if later else None, asking.revision, asking.how_often))
        return found

    def newest(self, day=None):
        known = [asking.revision for other, asking in self.asked.items() if asking]
        if day:
            known = [asking.revision for other, asking in self.asked.items() if asking and other <= day]
        return max(known, default=0)


@dataclass
class Change:
    verb: str  # ask, ask again, stop, take back, require
    waits: int  # days since the change before
    ahead: int  # days until it holds; below zero: a day that is over
    how_often: int
    revision: int


@dataclass
class Planned:
    """A step's history: asked from a day, done by some, changed, done by others."""

    kind: str
    site: int | None
    begins: int
    changes: list[Change]
    early: list[Done]
    late: list[Done]


changes = st.builds(
    Change,
    verb=st.sampled_from(["ask", "ask again", "stop", "take back", "require"]),
    waits=st.integers(0, 1),
    ahead=st.sampled_from([0, 1, 2, 3, 4, -1]),
    how_often=st.sampled_from([1, 1, 2]),
    revision=st.integers(1, 4),
)


@st.composite
def histories(draw):
    sites, people = draw(st.integers(1, 2)), draw(st.integers(2, 3))
    planned = []
    for _ in range(draw(st.integers(1, 3))):
        site = draw(st.sampled_from([None, *range(sites)]))
        had_doors = {step.site for step in planned if step.kind == "doors"}
        kinds = PROGRAMME_KINDS if site is None or site in had_doors else Step.Kind.values
        planned.append(
            Planned(
                kind=draw(st.sampled_from(kinds)),
                site=site,
                begins=draw(st.integers(0, 2)),
                changes=draw(st.lists(changes, min_size=1, max_size=6)),
                early=draw(st.lists(completions(people), max_size=3)),
                late=draw(done_by_some(people)),
            )
        )
    trips = draw(st.lists(trips_of(sites, people), min_size=1, max_size=3))
    return World(sites, people, [], trips, draw(bars(sites, people))), planned


def live_through(world, planned, sites, people):
    """Makes the steps and their changes by the real writes, and the same in the reference's calendar."""
    for one in planned:
        row, calendar = first_asked(one, sites), Calendar()
        calendar.write(DAY + timedelta(days=one.begins), Asking(1, 1))
        Completion.objects.bulk_create(completion_row(done, row, people) for done in one.early)
        day = DAY
        for change in one.changes:
            day += timedelta(days=change.waits)
            make(change, row, calendar, one.early, day)
        Completion.objects.bulk_create(completion_row(done, row, people) for done in one.late)
        asked = Asked(one.kind, one.site, (row.position, row.pk), calendar.terms(), one.early + one.late)
        world.steps.append(asked)
        terms = list(row.terms.order_by("applies_from"))
        for day in HORIZON:
            term, asking = steps.term_on(terms, day), calendar.asked[day]
            assert (term and (term.revision, term.times)) == (asking and (asking.revision, asking.how_often))
        rows = {term.applies_from: term.pk for term in terms}
        assert list(rows) == [term.first_day for term in asked.terms], "a term begins where it says"
        world.rows |= {id(term): rows[term.first_day] for term in asked.terms}
        world.steps_of |= {id(term): row.pk for term in asked.terms}
    world.order_of_steps = list(Step.objects.values_list("pk", flat=True))


def first_asked(one, sites):
    site, begins = None if one.site is None else sites[one.site], DAY + timedelta(days=one.begins)
    if one.kind == "doors":  # as `doors.publish` makes them
        row = Step.objects.create(kind="doors", site=site, title="Door notes", position=90)
        steps.begin(row, from_day=begins)
        return row
    return steps.add_step(
        kind=one.kind, title=one.kind, site=site, from_day=begins, by=None, at=morning_of(DAY)
    )


def morning_of(day):
    return datetime.combine(day, time(15), UTC)  # 10 or 11 a.m. in New York


def make(change, row, calendar, done, today):
    """One change, in the row by the real write and in the calendar by its words; or refused by both."""
    day = today + timedelta(days=change.ahead)
    if day not in HORIZON[:-1]:
        return
    before = dict(calendar.asked)
    try:
        write(change, row, day, morning_of(today))
    except NotPossible:
        event(f"refused: {change.verb}")
        assert not is_possible(change, row, calendar, day, today)
        return
    assert is_possible(change, row, calendar, day, today)
    event(f"made: {change.verb}")
    note_down(change, calendar, done, day)
    assert all(before[other] is calendar.asked[other] for other in HORIZON if other < day)


def often(change, row):
    return change.how_often if row.kind in ("form", "kit", "ride") else 1


def write(change, row, day, at):
    facts = {"from_day": day, "by": None, "at": at}
    match change.verb:
        case "ask":
            steps.ask(row, times=change.how_often, **facts)
        case "ask again":
            steps.ask(row, times=change.how_often, again=True, **facts)
        case "stop":
            steps.stop_asking(row, **facts)
        case "take back":
            steps.take_back(row, **facts)
        case "require":
            steps.require_revision(row, change.revision, day, at=at)


def is_possible(change, row, calendar, day, today):
    if day < today:
        return False
    if change.verb == "require":
        return True
    if change.verb == "stop":
        return calendar.is_asked_after(day)
    if change.verb == "take back":
        return calendar.changes_after(day)
    return often(change, row) == change.how_often


def note_down(change, calendar, done, day):
    """What the change means, in words: from the day on, on every day."""
    eve = day - timedelta(days=1)
    if change.verb == "stop":
        calendar.write(day, None)
    elif change.verb == "take back":
        calendar.write(day, calendar.asked[eve])
    elif change.verb == "ask again":
        seen = [calendar.newest(), *(one.revision for one in done)]
        calendar.write(day, Asking(1 + max(seen), change.how_often))
    elif change.verb == "ask":
        now = calendar.asked[day]
        revision = calendar.newest(day) or 1
        same = now == Asking(revision, change.how_often)
        if not same or calendar.changes_after(day + timedelta(days=1)):
            calendar.write(day, Asking(revision, change.how_often))
    else:
        require(change, calendar, day)


def require(change, calendar, day):
    asked = [other for other in calendar.on_and_after(day) if calendar.asked[other]]
    if not asked:
        return
    last = calendar.asked[asked[-1]]
    if last.revision >= change.revision and calendar.asked[day] is last:
        return
    asking = Asking(max(change.revision, calendar.newest()), calendar.asked[asked[0]].how_often)
    for other in calendar.on_and_after(day):
        if other <= asked[-1]:
            calendar.asked[other] = asking


@given(lived=histories())
def test_the_gate_gives_the_reference_answer_after_every_change_of_what_is_asked(no_steps, lived):
    world, planned = lived
    with transaction.atomic():
        sites, people = places_and_people(world)
        live_through(world, planned, sites, people)
        every_form_agrees(world, sites, people, runs_of(world, sites))
        transaction.set_rollback(True)


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

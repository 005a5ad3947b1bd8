"""What is measured, against what. Each measure builds its own data and checks that both sides agree."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret
from django.core.management import call_command
from django.db import connection, transaction
from django.test import Client, override_settings
from django.utils import timezone
from icalendar import Calendar, Component, vGeo

from shifts.calendar import entries
from shifts.calendar import feed as feeds
from shifts.cover.assignment import Instance, Option, solve
from shifts.cover.assignment import Model as PlanModel
from shifts.cover.candidates import may_drive, ranked
from shifts.cover.weaknesses import weaknesses
from shifts.models import Ask, Booking, Policy, Run, Search, Shift, ShiftTerm, Stop, TermStop
from shifts.schedule.making import make_runs_ahead
from shifts.seats import notices
from shifts.seats.booking import seat
from sites.log import record
from sites.models import Event, Programme, Site
from tests.bench.optimum import optimum
from tests.bench.timing import Result, side_by_side
from volunteers.models import Availability, Away, Car, Completion, Message, Person, Step, User
from volunteers.people import sign_in_for

AT = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)  # a Monday
LONG_AGO = date(2020, 1, 1)


@dataclass(frozen=True)
class Measure:
    name: str
    goal: float | None
    take: Callable[[], tuple[float, float]]

    def run(self) -> Result:
        call_command("flush", verbosity=0, interactive=False)
        ours, reference = self.take()
        return Result(self.name, ours, reference, self.goal)


# --- the data ---------------------------------------------------------------


def make_sites(count: int) -> list[Site]:
    return Site.objects.bulk_create(
        Site(name=f"Site {n}", gives=True, takes=True, latitude=40 + n / 1000, longitude=-83)
        for n in range(count)
    )


def make_shifts(count: int, sites: list[Site]) -> list[Shift]:
    """Weekly runs, one weekday each, from early to late."""
    shifts = Shift.objects.bulk_create(Shift(name=f"Weekly run {n}") for n in range(count))
    days = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"]
    terms = ShiftTerm.objects.bulk_create(
        ShiftTerm(
            shift=shift,
            applies_from=AT.date(),
            anchor=AT.date(),
            rule=f"FREQ=WEEKLY;BYDAY={days[n % 7]}",
            starts=time(7 + n % 10, 0),
            minutes=60,
            crates=10,
        )
        for n, shift in enumerate(shifts)
    )
    TermStop.objects.bulk_create(
        TermStop(
            term=term, position=position, site=sites[(n + position) % len(sites)], after_minutes=position * 20
        )
        for n, term in enumerate(terms)
        for position in (1, 2)
    )
    return shifts


def make_people(count: int, chance: random.Random, *, share_ready: float = 0.8) -> list[Person]:
    """People of whom a share has every step; some with hours, cars, days away."""
    people = Person.objects.bulk_create(
        Person(
            name=f"Person {n:05d}",
            phone="+15555550100",
            email=f"p{n}@example.org",
            joined_on=LONG_AGO,
        )
        for n in range(count)
    )
    steps, now = list(Step.objects.all()), timezone.now()
    Completion.objects.bulk_create(
        Completion(
            step=step,
            person=person,
            revision=1,
            valid_from=LONG_AGO,
            recorded_at=now,
            valid_until=date(2036, 1, 1) if step.kind == Step.Kind.PAPER else None,
        )
        for person in people
        for step in steps
        if chance.random() < share_ready ** (1 / len(steps))
    )
    Car.objects.bulk_create(
        Car(person=person, crates=chance.choice([None, 5, 12, 30]))
        for person in people
        if chance.random() < 0.8
    )
    Availability.objects.bulk_create(
        Availability(person=person, weekday=day, begins=time(6), ends=time(chance.choice([9, 12, 20])))
        for person in people
        if chance.random() < 0.5
        for day in chance.sample(range(7), 3)
    )
    Away.objects.bulk_create(
        Away(person=person, first=AT.date(), last=AT.date() + timedelta(days=chance.randrange(1, 40)))
        for person in people
        if chance.random() < 0.1
    )
    return people


def make_run(starts_at: datetime, sites: list[Site], **facts) -> Run:
    run = Run.objects.create(
        title="A run",
        starts_at=starts_at,
        ends_at=starts_at + timedelta(hours=1),
        local_date=starts_at.astimezone(Programme.current().zone).date(),
        **facts,
    )
    Stop.objects.bulk_create(
        Stop(run=run, position=n, site=site, after_minutes=n * 20) for n, site in enumerate(sites)
    )
    return run


# --- a year of runs for 500 weekly runs, against a bare bulk_create of the same rows ---


def making() -> tuple[float, float]:
    make_shifts(500, make_sites(40))
    until = AT.date() + timedelta(days=363)
    make_runs_ahead(at=AT, until=until)
    runs = list(Run.objects.order_by("pk"))
    stops = list(Stop.objects.order_by("pk"))
    place = {run.pk: number for number, run in enumerate(runs)}
    assert len(runs) == 500 * 52, len(runs)

    def reset() -> None:
        Stop.objects.all()._raw_delete(Stop.objects.db)
        Run.objects.all()._raw_delete(Run.objects.db)

    def copies() -> tuple[list[Run], list[Stop]]:
        fields = [field.attname for field in Run._meta.concrete_fields if not field.primary_key]
        new_runs = [Run(**{name: getattr(run, name) for name in fields}) for run in runs]
        new_stops = [
            Stop(
                run=new_runs[place[stop.run_id]],
                position=stop.position,
                site_id=stop.site_id,
                after_minutes=stop.after_minutes,
            )
            for stop in stops
        ]
        return new_runs, new_stops

    def reference() -> None:
        with transaction.atomic():
            new_runs, new_stops = copies()
            Run.objects.bulk_create(new_runs)
            for stop in new_stops:
                stop.run_id = stop.run.pk
            Stop.objects.bulk_create(new_stops)

    return side_by_side(lambda: make_runs_ahead(at=AT, until=until), reference, rounds=5, reset=reset)


# --- who of 5,000 people may drive a run, against SQL written by hand ---


def who_may_drive() -> tuple[float, float]:
    chance = random.Random(5)
    sites = make_sites(6)
    people = make_people(5_000, chance)
    run = make_run(AT + timedelta(days=2, hours=3), sites[:2], crates=10)
    others = [make_run(run.starts_at + timedelta(hours=h), sites[2:4]) for h in (0, 0, 48, -48)]
    Booking.objects.bulk_create(
        Booking(run=other, person=person, seat=s, booked_at=AT)
        for other, (a, b) in zip(others, [(0, 1), (2, 3), (4, 5), (6, 7)], strict=True)
        for person, s in ((people[a], "driver"), (people[b], "second"))
    )
    sql = (Path(__file__).parent / "who_may_drive.sql").read_text()
    values = values_of_run(run)

    def ours() -> set[int]:
        with timezone.override(Programme.current().zone):
            return set(may_drive(Run.objects.get(pk=run.pk)).values_list("pk", flat=True))

    def reference() -> set[int]:
        with connection.cursor() as cursor:
            cursor.execute(sql, values)
            return {row[0] for row in cursor.fetchall()}

    assert ours() == reference()
    assert 500 < len(ours()) < 4_500
    return side_by_side(ours, reference, rounds=15)


def values_of_run(run: Run) -> dict[str, Any]:
    """What `who_may_drive.sql` asks of a run."""
    zone = Programme.current().zone
    start, end = run.starts_at.astimezone(zone), run.ends_at.astimezone(zone)
    between = timedelta(minutes=Policy.current().between_minutes)
    adapt = connection.ops.adapt_datetimefield_value
    pickup, dropoff = run.site_ids
    return {
        "day": run.local_date,
        "pickup": pickup,
        "dropoff": dropoff,
        "weekday": start.weekday(),
        "begins": connection.ops.adapt_timefield_value(start.time()),
        "ends": connection.ops.adapt_timefield_value(end.time()),
        "crates": run.crates,
        "after": adapt(run.ends_at + between),
        "before": adapt(run.starts_at - between),
    }


# --- the call list of one run among 5,000 people, against SQL written by hand that reads the same rows ---


def call_list() -> tuple[float, float]:
    """Ours ranks everybody who may drive and makes the page's 60 rows of them; the SQL reads who may drive,
    and of everybody what the ranking knows, and ranks nobody."""
    chance = random.Random(6)
    sites = make_sites(6)
    people = make_people(5_000, chance)
    for person in people:
        person.home_latitude, person.home_longitude = 40 + chance.random() / 4, -83 - chance.random() / 4
    Person.objects.bulk_update(people, ["home_latitude", "home_longitude"], batch_size=500)
    run = make_run(AT + timedelta(days=2, hours=3), sites[:2], crates=10)
    make_history(400, people[:800], sites, AT)
    make_asks(2_000, people, chance)
    may = (Path(__file__).parent / "who_may_drive.sql").read_text()
    known = (Path(__file__).parent / "who_is_known_how.sql").read_text()
    adapt = connection.ops.adapt_datetimefield_value
    values = values_of_run(run) | {
        "first": AT.date() - timedelta(weeks=4),
        "last": AT.date() + timedelta(weeks=4),
        "week": adapt(AT - timedelta(days=7)),
        "year": adapt(AT - timedelta(days=365)),
        "yesterday": adapt(AT - timedelta(days=1)),
        "now": adapt(AT),
    }

    def ours() -> set[int]:
        return ranked(Run.objects.get(pk=run.pk), at=AT, most=60).keys

    def reference() -> set[int]:
        with connection.cursor() as cursor:
            cursor.execute(may, values)
            keys = {row[0] for row in cursor.fetchall()}
            cursor.execute(known, values)
            assert len(cursor.fetchall()) == len(people)
        return keys

    analyze()
    assert ours() == reference()
    assert 500 < len(ours()) < 4_500
    return side_by_side(ours, reference, rounds=15)


def analyze() -> None:
    """As a database in use does by itself: what is known of the new rows decides how a query is run."""
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def make_asks(count: int, people: list[Person], chance: random.Random) -> None:
    """Requests of a year about runs that are over, with what was said."""
    runs = list(Run.objects.filter(ends_at__lt=AT)[:100])
    searches = Search.objects.bulk_create(
        Search(run=run, opened_at=AT, ended_at=AT, end=Search.End.FILLED) for run in runs
    )
    Ask.objects.bulk_create(
        Ask(
            search=chance.choice(searches),
            person=chance.choice(people),
            wave=1,
            starts_at=AT,
            ends_at=AT,
            asked_at=AT - timedelta(days=chance.randrange(1, 300)),
            answer=chance.choice([Ask.Answer.NO, Ask.Answer.LATE, Ask.Answer.NO_ANSWER]),
            answered_at=AT,
        )
        for _ in range(count)
    )


# --- what is wrong with 8 weeks of 200 weekly runs, against the bare reads of the same rows ---


def weak_runs() -> tuple[float, float]:
    """The reads are those of a week's page: runs with closed dates, stops, sites, bookings and people; and of
    the gate, the bookings of these runs that it would refuse."""
    chance = random.Random(7)
    sites = make_sites(40)
    people = make_people(400, chance, share_ready=0.97)
    make_shifts(200, sites)
    make_runs_ahead(at=AT, until=AT.date() + timedelta(weeks=8) - timedelta(days=1))
    runs = list(Run.objects.ahead(AT))
    assert 1_550 < len(runs) <= 1_600, len(runs)
    seat_all([run for run in runs if chance.random() < 0.85], people, AT)

    def ours() -> int:
        return len(weaknesses(at=AT))

    def reference() -> int:
        found = list(Run.objects.on_the_books().not_over(AT).with_closed().with_people())
        gone = Booking.objects.uncleared().filter(run__in=[run.pk for run in found])
        return len(found) + len(list(gone.only("pk")))

    assert 100 < ours() < 1_600
    return side_by_side(ours, reference, rounds=7)


# --- the desk at 100 times the data, against the desk at 1, the same runs shown ---


def desk() -> tuple[float, float]:
    """Both desks show the same runs; behind one lie 100 times the people, past runs and bookings.

    The two sides cannot stand in one database at once, so here they run one after the other.
    """
    chance = random.Random(4)
    sites = make_sites(6)
    user = coordinator_signed_in()
    now = timezone.now().replace(minute=0, second=0, microsecond=0)
    drivers = make_people(25, chance, share_ready=1)
    ahead = [make_run(now + timedelta(hours=12 + 11 * n), sites[n % 4 : n % 4 + 2]) for n in range(24)]
    seat_all(ahead[::2], drivers[:12], now)
    make_history(50, drivers, sites, now)
    client = Client()
    client.force_login(user)

    def show() -> None:
        response = client.get("/desk/")
        assert response.status_code == 200

    def timed() -> float:
        analyze()
        ours, again = side_by_side(show, show, rounds=15)
        return min(ours, again)

    small = timed()
    many = make_people(25 * 99, chance, share_ready=0.8)
    make_history(50 * 99, many, sites, now)
    return timed(), small


def coordinator_signed_in() -> User:
    user = sign_in_for("desk@example.org")
    user.is_coordinator = True
    user.save()
    TOTP.activate(user, generate_totp_secret())
    return user


def seat_all(runs: list[Run], people: list[Person], at: datetime) -> None:
    Booking.objects.bulk_create(
        Booking(run=run, person=people[n % len(people)], seat="driver", booked_at=at)
        for n, run in enumerate(runs)
    )


def make_history(count: int, people: list[Person], sites: list[Site], at: datetime) -> None:
    """Past runs, each driven, with what the log and the outbox keep of them."""
    runs = Run.objects.bulk_create(
        Run(
            title="A past run",
            starts_at=at - timedelta(hours=7 * n + 3),
            ends_at=at - timedelta(hours=7 * n + 2),
            local_date=(at - timedelta(hours=7 * n + 3)).date(),
        )
        for n in range(count)
    )
    Stop.objects.bulk_create(
        Stop(run=run, position=n, site=sites[n], after_minutes=20 * n) for run in runs for n in (0, 1)
    )
    seat_all(runs, people, at)
    Event.objects.bulk_create(
        Event(at=run.starts_at, verb="seated", subject=f"run:{run.pk}", after={"seat": "driver"})
        for run in runs
    )
    Message.objects.bulk_create(
        Message(
            key=f"past:{run.pk}",
            kind="booked",
            address="p@example.org",
            subject="You drive",
            text="You drive",
            state=Message.State.SENT,
            next_try_at=run.starts_at,
            created_at=run.starts_at,
            done_at=run.starts_at,
        )
        for run in runs
    )


# --- a booking: beside what it must write anyway, and beside one bare row ---


def booking() -> tuple[float, float]:
    """Against the same rows and the same finished mail under the same locks, without the rules."""

    def unruled(booking: Booking) -> None:
        record(verb="seated", subject=booking.run, person=booking.person, by=None, at=AT)
        entry = entries.open_entry(booking, at=AT)
        notices.booked(booking, entry, on_behalf=True, at=AT)

    return booked_beside(unruled)


def booking_beside_one_row() -> tuple[float, float]:
    """Against the booking's own row alone, inserted under the same locks."""
    return booked_beside(lambda booking: None)


def booked_beside(what_follows: Callable[[Booking], None]) -> tuple[float, float]:
    sites = make_sites(2)
    people = make_people(40, random.Random(3), share_ready=1)
    runs = iter([make_run(AT + timedelta(days=2, hours=2 * n), sites) for n in range(400)])

    def ours() -> None:
        for person in people[:10]:
            seat(run=next(runs), person=person, seat="driver", by=None, on_behalf=True, at=AT)

    def reference() -> None:
        for person in people[10:20]:
            with transaction.atomic():
                run = Run.objects.locked().get(pk=next(runs).pk)
                locked = Person.objects.locked().get(pk=person.pk)
                what_follows(Booking.objects.create(run=run, person=locked, seat="driver", booked_at=AT))

    return side_by_side(ours, reference, rounds=15)


# --- a poll that finds nothing new, against a bare view with one read by key ---


def poll() -> tuple[float, float]:
    """Through the same client and middleware, to the same kind of address."""
    [person] = make_people(1, random.Random(1))
    seat_all([make_run(AT + timedelta(days=n), make_sites(2)) for n in range(20)], [person], AT)
    for booking in Booking.objects.all():
        entries.open_entry(booking, at=AT)
    client, address = Client(), feeds.path(person)
    headers = {"If-None-Match": client.get(address)["ETag"]}

    def asked(path: str) -> Callable[[], None]:
        def ask() -> None:
            for _ in range(100):
                assert client.get(path, headers=headers).status_code == 304

        return ask

    with override_settings(ROOT_URLCONF="tests.bench.urls"):
        return side_by_side(asked(address), asked(f"/cal/bare/{person.pk}"), rounds=15)


# --- a feed of 500 entries, against icalendar building and writing the same components ---


def feed_of_500() -> tuple[float, float]:
    """The reference has every value in memory already: names, texts, moments; it reads no database."""
    sites = make_sites(6)
    [person] = make_people(1, random.Random(1))
    runs = [make_run(AT + timedelta(hours=9 * n), sites[n % 4 : n % 4 + 2]) for n in range(500)]
    seat_all(runs, [person], AT)
    for booking in Booking.objects.all():
        entries.open_entry(booking, at=AT)
    person.refresh_from_db()
    ours = feeds.feed(person, at=AT).body
    plan = plan_of(Calendar.from_ical(ours))
    assert built_from(plan).to_ical() == ours
    assert ours.count(b"BEGIN:VEVENT") == 500

    def fresh() -> None:
        Person.objects.update(feed_good_until=None)
        person.refresh_from_db()

    return side_by_side(
        lambda: feeds.feed(person, at=AT), lambda: built_from(plan).to_ical(), rounds=15, reset=fresh
    )


Plan = tuple[type[Component], list[tuple[str, Any, dict]], list]  # a component: its properties, its parts


def plan_of(component: Component) -> Plan:
    """A component as plain values: name, value as one would write it in Python, parameters."""
    properties = [
        (
            name,
            value_of(value),
            {key: v for key, v in value.params.items() if key not in IMPLIED.get(name, ())},
        )
        for name, value in component.items()
    ]
    return type(component), properties, [plan_of(part) for part in component.subcomponents]


IMPLIED = {"DTSTART": ("VALUE",)}  # parameters that icalendar adds by itself


def value_of(value: Any) -> Any:
    for name in ("dt", "td"):
        if hasattr(value, name):
            return getattr(value, name)
    if isinstance(value, vGeo):
        return value.latitude, value.longitude
    return int(value) if isinstance(value, int) else str(value)


def built_from(plan: Plan) -> Component:
    kind, properties, parts = plan
    component = kind()
    for name, value, parameters in properties:
        component.add(name, value, parameters=parameters)
    for part in parts:
        component.add_component(built_from(part))
    return component


# --- the plan of 2,000 runs with 1,000 people, against HiGHS on the finished arrays of the same program ---


def plan() -> tuple[float, float]:
    """A week, 25 people who could take each run, some runs a week each, every level a proven optimum without
    a gap. The reference has the rows and the costs as arrays, and imports nothing of ours."""
    instance = a_week(runs=2_000, people=1_000, eligible=25, chance=random.Random(2))
    model = PlanModel(instance, [])
    program, costs = model.program, [cost.astype(float) for *_aim, cost in model.aims()]
    arrays = [
        array.copy()
        for array in (program.rows.starts, program.rows.columns, program.rows.values, program.rows.upper)
    ]

    def reference() -> list[int]:
        return optimum(program.columns, program.whole, *arrays, costs)

    found = solve(instance)
    assert found.is_proven
    assert [abs(aim.reached) for aim in found.aims] == [abs(value) for value in reference()]
    return side_by_side(lambda: solve(instance), reference, rounds=3)


def a_week(*, runs: int, people: int, eligible: int, chance: random.Random) -> Instance:
    """Runs of 90 minutes from quarter hour to quarter hour, with half an hour's drive between; people are
    free in half of the mornings and afternoons, and want two or three runs, of which some hold one."""
    day = sorted(chance.randrange(7) for _ in range(runs))
    begins = [chance.randrange(40) for _ in range(runs)]  # quarter hours from 8:00
    free = [{half for half in range(14) if chance.random() < 0.5} for _ in range(people)]
    options = []
    for run in range(runs):
        able = [person for person in range(people) if 2 * day[run] + begins[run] // 20 in free[person]]
        options += [
            Option(run, person, miles=chance.randrange(5, 150), kept=int(chance.random() < 0.04))
            for person in chance.sample(able, eligible)
        ]
    return Instance(
        urgency=[min(3, number) for number in day],
        crates=[chance.randrange(30) for _ in range(runs)],
        week=[0] * runs,
        wanted=[chance.choice([2, 2, 3]) for _ in range(people)],
        options=options,
        held={(person, 0): 1 for person in range(people) if chance.random() < 0.1},
        clashes=[
            (a, b)
            for a in range(runs)
            for b in range(a + 1, runs)
            if day[a] == day[b] and abs(begins[a] - begins[b]) < 8
        ],
    )


MEASURES = [
    Measure("a year of runs", 1.5, making),
    Measure("who may drive", 1.5, who_may_drive),
    Measure("call list of a run", 3.0, call_list),
    Measure("what is wrong in 8 weeks", 3.0, weak_runs),
    Measure("desk at 100 times the data", 1.5, desk),
    Measure("poll with nothing new", 1.3, poll),
    Measure("feed of 500 entries", 1.2, feed_of_500),
    Measure("booking", 2.0, booking),
    Measure("booking beside one row", None, booking_beside_one_row),
    Measure("plan of 2,000 runs", 1.5, plan),
]

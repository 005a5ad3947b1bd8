"""Eight processes at once, on whichever database the tests run: SQLite's file or PostgreSQL."""

import json
import os
import selectors
import subprocess
import sys
from collections import Counter
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from uuid import uuid4

import pytest
from django.db import connection
from django.utils import timezone

from shifts.models import (
    Ask,
    Booking,
    CalendarEntry,
    CoverTurn,
    HandOver,
    NoShow,
    Run,
    Search,
    SentOnce,
    Shift,
    Standing,
)
from shifts.schedule.making import Plan, add_shift, make_runs_ahead
from shifts.seats import days, handover, joins, requests
from shifts.seats.booking import seat
from shifts.seats.rides import sign_off_ride
from sites.models import Event
from tests.conftest import database_url
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
from volunteers import kits
from volunteers.models import Completion, Join, KitMove, Message, Person, SignOff

ROOT = Path(__file__).resolve().parents[2]
RACERS = 8
pytestmark = pytest.mark.django_db(transaction=True)


class Racer:
    """One of the processes, see racer.py."""

    def __init__(self, environment):
        self.environment = environment
        self.start()

    def start(self):
        self.answers_owed = 1  # it says when it is ready
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.shifts.racer"],
            cwd=ROOT,
            env=self.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )

    def tell(self, tasks):
        self.process.stdin.write(json.dumps(tasks) + "\n")
        self.answers_owed += 1 + tasks.count(["pause"])

    def go_on(self):
        """After a pause."""
        self.process.stdin.write("\n")

    def hear(self):
        line = self.process.stdout.readline()
        assert line, "the process died"
        self.answers_owed -= 1
        return json.loads(line)

    def has_answered_within(self, seconds):
        with selectors.DefaultSelector() as selector:
            selector.register(self.process.stdout, selectors.EVENT_READ)
            return bool(selector.select(seconds))

    def stop(self):
        self.process.stdin.close()
        if self.answers_owed:  # a test failed in the middle: nobody waits for the rest
            self.process.kill()
        self.process.wait(timeout=20)
        self.process.stdout.close()


@pytest.fixture(scope="module")
def processes(django_db_setup, django_db_blocker):
    environment = os.environ | {"DATABASE_URL": database_url(connection.settings_dict)}
    started = [Racer(environment) for _ in range(RACERS)]
    assert [racer.hear() for racer in started] == [["ready"]] * RACERS
    yield started
    for racer in started:
        racer.stop()


@pytest.fixture
def racers(processes, transactional_db):
    """The processes, idle; one that a failed test left at work is replaced before the next."""
    yield processes
    for racer in [racer for racer in processes if racer.answers_owed]:
        racer.stop()
        racer.start()
        racer.hear()


def race(racers, tasks_of_each):
    """All of them at once; what became of each one's tasks."""
    for racer, tasks in zip(racers, tasks_of_each, strict=True):
        racer.tell(tasks)
    return [racer.hear() for racer in racers]


def runs_by_day(number, *, first=3):
    """Runs on so many days that follow each other, all at the same hour between the same two doors."""
    sites = [SiteFactory(), DropOffFactory()]
    start = timezone.now().replace(microsecond=0)
    return [make_run(starts_at=start + timedelta(days=first + n), sites=sites) for n in range(number)]


def test_fifty_seats_have_one_winner_each(racers):
    people = [ready_person() for _ in racers]
    runs = runs_by_day(50)
    results = race(racers, [[["seat", run.pk, person.pk] for run in runs] for person in people])
    for run, outcomes in zip(runs, zip(*results, strict=True), strict=True):
        assert Counter(outcomes) == {"done": 1, "taken": RACERS - 1}
        winner = people[outcomes.index("done")]
        assert run.bookings.get().person == winner
    assert Message.objects.count() == CalendarEntry.objects.count() == 50
    assert Event.objects.filter(verb="seated").count() == 50


def test_one_person_gets_one_of_the_runs_at_the_same_hour(racers):
    rounds = []
    start = timezone.now().replace(microsecond=0) + timedelta(days=3)
    sites = [SiteFactory(), DropOffFactory()]
    for number in range(15):
        hour = start + timedelta(days=number)
        runs = [make_run(starts_at=hour + timedelta(minutes=5 * n), sites=sites) for n in range(RACERS)]
        rounds.append((ready_person(), runs))
    results = race(
        racers,
        [[["seat", runs[number].pk, person.pk] for person, runs in rounds] for number in range(RACERS)],
    )
    for (person, _runs), outcomes in zip(rounds, zip(*results, strict=True), strict=True):
        assert Counter(outcomes) == {"done": 1, "elsewhere": RACERS - 1}
        assert Booking.objects.get(person=person).is_live


def test_one_person_pressing_twice_gets_one_seat(racers):
    people = [ready_person() for _ in range(20)]
    runs = runs_by_day(20)
    pressed = [["seat", run.pk, person.pk] for run, person in zip(runs, people, strict=True)]
    for outcomes in zip(*race(racers, [pressed] * RACERS), strict=True):
        assert Counter(outcomes) == {"done": 1, "already on": RACERS - 1}


def test_whoever_asks_to_join_several_times_at_once_is_one_person(racers):
    addresses = [f"ida{number}@example.org" for number in range(20)]
    asking = [["ask_to_join", address] for address in addresses]
    for outcomes in zip(*race(racers, [asking] * RACERS), strict=True):
        assert Counter(outcomes) == {"done": 1, "known already": RACERS - 1}
    assert sorted(Join.objects.values_list("person__email", flat=True)) == sorted(addresses)
    assert Person.objects.count() == 20


def test_a_request_to_join_is_settled_once(racers):
    facts = {"name": "Ida", "phone": "", "language": "en", "is_adult": True, "drives": True}
    asked = [joins.ask(email=f"ida{number}@example.org", **facts).pk for number in range(20)]
    acts = ["accept", "decline"] * (RACERS // 2)
    results = race(racers, [[["settle_join", pk, act] for pk in asked] for act in acts])
    for pk, outcomes in zip(asked, zip(*results, strict=True), strict=True):
        assert Counter(outcomes) == {"done": 1, "not possible": RACERS - 1}
        join = Join.objects.get(pk=pk)
        assert join.state == {"accept": "accepted", "decline": "declined"}[acts[outcomes.index("done")]]
        assert (join.person.left_on is None) == (join.state == "accepted")
        assert Message.objects.filter(person=join.person).count() == 1


def test_a_seat_given_back_by_all_at_once_is_given_back_once(racers):
    people = [ready_person() for _ in range(20)]
    runs = runs_by_day(20)
    pairs = list(zip(runs, people, strict=True))
    race(racers[:1], [[["seat", run.pk, person.pk] for run, person in pairs]])
    results = race(racers, [[["give_back", run.pk, person.pk] for run, person in pairs]] * RACERS)
    assert {outcome for outcomes in results for outcome in outcomes} == {"done"}, (
        "giving back is never refused"
    )
    assert Event.objects.filter(verb="given back").count() == 20
    assert set(CalendarEntry.objects.values_list("sequence", flat=True)) == {1}
    assert Message.objects.filter(kind="ended").count() == 20


def test_whoever_loses_a_step_meanwhile_is_refused_or_flagged(racers):
    people = [ready_person() for _ in range(7)]
    licenses = [person.completions.get(step__code="license") for person in people]
    runs = runs_by_day(7 * (RACERS - 1))
    booking = [
        [["seat", runs[len(people) * number + n].pk, person.pk] for n, person in enumerate(people)]
        for number in range(RACERS - 1)
    ]
    *results, withdrawn = race(racers, [*booking, [["withdraw", license.pk] for license in licenses]])
    assert set(withdrawn) == {"done"}
    outcomes = Counter(outcome for each in results for outcome in each)
    assert set(outcomes) <= {"done", "not ready"}
    assert Booking.objects.live().count() == outcomes["done"]
    assert Booking.objects.clearance_gone().count() == outcomes["done"], "a later lapse is flagged at once"


def test_a_booking_waits_for_a_step_being_taken_back(racers):
    person = ready_person()
    license = person.completions.get(step__code="license")
    (run,) = runs_by_day(1)
    first, second = racers[:2]
    first.tell([["begin"], ["withdraw", license.pk], ["pause"], ["commit"]])
    assert first.hear() == ["paused"]
    second.tell([["seat", run.pk, person.pk]])
    assert not second.has_answered_within(0.3)
    first.go_on()
    assert (first.hear(), second.hear()) == (["done"], ["not ready"])


def test_taking_a_step_back_waits_for_a_booking(racers):
    person = ready_person()
    license = person.completions.get(step__code="license")
    (run,) = runs_by_day(1)
    first, second = racers[:2]
    first.tell([["begin"], ["seat", run.pk, person.pk], ["pause"], ["commit"]])
    assert first.hear() == ["paused"]
    second.tell([["withdraw", license.pk]])
    assert not second.has_answered_within(0.3)
    first.go_on()
    assert (first.hear(), second.hear()) == (["done"], ["done"])
    assert Booking.objects.clearance_gone().get().person == person


def test_a_trainee_is_not_left_alone_by_a_lead_who_gives_back_at_that_moment(racers):
    lead, trainee = lead_driver(), ready_person()
    trainee.completions.all().delete()
    (run,) = runs_by_day(1)
    first, second = racers[:2]
    first.tell([["seat", run.pk, lead.pk]])
    assert first.hear() == ["done"]
    first.tell([["begin"], ["give_back", run.pk, lead.pk], ["pause"], ["commit"]])
    assert first.hear() == ["paused"]
    second.tell([["seat", run.pk, trainee.pk, "second"]])
    assert not second.has_answered_within(0.3)
    first.go_on()
    assert (first.hear(), second.hear()) == (["done"], ["no lead driver"])


def test_two_runs_with_the_same_two_people_are_cancelled_without_a_ring(racers):
    """Who drives the one rides along on the other: locked seat by seat, each would wait for the other."""
    ann, bea = lead_driver(), lead_driver()
    runs = runs_by_day(40)
    seating = []
    for number, run in enumerate(runs):
        driver, second = (ann, bea) if number % 2 else (bea, ann)
        seating += [["seat", run.pk, driver.pk], ["seat", run.pk, second.pk, "second"]]
    assert set(race(racers[:1], [seating])[0]) == {"done"}
    results = race(racers, [[["cancel", run.pk] for run in runs[number::RACERS]] for number in range(RACERS)])
    assert {outcome for outcomes in results for outcome in outcomes} == {"done"}
    assert not Booking.objects.live().exists()


def test_no_sequence_is_given_twice(racers):
    """Sites and people move at once: each version of an entry is told once; what is cancelled stays so."""
    people = [ready_person() for _ in range(4)]
    sites = [SiteFactory(), DropOffFactory()]
    start = timezone.now().replace(microsecond=0) + timedelta(days=3)
    runs = [make_run(starts_at=start + timedelta(days=n), sites=sites) for n in range(8)]
    booked = race(racers[:1], [[["seat", run.pk, people[n % 4].pk] for n, run in enumerate(runs)]])
    assert booked == [["done"] * 8]
    moves = [
        [["move_person", person.pk, f"new{n}-{person.pk}@example.org"] for n in range(3)] for person in people
    ]
    moves += [
        [["move_site", site.pk, f"{n} New Street {number}"] for n in range(3)]
        for number, site in enumerate(sites * 2)
    ]
    results = race(racers, moves)
    assert {outcome for outcomes in results for outcome in outcomes} == {"done"}
    assert CalendarEntry.objects.live().count() == 8
    assert CalendarEntry.objects.count() == 8 * 4, "each of three moves gave each booking a new entry"
    for entry in CalendarEntry.objects.all():
        assert Message.objects.filter(about=entry.uid).count() == entry.sequence + 1


def test_runs_made_by_several_are_made_once(racers):
    sites = [SiteFactory().pk, DropOffFactory().pk]
    plan = Plan(
        rule="FREQ=WEEKLY;BYDAY=MO,WE,FR", starts=time(8), minutes=60, stops=((sites[0], 0), (sites[1], 30))
    )
    long_ago = timezone.now() - timedelta(weeks=9)
    for number in range(5):
        add_shift(name=f"Run {number}", plan=plan, from_day=long_ago.date(), by=None, at=long_ago)
    before = Run.objects.count()
    assert race(racers, [[["make"]]] * RACERS) == [["done"]] * RACERS
    made = Run.objects.count() - before
    assert made > 0
    assert make_runs_ahead() == 0
    for shift in Shift.objects.all():
        dates = list(shift.runs.values_list("slot_date", flat=True))
        assert len(dates) == len(set(dates))
    assert all(run.stops.count() == 2 for run in Run.objects.prefetch_related("stops"))


def weekly_runs(number):
    sites = [SiteFactory().pk, DropOffFactory().pk]
    long_ago = timezone.now() - timedelta(days=20)
    plan = Plan(
        rule="FREQ=WEEKLY;BYDAY=TU", starts=time(8), minutes=60, stops=((sites[0], 0), (sites[1], 30))
    )
    names = [f"Tuesdays {n}" for n in range(number)]
    return [add_shift(name=name, plan=plan, from_day=long_ago.date(), by=None) for name in names]


def test_a_regular_run_that_all_want_is_one_persons(racers):
    shifts, people = weekly_runs(4), [ready_person() for _ in racers]
    wishes = [[["begin_regular", shift.pk, person.pk] for shift in shifts] for person in people]
    for shift, outcomes in zip(shifts, zip(*race(racers, wishes), strict=True), strict=True):
        assert Counter(outcomes)["done"] == 1
        assert set(outcomes) <= {"done", "regular taken", "elsewhere"}
        winner = people[outcomes.index("done")]
        assert {booking.person for booking in Booking.objects.live().filter(run__shift=shift)} <= {winner}
    pairs = list(Booking.objects.live().values_list("person", "run__starts_at"))
    assert len(pairs) == len(set(pairs)), "nobody is in two places"


def test_nobody_is_seated_over_a_skip(racers):
    """One skips while the others, again and again, seat whoever is a regular: each date given up stays so."""
    (shift,) = weekly_runs(1)
    person = ready_person()
    race(racers[:1], [[["begin_regular", shift.pk, person.pk]]])
    row = person.standings.get()
    days = [run.slot_date for run in shift.runs.ahead(timezone.now())]
    skips = [["skip", row.pk, str(day), str(day)] for day in days[1:]]
    results = race(racers, [skips] + [[["seat_regulars"]] * 6] * (RACERS - 1))
    assert {outcome for outcomes in results for outcome in outcomes} == {"done"}
    assert [booking.run.slot_date for booking in Booking.objects.live()] == days[:1]
    [entry] = CalendarEntry.objects.live()
    assert Message.objects.filter(about=entry.uid).count() == entry.sequence + 1


def test_a_run_that_is_kept_no_longer_is_taken_once(racers):
    """Regular drivers are seated at the very moment at which others book what was theirs."""
    shifts = weekly_runs(3)
    for shift in shifts:
        late = ready_person()
        cards = late.completions.filter(step__code="insurance")
        cards.update(withdrawn_at=timezone.now(), withdrawn_reason="Late.")
        race(racers[:1], [[["begin_regular", shift.pk, late.pk]]])
        Standing.objects.get_or_create(
            shift=shift, person=late, anchor=timezone.now().date(), from_day=timezone.now().date(),
            made_at=timezone.now(),
        )  # fmt: skip
        cards.update(withdrawn_at=None, withdrawn_reason="")
    runs = [run for shift in shifts for run in shift.runs.ahead(timezone.now())]
    others = [[["seat", run.pk, ready_person().pk] for run in runs] for _ in range(RACERS - 1)]
    *results, seated = race(racers, [*others, [["seat_regulars"]] * 4])
    assert set(seated) == {"done"}
    assert {outcome for outcomes in results for outcome in outcomes} <= {"done", "taken", "kept"}
    assert Booking.objects.live().count() == len(runs)


def regulars(racers, shifts):
    """A regular driver for each of the weekly runs; all of them on others' days as single drivers too."""
    rows = []
    for shift in shifts:
        person = ready_person()
        race(racers[:1], [[["begin_regular", shift.pk, person.pk]]])
        rows.append(person.standings.get())
    return rows


def days_apart(number):
    """Weekly runs on so many weekdays, between the same two doors."""
    sites = [SiteFactory(), DropOffFactory()]
    stops = tuple((site.pk, 30 * n) for n, site in enumerate(sites))
    shifts = [
        add_shift(
            name=f"Run {n}",
            plan=Plan(rule=f"FREQ=WEEKLY;BYDAY={day}", starts=time(8), minutes=60, stops=stops),
            from_day=timezone.now().date(),
            by=None,
        )
        for n, day in zip(range(number), ("MO", "TU", "WE", "TH", "FR", "SA"), strict=False)
    ]
    return shifts, sites


def all_done(results):
    return {outcome for outcomes in results for outcome in outcomes}


def test_a_weekly_run_changes_while_its_drivers_come_and_go(racers):
    """Whoever changes a weekly run holds it, its runs and its people in the order of everybody else."""
    (shift,), _sites = days_apart(1)
    [row] = regulars(racers, [shift])
    runs = list(shift.runs.ahead(timezone.now()))
    naming = [["change_shift", shift.pk, f"Name {n}", 8] for n in range(8)]
    moving = [["change_shift", shift.pk, f"Other {n}", 8 + n % 2] for n in range(6)]
    in_and_out = [
        task
        for _ in range(2)
        for run in runs
        for task in (["give_back", run.pk, row.person_id], ["seat", run.pk, row.person_id])
    ]
    skips = [["skip", row.pk, str(run.slot_date), str(run.slot_date)] for run in runs[::2]]
    seating = [["seat_regulars"]] * 6
    results = race(
        racers, [naming, moving, in_and_out, in_and_out[::-1], skips, seating, in_and_out[2:], naming]
    )
    assert all_done(results) <= {"done", "already on", "not open"}, all_done(results)


def test_another_zone_while_seats_are_taken_and_given_back(racers):
    shifts, _sites = days_apart(4)
    rows = regulars(racers, shifts)
    zones = [["move_programme", zone] for zone in ("America/Denver", "America/New_York")] * 2
    seating = [
        [
            task
            for run in row.shift.runs.ahead(timezone.now())
            for task in (["give_back", run.pk, row.person_id], ["seat", run.pk, row.person_id])
        ]
        for row in rows
    ]
    results = race(racers, [zones, *seating, [["seat_regulars"]] * 4, zones[::-1], seating[0][::-1]])
    assert all_done(results) <= {"done", "already on", "not open"}, all_done(results)


def test_sites_change_while_people_come_and_go(racers):
    """Contacts, door notes, addresses and closed dates reach the same people's calendars in one order."""
    shifts, sites = days_apart(4)
    rows = regulars(racers, shifts)
    for _ in range(20):
        ready_person()  # drivers who count as having read the first door notes
    start = timezone.now() - timedelta(days=7)
    for row in rows[::-1]:  # who drove there last week, rows in another order than the keys
        put(row.person, make_run(starts_at=start, sites=sites))
    first, last = str(timezone.now().date()), str((timezone.now() + timedelta(days=9)).date())
    contacts = [["set_contacts", sites[n % 2].pk, f"Dee {n}"] for n in range(10)]
    doors = [["publish_doors", sites[n % 2].pk, f"Ring {n} times."] for n in range(4)]
    moves = [["move_site", sites[n % 2].pk, f"{n} New Street"] for n in range(5)]
    closing = [["close_and_open", sites[n % 2].pk, first, last] for n in range(3)]
    runs = [run for row in rows for run in row.shift.runs.ahead(timezone.now())]
    cancelling = [["cancel", run.pk] for run in runs[::3]]
    in_and_out = [
        task
        for run in runs[1::3]
        for person in [rows[run.shift_id % 4].person_id]
        for task in (["seat", run.pk, person, "second"], ["seat", run.pk, person, "second"])
    ]
    results = race(
        racers,
        [contacts, doors, moves, closing, cancelling, in_and_out, contacts[::-1], doors[::-1]],
    )
    refused = {"done", "already on", "no lead driver", "closed", "elsewhere", "taken", "not open"}
    assert all_done(results) <= refused, all_done(results)


def asked_runs(number):
    """Runs whose drivers have asked somebody to take them, with the driver and whom they asked."""
    rows = []
    for run in runs_by_day(number):
        driver, other = ready_person(), ready_person()
        booking = seat_in(run, driver)
        rows.append((run, driver, handover.ask(booking, other, by=None)))
    return rows


def seat_in(run, person):
    return seat(run=run, person=person, seat=Booking.Seat.DRIVER, by=None)


def test_one_person_is_asked_at_a_time(racers):
    runs = runs_by_day(10)
    drivers, people = [ready_person() for _ in runs], [ready_person() for _ in racers]
    for run, driver in zip(runs, drivers, strict=True):
        seat_in(run, driver)
    pairs = list(zip(runs, drivers, strict=True))
    asking = [[["ask", run.pk, driver.pk, to.pk] for run, driver in pairs] for to in people]
    for outcomes in zip(*race(racers, asking), strict=True):
        assert Counter(outcomes) == {"done": 1, "asked already": RACERS - 1}
    assert HandOver.objects.open().count() == Message.objects.filter(kind="hand-over").count() == 10


def test_a_link_tapped_by_all_at_once_hands_the_run_on_once(racers):
    rows = asked_runs(10)
    taps = [["accept", asked.pk] for _run, _driver, asked in rows]
    assert {outcome for outcomes in race(racers, [taps] * RACERS) for outcome in outcomes} == {"done"}
    for run, _driver, asked in rows:
        assert run.bookings.live().get().person == asked.to
    assert Event.objects.filter(verb="handed on").count() == 10
    assert Message.objects.filter(kind="news").count() == 10


def test_two_links_for_the_same_hour_give_one_run(racers):
    """Two drivers ask the same person, who taps yes to both at once: they are in one place."""
    people = [ready_person() for _ in range(10)]
    links = []
    for day, person in enumerate(people, start=3):
        start = timezone.now().replace(microsecond=0) + timedelta(days=day)
        runs = [make_run(starts_at=start + timedelta(minutes=n)) for n in (0, 10)]
        links.append([handover.ask(seat_in(run, ready_person()), person, by=None).pk for run in runs])
    taps = [[["accept", pair[n % 2]] for pair in links] for n in range(RACERS)]
    for pair, person, outcomes in zip(links, people, zip(*race(racers, taps), strict=True), strict=True):
        assert set(outcomes) == {"done", "elsewhere"}
        assert HandOver.objects.filter(pk__in=pair, answer="accepted").count() == 1
        assert Booking.objects.live().filter(person=person).count() == 1


def test_a_yes_a_no_and_a_give_back_at_the_same_moment(racers):
    """Whichever comes first holds: the seat is the other's, or empty, and never two people's."""
    rows = asked_runs(12)
    yes = [["accept", asked.pk] for _run, _driver, asked in rows]
    no = [["decline", asked.pk] for _run, _driver, asked in rows]
    back = [["give_back", run.pk, driver.pk] for run, driver, _asked in rows]
    results = race(racers, [yes, no, back, yes[::-1], no[::-1], back[::-1], yes, back])
    refused = {"done", "answered", "no longer"}
    assert {outcome for outcomes in results for outcome in outcomes} <= refused
    for run, driver, asked in rows:
        asked.refresh_from_db()
        live = {booking.person for booking in run.bookings.live()}
        assert live == ({asked.to} if asked.answer == "accepted" else set())
        ended = run.bookings.get(person=driver)
        assert ended.end == ("handed on" if asked.answer == "accepted" else "given back")


def test_the_same_days_confirmed_by_all_at_once_are_changed_once(racers):
    people, runs = [ready_person() for _ in range(4)], runs_by_day(4)
    race(racers[:1], [[["seat", run.pk, person.pk] for run, person in zip(runs, people, strict=True)]])
    Message.objects.all().delete()
    pages, hour = [], timedelta(hours=1)
    for number in range(RACERS):  # half of them see the runs in another order
        shown = list(runs) if number % 2 else runs[::-1]
        changes = [
            days.CallOff(run.pk, days.fingerprint(run), "Snow")
            if run in runs[:2]
            else days.Reshape(run.pk, days.fingerprint(run), days.moved(run, run.starts_at + hour))
            for run in shown
        ]
        pages.append([["change_days", [days.plain(change) for change in changes]]])
    outcomes = Counter(outcome for each in race(racers, pages) for outcome in each)
    assert outcomes == {"done": 1, "not saved": RACERS - 1}
    assert Message.objects.count() == 4  # one each
    assert Event.objects.filter(verb="cancelled", person_id=None).count() == 2


def test_days_confirmed_while_seats_are_taken_and_given_back_leave_nobody_untold(racers):
    people, runs = [ready_person() for _ in range(6)], runs_by_day(6)
    page = [days.plain(days.CallOff(run.pk, days.fingerprint(run), "Snow")) for run in runs]
    taking = [[["seat", run.pk, person.pk]] for run, person in zip(runs, people, strict=True)]
    *seated, changed = race(racers[:7], [*taking, [["change_days", page]]])
    assert changed == ["done"]
    for (outcome,), run in zip(seated, runs, strict=True):
        assert outcome in ("done", "cancelled")
        assert not run.bookings.live().exists()
        ended = run.bookings.count()
        assert ended == (outcome == "done")
        assert Message.objects.filter(kind="ended", text__contains="Snow").exists() or not ended


def ridden(number):
    """Rides of yesterday and before that wait for their lead driver's word: run, lead driver, trainee."""
    rows = []
    for day in range(1, number + 1):
        run = make_run(starts_at=timezone.now().replace(microsecond=0) - timedelta(days=day))
        lead, trainee = lead_driver(sign_in=True), make_ready(PersonFactory(), without=("ride",))
        put(lead, run)
        put(trainee, run, Booking.Seat.SECOND)
        rows.append((run, lead, trainee))
    return rows


def test_what_a_phone_kept_is_sent_by_all_its_tabs_at_once_and_done_once(racers):
    """The same key: all are answered alike, and it is recorded once."""
    rows = ridden(8)
    sent = [["send_sign_off", run.pk, lead.user_id, str(uuid4())] for run, lead, _trainee in rows]
    results = race(racers, [sent if number % 2 else sent[::-1] for number in range(RACERS)])
    assert {outcome[:13] for outcomes in results for outcome in outcomes} == {"200 Recorded."}
    assert SignOff.objects.count() == SentOnce.objects.count() == len(rows)
    assert Event.objects.filter(verb="ride signed off").count() == len(rows)
    trainees = [trainee for _run, _lead, trainee in rows]
    assert Completion.objects.filter(step__kind="ride", person__in=trainees).count() == len(rows)


def test_two_phones_with_the_same_ride_give_one_word(racers):
    """Different keys: one is recorded, and the others are told by whom."""
    rows = ridden(6)
    phones = [
        [
            ["send_sign_off", run.pk, lead.user_id, str(uuid4()), "ready" if number % 2 else "again"]
            for run, lead, _trainee in rows
        ]
        for number in range(RACERS)
    ]
    for (_run, lead, _trainee), outcomes in zip(rows, zip(*race(racers, phones), strict=True), strict=True):
        words = Counter(outcome.partition(" ")[0] for outcome in outcomes)
        assert words == {"200": 1, "409": RACERS - 1}
        refused = [outcome for outcome in outcomes if outcome.startswith("409")]
        assert all(f"signed off already by {lead.name}" in outcome for outcome in refused)
    assert SignOff.objects.count() == SentOnce.objects.count() == len(rows)


def test_a_sign_off_taken_back_by_all_at_once_is_taken_back_once(racers):
    rows = ridden(8)
    signed = [
        sign_off_ride(run=run, lead=lead, outcome="ready", by=lead.user).pk for run, lead, _trainee in rows
    ]
    results = race(racers, [[["take_back", pk] for pk in signed]] * RACERS)
    for outcomes in zip(*results, strict=True):
        assert Counter(outcomes) == {"done": 1, "not possible": RACERS - 1}
    assert Message.objects.filter(kind="sign-off back").count() == len(rows)


def test_a_sign_off_is_taken_back_while_the_trainee_takes_a_seat(racers):
    """Whichever comes first: a seat that was taken is named and flagged, else it is refused."""
    rows = ridden(8)
    people = [trainee for _run, _lead, trainee in rows]
    signed = [sign_off_ride(run=run, lead=lead, outcome="ready", by=lead.user) for run, lead, _ in rows]
    runs = runs_by_day(len(rows))
    taking = [[["seat", run.pk, person.pk]] for run, person in zip(runs[:4], people[:4], strict=True)]
    back = [[["take_back", one.pk]] for one in signed[:4]]
    *seats, _b1, _b2, _b3, _b4 = race(racers, [*taking, *back])
    for (outcome,), run, person in zip(seats, runs, people, strict=False):
        assert outcome in ("done", "not ready")
        gone = Booking.objects.clearance_gone().filter(run=run, person=person)
        assert gone.exists() == (outcome == "done")
        told = Message.objects.get(kind="sign-off back", person=person).text
        assert (run.title in told) == (outcome == "done")


def test_the_last_kits_on_the_shelf_go_to_as_many_people(racers):
    people = [make_ready(PersonFactory(), without=("kit",)) for _ in racers]
    kits.count_shelf(3, by=None)
    results = race(racers, [[["hand_kit", person.pk]] for person in people])
    assert Counter(outcome for [outcome] in results) == {"done": 3, "not possible": RACERS - 3}
    assert kits.on_shelf() == 0
    assert KitMove.objects.filter(kind="handed").count() == len(kits.holders()) == 3


def test_one_person_is_handed_one_kit(racers):
    people = [make_ready(PersonFactory(), without=("kit",)) for _ in range(6)]
    results = race(racers, [[["hand_kit", person.pk] for person in people]] * RACERS)
    for outcomes in zip(*results, strict=True):
        assert Counter(outcomes) == {"done": 1, "not possible": RACERS - 1}
    assert KitMove.objects.count() == len(people)


def test_several_workers_remind_each_holder_once(racers):
    noon = datetime(2027, 5, 3, 16, 0, tzinfo=UTC)  # in New York
    people = [make_ready(PersonFactory(), until=noon.date() + timedelta(days=7)) for _ in range(10)]
    results = race(racers, [[["remind", noon.isoformat()]]] * RACERS)
    assert results == [["done"]] * RACERS
    assert Message.objects.filter(kind="runs out").count() == len(people)
    assert Event.objects.filter(verb="reminded").count() == 2 * len(people)  # license and insurance


def test_several_workers_say_the_digest_once(racers):
    at = datetime(2027, 5, 3, 20, 0, tzinfo=UTC)  # 4 p.m. in New York
    coordinator()
    make_run(starts_at=at + timedelta(hours=16))
    results = race(racers, [[["say_digest", at.isoformat()]]] * RACERS)
    assert results == [["done"]] * RACERS
    assert Message.objects.filter(kind="digest").count() == 1
    assert Event.objects.filter(verb="digest").count() == 1


def test_a_driver_who_did_not_come_is_marked_once_and_taken_back_once(racers):
    started = timezone.now().replace(microsecond=0) - timedelta(minutes=5)
    rows = [(make_run(starts_at=started), ready_person()) for _ in range(6)]
    for run, person in rows:
        put(person, run)
    marks = [["miss", run.pk, person.pk] for run, person in rows]
    assert race(racers, [marks] * RACERS) == [["done"] * len(rows)] * RACERS
    assert NoShow.objects.count() == Event.objects.filter(verb="no show").count() == len(rows)
    backs = [["came", run.pk] for run, _person in rows]
    assert race(racers, [backs] * RACERS) == [["done"] * len(rows)] * RACERS
    for run, person in rows:
        assert run.bookings.live().get().person == person
        assert run.bookings.count() == 2


def test_two_do_not_cover_the_same_days(racers):
    day = timezone.now().date()
    spans = [(day + timedelta(days=7 * week), day + timedelta(days=7 * week + 8)) for week in range(3)]
    people = [PersonFactory() for _ in racers]
    results = race(
        racers,
        [
            [["cover", person.pk, first.isoformat(), last.isoformat()] for first, last in spans]
            for person in people
        ],
    )
    assert {outcome for outcomes in results for outcome in outcomes} == {"done", "not possible"}
    turns = list(CoverTurn.objects.order_by("first"))
    for one, other in pairwise(turns):
        assert one.last < other.first


# --- requests


def asked_about(people, *, days=3):
    """A search for a run without a driver, and the requests to all of them."""
    now = timezone.now().replace(microsecond=0)
    search = Search.objects.create(run=make_run(starts_at=now + timedelta(days=days)), opened_at=now)
    return search, [
        requests.ask_person(search, person, wave=1, by=None, at=now, mailed=True) for person in people
    ]


def test_everybody_says_yes_in_the_same_second_and_one_is_seated(racers):
    """The others are thanked, and no calendar has a run that is not its own."""
    people = [ready_person() for _ in racers]
    searches = [asked_about(people, days=day) for day in range(2, 6)]
    taps = [
        [["answer_request", asks[number].pk, "yes"] for _search, asks in searches] for number in range(RACERS)
    ]
    results = race(racers, taps)
    for (search, asks), outcomes in zip(searches, zip(*results, strict=True), strict=True):
        assert Counter(outcomes) == {"yes": 1, "late": RACERS - 1}
        winner = asks[outcomes.index("yes")]
        [booking] = Booking.objects.filter(run=search.run)
        assert (booking.person_id, booking.ask.pk) == (winner.person_id, winner.pk)
        [entry] = CalendarEntry.objects.filter(booking__run=search.run)
        assert (entry.person_id, entry.cancelled_at) == (winner.person_id, None)
        assert Message.objects.filter(kind="booked", about=entry.uid, person=winner.person).count() == 1
        search.refresh_from_db()
        assert search.end == "filled"
    assert Message.objects.filter(kind="booked").count() == len(searches)
    assert Event.objects.filter(verb="search ended").count() == len(searches)


def test_the_same_yes_by_many_fingers_is_one_seat(racers):
    person = ready_person()
    searches = [asked_about([person], days=day) for day in range(2, 8)]
    taps = [["answer_request", asks[0].pk, "yes"] for _search, asks in searches]
    assert race(racers, [taps] * RACERS) == [["yes"] * len(searches)] * RACERS
    assert Booking.objects.count() == Message.objects.filter(kind="booked").count() == len(searches)


def test_one_person_cannot_say_yes_to_two_runs_of_the_same_hour(racers):
    """The second yes is refused, and for that run somebody is still looked for."""
    person = ready_person()
    pairs = [[asked_about([person], days=day) for _ in range(2)] for day in range(2, 6)]
    sides = [[["answer_request", pair[side][1][0].pk, "yes"] for pair in pairs] for side in (0, 1)]
    for outcomes in zip(*race(racers[:2], sides), strict=True):
        assert sorted(outcomes) == ["elsewhere", "yes"]
    assert Search.objects.open().count() == len(pairs)


def test_a_yes_while_the_coordinator_stops_is_a_seat_or_is_refused(racers):
    searches = [asked_about([ready_person()], days=day) for day in range(2, 6)]
    says = [[["answer_request", asks[0].pk, "yes"]] for _search, asks in searches]
    stops = [[["stop_search", search.pk]] for search, _asks in searches]
    results = race(racers, says + stops)
    for (search, _asks), (said,), (stopped,) in zip(searches, results[:4], results[4:], strict=True):
        assert (said, stopped) in {("yes", "not possible"), ("no longer asked", "done")}
        assert Booking.objects.filter(run=search.run).exists() == (said == "yes")


def test_several_workers_ask_one_group_and_nobody_too_often(racers):
    noon = datetime(2027, 5, 3, 16, 0, tzinfo=UTC)  # in New York
    people = [ready_person() for _ in range(12)]
    sites = [SiteFactory(), DropOffFactory()]
    for hours in (240, 245, 250, 255, 260, 265):
        run = make_run(starts_at=noon + timedelta(hours=hours), sites=sites)
        Search.objects.create(run=run, opened_at=noon, next_at=noon)
    results = race(racers, [[["ask_around", noon.isoformat()]]] * RACERS)
    asked = sum(int(outcome.removeprefix("asked ")) for [outcome] in results)
    assert asked == Ask.objects.count() == Message.objects.filter(kind="request").count()
    assert set(Ask.objects.values_list("wave", flat=True)) == {1}
    often = Counter(Ask.objects.values_list("person", flat=True))
    assert len(often) == len(people)
    assert max(often.values()) <= 2  # a week's requests

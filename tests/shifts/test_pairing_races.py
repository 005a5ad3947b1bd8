"""Shadow rides agreed, declined and taken away in the same second, by eight processes on whichever database
the tests run."""

from collections import Counter

import pytest

from shifts.models import Booking, CalendarEntry, HandOver, Pairing
from shifts.seats import pairing
from sites.models import Event
from tests.factories import PersonFactory, lead_driver, make_ready, put, ready_person
from tests.shifts.test_races import RACERS, all_done, processes, race, racers, runs_by_day  # noqa: F401
from volunteers.models import Message

pytestmark = pytest.mark.django_db(transaction=True)
SECOND = Booking.Seat.SECOND


def pairs(number):
    """So many proposed rides, each of two people of its own on a run of its own."""
    found = []
    for run in runs_by_day(number, first=8):
        lead, trainee = lead_driver(), make_ready(PersonFactory(), without=("ride",))
        put(lead, run)
        found.append(pairing.propose(run=run, trainee=trainee, lead=lead, by=None))
    return found


def consistent():
    """Whatever has happened: what is agreed has its seat, what is not has none, and nobody sits twice."""
    for pair in Pairing.objects.select_related("booking"):
        seated = pair.run.bookings.live().filter(seat=SECOND, person=pair.trainee)
        assert (pair.outcome == "agreed") == seated.exists()
        if pair.outcome == "agreed":
            assert pair.booking == seated.get()
    return Counter(Pairing.objects.values_list("outcome", flat=True))


def test_both_agree_in_the_same_second(racers):  # noqa: F811
    """Half of the processes are the lead driver, half the trainee, each tapping on all rides."""
    rides = pairs(12)
    tasks = [
        [["agree_to_ride", pair.pk, pair.lead_id if n % 2 else pair.trainee_id] for pair in rides]
        for n in range(RACERS)
    ]
    results = race(racers, tasks)
    assert all_done(results) <= {"half", "agreed"}, results
    assert consistent() == {"agreed": 12}
    assert Booking.objects.live().filter(seat=SECOND).count() == 12
    assert Event.objects.filter(verb="ride agreed").count() == 24
    assert Event.objects.filter(verb="seated").count() == 12
    # The lead drivers' own seats are bare rows: told of a yes after theirs, their calendars get them too.
    entries = CalendarEntry.objects.filter(booking__seat=SECOND)
    assert entries.count() == Message.objects.filter(kind="booked").count() == 12


def test_the_other_s_yes_waits_for_the_first(racers):  # noqa: F811
    [pair] = pairs(1)
    first, second = racers[:2]
    first.tell([["begin"], ["agree_to_ride", pair.pk, pair.lead_id], ["pause"], ["commit"]])
    assert first.hear() == ["paused"]
    second.tell([["agree_to_ride", pair.pk, pair.trainee_id]])
    assert not second.has_answered_within(0.3)
    first.go_on()
    assert (first.hear(), second.hear()) == (["half"], ["agreed"])


def test_a_third_takes_the_second_seat_meanwhile(racers):  # noqa: F811
    """Either the third has the seat and the ride is withdrawn, or the other way round; never both."""
    rides = pairs(16)
    for pair in rides:
        pairing.agree(pair, pair.lead, by=None)
    third = [make_ready(PersonFactory(), without=("ride",)) for _ in rides]
    agreeing = [["agree_to_ride", pair.pk, pair.trainee_id] for pair in rides]
    taking = [["seat", pair.run_id, person.pk, "second"] for pair, person in zip(rides, third, strict=True)]
    results = race(racers, [agreeing, taking] * (RACERS // 2))
    said = {outcome for each in results[::2] for outcome in each}
    assert said <= {"agreed", "withdrawn", "settled"}, said
    outcomes = consistent()
    assert sum(outcomes.values()) == outcomes["agreed"] + outcomes["withdrawn"] == 16
    assert Booking.objects.live().filter(seat=SECOND).count() == 16, "one person in each seat"
    assert Booking.objects.live().filter(seat=SECOND, person__in=third).count() == outcomes["withdrawn"]


def test_a_yes_waits_for_the_third_and_is_withdrawn_with_the_reason(racers):  # noqa: F811
    [pair] = pairs(1)
    pairing.agree(pair, pair.lead, by=None)
    third = make_ready(PersonFactory(), without=("ride",))
    first, second = racers[:2]
    first.tell([["begin"], ["seat", pair.run_id, third.pk, "second"], ["pause"], ["commit"]])
    assert first.hear() == ["paused"]
    second.tell([["agree_to_ride", pair.pk, pair.trainee_id]])
    assert not second.has_answered_within(0.3)
    first.go_on()
    assert (first.hear(), second.hear()) == (["done"], ["withdrawn"])
    pair.refresh_from_db()
    assert pair.why == "Just taken: somebody else has this seat now."


def test_yes_no_and_withdrawn_at_once_end_in_one_of_them(racers):  # noqa: F811
    rides = pairs(16)
    for pair in rides:
        pairing.agree(pair, pair.lead, by=None)
    agreeing = [["agree_to_ride", pair.pk, pair.trainee_id] for pair in rides]
    declining = [["decline_ride", pair.pk, pair.trainee_id] for pair in rides]
    withdrawing = [["withdraw_ride", pair.pk] for pair in rides]
    leaving = [["give_back", pair.run_id, pair.lead_id] for pair in rides]
    looking = [["settle_rides"]] * 4
    results = race(
        racers,
        [
            agreeing,
            declining[::-1],
            withdrawing,
            looking,
            agreeing[::-1],
            leaving[::-1],
            looking,
            withdrawing,
        ],
    )
    allowed = {"agreed", "declined", "withdrawn", "settled", "done"}
    assert all_done(results) <= allowed, all_done(results) - allowed
    assert sum(consistent().values()) == 16
    assert not Pairing.objects.open().exists()
    assert Event.objects.filter(verb__in=["ride declined", "ride withdrawn"]).count() == (
        Pairing.objects.exclude(outcome="agreed").count()
    )


def test_one_run_is_proposed_to_one_trainee(racers):  # noqa: F811
    """Eight coordinators ask eight trainees about the same runs, and the same trainee about eight runs."""
    runs = runs_by_day(RACERS, first=8)
    leads = [lead_driver() for _ in runs]
    for run, lead in zip(runs, leads, strict=True):
        put(lead, run)
    people = [make_ready(PersonFactory(), without=("ride",)) for _ in racers]
    tasks = [
        [
            ["propose_ride", run.pk, people[(n + number) % RACERS].pk, lead.pk]
            for number, (run, lead) in enumerate(zip(runs, leads, strict=True))
        ]
        for n in range(RACERS)
    ]
    results = race(racers, tasks)
    assert all_done(results) <= {"done", "asked already"}, all_done(results)
    rows = list(Pairing.objects.open())
    assert len({pair.run_id for pair in rows}) == len({pair.trainee_id for pair in rows}) == len(rows)
    assert sum(outcome == "done" for each in results for outcome in each) == len(rows)


def test_a_lead_hands_on_while_the_trainee_agrees(racers):  # noqa: F811
    rides = pairs(8)
    for pair in rides:
        pairing.agree(pair, pair.lead, by=None)
    asking = [["ask", pair.run_id, pair.lead_id, ready_person().pk] for pair in rides]
    assert set(race(racers[:1], [asking])[0]) == {"done"}
    accepting = [["accept", row.pk] for row in HandOver.objects.order_by("pk")]
    agreeing = [["agree_to_ride", pair.pk, pair.trainee_id] for pair in rides]
    results = race(racers[:4], [accepting, agreeing, agreeing[::-1], [["settle_rides"]] * 4])
    assert all_done(results) <= {"done", "agreed", "withdrawn", "settled"}, all_done(results)
    consistent()
    assert not Pairing.objects.open().exists()

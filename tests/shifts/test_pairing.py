"""Shadow rides: who is matched with whom, who waits since when and why somebody stays without; asked, agreed,
declined, withdrawn, each allowed and refused; seats that a lead driver has left; how a trainee rides."""

import random
from collections import Counter
from datetime import time, timedelta
from itertools import product

import numpy as np
import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from scipy.optimize import linear_sum_assignment

from shifts import worker
from shifts.cover.pairing import Option, assign, proposals, waiting
from shifts.cover.weaknesses import attention, weaknesses
from shifts.models import Booking, Pairing, Policy, Run
from shifts.seats import pairing, refusals, riding
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run, reshape_run, shape_of
from shifts.seats.riding import change_ride
from sites.changes import close_site
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
from tests.shifts.pages.at_the_desk import DAY, NOW, TODAY
from volunteers.models import Completion, Message, NotAt, Person, SignOff, Step
from volunteers.people import add_away, change_person, end_lead, leave, set_hours

DRIVER, SECOND = Booking.Seat.DRIVER, Booking.Seat.SECOND


# --- the assignment, on plain data


def instance(seed, *, trainees=6, runs=8, leads=3, days=range(28), share=0.5):
    """Trainees with their waits, some of them alike, and rides for a share of all pairs."""
    dice = random.Random(seed)
    waited = {f"trainee {n}": dice.choice([7, 7, 8, 14, 30, 60]) for n in range(dice.randint(1, trainees))}
    rides = [(f"run {n}", f"lead {dice.randrange(leads)}", dice.choice(days)) for n in range(runs)]
    rides = rides[: dice.randint(1, runs)]
    free, arranged = list(rides), {}
    for trainee in waited:
        if free and dice.random() < 0.3:
            arranged[trainee] = free.pop(dice.randrange(len(free)))[0]
    options = [
        Option(trainee, run, lead, day, arranged=arranged.get(trainee) == run)
        for trainee in waited
        for run, lead, day in rides
        if dice.random() < share
    ]
    return waited, options


def reached(waited, chosen):
    """What an assignment is worth at every level but the last, each in one number."""
    return (
        len(chosen),
        sum(waited[option.trainee] for option in chosen),
        sum(option.arranged for option in chosen),
        -sum(option.day for option in chosen),
        -sum(option.day * waited[option.trainee] for option in chosen),
    )


def spread(chosen, led=None):
    counts = Counter(option.lead for option in chosen)
    given = led or {}
    return -sum((given.get(lead, 0) + n) for lead, count in counts.items() for n in range(count))


def fits(chosen):
    return all(
        len({getattr(option, what) for option in chosen}) == len(chosen) for what in ("trainee", "run")
    )


def by_scipy(waited, options):
    """These levels as one whole-number gain for another solver. Each level's step is larger than all that the
    levels below it can make together: 6 times 27 days times 60 days are less than 10,000, 6 times 27 days
    less than 200, 6 arranged less than 7, 6 times 60 days waited less than 361. The sum stays far below
    2**53, up to where a float holds every whole number."""
    day, arranged = 10_000, 10_000 * 200
    waits, rides = arranged * 7, arranged * 7 * 361
    trainees, runs = sorted(waited), sorted({option.run for option in options})
    gain = np.full((len(trainees), len(runs) + len(trainees)), -50 * rides, dtype=np.int64)
    gain[:, len(runs) :] = 0  # a place for each to stay without
    at = {}
    for option in options:
        place = trainees.index(option.trainee), runs.index(option.run)
        at[place] = option
        wait = waited[option.trainee]
        gain[place] = rides + waits * wait + arranged * option.arranged - (day + wait) * option.day
    rows, columns = linear_sum_assignment(gain, maximize=True)
    return [at[place] for place in zip(rows.tolist(), columns.tolist(), strict=True) if place in at]


def test_the_levels_equal_another_solver_s_on_300_instances():
    for seed in range(300):
        waited, options = instance(seed)
        found = assign(waited, options)
        assert fits(found.values())
        assert all(option.trainee == trainee and option in options for trainee, option in found.items())
        assert reached(waited, found.values()) == reached(waited, by_scipy(waited, options)), seed


def test_every_level_equals_looking_at_everything():
    """Waits compared place by place, longest first, not by their sum: the sum is enough, and this sees it."""
    for seed in range(160):
        few = (1, 1, 2, 9) if seed % 2 else (1, 3, 4, 27)  # days alike, and days far apart
        waited, options = instance(seed + 1000, trainees=4, runs=5, days=few, share=0.8)
        led = {"lead 0": seed % 3}

        def worth(chosen, waited=waited, led=led):
            count, _sum, arranged, days, soonest = reached(waited, chosen)
            longest = sorted((waited[option.trainee] for option in chosen), reverse=True)
            return count, longest, arranged, days, soonest, spread(chosen, led)

        of_each = [[None, *(o for o in options if o.trainee == trainee)] for trainee in waited]
        ways = ([o for o in way if o] for way in product(*of_each))
        best = max(worth(way) for way in ways if fits(way))
        assert worth(list(assign(waited, options, led=led).values())) == best, seed


class TestAssign:
    def test_nothing_to_assign(self):
        assert assign({}, []) == assign({"ann": 9}, []) == {}

    def test_two_ride_rather_than_the_one_who_has_waited_longest_alone(self):
        """As many as possible: Ann takes the ride that only she can have."""
        options = [Option("ann", 1, "lea", 1), Option("ann", 2, "lea", 20), Option("ben", 1, "lea", 1)]
        found = assign({"ann": 90, "ben": 7}, options)
        assert {trainee: option.run for trainee, option in found.items()} == {"ann": 2, "ben": 1}

    def test_who_has_waited_longest_comes_before_what_is_arranged(self):
        options = [Option("ann", 1, "lea", 1), Option("ben", 1, "lea", 1, arranged=True)]
        assert set(assign({"ann": 8, "ben": 7}, options)) == {"ann"}

    def test_what_is_arranged_stays_rather_than_a_sooner_day(self):
        options = [Option("ann", 1, "lea", 20, arranged=True), Option("ann", 2, "lea", 1)]
        assert assign({"ann": 8}, options)["ann"].run == 1

    def test_of_the_same_days_the_longest_wait_gets_the_soonest(self):
        rides = [(1, 20), (2, 6), (3, 13)]
        waited = {"ann": 40, "ben": 7, "cal": 20}
        found = assign(waited, [Option(name, run, "lea", day) for name in waited for run, day in rides])
        assert {name: option.day for name, option in found.items()} == {"ann": 6, "cal": 13, "ben": 20}

    def test_the_sum_of_the_days_comes_before_who_gets_the_soonest(self):
        options = [Option("ann", 1, "lea", 2), Option("ann", 2, "lea", 10)]
        options += [Option("ben", 1, "lea", 2), Option("ben", 3, "lea", 20)]
        found = assign({"ann": 60, "ben": 7}, options)
        assert {name: option.day for name, option in found.items()} == {"ann": 10, "ben": 2}

    def test_sooner_comes_before_spread_and_spread_decides_the_rest(self):
        options = [Option("ann", 1, "lea", 1), Option("ben", 2, "lea", 1), Option("ben", 3, "max", 1)]
        assert assign({"ann": 8, "ben": 8}, options)["ben"].lead == "max"
        later = [*options[:2], Option("ben", 3, "max", 2)]
        assert assign({"ann": 8, "ben": 8}, later)["ben"].lead == "lea"

    def test_rides_that_a_lead_gives_already_count(self):
        options = [Option("ann", 1, "lea", 1), Option("ann", 2, "max", 1)]
        assert assign({"ann": 8}, options, led={"lea": 2})["ann"].lead == "max"
        assert assign({"ann": 8}, options, led={"max": 2})["ann"].lead == "lea"

    def test_it_says_nothing_on_the_standard_output(self, capfd):
        assign({"ann": 8}, [Option("ann", 1, "lea", 1)])
        assert capfd.readouterr() == ("", "")


# --- people


@pytest.fixture
def now():
    with time_machine.travel(NOW, tick=False) as travel:
        yield travel


def trainee(days=20, without=("ride",), **facts):
    """Somebody whose other steps were done so many days ago, and who lacks what is in `without`."""
    person = PersonFactory(joined_on=TODAY - (days + 30) * DAY, **facts)
    make_ready(person, without=without)
    person.completions.update(valid_from=TODAY - days * DAY)
    return person


@pytest.fixture
def lea(now, db):
    return lead_driver(name="Lea Bell", email="lea@example.org")


@pytest.fixture
def ben(now, db):
    return trainee(name="Ben Okoro", email="ben@example.org")


@pytest.fixture
def run(lea):
    run = make_run(title="Morning run")
    put(lea, run)
    return run


def led_run(lead, days=3, hour=0, **facts):
    run = make_run(starts_at=NOW + days * DAY + timedelta(hours=hour), **facts)
    put(lead, run)
    return run


def pairs(plan):
    return {one.waiting.person: (one.run, one.lead) for one in plan.proposals}


def plan():
    return proposals(at=NOW)


def reason_of(person):
    return {one.waiting.person: one.why for one in plan().without}[person]


pytestmark = pytest.mark.usefixtures("now")


@pytest.mark.django_db
class TestWaiting:
    def since(self, person):
        return {one.person: one.since for one in waiting(at=NOW)}.get(person)

    def test_since_the_last_other_step_was_done(self, ben):
        ben.completions.filter(step__code="kit").update(valid_from=TODAY - 9 * DAY)
        assert self.since(ben) == TODAY - 9 * DAY

    def test_since_joining_while_others_are_missing_too(self):
        person = trainee(20, without=("ride", "kit"))
        assert self.since(person) == person.joined_on == TODAY - 50 * DAY

    def test_a_paper_that_is_renewed_starts_nothing_anew(self, ben):
        card = Step.objects.get(code="insurance")
        Completion.objects.create(
            person=ben, step=card, valid_from=TODAY - DAY, valid_until=TODAY + 300 * DAY, recorded_at=NOW
        )
        assert self.since(ben) == TODAY - 20 * DAY

    def test_a_step_recorded_for_a_day_before_joining_counts_from_joining(self, ben):
        change_person(ben, joined_on=TODAY - 3 * DAY, by=None)
        assert self.since(ben) == TODAY - 3 * DAY

    def test_not_while_they_were_on_a_break(self, ben):
        Person.objects.filter(pk=ben.pk).update(back_on=TODAY - 2 * DAY)
        assert self.since(ben) == TODAY - 2 * DAY

    def test_whoever_has_the_ride_does_not_wait_nor_who_left_pauses_or_only_sorts(self, ben):
        others = [trainee() for _ in range(4)]
        make_ready(others[0])
        leave(others[1], by=None)
        Person.objects.filter(pk=others[2].pk).update(paused_on=TODAY)
        change_person(others[3], drives=False, by=None)
        assert [one.person for one in waiting(at=NOW)] == [ben]

    def test_longest_first(self, ben):
        first, last = trainee(30), trainee(8)
        assert [one.person for one in waiting(at=NOW)] == [first, ben, last]


@pytest.mark.django_db
class TestProposals:
    def test_a_lead_driver_s_run_with_an_empty_second_seat(self, ben, lea, run):
        [one] = plan().proposals
        assert (one.waiting.person, one.run, one.lead) == (ben, run, lea)
        assert one.reasons == ["waits 20 days", "all else is done", "has not said when they are free"]

    def test_only_after_the_days_of_the_policy(self, run):
        person = trainee(6)
        found = plan()
        assert (found.proposals, [one.person for one in found.early]) == ([], [person])
        Policy.objects.update(ride_days=6)
        assert list(pairs(plan())) == [person]

    @pytest.mark.parametrize(
        "how",
        ["no lead", "no driver", "cancelled", "closed", "no second seat", "taken", "late", "far", "lapsed"],
    )
    def test_no_other_run(self, how, ben, run, lea):
        if how == "no lead":
            end_lead(lea, by=None)
        elif how == "no driver":
            run.bookings.update(ended_at=NOW, end="given back")
        elif how == "cancelled":
            cancel_run(run, reason="", by=None)
        elif how == "closed":
            close_site(run.ordered_stops[0].site, first=run.local_date, last=run.local_date, by=None)
        elif how == "no second seat":
            Run.objects.update(second_seat=False)
        elif how == "taken":
            put(ready_person(), run, SECOND)
        elif how == "late":
            Run.objects.update(starts_at=NOW + timedelta(hours=23), ends_at=NOW + timedelta(hours=24))
        elif how == "far":
            far = NOW + timedelta(weeks=8, minutes=1)
            Run.objects.update(starts_at=far, ends_at=far + timedelta(hours=1))
        else:
            lea.completions.filter(step__code="license").update(valid_until=TODAY)
        found = plan()
        assert found.proposals == []
        [one] = found.without
        assert one.waiting.person == ben
        assert one.why.startswith("no lead driver has a run")

    def test_a_run_of_tomorrow_s_hour_leaves_time_to_answer(self, ben, lea):
        assert list(pairs(plan())) == []
        led_run(lea, days=1)
        assert list(pairs(plan())) == [ben]

    def test_not_when_they_are_away_or_not_usually_free(self, ben, run):
        away = add_away(ben, first=run.local_date, last=run.local_date, by=None)
        assert reason_of(ben) == "not free at the only ride"
        away.delete()
        set_hours(ben, [(run.local_date.weekday(), time(18), time(20))], by=None)
        assert reason_of(ben) == "not free at the only ride"
        set_hours(ben, [(run.local_date.weekday(), time(9), time(12))], by=None)
        assert list(pairs(plan())) == [ben]

    def test_not_while_on_another_run_with_the_drive_between(self, ben, lea, run):
        other = lead_driver()
        near = make_run(starts_at=run.ends_at + timedelta(minutes=5))
        put(other, near)
        put(ben, near, SECOND)
        assert plan().riding[0].person == ben
        near.bookings.filter(seat=DRIVER).update(ended_at=NOW, end="given back")
        assert reason_of(ben) == "on another run at the time of the only ride"

    def test_not_at_a_site_to_which_they_are_not_to_be_sent(self, ben, run):
        mark = NotAt.objects.create(person=ben, site=run.ordered_stops[1].site, at=NOW)
        assert reason_of(ben) == "the only ride goes to a site where they are not to be sent"
        NotAt.objects.filter(pk=mark.pk).update(ended_at=NOW)
        assert list(pairs(plan())) == [ben]

    def test_nobody_under_18(self, run, lea):
        PersonFactory(is_adult=False, drives=False, guardian=lea, consent_on=TODAY)
        found = plan()
        assert (found.proposals, found.without, found.early) == ([], [], [])

    def test_who_waits_longest_rides_and_the_others_hear_why(self, ben, lea, run):
        longer = trainee(40)
        assert list(pairs(plan())) == [longer]
        assert reason_of(ben) == (
            "the only ride they could take goes to people who have waited as long or longer"
        )
        led_run(lea, days=4)
        assert set(pairs(plan())) == {longer, ben}

    def test_several_reasons_are_counted(self, ben, lea, run):
        led_run(lea, days=4)
        tuesday = led_run(lea, days=7)
        NotAt.objects.create(person=ben, site=tuesday.ordered_stops[0].site, at=NOW)
        set_hours(ben, [(run.local_date.weekday(), time(6), time(7))], by=None)
        assert (
            reason_of(ben) == "of 3 rides 2 when they are not free, 1 at a site where they are not to be sent"
        )

    def test_after_a_no_another_ride_and_after_a_lead_s_no_nobody_on_that_run(self, ben, lea, run):
        pair = pairing.propose(run=run, trainee=ben, lead=lea, by=None)
        pairing.decline(pair, ben, by=None)
        assert reason_of(ben) == "has said no to the only ride"
        other = trainee(10)
        assert list(pairs(plan())) == [other]
        pair = pairing.propose(run=run, trainee=other, lead=lea, by=None)
        pairing.decline(pair, lea, by=None)
        assert pairs(plan()) == {}
        assert reason_of(other).startswith("no lead driver has a run left")

    def test_whoever_has_a_ride_ahead_is_not_proposed_another(self, ben, lea, run):
        seat(run=run, person=ben, seat=SECOND, by=None)
        led_run(lea, days=4)
        found = plan()
        assert (found.proposals, found.without) == ([], [])
        assert [one.ride.run for one in found.riding] == [run]

    def test_a_ride_that_lost_its_lead_counts_no_more_and_the_place_in_line_stays(self, ben, lea, run):
        seat(run=run, person=ben, seat=SECOND, by=None)
        give_back(run.bookings.get(seat=DRIVER), by=None)
        other = lead_driver()
        later = led_run(other, days=5)
        assert pairs(plan()) == {ben: (later, other)}
        assert plan().proposals[0].waiting.days == 20
        assert run.bookings.live().get().person == ben, "a lead driver may still take the run"

    def test_a_ride_without_the_lead_s_word_waits_for_that(self, ben, lea, run):
        put(ben, run, SECOND)
        led_run(lea, days=4)
        Run.objects.filter(pk=run.pk).update(
            starts_at=NOW - 2 * DAY, ends_at=NOW - 2 * DAY + timedelta(hours=1)
        )
        assert reason_of(ben) == "rode along on Morning run, and nobody has recorded how it went"
        sign = SignOff.objects.create(trainee=ben, lead=lea, ridden_on=TODAY, outcome="again", at=NOW)
        run.bookings.filter(seat=SECOND).update(sign_off=sign)
        assert list(pairs(plan())) == [ben]

    def test_what_is_asked_stays_and_is_not_proposed_twice(self, ben, lea, run):
        led_run(lea, days=2)
        pair = pairing.propose(run=run, trainee=ben, lead=lea, by=None)
        found = plan()
        assert (found.proposals, found.open, found.without) == ([], [pair], [])

    def test_what_is_asked_stays_though_they_are_not_usually_free(self, ben, lea, run):
        pairing.propose(run=run, trainee=ben, lead=lea, by=None)
        set_hours(ben, [(0, time(6), time(7))], by=None)
        assert plan().without == []

    def test_who_has_waited_longer_may_take_the_place_of_what_is_asked(self, ben, lea, run):
        pair = pairing.propose(run=run, trainee=ben, lead=lea, by=None)
        longer = trainee(40)
        [one] = plan().proposals
        assert (one.waiting.person, one.instead) == (longer, [pair])

    def test_a_constant_number_of_queries(self, ben, lea, run):
        def count():
            with CaptureQueriesContext(connection) as queries:
                plan()
            return len(queries)

        count()  # rows that are made when they are first read
        few = count()
        for number in range(6):
            person = trainee(10 + number)
            lead = lead_driver()
            led_run(lead, days=5 + number, sites=[SiteFactory(), DropOffFactory()])
            NotAt.objects.create(person=person, site=run.ordered_stops[0].site, at=NOW)
            set_hours(person, [(number, time(0), time(23, 59))], by=None)
        pairing.propose(run=run, trainee=ben, lead=lea, by=None)
        assert count() == few


# --- asking and answering


@pytest.fixture
def pair(ben, lea, run):
    return pairing.propose(run=run, trainee=ben, lead=lea, by=None)


def mails():
    return [(one.person.first_name, one.subject) for one in Message.objects.order_by("pk")]


def events(run):
    """Verb, person, and who did it; newest last."""
    rows = Event.objects.about(run).order_by("pk")
    return [(event.verb, event.person_id, event.by) for event in rows if "ride" in event.verb]


def said(pair, state):
    """The pairing brought into a state."""
    if state in ("half", "agreed"):
        pair = pairing.agree(pair, pair.lead, by=None)
    if state == "agreed":
        pair = pairing.agree(pair, pair.trainee, by=None)
    if state == "declined":
        pair = pairing.decline(pair, pair.lead, by=None)
    if state == "withdrawn":
        pair = pairing.withdraw(pair, by=None)
    assert pairing.state_of(pair) == state
    return pair


MOVES = {
    "agree": lambda pair, by: pairing.agree(pair, pair.trainee, by=by),
    "take back": lambda pair, by: pairing.take_back(pair, pair.lead, by=by),
    "decline": lambda pair, by: pairing.decline(pair, pair.trainee, by=by),
    "withdraw": lambda pair, by: pairing.withdraw(pair, by=by),
}
BECOMES = {
    ("agree", "asked"): "half",
    ("agree", "half"): "agreed",
    ("take back", "half"): "asked",
    ("decline", "asked"): "declined",
    ("decline", "half"): "declined",
    ("withdraw", "asked"): "withdrawn",
    ("withdraw", "half"): "withdrawn",
}
STAYS = {("agree", "agreed"), ("withdraw", "withdrawn")}  # a second tap
EVENT = {
    "agree": "ride agreed",
    "take back": "ride not agreed after all",
    "decline": "ride declined",
    "withdraw": "ride withdrawn",
}


@pytest.mark.django_db
@pytest.mark.parametrize("state", ["asked", "half", "agreed", "declined", "withdrawn"])
@pytest.mark.parametrize("move", MOVES)
def test_every_move_from_every_state(move, state, pair, run):
    desk = coordinator().user
    pair = said(pair, state)
    before = Event.objects.count()
    if (move, state) in BECOMES:
        pair = MOVES[move](pair, desk)
        assert pairing.state_of(pair) == BECOMES[move, state]
        event = Event.objects.about(run).filter(verb=EVENT[move]).latest("pk")
        assert (event.by, event.at) == (desk, NOW)
        assert event.person_id in (pair.trainee_id, pair.lead_id)
    elif (move, state) in STAYS:
        assert pairing.state_of(MOVES[move](pair, desk)) == state
        assert Event.objects.count() == before
    else:
        with pytest.raises(pairing.NotAgreed if (move, state) == ("take back", "asked") else pairing.Settled):
            MOVES[move](pair, desk)
        assert Event.objects.count() == before
    pair.refresh_from_db()
    assert pairing.state_of(pair) == BECOMES.get((move, state), state)


def test_the_table_of_moves_is_the_one_above():
    assert {key: str(value) for key, value in pairing.MOVES.items()} == BECOMES


@pytest.mark.django_db
class TestAsking:
    def test_both_get_a_link_of_their_own_and_nothing_is_fixed(self, pair, ben, lea, run):
        assert mails() == [
            ("Lea", "Can Ben O. ride with you? Morning run, Fri, Jun 5, 10:00 a.m."),
            ("Ben", "A shadow ride with Lea B.? Morning run, Fri, Jun 5, 10:00 a.m."),
        ]
        to_lea, to_ben = (mail.text for mail in Message.objects.order_by("pk"))
        assert f"/rides/{pairing.token_of(pair, lea)}/" in to_lea
        assert f"/rides/{pairing.token_of(pair, ben)}/" in to_ben
        assert pairing.token_of(pair, ben) not in to_lea
        assert "seat belt" in to_ben
        assert str(lea.phone) not in to_ben
        assert run.bookings.live().get().person == lea
        assert events(run) == [("ride proposed", ben.pk, None)]

    def test_whoever_has_no_mail_is_on_the_list_to_tell_by_phone(self, lea, run):
        cal = trainee(name="Cal Fox", by_phone=True)
        pair = pairing.propose(run=run, trainee=cal, lead=lea, by=None)
        assert [one.person for one in Message.objects.to_tell()] == [cal]
        pairing.agree(pair, cal, by=None)
        assert not Message.objects.to_tell().exists(), "answered, there is nothing to ask any more"

    def test_a_link_answers_for_its_own_person_alone(self, pair, ben, lea):
        assert pairing.found_by(pairing.token_of(pair, ben)) == (pair, ben)
        assert pairing.found_by(pairing.token_of(pair, lea)) == (pair, lea)
        for wrong in ("", "x", f"{pair.pk}-", "99-abc", pairing.token_of(pair, ben)[:-1], "9" * 30 + "-x"):
            assert pairing.found_by(wrong) is None
        leave(ben, by=None)
        assert pairing.found_by(pairing.token_of(pair, ben)) is None

    def test_one_trainee_a_run_and_one_run_a_trainee(self, pair, ben, lea, run):
        with pytest.raises(pairing.AskedAbout, match=r"Ben O\. and Lea B\. are asked"):
            pairing.propose(run=run, trainee=trainee(), lead=lea, by=None)
        with pytest.raises(pairing.AskedAbout):
            pairing.propose(run=led_run(lea, days=5), trainee=ben, lead=lea, by=None)
        assert Pairing.objects.get() == pair

    def test_in_place_of_another_that_is_withdrawn_and_told(self, pair, ben, lea, run):
        Message.objects.update(state="sent")
        longer = trainee(40, name="Ana Fox")
        new = pairing.propose(run=run, trainee=longer, lead=lea, instead=[pair], by=None)
        pair.refresh_from_db()
        assert (pair.outcome, pair.why) == ("withdrawn", "Another ride took its place.")
        assert list(Pairing.objects.open()) == [new]
        assert ("Ben", "No ride with Lea B. now: Morning run, Fri, Jun 5") in mails()

    @pytest.mark.parametrize(
        ("how", "refusal"),
        [
            ("other driver", pairing.OtherDriver),
            ("lead ended", pairing.OtherDriver),
            ("ready", pairing.NeedsNone),
            ("rides elsewhere", pairing.RidesElsewhere),
            ("taken", refusals.Taken),
            ("cancelled", refusals.Cancelled),
            ("started", refusals.Over),
            ("left", refusals.Left),
        ],
    )
    def test_nobody_is_asked_about_what_cannot_be(self, how, refusal, ben, lea, run):
        at = NOW
        if how == "other driver":
            run.bookings.update(person=lead_driver())
        elif how == "lead ended":
            end_lead(lea, by=None)
        elif how == "ready":
            make_ready(ben)
        elif how == "rides elsewhere":
            put(ben, led_run(lead_driver(), days=9), SECOND)
        elif how == "taken":
            put(ready_person(), run, SECOND)
        elif how == "cancelled":
            cancel_run(run, reason="", by=None)
            put(lea, run)
        elif how == "started":
            at = run.starts_at
        else:
            leave(ben, by=None)
        with pytest.raises(refusal):
            pairing.propose(run=run, trainee=ben, lead=lea, by=None, at=at)
        assert not Pairing.objects.exists()


@pytest.mark.django_db
class TestAnswering:
    def test_one_yes_fixes_nothing(self, pair, lea, run):
        pair = pairing.agree(pair, lea, by=None)
        assert (pair.lead_agreed_at, pair.trainee_agreed_at, pair.outcome) == (NOW, None, "")
        assert run.bookings.live().count() == 1

    @pytest.mark.parametrize("last", ["lead", "trainee"])
    def test_the_second_yes_seats_the_trainee_and_each_is_told_once(self, last, pair, ben, lea, run):
        Message.objects.update(state="sent")
        first, second = (ben, lea) if last == "lead" else (lea, ben)
        pairing.agree(pair, first, by=None)
        pair = pairing.agree(pair, second, by=None)
        booking = run.bookings.live().get(seat=SECOND)
        assert (pair.outcome, pair.booking, booking.person) == ("agreed", booking, ben)
        told = mails()[2:]
        assert ("Ben", "You ride along: Morning run, Fri, Jun 5, 10:00 a.m.") in told
        assert [name for name, _ in told] == (["Ben"] if last == "lead" else ["Ben", "Lea"])
        assert Message.objects.get(kind="booked").raw, "the invitation goes with it"

    def test_a_second_tap_changes_nothing(self, pair, lea):
        pairing.agree(pair, lea, by=None)
        pair = pairing.agree(pair, lea, by=None, at=NOW + DAY)
        assert pair.lead_agreed_at == NOW
        assert Event.objects.filter(verb="ride agreed").count() == 1

    def test_what_the_page_showed_must_be_so(self, pair, lea, run):
        with pytest.raises(pairing.RunMoved):
            pairing.agree(pair, lea, starts_at=run.starts_at - DAY, by=None)
        pair.refresh_from_db()
        assert pair.lead_agreed_at is None

    @pytest.mark.parametrize(
        ("how", "why"),
        [
            ("taken", "Just taken: somebody else has this seat now."),
            ("cancelled", "This run is cancelled. Snow."),
            ("gave back", "Lea does not drive this run as a lead driver any more."),
            (
                "elsewhere",
                "Elsewhere at that time: Evening run, Fri, Jun 5 at 10:30 a.m., with the drive between.",
            ),
            ("closed", "Closed that day: Quarry Foods."),
            ("barred", "The coordinator plans this site with other people."),
        ],
    )
    def test_impossible_meanwhile_it_is_withdrawn_and_both_are_told(self, how, why, pair, ben, lea, run):
        pairing.agree(pair, lea, by=None)
        site = run.ordered_stops[0].site
        if how == "taken":
            seat(run=run, person=ready_person(), seat=SECOND, by=None, on_behalf=True)
        elif how == "cancelled":
            cancel_run(run, reason="Snow.", by=None)
        elif how == "gave back":
            give_back(run.bookings.get(seat=DRIVER), by=None)
        elif how == "elsewhere":
            other = make_run(title="Evening run", starts_at=run.starts_at + timedelta(minutes=30))
            put(ben, other)
        elif how == "closed":
            site.name = "Quarry Foods"
            site.save()
            close_site(site, first=run.local_date, last=run.local_date, by=None)
        else:
            NotAt.objects.create(person=ben, site=site, at=NOW)
        Message.objects.update(state="sent")
        Message.objects.all().delete()
        pair = pairing.agree(pair, ben, by=None)
        assert (pair.outcome, pair.why, pair.booking) == ("withdrawn", why, None)
        assert not Booking.objects.live().filter(person=ben, seat=SECOND).exists()
        assert [name for name, _ in mails()] == ["Lea", "Ben"]
        to_lea, to_ben = (mail.text for mail in Message.objects.order_by("pk"))
        assert why in to_ben
        private = how in ("elsewhere", "barred")
        assert (why in to_lea) is not private, "where the trainee is otherwise is nobody else's"

    def test_a_paper_that_ran_out_meanwhile_lets_them_ride_along(self, ben, lea, run):
        pair = pairing.propose(run=run, trainee=ben, lead=lea, ride="drives", by=None)
        pairing.agree(pair, lea, by=None)
        ben.completions.filter(step__code="license").update(valid_until=TODAY)
        pair = pairing.agree(pair, ben, by=None)
        assert (pair.outcome, pair.ride, pair.booking.ride) == ("agreed", "along", "along")

    def test_a_seat_on_a_run_without_a_lead_ends_with_it(self, ben, lea, run):
        lost = led_run(lead_driver(), days=6)
        seat(run=lost, person=ben, seat=SECOND, by=None)
        give_back(lost.bookings.get(seat=DRIVER), by=None)
        pair = pairing.propose(run=run, trainee=ben, lead=lea, by=None)
        pairing.agree(pair, lea, by=None)
        Message.objects.all().delete()
        pairing.agree(pair, ben, by=None)
        assert [one.run for one in Booking.objects.live().of(ben)] == [run]
        assert lost.bookings.get(person=ben).end == "lapsed"
        [mail] = Message.objects.filter(person=ben, kind="news")
        assert "has no lead driver any more: that ride is off" in mail.text
        assert "You ride along: Morning run" in mail.text

    def test_a_no_tells_the_other_and_keeps_the_word_for_the_coordinator(self, pair, ben, lea):
        Message.objects.update(state="sent")
        pair = pairing.decline(pair, ben, word="Only on Tuesdays", by=None)
        assert (pair.outcome, pair.why, pair.declined_by) == ("declined", "Only on Tuesdays", ben)
        [mail] = Message.objects.filter(state="owed")
        assert (mail.person, mail.subject) == (lea, "Ben O. cannot ride with you: Morning run, Fri, Jun 5")
        assert "Tuesdays" not in mail.text

    def test_whoever_was_not_asked_yet_is_not_told_either(self, pair, ben, lea):
        pairing.decline(pair, ben, by=None)
        assert set(Message.objects.values_list("state", flat=True)) == {"replaced"}

    def test_withdrawn_both_are_told(self, pair):
        Message.objects.update(state="sent")
        pairing.withdraw(pair, by=None)
        assert [subject for _, subject in mails()[2:]] == [
            "No ride with Ben O. now: Morning run, Fri, Jun 5",
            "No ride with Lea B. now: Morning run, Fri, Jun 5",
        ]

    def test_a_run_that_is_moved_is_asked_about_anew(self, pair, ben, lea, run):
        pairing.agree(pair, lea, by=None)
        shape = shape_of(Run.objects.get(pk=run.pk))
        later = timedelta(hours=2)
        moved = type(shape)(
            starts_at=shape.starts_at + later, ends_at=shape.ends_at + later, stops=shape.stops,
            crates=shape.crates, second_seat=shape.second_seat,
        )  # fmt: skip
        reshape_run(run, moved, by=None)
        pair.refresh_from_db()
        assert (pair.outcome, pair.why) == (
            "withdrawn", "The run was moved: it starts on Fri, Jun 5 at 12:00 p.m."
        )  # fmt: skip
        assert list(pairs(plan())) == [ben]

    def test_a_run_that_only_grows_is_not(self, pair, run):
        shape = shape_of(Run.objects.get(pk=run.pk))
        grown = type(shape)(
            starts_at=shape.starts_at, ends_at=shape.ends_at, stops=shape.stops, crates=40, second_seat=True
        )
        reshape_run(run, grown, by=None)
        pair.refresh_from_db()
        assert pair.outcome == ""


@pytest.mark.django_db
class TestTheWorkersLook:
    @pytest.mark.parametrize(
        "how",
        [
            "cancelled", "started", "lead gave back", "lead ended", "handed on", "seat taken",
            "rides elsewhere", "ready", "left", "paused", "closed", "no second seat", "barred",
            "not taken in", "lead left",
        ],
    )  # fmt: skip
    def test_what_has_become_impossible_is_withdrawn_once(self, how, pair, ben, lea, run):
        at = NOW
        assert pairing.settle(at=at) == 0
        if how == "cancelled":
            cancel_run(run, reason="", by=None)
        elif how == "started":
            at = run.starts_at
        elif how == "lead gave back":
            give_back(run.bookings.get(), by=None)
        elif how == "lead ended":
            end_lead(lea, by=None)
        elif how == "handed on":
            give_back(run.bookings.get(), by=None)
            put(ready_person(), run)
        elif how == "seat taken":
            put(ready_person(), run, SECOND)
        elif how == "rides elsewhere":
            put(ben, led_run(lead_driver(), days=9), SECOND)
        elif how == "ready":
            make_ready(ben)
        elif how == "left":
            leave(ben, by=None)
        elif how == "paused":
            Person.objects.filter(pk=ben.pk).update(paused_on=TODAY)
        elif how == "not taken in":  # the yes to their request was taken back
            Person.objects.filter(pk=ben.pk).update(asking_since=TODAY)
        elif how == "lead left":  # and the coordinator let them keep the seat
            leave(lea, by=None)
        elif how == "closed":
            close_site(run.ordered_stops[0].site, first=run.local_date, last=run.local_date, by=None)
        elif how == "barred":
            NotAt.objects.create(person=ben, site=run.ordered_stops[0].site, at=NOW)
        else:
            Run.objects.update(second_seat=False)
        assert pairing.settle(at=at) == 1
        pair.refresh_from_db()
        assert (pair.outcome, bool(pair.why), pair.settled_by) == ("withdrawn", True, None)
        event = Event.objects.about(run).get(verb="ride withdrawn")
        assert (event.by, event.at, event.after["note"]) == (None, at, pair.why)
        before = Message.objects.count()
        assert pairing.settle(at=at) == 0
        assert Message.objects.count() == before

    @pytest.mark.parametrize("who", ["trainee", "lead"])
    def test_whoever_has_left_is_not_mailed_any_more(self, who, pair, ben, lea):
        Message.objects.update(state="sent")
        leave(ben if who == "trainee" else lea, by=None)
        pairing.settle(at=NOW)
        other = "Lea" if who == "trainee" else "Ben"
        assert [name for name, subject in mails() if subject.startswith("No ride")] == [other]

    def test_where_nothing_has_it_is_one_query(self, pair, django_assert_num_queries):
        with django_assert_num_queries(1):
            assert pairing.settle(at=NOW) == 0

    def test_a_tick_does_it(self, pair, run):
        cancel_run(run, reason="", by=None)
        worker.tick(NOW)
        pair.refresh_from_db()
        assert pair.outcome == "withdrawn"


@pytest.mark.django_db
class TestSeatsThatALeadHasLeft:
    @pytest.fixture
    def seated(self, ben, lea, run):
        booking = seat(run=run, person=ben, seat=SECOND, by=None)
        Message.objects.all().delete()
        return booking

    def test_kept_until_the_start_and_ended_kindly_then(self, seated, ben, run):
        give_back(run.bookings.get(seat=DRIVER), by=None)
        Message.objects.all().delete()
        assert riding.end_unled(at=run.starts_at - timedelta(minutes=1)) == 0
        assert riding.end_unled(at=run.starts_at) == 1
        seated.refresh_from_db()
        assert (seated.end, seated.ended_by) == ("lapsed", None)
        mail = Message.objects.get()
        assert mail.subject == "Your ride is off, we look for another: Morning run, Fri, Jun 5 at 10:00 a.m."
        assert "Your place in line stays" in mail.text
        assert riding.end_unled(at=run.starts_at) == 0
        assert Event.objects.about(run).filter(verb="lapsed", person_id=ben.pk, at=run.starts_at).exists()

    def test_another_lead_who_takes_the_run_keeps_the_ride(self, seated, run):
        give_back(run.bookings.get(seat=DRIVER), by=None)
        seat(run=run, person=lead_driver(), seat=DRIVER, by=None)
        assert riding.end_unled(at=run.starts_at) == 0
        assert plan().riding[0].ride == seated

    def test_beside_a_driver_who_is_no_lead_it_ends_too(self, seated, run):
        give_back(run.bookings.get(seat=DRIVER), by=None)
        seat(run=run, person=ready_person(), seat=DRIVER, by=None)
        assert riding.end_unled(at=run.starts_at) == 1

    def test_a_helper_who_is_ready_keeps_the_seat(self, run):
        put(ready_person(), run, SECOND)
        give_back(run.bookings.get(seat=DRIVER), by=None)
        assert riding.end_unled(at=run.starts_at) == 0

    def test_runs_of_long_ago_and_cancelled_ones_are_left_alone(self, seated, run):
        give_back(run.bookings.get(seat=DRIVER), by=None)
        assert riding.end_unled(at=run.starts_at + 2 * DAY) == 0
        Run.objects.update(cancelled_at=NOW, cancel_cause="called off")
        assert riding.end_unled(at=run.starts_at) == 0

    def test_a_lead_who_is_none_any_more_is_told_of_once(self, seated, lea, run):
        riding.tell_unled(at=NOW)
        assert not Message.objects.exists()
        end_lead(lea, by=None)
        for _ in range(2):
            riding.tell_unled(at=NOW)
        mail = Message.objects.get()
        assert (mail.person_id, mail.subject) == (
            seated.person_id,
            "No lead driver now: Morning run, Fri, Jun 5",
        )
        assert "You keep the seat for now" in mail.text

    def test_whoever_was_told_costs_no_further_query(self, seated, lea, django_assert_num_queries):
        for name in ("Ana Fox", "Eli Nye"):
            put(trainee(name=name), led_run(lea, days=8), SECOND)
        end_lead(lea, by=None)
        riding.tell_unled(at=NOW)
        assert Message.objects.count() == 3
        with django_assert_num_queries(3):  # the rides, their drivers, what was told
            riding.tell_unled(at=NOW)

    def test_of_a_lead_who_gave_back_they_heard_at_that_moment(self, seated, run):
        give_back(run.bookings.get(seat=DRIVER), by=None)
        with time_machine.travel(NOW + timedelta(hours=1), tick=False):
            put(ready_person(), run)
        before = Message.objects.count()
        riding.tell_unled(at=NOW + timedelta(hours=2))
        assert Message.objects.count() == before


# --- how a trainee rides


@pytest.mark.django_db
class TestHowTheyRide:
    @pytest.fixture
    def seated(self, ben, run):
        booking = seat(run=run, person=ben, seat=SECOND, by=None)
        Message.objects.all().delete()
        return booking

    @pytest.mark.parametrize("way", ["follows", "drives"])
    def test_with_papers_and_both_are_told_with_the_cautions(self, way, seated, lea, ben, run):
        desk = coordinator().user
        booking = change_ride(seated, way, by=desk)
        assert (booking.ride, booking.seat) == (way, SECOND)
        event = Event.objects.about(run).get(verb="rides otherwise")
        assert (event.by, event.person_id, event.after) == (desk, ben.pk, {"ride": way})
        assert {mail.person for mail in Message.objects.all()} == {lea, ben}
        for mail in Message.objects.all():
            assert "Ask your insurer first" in mail.text
            assert "Everybody wears a seat belt" in mail.text
            assert "49 CFR 571.110" in mail.text

    def test_whoever_says_it_is_not_told(self, seated, lea, ben):
        PersonFactory(email="lea2@example.org", sign_in=True)
        user = coordinator("Lea Desk", "leadesk@example.org").user
        Person.objects.filter(pk=lea.pk).update(user=user)
        change_ride(seated, "follows", by=user)
        assert [mail.person for mail in Message.objects.all()] == [ben]

    def test_the_same_again_tells_nobody(self, seated):
        change_ride(seated, "along", by=None)
        assert not Message.objects.exists()

    @pytest.mark.parametrize("way", ["follows", "drives"])
    @pytest.mark.parametrize("days", [0, -1])
    def test_papers_hold_on_the_date_of_the_run(self, way, days, seated, ben, run):
        last = run.local_date + days * DAY
        ben.completions.filter(step__code="insurance").update(valid_until=last)
        if days == 0:
            assert change_ride(seated, way, by=None).ride == way
            return
        with pytest.raises(riding.PapersFirst, match="Still missing: Car insurance card"):
            change_ride(seated, way, by=None)
        seated.refresh_from_db()
        assert seated.ride == "along"

    def test_nobody_under_18_drives(self, ben, run):
        Person.objects.filter(pk=ben.pk).update(is_adult=False, drives=False)
        ben.refresh_from_db()
        assert isinstance(riding.why_not_ride(ben, run, "follows"), riding.TooYoung)
        assert riding.why_not_ride(ben, run, "along") is None

    def test_a_paper_that_runs_out_later_needs_attention(self, seated, ben, run):
        change_ride(seated, "follows", by=None)
        assert [one.why for one in attention(weaknesses(at=NOW))] == []
        ben.completions.filter(step__code="insurance").update(valid_until=TODAY)
        [weak] = attention(weaknesses(at=NOW))
        assert weak.why == "Ben Okoro follows in their own car, and a paper is missing on that date."
        change_ride(seated, "along", by=None)
        assert attention(weaknesses(at=NOW)) == []

    def test_not_of_a_seat_that_is_over_or_given_back_or_the_driver_s(self, seated, run):
        with pytest.raises(riding.NoRide):
            change_ride(run.bookings.get(seat=DRIVER), "follows", by=None)
        with pytest.raises(riding.NoRide):
            change_ride(seated, "follows", by=None, at=run.ends_at)
        give_back(seated, by=None)
        with pytest.raises(riding.NoRide):
            change_ride(seated, "follows", by=None)

    def test_not_beside_somebody_who_is_no_lead_driver(self, seated, lea):
        end_lead(lea, by=None)
        with pytest.raises(refusals.NoLead):
            change_ride(seated, "drives", by=None)
        seated.refresh_from_db()
        assert seated.ride == "along"

    def test_no_other_way(self, seated):
        with pytest.raises(ValueError, match="flies"):
            change_ride(seated, "flies", by=None)

    def test_proposed_it_is_in_both_mails_and_in_the_seat(self, ben, lea, run):
        pair = pairing.propose(run=run, trainee=ben, lead=lea, ride="follows", by=None)
        to_lea, to_ben = (mail.text for mail in Message.objects.order_by("pk"))
        assert "Ben follows you in their own car" in to_lea
        assert "You follow Lea in your own car." in to_ben
        assert "Ask your insurer first" in to_ben
        pairing.agree(pair, ben, by=None)
        pairing.agree(pair, lea, by=None)
        booked = Message.objects.get(kind="booked")
        assert "You follow Lea in your own car." in booked.text
        assert run.bookings.get(seat=SECOND).ride == "follows"

    def test_without_papers_it_is_not_proposed_so(self, lea, run):
        person = trainee(without=("ride", "license"))
        with pytest.raises(riding.PapersFirst):
            pairing.propose(run=run, trainee=person, lead=lea, ride="drives", by=None)
        assert not Pairing.objects.exists()

"""Fills an empty database with the demo: some weeks of history, today, and the weeks ahead.

Built with the product's own functions, so that nothing in it could not have happened. The same seed and
the same moment give the same people, runs and bookings.
"""

from __future__ import annotations

import random
from contextlib import suppress
from datetime import date, datetime, time, timedelta
from typing import Any

from django.db import transaction

from shifts.demo import cast, places
from shifts.models import Booking, Run, Shift, Standing
from shifts.schedule.clock import local_date
from shifts.schedule.making import Plan, add_shift, make_runs_ahead
from shifts.seats import joins
from shifts.seats.booking import give_back, seat
from shifts.seats.breaks import take_break
from shifts.seats.changes import add_one_off
from shifts.seats.consequences import publish_door_notes
from shifts.seats.keeping import kept_for
from shifts.seats.pairing import propose
from shifts.seats.refusals import Refusal
from shifts.seats.rides import sign_off_ride
from shifts.seats.safety import set_safety
from shifts.seats.standing import Wish, begin, name_driver, seat_regulars, skip
from sites.changes import add_site, change_programme, close_site, set_contacts
from sites.models import Programme, Site
from volunteers import progress
from volunteers.doors import read
from volunteers.hello import say_hello
from volunteers.helping import note_help
from volunteers.kits import count_shelf, hand_over
from volunteers.models import Completion, Heartbeat, Message, Person, SignOff, Step
from volunteers.not_at import bar
from volunteers.people import add_away, add_person, appoint_coordinator, appoint_lead, set_cars, set_hours
from volunteers.roster.plan import DROVE_BEFORE

WEEKS_BACK = 5
GIVEN_BACK = 0.3  # of the runs of those who may be ill
MAIL = "fernhollow.example"
HOURS = {
    "mornings": [(day, time(6), time(12)) for day in range(6)],
    "weekends": [(day, time(7), time(18)) for day in (5, 6)],
}


@transaction.atomic
def fill(*, at: datetime, seed: int = 7) -> None:
    """The whole scenario around a moment."""
    chance = random.Random(seed)
    began = at - timedelta(weeks=WEEKS_BACK)
    change_programme(by=None, **places.PROGRAMME)
    name, box = cast.COORDINATOR
    desk = appoint_coordinator(email=f"{box}@{MAIL}", name=name, by=None).user
    sites = make_sites(at=began, by=desk)
    make_shifts(sites, at=began, by=desk)
    people = make_people(at=at, began=began, by=desk)
    ask_to_join(at=at, by=desk)
    regulars(people, began=began, by=desk)
    history(people, at=at, chance=chance, by=desk)
    ahead(people, sites, at=at, chance=chance, by=desk)
    settle_old_mail(at)
    Heartbeat.objects.update_or_create(name="worker", defaults={"at": at})


def make_sites(*, at: datetime, by) -> dict[str, Site]:
    sites = {}
    for key, place in places.SITES.items():
        site = add_site(by=by, **place["facts"])
        set_contacts(site, place["contacts"], by=by)
        publish_door_notes(site, place["doors"], by=by, at=at)
        sites[key] = site
    return sites


def make_shifts(sites: dict[str, Site], *, at: datetime, by) -> None:
    first = local_date(at, Programme.current().zone)
    for name, rule, (hour, minute), pickup, dropoff, crates, minutes in places.SHIFTS:
        stops = ((sites[pickup].pk, 0), (sites[dropoff].pk, minutes - 25))
        plan = Plan(rule=rule, starts=time(hour, minute), minutes=minutes, stops=stops, crates=crates)
        add_shift(name=name, plan=plan, from_day=first, by=by, at=at)


def make_people(*, at: datetime, began: datetime, by) -> dict[str, Person]:
    people = {}
    today = local_date(at, Programme.current().zone)
    count_shelf(cast.KITS_COUNTED, by=by, at=began)
    for number, (name, box, stage, facts) in enumerate(cast.PEOPLE, start=1):
        joined = today - timedelta(days=facts.get("joined", 130 + number))
        lat, lon = facts.get("spot", (None, None))
        person = add_person(
            by=by,
            at=began,
            name=name,
            phone=f"+155555501{number:02d}",
            email=f"{box}@{MAIL}" if box else "",
            reach=facts.get("reach", "mail" if box else "call"),
            language=facts.get("language", "en"),
            drives=stage not in ("sorts", "under 18"),
            joined_on=joined,
            early_requests=facts.get("early", False),
            home_latitude=lat,
            home_longitude=lon,
        )
        if "crates" in facts:
            set_cars(person, [{"label": "", "crates": facts["crates"]}], by=by)
        if "hours" in facts:
            set_hours(person, HOURS[facts["hours"]], by=by)
        if stage in cast.DONE_BEFORE:
            drove_before(person, stage, joined=joined, today=today, at=began, by=by)
        else:
            on_the_way(person, facts, at=at, by=by)
        if stage == "lead":
            person = appoint_lead(person, by=by, since=joined)
        people[name] = person
    beside_driving(people, at=at, by=by)
    return people


def drove_before(person: Person, stage: str, *, joined: date, today: date, at: datetime, by) -> None:
    """Every step, as the roster said, and the door notes of every site."""
    insurance = today + timedelta(days=cast.INSURANCE_DAYS.get(stage, 200))
    until = {"license": today + timedelta(days=700), "insurance": insurance}
    for step in Step.objects.filter(code__in=cast.STEPS):
        progress.complete(
            person=person,
            step=step,
            by=by,
            on=joined + timedelta(days=1),
            at=at,
            valid_until=until.get(step.code),
            reason=DROVE_BEFORE if step.code == "ride" else "",
        )
    knows_the_doors(person, at=at)


def on_the_way(person: Person, facts: dict[str, Any], *, at: datetime, by) -> None:
    """The steps behind a newcomer, each at its time; the kit from the shelf."""
    steps = {step.code: step for step in Step.objects.exclude(code="")}
    for code, days in facts.get("way", {}).items():
        then = at - timedelta(days=days)
        if code == "kit":
            hand_over(person, by=by, at=then)
            knows_the_doors(person, at=then)
            continue
        seen = code == facts.get("seen")
        is_paper = steps[code].kind == Step.Kind.PAPER
        progress.complete(
            person=person,
            step=steps[code],
            by=person.user if code == "briefing" else by,
            at=then,
            on=local_date(then, Programme.current().zone),
            how=Completion.How.SEEN if seen else Completion.How.DONE,
            valid_until=at.date() + timedelta(days=400) if is_paper and not seen else None,
        )


def knows_the_doors(person: Person, *, at: datetime) -> None:
    for site in Site.objects.filter(steps__kind=Step.Kind.DOORS):
        read(site, person=person, revision=1, by=person.user, at=at)


def beside_driving(people: dict[str, Person], *, at: datetime, by) -> None:
    """A break, somebody under 18 with their guardian, whom to call in an emergency, a site that somebody is
    not sent to, hours of sorting."""
    for name, (whom, phone) in cast.EMERGENCY.items():
        people[name] = set_safety(
            people[name], is_adult=True, emergency_name=whom, emergency_phone=phone, by=by, at=at
        )
    child, guardian = (people[name] for name in cast.GUARDIAN)
    set_safety(child, is_adult=False, guardian=guardian, consent=True, by=by, at=at - timedelta(days=50))
    name, key, reason = cast.NOT_AT
    bar(people[name], Site.objects.get(name=places.SITES[key]["facts"]["name"]), reason=reason, by=by, at=at)
    for name, _box, stage, _facts in cast.PEOPLE:
        if stage == "break":
            then = at - timedelta(days=20)
            people[name] = take_break(people[name], by=people[name].user, at=then)
        elif stage == "sorts":
            for days, minutes in cast.HELP:
                day = local_date(at, Programme.current().zone) - timedelta(days=days)
                note_help(people[name], day=day, minutes=minutes, what="Sorting", by=people[name].user, at=at)


def ask_to_join(*, at: datetime, by) -> None:
    """Those who found the programme by themselves, and how far each has come."""
    for number, one in enumerate(cast.JOINS, start=len(cast.PEOPLE) + 1):
        asked = at - timedelta(days=one["asked"], hours=2)
        join = joins.ask(
            email=f"{one['box']}@{MAIL}",
            name=one["name"],
            phone=f"+155555501{number:02d}",
            language="en",
            is_adult=True,
            drives=True,
            car={"label": "", "crates": 12},
            note=one["note"],
            at=asked,
        )
        if "asked_back" in one:
            joins.ask_back(join, one["question"], by=by, at=at - timedelta(days=one["asked_back"]))
        if "taken_in" in one:
            join = joins.accept(join, by=by, at=at - timedelta(days=one["taken_in"]))
        if "greeted" in one:
            say_hello(join.person, by=by, at=at - timedelta(days=one["greeted"]))


def regulars(people: dict[str, Person], *, began: datetime, by) -> None:
    """Who drives a weekly run for good, since the weeks behind."""
    first = local_date(began, Programme.current().zone)
    shifts = {shift.name: shift for shift in Shift.objects.all()}
    for run, name, pattern in cast.REGULARS:
        begin(Wish(shifts[run], people[name], first, pattern), by=by, on_behalf=True, at=began)
    wish = Wish(shifts[cast.CREW_RUN], people[cast.CAPTAIN], first, crew=cast.CREW_NAME)
    members = [people[name] for name in cast.CREW]
    begin(wish, by=by, on_behalf=True, members=members, at=began)


def history(people: dict[str, Person], *, at: datetime, chance: random.Random, by) -> None:
    """The weeks behind: every run driven, some given back and covered, a few shadow rides."""
    often, lotte = people[cast.OFTEN], people["Lotte Vandermeer"]
    rest = [
        people[name]
        for name, _box, stage, _facts in cast.PEOPLE
        if stage in ("lead", "ready", "lapsed") and name != cast.OFTEN
    ]
    to_ride = [(lotte, SignOff.Outcome.READY), (people["Maeve Stoke"], SignOff.Outcome.AGAIN)]
    to_drive = [lotte, *[often] * cast.OFTEN_RUNS]  # who is asked first, as often as they stand here
    over = list(Run.objects.filter(ends_at__lt=at))
    for run in over:
        asked = [*dict.fromkeys(to_drive), *chance.sample(rest, len(rest))]
        booked = run.bookings.live().drivers().first() or first_who_can(
            run, asked, at=run.starts_at - timedelta(days=5), by=by
        )
        may_be_ill = booked and booked.person in rest and not booked.person.is_lead
        if booked and may_be_ill and chance.random() < GIVEN_BACK:
            booked = covered(booked, asked, by=by)
        if booked and booked.person in to_drive:
            to_drive.remove(booked.person)
        if booked and booked.person.is_lead and to_ride and at - run.starts_at < timedelta(days=28):
            trainee, outcome = to_ride[0]
            if ride_along(run, trainee, by=by):
                word_of(run, booked, outcome)
                to_ride.pop(0)
    not_signed_off(over, people["Kwame Oldcastle"], at=at, by=by)


def covered(booked: Booking, others: list[Person], *, by) -> Booking | None:
    """Given back the day before, and taken by somebody else."""
    run = booked.run
    give_back(booked, by=booked.person.user, note="A cold.", at=run.starts_at - timedelta(days=1))
    others = [person for person in others if person != booked.person]
    return first_who_can(run, others, at=run.starts_at - timedelta(hours=20), by=by)


def not_signed_off(over: list[Run], trainee: Person, *, at: datetime, by) -> None:
    """A ride of more than two days ago, the newest, of which the lead driver has yet to say how it went."""
    for run in reversed(over):
        led = run.bookings.live().led().exists()
        if led and at - run.ends_at > timedelta(days=2) and ride_along(run, trainee, by=by):
            return


def ride_along(run: Run, trainee: Person, *, by) -> Booking | None:
    """A ride of the weeks behind."""
    try:
        then = run.starts_at - timedelta(days=2)
        return seat(run=run, person=trainee, seat="second", by=by, on_behalf=True, at=then)
    except Refusal:
        return None


def word_of(run: Run, lead: Booking, outcome: str) -> None:
    remarks = {
        SignOff.Outcome.READY.value: "Calm at the dock, asked the right questions.",
        SignOff.Outcome.AGAIN.value: "Good with people. Once more, to get used to the flat carts.",
    }
    sign_off_ride(
        run=run,
        lead=lead.person,
        outcome=outcome,
        by=lead.person.user,
        at=run.ends_at,
        remarks=remarks[outcome],
    )


def first_who_can(run: Run, people: list[Person], *, at: datetime, by) -> Booking | None:
    for person in people:
        try:
            return seat(run=run, person=person, seat="driver", by=by, on_behalf=True, at=at)
        except Refusal:
            continue
    return None


def ahead(
    people: dict[str, Person], sites: dict[str, Site], *, at: datetime, chance: random.Random, by
) -> None:
    """The weeks ahead: most runs of the next two weeks taken, later ones thinner, and the loose ends."""
    make_runs_ahead(at=at)
    yesterday = at - timedelta(days=1)
    seat_regulars(at=yesterday)
    name_next_driver(at=yesterday)
    everyday = [
        people[name] for name in ("Anselm Tolliver", "Osric Bellweather", "Thea Marchbank", "Joaquin Fell")
    ]
    leads = [people["Dorit Ashgrove"], people["Wendell Pruitt-Okoro"]]
    runs = list(Run.objects.filter(starts_at__gt=at, starts_at__lt=at + timedelta(weeks=5)))
    kept = kept_for(runs, at=yesterday)
    runs = [run for run in runs if run.pk not in kept]
    for number, run in enumerate(runs):
        if number % 2 or number > 20:
            continue
        drivers = leads + everyday if number % 4 == 0 else everyday + leads
        first_who_can(run, drivers[number % 3 :] + drivers[: number % 3], at=yesterday, by=by)
    lapsing(people["Barnaby Stoke"], runs, at=yesterday, by=by)
    own_bookings(people, at=at, by=by)
    skip_some_weeks(people, at=yesterday)
    tomorrow = (at + timedelta(days=1)).astimezone(Programme.current().zone)
    add_one_off(
        pickup=sites["market"],
        dropoff=sites["kitchen"],
        crates=20,
        by=by,
        at=at,
        title="Extra: 20 cases of apples",
        starts_at=tomorrow.replace(hour=17, minute=30, second=0, microsecond=0),
        note="Called in by the store this morning.",
    )
    add_away(
        people["Nadia Thornquist"], first=tomorrow.date(), last=tomorrow.date() + timedelta(days=9), by=by
    )
    holiday = tomorrow.date() + timedelta(days=16)
    close_site(
        sites["kitchen"], first=holiday, last=holiday + timedelta(days=1), reason="Floor repair", by=by
    )


def name_next_driver(*, at: datetime) -> None:
    """The crew's captain has named somebody for its next run."""
    crew = Standing.objects.select_related("shift", "person").exclude(crew="").get()
    next_run = Run.objects.filter(shift=crew.shift).ahead(at).first()
    if next_run is None:
        return
    for member in crew.members.order_by("name"):
        with suppress(Refusal):
            name_driver(crew, next_run, member, by=crew.person.user, at=at)
            return


def skip_some_weeks(people: dict[str, Person], *, at: datetime) -> None:
    today = local_date(at, Programme.current().zone)
    name, first, last, note = cast.AWAY
    mine = Standing.objects.select_related("shift").get(person=people[name])
    days = {"first": today + timedelta(days=first), "last": today + timedelta(days=last)}
    skip(mine, **days, note=note, by=people[name].user, at=at)


def lapsing(person: Person, runs: list[Run], *, at: datetime, by) -> None:
    """Booked with a card that was noted with the wrong year; the mend shows on the desk at once."""
    card = person.completions.get(step__code="insurance")
    right = card.valid_until
    assert right is not None  # a paper has its date
    wrong = right.replace(year=right.year + 1)
    progress.withdraw(card, reason="Noted again below.", by=by, at=at)
    mistaken = progress.complete(
        person=person, step=card.step, by=by, on=card.valid_from, valid_until=wrong, at=at
    )
    first_who_can_of([run for run in runs if run.local_date > right], person, at=at, by=by)
    progress.withdraw(mistaken, reason="Wrong year typed.", by=by, at=at)
    progress.complete(person=person, step=card.step, by=by, on=card.valid_from, valid_until=right, at=at)


def first_who_can_of(runs: list[Run], person: Person, *, at: datetime, by) -> Booking | None:
    for run in runs:
        booked = first_who_can(run, [person], at=at, by=by)
        if booked:
            return booked
    return None


def own_bookings(people: dict[str, Person], *, at: datetime, by) -> None:
    """Whoever looks in as a volunteer or a lead driver has a next run."""
    soon = list(Run.objects.unfilled().filter(starts_at__gt=at, starts_at__lt=at + timedelta(weeks=2)))
    anselm = people["Anselm Tolliver"]
    if not Booking.objects.live().of(anselm).filter(run__in=Run.objects.ahead(at)).exists():
        first_who_can_of(soon, anselm, at=at, by=anselm.user)
    dorit = people["Dorit Ashgrove"]
    if not Booking.objects.live().of(dorit).filter(run__in=Run.objects.ahead(at)).exists():
        first_who_can_of(soon, dorit, at=at, by=dorit.user)
    rides_ahead(people, at=at, by=by)


def rides_ahead(people: dict[str, Person], *, at: datetime, by) -> None:
    """Of the runs ahead that lead drivers drive alone the first stays open, on the second somebody rides
    along, and the third is proposed."""
    yesterday = at - timedelta(days=1)
    _open, taken, proposed = Run.objects.ahead(at).on_the_books().without_closed().with_ride()[:3]
    solveig, maeve = people["Solveig Harrow"], people["Maeve Stoke"]
    seat(run=taken, person=solveig, seat="second", by=solveig.user, at=yesterday)
    lead = proposed.bookings.live().drivers().get().person
    propose(run=proposed, trainee=maeve, lead=lead, by=by, at=yesterday)


def settle_old_mail(at: datetime) -> None:
    """What the weeks behind owed was sent then; the demo's worker sends only what is new."""
    old = Message.objects.unsent().filter(created_at__lt=at - timedelta(hours=12))
    old.update(state=Message.State.SENT, done_at=at - timedelta(hours=12), attempts=1)
    Message.objects.to_tell().filter(created_at__lt=at - timedelta(days=1)).update(
        state=Message.State.TOLD, done_at=at - timedelta(days=1)
    )

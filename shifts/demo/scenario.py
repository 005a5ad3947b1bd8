"""Fills an empty database with the demo: some weeks of history, today, and the weeks ahead.

Built with the product's own functions, so that nothing in it could not have happened. The same seed and
the same moment give the same people, runs and bookings.
"""

from __future__ import annotations

import random
from contextlib import suppress
from datetime import date, datetime, time, timedelta

from django.db import transaction

from shifts.demo import cast, places
from shifts.models import Booking, Run, Shift, Standing
from shifts.schedule.clock import local_date
from shifts.schedule.making import Plan, add_shift, make_runs_ahead
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import add_one_off
from shifts.seats.consequences import publish_door_notes
from shifts.seats.keeping import kept_for
from shifts.seats.refusals import Refusal
from shifts.seats.rides import sign_off_ride
from shifts.seats.standing import Wish, begin, name_driver, seat_regulars, skip
from sites.changes import add_site, change_programme, close_site, set_contacts
from sites.models import Programme, Site
from volunteers import progress
from volunteers.doors import read
from volunteers.models import Heartbeat, Message, Person, SignOff, Step
from volunteers.people import add_away, add_person, appoint_coordinator, appoint_lead, set_cars, set_hours

WEEKS_BACK = 5
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
    for number, (name, box, stage, facts) in enumerate(cast.PEOPLE, start=1):
        joined = joined_on(stage, number, today)
        lat, lon = facts.get("spot", (None, None))
        person = add_person(
            by=by,
            at=began,
            name=name,
            phone=f"+155555501{number:02d}",
            email=f"{box}@{MAIL}" if box else "",
            reach=facts.get("reach", "mail" if box else "call"),
            language=facts.get("language", "en"),
            drives=stage != "sorts",
            joined_on=joined,
            home_latitude=lat,
            home_longitude=lon,
        )
        if "crates" in facts:
            set_cars(person, [{"label": "", "crates": facts["crates"]}], by=by)
        if "hours" in facts:
            set_hours(person, HOURS[facts["hours"]], by=by)
        tick_off(person, stage, joined=joined, today=today, at=at, by=by)
        if stage == "lead":
            person = appoint_lead(person, by=by, since=joined)
        people[name] = person
    return people


def joined_on(stage: str, number: int, today: date) -> date:
    """Those who drive joined long ago; those on the way some weeks ago, each at another time."""
    if stage in ("lead", "ready", "lapsing", "lapsed", "sorts"):
        return today - timedelta(days=200 + number)
    return today - timedelta(
        days={"waits for a ride": 24, "kit": 16, "papers": 9, "new": 2}[stage] + number % 5
    )


def tick_off(person: Person, stage: str, *, joined: date, today: date, at: datetime, by) -> None:
    """The steps behind a person, and the door notes of every site for those who drive."""
    codes = cast.DONE[stage]
    insurance = today + timedelta(days=cast.INSURANCE_DAYS.get(stage, 200))
    until = {"license": today + timedelta(days=700), "insurance": insurance}
    for step in Step.objects.filter(code__in=codes):
        progress.complete(
            person=person,
            step=step,
            by=by,
            on=joined + timedelta(days=1),
            at=at,
            valid_until=until.get(step.code),
        )
    if "kit" in codes:
        for site in Site.objects.filter(steps__kind=Step.Kind.DOORS):
            read(site, person=person, revision=1, by=person.user, at=at - timedelta(weeks=WEEKS_BACK))


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
    """The weeks behind: every run driven, some given back and covered, a few shadow rides signed off."""
    drivers = [
        people[name] for name, _box, stage, _facts in cast.PEOPLE if stage in ("lead", "ready", "lapsed")
    ]
    trainees = [people[name] for name, _box, stage, _facts in cast.PEOPLE if stage == "ready"][:3]
    for number, run in enumerate(Run.objects.filter(starts_at__lt=at)):
        booked = run.bookings.live().drivers().first() or first_who_can(
            run, chance.sample(drivers, len(drivers)), at=run.starts_at - timedelta(days=5), by=by
        )
        if booked and number % 6 == 5:
            give_back(booked, by=booked.person.user, note="A cold.", at=run.starts_at - timedelta(days=1))
            rest = [
                person for person in chance.sample(drivers, len(drivers)) if person.pk != booked.person_id
            ]
            booked = first_who_can(run, rest, at=run.starts_at - timedelta(hours=20), by=by)
        if booked and booked.person.is_lead and trainees:
            ride_along(run, booked, trainees.pop(), by=by)


def ride_along(run: Run, lead: Booking, trainee: Person, *, by) -> None:
    """A ride of the weeks behind. The trainee has been cleared since, so they sit there as a helper."""
    try:
        seat(
            run=run,
            person=trainee,
            seat="second",
            by=by,
            on_behalf=True,
            at=run.starts_at - timedelta(days=2),
        )
    except Refusal:
        return
    sign_off_ride(
        run=run,
        lead=lead.person,
        outcome=SignOff.Outcome.READY,
        by=lead.person.user,
        at=run.ends_at,
        remarks="Calm at the dock, asked the right questions.",
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
    """The volunteer who looks in has a next run, and the trainee a run to ride along on is open."""
    soon = list(Run.objects.unfilled().filter(starts_at__gt=at, starts_at__lt=at + timedelta(weeks=2)))
    anselm = people["Anselm Tolliver"]
    if not Booking.objects.live().of(anselm).filter(run__in=Run.objects.ahead(at)).exists():
        first_who_can_of(soon, anselm, at=at, by=anselm.user)
    dorit = people["Dorit Ashgrove"]
    if not Booking.objects.live().of(dorit).filter(run__in=Run.objects.ahead(at)).exists():
        first_who_can_of(soon, dorit, at=at, by=dorit.user)
    second = first_open_ride(at)
    if second:
        seat(
            run=second,
            person=people["Solveig Harrow"],
            seat="second",
            by=people["Solveig Harrow"].user,
            at=at,
        )


def first_open_ride(at: datetime) -> Run | None:
    """The second run ahead that a lead driver drives with the second seat empty: the first stays open."""
    rides = Run.objects.ahead(at).on_the_books().with_room().without_closed()
    led = [run for run in rides if run.bookings.live().filter(seat="driver").exists()]
    return led[1] if len(led) > 1 else None


def settle_old_mail(at: datetime) -> None:
    """What the weeks behind owed was sent then; the demo's worker sends only what is new."""
    old = Message.objects.unsent().filter(created_at__lt=at - timedelta(hours=12))
    old.update(state=Message.State.SENT, done_at=at - timedelta(hours=12), attempts=1)
    Message.objects.to_tell().filter(created_at__lt=at - timedelta(days=1)).update(
        state=Message.State.TOLD, done_at=at - timedelta(days=1)
    )

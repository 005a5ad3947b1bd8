"""After every change the phones are right: the messages sent so far, applied in their order, and the feed
read afresh both show exactly the person's bookings as far as runs are made, and beyond that the regular
run less its skips and closed dates; instant by instant, across both clock changes of 2027.

Read by dateutil, and by ical.js and libical, which know the time zone from the VTIMEZONE alone.
Every message is held to RFC 5546's tables by libical, and by hand to what libical does not look at.
"""

import random
import re
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from icalendar import Calendar

from shifts import worker
from shifts.calendar import feed as feeds
from shifts.models import Booking, CalendarEntry, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats import breaks, consequences, standing, weekly
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import Shape, cancel_run, reshape_run, restore_run, shape_of
from sites.models import Closure, Programme
from tests.factories import DropOffFactory, SiteFactory, make_run, ready_person
from tests.itip import PhoneCalendar, by_dateutil, calendar_object
from volunteers.models import Completion, Message, Person, Step
from volunteers.progress import withdraw

NEW_YORK = ZoneInfo("America/New_York")
# A Monday; runs are made until March 29, past the clock change of March 14.
AT = datetime(2027, 2, 1, 15, 0, tzinfo=UTC)
END = datetime(2028, 1, 31, tzinfo=UTC)
FIRST = date(2027, 2, 2)
pytestmark = pytest.mark.django_db


@dataclass
class World:
    """Ana, whose Tuesdays it is about, and Bo, who helps out."""

    at: datetime = AT
    ana: Person = None
    bo: Person = None
    shift: object = None
    mine: Standing = None
    switched: datetime = AT  # when her mail last went elsewhere
    kept: dict = field(default_factory=dict)  # what a change needs to remember for the next

    def __post_init__(self):
        self.market, self.kitchen = SiteFactory(name="Market"), DropOffFactory(name="Kitchen")
        self.shelter = DropOffFactory(name="Shelter")
        self.plan = self.planned()
        self.shift = add_shift(name="Tuesdays", plan=self.plan, from_day=FIRST, by=None, at=self.at)
        self.ana, self.bo = ready_person(name="Ana Aster"), ready_person(name="Bo Birch")

    def planned(self, **facts):
        stops = ((self.market.pk, 0), (self.kitchen.pk, 30))
        return Plan(
            **({"rule": "FREQ=WEEKLY;BYDAY=TU", "starts": time(8), "minutes": 60, "stops": stops} | facts)
        )

    def begin(self, **facts):
        wish = standing.Wish(shift=self.shift, person=self.ana, from_day=FIRST, **facts)
        self.mine = standing.begin(wish, by=None, at=self.at)

    def run(self, week):
        return self.shift.runs.get(slot_date=FIRST + timedelta(weeks=week))

    def current(self):
        return Standing.objects.filter(person=self.ana).order_by("from_day").last()

    def reshape(self, week, **facts):
        run = self.run(week)
        old = shape_of(run).__dict__
        reshape_run(run, Shape(**(old | facts)), by=None, hand_edited=True, at=self.at)


def ana_again(world):
    return Person.objects.get(pk=world.ana.pk)


# --- what is true, from the rows alone


def truth(world, person):
    zone = Programme.current().zone
    starts = [
        booking.run.starts_at
        for booking in Booking.objects.live().filter(person=person).select_related("run")
        if not booking.run.is_cancelled and not booking.run.closed_sites()
    ]
    for one in Standing.objects.filter(person=person, crew=""):
        made = max(one.shift.runs.values_list("slot_date", flat=True))
        if one.pattern in ("1st 3rd", "2nd 4th"):
            continue  # single entries as far as runs are made, and nothing beyond
        rows = Rows(one)
        day = made
        while day < END.date():
            day += timedelta(days=1)
            if rows.is_regular_day(day):
                term = rows.term_on(day)
                starts.append(datetime.combine(day, term.starts, tzinfo=zone).astimezone(UTC))
    return sorted(start for start in starts if AT <= start < END)


WEEKDAYS = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"]


class Rows:
    """What says on which days a regular run is driven, each read once."""

    def __init__(self, one):
        self.one = one
        self.terms = list(one.shift.terms.prefetch_related("stops"))
        self.skips = list(one.skips.filter(lifted_at=None))
        self.closures = list(Closure.objects.filter(lifted_at=None))
        papers = Completion.objects.filter(person=one.person, withdrawn_at=None)
        self.papers = [
            list(papers.filter(step=step).values_list("valid_until", flat=True))
            for step in Step.objects.filter(kind="paper")
        ]

    def term_on(self, day):
        for term in self.terms:
            if term.applies_from <= day and (term.applies_until is None or day < term.applies_until):
                return term
        return None

    def is_regular_day(self, day):
        one, term = self.one, self.term_on(day)
        if term is None or day < one.from_day or (one.until_day and day >= one.until_day):
            return False
        parts = dict(part.split("=") for part in term.rule.split(";"))
        if WEEKDAYS[day.weekday()] not in parts["BYDAY"].split(","):
            return False
        if weeks_between(term.anchor, day) % int(parts.get("INTERVAL", 1)):
            return False
        if one.pattern == "other" and weeks_between(one.anchor, day) % 2:
            return False
        if any(skip.first <= day <= skip.last for skip in self.skips):
            return False
        sites = {stop.site_id for stop in term.stops.all()}
        if any(c.site_id in sites and c.first <= day <= c.last for c in self.closures):
            return False
        return all(any(until is None or until >= day for until in dates) for dates in self.papers)


def weeks_between(first, second):
    return (second - timedelta(days=second.weekday()) - (first - timedelta(days=first.weekday()))).days // 7


# --- the changes


def nothing(world):
    pass


def book_a_single_run(world):
    seat(run=world.run(2), person=world.ana, seat="driver", by=None, at=world.at)


def give_the_single_run_back(world):
    give_back(Booking.objects.live().get(person=world.ana), by=None, at=world.at)


def take_it_for_good(world):
    world.begin()


def every_other_week(world):
    world.begin(pattern="other")


def first_and_third(world):
    world.begin(pattern="1st 3rd")


def move_by_30_minutes(world):
    later = world.run(4).starts_at + timedelta(minutes=30)
    world.reshape(4, starts_at=later, ends_at=later + timedelta(minutes=60))


def move_to_another_day(world):
    later = world.run(5).starts_at + timedelta(days=1)
    world.reshape(5, starts_at=later, ends_at=later + timedelta(minutes=60))


def move_it_back(world):
    usual = datetime.combine(world.run(4).slot_date, time(8), tzinfo=NEW_YORK).astimezone(UTC)
    world.reshape(4, starts_at=usual, ends_at=usual + timedelta(minutes=60))


def another_drop_off_once(world):
    world.reshape(3, stops=((world.market.pk, 0), (world.shelter.pk, 25)))


def move_the_site(world):
    consequences.change_site(world.market, by=None, at=world.at, street="9 Other Street")


def a_new_door(world):
    consequences.publish_door_notes(
        world.market, {"entrance": "The green door"}, by=None, drivers_know_it=True, at=world.at
    )


def skip_one(world):
    day = FIRST + timedelta(weeks=6)
    world.kept["skip"] = standing.skip(world.current(), first=day, last=day, by=None, at=world.at)


def skip_a_range_beyond_the_horizon(world):
    standing.skip(world.current(), first=date(2027, 3, 20), last=date(2027, 6, 15), by=None, at=world.at)


def skip_far_ahead(world):
    standing.skip(world.current(), first=date(2027, 11, 2), last=date(2027, 11, 9), by=None, at=world.at)


def take_the_skip_back(world):
    standing.take_back_skip(world.kept["skip"], by=None, at=world.at)


def give_one_back(world):
    give_back(world.run(1).bookings.live().drivers().get(), by=None, at=world.at)


def take_it_again(world):
    seat(run=world.run(1), person=ana_again(world), seat="driver", by=None, at=world.at)


def somebody_else_takes_the_skipped_one(world):
    seat(run=world.run(6), person=world.bo, seat="driver", by=None, at=world.at)


def and_gives_it_back(world):
    give_back(world.run(6).bookings.live().get(), by=None, at=world.at)
    assert not world.run(6).bookings.live().exists()


def close_near_and_far(world):
    world.kept["closed"] = [
        consequences.close_site(world.market, first=day, last=day + timedelta(days=2), by=None, at=world.at)
        for day in (date(2027, 3, 9), date(2027, 9, 7), date(2027, 11, 8))
    ]


def lift_them(world):
    for closure in world.kept["closed"]:
        consequences.lift_closure(closure, by=None, at=world.at)


def cancel_one(world):
    cancel_run(world.run(2), reason="Snow", by=None, at=world.at)


def put_it_on_again(world):
    restore_run(world.run(2), by=None, at=world.at)


def half_past_seven_for_good(world):
    plan = world.planned(starts=time(7, 30))
    weekly.change_shift(world.shift, plan=plan, from_day=date(2027, 3, 1), by=None, at=world.at)


def eight_again_from_the_same_day(world):
    weekly.change_shift(world.shift, plan=world.plan, from_day=date(2027, 3, 1), by=None, at=world.at)


def wednesdays_for_good(world):
    plan = world.planned(rule="FREQ=WEEKLY;BYDAY=WE")
    weekly.change_shift(world.shift, plan=plan, from_day=date(2027, 3, 1), by=None, at=world.at)


def every_second_week_for_good(world):
    plan = world.planned(rule="FREQ=WEEKLY;INTERVAL=2;BYDAY=TU")
    weekly.change_shift(world.shift, plan=plan, from_day=date(2027, 3, 16), by=None, at=world.at)


def more_crates(world):
    weekly.change_shift(world.shift, plan=world.planned(crates=30), from_day=FIRST, by=None, at=world.at)


def stop_in_april(world):
    standing.stop(world.current(), last_day=date(2027, 4, 20), by=None, at=world.at)


def stop_at_once(world):
    standing.stop(world.current(), last_day=world.at.date(), by=None, at=world.at)


def the_weekly_run_ends(world):
    weekly.end_shift(world.shift, last_day=date(2027, 3, 20), by=None, at=world.at)


def a_paper_that_ends(day):
    def lapse(world):
        license = Step.objects.get(code="license")
        for old in Completion.objects.filter(person=world.ana, step=license, withdrawn_at=None):
            withdraw(old, by=None, reason="The date was wrong.", at=world.at)
        world.ana.completions.create(
            step=license,
            revision=1,
            valid_from=FIRST - timedelta(days=90),
            valid_until=day,
            recorded_at=world.at,
        )

    lapse.__name__ = f"the license ends on {day}"
    return lapse


def a_new_license(world):
    world.ana.completions.create(
        step=Step.objects.get(code="license"),
        revision=1,
        valid_from=FIRST,
        valid_until=date(2030, 1, 1),
        recorded_at=world.at,
    )


def switch(world, **facts):
    world.switched = world.at
    consequences.change_person(ana_again(world), by=None, at=world.at, **facts)


def another_address(world):
    switch(world, email="ana.new@example.org")


def link_only(world):
    switch(world, calendar="link")


def invitations_again(world):
    switch(world, calendar="mail", reach="mail")


def by_phone(world):
    switch(world, reach="call")


def another_zone(world):
    weekly.change_programme(by=None, at=world.at, time_zone="America/Chicago")


def five_weeks_pass(world):
    for _week in range(5):
        world.at += timedelta(weeks=1)
        worker.tick(world.at)


def the_person_leaves(world):
    person = ana_again(world)
    breaks.leave(person, give_up=list(Booking.objects.live().filter(person=person)), by=None, at=world.at)


STORIES = {
    "a single run": [book_a_single_run, give_the_single_run_back, book_a_single_run],
    "beside a single run": [book_a_single_run, take_it_for_good, skip_one],
    "single runs move": [
        take_it_for_good, move_by_30_minutes, move_to_another_day, move_it_back, another_drop_off_once,
    ],
    "site and door": [take_it_for_good, move_the_site, a_new_door],
    "skips": [
        take_it_for_good, skip_one, somebody_else_takes_the_skipped_one, and_gives_it_back,
        take_the_skip_back, skip_a_range_beyond_the_horizon, skip_far_ahead, five_weeks_pass,
    ],
    "given back and taken again": [take_it_for_good, give_one_back, take_it_again],
    "closed dates": [take_it_for_good, close_near_and_far, five_weeks_pass, lift_them],
    "cancelled": [take_it_for_good, cancel_one, put_it_on_again],
    "a new hour for good": [
        take_it_for_good, skip_far_ahead, move_to_another_day, half_past_seven_for_good,
        eight_again_from_the_same_day, five_weeks_pass,
    ],
    "another day for good": [take_it_for_good, skip_one, wednesdays_for_good, five_weeks_pass],
    "every second week for good": [every_other_week, every_second_week_for_good, five_weeks_pass],
    "only more crates": [take_it_for_good, more_crates],
    "every other week": [every_other_week, skip_far_ahead, five_weeks_pass, stop_in_april],
    "first and third": [
        first_and_third, skip_a_range_beyond_the_horizon, five_weeks_pass, half_past_seven_for_good,
    ],
    "it ends": [take_it_for_good, stop_in_april, five_weeks_pass],
    "it ends at once": [take_it_for_good, stop_at_once],
    "the weekly run ends": [take_it_for_good, the_weekly_run_ends],
    "a paper ends far ahead": [take_it_for_good, a_paper_that_ends(date(2027, 8, 1)), a_new_license],
    "a paper ends soon": [
        take_it_for_good, a_paper_that_ends(date(2027, 3, 10)), five_weeks_pass, a_new_license,
    ],
    "another address": [take_it_for_good, another_address, skip_one],
    "link only": [take_it_for_good, link_only, skip_one, invitations_again],
    "by phone": [take_it_for_good, by_phone],
    "another zone": [take_it_for_good, another_zone],
    "leaving": [take_it_for_good, the_person_leaves],
}  # fmt: skip


class Phones:
    """Every address that Ana ever had."""

    def __init__(self, world):
        self.world, self.by_address = world, {}

    def check(self, expand, restrictions=None):
        person = ana_again(self.world)
        expected = truth(self.world, person)
        self.by_address.setdefault(person.email, PhoneCalendar(person.email))
        for address, phone in self.by_address.items():
            before = phone.taken
            phone.read_all()
            for message in Message.objects.filter(address=address, pk__gt=before):
                body = calendar_object(message)
                if body:
                    check_message(body, restrictions)
            # What was over when the mail went elsewhere stays where it was told.
            shows = [start for start in phone.starts(AT, END, expand) if start >= self.world.switched]
            invited = address == person.email and person.is_invited
            assert shows == [start for start in expected if invited and start >= self.world.switched]
        if person.left_on is None:
            text = feeds.feed(person, at=self.world.at).body.decode()
            begins = max(AT, self.world.at - timedelta(weeks=4))  # single runs of before have left it
            times = (
                {} if "DTSTART;VALUE=DATE:" in text else expand(text, begins, END)
            )  # the note without runs
            shows = sorted(start for starts in times.values() for start in starts)
            assert shows == [start for start in expected if start >= begins]


def check_message(body, restrictions):
    """RFC 5546's tables by libical, and what it does not look at."""
    text = body.decode()
    if restrictions:
        assert restrictions(text) == []
    calendar = Calendar.from_ical(body)
    events = calendar.walk("VEVENT")
    if calendar["method"] == "CANCEL":
        assert not calendar.walk("VALARM")  # 3.2.5
        assert {str(event["status"]) for event in events} == {"CANCELLED"}
    zones = {str(zone["tzid"]) for zone in calendar.walk("VTIMEZONE")}
    used = set(re.findall(r";TZID=([^:;]+)", re.sub(r"\r\n[ \t]", "", text)))
    assert used == zones  # each zone that is named comes along (RFC 5545 3.6.5)
    for event in events:
        for name in ("organizer", "attendee", "dtstamp", "sequence", "dtstart", "summary"):
            assert name in event
    masters = [event for event in events if "recurrence-id" not in event]
    assert len(masters) == 1
    rule = masters[0].get("rrule")
    if rule and "UNTIL" in rule:
        assert f"{rule['UNTIL'][0]:%Y%m%dT%H%M%S}Z" in text  # in UTC beside a TZID (RFC 5545 3.3.10)


def live(story, expand, restrictions=None):
    world = World()
    phones = Phones(world)
    for change in STORIES[story]:
        world.at += timedelta(minutes=5)
        change(world)
        world.at += timedelta(minutes=1)
        worker.tick(world.at)
        phones.check(expand, restrictions)
    return world


class AtRandom:
    """Changes in any order that makes sense: a run that is over or gone is left alone."""

    ANY_TIME = (
        move_the_site, a_new_door, skip_one, skip_a_range_beyond_the_horizon, skip_far_ahead, more_crates,
        half_past_seven_for_good, eight_again_from_the_same_day, a_paper_that_ends(date(2027, 8, 1)),
        a_new_license, a_paper_that_ends(date(2027, 3, 10)), another_address, link_only, invitations_again,
        by_phone, five_weeks_pass,
    )  # fmt: skip
    OF_A_RUN = (
        (move_by_30_minutes, 4),
        (move_to_another_day, 5),
        (another_drop_off_once, 3),
        (move_it_back, 4),
    )

    def __init__(self, seed):
        self.chance = random.Random(seed)
        self.done = []

    def next_change(self, world):
        changes = list(self.ANY_TIME)
        changes += [change for change, week in self.OF_A_RUN if self.is_ahead(world, week)]
        if "skip" in world.kept:
            changes.append(take_the_skip_back)
        if self.is_ahead(world, 2):
            changes.append(put_it_on_again if world.run(2).is_cancelled else cancel_one)
        if self.is_ahead(world, 1) and world.run(1).bookings.live().exists():
            changes.append(give_one_back)
        changes.append(lift_them if "closed" in world.kept else close_near_and_far)
        change = self.chance.choice(changes)
        self.done.append(change.__name__)
        return change

    def is_ahead(self, world, week):
        return world.run(week).starts_at > world.at + timedelta(hours=1)


@pytest.mark.parametrize("seed", range(8))
def test_changes_in_any_order(seed):
    live_at_random(seed, by_dateutil)


@pytest.mark.needs("icaljs")
@pytest.mark.parametrize("seed", range(8, 11))
def test_any_order_read_by_icaljs(seed, icaljs_occurrences):
    live_at_random(seed, icaljs_occurrences)


@pytest.mark.needs("libical")
@pytest.mark.parametrize("seed", range(8, 11))
def test_any_order_read_by_libical(seed, libical_occurrences, libical_restrictions):
    live_at_random(seed, libical_occurrences, libical_restrictions)


def live_at_random(seed, expand, restrictions=None):
    world, story = World(), AtRandom(seed)
    phones = Phones(world)
    change = story.chance.choice([take_it_for_good, take_it_for_good, every_other_week, first_and_third])
    for _turn in range(9):
        world.at += timedelta(minutes=5)
        change(world)
        world.at += timedelta(minutes=1)
        worker.tick(world.at)
        phones.check(expand, restrictions)
        change = story.next_change(world)


def entries_sent_by(world, change):
    before = Message.objects.order_by("-pk").values_list("pk", flat=True).first() or 0
    change(world)
    worker.tick(world.at)
    sent = Message.objects.filter(pk__gt=before)
    assert (
        len({message.person_id for message in sent if message.kind == "news"})
        == sent.filter(kind="news").count()
    )
    return [CalendarEntry.objects.get(uid=message.about) for message in sent if message.about]


@pytest.mark.parametrize(
    ("change", "touched"),
    [
        (nothing, []),
        (more_crates, []),
        (a_new_door, []),  # words only: the feed has them
        (skip_one, ["regular"]),
        (move_by_30_minutes, ["regular"]),
        (cancel_one, ["regular"]),
        (move_the_site, ["regular", "single", "second seat"]),
        (close_near_and_far, ["regular", "second seat", "regular", "regular"]),  # three closures
        (stop_in_april, ["regular"]),
        (another_address, ["regular", "single", "regular", "single"]),
    ],
)
def test_exactly_what_has_changed_is_sent_again(change, touched):
    """Ana has a regular run and a single one elsewhere in the calendar; Bo rides along on one of hers."""
    world = World()
    world.begin()
    lone = make_run(starts_at=world.run(3).starts_at + timedelta(days=1), sites=[world.market, world.kitchen])
    names = {seat(run=lone, person=ana_again(world), seat="driver", by=None, at=world.at).pk: "single"}
    beside = seat(run=world.run(5), person=world.bo, seat="second", by=None, at=world.at)
    names[beside.pk] = "second seat"
    world.at += timedelta(minutes=1)
    found = entries_sent_by(world, change)
    assert sorted("regular" if entry.standing_id else names[entry.booking_id] for entry in found) == sorted(
        touched
    )


@pytest.mark.parametrize("story", STORIES)
def test_phones_and_feed_show_what_is_booked(story):
    live(story, by_dateutil)


@pytest.mark.needs("icaljs")
@pytest.mark.parametrize("story", STORIES)
def test_the_same_read_by_icaljs(story, icaljs_occurrences):
    live(story, icaljs_occurrences)


@pytest.mark.needs("libical")
@pytest.mark.parametrize("story", STORIES)
def test_the_same_read_by_libical_which_looks_at_every_message(
    story, libical_occurrences, libical_restrictions
):
    live(story, libical_occurrences, libical_restrictions)

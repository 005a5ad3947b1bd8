"""Asking a feed again and again: one read when nothing is new, and nothing new is ever hidden."""

import urllib.error
import urllib.request
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from email.utils import parsedate_to_datetime
from urllib.parse import urlsplit

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from icalendar import Calendar

from shifts.calendar import feed as feeds
from shifts.schedule.making import Plan, add_shift
from shifts.seats import standing as regular
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run, reshape_run, restore_run, shape_of
from shifts.seats.consequences import change_person, change_site, close_site, publish_door_notes, set_contacts
from shifts.seats.run_notes import write_note
from shifts.seats.weekly import change_programme, change_shift
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, make_run, ready_person
from volunteers.models import Person
from volunteers.people import new_feed_link

AT = datetime(2026, 10, 1, 12, 0, tzinfo=UTC)  # a Thursday, 8:00 a.m. in New York
HOUR = timedelta(hours=1)
pytestmark = pytest.mark.django_db


@pytest.fixture
def clock():
    with time_machine.travel(AT, tick=False) as clock:
        yield clock


@pytest.fixture
def person():
    return ready_person()


def book(person, days=3, at=AT, **facts):
    run = make_run(starts_at=AT + timedelta(days=days), **facts)
    return seat(run=run, person=person, seat="driver", by=None, at=at)


def poll(client, person, last, **headers):
    """What a calendar program does that fetched `last` before."""
    return client.get(feeds.path(person), headers={"If-None-Match": last["ETag"], **headers})


def rebuilt(person, at):
    """The feed built from its rows, with nothing remembered but when it last changed."""
    Person.objects.filter(pk=person.pk).update(feed_good_until=None, feed_digest="")
    return feeds.feed(Person.objects.get(pk=person.pk), at=at).body


class TestNothingNew:
    def test_one_read_and_no_write(self, client, clock, person, django_assert_num_queries):
        book(person)
        first = client.get(feeds.path(person))
        with django_assert_num_queries(1) as queries:
            again = poll(client, person, first)
        assert (again.status_code, again.content) == (304, b"")
        assert (again["ETag"], again["Last-Modified"]) == (first["ETag"], first["Last-Modified"])
        [read] = queries
        assert read["sql"].startswith("SELECT")
        assert f'"volunteers_person"."id" = {person.pk}' in read["sql"]

    @pytest.mark.parametrize("method", ["get", "head"])
    @pytest.mark.parametrize("header", ["If-None-Match", "If-Modified-Since"])
    def test_by_either_validator(self, client, clock, person, django_assert_num_queries, method, header):
        first = client.get(feeds.path(person))
        value = first["ETag"] if header == "If-None-Match" else first["Last-Modified"]
        with django_assert_num_queries(1):
            answer = getattr(client, method)(feeds.path(person), headers={header: value})
        assert answer.status_code == 304

    def test_a_sign_in_beside_it_costs_nothing(self, client, clock, person, django_assert_num_queries):
        client.force_login(PersonFactory(sign_in=True).user)
        first = client.get(feeds.path(person))
        with django_assert_num_queries(1):
            assert poll(client, person, first).status_code == 304

    def test_when_it_was_fetched_is_noted_once_an_hour(
        self, client, clock, person, django_assert_num_queries
    ):
        first = client.get(feeds.path(person))
        person.refresh_from_db()
        assert person.feed_fetched_at == AT
        clock.shift(HOUR - timedelta(seconds=1))
        with django_assert_num_queries(1):
            poll(client, person, first)
        clock.shift(timedelta(seconds=1))
        with django_assert_num_queries(2):
            assert poll(client, person, first).status_code == 304
        person.refresh_from_db()
        assert person.feed_fetched_at == AT + HOUR

    def test_another_version_gets_the_feed_and_nothing_is_written(self, client, clock, person):
        book(person)
        first = client.get(feeds.path(person))
        other = client.get(feeds.path(person), headers={"If-None-Match": '"another"'})
        assert (other.status_code, other.content, other["ETag"]) == (200, first.content, first["ETag"])
        with CaptureQueriesContext(connection) as queries:
            client.get(feeds.path(person))
        assert all(query["sql"].startswith("SELECT") for query in queries)

    def test_a_feed_that_holds_nothing_stays_good(self, client, clock, person):
        first = client.get(feeds.path(person))
        clock.shift(timedelta(days=1_000))
        assert poll(client, person, first).status_code == 304


class TestTheClock:
    def test_a_run_leaves_at_midnight_four_weeks_on(self, client, clock, person):
        """The one change that nobody makes: the feed is good until the very second, and no longer."""
        book(person, days=1)  # Friday, October 2
        book(person, days=8)
        first = client.get(feeds.path(person))
        leaves = datetime(2026, 10, 31, 4, 0, tzinfo=UTC)  # midnight in New York
        clock.move_to(leaves - timedelta(seconds=1))
        assert poll(client, person, first).status_code == 304
        clock.move_to(leaves)
        again = poll(client, person, first)
        assert again.status_code == 200
        assert again.content.count(b"BEGIN:VEVENT") == first.content.count(b"BEGIN:VEVENT") - 1 == 1
        assert again.content == rebuilt(person, leaves)

    def test_across_the_clock_change(self, client, clock, person):
        """The clocks of New York go back on November 1, 2026: that midnight is an hour later in UTC."""
        book(person, days=3)  # Sunday, October 4; it leaves as November 2 begins
        first = client.get(feeds.path(person))
        clock.move_to(datetime(2026, 11, 2, 4, 59, 59, tzinfo=UTC))
        assert poll(client, person, first).status_code == 304
        clock.move_to(datetime(2026, 11, 2, 5, 0, tzinfo=UTC))
        assert poll(client, person, first).status_code == 200


class TestAnotherForm:
    """What is remembered is of no account once this code, or our own address, would write other bytes."""

    def test_a_new_form_is_built_anew_and_the_same_bytes_are_not_sent_again(
        self, client, clock, person, monkeypatch, django_assert_num_queries
    ):
        first = client.get(feeds.path(person))
        monkeypatch.setattr(feeds, "FORM", feeds.FORM + 1)
        assert feeds.known(Person.objects.get(pk=person.pk), at=AT) is None
        again = poll(client, person, first)
        assert (again.status_code, again["Last-Modified"]) == (304, first["Last-Modified"])
        with django_assert_num_queries(1):
            poll(client, person, first)

    @pytest.mark.parametrize(
        ("name", "value"),
        [("BASE_URL", "http://elsewhere.example.org"), ("DEFAULT_FROM_EMAIL", "runs@elsewhere.example.org")],
    )
    def test_another_address_of_ours(self, client, clock, person, settings, name, value):
        book(person)
        first = client.get(feeds.path(person))
        setattr(settings, name, value)
        again = poll(client, person, first)
        assert again.status_code == 200
        assert b"elsewhere.example.org" in again.content.replace(b"\r\n ", b"")


class TestRaces:
    """A change that commits while the feed is built must not be remembered away."""

    @pytest.fixture
    def meanwhile(self, monkeypatch):
        """Does something once, when a build has read its rows and not yet written what it remembers."""
        todo = []
        build = feeds.build

        def slow_build(person, *, at):
            result = build(person, at=at)
            if todo:
                todo.pop()()
            return result

        monkeypatch.setattr(feeds, "build", slow_build)
        return todo.append

    def test_a_change_while_it_is_built(self, client, clock, person, meanwhile):
        booking = book(person)
        meanwhile(lambda: give_back(booking, by=None, at=AT))
        first = client.get(feeds.path(person))
        assert b"Drive" in first.content  # read before the change
        assert "Last-Modified" not in first
        again = poll(client, person, first, **{"If-Modified-Since": "Sat, 01 Jan 2050 00:00:00 GMT"})
        assert again.status_code == 200
        assert b"Drive" not in again.content
        assert again["Last-Modified"]

    def test_a_change_while_a_good_feed_is_built_for_another_device(self, client, clock, person, meanwhile):
        booking = book(person)
        first = client.get(feeds.path(person))
        meanwhile(lambda: give_back(booking, by=None, at=AT))
        assert b"Drive" in client.get(feeds.path(person)).content
        assert poll(client, person, first).status_code == 200

    def test_there_and_back_while_it_is_built(self, client, clock, person, meanwhile):
        """The change is undone and the feed built by somebody else before the first build ends."""
        run = book(person).run
        client.get(feeds.path(person))
        write_note(run, "Use the side gate", by=None, at=AT)

        def back():
            write_note(run, "", by=None, at=AT)
            client.get(feeds.path(person))

        meanwhile(back)
        old = client.get(feeds.path(person))
        assert b"side gate" in old.content
        again = poll(client, person, old)
        assert again.status_code == 200
        assert b"side gate" not in again.content

    def test_a_change_of_the_person_before_the_build_begins(self, client, clock, person, monkeypatch):
        begin = feeds.begin

        def late(one):
            change_person(person, by=None, name="Zoe New")
            return begin(one)

        monkeypatch.setattr(feeds, "begin", late)
        assert b"Runs: Zoe" in client.get(feeds.path(person)).content

    def test_two_builds_at_once(self, client, clock, person, meanwhile):
        book(person)
        meanwhile(lambda: client.get(feeds.path(person)))
        first = client.get(feeds.path(person))
        assert poll(client, person, first).status_code == 304

    def test_an_unmarked_change_is_mended_by_the_next_whole_fetch(self, client, clock, person):
        """Somebody wrote to the database by hand."""
        run = book(person).run
        first = client.get(feeds.path(person))
        type(run).objects.filter(pk=run.pk).update(title="By hand")
        assert b"By hand" in client.get(feeds.path(person)).content
        assert poll(client, person, first).status_code == 200


# --- every kind of change: the feed equals a full rebuild -------------------------------


def called_off(world):
    cancel_run(world.run, reason="Snow", by=None, at=world.at)


def called_off_and_back(world):
    called_off(world)
    world.run.refresh_from_db()
    restore_run(world.run, by=None, at=world.at)


def moved(world):
    old = shape_of(world.run)
    later = {
        "starts_at": old.starts_at + timedelta(minutes=30),
        "ends_at": old.ends_at + timedelta(minutes=30),
    }
    reshape_run(world.run, type(old)(**{**old.__dict__, **later}), by=None, at=world.at)


def other_stops(world):
    old = shape_of(world.run)
    stops = ((old.stops[0][0], 0), (SiteFactory(takes=True).pk, 40))
    reshape_run(world.run, replace(old, stops=stops), by=None, at=world.at)


CHANGES = {
    "another run booked": lambda w: book(w.person, days=9, at=w.at),
    "given back": lambda w: give_back(w.booking, by=None, at=w.at),
    "taken out": lambda w: give_back(w.booking, by=None, end="taken out", at=w.at),
    "called off": called_off,
    "called off and back": called_off_and_back,
    "moved by 30 minutes": moved,
    "another drop-off": other_stops,
    "a note for the run": lambda w: write_note(w.run, "Use the side gate", by=None, at=w.at),
    "new door notes": lambda w: publish_door_notes(w.site, {"entrance": "Green door"}, by=None, at=w.at),
    "site renamed": lambda w: change_site(w.site, by=None, name="Corner Grocery", at=w.at),
    "site moved": lambda w: change_site(w.site, by=None, street="9 New Street", at=w.at),
    "new contacts": lambda w: set_contacts(
        w.site, [{"name": "Dee", "phone": "+15555550123"}], by=None, at=w.at
    ),
    "own name": lambda w: change_person(w.person, by=None, name="Zoe New", at=w.at),
    "own language": lambda w: change_person(w.person, by=None, language="es", at=w.at),
    "another address": lambda w: change_person(w.person, by=None, email="new@example.org", at=w.at),
    "the programme's zone": lambda w: change_programme(by=None, time_zone="America/Denver", at=w.at),
}


class World:
    """Somebody with two runs, and a feed that was fetched."""

    def __init__(self):
        self.person = ready_person()
        self.booking = book(self.person)
        self.run = self.booking.run
        self.site = self.run.ordered_stops[0].site
        book(self.person, days=5)
        self.at = AT + timedelta(minutes=1)


class TestEveryChange:
    @pytest.mark.parametrize("name", CHANGES)
    def test_the_next_poll_gets_what_a_full_rebuild_gives(self, client, clock, name):
        world = World()
        first = client.get(feeds.path(world.person))
        assert poll(client, world.person, first).status_code == 304
        clock.move_to(world.at)
        CHANGES[name](world)
        world.person.refresh_from_db()
        again = poll(client, world.person, first)
        assert again.status_code == 200
        assert again.content != first.content
        assert parsedate_to_datetime(again["Last-Modified"]) > parsedate_to_datetime(first["Last-Modified"])
        assert poll(client, world.person, again).status_code == 304
        assert again.content == rebuilt(world.person, world.at)

    @pytest.mark.parametrize("name", sorted(set(CHANGES) - {"own name", "own language", "another address"}))
    def test_the_feeds_of_others_stay_as_they_are(self, client, clock, name):
        """Also where they must be built anew to know."""
        world = World()
        other = ready_person()
        book(other, days=20)
        first = client.get(feeds.path(other))
        clock.move_to(world.at)
        CHANGES[name](world)
        answer = poll(client, other, first)
        assert answer.status_code == (200 if name == "the programme's zone" else 304)

    def test_a_new_link_names_itself(self, client, clock, person):
        first = client.get(feeds.path(person))
        person = new_feed_link(person, by=None)
        again = poll(client, person, first)
        assert again.status_code == 200
        source = str(Calendar.from_ical(again.content)["source"])
        assert urlsplit(source).path == feeds.path(person)


def plan_of(world, **facts):
    stops = ((world.market.pk, 0), (world.kitchen.pk, 30))
    return Plan(
        **({"rule": "FREQ=WEEKLY;BYDAY=TU", "starts": time(8), "minutes": 60, "stops": stops} | facts)
    )


def reshaped(world):
    run = world.shift.runs.get(slot_date=TUESDAY + timedelta(weeks=2))
    reshape_run(run, replace(shape_of(run), ends_at=run.ends_at + HOUR), by=None, at=world.at)


def changed(world, day, name="", **facts):
    change_shift(world.shift, plan=plan_of(world, **facts), from_day=day, name=name, by=None, at=world.at)


TUESDAY = date(2026, 10, 6)
NEXT = TUESDAY + timedelta(weeks=1)
FAR = TUESDAY + timedelta(weeks=30)  # no run is made there yet
REGULAR = {
    "one date skipped": lambda w: regular.skip(w.mine, first=NEXT, last=NEXT, by=None, at=w.at),
    "dates skipped beyond the runs made": lambda w: regular.skip(
        w.mine, first=FAR, last=FAR, by=None, at=w.at
    ),
    "one run longer": reshaped,
    "one run called off": lambda w: cancel_run(
        w.shift.runs.get(slot_date=NEXT), reason="Snow", by=None, at=w.at
    ),
    "a note for one run": lambda w: write_note(w.shift.runs.get(slot_date=NEXT), "Ring", by=None, at=w.at),
    "closed dates": lambda w: close_site(w.kitchen, first=NEXT, last=NEXT, by=None, at=w.at),
    "closed dates beyond the runs made": lambda w: close_site(
        w.kitchen, first=FAR, last=FAR, by=None, at=w.at
    ),
    "another hour for good": lambda w: changed(w, NEXT, starts=time(9)),
    "another name": lambda w: changed(w, NEXT, name="Bread on Tuesdays"),
    "stopped": lambda w: regular.stop(w.mine, last_day=NEXT, by=None, at=w.at),
    "new door notes": lambda w: publish_door_notes(w.market, {"entrance": "Green door"}, by=None, at=w.at),
    "site renamed": lambda w: change_site(w.market, by=None, name="Corner Grocery", at=w.at),
    "new contacts": lambda w: set_contacts(w.kitchen, [{"name": "Dee", "phone": ""}], by=None, at=w.at),
    "own language": lambda w: change_person(w.person, by=None, language="es", at=w.at),
    "the programme's zone": lambda w: change_programme(by=None, time_zone="America/Denver", at=w.at),
}


class RegularWorld:
    """Somebody with a regular run, every Tuesday, and a feed that was fetched."""

    def __init__(self):
        self.at = AT + timedelta(minutes=1)
        self.person = ready_person()
        self.market, self.kitchen = SiteFactory(name="Market"), DropOffFactory(name="Kitchen")
        self.shift = add_shift(name="Tuesdays", plan=plan_of(self), from_day=TUESDAY, by=None, at=AT)
        wish = regular.Wish(shift=self.shift, person=self.person, from_day=TUESDAY)
        self.mine = regular.begin(wish, by=None, at=AT)


class TestARegularRun:
    @pytest.mark.parametrize("name", REGULAR)
    def test_the_next_poll_gets_what_a_full_rebuild_gives(self, client, clock, name):
        world = RegularWorld()
        first = client.get(feeds.path(world.person))
        assert first.content.count(b"RRULE:FREQ=WEEKLY;") == 1
        clock.move_to(world.at)
        REGULAR[name](world)
        again = poll(client, world.person, first)
        assert again.status_code == 200
        assert again.content != first.content
        assert again.content == rebuilt(world.person, world.at)

    def test_it_stays_while_it_goes_on(self, client, clock):
        world = RegularWorld()
        first = client.get(feeds.path(world.person))
        clock.shift(timedelta(days=365))
        assert poll(client, world.person, first).status_code == 304

    def test_it_leaves_four_weeks_after_its_end(self, client, clock):
        world = RegularWorld()
        regular.stop(world.mine, last_day=NEXT, by=None, at=AT)  # Tuesday, October 13
        first = client.get(feeds.path(world.person))
        leaves = datetime(2026, 11, 11, 5, 0, tzinfo=UTC)  # midnight in New York, winter time by then
        clock.move_to(leaves - timedelta(seconds=1))
        assert poll(client, world.person, first).status_code == 304
        clock.move_to(leaves)
        again = poll(client, world.person, first)
        assert again.status_code == 200
        assert b"Tuesdays" in first.content
        assert b"Tuesdays" not in again.content
        assert again.content == rebuilt(world.person, leaves)

    def test_queries_do_not_grow(self, client, clock):
        world = RegularWorld()

        def queries():
            person = Person.objects.get(pk=world.person.pk)
            with CaptureQueriesContext(connection) as found:
                feeds.build(person, at=AT)
            return len(found)

        few = queries()
        for n in range(4):
            plan = plan_of(world, starts=time(10 + 2 * n))
            shift = add_shift(name=f"Run {n}", plan=plan, from_day=TUESDAY, by=None, at=AT)
            wish = regular.Wish(shift=shift, person=world.person, from_day=TUESDAY)
            regular.begin(wish, by=None, at=AT)
            book(world.person, days=1 + n)
        assert queries() <= few + 3  # stops, sites and contacts of single runs


class TestWhatIsOver:
    """A feed goes four weeks back, so runs that are over must follow their sites too."""

    OVER = ("new door notes", "site renamed", "site moved", "new contacts", "a note for the run")

    @pytest.mark.parametrize("name", OVER)
    def test_the_next_poll_gets_what_a_full_rebuild_gives(self, client, clock, name):
        world = World()
        world.at = AT + timedelta(days=20)
        clock.move_to(world.at)
        first = client.get(feeds.path(world.person))
        CHANGES[name](world)
        again = poll(client, world.person, first)
        assert again.status_code == 200
        assert again.content != first.content
        assert again.content == rebuilt(world.person, world.at)


class TestARealProgram:
    """Over a socket, by Python's own HTTP client, which knows nothing of Django."""

    def fetch(self, url, **headers):
        request = urllib.request.Request(url, headers=headers)
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        try:
            with opener.open(request, timeout=30) as answer:
                return answer.status, answer.headers, answer.read()
        except urllib.error.HTTPError as answer:  # how this client tells of a 304
            with answer:
                return answer.code, answer.headers, answer.read()

    def test_it_sends_validators_and_follows_a_change(self, live_server, transactional_db):
        person = ready_person()
        booking = seat(run=make_run(), person=person, seat="driver", by=None)
        url = live_server.url + feeds.path(person)
        status, headers, body = self.fetch(url)
        assert (status, headers["Content-Type"]) == (200, "text/calendar; charset=utf-8")
        assert len(Calendar.from_ical(body).walk("VEVENT")) == 1
        for validators in (
            {"If-None-Match": headers["ETag"]},
            {"If-Modified-Since": headers["Last-Modified"]},
            {"If-None-Match": headers["ETag"], "If-Modified-Since": headers["Last-Modified"]},
        ):
            status, again, nothing = self.fetch(url, **validators)
            assert (status, nothing) == (304, b"")
            assert (again["ETag"], again["Last-Modified"]) == (headers["ETag"], headers["Last-Modified"])
        give_back(booking, by=None)
        status, changed, body = self.fetch(url, **validators)
        assert status == 200
        assert b"Morning run" not in body
        assert changed["ETag"] != headers["ETag"]
        assert self.fetch(url, **{"If-None-Match": changed["ETag"]})[0] == 304

"""The run sheet without signing in: from the eve until midnight, one's own run and nothing else."""

import re
from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from config.logs import mask
from shifts.models import Booking, Run
from shifts.seats import own_links
from shifts.seats.booking import give_back
from sites.models import Contact, Event, Programme
from tests.factories import PersonFactory, lead_driver, make_ready, make_run, put, ready_person
from volunteers import links
from volunteers.doors import publish
from volunteers.models import Completion, SignOff

START = datetime(2027, 5, 11, 12, tzinfo=UTC)  # a Tuesday, 8 a.m. in New York
EVE = datetime(2027, 5, 10, 21, tzinfo=UTC)  # 5 p.m. on Monday
MIDNIGHT = datetime(2027, 5, 12, 4, tzinfo=UTC)
DAY, HOUR, SECOND = timedelta(days=1), timedelta(hours=1), timedelta(seconds=1)
pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(EVE, tick=False) as clock:
        yield clock


@pytest.fixture
def run():
    run = make_run(title="Plum run", starts_at=START)
    Contact.objects.create(site=run.ordered_stops[0].site, name="Dana Dock", phone="+15555550177")
    return run


@pytest.fixture
def booking(run):
    return put(ready_person(name="Ina Quell", sign_in=True), run)


def link_to(booking):
    return own_links.sheet_link(booking, Programme.current()).removeprefix("http://localhost:8000")


def text_of(response):
    return re.sub(r"\s+", " ", response.content.decode())


class TestOpen:
    def test_it_shows_the_sheet_and_is_kept_nowhere(self, client, booking):
        answer = client.get(link_to(booking))
        text = text_of(answer)
        assert answer.status_code == 200
        assert "Plum run" in text
        assert "Dana Dock" in text
        assert "For Ina alone, without signing in, until midnight after the run." in text
        assert "X-Keep" not in answer
        assert "no-store" in answer["Cache-Control"]
        assert (answer["Referrer-Policy"], answer["X-Robots-Tag"]) == ("same-origin", "noindex")
        assert mask(f"GET {link_to(booking)} 200") == "GET /sheet/***/ 200"
        assert mask("GET /runs/12/sheet/ 200") == "GET /runs/12/sheet/ 200"

    def test_it_leads_to_no_page_but_sign_in(self, client, booking):
        """Calls, texts, maps and the sheet's own address aside."""
        text = text_of(client.get(link_to(booking)))
        body = text.partition("<main")[2].partition("</main>")[0]
        ours = set(re.findall(r'(?:href|action)="(/[^"]*)"', body))
        assert ours == {f"/account/login/?next=%2Fruns%2F{booking.run_id}%2Fsheet%2F"}
        assert 'class="nav' not in text

    def test_it_opens_no_other_page(self, client, booking):
        client.get(link_to(booking))
        for name in ("run", "sheet"):
            answer = client.get(reverse(name, args=[booking.run_id]))
            assert answer["Location"].startswith("/account/login/")

    def test_signed_in_as_the_same_person_it_is_the_real_one(self, client, booking):
        client.force_login(booking.person.user)
        assert client.get(link_to(booking))["Location"] == reverse("sheet", args=[booking.run_id])

    def test_signed_in_as_somebody_else_it_is_still_only_this(self, client, booking):
        client.force_login(PersonFactory(sign_in=True).user)
        answer = client.get(link_to(booking))
        assert answer.status_code == 200
        assert "X-Keep" not in answer


class TestUntil:
    @pytest.mark.parametrize(
        ("at", "heading", "status"),
        [
            (datetime(2027, 5, 10, 4, tzinfo=UTC) - SECOND, "Not open yet", 200),
            (datetime(2027, 5, 10, 4, tzinfo=UTC), "Plum run", 200),
            (START + 2 * HOUR, "Plum run", 200),
            (MIDNIGHT - SECOND, "Plum run", 200),
            (MIDNIGHT, "This link has ended", 410),
            (MIDNIGHT + 400 * DAY, "This link has ended", 410),
        ],
    )
    def test_the_programmes_midnight(self, client, booking, clock, at, heading, status):
        link = link_to(booking)
        clock.move_to(at)
        answer = client.get(link)
        text = text_of(answer)
        assert (answer.status_code, f"<h1>{heading}</h1>" in text) == (status, True)
        assert ("Dana Dock" in text) == (heading == "Plum run")
        if heading != "Plum run":
            assert f"/account/login/?next=%2Fruns%2F{booking.run_id}%2Fsheet%2F" in text

    def test_a_run_over_midnight_has_it_until_the_midnight_after(self, client, clock):
        run = make_run(title="Night run", starts_at=MIDNIGHT - HOUR, minutes=120)
        link = link_to(put(ready_person(), run))
        clock.move_to(MIDNIGHT + 2 * HOUR)
        assert client.get(link).status_code == 200
        clock.move_to(MIDNIGHT + DAY)
        assert client.get(link).status_code == 410

    def test_across_the_clock_change(self, client, clock):
        """Sunday, 14 March 2027, has 23 hours in New York: its midnight is at 04:00 UTC."""
        clock.move_to(datetime(2027, 3, 13, 22, tzinfo=UTC))
        link = link_to(put(ready_person(), make_run(starts_at=datetime(2027, 3, 14, 12, tzinfo=UTC))))
        clock.move_to(datetime(2027, 3, 15, 4, tzinfo=UTC) - SECOND)
        assert client.get(link).status_code == 200
        clock.move_to(datetime(2027, 3, 15, 4, tzinfo=UTC))
        assert client.get(link).status_code == 410

    def test_not_after_the_seat_was_given_back(self, client, booking):
        link = link_to(booking)
        give_back(booking, by=None)
        answer = client.get(link)
        assert (answer.status_code, "Dana Dock" in text_of(answer)) == (410, False)

    def test_a_run_that_moved_to_another_day_needs_a_newer_link(self, client, booking, clock):
        link = link_to(booking)
        Run.objects.update(starts_at=START + 5 * DAY, ends_at=START + 5 * DAY + HOUR, local_date="2027-05-16")
        assert "<h1>Not open yet</h1>" in text_of(client.get(link))
        clock.move_to(START + 4 * DAY)
        assert client.get(link).status_code == 410


class TestForged:
    def test_another_day_needs_another_signature(self, client, booking):
        token = links.day_token(own_links.SHEET, booking, date(2027, 5, 11))
        later = token.replace("20270511", "20280511")
        for wrong in (later, token[:-1], f"9{token}", "x", "1-x", "1-20270511-", "1-20271340-AAAA", "٣-1-1"):
            assert client.get(f"/sheet/{wrong}/").status_code == 404

    def test_nor_does_the_link_to_say_a_word_open_it(self, client, booking):
        token = links.token(own_links.WORD, booking, "")
        assert client.get(f"/sheet/{token}/").status_code == 404

    def test_nor_one_of_somebody_who_left(self, client, booking):
        link = link_to(booking)
        type(booking.person).objects.update(left_on="2027-05-09")
        assert client.get(link).status_code == 404


class TestRecord:
    def test_door_notes_read_there_are_read(self, client, run):
        site = run.ordered_stops[0].site
        ina = make_ready(PersonFactory(name="Ina Quell", sign_in=True))
        booking = put(ina, run)
        notes = publish(site, {"entrance": "The blue door"}, by=None)
        link = link_to(booking)
        text = text_of(client.get(link))
        assert f'action="{link}"' in text
        assert f'name="read" value="{site.pk}:{notes.revision}"' in text
        answer = client.post(link, {"read": f"{site.pk}:{notes.revision}"}, follow=True)
        assert answer.redirect_chain == [(link, 302)]
        assert "you have read" in text_of(answer)
        done = Completion.objects.get(person=ina, step__site=site, revision=notes.revision)
        assert done.recorded_by == ina.user

    def test_of_no_other_site_and_no_older_notes(self, client, booking, run):
        other = make_run().ordered_stops[0].site
        publish(other, {"entrance": "Elsewhere"}, by=None)
        client.post(link_to(booking), {"read": f"{other.pk}:1"})
        assert not Completion.objects.filter(step__site=other).exists()
        site = run.ordered_stops[0].site
        for _n in range(2):
            publish(site, {"entrance": f"Door {_n}"}, by=None)
        answer = client.post(link_to(booking), {"read": f"{site.pk}:1"})
        assert (answer.status_code, "have changed since you opened" in text_of(answer)) == (409, True)

    def test_the_word_on_a_ride_asks_for_a_sign_in(self, client, run):
        """It decides whether somebody else drives alone; a link could have been passed on."""
        lead = lead_driver(name="Lee Lead", sign_in=True)
        booking = put(lead, run)
        put(make_ready(PersonFactory(name="Tom Wren"), without=("ride",)), run, Booking.Seat.SECOND)
        text = text_of(client.get(link_to(booking)))
        assert "How did Tom do?" in text
        assert "Sign in and record it" in text
        assert reverse("sign_off", args=[run.pk]) not in text
        before = Event.objects.count()
        client.post(link_to(booking), {"outcome": "ready"})
        assert (SignOff.objects.count(), Event.objects.count()) == (0, before)


def test_queries_do_not_grow_with_the_stops(client, django_assert_num_queries, booking):
    with CaptureQueriesContext(connection) as few:
        client.get(link_to(booking))
    sites = [stop.site for stop in make_run().ordered_stops] + [
        stop.site for stop in make_run().ordered_stops
    ]
    longer = put(ready_person(), make_run(starts_at=START, sites=sites))
    with django_assert_num_queries(len(few)):
        client.get(link_to(longer))

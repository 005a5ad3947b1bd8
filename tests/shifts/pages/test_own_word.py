"""The private link to one's own seat, and the coordinator's tap for what was said by phone."""

import re
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret
from django.urls import reverse

from config.logs import mask
from shifts.models import Booking, Run, Shift, Standing
from shifts.seats import own_links, presence
from shifts.seats.booking import give_back
from shifts.seats.booking import seat as take
from shifts.seats.changes import cancel_run
from sites.models import Event, Programme
from tests.factories import coordinator, lead_driver, make_run, put, ready_person
from volunteers import links
from volunteers.models import Message

NOW = datetime(2027, 5, 9, 14, tzinfo=UTC)
DAY, HOUR = timedelta(days=1), timedelta(hours=1)
pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


@pytest.fixture
def booking():
    return put(
        ready_person(name="Ina Quell", sign_in=True), make_run(title="Plum run", starts_at=NOW + 2 * DAY)
    )


@pytest.fixture
def link(booking):
    return own_links.word_path(booking)


def there(client, link, booking, **more):
    starts = int(booking.run.starts_at.timestamp())
    return client.post(link, {"answer": "there", "starts_at": starts} | more)


def after_all(client, link, booking):
    starts = int(booking.run.starts_at.timestamp())
    return client.post(link, {"answer": "after all", "starts_at": starts})


def text_of(response):
    return re.sub(r"\s+", " ", response.content.decode())


class TestLooking:
    def test_it_shows_the_run_and_two_buttons_and_changes_nothing(self, client, booking, link):
        before = Event.objects.count()
        text = text_of(client.get(link))
        assert "<h1>Will you be there?</h1>" in text
        assert "I&#x27;ll be there" in text or "I'll be there" in text
        assert 'name="answer" value="cannot"' in text
        assert "Plum run" in text
        assert Event.objects.count() == before
        assert client.head(link).status_code == 200
        booking.refresh_from_db()
        assert (booking.confirmed_at, booking.ended_at) == (None, None)

    def test_it_keeps_to_itself(self, client, booking, link):
        answer = client.get(link)
        assert answer["Referrer-Policy"] == "same-origin"
        assert answer["X-Robots-Tag"] == "noindex"
        assert "no-store" in answer["Cache-Control"]
        assert mask(f"GET {link} 200") == "GET /confirm/***/ 200"

    def test_it_names_nobody_else_and_no_phone(self, client, booking, link):
        put(lead_driver(name="Tom Wren", phone="+15555550144"), booking.run, "second")
        text = text_of(client.get(link))
        assert "Tom" not in text
        assert "555-0144" not in text

    @pytest.mark.parametrize("wrong", ["", "x", "1-abc", "99999-abc", "٣-abc", "1-%00"])
    def test_a_wrong_one_is_not_found(self, client, booking, wrong):
        assert client.get(f"/confirm/{wrong or 'none'}/").status_code == 404

    def test_nor_one_for_something_else_or_of_somebody_who_left(self, client, booking, link):
        sheet = links.day_token(own_links.SHEET, booking, booking.run.local_date)
        assert client.get(reverse("confirm", args=[sheet])).status_code == 404
        assert client.get(reverse("confirm", args=[links.token("request", booking, "")])).status_code == 404
        type(booking.person).objects.update(left_on="2027-05-08")
        assert client.get(link).status_code == 404


class TestThere:
    def test_one_tap_says_so(self, client, booking, link):
        assert there(client, link, booking)["Location"] == link
        booking.refresh_from_db()
        assert booking.confirmed_at == NOW
        event = Event.objects.get(verb="confirmed")
        assert (event.by, event.person_id) == (booking.person.user, booking.person_id)
        text = text_of(client.get(link))
        assert "<h1>You will be there</h1>" in text
        assert "I can't make it after all" in text

    def test_a_run_that_has_moved_is_shown_first(self, client, booking, link):
        Run.objects.filter(pk=booking.run_id).update(
            starts_at=booking.run.starts_at + HOUR, ends_at=booking.run.ends_at + HOUR
        )
        answer = there(client, link, booking)
        assert answer.status_code == 409
        assert "another time now" in text_of(answer)
        assert Booking.objects.get().confirmed_at is None

    @pytest.mark.parametrize("starts", ["", "x", "1" * 40])
    def test_without_the_time_it_showed_it_is_asked_again(self, client, booking, link, starts):
        assert there(client, link, booking, starts_at=starts).status_code == 409

    def test_neither_is_asked_again(self, client, booking, link):
        answer = client.post(link, {"answer": "maybe"})
        assert (answer.status_code, "Choose one of the two." in text_of(answer)) == (400, True)

    @pytest.mark.parametrize(
        ("how", "words"), [("over", "This run is over"), ("off", "This run is cancelled. Snow.")]
    )
    def test_too_late_says_why(self, client, booking, link, clock, how, words):
        if how == "over":
            clock.move_to(booking.run.ends_at)
        else:
            cancel_run(booking.run, reason="Snow.", by=None)
        for answer in (client.get(link), there(client, link, booking)):
            assert "<h1>No answer needed</h1>" in text_of(answer)
            assert words in text_of(answer)
        assert not Event.objects.filter(verb="confirmed").exists()


class TestCannot:
    def test_one_tap_gives_the_seat_back(self, client, booking, link):
        assert client.post(link, {"answer": "cannot"})["Location"] == link
        booking.refresh_from_db()
        assert (booking.end, booking.ended_by) == (Booking.End.GIVEN_BACK, booking.person.user)
        text = text_of(client.get(link))
        assert "<h1>You are off this run</h1>" in text
        assert "please call as well" not in text
        assert "Ill? Stay home" in text

    def test_twice_is_once(self, client, booking, link):
        client.post(link, {"answer": "cannot"})
        client.post(link, {"answer": "cannot"})
        assert Event.objects.filter(verb="given back").count() == 1

    @pytest.mark.parametrize(("left", "large"), [(25 * HOUR, False), (24 * HOUR, True), (HOUR, True)])
    def test_within_a_day_the_number_to_call_is_large(self, client, booking, link, clock, left, large):
        Programme.objects.update(contact_name="Cora Desk", contact_phone="+15555550100")
        clock.move_to(booking.run.starts_at - left)
        before = text_of(client.get(link))
        client.post(link, {"answer": "cannot"})
        for text in (before, text_of(client.get(link))):
            assert ("please call as well" in text) == large
            assert ('class="button button--wide" href="tel:+15555550100"' in text) == large

    def test_of_a_regular_run_only_that_date(self, client, booking, link):
        shift, day = Shift.objects.create(name="Plum run"), booking.run.local_date
        standing = Standing.objects.create(
            shift=shift, person=booking.person, anchor=day, from_day=day, made_at=NOW
        )
        Run.objects.update(shift=shift, slot_date=day)
        Booking.objects.update(standing=standing)
        assert "only this date; the other dates stay yours" in text_of(client.get(link))
        client.post(link, {"answer": "cannot"})
        standing.refresh_from_db()
        assert standing.until_day is None
        assert standing.skips.get().first == day

    def test_a_slip_is_undone_there(self, client, booking, link):
        client.post(link, {"answer": "cannot"})
        answer = after_all(client, link, booking)
        again = Booking.objects.live().get()
        assert answer["Location"] == own_links.word_path(again)
        assert (again.person, again.seat) == (booking.person, booking.seat)
        assert after_all(client, link, booking)["Location"] == own_links.word_path(again)

    def test_unless_somebody_was_faster(self, client, booking, link):
        client.post(link, {"answer": "cannot"})
        take(run=booking.run, person=ready_person(), seat="driver", by=None)
        answer = after_all(client, link, booking)
        assert (answer.status_code, "Just taken" in text_of(answer)) == (409, True)

    def test_a_run_that_is_over_stays_as_it_was(self, client, booking, link, clock):
        clock.move_to(booking.run.ends_at)
        client.post(link, {"answer": "cannot"})
        booking.refresh_from_db()
        assert booking.is_live

    def test_taken_out_meanwhile(self, client, booking, link):
        give_back(booking, by=None, end=Booking.End.TAKEN_OUT)
        text = text_of(client.get(link))
        assert "no longer booked" in text
        assert "I can make it after all" not in text
        answer = after_all(client, link, booking)
        assert (answer.status_code, "no longer booked" in text_of(answer)) == (409, True)
        assert not Booking.objects.live().exists(), "the coordinator's word holds"

    def test_a_run_that_has_moved_is_shown_before_the_seat_is_taken_again(self, client, booking, link):
        client.post(link, {"answer": "cannot"})
        Run.objects.update(starts_at=booking.run.starts_at + HOUR, ends_at=booking.run.ends_at + HOUR)
        answer = after_all(client, link, booking)
        assert (answer.status_code, "has another time now" in text_of(answer)) == (409, True)
        assert not Booking.objects.live().exists()


class TestAtTheDesk:
    @pytest.fixture
    def desk(self, client):
        person = coordinator()
        TOTP.activate(person.user, generate_totp_secret())
        client.force_login(person.user)
        return client

    def page(self, desk, booking):
        return text_of(desk.get(reverse("desk_run", args=[booking.run_id])))

    def test_one_tap_notes_what_was_said_by_phone_and_one_undoes_it(self, desk, booking):
        address = reverse("desk_confirmed", args=[booking.run_id])
        Booking.objects.update(booked_at=NOW - 10 * DAY)
        assert "Said they will be there" in self.page(desk, booking)
        desk.post(address, {"booking": booking.pk})
        booking.refresh_from_db()
        assert booking.confirmed_at == NOW
        text = self.page(desk, booking)
        assert "Noted: Ina Quell will be there." in text
        assert "said so Sun, May 9, 10:00 a.m." in text
        assert "Undo: Ina has not said so" in text
        desk.post(address, {"back": booking.pk})
        booking.refresh_from_db()
        assert booking.confirmed_at is None

    def test_it_ends_the_line_on_the_list_to_call(self, desk, booking):
        Message.objects.create(
            key=presence.key_of(booking), kind="confirm", subject="?", text="", state="tell",
            next_try_at=NOW, created_at=NOW,
        )  # fmt: skip
        desk.post(reverse("desk_confirmed", args=[booking.run_id]), {"booking": booking.pk})
        assert not Message.objects.to_tell()

    def test_only_where_their_word_is_asked_for(self, desk, booking, clock):
        assert "Said they will be there" not in self.page(desk, booking)  # they took it just now
        Booking.objects.update(booked_at=NOW - 10 * DAY)
        clock.move_to(NOW - DAY)
        assert "Said they will be there" not in self.page(desk, booking)

    def test_not_of_another_run(self, desk, booking):
        other = make_run()
        answer = desk.post(reverse("desk_confirmed", args=[other.pk]), {"booking": booking.pk})
        assert answer.status_code == 404

    def test_a_seat_given_back_meanwhile_is_said(self, desk, booking):
        give_back(booking, by=None)
        desk.post(reverse("desk_confirmed", args=[booking.run_id]), {"booking": booking.pk})
        assert "Not noted. This seat is no longer booked." in self.page(desk, booking)


class TestOnTheRunsPage:
    def page(self, client, booking):
        client.force_login(booking.person.user)
        return text_of(client.get(reverse("run", args=[booking.run_id])))

    def test_the_question_stands_there_while_it_is_due(self, client, booking, link):
        Booking.objects.update(booked_at=NOW - 10 * DAY)
        text = self.page(client, booking)
        assert f'action="{link}"' in text
        presence.confirm(booking, how=presence.LINK, by=None)
        assert f'action="{link}"' not in self.page(client, booking)

    def test_not_for_whoever_took_it_just_now(self, client, booking, link):
        assert f'action="{link}"' not in self.page(client, booking)

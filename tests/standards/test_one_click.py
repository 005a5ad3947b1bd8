"""Mails that can be turned off, held to RFC 8058 (one-click unsubscribe) and RFC 2369 3.2 (List-Unsubscribe),
read by Python's email parser. Sections and the two requests of RFC 8058 8 are cited from memory."""

import email
import email.policy
import re
from dataclasses import replace
from datetime import time, timedelta

import pytest
from django.test import Client
from django.utils import timezone

from shifts.cover.reminders import remind
from shifts.models import Booking, Policy
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run, reshape_run, shape_of
from sites.models import Event
from tests.factories import PersonFactory, make_ready, make_run, put
from volunteers import outbox, stopping
from volunteers.models import Message, Person

pytestmark = pytest.mark.django_db
FORM = "application/x-www-form-urlencoded"
BOUNDARY = "---FormBoundaryjWmhtjORrn"
MULTIPART = "\r\n".join(
    [
        f"--{BOUNDARY}",
        'Content-Disposition: form-data; name="List-Unsubscribe"',
        "",
        "One-Click",
        f"--{BOUNDARY}--",
        "",
    ]
)


@pytest.fixture(autouse=True)
def https(settings):
    settings.BASE_URL = "https://runs.example.org"


@pytest.fixture
def ana():
    return PersonFactory(name="Ana Bell", email="ana@example.org", sign_in=True)


@pytest.fixture(params=[stopping.REMINDERS, stopping.REQUESTS])
def what(request):
    return request.param


def mail_of(person, what):
    """As it went over the wire, and as a mail program reads it."""
    link = stopping.link_to_stop(person, what) if what else ""
    mail = outbox.Mail("Hello", "Hello.\n", "<p>Hello.</p>", stop=link)
    message = outbox.owe(person=person, mail=mail, kind="test", key=f"test:{what}")
    raw = bytes(message.raw)
    return raw, email.message_from_bytes(raw, policy=email.policy.default)


def address_in(mail):
    """RFC 2369 2: addresses in angle brackets, separated by commas."""
    [address] = re.findall(r"<([^>]*)>", mail["List-Unsubscribe"])
    return address


def one_click(address, body="List-Unsubscribe=One-Click", content_type=FORM):
    """What a mail program sends (RFC 8058 3.2): no cookie, no authorization, no token of a form."""
    program = Client(enforce_csrf_checks=True)
    path = address.removeprefix("https://runs.example.org")
    answer = program.generic("POST", path, body, content_type=content_type)
    assert not program.cookies
    return answer


def wants(person, what):
    return stopping.wants(Person.objects.get(pk=person.pk), what)


class TestHeaders:
    def test_one_https_address_and_the_one_pair(self, ana, what):
        """RFC 8058 3.1: one List-Unsubscribe with one HTTPS URI, and one List-Unsubscribe-Post with exactly
        the pair List-Unsubscribe=One-Click."""
        _raw, mail = mail_of(ana, what)
        assert len(mail.get_all("List-Unsubscribe")) == len(mail.get_all("List-Unsubscribe-Post")) == 1
        assert address_in(mail).startswith("https://runs.example.org/stop/")
        assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"

    def test_the_lines_are_whole_and_short_enough(self, ana, what):
        """RFC 8058 5: the pair stands in one line. RFC 5322 2.1.1: none is longer than 998 characters."""
        raw, mail = mail_of(ana, what)
        lines = raw.partition(b"\r\n\r\n")[0].split(b"\r\n")
        assert b"List-Unsubscribe-Post: List-Unsubscribe=One-Click" in lines
        assert f"List-Unsubscribe: <{address_in(mail)}>".encode() in lines
        assert max(map(len, lines)) <= 998

    def test_the_address_cannot_be_guessed_and_names_nobody(self, ana, what):
        """RFC 8058 3.1: it says who and which list, with a part that is hard to forge."""
        _raw, mail = mail_of(ana, what)
        address = address_in(mail)
        assert "ana" not in address.lower()
        for wrong in (address[:-2] + "/", address[:-5] + "AAAA/", address.replace("/stop/", "/stop/9")):
            assert one_click(wrong).status_code == 404
        assert wants(ana, what)

    def test_mails_that_cannot_be_turned_off_have_neither(self, ana):
        raw, mail = mail_of(ana, "")
        assert mail["List-Unsubscribe"] is mail["List-Unsubscribe-Post"] is None
        assert b"List-Unsubscribe" not in raw

    def test_without_https_there_is_a_page_only(self, ana, what, settings):
        """RFC 8058 3.1 wants HTTPS; RFC 2369 3.2 does not."""
        settings.BASE_URL = "http://localhost:8000"
        _raw, mail = mail_of(ana, what)
        assert address_in(mail).startswith("http://localhost:8000/stop/")
        assert mail["List-Unsubscribe-Post"] is None


class TestPost:
    @pytest.mark.parametrize(
        ("body", "content_type"),
        [("List-Unsubscribe=One-Click", FORM), (MULTIPART, f"multipart/form-data; boundary={BOUNDARY}")],
    )
    def test_both_requests_of_the_examples_turn_it_off(self, ana, what, body, content_type):
        """RFC 8058 8.1 and 8.2; 3.1: no redirect, as some turn a redirected POST into a GET."""
        _raw, mail = mail_of(ana, what)
        answer = one_click(address_in(mail), body, content_type)
        assert answer.status_code == 200
        assert not wants(ana, what)
        other = next(one for one in stopping.FIELDS if one != what)
        assert wants(ana, other)
        event = Event.objects.filter(verb="changed", person_id=ana.pk).get()
        assert event.after == {stopping.FIELDS[what]: False}

    def test_again_changes_nothing(self, ana, what):
        _raw, mail = mail_of(ana, what)
        assert one_click(address_in(mail)).status_code == one_click(address_in(mail)).status_code == 200
        assert Event.objects.filter(verb="changed", person_id=ana.pk).count() == 1

    def test_get_turns_nothing_off(self, ana, what):
        """RFC 8058 1: programs that look at links in mails send GET."""
        _raw, mail = mail_of(ana, what)
        path = address_in(mail).removeprefix("https://runs.example.org")
        assert Client().get(path).status_code == Client().head(path).status_code == 200
        assert wants(ana, what)

    @pytest.mark.parametrize("body", ["", "List-Unsubscribe=", "List-Unsubscribe=Two-Clicks", "turn=off"])
    def test_nor_does_any_other_post(self, ana, what, body):
        _raw, mail = mail_of(ana, what)
        assert one_click(address_in(mail), body).status_code == 400
        assert wants(ana, what)

    def test_of_somebody_who_has_left_too(self, ana, what):
        _raw, mail = mail_of(ana, what)
        Person.objects.update(left_on="2030-01-01")
        assert one_click(address_in(mail)).status_code == 200
        assert not wants(ana, what)


class TestWhich:
    """Reminders and requests can be turned off, and never what somebody must know of their own runs."""

    def test_a_reminder_and_its_question(self, ana):
        starts = timezone.now().replace(microsecond=0) + timedelta(days=3)
        booking = put(make_ready(ana), make_run(starts_at=starts))
        Booking.objects.update(booked_at=starts - timedelta(days=20))
        Policy.objects.update_or_create(pk=1, defaults={"quiet_from": time(0), "quiet_until": time(0)})
        remind(starts - timedelta(hours=47))
        remind(starts - timedelta(minutes=1))
        link = f"<{stopping.link_to_stop(ana, stopping.REMINDERS)}>"
        kinds = set()
        for message in Message.objects.filter(person=booking.person):
            mail = email.message_from_bytes(bytes(message.raw), policy=email.policy.default)
            assert mail["List-Unsubscribe"] == link
            assert link[1:-1] in message.text
            assert link[1:-1] in mail.get_body(("html",)).get_content()
            kinds.add(message.kind)
        assert "reminder" in kinds

    def test_not_a_booking_a_change_or_a_cancellation(self, ana):
        run = make_run()
        booking = seat(run=run, person=make_ready(ana), seat="driver", by=None)
        shape = shape_of(run)
        reshape_run(run, replace(shape, ends_at=shape.ends_at + timedelta(hours=1)), by=None)
        give_back(booking, by=None)
        seat(run=run, person=ana, seat="driver", by=None)
        cancel_run(run, reason="Snow.", by=None)
        raws = [bytes(message.raw) for message in Message.objects.filter(person=ana)]
        assert len(raws) >= 4
        assert not any(b"List-Unsubscribe" in raw or b"/stop/" in raw for raw in raws)

"""The invitation as it goes over the wire, against RFC 5545, RFC 5546 and RFC 6047, and two readers.

Sources named beside each check. The readers are icalendar and the strict PyPI package `ical`.
"""

import email
import email.policy
import re
from datetime import UTC, datetime, timedelta

import pytest
from ical.calendar_stream import IcsCalendarStream
from icalendar import Calendar

from shifts.calendar.components import clean
from shifts.models import CalendarEntry
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import Shape, reshape_run, shape_of
from sites.changes import change_programme, set_contacts
from tests.factories import DropOffFactory, SiteFactory, make_run, ready_person
from volunteers.doors import publish
from volunteers.models import Message

AT = datetime(2026, 10, 1, 12, 0, tzinfo=UTC)
START = datetime(2026, 10, 6, 12, 0, tzinfo=UTC)  # 08:00 in New York
pytestmark = pytest.mark.django_db


@pytest.fixture
def person():
    change_programme(by=None, name="Fernhollow Food Run", contact_email="desk@fernhollow.example")
    return ready_person(name="Añselm Tolliver, Jr.", email="anselm@example.org")


@pytest.fixture
def run():
    market = SiteFactory(name="Brambleway Market; dock 2", street="410 Brambleway, rear")
    set_contacts(market, [{"name": "Teo", "role": "receiving", "phone": "+15555550171"}], by=None)
    run = make_run(
        starts_at=START, title="Morning run", sites=[market, DropOffFactory(name="Harrow Lane Pantry")]
    )
    publish(market, {"entrance": "Dock 2.\nRing once; wait, they come — " + "x" * 200}, by=None, at=AT)
    return run


def mail_of(message):
    return email.message_from_bytes(bytes(message.raw), policy=email.policy.default)


def calendars(message):
    """The two calendar parts of a mail as bytes: the alternative, and the attached file."""
    parts = [
        part
        for part in mail_of(message).walk()
        if part.get_content_type() in ("text/calendar", "application/ics")
    ]
    return [part.get_payload(decode=True) for part in parts]


def event_of(message):
    return Calendar.from_ical(calendars(message)[0]).walk("VEVENT")[0]


def booked(run, person):
    booking = seat(run=run, person=person, seat="driver", by=None, at=AT)
    return booking, Message.objects.get(person=person)


class TestTheMail:
    def test_tree_of_parts(self, run, person):
        """One object twice: an alternative for calendar programs (RFC 6047 2.4), a file for others."""
        _booking, message = booked(run, person)
        mail = mail_of(message)
        assert mail.get_content_type() == "multipart/mixed"
        alternative, attached = mail.iter_parts()
        assert alternative.get_content_type() == "multipart/alternative"
        kinds = [part.get_content_type() for part in alternative.iter_parts()]
        assert kinds == ["text/plain", "text/html", "text/calendar"]
        assert attached.get_content_type() == "application/ics"
        first, second = calendars(message)
        assert first == second

    def test_method_and_charset_stand_once_and_equal_the_object(self, run, person):
        """RFC 6047 2.4: the method parameter is mandatory and equals METHOD; charset as well."""
        booking, message = booked(run, person)
        give_back(booking, by=None, at=AT)
        cancel = Message.objects.get(kind="ended")
        for owed, method in ((message, "REQUEST"), (cancel, "CANCEL")):
            raw = bytes(owed.raw)
            [head] = re.findall(rb"Content-Type: text/calendar.*?\r\n(?!\s)", raw, re.S)
            assert head.count(b"method=") == head.count(b"charset=") == 1
            part = next(p for p in mail_of(owed).walk() if p.get_content_type() == "text/calendar")
            assert part.get_param("method") == method
            assert part.get_param("charset").lower() == "utf-8"
            assert part["Content-Transfer-Encoding"] == "base64"
            assert str(Calendar.from_ical(calendars(owed)[0])["method"]) == method

    def test_lines_of_75_octets_and_crlf(self, run, person):
        """RFC 5545 3.1."""
        _booking, message = booked(run, person)
        body = calendars(message)[0]
        assert not re.search(rb"(?<!\r)\n|\r(?!\n)", body)
        assert body.endswith(b"END:VCALENDAR\r\n")
        assert max(len(line) for line in body.split(b"\r\n")) <= 75
        for line in body.split(b"\r\n"):
            line.decode()  # no fold inside a character

    def test_to_from_and_organizer(self, run, person, settings):
        """The organizer is the mailbox the mail comes from, never the recipient."""
        _booking, message = booked(run, person)
        event, mail = event_of(message), mail_of(message)
        assert event["organizer"] == f"mailto:{settings.DEFAULT_FROM_EMAIL}"
        assert settings.DEFAULT_FROM_EMAIL in mail["From"]
        assert event["attendee"] == "mailto:anselm@example.org"
        assert mail["Reply-To"] == "desk@fernhollow.example"


class TestTheRequest:
    """RFC 5546 3.2.2: what a REQUEST holds, and how often."""

    def test_properties(self, run, person):
        booking, message = booked(run, person)
        event = event_of(message)
        entry = CalendarEntry.objects.get(booking=booking)
        once = [
            "uid",
            "dtstamp",
            "dtstart",
            "dtend",
            "summary",
            "organizer",
            "attendee",
            "sequence",
            "status",
        ]
        assert all(not isinstance(event[name], list) for name in once)
        assert (str(event["uid"]), event["sequence"], str(event["status"])) == (entry.uid, 0, "CONFIRMED")
        params = event["attendee"].params
        # RSVP is FALSE unless said (RFC 5545 3.2.17)
        expected = {
            "CUTYPE": "INDIVIDUAL",
            "ROLE": "REQ-PARTICIPANT",
            "PARTSTAT": "NEEDS-ACTION",
            "RSVP": "TRUE",
        }
        assert {name: params[name] for name in expected} == expected
        assert params["CN"] == "Añselm Tolliver, Jr."

    def test_a_single_run_is_utc_without_a_timezone(self, run, person):
        _booking, message = booked(run, person)
        body = calendars(message)[0]
        assert b"DTSTART:20261006T120000Z" in body
        assert b"DTEND:20261006T130000Z" in body
        assert b"DTSTAMP:20261001T120000Z" in body
        assert b"VTIMEZONE" not in body
        assert b"TZID" not in body

    def test_says_where_when_and_whom_to_ask_for(self, run, person):
        _booking, message = booked(run, person)
        event = event_of(message)
        assert str(event["location"]).startswith("Brambleway Market; dock 2, 410 Brambleway, rear")
        text = str(event["description"])
        assert text.index("8:00 a.m. Brambleway Market") < text.index("8:30 a.m. Harrow Lane Pantry")
        assert "Teo receiving (555) 555-0171" in text
        assert "Ring once; wait" in text
        assert f"/runs/{run.pk}/" in str(event["url"])

    def test_the_person_reads_it_in_their_language(self, run, person):
        person.language = "es"
        person.save()
        _booking, message = booked(run, person)
        assert str(event_of(message)["summary"]) == "Conducir: Morning run"

    def test_the_strict_reader_agrees(self, run, person):
        """`ical` refuses what RFC 5545 does not allow."""
        _booking, message = booked(run, person)
        [event] = IcsCalendarStream.calendar_from_ics(calendars(message)[0].decode()).events
        assert (event.dtstart, event.dtend) == (START, START + timedelta(hours=1))
        assert event.uid == str(event_of(message)["uid"])
        assert event.description == str(event_of(message)["description"])

    def test_uid_says_nothing_of_the_person(self, run, person):
        booking, _message = booked(run, person)
        assert re.fullmatch(r"[0-9a-f]{32}@[\w.-]+", CalendarEntry.objects.get(booking=booking).uid)


class TestTheCancel:
    """RFC 5546 3.2.5."""

    def test_same_uid_higher_sequence_no_alarm(self, run, person):
        booking, request = booked(run, person)
        give_back(booking, by=None, note="A cold", at=AT + timedelta(hours=1))
        cancel = Message.objects.get(kind="ended")
        old, new = event_of(request), event_of(cancel)
        assert new["uid"] == old["uid"]
        assert new["sequence"] == old["sequence"] + 1
        assert str(new["status"]) == "CANCELLED"
        assert new["attendee"] == old["attendee"]
        assert new["organizer"] == old["organizer"]
        assert new["dtstart"].dt == old["dtstart"].dt
        assert old.walk("VALARM")
        assert not new.walk("VALARM")

    def test_an_unsent_request_gives_way_to_the_cancel(self, run, person):
        booking, request = booked(run, person)
        give_back(booking, by=None, at=AT)
        request.refresh_from_db()
        assert request.state == Message.State.REPLACED

    def test_booking_again_is_a_new_event(self, run, person):
        """A cancelled UID is not used again: below its SEQUENCE all is ignored (RFC 5546 4.2.9)."""
        booking, _ = booked(run, person)
        give_back(booking, by=None, at=AT)
        seat(run=run, person=person, seat="driver", by=None, at=AT)
        uids = list(CalendarEntry.objects.values_list("uid", flat=True))
        assert len(uids) == len(set(uids)) == 2


class TestAChange:
    def test_a_new_time_raises_sequence_and_keeps_the_uid(self, run, person):
        """RFC 5546 2.1.4."""
        _booking, request = booked(run, person)
        old = shape_of(run)
        later = timedelta(minutes=30)
        shape = Shape(old.starts_at + later, old.ends_at + later, old.stops, old.crates, old.second_seat)
        assert reshape_run(run, shape, by=None, at=AT)
        changed = Message.objects.get(kind="changed")
        before, after = event_of(request), event_of(changed)
        assert after["uid"] == before["uid"]
        assert after["sequence"] == before["sequence"] + 1
        assert after["dtstart"].dt == START + later
        text = mail_of(changed).get_body(("plain",)).get_content()
        assert "8:30 a.m." in text
        assert "a.m.." not in text

    def test_no_change_sends_nothing(self, run, person):
        booked(run, person)
        assert not reshape_run(run, shape_of(run), by=None, at=AT)
        assert Message.objects.count() == 1


def test_whoever_is_told_by_phone_gets_no_calendar_object(run):
    person = ready_person(by_phone=True)
    booking = seat(run=run, person=person, seat="driver", by=None, at=AT)
    assert CalendarEntry.objects.get(booking=booking).address == ""
    message = Message.objects.get(person=person)
    assert (message.state, bytes(message.raw)) == (Message.State.TELL, b"")


def test_control_characters_are_stripped():
    """They are not allowed in TEXT (RFC 5545 3.1, CONTROL)."""
    assert clean("a\x00b\x07c\x7f\r\nd\te") == "abc\nd\te"

"""The calendar feed: what it holds, its validators, and what it must not hold."""

import email
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime

import pytest
import time_machine
from ical.calendar_stream import IcsCalendarStream
from icalendar import Calendar

from shifts.calendar import feed as feeds
from shifts.models import CalendarEntry
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run
from tests.factories import PersonFactory, make_run, ready_person
from volunteers.models import Message
from volunteers.people import new_feed_link

AT = datetime(2026, 10, 1, 12, 0, tzinfo=UTC)
pytestmark = pytest.mark.django_db


@pytest.fixture
def person():
    return ready_person()


def book(person, days=3, **facts):
    run = make_run(starts_at=AT + timedelta(days=days), **facts)
    return seat(run=run, person=person, seat="driver", by=None, at=AT)


def read(person, at=AT):
    return Calendar.from_ical(feeds.feed(person, at=at).body)


class TestWhatItHolds:
    def test_the_same_uid_as_the_invitation_and_nothing_of_an_invitation(self, person):
        """RFC 5545 3.8.4.1 and 3.8.4.3: a published calendar carries no ATTENDEE and no ORGANIZER."""
        booking = book(person)
        calendar = read(person)
        [event] = calendar.walk("VEVENT")
        assert str(event["uid"]) == CalendarEntry.objects.get(booking=booking).uid
        mail = email.message_from_bytes(bytes(Message.objects.get().raw))
        invitation = next(part for part in mail.walk() if part.get_content_type() == "text/calendar")
        assert f"UID:{event['uid']}".encode() in invitation.get_payload(decode=True).replace(b"\r\n ", b"")
        body = feeds.feed(person, at=AT).body
        for name in (b"ATTENDEE", b"ORGANIZER", b"METHOD"):
            assert name not in body

    def test_head(self, person):
        """RFC 7986 5.1, 5.7, 5.8; VALUE is required on REFRESH-INTERVAL."""
        body = feeds.feed(person, at=AT).body.replace(b"\r\n ", b"")
        assert b"REFRESH-INTERVAL;VALUE=DURATION:PT1H\r\n" in body
        assert b"SOURCE;VALUE=URI:http" in body
        for name in (b"\r\nNAME:", b"\r\nX-WR-CALNAME:", b"\r\nX-PUBLISHED-TTL:PT1H", b"VERSION:2.0"):
            assert name in body

    def test_written_as_icalendar_writes_it(self, person):
        """We fold lines that are alike but once; the bytes are icalendar's own."""
        book(person, title="Bread, greens; a title long enough to fold: " + "é" * 20)
        book(person, days=5)
        body = feeds.feed(person, at=AT).body
        assert Calendar.from_ical(body).to_ical() == body
        assert body.count(b"BEGIN:VALARM") == body.count(b"BEGIN:VEVENT") == 2

    def test_nothing_to_be_reminded_of_in_an_empty_feed(self, person):
        assert b"VALARM" not in feeds.feed(person, at=AT).body

    def test_dtstamp_equals_last_modified(self, person):
        """RFC 5545 3.8.7.2."""
        book(person)
        [event] = read(person).walk("VEVENT")
        assert event["dtstamp"].dt == event["last-modified"].dt

    def test_read_by_the_strict_reader(self, person):
        book(person)
        book(person, days=5)
        text = feeds.feed(person, at=AT).body.decode()
        assert len(IcsCalendarStream.calendar_from_ics(text).events) == 2

    def test_an_empty_feed_holds_one_component(self, person):
        """RFC 5545 3.6."""
        text = feeds.feed(person, at=AT).body.decode()
        assert len(IcsCalendarStream.calendar_from_ics(text).events) == 1

    def test_four_weeks_back_and_no_further(self, person):
        book(person, days=1)
        ran_on = (AT + timedelta(days=1)).date()
        inside = datetime(2026, 10, 30, 3, 59, tzinfo=UTC)  # the last minute of Oct 29 in New York
        assert ran_on + timedelta(weeks=4) == datetime(2026, 10, 30, tzinfo=UTC).date()
        assert str(read(person, inside).walk("VEVENT")[0]["summary"]) == "Drive: Morning run"
        outside = datetime(2026, 10, 31, 4, 0, tzinfo=UTC)  # midnight in New York, 29 days on
        assert "Drive" not in str(read(person, outside).walk("VEVENT")[0]["summary"])

    def test_given_back_and_cancelled_runs_leave(self, person):
        first, second = book(person), book(person, days=5)
        give_back(first, by=None, at=AT)
        cancel_run(second.run, reason="Snow", by=None, at=AT)
        assert "Drive" not in feeds.feed(person, at=AT).body.decode()

    def test_other_peoples_runs_are_not_in_it(self, person):
        book(ready_person())
        assert b"Drive" not in feeds.feed(person, at=AT).body


class TestValidators:
    def test_the_same_data_gives_the_same_bytes_and_validators(self, person):
        book(person)
        person.refresh_from_db()
        first = feeds.feed(person, at=AT)
        person.refresh_from_db()
        assert feeds.feed(person, at=AT + timedelta(hours=3)) == first

    def test_two_changes_in_one_second_have_two_dates(self, person):
        """A Last-Modified that does not move would answer 304 to a change (RFC 9110 8.8.2.2)."""
        first = feeds.feed(person, at=AT)
        book(person)
        person.refresh_from_db()
        assert feeds.feed(person, at=AT).validators.changed_at > first.validators.changed_at


class TestOverHttp:
    @pytest.fixture
    def address(self, person):
        return feeds.path(person)

    def test_what_a_calendar_program_gets(self, client, person, address):
        response = client.get(address)
        assert response.status_code == 200
        assert response["Content-Type"] == "text/calendar; charset=utf-8"
        assert response["Cache-Control"] == "private, no-cache"
        assert response["X-Robots-Tag"] == "noindex"
        assert response["Referrer-Policy"] == "no-referrer"
        assert not response.cookies
        assert "Content-Encoding" not in response
        assert "Accept" not in response.get("Vary", "")

    def test_not_modified_by_either_validator_and_both_come_back(self, client, address):
        """RFC 9110 13.1 and 15.4.5."""
        first = client.get(address)
        for header in ({"If-None-Match": first["ETag"]}, {"If-Modified-Since": first["Last-Modified"]}):
            again = client.get(address, headers=header)
            assert again.status_code == 304
            assert again.content == b""
            assert again["ETag"] == first["ETag"]
            assert again["Last-Modified"] == first["Last-Modified"]

    def test_if_none_match_goes_before_if_modified_since(self, client, address):
        """RFC 9110 13.1.3."""
        first = client.get(address)
        headers = {"If-None-Match": '"other"', "If-Modified-Since": first["Last-Modified"]}
        assert client.get(address, headers=headers).status_code == 200

    def test_a_change_is_fetched(self, client, person, address):
        with time_machine.travel(AT, tick=False):
            first = client.get(address)
            book(person)
            again = client.get(address, headers={"If-None-Match": first["ETag"]})
        assert again.status_code == 200
        assert parsedate_to_datetime(again["Last-Modified"]) > parsedate_to_datetime(first["Last-Modified"])

    def test_head_says_the_same_without_a_body(self, client, address):
        head, get = client.head(address), client.get(address)
        assert (head.status_code, head["ETag"], head.content) == (200, get["ETag"], b"")

    @pytest.mark.parametrize("method", ["post", "put", "delete"])
    def test_nothing_else(self, client, address, method):
        assert getattr(client, method)(address).status_code == 405

    def test_a_new_link_ends_the_old_one(self, client, person, address):
        fresh = feeds.path(new_feed_link(person, by=None))
        assert client.get(address).status_code == 404
        assert client.get(fresh).status_code == 200

    def test_wrong_links(self, client, person, address):
        other = feeds.path(PersonFactory())
        mixed = f"/cal/{person.pk}-{other.partition('-')[2]}"
        for wrong in (mixed, "/cal/x.ics", "/cal/0-.ics", f"/cal/{'9' * 40}-a.ics", address[:-5] + ".ics"):
            assert client.get(wrong).status_code == 404

    def test_whoever_left_has_no_feed(self, client, person, address):
        person.left_on = AT.date()
        person.save()
        assert client.get(address).status_code == 404

    def test_the_address_is_short_enough_for_every_calendar(self, person, settings):
        """Below 256 characters: reported of one large calendar program, no published source."""
        settings.BASE_URL = "https://" + "x" * 60 + ".example.org"
        assert len(settings.BASE_URL + feeds.path(person)) < 256

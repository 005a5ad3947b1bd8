"""The private feed as a signed-in browser gets it, and what a monitor is told."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.db import OperationalError, connection

from shifts import worker
from shifts.calendar import feed as feeds
from shifts.seats.booking import seat
from tests.factories import PersonFactory, make_run, ready_person

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 2, 14, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


class TestFeed:
    def test_a_sign_in_beside_the_link_changes_nothing(self, client):
        """The link is the key: whose sign-in or which language the browser has is of no account."""
        person, other = ready_person(), PersonFactory(sign_in=True)
        seat(run=make_run(), person=person, seat="driver", by=None, at=NOW)
        bare = client.get(feeds.path(person))
        client.force_login(other.user)
        signed_in = client.get(feeds.path(person), headers={"Accept-Language": "es"})
        assert b"Morning run" in bare.content
        assert signed_in.content == bare.content
        for answer in (bare, signed_in):
            assert "Vary" not in answer
            assert not answer.cookies

    def test_no_compression_even_when_it_is_offered(self, client):
        answer = client.get(feeds.path(PersonFactory()), headers={"Accept-Encoding": "gzip"})
        assert answer.content.startswith(b"BEGIN:VCALENDAR\r\n")

    def test_the_headers_stand_on_304_as_well(self, client):
        """RFC 9110 15.4.5: Cache-Control as the 200 would have it."""
        address = feeds.path(PersonFactory())
        first = client.get(address)
        again = client.get(address, headers={"If-None-Match": first["ETag"]})
        assert again.status_code == 304
        for name in ("Cache-Control", "X-Robots-Tag", "Referrer-Policy", "ETag", "Last-Modified"):
            assert again[name] == first[name]

    @pytest.mark.parametrize("value", ["garbage", '"', "W/", "\x7f", "*, *"])
    def test_garbage_validators_get_the_feed(self, client, value):
        headers = {"If-None-Match": value, "If-Modified-Since": value}
        assert client.get(feeds.path(PersonFactory()), headers=headers).status_code == 200

    def test_other_pages_vary_as_before(self, client):
        assert "Cookie" in client.get("/account/login/")["Vary"]


class TestHealth:
    def test_well(self, client):
        worker.beat(NOW - timedelta(minutes=1))
        answer = client.get("/healthz")
        assert answer.status_code == 200
        assert answer.json() == {
            "database": "ok",
            "worker": "ok",
            "worker_seen": "2026-06-02T13:59:00+00:00",
        }
        assert answer["Cache-Control"] == "no-store"

    @pytest.mark.parametrize(
        "seen", [None, NOW - worker.LATE - timedelta(seconds=1)], ids=["never", "long ago"]
    )
    def test_a_late_worker_is_said_and_the_pages_stay_in_service(self, client, seen):
        if seen:
            worker.beat(seen)
        answer = client.get("/healthz")
        assert (answer.status_code, answer.json()["worker"]) == (200, "late")

    def test_503_when_the_database_is_away(self, client):
        def away(execute, sql, params, many, context):
            raise OperationalError("connection refused")

        with connection.execute_wrapper(away):
            answer = client.get("/healthz")
        assert answer.status_code == 503
        assert answer.json() == {"database": "away", "worker": "unknown", "worker_seen": None}

    def test_get_and_head_only(self, client):
        assert client.head("/healthz").status_code == 200
        assert client.post("/healthz").status_code == 405

"""Who else is along: noted by the driver, or at the desk; taken away with one tap."""

import pytest
import time_machine
from django.urls import reverse

from tests.factories import lead_driver, make_run, put, ready_person
from tests.shifts.pages.at_the_desk import (
    NOW,
    desk_client,
    errors_of,
    said,
    survives_nonsense,
    text_of,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ana(client):
    person = ready_person(name="Ana Bell", email="ana@example.org", sign_in=True)
    client.force_login(person.user)
    return person


@pytest.fixture
def booking(ana):
    return put(ana, make_run())


def mine(booking):
    return reverse("also", args=[booking.run_id])


def at_desk(booking):
    return reverse("desk_also", args=[booking.run_id])


def test_the_driver_notes_it_with_the_cautions_in_sight(client, booking):
    assert mine(booking) in client.get(f"/runs/{booking.run_id}/").content.decode()
    page = text_of(client.get(mine(booking)))
    assert "Everybody wears a seat belt" in page
    assert "insurer first" in page
    client.post(mine(booking), {"names": "Lee and Kim", "count": 2})
    booking.refresh_from_db()
    assert (booking.also, booking.also_count) == ("Lee and Kim", 2)
    run = text_of(client.get(f"/runs/{booking.run_id}/"))
    assert "Also along: Lee and Kim" in run
    assert "2 more along" in run


def test_taken_away_with_one_tap(client, booking):
    client.post(mine(booking), {"names": "Lee", "count": 1})
    answer = client.post(mine(booking), {"nobody": "yes"})
    assert answer["Location"] == f"/runs/{booking.run_id}/"
    booking.refresh_from_db()
    assert (booking.also, booking.also_count) == ("", 0)


@pytest.mark.parametrize(
    ("facts", "field"), [({"count": 2}, "names"), ({"names": "Lee", "count": 9}, "count")]
)
def test_refused_in_place(client, booking, facts, field):
    assert field in errors_of(client.post(mine(booking), facts))
    booking.refresh_from_db()
    assert booking.also == ""


def test_names_are_for_those_on_the_run(client, booking):
    booking.also, booking.also_count = "Lee", 1
    booking.save()
    rider = lead_driver(email="bo@example.org", sign_in=True)
    put(rider, booking.run, "second")
    client.force_login(rider.user)
    assert "Also along: Lee" in text_of(client.get(f"/runs/{booking.run_id}/"))
    assert client.post(mine(booking), {"names": "Kim", "count": 1}).status_code == 404  # they do not drive
    client.force_login(ready_person(email="cy@example.org", sign_in=True).user)
    assert "Lee" not in text_of(client.get(f"/runs/{booking.run_id}/"))
    assert client.post(mine(booking), {"names": "Kim", "count": 1}).status_code == 404


def test_over_it_stays_as_it_was(client, booking):
    with time_machine.travel(booking.run.ends_at, tick=False):
        client.force_login(booking.person.user)
        assert "over" in errors_of(client.post(mine(booking), {"names": "Lee", "count": 1}))["__all__"]
        assert "over" in said(client.post(mine(booking), {"nobody": "yes"}))
    booking.refresh_from_db()
    assert booking.also == ""


def test_at_the_desk(booking):
    desk = desk_client()
    desk.post(at_desk(booking), {"names": "Lee", "count": 1})
    page = text_of(desk.get(reverse("desk_run", args=[booking.run_id])))
    assert "Also along: Lee" in page
    assert "1 more along" in page
    desk.post(at_desk(booking), {"nobody": "yes"})
    booking.refresh_from_db()
    assert booking.also == ""
    empty = make_run()
    assert "Nobody drives this run" in said(desk.get(reverse("desk_also", args=[empty.pk])))


def test_nonsense(client, booking):
    survives_nonsense(client, mine(booking), ("names", "count"))
    survives_nonsense(desk_client(), at_desk(booking), ("names", "count"))

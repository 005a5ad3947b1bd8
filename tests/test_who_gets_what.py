"""Who gets what at every address. A new address without a row fails."""

from datetime import timedelta

import pytest
from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from shifts.calendar import feed as feeds
from shifts.models import Booking
from shifts.schedule.making import Plan, add_shift
from sites.changes import close_site
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_ready,
    make_run,
    put,
)
from volunteers.doors import publish
from volunteers.models import Message, Step
from volunteers.outbox import Mail, owe
from volunteers.people import add_away

# Columns: a visitor, another volunteer, the person it is about, the lead driver of their run, a coordinator.
# "in": sent to sign in. Numbers: the answer's status; 302 after a POST is "done, and back to a page".
# A coordinator here is somebody's sign-in too, and has set up a second factor.
IN = "in"
GET, POST = "get", "post"
TABLE: dict[tuple[str, str], tuple] = {
    # the volunteer's
    ("home", GET): (200, 200, 200, 200, 200),
    ("runs", GET): (IN, 200, 200, 200, 200),
    ("run", GET): (IN, 200, 200, 200, 200),
    ("book", POST): (IN, 400, 400, 400, 400),  # without saying which seat
    ("give_back", GET): (IN, 404, 200, 200, 404),
    ("sign_off", POST): (IN, 404, 404, 409, 404),  # the ride is still to come
    ("orientation", GET): (IN, 200, 200, 200, 200),
    ("briefing", GET): (IN, 200, 200, 200, 200),
    ("doors", GET): (IN, 200, 200, 200, 200),
    ("calendar", GET): (IN, 200, 200, 200, 200),
    ("new_link", POST): (IN, 302, 302, 302, 302),
    ("me", GET): (IN, 200, 200, 200, 200),
    ("my_hours", POST): (IN, 302, 302, 302, 302),
    ("my_car", POST): (IN, 302, 302, 302, 302),
    ("my_away", POST): (IN, 200, 200, 200, 200),  # without dates
    ("my_away_end", POST): (IN, 404, 302, 404, 404),
    ("act_for", POST): (IN, 404, 404, 404, 404),  # for nobody named
    # with a private link, or open to all
    ("feed", GET): (200, 200, 200, 200, 200),
    ("healthz", GET): (200, 200, 200, 200, 200),
    # the desk
    ("desk", GET): (IN, 403, 403, 403, 200),
    ("second_factor", GET): (IN, 403, 403, 403, 200),
    ("desk_week", GET): (IN, 403, 403, 403, 200),
    ("desk_orientation", GET): (IN, 403, 403, 403, 200),
    ("desk_told", POST): (IN, 403, 403, 403, 302),
    ("desk_not_told", POST): (IN, 403, 403, 403, 302),
    ("desk_try_again", POST): (IN, 403, 403, 403, 302),
    ("desk_new_run", GET): (IN, 403, 403, 403, 200),
    ("desk_run", GET): (IN, 403, 403, 403, 200),
    ("desk_seat", POST): (IN, 403, 403, 403, 404),  # nobody named
    ("desk_unseat", POST): (IN, 403, 403, 403, 404),
    ("desk_cancel", POST): (IN, 403, 403, 403, 302),
    ("desk_restore", POST): (IN, 403, 403, 403, 302),
    ("desk_second_car", POST): (IN, 403, 403, 403, 302),
    ("desk_note", POST): (IN, 403, 403, 403, 302),
    ("desk_sign_off", POST): (IN, 403, 403, 403, 409),
    ("desk_people", GET): (IN, 403, 403, 403, 200),
    ("desk_new_person", GET): (IN, 403, 403, 403, 200),
    ("desk_import", GET): (IN, 403, 403, 403, 200),
    ("desk_person", GET): (IN, 403, 403, 403, 200),
    ("desk_edit_person", GET): (IN, 403, 403, 403, 200),
    ("desk_step_done", POST): (IN, 403, 403, 403, 302),
    ("desk_step_back", POST): (IN, 403, 403, 403, 200),
    ("desk_appoint", POST): (IN, 403, 403, 403, 302),
    ("desk_leave", POST): (IN, 403, 403, 403, 302),
    ("desk_car", POST): (IN, 403, 403, 403, 302),
    ("desk_hours", POST): (IN, 403, 403, 403, 302),
    ("desk_away", POST): (IN, 403, 403, 403, 200),
    ("desk_away_end", POST): (IN, 403, 403, 403, 302),
    ("desk_sites", GET): (IN, 403, 403, 403, 200),
    ("desk_new_site", GET): (IN, 403, 403, 403, 200),
    ("desk_site", GET): (IN, 403, 403, 403, 200),
    ("desk_door_notes", GET): (IN, 403, 403, 403, 200),
    ("desk_contacts", POST): (IN, 403, 403, 403, 302),
    ("desk_close", POST): (IN, 403, 403, 403, 200),
    ("desk_lift", POST): (IN, 403, 403, 403, 302),
    ("desk_shifts", GET): (IN, 403, 403, 403, 200),
    ("desk_new_shift", GET): (IN, 403, 403, 403, 200),
    ("desk_shift", GET): (IN, 403, 403, 403, 200),
    ("desk_shift_end", POST): (IN, 403, 403, 403, 200),
    ("desk_settings", GET): (IN, 403, 403, 403, 200),
    ("desk_test_mail", POST): (IN, 403, 403, 403, 302),
}
WHO = ("visitor", "another volunteer", "the person", "the lead driver", "a coordinator")
NAMES = {name for name, _method in TABLE}


def own_patterns(resolver=None):
    """Every address of ours; allauth's own live under /account/ and answer for themselves."""
    for pattern in (resolver or get_resolver()).url_patterns:
        if isinstance(pattern, URLResolver):
            if str(pattern.pattern) != "account/":
                yield from own_patterns(pattern)
        elif isinstance(pattern, URLPattern):
            yield pattern


def test_every_address_has_a_row():
    assert {pattern.name for pattern in own_patterns()} == NAMES


@pytest.fixture
def world(db, client):
    site, drop = SiteFactory(), DropOffFactory()
    publish(site, {"entrance": "The blue door"}, by=None)
    lead = lead_driver(sign_in=True)
    person = PersonFactory(sign_in=True)
    other = PersonFactory(sign_in=True)
    desk = coordinator()
    TOTP.activate(desk.user, generate_totp_secret())
    run = make_run(sites=[site, drop])
    put(lead, run)
    put(person, run, Booking.Seat.SECOND)
    make_ready(lead)
    license = Step.objects.get(code="form")
    completion = person.completions.create(step=license, valid_from="2026-01-01", recorded_at=timezone.now())
    day = timezone.now().date()
    later = day + timedelta(days=90)
    shift = add_shift(
        name="Weekly", from_day=day, by=None,
        plan=Plan(
            rule="FREQ=WEEKLY;BYDAY=MO", starts=timezone.now().time(), minutes=60,
            stops=((site.pk, 0), (drop.pk, 30)),
        ),
    )  # fmt: skip
    owe(person=PersonFactory(by_phone=True), mail=Mail("Hello", "Hello", "Hello"), kind="booked", key="hello")
    keys = {
        "message": Message.objects.get(key="hello").pk, "run": run.pk, "person": person.pk, "site": site.pk,
        "step": license.pk, "completion": completion.pk, "shift": shift.pk,
        "away": add_away(person, first=day, last=day + timedelta(days=1), by=None).pk,
        "closure": close_site(site, first=later, last=later, by=None).pk,
        "token": feeds.path(person).removeprefix("/cal/").removesuffix(".ics"),
    }  # fmt: skip
    return keys, dict(zip(WHO, [None, other.user, person.user, lead.user, desk.user], strict=True))


# Which row an address's number means, by the beginning of its name.
MEANS = {
    "desk_told": "message", "desk_not_told": "message", "desk_try_again": "message", "doors": "site",
    "my_away_end": "away", "desk_away_end": "away", "desk_lift": "closure", "desk_step_back": "completion",
    "desk_site": "site", "desk_door_notes": "site", "desk_contacts": "site", "desk_close": "site",
    "desk_shift": "shift", "desk_shift_end": "shift", "desk_person": "person", "desk_edit_person": "person",
    "desk_step_done": "person", "desk_appoint": "person", "desk_leave": "person", "desk_car": "person",
    "desk_hours": "person", "desk_away": "person",
}  # fmt: skip


def address(name, keys):
    [pattern] = [pattern for pattern in own_patterns() if pattern.name == name]
    wanted = pattern.pattern.regex.groupindex
    values = {"pk": keys[MEANS.get(name, "run")], "step": keys["step"], "token": keys["token"]}
    return reverse(name, kwargs={key: values[key] for key in wanted})


@pytest.mark.parametrize("who", WHO)
@pytest.mark.parametrize(("name", "method"), TABLE)
def test_who_gets_what(client, world, name, method, who):
    keys, users = world
    if users[who]:
        client.force_login(users[who])
    response = getattr(client, method)(address(name, keys))
    expected = TABLE[name, method][WHO.index(who)]
    if expected == IN:
        assert (response.status_code, response["Location"].startswith("/account/login/")) == (302, True)
    else:
        assert response.status_code == expected
        if expected == 302:
            assert not response["Location"].startswith("/account/")


@pytest.mark.parametrize("name", sorted(name for name, method in TABLE if method == POST))
def test_what_changes_something_is_not_done_by_get(client, world, name):
    """A link in a mail, or a program that follows links, changes nothing."""
    keys, users = world
    client.force_login(users["a coordinator" if name.startswith("desk") else "the person"])
    response = client.get(address(name, keys))
    assert response.status_code in (200, 405)
    assert Booking.objects.live().count() == 2

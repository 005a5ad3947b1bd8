"""Who gets what at every address. A new address without a row fails."""

from contextlib import contextmanager
from datetime import timedelta

import pytest
from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret
from django.db import transaction
from django.test import Client
from django.utils import timezone

from shifts.models import Booking, CoverTurn
from tests.world import WHO, address, build_world, own_patterns
from volunteers.progress import today

# Columns: a visitor, another volunteer, the person it is about, the lead driver of their run, a coordinator.
# "in": sent to sign in. Numbers: the answer's status; 302 after a POST is "done, and back to a page".
# A coordinator here is somebody's sign-in too, and has set up a second factor. A 200 after a POST is the
# form again, with what it lacks said in place.
IN = "in"
GET, POST = "get", "post"
TABLE: dict[tuple[str, str], tuple] = {
    # the volunteer's
    ("home", GET): (200, 200, 200, 200, 200),
    ("runs", GET): (IN, 200, 200, 200, 200),
    ("run", GET): (IN, 200, 200, 200, 200),
    ("book", POST): (IN, 400, 400, 400, 400),  # without saying which seat
    ("give_back", GET): (IN, 404, 200, 200, 404),
    ("reroute", POST): (IN, 404, 404, 409, 404),  # the run is days away, and has no fallback
    ("sheet", GET): (IN, 404, 200, 200, 200),
    ("sign_off", POST): (IN, 404, 404, 409, 404),  # the ride is still to come
    ("ride_how", POST): (IN, 404, 404, 302, 404),  # without saying how
    ("regular_begin", GET): (IN, 200, 200, 200, 200),
    ("regular_begin", POST): (IN, 400, 400, 400, 400),  # without saying how often
    ("hand_over_ask", GET): (IN, 404, 302, 200, 404),  # in the second seat: back to the run
    ("hand_over_withdraw", POST): (IN, 404, 302, 302, 404),
    ("regular", GET): (IN, 404, 200, 404, 404),
    ("regular_skip", POST): (IN, 404, 200, 404, 404),  # without dates
    ("regular_unskip", POST): (IN, 404, 404, 404, 404),  # no skip named
    ("regular_name", POST): (IN, 404, 404, 404, 404),  # nobody named
    ("regular_stop", GET): (IN, 404, 200, 404, 404),
    ("regular_stop", POST): (IN, 404, 200, 404, 404),  # without a day
    ("orientation", GET): (IN, 200, 200, 200, 200),
    ("briefing", GET): (IN, 200, 200, 200, 200),
    ("briefing", POST): (IN, 409, 409, 302, 409),  # without saying which revision; the lead has read it
    ("briefing_of", GET): (IN, 200, 200, 200, 200),
    ("briefing_of", POST): (IN, 409, 409, 302, 409),
    ("doors", GET): (IN, 200, 200, 200, 200),
    ("paper", GET): (IN, 200, 200, 200, 200),
    ("paper", POST): (IN, 409, 409, 409, 409),  # photographs are not taken
    ("calendar", GET): (IN, 200, 200, 200, 200),
    ("calendar", POST): (IN, 200, 200, 200, 200),  # without a choice
    ("new_link", GET): (IN, 200, 200, 200, 200),
    ("new_link", POST): (IN, 302, 302, 302, 302),
    ("me", GET): (IN, 200, 200, 200, 200),
    ("my_mails", POST): (IN, 302, 302, 302, 302),
    ("my_hours", POST): (IN, 302, 302, 302, 302),
    ("my_car", POST): (IN, 302, 302, 302, 302),
    ("my_away", POST): (IN, 200, 200, 200, 200),  # without dates
    ("my_away_end", POST): (IN, 404, 302, 404, 404),
    ("my_break", GET): (IN, 200, 200, 200, 200),
    ("my_break", POST): (IN, 400, 400, 400, 400),  # without saying what
    ("also", GET): (IN, 404, 404, 200, 404),
    ("act_for", POST): (IN, 404, 404, 404, 404),  # for nobody named
    ("my_help", POST): (IN, 200, 200, 200, 200),  # without a day
    ("my_help_back", POST): (IN, 404, 302, 404, 404),
    ("join_answer", GET): (IN, 302, 302, 302, 302),  # nothing was asked
    # with a private link, or open to all
    ("join", GET): (200, 200, 200, 200, 200),
    ("join", POST): (200, 200, 200, 200, 200),  # nothing filled in
    ("join_more", GET): (302, 200, 200, 200, 200),  # to the first page; signed in, that they are
    ("join_more", POST): (302, 200, 200, 200, 200),
    ("join_code", GET): (302, 200, 200, 200, 200),
    ("join_code", POST): (302, 200, 200, 200, 200),
    ("feed", GET): (200, 200, 200, 200, 200),
    ("hand_over", GET): (200, 200, 200, 200, 200),
    ("hand_over", POST): (400, 400, 400, 400, 400),  # neither yes nor no
    ("ride_answer", GET): (200, 200, 200, 200, 200),
    ("ride_answer", POST): (400, 400, 400, 400, 400),  # neither yes nor no
    ("request_answer", GET): (200, 200, 200, 200, 200),
    ("request_answer", POST): (400, 400, 400, 400, 400),  # none of the answers
    ("confirm", GET): (200, 200, 200, 200, 200),
    ("confirm", POST): (400, 400, 400, 400, 400),  # neither yes nor no
    ("sheet_by_link", GET): (200, 200, 200, 200, 200),  # days before the run only that it is not open
    ("sheet_by_link", POST): (200, 200, 200, 200, 200),
    ("unsubscribe", GET): (200, 200, 200, 200, 200),
    ("unsubscribe", POST): (400, 400, 400, 400, 400),  # without saying what
    ("healthz", GET): (200, 200, 200, 200, 200),
    ("service_worker", GET): (200, 200, 200, 200, 200),
    ("offline_token", GET): (200, 200, 200, 200, 200),
    # the desk
    ("desk", GET): (IN, 403, 403, 403, 200),
    ("second_factor", GET): (IN, 403, 403, 403, 302),
    ("desk_week", GET): (IN, 403, 403, 403, 200),
    ("desk_days", GET): (IN, 403, 403, 403, 200),
    ("desk_days", POST): (IN, 403, 403, 403, 302),  # nothing chosen
    ("desk_days_undo", POST): (IN, 403, 403, 403, 302),
    ("desk_orientation", GET): (IN, 403, 403, 403, 200),
    ("desk_rides", GET): (IN, 403, 403, 403, 200),
    ("desk_rides", POST): (IN, 403, 403, 403, 302),  # nothing chosen
    ("desk_ride_how", POST): (IN, 403, 403, 403, 302),  # without saying how
    ("desk_told", POST): (IN, 403, 403, 403, 302),
    ("desk_not_told", POST): (IN, 403, 403, 403, 302),
    ("desk_try_again", POST): (IN, 403, 403, 403, 302),
    ("desk_reply_done", POST): (IN, 403, 403, 403, 302),
    ("desk_reply_open", POST): (IN, 403, 403, 403, 302),
    ("desk_new_run", GET): (IN, 403, 403, 403, 200),
    ("desk_run", GET): (IN, 403, 403, 403, 200),
    ("desk_seat", POST): (IN, 403, 403, 403, 404),  # nobody named
    ("desk_called", POST): (IN, 403, 403, 403, 404),  # nobody named
    ("desk_search", POST): (IN, 403, 403, 403, 302),  # without saying what
    ("desk_seen", POST): (IN, 403, 403, 403, 302),
    ("desk_unseat", POST): (IN, 403, 403, 403, 404),
    ("desk_cancel", POST): (IN, 403, 403, 403, 200),
    ("desk_restore", POST): (IN, 403, 403, 403, 302),
    ("desk_second_car", POST): (IN, 403, 403, 403, 302),
    ("desk_change_run", GET): (IN, 403, 403, 403, 200),
    ("desk_change_run", POST): (IN, 403, 403, 403, 200),  # nothing said
    ("desk_also", GET): (IN, 403, 403, 403, 200),
    ("desk_also", POST): (IN, 403, 403, 403, 200),  # nobody named
    ("desk_note", POST): (IN, 403, 403, 403, 302),
    ("desk_confirmed", POST): (IN, 403, 403, 403, 404),  # nobody named
    ("desk_no_show", POST): (IN, 403, 403, 403, 404),  # nobody named
    ("desk_talked", POST): (IN, 403, 403, 403, 302),
    ("desk_cover", GET): (IN, 403, 403, 403, 200),
    ("desk_cover", POST): (IN, 403, 403, 403, 200),  # nobody chosen
    ("desk_plan", GET): (IN, 403, 403, 403, 200),
    ("desk_plan", POST): (IN, 403, 403, 403, 302),  # nothing chosen
    ("desk_plan_wish", POST): (IN, 403, 403, 403, 404),  # no run named
    ("desk_handover", GET): (IN, 403, 403, 403, 200),
    ("desk_reroute", POST): (IN, 403, 403, 403, 302),
    ("desk_sign_off", POST): (IN, 403, 403, 403, 200),
    ("desk_sign_off_back", GET): (IN, 403, 403, 403, 200),
    ("desk_sign_off_back", POST): (IN, 403, 403, 403, 200),  # without a reason
    ("desk_people", GET): (IN, 403, 403, 403, 200),
    ("desk_new_person", GET): (IN, 403, 403, 403, 200),
    ("desk_import", GET): (IN, 403, 403, 403, 200),
    ("desk_person", GET): (IN, 403, 403, 403, 200),
    ("desk_edit_person", GET): (IN, 403, 403, 403, 200),
    ("desk_step_done", POST): (IN, 403, 403, 403, 200),
    ("desk_step_back", POST): (IN, 403, 403, 403, 200),
    ("desk_appoint", POST): (IN, 403, 403, 403, 302),
    ("desk_hello", POST): (IN, 403, 403, 403, 302),
    ("desk_no_lead_now", POST): (IN, 403, 403, 403, 302),
    ("desk_leave", POST): (IN, 403, 403, 403, 302),
    ("desk_break", GET): (IN, 403, 403, 403, 200),
    ("desk_break", POST): (IN, 403, 403, 403, 302),
    ("desk_safety", GET): (IN, 403, 403, 403, 200),
    ("desk_safety", POST): (IN, 403, 403, 403, 200),  # nothing said
    ("desk_not_at", GET): (IN, 403, 403, 403, 200),
    ("desk_not_at", POST): (IN, 403, 403, 403, 200),  # no site chosen
    ("desk_car", POST): (IN, 403, 403, 403, 200),
    ("desk_hours", POST): (IN, 403, 403, 403, 302),
    ("desk_away", POST): (IN, 403, 403, 403, 200),
    ("desk_away_end", POST): (IN, 403, 403, 403, 302),
    ("desk_joins", GET): (IN, 403, 403, 403, 200),
    ("desk_join", GET): (IN, 403, 403, 403, 200),
    ("desk_join", POST): (IN, 403, 403, 403, 200),  # without saying what
    ("desk_help_hours", GET): (IN, 403, 403, 403, 200),
    ("desk_help_hours", POST): (IN, 403, 403, 403, 200),  # nothing filled in
    ("desk_papers", GET): (IN, 403, 403, 403, 200),
    ("desk_papers", POST): (IN, 403, 403, 403, 404),  # no paper named
    ("desk_photo", GET): (IN, 403, 403, 403, 200),  # not even to whoever sent it
    ("desk_photo", POST): (IN, 403, 403, 403, 302),
    ("desk_kits", GET): (IN, 403, 403, 403, 200),
    ("desk_kits", POST): (IN, 403, 403, 403, 404),  # without saying what
    ("desk_sites", GET): (IN, 403, 403, 403, 200),
    ("desk_new_site", GET): (IN, 403, 403, 403, 200),
    ("desk_site", GET): (IN, 403, 403, 403, 200),
    ("desk_site_list", GET): (IN, 403, 403, 403, 200),
    ("desk_site_list", POST): (IN, 403, 403, 403, 302),
    ("desk_send_list", POST): (IN, 403, 403, 403, 302),
    ("desk_door_notes", GET): (IN, 403, 403, 403, 200),
    ("desk_doors_known", POST): (IN, 403, 403, 403, 404),  # nobody named
    ("desk_contacts", POST): (IN, 403, 403, 403, 200),
    ("desk_close", POST): (IN, 403, 403, 403, 200),
    ("desk_lift", POST): (IN, 403, 403, 403, 200),  # a look: somebody's calendar follows
    ("desk_shifts", GET): (IN, 403, 403, 403, 200),
    ("desk_new_shift", GET): (IN, 403, 403, 403, 200),
    ("desk_shift", GET): (IN, 403, 403, 403, 200),
    ("desk_shift_end", POST): (IN, 403, 403, 403, 200),
    ("desk_new_regular", GET): (IN, 403, 403, 403, 200),
    ("desk_new_regular", POST): (IN, 403, 403, 403, 200),  # nobody chosen
    ("desk_new_crew", GET): (IN, 403, 403, 403, 200),
    ("desk_new_crew", POST): (IN, 403, 403, 403, 200),  # without a name
    ("desk_crew", GET): (IN, 403, 403, 403, 200),
    ("desk_crew", POST): (IN, 403, 403, 403, 200),
    ("desk_skip", GET): (IN, 403, 403, 403, 200),
    ("desk_skip", POST): (IN, 403, 403, 403, 200),  # without dates
    ("desk_stop", GET): (IN, 403, 403, 403, 200),
    ("desk_stop", POST): (IN, 403, 403, 403, 200),  # without a day
    ("desk_skip_back", POST): (IN, 403, 403, 403, 302),
    ("desk_name_driver", POST): (IN, 403, 403, 403, 404),  # nobody named
    ("desk_briefing_text", GET): (IN, 403, 403, 403, 200),
    ("desk_briefing_text", POST): (IN, 403, 403, 403, 200),  # nothing said
    ("desk_settings", GET): (IN, 403, 403, 403, 200),
    ("desk_steps", GET): (IN, 403, 403, 403, 200),
    ("desk_steps", POST): (IN, 403, 403, 403, 302),  # nothing to move
    ("desk_new_step", GET): (IN, 403, 403, 403, 200),
    ("desk_new_step", POST): (IN, 403, 403, 403, 200),  # without a name
    ("desk_step", GET): (IN, 403, 403, 403, 200),
    ("desk_step", POST): (IN, 403, 403, 403, 200),  # nothing said
    ("desk_test_mail", POST): (IN, 403, 403, 403, 302),
}
NAMES = {name for name, _method in TABLE}

# Of the desk, what somebody who only covers for the coordinators may not: all else is as for a coordinator.
# `desk_person` they may read; its private notes they may neither read nor write.
OWN_DESK = {
    ("desk_settings", GET), ("desk_test_mail", POST), ("desk_cover", GET), ("desk_cover", POST),
    ("desk_steps", GET), ("desk_steps", POST), ("desk_new_step", GET), ("desk_new_step", POST),
    ("desk_step", GET), ("desk_step", POST), ("desk_briefing_text", GET), ("desk_briefing_text", POST),
    ("desk_papers", GET), ("desk_papers", POST), ("desk_photo", GET), ("desk_photo", POST),
    ("desk_import", GET), ("desk_talked", POST),
}  # fmt: skip


def test_every_address_has_a_row():
    assert {pattern.name for pattern in own_patterns()} == NAMES


@pytest.fixture
def world(db):
    return build_world()


@contextmanager
def taken_back():
    """What was done inside is undone, so that the next one finds the same world: building it takes long."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


@pytest.mark.parametrize(("name", "method"), TABLE)
def test_who_gets_what(world, name, method):
    keys, users = world
    got = {}
    for who in WHO:
        with taken_back():
            client = Client()
            if users[who]:
                client.force_login(users[who])
            got[who] = in_short(getattr(client, method)(address(name, keys)))
    assert got == dict(zip(WHO, TABLE[name, method], strict=True))


def in_short(response):
    """The status, or IN where somebody is sent to sign in."""
    sent_to = response.headers.get("Location", "")
    if sent_to.startswith("/account/"):
        assert (response.status_code, sent_to.startswith("/account/login/")) == (302, True)
        return IN
    return response.status_code


@pytest.mark.parametrize(("name", "method"), [row for row in TABLE if row[0].startswith("desk")])
def test_what_a_cover_coordinator_gets(world, name, method):
    """On their days; before and after, the desk is closed to them."""
    keys, users = world
    cover = users["another volunteer"]
    TOTP.activate(cover, generate_totp_secret())
    for covers in (True, False):
        with taken_back():
            client = Client()
            day = today() - timedelta(days=0 if covers else 1)
            CoverTurn.objects.create(person=cover.people.get(), first=day, last=day, at=timezone.now())
            client.force_login(cover)
            response = getattr(client, method)(address(name, keys))
            own = not covers or (name, method) in OWN_DESK
            assert response.status_code == (403 if own else TABLE[name, method][-1]), covers
            if covers and own:
                assert "thank you" in response.content.decode()


@pytest.mark.parametrize("name", sorted(name for name, method in TABLE if method == POST))
def test_what_changes_something_is_not_done_by_get(client, world, name):
    """A link in a mail, or a program that follows links, changes nothing."""
    keys, users = world
    client.force_login(users["a coordinator" if name.startswith("desk") else "the person"])
    response = client.get(address(name, keys))
    assert response.status_code in (200, 405)
    assert Booking.objects.live().count() == 3

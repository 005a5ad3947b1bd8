"""One run at the desk: call lists, seats, cancelling and undoing, one-off runs."""

import re
from datetime import UTC, date, datetime, time, timedelta
from html import unescape
from urllib.parse import parse_qs, urlsplit

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from shifts.models import Booking, Run, Shift
from shifts.schedule.clock import readings
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run
from sites.changes import set_contacts
from sites.models import Closure, Event, Programme
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_ready,
    make_run,
    put,
    ready_person,
)
from tests.shifts.pages.test_desk import DAY, HOUR, NOW, signed_in, text_of, with_second_factor
from volunteers.doors import publish
from volunteers.models import Car, Message, SignOff

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def cora():
    return with_second_factor(coordinator())


@pytest.fixture
def desk(cora):
    return signed_in(cora)


@pytest.fixture
def sites():
    return [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen")]


@pytest.fixture
def run(sites):
    return make_run(starts_at=NOW + DAY, sites=sites, crates=12)


def page(name, run):
    return reverse(name, args=[run.pk])


def shown(desk, run):
    return desk.get(page("desk_run", run))


def post(desk, name, run, **fields):
    return desk.post(page(name, run), fields, follow=True)


# --- what the page says


def test_stops_with_times_contacts_and_door_notes(desk, run, sites):
    publish(sites[0], {"entrance": "Blue door behind the bakery."}, by=None)
    set_contacts(sites[1], [{"name": "Noor", "role": "kitchen", "phone": "+15555550142"}], by=None)
    answer = shown(desk, run)
    text = text_of(answer)
    assert [(stop["what"], stop["name"]) for stop in answer.context["stops"]] == [
        ("Pickup", "Mill Street Grocery"), ("Drop-off", "Elm Kitchen"),
    ]  # fmt: skip
    assert "Blue door behind the bakery." in text
    assert 'href="tel:+15555550142"' in text
    assert "10:30 a.m." in text  # the second stop
    assert "Wed, Jun 3, 10:00 a.m." in text
    assert "about 12 crates" in text


def test_who_sits_in_it_and_how_to_reach_them(desk, run):
    abe = lead_driver(name="Abe Ash", language="es")
    put(abe, run)
    text = text_of(shown(desk, run))
    assert f'href="{page("desk_person", abe)}"' in text
    assert f'href="tel:{abe.phone.as_e164}"' in text
    assert "by e-mail, speaks Spanish" in text
    assert "lead driver" in text
    assert 'id="call-list"' not in text


def test_a_run_that_is_over_offers_nothing_but_its_record(desk, sites):
    run = make_run(starts_at=NOW - DAY, sites=sites)
    put(ready_person(name="Abe Ash"), run)
    text = text_of(shown(desk, run))
    assert "This run is over." in text
    assert "drove" in text
    for name in ("desk_unseat", "desk_cancel", "desk_second_car", "desk_seat"):
        assert page(name, run) not in text


def test_a_closed_run_says_where_and_offers_nobody(desk, run, sites):
    ready_person(name="Abe Ash")
    Closure.objects.create(site=sites[1], first=run.local_date, last=run.local_date)
    text = text_of(shown(desk, run))
    assert "Closed that day" in text
    assert f'href="{page("desk_site", sites[1])}"' in text
    assert "Abe Ash" not in text


# --- who may take it


def test_the_call_list_with_links_that_dial_and_text(desk, run):
    abe = ready_person(name="Abe Ash", phone="+15555550123")
    Car.objects.create(person=abe, crates=30)
    Programme.objects.update(contact_name="Cora & co.")
    text = text_of(shown(desk, run))
    assert 'href="tel:+15555550123"' in text
    assert "car takes 30 crates" in text
    # RFC 5724 2.2: sms:number?body=..., the body percent-encoded UTF-8, so never "+" for a blank.
    link = unescape(re.search(r'href="(sms:[^"]+)"', text)[1])
    parts = urlsplit(link)
    assert (parts.scheme, parts.path) == ("sms", "+15555550123")
    assert "+" not in parts.query
    assert " " not in link
    assert parse_qs(parts.query)["body"] == [
        "Hi Abe, can you drive Morning run, Wed, Jun 3 at 10:00 a.m., pickup at Mill Street Grocery? "
        "Please text back either way. Cora & co."
    ]


def test_those_with_the_fewest_runs_first_and_eight_at_once(desk, run, sites):
    people = [ready_person(name=f"Person {n:02}") for n in range(10)]
    put(people[0], make_run(starts_at=NOW - 3 * DAY, sites=sites))
    answer = shown(desk, run)
    assert [call["name"] for call in answer.context["calls"]] == [f"Person {n:02}" for n in range(1, 9)]
    assert [call["name"] for call in answer.context["more_calls"]] == ["Person 09", "Person 00"]
    assert "2 more" in text_of(answer)


def test_who_may_not_and_every_reason(desk, run, sites):
    late = make_ready(PersonFactory(name="Kit Kay"), without=("kit",))
    Car.objects.create(person=late, crates=5)
    busy = ready_person(name="Bea Birch")
    put(busy, make_run(starts_at=run.starts_at, sites=sites, title="Bread run"))
    reasons = {one["name"]: one["reasons"] for one in shown(desk, run).context["may_not"]}
    assert reasons == {
        "Kit Kay": ["not ready: Starter kit", "car takes 5 crates, 12 expected"],
        "Bea Birch": ["on Bread run at that time"],
    }


def test_nobody_may_take_it_is_said(desk, run):
    assert "cancel the run early, so that the sites know" in text_of(shown(desk, run))


def test_second_seat_beside_a_lead_driver_trainees_first(desk, run):
    put(lead_driver(name="Lea Linden"), run)
    ready_person(name="Hal Helper")
    PersonFactory(name="New Nell", joined_on=date(2026, 1, 1))
    make_ready(PersonFactory(name="Wait Will", joined_on=date(2026, 5, 1)), without=("ride",))
    make_ready(PersonFactory(name="Lapsed Lu"), without=("license",))
    context = shown(desk, run).context
    assert [call["name"] for call in context["riders"]] == [
        "Wait Will",
        "New Nell",
        "Lapsed Lu",
        "Hal Helper",
    ]
    assert context["riders"][0]["reasons"] == ["waits for this ride, all else is done"]
    assert context["ask_driver"] is False


def test_second_seat_without_a_lead_driver_helpers_only(desk, run):
    put(ready_person(), run)
    ready_person(name="Hal Helper")
    PersonFactory(name="New Nell")
    answer = shown(desk, run)
    assert [call["name"] for call in answer.context["riders"]] == ["Hal Helper"]
    assert "Trainees can ride along once a lead driver drives" in text_of(answer)


def test_everybody_on_a_list_can_take_the_seat(desk, run):
    """The lists and the function that seats agree."""
    lead_driver(name="Lea Linden")
    for name in ("Abe Ash", "Bea Birch"):
        ready_person(name=name)
    make_ready(PersonFactory(name="Wait Will"), without=("ride",))
    for wanted, key in (("driver", "calls"), ("second", "riders")):
        for call in shown(desk, run).context[key]:
            post(desk, "desk_seat", run, person=call["pk"], seat=wanted)
            booking = run.bookings.live().get(seat=wanted)
            assert booking.person.name == call["name"]
            give_back(booking, by=None)
        post(desk, "desk_seat", run, person=shown(desk, run).context[key][-1]["pk"], seat=wanted)


def test_no_second_list_where_there_is_no_second_seat(desk, sites):
    ready_person()
    assert (
        shown(desk, make_run(starts_at=NOW + DAY, sites=sites, second_seat=False)).context["ask_second"]
        is False
    )


def test_queries_do_not_grow_with_the_people(desk, run, sites):
    numbers = []
    shown(desk, run)
    for count in (10, 90):
        for n in range(count):
            person = ready_person() if n % 2 else PersonFactory()
            Car.objects.create(person=person, crates=9 + n)
            if n % 3 == 0:
                put(
                    person, make_run(starts_at=run.starts_at, sites=[stop.site for stop in run.ordered_stops])
                )
        with CaptureQueriesContext(connection) as queries:
            shown(desk, run)
        numbers.append(len(queries))
    assert numbers[0] == numbers[1], "\n".join(query["sql"][:150] for query in queries)


# --- seats


def test_seating_from_the_page_returns_to_it(desk, cora, run):
    abe = ready_person(name="Abe Ash")
    answer = post(desk, "desk_seat", run, person=abe.pk, seat="driver")
    assert answer.request["PATH_INFO"] == page("desk_run", run)
    assert Event.objects.about(run).get(verb="seated").by == cora.user
    assert "Abe Ash drives Morning run" in text_of(answer)


def test_a_return_address_elsewhere_is_not_followed(desk, run):
    abe = ready_person()
    for n, wanted in enumerate(("https://evil.example/", "//evil.example/", "javascript:alert(1)")):
        answer = desk.post(page("desk_seat", run), {"person": abe.pk, "next": wanted})
        assert answer.headers["Location"] == page("desk_run", run), n


@pytest.mark.parametrize("person", ["", "x", "999999", "9" * 30, "²"])
def test_nobody_by_that_key(desk, run, person):
    assert desk.post(page("desk_seat", run), {"person": person}).status_code == 404


def test_a_seat_that_no_run_has(desk, run):
    answer = post(desk, "desk_seat", run, person=ready_person().pk, seat="roof")
    assert "choose the driver&#x27;s seat or the second seat" in text_of(answer)
    assert not run.bookings.exists()


def test_taking_somebody_out_tells_them_and_is_undone(desk, cora, run):
    abe = ready_person(name="Abe Ash")
    booking = seat(run=run, person=abe, seat="driver", by=None, on_behalf=True, at=NOW)
    answer = post(desk, "desk_unseat", run, booking=booking.pk)
    booking.refresh_from_db()
    assert (booking.end, booking.ended_by) == (Booking.End.TAKEN_OUT, cora.user)
    assert Message.objects.filter(person=abe, kind="ended").exists()
    undo = answer.context["undo"]
    assert undo["words"] == "Undo: seat Abe again"
    desk.post(undo["url"], undo["fields"])
    assert run.bookings.live().get().person == abe


def test_out_already_and_of_another_run(desk, run, sites):
    booking = put(ready_person(name="Abe Ash"), run)
    give_back(booking, by=None)
    assert "was out of this run already" in text_of(post(desk, "desk_unseat", run, booking=booking.pk))
    other = put(ready_person(), make_run(starts_at=NOW + DAY, sites=sites))
    assert desk.post(page("desk_unseat", run), {"booking": other.pk}).status_code == 404
    assert other.is_live


def test_a_run_that_is_over_keeps_its_people(desk, sites):
    run = make_run(starts_at=NOW - DAY, sites=sites)
    booking = put(ready_person(), run)
    assert "stays as it was recorded" in text_of(post(desk, "desk_unseat", run, booking=booking.pk))
    booking.refresh_from_db()
    assert booking.is_live


# --- cancelling


def test_cancelling_asks_why_and_who_will_be_told(desk, run):
    put(ready_person(name="Abe Ash"), run)
    assert "Abe Ash will be told at once" in text_of(shown(desk, run))
    answer = post(desk, "desk_cancel", run, reason="  ")
    assert "Say why" in text_of(answer)
    assert answer.context["cancel_form"].errors
    assert "Error:" in text_of(answer)
    too_long = post(desk, "desk_cancel", run, reason="Storm " * 50)
    assert "at most 200 characters" in text_of(too_long)
    assert "Storm Storm" in text_of(too_long)
    run.refresh_from_db()
    assert not run.is_cancelled


def test_cancelling_tells_and_is_undone(desk, run):
    abe = ready_person(name="Abe Ash")
    seat(run=run, person=abe, seat="driver", by=None, on_behalf=True, at=NOW)
    answer = post(desk, "desk_cancel", run, reason="Store flooded")
    text = text_of(answer)
    assert "Cancelled: Morning run, Wed, Jun 3, 10:00 a.m. Abe Ash will be told." in text
    assert "Store flooded" in text
    assert Message.objects.filter(person=abe, kind="ended").exists()
    undo = answer.context["undo"]
    after = desk.post(undo["url"], undo["fields"], follow=True)
    assert "On again: Morning run" in text_of(after)
    assert run.bookings.live().get().person == abe


def test_restoring_says_who_could_not_be_seated_again(desk, run, sites):
    abe = ready_person(name="Abe Ash")
    seat(run=run, person=abe, seat="driver", by=None, on_behalf=True, at=NOW)
    cancel_run(run, reason="Storm", by=None, at=NOW)
    put(abe, make_run(starts_at=run.starts_at, sites=sites, title="Bread run"))
    text = text_of(post(desk, "desk_restore", run))
    assert "Abe Ash could not be seated again. Elsewhere at that time: Bread run" in text
    run.refresh_from_db()
    assert not run.is_cancelled


def test_what_cannot_be_cancelled_or_restored(desk, run, sites):
    assert "This run is on." in text_of(post(desk, "desk_restore", run))
    over = make_run(starts_at=NOW - DAY, sites=sites)
    assert "cannot be cancelled any more" in text_of(post(desk, "desk_cancel", over, reason="Storm"))
    dropped = make_run(starts_at=NOW + DAY, sites=sites, cancelled_at=NOW, cancel_cause=Run.Cause.RULE)
    answer = post(desk, "desk_restore", dropped)
    assert "no longer has this date" in text_of(answer)
    assert page("desk_restore", dropped) not in text_of(answer)
    dropped.refresh_from_db()
    over.refresh_from_db()
    assert dropped.is_cancelled
    assert not over.is_cancelled


# --- a second car, a note


def test_a_second_car_is_one_tap_and_undone(desk, run):
    answer = post(desk, "desk_second_car", run)
    second = Run.objects.exclude(pk=run.pk).get()
    assert answer.request["PATH_INFO"] == page("desk_run", second)
    assert second.site_ids == run.site_ids
    assert (second.starts_at, second.crates) == (run.starts_at, 12)
    undo = answer.context["undo"]
    desk.post(undo["url"], undo["fields"])
    second.refresh_from_db()
    assert second.is_cancelled


def test_no_second_car_for_a_run_that_is_over_or_off(desk, run, sites):
    for one in (make_run(starts_at=NOW - DAY, sites=sites), cancel_run(run, reason="Storm", by=None)):
        assert "takes no second car" in text_of(post(desk, "desk_second_car", one))
    assert Run.objects.count() == 2


def test_a_note_is_saved_shown_logged_and_undone(desk, run):
    abe = ready_person()
    booking = seat(run=run, person=abe, seat="driver", by=None, on_behalf=True, at=NOW - HOUR)
    answer = post(desk, "desk_note", run, note="Bring a  cart.")
    run.refresh_from_db()
    assert run.note == "Bring a  cart."
    assert "note: Bring a cart." in text_of(answer)
    entry = booking.entries.get()
    assert (entry.changed_at, entry.sequence) == (NOW, 0)  # the feed shows it; no new invitation
    undo = answer.context["undo"]
    desk.post(undo["url"], undo["fields"])
    run.refresh_from_db()
    assert run.note == ""


def test_a_note_that_is_too_long_is_kept_and_refused(desk, run):
    answer = post(desk, "desk_note", run, note="long " * 80)
    assert "at most 300 characters" in text_of(answer)
    assert "long long long" in text_of(answer)
    run.refresh_from_db()
    assert run.note == ""


# --- history


def test_history_says_who_did_what_in_words(desk, cora, run):
    abe, bea = ready_person(name="Abe Ash", sign_in=True), ready_person(name="Bea Birch")
    booking = seat(run=run, person=abe, seat="driver", by=abe.user, at=NOW)
    give_back(booking, by=abe.user, note="A cold", at=NOW)
    post(desk, "desk_seat", run, person=bea.pk, seat="driver")
    post(desk, "desk_cancel", run, reason="Store flooded")
    post(desk, "desk_restore", run)
    history = [(one["who"], one["what"]) for one in shown(desk, run).context["history"]]
    assert history == [
        ("Cora Desk", "seated Bea Birch in the driver's seat, as agreed"),
        ("Cora Desk", "put the run on again"),
        ("Cora Desk", "Bea Birch is off the run, as it was cancelled"),
        ("Cora Desk", "cancelled the run: Store flooded"),
        ("Cora Desk", "somebody drives, so nobody more is asked"),
        ("Cora Desk", "seated Bea Birch in the driver's seat, as agreed"),
        ("the schedule", "began to ask around for a driver"),
        ("Abe Ash", "Abe Ash cannot make it: the driver's seat is empty (A cold)"),
        ("Abe Ash", "Abe Ash took the driver's seat"),
    ]


# --- signing off a ride for the lead driver


@pytest.fixture
def ride(sites):
    run = make_run(starts_at=NOW - DAY, sites=sites)
    put(lead_driver(name="Lea Linden"), run)
    put(make_ready(PersonFactory(name="Wait Will"), without=("ride",)), run, "second")
    return run


def test_a_ride_is_signed_off_as_told(desk, ride):
    assert 'value="Lea Linden told me by phone."' in text_of(shown(desk, ride))
    told = {"outcome": "ready", "told_reason": "Lea called.", "remarks": "Calm at the dock."}
    answer = post(desk, "desk_sign_off", ride, **told)
    signed = SignOff.objects.get()
    assert (signed.trainee.name, signed.lead.name, signed.completion.how) == (
        "Wait Will",
        "Lea Linden",
        "told",
    )
    assert "Signed off: Wait Will, ready to drive alone." in text_of(answer)
    assert page("desk_sign_off", ride) not in text_of(answer)
    assert "signed off already" in text_of(post(desk, "desk_sign_off", ride, **told))


def test_a_sign_off_without_its_answers_is_refused_and_kept(desk, ride):
    answer = post(desk, "desk_sign_off", ride, told_reason="", remarks="Calm at the dock.")
    text = text_of(answer)
    assert "Choose one of the two." in text
    assert "Say how you know" in text
    assert "Calm at the dock." in text
    assert not SignOff.objects.exists()


def test_no_ride_no_sign_off(desk, run, ride):
    assert "there is no ride to sign off" in text_of(post(desk, "desk_sign_off", run, outcome="ready"))
    ahead = Run.objects.filter(pk=ride.pk)
    ahead.update(starts_at=NOW + DAY, ends_at=NOW + DAY + HOUR)
    assert page("desk_sign_off", ride) not in text_of(shown(desk, ride))
    answer = post(desk, "desk_sign_off", ride, outcome="ready", told_reason="Lea called.")
    assert not SignOff.objects.exists()
    assert "still to come" in text_of(answer)


# --- a one-off run


def fields(sites, day="2026-06-02", clock="17:30", **other):
    return {
        "pickup": sites[0].pk,
        "dropoff": sites[1].pk,
        "when_0": day,
        "when_1": clock,
        "crates": 20,
    } | other


def test_a_one_off_in_four_fields_leads_to_its_call_list(desk, cora, sites):
    answer = desk.post(reverse("desk_new_run"), fields(sites))
    run = Run.objects.get()
    assert answer.headers["Location"] == page("desk_run", run)
    assert run.starts_at == datetime(2026, 6, 2, 21, 30, tzinfo=UTC)
    assert (run.crates, run.site_ids) == (20, [site.pk for site in sites])
    after = shown(desk, run)
    assert "Now somebody to drive it." in text_of(after)
    undo = after.context["undo"]
    desk.post(undo["url"], undo["fields"])
    run.refresh_from_db()
    assert run.is_cancelled


@pytest.mark.parametrize("clock", ["17:30", "5:30 pm", "5:30PM", "17:30:00"])
def test_times_as_people_write_them(clock, desk, sites):
    desk.post(reverse("desk_new_run"), fields(sites, clock=clock))
    assert Run.objects.get().starts_at == datetime(2026, 6, 2, 21, 30, tzinfo=UTC)


def test_the_form_names_the_days_and_chooses_what_there_is_one_of(desk, sites):
    text = text_of(desk.get(reverse("desk_new_run")))
    assert '<option value="2026-06-02">Today, Tue, Jun 2</option>' in text
    assert '<option value="2026-06-03">Tomorrow, Wed, Jun 3</option>' in text
    assert f'<option value="{sites[0].pk}" selected>' in text
    SiteFactory()
    assert f'<option value="{sites[0].pk}" selected>' not in text_of(desk.get(reverse("desk_new_run")))


def test_without_sites_the_form_leads_to_them(desk):
    assert f'href="{reverse("desk_new_site")}"' in text_of(desk.get(reverse("desk_new_run")))


def refused(desk, data):
    answer = desk.post(reverse("desk_new_run"), data)
    assert answer.status_code == 200
    assert not Run.objects.exists()
    return unescape(text_of(answer)), answer.context["form"].errors


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"pickup": ""}, "pickup", "Say where it is picked up."),
        ({"dropoff": ""}, "dropoff", "Say where it goes."),
        ({"when_1": ""}, "when", "Say the day and the time."),
        ({"when_0": "", "when_1": ""}, "when", "Say the day and the time."),
        ({"when_1": "half five"}, "when", "Write the time like 5:30 p.m. or 17:30."),
        ({"when_0": "2026-06-01"}, "when", "Choose a day of the list."),
        ({"when_0": "never"}, "when", "Choose a day of the list."),
        ({"when_1": "10:00"}, "when", "That is over: it is 10:00 a.m. now."),
        ({"crates": ""}, "crates", "Say about how many"),
        ({"crates": "-1"}, "crates", "greater than or equal to 0"),
        ({"crates": "501"}, "crates", "less than or equal to 500"),
        ({"crates": "a lot"}, "crates", "Enter a whole number."),
        ({"note": "x" * 301}, "note", "at most 300 characters"),
    ],
)
def test_what_a_one_off_cannot_be(change, field, words, desk, sites):
    text, errors = refused(desk, fields(sites, **{"note": "Called in by the store."} | change))
    assert list(errors) == [field]
    assert words in text
    assert change.get("note", "Called in by the store.") in text


def test_from_a_site_to_itself(desk):
    both = SiteFactory(takes=True)
    _text, errors = refused(desk, fields([both, both]))
    assert errors == {"dropoff": ["That is where it is picked up. Choose another site."]}


def test_a_closed_site(desk, sites):
    day = date(2026, 6, 4)
    Closure.objects.create(site=sites[1], first=day, last=day, reason="Floor repair")
    _text, errors = refused(desk, fields(sites, day="2026-06-04"))
    assert errors == {
        "dropoff": ["Elm Kitchen is closed on Thu, Jun 4 (Floor repair). Choose another site or day."]
    }
    desk.post(reverse("desk_new_run"), fields(sites, day="2026-06-05"))
    assert Run.objects.count() == 1


# The days of the change in New York in 2026, from the tz database: March 8 and November 1, at 2 a.m.
@pytest.mark.parametrize(
    ("now", "day", "clock", "words"),
    [
        (datetime(2026, 3, 7, 15, tzinfo=UTC), "2026-03-08", "02:30", "2:30 a.m. does not exist"),
        (datetime(2026, 10, 31, 15, tzinfo=UTC), "2026-11-01", "01:30", "1:30 a.m. comes twice"),
    ],
)
def test_a_time_the_clocks_skip_or_show_twice(now, day, clock, words, desk, cora, sites):
    with time_machine.travel(now, tick=False):
        client = signed_in(cora)
        text, errors = refused(client, fields(sites, day=day, clock=clock))
        assert list(errors) == ["when"]
        assert words in text
        client.post(reverse("desk_new_run"), fields(sites, day=day, clock="03:00"))
        assert Run.objects.count() == 1


def test_readings_of_a_wall_clock():
    zone = Programme().zone
    at = time(2, 30)
    assert readings(date(2026, 3, 7), at, zone) == [datetime(2026, 3, 7, 7, 30, tzinfo=UTC)]
    assert readings(date(2026, 3, 8), at, zone) == []
    twice = time(1, 30)
    assert readings(date(2026, 11, 1), twice, zone) == [
        datetime(2026, 11, 1, 5, 30, tzinfo=UTC), datetime(2026, 11, 1, 6, 30, tzinfo=UTC),
    ]  # fmt: skip


def test_where_a_run_comes_from(desk, sites):
    shift = Shift.objects.create(name="Market, Tuesdays")
    run = make_run(starts_at=NOW + DAY, sites=sites, shift=shift, slot_date=NOW.date() + timedelta(days=1))
    assert f'href="{page("desk_shift", shift)}"' in text_of(shown(desk, run))
    assert "a one-off run" in text_of(shown(desk, make_run(starts_at=NOW + DAY, sites=sites)))

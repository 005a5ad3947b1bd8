"""The main job in a browser, as its people do it, with JavaScript and without: sign in by the code from the
mail, book, be refused, take a second seat, give back; the coordinator fills the gap from the call list."""

import email
import re
from datetime import timedelta

import pytest
from allauth.mfa.models import Authenticator
from icalendar import Calendar
from playwright.sync_api import expect

from shifts.models import Booking, CalendarEntry
from tests.browser.conftest import DESK
from tests.browser.test_every_page import sign_in
from tests.factories import coordinator, lead_driver, make_ready, make_run, put, ready_person
from volunteers import outbox
from volunteers.doors import publish
from volunteers.models import Message

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.with_and_without_javascript]


def sign_in_by_code(page, person, axe):
    """As the person does it: the address, then the six digits of the mail, once the worker has sent it."""
    page.goto("/")
    page.get_by_role("link", name="Sign in").first.click()
    axe(page)
    page.get_by_label("Email").fill(person.email)
    page.get_by_role("button", name="Send me a code").click()
    expect(page.get_by_role("heading", name="Enter the code")).to_be_visible()
    code = re.search(r"\b\d{6}\b", Message.objects.get(kind="sign-in", address=person.email).text).group()
    assert outbox.drain() >= 1
    page.get_by_label("Code").fill(code)
    axe(page)
    page.locator("main").get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("My next run")


@pytest.fixture
def world(live_server):
    run = make_run(title="Thursday market run")
    publish(run.ordered_stops[0].site, {"entrance": "Dock 2, ring once"}, by=None)
    return run


def test_a_volunteer_books_a_run_and_gives_it_back(phone, axe, world):
    ana = make_ready(ready_person(name="Ana Bell", email="ana@example.org", sign_in=True))
    sign_in_by_code(phone, ana, axe)

    phone.goto("/runs/")
    axe(phone)
    phone.get_by_role("link", name="Thursday market run").click()  # the first tap
    expect(phone.get_by_text("Dock 2, ring once")).to_have_count(1)
    phone.get_by_role("button", name="Take the driver's seat").click()  # the second
    expect(phone.get_by_role("heading", name="What happens next")).to_be_visible()
    axe(phone)
    booking = Booking.objects.live().get(run=world, person=ana)
    invitation = Message.objects.get(kind="booked", person=ana)
    assert b"METHOD:REQUEST" in calendar_of(invitation)

    phone.goto("/")
    phone.get_by_role("link", name="I can't make it").click()
    axe(phone)
    phone.get_by_role("button", name="Give the seat back").click()
    assert not Booking.objects.live().filter(run=world).exists()
    entry = CalendarEntry.objects.get(booking=booking)
    cancellation = Message.objects.get(kind="ended", person=ana)
    assert (entry.sequence, entry.cancelled_at is None) == (1, False)
    assert b"METHOD:CANCEL" in calendar_of(cancellation)

    phone.get_by_role("button", name="I can make it after all").click()
    assert Booking.objects.live().filter(run=world, person=ana).exists()


def calendar_of(message):
    """The calendar object as a mail program takes it out of the mail."""
    parts = email.message_from_bytes(bytes(message.raw)).walk()
    data = next(part for part in parts if part.get_content_type() == "text/calendar").get_payload(decode=True)
    assert Calendar.from_ical(data).walk("VEVENT")
    return data


def test_somebody_not_ready_sees_what_is_missing_and_rides_along(phone, axe, world):
    led = make_run(title="Led run", starts_at=world.starts_at + timedelta(days=1))
    put(make_ready(lead_driver(name="Dorit Ash")), led)
    tobias = make_ready(ready_person(name="Tobias Wren", sign_in=True), without=("ride",))
    tobias.completions.filter(step__code="ride").delete()
    sign_in(phone, tobias.user)

    phone.goto(f"/runs/{world.pk}/")
    expect(phone.get_by_role("button", name="Take the driver's seat")).to_have_count(0)
    expect(phone.get_by_text("Shadow ride").first).to_be_visible()
    axe(phone)

    phone.goto(f"/runs/{led.pk}/")
    phone.get_by_role("button", name="Take the second seat").click()
    expect(phone.get_by_role("heading", name="What happens next")).to_be_visible()
    assert Booking.objects.live().get(run=led, person=tobias).seat == Booking.Seat.SECOND


def test_two_see_the_same_seat_and_the_second_is_told(phone, axe, world):
    ana, late = ready_person(sign_in=True), ready_person(sign_in=True)
    make_ready(ana), make_ready(late)
    sign_in(phone, late.user)
    phone.goto(f"/runs/{world.pk}/")
    put(ana, world)
    phone.get_by_role("button", name="Take the driver's seat").click()
    expect(phone.get_by_role("alert")).to_contain_text("Just taken")
    axe(phone)
    assert Booking.objects.live().get(run=world).person == ana


def test_the_coordinator_fills_a_gap_from_the_call_list(open_page, axe, world):
    cora = coordinator()
    Authenticator.objects.create(user=cora.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    gus = make_ready(ready_person(name="Gus Reyes", by_phone=True))
    desk = open_page(DESK)
    sign_in(desk, cora.user)
    desk.goto("/desk/")
    gap = desk.get_by_role("article").filter(has_text="Thursday market run").first
    expect(gap.get_by_role("link", name=re.compile(r"\(555\) 555"))).to_have_attribute(
        "href", re.compile(r"^tel:\+1555555")
    )
    gap.get_by_role("button", name=re.compile("Agreed by phone")).click()  # one tap
    assert Booking.objects.live().get(run=world).person == gus
    axe(desk)
    expect(desk.get_by_text("Tell by phone").first).to_be_visible()
    told = Message.objects.get(person=gus)
    desk.get_by_role("button", name=re.compile("^Told")).first.click()
    told.refresh_from_db()
    assert told.state == Message.State.TOLD

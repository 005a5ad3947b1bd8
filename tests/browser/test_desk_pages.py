"""The coordinator's desk in a browser: one tap, one page of paper, no fault of accessibility."""

import re
from datetime import datetime, timedelta

import pytest
from allauth.mfa.models import Authenticator
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from shifts.models import Booking, Shift, Standing
from sites.changes import change_programme
from sites.models import Programme
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
from volunteers.models import Join

AGREED = re.compile("Agreed by phone.*Ana Ashgrove")
PEOPLE = ["Ana Ashgrove", "Bartholomew Quillfeather", "Cy Dunn", "Delphine Marchbank-Oyelaran", "Eve Stoke"]


@pytest.fixture
def cora(live_server):
    cora = coordinator()
    Authenticator.objects.create(user=cora.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    change_programme(
        by=None, name="Fernhollow Food Run", contact_name="Cora Desk", contact_phone="+15555550100"
    )
    return cora


def sign_in(page, person, base_url):
    client = Client()
    client.force_login(person.user)
    page.context.add_cookies(
        [{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": base_url}]
    )


def full_week(days=7, a_day=10):
    """A week of the demo's size and more, around the next Monday: seats of every kind, long names, most
    drivers regular ones."""
    zone = Programme.current().zone
    today = timezone.localdate(timezone.now(), zone)
    monday = today + timedelta(days=7 - today.weekday())
    sites = [SiteFactory(name="Brambleway Market"), DropOffFactory(name="Cedar Room Kitchen and Pantry")]
    people = [ready_person(name=name) for name in PEOPLE]
    regular = Standing.objects.create(
        shift=Shift.objects.create(name="Mornings"), person=people[0], anchor=today, from_day=today,
        made_at=timezone.now(),
    )  # fmt: skip
    for day in range(days):
        for n in range(a_day):
            starts = datetime.combine(monday + timedelta(days=day), datetime.min.time(), zone) + timedelta(
                hours=6 + n
            )
            run = make_run(starts_at=starts, sites=sites, title="Tuesday and Friday bread run", crates=18)
            if n % 4:
                Booking.objects.filter(pk=put(people[n % 5], run).pk).update(standing=regular)
            if n % 3 == 0:
                put(people[(n + 1) % 5], run, Booking.Seat.SECOND)
    return monday


def pages_of(pdf):
    """Page objects of a PDF, ISO 32000-1 7.7.3.3; and the boxes they are drawn in, in points."""
    boxes = [tuple(float(n) for n in box.split()) for box in re.findall(rb"/MediaBox\s*\[([^\]]+)\]", pdf)]
    return len(re.findall(rb"/Type\s*/Page\b", pdf)), set(boxes)


@pytest.mark.parametrize("a_day", [1, 4, 10])
def test_the_week_is_one_page_of_paper(a_day, desk, cora, base_url):
    monday = full_week(a_day=a_day)
    sign_in(desk, cora, base_url)
    desk.goto(f"{reverse('desk_week')}?from={monday}")
    assert desk.locator(".week__run").count() == 7 * a_day
    count, boxes = pages_of(desk.pdf(prefer_css_page_size=True))
    assert count == 1
    # US Letter, landscape: 11 by 8.5 inches of 72 points (ANSI/ASME Y14.1, size A).
    assert boxes == {(0, 0, 792, 612)}


def test_a_page_too_many_would_be_counted(desk):
    desk.set_content("<p style='break-after: page'>one</p><p>two</p>")
    assert pages_of(desk.pdf())[0] == 2


@pytest.mark.with_and_without_javascript
def test_agreed_by_phone_is_one_tap_on_a_phone_and_undone(phone, cora, base_url):
    run = make_run()
    ready_person(name="Ana Ashgrove", phone="+15555550123")
    sign_in(phone, cora, base_url)
    phone.goto(reverse("desk"))
    expect(phone.get_by_role("link", name="Call Ana Ashgrove, (555) 555-0123")).to_have_attribute(
        "href", "tel:+15555550123"
    )
    phone.get_by_role("button", name=AGREED).click()
    expect(phone.get_by_role("status")).to_contain_text("Ana Ashgrove drives Morning run")
    assert run.bookings.live().get().person.name == "Ana Ashgrove"
    phone.get_by_role("button", name="Undo: take Ana out").click()
    expect(phone.get_by_role("status")).to_contain_text("Ana Ashgrove is out of Morning run")
    assert not run.bookings.live().exists()


@pytest.mark.with_and_without_javascript
def test_a_store_called_and_somebody_drives(phone, cora, base_url):
    SiteFactory(name="Mill Street Grocery")
    DropOffFactory(name="Elm Kitchen")
    ready_person(name="Ana Ashgrove")
    sign_in(phone, cora, base_url)
    phone.goto(reverse("desk"))
    phone.get_by_role("link", name="Add a one-off run").click()
    phone.get_by_label("Day").select_option(index=1)
    phone.get_by_role("button", name="Add it and see who can drive").click()
    expect(phone.get_by_role("link", name="When: Say the day and the time.")).to_be_visible()
    phone.get_by_label("Time").fill("17:30")
    phone.get_by_label("Crates or cases, about").fill("20")
    phone.get_by_role("button", name="Add it and see who can drive").click()
    expect(phone.get_by_role("heading", name="Mill Street Grocery to Elm Kitchen")).to_be_visible()
    phone.get_by_role("button", name=AGREED).first.click()
    expect(phone.get_by_role("status")).to_contain_text("Ana Ashgrove drives")


def everything():
    """Something on every part of the desk; the run with a ride behind it, and one that needs a driver."""
    sites = [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen")]
    past = make_run(starts_at=timezone.now() - timedelta(days=1), sites=sites)
    lead = lead_driver(name="Lea Linden")
    put(lead, past)
    put(make_ready(PersonFactory(name="Wait Will"), without=("ride",)), past, "second")
    gap = make_run(starts_at=timezone.now() + timedelta(hours=3), sites=sites)
    led = make_run(starts_at=timezone.now() + timedelta(days=1), sites=sites)
    put(lead, led)
    put(PersonFactory(name="Not Ready"), make_run(sites=sites))
    ready_person(name="Ana Ashgrove")
    asking = PersonFactory(name="Ask Ada", asking_since=timezone.localdate())
    Join.objects.create(person=asking, asked_at=timezone.now() - timedelta(days=3))
    return [reverse(name) for name in ("desk", "desk_week", "desk_orientation", "desk_new_run")] + [
        reverse("desk_run", args=[run.pk]) for run in (past, gap, led)
    ]


@pytest.mark.with_and_without_javascript
def test_orientation_hello_and_lead_driver_are_one_tap_each(phone, cora, base_url, axe):
    milo = PersonFactory(name="Milo Newcomer")
    Join.objects.create(person=milo, asked_at=timezone.now(), state="accepted", settled_at=timezone.now())
    ed = ready_person(name="Ed Experienced")
    for number in range(1, 11):
        put(ed, make_run(starts_at=timezone.now() - number * timedelta(days=1)))
    make_ready(PersonFactory(name="Kit Kay"), without=("kit", "ride"))
    sign_in(phone, cora, base_url)
    phone.goto(reverse("desk_orientation"))
    axe(phone)
    expect(phone.locator("strong", has_text="Stuck")).to_have_count(1)
    phone.get_by_role("button", name="I said hello to Milo").click()
    expect(phone.get_by_role("status")).to_contain_text("You said hello to Milo Newcomer")
    expect(phone.get_by_text("Has to read: Driver briefing.")).to_be_visible()
    phone.get_by_role("button", name="Make Ed a lead driver").click()
    expect(phone.get_by_role("status")).to_contain_text("Ed Experienced is a lead driver")
    expect(phone.get_by_role("heading", name="Could be lead drivers")).to_have_count(0)
    phone.get_by_role("button", name="Undo: no lead driver").click()
    expect(phone.get_by_role("heading", name="Ed Experienced")).to_be_visible()
    phone.goto(reverse("desk_orientation"))
    phone.get_by_role("link", name=re.compile("Hand it over.*Kit Kay")).click()
    phone.get_by_role("button", name="Tick off").click()
    expect(phone.get_by_role("heading", name="Orientation", exact=True)).to_be_visible()
    expect(phone.get_by_role("link", name=re.compile("Arrange a ride.*Kit Kay"))).to_be_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", ["phone", "desk"])
def test_no_fault_of_accessibility_and_nothing_sticks_out(width, scheme, request, cora, base_url, axe):
    page = request.getfixturevalue(width)
    page.emulate_media(color_scheme=scheme)
    addresses = everything()
    sign_in(page, cora, base_url)
    for address in addresses:
        page.goto(address)
        axe(page)
        assert page.locator("h1").count() == 1
        page.evaluate("document.querySelectorAll('main details').forEach(details => { details.open = true })")
        axe(page)
        wide = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
        assert wide[0] <= wide[1], address


def test_the_second_factor_page(phone, live_server, base_url, axe):
    sign_in(phone, coordinator(), base_url)
    phone.goto(reverse("desk"))
    expect(phone.get_by_role("heading", name="One more proof that it is you")).to_be_visible()
    axe(phone)
    phone.get_by_role("link", name="Set up one-time codes").click()
    expect(phone).to_have_url(re.compile("/account/"))


def test_the_first_screen_of_a_phone_shows_what_needs_a_driver(phone, cora, base_url):
    make_run(title="Morning run", starts_at=timezone.now() + timedelta(hours=3))
    ready_person(name="Ana Ashgrove")
    sign_in(phone, cora, base_url)
    phone.goto(reverse("desk"))
    for part in (
        phone.get_by_role("heading", name="Morning run"),
        phone.get_by_role("button", name=AGREED),
    ):
        expect(part.first).to_be_in_viewport()

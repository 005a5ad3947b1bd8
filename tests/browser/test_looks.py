"""A look before a change is saved, in a browser: read, gone back from, saved and taken back."""

from datetime import timedelta

import pytest
from allauth.mfa.models import Authenticator
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from shifts.schedule.making import Plan, add_shift
from shifts.seats import standing as regular
from shifts.seats.booking import seat
from sites.models import Programme
from tests.factories import DropOffFactory, SiteFactory, coordinator, ready_person
from volunteers.people import add_away


@pytest.fixture
def cora(live_server):
    cora = coordinator()
    Authenticator.objects.create(user=cora.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    return cora


@pytest.fixture
def weekly(live_server):
    """Every day at 8, from tomorrow: a regular driver, somebody booked who is away, somebody by phone."""
    dock, kitchen = (
        SiteFactory(name="Brambleway Market"),
        DropOffFactory(name="Cedar Room Kitchen and Pantry"),
    )
    today = timezone.localdate()
    stops = ((dock.pk, 0), (kitchen.pk, 40))
    plan = Plan(
        "FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR,SA,SU", timezone.now().time().replace(8, 0, 0, 0), 75, stops
    )
    shift = add_shift(name="Morning bread run", plan=plan, from_day=today + timedelta(days=1), by=None)
    runs = list(shift.runs.all())
    people = [
        ready_person(name="Delphine Marchbank-Oyelaran", phone="+15555550142"),
        ready_person(name="Bo Byrd", by_phone=True),
    ]
    for run, person in zip(runs, people, strict=False):
        seat(run=run, person=person, seat="driver", by=None, on_behalf=True)
    add_away(people[0], first=runs[0].local_date, last=runs[0].local_date, by=None)
    rita = ready_person(name="Rita Regular")
    regular.begin(regular.Wish(shift, rita, runs[2].local_date), by=None)
    return shift


def of_next_week():
    """A weekday on which none of those booked drives before next week."""
    return f"{timezone.localdate():%A}"


def sign_in(page, person, base_url):
    client = Client()
    client.force_login(person.user)
    page.context.add_cookies(
        [{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": base_url}]
    )


def is_sound(page, axe_in_light_and_dark):
    """No fault of accessibility, one h1, nothing that sticks out; folded and open, light and dark."""
    axe_in_light_and_dark(page)
    page.evaluate("document.querySelectorAll('main details').forEach(details => { details.open = true })")
    axe_in_light_and_dark(page)
    assert page.locator("h1").count() == 1
    wide = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert wide[0] <= wide[1]


@pytest.mark.parametrize("width", ["phone", "desk"])
def test_every_look_is_sound(width, request, cora, weekly, base_url, axe_in_light_and_dark):
    page = request.getfixturevalue(width)
    sign_in(page, cora, base_url)
    run = weekly.runs.first()
    dock, kitchen = (stop.site for stop in run.ordered_stops)

    page.goto(reverse("desk_shift", args=[weekly.pk]))
    page.get_by_text("Change it from a date on").click()
    page.get_by_label("Starts at").fill("09:30")
    page.get_by_label(of_next_week()).uncheck()
    page.get_by_role("button", name="Change it").click()
    expect(page.get_by_text("Nothing has been saved yet.")).to_be_visible()
    expect(page.get_by_role("heading", name="It may not fit any more")).to_be_visible()
    is_sound(page, axe_in_light_and_dark)
    page.get_by_role("button", name="Save it as shown").click()
    expect(page.get_by_role("button", name="Change it back from")).to_be_visible()
    is_sound(page, axe_in_light_and_dark)

    page.goto(reverse("desk_shift_end", args=[weekly.pk]))
    page.get_by_role("button", name="End it").click()
    expect(page.get_by_role("heading", name="Regular runs that end")).to_be_visible()
    is_sound(page, axe_in_light_and_dark)

    page.goto(reverse("desk_change_run", args=[run.pk]))
    is_sound(page, axe_in_light_and_dark)
    page.get_by_label("Starts at").fill("10:15")
    page.get_by_role("button", name="Look what it changes").click()
    is_sound(page, axe_in_light_and_dark)

    page.goto(reverse("desk_close", args=[kitchen.pk]))
    page.get_by_label("First closed day").fill(run.local_date.isoformat())
    page.get_by_label("Last closed day").fill((run.local_date + timedelta(days=8)).isoformat())
    page.get_by_label("Why").fill("Floor repair")
    page.get_by_role("button", name="Close it on these days").click()
    expect(page.get_by_role("link", name="choose other drop-offs for these days")).to_be_visible()
    is_sound(page, axe_in_light_and_dark)
    page.get_by_role("button", name="Save it as shown").click()
    is_sound(page, axe_in_light_and_dark)
    page.get_by_role("button", name="Undo: not closed").click()
    expect(page.get_by_role("heading", name="open after all")).to_be_visible()
    is_sound(page, axe_in_light_and_dark)

    page.goto(reverse("desk_site", args=[dock.pk]))
    page.get_by_text("Change name, address").click()
    page.get_by_label("Street and number").fill("9 Mill Street")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("heading", name="who is told of the change")).to_be_visible()
    is_sound(page, axe_in_light_and_dark)


@pytest.mark.with_and_without_javascript
def test_a_new_hour_is_looked_at_mended_saved_and_taken_back(phone, cora, weekly, base_url):
    sign_in(phone, cora, base_url)
    phone.goto(reverse("desk_shift", args=[weekly.pk]))
    phone.get_by_text("Change it from a date on").click()
    phone.get_by_label("Starts at").fill("07:30")
    phone.get_by_label("Crates expected").fill("31")
    phone.get_by_role("button", name="Change it").click()
    expect(phone.get_by_role("heading", name="3 people are told")).to_be_visible()
    phone.get_by_role("button", name="Change what I typed").click()
    expect(phone.get_by_label("Crates expected")).to_have_value("31")
    phone.get_by_label("Starts at").fill("08:30")
    phone.get_by_role("button", name="Change it").click()
    expect(phone.get_by_text("8:30 a.m., was 8:00 a.m.").first).to_be_visible()
    phone.get_by_role("button", name="Save it as shown").click()
    expect(phone.get_by_role("status")).to_contain_text("changed from")
    assert hours_of(weekly) == {"08:30"}
    phone.get_by_role("button", name="Change it back from").click()
    expect(phone.get_by_text("8:00 a.m., was 8:30 a.m.").first).to_be_visible()
    phone.get_by_role("button", name="Save it as shown").click()
    expect(phone.get_by_role("status")).to_contain_text("changed from")
    assert hours_of(weekly) == {"08:00"}


def hours_of(weekly):
    zone = Programme.current().zone
    return {run.starts_at.astimezone(zone).strftime("%H:%M") for run in weekly.runs.all()}

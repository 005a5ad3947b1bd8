"""Regular runs given at the desk on a phone, with scripts and without."""

import re
from datetime import time, timedelta

import pytest
from allauth.mfa.models import Authenticator
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from shifts.models import Standing
from shifts.schedule.making import Plan, add_shift
from tests.factories import DropOffFactory, SiteFactory, coordinator, ready_person


@pytest.fixture
def cora(live_server):
    cora = coordinator()
    Authenticator.objects.create(user=cora.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    return cora


@pytest.fixture
def shift(live_server):
    stops = ((SiteFactory(name="Mill Street Grocery").pk, 0), (DropOffFactory(name="Elm Kitchen").pk, 30))
    plan = Plan(rule="FREQ=WEEKLY;BYDAY=WE", starts=time(9), minutes=60, stops=stops)
    return add_shift(name="Wednesdays", plan=plan, from_day=timezone.localdate(), by=None)


@pytest.fixture
def at_the_desk(phone, cora, base_url):
    client = Client()
    client.force_login(cora.user)
    cookie = {"name": "sessionid", "value": client.cookies["sessionid"].value, "url": base_url}
    phone.context.add_cookies([cookie])
    return phone


@pytest.mark.with_and_without_javascript
def test_a_crew_of_many_is_found_by_letters_and_names_somebody(at_the_desk, shift, axe):
    page = at_the_desk
    for name in ("Ana Reyes", "Zack Zorn", "Zelda Zahl", "Bo Birch"):
        ready_person(name=name)
    page.goto(reverse("desk_shift", args=[shift.pk]))
    page.get_by_role("link", name="Give it to a crew").click()
    page.get_by_label("Name of the crew").fill("St. Elm choir")
    page.get_by_label("Captain").select_option("Ana Reyes")
    letters = page.get_by_label("Find members by the first letters")
    letters.fill("bo")
    page.get_by_role("button", name="Look").click()
    expect(page.get_by_label("Zack Zorn")).to_have_count(0)
    page.get_by_label("Bo Birch").check()
    letters.fill("z")
    letters.press("Enter")
    page.get_by_label("Zelda Zahl").check()
    expect(page.get_by_label("Bo Birch")).to_be_checked()
    expect(page.get_by_label("Name of the crew")).to_have_value("St. Elm choir")
    axe(page)
    page.get_by_role("button", name="Give it to the crew").click()
    expect(page.get_by_role("status")).to_contain_text("The crew St. Elm choir holds Wednesdays")
    crew = Standing.objects.get()
    assert {person.name for person in crew.members.all()} == {"Bo Birch", "Zelda Zahl"}
    run = shift.runs.filter(starts_at__gt=timezone.now() + timedelta(days=1)).first()
    page.goto(reverse("desk_run", args=[run.pk]))
    page.get_by_role("button", name=re.compile("Name them.*Bo Birch")).click()
    expect(page.get_by_role("status")).to_contain_text("Bo Birch of St. Elm choir drives Wednesdays")
    axe(page)


@pytest.mark.with_and_without_javascript
def test_given_skipped_and_taken_back(at_the_desk, shift, axe):
    page = at_the_desk
    ana = ready_person(name="Ana Reyes")
    page.goto(reverse("desk_shift", args=[shift.pk]))
    page.get_by_role("link", name="Give it to somebody").click()
    page.get_by_role("button", name="Give it to them").click()
    expect(page.get_by_role("link", name="Who: Choose somebody.")).to_be_visible()
    page.get_by_label("Who").select_option("Ana Reyes")
    page.get_by_role("button", name="Give it to them").click()
    expect(page.get_by_role("status")).to_contain_text("Ana Reyes drives Wednesdays")
    count = ana.bookings.live().count()
    page.get_by_role("link", name=re.compile("Skip dates.*Ana Reyes")).click()
    day = timezone.localdate() + timedelta(days=8)
    page.get_by_label("First day").fill(day.isoformat())
    page.get_by_label("Last day").fill((day + timedelta(days=6)).isoformat())
    page.get_by_role("button", name="Skip these days").click()
    expect(page.get_by_role("status")).to_contain_text("Ana Reyes is off Wednesdays")
    assert ana.bookings.live().count() == count - 1
    page.get_by_role("button", name="Undo: theirs again").click()
    expect(page.get_by_role("status")).to_contain_text("drives 1 run of these days")
    assert ana.bookings.live().count() == count
    axe(page)

"""A span of days and a closed door, in a browser: on a phone and at a desk, with and without scripts."""

import re
from datetime import datetime, time, timedelta

import pytest
from allauth.mfa.models import Authenticator
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from shifts.models import Run
from sites.changes import change_programme
from sites.models import Programme
from tests.browser.test_every_page import sign_in
from tests.factories import DropOffFactory, SiteFactory, coordinator, make_run, put, ready_person

pytestmark = pytest.mark.django_db(transaction=True)
DAY = timedelta(days=1)


@pytest.fixture
def cora(live_server):
    cora = coordinator()
    Authenticator.objects.create(user=cora.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    change_programme(
        by=None, name="Fernhollow Food Run", contact_name="Cora Desk", contact_phone="+15555550100"
    )
    return cora


@pytest.fixture
def oak(live_server):
    return DropOffFactory(name="Oak Pantry", foods="bread, produce")


@pytest.fixture
def runs(oak):
    """Three runs the day after tomorrow and one the day after, the first two with a driver."""
    zone = Programme.current().zone
    morning = datetime.combine(timezone.localdate(timezone.now(), zone) + 2 * DAY, time(9), zone)
    sites = [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen", fallback=oak)]
    titles = ["Morning bread", "Noon produce", "Evening bread", "Next day produce"]
    hours = [0, 3, 8, 24]
    found = [
        make_run(starts_at=morning + timedelta(hours=hour), sites=sites, title=title, crates=12)
        for title, hour in zip(titles, hours, strict=True)
    ]
    ana = ready_person(name="Ana Ashgrove", phone="+15555550123")
    put(ana, found[0])
    put(ana, found[1])
    return found


def page_of(runs):
    return f"{reverse('desk_days')}?from={runs[0].local_date}&to={runs[-1].local_date}"


def row(page, run):
    return page.locator(f"#run-{run.pk}")


@pytest.mark.with_and_without_javascript
@pytest.mark.parametrize("width", ["phone", "desk"])
def test_a_day_is_cancelled_but_for_one_run_and_undone(width, request, cora, runs, axe):
    page = request.getfixturevalue(width)
    sign_in(page, cora.user)
    page.goto(page_of(runs))
    axe(page)
    row(page, runs[3]).get_by_label("Move").check()
    row(page, runs[3]).get_by_label("New time").fill("10:30")
    day = page.locator("section.day").first
    day.get_by_text("Cancel the whole day").click()
    day.get_by_label("Why").last.fill("The roads are closed for snow")
    day.get_by_role("button", name="Cancel every run of").click()
    expect(page.get_by_role("status")).to_contain_text("Nothing is saved yet")
    expect(row(page, runs[3]).get_by_label("New time")).to_have_value("10:30")  # what was typed is kept
    for run in runs[:3]:
        expect(row(page, run).get_by_label("Why")).to_have_value("The roads are closed for snow")
    row(page, runs[2]).get_by_label("Keep").check()
    expect(row(page, runs[2]).get_by_label("Why")).to_be_hidden()
    axe(page)
    page.get_by_role("button", name="See what changes").first.click()
    expect(page.get_by_role("heading", name="3 runs change")).to_be_visible()
    expect(page.get_by_role("link", name="Ana Ashgrove")).to_have_count(1)
    axe(page)
    page.get_by_role("button", name="Do it").click()
    expect(page.get_by_role("status")).to_contain_text("3 runs changed, 1 person told.")
    assert [run.is_cancelled for run in Run.objects.order_by("starts_at")] == [True, True, False, False]
    axe(page)
    page.get_by_role("button", name="Undo: all as it was before").click()
    expect(page.get_by_role("status")).to_contain_text("3 runs changed, 1 person told.")
    assert not Run.objects.exclude(cancelled_at=None).exists()
    assert Run.objects.get(pk=runs[3].pk).starts_at == runs[3].starts_at


@pytest.mark.with_and_without_javascript
def test_what_cannot_be_is_told_at_the_run_and_linked_from_the_top(phone, cora, runs, axe):
    sign_in(phone, cora.user)
    phone.goto(page_of(runs))
    row(phone, runs[2]).get_by_label("Cancel").check()
    phone.get_by_role("button", name="See what changes").last.click()
    expect(phone.locator("#error-summary")).to_contain_text("Evening bread")
    expect(row(phone, runs[2])).to_contain_text("Say why")
    axe(phone)


def test_enter_in_a_field_looks_and_cancels_no_day(desk, cora, runs):
    sign_in(desk, cora.user)
    desk.goto(page_of(runs))
    row(desk, runs[2]).get_by_label("Cancel").check()
    row(desk, runs[2]).get_by_label("Why").fill("Snow")
    row(desk, runs[2]).get_by_label("Why").press("Enter")
    expect(desk.get_by_role("heading", name="1 run changes")).to_be_visible()


def test_the_choices_are_made_with_the_keyboard(desk, cora, runs):
    sign_in(desk, cora.user)
    desk.goto(page_of(runs))
    row(desk, runs[0]).get_by_label("Keep").focus()
    desk.keyboard.press("ArrowRight")
    expect(row(desk, runs[0]).get_by_label("Why")).to_be_visible()
    desk.keyboard.press("Tab")
    expect(row(desk, runs[0]).get_by_label("Why")).to_be_focused()


@pytest.mark.with_and_without_javascript
def test_nobody_at_the_door(phone, cora, oak, axe):
    sites = [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen", fallback=oak)]
    run = make_run(starts_at=timezone.now().replace(microsecond=0) - timedelta(minutes=20), sites=sites)
    ana = ready_person(name="Ana Ashgrove", sign_in=True)
    put(ana, run)
    sign_in(phone, ana.user)
    phone.goto(reverse("run", args=[run.pk]))
    axe(phone)
    expect(phone.get_by_role("heading", name="Nobody there at Elm Kitchen?")).to_be_visible()
    phone.get_by_role("button", name="I am taking it there").click()
    expect(phone.get_by_role("status")).to_contain_text("Noted: the food goes to Oak Pantry.")
    axe(phone)
    phone.get_by_role("button", name="Undo: I am going to Elm Kitchen after all").click()
    expect(phone.get_by_role("heading", name="Nobody there at Elm Kitchen?")).to_be_visible()
    sign_in(phone, cora.user)
    phone.goto(reverse("desk_run", args=[run.pk]))
    axe(phone)
    phone.get_by_role("button", name=re.compile("Take it there.*Oak Pantry")).click()
    expect(phone.get_by_role("status")).to_contain_text("The food goes to Oak Pantry instead of Elm Kitchen.")

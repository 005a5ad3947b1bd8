"""A regular run begun, skipped, handed on and stopped in a browser, with scripts and without."""

import re
from datetime import time, timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from shifts.models import HandOver, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats import standing as regular
from shifts.seats.handover import token_of
from tests.browser.test_every_page import sign_in
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, make_ready, ready_person

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.with_and_without_javascript]


@pytest.fixture
def shift():
    sites = [SiteFactory(name="Plum Dock"), DropOffFactory(name="Oak Pantry")]
    plan = Plan(
        rule="FREQ=WEEKLY;BYDAY=SA", starts=time(8), minutes=60, stops=((sites[0].pk, 0), (sites[1].pk, 30))
    )
    return add_shift(name="Saturday run", from_day=timezone.now().date(), by=None, plan=plan)


@pytest.fixture
def ana(shift):
    return make_ready(PersonFactory(name="Ana Bell", sign_in=True))


def runs_of(shift):
    return list(shift.runs.ahead(timezone.now()))


def test_begun_skipped_undone_and_stopped(phone, axe, shift, ana):
    sign_in(phone, ana.user)
    run = runs_of(shift)[0]
    phone.goto(f"/runs/{run.pk}/")
    phone.get_by_role("link", name="Make it my regular run").click()
    phone.get_by_label("Every 2 weeks on Saturday").check()
    axe(phone)
    phone.get_by_role("button", name="Make it my regular run").click()
    expect(phone.get_by_text("It is your regular run now.")).to_be_visible()
    axe(phone)
    skips = phone.get_by_role("button", name=re.compile("^Skip (?!these)"))
    count = skips.count()
    skips.first.click()
    expect(phone.get_by_text("Your other dates stay yours.").first).to_be_visible()
    axe(phone)
    assert skips.count() == count - 1
    phone.get_by_role("button", name="Not skipped after all", exact=True).click()
    expect(phone.get_by_text("Yours again:")).to_be_visible()
    phone.get_by_role("button", name="Skip these dates").click()
    expect(phone.get_by_text("Give the first day.").first).to_be_visible()
    axe(phone)
    phone.get_by_label("First day").fill((run.slot_date + timedelta(days=100)).isoformat())
    phone.get_by_label("Last day").fill((run.slot_date + timedelta(days=120)).isoformat())
    phone.get_by_label("Why?").fill("Family visit")
    phone.get_by_role("button", name="Skip these dates").click()
    expect(phone.get_by_text("Family visit")).to_be_visible()
    phone.get_by_role("button", name="Take back").click()
    expect(phone.get_by_text("Family visit")).to_have_count(0)
    phone.get_by_role("link", name="Stop my regular run").click()
    axe(phone)
    phone.get_by_role("button", name="Stop my regular run").click()
    expect(phone.get_by_text("This regular run has ended.")).to_be_visible()
    axe(phone)


def test_handed_on_by_one_phone_and_taken_on_another(open_page, phone, axe, shift, ana):
    ready_person(name="Ben Okoro")
    run = runs_of(shift)[0]
    regular.begin(regular.Wish(shift, ana, run.slot_date), by=None)
    sign_in(phone, ana.user)
    phone.goto(f"/runs/{run.pk}/")
    axe(phone)
    phone.get_by_role("link", name="Hand it to somebody").click()
    axe(phone)
    phone.get_by_role("button", name="Ask Ben O.").click()
    expect(phone.get_by_text("Ben O. is asked to take it")).to_be_visible()
    axe(phone)
    other = open_page({"viewport": {"width": 390, "height": 844}})
    link = f"/handover/{token_of(HandOver.objects.get())}/"
    other.goto(link)
    axe(other)
    other.get_by_role("button", name="Yes, I drive it").click()
    expect(other.get_by_role("heading", level=1)).to_have_text("You drive")
    axe(other)
    phone.goto(f"/runs/{run.pk}/")
    expect(phone.get_by_text("Ben").first).to_be_visible()
    expect(phone.get_by_text("I can't make it", exact=True)).to_have_count(0)


def test_a_captain_names_a_driver_for_each_run(desk, axe, shift, ana):
    crew = regular.begin(
        regular.Wish(shift, ana, runs_of(shift)[0].slot_date, crew="Harbor Choir"), by=None, on_behalf=True
    )
    crew.members.set([ready_person(name="Ben Okoro")])
    sign_in(desk, ana.user)
    desk.goto(f"/regular/{crew.pk}/")
    axe(desk)
    desk.get_by_role("button", name="Name Ben").first.click()
    expect(desk.get_by_text("and is told.")).to_be_visible()
    assert Standing.objects.get().shift.runs.filter(bookings__person__name="Ben Okoro").count() == 1

"""From a reminder, on a phone that is not signed in: the word, the sheet, and no more of these mails."""

import re
from datetime import timedelta
from urllib.parse import urlsplit

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from shifts.cover.reminders import remind
from shifts.models import Booking
from shifts.seats import own_links
from sites.models import Contact, Programme, Site
from tests.factories import make_run, put, ready_person
from volunteers.doors import publish, read
from volunteers.models import Message, Person

pytestmark = pytest.mark.django_db(transaction=True)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@pytest.fixture
def ina(live_server):
    return ready_person(name="Ina Quell", sign_in=True)


@pytest.fixture
def mail(ina, open_page):
    """The reminder of a run that begins in some hours; whatever hour it is now, its evening has passed."""
    Programme.current()
    Programme.objects.update(contact_name="Cora Desk", contact_phone="+15555550100")
    run = make_run(title="Plum run", starts_at=timezone.now().replace(microsecond=0) + 3 * HOUR)
    Contact.objects.create(site=run.ordered_stops[0].site, name="Dana Dock", phone="+15555550177")
    publish(run.ordered_stops[0].site, {"entrance": "The blue door"}, by=None)
    put(ina, run)
    Booking.objects.update(booked_at=timezone.now() - 10 * DAY)
    remind(timezone.now())
    return Message.objects.get(person=ina, kind="reminder").text


def link_in(mail, kind):
    return urlsplit(re.search(rf"\S+/{kind}/\S+", mail).group()).path


@pytest.mark.with_and_without_javascript
def test_one_tap_says_that_they_will_be_there_and_another_that_they_cannot(phone, axe, ina, mail):
    phone.goto(link_in(mail, "confirm"))
    axe(phone)
    assert not Booking.objects.get().confirmed_at
    phone.get_by_role("button", name="I'll be there").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("You will be there")
    assert Booking.objects.get().confirmed_at
    axe(phone)
    expect(phone.get_by_role("link", name="Cora Desk, (555) 555-0100")).to_be_visible()
    phone.get_by_role("button", name="I can't make it after all").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("You are off this run")
    assert Booking.objects.get().end == Booking.End.GIVEN_BACK
    axe(phone)
    for site in Site.objects.filter(gives=True):
        read(site, person=ina, revision=1, by=None)  # as everybody who takes a seat
    phone.get_by_role("button", name="I can make it after all").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("Will you be there?")
    assert Booking.objects.live().count() == 1


@pytest.mark.with_and_without_javascript
def test_no_more_reminders_and_again(phone, axe, mail):
    phone.goto(link_in(mail, "stop"))
    axe(phone)
    assert Person.objects.get(name="Ina Quell").wants_reminders
    phone.get_by_role("button", name="No more reminders").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("You get no reminders by mail")
    assert not Person.objects.get(name="Ina Quell").wants_reminders
    axe(phone)
    phone.get_by_role("button", name="Send me reminders again").click()
    expect(phone.get_by_role("button", name="No more reminders")).to_be_visible()
    assert Person.objects.get(name="Ina Quell").wants_reminders


@pytest.mark.with_and_without_javascript
def test_the_sheet_opens_without_signing_in(phone, axe, mail):
    phone.goto(link_in(mail, "sheet"))
    expect(phone.get_by_text("Dana Dock")).to_be_visible()
    axe(phone)
    phone.get_by_role("button", name="I have read them").click()
    expect(phone.get_by_text("Thank you. It is noted that you have read")).to_be_visible()
    axe(phone)
    phone.get_by_role("link", name="Sign in for everything else").click()
    expect(phone).to_have_url(re.compile("/account/login/"))


def test_a_sheet_that_has_ended_says_so(phone, axe, ina):
    run = make_run(starts_at=timezone.now() - 2 * DAY)
    booking = put(ina, run)
    phone.goto(urlsplit(own_links.sheet_link(booking, Programme.current())).path)
    expect(phone.get_by_role("heading", level=1)).to_have_text("This link has ended")
    axe(phone)


def test_no_phone_keeps_it(phone, mail):
    """Whoever signs in there next must not find it."""
    phone.goto(link_in(mail, "sheet"))
    phone.wait_for_load_state("networkidle")
    assert phone.evaluate("caches.keys()") == []

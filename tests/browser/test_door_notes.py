"""New door notes in a browser, with JavaScript and without: read and booked in one step; looked at before
they are saved, with every line break of what was typed."""

import pytest
from allauth.mfa.models import Authenticator
from playwright.sync_api import expect

from shifts.models import Booking
from tests.browser.test_every_page import sign_in
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, coordinator, make_ready, make_run, put
from volunteers.doors import publish, read
from volunteers.models import Completion, Step

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.with_and_without_javascript]


@pytest.fixture
def dock(live_server):
    site = SiteFactory(name="Brambleway Market")
    publish(site, {"entrance": "Dock 2, ring once"}, by=None)
    return site


@pytest.fixture
def run(dock):
    return make_run(title="Thursday market run", sites=[dock, DropOffFactory()])


@pytest.fixture
def ana(dock):
    """Ready in all but this door."""
    person = make_ready(PersonFactory(name="Ana Bell", sign_in=True))
    Completion.objects.filter(person=person, step__kind=Step.Kind.DOORS).delete()
    return person


def test_read_and_booked_in_one_step_and_new_ones_come_first(phone, axe, ana, dock, run):
    sign_in(phone, ana.user)
    phone.goto("/runs/")
    expect(phone.get_by_text("Read the door notes and drive")).to_be_visible()
    phone.get_by_role("link", name="Thursday market run").click()
    expect(phone.get_by_text("Dock 2, ring once").first).to_be_visible()
    axe(phone)
    phone.get_by_role("button", name="I have read these door notes: take the driver's seat").click()
    expect(phone.get_by_role("heading", name="What happens next")).to_be_visible()
    assert Booking.objects.live().get(run=run).person == ana

    publish(dock, {"entrance": "Dock 5, knock"}, by=None)
    phone.goto("/")
    phone.get_by_role("link", name="Read them before you go").click()
    expect(phone.get_by_text("Dock 5, knock").first).to_be_visible()
    axe(phone)
    phone.get_by_role("button", name="I have read them").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("Thursday market run")
    expect(phone.get_by_role("heading", name="New door notes")).to_have_count(0)


def test_the_desk_looks_before_saving_and_loses_nothing_that_was_typed(desk, axe, ana, dock, run):
    read(dock, person=ana, revision=1, by=None)
    put(ana, run)
    cora = coordinator()
    Authenticator.objects.create(user=cora.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    sign_in(desk, cora.user)
    typed = "Dock 5, knock.\nThen up the stairs,\n\nand left."
    desk.goto(f"/desk/sites/{dock.pk}/door-notes/")
    desk.get_by_label("Which door").fill(typed)
    desk.get_by_label("Must be read again before driving there").check()
    desk.get_by_role("button", name="Save").click()
    expect(desk.get_by_role("link", name="Ana Bell")).to_be_visible()
    axe(desk)
    desk.get_by_role("button", name="Change the text").click()
    expect(desk.get_by_label("Which door")).to_have_value(typed)
    expect(desk.get_by_label("Must be read again before driving there")).to_be_checked()
    desk.get_by_role("button", name="Save").click()
    desk.get_by_role("button", name="Save the door notes").click()
    expect(
        desk.get_by_role("heading", name="Booked here and not yet read the newest door notes")
    ).to_be_visible()
    axe(desk)
    assert dock.door_notes().entrance == typed
    desk.get_by_role("button", name="Told by phone: they know it").click()
    expect(desk.get_by_text("Noted: Ana Bell knows the door notes")).to_be_visible()
    axe(desk)

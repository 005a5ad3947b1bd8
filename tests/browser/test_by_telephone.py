"""Ill at 6:40, all by telephone: the coordinator, on a phone herself, takes the driver out, calls the first
name of the call list, and has somebody for eight o'clock in four taps."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from playwright.sync_api import expect

from shifts.models import Ask, Booking
from shifts.seats.booking import give_back, seat
from sites.models import Programme
from tests.browser.conftest import PHONE
from tests.browser.test_every_page import sign_in
from tests.factories import coordinator, make_run, ready_person
from volunteers import outbox
from volunteers.models import Message

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.with_and_without_javascript]
# A weekday ahead: a session that began in the past would have ended for the browser.
DAWN = datetime(2030, 3, 5, 6, 40, tzinfo=ZoneInfo("America/New_York"))
# The run on the desk, "Take out", the number, "Agreed by phone". Our own bound; no published source.
MOST_TAPS = 4


class Finger:
    """Taps on a page, and counts them."""

    def __init__(self, page):
        self.page, self.taps = page, 0

    def tap(self, found):
        self.taps += 1
        found.tap()

    def dial(self, found, number):
        """A tap on a telephone number that could be made; the telephone itself stays silent."""
        self.taps += 1
        expect(found).to_have_attribute("href", f"tel:{number}")
        found.tap(trial=True)


@pytest.fixture(autouse=True)
def _dawn():
    with time_machine.travel(DAWN):
        yield


@pytest.fixture
def cora():
    reached = {"contact_name": "Cora Desk", "contact_phone": "+15555550100"}
    Programme.objects.update_or_create(pk=1, defaults={**reached, "time_zone": "America/New_York"})
    person = coordinator()
    Authenticator.objects.create(user=person.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    return person


@pytest.fixture
def run(cora):
    """At eight, Gus's, with two who could drive it."""
    found = make_run(title="Market run", starts_at=DAWN.replace(hour=8, minute=0))
    seat(run=found, person=ready_person(name="Gus Reyes"), seat="driver", by=None)
    ready_person(name="Ana Bell", phone="+15555550131")
    ready_person(name="Ben Okoro", phone="+15555550132")
    outbox.drain()
    return found


def driver_of(run):
    booking = Booking.objects.live().drivers().filter(run=run).select_related("person").first()
    return booking and booking.person.name


def owed():
    """What is still to be mailed, and to whom."""
    return sorted(Message.objects.unsent().values_list("kind", "person__name"))


def in_the_list(page, name):
    """Somebody's row of a call list: of the run's own, or of the desk's under a run."""
    return page.get_by_role("listitem").filter(has=page.get_by_role("link", name=name, exact=True)).last


def test_taken_out_called_and_driven_in_four_taps(open_page, axe, cora, run):
    page = open_page(PHONE)
    finger = Finger(page)
    sign_in(page, cora.user)
    page.goto("/desk/")
    expect(page.get_by_text("No run needs a driver now")).to_be_visible()
    axe(page)

    finger.tap(page.get_by_role("link", name="Market run"))
    expect(page.get_by_role("heading", level=1)).to_have_text("Market run")
    axe(page)
    finger.tap(page.get_by_role("button", name="Take out"))
    expect(page.get_by_text("Gus Reyes is out of Market run")).to_be_visible()
    assert driver_of(run) is None
    axe(page)

    ana = in_the_list(page, "Ana Bell")
    finger.dial(ana.get_by_role("link", name="Call Ana Bell"), "+15555550131")
    finger.tap(ana.get_by_role("button", name="Agreed by phone"))
    expect(page.get_by_text("Ana Bell drives Market run")).to_be_visible()
    expect(page.get_by_text("A mail with the invitation goes to them.")).to_be_visible()
    axe(page)
    assert finger.taps <= MOST_TAPS

    assert driver_of(run) == "Ana Bell"
    assert owed() == [("booked", "Ana Bell"), ("ended", "Gus Reyes")]
    invitation = Message.objects.get(kind="booked", person__name="Ana Bell")
    assert b"method=REQUEST" in bytes(invitation.raw).replace(b'"', b"")
    ask = Ask.objects.get(search__run=run)
    assert (ask.person.name, ask.answer, ask.answered_by) == ("Ana Bell", Ask.Answer.YES, cora.user)
    page.goto("/desk/")
    expect(page.get_by_text("No run needs a driver now")).to_be_visible()
    expect(page.get_by_role("region", name="Needs a driver").get_by_text("Market run")).to_have_count(0)
    axe(page)


def test_the_last_tap_is_undone_by_one(open_page, axe, cora, run):
    """The thumb hit the wrong name: one tap takes it back with what was noted, one more has the right one."""
    page = open_page(PHONE)
    finger = Finger(page)
    sign_in(page, cora.user)
    page.goto(f"/desk/runs/{run.pk}/")
    finger.tap(page.get_by_role("button", name="Take out"))
    finger.tap(in_the_list(page, "Ben Okoro").get_by_role("button", name="Agreed by phone"))
    expect(page.get_by_text("Ben Okoro drives Market run")).to_be_visible()

    finger.tap(page.get_by_role("button", name="Undo: take Ben out"))
    expect(page.get_by_text("Ben Okoro is out of Market run")).to_be_visible()
    axe(page)
    assert driver_of(run) is None
    assert "booked" not in dict(owed())
    assert not Ask.objects.filter(search__run=run, answer=Ask.Answer.YES).exists()

    finger.tap(in_the_list(page, "Ana Bell").get_by_role("button", name="Agreed by phone"))
    expect(page.get_by_text("Ana Bell drives Market run")).to_be_visible()
    assert driver_of(run) == "Ana Bell"
    assert ("booked", "Ana Bell") in owed()
    assert finger.taps == MOST_TAPS


def test_a_call_that_nobody_took_is_noted_and_the_desk_goes_on_to_the_next(open_page, axe, cora, run):
    """On the desk itself, three names under the run: the same two taps a name, without opening the run."""
    page = open_page(PHONE)
    finger = Finger(page)
    sign_in(page, cora.user)
    give_back(Booking.objects.get(run=run), end=Booking.End.TAKEN_OUT, by=cora.user)
    page.goto("/desk/")
    finger.tap(in_the_list(page, "Ana Bell").get_by_role("button", name="No answer"))
    expect(page.get_by_text("Noted: Ana Bell did not answer")).to_be_visible()
    axe(page)
    ben = in_the_list(page, "Ben Okoro")
    finger.dial(ben.get_by_role("link", name="Call Ben Okoro"), "+15555550132")
    finger.tap(ben.get_by_role("button", name="Agreed by phone"))
    expect(page.get_by_text("Ben Okoro drives Market run")).to_be_visible()
    expect(page.get_by_text("No run needs a driver now")).to_be_visible()
    axe(page)
    assert driver_of(run) == "Ben Okoro"
    assert finger.taps == 3

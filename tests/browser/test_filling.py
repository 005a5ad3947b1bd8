"""A driver falls ill at 6:40 in the morning, in a browser: the run is given back, those who allow it are
asked, two say yes, one drives and one is thanked, and the desk is clear again."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from playwright.sync_api import expect

from shifts.cover.asking import ask_around
from shifts.models import Ask, Booking
from shifts.seats.booking import seat
from sites.models import Programme
from tests.browser.conftest import DESK, PHONE
from tests.browser.test_every_page import sign_in
from tests.factories import coordinator, make_run, ready_person
from volunteers import outbox
from volunteers.models import Message

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.with_and_without_javascript]
ZONE = ZoneInfo("America/New_York")
# A weekday ahead: a session that began in the past would have ended for the browser.
DAWN = datetime(2030, 3, 5, 6, 40, tzinfo=ZONE)


def link_in(person):
    """Where the mail of the request leads."""
    message = Message.objects.get(kind="request", person=person)
    assert message.state == Message.State.SENT
    return next(line for line in message.text.splitlines() if "/requests/" in line).strip()


@time_machine.travel(DAWN)
def test_ill_at_6_40_and_driven_at_9(open_page, axe, live_server):
    reached = {"contact_name": "Cora Desk", "contact_phone": "+15555550100"}
    Programme.objects.update_or_create(pk=1, defaults={**reached, "time_zone": "America/New_York"})
    cora = coordinator()
    Authenticator.objects.create(user=cora.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    gus = ready_person(name="Gus Reyes", sign_in=True)
    run = make_run(title="Market run", starts_at=DAWN.replace(hour=9, minute=0))
    ana, ben = (ready_person(name=name, early_requests=True) for name in ("Ana Bell", "Ben Okoro"))
    asleep = ready_person(name="Cem Aydin")
    seat(run=run, person=gus, seat="driver", by=None)

    ill = open_page(PHONE)
    sign_in(ill, gus.user)
    ill.goto(f"/runs/{run.pk}/give-back/")
    number = ill.get_by_role("link", name="Cora Desk, (555) 555-0100")
    expect(number).to_have_attribute("href", "tel:+15555550100")
    ill.get_by_label("I am ill").check()
    axe(ill)
    ill.get_by_role("button", name="Give the seat back").click()
    expect(ill.get_by_text("come back no sooner than 24 hours after it has ended")).to_be_visible()
    axe(ill)

    desk = open_page(DESK)
    sign_in(desk, cora.user)
    desk.goto("/desk/")
    alert = desk.get_by_role("region", name="Given back at the last moment")
    expect(alert).to_contain_text("Gus Reyes cannot make it")
    expect(alert).to_contain_text("Nobody drives it yet.")
    assert "ill" not in Booking.objects.get(person=gus).end_note
    axe(desk)

    assert ask_around(datetime.now(ZONE)) == 2  # who is asleep is not woken
    outbox.drain()
    assert not Ask.objects.filter(person=asleep).exists()
    desk.goto(f"/desk/runs/{run.pk}/")
    asking = desk.get_by_role("region", name="Asking around")
    for name in ("Ana Bell", "Ben Okoro"):
        expect(asking.get_by_role("listitem").filter(has_text=name)).to_contain_text("no answer yet")
    expect(asking).to_contain_text("Quiet hours until 8:00 a.m.")
    axe(desk)

    first, second = open_page(PHONE), open_page(PHONE)
    first.goto(link_in(ana))
    second.goto(link_in(ben))
    for page in (first, second):
        expect(page.get_by_role("heading", level=1)).to_have_text("Can you take this run?")
    axe(first)
    first.get_by_role("button", name="Yes, I drive it").click()
    expect(first.get_by_role("heading", level=1)).to_have_text("You drive")
    axe(first)
    second.get_by_role("button", name="Yes, I drive it").click()
    expect(second.get_by_role("heading", level=1)).to_have_text("Somebody was faster")
    axe(second)
    second.get_by_role("button", name="Yes, keep me as a back-up").click()
    expect(second.get_by_text("you are asked first")).to_be_visible()
    axe(second)
    assert Booking.objects.live().get(run=run).person == ana

    desk.goto("/desk/")
    expect(alert).to_contain_text("Ana Bell drives now.")
    alert.get_by_role("button", name="Seen").click()
    expect(alert).to_have_count(0)
    expect(desk.get_by_text("No run needs a driver now")).to_be_visible()
    desk.goto(f"/desk/runs/{run.pk}/")
    late = asking.get_by_role("listitem").filter(has_text="Ben Okoro")
    expect(late).to_contain_text("yes, too late, back-up")
    axe(desk)

"""The way of a new driver in a browser, as the three it takes see it: the newcomer on a phone, the
coordinator at the desk, the lead driver at a dock without signal. And what goes wrong, at each step."""

import re
from datetime import timedelta

import pytest
from allauth.mfa.models import Authenticator
from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.models import Session
from django.db.models import F
from django.utils import timezone
from playwright.sync_api import expect

from shifts.models import Booking, Pairing, Policy, Run, SentOnce
from shifts.seats import pairing
from shifts.seats.booking import seat
from sites.models import Event, Programme
from tests.browser.conftest import DESK, PHONE
from tests.browser.test_briefing import choose
from tests.browser.test_every_page import sign_in
from tests.browser.test_sheet import CONTROLLED, fill_in, is_kept, kept, sheet, wait_for_copies
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_ready,
    make_run,
    picture,
    put,
)
from volunteers import reading
from volunteers.doors import publish
from volunteers.models import Completion, Message, Person, SignOff, Step
from volunteers.progress import today

pytestmark = pytest.mark.django_db(transaction=True)

SECOND = Booking.Seat.SECOND
DAY = timedelta(days=1)
READY = "You are ready to drive alone."
NEXT_YEAR = f"3/31/{timezone.now().year + 1}"


# --- the world


@pytest.fixture
def sites(live_server):
    dock, kitchen = SiteFactory(name="Brambleway Market"), DropOffFactory(name="Cedar Kitchen")
    publish(dock, {"entrance": "Dock 2, ring once"}, by=None)
    publish(kitchen, {"entrance": "Double doors at the back"}, by=None)
    return [dock, kitchen]


@pytest.fixture
def lee(sites):
    return lead_driver(name="Lee Lead", email="lee@example.org", sign_in=True)


@pytest.fixture
def led(sites, lee):
    """Lee drives, three days ahead, and the second seat is empty."""
    run = make_run(title="Plum run", sites=sites)
    put(lee, run)
    return run


@pytest.fixture
def free(sites, led):
    """Nobody drives yet, two days later."""
    return make_run(title="Quince run", sites=sites, starts_at=led.starts_at + 2 * DAY)


@pytest.fixture
def cora(live_server):
    cora = coordinator()
    Authenticator.objects.create(user=cora.user, type=Authenticator.Type.TOTP, data={"secret": "x"})
    return cora


@pytest.fixture
def at_desk(open_page, cora):
    """Cora's screen."""
    page = open_page(DESK)
    sign_in(page, cora.user)
    return page


@pytest.fixture
def at_dock(open_page, lee):
    """Lee's phone, with nobody signed in yet: a private link needs none."""
    return open_page(PHONE)


def trainee(**facts):
    """Somebody who lacks only the shadow ride, and has waited for it for more than a week."""
    person = make_ready(PersonFactory(name="Tom Wren", sign_in=True, **facts), without=("ride",))
    person.completions.update(valid_from=today() - 10 * DAY)
    return person


# --- time


def wait(person, days):
    """So many days go by for somebody: what they have done, and when they came, is longer ago."""
    Person.objects.filter(pk=person.pk).update(joined_on=F("joined_on") - days * DAY)
    for completion in person.completions.all():
        Completion.objects.filter(pk=completion.pk).update(valid_from=completion.valid_from - days * DAY)


def begins(run, minutes=30):
    """The run's day has come: it began so many minutes ago."""
    start = timezone.now() - timedelta(minutes=minutes)
    day = start.astimezone(Programme.current().zone).date()
    length = run.ends_at - run.starts_at
    Run.objects.filter(pk=run.pk).update(starts_at=start, ends_at=start + length, local_date=day)
    run.refresh_from_db()


def ends(run):
    begins(run, minutes=(run.ends_at - run.starts_at).total_seconds() / 60 + 10)


def run_out(user):
    """Their sign-in has lasted as long as it lasts."""
    for session in Session.objects.all():
        if session.get_decoded().get(SESSION_KEY) == str(user.pk):
            session.delete()


# --- what is seen


def row_of(desk, name):
    """Somebody's row on the orientation page."""
    desk.goto("/desk/orientation/")
    return desk.get_by_role("listitem").filter(has_text=name)


def next_step(page):
    """The one thing to do next, on one's own page."""
    page.goto("/orientation/")
    return page.locator("section.first")


def said(page, words):
    """A message at the top of the page."""
    expect(page.get_by_role("status").filter(has_text=words)).to_be_visible()


def named(*words):
    """A name that has these words in this order, however it goes on between them."""
    return re.compile(".*".join(words))


def mail_to(person, kind):
    return Message.objects.filter(person=person, kind=kind).latest("pk")


def link_in(mail):
    return re.search(r"/rides/\S+/", mail.text)[0]


# --- what each of them does


def ask_to_join(page, axe, wrong_first=True):
    page.goto("/")
    page.get_by_role("link", name="Ask to join").click()
    axe(page)
    page.get_by_label("Your name").fill("Ida Newcomer")
    page.get_by_label("Phone").fill("555-555-0134")
    page.get_by_label("E-mail").fill("ida@example.org")
    page.get_by_role("button", name="Next").click()
    axe(page)
    page.get_by_label("I am 18 or over").check()
    page.get_by_label("Your car").fill("Blue wagon")
    page.get_by_role("button", name="Send me the code").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Enter the code")
    code = re.search(r"\b\d{6}\b", Message.objects.get(kind="sign-in").text)[0]
    if wrong_first:
        enter(page, f"{(int(code) + 1) % 10**6:06}")
        expect(page.get_by_text("That is not the code of the newest mail.").first).to_be_visible()
        axe(page)
        assert not Person.objects.filter(name="Ida Newcomer").exists()
    enter(page, code)
    expect(page.get_by_role("heading", level=1)).to_have_text("Orientation")
    expect(page.get_by_text("Your request is with the coordinator")).to_be_visible()
    axe(page)
    return Person.objects.get(name="Ida Newcomer")


def enter(page, code):
    page.get_by_label("Code", exact=True).fill(code)
    page.get_by_role("button", name="Ask to join").click()


def take_in(desk, axe):
    desk.goto("/desk/")
    desk.get_by_role("link", name="1 asks to join").click()
    desk.get_by_role("link", name="Answer Ida Newcomer").click()
    expect(desk.get_by_text("Blue wagon")).to_be_visible()
    desk.get_by_role("button", name="Take Ida in").click()
    expect(desk.get_by_text("is taken in, and gets a welcome mail")).to_be_visible()
    axe(desk)


def read_the_briefing(page, axe):
    page.get_by_role("link", name="Read it now").first.click()
    *others, last = reading.briefing_of(reading.shipped_step()).questions
    for one in others:
        choose(page, one.ask, one.answers[0])
    choose(page, last.ask, last.answers[1])
    page.get_by_role("button", name="I have read it").click()
    expect(page.get_by_text(last.because)).to_be_visible()
    axe(page)
    choose(page, last.ask, last.answers[0])
    page.get_by_role("button", name="I have read it").click()
    expect(page.get_by_text("It is noted that you have read: Driver briefing.")).to_be_visible()


def send_a_photo(page, axe):
    page.goto("/orientation/")
    page.get_by_role("link", name=named("Send a photo", "license")).click()
    axe(page)
    photo = {"name": "card.jpg", "mimeType": "image/jpeg", "buffer": picture()}
    page.get_by_label("Photo of it").set_input_files(photo)
    page.get_by_label("Valid until").fill(f"{timezone.now().year + 1}-03-31")
    page.get_by_role("button", name="Send the photo").click()
    expect(page.get_by_text("The coordinator looks at it and notes the date")).to_be_visible()


def confirm_the_photo(desk, axe):
    row_of(desk, "Ida Newcomer").get_by_role("link", name="Confirm it").click()
    expect(desk.get_by_role("img", name="What Ida Newcomer sent")).to_be_visible()
    axe(desk)
    expect(desk.get_by_label("Valid until")).to_have_value(NEXT_YEAR)
    desk.get_by_role("button", name="Tick off").click()
    said(desk, "Driver's license")


def note_the_card(desk, paper, until):
    desk.goto("/desk/papers/")
    row = desk.get_by_role("form", name=f"Ida Newcomer: {paper}")
    row.get_by_label("Valid until").fill(until)
    row.get_by_role("button", name="Tick off").click()
    said(desk, f"Ida Newcomer, {paper}: until")


def count_the_shelf(desk, number):
    desk.goto("/desk/kits/")
    form = desk.get_by_role("form", name="I counted the shelf")
    form.get_by_label("Kits").fill(str(number))
    form.get_by_role("button", name="That many are there").click()
    expect(desk.get_by_text(f"{number} on the shelf, 1 handed out")).to_be_visible()


def ask_both(desk, name):
    desk.goto("/desk/rides/")
    pair = desk.get_by_role("article").filter(has_text=name)
    pair.get_by_role("button", name="Ask both").click()
    said(desk, f"{name} are asked")


def say_yes(page, person):
    """By the private link of the mail, on whatever phone."""
    page.goto(link_in(mail_to(person, "ride asked")))
    page.get_by_role("button", name=named("Yes, I")).click()


def open_the_sheet(page, person, run):
    """With signal; then there is none."""
    sign_in(page, person.user)
    page.goto("/")
    page.evaluate(CONTROLLED)
    page.goto(sheet(run))
    wait_for_copies(page, sheet(run))
    page.context.set_offline(True)
    page.goto(sheet(run))
    expect(page.get_by_text("Opened without signal. Saved at")).to_be_visible()


# --- all goes well


def test_from_a_stranger_to_the_first_run_alone(phone, at_desk, at_dock, axe, cora, lee, led, free):
    Policy.objects.update_or_create(pk=1, defaults={"photos_on": True})

    ida = ask_to_join(phone, axe)
    expect(row_of(at_desk, "Ida Newcomer")).to_contain_text("Asks to join and waits for your answer.")
    phone.goto(f"/runs/{led.pk}/")
    expect(phone.get_by_role("button", name="Take the second seat")).to_have_count(0)

    take_in(at_desk, axe)
    assert mail_to(ida, "join welcome").address == "ida@example.org"
    expect(row_of(at_desk, "Ida Newcomer")).to_contain_text("Taken in; nobody has spoken with them yet.")
    at_desk.get_by_role("button", name="I said hello to Ida Newcomer").click()
    expect(row_of(at_desk, "Ida Newcomer")).to_contain_text("Has to read: Driver briefing.")
    phone.goto("/")
    expect(phone.get_by_role("heading", name="Driver briefing")).to_be_visible()
    axe(phone)

    read_the_briefing(phone, axe)
    expect(row_of(at_desk, "Ida Newcomer")).to_contain_text("Has not shown: Driver's license.")

    send_a_photo(phone, axe)
    expect(row_of(at_desk, "Ida Newcomer")).to_contain_text("Sent a photograph: Driver's license.")
    confirm_the_photo(at_desk, axe)
    assert not ida.photos.exists()
    note_the_card(at_desk, "Car insurance card", NEXT_YEAR)
    axe(at_desk)
    row_of(at_desk, "Ida Newcomer").get_by_role("link", name="Tick it off").click()
    at_desk.get_by_role("button", name="Tick off").click()
    said(at_desk, "Still missing: Starter kit, Shadow ride")
    count_the_shelf(at_desk, 4)
    at_desk.get_by_role("button", name=named("Hand over", "Ida")).click()
    expect(at_desk.get_by_text("3 on the shelf, 2 handed out")).to_be_visible()
    axe(at_desk)

    phone.goto("/orientation/")
    expect(phone.get_by_text("1 step is missing before you may drive alone.")).to_be_visible()
    license = phone.get_by_role("listitem").filter(has_text="Driver's license")
    expect(license).to_contain_text("Done, until 3/31/")
    axe(phone)
    phone.goto(f"/runs/{free.pk}/")
    expect(phone.get_by_role("button", name="driver's seat")).to_have_count(0)
    at_desk.goto("/desk/rides/")
    expect(at_desk.get_by_text("Nobody waits long for a ride")).to_be_visible()
    wait(ida, 8)
    expect(row_of(at_desk, "Ida Newcomer")).to_contain_text("Stuck, 8 days")

    ask_both(at_desk, "Ida Newcomer")
    axe(at_desk)
    phone.goto("/")
    expect(phone.get_by_role("heading", name="A shadow ride with Lee L.?")).to_be_visible()
    expect(phone.get_by_text("No run yet")).to_have_count(0)  # one decision at a time
    say_yes(at_dock, lee)
    expect(at_dock.get_by_text("It is fixed once Ida N. says yes too")).to_be_visible()
    axe(at_dock)
    expect(row_of(at_desk, "Ida Newcomer")).to_contain_text("Has not answered; Lee has agreed: Plum run")
    assert not Booking.objects.live().of(ida).exists()
    say_yes(phone, ida)
    expect(phone.get_by_text("You and Lee L. have both said yes.")).to_be_visible()
    axe(phone)
    expect(row_of(at_desk, "Ida Newcomer")).to_contain_text("Rides with Lee: Plum run")
    assert "Ida N. rides with you" in mail_to(lee, "news").text
    assert Pairing.objects.get().booking == Booking.objects.live().get(run=led, person=ida)

    begins(led)
    phone.goto("/")
    expect(phone.get_by_role("heading", name="Plum run")).to_be_visible()
    open_the_sheet(at_dock, lee, led)
    expect(at_dock.get_by_role("link", name="(555) 555-0134")).to_have_attribute("href", "tel:+15555550134")
    at_dock.get_by_label("For the coordinator only").fill("Drives a little close.")
    fill_in(at_dock, word="Calm at the dock.")
    is_kept(at_dock)
    axe(at_dock)
    assert not SignOff.objects.exists()
    ends(led)
    expect(row_of(at_desk, "Ida Newcomer")).to_contain_text("Rode with Lee, who signs off: Plum run")
    expect(next_step(phone)).to_contain_text("Lee's word is awaited")
    at_dock.context.set_offline(False)
    expect(kept(at_dock)).to_be_empty()
    expect(at_dock.get_by_text("Recorded. Ida reads your words here.")).to_be_visible()
    at_dock.goto("/")  # whatever page is opened next sends nothing again
    expect(at_dock.get_by_text("How did it go?")).to_have_count(0)
    assert SignOff.objects.count() == SentOnce.objects.count() == 1
    assert Event.objects.filter(verb="ride signed off").count() == 1

    told = mail_to(ida, "signed off")
    assert told.subject == "You are ready to drive alone"
    assert "Calm at the dock." in told.text
    assert "Drives a little close." not in told.text
    phone.goto("/")
    expect(phone.get_by_role("heading", name=READY)).to_be_visible()
    axe(phone)
    expect(next_step(phone)).to_contain_text(READY)
    expect(phone.get_by_text("Ready to drive alone", exact=True)).to_be_visible()
    expect(phone.get_by_text("Calm at the dock.")).to_be_visible()
    for path in ("/orientation/", f"/runs/{led.pk}/", sheet(led)):
        phone.goto(path)
        expect(phone.get_by_text("Calm at the dock.")).to_be_visible()
        expect(phone.get_by_text("Drives a little close.")).to_have_count(0)
    assert mail_to(cora, "signed off").subject == "A word for you alone, on the ride of Ida Newcomer"
    at_desk.goto(f"/desk/people/{ida.pk}/")
    expect(at_desk.get_by_text("ready to drive alone today")).to_be_visible()
    expect(at_desk.get_by_text("Calm at the dock.")).to_be_visible()
    expect(at_desk.get_by_text("For coordinators only: Drives a little close.")).to_be_visible()
    axe(at_desk)

    phone.goto("/runs/")
    expect(phone.get_by_text("Read the door notes and drive")).to_be_visible()
    phone.get_by_role("link", name="Quince run").click()
    phone.get_by_role("button", name="I have read these door notes: take the driver's seat").click()
    expect(phone.get_by_role("heading", name="What happens next")).to_be_visible()
    axe(phone)
    assert Booking.objects.live().drivers().get(run=free).person == ida
    expect(row_of(at_desk, "Ida Newcomer")).to_have_count(0)  # nobody waits for anything any more
    at_desk.goto("/desk/")
    expect(at_desk.get_by_role("article").filter(has_text="Quince run")).to_contain_text("Ida Newcomer")
    expect(at_desk.get_by_text("Needs attention")).to_have_count(0)


@pytest.mark.with_and_without_javascript
def test_a_trainee_takes_the_second_seat_themselves(phone, at_desk, at_dock, axe, lee, led, free):
    tom = trainee()
    sign_in(phone, tom.user)
    phone.goto("/")
    phone.get_by_role("link", name="Find a ride").click()
    expect(phone.get_by_text("Ride along with Lee")).to_be_visible()
    phone.get_by_role("link", name="Plum run").click()
    phone.get_by_role("button", name="Take the second seat").click()
    expect(phone.get_by_role("heading", name="What happens next")).to_be_visible()
    expect(row_of(at_desk, "Tom Wren")).to_contain_text("Rides with Lee: Plum run")
    sign_in(at_dock, lee.user)
    at_dock.goto("/")
    expect(at_dock.get_by_text("Tom", exact=True).first).to_be_visible()

    ends(led)
    at_dock.goto("/")
    at_dock.get_by_role("link", name=named("Your word on Tom")).click()
    axe(at_dock)
    fill_in(at_dock, outcome="ride once more", word="Strap the crates.")
    expect(at_dock.get_by_text("Recorded. Tom reads your words here.")).to_be_visible()
    assert mail_to(tom, "signed off").subject == "One more ride before you drive alone"
    expect(next_step(phone)).to_contain_text("Shadow ride")
    expect(phone.get_by_text("Ride once more", exact=True)).to_be_visible()
    expect(phone.get_by_text("Strap the crates.")).to_be_visible()
    axe(phone)
    expect(row_of(at_desk, "Tom Wren")).to_contain_text("Waits for a shadow ride.")
    phone.goto(f"/runs/{free.pk}/")
    expect(phone.get_by_role("button", name="driver's seat")).to_have_count(0)


# --- and what goes wrong


def test_a_request_declined_by_mistake_is_taken_back(phone, at_desk, axe):
    ask_to_join(phone, axe, wrong_first=False)
    at_desk.goto("/desk/joins/")
    at_desk.get_by_role("link", name="Answer Ida Newcomer").click()
    at_desk.get_by_text("Decline", exact=True).click()
    at_desk.get_by_role("button", name="Decline and send the mail").click()
    expect(at_desk.get_by_text("Ida Newcomer is declined, and gets your mail.")).to_be_visible()
    phone.goto("/")
    expect(phone.get_by_role("heading", name="Your request to join was answered")).to_be_visible()
    axe(phone)
    expect(row_of(at_desk, "Ida Newcomer")).to_have_count(0)

    at_desk.goto("/desk/joins/")
    at_desk.get_by_text("Answered in the last 30 days (1)").click()
    at_desk.get_by_role("link", name="Ida Newcomer").click()
    at_desk.get_by_role("button", name="Undo: let them wait for an answer again").click()
    expect(at_desk.get_by_text("The mail had not gone out yet, and does not.")).to_be_visible()
    axe(at_desk)
    phone.goto("/orientation/")
    expect(phone.get_by_text("Your request is with the coordinator")).to_be_visible()
    at_desk.get_by_role("button", name="Take Ida in").click()
    phone.goto("/")
    expect(phone.get_by_role("heading", name="Driver briefing")).to_be_visible()


@pytest.fixture
def ride(led):
    """Under way: Lee drives, and Tom rides along."""
    put(trainee(), led, SECOND)
    begins(led)
    return led


def test_another_lead_driver_cannot_open_the_sign_off(at_dock, axe, ride):
    mo = lead_driver(name="Mo Other", sign_in=True)
    sign_in(at_dock, mo.user)
    at_dock.goto("/")
    expect(at_dock.get_by_text("Tom")).to_have_count(0)
    assert at_dock.goto(sheet(ride)).status == 404
    axe(at_dock)
    at_dock.goto(f"/runs/{ride.pk}/")
    expect(at_dock.get_by_role("button", name="Record it")).to_have_count(0)
    ends(ride)
    assert at_dock.goto(f"/runs/{ride.pk}/").status == 404


def test_the_sign_in_runs_out_at_the_dock(phone, at_desk, at_dock, axe, lee, ride):
    open_the_sheet(at_dock, lee, ride)
    fill_in(at_dock, word="Kept all the way.")
    is_kept(at_dock)
    run_out(lee.user)
    ends(ride)
    at_dock.context.set_offline(False)
    expect(at_dock.get_by_role("link", name="Sign in to send")).to_be_visible()
    axe(at_dock)
    assert not SignOff.objects.exists()
    expect(row_of(at_desk, "Tom Wren")).to_contain_text("Rode with Lee, who signs off: Plum run")

    at_dock.get_by_role("link", name="Sign in to send").click()
    expect(at_dock.get_by_label("Email")).to_be_visible()
    sign_in(at_dock, lee.user)
    at_dock.goto("/")
    expect(at_dock.get_by_text("Recorded. Tom reads your words here.")).to_be_visible()
    expect(kept(at_dock)).to_be_empty()
    assert SignOff.objects.get().remarks == "Kept all the way."
    sign_in(phone, Person.objects.get(name="Tom Wren").user)
    expect(next_step(phone)).to_contain_text(READY)
    expect(phone.get_by_text("Kept all the way.")).to_be_visible()


def test_the_same_ride_is_signed_off_from_two_phones(open_page, at_desk, at_dock, axe, lee, ride):
    old_phone = open_page(PHONE)
    for page, word in ((at_dock, "From the new phone"), (old_phone, "From the old phone")):
        open_the_sheet(page, lee, ride)
        fill_in(page, word=word)
        is_kept(page)
    ends(ride)
    at_dock.context.set_offline(False)
    expect(at_dock.get_by_text("Recorded. Tom reads your words here.")).to_be_visible()
    old_phone.context.set_offline(False)
    expect(kept(old_phone)).to_contain_text("signed off already by Lee Lead: ready to drive alone.")
    old_phone.get_by_text("What you wrote").click()
    expect(kept(old_phone)).to_contain_text("From the old phone")
    axe(old_phone)
    assert SignOff.objects.get().remarks == "From the new phone"
    at_desk.goto(f"/desk/runs/{ride.pk}/")
    expect(at_desk.get_by_text("From the new phone")).to_be_visible()
    expect(at_desk.get_by_text("From the old phone")).to_have_count(0)


def test_a_sign_off_is_taken_back_and_a_booking_depended_on_it(phone, at_desk, at_dock, axe, lee, ride, free):
    tom = Person.objects.get(name="Tom Wren")
    ends(ride)
    sign_in(at_dock, lee.user)
    at_dock.goto(f"/runs/{ride.pk}/")
    fill_in(at_dock)
    expect(at_dock.get_by_text("Recorded. Tom reads your words here.")).to_be_visible()
    sign_in(phone, tom.user)
    phone.goto(f"/runs/{free.pk}/")
    phone.get_by_role("button", name="Take the driver's seat").click()
    expect(phone.get_by_role("heading", name="What happens next")).to_be_visible()

    at_desk.goto(f"/desk/people/{tom.pk}/")
    at_desk.get_by_role("link", name=named("Take it back", "with Lee Lead")).click()
    expect(at_desk.get_by_role("heading", name="Tom will not be ready for these any more")).to_be_visible()
    expect(at_desk.get_by_role("link", name=named("Quince run"))).to_be_visible()
    axe(at_desk)
    at_desk.get_by_role("button", name="Take it back").click()
    expect(at_desk.get_by_role("link", name=named("Quince run"))).to_be_visible()  # with nothing done
    at_desk.get_by_label("Why").fill("Scraped the dock.")
    at_desk.get_by_role("button", name="Take it back").click()
    expect(at_desk.get_by_role("heading", name="Booked, but not ready on the date")).to_be_visible()
    axe(at_desk)
    at_desk.goto("/desk/")
    flagged = at_desk.get_by_role("region", name="Needs attention").get_by_role("listitem")
    expect(flagged.filter(has_text="Quince run")).to_contain_text("Tom Wren is not ready to drive alone")
    assert Booking.objects.live().get(run=free).person == tom

    kind = mail_to(tom, "sign-off back")
    assert "This is no reproach." in kind.text
    assert "Quince run" in kind.text
    assert "Scraped" not in kind.text
    phone.goto("/")
    expect(phone.get_by_text("You are not ready for this run on its date.")).to_be_visible()
    axe(phone)
    other = make_run(title="Sloe run", sites=[stop.site for stop in free.ordered_stops])
    phone.goto(f"/runs/{other.pk}/")
    expect(phone.get_by_role("button", name="driver's seat")).to_have_count(0)
    expect(phone.get_by_text("Shadow ride").first).to_be_visible()
    expect(phone.get_by_text("Scraped")).to_have_count(0)
    at_dock.goto(f"/runs/{ride.pk}/")
    expect(at_dock.get_by_role("button", name="Record it")).to_be_visible()  # it can be signed off again


def test_the_lead_driver_cannot_make_it_after_agreeing(phone, at_desk, at_dock, axe, cora, lee, led, sites):
    tom, mo = trainee(), lead_driver(name="Mo Other", sign_in=True)
    both = pairing.propose(run=led, trainee=tom, lead=lee, by=cora.user)
    pairing.agree(both, lee, by=lee.user)
    pairing.agree(both, tom, by=tom.user)
    put(mo, make_run(title="Sloe run", sites=sites, starts_at=led.starts_at + DAY))
    sign_in(at_dock, lee.user)
    at_dock.goto("/")
    at_dock.get_by_role("link", name="I can't make it").click()
    at_dock.get_by_role("button", name="Give the seat back").click()
    expect(at_dock.get_by_role("button", name="I can make it after all")).to_be_visible()

    sign_in(phone, tom.user)
    phone.goto("/")
    expect(phone.get_by_text("No lead driver drives this run now.")).to_be_visible()
    axe(phone)
    expect(next_step(phone)).to_contain_text("No lead driver now")
    phone.goto(f"/runs/{led.pk}/")
    expect(phone.get_by_text("No lead driver drives this run now.")).to_be_visible()
    expect(phone.get_by_text("Meet your driver")).to_have_count(0)
    assert "Lee" in mail_to(tom, "no lead").text
    row = row_of(at_desk, "Tom Wren")
    expect(row).to_contain_text("Sits beside no lead driver: Plum run")
    expect(row).to_contain_text("Stuck, 10 days")  # the place in line stays
    ask_both(at_desk, "Tom Wren")
    say_yes(at_dock, mo)
    say_yes(phone, tom)
    expect(phone.get_by_text("You and Mo O. have both said yes.")).to_be_visible()
    expect(row_of(at_desk, "Tom Wren")).to_contain_text("Rides with Mo: Sloe run")
    assert Booking.objects.live().get(person=tom).run.title == "Sloe run"
    phone.goto("/")
    expect(phone.get_by_role("heading", name="Sloe run")).to_be_visible()
    expect(phone.get_by_text("Plum run")).to_have_count(0)


def test_an_insurance_that_lapses_shows_at_once_on_the_run_booked_for_later(phone, at_desk, axe, free):
    ana = make_ready(PersonFactory(name="Ana Bell", sign_in=True))
    seat(run=free, person=ana, seat=Booking.Seat.DRIVER, by=ana.user)
    at_desk.goto("/desk/")
    expect(at_desk.get_by_text("Needs attention")).to_have_count(0)
    card = ana.completions.get(step=Step.objects.get(code="insurance"))
    at_desk.goto(f"/desk/people/{ana.pk}/")
    at_desk.get_by_role("link", name=named("Take back", "insurance")).click()
    at_desk.get_by_label("Why").fill("Cancelled by the insurer.")
    at_desk.get_by_role("button", name="Take it back").click()
    card.refresh_from_db()
    assert card.withdrawn_at is not None
    expect(at_desk.get_by_role("heading", name="Booked, but not ready on the date")).to_be_visible()
    axe(at_desk)
    at_desk.goto("/desk/")
    flagged = at_desk.get_by_role("region", name="Needs attention").get_by_role("listitem")
    expect(flagged.filter(has_text="Quince run")).to_contain_text("Ana Bell is not ready to drive alone")
    sign_in(phone, ana.user)
    phone.goto("/")
    expect(phone.get_by_text("You are not ready for this run on its date.")).to_be_visible()
    expect(phone.get_by_text("Car insurance card").first).to_be_visible()
    axe(phone)

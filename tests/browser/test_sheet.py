"""At a dock without signal, in a real browser: the sheet opens from its copy, a sign-off is kept and sent
once, and nothing of one sign-in is there for another."""

from datetime import timedelta

import pytest
from django.contrib.sessions.models import Session
from django.utils import timezone
from playwright.sync_api import expect

from shifts.models import Booking, SentOnce
from shifts.seats.changes import cancel_run
from shifts.seats.rides import sign_off_ride
from sites.models import Event
from tests.browser.test_every_page import sign_in
from tests.factories import PersonFactory, lead_driver, make_ready, make_run, put
from volunteers.doors import publish
from volunteers.models import SignOff

pytestmark = pytest.mark.django_db(transaction=True)

CONTROLLED = """new Promise(done => {
    navigator.serviceWorker.addEventListener('controllerchange', () => done(true))
    if (navigator.serviceWorker.controller) done(true)
})"""
COPIES = """caches.keys().then(names => Promise.all(names.filter(name => name.startsWith('kept-')).map(
    async name => (await (await caches.open(name)).keys()).map(kept => new URL(kept.url).pathname)
))).then(found => found.flat())"""


def wait_for_copies(page, *paths):
    """Until these are the copies that the phone holds."""
    for _try in range(200):
        if page.evaluate(COPIES) == list(paths):
            return
        page.wait_for_timeout(50)  # milliseconds
    assert page.evaluate(COPIES) == list(paths)


@pytest.fixture
def lee(live_server):
    return lead_driver(name="Lee Lead", sign_in=True)


@pytest.fixture
def ride(lee):
    """Under way: Lee drives, and Tom rides along."""
    run = make_run(title="Plum run", starts_at=timezone.now() - timedelta(minutes=30))
    publish(run.ordered_stops[0].site, {"entrance": "The blue door"}, by=None)
    put(lee, run)
    put(
        make_ready(PersonFactory(name="Tom Wren", phone="+15555550144"), without=("ride",)),
        run,
        Booking.Seat.SECOND,
    )
    return run


@pytest.fixture
def at_the_dock(phone, lee, ride):
    """Lee's phone: the sheet was opened with signal, and there is none now."""
    sign_in(phone, lee.user)
    phone.goto("/")
    phone.evaluate(CONTROLLED)
    phone.goto(sheet(ride))
    wait_for_copies(phone, sheet(ride))
    phone.context.set_offline(True)
    return phone


def sheet(run):
    return f"/runs/{run.pk}/sheet/"


def fill_in(page, outcome="ready to drive alone", word="Calm at the dock"):
    page.get_by_text("Knows the doors, and whom to ask for").click()
    page.get_by_text(outcome).click()
    page.get_by_label("A word to them").fill(word)
    page.get_by_role("button", name="Record it").click()


def kept(page):
    return page.locator("#kept")


def is_kept(page):
    """Every word of every state stands in the panel; only those of its own state show."""
    expect(kept(page).get_by_text("Kept on this phone, not sent yet. It is sent by itself")).to_be_visible()


def test_the_sheet_opens_without_signal_and_says_that_it_is_a_copy(at_the_dock, axe, ride):
    phone = at_the_dock
    phone.goto(sheet(ride))
    expect(phone.get_by_text("not live")).to_contain_text("Saved at")
    expect(phone.get_by_text("The blue door").first).to_be_visible()
    expect(phone.get_by_role("link", name="(555) 555-0144")).to_have_attribute("href", "tel:+15555550144")
    assert phone.evaluate("document.styleSheets[0].cssRules.length") > 0, "with its style sheet"
    axe(phone)
    phone.goto("/")  # the only address that somebody remembers
    expect(phone).to_have_url(f"{phone.url.split('/runs')[0]}{sheet(ride)}")
    phone.context.set_offline(False)
    phone.goto(sheet(ride))
    expect(phone.get_by_text("not live")).to_be_hidden()


def test_a_sheet_that_was_not_opened_is_kept_by_the_first_page(phone, lee, ride):
    sign_in(phone, lee.user)
    phone.goto("/")
    wait_for_copies(phone, sheet(ride))


def test_the_copy_goes_with_the_seat(at_the_dock, ride):
    phone = at_the_dock
    phone.context.set_offline(False)
    cancel_run(ride, reason="Snow", by=None)
    phone.goto(sheet(ride))
    expect(phone.get_by_text("Snow").first).to_be_visible()
    wait_for_copies(phone)


def test_a_page_that_hangs_gives_the_copy_after_three_seconds(at_the_dock, ride):
    """A bar of signal that carries nothing. The limit is the service worker's own."""
    phone = at_the_dock
    phone.context.set_offline(False)
    phone.context.route("**/sheet/", lambda route: None)
    phone.goto(sheet(ride))
    expect(phone.get_by_text("not live")).to_be_visible()
    phone.context.unroute_all(behavior="ignoreErrors")


def test_a_sign_off_is_kept_and_sent_once_when_there_is_signal(at_the_dock, axe, ride):
    phone = at_the_dock
    phone.goto(sheet(ride))
    fill_in(phone)
    is_kept(phone)
    expect(phone.get_by_role("button", name="Record it")).to_be_hidden()
    axe(phone)
    phone.goto(sheet(ride))  # the page was closed, and is opened again
    expect(kept(phone)).to_contain_text("Your word on Tom: Plum run")
    phone.get_by_text("What you wrote").click()
    expect(kept(phone)).to_contain_text("Calm at the dock")
    assert not SignOff.objects.exists()

    other = phone.context.new_page()  # another tab, which sends it too
    phone.context.set_offline(False)
    other.goto("/me/")
    expect(kept(phone)).to_be_empty()
    expect(kept(other)).to_be_empty()
    expect(
        phone.get_by_role("status").filter(has_text="Recorded. Tom reads your words here.")
    ).to_be_visible()
    expect(phone.get_by_role("button", name="Record it")).to_be_hidden()  # it is not asked for again
    signed = SignOff.objects.get()
    assert (signed.outcome, signed.remarks) == ("ready", "Calm at the dock")
    assert signed.checklist == ["Knows the doors, and whom to ask for"]
    assert Event.objects.filter(verb="ride signed off").count() == SentOnce.objects.count() == 1
    phone.goto(sheet(ride))
    expect(phone.get_by_text("Calm at the dock")).to_be_visible()


def test_an_answer_that_was_lost_on_the_way_is_asked_for_again(at_the_dock, ride):
    phone = at_the_dock
    phone.context.set_offline(False)
    phone.goto(sheet(ride))

    def lose(route):
        route.fetch()  # the server has it
        route.abort()

    phone.route("**/sign-off/", lose)
    fill_in(phone)
    is_kept(phone)
    assert SignOff.objects.count() == 1
    phone.unroute("**/sign-off/")
    phone.get_by_role("button", name="Send it now").click()
    expect(phone.get_by_text("Recorded. Tom reads your words here.")).to_be_visible()
    assert SignOff.objects.count() == SentOnce.objects.count() == 1


def test_signed_out_by_time_it_waits_for_the_sign_in(at_the_dock, axe, lee, ride):
    phone = at_the_dock
    phone.goto(sheet(ride))
    fill_in(phone)
    is_kept(phone)
    Session.objects.all().delete()
    phone.context.set_offline(False)
    expect(phone.get_by_role("link", name="Sign in to send")).to_be_visible()
    axe(phone)
    phone.get_by_role("link", name="Sign in to send").click()
    expect(phone.get_by_label("Email")).to_be_visible()
    assert not SignOff.objects.exists()
    sign_in(phone, lee.user)
    phone.goto("/")
    expect(phone.get_by_text("Recorded. Tom reads your words here.")).to_be_visible()
    assert SignOff.objects.count() == 1


def test_somebody_else_on_the_same_phone_sees_and_sends_nothing(at_the_dock, ride):
    phone = at_the_dock
    phone.goto(sheet(ride))
    fill_in(phone)
    is_kept(phone)
    phone.goto("about:blank")
    Session.objects.all().delete()  # nothing that was under way is taken as Lee's
    phone.context.set_offline(False)
    sign_in(phone, PersonFactory(name="Ada Other", sign_in=True).user)
    phone.goto("/me/")
    expect(kept(phone)).to_be_empty()
    wait_for_copies(phone)
    phone.context.set_offline(True)
    with pytest.raises(Exception, match="ERR_"):
        phone.goto(sheet(ride))
    assert not SignOff.objects.exists()
    phone.context.set_offline(False)


def test_what_was_signed_off_meanwhile_is_kept_as_refused(at_the_dock, axe, lee, ride):
    phone = at_the_dock
    phone.goto(sheet(ride))
    fill_in(phone, word="Keep these words")
    is_kept(phone)
    sign_off_ride(run=ride, lead=lee, outcome="again", by=None, told_reason="Lee rang.")
    phone.context.set_offline(False)
    expect(kept(phone)).to_contain_text("signed off already by the coordinator, as Lee Lead told it")
    phone.get_by_text("What you wrote").click()
    expect(kept(phone)).to_contain_text("Keep these words")
    axe(phone)
    phone.on("dialog", lambda dialog: dialog.accept())
    phone.get_by_role("button", name="Throw it away").click()
    expect(kept(phone)).to_be_empty()
    assert SignOff.objects.get().outcome == "again"


def test_what_was_refused_is_opened_again_changed_and_sent(phone, lee, ride):
    sign_in(phone, lee.user)
    type(ride).objects.filter(pk=ride.pk).update(starts_at=timezone.now() + timedelta(minutes=20))
    phone.goto(sheet(ride))
    fill_in(phone, word="First words")
    expect(kept(phone)).to_contain_text("That ride is still to come.")
    type(ride).objects.filter(pk=ride.pk).update(starts_at=timezone.now() - timedelta(minutes=1))
    phone.goto("/me/")
    phone.get_by_role("button", name="Open it again").click()
    word = phone.get_by_label("A word to them")
    expect(word).to_have_value("First words")
    word.fill("Second words")
    phone.get_by_role("button", name="Record it").click()
    expect(phone.get_by_text("Second words")).to_be_visible()
    expect(kept(phone)).to_be_empty()
    assert SignOff.objects.get().remarks == "Second words"


def test_what_is_being_changed_is_not_sent_as_it_was_before(at_the_dock, ride):
    phone = at_the_dock
    phone.goto(sheet(ride))
    fill_in(phone, word="First words")
    is_kept(phone)
    phone.get_by_role("button", name="Open it again").click()
    word = phone.get_by_label("A word to them")
    expect(word).to_have_value("First words")
    phone.context.set_offline(False)
    phone.evaluate("dispatchEvent(new Event('online'))")
    expect(kept(phone).get_by_text("Sending")).to_be_hidden()
    word.fill("Second words")
    phone.get_by_role("button", name="Record it").click()
    expect(phone.get_by_text("Second words")).to_be_visible()
    expect(kept(phone)).to_be_empty()
    assert SignOff.objects.get().remarks == "Second words"


def test_signing_out_warns_of_what_was_not_sent_and_clears_the_phone(at_the_dock, axe, ride):
    phone = at_the_dock
    phone.goto(sheet(ride))
    fill_in(phone)
    is_kept(phone)
    phone.context.route("**/sign-off/", lambda route: route.abort())  # signal comes and goes
    phone.context.set_offline(False)
    phone.locator(".account > summary").click()
    phone.locator(".account").get_by_role("button", name="Sign out").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("Sign out?")
    expect(phone.get_by_text("If you sign out now, it is lost.")).to_be_visible()
    axe(phone)
    phone.locator("main").get_by_role("button", name="Sign out").click()
    expect(phone.get_by_role("link", name="Sign in").first).to_be_visible()
    wait_for_copies(phone)
    assert phone.evaluate("Object.keys(localStorage).filter(name => name.startsWith('draft:'))") == []
    assert not SignOff.objects.exists()


def test_without_anything_unsent_signing_out_asks_nothing(phone, lee, ride):
    sign_in(phone, lee.user)
    phone.goto(sheet(ride))
    wait_for_copies(phone, sheet(ride))
    phone.locator(".account > summary").click()
    phone.locator(".account").get_by_role("button", name="Sign out").click()
    expect(phone.get_by_role("link", name="Sign in").first).to_be_visible()
    wait_for_copies(phone)


@pytest.mark.with_and_without_javascript
def test_with_signal_it_is_recorded_at_once(phone, axe, lee, ride):
    sign_in(phone, lee.user)
    phone.goto(sheet(ride))
    axe(phone)
    fill_in(phone)
    expect(phone.get_by_text("Recorded. Tom reads your words here.")).to_be_visible()
    expect(phone.get_by_text("Calm at the dock")).to_be_visible()
    assert phone.url.endswith(sheet(ride))
    assert SignOff.objects.count() == 1


def test_every_control_is_large_enough_for_a_thumb(phone, lee, ride):
    """44 by 44 CSS pixels: WCAG 2.2, success criterion 2.5.5 (AAA). Links within a sentence are excepted."""
    sign_in(phone, lee.user)
    phone.goto(sheet(ride))
    small = phone.evaluate(
        """[...document.querySelectorAll('main :is(a, button, label:has(input), textarea, summary)')]
        .filter(one => one.offsetParent).map(one => [one.textContent.trim(), one.getBoundingClientRect()])
        .filter(([, box]) => box.height < 44 || box.width < 44).map(([words]) => words)"""
    )
    assert small == []


def test_it_prints_on_one_page(desk, lee, ride):
    sign_in(desk, lee.user)
    for stop in ride.ordered_stops:
        notes = dict.fromkeys(("approach", "entrance", "parking"), "Turn in behind the garden. Ring once.")
        publish(stop.site, notes, by=None)
    desk.goto(sheet(ride))
    pdf = desk.pdf(format="Letter", prefer_css_page_size=True)
    assert pdf.count(b"/Type /Page\n") == 1

"""The words of the mails about a booking: what and when first, then where, whom to call, and the cautions."""

import email
import email.policy
from datetime import timedelta

import pytest
import time_machine

from shifts.models import Booking
from shifts.seats.booking import give_back, seat
from shifts.seats.changes import cancel_run
from shifts.seats.consequences import change_person, change_site
from sites.changes import set_contacts
from sites.models import Programme
from tests.factories import DropOffFactory, SiteFactory, coordinator, lead_driver, make_run, put, ready_person
from tests.shifts.pages.at_the_desk import NOW
from volunteers.doors import publish
from volunteers.models import Completion, Message, Person

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def programme():
    return Programme.objects.update_or_create(
        pk=1,
        defaults={"name": "Plum & Oak", "contact_name": "Mary", "contact_phone": "+15555550100"},
    )[0]


@pytest.fixture
def run(programme):
    """Every text in it has signs that HTML would write otherwise."""
    dock = SiteFactory(name="Teo's <Dock>", street="1 Plum & Oak Street")
    set_contacts(dock, [{"name": "Teo O'Neil", "role": "receiving", "phone": "+15555550171"}], by=None)
    publish(dock, {"entrance": 'The door\'s "blue"'}, by=None)
    run = make_run(
        title="Bread & butter", sites=[dock, DropOffFactory(name="Oak Pantry")],
        starts_at=NOW + DAY, crates=12, note="Bring a strap & a cart",
    )  # fmt: skip
    Completion.objects.all().delete()
    return run


def take(run, **how):
    person = ready_person(name="Ana Bell", email="ana@example.org")
    return seat(run=run, person=person, seat="driver", by=None, **how)


def sent(kind, person=None):
    """Subject, text and HTML of the newest mail of a kind, as they are in its finished bytes."""
    found = Message.objects.filter(kind=kind, **({"person": person} if person else {})).first()
    mail = email.message_from_bytes(bytes(found.raw), policy=email.policy.default)
    parts = {part.get_content_type(): part.get_content() for part in mail.walk() if not part.is_multipart()}
    return mail["Subject"], parts["text/plain"], parts["text/html"]


class TestBooked:
    def test_the_subject_says_what_and_when(self, run):
        take(run)
        assert sent("booked")[0] == "You drive: Bread & butter, Wed, Jun 3, 10:00 a.m."

    def test_a_rider_rides_along(self, run):
        put(lead_driver(), run)
        seat(run=run, person=ready_person(), seat="second", by=None)
        subject, text, html = sent("booked")
        assert subject.startswith("You ride along: ")
        for words in (text, html):
            assert "From 10:00 a.m. to about 11:00 a.m. on Wed, Jun 3 you have the second seat." in words

    def test_when_to_be_where_in_order(self, run):
        take(run)
        _subject, text, html = sent("booked")
        order = [
            "From 10:00 a.m. to about 11:00 a.m. on Wed, Jun 3 you have the driver's seat.",
            "About 12 crates are expected.",
            "Bring a strap & a cart",
            "1. 10:00 a.m., Teo's <Dock>, 1 Plum & Oak Street",
            "Teo O'Neil, receiving: (555) 555-0171",
            'Which door: The door\'s "blue"',
            "2. 10:30 a.m., Oak Pantry",
            f"/runs/{run.pk}/",
            "coordinator Mary (555) 555-0100",
        ]
        places = [text.find(words) for words in order]
        assert -1 not in places, dict(zip(order, places, strict=True))
        assert places == sorted(places)
        for words in ("Teo&#x27;s &lt;Dock&gt;", "tel:+15555550171", "tel:+15555550100", "Oak Pantry"):
            assert words in html

    def test_the_text_is_no_html_and_the_html_is_escaped(self, run):
        take(run)
        _subject, text, html = sent("booked")
        assert "&amp;" not in text
        assert "&#x27;" not in text
        assert "<Dock>" not in html
        assert "Plum &amp; Oak" in html

    def test_cautions_name_their_source_and_defer(self, run):
        take(run)
        for words in sent("booked")[1:]:
            assert "Keep cold food cold and go straight to the drop-off" in words
            assert "Lift with your legs" in words
            # FDA Food Code 2-201.13: 24 hours after vomiting or diarrhea has ended
            assert "wait until 24 hours after it ends (FDA Food Code 2-201.13; your local health" in words

    def test_after_an_agreement_by_phone(self, run):
        take(run, on_behalf=True)
        for words in sent("booked")[1:]:
            assert "As agreed with Mary." in " ".join(words.split())

    def test_taken_by_oneself_nothing_was_agreed(self, run):
        take(run)
        assert "As agreed" not in sent("booked")[1]

    def test_without_crates_note_or_contact(self):
        Programme.objects.update_or_create(pk=1, defaults={"name": "Plum"})
        take(make_run(crates=0))
        text = sent("booked")[1]
        assert "expected" not in text
        assert text.rstrip().endswith("Plum")


class TestAfterwards:
    def test_given_back(self, run):
        give_back(take(run), by=None)
        subject, text, html = sent("ended")
        assert subject == "You are off: Bread & butter, Wed, Jun 3, 10:00 a.m."
        for words in (text, html):
            assert "You have given this run back." in words

    def test_taken_out(self, run):
        give_back(take(run), by=None, end=Booking.End.TAKEN_OUT)
        assert "The coordinator has taken you off this run." in sent("ended")[1]

    def test_cancelled_with_the_reason(self, run):
        take(run)
        cancel_run(run, reason="Dock's flooded", by=None)
        subject, text, html = sent("ended")
        assert subject == "Cancelled: Bread & butter, Wed, Jun 3, 10:00 a.m."
        assert "please do not go" in text
        assert "Why: Dock's flooded" in text
        assert "Dock&#x27;s flooded" in html

    def test_changed(self, run):
        take(run)
        change_site(run.ordered_stops[0].site, by=None, street="9 New & Long Street")
        subject, text, html = sent("changed")
        assert subject.startswith("Changed: Bread & butter")
        assert "* Teo's <Dock>: the address is now 9 New & Long Street" in text
        assert "9 New &amp; Long Street" in html

    def test_whoever_rides_along_is_told_that_the_driver_is_gone(self, run):
        driver = put(lead_driver(name="Lee Lead"), run)
        rider = ready_person()
        put(rider, run, Booking.Seat.SECOND)
        give_back(driver, by=None)
        subject, text, _html = sent("no lead", rider)
        assert subject.startswith("No driver now: ")
        assert "Lee cannot drive this run any more." in text
        assert "please do not set out" in text
        assert "Lead" not in text

    def test_the_coordinator_is_told_at_short_notice_why(self, run):
        desk = coordinator()
        give_back(take(run), by=None, note="I am ill.")
        subject, text, html = sent("given back", desk)
        assert subject == "Needs a driver: Bread & butter, Wed, Jun 3, 10:00 a.m."
        for words in (text, html):
            assert "Ana Bell can't make it." in words.replace("&#x27;", "'")
            assert "I am ill." in words
            assert f"/desk/runs/{run.pk}/" in words

    def test_an_invitation_moves_to_another_address(self, run):
        booking = take(run)
        change_person(Person.objects.get(pk=booking.person_id), by=None, email="new@example.org")
        subject, text, _html = sent("calendar")
        assert subject == "For your calendar: Bread & butter, Wed, Jun 3"
        assert "You are still booked." in text


def test_the_html_reads_without_images_and_fetches_nothing(run):
    take(run)
    html = sent("booked")[2]
    for way in ("<img", "<script", "<link", "url(", "@import", "<style"):
        assert way not in html
    assert '<meta name="color-scheme" content="light dark">' in html
    assert "color:" not in html.replace("-color:", "")  # its own colours would fight the dark scheme

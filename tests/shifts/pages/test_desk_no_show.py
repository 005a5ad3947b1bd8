"""The store phones that nobody came: one tap, the numbers, the call list; what stays among coordinators."""

from datetime import time, timedelta

import pytest
import time_machine
from django.urls import reverse

from shifts.models import Booking, CoverTurn, NoShow, Run, Standing
from shifts.schedule.making import Plan, add_shift
from shifts.seats import no_shows
from sites.changes import set_contacts
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    coordinator,
    lead_driver,
    make_run,
    put,
    ready_person,
)
from tests.shifts.pages.at_the_desk import DAY, NOW, TODAY, desk_client, queries_of, said, text_of
from volunteers.models import Message

pytestmark = pytest.mark.django_db
STARTED = timedelta(minutes=10)


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def cora():
    return coordinator()


@pytest.fixture
def desk(cora):
    return desk_client(cora)


@pytest.fixture
def ray():
    """Somebody who covers today."""
    ray = PersonFactory(name="Ray Cover", sign_in=True)
    CoverTurn.objects.create(person=ray, first=TODAY, last=TODAY, at=NOW)
    return ray


@pytest.fixture
def sites():
    dock, kitchen = SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen")
    set_contacts(dock, [{"name": "Uma", "role": "dock", "phone": "+15555550177"}], by=None)
    set_contacts(kitchen, [{"name": "Ugo", "role": "", "phone": ""}], by=None)
    return [dock, kitchen]


@pytest.fixture
def run(sites):
    return make_run(starts_at=NOW - STARTED, sites=sites)


@pytest.fixture
def booking(run):
    return put(lead_driver(name="Ana Reyes", sign_in=True), run)


def page_of(run):
    return reverse("desk_run", args=[run.pk])


def test_where_else_to_take_the_food_is_said_while_somebody_drives_it(desk, run, booking):
    DropOffFactory(name="Oak Pantry")
    assert "Agency closed or full?" in desk.get(page_of(run)).content.decode()
    desk.post(reverse("desk_no_show", args=[run.pk]), {"booking": booking.pk})
    page = desk.get(page_of(run)).content.decode()
    assert "Agency closed or full?" not in page  # whom to call comes first
    assert "It has started, and nobody drives" in page


def post(client, run, **facts):
    return client.post(reverse("desk_no_show", args=[run.pk]), facts, follow=True)


def test_one_tap_then_the_stores_number_and_who_could_step_in(desk, run, booking):
    ready_person(name="Abe Ash")
    assert "Did not come" in text_of(desk.get(page_of(run)))
    answer = post(desk, run, booking=booking.pk)
    page = text_of(answer)
    assert "Ana Reyes did not come. They are told nothing." in page
    assert 'href="tel:+15555550177">Uma, (555) 555-0177' in page
    assert "Ugo: no phone known" in page
    assert "It has started, and nobody drives" in page
    [abe] = [call for call in answer.context["calls"] if call["name"] == "Abe Ash"]
    desk.post(reverse("desk_seat", args=[run.pk]), {"person": abe["pk"]})
    assert run.bookings.live().get().person.name == "Abe Ash"


def test_before_the_start_it_is_not_offered_and_refused_with_what_to_do(desk, sites):
    run = make_run(starts_at=NOW + STARTED, sites=sites)
    booking = put(lead_driver(), run)
    assert "Did not come" not in text_of(desk.get(page_of(run)))
    assert "The run has not started." in text_of(post(desk, run, booking=booking.pk))
    assert booking.__class__.objects.get(pk=booking.pk).is_live


def test_taken_back_by_the_button_or_by_undo(desk, run, booking):
    post(desk, run, booking=booking.pk)
    assert "Take it back: Ana came" in text_of(desk.get(page_of(run)))
    answer = post(desk, run, back=booking.pk)
    assert "Taken back: Ana Reyes has the driver" in text_of(answer)
    assert run.bookings.live().get().person == booking.person
    assert "nobody drives" not in text_of(desk.get(page_of(run)))


def test_taken_back_where_somebody_else_drives_by_now(desk, run, booking):
    post(desk, run, booking=booking.pk)
    put(ready_person(name="Abe Ash"), run)
    assert "Taken back, but Ana Reyes is not seated again." in text_of(post(desk, run, back=booking.pk))
    assert not NoShow.objects.standing().exists()


@pytest.mark.parametrize("facts", [{}, {"booking": "x"}, {"booking": "999"}, {"back": "x"}, {"back": "999"}])
def test_nobody_named_is_not_found(desk, run, booking, facts):
    assert post(desk, run, **facts).status_code == 404


def test_a_booking_of_another_run_is_not_found(desk, run, booking, sites):
    other = make_run(starts_at=NOW - STARTED, sites=sites)
    assert post(desk, other, booking=booking.pk).status_code == 404


def test_a_note_is_for_coordinators(desk, run, booking):
    post(desk, run, booking=booking.pk)
    post(desk, run, booking=booking.pk, note="Flat tire, was sorry.")
    assert NoShow.objects.get().note == "Flat tire, was sorry."
    person = text_of(desk.get(reverse("desk_person", args=[booking.person_id])))
    assert "Flat tire, was sorry." in person
    answer = post(desk, run, booking=booking.pk, note="z" * 301)
    assert "too long" in text_of(answer)
    assert NoShow.objects.get().note == "Flat tire, was sorry."


class TestPrivate:
    def test_the_volunteer_sees_nothing_of_it(self, client, run, booking):
        no_shows.write_note(no_shows.did_not_come(booking, by=None), "Secret", by=None)
        client.force_login(booking.person.user)
        for address in ("/", "/me/", f"/runs/{run.pk}/", "/runs/", "/orientation/"):
            page = text_of(client.get(address)).lower()
            assert "did not come" not in page
            assert "secret" not in page
        for mail in Message.objects.filter(person=booking.person):
            assert "did not come" not in mail.text.lower()

    def test_their_regular_run_leaves_the_date_out_and_says_no_reason(self, client, booking, run):
        ana = booking.person
        plan = Plan(
            rule="FREQ=WEEKLY;BYDAY=TU", starts=time(9, 50), minutes=60, stops=[(s, 0) for s in run.site_ids]
        )
        shift = add_shift(name="Tuesday run", plan=plan, from_day=TODAY, by=None)
        mine = Standing.objects.create(shift=shift, person=ana, anchor=TODAY, from_day=TODAY, made_at=NOW)
        Run.objects.filter(shift=shift, slot_date=TODAY).delete()
        Run.objects.filter(pk=run.pk).update(shift=shift, slot_date=TODAY)
        Booking.objects.filter(pk=booking.pk).update(standing=mine)
        no_shows.did_not_come(booking, by=None)
        skip = mine.skips.get()
        assert (skip.first, skip.last, skip.reason) == (TODAY, TODAY, "")
        client.force_login(ana.user)
        assert "did not come" not in text_of(client.get(reverse("regular", args=[mine.pk]))).lower()
        no_shows.came_after_all(NoShow.objects.get(), by=None)
        assert not mine.skips.standing().exists()

    def test_whoever_covers_marks_it_and_reads_no_record(self, ray, run, booking):
        old = put(booking.person, make_run(starts_at=NOW - 9 * DAY))
        no_shows.write_note(no_shows.did_not_come(old, by=None), "Overslept", by=None)
        cover = desk_client(ray)
        answer = post(cover, run, booking=booking.pk, note="From the cover")
        assert "Noted: Ana Reyes did not come." in text_of(answer)
        assert NoShow.objects.standing().count() == 2
        assert not NoShow.objects.filter(note="From the cover").exists()
        for name, key in (("desk_person", booking.person_id), ("desk_run", old.run_id)):
            page = text_of(cover.get(reverse(name, args=[key])))
            assert "Overslept" not in page
            assert "did not come" not in page.lower()
        page = text_of(cover.get(reverse("desk")))  # the run of this hour is theirs to handle
        assert "Overslept" not in page
        assert "A talk may help" not in page

    def test_and_takes_back_a_mistake_of_today(self, ray, run, booking):
        cover = desk_client(ray)
        post(cover, run, booking=booking.pk)
        assert "Take it back" in text_of(cover.get(page_of(run)))
        post(cover, run, back=booking.pk)
        assert run.bookings.live().get().person == booking.person


class TestTalk:
    @pytest.fixture
    def twice(self, booking):
        no_shows.did_not_come(put(booking.person, make_run(starts_at=NOW - 9 * DAY)), by=None)
        no_shows.did_not_come(booking, by=None)
        return booking.person

    def test_suggested_on_the_desk_and_on_their_page(self, desk, twice):
        assert "A talk may help" in text_of(desk.get(reverse("desk")))
        page = text_of(desk.get(reverse("desk_person", args=[twice.pk])))
        assert "It happened again within 60 days." in page

    def test_not_after_the_first(self, desk, booking):
        no_shows.did_not_come(booking, by=None)
        assert "A talk may help" not in text_of(desk.get(reverse("desk")))
        page = text_of(desk.get(reverse("desk_person", args=[booking.person_id])))
        assert "Did not come" in page
        assert "It happened again" not in page

    def test_nothing_follows_by_itself_and_one_tap_ends_it(self, desk, twice):
        assert not Message.objects.filter(person=twice).exclude(kind="calendar").exists()
        answer = desk.post(reverse("desk_talked", args=[twice.pk]))
        assert said(answer) == "Noted: you talked with Ana Reyes."
        assert "A talk may help" not in text_of(desk.get(reverse("desk")))
        assert "a coordinator talked with them" in text_of(desk.get(reverse("desk_person", args=[twice.pk])))


def test_the_page_asks_as_often_for_many_as_for_one(desk, run, booking):
    no_shows.did_not_come(booking, by=None)
    few, _sql = queries_of(desk, page_of(run))
    for _ in range(3):
        no_shows.did_not_come(put(lead_driver(), run), by=None)
    many, sql = queries_of(desk, page_of(run))
    assert many <= few + 3, sql

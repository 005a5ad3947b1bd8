"""One tap beside a name for what they said on the phone."""

from datetime import timedelta

import pytest
import time_machine
from django.urls import reverse

from shifts.cover.asking import pool_of
from shifts.models import Ask, Booking, Search
from shifts.seats import requests
from shifts.seats.booking import give_back
from shifts.seats.requests import ask_person
from sites.models import Event
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
from tests.shifts.pages.test_desk import DAY, HOUR, NOW, signed_in, text_of, with_second_factor
from volunteers.models import Message
from volunteers.people import sign_in_for

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def cora():
    return with_second_factor(coordinator())


@pytest.fixture
def desk(cora):
    return signed_in(cora)


@pytest.fixture
def run():
    sites = [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen")]
    return make_run(starts_at=NOW + DAY, sites=sites)


@pytest.fixture
def abe():
    return ready_person(name="Abe Ash")


def call(desk, run, person, answer, **more):
    fields = {"person": person.pk, "answer": answer, **more}
    return desk.post(reverse("desk_called", args=[run.pk]), fields, follow=True)


def undone(desk, answer):
    undo = answer.context["undo"]
    return desk.post(undo["url"], undo["fields"], follow=True)


def shown(desk, run):
    return [call["name"] for call in desk.get(reverse("desk_run", args=[run.pk])).context["calls"]]


def test_what_was_noted_and_its_undo_are_on_the_first_screen(desk, run, abe):
    """The address names no place further down on the page, which a phone would scroll to."""
    fields = {"person": abe.pk, "answer": "no"}
    assert desk.post(reverse("desk_called", args=[run.pk]), fields).headers["Location"] == reverse(
        "desk_run", args=[run.pk]
    )
    asked = desk.post(reverse("desk_search", args=[run.pk]), {"what": "start"})
    assert asked.headers["Location"] == reverse("desk_run", args=[run.pk])


def test_where_only_a_call_helps_the_names_come_first(cora, abe):
    six_forty = NOW.replace(hour=10, minute=40)
    run = make_run(starts_at=NOW.replace(hour=12))  # as the quiet hours end
    later = make_run(starts_at=NOW.replace(hour=12, minute=1))
    with time_machine.travel(six_forty, tick=False):
        desk = signed_in(cora)
        text = text_of(desk.get(reverse("desk_run", args=[run.pk])))
        assert text.index("Who may drive it") < text.index("Asking around")
        assert "the run starts before anybody else may be mailed: call" in text
        assert 'value="start"' not in text  # it would ask nobody
        text = text_of(desk.get(reverse("desk_run", args=[later.pk])))
        assert text.index("Asking around") < text.index("Who may drive it")
        assert 'value="start"' in text

        requests.called(run, abe, "silent", by=cora.user)
        text = text_of(desk.get(reverse("desk_run", args=[run.pk])))
        assert 'value="hurry"' not in text
        assert 'value="stop"' in text
        assert "Nobody asked by mail. No more are asked by themselves: call." in text_of(
            desk.get(reverse("desk"))
        )


class TestFromTheDesk:
    def test_a_gap_has_three_names_with_a_button_each_and_a_yes_is_one_tap(self, desk, cora, run, abe):
        ready_person(name="Ben Birch"), ready_person(name="Cy Cedar"), ready_person(name="Dot Elder")
        page = desk.get(reverse("desk"))
        [gap] = page.context["gaps"]
        assert [one["name"] for one in gap["calls"]] == ["Abe Ash", "Ben Birch", "Cy Cedar"]
        assert text_of(page).count('name="answer" value="yes"') == 3
        answer = desk.post(
            gap["called_url"], {"person": abe.pk, "answer": "yes", "next": reverse("desk")}, follow=True
        )
        assert answer.request["PATH_INFO"] == reverse("desk")
        booking = run.bookings.live().get()
        assert (booking.person, booking.seat, booking.booked_by) == (abe, "driver", cora.user)
        assert "Abe Ash drives Morning run" in text_of(answer)
        assert answer.context["gaps"] == []
        ask = Ask.objects.get()
        assert (ask.answer, ask.wave, ask.booking, ask.answered_by) == ("yes", 0, booking, cora.user)
        assert Search.objects.get().end == Search.End.FILLED
        assert "Abe Ash is out of Morning run" in text_of(undone(desk, answer))
        assert not run.bookings.live().exists()
        assert shown(desk, run)[0] == "Abe Ash", "it was a slip, so nothing is held against them"

    def test_no_answer_brings_the_next_name_up_and_is_undone(self, desk, run, abe):
        for name in ("Ben Birch", "Cy Cedar", "Dot Elder"):
            ready_person(name=name)
        answer = call(desk, run, abe, "silent", next=reverse("desk"))
        [gap] = answer.context["gaps"]
        assert [one["name"] for one in gap["calls"]] == ["Ben Birch", "Cy Cedar", "Dot Elder"]
        assert "Noted: Abe Ash did not answer" in text_of(answer)
        assert not Message.objects.exists()
        answer = undone(desk, answer)
        assert "nothing is noted of a call with Abe Ash" in text_of(answer)
        assert answer.context["gaps"][0]["calls"][0]["name"] == "Abe Ash"


class TestOnTheRunsPage:
    def test_who_was_called_when_and_what_they_said(self, desk, run, abe):
        ben = ready_person(name="Ben Birch")
        call(desk, run, abe, "silent")
        call(desk, run, ben, "no")
        with time_machine.travel(NOW + 10 * MINUTE, tick=False):
            page = desk.get(reverse("desk_run", args=[run.pk]))
        assert [(one["name"], one["reasons"][0]) for one in page.context["calls"]] == [
            ("Abe Ash", "no answer 10 min ago"),
            ("Ben Birch", "said no 10 min ago"),
        ]
        [search] = Search.objects.open()
        assert search.next_at is None, "calls ask nobody by mail"

    def test_who_is_a_lead_driver_stands_there_while_somebody_waits_to_ride_along(self, desk, run, abe):
        lead_driver(name="Lea Lark")
        assert '<span class="tag">lead driver</span>' not in text_of(desk.get(reverse("desk")))
        put(PersonFactory(name="Tom New"), run, "second")
        for page in (reverse("desk_run", args=[run.pk]), reverse("desk"), reverse("desk_plan")):
            text = text_of(desk.get(page))
            assert 'Lea Lark</a> <span class="tag">lead driver</span>' in text
            assert 'Abe Ash</a> <span class="tag">lead driver</span>' not in text

    def test_each_call_that_nobody_took_is_one(self, desk, run, abe):
        call(desk, run, abe, "silent")
        with time_machine.travel(NOW + HOUR, tick=False):
            call(desk, run, abe, "silent")
            assert desk.get(reverse("desk_run", args=[run.pk])).context["calls"][0]["reasons"][0] == (
                "no answer just now"
            )
        assert Ask.objects.filter(answer="silent").count() == 2

    def test_a_mind_may_change_in_a_second_call(self, desk, run, abe):
        call(desk, run, abe, "no")
        call(desk, run, abe, "yes")
        assert run.bookings.live().get().person == abe

    def test_a_request_by_mail_is_answered_by_phone_and_open_again_once_undone(self, desk, run, abe):
        search = Search.objects.create(run=run, opened_at=NOW, next_at=NOW + HOUR)
        ask = ask_person(search, abe, wave=1, by=None, at=NOW, mailed=True)
        answer = call(desk, run, abe, "no")
        ask.refresh_from_db()
        assert (ask.answer, Ask.objects.count()) == ("no", 1)
        undone(desk, answer)
        ask.refresh_from_db()
        assert (ask.answer, ask.answered_at, ask.answered_by) == ("", None, None)
        verbs = list(Event.objects.about(run).values_list("verb", flat=True))
        assert {"request answered", "call taken back"} <= set(verbs)

    def test_taken_back_once_and_not_what_they_said_themselves(self, desk, run, abe):
        answer = call(desk, run, abe, "no")
        undo = answer.context["undo"]
        desk.post(undo["url"], undo["fields"])
        again = desk.post(undo["url"], undo["fields"], follow=True)
        assert "has answered since, or that was taken back already" in text_of(again)
        Ask.objects.update(answer="no", answered_by=None)
        desk.post(undo["url"], undo["fields"])
        assert Ask.objects.get().answer == "no"
        other = make_run(starts_at=NOW + DAY)
        wrong = desk.post(reverse("desk_called", args=[other.pk]), undo["fields"])
        assert wrong.status_code == 404

    def test_what_they_say_themselves_after_a_call_is_not_undone_with_it(self, desk, run, abe):
        """They open the mail while the desk still offers to take back the call that they missed."""
        abe.user = sign_in_for(abe.email)
        abe.save(update_fields=["user"])
        search = Search.objects.create(run=run, opened_at=NOW, next_at=NOW + HOUR)
        ask = ask_person(search, abe, wave=1, by=None, at=NOW, mailed=True)
        page = call(desk, run, abe, "silent")
        requests.answer(ask, "yes", by=abe.user)
        assert "has answered since" in text_of(undone(desk, page))
        assert run.bookings.live().get().person == abe

    def test_a_yes_taken_back_lets_the_search_go_on(self, desk, run, abe):
        """The wrong line was tapped: others are asked by mail as they were to be."""
        search = Search.objects.create(run=run, opened_at=NOW, next_at=NOW + HOUR)
        ask = ask_person(search, ready_person(name="Ben Birch"), wave=1, by=None, at=NOW, mailed=True)
        page = call(desk, run, abe, "yes")
        ask.refresh_from_db()
        assert ask.answer == "closed"
        undone(desk, page)
        assert Search.objects.open().get(run=run).next_at == NOW + HOUR
        ask.refresh_from_db()
        assert ask.answer == ""
        assert Event.objects.about(run).filter(verb="search begun", by__isnull=False).count() == 1

    def test_a_call_that_was_noted_by_mistake_keeps_nobody_from_the_next_group(self, desk, run, abe):
        search = Search.objects.create(run=run, opened_at=NOW, next_at=NOW + HOUR)
        undone(desk, call(desk, run, abe, "silent"))
        assert pool_of(run, search, at=NOW).people == [abe]

    def test_a_yes_by_mail_that_was_noted_by_mistake_can_be_answered_again(self, desk, run, abe):
        search = Search.objects.create(run=run, opened_at=NOW, next_at=NOW + HOUR)
        ask = ask_person(search, abe, wave=1, by=None, at=NOW, mailed=True)
        undone(desk, call(desk, run, abe, "yes"))
        ask.refresh_from_db()
        assert (ask.answer, ask.booking) == ("", None)

    def test_a_call_about_a_run_that_is_filled_begins_no_search(self, desk, run, abe):
        put(ready_person(name="Ben Birch"), run)
        call(desk, run, abe, "yes")
        call(desk, run, abe, "no")
        assert not Search.objects.open().exists()

    def test_after_the_start_somebody_else_is_called_and_drives(self, desk, run, abe):
        """The driver did not come, and food waits."""
        with time_machine.travel(run.starts_at + 5 * MINUTE, tick=False):
            call(desk, run, abe, "yes")
        assert run.bookings.live().get().person == abe


class TestRefused:
    @pytest.mark.parametrize("answer", ["", "late", "back up", "sure"])
    def test_a_word_that_is_none(self, desk, run, abe, answer):
        page = text_of(call(desk, run, abe, answer))
        assert "choose yes, no, or no answer" in page
        assert not Ask.objects.exists()

    def test_nobody_is_seated_against_the_gate(self, desk, run, abe):
        abe.completions.filter(step__code="license").update(valid_until=NOW.date())
        page = text_of(call(desk, run, abe, "yes", next=reverse("desk")))
        assert "Abe Ash was not seated on Morning run" in page
        assert "Driver&#x27;s license" in page
        assert not run.bookings.live().exists()
        assert not Ask.objects.exists(), "nothing is left of it"

    def test_somebody_was_faster(self, desk, run, abe):
        put(ready_person(name="Ben Birch"), run)
        page = text_of(call(desk, run, abe, "yes"))
        assert "Abe Ash was not seated: somebody else drives" in page
        assert Booking.objects.live().get().person.name == "Ben Birch"

    def test_a_run_that_is_over(self, desk, run, abe):
        with time_machine.travel(run.ends_at, tick=False):
            page = text_of(call(desk, run, abe, "no"))
        assert "This run is over." in page

    def test_whoever_gave_it_back_is_last_of_all(self, desk, run, abe):
        ready_person(name="Zoe Zinc")
        give_back(put(abe, run), by=None)
        assert shown(desk, run) == ["Zoe Zinc", "Abe Ash"]

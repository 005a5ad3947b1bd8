"""The orientation page at the desk: the next act for each, a hello, lead drivers, the numbers."""

from datetime import date, timedelta

import pytest
import time_machine
from django.urls import reverse

from shifts.models import Policy
from shifts.pages import desk_orientation
from sites.models import Event
from tests.factories import (
    PersonFactory,
    lead_driver,
    make_ready,
    make_run,
    put,
    ready_person,
)
from tests.shifts.pages.at_the_desk import NOW, TODAY, desk_client, press_undo, queries_of, said, text_of
from tests.shifts.test_orientation_desk import (
    ORDER,
    ago,
    asks,
    done,
    everybody,
    experienced,
    newcomer,
    taken_in,
    waits_for_ride,
)
from volunteers.models import Message, Step

pytestmark = pytest.mark.django_db
PAGE = "/desk/orientation/"


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return desk_client()


def rows(desk):
    groups = desk.get(PAGE).context["groups"]
    return {one["name"]: one for group in groups for one in group["people"]}


def step_page(person, code):
    step = Step.objects.get(code=code)
    return reverse("desk_step_done", args=[person.pk, step.pk]) + f"?next={PAGE}"


# --- the one next act


class TestTheNextAct:
    def test_of_somebody_who_asks_to_join_is_the_answer(self, desk):
        join = asks(1)
        row = rows(desk)[join.person.name]
        assert (row["act"], row["act_url"]) == ("Answer", reverse("desk_join", args=[join.pk]))

    @pytest.mark.parametrize(
        ("count", "code", "act"), [(3, "form", "Tick it off"), (4, "kit", "Hand it over")]
    )
    def test_of_a_form_and_a_kit_is_the_page_that_records_it_and_leads_back(self, desk, count, code, act):
        person = done(newcomer(), *ORDER[:count], on=ago(3))
        row = rows(desk)[person.name]
        assert (row["act"], row["act_url"]) == (act, step_page(person, code))
        assert desk.get(row["act_url"]).status_code == 200

    def test_of_a_ride_to_arrange_is_the_page_of_rides(self, desk):
        person = waits_for_ride()
        row = rows(desk)[person.name]
        assert (row["act"], row["act_url"]) == ("Arrange a ride", reverse("desk_rides"))

    def test_of_a_second_seat_without_a_lead_driver_is_the_run(self, desk):
        person, run = waits_for_ride(), make_run(title="Market")
        put(ready_person(), run)
        put(person, run, "second")
        row = rows(desk)[person.name]
        assert row["act_url"] == reverse("desk_run", args=[run.pk])
        assert row["what"].startswith("Sits beside no lead driver: Market")

    @pytest.mark.parametrize(
        ("days", "act", "ending"), [(1, "Call Lea", "tel:+15555550199"), (3, "Record as told", "#sign-off")]
    )
    def test_of_a_ride_that_is_over_is_the_lead_driver_then_the_record(self, desk, days, act, ending):
        lead = lead_driver(name="Lea Lead", phone="+15555550199")
        person, run = waits_for_ride(), make_run(starts_at=NOW - timedelta(days=days))
        put(lead, run)
        put(person, run, "second")
        row = rows(desk)[person.name]
        assert row["act"] == act
        assert row["act_url"].endswith(ending)
        assert "tel:+15555550199" in text_of(desk.get(PAGE))

    @pytest.mark.parametrize(
        ("facts", "act"),
        [
            ({"phone": "+15555550123"}, "tel:+15555550123"),
            ({"phone": "", "email": "new@example.org"}, "mailto:new@example.org"),
        ],
    )
    def test_of_whoever_waits_for_themselves_is_a_call(self, desk, facts, act):
        person = newcomer(**facts)
        assert rows(desk)[person.name]["act_url"] == act

    def test_without_any_way_to_reach_them_it_is_their_page(self, desk):
        person = newcomer(phone="", by_phone=True)
        assert rows(desk)[person.name]["act_url"] == reverse("desk_person", args=[person.pk])

    def test_every_stage_has_words_and_an_act(self, desk):
        everybody()
        for row in rows(desk).values():
            assert row["what"]
            assert row["act"]
            assert ".." not in row["what"]


def test_groups_in_order_each_longest_first_with_stuck_by_word_and_shape(desk):
    everybody()
    answer = desk.get(PAGE)
    assert [group["key"] for group in answer.context["groups"]] == [
        "answer", "you", "lead", "themselves", "rides",
    ]  # fmt: skip
    for group in answer.context["groups"]:
        assert [one["days"] for one in group["people"]] == sorted(
            (one["days"] for one in group["people"]), reverse=True
        )
    page = text_of(answer)
    stuck = sum(one["is_stuck"] for one in rows(desk).values())
    assert page.count("<strong>Stuck</strong>") == page.count("#level-urgent") == stuck > 0
    assert f"{answer.context['for_you']} wait for you." in page


def test_nobody_on_the_way(desk):
    assert reverse("desk_import") in text_of(desk.get(PAGE))
    ready_person()
    page = text_of(desk.get(PAGE))
    assert "Everybody is ready" in page
    assert reverse("desk_import") not in page


def test_queries_do_not_grow_with_the_people(desk):
    Policy.current()
    everybody()
    experienced()
    few, _sql = queries_of(desk, PAGE)
    for _time in range(3):
        everybody()
        experienced()
    many, sql = queries_of(desk, PAGE)
    assert few == many, sql


# --- hello


def test_a_hello_is_one_tap_and_can_be_undone(desk):
    person = taken_in(3).person
    row = rows(desk)[person.name]
    assert (row["says_hello"], row["act_url"]) == (True, f"tel:{person.phone.as_e164}")
    answer = desk.post(reverse("desk_hello", args=[person.pk]))
    assert answer["Location"] == PAGE
    event = Event.objects.about(person).get()
    assert (event.verb, event.by.people.get().name) == ("said hello", "Cora Desk")
    page = desk.get(PAGE)
    assert not rows(desk)[person.name]["says_hello"]
    press_undo(desk, page)
    assert rows(desk)[person.name]["says_hello"]


# --- lead drivers


def test_who_could_lead_is_listed_with_the_count_and_made_one_with_a_tap(desk):
    ed = experienced()
    page = text_of(desk.get(PAGE))
    assert "Could be lead drivers" in page
    assert "10 runs alone" in page
    answer = desk.post(reverse("desk_appoint", args=[ed.pk]), {"lead": "yes", "next": PAGE})
    assert answer["Location"] == PAGE
    ed.refresh_from_db()
    assert ed.lead_since == TODAY
    assert Message.objects.get(person=ed).kind == "lead driver"
    assert "Could be lead drivers" not in text_of(desk.get(PAGE))


def test_not_now_takes_them_off_the_list_and_can_be_undone(desk):
    ed = experienced()
    answer = desk.post(reverse("desk_no_lead_now", args=[ed.pk]))
    assert "six months" in said(answer)
    page = desk.get(PAGE)
    assert page.context["leads"] == []
    press_undo(desk, page)
    assert [one["name"] for one in desk.get(PAGE).context["leads"]] == [ed.name]


def test_nobody_becomes_a_lead_driver_who_is_not_ready_and_the_page_says_why(desk):
    ana = make_ready(PersonFactory(), without=("kit",))
    answer = desk.post(reverse("desk_appoint", args=[ana.pk]), {"lead": "yes"})
    assert "Record first: Starter kit" in said(answer)
    ana.refresh_from_db()
    assert not ana.is_lead


def test_undoing_the_end_of_a_lead_driver_brings_back_the_day_they_began(desk):
    lea = lead_driver()
    desk.post(reverse("desk_appoint", args=[lea.pk]), {"lead": "no"})
    press_undo(desk, desk.get(reverse("desk_person", args=[lea.pk])))
    lea.refresh_from_db()
    assert lea.lead_since == date(2020, 1, 1)
    assert not Message.objects.filter(state=Message.State.OWED).exists()


@pytest.mark.parametrize("since", ["2026-02-30", "soon", "2099-01-01"])
def test_a_day_that_is_none_or_to_come_is_today(desk, since):
    ana = ready_person()
    desk.post(reverse("desk_appoint", args=[ana.pk]), {"lead": "yes", "since": since})
    ana.refresh_from_db()
    assert ana.lead_since == TODAY


# --- the numbers


def test_the_picture_has_a_table_that_says_the_same(desk):
    everybody()
    answer = desk.get(PAGE)
    stations = answer.context["stations"]
    assert sum(station["count"] for station in stations) == answer.context["count"] == 15
    assert sum(station["stuck"] for station in stations) == answer.context["stuck"]
    most = max(station["count"] for station in stations)
    for station in stations:
        assert station["width"] == round(100 * station["count"] / most)
        assert station["stuck_width"] <= station["width"]
    assert text_of(answer).count('<svg class="bar"') == len(stations)


def test_every_stage_stands_somewhere_on_the_way():
    stages = [stage for _name, stages in desk_orientation.STATIONS for stage in stages]
    assert sorted(stage.key for stage in stages) == sorted(stage.key for stage in desk_orientation.Stage)


def test_how_long_it_takes(desk):
    assert "nobody yet in the last 12 months" in text_of(desk.get(PAGE))
    person = newcomer(40)
    done(person, "ride", on=ago(19))
    put(person, make_run(starts_at=NOW - timedelta(days=9)))
    page = text_of(desk.get(PAGE))
    assert "<dd>31 days <span" in page
    assert "1 person in the last 12 months" in page
    assert "Shadow ride: 21 days" in page
    put(newcomer(40), make_run(starts_at=NOW - timedelta(days=9)))
    assert "31 days: half took less, half took more" in text_of(desk.get(PAGE))


# --- the front page


def test_the_desk_says_how_many_newcomers_wait(desk):
    assert "newcomer" not in text_of(desk.get(reverse("desk")))
    waits_for_ride()
    page = text_of(desk.get(reverse("desk")))
    assert f'<a href="{PAGE}">1 newcomer waits for you</a>' in page
    newcomer()  # has the briefing to read, and waits for themselves
    assert "1 newcomer waits" in text_of(desk.get(reverse("desk")))

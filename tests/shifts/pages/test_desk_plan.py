"""The plan's page: three names and a button, everybody at once, wishes with undo, and how many queries."""

from datetime import timedelta

import pytest
import time_machine
from django.urls import reverse

from shifts.models import Ask, Booking, PlanWish, Search
from shifts.seats.booking import seat
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, make_run, put, ready_person
from tests.shifts.pages.at_the_desk import (
    DAY,
    EVERY_PAGE,
    NOW,
    all_rows,
    desk_client,
    press_undo,
    queries_of,
    said,
    survives_nonsense,
    text_of,
)
from volunteers.models import Message

pytestmark = pytest.mark.django_db
PLAN, WISH = "/desk/plan/", "/desk/plan/wish/"
HOUR = timedelta(hours=1)


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return desk_client()


@pytest.fixture
def door():
    return [SiteFactory(name="Mill Street Grocery"), DropOffFactory(name="Elm Kitchen")]


@pytest.fixture
def run(door):
    return make_run(starts_at=NOW + 3 * DAY, sites=door, crates=10)


def gaps(page):
    return [gap for week in page.context["weeks"] for gap in week["gaps"]]


def names(gap):
    return [(call["name"], call["planned"]) for call in gap["calls"]]


def ask_all(desk):
    page = desk.get(PLAN)
    fields = {"do": "ask all", "pair": page.context["to_ask"], "next": PLAN}
    return desk.post(PLAN, fields, follow=True)


# --- what is shown


def test_the_planned_person_first_and_two_more(desk, run):
    near = ready_person(home_latitude=40.0, home_longitude=-83.0)
    for _ in range(3):
        ready_person(home_latitude=41.0, home_longitude=-83.0)
    page = desk.get(PLAN)
    [gap] = gaps(page)
    assert names(gap)[0] == (near.name, True)
    assert [planned for _name, planned in names(gap)] == [True, False, False]
    seat_of_driver = gap["card"]["seats"][0]
    assert (seat_of_driver["state"], seat_of_driver["word"]) == ("waiting", near.name)
    text = text_of(page)
    assert "1 of 1 run without a driver has somebody to ask. Nobody is seated without their own yes." in text
    assert "Proven best" in text
    assert text.count('value="ask"') == 3


def test_what_would_fill_a_run_that_nobody_can_take(desk, run):
    PersonFactory(name="Newly Here")
    [gap] = gaps(desk.get(PLAN))
    assert gap["why"] == "Nobody is ready to drive it alone."
    assert (gap["calls"], gap["choices"]) == ([], [])
    page = text_of(desk.get(PLAN))
    assert "Nobody is ready to drive it alone." in page
    assert reverse("desk_run", args=[run.pk]) + "#call-list" in page
    assert "Ask everybody in the plan" not in page


def test_days_typed_the_wrong_way_round_are_the_same_days(desk, run):
    ready_person()
    ends = run.local_date + DAY, run.local_date - DAY
    page = desk.get(PLAN, {"from": ends[0].isoformat(), "to": ends[1].isoformat()})
    assert (page.context["first"], page.context["last"]) == (ends[1], ends[0])
    assert page.context["count"] == 1


def test_an_empty_plan_says_what_it_will_hold(desk):
    page = text_of(desk.get(PLAN))
    assert "Every run of these days has a driver" in page
    assert "Runs without one show here" in page


def test_days_whose_runs_are_not_made_are_not_said_to_be_covered(desk):
    until = desk.get(PLAN).context["until"]
    beyond = text_of(desk.get(PLAN, {"from": until + DAY, "to": until + 7 * DAY}))
    assert "The runs of these days are not made yet" in beyond
    assert "Every run of these days has a driver" not in beyond
    reaching = text_of(desk.get(PLAN, {"to": until + DAY}))
    assert "Every run of these days has a driver" in reaching
    assert "Runs are made up to" in reaching
    assert "Runs are made up to" not in text_of(desk.get(PLAN))


def test_the_days_asked_for(desk, run, door):
    ready_person()
    later = make_run(starts_at=NOW + 12 * DAY, sites=door)
    assert [gap["pk"] for gap in gaps(desk.get(PLAN))] == [run.pk, later.pk]
    day = later.local_date.isoformat()
    assert [gap["pk"] for gap in gaps(desk.get(PLAN, {"from": day, "to": day}))] == [later.pk]
    assert [gap["pk"] for gap in gaps(desk.get(PLAN, {"to": run.local_date.isoformat()}))] == [run.pk]
    for wrong in ("", "x", "2027-02-30", "1900-01-01", "9999-12-31"):
        assert desk.get(PLAN, {"from": wrong, "to": wrong}).status_code == 200


def test_whoever_gets_no_mail_is_called_and_seated_by_their_word(desk, run):
    person = ready_person(name="Pat Phone", email="", reach="call")
    [gap] = gaps(desk.get(PLAN))
    assert gap["calls"][0]["mailed"] is False
    desk.post(gap["called_url"], {"person": person.pk, "answer": "yes", "next": PLAN})
    assert Booking.objects.get().person == person
    assert gaps(desk.get(PLAN)) == []


def test_the_plan_that_was_shown_is_kept_where_nothing_speaks_against_it(desk, run):
    people = [ready_person() for _ in range(4)]
    shown = gaps(desk.get(PLAN))[0]["card"]["seats"][0]["word"]
    for person in people:
        if person.name != shown:
            session = desk.session
            session["plan"] = [[run.pk, person.pk]]
            session.save()
            assert gaps(desk.get(PLAN))[0]["card"]["seats"][0]["word"] == person.name
            assert desk.session["plan"] == [[run.pk, person.pk]]


def test_looking_changes_nothing(desk, run):
    ready_person()
    desk.get(PLAN)
    before = all_rows()
    desk.get(PLAN)
    assert all_rows() == before


# --- asking


def test_one_is_asked_and_nobody_is_seated(desk, run):
    person = ready_person(name="Ina Quell")
    page = desk.post(PLAN, {"do": "ask", "pair": f"{run.pk}-{person.pk}", "next": PLAN}, follow=True)
    assert said(page).startswith("Ina Quell is asked by mail: Morning run, ")
    ask = Ask.objects.get()
    assert (ask.person, ask.search.run, ask.answer) == (person, run, "")
    assert Message.objects.filter(person=person).count() == 1
    assert not Booking.objects.exists()
    [gap] = gaps(page)
    assert (gap["calls"][0]["asked"], gap["card"]["seats"][0]["note"]) == (True, "asked, no answer yet")
    assert page.context["to_ask"] == []
    undone = press_undo(desk, page)
    assert undone.status_code == 302
    assert not Search.objects.open().exists()
    assert Ask.objects.get().answer == "closed"


def test_their_yes_fills_the_run(desk, run):
    person = ready_person()
    desk.post(PLAN, {"do": "ask", "pair": f"{run.pk}-{person.pk}"})
    seat(run=run, person=person, seat="driver", by=None, at=NOW)
    assert gaps(desk.get(PLAN)) == []


def test_undo_is_not_offered_where_others_were_asked_before(desk, run):
    first, second = ready_person(), ready_person()
    desk.post(PLAN, {"do": "ask", "pair": f"{run.pk}-{first.pk}"})
    desk.get(PLAN)
    page = desk.post(PLAN, {"do": "ask", "pair": f"{run.pk}-{second.pk}"}, follow=True)
    assert page.context["undo"] is None
    assert Ask.objects.count() == 2


def test_whoever_cannot_be_asked_is_named_with_the_reason(desk, run):
    person = ready_person(name="Ina Quell", email="", reach="call")
    page = desk.post(PLAN, {"do": "ask", "pair": f"{run.pk}-{person.pk}"}, follow=True)
    assert said(page) == "Ina Quell has no mail or wants none: call or text."
    put(ready_person(), run)
    page = desk.post(PLAN, {"do": "ask", "pair": f"{run.pk}-{person.pk}"}, follow=True)
    assert said(page).startswith("Ina Quell was not asked. This run has a driver")
    for pair in ("", "x", "1", f"{run.pk}-", f"{run.pk}-0", f"-{person.pk}", f"{run.pk}-{10**20}"):
        assert said(desk.post(PLAN, {"do": "ask", "pair": pair}, follow=True)).startswith("Nobody was asked")
    assert said(desk.post(PLAN, {"do": "x"}, follow=True)).startswith("Nothing was done")
    assert not Ask.objects.exists()


def test_everybody_is_asked_at_once_but_nobody_more_often_than_a_week_allows(desk, door):
    """Two requests a week: of somebody's three runs, those of the next days; the third is asked next week."""
    often = ready_person(name="Ina Quell", runs_a_week=3)
    runs = [make_run(starts_at=NOW + n * DAY, sites=door) for n in (3, 4, 13)]
    page = ask_all(desk)
    assert said(page) == (
        "1 person is asked by mail about 2 runs. The first yes has the seat. "
        "Ina Quell: asked as often as they are to be this week. Ask about the other runs next week, or call."
    )
    assert list(Ask.objects.order_by("pk").values_list("search__run", "person")) == [
        (run.pk, often.pk) for run in runs[:2]
    ]
    assert page.context["to_ask"] == [f"{runs[2].pk}-{often.pk}"]
    press_undo(desk, page)
    assert not Search.objects.open().exists()


def test_asking_everybody_names_those_to_call_and_those_who_cannot_be_asked(desk, door):
    ready_person(name="Pat Phone", email="", reach="call", runs_a_week=1)
    mailed = ready_person(name="Ina Quell", runs_a_week=1)
    for n in (3, 5):
        make_run(starts_at=NOW + n * DAY, sites=door)
    assert "Pat Phone: no mail, so call or text." in said(ask_all(desk))
    assert [ask.person for ask in Ask.objects.all()] == [mailed]
    assert said(desk.post(PLAN, {"do": "ask all"}, follow=True)) == "Nobody was asked by mail."


def test_nobody_is_mailed_in_quiet_hours(desk, run):
    ready_person(name="Ina Quell")
    with time_machine.travel(NOW + 16 * HOUR, tick=False):  # 2 a.m.
        assert "Ina Quell: these are quiet hours" in said(ask_all(desk))
    assert not Ask.objects.exists()


def test_stopping_what_has_ended_says_so(desk, run):
    assert said(desk.post(PLAN, {"do": "stop", "run": [run.pk, "x"]}, follow=True)) == (
        "Nobody was being asked any more."
    )


# --- wishes


def test_wanted_and_not_wanted_with_undo(desk, run):
    people = [ready_person(name=name) for name in ("Abe Ash", "Zoe Elm")]
    page = desk.get(PLAN)
    chosen = gaps(page)[0]["card"]["seats"][0]["word"]
    [other] = [person for person in people if person.name != chosen]
    page = desk.post(WISH, {"run": run.pk, "person": other.pk, "kind": "pin", "next": PLAN}, follow=True)
    assert said(page).startswith(f"{other.name} is planned for it, if all rules hold: Morning run, ")
    [gap] = gaps(page)
    assert (gap["card"]["seats"][0]["word"], gap["card"]["seats"][0]["note"]) == (other.name, "wanted by you")
    assert f"You want this person: {other.name}" in text_of(page)
    press_undo(desk, page)
    assert not PlanWish.objects.exists()
    page = desk.post(WISH, {"run": run.pk, "person": other.pk, "kind": "forbid", "next": PLAN}, follow=True)
    assert [name for name, _planned in names(gaps(page)[0])] == [chosen]
    assert f"You do not want this person: {other.name}" in text_of(page)
    press_undo(desk, page)
    assert not PlanWish.objects.exists()


def test_undo_brings_back_whom_a_pin_has_replaced(desk, run):
    first, second = ready_person(), ready_person()
    desk.post(WISH, {"run": run.pk, "person": first.pk, "kind": "pin"})
    desk.get(PLAN)
    page = desk.post(WISH, {"run": run.pk, "person": second.pk, "kind": "pin"}, follow=True)
    assert PlanWish.objects.get().person == second
    press_undo(desk, page)
    assert PlanWish.objects.get().person == first


def test_somebody_wanted_who_cannot_is_said_and_can_be_taken_back(desk, run):
    wanted = PersonFactory(name="Newly Here")
    desk.post(WISH, {"run": run.pk, "person": wanted.pk, "kind": "pin"})
    page = desk.get(PLAN)
    assert "Newly Here is not ready for it on that date" in text_of(page)
    desk.post(WISH, {"run": run.pk, "person": wanted.pk, "kind": "none"})
    assert desk.get(PLAN).context["unheld"] == []


def test_a_wish_that_makes_no_sense_is_refused_in_place(desk, run):
    person = ready_person()
    for fields in ({}, {"person": person.pk}, {"kind": "pin"}, {"person": person.pk, "kind": "x"}):
        page = desk.post(WISH, {"run": run.pk, **fields}, follow=True)
        assert said(page).startswith("Nothing was changed for Morning run")
    put(person, run)
    page = desk.post(WISH, {"run": run.pk, "person": person.pk, "kind": "pin"}, follow=True)
    assert said(page).startswith("Nothing was changed. This run needs no driver")
    assert desk.post(WISH, {"run": 0, "person": person.pk, "kind": "pin"}).status_code == 404
    assert not PlanWish.objects.exists()


def test_nonsense_is_survived(desk, run):
    ready_person()
    survives_nonsense(desk, PLAN, ["do", "pair", "run", "next"], {"do": "ask all", "pair": f"{run.pk}-1"})


# --- how many queries


def test_queries_grow_neither_with_runs_nor_with_people(desk, door):
    def more(runs, people):
        for n in range(runs):
            make_run(starts_at=NOW + (1 + n % 20) * DAY + n * HOUR / 9, sites=door)
        for _ in range(people):
            ready_person(runs_a_week=1)

    more(5, 2)
    few, _sql = queries_of(desk, PLAN)
    more(30, 10)
    many, sql = queries_of(desk, PLAN)
    assert many == few, sql
    # The plan's own: settings, runs with stops and people, kept for whom, everything known of the people,
    # the gate, who is engaged, wishes, and a query for each kind of step that an empty run may lack.
    assert few == EVERY_PAGE + 31


def test_the_desk_leads_there(desk):
    assert f'href="{PLAN}"' in text_of(desk.get("/desk/"))

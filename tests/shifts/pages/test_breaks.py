"""The pages of a break: the volunteer's own, and the coordinator's for somebody who called."""

from datetime import time

import pytest
import time_machine
from django.urls import reverse

from shifts.schedule.making import Plan, add_shift
from shifts.seats import breaks, standing
from sites.models import Event
from tests.factories import DropOffFactory, SiteFactory, make_run, put, ready_person
from tests.shifts.pages.at_the_desk import (
    DAY,
    NOW,
    TODAY,
    desk_client,
    errors_of,
    press_undo,
    said,
    survives_nonsense,
    text_of,
)
from volunteers.models import Person

pytestmark = pytest.mark.django_db
MINE = "/me/break/"


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def ana(client):
    person = ready_person(name="Ana Bell", email="ana@example.org", sign_in=True)
    client.force_login(person.user)
    return person


@pytest.fixture
def desk():
    return desk_client()


def now(person):
    return Person.objects.get(pk=person.pk)


def regular_run(person):
    stops = ((SiteFactory().pk, 0), (DropOffFactory().pk, 30))
    plan = Plan(rule="FREQ=WEEKLY;BYDAY=WE", starts=time(8), minutes=60, stops=stops)
    shift = add_shift(name="Wednesdays", plan=plan, from_day=TODAY, by=None, at=NOW)
    wish = standing.Wish(shift=shift, person=person, from_day=TODAY)
    return standing.begin(wish, by=None, at=NOW)


class TestMyOwn:
    def test_all_runs_are_ticked_and_regular_runs_named(self, client, ana):
        put(ana, make_run(title="Bread run"))
        regular_run(ana)
        page = client.get(MINE)
        assert len(page.context["form"]["give_up"].value()) == 1
        assert "Wednesdays" in text_of(page)
        assert "Days I am away" in text_of(page)

    def test_taken_with_what_is_ticked_given_back(self, client, ana):
        given, kept = put(ana, make_run()), put(ana, make_run(starts_at=NOW + 5 * DAY))
        answer = client.post(MINE, {"what": "break", "give_up": [given.pk]})
        assert (answer.status_code, answer["Location"]) == (302, "/")
        given.refresh_from_db()
        kept.refresh_from_db()
        assert (now(ana).paused_on, given.is_live, kept.is_live) == (TODAY, False, True)

    def test_a_second_tap_changes_nothing(self, client, ana):
        given = put(ana, make_run())
        put(ana, make_run(starts_at=NOW + 5 * DAY))
        for _tap in range(2):
            answer = client.post(MINE, {"what": "break", "give_up": [given.pk]})
            assert (answer.status_code, answer["Location"]) == (302, "/")

    def test_the_first_page_says_so_and_ends_it_with_one_tap(self, client, ana):
        breaks.take_break(ana, by=ana.user, at=NOW)
        page = text_of(client.get("/"))
        assert "You are on a break since Tue, Jun 2." in page
        assert "No run yet" not in page
        answer = client.post(MINE, {"what": "back"}, follow=True)
        assert "Good to have you back!" in text_of(answer)
        assert (now(ana).paused_on, now(ana).back_on) == (None, TODAY)
        assert Event.objects.filter(person_id=ana.pk).latest("pk").by == ana.user

    def test_coming_back_says_what_ran_out(self, client, ana):
        ana.completions.filter(step__code="license").update(valid_until=TODAY - DAY)
        breaks.take_break(ana, by=ana.user, at=NOW)
        assert "Before you drive alone again" in said(client.post(MINE, {"what": "back"}))

    def test_runs_show_no_seat_to_take(self, client, ana):
        run = make_run(title="Bread run")
        assert "You can drive this one" in text_of(client.get("/runs/"))
        breaks.take_break(ana, by=ana.user, at=NOW)
        page = text_of(client.get("/runs/"))
        assert "Bread run" in page
        assert "You can drive this one" not in page
        assert "You are on a break" in page
        assert "on a break since" in text_of(client.get(f"/runs/{run.pk}/"))
        assert client.post(f"/runs/{run.pk}/book/", {"seat": "driver"}).status_code == 409

    def test_leaving_gives_everything_back(self, client, ana):
        booking = put(ana, make_run())
        answer = client.post(MINE, {"what": "leave"}, follow=True)
        booking.refresh_from_db()
        assert (now(ana).left_on, booking.is_live) == (TODAY, False)
        assert "You have left. Thank you for every run!" in text_of(answer)

    def test_of_nobody_else(self, client, ana):
        put(ana, make_run())
        other = put(ready_person(), make_run())
        answer = client.post(MINE, {"what": "break", "give_up": [other.pk]})
        assert "no longer yours" in errors_of(answer)["give_up"]
        assert now(ana).paused_on is None

    @pytest.mark.parametrize("what", ["", "fly"])
    def test_nothing_happens_without_a_choice(self, client, ana, what):
        put(ana, make_run())
        assert client.post(MINE, {"what": what}).status_code in (200, 400)
        assert (now(ana).paused_on, now(ana).left_on) == (None, None)

    def test_nonsense(self, client, ana):
        put(ana, make_run())
        survives_nonsense(client, MINE, ("give_up",), good={"what": "break"})


class TestForSomebody:
    def test_taken_undone(self, desk, ana):
        booking = put(ana, make_run())
        at = reverse("desk_break", args=[ana.pk])
        assert len(desk.get(at).context["form"]["give_up"].value()) == 1
        for _tap in range(2):
            answer = desk.post(at, {"give_up": [booking.pk]})
        answer = desk.get(answer["Location"])
        assert now(ana).paused_on == TODAY, "the second tap ends no break"
        assert "on a break since" in text_of(answer)
        back = press_undo(desk, answer)
        assert "Ana Bell is back. Ana Bell is ready to drive alone." in said(back)
        assert "seat them there anew" in said(back)
        assert now(ana).paused_on is None

    def test_of_somebody_who_left_there_is_none(self, desk, ana):
        Person.objects.filter(pk=ana.pk).update(left_on=TODAY)
        answer = desk.post(reverse("desk_break", args=[ana.pk]))
        assert "not with the programme" in said(answer)
        assert now(ana).paused_on is None

    def test_a_crew_needs_another_captain(self, desk, ana):
        stops = ((SiteFactory().pk, 0), (DropOffFactory().pk, 30))
        plan = Plan(rule="FREQ=WEEKLY;BYDAY=WE", starts=time(8), minutes=60, stops=stops)
        shift = add_shift(name="Wednesdays", plan=plan, from_day=TODAY, by=None, at=NOW)
        wish = standing.Wish(shift=shift, person=ana, from_day=TODAY, crew="Choir")
        standing.begin(wish, by=None, on_behalf=True, at=NOW)
        assert "stays captain of Choir" in text_of(desk.get(reverse("desk_break", args=[ana.pk])))

    def test_the_list_of_people_names_who_pauses(self, desk, ana):
        breaks.take_break(ana, by=None, at=NOW)
        sections = {
            section["title"]: section["people"] for section in desk.get("/desk/people/").context["sections"]
        }
        assert [row["name"] for row in sections["On a break"]] == ["Ana Bell"]
        assert "Ready today" not in sections

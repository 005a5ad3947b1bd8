"""Cover for a holiday at the desk: chosen, ended, undone; what whoever covers sees, what moves to them."""

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from shifts.models import CoverTurn
from shifts.seats.booking import seat
from sites.models import Programme
from tests.factories import PersonFactory, coordinator, make_run, ready_person
from tests.shifts.pages.at_the_desk import (
    DAY,
    NOW,
    TODAY,
    desk_client,
    errors_of,
    said,
    survives_nonsense,
    text_of,
)
from volunteers.models import Message, Person, Step

pytestmark = pytest.mark.django_db
PAGE = "/desk/cover/"


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture(autouse=True)
def _programme():
    Programme.objects.update_or_create(
        pk=1, defaults={"contact_name": "Cora", "contact_phone": "+15555550100"}
    )


@pytest.fixture
def desk():
    return desk_client(coordinator())


@pytest.fixture
def ray():
    return PersonFactory(name="Ray Cover", phone="+15555550177", sign_in=True)


def days(first, last):
    return {"first": first.isoformat(), "last": last.isoformat()}


def covering(person, first=TODAY, last=TODAY):
    return CoverTurn.objects.create(person=person, first=first, last=last, at=NOW)


class TestChoosing:
    def test_a_person_and_two_days(self, desk, ray):
        answer = desk.post(PAGE, {"person": ray.pk, **days(TODAY + 7 * DAY, TODAY + 20 * DAY)}, follow=True)
        page = text_of(answer)
        assert "Ray Cover covers from Tue, Jun 9 to Mon, Jun 22. They are told." in page
        assert "Undo: nobody covers then" in page
        turn = CoverTurn.objects.get()
        assert (turn.person, turn.first, turn.last) == (ray, TODAY + 7 * DAY, TODAY + 20 * DAY)

    def test_what_was_typed_stays_with_the_reason(self, desk, ray):
        covering(PersonFactory(name="Bo Other"), TODAY, TODAY + 9 * DAY)
        answer = desk.post(PAGE, {"person": ray.pk, **days(TODAY + 5 * DAY, TODAY + 20 * DAY)})
        assert "Bo Other covers" in errors_of(answer)["__all__"]
        assert answer.context["form"]["person"].value() == str(ray.pk)
        assert CoverTurn.objects.count() == 1

    def test_only_adults_with_address_and_phone_are_offered_and_not_oneself(self, desk, ray):
        PersonFactory(by_phone=True)
        PersonFactory(phone="")
        PersonFactory(left_on=TODAY)
        PersonFactory(is_adult=False, drives=False)
        people = desk.get(PAGE).context["form"].fields["person"].queryset
        assert list(people) == [ray]

    def test_nothing_said(self, desk):
        assert set(errors_of(desk.post(PAGE, {}))) == {"person", "first", "last"}
        assert not CoverTurn.objects.exists()

    def test_nonsense(self, desk, ray):
        survives_nonsense(desk, PAGE, ["person", "first", "last"])

    def test_ended_and_undone_in_one_tap_each(self, desk, ray):
        turn = covering(ray)
        assert "End it now" in text_of(desk.get(PAGE))
        answer = desk.post(PAGE, {"end": turn.pk}, follow=True)
        assert "Ray Cover does not cover any more." in text_of(answer)
        undo = answer.context["undo"]
        answer = desk.post(undo["url"], dict(undo["pairs"]))
        assert said(answer) == "Ray Cover covers on Tue, Jun 2."
        assert CoverTurn.objects.get().ended_at is None

    @pytest.mark.parametrize("key", ["x", "999", ""])
    def test_a_turn_that_is_not_there(self, desk, key):
        assert desk.post(PAGE, {"end": key}).status_code == 404
        assert desk.post(PAGE, {"on": key}).status_code == 404


class TestCovering:
    def test_without_a_second_factor_it_is_asked_for(self, ray):
        covering(ray)
        client = Client()
        client.force_login(ray.user)
        assert client.get("/desk/").headers["Location"] == reverse("second_factor")
        assert "Set up a passkey" in text_of(client.get(reverse("second_factor")))

    @pytest.mark.urls("tests.demo_urls")
    def test_the_demo_does_without(self, ray, settings):
        settings.DEMO = True
        covering(ray)
        client = Client()
        client.force_login(ray.user)
        assert client.get("/desk/").status_code == 200

    def test_the_desk_opens_with_the_first_day_and_shuts_with_the_last(self, ray):
        client = desk_client(ray)
        covering(ray, TODAY + DAY, TODAY + 2 * DAY)
        seen = []
        for number in range(4):
            with time_machine.travel(NOW + number * DAY, tick=False):
                seen.append(client.get("/desk/").status_code)
        assert seen == [403, 200, 200, 403]

    def test_the_last_day_ends_at_midnight_of_the_programme(self, ray):
        client = desk_client(ray)
        covering(ray)
        with time_machine.travel("2026-06-03T03:59:00Z", tick=False):  # 11:59 p.m. in New York
            assert client.get("/desk/").status_code == 200
        with time_machine.travel("2026-06-03T04:00:00Z", tick=False):
            assert client.get("/desk/").status_code == 403

    def test_an_ended_turn_shuts_it_at_once(self, ray, desk):
        turn, client = covering(ray), desk_client(ray)
        assert client.get("/desk/").status_code == 200
        desk.post(PAGE, {"end": turn.pk})
        assert client.get("/desk/").status_code == 403

    def test_what_they_may_not_is_not_offered_and_says_so_kindly(self, ray):
        covering(ray)
        client = desk_client(ray)
        page = text_of(client.get("/desk/"))
        assert reverse("desk_settings") not in page
        assert "You are the only coordinator" not in page
        assert reverse("desk_papers") not in text_of(client.get("/desk/orientation/"))
        answer = client.get("/desk/settings/")
        assert answer.status_code == 403
        assert "You keep the desk until Tue, Jun 2, thank you." in text_of(answer)
        assert 'href="tel:+15555550100"' in text_of(answer)  # the coordinators' own, not theirs

    def test_papers_of_people_wait(self, ray):
        covering(ray)
        client, who = desk_client(ray), ready_person(name="Ana Reyes")
        paper, kit = Step.objects.get(code="insurance"), Step.objects.get(code="kit")
        assert client.get(reverse("desk_step_done", args=[who.pk, paper.pk])).status_code == 403
        assert client.get(reverse("desk_step_done", args=[who.pk, kit.pk])).status_code == 200
        card = who.completions.get(step=paper)
        assert client.get(reverse("desk_step_back", args=[card.pk])).status_code == 403
        rows = {row["name"]: row for row in client.get(f"/desk/people/{who.pk}/").context["steps"]}
        assert rows[paper.title]["take_back"] == ""

    def test_private_notes_are_neither_read_nor_written(self, ray):
        covering(ray)
        client = desk_client(ray)
        who = PersonFactory(notes="A secret of the coordinator's")
        assert "A secret" not in text_of(client.get(f"/desk/people/{who.pk}/"))
        assert client.post(f"/desk/people/{who.pk}/", {"notes": "Mine"}).status_code == 403
        assert Person.objects.get(pk=who.pk).notes == "A secret of the coordinator's"

    def test_they_seat_people_and_it_is_recorded_as_theirs(self, ray):
        covering(ray)
        run, abe = make_run(starts_at=NOW + DAY), ready_person()
        desk_client(ray).post(reverse("desk_seat", args=[run.pk]), {"person": abe.pk})
        assert run.bookings.get().booked_by == ray.user

    def test_the_number_that_pages_and_mails_show_is_theirs(self, ray, desk):
        covering(ray)
        abe = ready_person(sign_in=True)
        client = Client()
        client.force_login(abe.user)
        page = text_of(client.get("/"))
        assert 'href="tel:+15555550177"' in page
        assert "5555550100" not in page
        seat(run=make_run(starts_at=NOW + DAY), person=abe, seat="driver", by=abe.user, at=NOW)
        assert "coordinator Ray Cover" in Message.objects.get(kind="booked").text
        settings = desk.get("/desk/settings/").context["programme_form"]
        assert settings["contact_name"].value() == "Cora", "the settings keep the programme's own"

    def test_a_run_sheet_names_whoever_is_on_call_when_it_begins(self, ray):
        covering(ray, TODAY + DAY, TODAY + DAY)
        abe = ready_person(sign_in=True)
        client = Client()
        client.force_login(abe.user)
        for number, name in ((1, "Ray Cover"), (3, "Cora")):
            run = make_run(starts_at=NOW + number * DAY)
            seat(run=run, person=abe, seat="driver", by=abe.user, at=NOW)
            assert client.get(f"/runs/{run.pk}/sheet/").context["on_call"].name == name

    def test_they_reach_the_desk_from_every_page(self, ray):
        covering(ray)
        client = Client()
        client.force_login(ray.user)
        assert f'href="{reverse("desk")}"' in text_of(client.get("/"))


def test_a_single_coordinator_is_warned_at_the_desk(desk):
    assert "You are the only coordinator." in text_of(desk.get("/desk/"))
    coordinator(name="Dora Desk", email="dora@example.org")
    assert "You are the only coordinator." not in text_of(desk.get("/desk/"))

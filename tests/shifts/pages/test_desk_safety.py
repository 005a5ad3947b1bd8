"""At the desk: age and emergency contact, and the sites somebody is not sent to; who never reads why."""

from datetime import time

import pytest
import time_machine
from django.urls import reverse

from shifts.models import CoverTurn
from shifts.schedule.making import Plan, add_shift
from shifts.seats import standing
from sites.models import Event
from tests.factories import (
    DropOffFactory,
    PersonFactory,
    SiteFactory,
    lead_driver,
    make_run,
    put,
    ready_person,
)
from tests.shifts.pages.at_the_desk import (
    NOW,
    TODAY,
    desk_client,
    errors_of,
    press_undo,
    queries_of,
    survives_nonsense,
    text_of,
)
from volunteers.models import NotAt, Person
from volunteers.not_at import bar

pytestmark = pytest.mark.django_db
REASON = "Quarrel at the dock."


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return desk_client()


@pytest.fixture
def rosa():
    return ready_person(name="Rosa Fern", email="rosa@example.org", sign_in=True)


@pytest.fixture
def dock():
    return SiteFactory(name="Fig Market")


def safety(person):
    return reverse("desk_safety", args=[person.pk])


def not_at(person):
    return reverse("desk_not_at", args=[person.pk])


def now(person):
    return Person.objects.get(pk=person.pk)


class TestAge:
    def test_under_18_with_guardian_and_consent(self, desk, rosa):
        tim = PersonFactory(name="Tim Fern", drives=False)
        answer = desk.post(safety(tim), {"age": "young", "guardian": rosa.pk, "consent": "on"}, follow=True)
        page = text_of(answer)
        assert "Tim Fern may ride in the second seat of a run that Rosa Fern drives." in page
        assert "under 18" in page
        assert (now(tim).guardian, now(tim).consent_on) == (rosa, TODAY)
        assert "Tim Fern" in text_of(desk.get(reverse("desk_person", args=[rosa.pk])))

    def test_the_cautions_stand_there(self, desk, rosa):
        page = text_of(desk.get(safety(rosa)))
        assert "Ask your insurer first" in page
        assert "NHTSA" in page
        assert "Local law" in page

    def test_refused_in_place_with_what_was_typed(self, desk, rosa):
        bo = lead_driver(name="Bo Teal")
        answer = desk.post(safety(bo), {"age": "young", "guardian": rosa.pk, "emergency_name": "Lee Teal"})
        assert "lead driver" in errors_of(answer)["__all__"]
        assert 'value="Lee Teal"' in answer.content.decode()
        assert now(bo).is_adult

    def test_consent_needs_a_guardian(self, desk):
        tim = PersonFactory(drives=False)
        answer = desk.post(safety(tim), {"age": "young", "consent": "on"})
        assert "guardian first" in errors_of(answer)["__all__"]

    def test_no_other_page_makes_them_drive(self, desk, rosa):
        tim = PersonFactory(name="Tim Fern", drives=False, is_adult=False, email="tim@example.org")
        known = {"name": "Tim Fern", "email": "tim@example.org", "reach": "mail", "language": "en"}
        answer = desk.post(reverse("desk_edit_person", args=[tim.pk]), {**known, "drives": "on"})
        assert "nobody under 18 drives" in errors_of(answer)["drives"]
        desk.post(reverse("desk_appoint", args=[tim.pk]), {"lead": "yes"})
        assert (now(tim).drives, now(tim).lead_since) == (False, None)

    def test_nonsense(self, desk, rosa):
        fields = ("age", "guardian", "consent", "emergency_name", "emergency_phone")
        survives_nonsense(desk, safety(rosa), fields, good={"age": "adult"})


class TestEmergencyContact:
    @pytest.fixture
    def run(self, rosa):
        run = make_run()
        put(rosa, run)
        put(lead_driver(name="Bo Teal", email="bo@example.org", sign_in=True), run, "second")
        return run

    def test_written_by_the_volunteer_read_by_coordinators_alone(self, desk, client, rosa, run):
        client.force_login(rosa.user)
        facts = {
            "name": "Rosa Fern",
            "phone": "555-555-0134",
            "language": "en",
            "reach": "mail",
            "runs_a_week": 2,
        }
        contact = {"emergency_name": "Lee Fern", "emergency_phone": "555-555-0177"}
        assert client.post("/me/", {**facts, **contact}).status_code == 302
        for page in (reverse("desk_person", args=[rosa.pk]), reverse("desk_run", args=[run.pk])):
            assert "Lee Fern" in text_of(desk.get(page))
            assert "tel:+15555550177" in desk.get(page).content.decode()
        other = Person.objects.get(name="Bo Teal")
        client.force_login(other.user)
        for page in (f"/runs/{run.pk}/", "/", f"/runs/{run.pk}/sheet/"):
            assert "Lee Fern" not in text_of(client.get(page))

    def test_a_number_that_is_none(self, client, rosa):
        client.force_login(rosa.user)
        facts = {"name": "Rosa", "language": "en", "reach": "mail", "runs_a_week": 2, "emergency_phone": "12"}
        assert client.post("/me/", facts).status_code == 200
        assert not now(rosa).emergency_phone


class TestNotAtASite:
    def test_added_shown_undone(self, desk, rosa, dock):
        answer = desk.post(not_at(rosa), {"site": dock.pk, "reason": REASON}, follow=True)
        assert REASON in text_of(answer)
        assert "Fig Market" in text_of(desk.get(reverse("desk_person", args=[rosa.pk])))
        press_undo(desk, answer)
        assert NotAt.objects.get().ended_at == NOW
        assert "Ended (1)" in text_of(desk.get(not_at(rosa)))
        assert {event.by_id for event in Event.objects.filter(verb__startswith="not at")} == {
            Person.objects.get(name="Cora Desk").user_id
        }

    def test_ended_and_that_undone(self, desk, rosa, dock):
        row = bar(rosa, dock, reason=REASON, by=None)
        answer = desk.post(not_at(rosa), {"end": row.pk}, follow=True)
        assert not NotAt.objects.live().exists()
        press_undo(desk, answer)
        assert NotAt.objects.live().get().reason == REASON

    def test_runs_there_are_shown_with_a_way_out(self, desk, rosa, dock):
        booking = put(rosa, make_run(title="Bread run", sites=[dock, DropOffFactory()]))
        stops = ((dock.pk, 0), (DropOffFactory().pk, 30))
        plan = Plan(rule="FREQ=WEEKLY;BYDAY=WE", starts=time(18), minutes=60, stops=stops)
        shift = add_shift(name="Wednesdays", plan=plan, from_day=TODAY, by=None, at=NOW)
        wish = standing.Wish(shift=shift, person=rosa, from_day=TODAY)
        begun = standing.begin(wish, by=None, at=NOW)
        bar(rosa, dock, by=None)
        page = desk.get(not_at(rosa))
        assert "Bread run" in text_of(page)
        assert reverse("desk_stop", args=[begun.pk]) in page.content.decode()
        out = {"booking": booking.pk, "next": not_at(rosa)}
        answer = desk.post(reverse("desk_unseat", args=[booking.run_id]), out, follow=True)
        assert "Bread run" not in text_of(answer).partition("Still on runs there")[2]
        booking.refresh_from_db()
        assert not booking.is_live

    def test_the_same_site_is_offered_once(self, desk, rosa, dock):
        bar(rosa, dock, by=None)
        answer = desk.post(not_at(rosa), {"site": dock.pk})
        assert "not sent there already" in errors_of(answer)["site"]

    def test_somebody_elses_is_not_ended_here(self, desk, rosa, dock):
        row = bar(ready_person(), dock, by=None)
        assert desk.post(not_at(rosa), {"end": row.pk}).status_code == 404
        assert NotAt.objects.live().exists()

    def test_the_volunteer_reads_no_reason_anywhere(self, client, rosa, dock):
        run = make_run(title="Bread run", sites=[dock, DropOffFactory()])
        bar(rosa, dock, reason=REASON, by=None)
        client.force_login(rosa.user)
        assert "Bread run" not in text_of(client.get("/runs/"))
        page = text_of(client.get(f"/runs/{run.pk}/"))
        assert "The coordinator plans this site with other people. Choose another run." in page
        refused = client.post(f"/runs/{run.pk}/book/", {"seat": "driver"})
        assert refused.status_code == 409
        for shown in (page, text_of(refused), text_of(client.get("/")), text_of(client.get("/me/"))):
            assert REASON not in shown

    def test_nor_does_whoever_covers_for_the_coordinators(self, rosa, dock):
        ray = PersonFactory(name="Ray Cover", sign_in=True)
        CoverTurn.objects.create(person=ray, first=TODAY, last=TODAY, at=NOW)
        cover = desk_client(ray)
        for person in (rosa, ray):
            bar(person, dock, reason=REASON, by=None)
            page = cover.get(not_at(person))
            ended = cover.post(not_at(person), {"end": person.not_at.get().pk}, follow=True)
            again = press_undo(cover, ended)
            assert person.not_at.live().get().reason == REASON, "it is as before, unread"
            for shown in (page, ended, again, cover.get(reverse("desk_person", args=[person.pk]))):
                assert REASON not in text_of(shown)
        assert "not to be sent to Fig Market" in text_of(shown)

    def test_the_coordinators_do(self, desk, rosa, dock):
        bar(rosa, dock, reason=REASON, by=None)
        for page in (not_at(rosa), reverse("desk_person", args=[rosa.pk])):
            assert REASON in text_of(desk.get(page))
        assert f"not to be sent to Fig Market ({REASON})" in text_of(
            desk.get(reverse("desk_person", args=[rosa.pk]))
        )

    def test_the_desk_reads_it_in_place(self, desk, rosa, dock):
        run = make_run(sites=[dock, DropOffFactory()])
        bar(rosa, dock, by=None)
        assert "not at this site" in text_of(desk.get(reverse("desk_run", args=[run.pk])))
        seated = desk.post(
            reverse("desk_seat", args=[run.pk]), {"person": rosa.pk, "seat": "driver"}, follow=True
        )
        assert "their page ends that" in text_of(seated)

    def test_queries_do_not_grow(self, desk, rosa, dock):
        counted = []
        for sites in (2, 8):
            while NotAt.objects.count() < sites:
                where = SiteFactory()
                put(rosa, make_run(sites=[where, DropOffFactory()]))
                bar(rosa, where, by=None)
            counted.append(queries_of(desk, not_at(rosa))[0])
        assert counted[0] == counted[1]

    def test_nonsense(self, desk, rosa, dock):
        survives_nonsense(desk, not_at(rosa), ("site", "reason"))

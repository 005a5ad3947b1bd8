"""The coordinator's answer to whoever asks to join, and hours of help, at the desk and on one's own page."""

from datetime import timedelta

import pytest
import time_machine

from shifts.seats import joins
from shifts.seats.booking import seat
from tests.factories import PersonFactory, coordinator, make_ready, make_run
from tests.shifts.pages.at_the_desk import (
    EVERY_PAGE,
    NOW,
    TODAY,
    all_rows,
    desk_client,
    errors_of,
    press_undo,
    queries_of,
    said,
    survives_nonsense,
    text_of,
)
from volunteers import outbox
from volunteers.helping import note_help
from volunteers.models import HelpHours, Join, Message

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def desk():
    return desk_client(coordinator())


def ask(name="Ida Newcomer", email="ida@example.org", **facts):
    return joins.ask(
        **{
            "name": name, "email": email, "phone": "+15555550134", "language": "en", "is_adult": True,
            "drives": True, **facts,
        }
    )  # fmt: skip


def page_of(join):
    return f"/desk/joins/{join.pk}/"


class TestTheList:
    def test_the_desk_says_how_many(self, desk):
        assert "to join" not in text_of(desk.get("/desk/"))
        ask()
        assert ">1 asks to join</a>" in text_of(desk.get("/desk/"))
        ask("Ben Example", "ben@example.org")
        assert ">2 ask to join</a>" in text_of(desk.get("/desk/"))
        joins.ask_back(Join.objects.earliest("pk"), "Which mornings?", by=None)  # waits for them now
        assert ">1 asks to join</a>" in text_of(desk.get("/desk/"))

    def test_the_oldest_first(self, desk):
        ask("Young Request", "young@example.org")
        ask("Old Request", "old@example.org", at=NOW - timedelta(days=2))
        page = text_of(desk.get("/desk/joins/"))
        assert page.index("Old Request") < page.index("Young Request")

    def test_empty_it_says_what_it_will_hold(self, desk):
        assert "Whoever asks on the page “Join us” stands here" in text_of(desk.get("/desk/joins/"))

    def test_those_answered_lately_stand_below(self, desk):
        joins.accept(ask(), by=None)
        long_ago = NOW - timedelta(days=31)
        joins.decline(ask("Ben Example", "ben@example.org", at=long_ago), "No.", by=None, at=long_ago)
        page = text_of(desk.get("/desk/joins/"))
        assert "Answered in the last 30 days (1)" in page
        assert "Ida Newcomer" in page
        assert "Ben Example" not in page

    def test_people_list_and_page_say_that_they_ask(self, desk):
        join = ask()
        assert "Asking to join" in text_of(desk.get("/desk/people/"))
        page = text_of(desk.get(f"/desk/people/{join.person_id}/"))
        assert "asks to join" in page
        assert f'href="{page_of(join)}"' in page

    def test_as_many_queries_for_many_as_for_one(self, desk):
        ask(hours=[], car={"label": "Van", "crates": 3})
        few, _ = queries_of(desk, "/desk/joins/")
        for number in range(6):
            ask(f"Person {number}", f"p{number}@example.org", car={"label": "Van", "crates": 3})
            joins.accept(ask(f"Taken {number}", f"t{number}@example.org"), by=None)
        many, sql = queries_of(desk, "/desk/joins/")
        assert few <= EVERY_PAGE + 6
        assert many <= few + 2, sql  # the hours and cars of those answered


class TestOne:
    def test_what_they_said(self, desk):
        join = ask(car={"label": "Blue wagon", "crates": 14}, note="I know Oak Street.", language="es")
        page = text_of(desk.get(page_of(join)))
        for words in ("Blue wagon, 14 crates", "I know Oak Street.", "Spanish", "tel:+15555550134"):
            assert words in page

    def test_under_18_with_what_to_arrange(self, desk):
        join = ask(is_adult=False)
        page = text_of(desk.get(page_of(join)))
        assert "Under 18 they never drive." in page
        assert f"/desk/people/{join.person_id}/safety/" in page
        assert "name the guardian" in said(desk.post(page_of(join), {"act": "accept"}))

    def test_perhaps_here_already(self, desk):
        twin = PersonFactory(name="ida newcomer")
        page = text_of(desk.get(page_of(ask())))
        assert f"/desk/people/{twin.pk}/" in page

    def test_looking_writes_nothing(self, desk):
        join = ask()
        desk.get(page_of(join))
        before = all_rows()
        desk.get(page_of(join), {"act": "accept"})
        desk.post(page_of(join), {"act": "nonsense"})
        assert all_rows() == before

    def test_nonsense(self, desk):
        join = ask()
        survives_nonsense(desk, page_of(join), ["act", "question", "words"])


class TestAnswers:
    def test_taken_in_and_undone(self, desk):
        join = ask()
        answer = desk.post(page_of(join), {"act": "accept"})
        assert answer["Location"] == "/desk/joins/"
        assert "is taken in" in said(answer)
        join.refresh_from_db()
        assert join.state == "accepted"
        answer = press_undo(desk, desk.get("/desk/joins/"))
        assert "waits for your answer again. The mail had not gone out yet" in said(answer)
        join.refresh_from_db()
        assert join.state == "waiting"

    def test_undone_from_its_own_page_weeks_later(self, desk, settings):
        settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
        join = ask()
        desk.post(page_of(join), {"act": "decline", "words": "No."})
        outbox.drain()
        assert "Undo: let them wait" in text_of(desk.get(page_of(join)))
        answer = desk.post(page_of(join), {"act": "undo"})
        assert "has gone out: call or write to them" in said(answer)
        assert list(Join.objects.open()) == [join]

    def test_not_undone_once_booked(self, desk):
        join = joins.accept(ask(), by=None)
        seat(run=make_run(), person=make_ready(join.person), seat="driver", by=None)
        answer = desk.post(page_of(join), {"act": "undo"})
        assert answer["Location"] == page_of(join)
        assert "has had a seat on a run since" in said(answer)
        join.refresh_from_db()
        assert join.state == "accepted"

    def test_asked_back(self, desk):
        join = ask()
        answer = desk.post(page_of(join), {"act": "ask", "question": "Which days?"})
        assert "is asked, by mail and on their page" in said(answer)
        assert "was asked something" in text_of(desk.get("/desk/joins/"))
        assert Message.objects.get(kind="join question").person == join.person

    def test_an_empty_question_is_refused_in_place(self, desk):
        answer = desk.post(page_of(ask()), {"act": "ask", "question": " "})
        assert errors_of(answer) == {"question": "Write what you want to know."}
        assert not Message.objects.filter(kind="join question").exists()

    def test_declined_with_the_kind_words_offered(self, desk):
        join = ask()
        offered = desk.get(page_of(join)).context["no"].initial["words"]
        answer = desk.post(page_of(join), {"act": "decline", "words": offered + " Try the garden club."})
        assert "is declined" in said(answer)
        assert "Try the garden club." in Message.objects.get(kind="join declined").text
        assert press_undo(desk, desk.get("/desk/joins/")).status_code == 302
        assert list(Join.objects.open()) == [join]

    def test_a_no_without_words_is_refused_in_place(self, desk):
        join = ask()
        answer = desk.post(page_of(join), {"act": "decline", "words": ""})
        assert errors_of(answer) == {"words": "Write what the mail shall say."}
        assert list(Join.objects.open()) == [join]

    @pytest.mark.parametrize("act", ["accept", "decline", "ask"])
    def test_another_coordinator_was_first(self, desk, act):
        join = joins.decline(ask(), "No.", by=None)
        answer = desk.post(page_of(join), {"act": act, "words": "No.", "question": "Which days?"})
        assert answer["Location"] == page_of(join)
        assert "the request is declined" in said(answer)
        assert Message.objects.filter(person=join.person).count() == 1

    def test_declined_they_can_do_nothing_here(self, desk, client):
        join = ask()
        client.force_login(join.person.user)
        assert client.get("/orientation/").status_code == 200
        desk.post(page_of(join), {"act": "decline", "words": "No."})
        assert client.get("/orientation/").status_code == 403
        assert "Ask the coordinator" in text_of(client.get("/"))


class TestHelpAtTheDesk:
    @pytest.fixture
    def ana(self):
        return PersonFactory(name="Ana Bell", drives=False, sign_in=True)

    def address(self, ana):
        return f"/desk/people/{ana.pk}/help/"

    def test_noted_taken_back_and_noted_again(self, desk, ana):
        good = {"day": TODAY.isoformat(), "hours": "1.5", "what": "Sorting"}
        assert "Noted: 6/2/2026, 1.5 h, Sorting." in said(desk.post(self.address(ana), good))
        row = HelpHours.objects.get()
        assert (row.person, row.minutes, row.by.people.get().name) == (ana, 90, "Cora Desk")
        assert "noted by Cora Desk" in text_of(desk.get(self.address(ana)))
        assert "Taken back" in said(desk.post(self.address(ana), {"back": row.pk}))
        assert not HelpHours.objects.live().exists()
        press_undo(desk, desk.get(self.address(ana)))
        assert HelpHours.objects.live().get().minutes == 90

    @pytest.mark.parametrize(
        ("fault", "field"),
        [({"hours": "1.1"}, "hours"), ({"hours": ""}, "hours"), ({"hours": "25"}, "hours"),
         ({"day": ""}, "day"), ({"day": "2026-06-03"}, "day"), ({"day": "2020-06-03"}, "__all__")],
    )  # fmt: skip
    def test_refused_in_place(self, desk, ana, fault, field):
        good = {"day": TODAY.isoformat(), "hours": "1.5", "what": "Sorting"}
        answer = desk.post(self.address(ana), good | fault)
        assert field in errors_of(answer)
        assert 'value="Sorting"' in text_of(answer)
        assert not HelpHours.objects.exists()

    def test_another_persons_entry_is_not_taken_back(self, desk, ana):
        row = note_help(PersonFactory(), day=TODAY, minutes=60, by=None)
        desk.post(self.address(ana), {"back": row.pk})
        assert list(HelpHours.objects.live()) == [row]

    def test_nonsense(self, desk, ana):
        survives_nonsense(desk, self.address(ana), ["day", "hours", "what", "back"])

    def test_as_many_queries_for_many_as_for_one(self, desk, ana):
        note_help(ana, day=TODAY, minutes=15, by=ana.user)
        few, _ = queries_of(desk, self.address(ana))
        for number in range(8):
            note_help(ana, day=TODAY, minutes=15, what=f"Work {number}", by=ana.user)
        many, sql = queries_of(desk, self.address(ana))
        assert many == few, sql


class TestHelpOnMyPage:
    @pytest.fixture
    def ana(self, client):
        person = PersonFactory(name="Ana Bell", drives=False, sign_in=True)
        client.force_login(person.user)
        return person

    def test_noted_and_taken_back(self, client, ana):
        answer = client.post("/me/help/", {"day": TODAY.isoformat(), "hours": "0.25", "what": "Calls"})
        assert (answer["Location"], said(answer)) == ("/me/", "Thank you! Noted: Tue, Jun 2, 0.25 h, Calls.")
        row = HelpHours.objects.get()
        assert (row.person, row.minutes, row.by) == (ana, 15, ana.user)
        assert "0.25 h, Calls" in text_of(client.get("/me/"))
        client.post(f"/me/help/{row.pk}/take-back/")
        assert not HelpHours.objects.live().exists()
        assert "0.25 h, Calls" not in text_of(client.get("/me/")).split("</h1>")[1].partition("Taken back")[0]

    def test_refused_in_place(self, client, ana):
        answer = client.post("/me/help/", {"day": "2026-06-03", "hours": "2", "what": "Calls"})
        assert "still to come" in errors_of(answer, "help_form")["__all__"]
        assert 'value="Calls"' in text_of(answer)

    def test_another_persons_is_not_there(self, client, ana):
        row = note_help(PersonFactory(), day=TODAY, minutes=60, by=None)
        assert client.post(f"/me/help/{row.pk}/take-back/").status_code == 404

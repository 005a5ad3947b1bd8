"""A briefing in the programme's own words: looked at before it is saved, and what saving it asks of whom."""

from datetime import timedelta

import pytest
import time_machine

from shifts.models import Booking
from sites.models import Event
from tests.factories import PersonFactory, SiteFactory, coordinator, make_run, put, ready_person
from tests.shifts.pages.at_the_desk import (
    DAY,
    NOW,
    TODAY,
    all_rows,
    confirm,
    desk_client,
    errors_of,
    press_undo,
    said,
    survives_nonsense,
    text_of,
)
from volunteers import reading
from volunteers.clearance import missing
from volunteers.models import BriefingText, Completion, Step
from volunteers.steps import add_step

pytestmark = pytest.mark.django_db

FORMSET = {"q-TOTAL_FORMS": "5", "q-INITIAL_FORMS": "0"}
GATE = {
    "q-0-ask": "Which gate?",
    "q-0-right": "The north gate",
    "q-0-wrong": "The south gate",
    "q-0-because": "South is shut.",
}
SOON = TODAY + timedelta(days=14)


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def cora():
    return coordinator(name="Cora Desk")


@pytest.fixture
def desk(cora):
    return desk_client(cora)


@pytest.fixture
def shipped():
    return reading.shipped_step()


def at(step):
    return f"/desk/settings/steps/{step.pk}/text/"


def typed(*, again=None, **more):
    """What the form sends: a small correction, or read `again` by a day."""
    sent = {**FORMSET, "text": "Call Ann first.", "matters": "correction", "from_day": "", **more}
    return sent | ({"matters": "again", "from_day": again.isoformat()} if again else {})


def save(desk, step, post):
    """The look, then its button."""
    answer = desk.post(at(step), post)
    sent = {"confirm": "yes"}
    for name, value in answer.context["fields"]:
        sent.setdefault(name, []).append(value)
    return desk.post(at(step), sent)


def names(groups):
    return {group.title: [row["name"] for row in group.rows] for group in groups}


class TestLook:
    def test_nothing_is_saved_by_looking(self, desk, shipped):
        before = all_rows()
        answer = desk.post(at(shipped), typed(again=SOON, **GATE))
        assert answer.status_code == 200
        page = text_of(answer)
        assert "Nothing has been saved yet." in page
        assert "<p>Call Ann first.</p>" in page
        assert "Which gate?" in page
        assert "The north gate <span" in page
        assert all_rows() == before

    def test_it_says_whom_reading_again_holds_up(self, desk, shipped):
        ana, far = ready_person(name="Ana Bell"), make_run(title="Later run", starts_at=NOW + 20 * DAY)
        Completion.objects.filter(person=ana, step=shipped).update(revision=1)
        put(ana, make_run(title="Sooner run"))
        put(ana, far)
        PersonFactory(name="Not Ready Anyhow")
        answer = desk.post(at(shipped), typed(again=SOON))
        assert names(answer.context["groups"]) == {
            "1 booked run would have a driver who is not ready": ["Later run, Mon, Jun 22, 10:00 a.m."],
            "1 person is not ready to drive alone on 6/16/2026 any more": ["Ana Bell"],
        }
        page = text_of(answer)
        assert "Must be read again by Tue, Jun 16" in page
        assert "has not read it 4 days before" in page  # Policy.keep_days

    def test_a_small_correction_holds_nobody_up(self, desk, shipped):
        ana = ready_person()
        Completion.objects.filter(person=ana, step=shipped).update(revision=1)
        answer = desk.post(at(shipped), typed())
        assert answer.context["groups"] == []
        assert "A small correction" in text_of(answer)

    def test_changing_it_brings_back_everything_that_was_typed(self, desk, shipped):
        typed_text = "First.\n\n- <b>One</b>\n- Two"
        answer = desk.post(at(shipped), typed(again=SOON, **GATE, text=typed_text) | {"edit": "yes"})
        form, rows = answer.context["form"], answer.context["formset"]
        assert form["text"].value() == typed_text
        assert form["matters"].value() == "again"
        assert rows.forms[0]["right"].value() == "The north gate"
        assert not BriefingText.objects.exists()


class TestSave:
    def test_read_again_from_a_day(self, desk, cora, shipped):
        ana = ready_person()
        Completion.objects.filter(person=ana, step=shipped).update(revision=1)
        answer = save(desk, shipped, typed(again=SOON, **GATE))
        assert (answer.status_code, answer["Location"]) == (302, f"/desk/settings/steps/{shipped.pk}/")
        assert "It must be read again by 6/16/2026." in said(answer)
        written = BriefingText.objects.get()
        assert (written.text, written.written_by, written.written_at) == ("Call Ann first.", cora.user, NOW)
        assert written.questions == [
            {
                "ask": "Which gate?",
                "answers": ["The north gate", "The south gate"],
                "because": "South is shut.",
            }
        ]
        assert shipped in [term.step for term in missing(ana, on=SOON)]
        assert shipped not in [term.step for term in missing(ana, on=SOON - DAY)]
        event = Event.objects.get(verb="briefing written")
        assert (event.by, event.at) == (cora.user, NOW)

    def test_whoever_is_booked_keeps_the_seat(self, desk, shipped):
        ana = ready_person()
        Completion.objects.filter(person=ana, step=shipped).update(revision=1)
        put(ana, make_run(starts_at=NOW + 20 * DAY))
        save(desk, shipped, typed(again=SOON))
        assert Booking.objects.live().get().person == ana

    def test_a_small_correction_asks_nobody_again(self, desk, shipped):
        ana = ready_person()
        Completion.objects.filter(person=ana, step=shipped).update(revision=1)
        answer = save(desk, shipped, typed())
        assert "Nobody has to read it again." in said(answer)
        assert not missing(ana, on=TODAY + 99 * DAY)
        assert reading.briefing_of(shipped).own[0].text == "Call Ann first."

    def test_reading_again_can_be_undone(self, desk, shipped):
        ana = ready_person()
        Completion.objects.filter(person=ana, step=shipped).update(revision=1)
        page = desk.get(save(desk, shipped, typed(again=SOON))["Location"])
        assert page.context["undo"]["words"] == "Undo: nobody has to read it again"
        confirm(desk, press_undo(desk, page))
        assert not missing(ana, on=SOON)

    def test_own_words_can_be_taken_away_from_the_shipped_one(self, desk, shipped):
        save(desk, shipped, typed())
        save(desk, shipped, typed(text=""))
        assert reading.briefing_of(shipped).own == []
        assert len(reading.briefing_of(shipped).sections) == 8

    def test_volunteers_see_what_was_looked_at(self, desk, client, shipped):
        text = "One\nline\n\n- a point\n- <i>another</i>"
        answer = desk.post(at(shipped), typed(text=text, **GATE))
        shown = text_of(answer)
        save(desk, shipped, typed(text=text, **GATE))
        client.force_login(PersonFactory(sign_in=True).user)
        page = text_of(client.get("/orientation/briefing/"))
        for words in ("<p>One<br>line</p>", "<li>a point</li>", "<li>&lt;i&gt;another&lt;/i&gt;</li>"):
            assert words in shown
            assert words in page

    def test_the_next_one_begins_with_what_stands(self, desk, cora, shipped):
        save(desk, shipped, typed(**GATE, **{"q-0-wrong_too": "Any gate"}))
        page = desk.get(at(shipped))
        assert page.context["form"]["text"].value() == "Call Ann first."
        row = page.context["formset"].forms[0]
        shown = [row[name].value() for name in ("ask", "right", "wrong", "wrong_too", "because")]
        assert shown == ["Which gate?", "The north gate", "The south gate", "Any gate", "South is shut."]
        assert page.context["form"]["from_day"].value() == SOON
        assert page.context["form"]["matters"].value() is None  # never by oversight
        assert "6/2/2026, Cora Desk (newest)" in text_of(page)


class TestRefused:
    @pytest.mark.parametrize(
        ("change", "field", "words"),
        [
            ({"matters": ""}, "matters", "Choose one of the two."),
            ({"matters": "again", "from_day": ""}, "from_day", "Give the day by which they have read it."),
            ({"matters": "again", "from_day": "6/1/2026"}, "from_day", "is over"),
            ({"matters": "again", "from_day": "6/1/2036"}, "from_day", "too far ahead"),
            ({"text": "x" * 20_001}, "text", "20000"),
        ],
    )
    def test_what_is_not_clear(self, desk, shipped, change, field, words):
        answer = desk.post(at(shipped), typed() | change)
        assert words in errors_of(answer)[field]
        assert not BriefingText.objects.exists()

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ({"q-0-ask": ""}, "Write the question, or clear the answers."),
            ({"q-0-right": ""}, "Write the right answer."),
            ({"q-0-wrong": ""}, "Write a wrong answer as well."),
            ({"q-0-because": ""}, "Say why, for whoever chooses a wrong answer."),
            ({"q-0-wrong": "the NORTH gate"}, "Two answers are the same."),
        ],
    )
    def test_half_a_question(self, desk, shipped, change, words):
        answer = desk.post(at(shipped), typed(**GATE) | change)
        page = text_of(answer)
        assert words in page
        assert "The north gate" in page or "q-0-right" in change
        assert not BriefingText.objects.exists()

    def test_the_same_question_twice(self, desk, shipped):
        twice = {name.replace("q-0", "q-1"): value for name, value in GATE.items()}
        answer = desk.post(at(shipped), typed(**GATE, **twice))
        assert "The same question is asked twice." in text_of(answer)

    def test_another_briefing_needs_words(self, desk):
        step = add_step(kind="briefing", title="Forklifts", site=SiteFactory(), from_day=TODAY, by=None)
        answer = desk.post(at(step), typed(text="  "))
        assert errors_of(answer)["text"] == "Write what they are to read."

    def test_somebody_else_was_quicker(self, desk, shipped):
        page = desk.get(at(shipped))
        assert page.context["based_on"] == 1
        reading.write(shipped, text="From the other desk", questions=[], again_from=None, by=None)
        answer = desk.post(at(shipped), typed(based_on="1"))
        page = text_of(answer)
        assert "Somebody else has saved a newer text meanwhile" in page
        assert "From the other desk" in page
        assert answer.context["form"]["text"].value() == "Call Ann first."
        assert answer.context["based_on"] == 2
        assert BriefingText.objects.count() == 1
        save(desk, shipped, typed(based_on="2"))
        assert BriefingText.objects.count() == 2

    @pytest.mark.parametrize("code", ["license", "ride"])
    def test_a_step_that_is_no_briefing(self, desk, code):
        assert desk.get(at(Step.objects.get(code=code))).status_code == 404

    def test_nonsense(self, desk, shipped):
        fields = ["text", "matters", "from_day", "based_on", *GATE, "q-0-wrong_too", "q-TOTAL_FORMS", "edit"]
        survives_nonsense(desk, at(shipped), fields, good=typed(**GATE))
        assert not BriefingText.objects.exists()

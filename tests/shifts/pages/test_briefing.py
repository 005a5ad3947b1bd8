"""Briefings as volunteers read them, and the check at their end: recorded only once every answer is right."""

from datetime import date

import pytest
import time_machine

from sites.models import Programme
from tests.factories import PersonFactory, SiteFactory, coordinator
from tests.shifts.pages.at_the_desk import DAY, NONSENSE, NOW, TODAY, desk_client, queries_of, said, text_of
from volunteers import reading
from volunteers.clearance import missing
from volunteers.models import Completion, Step, User
from volunteers.people import sign_in_for
from volunteers.progress import complete
from volunteers.steps import add_step, require_revision

pytestmark = pytest.mark.django_db

PAGE = "/orientation/briefing/"
HERE = "/orientation/"
ASKED = [
    {"ask": "Which gate?", "answers": ["The north gate", "The south gate"], "because": "South is shut."},
    {"ask": "Who signs?", "answers": ["The guard", "Nobody", "I do"], "because": "The guard has the list."},
]


@pytest.fixture(autouse=True)
def _now():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def newcomer(client):
    person = PersonFactory(name="Nia Newcomb", sign_in=True)
    client.force_login(person.user)
    return person


@pytest.fixture
def shipped():
    return reading.shipped_step()


@pytest.fixture
def local():
    """A briefing of one site, in the programme's own words, with two questions."""
    site = SiteFactory(name="Plum Dock")
    step = add_step(kind="briefing", title="Forklifts", site=site, from_day=TODAY, by=None)
    reading.write(step, text="Mind the forklifts.", questions=ASKED, again_from=None, by=None)
    return step


def at(step):
    return f"{PAGE}{step.pk}/"


def answers(step, **other):
    """Everything that the page's form sends, every answer right but the `other` ones."""
    here = reading.briefing_of(step)
    return {"revision": here.revision} | {one.key: one.right for one in here.questions} | other


def question(step, ask):
    return next(one for one in reading.briefing_of(step).questions if one.ask == ask)


def wrong(one):
    return next(value for value, _words in one.shown if value != one.right)


def met(person):
    return "briefing" not in {term.step.code for term in missing(person, on=TODAY)}


class TestTheShippedOne:
    def test_every_answer_right_completes_the_step_and_nothing_else(self, client, newcomer, shipped):
        license = Step.objects.get(code="license")
        answer = client.post(PAGE, answers(shipped) | {"step": license.pk, "person": 1})
        assert (answer.status_code, answer["Location"]) == (302, HERE)
        (done,) = Completion.objects.all()
        assert (done.step.code, done.person, done.recorded_by) == ("briefing", newcomer, newcomer.user)
        assert done.valid_until == date(2028, 6, 2)  # 24 months; common practice, no published source
        assert "It is noted that you have read: Driver briefing." in said(answer)

    def test_looking_at_it_records_nothing(self, client, newcomer, shipped):
        assert "I have read it" in text_of(client.get(PAGE))
        assert client.get(PAGE, answers(shipped)).status_code == 200
        assert client.head(PAGE).status_code == 200
        assert not Completion.objects.exists()

    def test_a_wrong_answer_is_explained_and_the_right_ones_stay(self, client, newcomer, shipped):
        one = question(shipped, "What is the most that you lift alone?")
        answer = client.post(PAGE, answers(shipped, lifting=wrong(one)))
        assert answer.status_code == 200
        assert not Completion.objects.exists()
        form = answer.context["form"]
        assert list(form.errors) == ["lifting"]
        page = text_of(answer)
        assert one.because in page
        assert f'href="#{one.section}"' in page.replace(f'<li><a href="#{one.section}"', "")
        assert page.count("That is right.") == 5
        assert page.count(" checked") == 6  # the wrong one too, as it was answered
        assert "Error:" in page
        assert 'id="error-summary"' in page
        assert 'href="#id_lifting_0"' in page
        assert client.post(PAGE, answers(shipped)).status_code == 302
        assert met(newcomer)

    def test_what_is_not_answered_is_asked_for_and_not_explained(self, client, newcomer, shipped):
        answer = client.post(PAGE, {"revision": 1})
        assert answer.context["form"].errors["lifting"] == ["Choose an answer."]
        assert question(shipped, "What is the most that you lift alone?").because not in text_of(answer)
        assert not Completion.objects.exists()

    def test_any_number_of_tries(self, client, newcomer, shipped):
        for _try in range(12):
            assert client.post(PAGE, answers(shipped, lifting="9")).status_code == 200
        assert client.post(PAGE, answers(shipped)).status_code == 302

    @pytest.mark.parametrize("nonsense", NONSENSE)
    def test_nonsense_is_no_answer(self, client, newcomer, shipped, nonsense):
        here = reading.briefing_of(shipped)
        answer = client.post(PAGE, {"revision": 1} | {one.key: nonsense for one in here.questions})
        assert answer.status_code == 200
        assert client.post(PAGE, answers(shipped, revision=nonsense)).status_code == 409
        assert not Completion.objects.exists()

    def test_twice_is_once(self, client, newcomer, shipped):
        client.post(PAGE, answers(shipped))
        assert client.post(PAGE, answers(shipped)).status_code == 302
        assert Completion.objects.count() == 1

    @pytest.mark.parametrize(("days_left", "asked"), [(-1, True), (21, True), (22, False)])
    def test_it_is_asked_for_again_when_it_soon_runs_out(self, client, newcomer, shipped, days_left, asked):
        complete(
            person=newcomer, step=shipped, by=None, on=TODAY - 700 * DAY, valid_until=TODAY + days_left * DAY
        )
        assert ("I have read it" in text_of(client.get(PAGE))) is asked
        client.post(PAGE, answers(shipped))
        assert Completion.objects.count() == 1 + asked
        assert met(newcomer)

    def test_a_newer_one_must_be_read_again(self, client, newcomer, shipped):
        client.post(PAGE, answers(shipped))
        require_revision(shipped, 2, TODAY)
        assert not met(newcomer)
        assert "I have read it" in text_of(client.get(PAGE))
        client.post(PAGE, answers(shipped))
        assert met(newcomer)

    def test_it_leads_back_to_where_one_came_from_on_this_site_only(self, client, newcomer, shipped):
        assert 'value="/runs/7/"' in client.get(PAGE, {"next": "/runs/7/"}).content.decode()
        wrong_first = client.post(PAGE, answers(shipped, lifting="9", next="/runs/7/"))
        assert 'value="/runs/7/"' in wrong_first.content.decode()
        assert client.post(PAGE, answers(shipped, next="/runs/7/"))["Location"] == "/runs/7/"
        Completion.objects.all().delete()
        assert client.post(PAGE, answers(shipped, next="https://elsewhere.example/"))["Location"] == HERE

    def test_a_programme_without_a_briefing_still_shows_its_words(self, client, newcomer, shipped):
        shipped.terms.all().delete()
        shipped.delete()
        page = text_of(client.get(PAGE))
        assert "When to stay home" in page
        assert "I have read it" not in page
        answer = client.post(PAGE, {"revision": 0}, follow=True)
        assert "This programme asks for no briefing" in text_of(answer)

    def test_the_health_authority_comes_first(self, client, newcomer):
        page = text_of(client.get(PAGE))
        assert page.index("health authority come first") < page.index("When to stay home</h2>")

    def test_what_the_programme_lets_one_person_lift_is_said_and_asked(self, client, newcomer):
        Programme.current()
        Programme.objects.update(lift_pounds=25)
        page = text_of(client.get(PAGE))
        assert "At most 25 lb alone" in page
        assert "25 lb</label>" in page
        assert "At most 40 lb" not in page

    def test_own_words_and_questions_come_first(self, client, newcomer, shipped):
        text = "Call Ann <b>first</b>.\n\n- One & two"
        reading.write(shipped, text=text, questions=ASKED[:1], again_from=None, by=None)
        page = text_of(client.get(PAGE))
        assert "<p>Call Ann &lt;b&gt;first&lt;/b&gt;.</p>" in page
        assert "<li>One &amp; two</li>" in page
        assert page.index("Call Ann") < page.index("When to stay home</h2>")
        assert page.index("Which gate?") < page.index("What is the most that you lift alone?")

    def test_queries(self, client, newcomer, shipped):
        """Programme, turn of cover, session, user, people of the sign-in; the step, its words, the numbers of
        the programme, its newest revision; the date, its terms, and where they stand: terms, what is missing,
        what was done."""
        assert queries_of(client, PAGE)[0] == 14
        for n in range(5):
            reading.write(shipped, text=f"{n}", questions=ASKED, again_from=TODAY + n * DAY, by=None)
        count, sql = queries_of(client, PAGE)
        assert count == 14, sql


class TestOwnBriefings:
    def test_a_site_s_own(self, client, newcomer, local):
        page = text_of(client.get(at(local)))
        assert "For those who drive to Plum Dock." in page
        assert "Mind the forklifts." in page
        assert "When to stay home" not in page
        assert client.post(at(local), answers(local)).status_code == 302
        (done,) = Completion.objects.all()
        assert (done.step, done.revision) == (local, 2)
        assert local not in [term.step for term in missing(newcomer, on=TODAY, sites=[local.site_id])]

    def test_the_shipped_one_by_its_key(self, client, newcomer, shipped):
        assert "When to stay home" in text_of(client.get(at(shipped)))
        assert client.post(at(shipped), answers(shipped)).status_code == 302
        assert met(newcomer)

    def test_without_questions_one_button_says_it(self, client, newcomer, local):
        reading.write(local, text="Mind them.", questions=[], again_from=None, by=None)
        assert "the button is there" in text_of(client.get(at(local)))
        assert client.post(at(local), {"revision": 3}).status_code == 302
        assert Completion.objects.get().revision == 3

    def test_a_wrong_answer_leads_to_its_words(self, client, newcomer, local):
        one = question(local, "Which gate?")
        answer = client.post(at(local), answers(local, **{one.key: wrong(one)}))
        page = text_of(answer)
        assert "South is shut." in page
        assert 'href="#own"' in page
        assert 'id="own"' in page
        assert not Completion.objects.exists()

    def test_nobody_has_written_it(self, client, newcomer):
        step = add_step(kind="briefing", title="Winter", from_day=TODAY, by=None)
        page = text_of(client.get(at(step)))
        assert "Nobody has written this briefing yet" in page
        assert "I have read it" not in page

    @pytest.mark.parametrize("code", ["license", "ride", "kit"])
    def test_a_step_that_is_no_briefing(self, client, newcomer, code):
        assert client.get(at(Step.objects.get(code=code))).status_code == 404
        assert client.post(at(Step.objects.get(code=code)), {"revision": 1}).status_code == 404


class TestChangedMeanwhile:
    def test_it_is_shown_anew_and_answers_to_the_same_questions_are_kept(self, client, newcomer, local):
        old = answers(local)
        changed = [ASKED[0], {**ASKED[1], "ask": "Who signs now?"}]
        reading.write(local, text="Mind the trucks.", questions=changed, again_from=None, by=None)
        answer = client.post(at(local), old | {"next": "/runs/7/"})
        assert answer.status_code == 409
        page = text_of(answer)
        assert "has changed since you opened it" in page
        assert "Mind the trucks." in page
        assert 'name="revision" value="3"' in page
        assert 'value="/runs/7/"' in page
        form = answer.context["form"]
        assert [form[one.key].value() for one in reading.briefing_of(local).questions] == [
            question(local, "Which gate?").right,
            "",
        ]
        assert page.count(" checked") == 1
        assert "Choose an answer." not in page  # it is not judged before it was answered
        assert not Completion.objects.exists()
        assert client.post(at(local), answers(local)).status_code == 302
        assert Completion.objects.get().revision == 3

    def test_without_naming_what_was_shown(self, client, newcomer, local):
        sent = answers(local)
        del sent["revision"]
        assert client.post(at(local), sent).status_code == 409
        assert not Completion.objects.exists()

    def test_whoever_has_read_it_is_not_asked_by_a_small_correction(self, client, newcomer, local):
        client.post(at(local), answers(local))
        reading.write(local, text="Mind those forklifts.", questions=ASKED, again_from=None, by=None)
        page = text_of(client.get(at(local)))
        assert "Mind those forklifts." in page
        assert "You read it on" in page
        assert "I have read it" not in page


class TestPaper:
    def test_it_has_the_questions_with_boxes_and_lines_to_sign(self, client, newcomer, local):
        page = text_of(client.get(at(local)))
        paper = page[page.index('class="print-only paper"') :]
        for words in (
            "Which gate?",
            "☐ The north gate",
            "Name",
            "Date",
            "Signature",
            "As written on 6/2/2026.",
        ):
            assert words in paper
        assert "data-print" in page

    def test_also_of_one_that_was_read(self, client, newcomer, local):
        client.post(at(local), answers(local))
        assert "☐ The north gate" in text_of(client.get(at(local)))

    def test_a_coordinator_who_is_nobody_on_the_list_prints_it(self, client, local):
        user = sign_in_for("desk@example.org")
        User.objects.filter(pk=user.pk).update(is_coordinator=True)
        client.force_login(user)
        for page in (PAGE, at(local)):
            answer = client.get(page)
            assert answer.status_code == 200
            assert "I have read it" not in text_of(answer)
            assert client.post(page, answers(local)).status_code == 403
        assert not Completion.objects.exists()

    def test_a_sign_in_that_is_nobody_s_does_not_see_it(self, client):
        client.force_login(sign_in_for("lost@example.org"))
        assert client.get(PAGE).status_code == 403

    def test_what_was_read_on_paper_is_recorded_at_the_desk_as_what_is_asked_then(self, newcomer, shipped):
        reading.write(shipped, text="Ours", questions=[], again_from=TODAY + 9 * DAY, by=None)
        address = f"/desk/people/{newcomer.pk}/steps/{shipped.pk}/done/"
        assert desk_client(coordinator()).post(address, {"on": "6/2/2026"}).status_code == 302
        done = Completion.objects.get()
        assert done.revision == 2
        assert not reading.reading(newcomer, shipped, on=TODAY).is_due


@pytest.mark.parametrize("page", [HERE, PAGE])
def test_wrong_methods(client, newcomer, page):
    assert client.put(page).status_code == 405
    assert client.delete(page).status_code == 405

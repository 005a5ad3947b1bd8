"""The list of papers at the desk, a date in one step, and a photograph beside the date field."""

import pytest
import time_machine
from django.urls import reverse

from shifts.models import Policy
from shifts.pages.desk_papers import papers_to_see
from sites.models import Event
from tests.factories import PersonFactory, coordinator, make_ready, make_run, picture, put
from tests.shifts.pages.at_the_desk import (
    DAY,
    EVERY_PAGE,
    NOW,
    TODAY,
    desk_client,
    errors_of,
    press_undo,
    queries_of,
    said,
    survives_nonsense,
    text_of,
)
from volunteers.models import Completion, Message, PaperPhoto, Step
from volunteers.papers import send
from volunteers.progress import complete

pytestmark = pytest.mark.django_db
HERE = "/desk/papers/"


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
def ana():
    return make_ready(PersonFactory(name="Ana Bell", sign_in=True), without=("insurance",))


def card():
    return Step.objects.get(code="insurance")


def row(person, step=None):
    return f"{person.pk}-{(step or card()).pk}"


def tick(desk, person, typed, step=None):
    prefix = row(person, step)
    return desk.post(HERE, {"row": prefix, f"{prefix}-valid_until": typed})


def confirming(person):
    return reverse("desk_step_done", args=[person.pk, card().pk])


class TestTheList:
    def test_nothing_to_see(self, desk):
        assert "No paper needs a look" in text_of(desk.get(HERE))

    def test_who_what_and_which_run(self, desk, ana):
        complete(person=ana, step=card(), on=TODAY - 9 * DAY, valid_until=TODAY + 3 * DAY, by=None)
        put(ana, make_run(title="Bread run", starts_at=NOW + 5 * DAY))
        shown = text_of(desk.get(HERE))
        assert "runs out 6/5/2026" in shown
        assert "Bread run, Sun, Jun 7, 10:00 a.m." in shown

    @pytest.mark.parametrize(
        ("days", "words"), [(0, "runs out today"), (1, "runs out 6/3/2026"), (-1, "ran out 6/1/2026")]
    )
    def test_its_last_day_in_words(self, desk, ana, days, words):
        complete(person=ana, step=card(), on=TODAY - 9 * DAY, valid_until=TODAY + days * DAY, by=None)
        assert words in text_of(desk.get(HERE))

    def test_missing_and_to_follow(self, desk, ana):
        assert "missing" in text_of(desk.get(HERE))
        complete(person=ana, step=card(), how="seen", by=None)
        assert "date to follow by 7/2/2026" in text_of(desk.get(HERE))

    def test_in_as_many_queries_for_many_as_for_few(self, desk):
        def more(number):
            for n in range(number):
                person = make_ready(PersonFactory(name=f"P{n}"), without=("insurance",))
                put(person, make_run(starts_at=NOW + (n + 2) * DAY))

        more(1)
        few, _sql = queries_of(desk, HERE)
        more(5)
        many, sql = queries_of(desk, HERE)
        assert many == few, sql
        assert few <= EVERY_PAGE + 14


class TestADateInOneStep:
    def test_it_is_recorded_and_the_line_is_gone(self, desk, ana, cora):
        answer = tick(desk, ana, "3/31/2027")
        assert (answer.status_code, answer["Location"]) == (302, HERE)
        assert "Ana Bell, Car insurance card: until 3/31/2027. Ana Bell is ready to drive alone." in said(
            answer
        )
        done = ana.completions.get(step=card())
        assert (done.valid_until.isoformat(), done.recorded_by) == ("2027-03-31", cora.user)
        assert not papers_to_see(NOW)

    def test_undone(self, desk, ana):
        page = desk.get(tick(desk, ana, "3/31/2027")["Location"])
        assert page.context["undo"]["words"] == "Undo: Ana's date"
        press_undo(desk, page)
        assert [paper.person for paper in papers_to_see(NOW)] == [ana]

    @pytest.mark.parametrize(
        ("typed", "words"),
        [("", "Give the date"), ("6/1/2026", "is over"), ("soon", "date"), ("2/30/2027", "no day 30")],
    )
    def test_refused_beside_the_field_with_what_was_typed(self, desk, ana, typed, words):
        other = make_ready(PersonFactory(name="Bea"), without=("insurance",))
        answer = tick(desk, ana, typed)
        assert answer.status_code == 200
        assert words in errors_of(answer)["valid_until"]
        rows = {one["row"]: one["form"] for one in answer.context["rows"]}
        assert rows[row(ana)].errors
        assert not rows[row(other)].errors
        assert f'value="{typed}"' in text_of(answer) or not typed
        assert "Please look at this again" in text_of(answer)
        assert not ana.completions.filter(step=card()).exists()

    @pytest.mark.parametrize("name", ["", "7", "x-y", "-", "1-", "-1", "0-0", "9" * 30 + "-1", "١-٢"])
    def test_of_no_paper(self, desk, ana, name):
        assert desk.post(HERE, {"row": name}).status_code == 404

    def test_of_nothing_but_a_paper(self, desk, ana):
        assert tick(desk, ana, "3/31/2027", Step.objects.get(code="kit")).status_code == 404

    def test_nonsense(self, desk, ana):
        survives_nonsense(desk, HERE, [f"{row(ana)}-valid_until"], good={"row": row(ana)})


class TestAPhotograph:
    @pytest.fixture
    def photo(self, ana):
        until = TODAY + 400 * DAY
        return send(person=ana, step=card(), data=picture(), said_until=until, by=ana.user)

    def test_the_list_leads_to_it(self, desk, ana, photo):
        shown = text_of(desk.get(HERE))
        assert "photo sent 6/2/2026" in shown
        assert f"{confirming(ana)}?next={HERE}" in shown

    def test_so_does_the_persons_page(self, desk, ana, photo):
        shown = text_of(desk.get(reverse("desk_person", args=[ana.pk])))
        assert "Look at the photo" in shown
        assert confirming(ana) in shown

    def test_nothing_leads_there_without_one(self, desk, ana):
        assert "Look at the photo" not in text_of(desk.get(HERE))
        assert "<figure" not in text_of(desk.get(confirming(ana)))

    def test_it_stands_beside_the_date_they_typed(self, desk, ana, photo):
        shown = text_of(desk.get(confirming(ana)))
        assert f'src="{reverse("desk_photo", args=[photo.pk])}"' in shown
        assert 'value="7/7/2027"' in shown
        assert "As they typed it: compare it with the photo." in shown

    def test_confirmed_it_is_gone_and_the_list_is_back(self, desk, ana, photo):
        post = {"photo": photo.pk, "valid_until": "3/31/2027", "next": HERE}
        answer = desk.post(confirming(ana), post)
        assert (answer.status_code, answer["Location"]) == (302, HERE)
        assert not PaperPhoto.objects.exists()
        assert ana.completions.get(step=card()).valid_until.isoformat() == "2027-03-31"

    def test_also_where_photographs_are_taken_no_more(self, desk, ana, photo):
        assert not Policy.current().photos_on
        desk.post(confirming(ana), {"photo": photo.pk, "valid_until": "3/31/2027"})
        assert not PaperPhoto.objects.exists()

    def test_refused_it_stays(self, desk, ana, photo):
        answer = desk.post(confirming(ana), {"photo": photo.pk, "valid_until": "1/1/2020", "next": HERE})
        assert "is over" in errors_of(answer)["valid_until"]
        assert "<figure" in text_of(answer)
        assert f'name="next" value="{HERE}"' in text_of(answer)
        assert PaperPhoto.objects.exists()

    def test_a_newer_one_is_shown_before_it_is_confirmed(self, desk, ana, photo):
        newer = send(person=ana, step=card(), data=picture(), by=ana.user)
        answer = desk.post(confirming(ana), {"photo": photo.pk, "valid_until": "3/31/2027"})
        assert "A newer photo has come in" in errors_of(answer)["__all__"]
        shown = text_of(answer)
        assert reverse("desk_photo", args=[newer.pk]) in shown
        assert 'value="3/31/2027"' in shown
        assert list(PaperPhoto.objects.all()) == [newer]

    def test_not_readable(self, desk, ana, cora, photo):
        answer = desk.post(reverse("desk_photo", args=[photo.pk]), {"next": HERE})
        assert (answer.status_code, answer["Location"]) == (302, HERE)
        assert "Ana Bell is asked by mail for another" in said(answer)
        assert not PaperPhoto.objects.exists()
        assert Message.objects.get(person=ana).kind == "not readable"
        assert Event.objects.get(verb="photo deleted").by == cora.user

    def test_not_readable_of_somebody_without_mail(self, desk):
        joe = make_ready(PersonFactory(by_phone=True), without=("insurance",))
        photo = send(person=joe, step=card(), data=picture(), by=None)
        answer = desk.post(reverse("desk_photo", args=[photo.pk]))
        assert "on your list to tell by phone" in said(answer)
        assert Message.objects.to_tell().get().person == joe

    def test_not_readable_twice(self, desk, ana, photo):
        for _ in range(2):
            answer = desk.post(reverse("desk_photo", args=[photo.pk]))
        assert "gone already" in said(answer)
        assert Message.objects.filter(person=ana).count() == 1

    def test_no_date_is_prefilled_where_they_typed_none(self, desk, ana):
        send(person=ana, step=card(), data=picture(), by=ana.user)
        shown = text_of(desk.get(confirming(ana)))
        assert "The date on it, like 3/31/2027." in shown

    def test_nonsense_for_its_key(self, desk, ana, photo):
        for piece in ("", "x", "-1", "9" * 40, "１２"):
            desk.post(confirming(ana), {"photo": piece, "valid_until": ""})
        assert PaperPhoto.objects.exists()


def test_what_the_history_of_a_person_says(desk, ana):
    photo = send(person=ana, step=card(), data=picture(), by=ana.user)
    desk.post(reverse("desk_photo", args=[photo.pk]))
    shown = text_of(desk.get(reverse("desk_person", args=[ana.pk])))
    assert "Car insurance card: sent a photo" in shown
    assert "Car insurance card: photo deleted (not readable)" in shown
    assert Completion.objects.filter(person=ana, step=card()).count() == 0

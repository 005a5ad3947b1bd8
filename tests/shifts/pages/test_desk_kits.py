"""Starter kits at the desk: the shelf, handing over in one tap from three places, and what comes back."""

import pytest
import time_machine
from django.urls import reverse

from tests.factories import PersonFactory, coordinator, make_ready, make_run, put, ready_person
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
from volunteers import clearance, kits
from volunteers.models import KitMove, Step
from volunteers.people import leave

pytestmark = pytest.mark.django_db
HERE = "/desk/kits/"


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
def ina():
    return make_ready(PersonFactory(name="Ina Quell"), without=("kit",))


def post(desk, what, **fields):
    return desk.post(HERE, {"what": what, **fields})


def page_of(person):
    return reverse("desk_person", args=[person.pk])


def tick_off(desk, person, **fields):
    step = Step.objects.get(code="kit")
    return desk.post(reverse("desk_step_done", args=[person.pk, step.pk]), {"on": "6/2/2026", **fields})


def has_kit(person):
    return kits.held_by(person) is not None


class TestThePage:
    def test_before_anything_is_noted(self, desk):
        shown = text_of(desk.get(HERE))
        assert "Nobody has counted the shelf yet." in shown
        assert "Nothing yet. Count the shelf once" in shown

    def test_the_shelf_who_holds_and_who_needs_one(self, desk, ina):
        kits.count_shelf(4, by=None)
        holder = make_ready(PersonFactory(name="Hal Ford"), without=("kit",))
        kits.hand_over(holder, by=None)
        answer = desk.get(HERE)
        shown = text_of(answer)
        assert "<strong>3</strong> on the shelf, <strong>1</strong> handed out." in shown
        assert [one.person.name for one in answer.context["held"]] == ["Hal Ford"]
        assert answer.context["lacking"] == [ina]
        assert "since 6/2/2026" in shown
        assert page_of(holder) in shown

    def test_whoever_left_with_one_is_named(self, desk, ina):
        kits.hand_over(ina, by=None)
        leave(ina, by=None)
        assert "left on 6/2/2026: ask for it back" in text_of(desk.get(HERE))

    def test_what_was_noted_by_whom_and_when(self, desk, ina):
        post(desk, "count", number=4)
        post(desk, "hand", person=ina.pk)
        post(desk, "count", number=2)
        shown = text_of(desk.get(HERE))
        for words in ("shelf counted: 4 more than noted", "handed over to Ina Quell", "1 fewer than noted"):
            assert words in shown
        assert "6/2/2026, 10:00 a.m., Cora Desk" in shown

    def test_in_as_many_queries_for_many_as_for_few(self, desk):
        def more(number):
            for _ in range(number):
                make_ready(PersonFactory(), without=("kit",))
                ready_person()
                kits.hand_over(make_ready(PersonFactory(), without=("kit",)), by=None)

        more(1)
        few, _sql = queries_of(desk, HERE)
        more(4)
        many, sql = queries_of(desk, HERE)
        assert many == few, sql
        assert few <= EVERY_PAGE + 16


class TestTheShelf:
    def test_counted(self, desk):
        answer = post(desk, "count", number=6)
        assert "The shelf is counted: 6." in said(answer)
        assert kits.on_shelf() == 6

    def test_bought(self, desk):
        post(desk, "count", number=6)
        assert "4 more" in said(post(desk, "bought", number=4))
        assert kits.on_shelf() == 10

    @pytest.mark.parametrize(("what", "form"), [("count", "count"), ("bought", "bought")])
    @pytest.mark.parametrize("typed", ["", "x", "-1", "1000", "1.5"])
    def test_refused_beside_the_field(self, desk, what, form, typed):
        answer = post(desk, what, number=typed)
        assert answer.status_code == 200
        assert errors_of(answer, form)["number"]
        assert "Please look at this again" in text_of(answer)
        assert not KitMove.objects.exists()

    def test_nothing_bought_is_no_purchase(self, desk):
        assert "1 or more" in errors_of(post(desk, "bought", number=0), "bought")["number"]

    def test_undone(self, desk):
        post(desk, "count", number=6)
        page = desk.get(post(desk, "bought", number=4)["Location"])
        assert "Undo: bought or made up: 4" in text_of(page)
        assert "Undone" in said(press_undo(desk, page))
        assert kits.on_shelf() == 6

    def test_undone_too_late(self, desk):
        post(desk, "count", number=6)
        first = KitMove.objects.get()
        post(desk, "bought", number=4)
        answer = post(desk, "undo", move=first.pk)
        assert answer.status_code == 409
        assert "not the last one any more" in text_of(answer)
        assert kits.on_shelf() == 10

    def test_only_the_last_line_has_the_button(self, desk):
        for number in range(1, 6):
            post(desk, "count", number=number)
        last = KitMove.objects.order_by("pk").last()
        shown = text_of(desk.get(HERE))
        assert shown.count('name="move"') == 2  # the one offered after it was noted, and the line's own
        assert f'name="move" value="{last.pk}"' in shown


class TestHandingOver:
    def test_from_the_list(self, desk, ina):
        answer = post(desk, "hand", person=ina.pk)
        assert (answer.status_code, answer["Location"]) == (302, HERE)
        assert "Ina Quell has a starter kit. Ina Quell is ready to drive alone." in said(answer)
        assert has_kit(ina)

    def test_from_the_persons_page_and_back(self, desk, ina):
        assert "Hand over a kit" in text_of(desk.get(page_of(ina)))
        answer = post(desk, "hand", person=ina.pk, next=page_of(ina))
        assert answer["Location"] == page_of(ina)
        shown = text_of(desk.get(page_of(ina)))
        assert "Ina has held one since 6/2/2026." in shown
        assert "Hand over a kit" not in shown

    def test_by_ticking_off_the_step(self, desk, ina):
        kits.count_shelf(2, by=None)
        assert tick_off(desk, ina).status_code == 302
        assert has_kit(ina)
        assert kits.on_shelf() == 1

    def test_waived_it_leaves_the_shelf_alone(self, desk, ina):
        kits.count_shelf(2, by=None)
        tick_off(desk, ina, waived="on", reason="Has her own.")
        assert not clearance.missing(ina, on=TODAY)
        assert not has_kit(ina)
        assert kits.on_shelf() == 2

    def test_undone(self, desk, ina):
        page = desk.get(post(desk, "hand", person=ina.pk)["Location"])
        press_undo(desk, page)
        assert not has_kit(ina)
        assert clearance.missing(ina, on=TODAY)

    @pytest.mark.parametrize("from_", ["", "person"])
    def test_the_shelf_is_empty(self, desk, ina, from_):
        kits.count_shelf(0, by=None)
        back = page_of(ina) if from_ else ""
        answer = post(desk, "hand", person=ina.pk, next=back)
        assert answer.status_code == 409
        shown = text_of(answer)
        assert "The shelf is at 0: count it first." in shown
        assert "Hand it to Ina anyway, and count it" in shown
        assert not has_kit(ina)
        answer = post(desk, "hand", person=ina.pk, anyway="1", next=back)
        assert answer["Location"] == (back or HERE)
        assert has_kit(ina)
        assert kits.on_shelf() == 0

    def test_the_shelf_is_empty_while_ticking_off(self, desk, ina):
        kits.count_shelf(0, by=None)
        answer = tick_off(desk, ina)
        assert "The shelf is at 0" in errors_of(answer)["__all__"]
        assert 'name="anyway"' in text_of(answer)
        assert tick_off(desk, ina, anyway="1").status_code == 302
        assert has_kit(ina)

    def test_twice(self, desk, ina):
        post(desk, "hand", person=ina.pk)
        answer = post(desk, "hand", person=ina.pk)
        assert answer.status_code == 409
        assert "has had a kit since 6/2/2026" in text_of(answer)

    @pytest.mark.parametrize("what", ["hand", "return", "lost", "undo"])
    @pytest.mark.parametrize("key", ["", "0", "x", "-1", "9" * 40, "１"])
    def test_of_nobody(self, desk, what, key):
        assert post(desk, what, person=key, move=key).status_code == 404

    def test_nothing_that_we_know(self, desk):
        assert post(desk, "burn").status_code == 404


class TestComingBack:
    @pytest.fixture
    def holder(self, ina):
        kits.count_shelf(2, by=None)
        kits.hand_over(ina, by=None)
        return ina

    def test_returned(self, desk, holder):
        answer = post(desk, "return", person=holder.pk, next=page_of(holder))
        assert answer["Location"] == page_of(holder)
        assert "Ina Quell's starter kit is back on the shelf." in said(answer)
        assert kits.on_shelf() == 2

    def test_not_coming_back(self, desk, holder):
        assert "is not coming back" in said(post(desk, "lost", person=holder.pk))
        assert kits.on_shelf() == 1
        assert not has_kit(holder)

    @pytest.mark.parametrize("what", ["return", "lost"])
    def test_the_runs_that_need_it_are_named(self, desk, holder, what):
        put(holder, make_run(title="Bread run", starts_at=NOW + 3 * DAY))
        answer = post(desk, what, person=holder.pk)
        assert "Without a kit Ina Quell is not ready for: Bread run, Fri, Jun 5, 10:00 a.m." in said(answer)

    @pytest.mark.parametrize("what", ["return", "lost"])
    def test_undone(self, desk, holder, what):
        page = desk.get(post(desk, what, person=holder.pk)["Location"])
        press_undo(desk, page)
        assert has_kit(holder)
        assert not clearance.missing(holder, on=TODAY)
        assert kits.on_shelf() == 1

    @pytest.mark.parametrize("what", ["return", "lost"])
    def test_from_nobody_who_holds_none(self, desk, ina, what):
        answer = post(desk, what, person=ina.pk)
        assert answer.status_code == 409
        assert "holds no kit" in text_of(answer)

    def test_taking_the_step_back_puts_it_on_the_shelf(self, desk, holder):
        done = holder.completions.get(step__code="kit")
        desk.post(reverse("desk_step_back", args=[done.pk]), {"reason": "Wrong person."})
        assert kits.on_shelf() == 2
        assert not has_kit(holder)
        done.refresh_from_db()
        assert done.withdrawn_reason == "Wrong person."

    def test_taking_back_a_waiver_moves_none(self, desk, ina):
        kits.count_shelf(2, by=None)
        tick_off(desk, ina, waived="on", reason="Has her own.")
        done = ina.completions.get(step__code="kit")
        desk.post(reverse("desk_step_back", args=[done.pk]), {"reason": "She has not."})
        assert kits.on_shelf() == 2
        assert clearance.missing(ina, on=TODAY)

    def test_the_pages_of_whoever_leaves_say_so(self, desk, holder):
        at = reverse("desk_leave", args=[holder.pk])
        assert "Ina has held a starter kit since 6/2/2026." in text_of(desk.get(at))
        desk.post(at)
        shown = text_of(desk.get(page_of(holder)))
        assert "Ina has held one since 6/2/2026. Ask for it back." in shown
        assert "Returned" in shown

    def test_nothing_of_it_where_they_hold_none(self, desk, ina):
        assert "starter kit since" not in text_of(desk.get(reverse("desk_leave", args=[ina.pk])))


def test_nonsense(desk, ina):
    fields = ["what", "person", "number", "move", "next", "anyway"]
    for what in ("count", "bought"):
        survives_nonsense(desk, HERE, ["number", "next"], good={"what": what, "number": "3"})
    for n in range(len(fields)):
        answer = desk.post(HERE, dict.fromkeys(fields[n:], "\0"))
        assert answer.status_code == 404

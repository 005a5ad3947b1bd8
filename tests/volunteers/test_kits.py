"""Starter kits: each move with the step it completes or takes back, the shelf, and what is undone."""

from datetime import UTC, date, datetime, timedelta

import pytest

from sites.models import Event
from tests.factories import PersonFactory, coordinator, make_ready
from volunteers import clearance, kits
from volunteers.kits import ShelfEmpty
from volunteers.models import Completion, KitMove, Step, StepTerm
from volunteers.people import leave
from volunteers.progress import NotPossible, complete

AT = datetime(2027, 5, 4, 1, 0, tzinfo=UTC)  # still May 3 in New York
LATER = AT + timedelta(hours=1)
DAY = date(2027, 5, 3)
pytestmark = pytest.mark.django_db


@pytest.fixture
def cora():
    return coordinator().user


@pytest.fixture
def ina():
    return make_ready(PersonFactory(name="Ina Quell"), without=("kit",))


def lacks_kit(person, on=DAY):
    return [term.step.code for term in clearance.missing(person, on=on)] == ["kit"]


def held():
    return [(one.person.name, one.since) for one in kits.holders()]


def event_of(move):
    return Event.objects.about(move).order_by("pk").first()


def refuses(words):
    return pytest.raises(NotPossible, match=words)


class TestTheShelf:
    def test_nobody_knows_before_it_was_counted(self, ina):
        assert kits.on_shelf() is None
        kits.hand_over(ina, by=None)
        assert kits.on_shelf() is None

    def test_counted_bought_counted_again(self, cora):
        kits.count_shelf(4, by=cora, at=AT)
        kits.put_on_shelf(3, by=cora, at=AT)
        assert kits.on_shelf() == 7
        move = kits.count_shelf(5, by=cora, at=LATER)
        assert (move.kind, move.number, kits.on_shelf()) == ("counted", -2, 5)
        assert (event_of(move).verb, event_of(move).by, event_of(move).at) == ("kit counted", cora, LATER)
        assert event_of(move).after == {"number": -2, "shelf": 5}

    def test_what_was_handed_over_before_the_first_count_does_not_come_off(self, ina):
        kits.hand_over(ina, by=None)
        assert kits.count_shelf(4, by=None).number == 4
        assert kits.on_shelf() == 4

    def test_bought_before_it_was_counted(self, ina):
        kits.hand_over(ina, by=None)
        kits.put_on_shelf(3, by=None)
        assert kits.on_shelf() == 3

    def test_counted_as_noted(self):
        kits.count_shelf(4, by=None)
        assert kits.count_shelf(4, by=None).number == 0

    def test_empty(self):
        kits.count_shelf(0, by=None)
        assert kits.on_shelf() == 0

    @pytest.mark.parametrize("number", [-1, 1000])
    def test_no_such_count(self, number):
        with refuses("0 to 999"):
            kits.count_shelf(number, by=None)

    @pytest.mark.parametrize("number", [-1, 0, 1000])
    def test_no_such_purchase(self, number):
        with refuses("1 to 999"):
            kits.put_on_shelf(number, by=None)

    def test_a_programme_without_kits(self, ina):
        StepTerm.objects.filter(step__kind="kit").delete()
        Step.objects.filter(kind="kit").delete()
        for write in (lambda: kits.count_shelf(1, by=None), lambda: kits.hand_over(ina, by=None)):
            with refuses("asks for no starter kit"):
                write()
        assert kits.holders() == []
        assert not kits.lacking(DAY).exists()


class TestHandedOver:
    def test_it_completes_the_step_and_comes_off_the_shelf(self, ina, cora):
        kits.count_shelf(2, by=cora, at=AT)
        assert lacks_kit(ina)
        assert list(kits.lacking(DAY)) == [ina]
        move = kits.hand_over(ina, by=cora, at=AT)
        assert (move.kind, move.number, move.person, move.by, move.at) == ("handed", -1, ina, cora, AT)
        assert not lacks_kit(ina)
        assert kits.on_shelf() == 1
        assert held() == [("Ina Quell", DAY)]
        assert not kits.lacking(DAY).exists()

    def test_who_and_when(self, ina, cora):
        move = kits.hand_over(ina, by=cora, at=AT)
        event = event_of(move)
        assert (event.verb, event.by, event.at, event.person_id) == ("kit handed", cora, AT, ina.pk)
        completion = ina.completions.get(step__code="kit")
        assert (completion.recorded_by, completion.recorded_at) == (cora, AT)

    def test_on_an_earlier_day(self, ina):
        kits.hand_over(ina, by=None, on=DAY - timedelta(days=3), at=AT)
        assert held() == [("Ina Quell", DAY - timedelta(days=3))]
        assert ina.completions.get(step__code="kit").valid_from == DAY - timedelta(days=3)

    def test_not_twice(self, ina):
        kits.hand_over(ina, by=None, at=AT)
        with refuses("has had a kit since 5/3/2027"):
            kits.hand_over(ina, by=None, at=LATER)
        assert KitMove.objects.count() == 1

    def test_not_from_an_empty_shelf(self, ina):
        kits.count_shelf(0, by=None)
        with pytest.raises(ShelfEmpty, match="count it first"):
            kits.hand_over(ina, by=None)
        assert lacks_kit(ina)
        assert kits.on_shelf() == 0

    def test_anyway_and_counted(self, ina, cora):
        kits.count_shelf(0, by=cora)
        kits.hand_over(ina, by=cora, anyway=True)
        moves = list(KitMove.objects.order_by("pk").values_list("kind", "number"))
        assert moves == [("counted", 0), ("counted", 1), ("handed", -1)]
        assert kits.on_shelf() == 0
        assert held()

    def test_anyway_counts_nothing_where_there_are_some(self, ina):
        kits.count_shelf(2, by=None)
        kits.hand_over(ina, by=None, anyway=True)
        assert kits.on_shelf() == 1

    def test_a_step_that_is_due_again_takes_no_second_kit(self, ina):
        kits.count_shelf(1, by=None)
        kits.hand_over(ina, by=None, at=AT)
        StepTerm.objects.filter(step__code="kit").update(revision=2000)
        assert kits.hand_over(ina, by=None, at=AT) is None
        assert kits.on_shelf() == 0
        assert not lacks_kit(ina)

    def test_whoever_had_it_waived_lacks_none_and_holds_none(self, ina):
        complete(person=ina, step=kits.kit_step(), how="waived", reason="Has her own.", by=None, at=AT)
        assert not kits.lacking(DAY).exists()
        assert held() == []

    def test_only_drivers_lack_one(self):
        PersonFactory(drives=False)
        PersonFactory(paused_on=DAY)
        assert not kits.lacking(DAY).exists()

    def test_got_before_kits_were_noted(self, ina):
        complete(person=ina, step=kits.kit_step(), on=DAY, by=None, at=AT)
        assert held() == [("Ina Quell", DAY)]
        with refuses("has had a kit"):
            kits.hand_over(ina, by=None, at=AT)


ENDS = [(kits.take_in, "returned", 1, "The kit came back."), (kits.write_off, "lost", 0, "not coming back")]


@pytest.mark.parametrize(("write", "kind", "number", "reason"), ENDS, ids=["returned", "lost"])
class TestComesBackOrNot:
    @pytest.fixture
    def holder(self, ina):
        kits.count_shelf(2, by=None, at=AT)
        kits.hand_over(ina, by=None, at=AT)
        return ina

    def test_the_step_is_taken_back(self, holder, cora, write, kind, number, reason):
        move = write(holder, by=cora, at=LATER)
        assert (move.kind, move.number, move.person) == (kind, number, holder)
        assert kits.on_shelf() == 1 + number
        assert held() == []
        assert lacks_kit(holder)
        completion = holder.completions.get(step__code="kit")
        assert reason in completion.withdrawn_reason
        assert (completion.withdrawn_by, completion.withdrawn_at) == (cora, LATER)
        event = event_of(move)
        assert (event.verb, event.by, event.at, event.person_id) == (f"kit {kind}", cora, LATER, holder.pk)

    def test_with_a_reason_of_ones_own(self, holder, write, kind, number, reason):
        write(holder, by=None, reason="Moved away.")
        assert holder.completions.get(step__code="kit").withdrawn_reason == "Moved away."

    def test_not_from_somebody_without(self, ina, write, kind, number, reason):
        with refuses("holds no kit"):
            write(ina, by=None)

    def test_not_twice(self, holder, write, kind, number, reason):
        write(holder, by=None)
        with refuses("holds no kit"):
            write(holder, by=None)
        assert KitMove.objects.filter(kind=kind).count() == 1

    def test_from_somebody_who_left(self, holder, write, kind, number, reason):
        leave(holder, by=None)
        assert held()
        write(holder, by=None)
        assert held() == []

    def test_of_one_got_before_kits_were_noted(self, write, kind, number, reason):
        old = make_ready(PersonFactory())
        kits.count_shelf(0, by=None)
        write(old, by=None)
        assert kits.on_shelf() == number
        assert lacks_kit(old)

    def test_undone(self, holder, cora, write, kind, number, reason):
        StepTerm.objects.filter(step__code="kit").update(lasts_months=24)
        write(holder, by=None, at=LATER)
        kits.undo(KitMove.objects.get(kind=kind), by=cora, at=LATER)
        assert held() == [("Ina Quell", DAY)]
        assert kits.on_shelf() == 1
        assert not lacks_kit(holder)
        again = holder.completions.standing().get(step__code="kit")
        assert (again.valid_from, again.how) == (DAY, Completion.How.DONE)

    def test_another_kit_after_that(self, holder, write, kind, number, reason):
        write(holder, by=None, at=LATER)
        kits.hand_over(holder, by=None, at=LATER + timedelta(days=2))
        assert held() == [("Ina Quell", DAY + timedelta(days=2))]


class TestUndone:
    def test_a_hand_over(self, ina, cora):
        kits.count_shelf(2, by=None)
        move = kits.hand_over(ina, by=None, at=AT)
        kits.undo(move, by=cora, at=LATER)
        assert lacks_kit(ina)
        assert held() == []
        assert kits.on_shelf() == 2
        move.refresh_from_db()
        assert (move.undone_by, move.undone_at) == (cora, LATER)
        event = Event.objects.about(move).filter(verb="kit undone").get()
        assert (event.by, event.at, event.person_id) == (cora, LATER, ina.pk)
        assert (event.before, event.after) == ({"kind": "handed", "number": -1}, {"shelf": 2})

    def test_a_hand_over_takes_back_nothing_that_was_recorded_before(self, ina):
        first = complete(person=ina, step=kits.kit_step(), how="waived", reason="Own one.", by=None, at=AT)
        move = kits.hand_over(ina, by=None, at=LATER)
        kits.undo(move, by=None)
        first.refresh_from_db()
        assert first.withdrawn_at is None

    def test_a_count_and_a_purchase(self):
        first = kits.count_shelf(2, by=None)
        bought = kits.put_on_shelf(3, by=None)
        kits.undo(bought, by=None)
        assert kits.on_shelf() == 2
        kits.undo(first, by=None)
        assert kits.on_shelf() is None

    def test_only_the_last(self, ina):
        first = kits.count_shelf(2, by=None)
        kits.hand_over(ina, by=None)
        with refuses("not the last one any more"):
            kits.undo(first, by=None)
        assert kits.on_shelf() == 1

    def test_not_twice(self):
        kits.count_shelf(2, by=None)
        move = kits.put_on_shelf(3, by=None)
        kits.undo(move, by=None)
        with refuses("not the last one any more"):
            kits.undo(move, by=None)
        assert kits.on_shelf() == 2

"""The faces of the gate that pages use: in order, with what counts, in a constant number of queries."""

from datetime import date, timedelta

import pytest

from tests.factories import PersonFactory, SiteFactory, make_ready, ready_person
from volunteers import clearance
from volunteers.doors import publish, read
from volunteers.models import Person, Step
from volunteers.progress import complete, withdraw

DAY = date(2027, 5, 10)
SHIPPED = ["briefing", "license", "insurance", "form", "kit", "ride"]
pytestmark = pytest.mark.django_db


def codes(steps):
    return [step.code or step.kind for step in steps]


def missing(person, sites=(), on=DAY):
    return codes(term.step for term in clearance.missing(person, on=on, sites=sites))


def test_a_newcomer_lacks_every_shipped_step_in_order():
    assert missing(PersonFactory()) == SHIPPED


def test_door_notes_come_after_the_programmes_steps_and_only_for_their_site():
    here, there = SiteFactory(), SiteFactory()
    publish(here, {"entrance": "Blue door."}, by=None, from_day=DAY)
    assert missing(PersonFactory(), sites=[here.pk]) == [*SHIPPED, "doors"]
    assert missing(PersonFactory(), sites=[there.pk]) == SHIPPED
    ina = ready_person()
    ina.completions.filter(step__kind="doors").delete()
    assert missing(ina, sites=[here.pk]) == ["doors"]
    read(here, person=ina, revision=1, by=None)
    assert missing(ina, sites=[here.pk]) == []


def test_standing_shows_met_and_unmet_steps_with_their_dates():
    until = DAY + timedelta(days=20)
    ina = make_ready(PersonFactory(), until=until, without=("ride",))
    states = {state.step.code: state for state in clearance.standing(ina, on=DAY)}
    assert list(states) == SHIPPED
    assert [code for code, state in states.items() if not state.met] == ["ride"]
    assert (states["license"].valid_until, states["kit"].valid_until) == (until, None)
    assert (states["ride"].done, states["ride"].completion, states["ride"].valid_until) == (0, None, None)


def test_standing_on_a_later_date_sees_the_paper_run_out():
    until = DAY + timedelta(days=20)
    ina = make_ready(PersonFactory(), until=until)
    lapsed = [s.step.code for s in clearance.standing(ina, on=until + timedelta(days=1)) if not s.met]
    assert lapsed == ["license", "insurance"]
    assert all(state.met for state in clearance.standing(ina, on=until))


def test_a_step_may_have_been_renewed_before_the_old_one_ran_out():
    ina = make_ready(PersonFactory(), until=DAY)
    card = Step.objects.get(code="insurance")
    complete(person=ina, step=card, by=None, on=DAY, valid_until=DAY + timedelta(days=180))
    assert missing(ina, on=DAY) == []
    assert missing(ina, on=DAY + timedelta(days=1)) == ["license"]


def test_what_is_taken_back_is_missing_again():
    ina = ready_person()
    withdraw(ina.completions.get(step__code="kit"), reason="Never handed over.", by=None)
    assert missing(ina) == ["kit"]


def test_queries_do_not_grow_with_people(django_assert_max_num_queries):
    """The terms in force and one query a step."""
    for wanted in (3, 30):
        while Person.objects.count() < wanted:
            PersonFactory() if Person.objects.count() % 2 else ready_person()
        people = list(Person.objects.all())
        with django_assert_max_num_queries(1 + len(SHIPPED)):
            lacking = clearance.missing_by_person(people, on=DAY)
        assert {len(steps) for steps in lacking.values()} == {0, len(SHIPPED)}
        assert len(lacking) == len(people)

"""Not at this site: who says so, since when, and the gate's faces that hold it."""

from datetime import UTC, datetime

import pytest
from django.db import IntegrityError, transaction

from sites.models import Event
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, coordinator, make_ready, ready_person
from volunteers import clearance
from volunteers.models import NotAt, Person
from volunteers.not_at import bar, lift

AT = datetime(2027, 5, 3, 15, tzinfo=UTC)
pytestmark = pytest.mark.django_db


@pytest.fixture
def dock():
    return SiteFactory(name="Fig Market")


@pytest.fixture
def ina():
    return ready_person(name="Ina Quell")


def test_it_names_who_when_and_why(ina, dock):
    desk = coordinator()
    row = bar(ina, dock, reason="Asked by the store.", by=desk.user, at=AT)
    event = Event.objects.get(verb="not at")
    assert (event.by, event.at, event.person_id) == (desk.user, AT, ina.pk)
    assert event.after == {"site": "Fig Market", "reason": "Asked by the store."}
    assert (row.at, row.ended_at) == (AT, None)


def test_a_second_call_changes_nothing(ina, dock):
    assert bar(ina, dock, by=None, at=AT) == bar(ina, dock, reason="again", by=None, at=AT)
    assert Event.objects.filter(verb="not at").count() == 1


def test_it_ends_once_and_stays_readable(ina, dock):
    desk = coordinator()
    row = bar(ina, dock, by=None, at=AT)
    for _time in range(2):
        lift(row, by=desk.user, at=AT)
    event = Event.objects.get(verb="not at ended")
    assert (event.by, event.at, event.before) == (desk.user, AT, {"site": "Fig Market"})
    assert NotAt.objects.get().ended_at == AT
    assert bar(ina, dock, by=None, at=AT).pk != row.pk


def test_two_live_ones_cannot_stand(ina, dock):
    bar(ina, dock, by=None, at=AT)
    with pytest.raises(IntegrityError), transaction.atomic():
        NotAt.objects.create(person=ina, site=dock, at=AT)


def test_the_faces_of_the_gate(ina, dock):
    """Barred from one of the sites, whether others are asked with it or not; nobody else, nowhere else."""
    other, kitchen = ready_person(), DropOffFactory()
    bar(ina, dock, by=None, at=AT)
    everybody = Person.objects.all()

    def cleared(*sites):
        return set(clearance.cleared(everybody, on=AT.date(), sites=[site.pk for site in sites]))

    assert cleared(dock) == cleared(dock, kitchen) == {other}
    assert cleared(kitchen) == cleared() == {ina, other}
    assert clearance.barred([ina, other], sites=[dock.pk, kitchen.pk]) == {ina.pk}
    assert clearance.barred([other], sites=[dock.pk]) == set()
    lift(NotAt.objects.get(), by=None, at=AT)
    assert cleared(dock) == {ina, other}


def test_it_is_no_step(ina, dock):
    """What is missing is what one can do something about; this is not told as if it were."""
    bar(ina, dock, by=None, at=AT)
    assert clearance.missing(ina, on=AT.date(), sites=[dock.pk]) == []


def test_who_waits_for_a_shadow_ride(dock):
    """Those whom nothing but the ride holds up."""
    waits = make_ready(PersonFactory(), without=("ride",))
    make_ready(PersonFactory(), without=("ride", "kit"))
    make_ready(PersonFactory(drives=False), without=("ride",))
    make_ready(PersonFactory(paused_on=AT.date()), without=("ride",))
    ready_person()
    assert list(clearance.waiting_for_ride(on=AT.date())) == [waits]

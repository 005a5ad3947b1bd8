"""The list of papers that need a look: which, in which order, and the run that each endangers."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shifts.cover.papers import papers_to_see
from shifts.schedule.making import Plan, add_shift
from shifts.seats import standing
from shifts.seats.changes import cancel_run
from shifts.seats.standing import Wish
from tests.factories import DropOffFactory, PersonFactory, SiteFactory, make_ready, make_run, picture, put
from volunteers.models import Step, StepTerm
from volunteers.papers import send
from volunteers.people import leave
from volunteers.progress import complete

DAY = timedelta(days=1)
NOON = datetime(2027, 5, 3, 16, 0, tzinfo=UTC)  # noon in New York on a Monday
TODAY = date(2027, 5, 3)
pytestmark = pytest.mark.django_db


def step(code):
    return Step.objects.get(code=code)


def driver(name, days, code="insurance", *, how="done"):
    """Somebody whose card runs out so many days from today; None: never had one."""
    person = make_ready(PersonFactory(name=name), without=(code,))
    if days is not None:
        on = TODAY + min(days, 0) * DAY - DAY if how == "done" else TODAY + (days - 30) * DAY
        until = TODAY + days * DAY if how == "done" else None
        complete(person=person, step=step(code), on=on, valid_until=until, how=how, by=None, at=NOON)
    return person


def drives(person, days, **facts):
    run = make_run(starts_at=NOON + days * DAY, **facts)
    put(person, run)
    return run


def seen():
    return [(paper.person.name, paper.state.value, paper.until) for paper in papers_to_see(NOON)]


def endangered():
    return {paper.person.name: paper.run for paper in papers_to_see(NOON)}


class TestWhich:
    @pytest.mark.parametrize(
        ("days", "state"), [(None, "missing"), (-1, "lapsed"), (0, "ending"), (30, "ending"), (31, None)]
    )
    def test_missing_over_or_over_soon(self, days, state):
        driver("Ana", days)
        until = None if days is None else TODAY + days * DAY
        assert seen() == ([("Ana", state, until)] if state else [])

    def test_a_date_that_is_to_follow(self):
        driver("Ana", 30, how="seen")
        assert seen() == [("Ana", "to follow", TODAY + 30 * DAY)]

    def test_renewed_in_time(self):
        ana = driver("Ana", 5)
        complete(person=ana, step=step("insurance"), valid_until=TODAY + 400 * DAY, by=None, at=NOON)
        assert seen() == []

    def test_nobody_who_does_not_drive_or_is_not_here(self):
        for facts in ({"drives": False}, {"paused_on": TODAY}, {"asking_since": TODAY}, {"left_on": TODAY}):
            make_ready(PersonFactory(**facts), without=("insurance",))
        assert seen() == []

    def test_only_papers(self):
        make_ready(PersonFactory(), without=("kit", "ride", "briefing"))
        assert seen() == []

    def test_every_photograph_that_waits(self):
        ana = driver("Ana", 400)
        away = make_ready(PersonFactory(name="Away", paused_on=TODAY))
        gone = make_ready(PersonFactory(name="Gone"))
        for person in (ana, away, gone):
            send(person=person, step=step("insurance"), data=picture(), by=None, at=NOON)
        leave(gone, by=None)
        found = papers_to_see(NOON)
        assert [(one.person.name, one.state.value) for one in found] == [
            ("Ana", "renewed"),
            ("Away", "renewed"),
        ]
        assert found[0].photo.get_deferred_fields() == {"image"}

    def test_a_sites_own_paper_where_they_drive_there(self):
        ana, bea = driver("Ana", 400), driver("Bea", 400)
        site = SiteFactory()
        badge = Step.objects.create(kind="paper", site=site, title="Badge")
        StepTerm.objects.create(step=badge, applies_from=date(2020, 1, 1))
        drives(ana, 3, sites=[site, DropOffFactory()])
        drives(bea, 3)
        [paper] = papers_to_see(NOON)
        assert (paper.person, paper.step) == (ana, badge)


class TestOrder:
    def test_soonest_first(self):
        driver("Never had one", None)
        driver("Runs out later", 20)
        driver("Runs out soon", 3)
        drives(driver("Over, drives on the 4th", -1), 4)
        drives(driver("Never, drives on the 2nd", None), 2)
        driver("Over, drives nothing", -100)
        waits = driver("Photo", None)
        send(person=waits, step=step("insurance"), data=picture(), by=None, at=NOON)
        assert [name for name, _state, _until in seen()] == [
            "Photo", "Never, drives on the 2nd", "Runs out soon", "Over, drives on the 4th", "Runs out later",
            "Over, drives nothing", "Never had one",
        ]  # fmt: skip


class TestEndangered:
    def test_the_first_run_after_its_last_day(self):
        ana = driver("Ana", 5)
        drives(ana, 5)
        drives(ana, 8)
        first = drives(ana, 6)
        assert endangered() == {"Ana": first}

    def test_the_first_of_all_where_it_is_over(self):
        ana = driver("Ana", -1)
        drives(ana, 8)
        first = drives(ana, 2)
        assert endangered() == {"Ana": first}

    def test_neither_a_second_seat_nor_a_run_that_is_off_or_over(self):
        ana = driver("Ana", -1)
        put(ana, make_run(starts_at=NOON + DAY), seat="second")
        cancel_run(drives(ana, 2), reason="Snow.", by=None)
        drives(ana, -2)
        assert endangered() == {"Ana": None}

    def test_a_run_that_is_kept_for_them(self):
        ana = make_ready(PersonFactory(name="Ana"), without=("insurance",))
        card = complete(
            person=ana, step=step("insurance"), on=TODAY, valid_until=TODAY + 15 * DAY, by=None, at=NOON
        )
        stops = ((SiteFactory().pk, 0), (DropOffFactory().pk, 30))
        weekly = Plan(rule="FREQ=WEEKLY;BYDAY=TU", starts=time(8), minutes=60, stops=stops)
        shift = add_shift(name="Tuesdays", plan=weekly, from_day=TODAY, by=None, at=NOON)
        standing.begin(Wish(shift=shift, person=ana, from_day=TODAY), by=None, at=NOON)
        run = endangered()["Ana"]
        assert run.slot_date == date(2027, 5, 25)  # the first Tuesday after May 18
        assert card.valid_until == date(2027, 5, 18)


def test_as_many_queries_for_many_as_for_few():
    def count():
        with CaptureQueriesContext(connection) as queries:
            papers_to_see(NOON)
        return len(queries)

    def more(number):
        for n in range(number):
            for days in (None, -3, 3):
                drives(driver(f"P{n}{days}", days), n + 4)
            send(person=driver(f"Q{n}", 9), step=step("license"), data=picture(), by=None, at=NOON)

    more(1)
    few = count()
    more(4)
    assert count() == few

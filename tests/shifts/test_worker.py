"""The worker's tick: one part that fails keeps no other from its turn."""

from datetime import UTC, datetime

import pytest

from shifts import worker
from shifts.models import Run
from shifts.schedule.making import Plan, add_shift
from tests.factories import DropOffFactory, SiteFactory

AT = datetime(2026, 6, 2, 14, tzinfo=UTC)
pytestmark = pytest.mark.django_db


def test_a_part_that_fails_is_told_and_the_others_are_done(monkeypatch):
    done = []

    def fails(at):
        raise OSError("the disk is full")

    monkeypatch.setattr(worker, "PARTS", (done.append, fails, done.append))
    with pytest.raises(ExceptionGroup) as fault:
        worker.tick(AT)
    assert done == [AT, AT]
    assert [str(one) for one in fault.value.exceptions] == ["the disk is full"]


def test_every_part_may_be_repeated(settings):
    plan = Plan(
        rule="FREQ=WEEKLY;BYDAY=MO", starts=AT.time(), minutes=60,
        stops=((SiteFactory().pk, 0), (DropOffFactory().pk, 30)),
    )  # fmt: skip
    add_shift(name="Weekly", from_day=AT.date(), by=None, plan=plan)
    worker.tick(AT)
    made = Run.objects.count()
    worker.tick(AT)
    assert made == Run.objects.count() > 0

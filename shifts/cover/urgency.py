"""How urgent an empty driver's seat is."""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

from shifts.models import Policy, Run
from shifts.schedule.clock import local_date
from shifts.seats.keeping import regulars_of, release_day
from sites.models import Programme


class Level(StrEnum):
    NOW = "now"
    URGENT = "urgent"
    SOON = "soon"
    LATER = "later"


def level(run: Run, *, at: datetime, policy: Policy) -> Level:
    """By how soon the run starts; the steps are the programme's schedule numbers."""
    left = run.starts_at - at
    if left <= timedelta(hours=policy.now_hours):
        return Level.NOW
    if left <= timedelta(hours=policy.urgent_hours):
        return Level.URGENT
    if left <= timedelta(days=policy.soon_days):
        return Level.SOON
    return Level.LATER


def unfilled_soon(*, at: datetime, policy: Policy) -> list[Run]:
    """The runs whose empty driver's seat is soon or more urgent, the most urgent first, `with_people`.

    Closed ones are left out, and those that are kept for their regular driver or crew; those that have
    started stay until they are over.
    """
    steps = timedelta(hours=policy.now_hours), timedelta(hours=policy.urgent_hours)
    until = at + max(*steps, timedelta(days=policy.soon_days))
    runs = Run.objects.on_the_books().not_over(at).filter(starts_at__lte=until)
    found = list(runs.unfilled().without_closed().with_people())
    regulars = regulars_of(found)
    if not regulars:
        return found
    today = local_date(at, Programme.current().zone)
    return [run for run in found if run.pk not in regulars or release_day(run, policy) <= today]

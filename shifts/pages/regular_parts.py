"""Regular runs as the volunteer's pages name them: how often, the next date, whether one may be begun."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.urls import reverse
from django.utils.timezone import localdate

from shifts.models import Run
from shifts.pages import volunteer_parts as parts
from shifts.seats.keeping import how_often, keeps, with_skips
from volunteers.models import Person


def my_regular_runs(person: Person, at: datetime) -> list[dict[str, Any]]:
    """The regular runs of a person, with the next date of each. Where the weekly run changes for good and
    another one follows, the two are one to them. The number of queries does not grow."""
    standings = list(
        with_skips(person.standings.going_on(localdate(at))).prefetch_related("shift__terms", "members")
    )
    if not standings:
        return []
    ahead = Run.objects.filter(shift__in={one.shift_id for one in standings}).on_the_books().ahead(at)
    runs = list(ahead.without_closed())
    followed = {one.succeeds_id for one in standings}
    shown: dict[int, dict[str, Any]] = {}
    for standing in standings:
        coming = next((run for run in runs if keeps(standing, run)), None)
        if standing.succeeds_id in shown or (coming is None and standing.pk in followed):
            continue
        shown[standing.pk] = {
            "url": reverse("regular", args=[standing.pk]),
            "name": standing.shift.name,
            "crew": standing.crew,
            "often": how_often(standing),
            "next": parts.when(coming.starts_at) if coming else "",
        }
    return list(shown.values())


def may_begin(run: Run, person: Person, at: datetime) -> bool:
    """Whether to offer a run as a regular one: it is nobody's on that date, and they have no other share of
    it. The page that follows asks everything."""
    day = run.slot_date
    if run.shift is None or day is None or run.starts_at <= at or run.is_cancelled:
        return False
    regulars = run.shift.standings.going_on(day)
    return not any(one.person_id == person.pk or one.has(day) for one in regulars)

"""With whom a talk is suggested: somebody who did not come to a run, and again within some weeks. It is said
to coordinators only, and nothing follows by itself."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction

from shifts.models import NoShow, Policy
from shifts.schedule.clock import local_date
from sites.log import record
from sites.models import Event, Programme
from volunteers.models import Person

TALKED = "talked"


def talks_suggested(*, at: datetime, people: Iterable[Person] | None = None) -> dict[Person, list[NoShow]]:
    """Who has not come twice or more within the programme's number of days, with these times, the newest
    first; not those with whom a coordinator has talked since. Of everybody, or of `people`. Two queries."""
    day = local_date(at, Programme.current().zone)
    recent = NoShow.objects.standing().on_days(day - timedelta(days=Policy.current().talk_days), day)
    if people is not None:
        recent = recent.filter(booking__person__in=list(people))
    missed: dict[Person, list[NoShow]] = {}
    rows = recent.filter(booking__person__left_on=None).select_related("booking__run", "booking__person")
    for one in rows.order_by("-booking__run__starts_at"):
        missed.setdefault(one.booking.person, []).append(one)
    again = {person: times for person, times in missed.items() if len(times) > 1}
    talked = Event.objects.newest_of_each([person.pk for person in again], verbs=[TALKED])
    return {
        person: times
        for person, times in sorted(again.items(), key=lambda pair: pair[0].name)
        if person.pk not in talked or talked[person.pk].at < max(one.at for one in times)
    }


@transaction.atomic
def have_talked(person: Person, *, by: Any, at: datetime | None = None) -> None:
    """A coordinator talked with them: no talk is suggested until they miss a run again."""
    record(verb=TALKED, subject=person, person=person, by=by, at=at)

"""Hours given beside driving, such as sorting or office work: noted by hand, and taken back."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Sum
from django.utils import timezone
from django.utils.translation import gettext as _

from sites.log import record
from volunteers.models import HelpHours, Person
from volunteers.progress import NotPossible, today

QUARTER = 15  # minutes; hours are noted in quarters
DAY = 24 * 60  # minutes
FURTHEST_BACK = timedelta(days=366)  # an older day is more likely a slip
TWICE = timedelta(minutes=1)  # the same again so soon is a button tapped twice


@transaction.atomic
def note_help(
    person: Person, *, day: date, minutes: int, what: str = "", by: Any, at: datetime | None = None
) -> HelpHours:
    """Notes time somebody gave on a day that has come, in whole quarters of an hour. Raises NotPossible."""
    at = at or timezone.now()
    person = Person.objects.locked().get(pk=person.pk)
    live = HelpHours.objects.live().filter(person=person, day=day)
    same = live.filter(minutes=minutes, what=what, at__gt=at - TWICE).first()
    if same:
        return same
    if day > today(at):
        raise NotPossible(_("That day is still to come. Note the hours when they are done."))
    if day < today(at) - FURTHEST_BACK:
        raise NotPossible(_("That is more than a year ago. Look at the year."))
    if minutes <= 0 or minutes % QUARTER:
        raise NotPossible(_("Give the time in quarter hours, such as 0.25, 1.5 or 3."))
    if minutes + (live.aggregate(sum=Sum("minutes"))["sum"] or 0) > DAY:
        raise NotPossible(_("That makes more than 24 hours on this day. Look at what is noted already."))
    row = HelpHours.objects.create(person=person, day=day, minutes=minutes, what=what, at=at, by=by)
    record(verb="help noted", subject=row, person=person, by=by, after=facts_of(row), at=at)
    return row


@transaction.atomic
def take_back_help(row: HelpHours, *, by: Any, at: datetime | None = None) -> bool:
    """Ends an entry that was a mistake. False when that was done already."""
    at = at or timezone.now()
    changed = HelpHours.objects.live().filter(pk=row.pk).update(ended_at=at)
    if changed:
        record(verb="help taken back", subject=row, person=row.person, by=by, before=facts_of(row), at=at)
    return bool(changed)


def facts_of(row: HelpHours) -> dict[str, Any]:
    return {"day": row.day, "minutes": row.minutes, "what": row.what}


def in_hours(minutes: int) -> str:
    """Minutes as hours with as few digits as they need: "1.5"."""
    return f"{minutes / 60:g}"

"""Whether somebody is free for a run: by the days they are away and the hours they say; in the database, and
of hours and absences at hand."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, time
from typing import Protocol
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q
from django.utils import timezone

from shifts.models import Run
from sites.models import Programme
from volunteers.models import Availability, Away, Person

When = tuple[int, time, time]  # weekday (0 is Monday), start and end on the programme's clock


class Hours(Protocol):
    weekday: int
    begins: time
    ends: time


class Absence(Protocol):
    first: date
    last: date


def span(run: Run, zone: ZoneInfo) -> When:
    """When a run is. One past midnight is asked of those who are free until the day's end."""
    start, end = timezone.localtime(run.starts_at, zone), timezone.localtime(run.ends_at, zone)
    return start.weekday(), start.time(), end.time() if end.date() == start.date() else time(23, 59)


def is_free(run: Run) -> Q:
    """Of people: not away that day, and either usually free for the whole run or silent about their hours."""
    weekday, begins, ends = span(run, Programme.current().zone)
    hours = Availability.objects.filter(person=OuterRef("pk"))
    suits = hours.filter(weekday=weekday, begins__lte=begins, ends__gte=ends)
    away = Away.objects.filter(person=OuterRef("pk"), first__lte=run.local_date, last__gte=run.local_date)
    return Q(~Exists(away)) & (Q(~Exists(hours)) | Q(Exists(suits)))


def why_not_free(hours: Iterable[Hours], absences: Iterable[Absence], day: date, when: When) -> str:
    """`is_free` of one person's hours and absences: why not, or nothing."""
    if any(away.first <= day <= away.last for away in absences):
        return "away that day"
    weekday, begins, ends = when
    said = False
    for hour in hours:
        if hour.weekday == weekday and hour.begins <= begins and hour.ends >= ends:
            return ""
        said = True
    return "not usually free then" if said else ""


def not_free(person: Person, run: Run, zone: ZoneInfo) -> str:
    """The same of a person with hours and absences at hand."""
    return why_not_free(person.hours.all(), person.absences.all(), run.local_date, span(run, zone))

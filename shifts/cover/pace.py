"""How long the way to the first run alone takes, from what was recorded."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from statistics import median

from django.db.models import Exists, Min, OuterRef

from shifts.models import Booking, Run
from shifts.models.booking import BookingQuerySet
from sites.models import Programme
from volunteers.models import Completion, Person
from volunteers.progress import add_months
from volunteers.roster.plan import DROVE_BEFORE

MONTHS = 12  # back from today
FIRST_RUN = "First run alone"


@dataclass(frozen=True)
class Pace:
    """Days from joining to the first run alone, of those who had it in the last 12 months. `days` None:
    nobody yet. `longest` is the step, by its title, that was waited for longest; its median in days."""

    people: int = 0
    days: float | None = None
    longest: str = ""
    longest_days: float | None = None


def driven_alone(at: datetime) -> BookingQuerySet:
    """Bookings of the driver's seat on runs that took place and are over."""
    runs = Run.objects.on_the_books().without_closed().filter(ends_at__lte=at)
    return Booking.objects.live().drivers().filter(run__in=runs.order_by())


def pace(*, at: datetime) -> Pace:
    """The medians over the last 12 months. Whoever drove before the programme kept its books here is left
    out: their way cannot be seen. Three queries, and the programme's zone."""
    day = at.astimezone(Programme.current().zone).date()
    alone = driven_alone(at).order_by().values_list("person").annotate(first=Min("run__local_date"))
    first_run = {person: first for person, first in alone if first > add_months(day, -MONTHS)}
    before = Completion.objects.filter(person=OuterRef("pk"), reason=DROVE_BEFORE)
    people = Person.objects.filter(pk__in=first_run).exclude(Exists(before)).order_by()
    joined_on = {
        pk: joined for pk, joined in people.values_list("pk", "joined_on") if joined <= first_run[pk]
    }
    if not joined_on:
        return Pace()
    done = first_done(joined_on)
    took: dict[str, list[int]] = defaultdict(list)
    for pk, joined in joined_on.items():
        for what, days in waits(joined, done[pk], first_run[pk]):
            took[what].append(days)
    medians = {what: median(days) for what, days in took.items()}
    longest = max(medians, key=lambda what: (medians[what], what))
    days = median((first_run[pk] - joined).days for pk, joined in joined_on.items())
    return Pace(len(joined_on), days, longest, medians[longest])


def first_done(people: dict[int, date]) -> dict[int, dict[str, date]]:
    """By person and title, when each of the programme's own steps was done for the first time."""
    done: dict[int, dict[str, date]] = defaultdict(dict)
    rows = Completion.objects.standing().filter(person__in=people, step__site=None)
    for person, title, first in (
        rows.order_by().values_list("person", "step__title").annotate(first=Min("valid_from"))
    ):
        done[person][title] = first
    return done


def waits(joined: date, done: dict[str, date], first_run: date) -> Iterator[tuple[str, int]]:
    """What was waited for, one thing after the other, and how many days for each."""
    last = joined
    for title, day in sorted(done.items(), key=lambda pair: (pair[1], pair[0])):
        if last <= day <= first_run:
            yield title, (day - last).days
            last = day
    yield FIRST_RUN, (first_run - last).days

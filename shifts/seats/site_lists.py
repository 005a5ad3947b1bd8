"""Who comes to a site in a week: for the wall of its dock, and by mail once a week.

First names only: a site learns nobody's phone, address or surname, and no identity of a calendar entry.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from django.utils import timezone
from django.utils.translation import override

from shifts.models import Booking, Run, Stop
from shifts.models.standing import monday_of
from shifts.schedule.clock import instant
from sites.models import Closure, Programme, Site
from volunteers import outbox
from volunteers.models import Message

FRIDAY, AT_THREE = 4, time(15, 0)  # when next week's list goes out; common practice, no published source
KIND = "site list"


@dataclass(frozen=True)
class Visit:
    """A run as one site sees it. `at` is when it comes there; `crates` 0: nobody has said."""

    at: datetime
    title: str
    who: str
    crates: int


@dataclass(frozen=True)
class Day:
    date: date
    closed: str  # why the site is closed that day, or "closed"; "" where it is open
    visits: list[Visit]


def week_of(site: Site, day: date) -> list[Day]:
    """Monday to Sunday around a date, each with who comes when; five queries."""
    dates = [monday_of(day) + timedelta(days=number) for number in range(7)]
    closures = list(site.closures.standing().filter(first__lte=dates[-1], last__gte=dates[0]))
    visits: dict[date, list[Visit]] = {date: [] for date in dates}
    runs = Run.objects.on_days(dates[0], dates[-1]).on_the_books()
    for run in runs.filter(pk__in=Stop.objects.filter(site=site).values("run")).with_closed().with_people():
        for stop in run.ordered_stops:
            if stop.site_id == site.pk:
                visits[run.local_date].append(visit_of(run, stop))
    return [day_of(date, closures, visits[date]) for date in dates]


def day_of(day: date, closures: list[Closure], visits: list[Visit]) -> Day:
    for closure in closures:
        if closure.first <= day <= closure.last:
            return Day(day, closed=closure.reason or "closed", visits=[])
    return Day(day, closed="", visits=sorted(visits, key=lambda visit: visit.at))


def visit_of(run: Run, stop: Stop) -> Visit:
    return Visit(at=run.arrives_at(stop), title=run.title, who=who_comes(run), crates=run.crates)


def who_comes(run: Run) -> str:
    """First names; of others in the car, and of anybody under 18, only how many. Nobody is named while
    another of the run's sites is closed: it may not take place."""
    seated = {booking.seat: booking for booking in run.seated}
    driver, second = seated.get(Booking.Seat.DRIVER), seated.get(Booking.Seat.SECOND)
    if run.closed or not driver:
        return "to be confirmed"
    named = [second.person.first_name] if second and second.person.is_adult else []
    more = driver.also_count + (1 if second and not named else 0)
    along = [*named, str(more)] if more else named
    first = driver.person.first_name
    return f"{first}, with {' and '.join(along)} riding along" if along else first


# --- by mail


def mail_list(site: Site, day: date, *, at: datetime, key: str = "") -> Message:
    """Owes the site the list of the week around a date. It is of no use once that week is over."""
    programme = Programme.current()
    with timezone.override(programme.zone), override("en"):
        days = week_of(site, day)
        some = any(one.visits for one in days)
        context = {"site": site, "days": days, "some": some, "programme": programme}
        mail = outbox.render("site_list", context)
    return outbox.write(
        address=site.list_email,
        name=site.name,
        mail=mail,
        kind=KIND,
        key=key,
        expires_at=instant(days[-1].date + timedelta(days=1), time.min, programme.zone),
        at=at,
        programme=programme,
    )


def week_to_tell(at: datetime, zone: ZoneInfo) -> date | None:
    """The Monday of the week whose list is due at a moment: from Friday at three until Sunday night, in the
    programme's zone, the coming one. None before."""
    local = at.astimezone(zone)
    if (local.weekday(), local.time()) < (FRIDAY, AT_THREE):
        return None
    return monday_of(local.date()) + timedelta(weeks=1)


def owe_site_lists(at: datetime) -> int:
    """Owes every site that wants one its list of the coming week, once; how many were owed now. May be
    called as often as one likes: a worker that was down on Friday catches up until Sunday night."""
    monday = week_to_tell(at, Programme.current().zone)
    if monday is None:
        return 0
    wanted = {f"site-list:{site.pk}:{monday}": site for site in Site.objects.in_use().exclude(list_email="")}
    owed_before = set(Message.objects.filter(key__in=wanted).values_list("key", flat=True))
    count = 0
    for key, site in wanted.items():
        if key not in owed_before:
            count += owe_once(site, monday, key=key, at=at)
    return count


def owe_once(site: Site, monday: date, *, key: str, at: datetime) -> bool:
    try:
        with transaction.atomic():
            mail_list(site, monday, key=key, at=at)
    except IntegrityError:  # another worker was first
        return False
    return True

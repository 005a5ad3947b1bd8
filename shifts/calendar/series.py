"""A regular run as calendars understand it: one rule, the dates left out, the runs that were moved.

As far as runs are made, its dates are exactly those with a live booking on a run that takes place. Beyond,
they are the rule's, less skips and closed dates, until it ends or papers run out.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import OuterRef, Prefetch, Subquery

from shifts.models import Booking, Run, ShiftTerm, Skip, Standing, Stop
from shifts.models.standing import StandingQuerySet
from shifts.schedule import recurrence
from shifts.schedule.clock import instant
from sites.models import Closure

A_GAP = timedelta(days=200)  # longer than any of our rules waits for its next date, whatever the pattern


@dataclass(frozen=True)
class Series:
    """What a regular run's calendar entry shows. Dates are those the rule gave: `first` and the last,
    `until` (None: without an end), both on the rule; `left_out` between them. `shown` are the bookings on
    these dates, as far as runs are made."""

    standing: Standing
    term: ShiftTerm
    zone: ZoneInfo
    first: date
    until: date | None
    left_out: tuple[date, ...]
    shown: tuple[Booking, ...] = ()

    def starts_on(self, day: date) -> datetime:
        """The moment, in UTC, at which the run of a rule date starts when nothing was moved."""
        return instant(day, self.term.starts, self.zone)

    def wall(self, day: date) -> datetime:
        """The same as the clock on the wall shows it, which is how DTSTART, EXDATE and RECURRENCE-ID name a
        date of the rule; also where the clocks skip that time."""
        return datetime.combine(day, self.term.starts, tzinfo=self.zone)

    @property
    def length(self) -> timedelta:
        return timedelta(minutes=self.term.minutes)

    @cached_property
    def rule(self) -> str:
        """RRULE text; UNTIL in UTC, as RFC 5545 3.3.10 wants it beside a start with a zone."""
        rule = self.term.rule
        if self.standing.pattern == Standing.Pattern.OTHER:
            rule = recurrence.weekly(recurrence.read(rule).weekdays, every=2)
        if self.until is None:
            return rule
        return f"{rule};UNTIL={self.starts_on(self.until):%Y%m%dT%H%M%SZ}"

    @cached_property
    def stops(self) -> tuple[tuple[int, int], ...]:
        return tuple((stop.site_id, stop.after_minutes) for stop in self.term.stops.all())

    @property
    def overridden(self) -> list[Booking]:
        """Those whose run has another time, place or note than the rule's."""
        return [booking for booking in self.shown if booking.run.note or self.is_moved(booking.run)]

    def is_moved(self, run: Run) -> bool:
        """Whether a run is elsewhere or at another time than the rule says; a note alone is no move."""
        assert run.slot_date is not None
        stops = tuple((stop.site_id, stop.after_minutes) for stop in run.ordered_stops)
        starts_at = self.starts_on(run.slot_date)
        return (run.starts_at, run.ends_at, stops) != (starts_at, starts_at + self.length, self.stops)


def is_one_entry(standing: Standing, rule: str) -> bool:
    """Whether common calendars take it as one rule; otherwise each run is an entry of its own.

    Several weekdays of a month in one rule are refused by some (Microsoft KB 2643084: one BYDAY). Of what
    a crew holds, only those who are named have entries.
    """
    simple = standing.pattern in (Standing.Pattern.EVERY, Standing.Pattern.OTHER)
    return simple and not standing.crew and len(recurrence.read(rule).nths) <= 1


def for_calendars(standings: StandingQuerySet) -> Any:
    """With all that `series_of` reads, in a number of queries that does not grow with them."""
    made = Run.objects.filter(shift=OuterRef("shift")).order_by("-slot_date").values("slot_date")[:1]
    stops = Stop.objects.select_related("site").prefetch_related("site__contacts")
    runs = Run.objects.with_closed().prefetch_related(Prefetch("stops", queryset=stops))
    driven = Booking.objects.live().filter(run__cancelled_at=None).prefetch_related(Prefetch("run", runs))
    return (
        standings.annotate(made_until=Subquery(made))
        .select_related("shift", "person")
        .prefetch_related(
            Prefetch("skips", queryset=Skip.objects.standing()),
            Prefetch("bookings", queryset=driven, to_attr="driven"),
            "shift__terms__stops__site__contacts",
            Prefetch("shift__terms__stops__site__closures", queryset=Closure.objects.standing()),
        )
    )


def series_of(standing: Any, zone: ZoneInfo) -> Series | None:
    """A regular run's series; None where it has no date, or cannot be one entry. The standing comes from
    `for_calendars`, with `driven`, its live bookings, and `made_until`, the last date with a run made."""
    term = term_of(standing)
    if term is None or not is_one_entry(standing, term.rule):
        return None
    driven = {b.run.slot_date: b for b in standing.driven if b.run.slot_date and not b.run.closed}
    made = standing.made_until or date.min
    last = last_day(standing, driven)
    dates = regular_dates(standing, term, last or far_enough(standing, term, made))
    on = {day for day in dates if (day in driven if day <= made else not is_out(standing, term, day))}
    if not on:
        return None
    if last is not None:
        dates = [day for day in dates if day <= max(on)]
    return Series(
        standing=standing,
        term=term,
        zone=zone,
        first=dates[0],
        until=dates[-1] if last is not None else None,
        left_out=tuple(day for day in dates if day not in on),
        shown=tuple(driven[day] for day in dates if day in driven),
    )


def root_of(standing: Standing, zone: ZoneInfo) -> Series | None:
    """The whole rule and nothing else: what a cancellation names. None for what never had a date."""
    term = term_of(standing)
    if term is None:
        return None
    dates = recurrence.slot_dates(
        term.rule, term.anchor, max(standing.from_day, term.applies_from), standing.from_day + A_GAP
    )
    return Series(standing, term, zone, first=dates[0], until=None, left_out=()) if dates else None


def term_of(standing: Standing) -> ShiftTerm | None:
    """The term whose rule, hour and stops it follows. It ends where these change, so one is enough."""
    day = standing.from_day
    terms = [
        term for term in standing.shift.terms.all() if term.applies_until is None or term.applies_until > day
    ]
    return terms[0] if terms else None


def last_day(standing: Standing, driven: dict[date, Booking]) -> date | None:
    """The last day it can have: it ends, or nobody can drive it any more; but not before a booking."""
    ends = standing.until_day - timedelta(days=1) if standing.until_day else None
    known = [day for day in (ends, standing.cleared_until) if day]
    return max([min(known), *driven]) if known else None


def far_enough(standing: Standing, term: ShiftTerm, made: date) -> date:
    """The day up to which dates can be left out, where it goes on without an end; and one date beyond."""
    skips = [skip.last for skip in standing.skips.all()]
    closed = [closure.last for stop in term.stops.all() for closure in stop.site.closures.all()]
    return max([standing.from_day, made, *skips, *closed]) + A_GAP


def regular_dates(standing: Standing, term: ShiftTerm, last: date) -> list[date]:
    """The rule dates that are this regular run's, from its first day to a date, both included."""
    first = max(standing.from_day, term.applies_from)
    days = recurrence.slot_dates(term.rule, term.anchor, first, last)
    return [day for day in days if standing.has(day)]


def is_out(standing: Standing, term: ShiftTerm, day: date) -> bool:
    """Whether a date beyond the runs that are made is skipped, or one of the sites is closed."""
    return standing.skips_day(day) or any(
        closure.first <= day <= closure.last
        for stop in term.stops.all()
        for closure in stop.site.closures.all()
    )

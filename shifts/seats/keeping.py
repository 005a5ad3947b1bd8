"""What a regular run keeps: which run is whose, until when it is kept for them, and the dates left out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Prefetch, Q
from django.utils.translation import gettext as _

from shifts.calendar.series import term_of
from shifts.models import Booking, Policy, Run, Skip, Standing, Stop
from shifts.models.standing import StandingQuerySet
from shifts.schedule import recurrence
from shifts.schedule.clock import local_date
from sites.models import Programme
from volunteers.models import NotAt, Person


def with_skips(standings: StandingQuerySet) -> StandingQuerySet:
    return standings.select_related("person", "shift").prefetch_related(
        Prefetch("skips", queryset=Skip.objects.standing())
    )


def keeps(standing: Standing, run: Run) -> bool:
    """Whether the run is one of this regular run's: its weekly run, one of its dates, not skipped."""
    return (
        standing.shift_id == run.shift_id
        and run.slot_date is not None
        and standing.has(run.slot_date)
        and not standing.skips_day(run.slot_date)
    )


def regular_of(run: Run, person: Person) -> Standing | None:
    """The person's own regular run that this run is a date of, skipped or not; None for any other run."""
    if run.shift_id is None or run.slot_date is None:
        return None
    mine = Standing.objects.on(run.slot_date).filter(shift=run.shift_id, person=person, crew="")
    return next((standing for standing in mine if standing.has(run.slot_date)), None)


def holds(standing: Standing, person: Person) -> bool:
    """Whether a run that is kept is kept for this person: theirs, or of a crew that they are in."""
    if standing.person_id == person.pk:
        return True
    return bool(standing.crew) and standing.members.filter(pk=person.pk).exists()


def release_day(run: Run, policy: Policy) -> date:
    """The day from which a run is no longer kept for a regular driver who is not ready."""
    return run.local_date - timedelta(days=policy.keep_days)


def regulars_of(runs: Iterable[Run]) -> dict[int, Standing]:
    """By the run's key, the regular run that each is a date of: three queries however many there are."""
    runs = [run for run in runs if run.shift_id]
    days = [run.slot_date for run in runs if run.slot_date]
    if not days:
        return {}
    first, last = min(days), max(days)
    standings = list(
        with_skips(
            Standing.objects.filter(shift__in={run.shift_id for run in runs}, from_day__lte=last).filter(
                Q(until_day=None) | Q(until_day__gt=first)
            )
        )
    )
    elsewhere = barred_from(runs, standings)
    found: dict[int, Standing] = {}
    for run in runs:
        for standing in standings:
            if keeps(standing, run) and (standing.crew or (run.pk, standing.person_id) not in elsewhere):
                found.setdefault(run.pk, standing)
    return found


def barred_from(runs: Sequence[Run], standings: Sequence[Standing]) -> set[tuple[int, int]]:
    """Pairs of run and regular driver who is not to be sent to one of its sites: for them nothing is kept.
    One query; none where nobody drives regularly."""
    if not standings:
        return set()
    people = [standing.person_id for standing in standings]
    stops = Stop.objects.filter(
        run__in=runs, site__not_these__in=NotAt.objects.live().filter(person__in=people)
    )
    return set(stops.values_list("run", "site__not_these__person"))


def kept_for(runs: Sequence[Run], *, at: datetime) -> dict[int, Standing]:
    """By the run's key, for whom a run without a driver is kept at a moment: its regular has not skipped it,
    and it is not near yet. Whether somebody sits there is the caller's knowledge."""
    policy, today = Policy.current(), local_date(at, Programme.current().zone)
    return regulars_of(run for run in runs if release_day(run, policy) > today)


def how_often(standing: Standing) -> str:
    """Such as "every Tuesday" or "the 1st and 3rd Tuesday of the month"."""
    term = term_of(standing)
    return often_in_words(term.rule, standing.pattern) if term else ""


def often_in_words(rule: str, pattern: str) -> str:
    weekdays = recurrence.read(rule).weekdays
    if pattern == Standing.Pattern.OTHER:
        return recurrence.in_words(recurrence.weekly(weekdays, every=2))
    nths = {str(Standing.Pattern.FIRST_THIRD): (1, 3), str(Standing.Pattern.SECOND_FOURTH): (2, 4)}.get(
        pattern
    )
    if nths and len(weekdays) == 1:
        return recurrence.in_words(recurrence.monthly(nths, weekdays[0]))
    if nths:
        label = str(Standing.Pattern(pattern).label)
        return _("%(days)s, %(which)s") % {"days": recurrence.in_words(rule), "which": label}
    return recurrence.in_words(rule)


# --- dates left out; the caller holds the person's lock


def skip_day(standing: Standing, day: date, *, reason: str, by: Any, at: datetime) -> Skip:
    """Leaves out one date; the skip that covers it already, where there is one."""
    for skip in standing.skips.standing().filter(first__lte=day, last__gte=day):
        return skip
    return Skip.objects.create(standing=standing, first=day, last=day, reason=str(reason)[:200], at=at, by=by)


def leave_out_day(booking: Booking, *, by: Any, at: datetime) -> None:
    """A run of a regular run was given back: that date stays left out, should the run be made anew."""
    standing, day = booking.standing, booking.run.slot_date
    if standing and day and standing.has(day):
        # Whoever drives it reads the reason; that they did not come is not put in writing to them.
        reason = "" if booking.end == Booking.End.NO_SHOW else booking.get_end_display()
        skip_day(standing, day, reason=reason, by=by, at=at)


def lift_skips(standing: Standing, day: date | None, *, by: Any, at: datetime) -> None:
    """A date is theirs again. A longer skip goes on before and after it."""
    if day is None:
        return
    for skip in standing.skips.standing().filter(first__lte=day, last__gte=day):
        Skip.objects.filter(pk=skip.pk).update(lifted_at=at)
        for first, last in ((skip.first, day - timedelta(days=1)), (day + timedelta(days=1), skip.last)):
            if first <= last:
                Skip.objects.create(
                    standing=standing, first=first, last=last, reason=skip.reason, at=at, by=by
                )


def live_bookings(standing: Standing) -> Any:
    return Booking.objects.live().filter(standing=standing).select_related("run", "person")

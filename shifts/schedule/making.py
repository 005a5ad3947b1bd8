"""Weekly runs, and the runs they make ahead. A run is made once for a shift and the date its rule gave."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Prefetch
from django.utils import timezone

from shifts.models import Policy, Run, Shift, ShiftTerm, Stop, TermStop
from shifts.schedule import recurrence
from shifts.schedule.clock import instant, local_date
from sites.log import record
from sites.models import Programme


@dataclass(frozen=True)
class Plan:
    """What a weekly run is: the facts of a term. `stops` are (site id, minutes after the start)."""

    rule: str
    starts: time
    minutes: int
    stops: tuple[tuple[int, int], ...]
    crates: int = 0
    second_seat: bool = True


def horizon(at: datetime, policy: Policy, zone: ZoneInfo) -> date:
    """The last date, in the programme's zone, for which runs are made."""
    return local_date(at, zone) + timedelta(weeks=policy.weeks_ahead)


@transaction.atomic
def add_shift(*, name: str, plan: Plan, from_day: date, by: Any, at: datetime | None = None) -> Shift:
    """A new weekly run from a date on, with its runs as far ahead as runs are made."""
    at = at or timezone.now()
    shift = Shift.objects.create(name=name)
    add_term(shift, plan, from_day=from_day, anchor=from_day)
    record(verb="added", subject=shift, by=by, at=at, after={"from": from_day, **plan_facts(plan)})
    make_runs(shift, at=at)
    return shift


def add_term(shift: Shift, plan: Plan, *, from_day: date, anchor: date) -> ShiftTerm:
    recurrence.check(plan.rule)
    term = ShiftTerm.objects.create(
        shift=shift,
        applies_from=from_day,
        anchor=anchor,
        rule=plan.rule,
        starts=plan.starts,
        minutes=plan.minutes,
        crates=plan.crates,
        second_seat=plan.second_seat,
    )
    TermStop.objects.bulk_create(
        TermStop(term=term, position=position, site_id=site, after_minutes=after)
        for position, (site, after) in enumerate(plan.stops, start=1)
    )
    return term


def plan_facts(plan: Plan) -> dict[str, Any]:
    return {
        "rule": plan.rule,
        "starts": plan.starts,
        "minutes": plan.minutes,
        "crates": plan.crates,
        "second seat": plan.second_seat,
        "stops": str(list(plan.stops)),
    }


def make_runs_ahead(*, at: datetime | None = None, until: date | None = None) -> int:
    """Makes the runs of every weekly run that are not made yet; the number made. Safe to repeat.

    Some weekly runs at a time are a transaction, so that nobody's booking waits for all of them.
    """
    at = at or timezone.now()
    programme, policy = Programme.current(), Policy.current()
    until = until or horizon(at, policy, programme.zone)
    shifts = list(Shift.objects.in_use(local_date(at, programme.zone)).order_by("pk"))
    return sum(
        make_runs(*shifts[first : first + TOGETHER], at=at, until=until, zone=programme.zone)
        for first in range(0, len(shifts), TOGETHER)
    )


TERMS = Prefetch("terms", queryset=ShiftTerm.objects.prefetch_related("stops"))
TOGETHER = 10  # weekly runs in one transaction: a year of them is written in a fraction of a second


@transaction.atomic
def make_runs(*shifts: Shift, at: datetime, until: date | None = None, zone: ZoneInfo | None = None) -> int:
    """Makes the runs of some shifts from now until a date, both included; the number made. Safe to repeat."""
    zone = zone or Programme.current().zone
    until = until or horizon(at, Policy.current(), zone)
    today = local_date(at, zone)
    ids = [shift.pk for shift in shifts]
    held = Shift.objects.select_for_update(of=("self",), no_key=True).filter(pk__in=ids).order_by("pk")
    # Terms are read under the lock: a change of the weekly run that came first must be seen.
    shifts = tuple(held.prefetch_related(TERMS))
    made = set(Run.objects.filter(shift__in=ids, slot_date__gte=today).values_list("shift", "slot_date"))
    runs, terms = [], []
    for shift in shifts:
        for term, day in slots(shift, today, until):
            starts_at = instant(day, term.starts, zone)
            if (shift.pk, day) not in made and starts_at > at:
                runs.append(Run(shift_id=shift.pk, slot_date=day, **run_facts(shift, term, day, starts_at)))
                terms.append(term)
    Run.objects.bulk_create(runs)
    Stop.objects.bulk_create(
        stop for run, term in zip(runs, terms, strict=True) for stop in stops_of(run, term)
    )
    return len(runs)


def slots(shift: Shift, first: date, last: date) -> Iterator[tuple[ShiftTerm, date]]:
    """The shift's terms and the dates they give between two dates, both included."""
    for term in shift.terms.all():
        begin = max(first, term.applies_from)
        end = min(last, term.applies_until - timedelta(days=1)) if term.applies_until else last
        if begin <= end:
            for day in recurrence.slot_dates(term.rule, term.anchor, begin, end):
                yield term, day


def run_facts(shift: Shift, term: ShiftTerm, day: date, starts_at: datetime) -> dict[str, Any]:
    """What a run of a term is on a day, as field values."""
    return {
        "title": shift.name,
        "local_date": day,
        "starts_at": starts_at,
        "ends_at": starts_at + timedelta(minutes=term.minutes),
        "crates": term.crates,
        "second_seat": term.second_seat,
    }


def stops_of(run: Run, term: ShiftTerm) -> Iterable[Stop]:
    """The stops of a saved run, as its term has them."""
    return [
        Stop(run_id=run.pk, position=stop.position, site_id=stop.site_id, after_minutes=stop.after_minutes)
        for stop in term.stops.all()
    ]

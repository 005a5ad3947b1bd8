"""Runs without a driver that are somebody's regular run: for whom they are kept, until when, and why."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import OuterRef, Subquery
from django.utils.formats import date_format

from shifts.cover.candidates import KeysAsList
from shifts.models import Policy, Run, Standing, Stop
from shifts.schedule.clock import local_date
from shifts.seats.keeping import regulars_of, release_day
from sites.models import Programme
from volunteers.models import Step, StepTerm


@dataclass(frozen=True)
class Absent:
    """The regular driver, or crew, of a run that nobody drives.

    `until` is the day from which it is kept no longer; `is_kept`: that day is still to come. `missing` are
    the steps they lack on the run's date; none of a crew, which has named nobody.
    """

    standing: Standing
    until: date
    is_kept: bool
    missing: tuple[Step, ...]

    @property
    def name(self) -> str:
        return self.standing.crew or self.standing.person.name

    @property
    def steps(self) -> str:
        return ", ".join(step.title for step in self.missing)

    @property
    def until_words(self) -> str:
        """Short, for a seat: "kept until Dec 6"; nothing once it is kept no longer."""
        return f"kept until {date_format(self.until, 'M j')}" if self.is_kept else ""

    @property
    def why(self) -> str:
        """A sentence; nothing of somebody who is ready, and seated as soon as the worker comes by."""
        if self.standing.crew:
            return f"The crew {self.name} has named nobody yet."
        if not self.missing:
            return ""
        if self.is_kept:
            return f"Kept for {self.name} until {date_format(self.until)}. Missing: {self.steps}."
        return f"Its regular driver {self.name} is not ready: {self.steps}."


def absent_regulars(runs: Iterable[Run], *, at: datetime, policy: Policy) -> dict[int, Absent]:
    """By the run's key, of those runs `with_people` that nobody drives and that are a date of a regular run.

    No query where none has a weekly run; else six however many there are.
    """
    empty = [run for run in runs if run.shift_id and not run.has_driver and not run.is_cancelled]
    found = regulars_of(empty)
    if not found:
        return {}
    today = local_date(at, Programme.current().zone)
    lacking = missing_of_each(empty, list({standing.pk: standing for standing in found.values()}.values()))
    absent = {}
    for run in empty:
        standing = found.get(run.pk)
        if standing:
            until = release_day(run, policy)
            missing = () if standing.crew else lacking.get((standing.pk, run.pk), ())
            absent[run.pk] = Absent(standing, until, until > today, missing)
    return absent


def missing_of_each(
    runs: Sequence[Run], standings: Sequence[Standing]
) -> dict[tuple[int, int], tuple[Step, ...]]:
    """By the keys of a regular run and of a run of the same weekly run, what its driver lacks on the run's
    date: the gate over all of these pairs, in one query and another for the steps."""
    sites = Stop.objects.filter(run=OuterRef(OuterRef("shift__runs__pk"))).values("site")
    unmet = StepTerm.objects.unmet(
        person=OuterRef("person"), on=OuterRef("shift__runs__local_date"), sites=sites
    ).order_by()
    pairs = Standing.objects.filter(
        pk__in=[standing.pk for standing in standings], shift__runs__in=[run.pk for run in runs]
    ).order_by()
    lacking = {
        (standing, run): keys or []
        for standing, run, keys in pairs.values_list(
            "pk", "shift__runs__pk", Subquery(unmet.values_list(KeysAsList("step")))
        )
    }
    steps = Step.objects.in_bulk({key for keys in lacking.values() for key in keys})
    return {
        pair: tuple(sorted((steps[key] for key in keys), key=lambda step: (step.position, step.pk)))
        for pair, keys in lacking.items()
    }

"""What a coordinator fills in to change one run."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime

from shifts.models import Run
from shifts.pages.forms_fields import FURTHEST, DayField
from shifts.pages.forms_stops import LONGEST, StopsForm, agreed_sent
from shifts.schedule.clock import readings
from shifts.seats.changes import Shape, shape_of
from sites.models import Closure


class ChangeRunForm(StopsForm):
    """Another day, time, length, stops or load of one run. `shape()` is what becomes of it."""

    day = DayField(label="Day", past=False, furthest=FURTHEST)
    starts = forms.TimeField(
        label="Starts at",
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        error_messages={
            "required": "Give the time of the start.",
            "invalid": "Write a time like 8:00 am or 17:30.",
        },
    )
    minutes = forms.IntegerField(
        label="Minutes it takes",
        required=False,
        min_value=5,
        max_value=LONGEST,
        help_text="Empty: loading, the drive and unloading, as the programme reckons them.",
    )
    crates = forms.IntegerField(
        label="Crates expected",
        min_value=0,
        max_value=500,
        error_messages={"required": "Say about how many; 0 if nobody knows."},
    )

    def __init__(self, data: Any = None, *, run: Run, at: datetime, zone: ZoneInfo) -> None:
        super().__init__(data, initial=known_facts(run))
        self.run, self.at, self.zone = run, at, zone
        self.add_stops([shape_of(run).stops])

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        self.check_start(facts)
        self.check_stops(facts)
        self.check_open(facts)
        return facts

    def check_start(self, facts: dict[str, Any]) -> None:
        """The moment of the start. One that stays as it was is right even when it is over, or comes twice."""
        day, clock = facts.get("day"), facts.get("starts")
        if day is None or clock is None:
            return
        old = localtime(self.run.starts_at)
        if (day, clock) == (old.date(), old.time().replace(second=0, microsecond=0)):
            facts["starts_at"] = self.run.starts_at
            return
        moments = readings(day, clock, self.zone)
        if not moments:
            words = f"The clocks go forward that night, and {time_format(clock)} does not exist."
            self.add_error("starts", f"{words} Choose another time.")
        elif len(moments) > 1:
            words = f"The clocks go back that night, and {time_format(clock)} comes twice."
            self.add_error("starts", f"{words} Choose a time before or after.")
        elif moments[0] <= self.at:
            now = time_format(localtime(self.at))
            self.add_error("starts", f"That is over: it is {now} now. Choose a later time.")
        else:
            facts["starts_at"] = moments[0]

    def check_open(self, facts: dict[str, Any]) -> None:
        """Refuses a site that is closed on the day."""
        day = facts.get("day")
        if day is None or "stops" not in facts:
            return
        closed = {closure.site_id: closure.reason for closure in Closure.objects.on(day)}
        for name in self.stop_names:
            site = facts.get(name)
            if site and site.pk in closed:
                why = f" ({closed[site.pk]})" if closed[site.pk] else ""
                self.add_error(
                    name, f"{site} is closed on {date_format(day)}{why}. Choose another site or day."
                )

    def shape(self) -> Shape:
        facts = self.cleaned_data
        return Shape(
            starts_at=facts["starts_at"],
            ends_at=facts["starts_at"] + timedelta(minutes=facts["length"]),
            stops=facts["stops"],
            crates=facts["crates"],
            second_seat=self.run.second_seat,
        )


def known_facts(run: Run) -> dict[str, Any]:
    """The run as the form shows it."""
    start = localtime(run.starts_at)
    facts: dict[str, Any] = {
        "day": start.date(),
        "starts": start.time(),
        "minutes": int((run.ends_at - run.starts_at).total_seconds()) // 60,
        "crates": run.crates,
    }
    return facts | {f"stop_{number}": site for number, site in enumerate(run.site_ids, start=1)}


def facts_sent(run: Run) -> dict[str, str]:
    """The run as the form sends it."""
    facts = known_facts(run)
    facts["starts"] = f"{facts['starts']:%H:%M}"
    return {name: str(value) for name, value in facts.items()} | {"agreed": agreed_sent(shape_of(run).stops)}

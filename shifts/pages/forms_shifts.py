"""What a coordinator fills in about weekly runs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms

from shifts.models import ShiftTerm
from shifts.pages.forms_fields import FURTHEST, DayField, LineField
from shifts.pages.forms_stops import LONGEST, StopsForm, agreed_sent
from shifts.schedule import recurrence
from shifts.schedule.making import Plan
from volunteers.progress import today

WEEKDAYS = [
    (0, "Monday"),
    (1, "Tuesday"),
    (2, "Wednesday"),
    (3, "Thursday"),
    (4, "Friday"),
    (5, "Saturday"),
    (6, "Sunday"),
]
EVERY = [(1, "every week")] + [
    (weeks, f"every {weeks} weeks") for weeks in range(2, recurrence.LONGEST_GAP_IN_WEEKS + 1)
]
NTHS = [(1, "1st"), (2, "2nd"), (3, "3rd"), (4, "4th"), (recurrence.LAST, "last")]


class ShiftForm(StopsForm):
    """A weekly run from a date on. `plan()` is what the schedule makes of it."""

    name = LineField(
        label="Name",
        max_length=80,
        help_text="Like: Corner Grocer, mornings.",
        error_messages={"required": "Write a name."},
    )
    weekdays = forms.TypedMultipleChoiceField(
        label="On these days",
        choices=WEEKDAYS,
        coerce=int,
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose at least one day of the week."},
    )
    every = forms.TypedChoiceField(label="How often", choices=EVERY, coerce=int, initial=1)
    nths = forms.TypedMultipleChoiceField(
        label="Or by the month: only the",
        choices=NTHS,
        coerce=int,
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Like: the 1st and 3rd Tuesday of the month. Leave it empty for a run by the week.",
    )
    starts = forms.TimeField(
        label="Starts at",
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        help_text="On the clock in town: 8:00 a.m. stays 8:00 a.m. when the clocks change.",
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
        initial=0,
        help_text="16-quart crates; 0 where nobody knows. A car that holds fewer is not asked.",
        error_messages={"required": "Say about how many; 0 if nobody knows."},
    )
    second_seat = forms.BooleanField(
        label="Has a second seat",
        required=False,
        initial=True,
        help_text="Somebody may ride along: a trainee with a lead driver, or a helper.",
    )
    from_day = DayField(label="From", past=False, furthest=FURTHEST)

    def __init__(self, *args: Any, terms: Sequence[ShiftTerm] = (), **options: Any) -> None:
        super().__init__(*args, **options)
        others = {name: self.fields.pop(name) for name in list(self.fields) if name != "name"}
        self.add_stops([plan_of(term).stops for term in terms])
        self.fields.update(others)
        self.fields["from_day"].initial = max([today(), *(term.applies_from for term in terms[-1:])])

    @property
    def rest(self) -> list[Any]:
        """The fields that stand below the day rule."""
        return [self[name] for name in ("starts", "minutes", "crates", "second_seat", "from_day")]

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        self.check_rule(facts)
        self.check_stops(facts)
        return facts

    def check_rule(self, facts: dict[str, Any]) -> None:
        weekdays, every, nths = facts.get("weekdays"), facts.get("every"), facts.get("nths")
        if not weekdays or every is None or nths is None:
            return
        if nths and len(weekdays) > 1:
            self.add_error("weekdays", "By the month, choose one day of the week only.")
        elif nths and every != 1:
            self.add_error("every", "By the month, leave this at “every week”, or clear the boxes below.")
        else:
            facts["rule"] = (
                recurrence.monthly(nths, weekdays[0]) if nths else recurrence.weekly(weekdays, every)
            )

    def plan(self) -> Plan:
        facts = self.cleaned_data
        return Plan(
            rule=facts["rule"],
            starts=facts["starts"],
            minutes=facts["length"],
            stops=facts["stops"],
            crates=facts["crates"],
            second_seat=facts["second_seat"],
        )


def known_facts(term: ShiftTerm) -> dict[str, Any]:
    """A term as the form shows it."""
    rule = recurrence.read(term.rule)
    facts: dict[str, Any] = {
        "name": term.shift.name,
        "weekdays": rule.weekdays,
        "every": rule.every,
        "nths": rule.nths,
        "starts": term.starts,
        "minutes": term.minutes,
        "crates": term.crates,
        "second_seat": term.second_seat,
    }
    for number, stop in enumerate(term.stops.all(), start=1):
        facts[f"stop_{number}"] = stop.site_id
    return facts


def facts_sent(term: ShiftTerm) -> dict[str, Any]:
    """A term as the form sends it, but for the date from which it counts."""
    facts = known_facts(term)
    sent: dict[str, Any] = {"second_seat": "on"} if facts.pop("second_seat") else {}
    sent |= {"starts": f"{facts.pop('starts'):%H:%M}", "agreed": agreed_sent(plan_of(term).stops)}
    for name, value in facts.items():
        sent[name] = list(map(str, value)) if isinstance(value, (list, tuple)) else str(value)
    return sent


def plan_of(term: ShiftTerm) -> Plan:
    return Plan(
        rule=term.rule,
        starts=term.starts,
        minutes=term.minutes,
        stops=tuple((stop.site_id, stop.after_minutes) for stop in term.stops.all()),
        crates=term.crates,
        second_seat=term.second_seat,
    )


class EndForm(forms.Form):
    last_day = DayField(label="Last day it runs", past=False, furthest=FURTHEST)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["last_day"].initial = today()

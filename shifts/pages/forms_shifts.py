"""What a coordinator fills in about weekly runs."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from django import forms

from shifts.models import Policy, ShiftTerm
from shifts.pages.forms_fields import FURTHEST, DayField, LineField
from shifts.schedule import recurrence
from shifts.schedule.legs import usual_arrivals
from shifts.schedule.making import Plan
from sites.models import Programme, Site
from volunteers.progress import today

MOST_STOPS = 4
LONGEST = 720  # minutes, as the model has it
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
STOPS = ("Pickup", "Then to", "Then to", "Then to")


class StopField(forms.ModelChoiceField):
    """A site in use, or one that the weekly run stops at already."""

    def label_from_instance(self, site: Any) -> str:
        what = {(True, True): "both", (True, False): "pickup"}.get((site.gives, site.takes), "drop-off")
        return f"{site.name} ({what})"


class ShiftForm(forms.Form):
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

    def __init__(self, *args: Any, term: ShiftTerm | None = None, **options: Any) -> None:
        super().__init__(*args, **options)
        self.known = [(stop.site_id, stop.after_minutes) for stop in term.stops.all()] if term else []
        self.stop_names = [f"stop_{n}" for n in range(1, max(MOST_STOPS, len(self.known)) + 1)]
        sites = Site.objects.in_use() | Site.objects.filter(pk__in=[site for site, _after in self.known])
        others = {name: self.fields.pop(name) for name in list(self.fields) if name != "name"}
        for number, name in enumerate(self.stop_names):
            self.fields[name] = StopField(
                sites,
                label=STOPS[min(number, MOST_STOPS - 1)],
                required=number < 2,
                empty_label="Choose a site" if number < 2 else "no further stop",
                error_messages={
                    "required": "Say where it is picked up." if number == 0 else "Say where it goes.",
                    "invalid_choice": "This site is not there. Choose one of the list.",
                },
            )
        self.fields.update(others)
        self.fields["from_day"].initial = today()

    @property
    def stop_fields(self) -> list[Any]:
        return [self[name] for name in self.stop_names]

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

    def check_stops(self, facts: dict[str, Any]) -> None:
        chosen = [(name, facts[name]) for name in self.stop_names if facts.get(name)]
        if len(chosen) < 2 or any(name in self.errors for name in self.stop_names):
            return
        for (_before, site), (name, following) in pairwise(chosen):
            if site == following:
                self.add_error(name, "This is the stop before it. Choose another site.")
        if not chosen[0][1].gives:
            self.add_error(chosen[0][0], "Nothing is picked up at this site. Choose a pickup first.")
        if not chosen[-1][1].takes:
            self.add_error(chosen[-1][0], "Nothing is dropped off at this site, and it is the last stop.")
        if any(name in self.errors for name in self.stop_names):
            return
        self.check_minutes(facts, [site for _name, site in chosen])

    def check_minutes(self, facts: dict[str, Any], sites: list[Site]) -> None:
        """The minutes, and when each stop is reached. Stops that stay keep their agreed times."""
        load = Policy.current().load_minutes
        arrivals = usual_arrivals(sites, load_minutes=load, programme=Programme.current())
        usual = arrivals[-1] + load
        minutes = facts.get("minutes")
        if [site.pk for site in sites] == [site for site, _after in self.known]:
            agreed = [after for _site, after in self.known]
            if minutes is None or minutes > agreed[-1]:
                arrivals = agreed
        if "minutes" in self.errors:
            return
        minutes = minutes or max(usual, arrivals[-1] + 5)
        if minutes <= arrivals[-1]:
            self.add_error(
                "minutes",
                f"The last stop is reached {arrivals[-1]} minutes after the start. "
                f"Give more, or leave it empty for {usual} minutes.",
            )
        elif minutes > LONGEST:
            self.add_error(
                "minutes",
                f"With these stops it would take {minutes} minutes; {LONGEST} is the most. "
                "Look at the places on the map, or give the minutes.",
            )
        facts["length"] = minutes
        facts["stops"] = tuple((site.pk, after) for site, after in zip(sites, arrivals, strict=True))

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

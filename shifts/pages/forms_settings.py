"""What a coordinator may set: the programme's facts, the schedule's numbers, who coordinates."""

from __future__ import annotations

from typing import Any
from zoneinfo import available_timezones

from django import forms

from shifts.models import Policy
from shifts.pages.forms_fields import EmailField, LineField, PersonNameField, PhoneField
from sites.models import Programme

US_ZONES = [
    ("America/New_York", "Eastern (New York)"),
    ("America/Chicago", "Central (Chicago)"),
    ("America/Denver", "Mountain (Denver)"),
    ("America/Phoenix", "Arizona (Phoenix)"),
    ("America/Los_Angeles", "Pacific (Los Angeles)"),
    ("America/Anchorage", "Alaska (Anchorage)"),
    ("Pacific/Honolulu", "Hawaii (Honolulu)"),
    ("America/Puerto_Rico", "Atlantic (Puerto Rico)"),
]


def zones() -> list[tuple[str, Any]]:
    """Every time zone, those of the United States first."""
    first = {name for name, _label in US_ZONES}
    rest = sorted(name for name in available_timezones() if "/" in name and name not in first)
    return [("United States", US_ZONES), ("Everywhere", [(name, name) for name in [*rest, "UTC"]])]


class ProgrammeForm(forms.ModelForm):
    prefix = "programme"
    name = LineField(label="Name of the programme", max_length=80)
    town = LineField(label="Town", max_length=80, required=False)
    time_zone = forms.ChoiceField(
        label="Time zone",
        help_text="The hours of weekly runs stay as they read on the clock; runs ahead are timed anew.",
        error_messages={"invalid_choice": "Choose a time zone of the list."},
    )
    contact_name = LineField(
        label="Whom volunteers reach", max_length=80, required=False, help_text="Shown on every page."
    )
    contact_phone = PhoneField(label="Their phone", required=False)
    contact_email = EmailField(
        label="Their e-mail", required=False, help_text="Answers to the programme's mail go there."
    )

    class Meta:
        model = Programme
        fields = [
            "name",
            "town",
            "time_zone",
            "contact_name",
            "contact_phone",
            "contact_email",
            "road_factor",
            "fixed_minutes",
            "town_mph",
        ]
        labels = {
            "road_factor": "Road miles for each straight mile",
            "fixed_minutes": "Minutes to set off and to park, each drive",
            "town_mph": "Miles an hour in town",
        }
        help_texts = {
            "road_factor": "Usually 1.3; 1 would be a straight road.",
            "fixed_minutes": "Usually 5.",
            "town_mph": "Usually 24.",
        }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        field: Any = self.fields["time_zone"]
        field.choices = zones()

    @property
    def facts_fields(self) -> list[Any]:
        return [self[name] for name in self.Meta.fields[:6]]

    @property
    def driving_fields(self) -> list[Any]:
        return [self[name] for name in self.Meta.fields[6:]]


class PolicyForm(forms.ModelForm):
    prefix = "policy"
    MOST = {
        "soon_days": 60,
        "urgent_hours": 24 * 14,
        "now_hours": 24 * 7,
        "between_minutes": 240,
        "load_minutes": 240,
        "short_notice_hours": 24 * 14,
        "keep_days": 60,
        "newcomer_percent": 100,
    }
    WORDS = {
        "keep_days": (
            "Days before a run until which it is kept for its regular driver",
            "While they are not ready, mostly because the new insurance card has not come, nobody else is "
            "asked. From this many days before, others are. Usually 4.",
        ),
        "newcomer_percent": (
            "Percent of weekly runs kept free of regular drivers",
            "So that newcomers find runs: volunteers cannot take one of these for good by themselves. "
            "You still can give it to somebody. Usually 0.",
        ),
    }

    class Meta:
        model = Policy
        fields = [
            "weeks_ahead",
            "weeks_shown",
            "soon_days",
            "urgent_hours",
            "now_hours",
            "between_minutes",
            "load_minutes",
            "short_notice_hours",
            "keep_days",
            "newcomer_percent",
        ]

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        for name, most in self.MOST.items():
            field: Any = self.fields[name]
            label, words = self.WORDS.get(name, (field.label, ""))
            self.fields[name] = forms.IntegerField(
                label=label, help_text=words, initial=field.initial, min_value=0, max_value=most
            )


class CoordinatorForm(forms.Form):
    prefix = "coordinator"
    email = EmailField(
        label="E-mail",
        help_text="They sign in with it, and set up a second factor on their first visit to the desk.",
        error_messages={"required": "Write the address."},
    )
    name = PersonNameField(label="Name")

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
            "lift_pounds",
            "road_factor",
            "fixed_minutes",
            "town_mph",
        ]
        labels = {
            "lift_pounds": "Pounds a volunteer should be able to lift",
            "road_factor": "Road miles for each straight mile",
            "fixed_minutes": "Minutes to set off and to park, each drive",
            "town_mph": "Miles an hour in town",
        }
        help_texts = {
            "lift_pounds": "Stated where people join and in the briefing. Usually 40, a full banana box. "
            "Your insurer's and the sites' own limits come first.",
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
        return [self[name] for name in self.Meta.fields[:7]]

    @property
    def driving_fields(self) -> list[Any]:
        return [self[name] for name in self.Meta.fields[7:]]


class ReminderDaysField(LineField):
    """Whole numbers of days with commas between; kept with the most first."""

    def clean(self, value: Any) -> str:
        text = super().clean(value)
        parts = [part.strip() for part in text.split(",") if part.strip()]
        if not all(part.isascii() and part.isdecimal() and len(part) < 4 for part in parts):
            raise forms.ValidationError("Write whole numbers with commas between, like 21, 7, 1.")
        days = {int(part) for part in parts}
        if not all(1 <= day <= 365 for day in days):
            raise forms.ValidationError("Each number is 1 to 365 days.")
        kept = ", ".join(str(day) for day in sorted(days, reverse=True))
        if len(kept) > 40:
            raise forms.ValidationError("That is too many. A few reminders are enough.")
        return kept


def clock_field(label: str, help_text: str) -> forms.TimeField:
    return forms.TimeField(
        label=label,
        help_text=help_text,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        error_messages={"invalid": "Write the time like 16:00 or 4:00 PM.", "required": "Say the time."},
    )


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
        "hello_days": 60,
        "ride_days": 90,
        "stuck_days": 180,
        "lead_after_runs": 200,
        "lead_within_months": 60,
        "refresher_months": 60,
        "ride_again_months": 60,
        "talk_days": 365,
        "ask_after_minutes": 24 * 60,
        "ask_chance_percent": 99,
        "ask_fewest": 50,
        "ask_most": 50,
        "requests_a_week": 21,
        "urgent_requests_a_week": 21,
    }
    LEAST = {
        "ask_chance_percent": 1,
        "ask_fewest": 1,
        "ask_most": 1,
        "lead_after_runs": 1,
        "lead_within_months": 1,
        "refresher_months": 1,
        "ride_again_months": 1,
    }
    WORDS = {
        "ask_after_minutes": (
            "Minutes after a run is given back until the first few are asked",
            "In which a slip can be undone. At once where the run is near. Usually 15.",
        ),
        "ask_chance_percent": (
            "As many are asked at a time as make a yes so likely (percent)",
            "By what each has answered so far. More people are spared with less. Usually 80.",
        ),
        "ask_fewest": ("At least so many at a time", "Usually 3."),
        "ask_most": (
            "At most so many at a time",
            "Usually 8. From the hours of “now” on, everybody who may be asked is asked at once.",
        ),
        "requests_a_week": (
            "Requests to one person in seven days",
            "Unless they say otherwise on their own page. Usually 2.",
        ),
        "urgent_requests_a_week": ("And urgent ones beside them", "Usually 1."),
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
        "hello_days": ("Days until a newcomer has waited long for a hello", "Usually 2."),
        "ride_days": ("Days until somebody has waited long for a shadow ride", "Usually 7."),
        "stuck_days": ("Days until anything else has taken long", "Usually 14."),
        "lead_after_runs": (
            "Runs alone after which somebody is suggested as a lead driver",
            "You decide; nobody becomes one by themselves. Usually 10.",
        ),
        "lead_within_months": ("Counting runs of these last months", "Usually 6."),
        "refresher_months": (
            "Months without a run after which the briefing is read again",
            "Usually 6.",
        ),
        "ride_again_months": (
            "Months without a run after which a shadow ride is due again",
            "Usually 12. Not fewer than for the briefing.",
        ),
        "talk_days": (
            "Days within which not coming a second time suggests a talk",
            "Said to coordinators only; nothing follows by itself. Usually 60.",
        ),
    }
    GROUPS = [  # as the page shows them; those without a title stand open
        ("", ["weeks_ahead", "weeks_shown"]),
        (
            "When a run without a driver is urgent",
            ["soon_days", "urgent_hours", "now_hours", "short_notice_hours"],
        ),
        (
            "Regular drivers, and time between runs",
            ["keep_days", "newcomer_percent", "between_minutes", "load_minutes"],
        ),
        (
            "Orientation: who has waited long, who comes back, who may lead",
            [
                "hello_days", "ride_days", "stuck_days", "refresher_months", "ride_again_months",
                "lead_after_runs", "lead_within_months",
            ],
        ),
        ("Papers, and what a lead driver ticks", ["reminder_days", "photos_on", "checklist"]),
        (
            "Asking around by mail when a run has no driver",
            [
                "asks_on", "ask_after_minutes", "ask_chance_percent", "ask_fewest", "ask_most",
                "requests_a_week", "urgent_requests_a_week", "quiet_from", "quiet_until", "early_from",
            ],
        ),
        ("Your own mails, and when a talk is suggested", ["digest_at", "morning_at", "talk_days"]),
    ]  # fmt: skip

    quiet_from = clock_field(
        label="Quiet hours, in which nobody is asked by mail, from", help_text="Usually 9:00 p.m."
    )
    quiet_until = clock_field(label="Until", help_text="Usually 8:00 a.m. The same as from: there are none.")
    early_from = clock_field(
        label="For those who allow it, about a run of the same morning, until", help_text="Usually 6:00 a.m."
    )
    digest_at = clock_field(
        label="When the mail about the next day comes",
        help_text="Who drives, what is empty, what needs attention. Usually 4:00 p.m.",
    )
    morning_at = clock_field(
        label="And in the morning, where something has changed since", help_text="Usually 6:00 a.m."
    )
    reminder_days = ReminderDaysField(
        label="Days before a paper runs out on which its holder is reminded",
        max_length=60,
        required=False,
        help_text="Usually 21, 7, 1. Empty: nobody is reminded.",
    )
    checklist = forms.CharField(
        label="What a lead driver ticks at the sign-off of a shadow ride",
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 6}),
    )

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
            "hello_days",
            "ride_days",
            "stuck_days",
            "lead_after_runs",
            "lead_within_months",
            "refresher_months",
            "ride_again_months",
            "reminder_days",
            "checklist",
            "photos_on",
            "asks_on",
            "ask_after_minutes",
            "ask_chance_percent",
            "ask_fewest",
            "ask_most",
            "requests_a_week",
            "urgent_requests_a_week",
            "quiet_from",
            "quiet_until",
            "early_from",
            "digest_at",
            "morning_at",
            "talk_days",
        ]
        labels = {
            "photos_on": "Volunteers may send photographs of their papers",
            "asks_on": "Ask around by itself when a run is given back",
        }
        help_texts = {
            "photos_on": "A photograph is kept without its place and deleted as soon as you have noted the "
            "date. Ask your insurer or counsel before you turn it on.",
        }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        shipped = ", ".join(Policy().points())
        self.fields["checklist"].help_text = f"A line each. Empty: {shipped}."
        for name, most in self.MOST.items():
            field: Any = self.fields[name]
            label, words = self.WORDS.get(name, (field.label, ""))
            self.fields[name] = forms.IntegerField(
                label=label,
                help_text=words,
                initial=field.initial,
                min_value=self.LEAST.get(name, 0),
                max_value=most,
            )

    @property
    def groups(self) -> list[dict[str, Any]]:
        """The fields as the page shows them, and whether a group has to stand open for a fault in it."""
        return [
            {
                "title": title,
                "fields": [self[name] for name in names],
                "is_open": any(name in self.errors for name in names),
            }
            for title, names in self.GROUPS
        ]

    def clean_checklist(self) -> str:
        """One point a line, without blank ones."""
        lines = (" ".join(line.split()) for line in self.cleaned_data["checklist"].splitlines())
        kept = [line for line in lines if line]
        if len(kept) > 20:
            raise forms.ValidationError("At most 20 lines: a lead driver ticks them on a phone.")
        if any(len(line) > 120 for line in kept):
            raise forms.ValidationError("Keep each line under 120 letters.")
        return "\n".join(kept)

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        briefing, ride = facts.get("refresher_months"), facts.get("ride_again_months")
        if briefing and ride and ride < briefing:
            self.add_error("ride_again_months", "A ride is not due before the briefing: give it more months.")
        return facts


class CoordinatorForm(forms.Form):
    prefix = "coordinator"
    email = EmailField(
        label="E-mail",
        help_text="They sign in with it, and set up a second factor on their first visit to the desk.",
        error_messages={"required": "Write the address."},
    )
    name = PersonNameField(label="Name")

"""What a coordinator fills in for one run."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.utils.formats import date_format, time_format

from shifts.models import Run
from shifts.pages.forms_fields import DropOffField
from shifts.schedule.clock import local_date, readings
from sites.models import Closure, Programme, Site
from volunteers.models import SignOff


class DayAndTimeWidget(forms.MultiWidget):
    """A day out of a list, and a time, as one answer."""

    def __init__(self) -> None:
        super().__init__(
            {
                "0": forms.Select(attrs={"aria-label": "Day"}),
                "1": forms.TimeInput(attrs={"type": "time", "aria-label": "Time"}, format="%H:%M"),
            }
        )

    def decompress(self, value: tuple[date, time] | None) -> list[Any]:
        return [value[0].isoformat(), value[1]] if value else [None, None]


class DayAndTime(forms.MultiValueField):
    """A day of those given, and a time, on the programme's clock; as (date, time)."""

    widget = DayAndTimeWidget

    def __init__(self, **options: Any) -> None:
        days = forms.TypedChoiceField(
            coerce=date.fromisoformat, error_messages={"invalid_choice": "Choose a day of the list."}
        )
        clock = forms.TimeField(error_messages={"invalid": "Write the time like 5:30 p.m. or 17:30."})
        super().__init__((days, clock), **options)

    def offer(self, days: list[date], today: date) -> None:
        choices = [(day.isoformat(), day_named(day, today)) for day in days]
        field: Any = self.fields[0]
        select: Any = self.widget.widgets[0]
        field.choices = select.choices = choices

    def compress(self, values: list[Any]) -> tuple[date, time] | None:
        return (values[0], values[1]) if values else None


def day_named(day: date, today: date) -> str:
    near = {0: "Today, ", 1: "Tomorrow, "}.get((day - today).days, "")
    return near + date_format(day)


def moment_meant(day: date, clock: time, zone: ZoneInfo) -> datetime:
    """The moment that a day and a time mean. Refuses a time the clocks skip or show twice."""
    moments, shown = readings(day, clock, zone), time_format(clock)
    if not moments:
        raise forms.ValidationError(
            f"The clocks go forward that night, and {shown} does not exist. Choose another time."
        )
    if len(moments) > 1:
        raise forms.ValidationError(
            f"The clocks go back that night, and {shown} comes twice. Choose a time before or after."
        )
    return moments[0]


class OneOffForm(forms.Form):
    """A run outside any weekly run, in four fields: from, to, when, how much."""

    pickup = forms.ModelChoiceField(
        Site.objects.none(),
        label="From",
        empty_label="Choose a pickup",
        error_messages={"required": "Say where it is picked up."},
    )
    dropoff = DropOffField(
        Site.objects.none(),
        label="To",
        empty_label="Choose a drop-off",
        error_messages={"required": "Say where it goes."},
    )
    when = DayAndTime(
        label="When",
        error_messages={"required": "Say the day and the time.", "incomplete": "Say the day and the time."},
    )
    crates = forms.IntegerField(
        label="Crates or cases, about",
        min_value=0,
        max_value=500,
        error_messages={"required": "Say about how many; 0 if nobody knows."},
    )
    note = forms.CharField(
        label="Note for the driver",
        max_length=300,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )

    def __init__(self, *args: Any, at: datetime, programme: Programme, days: int, **options: Any) -> None:
        super().__init__(*args, **options)
        self.at, self.zone = at, programme.zone
        today = local_date(at, self.zone)
        when: Any = self.fields["when"]
        when.offer([today + timedelta(days=n) for n in range(days)], today)
        for name, sites in (
            ("pickup", Site.objects.in_use().filter(gives=True)),
            ("dropoff", Site.objects.in_use().filter(takes=True)),
        ):
            field: Any = self.fields[name]
            field.queryset = sites
            if len(sites) == 1:
                field.initial = sites[0].pk

    def clean_when(self) -> datetime:
        """The moment the run starts. Refuses a time the clocks skip or show twice, and one that is over."""
        day, clock = self.cleaned_data["when"]
        moment = moment_meant(day, clock, self.zone)
        if moment <= self.at:
            now = time_format(self.at.astimezone(self.zone))
            raise forms.ValidationError(f"That is over: it is {now} now. Choose a later time.")
        return moment

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        pickup, dropoff, when = (facts.get(name) for name in ("pickup", "dropoff", "when"))
        if pickup and pickup == dropoff:
            self.add_error("dropoff", "That is where it is picked up. Choose another site.")
        if when:
            day = local_date(when, self.zone)
            closed = {closure.site_id: closure for closure in Closure.objects.on(day)}
            for name, site in (("pickup", pickup), ("dropoff", dropoff)):
                if site and site.pk in closed:
                    why = closed[site.pk].reason
                    self.add_error(
                        name,
                        f"{site} is closed on {date_format(day)}{f' ({why})' if why else ''}. "
                        "Choose another site or day.",
                    )
        return facts


class CancelForm(forms.Form):
    reason = forms.CharField(
        label="Why",
        max_length=Run._meta.get_field("cancel_reason").max_length,
        help_text="Those on the run read it.",
        error_messages={"required": "Say why: those on the run read it, and so do you later."},
    )


class NoteForm(forms.Form):
    note = forms.CharField(
        label="Note",
        max_length=Run._meta.get_field("note").max_length,
        required=False,
        help_text="Everybody on the run is told at once, and sees it on its page and in their calendar.",
        widget=forms.Textarea(attrs={"rows": 3}),
    )


class ToldSignOffForm(forms.Form):
    """How a shadow ride went, as the lead driver told it."""

    outcome = forms.ChoiceField(
        label="What the lead driver says",
        choices=SignOff.Outcome.choices,
        widget=forms.RadioSelect,
        error_messages={"required": "Choose one of the two."},
    )
    told_reason = forms.CharField(
        label="How you know",
        max_length=200,
        error_messages={"required": "Say how you know, so that others can read it later."},
    )
    remarks = forms.CharField(
        label="Remarks",
        help_text="The trainee reads them.",
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
    )
    private_remarks = forms.CharField(
        label="Remarks for coordinators only", required=False, widget=forms.Textarea(attrs={"rows": 3})
    )

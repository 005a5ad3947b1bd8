"""What a coordinator fills in about the steps before driving alone."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.timezone import localdate

from shifts.pages.forms_fields import FURTHEST, DayField, LineField
from sites.models import Site
from volunteers.models import Step, StepTerm

KINDS = [
    (Step.Kind.BRIEFING, "Briefing: something to read"),
    (Step.Kind.PAPER, "Paper with a date on which it runs out"),
    (Step.Kind.FORM, "Signed form"),
    (Step.Kind.KIT, "Kit or thing handed over"),
    (Step.Kind.RIDE, "Shadow ride with a lead driver"),
]
ONCE_ONLY = "A paper or a briefing is asked for once; it is renewed when it runs out. Leave this at 1."
OWN_DATE = "A paper has its own date: leave this empty."


class WordsForm(forms.Form):
    """What it is called, and how a volunteer gets it done."""

    prefix = "words"
    title = LineField(label="Name of the step", max_length=80, error_messages={"required": "Write a name."})
    how = forms.CharField(
        label="How to get it done",
        required=False,
        max_length=600,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Volunteers read this beside the step: whom to ask, where to go, what to bring.",
    )


class AsksForm(forms.Form):
    """What a step asks from a date on."""

    prefix = "asks"
    times = forms.IntegerField(
        label="How many times",
        min_value=1,
        max_value=20,
        initial=1,
        help_text="Usually once. Some programmes ask for two shadow rides.",
        error_messages={"required": "Write 1 where once is enough."},
    )
    lasts_months = forms.IntegerField(
        label="Months it lasts",
        required=False,
        min_value=1,
        max_value=120,
        help_text="Empty: it does not run out. Dates already given stay as they are.",
    )
    again = forms.BooleanField(
        label="Everybody does it again",
        required=False,
        help_text="From that day on, what was done until now does not count; what is recorded later does.",
    )
    from_day = DayField(label="From", past=False, furthest=FURTHEST)

    def __init__(self, *args: Any, step: Step | None = None, term: StepTerm | None = None, **kw: Any) -> None:
        super().__init__(*args, **kw)
        self.fields["from_day"].initial = localdate()
        if term:
            self.fields["times"].initial = term.times
            self.fields["lasts_months"].initial = term.lasts_months
        if step and not step.may_be_asked_often:
            del self.fields["times"]
        if step and not step.may_last:
            del self.fields["lasts_months"]

    def asked(self) -> dict[str, Any]:
        """As the writes take it."""
        return {"times": 1, "lasts_months": None} | self.cleaned_data


class NewStepForm(WordsForm, AsksForm):
    """A step that was never asked before."""

    prefix = "step"
    kind = forms.ChoiceField(label="What it is", choices=KINDS)
    site = forms.ModelChoiceField(
        label="Asked of",
        queryset=Site.objects.in_use(),
        required=False,
        empty_label="everybody who drives",
        help_text="Of one site: only those who drive there need it.",
    )
    drivers_have_it = forms.BooleanField(
        label="Whoever is ready to drive by then has it already",
        required=False,
        help_text="Otherwise they drive again only when it is recorded for them. You see whom that concerns "
        "before anything is saved.",
    )

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        del self.fields["again"]
        self.order_fields(["kind", "title", "how", "site", "times", "lasts_months", "from_day"])
        ride = " A ride counts for every ride step of the programme and of the sites of its run."
        self.fields["times"].help_text += ride

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        step = Step(kind=facts.get("kind", ""))
        if facts.get("times", 1) != 1 and not step.may_be_asked_often:
            self.add_error("times", ONCE_ONLY)
        if facts.get("lasts_months") is not None and not step.may_last:
            self.add_error("lasts_months", OWN_DATE)
        if facts.get("drivers_have_it") and step.kind == Step.Kind.PAPER:
            words = "A paper needs the date of each person: record it on their page. Choose a later day."
            self.add_error("drivers_have_it", words)
        return facts


class StopForm(forms.Form):
    prefix = "stop"
    from_day = DayField(label="No longer asked from", past=False, furthest=FURTHEST)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["from_day"].initial = localdate()

"""What a coordinator fills in about people."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django import forms
from django.conf import settings
from django.core.validators import MinValueValidator
from django.db.models import QuerySet
from django.http import QueryDict
from django.utils.text import format_lazy

from shifts.models import Booking
from shifts.pages.desk_parts import title_and_time
from shifts.pages.forms_fields import (
    FURTHEST,
    DayField,
    EmailField,
    HoursField,
    LineField,
    PersonNameField,
    PhoneField,
    typed_day,
)
from shifts.pages.keys import key_of
from sites.dates import us
from volunteers.kits import MOST as MOST_KITS
from volunteers.models import Completion, PaperPhoto, Person, Step
from volunteers.progress import DATE_TO_FOLLOW_DAYS, today
from volunteers.roster.reading import LARGEST, Unreadable, decode

MOST_CARS = 3


class PersonForm(forms.Form):
    name = PersonNameField(label="Name", widget=forms.TextInput(attrs={"autocomplete": "off"}))
    phone = PhoneField(label="Phone", required=False)
    email = EmailField(label="E-mail", required=False, help_text="With an address they can sign in.")
    reach = forms.ChoiceField(
        label="How to reach them",
        required=False,
        choices=[("", "by e-mail if there is an address, else by phone call"), *Person.Reach.choices],
        help_text="Who is not reached by e-mail stands on your list to tell by phone.",
    )
    language = forms.ChoiceField(label="Language of their mail", choices=settings.LANGUAGES, initial="en")
    drives = forms.BooleanField(
        label="Drives, or means to",
        required=False,
        initial=True,
        help_text="Leave it empty for those who only sort or help in the office.",
    )

    def clean_reach(self) -> str:
        facts = self.cleaned_data
        reach = facts["reach"] or (Person.Reach.MAIL if facts.get("email") else Person.Reach.CALL)
        if reach == Person.Reach.MAIL and "email" in facts and not facts["email"]:
            raise forms.ValidationError("Without an e-mail address, choose text message or phone call.")
        if reach != Person.Reach.MAIL and facts.get("email") and "phone" in facts and not facts["phone"]:
            raise forms.ValidationError("Without a phone number, choose e-mail.")
        return reach


class NotesForm(forms.Form):
    notes = forms.CharField(
        label="Only coordinators see these",
        required=False,
        max_length=5000,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


# --- Steps


class StepForm(forms.Form):
    """What a step asks for when it is ticked off. `facts()` is for progress.complete."""

    def facts(self) -> dict[str, Any]:
        return {}


class DatedForm(StepForm):
    """A step done on a day."""

    on = DayField(label="Done on", future=False)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["on"].initial = today()

    def facts(self) -> dict[str, Any]:
        return {"on": self.cleaned_data["on"]}


class PaperForm(StepForm):
    """A paper counts from the day it is shown, until the date on it."""

    valid_until = typed_day(
        label="Valid until",
        past=False,
        help_text="The date on it, like 3/31/2027.",
        error_messages={"required": "Give the date on it, or tick “papers seen, date to follow”."},
    )
    seen = forms.BooleanField(label="Papers seen, date to follow", required=False)

    def __init__(self, *args: Any, photo: PaperPhoto | None = None, **options: Any) -> None:
        super().__init__(*args, **options)
        if photo and photo.said_until:
            self.fields["valid_until"].initial = photo.said_until
            self.fields["valid_until"].help_text = "As they typed it: compare it with the photo."
        last = today() + timedelta(days=DATE_TO_FOLLOW_DAYS)
        self.fields["seen"].help_text = f"It then counts for {DATE_TO_FOLLOW_DAYS} days, until {us(last)}."
        self.fields["valid_until"].required = not self.data.get("seen")

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        if facts.get("valid_until") and facts.get("seen"):
            self.add_error("seen", "You have given the date. Clear the tick, or clear the date.")
        return facts

    def facts(self) -> dict[str, Any]:
        if self.cleaned_data["seen"]:
            return {"how": Completion.How.SEEN}
        return {"valid_until": self.cleaned_data["valid_until"]}

    @property
    def shown(self) -> int | None:
        """The key of the photograph that stood beside the form."""
        return key_of(self.data.get("photo", "")) or None


class PaperDateForm(forms.Form):
    """Nothing but the date, in a list of papers."""

    valid_until = typed_day(
        label="Valid until", past=False, error_messages={"required": "Give the date on it, like 3/31/2027."}
    )


class KitsForm(forms.Form):
    """How many kits."""

    number = forms.IntegerField(
        label="Kits",
        min_value=0,
        max_value=MOST_KITS,
        error_messages={"required": "Write how many.", "invalid": "Write a number, like 6."},
    )

    def __init__(self, *args: Any, least: int = 0, **options: Any) -> None:
        super().__init__(*args, **options)
        if least:
            self.fields["number"].validators.append(MinValueValidator(least, "Write 1 or more."))


class WaivableForm(DatedForm):
    """A step that the coordinator may waive, with a reason; nothing else is asked then."""

    waived = forms.BooleanField(label="Waive it", required=False, help_text="They need not do it.")
    reason = LineField(
        label="Why it is waived",
        required=False,
        max_length=200,
        help_text="Only when you waive it. Others read it later.",
    )

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        if self.data.get("waived"):
            for name in set(self.fields) - {"waived", "reason"}:
                self.fields[name].required = False

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        if facts.get("waived") and not facts.get("reason") and "reason" not in self.errors:
            self.add_error("reason", "Say why, so that others can read it later.")
        if facts.get("reason") and not facts.get("waived"):
            self.add_error("waived", "You wrote why it is waived. Tick this as well, or clear the reason.")
        return facts

    def facts(self) -> dict[str, Any]:
        if self.cleaned_data["waived"]:
            return {"how": Completion.How.WAIVED, "reason": self.cleaned_data["reason"]}
        return super().facts()


class KitForm(WaivableForm):
    """A starter kit from the shelf, or waived."""

    @property
    def anyway(self) -> bool:
        """Whether it is handed over though none is on the shelf as counted."""
        return "anyway" in self.data


class RideForm(WaivableForm):
    """A ride as the lead driver told it, or waived."""

    lead = forms.ModelChoiceField(
        Person.objects.none(),
        label="As told by",
        empty_label="Choose the lead driver",
        error_messages={
            "required": "Choose who took them along, or waive the ride.",
            "invalid_choice": "This is no lead driver now. Choose one of the list.",
        },
    )
    on = DayField(label="Ridden on", future=False)
    told = LineField(
        label="How they told you",
        max_length=150,
        help_text="Like: by phone, ready to drive alone.",
        error_messages={"required": "Say how you know, so that others can read it later."},
    )
    field_order = ("lead", "on", "told", "waived", "reason")

    def __init__(self, *args: Any, person: Person, **options: Any) -> None:
        super().__init__(*args, **options)
        lead: Any = self.fields["lead"]
        lead.queryset = Person.objects.lead_drivers().exclude(pk=person.pk)


FORMS: dict[str, type[StepForm]] = {
    Step.Kind.BRIEFING: DatedForm,
    Step.Kind.FORM: DatedForm,
    Step.Kind.KIT: KitForm,
    Step.Kind.DOORS: StepForm,
}


def step_form(
    step: Step, person: Person, data: QueryDict | None = None, photo: PaperPhoto | None = None
) -> StepForm:
    if step.kind == Step.Kind.RIDE:
        return RideForm(data, person=person)
    if step.kind == Step.Kind.PAPER:
        return PaperForm(data, photo=photo)
    return FORMS[step.kind](data)


class TakeBackForm(forms.Form):
    reason = LineField(
        label="Why",
        max_length=200,
        error_messages={"required": "Say why, so that others can read it later."},
    )


# --- Cars, hours, away, leaving


class CarForm(forms.Form):
    label = LineField(label="Car", required=False, max_length=60, help_text="Like: blue wagon.")
    crates = forms.IntegerField(
        label="Crates it holds",
        required=False,
        min_value=0,
        max_value=500,
        help_text="16-quart crates. Empty: nobody has measured.",
    )


CarFormSet = forms.formset_factory(CarForm, extra=0, min_num=MOST_CARS, max_num=20, absolute_max=20)


class HoursForm(forms.Form):
    hours = HoursField(
        label="Days and hours they can usually drive",
        required=False,
        help_text="Like: Mon, Wed 8am-12pm; Sat. Empty: they have not said, and are asked for any run.",
        widget=forms.TextInput(attrs={"class": "wide"}),
    )


class AwayForm(forms.Form):
    first = DayField(label="First day away", furthest=FURTHEST)
    last = DayField(label="Last day away", past=False, furthest=FURTHEST)

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        if facts.get("first") and facts.get("last") and facts["last"] < facts["first"]:
            self.add_error("last", "The last day is before the first.")
        return facts


class RunsField(forms.ModelMultipleChoiceField):
    widget = forms.CheckboxSelectMultiple
    default_error_messages = {
        "invalid_choice": "One of these runs is theirs no longer. Look at them again.",
        "invalid_pk_value": "One of these runs is theirs no longer. Look at them again.",
    }

    def clean(self, value: Any) -> QuerySet[Booking]:
        offered: Any = self.queryset
        known = {str(pk) for pk in offered.values_list("pk", flat=True)}
        if isinstance(value, (list, tuple)) and not known.issuperset(map(str, value)):
            raise forms.ValidationError(self.error_messages["invalid_choice"], code="invalid_choice")
        return super().clean(value)

    def label_from_instance(self, booking: Any) -> str:
        return title_and_time(booking.run)


class LeaveForm(forms.Form):
    """Which of their runs are given back when they leave."""

    give_up = RunsField(Booking.objects.none(), label="Runs to give back", required=False)

    def __init__(self, *args: Any, bookings: QuerySet[Booking], **options: Any) -> None:
        super().__init__(*args, **options)
        field: Any = self.fields["give_up"]
        field.queryset = bookings
        field.initial = [booking.pk for booking in bookings]
        if not bookings:
            del self.fields["give_up"]


# --- The roster


class RosterForm(forms.Form):
    text = forms.CharField(
        label="Paste the cells here, with the headings",
        required=False,
        strip=False,
        widget=forms.Textarea(attrs={"rows": 10, "class": "wide", "spellcheck": "false"}),
    )
    file = forms.FileField(
        label="Or choose the file",
        required=False,
        allow_empty_file=True,
        help_text="A spreadsheet saved as CSV.",
    )
    papers_seen = forms.BooleanField(
        label="Current drivers: papers seen, date to follow",
        required=False,
        help_text=format_lazy(
            "What they still have to show counts for {days} days, so that nobody is locked out today.",
            days=DATE_TO_FOLLOW_DAYS,
        ),
    )
    everybody_drives = forms.BooleanField(
        label="Everybody in it drives today",
        required=False,
        help_text="For a list that has no column for it.",
    )
    area_code = LineField(
        label="Area code of numbers with seven digits",
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "class": "short"}),
    )

    def clean_area_code(self) -> str:
        code = self.cleaned_data["area_code"]
        if code and not (code.isascii() and code.isdecimal() and len(code) == 3):
            raise forms.ValidationError("An area code has three digits.")
        return code

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        file = facts.get("file")
        if file and facts.get("text", "").strip():
            self.add_error("file", "There is pasted text as well. Clear one of the two.")
        elif file:
            try:
                facts["text"] = decode(file.read(LARGEST + 1))[0]
            except Unreadable as fault:
                self.add_error("file", str(fault))
        elif not facts.get("text", "").strip() and not self.errors:
            self.add_error("text", "Paste the cells, or choose the file.")
        return facts

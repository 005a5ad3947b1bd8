"""What a stranger fills in to join: how to reach them, then when and how they can help, then a code."""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from shifts.pages.forms_fields import LineField
from shifts.pages.forms_volunteer import MOST_HOURS, CarForm, HoursForm, OwnPhoneField, rows_of

TRAP = "fax"  # a field that nobody sees, and that programs fill in

HoursRows = rows_of(HoursForm, "hours", MOST_HOURS, blank=3)


class ContactForm(forms.Form):
    name = LineField(
        label=gettext_lazy("Your name"),
        max_length=80,
        widget=forms.TextInput(attrs={"autocomplete": "name"}),
        error_messages={"required": gettext_lazy("Write your name.")},
    )
    phone = OwnPhoneField()
    email = forms.EmailField(
        label=gettext_lazy("E-mail"),
        max_length=254,
        widget=forms.EmailInput(attrs={"autocomplete": "email"}),
        help_text=gettext_lazy("You sign in with it: we mail you a code, there is no password."),
        error_messages={"required": gettext_lazy("Give the e-mail address at which you read mail.")},
    )
    language = forms.ChoiceField(label=gettext_lazy("Language"), choices=settings.LANGUAGES)

    def clean_email(self) -> str:
        address = self.cleaned_data["email"].lower()
        if not address.isascii():
            raise forms.ValidationError(_("Mail programs need an address in plain letters, without accents."))
        return address

    def clean(self) -> dict[str, Any]:
        if self.data.get(TRAP):
            raise forms.ValidationError(
                _(
                    "A field that people do not see was filled in, as programs do. It is empty again: press "
                    "the button once more. If this comes back, call the coordinator."
                )
            )
        return self.cleaned_data


class MoreForm(forms.Form):
    ADULT, MINOR = "adult", "minor"

    age = forms.ChoiceField(
        label=gettext_lazy("Your age"),
        choices=((ADULT, gettext_lazy("I am 18 or over")), (MINOR, gettext_lazy("I am under 18"))),
        widget=forms.RadioSelect,
        help_text=gettext_lazy(
            "Under 18 you may only ride along, beside your parent or guardian who drives, once the "
            "coordinator has agreed. Under 13? Let your parent or guardian ask for you."
        ),
        error_messages={
            "required": gettext_lazy("Choose one of the two."),
            "invalid_choice": gettext_lazy("Choose one of the two."),
        },
    )
    rather_not = forms.BooleanField(
        label=gettext_lazy("I would rather not drive"),
        required=False,
        help_text=gettext_lazy("You help with sorting or in the office instead."),
    )
    label = LineField(
        label=gettext_lazy("Your car"),
        required=False,
        max_length=60,
        help_text=gettext_lazy("For example: blue station wagon. No car? Leave it empty."),
    )
    crates = forms.IntegerField(
        label=CarForm.base_fields["crates"].label,
        required=False,
        min_value=0,
        max_value=500,
        help_text=gettext_lazy("16-quart crates, cubes of about 13 inches. Not counted? Leave it empty."),
    )
    note = forms.CharField(
        label=gettext_lazy("What else we should know"),
        required=False,
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
    )

    def facts(self) -> dict[str, Any]:
        """For joining.write_request, but for the hours."""
        said = self.cleaned_data
        car = {"label": said["label"], "crates": said["crates"]}
        return {
            "is_adult": said["age"] == self.ADULT,
            "drives": not said["rather_not"],
            "car": car if said["label"] or said["crates"] is not None else None,
            "note": said["note"],
        }


class CodeForm(forms.Form):
    code = LineField(
        label=gettext_lazy("Code"),
        max_length=40,
        error_messages={"required": gettext_lazy("Enter the six digits of the mail.")},
    )


class AnswerForm(forms.Form):
    reply = forms.CharField(
        label=gettext_lazy("Your answer"),
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 4}),
        error_messages={"required": gettext_lazy("Write your answer.")},
    )

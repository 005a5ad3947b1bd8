"""What is filled in about covering for the coordinator, and about a driver who did not come."""

from __future__ import annotations

from typing import Any

from django import forms

from shifts.pages.forms_fields import DayField, LineField
from volunteers.models import Person


class CoverForm(forms.Form):
    person: Any = forms.ModelChoiceField(
        Person.objects.none(),
        label="Who covers",
        empty_label="Choose somebody",
        help_text="Adults with an e-mail address, to sign in with, and a phone, which drivers will call.",
        error_messages={"required": "Choose who covers.", "invalid_choice": "They are no longer here."},
    )
    first = DayField(label="First day", error_messages={"required": "Say the first day."})
    last = DayField(label="Last day", error_messages={"required": "Say the last day."})

    def __init__(self, *args: Any, you: Person | None, **options: Any) -> None:
        super().__init__(*args, **options)
        people = Person.objects.active().filter(is_adult=True, asking_since=None)
        people = people.exclude(email="").exclude(phone="")
        field: Any = self.fields["person"]
        field.queryset = people.exclude(pk=you.pk) if you else people


class MissedForm(forms.Form):
    note = LineField(
        label="Note, for coordinators only",
        required=False,
        max_length=300,
        help_text="Such as what they said on the phone. They do not see it.",
    )

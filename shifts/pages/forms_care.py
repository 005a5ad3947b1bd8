"""What is filled in about breaks, safety, sites somebody is not sent to, and who else is along."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db.models import QuerySet
from django.utils.translation import gettext_lazy

from shifts.models import Booking
from shifts.pages.forms_fields import LineField, PhoneField
from shifts.pages.forms_people import RunsField
from shifts.seats.alongside import MOST
from sites.models import Site
from volunteers.models import Person


class OwnRunsField(RunsField):
    """Runs to tick, in the words of whoever has them."""

    default_error_messages = {
        "invalid_choice": gettext_lazy("One of these runs is no longer yours. Look at them again."),
        "invalid_pk_value": gettext_lazy("One of these runs is no longer yours. Look at them again."),
    }


class BreakForm(forms.Form):
    """Which runs ahead are given back with a break: all of them unless somebody says otherwise."""

    give_up: Any = RunsField(Booking.objects.none(), label="Runs to give back", required=False)

    def __init__(self, *args: Any, bookings: QuerySet[Booking], **options: Any) -> None:
        super().__init__(*args, **options)
        field: Any = self.fields["give_up"]
        field.queryset = bookings
        field.initial = [booking.pk for booking in bookings]
        if not bookings:
            del self.fields["give_up"]

    def given(self) -> list[Booking]:
        return list(self.cleaned_data.get("give_up", []))


class MyBreakForm(BreakForm):
    give_up = OwnRunsField(
        Booking.objects.none(),
        label=gettext_lazy("Runs to give back"),
        required=False,
        help_text=gettext_lazy("Clear the tick of a run that you still drive."),
    )


class AlsoForm(forms.Form):
    """Names and a count; the count is what sites see."""

    names = LineField(
        label=gettext_lazy("Who else is in the car"),
        max_length=120,
        help_text=gettext_lazy(
            "First names are enough. Only people on this run and the coordinator see them."
        ),
        error_messages={"required": gettext_lazy("Write who comes along, or go back.")},
    )
    count = forms.IntegerField(
        label=gettext_lazy("How many they are"),
        initial=1,
        validators=[
            MinValueValidator(1, gettext_lazy("At least one; or say that nobody comes along.")),
            MaxValueValidator(MOST, gettext_lazy("More people than a car has seats for.")),
        ],
        widget=forms.NumberInput(attrs={"min": 1, "max": MOST, "class": "short"}),
        help_text=gettext_lazy("The sites are told this number, and no names."),
        error_messages={"required": gettext_lazy("Say how many they are.")},
    )


ADULT, YOUNG = "adult", "young"


class SafetyForm(forms.Form):
    """Adult or under 18, and whom to call in an emergency."""

    age = forms.ChoiceField(
        label="Age",
        choices=((ADULT, "18 or older"), (YOUNG, "Under 18")),
        widget=forms.RadioSelect,
        error_messages={"required": "Choose one of the two.", "invalid_choice": "Choose one of the two."},
    )
    guardian = forms.ModelChoiceField(
        Person.objects.none(),
        label="Their guardian",
        required=False,
        empty_label="Nobody chosen",
        help_text="Of somebody under 18: the one driver beside whom they ride.",
        error_messages={"invalid_choice": "This person is not there any more. Choose one of the list."},
    )
    consent = forms.BooleanField(
        label="I have spoken with the guardian, and agree that they ride along",
        required=False,
        help_text="Their guardian drives. The insurer's rules come first, and local law on child seats "
        "and on young people at work.",
    )
    emergency_name = LineField(
        label="In an emergency, call",
        required=False,
        max_length=80,
        help_text="A name. Only coordinators see it, here and on the page of a run.",
    )
    emergency_phone = PhoneField(label="Their phone", required=False)

    def __init__(self, *args: Any, person: Person, **options: Any) -> None:
        super().__init__(*args, **options)
        field: Any = self.fields["guardian"]
        known = Person.objects.filter(wards=person)
        field.queryset = (
            Person.objects.present().filter(is_adult=True).exclude(pk=person.pk) | known
        ).distinct()

    def facts(self) -> dict[str, Any]:
        """For safety.set_safety."""
        said = self.cleaned_data
        young = said["age"] == YOUNG
        return {
            "is_adult": not young,
            "guardian": said["guardian"] if young else None,
            "consent": young and said["consent"],
            "emergency_name": said["emergency_name"],
            "emergency_phone": said["emergency_phone"],
        }


class NotAtForm(forms.Form):
    site = forms.ModelChoiceField(
        Site.objects.none(),
        label="Site",
        empty_label="Choose the site",
        error_messages={
            "required": "Choose the site.",
            "invalid_choice": "They are not sent there already, or the site is used no longer.",
        },
    )
    reason = LineField(
        label="Why",
        required=False,
        max_length=200,
        help_text="Only coordinators read this, never the volunteer and never the site.",
    )

    def __init__(self, *args: Any, person: Person, **options: Any) -> None:
        super().__init__(*args, **options)
        field: Any = self.fields["site"]
        barred = person.not_at.filter(ended_at=None).values("site")
        field.queryset = Site.objects.in_use().exclude(pk__in=barred)

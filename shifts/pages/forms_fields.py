"""Fields of the desk's forms. A phone, an address or a date is read by the same rules as in a roster."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.text import Truncator

from sites.dates import us
from sites.geography import Place
from sites.models import Site
from volunteers.progress import today
from volunteers.roster import cells, days

FURTHEST = timedelta(days=2 * 366)  # nobody plans a weekly run or a closed day further ahead


class LineField(forms.CharField):
    """Text on one line: breaks and signs that cannot be seen would spoil a mail's header."""

    def to_python(self, value: Any) -> str | None:
        text = "".join(mark if mark.isprintable() else " " for mark in str(value or "").replace("\0", ""))
        return super().to_python(" ".join(text.split()))


def read(cell: Callable[..., Any], text: str, **options: Any) -> Any:
    """What the roster's reading of a cell makes of the text. Raises ValidationError with its sentence."""
    try:
        return cell(text, **options)
    except cells.Unclear as unclear:
        raise ValidationError(str(unclear)) from None


class PersonNameField(LineField):
    def __init__(self, **options: Any) -> None:
        options.setdefault("error_messages", {"required": "Write the name."})
        super().__init__(max_length=cells.LONGEST_NAME, **options)

    def clean(self, value: Any) -> str:
        return read(cells.name, super().clean(value))


class EmailField(LineField):
    widget = forms.EmailInput

    def clean(self, value: Any) -> str:
        address = read(cells.email, super().clean(value))
        if not address.isascii():
            raise ValidationError("Mail programs need an address in plain letters, without accents.")
        if self.required and not address:
            raise ValidationError(self.error_messages["required"], code="required")
        return address


class PhoneField(LineField):
    """A number as E.164; empty where there is none."""

    def __init__(self, **options: Any) -> None:
        options.setdefault("widget", forms.TextInput(attrs={"type": "tel"}))
        super().__init__(max_length=40, **options)

    def prepare_value(self, value: Any) -> str:
        return str(value or "")

    def clean(self, value: Any) -> str:
        number, extension = read(cells.phone, super().clean(value))
        if extension:
            raise ValidationError("An extension cannot be kept with the number. Write it into the notes.")
        return number


class HoursField(LineField):
    """Weekdays and hours in words, as (weekday, from, until)."""

    def __init__(self, **options: Any) -> None:
        super().__init__(max_length=300, **options)

    def clean(self, value: Any) -> list[days.Hours]:
        return read(days.hours, super().clean(value))


class DayInput(forms.DateInput):
    """The browser's own calendar."""

    def __init__(self) -> None:
        super().__init__(attrs={"type": "date"}, format="%Y-%m-%d")


class DayField(forms.CharField):
    """A date, written M/D/YYYY, as ISO or in words, or chosen from the browser's calendar.

    `past` and `future` say whether days before and after today may be meant; today always may. `furthest`
    is how far ahead one may be.
    """

    widget = DayInput

    def __init__(
        self, *, past: bool = True, future: bool = True, furthest: timedelta | None = None, **options: Any
    ) -> None:
        options.setdefault("error_messages", {"required": "Give the date."})
        super().__init__(empty_value=None, max_length=60, **options)
        self.past, self.future, self.furthest = past, future, furthest

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, date) and not isinstance(self.widget, DayInput):
            return us(value)
        return value

    def clean(self, value: Any) -> date | None:
        text = super().clean(value)
        if text is None:
            return None
        now = today()
        day = read(cells.day, text, today=now)
        shown = us(day)
        if day < now and not self.past:
            raise ValidationError(f"{shown} is over. Give today or a later day.")
        if day > now and not self.future:
            raise ValidationError(f"{shown} is still to come. Give today or an earlier day.")
        if self.furthest and day > now + self.furthest:
            raise ValidationError(f"{shown} is too far ahead. Look at the year.")
        return day


def typed_day(**options: Any) -> DayField:
    """A date that is copied from a card: typed, not looked for in a calendar."""
    widget = forms.TextInput(attrs={"class": "short", "autocomplete": "off"})
    return DayField(widget=widget, **options)


class DropOffField(forms.ModelChoiceField):
    """One of the sites that take food, each with the foods it takes."""

    def label_from_instance(self, obj: Site) -> str:
        return f"{obj.name} (takes {Truncator(obj.foods).chars(60)})" if obj.foods else obj.name


NUMBER = r"[+-]?\d{1,3}(?:\.\d{1,20})?"
PLACE = re.compile(rf"\(?\s*({NUMBER})\s*°?\s*(?:,|\s)\s*({NUMBER})\s*°?\s*\)?")


class PlaceField(LineField):
    """Latitude and longitude in degrees, as two numbers; None where nothing is written."""

    def __init__(self, **options: Any) -> None:
        super().__init__(max_length=80, **options)

    def prepare_value(self, value: Any) -> Any:
        return f"{value[0]}, {value[1]}" if isinstance(value, tuple) else value

    def clean(self, value: Any) -> Place | None:
        text = super().clean(value)
        if not text:
            return None
        found = PLACE.fullmatch(text)
        if found is None:
            raise ValidationError("Write two numbers with a comma between them, like 40.01, -83.02.")
        latitude, longitude = float(found[1]), float(found[2])
        if not -90 <= latitude <= 90:
            raise ValidationError("The first number, degrees north, lies between -90 and 90.")
        if not -180 <= longitude <= 180:
            raise ValidationError("The second number, degrees east, lies between -180 and 180.")
        return latitude, longitude

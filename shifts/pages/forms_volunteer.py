"""What a volunteer fills in. Words are marked for translation; what is read is read as at the desk."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, time, timedelta
from decimal import Decimal
from typing import Any

from django import forms
from django.utils.dates import WEEKDAYS
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, override
from phonenumber_field.formfields import PhoneNumberField

from shifts.pages.forms_fields import LineField
from volunteers.models import Availability, Away, Car, Person, SignOff
from volunteers.progress import today

LONGEST_NOTE = 300  # characters; Booking.end_note
LONGEST_AWAY = timedelta(days=366)
FURTHEST_AWAY = timedelta(days=2 * 366)
WHOLE_DAY = (time(0, 0), time(23, 59))


class GiveBackForm(forms.Form):
    """Never refused: no reason need be given, an unknown one is none, and long words are cut. That somebody
    is ill is kept nowhere."""

    ILL = "ill"
    REASONS = (
        (ILL, gettext_lazy("I am ill")),
        ("car", gettext_lazy("No car that day")),
        ("away", gettext_lazy("Work, family or travel")),
        ("other", gettext_lazy("Something else")),
    )

    reason = forms.ChoiceField(
        label=gettext_lazy("Why?"), choices=REASONS, required=False, widget=forms.RadioSelect
    )
    note = forms.CharField(
        label=gettext_lazy("Anything the coordinator should know"),
        required=False,
        widget=forms.Textarea(attrs={"rows": 2, "maxlength": LONGEST_NOTE}),
        help_text=gettext_lazy("For example: “I can still take the run on Thursday.”"),
    )

    @property
    def says_ill(self) -> bool:
        return self.data.get("reason") == self.ILL

    def words(self) -> str:
        """The reason and the note as the coordinator reads them, in the language of the desk; of an illness
        only what they wrote themselves."""
        note = " ".join(self.data.get("note", "").replace("\0", "").split())
        words = ["" if self.says_ill else reason_as_read(self.data.get("reason", "")), note]
        return " ".join(part for part in words if part)[:LONGEST_NOTE]


def reason_as_read(reason: str) -> str:
    """A reason as it is kept with the booking; empty for one that is not offered."""
    label = dict(GiveBackForm.REASONS).get(reason, "")
    with override("en"):
        return f"{label}." if label else ""


class PointsField(forms.MultipleChoiceField):
    """Points that are ticked, each kept in its words. A page may have been open, or kept on a phone, since
    before the coordinator changed them: what stood there is taken as it stood."""

    LONGEST, MOST = 200, 50  # characters of a point; points

    def validate(self, value: list[str]) -> None:
        super().validate(value[: self.MOST + 1])
        if len(value) > self.MOST:
            raise forms.ValidationError(_("These are too many."))

    def valid_value(self, value: str) -> bool:
        return len(value) <= self.LONGEST and "\0" not in value


class SignOffForm(forms.Form):
    checklist = PointsField(
        label=gettext_lazy("What you saw them do"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    outcome = forms.ChoiceField(
        label=gettext_lazy("How it went"),
        choices=SignOff.Outcome.choices,
        widget=forms.RadioSelect,
        error_messages={
            "required": gettext_lazy("Choose one of the two."),
            "invalid_choice": gettext_lazy("Choose one of the two."),
        },
    )
    remarks = forms.CharField(
        label=gettext_lazy("A word to them"),
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text=gettext_lazy("They read this."),
    )
    private_remarks = forms.CharField(
        label=gettext_lazy("For the coordinator only"),
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 2}),
    )

    def __init__(self, *args: Any, points: Sequence[str] = (), **options: Any) -> None:
        super().__init__(*args, **options)
        field: Any = self.fields["checklist"]
        field.choices = [(point, point) for point in points]


class OwnPhoneField(PhoneNumberField):
    """A volunteer's own number, written in any way. An extension is refused: the number is kept without
    it, and a call would end at a switchboard."""

    def __init__(self, **options: Any) -> None:
        options.setdefault("label", gettext_lazy("Phone"))
        super().__init__(
            region="US",
            widget=forms.TextInput(attrs={"type": "tel", "autocomplete": "tel"}),
            error_messages={
                "invalid": gettext_lazy("Write the number with its area code, like 555-555-0134."),
                "required": gettext_lazy("Give a number that reaches you."),
            },
            **options,
        )

    def clean(self, value: Any) -> Any:
        phone = super().clean(value)
        if phone and phone.extension:
            raise forms.ValidationError(_("An extension cannot be kept. Give a number that reaches you."))
        return phone


class MeForm(forms.ModelForm):
    name = LineField(label=gettext_lazy("Name"), max_length=80)
    phone = OwnPhoneField(required=False)
    emergency_name = LineField(
        label=gettext_lazy("In an emergency, call"),
        required=False,
        max_length=80,
        help_text=gettext_lazy("A name. Only the coordinator sees it."),
    )
    emergency_phone = OwnPhoneField(label=gettext_lazy("Their phone"), required=False)

    class Meta:
        model = Person
        fields = ("name", "phone", "language", "reach", "runs_a_week", "emergency_name", "emergency_phone")
        labels = {
            "language": gettext_lazy("Language"),
            "reach": gettext_lazy("How to reach me"),
            "runs_a_week": gettext_lazy("Runs a week I would like, at most"),
        }
        help_texts = {
            "reach": gettext_lazy("Invitations for your calendar come by e-mail only."),
        }

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or self.cleaned_data
        reach = facts.get("reach")
        if reach == Person.Reach.MAIL and not self.instance.email:
            self.add_error("reach", _("No e-mail address is noted. Choose text message or phone call."))
        elif reach and reach != Person.Reach.MAIL and "phone" in facts and not facts["phone"]:
            self.add_error("phone", _("We need a number to text or call you. Or choose “by e-mail”."))
        return facts

    def validate_constraints(self) -> None:
        """The constraint on address and reach is answered above, beside its field."""

    def facts(self) -> dict[str, Any]:
        """What is to be written; the instance itself is not saved."""
        return {name: self.cleaned_data[name] for name in self.Meta.fields}


class MailsForm(forms.ModelForm):
    """Mails that one can do without."""

    class Meta:
        model = Person
        fields = ("wants_reminders", "wants_requests", "requests_a_week", "early_requests")
        labels = {
            "wants_reminders": gettext_lazy("Remind me of my runs"),
            "wants_requests": gettext_lazy("Ask me when a run has no driver"),
            "requests_a_week": gettext_lazy("At most so many times a week"),
            "early_requests": gettext_lazy("Also early in the morning, about a run of the same morning"),
        }
        help_texts = {
            "wants_reminders": gettext_lazy(
                "On the eve, with the run sheet; and before some runs the question whether you will be there."
            ),
            "requests_a_week": gettext_lazy(
                "Counted over seven days; one more may come when it is urgent. Empty: as the coordinator set."
            ),
        }


class CalendarForm(forms.Form):
    """How runs reach somebody's calendar."""

    calendar = forms.ChoiceField(
        label=gettext_lazy("How my runs reach my calendar"),
        choices=(
            (Person.Calendar.MAIL, gettext_lazy("Invitations in the mail")),
            (Person.Calendar.LINK, gettext_lazy("My private link")),
            (Person.Calendar.BOTH, gettext_lazy("Both: each run shows twice")),
        ),
        help_text=gettext_lazy(
            "An invitation: open it, and the run is in your calendar; a change or an end follows by mail. "
            "The link: your calendar fetches your runs by itself, some times a day."
        ),
        widget=forms.RadioSelect,
        error_messages={
            "required": gettext_lazy("Choose one of the three."),
            "invalid_choice": gettext_lazy("Choose one of the three."),
        },
    )


class CarForm(forms.Form):
    label = LineField(label=gettext_lazy("Car"), required=False, max_length=60)
    crates = forms.IntegerField(
        label=gettext_lazy("Crates it holds"), required=False, min_value=0, max_value=500
    )

    def values(self) -> dict[str, Any] | None:
        """The car; None for a row left empty."""
        label, crates = self.cleaned_data.get("label", ""), self.cleaned_data.get("crates")
        return {"label": label, "crates": crates} if label or crates is not None else None


class HoursForm(forms.Form):
    """One row: a weekday, and from when until when. Without times it is the whole day."""

    weekday = forms.TypedChoiceField(
        label=gettext_lazy("Day"),
        choices=[("", gettext_lazy("no day")), *WEEKDAYS.items()],
        coerce=int,
        empty_value=None,
        required=False,
    )
    begins = forms.TimeField(
        label=gettext_lazy("From"),
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
    )
    ends = forms.TimeField(
        label=gettext_lazy("Until"),
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
    )

    def clean(self) -> dict[str, Any]:
        row = self.cleaned_data
        if row.get("weekday") is None and (row.get("begins") or row.get("ends")):
            if "weekday" not in self.errors:
                self.add_error("weekday", _("Choose the day for these hours."))
            return row
        _day, begins, ends = self.span()
        if "begins" in row and "ends" in row and ends <= begins:
            self.add_error("ends", _("The end must be later than the start."))
        return row

    def span(self) -> tuple[int | None, time, time]:
        row = self.cleaned_data
        return row.get("weekday"), row.get("begins") or WHOLE_DAY[0], row.get("ends") or WHOLE_DAY[1]

    def values(self) -> tuple[int, time, time] | None:
        """Weekday, from, until; None for a row left empty."""
        day, begins, ends = self.span()
        return None if day is None else (day, begins, ends)


class HelpForm(forms.Form):
    """Time given beside driving."""

    day = forms.DateField(
        label=gettext_lazy("Day"),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"required": gettext_lazy("Give the day.")},
    )
    hours = forms.DecimalField(
        label=gettext_lazy("Hours"),
        min_value=Decimal("0.25"),
        max_value=24,
        step_size=Decimal("0.25"),
        help_text=gettext_lazy("In quarter hours, such as 0.25, 1.5 or 3."),
        error_messages={
            "required": gettext_lazy("Give the time in quarter hours, such as 0.25, 1.5 or 3."),
            "step_size": gettext_lazy("Give the time in quarter hours, such as 0.25, 1.5 or 3."),
        },
    )
    what = LineField(
        label=gettext_lazy("What you did"),
        required=False,
        max_length=120,
        help_text=gettext_lazy("For example: sorting, phone calls, office."),
    )

    def facts(self) -> dict[str, Any]:
        """For helping.note_help."""
        said = self.cleaned_data
        return {"day": said["day"], "minutes": int(said["hours"] * 60), "what": said["what"]}


class AwayForm(forms.Form):
    first = forms.DateField(
        label=gettext_lazy("First day"),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"required": gettext_lazy("Give the first day.")},
    )
    last = forms.DateField(
        label=gettext_lazy("Last day"),
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )

    def clean(self) -> dict[str, Any]:
        days = self.cleaned_data
        if "first" not in days or "last" not in days:
            return days
        days["last"] = days["last"] or days["first"]
        first, last = days["first"], days["last"]
        if last < first:
            self.add_error("last", _("The last day is before the first."))
        elif last < today():
            self.add_error("last" if last != first else "first", _("These days are over."))
        elif first > today() + FURTHEST_AWAY:
            self.add_error("first", _("That is more than two years ahead. Look at the year."))
        elif last - first > LONGEST_AWAY:
            self.add_error("last", _("That is more than a year. Tell the coordinator that you take a break."))
        return days


class SkipForm(AwayForm):
    """Dates of a regular run to be left out."""

    reason = LineField(label=gettext_lazy("Why?"), required=False, max_length=200)


class StopForm(forms.Form):
    last_day = forms.DateField(
        label=gettext_lazy("Last day"),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text=gettext_lazy("A run on that day is still yours."),
        error_messages={"required": gettext_lazy("Give the last day.")},
    )

    def clean_last_day(self) -> date:
        day: date = self.cleaned_data["last_day"]
        if day < today():
            raise forms.ValidationError(_("That day is over. Choose today or a later day."))
        if day > today() + FURTHEST_AWAY:
            raise forms.ValidationError(_("That is more than two years ahead. Look at the year."))
        return day


def rows_of(form: type[forms.Form], prefix: str, most: int, blank: int) -> type[forms.BaseFormSet]:
    """A list of rows with some empty ones below; a request without any rows means none."""

    class Rows(forms.BaseFormSet):
        def __init__(self, data: Any = None, **options: Any) -> None:
            if data is not None and f"{prefix}-TOTAL_FORMS" not in data:
                data = {f"{prefix}-TOTAL_FORMS": "0", f"{prefix}-INITIAL_FORMS": "0"}
            super().__init__(data, prefix=prefix, **options)

        def values(self) -> list[Any]:
            return [row for row in (form.values() for form in self.forms) if row is not None]

    return forms.formset_factory(
        form, formset=Rows, extra=blank, max_num=most, absolute_max=most + 20, validate_max=True
    )


MOST_CARS, MOST_HOURS = 5, 21
CarRows = rows_of(CarForm, "cars", MOST_CARS, blank=1)
HoursRows = rows_of(HoursForm, "hours", MOST_HOURS, blank=2)


def car_rows(person: Person, data: Any = None) -> Any:
    cars: list[Car] = list(person.cars.all()) if data is None else []
    return CarRows(data, initial=[{"label": car.label, "crates": car.crates} for car in cars])


def hours_rows(person: Person, data: Any = None) -> Any:
    hours: list[Availability] = list(person.hours.all()) if data is None else []
    return HoursRows(data, initial=[hours_row(row) for row in hours])


def hours_row(row: Availability) -> dict[str, Any]:
    """As it was filled in: a whole day has no times."""
    if (row.begins, row.ends) == WHOLE_DAY:
        return {"weekday": row.weekday}
    return {"weekday": row.weekday, "begins": row.begins, "ends": row.ends}


def days_of(away: Away) -> str:
    return span_of_days(away.first, away.last)


def span_of_days(first: date, last: date) -> str:
    if first == last:
        return date_format(first)
    return _("%(first)s to %(last)s") % {"first": date_format(first), "last": date_format(last)}


class PhotoForm(forms.Form):
    """A photograph of a paper, and the date on it where they can read it. What the file really holds is
    looked at in volunteers/papers.py."""

    photo = forms.FileField(
        label=gettext_lazy("Photo of it"),
        widget=forms.FileInput(attrs={"accept": "image/*", "capture": "environment"}),
        help_text=gettext_lazy("In daylight, flat on a table, close enough to fill the picture."),
        allow_empty_file=True,
        error_messages={"required": gettext_lazy("Take the photo first.")},
    )
    until = forms.DateField(
        label=gettext_lazy("Valid until"),
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text=gettext_lazy("The date on it, if you can read it."),
    )

    def clean_until(self) -> date | None:
        day: date | None = self.cleaned_data["until"]
        if day and day < today():
            raise forms.ValidationError(_("That date is over. Send a photo of the new one."))
        return day

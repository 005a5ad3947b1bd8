"""What a coordinator chooses for each run of some days."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django import forms
from django.utils.timezone import localtime

from shifts.models import Run
from shifts.pages import drop_offs
from shifts.pages.desk_parts import title_and_time
from shifts.pages.forms_desk_runs import moment_meant
from shifts.pages.forms_fields import FURTHEST, DayField, LineField
from shifts.seats import days
from sites.models import Closure, Programme, Site

KEEP, CANCEL, MOVE, ELSEWHERE, ON_AGAIN = "keep", "cancel", "move", "elsewhere", "on"
NEEDS = {CANCEL: {"reason"}, MOVE: {"day", "time"}, ELSEWHERE: {"site"}}  # what else each choice asks for
LONGEST_REASON = Run._meta.get_field("cancel_reason").max_length
FIELD_OF = {"run": "act", "when": "time", "where": "site"}  # where a problem with a change is shown


class MessageForm(forms.Form):
    """What is said to everybody whom the change concerns."""

    message = LineField(
        label="A message to everybody whom it concerns",
        max_length=LONGEST_REASON,
        required=False,
        help_text="One sentence, such as “The roads are closed for snow”. Each one's notice has it, and it "
        "is the reason of every run that is cancelled without one of its own.",
        widget=forms.TextInput(attrs={"class": "wide"}),
    )


class DayForm(forms.Form):
    """Why a whole day is cancelled."""

    reason = LineField(
        label="Why",
        max_length=LONGEST_REASON,
        error_messages={"required": "Say why: those on the runs read it."},
    )


class ClockInput(forms.TimeInput):
    def __init__(self) -> None:
        super().__init__(attrs={"type": "time"}, format="%H:%M")


class Ticked(forms.TypedMultipleChoiceField):
    """A tick for a site that the run no longer stops at is passed over, not refused."""

    def valid_value(self, value: Any) -> bool:
        return True

    def to_python(self, value: Any) -> list[str]:
        return [key for key in super().to_python(value) if key.isdecimal()]


class RunForm(forms.Form):
    """One run: keep it, cancel it, move it, or take its food elsewhere; and which of its sites have said
    that they are open. `seen` is what the form was filled in for, `was` which sites had been ticked."""

    use_required_attribute = False  # which of its fields are needed depends on the choice
    act = forms.ChoiceField(
        widget=forms.RadioSelect,
        error_messages={"required": "Choose what becomes of it.", "invalid_choice": "Choose one of these."},
    )
    # These are asked for by one choice each; `clean` passes over what another choice was made beside.
    reason = LineField(
        label="Why",
        max_length=LONGEST_REASON,
        error_messages={"required": "Say why: those on the run read it, and so do you later."},
    )
    day = DayField(
        label="New day", past=False, furthest=FURTHEST, error_messages={"required": "Give the new day."}
    )
    time = forms.TimeField(
        label="New time",
        widget=ClockInput,
        error_messages={
            "required": "Give the new time.",
            "invalid": "Write the time like 5:30 p.m. or 17:30.",
        },
    )
    site = forms.TypedChoiceField(
        label="Take it to",
        coerce=int,
        error_messages={
            "required": "Choose where it goes.",
            "invalid_choice": "Choose a drop-off of the list.",
        },
    )
    said = Ticked(
        label="Said that they are open", coerce=int, required=False, widget=forms.CheckboxSelectMultiple
    )
    seen = forms.CharField(required=False, widget=forms.HiddenInput)
    was = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(
        self,
        data: Any = None,
        *,
        run: Run,
        sites: list[Site],
        closures: Mapping[int, list[Closure]],
        at: datetime,
        programme: Programme,
        typed: Mapping[str, Any] | None = None,
        message: str = "",
    ) -> None:
        """`typed` is what stands in the form without having been judged; `message` is said to everybody, and
        is reason enough for a run that is cancelled without one of its own."""
        self.run, self.zone, self.message = run, programme.zone, message
        super().__init__(
            data, prefix=str(run.pk), initial=known(run, sites, closures, at) | dict(typed or {})
        )
        fields: Any = self.fields
        fields["act"].choices = acts_of(run, at)
        fields["act"].label = title_and_time(run)
        fields["site"].choices = [
            ("", "Choose a drop-off"),
            *((site.pk, drop_offs.label_of(site, run, closures)) for site in drop_offs.others(run, sites)),
        ]
        last = run.ordered_stops[-1]
        fields["said"].choices = [
            (stop.site_id, f"{'Agency' if stop is last else 'Store'} confirmed: {stop.site.name}")
            for stop in run.ordered_stops
        ]
        # The page always carries what it shows, whatever was posted to it.
        self.seen_now, self.was_now = days.fingerprint(run), ",".join(map(str, confirmed(run)))

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        act = facts.get("act", KEEP)
        if facts.get("seen") != self.seen_now and self["act"].value() != KEEP:
            self.errors.clear()  # they may be about what is no longer there to choose
            self.add_error("act", days.CHANGED_MEANWHILE)
            return facts
        needed = NEEDS.get(act, set()) - (
            {"reason"} if self.message and not self["reason"].value() else set()
        )
        for name in {"reason", "day", "time", "site"} - needed:
            self.errors.pop(name, None)
        if act == MOVE and not {"day", "time"} & set(self.errors):
            try:
                facts["starts_at"] = moment_meant(facts["day"], facts["time"], self.zone)
            except forms.ValidationError as error:
                self.add_error("time", error)
        return facts

    def change(self, sites: Mapping[int, Site]) -> days.Change | None:
        """What the valid form asks for; None where the run stays as it is."""
        facts, run = self.cleaned_data, self.run
        seen = facts["seen"]
        if facts["act"] == CANCEL:
            return days.CallOff(run.pk, seen, facts.get("reason") or self.message)
        if facts["act"] == ON_AGAIN:
            return days.PutOn(run.pk, seen)
        if facts["act"] == MOVE and facts["starts_at"] != run.starts_at:
            return days.Reshape(run.pk, seen, days.moved(run, facts["starts_at"]))
        if facts["act"] == ELSEWHERE:
            return days.Reshape(run.pk, seen, days.taken_to(run, sites[facts["site"]]))
        return None

    def ticks(self) -> dict[int, bool]:
        """The ticks that were set or taken away since the page was read, by site."""
        was = {int(key) for key in self.cleaned_data["was"].split(",") if key.isdecimal()}
        said = set(self.cleaned_data["said"])
        return {site: site in said for site in said ^ was}


def confirmed(run: Run) -> list[int]:
    return [stop.site_id for stop in run.ordered_stops if stop.confirmed_at]


def acts_of(run: Run, at: datetime) -> list[tuple[str, str]]:
    if run.is_cancelled:
        return [(KEEP, "Stays cancelled"), (ON_AGAIN, "Put it on again")]
    acts = [(KEEP, "Keep"), (CANCEL, "Cancel"), (MOVE, "Move"), (ELSEWHERE, "Other drop-off")]
    return [(act, words) for act, words in acts if act != MOVE or run.starts_at > at]


def known(run: Run, sites: list[Site], closures: Mapping[int, list[Closure]], at: datetime) -> dict[str, Any]:
    """What stands in the form at first. Where the drop-off is closed, its fallback is chosen already."""
    last = run.ordered_stops[-1].site
    fallback = next((site for site in drop_offs.others(run, sites) if site.pk == last.fallback_id), None)
    usable = fallback and not drop_offs.is_closed(fallback.pk, run.local_date, closures)
    shut = drop_offs.is_closed(last.pk, run.local_date, closures)
    return {
        "act": KEEP,
        "day": run.local_date,
        "time": localtime(run.starts_at).time(),
        "site": fallback.pk if fallback and usable and shut else "",
        "said": confirmed(run),
    }

"""What a coordinator fills in about sites."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Q

from shifts.pages.forms_fields import FURTHEST, DayField, DropOffField, LineField, PhoneField, PlaceField
from sites.models import DoorNotes, Site
from volunteers.progress import today

MOST_CONTACTS = 4
# What each part of the door notes may say: examples, so that the box explains itself.
EXAMPLES = {
    "approach": "From Mill Road, second gate, past the loading ramp.",
    "entrance": "Green door beside the dumpsters; ring twice.",
    "parking": "Along the wall, not in the dock.",
    "ask_for": "Ask for the produce manager: “I'm here for the food rescue pickup.”",
    "carts": "Two carts inside the door; bring six empty crates.",
    "spoiled": "Into the green bin behind the dock.",
    "leave_cart": "Back inside the door.",
}


class SiteForm(forms.Form):
    """The facts of a site; of a new one where none is given."""

    name = LineField(label="Name", max_length=80, error_messages={"required": "Write the name."})
    gives = forms.BooleanField(label="Food is picked up here", required=False)
    takes = forms.BooleanField(label="Food is dropped off here", required=False)
    street = LineField(label="Street and number", required=False, max_length=120)
    town = LineField(label="Town", required=False, max_length=80)
    place = PlaceField(
        label="Place on the map",
        required=False,
        help_text="Two numbers, north and then east, as a map shows them: 40.01, -83.02. "
        "Drive times are reckoned from them; without, they are guessed.",
    )
    foods = LineField(
        label="Food it takes",
        required=False,
        max_length=200,
        help_text="Only for a drop-off, in your own words, like: bread and produce, no dairy. "
        "Drivers see it at this stop.",
    )
    fallback = DropOffField(
        Site.objects.none(),
        label="When it is closed, the food goes to",
        required=False,
        empty_label="Not decided",
        help_text="Only for a drop-off: another site that takes food. The desk shows it on closed dates; "
        "nobody is sent there by itself.",
        error_messages={"invalid_choice": "Choose another site in use that takes food."},
    )

    def __init__(self, *args: Any, site: Site | None = None, **options: Any) -> None:
        super().__init__(*args, **options)
        self.site = site
        known = Q(ended_on=None)
        if site and site.fallback_id:
            known |= Q(pk=site.fallback_id)  # what was chosen once can be saved again
        choices: Any = self.fields["fallback"]
        others = Site.objects.exclude(pk=site.pk) if site else Site.objects.all()
        choices.queryset = others.filter(known, takes=True)

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        if not facts.get("gives") and not facts.get("takes"):
            self.add_error("gives", "Tick pickup, drop-off, or both.")
        elif not facts.get("takes"):
            self.refuse_what_only_a_drop_off_has(facts)
        return facts

    def refuse_what_only_a_drop_off_has(self, facts: dict[str, Any]) -> None:
        for name in ("foods", "fallback"):
            if facts.get(name):
                self.add_error(
                    name, "Only a drop-off has this. Tick “Food is dropped off here”, or clear this."
                )
        relying = Site.objects.in_use().filter(fallback=self.site) if self.site else Site.objects.none()
        names = ", ".join(site.name for site in relying)
        if names:
            self.add_error(
                "takes",
                f"When closed, the food of these sites goes here: {names}. Keep the tick, or choose another "
                "site on their pages first.",
            )

    def facts(self) -> dict[str, Any]:
        """The fields of the site."""
        facts = dict(self.cleaned_data)
        facts["latitude"], facts["longitude"] = facts.pop("place") or (None, None)
        return facts


class DoorNotesForm(forms.Form):
    """The parts of the door notes, in the order of arriving at the door."""

    drivers_know_it = forms.BooleanField(
        label="Those who drive today know this door",
        required=False,
        initial=True,
        help_text="They then count as having read them. Newcomers read them once.",
    )
    must_read_again = forms.BooleanField(
        label="Must be read again before driving there",
        required=False,
        help_text="For a change that matters: another door, another hour, a new rule. "
        "Otherwise everybody simply sees the new text on their run.",
    )
    from_day = DayField(label="Counts from", required=False, past=False, furthest=FURTHEST)

    def __init__(self, *args: Any, is_first: bool, **options: Any) -> None:
        super().__init__(*args, **options)
        own = {name: self.fields.pop(name) for name in list(self.fields)}
        for name in DoorNotes.TEXTS:
            label = str(getattr(DoorNotes._meta.get_field(name), "verbose_name", name))
            self.fields[name] = forms.CharField(
                label=label[:1].upper() + label[1:],
                required=False,
                max_length=2000,
                help_text=f"Like: {EXAMPLES[name]}",
                widget=forms.Textarea(attrs={"rows": 3}),
            )
        question = "drivers_know_it" if is_first else "must_read_again"
        self.fields |= {question: own[question], "from_day": own["from_day"]}
        self.fields["from_day"].help_text = (
            "From this day on, nobody drives here alone who has not read them. Empty: today."
            if is_first
            else "Only if they must be read again. Empty: today."
        )
        self.is_first = is_first

    def texts(self) -> dict[str, str]:
        """A browser sends line ends as two signs; what did not change must stay the same."""
        return {name: self.cleaned_data[name].replace("\r\n", "\n") for name in DoorNotes.TEXTS}

    def rules(self) -> dict[str, Any]:
        """Who has to read them, and from when."""
        asked = ("drivers_know_it", "must_read_again", "from_day")
        return {name: self.cleaned_data[name] for name in asked if name in self.fields}

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        if self.is_first and not self.errors and not any(facts.get(name) for name in DoorNotes.TEXTS):
            self.add_error("approach", "Write at least one of these.")
        return facts


class ContactForm(forms.Form):
    name = LineField(label="Name", required=False, max_length=80)
    role = LineField(label="What they do there", required=False, max_length=80)
    phone = PhoneField(label="Phone", required=False)

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        if not facts.get("name") and (facts.get("role") or facts.get("phone")) and "name" not in self.errors:
            self.add_error("name", "Write the name, or clear this row.")
        return facts


def contact_rows(site: Site, data: Any = None) -> Any:
    """The site's contacts as rows, with empty ones below them."""
    known = [{"name": c.name, "role": c.role, "phone": str(c.phone)} for c in site.contacts.all()]
    rows = max(MOST_CONTACTS, len(known))
    made = forms.formset_factory(ContactForm, extra=0, min_num=rows, max_num=rows, absolute_max=rows)
    return made(data, initial=known)


class CloseForm(forms.Form):
    first = DayField(label="First closed day", furthest=FURTHEST)
    last = DayField(
        label="Last closed day",
        required=False,
        past=False,
        furthest=FURTHEST,
        help_text="Empty: closed on that one day.",
    )
    reason = LineField(label="Why", required=False, max_length=120, help_text="Like: holiday, floor repair.")

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        first, last = facts.get("first"), facts.get("last")
        if first and last and last < first:
            self.add_error("last", "The last closed day is before the first.")
        elif first and not last and "last" not in self.errors:
            facts["last"] = first
            if first < today():
                self.add_error("first", "This day is over. If it is still closed, give the last day as well.")
        return facts

"""What a coordinator fills in about regular runs and crews."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms
from django.db.models import QuerySet

from shifts.cover.candidates import NOT_THERE
from shifts.models import Shift, ShiftTerm, Standing
from shifts.pages.forms_fields import FURTHEST, DayField, LineField
from shifts.seats.standing import suits
from volunteers import clearance
from volunteers.models import Person, Step
from volunteers.progress import today
from volunteers.roster.plan import name_key

SHOWN = 30  # people to tick at once; the others by their name


def drivers() -> QuerySet[Person]:
    return Person.objects.drivers().order_by("name")


def lacking(people: Iterable[Person], term: ShiftTerm | None) -> dict[int, str]:
    """By the person's key, in words, what keeps each from a weekly run's sites today, nothing of those who
    are ready; a query for each step and one more, however many they are."""
    people = list(people)
    day = max(today(), term.applies_from) if term else today()
    sites = [stop.site_id for stop in term.stops.all()] if term else []
    missing = clearance.missing_by_person(people, on=day, sites=sites)
    barred = clearance.barred(people, sites=sites)
    return {pk: NOT_THERE if pk in barred else reason(steps) for pk, steps in missing.items()}


def reason(steps: list[Step]) -> str:
    """The first two of what is missing; a list of people has no room for more."""
    if not steps:
        return ""
    more = len(steps) - 2
    named = ", ".join(step.title for step in steps[:2])
    return f"not ready: {named} and {more} more" if more > 0 else f"not ready: {named}"


class WhoField(forms.ModelChoiceField):
    """Somebody who drives: those who are ready first, the others each with the reason."""

    def __init__(self, **options: Any) -> None:
        super().__init__(Person.objects.none(), empty_label="Choose somebody", **options)

    def offer(self, people: list[Person], missing: dict[int, str]) -> None:
        self.queryset = drivers()
        ready = [(person.pk, person.name) for person in people if not missing[person.pk]]
        others = [
            (person.pk, f"{person.name} ({missing[person.pk]})") for person in people if missing[person.pk]
        ]
        groups = [(name, some) for name, some in (("Ready today", ready), ("Not ready yet", others)) if some]
        self.choices = [("", self.empty_label), *groups]


def patterns(term: ShiftTerm | None) -> list[tuple[str, str]]:
    """Which of a weekly run's dates one may hold; all but every one need a run in every week."""
    return [
        (value, str(label))
        for value, label in Standing.Pattern.choices
        if term is None or suits(value, term.rule)
    ]


class RegularForm(forms.Form):
    """Who drives a weekly run regularly, how often, from when on."""

    person = WhoField(
        label="Who",
        help_text="Of somebody who is not ready yet the runs are kept, and nobody drives unready.",
        error_messages={
            "required": "Choose somebody.",
            "invalid_choice": "This person is not there, or does not drive. Choose one of the list.",
        },
    )
    pattern = forms.ChoiceField(
        label="How often",
        widget=forms.RadioSelect,
        initial=Standing.Pattern.EVERY,
        error_messages={"required": "Choose how often.", "invalid_choice": "Choose how often."},
    )
    from_day = DayField(
        label="From",
        past=False,
        furthest=FURTHEST,
        help_text="Every other week is counted from the week of this day.",
    )

    def __init__(self, *args: Any, shift: Shift, term: ShiftTerm | None, **options: Any) -> None:
        super().__init__(*args, **options)
        self.shift, self.people = shift, list(drivers())
        self.missing = lacking(self.people, term) if self.people else {}
        who: Any = self.fields["person"]
        who.offer(self.people, self.missing)
        which: Any = self.fields["pattern"]
        which.choices = patterns(term)
        self.fields["from_day"].initial = max(today(), term.applies_from) if term else today()


class MembersField(forms.MultipleChoiceField):
    """People to tick. Only some are drawn; any of `people`, by key as text, may be ticked."""

    widget = forms.CheckboxSelectMultiple
    people: dict[str, Person]

    def valid_value(self, value: Any) -> bool:
        return str(value) in self.people

    def clean(self, value: Any) -> list[Person]:
        return [self.people[key] for key in super().clean(value)]


class CrewFields(forms.Form):
    """A crew: its name, its captain, its members. The members to tick are found by the first letters of a
    name; whoever is ticked stays in sight and ticked."""

    crew = LineField(
        label="Name of the crew",
        max_length=80,
        help_text="Like: St. Elm choir, Mill Street office.",
        error_messages={"required": "Write the crew's name."},
    )
    person = WhoField(
        label="Captain",
        help_text="Is told which runs are kept, and names who drives each.",
        error_messages={
            "required": "Choose the captain.",
            "invalid_choice": "This person is not there, or does not drive. Choose one of the list.",
        },
    )
    members = MembersField(
        label="Members who drive",
        required=False,
        help_text="The captain is one of them, ticked or not.",
        error_messages={"invalid_choice": "Somebody ticked is not there, or does not drive any more."},
    )

    def __init__(self, *args: Any, term: ShiftTerm | None, looked_for: str = "", **options: Any) -> None:
        super().__init__(*args, **options)
        self.looked_for = looked_for
        self.people = list(drivers())
        self.missing = lacking(self.people, term) if self.people else {}
        who: Any = self.fields["person"]
        who.offer(self.people, self.missing)
        members: Any = self.fields["members"]
        members.people = {str(person.pk): person for person in self.people}
        ticked = {str(key) for key in self["members"].value() or []}
        members.choices, self.more = self.to_tick(ticked)

    def to_tick(self, ticked: set[str]) -> tuple[list[tuple[int, str]], int]:
        """Those who are drawn, the ticked ones first, and how many others there are."""
        chosen = [person for person in self.people if str(person.pk) in ticked]
        rest = [person for person in self.people if str(person.pk) not in ticked]
        found = [person for person in rest if begins(person.name, self.looked_for)]
        shown = [*chosen, *found[:SHOWN]]
        return [(person.pk, self.words_of(person)) for person in shown], len(found) - len(found[:SHOWN])

    def words_of(self, person: Person) -> str:
        missing = self.missing[person.pk]
        return f"{person.name} ({missing})" if missing else person.name


def begins(name: str, letters: str) -> bool:
    """Whether the name, or one of its words, begins with the letters; case and accents do not count."""
    asked, known = name_key(letters), name_key(name)
    return known.startswith(asked) or f" {asked}" in f" {known}"


class NewCrewForm(CrewFields):
    pattern = forms.ChoiceField(
        label="How often",
        widget=forms.RadioSelect,
        initial=Standing.Pattern.EVERY,
        error_messages={"required": "Choose how often.", "invalid_choice": "Choose how often."},
    )
    from_day = DayField(label="From", past=False, furthest=FURTHEST)

    def __init__(self, *args: Any, term: ShiftTerm | None, **options: Any) -> None:
        super().__init__(*args, term=term, **options)
        which: Any = self.fields["pattern"]
        which.choices = patterns(term)
        self.fields["from_day"].initial = max(today(), term.applies_from) if term else today()


class SkipForm(forms.Form):
    first = DayField(label="First day", past=False, furthest=FURTHEST)
    last = DayField(
        label="Last day", past=False, furthest=FURTHEST, required=False, help_text="Empty: that one day."
    )
    note = LineField(
        label="Note", max_length=200, required=False, help_text="Why, for coordinators. Like: on holiday."
    )

    def clean(self) -> dict[str, Any]:
        facts = super().clean() or {}
        first, last = facts.get("first"), facts.get("last")
        if first and not self.errors.get("last"):
            facts["last"] = last or first
            if last and last < first:
                self.add_error("last", "The last day is before the first.")
        return facts


class StopForm(forms.Form):
    last_day = DayField(label="Last day they drive it", past=False, furthest=FURTHEST)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["last_day"].initial = today()

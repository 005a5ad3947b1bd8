"""What a change of the steps does to people and to booked runs, read before and after it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.urls import reverse

from shifts.models import Booking, Run
from shifts.pages.desk_look import Group, count
from shifts.pages.desk_parts import phone_of, title_and_time
from sites.dates import us
from sites.models import Site
from volunteers import clearance
from volunteers.models import Person, StepTerm


@dataclass(frozen=True)
class Ready:
    """Who is ready to drive alone, and which drivers are booked and are not."""

    people: dict[int, str]  # names, by key
    gone: dict[int, Booking]  # by key, by start


def ready_on(day: date, site: Site | None, *, at: datetime) -> Ready:
    """Among those who drive or mean to: who is ready on the day, at the site where there is one; and the
    bookings ahead that the gate would refuse. Two queries."""
    sites = [site.pk] if site else []
    people = clearance.cleared(Person.objects.drivers(), on=day, sites=sites)
    runs = Run.objects.on_the_books().not_over(at).without_closed().order_by()
    gone = Booking.objects.clearance_gone().filter(run__in=runs).select_related("person", "run")
    return Ready(
        people=dict(people.values_list("pk", "name")),
        gone={booking.pk: booking for booking in gone.order_by("run__starts_at", "pk")},
    )


def groups_of(before: Ready, after: Ready, day: date, site: Site | None) -> list[Group]:
    """Who loses and who gains, and the booked runs that are flagged from now on, or no longer."""
    where = f" at {site.name}" if site else ""
    when = us(day)
    lost, won = people_of(before, after), people_of(after, before)
    people = count(len(lost), "person is", "people are")
    flagged, freed = runs_of(after, before), runs_of(before, after)
    return [
        Group(
            f"{count(len(flagged), 'booked run')} would have a driver who is not ready",
            flagged,
            "Nobody is taken out by this. The desk shows these runs until the step is recorded for the "
            "driver, or somebody else is seated.",
            needs=True,
        ),
        Group(
            f"{people} not ready to drive alone{where} on {when} any more",
            lost,
            "Until the step is recorded for them. They are reminded on the days set for papers that run out; "
            "regular drivers are also told how far their steps reach.",
            needs=True,
        ),
        Group(f"{count(len(won), 'person becomes', 'people become')} ready to drive alone{where}", won),
        Group(f"{count(len(freed), 'booked run')} would be in order again", freed),
    ]


def people_of(some: Ready, others: Ready) -> list[dict[str, Any]]:
    """The rows of those who are ready in the one and not in the other, by name."""
    found = [(name, pk) for pk, name in some.people.items() if pk not in others.people]
    return [{"name": name, "url": reverse("desk_person", args=[pk])} for name, pk in sorted(found)]


def runs_of(some: Ready, others: Ready) -> list[dict[str, Any]]:
    """The rows of the bookings that are gone in the one and not in the other, by start."""
    return [row_of(booking) for pk, booking in some.gone.items() if pk not in others.gone]


def row_of(booking: Booking) -> dict[str, Any]:
    return {
        "name": title_and_time(booking.run),
        "url": reverse("desk_run", args=[booking.run_id]),
        "hint": booking.person.name,
        **phone_of(booking.person.phone),
    }


def falls_away(terms: Sequence[StepTerm], from_day: date, *, ends: bool = False) -> list[str]:
    """What was announced for later and is overtaken by a change from a day on, or by the end."""
    later = [term for term in terms if term.applies_from > from_day]
    said = []
    if later and later[0] == terms[0]:
        was = us(later.pop(0).applies_from)
        said.append(f"It was to be asked from {was}." + ("" if ends else " This takes its place."))
    said += [
        f"A change was announced from {us(term.applies_from)}. It falls away: enter it again if it holds."
        for term in later
    ]
    last = terms[-1].applies_until if terms else None
    if last and last > from_day and not ends:
        said.append(f"It was to be asked no longer from {us(last)}. That falls away; now it goes on.")
    return said


def undo_of(
    terms: Sequence[StepTerm], from_day: date, *, again: bool = False, ends: bool = False
) -> dict[str, str] | None:
    """What the page of a step is sent to have it ask what it asked before a change from a day on, with these
    terms then; None where nothing brings that back: something announced fell away, or what was asked from
    that very day has another revision now. `again`: everybody does it again; `ends`: it is asked no longer.
    """
    last = terms[-1].applies_until if terms else None
    if any(term.applies_from > from_day for term in terms) or (last and last >= from_day):
        return None
    that_day = next((term for term in terms if term.applies_from == from_day), None)
    if that_day is None:
        return {"what": "back", "from_day": from_day.isoformat()}
    before = max((term.revision for term in terms if term.applies_from < from_day), default=1)
    same = that_day.revision == before if ends else not again
    return as_asked(that_day) if same else None


def as_asked(term: StepTerm) -> dict[str, str]:
    """A term as the form sends it that asks just this from its first day on."""
    months = str(term.lasts_months or "")
    return {
        "what": "asks", "asks-from_day": term.applies_from.isoformat(), "asks-times": str(term.times),
        "asks-lasts_months": months,
    }  # fmt: skip

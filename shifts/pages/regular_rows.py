"""Regular runs as the desk's pages list them: of a weekly run, and of a person."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django.db.models import Q
from django.urls import reverse
from django.utils.formats import date_format

from shifts.cover.regulars import Absent
from shifts.models import Run, Shift, Skip, Standing
from shifts.pages.desk_parts import when
from shifts.seats.standing import regular_rows
from sites.dates import us
from volunteers.models import Person

SHOWN = 8  # kept runs listed; a year of them tells nothing more


def rows_of_shift(
    shift: Shift, ahead: list[Run], absent: dict[int, Absent], today: date
) -> list[dict[str, Any]]:
    """The regular runs of a weekly run that go on. `ahead` are its runs to come `with_people`."""
    driven: dict[int, int] = {}
    for run in ahead:
        for booking in run.seated:
            if booking.standing_id:
                driven[booking.standing_id] = driven.get(booking.standing_id, 0) + 1
    return [
        {**row_of(standing, today), **ahead_of(standing, ahead, absent), "driven": driven.get(standing.pk, 0)}
        for standing in regular_rows(shift, today)
    ]


def row_of(standing: Standing, today: date) -> dict[str, Any]:
    person = standing.person
    members = [member for member in standing.members.all() if member.pk != person.pk]
    return {
        "pk": standing.pk,
        "crew": standing.crew,
        "name": standing.crew or person.name,
        "person": person,
        "members": [link_to(member) for member in members] if standing.crew else [],
        "how_often": standing.get_pattern_display(),
        "since": span_words(standing, today),
        "skips": [skip_row(skip) for skip in standing.skips.all() if skip.last >= today],
        "has_end": standing.until_day is not None,
    }


def link_to(person: Person) -> dict[str, str]:
    return {"name": person.name, "url": reverse("desk_person", args=[person.pk])}


def span_words(standing: Standing, today: date) -> str:
    """Since when, and until when, in words; days are included."""
    begins = (
        f"since {us(standing.from_day)}" if standing.from_day <= today else f"from {us(standing.from_day)} on"
    )
    if standing.until_day is None:
        return begins
    return f"{begins}, last day {us(standing.until_day - timedelta(days=1))}"


def skip_row(skip: Skip) -> dict[str, Any]:
    days = date_format(skip.first)
    if skip.last != skip.first:
        days = f"{days} to {date_format(skip.last)}"
    return {"pk": skip.pk, "days": days, "reason": skip.reason}


def ahead_of(standing: Standing, ahead: list[Run], absent: dict[int, Absent]) -> dict[str, Any]:
    """Its runs ahead that nobody drives, each with the reason."""
    theirs = [(run, absent[run.pk]) for run in ahead if run.pk in absent]
    kept = [
        {
            "url": reverse("desk_run", args=[run.pk]),
            "when": when(run),
            "why": " ".join(filter(None, [one.steps and f"Missing: {one.steps}.", kept_words(one)])),
        }
        for run, one in theirs
        if one.standing.pk == standing.pk
    ]
    return {"kept": kept[:SHOWN], "more_kept": len(kept[SHOWN:]), "kept_count": len(kept)}


def kept_words(absent: Absent) -> str:
    return f"Kept until {date_format(absent.until)}." if absent.is_kept else "Asked around now."


def rows_of_person(person: Person, today: date) -> list[dict[str, str]]:
    """Their own regular runs, and those of crews they are in."""
    theirs = Standing.objects.going_on(today).filter(Q(person=person) | ~Q(crew="") & Q(members=person))
    return [
        {
            "url": reverse("desk_shift", args=[standing.shift_id]) + "#regular",
            "name": standing.shift.name,
            "words": ", ".join(
                [*part_in(standing, person), standing.get_pattern_display(), span_words(standing, today)]
            ),
        }
        for standing in theirs.select_related("shift").distinct()
    ]


def part_in(standing: Standing, person: Person) -> list[str]:
    if not standing.crew:
        return []
    return [f"captain of {standing.crew}" if standing.person_id == person.pk else f"with {standing.crew}"]

"""What was done to a run, when and by whom, in words."""

from __future__ import annotations

from typing import Any

from django.utils.dateparse import parse_datetime
from django.utils.formats import date_format, time_format
from django.utils.timezone import localtime

from shifts.cover.wishes import FORBID, PIN
from shifts.models import Ask, Booking, Run
from sites.models import Event
from volunteers.models import KitMove, Person

# Private to the coordinators: whoever only covers for them does not read it.
PRIVATE = [str(Booking.End.NO_SHOW), "came after all", "talked"]

# How somebody said that they will be there; else in the calendar.
SAID_BY = {"link": "says that they will be there", "phone": "said by phone that they will be there"}


def history_of(run: Run, *, private: bool = True) -> list[dict[str, Any]]:
    """The run's events, newest first, with those `private` to coordinators or without; three queries."""
    said = Event.objects.about(run) if private else Event.objects.about(run).exclude(verb__in=PRIVATE)
    events = list(said.select_related("by").prefetch_related("by__people"))
    people = Person.objects.in_bulk({event.person_id for event in events if event.person_id})
    return [
        {"at": event.at, "who": who_did(event), "what": what_was_done(event, people.get(event.person_id))}
        for event in events
    ]


def wish_words(name: str, kind: str) -> str:
    if kind == PIN:
        return f"wants {name} for it in the plan"
    return f"wants {name} not in the plan of it" if kind == FORBID else f"leaves {name} to the plan"


def who_did(event: Event | KitMove) -> str:
    """The name behind the sign-in; where a household shares it, all of them."""
    if event.by is None:
        return "the schedule"
    return ", ".join(person.name for person in event.by.people.all()) or event.by.email


def what_was_done(event: Event, person: Person | None) -> str:
    before, after = event.before or {}, event.after or {}
    name = person.name if person else "somebody"
    words = {
        "seated": seated_words(name, after),
        Booking.End.GIVEN_BACK.value: f"{name} cannot make it: {seat_word(before)} is empty",
        Booking.End.TAKEN_OUT.value: f"took {name} out of {seat_word(before)}",
        Booking.End.HANDED_ON.value: f"{name} handed the run on",
        "hand-over asked": f"asked {name} to take the run",
        "hand-over declined": f"{name} does not take the run",
        "hand-over withdrawn": f"asked {name} no longer",
        Booking.End.LAPSED.value: f"{name} is off {seat_word(before)}",
        Booking.End.NO_SHOW.value: f"{name} did not come",
        "came after all": f"took back that {name} did not come",
        "search begun": "began to ask around for a driver",
        "search hurried": "asked the next group at once",
        "search ended": ENDS.get(str(after.get("end")), "asked nobody more"),
        "request": f"asked {name} by {'phone' if after.get('by') else 'mail'}",
        "request answered": f"{name} said: {answer_word(after)}",
        "call taken back": f"took back what was noted of a call with {name}",
        "back-up": f"{name} would still take it, should the driver fall out",
        "back-up no more": f"{name} is no back-up any more",
        "plan wish": wish_words(name, str(after.get("kind"))),
        "alert seen": f"saw that {name} gave it back",
        "alert not seen": f"wants to see again that {name} gave it back",
        "ride proposed": f"asked {name} and {after.get('with')} about a shadow ride",
        "ride agreed": f"{name} says yes to a shadow ride with {after.get('with')}",
        "ride not agreed after all": f"{name} has not said yes to a shadow ride with {after.get('with')}",
        "ride declined": f"{name} says no to a shadow ride with {after.get('with')}",
        "ride withdrawn": f"a shadow ride of {name} with {after.get('with')} is not proposed any more",
        "rides otherwise": f"how {name} rides: {way_word(after)}",
        "on again": "put the run on again",
        "also along": f"{name} takes {after['names']} along"
        if after.get("names")
        else f"{name} takes nobody else along",
        "confirmed": f"{name} {SAID_BY.get(after.get('how', ''), 'accepted in the calendar')}",
        "not confirmed": f"{name} has not said after all that they will be there",
        "noted": f"note: {after.get('note')}" if after.get("note") else "took the note away",
    }
    if event.verb == "added":
        other = after.get("second car of")
        return f"added as the second car of {other}" if other else "added the run"
    if event.verb == "changed":
        return "changed " + (", ".join(changes_in_words(before, after)) or "the run")
    if event.verb == Booking.End.CANCELLED.value:
        if person:
            return f"{name} is off the run, as it was cancelled"
        if after.get("cause") == Run.Cause.RULE:
            return "cancelled: the weekly run no longer has this date"
        return f"cancelled the run: {after.get('reason')}" if after.get("reason") else "cancelled the run"
    said = words.get(event.verb, event.verb)
    return f"{said} ({after['note']})" if after.get("note") and event.verb != "noted" else said


ENDS = {
    "filled": "somebody drives, so nobody more is asked",
    "stopped": "stopped asking around",
    "over": "nobody more is asked: it has started, is cancelled, or is closed",
}


def answer_word(values: dict[str, Any]) -> str:
    said = values.get("answer")
    return str(Ask.Answer(said).label) if said in Ask.Answer.values else "nothing yet"


def seated_words(name: str, after: dict[str, Any]) -> str:
    if after.get("on behalf"):
        return f"seated {name} in {seat_word(after)}, as agreed"
    return f"{name} took {seat_word(after)}"


def seat_word(values: dict[str, Any]) -> str:
    return "the second seat" if values.get("seat") == Booking.Seat.SECOND else "the driver's seat"


def way_word(values: dict[str, Any]) -> str:
    way = values.get("ride")
    return str(Booking.Ride(way).label) if way in Booking.Ride.values else "not said"


def changes_in_words(before: dict[str, Any], after: dict[str, Any]) -> list[str]:
    names = {"starts at": "the start", "ends at": "the end", "stops": "the stops", "crates": "the crates"}
    found = []
    for key, new in after.items():
        old = before.get(key)
        if old == new or key not in names:
            continue
        shown = "" if key == "stops" else f" from {readable(old)} to {readable(new)}"
        found.append(names[key] + shown)
    return found


def readable(value: Any) -> str:
    moment = parse_datetime(value) if isinstance(value, str) else None
    if moment is None:
        return str(value)
    local = localtime(moment)
    return f"{date_format(local)}, {time_format(local)}"

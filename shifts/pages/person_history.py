"""What was done to a person, when and by whom, in words."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from django.utils.dateparse import parse_date

from shifts.models import Booking, Run
from shifts.pages.desk_history import PRIVATE, answer_word, seat_word, way_word, who_did
from shifts.pages.desk_parts import title_and_time
from sites.dates import us
from sites.models import Event
from volunteers.models import Completion, Person

SHOWN = 60  # newest events; a driver of some years has hundreds

FACTS = {
    "name": "the name",
    "phone": "the phone",
    "email": "the e-mail address",
    "language": "the language",
    "reach": "how to reach them",
    "calendar": "how runs reach their calendar",
    "drives": "whether they drive",
    "notes": "the notes",
    "is_adult": "adult or under 18",
    "consent_on": "whether they may ride along",
    "emergency_name": "the emergency contact",
    "emergency_phone": "the emergency contact",
    "runs_a_week": "runs a week",
    "requests_a_week": "requests a week",
    "wants_requests": "whether they want requests",
    "early_requests": "whether they may be asked early",
    "feed_nonce": "the private calendar link",
    "home_latitude": "the home",
    "home_longitude": "the home",
}
SHOW_VALUES = ("name", "phone", "email")


def history_of(person: Person, *, private: bool = True) -> list[dict[str, Any]]:
    """The newest events that concern the person, newest first, with those `private` to coordinators or
    without; three queries."""
    said = Event.objects.filter(person_id=person.pk)
    said = said if private else said.exclude(verb__in=PRIVATE)
    events = list(said.select_related("by").prefetch_related("by__people")[:SHOWN])
    keys = {int(key) for key in (event.subject.removeprefix("run:") for event in events) if key.isdecimal()}
    runs = Run.objects.in_bulk(keys)
    return [
        {"at": event.at, "who": who_did(event), "what": in_words(event, run_of(event, runs), private=private)}
        for event in events
    ]


def run_of(event: Event, runs: dict[int, Run]) -> str:
    """The run that the event is about, as it is called now."""
    key = event.subject.removeprefix("run:")
    run = runs.get(int(key)) if key.isdecimal() else None
    return title_and_time(run) if run else "a run that is no longer there"


def in_words(event: Event, run: str, *, private: bool) -> str:
    before, after = event.before or {}, event.after or {}
    if event.verb == "not at" and not private:
        after = {"site": after.get("site")}  # why is the coordinators' alone
    words = WORDS.get(event.verb)
    said = words(before, after, run) if words else event.verb
    note = after.get("note")
    return f"{said} ({note})" if note else said


def changed(before: dict, after: dict, run: str) -> str:
    if "lead_since" in after:
        return "made a lead driver" if after["lead_since"] else "lead driver no longer"
    if "left_on" in after:
        return "left the programme" if after["left_on"] else "came back"
    if "paused_on" in after:
        return "takes a break" if after["paused_on"] else "came back from the break"
    if "consent_on" in after and set(after) == {"consent_on"}:
        return "may ride along beside the guardian" if after["consent_on"] else "may not ride along any more"
    parts = []
    for name in after:
        what = FACTS.get(name, name.replace("_", " "))
        if name in SHOW_VALUES:
            what += f" from {before.get(name) or 'nothing'} to {after[name] or 'nothing'}"
        parts.append(what)
    return "changed " + ", ".join(dict.fromkeys(parts))


def step_done(before: dict, after: dict, run: str) -> str:
    said = f"{after.get('step')}: {Completion.How(after.get('how', 'done')).label}"
    if after.get("until"):
        said += f", until {logged(after['until'])}"
    return f"{said} ({after['reason']})" if after.get("reason") else said


def logged(text: Any) -> str:
    """A date out of the log."""
    day = parse_date(text) if isinstance(text, str) else text
    return us(day) if isinstance(day, date) else str(text)


def listed(name: str, nothing: str) -> Callable[[dict, dict, str], str]:
    def said(before: dict, after: dict, run: str) -> str:
        return f"{name}: {', '.join(map(str, after.get(name) or [])) or nothing}"

    return said


WORDS: dict[str, Callable[[dict, dict, str], str]] = {
    "added": lambda before, after, run: "joined",
    "changed": changed,
    "cars changed": listed("cars", "none"),
    "hours changed": lambda before, after, run: "changed the usual hours",
    "away": lambda before, after, run: f"away {logged(after.get('first'))} to {logged(after.get('last'))}",
    "not at": lambda before, after, run: (
        f"not to be sent to {after.get('site')}" + (f" ({after['reason']})" if after.get("reason") else "")
    ),
    "not at ended": lambda before, after, run: f"may be sent to {before.get('site')} again",
    "also along": lambda before, after, run: (
        f"takes {after['names']} along: {run}" if after.get("names") else f"takes nobody else along: {run}"
    ),
    "not away": lambda before, after, run: (
        f"not away {logged(before.get('first'))} to {logged(before.get('last'))} after all"
    ),
    "step done": step_done,
    "step taken back": lambda before, after, run: f"{after.get('step')} taken back: {after.get('reason')}",
    "photo sent": lambda before, after, run: f"{after.get('step')}: sent a photo",
    "photo deleted": lambda before, after, run: f"{after.get('step')}: photo deleted",
    "reminded": lambda before, after, run: (
        f"{after.get('step')}: reminded, "
        + ("needed anew after " if after.get("anew") else "it runs out ")
        + logged(after.get("until"))
    ),
    "kit handed": lambda before, after, run: "starter kit handed over",
    "kit returned": lambda before, after, run: "starter kit returned",
    "kit lost": lambda before, after, run: "starter kit not coming back",
    "kit undone": lambda before, after, run: f"undone: starter kit {before.get('kind')}",
    "ride signed off": lambda before, after, run: (
        f"ride on {logged(after.get('on'))} with {after.get('lead')}: "
        + ("ready to drive alone" if after.get("outcome") == "ready" else "ride once more")
    ),
    "sign-off taken back": lambda before, after, run: (
        f"ride on {logged(after.get('on'))} with {after.get('lead')} taken back: {after.get('reason')}"
    ),
    "seated": lambda before, after, run: (
        f"took {seat_word(after)}" + (", as agreed by phone" if after.get("on behalf") else "") + f": {run}"
    ),
    Booking.End.GIVEN_BACK.value: lambda before, after, run: f"cannot make it: {run}",
    Booking.End.TAKEN_OUT.value: lambda before, after, run: f"taken out: {run}",
    Booking.End.CANCELLED.value: lambda before, after, run: f"run cancelled: {run}",
    Booking.End.NO_SHOW.value: lambda before, after, run: f"did not come: {run}",
    "came after all": lambda before, after, run: f"taken back that they did not come: {run}",
    "request": lambda before, after, run: (
        f"asked by {'phone' if after.get('by') else 'mail'} whether they can drive: {run}"
    ),
    "request answered": lambda before, after, run: f"answered “{answer_word(after)}”: {run}",
    "call taken back": lambda before, after, run: f"what was noted of a call was taken back: {run}",
    "back-up": lambda before, after, run: f"would still take it, should the driver fall out: {run}",
    "back-up no more": lambda before, after, run: f"is no back-up any more: {run}",
    "alert seen": lambda before, after, run: f"seen by a coordinator that they gave back: {run}",
    "talked": lambda before, after, run: "a coordinator talked with them",
    "covers": lambda before, after, run: (
        f"keeps the desk {logged(after.get('first'))} to {logged(after.get('last'))}"
        if after
        else "keeps the desk again"
    ),
    "covers no longer": lambda before, after, run: "keeps the desk no longer",
    "ride proposed": lambda before, after, run: f"asked about a ride with {after.get('with')}: {run}",
    "ride agreed": lambda before, after, run: f"says yes to a ride with {after.get('with')}: {run}",
    "ride not agreed after all": lambda before, after, run: f"has not said yes to a ride: {run}",
    "ride declined": lambda before, after, run: f"says no to a ride with {after.get('with')}: {run}",
    "ride withdrawn": lambda before, after, run: f"ride not proposed any more: {run}",
    "rides otherwise": lambda before, after, run: f"how they ride: {way_word(after)}, {run}",
    "coordinator appointed": lambda before, after, run: "made a coordinator",
    "coordinator ended": lambda before, after, run: "coordinator no longer",
    "not a lead now": lambda before, after, run: "not suggested as a lead driver for six months",
    "told by phone": lambda before, after, run: "told by phone",
    "not told after all": lambda before, after, run: "not told by phone after all",
    "mail tried again": lambda before, after, run: "mail tried again",
}

"""Orientation at the desk: who waits for what, the one next act for each, who might lead, and the numbers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from shifts.cover import leads
from shifts.cover.orientation import OnTheWay, Stage, WaitsFor, on_the_way
from shifts.cover.pace import Pace, pace
from shifts.models import Policy
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_parts import contact_of, sentence, title_and_time
from shifts.pages.desk_people import person_or_404
from shifts.pages.undo import back_to, offer_undo, undo_offered
from volunteers import hello
from volunteers.models import Person

GROUPS = {
    WaitsFor.ANSWER: ("answer", "Ask to join"),
    WaitsFor.DESK: ("you", "Wait for you"),
    WaitsFor.LEAD: ("lead", "Wait for a lead driver"),
    WaitsFor.THEMSELVES: ("themselves", "Wait for themselves"),
    WaitsFor.RIDE: ("rides", "Have a ride arranged"),
}

YOURS = ("answer", "you")  # these stand first, and widest

TICKS = {
    Stage.PHOTO: "Confirm it",
    Stage.FORM: "Tick it off",
    Stage.KIT: "Hand it over",
    Stage.DATE: "Note its date",
}

# The way in order, as the picture counts it: a name, and the stages that stand there.
STATIONS = [
    ("Ask to join", (Stage.ASKS, Stage.ASKED_BACK)),
    ("Hello", (Stage.HELLO,)),
    ("Briefing", (Stage.BRIEFING,)),
    ("Papers", (Stage.PAPER, Stage.PHOTO, Stage.DATE)),
    ("Form", (Stage.FORM,)),
    ("Kit", (Stage.KIT,)),
    ("Shadow ride", (Stage.RIDE, Stage.PROPOSAL, Stage.LEAD_ANSWER, Stage.RIDES)),
    ("Sign-off", (Stage.SIGN_OFF, Stage.UNSIGNED)),
    ("Door notes", (Stage.DOORS,)),
]


@coordinator_only
@require_safe
def orientation(request: Request) -> HttpResponse:
    at = timezone.now()
    people = on_the_way(at=at)
    groups = groups_of(people)
    policy = Policy.current()
    context = {
        "undo": undo_offered(request),
        "groups": groups,
        "columns": [
            [group for group in groups if group["key"] in YOURS],
            [group for group in groups if group["key"] not in YOURS],
        ],
        "for_you": sum(one.stage.waits_for in (WaitsFor.ANSWER, WaitsFor.DESK) for one in people),
        "stuck": sum(one.is_stuck for one in people),
        "leads": [lead_shown(one) for one in leads.could_lead(at=at)],
        "policy": policy,
        "stations": stations_of(people),
        "count": len(people),
        "pace": pace_shown(pace(at=at)),
        "has_people": bool(people) or Person.objects.drivers().exists(),
    }
    return render(request, "desk/orientation.html", context)


def groups_of(people: Iterable[OnTheWay]) -> list[dict[str, Any]]:
    """Whose move it is, each with its people in the order given; groups with nobody are left out."""
    rows: dict[WaitsFor, list[dict[str, Any]]] = {}
    for one in people:
        rows.setdefault(one.stage.waits_for, []).append(row_of(one))
    return [
        {"key": key, "title": title, "people": rows[whose]}
        for whose, (key, title) in GROUPS.items()
        if whose in rows
    ]


def row_of(one: OnTheWay) -> dict[str, Any]:
    return {
        **contact_of(one.person),
        "pk": one.person.pk,
        "what": what_for(one),
        "since": one.what.since,
        "days": one.days,
        "is_stuck": one.is_stuck,
        "is_primary": one.is_stuck or one.stage.waits_for in (WaitsFor.ANSWER, WaitsFor.DESK),
        "says_hello": one.stage is Stage.HELLO,
        "lead": contact_of(one.what.lead) if one.what.lead and one.stage is Stage.UNSIGNED else None,
        **act_for(one),
    }


def what_for(one: OnTheWay) -> str:
    """What they wait for, in words."""
    what, stage = one.what, one.stage
    step = what.step.title if what.step else ""
    run = title_and_time(what.run) if what.run else ""
    lead = what.lead.first_name if what.lead else ""
    if stage is Stage.RIDE and run:
        return sentence(f"Sits beside no lead driver: {run}")
    words = {
        Stage.ASKS: "Asks to join and waits for your answer.",
        Stage.ASKED_BACK: f"You asked: {what.join.question if what.join else ''}",
        Stage.HELLO: "Taken in; nobody has spoken with them yet.",
        Stage.PHOTO: f"Sent a photograph: {step}.",
        Stage.DATE: f"Seen, but its date never followed: {step}.",
        Stage.FORM: f"To sign: {step}.",
        Stage.KIT: f"To be handed over: {step}.",
        Stage.RIDE: "Waits for a shadow ride.",
        Stage.UNSIGNED: f"Rode with {lead}, not signed off: {run}",
        Stage.BRIEFING: f"Has to read: {step}.",
        Stage.PAPER: f"Has not shown: {step}.",
        Stage.DOORS: "All done but door notes: has read none yet.",
        Stage.PROPOSAL: f"Has not answered; {lead} has agreed: {run}",
        Stage.LEAD_ANSWER: f"Waits for {lead} to agree: {run}",
        Stage.SIGN_OFF: f"Rode with {lead}, who signs off: {run}",
        Stage.RIDES: f"Rides with {lead}: {run}",
    }
    return sentence(words[stage]) if not words[stage].endswith("?") else words[stage]


def act_for(one: OnTheWay) -> dict[str, str]:
    """The coordinator's one next act: an address, and what its button says."""
    what, person = one.what, one.person
    match one.stage:
        case Stage.ASKS:
            assert what.join is not None  # that is what they wait for
            return {"act_url": reverse("desk_join", args=[what.join.pk]), "act": "Answer"}
        case Stage.PHOTO | Stage.FORM | Stage.KIT | Stage.DATE:
            assert what.step is not None
            url = reverse("desk_step_done", args=[person.pk, what.step.pk])
            return {"act_url": f"{url}?next={reverse('desk_orientation')}", "act": TICKS[one.stage]}
        case Stage.RIDE if what.run:
            return {"act_url": reverse("desk_run", args=[what.run.pk]), "act": "Find a lead driver"}
        case Stage.RIDE:
            return {"act_url": reverse("desk_rides"), "act": "Arrange a ride"}
        case Stage.UNSIGNED:
            assert what.run is not None
            return {"act_url": reverse("desk_run", args=[what.run.pk]) + "#sign-off", "act": "Record as told"}
        case Stage.RIDES:
            assert what.run is not None
            return {"act_url": reverse("desk_run", args=[what.run.pk]), "act": "Open the run"}
        case Stage.SIGN_OFF | Stage.LEAD_ANSWER:
            assert what.lead is not None
            return call(what.lead)
    return call(person)


def call(person: Person) -> dict[str, str]:
    """How to reach them: by phone, else by mail, else their page."""
    way = contact_of(person)
    if way["tel"]:
        return {"act_url": f"tel:{way['tel']}", "act": f"Call {person.first_name}"}
    if way["email"]:
        return {"act_url": f"mailto:{way['email']}", "act": f"Write to {person.first_name}"}
    return {"act_url": way["url"], "act": "Open their page"}


def lead_shown(one: leads.Suggestion) -> dict[str, Any]:
    return {**contact_of(one.person), "pk": one.person.pk, "runs": one.runs, "first": one.person.first_name}


# --- the picture and the numbers


def stations_of(people: Iterable[OnTheWay]) -> list[dict[str, Any]]:
    """How many stand where on the way, and how many of them too long; with the bar's widths in hundredths
    of the longest."""
    counts, stuck = Counter[Stage](), Counter[Stage]()
    for one in people:
        counts[one.stage] += 1
        stuck[one.stage] += one.is_stuck
    rows = [
        (name, sum(counts[stage] for stage in stages), sum(stuck[stage] for stage in stages))
        for name, stages in STATIONS
    ]
    most = max((count for _name, count, _stuck in rows), default=0) or 1
    return [
        {
            "name": name,
            "count": count,
            "stuck": long,
            "width": round(100 * count / most),
            "stuck_width": round(100 * long / most),
        }
        for name, count, long in rows
    ]


def pace_shown(found: Pace) -> dict[str, Any]:
    return {
        "people": found.people,
        "days": None if found.days is None else in_days(found.days),
        "longest": found.longest,
        "longest_days": None if found.longest_days is None else in_days(found.longest_days),
    }


def in_days(days: float) -> str:
    """A median, which may end in a half."""
    whole = f"{days:g}"
    return f"{whole} day" if days == 1 else f"{whole} days"


# --- a hello, and the answer to a suggestion


@coordinator_only
@require_POST
def said_hello(request: Request, pk: int) -> HttpResponse:
    """`undo` takes it back."""
    who, back = person_or_404(pk), back_to(request, reverse("desk_orientation"))
    if "undo" in request.POST:
        hello.unsay_hello(who, by=request.user)
        messages.success(request, f"Nobody has spoken with {who.name} yet.")
    else:
        hello.say_hello(who, by=request.user)
        messages.success(request, f"You said hello to {who.name}.")
        offer_undo(request, "Undo: no hello yet", reverse("desk_hello", args=[pk]), undo="1")
    return redirect(back)


@coordinator_only
@require_POST
def no_lead_now(request: Request, pk: int) -> HttpResponse:
    """`undo` takes it back."""
    who, back = person_or_404(pk), back_to(request, reverse("desk_orientation"))
    if "undo" in request.POST:
        leads.after_all(who, by=request.user)
        messages.success(request, f"{who.name} is suggested again.")
    else:
        leads.not_now(who, by=request.user)
        messages.success(request, f"{who.name} is not suggested as a lead driver for six months.")
        offer_undo(request, "Undo: suggest again", reverse("desk_no_lead_now", args=[pk]), undo="1")
    return redirect(back)

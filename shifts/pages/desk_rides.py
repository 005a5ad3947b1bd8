"""Shadow rides at the desk: who could ride with whom, asked with one tap; answers told by phone; and why
somebody stays without a ride."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from shifts.cover.pairing import Plan, Proposal, Without, proposals
from shifts.cover.pairing import Waiting as OneWaiting
from shifts.models import Booking, Pairing, Policy, Run
from shifts.pages.access import Request, coordinator_only
from shifts.pages.desk_parts import contact_of, preference_of, sentence, title_and_time, when
from shifts.pages.desk_runs import NEXT, row_posted, run_or_404
from shifts.pages.keys import is_key, key_of
from shifts.pages.undo import back_to, offer_undo, undo_offered
from shifts.seats import pairing as moves
from shifts.seats.refusals import Refusal
from shifts.seats.riding import change_ride
from volunteers.models import Person, Step

LATELY = timedelta(days=14)  # settled ones that are still listed
LISTED = 20


@coordinator_only
@require_http_methods(["GET", "HEAD", "POST"])
def rides(request: Request) -> HttpResponse:
    if request.method == "POST":
        do = ACTIONS.get(request.POST.get("do", ""))
        if do is None:
            messages.error(request, "Nothing was done: choose one of the buttons.")
        else:
            do(request)
        return redirect(back_to(request, reverse("desk_rides")))
    at = timezone.now()
    plan = proposals(at=at)
    context = {
        "undo": undo_offered(request),
        "proposals": [proposal_shown(one) for one in plan.proposals],
        "open": [open_shown(pairing, plan) for pairing in plan.open],
        "riding": [riding_shown(one) for one in plan.riding],
        "without": [without_shown(one) for one in plan.without],
        "early": [contact_of(one.person) | {"days": one.days} for one in plan.early],
        "lately": [lately_shown(pairing) for pairing in settled_lately(at)],
        "ride_days": Policy.current().ride_days,
        "weeks": Policy.current().weeks_shown,
        "has_lead": Person.objects.lead_drivers().exists(),
    }
    return render(request, "desk/rides.html", context)


# --- what is shown


def seats_shown(lead: Person, trainee: Person, *, lead_note: str, trainee_note: str) -> list[dict[str, str]]:
    """The two seats of a proposed ride: the lead driver's is taken, the trainee's waits."""
    return [
        {"kind": "driver", "label": "Driver's seat", "state": "taken", "word": lead.name, "note": lead_note},
        {
            "kind": "second",
            "label": "Second seat",
            "state": "waiting",
            "word": trainee.name,
            "note": trainee_note,
        },
    ]


def proposal_shown(one: Proposal) -> dict[str, Any]:
    trainee = one.waiting.person
    papers = any(step.kind == Step.Kind.PAPER for step in one.waiting.missing)
    return {
        "pair": pair_of(one),
        "key": f"{trainee.pk}-{one.run.pk}",
        "title": one.run.title,
        "when": when(one.run),
        "url": reverse("desk_run", args=[one.run.pk]),
        "seats": seats_shown(one.lead, trainee, lead_note="lead driver", trainee_note=""),
        "trainee": trainee.name,
        "reasons": one.reasons,
        "ways": [] if papers else Booking.Ride.choices,
        "instead": [f"{pairing.trainee.name} with {pairing.lead.name}" for pairing in one.instead],
    }


def pair_of(one: Proposal) -> str:
    """What a button sends back: whom it is about, as it was shown."""
    instead = [str(pairing.pk) for pairing in one.instead]
    return "-".join([str(one.waiting.person.pk), str(one.run.pk), str(one.lead.pk), *instead])


def open_shown(pairing: Pairing, plan: Plan) -> dict[str, Any]:
    instead = [one for one in plan.proposals if any(other.pk == pairing.pk for other in one.instead)]
    return {
        "pk": pairing.pk,
        "title": pairing.run.title,
        "when": when(pairing.run),
        "url": reverse("desk_run", args=[pairing.run_id]),
        "ride": pairing.get_ride_display(),
        "seats": seats_shown(
            pairing.lead,
            pairing.trainee,
            lead_note=said_by(pairing, pairing.lead),
            trainee_note=said_by(pairing, pairing.trainee),
        ),
        "asked_at": pairing.proposed_at,
        "people": [
            person_shown(pairing, pairing.lead, "lead"),
            person_shown(pairing, pairing.trainee, "trainee"),
        ],
        "instead": [one.waiting.person.name for one in instead],
    }


def said_by(pairing: Pairing, person: Person) -> str:
    return "has said yes" if moves.has_agreed(pairing, person) else "no answer yet"


def person_shown(pairing: Pairing, person: Person, who: str) -> dict[str, Any]:
    return {
        **contact_of(person),
        "who": who,
        "agreed": moves.has_agreed(pairing, person),
        "warn": preference_of(person),
        "reached": "" if person.is_mailed else "gets no mail, so call them",
    }


def riding_shown(one: OneWaiting) -> dict[str, Any]:
    assert one.ride is not None
    run = one.ride.run
    return contact_of(one.person) | {
        "run": title_and_time(run),
        "run_url": reverse("desk_run", args=[run.pk]),
        "ride": one.ride.get_ride_display(),
    }


def without_shown(one: Without) -> dict[str, Any]:
    return contact_of(one.waiting.person) | {
        "days": one.waiting.days,
        "why": one.why,
        "do": one.do,
        "warn": preference_of(one.waiting.person),
    }


def settled_lately(at: datetime) -> list[Pairing]:
    rows = moves.with_people().filter(settled_at__gt=at - LATELY)
    return list(rows.order_by("-settled_at", "-pk")[:LISTED])


def lately_shown(pairing: Pairing) -> dict[str, Any]:
    names = f"{pairing.trainee.name} with {pairing.lead.name}"
    if pairing.outcome == Pairing.Outcome.DECLINED and pairing.declined_by:
        what = f"{pairing.declined_by.name} said no"
    else:
        what = "both said yes" if pairing.outcome == Pairing.Outcome.AGREED else "not proposed any more"
    return {
        "names": names,
        "run": title_and_time(pairing.run),
        "url": reverse("desk_run", args=[pairing.run_id]),
        "what": what,
        "why": pairing.why,
        "at": pairing.settled_at,
    }


# --- asking


def ask(request: Request) -> None:
    """One of the rides that the page has shown, as it was shown."""
    asked = ask_pair(request, request.POST.get("pair", ""), request.POST.get("ride", Booking.Ride.ALONG))
    if asked:
        told = " ".join(filter(None, [how_asked(asked.lead), how_asked(asked.trainee)]))
        names = f"{asked.lead.name} and {asked.trainee.name} are asked"
        messages.success(request, sentence(f"{names}: {title_and_time(asked.run)}") + " " + told)
        offer_undo(request, "Undo: withdraw it", reverse("desk_rides"), do="withdraw", pairing=[asked.pk])


def ask_all(request: Request) -> None:
    """All that the page has shown; each for itself, so that one that cannot be asked holds up no other."""
    pairs = request.POST.getlist("pair")[:500]
    asked = [one for one in (ask_pair(request, pair, Booking.Ride.ALONG) for pair in pairs) if one]
    if not asked:
        messages.info(request, "Nobody was asked.")
        return
    phones = {person.name for one in asked for person in (one.lead, one.trainee) if not person.is_mailed}
    told = (
        f" Call {', '.join(sorted(phones))}: the words are on the desk, to tell by phone." if phones else ""
    )
    pairs_said = "1 pair is" if len(asked) == 1 else f"{len(asked)} pairs are"
    messages.success(request, f"{pairs_said} asked; each person answers by a link of their own.{told}")
    offer_undo(
        request,
        "Undo: withdraw all of them",
        reverse("desk_rides"),
        do="withdraw",
        pairing=[one.pk for one in asked],
    )


def ask_pair(request: Request, text: str, ride: str) -> Pairing | None:
    """Asks the pair that a button names; None, and a message why not."""
    keys = [int(part) for part in text.split("-") if is_key(part)]
    if len(keys) < 3 or ride not in Booking.Ride.values:
        messages.error(request, "Nobody was asked: choose one of the rides on the page.")
        return None
    trainee, run, lead, *instead = keys
    person = Person.objects.filter(pk=trainee).first()
    facts = {
        "run": Run.objects.filter(pk=run).first(),
        "trainee": person,
        "lead": Person.objects.filter(pk=lead).first(),
    }
    if None in facts.values() or person is None or trainee == lead:
        messages.error(request, "Nobody was asked: choose one of the rides on the page.")
        return None
    given_up = list(Pairing.objects.open().filter(pk__in=instead))
    try:
        return moves.propose(**facts, ride=ride, instead=given_up, by=request.user)  # type: ignore[arg-type]
    except Refusal as refusal:
        messages.error(request, not_done(f"{person.name} was not asked.", refusal))
        return None


def not_done(what: str, refusal: Refusal) -> str:
    return f"{what} {refusal.why} {NEXT.get(refusal.code, refusal.next)}".strip()


def how_asked(person: Person) -> str:
    if person.is_mailed:
        return f"{person.first_name} gets a mail with a link."
    return f"Call {person.first_name}: the words are on the desk, to tell by phone."


# --- answers that were told by phone


def pairing_named(request: Request) -> tuple[Pairing, Person]:
    """The open ride that a form names, and which of the two; 404 where there is none."""
    pairing = row_posted(request, "pairing", moves.with_people())
    person = pairing.lead if request.POST.get("who") == "lead" else pairing.trainee
    return pairing, person


def agree(request: Request) -> None:
    pairing, person = pairing_named(request)
    try:
        pairing = moves.agree(pairing, person, by=request.user)
    except Refusal as refusal:
        messages.error(request, not_done("Nothing was noted.", refusal))
        return
    names = f"{pairing.trainee.name} rides with {pairing.lead.name}: {title_and_time(pairing.run)}"
    if pairing.outcome == Pairing.Outcome.WITHDRAWN:
        messages.error(request, f"It is not possible any more, and both are told. {pairing.why}")
    elif pairing.outcome == Pairing.Outcome.AGREED:
        messages.success(request, sentence(names) + " Both have agreed, and the trainee is seated.")
        undo = {"booking": pairing.booking_id, "next": reverse("desk_rides")}
        words, url = f"Undo: take {pairing.trainee.first_name} out", "desk_unseat"
        offer_undo(request, words, reverse(url, args=[pairing.run_id]), **undo)
    else:
        messages.success(request, f"{person.name} has said yes. It is fixed once both have.")
        words = f"Undo: {person.first_name} has not said yes"
        who = request.POST.get("who", "")
        offer_undo(request, words, reverse("desk_rides"), do="take back", pairing=pairing.pk, who=who)


def take_back(request: Request) -> None:
    pairing, person = pairing_named(request)
    try:
        moves.take_back(pairing, person, by=request.user)
    except Refusal as refusal:
        messages.error(request, not_done("Nothing was taken back.", refusal))
    else:
        messages.success(request, f"{person.name} has not said yes.")


def decline(request: Request) -> None:
    pairing, person = pairing_named(request)
    try:
        pairing = moves.decline(pairing, person, word=request.POST.get("word", ""), by=request.user)
    except Refusal as refusal:
        messages.error(request, not_done("Nothing was noted.", refusal))
        return
    other = moves.other_of(pairing, person)
    messages.success(
        request, f"{person.name} has said no, and {other.name} is told. Another ride is looked for."
    )
    pair = f"{pairing.trainee_id}-{pairing.run_id}-{pairing.lead_id}"
    words = "Undo: ask both again"
    offer_undo(request, words, reverse("desk_rides"), do="ask", pair=pair, ride=pairing.ride)


def withdraw(request: Request) -> None:
    """One, or all that an undo names."""
    keys = [key_of(key) for key in request.POST.getlist("pairing")[:500]]
    found = list(moves.with_people().filter(pk__in=keys))
    for pairing in found:
        names = f"{pairing.trainee.name} with {pairing.lead.name}"
        try:
            moves.withdraw(pairing, by=request.user)
        except Refusal as refusal:
            messages.error(request, not_done(f"{names} was not withdrawn.", refusal))
        else:
            messages.success(request, f"Not proposed any more: {names}. Whoever had been asked is told.")
    if not found:
        messages.info(request, "There was nothing to withdraw.")


ACTIONS: dict[str, Callable[[Request], None]] = {
    "ask": ask,
    "ask all": ask_all,
    "agree": agree,
    "take back": take_back,
    "decline": decline,
    "withdraw": withdraw,
}


# --- how a trainee rides


@coordinator_only
@require_POST
def how(request: Request, pk: int) -> HttpResponse:
    """On the run's page: how the trainee in the second seat rides."""
    run = run_or_404(pk)
    second = run.bookings.live().filter(seat=Booking.Seat.SECOND)
    booking = get_object_or_404(second)
    ride = request.POST.get("ride", "")
    if ride not in Booking.Ride.values:
        messages.error(request, "Choose how they ride.")
        return redirect("desk_run", pk=pk)
    before = booking.ride
    try:
        booking = change_ride(booking, ride, by=request.user)
    except Refusal as refusal:
        messages.error(request, not_done("Nothing was changed.", refusal))
        return redirect("desk_run", pk=pk)
    if before == ride:
        messages.info(request, "Nothing was changed: they ride like this already.")
        return redirect("desk_run", pk=pk)
    messages.success(
        request, sentence(f"{booking.person.name} {booking.get_ride_display()}") + " Both are told."
    )
    offer_undo(request, "Undo: as it was", reverse("desk_ride_how", args=[pk]), ride=before)
    return redirect("desk_run", pk=pk)

"""Handing a run to somebody: whom to ask, asking no longer, and the answer by a private link."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from django.contrib import messages
from django.db.models import Q
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from shifts.cover.candidates import may_drive
from shifts.models import Booking, HandOver, Run
from shifts.pages import volunteer_parts as parts
from shifts.pages.access import Request, volunteer_only
from shifts.pages.regular import number_in
from shifts.pages.volunteer import run_or_404, who
from shifts.seats import handover
from shifts.seats.keeping import kept_for
from shifts.seats.refusals import NotReady, Refusal
from volunteers.models import Person
from volunteers.models.person import PersonQuerySet

# --- by its driver


@require_http_methods(["GET", "HEAD", "POST"])
@volunteer_only
def ask(request: Request, pk: int) -> HttpResponse:
    """Whom to ask: everybody who may take it, by first name and initial."""
    run, at = run_or_404(pk), timezone.now()
    mine = driven_by(run, who(request))
    if mine is None:
        if run.bookings.of(who(request)).exists():  # given back meanwhile, or handed on
            return redirect("run", pk=pk)
        raise Http404
    if run.starts_at <= at or run.is_cancelled:
        messages.info(request, _("Only a run that is still to come can be handed on."))
        return redirect("run", pk=pk)
    if request.method != "POST":
        return ask_whom(request, run, at)
    to = get_object_or_404(Person.objects.active(), pk=number_in(request, "person"))
    try:
        handover.ask(mine, to, by=request.user)
    except Refusal as refusal:
        return ask_whom(request, run, at, refused=(to, refusal))
    words = {"name": handover.short_name(to)}
    if to.is_mailed:
        messages.success(
            request, _("%(name)s is asked by mail. Until they accept, the run is yours.") % words
        )
    else:
        text = _("%(name)s has no mail: the coordinator asks them. Until they accept, the run is yours.")
        messages.success(request, text % words)
    return redirect("run", pk=pk)


def driven_by(run: Run, person: Person) -> Booking | None:
    mine = parts.seat_on(run, person)
    return mine if mine and mine.seat == Booking.Seat.DRIVER else None


def ask_whom(
    request: Request, run: Run, at: datetime, *, refused: tuple[Person, Refusal] | None = None
) -> HttpResponse:
    """The list; with whom could not be asked, and why."""
    mine = driven_by(run, who(request))
    context = {
        "run": run,
        "when": parts.when(run.starts_at),
        "people": [{"pk": person.pk, "name": handover.short_name(person)} for person in whom_to_ask(run, at)],
        "asked": handover.open_for(mine) if mine else None,
        "refused": {"name": handover.short_name(refused[0]), "why": refused[1].why, "next": refused[1].next}
        if refused
        else None,
    }
    return render(request, "volunteer/hand_over_ask.html", context, status=409 if refused else 200)


def whom_to_ask(run: Run, at: datetime) -> PersonQuerySet:
    """Who may take the run; of a crew's run, as long as it is kept, only the crew."""
    people = may_drive(run)
    regular = kept_for([run], at=at).get(run.pk)
    if regular and regular.crew:
        members = regular.members.values("pk")
        people = people.filter(Q(pk=regular.person_id) | Q(pk__in=members))
    return people


@require_POST
@volunteer_only
def withdraw(request: Request, pk: int) -> HttpResponse:
    """The driver asks no longer, and may ask somebody else."""
    run = run_or_404(pk)
    mine = driven_by(run, who(request))
    asked = handover.open_for(mine) if mine else None
    if asked is None:
        if run.bookings.of(who(request)).exists():  # tapped twice, or answered meanwhile
            return redirect("run", pk=pk)
        raise Http404
    asked = handover.withdraw(asked, by=request.user)
    if asked.answer == HandOver.Answer.WITHDRAWN:
        text = _("%(name)s is not asked any more. The run is yours.")
        messages.success(request, text % {"name": handover.short_name(asked.to)})
    return redirect("run", pk=pk)


# --- by whoever is asked


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def answer(request: Request, token: str) -> HttpResponse:
    """The private link: it shows the run, and takes the answer. No sign-in: the link is the person's."""
    hand_over = handover.found_by(token)
    if hand_over is None:
        raise Http404
    response = taken(request, hand_over) if request.method == "POST" else show(request, hand_over)
    response["X-Robots-Tag"] = "noindex"
    response["Referrer-Policy"] = "same-origin"  # the form's POST needs it; other sites get nothing
    return response


def taken(request: Request, hand_over: HandOver) -> HttpResponse:
    by = request.user if request.user.is_authenticated else hand_over.to.user
    said = request.POST.get("answer", "")
    try:
        if said == "accept":
            handover.accept(hand_over, starts_at=moment_in(request), by=by)
        elif said == "decline":
            handover.decline(hand_over, by=by)
        else:
            return show(request, hand_over, problem=_("Choose one of the two."), status=400)
    except Refusal as refusal:
        fresh = HandOver.objects.select_related("booking__person", "booking__run", "to").get(pk=hand_over.pk)
        return show(request, fresh, refusal=refusal, status=409)
    return redirect(request.path)


def moment_in(request: Request) -> datetime:
    """The start that the page showed; 1970, which is no run's, where the form does not say."""
    text = request.POST.get("starts_at", "")
    number = int(text) if text.isascii() and text.isdigit() and len(text) < 12 else 0
    return datetime.fromtimestamp(number, UTC)


def show(
    request: Request,
    hand_over: HandOver,
    *,
    refusal: Refusal | None = None,
    problem: str = "",
    status: int = 200,
) -> HttpResponse:
    run = run_or_404(hand_over.booking.run_id)
    over = handover.closed(hand_over, timezone.now())
    asks = handover.short_name(hand_over.booking.person)
    missing = refusal.missing if isinstance(refusal, NotReady) else []
    context: dict[str, Any] = {
        "hand_over": hand_over,
        "run": run,
        "when": parts.when(run.starts_at),
        "crates": parts.crates_expected(run),
        "stops": stops_of(run),
        "starts_at": int(run.starts_at.timestamp()),
        "asks": asks,
        "heading": heading_of(hand_over, over, asks),
        "accepted": hand_over.answer == HandOver.Answer.ACCEPTED,
        "declined": hand_over.answer == HandOver.Answer.DECLINED,
        "over": over,
        "refusal": refusal if refusal and not over else None,
        "missing": [parts.missing_task(step, back=reverse("run", args=[run.pk])) for step in missing],
        "problem": problem,
    }
    return render(request, "volunteer/hand_over.html", context, status=status)


def heading_of(hand_over: HandOver, over: Refusal | None, asks: str) -> str:
    if hand_over.answer == HandOver.Answer.ACCEPTED:
        return _("You drive")
    if over:
        return _("No answer needed")
    return _("%(name)s asks: can you drive?") % {"name": asks}


def stops_of(run: Run) -> list[dict[str, Any]]:
    """Without door notes and contacts: these are for whoever drives."""
    return [parts.stop_of(stop, run, door=None, contacts=False) for stop in run.ordered_stops]

"""Shadow rides of the volunteers: the private link's yes and no, and how a trainee rides."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from shifts.models import Booking, Pairing
from shifts.pages import volunteer_parts as parts
from shifts.pages.access import Request, volunteer_only
from shifts.pages.handing import moment_in, stops_of
from shifts.pages.volunteer import run_or_404, who
from shifts.seats import pairing as moves
from shifts.seats import pairing_words as words
from shifts.seats.handover import short_name
from shifts.seats.refusals import Refusal
from shifts.seats.ride_words import cautions
from shifts.seats.riding import change_ride
from volunteers.models import Person

# --- the private link


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def answer(request: Request, token: str) -> HttpResponse:
    """It shows the run, who the other is and how they ride, and takes the answer. No sign-in: the link is
    the person's."""
    found = moves.found_by(token)
    if found is None:
        raise Http404
    pairing, person = found
    response = taken(request, pairing, person) if request.method == "POST" else show(request, pairing, person)
    response["X-Robots-Tag"] = "noindex"
    response["Referrer-Policy"] = "same-origin"  # the form's POST needs it; other sites get nothing
    return response


def taken(request: Request, pairing: Pairing, person: Person) -> HttpResponse:
    by = request.user if request.user.is_authenticated else person.user
    said, word = request.POST.get("answer", ""), request.POST.get("word", "")
    try:
        if said == "yes":
            moves.agree(pairing, person, starts_at=moment_in(request), by=by)
        elif said == "no":
            moves.decline(pairing, person, word=word, by=by)
        else:
            return show(request, pairing, person, problem=_("Choose one of the two."), status=400)
    except Refusal as refusal:
        fresh = moves.with_people().get(pk=pairing.pk)
        return show(request, fresh, person, refusal=refusal, word=word, status=409)
    return redirect(request.path)


def show(
    request: Request,
    pairing: Pairing,
    person: Person,
    *,
    refusal: Refusal | None = None,
    problem: str = "",
    word: str = "",
    status: int = 200,
) -> HttpResponse:
    run, leads = run_or_404(pairing.run_id), person.pk == pairing.lead_id
    over = moves.why_over(pairing, person, at=timezone.now())
    agreed = moves.has_agreed(pairing, person)
    fixed = pairing.outcome == Pairing.Outcome.AGREED and moves.takes_place(pairing)
    context: dict[str, Any] = {
        "pairing": pairing,
        "name": person.first_name,
        "other": short_name(moves.other_of(pairing, person)),
        "leads": leads,
        "run": run,
        "when": parts.when(run.starts_at),
        "crates": parts.crates_expected(run),
        "stops": stops_of(run),
        "starts_at": int(run.starts_at.timestamp()),
        "heading": heading_of(pairing, person, over, fixed=fixed),
        "how": words.how(pairing, person),
        "cautions": "\n".join(cautions(pairing.ride)),
        "fixed": fixed,
        "declined": pairing.declined_by_id == person.pk,
        "waits": agreed and not over,
        "over": over,
        "refusal": refusal if refusal and not over else None,
        "problem": problem,
        "word": word,
    }
    return render(request, "volunteer/ride_answer.html", context, status=status)


def heading_of(pairing: Pairing, person: Person, over: Refusal | None, *, fixed: bool) -> str:
    if fixed:
        return _("You ride together")
    if over:
        return _("No answer needed")
    if moves.has_agreed(pairing, person):
        return _("You have said yes")
    return words.heading(pairing, person)


# --- how a trainee rides, on the run's page


@require_POST
@volunteer_only
def how(request: Request, pk: int) -> HttpResponse:
    """The lead driver of a run says how their trainee rides."""
    run, person = run_or_404(pk), who(request)
    seated = {booking.seat: booking for booking in run.seated}
    driver, second = seated.get(Booking.Seat.DRIVER), seated.get(Booking.Seat.SECOND)
    if driver is None or second is None or driver.person_id != person.pk or not person.is_lead:
        raise Http404
    ride = request.POST.get("ride", "")
    if ride not in Booking.Ride.values:
        messages.error(request, _("Choose how they ride."))
        return redirect("run", pk=pk)
    before = second.ride
    try:
        change_ride(second, ride, by=request.user)
    except Refusal as refusal:
        messages.error(request, f"{refusal.why} {refusal.next}")
    else:
        words = _("Noted.") if before == ride else _("Noted. %(name)s is told.")
        messages.success(request, words % {"name": second.person.first_name})
    return redirect("run", pk=pk)
